//! The page of a report: from disk, without network, and useful without its script.
//!
//! Every figure stands in a `data` element whose `value` is the whole number and whose `data-at`
//! says where `results.json` has it (RFC 6901), so that the two can be held against each other.

mod changes;
mod first;
mod subjects;

use std::fmt::Display;

use plumbtone::{Kind, Results, Verdict, evidence};
use plumbtone_plot::{Ruler, Scale, Size};

use crate::charts::Plot;
use crate::folder::Sound;
use crate::{Comparison, finite, headline, tally};

const CSS: &str = include_str!("html/sheet.css");
const SCRIPT: &str = include_str!("html/sheet.js");

/// The whole page.
pub(crate) fn page(
    results: &Results,
    comparison: Option<&Comparison>,
    plots: &[Plot],
    sounds: &[Sound],
) -> String {
    let results = &finite(results);
    let title = escape(&results.title);
    let good = results.all_good();
    let verdict = format!(
        r#"<strong class="verdict {}">{}</strong> {}"#,
        if good { "good" } else { "bad" },
        headline(results),
        tally(results)
    );
    let subjects = subjects::Subjects::of(results);
    let first = first::section(results, &subjects);
    let (changed, against, link) = match comparison {
        Some(comparison) => (
            changes::section(comparison),
            format!("\n<dt>Against</dt><dd>{}</dd>", changes::line(comparison)),
            r##"<a href="#changes">Changes</a> "##,
        ),
        None => Default::default(),
    };
    let list = subjects.section(results, plots, sounds);
    let mut shared: String =
        plots.iter().filter(|plot| subjects.of_plot(plot).is_none()).map(figure).collect();
    if shared.is_empty() {
        shared.push_str("<p>Nothing here compares several subjects.</p>\n");
    }
    let criterion = escape(&results.criterion);
    format!(
        r##"<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8" />
<meta name="viewport" content="width=device-width, initial-scale=1" />
<meta name="generator" content="plumbtone" />
<title>{title}: plumbtone report</title>
<link rel="icon" href="data:," />
<style>
{CSS}</style>
<script>document.documentElement.className = "js";</script>
</head>
<body>
<a class="skip" href="#main">To the findings</a>
<header class="block">
<h1>{title}</h1>
<dl>
<dt>Verdict</dt><dd>{verdict}</dd>{against}
</dl>
</header>
<nav aria-label="Parts of this report"><a href="#first">Fix first</a> {link}<a href="#subjects">Subjects</a> <a href="#together">Comparisons</a> <a href="#about">About</a></nav>
<main id="main">
{first}{changed}{list}<section aria-labelledby="together">
<h2 id="together">All subjects together</h2>
<div class="plots">
{shared}</div>
</section>
<section aria-labelledby="about">
<h2 id="about">About these figures</h2>
<dl class="about">
<dt>Uncertainty</dt><dd>k = 2, about 95 %. What it cannot exclude is not held against a subject.</dd>
<dt>Limits</dt><dd>Derived from arithmetic or a closed form, or required by the plan. A reading sixteen times better than a derived limit is <em>SLACK</em>: the limit says nothing then.</dd>
<dt>Masking</dt><dd>{criterion}</dd>
<dt>Data</dt><dd><a href="results.json">results.json</a> (<a href="results.schema.json">JSON Schema</a>), <a href="junit.xml">junit.xml</a>, <a href="summary.md">summary.md</a></dd>
</dl>
</section>
</main>
<footer>Made by plumbtone {version}. Layout of the data: {schema}.</footer>
<script>
//<![CDATA[
{SCRIPT}//]]>
</script>
</body>
</html>
"##,
        version = env!("CARGO_PKG_VERSION"),
        schema = escape(&results.schema),
    )
}

/// The word of a verdict in its own frame: solid where something is wrong, broken or thin elsewhere.
fn mark(verdict: Verdict) -> String {
    let class = match verdict {
        Verdict::Fail | Verdict::Unexpected => "fail",
        Verdict::Slack | Verdict::CannotMeasure => "odd",
        Verdict::ExpectedFail => "known",
        Verdict::Pass => "pass",
        Verdict::Noted => "noted",
    };
    format!(r#"<span class="mark {class}">{}</span>"#, verdict.word())
}

/// A figure of the results, as printed everywhere, with where it comes from.
fn data(kind: Kind, value: f64, at: impl Display) -> String {
    let text = minus(&evidence::figure(kind, value));
    format!(r#"<data value="{value}" data-at="{at}">{text}</data>"#)
}

/// A printed figure with a true minus sign.
fn minus(figure: &str) -> String {
    figure.replace('-', "\u{2212}")
}

/// A plot that can be enlarged and read at a point where the script runs.
fn figure(plot: &Plot) -> String {
    let Size { width, height } = plot.size;
    let (name, alt, title) = (&plot.name, escape(&plot.alt), escape(&plot.title));
    let frames: Vec<String> = plot
        .frames
        .iter()
        .map(|frame| {
            let [left, top, right, bottom] =
                [frame.left, frame.top, frame.right, frame.bottom].map(|px| px.round());
            let (x, y) = (ruler(&frame.x), ruler(&frame.y));
            format!(r#"{{"l":{left},"t":{top},"r":{right},"b":{bottom},"x":{x},"y":{y}}}"#)
        })
        .collect();
    let frames = escape(&frames.join(","));
    format!(
        r#"<figure data-frames="[{frames}]">
<div class="tools"><button type="button" data-do="in">Enlarge</button> <button type="button" data-do="out">Reduce</button> <button type="button" data-do="whole">Whole</button> <output aria-live="polite"></output></div>
<div class="view"><img src="plots/{name}.svg" width="{width}" height="{height}" loading="lazy" decoding="async" alt="{alt}" /></div>
<figcaption>{title}<span class="files">: <a href="plots/{name}.svg">SVG</a>, <a href="plots/{name}.png">PNG</a></span></figcaption>
</figure>
"#
    )
}

fn ruler(ruler: &Ruler) -> String {
    let scale = match ruler.scale {
        Scale::Linear => "linear",
        Scale::Log10 => "log",
        Scale::Keys => "keys",
    };
    let text = |text: &str| serde_json::Value::from(text).to_string();
    let Ruler { label, unit, low, high, .. } = ruler;
    let (label, unit) = (text(label), text(unit));
    format!(r#"{{"name":{label},"unit":{unit},"scale":"{scale}","low":{low},"high":{high}}}"#)
}

/// Text for HTML, inside and outside of quotes.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            // What XML cannot hold, as a user's name may.
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}
