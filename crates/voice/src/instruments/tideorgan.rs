//! `tideorgan`: the one-voice instrument of a panel, from keys to 16 bits.
//!
//! keys → glide → two oscillators and noise → mixer → ladder → DC blocker → amplifier → output; a contour, the
//! low-frequency oscillator, key tracking and a control move the cutoff, another contour and a
//! control the level. Every stage is a part of its own, so that the bench can build the same
//! instrument from parts of both twins.
//!
//! | | |
//! |---|---|
//! | Source  | subtractive voice (common practice); the parts as their files state |
//! | Units   | pitch and cutoff in octaves, by `frequency::exponential`; an oscillator peaks at ¼ of full scale behind the mixer; latency 1 sample, and that of the ladder |
//! | float   | f32; every part as its file states; pitches summed in f32: 7e-4 cent at 5 octaves from A4; output saturates at 16 bits, nothing before it but the ladder's loop |
//! | fixed   | octaves Q6.26, sound Q1.31, each part as its file states; depths Q.26, products rounded; sums of octaves saturate at ±32; ladder saturates at full scale |
//! | Usable  | float and fixed: keys 0 to 127 at any rate; the linear ladder above resonance 1 swings between its limits |
//! | Checked | `tests/suite/instrument.rs::tideorgan_is_in_tune_over_the_keyboard` |

pub mod blocker;
pub mod cutoff;
pub mod filter;
pub mod parameters;
pub mod pitch;
pub mod sources;

use fixed::types::{I1F31, I6F26};

use crate::contours::{Contour, KeyEvent, adsr, lfo};
use crate::control::keys::{Change, Keys, Priority};
use crate::error::RangeError;
use crate::instruments::{Event, Instrument, InstrumentEntry};
use crate::level::{amplifier, mixer, output};
use crate::parameter::Values;
use crate::phase::Rate;
use parameters::{
    AMPLIFIER, FILTER_CONTOUR, KEYS, LEVEL_CONTOUR, LFO, MIXER, OUTPUT, PARAMETERS, gather,
};

/// How lists and the bench find this module.
pub const ENTRY: InstrumentEntry = InstrumentEntry {
    name: "tideorgan",
    file: "instruments/tideorgan.rs",
    summary: "one voice: two oscillators, noise, ladder, two contours, glide, 16-bit output",
    parameters: &PARAMETERS,
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, values)?);
        Ok(())
    },
    fixed: |rate, values, lend| {
        lend(&mut Fixed::new(rate, values)?);
        Ok(())
    },
};

/// Nearest Q.26 integer to a depth in octaves; for constructors, never per sample.
fn octaves_q26(octaves: f64) -> i64 {
    crate::math::rint(octaves * 67_108_864.0) as i64
}

/// Octaves, and depths times what moves them.
#[inline(always)]
fn sum_q26<const N: usize>(octaves: [I6F26; 2], moved: [(i64, I1F31); N]) -> I6F26 {
    let mut sum: i64 = octaves.iter().map(|octaves| i64::from(octaves.to_bits())).sum();
    for (depth, value) in moved {
        // Q: |depth| < 2^30 in Q.26, |value| ≤ 2^31: product < 2^61, rounded to Q.26.
        sum += (depth * i64::from(value.to_bits()) + (1 << 30)) >> 31;
    }
    // Q: saturates at ±32 octaves, beyond any increment.
    I6F26::from_bits(sum.clamp(i32::MIN.into(), i32::MAX.into()) as i32)
}

/// What an event means to the stages, the same for both twins.
enum Action {
    Nothing,
    Sounds(KeyEvent, u8),
    Silence,
    Bend(u16),
    Level(u16),
    Cutoff(u16),
}

fn action(keys: &mut Keys, event: Event) -> Action {
    const LAST: u8 = 127;
    let change = match event {
        Event::Down { key } => keys.down(key.min(LAST)),
        Event::Up { key } => keys.up(key.min(LAST)),
        Event::Bend { code } => return Action::Bend(code),
        Event::Level { code } => return Action::Level(code),
        Event::Cutoff { code } => return Action::Cutoff(code),
    };
    match (change, change.event()) {
        (Change::Sounds { key, .. }, Some(event)) => Action::Sounds(event, key),
        (Change::Silence, _) => Action::Silence,
        _ => Action::Nothing,
    }
}

fn keys(values: &Values<'_>) -> Result<Keys, RangeError> {
    Ok(Keys::new(Priority::from_values(&Values(&gather(values, &KEYS)?))?))
}

fn lfo_setup(values: &Values<'_>) -> Result<lfo::Setup, RangeError> {
    lfo::Setup::from_values(&Values(&gather(values, &LFO)?))
}

/// Float twin. Its stages are open, so that the bench can run them one by one.
#[derive(Clone, Debug)]
pub struct Float {
    keys: Keys,
    /// Low-frequency oscillator.
    pub lfo: lfo::Float,
    /// Glide, bend and vibrato to increments.
    pub pitch: pitch::Float,
    /// Contour of the cutoff.
    pub filter_contour: adsr::Float,
    /// Contour of the level.
    pub level_contour: adsr::Float,
    /// Oscillators and noise.
    pub sources: sources::Float,
    /// Sum of the sources.
    pub mixer: mixer::Float,
    /// What moves the cutoff, to an increment.
    pub cutoff: cutoff::Float,
    /// Ladder.
    pub filter: filter::Float,
    /// DC blocker.
    pub blocker: blocker::Float,
    /// Sound times contour times level.
    pub amplifier: amplifier::Float,
    /// 16 bits.
    pub output: output::Float,
}

