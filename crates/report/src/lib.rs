//! Plots, HTML, JSON and JUnit from the results of a run.
//!
//! Everything here follows from [`plumbtone::Results`] and from renders of the modules that
//! they name; no clock and no thread count enters, so equal results give equal bytes.

pub mod charts;
mod folder;
mod html;
mod junit;
mod table;

use plumbtone::results::{Case, Finding};
use plumbtone::{Results, Verdict};

pub use folder::{prepare, writable_beside, write};
pub use junit::junit;
pub use table::table;

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
    /// The results could not be put into words of a format.
    #[error("cannot write the results as {format}: {why}")]
    Format {
        /// "JSON" or "JUnit".
        format: &'static str,
        /// The reason.
        why: String,
    },
}

/// The results as one JSON object with the field `schema`, ended by a newline.
///
/// JSON has no infinities. A reading that is none (no alias at all is -inf dB) becomes null,
/// and the note of its case says what it was.
///
/// # Errors
/// [`Error::Format`] when the serializer refuses.
pub fn json(results: &Results) -> Result<String, Error> {
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
    let text = serde_json::to_string(&results)
        .map_err(|error| Error::Format { format: "JSON", why: error.to_string() })?;
    Ok(text + "\n")
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

/// A rate in kHz without trailing zeros.
fn khz(rate_hz: u32) -> String {
    format!("{}", f64::from(rate_hz) / 1000.0)
}
