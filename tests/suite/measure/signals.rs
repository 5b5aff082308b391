//! Test signals with closed-form spectra. Nothing here comes from the crate under test.

use std::f64::consts::{PI, TAU};

/// Splitmix64 and the polar method: repeatable Gaussian noise of unit variance.
pub struct Noise(u64);

impl Noise {
    pub fn seeded(seed: u64) -> Self {
        Self(seed)
    }

    /// Uniform in 0..1.
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn gaussian(&mut self) -> f64 {
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                return u * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }
}

/// Waveforms of peak 1 and their Fourier amplitudes (any textbook on Fourier series).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wave {
    Sine,
    Ramp,
    Triangle,
    Pulse(f64),
}

impl Wave {
    /// Signed sine amplitude of harmonic `k`; the pulse's are taken about its middle.
    pub fn harmonic(self, k: u32) -> f64 {
        let k_f = f64::from(k);
        match self {
            Self::Sine => f64::from(k == 1),
            Self::Ramp => -2.0 / (PI * k_f),
            Self::Triangle if k.is_multiple_of(2) => 0.0,
            Self::Triangle if k % 4 == 1 => 8.0 / (PI * k_f).powi(2),
            Self::Triangle => -8.0 / (PI * k_f).powi(2),
            Self::Pulse(d) => 4.0 / (PI * k_f) * (PI * (k_f * d).rem_euclid(2.0)).sin(),
        }
    }

    /// The waveform with every harmonic below half the rate, phase `turns` at sample 0.
    pub fn additive(self, cycles_per_sample: f64, turns: f64, len: usize) -> Vec<f64> {
        let top = (0.5 / cycles_per_sample).ceil() as u32 - 1;
        self.partial(
            top.min(if self == Self::Sine { 1 } else { top }),
            cycles_per_sample,
            turns,
            len,
        )
    }

    /// The first `top` harmonics.
    pub fn partial(self, top: u32, cycles_per_sample: f64, turns: f64, len: usize) -> Vec<f64> {
        let amplitudes: Vec<f64> = (1..=top).map(|k| self.harmonic(k)).collect();
        (0..len)
            .map(|n| {
                // Clenshaw for sum a_k sin(k x): one sin and cos per sample, error of the
                // order of 1e-16 times the number of harmonics at worst.
                let x = TAU * frac(turns, cycles_per_sample, n);
                let (sin, cos) = x.sin_cos();
                match self {
                    Self::Pulse(_) => clenshaw_cos(&amplitudes, cos),
                    _ => sin * clenshaw(&amplitudes, cos),
                }
            })
            .collect()
    }
}

/// Phase in turns, the product kept exact: f64 alone loses digits over a long capture.
pub fn frac(turns: f64, cycles_per_sample: f64, n: usize) -> f64 {
    let n = n as f64;
    let product = cycles_per_sample * n;
    let rest = cycles_per_sample.mul_add(n, -product);
    let phase = product.rem_euclid(1.0) + rest + turns;
    phase.rem_euclid(1.0)
}

fn clenshaw(a: &[f64], cos: f64) -> f64 {
    let (mut b1, mut b2) = (0.0, 0.0);
    for &c in a.iter().rev() {
        (b1, b2) = (c + 2.0 * cos * b1 - b2, b1);
    }
    b1
}

fn clenshaw_cos(a: &[f64], cos: f64) -> f64 {
    let (mut b1, mut b2) = (0.0, 0.0);
    for &c in a.iter().rev() {
        (b1, b2) = (c + 2.0 * cos * b1 - b2, b1);
    }
    cos * b1 - b2
}

/// The trivially sampled ramp, -1..1.
pub fn naive_ramp(cycles_per_sample: f64, turns: f64, len: usize) -> Vec<f64> {
    (0..len).map(|n| 2.0 * frac(turns, cycles_per_sample, n) - 1.0).collect()
}

/// Frequency of a MIDI key, A4 = 440 Hz (ISO 16:1975).
pub fn key_hz(key: u32) -> f64 {
    440.0 * ((f64::from(key) - 69.0) / 12.0).exp2()
}

pub fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}
