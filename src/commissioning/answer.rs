//! What one probe has said around a switch, and whether it answered.

use std::time::Duration;

use crate::science::robust;
use crate::settings::Measures;
use crate::time::Mono;

use super::least;

/// Readings kept; at one a second an hour and a half.
const KEPT: usize = 6000;
/// Readings that tell how a probe stood before a switch, at least. A guess.
const BEFORE: usize = 6;
/// Readings that a slope is taken from, at most: it looks at all pairs.
const FROM: usize = 80;
/// So many standard deviations beyond what was to be expected, …
const BEYOND: f64 = 6.0;
/// … so many readings in a row, is an answer. Both guesses; normal noise does it once in 10²⁶.
const IN_A_ROW: usize = 3;
/// What drifts may drift by half as much again, or half as much, since nothing drifts in a straight line. A guess.
const UNSTEADY: f64 = 0.5;

/// The readings of one probe that counted, in order.
#[derive(Clone, Debug)]
pub struct Track {
    measures: Measures,
    readings: Vec<(Mono, f64)>,
}

/// How a probe stood before a switch, and ran.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Before {
    /// When the lamp was switched.
    pub switch: Mono,
    /// What it would have read then, kept unit.
    pub level: f64,
    /// How it was changing, kept unit per second.
    pub slope: f64,
    /// Standard deviation of a reading, kept unit.
    pub scatter: f64,
    /// How many readings.
    count: f64,
    /// Their middle before the switch, s, and the sum of squared distances from it, s².
    middle: f64,
    spread: f64,
}

/// How a probe answered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Answer {
    /// From the switch to the first reading that showed it.
    pub delay: Duration,
    /// By how much, in the end, against what was to be expected; kept unit.
    pub change: f64,
}

impl Track {
    /// Nothing said yet.
    pub fn new(measures: Measures) -> Track {
        Track { measures, readings: Vec::new() }
    }

    /// What it measures.
    pub fn measures(&self) -> Measures {
        self.measures
    }

    /// Takes in a reading that counts, in the kept unit. One that comes before the last is left out.
    pub fn push(&mut self, now: Mono, value: f64) {
        if !value.is_finite() || self.readings.last().is_some_and(|(last, _)| *last >= now) {
            return;
        }
        if self.readings.len() >= KEPT {
            self.readings.drain(..KEPT / 4);
        }
        self.readings.push((now, value));
    }

    /// How many there are.
    pub fn readings(&self) -> usize {
        self.readings.len()
    }

    /// The last reading.
    pub fn last(&self) -> Option<(Mono, f64)> {
        self.readings.last().copied()
    }

    /// The readings from `from` on.
    pub fn since(&self, from: Mono) -> &[(Mono, f64)] {
        &self.readings[self.readings.partition_point(|(at, _)| *at < from)..]
    }

    /// The middle gap between two readings, and the longest.
    pub fn gaps(&self) -> Option<(Duration, Duration)> {
        let mut gaps: Vec<f64> =
            self.readings.windows(2).map(|pair| pair[1].0.since(pair[0].0).as_secs_f64()).collect();
        let longest = gaps.iter().copied().reduce(f64::max)?;
        Some((Duration::from_secs_f64(robust::median(&mut gaps)?), Duration::from_secs_f64(longest)))
    }

    /// The middle of its readings.
    pub fn middle(&self) -> Option<f64> {
        robust::median(&mut self.readings.iter().map(|(_, value)| *value).collect::<Vec<_>>())
    }

    /// How it stood before the switch at `switch`, by its readings from `from` on; none where there are too few.
    ///
    /// The slope is the median of those between all pairs, which a spike does not move (P. K. Sen, J. Am. Stat. Assoc. 63,
    /// 1968).
    pub fn before(&self, from: Mono, switch: Mono) -> Option<Before> {
        let readings: Vec<(f64, f64)> = self
            .since(from)
            .iter()
            .filter(|(at, _)| *at <= switch)
            .map(|(at, value)| (-switch.since(*at).as_secs_f64(), *value))
            .collect();
        if readings.len() < BEFORE {
            return None;
        }
        let readings = &readings[readings.len().saturating_sub(FROM)..];
        let mut slopes = Vec::new();
        for (i, (t, y)) in readings.iter().enumerate() {
            let later = readings[i + 1..].iter().filter(|(other, _)| other > t);
            slopes.extend(later.map(|(other, value)| (value - y) / (other - t)));
        }
        let slope = robust::median(&mut slopes)?;
        let mut levels: Vec<f64> = readings.iter().map(|(t, y)| y - slope * t).collect();
        let level = robust::median(&mut levels)?;
        let count = readings.len() as f64;
        let squares: f64 = levels.iter().map(|value| (value - level) * (value - level)).sum();
        // Of few readings in coarse steps the robust one may be zero; of many with a spike the other is far too large.
        let robust = robust::deviation(&mut levels)?;
        let scatter = robust.max((squares / count).sqrt().min(3.0 * robust)).max(least(self.measures)? / 10.0);
        let middle = readings.iter().map(|(t, _)| t).sum::<f64>() / count;
        let spread = readings.iter().map(|(t, _)| (t - middle) * (t - middle)).sum();
        Some(Before { switch, level, slope, scatter, count, middle, spread })
    }

