//! The complex amplitude of every line in a coherent capture.
//!
//! | | |
//! |---|---|
//! | Source  | `c_k H(k f0/fs)`, summed over all orders that share a bin; derived here |
//! | Units   | amplitudes re waveform swing +-1; capture of `N` samples holding `M` periods, gcd 1 |
//! | Error   | break-by-break laws exact to about 1e-10 relative; step tables to 1e-10 of full scale |
//! | Checked | `tests/suite/theory/lines.rs` |
//!
//! Sample `t` is the continuous-time signal at phase `phi0 + t M/N`, so bin `k M mod N` collects
//! `X_k = sum over all integers j of c_{k+jN} H((k+jN) M/N) exp(i 2 pi (k+jN) phi0)`. Negative
//! orders are in that sum; they are the folded conjugates.
//!
//! For a break at phase `t` and `H = sinc^n` every term is a power of `kappa + j`, where
//! `kappa = k/N`, times `exp(i 2 pi j theta)` with `theta = N (phi0 - t) + M n / 2`. With
//! `u = frac(theta) - 1/2` the sum is elementary:
//!
//! `sum over j of exp(i 2 pi j theta) / (kappa + j)^s
//!   = exp(-i 2 pi kappa u) * sum over l < s of g_l (i 2 pi u)^(s-1-l) / (s-1-l)!`,
//! `g_l = (-1)^l / l! * (d/dkappa)^l [pi / sin(pi kappa)]`,
//!
//! which is the derivative of order `s - 1` of the case `s = 1`. A latency of `d` samples turns
//! `phi0` into `phi0 - d M/N`.

use crate::fourier::{Break, PiecewiseLinear};
use crate::step_table::IntegratedSinc;
use crate::{Complex64, ParameterError, sinc};
use std::f64::consts::{PI, TAU};

/// A capture of `samples` samples that holds exactly `periods` periods, the two being coprime, so
/// that every order below `samples / 2` has a bin of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capture {
    samples: u64,
    periods: u64,
    start_cycles: f64,
}

impl Capture {
    /// A capture whose first sample is at phase `start_cycles`, of an output that lags the phase
    /// by `latency_samples`.
    ///
    /// # Errors
    /// `samples` outside 2..=2^26; `periods` outside 1..samples/2 or not coprime to `samples`; a
    /// phase or latency that is not finite.
    pub fn new(
        samples: u64,
        periods: u64,
        start_cycles: f64,
        latency_samples: f64,
    ) -> Result<Self, ParameterError> {
        let within = (2..=1 << 26).contains(&samples);
        ParameterError::check(within, "samples", samples as f64, "2..=2^26")?;
        ParameterError::check(
            periods >= 1 && 2 * periods < samples && gcd(samples, periods) == 1,
            "periods",
            periods as f64,
            "1 <= periods < samples / 2, coprime to samples",
        )?;
        ParameterError::check(start_cycles.is_finite(), "start_cycles", start_cycles, "finite")?;
        let finite = latency_samples.is_finite();
        ParameterError::check(finite, "latency_samples", latency_samples, "finite")?;
        let lag_cycles = latency_samples * periods as f64 / samples as f64;
        Ok(Self { samples, periods, start_cycles: start_cycles - lag_cycles })
    }

    /// Number of samples.
    #[must_use]
    pub fn samples(&self) -> u64 {
        self.samples
    }

    /// Number of periods.
    #[must_use]
    pub fn periods(&self) -> u64 {
        self.periods
    }

    /// Increment `f0 / fs` in cycles per sample.
    #[must_use]
    pub fn increment(&self) -> f64 {
        self.periods as f64 / self.samples as f64
    }

    /// Highest order that has a bin of its own: `samples / 2`, rounded down.
    #[must_use]
    pub fn highest_order(&self) -> u64 {
        self.samples / 2
    }

    /// Bin in `0..=samples/2` at which order `order` is found.
    #[must_use]
    pub fn bin(&self, order: u64) -> u64 {
        let bin = self.bin_two_sided(order);
        bin.min(self.samples - bin)
    }

    /// Bin in `0..samples` that holds the line of `order` with positive sign of its phase. When it
    /// lies above `samples / 2`, the bin below holds the conjugate.
    #[must_use]
    pub fn bin_two_sided(&self, order: u64) -> u64 {
        (u128::from(order) * u128::from(self.periods) % u128::from(self.samples)) as u64
    }

    /// Whether an order is a true harmonic, below half the sample rate, rather than an alias.
    #[must_use]
    pub fn is_harmonic(&self, order: u64) -> bool {
        2 * u128::from(order) * u128::from(self.periods) < u128::from(self.samples)
    }

