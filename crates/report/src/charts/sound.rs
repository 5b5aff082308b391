//! Plots of what sounds: pitch, aliases, rounding noise, residuals and spectra.

use plumbtone::Error as BenchError;
use plumbtone::expect::Yardstick;
use plumbtone::measure::audibility::Criterion;
use plumbtone::measure::db;
use plumbtone::results::{Case, Finding};
use plumbtone::subject::{VoiceTwin, rate_of};
use plumbtone::theory::tuning::key_hz;
use plumbtone::voice::{NOMINAL_PEAK, Shape};
use plumbtone::worker::{SETTLE_SAMPLES, Worker};
use plumbtone::{Kind, Results, Stimulus, Subject, Twin, check, draw, evidence};
use plumbtone_plot::{
    Axis, Chart, Ink, Legend, Line, Mark, Marker, Series, Shape as Outline, Sheet, Style,
};
use rayon::prelude::*;

use super::Draft;
use crate::Error;

/// The plots of oscillators and noise that the results give reason for.
pub(super) fn drafts(results: &Results) -> Result<Vec<Draft>, Error> {
    let scene = Scene::of(results);
    let mut drafts = vec![pitch(results, &scene)];
    drafts
        .extend([Twin::Exact, Twin::Float, Twin::Fixed].map(|twin| aliases(results, &scene, twin)));
    drafts.push(noise(results, &scene)?);
    drafts.push(residual(&scene)?);
    drafts.push(residual_level(&scene)?);
    for module in &scene.modules {
        drafts.push(spectrum(&scene, module)?);
    }
    Ok(drafts.into_iter().flatten().collect())
}

/// The part of the results that the plots show: one rate and one shape per module.
pub(crate) struct Scene<'a> {
    pub modules: Vec<Module<'a>>,
    pub rate_hz: u32,
    /// Keys of the notes in the results, ascending.
    pub keys: Vec<u8>,
}

/// A module of the voice crate with the shape in which it is shown.
pub(crate) struct Module<'a> {
    pub name: &'a str,
    pub shape: Shape,
    pub width: f64,
}

impl<'a> Scene<'a> {
    pub fn of(results: &'a Results) -> Self {
        let mut modules: Vec<Module<'a>> = Vec::new();
        for finding in results.findings.iter().filter(|finding| finding.twin.is_some()) {
            let Some(shape) = Shape::from_name(&finding.shape) else { continue };
            let shown =
                Module { name: &finding.subject, shape, width: finding.width.unwrap_or(0.5) };
            match modules.iter_mut().find(|have| have.name == finding.subject) {
                // The ramp has every harmonic: it shows the most.
                Some(have) if shape == Shape::Ramp => *have = shown,
                Some(_) => {}
                None => modules.push(shown),
            }
        }
        let mut keys: Vec<u8> = notes(results)
            .flat_map(|finding| finding.cases.iter().filter_map(|case| case.key))
            .collect();
        keys.sort_unstable();
        keys.dedup();
        let rate_hz = results.findings.first().map_or(44_100, |finding| finding.rate_hz);
        let rate_hz = notes(results).map(|finding| finding.rate_hz).next().unwrap_or(rate_hz);
        Self { modules, rate_hz, keys }
    }

    /// The key of the results nearest to the one wanted.
    pub fn key_near(&self, wanted: u8) -> Option<u8> {
        self.keys.iter().copied().min_by_key(|key| key.abs_diff(wanted))
    }

    /// Findings of one kind at the rate shown.
    fn findings(&self, results: &'a Results, kind: Kind) -> impl Iterator<Item = &'a Finding> {
        let rate_hz = self.rate_hz;
        notes(results).filter(move |f| f.kind == kind && f.rate_hz == rate_hz)
    }

    fn rate_khz(&self) -> String {
        format!("{} kHz", crate::khz(self.rate_hz))
    }

    fn key_axis(&self) -> Axis {
        let axis = Axis::keys("Key");
        match self.keys.as_slice() {
            [first, .., last] => axis.range(f64::from(*first), f64::from(*last)),
            _ => axis,
        }
    }
}

impl Module<'_> {
    /// A steady note of the module in the shape shown.
    pub fn stimulus(&self, hz: f64, rate_hz: u32) -> Stimulus {
        Stimulus::note(self.shape, hz, rate_hz).with_width(self.width)
    }

