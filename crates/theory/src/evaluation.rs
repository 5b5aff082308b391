//! Filters in f64, sample by sample: the published algorithms, and what reaches their outputs.
//!
//! | | |
//! |---|---|
//! | Source  | the works named in [`crate::ladder`], [`crate::state_variable`] and [`crate::first_order`]; saturating ladder: Huovilainen, DAFx-04, 61-64, from memory, under the trapezoidal rule |
//! | Units   | cutoff `fc/fs` in cycles per sample; resonance 1 at the edge of self-oscillation; full scale = 1.0 |
//! | State   | trapezoidal integrators keep `s`, with `y = s + step` and `s + 2 step` for the next sample, `step` made with the tuning of the present sample |
//! | Error   | f64 rounding; nothing is held to a range |
//! | Checked | `tests/suite/theory/evaluation.rs` |

use crate::first_order::{self, HalfBand};
use crate::ladder::{DelayedLadder, Ladder, Mix, warped_ratio};
use crate::state_variable::{Output, Section, TwoIntegratorLoop};
use crate::{Complex64, ParameterError, tables};
use std::f64::consts::PI;

/// Places where a rounding enters a filter: 0 the loop input (the input of a filter without loop),
/// 1 to 4 the input of pole or integrator i, 5 the output.
///
/// What is pushed at 0 is there when a loop without delay is solved. What is pushed at 1 to 4
/// comes after that: the loop input of the same sample does not know of it.
pub const SOURCES: usize = 6;

/// One value for every source.
pub type Pushes = [f64; SOURCES];

/// Nothing is pushed.
pub const NO_PUSHES: Pushes = [0.0; SOURCES];

/// A filter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Algorithm {
    /// Linear ladder, trapezoidal, loop without delay.
    Ladder {
        /// What is heard.
        mix: Mix,
        /// Share of the passband loss that the input makes up for: it is fed in `1 + c k` times.
        compensation: f64,
    },
    /// Ladder with tanh in every stage, trapezoidal, loop without delay.
    TanhLadder {
        /// What is heard.
        mix: Mix,
        /// As in [`Algorithm::Ladder`].
        compensation: f64,
        /// Factor from sample to voltage in units of 2Vt; the output is divided by it.
        drive: f64,
        /// Inner samples per sample: 1, 2 or 4, between the half-bands of
        /// [`tables::half_band`]. Pushes at 0 to 4 happen in every inner sample, in volts.
        oversampling: usize,
    },
    /// Ladder with a unit delay in its loop, published compensation.
    DelayedLadder {
        /// What is heard.
        mix: Mix,
        /// As in [`Algorithm::Ladder`].
        compensation: f64,
    },
    /// Ladder with a unit delay in its loop.
    NaiveLadder {
        /// What is heard.
        mix: Mix,
        /// As in [`Algorithm::Ladder`].
        compensation: f64,
    },
    /// State-variable, trapezoidal; `R = 1 - resonance`.
    StateVariable {
        /// What is heard.
        output: Output,
    },
    /// State-variable, loop of two integrators; `R = 1 - resonance`. Integrator 1 is the band.
    TwoIntegratorLoop {
        /// What is heard.
        output: Output,
    },
    /// One-pole, trapezoidal.
    OnePole {
        /// High-pass instead of low-pass.
        high: bool,
    },
    /// `y[n] = x[n] - x[n-1] + (1 - 2G) y[n-1]`, `G = t/(1+t)`, `t = tan(pi fc/fs)`.
    DcBlocker,
}

/// What an algorithm makes of a tuning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficients {
    /// `tan(pi fc/fs)` of trapezoidal filters, at the inner rate; `g` of ladders with a delay; `f`
    /// of the loop of two integrators.
    pub pole: f64,
    /// `k` of ladders, `1 - R` of state-variable filters; nothing else looks at it.
    pub feedback: f64,
}

/// Norms of an impulse response: its largest output for inputs within 1, and the rms of its
/// output for white input of rms 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Norms {
    /// Sum of magnitudes.
    pub l1: f64,
    /// Root of the sum of squares.
    pub l2: f64,
}

/// Norms of the responses at the output.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gains {
    /// To the input.
    pub input: Norms,
    /// To a push at each source; where there are inner samples, to pushes in all of them that
    /// are independent of each other.
    pub sources: [Norms; SOURCES],
}

