//! Takes readings of one note: the instruments of one worker, with their buffers.

use plumbtone_measure::aliasing::{Aliasing, listening_margin_db};
use plumbtone_measure::audibility::{Component, Criterion, Listener};
use std::sync::Arc;
use std::time::Instant;

use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_measure::difference::Difference;
use plumbtone_measure::harmonic::Harmonic;
use plumbtone_measure::pitch::{Model, Pitch, PitchReading};
use plumbtone_measure::psd::Psd;
use plumbtone_measure::{cents, db, level, power_db};
use plumbtone_theory::Complex64;
use plumbtone_theory::Reference;
use plumbtone_theory::tuning::{Accumulator, Rounding};
use plumbtone_voice::Shape;

use crate::check::Check;
use crate::error::Error;
use crate::expect::{NoiseLaw, Yardstick};
use crate::results::{Case, Gap, Kind};
use crate::subject::{Stimulus, Subject, Twin, rate_of};

/// Samples of a coherent capture: a power of two, so that a 32-bit phase repeats exactly.
pub const COHERENT_SAMPLES: usize = 1 << 16;
/// Samples left out before a capture: longer than any kernel, and time for a user's module
/// to forget its start.
pub const SETTLE_SAMPLES: usize = 4096;
/// Samples of a capture that is analysed under a window: 2.7 s at 48 kHz, so that even the
/// lines of the lowest key stand clear of each other.
pub const WINDOWED_SAMPLES: usize = 1 << 17;
/// Least distance of harmonics that shows what is between them, bins: two half-widths of the
/// window's lobe, 10 each, and two bins to spare.
const HARMONIC_ROOM_BINS: f64 = 22.0;
/// Phase at which coherent captures start, in 2^-32 cycle: half a coherent step, so that no
/// sample falls on a step of the waveform.
pub const START: u32 = 1 << 15;
/// Samples of a noise capture.
const NOISE_SAMPLES: usize = 1 << 20;
/// Segment of a noise capture's spectrum.
const NOISE_SEGMENT: usize = 1 << 12;
/// Lines below this level, re the fundamental, are not held against their closed form.
const LINE_FLOOR: f64 = 1e-7;

/// Where the time of a run goes, in seconds of work over all workers.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spent {
    /// Rendering subjects.
    pub render: f64,
    /// Fourier transforms and line sums.
    pub spectrum: f64,
    /// Closed forms and exact evaluations.
    pub theory: f64,
    /// Least-squares pitch.
    pub pitch: f64,
    /// Masking model.
    pub hearing: f64,
    /// Instruments for control signals and laws.
    pub control: f64,
}

impl Spent {
    /// Adds another worker's time.
    pub fn add(&mut self, other: &Self) {
        self.render += other.render;
        self.spectrum += other.spectrum;
        self.theory += other.theory;
        self.pitch += other.pitch;
        self.hearing += other.hearing;
        self.control += other.control;
    }

    /// Parts with their names, longest first.
    pub fn parts(&self) -> [(&'static str, f64); 6] {
        let mut parts = [
            ("render", self.render),
            ("spectrum", self.spectrum),
            ("theory", self.theory),
            ("pitch", self.pitch),
            ("hearing", self.hearing),
            ("control", self.control),
        ];
        parts.sort_by(|a, b| b.1.total_cmp(&a.1));
        parts
    }
}

/// What a reading is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bound {
    /// The limit that arithmetic or a closed form gives at this note.
    Derived,
    /// A limit that a plan or a test asks for, in the unit of the reading.
    Required(f64),
    /// Nothing: the reading is taken for the record.
    Noted,
}

/// One note of one subject, and what is asked of it.
pub struct Job<'a> {
    /// What lies on the bench.
    pub subject: &'a dyn Subject,
    /// Its closed forms, where it has any.
    pub yardstick: Option<&'a Arc<Yardstick>>,
    /// Its power density, where it is noise.
    pub noise: Option<&'a NoiseLaw>,
    /// Which evaluation the closed forms are to expect.
    pub twin: Option<Twin>,
    /// What it is fed.
    pub stimulus: Stimulus,
    /// Key of the note.
    pub key: Option<u8>,
    /// Harmonics above this frequency are not held against the Fourier series, Hz.
    pub harmonics_up_to_hz: f64,
    /// What the highest clean note is held against.
    pub anchor: Option<Anchor>,
    /// Kinds asked for.
    pub asked: &'a [(Kind, Bound)],
}

