//! `plumbtone list`.

use plumbtone::Kind;
use plumbtone::instrument::presets;
use plumbtone::settings::shown_range;
use plumbtone::settings_check::readings;
use plumbtone::voice::oscillators::ENTRIES;
use plumbtone::voice::registry::{About, Family, all, modules};
use plumbtone::voice::{Entry, Parameter};
use serde_json::{Value, json};

use crate::fault::Fault;
use crate::{Outcome, args, output};

/// The rate at which usable ranges are shown, Hz.
const RATE_HZ: f64 = 48_000.0;
/// Column of everything that belongs to a name.
const INDENT: usize = 14;
/// Columns of a reading's name and unit.
const READING: usize = 19;
const UNIT: usize = 10;

pub fn run(args: &args::List) -> Outcome {
    let text = if args.json {
        serde_json::to_string_pretty(&object()?).map_err(Fault::new)? + "\n"
    } else {
        table()?
    };
    output::print(&text)?;
    Ok(true)
}

fn table() -> Result<String, Fault> {
    let mut text = String::from("MODULES, each as a float and a fixed twin\n");
    for entry in ENTRIES {
        text += &format!("\n{:INDENT$}{}\n", entry.name, entry.summary);
        let mut line = |name: &str, what: String| {
            text += &format!("{:INDENT$}{name:<13} {what}\n", "");
        };
        if !entry.shapes.is_empty() {
            line("shape", shapes(entry).join(", "));
        }
        for parameter in entry.parameters {
            line(parameter.name, shown_range(parameter));
        }
        let usable = entry.usable_from;
        line(
            "usable",
            match (usable.float, usable.fixed) {
                (0.0, 0.0) => "everywhere, both twins".to_owned(),
                (float, fixed) => format!(
                    "float from {:.1} Hz, fixed from {:.1} Hz at 48 kHz",
                    float * RATE_HZ,
                    fixed * RATE_HZ
                ),
            },
        );
    }
    text += "\nUsable: the rounding noise of the ramp is at least 60 dB below it; the lower end\n\
             moves with the sample rate.\n";
    text += "\nCONTROL MODULES, each as a float and a fixed twin\n";
    let control = |about: &About| matches!(about.family, Family::Contour | Family::Control);
    for about in modules().filter(control) {
        text += &described(about);
    }
    text += "\ntime-N and the like: N is a point of the contour, 1 to 16; points 1 to 4 have\n\
             defaults of their own. Volts are those at the jack: a control voltage needs a\n\
             divider and a clamp before a pin that takes 3.3 V; local electrical codes and\n\
             qualified advice come first. `keys` has no arithmetic: both twins are one.\n\
";
    text += "\nFILTERS, each as a float and a fixed twin\n";
    for about in modules().filter(|about| about.family == Family::Filter) {
        text += &described(about);
    }
    text += "\nResonance 1 is the edge of self-oscillation; beyond it a filter sounds by\n\
             itself, as loud as its format lets it: begin with the monitor turned down. The\n\
             unit-delay forms oscillate elsewhere: their readings say where.\n\
             \nINSTRUMENTS and their levels, each as a float and a fixed twin\n";
    for about in all().filter(|about| matches!(about.family, Family::Level | Family::Instrument)) {
        text += &described(about);
    }
    text += "\nPRESETS, the twelve panels of the tide organ\n\n";
    for preset in presets()? {
        text += &format!("{:<INDENT$}{:>2}  ", preset.name, preset.panel);
        text += &wrapped(&preset.about, INDENT + 4);
    }
    text += "\nREADINGS; those marked * beside a module can have a limit that is derived\n\n";
    for kind in Kind::ALL {
        let (name, unit) = (kind.name(), kind.unit().symbol());
        text += &format!("{name:READING$}{unit:<UNIT$}");
        text += &wrapped(kind.describe(), READING + UNIT);
    }
    Ok(text)
}

/// A module with its parameters.
fn described(about: About) -> String {
    let mut text = format!("\n{:INDENT$}", about.name);
    // A name may reach into the column of its summary.
    if about.name.len() >= INDENT {
        text = format!("\n{}\n{:INDENT$}", about.name, "");
    }
    text += &wrapped(about.summary, INDENT);
    for parameter in about.parameters {
        let name = match parameter.per_point {
            true => format!("{}-N", parameter.name),
            false => parameter.name.to_owned(),
        };
        // Names longer than their column push their range along.
        let start = format!("{:INDENT$}{name:<13} ", "");
        let indent = start.len();
        text += &(start + &wrapped(&shown_range(parameter), indent));
    }
    let readings: Vec<String> = readings(about.name)
        .map(|(kind, derived)| format!("{kind}{}", if derived { "*" } else { "" }))
        .collect();
    if !readings.is_empty() {
        let start = format!("{:INDENT$}{:<13} ", "", "readings");
        let indent = start.len();
        text += &(start + &wrapped(&readings.join(", "), indent));
    }
    text
}

/// The text in lines of at most 80 columns, all but the first indented.
fn wrapped(text: &str, indent: usize) -> String {
    let mut lines = String::new();
    let mut column = indent;
    for word in text.split_whitespace() {
        if column + word.len() > 79 {
            lines += &format!("\n{:indent$}", "");
            column = indent;
        }
        lines += word;
        lines.push(' ');
        column += word.len() + 1;
    }
    lines.lines().map(|line| format!("{}\n", line.trim_end())).collect()
}

fn shapes(entry: &Entry) -> Vec<&'static str> {
    entry.shapes.iter().map(|shape| shape.name()).collect()
}

fn parameters(all: &[Parameter]) -> Vec<Value> {
    let object = |p: &Parameter| {
        let mut object = json!({
            "name": p.name, "unit": p.unit,
            "min": p.min, "max": p.max, "default": p.default,
        });
        if !p.choices.is_empty() {
            object["choices"] = json!(p.choices);
        }
        if p.per_point {
            object["per_point"] = json!(true);
        }
        object
    };
    all.iter().map(object).collect()
}

fn object() -> Result<Value, Fault> {
    let mut listed: Vec<Value> = ENTRIES
        .iter()
        .map(|entry| {
            let parameters = parameters(entry.parameters);
            let usable = entry.usable_from;
            json!({
                "name": entry.name,
                "summary": entry.summary,
                "twins": ["float", "fixed"],
                "shapes": shapes(entry),
                "parameters": parameters,
                "usable_from_cycles_per_sample": { "float": usable.float, "fixed": usable.fixed },
            })
        })
        .collect();
    listed.extend(all().filter(|about| about.family != Family::Oscillator).map(|about| {
        json!({
            "name": about.name,
            "summary": about.summary,
            "twins": ["float", "fixed"],
            "shapes": [],
            "parameters": parameters(about.parameters),
            "readings": readings(about.name).map(|(kind, _)| kind.name()).collect::<Vec<_>>(),
        })
    }));
    let readings: Vec<Value> = Kind::ALL
        .iter()
        .map(|kind| {
            json!({
                "name": kind.name(),
                "unit": kind.unit().symbol(),
                "summary": kind.describe(),
                "two_sided": kind.two_sided(),
            })
        })
        .collect();
    let presets: Vec<Value> = presets()?
        .iter()
        .map(|preset| {
            json!({
                "name": preset.name,
                "panel": preset.panel,
                "instrument": preset.instrument,
                "summary": preset.about,
                "settings": preset.settings.text(),
            })
        })
        .collect();
    Ok(json!({
        "schema": "plumbtone.list/1",
        "modules": listed,
        "presets": presets,
        "readings": readings,
    }))
}
