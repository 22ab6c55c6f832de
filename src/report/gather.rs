//! From hours, switches and alarms to what each day was.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::control::photoperiod::{DayPlan, Lights};
use crate::science::uv::{ErythemalIrradiance, Sed};
use crate::units::Uvi;

use super::facts::{ClimateDay, Span, Spell, UvDay};

const HOUR: TimeDelta = TimeDelta::hours(1);
/// After lights go on or off the spot warms or cools; these hours are told in the whole day alone. A guess.
pub const SETTLING: TimeDelta = TimeDelta::hours(1);

/// An hour of readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    /// When it begins.
    pub at: DateTime<Utc>,
    /// Mean of its minutes.
    pub mean: f64,
    /// Lowest reading.
    pub low: f64,
    /// Highest reading.
    pub high: f64,
    /// Minutes with a good reading.
    pub minutes: u64,
}

/// The dates of a page, and which hours of them are light and dark.
#[derive(Clone, Debug)]
pub struct Calendar {
    first: NaiveDate,
    count: usize,
    zone: Tz,
    /// Light spans in order of time, those that touch joined.
    light: Vec<Span>,
}

/// Whether an hour is light or dark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Light throughout, and for an hour before.
    Day,
    /// Dark throughout, and for an hour before.
    Night,
    /// Neither.
    Between,
}

impl Calendar {
    /// The dates from `first` to `last`, with the plans of them and of their neighbours.
    pub fn new(first: NaiveDate, last: NaiveDate, zone: Tz, plans: &[DayPlan]) -> Calendar {
        let mut light: Vec<Span> = Vec::new();
        for plan in plans {
            let span = match plan.lights {
                Lights::Span { on, off } => (on, off),
                // From midnight to midnight, by the middle of the day.
                Lights::AllDay => (plan.middle - TimeDelta::hours(13), plan.middle + TimeDelta::hours(13)),
                Lights::AllNight => continue,
            };
            match light.last_mut().filter(|before| before.1 >= span.0) {
                Some(before) => before.1 = before.1.max(span.1),
                None => light.push(span),
            }
        }
        let count = usize::try_from((last - first).num_days() + 1).unwrap_or(0);
        Calendar { first, count, zone, light }
    }

    /// How many dates.
    pub fn count(&self) -> usize {
        self.count
    }

    /// The place of the date on which `at` falls.
    pub fn place(&self, at: DateTime<Utc>) -> Option<usize> {
        let date = at.with_timezone(&self.zone).date_naive();
        usize::try_from((date - self.first).num_days()).ok().filter(|place| *place < self.count)
    }

    /// Whether the hour from `at` on is light or dark.
    pub fn part(&self, at: DateTime<Utc>) -> Part {
        let (from, until) = (at - SETTLING, at + HOUR);
        let next = self.light.partition_point(|(_, off)| *off <= from);
        match self.light.get(next) {
            Some((on, off)) if *on <= from && until <= *off => Part::Day,
            Some((on, _)) if *on < until => Part::Between,
            _ => Part::Night,
        }
    }
}

/// Hours of a temperature or humidity as days.
pub fn climate(calendar: &Calendar, hours: &[Hour]) -> Vec<ClimateDay> {
    let mut days = vec![ClimateDay::default(); calendar.count()];
    for hour in hours {
        let Some(day) = calendar.place(hour.at).and_then(|place| days.get_mut(place)) else { continue };
        let Hour { mean, low, high, minutes, .. } = *hour;
        day.whole.add(mean, low, high, minutes);
        match calendar.part(hour.at) {
            Part::Day => day.day.add(mean, low, high, minutes),
            Part::Night => day.night.add(mean, low, high, minutes),
            Part::Between => {}
        }
    }
    days
}

