//! Which orders to fit.

use super::coarse::Survey;
use super::kernel::Kernel;
use super::{Model, PitchLine};
use std::f64::consts::TAU;

/// Spacing at which the survey's window tells harmonics apart: its main lobe and a bin.
pub const ISOLATED_BINS: f64 = 8.0;

/// Power over the mean noise at which an order counts as present: noise alone does so
/// once in e^12 = 160 000 bins.
const PRESENT: f64 = 12.0;

/// Nearer lines are not told apart by amplitude and phase alone.
const RESOLVED_BINS: f64 = 1.5;

/// Aliases in the open are looked for up to this many times the sample rate.
const OPEN_FOLDS: f64 = 8.0;

/// Hidden aliases are allowed for up to this many times the sample rate. One that comes
/// from j times the rate pulls the pitch by at most 1/(j rate) per Hz of its offset.
const HIDDEN_FOLDS: u32 = 4096;

#[derive(Default)]
pub struct Selection {
    orders: Vec<u32>,
    mains: Vec<(u32, f64)>,
    candidates: Vec<(f64, u32, f64)>,
    scratch: Vec<f64>,
    /// Noise rms of the capture as the survey sees it between the lines.
    pub noise_rms: f64,
    /// True where lines stand out that are not fitted.
    pub crowded: bool,
    /// Amplitude times order of aliases that may hide next to harmonics.
    hidden: f64,
}

impl Selection {
    /// The orders to fit, ascending.
    pub fn orders(&self) -> &[u32] {
        &self.orders
    }

    /// The orders up to `order`.
    pub fn up_to(&self, order: u32) -> &[u32] {
        &self.orders[..self.orders.partition_point(|o| *o <= order)]
    }

    /// Chooses lines for a fundamental of `f0` cycles per sample.
    pub fn choose(&mut self, survey: &Survey, f0: f64, model: &Model) {
        let len = survey.len();
        let spacing = f0 * len;
        let noise = self.noise_power(survey, spacing);
        self.noise_rms = (noise * len / (4.0 * Survey::WINDOW.enbw_bins())).sqrt();
        let place = |k: u32| {
            let turns = f64::from(k) * f0;
            (turns - turns.round()).abs() * len
        };
        let off_harmonic = |bin: f64| (bin / spacing - (bin / spacing).round()).abs() * spacing;
        let nyquist_order = (0.5 / f0).ceil() as u32 - 1;
        let top = (OPEN_FOLDS / f0).min(f64::from(model.max_order)) as u32;

        // Side lobes of the survey's window reach -180 dB of the strongest line.
        let strongest = survey.power.iter().skip(1).copied().fold(0.0, f64::max);
        let least = (PRESENT * noise).max(1e-18 * strongest);
        self.candidates.clear();
        for k in 1..=top {
            let bin = place(k);
            let alias = k > nyquist_order;
            if alias && off_harmonic(bin) < ISOLATED_BINS || bin < 1.0 || bin > len / 2.0 - 1.0 {
                continue;
            }
            let power = survey.at(bin);
            if power > least {
                self.candidates.push((power, k, bin));
            }
        }
        if self.candidates.is_empty() {
            self.candidates.push((survey.at(place(1)), 1, place(1)));
        }
        self.candidates.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let open = self.open_aliases(survey, nyquist_order, top, place);
        self.hidden = if model.band_limited { 0.0 } else { open.1 };
        self.crowded = !model.band_limited && open.0 > PRESENT * noise;
        self.mains.clear();
        for &(_, order, bin) in &self.candidates {
            if self.mains.iter().any(|m| (m.1 - bin).abs() < RESOLVED_BINS) {
                continue;
            }
            if self.mains.len() == model.max_lines {
                self.crowded = true;
                break;
            }
            self.mains.push((order, bin));
        }
        self.orders.clear();
        self.orders.extend(self.mains.iter().map(|m| m.0));
        self.orders.sort_unstable();
    }

