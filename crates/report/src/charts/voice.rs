//! Plots of whole voices and of the 16-bit output: where the twins part, how keys and beginnings of
//! notes are in tune, and what rounding makes of a soft sine.
//!
//! Stages, tuning and bending are drawn from the findings. What has no place in them is rendered
//! again: the phrase of the voice whose twins lie furthest apart, and the spectra of the output.

use std::f64::consts::TAU;

use plumbtone::evidence::key_name;
use plumbtone::expect::instruments::phrase;
use plumbtone::instrument::{Preset, Stage, StagedVoice, Stages, Wire};
use plumbtone::measure::coherent::{Coherent, Tone};
use plumbtone::measure::level::Level;
use plumbtone::measure::{db, power_db};
use plumbtone::results::{Case, Finding};
use plumbtone::theory::quantizer::{BUSY_ERROR_POWER, RoundedSine};
use plumbtone::voice::level::output;
use plumbtone::voice::{Event, instruments::tideorgan};
use plumbtone::{Error as BenchError, Kind, Results, Settings, Twin};
use plumbtone_plot::{
    Axis, Chart, Dash, Ink, Legend, Line, Mark, Marker, Series, Shape as Outline, Sheet, Style,
};

use super::Draft;
use super::control::{parsed, thin};
use crate::Error;

/// The voice that can be taken apart.
pub(crate) const MODULE: &str = tideorgan::ENTRY.name;
/// Steps of the 16-bit output over full scale.
const STEPS: f64 = 32_768.0;
/// Most settings side by side; the page stays readable and the drawing within its size.
const MOST_ROWS: usize = 24;
/// Heights of a row and of what stands around all rows, px.
const ROW: u32 = 44;
const AROUND_ROWS: u32 = 230;
/// Rows for which there is room at least.
const LEAST_ROWS: u32 = 4;
/// Height of a sheet of two charts, px.
const TALL: u32 = 760;
/// Inks and outlines of the stages, in their order.
const STAGES: [(Marker, Ink); Stage::ALL.len()] = [
    (Marker::open(Outline::Plus).size(11.0), Ink::Black),
    (Marker::filled(Outline::Square).size(9.0), Ink::Rust),
    (Marker::open(Outline::Circle), Ink::Blue),
    (Marker::open(Outline::Square), Ink::Violet),
    (Marker::open(Outline::Triangle), Ink::Ochre),
    (Marker::filled(Outline::Circle).size(7.0), Ink::Green),
    (Marker::filled(Outline::Triangle).size(9.0), Ink::Blue),
    (Marker::open(Outline::Cross).size(9.0), Ink::Plum),
    (Marker::open(Outline::Circle).size(6.0), Ink::Rust),
    (Marker::open(Outline::Square).size(6.0), Ink::Black),
    (Marker::filled(Outline::Circle).size(10.0), Ink::Sky),
];

/// The plots of whole voices and of the output that the results give reason for.
pub(super) fn drafts(results: &Results) -> Result<Vec<Draft>, Error> {
    let mut drafts = Vec::new();
    if let Some(shown) = Shown::of(results) {
        drafts.extend(shown.stages());
        drafts.extend(shown.tuning());
        drafts.extend(shown.bending());
        drafts.extend(shown.apart()?);
        drafts = drafts.into_iter().map(|draft| draft.of(MODULE)).collect();
    }
    if let Some(rate_hz) = findings(results, output::ENTRY.name).map(|f| f.rate_hz).next() {
        drafts.push(rounded_sine(rate_hz)?.of(output::ENTRY.name));
    }
    Ok(drafts)
}

/// What the results hold of the twins of a module.
fn findings<'a>(results: &'a Results, module: &str) -> impl Iterator<Item = &'a Finding> {
    results.findings.iter().filter(move |f| f.subject == module && f.twin.is_some())
}

/// The voice of the results, at the first rate that they have.
pub(crate) struct Shown<'a> {
    pub rate_hz: u32,
    findings: Vec<&'a Finding>,
}

