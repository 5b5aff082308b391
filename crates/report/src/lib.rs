//! Plots, HTML, JSON and JUnit from the results of a run.
//!
//! Everything here follows from [`plumbtone::Results`] and from renders of the modules that
//! they name; no clock and no thread count enters, so equal results give equal bytes.

pub mod charts;
pub mod compare;
mod folder;
mod html;
mod junit;
mod summary;
mod table;

use plumbtone::results::{Case, Finding};
use plumbtone::{Results, Verdict};

pub use compare::{APART, Comparison, compare, read_results};
pub use folder::{prepare, writable_beside, write};
pub use junit::junit;
pub use summary::summary;
pub use table::{differences, table};

/// JSON Schema (draft 2020-12) of `results.json`.
pub const RESULTS_SCHEMA: &str = include_str!("../schema/results.schema.json");

/// Why a report could not be made; the text is one line.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A render or a file of the bench failed.
    #[error(transparent)]
    Bench(#[from] plumbtone::Error),
    /// A chart could not be drawn.
    #[error("chart `{chart}`: {source}")]
    Plot {
        /// Name of the chart.
        chart: String,
        /// The reason.
        source: plumbtone_plot::PlotError,
    },
    /// The folder cannot be used.
    #[error("{}: {why}", folder.display())]
    Folder {
        /// The folder asked for.
        folder: std::path::PathBuf,
        /// What is wrong and how to mend it.
        why: String,
    },
    /// Earlier results that cannot be compared with.
    #[error("{}: {why}", path.display())]
    Earlier {
        /// The file.
        path: std::path::PathBuf,
        /// What is wrong and how to mend it.
        why: String,
    },
    /// The results could not be put into words of a format.
    #[error("cannot write the results as {format}: {why}")]
    Format {
        /// "JSON" or "JUnit".
        format: &'static str,
        /// The reason.
        why: String,
    },
}

/// The results, and where there is one a comparison as its field `comparison`, as one JSON object
/// with the field `schema`, ended by a newline. [`RESULTS_SCHEMA`] describes it.
///
/// JSON has no infinities. A reading that is none (no alias at all is -inf dB) becomes null,
/// and the note of its case says what it was.
///
/// # Errors
/// [`Error::Format`] when the serializer refuses.
pub fn json(results: &Results, comparison: Option<&Comparison>) -> Result<String, Error> {
    #[derive(serde::Serialize)]
    struct Document<'a> {
        #[serde(flatten)]
        results: Results,
        #[serde(skip_serializing_if = "Option::is_none")]
        comparison: Option<&'a Comparison>,
    }
    let text = serde_json::to_string(&Document { results: finite(results), comparison })
        .map_err(|error| Error::Format { format: "JSON", why: error.to_string() })?;
    Ok(text + "\n")
}

/// The same results without infinities.
pub(crate) fn finite(results: &Results) -> Results {
    let mut results = results.clone();
    for case in results.findings.iter_mut().flat_map(|finding| &mut finding.cases) {
        let mut remark = |what: String| {
            let note = case.note.take().map(|note| format!("; {note}")).unwrap_or_default();
            case.note = Some(what + &note);
        };
        if let Some(value) = case.value.take_if(|value| !value.is_finite()) {
            remark(format!("value {value}"));
        }
        if !case.uncertainty.is_finite() {
            remark(format!("uncertainty {}", case.uncertainty));
            case.uncertainty = 0.0;
        }
        case.limit = case.limit.filter(|limit| limit.is_finite());
    }
    results
}

/// Every verdict, worst first.
const VERDICTS: [Verdict; 7] = [
    Verdict::Fail,
    Verdict::Slack,
    Verdict::Unexpected,
    Verdict::CannotMeasure,
    Verdict::ExpectedFail,
    Verdict::Pass,
    Verdict::Noted,
];

/// "2 FAIL, 40 pass" and the like, worst first.
fn tally(results: &Results) -> String {
    let count = |verdict| results.findings.iter().filter(|f| f.verdict == verdict).count();
    VERDICTS
        .into_iter()
        .map(|verdict| (count(verdict), verdict.word()))
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect::<Vec<_>>()
        .join(", ")
}

/// The case to show for a finding: its worst against the limit, or the largest reading where
/// there is no limit to be close to.
fn shown(finding: &Finding) -> Option<&Case> {
    if finding.verdict != Verdict::Noted {
        return finding.worst_case();
    }
    let size = |case: &Case| {
        case.value.map(|value| if finding.kind.two_sided() { value.abs() } else { value })
    };
    finding
        .cases
        .iter()
        .filter(|case| size(case).is_some_and(|size| !size.is_nan()))
        .max_by(|a, b| size(a).unwrap_or_default().total_cmp(&size(b).unwrap_or_default()))
        .or(finding.cases.first())
}

/// "spline4/fixed/ramp", the name that `--only` matches.
fn label(finding: &Finding) -> String {
    let twin = finding.twin.map(plumbtone::Twin::name);
    let parts = [Some(finding.subject.as_str()), twin, Some(finding.shape.as_str())];
    parts.into_iter().flatten().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("/")
}

/// A pulse width to six places, without trailing zeros: the nearest that the phase can hold is
/// hardly ever the one that was asked for.
fn short(width: f64) -> String {
    format!("{}", (width * 1e6).round() / 1e6)
}

/// A rate in kHz without trailing zeros.
fn khz(rate_hz: u32) -> String {
    format!("{}", f64::from(rate_hz) / 1000.0)
}

/// "every limit kept", or how many are not.
fn headline(results: &Results) -> String {
    let all = results.findings.len();
    match results.findings.iter().filter(|finding| !finding.verdict.is_good()).count() {
        0 => "Every limit kept.".to_owned(),
        bad => format!("{bad} of {all} not kept."),
    }
}

/// How far the worst case is beyond its limit, less its uncertainty, where it is.
fn excess(finding: &Finding) -> Option<String> {
    let closeness = finding.closeness();
    if !matches!(finding.verdict, Verdict::Fail | Verdict::ExpectedFail) || closeness <= 1.0 {
        return None;
    }
    Some(match finding.kind.is_size() {
        true if closeness.is_finite() => format!("{} × the limit", ratio(closeness)),
        true => "where none is allowed".to_owned(),
        false => format!("{:.2} dB beyond the limit", plumbtone::measure::db(closeness)),
    })
}

/// A ratio above 1 with three digits, without an exponent up to a million.
fn ratio(ratio: f64) -> String {
    match ratio {
        ..10.0 => format!("{ratio:.2}"),
        ..100.0 => format!("{ratio:.1}"),
        ..1e6 => format!("{ratio:.0}"),
        _ => format!("{ratio:.2e}"),
    }
}
