//! Plots of control modules: contours, glide, low-frequency oscillators and laws.
//!
//! Float and fixed twins differ a hundredfold, so deviations are shown by size on a logarithmic
//! scale: the peak of every pixel column, against the bounds that the bench derives.

use plumbtone::Error as BenchError;
use plumbtone::expect::controls::{Ideal, Part, exercise};
use plumbtone::expect::laws::{Exact, HeldSine, Scale};
use plumbtone::law::{CodeLaw, LawTwin, codes};
use plumbtone::measure::db;
use plumbtone::script::{ContourTwin, Controller};
use plumbtone::vibrato::{self, demodulated};
use plumbtone::voice::contours::{glide, lfo};
use plumbtone::voice::control::{self, depth, update};
use plumbtone::{Results, Script, Settings, Twin};
use plumbtone_plot::{
    Axis, Chart, Dash, Ink, Legend, Line, Mark, Marker, Series, Shape as Outline, Sheet, Style,
};
use rayon::prelude::*;

use super::Draft;
use crate::Error;

/// Height of a sheet of two or three charts, px.
const TALL: u32 = 720;
/// The twins that are drawn, with their inks.
const TWINS: [(Twin, Ink); 2] = [(Twin::Float, Ink::Blue), (Twin::Fixed, Ink::Rust)];
/// Cents per octave.
const OCTAVE: f64 = 1200.0;
/// Points of a curve whose every pixel column is one peak: about the width of the plot area.
const COLUMNS: usize = 720;

/// The plots of control modules that the results give reason for.
pub(super) fn drafts(results: &Results) -> Result<Vec<Draft>, Error> {
    let of = |module| Shown::of(results, module);
    let mut drafts = Vec::new();
    if let Some(shown) = of("adsr")? {
        drafts.push(contour(&shown)?.of(shown.module));
        drafts.extend(decay_line(&shown)?.map(|draft| draft.of(shown.module)));
    }
    if let Some(shown) = of("multistage")? {
        drafts.push(contour(&shown)?.of(shown.module));
    }
    if let Some(shown) = of("glide")? {
        drafts.push(glides(&shown)?.of(shown.module));
    }
    if let Some(shown) = of("lfo")? {
        drafts.push(waves(&shown)?.of(shown.module));
    }
    if let Some(shown) = of("pitch")? {
        for settings in shown.converters()? {
            drafts.push(law_pitch(&shown, settings)?.of(shown.module));
        }
    }
    if let Some(shown) = of("depth")? {
        drafts.extend(depths(&shown)?.map(|draft| draft.of(shown.module)));
    }
    if let Some(shown) = of("update")? {
        drafts.extend(images(&shown)?.map(|draft| draft.of(shown.module)));
    }
    Ok(drafts)
}

/// A control module of the results: one rate, and every setting measured there.
pub(crate) struct Shown {
    pub module: &'static str,
    pub rate_hz: u32,
    /// In the order of the results, never empty.
    pub settings: Vec<Settings>,
}

impl Shown {
    /// None where the results hold nothing of the module's twins.
    pub fn of(results: &Results, module: &'static str) -> Result<Option<Self>, BenchError> {
        let own = || results.findings.iter().filter(|f| f.subject == module && f.twin.is_some());
        let Some(rate_hz) = own().map(|finding| finding.rate_hz).next() else { return Ok(None) };
        let mut texts: Vec<&str> = Vec::new();
        for finding in own().filter(|finding| finding.rate_hz == rate_hz) {
            let given = finding.cases.iter().filter_map(|case| case.setting.as_deref());
            for text in given {
                if !texts.contains(&text) {
                    texts.push(text);
                }
            }
        }
        let settings: Result<Vec<_>, _> =
            texts.into_iter().map(|text| parsed(module, text)).collect();
        let settings = settings?;
        Ok((!settings.is_empty()).then_some(Self { module, rate_hz, settings }))
    }

    /// What a twin of a contour makes of a script.
    pub fn render(&self, twin: Twin, script: &Script) -> Result<Vec<f64>, BenchError> {
        let mut samples = vec![0.0; script.length];
        ContourTwin::named(self.module, twin)?.render(script, &mut samples)?;
        Ok(samples)
    }

    /// What a twin of a law makes of codes.
    fn read(&self, twin: Twin, settings: &Settings, codes: &[u32]) -> Result<Vec<f64>, BenchError> {
        let mut figures = vec![0.0; codes.len()];
        LawTwin::named(self.module, twin)?.read(self.rate_hz, settings, codes, &mut figures)?;
        Ok(figures)
    }

