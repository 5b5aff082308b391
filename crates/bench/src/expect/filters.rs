//! What theory says of filters: the algorithm, how far a twin may be off, and how it hisses.
//!
//! ```
//! use plumbtone::expect::filters::Expected;
//! use plumbtone::voice::{Rate, Resonance, Tuning};
//! use plumbtone::{Settings, Twin};
//!
//! let ladder = Expected::new("ladder", &Settings::new())?;
//! let cutoff = Rate::new(48_000)?.increment(1000.0)?;
//! let tuning = Tuning { cutoff, resonance: Resonance::new(0.8)? };
//! let bound = |twin| ladder.rounding(twin, &tuning, 48_000, 0.25);
//! assert!(bound(Twin::Fixed)? < bound(Twin::Float)?);
//! let noise = ladder.noise(Twin::Fixed, &tuning, 48_000, 0.1)?;
//! assert!(noise.is_some_and(|noise| noise.rms < bound(Twin::Fixed).unwrap_or(0.0)));
//! # Ok::<(), plumbtone::Error>(())
//! ```

use std::f64::consts::PI;

use plumbtone_theory::evaluation::{Algorithm, Coefficients, NO_PUSHES, Pushes};
use plumbtone_theory::ladder::{Mix, mixes};
use plumbtone_theory::state_variable::Output;
use plumbtone_theory::{ParameterError, Reference, references};
use plumbtone_voice::filters::{
    ENTRIES, FilterEntry, ladder_tanh, one_pole, state_variable, state_variable_loop,
};
use plumbtone_voice::{Tuning, taps};

use super::{EXACT, Noise};
use crate::error::Error;
use crate::settings::Settings;
use crate::subject::Twin;

/// One unit of a fixed twin's signals, Q5.27.
const UNIT: f64 = 1.0 / 134_217_728.0;
/// 2^-24, 2^-30, 2^-31: rounding of an f32 below 1, and of coefficients.
const U: f64 = 1.0 / 16_777_216.0;
const COEFFICIENT: f64 = 1.0 / 1_073_741_824.0;
const HALF: f64 = 0.5 * COEFFICIENT;
const CYCLE: f64 = 4_294_967_296.0;
/// Half the distance of subnormal f32.
const SUBNORMAL: f64 = 0.5 * f32::from_bits(1) as f64;
/// 1 as a resonance.
const EDGE: i64 = 1 << 30;
/// Lowest cutoff that a twin follows.
const LOWEST_HZ: f64 = 5.0;
/// Relative errors of the fits: head of `prewarp.rs`, and of the sine at 0, where its first
/// coefficient stands for pi/2.
const TANGENT_FIT: f64 = 3.26e-7;
const DECAY_FIT: f64 = 1.77e-7;
const SINE_FIT: f64 = 2.35e-8;
/// Sums of a fixed twin's fits: head of `prewarp.rs`.
const FIT_SUMS: f64 = 2e-9;
/// The loop input as a mix.
const INPUT: Mix = [1.0, 0.0, 0.0, 0.0, 0.0];
/// Weights of the compensated ladder's zero.
const NOW: f64 = 1.0 / 1.3;
const BEFORE: f64 = 0.3 / 1.3;

/// The closed forms of one filter with its settings.
#[derive(Clone, Debug)]
pub struct Expected {
    algorithm: Algorithm,
    /// Highest cutoff that the twins follow, in cycles per sample.
    highest: f64,
}

/// A rounding of a fixed twin, in its unit.
struct Rounding {
    /// Where it enters, in the sample of its birth and after.
    train: Vec<Pushes>,
    /// Power re 1/12.
    power: f64,
    /// Peak re 1/2.
    peak: f64,
    /// What a coefficient lacks to 1 where a signal is rounded after it; 1 for other roundings.
    swing: f64,
    /// What follows the sign of a signal.
    coherent: f64,
    /// Mean: halves are rounded up, and of few bits that are dropped many are halves.
    mean: f64,
}

/// A white source that stands for a rounding.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Where it enters, in the sample of its birth and after.
    pub train: Vec<Pushes>,
    /// Variance about its mean, full scale = 1.0.
    pub variance: f64,
    /// Magnitude that its mean may have, full scale = 1.0.
    pub mean: f64,
}

/// By how much the coefficients of a twin may be off.
struct Off {
    /// Relative, of the pole.
    pole: f64,
    /// Absolute, of the feedback.
    feedback: f64,
    /// Relative, of what enters the loop or is passed on.
    gain: f64,
}

