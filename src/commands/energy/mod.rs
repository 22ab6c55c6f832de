//! `lampwarden energy`: what lamps drew, month by month, and what it cost.

mod reckon;

use std::collections::BTreeMap;
use std::io::{self, Write as _};
use std::process::ExitCode;

use chrono::{DateTime, Datelike as _, Months, NaiveDate, Utc};
use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use crate::daemon::Clock;
use crate::export::table::GAP;
use crate::journal::read::{self, Failure, Reader, Resolution, Whose, Window, begin_of};
use crate::settings::{Enclosure, Lamp, Settings, Tariff};

use super::history::reader_of;
use super::{Config, failed, find_enclosure, told};
use reckon::{Drawn, Measured, drawn, lit};

/// So many months are told at most.
const MONTHS_MAX: usize = 60;
/// Where less than this share is reckoned, all counts as measured.
const MEASURED: f64 = 0.01;

#[derive(Args)]
#[command(
    long_about = "What lamps drew, month by month, and what it cost.\n\nMeasured where a power probe measures a lamp \
    alone, else reckoned: rated power × time on × level, which is only near the truth for a lamp that is dimmed. While \
    the daemon did not run nothing is known and nothing counted. Switches are kept for 100 days, so what is reckoned \
    reaches no further back; what is measured does."
)]
pub(super) struct Arguments {
    #[command(flatten)]
    config: Config,
    /// Only this enclosure
    #[arg(long, value_name = "ID")]
    enclosure: Option<String>,
    /// First month; this one unless given
    #[arg(long, value_name = "MONTH", value_parser = month)]
    from: Option<NaiveDate>,
    /// Last month; this one unless given
    #[arg(long, value_name = "MONTH", value_parser = month)]
    until: Option<NaiveDate>,
    /// What is added up
    #[arg(long, value_enum, default_value_t = By::Lamp)]
    by: By,
    /// Print JSON: every lamp and month, and the sums of every rack, circuit and month
    #[arg(long)]
    json: bool,
}

/// What is added up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum By {
    Lamp,
    Enclosure,
    Rack,
    Circuit,
    Month,
}

/// The first day of a month written as `2026-07`.
fn month(text: &str) -> Result<NaiveDate, String> {
    format!("{text}-01").parse().map_err(|_| "a month as 2026-07".to_owned())
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    match tell(&arguments, &settings) {
        Ok(text) => {
            let mut out = io::stdout().lock();
            told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| ExitCode::SUCCESS))
        }
        Err(why) => failed(&why),
    }
}

fn tell(arguments: &Arguments, settings: &Settings) -> Result<String, String> {
    let only = arguments.enclosure.as_deref().map(|id| find_enclosure(settings, id)).transpose()?;
    let now = Clock::real().now().wall;
    let this = now.with_timezone(&settings.site.timezone).date_naive().with_day(1).unwrap_or_default();
    let (from, until) = (arguments.from.or(arguments.until).unwrap_or(this), arguments.until.unwrap_or(this));
    if from > until {
        return Err(format!("{} is after {}", from.format("%Y-%m"), until.format("%Y-%m")));
    }
    let months: Vec<NaiveDate> = (0..)
        .map_while(|nth| from.checked_add_months(Months::new(nth)))
        .take_while(|month| *month <= until)
        .take(MONTHS_MAX + 1)
        .collect();
    if months.len() > MONTHS_MAX {
        return Err(format!("more than {MONTHS_MAX} months: ask for fewer"));
    }
    let reader = reader_of(settings)?;
    let chosen = settings.enclosures.iter().enumerate().filter(|(ix, _)| only.is_none_or(|only| only.0 == *ix));
    let mut rows = Vec::new();
    let book = Book::open(&reader, now)?;
    for (_, enclosure) in chosen {
        for month in &months {
            rows.extend(book.month(settings, enclosure, *month).map_err(|failure| failure.to_string())?);
        }
    }
    rows.sort_by_key(|row| row.month);
    let tariff = settings.tariff.as_ref();
    Ok(if arguments.json { json_of(settings, &rows, tariff) } else { table(settings, &rows, arguments.by, tariff) })
}

/// What one lamp drew in one month.
struct Row<'s> {
    month: NaiveDate,
    enclosure: &'s Enclosure,
    lamp: &'s Lamp,
    drawn: Drawn,
}

/// The journal, and when nobody wrote in it.
struct Book<'r> {
    reader: &'r Reader,
    now: DateTime<Utc>,
    starts: Vec<DateTime<Utc>>,
    unwatched: Vec<(DateTime<Utc>, DateTime<Utc>)>,
}

