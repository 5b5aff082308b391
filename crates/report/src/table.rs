//! The result table of the terminal.

use plumbtone::results::{Case, Finding};
use plumbtone::{Results, evidence};

use crate::{Comparison, khz, label, shown, tally};

/// Bad findings that are listed in full before the rest is only counted.
const LISTED: usize = 20;
/// Longest module name before it is cut: that of `step-table`, the longest of the bench's own.
const NAME: usize = 14;

/// One row per module and reading with the worst case of all twins, shapes, rates and keys, worst
/// first; then every bad finding in full, up to twenty; then the tally.
///
/// No line is longer than `width` characters, at least 60. With `colour`, verdicts carry ANSI
/// colours besides their words.
pub fn table(results: &Results, width: usize, colour: bool) -> String {
    let width = width.max(60);
    let rows: Vec<Row> = groups(results).into_iter().map(Row::new).collect();
    let mut text = String::new();
    for line in wrapped(&results.title, width, "") {
        text += &format!("{line}\n");
    }
    text.push('\n');
    let header = Row {
        bad: false,
        cells: [
            "verdict",
            "module",
            "reading",
            "worst",
            "limit",
            "key",
            "kHz",
            "twin",
            "shape or setting",
        ]
        .map(str::to_owned),
        plain: true,
    };
    let widths = widths(rows.iter().chain([&header]), width);
    for row in [&header].into_iter().chain(&rows) {
        text += &row.line(&widths, width, colour);
        text.push('\n');
    }
    let bad: Vec<&Finding> =
        results.worst_first().into_iter().filter(|f| !f.verdict.is_good()).collect();
    if !bad.is_empty() {
        text += "\nNot kept, worst first:\n";
    }
    for finding in bad.iter().take(LISTED) {
        let said = shown(finding)
            .map_or_else(|| "nothing was measured".to_owned(), |c| evidence::sentence(finding, c));
        for line in wrapped(&format!("{}: {said}", label(finding)), width, "    ") {
            text += &format!("{line}\n");
        }
    }
    if bad.len() > LISTED {
        text += &format!("and {} more: --json FILE has them all\n", bad.len() - LISTED);
    }
    let count = results.findings.len();
    let each = if count == 1 { "finding" } else { "findings" };
    let summary = format!("{count} {each}: {}", tally(results));
    let criterion = format!("Criterion: {}", results.criterion);
    text.push('\n');
    for line in wrapped(&summary, width, "  ").into_iter().chain(wrapped(&criterion, width, "  ")) {
        text += &format!("{line}\n");
    }
    text
}

/// What has changed since earlier results, up to twenty lines of each kind.
///
/// No line is longer than `width` characters, at least 60.
pub fn differences(comparison: &Comparison, width: usize) -> String {
    let width = width.max(60);
    let verdict = comparison.verdict();
    let verdict = if comparison.good() { verdict.to_owned() } else { verdict.to_uppercase() };
    let head = format!("Against {}: {verdict}; {}", comparison.against, comparison.tally());
    let mut lines = wrapped(&head, width, "  ");
    for (heading, entries) in comparison.lists() {
        if entries.is_empty() {
            continue;
        }
        lines.push(format!("{heading}:"));
        for (place, words) in entries.iter().take(LISTED) {
            lines.extend(wrapped(&format!("  {place}: {words}"), width, "    "));
        }
        if entries.len() > LISTED {
            lines.push(format!("  and {} more", entries.len() - LISTED));
        }
    }
    lines.join("\n") + "\n"
}