impl Expected {
    /// The closed forms of the filter `module`. A cutoff and a resonance among the settings
    /// change nothing here.
    ///
    /// # Errors
    /// A module that is no filter, or a value out of its range.
    pub fn new(module: &str, settings: &Settings) -> Result<Self, Error> {
        let entry = entry(module)?;
        let value = |parameter| settings.value(parameter);
        let algorithm = match module {
            "dc-blocker" => Algorithm::DcBlocker,
            "one-pole" => Algorithm::OnePole { high: value(&one_pole::OUTPUT)? == 1.0 },
            "state-variable" => {
                Algorithm::StateVariable { output: second(value(&state_variable::OUTPUT)?) }
            }
            "state-variable-loop" => Algorithm::TwoIntegratorLoop {
                output: second(value(&state_variable_loop::OUTPUT)?),
            },
            _ => {
                let mix = mix_of(value(&taps::OUTPUT)?);
                let compensation = value(&taps::COMPENSATION)?;
                match module {
                    "ladder" => Algorithm::Ladder { mix, compensation },
                    "ladder-delay" => Algorithm::DelayedLadder { mix, compensation },
                    "ladder-naive" => Algorithm::NaiveLadder { mix, compensation },
                    "ladder-tanh" => Algorithm::TanhLadder {
                        mix,
                        compensation,
                        drive: value(&ladder_tanh::DRIVE)?,
                        oversampling: 1 << value(&ladder_tanh::OVERSAMPLING)? as usize,
                    },
                    _ => {
                        let message = format!("`{module}` has no closed form as a filter");
                        return Err(Error::Request(message));
                    }
                }
            }
        };
        let highest = settings.lend(|values| (entry.highest_cutoff)(values))?;
        Ok(Self { algorithm, highest })
    }

    /// The published algorithm.
    pub fn algorithm(&self) -> &Algorithm {
        &self.algorithm
    }

    /// Cutoff in cycles per sample and resonance that the twins follow under a tuning: what their
    /// heads say they hold it to, the algorithms do not.
    pub fn held(&self, tuning: &Tuning, rate_hz: u32) -> (f64, f64) {
        let lowest = (LOWEST_HZ / f64::from(rate_hz) * CYCLE).floor();
        let highest = (self.highest * CYCLE).floor();
        let cutoff = f64::from(tuning.cutoff.bits()).clamp(lowest, highest) / CYCLE;
        let resonance = f64::from(tuning.resonance.bits()) / EDGE as f64;
        match self.algorithm {
            Algorithm::StateVariable { .. } => (cutoff, resonance.min(1.0)),
            Algorithm::TwoIntegratorLoop { .. } => {
                let resonance = resonance.min(1.0);
                let limit = 1.4 - 0.293 * 2.0 * (1.0 - resonance);
                (cutoff.min((0.5 * limit).asin() / PI), resonance)
            }
            Algorithm::DelayedLadder { .. } => {
                let edge = self.algorithm.coefficients(cutoff, 1.0).feedback;
                (cutoff, resonance.min(8.0 / edge))
            }
            _ => (cutoff, resonance),
        }
    }

    fn coefficients(&self, tuning: &Tuning, rate_hz: u32) -> Coefficients {
        let (cutoff, resonance) = self.held(tuning, rate_hz);
        self.algorithm.coefficients(cutoff, resonance)
    }

    /// Bound on |twin − exact evaluation|, full scale = 1.0, for inputs within ±`peak` under a
    /// steady tuning, while nothing saturates: each rounding times the l1 norm of the response
    /// from where it enters, and what the errors of the coefficients do to the input.
    ///
    /// For the ladder of tanh the norms are those of small signals.
    ///
    /// # Errors
    /// [`Error::Theory`] at the edge of oscillation and beyond, where nothing bounds it.
    pub fn rounding(
        &self,
        twin: Twin,
        tuning: &Tuning,
        rate_hz: u32,
        peak: f64,
    ) -> Result<f64, Error> {
        let c = self.coefficients(tuning, rate_hz);
        let input = self.algorithm.input_norms(&c)?.l1;
        if twin == Twin::Exact {
            return Ok(EXACT * input.max(1.0));
        }
        let off = self.off(twin, &c, tuning);
        let change = |pole: f64, feedback: f64| {
            let to = Coefficients { pole: c.pole * (1.0 + pole), feedback: c.feedback + feedback };
            Ok::<f64, ParameterError>(self.algorithm.change_norms(&c, &to)?.l1)
        };
        let mut moved = off.gain * input;
        for (pole, feedback) in [(off.pole, 0.0), (0.0, off.feedback)] {
            if pole + feedback > 0.0 {
                moved += change(pole, feedback)?.max(change(-pole, -feedback)?);
            }
        }
        let rounded = match (twin, &self.algorithm) {
            (_, Algorithm::TanhLadder { .. }) => self.saturating_rounding(twin, &c, peak)?,
            (Twin::Fixed, _) => {
                let mut sum = 0.0;
                for rounding in self.roundings(&c, tuning).iter().filter(|r| r.peak > 0.0) {
                    sum += rounding.peak * self.algorithm.norms(&c, &rounding.train)?.l1;
                }
                0.5 * UNIT * sum
            }
            _ => self.float_rounding(&c, peak)?,
        };
        Ok(rounded + peak * moved)
    }

