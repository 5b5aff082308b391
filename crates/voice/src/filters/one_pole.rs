//! One-pole low- and high-pass, trapezoidal.
//!
//! | | |
//! |---|---|
//! | Source  | H(s) = 1/(1+s) and s/(1+s), s = j tan(πf/fs)/tan(πfc/fs); any textbook on the bilinear transform |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs, −3.01 dB there; resonance is not heard; full scale = 1.0; latency 0 |
//! | float   | f32, compensated state; \|error\| ≤ 2^-24·8·M, M the largest of input and state |
//! | fixed   | coefficient Q2.30, signals Q5.27, state Q7.57; \|error\| ≤ 2^-28·2·max(1, 2G) + 2^-32, 2G < 1.73: rounding of the input and of the state; dead band ½ of 2^-27 |
//! | Usable  | float and fixed: 5 Hz to 0.45 fs |
//! | Checked | `tests/suite/filters.rs::first_order_filters_follow_their_closed_forms` |

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::filters::{CUTOFF, Filter, FilterEntry, Span, Tuning};
use crate::parameter::{Parameter, Values};
use crate::phase::Rate;
use crate::prewarp::{self, HIGHEST};
use crate::wide;

/// How the bench finds this module.
pub const ENTRY: FilterEntry = FilterEntry {
    name: "one-pole",
    file: "filters/one_pole.rs",
    summary: "one-pole low- and high-pass",
    parameters: &[CUTOFF, OUTPUT],
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

/// Which side of the cutoff is heard.
pub const OUTPUT: Parameter = Parameter::choice("output", &["low", "high"]);

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    span: Span,
    high: bool,
    state: wide::float::State,
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let high = values.choice(&OUTPUT)? == 1;
        Ok(Self { span: Span::new(rate, HIGHEST), high, state: Default::default() })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        let input = wide::float::hold(input);
        let g = prewarp::float::trapezoidal(self.span.hold(tuning.cutoff));
        let step = g * (input - self.state.now());
        let low = self.state.now() + step;
        self.state.add(2.0 * step);
        if self.high { input - low } else { low }
    }

    fn reset(&mut self) {
        self.state = Default::default();
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    span: Span,
    high: bool,
    state: wide::fixed::State,
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(rate: Rate, values: &Values<'_>) -> Result<Self, RangeError> {
        let high = values.choice(&OUTPUT)? == 1;
        Ok(Self { span: Span::new(rate, HIGHEST), high, state: Default::default() })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{sample, signal, twice, widen};
        let input = signal(input);
        let g = prewarp::fixed::q30(prewarp::fixed::trapezoidal(self.span.hold(tuning.cutoff)));
        // Q: |difference| ≤ 17, g < 0.87: exact, below 15 in the format of the state.
        let step = g * (input - self.state.now());
        let low = self.state.wide() + step;
        self.state.add(twice(step));
        sample(if self.high { widen(input) - low } else { low })
    }

    fn reset(&mut self) {
        self.state = Default::default();
    }
}
