//! `tideorgan` stage by stage, each stage as its float or its fixed twin.
//!
//! Wires between stages are f64, which holds every f32, Q1.31, Q6.26 and increment: between two
//! stages of one twin nothing is rounded, and a voice of one twin throughout has the bits of that
//! twin. From a float stage to a fixed one a wire rounds to Q1.31 and saturates, the other way it
//! rounds to f32.

use fixed::types::I1F31;
use plumbtone_voice::instruments::tideorgan::{Fixed, Float};
use plumbtone_voice::{Contour, Event, Increment, Instrument, Rate};

use super::score::Score;
use crate::error::Error;
use crate::settings::Settings;
use crate::subject::Twin;

/// A stage of the voice, in the order in which they run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Stage {
    /// Low-frequency oscillator.
    Lfo,
    /// Glide, bend and vibrato to increments.
    Pitch,
    /// Oscillators and noise.
    Sources,
    /// Sum of the sources.
    Mixer,
    /// Contour of the cutoff.
    FilterContour,
    /// What moves the cutoff, to an increment.
    Cutoff,
    /// Ladder.
    Filter,
    /// DC blocker.
    Blocker,
    /// Contour of the level.
    LevelContour,
    /// Sound times contour times level.
    Amplifier,
    /// 16 bits.
    Output,
}

impl Stage {
    /// All stages, in the order in which they run.
    pub const ALL: [Self; 11] = [
        Self::Lfo,
        Self::Pitch,
        Self::Sources,
        Self::Mixer,
        Self::FilterContour,
        Self::Cutoff,
        Self::Filter,
        Self::Blocker,
        Self::LevelContour,
        Self::Amplifier,
        Self::Output,
    ];

    /// The name in reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Lfo => "lfo",
            Self::Pitch => "pitch",
            Self::Sources => "sources",
            Self::Mixer => "mixer",
            Self::FilterContour => "filter-contour",
            Self::Cutoff => "cutoff",
            Self::Filter => "filter",
            Self::Blocker => "blocker",
            Self::LevelContour => "level-contour",
            Self::Amplifier => "amplifier",
            Self::Output => "output",
        }
    }
}

/// Which twin every stage is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stages([Twin; Stage::ALL.len()]);

impl Stages {
    /// Every stage the same twin; the exact evaluation, which stages do not have, counts as float.
    pub const fn all(twin: Twin) -> Self {
        Self([twin; Stage::ALL.len()])
    }

    /// The same but for one stage.
    pub const fn with(mut self, stage: Stage, twin: Twin) -> Self {
        self.0[stage as usize] = twin;
        self
    }

    /// The twin of a stage.
    pub const fn of(&self, stage: Stage) -> Twin {
        self.0[stage as usize]
    }
}

/// What a stage hands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Wire {
    /// Low-frequency oscillator, ±1.
    Lfo,
    /// Increment of the first oscillator, 2^-32 cycle per sample.
    IncrementA,
    /// Increment of the second oscillator, 2^-32 cycle per sample.
    IncrementB,
    /// First oscillator, full scale = 1.0.
    A,
    /// Second oscillator, full scale = 1.0.
    B,
    /// Noise, full scale = 1.0.
    Noise,
    /// Behind the mixer, full scale = 1.0.
    Mixed,
    /// Contour of the cutoff, 0 to 1.
    FilterContour,
    /// Cutoff, 2^-32 cycle per sample.
    Cutoff,
    /// Behind the ladder, full scale = 1.0.
    Filtered,
    /// Behind the DC blocker, full scale = 1.0.
    Blocked,
    /// Contour of the level, 0 to 1.
    LevelContour,
    /// Behind the amplifier, full scale = 1.0.
    Amplified,
    /// 16-bit samples, full scale = 1.0.
    Output,
}

