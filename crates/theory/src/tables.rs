//! The tables under `reference-tables/`, compiled in and parsed on demand.
//!
//! Each table was made outside this workspace's code by its `make.py`; its `PROVENANCE.toml` states
//! tools, digits and uncertainty. `tests/suite/theory/tables.rs` checks the hashes and holds the
//! closed forms of this crate against every row.

use std::str::FromStr;

/// A row that does not parse.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("reference-tables/{table}/values.csv, line {line}: cannot read \"{text}\"")]
pub struct TableError {
    /// Folder of the table.
    pub table: &'static str,
    /// Line, from 1.
    pub line: usize,
    /// The row.
    pub text: &'static str,
}

struct Table {
    id: &'static str,
    csv: &'static str,
}

macro_rules! table {
    ($id:literal) => {
        Table {
            id: $id,
            csv: include_str!(concat!("../../../reference-tables/", $id, "/values.csv")),
        }
    };
}

const ATTACK_RATIOS: Table = table!("attack-ratios");
const BEND_CURVES: Table = table!("bend-curves");
const BESSEL: Table = table!("bessel");
const BESSEL_POLES: Table = table!("bessel-poles");
const BUTTERWORTH_POLES: Table = table!("butterworth-poles");
const CORRECTED_RAMP_LINES: Table = table!("corrected-ramp-lines");
const EQUAL_TEMPERAMENT: Table = table!("equal-temperament");
const EXP2_MINIMAX: Table = table!("exp2-minimax");
const GLIDE_TIMES: Table = table!("glide-times");
const HALFBAND: Table = table!("halfband");
const HOLD_IMAGES: Table = table!("hold-images");
const MODULATION_INDEX: Table = table!("modulation-index");
const RC_FACTS: Table = table!("rc-facts");
const LADDER_DRIVE: Table = table!("ladder-drive");
const LADDER_LIMIT_CYCLE: Table = table!("ladder-limit-cycle");
const LADDER_RESPONSE: Table = table!("ladder-response");
const NOISE_GAINS: Table = table!("noise-gains");
const QUANTIZER_HARMONICS: Table = table!("quantizer-harmonics");
const SINE_MINIMAX: Table = table!("sine-minimax");
const WINDOWS: Table = table!("windows");

/// Folders of all tables.
pub const IDS: &[&str] = &[
    ATTACK_RATIOS.id,
    BEND_CURVES.id,
    BESSEL.id,
    BESSEL_POLES.id,
    BUTTERWORTH_POLES.id,
    CORRECTED_RAMP_LINES.id,
    EQUAL_TEMPERAMENT.id,
    EXP2_MINIMAX.id,
    GLIDE_TIMES.id,
    HALFBAND.id,
    HOLD_IMAGES.id,
    MODULATION_INDEX.id,
    RC_FACTS.id,
    LADDER_DRIVE.id,
    LADDER_LIMIT_CYCLE.id,
    LADDER_RESPONSE.id,
    NOISE_GAINS.id,
    QUANTIZER_HARMONICS.id,
    SINE_MINIMAX.id,
    WINDOWS.id,
];

impl Table {
    /// Every row after the header through `read`, which sees the fields.
    fn rows<T>(&self, read: impl Fn(&mut Fields) -> Option<T>) -> Result<Vec<T>, TableError> {
        let rows = self.csv.lines().enumerate().skip(1);
        rows.map(|(index, text)| {
            let mut fields = Fields(text.split(','));
            read(&mut fields).filter(|_| fields.0.next().is_none()).ok_or(TableError {
                table: self.id,
                line: index + 1,
                text,
            })
        })
        .collect()
    }
}

struct Fields(std::str::Split<'static, char>);

impl Fields {
    fn text(&mut self) -> Option<&'static str> {
        self.0.next()
    }

    fn number<T: FromStr>(&mut self) -> Option<T> {
        self.text()?.parse().ok()
    }
}

/// Frequencies in hertz of keys 0..=127, A4 = 440 Hz, 20 digits.
///
/// # Errors
/// A damaged table.
pub fn key_frequencies_hz() -> Result<Vec<f64>, TableError> {
    EQUAL_TEMPERAMENT.rows(|f| {
        f.number::<u32>()?;
        f.number()
    })
}

/// `J_order(beta)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BesselRow {
    /// Order.
    pub order: i32,
    /// Argument.
    pub beta: f64,
    /// Value, 15 digits.
    pub value: f64,
}

/// `J_0` to `J_10` at arguments from 0.01 to 20.
///
/// # Errors
/// A damaged table.
pub fn bessel() -> Result<Vec<BesselRow>, TableError> {
    BESSEL.rows(|f| Some(BesselRow { order: f.number()?, beta: f.number()?, value: f.number()? }))
}

