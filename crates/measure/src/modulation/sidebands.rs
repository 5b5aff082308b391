//! The lines beside a carrier, and what they say without demodulation.
//!
//! `sin(a + beta sin b)` has lines `J_n(beta)` at a + n b (Chowning, JAES 21(7):526-534, 1973).
//! Three identities of Abramowitz & Stegun, 1964 (numbers from memory), give beta from measured lines, with no
//! Bessel function computed: the recurrence `2n J_n = beta (J_(n-1) + J_(n+1))` (9.1.27), the
//! power `sum n^2 J_n^2 = beta^2/2` (from 9.1.76), and for the sign of the carrier
//! `sum J_n = 1` (9.1.42 at zero angle).

use super::analytic::LINE_WINDOW;
use crate::reading::{Obstacle, Reading, Unit};
use num_complex::Complex64;
use std::f64::consts::{LN_2, PI, TAU};

/// Orders that a first look reads to each side.
const FIRST_LOOK: i32 = 8;

/// Most orders to each side.
const MOST_ORDERS: i32 = 400;

/// One line beside the carrier.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sideband {
    /// n: the line stands at carrier + n rate.
    pub order: i32,
    /// Where it is found, in Hz, 0 to half the sample rate.
    pub hz: f64,
    /// Amplitude and phase (cosine, at the first sample), full scale = 1.0; of a line that is
    /// folded at 0 Hz or at half the rate, the phase before folding.
    pub amplitude: Complex64,
}

/// Lines of a modulated tone, and the modulation they give.
#[derive(Clone, Debug, PartialEq)]
pub struct Sidebands {
    /// Lines by ascending order.
    pub lines: Vec<Sideband>,
    /// Index from the recurrence: of a sine that modulates the phase and nothing else.
    pub index: Reading,
    /// Index from the power of the lines: sqrt 2 times the rms deviation over the rate, of
    /// whatever shape. It departs from `index` where the modulation is no pure sine.
    pub index_by_power: Reading,
    /// Depth in Hz, as a difference of phases per sample, from `index`.
    pub depth_hz: Reading,
    /// Phase of the frequency's swing re sine at the first sample.
    pub phase: Reading,
    /// Amplitude of the carrier with its sign, re the whole tone: `J_0` of the index.
    pub carrier: Reading,
    /// What the recurrence leaves over, re the noise it should leave: 1 for a sine.
    pub misfit: f64,
    /// Depth of the amplitude modulation that the first pair of lines holds.
    pub amplitude_depth: Reading,
    /// Phase of that amplitude modulation re sine at the first sample.
    pub amplitude_phase: Reading,
}

/// Where the lines are read.
struct Reader<'a> {
    bins: &'a [Complex64],
    len: usize,
    windowed: bool,
    carrier: f64,
    turns: f64,
}

