//! Linear least squares by Householder reflections.

/// What a fit returns.
pub(crate) struct Solution {
    /// The unknowns.
    pub x: Vec<f64>,
    /// Standard deviation of each unknown for residuals of unit variance.
    pub deviation: Vec<f64>,
    /// Root mean square of what is left, per degree of freedom.
    pub residual_rms: f64,
}

/// Minimises `|A x - b|` for `columns` of `A`, which are overwritten. None if the columns are
/// dependent to within rounding or there are fewer rows than unknowns.
pub(crate) fn solve(columns: &mut [Vec<f64>], b: &mut [f64]) -> Option<Solution> {
    let (rows, count) = (b.len(), columns.len());
    if rows < count || count == 0 {
        return None;
    }
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    // Columns of unlike size would make the test for dependence meaningless.
    let scale: Vec<f64> = columns.iter().map(|c| dot(c, c).sqrt()).collect();
    if scale.iter().any(|s| !(*s > 0.0 && s.is_finite())) {
        return None;
    }
    for (column, s) in columns.iter_mut().zip(&scale) {
        column.iter_mut().for_each(|v| *v /= s);
    }
    let mut diagonal = vec![0.0; count];
    for j in 0..count {
        let (done, rest) = columns.split_at_mut(j + 1);
        let v = &mut done[j][j..];
        let length = dot(v, v).sqrt();
        if length < 1e-14 {
            return None;
        }
        let sign = if v[0] < 0.0 { -1.0 } else { 1.0 };
        diagonal[j] = -sign * length;
        v[0] += sign * length;
        let half = dot(v, v) / 2.0;
        for target in rest.iter_mut().map(|c| &mut c[j..]).chain([&mut b[j..]]) {
            let along = dot(v, target) / half;
            target.iter_mut().zip(v.iter()).for_each(|(t, v)| *t -= along * v);
        }
    }
    // R sits above the diagonal of the columns.
    let upper = |i: usize, j: usize| if i == j { diagonal[i] } else { columns[j][i] };
    let mut x = vec![0.0; count];
    for i in (0..count).rev() {
        let rest: f64 = (i + 1..count).map(|j| upper(i, j) * x[j]).sum();
        x[i] = (b[i] - rest) / diagonal[i];
    }
    // Columns of R^-1: the variance of x_i is the sum of squares along row i.
    let mut variance = vec![0.0; count];
    for j in 0..count {
        let mut inverse = vec![0.0; count];
        for i in (0..=j).rev() {
            let rest: f64 = (i + 1..=j).map(|m| upper(i, m) * inverse[m]).sum();
            inverse[i] = (f64::from(u8::from(i == j)) - rest) / diagonal[i];
        }
        variance.iter_mut().zip(&inverse).for_each(|(v, e)| *v += e * e);
    }
    let left = dot(&b[count..], &b[count..]);
    Some(Solution {
        deviation: variance.iter().zip(&scale).map(|(v, s)| v.sqrt() / s).collect(),
        x: x.iter().zip(&scale).map(|(x, s)| x / s).collect(),
        residual_rms: (left / (rows - count).max(1) as f64).sqrt(),
    })
}