/// Samples in the record of [`corrected_ramp_lines`].
pub const CORRECTED_RAMP_SAMPLES: u64 = 1024;
/// Periods in the record of [`corrected_ramp_lines`].
pub const CORRECTED_RAMP_PERIODS: u64 = 137;
/// Phase of its first sample in cycles. The samples lag the phase by `n / 2`.
pub const CORRECTED_RAMP_START_CYCLES: f64 = 0.3;

/// Amplitudes of orders 1..=511 of a ramp of swing +-1 smoothed by 1 to 5 boxes of one sample.
/// Element `[k - 1][n - 1]` is order `k` after `n` boxes.
///
/// # Errors
/// A damaged table.
pub fn corrected_ramp_lines() -> Result<Vec<[f64; 5]>, TableError> {
    CORRECTED_RAMP_LINES.rows(|f| {
        f.number::<u32>()?;
        Some([f.number()?, f.number()?, f.number()?, f.number()?, f.number()?])
    })
}

/// Figures of a window for long records.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WindowRow {
    /// Name, as in [`crate::windows`].
    pub name: &'static str,
    /// Mean re peak.
    pub coherent_gain: f64,
    /// Equivalent noise bandwidth in bins.
    pub noise_bandwidth_bins: f64,
    /// Deviation of largest magnitude within half a bin, decibels.
    pub deviation_db: f64,
    /// Highest sidelobe, decibels.
    pub sidelobe_db: f64,
    /// Frequency variance of the windowed peak re the Cramér-Rao bound.
    pub frequency_variance: f64,
}

/// Figures of every window in [`crate::windows::ALL`], in the same order.
///
/// # Errors
/// A damaged table.
pub fn windows() -> Result<Vec<WindowRow>, TableError> {
    WINDOWS.rows(|f| {
        Some(WindowRow {
            name: f.text()?,
            coherent_gain: f.number()?,
            noise_bandwidth_bins: f.number()?,
            deviation_db: f.number()?,
            sidelobe_db: f.number()?,
            frequency_variance: f.number()?,
        })
    })
}

/// A polynomial with its largest error.
#[derive(Debug, Clone, PartialEq)]
pub struct Minimax {
    /// Coefficients in the order of rising powers that the function states.
    pub coefficients: Vec<f64>,
    /// Largest error over the interval.
    pub error: f64,
}

impl Minimax {
    fn from_rows(mut values: Vec<f64>) -> Option<Self> {
        let error = values.pop()?;
        Some(Self { coefficients: values, error })
    }
}

/// `sin(pi x / 2)` on [-1, 1] as `x, x^3, ..., x^9`; absolute error.
///
/// # Errors
/// A damaged table.
pub fn sine_minimax() -> Result<Minimax, TableError> {
    let values = SINE_MINIMAX.rows(|f| {
        f.text()?;
        f.number()
    })?;
    let empty = TableError { table: SINE_MINIMAX.id, line: 1, text: SINE_MINIMAX.csv };
    Minimax::from_rows(values).ok_or(empty)
}

/// `2^x` on [0, 1] as `1, x, x^2, ...`; relative error. `None` for a degree outside 1..=7.
///
/// # Errors
/// A damaged table.
pub fn exp2_minimax(degree: u32) -> Result<Option<Minimax>, TableError> {
    let rows = EXP2_MINIMAX.rows(|f| {
        let row_degree: u32 = f.number()?;
        f.text()?;
        Some((row_degree, f.number()?))
    })?;
    Ok(Minimax::from_rows(rows.into_iter().filter(|r| r.0 == degree).map(|r| r.1).collect()))
}

/// A fact of exponential charge, as in [`crate::rc`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RcFact {
    /// `charged`, `db-per-tau`, `taus-to-db`, `rise`, `coefficient` or `realised-tau`.
    pub name: &'static str,
    /// Argument: time constants, decibels, share of the rise, or time constants in samples.
    pub argument: f64,
    /// Value, 20 digits.
    pub value: f64,
}

/// Facts of exponential charge and of its coefficient.
///
/// # Errors
/// A damaged table.
pub fn rc_facts() -> Result<Vec<RcFact>, TableError> {
    RC_FACTS.rows(|f| Some(RcFact { name: f.text()?, argument: f.number()?, value: f.number()? }))
}

/// `(overshoot, time constants)` of an attack from 0 to 1, 20 digits.
///
/// # Errors
/// A damaged table.
pub fn attack_ratios() -> Result<Vec<(f64, f64)>, TableError> {
    ATTACK_RATIOS.rows(|f| Some((f.number()?, f.number()?)))
}

/// `(bend, position, share of the way)` of a bent stage, 20 digits.
///
/// # Errors
/// A damaged table.
pub fn bend_curves() -> Result<Vec<(f64, f64, f64)>, TableError> {
    BEND_CURVES.rows(|f| Some((f.number()?, f.number()?, f.number()?)))
}

