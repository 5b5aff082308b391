//! Plans: TOML files that name subjects, notes, readings and limits.
//!
//! ```
//! let plan = plumbtone::plan::Plan::parse("one-panel.toml", r#"
//! title = "Panel 3, the low reed"
//! [[check]]
//! modules = ["spline4"]
//! shapes = ["ramp", "pulse"]
//! keys = [33, 69]
//! rates = [44100]
//! limits = { pitch = "derived", audible = 0.0 }
//! "#)?;
//! assert_eq!(plan.checks().len(), 4); // two shapes, two twins
//! # Ok::<(), plumbtone::Error>(())
//! ```

use std::collections::BTreeMap;
use std::path::Path;

use glob::Pattern;
use plumbtone_theory::references;
use plumbtone_voice::registry::{About, Family};
use plumbtone_voice::{Entry, Setup, Shape, Width};
use serde::Deserialize;
use toml::Spanned;

use crate::check::{self, Check};
use crate::control;
use crate::error::Error;
use crate::exercise;
use crate::filter;
use crate::instrument;
use crate::output;
use crate::results::Kind;
use crate::settings::Settings;
use crate::settings_check::SettingsCheck;
use crate::subject::Twin;
use crate::worker::{Anchor, Bound};

/// The plan that runs when none is given: every module, as the tide organ needs it.
pub const TIDE_ORGAN: &str = include_str!("../plans/tide-organ.toml");

/// A plan as read.
pub struct Plan {
    name: String,
    text: String,
    file: File,
    checks: Vec<Check>,
    settings_checks: Vec<SettingsCheck>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    #[serde(default)]
    check: Vec<Entries>,
}

/// One `[[check]]`: every combination of its lists.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entries {
    modules: Vec<Spanned<String>>,
    #[serde(default = "both_twins")]
    twins: Vec<Spanned<String>>,
    #[serde(default)]
    shapes: Vec<Spanned<String>>,
    #[serde(default = "half")]
    width: Spanned<f64>,
    /// Settings of control modules, one set after the other.
    settings: Option<Vec<BTreeMap<Spanned<String>, Spanned<toml::Value>>>>,
    /// Presets of an instrument by name or pattern; their settings come first.
    presets: Option<Vec<Spanned<String>>>,
    #[serde(default = "piano")]
    keys: Spanned<Vec<i64>>,
    #[serde(default = "panel_rates")]
    rates: Spanned<Vec<u32>>,
    #[serde(default, rename = "harmonics-up-to-hz")]
    harmonics_up_to_hz: Option<f64>,
    limits: BTreeMap<Spanned<String>, Spanned<Limit>>,
    anchor: Option<AnchorEntry>,
    /// Why the limits must be exceeded.
    #[serde(rename = "expect-failure")]
    expect_failure: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(untagged, expecting = "a limit is a figure, \"derived\" or \"noted\"")]
enum Limit {
    Figure(f64),
    Word(String),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct AnchorEntry {
    hz: f64,
    #[serde(rename = "from-hz")]
    from_hz: f64,
    /// Identifier of a work in theory's list.
    source: Spanned<String>,
}

fn unplaced<T>(value: T) -> Spanned<T> {
    Spanned::new(0..0, value)
}

fn both_twins() -> Vec<Spanned<String>> {
    vec![unplaced("float".to_owned()), unplaced("fixed".to_owned())]
}

fn half() -> Spanned<f64> {
    unplaced(0.5)
}

fn piano() -> Spanned<Vec<i64>> {
    unplaced(vec![21, 108])
}

fn panel_rates() -> Spanned<Vec<u32>> {
    unplaced(vec![44_100])
}

impl Plan {
    /// The built-in plan.
    ///
    /// # Errors
    /// None while the suite is green: it reads this plan.
    pub fn built_in() -> Result<Self, Error> {
        Self::parse("tide-organ.toml", TIDE_ORGAN)
    }

    /// Reads a plan from a file.
    ///
    /// # Errors
    /// [`Error::File`] or [`Error::Plan`].
    pub fn read(path: &Path) -> Result<Self, Error> {
        let text = std::fs::read_to_string(path).map_err(Error::file("read", path))?;
        Self::parse(&path.display().to_string(), &text)
    }