/// Hours of a UV probe as days. `lit`: when every lamp there was on; none where no lamp lights it: then by day.
pub fn uv(calendar: &Calendar, hours: &[Hour], lit: Option<&[Span]>) -> Vec<UvDay> {
    let mut days = vec![UvDay::default(); calendar.count()];
    for hour in hours {
        let Some(day) = calendar.place(hour.at).and_then(|place| days.get_mut(place)) else { continue };
        let Hour { mean, high, minutes, .. } = *hour;
        let is_lit = match lit {
            Some(lit) => {
                let next = lit.partition_point(|(_, off)| *off < hour.at + HOUR);
                lit.get(next).is_some_and(|(on, _)| *on <= hour.at)
            }
            None => calendar.part(hour.at) == Part::Day,
        };
        if is_lit {
            day.lit.add(mean, mean, mean, minutes);
        }
        if minutes > 0 {
            day.peak = Some(day.peak.map_or(high, |peak| peak.max(high)));
        }
        let heard = std::time::Duration::from_secs(60 * minutes);
        let Sed(dose) = ErythemalIrradiance::of(Uvi(mean.max(0.0))).dose(heard);
        day.dose += dose;
        day.minutes += minutes;
    }
    days
}

/// When a lamp was on between `from` and `until`, and how often it came on. `switches`: times and levels in order, the
/// first perhaps from before. While nobody watched nothing is known of it.
pub fn on_spans(switches: &[(DateTime<Utc>, f64)], window: Span, unwatched: &[Span]) -> (Vec<Span>, u64) {
    let mut spans: Vec<Span> = Vec::new();
    let mut since: Option<DateTime<Utc>> = None;
    let mut times = 0;
    let end = switches.iter().map(|(at, _)| *at).chain([window.1]).max().unwrap_or(window.1);
    for (at, level) in switches.iter().copied().chain([(end, 0.0)]) {
        match (level > 0.0, since) {
            (true, None) => {
                since = Some(at);
                times += u64::from(at >= window.0 && at < window.1);
            }
            (false, Some(from)) => {
                since = None;
                let (from, until) = (from.max(window.0), at.min(window.1));
                without(from, until, unwatched, &mut spans);
            }
            _ => {}
        }
    }
    (spans, times)
}

/// Appends what is left of a span without `holes`, which are in order.
fn without(mut from: DateTime<Utc>, until: DateTime<Utc>, holes: &[Span], out: &mut Vec<Span>) {
    for (begin, end) in holes {
        if *begin >= until {
            break;
        }
        if *begin > from {
            out.push((from, *begin));
        }
        from = from.max(*end);
    }
    if from < until {
        out.push((from, until));
    }
}

/// When all of several lists of spans hold.
pub fn all_of(lists: &[Vec<Span>]) -> Vec<Span> {
    let Some((first, rest)) = lists.split_first() else { return Vec::new() };
    rest.iter().fold(first.clone(), |both, other| {
        let mut met = Vec::new();
        let (mut a, mut b) = (both.iter().peekable(), other.iter().peekable());
        while let (Some(one), Some(two)) = (a.peek(), b.peek()) {
            let (from, until) = (one.0.max(two.0), one.1.min(two.1));
            if from < until {
                met.push((from, until));
            }
            if one.1 < two.1 { _ = a.next() } else { _ = b.next() }
        }
        met
    })
}

/// Hours on for each date.
pub fn hours_on(calendar: &Calendar, spans: &[Span], midnights: &[DateTime<Utc>]) -> Vec<f64> {
    let mut hours = vec![0.0; calendar.count()];
    for (from, until) in spans {
        for (hours, day) in hours.iter_mut().zip(midnights.windows(2)) {
            let lasted = *until.min(&day[1]) - *from.max(&day[0]);
            *hours += lasted.num_milliseconds().max(0) as f64 / 3.6e6;
        }
    }
    hours
}

/// From the first light of each date to the last.
pub fn first_and_last(spans: &[Span], midnights: &[DateTime<Utc>]) -> Vec<Option<Span>> {
    let of = |day: &[DateTime<Utc>]| {
        let inside = spans.iter().filter(|(from, until)| *from < day[1] && *until > day[0]);
        let clipped = inside.map(|(from, until)| ((*from).max(day[0]), (*until).min(day[1])));
        clipped.reduce(|one, two| (one.0.min(two.0), one.1.max(two.1)))
    };
    midnights.windows(2).map(of).collect()
}

