//! UV over distance, fitted to readings at two heights or more: at what height is a band met?
//!
//! Real lamps lie between a line, whose UV falls with the distance, and a point, where it falls with the square. Two
//! laws bracket them: a power of the distance from the lamp's face, and a point that sits deeper than the face, as the
//! focus of a reflector does. What is answered is their mean, with an interval that holds both and the error of the
//! meter; `meter height` prints it.
//!
//! A centimetre of height matters close in. Set the height, then measure there before an animal basks.

use super::calibration::{METER, PLACING};
use super::least_squares;
use super::line::{Line, LineSums, Point};
use super::student;
use super::uv::Metres;
use crate::units::Uvi;

/// A meter reading below a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// From the lamp's face.
    pub at: Metres,
    /// What the meter showed.
    pub uvi: Uvi,
    /// What the mesh in between lets pass, 0..=1; 1 without one ([`super::uv::mesh_factor`]).
    pub mesh: f64,
}

/// A height that answers a question.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Height {
    /// The mean of the two laws; zero where even the lamp's face is too weak.
    pub best: Metres,
    /// The near end of the interval.
    pub low: Metres,
    /// The far end.
    pub high: Metres,
    /// Whether it lies so far outside the readings that only a reading there tells.
    pub is_beyond: bool,
}

/// A UV index at some height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strength {
    /// The geometric mean of the two laws.
    pub best: Uvi,
    /// The low end of the interval.
    pub low: Uvi,
    /// The high end.
    pub high: Uvi,
}

/// The heights between which a band is met.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heights {
    /// Where the band's upper end is met: no nearer than this, or its far end to be safe.
    pub nearest: Height,
    /// Where its lower end is met.
    pub farthest: Height,
}

/// A height this many times outside the readings is beyond them: a guess.
const BEYOND: f64 = 1.5;

/// UV over distance under one lamp, with nothing in between.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Falling {
    /// ln UVI over ln metres, falling with a power of 1 to 2.
    power: Line,
    /// The point behind the face; none where the readings fall as fast as from a point at the face, or faster.
    deep: Option<Deep>,
    /// Nearest and farthest reading, m.
    range: (f64, f64),
    /// See [`Falling::disagreement`].
    disagreement: f64,
}

/// `UVI = e^log_strength/(distance + depth)²`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Deep {
    log_strength: f64,
    /// m, above zero.
    depth: f64,
    /// Covariance of the two.
    covariance: [[f64; 2]; 2],
}

/// The fit to `readings`. None for fewer than two heights, or where the UV does not fall with distance.
pub fn fit(readings: &[Reading]) -> Option<Falling> {
    let usable = |reading: &&Reading| {
        [reading.at.0, reading.uvi.0, reading.mesh].into_iter().all(|value| value.is_finite() && value > 0.0)
    };
    // (distance, ln UVI without the mesh)
    let bare: Vec<(f64, f64)> = readings
        .iter()
        .filter(usable)
        .map(|reading| (reading.at.0, libm::log(reading.uvi.0 / reading.mesh.min(1.0))))
        .collect();
    let points: Vec<Point> = bare.iter().map(|&(at, y)| Point { x: libm::log(at), y, weight: 1.0 }).collect();
    let sums = LineSums::of(&points);
    let scatter = sums.line().map_or(PLACING.0, |line| line.scatter.max(PLACING.0));
    let free = sums.line_knowing(scatter)?;
    if !(free.slope < 0.0) {
        return None;
    }
    let power = Line { slope: free.slope.clamp(-2.0, -1.0), ..free };
    let squares = points.iter().map(|point| (point.y - power.at(point.x)) * (point.y - power.at(point.x)));
    let disagreement = (squares.sum::<f64>() / points.len() as f64).sqrt() / PLACING.0;
    let range = bare.iter().fold((f64::INFINITY, 0.0_f64), |(near, far), &(at, _)| (near.min(at), far.max(at)));
    Some(Falling { power, deep: Deep::fit(&bare, scatter), range, disagreement })
}

