//! Two results side by side: what got worse, what got better, what is new or gone.

use std::collections::{BTreeMap, VecDeque};
use std::path::Path;

use plumbtone::evidence::{figure, key_name};
use plumbtone::measure::Unit;
use plumbtone::results::{Case, Finding, Gap, Origin, SCHEMA};
use plumbtone::{Kind, Results, Twin, Verdict};
use serde::Serialize;

use crate::{Error, finite, khz, short};

/// The rule by which readings are told apart, as every comparison states it.
pub const RULE: &str = "A reading counts as worse or better when its size (of a level, the level) \
    has changed by more than the root sum of squares of both uncertainties plus half a unit in the \
    last printed place of each figure. Held against one and the same limit it is then closer to it, \
    or further from it, also with its uncertainty taken off.";

/// What it may mean that two results share no reading.
pub const APART: &str = "No reading is in both: they may come of two plans, of other modules, \
    keys, settings or sample rates, or of another --only";

/// What has changed between two results.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// Where the earlier results came from, in the user's words.
    pub against: String,
    /// Title of the earlier results.
    pub title: String,
    /// [`RULE`].
    pub rule: &'static str,
    /// How many readings both results have.
    pub compared: usize,
    /// Readings that got worse, the largest excess over the allowance first.
    pub worse: Vec<Change>,
    /// Readings that got better, in the same order.
    pub better: Vec<Change>,
    /// Findings with another verdict.
    pub verdicts: Vec<Turn>,
    /// Findings whose limits differ.
    pub limits: Vec<LimitChange>,
    /// Readings that only the later results have.
    pub new: Vec<Group>,
    /// Readings that only the earlier results have.
    pub gone: Vec<Group>,
}

/// What a finding is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Place {
    /// Module or the user's name for it.
    pub subject: String,
    /// Which evaluation; none for a user's module.
    pub twin: Option<Twin>,
    /// Shape name; may be empty.
    pub shape: String,
    /// Pulse width to six places, since it is a name here and no figure.
    pub width: Option<String>,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Which reading.
    pub kind: Kind,
}

/// A reading before or after.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// In the unit of the kind; none where there is no figure.
    pub value: Option<f64>,
    /// k = 2.
    pub uncertainty: f64,
    /// The limit that applied.
    pub limit: Option<f64>,
    /// Detail, or why there is no figure.
    pub note: Option<String>,
}

/// One reading that changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// The finding.
    #[serde(flatten)]
    pub place: Place,
    /// Unit of all figures here.
    pub unit: Unit,
    /// Key number, where it belongs to a key.
    pub key: Option<u8>,
    /// Settings, where it belongs to a set of them.
    pub setting: Option<String>,
    /// The earlier reading.
    pub old: Figure,
    /// The later reading.
    pub new: Figure,
    /// By how much the size, or the level, grew; none where one of both is no figure.
    pub by: Option<f64>,
    /// How much of a change uncertainty and rounding allow.
    pub allowance: f64,
}

/// A finding whose verdict changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Turn {
    /// The finding.
    #[serde(flatten)]
    pub place: Place,
    /// Earlier verdict.
    pub old: Verdict,
    /// Later verdict.
    pub new: Verdict,
}

/// A finding whose limits changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LimitChange {
    /// The finding.
    #[serde(flatten)]
    pub place: Place,
    /// Unit of the limits.
    pub unit: Unit,
    /// How many of its readings have another limit.
    pub readings: usize,
    /// The earlier limit of the first of them; none where there was none.
    pub old: Option<f64>,
    /// The later one.
    pub new: Option<f64>,
    /// The earlier reason.
    pub because_old: String,
    /// The later reason.
    pub because_new: String,
}

/// Readings of one finding that only one of both results has.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group {
    /// The finding.
    #[serde(flatten)]
    pub place: Place,
    /// How many.
    pub readings: usize,
}

impl Place {
    fn of(finding: &Finding) -> Self {
        Self {
            subject: finding.subject.clone(),
            twin: finding.twin,
            shape: finding.shape.clone(),
            width: finding.width.map(short),
            rate_hz: finding.rate_hz,
            kind: finding.kind,
        }
    }

    /// "spline4/fixed/ramp pitch, 44.1 kHz".
    pub(crate) fn words(&self) -> String {
        let twin = self.twin.map(Twin::name);
        let names = [Some(self.subject.as_str()), twin, Some(self.shape.as_str())];
        let names: Vec<_> = names.into_iter().flatten().filter(|name| !name.is_empty()).collect();
        let width = self.width.as_ref().map(|w| format!(", width {w}")).unwrap_or_default();
        format!("{} {}{width}, {} kHz", names.join("/"), self.kind, khz(self.rate_hz))
    }
}

