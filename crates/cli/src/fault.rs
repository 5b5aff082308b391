//! Errors as the user sees them: one line, exit status 2.

use std::fmt::Display;
use std::process::ExitCode;

use clap::error::ErrorKind;

/// One line that says what is wrong and how to mend it.
#[derive(Debug)]
pub struct Fault(String);

impl Fault {
    /// Takes a text; line breaks become spaces.
    pub fn new(text: impl Display) -> Self {
        Self(text.to_string().split_whitespace().collect::<Vec<_>>().join(" "))
    }

    /// What clap found, without its usage lines.
    pub fn usage(error: &clap::Error) -> Self {
        if error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
            return Self::new("no subcommand given: see `plumbtone --help`");
        }
        let text = error.to_string();
        let text = text.split("\n\nUsage:").next().unwrap_or_default();
        let text = text.split("\n\nFor more information").next().unwrap_or_default();
        let text = text.trim_start_matches("error: ").replace("\n\n", "; ");
        Self::new(format!("{text}; see `plumbtone --help`"))
    }

    /// Prints the line.
    pub fn tell(&self) -> ExitCode {
        // When even standard error is gone, the status has to do.
        let _ = std::io::Write::write_all(
            &mut std::io::stderr(),
            format!("plumbtone: {}\n", self.0).as_bytes(),
        );
        ExitCode::from(2)
    }
}

impl From<plumbtone::Error> for Fault {
    fn from(error: plumbtone::Error) -> Self {
        Self::new(error)
    }
}

impl From<plumbtone_report::Error> for Fault {
    fn from(error: plumbtone_report::Error) -> Self {
        Self::new(error)
    }
}