/// Whole hours from `from` on without a good reading, joined, but for those in which nobody watched.
pub fn silent(hours: &[Hour], window: Span, unwatched: &[Span]) -> Vec<Span> {
    let hour_ms = HOUR.num_milliseconds();
    let whole = |at: DateTime<Utc>| at.timestamp_millis().div_euclid(hour_ms);
    let (first, last) = (whole(window.0) + i64::from(window.0.timestamp_millis() % hour_ms != 0), whole(window.1));
    let at = |number: i64| DateTime::from_timestamp_millis(number * hour_ms).unwrap_or_default();
    let mut heard = hours.iter().filter(|hour| hour.minutes > 0).map(|hour| whole(hour.at)).peekable();
    let mut spans: Vec<Span> = Vec::new();
    for number in first..last {
        while heard.next_if(|heard| *heard < number).is_some() {}
        if heard.peek() == Some(&number) {
            continue;
        }
        match spans.last_mut().filter(|span| span.1 == at(number)) {
            Some(span) => span.1 = at(number + 1),
            None => spans.push((at(number), at(number + 1))),
        }
    }
    let mut left = Vec::new();
    spans.iter().for_each(|(from, until)| without(*from, *until, unwatched, &mut left));
    left.retain(|(from, until)| *until - *from >= HOUR);
    left
}

/// A word about an alarm, as the journal has it.
#[derive(Clone, Debug)]
pub struct Word {
    /// When.
    pub at: DateTime<Utc>,
    /// What kind.
    pub kind: String,
    /// How much it matters.
    pub priority: String,
    /// Whether its condition stands.
    pub stands: bool,
    /// Whether somebody has said they have seen it.
    pub seen: bool,
    /// When it was raised.
    pub since: DateTime<Utc>,
    /// Whether it is the whole site's.
    pub is_sites: bool,
    /// What it says.
    pub text: String,
}

/// Words about alarms as spells, in the order in which those began; with what the keeper did while each stood. What was
/// over before `first` is left out. An alarm stands through a restart: the core takes it up again.
pub fn spells(words: &[Word], acts: &[(DateTime<Utc>, String)], first: DateTime<Utc>) -> Vec<Spell> {
    let mut spells: Vec<Spell> = Vec::new();
    for word in words {
        let open = spells
            .iter_mut()
            .rev()
            .find(|spell| spell.until.is_none() && spell.kind == word.kind && spell.is_sites == word.is_sites);
        match (open, word.stands) {
            (Some(spell), stands) => {
                if word.seen && spell.seen.is_none() {
                    spell.seen = Some(word.at);
                }
                if !stands {
                    spell.until = Some(word.at);
                } else if rank(&word.priority) > rank(&spell.priority) {
                    spell.priority.clone_from(&word.priority);
                }
            }
            (None, true) => spells.push(begun(word)),
            // That somebody has seen what was over already.
            (None, false) => {
                let over = spells.iter_mut().rev().find(|spell| spell.kind == word.kind);
                if let Some(spell) = over.filter(|spell| word.seen && spell.seen.is_none()) {
                    spell.seen = Some(word.at);
                }
            }
        }
    }
    spells.retain(|spell| spell.until.is_none_or(|until| until > first));
    for spell in &mut spells {
        let meanwhile = acts.iter().filter(|(at, _)| *at >= spell.from && spell.until.is_none_or(|until| *at <= until));
        spell.done.extend(meanwhile.cloned());
    }
    spells.sort_by_key(|spell| spell.from);
    spells
}

fn begun(word: &Word) -> Spell {
    Spell {
        kind: word.kind.clone(),
        priority: word.priority.clone(),
        is_sites: word.is_sites,
        from: word.since.min(word.at),
        until: None,
        seen: word.seen.then_some(word.at),
        text: word.text.clone(),
        done: Vec::new(),
    }
}

fn rank(priority: &str) -> usize {
    ["low", "medium", "high", "critical"].iter().position(|known| *known == priority).unwrap_or(0)
}