    /// How it answered the switch before which it stood so; none where it did not.
    pub fn answer(&self, before: &Before) -> Option<Answer> {
        let least = least(self.measures)?;
        let (mut side, mut row, mut delay) = (0.0, 0, None);
        let later = self.since(before.switch);
        for (at, value) in later {
            let t = at.since(before.switch).as_secs_f64();
            let off = value - before.expected(t);
            if off.abs() >= before.tolerance(t, least) {
                row = if off.signum() == side { row + 1 } else { 1 };
                if row == 1 {
                    side = off.signum();
                    delay = Some(at.since(before.switch));
                }
                if row == IN_A_ROW {
                    break;
                }
            } else {
                (side, row, delay) = (0.0, 0, None);
            }
        }
        let delay = delay.filter(|_| row == IN_A_ROW)?;
        Some(Answer { delay, change: self.change(before)? })
    }

    /// By how much it has moved since the switch, against what was to be expected: the middle of its last three readings.
    pub fn change(&self, before: &Before) -> Option<f64> {
        let later = self.since(before.switch);
        let off = |(at, value): &(Mono, f64)| value - before.expected(at.since(before.switch).as_secs_f64());
        robust::median(&mut later.iter().rev().take(IN_A_ROW).map(off).collect::<Vec<_>>())
    }
}

impl Before {
    /// What is to be expected `t` seconds after the switch if it does nothing.
    fn expected(&self, t: f64) -> f64 {
        self.level + self.slope * t
    }

    /// Whether it surely changes faster than `rate` (kept unit per second), either way: three standard errors of the slope.
    pub fn drifts(&self, rate: f64) -> bool {
        self.slope.abs() > rate + 3.0 * self.scatter / self.spread.max(1e-9).sqrt()
    }

    /// How far from that a reading may be, `least` at least: noise, what the line is wrong by when it is drawn on (the
    /// prediction error of any straight line), and what a drift changes.
    fn tolerance(&self, t: f64, least: f64) -> f64 {
        let lever = (t - self.middle) * (t - self.middle) / self.spread.max(1e-9);
        let beyond = BEYOND * self.scatter * (1.0 + 1.0 / self.count + lever).sqrt();
        least.max(beyond) + UNSTEADY * self.slope.abs() * t
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::{Pcg32, near, normal};
    use proptest::prelude::*;

    /// What `truth` (of seconds since the switch) reads every `every` s from 200 s before until 600 s after.
    fn track(every: u64, noise: f64, seed: u64, truth: impl Fn(f64) -> f64) -> (Track, Mono) {
        let (mut track, mut chance) = (Track::new(Measures::Temperature), Pcg32::new(seed, 7));
        for second in (0..=800).step_by(every as usize) {
            let value = truth(second as f64 - 200.0) + noise * normal(&mut chance);
            track.push(Mono::from_secs(second), (value * 16.0).round() / 16.0);
        }
        (track, Mono::from_secs(200))
    }

    fn answer(track: &Track, switch: Mono) -> Option<Answer> {
        track.answer(&track.before(Mono::START, switch).expect("enough"))
    }

    #[test]
    fn an_answer_has_its_delay_its_side_and_its_size() {
        // Rises by 0.02 K/s from 60 s on: 0.5 K, the least that counts, is passed 25 s later.
        let (up, switch) = track(10, 0.0, 1, |t| 24.0 + 0.02 * (t - 60.0).max(0.0));
        let found = answer(&up, switch).expect("it rose");
        near(found.delay.as_secs_f64(), 90.0, 10.0);
        near(found.change, 0.02 * 530.0, 0.1);
        let (down, switch) = track(10, 0.0, 1, |t| 24.0 - 0.02 * (t - 60.0).max(0.0));
        near(answer(&down, switch).expect("it fell").change, -0.02 * 530.0, 0.1);
    }

    #[test]
    fn what_cools_on_as_before_has_not_answered() {
        // Newton's law of cooling from 6 K above the room, time constant 20 min (textbook exponential).
        let (cooling, switch) = track(10, 0.06, 3, |t| 22.0 + 6.0 * libm::exp(-(t + 200.0) / 1200.0));
        assert_eq!(answer(&cooling, switch), None);
        let (warmed, switch) =
            track(10, 0.06, 3, |t| 22.0 + 6.0 * libm::exp(-(t + 200.0) / 1200.0) + 0.02 * t.max(0.0));
        assert!(answer(&warmed, switch).is_some_and(|answer| answer.change > 3.0));
    }

    #[test]
    fn a_spike_is_no_answer_and_spoils_none() {
        let spiky = |t: f64| if t as i64 % 130 == 0 { 60.0 } else { 24.0 };
        let (still, switch) = track(10, 0.06, 1, spiky);
        assert_eq!(answer(&still, switch), None);
        let (warmed, switch) = track(10, 0.06, 1, |t| spiky(t) + 0.01 * t.max(0.0));
        assert!(answer(&warmed, switch).is_some());
    }

    #[test]
    fn too_little_is_not_judged() {
        let (few, switch) = track(60, 0.0, 1, |_| 24.0);
        assert_eq!(few.before(Mono::START, switch), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn noise_and_drift_alone_are_no_answer(
            noise in 0.0..1.5_f64, drift in -0.002..0.002_f64, every in 2_u64..12, seed: u64,
        ) {
            let (still, switch) = track(every, noise, seed, |t| 24.0 + drift * t);
            prop_assert_eq!(answer(&still, switch), None);
        }

        #[test]
        fn what_a_lamp_does_is_found(
            noise in 0.0..0.15_f64, rate in 0.01..0.1_f64, late in 0.0..60.0_f64, every in 2_u64..12, seed: u64,
        ) {
            let (warmed, switch) = track(every, noise, seed, |t| 24.0 + rate * (t - late).max(0.0));
            let found = answer(&warmed, switch);
            prop_assert!(found.is_some_and(|found| found.change > 0.0 && found.delay.as_secs_f64() >= late), "{:?}", found);
        }
    }
}
