//! What a run found: findings, their cases, limits and verdicts.

use plumbtone_measure::reading::Unit;
use serde::{Deserialize, Serialize};

pub use crate::kind::Kind;
use crate::subject::Twin;

/// Why a note has no reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gap {
    /// There is nothing to read: no alias in the band, no harmonic below the top.
    Nothing,
    /// The note lies outside the range that the module states for itself.
    OutOfRange,
    /// The instrument cannot read it: silence, DC, broken samples, too much uncertainty.
    Unreadable,
}

/// One reading at one note or one setting, with its limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// Key number, 69 = A4, when the note belongs to a key.
    pub key: Option<u8>,
    /// Frequency of the stimulus, Hz; none for a control signal.
    pub hz: Option<f64>,
    /// Settings of a control module, `attack=0.01 decay=0.3`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setting: Option<String>,
    /// The reading in the finding's unit; none when it cannot be measured.
    pub value: Option<f64>,
    /// Its uncertainty, k = 2.
    pub uncertainty: f64,
    /// The limit at this note, in the finding's unit; none for a reading on record only.
    pub limit: Option<f64>,
    /// Why there is no value.
    pub gap: Option<Gap>,
    /// Detail: which line, or why there is no value.
    pub note: Option<String>,
}

impl Case {
    /// How close the reading is to its limit: 1 is on it. In dB for one-sided levels, as a
    /// ratio of amplitudes. Cases that cannot be measured come out as 0.
    pub fn closeness(&self, kind: Kind) -> f64 {
        let (Some(value), Some(limit)) = (self.value, self.limit) else { return 0.0 };
        // What the uncertainty cannot exclude is not held against the subject.
        if kind.is_size() {
            let excess = (value.abs() - self.uncertainty).max(0.0);
            if excess == 0.0 { 0.0 } else { excess / limit }
        } else {
            10_f64.powf((value - self.uncertainty - limit) / 20.0)
        }
    }
}

/// Where a limit comes from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase", tag = "origin", content = "because")]
pub enum Origin {
    /// Derived from arithmetic or from a closed form; a reading sixteen times better fails too.
    Derived(String),
    /// Asked for by a plan or a test.
    Required(String),
    /// No limit: the reading is for the record.
    Noted,
}

impl Origin {
    /// The reason in words.
    pub fn reason(&self) -> &str {
        match self {
            Self::Derived(reason) | Self::Required(reason) => reason,
            Self::Noted => "no limit, for the record",
        }
    }
}

/// A derived limit this many times wider than the worst reading is itself a failure.
pub const SLACK: f64 = 16.0;

/// The outcome of a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// A limit was exceeded.
    Fail,
    /// All readings are so far inside a derived limit that the limit says nothing.
    Slack,
    /// A failure was expected and did not come.
    Unexpected,
    /// A note could not be read, or none could.
    CannotMeasure,
    /// A limit was exceeded, as the plan says it must be.
    ExpectedFail,
    /// All readings keep the limit.
    Pass,
    /// No limit was set.
    Noted,
}

impl Verdict {
    /// Whether a run with this verdict may end with exit status 0.
    pub const fn is_good(self) -> bool {
        matches!(self, Self::Pass | Self::ExpectedFail | Self::Noted)
    }

    /// The word in tables.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fail => "FAIL",
            Self::Slack => "SLACK",
            Self::Unexpected => "UNEXPECTED",
            Self::CannotMeasure => "UNREAD",
            Self::ExpectedFail => "known",
            Self::Pass => "pass",
            Self::Noted => "noted",
        }
    }
}

/// One reading of one subject at one rate, over all notes or settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Module or the user's name for it.
    pub subject: String,
    /// Which evaluation; none for a user's module.
    pub twin: Option<Twin>,
    /// Shape name; empty for noise and for control signals.
    pub shape: String,
    /// Pulse width, when the shape is a pulse.
    pub width: Option<f64>,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Which reading.
    pub kind: Kind,
    /// Unit of values and limits.
    pub unit: Unit,
    /// Where the limit comes from.
    pub limit: Origin,
    /// Source of the reference.
    pub reference: String,
    /// Outcome.
    pub verdict: Verdict,
    /// Index of the case closest to, or furthest beyond, its limit.
    pub worst: usize,
    /// Every note, or every setting.
    pub cases: Vec<Case>,
}

