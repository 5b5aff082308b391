//! What theory says of contours, glide and low-frequency oscillators.
//!
//! ```
//! use plumbtone::expect::controls::{Ideal, exercise};
//! use plumbtone::{Settings, Twin};
//!
//! let settings = Settings::parse("adsr", "attack=0.01 decay=0.1 sustain=0.5 release=0.1")?;
//! let ideal = Ideal::new("adsr", &exercise("adsr", &settings, 48_000)?)?;
//! let attack = ideal.parts.iter().find(|part| part.name == "attack");
//! assert_eq!(attack.map(|part| part.end - part.start), Some(480));
//! assert!(ideal.bound(Twin::Fixed) < ideal.bound(Twin::Float));
//! # Ok::<(), plumbtone::Error>(())
//! ```

use plumbtone_measure::db;
use plumbtone_measure::decay::DB_PER_TAU;
use plumbtone_theory::contour::{
    Adsr, AdsrSettings, AdsrStage, Loop, Multistage, MultistageSettings, Point,
};
use plumbtone_theory::course::{Course, Gate, Restart, SETTLED};
use plumbtone_theory::glide::{Glide, GlideStage, Mode, Note};
use plumbtone_theory::lfo::{Fade, Phase, Shape as Wave, smoothed};
use plumbtone_theory::rc::attack_ratio;
use plumbtone_theory::{Reference, references};
use plumbtone_voice::contours::{adsr, glide, lfo, multistage};
use plumbtone_voice::registry::{SEED, WIDTH};
use plumbtone_voice::{KeyEvent, Width};

use super::EXACT;
use crate::error::Error;
use crate::script::Script;
use crate::settings::Settings;
use crate::subject::Twin;

/// 2^-24: the rounding of an f32 below 1, and one unit of Q1.31.
const U: f64 = 1.0 / 16_777_216.0;
const LSB: f64 = 1.0 / 2_147_483_648.0;
/// Half a unit of Q6.26, in octaves.
const HALF_Q26: f64 = 1.0 / 134_217_728.0;
/// Rest before the first key of an exercise, in samples.
const LEAD: usize = 64;
/// Longest exercise, in samples: three minutes at 48 kHz.
const LONGEST: f64 = 9e6;

/// One stage of a control signal.
#[derive(Clone, Debug)]
pub struct Part {
    /// What it is.
    pub name: String,
    /// First sample.
    pub start: usize,
    /// First sample of what follows.
    pub end: usize,
    /// Whether it ran to its own end.
    pub complete: bool,
    /// Whether it creeps into its target, so that its end is no corner.
    pub settles: bool,
    /// Time constant in samples, negative where it grows; none for straight lines and rests.
    pub tau: Option<f64>,
    /// Largest step between its samples.
    pub largest_step: f64,
}

/// The closed form of a control signal under a script.
pub struct Ideal {
    /// One value per sample of the script.
    pub levels: Vec<f64>,
    /// Stages in order; none for a low-frequency oscillator.
    pub parts: Vec<Part>,
    /// Bounds on |twin − closed form|, float and fixed, in the unit of the signal.
    bounds: [f64; 2],
    /// Relative error that the rounding of coefficients gives the time of a stage: float, fixed.
    stretch: [f64; 2],
}

impl Ideal {
    /// Evaluates a module under a script.
    ///
    /// # Errors
    /// Settings that theory does not take.
    pub fn new(module: &str, script: &Script) -> Result<Self, Error> {
        match module {
            "adsr" => of_adsr(script),
            "multistage" => of_multistage(script),
            "glide" => of_glide(script),
            "lfo" => of_lfo(script),
            _ => Err(Error::Request(format!("`{module}` has no closed form as a control signal"))),
        }
    }

    /// Bound on |twin − closed form|, in the unit of the signal.
    pub fn bound(&self, twin: Twin) -> f64 {
        match twin {
            Twin::Exact => EXACT,
            Twin::Float => self.bounds[0],
            Twin::Fixed => self.bounds[1],
        }
    }

