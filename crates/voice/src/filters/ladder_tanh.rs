//! Four-pole transistor ladder with a tanh in every stage, solved without a delay in its loop.
//!
//! Each pole is dVᵢ/dt = ωc (tanh Vᵢ₋₁ − tanh Vᵢ), V₀ = x − k V₄. The trapezoidal rule gives four
//! equations Vᵢ = sᵢ + g (tanh Vᵢ₋₁ − tanh Vᵢ) per sample, coupled in a ring. Newton's method
//! solves them from the last solution: the matrix has a diagonal, one subdiagonal and one corner,
//! so each step is one pass down the poles and one back. Convergence from any state is sure only
//! while g is below about 1, so the cutoff is held to 0.225 of the inner rate; four steps then
//! leave less than 1e-3 at noise of full scale and full drive, 1e-7 at a waveform.
//!
//! | | |
//! |---|---|
//! | Source  | Huovilainen, DAFx-04, 61-64 (stages; from memory); trapezoidal rule and Newton's method: any textbook on numerics |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs (0.225 fs without oversampling); k = 4 × resonance, 0 to 8; sample × drive = voltage in units of 2Vt, and back; small signals as the linear ladder at the inner rate; latency 0, 31 or 35.5 samples |
//! | float   | f32, compensated states; tanh 2.9e-7 (see `tanh.rs`); \|error\| of small signals ≤ 2^-24·(40 + 24k)·M·h + 3e-7·(4 + k)·h, M the largest signal in the loop, h the l1 norm of the response from the loop input; 25 tanh and 20 divisions per inner sample |
//! | fixed   | coefficients Q2.30, g Q.34, signals and tanh Q5.27, states Q7.57; \|error\| of small signals ≤ (2^-28·(20 + 16k) + 3e-7·(4 + k))·h; 25 tanh and 20 reciprocals (7 products each) per inner sample; loop input, solutions and states saturate at ±16, samples at ±1 |
//! | Usable  | float and fixed: 5 Hz to 0.225 of the inner rate; resonance beyond 1 gives stable oscillation |
//! | Checked | `tests/suite/filters.rs::tanh_ladder_oscillates_as_its_differential_equation_says` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::filters::{CUTOFF, Filter, FilterEntry, RESONANCE, Resonance, Span, Tuning};
use crate::halfband::{self, INNER, OUTER};
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::prewarp::{self, HIGHEST};
use crate::taps::{self, COMPENSATION, OUTPUT};
use crate::{tanh, wide};

/// Factor from sample to voltage, and its inverse at the output.
pub const DRIVE: Parameter = Parameter::number("drive", "times", 0.5, 8.0, 1.0);
/// Inner samples per sample.
pub const OVERSAMPLING: Parameter = Parameter::choice("oversampling", &["1x", "2x", "4x"]);

/// Largest cutoff in cycles per inner sample.
const HIGHEST_INSIDE: f64 = 0.225;
/// Newton steps per inner sample.
const STEPS: usize = 4;

fn highest(values: &Values<'_>) -> Result<f64, RangeError> {
    Ok(if values.choice(&OVERSAMPLING)? == 0 { HIGHEST_INSIDE } else { HIGHEST })
}

/// How the bench finds this module.
pub const ENTRY: FilterEntry = FilterEntry {
    name: "ladder-tanh",
    file: "filters/ladder_tanh.rs",
    summary: "four-pole ladder with tanh in every stage, trapezoidal, oversampled",
    parameters: &[CUTOFF, RESONANCE, OUTPUT, COMPENSATION, DRIVE, OVERSAMPLING],
    latency_samples: |values| {
        let outer = halfband::latency_samples(OUTER.len());
        let inner = halfband::latency_samples(INNER.len()) / 2.0;
        Ok([0.0, outer, outer + inner][values.choice(&OVERSAMPLING)? % 3])
    },
    highest_cutoff: highest,
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, values)?);
        Ok(())
    },
    fixed: |rate, values, lend| {
        lend(&mut Fixed::new(rate, values)?);
        Ok(())
    },
};

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    span: Span,
    drive: f32,
    doublings: usize,
    outer: halfband::float::Halfband<16>,
    inner: halfband::float::Halfband<5>,
    core: FloatCore,
}

