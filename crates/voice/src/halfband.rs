//! Half-band low-passes: two samples from one, one from two, without what lies beyond.
//!
//! | filter | taps | passes to | stops from | stop band | l1 norm |
//! |---|---|---|---|---|---|
//! | [`OUTER`] | 63 | 0.41 fs | 0.59 fs | −95.2 dB | 1.682 |
//! | [`INNER`] | 19 | 0.205 fs | 0.795 fs | −107.5 dB | 1.319 |
//!
//! fs is the lower of the two rates. Every other tap is zero and the middle one is ½, so a filter
//! of 4m − 1 taps takes m products per output: H(f) + H(fs − f) = 1, and the passband ripple equals
//! the stop band. Linear phase; up and down again delays by 2m − 1 samples of the lower rate,
//! exactly. Source: Vaidyanathan and Nguyen, IEEE Trans. CAS 34(3):297-300, 1987 (from memory);
//! taps made in `reference-tables/halfband`. Fixed twins: taps Q.31, signals Q5.27 in 32 bits,
//! sums exact in 64, one rounding per output, saturation at ±16.

/// Taps at 1, 3, 5, ... samples of the higher rate from the middle: first doubling.
pub const OUTER: [f64; 16] = [
    3.170_363_603_995_965e-1,
    -1.023_369_066_506_573e-1,
    5.756_072_520_669_088e-2,
    -3.728_539_610_066_736e-2,
    2.541_328_783_873_771e-2,
    -1.758_050_876_124_234e-2,
    1.210_986_863_601_364e-2,
    -8.202_742_803_574_090e-3,
    5.410_419_910_435_185e-3,
    -3.443_379_588_207_294e-3,
    2.093_672_507_375_676e-3,
    -1.201_323_018_928_908e-3,
    6.394_260_423_141_431e-4,
    -3.073_013_224_236_044e-4,
    1.268_611_087_481_575e-4,
    -4.170_227_300_589_891e-5,
];

/// The same for the second doubling, which has an octave to spare.
pub const INNER: [f64; 5] = [
    3.061_938_917_910_028e-1,
    -7.440_642_731_802_320e-2,
    2.294_508_704_408_693e-2,
    -5.424_020_660_963_769e-3,
    6.935_807_625_784_746e-4,
];

/// Delay of going up and down again, in samples of the lower rate.
pub const fn latency_samples(taps: usize) -> f64 {
    2.0 * taps as f64 - 1.0
}

/// The last 2 M samples, the newest first.
#[derive(Clone, Debug)]
struct Line<T, const M: usize>([[T; M]; 2]);

impl<T: Copy + Default, const M: usize> Line<T, M> {
    fn new() -> Self {
        Self([[T::default(); M]; 2])
    }

    #[inline(always)]
    fn push(&mut self, sample: T) {
        let [new, old] = &mut self.0;
        old.copy_within(..M - 1, 1);
        old[0] = new[M - 1];
        new.copy_within(..M - 1, 1);
        new[0] = sample;
    }

    /// Pairs at equal distance from the middle, the closest first.
    #[inline(always)]
    fn pairs(&self) -> impl Iterator<Item = (T, T)> {
        let [new, old] = &self.0;
        new.iter().rev().copied().zip(old.iter().copied())
    }

    /// The sample before the middle, the later of the closest pair.
    #[inline(always)]
    fn before_middle(&self) -> T {
        self.0[0][M - 1]
    }
}

/// Float twins.
pub mod float {
    use super::Line;

    /// The filter as it stands between two rates, up and down.
    #[derive(Clone, Debug)]
    pub struct Halfband<const M: usize> {
        taps: [f32; M],
        up: Line<f32, M>,
        even: Line<f32, M>,
        odd: Line<f32, M>,
    }

    impl<const M: usize> Halfband<M> {
        /// Starts empty.
        pub fn new(taps: &[f64; M]) -> Self {
            let line = Line::new();
            let taps = taps.map(|tap| tap as f32);
            Self { taps, up: line.clone(), even: line.clone(), odd: line }
        }

        /// Two samples of the higher rate.
        #[inline]
        pub fn up(&mut self, sample: f32) -> [f32; 2] {
            self.up.push(sample);
            let sum: f32 =
                self.taps.iter().zip(self.up.pairs()).map(|(h, (a, b))| h * (a + b)).sum();
            [2.0 * sum, self.up.before_middle()]
        }

        /// One sample of the lower rate.
        #[inline]
        pub fn down(&mut self, [even, odd]: [f32; 2]) -> f32 {
            self.even.push(even);
            let pairs = self.taps.iter().zip(self.even.pairs());
            let sum: f32 = pairs.map(|(h, (a, b))| h * (a + b)).sum();
            let now = sum + 0.5 * self.odd.before_middle();
            self.odd.push(odd);
            now
        }

        /// Empties every state.
        pub fn reset(&mut self) {
            *self = Self { taps: self.taps, up: Line::new(), even: Line::new(), odd: Line::new() };
        }
    }
}

/// Fixed twins.
pub mod fixed {
    use super::Line;

    /// The filter as it stands between two rates, up and down; signals in Q5.27.
    #[derive(Clone, Debug)]
    pub struct Halfband<const M: usize> {
        taps: [i32; M],
        up: Line<i32, M>,
        even: Line<i32, M>,
        odd: Line<i32, M>,
    }

    // Q: sums of two 32-bit signals times taps below 2^30: m = 16 terms stay below 2^63.
    #[inline(always)]
    fn sum<const M: usize>(taps: &[i32; M], line: &Line<i32, M>) -> i64 {
        let pairs = taps.iter().zip(line.pairs());
        pairs.map(|(&h, (a, b))| i64::from(h) * (i64::from(a) + i64::from(b))).sum()
    }

    #[inline(always)]
    fn saturate(value: i64) -> i32 {
        value.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32
    }

    impl<const M: usize> Halfband<M> {
        /// Starts empty.
        pub fn new(taps: &[f64; M]) -> Self {
            let line = Line::new();
            let taps = taps.map(|tap| crate::q31::coefficient(tap) as i32);
            Self { taps, up: line.clone(), even: line.clone(), odd: line }
        }

        /// Two samples of the higher rate.
        #[inline]
        pub fn up(&mut self, signal: i64) -> [i64; 2] {
            self.up.push(saturate(signal));
            // Q: Q.58 doubled and rounded to Q.27 in one shift.
            let between = (sum(&self.taps, &self.up) + (1 << 29)) >> 30;
            [between, i64::from(self.up.before_middle())]
        }

        /// One sample of the lower rate.
        #[inline]
        pub fn down(&mut self, [even, odd]: [i64; 2]) -> i64 {
            self.even.push(saturate(even));
            let middle = i64::from(self.odd.before_middle()) << 30;
            let now = (sum(&self.taps, &self.even) + middle + (1 << 30)) >> 31;
            self.odd.push(saturate(odd));
            now
        }

        /// Empties every state.
        pub fn reset(&mut self) {
            *self = Self { taps: self.taps, up: Line::new(), even: Line::new(), odd: Line::new() };
        }
    }
}
