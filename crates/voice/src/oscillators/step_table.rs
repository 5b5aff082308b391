//! Steps replaced by a tabulated band-limited step: the integral of a windowed sinc.
//!
//! | | |
//! |---|---|
//! | Source  | Stilson and Smith, ICMC 1996; Brandt, ICMC 2001 (both from memory); window: four-term Blackman-Harris, Harris, Proc. IEEE 66(1):51-83, 1978 |
//! | Units   | span 8 to 64 samples, 16 to 512 points per sample, cutoff 0.486 fs; output full scale = 1.0, waveform ±0.5 and its overshoot; latency span/2 − 1 samples |
//! | float   | f32 table; \|error\| ≤ (3 + 5 per edge under the kernel)·2^-25 |
//! | fixed   | Q1.31 table, fraction Q.31, products floored; sums in 64 bits, output saturates; \|error\| ≤ 1 + 4 LSB per edge under the kernel |
//! | Usable  | float and fixed: 0 Hz to fs/2 |
//! | Checked | `tests/suite/lines.rs::step_table_lines_match_the_transform_of_their_kernel` |
//!
//! Corners (the triangle, and a restarted slope) use the same idea once more: the integral
//! of the band-limited step.

use fixed::types::I1F31;

use crate::edges::Cycle;
use crate::error::{RangeError, in_range};
use crate::math;
use crate::phase::Drive;
use crate::q31::{coefficient, saturate};
use crate::registry::{Entry, HZ, OVERSAMPLING, Oscillator, Setup, Shape, TAPS, UsableFrom, WIDTH};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "step-table",
    file: "oscillators/step_table.rs",
    summary: "band-limited step from a table (windowed sinc)",
    shapes: &[Shape::Ramp, Shape::Triangle, Shape::Pulse],
    parameters: &[HZ, WIDTH, TAPS, OVERSAMPLING],
    corrects_sync: true,
    latency_samples: |setup| (setup.taps / 2) as f64 - 1.0,
    usable_from: UsableFrom::ANYWHERE,
    float: |setup, lend| {
        let (mut steps, mut corners) = ([0.0_f32; MAX_STORAGE], [0.0_f32; MAX_STORAGE]);
        let kernel = Kernel::build(&mut steps, &mut corners, setup, |value| value as f32)?;
        lend(&mut Float::new(&kernel, setup));
        Ok(())
    },
    fixed: |setup, lend| {
        let (mut steps, mut corners) = ([0_i32; MAX_STORAGE], [0_i32; MAX_STORAGE]);
        let kernel =
            Kernel::build(&mut steps, &mut corners, setup, |value| coefficient(value) as i32)?;
        lend(&mut Fixed::new(&kernel, setup));
        Ok(())
    },
};

/// Band edge of the sinc, in cycles per sample.
///
/// The highest with which, at the default span, what folds below 0.4 of the rate stays 90 dB
/// down; the price is 1.65 dB at 20 kHz of 44.1 kHz.
pub const CUTOFF: f64 = 0.486;
const MAX_TAPS: usize = 64;
/// Points of storage for the longest and finest table, steps and corners each.
pub const MAX_STORAGE: usize = storage_for(MAX_TAPS, 512);

/// Points that each of the two stores needs.
pub const fn storage_for(taps: usize, oversampling: usize) -> usize {
    taps * (oversampling + 1)
}

/// Tabulated residuals of a unit step and a unit corner: smooth minus sharp.
///
/// One row per sample under the kernel, each with both of its ends: the row before the edge
/// ends on one side of the jump, the row after it begins on the other.
#[derive(Clone, Copy, Debug)]
pub struct Kernel<'a, T> {
    steps: &'a [T],
    corners: &'a [T],
    taps: usize,
    oversampling: usize,
}

impl<'a, T: Copy> Kernel<'a, T> {
    /// Integrates the kernel into the two stores; `encode` rounds to the format.
    ///
    /// Once per start of the firmware: twelve sines per point.
    ///
    /// # Errors
    /// `taps` outside 8 to 64 or odd, `oversampling` outside 16 to 512, or a store with
    /// fewer points than [`storage_for`] asks.
    pub fn build(
        steps: &'a mut [T],
        corners: &'a mut [T],
        setup: &Setup,
        encode: fn(f64) -> T,
    ) -> Result<Self, RangeError> {
        let taps = TAPS.check(setup.taps as f64)? as usize;
        if taps % 2 == 1 {
            return Err(TAPS.refuse(taps as f64));
        }
        let oversampling = OVERSAMPLING.check(setup.oversampling as f64)? as usize;
        let points = storage_for(taps, oversampling);
        for store in [steps.len(), corners.len()] {
            in_range("storage", store as f64, points as f64, f64::MAX, "points")?;
        }
        let half = taps as f64 / 2.0;
        let width = 1.0 / oversampling as f64;
        let time = |tap: usize, point: usize| tap as f64 + point as f64 * width - half;
        let mut area = 0.0;
        for tap in 0..taps {
            for point in 0..oversampling {
                area += piece(time(tap, point), width, half).0;
            }
        }
        let (mut step, mut corner) = (0.0, 0.0);
        for tap in 0..taps {
            let after = tap >= taps / 2;
            for point in 0..=oversampling {
                let t = time(tap, point);
                let index = tap * (oversampling + 1) + point;
                steps[index] = encode(if after { step - 1.0 } else { step });
                corners[index] = encode(if after { corner - t } else { corner });
                if point < oversampling {
                    let (mass, moment) = piece(t, width, half);
                    // The integral of the step over the piece: what stood there already, and
                    // the new mass times how long each part of it has been in.
                    corner += step * width + moment / area;
                    step += mass / area;
                }
            }
        }
        Ok(Self { steps: &steps[..points], corners: &corners[..points], taps, oversampling })
    }
}

