use plumbtone_theory::evaluation::{Algorithm, NO_PUSHES, Pushes, SOURCES};
use plumbtone_theory::ladder::{Ladder, mixes, warped_ratio};
use plumbtone_theory::round_off::LowPass;
use plumbtone_theory::state_variable::Output;
use plumbtone_theory::{Complex64, db, tables};
use std::f64::consts::{PI, TAU};

fn ladder(mix: [f64; 5]) -> Algorithm {
    Algorithm::Ladder { mix, compensation: 0.0 }
}

fn saturating(oversampling: usize) -> Algorithm {
    Algorithm::TanhLadder { mix: mixes::LOW_4, compensation: 0.0, drive: 1.0, oversampling }
}

/// Transforms at `xs` of the impulse response over `count` samples, and the sum of its magnitudes.
fn transforms(
    filter: &Algorithm,
    (cutoff, resonance): (f64, f64),
    xs: &[f64],
    (height, count): (f64, usize),
) -> (Vec<Complex64>, f64) {
    let mut evaluation = filter.start();
    let coefficients = filter.coefficients(cutoff, resonance);
    let mut sums = vec![Complex64::ZERO; xs.len()];
    let mut size = 0.0;
    // A turning phasor is set afresh every 1024 samples.
    const BLOCK: usize = 1024;
    for block in 0..count.div_ceil(BLOCK) {
        let mut now: Vec<(Complex64, Complex64)> = xs
            .iter()
            .map(|x| {
                let turned = (x * (block * BLOCK) as f64).fract();
                (Complex64::from_polar(1.0, -TAU * turned), Complex64::from_polar(1.0, -TAU * x))
            })
            .collect();
        for n in 0..BLOCK {
            let input = if block + n == 0 { height } else { 0.0 };
            let y = evaluation.step(input, &coefficients, &NO_PUSHES) / height;
            size += y.abs();
            for (sum, (phasor, turn)) in sums.iter_mut().zip(&mut now) {
                *sum += y * *phasor;
                *phasor *= *turn;
            }
        }
    }
    (sums, size)
}

/// 20 Hz to 0.45 of the rate, at 48 kHz.
const XS: [f64; 6] = [20.0 / 48_000.0, 100.0 / 48_000.0, 0.0207, 0.1, 0.31, 0.45];

/// `decay` is e-folds per period of the cutoff, at the least. 34 of them are 2e-15.
fn hold(filter: &Algorithm, cutoff: f64, resonance: f64, decay: f64) -> f64 {
    let count = (34.0 / (decay * cutoff)) as usize + 4096;
    let mut xs = XS.to_vec();
    xs.push(cutoff);
    let (sums, size) = transforms(filter, (cutoff, resonance), &xs, (1.0, count));
    let mut worst = 0.0_f64;
    for (sum, x) in sums.iter().zip(&xs) {
        let closed = filter.response(*x, cutoff, resonance);
        // What cancels in a stop band has lost the digits of what it is the sum of: the response
        // in time, and inside of the filter signals that ring 1/(1-r) times as long, up to 16
        // roundings of them in a mix.
        let off = (sum - closed).norm();
        let allowed = 1e-9 * closed.norm() + 1e-14 * size + 16.0 * f64::EPSILON / (1.0 - resonance);
        assert!(off <= allowed, "{filter:?} {cutoff} {resonance} at {x}: {off:e} > {allowed:e}");
        // Where the response stands well above that.
        if closed.norm() > 1e-3 * size {
            worst = worst.max(off / closed.norm());
        }
    }
    worst
}

#[test]
fn impulse_responses_transform_into_closed_forms() {
    let cutoffs = [20.0 / 48_000.0, 1000.0 / 48_000.0, 0.1, 0.3, 0.45];
    let mut worst = 0.0_f64;
    for cutoff in cutoffs {
        for resonance in [0.0, 0.25, 0.9, 0.99975] {
            // 6 million samples suffice where Q = 8000 is not asked of 20 Hz.
            let near = if cutoff < 0.01 { 0.99 } else { 0.99975 };
            let resonance = f64::min(resonance, near);
            let mut all: Vec<Algorithm> =
                Output::ALL.into_iter().map(|output| Algorithm::StateVariable { output }).collect();
            all.extend([
                ladder(mixes::LOW_4),
                ladder(mixes::BAND_4),
                ladder(mixes::HIGH_4),
                Algorithm::Ladder { mix: mixes::LOW_2, compensation: 0.5 },
            ]);
            // Real part of the slowest pole over the cutoff: 1 - k^(1/4)/sqrt 2 of the ladder, 1 - r
            // of the state variable, which is more. Per sample a trapezoidal pole falls by
            // 2t/(1 + t^2) of it, which is sin(2 pi fc/fs).
            let rest = 1.0 - resonance.powf(0.25);
            for filter in &all {
                let decay = rest * (TAU * cutoff).sin() / cutoff;
                worst = worst.max(hold(filter, cutoff, resonance, decay));
            }
        }
        for high in [false, true] {
            worst = worst.max(hold(&Algorithm::OnePole { high }, cutoff, 0.0, 0.6));
        }
        worst = worst.max(hold(&Algorithm::DcBlocker, cutoff, 0.0, 0.6));
    }
    println!("evaluation against closed forms: {worst:e}");
}

