//! `plumbtone render`.

use std::f64::consts::TAU;

use plumbtone::filter::FilterTwin;
use plumbtone::law::{CodeLaw, LawTwin};
use plumbtone::script::{ContourTwin, Controller, demonstration};
use plumbtone::settings::{Settings as Named, about};
use plumbtone::subject::{VoiceTwin, entry};
use plumbtone::voice::registry::{About, Family, HZ, WIDTH};
use plumbtone::voice::{Rate, Shape};
use plumbtone::wav::Recording;
use plumbtone::{FilterSubject, Passage, Stimulus, Subject, Twin, law, wav};

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args, output, play};

/// Shortest and longest render, s.
const SECONDS: std::ops::RangeInclusive<f64> = 0.01..=600.0;

pub fn run(args: &args::Render) -> Outcome {
    let about = about(&args.module)?;
    // A recording brings its own rate.
    let input = args.input.as_deref().map(wav::read).transpose()?;
    let rate = input.as_ref().map_or(args.rate, |recording| recording.rate_hz);
    let rate = Rate::new(rate).map_err(Fault::new)?;
    inside("seconds", seconds(args), *SECONDS.start(), *SECONDS.end(), "s")?;
    refuse_other_flags(args, about)?;
    let samples = match about.family {
        Family::Oscillator => sound(args, rate)?,
        Family::Contour | Family::Control => control(args, about, rate)?,
        Family::Filter => filtered(args, about, rate, input)?,
        Family::Instrument => play::run(args, about, rate)?,
        Family::Level => {
            let name = about.name;
            return Err(Fault::new(format!("`{name}` is heard in `tideorgan`: render that")));
        }
    };
    output::sound(&args.output, &samples, rate.hz(), args.bits)?;
    Ok(true)
}

/// Flags that mean nothing to a module are no settings to be dropped in silence.
fn refuse_other_flags(args: &args::Render, about: About) -> Result<(), Fault> {
    let (sounds, filters) = (about.family == Family::Oscillator, about.family == Family::Filter);
    let contour = about.family == Family::Contour;
    let instrument = about.family == Family::Instrument;
    for (flag, given, welcome, whose) in [
        ("--hold", args.hold.is_some(), contour || instrument, "contours and instruments"),
        ("--tone", args.tone.is_some(), !(sounds || instrument), "control modules and filters"),
        ("--strike", args.strike, filters, "filters"),
        ("--input", args.input.is_some(), filters, "filters"),
        ("--preset", args.preset.is_some(), instrument, "instruments"),
        ("--score", args.score.is_some(), instrument, "instruments"),
        ("--block", args.block.is_some(), instrument, "instruments"),
    ] {
        if given && !welcome {
            let name = about.name;
            return Err(Fault::new(format!(
                "{flag} is for {whose}, not for `{name}`: leave it off"
            )));
        }
    }
    Ok(())
}

pub fn inside(name: &str, value: f64, min: f64, max: f64, unit: &str) -> Result<(), Fault> {
    if (min..=max).contains(&value) {
        return Ok(());
    }
    Err(Fault::new(format!("{name} = {value} is out of range: give {min} to {max} {unit}")))
}

pub fn twin(args: &args::Render) -> Twin {
    match args.twin {
        args::Twin::Float => Twin::Float,
        args::Twin::Fixed => Twin::Fixed,
    }
}

/// Length in seconds.
pub fn seconds(args: &args::Render) -> f64 {
    args.seconds.unwrap_or(2.0)
}

pub fn count(args: &args::Render, rate: Rate) -> usize {
    (seconds(args) * f64::from(rate.hz())).round() as usize
}

/// A steady note.
fn sound(args: &args::Render, rate: Rate) -> Result<Vec<f64>, Fault> {
    let entry = entry(&args.module)?;
    let settings = Settings::of_module(entry, &args.set)?;
    let shape = settings.shape.or(entry.shapes.first().copied()).unwrap_or_default();
    if settings.width.is_some() && shape != Shape::Pulse {
        return Err(Fault::new("width belongs to the pulse: add --set shape=pulse"));
    }
    let stimulus = Stimulus::note(shape, settings.hz.unwrap_or(HZ.default), rate.hz())
        .with_width(settings.width.unwrap_or(WIDTH.default));
    let mut samples = vec![0.0; count(args, rate)];
    VoiceTwin::named(entry.name, twin(args))?
        .with_setup(settings.setup())
        .render(&stimulus, &mut samples)?;
    Ok(samples)
}

/// What was set, by name.
fn named(args: &args::Render, about: About) -> Result<Named, Fault> {
    named_over(Named::new(), args, about)
}

