//! `plumbtone list`.

use plumbtone::Kind;
use plumbtone::voice::Entry;
use plumbtone::voice::oscillators::ENTRIES;
use serde_json::{Value, json};

use crate::fault::Fault;
use crate::{Outcome, args, output};

/// The rate at which usable ranges are shown, Hz.
const RATE_HZ: f64 = 48_000.0;
/// Column of everything that belongs to a name.
const INDENT: usize = 14;

pub fn run(args: &args::List) -> Outcome {
    let text = if args.json {
        serde_json::to_string_pretty(&object()).map_err(Fault::new)? + "\n"
    } else {
        table()
    };
    output::print(&text)?;
    Ok(true)
}

fn table() -> String {
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
            let (min, max) = (parameter.min, parameter.max);
            let (unit, default) = (parameter.unit, parameter.default);
            line(parameter.name, format!("{min} to {max} {unit}, default {default}"));
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
             moves with the sample rate.\n\nREADINGS\n\n";
    for kind in Kind::ALL {
        let (name, unit) = (kind.name(), kind.unit().symbol());
        text += &format!("{name:INDENT$}{unit:<6}");
        text += &wrapped(kind.describe(), INDENT + 6);
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

fn object() -> Value {
    let modules: Vec<Value> = ENTRIES
        .iter()
        .map(|entry| {
            let parameters: Vec<Value> = entry
                .parameters
                .iter()
                .map(|p| {
                    json!({
                        "name": p.name, "unit": p.unit,
                        "min": p.min, "max": p.max, "default": p.default,
                    })
                })
                .collect();
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
    json!({ "schema": "plumbtone.list/1", "modules": modules, "readings": readings })
}