impl<'r> Book<'r> {
    fn open(reader: &'r Reader, now: DateTime<Utc>) -> Result<Book<'r>, String> {
        let runs = reader.runs().map_err(|why| why.to_string())?;
        let mut unwatched = read::gaps(&runs, GAP);
        if let Some(alive) = runs.iter().map(|run| run.ended.unwrap_or(run.alive).max(run.alive)).max()
            && now - alive > GAP
        {
            unwatched.push((alive, now));
        }
        Ok(Book { reader, now, starts: runs.iter().map(|run| run.started).collect(), unwatched })
    }

    fn month<'s>(
        &self,
        settings: &Settings,
        enclosure: &'s Enclosure,
        month: NaiveDate,
    ) -> Result<Vec<Row<'s>>, Failure> {
        let zone = settings.site.timezone;
        let next = month.checked_add_months(Months::new(1)).unwrap_or(month);
        let window = Window { from: begin_of(month, zone), until: begin_of(next, zone).min(self.now) };
        let mut switches: Vec<Vec<(DateTime<Utc>, f64)>> = vec![Vec::new(); enclosure.lamps.len()];
        let place = |name: &str| enclosure.lamps.iter().position(|lamp| lamp.name == name);
        if window.from < window.until {
            for before in self.reader.switched_before(&enclosure.id, window.from)? {
                if let Some(place) = place(&before.lamp) {
                    switches[place].push((before.at, before.level));
                }
            }
            self.reader.switches(Some(&enclosure.id), window, |switch| {
                if let Some(place) = place(&switch.lamp) {
                    switches[place].push((switch.at, switch.level));
                }
                Ok(())
            })?;
        }
        let mut rows = Vec::new();
        for (lamp, switches) in enclosure.lamps.iter().zip(switches) {
            let stretches = lit(&switches, &self.starts, (window.from, window.until), &self.unwatched);
            let measured = self.measured(settings, enclosure, lamp, window)?;
            let drawn = drawn(&stretches, lamp.power.map(|power| power.0), &measured);
            rows.push(Row { month, enclosure, lamp, drawn });
        }
        Ok(rows)
    }

    fn measured(
        &self,
        settings: &Settings,
        enclosure: &Enclosure,
        lamp: &Lamp,
        window: Window,
    ) -> Result<Vec<Measured>, Failure> {
        let mut hours = Vec::new();
        let Some(probe) = lamp.power_probe.and_then(|ix| enclosure.probes.get(ix.0)) else { return Ok(hours) };
        let whose = Whose { enclosure: Some(&enclosure.id), probe: Some(&probe.name) };
        let series = self.reader.series(whose).map_err(Failure::Journal)?;
        let Some(series) = series.iter().find(|series| series.quantity == "power") else { return Ok(hours) };
        if window.from < window.until {
            self.reader.samples(series, window, Resolution::Hour, settings.site.timezone, |sample| {
                if let Some(mean) = sample.mean {
                    hours.push(Measured { at: sample.at, mean, minutes: sample.covered });
                }
                Ok(())
            })?;
        }
        Ok(hours)
    }
}

/// What a row is added to.
fn name(settings: &Settings, row: &Row<'_>, by: By) -> String {
    match by {
        By::Lamp => format!("{}/{}", row.enclosure.id, row.lamp.name),
        By::Enclosure => row.enclosure.id.clone(),
        By::Rack => row.enclosure.rack.clone().unwrap_or_else(|| "no rack".to_owned()),
        By::Circuit => {
            let circuit = row.lamp.circuit.and_then(|ix| settings.circuits.get(ix.0));
            circuit.map_or_else(|| "no circuit".to_owned(), |circuit| circuit.name.clone())
        }
        By::Month => "all".to_owned(),
    }
}

/// Sums in the order in which they first come, month by month.
fn sums(settings: &Settings, rows: &[Row<'_>], by: By) -> Vec<(NaiveDate, String, Drawn)> {
    let mut places: BTreeMap<(NaiveDate, String), usize> = BTreeMap::new();
    let mut sums: Vec<(NaiveDate, String, Drawn)> = Vec::new();
    for row in rows {
        let name = name(settings, row, by);
        let place = *places.entry((row.month, name.clone())).or_insert_with(|| {
            sums.push((row.month, name, Drawn::default()));
            sums.len() - 1
        });
        sums[place].2.add(&row.drawn);
    }
    sums
}

/// Whether what was drawn was measured, reckoned, or both.
fn how(drawn: &Drawn) -> &'static str {
    let total = drawn.total();
    if drawn.unknown_hours > MEASURED * drawn.hours {
        return if total > 0.0 { "in part, the rest not known" } else { "not known: neither `power` nor `watts`" };
    }
    match drawn.measured {
        measured if measured <= 0.0 => "reckoned",
        measured if measured >= (1.0 - MEASURED) * total => "measured",
        _ => "in part measured",
    }
}

fn cost(drawn: &Drawn, tariff: Option<&Tariff>) -> Option<f64> {
    tariff.map(|tariff| drawn.total() * tariff.price)
}

