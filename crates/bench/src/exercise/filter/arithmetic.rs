//! Number formats: rounding, its noise, overload, what never dies, and what jumps cannot break.

use plumbtone_measure::difference::Difference;
use plumbtone_measure::{db, level};
use plumbtone_theory::evaluation::{Algorithm, NO_PUSHES};
use plumbtone_theory::state_variable::Output;
use plumbtone_voice::{Increment, Resonance, Tuning, wide};

use super::{PATIENCE, Read, Scene, noise};
use crate::exercise::nothing;
use crate::filter::Passage;
use crate::subject::Twin;
use crate::worker::unreadable;

/// Samples of noise over which rounding is watched.
const LENGTH: usize = 1 << 15;
/// Time after which a filter should have come to rest, s.
const REST_S: f64 = 1.0;
/// Relative spread of the power of a noise that is small enough to tell 0.05 dB, and most records
/// of noise that are waited for.
const SPREAD: f64 = 0.006;
const MOST_RECORDS: f64 = 64.0;
/// Relative steps by which derivatives are taken.
const NUDGE: f64 = 1e-6;

impl Scene<'_> {
    /// Noise about 0, off the grid of the inner formats, that no output can clip.
    fn busy(&self, count: usize) -> Vec<f64> {
        // 2^-31 is the grid of samples; most inner formats are coarser.
        let quantum = 1.0 / 2_147_483_648.0;
        let height = self.height;
        let fine = noise(2 * count);
        let sample = |pair: &[f64]| (2.0 * pair[0] - 1.0) * height + pair[1] * 16.0 * quantum;
        fine.chunks_exact(2).map(|pair| (sample(pair) / quantum).round() * quantum).collect()
    }

    pub(super) fn rounding(&mut self) -> Read {
        let twin = self.which.unwrap_or(Twin::Exact);
        let passage = self.passage(self.busy(LENGTH), self.tuning);
        let (got, exact) = (self.render(&passage)?, self.exactly(&passage)?);
        let peak = passage.input.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
        let bound = self.expected.rounding(twin, &self.tuning, self.rate.hz(), peak)?;
        let taken = Difference::of(&got, &exact)
            .map(|apart| (apart.peak, 0.0, Some(format!("at sample {}", apart.worst_index))))
            .map_err(unreadable);
        Ok((Some(bound), taken))
    }

    /// Rms of what the twin adds, coefficients' part taken out, against its prediction.
    pub(super) fn noise(&mut self) -> Read {
        let Some(twin) = self.which else {
            return Ok((None, Err(nothing("whose rounding is not known"))));
        };
        let Some(long) = self.ringing_samples() else {
            return Ok((None, Err(nothing("it rings longer than can be waited for"))));
        };
        // The power of noise is known from its spectrum: 1 + 2 s sqrt(sum S^2)/sum S, k = 2; a
        // narrow one takes longer.
        let lines = self.hiss(LENGTH)?.lines;
        let (sum, squares) =
            lines.iter().fold((0.0, 0.0), |(sum, squares), s| (sum + s, squares + s * s));
        let spread = squares.sqrt() / sum;
        let records = (spread / SPREAD).powi(2).ceil().clamp(2.0, MOST_RECORDS);
        let count = long + records as usize * LENGTH;
        let doubt = 0.5 * db(1.0 + 2.0 * spread / records.sqrt());
        let passage = self.passage(self.busy(count), self.tuning);
        let rms = level::Level::of(&passage.input).map_or(0.0, |level| level.rms);
        let expected = self.expected.noise(twin, &self.tuning, self.rate.hz(), rms)?;
        let Some(expected) = expected else {
            return Ok((None, Err(nothing("no prediction for its rounding"))));
        };
        let (got, exact) = (self.render(&passage)?, self.exactly(&passage)?);
        if let Err(why) = level::finite(&got) {
            return Ok((None, Err(unreadable(why))));
        }
        let apart = |other: &[f64]| -> Vec<f64> {
            other[long..].iter().zip(&exact[long..]).map(|(y, e)| y - e).collect()
        };
        let mut left = apart(&got);
        // What a cutoff or a gain that is slightly off does is no noise: two known signals, the
        // second freed of the first.
        let [first, mut second] = [(1.0 + NUDGE, 1.0), (1.0, 1.0 + NUDGE)].map(|(cutoff, gain)| {
            apart(&self.nudged(&passage, self.cutoff * cutoff, self.resonance * gain))
        });
        take_out(&first, &mut second);
        take_out(&first, &mut left);
        take_out(&second, &mut left);
        let found = level::Level::of(&left).map_err(unreadable);
        let taken = found.map(|found| {
            let note = format!("{:.3e} rms, {:.3e} predicted", found.ac_rms, expected.rms);
            (db(found.ac_rms / expected.rms), doubt, Some(note))
        });
        Ok((Some(expected.limit_db), taken))
    }

    fn nudged(&self, passage: &Passage, cutoff: f64, resonance: f64) -> Vec<f64> {
        let mut filter = self.algorithm().start();
        let tick = |input: &f64| filter.tick(*input, cutoff, resonance, &NO_PUSHES);
        passage.input.iter().map(tick).collect()
    }

    /// The input of full scale that drives the output furthest, and what comes of it: it must be
    /// the exact output, held at full scale by a fixed twin.
    pub(super) fn overload(&mut self) -> Read {
        let twin = self.which.unwrap_or(Twin::Exact);
        if self.drive_factor().is_some() {
            return Ok((None, Err(nothing("its bends have no worst input in closed form"))));
        }
        let Some(long) = self.ringing_samples() else {
            return Ok((None, Err(nothing("it rings longer than can be waited for"))));
        };
        if let Some(why) = self.inner_overflow(long) {
            return Ok((None, Err(nothing(&why))));
        }
        let full: f64 = 1.0 - 1.0 / 2_147_483_648.0;
        let mut input = vec![0.0; long];
        input[0] = 1.0;
        let passage = self.passage(input, self.tuning);
        let response = self.exactly(&passage)?;
        // Backwards in time, every sample with the sign of what it will meet.
        let worst = response.iter().rev().map(|h| full.copysign(*h)).collect();
        let passage = self.passage(worst, self.tuning);
        let (got, exact) = (self.render(&passage)?, self.exactly(&passage)?);
        let held: Vec<f64> = match twin {
            Twin::Fixed => exact.iter().map(|y| y.clamp(-1.0, full)).collect(),
            _ => exact.clone(),
        };
        let bound = self.expected.rounding(twin, &self.tuning, self.rate.hz(), 1.0)?;
        let most = exact.iter().fold(0.0_f64, |most, y| most.max(y.abs()));
        // Samples at full scale, as they came and as they should.
        let saturated = |samples: &[f64]| samples.iter().filter(|y| y.abs() >= full).count();
        let note = format!(
            "the exact output reaches {most:.3}; {} samples at full scale, {} expected",
            saturated(&got),
            saturated(&held)
        );
        let taken = Difference::of(&got, &held)
            .map(|apart| (apart.peak, 0.0, Some(note)))
            .map_err(unreadable);
        Ok((Some(bound), taken))
    }

    /// Why an input of full scale could reach an inner limit, if it could: the l1 norms of the
    /// responses there, and of the states that trapezoidal integrators keep.
    fn inner_overflow(&self, long: usize) -> Option<String> {
        for node in inner_nodes(self.algorithm()) {
            let mut filter = node.start();
            let (mut input, mut state) = (1.0, 0.0_f64);
            let (mut output, mut held) = (0.0, 0.0);
            for _ in 0..long {
                let y = filter.tick(input, self.cutoff, self.resonance, &NO_PUSHES);
                input = 0.0;
                // y = s + step, and s + 2 step is kept.
                state = 2.0 * y - state;
                output += y.abs();
                held += state.abs();
            }
            // The loop input and the high-pass are no integrators: they keep nothing.
            let keeps = match node {
                Algorithm::Ladder { mix, .. } => mix[0] == 0.0,
                Algorithm::StateVariable { output } => output != Output::High,
                _ => false,
            };
            let most: f64 = if keeps { held.max(output) } else { output };
            if most > wide::LIMIT {
                return Some(format!("an inner signal may reach {most:.1}"));
            }
        }
        None
    }

    /// Largest output while everything jumps at every sample.
    pub(super) fn stress(&mut self) -> Read {
        const COUNT: usize = 1 << 16;
        let dice = noise(3 * COUNT);
        let (inputs, rest) = dice.split_at(COUNT);
        let (cutoffs, resonances) = rest.split_at(COUNT);
        let input = inputs.iter().map(|x| if *x < 0.5 { -1.0 } else { 1.0 }).collect();
        let mut passage = self.passage(input, self.tuning);
        // 5 Hz to half the rate, evenly in pitch.
        let octaves = (0.5 * self.rate_hz / 5.0).log2();
        passage.tunings = cutoffs
            .iter()
            .zip(resonances)
            .enumerate()
            .map(|(n, (place, resonance))| {
                let bits = 4_294_967_296.0 * 5.0 / self.rate_hz * (octaves * place).exp2();
                let cutoff = Increment::saturating_from_bits(bits as u32);
                let resonance =
                    Resonance::saturating_from_bits((resonance * 2_147_483_647.0) as i32);
                (n, Tuning { cutoff, resonance })
            })
            .collect();
        let got = self.render(&passage)?;
        if let Err(why) = level::finite(&got) {
            return Ok((None, Err(unreadable(why))));
        }
        let (most, at) = got.iter().enumerate().fold((0.0_f64, 0), |worst, (n, y)| {
            if y.abs() > worst.0 { (y.abs(), n) } else { worst }
        });
        let limit = match self.which {
            Some(Twin::Fixed) => Some(1.0),
            Some(Twin::Float) => Some(1.0 + wide::LIMIT * most_weight(self.algorithm())),
            _ => None,
        };
        Ok((limit, Ok((most, 0.0, Some(format!("at sample {at}"))))))
    }

    /// Peak of what is left once the input has stopped and the exact evaluation has died.
    pub(super) fn residue(&mut self) -> Read {
        let twin = self.which.unwrap_or(Twin::Exact);
        let Some(long) = self.ringing_samples() else {
            return Ok((None, Err(nothing("it rings longer than can be waited for"))));
        };
        let tail = (0.1 * self.rate_hz) as usize;
        let quiet = (2 * long).max((REST_S * self.rate_hz) as usize).min(2 * PATIENCE) + tail;
        let mut input = self.busy(LENGTH);
        input.resize(LENGTH + quiet, 0.0);
        let passage = self.passage(input, self.tuning);
        let (got, exact) = (self.render(&passage)?, self.exactly(&passage)?);
        if let Err(why) = level::finite(&got) {
            return Ok((None, Err(unreadable(why))));
        }
        let peak = |samples: &[f64]| {
            let left = samples[samples.len() - tail..].iter();
            left.fold(0.0_f64, |most, y| most.max(y.abs()))
        };
        let most = peak(&got);
        // A low cutoff may still be dying, as it should.
        // A low cutoff may still be dying, as it should, by a pole that is off by a rounding.
        let bound =
            self.expected.rounding(twin, &self.tuning, self.rate.hz(), 0.0)? + 1.01 * peak(&exact);
        let note = match most {
            0.0 => "silent",
            most if most < f64::from(f32::MIN_POSITIVE) => "subnormal numbers",
            _ => "it whispers on",
        };
        Ok((Some(bound), Ok((most, 0.0, Some(note.to_owned())))))
    }
}

