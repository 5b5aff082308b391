use super::signals::Noise;
use approx::{assert_abs_diff_eq, assert_relative_eq};
use plumbtone_measure::reading::{Obstacle, Unit};
use plumbtone_measure::stages::{Kind, Options, StageReading, find};

/// One planted stage: `(1 - exp(-bend u))/(1 - exp(-bend))` of the way at u = n/samples.
#[derive(Clone, Copy, Debug)]
struct Planted {
    samples: usize,
    from: f64,
    to: f64,
    bend: f64,
}

impl Planted {
    fn at(&self, n: usize) -> f64 {
        let u = n as f64 / self.samples as f64;
        let way =
            if self.bend == 0.0 { u } else { (-self.bend * u).exp_m1() / (-self.bend).exp_m1() };
        self.from + (self.to - self.from) * way
    }
}

fn trace(plan: &[Planted]) -> Vec<f64> {
    let inner = plan.iter().flat_map(|s| (0..s.samples).map(|n| s.at(n)));
    inner.chain([plan[plan.len() - 1].to]).collect()
}

fn starts(plan: &[Planted]) -> Vec<usize> {
    (0..plan.len()).map(|i| plan[..i].iter().map(|s| s.samples).sum()).collect()
}

/// What random stages are drawn from.
struct Draw {
    samples: (f64, f64),
    bends: f64,
    least_rise: f64,
}

/// Hard: down to 8 samples, time constants down to one, tangential joints and all.
const HARD: Draw = Draw { samples: (8.0, 50_000.0), bends: 8.0, least_rise: 0.05 };
/// What can be told apart in noise.
const PLAIN: Draw = Draw { samples: (200.0, 20_000.0), bends: 4.0, least_rise: 0.2 };

/// Two to eight stages. Lengths are spread evenly by their logarithm; one in seven is flat,
/// never two in a row; of the others one in five is a straight line.
fn random(noise: &mut Noise, draw: &Draw) -> Vec<Planted> {
    let count = 2 + (7.0 * noise.uniform()) as usize;
    let mut from = 2.0 * noise.uniform() - 1.0;
    let mut plan: Vec<Planted> = Vec::new();
    while plan.len() < count {
        let (least, most) = draw.samples;
        let samples = (least * (most / least).powf(noise.uniform())) as usize;
        let flat = noise.uniform() < 1.0 / 7.0 && plan.last().is_none_or(|s| s.from != s.to);
        let to = if flat { from } else { 2.0 * noise.uniform() - 1.0 };
        if !flat && (to - from).abs() < draw.least_rise {
            continue;
        }
        let line = noise.uniform() < 0.2;
        let bend = if line { 0.0 } else { draw.bends * (2.0 * noise.uniform() - 1.0) };
        plan.push(Planted { samples, from, to, bend });
        from = to;
    }
    plan
}

/// Every corner to the exact sample in every one of `count` hard traces.
fn recover(count: u64, options: &Options, format: impl Fn(f64) -> f64) {
    for seed in 0..count {
        let plan = random(&mut Noise::seeded(seed), &HARD);
        let x: Vec<f64> = trace(&plan).into_iter().map(&format).collect();
        let got = find(&x, options).unwrap();
        let firsts: Vec<usize> = got.iter().map(|s| s.first).collect();
        assert_eq!(firsts, starts(&plan), "seed {seed}: {plan:#?}");
        for (stage, planted) in got.iter().zip(&plan) {
            assert!((stage.start.value - stage.first as f64).abs() <= 0.5, "{seed}: {stage:?}");
            // Twice the expanded uncertainty: 1500 stages are drawn.
            let near = |got: plumbtone_measure::Reading, want: f64| {
                let wide = 2.0 * got.uncertainty + 1e-15;
                assert!((got.value - want).abs() <= wide, "seed {seed}: {got} for {want}");
            };
            near(stage.level_start, planted.from);
            near(stage.level_end, planted.to);
            if stage.kind == Kind::Exponential {
                near(stage.bend, planted.bend);
                near(stage.time_constant, planted.samples as f64 / planted.bend);
            } else if planted.from == planted.to {
                assert_eq!(stage.kind, Kind::Constant, "seed {seed}: {stage:?}");
            }
        }
    }
}

