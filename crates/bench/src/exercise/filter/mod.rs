//! Filters: what goes in, what comes out, and what theory says of it.

mod arithmetic;
mod edge;
mod large;
mod response;
mod time;

use plumbtone_measure::level;
use plumbtone_theory::evaluation::{Algorithm, NO_PUSHES};
use plumbtone_theory::{Complex64, Reference, references};
use plumbtone_voice::{FilterEntry, Rate, Tuning};

use super::{Bench, clocked};
use crate::error::Error;
use crate::expect::filters::Expected;
use crate::filter::{self, FilterSubject, FilterTwin, Passage};
use crate::results::{Gap, Kind};
use crate::settings::Settings;
use crate::subject::Twin;
use crate::worker::{Spent, Taken, unreadable};

/// A reading with its derived limit, where there is one.
type Read = Result<(Option<f64>, Taken), Error>;
/// Something on the way to a reading: the inner error is that of an instrument.
type Found<T> = Result<Result<T, (Gap, String)>, Error>;

/// Height of what goes in where there is room: both twins take quarters exactly.
const HEIGHT: f64 = 0.25;
/// How much less goes into a curved one where only its slope is asked for: cubes stay below 1e-4.
const SMALL: f64 = 0.04;
/// Most samples over which a ringing is waited for.
const PATIENCE: usize = 1 << 19;

/// What theory says of a filter, whatever its settings.
fn expected(module: &str) -> Option<Expected> {
    Expected::new(module, &Settings::new()).ok()
}

/// Where the other derived limits of filters come from.
pub(super) fn because(module: &str, kind: Kind) -> &'static str {
    match kind {
        Kind::Noise => "roundings taken as white, each through the response to the output",
        _ => expected(module).map_or("", |expected| expected.because()),
    }
}

/// The work that a reading of a filter rests on.
pub(super) fn reference(module: &str, kind: Kind) -> Reference {
    match kind {
        Kind::Noise => references::ROUNDING_NOISE,
        Kind::OscillationLevel | Kind::Drive => references::LADDER_NONLINEAR,
        _ => expected(module).map_or(references::DEFINITIONS, |expected| expected.reference()),
    }
}

/// One subject under one set of settings.
struct Scene<'a> {
    subject: &'a dyn FilterSubject,
    entry: &'static FilterEntry,
    settings: &'a Settings,
    rate: Rate,
    /// Sample rate, Hz.
    rate_hz: f64,
    /// Which twin's arithmetic it is held against; none for a user's own.
    which: Option<Twin>,
    expected: Expected,
    tuning: Tuning,
    /// Cycles per sample, as the module takes it.
    cutoff: f64,
    /// Re self-oscillation.
    resonance: f64,
    /// Height of what goes in, so that nothing clips.
    height: f64,
    latency: f64,
    spent: Spent,
}

impl Bench<'_> {
    pub(super) fn filter(&mut self, subject: &dyn FilterSubject) -> Result<(), Error> {
        let mut scene = Scene::new(self, subject)?;
        let mut seen = None;
        for &(kind, bound) in &self.check.asked {
            let (limit, taken) = match kind {
                Kind::Response
                | Kind::Phase
                | Kind::Passband
                | Kind::Cutoff
                | Kind::Slope
                | Kind::Peak => {
                    if seen.is_none() {
                        seen = Some(scene.see()?);
                    }
                    match &seen {
                        Some(Ok(seen)) => scene.seen(kind, bound, seen),
                        Some(Err(gap)) => (None, Err(gap.clone())),
                        None => continue,
                    }
                }
                Kind::Quality => scene.quality()?,
                Kind::Tracking => scene.tracking()?,
                Kind::Threshold | Kind::Oscillation => scene.edge(kind)?,
                Kind::OscillationLevel => scene.oscillation_level()?,
                Kind::Drive => scene.drive()?,
                Kind::Aliases => scene.aliases()?,
                Kind::Intermodulation => scene.intermodulation()?,
                Kind::Rounding => scene.rounding()?,
                Kind::Noise => scene.noise()?,
                Kind::Overload => scene.overload()?,
                Kind::Stress => scene.stress()?,
                Kind::Residue => scene.residue()?,
                Kind::Settling => scene.settling()?,
                Kind::Step => scene.step()?,
                _ => continue,
            };
            self.enter(kind, limit, taken);
        }
        self.spent.add(&scene.spent);
        Ok(())
    }
}

