//! Small signals: magnitude, phase and the figures that are read from them.

use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

use plumbtone_measure::response::ImpulseResponse;
use plumbtone_measure::steady::Steady;
use plumbtone_measure::{db, resonance, ringing};
use plumbtone_theory::Complex64;
use plumbtone_theory::evaluation::{Algorithm, NO_PUSHES};
use plumbtone_theory::ladder::Ladder;
use plumbtone_theory::state_variable::TwoIntegratorLoop;

use super::{Found, PATIENCE, Read, Scene, noise};
use crate::error::Error;
use crate::exercise::nothing;
use crate::results::Kind;
use crate::subject::Twin;
use crate::worker::{Bound, Taken, unreadable};

/// Lowest frequency at which a response is read, Hz.
const LOWEST_HZ: f64 = 10.0;
/// Highest, in cycles per sample.
const HIGHEST: f64 = 0.49;
/// Frequencies at which it is read, evenly spread in pitch.
const POINTS: usize = 120;
/// How far below its strongest place a response is read, as a ratio: what f64 leaves, and for
/// figures that were asked for without arithmetic to derive them from, 60 dB; 40 dB for the small
/// signals of a curved filter, which are nearer to its rounding.
const DEEPEST: f64 = 1e-8;
const DEEP: f64 = 1e-3;
const CURVED: f64 = 1e-2;
/// Most that the capture itself may leave open, relative: 0.0001 dB.
const SURE: f64 = 1.2e-5;
/// Most that the twin's own rounding may leave open, relative: 2 dB.
const HEARD: f64 = 0.25;
/// Steps of a fixed twin's signals in full scale, Q5.27.
const GRID: f64 = 134_217_728.0;
/// Six standard deviations: by chance once in 500 million lines.
const SIGMAS: f64 = 6.0;
/// Least Q that rings long enough to be fitted.
const LEAST_QUALITY: f64 = 10.0;

/// A response as it was captured.
pub(super) enum Seen {
    /// From an impulse, continued by its ringing where that outlasts the capture.
    Impulse(ImpulseResponse),
    /// From a periodic noise, with the power that rounding is to leave in every line, and what
    /// its means leave at 0 Hz, as a gain.
    Steady(Steady, Hiss),
}

/// What rounding leaves: power in every line re white noise of rms 1, and level at 0 Hz.
pub(super) struct Hiss {
    pub(super) lines: Vec<f64>,
    mean: f64,
}

/// The gain at a frequency, without the latency, and what it may be off by.
#[derive(Clone, Copy)]
struct Gain {
    x: f64,
    got: Complex64,
    closed: Complex64,
    /// Derived bound on their difference.
    allowed: f64,
    /// Of `got`, k = 2.
    uncertainty: f64,
}

impl Gain {
    fn off_db(&self) -> f64 {
        db(self.got.norm() / self.closed.norm())
    }

    fn allowed_db(&self) -> f64 {
        db(1.0 + self.allowed / self.closed.norm())
    }

    fn off_degrees(&self) -> f64 {
        (self.got / self.closed).arg().to_degrees()
    }

    fn allowed_degrees(&self) -> f64 {
        (self.allowed / self.closed.norm()).min(1.0).asin().to_degrees()
    }

    fn doubt(&self) -> f64 {
        self.uncertainty / self.closed.norm()
    }
}

