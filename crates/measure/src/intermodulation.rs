//! Two tones at once: sums and differences that a nonlinear subject makes of them.
//!
//! Both tones put whole periods into the record, so every product has a bin to itself unless it
//! shares its frequency with another; such products are marked. Floor: that of
//! [`crate::coherent`], -290 dB re the stronger tone.

use crate::coherent::{Coherent, Tone};
use crate::db;
use crate::reading::{Obstacle, within};
use num_complex::Complex64;

/// Two coherent tones.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TwoTone {
    low: Tone,
    high: Tone,
}

/// The product at `low_order f_low + high_order f_high`, folded to below half the rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Product {
    /// Factor of the lower tone, positive or 0.
    pub low_order: i32,
    /// Factor of the higher tone.
    pub high_order: i32,
    /// Frequency over the sample rate.
    pub hz_ratio: f64,
    /// Complex amplitude as found on the bin.
    pub amplitude: Complex64,
    /// True where a product of the same or a lower order, or 0 Hz, falls on the same bin.
    pub shared: bool,
}

impl Product {
    /// Sum of the magnitudes of the factors.
    #[must_use]
    pub const fn order(&self) -> u32 {
        self.low_order.unsigned_abs() + self.high_order.unsigned_abs()
    }
}

/// Products of a capture, by ascending order; the tones come first.
#[derive(Clone, Debug, PartialEq)]
pub struct Products {
    /// All of them, harmonics of either tone included.
    pub products: Vec<Product>,
}

impl TwoTone {
    /// Two tones of the same record length.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`] if the lengths differ, [`Obstacle::OutOfRange`] unless `low` lies
    /// below `high`.
    pub fn new(low: Tone, high: Tone) -> Result<Self, Obstacle> {
        if low.samples() != high.samples() {
            return Err(Obstacle::WrongLength { have: low.samples(), need: high.samples() });
        }
        let top = f64::from(high.periods()) - 1.0;
        within("periods of the lower tone", f64::from(low.periods()), 1.0, top)?;
        Ok(Self { low, high })
    }

    /// The stimulus, with these amplitudes; sines from phase 0.
    #[must_use]
    pub fn stimulus(self, low_amplitude: f64, high_amplitude: f64) -> Vec<f64> {
        let sine = |tone: Tone, n: usize| (std::f64::consts::TAU * tone.turns(n)).sin();
        (0..self.low.samples())
            .map(|n| low_amplitude * sine(self.low, n) + high_amplitude * sine(self.high, n))
            .collect()
    }

    /// Every product up to `top_order` in a settled capture of one record.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`], [`Obstacle::NotFinite`], [`Obstacle::OutOfRange`] for an order
    /// outside 2..=16.
    pub fn analyse(self, samples: &[f64], top_order: u32) -> Result<Products, Obstacle> {
        within("highest order", f64::from(top_order), 2.0, 16.0)?;
        let len = self.low.samples();
        let mut analyser = Coherent::new(len)?;
        let bins = analyser.analyse(samples)?.bins();
        let mut taken = vec![false; bins.len()];
        taken[0] = true;
        let mut products = Vec::new();
        for order in 1..=top_order as i32 {
            let mut own = Vec::new();
            for low_order in (0..=order).rev() {
                let rest = order - low_order;
                let signs: &[i32] = if low_order == 0 || rest == 0 { &[1] } else { &[-1, 1] };
                own.extend(signs.iter().map(|sign| (low_order, sign * rest)));
            }
            let fold = |(a, b): (i32, i32)| -> usize {
                let periods = i64::from(a) * i64::from(self.low.periods())
                    + i64::from(b) * i64::from(self.high.periods());
                let bin = periods.rem_euclid(len as i64) as usize;
                bin.min(len - bin)
            };
            let places: Vec<usize> = own.iter().map(|pair| fold(*pair)).collect();
            for ((low_order, high_order), bin) in own.into_iter().zip(&places) {
                let twins = places.iter().filter(|other| *other == bin).count();
                products.push(Product {
                    low_order,
                    high_order,
                    hz_ratio: *bin as f64 / len as f64,
                    amplitude: bins[*bin],
                    shared: taken[*bin] || twins > 1,
                });
            }
            places.into_iter().for_each(|bin| taken[bin] = true);
        }
        Ok(Products { products })
    }
}

impl Products {
    /// The product of these factors.
    #[must_use]
    pub fn get(&self, low_order: i32, high_order: i32) -> Option<&Product> {
        self.products.iter().find(|p| p.low_order == low_order && p.high_order == high_order)
    }

    /// Level of a product re the stronger tone, in dB.
    #[must_use]
    pub fn dbc(&self, low_order: i32, high_order: i32) -> Option<f64> {
        let tone = |a, b| self.get(a, b).map(|p| p.amplitude.norm());
        let reference = tone(1, 0)?.max(tone(0, 1)?);
        Some(db(tone(low_order, high_order)? / reference))
    }

    /// Rms sum of the true intermodulation products, which need both tones, up to `top_order`, re
    /// the rms of the two tones, as a ratio. Shared bins count once. State the order with the
    /// figure.
    #[must_use]
    pub fn distortion(&self, top_order: u32) -> f64 {
        let power = |keep: &dyn Fn(&Product) -> bool| -> f64 {
            let kept = self.products.iter().filter(|p| keep(p) && !p.shared);
            kept.map(|p| p.amplitude.norm_sqr()).sum()
        };
        let mixed = |p: &Product| p.low_order != 0 && p.high_order != 0 && p.order() <= top_order;
        (power(&mixed) / power(&|p| p.order() == 1)).sqrt()
    }
}
