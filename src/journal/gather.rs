//! Readings gathered into minutes.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

/// What is measured where, by name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Series {
    /// The enclosure's id.
    pub enclosure: String,
    /// The probe's name.
    pub probe: String,
    /// As in the column `quantity` of the table `series`.
    pub quantity: &'static str,
}

/// One minute of a series.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bin {
    /// Sum of the good readings.
    sum: f64,
    /// The lowest of them.
    low: f64,
    /// The highest.
    high: f64,
    /// How many.
    pub good: u32,
    /// How many were not believed.
    pub bad: u32,
}

impl Bin {
    /// One more reading; none where it was not believed. A number that is none was not.
    pub fn take(&mut self, value: Option<f64>) {
        match value.filter(|value| value.is_finite()) {
            None => self.bad = self.bad.saturating_add(1),
            Some(value) => {
                let first = self.good == 0;
                self.low = if first { value } else { self.low.min(value) };
                self.high = if first { value } else { self.high.max(value) };
                self.sum += value;
                self.good = self.good.saturating_add(1);
            }
        }
    }

    /// Lowest, mean and highest of the good readings; none without one.
    pub fn spread(&self) -> Option<[f64; 3]> {
        // The mean of equal readings is no other number than they are, whatever rounding made of their sum.
        (self.good > 0).then(|| [self.low, (self.sum / f64::from(self.good)).clamp(self.low, self.high), self.high])
    }
}

/// The minute that is being gathered, for every series under a key of the caller's.
#[derive(Debug)]
pub struct Gatherer<K> {
    minute: Option<i64>,
    bins: BTreeMap<K, Bin>,
}

impl<K> Default for Gatherer<K> {
    fn default() -> Gatherer<K> {
        Gatherer { minute: None, bins: BTreeMap::new() }
    }
}

impl<K: Ord + Copy> Gatherer<K> {
    /// The minutes since 1970 that `at` lies in.
    pub fn minute_of(at: DateTime<Utc>) -> i64 {
        at.timestamp().div_euclid(60)
    }

    /// Whether a minute is over that has something in it: then [`Gatherer::close`] it before the next reading is taken.
    pub fn is_over(&self, at: DateTime<Utc>) -> bool {
        self.minute.is_some_and(|minute| minute != Self::minute_of(at))
    }

    /// One more reading of the minute that `at` lies in.
    pub fn take(&mut self, at: DateTime<Utc>, key: K, value: Option<f64>) {
        self.minute = Some(Self::minute_of(at));
        self.bins.entry(key).or_default().take(value);
    }

    /// The minute, and what came in it; none where nothing did.
    pub fn close(&mut self) -> Option<(i64, Vec<(K, Bin)>)> {
        let minute = self.minute.take()?;
        // The keys stay the same from minute to minute, but one that has fallen silent must not be told again.
        Some((minute, std::mem::take(&mut self.bins).into_iter().collect()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(second, 0).expect("in range")
    }

    #[test]
    fn a_minute_holds_what_came_in_it() {
        let mut gatherer = Gatherer::default();
        assert_eq!(gatherer.close(), None);
        for (second, value) in [(0, Some(30.0)), (30, Some(33.0)), (59, None), (59, Some(f64::NAN))] {
            assert!(!gatherer.is_over(at(second)));
            gatherer.take(at(second), 'a', value);
        }
        assert!(gatherer.is_over(at(60)));
        let (minute, bins) = gatherer.close().expect("something came");
        assert_eq!(minute, 0);
        let [('a', bin)] = bins[..] else { panic!("{bins:?}") };
        assert_eq!((bin.spread(), bin.good, bin.bad), (Some([30.0, 31.5, 33.0]), 2, 2));
        assert!(!gatherer.is_over(at(120)), "nothing is open");
    }

    #[test]
    fn before_1970_a_minute_is_the_one_it_lies_in() {
        assert_eq!(Gatherer::<u8>::minute_of(at(-1)), -1);
    }

    proptest! {
        #[test]
        fn lowest_mean_and_highest_are_in_order(values in prop::collection::vec(-1e6_f64..1e6, 1..50)) {
            let mut bin = Bin::default();
            values.iter().for_each(|&value| bin.take(Some(value)));
            let [low, mean, high] = bin.spread().expect("some came");
            prop_assert!(low <= mean && mean <= high);
            prop_assert!(values.contains(&low) && values.contains(&high));
        }
    }
}
