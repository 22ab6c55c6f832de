//! Weighted straight lines with honest intervals, from sums that take a reading at a time and from a robust fit.
//!
//! In logarithms a lamp's decay over burn hours is such a line ([`super::decay`]), and so is UV over distance
//! ([`super::distance`]).

use super::robust::median;
use super::student;

/// A reading to lay a line through. Its variance is that of a reading of weight 1 over `weight`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Known exactly.
    pub x: f64,
    /// Read with scatter.
    pub y: f64,
    /// How much it counts.
    pub weight: f64,
}

impl Point {
    /// Whether it can be used: finite, and with a weight above zero.
    pub(super) fn is_sound(&self) -> bool {
        self.x.is_finite() && self.y.is_finite() && self.weight.is_finite() && self.weight > 0.0
    }
}

/// Sums for a line, kept about the running means so that they stay exact however far from zero the readings are
/// (D. H. D. West, Commun. ACM 22, 1979). Each reading costs the same.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineSums {
    count: u32,
    weight: f64,
    mean_x: f64,
    mean_y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl LineSums {
    /// The sums of `points`.
    pub fn of(points: &[Point]) -> LineSums {
        let mut sums = LineSums::default();
        points.iter().for_each(|&point| sums.add(point));
        sums
    }

    /// Takes a reading; one that is not finite or has no weight above zero is left out.
    pub fn add(&mut self, point: Point) {
        if !point.is_sound() {
            return;
        }
        let (dx, dy) = (point.x - self.mean_x, point.y - self.mean_y);
        self.count = self.count.saturating_add(1);
        self.weight += point.weight;
        self.mean_x += dx * point.weight / self.weight;
        self.mean_y += dy * point.weight / self.weight;
        self.xx += point.weight * dx * (point.x - self.mean_x);
        self.xy += point.weight * dx * (point.y - self.mean_y);
        self.yy += point.weight * dy * (point.y - self.mean_y);
    }

    /// How many readings are in.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// The least-squares line, its scatter told by the readings themselves. None for fewer than three readings, or
    /// readings at one x.
    pub fn line(&self) -> Option<Line> {
        let freedom = self.count.checked_sub(2).filter(|&freedom| freedom > 0)?;
        let squares = (self.yy - self.xy / self.xx * self.xy).max(0.0);
        let scatter = (squares / f64::from(freedom)).sqrt();
        self.with_scatter(scatter, scatter, f64::from(freedom))
    }

    /// The least-squares line when a reading of weight 1 is known to scatter by `scatter` (a standard deviation). None
    /// for fewer than two readings, or readings at one x.
    pub fn line_knowing(&self, scatter: f64) -> Option<Line> {
        (self.count >= 2).then_some(())?;
        self.with_scatter(scatter, scatter, f64::INFINITY)
    }

    pub(super) fn with_scatter(&self, scatter: f64, of_fit: f64, freedom: f64) -> Option<Line> {
        let line = Line {
            centre: (self.mean_x, self.mean_y),
            slope: self.xy / self.xx,
            centre_error: of_fit / self.weight.sqrt(),
            slope_error: of_fit / self.xx.sqrt(),
            scatter,
            freedom,
        };
        let numbers = [line.centre.0, line.centre.1, line.slope, line.centre_error, line.slope_error, line.scatter];
        (self.xx > 0.0 && numbers.into_iter().all(f64::is_finite)).then_some(line)
    }
}

/// A fitted line `y = y₀ + slope·(x − x₀)` about the centre of its readings, where the errors of height and slope are
/// independent (N. R. Draper & H. Smith, *Applied Regression Analysis*, chapter 1, for all of its formulae).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// `(x₀, y₀)`, the weighted mean of the readings.
    pub centre: (f64, f64),
    /// Change of y per x.
    pub slope: f64,
    /// Standard error of y₀.
    pub centre_error: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard deviation of a reading of weight 1 about the line.
    pub scatter: f64,
    /// Degrees of freedom of the scatter; infinite where it was known beforehand.
    pub freedom: f64,
}

/// When a falling line reaches a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fall {
    /// Where the line itself does; none where it does not fall.
    pub expected: Option<f64>,
    /// The near end of the interval; none where the level may have been reached before the readings.
    pub earliest: Option<f64>,
    /// The far end; none where the readings allow that it never is.
    pub latest: Option<f64>,
}

