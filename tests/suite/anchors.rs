//! Published highest clean notes, from rendered audio.

use crate::common::{assert_all, twin};
use plumbtone::check::{Check, Shape};
use plumbtone::worker::Anchor;
use plumbtone::{Kind, Twin};
use plumbtone_theory::{Reference, references};

fn anchored(module: &str, which: Twin, hz: f64, from_hz: f64, source: Reference) -> Check {
    let check = twin(module, which, Shape::Ramp).rates([44_100]);
    check.clean_note_within_percent(1.0, Anchor { hz, from_hz, source })
}

/// Välimäki, Pekonen, Nam 2012, abstract: free of audible aliasing up to 7.8 kHz at 44.1 kHz.
/// Välimäki, Nam, Smith, Abel 2010, abstract: over the piano's register, to C8 = 4186 Hz.
/// The scans of the second start where the twins' own noise no longer counts as aliasing.
#[test]
fn published_clean_notes_are_met_within_one_percent() {
    let spline =
        |which| anchored("spline4", which, 7_800.0, 60.0, references::INTEGRATED_INTERPOLATION);
    let polynomial = |which, from_hz| {
        let source = references::DIFFERENTIATED_POLYNOMIALS;
        anchored("diffpoly4", which, 4_186.0, from_hz, source)
    };
    let results = assert_all(
        "anchors",
        vec![
            spline(Twin::Exact),
            spline(Twin::Float),
            spline(Twin::Fixed),
            polynomial(Twin::Exact, 60.0),
            polynomial(Twin::Float, 480.0),
            polynomial(Twin::Fixed, 100.0),
        ],
    );
    assert_eq!(results.findings.len(), 6);
    assert!(results.findings.iter().all(|finding| finding.kind == Kind::CleanNote));
}
