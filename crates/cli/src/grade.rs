//! `plumbtone grade`.

use plumbtone::settings::Settings as Named;
use plumbtone::{Error, grade, wav};

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args, output};

pub fn run(args: &args::Grade) -> Outcome {
    // The engine does not know where the recording came from.
    let named = |error: Error| Fault::new(format!("{}: {error}", args.recording.display()));
    let text = match args.what {
        args::What::Oscillator => {
            let Settings { hz, shape, width, .. } = Settings::of_recording(&args.set)?;
            let settings = grade::Settings { hz, shape, width };
            let recording = wav::read(&args.recording)?;
            let sheet = grade::oscillator(&recording, &settings).map_err(named)?;
            if args.json { serde_json::to_string_pretty(&sheet) } else { Ok(sheet.to_string()) }
        }
        args::What::Contour => {
            let settings = contour(&args.set)?;
            let recording = wav::read(&args.recording)?;
            let sheet = grade::contour(&recording, &settings).map_err(named)?;
            if args.json { serde_json::to_string_pretty(&sheet) } else { Ok(sheet.to_string()) }
        }
    }
    .map_err(Fault::new)?;
    output::print(&format!("{}\n", text.trim_end()))?;
    Ok(true)
}

fn contour(set: &[String]) -> Result<grade::ContourSettings, Fault> {
    let mut settings = Named::new();
    for text in set {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            Fault::new(format!("--set {text}: give NAME=VALUE, such as coupling=dc"))
        })?;
        settings.set("a recorded contour", &grade::CONTOUR_PARAMETERS, name, value)?;
    }
    Ok(grade::ContourSettings::read(&settings)?)
}
