//! Grades the recording of a filter: cutoff, resonance and slope, as settings of our ladder.
//!
//! A filter that was played a file is graded by its response ([`filter`]); one that swings by
//! itself by its tone ([`self_oscillation`]). The file that was sent may itself be a recording, of
//! the same signal through a cable: the response of interface and wiring then cancels.

mod fit;
mod oscillation;
mod stimulus;

use std::f64::consts::LN_10;
use std::fmt;

use plumbtone_measure::level;
use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_measure::resonance::{crossing_hz, peak, peak_near};
use plumbtone_measure::transfer::{Band, Transfer};
use plumbtone_measure::{db, power_db};
use plumbtone_theory::Complex64;
use plumbtone_theory::ladder::Ladder;
use serde::Serialize;

use fit::{Fit, Form, OUTPUTS, Point, feedback};
pub use oscillation::{Harmonic, Oscillation, self_oscillation};
pub use stimulus::{SECONDS, Signal, stimulus};

use crate::error::Error;
use crate::grade::contour::{Setting, wrapped};
use crate::grade::{SCHEMA, refuse_clipping};
use crate::wav::Recording;

/// Most that a ladder may leave of a response, rms, re the response: 1 dB. A response that is off by
/// that much has another shape: the best ladder leaves 3 dB of a Butterworth low-pass of four poles, 4
/// to 7 dB of state-variable low-passes with a Q of 0.7 to 5, and 18 dB of a band-pass.
const MISFIT: f64 = 0.122;
/// Least fall of a low-pass towards the end of the band, dB: a pole shows 6 an octave up.
const FALL_DB: f64 = 6.0;
/// Least share of the recorded power that has to be an answer to the file.
const FOLLOWS: f64 = 0.5;
/// Octaves to either side over which what the fit leaves is averaged.
const NEAR_OCTAVES: f64 = 1.0 / 12.0;
/// Level under which a file counts as silent, re its peak.
const SILENT: f64 = 1e-3;

/// A slope and where it was read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Slope {
    /// dB per octave, negative where the response falls.
    pub db_per_octave: Reading,
    /// Lower end, Hz.
    pub low_hz: f64,
    /// Upper end, Hz.
    pub high_hz: f64,
}

/// Figures of the response itself; the ladder serves only to average between neighbours.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Response {
    /// Gain at 0 Hz, dB, from the lowest octave that was read; none where the passband drowns in
    /// noise.
    pub dc_gain: Option<Reading>,
    /// Highest frequency at which it is 3.01 dB below that.
    pub half_power: Option<Reading>,
    /// Over the highest octave that was read.
    pub slope: Option<Slope>,
    /// Lowest and highest frequency that were read, Hz.
    pub band_hz: (f64, f64),
}

/// How far the response is from that of the ladder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Residual {
    /// Beyond noise, rms, dB.
    pub rms_db: f64,
    /// What noise alone makes, rms, dB.
    pub noise_db: f64,
    /// Largest deviation of the magnitude that noise does not explain, dB, and where, Hz.
    pub worst: Option<(f64, f64)>,
}

/// The resonance peak of the fitted ladder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Peak {
    /// Frequency.
    pub hz: Reading,
    /// Height over the gain at 0 Hz, dB.
    pub height: Reading,
}

/// How the ladder's frequencies map to those of the recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Axis {
    /// As they are: analogue hardware.
    Analogue,
    /// By the trapezoidal rule at the rate of the recording, as in our own ladder.
    Trapezoidal,
    /// The recording does not tell; read as trapezoidal.
    Either,
}

/// The ladder that has this response.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Ladderlike {
    /// Which poles are heard, as our ladder names it.
    pub output: &'static str,
    /// Final slope of that output, dB per octave.
    pub slope_db_per_octave: f64,
    /// Frequency axis.
    pub axis: Axis,
    /// Cutoff.
    pub cutoff: Reading,
    /// Resonance, 1 at the edge of self-oscillation.
    pub resonance: Reading,
    /// Q of the dominant poles.
    pub quality: Reading,
    /// The peak; none where there is no resonance to speak of.
    pub peak: Option<Peak>,
    /// Gain besides the ladder's own, dB.
    pub gain: Reading,
    /// Delay besides the ladder's own, from the first sample of the recording to that of the file.
    pub delay: Reading,
    /// Whether the polarity is turned over.
    pub inverted: bool,
    /// What it leaves.
    pub residual: Residual,
    /// Settings of our ladder.
    pub settings: Vec<Setting>,
}

