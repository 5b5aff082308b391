//! What theory says of a module: its exact evaluation, its lines and its rounding.
//!
//! This is the only place where a module's name meets a closed form.

pub mod controls;
pub mod filters;
pub mod instruments;
pub mod laws;

use std::borrow::Cow;

use plumbtone_theory::fourier::PiecewiseLinear;
use plumbtone_theory::lines::{BandLimited, Capture, Corrected, Kernel, Lines};
use plumbtone_theory::noise::{Arithmetic, HeldRows, f32_noise_rms_at_increment, output_noise_rms};
use plumbtone_theory::step_table::IntegratedSinc;
use plumbtone_theory::waveforms::{self, Correction, DifferentiatedPolynomial};
use plumbtone_theory::wavetable::Wavetable;
use plumbtone_theory::{Complex64, ParameterError, Reference, references};
use plumbtone_voice::{Drive, Entry, NOMINAL_PEAK, Setup, Shape, UsableFrom};

use crate::error::Error;
use crate::subject::{Stimulus, Subject, Twin, rate_of};

const CYCLE: f64 = 4_294_967_296.0;
/// One Q1.31 unit.
const LSB: f64 = 1.0 / 2_147_483_648.0;
/// Half a unit in the last place of an f32 between 0.5 and 1.
const HALF_ULP: f64 = 1.0 / 33_554_432.0;
/// What the exact evaluation and the comparison itself lose, in f64.
const EXACT: f64 = 1e-12;

/// The closed forms of one module with one setup.
pub struct Yardstick {
    module: &'static str,
    setup: Setup,
    shape: Shape,
    width: f64,
    latency: f64,
    usable: UsableFrom,
    wave: PiecewiseLinear,
    law: Law,
}

enum Law {
    Naive,
    TwoPoint,
    FourPoint,
    StepTable(Box<IntegratedSinc>),
    Polynomial(DifferentiatedPolynomial),
    Wavetable(Box<Wavetable>),
    Sine,
}

impl Yardstick {
    /// The closed forms of `entry` under `setup`; none for noise.
    ///
    /// # Errors
    /// [`Error::Theory`] for settings that theory does not take.
    pub fn new(entry: &Entry, setup: &Setup) -> Result<Option<Self>, Error> {
        let width = setup.width.fraction();
        // The sine has no pieces and asks for none.
        let wave = ideal(setup.shape, width)?.unwrap_or_else(PiecewiseLinear::ramp);
        let law = match entry.name {
            "naive" => Law::Naive,
            "spline2" => Law::TwoPoint,
            "spline4" => Law::FourPoint,
            "step-table" => {
                let cutoff = plumbtone_voice::oscillators::step_table::CUTOFF;
                let table = IntegratedSinc::new(setup.taps, setup.oversampling, cutoff)?;
                Law::StepTable(Box::new(table))
            }
            "diffpoly2" => Law::Polynomial(DifferentiatedPolynomial::new(2)?),
            "diffpoly3" => Law::Polynomial(DifferentiatedPolynomial::new(3)?),
            "diffpoly4" => Law::Polynomial(DifferentiatedPolynomial::new(4)?),
            "wavetable" => {
                // A pulse is read as the difference of two ramps.
                let wave = match setup.shape {
                    Shape::Triangle => PiecewiseLinear::triangle(),
                    _ => PiecewiseLinear::ramp(),
                };
                Law::Wavetable(Box::new(Wavetable::new(&wave, setup.length)?))
            }
            "sine" => Law::Sine,
            _ => return Ok(None),
        };
        let latency = (entry.latency_samples)(setup);
        let usable = entry.usable_from;
        let (module, setup) = (entry.name, *setup);
        let shape = setup.shape;
        Ok(Some(Self { module, setup, shape, width, latency, usable, wave, law }))
    }