    /// Predicted rounding noise of a fixed twin under a busy input, its mean left out: the
    /// roundings as white, uniform sources, each through the l2 norm of the response from where
    /// it enters. None for f32, whose steps change with the signal, for the ladder of tanh, and
    /// for an input too quiet to make rounding random.
    ///
    /// # Errors
    /// As [`Expected::rounding`].
    pub fn noise(
        &self,
        twin: Twin,
        tuning: &Tuning,
        rate_hz: u32,
        input_rms: f64,
    ) -> Result<Option<Noise>, Error> {
        if twin != Twin::Fixed || matches!(self.algorithm, Algorithm::TanhLadder { .. }) {
            return Ok(None);
        }
        let c = self.coefficients(tuning, rate_hz);
        // The deepest state has to move by a unit per sample: errors of a rounded normal variable
        // that moves by s units have a correlation of exp(-2 pi^2 s^2), 3e-9 then.
        let mut steps = [NO_PUSHES; 2];
        (steps[0][0], steps[1][0]) = (1.0, -1.0);
        if input_rms * self.deepest().norms(&c, &steps)?.l2 < UNIT {
            return Ok(None);
        }
        let first = with_mix(self.algorithm, INPUT).input_norms(&c)?.l2;
        let (mut power, mut less, mut more) = (0.0, 0.0, 0.0);
        for rounding in self.roundings(&c, tuning).iter().filter(|r| r.power > 0.0) {
            let swing = rounding.swing * input_rms * first / UNIT;
            let norms = self.algorithm.norms(&c, &rounding.train)?;
            let own = rounding.power * norms.l2 * norms.l2 / 12.0;
            // Three standard deviations within half a unit: nothing is rounded away. Beyond a
            // unit it is random.
            if swing >= 1.0 {
                power += own;
            } else if 3.0 * swing > 0.5 {
                power += 0.5 * own;
                less += 0.5 * own;
                more += 0.5 * own;
            }
            // All of it where the response is strongest, which is below its l1 norm.
            more += (rounding.coherent * norms.l1).powi(2);
        }
        let limit_db = LIMIT_DB
            + (10.0 * (1.0 + more / power).log10()).max(-10.0 * (1.0 - less / power).log10());
        if limit_db > WORTHLESS_DB {
            return Ok(None);
        }
        Ok(Some(Noise { rms: UNIT * power.sqrt(), limit_db }))
    }

    /// White sources that stand for the rounding of a twin under inputs within ±`peak`. Those of
    /// f32 are the counts of its head at the largest signal that the loop may hold.
    ///
    /// # Errors
    /// As [`Expected::rounding`].
    pub fn sources(
        &self,
        twin: Twin,
        tuning: &Tuning,
        rate_hz: u32,
        peak: f64,
    ) -> Result<Vec<Source>, Error> {
        let c = self.coefficients(tuning, rate_hz);
        Ok(match twin {
            Twin::Exact => Vec::new(),
            Twin::Fixed => {
                let all = self.roundings(&c, tuning).into_iter();
                all.map(|one| Source {
                    variance: one.power * UNIT * UNIT / 12.0,
                    mean: one.mean * UNIT,
                    train: one.train,
                })
                .collect()
            }
            Twin::Float => {
                let most = U * peak * self.reach(&c)?;
                let (counts, heard) = self.float_counts(&c);
                let all = counts.into_iter().chain([(5, heard)]);
                all.map(|(source, count)| Source {
                    train: vec![unit(source)],
                    variance: count * most * most / 12.0,
                    mean: 0.0,
                })
                .collect()
            }
        })
    }

