//! What theory says of control laws: every code's figure, and how far a twin may be off.
//!
//! ```
//! use plumbtone::expect::laws::Exact;
//! use plumbtone::{Settings, Twin};
//!
//! let pitch = Exact::new("pitch", &Settings::parse("pitch", "bits=12")?, 48_000)?;
//! // A figure that is half an increment off has this error in cents.
//! let error = pitch.error(pitch.at(1000) + 0.5, 1000);
//! assert!(error.abs() < pitch.bound(Twin::Fixed, 1000));
//! # Ok::<(), plumbtone::Error>(())
//! ```

use plumbtone_measure::images::{Control, Images, images as measure};
use plumbtone_measure::reading::Obstacle;
use plumbtone_theory::control::{
    Calibration, DepthUnit, PitchLaw, Taper, bend_octaves, depth, increment,
    polynomial_worst_cents, table_worst_cents, tracking_octaves, travel,
};
use plumbtone_theory::hold::{Fill, Image, Updates};
use plumbtone_theory::{Reference, references};
use plumbtone_voice::control::{
    bend, depth as knob, exp2, pitch, smoothing, taper, tracking, update,
};

use super::EXACT;
use crate::error::Error;
use crate::settings::Settings;
use crate::subject::Twin;

const U: f64 = 1.0 / 16_777_216.0;
const LSB: f64 = 1.0 / 2_147_483_648.0;
/// Half a unit of Q6.26, in octaves.
const HALF_Q26: f64 = 1.0 / 134_217_728.0;
/// Cents per octave.
const OCTAVE: f64 = 1200.0;
/// Cents of a small relative error.
const CENTS: f64 = OCTAVE / std::f64::consts::LN_2;

/// In what the error of a law is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// The figure is an increment or a ratio: cents of its ratio to the exact one.
    Ratio,
    /// The figure is in octaves: cents of the difference.
    Octaves,
    /// The figure is a fraction of full scale: the difference.
    Level,
}

/// The exact law of a module with its settings.
pub struct Exact {
    form: Form,
    /// Converter bits, where there are any.
    bits: u32,
    rate_hz: f64,
}

enum Form {
    Pitch(PitchLaw, Fit),
    Exp2(Fit),
    Bend(f64),
    Taper(Taper),
    Depth(f64, DepthUnit),
    Tracking(f64, f64),
}

/// How a power of two is approximated, and by how many cents that errs at most.
struct Fit {
    table: bool,
    cents: f64,
}

impl Fit {
    fn new(settings: &Settings) -> Result<Self, Error> {
        let table = settings.value(&exp2::METHOD)? == 1.0;
        let cents = if table {
            table_worst_cents(settings.value(&exp2::POINTS)? as u32)?
        } else {
            let degree = settings.value(&exp2::DEGREE)? as u32;
            let worst = polynomial_worst_cents(degree)
                .map_err(|error| Error::Request(error.to_string()))?;
            let (flat, sharp) = worst.ok_or_else(|| {
                Error::Request(format!("no polynomial of degree {degree} in the tables"))
            })?;
            sharp.max(-flat)
        };
        Ok(Self { table, cents })
    }

    /// Fit and arithmetic, in cents; head of control/exp2.rs.
    fn bound(&self, twin: Twin) -> f64 {
        let arithmetic = match (twin, self.table) {
            (Twin::Exact, _) => return 1e-9,
            (Twin::Float, false) => 1.8 * U * CENTS,
            (Twin::Float, true) => 2.5 * U * CENTS,
            (Twin::Fixed, false) => 5.0 * LSB * CENTS,
            (Twin::Fixed, true) => 3.0 * LSB * CENTS,
        };
        self.cents + arithmetic
    }
}

impl Exact {
    /// The law of `module`.
    ///
    /// # Errors
    /// Settings that theory does not take, or a module that is no law.
    pub fn new(module: &str, settings: &Settings, rate_hz: u32) -> Result<Self, Error> {
        let value = |parameter| settings.value(parameter);
        let mut bits = 0;
        let form = match module {
            "pitch" => {
                bits = value(&plumbtone_voice::control::BITS)? as u32;
                let calibration =
                    Calibration { offset_v: value(&pitch::OFFSET)?, gain: value(&pitch::GAIN)? };
                let law = PitchLaw::new(
                    bits,
                    value(&pitch::LOW)?,
                    value(&pitch::HIGH)?,
                    value(&pitch::ZERO_KEY)?,
                    calibration,
                )?;
                Form::Pitch(law, Fit::new(settings)?)
            }
            "exp2" => {
                bits = 16;
                Form::Exp2(Fit::new(settings)?)
            }
            "bend" => {
                bits = 14;
                Form::Bend(value(&bend::RANGE)?)
            }
            "taper" => {
                bits = value(&plumbtone_voice::control::BITS)? as u32;
                Form::Taper(match value(&taper::CURVE)? as usize {
                    0 => Taper::Linear,
                    1 => Taper::Logarithmic { middle: value(&taper::MIDDLE)? },
                    _ => Taper::S,
                })
            }
            "depth" => {
                bits = value(&plumbtone_voice::control::BITS)? as u32;
                let units =
                    [DepthUnit::Cents, DepthUnit::Octaves, DepthUnit::Volts, DepthUnit::Percent];
                Form::Depth(value(&knob::AMOUNT)?, units[value(&knob::UNIT)? as usize])
            }
            "tracking" => Form::Tracking(value(&tracking::AMOUNT)?, value(&tracking::PIVOT)?),
            _ => return Err(Error::Request(format!("`{module}` has no closed form as a law"))),
        };
        Ok(Self { form, bits, rate_hz: f64::from(rate_hz) })
    }