    /// Name of the module.
    pub fn module(&self) -> &'static str {
        self.module
    }

    /// Pulse width, fraction of the cycle.
    pub fn width(&self) -> f64 {
        self.width
    }

    /// Whether both have the same exact evaluation.
    pub fn agrees_with(&self, other: &Self) -> bool {
        (self.module, self.setup) == (other.module, other.setup)
    }

    /// From which frequency on the twin is worth using, cycles per sample.
    pub fn usable_from(&self, twin: Twin) -> f64 {
        match twin {
            Twin::Exact => 0.0,
            Twin::Float => self.usable.float,
            Twin::Fixed => self.usable.fixed,
        }
    }

    fn correction(&self) -> Option<Correction<'_>> {
        match &self.law {
            Law::Naive => Some(Correction::Naive),
            Law::TwoPoint => Some(Correction::TwoPoint),
            Law::FourPoint => Some(Correction::FourPoint),
            Law::StepTable(table) => Some(Correction::StepTable(table)),
            _ => None,
        }
    }

    /// The published algorithm in f64 at a phase in cycles and an increment in cycles per
    /// sample; swing ±1, without latency.
    pub fn value(&self, phase: f64, p: f64) -> f64 {
        if let Some(correction) = self.correction() {
            return waveforms::corrected(&self.wave, correction, phase, p);
        }
        match (&self.law, self.shape) {
            (Law::Polynomial(polynomial), Shape::Triangle) => polynomial.triangle(phase, p),
            (Law::Polynomial(polynomial), Shape::Pulse) => polynomial.pulse(self.width, phase, p),
            (Law::Polynomial(polynomial), _) => polynomial.ramp(phase, p),
            (Law::Wavetable(table), Shape::Pulse) => table.pulse(self.width, phase, p),
            (Law::Wavetable(table), _) => table.value(phase, p),
            _ => waveforms::sine(phase),
        }
    }

    /// The exact evaluation of a steady note from the setup's start on, at the scale and
    /// with the latency of the twins.
    pub fn render(&self, increment: u32, start: u32, out: &mut [f64]) {
        let p = f64::from(increment) / CYCLE;
        // The differences look back by themselves; a correction would have to look ahead.
        let latency = if matches!(self.law, Law::Polynomial(_)) { 0.0 } else { self.latency };
        let mut phase = start;
        for sample in out {
            let cycles = f64::from(phase) / CYCLE - latency * p;
            *sample = NOMINAL_PEAK * self.value(cycles, p);
            phase = phase.wrapping_add(increment);
        }
    }

    /// Predicted complex amplitude of every line, indexed by order, full scale = 1.0.
    ///
    /// `samples` hold `periods` periods; `start` is the phase of the first, 2^-32 cycle.
    ///
    /// # Errors
    /// [`Error::Theory`] for a capture that is not coherent.
    pub fn lines(
        &self,
        samples: usize,
        periods: u32,
        start: u32,
        out: &mut Vec<Complex64>,
    ) -> Result<(), Error> {
        let start = f64::from(start) / CYCLE;
        let capture = Capture::new(samples as u64, u64::from(periods), start, self.latency)?;
        match (&self.law, self.correction()) {
            (_, Some(correction)) => {
                Corrected::new(&self.wave, correction.kernel())?.lines(&capture, out);
            }
            (Law::Polynomial(polynomial), _) => {
                Corrected::new(&self.wave, polynomial.kernel())?.lines(&capture, out);
            }
            (Law::Wavetable(table), _) => {
                let spectrum = table.spectrum(capture.increment())?;
                let spectrum =
                    if self.shape == Shape::Pulse { spectrum.pulse(self.width) } else { spectrum };
                spectrum.lines(&capture, out);
            }
            _ => BandLimited::sine().lines(&capture, out),
        }
        for line in out {
            *line *= NOMINAL_PEAK;
        }
        Ok(())
    }

    /// The work that the prediction rests on.
    pub fn reference(&self) -> Reference {
        match (&self.law, self.shape) {
            (Law::Naive, _) => references::CORRECTED_LINES,
            (Law::TwoPoint | Law::FourPoint, Shape::Triangle) => references::SLOPE_CORRECTION,
            (Law::TwoPoint | Law::FourPoint, _) => references::INTEGRATED_INTERPOLATION,
            (Law::StepTable(_), _) => references::HARD_SYNC,
            (Law::Polynomial(_), _) => references::DIFFERENTIATED_POLYNOMIALS,
            (Law::Wavetable(_), _) | (Law::Sine, _) => references::TABLE_LOOKUP,
        }
    }

    /// Bound on |twin − exact evaluation| at increment `p`, full scale = 1.0, and its reason.
    ///
    /// Counted from the roundings in the module's source; see the table at its head.
    pub fn rounding(&self, twin: Twin, p: f64) -> (f64, &'static str) {
        let triangle = self.shape == Shape::Triangle;
        let pulse = self.shape == Shape::Pulse;
        // Edges that reach the same sample.
        let crowd = |reach: f64| {
            let edges = if self.shape == Shape::Ramp { 1.0 } else { 2.0 };
            1.0 + (2.0 * reach * p * edges).floor()
        };
        match (&self.law, twin) {
            (_, Twin::Exact) => (EXACT, "f64 evaluation"),
            (Law::Naive, Twin::Float) => match self.shape {
                Shape::Pulse => (EXACT, "both levels are exact"),
                Shape::Triangle => (1.5 * HALF_ULP, "phase to 24 bits, one subtraction"),
                _ => (0.5 * HALF_ULP, "phase to 24 bits"),
            },
            (Law::Naive, Twin::Fixed) => match self.shape {
                Shape::Ramp => (0.5 * LSB, "32 phase bits floored to 31"),
                _ => (EXACT, "exact in Q1.31"),
            },
            (Law::TwoPoint | Law::FourPoint, Twin::Float) => {
                let reach = if matches!(self.law, Law::TwoPoint) { 1.0 } else { 2.0 };
                let slope = if triangle { 0.5 + 4.0 * p } else { 1.0 };
                (
                    (2.0 + 6.0 * slope * crowd(reach)) * HALF_ULP,
                    "age 3 roundings, polynomial 3, sums 2, per edge in reach",
                )
            }
            (Law::TwoPoint, Twin::Fixed) => {
                (4.0 * crowd(1.0) * LSB, "age, square or cube, product and sum floored")
            }
            (Law::FourPoint, Twin::Fixed) => {
                (8.0 * crowd(2.0) * LSB, "age, four Horner steps, product and sum floored")
            }
            (Law::StepTable(table), Twin::Float) => {
                let reach = table.taps() as f64 / 2.0;
                (
                    (3.0 + 5.0 * crowd(reach)) * HALF_ULP,
                    "age 3 roundings, table 1, interpolation 1, per edge under the kernel",
                )
            }
            (Law::StepTable(table), Twin::Fixed) => {
                let reach = table.taps() as f64 / 2.0;
                (
                    (1.0 + 4.0 * crowd(reach)) * LSB,
                    "age, table, interpolation and product floored, per edge under the kernel",
                )
            }
            (Law::Wavetable(_), Twin::Float) => (
                if pulse { 8.0 } else { 2.5 } * HALF_ULP,
                "table, fraction, product and sum, per read",
            ),
            (Law::Wavetable(_), Twin::Fixed) => (
                if pulse { 4.5 } else { 2.0 } * LSB,
                "table rounded, fraction and product floored, per read",
            ),
            (Law::Sine, Twin::Float) => {
                (1.7e-9 + 4.0 * HALF_ULP, "fit 1.7e-9, argument, Horner and product rounded")
            }
            (Law::Sine, Twin::Fixed) => (1.7e-9 + 5.0 * LSB, "fit 1.7e-9, five floored products"),
            (Law::Polynomial(polynomial), _) => {
                let order = polynomial.order();
                // Largest error of p_N in units of the format; N − 1 differences weigh it with
                // the binomial coefficients, whose sum is 2^(N−1).
                let (unit, errors) = match (twin, order) {
                    (Twin::Fixed, 2) => (LSB, 0.5),
                    (Twin::Fixed, 3) => (LSB, 1.5),
                    (Twin::Fixed, _) => (LSB, 1.5),
                    (_, 2) => (HALF_ULP, 4.0),
                    (_, 3) => (HALF_ULP, 4.0),
                    (_, _) => (HALF_ULP, 5.0),
                };
                // Two reads of a pulse; a triangle's floors change sign every half cycle.
                let reads = if pulse || (triangle && twin == Twin::Fixed) { 2.0 } else { 1.0 };
                // The triangle's gain is that of a ramp at twice the increment.
                let p = if triangle { 2.0 * p } else { p };
                let factorial: f64 = (1..=order).map(f64::from).product();
                let gain = (0.5 / p).powi(order as i32 - 1) / factorial;
                let scale = match (triangle, order) {
                    (true, 3) => 2.0,
                    (true, 4) => 4.0,
                    _ => 1.0,
                };
                let differences = 2_f64.powi(order as i32 - 1);
                (
                    NOMINAL_PEAK * gain * differences * errors * reads * scale * unit + 4.0 * unit,
                    "polynomial's rounding times c_N and the sum of the binomial weights",
                )
            }
        }
    }

    /// Prediction for a differentiated polynomial's rounding noise; none for other modules,
    /// other shapes than the ramp, and the exact evaluation.
    ///
    /// # Errors
    /// An increment of 0 or above half a cycle.
    pub fn noise(&self, twin: Twin, increment: u32) -> Result<Option<Noise>, ParameterError> {
        let Law::Polynomial(polynomial) = &self.law else { return Ok(None) };
        if self.shape != Shape::Ramp {
            return Ok(None);
        }
        let order = polynomial.order();
        let p = f64::from(increment) / CYCLE;
        let (rms, limit_db) = match twin {
            Twin::Exact => return Ok(None),
            // The dropped bits change with every sample; 0.3 dB is ten times the 1/√(2N) of an
            // estimate over one second.
            Twin::Fixed => {
                let rounding = Arithmetic::Q31 { roundings: 1 };
                let rms = output_noise_rms(order, p, rounding)? * fixed_roundings(order).sqrt();
                (rms, 0.3)
            }
            // The pattern in which the increment moves the dropped phase bits is predicted, the
            // roundings after it, about as strong, are taken as white. At worst they share the
            // pattern: the level shifts twice as far. 0.5 dB: the binades of s and of p_N, to
            // which simulation puts 0.37 dB (tests/suite/theory/noise.rs).
            Twin::Float => {
                let rms = f32_noise_rms_at_increment(order, increment)?;
                let white = output_noise_rms(order, p, Arithmetic::F32)?;
                (rms, 0.5 + 2.0 * (20.0 * (rms / white).log10()).abs())
            }
        };
        Ok(Some(Noise { rms: NOMINAL_PEAK * rms, limit_db }))
    }
}