    /// Renders after the settling time.
    pub fn render(
        &self,
        twin: Twin,
        stimulus: &Stimulus,
        count: usize,
    ) -> Result<Vec<f64>, BenchError> {
        let mut samples = vec![0.0; SETTLE_SAMPLES + count];
        VoiceTwin::named(self.name, twin)?.render(stimulus, &mut samples)?;
        samples.drain(..SETTLE_SAMPLES);
        Ok(samples)
    }

    fn yardstick(&self, stimulus: &Stimulus) -> Result<Option<Yardstick>, BenchError> {
        let subject = VoiceTwin::named(self.name, Twin::Exact)?;
        Yardstick::new(subject.entry(), &subject.setup_for(stimulus)?)
    }
}

/// What was read of oscillators: a whole voice has keys too, but no shape and limits of its own.
fn notes(results: &Results) -> impl Iterator<Item = &Finding> {
    results.findings.iter().filter(|finding| !finding.shape.is_empty())
}

fn points(cases: &[Case]) -> Vec<(f64, f64)> {
    cases.iter().filter_map(|case| Some((f64::from(case.key?), case.value?))).collect()
}

/// Cents against key: of every twin, the module that is furthest off. The limit halves with every
/// octave, so the scale is logarithmic and shows the size of the deviation only.
fn pitch(results: &Results, scene: &Scene<'_>) -> Option<Draft> {
    let twins =
        [(Twin::Float, Ink::Blue, Outline::Circle), (Twin::Fixed, Ink::Rust, Outline::Cross)];
    let findings: Vec<&Finding> = scene.findings(results, Kind::Pitch).collect();
    let of_key = |twin: Option<Twin>, key: u8| {
        let findings = findings.iter().filter(move |f| twin.is_none() || f.twin == twin);
        findings.flat_map(|f| &f.cases).filter(move |case| case.key == Some(key))
    };
    let mut limits = Vec::new();
    let mut marked = Vec::new();
    for &key in &scene.keys {
        let limit = of_key(None, key).filter_map(|case| case.limit).reduce(f64::min);
        limits.extend(limit.map(|limit| (f64::from(key), limit)));
    }
    for (twin, ink, outline) in twins {
        let worst: Vec<(f64, f64)> = scene
            .keys
            .iter()
            .filter_map(|&key| {
                let sizes = of_key(Some(twin), key).filter_map(|case| Some(case.value?.abs()));
                Some((f64::from(key), sizes.reduce(f64::max)?))
            })
            .collect();
        if worst.is_empty() {
            continue;
        }
        let name = format!("{} twins", twin.name());
        let size = if outline == Outline::Cross { 9.0 } else { 7.0 };
        marked.push(Series::markers(name, worst, Marker::open(outline).size(size)).ink(ink));
    }
    if marked.is_empty() {
        return None;
    }
    let bottom = marked
        .iter()
        .flat_map(|series| &series.points)
        .chain(&limits)
        .map(|(_, cents)| *cents)
        .filter(|cents| *cents > 0.0)
        .fold(f64::INFINITY, f64::min);
    let axis = Axis::log10("Size of the deviation", "cents");
    let mut chart = Chart::new("Pitch against key", scene.key_axis(), axis).note(format!(
        "furthest off of all modules and shapes; equal temperament, A4 = 440 Hz; rate {}",
        scene.rate_khz()
    ));
    if !limits.is_empty() {
        let edges: Vec<_> =
            limits.iter().map(|(key, limit)| (*key, bottom / 2.0, *limit)).collect();
        chart = chart.with(Series::band("within the limit", &edges));
    }
    let chart = marked.into_iter().fold(chart, Chart::with);
    let alt = format!(
        "Deviation in cents of the float and the fixed twins on keys {}, with the limit as a band.",
        span(&scene.keys)
    );
    Some(Draft::chart("pitch", alt, chart))
}

