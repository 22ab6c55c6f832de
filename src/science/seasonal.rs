//! A quantity over the year: smooth between its points, and never beyond its neighbours.
//!
//! A piecewise cubic Hermite interpolation on a year that closes on itself. The slopes at the points are zero where the
//! values turn, and elsewhere the weighted harmonic mean of the two secants (Fritsch & Butland 1984, SIAM J. Sci. Stat.
//! Comput. 5:300–304), which keeps each slope within three times the smaller secant, and so the curve monotone between its
//! points (Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238–246). The points alone are the extremes. It is the method of
//! scipy's `PchipInterpolator`, which `tests/references/seasonal.py` holds it against.

use chrono::{Datelike as _, NaiveDate};

/// Days in the year of a curve. A leap day stands half-way between its neighbours, so that every date has its value in every
/// year.
pub const YEAR: f64 = 365.0;

/// First days of the months of a common year, from 0.
const MONTHS: [u32; 12] = [0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334];

/// The place of a month and day in a year of 365 days: 0 for 1 January, 58.5 for 29 February. None for no date.
pub fn place_of(month: u32, day: u32) -> Option<f64> {
    // A leap year has every date there is.
    NaiveDate::from_ymd_opt(2028, month, day)?;
    let first = *MONTHS.get(usize::try_from(month).ok()?.checked_sub(1)?)?;
    Some(if (month, day) == (2, 29) { 58.5 } else { f64::from(first + day - 1) })
}

/// The place of a date in its year.
pub fn place_of_date(date: NaiveDate) -> f64 {
    // A date has a month and a day that are one.
    place_of(date.month(), date.day()).unwrap_or(0.0)
}

/// The place of the middle of a month, 0 to 11.
pub fn middle_of(month0: usize) -> f64 {
    let ends = MONTHS.iter().skip(1).map(|first| f64::from(*first)).chain([YEAR]);
    let middle = MONTHS.iter().zip(ends).map(|(first, end)| f64::midpoint(f64::from(*first), end - 1.0));
    middle.into_iter().nth(month0).unwrap_or(0.0)
}

/// A curve over the year.
#[derive(Clone, Debug, PartialEq)]
pub struct Seasonal {
    /// Place, value and slope of each point, in order of place.
    points: Vec<Point>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    place: f64,
    value: f64,
    slope: f64,
}

impl Seasonal {
    /// A curve through points of place (0 ≤ place < 365) and value, in any order. None without a point, with two at one
    /// place, or with one that is no finite number.
    pub fn new(points: &[(f64, f64)]) -> Option<Seasonal> {
        let mut points: Vec<(f64, f64)> = points.to_vec();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let within = |(place, value): &(f64, f64)| (0.0..YEAR).contains(place) && value.is_finite();
        if points.is_empty() || !points.iter().all(within) || points.windows(2).any(|pair| pair[0].0 == pair[1].0) {
            return None;
        }
        let many = points.len();
        let at = |ix: usize| points[ix % many];
        let step = |ix: usize| {
            let ((from, a), (to, b)) = (at(ix), at(ix + 1));
            let length = if to > from { to - from } else { to - from + YEAR };
            (length, (b - a) / length)
        };
        let point = |ix: usize| {
            let ((place, value), before, after) = (at(ix), step(ix + many - 1), step(ix));
            Point { place, value, slope: slope(before, after) }
        };
        Some(Seasonal { points: (0..many).map(point).collect() })
    }

    /// The value at a place, which may lie in any year.
    pub fn at(&self, place: f64) -> f64 {
        let place = place.rem_euclid(YEAR);
        let many = self.points.len();
        let after = self.points.partition_point(|point| point.place <= place);
        let (from, to) = (self.points[(after + many - 1) % many], self.points[after % many]);
        let length = if to.place > from.place { to.place - from.place } else { to.place - from.place + YEAR };
        let t = (place - from.place).rem_euclid(YEAR) / length;
        let (rest, square) = (1.0 - t, t * t);
        // The cubic Hermite basis.
        let from_value = (1.0 + 2.0 * t) * rest * rest * from.value;
        let to_value = square * (3.0 - 2.0 * t) * to.value;
        let bends = length * (t * rest * rest * from.slope - square * rest * to.slope);
        // Rounding must not carry it beyond its neighbours.
        let (low, high) = (from.value.min(to.value), from.value.max(to.value));
        (from_value + to_value + bends).clamp(low, high)
    }

    /// The value on a date.
    pub fn on(&self, date: NaiveDate) -> f64 {
        self.at(place_of_date(date))
    }