/// `g/w` of the compensated ladder, `w = 2 pi fc/fs`, as printed.
#[allow(clippy::approx_constant)]
const POLE: [f64; 4] = [0.9892, -0.4342, 0.1381, -0.0202];
/// `k/4r` of the compensated ladder, as printed.
const LOOP: [f64; 4] = [1.0029, 0.0526, -0.0926, 0.0218];
/// Zero of the compensated ladder.
const ZERO: f64 = 0.3;

/// Longest impulse response that is followed, samples.
const LONGEST: f64 = 33_554_432.0;
/// Share of a norm that may be left to the bound on its rest.
const REST: f64 = 1e-12;

impl Algorithm {
    /// The published algorithm in f64, at rest.
    #[must_use]
    pub fn start(&self) -> Evaluation {
        let names: &[&str] = match self.inner() {
            1 => &[],
            2 => &["outer"],
            _ => &["outer", "inner"],
        };
        Evaluation {
            algorithm: *self,
            small: false,
            states: [0.0; 4],
            before: [0.0; 4],
            bands: names.iter().map(|name| Doubling::new(&taps(name))).collect(),
            only: None,
            place: 0,
        }
    }

    /// The same without bends: `tanh x` is `x`.
    fn start_small(&self) -> Evaluation {
        Evaluation { small: true, ..self.start() }
    }

    /// Inner samples per sample.
    fn inner(&self) -> usize {
        match self {
            Self::TanhLadder { oversampling, .. } => *oversampling,
            _ => 1,
        }
    }

    /// Coefficients by their formulas.
    #[must_use]
    pub fn coefficients(&self, cutoff: f64, resonance: f64) -> Coefficients {
        let w = 2.0 * PI * cutoff;
        let horner = |terms: &[f64; 4]| terms.iter().rev().fold(0.0, |sum, t| sum * w + t);
        let (pole, feedback) = match self {
            Self::Ladder { .. } => ((PI * cutoff).tan(), 4.0 * resonance),
            Self::TanhLadder { oversampling, .. } => {
                ((PI * cutoff / *oversampling as f64).tan(), 4.0 * resonance)
            }
            Self::DelayedLadder { .. } => (w * horner(&POLE), 4.0 * resonance * horner(&LOOP)),
            Self::NaiveLadder { .. } => (-(-w).exp_m1(), 4.0 * resonance),
            Self::TwoIntegratorLoop { .. } => (2.0 * (PI * cutoff).sin(), resonance),
            Self::StateVariable { .. } | Self::OnePole { .. } | Self::DcBlocker => {
                ((PI * cutoff).tan(), resonance)
            }
        };
        Coefficients { pole, feedback }
    }

    /// Closed form of the small-signal response at `x` cycles per sample, latency left out; not a
    /// number where a closed form has no value, as for a state-variable filter without damping.
    ///
    /// Nothing here is shared with [`Evaluation::tick`].
    #[must_use]
    pub fn response(&self, x: f64, cutoff: f64, resonance: f64) -> Complex64 {
        let k = 4.0 * resonance;
        let quality = 0.5 / (1.0 - resonance);
        let value =
            match self {
                Self::Ladder { mix, compensation } => ladder(mix, *compensation, k, x, cutoff),
                Self::TanhLadder { mix, compensation, oversampling, .. } => {
                    let rate = *oversampling as f64;
                    let inside = |x: f64| ladder(mix, *compensation, k, x, cutoff / rate);
                    match oversampling {
                        1 => inside(x),
                        2 => doubled("outer", x, 1.0, inside),
                        // The inner delay of 4 1/2 samples turns the image by half a cycle.
                        _ => doubled("outer", x, -1.0, |x| doubled("inner", x, 1.0, inside)),
                    }
                }
                Self::DelayedLadder { mix, compensation } => DelayedLadder::compensated(cutoff)
                    .map(|ladder| {
                        let k = ladder.feedback(resonance);
                        (1.0 + compensation * k) * ladder.mix(mix, k, x)
                    }),
                Self::NaiveLadder { mix, compensation } => DelayedLadder::naive(cutoff)
                    .map(|ladder| (1.0 + compensation * k) * ladder.mix(mix, k, x)),
                Self::StateVariable { output } => Section::new(quality)
                    .map(|section| section.response(*output, warped_ratio(x, cutoff))),
                Self::TwoIntegratorLoop { output } => TwoIntegratorLoop::new(cutoff, quality)
                    .map(|section| section.response(*output, x)),
                Self::OnePole { high } => {
                    let (low_pass, high_pass) = first_order::trapezoidal(x, cutoff);
                    Ok(if *high { high_pass } else { low_pass })
                }
                // The high-pass divides by 1 + t where the blocker does not.
                Self::DcBlocker => {
                    Ok((1.0 + (PI * cutoff).tan()) * first_order::trapezoidal(x, cutoff).1)
                }
            };
        value.unwrap_or(Complex64::new(f64::NAN, f64::NAN))
    }

