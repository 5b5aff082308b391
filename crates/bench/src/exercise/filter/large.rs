//! Large signals: self-oscillation between bends, drive, aliases, two tones.

use std::f64::consts::TAU;

use plumbtone_measure::coherent::{Coherent, Tone};
use plumbtone_measure::intermodulation::TwoTone;
use plumbtone_measure::{db, level, self_oscillation};
use plumbtone_theory::evaluation::Algorithm;
use plumbtone_theory::ladder::mixes;
use plumbtone_theory::tables::{self, LadderDriveRow, LimitCycleRow};
use plumbtone_voice::{Resonance, Tuning};

use super::edge::cents;
use super::{Found, PATIENCE, Read, Scene};
use crate::error::Error;
use crate::exercise::nothing;
use crate::worker::unreadable;

/// Feedback at which the keyboard is played, a row of the reference table.
const PLAYED: f64 = 5.0;
/// Height of the strike that starts an oscillation, in volts of the bend.
const STRIKE: f64 = 0.5;
/// Growth of the slowest start that is waited for: e-folds until it is steady.
const FOLDS: f64 = 30.0;
/// Peak of the tones whose products are read.
const LOUD: f64 = 0.5;
/// Weakest line that is held against the table of drives, in volts of the bend: the pieces of a tanh
/// err by 1.6e-7, up to eight times around the loop.
const FAINT: f64 = 2e-4;
/// Samples of a capture.
const CAPTURE: usize = 1 << 15;

