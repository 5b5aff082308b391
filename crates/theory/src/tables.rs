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

const BESSEL: Table = table!("bessel");
const CORRECTED_RAMP_LINES: Table = table!("corrected-ramp-lines");
const EQUAL_TEMPERAMENT: Table = table!("equal-temperament");
const EXP2_MINIMAX: Table = table!("exp2-minimax");
const SINE_MINIMAX: Table = table!("sine-minimax");
const WINDOWS: Table = table!("windows");

/// Folders of all tables.
pub const IDS: &[&str] = &[
    BESSEL.id,
    CORRECTED_RAMP_LINES.id,
    EQUAL_TEMPERAMENT.id,
    EXP2_MINIMAX.id,
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
