//! What a failing check leaves behind: a text with the worst case first, a WAV, a plot.

use std::fmt;
use std::path::{Path, PathBuf};

use crate::check::Check;
use crate::error::Error;
use crate::instrument::Preset;
use crate::results::{Case, Finding, Kind, Results};
use crate::settings_check::SettingsCheck;
use crate::wav;

/// The text of a failed check.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report(String);

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<&Error> for Report {
    fn from(error: &Error) -> Self {
        Self(format!("the check cannot run: {error}"))
    }
}

impl Report {
    /// Describes what failed, worst first, and how to run the worst case again.
    pub(crate) fn of_settings(check: &SettingsCheck, results: &Results) -> Self {
        let (mut text, findings) = failed(results);
        if let Some((finding, case)) =
            findings.first().and_then(|finding| Some((*finding, finding.worst_case()?)))
        {
            let maker = check.maker();
            let setting = case.setting.as_deref().unwrap_or("defaults");
            // A stage is named behind the settings.
            let stage = if finding.kind == Kind::Stages { setting.rsplit_once(", ") } else { None };
            let setting = stage.map_or(setting, |(setting, _)| setting);
            let setting = match setting {
                "defaults" => String::new(),
                _ if Preset::named(setting).is_ok() => format!(".presets([{setting:?}])?"),
                _ => format!(".setting({setting:?})?"),
            };
            let key = case.key.map(|key| format!(".keys([{key}])")).unwrap_or_default();
            let kind = finding.kind;
            let (rate_hz, limit) = (finding.rate_hz, case.limit.unwrap_or(0.0));
            text += &format!(
                "  again: {maker}{setting}{key}.rates([{rate_hz}])\
                 .limit(Kind::{kind:?}, {limit:?}).assert()\n"
            );
        }
        Self(text)
    }

    /// Describes what failed, worst first, and writes the evidence for the worst case.
    pub(crate) fn of(check: &Check, results: &Results) -> Self {
        let (mut text, findings) = failed(results);
        if let Some((finding, case)) =
            findings.first().and_then(|finding| Some((*finding, finding.worst_case()?)))
        {
            text += &format!("  again: {}\n", snippet(check, finding, case));
            match leave(check, finding, case) {
                Ok(files) => {
                    for file in files {
                        text += &format!("  see:   {}\n", file.display());
                    }
                    text += &format!("  ({})\n", wav::CAUTION);
                }
                Err(error) => text += &format!("  no evidence written: {error}\n"),
            }
        }
        Self(text)
    }
}

/// What was not kept, a line each, worst first.
fn failed(results: &Results) -> (String, Vec<&Finding>) {
    let findings: Vec<&Finding> =
        results.worst_first().into_iter().filter(|finding| !finding.verdict.is_good()).collect();
    let all = results.findings.len();
    let mut text = format!("{}: {} of {} limits not kept\n", results.title, findings.len(), all);
    for finding in &findings {
        if let Some(case) = finding.worst_case() {
            text += &format!("  {}\n", sentence(finding, case));
        }
    }
    (text, findings)
}

/// One finding in words, worst case.
pub fn sentence(finding: &Finding, case: &Case) -> String {
    let kind = finding.kind;
    let unit = finding.unit.symbol();
    let value = match case.value {
        Some(value) => format!("{} {unit}", figure(kind, value)),
        None => "cannot be measured".to_owned(),
    };
    let spread = if case.uncertainty > 0.0 {
        format!(" ± {}", figure(kind, case.uncertainty))
    } else {
        String::new()
    };
    let limit = case
        .limit
        .map(|limit| format!("; limit {} {unit}", figure(kind, limit)))
        .unwrap_or_default();
    let place = match (case.key, case.hz, &case.setting) {
        (Some(key), Some(hz), setting) => {
            let setting = setting.as_ref().map(|setting| format!("{setting}, "));
            let setting = setting.unwrap_or_default();
            format!("{setting}key {key} ({}, {hz:.2} Hz)", key_name(key))
        }
        (_, Some(hz), _) => format!("{hz:.2} Hz"),
        (_, _, Some(setting)) => setting.clone(),
        _ => "defaults".to_owned(),
    };
    let note = case.note.as_ref().map(|note| format!("; {note}")).unwrap_or_default();
    let verdict = finding.verdict.word();
    let rate_hz = finding.rate_hz;
    format!("{verdict} {kind}: {value}{spread} at {place}, rate {rate_hz} Hz{limit}{note}")
}