/// What one setting of the voice holds: the level of every stage alone, and of all but the pitch.
struct Row<'a> {
    name: &'a str,
    stages: Vec<(usize, f64)>,
    residual: Option<f64>,
}

/// The phrase before the output stage: the fixed twin, the float twin with the pitch of the fixed
/// one, and the float twin.
pub(crate) struct Apart {
    pub fixed: Vec<f64>,
    pub common: Vec<f64>,
    own: Vec<f64>,
}

impl<'a> Shown<'a> {
    /// None where the results hold nothing of the twins.
    pub fn of(results: &'a Results) -> Option<Self> {
        let all = || findings(results, MODULE);
        let rate_hz = all().map(|finding| finding.rate_hz).next()?;
        let findings = all().filter(|finding| finding.rate_hz == rate_hz).collect();
        Some(Self { rate_hz, findings })
    }

    fn fs(&self) -> f64 {
        f64::from(self.rate_hz)
    }

    fn cases(&self, kind: Kind, twin: Twin) -> impl Iterator<Item = &'a Case> {
        let own = self.findings.iter().filter(move |f| f.kind == kind && f.twin == Some(twin));
        own.flat_map(|finding| &finding.cases)
    }

    fn note(&self, what: &str) -> String {
        format!("{what}; rate {} kHz", crate::khz(self.rate_hz))
    }

    fn name(what: &str) -> String {
        format!("{what}-{MODULE}")
    }

    /// Settings with their residual, those first whose twins lie furthest apart with the pitch in
    /// common or on its own; those without any difference are left out.
    pub fn loudest(&self) -> Vec<(&'a str, f64)> {
        let mut levels: Vec<(&str, f64)> = Vec::new();
        for case in self.cases(Kind::Residual, Twin::Fixed) {
            let (Some(name), Some(level)) = (case.setting.as_deref(), case.value) else { continue };
            if level.is_finite() && levels.iter().all(|(have, _)| *have != name) {
                levels.push((name, level));
            }
        }
        let pitch = |setting: &str| {
            let place = format!("{setting}, {}", Stage::Pitch.name());
            let mut stages = self.cases(Kind::Stages, Twin::Fixed);
            stages.find(|case| case.setting.as_deref() == Some(&place)).and_then(|case| case.value)
        };
        let apart = |(setting, residual): &(&str, f64)| {
            pitch(setting).map_or(*residual, |pitch| pitch.max(*residual))
        };
        levels.sort_by(|a, b| apart(b).total_cmp(&apart(a)));
        levels
    }

    /// Plays the phrase stage by stage, as the readings `residual` and `lag` do.
    pub fn play(&self, setting: &str) -> Result<Apart, BenchError> {
        let settings = match Preset::named(setting) {
            Ok(preset) => preset.settings,
            Err(_) => parsed(MODULE, setting)?,
        };
        let float = Stages::all(Twin::Float);
        let sides = [Stages::all(Twin::Fixed), float.with(Stage::Pitch, Twin::Fixed), float];
        let played = sides.map(|stages| wire(self.rate_hz, &settings, stages));
        let [fixed, common, own] = played;
        Ok(Apart { fixed: fixed?, common: common?, own: own? })
    }

    fn rows(&self) -> Vec<Row<'a>> {
        let mut rows: Vec<Row<'a>> = Vec::new();
        for case in self.cases(Kind::Stages, Twin::Fixed) {
            // "foghorn, filter".
            let place = case.setting.as_deref().and_then(|text| text.rsplit_once(", "));
            let (Some((name, stage)), Some(level)) = (place, case.value) else { continue };
            let Some(stage) = Stage::ALL.iter().position(|it| it.name() == stage) else { continue };
            match rows.iter_mut().find(|row| row.name == name) {
                Some(row) => row.stages.push((stage, level)),
                None => rows.push(Row { name, stages: vec![(stage, level)], residual: None }),
            }
        }
        for row in &mut rows {
            let own = |case: &&Case| case.setting.as_deref() == Some(row.name);
            let own = self.cases(Kind::Residual, Twin::Fixed).find(own);
            row.residual = own.and_then(|case| case.value);
        }
        rows
    }

    /// A row per setting: what every stage alone adds, against all of them and against 16 bits.
    fn stages(&self) -> Option<Draft> {
        /// Width of the place of what has no level, dB.
        const NOWHERE_DB: f64 = 20.0;
        let rows = self.rows();
        let all = rows.len();
        let rows = &rows[..all.min(MOST_ROWS)];
        let levels = || rows.iter().flat_map(|row| row.stages.iter().map(|(_, level)| *level));
        let levels = || levels().chain(rows.iter().filter_map(|row| row.residual));
        levels().next()?;
        let rounding = rounding_dbfs();
        let seen = || levels().filter(|level| level.is_finite()).chain([rounding]);
        let least = 10.0 * (seen().fold(rounding, f64::min) / 10.0).floor() - 5.0;
        let most = 10.0 * (seen().fold(rounding, f64::max) / 10.0).ceil() + 5.0;
        let nowhere = least - NOWHERE_DB;
        // One below the other in a row, so that levels that agree stay apart.
        let y = |row: usize, part: f64| row as f64 + 1.34 - 0.68 * part;
        let part = |stage: usize| stage as f64 / (Stage::ALL.len() - 1) as f64;
        let x = |level: f64, part: f64| match level.is_finite() {
            true => level,
            false => nowhere + NOWHERE_DB * (0.1 + 0.8 * part),
        };
        let (bottom, top) = (0.4, rows.len() as f64 + 0.6);
        let mut chart = Chart::new(
            "What each fixed stage alone adds to a float voice: tideorgan",
            Axis::linear("Difference, rms", "dBFS").range(nowhere, most),
            Axis::linear("Setting", "").range(bottom, top),
        )
        .with(Series::band("no sample differs", &[(nowhere, bottom, top), (least, bottom, top)]))
        .mark(Mark::vertical(rounding, format!("rounding to 16 bits {}", figure(rounding))));
        for (row, it) in rows.iter().enumerate() {
            chart = chart.mark(Mark::horizontal(y(row, 0.5), it.name));
        }
        for (stage, (marker, ink)) in STAGES.into_iter().enumerate() {
            let place = |(row, it): (usize, &Row<'_>)| {
                let own = it.stages.iter().find(|(own, _)| *own == stage);
                own.map(|(_, level)| (x(*level, part(stage)), y(row, part(stage))))
            };
            let points: Vec<_> = rows.iter().enumerate().filter_map(place).collect();
            if !points.is_empty() {
                let name = match Stage::ALL[stage] {
                    Stage::Output => "output, behind it".to_owned(),
                    before => before.name().to_owned(),
                };
                chart = chart.with(Series::markers(name, points, marker).ink(ink));
            }
        }
        let mut name = "all stages but the pitch";
        for (row, it) in rows.iter().enumerate() {
            let Some(level) = it.residual else { continue };
            let points = [0.0, 1.0].map(|part| (x(level, 0.5), y(row, part))).to_vec();
            chart = chart.with(Series::new(name, points, thin(Dash::Solid, 3.0)).ink(Ink::Grey));
            name = "";
        }
        let loudest = rows.iter().filter_map(|row| row.stages.iter().max_by(by_level));
        let mut counts = [0; Stage::ALL.len()];
        loudest.filter(|it| it.1.is_finite()).for_each(|(stage, _)| counts[*stage] += 1);
        let (often, count) = counts.iter().enumerate().max_by_key(|it| *it.1)?;
        let often = Stage::ALL[often].name();
        let residual = rows.iter().filter_map(|row| row.residual).fold(f64::NEG_INFINITY, f64::max);
        let together = match residual.is_finite() {
            true => format!("; all but the pitch together at most {} dBFS", figure(residual)),
            false => String::new(),
        };
        let most = match count {
            0 => "no stage adds anything".to_owned(),
            _ => format!("{often} adds most in {count} of {}", rows.len()),
        };
        chart = chart.note(self.note(&format!("{most}{together}{}", cut(rows.len(), all))));
        let strongest: Vec<String> = rows
            .iter()
            .filter_map(|row| {
                let (stage, level) = row.stages.iter().max_by(by_level)?;
                let level = match level.is_finite() {
                    true => format!("{level:.1} dBFS"),
                    false => "no difference".to_owned(),
                };
                Some(format!("{} {} {level}", row.name, Stage::ALL[*stage].name()))
            })
            .collect();
        let alt = format!(
            "Level of what each fixed stage of tideorgan alone adds to a float voice, a row per \
             setting, with that of all stages but the pitch and with the rounding to 16 bits at \
             {rounding:.1} dBFS; strongest stages: {}.",
            strongest.join(", ")
        );
        let height = AROUND_ROWS + ROW * (rows.len() as u32).max(LEAST_ROWS);
        Some(Draft::chart(Self::name("stages"), alt, chart).height(height))
    }

    /// Every key of both twins against equal temperament, with the limits of both.
    fn tuning(&self) -> Option<Draft> {
        let axis = Axis::linear("Deviation", "cents");
        let mut keys: Vec<f64> = Vec::new();
        let mut series = Vec::new();
        let mut worst = Vec::new();
        for (twin, ink, marker, dash) in [
            (Twin::Float, Ink::Blue, Marker::open(Outline::Circle).size(7.0), Dash::Dashed),
            (Twin::Fixed, Ink::Rust, Marker::open(Outline::Cross), Dash::Dotted),
        ] {
            let name = twin.name();
            let mut edges: Vec<(f64, f64)> = Vec::new();
            let mut points: Vec<(f64, f64)> = Vec::new();
            for case in self.cases(Kind::Pitch, twin) {
                let Some(key) = case.key.map(f64::from) else { continue };
                keys.push(key);
                points.extend(case.value.map(|cents| (key, cents)));
                // Several settings have the same limits.
                let new = edges.iter().all(|(have, _)| *have != key);
                edges.extend(case.limit.filter(|_| new).map(|limit| (key, limit)));
            }
            let most = points.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
            if let Some((key, cents)) = most {
                let key = key_name(*key as u8);
                worst.push(format!("{name} {} cents at {key}", signed(*cents)));
            }
            let below = edges.iter().map(|(key, limit)| (*key, -limit)).collect();
            for (edge, name) in [(edges, format!("{name} limit")), (below, String::new())] {
                if !edge.is_empty() {
                    series.push(Series::new(name, edge, thin(dash, 1.5)).ink(ink));
                }
            }
            if !points.is_empty() {
                series.push(Series::markers(format!("{name} twin"), points, marker).ink(ink));
            }
        }
        if worst.is_empty() {
            return None;
        }
        let worst = worst.join(", ");
        let chart =
            Chart::new("Tuning of the whole voice, key by key: tideorgan", keys_axis(&keys), axis)
                .note(self.note(&format!("furthest off: {worst}; equal temperament, A4 = 440 Hz")));
        let chart = series.into_iter().fold(chart, Chart::with);
        let alt = format!(
            "Deviation in cents of the keys of tideorgan, both twins within their limits or not; \
             furthest off: {worst}."
        );
        Some(Draft::chart(Self::name("tuning"), alt, chart))
    }

    /// How far filter and contours bend the beginning of a note, over keys; what bends far and
    /// what hardly bends on scales of their own.
    fn bending(&self) -> Option<Draft> {
        /// What bends further than this somewhere would flatten all others, cents.
        const FAR_CENTS: f64 = 5.0;
        let (twin, other) = [(Twin::Fixed, Twin::Float), (Twin::Float, Twin::Fixed)]
            .into_iter()
            .find(|(twin, _)| self.cases(Kind::Bending, *twin).any(|case| case.value.is_some()))?;
        let read =
            |case: &'a Case| Some((case.setting.as_deref()?, f64::from(case.key?), case.value?));
        let mut lines: Vec<(&str, Vec<(f64, f64)>)> = Vec::new();
        let mut keys = Vec::new();
        for (name, key, cents) in self.cases(Kind::Bending, twin).filter_map(read) {
            keys.push(key);
            match lines.iter_mut().find(|(have, _)| *have == name) {
                Some((_, points)) => points.push((key, cents)),
                None => lines.push((name, vec![(key, cents)])),
            }
        }
        let size = |points: &[(f64, f64)]| points.iter().map(|p| p.1.abs()).fold(0.0, f64::max);
        keys.sort_by(f64::total_cmp);
        keys.dedup();
        lines.sort_by(|a, b| size(&b.1).total_cmp(&size(&a.1)));
        let all = lines.len();
        lines.truncate(MOST_ROWS);
        let (first, most) = lines.first()?;
        let most = most.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        let own =
            |case: &&Case| case.value == Some(most.1) && case.setting.as_deref() == Some(*first);
        let doubt = self.cases(Kind::Bending, twin).find(own).map_or(0.0, |case| case.uncertainty);
        let far = lines.partition_point(|(_, points)| size(points) > FAR_CENTS);
        let pairs =
            self.cases(Kind::Bending, other).filter_map(read).filter_map(|(name, key, cents)| {
                let (_, points) = lines.iter().find(|(have, _)| *have == name)?;
                let (_, own) = points.iter().find(|(have, _)| *have == key)?;
                Some((own - cents).abs())
            });
        let agree = match pairs.reduce(f64::max) {
            Some(apart) => format!("; the twins agree to {apart:.1e} cents"),
            None => String::new(),
        };
        let mut sheet = Sheet::new("How far beginnings of notes are bent, by preset: tideorgan");
        sheet.note = self.note(&format!(
            "furthest: {first}, {} ± {doubt:.2} cents at {}{agree}{}; {} twin, read at {} keys",
            signed(most.1),
            key_name(most.0 as u8),
            cut(lines.len(), all),
            twin.name(),
            keys.len()
        ));
        let parts = [
            (format!("More than {FAR_CENTS} cents somewhere"), &lines[..far]),
            (format!("{FAR_CENTS} cents at most"), &lines[far..]),
        ];
        let mut drawn = 0;
        for (title, lines) in parts {
            if lines.is_empty() {
                continue;
            }
            let axis = Axis::linear("Bending", "cents");
            let chart = Chart::new(title, keys_axis(&keys), axis).legend(Legend::LineEnds);
            let chart = lines.iter().enumerate().fold(chart, |chart, (index, (name, points))| {
                let style = Style::Line(Line::distinct(index));
                chart.with(Series::new(*name, points.clone(), style))
            });
            sheet = sheet.with(chart, 1.0);
            drawn += 1;
        }
        let told: Vec<String> =
            lines.iter().map(|(name, points)| format!("{name} {:.2}", size(points))).collect();
        let alt = format!(
            "Pitch of the beginning of a note less that of its key against key, a line per setting \
             of tideorgan; largest size in cents: {}.",
            told.join(", ")
        );
        let draft = Draft::sheet(Self::name("bending"), alt, sheet);
        Some(if drawn > 1 { draft.height(TALL) } else { draft })
    }

    /// Voice and difference over time and over frequency, of the setting furthest apart.
    fn apart(&self) -> Result<Vec<Draft>, Error> {
        let Some(&(setting, residual)) = self.loudest().first() else { return Ok(Vec::new()) };
        let played = self.play(setting)?;
        let less = |other: &[f64]| -> Vec<f64> {
            played.fixed.iter().zip(other).map(|(y, x)| y - x).collect()
        };
        let sides = [
            ("fixed twin", played.fixed.clone(), Ink::Black, thin(Dash::Solid, 2.0)),
            ("difference, pitch each its own", less(&played.own), Ink::Sky, thin(Dash::Solid, 4.0)),
            (
                "difference, pitch in common",
                less(&played.common),
                Ink::Rust,
                thin(Dash::Dashed, 1.75),
            ),
        ];
        let levels = sides.each_ref().map(|(_, samples, ..)| dbfs(samples));
        let [_, own, _] = levels;
        let found = format!(
            "{setting}, furthest apart: {} dBFS with the pitch in common, {} with each its own",
            figure(residual),
            figure(own)
        );
        let title = |over: &str| format!("Twins apart over {over}, before the output: tideorgan");
        let level = || Axis::linear("Level, rms", "dBFS");
        let rounding = rounding_dbfs();

        let window = (WINDOW_S * self.fs()).round().max(1.0) as usize;
        let seconds = |sample: usize| sample as f64 / self.fs();
        let score = phrase(self.rate_hz);
        let time = Axis::linear("Time", "s").range(0.0, seconds(score.length));
        let mut over_time = Chart::new(title("time"), time, level())
            .note(self.note(&format!("{found}; windows of {:.0} ms", 1e3 * WINDOW_S)))
            .mark(Mark::horizontal(rounding, "16 bits"));
        for (sample, event) in score.effective() {
            over_time = over_time.mark(Mark::vertical(seconds(sample), what(event)));
        }
        let band = |n: i32| 1e3 * 10_f64.powf(f64::from(n) / 10.0);
        let top = |n: i32| 1e3 * 10_f64.powf((f64::from(n) + 0.5) / 10.0);
        let bands: Vec<i32> = BANDS.filter(|n| top(*n) < 0.5 * self.fs()).collect();
        let ends = [bands.first(), bands.last()].map(|n| n.copied().unwrap_or_default());
        let axis = Axis::log10("Frequency", "Hz").range(top(ends[0] - 1), top(ends[1]));
        let white = |n: i32| {
            let share = (top(n) - top(n - 1)) / (0.5 * self.fs());
            (band(n), rounding + power_db(share))
        };
        let white = bands.iter().map(|n| white(*n)).collect();
        let mut over_frequency = Chart::new(title("frequency"), axis, level())
            .note(self.note(&format!("{found}; third octaves")))
            .with(
                Series::new("rounding to 16 bits", white, thin(Dash::Dotted, 1.75)).ink(Ink::Grey),
            );
        let mut analyser =
            Coherent::new(score.length).map_err(BenchError::measuring("a phrase"))?;
        for (name, samples, ink, style) in sides {
            let points = samples
                .chunks_exact(window)
                .enumerate()
                .map(|(n, part)| (seconds(n * window + window / 2), dbfs(part)))
                .collect();
            over_time = over_time.with(Series::new(name, points, style.clone()).ink(ink));
            let spectrum = analyser.analyse(&samples).map_err(BenchError::measuring("a phrase"))?;
            let bins = spectrum.bins();
            let bin = |hz: f64| (hz / self.fs() * score.length as f64).ceil() as usize;
            let points = bands
                .iter()
                .map(|&n| {
                    let own = &bins[bin(top(n - 1)).min(bins.len())..bin(top(n)).min(bins.len())];
                    // Re a sine at full scale, of power 1/2.
                    (band(n), power_db(own.iter().map(|line| line.norm_sqr()).sum()))
                })
                .collect();
            over_frequency = over_frequency.with(Series::new(name, points, style).ink(ink));
        }
        let [voice, own, common] = levels.map(figure);
        let told = format!(
            "the fixed twin {voice} dBFS, the difference {common} with the pitch in common and \
             {own} with each its own"
        );
        let alts = [
            format!(
                "Level of the fixed twin of tideorgan, {setting}, and of its difference from the \
                 float twin in windows of 20 ms of the phrase, with its events; over the whole: {told}."
            ),
            format!(
                "Third-octave levels of the fixed twin of tideorgan, {setting}, and of its \
                 difference from the float twin, with the rounding to 16 bits; over the whole: {told}."
            ),
        ];
        let [time, frequency] = alts;
        Ok(vec![
            Draft::chart(Self::name("apart-time"), time, over_time),
            Draft::chart(Self::name("apart-frequency"), frequency, over_frequency),
        ])
    }
}