impl<'a> Job<'a> {
    /// The check's subject at A4, with questions of its own.
    pub fn of(check: &'a Check, asked: &'a [(Kind, Bound)]) -> Self {
        let rate_hz = check.rates_hz.first().copied().unwrap_or(44_100);
        Self {
            subject: &*check.subject,
            yardstick: check.yardstick.as_ref(),
            noise: check.noise.as_ref(),
            twin: check.twin,
            stimulus: check.stimulus(69, rate_hz),
            key: None,
            harmonics_up_to_hz: check.harmonics_up_to_hz,
            anchor: check.anchor,
            asked,
        }
    }
}

/// A published highest clean note.
#[derive(Clone, Copy, Debug)]
pub struct Anchor {
    /// Published fundamental, Hz.
    pub hz: f64,
    /// Where the upward scan starts, Hz.
    pub from_hz: f64,
    /// Where it was published.
    pub source: Reference,
}

/// A value with its uncertainty and a note, or why there is none.
pub(crate) type Taken = Result<(f64, f64, Option<String>), (Gap, String)>;

/// An instrument's refusal.
pub(crate) fn unreadable(why: impl ToString) -> (Gap, String) {
    (Gap::Unreadable, why.to_string())
}

/// Nothing is there to be read.
fn nothing(why: impl Into<String>) -> (Gap, String) {
    (Gap::Nothing, why.into())
}

/// The cases of one job, in the order in which they were asked for.
struct Sheet<'a> {
    job: &'a Job<'a>,
    cases: Vec<Option<Case>>,
}

impl Sheet<'_> {
    fn wants(&self, kinds: &[Kind]) -> bool {
        self.job.asked.iter().any(|(kind, _)| kinds.contains(kind))
    }

    /// Enters a reading if it was asked for; `derived` is its derived limit.
    fn enter(&mut self, kind: Kind, hz: f64, derived: Option<f64>, taken: impl FnOnce() -> Taken) {
        for (slot, (asked, bound)) in self.cases.iter_mut().zip(self.job.asked) {
            if *asked != kind {
                continue;
            }
            let limit = match bound {
                Bound::Derived => derived,
                Bound::Required(limit) => Some(*limit),
                Bound::Noted => None,
            };
            let (value, uncertainty, gap, note) =
                match taken().and_then(|it| sound(kind, limit, it)) {
                    Ok((value, uncertainty, note)) => (Some(value), uncertainty, None, note),
                    Err((gap, why)) => (None, 0.0, Some(gap), Some(why)),
                };
            *slot = Some(Case {
                key: self.job.key,
                hz: Some(hz),
                setting: None,
                value,
                uncertainty,
                limit,
                gap,
                note,
            });
            return;
        }
    }

    fn refuse(&mut self, kinds: &[Kind], hz: f64, why: &str) {
        for &kind in kinds {
            self.enter(kind, hz, None, || Err(unreadable(why)));
        }
    }
}

/// Refuses figures that would pass without saying anything.
pub(crate) fn sound(
    kind: Kind,
    limit: Option<f64>,
    taken: (f64, f64, Option<String>),
) -> Result<(f64, f64, Option<String>), (Gap, String)> {
    let (value, uncertainty, _) = taken;
    // Nothing at all is a level, too.
    let silent = value == f64::NEG_INFINITY && !kind.is_size();
    if !(value.is_finite() || silent) || !uncertainty.is_finite() {
        return Err(unreadable("the reading is not a number"));
    }
    match limit {
        Some(limit) if kind.two_sided() && uncertainty > limit => Err(unreadable(format!(
            "uncertain by {uncertainty:.1e} {}, more than the limit allows",
            kind.unit().symbol()
        ))),
        _ => Ok(taken),
    }
}

/// Readings that need the level of every line.
const OF_LINES: [Kind; 6] =
    [Kind::Lines, Kind::Harmonics, Kind::Aliases, Kind::WorstAlias, Kind::Audible, Kind::Listening];

/// The last exact evaluation and its pitch: both twins of a note are held against the same.
#[derive(Default)]
struct Exact {
    of: Option<(Arc<Yardstick>, u32, u32)>,
    samples: Vec<f64>,
    pitch: Option<PitchReading>,
}

impl Exact {
    fn render(&mut self, yardstick: &Arc<Yardstick>, increment: u32, start: u32, count: usize) {
        let known = self.of.as_ref().is_some_and(|(last, step, phase)| {
            (*step, *phase) == (increment, start) && last.agrees_with(yardstick)
        });
        if !known || self.samples.len() != count {
            self.samples.resize(count, 0.0);
            yardstick.render(increment, start, &mut self.samples);
            self.pitch = None;
            self.of = Some((Arc::clone(yardstick), increment, start));
        }
    }
}

/// The instruments of one worker thread.
pub struct Worker {
    coherent: Coherent,
    harmonic: Harmonic,
    pitch: Pitch,
    listener: Listener,
    samples: Vec<f64>,
    exact: Exact,
    predicted: Vec<Complex64>,
    components: Vec<Component>,
    /// Time spent so far.
    pub spent: Spent,
}

