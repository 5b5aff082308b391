//! Every line of every oscillator, harmonic and alias, against its closed form.

use crate::common::{SHAPES, TWINS, assert_all, setup, twin, twins};
use plumbtone::check::{self, Check, Shape};
use plumbtone::{Kind, Results, Twin};
use plumbtone_voice::{Rate, Setup};

const CORRECTED: [&str; 6] = ["naive", "spline2", "spline4", "diffpoly2", "diffpoly3", "diffpoly4"];
const RATES: [u32; 5] = [8_000, 44_100, 48_000, 96_000, 192_000];

/// A spread of keys at all rates, and high keys where the rate has room for them.
fn spread(check: Check) -> [Check; 2] {
    let [_, rates @ ..] = RATES;
    [
        check.clone().keys([21, 40, 57, 69, 81, 93, 105]).rates(RATES),
        check.keys([108, 117, 127]).rates(rates),
    ]
}

/// Every note was read, and on every note at least the fundamental was compared.
fn assert_read(results: &Results) {
    for finding in &results.findings {
        for case in &finding.cases {
            assert!(
                case.value.is_some(),
                "{} {:?}: {:?}",
                finding.subject,
                finding.twin,
                case.note
            );
        }
    }
}

/// Derived closed form, (2/πk) sinc^n: 0.01 dB down to −140 dBc.
#[test]
fn every_line_of_the_f64_models_matches_the_closed_form() {
    let checks = twins(&CORRECTED, &[Twin::Exact], &SHAPES);
    let checks = checks.into_iter().map(|check| check.limit(Kind::Lines, 0.01));
    assert_read(&assert_all("f64 models", checks.flat_map(spread).collect()));
}

/// Where a twin's noise drowns every line there is nothing to hold; `ranges` says where.
#[test]
fn every_line_of_the_twins_that_stands_above_their_noise_matches_the_closed_form() {
    let checks = twins(&CORRECTED, &TWINS, &SHAPES);
    let checks = checks.into_iter().map(|check| check.derived(Kind::Lines));
    let results = assert_all("twins", checks.flat_map(spread).collect());
    for finding in results.findings.iter().filter(|f| !f.subject.starts_with("diffpoly")) {
        let read = finding.cases.iter().all(|case| case.value.is_some());
        assert!(read, "{} {:?}", finding.subject, finding.twin);
    }
}

/// Lines tell nothing of what theory says should not be there at all, and nothing of phase: every
/// sample is held as well.
#[test]
fn every_sample_of_the_twins_matches_the_exact_evaluation() {
    let modules = [&CORRECTED[..], &["step-table", "wavetable"]].concat();
    let checks = twins(&modules, &TWINS, &SHAPES).into_iter().map(|check| {
        let check = check.keys([21, 33, 40, 57, 64, 76, 88, 93, 105]).rates([44_100, 96_000]);
        check.derived(Kind::Rounding)
    });
    assert_all("samples", checks.collect());
}

/// Images at k + m·length with sinc²((k + m·length)/length); lengths besides the default too.
#[test]
fn wavetable_lines_match_series_and_interpolation_images() {
    let mut checks = Vec::new();
    for shape in SHAPES {
        checks.extend(spread(twin("wavetable", Twin::Exact, shape).limit(Kind::Lines, 0.01)));
        for which in TWINS {
            checks.extend(spread(twin("wavetable", which, shape).derived(Kind::Lines)));
            for length in [256, 4096] {
                let setup = Setup { length, ..setup() };
                let check = check::twin("wavetable", which, shape, setup).unwrap();
                checks.push(check.keys([33, 69, 105]).rates([48_000]).derived(Kind::Lines));
            }
        }
    }
    assert_read(&assert_all("wavetables", checks));
}

/// Other sizes than the default too; ramps for the table of steps, triangles for that of corners.
#[test]
fn step_table_lines_match_the_transform_of_their_kernel() {
    let all = [Twin::Exact, Twin::Float, Twin::Fixed];
    let held = |check: Check, which| match which {
        Twin::Exact => check.limit(Kind::Lines, 0.01),
        _ => check.derived(Kind::Lines),
    };
    let mut checks = Vec::new();
    for which in all {
        for shape in SHAPES {
            let check = twin("step-table", which, shape).keys([45, 105]).rates([44_100]);
            checks.push(held(check, which));
        }
        for (taps, oversampling) in [(8, 16), (16, 100), (64, 64)] {
            for shape in [Shape::Ramp, Shape::Triangle] {
                let setup = Setup { taps, oversampling, ..setup() };
                let check = check::twin("step-table", which, shape, setup).unwrap();
                checks.push(held(check.keys([69]).rates([48_000]), which));
            }
        }
    }
    assert_read(&assert_all("step tables", checks));
}

/// A sine has one line; what else is there is noise and belongs to `sine`.
#[test]
fn the_sine_has_one_line() {
    let checks = [Twin::Exact, Twin::Float, Twin::Fixed].into_iter().map(|which| {
        let check = twin("sine", which, Shape::Sine).keys([21, 69, 105]).rates(RATES);
        if which == Twin::Exact {
            check.limit(Kind::Lines, 0.01)
        } else {
            check.derived(Kind::Lines)
        }
    });
    assert_read(&assert_all("sine", checks.collect()));
    assert_eq!(Rate::RANGE_HZ, (RATES[0], RATES[4]), "the rates above span the range");
}
