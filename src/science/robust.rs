//! Statistics that a few bad readings do not move.
//!
//! [`unshaded`] makes the one number that a UV band is judged by and a decay is fitted to: the middle of what the probe read
//! while it and its lamp were warm and nothing lay there. Medians and [`deviation`] pair meter readings with the raw
//! readings around them.

use super::line::NORMAL_PER_MAD;

/// The quantile of a day's warm readings that stands for the lamp: with a third of the day shaded it is the median of
/// the rest, (5/6 − 1/3)/(1 − 1/3) = 1/2 (arithmetic); without shade it lies 0.97 standard deviations of a reading
/// above the median, so that shade for up to a third of the day moves it by less than one.
pub const UNSHADED: f64 = 5.0 / 6.0;

/// The middle of `values`, which it sorts; none of none. Values that are no number are left out.
pub fn median(values: &mut [f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile `share` (0..=1) of `values`, which it sorts: linear between the order statistics, at `(n − 1)·share` from
/// the least (type 7 of R. J. Hyndman & Y. Fan, The American Statistician 50, 1996; the default of R and NumPy). None
/// of none. Values that are no number are left out.
pub fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    // NaN of either sign is sorted to the ends, by the total order of IEEE 754.
    values.sort_unstable_by(f64::total_cmp);
    let from = values.iter().position(|value| !value.is_nan())?;
    let to = values.iter().rposition(|value| !value.is_nan())?;
    let values = &values[from..=to];
    let place = (values.len() - 1) as f64 * if share > 0.0 { share.min(1.0) } else { 0.0 };
    let below = place.floor() as usize;
    let (low, high) = (values[below], values[(below + 1).min(values.len() - 1)]);
    Some(if low == high { low } else { low + (place - place.floor()) * (high - low) })
}

/// Standard deviation of the bulk of `values`, which it sorts: the median absolute deviation from the median, scaled to
/// agree with it for normal values (F. R. Hampel, J. Am. Stat. Assoc. 69, 1974; factor 1.4826). None of none.
pub fn deviation(values: &mut [f64]) -> Option<f64> {
    let middle = median(values)?;
    let mut distances: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    median(&mut distances).map(|distance| NORMAL_PER_MAD * distance)
}

/// What a lamp gave over a day, by [`unshaded`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unshaded {
    /// In the unit of the values.
    pub value: f64,
    /// Standard deviation of one of them, as a share of `value`.
    pub scatter: f64,
    /// How many of them stand for it: those not in shade.
    pub count: usize,
}

/// Standard deviation of a normal number over the median distance of two of them, 1/(√2·Φ⁻¹(3/4)).
const NORMAL_PER_DIFFERENCE: f64 = NORMAL_PER_MAD / std::f64::consts::SQRT_2;
/// Values this many standard deviations below the unshaded quantile are in shade. The quantile of values without shade
/// lies 0.97 of them above their middle (normal distribution), so that 1 in 800 is taken for shade by chance.
const SHADE_DEPTH: f64 = 4.0;
/// Shade that takes less than this share is none; a guess. Coarse steps of a probe, and a lamp that follows the warmth of
/// its room, stay within it.
const SHADE_LEAST: f64 = 0.02;