    /// The exact figure at a code, in the module's unit.
    pub fn at(&self, code: u32) -> f64 {
        let code = f64::from(code);
        let place = || travel(code, self.bits).unwrap_or(f64::NAN);
        match &self.form {
            Form::Pitch(law, _) => increment(law.octaves(code), self.rate_hz),
            Form::Exp2(_) => (code / 65_536.0).exp2(),
            Form::Bend(range) => bend_octaves(code, *range),
            Form::Taper(taper) => taper.output(place()),
            Form::Depth(amount, unit) => depth(place(), *amount, *unit),
            Form::Tracking(amount, pivot) => tracking_octaves(code, *pivot, *amount),
        }
    }

    /// Octaves that a code asks for, the abscissa of a straight-line fit; none for laws that
    /// make no pitch.
    pub fn octaves(&self, code: u32) -> Option<f64> {
        match &self.form {
            Form::Pitch(law, _) => Some(law.octaves(f64::from(code))),
            Form::Exp2(_) => Some(f64::from(code) / 65_536.0),
            Form::Taper(_) | Form::Depth(_, DepthUnit::Percent) => None,
            _ => Some(self.at(code)),
        }
    }

    /// In what errors are counted.
    pub fn scale(&self) -> Scale {
        match &self.form {
            Form::Pitch(..) | Form::Exp2(_) => Scale::Ratio,
            Form::Taper(_) | Form::Depth(_, DepthUnit::Percent) => Scale::Level,
            _ => Scale::Octaves,
        }
    }

    /// The error of a figure at a code: cents, or a fraction of full scale.
    pub fn error(&self, figure: f64, code: u32) -> f64 {
        let exact = self.at(code);
        match self.scale() {
            Scale::Ratio => CENTS * ((figure - exact) / exact).ln_1p(),
            Scale::Octaves => OCTAVE * (figure - exact),
            Scale::Level => figure - exact,
        }
    }

    /// Whether the law cannot go on here: a pitch held at half the sample rate.
    pub fn held(&self, code: u32) -> bool {
        matches!(self.form, Form::Pitch(..)) && self.at(code) >= 2_147_483_648.0
    }

    /// How far a twin may be off at a code, in the unit of [`Exact::error`]. Heads of the files
    /// under control/.
    pub fn bound(&self, twin: Twin, code: u32) -> f64 {
        let exact = self.at(code);
        let float = twin == Twin::Float;
        match &self.form {
            Form::Pitch(_, fit) => {
                // Half an increment, in cents; toward the flat side it is a little more.
                let accumulator = CENTS * 0.5 / (exact - 0.5);
                if twin == Twin::Exact {
                    return 1e-9;
                }
                let grid = 2_f64.powi(self.bits as i32 - 48);
                let fraction = if float { 2_f64.powi(-25) + LSB } else { LSB };
                fit.bound(twin) + OCTAVE * (fraction + grid) + 2.9e-11 * self.rate_hz + accumulator
            }
            Form::Exp2(fit) => fit.bound(twin),
            _ if twin == Twin::Exact => 1e-9,
            Form::Bend(_) if float => OCTAVE * 2.0 * U * exact.abs(),
            Form::Bend(_) => OCTAVE * (HALF_Q26 + 2_f64.powi(-38)),
            Form::Taper(taper) => {
                let power = |taper: Taper| match taper {
                    Taper::Logarithmic { middle } => {
                        let r = ((1.0 - middle) / middle).powi(2);
                        (r, 1.0 + exact * (r - 1.0))
                    }
                    _ => (2.0, 1.0),
                };
                let (r, v) = power(*taper);
                match (taper, float) {
                    (Taper::Linear, true) => 2.0 * U,
                    (Taper::Linear, false) => LSB,
                    (Taper::S, true) => 4.0 * U,
                    (Taper::S, false) => 5.0 * LSB,
                    (Taper::Logarithmic { .. }, true) => {
                        (7.5e-8 * (v + 1.0) + U * (2.0 * v + 1.0)) / (r - 1.0) + 3.0 * U
                    }
                    (Taper::Logarithmic { .. }, false) => {
                        (7.5e-8 * (v + 1.0) + LSB * (6.0 * v + 2.0)) / (r - 1.0) + LSB
                    }
                }
            }
            Form::Depth(_, DepthUnit::Percent) => {
                if float {
                    4.0 * U * exact.abs()
                } else {
                    2.0 * LSB
                }
            }
            Form::Depth(amount, unit) => {
                let lsb = 2.0 * HALF_Q26;
                let full = depth(1.0, *amount, *unit);
                OCTAVE * if float { 4.0 * U * exact.abs() } else { (1.0 + full / 32.0) * lsb }
            }
            Form::Tracking(_, pivot) => {
                OCTAVE
                    * if float {
                        U * (3.0 * exact.abs() + 2.0 / 12.0 * pivot)
                    } else {
                        0.504 * 2.0 * HALF_Q26
                    }
            }
        }
        .max(EXACT)
    }