    /// Bound on the error of a sample at `lowest`, in a decay to silence.
    ///
    /// Q1.31 rounds the output, the rest of the state is far finer. An f32 errs in proportion to
    /// its level: by its own rounding, and once more by that of all steps, whose signs change. A
    /// coefficient that is off tilts the line and leaves it straight. `lowest` and the result:
    /// full scale = 1.0.
    pub fn decay_error(twin: Twin, lowest: f64) -> f64 {
        match twin {
            Twin::Exact => EXACT * lowest,
            Twin::Float => 2.0 * U * lowest,
            Twin::Fixed => 1.0001 * LSB,
        }
    }

    /// Bound in dB on the distance of a decay to silence from its straight line: `tau` samples
    /// per time constant, `n` samples after its start, where the line is at `level`.
    ///
    /// A coefficient that is off tilts the line, in proportion to the time.
    pub fn decay_bound_db(&self, twin: Twin, tau: f64, n: usize, level: f64) -> f64 {
        let tilt = DB_PER_TAU * self.stretch_of(twin) * n as f64 / tau;
        db(1.0 + Self::decay_error(twin, level) / level) + tilt
    }

    fn stretch_of(&self, twin: Twin) -> f64 {
        match twin {
            Twin::Exact => 0.0,
            Twin::Float => self.stretch[0],
            Twin::Fixed => self.stretch[1],
        }
    }

    /// By how many samples a stage of this length may end elsewhere.
    pub fn end_error(&self, twin: Twin, samples: usize) -> f64 {
        // A whole stage from 0 crosses half a sample from its decision.
        (self.stretch_of(twin) * samples as f64 + 0.5).floor()
    }
}

/// Where the bounds come from.
pub(crate) fn because(module: &str) -> &'static str {
    match module {
        "adsr" => "coefficient, distance and product rounded, which bends a stage in proportion",
        "multistage" => "coefficient and step rounded, over the way of a stage",
        "glide" => "way, step and sum rounded; coefficient rounded in proportion",
        _ => "phase, polynomial and gain rounded",
    }
}

/// The work that the closed forms rest on.
pub(crate) fn reference(module: &str) -> Reference {
    match module {
        "adsr" | "multistage" => references::EXPONENTIAL_CHARGE,
        "glide" => references::EXPONENTIAL_CHARGE,
        _ => references::DEFINITIONS,
    }
}

/// Renders the closed form.
///
/// # Errors
/// As [`Ideal::new`].
pub(crate) fn render_exact(module: &str, script: &Script, out: &mut [f64]) -> Result<(), Error> {
    let script = Script { length: out.len(), ..script.clone() };
    out.copy_from_slice(&Ideal::new(module, &script)?.levels);
    Ok(())
}

/// A script that lets a module run through everything its settings ask for.
///
/// # Errors
/// Settings that would take longer than three minutes.
pub fn exercise(module: &str, settings: &Settings, rate_hz: u32) -> Result<Script, Error> {
    let fs = f64::from(rate_hz);
    let samples = |seconds: f64| -> Result<usize, Error> {
        if seconds * fs > LONGEST {
            let message = format!(
                "{module} with {settings} would take {seconds:.0} s to measure: give shorter times"
            );
            return Err(Error::Request(message));
        }
        Ok((seconds * fs).ceil() as usize)
    };
    // Some rest to be seen as such.
    const REST_S: f64 = 0.02;
    let script = |length| Script::new(rate_hz, settings.clone(), length);
    match module {
        "adsr" => {
            let times = adsr_settings(settings)?;
            // 120.4 dB take a little more than twice the time of 60.
            let held = LEAD + samples(times.attack_s + 2.02 * times.decay_s + REST_S)?;
            let rest = samples(2.02 * times.release_s + REST_S)?;
            Ok(script(held + rest).down(LEAD, 0.0, false).up(held))
        }
        "multistage" => {
            let points = multistage_settings(settings)?;
            let of = |range: &[Point]| range.iter().map(|point| point.time_s).sum::<f64>();
            let all = of(&points.points);
            let repeats = points.repeat.map_or(0.0, |repeat| {
                let passes = if repeat.count == 0 { 3.3 } else { f64::from(repeat.count) };
                passes * of(&points.points[repeat.from - 1..repeat.to])
            });
            let held = LEAD + samples(all + repeats + REST_S)?;
            let rest = samples(all + repeats + REST_S)?;
            Ok(script(held + rest).down(LEAD, 0.0, false).up(held))
        }
        "glide" => {
            let (mode, time_s, _) = glide_settings(settings)?;
            let lasts = |octaves: f64| match mode {
                Mode::Time => time_s,
                Mode::Rate => octaves * time_s,
                Mode::Rc => time_s * (octaves / SETTLED).ln(),
            };
            let second = LEAD + samples(lasts(1.0) + REST_S)?;
            let end = second + samples(lasts(2.5) + REST_S)?;
            Ok(script(end).down(0, -1.0, false).down(LEAD, 0.0, true).down(second, -2.5, true))
        }
        _ => {
            let hz = settings.value(&lfo::HZ)?;
            let fades = settings.value(&lfo::DELAY)? + settings.value(&lfo::FADE)?;
            let length = LEAD + samples(fades + (5.0 / hz).max(1.0))?;
            Ok(script(length).down(LEAD, 0.0, false))
        }
    }
}

