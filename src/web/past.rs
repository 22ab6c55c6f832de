//! What the journal tells of the past, for pictures and lists. Everything here blocks.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::control::Record;
use crate::export::alarms::alarm_metrics;
use crate::export::burning::{Burnt, burnt};
use crate::journal::read::{Act, Alarm, Failure, Reader, Resolution, Series, Whose, Window};

/// Alarms told in a list at most.
const ALARMS_MOST: usize = 500;

/// A probe's course.
#[derive(Clone, Debug)]
pub(super) struct Course {
    pub probe: String,
    /// As the journal calls it: `temperature`, `uvi` …
    pub quantity: String,
    /// When, mean, lowest and highest.
    pub points: Vec<(DateTime<Utc>, f64, f64, f64)>,
}

/// Names of lamps, each with its levels from moments on.
type Levels = Vec<(String, Vec<(DateTime<Utc>, f64)>)>;

/// What happened in an enclosure over a while.
#[derive(Clone, Debug, Default)]
pub(super) struct Past {
    pub courses: Vec<Course>,
    /// Each lamp's name with its levels from moments on, the first from before.
    pub lamps: Levels,
    /// How long each was on day by day, where single switches are too many to be seen.
    pub burnt: Vec<Burnt>,
    /// Alarms with when they began and ended.
    pub alarms: Vec<Stretch>,
}

/// An alarm from its raise to its end.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stretch {
    pub enclosure: Option<String>,
    pub kind: String,
    pub priority: String,
    pub text: String,
    pub from: DateTime<Utc>,
    /// None: it stands.
    pub until: Option<DateTime<Utc>>,
    /// When somebody said they had seen it.
    pub seen: Option<DateTime<Utc>>,
}

/// How closely a window is drawn: no more points than a screen has.
pub(super) fn closeness(span: TimeDelta) -> (Resolution, TimeDelta) {
    match span.num_days() {
        ..3 => (Resolution::Minute, TimeDelta::minutes(15)),
        3..60 => (Resolution::Hour, TimeDelta::hours(3)),
        _ => (Resolution::Day, TimeDelta::days(2)),
    }
}

/// What is drawn of an enclosure, up to `now`. `midnights` are those of the days that are asked for, and the one after them.
pub(super) fn of_enclosure(
    journal: &Path,
    id: &str,
    midnights: &[DateTime<Utc>],
    now: DateTime<Utc>,
    zone: Tz,
) -> Result<Past, String> {
    let (Some(from), Some(end)) = (midnights.first(), midnights.last()) else { return Ok(Past::default()) };
    let window = Window { from: *from, until: (*end).min(now).max(*from) };
    let reader = Reader::open(journal).map_err(|unreadable| unreadable.to_string())?;
    let read = || -> Result<Past, Failure> {
        let (resolution, _) = closeness(*end - *from);
        let series = reader.series(Whose { enclosure: Some(id), probe: None }).map_err(Failure::Journal)?;
        let mut past = Past::default();
        for series in series.iter().filter(|series| matches!(series.quantity.as_str(), "temperature" | "uvi")) {
            past.courses.push(course(&reader, series, window, resolution, zone)?);
        }
        if resolution == Resolution::Minute {
            past.lamps = lamps(&reader, id, window)?;
        } else {
            past.burnt = burnt(&reader, id, midnights, now)?;
        }
        past.alarms = stretches(&reader, Some(id), window)?;
        Ok(past)
    };
    read().map_err(|failure| failure.to_string())
}

fn course(
    reader: &Reader,
    series: &Series,
    window: Window,
    resolution: Resolution,
    zone: Tz,
) -> Result<Course, Failure> {
    let mut points = Vec::new();
    reader.samples(series, window, resolution, zone, |sample| {
        if let Some(mean) = sample.mean {
            points.push((sample.at, mean, sample.low.unwrap_or(mean), sample.high.unwrap_or(mean)));
        }
        Ok(())
    })?;
    Ok(Course { probe: series.probe.clone(), quantity: series.quantity.clone(), points })
}

fn lamps(reader: &Reader, id: &str, window: Window) -> Result<Levels, Failure> {
    let mut lamps: Levels = Vec::new();
    let mut put = |lamp: String, at, level| match lamps.iter_mut().find(|(name, _)| *name == lamp) {
        Some((_, levels)) => levels.push((at, level)),
        None => lamps.push((lamp, vec![(at, level)])),
    };
    for before in reader.switched_before(id, window.from)? {
        put(before.lamp, window.from, before.level);
    }
    reader.switches(Some(id), window, |switch| {
        put(switch.lamp, switch.at, switch.level);
        Ok(())
    })?;
    Ok(lamps)
}