impl Worker {
    /// Sets up the instruments.
    ///
    /// # Errors
    /// None in practice; the signature follows the instruments.
    pub fn new(criterion: Criterion) -> Result<Self, Error> {
        let coherent =
            Coherent::new(COHERENT_SAMPLES).map_err(Error::measuring("coherent spectrum"))?;
        let harmonic =
            Harmonic::new(WINDOWED_SAMPLES).map_err(Error::measuring("windowed spectrum"))?;
        Ok(Self {
            coherent,
            harmonic,
            pitch: Pitch::new(),
            listener: Listener::new(criterion),
            samples: Vec::new(),
            exact: Exact::default(),
            predicted: Vec::new(),
            components: Vec::new(),
            spent: Spent::default(),
        })
    }

    /// Takes all readings that the job asks for, in its order.
    ///
    /// # Errors
    /// When the subject refuses the stimulus or a closed form does not exist. A reading that
    /// cannot be taken is no error: its case says why.
    pub fn take(&mut self, job: &Job<'_>) -> Result<Vec<Case>, Error> {
        let mut sheet = Sheet { job, cases: vec![None; job.asked.len()] };
        if sheet.wants(&[Kind::Pitch, Kind::Rounding, Kind::Noise]) {
            self.steady(&mut sheet)?;
        }
        if sheet.wants(&OF_LINES) {
            self.lines(&mut sheet)?;
        }
        if sheet.wants(&[Kind::Density]) {
            self.density(&mut sheet)?;
        }
        if sheet.wants(&[Kind::CleanNote]) {
            self.clean_note(&mut sheet)?;
        }
        sheet
            .cases
            .into_iter()
            .zip(job.asked)
            .map(|(case, (kind, _))| {
                case.ok_or_else(|| {
                    let name = job.subject.name();
                    Error::Request(format!(
                        "`{name}` has no reading `{kind}`: take it off the plan"
                    ))
                })
            })
            .collect()
    }

    /// Renders `count` samples after the settling time into `self.samples`.
    fn capture(&mut self, job: &Job<'_>, stimulus: &Stimulus, count: usize) -> Result<(), Error> {
        let clock = Instant::now();
        self.samples.clear();
        self.samples.resize(SETTLE_SAMPLES + count, 0.0);
        job.subject.render(stimulus, &mut self.samples)?;
        self.samples.drain(..SETTLE_SAMPLES);
        self.spent.render += clock.elapsed().as_secs_f64();
        Ok(())
    }

    /// One second at exactly the frequency asked for: pitch and rounding.
    fn steady(&mut self, sheet: &mut Sheet<'_>) -> Result<(), Error> {
        let job = sheet.job;
        let rate = rate_of(&job.stimulus)?;
        let (hz, rate_hz) = (job.stimulus.hz, f64::from(rate.hz()));
        self.capture(job, &job.stimulus, rate.hz() as usize)?;
        let Some((yardstick, twin)) = job.yardstick.zip(job.twin) else {
            let clock = Instant::now();
            let taken = self.pitch_alone(hz, rate_hz, job.stimulus.shape);
            sheet.enter(Kind::Pitch, hz, Some(half_step_cents(hz, rate_hz)?), || taken);
            self.spent.pitch += clock.elapsed().as_secs_f64();
            return Ok(());
        };
        let clock = Instant::now();
        let increment = rate.increment(hz)?;
        let p = increment.cycles_per_sample();
        let start = after_settling(job.stimulus.start, increment.bits());
        self.exact.render(yardstick, increment.bits(), start, self.samples.len());
        self.spent.theory += clock.elapsed().as_secs_f64();
        if sheet.wants(&[Kind::Pitch]) {
            let clock = Instant::now();
            let from_hz = yardstick.usable_from(twin) * rate_hz;
            let taken = if hz < from_hz {
                Err((Gap::OutOfRange, format!("below its usable range, from {from_hz:.0} Hz")))
            } else {
                {
                    let allowed = yardstick.rounding(twin, p).0;
                    self.pitch_by_substitution(
                        hz,
                        p * rate_hz,
                        rate_hz,
                        job.stimulus.shape,
                        allowed,
                    )
                }
            };
            // Near the end of its range a module's own noise hides part of the step.
            let hidden = taken.as_ref().map_or(0.0, |(_, spread, _)| *spread);
            let limit = half_step_cents(hz, rate_hz)? + hidden;
            sheet.enter(Kind::Pitch, hz, Some(limit), || taken);
            self.spent.pitch += clock.elapsed().as_secs_f64();
        }
        if sheet.wants(&[Kind::Rounding, Kind::Noise]) {
            let difference = Difference::of(&self.samples, &self.exact.samples)
                .map_err(Error::measuring("twin against exact evaluation"))?;
            let (bound, _) = yardstick.rounding(twin, p);
            sheet.enter(Kind::Rounding, hz, Some(bound), || {
                Ok((difference.peak, 0.0, Some(format!("at sample {}", difference.worst_index))))
            });
            if let Some(noise) = yardstick.noise(twin, increment.bits())? {
                // The output's own rounding comes on top.
                let predicted = noise.rms.hypot(output_step(twin));
                let rms = (difference.rms.powi(2) - difference.bias.powi(2)).max(0.0).sqrt();
                sheet.enter(Kind::Noise, hz, Some(noise.limit_db), || {
                    if noise.rms < 8.0 * output_step(twin) {
                        return Err(nothing("predicted below the step of the output"));
                    }
                    let spread = 2.0 * 8.686 / (2.0 * self.samples.len() as f64).sqrt();
                    let note = format!("predicted {:.1} dBFS", db(predicted));
                    Ok((db(rms / predicted), spread, Some(note)))
                });
            }
        }
        Ok(())
    }