/// Alias level against key, one line per algorithm, one chart per twin.
fn aliases(results: &Results, scene: &Scene<'_>, twin: Twin) -> Option<Draft> {
    let lines: Vec<(&str, Vec<(f64, f64)>)> = scene
        .modules
        .iter()
        .filter_map(|module| {
            let finding = scene.findings(results, Kind::Aliases).find(|finding| {
                let shape = finding.shape == module.shape.name();
                finding.subject == module.name && finding.twin == Some(twin) && shape
            })?;
            Some((module.name, points(&finding.cases)))
        })
        .filter(|(_, points)| points.iter().any(|(_, level)| level.is_finite()))
        .collect();
    if lines.is_empty() {
        return None;
    }
    let title = match twin {
        Twin::Exact => "Aliasing against key: the algorithms, evaluated exactly".to_owned(),
        _ => format!("Aliasing against key: {} twins", twin.name()),
    };
    let axis = Axis::linear("Aliases over harmonics", "dB");
    let chart = Chart::new(title, scene.key_axis(), axis)
        .note(format!(
            "power from 20 Hz to 20 kHz, rounding noise on the alias lines included; rate {}",
            scene.rate_khz()
        ))
        .legend(Legend::LineEnds);
    let chart = lines.iter().enumerate().fold(chart, |chart, (index, (name, points))| {
        chart.with(Series::new(*name, points.clone(), Style::Line(Line::distinct(index))))
    });
    let ends: Vec<String> = lines
        .iter()
        .filter_map(|(name, points)| {
            points.last().map(|(_, level)| format!("{name} {level:.0} dB"))
        })
        .collect();
    let alt =
        format!("Alias level of the {} twins; at the top key {}.", twin.name(), ends.join(", "));
    Some(Draft::chart(format!("aliases-{}", twin.name()), alt, chart))
}

/// Rounding noise of the differentiated polynomials: predicted lines, measured markers.
fn noise(results: &Results, scene: &Scene<'_>) -> Result<Option<Draft>, Error> {
    // A module is usable where its noise stays this far below its own ramp, dB.
    const USABLE_DB: f64 = -60.0;
    let ramp_rms = NOMINAL_PEAK / 3_f64.sqrt();
    let mut chart = Chart::new(
        "Rounding noise of differentiated polynomials against key",
        scene.key_axis(),
        Axis::linear("Noise re the ramp's rms", "dB"),
    )
    .note(format!("lines: predicted; markers: measured; rate {}", scene.rate_khz()))
    .mark(Mark::horizontal(USABLE_DB, "usable below"));
    let mut names = Vec::new();
    for finding in scene.findings(results, Kind::Noise) {
        let Some(twin) = finding.twin.filter(|_| finding.shape == Shape::Ramp.name()) else {
            continue;
        };
        let module = Module { name: &finding.subject, shape: Shape::Ramp, width: 0.5 };
        let mut predicted = Vec::new();
        let mut measured = Vec::new();
        for case in &finding.cases {
            let (Some(key), Some(hz)) = (case.key.map(f64::from), case.hz) else { continue };
            let stimulus = module.stimulus(hz, scene.rate_hz);
            let Some(yardstick) = module.yardstick(&stimulus)? else { continue };
            let increment = plumbtone::voice::Rate::new(scene.rate_hz)
                .and_then(|rate| rate.increment(hz))
                .map_err(BenchError::from)?;
            let noise = yardstick.noise(twin, increment.bits()).map_err(BenchError::from)?;
            if let Some(noise) = noise {
                let level = db(noise.rms / ramp_rms);
                predicted.push((key, level));
                measured.extend(case.value.map(|deviation| (key, level + deviation)));
            }
        }
        if predicted.is_empty() {
            continue;
        }
        let name = format!("{} {}", finding.subject, twin.name());
        let index = names.len();
        let ink = Ink::TURN[index % Ink::TURN.len()];
        let marker = MARKERS[index % MARKERS.len()];
        chart = chart
            .with(
                Series::new("", predicted, Style::Line(Line { thickness: 1.25, ..Line::PLAIN }))
                    .ink(ink),
            )
            .with(Series::markers(&name, measured, marker.size(7.0)).ink(ink));
        names.push(name);
    }
    if names.is_empty() {
        return Ok(None);
    }
    let alt = format!(
        "Rounding noise of {} against key, predicted and measured, with the usable line at -60 dB.",
        names.join(", ")
    );
    Ok(Some(Draft::chart("noise", alt, chart)))
}