impl Scene<'_> {
    fn rows(&self) -> Result<Vec<LimitCycleRow>, Error> {
        let rows = tables::ladder_limit_cycles();
        let rows = rows.map_err(|error| Error::Request(error.to_string()))?;
        Ok(rows.into_iter().filter(|row| row.model == EVERY_STAGE).collect())
    }

    /// The row of the feedback that the settings ask for.
    fn row(&self, k: f64) -> Found<LimitCycleRow> {
        let rows = self.rows()?;
        let known: Vec<String> = rows.iter().map(|row| format!("{}", row.k / 4.0)).collect();
        let found = rows.into_iter().find(|row| (row.k - k).abs() < 1e-6);
        let full =
            matches!(self.algorithm(), Algorithm::TanhLadder { mix, .. } if *mix == mixes::LOW_4);
        Ok(match found {
            Some(row) if full => Ok(row),
            Some(_) => Err(nothing("the reference table holds the output of the fourth stage")),
            None => Err(nothing(&format!(
                "the reference table has the resonances {}",
                known.join(", ")
            ))),
        })
    }

    /// A steady self-oscillation, read.
    fn oscillation(
        &mut self,
        tuning: Tuning,
        row: &LimitCycleRow,
    ) -> Found<self_oscillation::Oscillation> {
        let (cutoff, _) = self.expected.held(&tuning, self.rate.hz());
        let x = cutoff * row.frequency_ratio;
        // Growth of (k - 4)/16 per radian; whole periods to read afterwards.
        let settle = (FOLDS * 16.0 / (row.k - 4.0) / (TAU * cutoff)) as usize;
        let capture = ((64.0 / x) as usize).max(CAPTURE);
        if settle > 4 * PATIENCE {
            return Ok(Err(nothing("it grows more slowly than can be waited for")));
        }
        let drive = self.drive_factor().unwrap_or(1.0);
        let mut input = vec![0.0; settle + capture];
        input[0] = STRIKE / drive;
        let passage = self.passage(input, tuning);
        let out = self.render(&passage)?;
        let read = self_oscillation::read(&out[settle..], self.rate_hz, x * self.rate_hz, 5);
        Ok(read.map_err(unreadable))
    }

    /// Pitch of the steady oscillation against the table.
    pub(super) fn steady_oscillation(&mut self) -> Read {
        let row = match self.row(4.0 * self.resonance)? {
            Ok(row) => row,
            Err(gap) => return Ok((None, Err(gap))),
        };
        let found = self.oscillation(self.tuning, &row)?;
        let wanted = self.cutoff * row.frequency_ratio * self.rate_hz;
        Ok((
            None,
            found.map(|found| {
                let note = format!("{:.4} Hz", found.pitch.hz);
                (
                    cents(found.pitch.hz / wanted),
                    cents(1.0 + found.pitch.uncertainty_hz / found.pitch.hz),
                    Some(note),
                )
            }),
        ))
    }

    /// Fundamental and third harmonic of the steady oscillation against the table.
    pub(super) fn oscillation_level(&mut self) -> Read {
        let Some(drive) = self.drive_factor() else {
            return Ok((None, Err(nothing("without bends its level has no end"))));
        };
        let row = match self.row(4.0 * self.resonance)? {
            Ok(row) => row,
            Err(gap) => return Ok((None, Err(gap))),
        };
        let found = self.oscillation(self.tuning, &row)?;
        let taken = found.map(|found| {
            let third = found.harmonics_dbc.get(1).copied().unwrap_or(f64::NAN);
            let off = [db(found.amplitude * drive / row.amplitude), third - row.third_dbc];
            let worst = if off[0].abs() >= off[1].abs() { off[0] } else { off[1] };
            let note = format!(
                "fundamental {:.4} ({:+.4} dB), third {third:.2} dBc",
                found.amplitude * drive,
                off[0]
            );
            (worst, 0.0, Some(note))
        });
        Ok((None, taken))
    }

    /// Cutoff that a steady oscillation tells of, cycles per sample, and its relative uncertainty.
    pub(super) fn follow_oscillation(&mut self, tuning: Tuning) -> Found<Option<(f64, f64)>> {
        let row = match self.row(PLAYED)? {
            Ok(row) => row,
            Err(gap) => return Ok(Err(gap)),
        };
        let tuning = Tuning { resonance: Resonance::new(PLAYED / 4.0)?, ..tuning };
        let found = self.oscillation(tuning, &row)?;
        Ok(found.map(|found| {
            let x = found.pitch.hz / self.rate_hz / row.frequency_ratio;
            Some((x, found.pitch.uncertainty_hz / found.pitch.hz))
        }))
    }

    /// Settled output for a coherent input of one record.
    fn settled(&mut self, record: &[f64]) -> Found<Vec<f64>> {
        self.settled_at(record, self.tuning)
    }

    fn settled_at(&mut self, record: &[f64], tuning: Tuning) -> Found<Vec<f64>> {
        let Some(long) = self.ringing_samples() else {
            return Ok(Err(nothing("it rings longer than can be waited for")));
        };
        let records = long.div_ceil(record.len());
        let passage = self.passage(record.repeat(records + 1), tuning);
        let out = self.render(&passage)?;
        let last = out[records * record.len()..].to_vec();
        Ok(level::finite(&last).map_err(unreadable).map(|()| last))
    }

    /// Power of what the bends fold back over that of the harmonics, 20 Hz to 20 kHz.
    pub(super) fn aliases(&mut self) -> Read {
        // A ninth of the rate: the fifth harmonic is the first to fold.
        let tone = Tone::nearest(self.rate_hz / 9.0, self.rate_hz, CAPTURE);
        let tone = tone.map_err(|error| Error::Request(error.to_string()))?;
        let sine = |n: usize| LOUD * (TAU * tone.turns(n)).sin();
        let record: Vec<f64> = (0..CAPTURE).map(sine).collect();
        let out = match self.settled(&record)? {
            Ok(out) => out,
            Err(gap) => return Ok((None, Err(gap))),
        };
        let rate_hz = self.rate_hz;
        let read = || {
            let mut coherent = Coherent::new(CAPTURE)?;
            let (mut harmonics, mut folded) = (0.0, 0.0);
            for line in coherent.analyse(&out)?.lines(tone)? {
                let true_hz = f64::from(line.order) * tone.hz(rate_hz);
                let hz = line.hz_ratio * rate_hz;
                if !(20.0..=20_000.0).contains(&hz) {
                    continue;
                }
                let power = line.amplitude.norm_sqr();
                if true_hz < 0.5 * rate_hz { harmonics += power } else { folded += power }
            }
            Ok::<_, plumbtone_measure::reading::Obstacle>((harmonics, folded))
        };
        let taken = read().map_err(unreadable).and_then(|(harmonics, folded)| {
            let ratio = folded / harmonics;
            if ratio > 0.0 {
                let note = format!("sine of {:.0} Hz, peak {LOUD}", tone.hz(rate_hz));
                Ok((10.0 * ratio.log10(), 0.0, Some(note)))
            } else {
                Err(nothing("nothing folds back"))
            }
        });
        Ok((None, taken))
    }

    /// Lines of a filter driven by one and by two tones, against its differential equation.
    pub(super) fn drive(&mut self) -> Read {
        let Some(drive) = self.drive_factor() else {
            return Ok((None, Err(nothing("without bends a drive adds nothing"))));
        };
        if !self.hears_the_last_stage() {
            return Ok((
                None,
                Err(nothing("the reference table holds the output of the fourth stage")),
            ));
        }
        let rows = tables::ladder_drive().map_err(|error| Error::Request(error.to_string()))?;
        let k = 4.0 * self.resonance;
        let mut worst: Option<(f64, String)> = None;
        let mut read = 0;
        for row in rows.into_iter().filter(|row| row.step == 0.0 && (row.k - k).abs() < 1e-6) {
            if f64::from(row.tones) * row.amplitude > drive {
                continue;
            }
            let found = match self.driven(&row, drive)? {
                Ok(found) => found,
                Err(gap) => return Ok((None, Err(gap))),
            };
            for (order, (found, wanted)) in
                row.orders().into_iter().zip(found.into_iter().zip(row.level_db))
            {
                // What the pieces of a tanh leave hides the weaker ones.
                if row.amplitude * 10_f64.powf(wanted / 20.0) < FAINT {
                    continue;
                }
                read += 1;
                let off = found - wanted;
                if worst.as_ref().is_none_or(|(most, _)| off.abs() > most.abs()) {
                    let (ratio, amplitude) = (row.ratio, row.amplitude);
                    worst = Some((
                        off,
                        format!("order {order} of {ratio} of the cutoff, amplitude {amplitude}"),
                    ));
                }
            }
        }
        let taken = worst.ok_or_else(|| nothing("the reference table has no such resonance"));
        Ok((None, taken.map(|(off, what)| (off, 0.0, Some(format!("{what}; {read} lines"))))))
    }

    fn hears_the_last_stage(&self) -> bool {
        matches!(self.algorithm(), Algorithm::TanhLadder { mix, .. } if *mix == mixes::LOW_4)
    }

    /// Levels of the lines of a row re its amplitude, dB.
    fn driven(&mut self, row: &LadderDriveRow, drive: f64) -> Found<[f64; 4]> {
        let wanted = row.ratio * self.cutoff;
        // Two tones are 9 and 11 times a common divisor, which has to have periods enough.
        let length = ((32.0 / wanted) as usize).next_power_of_two().clamp(CAPTURE, PATIENCE);
        let tone = match Tone::nearest(wanted * self.rate_hz, self.rate_hz, length) {
            Ok(tone) => tone,
            Err(why) => return Ok(Err(unreadable(why))),
        };
        // The cutoff gives way, so that the ratio is that of the table.
        let cutoff = self.rate.increment(tone.hz(self.rate_hz) / row.ratio)?;
        let orders: &[f64] = if row.tones == 1 { &[1.0] } else { &[9.0, 11.0] };
        let height = row.amplitude / drive;
        let sample = |n: usize| -> f64 {
            let turns = tone.turns(n);
            orders.iter().map(|order| (TAU * (order * turns).fract()).sin()).sum()
        };
        let record: Vec<f64> = (0..length).map(|n| height * sample(n)).collect();
        let out = match self.settled_at(&record, Tuning { cutoff, ..self.tuning })? {
            Ok(out) => out,
            Err(gap) => return Ok(Err(gap)),
        };
        let lines = || {
            let mut coherent = Coherent::new(length)?;
            let spectrum = coherent.analyse(&out)?;
            let mut levels = [f64::NAN; 4];
            for line in spectrum.lines(tone)? {
                if let Some(place) = row.orders().iter().position(|order| *order == line.order) {
                    levels[place] = db(line.amplitude.norm() / height);
                }
            }
            Ok::<_, plumbtone_measure::reading::Obstacle>(levels)
        };
        Ok(lines().map_err(unreadable))
    }

    /// Third-order products of two tones around half the cutoff, re the tones.
    pub(super) fn intermodulation(&mut self) -> Read {
        let products = self.products(0.45, 0.55, 0.5 * LOUD)?;
        Ok((
            None,
            products.map(|[low, high]| {
                (low.max(high), 0.0, Some(format!("{low:.1} below, {high:.1} above the tones")))
            }),
        ))
    }

    /// Third-order products below and above two tones of one amplitude, frequencies re the cutoff.
    fn products(&mut self, low: f64, high: f64, amplitude: f64) -> Found<[f64; 2]> {
        let hz = self.cutoff * self.rate_hz;
        // Forty periods of the cutoff keep the products apart.
        let length = ((40.0 / self.cutoff) as usize).next_power_of_two().clamp(CAPTURE, PATIENCE);
        let tone = |ratio: f64| Tone::nearest(ratio * hz, self.rate_hz, length);
        let both = tone(low).and_then(|low| tone(high).and_then(|high| TwoTone::new(low, high)));
        let both = match both {
            Ok(both) => both,
            Err(why) => return Ok(Err(unreadable(why))),
        };
        let out = match self.settled(&both.stimulus(amplitude, amplitude))? {
            Ok(out) => out,
            Err(gap) => return Ok(Err(gap)),
        };
        Ok(both.analyse(&out, 3).map_err(unreadable).and_then(|products| {
            let level = |a, b| products.dbc(a, b).ok_or_else(|| nothing("no such product"));
            Ok([level(2, -1)?, level(1, -2)?])
        }))
    }
}

/// The model of the table in which every stage bends.
const EVERY_STAGE: &str = "every";