    fn seconds(&self, sample: usize) -> f64 {
        sample as f64 / f64::from(self.rate_hz)
    }

    fn note(&self, what: &str) -> String {
        format!("{what}; rate {} kHz", crate::khz(self.rate_hz))
    }

    /// The setting whose stages can be seen side by side: the first in which each takes up a
    /// twentieth of the exercise, or else the one that comes nearest to that.
    fn evenest(&self) -> Result<(&Settings, Script, Ideal), BenchError> {
        const ENOUGH: f64 = 0.05;
        let mut best: Option<(f64, _)> = None;
        for settings in &self.settings {
            let script = exercise(self.module, settings, self.rate_hz)?;
            let ideal = Ideal::new(self.module, &script)?;
            let complete = ideal.parts.iter().filter(|part| part.complete && part.tau.is_some());
            // Straight stages alone show nothing of a closed form.
            let share = complete
                .map(|part| (part.end - part.start) as f64 / script.length as f64)
                .reduce(f64::min)
                .map_or(0.0, |share| share.min(ENOUGH));
            if best.as_ref().is_none_or(|(most, _)| share > *most) {
                best = Some((share, (settings, script, ideal)));
            }
        }
        best.map(|(_, found)| found)
            .ok_or_else(|| BenchError::Request(format!("no settings of {}", self.module)))
    }

    /// The first setting with a converter of 12 bits and of 16; of any if there is neither.
    fn converters(&self) -> Result<Vec<&Settings>, BenchError> {
        let mut found = Vec::new();
        for bits in [12.0, 16.0] {
            for settings in &self.settings {
                if settings.value(&control::BITS)? == bits {
                    found.push(settings);
                    break;
                }
            }
        }
        Ok(if found.is_empty() { self.settings.iter().take(1).collect() } else { found })
    }
}

/// Settings as results print them.
pub(super) fn parsed(module: &str, text: &str) -> Result<Settings, BenchError> {
    if text == Settings::new().to_string() {
        return Ok(Settings::new());
    }
    Settings::parse(module, text)
}

/// The largest size in every pixel column of a curve; columns that are exactly right drop out.
fn peaks(sizes: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let each = sizes.len().div_ceil(COLUMNS).max(1);
    let peak = |column: &[(f64, f64)]| {
        let size = column.iter().map(|(_, y)| y.abs()).fold(0.0, f64::max);
        (column[column.len() / 2].0, size)
    };
    sizes.chunks(each).map(peak).collect()
}

pub(super) fn thin(dash: Dash, thickness: f64) -> Style {
    Style::Line(Line { dash, thickness, marker: None })
}

/// Level over time on its closed form, and below it how far both twins are off.
fn contour(shown: &Shown) -> Result<Draft, Error> {
    let (settings, script, ideal) = shown.evenest()?;
    let at = |sample: usize| shown.seconds(sample);
    // Of the last rest only so much that it can be seen as such.
    let last = ideal.parts.last().map_or(script.length, |part| part.start);
    let until = script.length.min(last + last / 20 + 1);
    let time = || Axis::linear("Time", "s").range(0.0, at(until));
    let trace = |levels: &[f64]| -> Vec<(f64, f64)> {
        levels[..until].iter().enumerate().map(|(n, &level)| (at(n), level)).collect()
    };
    let mut lower = Chart::new("Twin minus closed form", time(), Axis::log10("Size", "full scale"))
        .legend(Legend::LineEnds);
    let mut upper = Chart::new("", time(), Axis::linear("Level", ""));
    for (twin, ink) in TWINS {
        let samples = shown.render(twin, &script)?;
        if twin == Twin::Fixed {
            let line = thin(Dash::Solid, 4.0);
            upper = upper.with(Series::new("fixed twin", trace(&samples), line).ink(Ink::Sky));
        }
        let apart: Vec<f64> = samples.iter().zip(&ideal.levels).map(|(y, x)| y - x).collect();
        let bound = format!("{} bound", twin.name());
        lower = lower
            .with(Series::new(twin.name(), peaks(&trace(&apart)), thin(Dash::Solid, 1.25)).ink(ink))
            .mark(Mark::horizontal(ideal.bound(twin), bound));
    }
    // The rest before the first key is no stage.
    let ends: Vec<&Part> = ideal
        .parts
        .iter()
        .filter(|part| part.start > 0 && part.end > part.start && part.end < script.length)
        .collect();
    let crosses = ends.iter().map(|part| (at(part.end), ideal.levels[part.end])).collect();
    upper = upper
        .with(
            Series::new("closed form", trace(&ideal.levels), thin(Dash::Solid, 1.0))
                .ink(Ink::Black),
        )
        .with(
            Series::markers("ends of stages", crosses, Marker::open(Outline::Cross).size(11.0))
                .ink(Ink::Rust),
        );
    let names: Vec<&str> = ends.iter().map(|part| part.name.as_str()).collect();
    for (at, label) in labels(&ideal.parts, at) {
        upper = upper.mark(Mark::vertical(at, label));
    }
    let mut sheet = Sheet::new(format!("Contour and closed form: {}", shown.module));
    sheet.note = shown.note(&settings.to_string());
    let alt = format!(
        "Level of {} over {:.2} s on its closed form, with the ends of {}; below it the deviation \
         of the float and of the fixed twin with their derived bounds of {:.1e} and {:.1e}.",
        shown.module,
        at(until),
        names.join(", "),
        ideal.bound(Twin::Float),
        ideal.bound(Twin::Fixed),
    );
    let name = format!("contour-{}", shown.module);
    Ok(Draft::sheet(name, alt, sheet.with(upper, 3.0).with(lower, 2.5)).height(TALL))
}

