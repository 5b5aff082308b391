//! Takes readings of modules other than oscillators: one set of settings at one rate at a time.

use std::time::Instant;

use plumbtone_theory::tuning::key_hz;
use plumbtone_theory::{Reference, references};
use plumbtone_voice::contours::ENTRIES;

use crate::error::Error;
use crate::expect::{controls, laws};
use crate::results::{Case, Gap, Kind};
use crate::settings::Settings;
use crate::settings_check::{Device, SettingsCheck};
use crate::subject::Twin;
use crate::worker::{Bound, Spent, Taken, sound};

mod contour;
mod filter;
mod instrument;
mod law;
mod output;

/// The readings that a module has.
pub(crate) fn readings(module: &str) -> &'static [Kind] {
    match module {
        "adsr" => &[
            Kind::Rounding,
            Kind::StageTime,
            Kind::TimeConstant,
            Kind::DecayLine,
            Kind::Step,
            Kind::Onset,
        ],
        "multistage" => {
            &[Kind::Rounding, Kind::StageTime, Kind::TimeConstant, Kind::Step, Kind::Onset]
        }
        "glide" => &[Kind::Path, Kind::Arrival, Kind::Step],
        "lfo" => &[Kind::Rounding, Kind::Rate],
        "update" => &[Kind::Rounding, Kind::Images],
        "pitch" | "exp2" | "bend" | "tracking" => &[Kind::Law, Kind::Scale],
        "depth" => &[Kind::Law, Kind::Rounding, Kind::Depth],
        "taper" | "smoothing" => &[Kind::Rounding],
        "ladder" | "ladder-delay" | "ladder-naive" => &[
            Kind::Response,
            Kind::Phase,
            Kind::Passband,
            Kind::Cutoff,
            Kind::Slope,
            Kind::Peak,
            Kind::Quality,
            Kind::Tracking,
            Kind::Threshold,
            Kind::Oscillation,
            Kind::Intermodulation,
            Kind::Rounding,
            Kind::Noise,
            Kind::Overload,
            Kind::Stress,
            Kind::Residue,
            Kind::Settling,
            Kind::Step,
        ],
        "ladder-tanh" => &[
            Kind::Response,
            Kind::Phase,
            Kind::Passband,
            Kind::Cutoff,
            Kind::Slope,
            Kind::Peak,
            Kind::Tracking,
            Kind::Oscillation,
            Kind::OscillationLevel,
            Kind::Drive,
            Kind::Aliases,
            Kind::Intermodulation,
            Kind::Rounding,
            Kind::Stress,
            Kind::Residue,
            Kind::Settling,
            Kind::Step,
        ],
        "state-variable" | "state-variable-loop" => &[
            Kind::Response,
            Kind::Phase,
            Kind::Passband,
            Kind::Cutoff,
            Kind::Slope,
            Kind::Peak,
            Kind::Quality,
            Kind::Tracking,
            Kind::Intermodulation,
            Kind::Rounding,
            Kind::Noise,
            Kind::Overload,
            Kind::Stress,
            Kind::Residue,
            Kind::Settling,
            Kind::Step,
        ],
        "one-pole" | "dc-blocker" => &[
            Kind::Response,
            Kind::Phase,
            Kind::Passband,
            Kind::Cutoff,
            Kind::Slope,
            Kind::Rounding,
            Kind::Noise,
            Kind::Overload,
            Kind::Stress,
            Kind::Residue,
            Kind::Settling,
            Kind::Step,
        ],
        "output" => output::READINGS,
        _ if is_instrument(module) => instrument::READINGS,
        _ => &[],
    }
}

/// Whether a kind has a limit that follows from arithmetic.
pub(crate) fn derivable(module: &str, kind: Kind) -> bool {
    if is_instrument(module) {
        return matches!(kind, Kind::Pitch | Kind::Lag | Kind::Beat | Kind::Silence | Kind::Onset);
    }
    if module == "output" {
        return kind == Kind::Noise;
    }
    // The step of a contour has a steepest place; that of a filter depends on what goes in.
    if is_filter(module) && kind == Kind::Step {
        return false;
    }
    matches!(
        kind,
        Kind::Rounding
            | Kind::Noise
            | Kind::Response
            | Kind::Phase
            | Kind::Passband
            | Kind::Peak
            | Kind::Overload
            | Kind::Stress
            | Kind::Residue
            | Kind::Path
            | Kind::Law
            | Kind::StageTime
            | Kind::DecayLine
            | Kind::Step
            | Kind::Onset
    )
}

fn is_instrument(module: &str) -> bool {
    plumbtone_voice::instruments::ENTRIES.iter().any(|entry| entry.name == module)
}

fn is_filter(module: &str) -> bool {
    crate::filter::entry(module).is_ok()
}

/// Where a derived limit comes from.
pub(crate) fn because(module: &str, kind: Kind) -> &'static str {
    let contour = ENTRIES.iter().any(|entry| entry.name == module);
    match kind {
        _ if is_instrument(module) => instrument::because(kind),
        _ if module == "output" => output::because(),
        Kind::StageTime => "coefficients rounded, in proportion to the length of the stage",
        Kind::DecayLine => "what the error of a sample is worth in dB, 100 dB down",
        Kind::Step => "steepest place of the closed form, and the rounding of two samples",
        Kind::Onset => "an event waits for the next block, one sample less than a block at most",
        Kind::Response | Kind::Phase | Kind::Passband | Kind::Peak => {
            "coefficients off by their bounds, and six standard deviations of the rounding"
        }
        Kind::Stress => "what the states can hold, through the weights of the output",
        Kind::Residue => "every rounding at its worst for ever, l1 norms",
        _ if is_filter(module) => filter::because(module, kind),
        _ if contour => controls::because(module),
        _ => laws::because(module),
    }
}