    /// Norms of the responses from the input and from each source, of small signals.
    ///
    /// # Errors
    /// A response that does not decay to `1e-12` of its sum within 2^25 samples.
    pub fn gains(&self, cutoff: f64, resonance: f64) -> Result<Gains, ParameterError> {
        let coefficients = self.coefficients(cutoff, resonance);
        let mut sources = [Norms { l1: 0.0, l2: 0.0 }; SOURCES];
        for (source, norms) in sources.iter_mut().enumerate() {
            let mut pushes = NO_PUSHES;
            pushes[source] = 1.0;
            *norms = self.norms(&coefficients, &[pushes])?;
        }
        Ok(Gains { input: self.input_norms(&coefficients)?, sources })
    }

    /// Norms of the response to pushes in the samples 0, 1, ...: what a rounding does that enters
    /// in several places, or again in the next sample.
    ///
    /// # Errors
    /// As [`Algorithm::gains`].
    pub fn norms(
        &self,
        coefficients: &Coefficients,
        train: &[Pushes],
    ) -> Result<Norms, ParameterError> {
        let (mut l1, mut power) = (0.0, 0.0);
        for place in 0..self.inner() {
            let mut evaluation = Evaluation { only: Some(place), ..self.start_small() };
            let mut train = train.iter();
            let norms = summed(coefficients, || {
                evaluation.step(0.0, coefficients, train.next().unwrap_or(&NO_PUSHES))
            })?;
            l1 += norms.l1;
            power += norms.l2 * norms.l2;
        }
        Ok(Norms { l1, l2: power.sqrt() })
    }

    /// Norms of the response to the input.
    ///
    /// # Errors
    /// As [`Algorithm::gains`].
    pub fn input_norms(&self, coefficients: &Coefficients) -> Result<Norms, ParameterError> {
        let (mut evaluation, mut input) = (self.start_small(), 1.0);
        summed(coefficients, || {
            evaluation.step(std::mem::take(&mut input), coefficients, &NO_PUSHES)
        })
    }

    /// Norms of what the response to the input changes by when the coefficients do.
    ///
    /// # Errors
    /// As [`Algorithm::gains`].
    pub fn change_norms(
        &self,
        from: &Coefficients,
        to: &Coefficients,
    ) -> Result<Norms, ParameterError> {
        let (mut a, mut b, mut input) = (self.start_small(), self.start_small(), 1.0);
        summed(from, || {
            let input = std::mem::take(&mut input);
            b.step(input, to, &NO_PUSHES) - a.step(input, from, &NO_PUSHES)
        })
    }
}

/// A half-band filter's taps. A damaged table makes everything that rests on it not a number.
fn taps(filter: &str) -> Vec<f64> {
    tables::half_band(filter).unwrap_or_else(|_| vec![f64::NAN])
}

fn ladder(
    mix: &Mix,
    compensation: f64,
    k: f64,
    x: f64,
    cutoff: f64,
) -> Result<Complex64, ParameterError> {
    let ladder = Ladder::new(k)?;
    Ok((1.0 + compensation * k) * ladder.mix(mix, warped_ratio(x, cutoff)))
}