/// Kernel mass over one piece of the table, and its moment about the piece's end.
///
/// Six-point Gauss-Legendre: the kernel is smooth on the scale of a piece.
fn piece(start: f64, width: f64, half: f64) -> (f64, f64) {
    const NODES: [(f64, f64); 3] = [
        (0.238_619_186_083_196_9, 0.467_913_934_572_691),
        (0.661_209_386_466_264_5, 0.360_761_573_048_138_6),
        (0.932_469_514_203_152, 0.171_324_492_379_170_35),
    ];
    let (mut mass, mut moment) = (0.0, 0.0);
    for (node, weight) in NODES {
        for node in [-node, node] {
            let along = 0.5 * (1.0 + node) * width;
            let part = 0.5 * width * weight * kernel(start + along, half);
            mass += part;
            moment += part * (width - along);
        }
    }
    (mass, moment)
}

/// Windowed sinc at `t` samples from its centre, unit area before normalisation.
fn kernel(t: f64, half: f64) -> f64 {
    let x = core::f64::consts::TAU * CUTOFF * t;
    let sinc = if x == 0.0 { 1.0 } else { math::sin(x) / x };
    let w = core::f64::consts::PI * t / half;
    let window = 0.358_75
        + 0.488_29 * math::cos(w)
        + 0.141_28 * math::cos(2.0 * w)
        + 0.011_68 * math::cos(3.0 * w);
    2.0 * CUTOFF * sinc * window
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float<'a> {
    kernel: Kernel<'a, f32>,
    cycle: Cycle,
    /// Samples that an edge may still change; the oldest stands at `head`.
    open: [f32; MAX_TAPS],
    head: usize,
}

impl<'a> Float<'a> {
    /// Starts at the phase of the setup, with silence and no edge behind it.
    pub fn new(kernel: &Kernel<'a, f32>, setup: &Setup) -> Self {
        Self { kernel: *kernel, cycle: Cycle::new(setup), open: [0.0; MAX_TAPS], head: 0 }
    }
}

impl Oscillator<f32> for Float<'_> {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let Self { kernel, cycle, open, head } = self;
        open[(*head + kernel.taps / 2 - 1) % MAX_TAPS] += cycle.value();
        cycle.advance(drive, |edge| {
            let place = edge.age() * kernel.oversampling as f32;
            let point = (place as usize).min(kernel.oversampling - 1);
            let fraction = place - point as f32;
            let mut add = |table: &[f32], size: f32| {
                for tap in 0..kernel.taps {
                    let index = tap * (kernel.oversampling + 1) + point;
                    let (a, b) = (table[index], table[index + 1]);
                    open[(*head + tap) % MAX_TAPS] += size * (a + (b - a) * fraction);
                }
            };
            if edge.height != 0 {
                add(kernel.steps, edge.height as f32 * UNIT);
            }
            if edge.slope != 0 {
                add(kernel.corners, edge.slope as f32 * UNIT);
            }
        });
        let now = core::mem::take(&mut open[*head]);
        *head = (*head + 1) % MAX_TAPS;
        now
    }
}

const UNIT: f32 = 1.0 / 4_294_967_296.0;

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed<'a> {
    kernel: Kernel<'a, i32>,
    cycle: Cycle,
    open: [i64; MAX_TAPS],
    head: usize,
}

impl<'a> Fixed<'a> {
    /// Starts at the phase of the setup, with silence and no edge behind it.
    pub fn new(kernel: &Kernel<'a, i32>, setup: &Setup) -> Self {
        Self { kernel: *kernel, cycle: Cycle::new(setup), open: [0; MAX_TAPS], head: 0 }
    }
}

impl Oscillator<I1F31> for Fixed<'_> {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        let Self { kernel, cycle, open, head } = self;
        open[(*head + kernel.taps / 2 - 1) % MAX_TAPS] += i64::from(cycle.value_q31());
        cycle.advance(drive, |edge| {
            let place = edge.age_q31() * kernel.oversampling as i64;
            let point = ((place >> 31) as usize).min(kernel.oversampling - 1);
            let fraction = place - ((point as i64) << 31);
            let mut add = |table: &[i32], size: i64| {
                for tap in 0..kernel.taps {
                    let index = tap * (kernel.oversampling + 1) + point;
                    let (a, b) = (i64::from(table[index]), i64::from(table[index + 1]));
                    let residual = a + (((b - a) * fraction) >> 31);
                    // Q: steps ≤ 2^32 with residuals < 0.6, corners ≤ 2^33 with residuals
                    // < 0.24: products < 2^63, Q.63 down to Q.31.
                    open[(*head + tap) % MAX_TAPS] += (size * residual) >> 32;
                }
            };
            if edge.height != 0 {
                add(kernel.steps, edge.height);
            }
            if edge.slope != 0 {
                add(kernel.corners, edge.slope);
            }
        });
        let now = core::mem::take(&mut open[*head]);
        *head = (*head + 1) % MAX_TAPS;
        // Q: overshoots of edges that follow each other closely may add up: saturate.
        saturate(now)
    }
}