/// Where stages begin, named where they first do; names that would not fit side by side are cut to
/// their numbers.
fn labels(parts: &[Part], at: impl Fn(usize) -> f64) -> Vec<(f64, String)> {
    const MOST_NAMES: usize = 9;
    let mut named: Vec<&str> = Vec::new();
    let mut labels = Vec::new();
    for part in parts.iter().filter(|part| part.end > part.start && part.start > 0) {
        let name = if named.contains(&part.name.as_str()) { "" } else { &part.name };
        named.push(&part.name);
        labels.push((at(part.start), name.to_owned()));
    }
    if labels.iter().filter(|(_, name)| !name.is_empty()).count() > MOST_NAMES {
        for (_, name) in &mut labels {
            if let Some(number) = name.strip_prefix("stage ") {
                *name = number.to_owned();
            }
        }
    }
    labels
}

/// The release in dB on its straight line, and how far both twins are from it.
fn decay_line(shown: &Shown) -> Result<Option<Draft>, Error> {
    let (settings, script, ideal) = shown.evenest()?;
    let release = ideal.parts.iter().rfind(|part| part.settles && part.end > part.start);
    let Some((release, tau)) = release.and_then(|part| Some((part, part.tau?))) else {
        return Ok(None);
    };
    let at = |n: usize| shown.seconds(n);
    // The last sample goes to nothing, which has no level.
    let line: Vec<f64> = ideal.levels[release.start..release.end]
        .iter()
        .copied()
        .take_while(|level| *level > 0.0)
        .collect();
    if line.len() < 2 {
        return Ok(None);
    }
    let trace = |levels: &mut dyn Iterator<Item = f64>| -> Vec<(f64, f64)> {
        levels.enumerate().map(|(n, y)| (at(n), y)).collect()
    };
    let time = || Axis::linear("Time since the key was let go", "s").range(0.0, at(line.len() - 1));
    let mut upper = Chart::new("", time(), Axis::linear("Level", "dB re full scale"));
    let mut lower =
        Chart::new("Distance from the straight line", time(), Axis::log10("Size", "dB"))
            .legend(Legend::LineEnds);
    for (twin, ink) in TWINS {
        let samples = shown.render(twin, &script)?;
        let own = || samples[release.start..].iter().zip(&line);
        if twin == Twin::Fixed {
            let levels = trace(&mut own().map(|(level, _)| db(*level)));
            upper =
                upper.with(Series::new("fixed twin", levels, thin(Dash::Solid, 4.0)).ink(Ink::Sky));
        }
        let apart = trace(&mut own().map(|(level, exact)| db(level / exact)));
        let bound = |(n, &level): (usize, &f64)| ideal.decay_bound_db(twin, tau, n, level);
        let bounds = peaks(&trace(&mut line.iter().enumerate().map(bound)));
        let name = format!("{} bound", twin.name());
        lower = lower
            .with(Series::new(twin.name(), peaks(&apart), thin(Dash::Solid, 1.25)).ink(ink))
            .with(Series::new(name, bounds, thin(Dash::Dashed, 1.25)).ink(ink));
    }
    let ends = [0, line.len() - 1].map(|n| (at(n), db(line[n])));
    upper = upper
        .with(Series::new("straight line", ends.to_vec(), thin(Dash::Solid, 1.0)).ink(Ink::Black));
    let mut sheet = Sheet::new("Release in dB: adsr");
    sheet.note = shown.note(&settings.to_string());
    let alt = format!(
        "The release of adsr falls along a straight line from {:.0} to {:.0} dB within {:.2} s; \
         below it the distance of the float and of the fixed twin from that line, with their bounds.",
        ends[0].1, ends[1].1, ends[1].0
    );
    let sheet = sheet.with(upper, 3.0).with(lower, 2.5);
    Ok(Some(Draft::sheet("decay-line", alt, sheet).height(TALL)))
}

