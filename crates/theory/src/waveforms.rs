//! The published oscillator algorithms in f64, as functions of phase and increment.
//!
//! | | |
//! |---|---|
//! | Source  | Välimäki et al. 2010 and 2012; Esqueda et al. 2016; equations beside each function |
//! | Units   | `phi` in cycles, any value; `p = f0/fs` in cycles per sample, 0 < p <= 1/2; swing +-1 |
//! | State   | none: every function is of phase and increment only |
//! | Error   | 1e-12 at 20 Hz and up; the lines agree with [`crate::lines`] to 0.01 dB at -140 dBc |
//! | Checked | `tests/suite/theory/waveforms.rs` |

use crate::ParameterError;
use crate::double_double::DoubleDouble;
use crate::fourier::PiecewiseLinear;
use crate::lines::Kernel;
use crate::step_table::IntegratedSinc;

/// `sin(2 pi phi)`.
#[must_use]
pub fn sine(phi: f64) -> f64 {
    (std::f64::consts::TAU * (phi - phi.floor())).sin()
}

/// How the samples near a break are corrected.
#[derive(Debug, Clone, Copy)]
pub enum Correction<'a> {
    /// Not at all.
    Naive,
    /// Two samples per break: integrated linear interpolation. Steps after Välimäki, Pekonen, Nam
    /// 2012; slopes after Esqueda, Välimäki, Bilbao 2016 (both from memory).
    TwoPoint,
    /// Four samples per break: integrated cubic B-spline, same sources.
    FourPoint,
    /// Steps from a table of the integrated windowed sinc, slope changes from its integral.
    StepTable(&'a IntegratedSinc),
}

impl<'a> Correction<'a> {
    /// The law that the lines then follow.
    #[must_use]
    pub fn kernel(&self) -> Kernel<'a> {
        match *self {
            Self::Naive => Kernel::None,
            Self::TwoPoint => Kernel::BSpline(2),
            Self::FourPoint => Kernel::BSpline(4),
            Self::StepTable(table) => Kernel::StepTable(table),
        }
    }

    /// How far, in samples, a break reaches to either side.
    #[must_use]
    pub fn reach_samples(&self) -> f64 {
        match self {
            Self::Naive => 0.0,
            Self::TwoPoint => 1.0,
            Self::FourPoint => 2.0,
            Self::StepTable(table) => 0.5 * table.taps() as f64,
        }
    }

    /// What to add for a step of height 1, `d` samples after it (negative before).
    #[must_use]
    pub fn step_residual(&self, d: f64) -> f64 {
        match self {
            Self::Naive => 0.0,
            Self::TwoPoint => match d {
                d if (-1.0..0.0).contains(&d) => 0.5 * (d + 1.0) * (d + 1.0),
                d if (0.0..1.0).contains(&d) => -0.5 * (1.0 - d) * (1.0 - d),
                _ => 0.0,
            },
            Self::FourPoint => {
                let f = d - d.floor();
                let quartic = |c4: f64, c3: f64, c2: f64, c1: f64, c0: f64| {
                    (((c4 * f + c3) * f + c2) * f + c1) * f + c0
                };
                match d.floor() {
                    -2.0 => quartic(1.0 / 24.0, 0.0, 0.0, 0.0, 0.0),
                    -1.0 => quartic(-1.0 / 8.0, 1.0 / 6.0, 1.0 / 4.0, 1.0 / 6.0, 1.0 / 24.0),
                    0.0 => quartic(1.0 / 8.0, -1.0 / 3.0, 0.0, 2.0 / 3.0, -1.0 / 2.0),
                    1.0 => quartic(-1.0 / 24.0, 1.0 / 6.0, -1.0 / 4.0, 1.0 / 6.0, -1.0 / 24.0),
                    _ => 0.0,
                }
            }
            Self::StepTable(table) => table.residual(d),
        }
    }

    /// What to add for a slope change of 1 per sample, `d` samples after it.
    #[must_use]
    pub fn slope_residual(&self, d: f64) -> f64 {
        let d = d.abs();
        match self {
            Self::Naive => 0.0,
            Self::StepTable(table) => table.corner_residual(d),
            Self::TwoPoint => (1.0 - d).max(0.0).powi(3) / 6.0,
            Self::FourPoint if d < 1.0 => {
                (((d / 40.0 - 1.0 / 12.0) * d * d + 1.0 / 3.0) * d - 0.5) * d + 7.0 / 30.0
            }
            Self::FourPoint => (2.0 - d).max(0.0).powi(5) / 120.0,
        }
    }
}

/// `wave` at phase `phi` with every break within reach corrected, on either side and however many
/// there are. No latency: the correction looks ahead, which a real module pays for with
/// [`Correction::reach_samples`] of delay. An increment that is not positive corrects nothing.
#[must_use]
pub fn corrected(wave: &PiecewiseLinear, correction: Correction<'_>, phi: f64, p: f64) -> f64 {
    let reach = correction.reach_samples();
    if reach == 0.0 || p.is_nan() || p <= 0.0 {
        return wave.value(phi);
    }
    let mut value = wave.value(phi);
    for b in wave.breaks() {
        // The latest occurrence at or before the sample, then its neighbours both ways.
        let past = (phi - b.at_cycles) - (phi - b.at_cycles).floor();
        let first = -((reach * p + past).floor());
        let mut cycle = first;
        while (past + cycle) / p <= reach {
            let d = (past + cycle) / p;
            value += b.step * correction.step_residual(d)
                + b.slope_change * p * correction.slope_residual(d);
            cycle += 1.0;
        }
    }
    value
}