    /// Reads a plan from text; `name` stands in error messages.
    ///
    /// # Errors
    /// [`Error::Plan`] with the line of what cannot be understood.
    pub fn parse(name: &str, text: &str) -> Result<Self, Error> {
        let file: File = toml::from_str(text).map_err(|error| {
            let line = error.span().map(|span| line_of(text, span.start));
            let message = error.message().lines().collect::<Vec<_>>().join(" ");
            Error::Plan { plan: name.to_owned(), line, message }
        })?;
        let (checks, settings_checks) = (Vec::new(), Vec::new());
        let mut plan =
            Self { name: name.to_owned(), text: text.to_owned(), file, checks, settings_checks };
        if plan.file.check.is_empty() {
            let message = "no [[check]] in it: add at least one".to_owned();
            return Err(Error::Plan { plan: plan.name, line: None, message });
        }
        // Whatever cannot be used is found now, and tables are made once.
        plan.checks = plan.make_checks()?;
        plan.settings_checks = plan.make_settings_checks()?;
        Ok(plan)
    }

    /// Title of the plan.
    pub fn title(&self) -> &str {
        &self.file.title
    }

    /// The text of the plan, which says all that it asks.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The checks of oscillators and noise: one per module, twin and shape.
    pub fn checks(&self) -> &[Check] {
        &self.checks
    }

    /// The checks of control modules: one per module and twin.
    pub fn settings_checks(&self) -> &[SettingsCheck] {
        &self.settings_checks
    }

    fn make_checks(&self) -> Result<Vec<Check>, Error> {
        let mut checks = Vec::new();
        for entries in &self.file.check {
            self.expand(entries, &mut checks)?;
        }
        Ok(checks)
    }

    fn make_settings_checks(&self) -> Result<Vec<SettingsCheck>, Error> {
        let mut checks = Vec::new();
        for entries in &self.file.check {
            let asked = self.limits(entries)?;
            for about in self.modules(&entries.modules)? {
                if oscillator(about.name).is_some() {
                    continue;
                }
                if let Some(shape) = entries.shapes.first() {
                    let message = format!("`{}` has no shapes: leave `shapes` off", about.name);
                    return Err(self.at(shape, message));
                }
                let settings = self.settings(entries, about)?;
                let keys = self.keys(&entries.keys)?;
                for twin in &entries.twins {
                    let which =
                        Twin::from_name(twin.get_ref()).map_err(|error| self.at(twin, error))?;
                    let made = match about.family {
                        Family::Filter => filter::twin(about.name, which),
                        Family::Instrument => instrument::twin(about.name, which),
                        Family::Level => output::twin(which),
                        _ => control::twin(about.name, which),
                    };
                    let mut check = made
                        .map_err(|error| self.at(twin, error))?
                        .settings(settings.iter().cloned())
                        .keys(keys.iter().copied())
                        .rates(entries.rates.get_ref().iter().copied());
                    check.asked.clone_from(&asked);
                    check.known.clone_from(&entries.expect_failure);
                    checks.push(check);
                }
            }
        }
        Ok(checks)
    }

    /// The sets of settings asked for, or one of defaults.
    fn settings(&self, entries: &Entries, about: About) -> Result<Vec<Settings>, Error> {
        let mut all = match &entries.presets {
            Some(names) => self.presets(names, about)?,
            None => Vec::new(),
        };
        let sets = match (&entries.settings, &entries.presets) {
            (None, None) => return Ok(vec![Settings::new()]),
            (None, Some(_)) => &[][..],
            (Some(sets), _) => sets,
        };
        let whose = format!("module `{}`", about.name);
        let read = |set: &BTreeMap<Spanned<String>, Spanned<toml::Value>>| {
            let mut settings = Settings::new();
            // As written, not by alphabet: it is shown like that.
            let mut pairs: Vec<_> = set.iter().collect();
            pairs.sort_by_key(|(name, _)| name.span().start);
            for (name, value) in pairs {
                let text = match value.get_ref() {
                    toml::Value::String(word) => word.clone(),
                    value => value.to_string(),
                };
                settings
                    .set(&whose, about.parameters, name.get_ref(), &text)
                    .map_err(|error| self.at(value, error))?;
            }
            Ok::<_, Error>(settings)
        };
        for set in sets {
            all.push(read(set)?);
        }
        Ok(all)
    }

    /// The settings of the presets asked for, by panel.
    fn presets(&self, names: &[Spanned<String>], about: About) -> Result<Vec<Settings>, Error> {
        let Some(first) = names.first() else { return Ok(Vec::new()) };
        let mut presets = instrument::presets()?;
        presets.retain(|preset| preset.instrument == about.name);
        if presets.is_empty() {
            return Err(self.at(first, format!("`{}` has no presets: leave them off", about.name)));
        }
        let mut wanted = vec![false; presets.len()];
        for name in names {
            let pattern = Pattern::new(name.get_ref()).map_err(|error| self.at(name, error))?;
            let mut found = false;
            for (wanted, preset) in wanted.iter_mut().zip(&presets) {
                let matches = pattern.matches(preset.name);
                *wanted |= matches;
                found |= matches;
            }
            if !found {
                let names: Vec<_> = presets.iter().map(|preset| preset.name).collect();
                let message = format!(
                    "unknown preset `{name}`: choose from {}",
                    names.join(", "),
                    name = name.get_ref()
                );
                return Err(self.at(name, message));
            }
        }
        let chosen = presets.into_iter().zip(wanted).filter(|(_, wanted)| *wanted);
        Ok(chosen.map(|(preset, _)| preset.settings).collect())
    }