impl Wire {
    /// All wires, in the order in which they are set.
    pub const ALL: [Self; 14] = [
        Self::Lfo,
        Self::IncrementA,
        Self::IncrementB,
        Self::A,
        Self::B,
        Self::Noise,
        Self::Mixed,
        Self::FilterContour,
        Self::Cutoff,
        Self::Filtered,
        Self::Blocked,
        Self::LevelContour,
        Self::Amplified,
        Self::Output,
    ];

    /// The stage that sets it.
    pub const fn stage(self) -> Stage {
        match self {
            Self::Lfo => Stage::Lfo,
            Self::IncrementA | Self::IncrementB => Stage::Pitch,
            Self::A | Self::B | Self::Noise => Stage::Sources,
            Self::Mixed => Stage::Mixer,
            Self::FilterContour => Stage::FilterContour,
            Self::Cutoff => Stage::Cutoff,
            Self::Filtered => Stage::Filter,
            Self::Blocked => Stage::Blocker,
            Self::LevelContour => Stage::LevelContour,
            Self::Amplified => Stage::Amplifier,
            Self::Output => Stage::Output,
        }
    }

    /// Whether a value stands at the limit of its format, or beyond, where a float stage goes on.
    ///
    /// Low-frequency oscillator and contours never do: full scale is where they are meant to go.
    /// Nor does the cutoff, which the filter holds below 0.45 of the rate whatever it is told.
    fn at_limit(self, value: f64) -> bool {
        const LARGEST_Q31: f64 = 1.0 - 1.0 / 2_147_483_648.0;
        const LARGEST_16: f64 = 32_767.0 / 32_768.0;
        let (least, largest) = match self {
            Self::Lfo | Self::FilterContour | Self::LevelContour | Self::Cutoff => return false,
            Self::IncrementA | Self::IncrementB => (-1.0, f64::from(Increment::MAX.bits())),
            Self::Output => (-1.0, LARGEST_16),
            _ => (-1.0, LARGEST_Q31),
        };
        value <= least || value >= largest
    }
}

/// What a staged voice has played.
#[derive(Clone, Debug, PartialEq)]
pub struct Rendering {
    /// The samples.
    pub samples: Vec<i16>,
    /// What went over the wires that were asked for, sample by sample.
    pub captures: Vec<(Wire, Vec<f64>)>,
    /// By stage: samples at which a wire of it stood at the limit of its format, or beyond.
    pub saturated: Vec<(Stage, usize)>,
}

/// `tideorgan` of stages of both twins.
#[derive(Clone, Debug)]
pub struct StagedVoice {
    float: Float,
    fixed: Fixed,
    stages: Stages,
    wires: [f64; Wire::ALL.len()],
}

impl StagedVoice {
    /// Silent, as after power-up.
    ///
    /// # Errors
    /// A sample rate or a setting out of range.
    pub fn new(rate_hz: u32, settings: &Settings, stages: Stages) -> Result<Self, Error> {
        let rate = Rate::new(rate_hz)?;
        let wires = [0.0; Wire::ALL.len()];
        let twins =
            settings.lend(|values| Ok((Float::new(rate, values)?, Fixed::new(rate, values)?)));
        let (float, fixed) =
            twins.map_err(|error: plumbtone_voice::RangeError| Error::from(error))?;
        Ok(Self { float, fixed, stages, wires })
    }

    /// Plays a score from power-up to its end.
    ///
    /// # Errors
    /// As [`StagedVoice::new`].
    pub fn render(
        score: &Score,
        settings: &Settings,
        stages: Stages,
        captured: &[Wire],
    ) -> Result<Rendering, Error> {
        let mut voice = Self::new(score.rate_hz, settings, stages)?;
        let mut samples = vec![0; score.length];
        let mut captures: Vec<(Wire, Vec<f64>)> =
            captured.iter().map(|wire| (*wire, Vec::with_capacity(score.length))).collect();
        let mut saturated = Stage::ALL.map(|stage| (stage, 0));
        score.play(&mut voice, &mut samples, Self::event, |voice, part| {
            for sample in part {
                *sample = voice.tick();
                for (wire, capture) in &mut captures {
                    capture.push(voice.wire(*wire));
                }
                for (stage, count) in &mut saturated {
                    *count += usize::from(voice.saturates(*stage));
                }
            }
        });
        Ok(Rendering { samples, captures, saturated: saturated.to_vec() })
    }

