//! What is told, in columns that stay: their names, their order and what they hold.

use std::io;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde_json::Value;

use crate::journal::read::{Failure, Reader, Resolution, Whose, Window, gaps};

/// What stands for the site where an enclosure is asked for; no enclosure can be called so.
const SITE: &str = "site";
/// A daemon says that it lives every minute; what is longer than this is a gap.
pub(crate) const GAP: TimeDelta = TimeDelta::seconds(120);

/// What is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    /// What probes said: mean, lowest and highest, and how many readings were believed and not
    Readings,
    /// Every change of a lamp's level, with its reason
    Switches,
    /// Alarms as they were raised, changed and cleared
    Alarms,
    /// What the keeper did
    Acts,
    /// What the program found worth telling beside alarms
    Remarks,
    /// When nobody watched, because the daemon did not run
    Gaps,
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A moment.
    Time,
    /// Text.
    Text,
    /// A number in the unit that the table names.
    Number,
    /// How many.
    Count,
    /// Names, or whatever JSON holds.
    Json,
}

/// A column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Column {
    /// Its name.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Whether a row may have nothing there.
    pub may_be_empty: bool,
}

/// What stands in a column of a row.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Cell {
    /// A moment.
    Time(DateTime<Utc>),
    /// Text.
    Text(String),
    /// A number.
    Number(f64),
    /// How many.
    Count(u64),
    /// JSON.
    Json(Value),
    /// Nothing.
    Empty,
}

impl From<Option<f64>> for Cell {
    fn from(number: Option<f64>) -> Cell {
        number.map_or(Cell::Empty, Cell::Number)
    }
}

impl From<Option<&str>> for Cell {
    fn from(text: Option<&str>) -> Cell {
        text.map_or(Cell::Empty, |text| Cell::Text(text.to_owned()))
    }
}

/// Where rows go.
pub(crate) trait Sink {
    /// One row, a cell for each column.
    fn row(&mut self, cells: &[Cell]) -> io::Result<()>;
    /// There are no more.
    fn end(self: Box<Self>) -> io::Result<()>;
}

const fn column(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, may_be_empty: false }
}

const fn perhaps(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, may_be_empty: true }
}

const READINGS: [Column; 11] = [
    column("time", Kind::Time),
    column("enclosure", Kind::Text),
    column("probe", Kind::Text),
    column("quantity", Kind::Text),
    column("unit", Kind::Text),
    perhaps("mean", Kind::Number),
    perhaps("low", Kind::Number),
    perhaps("high", Kind::Number),
    column("good", Kind::Count),
    column("bad", Kind::Count),
    column("covered_min", Kind::Count),
];
const SWITCHES: [Column; 5] = [
    column("time", Kind::Time),
    column("enclosure", Kind::Text),
    column("lamp", Kind::Text),
    column("level", Kind::Number),
    column("reason", Kind::Text),
];
const ALARMS: [Column; 8] = [
    column("time", Kind::Time),
    column("enclosure", Kind::Text),
    column("kind", Kind::Text),
    column("priority", Kind::Text),
    column("state", Kind::Text),
    column("since", Kind::Time),
    column("text", Kind::Text),
    column("subjects", Kind::Json),
];
const ACTS: [Column; 7] = [
    column("time", Kind::Time),
    column("enclosure", Kind::Text),
    column("act", Kind::Text),
    perhaps("lamp", Kind::Text),
    perhaps("spot", Kind::Text),
    perhaps("uvi", Kind::Number),
    perhaps("more", Kind::Json),
];
const REMARKS: [Column; 4] = [
    column("time", Kind::Time),
    column("enclosure", Kind::Text),
    column("subject", Kind::Text),
    column("text", Kind::Text),
];
const GAPS: [Column; 3] = [column("from", Kind::Time), column("to", Kind::Time), column("minutes", Kind::Number)];

impl What {
    /// Every table with its word and what it tells.
    pub(crate) const ALL: [(What, &'static str, &'static str); 6] = [
        (
            What::Readings,
            "readings",
            "What probes said: mean, lowest and highest, and how many readings were believed and not",
        ),
        (What::Switches, "switches", "Every change of a lamp's level, with its reason"),
        (What::Alarms, "alarms", "Alarms as they were raised, changed and cleared"),
        (What::Acts, "acts", "What the keeper did"),
        (What::Remarks, "remarks", "What the program found worth telling beside alarms"),
        (What::Gaps, "gaps", "When nobody watched, because the daemon did not run"),
    ];

    /// The table of that word.
    pub(crate) fn from_word(word: &str) -> Option<What> {
        What::ALL.iter().find(|(_, known, _)| *known == word).map(|(what, ..)| *what)
    }

    /// Its columns.
    pub(crate) fn columns(self) -> &'static [Column] {
        match self {
            What::Readings => &READINGS,
            What::Switches => &SWITCHES,
            What::Alarms => &ALARMS,
            What::Acts => &ACTS,
            What::Remarks => &REMARKS,
            What::Gaps => &GAPS,
        }
    }
}

/// What is asked for.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Asked<'a> {
    /// What is told.
    pub what: What,
    /// Whose.
    pub whose: Whose<'a>,
    /// When.
    pub window: Window,
    /// How closely readings are told.
    pub resolution: Resolution,
    /// The site's clock.
    pub zone: Tz,
}