    /// `pi order M/N`, reduced in integers to one turn.
    fn half_angle(&self, order: u64) -> f64 {
        let turns = u128::from(order) * u128::from(self.periods) % (2 * u128::from(self.samples));
        PI * (turns as f64 / self.samples as f64)
    }
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// The law by which an algorithm attenuates a line at `x = f / fs`, zero phase.
#[derive(Debug, Clone, Copy)]
pub enum Kernel<'a> {
    /// No attenuation: the sampled ideal waveform.
    None,
    /// `sinc^n`: 1 for differentiated polynomials of order 2, and so on up; 2 for two-point and 4
    /// for four-point B-spline correction.
    BSpline(u32),
    /// `sinc^4 (1 + 2 pi^2 x^2 / 3)`: four-point Lagrange correction.
    Lagrange4,
    /// The transform of a step table read with linear interpolation.
    StepTable(&'a IntegratedSinc),
}

impl Kernel<'_> {
    /// Gain at `x` cycles per sample.
    #[must_use]
    pub fn gain(&self, x: f64) -> f64 {
        match self {
            Self::None => 1.0,
            Self::BSpline(n) => sinc(x).powi(*n as i32),
            Self::Lagrange4 => sinc(x).powi(4) * (1.0 + LAGRANGE_SECOND * x * x),
            Self::StepTable(table) => table.gain(x),
        }
    }

    /// The law as `sinc^n` times a polynomial: `n` and pairs of power and weight.
    fn closed_form(&self) -> Option<(u32, &'static [(u32, f64)])> {
        match self {
            Self::None => Some((0, &[(0, 1.0)])),
            Self::BSpline(n) => Some((*n, &[(0, 1.0)])),
            Self::Lagrange4 => Some((4, &[(0, 1.0), (2, LAGRANGE_SECOND)])),
            Self::StepTable(_) => None,
        }
    }
}

const LAGRANGE_SECOND: f64 = 2.0 * PI * PI / 3.0;

/// Something whose lines in a capture can be predicted.
pub trait Lines {
    /// Complex amplitude `X_k` of orders `0..=samples/2`, indexed by order. `X_0` is the mean.
    fn lines(&self, capture: &Capture, out: &mut Vec<Complex64>);

    /// Amplitude of the sinusoid of each order, indexed by order: `2 |X_k|`, but `|X_0|` for the
    /// mean and `|X_k|` at `k = samples / 2`, which has one bin only.
    fn magnitudes(&self, capture: &Capture, out: &mut Vec<f64>) {
        let mut lines = Vec::new();
        self.lines(capture, &mut lines);
        out.clear();
        out.extend(lines.iter().enumerate().map(|(order, line)| {
            let single = order == 0 || 2 * order as u64 == capture.samples;
            line.norm() * if single { 1.0 } else { 2.0 }
        }));
    }
}

/// A piecewise-linear waveform whose breaks an algorithm smooths with a kernel.
#[derive(Debug, Clone)]
pub struct Corrected<'a> {
    wave: &'a PiecewiseLinear,
    kernel: Kernel<'a>,
}

impl<'a> Corrected<'a> {
    /// `wave` under `kernel`.
    ///
    /// # Errors
    /// B-spline order above 8.
    pub fn new(wave: &'a PiecewiseLinear, kernel: Kernel<'a>) -> Result<Self, ParameterError> {
        if let Kernel::BSpline(order) = kernel {
            ParameterError::check(order <= 8, "B-spline order", f64::from(order), "0..=8")?;
        }
        Ok(Self { wave, kernel })
    }
}

impl Lines for Corrected<'_> {
    fn lines(&self, capture: &Capture, out: &mut Vec<Complex64>) {
        out.clear();
        if let Kernel::StepTable(table) = self.kernel {
            self.table_lines(capture, table, out);
        } else if let Some((sincs, powers)) = self.kernel.closed_form() {
            self.closed_lines(capture, sincs, powers, out);
        }
    }
}