/// Response of a filter at twice the rate between half-bands: what comes back from `x` itself,
/// and from its image, the delay left out. Both half-bands together delay by an even number of
/// samples of the higher rate, which leaves the image as it is; `image` tells what else turns it.
fn doubled(
    filter: &str,
    x: f64,
    image: f64,
    inside: impl Fn(f64) -> Result<Complex64, ParameterError>,
) -> Result<Complex64, ParameterError> {
    let band = HalfBand::new(&taps(filter))?;
    let part = |x: f64| Ok(inside(x)? * band.response(x).powi(2));
    Ok(part(0.5 * x)? + image * part(0.5 * x + 0.5)?)
}

/// Follows a response until the rest cannot matter. Blocks last four periods of the cutoff or more:
/// from one to the next their sums fall by a ratio that only falls itself, so the rest is at most a
/// geometric series.
fn summed(
    coefficients: &Coefficients,
    mut next: impl FnMut() -> f64,
) -> Result<Norms, ParameterError> {
    let refuse = || ParameterError {
        name: "feedback",
        value: coefficients.feedback,
        range: "a response that decays within 2^25 samples",
    };
    let block = (26.0 / coefficients.pole).max(256.0);
    if block > LONGEST || block.is_nan() {
        return Err(refuse());
    }
    let mut blocks: Vec<[f64; 2]> = Vec::new();
    let mut sums = [0.0; 2];
    loop {
        let mut now = [0.0; 2];
        for _ in 0..block as usize {
            let value = next();
            now[0] += value.abs();
            now[1] += value * value;
        }
        sums = [sums[0] + now[0], sums[1] + now[1]];
        if !sums[1].is_finite() {
            return Err(refuse());
        }
        let count = blocks.len();
        if count > 0 {
            let rest = |i: usize| {
                let ratio = now[i] / blocks[count - 1][i];
                if now[i] == 0.0 { 0.0 } else { now[i] * ratio / (1.0 - ratio).max(0.0) }
            };
            let rests = [rest(0), rest(1)];
            if (0..2).all(|i| rests[i] <= REST * sums[i]) {
                return Ok(Norms { l1: sums[0] + rests[0], l2: (sums[1] + rests[1]).sqrt() });
            }
        }
        // Sixteen blocks tell how many there would have to be.
        if count >= 16 {
            let decay = (blocks[count - 16][0] / now[0]).ln() / 16.0;
            let needed = count as f64 + (now[0] / (REST * sums[0])).ln() / decay;
            if decay <= 0.0 || needed * block > LONGEST {
                return Err(refuse());
            }
        }
        blocks.push(now);
    }
}

/// Two samples from one and one from two, by plain convolution with every tap.
#[derive(Debug, Clone)]
struct Doubling {
    /// From the first to the last, zeros included.
    taps: Vec<f64>,
    /// Newest last.
    up: Vec<f64>,
    down: Vec<f64>,
}

impl Doubling {
    fn new(side: &[f64]) -> Self {
        let middle = 2 * side.len() - 1;
        let mut taps = vec![0.0; 2 * middle + 1];
        taps[middle] = 0.5;
        for (i, tap) in side.iter().enumerate() {
            taps[middle + 2 * i + 1] = *tap;
            taps[middle - 2 * i - 1] = *tap;
        }
        let line = vec![0.0; taps.len()];
        Self { taps, up: line.clone(), down: line }
    }

    fn push(line: &mut [f64], taps: &[f64], value: f64) -> f64 {
        line.rotate_left(1);
        if let Some(last) = line.last_mut() {
            *last = value;
        }
        line.iter().zip(taps).map(|(x, h)| x * h).sum()
    }

    fn up(&mut self, sample: f64) -> [f64; 2] {
        // A zero after every sample halves the level.
        [sample, 0.0].map(|value| 2.0 * Self::push(&mut self.up, &self.taps, value))
    }

    fn down(&mut self, [even, odd]: [f64; 2]) -> f64 {
        let now = Self::push(&mut self.down, &self.taps, even);
        Self::push(&mut self.down, &self.taps, odd);
        now
    }
}

/// A filter in f64 with its states.
#[derive(Debug, Clone)]
pub struct Evaluation {
    algorithm: Algorithm,
    small: bool,
    states: [f64; 4],
    before: [f64; 4],
    bands: Vec<Doubling>,
    /// The one inner sample in which something is pushed, or all of them.
    only: Option<usize>,
    /// Inner samples since the last sample.
    place: usize,
}