/// `(interval in cents, distance in cents, time constants)` of exponential glides, 20 digits.
///
/// # Errors
/// A damaged table.
pub fn glide_times() -> Result<Vec<(f64, f64, f64)>, TableError> {
    GLIDE_TIMES.rows(|f| Some((f.number()?, f.number()?, f.number()?)))
}

/// `(depth in octaves, n, ratio)`: mean (`n` 0) of `2^(depth sin t)`, and its amplitude at `n`
/// times the rate, 20 digits.
///
/// # Errors
/// A damaged table.
pub fn modulation_index() -> Result<Vec<(f64, u32, f64)>, TableError> {
    MODULATION_INDEX.rows(|f| Some((f.number()?, f.number()?, f.number()?)))
}

/// Periods of the control in the record of [`hold_images`].
pub const HOLD_IMAGE_PERIODS: u32 = 3;
/// Coefficient of the one-pole of its rows `smoothed`.
pub const HOLD_IMAGE_COEFFICIENT: f64 = 0.05;

/// An image of a control that is updated every few samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldImageRow {
    /// Samples from update to update.
    pub every: u32,
    /// Updates in the record.
    pub updates: u32,
    /// `held`, `interpolated` or `smoothed`.
    pub fill: &'static str,
    /// Multiple of the update rate.
    pub order: u32,
    /// `below` or `above` that multiple.
    pub side: &'static str,
    /// Amplitude re the line of the control, 13 digits, 2e-15 absolute.
    pub ratio: f64,
}

/// Images of a held, an interpolated and a smoothed control.
///
/// # Errors
/// A damaged table.
pub fn hold_images() -> Result<Vec<HoldImageRow>, TableError> {
    HOLD_IMAGES.rows(|f| {
        Some(HoldImageRow {
            every: f.number()?,
            updates: f.number()?,
            fill: f.text()?,
            order: f.number()?,
            side: f.text()?,
            ratio: f.number()?,
        })
    })
}

/// Taps of a half-band low-pass to one side, at odd distances 1, 3, 5, ... from its middle, 16
/// digits; `filter` is `outer` or `inner`, and any other name has none.
///
/// # Errors
/// A damaged table.
pub fn half_band(filter: &str) -> Result<Vec<f64>, TableError> {
    let rows =
        HALFBAND.rows(|f| Some((f.text()?, f.text()?.starts_with('h'), f.number::<f64>()?)))?;
    Ok(rows.into_iter().filter(|row| row.0 == filter && row.1).map(|row| row.2).collect())
}

/// A pole of an analogue low-pass, imaginary part zero or positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoleRow {
    /// Order of the low-pass.
    pub order: u32,
    /// Pair from 1, least damped first; the real pole of an odd order comes last.
    pub pair: u32,
    /// The pole, in multiples of the half-power frequency.
    pub pole: crate::Complex64,
}

impl PoleRow {
    /// Frequency of the section over the half-power frequency.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        self.pole.norm()
    }

    /// Q of the section; 1/2 for a real pole, which is a section of first order.
    #[must_use]
    pub fn quality(&self) -> f64 {
        -0.5 * self.pole.norm() / self.pole.re
    }
}

fn pole_row(f: &mut Fields) -> Option<PoleRow> {
    let (order, pair) = (f.number()?, f.number()?);
    Some(PoleRow { order, pair, pole: crate::Complex64::new(f.number()?, f.number()?) })
}

/// Poles of Butterworth low-passes of order 1 to 10.
///
/// # Errors
/// A damaged table.
pub fn butterworth_poles() -> Result<Vec<PoleRow>, TableError> {
    BUTTERWORTH_POLES.rows(pole_row)
}

/// Poles of Bessel low-passes of order 1 to 10, 3.01 dB down at 1.
///
/// # Errors
/// A damaged table.
pub fn bessel_poles() -> Result<Vec<PoleRow>, TableError> {
    BESSEL_POLES.rows(pole_row)
}

/// One figure of the linear ladder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LadderRow {
    /// Feedback.
    pub k: f64,
    /// `dc_db`, `peak_ratio`, `peak_db`, `pole_ratio`, `quality`, `half_power_ratio`,
    /// `magnitude_db` or `phase_rad`.
    pub figure: &'static str,
    /// Frequency over pole frequency for the last two, else 0.
    pub ratio: f64,
    /// The value, 20 digits.
    pub value: f64,
}

/// Figures and responses of the linear ladder.
///
/// # Errors
/// A damaged table.
pub fn ladder_response() -> Result<Vec<LadderRow>, TableError> {
    LADDER_RESPONSE.rows(|f| {
        Some(LadderRow {
            k: f.number()?,
            figure: f.text()?,
            ratio: f.number()?,
            value: f.number()?,
        })
    })
}

