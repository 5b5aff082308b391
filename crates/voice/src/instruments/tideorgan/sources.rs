//! What sounds: two oscillators, the second synchronised to the first if wanted, and noise.
//!
//! Each oscillator is a shape that fades into a pulse of the same phase, by definition
//! y = plain + blend (pulse − plain). Oscillators run on between notes, as free-running ones do.

use fixed::types::I1F31;

use super::parameters::{BLEND_A, BLEND_B, NOISE_SEED, SHAPE_A, SHAPE_B, SYNC, WIDTH_A, WIDTH_B};
use crate::error::RangeError;
use crate::oscillators::{spline4, white};
use crate::parameter::{Parameter, Values};
use crate::phase::{Drive, Increment, SyncSource, Width};
use crate::q31::coefficient;
use crate::registry::{Oscillator, Setup, Shape};

/// One oscillator: shape and width as a setup, and the share of the pulse.
fn oscillator(
    values: &Values<'_>,
    [shape, width, blend]: [&Parameter; 3],
) -> Result<(Setup, f64), RangeError> {
    let shape = Shape::ALL[values.choice(shape)?];
    let width = Width::new(values.of(width)?)?;
    Ok((Setup { shape, width, ..Setup::default() }, values.of(blend)?))
}

const A: [&Parameter; 3] = [&SHAPE_A, &WIDTH_A, &BLEND_A];
const B: [&Parameter; 3] = [&SHAPE_B, &WIDTH_B, &BLEND_B];

fn noise(values: &Values<'_>) -> Result<Setup, RangeError> {
    Ok(Setup { seed: values.count(&NOISE_SEED)?, ..Setup::default() })
}

/// What both oscillators do until the next sample.
#[derive(Clone, Debug)]
struct Drives {
    widths: [Width; 2],
    sync: Option<SyncSource>,
}

impl Drives {
    fn new(values: &Values<'_>, widths: [Width; 2]) -> Result<Self, RangeError> {
        let sync = values.choice(&SYNC)? == 1;
        Ok(Self { widths, sync: sync.then(SyncSource::default) })
    }

    #[inline(always)]
    fn next(&mut self, [a, b]: [Increment; 2]) -> [Drive; 2] {
        let age = self.sync.as_mut().and_then(|source| source.advance(a));
        let [width_a, width_b] = self.widths;
        [
            Drive { increment: a, width: width_a, sync: None },
            Drive { increment: b, width: width_b, sync: age },
        ]
    }
}

#[derive(Clone, Debug)]
struct FloatBlended {
    plain: spline4::Float,
    pulse: spline4::Float,
    blend: f32,
}

impl FloatBlended {
    fn new(setup: Setup, blend: f64) -> Self {
        let pulse = spline4::Float::new(&Setup { shape: Shape::Pulse, ..setup });
        Self { plain: spline4::Float::new(&setup), pulse, blend: blend as f32 }
    }

    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let plain = self.plain.tick(drive);
        if self.blend == 0.0 {
            return plain;
        }
        let pulse = self.pulse.tick(drive);
        plain + self.blend * (pulse - plain)
    }
}

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float {
    drives: Drives,
    a: FloatBlended,
    b: FloatBlended,
    noise: white::Float,
}

impl Float {
    /// Starts both cycles at phase 0.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        let ((a, blend_a), (b, blend_b)) = (oscillator(values, A)?, oscillator(values, B)?);
        Ok(Self {
            drives: Drives::new(values, [a.width, b.width])?,
            a: FloatBlended::new(a, blend_a),
            b: FloatBlended::new(b, blend_b),
            noise: white::Float::new(&noise(values)?),
        })
    }

    /// First oscillator, second oscillator, noise.
    #[inline]
    pub fn tick(&mut self, increments: [Increment; 2]) -> [f32; 3] {
        let [a, b] = self.drives.next(increments);
        [self.a.tick(&a), self.b.tick(&b), self.noise.tick(&a)]
    }
}

#[derive(Clone, Debug)]
struct FixedBlended {
    plain: spline4::Fixed,
    pulse: spline4::Fixed,
    blend: i64,
}

impl FixedBlended {
    fn new(setup: Setup, blend: f64) -> Self {
        let pulse = spline4::Fixed::new(&Setup { shape: Shape::Pulse, ..setup });
        Self { plain: spline4::Fixed::new(&setup), pulse, blend: coefficient(blend) }
    }

    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        let plain = self.plain.tick(drive);
        if self.blend == 0 {
            return plain;
        }
        let pulse = self.pulse.tick(drive);
        // Q: |pulse − plain| ≤ 2^31 as both stay within ±0.5, blend ≤ 2^31: product ≤ 2^62.
        let apart = i64::from(pulse.to_bits()) - i64::from(plain.to_bits());
        let share = (apart * self.blend + (1 << 30)) >> 31;
        // Q: between the two, so the 32 bits suffice.
        I1F31::from_bits((i64::from(plain.to_bits()) + share) as i32)
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed {
    drives: Drives,
    a: FixedBlended,
    b: FixedBlended,
    noise: white::Fixed,
}

impl Fixed {
    /// Starts both cycles at phase 0.
    ///
    /// # Errors
    /// A value outside the range of its parameter.
    pub fn new(values: &Values<'_>) -> Result<Self, RangeError> {
        let ((a, blend_a), (b, blend_b)) = (oscillator(values, A)?, oscillator(values, B)?);
        Ok(Self {
            drives: Drives::new(values, [a.width, b.width])?,
            a: FixedBlended::new(a, blend_a),
            b: FixedBlended::new(b, blend_b),
            noise: white::Fixed::new(&noise(values)?),
        })
    }

    /// First oscillator, second oscillator, noise.
    #[inline]
    pub fn tick(&mut self, increments: [Increment; 2]) -> [I1F31; 3] {
        let [a, b] = self.drives.next(increments);
        [self.a.tick(&a), self.b.tick(&b), self.noise.tick(&a)]
    }
}
