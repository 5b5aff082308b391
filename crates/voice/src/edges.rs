//! Where the steps and corners of a waveform fall between two samples.
//!
//! The geometry is exact: phases, widths, heights and slopes are integers in 2^-32 cycle
//! and 2^-32 of full scale, and each edge hands its age over as a fraction that the twins
//! evaluate in their own arithmetic. An edge costs one division; samples without an edge
//! cost none.

use crate::phase::{Age, Drive};
use crate::registry::{Setup, Shape};

/// A step or a corner of the waveform inside the interval just travelled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// Phase travelled since the edge until the end of its segment, 2^-32 cycle.
    pub past: u32,
    /// Speed towards the edge, 2^-32 cycle per sample; at least `past`, never 0.
    pub speed: u32,
    /// Further time until the next sample, 2^-32 sample; 0 unless a sync cut the interval.
    pub rest: u32,
    /// Height of the step, 2^-32 of full scale; |height| ≤ 2^32.
    pub height: i64,
    /// Change of slope, 2^-32 of full scale per sample; |slope| ≤ 2^33.
    pub slope: i64,
}

impl Edge {
    /// Samples from the edge to the next sample, 0 to 1.
    #[inline]
    pub fn age(&self) -> f32 {
        (self.past as f32 / self.speed as f32 + self.rest as f32 * UNIT).min(1.0)
    }

    /// Samples from the edge to the next sample, Q.31: 0 to 2^31.
    #[inline]
    pub fn age_q31(&self) -> i64 {
        let whole = (u64::from(self.past) << 32) / u64::from(self.speed) + u64::from(self.rest);
        // Q: floored to 31 fraction bits; a cut interval may overshoot its end by a rounding.
        (whole >> 1).min(1 << 31) as i64
    }
}

const UNIT: f32 = 1.0 / 4_294_967_296.0;
const FULL_STEP: i64 = 1 << 32;
const HALF_CYCLE: u32 = 1 << 31;

/// Phase, width and shape: everything an edge-corrected oscillator remembers of its cycle.
#[derive(Clone, Copy, Debug)]
pub struct Cycle {
    shape: Shape,
    phase: u32,
    width: u32,
}

impl Cycle {
    /// Starts at the phase and width of the setup.
    pub fn new(setup: &Setup) -> Self {
        Self { shape: setup.shape, phase: setup.start, width: setup.width.bits() }
    }

    /// The uncorrected waveform now, full scale = 1.0, swinging ±0.5.
    #[inline]
    pub fn value(&self) -> f32 {
        let centred = self.phase.wrapping_sub(HALF_CYCLE) as i32;
        match self.shape {
            Shape::Ramp => centred as f32 * UNIT,
            Shape::Triangle => 0.5 - centred.unsigned_abs() as f32 * (2.0 * UNIT),
            Shape::Pulse if self.phase < self.width => 0.5,
            Shape::Pulse => -0.5,
            Shape::Sine => 0.0,
        }
    }

    /// The uncorrected waveform now, Q1.31, swinging ±2^30.
    #[inline]
    pub fn value_q31(&self) -> i32 {
        let centred = self.phase.wrapping_sub(HALF_CYCLE) as i32;
        match self.shape {
            // Q: the ramp has 32 bits, the sample 31: floor.
            Shape::Ramp => centred >> 1,
            // Q: exact, |centred| ≤ 2^31, result within ±2^30.
            Shape::Triangle => (1_i32 << 30).wrapping_sub_unsigned(centred.unsigned_abs()),
            Shape::Pulse if self.phase < self.width => 1 << 30,
            Shape::Pulse => -(1 << 30),
            Shape::Sine => 0,
        }
    }

    /// Moves to the next sample and reports every edge on the way.
    #[inline]
    pub fn advance(&mut self, drive: &Drive, mut report: impl FnMut(Edge)) {
        let increment = drive.increment.bits();
        let width = drive.width.bits();
        match drive.sync {
            None => self.travel(increment, increment, width, 0, &mut report),
            Some(age) => self.restart(increment, width, age, &mut report),
        }
    }