impl Reader<'_> {
    /// Bins that two lines must keep from each other.
    const fn reach(&self) -> f64 {
        if self.windowed { LINE_WINDOW.main_lobe_bins() as f64 } else { 0.5 }
    }

    /// Frequency in cycles per sample, folded, and whether its phase is mirrored.
    fn place(&self, order: i32) -> (f64, bool) {
        let turns = self.carrier + f64::from(order) * self.turns;
        let off = turns - turns.round();
        (off.abs(), off < 0.0)
    }

    fn line(&self, order: i32) -> Complex64 {
        let (place, mirrored) = self.place(order);
        let position = place * self.len as f64;
        let bin = (position.round() as usize).min(self.bins.len() - 1);
        let response = if self.windowed {
            LINE_WINDOW.transform(position - bin as f64, self.len)
        } else {
            Complex64::ONE
        };
        let amplitude = self.bins[bin] / response;
        if mirrored { amplitude.conj() } else { amplitude }
    }

    /// Least spacing of the orders up to `most`, of 0 Hz and of half the rate, in cycles per
    /// sample, if that is too little.
    fn crowded(&self, most: i32) -> Option<f64> {
        let mut places: Vec<f64> = (-most..=most).map(|n| self.place(n).0).collect();
        places.extend([0.0, 0.5]);
        places.sort_unstable_by(f64::total_cmp);
        let spacing = places.windows(2).map(|p| p[1] - p[0]).fold(f64::INFINITY, f64::min);
        (spacing * self.len as f64 <= self.reach()).then_some(spacing)
    }

    /// Mean square of noise on a line, from the median of the bins beside the lines; 0 where
    /// the lines leave no bins free.
    fn noise(&self, most: i32) -> f64 {
        let last = self.bins.len() - 1;
        let clear = if self.windowed { LINE_WINDOW.main_lobe_bins() + 1 } else { 0 };
        let mut free = vec![true; self.bins.len()];
        free[..=clear].fill(false);
        free[last - clear..].fill(false);
        for n in -most..=most {
            let bin = (self.place(n).0 * self.len as f64).round() as usize;
            free[bin.saturating_sub(clear)..=(bin + clear).min(last)].fill(false);
        }
        // Beside the lines: no farther from one than the lines reach in all.
        let span = (f64::from(most) * self.turns).max(200.0 / self.len as f64);
        let near = |bin: usize| (bin as f64 / self.len as f64 - self.carrier).abs() <= span;
        let powers = |wide: bool| -> Vec<f64> {
            (0..=last)
                .filter(|bin| free[*bin] && (wide || near(*bin)))
                .map(|bin| self.bins[bin].norm_sqr())
                .collect()
        };
        let mut powers =
            Some(powers(false)).filter(|p| p.len() >= 16).unwrap_or_else(|| powers(true));
        if powers.len() < 16 {
            return 0.0;
        }
        let middle = powers.len() / 2;
        *powers.select_nth_unstable_by(middle, f64::total_cmp).1 / LN_2
    }
}

/// Orders that count at index `beta`: beyond, `(beta/2)^n/n!` is below 1e-9 of all.
fn orders(beta: f64) -> i32 {
    let mut bound = 1.0;
    let mut n = 0;
    while (n < 3 || bound > 1e-9) && n < MOST_ORDERS {
        n += 1;
        bound *= 0.5 * beta / f64::from(n);
    }
    n
}

/// Reads the lines from a spectrum of `len` samples; carrier and rate in cycles per sample.
pub fn read(
    bins: &[Complex64],
    len: usize,
    windowed: bool,
    rate_hz: f64,
    carrier: f64,
    turns: f64,
) -> Result<Sidebands, Obstacle> {
    let reader = Reader { bins, len, windowed, carrier, turns };
    let mut most = FIRST_LOOK;
    while most > 1 && reader.crowded(most).is_some() {
        most -= 1;
    }
    // The power of what is read so far tells how far there is to read.
    for _ in 0..12 {
        let wanted = orders(power_index(&reader, most));
        if wanted <= most {
            break;
        }
        most = wanted.min(2 * most);
    }
    most = orders(power_index(&reader, most)).max(most.min(3));
    if let Some(spacing) = reader.crowded(most) {
        return Err(Obstacle::Unresolved {
            spacing_hz: spacing * rate_hz,
            need_hz: reader.reach() * rate_hz / len as f64,
        });
    }
    let lines: Vec<Complex64> = (-most..=most).map(|n| reader.line(n)).collect();
    if lines.iter().all(|l| l.norm_sqr() == 0.0) {
        return Err(Obstacle::NoTone);
    }
    Ok(Rows { lines, most, noise: reader.noise(most) }.readings(&reader, rate_hz))
}