    fn expand(&self, entries: &Entries, checks: &mut Vec<Check>) -> Result<(), Error> {
        for (name, empty) in [
            ("modules", entries.modules.is_empty()),
            ("twins", entries.twins.is_empty()),
            ("rates", entries.rates.get_ref().is_empty()),
            ("limits", entries.limits.is_empty()),
            ("settings", entries.settings.as_ref().is_some_and(Vec::is_empty)),
            ("presets", entries.presets.as_ref().is_some_and(Vec::is_empty)),
        ] {
            if empty {
                let message = format!("a [[check]] with no {name} would check nothing: name some");
                return Err(Error::Plan { plan: self.name.clone(), line: None, message });
            }
        }
        if entries.harmonics_up_to_hz.is_some_and(|hz| !(20.0..=96_000.0).contains(&hz)) {
            let message = "harmonics-up-to-hz: give 20 to 96000 Hz".to_owned();
            return Err(Error::Plan { plan: self.name.clone(), line: None, message });
        }
        if entries.expect_failure.as_ref().is_some_and(|why| why.trim().is_empty()) {
            let message = "expect-failure: say why the limits must be exceeded".to_owned();
            return Err(Error::Plan { plan: self.name.clone(), line: None, message });
        }
        let asked = self.limits(entries)?;
        let width =
            Width::new(*entries.width.get_ref()).map_err(|error| self.at(&entries.width, error))?;
        let keys = self.keys(&entries.keys)?;
        let anchor = entries.anchor.as_ref().map(|anchor| self.anchor(anchor)).transpose()?;
        for &rate_hz in entries.rates.get_ref() {
            plumbtone_voice::Rate::new(rate_hz).map_err(|error| self.at(&entries.rates, error))?;
        }
        for about in self.modules(&entries.modules)? {
            let Some(entry) = oscillator(about.name) else { continue };
            let sets = entries.settings.as_deref().unwrap_or_default();
            if let Some(name) = sets.first().and_then(|set| set.keys().next()) {
                let message = format!("`{}` takes no `settings`: leave them off", entry.name);
                return Err(self.at(name, message));
            }
            for twin in &entries.twins {
                let which =
                    Twin::from_name(twin.get_ref()).map_err(|error| self.at(twin, error))?;
                for shape in self.shapes(entries, entry)? {
                    let setup = Setup { width, ..Setup::default() };
                    let mut check = check::twin(entry.name, which, shape, setup)?
                        .keys(keys.iter().copied())
                        .rates(entries.rates.get_ref().iter().copied());
                    if let Some(hz) = entries.harmonics_up_to_hz {
                        check.harmonics_up_to_hz = hz;
                    }
                    check.asked.clone_from(&asked);
                    check.known.clone_from(&entries.expect_failure);
                    check.anchor = anchor;
                    checks.push(check);
                }
            }
        }
        Ok(())
    }

    fn anchor(&self, anchor: &AnchorEntry) -> Result<Anchor, Error> {
        let id = anchor.source.get_ref();
        let source = references::ALL.iter().find(|work| work.id == id).ok_or_else(|| {
            let ids: Vec<_> = references::ALL.iter().map(|work| work.id).collect();
            self.at(
                &anchor.source,
                format!("unknown source `{id}`: choose from {}", ids.join(", ")),
            )
        })?;
        let audio = 20.0..=20_000.0;
        if !(audio.contains(&anchor.hz)
            && audio.contains(&anchor.from_hz)
            && anchor.from_hz < anchor.hz)
        {
            let (hz, from_hz) = (anchor.hz, anchor.from_hz);
            let message = format!(
                "anchor: hz = {hz}, from-hz = {from_hz}: give 20 to 20000 Hz, from-hz below hz"
            );
            return Err(self.at(&anchor.source, message));
        }
        Ok(Anchor { hz: anchor.hz, from_hz: anchor.from_hz, source: *source })
    }

