use plumbtone_measure::glide::{PathDeviation, arrival, path_deviation};

#[test]
fn an_exponential_glide_over_an_octave_arrives_by_its_closed_form() {
    // ln(1200/c) time constants: 7.0901 for 1 cent, 9.3927 for 0.1 cent.
    let tau = 1234.5;
    let x: Vec<f64> = (0..20_000).map(|n| 1.0 - (-f64::from(n) / tau).exp()).collect();
    for (cents, taus) in [(1.0, 7.0901), (0.1, 9.3927)] {
        let got = arrival(&x, 1.0, cents).unwrap().unwrap();
        assert_eq!(got, ((1200.0 / cents).ln() * tau).ceil() as usize);
        assert!((got as f64 / tau - taus).abs() <= 0.5e-4 + 1.0 / tau);
    }
    assert_eq!(arrival(&x[..5000], 1.0, 1.0), Ok(None));
    assert_eq!(arrival(&[0.5; 4], 0.5, 1.0), Ok(Some(0)));
}

#[test]
fn leaving_again_counts_as_not_arrived() {
    let mut x = vec![1.0; 100];
    x[0] = 0.0;
    assert_eq!(arrival(&x, 1.0, 1.0), Ok(Some(1)));
    x[40] = 1.0 + 1.01 / 1200.0;
    assert_eq!(arrival(&x, 1.0, 1.0), Ok(Some(41)));
    x[40] = 1.0 + 0.99 / 1200.0;
    assert_eq!(arrival(&x, 1.0, 1.0), Ok(Some(1)));
}

#[test]
fn a_straight_glide_one_sample_late_parts_by_one_step() {
    let path = |n: i32| f64::from(n.clamp(0, 600)) / 600.0;
    let reference: Vec<f64> = (0..700).map(path).collect();
    let late: Vec<f64> = (-1..699).map(path).collect();
    let found = path_deviation(&late, &reference).unwrap();
    assert!((found.cents + 2.0).abs() <= 1e-12 && found.index <= 600, "{found:?}");
    let same = path_deviation(&late, &late);
    assert_eq!(same, Ok(PathDeviation { cents: 0.0, index: 0 }));
    assert!(path_deviation(&late, &late[1..]).is_err());
    assert!(arrival(&late, f64::NAN, 1.0).is_err() && arrival(&late, 1.0, 0.0).is_err());
    assert!(arrival(&[], 1.0, 1.0).is_err() && path_deviation(&[f64::NAN], &[0.0]).is_err());
}
