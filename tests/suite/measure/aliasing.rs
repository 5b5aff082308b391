use super::signals::sinc;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::aliasing::{Aliasing, listening_margin_db, required_attenuation_db};
use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_measure::reading::Obstacle;
use std::f64::consts::{PI, TAU};

/// Sum of the given (order, amplitude) lines of `tone`, phases as sines at sample 0.
fn lines(tone: Tone, orders: &[(usize, f64)]) -> Vec<f64> {
    (0..tone.samples())
        .map(|n| {
            orders.iter().map(|(k, a)| a * (TAU * tone.turns(n * k % tone.samples())).sin()).sum()
        })
        .collect()
}

#[test]
fn planted_aliases_are_recovered() {
    // 997/8192 at 48 kHz: f0 = 5841.8 Hz; orders 1 to 4 are harmonics, 5 folds to
    // 18.79 kHz, 9 to 4.58 kHz (below f0).
    let tone = Tone::new(997, 8192).unwrap();
    let place = |order| tone.fold(order) as f64 / 8192.0 * 48_000.0;
    let mut analyser = Coherent::new(8192).unwrap();
    for level in [1e-1, 1e-3, 1e-6, 1e-9] {
        let x = lines(tone, &[(1, 1.0), (2, 0.5), (5, level), (9, 0.5 * level)]);
        let spectrum = analyser.analyse(&x).unwrap();
        let a = Aliasing::of(spectrum, tone, 48_000.0, Aliasing::AUDIO_BAND_HZ).unwrap();
        let want = 10.0 * (1.25 * level * level / 1.25).log10();
        // Rounding noise 1e-16 per bin against a line of 1e-9 is 1e-6 dB.
        assert_abs_diff_eq!(a.alias_to_signal_db(), want, epsilon = 1e-5);
        assert_eq!(a.worst.unwrap().hz, place(5));
        assert_abs_diff_eq!(a.worst_dbc().unwrap().value, 20.0 * level.log10(), epsilon = 1e-5);
        assert_eq!(a.worst_below.unwrap().hz, place(9));
        assert_abs_diff_eq!(
            a.worst_below_dbc().unwrap().value,
            20.0 * (0.5 * level).log10(),
            epsilon = 1e-5
        );
        assert_relative_eq!(a.alias_power_above, level * level, max_relative = 1e-6);
    }
}

#[test]
fn the_band_excludes_what_lies_outside() {
    let tone = Tone::new(997, 8192).unwrap();
    let mut analyser = Coherent::new(8192).unwrap();
    let x = lines(tone, &[(1, 1.0), (5, 0.1)]);
    let spectrum = analyser.analyse(&x).unwrap();
    let narrow = Aliasing::of(spectrum, tone, 48_000.0, (20.0, 18_000.0)).unwrap();
    assert!(narrow.alias_to_signal_db() < -250.0);
    let none = Aliasing::of(spectrum, tone, 48_000.0, (100.0, 101.0));
    assert_eq!(none.unwrap_err(), Obstacle::NoTone);
    assert!(Aliasing::of(spectrum, tone, 0.0, (20.0, 20e3)).is_err());
    assert!(Aliasing::of(spectrum, tone, 48e3, (20e3, 20.0)).is_err());
}

#[test]
fn ramps_reach_the_tabled_alias_powers() {
    // Alias over harmonic power of the ramp smoothed to order n, 0 to 20 kHz, 44.1 kHz,
    // from (2/pi k) |sinc(k f0/fs)|^n with 20 000 harmonics (recomputed from the closed form; printed to
    // 0.1 dB). Here 32768 orders; f0 within half a bin of the tabled one moves the
    // figures by less than another 0.05 dB except where a line crosses 20 kHz.
    let table = [(440.0, [-19.7, -30.9, -37.8]), (2093.0, [-12.7, -23.9, -30.7])];
    let len = 65536;
    let mut analyser = Coherent::new(len).unwrap();
    for (hz, row) in table {
        let tone = Tone::nearest(hz, 44_100.0, len).unwrap();
        for (n, want) in row.into_iter().enumerate() {
            let orders: Vec<(usize, f64)> = (1..=len / 2 - 1)
                .map(|k| {
                    let x = k as f64 * f64::from(tone.periods()) / len as f64;
                    (k, 2.0 / (PI * k as f64) * sinc(x).abs().powi(n as i32))
                })
                .collect();
            let x = by_inverse_transform(tone, &orders);
            let spectrum = analyser.analyse(&x).unwrap();
            let a = Aliasing::of(spectrum, tone, 44_100.0, (0.0, 20_000.0)).unwrap();
            assert_abs_diff_eq!(a.alias_to_signal_db(), want, epsilon = 0.1);
        }
    }
}

/// The same as [`lines`] by one inverse transform, for many orders.
fn by_inverse_transform(tone: Tone, orders: &[(usize, f64)]) -> Vec<f64> {
    let len = tone.samples();
    // A cosine on bin b reads its amplitude there, so analysing a spectrum of real
    // amplitudes laid out as samples returns the cosines: the transform is its own inverse.
    let mut layout = vec![0.0; len];
    for &(k, a) in orders {
        let bin = tone.fold(k as u64);
        layout[bin] = a;
        layout[len - bin] = a;
    }
    let mut analyser = Coherent::new(len).unwrap();
    let bins = analyser.analyse(&layout).unwrap().bins().to_vec();
    let scale = |i: usize| if i == 0 || i == len / 2 { len as f64 / 2.0 } else { len as f64 / 4.0 };
    (0..len)
        .map(|n| {
            let i = n.min(len - n);
            bins[i].re * scale(i)
        })
        .collect()
}

#[test]
fn listening_thresholds_at_and_between_the_tested_tones() {
    for (hz, want) in [
        (415.0, 0.0),
        (932.0, 19.0),
        (1480.0, 26.0),
        (2093.0, 27.0),
        (3136.0, 32.0),
        (3951.0, 41.0),
    ] {
        assert_abs_diff_eq!(required_attenuation_db(hz), want, epsilon = 1e-12);
    }
    // The geometric mean of two tones takes the arithmetic mean of their thresholds.
    let middle = (932.0f64 * 1480.0).sqrt();
    assert_abs_diff_eq!(required_attenuation_db(middle), 22.5, epsilon = 1e-12);
    assert_eq!(required_attenuation_db(20.0), 0.0);
    assert_eq!(required_attenuation_db(12_000.0), 41.0);
    assert_abs_diff_eq!(listening_margin_db(2093.0, 30.0), 3.0, epsilon = 1e-12);
}

#[test]
fn attenuation_is_taken_from_the_trivial_waveform() {
    let tone = Tone::new(997, 8192).unwrap();
    let mut analyser = Coherent::new(8192).unwrap();
    let mut rate = |level: f64, scale: f64| {
        let x = lines(tone, &[(1, scale), (5, scale * level)]);
        Aliasing::of(analyser.analyse(&x).unwrap(), tone, 48e3, Aliasing::AUDIO_BAND_HZ).unwrap()
    };
    // Ten times smaller alias, half the volume: the volume must not count.
    let (trivial, better) = (rate(0.1, 1.0), rate(0.01, 0.5));
    assert_abs_diff_eq!(better.attenuation_db(&trivial), 20.0, epsilon = 1e-9);
}