    /// First and last key, and optionally every how many.
    fn keys(&self, keys: &Spanned<Vec<i64>>) -> Result<Vec<u8>, Error> {
        let (low, high, step) = match keys.get_ref()[..] {
            [low, high] => (low, high, 1),
            [low, high, step] => (low, high, step),
            _ => (1, 0, 1),
        };
        if !(0 <= low && low <= high && high <= 127 && (1..=127).contains(&step)) {
            let given = keys.get_ref();
            let message =
                format!("keys = {given:?}: give [first, last] or [first, last, step], 0 to 127");
            return Err(self.at(keys, message));
        }
        Ok((low..=high).step_by(step as usize).map(|key| key as u8).collect())
    }

    fn limits(&self, entries: &Entries) -> Result<Vec<(Kind, Bound)>, Error> {
        let mut asked = Vec::new();
        for (name, limit) in &entries.limits {
            let kind = Kind::from_name(name.get_ref()).ok_or_else(|| {
                let choices: Vec<_> = Kind::ALL.iter().map(|kind| kind.name()).collect();
                let name = name.get_ref();
                let choices = choices.join(", ");
                self.at_span(
                    name_span(&entries.limits, name),
                    format!("unknown reading `{name}`: choose from {choices}"),
                )
            })?;
            let bound = match limit.get_ref() {
                Limit::Figure(figure) => Bound::Required(*figure),
                Limit::Word(word) if word == "derived" => Bound::Derived,
                Limit::Word(word) if word == "noted" => Bound::Noted,
                Limit::Word(word) => {
                    let message = format!(
                        "limit \"{word}\" of `{kind}`: give a figure, \"derived\" or \"noted\""
                    );
                    return Err(self.at(limit, message));
                }
            };
            asked.push((kind, bound));
        }
        asked.sort_by_key(|(kind, _)| *kind);
        Ok(asked)
    }

    fn modules(&self, wanted: &[Spanned<String>]) -> Result<Vec<About>, Error> {
        let mut modules: Vec<About> = Vec::new();
        for name in wanted {
            let pattern = Pattern::new(name.get_ref()).map_err(|error| self.at(name, error))?;
            let measured =
                |name| oscillator(name).is_some() || !exercise::readings(name).is_empty();
            let all = plumbtone_voice::registry::all().filter(|about| measured(about.name));
            let found: Vec<_> = all.filter(|about| pattern.matches(about.name)).collect();
            if found.is_empty() {
                // The full list helps more than "no match".
                let message = match crate::settings::about(name.get_ref()) {
                    Ok(about) => format!("`{}` has no readings that a plan asks for", about.name),
                    Err(error) => error.to_string(),
                };
                return Err(self.at(name, message));
            }
            for about in found {
                if !modules.iter().any(|have| have.name == about.name) {
                    modules.push(about);
                }
            }
        }
        Ok(modules)
    }

    /// The shapes asked for, or all that the module has; noise gets one without meaning.
    fn shapes(&self, entries: &Entries, entry: &Entry) -> Result<Vec<Shape>, Error> {
        if entries.shapes.is_empty() || entry.shapes.is_empty() {
            return Ok(match entry.shapes {
                [] => vec![Shape::Ramp],
                shapes => shapes.to_vec(),
            });
        }
        entries
            .shapes
            .iter()
            .map(|name| {
                let shape = Shape::from_name(name.get_ref()).ok_or_else(|| {
                    let name_given = name.get_ref();
                    let message = format!(
                        "unknown shape `{name_given}`: choose from ramp, triangle, pulse, sine"
                    );
                    self.at(name, message)
                })?;
                if entry.shapes.contains(&shape) {
                    Ok(shape)
                } else {
                    let (module, shape) = (entry.name, shape.name());
                    Err(self.at(name, format!("module `{module}` has no shape `{shape}`")))
                }
            })
            .collect()
    }

    fn at<T>(&self, place: &Spanned<T>, message: impl ToString) -> Error {
        self.at_span(place.span(), message)
    }

    fn at_span(&self, span: std::ops::Range<usize>, message: impl ToString) -> Error {
        let line = (!span.is_empty()).then(|| line_of(&self.text, span.start));
        Error::Plan { plan: self.name.clone(), line, message: message.to_string() }
    }
}

/// The oscillator or noise source of that name; none for a control module.
fn oscillator(name: &str) -> Option<&'static Entry> {
    plumbtone_voice::oscillators::ENTRIES.iter().find(|entry| entry.name == name)
}

fn name_span<T>(map: &BTreeMap<Spanned<String>, T>, name: &str) -> std::ops::Range<usize> {
    map.keys().find(|key| key.get_ref() == name).map_or(0..0, Spanned::span)
}

/// Line number, from 1, of a byte in a text.
fn line_of(text: &str, byte: usize) -> usize {
    text.as_bytes().iter().take(byte).filter(|&&byte| byte == b'\n').count() + 1
}
