//! Switches, alarms, acts, remarks and the daemon's lives.

use std::io;

use chrono::{DateTime, Utc};
use rusqlite::{Params, Row};
use serde_json::{Map, Value};

use super::samples::moment;
use super::{Failure, Reader, Unreadable, Window};
use crate::control::{Aside, Record};

/// A lamp's level changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Switch {
    /// When.
    pub at: DateTime<Utc>,
    /// The enclosure's id.
    pub enclosure: String,
    /// The lamp's name.
    pub lamp: String,
    /// Its level from then on, 0 to 1.
    pub level: f64,
    /// Why.
    pub reason: String,
}

/// An alarm was raised, changed or cleared.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarm {
    /// When.
    pub at: DateTime<Utc>,
    /// The enclosure's id; none: the site's.
    pub enclosure: Option<String>,
    /// What kind, as [`AlarmKind::name`](crate::control::AlarmKind::name).
    pub kind: String,
    /// How much it matters.
    pub priority: String,
    /// Where it stands, as [`AlarmNotice::standing`](crate::control::AlarmNotice::standing).
    pub state: String,
    /// When it was raised.
    pub since: DateTime<Utc>,
    /// What it says.
    pub text: String,
    /// Probes or lamps concerned.
    pub subjects: Vec<String>,
}

impl Alarm {
    /// Whether its condition stands.
    pub fn is_active(&self) -> bool {
        use crate::control::AlarmState::{Acknowledged, Unacknowledged};
        let aside = Aside::WORDS.contains(&self.state.as_str());
        aside || [Unacknowledged, Acknowledged].iter().any(|state| state.word() == self.state)
    }
}

/// Something a keeper did.
#[derive(Clone, Debug, PartialEq)]
pub struct Act {
    /// When.
    pub at: DateTime<Utc>,
    /// The enclosure's id; none: the site's.
    pub enclosure: Option<String>,
    /// What, in the words of a recording; empty where it cannot be read.
    pub words: Map<String, Value>,
}

impl Act {
    /// What kind of act.
    pub fn verb(&self) -> &str {
        self.text("act").unwrap_or("")
    }

    /// A word of it.
    pub fn text(&self, key: &str) -> Option<&str> {
        self.words.get(key).and_then(Value::as_str)
    }

    /// A number of it.
    pub fn number(&self, key: &str) -> Option<f64> {
        self.words.get(key).and_then(Value::as_f64)
    }
}

/// Something the program found worth telling beside alarms.
#[derive(Clone, Debug, PartialEq)]
pub struct Remark {
    /// When.
    pub at: DateTime<Utc>,
    /// The enclosure's id.
    pub enclosure: String,
    /// The probe or lamp.
    pub subject: String,
    /// What.
    pub text: String,
}

/// One life of the daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// When it began.
    pub started: DateTime<Utc>,
    /// When it last said that it was alive.
    pub alive: DateTime<Utc>,
    /// When it ended by itself.
    pub ended: Option<DateTime<Utc>>,
}

impl Reader {
    /// Hands over every switch of a lamp in `window`; with an enclosure named its own, lamp by lamp in order of time.
    pub fn switches(
        &self,
        enclosure: Option<&str>,
        window: Window,
        act: impl FnMut(Switch) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let (from, until) = window.ms();
        let text = "SELECT at_ms, enclosure, lamp.lamp, level, reason FROM lamps AS lamp
                    CROSS JOIN switches ON switches.lamp = lamp.id AND at_ms >= ?2 AND at_ms < ?3
                    WHERE (?1 IS NULL OR enclosure = ?1) ORDER BY enclosure, lamp.lamp, at_ms, nth";
        self.each(text, (enclosure, from, until), switch, act)
    }

    /// The last switch of each lamp of an enclosure before `at`.
    pub fn switched_before(&self, enclosure: &str, at: DateTime<Utc>) -> Result<Vec<Switch>, Failure> {
        let text = "SELECT at_ms, enclosure, lamp.lamp, level, reason FROM lamps AS lamp
                    CROSS JOIN switches ON switches.lamp = lamp.id AND (at_ms, nth) =
                        (SELECT at_ms, nth FROM switches AS last WHERE last.lamp = lamp.id AND last.at_ms < ?2
                         ORDER BY at_ms DESC, nth DESC LIMIT 1)
                    WHERE enclosure = ?1 ORDER BY lamp.lamp";
        let mut found = Vec::new();
        self.each(text, (enclosure, at.timestamp_millis()), switch, |row| {
            found.push(row);
            Ok(())
        })?;
        Ok(found)
    }

    /// Hands over every alarm as it was raised, changed and cleared in `window`, in order of time. With an enclosure
    /// named its own, without one all.
    pub fn alarms(
        &self,
        enclosure: Option<&str>,
        window: Window,
        act: impl FnMut(Alarm) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let (from, until) = window.ms();
        let text = "SELECT at_ms, enclosure, kind, priority, state, since_ms, text, subjects FROM alarms
                    WHERE (?1 IS NULL OR enclosure = ?1) AND at_ms >= ?2 AND at_ms < ?3 ORDER BY at_ms, id";
        self.each(text, (enclosure, from, until), alarm, act)
    }

