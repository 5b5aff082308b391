//! Glide from pitch to pitch in octaves.
//!
//! | | |
//! |---|---|
//! | Source  | straight line or exponential approach in pitch; derived in [`crate::course`] |
//! | Units   | octaves from A4, seconds, cents, samples |
//! | Error   | as [`crate::course`] |
//! | Checked | `tests/suite/theory/glide.rs`, `reference-tables/glide-times` |

use crate::ParameterError;
use crate::course::{Course, Curve, check_order, check_time, rate};

/// How a glide spends its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Every interval takes the same time.
    Time,
    /// Every octave takes the same time.
    Rate,
    /// Exponential approach with a time constant.
    Rc,
}

/// A glide at a sample rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Glide {
    mode: Mode,
    time_s: f64,
    legato_only: bool,
    sample_rate_hz: f64,
}

/// A key that goes down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Note {
    /// Sample of the event.
    pub sample: u64,
    /// Pitch in octaves from A4.
    pub octaves: f64,
    /// Another key is held.
    pub legato: bool,
}

/// A stage of a [`Glide`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum GlideStage {
    /// At a pitch.
    Steady,
    /// Between two.
    Gliding,
}

impl Glide {
    /// `time_s` is the duration, the seconds per octave, or the time constant, 0..=100.
    /// With `legato_only` a key that is not tied to another jumps.
    ///
    /// # Errors
    /// A time outside its range, or a sample rate that is not positive and finite.
    pub fn new(
        mode: Mode,
        time_s: f64,
        legato_only: bool,
        sample_rate_hz: f64,
    ) -> Result<Self, ParameterError> {
        check_time("time_s", time_s, sample_rate_hz)?;
        Ok(Self { mode, time_s, legato_only, sample_rate_hz })
    }

    fn curve(&self, from: f64, target: f64) -> Curve {
        let time_samples = self.time_s * self.sample_rate_hz;
        let straight =
            |samples: f64| Curve::Bent { target, bend: 0.0, samples: samples.round() as u64 };
        match self.mode {
            Mode::Time => straight(time_samples),
            Mode::Rate => straight((target - from).abs() * time_samples),
            Mode::Rc => Curve::Settle { target, rate: rate(self.time_s, 1.0, self.sample_rate_hz) },
        }
    }

    /// Samples from the key to the sample that is exactly the new pitch; 0 for a jump.
    #[must_use]
    pub fn arrival_samples(&self, from_octaves: f64, to_octaves: f64) -> u64 {
        if self.jumps() {
            return 0;
        }
        self.curve(from_octaves, to_octaves).end(from_octaves).map_or(0, |(samples, _)| samples)
    }

    fn jumps(&self) -> bool {
        self.time_s * self.sample_rate_hz < 0.5
    }

    /// The pitch of `samples` samples under `notes`. The first note jumps; before it, the pitch is
    /// that of A4. A note during a glide starts from the present pitch.
    ///
    /// # Errors
    /// Notes out of order.
    pub fn course(
        &self,
        notes: &[Note],
        samples: u64,
    ) -> Result<Course<GlideStage>, ParameterError> {
        check_order(notes.iter().map(|note| note.sample))?;
        let mut course = Course::new(GlideStage::Steady);
        let settle = |course: &mut Course<GlideStage>, sample: u64| {
            if let Some(end) = course.end_before(sample) {
                course.begin(end, GlideStage::Steady, course.present(end), Curve::Still);
            }
        };
        for (index, note) in notes.iter().enumerate() {
            settle(&mut course, note.sample);
            let present = course.present(note.sample);
            if index == 0 || self.jumps() || (self.legato_only && !note.legato) {
                course.begin(note.sample, GlideStage::Steady, note.octaves, Curve::Still);
            } else {
                let curve = self.curve(present, note.octaves);
                course.begin(note.sample, GlideStage::Gliding, present, curve);
            }
        }
        settle(&mut course, samples);
        Ok(course)
    }
}

/// Time constants until an exponential glide over `interval_cents` is within `within_cents` of its
/// end: `ln(interval / within)`, 0 if it starts there.
///
/// # Errors
/// `within_cents` not above 0.
pub fn taus_to_within(interval_cents: f64, within_cents: f64) -> Result<f64, ParameterError> {
    ParameterError::check(within_cents > 0.0, "within_cents", within_cents, "above 0")?;
    Ok((interval_cents.abs() / within_cents).ln().max(0.0))
}