/// `sqrt(2 sum n^2 |C_n|^2 / sum |C_n|^2)`.
fn power_index(reader: &Reader<'_>, most: i32) -> f64 {
    let noise = reader.noise(most);
    let (mut all, mut weighted) = (0.0, 0.0);
    for n in -most..=most {
        let power = reader.line(n).norm_sqr();
        if power > 30.0 * noise {
            all += power;
            weighted += f64::from(n * n) * power;
        }
    }
    if all > 0.0 { (2.0 * weighted / all).sqrt() } else { 0.0 }
}

struct Rows {
    /// Orders -most ..= most.
    lines: Vec<Complex64>,
    most: i32,
    /// Mean square of noise on a line.
    noise: f64,
}

impl Rows {
    fn at(&self, n: i32) -> Complex64 {
        if n.abs() > self.most { Complex64::ZERO } else { self.lines[(n + self.most) as usize] }
    }

    fn orders(&self) -> std::ops::RangeInclusive<i32> {
        -self.most..=self.most
    }

    /// Noise of row n over that of a line: `2n C_n - beta (C_(n-1) + C_(n+1))`.
    fn weight(n: i32, beta: f64) -> f64 {
        (f64::from(4 * n * n) + 2.0 * beta * beta).recip()
    }

    /// The regressors of row n: along beta, and a quarter turn off along the phase.
    fn regressors(&self, n: i32, turn: Complex64) -> (Complex64, Complex64) {
        let (below, above) = (self.at(n - 1) * turn, self.at(n + 1) * turn.conj());
        (below + above, Complex64::I * (below - above))
    }

    /// `p` of `2n C_n = p C_(n-1) + conj(p) C_(n+1)`, by weighted least squares.
    fn solve(&self, beta: f64) -> Complex64 {
        let mut normal = [0.0; 3];
        let mut right = [0.0; 2];
        for n in self.orders() {
            let weight = Self::weight(n, beta);
            let (u, v) = self.regressors(n, Complex64::ONE);
            let want = 2.0 * f64::from(n) * self.at(n);
            // Noise on the regressors would shorten p: its share is known and taken out.
            normal[0] += weight * (u.norm_sqr() - 2.0 * self.noise);
            normal[1] += weight * (u.conj() * v).re;
            normal[2] += weight * (v.norm_sqr() - 2.0 * self.noise);
            right[0] += weight * (u.conj() * want).re;
            right[1] += weight * (v.conj() * want).re;
        }
        let det = normal[0] * normal[2] - normal[1] * normal[1];
        if det <= 0.0 {
            return Complex64::ZERO;
        }
        Complex64::new(
            (normal[2] * right[0] - normal[1] * right[1]) / det,
            (normal[0] * right[1] - normal[1] * right[0]) / det,
        )
    }