impl Corrected<'_> {
    /// A step table's gain is `sinc(x/M') D(x)` with `D(x + M') = -D(x)`, `M'` entries per sample;
    /// for corners it is `B(x)` with `B(x + M') = B(x)`. Orders `k + jN` meet the same `|D|` and
    /// `B` again after `residues` steps of `j`; over those, either sum is one of
    /// `1/(k + l grid)^2`: for steps the signs of `D` and of the sinc cancel.
    fn table_lines(&self, capture: &Capture, table: &IntegratedSinc, out: &mut Vec<Complex64>) {
        /// Terms of less than this, re full scale, are left out.
        const NEGLIGIBLE: f64 = 1e-14;
        let rate = table.oversampling() as u64;
        let residues = rate / gcd(rate, capture.periods);
        let grid = (capture.samples * residues) as f64;
        let lattices: Vec<_> = self
            .wave
            .breaks()
            .iter()
            .map(|b| (b, SquareLattice::new(grid, capture.start_cycles - b.at_cycles)))
            .collect();
        // From sinc(x/M') and from 1/(i 2 pi k): both denominators hold k.
        let scale = rate as f64 / (PI * capture.increment() * TAU);
        out.push(self.wave.mean().into());
        for order in 1..=capture.highest_order() {
            let mut line = Complex64::ZERO;
            for residue in 0..residues {
                let k = (order + residue * capture.samples) as f64;
                let x = k * capture.increment();
                let nearest = k.min(grid - k);
                let weight = scale * table.step_transform(x);
                // From 1/(i 2 pi k)^2.
                let bend = -table.corner_gain(x) / (TAU * TAU);
                if weight.abs().max(bend.abs()) > NEGLIGIBLE * nearest * nearest {
                    let zero = (PI * (x / rate as f64).rem_euclid(2.0)).sin();
                    let step = Complex64::new(0.0, -weight * zero);
                    for (b, lattice) in &lattices {
                        line += lattice.sum(k) * (step * b.step + bend * b.slope_change);
                    }
                }
            }
            out.push(line);
        }
    }

    fn closed_lines(
        &self,
        capture: &Capture,
        sincs: u32,
        powers: &[(u32, f64)],
        out: &mut Vec<Complex64>,
    ) {
        let samples = capture.samples as f64;
        let sums: Vec<BreakSum> =
            self.wave.breaks().iter().map(|b| BreakSum::new(b, capture, sincs, powers)).collect();
        let terms = sums.iter().map(|s| s.weights.len()).max().unwrap_or(0);
        let cosecant = CosecantDerivatives::new(terms);
        let mut derivatives = vec![0.0; terms];

        // Order 0: the kernel's zeros remove every partner unless there is no kernel.
        let partners: f64 = if sincs == 0 { sums.iter().map(|s| s.mean_offset).sum() } else { 0.0 };
        out.push((self.wave.mean() + partners).into());

        // Angles advance by rotation, started anew every block to keep rounding below 64 ulp.
        const BLOCK: u64 = 64;
        let half_step = Complex64::cis(PI / samples);
        let period_step = Complex64::cis(capture.half_angle(1));
        let phase_steps: Vec<_> = sums.iter().map(|s| Complex64::cis(TAU * s.cycles)).collect();
        let mut start = 1;
        while start <= capture.highest_order() {
            let mut half = Complex64::cis(PI * (start as f64 / samples));
            let mut period = Complex64::cis(capture.half_angle(start));
            let mut phases: Vec<_> = sums
                .iter()
                .map(|s| Complex64::cis(TAU * (s.cycles * start as f64).rem_euclid(1.0)))
                .collect();
            let end = (start + BLOCK).min(capture.highest_order() + 1);
            for _ in start..end {
                cosecant.evaluate(half, &mut derivatives);
                let mut line = Complex64::ZERO;
                for ((phase, sum), step) in phases.iter_mut().zip(&sums).zip(&phase_steps) {
                    let total: Complex64 =
                        sum.weights.iter().zip(&derivatives).map(|(weight, g)| weight * g).sum();
                    line += total * *phase;
                    *phase *= step;
                }
                out.push(line * period.im.powi(sincs as i32));
                half *= half_step;
                period *= period_step;
            }
            start = end;
        }
    }
}

/// What one break adds to every line: `exp(i 2 pi k cycles) sum over l of weights[l] g_l`, times
/// the common factor `sin^n(pi k M/N)`.
struct BreakSum {
    cycles: f64,
    weights: Vec<Complex64>,
    /// The partners of the mean when nothing attenuates them.
    mean_offset: f64,
}