/// What a lamp gave over a day, from `values` in the order of time, evenly spread: means or medians of some minutes each,
/// while probe and lamp were warm, in a unit proportional to its UV and without background.
///
/// It is the median of the values that are not in shade: below the quantile [`UNSHADED`] by no more than
/// [`SHADE_DEPTH`] standard deviations. These are told by each value's distance from the next (after J. von Neumann et
/// al., Ann. Math. Statist. 12, 1941; by its median, so that the few edges of shade do not count), which shade that
/// comes in blocks leaves alone. Without shade it is the median of all, with no bias; with shade for up to five sixths of
/// the day the median of the rest. None of none, or where the lamp gave nothing.
pub fn unshaded(values: &[f64]) -> Option<Unshaded> {
    let mut finite = Vec::with_capacity(values.len());
    finite.extend(values.iter().copied().filter(|value| value.is_finite()));
    let top = chosen(&mut finite, UNSHADED).filter(|&top| top > 0.0)?;
    let mut distances = Vec::with_capacity(values.len());
    let pairs = values.windows(2).filter(|pair| pair.iter().all(|value| value.is_finite()));
    distances.extend(pairs.map(|pair| (pair[1] - pair[0]).abs()));
    let deviation = NORMAL_PER_DIFFERENCE * chosen(&mut distances, 0.5).unwrap_or(0.0);
    let shade = top - (SHADE_DEPTH * deviation).max(SHADE_LEAST * top);
    finite.retain(|&value| !(value < shade));
    let value = chosen(&mut finite, 0.5)?;
    Some(Unshaded { value, scatter: deviation / value, count: finite.len() })
}

/// [`quantile`] of numbers that are all finite, without sorting them all.
fn chosen(values: &mut [f64], share: f64) -> Option<f64> {
    let place = values.len().checked_sub(1)? as f64 * share;
    let below = place.floor() as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let high = above.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    Some(if low == high { low } else { low + (place - place.floor()) * (high - low) })
}

/// The last readings, up to a number fixed at its making, for the robust middle of what was just read.
#[derive(Clone, Debug, PartialEq)]
pub struct Recent {
    readings: Vec<f64>,
    /// Where the oldest stands once it is full.
    oldest: usize,
    size: usize,
}

impl Recent {
    /// An empty window of the last `size` readings, at least one.
    pub fn new(size: usize) -> Recent {
        Recent { readings: Vec::new(), oldest: 0, size: size.max(1) }
    }

    /// Takes a reading in the place of the oldest; one that is not finite is missing and left out.
    pub fn push(&mut self, reading: f64) {
        if !reading.is_finite() {
            return;
        }
        if self.readings.len() < self.size {
            self.readings.push(reading);
        } else {
            self.readings[self.oldest] = reading;
            self.oldest = (self.oldest + 1) % self.size;
        }
    }

    /// How many readings it holds.
    pub fn count(&self) -> usize {
        self.readings.len()
    }

    /// The middle of them; none of none.
    pub fn median(&self) -> Option<f64> {
        median(&mut self.readings.clone())
    }

    /// Standard deviation of the bulk of them ([`deviation`]); none of none.
    pub fn deviation(&self) -> Option<f64> {
        deviation(&mut self.readings.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::{Pcg32, near, normal};

    #[test]
    fn quantiles_are_those_of_r() {
        // R, quantile(1:10, type = 7) for 0, 25, 50, 75, 100 %: 1.00 3.25 5.50 7.75 10.00; 90 % is 9.1.
        for (share, expected) in [(0.0, 1.0), (0.25, 3.25), (0.5, 5.5), (0.75, 7.75), (0.9, 9.1), (1.0, 10.0)] {
            let mut values: Vec<f64> = (1..=10).rev().map(f64::from).collect();
            near(quantile(&mut values, share).expect("ten"), expected, 1e-12);
        }
        for (share, expected) in [(-1.0, 1.0), (2.0, 10.0), (f64::NAN, 1.0)] {
            assert_eq!(quantile(&mut [10.0, 1.0], share), Some(expected));
        }
    }

    #[test]
    fn to_choose_is_to_sort() {
        let mut generator = Pcg32::new(9, 9);
        for many in 1..60 {
            let values: Vec<f64> = (0..many).map(|_| (4.0 * normal(&mut generator)).round()).collect();
            for share in [0.0, 0.3, 0.5, UNSHADED, 1.0] {
                let expected = quantile(&mut values.clone(), share);
                assert_eq!(chosen(&mut values.clone(), share), expected, "{share} of {values:?}");
            }
        }
        assert_eq!(chosen(&mut [], 0.5), None);
    }

    #[test]
    fn the_deviation_is_that_of_the_manual_of_r() {
        // R, help(mad): mad(1:9) without its constant is 2, and that of c(1:8, 100) is the same.
        for last in [9.0, 100.0] {
            let mut values: Vec<f64> = (1..=8).map(f64::from).chain([last]).collect();
            near(deviation(&mut values).expect("nine"), 1.4826 * 2.0, 1e-5);
        }
    }

    #[test]
    fn missing_values_are_left_out() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [f64::NAN, -f64::NAN]), None);
        assert_eq!(median(&mut [f64::NAN, 3.0, -f64::NAN, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [f64::INFINITY, f64::INFINITY, 1.0]), Some(f64::INFINITY));
        let mut recent = Recent::new(3);
        for reading in [f64::NAN, f64::INFINITY] {
            recent.push(reading);
        }
        assert_eq!((recent.median(), recent.deviation()), (None, None));
    }