    fn readings(self, reader: &Reader<'_>, rate_hz: f64) -> Sidebands {
        let mut p = Complex64::new(1.0, 0.0);
        for _ in 0..4 {
            p = self.solve(p.norm().max(1e-6));
        }
        let beta = p.norm();
        let turn = if beta > 0.0 { p / beta } else { Complex64::ONE };

        // Left over by the recurrence, re the noise of each row.
        let left: f64 = self
            .orders()
            .map(|n| {
                let want = 2.0 * f64::from(n) * self.at(n);
                let (u, _) = self.regressors(n, turn);
                Self::weight(n, beta.max(1e-6)) * (want - beta * u).norm_sqr()
            })
            .sum();
        let power: f64 = self.lines.iter().map(Complex64::norm_sqr).sum();
        let rows = f64::from(2 * self.most + 1) - 1.0;
        // Side lobes of the window, or some units of rounding of samples and transform.
        let rounding = power * if reader.windowed { 1e-22 } else { (8.0 * f64::EPSILON).powi(2) };
        let noise = self.noise + rounding;
        let misfit = (left / rows / noise).sqrt();
        // A row's share scatters: 2 is far beyond it, so what is there is no noise.
        let noise_seen = if misfit > 2.0 { noise * misfit * misfit } else { noise };
        let noise = if self.noise > 0.0 { noise } else { noise_seen };

        let (along, across) = self.doubts(beta.max(1e-6), turn, noise_seen);
        let index = Reading::new(beta, Unit::Ratio, 2.0 * along).with_floor(2.0 * along);
        let per_index = (PI * reader.turns).sin() / PI * rate_hz;

        let whole: Complex64 = self.orders().map(|n| self.at(n) * turn.conj().powi(n)).sum();
        let carrier = (self.at(0) / whole).re;
        // The sum carries the noise of every line it takes.
        let on_sum = (rows + 1.0) * carrier * carrier + 1.0 - 2.0 * carrier;
        let carrier_doubt = 2.0 * (0.5 * noise_seen * on_sum.max(0.0)).sqrt() / whole.norm();

        let phase = turn.arg() / TAU + 0.25;
        Sidebands {
            lines: self
                .orders()
                .map(|order| Sideband {
                    order,
                    hz: reader.place(order).0 * rate_hz,
                    amplitude: self.at(order),
                })
                .collect(),
            index,
            index_by_power: self.by_power(power, noise),
            depth_hz: Reading::new(beta * per_index, Unit::Hertz, 2.0 * along * per_index)
                .with_floor(2.0 * along * per_index),
            phase: Reading::new(phase.rem_euclid(1.0), Unit::Turns, 2.0 * across / TAU),
            carrier: Reading::new(carrier, Unit::Ratio, carrier_doubt),
            misfit,
            ..self.amplitude(noise)
        }
    }

    /// Standard uncertainties of beta and of the modulation's phase in radians.
    fn doubts(&self, beta: f64, turn: Complex64, noise: f64) -> (f64, f64) {
        let mut doubts = [0.0; 2];
        for (doubt, along) in doubts.iter_mut().zip([true, false]) {
            let row = |n: i32| {
                if n.abs() > self.most {
                    return (0.0, Complex64::ZERO);
                }
                let (u, v) = self.regressors(n, turn);
                (Self::weight(n, beta), if along { u } else { v })
            };
            let size: f64 = self
                .orders()
                .map(|n| {
                    let (w, r) = row(n);
                    w * r.norm_sqr()
                })
                .sum();
            let square: f64 = self
                .orders()
                .map(|m| {
                    let of = |n: i32, factor: Complex64| {
                        let (w, r) = row(n);
                        r.conj() * factor * w
                    };
                    // What noise on line m does in its own row and in its neighbours'.
                    let own = of(m, Complex64::new(2.0 * f64::from(m), 0.0));
                    let above = of(m + 1, -beta * turn);
                    let below = of(m - 1, -beta * turn.conj());
                    (own + above + below).norm_sqr()
                })
                .sum();
            *doubt = (0.5 * noise * square).sqrt() / size.max(f64::MIN_POSITIVE);
        }
        (doubts[0], doubts[1] / beta)
    }

    fn by_power(&self, power: f64, noise: f64) -> Reading {
        let (mut all, mut weighted) = (power, 0.0);
        for n in self.orders() {
            let own = self.at(n).norm_sqr() - self.noise;
            weighted += f64::from(n * n) * own;
            all -= self.noise;
        }
        let square = (2.0 * weighted / all).max(0.0);
        // d(beta^2) = sum 2 (n^2 - beta^2/2) 2 Re(C_n* e_n) / power, and noise squared.
        let variance: f64 = self
            .orders()
            .map(|n| {
                let pull = 2.0 * (f64::from(n * n) - 0.5 * square) / all;
                let own = self.at(n).norm_sqr();
                pull * pull * (2.0 * own * noise + noise * noise)
            })
            .sum();
        let index = square.sqrt();
        let doubt = (square + 2.0 * variance.sqrt()).sqrt() - index;
        Reading::new(index, Unit::Ratio, doubt).with_floor(doubt)
    }

