//! How well the alarms serve whoever answers them: the figures by which ISA-18.2 / IEC 62682 judge an alarm system, for one
//! operator, who is everybody of this site.
//!
//! The figures beside which they are shown are the standards' as public documents repeat them; how a flood begins and ends,
//! and from when an alarm chatters, is from memory. They were written for control rooms: a keeper should hear far less.

use std::collections::{BTreeMap, VecDeque};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::control::{AlarmState, Aside, Priority};

/// A flood begins with so many alarms within ten minutes …
pub const FLOOD_BEGINS: usize = 10;
/// … and ends when fewer than so many have come within ten (from memory).
pub const FLOOD_ENDS: usize = 5;
/// An alarm chatters that comes so often …
pub const CHATTERS: usize = 3;
/// … within this (commonly cited; the standards leave it open).
const CHATTER: TimeDelta = TimeDelta::seconds(60);
/// One that stands for longer is stale.
pub const STALE: TimeDelta = TimeDelta::hours(24);
/// So many of the most frequent are told of.
const FREQUENT: usize = 10;
const TEN_MINUTES: TimeDelta = TimeDelta::minutes(10);

/// A change of an alarm, in order of time.
#[derive(Clone, Copy, Debug)]
pub struct Change<'a> {
    /// When.
    pub at: DateTime<Utc>,
    /// The enclosure's id; none: the site's.
    pub enclosure: Option<&'a str>,
    /// What kind, by its name.
    pub kind: &'a str,
    /// How much it matters, in the standard's word.
    pub priority: &'a str,
    /// Where it stands from now on, as [`AlarmNotice::standing`](crate::control::AlarmNotice::standing) says.
    pub standing: &'a str,
}

/// The figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Metrics {
    /// From when they are.
    pub from: DateTime<Utc>,
    /// Until when.
    pub until: DateTime<Utc>,
    /// Alarms that were told: raised, raised again, or come forward.
    pub alarms: usize,
    /// Alarms that came and were put aside: shelved, suppressed or out of service.
    pub aside: usize,
    /// Alarms a day, in the mean.
    pub per_day: f64,
    /// Alarms in ten minutes, in the mean.
    pub per_ten_minutes: f64,
    /// Most alarms on one date of the site.
    pub most_in_a_day: usize,
    /// Most alarms within any ten minutes.
    pub most_in_ten_minutes: usize,
    /// Floods, in order of time.
    pub floods: Vec<Flood>,
    /// Share of the time that was a flood.
    pub flood_share: f64,
    /// Alarms that chattered, with how often one came at all.
    pub chattering: Vec<Frequent>,
    /// Alarms that stand, are told and have stood for more than a day; since when.
    pub stale: Vec<(Name, DateTime<Utc>)>,
    /// Alarms by priority: low, medium, high, critical.
    pub priorities: [usize; 4],
    /// The most frequent.
    pub frequent: Vec<Frequent>,
    /// The share of all alarms that those are.
    pub frequent_share: f64,
    /// Alarms on each date of the site.
    pub days: BTreeMap<NaiveDate, usize>,
}

/// Whose alarm (none: the site's), and of which kind.
pub type Name = (Option<String>, String);

/// A time in which alarms come faster than anybody can answer them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Flood {
    /// When the tenth alarm within ten minutes came.
    pub begin: DateTime<Utc>,
    /// When fewer than five had come within ten minutes; none: it goes on.
    pub end: Option<DateTime<Utc>>,
    /// Alarms in it, with those that made it one.
    pub alarms: usize,
}

/// An alarm and how often it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frequent {
    /// Which.
    pub name: Name,
    /// How often.
    pub times: usize,
}