    #[test]
    fn a_window_forgets_the_oldest() {
        let mut recent = Recent::new(3);
        let medians: Vec<_> = [5.0, 1.0, 9.0, 9.0, 9.0, 2.0, 2.0]
            .map(|reading| {
                recent.push(reading);
                recent.median().expect("one at least")
            })
            .into();
        assert_eq!(medians, [5.0, 3.0, 5.0, 9.0, 9.0, 9.0, 2.0]);
        assert_eq!((recent.count(), Recent::new(0).size), (3, 1));
    }

    /// A day of 144 values of 5 min of a lamp at 3 with `noise` (relative), of which the animal takes a block of `shaded`
    /// of the day, beginning at `from`, down to `left`; then what it is taken for, less 3.
    fn misjudged(noise: f64, shaded: f64, from: f64, left: f64, generator: &mut Pcg32) -> f64 {
        let values: Vec<f64> = (0..144)
            .map(|i| {
                let place = f64::from(i) / 144.0;
                let shade = if from <= place && place < from + shaded { left } else { 1.0 };
                3.0 * shade * (1.0 + noise * normal(generator))
            })
            .collect();
        unshaded(&values).expect("a day of values").value / 3.0 - 1.0
    }

    #[test]
    fn without_shade_a_day_is_judged_with_no_bias() {
        // The median of 144 normal values has standard error √(π/2)/12 = 0.104 of theirs; over 400 days 0.0052: four of
        // those (arithmetic).
        for noise in [0.003, 0.01, 0.05] {
            let mut generator = Pcg32::new(1, 9);
            let mean = (0..400).map(|_| misjudged(noise, 0.0, 0.0, 1.0, &mut generator)).sum::<f64>() / 400.0;
            near(mean, 0.0, 4.0 * 0.0052 * noise);
        }
        assert_eq!(unshaded(&[2.0; 9]), Some(Unshaded { value: 2.0, scatter: 0.0, count: 9 }));
        for nothing in [&[][..], &[0.0, 0.0], &[-1.0], &[f64::NAN]] {
            assert_eq!(unshaded(nothing), None);
        }
        assert_eq!(unshaded(&[3.0]), Some(Unshaded { value: 3.0, scatter: 0.0, count: 1 }));
    }

    #[test]
    fn an_animal_on_the_probe_for_a_third_of_the_day_does_not_move_it() {
        // Deep shade is left out; shade within four deviations of the rest can move the middle to the quarter of it at
        // most, 0.674 deviations (arithmetic). One day has its own scatter of 0.13: four of those.
        for noise in [0.003, 0.01, 0.05] {
            let mut generator = Pcg32::new(2, 9);
            for from in [0.0, 0.3, 0.66] {
                for (left, most) in [(0.0, 0.0), (0.3, 0.0), (0.7, 0.0), (0.97, 0.674)] {
                    let moved = misjudged(noise, 1.0 / 3.0, from, left, &mut generator).abs();
                    assert!(moved < (most + 0.52) * noise, "{moved} with noise {noise}, {left} left");
                }
            }
            assert!(misjudged(noise, 0.8, 0.1, 0.2, &mut generator).abs() < 0.05, "nor for four fifths");
        }
    }
}