    /// Deviation from `hz` in cents with its uncertainty, aliases included.
    fn pitch_alone(&mut self, hz: f64, rate_hz: f64, shape: Shape) -> Taken {
        let model = if shape == Shape::Sine { Model::sine() } else { Model::default() };
        let reading =
            self.pitch.estimate_anywhere(&self.samples, rate_hz, hz, &model).map_err(unreadable)?;
        Ok((cents(reading.hz, hz), cents(hz + reading.uncertainty_hz, hz), None))
    }

    /// Deviation from `hz` of a twin, weighed against its exact evaluation.
    ///
    /// Aliases that fall next to a harmonic pull any meter, and pull it alike on both: reading
    /// the exact evaluation, whose pitch `exact_hz` is known, and the twin with one meter
    /// leaves the twin's own deviation. `allowed` bounds the twin's rounding, full scale = 1.0.
    fn pitch_by_substitution(
        &mut self,
        hz: f64,
        exact_hz: f64,
        rate_hz: f64,
        shape: Shape,
        allowed: f64,
    ) -> Taken {
        let model = match shape {
            Shape::Sine => Model::sine(),
            // A few strong lines weigh finely enough: the meter's own leakage cancels as well.
            _ => Model { max_lines: 8, band_limited: true, ..Model::default() },
        };
        let mut read = |samples: &[f64]| {
            self.pitch.estimate(samples, rate_hz, Some(hz), &model).map_err(unreadable)
        };
        let twin = read(&self.samples)?;
        let exact = match self.exact.pitch.take() {
            Some(reading) => reading,
            None => read(&self.exact.samples)?,
        };
        let exact = self.exact.pitch.insert(exact);
        let deviation_hz = (twin.hz - exact.hz) + (exact_hz - hz);
        // What both captures share cancels; what tells them apart passes the meter as noise does.
        // The meter's window costs it up to eight times the variance of the bound.
        let apart = Difference::of(&self.samples, &self.exact.samples).map_err(unreadable)?;
        let per_noise = if twin.noise_rms > 0.0 { twin.crb_hz / twin.noise_rms } else { 0.0 };
        // More than the twin's arithmetic allows is no noise: a defect must not widen its own limit.
        let noise = apart.rms.min(allowed);
        let spread_hz = 2.0 * 8_f64.sqrt() * per_noise * noise + METER_FLOOR * hz;
        Ok((cents(hz + deviation_hz, hz), cents(hz + spread_hz, hz), None))
    }

    /// The level of every line of a note that fills the capture with whole periods.
    fn lines(&mut self, sheet: &mut Sheet<'_>) -> Result<(), Error> {
        let job = sheet.job;
        let rate_hz = job.stimulus.rate_hz;
        let tone = Tone::nearest(job.stimulus.hz, rate_hz, COHERENT_SAMPLES)
            .map_err(Error::measuring("coherent note"))?;
        let hz = tone.hz(rate_hz);
        let stimulus = Stimulus { hz, start: START, ..job.stimulus };
        // A user's phase may round; then only a window keeps the lines apart.
        let ours = job.yardstick.is_some();
        self.capture(job, &stimulus, if ours { COHERENT_SAMPLES } else { WINDOWED_SAMPLES })?;
        if let Err(obstacle) = level::screen(&self.samples) {
            sheet.refuse(&OF_LINES, hz, &obstacle.to_string());
            return Ok(());
        }
        self.components.clear();
        if ours || repeats(&self.samples) {
            self.coherent_components(tone, rate_hz)?;
        } else if let Err(why) = self.windowed_lines(&stimulus) {
            sheet.refuse(&OF_LINES, hz, &why);
            return Ok(());
        }
        if let Some(yardstick) = job.yardstick
            && sheet.wants(&[Kind::Lines])
        {
            let clock = Instant::now();
            let increment = rate_of(&stimulus)?.increment(hz)?.bits();
            let start = after_settling(START, increment);
            yardstick.lines(COHERENT_SAMPLES, tone.periods(), start, &mut self.predicted)?;
            let bound = yardstick.rounding(job.twin.unwrap_or(Twin::Exact), tone.hz(1.0)).0;
            let worst = worst_line(&self.components, &self.predicted, bound);
            sheet.enter(Kind::Lines, hz, Some(worst.limit_db), || worst.taken());
            self.spent.theory += clock.elapsed().as_secs_f64();
        }
        self.rate(sheet, hz);
        Ok(())
    }