impl Evaluation {
    /// Takes one sample and returns one: cutoff in cycles per sample, resonance 1 at the edge of
    /// self-oscillation, `pushes` added at the sources.
    pub fn tick(&mut self, input: f64, cutoff: f64, resonance: f64, pushes: &Pushes) -> f64 {
        let coefficients = self.algorithm.coefficients(cutoff, resonance);
        self.step(input, &coefficients, pushes)
    }

    /// The same with given coefficients.
    pub fn step(&mut self, input: f64, coefficients: &Coefficients, pushes: &Pushes) -> f64 {
        self.place = 0;
        let drive = match self.algorithm {
            Algorithm::TanhLadder { drive, .. } => drive,
            _ => 1.0,
        };
        let heard = self.only.is_none_or(|only| only == 0);
        let at_output = if heard { pushes[SOURCES - 1] } else { 0.0 };
        self.between(0, input * drive, coefficients, pushes) / drive + at_output
    }

    /// What happens between the half-bands from `level` inwards.
    fn between(&mut self, level: usize, input: f64, c: &Coefficients, pushes: &Pushes) -> f64 {
        if level == self.bands.len() {
            let pushed = self.only.is_none_or(|only| only == self.place);
            self.place += 1;
            return self.inside(input, c, if pushed { pushes } else { &NO_PUSHES });
        }
        let halves = self.bands[level].up(input);
        let halves = halves.map(|half| self.between(level + 1, half, c, pushes));
        self.bands[level].down(halves)
    }

    fn inside(&mut self, input: f64, c: &Coefficients, pushes: &Pushes) -> f64 {
        let Coefficients { pole, feedback } = *c;
        let s = &mut self.states;
        match self.algorithm {
            Algorithm::TanhLadder { mix, compensation, .. } if !self.small => {
                let x = input * (1.0 + compensation * feedback) + pushes[0];
                weighed(&mix, &saturating(x, pole, feedback, s, pushes))
            }
            Algorithm::Ladder { mix, compensation }
            | Algorithm::TanhLadder { mix, compensation, .. } => {
                let x = input * (1.0 + compensation * feedback) + pushes[0];
                weighed(&mix, &trapezoidal(x, pole, feedback, s, pushes))
            }
            Algorithm::DelayedLadder { mix, compensation } => {
                let x = input * (1.0 + compensation * feedback) + pushes[0];
                weighed(&mix, &delayed(x, c, ZERO, s, &mut self.before, pushes))
            }
            Algorithm::NaiveLadder { mix, compensation } => {
                let x = input * (1.0 + compensation * feedback) + pushes[0];
                weighed(&mix, &delayed(x, c, 0.0, s, &mut self.before, pushes))
            }
            Algorithm::StateVariable { output } => {
                let x = input + pushes[0];
                let (g, damping) = (pole, 2.0 * (1.0 - feedback));
                let high = (x - (damping + g) * s[0] - s[1]) / (1.0 + damping * g + g * g);
                let step = g * (high + pushes[1]);
                let band = s[0] + step;
                s[0] = band + step;
                // The second integrator takes the band as solved, without what was pushed.
                let step = g * (band - g * pushes[1] + pushes[2]);
                let low = s[1] + step;
                s[1] = low + step;
                let high = x - damping * band - low;
                picked(output, low, band, high)
            }
            Algorithm::TwoIntegratorLoop { output } => {
                let [band, low, ..] = s;
                *low += pole * (*band + pushes[2]);
                let high = input + pushes[0] - *low - 2.0 * (1.0 - feedback) * *band;
                *band += pole * (high + pushes[1]);
                picked(output, *low, *band, high)
            }
            Algorithm::OnePole { high } => {
                let x = input + pushes[0];
                let step = pole / (1.0 + pole) * (x + pushes[1] - s[0]);
                let low = s[0] + step;
                s[0] = low + step;
                if high { x - low } else { low }
            }
            Algorithm::DcBlocker => {
                let x = input + pushes[0];
                let leak = 2.0 * pole / (1.0 + pole) * s[0];
                s[0] += x - self.before[0] - leak + pushes[1];
                self.before[0] = x;
                s[0]
            }
        }
    }
}

