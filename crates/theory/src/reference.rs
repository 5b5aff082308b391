//! The works that closed forms and limits cite.

/// How far a citation can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Status {
    /// The text was read.
    Published,
    /// Its abstract or first page was read.
    Abstract,
    /// Derived from first principles; the work is named as the origin of the idea.
    Derived,
    /// Quoted from memory; the text was not read again.
    FromMemory,
    /// A fact of the trade without a single source.
    CommonPractice,
}

/// A work that a limit, a closed form or a table rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Reference {
    /// Short identifier, lower case with hyphens.
    pub id: &'static str,
    /// Authors, title, venue, year, pages.
    pub citation: &'static str,
    /// How far the citation can be trusted.
    pub status: Status,
}

impl std::fmt::Display for Reference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.citation)?;
        match self.status {
            Status::Published => Ok(()),
            Status::Abstract => f.write_str(" (abstract)"),
            Status::Derived => f.write_str(" (derived)"),
            Status::FromMemory => f.write_str(" (from memory)"),
            Status::CommonPractice => f.write_str(" (common practice)"),
        }
    }
}

/// The works themselves.
pub mod references {
    use super::{Reference, Status};

    macro_rules! works {
        ($($name:ident, $id:literal, $status:ident, $citation:literal;)*) => {
            $(
                #[doc = $citation]
                pub const $name: Reference =
                    Reference { id: $id, citation: $citation, status: Status::$status };
            )*
            /// Every work named here.
            pub const ALL: &[Reference] = &[$($name),*];
        };
    }