    /// The parts of which a pitch error at a code is made, in cents: half a converter code,
    /// exponential, accumulator. None for other laws.
    pub fn parts(&self, code: u32) -> Option<[f64; 3]> {
        let Form::Pitch(law, fit) = &self.form else { return None };
        Some([0.5 * law.code_step_cents(), fit.cents, CENTS * 0.5 / self.at(code)])
    }
}

/// Codes that a module with memory is fed: up, a jitter of one code, a small step, and down.
///
/// # Errors
/// A time constant that would take minutes.
pub(crate) fn steps(module: &str, settings: &Settings, rate_hz: u32) -> Result<Vec<u32>, Error> {
    let tau = settings.value(time_constant(module))? * f64::from(rate_hz);
    // Ten time constants leave 5e-5 of a step.
    let rest = (10.0 * tau) as usize + 4096;
    if rest > 2_000_000 {
        let message = format!("{module} with {settings} would take minutes: give a shorter tau");
        return Err(Error::Request(message));
    }
    let mut codes = vec![0; 64];
    codes.extend(std::iter::repeat_n(50_000, rest));
    codes.extend((0..rest).map(|n| 50_000 + (n % 2) as u32));
    codes.extend(std::iter::repeat_n(LARGEST, rest));
    codes.extend(std::iter::repeat_n(1_234, rest));
    Ok(codes)
}

/// The largest of these codes.
const LARGEST: u32 = 50_020;

fn time_constant(module: &str) -> &'static plumbtone_voice::Parameter {
    if module == "update" { &update::TAU } else { &smoothing::TAU }
}

/// What a module with memory makes of codes, from a rest at 0.
///
/// # Errors
/// None for settings of the module.
pub(crate) fn followed(
    module: &str,
    settings: &Settings,
    rate_hz: u32,
    codes: &[u32],
) -> Result<Vec<f64>, Error> {
    let tau = settings.value(time_constant(module))? * f64::from(rate_hz);
    let left = if tau > 0.0 { (-1.0 / tau).exp() } else { 0.0 };
    let mut smooth = 0.0_f64;
    let mut low_pass = |code: f64| {
        smooth = code + (smooth - code) * left;
        smooth
    };
    if module == "update" {
        let every = settings.value(&update::EVERY)? as usize;
        let fill = settings.value(&update::FILL)? as usize;
        let taken = |block: usize| f64::from(codes[block * every]);
        let at = |n: usize| {
            let block = n / every;
            let before = if block == 0 { 0.0 } else { taken(block - 1) };
            let place = (n % every + 1) as f64 / every as f64;
            match fill {
                0 => taken(block),
                1 => before + (taken(block) - before) * place,
                _ => low_pass(taken(block)),
            }
        };
        return Ok((0..codes.len()).map(at).collect());
    }
    let half = 0.5 * settings.value(&smoothing::HYSTERESIS)?;
    let mut out = 0.0_f64;
    let follow = |code: &u32| {
        // Play: the output is pushed by whichever edge of the dead zone reaches it.
        let smooth = low_pass(f64::from(*code));
        out = out.clamp(smooth - half, smooth + half);
        out
    };
    Ok(codes.iter().map(follow).collect())
}

