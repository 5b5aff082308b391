//! What is read from a demodulated trace.

use super::analytic::Analytic;
use super::per_step;
use crate::periodic::Periodic;
use crate::reading::{Reading, Unit};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

/// A periodic modulation about its mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Depth {
    /// Amplitude of the fundamental of the modulation: half of its swing for a sine.
    pub depth: Reading,
    /// Rate of the modulation.
    pub rate_hz: Reading,
    /// Phase of the modulation re sine at the first sample of the capture, 0 to 1 turn.
    pub phase: Reading,
    /// 2nd harmonic of the modulation over its fundamental.
    pub second: Reading,
    /// 3rd harmonic of the modulation over its fundamental.
    pub third: Reading,
}

impl Depth {
    /// True where the depth is more than twice its uncertainty, which noise alone is in one of
    /// 3000 readings.
    #[must_use]
    pub fn stands_out(&self) -> bool {
        self.depth.value > 2.0 * self.depth.uncertainty
    }
}

/// Demodulated frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frequency {
    /// Mean frequency.
    pub carrier_hz: Reading,
    /// Index: amplitude of the phase in radians.
    pub index: Reading,
    /// Depth in Hz: of linear modulation, the one without harmonics.
    pub modulation: Depth,
    /// The same modulation on a scale of octaves; `None` if the frequency passes zero.
    pub octaves: Option<Octaves>,
    /// Phase noise left beside the modulation, rms, in radians.
    pub phase_noise_rms: f64,
}

/// Modulation of the logarithm of the frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Octaves {
    /// Frequency in the middle of the swing, by interval: 2 to the mean of the logarithm.
    pub centre_hz: Reading,
    /// Depth in octaves: of exponential modulation, the one without harmonics.
    pub modulation: Depth,
}

impl Octaves {
    /// Depth in cents.
    #[must_use]
    pub fn depth_cents(&self) -> Reading {
        let depth = self.modulation.depth;
        Reading::new(1200.0 * depth.value, Unit::Cents, 1200.0 * depth.uncertainty)
    }
}

impl Frequency {
    /// True if the modulation has fewer harmonics in octaves than in Hz.
    #[must_use]
    pub fn is_exponential(&self) -> bool {
        let bent = |depth: &Depth| depth.second.value.hypot(depth.third.value);
        self.octaves.is_some_and(|o| bent(&o.modulation) < bent(&self.modulation))
    }
}

/// Demodulated envelope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Amplitude {
    /// Carrier: mean frequency.
    pub carrier_hz: Reading,
    /// Mean of the envelope, full scale = 1.0.
    pub level: Reading,
    /// Depth as a ratio to the mean: 1 touches zero.
    pub modulation: Depth,
}

/// Width of a pulse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Width {
    /// Mean share of the cycle that the pulse is high.
    pub mean: Reading,
    /// Modulation of that share.
    pub modulation: Depth,
}

/// Reads the lines of a fit; `start` is the capture's sample on which the fit begins, `floor`
/// the systematic uncertainty of a line, in the fit's unit.
pub fn depth(found: &Periodic, unit: Unit, rate_hz: f64, start: usize, floor: f64) -> Depth {
    let doubts: Vec<f64> = found.line_variances.iter().map(|v| 2.0 * v.sqrt() + floor).collect();
    let phase = found.turns_at(-(start as f64)) + 0.25;
    let first = found.lines[0].norm();
    // The phase was fitted in the middle: carried to the first sample by the period.
    let ahead = start as f64 * found.turns_variance.sqrt();
    let phase_doubt = 2.0 * (found.start_variance.sqrt() + ahead) + floor / first / TAU;
    assemble(
        &found.lines,
        &doubts,
        unit,
        [
            Reading::new(
                found.turns_per_sample * rate_hz,
                Unit::Hertz,
                (2.0 * found.turns_variance.sqrt() + 4.0 * f64::EPSILON * found.turns_per_sample)
                    * rate_hz,
            ),
            Reading::new(phase.rem_euclid(1.0), Unit::Turns, phase_doubt),
        ],
    )
}

fn assemble(
    lines: &[Complex64],
    doubts: &[f64],
    unit: Unit,
    [rate_hz, phase]: [Reading; 2],
) -> Depth {
    let first = lines[0].norm();
    let harmonic = |k: usize| {
        let value = lines.get(k).map_or(0.0, |l| l.norm()) / first;
        let doubt = doubts.get(k).unwrap_or(&doubts[doubts.len() - 1]) / first;
        Reading::new(value, Unit::Ratio, doubt).with_floor(doubt)
    };
    Depth {
        depth: Reading::new(first, unit, doubts[0]).with_floor(doubts[0]),
        rate_hz,
        phase,
        second: harmonic(1),
        third: harmonic(2),
    }
}

