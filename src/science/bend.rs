//! A fitted line that may bend: for how long a straight forecast can be trusted.
//!
//! No lamp decays by one exponential for good, so in logarithms its course bends a little. [`Bent`] is a robust line with
//! the quadratic that is orthogonal to it over its readings, weighed against a prior of no bend at all: where the readings
//! tell a bend it is followed, and where they do not, a forecast's interval widens with what may be.

use super::line::{HUBER, Line, LineSums, NORMAL_PER_MAD, Point, huber_error};
use super::robust::median;
use super::student;

/// Most rounds of reweighting.
const ROUNDS_MAX: u32 = 20;
/// A course that a round moves by less than this share of the scatter has settled.
const SETTLED: f64 = 1e-3;
/// Fewer readings do not tell how long their errors last.
const PERSISTENCE_LEAST: usize = 10;
/// Ends are sought no farther off than so many times the span of the readings: as IES TM-21 reports none.
const SPANS_MAX: f64 = 6.0;
/// However it bends, a falling course keeps this share of its slope: a lamp does not recover. A guess.
const SLOPE_KEPT: f64 = 0.25;

/// A line that may bend.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bent {
    line: Line,
    /// Coefficient of the quadratic, with its standard error.
    bend: f64,
    bend_error: f64,
    /// How much longer than a reading errors last, as the factor that widens those of the fit.
    persistence: f64,
    quadratic: Quadratic,
    /// Where the readings end, and where the course goes straight on, both in u.
    last: f64,
    straight: f64,
    /// Span of the readings.
    span: f64,
}

/// The quadratic in u, the distance from the centre of the line: `u² − first·u − zeroth`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Quadratic {
    first: f64,
    zeroth: f64,
}

impl Quadratic {
    fn at(self, u: f64) -> f64 {
        u * u - self.first * u - self.zeroth
    }

    /// The one orthogonal to every line over points at `u` with a weight each; none where they are too few.
    fn orthogonal(points: impl Iterator<Item = (f64, f64)>) -> Option<Quadratic> {
        let mut m = [0.0; 4];
        let mut m4 = 0.0;
        for (u, weight) in points {
            let mut power = weight;
            for moment in &mut m {
                *moment += power;
                power *= u;
            }
            m4 += power;
        }
        let width = m[0] * m[2] - m[1] * m[1];
        let first = (m[0] * m[3] - m[1] * m[2]) / width;
        let zeroth = (m[2] * m[2] - m[1] * m[3]) / width;
        (width > 0.0 && first.is_finite() && zeroth.is_finite() && m4.is_finite())
            .then_some(Quadratic { first, zeroth })
    }
}

/// When a course falls to a level, within a reach of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// Where the course itself does.
    pub expected: Option<f64>,
    /// The near end of the interval.
    pub earliest: Option<f64>,
    /// The far end.
    pub latest: Option<f64>,
}

impl Bent {
    /// The course through `points`, which stand in order and about evenly, after Huber as
    /// [`line::huber`](super::line::huber), where a reading of weight 1 scatters by `least` at least and the coefficient of
    /// x² was known beforehand to be zero, give or take `prior` (a standard deviation). A bend is followed for `reach`
    /// beyond the last point; from there on the course goes straight. None for fewer than three points, or points at one x.
    ///
    /// Errors may last longer than one reading. The errors of the fit are widened by √((1 + r)/(1 − r)) with the
    /// correlation r of each residual with the next (G. V. Bayley & J. M. Hammersley, Suppl. J. R. Stat. Soc. 8, 1946);
    /// r, which comes out too small by (2 + 4·r)/n beside a line (D. Tjøstheim & J. Paulsen, Biometrika 70, 1983; from
    /// memory), is held to 0..0.8, a guess: beyond that a window knows too little of it.
    pub fn fit(points: &[Point], prior: f64, least: f64, reach: f64) -> Option<Bent> {
        let points: Vec<Point> = points.iter().copied().filter(Point::is_sound).collect();
        let plain = LineSums::of(&points);
        let line = plain.line()?;
        let ends = (points.first()?.x, points.last()?.x);
        let (last, span) = (ends.1 - line.centre.0, ends.1 - ends.0);
        let quadratic = Quadratic::orthogonal(points.iter().map(|point| (point.x - line.centre.0, point.weight)))?;
        let mut bent = Bent {
            line,
            bend: 0.0,
            bend_error: prior,
            persistence: 1.0,
            quadratic,
            last,
            straight: last + reach,
            span,
        };
        let mut scale = line.scatter.max(least);
        for _ in 0..ROUNDS_MAX {
            let next = bent.round(&points, prior, scale)?;
            let moved = (next.at(ends.0) - bent.at(ends.0)).abs() + (next.at(ends.1) - bent.at(ends.1)).abs();
            bent = next;
            let mut sizes: Vec<f64> = points.iter().map(|point| bent.residual(point).abs()).collect();
            scale = (NORMAL_PER_MAD * median(&mut sizes)?).max(least);
            if !(moved > SETTLED * scale) {
                break;
            }
        }
        bent.persistence = bent.persistence_of(&points, scale);
        let of_fit = huber_error(points.iter().map(|point| bent.residual(point)), scale).max(least) * bent.persistence;
        let bent = bent.round(&points, prior, scale)?;
        let line = plain.with_scatter(scale, of_fit, f64::from(plain.count() - 2))?;
        Some(Bent { line: Line { centre: bent.line.centre, slope: bent.line.slope, ..line }, ..bent }.held())
    }