/// Window of a level over time, s.
const WINDOW_S: f64 = 0.02;
/// Third octaves by the number of tenths of a decade from 1 kHz: 25 Hz to 20 kHz.
const BANDS: std::ops::RangeInclusive<i32> = -16..=13;

/// What stages hand to the output while they play the phrase.
fn wire(rate_hz: u32, settings: &Settings, stages: Stages) -> Result<Vec<f64>, BenchError> {
    let mut played = StagedVoice::render(&phrase(rate_hz), settings, stages, &[Wire::Amplified])?;
    Ok(played.captures.pop().map(|(_, samples)| samples).unwrap_or_default())
}

/// Rms of the rounding to 16 bits, uniform over a step, re a sine at full scale.
fn rounding_dbfs() -> f64 {
    power_db(2.0 * BUSY_ERROR_POWER / (STEPS * STEPS))
}

/// Rms re a sine at full scale; -inf for silence and for what is no sound at all.
fn dbfs(samples: &[f64]) -> f64 {
    Level::of(samples).map_or(f64::NEG_INFINITY, |level| level.dbfs())
}

/// The larger level of two stages.
fn by_level(a: &&(usize, f64), b: &&(usize, f64)) -> std::cmp::Ordering {
    a.1.total_cmp(&b.1)
}