fn table(settings: &Settings, rows: &[Row<'_>], by: By, tariff: Option<&Tariff>) -> String {
    let currency = tariff.map_or_else(String::new, |tariff| tariff.currency.clone());
    let header = ["month".to_owned(), "of".to_owned(), "kWh".to_owned(), currency, "h".to_owned(), "how".to_owned()];
    let mut all = sums(settings, rows, by);
    let mut total = Drawn::default();
    rows.iter().for_each(|row| total.add(&row.drawn));
    let line = |month: String, name: String, drawn: &Drawn| {
        let cost = cost(drawn, tariff).map_or_else(String::new, |cost| format!("{cost:.2}"));
        [month, name, format!("{:.2}", drawn.total()), cost, format!("{:.0}", drawn.hours), how(drawn).to_owned()]
    };
    let mut lines = vec![header];
    lines.extend(all.drain(..).map(|(month, name, drawn)| line(month.format("%Y-%m").to_string(), name, &drawn)));
    lines.push(line("all".to_owned(), String::new(), &total));
    let widths: [usize; 6] =
        std::array::from_fn(|column| lines.iter().map(|line| line[column].chars().count()).max().unwrap_or(0));
    let written = |line: &[String; 6]| {
        let cell = |(at, (text, width)): (usize, (&String, &usize))| match at {
            2..=4 => format!("{text:>width$}"),
            _ => format!("{text:<width$}"),
        };
        let cells: Vec<_> = line.iter().zip(&widths).enumerate().map(cell).collect();
        cells.join("  ").trim_end().to_owned() + "\n"
    };
    let mut text: String = lines.iter().map(written).collect();
    text += "Reckoned: rated power × time on × level. A meter of the supplier's is the one that counts.\n";
    text
}

fn json_of(settings: &Settings, rows: &[Row<'_>], tariff: Option<&Tariff>) -> String {
    let rounded = |number: f64| (number * 1e4).round() / 1e4;
    let said = |drawn: &Drawn| {
        json!({
            "kwh": rounded(drawn.total()),
            "measured_kwh": rounded(drawn.measured),
            "reckoned_kwh": rounded(drawn.reckoned),
            "hours": rounded(drawn.hours),
            "unknown_hours": rounded(drawn.unknown_hours),
            "how": how(drawn),
            "cost": cost(drawn, tariff).map(rounded),
        })
    };
    let with = |mut value: Value, more: Value| {
        if let (Some(value), Value::Object(more)) = (value.as_object_mut(), more) {
            value.extend(more);
        }
        value
    };
    let lamp = |row: &Row<'_>| {
        let circuit = row.lamp.circuit.and_then(|ix| settings.circuits.get(ix.0)).map(|circuit| &circuit.name);
        let who = json!({
            "month": row.month.format("%Y-%m").to_string(),
            "enclosure": row.enclosure.id,
            "rack": row.enclosure.rack,
            "circuit": circuit,
            "lamp": row.lamp.name,
            "watts": row.lamp.power.map(|power| power.0),
        });
        with(who, said(&row.drawn))
    };
    let added = |by: By, key: &str| -> Vec<Value> {
        let sums = sums(settings, rows, by).into_iter();
        sums.map(|(month, name, drawn)| {
            with(json!({ "month": month.format("%Y-%m").to_string(), key: name }), said(&drawn))
        })
        .collect()
    };
    let all = json!({
        "tariff": tariff.map(|tariff| json!({ "price": tariff.price, "currency": tariff.currency })),
        "lamps": rows.iter().map(lamp).collect::<Vec<_>>(),
        "racks": added(By::Rack, "rack"),
        "circuits": added(By::Circuit, "circuit"),
        "months": added(By::Month, "of"),
    });
    serde_json::to_string_pretty(&all).unwrap_or_default() + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_measured_is_told_apart_from_what_was_reckoned() {
        let check = |measured, reckoned, unknown_hours, expected: &str| {
            let drawn = Drawn { measured, reckoned, hours: 10.0, unknown_hours };
            assert_eq!(how(&drawn), expected);
        };
        check(1.0, 0.0, 0.0, "measured");
        check(1.0, 0.005, 0.0, "measured");
        check(1.0, 0.5, 0.0, "in part measured");
        check(0.0, 0.5, 0.0, "reckoned");
        check(0.0, 0.0, 10.0, "not known: neither `power` nor `watts`");
        check(1.0, 0.0, 5.0, "in part, the rest not known");
    }

    #[test]
    fn months_are_written_as_in_a_calendar() {
        assert_eq!(month("2026-07"), Ok(NaiveDate::from_ymd_opt(2026, 7, 1).expect("a date")));
        for wrong in ["2026", "2026-13", "July", "2026-07-01"] {
            assert!(month(wrong).is_err(), "{wrong}");
        }
    }
}