    /// One round of reweighting: the line, the bend and its error anew, all about the centre it has.
    fn round(self, points: &[Point], prior: f64, scale: f64) -> Option<Bent> {
        let x0 = self.line.centre.0;
        let trust = |point: &Point| {
            let size = self.residual(point).abs();
            point.weight * if size > HUBER * scale { HUBER * scale / size } else { 1.0 }
        };
        let trusts: Vec<f64> = points.iter().map(trust).collect();
        let mut sums = LineSums::default();
        points.iter().zip(&trusts).for_each(|(point, &weight)| sums.add(Point { weight, ..*point }));
        let trusted = sums.line()?;
        let line = Line { centre: (x0, trusted.at(x0)), ..trusted };
        let of = |(point, &weight): (&Point, &f64)| (point.x - x0, weight);
        let quadratic = Quadratic::orthogonal(points.iter().zip(&trusts).map(of))?;
        let (mut along, mut squares) = (0.0, 0.0);
        for (point, weight) in points.iter().zip(&trusts) {
            let q = quadratic.at(point.x - x0);
            along += weight * q * (point.y - line.at(point.x));
            squares += weight * q * q;
        }
        let scatter = scale * self.persistence;
        let (told, known) = (squares / (scatter * scatter), 1.0 / (prior * prior));
        let total = told + known;
        let sound = squares > 0.0 && total.is_finite();
        let bend = if sound { along / squares * told / total } else { 0.0 };
        let bend_error = if sound { 1.0 / total.sqrt() } else { prior };
        Some(Bent { line, bend, bend_error, quadratic, ..self })
    }

    /// How far a reading lies off the course, for a reading of weight 1.
    fn residual(&self, point: &Point) -> f64 {
        let course = self.line.at(point.x) + self.bend * self.quadratic.at(point.x - self.line.centre.0);
        (point.y - course) * point.weight.sqrt()
    }

    /// Residuals beyond 2.5 standard deviations count as that.
    fn persistence_of(&self, points: &[Point], scale: f64) -> f64 {
        let (mut before, mut products, mut squares) = (0.0, 0.0, 0.0);
        for point in points {
            let residual = (self.residual(point) / scale).clamp(-2.5, 2.5);
            products += before * residual;
            squares += residual * residual;
            before = residual;
        }
        if points.len() < PERSISTENCE_LEAST || !(squares > 0.0) {
            return 1.0;
        }
        let (seen, n) = (products / squares, points.len() as f64);
        let correlation = (seen + (2.0 + 4.0 * seen) / n).clamp(0.0, 0.8);
        ((1.0 + correlation) / (1.0 - correlation)).sqrt()
    }

    /// What is known of a course before there are readings enough: its height at `x` and its slope, each with a standard
    /// error, and that it may bend by `prior`; from `last` on. None where a number is not finite.
    pub fn supposed(height: (f64, f64, f64), slope: (f64, f64), prior: f64, last: f64, reach: f64) -> Option<Bent> {
        let (x, y, centre_error) = height;
        let line = Line {
            centre: (x, y),
            slope: slope.0,
            centre_error,
            slope_error: slope.1,
            scatter: centre_error,
            freedom: f64::INFINITY,
        };
        let numbers = [x, y, centre_error, slope.0, slope.1, prior, last];
        let last = last - x;
        numbers.into_iter().all(f64::is_finite).then_some(Bent {
            line,
            bend: 0.0,
            bend_error: prior,
            persistence: 1.0,
            quadratic: Quadratic::default(),
            last,
            straight: last + reach,
            span: reach,
        })
    }

    /// The course after weighing its slope against one known beforehand ([`Line::with_prior_slope`]).
    #[must_use]
    pub fn with_prior_slope(self, slope: f64, error: f64) -> Bent {
        Bent { line: self.line.with_prior_slope(slope, error), ..self }.held()
    }

