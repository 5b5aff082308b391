use plumbtone_measure::reading::{Obstacle, Reading, Unit};

#[test]
fn a_reading_prints_two_digits_of_its_uncertainty() {
    let r = Reading::new(-12.34, Unit::Dbc, 0.02);
    assert_eq!(r.to_string(), "-12.340 ± 0.020 dBc");
    let exact = Reading::new(3.0, Unit::Ratio, 0.0);
    assert_eq!(exact.to_string(), "3.000000");
    let coarse = Reading::new(1234.5, Unit::Hertz, 37.0);
    assert_eq!(coarse.to_string(), "1234 ± 37 Hz");
}

#[test]
fn a_reading_at_its_floor_prints_a_bound() {
    let r = Reading::new(-310.0, Unit::Dbc, 0.1).with_floor(-290.0);
    assert!(r.at_floor());
    assert_eq!(r.to_string(), "<= -290.00 ± 0.10 dBc");
    assert!(!Reading::new(-100.0, Unit::Dbc, 0.1).with_floor(-290.0).at_floor());
}

#[test]
fn an_obstacle_names_parameter_value_and_range() {
    let o = Obstacle::OutOfRange { name: "rate", value: -1.0, low: 1.0, high: 2.0 };
    assert_eq!(o.to_string(), "rate is -1, must be within 1 to 2");
    assert!(Obstacle::TooShort { have: 3, need: 8 }.to_string().contains("at least 8"));
}