/// Samples until a low-frequency oscillator has its full depth, in an exercise.
pub(crate) fn full_depth_from(settings: &Settings, rate_hz: u32) -> Result<usize, Error> {
    let fades = settings.value(&lfo::DELAY)? + settings.value(&lfo::FADE)?;
    Ok(LEAD + (fades * f64::from(rate_hz)).ceil() as usize + 1)
}

fn gates(script: &Script) -> Vec<(u64, Gate)> {
    script
        .effective()
        .map(|(sample, event)| {
            let gate = match event {
                KeyEvent::Down { legato, .. } => Gate::Down { legato },
                KeyEvent::Up => Gate::Up,
            };
            (sample as u64, gate)
        })
        .collect()
}

fn restart(index: f64) -> Restart {
    [Restart::Present, Restart::Zero, Restart::Legato][index as usize]
}

fn levels<N: Copy + std::fmt::Debug>(course: &Course<N>, script: &Script) -> Vec<f64> {
    (0..script.length as u64).map(|sample| course.level(sample)).collect()
}

/// Stages in words, with what the module knows of each: whether it settles, its time constant.
fn parts<N: Copy + std::fmt::Debug>(
    course: &Course<N>,
    script: &Script,
    describe: impl Fn(N) -> (String, bool, Option<f64>),
) -> Vec<Part> {
    course
        .stages()
        .iter()
        .map(|stage| {
            let start = stage.start as usize;
            let end = stage.end.map_or(script.length, |end| (end as usize).min(script.length));
            let (name, settles, tau) = describe(stage.name);
            Part {
                name,
                start,
                end,
                complete: stage.complete,
                settles,
                tau,
                largest_step: stage.largest_step,
            }
        })
        .collect()
}

fn adsr_settings(settings: &Settings) -> Result<AdsrSettings, Error> {
    Ok(AdsrSettings {
        attack_s: settings.value(&adsr::ATTACK)?,
        decay_s: settings.value(&adsr::DECAY)?,
        sustain: settings.value(&adsr::SUSTAIN)?,
        release_s: settings.value(&adsr::RELEASE)?,
        overshoot: settings.value(&adsr::OVERSHOOT)?,
        restart: restart(settings.value(&plumbtone_voice::contours::RESTART)?),
    })
}

fn of_adsr(script: &Script) -> Result<Ideal, Error> {
    let fs = f64::from(script.rate_hz);
    let times = adsr_settings(&script.settings)?;
    let course = Adsr::new(times, fs)?.course(&gates(script), script.length as u64)?;
    let ratio = attack_ratio(times.overshoot)?;
    let sixty_db = 1000_f64.ln();
    let parts = parts(&course, script, |stage| {
        let (settles, tau) = match stage {
            AdsrStage::Attack => (false, Some(times.attack_s * fs / ratio)),
            AdsrStage::Decay => (true, Some(times.decay_s * fs / sixty_db)),
            AdsrStage::Release => (true, Some(times.release_s * fs / sixty_db)),
            AdsrStage::Idle | AdsrStage::Sustain => (false, None),
        };
        (stage.to_string(), settles, tau)
    });
    let longest = parts.iter().filter(|part| part.tau.is_some()).map(|part| part.end - part.start);
    let longest = longest.max().unwrap_or(0) as f64;
    Ok(Ideal {
        levels: levels(&course, script),
        parts,
        // Head of contours/adsr.rs.
        bounds: [5.0 * U + longest * 2_f64.powi(-49), 1.0001 * LSB],
        stretch: [4.0 * U, 2_f64.powi(-32)],
    })
}

