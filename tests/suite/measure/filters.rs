//! Filters with known responses, written out from the textbook. Nothing here comes from the
//! workspace.

use num_complex::Complex64;
use std::f64::consts::PI;

/// The four-pole ladder by the trapezoidal rule, linear, loop solved per sample.
#[derive(Clone)]
pub struct Ladder {
    g: f64,
    k: f64,
    state: [f64; 4],
}

impl Ladder {
    /// Cutoff in cycles per sample.
    pub fn new(cutoff: f64, k: f64) -> Self {
        Self { g: (PI * cutoff).tan(), k, state: [0.0; 4] }
    }

    pub fn tick(&mut self, x: f64) -> f64 {
        let share = self.g / (1.0 + self.g);
        // y4 = share^4 u + what the states give.
        let given = self.state.iter().fold(0.0, |sum, s| share * sum + s / (1.0 + self.g));
        let mut node = (x - self.k * given) / (1.0 + self.k * share.powi(4));
        for s in &mut self.state {
            let v = (node - *s) * share;
            node = v + *s;
            *s = node + v;
        }
        node
    }

    pub fn impulse(mut self, len: usize) -> Vec<f64> {
        (0..len).map(|n| self.tick(f64::from(u8::from(n == 0)))).collect()
    }

    /// `1/((1+s)^4 + k)` at `s = j tan(pi x)/tan(pi fc)`: the rule itself.
    pub fn exact(&self, x: f64) -> Complex64 {
        let s = Complex64::new(0.0, (PI * x).tan() / self.g);
        1.0 / ((1.0 + s).powu(4) + self.k)
    }
}

/// Trapezoidal second-order section: low, band (gain Q at the cutoff) and high.
#[derive(Clone)]
pub struct Section {
    g: f64,
    damping: f64,
    state: [f64; 2],
}

impl Section {
    pub fn new(cutoff: f64, quality: f64) -> Self {
        Self { g: (PI * cutoff).tan(), damping: 1.0 / quality, state: [0.0; 2] }
    }

    pub fn tick(&mut self, x: f64) -> [f64; 3] {
        let (g, r, [s1, s2]) = (self.g, self.damping, self.state);
        let high = (x - (r + g) * s1 - s2) / (1.0 + r * g + g * g);
        let band = g * high + s1;
        let low = g * band + s2;
        self.state = [2.0 * band - s1, 2.0 * low - s2];
        [low, band, high]
    }

    pub fn exact(&self, x: f64) -> [Complex64; 3] {
        let s = Complex64::new(0.0, (PI * x).tan() / self.g);
        let bottom = s * s + self.damping * s + 1.0;
        [1.0 / bottom, s / bottom, s * s / bottom]
    }
}