/// How near to its target a glide is over, octaves: one cent.
const CENT: f64 = 1.0 / OCTAVE;
/// Samples around the end of an exponential glide that are left out, as in the reading.
const LANDING: usize = 2;

/// An octave up in every mode of the results, and the deviation of both twins below.
fn glides(shown: &Shown) -> Result<Draft, Error> {
    // Ten milliseconds of rest before the key.
    let lead = (shown.rate_hz / 100) as usize;
    let words = glide::MODE.choices;
    let mut modes: Vec<(usize, &Settings, usize)> = Vec::new();
    for settings in &shown.settings {
        let mode = settings.value(&glide::MODE)? as usize;
        if modes.iter().any(|(have, ..)| *have == mode) {
            continue;
        }
        let own = exercise(shown.module, settings, shown.rate_hz)?;
        let levels = Ideal::new(shown.module, &own)?.levels;
        // The second event of the exercise begins an octave up, the third ends the wait for it.
        let (from, to) = match own.events.as_slice() {
            [_, (from, _), (to, _), ..] => (*from, *to),
            _ => (0, own.length),
        };
        let far = levels[from..to].iter().rposition(|level| level.abs() > CENT).unwrap_or(0);
        modes.push((mode, settings, far));
    }
    let longest = modes.iter().map(|(.., far)| *far).max().unwrap_or(0);
    let length = lead + longest + longest / 10 + lead;
    let ms = |n: usize| 1e3 * (n as f64 - lead as f64) / f64::from(shown.rate_hz);
    let time = || Axis::linear("Time since the key", "ms").range(ms(0), ms(length));
    let mut upper =
        Chart::new("", time(), Axis::linear("Pitch from A4", "cents")).legend(Legend::LineEnds);
    let mut lower =
        Chart::new("Twin minus closed form, dashed as above", time(), Axis::log10("Size", "cents"));
    let mut bounds: Vec<(Twin, f64, Vec<&str>)> = Vec::new();
    for (index, (mode, settings, _)) in modes.iter().enumerate() {
        let script = Script::new(shown.rate_hz, (*settings).clone(), length)
            .down(0, -1.0, false)
            .down(lead, 0.0, true);
        let ideal = Ideal::new(shown.module, &script)?;
        let landing = ideal.parts.iter().rfind(|part| part.settles && part.complete);
        let landing = landing.map_or(usize::MAX, |part| part.end);
        let style = Line::distinct(index);
        for (twin, ink) in TWINS {
            let samples = shown.render(twin, &script)?;
            // Where a glide lands, a sample of difference is none of its path.
            let apart: Vec<(f64, f64)> = samples
                .iter()
                .zip(&ideal.levels)
                .enumerate()
                .filter(|(n, _)| n.abs_diff(landing) > LANDING)
                .map(|(n, (y, x))| (ms(n), OCTAVE * (y - x)))
                .collect();
            let name = if index == 0 { twin.name() } else { "" };
            let line = thin(style.dash, 1.25);
            lower = lower.with(Series::new(name, peaks(&apart), line).ink(ink));
            let bound = OCTAVE * ideal.bound(twin);
            let same = |it: &&mut (Twin, f64, Vec<&str>)| {
                it.0 == twin && (it.1 - bound).abs() < 0.05 * bound
            };
            match bounds.iter_mut().find(same) {
                Some((.., names)) => names.push(words[*mode]),
                None => bounds.push((twin, bound, vec![words[*mode]])),
            }
            if twin == Twin::Fixed {
                let path = samples.iter().enumerate().map(|(n, y)| (ms(n), OCTAVE * y)).collect();
                upper = upper.with(Series::new(words[*mode], path, Style::Line(style)));
            }
        }
    }
    for (twin, bound, names) in bounds {
        let whose = if names.len() == modes.len() { "bound".to_owned() } else { names.join(", ") };
        lower = lower.mark(Mark::horizontal(bound, format!("{} {whose}", twin.name())));
    }
    let names: Vec<String> = modes.iter().map(|(_, settings, _)| settings.to_string()).collect();
    let mut sheet = Sheet::new("Glide of an octave, in the pitch domain");
    sheet.note = shown.note(&names.join("; "));
    let alt = format!(
        "Pitch of the fixed twin of glide in cents over an octave up, for {}; below it how far the \
         float and the fixed twin are from the closed form, with their bounds.",
        names.join("; ")
    );
    Ok(Draft::sheet("glide", alt, sheet.with(upper, 3.0).with(lower, 2.5)).height(TALL))
}

