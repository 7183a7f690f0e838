//! Logarithm, exponential, sine and cosine as polynomials, which vectorise where library calls do not.

use std::f32::consts::LN_2;

use crate::kernel::instruction_set::multiply_add;

/// 1.5 2^23: added to a number of magnitude below 2^22, it leaves the nearest whole number in the lowest bits.
const ROUNDER: f32 = 12_582_912.0;

/// Returns the nearest whole number, for |x| < 2^22.
#[inline(always)]
fn nearest(x: f32) -> f32 {
    (x + ROUNDER) - ROUNDER
}

/// Returns 2^x for x in -126 to 126, brought inside; relative error below 2e-7 + 1e-7 |x|.
#[inline(always)]
pub(crate) fn exp2<const FUSED: bool>(x: f32) -> f32 {
    let x = x.clamp(-126.0, 126.0);
    let shifted = x + ROUNDER;
    let rest = x - (shifted - ROUNDER);
    // The whole part, moved to where the exponent is.
    let power = f32::from_bits((shifted.to_bits() << 23).wrapping_add(0x3f80_0000));
    // 2^rest, |rest| at most 1/2.
    let mut sum = EXP2[EXP2.len() - 1];
    for &c in EXP2[..EXP2.len() - 1].iter().rev() {
        sum = multiply_add::<FUSED>(sum, rest, c);
    }
    sum * power
}

/// Returns the binary logarithm of a normal positive number; error below 3e-7 + 1e-7 |log2 x|.
#[inline(always)]
pub(crate) fn log2<const FUSED: bool>(x: f32) -> f32 {
    // Mantissa in sqrt(1/2) to sqrt 2.
    let bits = x.to_bits().wrapping_sub(0x3f35_04f3);
    let exponent = (bits as i32) >> 23;
    let mantissa = f32::from_bits((bits & 0x007f_ffff) + 0x3f35_04f3);
    // log2 m = 2/ln 2 artanh(u), u = (m - 1)/(m + 1), |u| up to 0.172: the series to u^9 leaves 1e-9.
    let u = (mantissa - 1.0) / (mantissa + 1.0);
    let u2 = u * u;
    let mut sum = 1.0 / 9.0;
    for c in [1.0 / 7.0, 1.0 / 5.0, 1.0 / 3.0, 1.0] {
        sum = multiply_add::<FUSED>(sum, u2, c);
    }
    multiply_add::<FUSED>(sum * u, 2.0 / LN_2, exponent as f32)
}

/// Returns the natural logarithm, as [`log2`].
#[inline(always)]
pub(crate) fn ln<const FUSED: bool>(x: f32) -> f32 {
    log2::<FUSED>(x) * LN_2
}

/// Returns cosine and sine of an angle in turns, |x| < 2^22; error below 2e-6 besides that of x itself.
#[inline(always)]
pub(crate) fn turn<const FUSED: bool>(x: f32) -> (f32, f32) {
    // Half the angle, in -1/4 to 1/4 turns, and then doubled: cos 2a = 1 - 2 sin^2 a, sin 2a = 2 sin a cos a.
    let half = (x - nearest(x)) * std::f32::consts::PI;
    let h2 = half * half;
    let mut sin = -1.0 / 39_916_800.0;
    for c in [1.0 / 362_880.0, -1.0 / 5040.0, 1.0 / 120.0, -1.0 / 6.0, 1.0] {
        sin = multiply_add::<FUSED>(sin, h2, c);
    }
    let mut cos = -1.0 / 3_628_800.0;
    for c in [1.0 / 40_320.0, -1.0 / 720.0, 1.0 / 24.0, -0.5, 1.0] {
        cos = multiply_add::<FUSED>(cos, h2, c);
    }
    sin *= half;
    (1.0 - 2.0 * sin * sin, 2.0 * sin * cos)
}

/// Coefficients of 2^x on -1/2 to 1/2: the Taylor series, ln(2)^n/n!, to x^7, which leaves 2e-9.
const EXP2: [f32; 8] = [
    1.0,
    std::f32::consts::LN_2,
    0.240_226_5,
    0.055_504_11,
    0.009_618_129,
    0.001_333_355_8,
    0.000_154_035_3,
    0.000_015_252_734,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polynomials_agree_with_the_library() {
        for step in -20_000..=20_000 {
            let x = step as f32 * 1e-3;
            let close = |got: f32, expected: f64, error: f64| {
                assert!((f64::from(got) - expected).abs() <= error, "at {x}: expected {expected}, got {got}");
            };
            let power = f64::from(x).exp2();
            close(exp2::<false>(x), power, power * (2e-7 + 1e-7 * f64::from(x.abs())));
            close(log2::<false>(power as f32), f64::from(x), 3e-7 + 1e-7 * f64::from(x.abs()));
            let (sin, cos) = (f64::from(x) * std::f64::consts::TAU).sin_cos();
            let (c, s) = turn::<false>(x);
            close(c, cos, 2e-6);
            close(s, sin, 2e-6);
        }
        assert_eq!(exp2::<false>(0.0), 1.0);
    }
}