impl Figure {
    fn of(case: &Case) -> Self {
        let Case { value, uncertainty, limit, note, .. } = case.clone();
        Self { value, uncertainty, limit, note }
    }

    /// Whether it lies beyond its limit, by more than its uncertainty.
    fn exceeds(&self, kind: Kind) -> bool {
        let (Some(value), Some(limit)) = (self.value, self.limit) else { return false };
        (if kind.is_size() { value.abs() } else { value }) - self.uncertainty > limit
    }

    /// "0.0012 ± 0.0001", or why there is none.
    pub(crate) fn words(&self, kind: Kind) -> String {
        match (self.value, &self.note) {
            (Some(value), _) if self.uncertainty > 0.0 => {
                format!("{} ± {}", figure(kind, value), figure(kind, self.uncertainty))
            }
            (Some(value), _) => figure(kind, value),
            (None, Some(note)) => format!("no figure ({note})"),
            (None, None) => "no figure".to_owned(),
        }
    }
}

impl Change {
    /// "key 92 (G#6)", the settings, or nothing.
    pub(crate) fn at(&self) -> String {
        match (self.key, &self.setting) {
            (Some(key), Some(setting)) => format!("{setting}, key {key} ({})", key_name(key)),
            (Some(key), None) => format!("key {key} ({})", key_name(key)),
            (None, Some(setting)) => setting.clone(),
            (None, None) => String::new(),
        }
    }

    /// "0.0010 → 0.0030 cents at key 92 (G#6): 0.0020 more, where 0.0001 is allowed".
    pub(crate) fn words(&self) -> String {
        let kind = self.place.kind;
        let at = Some(self.at()).filter(|at| !at.is_empty());
        let at = at.map(|at| format!(" at {at}")).unwrap_or_default();
        let by = self.by.map(|by| {
            let sense = if by > 0.0 { "more" } else { "less" };
            let (by, allowed) = (figure(kind, by.abs()), figure(kind, self.allowance));
            format!(": {by} {sense}, {allowed} allowed")
        });
        let limit = self.new.limit.map(|limit| format!("; limit {}", figure(kind, limit)));
        format!(
            "{} → {} {}{at}{}{}",
            self.old.words(kind),
            self.new.words(kind),
            self.unit.symbol(),
            by.unwrap_or_default(),
            limit.unwrap_or_default()
        )
    }

    /// Change over what uncertainty and rounding allow; endless where a figure came or went.
    fn weight(&self) -> f64 {
        self.by.map_or(f64::INFINITY, |by| by.abs() / self.allowance)
    }
}

impl LimitChange {
    /// "1.0000 → 2.0000 cents, 88 readings; required before, derived now".
    pub(crate) fn words(&self) -> String {
        let show = |limit: Option<f64>| {
            limit.map_or_else(|| "none".to_owned(), |limit| figure(self.place.kind, limit))
        };
        let reasons = match self.because_old == self.because_new {
            true => String::new(),
            false => format!("; before: {}; now: {}", self.because_old, self.because_new),
        };
        format!(
            "{} → {} {} ({}){reasons}",
            show(self.old),
            show(self.new),
            self.unit.symbol(),
            readings(self.readings)
        )
    }
}

/// "1 reading", "88 readings".
pub(crate) fn readings(count: usize) -> String {
    format!("{count} {}", if count == 1 { "reading" } else { "readings" })
}

impl Comparison {
    /// Every list as heading, place and words; those that matter most first.
    pub(crate) fn lists(&self) -> [(&'static str, Vec<(String, String)>); 6] {
        let changes = |list: &[Change]| -> Vec<_> {
            list.iter().map(|change| (change.place.words(), change.words())).collect()
        };
        let turns = self
            .verdicts
            .iter()
            .map(|turn| (turn.place.words(), format!("{} → {}", turn.old.word(), turn.new.word())));
        let limits = self.limits.iter().map(|limit| (limit.place.words(), limit.words()));
        let groups = |list: &[Group]| -> Vec<_> {
            list.iter().map(|group| (group.place.words(), readings(group.readings))).collect()
        };
        [
            ("Worse", changes(&self.worse)),
            ("Other verdicts", turns.collect()),
            ("Other limits", limits.collect()),
            ("Better", changes(&self.better)),
            ("New", groups(&self.new)),
            ("Gone", groups(&self.gone)),
        ]
    }

    /// Whether anything got worse: a reading, or a verdict that was good.
    pub fn regressed(&self) -> bool {
        let lost = |turn: &Turn| turn.old.is_good() && !turn.new.is_good();
        !self.worse.is_empty() || self.verdicts.iter().any(lost)
    }

    /// Whether no reading is in both results, so that nothing can be said of what changed.
    pub fn nothing_compared(&self) -> bool {
        self.compared == 0
    }

    /// The outcome in lower case.
    pub(crate) fn verdict(&self) -> &'static str {
        match (self.nothing_compared(), self.regressed()) {
            (true, _) => "nothing could be compared",
            (false, true) => "worse",
            (false, false) => "nothing worse",
        }
    }