impl<'a> Scene<'a> {
    fn new(bench: &Bench<'a>, subject: &'a dyn FilterSubject) -> Result<Self, Error> {
        let entry = filter::entry(bench.check.module)?;
        let settings = bench.settings;
        let rate = Rate::new(bench.rate_hz)?;
        let expected = Expected::new(entry.name, settings)?;
        let tuning = filter::tuning(settings, bench.rate_hz)?;
        let (cutoff, resonance) = expected.held(&tuning, bench.rate_hz);
        // No output may clip; powers of two stay exact.
        let gains = expected.algorithm().gains(cutoff, resonance);
        let room = gains.map_or(HEIGHT, |gains| 0.9 / gains.input.l1);
        let height = room.log2().floor().exp2().min(HEIGHT);
        Ok(Self {
            subject,
            entry,
            settings,
            rate,
            rate_hz: f64::from(bench.rate_hz),
            which: bench.check.twin,
            expected,
            tuning,
            cutoff,
            resonance,
            height,
            latency: settings.lend(|values| (entry.latency_samples)(values))?,
            spent: Spent::default(),
        })
    }

    fn algorithm(&self) -> &Algorithm {
        self.expected.algorithm()
    }

    /// Factor from sample to volts in units of the bend, of a curved filter.
    fn drive_factor(&self) -> Option<f64> {
        match self.algorithm() {
            Algorithm::TanhLadder { drive, .. } => Some(*drive),
            _ => None,
        }
    }

    /// Height of an input that shows the slope of the filter and nothing of its bends.
    fn small(&self) -> f64 {
        self.drive_factor().map_or(self.height, |drive| self.height * SMALL / drive)
    }

    /// Closed form of the response without the latency.
    fn closed(&self, x: f64) -> Complex64 {
        self.algorithm().response(x, self.cutoff, self.resonance)
    }

    fn passage(&self, input: Vec<f64>, tuning: Tuning) -> Passage {
        Passage {
            rate_hz: self.rate.hz(),
            settings: self.settings.clone(),
            input,
            tunings: vec![(0, tuning)],
        }
    }

    fn render(&mut self, passage: &Passage) -> Result<Vec<f64>, Error> {
        let mut out = vec![0.0; passage.input.len()];
        clocked(&mut self.spent.render, || self.subject.render(passage, &mut out))?;
        Ok(out)
    }

    /// What the subject makes of a sound under the tuning of the settings; the inner error is
    /// that of samples that are no numbers.
    fn filtered(&mut self, input: Vec<f64>) -> Found<Vec<f64>> {
        let passage = self.passage(input, self.tuning);
        let out = self.render(&passage)?;
        Ok(level::finite(&out).map_err(unreadable).map(|()| out))
    }

    /// The exact evaluation of the same.
    fn exactly(&mut self, passage: &Passage) -> Result<Vec<f64>, Error> {
        let exact = FilterTwin::named(self.entry.name, Twin::Exact)?;
        let mut out = vec![0.0; passage.input.len()];
        clocked(&mut self.spent.theory, || exact.render(passage, &mut out))?;
        Ok(out)
    }

    /// Samples after which the exact evaluation of an impulse has died to 1e-10 of its peak; none
    /// where that takes longer than `PATIENCE`.
    fn ringing_samples(&self) -> Option<usize> {
        self.samples_until(1e-10)
    }

    /// Samples after which the exact evaluation of an impulse has died to a share of its peak.
    fn samples_until(&self, share: f64) -> Option<usize> {
        let mut filter = self.algorithm().start();
        // Never shorter than a cycle of the cutoff, or a zero crossing would pass for silence.
        let chunk = 1024.max((1.0 / self.cutoff) as usize);
        let (mut peak, mut done) = (0.0_f64, 0);
        let mut input = self.small();
        while done < PATIENCE {
            let mut own = 0.0_f64;
            for _ in 0..chunk {
                let out = filter.tick(input, self.cutoff, self.resonance, &NO_PUSHES);
                own = own.max(out.abs());
                input = 0.0;
            }
            done += chunk;
            peak = peak.max(own);
            if own <= share * peak {
                return Some(done);
            }
        }
        None
    }
}

/// Uniform noise from 0 to 1 in steps of 2^-24, the same at every call (Knuth, MMIX constants).
fn noise(count: usize) -> Vec<f64> {
    let mut state = 1_u64;
    let next = || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / 16_777_216.0
    };
    std::iter::repeat_with(next).take(count).collect()
}