impl Float {
    /// Silent, no key held, controls at rest and the level fully up.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let contour = |part| adsr::Setup::from_values(&Values(&gather(values, part)?));
        Ok(Self {
            keys: keys(values)?,
            lfo: lfo::Float::new(rate, &lfo_setup(values)?)?,
            pitch: pitch::Float::new(rate, values)?,
            filter_contour: adsr::Float::new(rate, &contour(&FILTER_CONTOUR)?)?,
            level_contour: adsr::Float::new(rate, &contour(&LEVEL_CONTOUR)?)?,
            sources: sources::Float::new(values)?,
            mixer: mixer::Float::new(&Values(&gather(values, &MIXER)?))?,
            cutoff: cutoff::Float::new(rate, values)?,
            filter: filter::Float::new(rate, values)?,
            blocker: blocker::Float::new(rate, values)?,
            amplifier: amplifier::Float::new(rate, &Values(&gather(values, &AMPLIFIER)?))?,
            output: output::Float::new(&Values(&gather(values, &OUTPUT)?))?,
        })
    }

    fn key(&mut self, event: KeyEvent) {
        self.lfo.event(event);
        self.pitch.event(event);
        self.filter_contour.event(event);
        self.level_contour.event(event);
    }
}

impl Instrument for Float {
    fn event(&mut self, event: Event) {
        match action(&mut self.keys, event) {
            Action::Nothing => {}
            Action::Sounds(event, key) => {
                self.key(event);
                self.cutoff.key(key);
            }
            Action::Silence => self.key(KeyEvent::Up),
            Action::Bend(code) => self.pitch.bend(code),
            Action::Level(code) => self.amplifier.control(code),
            Action::Cutoff(code) => self.cutoff.control(code),
        }
    }

    #[inline]
    fn tick(&mut self) -> i16 {
        let lfo = self.lfo.tick();
        let increments = self.pitch.tick(lfo);
        let sources = self.sources.tick(increments);
        let mixed = self.mixer.tick(sources);
        let contour = self.filter_contour.tick();
        let cutoff = self.cutoff.tick(contour, lfo);
        let filtered = self.filter.tick(mixed, cutoff);
        let blocked = self.blocker.tick(filtered);
        let contour = self.level_contour.tick();
        let amplified = self.amplifier.tick(blocked, contour);
        self.output.tick(amplified)
    }
}

/// Fixed twin. Its stages are open, so that the bench can run them one by one.
#[derive(Clone, Debug)]
pub struct Fixed {
    keys: Keys,
    /// Low-frequency oscillator.
    pub lfo: lfo::Fixed,
    /// Glide, bend and vibrato to increments.
    pub pitch: pitch::Fixed,
    /// Contour of the cutoff.
    pub filter_contour: adsr::Fixed,
    /// Contour of the level.
    pub level_contour: adsr::Fixed,
    /// Oscillators and noise.
    pub sources: sources::Fixed,
    /// Sum of the sources.
    pub mixer: mixer::Fixed,
    /// What moves the cutoff, to an increment.
    pub cutoff: cutoff::Fixed,
    /// Ladder.
    pub filter: filter::Fixed,
    /// DC blocker.
    pub blocker: blocker::Fixed,
    /// Sound times contour times level.
    pub amplifier: amplifier::Fixed,
    /// 16 bits.
    pub output: output::Fixed,
}

impl Fixed {
    /// Silent, no key held, controls at rest and the level fully up.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let contour = |part| adsr::Setup::from_values(&Values(&gather(values, part)?));
        Ok(Self {
            keys: keys(values)?,
            lfo: lfo::Fixed::new(rate, &lfo_setup(values)?)?,
            pitch: pitch::Fixed::new(rate, values)?,
            filter_contour: adsr::Fixed::new(rate, &contour(&FILTER_CONTOUR)?)?,
            level_contour: adsr::Fixed::new(rate, &contour(&LEVEL_CONTOUR)?)?,
            sources: sources::Fixed::new(values)?,
            mixer: mixer::Fixed::new(&Values(&gather(values, &MIXER)?))?,
            cutoff: cutoff::Fixed::new(rate, values)?,
            filter: filter::Fixed::new(rate, values)?,
            blocker: blocker::Fixed::new(rate, values)?,
            amplifier: amplifier::Fixed::new(rate, &Values(&gather(values, &AMPLIFIER)?))?,
            output: output::Fixed::new(&Values(&gather(values, &OUTPUT)?))?,
        })
    }

    fn key(&mut self, event: KeyEvent) {
        self.lfo.event(event);
        self.pitch.event(event);
        self.filter_contour.event(event);
        self.level_contour.event(event);
    }
}

impl Instrument for Fixed {
    fn event(&mut self, event: Event) {
        match action(&mut self.keys, event) {
            Action::Nothing => {}
            Action::Sounds(event, key) => {
                self.key(event);
                self.cutoff.key(key);
            }
            Action::Silence => self.key(KeyEvent::Up),
            Action::Bend(code) => self.pitch.bend(code),
            Action::Level(code) => self.amplifier.control(code),
            Action::Cutoff(code) => self.cutoff.control(code),
        }
    }

    #[inline]
    fn tick(&mut self) -> i16 {
        let lfo = self.lfo.tick();
        let increments = self.pitch.tick(lfo);
        let sources = self.sources.tick(increments);
        let mixed = self.mixer.tick(sources);
        let contour = self.filter_contour.tick();
        let cutoff = self.cutoff.tick(contour, lfo);
        let filtered = self.filter.tick(mixed, cutoff);
        let blocked = self.blocker.tick(filtered);
        let contour = self.level_contour.tick();
        let amplified = self.amplifier.tick(blocked, contour);
        self.output.tick(amplified)
    }
}
