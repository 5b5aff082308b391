//! 2^x on one octave: by minimax polynomial, or by a table with linear interpolation.
//!
//! | | |
//! |---|---|
//! | Source  | polynomials: nearest in relative error, problem as in Hart et al., Computer Approximations, 1968, coefficients and errors in `reference-tables/exp2-minimax`; table of N points: a chord lies above a convex curve by (ln 2/N)²/8 at most (derived) |
//! | Units   | x in octaves, 0 to 1; ratio 1 to 2; a fit errs by 0.12946, 0.004490, 0.0001297 cents (degree 3, 4, 5) or 104.0/N² cents |
//! | float   | f32; arithmetic ≤ 1.8·2^-24 of the ratio by polynomial (0.000 19 cent), 2.5·2^-24 by table (0.000 26 cent) |
//! | fixed   | x Q0.32 floored to Q.31, ratio Q1.31, products floored; arithmetic ≤ 5 LSB by polynomial (4e-6 cent), 3 LSB by table (2.5e-6 cent) |
//! | Usable  | float and fixed: 0 ≤ x ≤ 1; an f32 table of more than 640 points errs more by rounding than by its chords |
//! | Checked | `tests/suite/exp2.rs::every_fraction_errs_by_its_fit_and_no_less` |

use ::fixed::types::{U0F32, U1F31};

use super::{ControlEntry, Law, Made};
use crate::error::{RangeError, in_range};
use crate::math;
use crate::parameter::{Parameter, Values};
use crate::q31::{coefficient, mul};

/// Polynomial or table.
pub const METHOD: Parameter = Parameter::choice("method", &["polynomial", "table"]);
/// Degree of the polynomial.
pub const DEGREE: Parameter = Parameter::count("degree", "", 3.0, 5.0, 5.0);
/// Length of the table.
pub const POINTS: Parameter = Parameter::count("points", "per octave", 64.0, 1024.0, 256.0);

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "exp2",
    file: "control/exp2.rs",
    summary: "2^x on one octave by polynomial or table",
    parameters: &[METHOD, DEGREE, POINTS],
    unit: "(ratio)",
    codes: |values| Method::from_values(values).map(|_| 1 << 16),
    made: Made::Law {
        float: |_, values, lend| {
            let mut storage = [0.0; MAX_STORAGE];
            lend(&Float::new(Method::from_values(values)?, &mut storage)?);
            Ok(())
        },
        fixed: |_, values, lend| {
            let mut storage = [U1F31::ZERO; MAX_STORAGE];
            lend(&Fixed::new(Method::from_values(values)?, &mut storage)?);
            Ok(())
        },
    },
};

/// Storage for the longest table: one point more than it has per octave.
pub const MAX_STORAGE: usize = 1024 + 1;

/// Coefficients of 2^x on 0 ≤ x ≤ 1, degree 3; relative error 7.48e-5.
pub const MINIMAX_3: [f64; 4] = [
    0.999_925_218_562_710_3,
    0.695_833_540_494_823_8,
    0.226_067_155_427_249_17,
    0.078_024_522_640_637_31,
];
/// Coefficients of 2^x on 0 ≤ x ≤ 1, degree 4; relative error 2.59e-6.
pub const MINIMAX_4: [f64; 5] = [
    1.000_002_593_370_694_3,
    0.693_003_834_469_974_96,
    0.241_442_756_891_507_95,
    0.052_011_460_610_307_02,
    0.013_534_167_916_127_029,
];
/// Coefficients of 2^x on 0 ≤ x ≤ 1, degree 5; relative error 7.49e-8.
pub const MINIMAX_5: [f64; 6] = [
    0.999_999_925_063_526_1,
    0.693_153_073_200_169,
    0.240_153_617_044_375_4,
    0.055_826_318_053_295_67,
    0.008_989_340_090_494_665,
    0.001_877_576_675_191_479_5,
];

const FLOAT_3: [f32; 4] = single(MINIMAX_3);
const FLOAT_4: [f32; 5] = single(MINIMAX_4);
pub(crate) const FLOAT_5: [f32; 6] = single(MINIMAX_5);
const Q31_3: [i64; 4] = q31(MINIMAX_3);
const Q31_4: [i64; 5] = q31(MINIMAX_4);
pub(crate) const Q31_5: [i64; 6] = q31(MINIMAX_5);

const fn single<const N: usize>(exact: [f64; N]) -> [f32; N] {
    let mut c = [0.0; N];
    let mut i = 0;
    while i < N {
        c[i] = exact[i] as f32;
        i += 1;
    }
    c
}

const fn q31<const N: usize>(exact: [f64; N]) -> [i64; N] {
    let mut c = [0; N];
    let mut i = 0;
    while i < N {
        // All of them are positive: the cast floors.
        c[i] = (exact[i] * 2_147_483_648.0 + 0.5) as i64;
        i += 1;
    }
    c
}

/// c\[0\] + c\[1\] x + ... by Horner's rule.
#[inline(always)]
pub(crate) fn polynomial<const N: usize>(c: &[f32; N], x: f32) -> f32 {
    let mut sum = c[N - 1];
    for &c in c[..N - 1].iter().rev() {
        sum = sum * x + c;
    }
    sum
}

/// The same in Q.31.
#[inline(always)]
pub(crate) fn polynomial_q31<const N: usize>(c: &[i64; N], x: i64) -> i64 {
    let mut sum = c[N - 1];
    for &c in c[..N - 1].iter().rev() {
        // Q: factors below 2^31.5 as long as the polynomial stays below 2; floored.
        sum = mul(sum, x) + c;
    }
    sum
}

