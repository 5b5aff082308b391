//! Takes readings of control modules: one set of settings at one rate at a time.

use std::ops::Range;
use std::time::Instant;

use plumbtone_measure::decay::Decay;
use plumbtone_measure::difference::Difference;
use plumbtone_measure::exponential::Exponential;
use plumbtone_measure::law::Law;
use plumbtone_measure::low_frequency::LowFrequency;
use plumbtone_measure::onset::{Onsets, Response};
use plumbtone_measure::stages::{self, Options};
use plumbtone_measure::steps::{self, Region};
use plumbtone_measure::{db, glide};
use plumbtone_theory::{Reference, references};
use plumbtone_voice::contours::{ENTRIES, lfo};
use plumbtone_voice::control::Made;

use crate::control::{ControlCheck, Device};
use crate::error::Error;
use crate::expect::controls::{self, Ideal, Part};
use crate::expect::laws;
use crate::law::CodeLaw;
use crate::results::{Case, Gap, Kind};
use crate::script::{Controller, Script};
use crate::settings::Settings;
use crate::subject::{BLOCK, Twin};
use crate::vibrato;
use crate::worker::{Bound, Spent, Taken, sound, unreadable};

/// Span over which a decay has to be straight, dB.
const DECAY_SPAN_DB: f64 = 100.0;
/// Fewest samples from which a time constant is fitted.
const FIT_SAMPLES: usize = 12;
/// How near to its target a glide has arrived, cents.
const ARRIVED_CENTS: f64 = 1.0;

/// The readings that a control module has.
pub(crate) fn readings(module: &str) -> &'static [Kind] {
    match module {
        "adsr" => &[
            Kind::Rounding,
            Kind::StageTime,
            Kind::TimeConstant,
            Kind::DecayLine,
            Kind::Step,
            Kind::Onset,
        ],
        "multistage" => {
            &[Kind::Rounding, Kind::StageTime, Kind::TimeConstant, Kind::Step, Kind::Onset]
        }
        "glide" => &[Kind::Path, Kind::Arrival, Kind::Step],
        "lfo" => &[Kind::Rounding, Kind::Rate],
        "update" => &[Kind::Rounding, Kind::Images],
        "pitch" | "exp2" | "bend" | "tracking" => &[Kind::Law, Kind::Scale],
        "depth" => &[Kind::Law, Kind::Rounding, Kind::Depth],
        "taper" | "smoothing" => &[Kind::Rounding],
        _ => &[],
    }
}

/// Whether a kind has a limit that follows from arithmetic.
pub(crate) fn derivable(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::Rounding
            | Kind::Path
            | Kind::Law
            | Kind::StageTime
            | Kind::DecayLine
            | Kind::Step
            | Kind::Onset
    )
}

/// Where a derived limit comes from.
pub(crate) fn because(module: &str, kind: Kind) -> &'static str {
    let contour = ENTRIES.iter().any(|entry| entry.name == module);
    match kind {
        Kind::StageTime => "coefficients rounded, in proportion to the length of the stage",
        Kind::DecayLine => "what the error of a sample is worth in dB, 100 dB down",
        Kind::Step => "steepest place of the closed form, and the rounding of two samples",
        Kind::Onset => "an event waits for the next block, one sample less than a block at most",
        _ if contour => controls::because(module),
        _ => laws::because(module),
    }
}

/// The work that the reference of a reading rests on.
pub(crate) fn reference(module: &str, kind: Kind) -> Reference {
    let contour = ENTRIES.iter().any(|entry| entry.name == module);
    match kind {
        Kind::Images => references::HOLD_IMAGES,
        Kind::Onset => references::BLOCK_ONSETS,
        Kind::Depth => references::FREQUENCY_MODULATION,
        _ if contour => controls::reference(module),
        _ => laws::reference(module),
    }
}