#[derive(Clone, Debug)]
struct FloatCore {
    taps: taps::Float,
    voltages: [f32; 4],
    states: [wide::float::State; 4],
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let taps = taps::Float::new(values)?;
        Ok(Self {
            span: Span::new(rate, highest(values)?),
            drive: values.of(&DRIVE)? as f32,
            doublings: values.choice(&OVERSAMPLING)?,
            outer: halfband::float::Halfband::new(&OUTER),
            inner: halfband::float::Halfband::new(&INNER),
            core: FloatCore { taps, voltages: [0.0; 4], states: Default::default() },
        })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        let half = prewarp::float::trapezoidal(self.span.hold(tuning.cutoff) >> self.doublings);
        let g = half / (1.0 - half);
        let k = taps::Float::gain(tuning.resonance);
        let Self { outer, inner, core, .. } = self;
        let mut run = |x| core.tick(x, g, k);
        let x = wide::float::hold(input) * self.drive;
        let y = match self.doublings {
            0 => run(x),
            1 => {
                let halves = outer.up(x).map(run);
                outer.down(halves)
            }
            _ => {
                let halves = outer.up(x).map(|half| {
                    let quarters = inner.up(half).map(&mut run);
                    inner.down(quarters)
                });
                outer.down(halves)
            }
        };
        y / self.drive
    }

    fn reset(&mut self) {
        self.outer.reset();
        self.inner.reset();
        self.core.voltages = Default::default();
        self.core.states = Default::default();
    }
}

impl FloatCore {
    #[inline]
    fn tick(&mut self, input: f32, g: f32, k: f32) -> f32 {
        use wide::float::hold;
        let x = hold(self.taps.feed(input, k));
        let s = self.states.map(wide::float::State::now);
        let mut v = self.voltages;
        for _ in 0..STEPS {
            let (flow, slope) = flows(x - k * v[3], &v);
            // A correction is a + b·(correction of V₄): a from the residue, b round the corner.
            let (mut a, mut b) = ([0.0; 4], [0.0; 4]);
            let (mut above, mut corner) = (0.0, -g * k * slope[0]);
            for i in 0..4 {
                let inverse = 1.0 / (1.0 + g * slope[i + 1]);
                a[i] = (s[i] + g * flow[i] - v[i] + above) * inverse;
                b[i] = corner * inverse;
                above = g * slope[i + 1] * a[i];
                corner = g * slope[i + 1] * b[i];
            }
            let last = a[3] / (1.0 - b[3]);
            for i in 0..4 {
                v[i] = hold(v[i] + a[i] + b[i] * last);
            }
        }
        self.voltages = v;
        let first = x - k * v[3];
        let (flow, _) = flows(first, &v);
        let mut y = [hold(first); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            let step = g * flow[i];
            y[i + 1] = state.now() + step;
            state.add(2.0 * step);
        }
        self.taps.mix(y)
    }
}

/// tanh Vᵢ₋₁ − tanh Vᵢ into every pole, and the slopes 1 − tanh² at V₀ to V₄.
#[inline(always)]
fn flows(first: f32, v: &[f32; 4]) -> ([f32; 4], [f32; 5]) {
    let t = [first, v[0], v[1], v[2], v[3]].map(tanh::float);
    ([t[0] - t[1], t[1] - t[2], t[2] - t[3], t[3] - t[4]], t.map(|t| 1.0 - t * t))
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    span: Span,
    drive: i64,
    level: i64,
    doublings: usize,
    outer: halfband::fixed::Halfband<16>,
    inner: halfband::fixed::Halfband<5>,
    core: FixedCore,
}