/// The grades of one recording.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sheet {
    /// Version of this layout.
    pub schema: &'static str,
    /// What was graded: "filter".
    pub graded: &'static str,
    /// From what: "response".
    pub from: &'static str,
    /// Sample format of the file.
    pub format: String,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Length of the recording, s.
    pub seconds: f64,
    /// Peak, dB re full scale.
    pub peak_dbfs: f64,
    /// Share of the recording's power from 20 Hz to 0.45 of the rate that is no answer to the file,
    /// dB.
    pub noise_db: f64,
    /// The response itself.
    pub response: Response,
    /// The ladder that comes closest.
    pub ladder: Ladderlike,
}

/// Grades what a filter made of the file `sent`.
///
/// # Errors
/// [`Error::Request`] or [`Error::Measure`] in one line: silent, clipped, of another rate or another
/// file, incomplete, no low-pass, or none that a ladder could be.
pub fn filter(recording: &Recording, sent: &Recording) -> Result<Sheet, Error> {
    let rate_hz = f64::from(recording.rate_hz);
    level::screen(&recording.samples).map_err(Error::measuring("recording"))?;
    level::screen(&sent.samples).map_err(Error::measuring("file sent"))?;
    refuse_clipping(&recording.samples)?;
    if sent.rate_hz != recording.rate_hz {
        return Err(Error::Request(format!(
            "the recording has {} Hz and the file sent {} Hz: record at the rate of the file",
            recording.rate_hz, sent.rate_hz
        )));
    }
    let transfer = Transfer::between(&sent.samples, &recording.samples, rate_hz)
        .map_err(Error::measuring("recording and file sent"))?;
    let noise_share = follows(&transfer, rate_hz)?;
    complete(recording, sent, transfer.lag_samples())?;
    let (fit, other) = fit::fit(&transfer, rate_hz)?;
    let response = response(&fit, recording, sent)?;
    let misfit = fit.misfit();
    if misfit > MISFIT {
        return Err(Error::Request(format!(
            "no ladder's low-pass: the best one is off by {:.1} dB rms; record a low-pass output, \
             below overdrive, and give the very file that was played",
            db(1.0 + misfit)
        )));
    }
    let ladder = ladder(&fit, other.as_ref(), transfer.lag_samples());
    if ladder.cutoff.uncertainty > 0.1 * ladder.cutoff.value {
        return Err(Error::Request(format!(
            "the cutoff cannot be told: {}; record it louder, or with a cutoff between {:.0} Hz and \
             {:.0} Hz",
            ladder.cutoff,
            2.0 * fit::LOW_HZ,
            0.5 * fit::HIGH * rate_hz
        )));
    }
    let peak = recording.samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    Ok(Sheet {
        schema: SCHEMA,
        graded: "filter",
        from: "response",
        format: recording.format.clone(),
        rate_hz: recording.rate_hz,
        seconds: recording.samples.len() as f64 / rate_hz,
        peak_dbfs: db(peak),
        noise_db: power_db(noise_share),
        response,
        ladder,
    })
}

/// Share of the power that is no answer to the file; refuses a recording of something else.
fn follows(transfer: &Transfer, rate_hz: f64) -> Result<f64, Error> {
    let bands = transfer
        .bands(fit::LOW_HZ, fit::HIGH * rate_hz, 0.02, |_| Complex64::ONE)
        .map_err(Error::measuring("response of the recording"))?;
    let power: f64 = bands.iter().map(|band| band.power).sum();
    let noise: f64 = bands.iter().map(|band| band.incoherence * band.power).sum();
    let share = noise / power;
    if share <= 1.0 - FOLLOWS { Ok(share) } else { Err(fit::unlike()) }
}

