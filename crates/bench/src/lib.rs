//! The bench: subjects, stimuli, plans, limits and verdicts; add it as a dev-dependency.
//!
//! Start at [`check`]: put your own oscillator on the bench in a `#[test]`, ask for pitch and
//! aliasing, and read the worst case when it fails. [`plan`] does the same from a TOML file,
//! [`run`] runs both.
//!
//! Data flows one way: a [`subject`] sounds, a [`worker`] reads, [`expect`] knows what theory has
//! to say of a twin, and [`results`] keep findings with their limits and verdicts.

pub mod check;
#[cfg(feature = "plots")]
pub mod draw;
pub mod error;
pub mod evidence;
pub mod expect;
pub mod files;
pub mod grade;
pub mod plan;
pub mod results;
pub mod run;
pub mod subject;
pub mod wav;
pub mod worker;

pub use check::Check;
pub use error::Error;
pub use results::{Kind, Results, Verdict};
pub use subject::{Generator, Sample, Stimulus, Subject, Twin, per_block};

pub use plumbtone_measure as measure;
pub use plumbtone_theory as theory;
pub use plumbtone_voice as voice;
