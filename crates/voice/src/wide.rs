//! States of filters, kept wider than the signals, so that low cutoffs neither stall nor hiss.
//!
//! A state moves by coefficient times difference. At 5 Hz the coefficient is 3e-4 and a step
//! may be far below one unit of the signal; rounded into the signal's own format it would be
//! lost (a dead band of 1/(2G) units) or become noise that the pole amplifies by the same
//! factor. Both twins keep what rounding would drop.
//!
//! Formats of the fixed twins: coefficients Q2.30, signals Q5.27, states Q7.57, all in 64 bits;
//! coefficient times signal is a step of the state, exactly. One unit of the signal is 2^-27.
//! States and loop inputs are held to ±[`LIMIT`]; beyond it both twins saturate.

/// Largest magnitude of a state and of a loop input, 24 dB above full scale.
pub const LIMIT: f64 = 16.0;

/// What the float twins share.
pub(crate) mod float {
    const LIMIT: f32 = super::LIMIT as f32;

    /// Holds a loop input inside the limit; what is no number becomes 0.
    #[inline(always)]
    pub(crate) fn hold(signal: f32) -> f32 {
        if signal.is_nan() { 0.0 } else { signal.clamp(-LIMIT, LIMIT) }
    }

    /// A state with the part of it that f32 drops.
    #[derive(Clone, Copy, Debug, Default)]
    pub(crate) struct State {
        value: f32,
        dropped: f32,
    }

    impl State {
        #[inline(always)]
        pub(crate) fn now(self) -> f32 {
            self.value
        }

        /// Adds a step in ten operations: the sum and its exact error (Knuth, The art of
        /// computer programming 2, 4.2.2), then what was dropped before (Dekker, Numer. Math.
        /// 18:224-242, 1971; both from memory). Right whichever of the two is larger.
        #[inline(always)]
        pub(crate) fn add(&mut self, step: f32) {
            let sum = self.value + step;
            let taken = sum - self.value;
            let rest = self.dropped + ((self.value - (sum - taken)) + (step - taken));
            let whole = sum + rest;
            self.dropped = rest - (whole - sum);
            self.value = whole.clamp(-LIMIT, LIMIT);
        }
    }
}

/// What the fixed twins share.
pub(crate) mod fixed {
    use fixed::types::I1F31;

    use crate::q31::saturate;

    /// 1 as a coefficient.
    pub(crate) const ONE: i64 = 1 << 30;
    const LIMIT_SIGNAL: i64 = (super::LIMIT as i64) << 27;
    const LIMIT_STATE: i64 = (super::LIMIT as i64) << 57;

    /// Nearest Q2.30 coefficient; for constants and constructors, never per sample.
    pub(crate) const fn coefficient(value: f64) -> i64 {
        let scaled = value * ONE as f64;
        (scaled + if scaled < 0.0 { -0.5 } else { 0.5 }) as i64
    }

    /// A sample as a signal.
    #[inline(always)]
    pub(crate) fn signal(sample: I1F31) -> i64 {
        // Q: four bits dropped, rounded.
        (i64::from(sample.to_bits()) + 8) >> 4
    }

    /// A signal of the format of the states as a sample.
    #[inline(always)]
    pub(crate) fn sample(wide: i64) -> I1F31 {
        saturate((wide + (1 << 25)) >> 26)
    }

    /// Coefficient times anything, rounded to the format of the latter.
    ///
    /// The caller keeps the product below 2^63: for a signal, coefficient times value below 64.
    #[inline(always)]
    pub(crate) fn times(coefficient: i64, value: i64) -> i64 {
        (coefficient * value + (1 << 29)) >> 30
    }

    /// Holds a loop input inside the limit.
    #[inline(always)]
    pub(crate) fn hold(signal: i64) -> i64 {
        signal.clamp(-LIMIT_SIGNAL, LIMIT_SIGNAL)
    }

    /// A wide value as a signal.
    #[inline(always)]
    pub(crate) fn narrow(wide: i64) -> i64 {
        (wide + (1 << 29)) >> 30
    }

    /// A signal, widened.
    #[inline(always)]
    pub(crate) fn widen(signal: i64) -> i64 {
        signal << 30
    }

    /// Weighted sum of taps with whole weights.
    #[inline(always)]
    pub(crate) fn mix(weights: &[i64], wide: &[i64]) -> I1F31 {
        let terms = weights.iter().zip(wide);
        // Q: taps rounded to Q.31 first, |tap| < 2^37, weights below 32: no overflow.
        saturate(terms.map(|(weight, tap)| weight * ((tap + (1 << 25)) >> 26)).sum())
    }

    /// 1 / d for a Q.30 d of 1/2 to 8, in Q2.30, within 2^-29.
    ///
    /// Newton's iteration from the best line on an octave, 1/17 off at most; three steps square
    /// that to 17^-8 = 1.4e-10. Costs a count of leading zeros and seven products of 32 bits,
    /// where a 64-bit division is a library call.
    #[inline(always)]
    pub(crate) fn reciprocal(d: i64) -> i64 {
        // Q: m = d as a Q.31 fraction of 1/2 to 1; y as Q.30 is 1 to 2.
        let bits = 64 - d.leading_zeros();
        let m = if bits > 31 { d >> (bits - 31) } else { d << (31 - bits) };
        let mut y = coefficient(48.0 / 17.0) - ((coefficient(32.0 / 17.0) * m) >> 31);
        for _ in 0..3 {
            y = (y * ((1 << 31) - ((m * y) >> 31))) >> 30;
        }
        y >> bits.saturating_sub(30)
    }

    /// A state.
    #[derive(Clone, Copy, Debug, Default)]
    pub(crate) struct State(i64);

    impl State {
        /// The state, rounded to a signal.
        #[inline(always)]
        pub(crate) fn now(self) -> i64 {
            narrow(self.0)
        }

        /// All bits of the state.
        #[inline(always)]
        pub(crate) fn wide(self) -> i64 {
            self.0
        }

        /// Adds a step.
        #[inline(always)]
        pub(crate) fn add(&mut self, step: i64) {
            // Q: saturates twice: at the ends of 64 bits, then at the limit.
            self.0 = self.0.saturating_add(step).clamp(-LIMIT_STATE, LIMIT_STATE);
        }
    }

    /// Twice a step, as trapezoidal states need it.
    #[inline(always)]
    pub(crate) fn twice(step: i64) -> i64 {
        step.saturating_add(step)
    }
}