/// Gathers the figures.
#[derive(Clone, Debug)]
pub struct Tally {
    from: DateTime<Utc>,
    zone: Tz,
    /// What each alarm was last, and since when it has stood.
    last: BTreeMap<Name, (Standing, DateTime<Utc>)>,
    /// When each came within the last minute.
    lately: BTreeMap<Name, VecDeque<DateTime<Utc>>>,
    times: BTreeMap<Name, usize>,
    chattering: BTreeMap<Name, ()>,
    recent: VecDeque<DateTime<Utc>>,
    floods: Vec<Flood>,
    most_in_ten_minutes: usize,
    days: BTreeMap<NaiveDate, usize>,
    priorities: [usize; 4],
    alarms: usize,
    aside: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Standing {
    Told,
    Seen,
    Aside,
    Over,
}

fn standing(word: &str) -> Standing {
    if word == AlarmState::Unacknowledged.word() {
        Standing::Told
    } else if word == AlarmState::Acknowledged.word() {
        Standing::Seen
    } else if Aside::WORDS.contains(&word) {
        Standing::Aside
    } else {
        Standing::Over
    }
}

impl Tally {
    /// Of what came from `from` on, with dates as `zone` has them. What was before tells only how things stood.
    pub fn new(from: DateTime<Utc>, zone: Tz) -> Tally {
        Tally {
            from,
            zone,
            last: BTreeMap::new(),
            lately: BTreeMap::new(),
            times: BTreeMap::new(),
            chattering: BTreeMap::new(),
            recent: VecDeque::new(),
            floods: Vec::new(),
            most_in_ten_minutes: 0,
            days: BTreeMap::new(),
            priorities: [0; 4],
            alarms: 0,
            aside: 0,
        }
    }

    /// Takes in a change. Telling the same again is none.
    pub fn take(&mut self, change: &Change<'_>) {
        let name = (change.enclosure.map(str::to_owned), change.kind.to_owned());
        let now = standing(change.standing);
        let (before, since) = self.last.get(&name).copied().unwrap_or((Standing::Over, change.at));
        let since = if before == Standing::Over { change.at } else { since };
        self.last.insert(name.clone(), (now, since));
        if change.at < self.from {
            return;
        }
        if now == Standing::Aside && before == Standing::Over {
            self.aside += 1;
        }
        if now == Standing::Told && before != Standing::Told {
            self.told(name, change);
        }
    }

    fn told(&mut self, name: Name, change: &Change<'_>) {
        let at = change.at;
        self.alarms += 1;
        *self.days.entry(at.with_timezone(&self.zone).date_naive()).or_default() += 1;
        let place = [Priority::Low, Priority::Medium, Priority::High, Priority::Critical]
            .iter()
            .position(|priority| priority.word() == change.priority);
        if let Some(count) = place.and_then(|place| self.priorities.get_mut(place)) {
            *count += 1;
        }
        let lately = self.lately.entry(name.clone()).or_default();
        lately.retain(|before| at - *before < CHATTER);
        lately.push_back(at);
        if lately.len() >= CHATTERS {
            self.chattering.insert(name.clone(), ());
        }
        *self.times.entry(name).or_default() += 1;
        self.end_flood(at);
        self.recent.retain(|before| at - *before < TEN_MINUTES);
        self.recent.push_back(at);
        self.most_in_ten_minutes = self.most_in_ten_minutes.max(self.recent.len());
        match self.floods.last_mut().filter(|flood| flood.end.is_none()) {
            Some(flood) => flood.alarms += 1,
            None if self.recent.len() >= FLOOD_BEGINS => {
                self.floods.push(Flood { begin: at, end: None, alarms: self.recent.len() });
            }
            None => {}
        }
    }

    /// A flood that is under way may have ended before `now`: when the fifth last alarm was ten minutes ago.
    fn end_flood(&mut self, now: DateTime<Utc>) {
        let fifth = self.recent.len().checked_sub(FLOOD_ENDS).and_then(|place| self.recent.get(place));
        let Some(end) = fifth.map(|fifth| *fifth + TEN_MINUTES).filter(|end| *end <= now) else { return };
        if let Some(flood) = self.floods.last_mut().filter(|flood| flood.end.is_none()) {
            flood.end = Some(end);
        }
    }