    /// Everything that follows from `self.components`.
    fn rate(&mut self, sheet: &mut Sheet<'_>, hz: f64) {
        let job = sheet.job;
        sheet.enter(Kind::Harmonics, hz, None, || {
            worst_harmonic(&self.components, &job.stimulus, hz, job.harmonics_up_to_hz)
        });
        match Aliasing::rate(hz, self.components.iter().copied(), Aliasing::AUDIO_BAND_HZ) {
            Err(obstacle) => sheet.refuse(&OF_LINES[2..], hz, &obstacle.to_string()),
            Ok(aliasing) => {
                sheet.enter(Kind::Aliases, hz, None, || {
                    if aliasing.alias_power == 0.0 {
                        return Err(nothing("no alias in the band"));
                    }
                    Ok((aliasing.alias_to_signal_db(), 0.0, None))
                });
                let worst = aliasing.worst.ok_or_else(|| nothing("no alias in the band"));
                sheet.enter(Kind::WorstAlias, hz, None, || {
                    let worst = worst?;
                    let level = db(worst.amplitude / aliasing.fundamental);
                    Ok((level, 0.0, Some(format!("line at {:.1} Hz", worst.hz))))
                });
                sheet.enter(Kind::Listening, hz, None, || {
                    let trivial = trivial(job, hz).map_err(unreadable)?;
                    let attenuation = aliasing.attenuation_db(&trivial);
                    Ok((-listening_margin_db(hz, attenuation), 0.0, None))
                });
            }
        }
        if sheet.wants(&[Kind::Audible]) {
            let audible = self.audible(job);
            sheet.enter(Kind::Audible, hz, None, || {
                let (excess_db, line_hz) = audible?;
                Ok((excess_db, 0.0, Some(format!("line at {line_hz:.1} Hz"))))
            });
        }
    }

    /// Excess of the loudest alias over the masked threshold, dB, and its frequency.
    ///
    /// The criterion sets the level of a waveform that swings ±1, so the lines are scaled until
    /// the fundamental stands where the Fourier series puts it.
    fn audible(&mut self, job: &Job<'_>) -> Result<(f64, f64), (Gap, String)> {
        let clock = Instant::now();
        let series =
            crate::expect::series(job.stimulus.shape, job.stimulus.width).map_err(unreadable)?;
        let fundamental = self.components.first().map_or(0.0, |line| line.amplitude);
        let scale = series(1) / fundamental;
        let lines = self.components.iter();
        let worst = self
            .listener
            .worst(lines.map(|line| Component { amplitude: line.amplitude * scale, ..*line }));
        self.spent.hearing += clock.elapsed().as_secs_f64();
        worst
            .map(|worst| (worst.excess_db, worst.line.hz))
            .ok_or_else(|| nothing("no alias in the band"))
    }

    /// Scans upwards for the first fundamental with an audible alias: in tenths of a semitone up
    /// to 3 % below the anchor, then through every coherent note, 2/65536 of the rate apart.
    fn clean_note(&mut self, sheet: &mut Sheet<'_>) -> Result<(), Error> {
        let job = sheet.job;
        let Some(anchor) = job.anchor else { return Ok(()) };
        let rate_hz = job.stimulus.rate_hz;
        let nearest = |hz| {
            Tone::nearest(hz, rate_hz, COHERENT_SAMPLES).map_err(Error::measuring("coherent note"))
        };
        let last = nearest(0.45 * rate_hz)?.periods();
        // Near the anchor every coherent note is tried: audible notes may be few and narrow.
        let near = nearest(0.97 * anchor.hz)?.periods();
        let mut clean = nearest(anchor.from_hz)?.periods();
        let mut audible = None;
        let mut note = clean;
        while note < last && audible.is_none() {
            if !self.is_audible(job, note)? {
                clean = note;
                note = if note >= near {
                    note + 2
                } else {
                    nearest(f64::from(note) * TENTH * rate_hz / COHERENT_SAMPLES as f64)?
                        .periods()
                        .max(note + 2)
                };
                continue;
            }
            // The first audible note lies in the last step: take every note of it.
            let mut fine = (clean + 2).min(note);
            while fine < note && !self.is_audible(job, fine)? {
                fine += 2;
            }
            audible = Some(fine);
        }
        let hz = |periods: u32| f64::from(periods) * rate_hz / COHERENT_SAMPLES as f64;
        let taken = audible.ok_or_else(|| unreadable("no audible alias below 0.45 of the rate"));
        sheet.enter(Kind::CleanNote, anchor.hz, None, || {
            let found = hz(taken?);
            // Only notes with an odd number of periods are coherent: two notes apart.
            let step = 100.0 * hz(2) / anchor.hz;
            let note = format!("clean below {found:.1} Hz, anchor {:.0} Hz", anchor.hz);
            Ok((100.0 * (found / anchor.hz - 1.0), step, Some(note)))
        });
        Ok(())
    }

