//! The bench: subjects, stimuli, plans, limits and verdicts; add it as a dev-dependency.
//!
//! Start at [`check`]: put your own oscillator on the bench in a `#[test]`, ask for pitch and
//! aliasing, and read the worst case when it fails. [`control`] does the same for contours,
//! glide, low-frequency oscillators and control laws, [`filter`] for filters, [`output`] for 16-bit
//! output stages, [`instrument`] for whole voices that play a score. [`plan`] asks from a TOML file,
//! [`run`] runs whatever was asked.
//!
//! Data flows one way: a [`subject`] sounds, or answers a [`script`], the codes of a [`law`], the
//! sound of a [`filter`]'s passage or the score of an [`instrument`]; a [`worker`] or an exercise
//! reads; [`expect`] knows what theory has to say of a twin; and [`results`] keep findings with their
//! limits and verdicts.

pub mod check;
pub mod control;
#[cfg(feature = "plots")]
pub mod draw;
pub mod error;
pub mod evidence;
mod exercise;
pub mod expect;
pub mod files;
pub mod filter;
pub mod grade;
pub mod instrument;
mod kind;
pub mod law;
pub mod output;
pub mod plan;
pub mod results;
pub mod run;
pub mod script;
pub mod settings;
pub mod settings_check;
pub mod subject;
pub mod vibrato;
pub mod wav;
pub mod worker;

pub use check::Check;
pub use error::Error;
pub use filter::{FilterSubject, Passage};
pub use instrument::{InstrumentTwin, Preset, Score, Stage, StagedVoice};
pub use plumbtone_voice::KeyEvent;
pub use results::{Kind, Results, Verdict};
pub use script::{Control, Controller, Script, per_sample};
pub use settings::Settings;
pub use settings_check::SettingsCheck;
pub use subject::{Generator, Sample, Stimulus, Subject, Twin, per_block};

pub use plumbtone_measure as measure;
pub use plumbtone_theory as theory;
pub use plumbtone_voice as voice;
