//! Hard sync: every line of a synced slave against the closed form of its straight pieces.

use crate::common::{LSB, TWINS, driven, setup, yardstick};
use plumbtone::Twin;
use plumbtone::check::Shape;
use plumbtone::worker::{COHERENT_SAMPLES, SETTLE_SAMPLES, START};
use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_theory::fourier::PiecewiseLinear;
use plumbtone_theory::lines::{Capture, Corrected, Kernel, Lines};
use plumbtone_theory::step_table::IntegratedSinc;
use plumbtone_voice::oscillators::step_table::CUTOFF;
use plumbtone_voice::{Age, Drive, Increment, NOMINAL_PEAK, Setup, SyncSource};

/// Master and slave, `ratio` in eighths so that both increments are whole numbers.
struct Pair {
    periods: u32,
    eighths: u32,
}

impl Pair {
    fn master(&self) -> Increment {
        Increment::saturating_from_bits(self.periods << 16)
    }

    fn slave(&self) -> Increment {
        Increment::saturating_from_bits((self.periods * self.eighths) << 13)
    }

    fn ratio(&self) -> f64 {
        f64::from(self.eighths) / 8.0
    }

    /// What drives the slave: the master starts at [`START`] and is asked once per interval.
    fn drives(&self, setup: &Setup, count: usize) -> Vec<Drive> {
        let mut master = SyncSource::new(START);
        (0..count)
            .map(|_| Drive {
                increment: self.slave(),
                width: setup.width,
                sync: master.advance(self.master()),
            })
            .collect()
    }
}

const PAIRS: [Pair; 6] = [
    // 47 Hz, 330 Hz, 1.7 kHz and 4.3 kHz at 48 kHz; in step, a little over, far over.
    Pair { periods: 65, eighths: 19 },
    Pair { periods: 451, eighths: 12 },
    Pair { periods: 451, eighths: 58 },
    Pair { periods: 2_321, eighths: 24 },
    Pair { periods: 2_321, eighths: 9 },
    Pair { periods: 5_871, eighths: 27 },
];

/// Difference of the mean, and largest difference of any line, from prediction; full scale = 1.0.
fn differences(
    pair: &Pair,
    wave: &PiecewiseLinear,
    kernel: Kernel<'_>,
    latency: f64,
    out: &[f64],
) -> (f64, f64) {
    let synced = wave.hard_synced(pair.ratio()).unwrap();
    // Settling takes a whole number of samples; the master's phase is exact in 2^-16 cycle.
    let settled = (SETTLE_SAMPLES as u64 * u64::from(pair.periods)) % COHERENT_SAMPLES as u64;
    let start = (settled as f64 + 0.5) / COHERENT_SAMPLES as f64;
    let capture =
        Capture::new(COHERENT_SAMPLES as u64, u64::from(pair.periods), start, latency).unwrap();
    let mut predicted = Vec::new();
    Corrected::new(&synced, kernel).unwrap().lines(&capture, &mut predicted);
    let mut coherent = Coherent::new(COHERENT_SAMPLES).unwrap();
    let spectrum = coherent.analyse(&out[SETTLE_SAMPLES..]).unwrap();
    let tone = Tone::new(pair.periods, COHERENT_SAMPLES).unwrap();
    let mean = (spectrum.dc() - NOMINAL_PEAK * predicted[0].re).abs();
    let mut worst = 0.0_f64;
    // The line at half the rate shares its bin with its own mirror image: left out.
    for line in spectrum.lines(tone).unwrap().take(COHERENT_SAMPLES / 2 - 1) {
        let expected = predicted[line.order as usize] * (2.0 * NOMINAL_PEAK);
        let order = u64::from(line.order);
        let mirrored = 2 * capture.bin_two_sided(order) > capture.samples();
        let expected = if mirrored { expected.conj() } else { expected };
        worst = worst.max((line.amplitude - expected).norm());
    }
    (mean, worst)
}

/// What rounding may do to one sample: the module's bound where slave and sync edges meet under
/// the kernel, with the steps of a pulse for whatever height sync gives, and the restart: age and
/// phase are floored to 2^-32, half a unit of Q1.31 of the ramp and a whole one of the triangle
/// each.
fn sample_bound(module: &str, which: Twin, setup: &Setup, pair: &Pair) -> f64 {
    let p = pair.master().cycles_per_sample() + pair.slave().cycles_per_sample();
    let of = |shape| {
        let setup = Setup { shape, ..*setup };
        yardstick(module, &setup).rounding(which, p).0
    };
    of(setup.shape) + of(Shape::Pulse) + 2.0 * LSB
}