    /// How far the coefficients of a twin may be off, relative: the tangent of half the cutoff, or
    /// the algorithm's own coefficient; the loop gain at the edge of self-oscillation; and what
    /// enters the loop.
    pub fn coefficient_errors(&self, twin: Twin, cutoff: f64) -> [f64; 3] {
        let c = self.algorithm.coefficients(cutoff, 1.0);
        let cutoff = plumbtone_voice::Increment::saturating_from_bits((cutoff * CYCLE) as u32);
        let tuning = Tuning { cutoff, resonance: plumbtone_voice::Resonance::EDGE };
        let off = self.off(twin, &c, &tuning);
        [off.pole, off.feedback / c.feedback, off.gain]
    }

    /// The work that the algorithm rests on.
    pub fn reference(&self) -> Reference {
        match self.algorithm {
            Algorithm::Ladder { .. } | Algorithm::NaiveLadder { .. } => references::LADDER_LINEAR,
            Algorithm::TanhLadder { .. } => references::LADDER_NONLINEAR,
            Algorithm::DelayedLadder { .. } => references::LADDER_COMPENSATED,
            Algorithm::TwoIntegratorLoop { .. } => references::TWO_INTEGRATOR_LOOP,
            Algorithm::StateVariable { .. } | Algorithm::OnePole { .. } => {
                references::TRAPEZOIDAL_FILTERS
            }
            Algorithm::DcBlocker => references::DEFINITIONS,
        }
    }