/// Markers of the noise plot: two twins of three orders.
const MARKERS: [Marker; 6] = [
    Marker::open(Outline::Circle),
    Marker::filled(Outline::Circle),
    Marker::open(Outline::Square),
    Marker::filled(Outline::Square),
    Marker::open(Outline::Triangle),
    Marker::filled(Outline::Triangle),
];

/// Output and float minus fixed of the same note over a few cycles, with the derived bound.
fn residual(scene: &Scene<'_>) -> Result<Option<Draft>, Error> {
    // The uncorrected shapes leave next to nothing to round; show an algorithm that works.
    let module = scene.modules.iter().find(|m| m.name != "naive").or(scene.modules.first());
    let (Some(module), Some(key)) = (module, scene.key_near(57)) else { return Ok(None) };
    let hz = key_hz(f64::from(key));
    let rate_hz = f64::from(scene.rate_hz);
    let stimulus = module.stimulus(hz, scene.rate_hz);
    let count = (CYCLES * rate_hz / hz).ceil() as usize;
    let float = module.render(Twin::Float, &stimulus, count)?;
    let fixed = module.render(Twin::Fixed, &stimulus, count)?;
    let over_time = |samples: &mut dyn Iterator<Item = f64>| -> Vec<(f64, f64)> {
        samples.enumerate().map(|(n, y)| (1e3 * n as f64 / rate_hz, y)).collect()
    };
    let output = over_time(&mut fixed.iter().copied());
    let difference = over_time(&mut float.iter().zip(&fixed).map(|(a, b)| a - b));
    let time = || Axis::linear("Time", "ms").range(0.0, 1e3 * (count.max(2) - 1) as f64 / rate_hz);
    let mut lower = Chart::new("Float minus fixed", time(), Axis::linear("Residual", "full scale"))
        .with(Series::line("", difference).thickness(1.25).ink(Ink::Rust));
    if let Some(yardstick) = module.yardstick(&stimulus)? {
        let p = rate_of(&stimulus)?.increment(hz).map_err(BenchError::from)?;
        let bound = |twin| yardstick.rounding(twin, p.cycles_per_sample()).0;
        let bound = bound(Twin::Float) + bound(Twin::Fixed);
        lower =
            lower.mark(Mark::horizontal(bound, "bound")).mark(Mark::horizontal(-bound, "bound"));
    }
    let upper =
        Chart::new("Fixed twin", time(), Axis::linear("Output", "full scale").range(-0.75, 0.75))
            .with(Series::line("", output));
    let mut sheet = Sheet::new(format!("Residual of the twins over time: {}", module.name));
    sheet.note = format!(
        "{}, {} ({hz:.2} Hz), rate {}; bound: roundings of both twins added up",
        module.shape.name(),
        evidence::key_name(key),
        scene.rate_khz()
    );
    let sheet = sheet.with(upper, 2.0).with(lower, 3.0);
    let alt = format!(
        "Output of {} over {CYCLES} cycles, and below it the float twin minus the fixed twin.",
        module.name
    );
    Ok(Some(Draft::sheet("residual-time", alt, sheet)))
}

