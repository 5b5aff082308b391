//! Which alias can be heard: threshold in quiet and masking by the harmonics.
//!
//! Model as used with Välimäki, Nam, Smith, Abel, IEEE TASLP 18(4):786-798, 2010, and
//! Välimäki, Pekonen, Nam, JASA 131(1):974-986, 2012: threshold in quiet and spreading
//! after Terhardt, Hearing Research 1:155-182, 1979 (constants from memory). Reference level and
//! masking offset were set so that the highest clean notes of those two papers come out, hence
//! meeting them proves nothing; and a few dB more or less move such notes far. Every figure goes
//! with its [`Criterion`].

use std::fmt;

/// One line of a spectrum, as the ear gets it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Component {
    /// Frequency, in Hz.
    pub hz: f64,
    /// Amplitude, full scale = 1.0.
    pub amplitude: f64,
    /// True for a harmonic, which masks; false for an alias, which must stay unheard.
    pub is_harmonic: bool,
}

/// The audible line that stands out most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Audible {
    /// Level over the threshold, in dB; negative is the margin of the worst line.
    pub excess_db: f64,
    /// The alias that reaches it.
    pub line: Component,
}

/// Parameters of the masking model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Criterion {
    /// Sound pressure level of a sine of amplitude 1.0, in dB.
    pub full_scale_spl_db: f64,
    /// How far below its masker a mask starts, in dB.
    pub offset_db: f64,
    /// Slope of a mask towards lower frequencies, in dB per Bark.
    pub lower_slope_db: f64,
    /// Lines above this are not heard, in Hz.
    pub top_hz: f64,
}

impl Default for Criterion {
    /// 96 dB SPL for full scale (one 16-bit step near 0 dB), offset 10 dB, 27 dB/Bark,
    /// nothing heard above 20 kHz.
    fn default() -> Self {
        Self { full_scale_spl_db: 96.0, offset_db: 10.0, lower_slope_db: 27.0, top_hz: 20_000.0 }
    }
}

impl fmt::Display for Criterion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "masking model, full-scale sine = {} dB SPL, masks {} dB under their harmonic, \
             slopes {} dB/Bark down and 24 + 230/f - 0.2 L dB/Bark up, lines to {} Hz",
            self.full_scale_spl_db, self.offset_db, self.lower_slope_db, self.top_hz
        )
    }
}

/// Below the least threshold in quiet at any frequency (-4.98 dB near 3.4 kHz).
const LEAST_QUIET_DB: f64 = -5.0;

/// Threshold in quiet at `hz`, in dB SPL.
#[must_use]
pub fn quiet_threshold_db(hz: f64) -> f64 {
    let f = hz / 1000.0;
    3.64 * f.powf(-0.8) - 6.5 * (-0.6 * (f - 3.3).powi(2)).exp() + 1e-3 * f.powi(4)
}

/// Critical-band rate of `hz`, in Bark.
#[must_use]
pub fn bark(hz: f64) -> f64 {
    13.0 * (0.76e-3 * hz).atan() + 3.5 * (hz / 7500.0).powi(2).atan()
}

/// Maskers of one spectrum. Buffers are kept, so reuse one per worker.
#[derive(Clone, Debug, Default)]
pub struct Listener {
    criterion: Criterion,
    maskers: Vec<Masker>,
    suspects: Vec<(f64, Component)>,
}

#[derive(Clone, Copy, Debug)]
struct Masker {
    bark: f64,
    peak_db: f64,
    upper_slope_db: f64,
}

impl Listener {
    /// A listener with the given criterion.
    #[must_use]
    pub fn new(criterion: Criterion) -> Self {
        Self { criterion, ..Self::default() }
    }

    /// The criterion in force.
    #[must_use]
    pub const fn criterion(&self) -> Criterion {
        self.criterion
    }

    /// The alias that stands out most over the greater of the threshold in quiet and
    /// every mask. `None` without an alias in the band. Lines at 0 Hz, above the top or
    /// of no amplitude are not heard.
    pub fn worst(&mut self, lines: impl IntoIterator<Item = Component>) -> Option<Audible> {
        let c = self.criterion;
        self.maskers.clear();
        self.suspects.clear();
        for line in lines {
            if line.hz <= 0.0 || line.hz > c.top_hz || line.amplitude <= 0.0 {
                continue;
            }
            let level_db = c.full_scale_spl_db + crate::db(line.amplitude);
            if line.is_harmonic {
                self.maskers.push(Masker {
                    bark: bark(line.hz),
                    peak_db: level_db - c.offset_db,
                    upper_slope_db: 24.0 + 230.0 / line.hz - 0.2 * level_db,
                });
            } else {
                self.suspects.push((level_db, line));
            }
        }
        // In descending order of level the search ends as soon as no line left could
        // beat the worst so far even at the ear's most sensitive frequency.
        self.suspects.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
        let mut worst: Option<Audible> = None;
        for &(level_db, line) in &self.suspects {
            let so_far = worst.map_or(f64::NEG_INFINITY, |w| w.excess_db);
            if level_db - LEAST_QUIET_DB <= so_far {
                break;
            }
            let mut excess_db = level_db - quiet_threshold_db(line.hz);
            // Masks can only lower it.
            if excess_db > so_far {
                excess_db = excess_db.min(level_db - self.mask_db(bark(line.hz)));
            }
            if excess_db > so_far {
                worst = Some(Audible { excess_db, line });
            }
        }
        worst
    }

    fn mask_db(&self, at: f64) -> f64 {
        self.maskers
            .iter()
            .map(|m| {
                let up = at - m.bark;
                let slope =
                    if up < 0.0 { -self.criterion.lower_slope_db } else { m.upper_slope_db };
                m.peak_db - slope * up
            })
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// The first of `f0_hz`, in the order given, at which an alias is heard. Failures can
    /// be less than 1 Hz wide: a finer grid may find one further down.
    pub fn first_audible_hz<L: IntoIterator<Item = Component>>(
        &mut self,
        f0_hz: impl IntoIterator<Item = f64>,
        mut lines: impl FnMut(f64) -> L,
    ) -> Option<(f64, Audible)> {
        f0_hz.into_iter().find_map(|f0| {
            self.worst(lines(f0)).filter(|worst| worst.excess_db > 0.0).map(|worst| (f0, worst))
        })
    }
}
