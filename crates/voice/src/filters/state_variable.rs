//! State-variable filter, trapezoidal, without a delay in its loop.
//!
//! With g = tan πfc/fs the textbook form divides by 1 + 2Rg + g², and g is large near fs/2.
//! In G = g/(1+g) and q = 1 − G everything stays near 1: with d = 1 − 2Gq(1 − R), ½ to 1, and
//! h = G/d, band = s₁ + h(q(x − s₂) − (2Rq + G)s₁) and low = s₂ + h(G(x − s₂) + q s₁).
//!
//! | | |
//! |---|---|
//! | Source  | 1/(s² + 2Rs + 1): any handbook; trapezoidal with zero-delay feedback: Zavalishin, The art of VA filter design (from memory), rewritten as above |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs; R = 1 − resonance, resonance held to 1, where it rings for ever; Q = 1/(2R); band has gain Q at fc, notch is low + high; full scale = 1.0; latency 0 |
//! | float   | f32, compensated states; \|error\| ≤ 2^-24·40·M·(h₁ + h₂), M the largest signal, hᵢ the l1 norms of the responses from the inputs of the two states; one division per sample |
//! | fixed   | coefficients Q2.30, signals Q5.27, states Q7.57; \|error\| ≤ 2^-28·6·(h₁ + h₂) + 2^-32; reciprocal by 3 Newton steps (7 products); states saturate at ±16, samples at ±1; per sample 30 products of 32 bits or a little more |
//! | Usable  | float and fixed: 5 Hz to 0.45 fs |
//! | Checked | `tests/suite/filters.rs::state_variable_follows_its_closed_form_at_every_frequency` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::filters::{CUTOFF, Filter, FilterEntry, RESONANCE, Resonance, Span, Tuning};
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::prewarp::{self, HIGHEST};
use crate::wide;

/// How the bench finds this module.
pub const ENTRY: FilterEntry = FilterEntry {
    name: "state-variable",
    file: "filters/state_variable.rs",
    summary: "state-variable, trapezoidal",
    parameters: &[CUTOFF, RESONANCE, OUTPUT],
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

/// What is heard.
pub const OUTPUT: Parameter = Parameter::choice("output", &["low", "band", "high", "notch"]);

const ONE: f32 = 1_073_741_824.0;
/// A signal of 32, beyond every sample and still fit to be widened.
const LARGEST: i64 = 32 << 27;

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
        Ok(Self { span: Span::new(rate, HIGHEST), output, states: Default::default() })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        let input = wide::float::hold(input);
        let g = prewarp::float::trapezoidal(self.span.hold(tuning.cutoff));
        // The damping R is 1 − r.
        let r = tuning.resonance.bits().min(Resonance::EDGE.bits()) as f32 / ONE;
        let q = 1.0 - g;
        let h = g / (1.0 - 2.0 * g * q * r);
        let [s1, s2] = &mut self.states;
        let rest = input - s2.now();
        let step1 = h * (q * rest - (2.0 * (1.0 - r) * q + g) * s1.now());
        let step2 = h * (g * rest + q * s1.now());
        let band = s1.now() + step1;
        let low = s2.now() + step2;
        s1.add(2.0 * step1);
        s2.add(2.0 * step2);
        let high = input - 2.0 * (1.0 - r) * band - low;
        [low, band, high, low + high][self.output % 4]
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
        Ok(Self { span: Span::new(rate, HIGHEST), output, states: Default::default() })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{ONE, narrow, reciprocal, sample, signal, times, twice, widen};
        let input = signal(input);
        let g = prewarp::fixed::q30(prewarp::fixed::trapezoidal(self.span.hold(tuning.cutoff)));
        // Q: R = 1 − r, 2R is at most 2, all in Q2.30.
        let r = i64::from(tuning.resonance.bits().min(Resonance::EDGE.bits()));
        let q = ONE - g;
        let h = times(g, reciprocal(ONE - 2 * times(times(g, q), r)));
        let [s1, s2] = &mut self.states;
        let rest = input - s2.now();
        let damping = 2 * (ONE - r);
        // Q: sums below 17 + 32 and h < 1.21: steps below 60 in the format of the states.
        let step1 = h * (times(q, rest) - times(times(damping, q) + g, s1.now()));
        let step2 = h * (times(g, rest) + times(q, s1.now()));
        let band = s1.wide().saturating_add(step1);
        let low = s2.wide().saturating_add(step2);
        s1.add(twice(step1));
        s2.add(twice(step2));
        // Q: band below 64 times 2: damping goes in with 29 bits; high in the signal's format.
        let high = input - ((narrow(band) * (damping >> 1) + (1 << 28)) >> 29) - narrow(low);
        match self.output {
            0 => sample(low),
            1 => sample(band),
            2 => sample(widen(high.clamp(-LARGEST, LARGEST))),
            _ => sample(widen((narrow(low) + high).clamp(-LARGEST, LARGEST))),
        }
    }

    fn reset(&mut self) {
        self.states = Default::default();
    }
}