impl Scene<'_> {
    /// Captures the response.
    pub(super) fn see(&mut self) -> Found<Seen> {
        if self.which == Some(Twin::Exact) && self.drive_factor().is_none() {
            return self.see_impulse();
        }
        let Some(long) = self.ringing_samples() else {
            return Ok(Err(unreadable("it rings longer than can be waited for")));
        };
        let count = long.next_power_of_two().clamp(1 << 14, 1 << 18);
        let settle = long.div_ceil(count);
        let height = self.small();
        // On the grid of both twins' signals: halves that are rounded up would look like a gain.
        let signal = |x: &f64| (x * height * GRID).round() / GRID;
        let period: Vec<f64> = noise(count).iter().map(signal).collect();
        let out = match self.filtered(period.repeat(settle + 1))? {
            Ok(out) => out,
            Err(gap) => return Ok(Err(gap)),
        };
        let seen = Steady::new(&period, &out[settle * count..], self.rate_hz);
        let mut hiss = self.hiss(count)?;
        hiss.mean *= count as f64 / period.iter().sum::<f64>();
        Ok(seen.map_err(unreadable).map(|steady| Seen::Steady(steady, hiss)))
    }

    fn see_impulse(&mut self) -> Found<Seen> {
        // Until f64 has nothing left of it.
        let long = self.samples_until(1e-16);
        let count = long.unwrap_or(PATIENCE).max(1 << 12);
        let height = self.small();
        let mut input = vec![0.0; count];
        input[0] = height;
        let out = match self.filtered(input)? {
            Ok(out) => out,
            Err(gap) => return Ok(Err(gap)),
        };
        let samples: Vec<f64> = out.iter().map(|y| y / height).collect();
        let captured = ImpulseResponse::new(&samples, self.rate_hz);
        let captured = match long {
            Some(_) => captured,
            None => captured.and_then(|captured| {
                // The other modes of the loop are long gone.
                let start = count / 2;
                let modes = ringing::fit(&samples[start..], self.rate_hz, 1)?;
                captured.continued(start, &modes)
            }),
        };
        Ok(captured.map(Seen::Impulse).map_err(unreadable))
    }

    /// What the rounding of the twin is to leave in so many samples: each source through the
    /// response from there to the output.
    pub(super) fn hiss(&self, count: usize) -> Result<Hiss, Error> {
        let mut hiss = Hiss { lines: vec![0.0; count / 2 + 1], mean: 0.0 };
        let Some(twin) = self.which else { return Ok(hiss) };
        let height = self.small();
        let sources = self.expected.sources(twin, &self.tuning, self.rate.hz(), height)?;
        let mut impulse = vec![0.0; count];
        impulse[0] = 1.0;
        for source in sources.into_iter().filter(|source| source.variance + source.mean > 0.0) {
            let mut filter = self.algorithm().start();
            let mut pushes = source.train.iter();
            let next = |_| {
                let push = pushes.next().unwrap_or(&NO_PUSHES);
                filter.tick(0.0, self.cutoff, self.resonance, push)
            };
            let response: Vec<f64> = (0..count).map(next).collect();
            let response = Steady::new(&impulse, &response, self.rate_hz)
                .map_err(|error| Error::Request(error.to_string()))?;
            for (line, sum) in hiss.lines.iter_mut().enumerate() {
                *sum += source.variance * response.gain(line).norm_sqr();
            }
            hiss.mean += source.mean * response.gain(0).norm();
        }
        Ok(hiss)
    }

    fn gain(&self, seen: &Seen, hz: f64) -> Gain {
        let (hz, got, rounding, uncertainty) = match seen {
            Seen::Impulse(impulse) => match impulse.at(hz) {
                Ok(point) => (hz, point.gain, 0.0, point.uncertainty),
                Err(_) => (hz, Complex64::new(f64::NAN, 0.0), 0.0, f64::NAN),
            },
            Seen::Steady(steady, hiss) => {
                let line = steady.nearest(hz);
                let mean = if line == 0 { hiss.mean } else { 0.0 };
                let rounding = SIGMAS * steady.doubt(line) * hiss.lines[line].sqrt() + mean;
                (steady.hz(line), steady.gain(line), rounding, 0.0)
            }
        };
        let x = hz / self.rate_hz;
        let closed = self.closed(x);
        let got = got * Complex64::from_polar(1.0, TAU * (x * self.latency).fract());
        let allowed = self.drift(x, closed) + rounding + 1e-12 * closed.norm();
        Gain { x, got, closed, allowed, uncertainty }
    }

    /// How far coefficients that are off by their bounds move the response.
    fn drift(&self, x: f64, closed: Complex64) -> f64 {
        let Some(twin) = self.which else { return 0.0 };
        let [off_cutoff, off_loop, off_gain] = self.expected.coefficient_errors(twin, self.cutoff);
        // Relative in tan(pi fc), which is what a cutoff is to a filter.
        let moved = ((PI * self.cutoff).tan() * (1.0 + off_cutoff)).atan() / PI;
        let at = |cutoff, resonance| self.algorithm().response(x, cutoff, resonance);
        let louder = self.resonance * (1.0 + off_loop);
        let cutoff = (at(moved, self.resonance) - closed).norm();
        let feedback = (at(self.cutoff, louder) - closed).norm();
        // First order; a hundredth more for the rest.
        1.01 * (cutoff + feedback + off_gain * closed.norm())
    }

    pub(super) fn seen(&self, kind: Kind, bound: Bound, seen: &Seen) -> (Option<f64>, Taken) {
        let derived = bound == Bound::Derived;
        match kind {
            Kind::Response | Kind::Phase => self.all_over(kind, derived, seen),
            Kind::Passband => self.passband(seen),
            Kind::Cutoff => (None, self.half_power(seen)),
            Kind::Slope => (None, self.slope(seen)),
            _ => self.peak(seen),
        }
    }

    /// The worst deviation over all frequencies: against its own limit where that is derived.
    fn all_over(&self, kind: Kind, derived: bool, seen: &Seen) -> (Option<f64>, Taken) {
        let top = HIGHEST * self.rate_hz;
        let hz = |i: usize| LOWEST_HZ * (top / LOWEST_HZ).powf(i as f64 / (POINTS - 1) as f64);
        let gains: Vec<Gain> = (0..POINTS).map(|i| self.gain(seen, hz(i))).collect();
        let strongest = gains.iter().map(|gain| gain.closed.norm()).fold(0.0, f64::max);
        let impulse = matches!(seen, Seen::Impulse(_));
        let deep = match (derived || impulse, self.drive_factor()) {
            (_, Some(_)) => CURVED,
            (true, None) => DEEPEST,
            (false, None) => DEEP,
        };
        let read: Vec<&Gain> = gains
            .iter()
            .filter(|gain| {
                let level = gain.closed.norm();
                level > deep * strongest && gain.doubt() < SURE && gain.allowed < HEARD * level
            })
            .collect();
        let figures = read.iter().map(|gain| match kind {
            Kind::Response => (gain.off_db(), gain.allowed_db(), db(1.0 + gain.doubt()), *gain),
            _ => {
                let doubt = gain.doubt().min(1.0).asin().to_degrees();
                (gain.off_degrees(), gain.allowed_degrees(), doubt, *gain)
            }
        });
        let weight = |off: f64, allowed: f64| if derived { off.abs() / allowed } else { off.abs() };
        let worst = figures.max_by(|a, b| weight(a.0, a.1).total_cmp(&weight(b.0, b.1)));
        let Some((off, allowed, doubt, gain)) = worst else {
            return (None, Err(nothing("nothing passes")));
        };
        let note = format!(
            "at {:.1} Hz, {:.1} dB; {} of {POINTS} frequencies",
            gain.x * self.rate_hz,
            db(gain.closed.norm()),
            read.len()
        );
        (Some(allowed), Ok((off, doubt, Some(note))))
    }

    fn passband(&self, seen: &Seen) -> (Option<f64>, Taken) {
        let gain = self.gain(seen, 0.0);
        if gain.closed.norm() < 1e-9 {
            return (None, Err(nothing("0 Hz does not pass")));
        }
        let note = format!("{:.3} dB at 0 Hz", db(gain.got.norm()));
        (Some(gain.allowed_db()), Ok((gain.off_db(), db(1.0 + gain.doubt()), Some(note))))
    }

    /// Deviation of the half-power point from that of the closed form, in cents.
    fn half_power(&self, seen: &Seen) -> Taken {
        let nyquist = 0.5 * self.rate_hz;
        let (low, high) = (self.closed(0.0).norm(), self.closed(0.5).norm());
        let edge_of = |hz: f64| if low > high { (0.0, hz) } else { (nyquist, hz) };
        let (reference_hz, _) = edge_of(0.0);
        let reference = self.closed(reference_hz / self.rate_hz).norm();
        if (low - high).abs() < 0.5 * reference {
            return Err(nothing("neither low- nor high-pass"));
        }
        let closed = |hz: f64| self.closed(hz / self.rate_hz).norm();
        let top = HIGHEST * self.rate_hz;
        let bottom = (0.01 * self.cutoff * self.rate_hz).min(LOWEST_HZ);
        let edge = resonance::crossing_hz(closed, reference * FRAC_1_SQRT_2, bottom, top)
            .map_err(|_| nothing("no half-power point below half the rate"))?;
        let got = self.gain(seen, reference_hz);
        // Between two lines the gain follows the closed form times what the lines show.
        let magnitude = |hz: f64| self.between(seen, hz);
        let found = resonance::crossing_hz(
            magnitude,
            got.got.norm() * FRAC_1_SQRT_2,
            edge * 0.7,
            (edge * 1.4).min(nyquist),
        )
        .map_err(|_| {
            unreadable("no half-power point within half an octave of where it should be")
        })?;
        let cents = 1200.0 * (found / edge).log2();
        Ok((cents, 0.0, Some(format!("{found:.4} Hz"))))
    }

    /// Magnitude at a frequency between lines.
    fn between(&self, seen: &Seen, hz: f64) -> f64 {
        let Seen::Steady(steady, _) = seen else { return self.gain(seen, hz).got.norm() };
        let (low, high) = {
            let near = steady.nearest(hz);
            if steady.hz(near) > hz && near > 0 { (near - 1, near) } else { (near, near + 1) }
        };
        let ratio = |line: usize| {
            let gain = self.gain(seen, steady.hz(line));
            gain.got.norm() / gain.closed.norm()
        };
        let place = (hz - steady.hz(low)) / (steady.hz(low + 1) - steady.hz(low));
        let ratio = ratio(low) + place * (ratio(high.min(steady.count() - 1)) - ratio(low));
        ratio * self.closed(hz / self.rate_hz).norm()
    }

    /// Deviation of the slope over the octave above twice the cutoff, dB per octave.
    fn slope(&self, seen: &Seen) -> Taken {
        let from = 2.0 * self.cutoff * self.rate_hz;
        if 2.0 * from > 0.45 * self.rate_hz {
            return Err(nothing("no octave is left above twice the cutoff"));
        }
        let (low, high) = (self.gain(seen, from), self.gain(seen, 2.0 * from));
        let octaves = (high.x / low.x).log2();
        let slope = |a: Complex64, b: Complex64| db(b.norm() / a.norm()) / octaves;
        let (got, closed) = (slope(low.got, high.got), slope(low.closed, high.closed));
        let doubt = db(1.0 + low.doubt() + high.doubt()) / octaves;
        Ok((got - closed, doubt, Some(format!("{got:.3} dB per octave"))))
    }

    /// The worst deviation between the places where the resonance is 1 dB below its top.
    fn peak(&self, seen: &Seen) -> (Option<f64>, Taken) {
        let closed = |hz: f64| self.closed(hz / self.rate_hz).norm();
        // Narrow peaks slip through a search: it starts where the ringing is.
        let near = self.cutoff * self.rate_hz;
        let top = HIGHEST * self.rate_hz;
        let found = resonance::peak(closed, (near / 4.0).max(1.0), (near * 4.0).min(top));
        let found = match (self.narrow(), found) {
            (Some((hz, quality)), _) => resonance::peak_near(closed, hz, quality).ok(),
            (None, Ok(found)) => found,
            (None, Err(_)) => None,
        };
        let Some(peak) = found.filter(|peak| peak.gain > 1.05 * closed(LOWEST_HZ)) else {
            return (None, Err(nothing("no resonance stands out")));
        };
        let flank = |up: bool| {
            let mut reach = 1e-6;
            while reach < 0.3
                && closed(peak.hz * if up { 1.0 + reach } else { 1.0 - reach }) > 0.89 * peak.gain
            {
                reach *= 1.25;
            }
            peak.hz * if up { 1.0 + reach } else { 1.0 - reach }
        };
        let (low, high) = (flank(false), flank(true).min(top));
        let gains = (0..9).map(|i| self.gain(seen, low + (high - low) * f64::from(i) / 8.0));
        let worst = gains.max_by(|a, b| {
            (a.off_db().abs() / a.allowed_db()).total_cmp(&(b.off_db().abs() / b.allowed_db()))
        });
        let Some(worst) = worst else { return (None, Err(nothing("no resonance stands out"))) };
        let note = format!("top {:.3} dB at {:.2} Hz", db(peak.gain), peak.hz);
        let doubt = db(1.0 + worst.doubt());
        (Some(worst.allowed_db()), Ok((worst.off_db(), doubt, Some(note))))
    }

    /// Frequency in Hz and Q of the slowest pole pair, where theory has them.
    fn narrow(&self) -> Option<(f64, f64)> {
        let (frequency, quality) = self.mode()?;
        (quality >= LEAST_QUALITY).then_some((frequency * self.rate_hz, quality))
    }

    /// Frequency in cycles per sample at which it rings, and Q of the slowest pole pair.
    fn mode(&self) -> Option<(f64, f64)> {
        let tangent = (PI * self.cutoff).tan();
        match self.algorithm() {
            Algorithm::Ladder { .. } => {
                let ladder = Ladder::new(4.0 * self.resonance).ok()?;
                Some(((tangent * ladder.pole_ratio()).atan() / PI, ladder.quality()))
            }
            Algorithm::StateVariable { .. } => {
                let damping = 1.0 - self.resonance;
                let ratio = (1.0 - damping * damping).max(0.0).sqrt();
                Some(((tangent * ratio).atan() / PI, 0.5 / damping))
            }
            Algorithm::TwoIntegratorLoop { .. } => {
                let quality = 0.5 / (1.0 - self.resonance);
                let (x, radius) = TwoIntegratorLoop::new(self.cutoff, quality).ok()?.pole()?;
                let s = Complex64::new(radius.ln(), TAU * x);
                Some((x, -0.5 * s.norm() / s.re))
            }
            _ => None,
        }
    }

    /// Deviation of the Q of the ringing, in percent.
    pub(super) fn quality(&mut self) -> Read {
        let Some((x, quality)) = self.mode() else {
            return Ok((None, Err(nothing("theory has no poles for it"))));
        };
        if !(LEAST_QUALITY..1e6).contains(&quality) {
            let what = format!("a Q of {quality:.2} does not ring, or for ever");
            return Ok((None, Err(nothing(&what))));
        }
        // Long enough to see a tenth of the decay, or a thousand periods.
        let periods = (0.5 * quality).clamp(40.0, 1_000.0);
        let count = ((periods / x) as usize).clamp(4_096, PATIENCE);
        // The faster poles of the loop are gone after a few periods of the cutoff.
        let start = (6.0 / self.cutoff) as usize;
        let mut input = vec![0.0; start + count];
        input[0] = self.small();
        let out = match self.filtered(input)? {
            Ok(out) => out,
            Err(gap) => return Ok((None, Err(gap))),
        };
        let trapezoidal = !matches!(self.algorithm(), Algorithm::TwoIntegratorLoop { .. });
        let taken = ringing::fit(&out[start..], self.rate_hz, 1).map_err(unreadable).map(|found| {
            let mode = found.modes[0];
            let read = if trapezoidal { mode.bilinear_quality() } else { mode.quality() };
            let off = 100.0 * (read.value / quality - 1.0);
            let note = format!("Q {:.4} at {:.4} Hz", read.value, mode.hz().value);
            (off, 100.0 * read.uncertainty / quality, Some(note))
        });
        Ok((None, taken))
    }
}
