//! Contours: attack, decay, sustain, release; and a contour of many stages.
//!
//! | | |
//! |---|---|
//! | Source  | exponential charge toward an overshoot target: common practice (Chamberlin 1985, from memory); ends and steps derived in [`crate::course`] |
//! | Units   | seconds; levels 0..1 (adsr), -1..1 (multistage); samples |
//! | Error   | as [`crate::course`] |
//! | Checked | `tests/suite/theory/contour.rs`, `reference-tables/bend-curves` |

use crate::ParameterError;
use crate::course::{Course, Curve, Gate, Restart, check_order, check_time, rate};
use crate::rc::attack_ratio;
use std::fmt;

/// Times of an attack-decay-sustain-release contour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AdsrSettings {
    /// From 0 to 1, seconds, 0..=100.
    pub attack_s: f64,
    /// To within 0.1 % (60 dB) of the way to the sustain level, seconds, 0..=100.
    pub decay_s: f64,
    /// Level held while the gate is on, 0..=1.
    pub sustain: f64,
    /// To 0.1 % (-60 dB) of the level at its start, seconds, 0..=100.
    pub release_s: f64,
    /// Level that the attack charges toward, 1.01..=100.
    pub overshoot: f64,
    /// Where a new key begins.
    pub restart: Restart,
}

/// A stage of [`Adsr`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AdsrStage {
    /// At level 0.
    Idle,
    /// Toward the overshoot target, until 1.
    Attack,
    /// Toward the sustain level.
    Decay,
    /// At the sustain level.
    Sustain,
    /// Toward 0.
    Release,
}

impl fmt::Display for AdsrStage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Idle => "idle",
            Self::Attack => "attack",
            Self::Decay => "decay",
            Self::Sustain => "sustain",
            Self::Release => "release",
        })
    }
}

/// The contour at a sample rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Adsr {
    settings: AdsrSettings,
    attack_rate: f64,
    decay_rate: f64,
    release_rate: f64,
}

impl Adsr {
    /// A contour at `sample_rate_hz`.
    ///
    /// # Errors
    /// A setting outside its range, or a sample rate that is not positive and finite.
    pub fn new(settings: AdsrSettings, sample_rate_hz: f64) -> Result<Self, ParameterError> {
        let AdsrSettings { attack_s, decay_s, sustain, release_s, overshoot, .. } = settings;
        check_time("attack_s", attack_s, sample_rate_hz)?;
        check_time("decay_s", decay_s, sample_rate_hz)?;
        check_time("release_s", release_s, sample_rate_hz)?;
        ParameterError::check((0.0..=1.0).contains(&sustain), "sustain", sustain, "0..=1")?;
        let inside = (1.01..=100.0).contains(&overshoot);
        ParameterError::check(inside, "overshoot", overshoot, "1.01..=100")?;
        let sixty_db = 1000.0_f64.ln();
        Ok(Self {
            settings,
            attack_rate: rate(attack_s, attack_ratio(overshoot)?, sample_rate_hz),
            decay_rate: rate(decay_s, sixty_db, sample_rate_hz),
            release_rate: rate(release_s, sixty_db, sample_rate_hz),
        })
    }

    /// The course of `samples` samples under gate events, each with its sample. Up while the gate
    /// is off changes nothing.
    ///
    /// # Errors
    /// Events out of order.
    pub fn course(
        &self,
        events: &[(u64, Gate)],
        samples: u64,
    ) -> Result<Course<AdsrStage>, ParameterError> {
        check_order(events.iter().map(|event| event.0))?;
        let restart = self.settings.restart;
        let mut course = Course::new(AdsrStage::Idle);
        let mut on = false;
        for &(sample, gate) in events {
            self.advance(&mut course, sample);
            match gate {
                Gate::Down { legato } => {
                    let tied = restart == Restart::Legato && legato && on;
                    on = true;
                    if !tied {
                        self.attack(&mut course, sample);
                    }
                }
                Gate::Up if on => {
                    on = false;
                    let at_once = self.release_rate.is_infinite();
                    let from = if at_once { 0.0 } else { course.present(sample) };
                    let curve = Curve::Settle { target: 0.0, rate: self.release_rate };
                    course.begin(sample, AdsrStage::Release, from, curve);
                }
                Gate::Up => {}
            }
        }
        self.advance(&mut course, samples);
        Ok(course)
    }

