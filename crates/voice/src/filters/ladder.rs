//! Four-pole transistor ladder, linear, trapezoidal, without a delay in its loop.
//!
//! | | |
//! |---|---|
//! | Source  | H(s) = 1/((1+s)⁴ + k): Stilson and Smith, ICMC 1996, 398-401; trapezoidal with zero-delay feedback: Zavalishin, The art of VA filter design (from memory) |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs; k = 4 × resonance, 0 to 8; full scale = 1.0; latency 0; H_d(f) = H(tan πf/fs / tan πfc/fs), cutoff and threshold k = 4 exact |
//! | float   | f32, compensated states; each sum rounds by 2^-24 of its largest term: \|error\| ≤ 2^-24·(24 + 20k)·M·h, M the largest signal in the loop, h the l1 norm of the response from the loop input, 1 at k = 0; one division per sample |
//! | fixed   | coefficients Q2.30, signals Q5.27, states Q7.57; \|error\| ≤ 2^-28·(2·Σ hᵢ + (2 + 9k)·h) + W·2^-32, hᵢ the l1 norm of the response from the input of pole i, W the sum of the output's weights; reciprocal by 3 Newton steps (7 products); loop input and states saturate at ±16, samples at ±1; per sample 35 products of 32 bits or a little more |
//! | Usable  | float and fixed: 5 Hz to 0.45 fs; beyond k = 4 it swings between the limits of ±16 |
//! | Checked | `tests/suite/filters.rs::ladder_follows_its_closed_form_at_every_frequency` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::filters::{CUTOFF, Filter, FilterEntry, RESONANCE, Span, Tuning};
use crate::parameter::Values;
use crate::phase::Rate;
use crate::prewarp::{self, HIGHEST};
use crate::taps::{self, COMPENSATION, OUTPUT};
use crate::wide;

/// How the bench finds this module.
pub const ENTRY: FilterEntry = FilterEntry {
    name: "ladder",
    file: "filters/ladder.rs",
    summary: "four-pole ladder, linear, trapezoidal",
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

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    span: Span,
    taps: taps::Float,
    states: [wide::float::State; 4],
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let taps = taps::Float::new(values)?;
        Ok(Self { span: Span::new(rate, HIGHEST), taps, states: Default::default() })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        use wide::float::hold;
        let g = prewarp::float::trapezoidal(self.span.hold(tuning.cutoff));
        let k = taps::Float::gain(tuning.resonance);
        // y₄ = g⁴ u + sum: what the states alone would give, and what the loop input adds.
        let held = self.states.iter().fold(0.0, |sum, state| sum * g + state.now());
        let sum = held * (1.0 - g);
        let square = g * g;
        let solved = 1.0 / (1.0 + k * (square * square));
        let u = hold((self.taps.feed(hold(input), k) - k * sum) * solved);
        let mut y = [u; 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            let step = g * (y[i] - state.now());
            y[i + 1] = state.now() + step;
            state.add(2.0 * step);
        }
        self.taps.mix(y)
    }

    fn reset(&mut self) {
        self.states = Default::default();
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    span: Span,
    taps: taps::Fixed,
    states: [wide::fixed::State; 4],
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let taps = taps::Fixed::new(values)?;
        Ok(Self { span: Span::new(rate, HIGHEST), taps, states: Default::default() })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{ONE, hold, mix, narrow, reciprocal, signal, times, twice, widen};
        let g = prewarp::fixed::q30(prewarp::fixed::trapezoidal(self.span.hold(tuning.cutoff)));
        let k = |value| taps::Fixed::feedback(tuning.resonance, value);
        // Q: |held| ≤ 16 (1 + g + g² + g³) < 53, |sum| ≤ 16: every product below 64.
        let held = self.states.iter().fold(0, |sum, state| times(g, sum) + state.now());
        let sum = times(ONE - g, held);
        let square = times(g, g);
        let solved = reciprocal(ONE + k(times(square, square)));
        // Q: |feed| ≤ 9, |k sum| ≤ 128: below 2^34.2, so the reciprocal goes in with 28 bits.
        let fed = self.taps.feed(signal(input), tuning.resonance) - k(sum);
        let u = hold((fed * (solved >> 2) + (1 << 27)) >> 28);
        let mut y = [widen(u); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            // Q: |difference| ≤ 32 and g < 0.87: a step below 28 in the format of the states.
            let step = g * (narrow(y[i]) - state.now());
            y[i + 1] = state.wide() + step;
            state.add(twice(step));
        }
        mix(self.taps.weights(), &y)
    }

    fn reset(&mut self) {
        self.states = Default::default();
    }
}