    /// Hands over what the keeper did in `window`, in order of time.
    pub fn acts(
        &self,
        enclosure: Option<&str>,
        window: Window,
        act: impl FnMut(Act) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let (from, until) = window.ms();
        let text = "SELECT at_ms, enclosure, act FROM acts
                    WHERE (?1 IS NULL OR enclosure = ?1) AND at_ms >= ?2 AND at_ms < ?3 ORDER BY at_ms, id";
        let row = |row: &Row<'_>| {
            let words: String = row.get(2)?;
            let words = serde_json::from_str(&words).unwrap_or_default();
            Ok(Act { at: moment(row.get(0)?), enclosure: row.get(1)?, words })
        };
        self.each(text, (enclosure, from, until), row, act)
    }

    /// Whether somebody did something under this key (see `web`); as far back as an act may wait to be sent.
    pub fn has_act(&self, key: &str) -> Result<bool, Unreadable> {
        let read = || {
            let text = "SELECT 1 FROM acts
                        WHERE CASE WHEN json_valid(act) THEN json_extract(act, '$.key') END = ?1 LIMIT 1";
            self.connection.prepare_cached(text)?.exists([key])
        };
        read().map_err(|error| self.failed(error))
    }

    /// Hands over remarks in `window`, in order of time.
    pub fn remarks(
        &self,
        enclosure: Option<&str>,
        window: Window,
        act: impl FnMut(Remark) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let (from, until) = window.ms();
        let text = "SELECT at_ms, enclosure, subject, text FROM remarks
                    WHERE (?1 IS NULL OR enclosure = ?1) AND at_ms >= ?2 AND at_ms < ?3 ORDER BY at_ms, id";
        let row = |row: &Row<'_>| {
            Ok(Remark { at: moment(row.get(0)?), enclosure: row.get(1)?, subject: row.get(2)?, text: row.get(3)? })
        };
        self.each(text, (enclosure, from, until), row, act)
    }

    /// Every life of the daemon, in order of time.
    pub fn runs(&self) -> Result<Vec<Run>, Unreadable> {
        let read = || {
            let text = "SELECT started_ms, alive_ms, ended_ms FROM runs ORDER BY started_ms, id";
            let mut statement = self.connection.prepare_cached(text)?;
            let rows = statement.query_map([], |row| {
                let ended = row.get::<_, Option<i64>>(2)?.map(moment);
                Ok(Run { started: moment(row.get(0)?), alive: moment(row.get(1)?), ended })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| self.failed(error))
    }

    /// What the core has filed, such as calibrations and hours; what this version cannot read is left out.
    pub fn filed(&self) -> Result<Vec<Record>, Unreadable> {
        let read = || {
            let mut statement =
                self.connection.prepare_cached("SELECT record FROM kept WHERE room = 'file' ORDER BY owner")?;
            let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let texts = read().map_err(|error| self.failed(error))?;
        Ok(texts.iter().filter_map(|text| serde_json::from_str(text).ok()).collect())
    }

    /// What people have put aside, owner by owner.
    pub fn asides(&self) -> Result<Vec<Record>, Unreadable> {
        let read = || {
            // Owners are written as `asides` and `asides e1`: a space comes before every letter, and `!` right after it.
            let text = "SELECT record FROM kept WHERE owner >= 'asides' AND owner < 'asides!' AND room = 'file'";
            let mut statement = self.connection.prepare_cached(text)?;
            let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let texts = read().map_err(|error| self.failed(error))?;
        Ok(texts.iter().filter_map(|text| serde_json::from_str(text).ok()).collect())
    }

    fn each<T>(
        &self,
        text: &str,
        parameters: impl Params,
        read: impl Fn(&Row<'_>) -> rusqlite::Result<T>,
        mut act: impl FnMut(T) -> io::Result<()>,
    ) -> Result<(), Failure> {
        let mut statement = self.connection.prepare_cached(text).map_err(|error| self.broken(error))?;
        let mut rows = statement.query(parameters).map_err(|error| self.broken(error))?;
        while let Some(row) = rows.next().map_err(|error| self.broken(error))? {
            act(read(row).map_err(|error| self.broken(error))?)?;
        }
        Ok(())
    }
}

fn switch(row: &Row<'_>) -> rusqlite::Result<Switch> {
    Ok(Switch {
        at: moment(row.get(0)?),
        enclosure: row.get(1)?,
        lamp: row.get(2)?,
        level: row.get(3)?,
        reason: row.get(4)?,
    })
}

fn alarm(row: &Row<'_>) -> rusqlite::Result<Alarm> {
    let subjects: String = row.get(7)?;
    Ok(Alarm {
        at: moment(row.get(0)?),
        enclosure: row.get(1)?,
        kind: row.get(2)?,
        priority: row.get(3)?,
        state: row.get(4)?,
        since: moment(row.get(5)?),
        text: row.get(6)?,
        subjects: serde_json::from_str(&subjects).unwrap_or_default(),
    })
}

/// Spans in which nobody watched: between the last sign of life of one run and the start of the next, where that is
/// more than `least`. Before the first run is no gap, since there was no daemon yet.
pub fn gaps(runs: &[Run], least: chrono::TimeDelta) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    let mut gaps = Vec::new();
    let mut alive: Option<DateTime<Utc>> = None;
    for run in runs {
        if let Some(before) = alive.filter(|before| run.started - *before > least) {
            gaps.push((before, run.started));
        }
        let last = run.ended.unwrap_or(run.alive).max(run.alive);
        alive = Some(alive.map_or(last, |before| before.max(last)));
    }
    gaps
}
