//! Filters: ladders, state-variable and first order.
//!
//! A module is one file and one line in [`ENTRIES`].
//!
//! All of them take the same tuning, per sample: a cutoff and a resonance. States are wider than
//! samples (see [`crate::wide`]) and saturate at 16 times full scale; the fixed twins saturate
//! once more at the output, at full scale. An input that is no number counts as 0.

use fixed::types::I1F31;

use crate::error::RangeError;
use crate::parameter::{Parameter, Values};
use crate::phase::{Increment, Rate};

pub mod dc_blocker;
pub mod ladder;
pub mod ladder_delay;
pub mod ladder_naive;
pub mod ladder_tanh;
pub mod one_pole;
pub mod state_variable;
pub mod state_variable_loop;

/// Cutoff; modules hold it inside their range, 0.45 of the rate where their header says no less.
pub const CUTOFF: Parameter =
    Parameter::number("cutoff", "Hz (up to 0.45 of the rate)", 5.0, 86_400.0, 1_000.0);
/// Resonance, where 1 is the edge of self-oscillation.
pub const RESONANCE: Parameter =
    Parameter::number("resonance", "of self-oscillation", 0.0, 1.999_999_999, 0.0);

/// Resonance in Q2.30: 0 none, 1 the edge of self-oscillation; up to just under 2.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Resonance(i32);

impl Resonance {
    /// The edge of self-oscillation.
    pub const EDGE: Self = Self(1 << 30);

    /// The nearest step to a figure; one step of 2^-30 is 9.3e-10.
    ///
    /// # Errors
    /// `resonance` outside 0 to 1.999999999, or not a number.
    pub fn new(resonance: f64) -> Result<Self, RangeError> {
        let bits = RESONANCE.check(resonance)? * f64::from(Self::EDGE.0);
        Ok(Self(crate::math::rint(bits) as i32))
    }

    /// Takes the raw Q2.30 integer; negative values become 0.
    pub const fn saturating_from_bits(bits: i32) -> Self {
        Self(if bits < 0 { 0 } else { bits })
    }

    /// The raw Q2.30 integer.
    #[inline(always)]
    pub const fn bits(self) -> i32 {
        self.0
    }
}

/// What a filter is told for one sample: where it cuts, and how much it feeds back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tuning {
    /// Cutoff as an increment, as the pitch law gives it: fc / fs in 2^-32. Held inside each
    /// module's range, 5 Hz to 0.45 fs where its header says nothing else.
    pub cutoff: Increment,
    /// Resonance.
    pub resonance: Resonance,
}

/// The cutoffs that a module follows, in 2^-32 cycle per sample.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Span {
    lowest: u32,
    highest: u32,
}

impl Span {
    const LOWEST_HZ: f64 = 5.0;

    /// From 5 Hz to a number of cycles per sample.
    pub(crate) fn new(rate: Rate, highest: f64) -> Self {
        const CYCLE: f64 = 4_294_967_296.0;
        let lowest = Self::LOWEST_HZ / f64::from(rate.hz());
        Self { lowest: (lowest * CYCLE) as u32, highest: (highest * CYCLE) as u32 }
    }

    #[inline(always)]
    pub(crate) fn hold(self, cutoff: Increment) -> u32 {
        cutoff.bits().clamp(self.lowest, self.highest)
    }
}

/// One twin of a filter. No method can fail, panic or allocate.
pub trait Filter<S: Copy> {
    /// Takes one sample and returns one, under the tuning of this sample.
    fn tick(&mut self, input: S, tuning: &Tuning) -> S;

    /// Filters a block in place under one tuning. Any partition into blocks gives the same bits.
    fn process(&mut self, tuning: &Tuning, block: &mut [S]) {
        for sample in block {
            *sample = self.tick(*sample, tuning);
        }
    }

    /// Empties every state; what follows has the bits of a new filter.
    fn reset(&mut self);
}

/// Builds a twin from its values and lends it to the caller.
pub type LendFilter<S> =
    fn(Rate, &Values<'_>, &mut dyn FnMut(&mut dyn Filter<S>)) -> Result<(), RangeError>;

/// One filter, as the benches, `list` and the reports see it.
#[derive(Clone, Copy, Debug)]
pub struct FilterEntry {
    /// Name on the command line and in plans.
    pub name: &'static str,
    /// File of the module, relative to `crates/voice/src`.
    pub file: &'static str,
    /// One line for `list`.
    pub summary: &'static str,
    /// Parameters it takes; cutoff and resonance come with every [`Tuning`].
    pub parameters: &'static [Parameter],
    /// Delay against the ideal filter, in samples, under given values.
    pub latency_samples: fn(&Values<'_>) -> Result<f64, RangeError>,
    /// Highest cutoff it follows, in cycles per sample, under given values.
    pub highest_cutoff: fn(&Values<'_>) -> Result<f64, RangeError>,
    /// Float twin.
    pub float: LendFilter<f32>,
    /// Fixed twin.
    pub fixed: LendFilter<I1F31>,
}

/// Every filter, in the order in which reports show them.
pub const ENTRIES: &[FilterEntry] = &[
    ladder::ENTRY,
    ladder_tanh::ENTRY,
    ladder_delay::ENTRY,
    ladder_naive::ENTRY,
    state_variable::ENTRY,
    state_variable_loop::ENTRY,
    one_pole::ENTRY,
    dc_blocker::ENTRY,
];