impl Deep {
    /// By least squares in logarithms. None for a depth that is not above zero, which the other law covers.
    fn fit(bare: &[(f64, f64)], scatter: f64) -> Option<Deep> {
        let points: Vec<_> = bare.iter().map(|&(x, y)| least_squares::Point { x, y, weight: 1.0 }).collect();
        let start = [bare.iter().map(|(at, y)| y + 2.0 * libm::log(*at)).sum::<f64>() / bare.len() as f64, 0.0];
        let fitted = least_squares::fit(&points, start, |at, [log_strength, depth]| {
            (log_strength - 2.0 * libm::log(at + depth), [1.0, -2.0 / (at + depth)])
        })?;
        let [log_strength, depth] = fitted.parameters;
        let covariance = fitted.shape.map(|row| row.map(|value| value * scatter * scatter));
        (depth > 0.0).then_some(Deep { log_strength, depth, covariance })
    }

    /// Variance of `ln UVI` at `distance`.
    fn variance(&self, distance: f64) -> f64 {
        let by_depth = -2.0 / (distance + self.depth);
        let [[strength, both], [_, depth]] = self.covariance;
        strength + 2.0 * by_depth * both + by_depth * by_depth * depth
    }
}

/// Standard deviation of a fit of variance `variance` and the meter's own error together.
fn with_meter(variance: f64) -> f64 {
    (variance + METER.0 * METER.0).sqrt()
}

impl Falling {
    /// The power of the distance with which the UV falls: 1 for a line, 2 for a point.
    pub fn exponent(&self) -> f64 {
        -self.power.slope
    }

    /// How far the readings lie from the power law, as a root mean square in units of [`PLACING`]. From about 3 on they
    /// fit no lamp: one is wrong, or there are two lamps, or the mesh is not what was said.
    pub fn disagreement(&self) -> f64 {
        self.disagreement
    }

    /// The UV index at `distance` below a mesh that lets `mesh` pass, with the interval that covers it with probability
    /// `share`. None for a distance or a mesh that is not above zero.
    pub fn at(&self, distance: Metres, mesh: f64, share: f64) -> Option<Strength> {
        if !(distance.0 > 0.0 && mesh > 0.0 && distance.0.is_finite()) {
            return None;
        }
        let quantile = student::half_width(share, f64::INFINITY);
        let x = libm::log(distance.0);
        let of_line = self.power.error_at(x);
        let power = (self.power.at(x), quantile * with_meter(of_line * of_line));
        let deep = self.deep.map(|deep| {
            let y = deep.log_strength - 2.0 * libm::log(distance.0 + deep.depth);
            (y, quantile * with_meter(deep.variance(distance.0)))
        });
        let (best, low, high) = joined(power, deep);
        let uvi = |y: f64| Uvi(libm::exp(y) * mesh.min(1.0));
        Some(Strength { best: uvi(best), low: uvi(low), high: uvi(high) })
    }

    /// The height at which the UV index is `level` below a mesh that lets `mesh` pass, with the interval that covers it
    /// with probability `share` (errors carried to the height by its derivatives, GUM, JCGM 100:2008, 5.1.2). None for
    /// a level or a mesh that is not above zero.
    pub fn height_for(&self, level: Uvi, mesh: f64, share: f64) -> Option<Height> {
        if !(level.0 > 0.0 && mesh > 0.0 && level.0.is_finite()) {
            return None;
        }
        let quantile = student::half_width(share, f64::INFINITY);
        let y = libm::log(level.0 / mesh.min(1.0));
        let x = self.power.centre.0 + (y - self.power.centre.1) / self.power.slope;
        let of_line = self.power.error_at(x);
        let best = libm::exp(x);
        // dx = dy/slope, and d(height) = height·dx.
        let power = (best, quantile * best * with_meter(of_line * of_line) / self.exponent());
        let deep = self.deep.map(|deep| {
            let from_point = libm::exp((deep.log_strength - y) / 2.0);
            let height = from_point - deep.depth;
            (height, quantile * with_meter(deep.variance(height)) * from_point / 2.0)
        });
        let (best, low, high) = joined(power, deep);
        let is_beyond = best < self.range.0 / BEYOND || best > self.range.1 * BEYOND;
        let metres = |height: f64| Metres(height.max(0.0));
        Some(Height { best: metres(best), low: metres(low), high: metres(high), is_beyond })
    }