/// How 2^x is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// A minimax polynomial of this degree, 3 to 5; no storage.
    Polynomial(u32),
    /// Straight lines between this many points per octave, 64 to 1024; one point more of storage.
    Table(usize),
}

impl Default for Method {
    fn default() -> Self {
        Self::Polynomial(5)
    }
}

impl Method {
    /// Reads [`METHOD`], [`DEGREE`] and [`POINTS`].
    ///
    /// # Errors
    /// A value outside its range, or no whole number.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        let degree = values.count(&DEGREE)?;
        let points = values.count(&POINTS)? as usize;
        let table = values.choice(&METHOD)? == 1;
        Ok(if table { Self::Table(points) } else { Self::Polynomial(degree) })
    }
}

/// What a method needs per reading.
#[derive(Clone, Copy, Debug)]
enum Kernel<'a, T> {
    Third,
    Fourth,
    Fifth,
    Table(&'a [T]),
}

impl<'a, T> Kernel<'a, T> {
    fn new(method: Method, storage: &'a mut [T], encode: fn(f64) -> T) -> Result<Self, RangeError> {
        match method {
            Method::Polynomial(3) => Ok(Self::Third),
            Method::Polynomial(4) => Ok(Self::Fourth),
            Method::Polynomial(5) => Ok(Self::Fifth),
            Method::Polynomial(degree) => Err(DEGREE.refuse(f64::from(degree))),
            Method::Table(points) => {
                POINTS.check(points as f64)?;
                let need = points + 1;
                in_range("storage", storage.len() as f64, need as f64, f64::MAX, "points")?;
                for (i, point) in storage[..need].iter_mut().enumerate() {
                    *point = encode(math::exp2(i as f64 / points as f64));
                }
                Ok(Self::Table(&storage[..need]))
            }
        }
    }
}

/// Float twin.
#[derive(Clone, Copy, Debug)]
pub struct Float<'a> {
    kernel: Kernel<'a, f32>,
}

impl<'a> Float<'a> {
    /// Builds the table into `storage`; a polynomial needs none.
    ///
    /// # Errors
    /// Degree outside 3 to 5, points outside 64 to 1024, or less storage than points + 1.
    pub fn new(method: Method, storage: &'a mut [f32]) -> Result<Self, RangeError> {
        Ok(Self { kernel: Kernel::new(method, storage, |ratio| ratio as f32)? })
    }

    /// 2^x for x from 0 to 1, both ends included.
    #[inline]
    pub fn ratio(&self, x: f32) -> f32 {
        match self.kernel {
            Kernel::Third => polynomial(&FLOAT_3, x),
            Kernel::Fourth => polynomial(&FLOAT_4, x),
            Kernel::Fifth => polynomial(&FLOAT_5, x),
            Kernel::Table(points) => {
                let intervals = points.len() - 1;
                let position = x * intervals as f32;
                // x = 1 belongs to the last interval.
                let index = (position as usize).min(intervals - 1);
                let (a, b) = (points[index], points[index + 1]);
                a + (b - a) * (position - index as f32)
            }
        }
    }
}

impl Law for Float<'_> {
    fn at(&self, code: u32) -> f64 {
        f64::from(self.ratio(code.min(0xffff) as f32 * (1.0 / 65_536.0)))
    }
}

/// Fixed twin.
#[derive(Clone, Copy, Debug)]
pub struct Fixed<'a> {
    kernel: Kernel<'a, U1F31>,
}

impl<'a> Fixed<'a> {
    /// Builds the table into `storage`; a polynomial needs none.
    ///
    /// # Errors
    /// Degree outside 3 to 5, points outside 64 to 1024, or less storage than points + 1.
    pub fn new(method: Method, storage: &'a mut [U1F31]) -> Result<Self, RangeError> {
        // Q: 2.0, the point at the end, has no place in Q1.31 and stands one LSB lower.
        let encode = |ratio| U1F31::from_bits(coefficient(ratio).min(i64::from(u32::MAX)) as u32);
        Ok(Self { kernel: Kernel::new(method, storage, encode)? })
    }

    /// 2^x for x from 0 to just under 1.
    #[inline]
    pub fn ratio(&self, x: U0F32) -> U1F31 {
        // Q: x < 1 keeps every kernel below 2.
        U1F31::from_bits(self.ratio_q31(i64::from(x.to_bits() >> 1)) as u32)
    }

    /// The same from Q.31 to Q.31.
    #[inline(always)]
    pub(super) fn ratio_q31(&self, x: i64) -> i64 {
        match self.kernel {
            Kernel::Third => polynomial_q31(&Q31_3, x),
            Kernel::Fourth => polynomial_q31(&Q31_4, x),
            Kernel::Fifth => polynomial_q31(&Q31_5, x),
            Kernel::Table(points) => {
                let intervals = points.len() - 1;
                // Q: x < 2^31 times at most 2^10 points, exact: 31 bits of fraction.
                let position = x * intervals as i64;
                let index = (position >> 31) as usize;
                let (a, b) = (points[index].to_bits(), points[index + 1].to_bits());
                // Q: neighbours differ by less than 2^26: product < 2^57, floored.
                let fraction = position & ((1 << 31) - 1);
                i64::from(a) + mul(i64::from(b) - i64::from(a), fraction)
            }
        }
    }
}

impl Law for Fixed<'_> {
    fn at(&self, code: u32) -> f64 {
        self.ratio(U0F32::from_bits(code.min(0xffff) << 16)).to_num()
    }
}
