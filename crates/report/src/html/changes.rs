//! What has changed since earlier results.

use super::{data, escape};
use crate::Comparison;
use crate::compare::{Change, Figure, LimitChange};

/// Rows of a list before the rest is folded.
const LISTED: usize = 20;

/// The verdict on the changes in one line.
pub(super) fn line(comparison: &Comparison) -> String {
    let class = if comparison.good() { "good" } else { "bad" };
    let (first, rest) = comparison.verdict().split_at(1);
    let verdict = first.to_uppercase() + rest;
    format!(
        r##"<a href="#changes">{}</a>: <strong class="verdict {class}">{verdict}.</strong> {}"##,
        escape(&comparison.against),
        comparison.tally()
    )
}

pub(super) fn section(comparison: &Comparison) -> String {
    let mut text = format!(
        "<section aria-labelledby=\"changes\">\n<h2 id=\"changes\">Against {}</h2>\n<p>{}.</p>\n",
        escape(&comparison.against),
        comparison.tally()
    );
    text += &changes("worse", "Worse", &comparison.worse);
    for (heading, entries) in comparison.lists() {
        match heading {
            "Worse" => {}
            "Better" => text += &changes("better", heading, &comparison.better),
            "Other limits" => text += &limits(&comparison.limits),
            _ if entries.is_empty() => {}
            _ => {
                let rows: String = entries
                    .iter()
                    .map(|(place, words)| {
                        format!("<li>{}: {}</li>\n", escape(place), escape(words))
                    })
                    .collect();
                text += &folded(heading, entries.len(), &format!("<ul>\n{rows}</ul>\n"));
            }
        }
    }
    text + &format!("<p class=\"remark\">{}</p>\n</section>\n", escape(comparison.rule))
}

fn folded(heading: &str, count: usize, inside: &str) -> String {
    let open = if heading == "Worse" { " open=\"open\"" } else { "" };
    format!("<details{open}><summary>{heading}: {count}</summary>\n{inside}</details>\n")
}

fn changes(list: &str, heading: &str, changes: &[Change]) -> String {
    if changes.is_empty() {
        return String::new();
    }
    let (head, rest) = changes.split_at(changes.len().min(LISTED));
    let mut text = folded(heading, changes.len(), &table(list, heading, head, 0));
    if !rest.is_empty() {
        let other = format!("{heading}: the other {}", rest.len());
        text += &format!(
            "<details><summary>{other}</summary>\n{}</details>\n",
            table(list, &other, rest, LISTED)
        );
    }
    text
}

fn limits(changes: &[LimitChange]) -> String {
    if changes.is_empty() {
        return String::new();
    }
    let mut text = String::from(
        "<div class=\"scroll\" role=\"region\" aria-label=\"Other limits\" tabindex=\"0\">\
         <table class=\"limits\">\n<thead><tr><th scope=\"col\">Reading</th>\
         <th scope=\"col\" class=\"figure\">Before</th><th scope=\"col\" class=\"figure\">Now</th>\
         <th scope=\"col\">Unit</th><th scope=\"col\" class=\"figure\">Readings</th>\
         <th scope=\"col\">Reason</th></tr></thead>\n<tbody>\n",
    );
    for (index, change) in changes.iter().enumerate() {
        let side = |limit: Option<f64>, which: &str| match limit {
            Some(limit) => {
                data(change.place.kind, limit, format!("/comparison/limits/{index}/{which}"))
            }
            None => "none".to_owned(),
        };
        let reason = match change.because_old == change.because_new {
            true => change.because_new.clone(),
            false => format!("{}; before: {}", change.because_new, change.because_old),
        };
        text += &format!(
            "<tr><th scope=\"row\">{}</th><td class=\"figure\">{}</td><td class=\"figure\">{}</td>\
             <td>{}</td><td class=\"figure\">{}</td><td class=\"setting\">{}</td></tr>\n",
            escape(&change.place.words()),
            side(change.old, "old"),
            side(change.new, "new"),
            change.unit.symbol(),
            change.readings,
            escape(&reason)
        );
    }
    folded("Other limits", changes.len(), &(text + "</tbody>\n</table></div>\n"))
}

fn table(list: &str, heading: &str, changes: &[Change], first: usize) -> String {
    let mut text = format!(
        "<div class=\"scroll\" role=\"region\" aria-label=\"{heading}\" tabindex=\"0\">\
         <table class=\"changes\">\n<thead><tr><th scope=\"col\">Reading</th><th scope=\"col\">Where</th>\
         <th scope=\"col\" class=\"figure\">Before</th><th scope=\"col\" class=\"figure\">Now</th>\
         <th scope=\"col\" class=\"figure\">Change</th><th scope=\"col\" class=\"figure\">Allowed</th>\
         <th scope=\"col\" class=\"figure\">Limit</th><th scope=\"col\">Unit</th></tr></thead>\n<tbody>\n"
    );
    for (index, change) in changes.iter().enumerate() {
        let kind = change.place.kind;
        let at = format!("/comparison/{list}/{}", first + index);
        let side = |figure: &Figure, which: &str| match figure.value {
            Some(value) => data(kind, value, format!("{at}/{which}/value")),
            None => escape(&figure.words(kind)),
        };
        let by = change.by.map(|by| data(kind, by, format!("{at}/by"))).unwrap_or_default();
        let limit = change.new.limit;
        text += &format!(
            "<tr><th scope=\"row\">{}</th><td class=\"setting\">{}</td><td class=\"figure\">{}</td>\
             <td class=\"figure\">{}</td><td class=\"figure\">{by}</td><td class=\"figure\">{}</td>\
             <td class=\"figure\">{}</td><td>{}</td></tr>\n",
            escape(&change.place.words()),
            escape(&change.at()),
            side(&change.old, "old"),
            side(&change.new, "new"),
            data(kind, change.allowance, format!("{at}/allowance")),
            limit.map(|limit| data(kind, limit, format!("{at}/new/limit"))).unwrap_or_default(),
            change.unit.symbol()
        );
    }
    text + "</tbody>\n</table></div>\n"
}