    /// Least and greatest value: those of points.
    pub fn range(&self) -> (f64, f64) {
        let values = || self.points.iter().map(|point| point.value);
        (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max))
    }

    /// The fastest change from one day to the next, and the day of the year on which it is found.
    pub fn fastest(&self) -> (f64, u32) {
        let change = |day: u32| (self.at(f64::from(day) + 1.0) - self.at(f64::from(day))).abs();
        (0..365).map(|day| (change(day), day)).fold((0.0, 0), |most, now| if now.0 > most.0 { now } else { most })
    }
}

/// The slope between two secants, each with the length of its step: zero where they differ in sign.
fn slope((h0, d0): (f64, f64), (h1, d1): (f64, f64)) -> f64 {
    if !(d0 * d1 > 0.0) {
        return 0.0;
    }
    let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
    (w0 + w1) / (w0 / d0 + w1 / d1)
}

/// From 0 to 1 and back to rest at both ends: the cubic Hermite between two points at rest, t²(3 − 2t). Its steepest slope
/// is 1.5.
pub fn eased(share: f64) -> f64 {
    let share = share.clamp(0.0, 1.0);
    share * share * (3.0 - 2.0 * share)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn it_is_scipys_pchip_on_a_year_that_closes() {
        let text = include_str!("../../tests/fixtures/seasonal.csv");
        let mut curves: std::collections::BTreeMap<&str, Vec<(f64, f64)>> = std::collections::BTreeMap::new();
        let mut seen = 0;
        for line in text.lines().filter(|line| !line.starts_with('#')) {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |at: usize| cells[at].parse::<f64>().expect("a number");
            match cells[0] {
                "point" => curves.entry(cells[1]).or_default().push((number(2), number(3))),
                "value" => {
                    let curve = Seasonal::new(&curves[cells[1]]).expect("points");
                    let (found, expected) = (curve.at(number(2)), number(3));
                    assert!((found - expected).abs() < 1e-9, "{line}: {found}");
                    seen += 1;
                }
                _ => panic!("{line}"),
            }
        }
        assert!(seen > 1000 && curves.len() >= 4, "{seen}");
    }

    #[test]
    fn places_count_the_days_of_a_common_year() {
        for (month, day, expected) in
            [(1, 1, 0.0), (2, 28, 58.0), (2, 29, 58.5), (3, 1, 59.0), (6, 21, 171.0), (12, 31, 364.0)]
        {
            assert_eq!(place_of(month, day), Some(expected), "{month}-{day}");
        }
        assert_eq!((place_of(2, 30), place_of(13, 1), place_of(0, 1)), (None, None, None));
        // January has 31 days, from 0 to 30; February 28, from 31 to 58.
        assert_eq!((middle_of(0), middle_of(1), middle_of(11)), (15.0, 44.5, 349.0));
    }

    #[test]
    fn one_point_is_the_same_all_year_and_none_is_no_curve() {
        let flat = Seasonal::new(&[(100.0, 12.0)]).expect("a curve");
        assert!((0..365).all(|day| flat.at(f64::from(day)) == 12.0));
        assert_eq!(Seasonal::new(&[]), None);
        assert_eq!(Seasonal::new(&[(1.0, 2.0), (1.0, 3.0)]), None);
        assert_eq!(Seasonal::new(&[(1.0, f64::NAN)]), None);
    }

    #[test]
    fn a_way_begins_and_ends_at_rest() {
        assert_eq!([0.0, 0.25, 0.5, 1.0, 2.0].map(eased), [0.0, 0.15625, 0.5, 1.0, 1.0]);
    }

    proptest! {
        #[test]
        fn it_goes_through_its_points_and_never_beyond_its_neighbours(
            points in proptest::collection::btree_map(0_u32..365, -20.0_f64..60.0, 1..12),
        ) {
            let points: Vec<(f64, f64)> = points.into_iter().map(|(day, value)| (f64::from(day), value)).collect();
            let curve = Seasonal::new(&points).expect("points");
            for (place, value) in &points {
                prop_assert!((curve.at(*place) - value).abs() < 1e-9);
            }
            for (ix, (from, a)) in points.iter().enumerate() {
                let (to, b) = points[(ix + 1) % points.len()];
                let length = if to > *from { to - from } else { to - from + YEAR };
                let mut before = *a;
                for nth in 1..=20 {
                    let now = curve.at(from + length * f64::from(nth) / 20.0);
                    let rises = (b - a) * (now - before) >= -1e-9;
                    prop_assert!(rises, "monotone from {} to {}: {} then {}", a, b, before, now);
                    before = now;
                }
            }
        }
    }
}