/// The cases of one set of settings, in the order asked for, and where the time went.
///
/// # Errors
/// When the subject refuses, or theory has no closed form for the settings.
pub(crate) fn take(
    check: &ControlCheck,
    rate_hz: u32,
    index: usize,
) -> Result<(Vec<Case>, Spent), Error> {
    let settings = &check.settings[index];
    let mut bench = Bench {
        check,
        settings,
        rate_hz,
        twin: check.twin.unwrap_or(Twin::Exact),
        spent: Spent::default(),
        cases: vec![None; check.asked.len()],
    };
    match &check.device {
        Device::Controller(controller) => bench.contour(&**controller)?,
        Device::Law(law) => bench.law(&**law)?,
    }
    let cases = bench.cases.into_iter().zip(&check.asked).map(|(case, (kind, _))| {
        case.ok_or_else(|| {
            let name = check.subject();
            let message = format!("`{name}` with {settings} has no reading `{kind}`: take it off");
            Error::Request(message)
        })
    });
    Ok((cases.collect::<Result<_, _>>()?, bench.spent))
}

struct Bench<'a> {
    check: &'a ControlCheck,
    settings: &'a Settings,
    rate_hz: u32,
    twin: Twin,
    spent: Spent,
    cases: Vec<Option<Case>>,
}

fn clocked<T>(sum: &mut f64, work: impl FnOnce() -> T) -> T {
    let clock = Instant::now();
    let done = work();
    *sum += clock.elapsed().as_secs_f64();
    done
}

fn nothing(why: &str) -> (Gap, String) {
    (Gap::Nothing, why.to_owned())
}

