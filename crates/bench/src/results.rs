//! What a run found: findings, their cases, limits and verdicts.

use std::fmt;

use plumbtone_measure::reading::Unit;
use serde::{Deserialize, Serialize};

use crate::subject::Twin;

/// The figures that the bench can take.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Pitch against the note asked for.
    Pitch,
    /// Largest deviation of any line, harmonic or alias, from its closed form.
    Lines,
    /// Largest deviation of any harmonic from the Fourier series of the shape.
    Harmonics,
    /// Power of the aliases over power of the harmonics, 20 Hz to 20 kHz.
    Aliases,
    /// Strongest alias line, 20 Hz to 20 kHz.
    WorstAlias,
    /// How far the loudest alias stands above the masked threshold.
    Audible,
    /// What is missing to the attenuation that a listening test asked for.
    Listening,
    /// Largest difference between a twin and the exact evaluation.
    Rounding,
    /// Rms rounding noise against its prediction.
    Noise,
    /// Power density of a noise source against its closed form, per third of an octave.
    Density,
    /// Highest fundamental, scanned upwards, whose aliases stay inaudible.
    CleanNote,
    /// Ends of the stages of a contour.
    StageTime,
    /// Time constants of its stages.
    TimeConstant,
    /// Straightness of an exponential decay on a scale in dB.
    DecayLine,
    /// Largest step between two samples.
    Step,
    /// Delay of a contour's onset behind its event.
    Onset,
    /// When a glide has come within a cent of its target for good.
    Arrival,
    /// Course of a glide.
    Path,
    /// Frequency of a low-frequency oscillator.
    Rate,
    /// Depth that a modulation really has.
    Depth,
    /// Error of a pitch over every code.
    Law,
    /// Scale of a pitch law.
    Scale,
    /// Images of a control signal that is held between updates.
    Images,
    /// Magnitude of a filter's response.
    Response,
    /// Phase of a filter's response.
    Phase,
    /// Gain of a filter where it lets pass.
    Passband,
    /// Where a filter is 3.01 dB down.
    Cutoff,
    /// Steepness beyond the cutoff.
    Slope,
    /// Height and flanks of a resonance.
    Peak,
    /// Q of a resonance.
    Quality,
    /// Cutoff over the keyboard.
    Tracking,
    /// Resonance at which a loop sounds by itself.
    Threshold,
    /// Pitch of a self-oscillation.
    Oscillation,
    /// Level and harmonics of a self-oscillation.
    OscillationLevel,
    /// Harmonics and intermodulation of a driven filter.
    Drive,
    /// Products of two tones.
    Intermodulation,
    /// Worst input at full scale.
    Overload,
    /// Tunings and input that jump at every sample.
    Stress,
    /// What is left once the input has stopped.
    Residue,
    /// Time to settle after a step.
    Settling,
}

impl Kind {
    /// All kinds, in the order of reports.
    pub const ALL: [Self; 40] = [
        Self::Pitch,
        Self::Lines,
        Self::Harmonics,
        Self::Aliases,
        Self::WorstAlias,
        Self::Audible,
        Self::Listening,
        Self::Rounding,
        Self::Noise,
        Self::Density,
        Self::CleanNote,
        Self::StageTime,
        Self::TimeConstant,
        Self::DecayLine,
        Self::Step,
        Self::Onset,
        Self::Arrival,
        Self::Path,
        Self::Rate,
        Self::Depth,
        Self::Law,
        Self::Scale,
        Self::Images,
        Self::Response,
        Self::Phase,
        Self::Passband,
        Self::Cutoff,
        Self::Slope,
        Self::Peak,
        Self::Quality,
        Self::Tracking,
        Self::Threshold,
        Self::Oscillation,
        Self::OscillationLevel,
        Self::Drive,
        Self::Intermodulation,
        Self::Overload,
        Self::Stress,
        Self::Residue,
        Self::Settling,
    ];

