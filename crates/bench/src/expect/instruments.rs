//! What whole voices play on the bench, and what theory says of them: how far the pitch of each
//! twin may be off.

use crate::instrument::Score;
use crate::subject::Twin;

/// Cents of a small relative error.
const CENTS: f64 = 1200.0 / std::f64::consts::LN_2;
/// Half a step of an increment, cycles per sample.
const HALF_STEP: f64 = 0.5 / 4_294_967_296.0;

/// Largest error of a voice's pitch at `hz`, in cents, as the head of `instruments/tideorgan.rs`
/// counts it: half steps of this increment and of A4's, the exponential, and the sum in octaves.
pub fn pitch_cents(twin: Twin, hz: f64, rate_hz: f64) -> f64 {
    let steps = CENTS * HALF_STEP * rate_hz * (1.0 / hz + 1.0 / 440.0);
    match twin {
        Twin::Exact => 0.0,
        // Exponential in f32, and octaves summed in f32 up to 5 octaves from A4.
        Twin::Float => steps + 2.7e-4 + 7e-4,
        // Exponential in Q2.30, and two halves of a step of Q6.26 octaves.
        Twin::Fixed => steps + 1.3e-4 + 1200.0 / 67_108_864.0,
    }
}

/// How far two twins may drift apart in so many samples when the lowest pitch is `hz`, in samples.
pub fn drift_samples(samples: usize, hz: f64, rate_hz: f64) -> f64 {
    let cents = pitch_cents(Twin::Float, hz, rate_hz) + pitch_cents(Twin::Fixed, hz, rate_hz);
    samples as f64 * cents / CENTS
}

/// Largest error of the beat of two oscillators `cents` apart around `hz`, in Hz: what both share
/// moves the beat in proportion, what is each one's own moves it whole.
pub fn beat_hz(twin: Twin, hz: f64, cents: f64, rate_hz: f64) -> f64 {
    let beat = hz * ((cents / 1200.0).exp2() - 1.0).abs();
    let shared = beat * pitch_cents(twin, hz, rate_hz) / CENTS;
    // Own: half a step each of the base, moved to this pitch, and of the increment; the rounding
    // of the product in the exponential.
    let steps = 2.0 * HALF_STEP * rate_hz * (1.0 + hz / 440.0);
    let product = match twin {
        Twin::Exact => 0.0,
        // Two roundings of f32 each.
        Twin::Float => 2.0 * 2.0 * hz * 2_f64.powi(-24),
        // Half a step of Q2.30 each; the product is rounded to an increment, counted above.
        Twin::Fixed => 2.0 * hz * 2_f64.powi(-31),
    };
    shared + steps + product
}

/// When a release that comes within 1/1000 in its time has come within 2^-20 and ends, s: the
/// head of `contours/adsr.rs`.
pub fn release_s(release_s: f64) -> f64 {
    release_s * 20.0 * std::f64::consts::LN_2 / 1000_f64.ln()
}

/// What the twins of a voice play against each other: keys that overlap, a wheel, both controls, a
/// second stroke, and time to fade.
pub fn phrase(rate_hz: u32) -> Score {
    let at = |seconds: f64| (seconds * f64::from(rate_hz)).round() as usize;
    Score::new(rate_hz, at(3.5))
        .down(at(0.02), 45)
        .down(at(0.5), 57)
        .bend(at(0.7), 10_000)
        .up(at(0.8), 45)
        .cutoff(at(0.9), 11_000)
        .level(at(1.0), 14_000)
        .up(at(1.2), 57)
        .down(at(1.3), 81)
        .up(at(2.3), 81)
}