impl BreakSum {
    fn new(b: &Break, capture: &Capture, sincs: u32, powers: &[(u32, f64)]) -> Self {
        let (samples, periods) = (capture.samples as f64, capture.periods as f64);
        let since = (capture.start_cycles - b.at_cycles).rem_euclid(1.0);
        let half_periods = f64::from(sincs % 2) * f64::from((capture.periods % 2) as u32) * 0.5;
        let turns = samples * since + half_periods;
        // A sample that meets the step takes the value after it; rounding must not decide.
        let nearest = turns.round();
        let theta = if (turns - nearest).abs() < 1e-9 { 0.0 } else { turns.rem_euclid(1.0) };
        let u = theta - 0.5;

        let per_order = Complex64::new(0.0, -1.0 / (TAU * samples));
        let kinds = [(1, per_order * b.step), (2, per_order * per_order * b.slope_change)];
        let mut weights = vec![Complex64::ZERO; sincs as usize + 2];
        for (extra, amount) in kinds {
            if amount == Complex64::ZERO {
                continue;
            }
            for &(power, weight) in powers {
                let scale =
                    weight * PI.powi(-(sincs as i32)) * periods.powi(power as i32 - sincs as i32);
                let s = (sincs + extra - power) as usize;
                let mut factor = amount * scale;
                for (m, l) in (0..s).rev().enumerate() {
                    weights[l] += factor;
                    factor *= Complex64::new(0.0, TAU * u) / (m + 1) as f64;
                }
            }
        }
        while weights.last() == Some(&Complex64::ZERO) {
            weights.pop();
        }
        let mean_offset = -b.step * u / samples
            - b.slope_change * 0.5 * (theta * theta - theta + 1.0 / 6.0) / (samples * samples);
        Self { cycles: since - u / samples, weights, mean_offset }
    }
}

/// `sum over l of exp(i 2 pi (k + l grid) phase) / (k + l grid)^2`.
struct SquareLattice {
    grid: f64,
    cycles: f64,
    u: f64,
}

impl SquareLattice {
    fn new(grid: f64, phase: f64) -> Self {
        let phase = phase.rem_euclid(1.0);
        let u = (grid * phase).rem_euclid(1.0) - 0.5;
        Self { grid, cycles: phase - u / grid, u }
    }

    fn sum(&self, k: f64) -> Complex64 {
        let half = Complex64::cis(PI * (k / self.grid));
        let g0 = PI / half.im;
        let g1 = g0 * g0 * half.re;
        Complex64::cis(TAU * (k * self.cycles).rem_euclid(1.0))
            * Complex64::new(g1, TAU * self.u * g0)
            / (self.grid * self.grid)
    }
}

/// `g_l = (-1)^l / l! (d/dkappa)^l [pi / sin(pi kappa)] = pi^(l+1) / l! * Q_l(cos) / sin^(l+1)`,
/// where `Q_0 = 1` and `Q_{l+1}(c) = (1 - c^2) Q_l'(c) + (l + 1) c Q_l(c)`.
struct CosecantDerivatives {
    /// Powers of `c^2` of `Q_l`, one factor `c` taken out of the odd ones, scaled.
    polynomials: Vec<Vec<f64>>,
}

impl CosecantDerivatives {
    fn new(count: usize) -> Self {
        let mut q = vec![1.0];
        let mut scale = PI;
        let mut polynomials = Vec::with_capacity(count);
        for l in 0..count {
            polynomials.push(q.iter().skip(l % 2).step_by(2).map(|a| a * scale).collect());
            let mut next = vec![0.0; q.len() + 1];
            for (power, a) in q.iter().enumerate() {
                if power > 0 {
                    next[power - 1] += a * power as f64;
                }
                next[power + 1] += a * ((l + 1) as f64 - power as f64);
            }
            q = next;
            scale *= PI / (l + 1) as f64;
        }
        Self { polynomials }
    }

    /// `g_0, g_1, ...` from `half = exp(i pi kappa)`.
    fn evaluate(&self, half: Complex64, out: &mut [f64]) {
        let square = half.re * half.re;
        let inverse = 1.0 / half.im;
        let mut power = inverse;
        for (l, (g, polynomial)) in out.iter_mut().zip(&self.polynomials).enumerate() {
            let even = polynomial.iter().rev().fold(0.0, |sum, a| sum * square + a);
            *g = even * power * if l % 2 == 1 { half.re } else { 1.0 };
            power *= inverse;
        }
    }
}

/// A band-limited signal: coefficients `c_0, c_1, ...`; those of negative order are conjugates.
#[derive(Debug, Clone, PartialEq)]
pub struct BandLimited {
    coefficients: Vec<Complex64>,
}

impl BandLimited {
    /// `sin(2 pi phi)`.
    #[must_use]
    pub fn sine() -> Self {
        Self { coefficients: vec![Complex64::ZERO, Complex64::new(0.0, -0.5)] }
    }