/// Predicted rounding noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Rms, full scale = 1.0.
    pub rms: f64,
    /// How far the measured noise may lie from it, dB.
    pub limit_db: f64,
}

impl Subject for Yardstick {
    fn name(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.module)
    }

    fn render(&self, stimulus: &Stimulus, out: &mut [f64]) -> Result<(), Error> {
        let increment = rate_of(stimulus)?.increment(stimulus.hz)?;
        Self::render(self, increment.bits(), stimulus.start, out);
        Ok(())
    }
}

/// Power density of a noise source.
#[derive(Clone, Copy, Debug)]
pub enum NoiseLaw {
    /// Uniform samples.
    White,
    /// Held rows.
    Pink(HeldRows),
}

impl NoiseLaw {
    /// The law of `entry`; none for a module that is no noise source.
    ///
    /// # Errors
    /// [`Error::Theory`] when theory has no such rows.
    pub fn new(entry: &Entry) -> Result<Option<Self>, Error> {
        Ok(match entry.name {
            "white" => Some(Self::White),
            "pink" => {
                let rows = plumbtone_voice::oscillators::pink::ROWS as u32;
                Some(Self::Pink(HeldRows::new(rows)?))
            }
            _ => None,
        })
    }

    /// One-sided power density at `x` cycles per sample, full scale = 1.0.
    pub fn density(&self, x: f64) -> f64 {
        // Uniform over a width w: variance w²/12, spread evenly from 0 to half the rate.
        match self {
            Self::White => 2.0 / 12.0,
            // Each row spans ±2^-6.
            Self::Pink(rows) => 2.0 * 2_f64.powi(-10) / 12.0 * rows.density(x),
        }
    }

