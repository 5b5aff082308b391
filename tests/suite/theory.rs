//! The closed forms of `plumbtone-theory` against published figures, against tables made by
//! other tools, and against plain discrete Fourier transforms.

mod bessel;
mod contour;
mod control;
mod evaluation;
mod first_order;
mod fourier;
mod glide;
mod hold;
mod ladder;
mod lfo;
mod lines;
mod modulation;
mod noise;
mod onset;
mod quantizer;
mod rc;
mod round_off;
mod state_variable;
mod step_table;
mod tables;
mod tuning;
mod waveforms;
mod wavetable;
mod windows;

use plumbtone_theory::Complex64;
use plumbtone_theory::lines::{Capture, Lines};
use rustfft::FftPlanner;

/// A 64-bit linear congruential generator (Knuth's multiplier, from memory); the high bits serve.
struct Lcg(u64);

impl Lcg {
    fn next(&mut self) -> u32 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 32) as u32
    }

    fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.next() as usize % choices.len()]
    }
}

/// Bins of one period of samples, scaled so that `exp(i w t)` of amplitude 1 reads 1.
fn bins(samples: impl Iterator<Item = f64>) -> Vec<Complex64> {
    let mut bins: Vec<Complex64> = samples.map(Complex64::from).collect();
    let count = bins.len();
    FftPlanner::new().plan_fft_forward(count).process(&mut bins);
    bins.iter().map(|b| b / count as f64).collect()
}

/// Samples of `signal(phi)` over a capture that starts at `start_cycles`.
///
/// Each phase is rounded once, and never across a break: whole cycles are removed in integers.
fn sampled(capture: &Capture, start_cycles: f64, signal: impl Fn(f64) -> f64) -> Vec<f64> {
    (0..capture.samples())
        .map(|t| {
            let place = t * capture.periods() % capture.samples();
            signal(start_cycles + place as f64 / capture.samples() as f64)
        })
        .collect()
}

/// Largest difference between predicted lines and the bins of `samples`, re the fundamental.
fn worst_line_error(prediction: &impl Lines, capture: &Capture, samples: Vec<f64>) -> f64 {
    let bins = bins(samples.into_iter());
    let mut lines = Vec::new();
    prediction.lines(capture, &mut lines);
    assert_eq!(lines.len() as u64, capture.highest_order() + 1);
    let fundamental = lines[1].norm();
    let errors = lines.iter().enumerate().map(|(order, line)| {
        (line - bins[capture.bin_two_sided(order as u64) as usize]).norm() / fundamental
    });
    errors.fold(0.0, f64::max)
}
