//! Cosine-sum windows and their properties.
//!
//! A window of N samples is `w[n] = sum (-1)^q a_q cos(2 pi q n / N)` (the DFT-even
//! form: `w[N]` would equal `w[0]`). Coefficients: Harris, Proc. IEEE 66(1):51-83, 1978;
//! Nuttall, IEEE ASSP 29(1):84-91, 1981; Heinzel, Rüdiger, Schilling, AEI report, 2002.

use num_complex::Complex64;
use std::f64::consts::PI;

/// The windows on offer. The `Hft` family is flat-topped, for amplitude only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names are the field's own")]
pub enum Window {
    Rectangular,
    Hann,
    Hamming,
    Blackman,
    ExactBlackman,
    BlackmanHarris3,
    BlackmanHarris4,
    BlackmanHarris7,
    Nuttall4b,
    Nuttall4c,
    FlatTopIso18431,
    Hft70,
    Hft95,
    Hft90d,
    Hft116d,
    Hft144d,
    Hft169d,
    Hft196d,
    Hft223d,
    Hft248d,
}

impl Window {
    /// Every window.
    pub const ALL: [Self; 20] = [
        Self::Rectangular,
        Self::Hann,
        Self::Hamming,
        Self::Blackman,
        Self::ExactBlackman,
        Self::BlackmanHarris3,
        Self::BlackmanHarris4,
        Self::BlackmanHarris7,
        Self::Nuttall4b,
        Self::Nuttall4c,
        Self::FlatTopIso18431,
        Self::Hft70,
        Self::Hft95,
        Self::Hft90d,
        Self::Hft116d,
        Self::Hft144d,
        Self::Hft169d,
        Self::Hft196d,
        Self::Hft223d,
        Self::Hft248d,
    ];

    /// The magnitudes `a_q`, q = 0, 1, ...
    #[must_use]
    pub const fn coefficients(self) -> &'static [f64] {
        match self {
            Self::Rectangular => &[1.0],
            Self::Hann => &[0.5, 0.5],
            Self::Hamming => &[0.54, 0.46],
            Self::Blackman => &[0.42, 0.5, 0.08],
            Self::ExactBlackman => &[7938.0 / 18608.0, 9240.0 / 18608.0, 1430.0 / 18608.0],
            Self::BlackmanHarris3 => &[0.42323, 0.49755, 0.07922],
            Self::BlackmanHarris4 => &[0.35875, 0.48829, 0.14128, 0.01168],
            // Albrecht, ICASSP 2001, pp. 3045-3048; from memory, held to its side lobes.
            Self::BlackmanHarris7 => &[
                0.27105140069342,
                0.43329793923448,
                0.21812299954311,
                0.06592544638803,
                0.01081174209837,
                0.00077658482522,
                0.00001388721735,
            ],
            Self::Nuttall4b => &[0.355768, 0.487396, 0.144232, 0.012604],
            Self::Nuttall4c => &[0.3635819, 0.4891775, 0.1365995, 0.0106411],
            Self::FlatTopIso18431 => &[1.0, 1.933, 1.286, 0.388, 0.0322],
            Self::Hft70 => &[1.0, 1.90796, 1.07349, 0.18199],
            Self::Hft95 => &[1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665],
            Self::Hft90d => &[1.0, 1.942604, 1.340318, 0.440811, 0.043097],
            Self::Hft116d => &[1.0, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288],
            Self::Hft144d => {
                &[1.0, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.00090360]
            }
            // Not the set ending ..41, ..88, ..86, ..21 that circulates: that one
            // reaches only -167.88 dB.
            Self::Hft169d => &[
                1.0, 1.97441843, 1.65409889, 0.95788187, 0.33673420, 0.06364622, 0.00521942,
                0.00010599,
            ],
            Self::Hft196d => &[
                1.0,
                1.979280420,
                1.710288951,
                1.081629853,
                0.448734314,
                0.112376628,
                0.015122992,
                0.000871252,
                0.000011896,
            ],
            Self::Hft223d => &[
                1.0,
                1.98298997309,
                1.75556083063,
                1.19037717712,
                0.56155440797,
                0.17296769663,
                0.03233247087,
                0.00324954578,
                0.00013801040,
                0.00000132725,
            ],
            Self::Hft248d => &[
                1.0,
                1.985844164102,
                1.791176438506,
                1.282075284005,
                0.667777530266,
                0.240160796576,
                0.056656381764,
                0.008134974479,
                0.000624544650,
                0.000019808998,
                0.000000132974,
            ],
        }
    }

    /// The window as `len` samples, scaled to a mean of 1.
    #[must_use]
    pub fn samples(self, len: usize) -> Vec<f64> {
        samples(self.coefficients(), len)
    }

    /// Half the width of the main lobe, in bins: its transform has its nulls from here.
    #[must_use]
    pub const fn main_lobe_bins(self) -> usize {
        self.coefficients().len()
    }

    /// Mean over peak.
    #[must_use]
    pub fn coherent_gain(self) -> f64 {
        let a = self.coefficients();
        a[0] / a.iter().sum::<f64>()
    }

    /// Equivalent noise bandwidth, in bins.
    #[must_use]
    pub fn enbw_bins(self) -> f64 {
        let a = self.coefficients();
        1.0 + a[1..].iter().map(|c| c * c).sum::<f64>() / (2.0 * a[0] * a[0])
    }

    /// Response at `bins` from the centre, 1 at the centre, in the limit of many samples.
    #[must_use]
    pub fn response(self, bins: f64) -> f64 {
        response(self.coefficients(), bins)
    }

    /// Complex response of the `len`-sample window, mean 1, to `exp(i 2 pi x n / len)`,
    /// x = `bins` off the bin it is read at. Exact; `len` > 2 `main_lobe_bins`.
    #[must_use]
    pub fn transform(self, bins: f64, len: usize) -> Complex64 {
        let n = len as f64;
        let a = self.coefficients();
        let dirichlet = |x: f64| {
            let turn = Complex64::cis(PI * x * (n - 1.0) / n);
            let s = (PI * x / n).sin();
            // On the bin itself the ratio is 0/0 and its limit is 1.
            if s.abs() < 1e-15 { turn } else { turn * ((PI * x).sin() / (n * s)) }
        };
        let mut sum = dirichlet(bins) * a[0];
        for (q, c) in a.iter().enumerate().skip(1) {
            let sign = if q % 2 == 0 { 0.5 } else { -0.5 };
            sum += (dirichlet(bins + q as f64) + dirichlet(bins - q as f64)) * (c * sign);
        }
        sum / a[0]
    }

    /// Largest deviation of the response within half a bin of the centre, in dB: the
    /// scalloping of an ordinary window, the flatness of a flat-top.
    #[must_use]
    pub fn flatness_db(self) -> f64 {
        (1..=500)
            .map(|i| crate::db(self.response(f64::from(i) / 1000.0).abs()))
            .fold(0.0, |worst: f64, d| if d.abs() > worst.abs() { d } else { worst })
    }

    /// Highest side lobe, in dB re the centre.
    #[must_use]
    pub fn highest_side_lobe_db(self) -> f64 {
        highest_side_lobe_db(self.coefficients())
    }
}