/// "; 24 of 30 settings" where some are left out.
fn cut(kept: usize, all: usize) -> String {
    if kept < all { format!("; {kept} of {all} settings") } else { String::new() }
}

/// A level to a tenth with a true minus sign; one that is none in words.
fn figure(level: f64) -> String {
    if level.is_finite() {
        format!("{level:.1}").replace('-', "\u{2212}")
    } else {
        "nothing".to_owned()
    }
}

/// Cents with their sign, as many digits as they deserve.
fn signed(cents: f64) -> String {
    let text = if cents.abs() < 0.01 { format!("{cents:+.1e}") } else { format!("{cents:+.2}") };
    text.replace('-', "\u{2212}")
}

/// An axis from the first key to the last.
fn keys_axis(keys: &[f64]) -> Axis {
    let axis = Axis::keys("Key");
    let low = keys.iter().copied().fold(f64::INFINITY, f64::min);
    let high = keys.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if low < high { axis.range(low, high) } else { axis }
}

/// An event in a word or two.
fn what(event: Event) -> String {
    match event {
        Event::Down { key } => key_name(key),
        Event::Up { key } => format!("{} up", key_name(key)),
        Event::Bend { .. } => "wheel".to_owned(),
        Event::Level { .. } => "level".to_owned(),
        Event::Cutoff { .. } => "cutoff".to_owned(),
    }
}