    /// Where the bounds come from.
    pub fn because(&self) -> &'static str {
        match self.algorithm {
            Algorithm::TanhLadder { .. } => {
                "roundings and fit of tanh through the l1 norm of small signals; coefficients off"
            }
            _ => "each rounding through the l1 norm from where it enters; coefficients off",
        }
    }

    /// The same filter heard where its signals move least.
    fn deepest(&self) -> Algorithm {
        match self.algorithm {
            Algorithm::StateVariable { .. } => Algorithm::StateVariable { output: Output::Low },
            Algorithm::TwoIntegratorLoop { .. } => {
                Algorithm::TwoIntegratorLoop { output: Output::Low }
            }
            Algorithm::OnePole { .. } => Algorithm::OnePole { high: false },
            Algorithm::DcBlocker => Algorithm::DcBlocker,
            other => with_mix(other, mixes::LOW_4),
        }
    }

    /// Largest l1 norm from the input to a signal in the loop, and at least 1, for the input.
    fn reach(&self, c: &Coefficients) -> Result<f64, ParameterError> {
        let nodes: Vec<Algorithm> = match self.algorithm {
            Algorithm::StateVariable { .. } => {
                Output::ALL.map(|output| Algorithm::StateVariable { output }).to_vec()
            }
            Algorithm::TwoIntegratorLoop { .. } => {
                Output::ALL.map(|output| Algorithm::TwoIntegratorLoop { output }).to_vec()
            }
            Algorithm::OnePole { .. } | Algorithm::DcBlocker => vec![self.deepest()],
            ladder => (0..5)
                .map(|tap| {
                    let mut mix = [0.0; 5];
                    mix[tap] = 1.0;
                    with_mix(ladder, mix)
                })
                .collect(),
        };
        nodes.iter().try_fold(1.0, |most, node| Ok(node.input_norms(c)?.l1.max(most)))
    }

    /// Roundings of f32 as the heads of the modules count them: how many enter where, and how many
    /// what is heard takes, a sum of weighted signals.
    fn float_counts(&self, c: &Coefficients) -> (Vec<(usize, f64)>, f64) {
        let k = c.feedback;
        match &self.algorithm {
            Algorithm::Ladder { mix, .. } => (vec![(0, 24.0 + 20.0 * k)], weight(mix)),
            Algorithm::DelayedLadder { mix, .. } => (vec![(0, 28.0 + 8.0 * k)], weight(mix)),
            Algorithm::NaiveLadder { mix, .. } => (vec![(0, 16.0 + 4.0 * k)], weight(mix)),
            Algorithm::StateVariable { .. } => (vec![(1, 40.0), (2, 40.0)], 4.0),
            // Into the high-pass: input, low, band and its product by up to 2, two sums; then the
            // product with f. Into low: band and its product.
            Algorithm::TwoIntegratorLoop { .. } => (vec![(1, 9.0), (2, 2.0)], 4.0),
            Algorithm::DcBlocker => (Vec::new(), 8.0 * (1.0 + c.pole)),
            _ => (Vec::new(), 8.0),
        }
    }

    /// Rounding of f32: each sum rounds by 2^-24 of its largest term.
    fn float_rounding(&self, c: &Coefficients, peak: f64) -> Result<f64, ParameterError> {
        let (counts, heard) = self.float_counts(c);
        let mut sum = heard;
        for (source, count) in counts {
            let l1 = self.algorithm.norms(c, &[unit(source)])?.l1;
            // A loop passes its input on, however little of it is heard.
            sum += count * if source == 0 { l1.max(1.0) } else { l1 };
        }
        Ok(U * sum * peak * self.reach(c)? + self.subnormal_rest(c)?)
    }

    /// What f32 may leave for ever: below the smallest normal number its steps no longer shrink, and
    /// a state stands still where g times it is less than half of one. Three roundings per state.
    fn subnormal_rest(&self, c: &Coefficients) -> Result<f64, ParameterError> {
        let g = c.pole / (1.0 + c.pole);
        let mut sum = 1.0;
        for state in 1..=4 {
            sum += self.algorithm.norms(c, &[unit(state)])?.l1;
        }
        Ok(3.0 * SUBNORMAL * sum / g)
    }

    /// Rounding of the ladder of tanh, as its head counts it.
    fn saturating_rounding(
        &self,
        twin: Twin,
        c: &Coefficients,
        peak: f64,
    ) -> Result<f64, ParameterError> {
        let Algorithm::TanhLadder { drive, oversampling, .. } = self.algorithm else {
            return Ok(0.0);
        };
        let k = c.feedback;
        // Norms from the loop input count every inner sample, and end in samples.
        let from_loop = self.algorithm.norms(c, &[unit(0)])?.l1.max(1.0 / drive);
        let doublings = f64::from(oversampling.ilog2());
        let tanh = 3e-7 * (4.0 + k);
        Ok(match twin {
            // A half-band rounds its sum, upwards at the loop input, downwards at the output,
            // which the outer one passes with its l1 norm of 1.7.
            Twin::Fixed => {
                (0.5 * UNIT * (20.0 + 16.0 * k + doublings) + tanh) * from_loop
                    + 0.5 * UNIT * 1.7 * doublings / drive
            }
            // 16 sums in a half-band.
            _ => {
                let most = peak * drive * self.reach(c)?;
                let passed = peak * self.algorithm.input_norms(c)?.l1;
                (U * (40.0 + 24.0 * k) * most + tanh) * from_loop + U * 32.0 * doublings * passed
            }
        })
    }

    /// Errors of coefficients.
    fn off(&self, twin: Twin, c: &Coefficients, tuning: &Tuning) -> Off {
        let float = twin == Twin::Float;
        let (pole, k) = (c.pole, c.feedback);
        // G = t/(1 + t) errs less than t = G/(1 - G) by 1 + t.
        let g = pole / (1.0 + pole);
        let tangent = match twin {
            Twin::Exact => return Off { pole: 0.0, feedback: 0.0, gain: 0.0 },
            Twin::Float => TANGENT_FIT + 4.0 * U,
            Twin::Fixed => TANGENT_FIT + FIT_SUMS + HALF / g,
        } * (1.0 + pole);
        match self.algorithm {
            Algorithm::Ladder { .. } => {
                // The reciprocal of 1 + k G^4 in 28 bits, within 1.5 units: it scales what enters
                // the loop and what comes back.
                let whole = 1.0 + k * g.powi(4);
                let gain = if float { 10.0 * U } else { 1.5 * 0.25 * UNIT * 2.0 * whole * whole };
                Off { pole: tangent, feedback: k * gain, gain }
            }
            Algorithm::TanhLadder { oversampling, .. } => {
                // The cutoff is divided in integers.
                let cut = (oversampling as f64 - 1.0) / f64::from(tuning.cutoff.bits().max(1));
                let gain = if float { 10.0 * U } else { 4.0 * COEFFICIENT };
                Off { pole: tangent + cut, feedback: k * gain, gain }
            }
            Algorithm::NaiveLadder { .. } => {
                let pole = DECAY_FIT + if float { 4.0 * U } else { FIT_SUMS + HALF / pole };
                let gain = if float { 4.0 * U } else { 0.0 };
                Off { pole, feedback: k * gain, gain }
            }
            Algorithm::DelayedLadder { .. } => {
                let w = 2.0 * PI * f64::from(tuning.cutoff.bits()) / CYCLE;
                // Sums of a cubic in w, each term with the rounding of its coefficient and of
                // its sum.
                let terms = 1.0 + w + w * w + w * w * w;
                let fit = pole / w.max(1e-9);
                if float {
                    // Relative to each term: 1, 0.44 w, 0.14 w², 0.02 w³ or less; the loop's are
                    // smaller.
                    let terms = 1.0 + w * (0.44 + w * (0.14 + w * 0.021));
                    let pole = 4.0 * U * terms / fit;
                    Off { pole, feedback: k * 4.0 * U * terms, gain: 4.0 * U }
                } else {
                    let pole = COEFFICIENT * terms / fit + HALF / pole + COEFFICIENT;
                    Off { pole, feedback: k * COEFFICIENT * terms + 4.0 * HALF, gain: COEFFICIENT }
                }
            }
            Algorithm::StateVariable { .. } => {
                // h = G/d, both rounded, scales both steps: t by 1 + t times that, and the
                // damping by t times.
                let d = 1.0 - 2.0 * g * (1.0 - g) * k;
                let h = if float { 6.0 * U } else { HALF * d / g + 4.0 * COEFFICIENT };
                let damping = if float { U } else { HALF } * (1.0 + pole);
                Off { pole: tangent + h * (1.0 + pole), feedback: damping + h * pole, gain: h }
            }
            Algorithm::TwoIntegratorLoop { .. } => {
                let pole = SINE_FIT + if float { 6.0 * U } else { FIT_SUMS + HALF / pole };
                let feedback = if float { U } else { 0.0 };
                Off { pole, feedback, gain: if float { U } else { 0.0 } }
            }
            Algorithm::OnePole { .. } | Algorithm::DcBlocker => {
                Off { pole: tangent, feedback: 0.0, gain: 0.0 }
            }
        }
    }

    /// The roundings of a fixed twin, in the order of its statements.
    fn roundings(&self, c: &Coefficients, tuning: &Tuning) -> Vec<Rounding> {
        let (t, k) = (c.pole, c.feedback);
        let bits = i64::from(tuning.resonance.bits());
        let g = t / (1.0 + t);
        let mut all = Vec::new();
        match self.algorithm {
            Algorithm::Ladder { mix, compensation } => {
                feed(&mut all, compensation, k);
                if k > 0.0 {
                    all.push(at(0, 1.0).of(product(bits, 28)).tied(bits, 28));
                    // Three sums of held states, and what they become.
                    all.extend([g * g, g, 1.0].map(|w| at(0, k * (1.0 - g) * w)));
                    all.push(at(0, k));
                    // The solution u/d. At low cutoffs d is so close to 1 that u is what came
                    // in; in between it errs in proportion, which is no noise.
                    let d = 1.0 + k * g.powi(4);
                    all.push(Rounding { swing: 1.0 - 1.0 / d, ..at(0, d) });
                }
                for i in 1..=4 {
                    // A state is read for the loop and for its own pole alike.
                    let mut pushes = unit(i).map(|p| -p);
                    pushes[0] = -k * (1.0 - g) * g.powi(4 - i as i32);
                    all.push(train(vec![pushes]));
                }
                all.extend((2..=4).map(|i| at(i, 1.0)));
                all.push(heard(&mix));
            }
            Algorithm::NaiveLadder { mix, compensation } => {
                feed(&mut all, compensation, k);
                if k > 0.0 {
                    all.push(at(0, 1.0).of(product(bits, 28)).tied(bits, 28));
                }
                all.extend((1..=4).map(|i| read_twice(i, k, [1.0, 0.0])));
                all.push(heard(&mix));
            }
            Algorithm::DelayedLadder { mix, compensation } => {
                feed(&mut all, compensation, k);
                if k > 0.0 {
                    all.push(at(0, 1.0));
                }
                for i in 1..=4 {
                    // Both weights of the zero add to 1, so what one of them rounds up the other
                    // rounds down a sample later.
                    all.push(train(vec![unit(i), unit(i).map(|p| -p)]));
                    all.push(read_twice(i, k, [NOW, BEFORE]));
                }
                all.push(heard(&mix));
            }
            Algorithm::StateVariable { output } => {
                // An error within the brackets of a step, in terms of an integrator's input.
                let q = 1.0 - g;
                let w = q / (1.0 - 2.0 * g * q * k);
                let steps = |first: f64, second: f64| {
                    let mut pushes = NO_PUSHES;
                    (pushes[1], pushes[2]) = (w * first, w * second);
                    train(vec![pushes])
                };
                let damping = 2.0 * (1.0 - k);
                all.push(input(1.0));
                all.push(steps(-(damping * q + g), q));
                all.push(steps(-q, -g));
                // q + G is 1: where one product with x − s₂ rounds up, the other rounds down.
                all.push(steps(1.0, -1.0));
                // With s₁ they are q and 1 + (1 − 2r) q.
                match kinship(EDGE - 2 * bits.min(EDGE)) {
                    None => all.push(steps(0.0, 1.0)),
                    Some(kin) if kin.abs() == 1.0 => all.push(steps(-kin, 1.0)),
                    Some(kin) => {
                        all.push(Rounding { peak: 0.0, ..steps(-kin, 1.0) });
                        all.push(Rounding { power: 1.0 - kin * kin, ..steps(-1.0, 0.0) });
                        let (mean, _) = tie(EDGE - 2 * bits.min(EDGE), 30);
                        all.push(Rounding { power: 0.0, mean, ..steps(0.0, 1.0) });
                    }
                }
                match output {
                    Output::Low | Output::Band => all.push(at(5, 1.0 / 16.0)),
                    Output::High | Output::Notch => {
                        all.push(at(5, damping));
                        all.push(at(5, 1.0).of(product(EDGE - bits.min(EDGE), 29)));
                        if output == Output::High {
                            all.push(at(5, 1.0));
                        }
                    }
                }
            }
            Algorithm::TwoIntegratorLoop { output } => {
                let damping = 2 * (EDGE - bits.min(EDGE));
                all.push(input(1.0));
                let mut pushes = unit(2);
                pushes[0] = -2.0 * (1.0 - k);
                all.push(train(vec![pushes]));
                all.push(at(0, 1.0));
                all.push(at(0, 1.0).of(product(damping, 30)).tied(damping, 30));
                if output != Output::High {
                    all.push(at(5, 1.0 / 16.0));
                }
            }
            Algorithm::OnePole { .. } => all.extend([input(1.0), at(1, 1.0), at(5, 1.0 / 16.0)]),
            Algorithm::DcBlocker => all.extend([input(1.0), at(1, 2.0 * g), at(5, 1.0 / 16.0)]),
            Algorithm::TanhLadder { .. } => {}
        }
        all
    }
}

