//! How long a lamp has burnt, how often it was switched, and which lamps hung there before.

use std::time::Duration;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::record::HoursRecord;
use crate::science::decay::BurnHours;
use crate::time::Mono;

/// Lamps before this one that are kept for each place.
const PREVIOUS_MAX: usize = 8;

/// The life of the lamp in one place. Hours are monotonic time during which the lamp was on by every account.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LampLife {
    /// Time burnt until `lit`, or in all while it is dark.
    burnt: Duration,
    /// Since when it has been burning.
    lit: Option<Mono>,
    cycles: u32,
    fitted: Option<DateTime<Utc>>,
    previous: Vec<Previous>,
}

/// A lamp that hung in this place before.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Previous {
    /// When it was taken out.
    pub until: DateTime<Utc>,
    /// When it was fitted; none where that is not known.
    pub fitted: Option<DateTime<Utc>>,
    /// Hours it had burnt at its end.
    pub hours: f64,
    /// How often it had been switched on.
    pub cycles: u32,
    /// What it gave as new, in the probe's own unit; none where nobody saw.
    pub when_new: Option<f64>,
    /// What it gave after its burn-in, in the probe's own unit.
    pub settled: Option<f64>,
    /// The rate at which it decayed, per burn hour, with its standard error.
    pub rate: Option<(f64, f64)>,
}

/// What of a life must survive a restart.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LifeRecord {
    /// Hours burnt.
    pub hours: f64,
    /// How often it was switched on.
    pub cycles: u32,
    /// When it was fitted; none where nobody has said.
    pub fitted: Option<DateTime<Utc>>,
    /// Lamps before it, the latest last.
    #[serde(default)]
    pub previous: Vec<Previous>,
}

impl LampLife {
    /// The lamp is on by every account, or is not. Told as often as anybody likes; only a change costs anything.
    pub fn lit(&mut self, now: Mono, is_lit: bool) {
        match (self.lit, is_lit) {
            (None, true) => {
                self.lit = Some(now);
                self.cycles = self.cycles.saturating_add(1);
            }
            (Some(since), false) => {
                self.burnt = self.burnt.saturating_add(now.since(since));
                self.lit = None;
            }
            (None, false) | (Some(_), true) => {}
        }
    }

    /// Whether it burns.
    pub fn is_lit(&self) -> bool {
        self.lit.is_some()
    }

    /// Hours burnt until `now`.
    pub fn hours(&self, now: Mono) -> BurnHours {
        let lit = self.lit.map_or(Duration::ZERO, |since| now.since(since));
        BurnHours(self.burnt.saturating_add(lit).as_secs_f64() / 3600.0)
    }

    /// How often it was switched on.
    pub fn cycles(&self) -> u32 {
        self.cycles
    }

    /// When it was fitted; none where nobody has said.
    pub fn fitted(&self) -> Option<DateTime<Utc>> {
        self.fitted
    }

    /// Lamps before it, the latest last.
    pub fn previous(&self) -> &[Previous] {
        &self.previous
    }

    /// A new lamp takes its place; what is known of the old one is kept. `observed` is what it gave when new, what after
    /// its burn-in, and its rate.
    pub fn change(&mut self, now: Mono, wall: DateTime<Utc>, observed: Observed) {
        let old = Previous {
            until: wall,
            fitted: self.fitted,
            hours: self.hours(now).0,
            cycles: self.cycles,
            when_new: observed.when_new,
            settled: observed.settled,
            rate: observed.rate,
        };
        if self.previous.len() == PREVIOUS_MAX {
            self.previous.remove(0);
        }
        self.previous.push(old);
        let is_lit = self.lit.is_some();
        self.burnt = Duration::ZERO;
        self.cycles = u32::from(is_lit);
        self.lit = self.lit.map(|_| now);
        self.fitted = Some(wall);
    }