pub(super) fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// Cycles of a low-frequency oscillator that are shown: random shapes need some to show at all.
const CYCLES: f64 = 4.0;
/// From one shape to the next, of a swing of 2; every other shape is in the middle of a tick.
const APART: f64 = 2.5;

/// Every shape of the results over its cycles, and below it how one of them fades in.
fn waves(shown: &Shown) -> Result<Draft, Error> {
    let words = lfo::SHAPE.choices;
    let mut shapes: Vec<(usize, &Settings)> = Vec::new();
    // The one that swings most often while it fades in.
    let mut faded: Option<(f64, &Settings)> = None;
    for settings in &shown.settings {
        let shape = settings.value(&lfo::SHAPE)? as usize;
        if shapes.iter().all(|(have, _)| *have != shape) {
            shapes.push((shape, settings));
        }
        let delayed = settings.value(&lfo::DELAY)? > 0.0;
        let turns = settings.value(&lfo::HZ)? * settings.value(&lfo::FADE)?;
        if delayed && turns > faded.map_or(0.0, |(most, _)| most) {
            faded = Some((turns, settings));
        }
    }
    shapes.sort_by_key(|(shape, _)| *shape);
    let mut upper = Chart::new(
        "",
        Axis::linear("Cycles", "").range(0.0, CYCLES),
        Axis::linear(format!("Level, shapes {APART} apart"), ""),
    )
    .legend(Legend::LineEnds);
    let count = shapes.len();
    for (index, (shape, settings)) in shapes.iter().enumerate() {
        let hz = settings.value(&lfo::HZ)?;
        // From power-up at full depth: what delays and fades is shown below.
        let text = settings.to_string();
        let bare: Vec<&str> = text
            .split_whitespace()
            .filter(|word| !word.starts_with("delay=") && !word.starts_with("fade="))
            .collect();
        let bare = parsed(shown.module, &bare.join(" "))?;
        let length = (CYCLES * f64::from(shown.rate_hz) / hz) as usize;
        let samples = shown.render(Twin::Fixed, &Script::new(shown.rate_hz, bare, length))?;
        let raised = APART * (count - 1 - index) as f64;
        let trace =
            samples.iter().enumerate().map(|(n, y)| (hz * shown.seconds(n), y + raised)).collect();
        upper = upper.with(Series::new(words[*shape], trace, thin(Dash::Solid, 1.75)));
    }
    let names: Vec<&str> = shapes.iter().map(|(shape, _)| words[*shape]).collect();
    let mut alt = format!(
        "{CYCLES} cycles of every shape of the fixed twin of lfo, one above the other: {}.",
        names.join(", ")
    );
    let mut sheet = Sheet::new("Shapes of the low-frequency oscillator");
    sheet.note = shown.note("fixed twins");
    let Some((_, settings)) = faded else {
        return Ok(Draft::sheet("lfo", alt, sheet.with(upper, 1.0)));
    };
    let (delay, fade) = (settings.value(&lfo::DELAY)?, settings.value(&lfo::FADE)?);
    let script = exercise(shown.module, settings, shown.rate_hz)?;
    let key = script.events.first().map_or(0, |(sample, _)| *sample);
    let samples = shown.render(Twin::Fixed, &script)?;
    let since = |n: usize| shown.seconds(n) - shown.seconds(key);
    let until = (delay + fade + 2.0 / settings.value(&lfo::HZ)?).min(since(script.length));
    let trace = samples.iter().enumerate().skip(key).map(|(n, y)| (since(n), *y)).collect();
    let ramp = [(0.0, 0.0), (delay, 0.0), (delay + fade, 1.0), (until, 1.0)];
    let gain = |sign: f64| ramp.map(|(x, y)| (x, sign * y)).to_vec();
    let lower = Chart::new(
        "Delay and fade",
        Axis::linear("Time since the key", "s").range(0.0, until),
        Axis::linear("Level", "").range(-1.1, 1.1),
    )
    .with(Series::new("fixed twin", trace, thin(Dash::Solid, 1.75)).ink(Ink::Blue))
    .with(Series::new("gain of the closed form", gain(1.0), thin(Dash::Dashed, 1.0)).ink(Ink::Rust))
    .with(Series::new("", gain(-1.0), thin(Dash::Dashed, 1.0)).ink(Ink::Rust));
    alt += &format!(" Below it the delay of {delay} s and the fade of {fade} s of {settings}.");
    sheet.note = shown.note(&format!("fixed twins; delay and fade: {settings}"));
    Ok(Draft::sheet("lfo", alt, sheet.with(upper, 3.6).with(lower, 2.0)).height(TALL))
}

