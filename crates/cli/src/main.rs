//! The plumbtone command.
//!
//! What was asked for is printed to standard output, everything else to standard error. It ends
//! with 0 when all limits hold, with 1 when one does not, and with 2 and a single line of advice
//! when the request cannot be carried out.

mod args;
mod bench;
mod fault;
mod grade;
mod journal;
mod list;
mod output;
mod play;
mod render;
mod settings;
mod stimulus;

use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;

use args::{Args, Command};
use fault::Fault;

/// Whether every limit was kept.
pub(crate) type Outcome = Result<bool, Fault>;

fn main() -> ExitCode {
    match Args::try_parse()
        .map_err(Stop::from)
        .and_then(|args| run(args.command).map_err(Stop::Fault))
    {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(Stop::Shown(text)) => match output::print(&text) {
            Ok(()) => ExitCode::SUCCESS,
            Err(fault) => fault.tell(),
        },
        Err(Stop::Fault(fault)) => fault.tell(),
    }
}

/// Why there is nothing to run.
enum Stop {
    /// Help or the version was asked for.
    Shown(String),
    Fault(Fault),
}

impl From<clap::Error> for Stop {
    fn from(error: clap::Error) -> Self {
        match error.kind() {
            ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => Self::Shown(error.to_string()),
            _ => Self::Fault(Fault::usage(&error)),
        }
    }
}

fn run(command: Command) -> Outcome {
    match command {
        Command::List(args) => list::run(&args),
        Command::Check(args) => bench::check(&args),
        Command::Render(args) => render::run(&args),
        Command::Report(args) => bench::report(&args),
        Command::Stimulus(args) => stimulus::run(&args),
        Command::Grade(args) => grade::run(&args),
    }
}
