//! A straight line through points, and the bend that is left over.
//!
//! One pass of Givens rotations turns the rows `1, x, x^2 | y` into a triangle (Golub & Van
//! Loan, Matrix Computations, 5.2.5; from memory): no sums of squares, so no digits lost to
//! large offsets. The triangle orthogonalises the square against `1` and `x`, so offset and
//! slope are those of the line alone and the curvature is what the line cannot hold.
//!
//! Floor: the rounding of n rotations, about `1e-16 sqrt(n)` of the largest value.

use crate::reading::{Obstacle, Reading, Unit};

/// A fitted figure, in whatever unit the points have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Standard uncertainty, k = 1, from the scatter of the points.
    pub standard_uncertainty: f64,
}

impl Estimate {
    /// As a reading in `unit`, with expanded uncertainty, k = 2.
    #[must_use]
    pub const fn reading(self, unit: Unit) -> Reading {
        Reading::new(self.value, unit, 2.0 * self.standard_uncertainty)
    }
}

/// Points taken in one by one; memory does not grow with their number.
#[derive(Clone, Debug, Default)]
pub struct Points {
    /// Upper triangle of the rotated rows `1, x, x^2 | y`.
    rows: [[f64; 4]; 3],
    /// Squares that the three rows leave over.
    rest: f64,
    origin: f64,
    largest_y: f64,
    range: Option<(f64, f64)>,
    count: usize,
}

/// The line `offset + slope x`, and the square that is orthogonal to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StraightLine {
    /// Value of the line at x = 0.
    pub offset: Estimate,
    /// Change of y per unit of x.
    pub slope: Estimate,
    /// Coefficient of `x^2`, orthogonalised: it takes nothing from offset and slope.
    pub curvature: Estimate,
    /// Value of the line at the mean of x, where it does not trade with the slope.
    pub centre: Estimate,
    /// Scatter about the line, rms over n.
    pub residual_rms: f64,
    /// Scatter about line and square together, rms over n - 3.
    pub scatter: f64,
    /// Mean of x.
    pub mean_x: f64,
    /// Points taken in.
    pub count: usize,
    /// `x^2` made orthogonal is `x^2 - bend_slope (x - mean_x) - bend_mean`.
    bend_slope: f64,
    bend_mean: f64,
    origin: f64,
}

/// The point farthest from the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Farthest {
    /// Its place in the order given.
    pub index: usize,
    /// Its x.
    pub x: f64,
    /// y less the line.
    pub residual: f64,
}

impl Points {
    /// No points yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes in one point.
    ///
    /// # Errors
    /// [`Obstacle::NotFinite`] with the point's index; the point is left out.
    pub fn add(&mut self, x: f64, y: f64) -> Result<(), Obstacle> {
        if !(x.is_finite() && y.is_finite()) {
            return Err(Obstacle::NotFinite { index: self.count });
        }
        if self.count == 0 {
            self.origin = x;
        }
        self.count += 1;
        self.largest_y = self.largest_y.max(y.abs());
        let (low, high) = self.range.unwrap_or((x, x));
        self.range = Some((low.min(x), high.max(x)));
        let u = x - self.origin;
        let mut row = [1.0, u, u * u, y];
        for (pivot, own) in self.rows.iter_mut().enumerate() {
            let length = own[pivot].hypot(row[pivot]);
            if length == 0.0 {
                continue;
            }
            let (cos, sin) = (own[pivot] / length, row[pivot] / length);
            for (a, b) in own.iter_mut().zip(&mut row).skip(pivot) {
                (*a, *b) = (cos * *a + sin * *b, cos * *b - sin * *a);
            }
        }
        self.rest += row[3] * row[3];
        Ok(())
    }

    /// The line through the points taken in so far.
    ///
    /// # Errors
    /// [`Obstacle::TooShort`] below 4 points; [`Obstacle::Constant`] if x takes fewer than
    /// three values.
    pub fn line(&self) -> Result<StraightLine, Obstacle> {
        if self.count < 4 {
            return Err(Obstacle::TooShort { have: self.count, need: 4 });
        }
        let [[r11, r12, r13, z1], [_, r22, r23, z2], [_, _, r33, z3]] = self.rows;
        let n = self.count as f64;
        let (low, high) = self.range.unwrap_or_default();
        let width = high - low;
        // Two values of x leave a square of rounding only.
        let noise = 1e-14 * n.sqrt() * width;
        if r22.abs() <= noise || r33.abs() <= noise * width {
            return Err(Obstacle::Constant { value: self.origin });
        }
        let slope = z2 / r22;
        let mean_u = r12 / r11;
        let centre = z1 / r11;
        // Rounding of y itself is scatter too, and all there is on exact points.
        let scatter =
            (self.rest / (n - 3.0).max(1.0)).sqrt().hypot(f64::EPSILON / 4.0 * self.largest_y);
        let mean_x = self.origin + mean_u;
        let at_centre = scatter / r11.abs();
        let on_slope = scatter / r22.abs();
        Ok(StraightLine {
            offset: Estimate {
                value: centre - slope * mean_x,
                standard_uncertainty: at_centre.hypot(mean_x * on_slope),
            },
            slope: Estimate { value: slope, standard_uncertainty: on_slope },
            curvature: Estimate { value: z3 / r33, standard_uncertainty: scatter / r33.abs() },
            centre: Estimate { value: centre, standard_uncertainty: at_centre },
            residual_rms: ((self.rest + z3 * z3) / n).sqrt(),
            scatter,
            mean_x,
            count: self.count,
            bend_slope: r23 / r22,
            bend_mean: r13 / r11,
            origin: self.origin,
        })
    }
}

impl StraightLine {
    /// The line through `points`.
    ///
    /// # Errors
    /// See [`Points::add`] and [`Points::line`].
    pub fn through(points: impl IntoIterator<Item = (f64, f64)>) -> Result<Self, Obstacle> {
        let mut taken = Points::new();
        for (x, y) in points {
            taken.add(x, y)?;
        }
        taken.line()
    }

    /// The line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.slope.value.mul_add(x - self.mean_x, self.centre.value)
    }

    /// The line and the square together at `x`.
    #[must_use]
    pub fn bent_at(&self, x: f64) -> f64 {
        let u = x - self.origin;
        let square = u * u - self.bend_slope * (x - self.mean_x) - self.bend_mean;
        self.at(x) + self.curvature.value * square
    }

    /// The point farthest from the line; `None` of no points. A pass of its own, for the
    /// line has to be known first.
    #[must_use]
    pub fn farthest(&self, points: impl IntoIterator<Item = (f64, f64)>) -> Option<Farthest> {
        farthest(points, |x| self.at(x))
    }

    /// The point farthest from line and square together.
    #[must_use]
    pub fn farthest_bent(&self, points: impl IntoIterator<Item = (f64, f64)>) -> Option<Farthest> {
        farthest(points, |x| self.bent_at(x))
    }
}

fn farthest(
    points: impl IntoIterator<Item = (f64, f64)>,
    law: impl Fn(f64) -> f64,
) -> Option<Farthest> {
    points
        .into_iter()
        .enumerate()
        .map(|(index, (x, y))| Farthest { index, x, residual: y - law(x) })
        .reduce(|far, next| if next.residual.abs() > far.residual.abs() { next } else { far })
}