#[test]
fn loops_with_a_delay_transform_into_closed_forms() {
    for cutoff in [20.0 / 48_000.0, 0.01, 0.1, 0.2] {
        for resonance in [0.0, 0.3, 0.9] {
            for mix in [mixes::LOW_4, mixes::BAND_2, mixes::HIGH_4] {
                for filter in [
                    Algorithm::DelayedLadder { mix, compensation: 0.5 },
                    Algorithm::NaiveLadder { mix, compensation: 0.0 },
                ] {
                    hold(&filter, cutoff, resonance, 0.02);
                }
            }
            for output in Output::ALL {
                // Stable up to 0.13 without resonance.
                let cutoff = cutoff.min(0.12);
                hold(&Algorithm::TwoIntegratorLoop { output }, cutoff, resonance, 0.05);
            }
        }
    }
}

/// The saturating ladder with its half-bands at a level where `tanh x = x`: `x^2/3` is 3e-15.
#[test]
fn small_signals_pass_the_saturating_ladder_as_its_closed_form() {
    for (oversampling, latency) in [(1, 0.0), (2, 31.0), (4, 35.5)] {
        let filter = saturating(oversampling);
        for (cutoff, resonance) in [(0.01, 0.0), (0.1, 0.5), (0.2, 0.9)] {
            let (sums, size) = transforms(&filter, (cutoff, resonance), &XS, (1e-7, 8192));
            for (sum, x) in sums.iter().zip(XS) {
                let closed = filter.response(x, cutoff, resonance);
                let late = closed * Complex64::from_polar(1.0, -TAU * latency * x);
                let off = (sum - late).norm();
                // Solutions are within 2^-51 of what flows, 1e-7 times as large as this level.
                let allowed = 1e-9 * closed.norm() + 1e-8 * size;
                assert!(off <= allowed, "{oversampling} {cutoff} {x}: {off:e} > {allowed:e}");
            }
        }
    }
}

/// In the passband the half-bands leave the ladder at the inner rate.
#[test]
fn oversampled_response_is_that_of_the_inner_rate() {
    for oversampling in [2, 4] {
        for x in [0.001, 0.1, 0.3, 0.4] {
            let rate = oversampling as f64;
            let inner = Ladder::new(2.0).unwrap();
            let inner = inner.response(warped_ratio(x / rate, 0.1 / rate));
            let whole = saturating(oversampling).response(x, 0.1, 0.5);
            // Ripples of both half-bands, twice each, and their images; tables.
            let allowed = 4.0 * (1.732_765e-5 + 4.226_067e-6);
            assert!((whole - inner).norm() <= allowed, "{oversampling} {x}");
        }
    }
}

/// What is solved satisfies the four equations of the stages.
#[test]
fn saturating_ladder_solves_its_equations() {
    let tap = |n: usize| {
        let mut mix = [0.0; 5];
        mix[n] = 1.0;
        Algorithm::TanhLadder { mix, compensation: 0.0, drive: 4.0, oversampling: 1 }
    };
    for (cutoff, resonance) in [(0.01, 0.5), (0.2, 0.9), (0.44, 1.5)] {
        let (g, k) = ((PI * cutoff).tan(), 4.0 * resonance);
        let mut nodes: Vec<_> = (0..5).map(|n| tap(n).start()).collect();
        let mut states = [0.0; 4];
        let mut random = super::Lcg(1);
        for _ in 0..2000 {
            let x = 2.0 * f64::from(random.next()) / 4_294_967_296.0 - 1.0;
            let v: Vec<f64> = nodes
                .iter_mut()
                .map(|node| 4.0 * node.tick(x, cutoff, resonance, &NO_PUSHES))
                .collect();
            let off = (v[0] - (4.0 * x - k * v[4])).abs();
            assert!(off <= 1e-13 * (1.0 + g), "{cutoff} {x}: {off:e} {v:?}");
            for i in 0..4 {
                let residue = states[i] + g * (v[i].tanh() - v[i + 1].tanh()) - v[i + 1];
                // Newton ends within 2^-51 of bounds that are g apart, and k enlarges that.
                assert!(residue.abs() <= 1e-13 * (1.0 + g), "{cutoff}: {residue:e}");
                states[i] = 2.0 * v[i + 1] - states[i];
            }
        }
    }
}

