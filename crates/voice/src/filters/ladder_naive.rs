//! Four-pole ladder with a whole sample of delay in its loop: kept to show what that costs.
//!
//! The delay turns the phase further, so the loop oscillates above the cutoff and needs more
//! gain for it: at 48 kHz +11.4 cents and k = 4.053 at 100 Hz, +116.0 cents and 4.579 at 1 kHz,
//! +664.4 cents and 8.551 (out of reach) at 5 kHz; at 10 kHz it never does.
//!
//! | | |
//! |---|---|
//! | Source  | yᵢ += g(yᵢ₋₁ − yᵢ), u = x − k y₄ of the sample before, g = 1 − exp(−2πfc/fs); discussed in Stilson and Smith, ICMC 1996, 398-401 |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs; k = 4 × resonance, 0 to 8; full scale = 1.0; latency 0 (its delay is in the loop); H(z) = B⁴/(1 + k z⁻¹B⁴), B = g/(1 − (1−g)z⁻¹) |
//! | float   | f32, compensated states; \|error\| ≤ 2^-24·(16 + 4k)·M·h, M the largest signal in the loop, h the l1 norm of the response from the loop input, 1 at k = 0; no division |
//! | fixed   | coefficients Q2.30, signals Q5.27, states Q7.57; \|error\| ≤ 2^-28·(2·Σ hᵢ + (2 + 5k)·h) + 2^-32, hᵢ the l1 norm of the response from the input of pole i; loop input and states saturate at ±16, samples at ±1; per sample 16 products of 32 bits or a little more |
//! | Usable  | float and fixed: 5 Hz to fs/100, where it is 50 cents sharp; above it is off by what the first lines say |
//! | Checked | `tests/suite/filters.rs::naive_ladder_shows_its_published_errors` |

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
    name: "ladder-naive",
    file: "filters/ladder_naive.rs",
    summary: "four-pole ladder with a unit delay in its loop, to show its errors",
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
        let g = prewarp::float::decay(self.span.hold(tuning.cutoff));
        let k = taps::Float::gain(tuning.resonance);
        let mut y = [hold(self.taps.feed(hold(input), k) - k * self.states[3].now()); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            state.add(g * (y[i] - state.now()));
            y[i + 1] = state.now();
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
        use wide::fixed::{hold, mix, narrow, signal, widen};
        let g = prewarp::fixed::q30(prewarp::fixed::decay(self.span.hold(tuning.cutoff)));
        let back = taps::Fixed::feedback(tuning.resonance, self.states[3].now());
        let u = hold(self.taps.feed(signal(input), tuning.resonance) - back);
        let mut y = [widen(u); 5];
        for (i, state) in self.states.iter_mut().enumerate() {
            // Q: |difference| ≤ 32 and g < 1: a step below 32 in the format of the states.
            state.add(g * (narrow(y[i]) - state.now()));
            y[i + 1] = state.wide();
        }
        mix(self.taps.weights(), &y)
    }

    fn reset(&mut self) {
        self.states = Default::default();
    }
}