/// A sine 60 dB down behind the output stage, without and with dither: every line, and the
/// harmonics on their closed form.
fn rounded_sine(rate_hz: u32) -> Result<Draft, Error> {
    const SAMPLES: usize = 1 << 18;
    const HZ: f64 = 997.0;
    const AMPLITUDE: f64 = 1e-3;
    const HARMONICS: u32 = 15;
    const BAND_HZ: std::ops::RangeInclusive<f64> = 20.0..=20_000.0;
    /// Lines in a pixel column.
    const EACH: usize = 256;
    let fs = f64::from(rate_hz);
    let measuring = || BenchError::measuring(output::ENTRY.name);
    let tone = Tone::nearest(HZ, fs, SAMPLES).map_err(measuring())?;
    let mut analyser = Coherent::new(SAMPLES).map_err(measuring())?;
    let closed = RoundedSine::new(AMPLITUDE * STEPS).map_err(BenchError::from)?;
    let khz = |bin: usize| 1e-3 * fs * bin as f64 / SAMPLES as f64;
    let mut sheet = Sheet::new("What dither does to the harmonics of 16 bits: output");
    let mut told = Vec::new();
    for (word, title) in [("off", "Without dither"), ("on", "With dither")] {
        let settings = Settings::parse(output::ENTRY.name, &format!("dither={word}"))?;
        let mut stage = settings.lend(output::Float::new).map_err(BenchError::from)?;
        let sine = |n| AMPLITUDE * (TAU * tone.turns(n)).sin();
        let rounded: Vec<f64> =
            (0..SAMPLES).map(|n| f64::from(stage.tick(sine(n) as f32)) / STEPS).collect();
        let spectrum = analyser.analyse(&rounded).map_err(measuring())?;
        let lines: Vec<f64> = spectrum.bins().iter().map(|line| line.norm()).collect();
        let own = tone.fold(1);
        let mut columns = Vec::new();
        for (column, part) in lines.chunks(EACH).enumerate() {
            let most = part.iter().copied().fold(0.0, f64::max);
            columns.push((khz(column * EACH + part.len() / 2), db(most)));
        }
        let harmonics: Vec<(f64, f64)> = (1..=HARMONICS)
            .map(|order| tone.fold(order.into()))
            .map(|bin| (khz(bin), db(lines[bin])))
            .collect();
        let band = |bin: &usize| BAND_HZ.contains(&(1e3 * khz(*bin))) && *bin != own;
        let floor: f64 = (1..SAMPLES / 2).filter(band).map(|bin| lines[bin] * lines[bin]).sum();
        let strongest = harmonics[1..].iter().map(|it| it.1).fold(f64::NEG_INFINITY, f64::max);
        let others = lines.iter().enumerate().skip(1).filter(|(bin, _)| *bin != own);
        let line = others.map(|(_, line)| *line).fold(0.0, f64::max);
        told.push(format!(
            "{} harmonics up to {} dBc, lines up to {} dBFS, audio band {} dBFS",
            title.to_lowercase(),
            figure(strongest - harmonics[0].1),
            figure(db(line)),
            figure(power_db(floor))
        ));
        let axis = Axis::linear("Frequency", "kHz").range(0.0, 5e-4 * fs);
        let mut chart = Chart::new(title, axis, Axis::linear("Level", "dBFS").range(-160.0, -50.0))
            .with(
                Series::new("strongest of 256 lines", columns, thin(Dash::Solid, 1.0))
                    .ink(Ink::Grey),
            )
            .with(
                Series::stems(
                    "sine and harmonics to the fifteenth",
                    harmonics,
                    -160.0,
                    Some(Marker::filled(Outline::Circle).size(6.0)),
                )
                .ink(Ink::Blue),
            );
        if word == "off" {
            let crosses = (1..=HARMONICS)
                .step_by(2)
                .map(|order| {
                    (khz(tone.fold(order.into())), db(closed.harmonic(order).abs() / STEPS))
                })
                .collect();
            chart = chart.with(
                Series::markers("closed form", crosses, Marker::open(Outline::Cross).size(11.0))
                    .ink(Ink::Rust),
            );
        }
        sheet = sheet.with(chart, 1.0);
    }
    sheet.note = format!("{}; float twin; rate {} kHz", told.join("; "), crate::khz(rate_hz));
    let alt = format!(
        "Spectrum of a sine of {:.0} Hz at -60 dBFS behind the float twin of the output stage: {}.",
        tone.hz(fs),
        told.join("; ")
    );
    Ok(Draft::sheet("spectrum-output", alt, sheet).height(TALL))
}
