use plumbtone_theory::db;
use plumbtone_theory::step_table::{
    DEFAULT_CUTOFF, DEFAULT_OVERSAMPLING, DEFAULT_TAPS, IntegratedSinc,
};

fn default_table() -> IntegratedSinc {
    IntegratedSinc::new(DEFAULT_TAPS, DEFAULT_OVERSAMPLING, DEFAULT_CUTOFF).unwrap()
}

/// The kernel is even, so S(t) + S(-t) = 1; ends are exact by construction.
#[test]
fn step_rises_from_zero_to_one_evenly() {
    let table = default_table();
    assert_eq!(table.table().len(), 32 * 128 + 1);
    assert_eq!((table.step(-16.0), table.step(16.0), table.step(1e300)), (0.0, 1.0, 1.0));
    for i in 0..=1700 {
        let t = f64::from(i) * 0.01;
        assert!((table.step(t) + table.step(-t) - 1.0).abs() < 1e-13, "{t}");
        assert_eq!(table.residual(t), table.step(t) - 1.0);
    }
}

/// Entries by mpmath 1.3 quadrature, 25 digits, window written out; cutoff 0.45, 32 taps.
#[test]
fn entries_match_an_independent_quadrature() {
    let table = IntegratedSinc::new(32, 128, 0.45).unwrap();
    for (t, value) in [
        (-15.5, 3.7470293853757444e-7),
        (-3.0, -0.013567081920605056),
        (-0.25, 0.28125235988523161),
        (0.75, 1.0257215590831925),
    ] {
        assert!((table.step(t) - value).abs() < 1e-13, "S({t}) = {}", table.step(t));
    }
}

#[test]
fn gain_matches_the_explicit_sum() {
    let table = default_table();
    for i in 0..6000 {
        // Passband, transition, stopband, and the images at multiples of 128.
        let x = match i % 3 {
            0 => f64::from(i) * 2e-4,
            1 => f64::from(i) * 0.0217,
            _ => 128.0 * f64::from(1 + i % 7) + f64::from(i - 3000) * 3e-4,
        };
        let error = (table.gain(x) - table.gain_by_sum(x)).abs();
        assert!(error < 1e-10, "x = {x}: {error:e}");
    }
    assert!((table.gain(0.0) - 1.0).abs() < 1e-13);
}

/// The figures that the default cutoff is chosen by.
#[test]
fn default_cutoff_keeps_its_promises() {
    let table = default_table();
    let highest = |table: &IntegratedSinc| {
        (0..20_000).map(|i| table.gain(0.6 + f64::from(i) * 1e-4).abs()).fold(0.0, f64::max)
    };
    assert!(db(highest(&table)) <= -90.0);
    let wider = IntegratedSinc::new(32, 128, DEFAULT_CUTOFF + 0.001).unwrap();
    assert!(db(highest(&wider)) > -90.0, "a higher cutoff would do");
    for (x, loss) in [(0.4, 0.03), (20.0 / 44.1, 1.65), (0.5, 9.3)] {
        let level = -db(table.gain(x));
        assert!((level - loss).abs() < 0.05 && (level / loss - 1.0).abs() < 0.1, "{x}: {level} dB");
    }
}

#[test]
fn impossible_tables_are_refused() {
    for (taps, oversampling, cutoff) in
        [(31, 128, 0.4), (32, 1, 0.4), (32, 128, 0.0), (32, 128, 1.1)]
    {
        assert!(IntegratedSinc::new(taps, oversampling, cutoff).is_err());
    }
}