/// What errors within ±bound may do to one line. Those of the float twin are rounded and spread:
/// their rms is bound at most, over N/2 lines 2·bound/√N on each; a Rayleigh law exceeds 4.3 times
/// that on one line in 10^8, and eight leave room for what little gathers. The fixed twin floors,
/// and floors have a mean that follows the waveform: 4/π of the bound, as of a square wave.
fn line_limit(which: Twin, bound: f64) -> f64 {
    match which {
        Twin::Fixed => 4.0 / std::f64::consts::PI * bound,
        _ => 16.0 * bound / (COHERENT_SAMPLES as f64).sqrt(),
    }
}

fn waves() -> [(Shape, PiecewiseLinear); 3] {
    let width = setup().width.fraction();
    [
        (Shape::Ramp, PiecewiseLinear::ramp()),
        (Shape::Triangle, PiecewiseLinear::triangle()),
        (Shape::Pulse, PiecewiseLinear::pulse(width).unwrap()),
    ]
}

/// The mean and every line of one synced slave against prediction, or what stands out.
fn lines_are_met(
    case: &Case<'_>,
    which: Twin,
    (shape, wave): &(Shape, PiecewiseLinear),
    pair: &Pair,
    age_of: fn(Age) -> Age,
) -> Result<(), String> {
    let setup = Setup { shape: *shape, ..setup() };
    let mut drives = pair.drives(&setup, SETTLE_SAMPLES + COHERENT_SAMPLES);
    for drive in &mut drives {
        drive.sync = drive.sync.map(age_of);
    }
    let out = driven(case.module, which, setup, &drives);
    let (mean, line) = differences(pair, wave, case.kernel, case.latency, &out);
    let bound = sample_bound(case.module, which, &setup, pair);
    let limit = line_limit(which, bound);
    let of = format!("{} {which:?} {} {}/8", case.module, shape.name(), pair.eighths);
    if mean > bound {
        return Err(format!("{of}: mean {mean:e}, allowed {bound:e}"));
    }
    if line > limit {
        return Err(format!("{of}: line {line:e}, allowed {limit:e}"));
    }
    Ok(())
}

/// A module with the law that its lines follow.
struct Case<'a> {
    module: &'a str,
    kernel: Kernel<'a>,
    latency: f64,
}

fn every_line_is_met(case: &Case<'_>, pairs: &[Pair]) {
    for wave in &waves() {
        for pair in pairs {
            for which in TWINS {
                lines_are_met(case, which, wave, pair, |age| age).unwrap_or_else(|e| panic!("{e}"));
            }
        }
    }
}

const SPLINE4: Case<'_> = Case { module: "spline4", kernel: Kernel::BSpline(4), latency: 1.0 };

/// Whether spline4 keeps all its lines in both twins when each age is turned into another.
pub fn spline4_keeps_its_lines(age_of: fn(Age) -> Age) -> bool {
    let kept = |which| lines_are_met(&SPLINE4, which, &waves()[0], &PAIRS[2], age_of).is_ok();
    TWINS.into_iter().all(kept)
}

/// The baseline: sync restarts the phase at the right place between two samples, uncorrected.
#[test]
fn synced_naive_lines_are_those_of_the_sampled_waveform() {
    every_line_is_met(&Case { module: "naive", kernel: Kernel::None, latency: 0.0 }, &PAIRS);
}

#[test]
fn synced_spline2_lines_match_the_closed_form() {
    let kernel = Kernel::BSpline(2);
    every_line_is_met(&Case { module: "spline2", kernel, latency: 0.0 }, &PAIRS);
}

#[test]
fn synced_spline4_lines_match_the_closed_form() {
    every_line_is_met(&SPLINE4, &PAIRS);
}

#[test]
fn synced_step_table_lines_match_the_transform_of_their_kernel() {
    let Setup { taps, oversampling, .. } = setup();
    let table = IntegratedSinc::new(taps, oversampling, CUTOFF).unwrap();
    let latency = taps as f64 / 2.0 - 1.0;
    let kernel = Kernel::StepTable(&table);
    every_line_is_met(&Case { module: "step-table", kernel, latency }, &PAIRS[2..3]);
}

/// The age is what sync is about: floored to 2^-32 sample.
#[test]
fn the_sync_source_tells_the_age_of_each_new_cycle() {
    for periods in [1, 451, 5_871, 32_767] {
        let increment = periods << 16 | 0x1235;
        let mut source = SyncSource::new(0);
        let mut phase = 0_u64;
        for _ in 0..10_000 {
            phase += u64::from(increment);
            let age = source.advance(Increment::saturating_from_bits(increment));
            assert_eq!(age.is_some(), phase >> 32 != 0);
            phase &= u64::from(u32::MAX);
            if let Some(age) = age {
                assert_eq!(u64::from(age.0), (phase << 32) / u64::from(increment));
            }
        }
    }
    assert!(SyncSource::default().advance(Increment::default()).is_none(), "0 Hz has no cycles");
}
