//! Runs checks: every note of every check on all cores, the same results in any order.

use std::collections::HashMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use plumbtone_measure::audibility::Criterion;
use plumbtone_theory::tuning::key_hz;
use plumbtone_voice::Shape;
use rayon::prelude::*;

use crate::check::Check;
use crate::error::Error;
use crate::exercise::{self, Exercised};
use crate::results::{Case, Finding, Kind, Origin, Results, SCHEMA, Verdict};
use crate::settings_check::SettingsCheck;
use crate::worker::{Bound, Job, Spent, Worker};

/// Called with notes or settings done and with how many there are, from any thread: first, before
/// anything is measured, with what a journal had kept.
pub type Progress<'a> = &'a (dyn Fn(usize, usize) + Sync);

/// What is measured as one: a group of notes, with the cases of each, or a set of settings, with
/// the cases of each question.
pub type Unit = Vec<Vec<Case>>;

/// Keeps units as they are done, so that an interrupted run can be taken up again.
///
/// Units are numbered from 0, the same way in every run of the same checks. Whoever keeps them
/// sees to it that the checks, the subjects and the program are the same when they come back.
pub trait Journal: Sync {
    /// What an earlier run has kept under this number.
    fn load(&self, unit: usize) -> Option<Unit>;

    /// Keeps a unit that is done; called from any thread. What cannot be kept is measured again.
    fn store(&self, unit: usize, taken: &Unit);
}

/// What to run and how.
pub struct Run<'a> {
    /// Title of the results.
    pub title: String,
    /// The checks of oscillators and noise, in the order of the results.
    pub checks: Vec<Check>,
    /// The checks of control modules; their results come after the others.
    pub settings_checks: Vec<SettingsCheck>,
    /// Worker threads; 0 takes one per core.
    pub jobs: usize,
    /// Masking criterion.
    pub criterion: Criterion,
    /// Told of every note that is done.
    pub progress: Option<Progress<'a>>,
    /// Where units are kept, and come from.
    pub journal: Option<&'a dyn Journal>,
}

impl Run<'_> {
    /// A run on all cores with the default criterion and without progress.
    pub fn new(title: impl Into<String>, checks: Vec<Check>) -> Self {
        let criterion = Criterion::default();
        Self {
            title: title.into(),
            checks,
            settings_checks: Vec::new(),
            jobs: 0,
            criterion,
            progress: None,
            journal: None,
        }
    }
}

/// How long a run took and where its time went.
#[derive(Clone, Copy, Debug, Default)]
pub struct Timing {
    /// From start to end.
    pub wall: Duration,
    /// Notes and settings measured, without those that a journal had kept.
    pub notes: usize,
    /// Work by part, over all threads.
    pub spent: Spent,
}

/// One note to measure: indices of check, rate and key.
#[derive(Clone, Copy)]
struct Note {
    check: usize,
    rate: usize,
    key: Option<u8>,
    /// Which of the check's questions this note answers.
    scan: bool,
}

