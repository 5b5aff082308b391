//! What a fixed-point loop does with nothing at its input: dead bands and limit cycles.
//!
//! Exact: states are compared bit by bit, nothing is estimated.

use crate::reading::{Obstacle, within};

/// A closed orbit of a loop without input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LimitCycle {
    /// Samples until it repeats; 1 for a state that rests.
    pub period: u64,
    /// A state on it.
    pub state: Vec<i32>,
    /// Largest magnitude of each state word on it, in units.
    pub peaks: Vec<u32>,
}

impl LimitCycle {
    /// True for the state of all zeros alone.
    #[must_use]
    pub fn is_silence(&self) -> bool {
        self.peaks.iter().all(|peak| *peak == 0)
    }
}

/// Most states that an exhaustive search looks at.
pub const MOST_STATES: u64 = 1 << 28;

/// Every limit cycle of a loop whose state words lie within `bounds`, both ends included, found by
/// following every state until it meets one seen before. `step` advances the state by one sample.
///
/// # Errors
/// [`Obstacle::OutOfRange`] for no words, an empty range, more than [`MOST_STATES`] states, or a
/// step that leaves the bounds: the loop then overflows without input, or the bounds are too small.
pub fn exhaustive(
    bounds: &[(i32, i32)],
    mut step: impl FnMut(&mut [i32]),
) -> Result<Vec<LimitCycle>, Obstacle> {
    within("state words", bounds.len() as f64, 1.0, 8.0)?;
    let mut count = 1_u64;
    for (low, high) in bounds {
        within("upper bound of a state", f64::from(*high), f64::from(*low), f64::from(i32::MAX))?;
        count = count.saturating_mul((i64::from(*high) - i64::from(*low) + 1) as u64);
    }
    within("states", count as f64, 1.0, MOST_STATES as f64)?;
    let index = |state: &[i32]| -> Result<usize, Obstacle> {
        state.iter().zip(bounds).try_fold(0, |sum, (word, (low, high))| {
            within("state after a step", f64::from(*word), f64::from(*low), f64::from(*high))?;
            let span = (i64::from(*high) - i64::from(*low) + 1) as usize;
            Ok(sum * span + (i64::from(*word) - i64::from(*low)) as usize)
        })
    };
    // 0: not seen; otherwise the number of the walk that met the state first.
    let mut seen = vec![0_u32; count as usize];
    let mut start: Vec<i32> = bounds.iter().map(|(low, _)| *low).collect();
    let mut state = start.clone();
    let mut cycles = Vec::new();
    for walk in 1..=count as u32 {
        state.copy_from_slice(&start);
        let mut place = index(&state)?;
        while seen[place] == 0 {
            seen[place] = walk;
            step(&mut state);
            place = index(&state)?;
        }
        // Met itself: a cycle nobody has walked before.
        if seen[place] == walk {
            cycles.push(follow(&state, &mut step));
        }
        // The next state in the order of `index`.
        for (word, (low, high)) in start.iter_mut().zip(bounds).rev() {
            if *word < *high {
                *word += 1;
                break;
            }
            *word = *low;
        }
    }
    Ok(cycles)
}

/// Once around from a state on a cycle.
fn follow(on: &[i32], step: &mut impl FnMut(&mut [i32])) -> LimitCycle {
    let mut state = on.to_vec();
    let mut peaks = vec![0; on.len()];
    let mut period = 0;
    loop {
        for (peak, word) in peaks.iter_mut().zip(&state) {
            *peak = word.unsigned_abs().max(*peak);
        }
        step(&mut state);
        period += 1;
        if state == on {
            return LimitCycle { period, state, peaks };
        }
    }
}

/// Largest magnitude of state word `word` over all cycles, in units: half the width of the dead
/// band.
#[must_use]
pub fn dead_band(cycles: &[LimitCycle], word: usize) -> u32 {
    cycles.iter().filter_map(|cycle| cycle.peaks.get(word).copied()).max().unwrap_or(0)
}

/// How a long run without input ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZeroInputRun {
    /// Samples until the state repeats.
    pub period: u64,
    /// Samples from the start until the run is known to be on the cycle; at most three times what it
    /// takes to get there and around.
    pub found_after: u64,
    /// Largest magnitude of the output on the cycle.
    pub peak: f64,
    /// Mean of the output over the cycle.
    pub mean: f64,
}

/// Runs a loop without input, of any size of state, until its state repeats (Brent, BIT 20:176-184,
/// 1980). None if it has not within `most` samples. `step` advances by one sample and returns the
/// output.
///
/// A float state that decays for ever ends in silence by way of subnormals, which takes long.
pub fn zero_input<S: Clone + PartialEq>(
    start: &S,
    most: u64,
    mut step: impl FnMut(&mut S) -> f64,
) -> Option<ZeroInputRun> {
    let (mut kept, mut state) = (start.clone(), start.clone());
    let (mut window, mut period) = (1, 0);
    for n in 1..=most {
        step(&mut state);
        period += 1;
        if state == kept {
            let (mut peak, mut sum) = (0.0_f64, 0.0);
            for _ in 0..period {
                let value = step(&mut state);
                peak = peak.max(value.abs());
                sum += value;
            }
            return Some(ZeroInputRun { period, found_after: n, peak, mean: sum / period as f64 });
        }
        if period == window {
            kept = state.clone();
            (window, period) = (2 * window, 0);
        }
    }
    None
}
