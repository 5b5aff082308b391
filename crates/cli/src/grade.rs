//! `plumbtone grade`.

use plumbtone::settings::Settings as Named;
use plumbtone::voice::Parameter;
use plumbtone::wav::{self, Recording};
use plumbtone::{Error, grade};

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args, output};

pub fn run(args: &args::Grade) -> Outcome {
    if args.sent.is_some() && !matches!(args.what, args::What::Filter) {
        return Err(Fault::new("--sent is for filters: leave it off, or add --as filter"));
    }
    let (text, json) = match args.what {
        args::What::Oscillator => {
            let Settings { hz, shape, width, .. } = Settings::of_recording(&args.set)?;
            let settings = grade::Settings { hz, shape, width };
            let sheet = graded(args, |recording| grade::oscillator(recording, &settings))?;
            (sheet.to_string(), serde_json::to_string_pretty(&sheet))
        }
        args::What::Contour => {
            let settings = named("a recorded contour", grade::contour::PARAMETERS, &args.set)?;
            let sheet = graded(args, |recording| grade::contour(recording, &settings))?;
            (sheet.to_string(), serde_json::to_string_pretty(&sheet))
        }
        args::What::Filter => {
            named("a recorded filter", &[], &args.set)?;
            match &args.sent {
                Some(sent) => {
                    let sent = wav::read(sent)?;
                    let sheet = graded(args, |recording| grade::filter(recording, &sent))?;
                    (sheet.to_string(), serde_json::to_string_pretty(&sheet))
                }
                None => {
                    let sheet = graded(args, grade::self_oscillation)?;
                    (sheet.to_string(), serde_json::to_string_pretty(&sheet))
                }
            }
        }
    };
    let text = if args.json { json.map_err(Fault::new)? } else { text };
    output::print(&format!("{}\n", text.trim_end()))?;
    Ok(true)
}

fn named(whose: &str, parameters: &[Parameter], set: &[String]) -> Result<Named, Fault> {
    let mut settings = Named::new();
    for text in set {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            Fault::new(format!("--set {text}: give NAME=VALUE, such as coupling=dc"))
        })?;
        settings.set(whose, parameters, name, value)?;
    }
    Ok(settings)
}

fn graded<S>(
    args: &args::Grade,
    grade: impl FnOnce(&Recording) -> Result<S, Error>,
) -> Result<S, Fault> {
    let recording = wav::read(&args.recording)?;
    // The engine does not know where the recording came from.
    grade(&recording).map_err(|error| Fault::new(format!("{}: {error}", args.recording.display())))
}
