//! The edge of self-oscillation: where a loop rings for ever, and at which pitch.

use std::f64::consts::PI;

use plumbtone_measure::ringing;
use plumbtone_theory::evaluation::Algorithm;
use plumbtone_theory::ladder::DelayedLadder;
use plumbtone_theory::tuning::key_hz;
use plumbtone_voice::filters::RESONANCE;
use plumbtone_voice::{Increment, Resonance, Tuning};

use super::{Found, Read, Scene};
use crate::evidence::key_name;
use crate::exercise::nothing;
use crate::results::Kind;
use crate::worker::unreadable;

/// Keys over which a cutoff has to follow: a piano's, every fourth.
const KEYS: std::ops::RangeInclusive<u8> = 21..=108;
const EVERY: usize = 4;
/// Resonance at which a filter that cannot oscillate is made to ring.
const RINGING: f64 = 0.99;
/// Height of the strike that starts a ringing; it stays far below every limit.
const STRIKE: f64 = 1.0 / 64.0;
/// Periods that are read.
const PERIODS: f64 = 60.0;
/// How far to either side of the edge it is read, relative: twice to find it, then to place it.
const REACH: [f64; 3] = [4e-3, 4e-3, 1e-4];

/// The edge of self-oscillation.
#[derive(Clone, Copy)]
pub(super) struct Edge {
    /// Resonance, 1 where the module should oscillate.
    resonance: f64,
    /// Pitch, cycles per sample.
    x: f64,
    /// Relative, k = 2, of both.
    uncertainty: [f64; 2],
}

