//! Results as JUnit XML.

use plumbtone::{Results, Verdict, evidence};
use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};

use crate::{Error, khz, shown};

/// The results as JUnit XML: one suite per module and twin, one case per shape, rate and
/// reading. A bad verdict is a failure whose message is the worst case; a reading that could not
/// be taken is an error.
///
/// # Errors
/// [`Error::Format`] when the serializer refuses.
pub fn junit(results: &Results) -> Result<String, Error> {
    let mut suites: Vec<(String, TestSuite)> = Vec::new();
    for finding in &results.findings {
        let twin = finding.twin.map(|twin| format!("/{}", twin.name())).unwrap_or_default();
        let name = format!("{}{twin}", finding.subject);
        let width = finding.width.map(|width| format!("width {width} ")).unwrap_or_default();
        let shape = match finding.shape.as_str() {
            "" if finding.kind == plumbtone::Kind::Density => "noise ".to_owned(),
            "" => String::new(),
            shape => format!("{shape} "),
        };
        let rate = khz(finding.rate_hz);
        let title = format!("{shape}{width}{rate} kHz {}", finding.kind);
        let said = shown(finding).map(|case| evidence::sentence(finding, case));
        let status = if finding.verdict.is_good() {
            TestCaseStatus::success()
        } else {
            let kind = match finding.verdict {
                Verdict::CannotMeasure => NonSuccessKind::Error,
                _ => NonSuccessKind::Failure,
            };
            let mut status = TestCaseStatus::non_success(kind);
            status.set_type(finding.verdict.word());
            status.set_message(said.unwrap_or_else(|| "nothing was measured".to_owned()));
            status.set_description(finding.limit.reason());
            status
        };
        let mut case = TestCase::new(title, status);
        case.set_classname(&name);
        match suites.iter_mut().find(|(have, _)| *have == name) {
            Some((_, suite)) => {
                suite.add_test_case(case);
            }
            None => {
                let mut suite = TestSuite::new(&name);
                suite.add_test_case(case);
                suites.push((name, suite));
            }
        }
    }
    let mut report = Report::new(&results.title);
    report.add_test_suites(suites.into_iter().map(|(_, suite)| suite));
    report.to_string().map_err(|error| Error::Format { format: "JUnit", why: error.to_string() })
}
