//! The page of a report: static, from disk, no script and no network.

use plumbtone::results::Finding;
use plumbtone::{Results, Verdict, evidence};
use plumbtone_plot::Size;

use crate::charts::Plot;
use crate::folder::Sound;
use crate::{khz, shown, table, tally};

/// The whole page.
pub(crate) fn page(results: &Results, plots: &[Plot], sounds: &[Sound]) -> String {
    let title = escape(&results.title);
    let verdict = if results.all_good() {
        r#"<span class="good">every limit kept</span>"#.to_owned()
    } else {
        let bad = results.findings.iter().filter(|f| !f.verdict.is_good()).count();
        format!(r#"<span class="bad">{bad} of {} not kept</span>"#, results.findings.len())
    };
    let all = results.findings.len();
    let worst = rows(&table::groups(results));
    let every = rows(&results.worst_first());
    let mut figures: String = plots.iter().map(figure).collect();
    if figures.is_empty() {
        figures.push_str("<p>Nothing here is drawn.</p>");
    }
    let heard = heard(sounds);
    let (tally, criterion) = (escape(&tally(results)), escape(&results.criterion));
    format!(
        r##"<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8" />
<meta name="viewport" content="width=device-width, initial-scale=1" />
<meta name="generator" content="plumbtone" />
<title>{title}: plumbtone report</title>
<style>
{CSS}</style>
</head>
<body>
<header class="block">
<h1>{title}</h1>
<dl>
<dt>Verdict</dt><dd>{verdict}</dd>
<dt>Findings</dt><dd>{all}: {tally}</dd>
<dt>Criterion</dt><dd>{criterion}</dd>
<dt>Data</dt><dd><a href="results.json">results.json</a>, <a href="junit.xml">junit.xml</a></dd>
</dl>
</header>
<nav><a href="#findings">Findings</a> <a href="#plots">Plots</a> <a href="#sounds">Sounds</a></nav>
<main>
<h2 id="findings">Findings, worst first</h2>
<p>One row per module and reading: the worst case of all twins, shapes or settings, rates and keys.</p>
{worst}
<details><summary>All {all} findings</summary>
{every}
</details>
<h2 id="plots">Plots</h2>
{figures}
<h2 id="sounds">Sounds</h2>
{heard}
</main>
<footer>Made by plumbtone {version}. Layout of the data: {schema}.</footer>
</body>
</html>
"##,
        version = env!("CARGO_PKG_VERSION"),
        schema = escape(&results.schema),
    )
}

const CSS: &str = include_str!("sheet.css");

fn rows(findings: &[&Finding]) -> String {
    let mut text = String::from(
        "<div class=\"scroll\"><table>\n<thead><tr><th>Verdict</th><th>Module</th><th>Twin</th>\
         <th>Shape or setting</th><th class=\"figure\">Rate</th><th>Reading</th><th class=\"figure\">Worst</th>\
         <th class=\"figure\">±</th><th class=\"figure\">Limit</th><th>Key</th><th>Remark</th></tr></thead>\n<tbody>\n",
    );
    for finding in findings {
        let (kind, unit) = (finding.kind, finding.unit.symbol());
        let case = shown(finding);
        let figure = |value: Option<f64>| value.map(|value| evidence::figure(kind, value));
        let worst = figure(case.and_then(|case| case.value))
            .map_or_else(|| "none".to_owned(), |value| format!("{value} {unit}"));
        let spread = figure(case.map(|case| case.uncertainty).filter(|&spread| spread > 0.0));
        let limit = figure(case.and_then(|case| case.limit));
        let key = case.and_then(|case| case.key).map_or_else(String::new, evidence::key_name);
        let remark = case.and_then(|case| case.note.as_deref()).unwrap_or_default();
        let class = match finding.verdict {
            Verdict::Pass | Verdict::ExpectedFail => "good",
            Verdict::Noted => "plain",
            _ => "bad",
        };
        text += &format!(
            "<tr title=\"{reason}\"><td class=\"{class}\">{}</td><td>{}</td><td>{}</td><td class=\"setting\">{}</td>\
             <td class=\"figure\">{} kHz</td><td>{kind}</td><td class=\"figure\">{worst}</td>\
             <td class=\"figure\">{}</td><td class=\"figure\">{}</td><td>{key}</td><td>{}</td></tr>\n",
            finding.verdict.word(),
            escape(&finding.subject),
            finding.twin.map_or("", plumbtone::Twin::name),
            escape(case.and_then(|case| case.setting.as_deref()).unwrap_or(&finding.shape)),
            khz(finding.rate_hz),
            spread.unwrap_or_default(),
            limit.unwrap_or_default(),
            escape(remark),
            reason = escape(&format!("{}; {}", finding.limit.reason(), finding.reference)),
        );
    }
    text + "</tbody>\n</table></div>"
}

fn figure(plot: &Plot) -> String {
    let Size { width, height } = plot.size;
    let (name, alt, title) = (&plot.name, escape(&plot.alt), escape(&plot.title));
    format!(
        "<figure>\n<img src=\"plots/{name}.svg\" width=\"{width}\" height=\"{height}\" loading=\"lazy\" alt=\"{alt}\" />\n\
         <figcaption>{title}: <a href=\"plots/{name}.svg\">SVG</a>, \
         <a href=\"plots/{name}.png\">PNG</a></figcaption>\n</figure>\n"
    )
}

/// The players, behind a word of warning.
fn heard(sounds: &[Sound]) -> String {
    if sounds.is_empty() {
        return "<p>Nothing here is played.</p>".to_owned();
    }
    let rows: String = sounds.iter().map(sound).collect();
    let peak = plumbtone::wav::PEAK_DBFS;
    format!(
        r#"<p class="caution"><strong>Loud tones: begin with the monitor turned down, without headphones.</strong>
Test tones can be loud and sharp. The louder twin of each pair peaks at {peak} dBFS; both have the same gain.</p>
<div class="scroll"><table>
<thead><tr><th>Sound</th><th class="figure">Gain</th><th>Float twin</th><th>Fixed twin</th></tr></thead>
<tbody>
{rows}</tbody>
</table></div>"#
    )
}

fn sound(sound: &Sound) -> String {
    let player = |(name, _): &(String, Vec<u8>)| {
        format!("<td><audio controls=\"controls\" preload=\"none\" src=\"{name}\"></audio></td>")
    };
    let [float, fixed] = &sound.files;
    format!(
        "<tr><td class=\"setting\">{}</td><td class=\"figure\">{:+.1} dB</td>{}{}</tr>\n",
        escape(&sound.title),
        sound.gain_db,
        player(float),
        player(fixed)
    )
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
            c => out.push(c),
        }
    }
    out
}
