//! What is played through a filter.

use plumbtone_measure::response::Sweep;

use crate::error::Error;
use crate::subject::{Stimulus as Note, Subject, Twin, VoiceTwin};

/// A signal that reaches every frequency.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// A synchronised exponential sweep: most of the energy low down, distortion kept apart.
    Sweep,
    /// White noise, uniform.
    Noise,
}

/// Shortest and longest signal, s: ten periods of a sweep's start, and a minute.
pub const SECONDS: (f64, f64) = (2.0, 60.0);
/// Lowest frequency of the sweep, Hz.
const LOW_HZ: f64 = 20.0;
/// Silence before, and after for the filter to ring out, s.
const SILENCE: (f64, f64) = (0.25, 1.0);

/// Samples of a signal, silence before and after it included; its level is left to the file.
///
/// # Errors
/// [`Error::Request`] for a length outside [`SECONDS`], [`Error::Range`] for a rate out of range.
pub fn stimulus(signal: Signal, rate_hz: u32, seconds: f64) -> Result<Vec<f64>, Error> {
    plumbtone_voice::Rate::new(rate_hz)?;
    if !(SECONDS.0..=SECONDS.1).contains(&seconds) {
        let (least, most) = SECONDS;
        return Err(Error::Request(format!(
            "seconds = {seconds} is out of range: give {least} to {most} s"
        )));
    }
    let rate = f64::from(rate_hz);
    let body = match signal {
        Signal::Sweep => Sweep::new(rate, LOW_HZ, super::fit::HIGH * rate, seconds, 0.0)
            .map_err(Error::measuring("sweep"))?
            .stimulus()
            .to_vec(),
        Signal::Noise => {
            let mut samples = vec![0.0; (seconds * rate) as usize];
            let note = Note::note(plumbtone_voice::Shape::default(), 1.0, rate_hz);
            VoiceTwin::named("white", Twin::Float)?.render(&note, &mut samples)?;
            samples
        }
    };
    let silence = |seconds: f64| vec![0.0; (seconds * rate) as usize];
    Ok([silence(SILENCE.0), body, silence(SILENCE.1)].concat())
}