/// Refuses a recording that begins after the file's sound or ends before it.
fn complete(recording: &Recording, sent: &Recording, lag: i64) -> Result<(), Error> {
    let peak = sent.samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    let sounds = |sample: &f64| sample.abs() > SILENT * peak;
    let first = sent.samples.iter().position(sounds).unwrap_or(0) as i64;
    let last = sent.samples.iter().rposition(sounds).unwrap_or(0) as i64;
    if first + lag >= 0 && last + lag < recording.samples.len() as i64 {
        return Ok(());
    }
    Err(Error::Request(
        "the recording holds only a part of the file sent: start it before the file and stop it a \
         second after"
            .to_owned(),
    ))
}

/// What the fit leaves about a frequency, dB, and its expanded uncertainty.
fn left_db(fit: &Fit, inside: impl Fn(f64) -> bool) -> Option<(f64, f64)> {
    let bands: Vec<&Band> = fit.used.iter().filter(|band| inside(band.hz)).collect();
    let weight: f64 = bands.iter().map(|band| band.variance.recip()).sum();
    // Noise raises magnitudes: only the mean of complex ratios is free of it.
    let sum: Complex64 = bands.iter().map(|band| band.ratio / band.variance).sum();
    let mean = sum / weight;
    let left: f64 = bands.iter().map(|band| (band.ratio - mean).norm_sqr() / band.variance).sum();
    // Scatter beyond the noise is where the shapes differ.
    let excess = (left / (bands.len() as f64 - 1.0).max(1.0)).max(1.0);
    let relative = (0.5 * excess / weight).sqrt() / mean.norm();
    let found = (db(mean.norm()), 2.0 * 20.0 / LN_10 * relative);
    (!bands.is_empty()).then_some(found)
}

/// Magnitude about a frequency, dB, and its expanded uncertainty.
fn level_db(fit: &Fit, hz: f64) -> Option<(f64, f64)> {
    let near = |at: f64| (at / hz).log2().abs() <= NEAR_OCTAVES;
    let (left, wide) = left_db(fit, near)?;
    Some((db(fit.form.at(&fit.point, hz, fit.rate_hz).norm()) + left, wide))
}

fn response(fit: &Fit, recording: &Recording, sent: &Recording) -> Result<Response, Error> {
    let lowest = fit.used.first().map_or(fit::LOW_HZ, |band| band.hz);
    let highest = fit.used.last().map_or(lowest, |band| band.hz);
    let magnitude = |hz: f64| level_db(fit, hz).map_or(0.0, |(level, _)| 10f64.powf(level / 20.0));
    let loudest = fit.used.iter().map(|band| fit.measured(band).norm()).fold(0.0, f64::max);
    let fall = db(loudest / magnitude(highest));
    if fall < FALL_DB {
        return Err(Error::Request(format!(
            "no low-pass: from {lowest:.0} to {highest:.0} Hz the response falls by {fall:.1} dB, \
             at least {FALL_DB} needed; lower the cutoff, or record a low-pass output"
        )));
    }
    let own = db(fit.point[3].abs() * fit::dc_gain(feedback(fit.point[1])));
    let passband = 2.0 * lowest <= fit.point[0].exp();
    let dc = left_db(fit, |hz| hz <= 2.0 * lowest).filter(|_| passband).map(|(left, wide)| {
        let rounded = db(1.0 + unrounded(own, recording, sent));
        Reading::new(own + left, Unit::Decibel, wide.hypot(rounded))
    });
    let half_power = dc.and_then(|dc| {
        let level = 10f64.powf(dc.value / 20.0) / 2f64.sqrt();
        let hz = crossing_hz(magnitude, level, lowest, highest).ok()?;
        let steep = db(magnitude(hz * 1.001) / magnitude(hz / 1.001)) / (2.0 * 1e-3);
        let wide = level_db(fit, hz)?.1.hypot(dc.uncertainty);
        Some(Reading::new(hz, Unit::Hertz, hz * wide / steep.abs()))
    });
    let slope = half_power.filter(|half| 2.0 * half.value <= highest).and_then(|_| {
        let ((low, a), (high, b)) = (level_db(fit, 0.5 * highest)?, level_db(fit, highest)?);
        let db_per_octave = Reading::new(high - low, Unit::Decibel, a.hypot(b));
        Some(Slope { db_per_octave, low_hz: 0.5 * highest, high_hz: highest })
    });
    Ok(Response { dc_gain: dc, half_power, slope, band_hz: (lowest, highest) })
}