    /// Takes an event, as the firmware does.
    pub fn event(&mut self, event: Event) {
        // Stages that do not run take it too: keys are held in both twins alike.
        self.float.event(event);
        self.fixed.event(event);
    }

    /// What a wire carried at the last sample.
    pub fn wire(&self, wire: Wire) -> f64 {
        self.wires[wire as usize]
    }

    /// Whether a wire of the stage stood at the limit of its format at the last sample.
    pub fn saturates(&self, stage: Stage) -> bool {
        Wire::ALL.iter().any(|wire| wire.stage() == stage && wire.at_limit(self.wire(*wire)))
    }

    fn fixed(&self, stage: Stage) -> bool {
        self.stages.of(stage) == Twin::Fixed
    }

    /// The next sample.
    pub fn tick(&mut self) -> i16 {
        let lfo: f64 = if self.fixed(Stage::Lfo) {
            self.fixed.lfo.tick().to_num()
        } else {
            self.float.lfo.tick().into()
        };
        let increments = if self.fixed(Stage::Pitch) {
            self.fixed.pitch.tick(q31(lfo))
        } else {
            self.float.pitch.tick(lfo as f32)
        };
        let sources: [f64; 3] = if self.fixed(Stage::Sources) {
            self.fixed.sources.tick(increments).map(|source| source.to_num())
        } else {
            self.float.sources.tick(increments).map(f64::from)
        };
        let mixed: f64 = if self.fixed(Stage::Mixer) {
            self.fixed.mixer.tick(sources.map(q31)).to_num()
        } else {
            self.float.mixer.tick(sources.map(|source| source as f32)).into()
        };
        let filter_contour: f64 = if self.fixed(Stage::FilterContour) {
            self.fixed.filter_contour.tick().to_num()
        } else {
            self.float.filter_contour.tick().into()
        };
        let cutoff = if self.fixed(Stage::Cutoff) {
            self.fixed.cutoff.tick(q31(filter_contour), q31(lfo))
        } else {
            self.float.cutoff.tick(filter_contour as f32, lfo as f32)
        };
        let filtered: f64 = if self.fixed(Stage::Filter) {
            self.fixed.filter.tick(q31(mixed), cutoff).to_num()
        } else {
            self.float.filter.tick(mixed as f32, cutoff).into()
        };
        let blocked: f64 = if self.fixed(Stage::Blocker) {
            self.fixed.blocker.tick(q31(filtered)).to_num()
        } else {
            self.float.blocker.tick(filtered as f32).into()
        };
        let level_contour: f64 = if self.fixed(Stage::LevelContour) {
            self.fixed.level_contour.tick().to_num()
        } else {
            self.float.level_contour.tick().into()
        };
        let amplified: f64 = if self.fixed(Stage::Amplifier) {
            self.fixed.amplifier.tick(q31(blocked), q31(level_contour)).to_num()
        } else {
            self.float.amplifier.tick(blocked as f32, level_contour as f32).into()
        };
        let output = if self.fixed(Stage::Output) {
            self.fixed.output.tick(q31(amplified))
        } else {
            self.float.output.tick(amplified as f32)
        };
        let [increment_a, increment_b] = increments.map(|increment| f64::from(increment.bits()));
        let [a, b, noise] = sources;
        // In the order of `Wire::ALL`.
        self.wires = [
            lfo,
            increment_a,
            increment_b,
            a,
            b,
            noise,
            mixed,
            filter_contour,
            cutoff.bits().into(),
            filtered,
            blocked,
            level_contour,
            amplified,
            f64::from(output) / 32_768.0,
        ];
        output
    }
}

/// A wire as a fixed stage takes it.
fn q31(value: f64) -> I1F31 {
    I1F31::saturating_from_num(value)
}