impl Bench<'_> {
    fn wants(&self, kind: Kind) -> bool {
        self.check.asked.iter().any(|(asked, _)| *asked == kind)
    }

    /// Enters a reading if it was asked for; `derived` is its derived limit.
    fn enter(&mut self, kind: Kind, derived: Option<f64>, taken: Taken) {
        for (slot, (asked, bound)) in self.cases.iter_mut().zip(&self.check.asked) {
            if *asked != kind {
                continue;
            }
            let limit = match bound {
                Bound::Derived => derived,
                Bound::Required(limit) => Some(*limit),
                Bound::Noted => None,
            };
            let taken = taken.clone().and_then(|it| sound(kind, limit, it));
            let (value, uncertainty, gap, note) = match taken {
                Ok((value, uncertainty, note)) => (Some(value), uncertainty, None, note),
                Err((gap, why)) => (None, 0.0, Some(gap), Some(why)),
            };
            let setting = Some(self.settings.to_string());
            *slot =
                Some(Case { key: None, hz: None, setting, value, uncertainty, limit, gap, note });
        }
    }

    fn render(&mut self, controller: &dyn Controller, script: &Script) -> Result<Vec<f64>, Error> {
        let mut samples = vec![0.0; script.length];
        clocked(&mut self.spent.render, || controller.render(script, &mut samples))?;
        Ok(samples)
    }

    fn contour(&mut self, controller: &dyn Controller) -> Result<(), Error> {
        let module = self.check.module;
        let script = controls::exercise(module, self.settings, self.rate_hz)?;
        let ideal = clocked(&mut self.spent.theory, || Ideal::new(module, &script))?;
        let samples = self.render(controller, &script)?;
        let clock = Instant::now();
        let bound = ideal.bound(self.twin);
        if let Some(bad) = samples.iter().position(|sample| !sample.is_finite()) {
            for &(kind, _) in &self.check.asked {
                self.enter(kind, None, Err(unreadable(format!("sample {bad} is not a number"))));
            }
            return Ok(());
        }
        if self.wants(Kind::Rounding) {
            let taken = Difference::of(&samples, &ideal.levels)
                .map(|apart| (apart.peak, 0.0, Some(format!("at sample {}", apart.worst_index))))
                .map_err(unreadable);
            self.enter(Kind::Rounding, Some(bound), taken);
        }
        if self.wants(Kind::StageTime) {
            let (limit, taken) = self.stage_time(&samples, &ideal);
            self.enter(Kind::StageTime, Some(limit), taken);
        }
        if self.wants(Kind::TimeConstant) {
            let taken = time_constant(&samples, &ideal, bound);
            self.enter(Kind::TimeConstant, None, taken);
        }
        if self.wants(Kind::DecayLine) {
            let (limit, taken) = self.decay_line(&samples, &ideal);
            self.enter(Kind::DecayLine, Some(limit), taken);
        }
        if self.wants(Kind::Step) {
            let taken = largest_step(&samples, &ideal, bound);
            self.enter(Kind::Step, Some(1.0), taken);
        }
        if self.wants(Kind::Path) {
            let taken = path(&samples, &ideal);
            self.enter(Kind::Path, Some(bound * 1200.0), taken);
        }
        if self.wants(Kind::Arrival) {
            let taken = arrival(&samples, &ideal, &script);
            self.enter(Kind::Arrival, None, taken);
        }
        if self.wants(Kind::Rate) {
            let taken = self.rate(&samples)?;
            self.enter(Kind::Rate, None, taken);
        }
        self.spent.control += clock.elapsed().as_secs_f64();
        if self.wants(Kind::Onset) {
            let taken = self.onset(controller, bound)?;
            self.enter(Kind::Onset, Some((BLOCK - 1) as f64), taken);
        }
        Ok(())
    }

    /// Worst deviation of the end of a stage, in samples, and its limit.
    fn stage_time(&self, samples: &[f64], ideal: &Ideal) -> (f64, Taken) {
        let options = match self.twin {
            Twin::Exact => Options::F64,
            Twin::Float => Options { tolerance: ideal.bound(Twin::Float), ..Options::F32 },
            Twin::Fixed => Options::Q31,
        };
        let mut limit: f64 = 0.0;
        let (mut placed, mut smooth) = (0, 0);
        let mut worst: Option<(f64, f64, String)> = None;
        let mut keep = |deviation: f64, doubt: f64, part: &Part, length: usize| {
            limit = limit.max(ideal.end_error(self.twin, length));
            if worst.as_ref().is_none_or(|(most, ..)| deviation.abs() > most.abs()) {
                worst = Some((deviation, doubt, format!("end of {} at {}", part.name, part.end)));
            }
        };
        for (index, part) in ideal.parts.iter().enumerate() {
            if !part.complete || part.end <= part.start || part.end >= samples.len() {
                continue;
            }
            let length = part.end - part.start;
            if part.settles {
                // A stage that creeps has no corner: the trace stands still from its end on.
                let until = ideal.parts[index + 1..]
                    .iter()
                    .find(|next| next.end > next.start)
                    .map_or(samples.len(), |next| next.end);
                let own = &samples[part.start..until];
                let Some(rest) = own.last() else { continue };
                let still = own.iter().rposition(|level| level != rest).map_or(0, |last| last + 1);
                keep(still as f64 - length as f64, 0.0, part, length);
                continue;
            }
            // Only what surrounds the corner: a neighbour on either side, whole.
            let next = ideal.parts[index + 1..].iter().find(|next| next.end > next.start);
            let Some(next) = next else { continue };
            let from = part.start;
            let found = match stages::find(&samples[from..next.end.min(samples.len())], &options) {
                Ok(found) => found,
                Err(why) => return (limit, Err(unreadable(why))),
            };
            let expected = length as f64;
            let nearest = found.iter().skip(1).min_by(|a, b| {
                (a.start.value - expected).abs().total_cmp(&(b.start.value - expected).abs())
            });
            match nearest {
                // A corner known to half a sample is known to the sample.
                Some(corner) if corner.start.uncertainty <= 0.5 => {
                    keep(corner.first as f64 - expected, 0.0, part, length);
                    placed += 1;
                }
                Some(_) => smooth += 1,
                None => {
                    let what = format!("no corner where {} ends, at {}", part.name, part.end);
                    return (limit, Err(unreadable(what)));
                }
            }
        }
        let taken = match worst {
            // Where neighbours part too slowly, `rounding` has to do.
            Some((deviation, doubt, what)) if smooth > 0 => {
                let all = placed + smooth;
                let what = format!("{what}; {smooth} of {all} corners are too smooth to place");
                Ok((deviation + 0.0, doubt, Some(what)))
            }
            Some((deviation, doubt, what)) => Ok((deviation + 0.0, doubt, Some(what))),
            None if smooth > 0 => Err(unreadable("every corner is too smooth to be placed")),
            None => Err(nothing("no stage comes to an end")),
        };
        (limit, taken)
    }

    /// Deviation of the release from a straight line in dB, and its limit: what the error of a
    /// sample is worth at the lower end.
    fn decay_line(&self, samples: &[f64], ideal: &Ideal) -> (f64, Taken) {
        let release = ideal.parts.iter().rfind(|part| part.settles && part.end > part.start);
        let Some(release) = release else { return (0.0, Err(nothing("nothing decays"))) };
        let own = &samples[release.start..release.end.min(samples.len())];
        let start = ideal.levels[release.start];
        let lowest = start * 10_f64.powf(-DECAY_SPAN_DB / 20.0);
        let limit = db(1.0 + Ideal::decay_error(self.twin, lowest) / lowest);
        // The line is fitted to samples that are off as well.
        let limit = 2.0 * limit;
        let taken = Decay::fit(own, f64::from(self.rate_hz), DECAY_SPAN_DB, 0.0)
            .map_err(unreadable)
            .map(|decay| {
                let at = release.start + decay.worst_index;
                (decay.deviation_db.value, 0.0, Some(format!("at sample {at}")))
            });
        (limit, taken)
    }

    /// Deviation of the frequency in percent.
    fn rate(&self, samples: &[f64]) -> Result<Taken, Error> {
        let word = self.settings.value(&lfo::SHAPE)?;
        if word >= 5.0 {
            return Ok(Err(nothing("a random shape has no cycle to time")));
        }
        let hz = self.settings.value(&lfo::HZ)?;
        let from = controls::full_depth_from(self.settings, self.rate_hz)?;
        let read = LowFrequency::of(&samples[from..], f64::from(self.rate_hz), None);
        Ok(read.map_err(unreadable).map(|read| {
            let found = read.rate_hz();
            let note = Some(format!("{:.9} Hz", found.value));
            (100.0 * (found.value / hz - 1.0), 100.0 * found.uncertainty / hz, note)
        }))
    }

    /// Spread of the onset over all places of an event in a block, in samples.
    fn onset(&mut self, controller: &dyn Controller, bound: f64) -> Result<Taken, Error> {
        let mut delays = Vec::with_capacity(BLOCK);
        for place in 0..BLOCK {
            // Every place of a block, in an odd and in an even block: a subject may have longer ones.
            let event = BLOCK + place + place % 2 * BLOCK;
            let script = Script::new(self.rate_hz, self.settings.clone(), 8 * BLOCK)
                .down(event, 0.0, false)
                .in_blocks(BLOCK);
            let samples = self.render(controller, &script)?;
            let response = Response::Change { least: bound.max(f64::MIN_POSITIVE) };
            match Onsets::find(&samples, &[event], response) {
                Ok(onsets) => delays.push(onsets.min),
                Err(why) => return Ok(Err(unreadable(why))),
            }
        }
        let (least, most) = delays
            .iter()
            .fold((usize::MAX, 0), |(least, most), &delay| (least.min(delay), most.max(delay)));
        let count = delays.len() as f64;
        let mean = delays.iter().sum::<usize>() as f64 / count;
        let spread = delays.iter().map(|&delay| (delay as f64 - mean).powi(2)).sum::<f64>() / count;
        let ms = 1e3 / f64::from(self.rate_hz);
        let note = format!("mean {:.2} ms, rms {:.2} ms", mean * ms, spread.sqrt() * ms);
        Ok(Ok(((most - least) as f64, 0.0, Some(note))))
    }

    /// Strongest image of a sine that is updated once per block against theory, in dB.
    fn updated(&mut self, law: &dyn CodeLaw) -> Result<Taken, Error> {
        let Some(sine) = laws::HeldSine::new(self.settings, self.rate_hz)? else {
            return Ok(Err(nothing("an update in every sample has no images")));
        };
        let mut figures = vec![0.0; sine.codes.len()];
        clocked(&mut self.spent.render, || {
            law.read(self.rate_hz, self.settings, &sine.codes, &mut figures)
        })?;
        let clock = Instant::now();
        let strongest = sine.images.iter().map(|image| image.ratio.abs()).fold(0.0, f64::max);
        let read = sine.read(&figures, self.rate_hz).map_err(unreadable);
        let taken = read.and_then(|found| {
            let image = found.strongest().ok_or_else(|| unreadable("no image found"))?;
            let note = format!(
                "{:.2} dB re the control, at {:.0} Hz; all images {:.2} dB",
                image.level.value, image.hz, found.total.value
            );
            // What rounding the control to 16 bits puts into a bin.
            let length = (figures.len() - sine.from) as f64;
            let rounding = 2.0 * (1.0 / 12.0 / length).sqrt() / laws::HeldSine::CODES;
            let doubt = db(1.0 + 2.0 * rounding / strongest) + image.level.uncertainty;
            Ok((image.level.value - db(strongest), doubt, Some(note)))
        });
        self.spent.control += clock.elapsed().as_secs_f64();
        Ok(taken)
    }

    fn law(&mut self, law: &dyn CodeLaw) -> Result<(), Error> {
        let module = self.check.module;
        let codes = crate::law::codes(module, self.settings, self.rate_hz)?;
        let mut figures = vec![0.0; codes.len()];
        clocked(&mut self.spent.render, || {
            law.read(self.rate_hz, self.settings, &codes, &mut figures)
        })?;
        if matches!(crate::law::entry(module)?.made, Made::Follower { .. }) {
            if self.wants(Kind::Images) {
                let taken = self.updated(law)?;
                self.enter(Kind::Images, None, taken);
            }
            return self.follower(&codes, &figures);
        }
        let clock = Instant::now();
        let codes = codes.len() as u32;
        let exact = laws::Exact::new(module, self.settings, self.rate_hz)?;
        let level = exact.scale() == laws::Scale::Level;
        let kind = if level { Kind::Rounding } else { Kind::Law };
        let other = if level { Kind::Law } else { Kind::Rounding };
        self.enter(other, None, Err(nothing("the law makes another quantity")));
        let held = (0..codes).find(|&code| exact.held(code)).unwrap_or(codes);
        if self.wants(kind) {
            let (limit, taken) = self.worst_code(&exact, &figures[..held as usize]);
            self.enter(kind, Some(limit), taken);
        }
        if self.wants(Kind::Scale) {
            let taken = scale(&exact, &figures[..held as usize]);
            self.enter(Kind::Scale, None, taken);
        }
        if self.wants(Kind::Depth) {
            let taken = self.depth(&exact, &figures)?;
            self.enter(Kind::Depth, None, taken);
        }
        self.spent.control += clock.elapsed().as_secs_f64();
        Ok(())
    }

    /// A module with memory against its closed form, as a fraction of 2^16 codes.
    fn follower(&mut self, codes: &[u32], figures: &[f64]) -> Result<(), Error> {
        let module = self.check.module;
        let exact = clocked(&mut self.spent.theory, || {
            laws::followed(module, self.settings, self.rate_hz, codes)
        })?;
        let bound = laws::followed_bound(module, self.settings, self.rate_hz, self.twin)?;
        let taken = Difference::of(figures, &exact).map_err(unreadable).map(|apart| {
            let note = format!("{:.2e} codes at sample {}", apart.peak, apart.worst_index);
            (apart.peak / laws::FULL_CODES, 0.0, Some(note))
        });
        self.enter(Kind::Rounding, Some(bound), taken);
        Ok(())
    }

    /// The code that comes closest to its bound, or exceeds it most: its bound and its error.
    fn worst_code(&self, exact: &laws::Exact, figures: &[f64]) -> (f64, Taken) {
        let mut worst: Option<(f64, f64, u32)> = None;
        for (code, &figure) in (0..).zip(figures) {
            let error = exact.error(figure, code);
            if !error.is_finite() {
                return (0.0, Err(unreadable(format!("code {code} gives {figure}"))));
            }
            let bound = exact.bound(self.twin, code);
            if worst.is_none_or(|(most, limit, _)| error.abs() / bound > most.abs() / limit) {
                worst = Some((error, bound, code));
            }
        }
        let Some((error, bound, code)) = worst else {
            return (0.0, Err(nothing("no code sounds below half the sample rate")));
        };
        let mut note = format!("code {code} of {}", figures.len());
        if let Some([converter, fit, accumulator]) = exact.parts(code) {
            note += &format!(
                "; half a code {converter:.2e}, fit {fit:.2e}, accumulator {accumulator:.2e} cents"
            );
        }
        (bound, Ok((error, 0.0, Some(note))))
    }

    /// Deviation in percent of the depth that a sine really gives a pitch: that of the figure at
    /// full travel.
    fn depth(&mut self, exact: &laws::Exact, figures: &[f64]) -> Result<Taken, Error> {
        if exact.scale() != laws::Scale::Octaves {
            return Ok(Err(nothing("the law makes no pitch")));
        }
        let last = figures.len() - 1;
        let (asked, got) = (exact.at(last as u32), figures[last]);
        if asked == 0.0 {
            return Ok(Err(nothing("a depth of 0")));
        }
        if asked > vibrato::MOST_OCTAVES {
            return Ok(Err(nothing("deeper than can be demodulated")));
        }
        let read = vibrato::demodulated(self.twin, got, self.rate_hz)?;
        Ok(read.map_err(unreadable).map(|depth| {
            let note = format!("{:.4} cents", 1200.0 * depth.value);
            let doubt = 100.0 * depth.uncertainty / asked;
            (100.0 * (depth.value / asked - 1.0), doubt, Some(note))
        }))
    }
}

