//! Steps and corners rounded by the two-point (linear) B-spline: one sample either side.
//!
//! | | |
//! |---|---|
//! | Source  | Välimäki, Pekonen, Nam, J. Acoust. Soc. Am. 131(1):974-986, 2012 (integrated linear B-spline); corners: Esqueda, Välimäki, Bilbao, DAFx-16, 121-128, 2016 |
//! | Units   | age d in samples, 0 to 1; output full scale = 1.0, waveform ±0.5; latency 0 |
//! | float   | f32; \|error\| ≤ (2 + 6 per edge in reach)·2^-25 |
//! | fixed   | age Q.31, heights 2^-32; products Q.63 floored to Q1.31, sums wrap modulo 2 and end within ±0.5; \|error\| ≤ 4 LSB per edge in reach |
//! | Usable  | float and fixed: 0 Hz to fs/2 |
//! | Checked | `tests/suite/lines.rs::every_line_of_the_f64_models_matches_the_closed_form` |

use fixed::types::I1F31;

use crate::edges::Cycle;
use crate::phase::Drive;
use crate::q31::mul;
use crate::registry::{Entry, HZ, Oscillator, Setup, Shape, UsableFrom, WIDTH};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "spline2",
    file: "oscillators/spline2.rs",
    summary: "two-point B-spline correction of steps and corners",
    shapes: &[Shape::Ramp, Shape::Triangle, Shape::Pulse],
    parameters: &[HZ, WIDTH],
    corrects_sync: true,
    latency_samples: |_| 0.0,
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
    /// Correction that earlier edges leave for the present sample.
    carry: f32,
}

impl Float {
    /// Starts at the phase of the setup, with no edge behind it.
    pub fn new(setup: &Setup) -> Self {
        Self { cycle: Cycle::new(setup), carry: 0.0 }
    }
}

impl Oscillator<f32> for Float {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let mut now = self.cycle.value() + self.carry;
        let mut next = 0.0;
        self.cycle.advance(drive, |edge| {
            let d = edge.age();
            let e = 1.0 - d;
            if edge.height != 0 {
                let half = edge.height as f32 * (0.5 * UNIT);
                now += half * (d * d);
                next -= half * (e * e);
            }
            if edge.slope != 0 {
                let sixth = edge.slope as f32 * (UNIT / 6.0);
                now += sixth * (d * d * d);
                next += sixth * (e * e * e);
            }
        });
        self.carry = next;
        now
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    cycle: Cycle,
    carry: i32,
}

impl Fixed {
    /// Starts at the phase of the setup, with no edge behind it.
    pub fn new(setup: &Setup) -> Self {
        Self { cycle: Cycle::new(setup), carry: 0 }
    }
}

// Q: 1/6 in Q.31.
const SIXTH: i64 = 357_913_941;

impl Oscillator<I1F31> for Fixed {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        // Q: sums of several edges may pass ±1 on the way; modulo 2 the end is right.
        let mut now = self.cycle.value_q31().wrapping_add(self.carry);
        let mut next = 0_i32;
        self.cycle.advance(drive, |edge| {
            let d = edge.age_q31();
            let e = (1 << 31) - d;
            if edge.height != 0 {
                // Q: |height| ≤ 2^32, square/2 ≤ 2^30: product ≤ 2^62, Q.63 down to Q1.31.
                now = now.wrapping_add(((edge.height * (mul(d, d) >> 1)) >> 32) as i32);
                next = next.wrapping_sub(((edge.height * (mul(e, e) >> 1)) >> 32) as i32);
            }
            if edge.slope != 0 {
                // Q: |slope| ≤ 2^33, cube/6 < 2^29: product < 2^62.
                let slope = |cube: i64| ((edge.slope * mul(cube, SIXTH)) >> 32) as i32;
                now = now.wrapping_add(slope(mul(mul(d, d), d)));
                next = next.wrapping_add(slope(mul(mul(e, e), e)));
            }
        });
        self.carry = next;
        I1F31::from_bits(now)
    }
}
