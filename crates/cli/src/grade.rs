//! `plumbtone grade`.

use plumbtone::{grade, wav};

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args, output};

pub fn run(args: &args::Grade) -> Outcome {
    let Settings { hz, shape, width, .. } = Settings::of_recording(&args.set)?;
    let recording = wav::read(&args.recording)?;
    let sheet = match args.what {
        args::What::Oscillator => {
            let graded = grade::oscillator(&recording, &grade::Settings { hz, shape, width });
            // The engine does not know where the recording came from.
            graded.map_err(|error| Fault::new(format!("{}: {error}", args.recording.display())))?
        }
    };
    let text = if args.json {
        serde_json::to_string_pretty(&sheet).map_err(Fault::new)?
    } else {
        sheet.to_string()
    };
    output::print(&format!("{}\n", text.trim_end()))?;
    Ok(true)
}