impl Line {
    /// Height of the line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.centre.1 + self.slope * (x - self.centre.0)
    }

    /// Standard error of that height.
    pub fn error_at(&self, x: f64) -> f64 {
        let lever = (x - self.centre.0) * self.slope_error;
        (self.centre_error * self.centre_error + lever * lever).sqrt()
    }

    /// Covariance of the height at x = 0 and the slope.
    pub fn covariance(&self) -> f64 {
        -self.centre.0 * self.slope_error * self.slope_error
    }

    /// The interval that covers the true height at `x` with probability `share`.
    pub fn interval(&self, x: f64, share: f64) -> (f64, f64) {
        let half = student::half_width(share, self.freedom) * self.error_at(x);
        (self.at(x) - half, self.at(x) + half)
    }

    /// The interval that covers the next reading of weight 1 at `x` with probability `share`.
    pub fn prediction(&self, x: f64, share: f64) -> (f64, f64) {
        let half = student::half_width(share, self.freedom) * self.reading_error(x, 1.0);
        (self.at(x) - half, self.at(x) + half)
    }

    /// How far a new reading lies from the line, in standard deviations of what was to be expected: a sample for the
    /// charts of [`super::chart`]. No number where the line has no scatter at all.
    pub fn residual(&self, point: Point) -> f64 {
        (point.y - self.at(point.x)) / self.reading_error(point.x, point.weight)
    }

    fn reading_error(&self, x: f64, weight: f64) -> f64 {
        let of_line = self.error_at(x);
        (self.scatter * self.scatter / weight + of_line * of_line).sqrt()
    }

    /// The line after weighing its slope against one known beforehand as `slope` with standard error `error`: the mean
    /// by inverse variances (Bayes' rule for a normal prior). For a young lamp, whose own readings do not tell its
    /// slope yet. The freedom stays that of the readings, which makes intervals rather too wide than too narrow.
    #[must_use]
    pub fn with_prior_slope(self, slope: f64, error: f64) -> Line {
        let (own, prior) = (1.0 / (self.slope_error * self.slope_error), 1.0 / (error * error));
        if !(own.is_finite() && prior.is_finite() && slope.is_finite()) {
            return self;
        }
        let total = own + prior;
        Line { slope: (own * self.slope + prior * slope) / total, slope_error: (1.0 / total).sqrt(), ..self }
    }

    /// When the line falls to `level`, with the interval of Fieller (J. R. Stat. Soc. B 16, 1954) that covers it with
    /// probability `share`: all x at which the interval of the height holds the level. It is a statement on the line,
    /// not on single readings, which cross earlier and later by chance. None where the line rises for certain.
    pub fn falls_to(&self, level: f64, share: f64) -> Option<Fall> {
        let quantile = student::half_width(share, self.freedom);
        let above = self.centre.1 - level;
        let (of_height, of_slope) = (quantile * self.centre_error, quantile * self.slope_error);
        // (above + slope·u)² ≤ of_height² + of_slope²·u², with u = x − x₀, is a·u² + 2·b·u + c ≤ 0.
        let a = self.slope * self.slope - of_slope * of_slope;
        let b = above * self.slope;
        let c = above * above - of_height * of_height;
        if !(a.is_finite() && b.is_finite() && c.is_finite()) || (a > 0.0 && self.slope > 0.0) {
            return None;
        }
        let at = |u: f64| Some(self.centre.0 + u).filter(|x| x.is_finite());
        let (near, far) = roots(a, b, c);
        let (earliest, latest) = if a > 0.0 {
            (near.and_then(at), far.and_then(at))
        } else if above > 0.0 && c > 0.0 {
            // The slope may be zero: nothing ends the interval, and it begins ahead of the readings.
            let ahead = [near, far].into_iter().flatten().filter(|&u| u > 0.0).reduce(f64::min);
            (ahead.and_then(at), None)
        } else {
            (None, None)
        };
        let expected = if self.slope < 0.0 { at(-above / self.slope) } else { None };
        Some(Fall { expected, earliest, latest })
    }
}

