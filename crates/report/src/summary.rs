//! The report on one screen of Markdown, for a pull request.

use plumbtone::results::Finding;
use plumbtone::{Results, evidence};

use crate::{Comparison, excess, headline, label, shown, table, tally};

/// Most lines of the whole text.
const LINES: usize = 80;
/// Most entries of a list.
const LISTED: usize = 8;

/// Verdict, what to fix first, what has changed, and the readings of every module, in Markdown of
/// at most 80 lines. Long parts are folded.
pub fn summary(results: &Results, comparison: Option<&Comparison>) -> String {
    let mut lines = vec![
        format!("# {}", escape(&results.title)),
        String::new(),
        format!("**{}** {}.", headline(results), tally(results)),
    ];
    let groups = table::groups(results);
    let bad: Vec<&Finding> = groups.iter().copied().filter(|f| !f.verdict.is_good()).collect();
    if !bad.is_empty() {
        lines.extend([String::new(), "## Fix first".to_owned(), String::new()]);
    }
    for finding in bad.iter().take(LISTED) {
        let said = shown(finding).map_or_else(
            || format!("{}: nothing was measured", finding.verdict.word()),
            |case| evidence::sentence(finding, case),
        );
        let over = excess(finding).map(|over| format!(" ({over})")).unwrap_or_default();
        lines.push(format!("1. **{}** {}{over}", escape(&label(finding)), escape(&said)));
    }
    if bad.len() > LISTED {
        lines.push(format!("\nand {} more readings", bad.len() - LISTED));
    }
    if let Some(comparison) = comparison {
        let verdict = comparison.verdict();
        lines.push(format!("\n## Against {}: {verdict}", escape(&comparison.against)));
        lines.push(format!("\n{}.\n", comparison.tally()));
        for (heading, entries) in comparison.lists().iter().filter(|(_, list)| !list.is_empty()) {
            let most = if *heading == "Worse" { LISTED } else { 3 };
            for (place, words) in entries.iter().take(most) {
                lines.push(format!("- {heading}: **{}** {}", escape(place), escape(words)));
            }
            if entries.len() > most {
                lines.push(format!("- {heading}: and {} more", entries.len() - most));
            }
        }
    }
    lines.extend([
        "\n<details><summary>Readings, the worst of each module first</summary>\n".to_owned(),
        "| verdict | module | reading | worst | limit |".to_owned(),
        "| --- | --- | --- | ---: | ---: |".to_owned(),
    ]);
    let used = lines.iter().map(|line| line.matches('\n').count() + 1).sum::<usize>();
    // The fold's end and a remark take four lines.
    let room = LINES.saturating_sub(used + 4);
    lines.extend(groups.iter().take(room).map(|finding| row(finding)));
    if groups.len() > room {
        lines.push(format!("\nand {} more in index.html", groups.len() - room));
    }
    lines.push("\n</details>".to_owned());
    lines.join("\n") + "\n"
}

fn row(finding: &Finding) -> String {
    let (kind, unit) = (finding.kind, finding.unit.symbol());
    let case = shown(finding);
    let print = |value: Option<f64>| {
        value.map_or_else(|| "none".to_owned(), |value| evidence::figure(kind, value))
    };
    format!(
        "| {} | {} | {kind} | {} {unit} | {} |",
        finding.verdict.word(),
        escape(&finding.subject),
        print(case.and_then(|case| case.value)),
        print(case.and_then(|case| case.limit)),
    )
}

/// Text without meaning to Markdown or HTML, on one line.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '&' => out.push_str("&amp;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '#' | '~' | '@' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