/// Worst deviation of a fitted time constant, in percent.
fn time_constant(samples: &[f64], ideal: &Ideal, bound: f64) -> Taken {
    let mut worst: Option<(f64, f64, String)> = None;
    for part in &ideal.parts {
        let Some(tau) = part.tau else { continue };
        // A stage that ends early must not bring in what follows; its curve is known before.
        let length = part.end.min(samples.len()).saturating_sub(part.start);
        let range: Range<usize> = part.start..part.start + length - length / 8;
        if range.len() < FIT_SAMPLES {
            continue;
        }
        let fit = Exponential::fit(&samples[range]).map_err(unreadable)?;
        let found = fit.time_constant;
        let (deviation, doubt) =
            (100.0 * (found.value / tau - 1.0), 100.0 * found.uncertainty / tau.abs());
        if fit.residual_peak > 8.0 * bound.max(1e-12) {
            let what = format!("{} is no exponential: off by {:.1e}", part.name, fit.residual_peak);
            return Err(unreadable(what));
        }
        let beyond = |deviation: f64, doubt: f64| deviation.abs() - doubt;
        if worst.as_ref().is_none_or(|(d, u, _)| beyond(deviation, doubt) > beyond(*d, *u)) {
            worst = Some((deviation, doubt, format!("{}, tau {tau:.1} samples", part.name)));
        }
    }
    let (deviation, doubt, what) =
        worst.ok_or_else(|| nothing("no stage is long and bent enough to be fitted"))?;
    Ok((deviation, doubt, Some(what)))
}

