//! Settings of our own contours that make a trace again.

use std::fmt;

use plumbtone_measure::reading::{Reading, Unit};
use plumbtone_voice::contours::{adsr, multistage};
use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use super::trace::Piece;
use super::{Curve, Scale, Stage, apart};

/// One setting with its uncertainty, k = 2; 0 where it is exact.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Setting {
    /// Name for `--set`.
    pub name: String,
    /// Value in the unit of the parameter.
    pub value: f64,
    /// Its uncertainty in the same unit.
    pub uncertainty: f64,
}

/// A module with the settings that make a trace again.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Again {
    /// Name of the module.
    pub module: &'static str,
    /// Settings in the order of the module's parameters.
    pub settings: Vec<Setting>,
    /// How long the key is held, s, where that matters.
    pub hold_s: Option<f64>,
    /// From the first stage to the end of the recording, s.
    pub seconds: f64,
    /// Sample rate, Hz.
    pub rate_hz: u32,
}

/// The settings, or `{"none": why}`.
pub(super) fn serialized<S: Serializer>(
    again: &Result<Again, String>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    match again {
        Ok(again) => again.serialize(serializer),
        Err(why) => {
            let mut map = serializer.serialize_map(Some(1))?;
            map.serialize_entry("none", why)?;
            map.end()
        }
    }
}

/// Digits that show a hundredth of the uncertainty.
fn shown(value: f64, uncertainty: f64) -> String {
    let digits = match uncertainty {
        u if u > 0.0 && u < 1.0 => (2.0 - u.log10()).floor().clamp(1.0, 9.0) as usize,
        u if u > 0.0 => 1,
        _ => 9,
    };
    let text = format!("{:.digits$}", value + 0.0);
    let text =
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

impl Again {
    /// The settings as text: `attack=0.01 decay=0.2`.
    pub fn settings_text(&self) -> String {
        let words: Vec<String> = self.settings.iter().map(Setting::to_string).collect();
        words.join(" ")
    }

    /// The words of the command that renders the trace.
    fn words(&self) -> Vec<String> {
        let mut words = vec![format!("plumbtone render {}", self.module)];
        words.extend(self.settings.iter().map(|setting| format!("--set {setting}")));
        words.extend(self.hold_s.map(|hold| format!("--hold {}", shown(hold, 1e-4))));
        words.push(format!("--seconds {}", shown(self.seconds, 1e-4)));
        words.push(format!("--rate {}", self.rate_hz));
        words.push("-o again.wav".to_owned());
        words
    }
}

impl fmt::Display for Setting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}={}", self.name, shown(self.value, self.uncertainty))
    }
}

impl fmt::Display for Again {
    /// The command, in lines of 80 columns, and the uncertainties beneath.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let command = wrapped(&self.words(), " ", " \\");
        let doubts =
            self.settings.iter().filter(|setting| setting.uncertainty > 0.0).map(|setting| {
                let Setting { name, uncertainty, .. } = setting;
                match uncertainty.is_finite() {
                    true => format!("{name} ± {uncertainty:.1e}"),
                    false => format!("{name} not known"),
                }
            });
        let doubts = wrapped(&doubts.collect::<Vec<_>>(), ", ", ",");
        write!(f, "{command}\n  uncertainty (k = 2):\n{doubts}")
    }
}

/// Words in lines of at most 80 columns, indented.
pub(in crate::grade) fn wrapped(words: &[String], between: &str, broken: &str) -> String {
    let mut lines: Vec<String> = Vec::new();
    for word in words {
        match lines.last_mut() {
            Some(line) if line.chars().count() + between.len() + word.chars().count() <= 78 => {
                line.push_str(between);
                line.push_str(word);
            }
            Some(line) => {
                line.push_str(broken);
                lines.push(format!("      {word}"));
            }
            None => lines.push(format!("  {word}")),
        }
    }
    lines.join("\n")
}

/// A point of a multistage contour.
struct Point {
    time: (f64, f64),
    level: (f64, f64),
    bend: (f64, f64),
}

/// Largest bend of a stage; longer exponentials take several.
const MOST_BEND: f64 = multistage::BEND.max;