/// Error in cents over every code of both twins, inside the bounds, with what they consist of.
fn law_pitch(shown: &Shown, settings: &Settings) -> Result<Draft, Error> {
    let bits = settings.value(&control::BITS)?;
    let exact = Exact::new(shown.module, settings, shown.rate_hz)?;
    let codes = codes(shown.module, settings, shown.rate_hz)?;
    let held = codes.iter().position(|&code| exact.held(code)).unwrap_or(codes.len());
    let codes = &codes[..held];
    let last = codes.last().copied().unwrap_or(1).max(1);
    let axis = || Axis::linear("Code", "").range(0.0, f64::from(last));
    let every = codes.len().div_ceil(COLUMNS / 2).max(1);
    let some = || codes.iter().step_by(every).chain(codes.last());
    let mut sheet = Sheet::new(format!("Pitch error over every code: {bits} bits"));
    sheet.note = shown.note(&format!("{settings}; codes below half the sample rate"));
    let mut worst = Vec::new();
    for (twin, ink) in TWINS {
        let figures = shown.read(twin, settings, codes)?;
        let errors: Vec<(f64, f64)> = codes
            .iter()
            .zip(&figures)
            .map(|(&code, &figure)| (f64::from(code), exact.error(figure, code)))
            .collect();
        let edges: Vec<(f64, f64, f64)> = some()
            .map(|&code| {
                let bound = exact.bound(twin, code);
                (f64::from(code), -bound, bound)
            })
            .collect();
        let most = errors.iter().map(|(_, cents)| cents.abs()).fold(0.0, f64::max);
        worst.push(format!("{} {most:.1e}", twin.name()));
        let part = |which: usize| -> Vec<(f64, f64)> {
            some().filter_map(|&code| Some((f64::from(code), exact.parts(code)?[which]))).collect()
        };
        let chart = Chart::new(
            format!("{} twin", capital(twin.name())),
            axis(),
            Axis::linear("Error", "cents"),
        )
        .with(Series::band("bound", &edges))
        .with(Series::new("error", errors, thin(Dash::Solid, 0.75)).ink(ink))
        .with(Series::new("fit", part(1), thin(Dash::Dashed, 1.5)).ink(Ink::Green))
        .with(Series::new("half an increment", part(2), thin(Dash::Dotted, 2.0)).ink(Ink::Black));
        sheet = sheet.with(chart, 1.0);
    }
    let alt = format!(
        "Pitch error of every code of a {bits}-bit converter inside the derived bound, largest \
         size in cents: {}.",
        worst.join(", ")
    );
    Ok(Draft::sheet(format!("law-pitch-{bits}"), alt, sheet).height(TALL))
}

/// Positions of a knob at which a depth is demodulated.
const POSITIONS: u32 = 8;
/// Settings of depth that are drawn: each takes a second of tone per position and twin.
const DEPTHS: usize = 4;