    /// The first `harmonics` harmonics of `wave`, and its mean.
    #[must_use]
    pub fn of(wave: &PiecewiseLinear, harmonics: u32) -> Self {
        let coefficients = (0..=i64::from(harmonics)).map(|k| wave.coefficient(k)).collect();
        Self { coefficients }
    }

    /// Highest harmonic.
    #[must_use]
    pub fn harmonics(&self) -> usize {
        self.coefficients.len() - 1
    }

    /// Coefficient of order `k`, of either sign.
    #[must_use]
    pub fn coefficient(&self, order: i64) -> Complex64 {
        let index = usize::try_from(order.unsigned_abs()).unwrap_or(usize::MAX);
        let c = self.coefficients.get(index).copied().unwrap_or_default();
        if order < 0 { c.conj() } else { c }
    }
}

impl Lines for BandLimited {
    /// Exact while the highest harmonic is below half the sample count.
    fn lines(&self, capture: &Capture, out: &mut Vec<Complex64>) {
        out.clear();
        let samples = capture.samples as i64;
        let reach = self.harmonics() as i64 / samples + 1;
        out.extend((0..=samples / 2).map(|order| {
            (-reach..=reach)
                .map(|j| {
                    let k = order + j * samples;
                    let turns = (k as f64 * capture.start_cycles).rem_euclid(1.0);
                    self.coefficient(k) * Complex64::cis(TAU * turns)
                })
                .sum::<Complex64>()
        }));
    }
}

/// A single-cycle table read with linear interpolation, and a sum of such reads.
///
/// A table of `T` entries that holds `c_k` reads as a continuous signal with coefficients
/// `c_(j mod T) sinc^2(j/T)` at every order `j` (Moore, Computer Music J. 1(2):26-29, 1977, for
/// the setting; the law is the transform of the triangular interpolation kernel, derived).
#[derive(Debug, Clone, PartialEq)]
pub struct InterpolatedTable {
    content: BandLimited,
    length: u64,
    reads: Vec<(f64, f64)>,
}

impl InterpolatedTable {
    /// One read of a table of `length` entries.
    ///
    /// # Errors
    /// A length outside 2..=2^20, or not above twice the highest harmonic.
    pub fn new(content: BandLimited, length: usize) -> Result<Self, ParameterError> {
        ParameterError::check(
            (2..=1 << 20).contains(&length) && length > 2 * content.harmonics(),
            "length",
            length as f64,
            "2..=2^20, above twice the highest harmonic",
        )?;
        Ok(Self { content, length: length as u64, reads: vec![(0.0, 1.0)] })
    }

    /// The difference of two reads, `r(phi - width) - r(phi) + 2 width - 1`: a pulse when the
    /// table holds a ramp.
    #[must_use]
    pub fn pulse(mut self, width: f64) -> Self {
        self.reads = vec![(width, 1.0), (0.0, -1.0)];
        self.content.coefficients[0] = (2.0 * width - 1.0).into();
        self
    }

    /// Adds one read, `lag` cycles late, to every line except the mean's own share.
    fn add_read(&self, capture: &Capture, lag: f64, gain: f64, out: &mut [Complex64]) {
        // Orders k + jN repeat their place in the table after `residues` steps of j, so the sum
        // over j splits into that many sums of 1/(kappa + j)^2 over a grid of period N residues.
        let residues = self.length / gcd(self.length, capture.samples);
        let grid = (capture.samples * residues) as f64;
        let table = self.length as f64;
        let lattice = SquareLattice::new(grid, capture.start_cycles - lag);
        for (order, line) in out.iter_mut().enumerate() {
            for residue in 0..residues {
                let k = order as u64 + residue * capture.samples;
                let place = (k % self.length) as i64;
                let place =
                    if 2 * place as u64 > self.length { place - self.length as i64 } else { place };
                if place == 0 || place.unsigned_abs() as usize > self.content.harmonics() {
                    continue;
                }
                let zero = (PI * place as f64 / table).sin() * table / PI;
                *line +=
                    self.content.coefficient(place) * lattice.sum(k as f64) * (gain * zero * zero);
            }
        }
    }
}

impl Lines for InterpolatedTable {
    /// Costs one sum per order and per `length / gcd(length, samples)`: captures whose length is a
    /// multiple of the table's are the cheap ones.
    fn lines(&self, capture: &Capture, out: &mut Vec<Complex64>) {
        out.clear();
        out.resize(capture.highest_order() as usize + 1, Complex64::ZERO);
        out[0] = self.content.coefficient(0);
        for &(lag, gain) in &self.reads {
            self.add_read(capture, lag, gain, out);
        }
    }
}