#[test]
fn every_corner_of_a_computed_trace_to_the_exact_sample() {
    recover(200, &Options::F64, |y| y);
}

#[test]
fn every_corner_of_a_fixed_point_trace_to_the_exact_sample() {
    let scale = 2f64.powi(31);
    recover(100, &Options::Q31, |y| (y * scale).round() / scale);
}

#[test]
fn every_corner_of_a_single_precision_trace_to_the_exact_sample() {
    recover(100, &Options::F32, |y| f64::from(y as f32));
}

#[test]
fn time_constants_of_computed_traces_to_a_millionth() {
    for seed in 0..30 {
        let plan = random(&mut Noise::seeded(1000 + seed), &PLAIN);
        let got = find(&trace(&plan), &Options::F64).unwrap();
        assert_eq!(got.len(), plan.len());
        for (stage, planted) in got.iter().zip(&plan) {
            let flat = planted.from == planted.to;
            let kind = match planted.bend {
                _ if flat => Kind::Constant,
                0.0 => Kind::Line,
                _ => Kind::Exponential,
            };
            assert_eq!(stage.kind, kind, "{planted:?}");
            assert!(stage.residual_rms <= 1e-14, "{stage:?}");
            if kind == Kind::Exponential {
                let want = planted.samples as f64 / planted.bend;
                assert_relative_eq!(stage.time_constant.value, want, max_relative = 1e-6);
            }
        }
    }
}

#[test]
fn corners_in_noise_have_honest_uncertainties() {
    // 40 traces at each level with some 150 corners. The right number of stages: noise of
    // 40 dB hides a short flat stage here and there.
    let (mut inside, mut wild, mut corners) = (0, 0, 0);
    for (seed, (sigma, least)) in (0..).zip([(1e-2, 35), (1e-3, 39), (1e-5, 39)]) {
        let mut noise = Noise::seeded(70 + seed);
        let mut found = 0;
        for _ in 0..40 {
            let plan = random(&mut noise, &PLAIN);
            let mut x = trace(&plan);
            x.iter_mut().for_each(|y| *y += sigma * noise.gaussian());
            let got = find(&x, &Options { tolerance: 0.0, ..Options::F64 }).unwrap();
            if got.len() != plan.len() {
                continue;
            }
            found += 1;
            for (stage, want) in got.iter().zip(starts(&plan)).skip(1) {
                let off = (stage.start.value - want as f64).abs() / stage.start.uncertainty;
                corners += 1;
                inside += i32::from(off <= 1.0);
                wild += i32::from(off > 2.0);
            }
        }
        assert!(found >= least, "{sigma}: {found} found");
    }
    // A share of 0.9545 of 450 scatters by 0.0098; three of that.
    let share = f64::from(inside) / f64::from(corners);
    assert!((0.925..=0.984).contains(&share), "{inside} of {corners}");
    // Joints that are nearly tangential do not follow the normal law: one corner in 200 of
    // 7000 drawn, so two or three here, and three sigma of that more.
    assert!(wild <= corners / 50, "{wild} of {corners}");
}

/// Attack toward 1.3, decay to `sustain`, ended where 2^-20 is left, and hold.
fn contour(attack: f64, tau: f64, sustain: f64, hold: usize) -> (Vec<f64>, [usize; 2]) {
    let rise = attack / (1.3f64 / 0.3).ln();
    let up = |n: usize| 1.3 * -(-(n as f64) / rise).exp_m1();
    let peak = (0..).find(|n| (up(*n) + up(n + 1)) / 2.0 >= 1.0).unwrap();
    let left = ((1.0 - sustain) * f64::from(1 << 20)).ln() * tau;
    let end = peak + left.ceil() as usize;
    let down = |n: usize| sustain + (1.0 - sustain) * (-((n - peak) as f64) / tau).exp();
    let x = (0..end + hold).map(|n| match n {
        n if n < peak => up(n),
        n if n < end => down(n),
        _ => sustain,
    });
    (x.collect(), [peak, end])
}