/// Runs all checks.
///
/// # Errors
/// The first error, in the order of the plan, of a check that makes no sense or a subject
/// that refuses its stimulus.
pub fn run(run: &Run<'_>) -> Result<(Results, Timing), Error> {
    let clock = Instant::now();
    if run.checks.is_empty() && run.settings_checks.is_empty() {
        return Err(Error::Request("there is nothing to check: name at least one module".into()));
    }
    for check in &run.checks {
        complete(check)?;
    }
    for check in &run.settings_checks {
        complete_settings(check)?;
    }
    let notes = notes(&run.checks);
    let groups = groups(&run.checks, &notes);
    let settings = settings(&run.settings_checks);
    let all = notes.len() + settings.len();
    let idle: Mutex<Vec<Worker>> = Mutex::new(Vec::new());
    // Units are numbered groups first. What does not fit the questions is measured again.
    let kept_groups: Vec<Option<Unit>> = (groups.iter().enumerate())
        .map(|(unit, group)| {
            let wanted = group.iter().map(|&index| {
                let note = notes[index];
                questions(&run.checks[note.check], note.scan).len()
            });
            run.journal?.load(unit).filter(|taken| taken.iter().map(Vec::len).eq(wanted))
        })
        .collect();
    let kept_settings: Vec<Option<Unit>> = (settings.iter().enumerate())
        .map(|(index, place)| {
            let wanted = run.settings_checks[place.check].asked.len();
            let taken = run.journal?.load(groups.len() + index)?;
            (taken.len() == wanted && taken.iter().all(|cases| !cases.is_empty())).then_some(taken)
        })
        .collect();
    let kept = kept_groups.iter().flatten().map(Vec::len).sum::<usize>()
        + kept_settings.iter().flatten().count();
    let done = AtomicUsize::new(kept);
    if let Some(progress) = run.progress {
        progress(kept, all);
    }
    let report_progress = || {
        if let Some(progress) = run.progress {
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, all);
        }
    };
    let store = |unit: usize, taken: &Unit| {
        if let Some(journal) = run.journal {
            journal.store(unit, taken);
        }
    };
    let measure = |(unit, group): (usize, &Vec<usize>)| -> Result<Unit, Error> {
        let taken = idle.lock().ok().and_then(|mut idle| idle.pop());
        let mut worker = match taken {
            Some(worker) => worker,
            None => Worker::new(run.criterion)?,
        };
        let mut cases = Vec::with_capacity(group.len());
        for &index in group {
            let note = notes[index];
            cases.push(measure(&mut worker, &run.checks[note.check], note)?);
            report_progress();
        }
        if let Ok(mut idle) = idle.lock() {
            idle.push(worker);
        }
        store(unit, &cases);
        Ok(cases)
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(run.jobs)
        .build()
        .map_err(|error| Error::Request(format!("cannot start {} threads: {error}", run.jobs)))?;
    // Scans are long: they come first in `notes`, and small pieces keep all cores busy.
    let taken: Vec<Result<Unit, Error>> = pool.install(|| {
        let todo = groups.par_iter().enumerate().zip(kept_groups).with_max_len(1);
        todo.map(|(group, kept)| kept.map_or_else(|| measure(group), Ok)).collect()
    });
    let controlled: Vec<Result<Exercised, Error>> = pool.install(|| {
        let measure = |(index, place): (usize, &Setting)| {
            let check = &run.settings_checks[place.check];
            let (taken, spent) = exercise::take(check, check.rates_hz[place.rate], place.setting)?;
            report_progress();
            store(groups.len() + index, &taken);
            Ok((taken, spent))
        };
        let todo = settings.par_iter().enumerate().zip(kept_settings).with_max_len(1);
        todo.map(|(place, kept)| match kept {
            Some(taken) => Ok((taken, Spent::default())),
            None => measure(place),
        })
        .collect()
    });
    let mut cases = vec![Vec::new(); notes.len()];
    for (group, taken) in groups.iter().zip(taken) {
        for (&index, taken) in group.iter().zip(taken?) {
            cases[index] = taken;
        }
    }
    let mut findings = collect(run, &notes, &cases);
    let mut timing = Timing { notes: all - kept, ..Timing::default() };
    let mut cases = Vec::with_capacity(settings.len());
    for taken in controlled {
        let (taken, spent) = taken?;
        cases.push(taken);
        timing.spent.add(&spent);
    }
    findings.extend(collect_settings(&run.settings_checks, &settings, &cases));
    timing.wall = clock.elapsed();
    for worker in idle.lock().map(|mut idle| std::mem::take(&mut *idle)).unwrap_or_default() {
        timing.spent.add(&worker.spent);
    }
    let results = Results {
        schema: SCHEMA.to_owned(),
        title: run.title.clone(),
        criterion: run.criterion.to_string(),
        findings,
    };
    Ok((results, timing))
}

