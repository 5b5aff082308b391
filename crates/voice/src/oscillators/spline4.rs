//! Steps and corners rounded by the four-point (cubic) B-spline: two samples either side.
//!
//! | | |
//! |---|---|
//! | Source  | Välimäki, Pekonen, Nam, J. Acoust. Soc. Am. 131(1):974-986, 2012 (integrated cubic B-spline); corners: Esqueda, Välimäki, Bilbao, DAFx-16, 121-128, 2016; polynomials from memory, verified by integrating the B-spline |
//! | Units   | age d in samples, 0 to 1; output full scale = 1.0, waveform ±0.5; latency 1 sample |
//! | float   | f32; \|error\| ≤ (2 + 6 per edge in reach)·2^-25 |
//! | fixed   | age Q.31, coefficients Q.31, heights 2^-32; floors to Q1.31, sums wrap modulo 2 and end within ±0.5; \|error\| ≤ 8 LSB per edge in reach |
//! | Usable  | float and fixed: 0 Hz to fs/2 |
//! | Checked | `tests/suite/lines.rs::every_line_of_the_f64_models_matches_the_closed_form` |

use fixed::types::I1F31;

use crate::edges::Cycle;
use crate::phase::Drive;
use crate::q31::mul;
use crate::registry::{Entry, HZ, Oscillator, Setup, Shape, UsableFrom, WIDTH};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "spline4",
    file: "oscillators/spline4.rs",
    summary: "four-point cubic B-spline correction of steps and corners",
    shapes: &[Shape::Ramp, Shape::Triangle, Shape::Pulse],
    parameters: &[HZ, WIDTH],
    corrects_sync: true,
    latency_samples: |_| 1.0,
    usable_from: UsableFrom::ANYWHERE,
    float: |setup, lend| {
        lend(&mut Float::new(setup));
        Ok(())
    },
    fixed: |setup, lend| {
        lend(&mut Fixed::new(setup));
        Ok(())
    },
};

const UNIT: f32 = 1.0 / 4_294_967_296.0;

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    cycle: Cycle,
    /// Samples n − 1 (still open), n and n + 1 (corrections only).
    open: [f32; 3],
}

impl Float {
    /// Starts at the phase of the setup, with silence and no edge behind it.
    pub fn new(setup: &Setup) -> Self {
        Self { cycle: Cycle::new(setup), open: [0.0; 3] }
    }
}

impl Oscillator<f32> for Float {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let [mut last, mut now, mut next] = self.open;
        let mut after = 0.0;
        now += self.cycle.value();
        self.cycle.advance(drive, |edge| {
            let d = edge.age();
            let e = 1.0 - d;
            if edge.height != 0 {
                let height = edge.height as f32 * UNIT;
                last += height * outer_step(d);
                now += height * inner_step(d);
                next -= height * inner_step(e);
                after -= height * outer_step(e);
            }
            if edge.slope != 0 {
                let slope = edge.slope as f32 * UNIT;
                last += slope * outer_corner(d);
                now += slope * inner_corner(e);
                next += slope * inner_corner(d);
                after += slope * outer_corner(e);
            }
        });
        self.open = [now, next, after];
        last
    }
}

/// Residual one to two samples before a unit step: d^4/24.
#[inline(always)]
fn outer_step(d: f32) -> f32 {
    let square = d * d;
    square * square * (1.0 / 24.0)
}

/// Residual up to one sample before a unit step; mirrored, the negative of the one after.
#[inline(always)]
fn inner_step(d: f32) -> f32 {
    (((-0.125 * d + 1.0 / 6.0) * d + 0.25) * d + 1.0 / 6.0) * d + 1.0 / 24.0
}

/// Residual one to two samples from a unit corner, d = 2 − distance: d^5/120.
#[inline(always)]
fn outer_corner(d: f32) -> f32 {
    let square = d * d;
    square * square * d * (1.0 / 120.0)
}

/// Residual up to one sample from a unit corner, d = distance.
#[inline(always)]
fn inner_corner(d: f32) -> f32 {
    let square = d * d;
    ((0.025 * d - 1.0 / 12.0) * square + 1.0 / 3.0) * square - 0.5 * d + 7.0 / 30.0
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    cycle: Cycle,
    open: [i32; 3],
}

impl Fixed {
    /// Starts at the phase of the setup, with silence and no edge behind it.
    pub fn new(setup: &Setup) -> Self {
        Self { cycle: Cycle::new(setup), open: [0; 3] }
    }
}

impl Oscillator<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        let [mut last, mut now, mut next] = self.open;
        let mut after = 0_i32;
        // Q: sums of several edges may pass ±1 on the way; modulo 2 the end is right.
        now = now.wrapping_add(self.cycle.value_q31());
        self.cycle.advance(drive, |edge| {
            let d = edge.age_q31();
            let e = (1 << 31) - d;
            // Q: |height| ≤ 2^32, |slope| ≤ 2^33, residuals ≤ 2^30 and < 2^29: products
            // ≤ 2^62, Q.63 down to Q1.31.
            if edge.height != 0 {
                let step = |residual: i64| ((edge.height * residual) >> 32) as i32;
                last = last.wrapping_add(step(outer_step_q31(d)));
                now = now.wrapping_add(step(inner_step_q31(d)));
                next = next.wrapping_sub(step(inner_step_q31(e)));
                after = after.wrapping_sub(step(outer_step_q31(e)));
            }
            if edge.slope != 0 {
                let corner = |residual: i64| ((edge.slope * residual) >> 32) as i32;
                last = last.wrapping_add(corner(outer_corner_q31(d)));
                now = now.wrapping_add(corner(inner_corner_q31(e)));
                next = next.wrapping_add(corner(inner_corner_q31(d)));
                after = after.wrapping_add(corner(outer_corner_q31(e)));
            }
        });
        self.open = [now, next, after];
        I1F31::from_bits(last)
    }
}

/// Q: `numerator / denominator` in Q.31, rounded at compile time.
const fn ratio(numerator: i64, denominator: i64) -> i64 {
    ((numerator << 32) / denominator + 1) >> 1
}

#[inline(always)]
fn outer_step_q31(d: i64) -> i64 {
    let square = mul(d, d);
    mul(mul(square, square), const { ratio(1, 24) })
}

#[inline(always)]
fn inner_step_q31(d: i64) -> i64 {
    let cubic = mul(const { -ratio(1, 8) }, d) + const { ratio(1, 6) };
    let square = mul(cubic, d) + const { ratio(1, 4) };
    mul(mul(square, d) + const { ratio(1, 6) }, d) + const { ratio(1, 24) }
}

#[inline(always)]
fn outer_corner_q31(d: i64) -> i64 {
    let square = mul(d, d);
    mul(mul(mul(square, square), d), const { ratio(1, 120) })
}

#[inline(always)]
fn inner_corner_q31(d: i64) -> i64 {
    let square = mul(d, d);
    let quartic = mul(const { ratio(1, 40) }, d) - const { ratio(1, 12) };
    mul(mul(quartic, square) + const { ratio(1, 3) }, square) - (d >> 1) + const { ratio(7, 30) }
}