/// What was set, on top of what holds already.
pub fn named_over(mut settings: Named, args: &args::Render, about: About) -> Result<Named, Fault> {
    let example = match about.family {
        Family::Filter | Family::Instrument => "cutoff=500",
        _ => "attack=0.01",
    };
    for text in &args.set {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            Fault::new(format!("--set {text}: give NAME=VALUE, such as {example}"))
        })?;
        settings.set(&format!("module `{}`", about.name), about.parameters, name, value)?;
    }
    Ok(settings)
}

/// A recording or a reed through a filter, or the filter alone after a strike.
fn filtered(
    args: &args::Render,
    about: About,
    rate: Rate,
    recording: Option<Recording>,
) -> Result<Vec<f64>, Fault> {
    let settings = named(args, about)?;
    let twin = twin(args);
    let input = match (recording, args.strike, args.tone) {
        (Some(recording), false, None) => recording.samples,
        (None, true, None) => {
            let mut input = vec![0.0; count(args, rate)];
            input[0] = STRIKE;
            input
        }
        (None, false, tone) => {
            let hz = tone.unwrap_or(REED_HZ);
            inside("tone", hz, 10.0, f64::from(rate.hz()) / 4.0, "Hz")?;
            let note = Stimulus::note(Shape::Ramp, hz, rate.hz());
            let mut input = vec![0.0; count(args, rate)];
            VoiceTwin::named("spline4", twin)?.render(&note, &mut input)?;
            input
        }
        _ => {
            return Err(Fault::new("--input, --strike and --tone: a filter is fed one of them"));
        }
    };
    let passage = Passage::new(rate.hz(), &settings, input)?;
    let mut samples = vec![0.0; passage.input.len()];
    FilterTwin::named(about.name, twin)?.render(&passage, &mut samples)?;
    Ok(samples)
}

/// Height of the impulse that sets a filter ringing.
const STRIKE: f64 = 0.5;
/// The reed that a filter is heard on when nothing is said, Hz.
const REED_HZ: f64 = 110.0;

/// A control signal as it is, or what it does to a sine.
fn control(args: &args::Render, about: About, rate: Rate) -> Result<Vec<f64>, Fault> {
    let settings = named(args, about)?;
    let rate_hz = f64::from(rate.hz());
    if let Some(tone) = args.tone {
        inside("tone", tone, 10.0, rate_hz / 4.0, "Hz")?;
    }
    let hold = args.hold.unwrap_or(seconds(args) / 2.0);
    if about.family != Family::Contour {
        return swept(args, about, &settings, rate);
    }
    inside("hold", hold, 0.0, seconds(args), "s, no longer than --seconds")?;
    let held = (hold * rate_hz).round() as usize;
    let script = demonstration(about.name, settings, rate.hz(), count(args, rate), held);
    let mut trace = vec![0.0; script.length];
    ContourTwin::named(about.name, twin(args))?.render(&script, &mut trace)?;
    let Some(tone) = args.tone else { return Ok(trace) };
    Ok(match about.name {
        // A pitch in octaves, and a modulation of a semitone either way.
        "glide" => sine(rate_hz, trace.iter().map(|octaves| tone * octaves.exp2())),
        "lfo" => sine(rate_hz, trace.iter().map(|value| tone * (value / 12.0).exp2())),
        _ => {
            let carrier = sine(rate_hz, trace.iter().map(|_| tone));
            carrier.iter().zip(&trace).map(|(sample, level)| sample * level).collect()
        }
    })
}

/// A law from its first code to its last.
fn swept(
    args: &args::Render,
    about: About,
    settings: &Named,
    rate: Rate,
) -> Result<Vec<f64>, Fault> {
    let codes = law::codes(about.name, settings, rate.hz())?;
    let mut figures = vec![0.0; codes.len()];
    LawTwin::named(about.name, twin(args))?.read(rate.hz(), settings, &codes, &mut figures)?;
    let codes = codes.len();
    let length = count(args, rate);
    let trace = (0..length).map(|n| figures[n * codes / length]);
    let rate_hz = f64::from(rate.hz());
    match (args.tone, about.name) {
        // An increment is a frequency already.
        (Some(_), "pitch") => Ok(sine(rate_hz, trace.map(|step| step / CYCLE * rate_hz))),
        (Some(tone), "bend" | "tracking" | "depth") => {
            Ok(sine(rate_hz, trace.map(|octaves| (tone * octaves.exp2()).min(rate_hz / 2.0))))
        }
        (Some(_), name) => Err(Fault::new(format!("`{name}` moves no pitch: leave --tone off"))),
        (None, _) => Ok(trace.collect()),
    }
}

/// 2^32: increments to cycles.
const CYCLE: f64 = 4_294_967_296.0;

/// A sine that follows a frequency in Hz from sample to sample.
fn sine(rate_hz: f64, hz: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut phase = 0.0_f64;
    hz.map(|hz| {
        let now = (TAU * phase).sin();
        phase = (phase + hz / rate_hz).fract();
        now
    })
    .collect()
}