    fn attack(&self, course: &mut Course<AdsrStage>, sample: u64) {
        let from = match self.settings.restart {
            _ if self.attack_rate.is_infinite() => 1.0,
            Restart::Zero => 0.0,
            Restart::Present | Restart::Legato => course.present(sample),
        };
        let curve = Curve::Charge { target: self.settings.overshoot, rate: self.attack_rate };
        course.begin(sample, AdsrStage::Attack, from, curve);
    }

    /// Passes every end before `sample`.
    fn advance(&self, course: &mut Course<AdsrStage>, sample: u64) {
        while let Some(end) = course.end_before(sample) {
            let level = course.present(end);
            let (next, curve) = match course.name() {
                AdsrStage::Attack => {
                    let curve =
                        Curve::Settle { target: self.settings.sustain, rate: self.decay_rate };
                    (AdsrStage::Decay, curve)
                }
                AdsrStage::Decay => (AdsrStage::Sustain, Curve::Still),
                _ => (AdsrStage::Idle, Curve::Still),
            };
            course.begin(end, next, level, curve);
        }
    }
}

/// One point of a [`Multistage`] contour and the way to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Time of the way, seconds, 0..=100.
    pub time_s: f64,
    /// Level at its end, -1..=1.
    pub level: f64,
    /// Time constants of the way, -8..=8: 0 a straight line, above 0 fast first.
    pub bend: f64,
}

/// Points that repeat.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Loop {
    /// Point that follows the last one of the loop.
    pub from: usize,
    /// Last point of the loop.
    pub to: usize,
    /// How often the loop repeats after its first pass, 0..=1000; 0 repeats while the key is down.
    pub count: u32,
}

/// Points of a contour of many stages, counted from 1, and where it waits, repeats and ends.
#[derive(Debug, Clone, PartialEq)]
pub struct MultistageSettings {
    /// 2 to 16 points.
    pub points: Vec<Point>,
    /// Point at which it waits while the key is down.
    pub hold: Option<usize>,
    /// Points that repeat.
    pub repeat: Option<Loop>,
    /// Point that it heads for when the key goes up before it.
    pub release: Option<usize>,
    /// Where a new key begins.
    pub restart: Restart,
}

/// A stage of [`Multistage`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MultistageStage {
    /// Before the first key, or after the last point.
    Rest,
    /// On the way to this point.
    Toward(usize),
    /// Waiting at this point.
    Hold(usize),
}

impl fmt::Display for MultistageStage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rest => f.write_str("rest"),
            Self::Toward(point) => write!(f, "stage {point}"),
            Self::Hold(point) => write!(f, "hold {point}"),
        }
    }
}

/// The contour at a sample rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Multistage {
    settings: MultistageSettings,
    lengths: Vec<u64>,
}

/// A course under way.
struct Run<'a> {
    contour: &'a Multistage,
    course: Course<MultistageStage>,
    down: bool,
    repeats_left: u32,
}

impl Multistage {
    /// A contour at `sample_rate_hz`.
    ///
    /// A loop may hold the release point: it still ends, as its repeats are counted or need a key.
    ///
    /// # Errors
    /// A setting outside its range, a point that does not exist, a loop backwards or of no sample,
    /// or a sample rate that is not positive and finite.
    pub fn new(settings: MultistageSettings, sample_rate_hz: f64) -> Result<Self, ParameterError> {
        let count = settings.points.len();
        ParameterError::check((2..=16).contains(&count), "points", count as f64, "2..=16")?;
        for point in &settings.points {
            check_time("time_s", point.time_s, sample_rate_hz)?;
            ParameterError::check(point.level.abs() <= 1.0, "level", point.level, "-1..=1")?;
            ParameterError::check(point.bend.abs() <= 8.0, "bend", point.bend, "-8..=8")?;
        }
        let check_point = |name, point: usize| {
            let range = "1..=number of points";
            ParameterError::check((1..=count).contains(&point), name, point as f64, range)
        };
        settings.hold.map_or(Ok(()), |point| check_point("hold", point))?;
        settings.release.map_or(Ok(()), |point| check_point("release", point))?;
        let samples = |point: &Point| (point.time_s * sample_rate_hz).round() as u64;
        let lengths: Vec<u64> = settings.points.iter().map(samples).collect();
        if let Some(Loop { from, to, count: repeats }) = settings.repeat {
            check_point("loop_from", from)?;
            check_point("loop_to", to)?;
            ParameterError::check(from <= to, "loop_from", from as f64, "not after loop_to")?;
            let most = 1000;
            ParameterError::check(repeats <= most, "loop_count", f64::from(repeats), "0..=1000")?;
            let all: u64 = lengths[from - 1..to].iter().sum();
            ParameterError::check(all > 0, "samples of the loop", all as f64, "at least 1")?;
        }
        Ok(Self { settings, lengths })
    }