/// The settings of `multistage`; `error` is the least that can be seen of a level.
pub(super) fn multistage(
    stages: &[Stage],
    rate_hz: u32,
    seconds: f64,
    error: f64,
) -> Result<Again, String> {
    let first = stages.first().ok_or("there is no stage")?;
    let begin = first.begins.value;
    let mut points: Vec<Point> = Vec::new();
    let mut hold = None;
    let mut level = Reading::new(0.0, Unit::Ratio, error);
    // The last rest before a movement waits for the key.
    let waits = stages
        .windows(2)
        .rposition(|pair| flat(&pair[0], error).is_some())
        .filter(|_| stages.len() > 1);
    for (i, stage) in stages.iter().enumerate() {
        if apart(&level, &stage.from) {
            points.push(Point { time: (0.0, 0.0), level: snapped(stage.from), bend: (0.0, 0.0) });
        }
        let last = i + 1 == stages.len();
        let rest = flat(stage, error);
        let moving = stage.lasts.value - rest.unwrap_or(0.0);
        if moving > 0.0 {
            points.extend(cut(stage, moving, rest.is_some(), error));
        }
        if let Some(rest) = rest.filter(|_| !last) {
            if waits == Some(i) && !points.is_empty() {
                hold = Some((points.len(), stage.begins.value + stage.lasts.value - begin));
            } else {
                points.push(Point {
                    time: (rest, stage.lasts.uncertainty),
                    level: snapped(stage.to),
                    bend: (0.0, 0.0),
                });
            }
        }
        level = stage.to;
    }
    // A contour has two points at least.
    while points.len() < 2 {
        points.push(Point { time: (0.0, 0.0), level: snapped(level), bend: (0.0, 0.0) });
    }
    if points.len() > multistage::MAX_POINTS {
        let most = multistage::MAX_POINTS;
        return Err(format!("it would take {} points, there are {most}", points.len()));
    }
    let mut settings = vec![exact("points", points.len() as f64)];
    for (number, point) in (1..).zip(&points) {
        let named = |name: &str, (value, uncertainty): (f64, f64)| Setting {
            name: format!("{name}-{number}"),
            value,
            uncertainty,
        };
        settings.push(named(multistage::TIME.name, point.time));
        settings.push(named(multistage::LEVEL.name, point.level));
        settings.push(named(multistage::BEND.name, point.bend));
    }
    if let Some((point, _)) = hold {
        settings.push(exact(multistage::HOLD.name, point as f64));
    }
    Ok(Again {
        module: "multistage",
        settings,
        hold_s: hold.map(|(_, until)| until),
        seconds: seconds - begin,
        rate_hz,
    })
}

fn exact(name: &str, value: f64) -> Setting {
    Setting { name: name.to_owned(), value, uncertainty: 0.0 }
}

/// How long a stage rests at its end, s: all of a constant, an exponential once nothing of its
/// way is left to be seen.
fn flat(stage: &Stage, error: f64) -> Option<f64> {
    match (stage.curve, stage.time_constant, stage.target) {
        (Curve::Constant, ..) => Some(stage.lasts.value),
        (Curve::Exponential, Some(tau), Some(target)) if tau.value > 0.0 => {
            let way = (target.value - stage.from.value).abs();
            let pieces = ((way / error).ln() / MOST_BEND).ceil().max(1.0);
            let rest = stage.lasts.value - pieces * MOST_BEND * tau.value;
            (rest > 0.0).then_some(rest)
        }
        _ => None,
    }
}

/// The moving part of a stage in pieces of eight time constants at most.
fn cut(stage: &Stage, moving: f64, settles: bool, error: f64) -> Vec<Point> {
    let (Some(tau), Some(target)) = (stage.time_constant, stage.target) else {
        return vec![Point {
            time: (moving, stage.lasts.uncertainty),
            level: snapped(stage.to),
            bend: (0.0, stage.bend.uncertainty),
        }];
    };
    let quick = MOST_BEND * tau.value.abs();
    let count = (moving / quick - 1e-9).ceil().max(1.0);
    let at = |t: f64| target.value + (stage.from.value - target.value) * (-t / tau.value).exp();
    // A growing stage is cut from its end, where it is quick.
    let length = |i: f64| match i {
        _ if tau.value > 0.0 => (moving - i * quick).min(quick),
        0.0 => moving - (count - 1.0) * quick,
        _ => quick,
    };
    let mut t = 0.0;
    let mut points = Vec::new();
    for i in 0..count as usize {
        let own = length(i as f64);
        t += own;
        let last = i + 1 == count as usize;
        let level = match last {
            true if settles => snapped(target),
            true => snapped(stage.to),
            false => (at(t), error),
        };
        let wide = if count == 1.0 && !settles {
            (stage.lasts.uncertainty, stage.bend.uncertainty)
        } else {
            // Where a piece is cut is our choice: only its time constant is in doubt.
            (own * tau.uncertainty / tau.value.abs(), 0.0)
        };
        points.push(Point { time: (own, wide.0), level, bend: (own / tau.value, wide.1) });
    }
    points
}

/// A level to be set: 0 or ±1 where it cannot be told from that.
fn snapped(level: Reading) -> (f64, f64) {
    let near = level.value.round().clamp(-1.0, 1.0);
    let value = if (level.value - near).abs() <= level.uncertainty { near } else { level.value };
    (value.clamp(-1.0, 1.0), level.uncertainty)
}