fn weighed(mix: &Mix, taps: &[f64; 5]) -> f64 {
    mix.iter().zip(taps).map(|(weight, tap)| weight * tap).sum()
}

fn picked(output: Output, low: f64, band: f64, high: f64) -> f64 {
    match output {
        Output::Low => low,
        Output::Band => band,
        Output::High => high,
        Output::Notch => low + high,
    }
}

/// Loop input and poles of the linear ladder. Behind pole i stands `G y + (1 - G) s`, so
/// `y4 = G^4 u + S`, and `u = x - k y4` is solved for `u`.
fn trapezoidal(x: f64, g: f64, k: f64, s: &mut [f64; 4], pushes: &Pushes) -> [f64; 5] {
    let gain = g / (1.0 + g);
    let held = s.iter().fold(0.0, |sum, state| gain * sum + state / (1.0 + g));
    let mut y = [(x - k * held) / (1.0 + k * gain.powi(4)); 5];
    for (i, state) in s.iter_mut().enumerate() {
        let step = gain * (y[i] + pushes[i + 1] - *state);
        y[i + 1] = *state + step;
        *state = y[i + 1] + step;
    }
    y
}

/// Loop input and poles of a ladder whose loop takes `y4` of the sample before. What is pushed
/// enters a pole behind its zero.
fn delayed(
    x: f64,
    c: &Coefficients,
    zero: f64,
    s: &mut [f64; 4],
    before: &mut [f64; 4],
    pushes: &Pushes,
) -> [f64; 5] {
    let mut y = [x - c.feedback * s[3]; 5];
    for (i, (state, last)) in s.iter_mut().zip(before).enumerate() {
        let fed = (y[i] + zero * *last) / (1.0 + zero) + pushes[i + 1];
        *last = y[i];
        *state += c.pole * (fed - *state);
        y[i + 1] = *state;
    }
    y
}

/// Loop input and poles of the saturating ladder. For a guess at `V4`, `x - k V4` goes down the
/// poles, each of which has one solution; what comes out falls as the guess grows, so there is
/// one solution of the ring as well, between bounds. Pushes are scaled so that small signals pass
/// as in the linear ladder.
fn saturating(x: f64, g: f64, k: f64, s: &mut [f64; 4], pushes: &Pushes) -> [f64; 5] {
    let down = |guess: f64| {
        let mut v = [x - k * guess; 5];
        let mut slope = -k;
        for i in 0..4 {
            let flow = v[i].tanh();
            let goal = s[i] + g * flow;
            v[i + 1] = root(goal - g, goal + g, |v| {
                let t = v.tanh();
                (v + g * t - goal, 1.0 + g * (1.0 - t * t))
            });
            let t = v[i + 1].tanh();
            slope *= g * (1.0 - flow * flow) / (1.0 + g * (1.0 - t * t));
        }
        (v, slope)
    };
    // A pole cannot leave its state by more than the two flows of at most 1.
    let last = root(s[3] - 2.0 * g, s[3] + 2.0 * g, |guess| {
        let (v, slope) = down(guess);
        (guess - v[4], 1.0 - slope)
    });
    let (v, _) = down(last);
    let mut y = [x - k * last; 5];
    for i in 0..4 {
        let step = g * (v[i].tanh() - v[i + 1].tanh()) + g / (1.0 + g) * pushes[i + 1];
        y[i + 1] = s[i] + step;
        s[i] = y[i + 1] + step;
    }
    y
}

/// Root of a rising function with its slope: Newton's method, halving where it would leave the
/// bounds or does not halve its own steps, until nothing moves.
fn root(mut low: f64, mut high: f64, f: impl Fn(f64) -> (f64, f64)) -> f64 {
    let settled = 2.0 * f64::EPSILON * low.abs().max(high.abs());
    let (mut x, mut last) = (0.5 * (low + high), high - low);
    // Halvings alone would take two steps for each of 53 bits.
    for _ in 0..120 {
        let (value, slope) = f(x);
        if value > 0.0 {
            high = x;
        } else {
            low = x;
        }
        let mut next = x - value / slope;
        if next < low || next > high || (next - x).abs() > 0.5 * last {
            next = 0.5 * (low + high);
        }
        last = (next - x).abs();
        x = next;
        if last <= settled {
            break;
        }
    }
    x
}
