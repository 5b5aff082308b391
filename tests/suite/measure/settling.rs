use plumbtone_measure::settling::settling;

/// `1 - e^(-n/100)` is within 1e-3 from n = 100 ln 1000 = 690.8 on.
#[test]
fn exponential_settles_when_its_closed_form_does() {
    let x: Vec<f64> = (0..2000).map(|n| 1.0 - (-f64::from(n) / 100.0).exp()).collect();
    let found = settling(&x, 1.0, 1e-3).unwrap().unwrap();
    assert_eq!((found.samples, found.overshoot), (691, 0.0));
    assert!((found.remaining - (-6.91f64).exp()).abs() < 1e-15, "{found:?}");
    assert_eq!(settling(&x, 1.1, 1e-3).unwrap(), None);
    assert_eq!(settling(&x, 1.0, 2.0).unwrap().unwrap().samples, 0);
}

/// Step of a second-order low-pass: overshoot `e^(-pi z/sqrt(1-z^2))`, z = 1/(2Q), any handbook.
#[test]
fn overshoot_of_a_second_order_step() {
    let z = 0.2_f64;
    let w = (1.0 - z * z).sqrt();
    // Peak at t = pi/w: sample it exactly.
    let x: Vec<f64> = (0..=4000)
        .map(|n| {
            let t = f64::from(n) * std::f64::consts::PI / w / 100.0;
            1.0 - (-z * t).exp() * ((w * t).cos() + z / w * (w * t).sin())
        })
        .collect();
    let found = settling(&x, 1.0, 1e-6).unwrap().unwrap();
    let exact = (-std::f64::consts::PI * z / w).exp();
    assert!((found.overshoot - exact).abs() < 1e-14, "{found:?} {exact}");
    // Falling instead of rising: the same.
    let down: Vec<f64> = x.iter().map(|x| -x).collect();
    assert_eq!(settling(&down, -1.0, 1e-6).unwrap().unwrap(), found);
    assert!(settling(&x, 1.0, 0.0).is_err() && settling(&[], 1.0, 1.0).is_err());
    assert!(settling(&[f64::NAN], 1.0, 1.0).is_err() && settling(&x, f64::NAN, 1.0).is_err());
}
