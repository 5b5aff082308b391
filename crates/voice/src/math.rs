//! Float functions, called by path on one library.
//!
//! `x.sin()` would be the host's in a test and the target's in firmware; these have the
//! same bits everywhere.

pub(crate) use libm::{cos, exp2, expm1, floorf, log, log1p, log2, rint, round, sin};