/// Frequency readings from a fit to the phase; `floor` in radians.
pub fn frequency(found: &Periodic, analytic: &Analytic, rate_hz: f64, floor: f64) -> Frequency {
    let turns = found.turns_per_sample;
    let plain = depth(found, Unit::Ratio, rate_hz, analytic.start, floor);
    let index = plain.depth;
    let carrier = analytic.carrier + found.trend / TAU;
    // The systematic part of a phase, over the length that was looked at.
    let carrier_doubt =
        2.0 * found.trend_variance.sqrt() / TAU + floor / (TAU * analytic.signal.len() as f64);
    let steps: Vec<Complex64> =
        found.lines.iter().enumerate().map(|(i, l)| per_step(*l, i + 1, turns)).collect();
    let doubts: Vec<f64> = found
        .line_variances
        .iter()
        .enumerate()
        .map(|(i, v)| per_step(Complex64::ONE, i + 1, turns).norm() * (2.0 * v.sqrt() + floor))
        .collect();
    let hz = |values: &[f64]| values.iter().map(|v| v * rate_hz).collect::<Vec<f64>>();
    let in_hz: Vec<Complex64> = steps.iter().map(|l| l * rate_hz).collect();
    // The frequency runs a quarter turn ahead of the phase.
    let phase = Reading { value: (plain.phase.value + 0.25).rem_euclid(1.0), ..plain.phase };
    let modulation = assemble(&in_hz, &hz(&doubts), Unit::Hertz, [plain.rate_hz, phase]);
    Frequency {
        carrier_hz: Reading::new(carrier * rate_hz, Unit::Hertz, carrier_doubt * rate_hz),
        index,
        octaves: octaves(carrier, &steps, &doubts).map(|(centre, lines, relative)| Octaves {
            centre_hz: Reading::new(
                centre * rate_hz,
                Unit::Hertz,
                (carrier_doubt + centre * relative[0] * std::f64::consts::LN_2 * 0.5) * rate_hz,
            ),
            modulation: assemble(&lines, &relative, Unit::Octaves, [plain.rate_hz, phase]),
        }),
        modulation,
        phase_noise_rms: found.residual_rms,
    }
}

/// Samples of one cycle of the modulation on which its logarithm is taken.
const CYCLE: usize = 512;

/// Centre, lines and doubts of log2 of the frequency whose lines are `steps`, all in cycles per
/// sample. Read from the fitted lines, so that noise does not pass through the logarithm.
fn octaves(
    carrier: f64,
    steps: &[Complex64],
    doubts: &[f64],
) -> Option<(f64, Vec<Complex64>, Vec<f64>)> {
    let mut logs = [0.0; CYCLE];
    let mut lowest = f64::INFINITY;
    for (i, log) in logs.iter_mut().enumerate() {
        let swing: f64 = steps
            .iter()
            .enumerate()
            .map(|(k, line)| {
                let turns = ((k + 1) * i % CYCLE) as f64 / CYCLE as f64;
                (line * Complex64::cis(TAU * turns)).re
            })
            .sum();
        let frequency = carrier + swing;
        if frequency <= 0.0 {
            return None;
        }
        lowest = lowest.min(frequency);
        *log = (swing / carrier).ln_1p() / std::f64::consts::LN_2;
    }
    let line = |k: usize| -> Complex64 {
        let sum: Complex64 = logs
            .iter()
            .enumerate()
            .map(|(i, log)| log * Complex64::cis(-TAU * (k * i % CYCLE) as f64 / CYCLE as f64))
            .sum();
        sum * 2.0 / CYCLE as f64
    };
    let mean = logs.iter().sum::<f64>() / CYCLE as f64;
    let orders = steps.len().clamp(3, CYCLE / 4);
    let lines = (1..=orders).map(line).collect();
    // A line moves the logarithm by its own size over the frequency; every line reaches every
    // other through the curve, at worst where the frequency is lowest.
    let spread = doubts.iter().map(|d| d * d).sum::<f64>().sqrt();
    let inverse = inverse_rms(carrier, steps);
    let relative = (0..orders)
        .map(|k| {
            let own = doubts.get(k).or(doubts.last()).copied().unwrap_or(0.0);
            let through = (inverse - 1.0 / carrier).max(0.0);
            (own / carrier + spread * through) / std::f64::consts::LN_2
        })
        .collect();
    Some((carrier * mean.exp2(), lines, relative))
}

/// Rms over one cycle of one over the frequency.
fn inverse_rms(carrier: f64, steps: &[Complex64]) -> f64 {
    let square: f64 = (0..CYCLE)
        .map(|i| {
            let at = i as f64 / CYCLE as f64;
            let swing: f64 = steps
                .iter()
                .enumerate()
                .map(|(k, line)| (line * Complex64::cis(2.0 * PI * (k + 1) as f64 * at)).re)
                .sum();
            (carrier + swing).powi(-2)
        })
        .sum();
    (square / CYCLE as f64).sqrt()
}

/// Amplitude readings from a fit to the envelope; `floor` relative, `carrier_doubt` k = 1 in
/// cycles per sample.
pub fn amplitude(
    found: &Periodic,
    analytic: &Analytic,
    rate_hz: f64,
    floor: f64,
    carrier_doubt: f64,
) -> Amplitude {
    let whole = depth(found, Unit::FullScale, rate_hz, analytic.start, floor * found.mean);
    let level_doubt = 2.0 * found.mean_variance.sqrt() + floor * found.mean;
    let ratio = whole.depth.value / found.mean;
    let doubt = (whole.depth.uncertainty / found.mean).hypot(ratio * level_doubt / found.mean);
    Amplitude {
        carrier_hz: Reading::new(
            analytic.carrier * rate_hz,
            Unit::Hertz,
            2.0 * carrier_doubt * rate_hz,
        ),
        level: Reading::new(found.mean, Unit::FullScale, level_doubt),
        modulation: Depth {
            depth: Reading::new(ratio, Unit::Ratio, doubt).with_floor(doubt),
            ..whole
        },
    }
}
