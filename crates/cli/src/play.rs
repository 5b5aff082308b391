//! `plumbtone render` of an instrument: a preset, settings on top of it, and a score.

use plumbtone::settings::Settings;
use plumbtone::voice::Rate;
use plumbtone::voice::registry::About;
use plumbtone::{InstrumentTwin, Preset, Score};

use crate::args;
use crate::fault::Fault;
use crate::render::{count, inside, named_over, seconds, twin};

/// The key that is held when no score is given: A3.
const KEY: u8 = 57;

/// The samples, full scale = 1.0.
pub fn run(args: &args::Render, about: About, rate: Rate) -> Result<Vec<f64>, Fault> {
    let preset = match &args.preset {
        Some(name) => preset(name, about)?,
        None => Settings::new(),
    };
    let settings = named_over(preset, args, about)?;
    let score = score(args, rate)?.in_blocks(args.block.unwrap_or(1).into());
    let samples = InstrumentTwin::named(about.name, twin(args))?.render(&score, &settings)?;
    Ok(samples.into_iter().map(|sample| f64::from(sample) / 32_768.0).collect())
}

fn preset(name: &str, about: About) -> Result<Settings, Fault> {
    let preset = Preset::named(name)?;
    if preset.instrument != about.name {
        let (made_for, name) = (preset.instrument, about.name);
        return Err(Fault::new(format!(
            "preset {} is for `{made_for}`, not `{name}`",
            preset.name
        )));
    }
    Ok(preset.settings)
}

fn score(args: &args::Render, rate: Rate) -> Result<Score, Fault> {
    if let Some(path) = &args.score {
        let score = Score::read(path, rate.hz())?;
        let length = if args.seconds.is_some() { count(args, rate) } else { score.length };
        return Ok(Score { length, ..score });
    }
    let hold = args.hold.unwrap_or(seconds(args) / 2.0);
    inside("hold", hold, 0.0, seconds(args), "s, no longer than --seconds")?;
    let held = (hold * f64::from(rate.hz())).round() as usize;
    Ok(Score::new(rate.hz(), count(args, rate)).down(0, KEY).up(held, KEY))
}