    /// The same, its bend held to what leaves a falling course its share of the slope.
    fn held(self) -> Bent {
        let steepening = 2.0 * self.straight - self.quadratic.first;
        let most = -(1.0 - SLOPE_KEPT) * self.line.slope / steepening;
        let bend = if self.line.slope < 0.0 && steepening > 0.0 { self.bend.min(most) } else { self.bend };
        Bent { bend, ..self }
    }

    /// The line without its bend.
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// The bend, the coefficient of x², with its standard error.
    pub fn bend(&self) -> (f64, f64) {
        (self.bend, self.bend_error)
    }

    /// How much longer than a reading errors last, as the factor that widens those of the fit.
    pub fn persistence(&self) -> f64 {
        self.persistence
    }

    /// The quadratic, and straight on where the bend is no longer followed.
    fn followed(&self, u: f64) -> f64 {
        let within = u.min(self.straight);
        self.quadratic.at(within) + (u - within) * (2.0 * within - self.quadratic.first)
    }

    /// Height of the course at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.line.at(x) + self.bend * self.followed(x - self.line.centre.0)
    }

    /// Standard error of that height.
    pub fn error_at(&self, x: f64) -> f64 {
        let (of_line, of_bend) = (self.line.error_at(x), self.bend_error * self.followed(x - self.line.centre.0));
        (of_line * of_line + of_bend * of_bend).sqrt()
    }

    /// Slope of the course at `x`.
    pub fn slope_at(&self, x: f64) -> f64 {
        let u = (x - self.line.centre.0).min(self.straight);
        self.line.slope + self.bend * (2.0 * u - self.quadratic.first)
    }

    /// When, from the last reading on, the course falls to `level`, with the interval that covers it with probability
    /// `share`: all x at which the interval of the height holds the level, as [`Line::falls_to`]. What lies farther off
    /// than six times the span of the readings is none.
    pub fn falls_to(&self, level: f64, share: f64) -> Crossing {
        let quantile = student::half_width(share, self.line.freedom);
        let end = |times: f64| {
            let over = |x: f64| self.at(x) + times * self.error_at(x) - level;
            let start = self.line.centre.0 + self.last;
            first_fall(over, start, SPANS_MAX * self.span)
        };
        Crossing { expected: end(0.0), earliest: end(-quantile), latest: end(quantile) }
    }
}