    /// Name in plans, tables and results.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Pitch => "pitch",
            Self::Lines => "lines",
            Self::Harmonics => "harmonics",
            Self::Aliases => "aliases",
            Self::WorstAlias => "worst-alias",
            Self::Audible => "audible",
            Self::Listening => "listening",
            Self::Rounding => "rounding",
            Self::Noise => "noise",
            Self::Density => "density",
            Self::CleanNote => "clean-note",
            Self::StageTime => "stage-time",
            Self::TimeConstant => "time-constant",
            Self::DecayLine => "decay-line",
            Self::Step => "step",
            Self::Onset => "onset",
            Self::Arrival => "arrival",
            Self::Path => "path",
            Self::Rate => "rate",
            Self::Depth => "depth",
            Self::Law => "law",
            Self::Scale => "scale",
            Self::Images => "images",
            Self::Response => "response",
            Self::Phase => "phase",
            Self::Passband => "passband",
            Self::Cutoff => "cutoff",
            Self::Slope => "slope",
            Self::Peak => "peak",
            Self::Quality => "quality",
            Self::Tracking => "tracking",
            Self::Threshold => "threshold",
            Self::Oscillation => "oscillation",
            Self::OscillationLevel => "oscillation-level",
            Self::Drive => "drive",
            Self::Intermodulation => "intermodulation",
            Self::Overload => "overload",
            Self::Stress => "stress",
            Self::Residue => "residue",
            Self::Settling => "settling",
        }
    }

    /// Unit of the reading and its limit.
    pub const fn unit(self) -> Unit {
        match self {
            Self::Pitch
            | Self::Path
            | Self::Law
            | Self::Scale
            | Self::Cutoff
            | Self::Tracking
            | Self::Oscillation => Unit::Cents,
            Self::Rounding | Self::Overload | Self::Stress | Self::Residue => Unit::FullScale,
            Self::WorstAlias | Self::Intermodulation => Unit::Dbc,
            Self::CleanNote
            | Self::TimeConstant
            | Self::Rate
            | Self::Depth
            | Self::Quality
            | Self::Threshold => Unit::Percent,
            Self::StageTime | Self::Onset | Self::Arrival | Self::Settling => Unit::Samples,
            Self::Phase => Unit::Degrees,
            Self::Slope => Unit::DecibelsPerOctave,
            Self::Step => Unit::Ratio,
            _ => Unit::Decibel,
        }
    }

    /// One line for `list` and for reports.
    pub const fn describe(self) -> &'static str {
        match self {
            Self::Pitch => "deviation from the note asked for",
            Self::Lines => "largest deviation of a line, harmonic or alias, from its closed form",
            Self::Harmonics => "largest deviation of a harmonic from the Fourier series",
            Self::Aliases => "alias power over harmonic power, 20 Hz to 20 kHz",
            Self::WorstAlias => "strongest alias line, 20 Hz to 20 kHz, re the fundamental",
            Self::Audible => "loudest alias above the masked threshold (printed criterion)",
            Self::Listening => "shortfall against the listening test of Lehtonen et al. 2012",
            Self::Rounding => "largest difference from the exact evaluation",
            Self::Noise => "rms rounding noise against its prediction",
            Self::Density => "power density against its closed form, per third of an octave",
            Self::CleanNote => "highest inaudibly aliasing fundamental against its anchor",
            Self::StageTime => "end of a contour stage against the closed form, worst corner",
            Self::TimeConstant => "fitted time constant of a contour stage against its setting",
            Self::DecayLine => "deviation of a decay from a straight line in dB, over 100 dB",
            Self::Step => "steps between samples re the largest of the closed form, 1 at best",
            Self::Onset => "spread of the onset when events wait for a block of 128 samples",
            Self::Arrival => "when a glide is within a cent for good, against the closed form",
            Self::Path => "largest deviation of a glide from its closed form",
            Self::Rate => "frequency of a low-frequency oscillator against its setting",
            Self::Depth => "depth of a pitch modulation, demodulated, against its setting",
            Self::Law => "largest pitch error over every code",
            Self::Scale => "cents per octave of a straight line through every code, less 1200",
            Self::Images => "strongest image of a control updated once per block, against theory",
            Self::Response => "largest deviation of the magnitude response from its closed form",
            Self::Phase => "largest deviation of the phase response from its closed form",
            Self::Passband => "gain at 0 Hz against its closed form",
            Self::Cutoff => "frequency 3.01 dB below the passband against its closed form",
            Self::Slope => "steepness over an octave beyond the cutoff against its closed form",
            Self::Peak => "largest deviation within the resonance from its closed form",
            Self::Quality => "Q of the slowest ringing against its closed form",
            Self::Tracking => "cutoff over the keyboard against the key it follows",
            Self::Threshold => "resonance at the edge of self-oscillation against its closed form",
            Self::Oscillation => {
                "pitch of the self-oscillation against closed form or reference table"
            }
            Self::OscillationLevel => {
                "level and harmonics of the self-oscillation against the reference table"
            }
            Self::Drive => "fundamental, harmonics and intermodulation against the reference table",
            Self::Intermodulation => "third-order products of two tones re the tones",
            Self::Overload => {
                "difference from the exact evaluation under its worst full-scale input"
            }
            Self::Stress => "largest output while cutoff, resonance and input jump every sample",
            Self::Residue => "what a filter still gives long after its input has stopped",
            Self::Settling => {
                "time to settle within 60 dB after a step against the exact evaluation"
            }
        }
    }

    /// Whether a deviation to either side counts, or only an excess.
    pub const fn two_sided(self) -> bool {
        matches!(
            self,
            Self::Pitch
                | Self::Lines
                | Self::Harmonics
                | Self::Noise
                | Self::Density
                | Self::CleanNote
                | Self::StageTime
                | Self::TimeConstant
                | Self::DecayLine
                | Self::Arrival
                | Self::Path
                | Self::Rate
                | Self::Depth
                | Self::Law
                | Self::Scale
                | Self::Images
                | Self::Response
                | Self::Phase
                | Self::Passband
                | Self::Cutoff
                | Self::Slope
                | Self::Peak
                | Self::Quality
                | Self::Tracking
                | Self::Threshold
                | Self::Oscillation
                | Self::OscillationLevel
                | Self::Drive
                | Self::Settling
        )
    }

    /// Whether the reading is a size, zero at best, rather than a level in dB.
    pub const fn is_size(self) -> bool {
        self.two_sided()
            || matches!(
                self,
                Self::Rounding
                    | Self::Step
                    | Self::Onset
                    | Self::Overload
                    | Self::Stress
                    | Self::Residue
            )
    }

    /// The kind of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

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
