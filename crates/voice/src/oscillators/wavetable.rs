//! Single-cycle tables, one per octave of frequency, read with linear interpolation.
//!
//! | | |
//! |---|---|
//! | Source  | partial sums of the Fourier series; interpolation images at k + m·length with factor sinc²((k + m·length)/length) (derived) |
//! | Units   | table length T points; band b serves 2^-(b+2) ≤ f0/fs < 2^-(b+1) with 2^b harmonics, at most T/4; output full scale = 1.0, waveform ±0.5 and its overshoot; latency 0 |
//! | float   | f32 tables; \|error\| ≤ 2.5·2^-25 (ramp, triangle), 2^-22 (pulse) |
//! | fixed   | Q1.31 tables, fraction 32 − log2 T bits, product floored; \|error\| ≤ 2 LSB (ramp, triangle), 4.5 LSB (pulse); no overflow: \|y\| ≤ 0.59 |
//! | Usable  | float and fixed: 0 Hz to fs/2; the series ends between fs/4 and fs/2 in every octave, and lower still below fs/T |
//! | Checked | `tests/suite/lines.rs::wavetable_lines_match_series_and_interpolation_images` |

use fixed::types::I1F31;

use crate::error::{RangeError, in_range};
use crate::math;
use crate::phase::Drive;
use crate::q31::coefficient;
use crate::registry::{Entry, HZ, LENGTH, Oscillator, Setup, Shape, UsableFrom, WIDTH};

/// How the bench finds this module.
pub const ENTRY: Entry = Entry {
    name: "wavetable",
    file: "oscillators/wavetable.rs",
    summary: "one band-limited table per octave, linear interpolation",
    shapes: &[Shape::Ramp, Shape::Triangle, Shape::Pulse],
    parameters: &[HZ, WIDTH, LENGTH],
    corrects_sync: false,
    latency_samples: |_| 0.0,
    usable_from: UsableFrom::ANYWHERE,
    float: |setup, lend| {
        let mut storage = [0.0_f32; MAX_STORAGE];
        let tables = Tables::build(&mut storage[..], setup, |value| value as f32)?;
        lend(&mut Float::new(&tables, setup));
        Ok(())
    },
    fixed: |setup, lend| {
        let mut storage = [0_i32; MAX_STORAGE];
        let tables = Tables::build(&mut storage[..], setup, |value| coefficient(value) as i32)?;
        lend(&mut Fixed::new(&tables, setup));
        Ok(())
    },
};

const MAX_LENGTH: usize = 4096;
/// Storage for the longest tables: 11 bands of 4096 points and a guard point.
pub const MAX_STORAGE: usize = storage_for(MAX_LENGTH);

/// Points of storage that tables of `length` points per cycle need.
pub const fn storage_for(length: usize) -> usize {
    bands(length) * (length + 1)
}

/// Bands that `length` points can carry: 1, 2, 4 ... length/4 harmonics.
const fn bands(length: usize) -> usize {
    length.ilog2() as usize - 1
}

/// The tables of one shape: band after band, each with its first point repeated at the end.
#[derive(Clone, Copy, Debug)]
pub struct Tables<'a, T> {
    points: &'a [T],
    length: usize,
}

impl<'a, T: Copy> Tables<'a, T> {
    /// Sums the series of the setup's shape into `storage`; `encode` rounds to the format.
    ///
    /// A pulse is read as the difference of two ramps, so it shares the ramp's tables. Once
    /// per start of the firmware: 2^b multiplications per point and band.
    ///
    /// # Errors
    /// `length` outside 256 to 4096 or not a power of two; fewer points of storage than
    /// [`storage_for`] asks.
    pub fn build(
        storage: &'a mut [T],
        setup: &Setup,
        encode: fn(f64) -> T,
    ) -> Result<Self, RangeError> {
        let length = LENGTH.check(setup.length as f64)? as usize;
        if !length.is_power_of_two() {
            return Err(LENGTH.refuse(length as f64));
        }
        let need = storage_for(length);
        in_range("storage", storage.len() as f64, need as f64, f64::MAX, "points")?;
        let triangle = setup.shape == Shape::Triangle;
        for point in 0..length {
            let angle = core::f64::consts::TAU * point as f64 / length as f64;
            // Harmonics by rotation: exact start, error growing below 1e-13 in 1024 steps.
            let (cos_1, sin_1) = (math::cos(angle), math::sin(angle));
            let (mut cos_k, mut sin_k) = (cos_1, sin_1);
            let mut sum = 0.0;
            for k in 1..=length / 4 {
                let order = k as f64;
                sum += match triangle {
                    // −(8/π²) Σ cos(2πkφ)/k² over odd k, halved for ±0.5.
                    true if k % 2 == 1 => -4.0 / (PI_SQUARE * order * order) * cos_k,
                    true => 0.0,
                    // −(2/π) Σ sin(2πkφ)/k, halved for ±0.5.
                    false => -sin_k / (core::f64::consts::PI * order),
                };
                (cos_k, sin_k) = (cos_k * cos_1 - sin_k * sin_1, sin_k * cos_1 + cos_k * sin_1);
                if k.is_power_of_two() {
                    let row = k.ilog2() as usize * (length + 1);
                    storage[row + point] = encode(sum);
                    if point == 0 {
                        storage[row + length] = encode(sum);
                    }
                }
            }
        }
        Ok(Self { points: &storage[..need], length })
    }