/// Differentiated polynomial waveforms of order 2 to 4.
///
/// `y = c_N (1 - z^-1)^(N-1) p_N(s)`, `s = 2 phi - 1`, `c_N = P^(N-1) / (2^(N-1) N!)`, `P = 1/p`;
/// `p_2 = s^2`, `p_3 = s^3 - s`, `p_4 = s^4 - 2 s^2` (Välimäki, Nam, Smith, Abel 2010). The scaling
/// is the simple one: line `k` comes out as the Fourier coefficient times `sinc^(N-1)`.
///
/// The output lags the phase by `(N - 1) / 2` samples: the value returned for `phi` is that of
/// the sample at which the phase is `phi`, from this and the `N - 1` samples before it.
///
/// The differences cancel up to 60 bits on low notes. They are taken in double-double arithmetic,
/// so nothing but the last rounding is lost. Where none of the samples involved lies beyond a wrap
/// or a corner, they are not taken at all: `p_N` has order `N`, so its differences of order `N - 1`
/// are the straight line itself, half their span ago (Kleimola & Välimäki 2012 build on this).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DifferentiatedPolynomial {
    order: u32,
}

impl DifferentiatedPolynomial {
    /// The algorithm of order `order`.
    ///
    /// # Errors
    /// `order` outside 2..=4.
    pub fn new(order: u32) -> Result<Self, ParameterError> {
        ParameterError::check((2..=4).contains(&order), "order", f64::from(order), "2..=4")?;
        Ok(Self { order })
    }

    /// Order `N`.
    #[must_use]
    pub fn order(&self) -> u32 {
        self.order
    }

    /// Delay of the output against the phase: `(N - 1) / 2`.
    #[must_use]
    pub fn latency_samples(&self) -> f64 {
        0.5 * f64::from(self.order - 1)
    }

    /// The law that the lines follow.
    #[must_use]
    pub fn kernel(&self) -> Kernel<'static> {
        Kernel::BSpline(self.order - 1)
    }

    /// Ramp.
    #[must_use]
    pub fn ramp(&self, phi: f64, p: f64) -> f64 {
        self.ramp_at(DoubleDouble::from(phi), p)
    }

    fn ramp_at(&self, phi: DoubleDouble, p: f64) -> f64 {
        let since = phi.wrap().0.to_f64();
        if since > self.span(p) {
            return 2.0 * (since - 0.5 * self.span(p)) - 1.0;
        }
        let two = DoubleDouble::from(2.0);
        let one = DoubleDouble::from(1.0);
        let difference = self.difference(phi, p, |phase| {
            let (phase, _) = phase.wrap();
            let s = two * phase - one;
            let square = s * s;
            match self.order {
                2 => square,
                3 => (square - one) * s,
                _ => square * (square - two),
            }
        });
        difference * self.scale(p)
    }

    /// Pulse as the difference of two ramps: `r(phi - width) - r(phi) + 2 width - 1`.
    #[must_use]
    pub fn pulse(&self, width: f64, phi: f64, p: f64) -> f64 {
        self.ramp_at(DoubleDouble::sum(phi, -width), p) - self.ramp(phi, p) + 2.0 * width - 1.0
    }

    /// Triangle from the Euler polynomials `E_2 = x^2 - x`, `E_3 = x^3 - 3/2 x^2 + 1/4`,
    /// `E_4 = x^4 - 2 x^3 + x`.
    ///
    /// On each half cycle let `x` run from 0 to 1. The triangle is `2 E_1(x) = 2 x - 1` on the
    /// first half and its negative on the second. Since `E_N' = N E_(N-1)` and
    /// `E_N(1) = -E_N(0)`, the alternating `E_N` is continuous with its first `N - 2` derivatives
    /// and its derivative of order `N - 1` is `N! E_1`. A sample advances `x` by `2 p`, so
    /// `y = 2 (P/2)^(N-1) / N! (1 - z^-1)^(N-1) [+-E_N(x)]`, and each difference divided by its
    /// step is one box of one sample: `sinc^(N-1)`. (Derived.)
    #[must_use]
    pub fn triangle(&self, phi: f64, p: f64) -> f64 {
        let number = DoubleDouble::from;
        let phase = phi - phi.floor();
        let (since, sign) = if phase < 0.5 { (phase, 1.0) } else { (phase - 0.5, -1.0) };
        if since > self.span(p) {
            return sign * (4.0 * (since - 0.5 * self.span(p)) - 1.0);
        }
        let difference = self.difference(number(phi), p, |phase| {
            let (x, odd) = (phase + phase).wrap();
            let square = x * x;
            let euler = match self.order {
                2 => square - x,
                3 => square * x - number(1.5) * square + number(0.25),
                _ => square * square - number(2.0) * square * x + x,
            };
            if odd { -euler } else { euler }
        });
        2.0 * difference * self.scale(p)
    }

    /// Phase covered by the samples involved.
    fn span(&self, p: f64) -> f64 {
        f64::from(self.order - 1) * p
    }

    /// `(1 - z^-1)^(N-1)` of a polynomial along the phase.
    fn difference(
        &self,
        phi: DoubleDouble,
        p: f64,
        polynomial: impl Fn(DoubleDouble) -> DoubleDouble,
    ) -> f64 {
        let mut values = [DoubleDouble::from(0.0); 4];
        for (j, value) in values.iter_mut().take(self.order as usize).enumerate() {
            *value = polynomial(phi - DoubleDouble::product(j as f64, p));
        }
        for count in (1..self.order as usize).rev() {
            for j in 0..count {
                values[j] = values[j] - values[j + 1];
            }
        }
        values[0].to_f64()
    }

    /// `P^(N-1) / (2^(N-1) N!)`.
    fn scale(&self, p: f64) -> f64 {
        let factorial: u32 = (1..=self.order).product();
        (0.5 / p).powi(self.order as i32 - 1) / f64::from(factorial)
    }
}