#[derive(Clone, Debug)]
struct FixedCore {
    taps: taps::Fixed,
    voltages: [i64; 4],
    states: [wide::fixed::State; 4],
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let taps = taps::Fixed::new(values)?;
        let drive = values.of(&DRIVE)?;
        Ok(Self {
            span: Span::new(rate, highest(values)?),
            drive: wide::fixed::coefficient(drive),
            level: wide::fixed::coefficient(1.0 / drive),
            doublings: values.choice(&OVERSAMPLING)?,
            outer: halfband::fixed::Halfband::new(&OUTER),
            inner: halfband::fixed::Halfband::new(&INNER),
            core: FixedCore { taps, voltages: [0; 4], states: Default::default() },
        })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{ONE, reciprocal, sample, signal, times};
        let half = prewarp::fixed::trapezoidal(self.span.hold(tuning.cutoff) >> self.doublings);
        // Q: half < 0.47 in Q.34, its product with a reciprocal below 2 needs 28 bits of that.
        let inverse = reciprocal(ONE - prewarp::fixed::q30(half)) >> 2;
        let g = (half * inverse + (1 << 27)) >> 28;
        let Self { outer, inner, core, .. } = self;
        let mut run = |x| core.tick(x, g, tuning.resonance);
        // Q: drive ≤ 8 in Q.30 times a sample ≤ 1 in Q.27.
        let x = times(self.drive, signal(input));
        let y = match self.doublings {
            0 => run(x),
            1 => {
                let halves = outer.up(x).map(run);
                outer.down(halves)
            }
            _ => {
                let halves = outer.up(x).map(|half| {
                    let quarters = inner.up(half).map(&mut run);
                    inner.down(quarters)
                });
                outer.down(halves)
            }
        };
        // Q: level ≤ 2 in Q.30 times |y| ≤ 16 · 1.7 in Q.27: below 64 in the states' format.
        sample(self.level * y)
    }

    fn reset(&mut self) {
        self.outer.reset();
        self.inner.reset();
        self.core.voltages = Default::default();
        self.core.states = Default::default();
    }
}

impl FixedCore {
    /// Signals in Q5.27, g in Q.34.
    #[inline]
    fn tick(&mut self, input: i64, g: i64, resonance: Resonance) -> i64 {
        use wide::fixed::{ONE, State, hold, narrow, reciprocal, times, twice, widen};
        let k = |value| taps::Fixed::feedback(resonance, value);
        let x = hold(self.taps.feed(input, resonance));
        let s = self.states.map(State::now);
        let mut v = self.voltages;
        let g30 = prewarp::fixed::q30(g);
        for _ in 0..STEPS {
            let (flow, slope) = flows_fixed(x - k(v[3]), &v);
            // Q: a as a signal, held to ±16 as no better solution is further; b in Q.27,
            // below 7: every product below 2^62.
            let (mut a, mut b) = ([0; 4], [0; 4]);
            let (mut above, mut corner) = (0, -(times(k(g30), slope[0]) >> 3));
            for i in 0..4 {
                let pull = times(g30, slope[i + 1]);
                let inverse = reciprocal(ONE + pull);
                a[i] = hold(times(inverse, s[i] + step(g, flow[i]) - v[i] + above));
                b[i] = times(inverse, corner);
                above = times(pull, a[i]);
                corner = times(pull, b[i]);
            }
            let last = times(reciprocal(ONE - (b[3] << 3)), a[3]);
            for i in 0..4 {
                v[i] = hold(v[i] + a[i] + ((b[i] * last) >> 27));
            }
        }
        self.voltages = v;
        let first = x - k(v[3]);
        let (flow, _) = flows_fixed(first, &v);
        let mut y = [widen(hold(first)); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            // Q: g < 0.86 in Q.34 times a flow ≤ 2 in Q.27: below 2^62, Q.61 down to the state.
            let step = (g * flow[i]) >> 4;
            y[i + 1] = state.wide() + step;
            state.add(twice(step));
        }
        let weights = self.taps.weights().iter().zip(y);
        hold(weights.map(|(weight, tap)| weight * narrow(tap)).sum())
    }
}

/// g times a flow, as a signal.
#[inline(always)]
fn step(g: i64, flow: i64) -> i64 {
    (g * flow + (1 << 33)) >> 34
}

/// Flows in Q.27 and slopes in Q.30.
#[inline(always)]
fn flows_fixed(first: i64, v: &[i64; 4]) -> ([i64; 4], [i64; 5]) {
    let t = [first, v[0], v[1], v[2], v[3]].map(tanh::fixed);
    let slopes = t.map(|t| wide::fixed::ONE - ((t * t) >> 24));
    ([t[0] - t[1], t[1] - t[2], t[2] - t[3], t[3] - t[4]], slopes)
}