    /// The heights between which the UV index is from `low` to `high`.
    pub fn band(&self, low: Uvi, high: Uvi, mesh: f64, share: f64) -> Option<Heights> {
        Some(Heights { nearest: self.height_for(high, mesh, share)?, farthest: self.height_for(low, mesh, share)? })
    }
}

/// Best, low and high of what one law says, or both: each a value with its half-width.
fn joined(power: (f64, f64), deep: Option<(f64, f64)>) -> (f64, f64, f64) {
    let deep = deep.unwrap_or(power);
    ((power.0 + deep.0) / 2.0, (power.0 - power.1).min(deep.0 - deep.1), (power.0 + power.1).max(deep.0 + deep.1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::{Pcg32, near, normal};

    fn readings(list: &[(f64, f64)]) -> Vec<Reading> {
        list.iter().map(|&(at, uvi)| Reading { at: Metres(at), uvi: Uvi(uvi), mesh: 1.0 }).collect()
    }

    #[test]
    fn a_measured_pair_lies_between_line_and_point() {
        // One keeper's readings of a lamp with a reflector: 3.8 at about 10 cm, 1.3 at about 20 cm. By hand:
        // n = ln(3.8/1.3)/ln 2 = 1.547. UVI 2 is met by that power at 0.2·(1.3/2)^(1/n) = 15.14 cm, and by a point
        // 4.09 cm deep, √(3.8/1.3) = (20 + t)/(10 + t), at 15.33 cm.
        let falling = fit(&readings(&[(0.1, 3.8), (0.2, 1.3)])).expect("it falls");
        near(falling.exponent(), 1.547, 0.0006);
        near(falling.deep.expect("deeper than its face").depth, 0.0409, 5e-5);
        let height = falling.height_for(Uvi(2.0), 1.0, 0.8).expect("a level");
        near(height.best.0, (0.1514 + 0.1533) / 2.0, 1e-4);
        assert!(height.low.0 < 0.1514 && height.high.0 > 0.1533 && !height.is_beyond);
        near(falling.disagreement(), 0.0, 1e-9);
        for (at, uvi) in [(0.1, 3.8), (0.2, 1.3)] {
            near(falling.at(Metres(at), 1.0, 0.8).expect("a distance").best.0, uvi, 1e-6);
        }
    }

    #[test]
    fn points_and_lines_are_recognised() {
        // Physics: 30 → 45 cm leaves 4/9 of a point and 2/3 of a line.
        let point = fit(&readings(&[(0.3, 4.5), (0.6, 4.5 / 4.0)])).expect("it falls");
        near(point.exponent(), 2.0, 1e-9);
        near(point.at(Metres(0.45), 1.0, 0.8).expect("a distance").best.0 / 4.5, 0.4444, 1e-4);
        let line = fit(&readings(&[(0.3, 4.5), (0.45, 3.0), (0.6, 2.25)])).expect("it falls");
        near(line.exponent(), 1.0, 1e-9);
        near(line.at(Metres(0.45), 1.0, 0.8).expect("a distance").best.0 / 4.5, 0.6667, 0.01);
        near(line.at(Metres(0.30), 1.0, 0.8).expect("a distance").best.0, 4.5, 0.05);
    }

    #[test]
    fn a_mesh_brings_the_lamp_nearer() {
        let bare = fit(&readings(&[(0.3, 4.5), (0.6, 4.5 / 4.0)])).expect("it falls");
        let behind: Vec<Reading> = readings(&[(0.3, 2.25), (0.6, 4.5 / 8.0)])
            .into_iter()
            .map(|reading| Reading { mesh: 0.5, ..reading })
            .collect();
        let behind = fit(&behind).expect("it falls");
        let [a, b] = [bare, behind].map(|fit| fit.height_for(Uvi(2.0), 0.5, 0.8).expect("a level").best.0);
        near(a, b, 1e-9);
        // A point through half a mesh is as strong at 1/√2 of the distance (physics).
        near(a, bare.height_for(Uvi(2.0), 1.0, 0.8).expect("a level").best.0 / 2.0_f64.sqrt(), 1e-9);
    }

    #[test]
    fn a_band_is_met_between_two_heights() {
        let falling = fit(&readings(&[(0.2, 8.0), (0.4, 2.0)])).expect("it falls");
        let heights = falling.band(Uvi(2.9), Uvi(7.4), 1.0, 0.8).expect("a band");
        near(heights.nearest.best.0, 0.2 * (8.0_f64 / 7.4).sqrt(), 1e-9);
        near(heights.farthest.best.0, 0.2 * (8.0_f64 / 2.9).sqrt(), 1e-9);
        // A tenth of meter error is a twentieth of height for a point (half of it, by its derivative), with the hand's.
        let half_width = (heights.nearest.high.0 - heights.nearest.low.0) / 2.0 / heights.nearest.best.0;
        assert!((1.2816 * 0.05..1.2816 * 0.065).contains(&half_width), "{half_width}");
        assert!(!heights.farthest.is_beyond);
        assert!(falling.height_for(Uvi(0.2), 1.0, 0.8).expect("a level").is_beyond);
    }

    #[test]
    fn an_interval_of_80_percent_covers_70_to_90_percent_of_the_truths() {
        // Lamps of either law with the stated errors of meter and hand, read at three heights.
        let mut generator = Pcg32::new(30, 45);
        for (exponent, depth) in [(1.5, 0.0), (2.0, 0.05)] {
            let truth = |at: f64| 0.2 * libm::pow(at + depth, -exponent);
            let covered = (0..1000).filter(|_| {
                let meter = METER.0 * normal(&mut generator);
                let taken =
                    [0.2, 0.3, 0.45].map(|at| (at, truth(at) * libm::exp(meter + PLACING.0 * normal(&mut generator))));
                let height = fit(&readings(&taken)).expect("it falls").height_for(Uvi(truth(0.35)), 1.0, 0.8);
                let height = height.expect("a level");
                height.low.0 <= 0.35 && 0.35 <= height.high.0
            });
            let share = covered.count() as f64 / 1000.0;
            assert!((0.70..0.90).contains(&share), "{share} for the power {exponent}");
        }
    }

    #[test]
    fn readings_that_fit_no_lamp_say_so() {
        assert!(fit(&readings(&[(0.2, 3.0), (0.4, 2.9)])).expect("it falls").disagreement() > 3.0, "hardly falls");
        assert!(fit(&readings(&[(0.2, 30.0), (0.4, 2.0)])).expect("it falls").disagreement() > 3.0, "falls too fast");
        assert_eq!(fit(&readings(&[(0.2, 3.0), (0.4, 3.1)])), None, "rises");
        assert_eq!(fit(&readings(&[(0.2, 3.0), (0.2, 3.1)])), None, "one height");
        assert_eq!(fit(&readings(&[(0.2, 3.0), (0.4, 0.0)])), None, "one reading");
        assert_eq!(fit(&readings(&[(0.2, f64::NAN), (f64::INFINITY, 1.0), (-0.1, 1.0)])), None);
    }

    #[test]
    fn nonsense_has_no_height() {
        let falling = fit(&readings(&[(0.2, 8.0), (0.4, 2.5)])).expect("it falls");
        for nonsense in [0.0, -1.0, f64::NAN] {
            assert_eq!(falling.height_for(Uvi(nonsense), 1.0, 0.8), None);
            assert_eq!(falling.height_for(Uvi(1.0), nonsense, 0.8), None);
            assert_eq!(falling.at(Metres(nonsense), 1.0, 0.8), None);
        }
        assert_eq!(falling.at(Metres(f64::INFINITY), 1.0, 0.8), None);
        // Stronger than at the face of a lamp that sits deep: not met, which zero says for the low end.
        assert_eq!(falling.height_for(Uvi(1e6), 1.0, 0.8).expect("a level").low, Metres(0.0));
    }
}