/// The target of the literature's table is 0.1 dB; the model itself has no parameter to be off.
const LIMIT_DB: f64 = 0.1;
/// A prediction that may be off by half is none.
const WORTHLESS_DB: f64 = 3.0;

impl Rounding {
    /// With another power; no power has no peak.
    fn of(self, power: f64) -> Self {
        let peak = if power > 0.0 { self.peak } else { 0.0 };
        Self { power: self.power * power, peak, ..self }
    }

    /// As the product of an integer with `coefficient` over 2^`shift`. Next to p/q with q even,
    /// the sign of the signal tells to which side a tie falls; powers of two have their ties
    /// exactly, and round them all up.
    fn tied(self, coefficient: i64, shift: u32) -> Self {
        let (mean, exact) = tie(coefficient, shift);
        Self { mean, coherent: if exact { 0.0 } else { mean }, ..self }
    }
}

/// By how much the ties among the products of integers with `coefficient` over 2^`shift` lean to
/// one side, and whether they are ties exactly. Next to p/q with q even, every q-th product is
/// next to one: 1/q of a half.
fn tie(coefficient: i64, shift: u32) -> (f64, bool) {
    let one = 1_i64 << shift;
    let off = |q: i64| {
        let p = (coefficient as f64 / one as f64 * q as f64).round() as i64;
        (coefficient * q - p * one).abs()
    };
    match (1..=100).find(|q| off(*q) <= *q) {
        Some(q) if q % 2 == 0 => (0.5 / q as f64, off(q) == 0),
        _ => (0.0, true),
    }
}