/// The first x from `start` on at which `over` is not above zero; none within `reach`.
fn first_fall(over: impl Fn(f64) -> f64, start: f64, reach: f64) -> Option<f64> {
    /// Steps of the search; each is a fiftieth of the reach.
    const STEPS: u32 = 50;
    /// Halvings of one step: to 2⁻²⁰ of it.
    const HALVINGS: u32 = 20;
    if !(over(start) > 0.0) {
        return Some(start).filter(|start| start.is_finite());
    }
    let step = reach / f64::from(STEPS);
    let fallen = (1..=STEPS).map(|n| start + step * f64::from(n)).find(|&x| !(over(x) > 0.0))?;
    let (mut above, mut below) = (fallen - step, fallen);
    for _ in 0..HALVINGS {
        let middle = (above + below) / 2.0;
        if over(middle) > 0.0 { above = middle } else { below = middle }
    }
    Some(below)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::line::huber;
    use crate::science::testing::{Pcg32, near, normal};

    /// Points at 0, 1, … with a height each and some noise.
    fn points(n: u32, noise: f64, height: impl Fn(f64) -> f64) -> Vec<Point> {
        let mut generator = Pcg32::new(3, 14);
        let point = |x: f64, y: f64| Point { x, y, weight: 1.0 };
        (0..n).map(f64::from).map(|x| point(x, height(x) + noise * normal(&mut generator))).collect()
    }

    #[test]
    fn a_parabola_is_found_and_followed() {
        // Its own numbers; the least-squares parabola through exact readings is the parabola.
        let truth = |x: f64| 5.0 - 0.02 * x - 0.0003 * x * x;
        let bent = Bent::fit(&points(60, 0.0, truth), 1.0, 1e-3, 100.0).expect("sixty");
        near(bent.bend().0, -0.0003, 1e-9);
        near(bent.at(120.0), truth(120.0), 1e-5);
        near(bent.slope_at(60.0), -0.02 - 0.036, 1e-6);
        // From 59 + 100 on it goes straight.
        near(bent.at(400.0) - bent.at(300.0), 100.0 * bent.slope_at(500.0), 1e-9);
    }

    #[test]
    fn without_room_to_bend_it_is_the_line_and_its_interval_is_fieller_s() {
        let readings = points(60, 0.05, |x| 5.0 - 0.02 * x);
        let line = huber(&readings).expect("sixty");
        let bent = Bent::fit(&readings, 1e-12, 0.0, 30.0).expect("sixty");
        // The errors of these readings last a little longer than one by chance.
        let wide = Line {
            centre_error: line.centre_error * bent.persistence(),
            slope_error: line.slope_error * bent.persistence(),
            ..line
        };
        let (by_search, by_fieller) = (bent.falls_to(3.0, 0.8), wide.falls_to(3.0, 0.8).expect("it falls"));
        near(by_search.expected.expect("it falls"), by_fieller.expected.expect("it falls"), 0.02);
        near(by_search.earliest.expect("it falls"), by_fieller.earliest.expect("it falls"), 0.02);
        near(by_search.latest.expect("it falls"), by_fieller.latest.expect("it falls"), 0.02);
        assert_eq!(bent.falls_to(-9.0, 0.8), Crossing { expected: None, earliest: None, latest: None });
        assert_eq!(bent.falls_to(9.0, 0.8).expected, Some(59.0), "it has fallen already");
    }

    #[test]
    fn room_to_bend_widens_a_forecast_and_few_readings_say_nothing_of_it() {
        let readings = points(12, 0.05, |x| 5.0 - 0.02 * x);
        let narrow = Bent::fit(&readings, 1e-12, 0.0, 60.0).expect("twelve");
        let wide = Bent::fit(&readings, 2e-4, 0.0, 60.0).expect("twelve");
        assert!(wide.bend().1 > 1.5e-4, "{wide:?}");
        assert!(wide.error_at(60.0) > 1.1 * narrow.error_at(60.0));
        assert!(wide.error_at(8.0) < 1.1 * narrow.error_at(8.0));
        for broken in [&[][..], &readings[..2], &[readings[3]; 5]] {
            assert_eq!(Bent::fit(broken, 2e-4, 0.01, 60.0), None);
        }
    }

    /// Share of 1500 courses that bend as the prior says whose truth is in the 80 % interval of a month ahead. The errors
    /// of the readings last: each is `lasts` of the one before.
    fn coverage(noise: f64, lasts: f64) -> f64 {
        let mut generator = Pcg32::new(8, 8);
        let covered = (0..1500).filter(|_| {
            let bend = 5e-5 * normal(&mut generator);
            let truth = |x: f64| 5.0 - 0.04 * x + bend * x * x;
            let mut error = 0.0;
            let mut reading = |x: f64| {
                error = lasts * error + (1.0 - lasts * lasts).sqrt() * noise * normal(&mut generator);
                Point { x, y: truth(x) + error, weight: 1.0 }
            };
            let readings: Vec<Point> = (0..60).map(|x| reading(f64::from(x))).collect();
            let crossing = Bent::fit(&readings, 5e-5, 0.0, 31.0).expect("sixty").falls_to(truth(90.0), 0.8);
            crossing.earliest.is_some_and(|at| at <= 90.0) && crossing.latest.is_none_or(|at| 90.0 <= at)
        });
        covered.count() as f64 / 1500.0
    }

    #[test]
    fn an_interval_of_80_percent_covers_80_percent_of_bent_truths() {
        // Four standard errors of 1500, √(0.8·0.2/1500) = 0.0103; 70 to 90 % is what a forecast promises where the
        // correlation of the errors has to be learnt from the same sixty readings.
        near(coverage(0.02, 0.0), 0.8, 0.042);
        near(coverage(0.10, 0.0), 0.8, 0.042);
        near(coverage(0.05, 0.5), 0.8, 0.1);
    }

    #[test]
    fn a_falling_course_does_not_turn_up_and_a_covered_probe_counts_little() {
        let bent = Bent::fit(&points(60, 0.0, |x| 5.0 - 0.02 * x + 0.0002 * x * x), 1.0, 1e-3, 100.0).expect("sixty");
        assert!(bent.line().slope < 0.0 && bent.slope_at(1e3) < 0.0, "{bent:?}");
        let mut readings = points(60, 0.02, |x| 5.0 - 0.02 * x);
        let clear = Bent::fit(&readings, 1e-4, 0.0, 30.0).expect("sixty");
        readings.iter_mut().skip(5).step_by(10).for_each(|covered| covered.y -= 1.0);
        let covered = Bent::fit(&readings, 1e-4, 0.0, 30.0).expect("sixty");
        near(covered.at(80.0), clear.at(80.0), 0.03);
        let supposed = Bent::supposed((0.0, 5.0, 0.1), (-0.02, 0.01), 0.0, 59.0, 30.0).expect("finite");
        near(supposed.at(200.0), 1.0, 1e-12);
        assert_eq!(Bent::supposed((0.0, f64::NAN, 0.1), (-0.02, 0.01), 0.0, 59.0, 30.0), None);
    }
}