fn multistage_settings(settings: &Settings) -> Result<MultistageSettings, Error> {
    // Points 1 to 4 have defaults of their own, which the module knows.
    let setup = settings.lend(multistage::Setup::from_values)?;
    let point = |number: u32| (number > 0).then_some(number as usize);
    let points = &setup.points[..setup.count];
    Ok(MultistageSettings {
        points: points
            .iter()
            .map(|point| Point { time_s: point.time, level: point.level, bend: point.bend })
            .collect(),
        hold: point(settings.value(&multistage::HOLD)? as u32),
        repeat: match (
            point(settings.value(&multistage::LOOP_FROM)? as u32),
            point(settings.value(&multistage::LOOP_TO)? as u32),
        ) {
            (Some(from), Some(to)) => {
                Some(Loop { from, to, count: settings.value(&multistage::LOOP_COUNT)? as u32 })
            }
            _ => None,
        },
        release: point(settings.value(&multistage::RELEASE)? as u32),
        restart: restart(settings.value(&plumbtone_voice::contours::RESTART)?),
    })
}

fn of_multistage(script: &Script) -> Result<Ideal, Error> {
    use plumbtone_theory::contour::MultistageStage;
    let fs = f64::from(script.rate_hz);
    let settings = multistage_settings(&script.settings)?;
    let course =
        Multistage::new(settings.clone(), fs)?.course(&gates(script), script.length as u64)?;
    let parts = parts(&course, script, |stage| {
        let tau = match stage {
            MultistageStage::Toward(point) => {
                let Point { time_s, bend, .. } = settings.points[point - 1];
                (bend.abs() >= 0.1).then_some((time_s * fs).round() / bend)
            }
            _ => None,
        };
        (stage.to_string(), false, tau)
    });
    // Head of contours/multistage.rs, with the widest way that any stage can have.
    let extremes = settings.points.iter().map(|point| point.level).chain([0.0]);
    let (low, high) = extremes.fold((0.0_f64, 0.0_f64), |(low, high), x| (low.min(x), high.max(x)));
    let way = high - low;
    let swell = |bend: f64| if bend == 0.0 { 0.0 } else { (bend / bend.exp_m1() - 1.0).abs() };
    let worst = settings.points.iter().map(|point| swell(point.bend)).fold(0.0, f64::max);
    let longest = settings.points.iter().map(|point| point.time_s * fs).fold(0.0, f64::max);
    Ok(Ideal {
        levels: levels(&course, script),
        parts,
        bounds: [
            way * (1.0 + 2.0 * worst) * U + longest * 2_f64.powi(-46) + U,
            (0.5 * way + 0.5001).max(1.0) * LSB,
        ],
        stretch: [0.0; 2],
    })
}

fn glide_settings(settings: &Settings) -> Result<(Mode, f64, bool), Error> {
    let mode = [Mode::Time, Mode::Rate, Mode::Rc][settings.value(&glide::MODE)? as usize];
    let legato_only = settings.value(&glide::LEGATO_ONLY)? == 1.0;
    Ok((mode, settings.value(&glide::TIME)?, legato_only))
}

fn notes(script: &Script) -> Vec<Note> {
    script
        .effective()
        .filter_map(|(sample, event)| match event {
            KeyEvent::Down { octaves, legato } => {
                Some(Note { sample: sample as u64, octaves: octaves.to_num(), legato })
            }
            KeyEvent::Up => None,
        })
        .collect()
}

