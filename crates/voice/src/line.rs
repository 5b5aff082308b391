//! A straight line between two integers, each point the nearest integer.

/// Goes from one integer to another in a whole number of steps, with one division at the
/// start and the remainder carried (Bresenham, IBM Systems J. 4(1):25-30, 1965, from memory).
///
/// Every point lies within ½ of the exact line, and the last one is the goal itself.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    now: i64,
    quotient: i64,
    remainder: u32,
    rest: u32,
    steps: u32,
    left: u32,
}

impl Line {
    /// Lies still at `value`.
    pub(crate) const fn at(value: i64) -> Self {
        Self { now: value, quotient: 0, remainder: 0, rest: 0, steps: 0, left: 0 }
    }

    /// Begins at `from`; `steps` stays below 2^31, and none of them means: at once.
    pub(crate) fn new(from: i64, to: i64, steps: u32) -> Self {
        if steps == 0 {
            return Self::at(to);
        }
        let (way, count) = (to - from, i64::from(steps));
        // Half a step ahead: what is floored below is then the nearest.
        let (quotient, rest) = (way.div_euclid(count), steps / 2);
        let remainder = way.rem_euclid(count) as u32;
        Self { now: from, quotient, remainder, rest, steps, left: steps }
    }

    /// The present point.
    #[inline(always)]
    pub(crate) fn now(&self) -> i64 {
        self.now
    }

    /// Whether steps are left.
    #[inline(always)]
    pub(crate) fn moves(&self) -> bool {
        self.left > 0
    }

    /// Goes one step, if any is left.
    #[inline(always)]
    pub(crate) fn advance(&mut self) {
        if self.left > 0 {
            self.left -= 1;
            self.now += self.quotient;
            self.rest += self.remainder;
            if self.rest >= self.steps {
                self.rest -= self.steps;
                self.now += 1;
            }
        }
    }
}
