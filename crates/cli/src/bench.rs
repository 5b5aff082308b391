//! `plumbtone check` and `plumbtone report`: both run a plan.

use std::fmt::Write;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use glob::Pattern;
use indicatif::{ProgressBar, ProgressState, ProgressStyle};
use plumbtone::plan::Plan;
use plumbtone::run::{self, Run, Timing};
use plumbtone::worker::Job;
use plumbtone::{Check, Results, SettingsCheck};
use plumbtone_report::Comparison;

use crate::fault::Fault;
use crate::journal::{self, Identity, Journal};
use crate::{Outcome, args, output};

/// Columns of the table when the terminal does not say.
const WIDTH: usize = 80;

pub fn check(args: &args::Check) -> Outcome {
    let (plan, run) = planned(args.plan.as_deref(), &args.scope)?;
    let files: Vec<&Path> =
        args.json.iter().chain(&args.junit).chain(&args.plan).map(PathBuf::as_path).collect();
    if let Some(twice) = files.iter().find(|file| files.iter().filter(|f| f == file).count() > 1) {
        let twice = twice.display();
        return Err(Fault::new(format!("{twice} is named twice: give every file its own name")));
    }
    for file in args.json.iter().chain(&args.junit) {
        output::writable(file)?;
    }
    let earlier = earlier(&args.scope)?;
    let journal = journal(&plan, &run, &args.scope);
    let (results, timing) = carry_out(run, journal.as_ref())?;
    let comparison = earlier.map(|(name, old)| plumbtone_report::compare(&name, &old, &results));
    if let Some(file) = &args.json {
        let text = plumbtone_report::json(&results, comparison.as_ref())?;
        plumbtone::files::write_whole(file, text.as_bytes())?;
    }
    if let Some(file) = &args.junit {
        plumbtone::files::write_whole(file, plumbtone_report::junit(&results)?.as_bytes())?;
    }
    print(&results, comparison.as_ref())?;
    output::note(&where_time_went(&timing));
    done(journal, &results, comparison.as_ref())
}

pub fn report(args: &args::Report) -> Outcome {
    let (plan, run) = planned(args.plan.as_deref(), &args.scope)?;
    plumbtone_report::prepare(&args.output)?;
    let earlier = earlier(&args.scope)?;
    let journal = journal(&plan, &run, &args.scope);
    let (results, timing) = carry_out(run, journal.as_ref())?;
    let comparison = earlier.map(|(name, old)| plumbtone_report::compare(&name, &old, &results));
    plumbtone_report::write(&args.output, &results, comparison.as_ref())?;
    print(&results, comparison.as_ref())?;
    output::note(&where_time_went(&timing));
    output::note(&format!(
        "open {}\n{}",
        args.output.join("index.html").display(),
        plumbtone::wav::CAUTION
    ));
    done(journal, &results, comparison.as_ref())
}

/// Earlier results and what the user calls them; read before a long run starts. What `--only`
/// leaves out is left out of both.
fn earlier(scope: &args::Scope) -> Result<Option<(String, Results)>, Fault> {
    let Some(file) = &scope.against else { return Ok(None) };
    let mut results = plumbtone_report::read_results(file)?;
    if let Some(only) = &scope.only {
        let wanted = wanted(only)?;
        results.findings.retain(|finding| {
            let twin = finding.twin.map_or("", plumbtone::Twin::name);
            let parts = [finding.subject.as_str(), twin, &finding.shape];
            wanted(&parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("/"))
        });
    }
    Ok(Some((file.display().to_string(), results)))
}

fn print(results: &Results, comparison: Option<&Comparison>) -> Result<(), Fault> {
    let mut text = plumbtone_report::table(results, WIDTH, colour());
    if let Some(comparison) = comparison {
        text = text + "\n" + &plumbtone_report::differences(comparison, WIDTH);
    }
    output::print(&text)
}

/// The outcome once everything is written. Until then, and where the comparison has to be asked
/// for again, the journal stays, so that nothing is measured twice.
fn done(journal: Option<Journal>, results: &Results, comparison: Option<&Comparison>) -> Outcome {
    if let Some(comparison) = comparison.filter(|comparison| comparison.nothing_compared()) {
        return Err(Fault::new(format!(
            "nothing could be compared with {}: {}; give the results.json of the same plan",
            comparison.against,
            plumbtone_report::APART
        )));
    }
    if let Some(journal) = journal {
        journal.remove();
    }
    Ok(results.all_good() && !comparison.is_some_and(Comparison::regressed))
}