    /// The first pair's share of amplitude modulation, `1 + m sin`, as part of a reading.
    fn amplitude(&self, noise: f64) -> Sidebands {
        let carrier = self.at(0);
        let pair = self.at(1) / carrier + (self.at(-1) / carrier).conj();
        let doubt = 2.0 * (noise / carrier.norm_sqr()).sqrt();
        let none = Reading::new(0.0, Unit::Ratio, 0.0);
        Sidebands {
            lines: Vec::new(),
            index: none,
            index_by_power: none,
            depth_hz: none,
            phase: none,
            carrier: none,
            misfit: 0.0,
            amplitude_depth: Reading::new(pair.norm(), Unit::Ratio, doubt).with_floor(doubt),
            amplitude_phase: Reading::new(
                (pair.arg() / TAU + 0.25).rem_euclid(1.0),
                Unit::Turns,
                doubt / pair.norm() / TAU,
            ),
        }
    }
}

/// A depth at which the carrier vanishes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CarrierNull {
    /// The depth, in the unit that the depths were given in.
    pub depth: f64,
    /// Expanded uncertainty, k = 2: noise of the carriers, and the change when the
    /// interpolation uses two captures less.
    pub uncertainty: f64,
}

/// Captures on which a null is interpolated: three to each side.
const AROUND: usize = 6;

/// Depths at which the carrier vanishes, from `(depth, Sidebands::carrier)` at rising depth.
///
/// The zero of the polynomial through the six captures about each change of sign. With
/// steps h of the index it errs by less than `5 h^6 / 1024`.
///
/// # Errors
/// [`Obstacle::TooShort`] below six captures; [`Obstacle::NotFinite`] of a capture whose depth
/// or carrier is no number; [`Obstacle::OutOfRange`] where the depth does not rise.
pub fn carrier_nulls(captures: &[(f64, Reading)]) -> Result<Vec<CarrierNull>, Obstacle> {
    if captures.len() < AROUND {
        return Err(Obstacle::TooShort { have: captures.len(), need: AROUND });
    }
    if let Some(index) = captures.iter().position(|(d, c)| !(d.is_finite() && c.value.is_finite()))
    {
        return Err(Obstacle::NotFinite { index });
    }
    if let Some(pair) = captures.windows(2).find(|pair| pair[1].0 <= pair[0].0) {
        let (value, low) = (pair[1].0, pair[0].0);
        return Err(Obstacle::OutOfRange { name: "rising depth", value, low, high: f64::MAX });
    }
    let changes = captures.windows(2).enumerate().filter(|(_, pair)| {
        // A capture right on the null counts with the interval that it ends.
        pair[0].1.value != 0.0 && pair[0].1.value * pair[1].1.value <= 0.0
    });
    Ok(changes
        .map(|(i, pair)| {
            let zero = |count: usize| {
                let first = (i + 1).saturating_sub(count / 2).min(captures.len() - count);
                bisect(&captures[first..first + count], pair[0].0, pair[1].0)
            };
            let depth = zero(AROUND);
            let slope = (pair[1].1.value - pair[0].1.value) / (pair[1].0 - pair[0].0);
            let noise = pair[0].1.uncertainty.max(pair[1].1.uncertainty) / slope.abs();
            CarrierNull { depth, uncertainty: noise + (depth - zero(AROUND - 2)).abs() }
        })
        .collect())
}

/// Zero of the polynomial through `points` between `low` and `high`, where it changes sign.
fn bisect(points: &[(f64, Reading)], mut low: f64, mut high: f64) -> f64 {
    let at = |x: f64| -> f64 {
        let basis = |i: usize| -> f64 {
            let others = points.iter().enumerate().filter(|(j, _)| *j != i);
            others.map(|(_, (d, _))| (x - d) / (points[i].0 - d)).product()
        };
        points.iter().enumerate().map(|(i, (_, c))| c.value * basis(i)).sum()
    };
    let falls = at(low) > 0.0;
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if (at(middle) > 0.0) == falls { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}