/// Leaves of a signal what is not along a direction.
fn take_out(direction: &[f64], signal: &mut [f64]) {
    let power: f64 = direction.iter().map(|d| d * d).sum();
    if power > 0.0 {
        let share = signal.iter().zip(direction).map(|(y, d)| y * d).sum::<f64>() / power;
        signal.iter_mut().zip(direction).for_each(|(y, d)| *y -= share * d);
    }
}

/// The same filter heard at its inner nodes: what they hold, an input within 1 may reach there.
fn inner_nodes(algorithm: &Algorithm) -> Vec<Algorithm> {
    let node = |n: usize| {
        let mut mix = [0.0; 5];
        mix[n] = 1.0;
        mix
    };
    let outputs = [Output::Low, Output::Band, Output::High];
    match *algorithm {
        Algorithm::Ladder { compensation, .. } => {
            (0..5).map(|n| Algorithm::Ladder { mix: node(n), compensation }).collect()
        }
        Algorithm::DelayedLadder { compensation, .. } => {
            (0..5).map(|n| Algorithm::DelayedLadder { mix: node(n), compensation }).collect()
        }
        Algorithm::NaiveLadder { compensation, .. } => {
            (0..5).map(|n| Algorithm::NaiveLadder { mix: node(n), compensation }).collect()
        }
        Algorithm::StateVariable { .. } => {
            outputs.map(|output| Algorithm::StateVariable { output }).to_vec()
        }
        Algorithm::TwoIntegratorLoop { .. } => {
            outputs.map(|output| Algorithm::TwoIntegratorLoop { output }).to_vec()
        }
        _ => Vec::new(),
    }
}

/// Largest output for inner signals within 1, a direct path left out.
fn most_weight(algorithm: &Algorithm) -> f64 {
    match algorithm {
        Algorithm::Ladder { mix, .. }
        | Algorithm::DelayedLadder { mix, .. }
        | Algorithm::NaiveLadder { mix, .. } => mix.iter().map(|w| w.abs()).sum(),
        Algorithm::TanhLadder { mix, drive, .. } => {
            mix.iter().map(|w| w.abs()).sum::<f64>() / drive
        }
        // x - 2R band - low, and low once more.
        Algorithm::StateVariable { output } | Algorithm::TwoIntegratorLoop { output } => {
            match output {
                Output::High => 3.0,
                Output::Notch => 4.0,
                _ => 1.0,
            }
        }
        _ => 1.0,
    }
}