/// Depth asked for against depth demodulated over the travel of a knob, and its error.
fn depths(shown: &Shown) -> Result<Option<Draft>, Error> {
    let mut laws = Vec::new();
    for settings in &shown.settings {
        let exact = Exact::new(shown.module, settings, shown.rate_hz)?;
        let last = (1_u32 << settings.value(&control::BITS)? as u32) - 1;
        let within = (0.0..=vibrato::MOST_OCTAVES).contains(&exact.at(last));
        if exact.scale() == Scale::Octaves && within && exact.at(last) > 0.0 {
            laws.push((settings, exact, last));
        }
    }
    laws.truncate(DEPTHS);
    if laws.is_empty() {
        return Ok(None);
    }
    let mut jobs = Vec::new();
    for (law, (settings, exact, last)) in laws.iter().enumerate() {
        let codes: Vec<u32> = (1..=POSITIONS)
            .map(|n| (f64::from(*last) * f64::from(n) / f64::from(POSITIONS)).round() as u32)
            .collect();
        for (twin, _) in TWINS {
            let figures = shown.read(twin, settings, &codes)?;
            for (&code, figure) in codes.iter().zip(figures) {
                let travel = 100.0 * f64::from(code) / f64::from(*last);
                jobs.push((law, twin, travel, exact.at(code), figure));
            }
        }
    }
    // Law, twin, travel in percent, depth in octaves, error and doubt in percent.
    let read: Result<Vec<_>, BenchError> = jobs
        .into_par_iter()
        .map(|(law, twin, travel, asked, figure)| {
            let reading = demodulated(twin, figure, shown.rate_hz)?;
            Ok(reading.ok().map(|depth| {
                let error = 100.0 * (depth.value / asked - 1.0);
                (law, twin, travel, depth.value, error, 100.0 * depth.uncertainty / asked)
            }))
        })
        .collect();
    let read: Vec<_> = read?.into_iter().flatten().collect();
    let travel = || Axis::linear("Travel of the knob", "%").range(0.0, 102.0);
    let mut upper =
        Chart::new("", travel(), Axis::log10("Depth either way", "cents")).legend(Legend::LineEnds);
    for (index, (settings, exact, last)) in laws.iter().enumerate() {
        let line = (0..=200_u32)
            .map(|n| {
                let code = (f64::from(*last) * f64::from(n) / 200.0).round() as u32;
                (100.0 * f64::from(code) / f64::from(*last), OCTAVE * exact.at(code))
            })
            .filter(|(x, _)| *x >= 5.0)
            .collect();
        let (amount, unit) =
            (settings.value(&depth::AMOUNT)?, settings.value(&depth::UNIT)? as usize);
        let name = format!("{amount} {}", depth::UNIT.choices[unit]);
        let dash = [Dash::Solid, Dash::Dashed, Dash::Dotted, Dash::DashDot][index % DEPTHS];
        upper = upper.with(Series::new(name, line, thin(dash, 1.5)).ink(Ink::Black));
    }
    let mut lower =
        Chart::new("Error of the depth, worst of the settings", travel(), Axis::log10("Size", "%"));
    let worst = |twin: Twin, figure: &dyn Fn(f64, f64) -> f64| -> Vec<(f64, f64)> {
        let mut worst: Vec<(f64, f64)> = Vec::new();
        for &(_, _, x, _, error, doubt) in read.iter().filter(|it| it.1 == twin) {
            let size = figure(error.abs(), doubt);
            match worst.iter_mut().find(|(have, _)| (have - x).abs() < 0.1) {
                Some((_, most)) => *most = most.max(size),
                None => worst.push((x, size)),
            }
        }
        worst
    };
    for ((twin, ink), outline) in TWINS.into_iter().zip([Outline::Circle, Outline::Cross]) {
        let found = read.iter().filter(|it| it.1 == twin);
        let marker = Marker::open(outline).size(9.0);
        let points = found.map(|&(_, _, x, octaves, ..)| (x, OCTAVE * octaves)).collect();
        let name = format!("{} twin, demodulated", twin.name());
        upper = upper.with(Series::markers(name, points, marker).ink(ink));
        let errors = worst(twin, &|error, _| error);
        lower = lower.with(Series::markers(twin.name(), errors, marker).ink(ink));
    }
    let doubts = worst(Twin::Fixed, &|_, doubt| doubt);
    lower = lower.with(
        Series::new("uncertainty of the reading", doubts, thin(Dash::Dashed, 1.25)).ink(Ink::Grey),
    );
    let most = read.iter().map(|it| it.4.abs()).fold(0.0, f64::max);
    let mut sheet = Sheet::new("Depth of a vibrato against the knob");
    sheet.note = shown.note("lines: asked for; markers: demodulated from a tone");
    let alt = format!(
        "Depth of a vibrato asked for and demodulated over the travel of a knob, for {} settings; \
         below it the error, at most {most:.1e} percent.",
        laws.len()
    );
    Ok(Some(Draft::sheet("depth", alt, sheet.with(upper, 3.0).with(lower, 2.2)).height(TALL)))
}