/// Refuses checks that would pass because they ask nothing.
fn complete(check: &Check) -> Result<(), Error> {
    let name = check.subject.name();
    let refuse = |what: &str| Err(Error::Request(format!("check of `{name}`: {what}")));
    if check.asked.is_empty() {
        return refuse("no limit is set: ask for pitch, aliases, ...");
    }
    if check.keys.is_empty() && check.shape.is_some() {
        return refuse("no key is given: give at least one, such as 69");
    }
    if check.rates_hz.is_empty() {
        return refuse("no sample rate is given: give at least one, such as 44100");
    }
    for &rate_hz in &check.rates_hz {
        plumbtone_voice::Rate::new(rate_hz)?;
    }
    plumbtone_voice::Width::new(check.width)?;
    if check.yardstick.as_ref().is_some_and(|yardstick| yardstick.width() != check.width) {
        return refuse("give a twin's width in its setup, so that its closed form has it too");
    }
    if check.shape.is_some() {
        let low = check.rates_hz.iter().copied().min().unwrap_or(0);
        if let Some(key) =
            check.keys.iter().find(|key| 2.0 * key_hz(f64::from(**key)) > f64::from(low))
        {
            let name = crate::evidence::key_name(*key);
            return refuse(&format!("key {key} ({name}) is above half of {low} Hz: leave it off"));
        }
    }
    for &(kind, bound) in &check.asked {
        if let Bound::Required(limit) = bound {
            let size = kind.two_sided() || kind == Kind::Rounding;
            let sensible = limit.is_finite() && !(size && limit < 0.0);
            if !sensible {
                let unit = kind.unit().symbol();
                let what = if limit.is_finite() { "can never be kept" } else { "is no limit" };
                return refuse(&format!(
                    "the limit {limit} {unit} of `{kind}` {what}: give a figure"
                ));
            }
        }
        let derivable = matches!(
            kind,
            Kind::Pitch | Kind::Lines | Kind::Rounding | Kind::Noise | Kind::Density
        );
        if bound == Bound::Derived && !derivable {
            return refuse(&format!("`{kind}` has no derived limit: give a figure"));
        }
        let needs_twin = matches!(kind, Kind::Lines | Kind::Rounding | Kind::Noise | Kind::Density);
        if needs_twin && check.twin.is_none() {
            return refuse(&format!("`{kind}` needs a closed form: it is for twins only"));
        }
        if check.shape.is_none() != (kind == Kind::Density) {
            let what = if check.shape.is_none() { "noise" } else { "a waveform" };
            return refuse(&format!("`{kind}` is no reading of {what}"));
        }
        if kind == Kind::CleanNote && check.anchor.is_none() {
            return refuse("`clean-note` needs an anchor in Hz");
        }
    }
    Ok(())
}

/// Refuses checks of control modules that would pass because they ask nothing.
fn complete_settings(check: &SettingsCheck) -> Result<(), Error> {
    let name = check.subject();
    let refuse = |what: &str| Err(Error::Request(format!("check of `{name}`: {what}")));
    if check.asked.is_empty() {
        return refuse("no limit is set: ask for stage-time, rounding, law, ...");
    }
    if check.settings.is_empty() {
        return refuse("no set of settings is given: give at least one");
    }
    if check.rates_hz.is_empty() {
        return refuse("no sample rate is given: give at least one, such as 44100");
    }
    for &rate_hz in &check.rates_hz {
        plumbtone_voice::Rate::new(rate_hz)?;
    }
    let readings = exercise::readings(check.module);
    for &(kind, bound) in &check.asked {
        if !readings.contains(&kind) {
            let choices: Vec<_> = readings.iter().map(|kind| kind.name()).collect();
            let choices = choices.join(", ");
            return refuse(&format!("`{kind}` is no reading of it: choose from {choices}"));
        }
        match bound {
            Bound::Required(limit) if !(limit.is_finite() && (limit >= 0.0 || !kind.is_size())) => {
                let unit = kind.unit().symbol();
                let what = if limit.is_finite() { "can never be kept" } else { "is no limit" };
                let from = if kind.is_size() { " from 0 up" } else { "" };
                return refuse(&format!(
                    "the limit {limit} {unit} of `{kind}` {what}: give a figure{from}"
                ));
            }
            Bound::Derived if check.twin.is_none() || !exercise::derivable(check.module, kind) => {
                return refuse(&format!("`{kind}` has no derived limit here: give a figure"));
            }
            _ => {}
        }
    }
    Ok(())
}