    fn is_audible(&mut self, job: &Job<'_>, periods: u32) -> Result<bool, Error> {
        let tone =
            Tone::new(periods, COHERENT_SAMPLES).map_err(Error::measuring("coherent note"))?;
        let hz = tone.hz(job.stimulus.rate_hz);
        self.capture(job, &Stimulus { hz, start: START, ..job.stimulus }, COHERENT_SAMPLES)?;
        self.coherent_components(tone, job.stimulus.rate_hz)?;
        Ok(self.audible(job).is_ok_and(|(excess_db, _)| excess_db > 0.0))
    }

    /// Every line of the capture on its own bin.
    fn coherent_components(&mut self, tone: Tone, rate_hz: f64) -> Result<(), Error> {
        let clock = Instant::now();
        let spectrum = self
            .coherent
            .analyse(&self.samples[..COHERENT_SAMPLES])
            .map_err(Error::measuring("coherent spectrum"))?;
        let lines = spectrum.lines(tone).map_err(Error::measuring("coherent lines"))?;
        self.components.clear();
        self.components.extend(lines.map(|line| Component {
            hz: line.hz_ratio * rate_hz,
            amplitude: line.amplitude.norm(),
            is_harmonic: !line.alias,
        }));
        self.spent.spectrum += clock.elapsed().as_secs_f64();
        Ok(())
    }
}

/// A tenth of a semitone.
const TENTH: f64 = 1.005_792_941_067_853_5;

impl Worker {
    /// Lines by a window where the phase does not repeat exactly.
    fn windowed_lines(&mut self, stimulus: &Stimulus) -> Result<(), String> {
        let clock = Instant::now();
        let rate_hz = stimulus.rate_hz;
        let reading = self
            .pitch
            .estimate_anywhere(&self.samples, rate_hz, stimulus.hz, &Model::default())
            .map_err(|obstacle| obstacle.to_string())?;
        self.spent.pitch += clock.elapsed().as_secs_f64();
        // Between harmonics that nearly touch there is no room to see an alias.
        let room = reading.hz * WINDOWED_SAMPLES as f64 / rate_hz;
        if room < HARMONIC_ROOM_BINS {
            let rate_hz = rate_hz.round();
            return Err(format!(
                "harmonics {room:.0} bins apart at {rate_hz} Hz leave no room between"
            ));
        }
        let clock = Instant::now();
        self.harmonic
            .components(&self.samples, rate_hz, reading.hz, &mut self.components)
            .map_err(|obstacle| obstacle.to_string())?;
        self.spent.spectrum += clock.elapsed().as_secs_f64();
        Ok(())
    }

    /// A noise source against its power density, per third of an octave.
    fn density(&mut self, sheet: &mut Sheet<'_>) -> Result<(), Error> {
        let job = sheet.job;
        let rate_hz = job.stimulus.rate_hz;
        self.capture(job, &job.stimulus, NOISE_SAMPLES)?;
        let clock = Instant::now();
        let mut psd = Psd::new(NOISE_SEGMENT).map_err(Error::measuring("noise density"))?;
        let density =
            psd.analyse(&self.samples, rate_hz).map_err(Error::measuring("noise density"))?;
        let Some(law) = job.noise else { return Ok(()) };
        let mut worst: Option<(f64, f64, f64, f64)> = None;
        // From eight segment bins, where the window's leakage has died, to 0.45 of the rate.
        let (mut low, top) = (8.0 * density.bin_hz(), 0.45 * rate_hz);
        while low * THIRD < top {
            let high = low * THIRD;
            let band = density.band(low, high).map_err(Error::measuring("noise density"))?;
            let (first, last) = band_bins(low, high, density.bin_hz());
            let count = (last - first + 1) as f64;
            let expected: f64 =
                (first..=last).map(|bin| law.density(bin as f64 / NOISE_SEGMENT as f64)).sum();
            let deviation = power_db(band.density * rate_hz * count / expected);
            let limit = density_limit_db(band.freedom);
            if worst.is_none_or(|(value, _, bound, _)| {
                (deviation / limit).abs() > (value / bound).abs()
            }) {
                worst = Some((deviation, band.uncertainty_db(), limit, band.centre_hz));
            }
            low = high;
        }
        let (value, _, limit, centre_hz) =
            worst.ok_or_else(|| Error::Request("the rate leaves no band to look at".to_owned()))?;
        sheet.enter(Kind::Density, centre_hz, Some(limit), || Ok((value, 0.0, None)));
        self.spent.spectrum += clock.elapsed().as_secs_f64();
        Ok(())
    }
}