    /// Whether the outcome is one to be glad of.
    pub(crate) fn good(&self) -> bool {
        !self.nothing_compared() && !self.regressed()
    }

    /// "2 worse, 1 better, ...", and why nothing could be compared.
    pub(crate) fn tally(&self) -> String {
        let readings = |groups: &[Group]| groups.iter().map(|group| group.readings).sum::<usize>();
        let why = if self.nothing_compared() { format!("{APART}. ") } else { String::new() };
        format!(
            "{why}{} readings compared: {} worse, {} better, {} new, {} gone; other verdicts: {}, other \
             limits: {}",
            self.compared,
            self.worse.len(),
            self.better.len(),
            readings(&self.new),
            readings(&self.gone),
            self.verdicts.len(),
            self.limits.len()
        )
    }
}

/// Reads the `results.json` of an earlier run.
///
/// # Errors
/// [`Error::Earlier`]: the file cannot be read, is no JSON, or holds another layout.
pub fn read_results(path: &Path) -> Result<Results, Error> {
    let refuse = |why: String| Error::Earlier { path: path.to_owned(), why };
    if path.is_dir() {
        return Err(refuse("is a folder: name the results.json inside it".to_owned()));
    }
    let bytes = std::fs::read(path).map_err(|error| refuse(format!("cannot be read: {error}")))?;
    let value: serde_json::Value = serde_json::from_slice(&bytes)
        .map_err(|error| refuse(format!("is no JSON: {error}; give a results.json")))?;
    match value.get("schema").and_then(serde_json::Value::as_str) {
        Some(SCHEMA) => {}
        Some(other) => {
            return Err(refuse(format!(
                "its layout is `{other}`, and this version reads `{SCHEMA}`: make it again"
            )));
        }
        None => {
            return Err(refuse(
                "has no field `schema`: give the results.json of a report".to_owned(),
            ));
        }
    }
    serde_json::from_value(value)
        .map_err(|error| refuse(format!("is not laid out as `{SCHEMA}`: {error}")))
}

/// What tells a reading from all others: its finding, its key, its settings.
type Name<'a> = (Place, Option<u8>, Option<&'a str>);

/// Holds `new` against `old`, which `against` names.
///
/// Readings belong together when subject, twin, shape, width, rate, kind and key or settings are
/// the same; of several such, the first with the first, and so on.
pub fn compare(against: &str, old: &Results, new: &Results) -> Comparison {
    let (old, new) = (finite(old), finite(new));
    let mut comparison = Comparison {
        against: against.to_owned(),
        title: old.title.clone(),
        rule: RULE,
        compared: 0,
        worse: Vec::new(),
        better: Vec::new(),
        verdicts: Vec::new(),
        limits: Vec::new(),
        new: Vec::new(),
        gone: Vec::new(),
    };
    let mut earlier: BTreeMap<Place, VecDeque<&Finding>> = BTreeMap::new();
    let mut cases: BTreeMap<Name<'_>, VecDeque<(&Finding, &Case)>> = BTreeMap::new();
    for finding in &old.findings {
        let place = Place::of(finding);
        for case in &finding.cases {
            let name = (place.clone(), case.key, case.setting.as_deref());
            cases.entry(name).or_default().push_back((finding, case));
        }
        earlier.entry(place).or_default().push_back(finding);
    }
    for finding in &new.findings {
        let place = Place::of(finding);
        if let Some(before) = earlier.get_mut(&place).and_then(VecDeque::pop_front)
            && before.verdict != finding.verdict
        {
            let (place, old, new) = (place.clone(), before.verdict, finding.verdict);
            comparison.verdicts.push(Turn { place, old, new });
        }
        let mut limits: Option<LimitChange> = None;
        for case in &finding.cases {
            let name = (place.clone(), case.key, case.setting.as_deref());
            let Some((origin, before)) = cases.get_mut(&name).and_then(VecDeque::pop_front) else {
                count(&mut comparison.new, &place);
                continue;
            };
            let moved = match (before.limit, case.limit) {
                (Some(a), Some(b)) => (a - b).abs() > places(finding.kind, a, b),
                (a, b) => a.is_some() != b.is_some(),
            };
            if moved
                || std::mem::discriminant(&origin.limit) != std::mem::discriminant(&finding.limit)
            {
                let change = limits.get_or_insert_with(|| LimitChange {
                    place: place.clone(),
                    unit: finding.unit,
                    readings: 0,
                    old: before.limit,
                    new: case.limit,
                    because_old: because(&origin.limit),
                    because_new: because(&finding.limit),
                });
                change.readings += 1;
            }
            let change = |by, allowance| Change {
                place: place.clone(),
                unit: finding.unit,
                key: case.key,
                setting: case.setting.clone(),
                old: Figure::of(before),
                new: Figure::of(case),
                by,
                allowance,
            };
            match shift(finding.kind, before, case) {
                Shift::Same => comparison.compared += 1,
                Shift::Worse(by, allowance) => {
                    comparison.compared += 1;
                    comparison.worse.push(change(by, allowance));
                }
                Shift::Better(by, allowance) => {
                    comparison.compared += 1;
                    comparison.better.push(change(by, allowance));
                }
                Shift::New => count(&mut comparison.new, &place),
                Shift::Gone => count(&mut comparison.gone, &place),
            }
        }
        comparison.limits.extend(limits);
    }
    for ((place, ..), left) in cases {
        left.iter().for_each(|_| count(&mut comparison.gone, &place));
    }
    for list in [&mut comparison.worse, &mut comparison.better] {
        let breaks = |change: &Change| change.new.exceeds(change.place.kind);
        list.sort_by(|a, b| breaks(b).cmp(&breaks(a)).then(b.weight().total_cmp(&a.weight())));
    }
    comparison
}

