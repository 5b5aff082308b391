//! The course of a level through stages, each a closed form of the samples since it began.
//!
//! | | |
//! |---|---|
//! | Source  | derived here from `y[n+1] = target + (y[n] - target) q` and from the bend curve |
//! | Units   | samples; levels in the unit of the module (1 = full scale, or octaves) |
//! | Error   | some ulp of the level; ends exact unless a crossing lies within 1e-9 of a sample |
//! | Checked | `tests/suite/theory/contour.rs`, `tests/suite/theory/glide.rs` |
//!
//! An event at sample `s` comes before that sample is computed. Where a stage ends at `s` as well,
//! the sample has that stage's last level, and the event is taken before the choice of the next
//! stage.

use crate::ParameterError;
use std::fmt::Debug;

/// Distance from its target at which a decaying stage ends, 2^-20.
pub const SETTLED: f64 = 1.0 / 1_048_576.0;

/// A key as the modules hear it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gate {
    /// A key goes down.
    Down {
        /// Another key is held: the new one is tied to it.
        legato: bool,
    },
    /// The last key goes up.
    Up,
}

/// Where a new key begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Restart {
    /// From the present level.
    Present,
    /// From level 0.
    Zero,
    /// A legato key while the gate is on changes nothing; any other as [`Restart::Present`].
    Legato,
}

/// `1 / (tau fs)` of a time constant, infinite for a `time_s` of less than half a sample.
pub(crate) fn rate(time_s: f64, time_per_tau: f64, sample_rate_hz: f64) -> f64 {
    let samples = time_s * sample_rate_hz;
    if samples < 0.5 { f64::INFINITY } else { time_per_tau / samples }
}

/// A sample rate that is positive and finite, and a time of 0 to 100 s.
pub(crate) fn check_time(
    name: &'static str,
    time_s: f64,
    sample_rate_hz: f64,
) -> Result<(), ParameterError> {
    let inside = sample_rate_hz.is_finite() && sample_rate_hz > 0.0;
    ParameterError::check(inside, "sample_rate_hz", sample_rate_hz, "positive and finite")?;
    ParameterError::check((0.0..=100.0).contains(&time_s), name, time_s, "0..=100 s")
}

/// Samples that do not run backwards.
pub(crate) fn check_order(samples: impl Iterator<Item = u64>) -> Result<(), ParameterError> {
    let mut last = 0;
    for sample in samples {
        ParameterError::check(
            sample >= last,
            "sample",
            sample as f64,
            "not before the last event",
        )?;
        last = sample;
    }
    Ok(())
}

/// How a level moves from where it starts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Curve {
    /// Not at all.
    Still,
    /// Toward a target above 1; ends at 1, at the sample nearest the crossing.
    Charge { target: f64, rate: f64 },
    /// Toward a target; ends there once within [`SETTLED`].
    Settle { target: f64, rate: f64 },
    /// To a target in so many samples, `bend` time constants long.
    Bent { target: f64, bend: f64, samples: u64 },
}

/// What is left of the way after `n` samples. A rate without end leaves nothing after one.
fn left(n: u64, rate: f64) -> f64 {
    if n == 0 { 1.0 } else { (-(n as f64) * rate).exp() }
}

/// Share of the way covered at `position` (0..=1) of a curve of `bend` time constants:
/// `(1 - exp(-b u)) / (1 - exp(-b))`, a straight line for 0.
#[must_use]
pub fn bent(bend: f64, position: f64) -> f64 {
    if bend == 0.0 { position } else { (-bend * position).exp_m1() / (-bend).exp_m1() }
}

impl Curve {
    /// Level `n` samples after `from`, before the end.
    fn level(self, from: f64, n: u64) -> f64 {
        match self {
            Self::Still => from,
            Self::Charge { target, rate } | Self::Settle { target, rate } => {
                target + (from - target) * left(n, rate)
            }
            Self::Bent { target, bend, samples } => {
                from + (target - from) * bent(bend, n as f64 / samples as f64)
            }
        }
    }

    /// Sample of the end, counted from the start, and the level there.
    pub(crate) fn end(self, from: f64) -> Option<(u64, f64)> {
        match self {
            Self::Still => None,
            Self::Charge { target, rate } => {
                // (y[n] + y[n+1]) / 2 >= 1 is (a - y0) q^n (1 + q) / 2 <= a - 1.
                let over = ((target - from) / (target - 1.0)).ln();
                let half_step = (0.5 * (-rate).exp_m1()).ln_1p();
                Some((((over + half_step) / rate).ceil().max(0.0) as u64, 1.0))
            }
            Self::Settle { target, rate } => {
                let distance = (from - target).abs();
                let samples = ((distance / SETTLED).ln() / rate).ceil();
                let samples = if distance <= SETTLED { 0.0 } else { samples.max(1.0) };
                Some((samples as u64, target))
            }
            Self::Bent { target, samples, .. } => Some((samples, target)),
        }
    }