    /// The figures as of `until`.
    pub fn metrics(mut self, until: DateTime<Utc>) -> Metrics {
        self.end_flood(until);
        let span = (until - self.from).max(TEN_MINUTES).as_seconds_f64();
        let flooded = |flood: &Flood| (flood.end.unwrap_or(until) - flood.begin).as_seconds_f64();
        // The sum of none is -0.0, and would be told so.
        let flood_share = (0.0 + self.floods.iter().map(flooded).sum::<f64>()) / span;
        let count = |name: &Name| Frequent { name: name.clone(), times: self.times.get(name).copied().unwrap_or(0) };
        let mut frequent: Vec<_> = self.times.keys().map(count).collect();
        frequent.sort_by(|a, b| b.times.cmp(&a.times).then_with(|| a.name.cmp(&b.name)));
        frequent.truncate(FREQUENT);
        let of_frequent = frequent.iter().map(|it| it.times).sum::<usize>() as f64;
        let stale = self.last.iter().filter(|(_, (standing, since))| {
            matches!(standing, Standing::Told | Standing::Seen) && until - *since > STALE
        });
        Metrics {
            from: self.from,
            until,
            alarms: self.alarms,
            aside: self.aside,
            per_day: self.alarms as f64 * 86_400.0 / span,
            per_ten_minutes: self.alarms as f64 * TEN_MINUTES.as_seconds_f64() / span,
            most_in_a_day: self.days.values().copied().max().unwrap_or(0),
            most_in_ten_minutes: self.most_in_ten_minutes,
            flood_share,
            chattering: self.chattering.keys().map(count).collect(),
            stale: stale.map(|(name, (_, since))| (name.clone(), *since)).collect(),
            priorities: self.priorities,
            frequent_share: if self.alarms == 0 { 0.0 } else { of_frequent / self.alarms as f64 },
            frequent,
            floods: self.floods,
            days: self.days,
        }
    }
}

/// An alarm in words: `e1 lamp-dark`.
fn named((enclosure, kind): &Name) -> String {
    format!("{} {kind}", enclosure.as_deref().unwrap_or("site"))
}

impl Metrics {
    /// Shares of low, medium, and high with critical, in percent; none without alarms.
    pub fn split(&self) -> Option<[f64; 3]> {
        let [low, medium, high, critical] = self.priorities.map(|count| count as f64);
        let all = low + medium + high + critical;
        (all > 0.0).then(|| [low, medium, high + critical].map(|count| 100.0 * count / all))
    }

    /// A line for each figure: what it is, what it is here, and beside what it is held.
    pub fn lines(&self) -> Vec<[String; 3]> {
        let line = |what: &str, is: String, beside: &str| [what.to_owned(), is, beside.to_owned()];
        let times = |it: &Frequent| format!("{} ({} times)", named(&it.name), it.times);
        let all = |names: Vec<String>| if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        let split = self.split().map_or_else(
            || "no alarms".to_owned(),
            |[low, medium, high]| format!("{low:.0} / {medium:.0} / {high:.0} %"),
        );
        let stale = self.stale.iter().map(|(name, _)| named(name)).collect();
        vec![
            line("alarms told", self.alarms.to_string(), ""),
            line("alarms put aside", self.aside.to_string(), "none without a reason"),
            line("a day", format!("{:.1}", self.per_day), "about 150, 300 at most"),
            line("in ten minutes", format!("{:.2}", self.per_ten_minutes), "about 1, 2 at most"),
            line("most in a day", self.most_in_a_day.to_string(), ""),
            line("most in ten minutes", self.most_in_ten_minutes.to_string(), "10 at most"),
            line("floods", self.floods.len().to_string(), "10 in ten minutes begin one, fewer than 5 end it"),
            line("time in floods", format!("{:.1} %", 100.0 * self.flood_share), "less than 1 %"),
            line("chattering", all(self.chattering.iter().map(times).collect()), "none; 3 in a minute"),
            line("stale, more than a day", all(stale), "fewer than 5"),
            line("low / medium / high and critical", split, "about 80 / 15 / 5 %"),
            line("the ten most frequent", format!("{:.0} % of all", 100.0 * self.frequent_share), "1 to 5 %"),
            line("most frequent", all(self.frequent.iter().map(times).collect()), ""),
        ]
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + TimeDelta::seconds(second)
    }

    /// The figures of alarms that come and go at once, at these seconds.
    fn of(raised: &[i64], until: i64) -> Metrics {
        let mut tally = Tally::new(at(0), chrono_tz::UTC);
        for (n, &second) in raised.iter().enumerate() {
            let enclosure = format!("e{n}");
            for standing in ["unacknowledged", "normal"] {
                let enclosure = Some(enclosure.as_str());
                tally.take(&Change { at: at(second), enclosure, kind: "lamp-dark", priority: "high", standing });
            }
        }
        tally.metrics(at(until))
    }