fn of_glide(script: &Script) -> Result<Ideal, Error> {
    let fs = f64::from(script.rate_hz);
    let (mode, time_s, legato_only) = glide_settings(&script.settings)?;
    let notes = notes(script);
    let course = Glide::new(mode, time_s, legato_only, fs)?.course(&notes, script.length as u64)?;
    let tau = (mode == Mode::Rc).then_some(time_s * fs);
    let parts = parts(&course, script, |stage| match stage {
        GlideStage::Gliding => ("glide".to_owned(), mode == Mode::Rc, tau),
        GlideStage::Steady => ("note".to_owned(), false, None),
    });
    // Head of contours/glide.rs: the largest of d q^n n lies one time constant after the event.
    let far = notes.iter().map(|note| note.octaves.abs()).fold(0.0, f64::max);
    let pairs = notes.windows(2).map(|pair| (pair[1].octaves - pair[0].octaves).abs());
    let way = pairs.fold(0.0, f64::max);
    let x = 1.0 / (time_s * fs);
    let grown = x.exp_m1() / (x * std::f64::consts::E);
    let bounds = match mode {
        Mode::Rc => [
            U * (way * (2.0 + 4.0 * grown + U * x.exp() / (x * std::f64::consts::E)) + 2.0 * far),
            HALF_Q26 + way * grown * 2_f64.powi(-32) + 2_f64.powi(-54),
        ],
        Mode::Time | Mode::Rate => [U * (5.0 * way + 2.0 * far), HALF_Q26],
    };
    Ok(Ideal { levels: levels(&course, script), parts, bounds, stretch: [0.0; 2] })
}

/// The random sequence of Marsaglia, J. Statistical Software 8(14), 2003, shifts 13, 17, 5: the
/// upper 24 bits as a value from −1 to 1.
struct Register(u32);

impl Register {
    fn draw(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        f64::from((self.0 as i32) >> 8) / 8_388_608.0
    }
}

fn of_lfo(script: &Script) -> Result<Ideal, Error> {
    let fs = f64::from(script.rate_hz);
    let settings = &script.settings;
    let start = settings.value(&lfo::PHASE)?;
    let phase = Phase::new(start, settings.value(&lfo::HZ)?, fs)?;
    let fade = Fade::new(settings.value(&lfo::DELAY)?, settings.value(&lfo::FADE)?, fs)?;
    let word = settings.value(&lfo::SHAPE)? as usize;
    let synced = settings.value(&lfo::SYNC)? == 1.0;
    // The width as the modules hold it, in 2^-32 cycle.
    let width = Width::new(settings.value(&WIDTH)?)?.fraction();
    let waves = [Wave::Up, Wave::Down, Wave::Triangle, Wave::Pulse(width), Wave::Sine];
    let mut register = Register(settings.value(&SEED)? as u32);
    let mut random = [register.draw(), register.draw()];
    let mut keys = script.effective().filter_map(|(sample, event)| match event {
        KeyEvent::Down { legato: false, .. } => Some(sample),
        _ => None,
    });
    let mut next_key = keys.next();
    // Sample from which the phase counts, and sample of the last key.
    let (mut origin, mut key, mut cycle) = (0, 0, phase.cycle(0));
    let mut levels = Vec::with_capacity(script.length);
    let mut fading = false;
    for sample in 0..script.length {
        while next_key == Some(sample) {
            key = sample;
            if synced {
                (origin, cycle) = (sample, phase.cycle(0));
                random = [random[1], register.draw()];
            }
            next_key = keys.next();
        }
        let n = (sample - origin) as u64;
        if phase.cycle(n) != cycle {
            cycle = phase.cycle(n);
            random = [random[1], register.draw()];
        }
        let p = phase.cycles(n);
        let value = match waves.get(word) {
            Some(wave) => wave.value(p),
            None if word == 5 => random[0],
            None => smoothed(p, random[0], random[1]),
        };
        let gain = fade.gain((sample - key) as u64);
        fading |= gain < 1.0;
        levels.push(value * gain);
    }
    // Head of contours/lfo.rs.
    let [float, fixed] = match word {
        0..=2 => [U + LSB, LSB],
        3 => [0.0, LSB],
        4 => [4.0 * U + 5e-9, 21.0 * LSB],
        5 => [0.0, 0.0],
        _ => [13.0 * U, 8.0 * LSB],
    };
    let [faded_float, faded_fixed] =
        if fading { [2.0 * U + 0.5 * LSB, 1.5 * LSB] } else { [0.0; 2] };
    Ok(Ideal {
        levels,
        parts: Vec::new(),
        bounds: [float + faded_float, fixed + faded_fixed],
        stretch: [0.0; 2],
    })
}
