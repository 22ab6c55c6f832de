//! Pure numbers: each function names the source of its formula and knows no settings. What keeps something between
//! samples (a chart, sums, a window) is a plain value that its owner feeds; none reads a clock.

pub mod bend;
pub mod calibration;
pub mod chart;
pub mod clear_sky;
pub mod decay;
pub mod distance;
pub mod least_squares;
pub mod line;
pub mod robust;
pub mod seasonal;
pub mod sequential;
pub mod step;
pub mod student;
pub mod sun;
pub mod thermal;
pub mod uv;

#[cfg(test)]
pub mod arl;

/// What the tests of this room share.
#[cfg(test)]
pub mod testing {
    pub use crate::simulator::Pcg32;

    /// A normal number with mean 0 and standard deviation 1 (G. E. P. Box and M. E. Muller, Ann. Math. Statist. 29,
    /// 1958). Its tails are true ones, which run lengths and error rates hang on.
    pub fn normal(generator: &mut Pcg32) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - generator.unit()));
        radius * libm::cos(2.0 * std::f64::consts::PI * generator.unit())
    }

    /// Fails unless `found` is within `tolerance` of `expected`.
    #[track_caller]
    pub fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} is not within {tolerance} of {expected}");
    }
}
