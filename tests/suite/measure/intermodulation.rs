use plumbtone_measure::coherent::Tone;
use plumbtone_measure::intermodulation::TwoTone;
use plumbtone_measure::reading::Obstacle;

fn pair() -> TwoTone {
    let len = 65_536;
    TwoTone::new(Tone::new(6001, len).unwrap(), Tone::new(7993, len).unwrap()).unwrap()
}

/// `a sin u + b sin v` through `x + p x^2 + q x^3`: the products have the closed forms of the
/// binomials, `p a b` at u +- v, `3/4 q a^2 b` at 2u +- v, `p a^2/2` at 2u, `q a^3/4` at 3u.
#[test]
fn quadratic_and_cubic_products_have_their_closed_forms() {
    let (a, b, p, q) = (0.5, 0.25, 1e-3, 2e-4);
    let x: Vec<f64> = pair().stimulus(a, b).iter().map(|x| x + p * x * x + q * x.powi(3)).collect();
    let found = pair().analyse(&x, 5).unwrap();
    for (low, high, amplitude) in [
        (1, 1, p * a * b),
        (1, -1, p * a * b),
        (2, 0, p * a * a / 2.0),
        (0, 2, p * b * b / 2.0),
        (2, 1, 0.75 * q * a * a * b),
        (2, -1, 0.75 * q * a * a * b),
        (1, 2, 0.75 * q * a * b * b),
        (1, -2, 0.75 * q * a * b * b),
        (3, 0, q * a * a * a / 4.0),
        (1, 0, a + q * (0.75 * a * a * a + 1.5 * a * b * b)),
    ] {
        let product = found.get(low, high).unwrap();
        assert!(!product.shared, "{product:?}");
        // Floor of the coherent analysis: -290 dB of 0.5.
        let off = (product.amplitude.norm() - amplitude).abs();
        assert!(off < 5e-15, "{product:?}: {amplitude}");
    }
    let level = found.dbc(2, -1).unwrap();
    let tone = a + q * (0.75 * a * a * a + 1.5 * a * b * b);
    assert!((level - 20.0 * (0.75 * q * a * a * b / tone).log10()).abs() < 1e-9, "{level}");
    // Higher orders do not exist in a cubic.
    assert!(found.dbc(3, -2).unwrap() < -280.0);
    let second = (2.0 * (p * a * b).powi(2)).sqrt();
    let tones = (found.get(1, 0).unwrap().amplitude.norm_sqr()
        + found.get(0, 1).unwrap().amplitude.norm_sqr())
    .sqrt();
    assert!((found.distortion(2) * tones / second - 1.0).abs() < 1e-9);
    // Every product once: 2 n per order, 2 of them harmonics.
    assert_eq!(found.products.len(), 2 + 4 + 6 + 8 + 10);
}

#[test]
fn products_on_one_bin_are_marked() {
    let len = 64;
    let two = TwoTone::new(Tone::new(5, len).unwrap(), Tone::new(15, len).unwrap()).unwrap();
    let found = two.analyse(&two.stimulus(0.5, 0.5), 3).unwrap();
    // The third harmonic of the lower is the higher tone itself, which came first.
    assert!(found.get(3, 0).unwrap().shared && !found.get(0, 1).unwrap().shared);
    // f2 - f1 and 2 f1 are both 10 bins.
    assert!(found.get(1, -1).unwrap().shared && found.get(2, 0).unwrap().shared);
    let other = Tone::new(5, 128).unwrap();
    let low = Tone::new(5, len).unwrap();
    assert!(matches!(TwoTone::new(low, other), Err(Obstacle::WrongLength { .. })));
    assert!(TwoTone::new(low, low).is_err());
    assert!(two.analyse(&[0.0; 64], 1).is_err());
}