/// Self-oscillation of a saturating ladder, at the output of its fourth stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitCycleRow {
    /// `single`: `tanh` at the summing node. `every`: `tanh` in every stage.
    pub model: &'static str,
    /// Feedback.
    pub k: f64,
    /// Frequency over pole frequency.
    pub frequency_ratio: f64,
    /// Amplitude of the fundamental in units of the stage's input range.
    pub amplitude: f64,
    /// Third harmonic re fundamental, decibels.
    pub third_dbc: f64,
    /// Fifth harmonic re fundamental, decibels.
    pub fifth_dbc: f64,
}

/// Self-oscillation of the saturating ladder for `k` from 4.05 to 8.
///
/// # Errors
/// A damaged table.
pub fn ladder_limit_cycles() -> Result<Vec<LimitCycleRow>, TableError> {
    LADDER_LIMIT_CYCLE.rows(|f| {
        Some(LimitCycleRow {
            model: f.text()?,
            k: f.number()?,
            frequency_ratio: f.number()?,
            amplitude: f.number()?,
            third_dbc: f.number()?,
            fifth_dbc: f.number()?,
        })
    })
}

/// Steady state of the saturating ladder under one or two sines, at the output of its fourth stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LadderDriveRow {
    /// Sines at the input: one of [`Self::ratio`], or two of 9 and 11 times that.
    pub tones: u32,
    /// Frequency over pole frequency that the orders of the lines are multiples of.
    pub ratio: f64,
    /// Amplitude of each sine in units of the stage's input range.
    pub amplitude: f64,
    /// Feedback.
    pub k: f64,
    /// 0: the differential equation. Else the pole frequency in cycles per sample of the prewarped
    /// trapezoidal rule.
    pub step: f64,
    /// Levels re `amplitude`, decibels, in the order of [`Self::orders`]; 1e-6 dB or 5e-16.
    pub level_db: [f64; 4],
    /// Phases as sines, the input's being 0, radians.
    pub phase_rad: [f64; 4],
}

impl LadderDriveRow {
    /// Orders of the four lines. Of two tones the middle ones, between `2 low - high` and
    /// `2 high - low`.
    #[must_use]
    pub const fn orders(&self) -> [u32; 4] {
        if self.tones == 1 { [1, 3, 5, 7] } else { [7, 9, 11, 13] }
    }

    /// Level of one line re another, decibels, both by place in [`Self::orders`].
    #[must_use]
    pub fn dbc(&self, line: usize, tone: usize) -> f64 {
        self.level_db[line] - self.level_db[tone]
    }
}

/// The saturating ladder under one and two sines, `tanh` in every stage: harmonics and third-order
/// intermodulation.
///
/// # Errors
/// A damaged table.
pub fn ladder_drive() -> Result<Vec<LadderDriveRow>, TableError> {
    let four = |f: &mut Fields| Some([f.number()?, f.number()?, f.number()?, f.number()?]);
    LADDER_DRIVE.rows(|f| {
        Some(LadderDriveRow {
            tones: f.number()?,
            ratio: f.number()?,
            amplitude: f.number()?,
            k: f.number()?,
            step: f.number()?,
            level_db: four(f)?,
            phase_rad: four(f)?,
        })
    })
}

/// Gain of rounding noise to a low-pass output at 48 kHz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseGainRow {
    /// Cutoff in hertz.
    pub fc_hz: f64,
    /// Q.
    pub quality: f64,
    /// `direct`, `coupled`, `trapezoidal` or `classic`.
    pub structure: &'static str,
    /// Decibels re one source.
    pub gain_db: f64,
}

/// Noise gains of four structures.
///
/// # Errors
/// A damaged table.
pub fn noise_gains() -> Result<Vec<NoiseGainRow>, TableError> {
    NOISE_GAINS.rows(|f| {
        Some(NoiseGainRow {
            fc_hz: f.number()?,
            quality: f.number()?,
            structure: f.text()?,
            gain_db: f.number()?,
        })
    })
}

/// A figure of a sine that is rounded to whole steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuantizerRow {
    /// Amplitude of the sine, steps.
    pub amplitude: f64,
    /// Harmonic; 0 for the mean square of the error.
    pub order: u32,
    /// Amplitude of the harmonic in steps, or the mean square in squared steps; 20 digits.
    pub value: f64,
}

/// Harmonics and error power of rounded sines of 0.4 to 32.768 steps.
///
/// # Errors
/// A damaged table.
pub fn quantizer_harmonics() -> Result<Vec<QuantizerRow>, TableError> {
    QUANTIZER_HARMONICS.rows(|f| {
        Some(QuantizerRow { amplitude: f.number()?, order: f.number()?, value: f.number()? })
    })
}
