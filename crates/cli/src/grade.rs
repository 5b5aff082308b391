//! `plumbtone grade`.

use plumbtone::wav;

use crate::fault::Fault;
use crate::settings::Settings;
use crate::{Outcome, args};

pub fn run(args: &args::Grade) -> Outcome {
    let _settings = Settings::of_recording(&args.set)?;
    let _recording = wav::read(&args.recording)?;
    Err(Fault::new("not yet"))
}