    /// Expanded (k = 2) pull on f0 by aliases within the main lobe of a fitted line,
    /// in cycles per sample. To first order an alias of amplitude A at offset d moves the
    /// fit by A k1(d) over the information; its phase is unknown, so folds add
    /// as squares, each at its worst phase since the answer exceeds the first order. An alias can pull the pitch until it seems
    /// to lie right on the harmonic, so a small d proves nothing: below the offset of
    /// greatest pull, that pull is assumed.
    pub fn pull(&self, f0: f64, len: f64, kernel: &Kernel, lines: &[PitchLine]) -> f64 {
        if self.hidden == 0.0 {
            return 0.0;
        }
        let square = |l: &PitchLine| (f64::from(l.order) * l.amplitude).powi(2);
        let information = lines.iter().map(square).sum::<f64>() * kernel.at(0.0)[2];
        let pull_at = |bins: f64| kernel.at(bins / len)[1].abs();
        let (peak_bins, peak) = (1..10 * ISOLATED_BINS as u32)
            .map(|i| f64::from(i) / 10.0)
            .map(|bins| (bins, pull_at(bins)))
            .fold((0.0, 0.0), |best, at| if at.1 > best.1 { at } else { best });
        let weight: f64 = lines.iter().map(|l| f64::from(l.order) * l.amplitude).sum();
        let mut variance = 0.0;
        for fold in 1..=HIDDEN_FOLDS {
            let mut worst = 0.0;
            for line in lines {
                let turns = f64::from(line.order) * f0;
                let place = (turns - turns.round()).abs();
                for wish in [f64::from(fold) - place, f64::from(fold) + place] {
                    let order = (wish / f0).round();
                    let bins = (order * f0 - wish).abs() * len;
                    if bins < ISOLATED_BINS && order != f64::from(line.order) {
                        let pull = if bins < peak_bins { peak } else { pull_at(bins) };
                        worst +=
                            f64::from(line.order) * line.amplitude * pull * self.hidden / order;
                    }
                }
            }
            variance += worst * worst;
            // What all later folds can add falls as 1/fold.
            let most = 2.0 * weight * peak * self.hidden * f0 / f64::from(fold);
            if most * most * f64::from(fold) < 0.01 * variance {
                break;
            }
        }
        2.0 * variance.sqrt() / information / TAU
    }

    /// Mean power of the lowest aliases in the open, and their rms of order times
    /// amplitude. Where every alias hides next to a harmonic the highest harmonics stand in
    /// for them: a waveform of bounded variation falls at least as 1/k.
    fn open_aliases(
        &self,
        survey: &Survey,
        nyquist_order: u32,
        top: u32,
        place: impl Fn(u32) -> f64,
    ) -> (f64, f64) {
        let spacing = place(1);
        let off_harmonic = |bin: f64| (bin / spacing - (bin / spacing).round()).abs() * spacing;
        let open = (nyquist_order + 1..=top).filter(|k| off_harmonic(place(*k)) >= ISOLATED_BINS);
        let mut orders: Vec<u32> = open.take(16).collect();
        if orders.len() < 4 {
            let first = nyquist_order.saturating_sub(15).max(2);
            orders = (first..=nyquist_order).collect();
        }
        let count = orders.len().max(1) as f64;
        let power = |k: &u32| survey.at(place(*k));
        let mean = orders.iter().map(power).sum::<f64>() / count;
        let scaled = orders.iter().map(|k| power(k) * f64::from(*k).powi(2)).sum::<f64>() / count;
        (mean, scaled.sqrt())
    }

    /// Mean noise power by bin: the median between the harmonics over ln 2.
    fn noise_power(&mut self, survey: &Survey, spacing: f64) -> f64 {
        let clear = ISOLATED_BINS.min(0.5 * spacing - 0.6);
        self.scratch.clear();
        let (power, window) = survey.between(spacing);
        for (bin, power) in power.iter().enumerate().skip(4) {
            let ratio = bin as f64 / spacing;
            if (ratio - ratio.round()).abs() * spacing >= clear {
                self.scratch.push(*power);
            }
        }
        if self.scratch.is_empty() {
            return 0.0;
        }
        let middle = self.scratch.len() / 2;
        let median = *self.scratch.select_nth_unstable_by(middle, f64::total_cmp).1;
        median / std::f64::consts::LN_2 * Survey::WINDOW.enbw_bins() / window.enbw_bins()
    }
}