impl Scene<'_> {
    /// Where theory has the edge of this loop tuned to a cutoff.
    fn edge_in_theory(&self, cutoff: f64) -> Option<Edge> {
        let sure = |resonance, x| Edge { resonance, x, uncertainty: [0.0; 2] };
        let delayed = |ladder: Result<DelayedLadder, _>| {
            let ladder = ladder.ok()?;
            let edge = ladder.oscillation()?;
            Some(sure(edge.threshold / ladder.feedback(1.0), edge.x))
        };
        match self.algorithm() {
            Algorithm::Ladder { .. } => Some(sure(1.0, cutoff)),
            Algorithm::NaiveLadder { .. } => delayed(DelayedLadder::naive(cutoff)),
            Algorithm::DelayedLadder { .. } => delayed(DelayedLadder::compensated(cutoff)),
            _ => None,
        }
        .filter(|edge| edge.resonance * (1.0 + REACH[0]) < RESONANCE.max)
    }

    /// How a loop rings after a strike: decay per sample and pitch in cycles per sample, with
    /// uncertainties.
    fn ring(&mut self, tuning: Tuning, x: f64) -> Found<[(f64, f64); 2]> {
        // Other modes die within the first third. A quarter of a period, or what a low cutoff
        // lets pass of the strike would drown in the rounding of a fixed twin.
        let count = (1.5 * PERIODS / x) as usize;
        let mut input = vec![0.0; count.max(2_048)];
        input[..(0.25 / x).ceil() as usize].fill(STRIKE);
        let passage = self.passage(input, tuning);
        let out = self.render(&passage)?;
        Ok(ringing::fit(&out[out.len() / 3..], 1.0, 1).map_err(unreadable).map(|found| {
            let mode = found.modes[0];
            let hz = mode.hz();
            [mode.decay_per_s(), (hz.value, hz.uncertainty)]
        }))
    }

    /// Finds the edge around a guess: the decay crosses 0 in a straight line.
    fn find_edge(&mut self, cutoff: Increment, guess: Edge) -> Found<Edge> {
        let mut edge = guess;
        for reach in REACH {
            let mut sides = [[(0.0, 0.0); 2]; 2];
            let mut at = [0.0; 2];
            for (side, sign) in [-1.0, 1.0].into_iter().enumerate() {
                let wanted = (edge.resonance * (1.0 + sign * reach)).clamp(0.0, RESONANCE.max);
                let resonance = Resonance::new(wanted)?;
                at[side] = f64::from(resonance.bits()) / f64::from(Resonance::EDGE.bits());
                sides[side] = match self.ring(Tuning { cutoff, resonance }, edge.x)? {
                    Ok(ring) => ring,
                    Err(gap) => return Ok(Err(gap)),
                };
            }
            let [[(low, low_doubt), pitch], [(high, high_doubt), other]] = sides;
            let slope = (low - high) / (at[1] - at[0]);
            if !(slope.is_finite() && slope > 0.0) {
                return Ok(Err(unreadable("more resonance does not make it ring longer")));
            }
            let resonance = at[0] + low / slope;
            let place = (resonance - at[0]) / (at[1] - at[0]);
            // Far outside the bracket a straight line says nothing.
            if !(-20.0..=21.0).contains(&place) {
                return Ok(Err(unreadable("the edge is nowhere near where theory has it")));
            }
            let x = pitch.0 + place * (other.0 - pitch.0);
            let doubt = (low_doubt + high_doubt) / slope / resonance;
            edge = Edge { resonance, x, uncertainty: [doubt, (pitch.1 + other.1) / x] };
        }
        Ok(Ok(edge))
    }

    /// Threshold, or pitch there, against theory.
    pub(super) fn edge(&mut self, kind: Kind) -> Read {
        if kind == Kind::Oscillation && self.drive_factor().is_some() {
            return self.steady_oscillation();
        }
        let Some(theory) = self.edge_in_theory(self.cutoff) else {
            let why = "it does not oscillate within the range of its resonance";
            return Ok((None, Err(nothing(why))));
        };
        let found = self.find_edge(self.tuning.cutoff, theory)?;
        let taken = found.map(|edge| {
            let note = format!(
                "resonance {:.6}, {:+.3} cents re the cutoff",
                edge.resonance,
                cents(edge.x / self.cutoff)
            );
            if kind == Kind::Threshold {
                let off = 100.0 * (edge.resonance / theory.resonance - 1.0);
                (off, 100.0 * edge.uncertainty[0], Some(note))
            } else {
                (cents(edge.x / theory.x), cents(1.0 + edge.uncertainty[1]), Some(note))
            }
        });
        Ok((None, taken))
    }

    /// The worst deviation of the pitch at which the loop rings from the key that its cutoff
    /// follows.
    pub(super) fn tracking(&mut self) -> Read {
        let mut worst: Option<(f64, f64, u8)> = None;
        for key in KEYS.step_by(EVERY) {
            let hz = key_hz(f64::from(key));
            let Ok(cutoff) = self.rate.increment(hz) else { continue };
            let tuning = Tuning { cutoff, ..self.tuning };
            let found = match self.follow(tuning)? {
                Ok(Some(found)) => found,
                Ok(None) => continue,
                Err((gap, why)) => {
                    return Ok((None, Err((gap, format!("key {key}: {why}")))));
                }
            };
            let off = cents(found.0 * self.rate_hz / hz);
            if worst.is_none_or(|(most, ..)| off.abs() > most.abs()) {
                worst = Some((off, cents(1.0 + found.1), key));
            }
        }
        let taken = worst.ok_or_else(|| nothing("it does not oscillate on any key"));
        let note = |key| Some(format!("key {key} ({})", key_name(key)));
        Ok((None, taken.map(|(off, doubt, key)| (off, doubt, note(key)))))
    }

    /// Pitch in cycles per sample at which a filter rings under a tuning, and its relative
    /// uncertainty; none where it cannot.
    fn follow(&mut self, tuning: Tuning) -> Found<Option<(f64, f64)>> {
        let (cutoff, _) = self.expected.held(&tuning, self.rate.hz());
        match self.algorithm() {
            Algorithm::TanhLadder { .. } => self.follow_oscillation(tuning),
            Algorithm::StateVariable { .. } => {
                let tuning = Tuning { resonance: Resonance::new(RINGING)?, ..tuning };
                // The pole itself, not where it rings: damping lowers that.
                let damping = 1.0 - RINGING;
                let ratio = (1.0 - damping * damping).sqrt();
                let place = ((PI * cutoff).tan() * ratio).atan() / PI;
                let found = self.ring(tuning, place)?;
                Ok(found.map(|[_, (x, doubt)]| {
                    let undamped = ((PI * x).tan() / ratio).atan() / PI;
                    Some((undamped, doubt / x))
                }))
            }
            _ => match self.edge_in_theory(cutoff) {
                None => Ok(Ok(None)),
                Some(theory) => {
                    let found = self.find_edge(tuning.cutoff, theory)?;
                    Ok(found.map(|edge| Some((edge.x, edge.uncertainty[1]))))
                }
            },
        }
    }
}

/// Musical interval of a ratio of frequencies.
pub(super) fn cents(ratio: f64) -> f64 {
    1200.0 * ratio.log2()
}