/// Every line of one note, for drawing.
pub struct NoteLines {
    /// Frequency of the note as rendered, Hz.
    pub hz: f64,
    /// Lines as measured.
    pub measured: Vec<Component>,
    /// Lines as the closed form has them; empty without one.
    pub predicted: Vec<Component>,
}

impl Worker {
    /// Measures the lines of a check's subject at one note.
    ///
    /// # Errors
    /// When the subject refuses the note, or its lines cannot be told apart.
    pub fn note_lines(&mut self, check: &Check, stimulus: &Stimulus) -> Result<NoteLines, Error> {
        let asked = [(Kind::Aliases, Bound::Noted)];
        let job = Job { stimulus: *stimulus, ..Job::of(check, &asked) };
        let cases = self.take(&job)?;
        let hz = cases.first().and_then(|case| case.hz).unwrap_or(stimulus.hz);
        let mut predicted = Vec::new();
        if let Some(yardstick) = job.yardstick {
            let tone = Tone::nearest(hz, stimulus.rate_hz, COHERENT_SAMPLES)
                .map_err(Error::measuring("coherent note"))?;
            yardstick.lines(COHERENT_SAMPLES, tone.periods(), START, &mut self.predicted)?;
            let place = |order: usize| tone.fold(order as u64) as f64 / COHERENT_SAMPLES as f64;
            predicted.extend(self.predicted.iter().enumerate().skip(1).map(|(order, line)| {
                Component {
                    hz: place(order) * stimulus.rate_hz,
                    amplitude: 2.0 * line.norm(),
                    is_harmonic: self.components.get(order - 1).is_some_and(|c| c.is_harmonic),
                }
            }));
        }
        Ok(NoteLines { hz, measured: std::mem::take(&mut self.components), predicted })
    }
}

/// What f64 leaves of a pitch in the meter, relative.
const METER_FLOOR: f64 = 1e-14;

/// A third of an octave.
const THIRD: f64 = 1.259_921_049_894_873;

/// Bins whose centres lie in a band.
fn band_bins(low_hz: f64, high_hz: f64, bin_hz: f64) -> (usize, usize) {
    ((low_hz / bin_hz).ceil() as usize, (high_hz / bin_hz).ceil() as usize - 1)
}

/// Largest deviation that chance allows a band's mean density: four and a half standard
/// deviations of a chi-square mean, once in 150 000 bands.
fn density_limit_db(freedom: f64) -> f64 {
    power_db(1.0 + 4.5 * (2.0 / freedom).sqrt())
}

/// Rms of rounding to the step of the twin's output, full scale = 1.0.
fn output_step(twin: Twin) -> f64 {
    let step: f64 = if twin == Twin::Fixed { 2_f64.powi(-31) } else { 2_f64.powi(-25) };
    step / 12_f64.sqrt()
}

/// Half a step of a 32-bit increment at `hz`, in cents, to the flat side, where it is wider.
fn half_step_cents(hz: f64, rate_hz: f64) -> Result<f64, Error> {
    let (flat, _) = Accumulator::new(32, rate_hz)?.worst_error_cents(hz, Rounding::Nearest);
    Ok(flat.abs())
}

/// Phase after the settling time, in 2^-32 cycle.
fn after_settling(start: u32, increment: u32) -> u32 {
    start.wrapping_add((SETTLE_SAMPLES as u32).wrapping_mul(increment))
}

