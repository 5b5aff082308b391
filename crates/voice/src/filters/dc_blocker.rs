//! DC blocker: a difference and a leaky sum.
//!
//! | | |
//! |---|---|
//! | Source  | y\[n\] = x\[n\] − x\[n−1\] + (1 − 2G) y\[n−1\]: Yates and Lyons, IEEE Signal Process. Mag. 25(2):132-134, 2008 (from memory), which also keeps the fraction that rounding drops; G = tan(πfc/fs)/(1 + tan(πfc/fs)) puts the −3.01 dB point, re the gain at fs/2, at fc |
//! | Units   | cutoff 2^-32 cycle per sample, 5 Hz to 0.45 fs; resonance is not heard; gain at fs/2 is 1/(1 − G); full scale = 1.0; latency 0 |
//! | float   | f32, compensated state; \|error\| ≤ 2^-24·8·M·(1 + g), M the largest of input and state, g = tan(πfc/fs) |
//! | fixed   | coefficient Q2.30, signals Q5.27, state Q7.57; \|error\| ≤ 2^-28·(1 + max(1, g)) + 2^-28·max(1, g) + 2^-32; no constant above 2^-28 is left |
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
    name: "dc-blocker",
    file: "filters/dc_blocker.rs",
    summary: "one-pole high-pass with its zero at 0 Hz exactly",
    parameters: &[Parameter { default: 10.0, ..CUTOFF }],
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
    last: f32,
    state: wide::float::State,
}

impl Float {
    /// Starts empty.
    ///
    /// # Errors
    /// None: there is no parameter to refuse.
    pub fn new(rate: Rate, _: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { span: Span::new(rate, HIGHEST), last: 0.0, state: Default::default() })
    }
}

impl Filter<f32> for Float {
    #[inline]
    fn tick(&mut self, input: f32, tuning: &Tuning) -> f32 {
        let input = wide::float::hold(input);
        let g = prewarp::float::trapezoidal(self.span.hold(tuning.cutoff));
        let leak = 2.0 * g * self.state.now();
        self.state.add(input - self.last);
        self.state.add(-leak);
        self.last = input;
        self.state.now()
    }

    fn reset(&mut self) {
        self.last = Default::default();
        self.state = Default::default();
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    span: Span,
    last: i64,
    state: wide::fixed::State,
}

impl Fixed {
    /// Starts empty.
    ///
    /// # Errors
    /// None: there is no parameter to refuse.
    pub fn new(rate: Rate, _: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self { span: Span::new(rate, HIGHEST), last: 0, state: Default::default() })
    }
}

impl Filter<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, input: I1F31, tuning: &Tuning) -> I1F31 {
        use wide::fixed::{sample, signal, twice, widen};
        let input = signal(input);
        let g = prewarp::fixed::q30(prewarp::fixed::trapezoidal(self.span.hold(tuning.cutoff)));
        // Q: |state| ≤ 16: a leak below 28.
        let leak = twice(g * self.state.now());
        self.state.add(widen(input - self.last));
        self.state.add(-leak);
        self.last = input;
        sample(self.state.wide())
    }

    fn reset(&mut self) {
        self.last = Default::default();
        self.state = Default::default();
    }
}
