//! Error of a pitch law over its codes: what a table, a converter or a polynomial does to the
//! interval asked for.
//!
//! Intervals are in octaves from any one origin (A4 where nothing else is said), errors in
//! cents, got less asked. A code is a place in the list.
//!
//! Floor: the rounding of the octaves themselves, 1e-12 cents at ten octaves.

use crate::reading::{Obstacle, Reading, Unit};
use crate::straight_line::{Farthest, StraightLine};

/// The error at one code.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtCode {
    /// Place in the list, from 0.
    pub code: usize,
    /// Interval asked for there.
    pub octaves: f64,
    /// Error there.
    pub cents: f64,
}

/// One trace of errors in few figures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// The largest error.
    pub worst: AtCode,
    /// All errors, rms, in cents.
    pub rms_cents: f64,
    /// Error of the fitted line at 0 octaves, in cents.
    pub offset: Reading,
    /// Slope of the fitted line, in cents per octave.
    pub scale: Reading,
    /// Coefficient of the squared octaves, orthogonal to offset and scale.
    pub curvature: Reading,
    /// What offset, scale and curvature leave, rms, in cents.
    pub residual_rms_cents: f64,
    /// The largest of what they leave: a single wrong code shows here.
    pub worst_residual: AtCode,
}

/// Sizes of the steps from code to code.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steps {
    /// Code below the worst step.
    pub worst_code: usize,
    /// Differential nonlinearity: the worst step over the step asked for, less 1.
    pub worst: f64,
    /// The worst step less the step asked for, in cents.
    pub worst_cents: f64,
    /// Steps that go the wrong way, and the code below the first.
    pub backward: usize,
    /// Code below the first step that goes the wrong way.
    pub first_backward: Option<usize>,
    /// Steps that stand still.
    pub still: usize,
    /// Code below the first step that stands still.
    pub first_still: Option<usize>,
}

impl Steps {
    /// True if every step goes the way asked for.
    #[must_use]
    pub const fn monotonic(&self) -> bool {
        self.backward == 0 && self.still == 0
    }
}

/// A pitch law read over all its codes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Law {
    /// The errors.
    pub error: Summary,
    /// The steps.
    pub steps: Steps,
}

impl Law {
    /// Reads a law from `(octaves asked, octaves got)` by rising code.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 4 codes; [`Obstacle::NotFinite`] with the code;
    /// [`Obstacle::OutOfRange`] where the octaves asked do not rise.
    pub fn of(pairs: &[(f64, f64)]) -> Result<Self, Obstacle> {
        let asked: Vec<f64> = pairs.iter().map(|p| p.0).collect();
        let cents: Vec<f64> = pairs.iter().map(|p| 1200.0 * (p.1 - p.0)).collect();
        Self::of_errors(&asked, &cents)
    }

    /// Reads a law from the octaves asked and the error in cents, by rising code.
    ///
    /// # Errors
    /// See [`Law::of`]; [`Obstacle::WrongLength`] if the two differ in length.
    pub fn of_errors(asked_octaves: &[f64], cents: &[f64]) -> Result<Self, Obstacle> {
        let error = Summary::of(asked_octaves, cents)?;
        Ok(Self { error, steps: steps(asked_octaves, cents)? })
    }
}

impl Summary {
    /// Summarises errors in cents over the octaves asked.
    ///
    /// # Errors
    /// [`Obstacle::WrongLength`] if the two differ in length; [`Obstacle::TooShort`] below 4
    /// codes; [`Obstacle::NotFinite`]; [`Obstacle::Constant`] if fewer than three intervals
    /// are asked for.
    pub fn of(asked_octaves: &[f64], cents: &[f64]) -> Result<Self, Obstacle> {
        if asked_octaves.len() != cents.len() {
            return Err(Obstacle::WrongLength { have: cents.len(), need: asked_octaves.len() });
        }
        let points = || asked_octaves.iter().copied().zip(cents.iter().copied());
        let line = StraightLine::through(points())?;
        let largest = |law: &dyn Fn(f64) -> f64| {
            points()
                .enumerate()
                .map(|(index, (x, y))| Farthest { index, x, residual: y - law(x) })
                .reduce(|a, b| if b.residual.abs() > a.residual.abs() { b } else { a })
                .map(|f| AtCode { code: f.index, octaves: f.x, cents: f.residual })
                .ok_or(Obstacle::TooShort { have: 0, need: 4 })
        };
        let mean_square = |law: &dyn Fn(f64) -> f64| {
            points().map(|(x, y)| (y - law(x)).powi(2)).sum::<f64>() / cents.len() as f64
        };
        let bent = |x: f64| line.bent_at(x);
        Ok(Self {
            worst: largest(&|_| 0.0)?,
            rms_cents: mean_square(&|_| 0.0).sqrt(),
            offset: line.offset.reading(Unit::Cents),
            scale: line.slope.reading(Unit::CentsPerOctave),
            curvature: line.curvature.reading(Unit::CentsPerSquareOctave),
            residual_rms_cents: mean_square(&bent).sqrt(),
            worst_residual: largest(&bent)?,
        })
    }
}

fn steps(asked: &[f64], cents: &[f64]) -> Result<Steps, Obstacle> {
    let mut found = Steps {
        worst_code: 0,
        worst: 0.0,
        worst_cents: 0.0,
        backward: 0,
        first_backward: None,
        still: 0,
        first_still: None,
    };
    for (code, (x, y)) in asked.windows(2).zip(cents.windows(2)).enumerate() {
        let wanted = 1200.0 * (x[1] - x[0]);
        if wanted <= 0.0 {
            return Err(Obstacle::OutOfRange {
                name: "rising octaves asked",
                value: x[1],
                low: x[0],
                high: f64::MAX,
            });
        }
        let off = y[1] - y[0];
        let relative = off / wanted;
        // A step of nothing is nothing to the rounding of the octaves it was taken from.
        let rounding = 1200.0 * 4.0 * f64::EPSILON * x[0].abs().max(x[1].abs()).max(1.0);
        if (wanted + off).abs() <= rounding.min(0.5 * wanted) {
            found.still += 1;
            found.first_still = found.first_still.or(Some(code));
        } else if wanted + off < 0.0 {
            found.backward += 1;
            found.first_backward = found.first_backward.or(Some(code));
        }
        if relative.abs() > found.worst.abs() {
            (found.worst_code, found.worst, found.worst_cents) = (code, relative, off);
        }
    }
    Ok(found)
}

/// A total error as the sum of named parts.
#[derive(Clone, Debug, PartialEq)]
pub struct Decomposition {
    /// The total.
    pub total: Summary,
    /// Each part by name, in the order given.
    pub parts: Vec<(String, Summary)>,
    /// The total less all parts: what no part explains.
    pub unexplained: Summary,
}

/// Splits `total_cents` into the `parts` given, each a trace in cents over the same codes.
///
/// # Errors
/// See [`Summary::of`].
pub fn decompose(
    asked_octaves: &[f64],
    total_cents: &[f64],
    parts: &[(&str, &[f64])],
) -> Result<Decomposition, Obstacle> {
    let total = Summary::of(asked_octaves, total_cents)?;
    let mut left = total_cents.to_vec();
    let mut summaries = Vec::with_capacity(parts.len());
    for (name, cents) in parts {
        summaries.push(((*name).to_owned(), Summary::of(asked_octaves, cents)?));
        for (rest, part) in left.iter_mut().zip(*cents) {
            *rest -= part;
        }
    }
    Ok(Decomposition { total, parts: summaries, unexplained: Summary::of(asked_octaves, &left)? })
}
