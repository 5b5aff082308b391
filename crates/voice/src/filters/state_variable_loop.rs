//! State-variable filter, the classic loop of two integrators.
//!
//! | | |
//! |---|---|
//! | Source  | low += f band; high = x − low − q band; band += f high, f = 2 sin(πfc/fs), q = 2R: Chamberlin, Musical applications of microprocessors, 1980 (from memory) |
//! | Units   | cutoff 2^-32 cycle per sample from 5 Hz; R = 1 − resonance, resonance held to 1; denominator 1 − (2 − fq − f²)z⁻¹ + (1 − fq)z⁻²; full scale = 1.0; latency 0 |
//! | float   | f32, compensated states; \|error\| ≤ 2^-24·M·(9h₁ + 2h₂ + 4), M the largest signal, hᵢ the l1 norms of the responses from the inputs of the two states; no division |
//! | fixed   | coefficients Q2.30, signals Q5.27, states Q7.57; \|error\| ≤ 2^-28·3·(h₁ + h₂) + 2^-32; states and high saturate at ±16, samples at ±1; per sample 11 products of 32 bits or a little more |
//! | Usable  | float and fixed: stable while f² + 2qf < 4; f is held to 1.4 − 0.293 q, inside of that: fc to 0.131 fs without resonance, 0.246 fs at full |
//! | Checked | `tests/suite/filters.rs::state_variable_loop_follows_its_difference_equation` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::filters::{CUTOFF, Filter, FilterEntry, RESONANCE, Resonance, Span, Tuning};
use crate::oscillators::sine::MINIMAX;
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::wide;
use crate::wide::fixed::coefficient;

/// How the bench finds this module.
pub const ENTRY: FilterEntry = FilterEntry {
    name: "state-variable-loop",
    file: "filters/state_variable_loop.rs",
    summary: "state-variable, loop of two integrators",
    parameters: &[CUTOFF, RESONANCE, OUTPUT],
    latency_samples: |_| Ok(0.0),
    highest_cutoff: |_| Ok(QUARTER),
    float: |rate, values, lend| {
        lend(&mut Float::new(rate, values)?);
        Ok(())
    },
    fixed: |rate, values, lend| {
        lend(&mut Fixed::new(rate, values)?);
        Ok(())
    },
};

/// What is heard.
pub const OUTPUT: Parameter = Parameter::choice("output", &["low", "band", "high", "notch"]);

const ONE: f32 = 1_073_741_824.0;
/// fs/4, where f = √2; above it no damping is stable.
const QUARTER: f64 = 0.25;
/// f < √(q² + 4) − q is stable; this tangent at q = 2, moved inside by 0.014, lies below it.
const STABLE: f64 = 1.4;
const SLOPE: f64 = 0.293;
const LIMIT: i64 = coefficient(STABLE);
const SLOPE_Q30: i64 = coefficient(SLOPE);
const SINE: [i64; 5] = {
    let mut c = [0; 5];
    let mut i = 0;
    while i < 5 {
        c[i] = coefficient(MINIMAX[i]);
        i += 1;
    }
    c
};

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    span: Span,
    output: usize,
    states: [wide::float::State; 2],
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let output = values.choice(&OUTPUT)?;
        Ok(Self { span: Span::new(rate, QUARTER), output, states: Default::default() })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        use wide::float::hold;
        let input = hold(input);
        let r = tuning.resonance.bits().min(Resonance::EDGE.bits()) as f32 / ONE;
        let q = 2.0 - 2.0 * r;
        // The sine of the oscillator takes quarters of a cycle, the cutoff is half of one.
        let x = self.span.hold(tuning.cutoff) as f32 * (1.0 / 2_147_483_648.0);
        let square = x * x;
        let sine = x * MINIMAX.iter().rev().fold(0.0, |sum, &c| sum * square + c as f32);
        let f = (2.0 * sine).min(STABLE as f32 - SLOPE as f32 * q);
        let [band, low] = &mut self.states;
        low.add(f * band.now());
        let high = hold(input - low.now() - q * band.now());
        band.add(f * high);
        [low.now(), band.now(), high, low.now() + high][self.output % 4]
    }

    fn reset(&mut self) {
        self.states = Default::default();
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    span: Span,
    output: usize,
    states: [wide::fixed::State; 2],
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let output = values.choice(&OUTPUT)?;
        Ok(Self { span: Span::new(rate, QUARTER), output, states: Default::default() })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{ONE, hold, sample, signal, times, widen};
        let input = signal(input);
        let r = i64::from(tuning.resonance.bits().min(Resonance::EDGE.bits()));
        let q = 2 * (ONE - r);
        // Q: x in Q.31, squares and sums in Q.30; the last product keeps the small ones exact.
        let x = i64::from(self.span.hold(tuning.cutoff));
        let square = (x * x) >> 32;
        let sine = x * SINE.iter().rev().fold(0, |sum, &c| times(sum, square) + c);
        // Q: Q.61 doubled and rounded to Q.30.
        let f = ((sine + (1 << 29)) >> 30).min(LIMIT - times(SLOPE_Q30, q));
        let [band, low] = &mut self.states;
        // Q: f ≤ 1.4 and q ≤ 2 with signals of 16: below 64.
        low.add(f * band.now());
        let high = hold(input - low.now() - times(q, band.now()));
        band.add(f * high);
        match self.output {
            0 => sample(low.wide()),
            1 => sample(band.wide()),
            2 => sample(widen(high)),
            _ => sample(low.wide() + widen(high)),
        }
    }

    fn reset(&mut self) {
        self.states = Default::default();
    }
}