/// scipy's poles: sections at their frequencies and Qs, in a row, against the product of
/// `1/(1 - s/p)`, frequencies warped.
#[test]
fn cascades_follow_the_pole_tables() {
    let cutoff = 0.05;
    let unwarped = |ratio: f64| (ratio * (PI * cutoff).tan()).atan() / PI;
    for rows in [tables::butterworth_poles().unwrap(), tables::bessel_poles().unwrap()] {
        for order in 2..=10 {
            let own: Vec<_> = rows.iter().filter(|row| row.order == order).collect();
            let mut sections: Vec<_> = own
                .iter()
                .map(|row| {
                    let filter = match row.pole.im > 0.0 {
                        true => Algorithm::StateVariable { output: Output::Low },
                        false => Algorithm::OnePole { high: false },
                    };
                    (filter.start(), unwarped(row.ratio()), 1.0 - 0.5 / row.quality())
                })
                .collect();
            let impulse: Vec<f64> = (0..4096)
                .map(|n| {
                    let input = f64::from(u8::from(n == 0));
                    sections.iter_mut().fold(input, |x, (section, cutoff, resonance)| {
                        section.tick(x, *cutoff, *resonance, &NO_PUSHES)
                    })
                })
                .collect();
            for x in [20.0 / 48_000.0, 0.01, 0.04, 0.05, 0.06, 0.1, 0.2] {
                let turn = |n: usize| Complex64::from_polar(1.0, -TAU * (x * n as f64).fract());
                let found: Complex64 = impulse.iter().enumerate().map(|(n, y)| y * turn(n)).sum();
                let s = Complex64::new(0.0, warped_ratio(x, cutoff));
                let poles = own.iter().map(|row| {
                    let mirrored =
                        if row.pole.im > 0.0 { 1.0 - s / row.pole.conj() } else { 1.0.into() };
                    (1.0 - s / row.pole) * mirrored
                });
                let truth = 1.0 / poles.product::<Complex64>();
                // Far down, 4096 terms of 1e-16 stand against the level.
                let allowed = 0.001 + 8.7 * 1e-14 / truth.norm();
                let off = db(found.norm() / truth.norm()).abs();
                assert!(off <= allowed, "order {order} at {x}: {off} dB");
            }
        }
    }
}

/// Magnitudes of the table (mpmath, 20 digits) through the trapezoidal rule.
#[test]
fn ladder_follows_the_table() {
    let cutoff = 0.05;
    let rows = tables::ladder_response().unwrap();
    let mut seen = 0;
    let mut ks: Vec<f64> = rows.iter().map(|row| row.k).collect();
    ks.dedup();
    for k in ks {
        let own: Vec<_> =
            rows.iter().filter(|row| row.k == k && row.figure == "magnitude_db").collect();
        let xs: Vec<f64> =
            own.iter().map(|row| (row.ratio * (PI * cutoff).tan()).atan() / PI).collect();
        let resonance = k / 4.0;
        let rest = 1.0 - (0.25 * k).sqrt().sqrt();
        let count = (34.0 / (TAU * rest * 0.9 * cutoff)) as usize + 1024;
        let (sums, size) =
            transforms(&ladder(mixes::LOW_4), (cutoff, resonance), &xs, (1.0, count));
        for (row, sum) in own.iter().zip(sums) {
            let truth = 10f64.powf(row.value / 20.0);
            let off = (sum.norm() / truth - 1.0).abs();
            let allowed = 1e-9 + 1e-14 * size / truth;
            assert!(off <= allowed, "{row:?}: {off:e} > {allowed:e}");
            seen += 1;
        }
    }
    assert_eq!(seen, 190);
}