/// Aliases of the same waveform without any correction, from the closed form.
fn trivial(job: &Job<'_>, hz: f64) -> Result<Aliasing, Error> {
    let rate_hz = job.stimulus.rate_hz;
    let tone =
        Tone::nearest(hz, rate_hz, COHERENT_SAMPLES).map_err(Error::measuring("coherent note"))?;
    let magnitudes = crate::expect::trivial_lines(
        job.stimulus.shape,
        job.stimulus.width,
        COHERENT_SAMPLES,
        tone.periods(),
    )?;
    let lines = magnitudes.iter().enumerate().skip(1).map(|(order, &amplitude)| {
        let place = tone.fold(order as u64) as f64 / COHERENT_SAMPLES as f64;
        let is_harmonic = 2 * order as u64 * u64::from(tone.periods()) <= COHERENT_SAMPLES as u64;
        Component { hz: place * rate_hz, amplitude, is_harmonic }
    });
    Aliasing::rate(hz, lines, Aliasing::AUDIO_BAND_HZ)
        .map_err(Error::measuring("aliases of the uncorrected waveform"))
}

/// Whether a capture repeats itself bit by bit after one coherent length.
fn repeats(samples: &[f64]) -> bool {
    let (first, second) = samples.split_at(COHERENT_SAMPLES.min(samples.len()));
    !second.is_empty() && second.iter().zip(first).all(|(a, b)| a == b)
}

/// The line that stands worst against its closed form.
#[derive(Default)]
struct WorstLine {
    deviation_db: f64,
    limit_db: f64,
    order: usize,
    hz: f64,
    level_dbc: f64,
    lines: usize,
}

impl WorstLine {
    fn taken(self) -> Taken {
        let Self { deviation_db, order, hz, level_dbc, lines, .. } = self;
        if lines == 0 {
            return Err(nothing("no line stands above the rounding of the twin"));
        }
        let note = format!("line {order} at {hz:.1} Hz, {level_dbc:.1} dBc, of {lines} lines");
        Ok((deviation_db, 0.0, Some(note)))
    }
}

/// Holds every line against its prediction.
///
/// On a coherent note rounding repeats with the period and may gather in one line. The most that
/// errors within ±`bound` can put there is the fundamental of a square wave, 4/π·bound. Lines that
/// stand 20 dB above this tone, and above −140 dBc, are held by their own level; weaker ones, and
/// lines that should not be there at all, by that of the weakest which is.
///
/// The limit rests on what the twin's arithmetic allows and not on its measured noise: a defect
/// must not hide in a noise of its own making.
fn worst_line(components: &[Component], predicted: &[Complex64], bound: f64) -> WorstLine {
    let tone = 4.0 / std::f64::consts::PI * bound;
    let fundamental = 2.0 * predicted[1].norm();
    let least = (10.0 * tone).max(LINE_FLOOR * fundamental);
    let mut worst = WorstLine::default();
    for (index, component) in components.iter().enumerate() {
        let order = index + 1;
        let half_rate = 2 * order == COHERENT_SAMPLES;
        let expected = predicted[order].norm() * if half_rate { 1.0 } else { 2.0 };
        worst.lines += usize::from(expected >= least);
        let level = expected.max(least);
        let limit_db = LINE_LIMIT_DB + db(1.0 + tone / level);
        let off = component.amplitude - expected;
        let deviation_db = db(1.0 + off.abs() / level).copysign(off);
        if worst.limit_db == 0.0
            || deviation_db.abs() / limit_db > worst.deviation_db.abs() / worst.limit_db
        {
            let level_dbc = db(expected / fundamental);
            let (hz, lines) = (component.hz, worst.lines);
            worst = WorstLine { deviation_db, limit_db, order, hz, level_dbc, lines };
        }
    }
    worst
}

/// What a line may deviate from its closed form without any rounding, dB: the 1e-12 of full
/// scale to which the f64 evaluation is good, on a line at −140 dBc of a fundamental of 0.3.
const LINE_LIMIT_DB: f64 = 3e-4;

/// The harmonic that stands worst against the Fourier series, relative to the fundamental.
fn worst_harmonic(components: &[Component], stimulus: &Stimulus, hz: f64, up_to_hz: f64) -> Taken {
    let wave = crate::expect::series(stimulus.shape, stimulus.width).map_err(unreadable)?;
    let fundamental = components.first().map_or(0.0, |line| line.amplitude);
    let mut worst: Option<(f64, usize)> = None;
    for (index, line) in components.iter().enumerate().take_while(|(_, line)| line.is_harmonic) {
        let order = index as u32 + 1;
        let expected = wave(order) / wave(1);
        // A harmonic that the shape lacks has no level to deviate from.
        if f64::from(order) * hz > up_to_hz || expected < 1e-6 {
            continue;
        }
        let deviation = db(line.amplitude / fundamental / expected);
        if worst.is_none_or(|(value, _)| deviation.abs() > value.abs()) {
            worst = Some((deviation, index + 1));
        }
    }
    let (value, order) =
        worst.ok_or_else(|| nothing(format!("no harmonic below {up_to_hz:.0} Hz to look at")))?;
    Ok((value, 0.0, Some(format!("harmonic {order}"))))
}
