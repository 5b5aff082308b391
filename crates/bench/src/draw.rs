//! The spectrum of one note: harmonics, aliases, and theory where there is any.

use plumbtone_measure::audibility::{Component, Criterion};
use plumbtone_measure::db;
use plumbtone_plot::{Axis, Chart, Ink, Marker, Series, Shape as Mark};

use crate::check::Check;
use crate::error::Error;
use crate::evidence::key_name;
use crate::subject::Stimulus;
use crate::worker::{NoteLines, Worker};

/// Lowest level of the chart, dBc.
const FLOOR_DBC: f64 = -140.0;

/// Draws the spectrum of a check's subject at one note.
///
/// # Errors
/// When the subject refuses the note, or its lines cannot be told apart.
pub fn spectrum_of(check: &Check, stimulus: &Stimulus) -> Result<Chart, Error> {
    let lines = Worker::new(Criterion::default())?.note_lines(check, stimulus)?;
    let key = (69.0 + 12.0 * (stimulus.hz / 440.0).log2()).round().clamp(0.0, 127.0) as u8;
    let subject = check.subject.name();
    let twin = check.twin.map_or("", |twin| twin.name());
    let title = format!("{subject} {twin}: {} near {}", stimulus.shape.name(), key_name(key));
    let note = format!("{:.2} Hz at {:.0} Hz", lines.hz, stimulus.rate_hz);
    Ok(spectrum(&lines, stimulus.rate_hz, &title, &note))
}

/// Draws lines that were measured before.
pub fn spectrum(lines: &NoteLines, rate_hz: f64, title: &str, note: &str) -> Chart {
    let fundamental = lines.measured.first().map_or(1.0, |line| line.amplitude);
    let points = |lines: &[Component], harmonic: bool| -> Vec<(f64, f64)> {
        lines
            .iter()
            .filter(|line| line.is_harmonic == harmonic)
            .map(|line| (line.hz / 1000.0, db(line.amplitude / fundamental)))
            .filter(|(_, level)| *level > FLOOR_DBC)
            .collect()
    };
    let all = |lines: &[Component]| -> Vec<(f64, f64)> {
        let mut all = points(lines, true);
        all.extend(points(lines, false));
        all
    };
    let aliases = Marker::open(Mark::Circle).size(4.5);
    let chart = Chart::new(
        title,
        Axis::linear("Frequency", "kHz").range(0.0, rate_hz / 2000.0),
        Axis::linear("Level", "dBc").range(FLOOR_DBC, 5.0),
    )
    .note(note)
    .with(
        Series::stems(
            "aliases and noise",
            points(&lines.measured, false),
            FLOOR_DBC,
            Some(aliases),
        )
        .thickness(0.75)
        .ink(Ink::Sky),
    )
    .with(
        Series::stems(
            "harmonics",
            points(&lines.measured, true),
            FLOOR_DBC,
            Some(Marker::filled(Mark::Circle)),
        )
        .thickness(2.0)
        .ink(Ink::Blue),
    );
    if lines.predicted.is_empty() {
        return chart;
    }
    let cross = Marker::open(Mark::Cross).size(9.0);
    chart.with(Series::markers("theory", all(&lines.predicted), cross).ink(Ink::Rust))
}