/// A tuning that changes with every sample: the textbook equations written out once more, with
/// the states as the convention has them.
#[test]
fn modulated_filters_keep_their_states() {
    let mut evaluation = Algorithm::StateVariable { output: Output::Band }.start();
    let mut one = Algorithm::OnePole { high: false }.start();
    let (mut s1, mut s2, mut s) = (0.0_f64, 0.0_f64, 0.0_f64);
    for n in 0..5000 {
        let t = f64::from(n);
        let (x, cutoff) = ((0.3 * t).sin(), 0.1 * (1.0 + 0.9 * (0.017 * t).sin()));
        let resonance = 0.5 + 0.4 * (0.011 * t).cos();
        let (g, r) = ((PI * cutoff).tan(), 2.0 - 2.0 * resonance);
        // Solved for the band instead of the high-pass.
        let band = (s1 + g * (x - s2)) / (1.0 + g * (g + r));
        let low = s2 + g * band;
        (s1, s2) = (2.0 * band - s1, 2.0 * low - s2);
        let found = evaluation.tick(x, cutoff, resonance, &NO_PUSHES);
        assert!((found - band).abs() <= 1e-12, "{n}: {found} {band}");
        let low = (g * x + s) / (1.0 + g);
        s = 2.0 * low - s;
        let found = one.tick(x, cutoff, 0.0, &NO_PUSHES);
        assert!((found - low).abs() <= 1e-12, "{n}: {found} {low}");
    }
}

fn unit(source: usize) -> Pushes {
    let mut pushes = NO_PUSHES;
    pushes[source] = 1.0;
    pushes
}

/// l2 norms are what the Lyapunov equation says of the same structure: a push of 1 at integrator i
/// adds 2g to its state and g to the output of the same sample.
#[test]
fn gains_match_the_lyapunov_equation() {
    for row in tables::noise_gains().unwrap() {
        let cutoff = row.fc_hz / 48_000.0;
        let filter = Algorithm::StateVariable { output: Output::Low };
        let resonance = 1.0 - 0.5 / row.quality;
        let gains = filter.gains(cutoff, resonance).unwrap();
        let (g, space) = ((PI * cutoff).tan(), LowPass::new(cutoff, row.quality).unwrap());
        match row.structure {
            "trapezoidal" => {
                let mut space = space.trapezoidal();
                for (source, through) in [(1, 0.0), (2, g)] {
                    space.roundings = vec![[[2.0 * g, 0.0], [0.0, 2.0 * g]][source - 1]];
                    let power = space.noise_gain().unwrap() + through * through;
                    let found = gains.sources[source].l2.powi(2);
                    assert!((found / power - 1.0).abs() < 1e-9, "{row:?} {source}");
                }
                // The input: what a sample leaves in the states, and what it is at once.
                space.roundings = vec![space.input];
                let power = space.noise_gain().unwrap() + space.through.powi(2);
                assert!((gains.input.l2.powi(2) / power - 1.0).abs() < 1e-9, "{row:?}");
                assert_eq!(gains.input, gains.sources[0]);
                let (_, out) = space.peak_gains(1 << 24).unwrap();
                assert!((gains.input.l1 / out.low - 1.0).abs() < 1e-8, "{row:?}");
                // The table: each state rounded, which reaches the output one sample later.
                let both = [1, 2].map(|source| {
                    let through = if source == 2 { g } else { 0.0 };
                    (gains.sources[source].l2.powi(2) - through * through) / (4.0 * g * g)
                });
                let found = 10.0 * (both[0] + both[1]).log10();
                assert!((found - row.gain_db).abs() < 1e-6, "{row:?}: {found}");
            }
            "classic" => {
                let filter = Algorithm::TwoIntegratorLoop { output: Output::Low };
                let f = filter.coefficients(cutoff, resonance).pole;
                let gains = filter.gains(cutoff, resonance).unwrap();
                // Sources 1 and 2 are f times a rounding of band and low.
                let sum = gains.sources[1].l2.powi(2) + gains.sources[2].l2.powi(2);
                let found = 10.0 * (sum / (f * f)).log10();
                assert!((found - row.gain_db).abs() < 1e-6, "{row:?}: {found}");
            }
            _ => {}
        }
    }
}

