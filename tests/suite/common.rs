//! What several modules of the suite share: runs of many checks, renders, drives.

use plumbtone::check::{self, Check, Shape};
use plumbtone::evidence::sentence;
use plumbtone::expect::Yardstick;
use plumbtone::run::{self, Run};
use plumbtone::subject::{Stimulus, VoiceTwin};
use plumbtone::{Results, Subject, Twin};
use plumbtone_voice::{Drive, Setup, Width};

pub const TWINS: [Twin; 2] = [Twin::Float, Twin::Fixed];
pub const SHAPES: [Shape; 3] = [Shape::Ramp, Shape::Triangle, Shape::Pulse];
/// A width without symmetry: no harmonic of the pulse vanishes.
pub const WIDTH: f64 = 0.37;
/// One unit of Q1.31.
pub const LSB: f64 = 1.0 / 2_147_483_648.0;
/// 2^32: increments and widths to fractions of a cycle.
pub const CYCLE: f64 = 4_294_967_296.0;

/// The defaults with the width above.
pub fn setup() -> Setup {
    Setup { width: Width::new(WIDTH).unwrap(), ..Setup::default() }
}

/// A twin against its own closed forms.
pub fn twin(module: &str, which: Twin, shape: Shape) -> Check {
    check::twin(module, which, shape, setup()).unwrap()
}

/// One check for every module, twin and shape.
pub fn twins(modules: &[&str], which: &[Twin], shapes: &[Shape]) -> Vec<Check> {
    let mut checks = Vec::new();
    for module in modules {
        for &which in which {
            checks.extend(shapes.iter().map(|&shape| twin(module, which, shape)));
        }
    }
    checks
}

/// Runs all checks on all cores; panics with every finding that is not good.
pub fn assert_all(title: &str, checks: Vec<Check>) -> Results {
    let results = run::run(&Run::new(title, checks)).unwrap().0;
    let bad: Vec<String> = results
        .worst_first()
        .into_iter()
        .filter(|finding| !finding.verdict.is_good())
        .map(|finding| {
            let case = finding.worst_case().map(|case| sentence(finding, case));
            let (subject, twin, shape) = (&finding.subject, finding.twin, &finding.shape);
            format!("{subject} {twin:?} {shape}: {}", case.unwrap_or_default())
        })
        .collect();
    assert!(bad.is_empty(), "{title}:\n{}", bad.join("\n"));
    results
}

/// A steady note, `count` samples from its start.
pub fn note(module: &str, which: Twin, stimulus: &Stimulus, count: usize) -> Vec<f64> {
    let mut out = vec![0.0; count];
    let subject = VoiceTwin::named(module, which).unwrap().with_setup(setup());
    subject.render(stimulus, &mut out).unwrap();
    out
}

/// A note with a drive of its own for every sample.
pub fn driven(module: &str, which: Twin, setup: Setup, drives: &[Drive]) -> Vec<f64> {
    let mut out = vec![0.0; drives.len()];
    let stimulus = Stimulus::note(setup.shape, 440.0, 48_000)
        .with_width(setup.width.fraction())
        .with_start(setup.start);
    let subject = VoiceTwin::named(module, which).unwrap().with_setup(setup);
    subject.render_driven(&stimulus, drives.iter().copied(), &mut out).unwrap();
    out
}

/// The closed forms of a module.
pub fn yardstick(module: &str, setup: &Setup) -> Yardstick {
    Yardstick::new(plumbtone::subject::entry(module).unwrap(), setup).unwrap().unwrap()
}

pub fn rms(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let count = values.len() as f64;
    (values.map(|v| v * v).sum::<f64>() / count).sqrt()
}

pub fn largest(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(0.0, |largest, v| v.abs().max(largest))
}
