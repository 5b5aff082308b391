//! Four-pole ladder with a unit delay in its loop, tuned by the published compensation.
//!
//! A zero in each pole gives back part of the phase that the delay takes; polynomials in
//! w = 2πfc/fs for the pole and for the loop gain take care of the rest. At 44.1 kHz, 20 Hz to
//! 10 kHz, the oscillation is −18.3 to +14.7 cents off, and its threshold −0.28 to +0.10 %.
//!
//! | | |
//! |---|---|
//! | Source  | Välimäki and Huovilainen, Computer Music J. 30(2):19-31, 2006 (from memory; 0.0926, not 0.926, is confirmed by the threshold) |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs; k = 4 × resonance × polynomial, held to 8; full scale = 1.0; latency 0 (its delay is in the loop); H(z) = B⁴/(1 + k z⁻¹B⁴), B = g(1 + 0.3z⁻¹)/1.3/(1 − (1−g)z⁻¹) |
//! | float   | f32, compensated states; \|error\| ≤ 2^-24·(28 + 8k)·M·h, M the largest signal in the loop, h the l1 norm of the response from the loop input, 1 at k = 0; no division |
//! | fixed   | coefficients Q2.30, signals Q5.27, states Q7.57; \|error\| ≤ 2^-28·(4·Σ hᵢ + (2 + 7k)·h) + 2^-32, hᵢ the l1 norm of the response from the input of pole i; loop input and states saturate at ±16, samples at ±1; per sample 26 products of 32 bits or a little more |
//! | Usable  | float and fixed: 5 Hz to 0.23 fs, where the figures above end; above it drifts, +60 cents at 0.36 fs |
//! | Checked | `tests/suite/filters.rs::compensated_ladder_stays_in_its_published_band` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::filters::{CUTOFF, Filter, FilterEntry, RESONANCE, Resonance, Span, Tuning};
use crate::parameter::Values;
use crate::phase::Rate;
use crate::prewarp::HIGHEST;
use crate::taps::{self, COMPENSATION, OUTPUT};
use crate::wide;
use crate::wide::fixed::coefficient;

/// How the bench finds this module.
pub const ENTRY: FilterEntry = FilterEntry {
    name: "ladder-delay",
    file: "filters/ladder_delay.rs",
    summary: "four-pole ladder with a unit delay, compensated",
    parameters: &[CUTOFF, RESONANCE, OUTPUT, COMPENSATION],
    latency_samples: |_| Ok(0.0),
    highest_cutoff: |_| Ok(HIGHEST),
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, values)?);
        Ok(())
    },
    fixed: |rate, values, lend| {
        lend(&mut Fixed::new(rate, values)?);
        Ok(())
    },
};

/// g / w, from w^0 up.
#[expect(clippy::approx_constant, reason = "published, and only near log10 e")]
pub const POLE: [f64; 4] = [0.9892, -0.4342, 0.1381, -0.0202];
/// k / 4r, from w^0 up.
pub const LOOP: [f64; 4] = [1.0029, 0.0526, -0.0926, 0.0218];
/// Weights of the zero: (1 + 0.3 z⁻¹) / 1.3.
const NOW: f64 = 1.0 / 1.3;
const BEFORE: f64 = 0.3 / 1.3;
const NOW_Q30: i64 = coefficient(NOW);
const BEFORE_Q30: i64 = coefficient(BEFORE);
const CYCLE: f32 = 4_294_967_296.0;
/// 2π in Q.29.
const TAU: i64 = coefficient(core::f64::consts::PI);

const fn rounded(fit: [f64; 4]) -> [i64; 4] {
    let [a, b, c, d] = fit;
    [coefficient(a), coefficient(b), coefficient(c), coefficient(d)]
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    span: Span,
    taps: taps::Float,
    states: [wide::float::State; 4],
    last: [f32; 4],
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let taps = taps::Float::new(values)?;
        let (states, last) = Default::default();
        Ok(Self { span: Span::new(rate, HIGHEST), taps, states, last })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        use wide::float::hold;
        let w = self.span.hold(tuning.cutoff) as f32 * (core::f32::consts::TAU / CYCLE);
        let fit = |c: &[f64; 4]| c.iter().rev().fold(0.0, |sum, &c| sum * w + c as f32);
        let g = w * fit(&POLE);
        let k = (taps::Float::gain(tuning.resonance) * fit(&LOOP)).min(8.0);
        let mut y = [hold(self.taps.feed(hold(input), k) - k * self.states[3].now()); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            let fed = NOW as f32 * y[i] + BEFORE as f32 * self.last[i];
            self.last[i] = y[i];
            state.add(g * (fed - state.now()));
            y[i + 1] = state.now();
        }
        self.taps.mix(y)
    }

    fn reset(&mut self) {
        self.states = Default::default();
        self.last = Default::default();
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    span: Span,
    taps: taps::Fixed,
    states: [wide::fixed::State; 4],
    last: [i64; 4],
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let taps = taps::Fixed::new(values)?;
        let (states, last) = Default::default();
        Ok(Self { span: Span::new(rate, HIGHEST), taps, states, last })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{hold, mix, narrow, signal, times, widen};
        const FITS: [[i64; 4]; 2] = [rounded(POLE), rounded(LOOP)];
        // Q: w in Q.32 keeps 5 Hz accurate; w < 2.83 and g < 1.17, products below 2^62.3.
        let w = (i64::from(self.span.hold(tuning.cutoff)) * TAU) >> 29;
        let fit = |c: &[i64; 4]| c.iter().rev().fold(0, |sum, &c| times(w >> 2, sum) + c);
        let g = (w * fit(&FITS[0]) + (1 << 31)) >> 32;
        // Q: resonance below 2 times a fit below 1.1 stays within Q2.30.
        let r = times(i64::from(tuning.resonance.bits()), fit(&FITS[1]));
        let r = Resonance::saturating_from_bits(r.min(i64::from(i32::MAX)) as i32);
        let back = taps::Fixed::feedback(r, self.states[3].now());
        let mut y = [widen(hold(self.taps.feed(signal(input), r) - back)); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            let now = narrow(y[i]);
            let fed = times(NOW_Q30, now) + times(BEFORE_Q30, self.last[i]);
            self.last[i] = now;
            // Q: |difference| ≤ 32 and g < 1.17: a step below 38 in the format of the states.
            state.add(g * (fed - state.now()));
            y[i + 1] = state.wide();
        }
        mix(self.taps.weights(), &y)
    }

    fn reset(&mut self) {
        self.states = Default::default();
        self.last = Default::default();
    }
}