/// One set of settings to measure: indices of check, rate and set.
#[derive(Clone, Copy)]
struct Setting {
    check: usize,
    rate: usize,
    setting: usize,
}

fn settings(checks: &[SettingsCheck]) -> Vec<Setting> {
    let mut settings = Vec::new();
    for (check, wanted) in checks.iter().enumerate() {
        for rate in 0..wanted.rates_hz.len() {
            let sets = 0..wanted.settings.len();
            settings.extend(sets.map(|setting| Setting { check, rate, setting }));
        }
    }
    settings
}

fn collect_settings(
    checks: &[SettingsCheck],
    settings: &[Setting],
    taken: &[Vec<Vec<Case>>],
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, check) in checks.iter().enumerate() {
        for (rate, &rate_hz) in check.rates_hz.iter().enumerate() {
            for (question, &(kind, bound)) in check.asked.iter().enumerate() {
                let own = |place: &Setting| place.check == index && place.rate == rate;
                let cases = settings.iter().zip(taken).filter(|(place, _)| own(place));
                let mut finding = Finding {
                    subject: check.subject(),
                    twin: check.twin,
                    shape: String::new(),
                    width: None,
                    rate_hz,
                    kind,
                    unit: kind.unit(),
                    limit: match bound {
                        Bound::Noted => Origin::Noted,
                        Bound::Required(_) => {
                            Origin::Required("asked for by the plan or the test".to_owned())
                        }
                        Bound::Derived => {
                            Origin::Derived(exercise::because(check.module, kind).to_owned())
                        }
                    },
                    reference: exercise::reference(check.module, kind).to_string(),
                    verdict: Verdict::Noted,
                    worst: 0,
                    cases: cases.flat_map(|(_, cases)| cases[question].clone()).collect(),
                };
                finding.judge(check.known.as_deref());
                findings.push(finding);
            }
        }
    }
    findings
}

fn notes(checks: &[Check]) -> Vec<Note> {
    let scans = |check: &Check| check.asked.iter().any(|(kind, _)| *kind == Kind::CleanNote);
    let plain = |check: &Check| check.asked.iter().any(|(kind, _)| *kind != Kind::CleanNote);
    let mut notes = Vec::new();
    for (check, wanted) in checks.iter().enumerate().filter(|(_, wanted)| scans(wanted)) {
        let rates = 0..wanted.rates_hz.len();
        notes.extend(rates.map(|rate| Note { check, rate, key: None, scan: true }));
    }
    for (check, wanted) in checks.iter().enumerate().filter(|(_, wanted)| plain(wanted)) {
        for rate in 0..wanted.rates_hz.len() {
            let note = |key| Note { check, rate, key, scan: false };
            match wanted.shape {
                Some(_) => notes.extend(wanted.keys.iter().map(|&key| note(Some(key)))),
                None => notes.push(note(None)),
            }
        }
    }
    notes
}

/// Notes that share an exact evaluation, so that one worker takes them one after the other:
/// the twins of a module at the same rate and key. Indices into `notes`, in their order.
fn groups(checks: &[Check], notes: &[Note]) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut open: HashMap<(&str, Option<Shape>, u64, u32, u8), usize> = HashMap::new();
    for (index, note) in notes.iter().enumerate() {
        let check = &checks[note.check];
        let (Some(yardstick), Some(key)) = (&check.yardstick, note.key) else {
            groups.push(vec![index]);
            continue;
        };
        let name = yardstick.module();
        let rate_hz = check.rates_hz[note.rate];
        let place = (name, check.shape, check.width.to_bits(), rate_hz, key);
        let group = *open.entry(place).or_insert(groups.len());
        match groups.get_mut(group) {
            Some(mates) => mates.push(index),
            None => groups.push(vec![index]),
        }
    }
    groups
}