    /// Two neighbouring points and the fraction of the way between them, in 2^-32.
    #[inline(always)]
    fn pair(&self, band: usize, phase: u32) -> (T, T, u32) {
        let bits = self.length.trailing_zeros();
        let index = band * (self.length + 1) + (phase >> (32 - bits)) as usize;
        (self.points[index], self.points[index + 1], phase << bits)
    }

    /// Band whose highest harmonic stays below half the sample rate.
    #[inline(always)]
    fn band(&self, increment: u32) -> usize {
        // 2^30 ≤ increment < 2^31 is band 0; half the rate itself belongs there too.
        let octaves = increment.leading_zeros().saturating_sub(1) as usize;
        octaves.min(bands(self.length) - 1)
    }
}

const PI_SQUARE: f64 = core::f64::consts::PI * core::f64::consts::PI;

/// Float twin.
#[derive(Clone, Debug)]
pub struct Float<'a> {
    tables: Tables<'a, f32>,
    shape: Shape,
    phase: u32,
    width: u32,
}

impl<'a> Float<'a> {
    /// Starts at the phase of the setup, on tables built for its shape.
    pub fn new(tables: &Tables<'a, f32>, setup: &Setup) -> Self {
        let width = setup.width.bits();
        Self { tables: *tables, shape: setup.shape, phase: setup.start, width }
    }

    #[inline(always)]
    fn read(&self, band: usize, phase: u32) -> f32 {
        let (a, b, fraction) = self.tables.pair(band, phase);
        a + (b - a) * (fraction as f32 * (1.0 / 4_294_967_296.0))
    }
}

impl Oscillator<f32> for Float<'_> {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> f32 {
        let band = self.tables.band(drive.increment.bits());
        let mut now = self.read(band, self.phase);
        if self.shape == Shape::Pulse {
            let offset = self.width as f32 * (1.0 / 4_294_967_296.0) - 0.5;
            now = self.read(band, self.phase.wrapping_sub(self.width)) - now + offset;
        }
        self.phase = drive.next_phase(self.phase);
        self.width = drive.width.bits();
        now
    }
}

/// Fixed twin.
#[derive(Clone, Debug)]
pub struct Fixed<'a> {
    tables: Tables<'a, i32>,
    shape: Shape,
    phase: u32,
    width: u32,
}

impl<'a> Fixed<'a> {
    /// Starts at the phase of the setup, on tables built for its shape.
    pub fn new(tables: &Tables<'a, i32>, setup: &Setup) -> Self {
        let width = setup.width.bits();
        Self { tables: *tables, shape: setup.shape, phase: setup.start, width }
    }

    #[inline(always)]
    fn read(&self, band: usize, phase: u32) -> i32 {
        let (a, b, fraction) = self.tables.pair(band, phase);
        // Q: neighbours differ by less than 2^31: product < 2^62; fraction floored to 31 bits.
        a + (((i64::from(b) - i64::from(a)) * i64::from(fraction >> 1)) >> 31) as i32
    }
}

impl Oscillator<I1F31> for Fixed<'_> {
    #[inline]
    fn tick(&mut self, drive: &Drive) -> I1F31 {
        let band = self.tables.band(drive.increment.bits());
        let mut now = self.read(band, self.phase);
        if self.shape == Shape::Pulse {
            // Q: width − ½ from 32 to 31 fraction bits; the sum wraps on the way, modulo 2,
            // and ends within ±0.7.
            let offset = (self.width.wrapping_sub(1 << 31) as i32) >> 1;
            let ahead = self.read(band, self.phase.wrapping_sub(self.width));
            now = ahead.wrapping_sub(now).wrapping_add(offset);
        }
        self.phase = drive.next_phase(self.phase);
        self.width = drive.width.bits();
        I1F31::from_bits(now)
    }
}