/// Cycles in the residual over time.
const CYCLES: f64 = 4.0;
/// Samples per key in the residual's level: a tenth of a second at the usual rates.
const RESIDUAL_SAMPLES: usize = 4096;

/// Peak of float minus fixed against key, one line per module.
fn residual_level(scene: &Scene<'_>) -> Result<Option<Draft>, Error> {
    let peak = |module: &Module<'_>, key: u8| -> Result<(f64, f64), BenchError> {
        let stimulus = module.stimulus(key_hz(f64::from(key)), scene.rate_hz);
        let float = module.render(Twin::Float, &stimulus, RESIDUAL_SAMPLES)?;
        let fixed = module.render(Twin::Fixed, &stimulus, RESIDUAL_SAMPLES)?;
        let peak = float.iter().zip(&fixed).fold(0.0_f64, |peak, (a, b)| peak.max((a - b).abs()));
        Ok((f64::from(key), db(peak)))
    };
    let mut chart = Chart::new(
        "Residual of the twins against key",
        scene.key_axis(),
        Axis::linear("Peak of float minus fixed", "dB re full scale"),
    )
    .note(format!("{RESIDUAL_SAMPLES} samples per key, rate {}", scene.rate_khz()))
    .legend(Legend::LineEnds);
    let mut names = Vec::new();
    // A sine has no rivals, and eight lines can be named at their ends.
    for module in scene.modules.iter().filter(|module| module.shape != Shape::Sine) {
        let points: Result<Vec<_>, _> =
            scene.keys.par_iter().map(|&key| peak(module, key)).collect();
        let points = points?;
        if points.iter().any(|(_, level)| level.is_finite()) {
            let line = Style::Line(Line::distinct(names.len()));
            chart = chart.with(Series::new(module.name, points, line));
            names.push(module.name);
        }
    }
    if names.is_empty() {
        return Ok(None);
    }
    let alt = format!("Peak difference of the float and the fixed twin: {}.", names.join(", "));
    Ok(Some(Draft::chart("residual-level", alt, chart)))
}

/// Lines that a spectrum shows: those that fold back first and, of a corrected shape, the
/// strongest. All 32768 would make one grey block.
const ORDERS: usize = 150;

/// Spectrum of a high note: harmonics, aliases, and crosses where theory puts them.
fn spectrum(scene: &Scene<'_>, module: &Module<'_>) -> Result<Option<Draft>, Error> {
    let Some(key) = scene.key_near(96) else { return Ok(None) };
    let stimulus = module.stimulus(key_hz(f64::from(key)), scene.rate_hz);
    let subject = VoiceTwin::named(module.name, Twin::Fixed)?;
    let setup = subject.setup_for(&stimulus)?;
    let check = check::twin(module.name, Twin::Fixed, module.shape, setup)?;
    let mut lines = Worker::new(Criterion::default())?.note_lines(&check, &stimulus)?;
    lines.measured.truncate(ORDERS);
    lines.predicted.truncate(ORDERS);
    let name = evidence::key_name(key);
    let note = format!(
        "{}, fixed twin, {name} ({:.2} Hz), rate {}; lines to order {ORDERS}",
        module.shape.name(),
        lines.hz,
        scene.rate_khz()
    );
    let title = format!("Spectrum: {}", module.name);
    let chart = draw::spectrum(&lines, f64::from(scene.rate_hz), &title, &note);
    let alt = format!(
        "Levels of the harmonics and of the alias lines of {} on {name}, with theory as crosses.",
        module.name
    );
    Ok(Some(Draft::chart(format!("spectrum-{}", module.name), alt, chart).of(module.name)))
}

/// "21 to 108", or the one key there is.
fn span(keys: &[u8]) -> String {
    match keys {
        [first, .., last] => format!("{first} to {last}"),
        [only] => only.to_string(),
        [] => "none".to_owned(),
    }
}