/// The questions that a scan, or that a note, answers.
fn questions(check: &Check, scan: bool) -> Vec<(Kind, Bound)> {
    check.asked.iter().copied().filter(|(kind, _)| (*kind == Kind::CleanNote) == scan).collect()
}

fn measure(worker: &mut Worker, check: &Check, note: Note) -> Result<Vec<Case>, Error> {
    let asked = questions(check, note.scan);
    let stimulus = check.stimulus(note.key.unwrap_or(69), check.rates_hz[note.rate]);
    let job = Job { stimulus, key: note.key, ..Job::of(check, &asked) };
    worker.take(&job)
}

fn collect(run: &Run<'_>, notes: &[Note], taken: &[Vec<Case>]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, check) in run.checks.iter().enumerate() {
        for (rate, &rate_hz) in check.rates_hz.iter().enumerate() {
            for scan in [false, true] {
                let asked = questions(check, scan);
                for (question, &(kind, bound)) in asked.iter().enumerate() {
                    let own =
                        |note: &Note| note.check == index && note.rate == rate && note.scan == scan;
                    let cases: Vec<Case> = notes
                        .iter()
                        .zip(taken)
                        .filter(|(note, _)| own(note))
                        .map(|(_, cases)| cases[question].clone())
                        .collect();
                    findings.push(finding(check, rate_hz, kind, bound, cases));
                }
            }
        }
    }
    findings
}

fn finding(check: &Check, rate_hz: u32, kind: Kind, bound: Bound, cases: Vec<Case>) -> Finding {
    let reason = |text: &str| text.to_owned();
    let limit = match (bound, kind) {
        (Bound::Noted, _) => Origin::Noted,
        (Bound::Required(_), _) => Origin::Required(reason("asked for by the plan or the test")),
        (Bound::Derived, Kind::Pitch) => Origin::Derived(reason(
            "half a step of the 32-bit increment, and what the noise of the twin itself hides of it",
        )),
        (Bound::Derived, Kind::Lines) => Origin::Derived(reason(
            "closed form good to 1e-12, and the strongest tone that rounding could make",
        )),
        (Bound::Derived, Kind::Noise) => Origin::Derived(reason(
            "predicted from the increment; roundings after the phase taken as white",
        )),
        (Bound::Derived, Kind::Density) => {
            Origin::Derived(reason("4.5 standard deviations of a chi-square mean"))
        }
        (Bound::Derived, _) => Origin::Derived(match (&check.yardstick, check.twin) {
            (Some(yardstick), Some(twin)) => yardstick.rounding(twin, 0.01).1.to_owned(),
            _ => String::new(),
        }),
    };
    let reference = match (kind, &check.yardstick, &check.noise) {
        (Kind::Pitch, ..) => "ISO 16:1975, A4 = 440 Hz; equal temperament".to_owned(),
        (Kind::Audible | Kind::CleanNote, ..) => run_criterion_reference(check),
        (Kind::Listening, ..) => plumbtone_theory::references::ALIAS_AUDIBILITY.to_string(),
        (_, Some(yardstick), _) => yardstick.reference().to_string(),
        (_, _, Some(noise)) => noise.reference().to_string(),
        _ => "Fourier series of the shape".to_owned(),
    };
    let shape = check.shape.map_or(String::new(), |shape| shape.name().to_owned());
    let mut finding = Finding {
        subject: check.subject.name().into_owned(),
        twin: check.twin,
        width: (check.shape == Some(Shape::Pulse)).then_some(check.width),
        shape,
        rate_hz,
        kind,
        unit: kind.unit(),
        limit,
        reference,
        verdict: Verdict::Noted,
        worst: 0,
        cases,
    };
    finding.judge(check.known.as_deref());
    finding
}

fn run_criterion_reference(check: &Check) -> String {
    match check.anchor {
        Some(anchor) => anchor.source.to_string(),
        None => {
            "masking after Terhardt, as used by Nam et al. 2010; constants from memory".to_owned()
        }
    }
}