/// Largest step over the largest that the closed form has in the same stage.
fn largest_step(samples: &[f64], ideal: &Ideal, bound: f64) -> Taken {
    let mut regions = Vec::new();
    for part in &ideal.parts {
        let end = part.end.min(samples.len());
        if part.start >= end {
            continue;
        }
        // Two samples, each off by the bound.
        let allowed = (part.largest_step + 2.0 * bound).max(f64::MIN_POSITIVE);
        if part.start > 0 {
            let before = ideal.levels[part.start] - ideal.levels[part.start - 1];
            let bound = (before.abs() + 2.0 * bound).max(f64::MIN_POSITIVE);
            regions.push(Region { samples: part.start..part.start + 1, bound });
        }
        regions.push(Region { samples: part.start + 1..end, bound: allowed });
    }
    let worst = steps::worst(samples, &regions).map_err(unreadable)?;
    let note = format!("{:.2e} at sample {}", worst.step.size, worst.step.index);
    Ok((worst.ratio, 0.0, Some(note)))
}

/// Samples around the end of an exponential glide that a sample of difference may touch.
const LANDING: usize = 2;

/// Largest deviation of a glide from its closed form, in cents, landings left out.
fn path(samples: &[f64], ideal: &Ideal) -> Taken {
    let (mut got, mut wanted, mut places) = (Vec::new(), Vec::new(), Vec::new());
    let landings: Vec<usize> =
        ideal.parts.iter().filter(|part| part.settles && part.complete).map(|p| p.end).collect();
    for (index, (sample, level)) in samples.iter().zip(&ideal.levels).enumerate() {
        if landings.iter().all(|landing| landing.abs_diff(index) > LANDING) {
            got.push(*sample);
            wanted.push(*level);
            places.push(index);
        }
    }
    let apart = glide::path_deviation(&got, &wanted).map_err(unreadable)?;
    Ok((apart.cents, 0.0, Some(format!("at sample {}", places[apart.index]))))
}

