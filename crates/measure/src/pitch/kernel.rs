//! Sums over a cosine-sum weight in closed form.
//!
//! With centred samples m and even weight w: `k0 = sum w cos(x m)`, and its derivatives
//! `k1 = sum w m sin(x m)`, `k2 = sum w m^2 cos(x m)`, from the Dirichlet kernel.

use std::f64::consts::PI;

/// Weight `sum a_q cos(2 pi q m/len)` of `len` centred samples.
#[derive(Clone, Debug, Default)]
pub struct Kernel {
    len: f64,
    /// (half coefficient, sin(pi q/len), cos(pi q/len)) for q = -Q..=Q.
    shifts: Vec<(f64, f64, f64)>,
}

impl Kernel {
    pub fn new(a: &[f64], len: usize) -> Self {
        let n = len as f64;
        let top = a.len() as i32 - 1;
        let shifts = (-top..=top)
            .map(|q| {
                let c = a[q.unsigned_abs() as usize] * if q == 0 { 1.0 } else { 0.5 };
                let sign = if q % 2 == 0 { 1.0 } else { -1.0 };
                // sin(n (x + pi q/n)) = (-1)^q sin(n x): the sign goes with the coefficient.
                let (s, co) = (PI * f64::from(q) / n).sin_cos();
                (c * sign, s, co)
            })
            .collect();
        Self { len: n, shifts }
    }

    /// k0, k1 and k2 at `turns` cycles per sample.
    pub fn at(&self, turns: f64) -> [f64; 3] {
        let n = self.len;
        // For even n, a whole turn flips the sign: centred indices are half-integers.
        let whole = turns.round();
        let x = PI * (turns - whole);
        let flip = if n % 2.0 == 0.0 && whole % 2.0 != 0.0 { -1.0 } else { 1.0 };
        let (sin_x, cos_x) = x.sin_cos();
        let (sin_nx, cos_nx) = (n * x).sin_cos();
        let mut sum = [0.0; 3];
        for &(c, s, co) in &self.shifts {
            let sign = c.signum();
            let (sin_y, cos_y) = (sin_x * co + cos_x * s, cos_x * co - sin_x * s);
            let d = dirichlet(n, sin_y, cos_y, sign * sin_nx, sign * cos_nx);
            for (total, part) in sum.iter_mut().zip(d) {
                *total += c.abs() * part;
            }
        }
        sum.map(|v| v * flip)
    }
}

/// `sum cos(2 y m)` and its weighted relatives from sin and cos of y and of n y.
fn dirichlet(n: f64, sin_y: f64, cos_y: f64, sin_ny: f64, cos_ny: f64) -> [f64; 3] {
    if (n * sin_y).abs() < 0.05 {
        return near_zero(n, sin_y.asin() * cos_y.signum(), cos_ny * cos_y.signum());
    }
    let d0 = sin_ny / sin_y;
    let d1 = (n * cos_ny - d0 * cos_y) / sin_y;
    let d2 = (-n * n * sin_ny + d0 * sin_y - 2.0 * d1 * cos_y) / sin_y;
    [d0, -0.5 * d1, -0.25 * d2]
}

/// Taylor series in the even moments of m, where the quotients above cancel.
fn near_zero(n: f64, y: f64, sign: f64) -> [f64; 3] {
    let n2 = n * n;
    let m2 = n * (n2 - 1.0) / 12.0;
    let m4 = m2 * (3.0 * n2 - 7.0) / 20.0;
    let m6 = m2 * (3.0 * n2 * n2 - 18.0 * n2 + 31.0) / 112.0;
    let x = 2.0 * y;
    let x2 = x * x;
    let k0 = n - x2 / 2.0 * (m2 - x2 / 12.0 * (m4 - x2 / 30.0 * m6));
    let k1 = x * (m2 - x2 / 6.0 * (m4 - x2 / 20.0 * m6));
    let k2 = m2 - x2 / 2.0 * (m4 - x2 / 12.0 * m6);
    [k0, k1, k2].map(|v| v * sign.signum())
}

#[cfg(test)]
mod tests {
    use super::Kernel;
    use std::f64::consts::TAU;

    #[test]
    fn closed_forms_equal_their_sums() {
        for a in [&[1.0][..], &[0.35875, 0.48829, 0.14128, 0.01168]] {
            for len in [64usize, 65] {
                let kernel = Kernel::new(a, len);
                let near = 1.0 / len as f64;
                for turns in [
                    0.0,
                    1e-9,
                    1e-4,
                    0.013 * near,
                    near,
                    2.0 * near + 1e-7,
                    0.1,
                    0.4999,
                    0.73,
                    0.99,
                    -0.2,
                ] {
                    let mut sum = [0.0; 3];
                    for i in 0..len {
                        let m = i as f64 - (len as f64 - 1.0) / 2.0;
                        let w: f64 = a
                            .iter()
                            .enumerate()
                            .map(|(q, c)| c * (TAU * q as f64 * m / len as f64).cos())
                            .sum();
                        let (s, c) = (TAU * turns * m).sin_cos();
                        sum[0] += w * c;
                        sum[1] += w * m * s;
                        sum[2] += w * m * m * c;
                    }
                    let scale = len as f64;
                    for (i, (got, want)) in kernel.at(turns).into_iter().zip(sum).enumerate() {
                        // Cancellation at the seam to the series: 1e-16 / 0.05^(i + 2).
                        let limit = scale.powi(i as i32 + 1) * 1e-16 * 20f64.powi(i as i32 + 2);
                        assert!((got - want).abs() < limit, "{len} {turns} k{i}: {got} {want}");
                    }
                }
            }
        }
    }
}