    /// The work that the law rests on.
    pub fn reference(&self) -> Reference {
        match self {
            Self::White => references::ROUNDING_NOISE,
            Self::Pink(_) => references::PINK_NOISE,
        }
    }
}

/// Amplitudes of the harmonics of a shape that swings ±1, by order from 1.
///
/// # Errors
/// [`Error::Theory`] for a width outside 0 to 1.
pub fn series(shape: Shape, width: f64) -> Result<impl Fn(u32) -> f64, Error> {
    let wave = ideal(shape, width)?;
    Ok(move |order| match &wave {
        Some(wave) => wave.amplitude(order),
        None => f64::from(u8::from(order == 1)),
    })
}

/// Amplitude of every line of the uncorrected waveform, by order from 0; swing ±1.
///
/// # Errors
/// [`Error::Theory`] for a capture that is not coherent, [`Error::Request`] for a sine.
pub fn trivial_lines(
    shape: Shape,
    width: f64,
    samples: usize,
    periods: u32,
) -> Result<Vec<f64>, Error> {
    let wave = ideal(shape, width)?
        .ok_or_else(|| Error::Request("a sine has no aliases to compare with".to_owned()))?;
    let capture = Capture::new(samples as u64, u64::from(periods), 0.5 / samples as f64, 0.0)?;
    let mut magnitudes = Vec::new();
    Corrected::new(&wave, Kernel::None)?.magnitudes(&capture, &mut magnitudes);
    Ok(magnitudes)
}

