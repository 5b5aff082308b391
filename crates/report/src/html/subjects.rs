//! Every subject with its readings, its plots and its sounds.

use std::collections::HashMap;

use plumbtone::results::Finding;
use plumbtone::{Results, Twin, evidence};

use super::{data, escape, figure, mark, minus};
use crate::charts::Plot;
use crate::folder::Sound;
use crate::{excess, khz, short, shown};

/// Subjects on one fold when there are many.
const FOLD: usize = 100;
/// So few subjects are all unfolded at once.
const FEW: usize = 3;

/// The subjects of the results, worst first, and where everything stands.
pub(super) struct Subjects<'a> {
    /// Name and findings, worst first.
    groups: Vec<(&'a str, Vec<&'a Finding>)>,
    ranks: HashMap<&'a str, usize>,
    /// Index of a finding in the results, by its address.
    places: HashMap<*const Finding, usize>,
}

impl<'a> Subjects<'a> {
    pub fn of(results: &'a Results) -> Self {
        let mut groups: Vec<(&str, Vec<&Finding>)> = Vec::new();
        let mut ranks = HashMap::new();
        for finding in results.worst_first() {
            let rank = *ranks.entry(finding.subject.as_str()).or_insert(groups.len());
            match groups.get_mut(rank) {
                Some((_, own)) => own.push(finding),
                None => groups.push((&finding.subject, vec![finding])),
            }
        }
        let places = results.findings.iter().enumerate();
        Self { groups, ranks, places: places.map(|(n, f)| (std::ptr::from_ref(f), n)).collect() }
    }

    /// Index of the finding in the results.
    pub fn place(&self, finding: &Finding) -> usize {
        self.places.get(&std::ptr::from_ref(finding)).copied().unwrap_or_default()
    }

    /// Index of the case that is shown of a finding.
    pub fn case(&self, finding: &Finding) -> usize {
        let case = shown(finding).map(std::ptr::from_ref);
        finding.cases.iter().position(|c| Some(std::ptr::from_ref(c)) == case).unwrap_or_default()
    }

    /// Anchor of a subject.
    pub fn id(&self, subject: &str) -> String {
        format!("s{}", self.ranks.get(subject).copied().unwrap_or_default())
    }

