//! `plumbtone grade`.

use plumbtone::settings::Settings as Named;
use plumbtone::wav::{self, Recording};
use plumbtone::{Error, grade};

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args, output};

pub fn run(args: &args::Grade) -> Outcome {
    let (text, json) = match args.what {
        args::What::Oscillator => {
            let Settings { hz, shape, width, .. } = Settings::of_recording(&args.set)?;
            let settings = grade::Settings { hz, shape, width };
            let sheet = graded(args, |recording| grade::oscillator(recording, &settings))?;
            (sheet.to_string(), serde_json::to_string_pretty(&sheet))
        }
        args::What::Contour => {
            let settings = of_contour(&args.set)?;
            let sheet = graded(args, |recording| grade::contour(recording, &settings))?;
            (sheet.to_string(), serde_json::to_string_pretty(&sheet))
        }
    };
    let text = if args.json { json.map_err(Fault::new)? } else { text };
    output::print(&format!("{}\n", text.trim_end()))?;
    Ok(true)
}

fn of_contour(set: &[String]) -> Result<Named, Fault> {
    let mut settings = Named::new();
    for text in set {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            Fault::new(format!("--set {text}: give NAME=VALUE, such as coupling=dc"))
        })?;
        settings.set("a recorded contour", grade::contour::PARAMETERS, name, value)?;
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