/// The settings of `adsr`, for a trace up to 1, down to a level, held there, and down to 0; what
/// is quicker than `instant` seconds is a leap.
pub(super) fn adsr(
    stages: &[Stage],
    pieces: &[Piece],
    scale: &Scale,
    rate_hz: u32,
    seconds: f64,
    instant: f64,
) -> Result<Again, String> {
    let near = |level: &Reading, wanted: f64| {
        (level.value - wanted).abs() <= 1.5 * level.uncertainty + 1e-3
    };
    let zero = Reading::new(0.0, Unit::Ratio, 0.0);
    let fs = f64::from(rate_hz);
    let mut rest = stages.iter().zip(pieces).peekable();
    let first = stages.first().ok_or("there is no stage")?;
    let begin = first.begins.value;
    let rises = |stage: &Stage| stage.to.value > stage.from.value;
    let falls = |stage: &Stage| stage.curve == Curve::Exponential && stage.bend.value > 0.0;

    let (mut attack, mut overshoot) = ((0.0, instant), None);
    if !apart(&zero, &first.from) {
        let (stage, piece) = rest.next().ok_or("there is no stage")?;
        if !near(&stage.to, 1.0) || !rises(stage) {
            return Err("its first stage does not rise to the peak".to_owned());
        }
        if stage.bend.value < -stage.bend.uncertainty {
            return Err("its attack bends the other way".to_owned());
        }
        // The stage ends at a sample, its curve reaches 1 between two.
        let full = scale.zero.value + scale.full.value;
        let length =
            piece.course.reaches(full).map_or(piece.length(), |end| end - piece.start.value);
        attack = (length / fs, stage.lasts.uncertainty);
        let most = adsr::OVERSHOOT;
        overshoot = match stage.target {
            Some(target) if target.value <= most.max => {
                Some((target.value.max(most.min), target.uncertainty))
            }
            // A line aims far; where the bend is not known, neither is the aim.
            _ if stage.bend.uncertainty < 1.0 => {
                Some((most.max, most.max * (stage.bend.uncertainty * most.max).min(1.0)))
            }
            _ => None,
        };
    } else if !near(&first.from, 1.0) {
        return Err("it does not begin at the peak".to_owned());
    }

    let sixty_db = 1000f64.ln();
    let sixty = |stage: &Stage| {
        let tau = stage.time_constant.unwrap_or(zero);
        (sixty_db * tau.value, sixty_db * tau.uncertainty)
    };
    let mut decay = (0.0, instant);
    let mut sustain = (1.0, 1e-6);
    let mut release = None;
    let mut release_at = None;
    let mut present = Reading::new(1.0, Unit::Ratio, 0.0);
    if let Some((stage, _)) = rest.next_if(|(stage, _)| falls(stage) && near_peak(stage)) {
        let target = stage.target.unwrap_or(stage.to);
        decay = sixty(stage);
        sustain = (target.value, target.uncertainty);
        present = stage.to;
    }
    while let Some((stage, _)) = rest.next_if(|(stage, _)| stage.curve == Curve::Constant) {
        if release.is_none() && near(&stage.to, 0.0) && !near(&present, 0.0) {
            release = Some((0.0, instant));
            release_at = Some(stage.begins.value - begin);
        } else if release.is_none() && decay.0 == 0.0 {
            sustain = (stage.to.value, stage.to.uncertainty);
        } else if apart(&present, &stage.from) && !near(&present, stage.from.value) {
            return Err("it has more than one level to hold".to_owned());
        }
        present = stage.to;
    }
    if let Some((stage, _)) = rest.next_if(|(stage, _)| falls(stage) && release.is_none()) {
        if !stage.target.is_some_and(|target| near(&target, 0.0)) {
            return Err("its release does not aim at 0".to_owned());
        }
        release = Some(sixty(stage));
        release_at = Some(stage.begins.value - begin);
    }
    if rest.any(|(stage, _)| stage.curve != Curve::Constant || !near(&stage.to, 0.0)) {
        return Err("it has other stages than attack, decay, hold and release".to_owned());
    }
    let sustain = (sustain.0.clamp(0.0, 1.0), sustain.1);
    let mut settings = Vec::new();
    let named = [
        (adsr::ATTACK, Some(attack)),
        (adsr::DECAY, Some(decay)),
        (adsr::SUSTAIN, Some(sustain)),
        (adsr::RELEASE, release),
        (adsr::OVERSHOOT, overshoot),
    ];
    for (parameter, value) in named {
        let Some((value, uncertainty)) = value else { continue };
        parameter.check(value).map_err(|error| error.to_string())?;
        settings.push(Setting { name: parameter.name.to_owned(), value, uncertainty });
    }
    Ok(Again {
        module: "adsr",
        settings,
        hold_s: Some(release_at.unwrap_or(seconds - begin)),
        seconds: seconds - begin,
        rate_hz,
    })
}

/// Whether a stage begins at the peak.
fn near_peak(stage: &Stage) -> bool {
    (stage.from.value - 1.0).abs() <= 1.5 * stage.from.uncertainty + 1e-2
}