/// The waveform as pieces of straight lines; none for the sine.
fn ideal(shape: Shape, width: f64) -> Result<Option<PiecewiseLinear>, Error> {
    Ok(match shape {
        Shape::Ramp => Some(PiecewiseLinear::ramp()),
        Shape::Triangle => Some(PiecewiseLinear::triangle()),
        Shape::Pulse => Some(PiecewiseLinear::pulse(width)?),
        Shape::Sine => None,
    })
}

/// Mean square error of the Q1.31 polynomial in units of one rounding: 1 for s²; s³ − s
/// rounds s² − 1 (weight s², mean 1/3) and the product; s⁴ − 2s² rounds s² (weight
/// (2s² − 2)², mean 32/15) and the product.
fn fixed_roundings(order: u32) -> f64 {
    match order {
        2 => 1.0,
        3 => 1.0 + 1.0 / 3.0,
        _ => 1.0 + 32.0 / 15.0,
    }
}

/// The exact evaluation as a render.
///
/// # Errors
/// [`Error::Request`] for noise, which has none.
pub(crate) fn render_exact(
    entry: &Entry,
    setup: &Setup,
    drive: &Drive,
    out: &mut [f64],
) -> Result<(), Error> {
    let yardstick = Yardstick::new(entry, setup)?.ok_or_else(|| {
        let name = entry.name;
        Error::Request(format!("`{name}` is noise and has no exact evaluation: use float or fixed"))
    })?;
    yardstick.render(drive.increment.bits(), setup.start, out);
    Ok(())
}