    /// The subject beside whose readings the plot stands.
    pub fn of_plot<'p>(&self, plot: &'p Plot) -> Option<&'p str> {
        plot.subject.as_deref().filter(|subject| self.ranks.contains_key(subject))
    }

    pub fn section(&self, results: &Results, plots: &[Plot], sounds: &[Sound]) -> String {
        let count = self.groups.len();
        let mut text = format!(
            "<section aria-labelledby=\"subjects\">\n<h2 id=\"subjects\">Subjects, worst first: {count}</h2>\n\
             <p>Of every finding its worst case: of all keys or settings the one closest to its limit, or \
             furthest beyond.</p>\n\
             <div class=\"tools\"><label for=\"find\">Find a subject</label> <input id=\"find\" type=\"search\" \
             autocomplete=\"off\" /> <output for=\"find\" aria-live=\"polite\"></output></div>\n"
        );
        if results.findings.is_empty() {
            text += "<p>Nothing was measured.</p>\n";
        }
        for (fold, groups) in self.groups.chunks(FOLD).enumerate() {
            let first = fold * FOLD;
            if count > FOLD {
                let bad = groups.iter().filter(|(_, own)| own.iter().any(bad)).count();
                let open = if fold == 0 { " open=\"open\"" } else { "" };
                let bad = if bad > 0 { format!(", {bad} of them to fix") } else { String::new() };
                text += &format!(
                    "<details class=\"fold\"{open}><summary>Subjects {} to {}{bad}</summary>\n",
                    first + 1,
                    first + groups.len()
                );
            }
            for (index, (name, findings)) in groups.iter().enumerate() {
                let plots = plots.iter().filter(|plot| self.of_plot(plot) == Some(name));
                let sounds: Vec<_> = sounds.iter().filter(|s| s.subject == *name).collect();
                let open = count <= FEW || first + index == 0;
                let drawn: String = plots.map(figure).collect();
                text += &self.subject(first + index, name, findings, open);
                text += &heard(&sounds);
                if !drawn.is_empty() {
                    text += &format!("<div class=\"plots\">\n{drawn}</div>\n");
                }
                text += "</details>\n";
            }
            if count > FOLD {
                text += "</details>\n";
            }
        }
        text + "</section>\n"
    }

    /// The head of a subject and its table; the fold stays open for more.
    fn subject(&self, rank: usize, name: &str, findings: &[&Finding], open: bool) -> String {
        let open = if open { " open=\"open\"" } else { "" };
        let bad = findings.iter().filter(|finding| bad(finding)).count();
        let count = match bad {
            0 => format!("{} kept or noted", findings.len()),
            bad => format!("{bad} of {} to fix", findings.len()),
        };
        let verdict = findings.first().map(|worst| mark(worst.verdict)).unwrap_or_default();
        let name = escape(name);
        let mut text = format!(
            "<details class=\"subject\"{open}><summary>{verdict} <h3>{name}</h3> \
             <span class=\"count\">{count}</span></summary>\n\
             <div class=\"scroll\" id=\"s{rank}\" role=\"region\" aria-label=\"Readings of {name}\" tabindex=\"0\">\
             <table class=\"readings\">\n<thead><tr><th scope=\"col\">Verdict</th><th scope=\"col\">Reading</th>\
             <th scope=\"col\">Twin</th><th scope=\"col\">Shape or setting</th><th scope=\"col\">Where</th>\
             <th scope=\"col\" class=\"figure\">Worst</th><th scope=\"col\" class=\"figure\">±</th>\
             <th scope=\"col\" class=\"figure\">Limit</th><th scope=\"col\">Unit</th>\
             <th scope=\"col\">Basis</th></tr></thead>\n<tbody>\n"
        );
        let mut sources: Vec<String> = Vec::new();
        for finding in findings {
            let source =
                format!("Limit: {}. Reference: {}.", finding.limit.reason(), finding.reference);
            let note = sources.iter().position(|have| *have == source).unwrap_or_else(|| {
                sources.push(source);
                sources.len() - 1
            });
            text += &self.row(finding, &format!("s{rank}n{}", note + 1), note + 1);
        }
        text += "</tbody>\n</table></div>\n<ol class=\"sources\">\n";
        for (note, source) in sources.iter().enumerate() {
            text += &format!("<li id=\"s{rank}n{}\">{}</li>\n", note + 1, escape(source));
        }
        text + "</ol>\n"
    }

    fn row(&self, finding: &Finding, anchor: &str, note: usize) -> String {
        let (kind, unit) = (finding.kind, finding.unit.symbol());
        let case = shown(finding);
        let at = format!("/findings/{}/cases/{}", self.place(finding), self.case(finding));
        let cell = |value: Option<f64>, field: &str| {
            value.map(|value| data(kind, value, format!("{at}/{field}")))
        };
        let worst = cell(case.and_then(|case| case.value), "value");
        let spread = case.map(|case| case.uncertainty).filter(|&spread| spread > 0.0);
        let mut wheres = vec![format!("{} kHz", khz(finding.rate_hz))];
        if let Some(case) = case {
            wheres.extend(case.key.map(evidence::key_name));
            wheres.extend(case.note.as_deref().map(escape));
        }
        let shape = match (case.and_then(|case| case.setting.as_deref()), finding.width) {
            (Some(setting), _) => setting.to_owned(),
            (None, Some(width)) => format!("{}, width {}", finding.shape, short(width)),
            (None, None) => finding.shape.clone(),
        };
        let over = excess(finding).map(|over| {
            let class = if bad(&finding) { " class=\"excess\"" } else { "" };
            format!("<br /> <small{class}>{over}</small>")
        });
        format!(
            "<tr><td>{}</td><th scope=\"row\"><abbr title=\"{}\">{kind}</abbr></th><td>{}</td>\
             <td class=\"setting\">{}</td><td class=\"where\">{}</td><td class=\"figure\">{}{}</td>\
             <td class=\"figure\">{}</td><td class=\"figure\">{}</td><td>{unit}</td>\
             <td><a href=\"#{anchor}\" aria-label=\"Basis {note}\">{note}</a></td></tr>\n",
            mark(finding.verdict),
            kind.describe(),
            finding.twin.map_or("", Twin::name),
            escape(&shape),
            wheres.join("; "),
            worst.unwrap_or_else(|| "none".to_owned()),
            over.unwrap_or_default(),
            cell(spread, "uncertainty").unwrap_or_default(),
            cell(case.and_then(|case| case.limit), "limit").unwrap_or_default(),
        )
    }
}

fn bad(finding: &&Finding) -> bool {
    !finding.verdict.is_good()
}

/// The players of a subject, behind a word of warning.
fn heard(sounds: &[&Sound]) -> String {
    if sounds.is_empty() {
        return String::new();
    }
    let peak = minus(&plumbtone::wav::PEAK_DBFS.to_string());
    let rows: String = sounds.iter().map(|sound| players(sound)).collect();
    format!(
        "<p class=\"caution\"><strong>Loud tones: begin with the monitor turned down, without headphones.</strong> \
         The louder twin of each pair peaks at {peak} dBFS, and so does their difference, raised by the gain beside it.</p>\n\
         <ul class=\"sounds\">\n{rows}</ul>\n"
    )
}

fn players(sound: &Sound) -> String {
    let title = escape(&sound.title);
    let player = |name: &str, what: &str, file: &str| {
        format!(
            "<li><span>{name}</span><audio controls=\"controls\" preload=\"none\" src=\"{file}\" \
             aria-label=\"{title}: {what}\"></audio></li>"
        )
    };
    let [(float, _), (fixed, _)] = &sound.files;
    let difference = match &sound.difference {
        Some(raised) => player(
            &format!("difference, raised by {} dB", minus(&format!("{:.1}", raised.by_db))),
            "difference",
            &raised.file.0,
        ),
        None => "<li><span>difference: none, every sample agrees</span></li>".to_owned(),
    };
    format!(
        "<li><p>{title} <span class=\"gain\">gain {} dB</span></p>\n<ul>{}{}{difference}</ul></li>\n",
        minus(&format!("{:+.1}", sound.gain_db)),
        player("float twin", "float twin", float),
        player("fixed twin", "fixed twin", fixed),
    )
}