/// The real roots of `a·u² + 2·b·u + c`, the lesser first, without cancellation (G. E. Forsythe, Am. Math. Mon. 77,
/// 1970). Only the first where there is one, none where there is none.
fn roots(a: f64, b: f64, c: f64) -> (Option<f64>, Option<f64>) {
    let inside = b * b - a * c;
    if !(inside >= 0.0) {
        return (None, None);
    }
    let sum = -(b + inside.sqrt().copysign(b));
    let finite = |root: f64| Some(root).filter(|root| root.is_finite());
    match (finite(sum / a), finite(c / sum)) {
        (Some(one), Some(other)) => (Some(one.min(other)), Some(one.max(other))),
        (Some(one), None) | (None, Some(one)) => (Some(one), (sum == 0.0).then_some(one)),
        (None, None) => (None, None),
    }
}

/// Where Huber's weights begin to fall, in standard deviations: 95 % efficient for normal readings (P. J. Huber,
/// *Robust Statistics*, 1981; the number from memory).
pub(super) const HUBER: f64 = 1.345;
/// Standard deviation of a normal distribution over its median absolute deviation, 1/Φ⁻¹(3/4).
pub(super) const NORMAL_PER_MAD: f64 = 1.482_602_218_505_602;
/// Most rounds of reweighting; a handful settles readings with a few bad ones.
const ROUNDS_MAX: u32 = 50;

/// The line through `points` after Huber: readings off the line by more than 1.345 standard deviations count in
/// proportion less, by reweighted least squares with the scale of the median absolute residual. Errors as Huber 1981,
/// section 7.6 (the ones the R package MASS prints).
///
/// Of the robust lines this one, because x, the burn hours, are known exactly, so that no bad reading has a lever
/// beyond its share; it takes weights and gives errors, which the median of slopes (Theil–Sen) does not; and it costs
/// a pass per round, not one per pair. A fifth of bad readings moves it little; where half are bad nothing helps.
pub fn huber(points: &[Point]) -> Option<Line> {
    let points: Vec<Point> = points.iter().copied().filter(Point::is_sound).collect();
    let plain = LineSums::of(&points);
    let mut line = plain.line()?;
    let mut scale = line.scatter;
    for _ in 0..ROUNDS_MAX {
        let residual = |point: &Point| (point.y - line.at(point.x)) * point.weight.sqrt();
        let mut sizes: Vec<f64> = points.iter().map(|point| residual(point).abs()).collect();
        scale = NORMAL_PER_MAD * median(&mut sizes)?;
        if !(scale > 0.0) {
            break;
        }
        let mut sums = LineSums::default();
        for point in &points {
            let trust = (HUBER * scale / residual(point).abs()).min(1.0);
            sums.add(Point { weight: point.weight * trust, ..*point });
        }
        let next = sums.line()?;
        let moved = (next.at(plain.mean_x) - line.at(plain.mean_x)).abs()
            + (next.slope - line.slope).abs() * (plain.xx / plain.weight).sqrt();
        line = next;
        if moved < 1e-6 * scale {
            break;
        }
    }
    let of_fit = huber_error(points.iter().map(|point| (point.y - line.at(point.x)) * point.weight.sqrt()), scale);
    // The errors are independent about the centre of the readings as they came, not as they were trusted.
    let centred = plain.with_scatter(scale, of_fit, f64::from(plain.count - 2))?;
    Some(Line { centre: (plain.mean_x, line.at(plain.mean_x)), slope: line.slope, ..centred })
}

/// What takes the place of the scatter in the errors of a Huber fit: `κ·√(Σψ²/(n−2))/mean(ψ′)` with
/// `κ = 1 + 2/n·var(ψ′)/mean(ψ′)²` (Huber 1981, equations 7.6.5 and 7.6.8).
pub(super) fn huber_error(residuals: impl ExactSizeIterator<Item = f64>, scale: f64) -> f64 {
    let n = residuals.len() as f64;
    let (mut squares, mut inside) = (0.0, 0.0);
    for residual in residuals {
        let held = residual.abs().min(HUBER * scale);
        squares += held * held;
        inside += f64::from(u8::from(residual.abs() <= HUBER * scale));
    }
    let mean = inside / n;
    let variance = mean * (1.0 - mean) * n / (n - 1.0);
    let kappa = 1.0 + 2.0 * variance / (n * mean * mean);
    kappa * (squares / (n - 2.0)).sqrt() / mean
}

#[cfg(test)]
mod tests;
