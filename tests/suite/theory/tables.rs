use plumbtone_theory::tables::{self, Minimax};
use plumbtone_theory::{bessel, tuning};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let found = here.ancestors().map(|up| up.join("reference-tables")).find(|dir| dir.is_dir());
    found.expect("reference-tables lies above the manifest")
}

fn hash(path: &Path) -> String {
    let bytes = std::fs::read(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Every folder says where its figures come from, and the files are those it speaks of.
#[test]
fn provenance_is_complete_and_current() {
    let mut seen = BTreeSet::new();
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        if !path.is_dir() {
            continue;
        }
        let id = path.file_name().unwrap().to_string_lossy().into_owned();
        let text = std::fs::read_to_string(path.join("PROVENANCE.toml"))
            .unwrap_or_else(|e| panic!("{id}/PROVENANCE.toml: {e}"));
        let provenance: toml::Table =
            text.parse().unwrap_or_else(|e| panic!("{id}/PROVENANCE.toml: {e}"));
        for key in ["kind", "source", "tools", "digits", "uncertainty", "sha256", "independent"] {
            assert!(provenance.contains_key(key), "{id}/PROVENANCE.toml lacks `{key}`");
        }
        assert!(provenance["independent"].is_bool(), "{id}: `independent` is true or false");

        let hashes = provenance["sha256"].as_table().unwrap();
        assert!(hashes.contains_key("values.csv"), "{id}: values.csv is not hashed");
        for (file, stated) in hashes {
            let actual = hash(&path.join(file));
            assert_eq!(stated.as_str(), Some(actual.as_str()), "{id}/{file} has changed");
        }
        for file in std::fs::read_dir(&path).unwrap() {
            let file = file.unwrap().file_name().to_string_lossy().into_owned();
            let known = file == "PROVENANCE.toml" || hashes.contains_key(&file);
            assert!(known || file.starts_with("__"), "{id}/{file} is not hashed");
        }

        let csv = std::fs::read_to_string(path.join("values.csv")).unwrap();
        let columns: BTreeSet<&str> = csv.lines().next().unwrap_or("").split(',').collect();
        let stated = provenance["uncertainty"].as_table().unwrap();
        let stated: BTreeSet<&str> = stated.keys().map(String::as_str).collect();
        assert_eq!(columns, stated, "{id}: one uncertainty per column");
        seen.insert(id);
    }
    for id in tables::IDS {
        assert!(seen.contains(*id), "reference-tables/{id} is missing");
    }
}

/// 20 digits in the table, so f64 is the limit: one rounding each in the exponent (|e| <= 6) and
/// in the result.
#[test]
fn keys_match_the_table() {
    let rows = tables::key_frequencies_hz().unwrap();
    assert_eq!(rows.len(), 128);
    for (key, hz) in rows.into_iter().enumerate() {
        let relative = (tuning::key_hz(key as f64) / hz - 1.0).abs();
        assert!(relative <= 6.0 * f64::EPSILON, "key {key}: {relative:e}");
    }
}

/// 15 digits in the table, so half a unit of the last and the stated error of `jn`.
#[test]
fn bessel_functions_match_the_table() {
    let rows = tables::bessel().unwrap();
    assert_eq!(rows.len(), 110);
    for row in rows {
        let error = (bessel::jn(row.order, row.beta) - row.value).abs();
        let allowed = 1e-15 + 0.5e-14 * row.value.abs();
        assert!(error <= allowed, "J_{}({}): {error:e}", row.order, row.beta);
    }
}

/// Largest magnitude of `error` on a grid of 20 000 cells.
fn largest(low: f64, error: impl Fn(f64) -> f64) -> f64 {
    let at = |i: u32| low + (1.0 - low) * f64::from(i) / 20_000.0;
    (0..=20_000).map(|i| error(at(i)).abs()).fold(0.0, f64::max)
}

fn horner(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// The error that the table states is the error of the polynomial that it gives: the grid misses
/// an extreme by 1e-7 of it at most, and f64 rounds at a few ulp of 1.
fn assert_error(what: &str, polynomial: &Minimax, found: f64) {
    let slack = 1e-6 * polynomial.error + 4.0 * f64::EPSILON;
    assert!((found - polynomial.error).abs() < slack, "{what}: {found:e}");
}

#[test]
fn sine_polynomial_has_the_stated_error() {
    let sine = tables::sine_minimax().unwrap();
    assert_eq!(sine.coefficients.len(), 5);
    let found = largest(-1.0, |x| {
        x * horner(&sine.coefficients, x * x) - (std::f64::consts::FRAC_PI_2 * x).sin()
    });
    assert_error("sine", &sine, found);
}

/// Largest relative errors recomputed elsewhere by Remez exchange (cf. Hart et al., Computer
/// Approximations, 1968), to the printed digits.
#[test]
fn exp2_polynomials_have_the_stated_error() {
    let printed =
        [2.98212e-2, 1.72476e-3, 7.47814e-5, 2.59337e-6, 7.49365e-8, 1.8558e-9, 4.0211e-11];
    for (degree, printed) in (1..).zip(printed) {
        let polynomial = tables::exp2_minimax(degree).unwrap().unwrap();
        assert_eq!(polynomial.coefficients.len(), degree as usize + 1);
        let found = largest(0.0, |x| horner(&polynomial.coefficients, x) / x.exp2() - 1.0);
        assert_error(&format!("degree {degree}"), &polynomial, found);
        assert!((polynomial.error / printed - 1.0).abs() < 2e-5, "degree {degree}");
    }
    assert_eq!(tables::exp2_minimax(8).unwrap(), None);
}