#[test]
fn a_peak_between_samples_and_a_last_step_of_a_millionth() {
    // The attack would pass 1 between two samples: the nearest is put to 1. The decay never
    // arrives: it ends with a step of 2^-20, which f64 and Q1.31 show and noise would not.
    let scale = 2f64.powi(31);
    for (attack, tau) in [(100.3, 80.0), (480.0, 700.7), (9_876.5, 5_000.0)] {
        let (x, corners) = contour(attack, tau, 0.4, 3000);
        let rounded: Vec<f64> = x.iter().map(|y| (y * scale).round() / scale).collect();
        for (x, options) in [(&x, Options::F64), (&rounded, Options::Q31)] {
            let got = find(x, &options).unwrap();
            let firsts: Vec<usize> = got.iter().map(|s| s.first).collect();
            assert_eq!(firsts, [0, corners[0], corners[1]], "{attack}, {tau}");
            assert_relative_eq!(got[0].target.value, 1.3, max_relative = 1e-6);
            assert_relative_eq!(got[1].time_constant.value, tau, max_relative = 1e-6);
            assert_eq!(got[2].kind, Kind::Constant);
            assert_abs_diff_eq!(got[2].level_start.value, 0.4, epsilon = 3e-10);
        }
    }
    // In noise of 60 dB decay and sustain are one curve; the peak is still the peak.
    let (mut x, corners) = contour(480.0, 700.7, 0.4, 3000);
    let mut noise = Noise::seeded(5);
    x.iter_mut().for_each(|y| *y += 1e-3 * noise.gaussian());
    let got = find(&x, &Options::F64).unwrap();
    assert_eq!(got.len(), 2);
    let off = (got[1].start.value - corners[0] as f64).abs();
    assert!(off <= 0.5 + got[1].start.uncertainty, "{}", got[1].start);
    assert_abs_diff_eq!(got[1].target.value, 0.4, epsilon = 2.0 * got[1].target.uncertainty);
}

#[test]
fn a_stage_one_sample_longer_reads_one_sample_longer() {
    let plan = |samples| {
        [
            Planted { samples, from: 0.0, to: 1.0, bend: 3.0 },
            Planted { samples: 700, from: 1.0, to: 0.3, bend: 5.0 },
            Planted { samples: 400, from: 0.3, to: 0.3, bend: 0.0 },
        ]
    };
    for samples in [10, 480, 48_000] {
        let ends = [samples, samples + 1].map(|n| {
            let got = find(&trace(&plan(n)), &Options::F64).unwrap();
            assert_eq!(got.len(), 3);
            got[0].end
        });
        assert_abs_diff_eq!(ends[1].value - ends[0].value, 1.0, epsilon = 1e-6);
        assert!(ends.iter().all(|end| end.uncertainty <= 1e-6 && end.unit == Unit::Samples));
    }
    // A time constant off by three millionths is beyond the reading's uncertainty.
    let slow = Planted { samples: 480, from: 0.0, to: 1.0, bend: 3.0 / (1.0 + 3e-6) };
    let mut plan = plan(480);
    plan[0] = slow;
    let got = find(&trace(&plan), &Options::F64).unwrap()[0].time_constant;
    assert!((got.value / 160.0 - 1.0).abs() > 1e-6 + got.uncertainty / 160.0, "{got}");
}

#[test]
fn jumps_of_level_are_corners() {
    let mut x = vec![0.0; 100];
    x.extend([0.75; 50]);
    x.extend((0..200).map(|n| 0.25 - 1e-3 * f64::from(n)));
    let got = find(&x, &Options::F64).unwrap();
    let firsts: Vec<(usize, Kind)> = got.iter().map(|s| (s.first, s.kind)).collect();
    assert_eq!(firsts, [(0, Kind::Constant), (100, Kind::Constant), (150, Kind::Line)]);
    assert!(got.iter().all(|s| s.start.uncertainty == 0.0));
    assert_abs_diff_eq!(got[2].level_start.value, 0.25, epsilon = 1e-12);
}