/// Most by which rounding without dither changes the level of a steady sine, relative. With
/// `q(x) = x + sum of (-1)^m sin(2 pi m x) / (pi m)` a sine of A steps gains `2 J_1(2 pi m A) / (pi m)`
/// per m; `|J_1(z)| <= sqrt(2 / (pi z))` and zeta(3/2) = 2.612 bound the sum.
fn unrounded(dc_db: f64, recording: &Recording, sent: &Recording) -> f64 {
    let peak = sent.samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    let steps = peak * 10f64.powf(dc_db / 20.0) / (2.0 * recording.half_step);
    0.53 * steps.powf(-1.5)
}

/// Frequency over cutoff and height over the gain at 0 Hz of the peak.
fn summit(form: Form, k: f64) -> Option<(f64, f64)> {
    let ladder = Ladder::new(k).ok()?;
    let magnitude = |ratio: f64| ladder.mix(&OUTPUTS[form.output].1, ratio).norm();
    let found = if ladder.quality() > 2.0 {
        peak_near(magnitude, ladder.pole_ratio(), 0.5 * ladder.quality()).ok()
    } else {
        peak(magnitude, 0.01, 4.0).ok().flatten()
    }?;
    Some((found.hz, found.gain / fit::dc_gain(k)))
}

/// The fit as settings; `other` is as good, on the other frequency axis.
fn ladder(fit: &Fit, other: Option<&Fit>, lag: i64) -> Ladderlike {
    let reading = |unit: Unit, figure: &dyn Fn(Form, &Point) -> f64| {
        let value = figure(fit.form, &fit.point);
        let apart = other.map_or(0.0, |other| figure(other.form, &other.point) - value);
        let own = fit.uncertainty(|point| figure(fit.form, point));
        Reading::new(value, unit, own.hypot(apart))
    };
    let (output, _, poles) = OUTPUTS[fit.form.output];
    let cutoff = reading(Unit::Hertz, &|_, point| point[0].exp());
    let resonance = reading(Unit::Ratio, &|_, point| 0.25 * feedback(point[1]));
    let quality = reading(Unit::Ratio, &|_, point| {
        Ladder::new(feedback(point[1])).map_or(0.5, |ladder| ladder.quality())
    });
    let peak_hz = |form: Form, point: &Point| {
        let ratio = summit(form, feedback(point[1])).map_or(0.0, |(ratio, _)| ratio);
        fit::placed(form, ratio, point[0].exp(), fit.rate_hz)
    };
    let height = |form: Form, point: &Point| {
        summit(form, feedback(point[1])).map_or(0.0, |(_, height)| db(height))
    };
    let peak = summit(fit.form, feedback(fit.point[1])).map(|_| Peak {
        hz: reading(Unit::Hertz, &peak_hz),
        height: reading(Unit::Decibel, &height),
    });
    // A peak that sinks into the passband within the uncertainty is none.
    let peak = peak.filter(|peak| peak.height.value > peak.height.uncertainty);
    let noise: f64 = fit.used.iter().map(|band| band.variance).sum();
    let setting = |name: &str, reading: &Reading| Setting {
        name: name.to_owned(),
        value: reading.value,
        uncertainty: reading.uncertainty,
    };
    Ladderlike {
        output,
        slope_db_per_octave: -6.0 * f64::from(poles),
        axis: match (other, fit.form.prewarped) {
            (Some(_), _) => Axis::Either,
            (None, true) => Axis::Trapezoidal,
            (None, false) => Axis::Analogue,
        },
        cutoff,
        resonance,
        quality,
        peak,
        gain: reading(Unit::Decibel, &|_, point| db(point[3].abs())),
        delay: reading(Unit::Samples, &|_, point| lag as f64 + point[2]),
        inverted: fit.point[3] < 0.0,
        residual: Residual {
            rms_db: db(1.0 + fit.misfit()),
            noise_db: db(1.0 + (noise / fit.used.len() as f64).sqrt()),
            worst: fit.worst().map(|(hz, off)| (off, hz)),
        },
        settings: vec![setting("cutoff", &cutoff), setting("resonance", &resonance)],
    }
}