/// The worst finding of every module and reading, worst first.
pub(crate) fn groups(results: &Results) -> Vec<&Finding> {
    let mut groups: Vec<&Finding> = Vec::new();
    let size = |finding: &Finding| {
        shown(finding).and_then(|case| case.value).map_or(f64::NEG_INFINITY, |value| {
            if finding.kind.two_sided() { value.abs() } else { value }
        })
    };
    for finding in results.worst_first() {
        let same =
            |have: &&mut &Finding| have.subject == finding.subject && have.kind == finding.kind;
        match groups.iter_mut().find(same) {
            // Readings without a limit are equally close to it: the largest stands for all.
            Some(have) if have.verdict == plumbtone::Verdict::Noted => {
                if size(finding) > size(have) {
                    *have = finding;
                }
            }
            Some(_) => {}
            None => groups.push(finding),
        }
    }
    groups
}

/// One line of the table, cell by cell.
struct Row {
    bad: bool,
    plain: bool,
    cells: [String; 9],
}

/// Columns that are set flush right.
const RIGHT: [bool; 9] = [false, false, false, true, true, false, true, false, false];

impl Row {
    fn new(finding: &Finding) -> Self {
        let (kind, unit) = (finding.kind, finding.unit.symbol());
        let case = shown(finding);
        let value =
            |case: &Case| case.value.map(|v| format!("{} {unit}", evidence::figure(kind, v)));
        let limit = |case: &Case| case.limit.map(|limit| evidence::figure(kind, limit));
        Self {
            bad: !finding.verdict.is_good(),
            plain: finding.verdict == plumbtone::Verdict::Noted,
            cells: [
                finding.verdict.word().to_owned(),
                shortened(&finding.subject, NAME),
                kind.name().to_owned(),
                case.and_then(value).unwrap_or_else(|| "none".to_owned()),
                case.and_then(limit).unwrap_or_else(|| "-".to_owned()),
                case.and_then(|c| c.key).map_or_else(|| "-".to_owned(), evidence::key_name),
                khz(finding.rate_hz),
                finding.twin.map_or("-", plumbtone::Twin::name).to_owned(),
                match case.and_then(|case| case.setting.as_ref()) {
                    Some(setting) => setting.clone(),
                    None if finding.shape.is_empty() => "-".to_owned(),
                    None => finding.shape.clone(),
                },
            ],
        }
    }

    fn line(&self, widths: &[usize; 9], width: usize, colour: bool) -> String {
        let mut line = String::new();
        for ((cell, &wide), right) in self.cells.iter().zip(widths).zip(RIGHT) {
            if !line.is_empty() {
                line.push(' ');
            }
            let cell = shortened(cell, wide);
            line += &if right { format!("{cell:>wide$}") } else { format!("{cell:<wide$}") };
        }
        let line = shortened(line.trim_end(), width);
        if !colour || self.plain {
            return line;
        }
        // Bold red and green, on the verdict's word alone.
        let word = &self.cells[0];
        let code = if self.bad { "1;31" } else { "32" };
        format!("\u{1b}[{code}m{word}\u{1b}[0m{}", &line[word.len()..])
    }
}

/// Width of every column; the shape, then the module give way where the line is too long.
fn widths<'a>(rows: impl Iterator<Item = &'a Row>, width: usize) -> [usize; 9] {
    let mut widths = [0; 9];
    for row in rows {
        for (wide, cell) in widths.iter_mut().zip(&row.cells) {
            *wide = (*wide).max(cell.chars().count());
        }
    }
    for (column, least) in [(8, 4), (1, 6)] {
        let total = widths.iter().sum::<usize>() + widths.len() - 1;
        let excess = total.saturating_sub(width);
        widths[column] = widths[column].saturating_sub(excess).max(least.min(widths[column]));
    }
    widths
}

/// The text, or its beginning with an ellipsis.
fn shortened(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width.saturating_sub(1)).chain(['…']).collect()
}

/// Lines of at most `width` characters, broken at spaces; all but the first are indented.
fn wrapped(text: &str, width: usize, indent: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let free = width.saturating_sub(line.chars().count() + 1);
        if line.trim().is_empty() {
            line.push_str(word);
        } else if word.chars().count() <= free {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(shortened(&line, width));
            line = format!("{indent}{word}");
        }
    }
    lines.push(shortened(&line, width));
    lines
}
