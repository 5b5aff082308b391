//! `plumbtone render`.

use plumbtone::measure::db;
use plumbtone::subject::{VoiceTwin, entry};
use plumbtone::voice::registry::{HZ, WIDTH};
use plumbtone::voice::{Rate, Shape};
use plumbtone::{Stimulus, Subject, Twin, wav};

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args, output};

/// Shortest and longest render, s.
const SECONDS: std::ops::RangeInclusive<f64> = 0.01..=600.0;

pub fn run(args: &args::Render) -> Outcome {
    let entry = entry(&args.module)?;
    let settings = Settings::of_module(entry, &args.set)?;
    let rate = Rate::new(args.rate).map_err(Fault::new)?;
    if !SECONDS.contains(&args.seconds) {
        let (seconds, first, last) = (args.seconds, SECONDS.start(), SECONDS.end());
        return Err(Fault::new(format!(
            "seconds = {seconds} is out of range: give {first} to {last} s"
        )));
    }
    output::writable(&args.output)?;
    let twin = match args.twin {
        args::Twin::Float => Twin::Float,
        args::Twin::Fixed => Twin::Fixed,
    };
    let shape = settings.shape.or(entry.shapes.first().copied()).unwrap_or_default();
    if settings.width.is_some() && shape != Shape::Pulse {
        return Err(Fault::new("width belongs to the pulse: add --set shape=pulse"));
    }
    let stimulus = Stimulus::note(shape, settings.hz.unwrap_or(HZ.default), rate.hz())
        .with_width(settings.width.unwrap_or(WIDTH.default));
    let mut samples = vec![0.0; (args.seconds * f64::from(rate.hz())).round() as usize];
    VoiceTwin::named(entry.name, twin)?
        .with_setup(settings.setup())
        .render(&stimulus, &mut samples)?;
    let gain = wav::gain_to_peak(&samples, wav::PEAK_DBFS);
    plumbtone::files::write_whole(
        &args.output,
        &wav::encode(&samples, gain, rate.hz(), args.bits)?,
    )?;
    output::note(&format!(
        "{}: {:+.2} dB of gain for a peak of {} dBFS\n{}",
        args.output.display(),
        db(gain),
        wav::PEAK_DBFS,
        wav::CAUTION
    ));
    Ok(true)
}