/// One pole: `h = G, then 2G (1-G) (1-2G)^(n-1)`; the blocker: `1, -2G (1-2G)^(n-1)`.
#[test]
fn gains_of_first_order_filters_have_closed_forms() {
    for cutoff in [20.0 / 48_000.0, 0.02, 0.2, 0.4] {
        let t = (PI * cutoff).tan();
        let (g, p) = (t / (1.0 + t), (1.0 - t) / (1.0 + t));
        let norms = Algorithm::OnePole { high: false }.gains(cutoff, 0.0).unwrap().input;
        let l1 = g + 2.0 * g * (1.0 - g) / (1.0 - p.abs());
        let l2 = (g * g + 4.0 * g * g * (1.0 - g) * (1.0 - g) / (1.0 - p * p)).sqrt();
        assert!((norms.l1 / l1 - 1.0).abs() < 1e-11 && (norms.l2 / l2 - 1.0).abs() < 1e-11);
        let gains = Algorithm::DcBlocker.gains(cutoff, 0.0).unwrap();
        let l1 = 1.0 + 2.0 * g / (1.0 - p.abs());
        assert!((gains.input.l1 / l1 - 1.0).abs() < 1e-11, "{cutoff}");
        assert!((gains.sources[1].l1 * (1.0 - p.abs()) - 1.0).abs() < 1e-11, "{cutoff}");
        assert_eq!((gains.sources[5].l1, gains.sources[4].l1), (1.0, 0.0));
    }
}

/// Parseval: the l2 norm of the ladder from its closed form.
#[test]
fn gains_of_ladders_are_the_areas_of_their_responses() {
    for (cutoff, resonance) in [(0.01, 0.0), (0.05, 0.5), (0.2, 0.9)] {
        for filter in [
            ladder(mixes::LOW_4),
            Algorithm::DelayedLadder { mix: mixes::BAND_2, compensation: 0.0 },
            saturating(1),
        ] {
            // A periodic function sampled often enough: its mean is exact.
            const POINTS: u32 = 1 << 14;
            let at = |i: u32| (f64::from(i) + 0.5) / f64::from(2 * POINTS);
            let area: f64 =
                (0..POINTS).map(|i| filter.response(at(i), cutoff, resonance).norm_sqr()).sum();
            let gains = filter.gains(cutoff, resonance).unwrap();
            let found = gains.input.l2 / (area / f64::from(POINTS)).sqrt();
            assert!((found - 1.0).abs() < 1e-9, "{filter:?}: {found}");
            // The loop input is where the input arrives, times the drive.
            assert!((gains.sources[0].l2 / gains.input.l2 - 1.0).abs() < 1e-12, "{filter:?}");
        }
    }
}

/// Pushes of a train add up, in time and over sources.
#[test]
fn trains_are_sums_of_pushes() {
    let filter = ladder(mixes::LOW_3);
    let coefficients = filter.coefficients(0.1, 0.5);
    let train = [unit(2).map(|p| 0.5 * p), unit(0).map(|p| -2.0 * p)];
    let [mut a, mut b, mut c] = [filter.start(), filter.start(), filter.start()];
    let mut last = 0.0;
    let (mut l1, mut power) = (0.0, 0.0);
    for n in 0..4000 {
        let first = |source| if n == 0 { unit(source) } else { NO_PUSHES };
        let one = 0.5 * a.step(0.0, &coefficients, &first(2));
        let two = -2.0 * b.step(0.0, &coefficients, &first(0));
        let sum = one + last;
        last = two;
        l1 += sum.abs();
        power += sum * sum;
        let whole = c.step(0.0, &coefficients, train.get(n).unwrap_or(&NO_PUSHES));
        assert!((whole - sum).abs() <= 1e-14, "{n}");
    }
    let norms = filter.norms(&coefficients, &train).unwrap();
    assert!((norms.l1 / l1 - 1.0).abs() < 1e-11 && (norms.l2 / power.sqrt() - 1.0).abs() < 1e-11);
}

#[test]
fn what_does_not_decay_has_no_gains() {
    let delayed = Algorithm::DelayedLadder { mix: mixes::LOW_4, compensation: 0.0 };
    for (filter, resonance) in [
        (ladder(mixes::LOW_4), 1.0),
        (ladder(mixes::LOW_4), 1.2),
        (delayed, 1.2),
        (saturating(2), 1.0),
        (Algorithm::StateVariable { output: Output::Band }, 1.0),
        (Algorithm::TwoIntegratorLoop { output: Output::Low }, 1.0),
    ] {
        let error = filter.gains(0.01, resonance).unwrap_err();
        assert_eq!(error.name, "feedback", "{filter:?}");
        assert!(filter.gains(0.01, 0.99).is_ok(), "{filter:?}");
    }
    assert!(ladder(mixes::LOW_4).gains(0.0, 0.0).is_err());
    assert!(ladder(mixes::LOW_4).response(0.1, 0.1, f64::NAN).re.is_nan());
    assert_eq!(unit(3).len(), SOURCES);
}
