//! What to fix first.

use plumbtone::results::Finding;
use plumbtone::{Results, Verdict, evidence};

use super::subjects::Subjects;
use super::{data, escape, mark};
use crate::{excess, khz, shown, table};

/// Entries that are listed at once; the rest is folded.
const LISTED: usize = 5;

/// The failed readings, one per module and kind, worst first.
pub(super) fn section(results: &Results, subjects: &Subjects<'_>) -> String {
    let bad: Vec<&Finding> =
        table::groups(results).into_iter().filter(|f| !f.verdict.is_good()).collect();
    let mut text = String::from("<section aria-labelledby=\"first\">\n");
    if bad.is_empty() {
        return text
            + "<h2 id=\"first\">Nothing to fix</h2>\n<p>Every limit is kept.</p>\n</section>\n";
    }
    text += "<h2 id=\"first\">Fix first</h2>\n<ol class=\"first\">\n";
    let all = results.findings.iter().filter(|f| !f.verdict.is_good());
    let mut same = std::collections::HashMap::new();
    for finding in all {
        *same.entry((&finding.subject, finding.kind)).or_insert(0_usize) += 1;
    }
    let entry = |finding: &&Finding| {
        let others = same.get(&(&finding.subject, finding.kind)).map_or(0, |count| count - 1);
        item(finding, others, subjects)
    };
    let (head, rest) = bad.split_at(bad.len().min(LISTED));
    text.extend(head.iter().map(entry));
    text += "</ol>\n";
    if !rest.is_empty() {
        text += &format!(
            "<details><summary>{} more to fix</summary>\n<ol class=\"first\" start=\"{}\">\n",
            rest.len(),
            LISTED + 1
        );
        text.extend(rest.iter().map(entry));
        text += "</ol>\n</details>\n";
    }
    text + "</section>\n"
}

fn item(finding: &Finding, others: usize, subjects: &Subjects<'_>) -> String {
    let (kind, unit) = (finding.kind, finding.unit.symbol());
    let place = subjects.place(finding);
    let case = shown(finding);
    let at = |field: &str| format!("/findings/{place}/cases/{}/{field}", subjects.case(finding));
    let value = case
        .and_then(|case| case.value)
        .map_or_else(|| "no reading".to_owned(), |v| data(kind, v, at("value")) + " " + unit);
    let limit = case.and_then(|case| case.limit).map_or_else(String::new, |limit| {
        format!(", limit {} {unit}", data(kind, limit, at("limit")))
    });
    let size = match (excess(finding), finding.verdict) {
        (Some(size), _) => format!("<strong class=\"excess\">{size}</strong>"),
        (None, Verdict::Slack) => {
            "the limit is so wide that it says nothing: tighten it".to_owned()
        }
        (None, Verdict::Unexpected) => "a failure was expected and did not come".to_owned(),
        (None, _) => String::new(),
    };
    let tone = |hz: f64| format!(r#"<data value="{hz}" data-at="{}">{hz:.2}</data> Hz"#, at("hz"));
    let mut wheres = vec![format!("{} kHz", khz(finding.rate_hz))];
    if let Some(case) = case {
        wheres.extend(case.setting.as_deref().map(escape));
        match (case.key, case.hz) {
            (Some(key), Some(hz)) => {
                wheres.push(format!("key {key} ({}, {})", evidence::key_name(key), tone(hz)));
            }
            (_, Some(hz)) => wheres.push(tone(hz)),
            _ => {}
        }
        wheres.extend(case.note.as_deref().map(escape));
    }
    if others > 0 {
        wheres.push(format!("and {others} more of this reading"));
    }
    format!(
        "<li>{mark} <a href=\"#{id}\">{name}</a> <span class=\"kind\">{kind}</span> {size}<br />\
         <span class=\"figures\">{value}{limit}</span> <span class=\"where\">{wheres}</span></li>\n",
        mark = mark(finding.verdict),
        id = subjects.id(&finding.subject),
        name = escape(&crate::label(finding)),
        wheres = wheres.join("; "),
    )
}