/// Samples between updates in the plot of the images, where the results have them.
const EVERY: f64 = 128.0;

/// Image lines of a held, a ramped and a smoothed control, with theory as crosses.
fn images(shown: &Shown) -> Result<Option<Draft>, Error> {
    let mut fills: Vec<(usize, f64, &Settings)> = Vec::new();
    let wanted = |settings: &Settings| -> Result<bool, BenchError> {
        Ok(settings.value(&update::EVERY)? == EVERY)
    };
    let any = shown.settings.iter().map(wanted).collect::<Result<Vec<_>, _>>()?.contains(&true);
    for settings in &shown.settings {
        let fill = settings.value(&update::FILL)? as usize;
        let every = settings.value(&update::EVERY)?;
        // An update in every sample has no images.
        let alike = every > 1.0 && fills.iter().all(|it| it.1 == every);
        let fits = if any { every == EVERY } else { alike };
        if fits && fills.iter().all(|(have, ..)| *have != fill) {
            fills.push((fill, every, settings));
        }
    }
    fills.sort_by_key(|(fill, ..)| *fill);
    let rate_khz = f64::from(shown.rate_hz) / 1e3;
    let mut chart = Chart::new(
        "Images of a control that is updated once per block",
        Axis::log10("Frequency", "kHz"),
        Axis::linear("Level", "dB re the control"),
    );
    let outlines = [Outline::Circle, Outline::Square, Outline::Triangle];
    let mut theory = Vec::new();
    let mut strongest = Vec::new();
    for ((fill, every, settings), (outline, ink)) in
        fills.iter().zip(outlines.into_iter().zip(Ink::TURN))
    {
        let Some(sine) = HeldSine::new(settings, shown.rate_hz)? else { continue };
        let figures = shown.read(Twin::Fixed, settings, &sine.codes)?;
        let Ok(found) = sine.read(&figures, shown.rate_hz) else { continue };
        let word = update::FILL.choices[*fill];
        let name = match settings.value(&update::TAU)? {
            tau if *fill == 2 => format!("{word}, {} ms", 1e3 * tau),
            _ => word.to_owned(),
        };
        if let Some(image) = found.strongest() {
            strongest.push(format!("{name} {:.1} dB", image.level.value));
        }
        // Beyond the first both sidebands of a multiple, and of the high multiples a few: they
        // would make one grey block.
        let hz: Vec<f64> = sine.images.iter().map(|image| image.x * 1e3 * rate_khz).collect();
        let near = |hz: f64, other: f64| (hz - other).abs() < 1.0;
        let kept: Vec<f64> = thinned(&hz);
        let lines = found
            .lines
            .iter()
            .filter(|line| line.order != 0 && kept.iter().any(|&hz| near(hz, line.hz)))
            .map(|line| (line.hz / 1e3, line.level.value))
            .collect();
        let marker = Marker::open(outline).size(9.0);
        chart = chart.with(
            Series::markers(format!("{name}, every {every} samples"), lines, marker).ink(ink),
        );
        theory.extend(
            sine.images
                .iter()
                .filter(|image| kept.iter().any(|&hz| near(hz, image.x * 1e3 * rate_khz)))
                .map(|image| (image.x * rate_khz, db(image.ratio.abs()))),
        );
    }
    if theory.is_empty() {
        return Ok(None);
    }
    let chart = chart
        .with(
            Series::markers("theory", theory, Marker::open(Outline::Cross).size(6.0))
                .ink(Ink::Black),
        )
        .note(shown.note("fixed twin, a sine of about 5 Hz"));
    let alt = format!(
        "Levels of the images of a control against frequency, measured and as theory has them; \
         strongest image: {}.",
        strongest.join(", ")
    );
    Ok(Some(Draft::chart("images", alt, chart)))
}

/// Of rising frequencies those that stay apart on a logarithmic axis.
fn thinned(hz: &[f64]) -> Vec<f64> {
    const LEAST_RATIO: f64 = 1.012;
    let mut kept: Vec<f64> = Vec::new();
    for &hz in hz {
        if kept.last().is_none_or(|last| hz >= last * LEAST_RATIO) {
            kept.push(hz);
        }
    }
    kept
}