/// How far a module with memory may be off, as a fraction of 2^16 codes. Heads of
/// control/smoothing.rs and control/update.rs.
pub(crate) fn followed_bound(
    module: &str,
    settings: &Settings,
    rate_hz: u32,
    twin: Twin,
) -> Result<f64, Error> {
    let fill = if module == "update" { settings.value(&update::FILL)? as usize } else { 2 };
    let float = match twin {
        Twin::Exact => return Ok(EXACT),
        Twin::Float => true,
        Twin::Fixed => false,
    };
    Ok(match fill {
        0 => 0.0,
        1 if float => 4.0 * U,
        1 => 2_f64.powi(-33),
        _ => {
            let tau = settings.value(time_constant(module))? * f64::from(rate_hz);
            let k = if tau > 0.0 { -(-1.0 / tau).exp_m1() } else { 1.0 };
            let largest = f64::from(LARGEST);
            let codes = if float {
                (6.0 * U + 2_f64.powi(-49) / k) * largest
            } else {
                1.5 * 2_f64.powi(-16) + 2_f64.powi(-31) * largest
            };
            codes / FULL_CODES
        }
    })
}

/// How many samples a control code is held, and the gain that fills the time, as theory has it.
///
/// # Errors
/// None for settings of the module.
fn updates(settings: &Settings, rate_hz: u32) -> Result<(usize, Updates), Error> {
    let every = settings.value(&update::EVERY)?;
    let tau = settings.value(&update::TAU)? * f64::from(rate_hz);
    let fill = match settings.value(&update::FILL)? as usize {
        0 => Fill::Held,
        1 => Fill::Interpolated,
        _ => Fill::Smoothed { k: if tau > 0.0 { -(-1.0 / tau).exp_m1() } else { 1.0 } },
    };
    Ok((every as usize, Updates::new(every as u32, fill)?))
}

/// Codes of full scale of a follower.
pub const FULL_CODES: f64 = 65_536.0;

/// Blocks of the capture in which the images of a held control are looked for.
const IMAGE_BLOCKS: usize = 512;
/// The control that is held, about.
const IMAGE_CONTROL_HZ: f64 = 5.0;
/// Time that a low-pass is given beforehand.
const SETTLING_S: f64 = 0.2;

/// A sine control that `update` takes once per block, and the images that this leaves.
pub struct HeldSine {
    /// One code per sample, 0 to 2^16 - 1.
    pub codes: Vec<u32>,
    /// First sample of the capture; what comes before is for a low-pass to settle.
    pub from: usize,
    /// Samples for which a code is held, 2 or more.
    pub every: usize,
    /// Periods of the sine in the capture.
    pub periods: usize,
    /// The images of the closed form, rising in frequency.
    pub images: Vec<Image>,
}

impl HeldSine {
    /// Whole periods and whole blocks, as near to a quick vibrato as they get; none for an update
    /// in every sample.
    ///
    /// # Errors
    /// None for settings of the module `update`.
    pub fn new(settings: &Settings, rate_hz: u32) -> Result<Option<Self>, Error> {
        let (every, updates) = updates(settings, rate_hz)?;
        if every < 2 {
            return Ok(None);
        }
        let length = IMAGE_BLOCKS * every;
        let periods = (IMAGE_CONTROL_HZ * length as f64 / f64::from(rate_hz)).round();
        let periods = periods.clamp(1.0, (IMAGE_BLOCKS / 4) as f64);
        let x = periods / length as f64;
        let code = |n: usize| {
            let turns = (n as f64 * x).fract();
            let sine = (std::f64::consts::TAU * turns).sin();
            (32_768.0 + Self::CODES * sine).round() as u32
        };
        // A low-pass has to forget its start.
        let from = length * (1 + (SETTLING_S * f64::from(rate_hz)) as usize / length);
        let codes = (0..from + length).map(code).collect();
        let images = updates.images(x)?;
        Ok(Some(Self { codes, from, every, periods: periods as usize, images }))
    }

    /// Amplitude of the sine in codes.
    pub const CODES: f64 = 32_000.0;

    /// Reads the images in what a law made of the codes, levels re the control.
    ///
    /// # Errors
    /// As [`plumbtone_measure::images::images`], for figures that hold no control.
    pub fn read(&self, figures: &[f64], rate_hz: u32) -> Result<Images, Obstacle> {
        let capture = figures.get(self.from..).unwrap_or_default();
        let trace: Vec<f64> = capture.iter().map(|figure| figure / FULL_CODES - 0.5).collect();
        let control = Control { hold: self.every, modulation: self.periods, carrier: 0, orders: 1 };
        measure(&trace, f64::from(rate_hz), &control)
    }
}

/// Where the bounds come from.
pub(crate) fn because(module: &str) -> &'static str {
    match module {
        "pitch" => "code to octaves, fit and arithmetic of the exponential, half an increment",
        "exp2" => "error of the fit, products rounded",
        "taper" => "fit of the exponential, products rounded",
        _ => "slope, product and output rounded",
    }
}

/// The work that a law rests on.
pub(crate) fn reference(module: &str) -> Reference {
    match module {
        "pitch" => references::VOLT_PER_OCTAVE,
        "exp2" => references::COMPUTER_APPROXIMATIONS,
        "bend" => references::BEND_CODES,
        _ => references::DEFINITIONS,
    }
}