/// Where this very run, by this very program, is kept while it lasts.
fn journal(plan: &Plan, run: &Run<'_>, scope: &args::Scope) -> Option<Journal> {
    let only = scope.only.as_deref().unwrap_or_default();
    let criterion = run.criterion.to_string();
    let identity = Identity::of(&std::env::current_exe().ok()?, &[plan.text(), only, &criterion])?;
    Journal::open(&journal::folder()?, &identity, scope.fresh)
}

fn planned(plan: Option<&Path>, scope: &args::Scope) -> Result<(Plan, Run<'static>), Fault> {
    let plan = match plan {
        Some(path) => Plan::read(path)?,
        None => Plan::built_in()?,
    };
    let (mut checks, mut settings_checks) =
        (plan.checks().to_vec(), plan.settings_checks().to_vec());
    if let Some(only) = &scope.only {
        let wanted = wanted(only)?;
        let names: Vec<String> =
            checks.iter().map(name).chain(settings_checks.iter().map(settings_name)).collect();
        checks.retain(|check| wanted(&name(check)));
        settings_checks.retain(|check| wanted(&settings_name(check)));
        let none = checks.is_empty() && settings_checks.is_empty();
        if let (true, Some(first)) = (none, names.first()) {
            return Err(Fault::new(format!(
                "--only {only} matches nothing in the plan: its {} checks are named like {first}",
                names.len()
            )));
        }
    }
    let mut run = Run { settings_checks, ..Run::new(plan.title(), checks) };
    run.jobs = scope.jobs.map_or(0, usize::from);
    Ok((plan, run))
}

/// Whether `--only` takes what has this name, "spline4/fixed/ramp".
fn wanted(only: &str) -> Result<impl Fn(&str) -> bool, Fault> {
    let pattern =
        Pattern::new(only).map_err(|error| Fault::new(format!("--only {only}: {error}")))?;
    Ok(move |name: &str| {
        let module = name.split('/').next().unwrap_or_default();
        pattern.matches(name) || pattern.matches(module)
    })
}

/// "spline4/fixed/ramp"; noise has no shape.
fn name(check: &Check) -> String {
    let job = Job::of(check, &[]);
    let mut name = job.subject.name().into_owned();
    if let Some(twin) = job.twin {
        name = format!("{name}/{}", twin.name());
    }
    if job.noise.is_none() {
        name = format!("{name}/{}", job.stimulus.shape.name());
    }
    name
}

/// "adsr/fixed".
fn settings_name(check: &SettingsCheck) -> String {
    let twin = check.which().map(|twin| format!("/{}", twin.name())).unwrap_or_default();
    check.subject() + &twin
}

/// Runs with a bar on standard error when that is a terminal, and says where it goes on.
fn carry_out(run: Run<'_>, journal: Option<&Journal>) -> Result<(Results, Timing), Fault> {
    let style =
        ProgressStyle::with_template("{bar:30} {pos}/{len} notes, {rate} a second, {eta} to go")
            .map_err(Fault::new)?
            .with_key("rate", |state: &ProgressState, text: &mut dyn Write| {
                // A bar that cannot be drawn is no reason to stop.
                let _ = write!(text, "{:.0}", state.per_sec());
            });
    let bar =
        if std::io::stderr().is_terminal() { ProgressBar::new(0) } else { ProgressBar::hidden() };
    let bar = bar.with_style(style);
    let begun = OnceLock::new();
    let progress = |done: usize, all: usize| {
        if begun.set(()).is_ok() {
            if done > 0 {
                output::note(&format!(
                    "going on where an earlier run stopped: {done} of {all} taken"
                ));
            }
            bar.set_length(all as u64);
            bar.set_position(done as u64);
            // The rate is that of this run.
            bar.reset_eta();
            return;
        }
        bar.set_position(done as u64);
    };
    let journal = journal.map(|journal| journal as &dyn run::Journal);
    let done = run::run(&Run { progress: Some(&progress), journal, ..run });
    bar.finish_and_clear();
    Ok(done?)
}

/// "1056 notes in 62.1 s; work: 61 % pitch, ..."
fn where_time_went(timing: &Timing) -> String {
    let parts = timing.spent.parts();
    let work: f64 = parts.iter().map(|(_, seconds)| seconds).sum();
    let parts: Vec<String> = parts
        .iter()
        .filter(|(_, seconds)| *seconds > 0.0)
        .map(|(name, seconds)| format!("{name} {:.0} %", 100.0 * seconds / work))
        .collect();
    let seconds = timing.wall.as_secs_f64();
    let notes = if timing.notes == 1 { "note" } else { "notes" };
    let took = format!("{} {notes} in {seconds:.1} s", timing.notes);
    if parts.is_empty() { took } else { format!("{took}\nwork: {}", parts.join(", ")) }
}

/// Colour only for a terminal, and never against NO_COLOR.
fn colour() -> bool {
    let refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    !refused && std::io::stdout().is_terminal()
}