    /// What must survive a restart, as of `now`.
    pub fn to_record(&self, now: Mono) -> LifeRecord {
        LifeRecord {
            hours: self.hours(now).0,
            cycles: self.cycles,
            fitted: self.fitted,
            previous: self.previous.clone(),
        }
    }

    /// Takes up what was on file, right after the start.
    pub(super) fn take_up(&mut self, filed: LampLife) {
        let burnt = self.burnt.max(filed.burnt);
        *self = LampLife { burnt, lit: self.lit, ..filed };
    }

    /// Takes up hours that were filed later than the rest, where they are of the same lamp.
    pub(super) fn take_up_hours(&mut self, filed: &HoursRecord) {
        let burnt = Duration::try_from_secs_f64(filed.hours * 3600.0).unwrap_or(Duration::ZERO);
        if filed.fitted == self.fitted && burnt > self.burnt {
            (self.burnt, self.cycles) = (burnt, filed.cycles);
        }
    }

    /// Takes up a record; the lamp counts as dark until it is told to be lit. Switching on after a restart is no new
    /// cycle where the lamp had burnt on: nobody saw, and one more or less does not matter.
    pub fn restore(record: &LifeRecord) -> LampLife {
        let burnt = Duration::try_from_secs_f64(record.hours * 3600.0).unwrap_or(Duration::ZERO);
        LampLife { burnt, lit: None, cycles: record.cycles, fitted: record.fitted, previous: record.previous.clone() }
    }
}

/// What was observed of a lamp that is being replaced.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Observed {
    /// What it gave as new, in the probe's own unit.
    pub when_new: Option<f64>,
    /// What it gave after its burn-in.
    pub settled: Option<f64>,
    /// The rate at which it decayed, per burn hour, with its standard error.
    pub rate: Option<(f64, f64)>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: u64) -> Mono {
        Mono::from_secs(hours * 3600)
    }

    fn wall(day: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_800_000_000 + day * 86_400, 0).expect("a moment")
    }

    #[test]
    fn hours_count_while_it_burns_and_each_switching_on_is_a_cycle() {
        let mut life = LampLife::default();
        for (hour, is_lit) in [(0, false), (1, true), (2, true), (5, false), (6, false), (10, true)] {
            life.lit(at(hour), is_lit);
        }
        assert_eq!((life.hours(at(10)).0, life.hours(at(12)).0, life.cycles()), (4.0, 6.0, 2));
    }

    #[test]
    fn a_record_brings_back_the_hours_and_a_lamp_that_burns_on_loses_nothing() {
        let mut life = LampLife::default();
        life.lit(at(0), true);
        life.change(at(100), wall(0), Observed { when_new: Some(2.5), ..Observed::default() });
        let record = life.to_record(at(107));
        let mut again = LampLife::restore(&record);
        assert_eq!((again.hours(at(0)).0, again.fitted()), (7.0, Some(wall(0))));
        again.lit(at(0), true);
        assert_eq!(again.hours(at(3)).0, 10.0);
        assert_eq!(again.previous()[0].hours, 100.0);
        assert_eq!(again.previous()[0].when_new, Some(2.5));
        let text = serde_json::to_string(&record).expect("plain data");
        assert_eq!(serde_json::from_str::<LifeRecord>(&text).expect("its own"), record);
        for broken in [f64::NAN, -1.0, f64::INFINITY, 1e300] {
            assert_eq!(LampLife::restore(&LifeRecord { hours: broken, ..record.clone() }).hours(at(0)).0, 0.0);
        }
    }

    #[test]
    fn a_new_lamp_begins_at_zero_and_the_last_ones_are_kept() {
        let mut life = LampLife::default();
        life.lit(at(0), true);
        for day in 1..=20 {
            life.change(at(day * 12), wall(day as i64), Observed::default());
        }
        assert_eq!((life.hours(at(243)).0, life.cycles(), life.previous().len()), (3.0, 1, PREVIOUS_MAX));
        assert!(life.previous().iter().all(|previous| previous.hours == 12.0));
        assert_eq!(life.previous()[0].until, wall(13));
    }
}