    works! {
        CORRECTED_LINES, "corrected-lines", Derived,
            "Every line of a waveform whose steps are smoothed by n boxes is the Fourier coefficient times sinc^n(k f0/fs)";
        DIFFERENTIATED_POLYNOMIALS, "valimaki-2010", Abstract,
            "Välimäki, Nam, Smith, Abel, Alias-suppressed oscillators based on differentiated polynomial waveforms, IEEE TASLP 18(4):786-798, 2010";
        INTEGRATED_INTERPOLATION, "valimaki-2012", Abstract,
            "Välimäki, Pekonen, Nam, Perceptually informed synthesis of bandlimited classical waveforms using integrated polynomial interpolation, JASA 131(1 pt 2):974-986, 2012";
        FRACTIONAL_DELAY_OSCILLATORS, "nam-2010", Abstract,
            "Nam, Välimäki, Abel, Smith, Efficient antialiasing oscillator algorithms using low-order fractional delay filters, IEEE TASLP 18(4):773-785, 2010";
        ALIAS_AUDIBILITY, "lehtonen-2012", Abstract,
            "Lehtonen, Pekonen, Välimäki, Audibility of aliasing distortion in sawtooth signals and its implications for oscillator algorithm design, JASA 132(4):2721-2733, 2012";
        TRANSITION_REGIONS, "kleimola-2012", Published,
            "Kleimola, Välimäki, Reducing aliasing from synthetic audio signals using polynomial transition regions, IEEE Signal Processing Letters 19(2):67-70, 2012";
        SLOPE_CORRECTION, "esqueda-2016", FromMemory,
            "Esqueda, Välimäki, Bilbao, Rounding corners with BLAMP, DAFx-16, pp. 121-128, 2016";
        HARD_SYNC, "brandt-2001", FromMemory,
            "Brandt, Hard sync without aliasing, ICMC 2001";
        TABLE_LOOKUP, "moore-1977", FromMemory,
            "Moore, Table lookup noise for sinusoidal digital oscillators, Computer Music Journal 1(2):26-29, 1977";
        PINK_NOISE, "gardner-1978", FromMemory,
            "Gardner, Mathematical games: white and brown music, fractal curves and one-over-f fluctuations, Scientific American 238(4), 1978";
        FREQUENCY_MODULATION, "chowning-1973", FromMemory,
            "Chowning, The synthesis of complex audio spectra by means of frequency modulation, JAES 21(7), 1973";
        BESSEL_TABLES, "abramowitz-1964", FromMemory,
            "Abramowitz, Stegun, Handbook of Mathematical Functions, Tables 9.1-9.4, 1964";
        EQUAL_TEMPERAMENT, "iso-16", FromMemory,
            "ISO 16:1975, standard tuning frequency: A4 = 440 Hz";
        CENT, "ellis-1885", FromMemory,
            "Ellis, On the musical scales of various nations, Journal of the Society of Arts 33, 1885";
        WINDOWS_HARRIS, "harris-1978", FromMemory,
            "Harris, On the use of windows for harmonic analysis with the discrete Fourier transform, Proc. IEEE 66(1):51-83, 1978";
        WINDOWS_NUTTALL, "nuttall-1981", FromMemory,
            "Nuttall, Some windows with very good sidelobe behavior, IEEE TASSP 29(1):84-91, 1981";
        WINDOWS_HEINZEL, "heinzel-2002", Published,
            "Heinzel, Rüdiger, Schilling, Spectrum and spectral density estimation by the discrete Fourier transform, AEI report, 15 Feb 2002";
        EXPONENTIAL_CHARGE, "exponential-charge", Derived,
            "Solution of y' = (target - y)/tau, sampled: the distance from the target falls by exp(-1/(tau fs)) per sample";
        OVERSHOOT_ATTACK, "chamberlin-1985", FromMemory,
            "Chamberlin, Musical Applications of Microprocessors, 2nd ed., 1985: attacks charge toward a target above the level at which they end";
        TEMPORAL_ACUITY, "hirsh-1959", Abstract,
            "Hirsh, Auditory perception of temporal order, JASA 31:759-767, 1959, as summarised by Watson, Seminars in Hearing 25(3):219-227, 2004";
        ONSET_JITTER, "friberg-1995", Abstract,
            "Friberg, Sundberg, Time discrimination in a monotonic, isochronous sequence, JASA 98(5):2524-2531, 1995";
        DEAD_BAND, "jackson-1969", FromMemory,
            "Jackson, An analysis of limit cycles due to multiplication rounding in recursive digital filters, Allerton Conference, 1969";
        COMPUTER_APPROXIMATIONS, "hart-1968", FromMemory,
            "Hart et al., Computer Approximations, 1968";
        VOLT_PER_OCTAVE, "volt-per-octave", CommonPractice,
            "1 V per octave: f = f_ref 2^V, 1.2 cents per millivolt";
        BEND_CODES, "midi-bend", FromMemory,
            "MIDI 1.0 Detailed Specification: pitch bend of 14 bits, 8192 in the middle";
        THERMAL_VOLTAGE, "si-2019", FromMemory,
            "SI Brochure, 9th ed., 2019: Boltzmann constant and elementary charge are exact; a junction takes (kT/q) ln 2 per octave";
        HOLD_IMAGES, "update-images", Derived,
            "Values held for R samples repeat their spectrum at multiples of fs/R, shaped by sin(pi f R/fs)/(R sin(pi f/fs))";
        BLOCK_ONSETS, "block-onsets", Derived,
            "An event taken where the next block of B samples begins waits 0 to B-1 samples, all alike: mean (B-1)/2, variance (B^2-1)/12";
        DEFINITIONS, "definitions", Derived,
            "By definition: the formula stands at the head of the module";
        LADDER_LINEAR, "stilson-1996", Derived,
            "Stilson, Smith, ICMC 1996, pp. 398-401: the linear four-pole ladder and its digital forms";
        LADDER_NONLINEAR, "huovilainen-2004", FromMemory,
            "Huovilainen, DAFx-04, pp. 61-64, 2004: the ladder with a saturating difference pair in every stage";
        LADDER_COMPENSATED, "valimaki-2006", FromMemory,
            "Välimäki, Huovilainen, Oscillator and filter algorithms for virtual analog synthesis, Computer Music Journal 30(2):19-31, 2006";
        TRAPEZOIDAL_FILTERS, "zavalishin-2012", FromMemory,
            "Zavalishin, The Art of VA Filter Design, 2012";
        TWO_INTEGRATOR_LOOP, "chamberlin-1980", FromMemory,
            "Chamberlin, Musical Applications of Microprocessors, 1980";
        FILTER_TABLES, "zverev-1967", FromMemory,
            "Zverev, Handbook of Filter Synthesis, 1967";
        FILTER_NOISE, "horvath-2019", Abstract,
            "Horváth, Bank, JAES 67(10):763-771, 2019: noise of second-order structures at low pole frequencies";
        SYNCHRONISED_SWEEP, "novak-2015", Published,
            "Novak, Lotton, Simon, Synchronized swept-sine: theory, application, and implementation, JAES 63(10):786-798, 2015";
        ROUNDING_NOISE, "oppenheim-schafer", CommonPractice,
            "Oppenheim, Schafer, Discrete-Time Signal Processing: rounding to a grid of spacing D adds noise of variance D^2/12";
        ROUNDED_SINE, "blachman-1985", FromMemory,
            "Blachman, The intermodulation and distortion due to quantization of sinusoids, IEEE Trans. ASSP 33(6):1417-1426, 1985";
        DITHER, "lipshitz-1992", FromMemory,
            "Lipshitz, Wannamaker, Vanderkooy, Quantization and dither: a theoretical survey, J. Audio Eng. Soc. 40(5):355-375, 1992";
        LOUDNESS, "bs-1770", FromMemory,
            "Recommendation ITU-R BS.1770-4, Algorithms to measure audio programme loudness and true-peak audio level, 2015";
        QUANTISED_SPECTRA, "bennett-1948", FromMemory,
            "Bennett, Spectra of quantized signals, Bell Syst. Tech. J. 27:446-472, 1948";
    }
}
