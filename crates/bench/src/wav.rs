//! WAV files in and out.
//!
//! Renders can be loud: files peak at [`PEAK_DBFS`], and whoever plays one is told to begin with
//! the monitor turned down.

use std::io::Cursor;
use std::path::Path;

use hound::{SampleFormat, WavReader, WavSpec, WavWriter};

use crate::error::Error;
use crate::files::write_whole;

/// Peak of every file that the bench writes on its own account.
pub const PEAK_DBFS: f64 = -12.0;

/// What to say beside every sound.
pub const CAUTION: &str = "loud tones: begin with the monitor turned down, without headphones";

/// Sample format of a WAV file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Format {
    /// 16-bit integer, rounded to nearest.
    #[default]
    Int16,
    /// 24-bit integer, rounded to nearest.
    Int24,
    /// 32-bit float.
    Float32,
}

impl Format {
    /// The name used by `--bits`.
    pub fn from_name(name: &str) -> Option<Self> {
        match name {
            "16" => Some(Self::Int16),
            "24" => Some(Self::Int24),
            "32f" => Some(Self::Float32),
            _ => None,
        }
    }
}

/// One channel of a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Samples, full scale = 1.0.
    pub samples: Vec<f64>,
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Channels of the file; the louder one was read.
    pub channels: u16,
    /// "16-bit integer" and the like.
    pub format: String,
    /// Half a step of the file's format, full scale = 1.0; its own rounding.
    pub half_step: f64,
}

/// Gain that brings the peak of `samples` to `peak_dbfs`; 1 for silence.
pub fn gain_to_peak(samples: &[f64], peak_dbfs: f64) -> f64 {
    let peak = samples.iter().fold(0.0_f64, |peak, sample| peak.max(sample.abs()));
    if peak > 0.0 { 10_f64.powf(peak_dbfs / 20.0) / peak } else { 1.0 }
}

/// Encodes mono samples, each multiplied by `gain`; values beyond full scale are clamped.
///
/// # Errors
/// [`Error::Request`] when the encoder refuses, as it does beyond 4 GiB.
pub fn encode(samples: &[f64], gain: f64, rate_hz: u32, format: Format) -> Result<Vec<u8>, Error> {
    let (bits_per_sample, sample_format) = match format {
        Format::Int16 => (16, SampleFormat::Int),
        Format::Int24 => (24, SampleFormat::Int),
        Format::Float32 => (32, SampleFormat::Float),
    };
    let spec = WavSpec { channels: 1, sample_rate: rate_hz, bits_per_sample, sample_format };
    let refuse = |error: hound::Error| Error::Request(format!("cannot encode the WAV: {error}"));
    let mut bytes = Cursor::new(Vec::with_capacity(samples.len() * 4 + 64));
    let mut writer = WavWriter::new(&mut bytes, spec).map_err(refuse)?;
    let full = f64::from(1_u32 << (bits_per_sample - 1));
    for sample in samples {
        let value = (sample * gain).clamp(-1.0, 1.0);
        match format {
            Format::Float32 => writer.write_sample(value as f32),
            _ => writer.write_sample((value * full).round().min(full - 1.0) as i32),
        }
        .map_err(refuse)?;
    }
    writer.finalize().map_err(refuse)?;
    Ok(bytes.into_inner())
}

/// Encodes and writes a file, whole or not at all.
///
/// # Errors
/// See [`encode`] and [`write_whole`].
pub fn write(
    path: &Path,
    samples: &[f64],
    gain: f64,
    rate_hz: u32,
    format: Format,
) -> Result<(), Error> {
    write_whole(path, &encode(samples, gain, rate_hz, format)?)
}

/// Reads the louder channel of a mono or stereo WAV: 16, 24 or 32-bit integer, 32-bit float.
///
/// # Errors
/// [`Error::File`] when it cannot be opened; [`Error::Recording`] when it is no WAV, is
/// truncated, empty, or has a format, rate or value that the bench does not take.
pub fn read(path: &Path) -> Result<Recording, Error> {
    let fail = |message: String| Error::Recording { path: path.to_owned(), message };
    let bytes = std::fs::read(path).map_err(Error::file("read", path))?;
    let mut reader = WavReader::new(Cursor::new(&bytes)).map_err(|error| match error {
        hound::Error::IoError(_) => fail("ends inside its header: record or copy it again".into()),
        error => fail(format!("not a WAV file that can be read ({error}): export it as PCM WAV")),
    })?;
    let spec = reader.spec();
    if !(1..=2).contains(&spec.channels) {
        return Err(fail(format!("has {} channels: give one or two", spec.channels)));
    }
    let (min, max) = plumbtone_voice::Rate::RANGE_HZ;
    if !(min..=max).contains(&spec.sample_rate) {
        let rate = spec.sample_rate;
        return Err(fail(format!("has a rate of {rate} Hz: give {min} to {max} Hz")));
    }
    let frames = reader.duration() as usize;
    let every = usize::from(spec.channels);
    let truncated = |error: hound::Error| {
        fail(format!("ends before its header says so ({error}): copy it again"))
    };
    let interleaved: Vec<f64> = match (spec.sample_format, spec.bits_per_sample) {
        (SampleFormat::Float, 32) => reader
            .samples::<f32>()
            .map(|sample| sample.map(f64::from).map_err(truncated))
            .collect::<Result<_, _>>()?,
        (SampleFormat::Int, bits @ (16 | 24 | 32)) => {
            let scale = 1.0 / (1_u64 << (bits - 1)) as f64;
            reader
                .samples::<i32>()
                .map(|sample| sample.map(|s| f64::from(s) * scale).map_err(truncated))
                .collect::<Result<_, _>>()?
        }
        (kind, bits) => {
            let kind = if kind == SampleFormat::Float { "float" } else { "integer" };
            return Err(fail(format!(
                "is {bits}-bit {kind}: give 16, 24 or 32-bit integer or 32-bit float"
            )));
        }
    };
    let channel = |first: usize| interleaved.iter().copied().skip(first).step_by(every);
    let loudness = |first: usize| channel(first).map(|sample| sample * sample).sum::<f64>();
    // A panel is often wired to one side only.
    let louder = usize::from(every == 2 && loudness(1) > loudness(0));
    let samples: Vec<f64> = channel(louder).collect();
    if samples.is_empty() {
        return Err(fail("holds no samples: record at least a second".into()));
    }
    if samples.len() < frames {
        return Err(fail("ends before its header says so: copy it again".into()));
    }
    let (format, half_step) = match spec.sample_format {
        SampleFormat::Float => ("32-bit float".to_owned(), 2_f64.powi(-25)),
        SampleFormat::Int => (
            format!("{}-bit integer", spec.bits_per_sample),
            0.5 / (1_u64 << (spec.bits_per_sample - 1)) as f64,
        ),
    };
    let recording = Recording {
        samples,
        rate_hz: spec.sample_rate,
        channels: spec.channels,
        format,
        half_step,
    };
    if let Some(index) = recording.samples.iter().position(|sample| !sample.is_finite()) {
        return Err(fail(format!("sample {index} is not a number: repair or record it again")));
    }
    Ok(recording)
}