    /// An interval that a sync cuts in two: up to the restart, the restart, and on from 0.
    fn restart(&mut self, increment: u32, width: u32, age: Age, report: &mut impl FnMut(Edge)) {
        let after = ((u64::from(increment) * u64::from(age.0)) >> 32) as u32;
        self.travel(increment - after, increment, self.width, age.0, report);
        let before = *self;
        // The width takes its step at the restart, where the waveform jumps anyway.
        *self = Self { phase: 0, width, ..before };
        report(Edge {
            past: 0,
            speed: 1,
            rest: age.0,
            height: self.exact_value() - before.exact_value(),
            slope: self.exact_slope(increment) - before.exact_slope(increment),
        });
        self.travel(after, increment, width, 0, report);
    }

    /// Travels `distance` at `increment` per sample, `rest` before the next sample.
    #[inline(always)]
    fn travel(
        &mut self,
        distance: u32,
        increment: u32,
        width: u32,
        rest: u32,
        report: &mut impl FnMut(Edge),
    ) {
        let from = *self;
        let (phase, wrapped) = from.phase.overflowing_add(distance);
        self.phase = phase;
        self.width = width;
        let corner = |past, slope| Edge { past, speed: increment, rest, height: 0, slope };
        let slope = i64::from(increment) << 2;
        match self.shape {
            Shape::Ramp if wrapped => {
                report(Edge { past: phase, speed: increment, rest, height: -FULL_STEP, slope: 0 });
            }
            Shape::Triangle => {
                // One half-cycle boundary at most: the distance is at most half a cycle.
                if wrapped {
                    report(corner(phase, slope));
                } else if from.phase < HALF_CYCLE && phase >= HALF_CYCLE {
                    report(corner(phase - HALF_CYCLE, -slope));
                }
            }
            Shape::Pulse => from.pulse_edges(self, wrapped, distance, increment, rest, report),
            Shape::Ramp | Shape::Sine => {}
        }
    }

    /// Edges of a pulse whose trailing edge may itself be moving.
    #[inline(always)]
    fn pulse_edges(
        self,
        to: &Self,
        wrapped: bool,
        distance: u32,
        increment: u32,
        rest: u32,
        report: &mut impl FnMut(Edge),
    ) {
        let was_high = self.phase < self.width;
        let is_high = to.phase < to.width;
        // Phase gained on the moving edge; its sign tells who overtakes whom.
        let gain = i64::from(distance) + i64::from(self.width) - i64::from(to.width);
        let moving = self.width != to.width;
        let trailing = |lead: i64, height| Edge {
            // A moving edge may be met at up to 1.5 cycles per sample: half units fit. Distance
            // and increment differ only where sync cuts the interval, and there it stands still.
            past: (if moving { lead >> 1 } else { lead }).unsigned_abs() as u32,
            speed: if moving { (gain >> 1).unsigned_abs().max(1) as u32 } else { increment },
            rest,
            height,
            slope: 0,
        };
        let lead = i64::from(to.phase) - i64::from(to.width);
        if wrapped {
            if was_high {
                report(trailing(lead + FULL_STEP, -FULL_STEP));
            }
            report(Edge { past: to.phase, speed: increment, rest, height: FULL_STEP, slope: 0 });
            if !is_high {
                report(trailing(lead, -FULL_STEP));
            }
        } else if was_high != is_high {
            report(trailing(lead, if is_high { FULL_STEP } else { -FULL_STEP }));
        }
    }

    /// Value in 2^-32 of full scale, ±2^31.
    fn exact_value(&self) -> i64 {
        let centred = i64::from(self.phase) - i64::from(HALF_CYCLE);
        match self.shape {
            Shape::Ramp => centred,
            Shape::Triangle => i64::from(HALF_CYCLE) - 2 * centred.abs(),
            Shape::Pulse if self.phase < self.width => i64::from(HALF_CYCLE),
            Shape::Pulse => -i64::from(HALF_CYCLE),
            Shape::Sine => 0,
        }
    }

    /// Slope in 2^-32 of full scale per sample.
    fn exact_slope(&self, increment: u32) -> i64 {
        let increment = i64::from(increment);
        match self.shape {
            Shape::Ramp => increment,
            Shape::Triangle if self.phase < HALF_CYCLE => 2 * increment,
            Shape::Triangle => -2 * increment,
            Shape::Pulse | Shape::Sine => 0,
        }
    }
}
