//! Quantiles of Student's t distribution: how wide an interval must be when the scatter itself is only estimated.
//!
//! Used by the intervals of [`super::line`] and so by every forecast.

use std::f64::consts::{PI, SQRT_2};

/// Steps of a continued fraction, or of a search, before it is taken as it is.
const STEPS_MAX: u32 = 300;

/// Half-width, in standard errors, of the interval that covers the middle `share` (0..1) of Student's t distribution
/// with `freedom` degrees of freedom: 1.96 for 0.95 of a normal distribution, which is that of infinite freedom. A
/// share of zero or less, or none, gives zero; from one on, or without freedom, the interval has no end.
pub fn half_width(share: f64, freedom: f64) -> f64 {
    if !(share > 0.0) {
        return 0.0;
    }
    if !(share < 1.0 && freedom > 0.0) {
        return f64::INFINITY;
    }
    let tail = (1.0 - share) / 2.0;
    let (mut below, mut above) = (0.0, 1.0);
    while upper_tail(above, freedom) > tail && above < 1e300 {
        (below, above) = (above, above * 2.0);
    }
    // Newton's method, held in the bracket.
    let mut t = (below + above) / 2.0;
    for _ in 0..STEPS_MAX {
        let excess = upper_tail(t, freedom) - tail;
        if excess > 0.0 {
            below = t;
        } else {
            above = t;
        }
        let newton = t + excess / density(t, freedom);
        let next = if below < newton && newton < above { newton } else { (below + above) / 2.0 };
        let moved = (next - t).abs();
        t = next;
        if moved <= 1e-13 * t {
            break;
        }
    }
    t
}

/// Probability above `t`, which is not negative: `½·I_x(ν/2, ½)` with `x = ν/(ν+t²)` (Abramowitz & Stegun 26.7.1).
fn upper_tail(t: f64, freedom: f64) -> f64 {
    if freedom.is_infinite() {
        return 0.5 * libm::erfc(t / SQRT_2);
    }
    let square = t * t;
    0.5 * incomplete_beta(freedom / (freedom + square), square / (freedom + square), freedom / 2.0, 0.5)
}

/// Density of Student's t distribution at `t` (Abramowitz & Stegun 26.7).
fn density(t: f64, freedom: f64) -> f64 {
    if freedom.is_infinite() {
        return libm::exp(-0.5 * t * t) / (2.0 * PI).sqrt();
    }
    let scale = libm::lgamma((freedom + 1.0) / 2.0) - libm::lgamma(freedom / 2.0) - 0.5 * libm::log(freedom * PI);
    libm::exp(scale - (freedom + 1.0) / 2.0 * libm::log1p(t * t / freedom))
}

/// The regularised incomplete beta function `I_x(a, b)`, for `x` in 0..=1, positive `a` and `b`, and `rest = 1 − x`,
/// which near x = 1 is known better than it could be subtracted here: the continued fraction DLMF 8.17.22, on the side
/// where it converges fast, evaluated by Lentz's method (DLMF 3.10(iii)).
fn incomplete_beta(x: f64, rest: f64, a: f64, b: f64) -> f64 {
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(rest, x, b, a);
    }
    if !(x > 0.0) {
        return 0.0;
    }
    let front =
        libm::exp(libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b) + a * libm::log(x) + b * libm::log(rest)) / a;
    let term = |step: u32| -> f64 {
        let m = f64::from(step / 2);
        if step.is_multiple_of(2) {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        }
    };
    let off_zero = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let (mut c, mut d, mut fraction) = (1.0, 0.0, 1.0);
    for step in 1..=STEPS_MAX {
        let term = term(step);
        d = 1.0 / off_zero(1.0 + term * d);
        c = off_zero(1.0 + term / c);
        fraction *= c * d;
        if (c * d - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front / fraction
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::near;

    #[test]
    fn quantiles_are_those_of_the_printed_table() {
        // NIST/SEMATECH e-Handbook 1.3.6.7.2, upper critical values for 0.90, 0.95, 0.975, 0.99, 0.995 (from memory,
        // three decimals; scipy 1.17.1 gives the same).
        let table = [
            (1.0, [3.078, 6.314, 12.706, 31.821, 63.657]),
            (2.0, [1.886, 2.920, 4.303, 6.965, 9.925]),
            (3.0, [1.638, 2.353, 3.182, 4.541, 5.841]),
            (5.0, [1.476, 2.015, 2.571, 3.365, 4.032]),
            (10.0, [1.372, 1.812, 2.228, 2.764, 3.169]),
            (30.0, [1.310, 1.697, 2.042, 2.457, 2.750]),
            (100.0, [1.290, 1.660, 1.984, 2.364, 2.626]),
            (f64::INFINITY, [1.282, 1.645, 1.960, 2.326, 2.576]),
        ];
        for (freedom, row) in table {
            for (share, printed) in [0.80, 0.90, 0.95, 0.98, 0.99].into_iter().zip(row) {
                near(half_width(share, freedom), printed, 0.000_51);
            }
        }
    }

    #[test]
    fn quantiles_have_closed_forms_for_one_and_two_degrees_of_freedom() {
        // ν = 1 is Cauchy: tan(π·share/2). ν = 2: share·√(2/(1 − share²)) (textbook inversions).
        for share in [1e-6, 0.1, 0.5, 0.8, 0.95, 0.999, 0.999_999] {
            let cauchy = libm::tan(PI * share / 2.0);
            near(half_width(share, 1.0) / cauchy, 1.0, 1e-9);
            near(half_width(share, 2.0) / (share * (2.0 / (1.0 - share * share)).sqrt()), 1.0, 1e-9);
        }
    }

    #[test]
    fn much_freedom_is_normal() {
        near(half_width(0.8, 1e7), half_width(0.8, f64::INFINITY), 1e-6);
    }

    #[test]
    fn nonsense_gives_no_interval_or_one_without_end() {
        for (share, freedom, expected) in [
            (0.0, 5.0, 0.0),
            (-1.0, 5.0, 0.0),
            (f64::NAN, 5.0, 0.0),
            (1.0, 5.0, f64::INFINITY),
            (0.8, 0.0, f64::INFINITY),
            (0.8, f64::NAN, f64::INFINITY),
        ] {
            assert_eq!(half_width(share, freedom), expected);
        }
    }
}