/// A figure with as many digits as its kind deserves.
pub fn figure(kind: Kind, value: f64) -> String {
    match kind {
        Kind::Rounding | Kind::Overload | Kind::Residue => format!("{value:.2e}"),
        Kind::StageTime | Kind::Onset | Kind::Arrival | Kind::Saturation
            if value.fract() == 0.0 =>
        {
            format!("{value:.0}")
        }
        Kind::Step => format!("{value:.6}"),
        _ if fine(kind) && value != 0.0 && value.abs() < 0.001 => format!("{value:.2e}"),
        _ if fine(kind) => format!("{value:.4}"),
        Kind::Lines if value != 0.0 && value.abs() < 0.001 => format!("{value:.1e}"),
        Kind::Lines | Kind::Noise | Kind::CleanNote | Kind::Density => format!("{value:.3}"),
        _ => format!("{value:.2}"),
    }
}

/// Kinds whose readings go far below a hundredth of their unit.
fn fine(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Pitch
            | Kind::Path
            | Kind::Law
            | Kind::Scale
            | Kind::TimeConstant
            | Kind::Rate
            | Kind::Depth
            | Kind::DecayLine
            | Kind::Response
            | Kind::Phase
            | Kind::Passband
            | Kind::Cutoff
            | Kind::Slope
            | Kind::Peak
            | Kind::Quality
            | Kind::Tracking
            | Kind::Threshold
            | Kind::Oscillation
            | Kind::OscillationLevel
            | Kind::Drive
            | Kind::Lag
            | Kind::Beat
    )
}

/// Note name of a key: 69 is A4.
pub fn key_name(key: u8) -> String {
    const NAMES: [&str; 12] = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
    format!("{}{}", NAMES[usize::from(key % 12)], i32::from(key) / 12 - 1)
}

/// The same check on the one note that failed.
fn snippet(check: &Check, finding: &Finding, case: &Case) -> String {
    let limit = case.limit.unwrap_or(0.0);
    let call = match finding.kind {
        Kind::Pitch => format!("pitch_within_cents({limit:?})"),
        Kind::WorstAlias => format!("aliases_below_db({limit:?})"),
        Kind::Aliases => format!("alias_power_below_db({limit:?})"),
        Kind::Audible => "aliases_inaudible()".to_owned(),
        Kind::Harmonics => {
            format!("harmonics_within_db({limit:?}, {:?})", check.harmonics_up_to_hz)
        }
        kind => format!("limit(Kind::{kind:?}, {limit:?})"),
    };
    let keys = case.key.map(|key| format!(".keys([{key}])")).unwrap_or_default();
    let width =
        if finding.width.is_some() { format!(".width({:?})", check.width) } else { String::new() };
    let shape = check.shape.unwrap_or_default();
    let rate_hz = finding.rate_hz;
    format!(
        "check::oscillator(Shape::{shape:?}, ...){width}{keys}.rates([{rate_hz}]).{call}.assert()"
    )
}

/// Writes the WAV, and with the feature `plots` the spectrum, of one case.
fn leave(check: &Check, finding: &Finding, case: &Case) -> Result<Vec<PathBuf>, Error> {
    let folder = folder();
    std::fs::create_dir_all(&folder).map_err(Error::file("create", &folder))?;
    let key = case.key.map_or_else(|| "noise".to_owned(), |key| format!("key{key}"));
    let Finding { subject, kind, rate_hz, shape, .. } = finding;
    let twin = finding.twin.map_or("", |twin| twin.name());
    let stem = format!("{subject}-{twin}{shape}-{kind}-{key}-{rate_hz}");
    let stem: String =
        stem.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
    let stimulus = check.stimulus(case.key.unwrap_or(69), finding.rate_hz);
    let mut samples = vec![0.0; 2 * finding.rate_hz as usize];
    check.subject.render(&stimulus, &mut samples)?;
    let wav = folder.join(format!("{stem}.wav"));
    let gain = wav::gain_to_peak(&samples, wav::PEAK_DBFS);
    wav::write(&wav, &samples, gain, finding.rate_hz, wav::Format::Int24)?;
    #[cfg_attr(not(feature = "plots"), allow(unused_mut))]
    let mut files = vec![wav];
    #[cfg(feature = "plots")]
    if check.shape.is_some() {
        let svg = folder.join(format!("{stem}.svg"));
        let chart = crate::draw::spectrum_of(check, &stimulus)?;
        let drawn = chart
            .to_svg(plumbtone_plot::Size::default())
            .map_err(|error| Error::Request(error.to_string()))?;
        crate::files::write_whole(&svg, drawn.as_bytes())?;
        files.push(svg);
    }
    Ok(files)
}

/// `plumbtone` under the build folder of the running test, or under `target` here.
fn folder() -> PathBuf {
    let built = std::env::current_exe().ok();
    let target = built.as_deref().and_then(|exe| {
        exe.ancestors().find(|folder| folder.join("CACHEDIR.TAG").is_file()).map(Path::to_owned)
    });
    target.unwrap_or_else(|| PathBuf::from("target")).join("plumbtone")
}