impl Asked<'_> {
    /// Hands the rows over; tells how many there were.
    pub(crate) fn tell(&self, reader: &Reader, sink: &mut dyn Sink) -> Result<u64, Failure> {
        let mut rows = 0;
        let mut put = |cells: &[Cell]| {
            rows += 1;
            sink.row(cells)
        };
        match self.what {
            What::Readings => self.readings(reader, &mut put)?,
            What::Switches => self.switches(reader, &mut put)?,
            What::Alarms => self.alarms(reader, &mut put)?,
            What::Acts => self.acts(reader, &mut put)?,
            What::Remarks => self.remarks(reader, &mut put)?,
            What::Gaps => self.gaps(reader, &mut put)?,
        }
        Ok(rows)
    }

    /// Whether a probe or lamp is asked for.
    fn is_asked(&self, subjects: &[String]) -> bool {
        self.whose.probe.is_none_or(|probe| subjects.iter().any(|subject| subject == probe))
    }

    fn readings(&self, reader: &Reader, put: Put<'_>) -> Result<(), Failure> {
        let name = |name: &str| Cell::Text(name.to_owned());
        for series in reader.series(self.whose).map_err(Failure::Journal)? {
            let mut cells = vec![Cell::Empty; READINGS.len()];
            cells[1..5].clone_from_slice(&[
                name(&series.enclosure),
                name(&series.probe),
                name(&series.quantity),
                name(series.unit()),
            ]);
            reader.samples(&series, self.window, self.resolution, self.zone, |sample| {
                cells[0] = Cell::Time(sample.at);
                cells[5..8].clone_from_slice(&[sample.mean.into(), sample.low.into(), sample.high.into()]);
                cells[8..].clone_from_slice(&[sample.good, sample.bad, sample.covered].map(Cell::Count));
                put(&cells)
            })?;
        }
        Ok(())
    }

    fn switches(&self, reader: &Reader, put: Put<'_>) -> Result<(), Failure> {
        reader.switches(self.whose.enclosure, self.window, |row| {
            let [enclosure, lamp, reason] = [row.enclosure, row.lamp, row.reason].map(Cell::Text);
            put(&[Cell::Time(row.at), enclosure, lamp, Cell::Number(row.level), reason])
        })
    }

    fn alarms(&self, reader: &Reader, put: Put<'_>) -> Result<(), Failure> {
        reader.alarms(self.whose.enclosure, self.window, |row| {
            if !self.is_asked(&row.subjects) {
                return Ok(());
            }
            let enclosure = row.enclosure.unwrap_or_else(|| SITE.to_owned());
            let [enclosure, kind, priority, state, text] =
                [enclosure, row.kind, row.priority, row.state, row.text].map(Cell::Text);
            let (at, since, subjects) = (Cell::Time(row.at), Cell::Time(row.since), Cell::Json(row.subjects.into()));
            put(&[at, enclosure, kind, priority, state, since, text, subjects])
        })
    }

    fn acts(&self, reader: &Reader, put: Put<'_>) -> Result<(), Failure> {
        reader.acts(self.whose.enclosure, self.window, |row| {
            let mut more = row.words.clone();
            ["act", "enclosure", "lamp", "spot", "uvi"].iter().for_each(|known| _ = more.remove(*known));
            let more = if more.is_empty() { Cell::Empty } else { Cell::Json(more.into()) };
            put(&[
                Cell::Time(row.at),
                Cell::Text(row.enclosure.as_deref().unwrap_or(SITE).to_owned()),
                Cell::Text(row.verb().to_owned()),
                row.text("lamp").into(),
                row.text("spot").into(),
                row.number("uvi").into(),
                more,
            ])
        })
    }

    fn remarks(&self, reader: &Reader, put: Put<'_>) -> Result<(), Failure> {
        reader.remarks(self.whose.enclosure, self.window, |row| {
            if !self.is_asked(std::slice::from_ref(&row.subject)) {
                return Ok(());
            }
            let [enclosure, subject, text] = [row.enclosure, row.subject, row.text].map(Cell::Text);
            put(&[Cell::Time(row.at), enclosure, subject, text])
        })
    }

    fn gaps(&self, reader: &Reader, put: Put<'_>) -> Result<(), Failure> {
        let runs = reader.runs().map_err(Failure::Journal)?;
        let is_inside = |gap: &(DateTime<Utc>, DateTime<Utc>)| gap.1 > self.window.from && gap.0 < self.window.until;
        for (from, to) in gaps(&runs, GAP).into_iter().filter(is_inside) {
            let minutes = (to - from).num_milliseconds() as f64 / 60_000.0;
            put(&[Cell::Time(from), Cell::Time(to), Cell::Number(minutes)])?;
        }
        Ok(())
    }
}

/// Takes a row.
type Put<'a> = &'a mut dyn FnMut(&[Cell]) -> io::Result<()>;

/// RFC 3339 with the site's offset, with milliseconds only where there are any.
pub(crate) fn stamp(at: DateTime<Utc>, zone: Tz) -> String {
    use chrono::SecondsFormat::{Millis, Secs};
    let precision = if at.timestamp_subsec_millis() == 0 { Secs } else { Millis };
    at.with_timezone(&zone).to_rfc3339_opts(precision, false)
}