    #[test]
    fn a_flood_begins_with_ten_in_ten_minutes_and_ends_below_five() {
        let nine: Vec<_> = (0..9).map(|n| n * 60).collect();
        assert!(of(&nine, 3600).floods.is_empty());
        assert!(of(&nine, 3600).flood_share.is_sign_positive(), "no time at all is not told as -0.0 %");
        // The last alarms come at 0, 60 … 540 s: the fifth last at 300 s, which is ten minutes ago at 900 s.
        let ten: Vec<_> = (0..10).map(|n| n * 60).collect();
        assert_eq!(of(&ten, 3600).floods, [Flood { begin: at(540), end: Some(at(900)), alarms: 10 }]);
        assert!((of(&ten, 3600).flood_share - 0.1).abs() < 1e-9);
        assert_eq!(of(&ten, 899).floods[0].end, None);
        // Five in ten minutes keep it up.
        let slow: Vec<_> = (0..10).map(|n| n * 60).chain((1..20).map(|n| 540 + n * 120)).collect();
        assert_eq!(of(&slow, 540 + 19 * 120).floods.len(), 1);
        // Two apart.
        let twice: Vec<_> = ten.iter().copied().chain(ten.iter().map(|at| at + 7200)).collect();
        assert_eq!(of(&twice, 20_000).floods.len(), 2);
    }

    #[test]
    fn what_chatters_is_stale_or_is_put_aside_is_told_apart() {
        let mut tally = Tally::new(at(0), chrono_tz::UTC);
        let mut take = |second, kind, priority, standing| {
            tally.take(&Change { at: at(second), enclosure: Some("e1"), kind, priority, standing });
        };
        for n in 0..3 {
            take(n * 20, "relay-deaf", "high", "unacknowledged");
            take(n * 20 + 10, "relay-deaf", "high", "normal");
        }
        take(100, "lamp-dark", "high", "unacknowledged");
        take(200, "lamp-dark", "high", "acknowledged");
        // After a restart it is told as it was.
        take(300, "lamp-dark", "high", "acknowledged");
        take(400, "uv-fading", "low", "shelved");
        take(500, "probe-silent", "medium", "suppressed by design");
        take(600, "probe-silent", "medium", "unacknowledged");
        let metrics = tally.metrics(at(100 + 86_401));
        let deaf = Frequent { name: (Some("e1".to_owned()), "relay-deaf".to_owned()), times: 3 };
        assert_eq!(metrics.chattering, std::slice::from_ref(&deaf));
        assert_eq!(metrics.stale, [((Some("e1".to_owned()), "lamp-dark".to_owned()), at(100))]);
        assert_eq!((metrics.alarms, metrics.aside, metrics.priorities), (5, 2, [0, 1, 4, 0]));
        assert_eq!(metrics.frequent[0], deaf);
        assert_eq!(metrics.split(), Some([0.0, 20.0, 80.0]));
        assert_eq!((metrics.most_in_ten_minutes, metrics.most_in_a_day), (4, 5));
    }

    #[test]
    fn what_was_before_counts_for_nothing_but_how_it_stood() {
        let mut tally = Tally::new(at(1000), chrono_tz::UTC);
        let take = |tally: &mut Tally, second, standing| {
            tally.take(&Change { at: at(second), enclosure: None, kind: "broker-lost", priority: "high", standing });
        };
        take(&mut tally, 10, "unacknowledged");
        take(&mut tally, 1500, "unacknowledged");
        assert_eq!(tally.clone().metrics(at(2000)).alarms, 0);
        take(&mut tally, 1600, "normal");
        take(&mut tally, 1700, "unacknowledged");
        assert_eq!(tally.metrics(at(2000)).alarms, 1);
    }

    proptest! {
        /// Whatever comes: floods do not overlap, each holds ten at least, and shares are shares.
        #[test]
        fn figures_are_sound(mut raised in prop::collection::vec(0..20_000_i64, 0..200)) {
            raised.sort_unstable();
            let metrics = of(&raised, 20_000);
            prop_assert_eq!(metrics.alarms, raised.len());
            prop_assert_eq!(metrics.days.values().sum::<usize>(), raised.len());
            prop_assert!((0.0..=1.0).contains(&metrics.flood_share) && (0.0..=1.0).contains(&metrics.frequent_share));
            prop_assert!(metrics.floods.iter().all(|flood| flood.alarms >= FLOOD_BEGINS));
            prop_assert!(metrics.floods.windows(2).all(|pair| pair[0].end.is_some_and(|end| end <= pair[1].begin)));
            let any_ten = raised.windows(FLOOD_BEGINS).any(|ten| ten[FLOOD_BEGINS - 1] - ten[0] < 600);
            prop_assert_eq!(!metrics.floods.is_empty(), any_ten);
        }
    }
}
