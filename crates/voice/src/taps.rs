//! What the ladders share: which poles are heard, and how much of the passband is given back.
//!
//! With u the loop input and yᵢ behind i poles, a mix Σ wᵢ yᵢ has the transfer function
//! Σ wᵢ (1+s)^(4−i) / ((1+s)⁴ + k), s relative to the cutoff (binomial sums of the taps). The
//! band mixes are scaled to gain 1 at the cutoff while k = 0.
//!
//! The loop takes k of the passband, which falls to 1/(1+k). Compensation c feeds the input
//! forward into the loop, (1 + c k) x: passband (1 + c k)/(1 + k), so c = 1 leaves no loss
//! (Välimäki and Huovilainen, Computer Music J. 30(2):19-31, 2006, with c = 0.5; from memory).

use crate::error::RangeError;
use crate::filters::Resonance;
use crate::parameter::{Parameter, Values};
use crate::wide::fixed::{coefficient, times};

/// Which poles are heard.
pub const OUTPUT: Parameter = Parameter::choice(
    "output",
    &["low24", "low18", "low12", "low6", "band12", "band24", "high12", "high24"],
);
/// How much of the passband loss is given back.
pub const COMPENSATION: Parameter =
    Parameter::number("compensation", "of the passband loss", 0.0, 1.0, 0.0);

/// Weights of u and of y₁ to y₄, in the order of [`OUTPUT`].
pub const MIXES: [[i8; 5]; 8] = [
    [0, 0, 0, 0, 1],
    [0, 0, 0, 1, 0],
    [0, 0, 1, 0, 0],
    [0, 1, 0, 0, 0],
    [0, 2, -2, 0, 0],
    [0, 0, 4, -8, 4],
    [1, -2, 1, 0, 0],
    [1, -4, 6, -4, 1],
];

fn weights(values: &Values<'_>) -> Result<[i8; 5], RangeError> {
    // A choice lies within its words, which the mixes follow.
    Ok(MIXES[values.choice(&OUTPUT)? % MIXES.len()])
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Float {
    weights: [f32; 5],
    compensation: f32,
}

impl Float {
    pub(crate) fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        let compensation = values.of(&COMPENSATION)? as f32;
        Ok(Self { weights: weights(values)?.map(f32::from), compensation })
    }

    /// Loop gain k = 4 r, 0 to just under 8.
    #[inline(always)]
    pub(crate) fn gain(resonance: Resonance) -> f32 {
        resonance.bits() as f32 * (4.0 / 1_073_741_824.0)
    }

    /// The input with what the compensation adds.
    #[inline(always)]
    pub(crate) fn feed(&self, input: f32, k: f32) -> f32 {
        input * (1.0 + self.compensation * k)
    }

    #[inline(always)]
    pub(crate) fn mix(&self, taps: [f32; 5]) -> f32 {
        self.weights.iter().zip(taps).map(|(weight, tap)| weight * tap).sum()
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fixed {
    weights: [i64; 5],
    compensation: i64,
}

impl Fixed {
    pub(crate) fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        let compensation = coefficient(values.of(&COMPENSATION)?);
        Ok(Self { weights: weights(values)?.map(i64::from), compensation })
    }

    /// k times a signal or coefficient, rounded to its format.
    #[inline(always)]
    pub(crate) fn feedback(resonance: Resonance, value: i64) -> i64 {
        // Q: r in Q2.30 below 2 times 4 is a shift less; |value| ≤ 2^31 keeps it below 2^62.
        (i64::from(resonance.bits()) * value + (1 << 27)) >> 28
    }

    /// The input with what the compensation adds.
    #[inline(always)]
    pub(crate) fn feed(&self, input: i64, resonance: Resonance) -> i64 {
        input + times(Self::feedback(resonance, self.compensation), input)
    }

    /// The mix of wide taps.
    #[inline(always)]
    pub(crate) fn weights(&self) -> &[i64; 5] {
        &self.weights
    }
}
