//! The figures that the bench can take: one table.

use std::fmt;

use plumbtone_measure::reading::Unit;
use serde::{Deserialize, Serialize};

/// What counts against a subject.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Sense {
    /// A deviation to either side; zero at best.
    Deviation,
    /// A size, zero at best, that is never below it.
    Size,
    /// A level in dB, the lower the better.
    Level,
}

macro_rules! kinds {
    ($($variant:ident, $name:literal, $unit:ident, $sense:ident, $describe:literal;)*) => {
        /// The figures that the bench can take.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Kind {
            $(#[doc = $describe] $variant,)*
        }

        impl Kind {
            /// All kinds, in the order of reports.
            pub const ALL: [Self; [$($name),*].len()] = [$(Self::$variant),*];

            /// Name in plans, tables and results.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// Unit of values and limits.
            pub const fn unit(self) -> Unit {
                match self { $(Self::$variant => Unit::$unit,)* }
            }

            /// One line for `list` and for reports.
            pub const fn describe(self) -> &'static str {
                match self { $(Self::$variant => $describe,)* }
            }

            const fn sense(self) -> Sense {
                match self { $(Self::$variant => Sense::$sense,)* }
            }
        }
    };
}

kinds! {
    Pitch, "pitch", Cents, Deviation,
        "deviation from the note asked for";
    Lines, "lines", Decibel, Deviation,
        "largest deviation of a line, harmonic or alias, from its closed form";
    Harmonics, "harmonics", Decibel, Deviation,
        "largest deviation of a harmonic from the Fourier series";
    Aliases, "aliases", Decibel, Level,
        "alias power over harmonic power, 20 Hz to 20 kHz";
    WorstAlias, "worst-alias", Dbc, Level,
        "strongest alias line, 20 Hz to 20 kHz, re the fundamental";
    Audible, "audible", Decibel, Level,
        "loudest alias above the masked threshold (printed criterion)";
    Listening, "listening", Decibel, Level,
        "shortfall against the listening test of Lehtonen et al. 2012";
    Rounding, "rounding", FullScale, Size,
        "largest difference from the exact evaluation";
    Noise, "noise", Decibel, Deviation,
        "rms rounding noise against its prediction";
    Density, "density", Decibel, Deviation,
        "power density against its closed form, per third of an octave";
    CleanNote, "clean-note", Percent, Deviation,
        "highest inaudibly aliasing fundamental against its anchor";
    StageTime, "stage-time", Samples, Deviation,
        "end of a contour stage against the closed form, worst corner";
    TimeConstant, "time-constant", Percent, Deviation,
        "fitted time constant of a contour stage against its setting";
    DecayLine, "decay-line", Decibel, Deviation,
        "deviation of a decay from a straight line in dB, over 100 dB";
    Step, "step", Ratio, Size,
        "steps between samples re the largest of the closed form, 1 at best";
    Onset, "onset", Samples, Size,
        "spread of the onset when events wait for a block of 128 samples";
    Arrival, "arrival", Samples, Deviation,
        "when a glide is within a cent for good, against the closed form";
    Path, "path", Cents, Deviation,
        "largest deviation of a glide from its closed form";
    Rate, "rate", Percent, Deviation,
        "frequency of a low-frequency oscillator against its setting";
    Depth, "depth", Percent, Deviation,
        "depth of a pitch modulation, demodulated, against its setting";
    Law, "law", Cents, Deviation,
        "largest pitch error over every code";
    Scale, "scale", Cents, Deviation,
        "cents per octave of a straight line through every code, less 1200";
    Images, "images", Decibel, Deviation,
        "strongest image of a control updated once per block, against theory";
    Response, "response", Decibel, Deviation,
        "largest deviation of the magnitude response from its closed form";
    Phase, "phase", Degrees, Deviation,
        "largest deviation of the phase response from its closed form";
    Passband, "passband", Decibel, Deviation,
        "gain at 0 Hz against its closed form";
    Cutoff, "cutoff", Cents, Deviation,
        "frequency 3.01 dB below the passband against its closed form";
    Slope, "slope", DecibelsPerOctave, Deviation,
        "steepness over an octave beyond the cutoff against its closed form";
    Peak, "peak", Decibel, Deviation,
        "largest deviation within the resonance from its closed form";
    Quality, "quality", Percent, Deviation,
        "Q of the slowest ringing against its closed form";
    Tracking, "tracking", Cents, Deviation,
        "cutoff over the keyboard against the key it follows";
    Threshold, "threshold", Percent, Deviation,
        "resonance at the edge of self-oscillation against its closed form";
    Oscillation, "oscillation", Cents, Deviation,
        "pitch of the self-oscillation against closed form or reference table";
    OscillationLevel, "oscillation-level", Decibel, Deviation,
        "level and harmonics of the self-oscillation against the reference table";
    Drive, "drive", Decibel, Deviation,
        "fundamental, harmonics and intermodulation against the reference table";
    Intermodulation, "intermodulation", Dbc, Level,
        "third-order products of two tones re the tones";
    Overload, "overload", FullScale, Size,
        "difference from the exact evaluation under its worst full-scale input";
    Stress, "stress", FullScale, Size,
        "largest output while cutoff, resonance and input jump every sample";
    Residue, "residue", FullScale, Size,
        "what a filter still gives long after its input has stopped";
    Settling, "settling", Samples, Deviation,
        "time to settle within 60 dB after a step against the exact evaluation";
    Residual, "residual", Dbfs, Level,
        "difference of a voice from its twin, rms; between ours before the output, with one pitch";
    Stages, "stages", Dbfs, Level,
        "difference that one stage of a twin makes in a voice that is the other twin, rms";
    Lag, "lag", Samples, Size,
        "how far the twins of a voice drift apart in time, worst place";
    Saturation, "saturation", Samples, Size,
        "samples at which any stage of a voice stands at the limit of its format";
    Bending, "bending", Cents, Deviation,
        "pitch of the beginning of a note, while filter and contours move, against the key";
    Beat, "beat", Percent, Deviation,
        "beat rate of two detuned oscillators against their detune";
    Loudness, "loudness", Lkfs, Level,
        "K-weighted loudness of a held note, ITU-R BS.1770";
    Crest, "crest", Decibel, Level,
        "peak over rms of a held note";
    Click, "click", Ratio, Size,
        "largest step right after an event re the largest of the notes held";
    Leakage, "leakage", Decibel, Level,
        "what is left of a note in the next one, re the note itself";
    Silence, "silence", Seconds, Size,
        "from the last key let go to the last sample that is not zero";
    Whisper, "whisper", Dbfs, Level,
        "what a voice still gives long after its release, 20 Hz to 20 kHz";
    Hum, "hum", Dbfs, Level,
        "strongest spectral line that stands out of that";
    Dc, "dc", Dbfs, Level,
        "mean of a held note";
    Distortion, "distortion", Dbc, Level,
        "strongest harmonic of a sine at -60 dBFS behind the output stage";
    Floor, "floor", Dbfs, Level,
        "all but the fundamental of a sine at -60 dBFS, 20 Hz to 20 kHz";
}

impl Kind {
    /// Whether a deviation to either side counts, or only an excess.
    pub const fn two_sided(self) -> bool {
        matches!(self.sense(), Sense::Deviation)
    }

    /// Whether the reading is a size, zero at best, rather than a level in dB.
    pub const fn is_size(self) -> bool {
        !matches!(self.sense(), Sense::Level)
    }

    /// The kind of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}