/// The work that the reference of a reading rests on.
pub(crate) fn reference(module: &str, kind: Kind) -> Reference {
    let contour = ENTRIES.iter().any(|entry| entry.name == module);
    match kind {
        _ if is_instrument(module) => instrument::reference(kind),
        _ if module == "output" => output::reference(kind),
        Kind::Images => references::HOLD_IMAGES,
        Kind::Onset => references::BLOCK_ONSETS,
        Kind::Depth => references::FREQUENCY_MODULATION,
        _ if is_filter(module) => filter::reference(module, kind),
        _ if contour => controls::reference(module),
        _ => laws::reference(module),
    }
}

/// What one set of settings gives: cases by what was asked for, and where the time went.
pub(crate) type Exercised = (Vec<Vec<Case>>, Spent);

/// The cases of one set of settings, by what was asked for, and where the time went.
///
/// # Errors
/// When the subject refuses, or theory has no closed form for the settings.
pub(crate) fn take(check: &SettingsCheck, rate_hz: u32, index: usize) -> Result<Exercised, Error> {
    let settings = &check.settings[index];
    let mut bench = Bench {
        check,
        settings,
        rate_hz,
        twin: check.twin.unwrap_or(Twin::Exact),
        spent: Spent::default(),
        cases: vec![Vec::new(); check.asked.len()],
    };
    match &check.device {
        Device::Controller(controller) => bench.contour(&**controller)?,
        Device::Law(law) => bench.law(&**law)?,
        Device::Filter(filter) => bench.filter(&**filter)?,
        Device::Instrument(player) => bench.instrument(&**player)?,
        Device::Output(output) => bench.output(&**output)?,
    }
    let unread = bench.cases.iter().zip(&check.asked).find(|(cases, _)| cases.is_empty());
    if let Some((_, (kind, _))) = unread {
        let name = check.subject();
        let message = format!("`{name}` with {settings} has no reading `{kind}`: take it off");
        return Err(Error::Request(message));
    }
    Ok((bench.cases, bench.spent))
}

struct Bench<'a> {
    check: &'a SettingsCheck,
    settings: &'a Settings,
    rate_hz: u32,
    twin: Twin,
    spent: Spent,
    /// By what was asked for; some readings have several, by key or by stage.
    cases: Vec<Vec<Case>>,
}

fn clocked<T>(sum: &mut f64, work: impl FnOnce() -> T) -> T {
    let clock = Instant::now();
    let done = work();
    *sum += clock.elapsed().as_secs_f64();
    done
}

fn nothing(why: &str) -> (Gap, String) {
    (Gap::Nothing, why.to_owned())
}

/// Delays of an onset behind its event, over all places of the event in a block.
#[derive(Default)]
struct Spread(Vec<usize>);

impl Spread {
    fn add(&mut self, delay: usize) {
        self.0.push(delay);
    }

    /// Largest less smallest, with mean and rms as its note.
    fn taken(&self, rate_hz: u32) -> (f64, f64, Option<String>) {
        let delays = &self.0;
        let (least, most) = delays
            .iter()
            .fold((usize::MAX, 0), |(least, most), &delay| (least.min(delay), most.max(delay)));
        let count = delays.len() as f64;
        let mean = delays.iter().sum::<usize>() as f64 / count;
        let spread = delays.iter().map(|&delay| (delay as f64 - mean).powi(2)).sum::<f64>() / count;
        let ms = 1e3 / f64::from(rate_hz);
        let note = format!("mean {:.2} ms, rms {:.2} ms", mean * ms, spread.sqrt() * ms);
        ((most.saturating_sub(least)) as f64, 0.0, Some(note))
    }
}

impl Bench<'_> {
    fn wants(&self, kind: Kind) -> bool {
        self.check.asked.iter().any(|(asked, _)| *asked == kind)
    }

    /// Enters a reading if it was asked for; `derived` is its derived limit.
    fn enter(&mut self, kind: Kind, derived: Option<f64>, taken: Taken) {
        self.enter_at(kind, (None, self.settings.to_string()), derived, taken);
    }

    /// The same of one key, or of what `setting` names.
    fn enter_at(
        &mut self,
        kind: Kind,
        (key, setting): (Option<u8>, String),
        derived: Option<f64>,
        taken: Taken,
    ) {
        for (cases, (asked, bound)) in self.cases.iter_mut().zip(&self.check.asked) {
            if *asked != kind {
                continue;
            }
            let limit = match bound {
                Bound::Derived => derived,
                Bound::Required(limit) => Some(*limit),
                Bound::Noted => None,
            };
            let taken = taken.clone().and_then(|it| sound(kind, limit, it));
            let (value, uncertainty, gap, note) = match taken {
                Ok((value, uncertainty, note)) => (Some(value), uncertainty, None, note),
                Err((gap, why)) => (None, 0.0, Some(gap), Some(why)),
            };
            let hz = key.map(|key| key_hz(f64::from(key)));
            let setting = Some(setting.clone());
            cases.push(Case { key, hz, setting, value, uncertainty, limit, gap, note });
        }
    }
}