/// Alarms that stood at any time in `window`, in order of their raise.
fn stretches(reader: &Reader, enclosure: Option<&str>, window: Window) -> Result<Vec<Stretch>, Failure> {
    // One that was raised before may stand into it: looked for as far back as anybody would care.
    let from = window.from.checked_sub_signed(TimeDelta::days(30)).unwrap_or(window.from);
    let mut all: Vec<Stretch> = Vec::new();
    reader.alarms(enclosure, Window { from, until: window.until }, |alarm: Alarm| {
        let is_of = |stretch: &Stretch| stretch.enclosure == alarm.enclosure && stretch.kind == alarm.kind;
        let open = all.iter_mut().rev().find(|stretch| is_of(stretch) && stretch.until.is_none());
        let is_seen = alarm.state == crate::control::AlarmState::Acknowledged.word();
        match (open, alarm.is_active()) {
            (Some(open), true) => {
                if is_seen {
                    open.seen.get_or_insert(alarm.at);
                }
                open.text = alarm.text;
            }
            (Some(open), false) => open.until = Some(alarm.at),
            (None, true) => all.push(Stretch {
                enclosure: alarm.enclosure,
                kind: alarm.kind,
                priority: alarm.priority,
                text: alarm.text,
                from: alarm.since.min(alarm.at),
                until: None,
                seen: is_seen.then_some(alarm.at),
            }),
            (None, false) => {}
        }
        Ok(())
    })?;
    all.retain(|stretch| stretch.until.is_none_or(|until| until >= window.from));
    Ok(all)
}

/// Alarms of the whole site over a while.
#[derive(Clone, Debug)]
pub(super) struct Alarms {
    /// The newest first.
    pub stretches: Vec<Stretch>,
    /// How many more there were.
    pub left_out: usize,
    /// The standards' figures: what, how it is here, and beside what it is held.
    pub figures: Vec<[String; 3]>,
    /// Enclosures in which no animal lives by a person's word, with why.
    pub out_of_service: BTreeMap<String, String>,
}

/// Alarms of the whole site in `window`.
pub(super) fn alarms(journal: &Path, window: Window, zone: Tz) -> Result<Alarms, String> {
    let reader = Reader::open(journal).map_err(|unreadable| unreadable.to_string())?;
    let mut all = stretches(&reader, None, window).map_err(|failure| failure.to_string())?;
    all.reverse();
    let left_out = all.len().saturating_sub(ALARMS_MOST);
    all.truncate(ALARMS_MOST);
    let metrics = alarm_metrics(&reader, window, zone).map_err(|failure| failure.to_string())?;
    let out_of_service = empty(&reader)?;
    Ok(Alarms { stretches: all, left_out, figures: metrics.lines(), out_of_service })
}

/// Enclosures in which no animal lives by a person's word, with why.
pub(super) fn out_of_service(journal: &Path) -> Result<BTreeMap<String, String>, String> {
    empty(&Reader::open(journal).map_err(|unreadable| unreadable.to_string())?)
}

fn empty(reader: &Reader) -> Result<BTreeMap<String, String>, String> {
    let filed = reader.asides().map_err(|unreadable| unreadable.to_string())?;
    let empty = filed.into_iter().filter_map(|record| match record {
        Record::Asides { enclosure, out_of_service, .. } => enclosure.zip(out_of_service),
        _ => None,
    });
    Ok(empty.collect())
}

/// What keepers did in `window`, the newest first.
pub(super) fn acts(journal: &Path, enclosure: Option<&str>, window: Window) -> Result<Vec<Act>, String> {
    let reader = Reader::open(journal).map_err(|unreadable| unreadable.to_string())?;
    let mut all = Vec::new();
    let read = reader.acts(enclosure, window, |act| {
        all.push(act);
        Ok(())
    });
    read.map_err(|failure| failure.to_string())?;
    all.reverse();
    Ok(all)
}

/// Whether an act with this key is in the journal.
pub(super) fn is_done(journal: &Path, key: &str) -> Result<bool, String> {
    let reader = Reader::open(journal).map_err(|unreadable| unreadable.to_string())?;
    reader.has_act(key).map_err(|unreadable| unreadable.to_string())
}