fn train(train: Vec<Pushes>) -> Rounding {
    Rounding { train, power: 1.0, peak: 1.0, swing: 1.0, coherent: 0.0, mean: 0.0 }
}

fn unit(source: usize) -> Pushes {
    let mut pushes = NO_PUSHES;
    pushes[source] = 1.0;
    pushes
}

/// A rounding that enters at one source.
fn at(source: usize, weight: f64) -> Rounding {
    train(vec![unit(source).map(|p| weight * p)])
}

/// The input, rounded to a sample and to a signal: together as white as one rounding.
fn input(weight: f64) -> Rounding {
    // Four bits are dropped: their mean is half of the last.
    Rounding { peak: 1.0 + 1.0 / 16.0, mean: 1.0 / 32.0, ..at(0, weight) }
}

/// What enters a ladder: the input, and what compensation adds.
fn feed(all: &mut Vec<Rounding>, compensation: f64, k: f64) {
    all.push(input(1.0 + compensation * k));
    all.push(at(0, 1.0).of(product((compensation * k * EDGE as f64).round() as i64, 30)));
}

/// State i of a ladder with a delay: read by the next pole at once, through a zero if it has one,
/// and by its own pole and the loop in the sample after.
fn read_twice(i: usize, k: f64, [now, before]: [f64; 2]) -> Rounding {
    let (mut first, mut second) = (NO_PUSHES, unit(i).map(|p| -p));
    if i < 4 {
        (first[i + 1], second[i + 1]) = (now, before);
    } else {
        second[0] = -k;
    }
    train(vec![first, second])
}