impl Finding {
    /// The worst case, if anything was measured at all.
    pub fn worst_case(&self) -> Option<&Case> {
        self.cases.get(self.worst)
    }

    /// How many notes have a reading.
    pub fn read(&self) -> usize {
        self.cases.iter().filter(|case| case.value.is_some()).count()
    }

    /// Closeness of the worst case.
    pub fn closeness(&self) -> f64 {
        self.worst_case().map_or(0.0, |case| case.closeness(self.kind))
    }

    /// Finds the worst case and the verdict. `known` is the reason for an expected failure.
    pub(crate) fn judge(&mut self, known: Option<&str>) {
        let closeness: Vec<f64> = self.cases.iter().map(|case| case.closeness(self.kind)).collect();
        // Of equals, one that has a reading: an exact agreement is worth more than a gap.
        let read = |case: usize| self.cases[case].value.is_some();
        self.worst = (0..closeness.len())
            .max_by(|&a, &b| closeness[a].total_cmp(&closeness[b]).then(read(a).cmp(&read(b))))
            .unwrap_or(0);
        let worst = closeness.get(self.worst).copied().unwrap_or(0.0);
        let unreadable = self.cases.iter().position(|case| case.gap == Some(Gap::Unreadable));
        // Nothing in the twins is finer than their formats; a limit far below says "exact".
        let exact = self.cases.iter().all(|case| case.limit.is_some_and(|limit| limit < 1e-11));
        // A line is allowed the strongest tone that rounding could make, which it hardly ever
        // does; `rounding` is the tight limit. A stage can end a whole sample off, or not at all.
        // A dead band may well be missed: most filters come to rest at 0. Noise, and a
        // single line of it, may hit its prediction. What everything at once could do hardly ever comes.
        // Pitch laws need not err to one side all along, nor two increments to opposite ones, and a
        // sound may end before its contour.
        // An exact evaluation has no arithmetic of its own to be tight about.
        let derived = matches!(self.limit, Origin::Derived(_))
            && !matches!(
                self.kind,
                Kind::Lines
                    | Kind::StageTime
                    | Kind::Residue
                    | Kind::Noise
                    | Kind::Passband
                    | Kind::Stress
                    | Kind::Lag
                    | Kind::Beat
                    | Kind::Silence
            )
            && self.twin != Some(Twin::Exact);
        self.verdict = if self.limit == Origin::Noted {
            Verdict::Noted
        } else if worst <= 1.0 && unreadable.is_some() || self.read() == 0 {
            self.worst = unreadable.unwrap_or(0);
            Verdict::CannotMeasure
        } else if worst > 1.0 {
            if known.is_some() { Verdict::ExpectedFail } else { Verdict::Fail }
        } else if known.is_some() {
            Verdict::Unexpected
        } else if derived && !exact && worst * SLACK < 1.0 {
            Verdict::Slack
        } else {
            Verdict::Pass
        };
    }
}

/// Everything that one run found. The same plan gives the same results, whatever the number
/// of threads; times are therefore kept apart, in [`crate::run::Timing`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Results {
    /// Version of this layout.
    pub schema: String,
    /// Title of the plan.
    pub title: String,
    /// The masking criterion behind `audible` and `clean-note`.
    pub criterion: String,
    /// All findings, in the order of the plan.
    pub findings: Vec<Finding>,
}

/// Value of [`Results::schema`].
pub const SCHEMA: &str = "plumbtone.results/1";

impl Results {
    /// Whether every verdict is good.
    pub fn all_good(&self) -> bool {
        self.findings.iter().all(|finding| finding.verdict.is_good())
    }

    /// Findings with bad ones first, and closest to the limit first among equals.
    pub fn worst_first(&self) -> Vec<&Finding> {
        let mut order: Vec<&Finding> = self.findings.iter().collect();
        order.sort_by(|a, b| {
            a.verdict.cmp(&b.verdict).then(b.closeness().total_cmp(&a.closeness()))
        });
        order
    }
}