/// Worst deviation of the sample from which a glide stays within a cent of its target.
fn arrival(samples: &[f64], ideal: &Ideal, script: &Script) -> Taken {
    let mut events: Vec<usize> = script.events.iter().map(|(sample, _)| *sample).collect();
    events.push(samples.len());
    let mut worst: Option<(f64, String)> = None;
    for pair in events.windows(2).filter(|pair| pair[1] > pair[0]) {
        let range = pair[0]..pair[1];
        let Some(target) = ideal.levels[range.clone()].last().copied() else { continue };
        let arrived = |trace: &[f64]| {
            glide::arrival(&trace[range.clone()], target, ARRIVED_CENTS).map_err(unreadable)
        };
        let expected = arrived(&ideal.levels)?.ok_or_else(|| unreadable("no arrival"))?;
        let found = arrived(samples)?
            .ok_or_else(|| unreadable(format!("the glide of {} does not arrive", pair[0])))?;
        let deviation = found as f64 - expected as f64;
        if worst.as_ref().is_none_or(|(most, _)| deviation.abs() > most.abs()) {
            let finer = glide::arrival(&samples[range.clone()], target, 0.1 * ARRIVED_CENTS);
            let finer = finer.map_err(unreadable)?.map_or("never".to_owned(), |n| n.to_string());
            let what =
                format!("key at {}: 1 cent after {found} samples, 0.1 after {finer}", pair[0]);
            worst = Some((deviation, what));
        }
    }
    let (deviation, what) = worst.ok_or_else(|| nothing("no glide"))?;
    Ok((deviation, 0.0, Some(what)))
}

/// Cents per octave that a straight line through every code lacks or has too many.
fn scale(exact: &laws::Exact, figures: &[f64]) -> Taken {
    let mut octaves = Vec::with_capacity(figures.len());
    let mut cents = Vec::with_capacity(figures.len());
    for (code, &figure) in (0..).zip(figures) {
        octaves.push(exact.octaves(code).ok_or_else(|| nothing("the law makes no pitch"))?);
        cents.push(exact.error(figure, code));
    }
    // A knob may turn the other way.
    if octaves.first() > octaves.last() {
        octaves.reverse();
        cents.reverse();
    }
    let law = Law::of_errors(&octaves, &cents).map_err(unreadable)?;
    let (scale, offset) = (law.error.scale, law.error.offset);
    let note = format!(
        "offset {:.1e} cents at A4, curvature {:.1e}; {} steps still or backward",
        offset.value,
        law.error.curvature.value,
        law.steps.still + law.steps.backward
    );
    Ok((scale.value, scale.uncertainty, Some(note)))
}
