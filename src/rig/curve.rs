//! Sine, tangent, exponential and logarithm from plain arithmetic.
//!
//! The functions of a platform's mathematics library may differ in the last bit from machine to machine. A seed has
//! to give the same bytes everywhere, so the rig uses these: additions, multiplications and divisions only, which
//! IEEE 754 fixes to the bit. They are good to about 1e-10, far better than any sensor.

use std::f64::consts::{LN_2, TAU};

/// Sine of an angle given in turns.
pub(super) fn sine(turns: f64) -> f64 {
    let part = turns - turns.round();
    let folded = if part > 0.25 {
        0.5 - part
    } else if part < -0.25 {
        -0.5 - part
    } else {
        part
    };
    let x = folded * TAU;
    let square = x * x;
    let mut term = x;
    let mut sum = x;
    let mut n = 2.0;
    while n < 18.0 {
        term *= -square / (n * (n + 1.0));
        sum += term;
        n += 2.0;
    }
    sum
}

/// Cosine of an angle given in turns.
pub(super) fn cosine(turns: f64) -> f64 {
    sine(turns + 0.25)
}

/// The angle, in radians, whose tangent is `x`.
pub(super) fn arctangent(x: f64) -> f64 {
    // Halving the angle twice brings it below pi/8, where the series is short.
    let half = |x: f64| x / (1.0 + (1.0 + x * x).sqrt());
    let y = half(half(x));
    let square = y * y;
    let mut power = y;
    let mut sum = y;
    let mut n = 3.0;
    while n < 29.0 {
        power *= -square;
        sum += power / n;
        n += 2.0;
    }
    4.0 * sum
}

/// e to the power of `x`; 0 below -700, held at e to the 700th above 700.
pub(super) fn exponential(x: f64) -> f64 {
    if x < -700.0 {
        return 0.0;
    }
    let x = x.min(700.0);
    let halvings = (x / LN_2).round();
    let rest = x - halvings * LN_2;
    let mut term = 1.0;
    let mut sum = 1.0;
    let mut n = 1.0;
    while n < 16.0 {
        term *= rest / n;
        sum += term;
        n += 1.0;
    }
    let exponent = u64::try_from(super::whole::whole(halvings) + 1023).unwrap_or(0);
    sum * f64::from_bits(exponent << 52)
}

/// Natural logarithm of a positive, normal number; the most negative float for any other.
pub(super) fn logarithm(x: f64) -> f64 {
    if !x.is_normal() || x < 0.0 {
        return f64::MIN;
    }
    let bits = x.to_bits();
    let exponent = i32::try_from(bits >> 52).unwrap_or(0) - 1023;
    let mantissa = f64::from_bits(bits & 0x000F_FFFF_FFFF_FFFF | 1023 << 52);
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let square = s * s;
    let mut power = s;
    let mut sum = s;
    let mut n = 3.0;
    while n < 27.0 {
        power *= square;
        sum += power / n;
        n += 2.0;
    }
    2.0 * sum + f64::from(exponent) * LN_2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn they_agree_with_the_platform_library() {
        for step in -400..=400 {
            let x = f64::from(step) / 37.0;
            assert!((sine(x) - (x * TAU).sin()).abs() < 1e-9, "sine {x}");
            assert!((cosine(x) - (x * TAU).cos()).abs() < 1e-9, "cosine {x}");
            assert!((arctangent(x) - x.atan()).abs() < 1e-10, "arctangent {x}");
            assert!((exponential(x) / x.exp() - 1.0).abs() < 1e-12, "exp {x}");
            let y = x.abs() + 0.001;
            assert!((logarithm(y) - y.ln()).abs() < 1e-10, "ln {y}");
        }
        assert!(exponential(-1e9) < f64::MIN_POSITIVE);
        assert!(logarithm(0.0) < -1e300);
    }
}
