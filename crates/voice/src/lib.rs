//! Voice DSP for small cores: every module as a float and a fixed-point twin.
//!
//! The crate is what goes into firmware: no standard library, no allocation, no unsafe
//! code. It is also what lies on the bench, so nothing in it may know the bench.
//!
//! # Scale
//!
//! Both twins deliver samples in which full scale is 1.0, and a waveform swings between
//! −[`NOMINAL_PEAK`] and +[`NOMINAL_PEAK`]. The other half of the range is headroom: a
//! band-limited step overshoots (Wilbraham and Gibbs: by up to 17.9 % of the peak), and two
//! oscillators have to fit into one mixer. The float twin uses [`f32`], the fixed twin
//! [`fixed::types::I1F31`] (Q1.31: one sign bit, 31 fraction bits).
//!
//! # Time
//!
//! [`Oscillator::tick`] returns the sample at the present instant and then moves on by the
//! interval that the [`Drive`] describes. An edge that falls inside this interval is known
//! before the sample leaves, so the two-point correction needs no delay; longer kernels
//! state theirs in [`Entry::latency_samples`].
//!
//! # Example
//!
//! ```
//! use plumbtone_voice::oscillators::spline2;
//! use plumbtone_voice::{Drive, Oscillator, Rate, Setup, Shape};
//!
//! let rate = Rate::new(44_100)?;
//! let drive = Drive::steady(rate.increment(261.6255653)?);
//! let mut panel = spline2::Float::new(&Setup { shape: Shape::Ramp, ..Setup::default() });
//! let mut block = [0.0_f32; 128];
//! panel.process(&drive, &mut block);
//! assert!(block.iter().all(|sample| sample.abs() <= 0.5));
//! # Ok::<(), plumbtone_voice::RangeError>(())
//! ```
#![no_std]

pub mod contours;
pub mod control;
pub mod edges;
mod error;
pub mod filters;
pub mod frequency;
pub mod halfband;
pub mod instruments;
pub mod level;
mod line;
mod math;
pub mod oscillators;
pub mod parameter;
pub mod phase;
pub mod prewarp;
mod q31;
pub mod registry;
pub mod tanh;
pub mod taps;
pub mod wide;

pub use contours::{Contour, ContourEntry, KeyEvent};
pub use control::{ControlEntry, Follower, Law};
pub use error::RangeError;
pub use filters::{Filter, FilterEntry, Resonance, Tuning};
pub use instruments::{Event, Instrument, InstrumentEntry};
pub use parameter::{Parameter, Values};
pub use phase::{Age, Drive, Increment, Rate, SyncSource, Width};
pub use registry::{Entry, Oscillator, Setup, Shape, UsableFrom};

/// Peak of every waveform, relative to full scale: half, to leave headroom.
pub const NOMINAL_PEAK: f64 = 0.5;
