//! Normal equations of the fit: Gram matrices in closed form, and their solution.

use super::kernel::Kernel;

/// Normal equations at one f0. The even part of the basis is `1, cos_0, cos_1, ..`, the
/// odd part `sin_0, sin_1, ..`.
#[derive(Default)]
pub struct Normal {
    pub turns: Vec<f64>,
    /// k0, k1, k2 at the difference, then at the sum, of two lines.
    pairs: Vec<[f64; 6]>,
    single: Vec<[f64; 3]>,
    total: f64,
    pub even: Part,
    pub odd: Part,
    /// Information on f0 with the amplitudes projected out.
    pub information: f64,
}

/// What belongs to one part of the basis.
#[derive(Default)]
pub struct Part {
    pub solution: Vec<f64>,
    /// Inner products of the f0 derivative with the basis.
    pub coupling: Vec<f64>,
    /// Gram inverse times the coupling.
    pub share: Vec<f64>,
}

impl Normal {
    /// Evaluates the kernels for every pair of lines.
    pub fn fill(&mut self, kernel: &Kernel) {
        self.total = kernel.at(0.0)[0];
        self.single.clear();
        self.single.extend(self.turns.iter().map(|t| kernel.at(*t)));
        self.pairs.clear();
        for (i, x) in self.turns.iter().enumerate() {
            for y in &self.turns[..=i] {
                let ([a, b, c], [d, e, f]) = (kernel.at(x - y), kernel.at(x + y));
                self.pairs.push([a, b, c, d, e, f]);
            }
        }
    }

    /// Gram matrices of the even and the odd part, lower triangles by rows.
    pub fn grams(&self) -> (Vec<f64>, Vec<f64>) {
        let mut even = vec![self.total];
        let mut odd = Vec::with_capacity(self.pairs.len());
        let mut pairs = self.pairs.iter();
        for (i, single) in self.single.iter().enumerate() {
            even.push(single[0]);
            for p in pairs.by_ref().take(i + 1) {
                even.push(0.5 * (p[0] + p[3]));
                odd.push(0.5 * (p[0] - p[3]));
            }
        }
        (even, odd)
    }

    /// Couplings of the f0 derivative at the current amplitudes; returns its own square.
    pub fn couple(&mut self, orders: &[u32]) -> f64 {
        let n = orders.len();
        let a: Vec<f64> =
            (0..n).map(|i| f64::from(orders[i]) * self.even.solution[i + 1]).collect();
        let b: Vec<f64> = (0..n).map(|i| f64::from(orders[i]) * self.odd.solution[i]).collect();
        let (even, odd) = (&mut self.even.coupling, &mut self.odd.coupling);
        even.clear();
        even.resize(n + 1, 0.0);
        odd.clear();
        odd.resize(n, 0.0);
        let mut own = 0.0;
        let mut pairs = self.pairs.iter();
        for i in 0..n {
            even[0] -= a[i] * self.single[i][1];
            for (j, p) in pairs.by_ref().take(i + 1).enumerate() {
                // k1 is odd: the difference changes sign with the order of the pair.
                even[i + 1] -= 0.5 * a[j] * (p[4] - p[1]);
                odd[i] += 0.5 * b[j] * (p[4] + p[1]);
                let square = 0.5 * (a[i] * a[j] * (p[2] - p[5]) + b[i] * b[j] * (p[2] + p[5]));
                if i == j {
                    own += square;
                    continue;
                }
                even[j + 1] -= 0.5 * a[i] * (p[4] + p[1]);
                odd[j] += 0.5 * b[i] * (p[4] - p[1]);
                own += 2.0 * square;
            }
        }
        own
    }
}

/// Cholesky factor of a packed lower triangle; `None` if it is not positive definite.
pub fn cholesky(mut g: Vec<f64>) -> Option<Vec<f64>> {
    let mut i = 0;
    let mut row = 0;
    while row < g.len() {
        let mut other = 0;
        for j in 0..=i {
            let sum = g[row + j] - dot(&g[row..row + j], &g[other..other + j]);
            if i == j {
                if sum <= 0.0 || !sum.is_finite() {
                    return None;
                }
                g[row + i] = sum.sqrt();
            } else {
                g[row + j] = sum / g[other + j];
            }
            other += j + 1;
        }
        row += i + 1;
        i += 1;
    }
    Some(g)
}

/// Solves L L' x = b in place.
pub fn solve(l: &[f64], b: &mut [f64]) {
    let mut row = 0;
    for i in 0..b.len() {
        b[i] = (b[i] - dot(&l[row..row + i], &b[..i])) / l[row + i];
        row += i + 1;
    }
    for i in (0..b.len()).rev() {
        row -= i + 1;
        b[i] /= l[row + i];
        let x = b[i];
        for (b, l) in b[..i].iter_mut().zip(&l[row..row + i]) {
            *b -= l * x;
        }
    }
}

/// x' G x for a packed lower triangle.
pub fn quadratic(g: &[f64], x: &[f64]) -> f64 {
    let mut row = 0;
    let mut sum = 0.0;
    for (i, v) in x.iter().enumerate() {
        sum += v * (2.0 * dot(&g[row..row + i], &x[..i]) + g[row + i] * v);
        row += i + 1;
    }
    sum
}

/// Inner product.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}