#[test]
fn one_curve_is_one_stage() {
    let only = |x: &[f64]| -> StageReading {
        let got = find(x, &Options::F64).unwrap();
        assert_eq!(got.len(), 1, "{got:?}");
        got[0]
    };
    assert_eq!(only(&[0.0; 1000]).kind, Kind::Constant);
    assert_eq!(only(&[-0.7; 6]).kind, Kind::Constant);
    let line: Vec<f64> = (0..1000).map(|n| 1e-3 * f64::from(n)).collect();
    assert_eq!(only(&line).kind, Kind::Line);
    let decay: Vec<f64> = (0..100_000).map(|n| (-f64::from(n) / 50.0).exp()).collect();
    let got = only(&decay);
    assert_eq!((got.kind, got.end.value), (Kind::Exponential, 99_999.0));
    assert_relative_eq!(got.time_constant.value, 50.0, max_relative = 1e-12);
    // White noise alone is a constant; a thousand samples of it a hundred times over.
    let mut noise = Noise::seeded(2);
    for _ in 0..100 {
        let x: Vec<f64> = (0..1000).map(|_| 0.1 * noise.gaussian()).collect();
        assert_eq!(only(&x).kind, Kind::Constant);
    }
}

#[test]
fn a_million_samples_are_split_with_noise_and_without() {
    let mut from = 0.0;
    let plan: Vec<Planted> = (0..8u32)
        .map(|i| {
            let to = if i % 2 == 0 { 0.9 - 0.05 * f64::from(i) } else { 0.1 };
            let stage = Planted { samples: 125_000, from, to, bend: f64::from(i) - 3.5 };
            from = to;
            stage
        })
        .collect();
    let mut x = trace(&plan);
    let mut noise = Noise::seeded(3);
    for sigma in [0.0, 1e-3] {
        x.iter_mut().for_each(|y| *y += sigma * noise.gaussian());
        assert_eq!(find(&x, &Options::F64).unwrap().len(), 8);
    }
}

#[test]
fn whatever_the_trace_the_stages_cover_it_in_order() {
    let mut noise = Noise::seeded(11);
    for trial in 0..400usize {
        let len = 6 + (250.0 * noise.uniform()) as usize;
        let scale = 10f64.powf(20.0 * noise.uniform() - 10.0);
        let x: Vec<f64> = (0..len)
            .map(|n| match trial % 4 {
                0 => scale * noise.gaussian(),
                1 => scale * f64::from(u8::from(noise.uniform() < 0.1)),
                2 => (scale * noise.uniform()).floor(),
                _ => scale * ((n * n) as f64 * 0.01).sin(),
            })
            .collect();
        for blur_samples in [0, len / 20] {
            let got = find(&x, &Options { blur_samples, ..Options::F64 }).unwrap();
            assert!(got.is_sorted_by(|a, b| a.end == b.start && a.first < b.first), "{trial}");
            assert_eq!((got[0].first, got[got.len() - 1].end.value), (0, (len - 1) as f64));
            assert!(got.iter().all(|s| s.start.uncertainty >= 0.0 && s.residual_rms.is_finite()));
        }
    }
}

#[test]
fn what_has_no_stages() {
    let short = find(&[0.0; 5], &Options::F64);
    assert_eq!(short, Err(Obstacle::TooShort { have: 5, need: 6 }));
    let mut x = [0.0; 64];
    for options in [
        Options { tolerance: -1.0, ..Options::F64 },
        Options { tolerance: f64::NAN, ..Options::F64 },
        Options { noise_rms: Some(-1.0), ..Options::F64 },
        Options { blur_samples: 9, ..Options::F64 },
    ] {
        assert!(matches!(find(&x, &options), Err(Obstacle::OutOfRange { .. })), "{options:?}");
    }
    x[3] = f64::INFINITY;
    assert_eq!(find(&x, &Options::F64), Err(Obstacle::NotFinite { index: 3 }));
}