/// Samples of the cosine sum `a`, scaled to a mean of 1.
fn samples(a: &[f64], len: usize) -> Vec<f64> {
    (0..len)
        .map(|i| {
            a.iter()
                .enumerate()
                .map(|(q, c)| {
                    // The argument is reduced in integers, so each sample is exact to rounding.
                    let turns = (q * i % len) as f64 / len as f64;
                    let sign = if q % 2 == 0 { *c } else { -c };
                    sign * (2.0 * PI * turns).cos()
                })
                .sum::<f64>()
                / a[0]
        })
        .collect()
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Response of the cosine sum `a` at `bins` from the centre, for many samples.
fn response(a: &[f64], bins: f64) -> f64 {
    a.iter()
        .enumerate()
        .map(|(q, c)| c * 0.5 * (sinc(bins + q as f64) + sinc(bins - q as f64)))
        .sum::<f64>()
        / a[0]
}

/// Highest side lobe of any cosine sum with magnitudes `a`, in dB re the centre; NaN if `a` is
/// empty.
#[must_use]
pub fn highest_side_lobe_db(a: &[f64]) -> f64 {
    if a.is_empty() {
        return f64::NAN;
    }
    const STEP: f64 = 1.0 / 512.0;
    let at = |i: usize| response(a, i as f64 * STEP);
    // Leave the flat top, then go on to the first null: there the side lobes begin.
    let mut i = 1;
    while at(i).abs() > 0.5 {
        i += 1;
    }
    while at(i) * at(i + 1) > 0.0 && at(i + 1).abs() < at(i).abs() {
        i += 1;
    }
    // Side lobes of a cosine sum fall monotonically well past its highest term.
    let end = ((a.len() + 40) as f64 / STEP) as usize;
    let top = (i + 1..end).map(at).fold(0.0, |top: f64, w| top.max(w.abs()));
    crate::db(top)
}
