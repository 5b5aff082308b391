//! Names, units and ranges: those of the parts, under names that tell the parts apart.

use crate::contours::{RESTART, adsr, glide, lfo};
use crate::control::{bend, keys, tracking};
use crate::error::RangeError;
use crate::filters;
use crate::filters::ladder_tanh::{DRIVE, OVERSAMPLING};
use crate::level::{amplifier, mixer, output};
use crate::parameter::{Parameter, Values};
use crate::registry::{SEED, WIDTH};
use crate::taps;

/// A parameter of a part: its name there, and what it is called here.
type Called = (&'static str, Parameter);

const fn called(name: &'static str, part: Parameter) -> Called {
    (part.name, Parameter { name, ..part })
}

const fn starting_at(default: f64, (inner, parameter): Called) -> Called {
    (inner, Parameter { default, ..parameter })
}

const fn up_to(max: f64, unit: &'static str, (inner, parameter): Called) -> Called {
    (inner, Parameter { max, unit, ..parameter })
}

/// The values of a part's parameters, under the names that the part knows.
pub(super) fn gather<const N: usize>(
    values: &Values<'_>,
    part: &[Called; N],
) -> Result<[(&'static str, f64); N], RangeError> {
    let mut pairs = [("", 0.0); N];
    for (pair, (inner, parameter)) in pairs.iter_mut().zip(part) {
        *pair = (*inner, values.of(parameter)?);
    }
    Ok(pairs)
}

/// Pitch of everything.
pub const TUNE: Parameter = Parameter::number("tune", "cents", -100.0, 100.0, 0.0);
/// The second oscillator above the first.
pub const INTERVAL: Parameter = Parameter::count("interval", "semitones", -24.0, 24.0, 0.0);
/// The second oscillator above its interval.
pub const DETUNE: Parameter = Parameter::number("detune", "cents", -100.0, 100.0, 0.0);
/// How far the low-frequency oscillator moves both pitches, either way.
pub const PITCH_LFO: Parameter = Parameter::number("pitch-lfo", "cents", -1200.0, 1200.0, 0.0);

const SHAPES: &[&str] = &["ramp", "triangle", "pulse"];
/// Shape of the first oscillator.
pub const SHAPE_A: Parameter = Parameter::choice("shape-a", SHAPES);
/// Pulse width of the first oscillator.
pub const WIDTH_A: Parameter = called("width-a", WIDTH).1;
/// How far the first oscillator's shape fades into a pulse.
pub const BLEND_A: Parameter = Parameter::number("blend-a", "of pulse", 0.0, 1.0, 0.0);
/// Shape of the second oscillator.
pub const SHAPE_B: Parameter = Parameter::choice("shape-b", SHAPES);
/// Pulse width of the second oscillator.
pub const WIDTH_B: Parameter = called("width-b", WIDTH).1;
/// How far the second oscillator's shape fades into a pulse.
pub const BLEND_B: Parameter = Parameter::number("blend-b", "of pulse", 0.0, 1.0, 0.0);
/// Whether the first oscillator restarts the second.
pub const SYNC: Parameter = Parameter::choice("sync", &["off", "on"]);
/// Start of the noise.
pub const NOISE_SEED: Parameter = called("noise-seed", SEED).1;

/// Which ladder.
pub const FILTER: Parameter = Parameter::choice("filter", &["ladder", "ladder-tanh"]);
/// Cutoff at the pivot key with nothing that moves it.
pub const CUTOFF: Parameter =
    Parameter::number("cutoff", "Hz (held below 0.45 of the rate)", 5.0, 20_000.0, 2_000.0);
/// Resonance, 1 the edge of self-oscillation.
pub const RESONANCE: Parameter = filters::RESONANCE;
/// Where the blocker behind the ladder is 3 dB down.
pub const DC_CUTOFF: Parameter = Parameter::number("dc-cutoff", "Hz", 5.0, 200.0, 5.0);
/// How far the contour opens the filter.
pub const CONTOUR: Parameter = Parameter::number("filter-contour", "octaves", -10.0, 10.0, 0.0);
/// How far the low-frequency oscillator moves the cutoff, either way.
pub const FILTER_LFO: Parameter = Parameter::number("filter-lfo", "octaves", -10.0, 10.0, 0.0);

pub(super) const KEYS: [Called; 1] = [called("priority", keys::PRIORITY)];
pub(super) const GLIDE: [Called; 3] = [
    starting_at(0.0, called("glide", glide::TIME)),
    called("glide-mode", glide::MODE),
    called("glide-legato-only", glide::LEGATO_ONLY),
];
pub(super) const BEND: [Called; 1] = [called("bend-range", bend::RANGE)];
pub(super) const LFO: [Called; 8] = [
    called("lfo-hz", lfo::HZ),
    called("lfo-shape", lfo::SHAPE),
    called("lfo-width", WIDTH),
    called("lfo-delay", lfo::DELAY),
    called("lfo-fade", lfo::FADE),
    called("lfo-sync", lfo::SYNC),
    // A whole cycle is phase 0, and would be the one value that the range alone does not refuse.
    up_to(0.999_999_999, "of the cycle", called("lfo-phase", lfo::PHASE)),
    called("lfo-seed", SEED),
];
const SOURCES: [Called; 12] = [
    called("tune", TUNE),
    called("pitch-lfo", PITCH_LFO),
    called("shape-a", SHAPE_A),
    called("width-a", WIDTH_A),
    called("blend-a", BLEND_A),
    called("shape-b", SHAPE_B),
    called("width-b", WIDTH_B),
    called("blend-b", BLEND_B),
    called("interval", INTERVAL),
    called("detune", DETUNE),
    called("sync", SYNC),
    called("noise-seed", NOISE_SEED),
];
pub(super) const MIXER: [Called; 3] = [
    called("gain-a", mixer::GAIN_A),
    called("gain-b", mixer::GAIN_B),
    called("gain-noise", mixer::GAIN_NOISE),
];
pub(super) const LADDER: [Called; 4] = [
    called("filter-output", taps::OUTPUT),
    called("filter-compensation", taps::COMPENSATION),
    called("filter-drive", DRIVE),
    called("filter-oversampling", OVERSAMPLING),
];
const CUTS: [Called; 6] = [
    called("filter", FILTER),
    called("cutoff", CUTOFF),
    called("resonance", RESONANCE),
    called("filter-contour", CONTOUR),
    called("filter-lfo", FILTER_LFO),
    called("dc-cutoff", DC_CUTOFF),
];
pub(super) const TRACKING: [Called; 2] = [
    starting_at(0.0, called("filter-tracking", tracking::AMOUNT)),
    called("filter-pivot", tracking::PIVOT),
];
pub(super) const FILTER_WHEEL: [Called; 1] =
    [starting_at(24.0, called("filter-control", bend::RANGE))];
pub(super) const FILTER_CONTOUR: [Called; 6] = [
    called("filter-attack", adsr::ATTACK),
    called("filter-decay", adsr::DECAY),
    called("filter-sustain", adsr::SUSTAIN),
    called("filter-release", adsr::RELEASE),
    called("filter-overshoot", adsr::OVERSHOOT),
    called("filter-restart", RESTART),
];
pub(super) const LEVEL_CONTOUR: [Called; 6] = [
    called("level-attack", adsr::ATTACK),
    called("level-decay", adsr::DECAY),
    called("level-sustain", adsr::SUSTAIN),
    called("level-release", adsr::RELEASE),
    called("level-overshoot", adsr::OVERSHOOT),
    called("level-restart", RESTART),
];
pub(super) const AMPLIFIER: [Called; 2] =
    [called("level", amplifier::LEVEL), called("level-tau", amplifier::TAU)];
pub(super) const OUTPUT: [Called; 2] =
    [called("dither", output::DITHER), called("dither-seed", SEED)];

const GROUPS: [&[Called]; 14] = [
    &KEYS,
    &GLIDE,
    &BEND,
    &LFO,
    &SOURCES,
    &MIXER,
    &CUTS,
    &LADDER,
    &TRACKING,
    &FILTER_WHEEL,
    &FILTER_CONTOUR,
    &LEVEL_CONTOUR,
    &AMPLIFIER,
    &OUTPUT,
];

const COUNT: usize = {
    let (mut count, mut group) = (0, 0);
    while group < GROUPS.len() {
        count += GROUPS[group].len();
        group += 1;
    }
    count
};

/// Every parameter, in the order of the signal.
pub const PARAMETERS: [Parameter; COUNT] = {
    let mut all = [TUNE; COUNT];
    let (mut at, mut group) = (0, 0);
    while group < GROUPS.len() {
        let mut member = 0;
        while member < GROUPS[group].len() {
            all[at] = GROUPS[group][member].1;
            at += 1;
            member += 1;
        }
        group += 1;
    }
    all
};