/// The command that renders a ladder, in lines of 80 columns, and the uncertainties beneath.
fn command(module: &str, settings: &[Setting], output: &str, rate_hz: u32, strike: bool) -> String {
    let mut words = vec![format!("plumbtone render {module}")];
    words.extend(strike.then(|| "--strike".to_owned()));
    words.extend(settings.iter().map(|setting| format!("--set {setting}")));
    words.push(format!("--set output={output}"));
    words.push(format!("--rate {rate_hz}"));
    words.push("-o again.wav".to_owned());
    let doubts: Vec<String> = settings
        .iter()
        .map(|setting| format!("{} ± {:.1e}", setting.name, setting.uncertainty))
        .collect();
    let doubts = wrapped(&doubts, ", ", ",");
    format!("{}\n  uncertainty (k = 2):\n{doubts}", wrapped(&words, " ", " \\"))
}

impl fmt::Display for Sheet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { format, rate_hz, seconds, response, ladder, .. } = self;
        writeln!(f, "recording    {format}, {rate_hz} Hz, {seconds:.2} s")?;
        writeln!(f, "level        peak {:.1} dBFS", self.peak_dbfs)?;
        writeln!(f, "noise        {:.1} dB re what was recorded", self.noise_db)?;
        let (low, high) = response.band_hz;
        writeln!(f, "response     read from {low:.1} to {high:.1} Hz")?;
        match &response.dc_gain {
            Some(gain) => writeln!(f, "  DC gain    {gain}")?,
            None => writeln!(f, "  DC gain    cannot be told: the passband drowns in noise")?,
        }
        match &response.half_power {
            Some(hz) => writeln!(f, "  -3 dB      {hz}")?,
            None => writeln!(f, "  -3 dB      cannot be told within that band")?,
        }
        match &response.slope {
            Some(Slope { db_per_octave, low_hz, high_hz }) => writeln!(
                f,
                "  slope      {db_per_octave} per octave, {low_hz:.0} to {high_hz:.0} Hz"
            )?,
            None => writeln!(f, "  slope      cannot be told: less than an octave beyond -3 dB")?,
        }
        writeln!(f, "ladder       output {}, finally {} dB per octave", ladder.output, {
            ladder.slope_db_per_octave
        })?;
        let axis = match ladder.axis {
            Axis::Analogue => "frequencies as in analogue hardware",
            Axis::Trapezoidal => "frequencies as by the trapezoidal rule at this rate",
            Axis::Either => "analogue or trapezoidal: the recording does not tell",
        };
        writeln!(f, "             {axis}")?;
        writeln!(f, "  cutoff     {}", ladder.cutoff)?;
        writeln!(f, "  resonance  {} of self-oscillation", ladder.resonance)?;
        writeln!(f, "  Q          {}", ladder.quality)?;
        match &ladder.peak {
            Some(peak) => writeln!(f, "  peak       {} over DC at {}", peak.height, peak.hz)?,
            None => writeln!(f, "  peak       none")?,
        }
        let inverted = if ladder.inverted { ", inverted" } else { "" };
        writeln!(f, "  gain       {}{inverted}", ladder.gain)?;
        writeln!(f, "  delay      {}", ladder.delay)?;
        let Residual { rms_db, noise_db, worst } = ladder.residual;
        writeln!(
            f,
            "  residual   {} dB rms beyond noise of {} dB",
            small(rms_db),
            small(noise_db)
        )?;
        match worst {
            Some((off, hz)) => {
                writeln!(f, "             {} dB at worst, at {hz:.1} Hz", small(off))?
            }
            None => writeln!(f, "             noise explains every deviation")?,
        }
        writeln!(f)?;
        let command = command("ladder", &ladder.settings, ladder.output, *rate_hz, false);
        writeln!(f, "as ladder\n{command}")
    }
}

/// Two digits, whatever the size.
fn small(figure: f64) -> String {
    if figure >= 0.1 { format!("{figure:.2}") } else { format!("{figure:.1e}") }
}