/// Taps of a ladder at the output, each rounded to Q.31; the loop input is no finer than a signal.
fn heard(mix: &Mix) -> Rounding {
    let weights = mix[1..].iter().map(|w| w.abs() / 16.0);
    let power = weights.clone().map(|w| w * w).sum();
    Rounding { power, peak: weights.sum(), ..at(5, 1.0) }
}

fn weight(mix: &Mix) -> f64 {
    2.0 * mix.iter().map(|w| w.abs()).sum::<f64>()
}

/// Power of the rounding of `coefficient` times an integer, shifted down by `shift` bits: of what
/// is dropped only m bits may be other than 0, and a grid of 2^-m has 1 − 4^-m of the power.
fn product(coefficient: i64, shift: u32) -> f64 {
    match coefficient.trailing_zeros() {
        zeros if coefficient == 0 || zeros >= shift => 0.0,
        zeros => 1.0 - 0.25_f64.powi((shift - zeros) as i32),
    }
}

/// Correlation of the rounding of a x, a in Q2.30, with that of x. None if a x is whole wherever
/// x is anything: a = 0.
///
/// The error of rounding is a saw tooth; of p x/q and x its harmonics meet where q n = p m, and
/// the sum over 1/n² leaves 1/(p q), or −1/(2 p q) where p or q is even. Beyond 1/100 it is left.
fn kinship(a: i64) -> Option<f64> {
    if a == 0 {
        return None;
    }
    let value = a as f64 / EDGE as f64;
    for q in 1..=10_i64 {
        let p = (value * q as f64).round() as i64;
        // Off by less than a unit of the coefficient.
        if p != 0 && (a * q - p * EDGE).abs() <= q {
            let both_odd = p % 2 != 0 && q % 2 != 0;
            let product = (p.abs() * q) as f64;
            let share = if both_odd { 1.0 / product } else { -0.5 / product };
            return Some(share * value.signum());
        }
    }
    Some(0.0)
}

fn with_mix(ladder: Algorithm, mix: Mix) -> Algorithm {
    match ladder {
        Algorithm::Ladder { compensation, .. } => Algorithm::Ladder { mix, compensation },
        Algorithm::DelayedLadder { compensation, .. } => {
            Algorithm::DelayedLadder { mix, compensation }
        }
        Algorithm::NaiveLadder { compensation, .. } => Algorithm::NaiveLadder { mix, compensation },
        Algorithm::TanhLadder { compensation, drive, oversampling, .. } => {
            Algorithm::TanhLadder { mix, compensation, drive, oversampling }
        }
        other => other,
    }
}

/// Mixes in the order of [`taps::OUTPUT`].
fn mix_of(choice: f64) -> Mix {
    use mixes::{BAND_2, BAND_4, HIGH_2, HIGH_4, LOW_1, LOW_2, LOW_3, LOW_4};
    let all = [LOW_4, LOW_3, LOW_2, LOW_1, BAND_2, BAND_4, HIGH_2, HIGH_4];
    all[choice as usize % all.len()]
}

fn second(choice: f64) -> Output {
    Output::ALL[choice as usize % Output::ALL.len()]
}

fn entry(module: &str) -> Result<&'static FilterEntry, Error> {
    ENTRIES.iter().find(|entry| entry.name == module).ok_or_else(|| Error::Unknown {
        kind: "filter",
        name: module.to_owned(),
        choices: ENTRIES.iter().map(|entry| entry.name).collect::<Vec<_>>().join(", "),
    })
}