    /// Magnitude of the step from sample `n` to the next.
    fn step(self, from: f64, n: u64) -> f64 {
        let step = match self {
            Self::Still => 0.0,
            Self::Charge { target, rate } | Self::Settle { target, rate } => {
                (target - from) * left(n, rate) * (-rate).exp_m1()
            }
            Self::Bent { target, bend, samples } => {
                let cells = samples as f64;
                let start = (-bend * n as f64 / cells).exp();
                (target - from) * start * bent(bend, 1.0 / cells)
            }
        };
        step.abs()
    }
}

/// One stage of a course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage<N> {
    /// What it is.
    pub name: N,
    /// Its first sample.
    pub start: u64,
    /// First sample of what follows; `None` if nothing does.
    pub end: Option<u64>,
    /// It ran to its own end; `false` where an event cut it short or it has no end.
    pub complete: bool,
    /// Level by which it jumps at its first sample; 0 where it is continuous.
    pub jump: f64,
    /// Largest magnitude of a step from one sample to the next, from `start` to `end`, less any
    /// jump of what follows: the largest step that is no click.
    pub largest_step: f64,
    from: f64,
    curve: Curve,
    natural: Option<(u64, f64)>,
}

impl<N> Stage<N> {
    fn new(name: N, start: u64, before: f64, from: f64, curve: Curve) -> Self {
        let natural = curve.end(from);
        let mut stage = Self {
            name,
            start,
            end: natural.map(|(samples, _)| start.saturating_add(samples)),
            complete: natural.is_some(),
            jump: from - before,
            largest_step: 0.0,
            from,
            curve,
            natural,
        };
        if let Some((0, level)) = natural {
            stage.jump = level - before;
        }
        stage.measure();
        stage
    }

    /// Level at `sample`; at the end and after, the level there.
    fn level(&self, sample: u64) -> f64 {
        match self.natural {
            Some((samples, level)) if sample - self.start >= samples => level,
            _ => self.curve.level(self.from, sample - self.start),
        }
    }

    /// Every curve is steepest at one of its ends, but for the last step of an exponential, which
    /// goes to the end level at once.
    fn measure(&mut self) {
        let samples = self.end.map_or(u64::MAX, |end| end - self.start);
        if samples == 0 {
            self.largest_step = 0.0;
            return;
        }
        let first = if samples == 1 { 0.0 } else { self.curve.step(self.from, 0) };
        let last = match (self.natural, self.curve) {
            (Some((all, level)), Curve::Charge { .. } | Curve::Settle { .. }) if all == samples => {
                (level - self.curve.level(self.from, samples - 1)).abs()
            }
            _ if self.end.is_none() => 0.0,
            _ => self.curve.step(self.from, samples - 1),
        };
        self.largest_step = first.max(last);
    }

    fn cut(&mut self, sample: u64) {
        if self.end != Some(sample) || !self.complete {
            (self.end, self.complete) = (Some(sample), false);
            self.measure();
        }
    }
}

/// Every level from sample 0 on.
#[derive(Debug, Clone, PartialEq)]
pub struct Course<N> {
    stages: Vec<Stage<N>>,
}

impl<N: Copy + Debug> Course<N> {
    /// Rests at level 0.
    pub(crate) fn new(name: N) -> Self {
        Self { stages: vec![Stage::new(name, 0, 0.0, 0.0, Curve::Still)] }
    }

    fn last(&self) -> &Stage<N> {
        &self.stages[self.stages.len() - 1]
    }

    pub(crate) fn name(&self) -> N {
        self.last().name
    }

    /// Level at `sample` of the stage that runs.
    pub(crate) fn present(&self, sample: u64) -> f64 {
        self.last().level(sample)
    }

    /// End of the stage that runs, if it comes before `sample`.
    pub(crate) fn end_before(&self, sample: u64) -> Option<u64> {
        self.last().end.filter(|end| *end < sample)
    }

    /// Begins a stage, ending the one that runs.
    pub(crate) fn begin(&mut self, sample: u64, name: N, from: f64, curve: Curve) {
        let before = self.present(sample);
        let running = self.stages.len() - 1;
        self.stages[running].cut(sample);
        self.stages.push(Stage::new(name, sample, before, from, curve));
    }

    /// Level at `sample`. Samples beyond the length that the course was asked for see its last
    /// stage only.
    #[must_use]
    pub fn level(&self, sample: u64) -> f64 {
        let after = self.stages.partition_point(|stage| stage.start <= sample);
        self.stages[after - 1].level(sample)
    }

    /// All stages in order. Some may last no sample.
    #[must_use]
    pub fn stages(&self) -> &[Stage<N>] {
        &self.stages
    }

    /// Name and end of every stage that ends, in order.
    pub fn ends(&self) -> impl Iterator<Item = (N, u64)> + '_ {
        self.stages.iter().filter_map(|stage| Some((stage.name, stage.end?)))
    }
}