fn because(origin: &Origin) -> String {
    origin.reason().to_owned()
}

fn count(groups: &mut Vec<Group>, place: &Place) {
    match groups.iter_mut().find(|group| group.place == *place) {
        Some(group) => group.readings += 1,
        None => groups.push(Group { place: place.clone(), readings: 1 }),
    }
}

enum Shift {
    Same,
    /// By how much, and how much is allowed.
    Worse(Option<f64>, f64),
    Better(Option<f64>, f64),
    New,
    Gone,
}

/// What a case holds to compare.
enum Held {
    /// Size, or level; a level may be -inf.
    Height(f64),
    /// Nothing was to be read, or the note is out of range.
    Nothing,
    /// It should have been read and could not be.
    Unread,
}

impl Held {
    fn of(kind: Kind, case: &Case) -> Self {
        // What is left in results of figures that JSON cannot hold.
        let says = |what| case.note.as_deref().is_some_and(|note| note.starts_with(what));
        match (case.value, case.gap) {
            _ if says("uncertainty ") => Self::Unread,
            (Some(value), _) => Self::Height(if kind.is_size() { value.abs() } else { value }),
            (None, None) if says("value -inf") && !kind.is_size() => {
                Self::Height(f64::NEG_INFINITY)
            }
            (None, Some(Gap::Nothing | Gap::OutOfRange)) => Self::Nothing,
            _ => Self::Unread,
        }
    }
}

fn shift(kind: Kind, old: &Case, new: &Case) -> Shift {
    let (from, to) = match (Held::of(kind, old), Held::of(kind, new)) {
        (Held::Height(from), Held::Height(to)) => (from, to),
        (Held::Unread, Held::Unread) | (Held::Nothing, Held::Nothing) => return Shift::Same,
        (_, Held::Unread) => return Shift::Worse(None, 0.0),
        (Held::Unread, _) => return Shift::Better(None, 0.0),
        (Held::Nothing, Held::Height(_)) => return Shift::New,
        (Held::Height(_), Held::Nothing) => return Shift::Gone,
    };
    let rounding = match (old.value, new.value) {
        (Some(a), Some(b)) => places(kind, a, b),
        _ => 0.0,
    };
    let allowance = old.uncertainty.hypot(new.uncertainty) + rounding;
    // No second condition on how close it is to a limit: more than both uncertainties together is
    // more than their difference, so what is left without them grows as well.
    let by = to - from;
    let told = Some(by).filter(|by| by.is_finite());
    if by > allowance {
        Shift::Worse(told, allowance)
    } else if -by > allowance {
        Shift::Better(told, allowance)
    } else {
        Shift::Same
    }
}

/// Half a unit in the last printed place of each of two figures.
fn places(kind: Kind, a: f64, b: f64) -> f64 {
    0.5 * (last_place(&figure(kind, a)) + last_place(&figure(kind, b)))
}

/// A unit in the last place of a figure as printed: 0.01 for `1.25`, 1e-7 for `3.14e-5`.
fn last_place(text: &str) -> f64 {
    let (digits, exponent) = text.split_once('e').unwrap_or((text, "0"));
    let decimals = digits.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let exponent: i32 = exponent.parse().unwrap_or(0);
    10_f64.powi(exponent - decimals as i32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn last_place_follows_the_print() {
        for (text, place) in [("1.25", 0.01), ("-3", 1.0), ("3.14e-5", 1e-7), ("-0.0012", 1e-4)] {
            assert!((last_place(text) / place - 1.0).abs() < 1e-12, "{text}");
        }
    }
}