    /// The course of `samples` samples under gate events, each with its sample. Up while the gate
    /// is off changes nothing.
    ///
    /// A key that goes up at a hold lets it go on in any case, even with a release point at or
    /// before the hold.
    ///
    /// # Errors
    /// Events out of order.
    pub fn course(
        &self,
        events: &[(u64, Gate)],
        samples: u64,
    ) -> Result<Course<MultistageStage>, ParameterError> {
        check_order(events.iter().map(|event| event.0))?;
        let course = Course::new(MultistageStage::Rest);
        let mut run = Run { contour: self, course, down: false, repeats_left: 0 };
        for &(sample, gate) in events {
            run.advance(sample);
            match gate {
                Gate::Down { legato } => run.key_down(sample, legato),
                Gate::Up => run.key_up(sample),
            }
        }
        run.advance(samples);
        Ok(run.course)
    }
}

impl Run<'_> {
    fn key_down(&mut self, sample: u64, legato: bool) {
        let settings = &self.contour.settings;
        let tied = settings.restart == Restart::Legato && legato && self.down;
        self.down = true;
        if tied {
            return;
        }
        self.repeats_left = settings.repeat.map_or(0, |repeat| repeat.count);
        let zero = settings.restart == Restart::Zero;
        let from = if zero { 0.0 } else { self.course.present(sample) };
        self.head_for(sample, 1, from);
    }

    fn key_up(&mut self, sample: u64) {
        if !std::mem::replace(&mut self.down, false) {
            return;
        }
        let stage = self.course.name();
        let (MultistageStage::Toward(point) | MultistageStage::Hold(point)) = stage else {
            return;
        };
        match self.contour.settings.release {
            Some(release) if point < release => {
                self.head_for(sample, release, self.course.present(sample));
            }
            _ if stage == MultistageStage::Hold(point) => self.leave(sample, point),
            _ => {}
        }
    }

    fn head_for(&mut self, sample: u64, point: usize, from: f64) {
        let Point { level, bend, .. } = self.contour.settings.points[point - 1];
        let curve = Curve::Bent { target: level, bend, samples: self.contour.lengths[point - 1] };
        self.course.begin(sample, MultistageStage::Toward(point), from, curve);
    }

    /// What follows a point that does not hold.
    fn leave(&mut self, sample: u64, point: usize) {
        let settings = &self.contour.settings;
        let level = self.course.present(sample);
        let next = match settings.repeat {
            Some(Loop { from, to, count: 0 }) if to == point && self.down => from,
            Some(Loop { from, to, .. }) if to == point && self.repeats_left > 0 => {
                self.repeats_left -= 1;
                from
            }
            _ => point + 1,
        };
        if next > settings.points.len() {
            self.course.begin(sample, MultistageStage::Rest, level, Curve::Still);
        } else {
            self.head_for(sample, next, level);
        }
    }

    /// Passes every end before `sample`.
    fn advance(&mut self, sample: u64) {
        while let (Some(end), MultistageStage::Toward(point)) =
            (self.course.end_before(sample), self.course.name())
        {
            if self.down && self.contour.settings.hold == Some(point) {
                let level = self.course.present(end);
                self.course.begin(end, MultistageStage::Hold(point), level, Curve::Still);
            } else {
                self.leave(end, point);
            }
        }
    }
}
