//! What can go wrong on the bench, each in one line that says how to mend it.

use std::path::PathBuf;

use plumbtone_measure::reading::Obstacle;
use plumbtone_voice::RangeError;

/// An error of the bench; its text is one line: what, where, how to mend it.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A parameter outside its range.
    #[error(transparent)]
    Range(#[from] RangeError),
    /// A capture that an instrument cannot read.
    #[error("{what}: {why}")]
    Measure {
        /// What was measured.
        what: String,
        /// Why it cannot be measured.
        why: Obstacle,
    },
    /// A closed form that does not exist for these parameters.
    #[error("no closed form: {0}")]
    Theory(#[from] plumbtone_theory::ParameterError),
    /// A name that is not on the list.
    #[error("unknown {kind} `{name}`: choose from {choices}")]
    Unknown {
        /// Kind of name.
        kind: &'static str,
        /// The name as given.
        name: String,
        /// The names there are.
        choices: String,
    },
    /// A module that cannot make the shape.
    #[error("module `{module}` has no shape `{shape}`: choose from {choices}")]
    NoShape {
        /// Module name.
        module: String,
        /// Shape asked for.
        shape: &'static str,
        /// Shapes it has.
        choices: String,
    },
    /// A plan that cannot be used.
    #[error("{plan}{}: {message}", line.map(|n| format!(", line {n}")).unwrap_or_default())]
    Plan {
        /// File name of the plan.
        plan: String,
        /// Line number, from 1.
        line: Option<usize>,
        /// What is wrong and how to mend it.
        message: String,
    },
    /// A score or a preset that cannot be played.
    #[error("{score}{}: {message}", line.map(|n| format!(", line {n}")).unwrap_or_default())]
    Score {
        /// Name of the score.
        score: String,
        /// Line number, from 1; none for files that have no lines.
        line: Option<usize>,
        /// What is wrong and how to mend it.
        message: String,
    },
    /// A recording that cannot be read.
    #[error("{}: {message}", path.display())]
    Recording {
        /// The file.
        path: PathBuf,
        /// What is wrong and how to mend it.
        message: String,
    },
    /// A file that cannot be read or written.
    #[error("cannot {action} {}: {source}", path.display())]
    File {
        /// "read", "write", ...
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// The reason given by the system.
        source: std::io::Error,
    },
    /// A request that makes no sense as a whole.
    #[error("{0}")]
    Request(String),
}

impl Error {
    /// Names what was being measured when the obstacle came up.
    pub fn measuring(what: impl Into<String>) -> impl FnOnce(Obstacle) -> Self {
        let what = what.into();
        move |why| Self::Measure { what, why }
    }

    /// Names the file and the action that failed.
    pub fn file(
        action: &'static str,
        path: impl Into<PathBuf>,
    ) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| Self::File { action, path, source }
    }
}
