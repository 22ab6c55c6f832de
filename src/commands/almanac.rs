//! The days ahead, as text.

mod year;

use std::fmt::Write as _;

use chrono::{DateTime, Datelike, NaiveDate, SecondsFormat, Utc};
use chrono_tz::Tz;
use serde::Serialize;

use crate::control::photoperiod::{DayPlan, Lights, Plans};
use crate::settings::{Enclosure, EnclosureIx, Settings};

pub use year::{json as year_json, picture as year_picture};

/// How the almanac is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Format {
    /// For people: aligned columns, local times to the minute.
    #[default]
    Table,
    /// One line a day under a header, with the columns of the JSON.
    Csv,
    /// An array of one object a day.
    Json,
}

/// One enclosure's day. Times are RFC 3339 with the site's offset, to the second; none where there is none.
#[derive(Serialize)]
struct Row<'a> {
    enclosure: &'a str,
    date: String,
    lights_on: Option<String>,
    lights_off: Option<String>,
    day_length_min: f64,
    sunrise: Option<String>,
    sunset: Option<String>,
}

/// The almanac of one enclosure, or of all in their order: `days` dates from `from`. Dates that do not exist in the
/// site's zone are left out, and it ends with the year 9999.
pub fn render(
    settings: &Settings,
    enclosure: Option<EnclosureIx>,
    from: NaiveDate,
    days: u32,
    format: Format,
) -> String {
    let zone = settings.site.timezone;
    let chosen = match enclosure {
        Some(EnclosureIx(only)) => settings.enclosures.get(only).map_or(&[][..], std::slice::from_ref),
        None => &settings.enclosures,
    };
    let rows = chosen.iter().flat_map(|enclosure| {
        let plans = Plans::new(&enclosure.care, zone, settings.site.place);
        let dates = from.iter_days().take_while(|date| date.year() <= 9999).take(days as usize);
        dates.filter_map(move |date| Some((enclosure, plans.on(date)?)))
    });
    match format {
        Format::Table => table(rows, zone),
        Format::Csv => csv(rows, zone),
        Format::Json => json(rows, zone),
    }
}

fn row<'a>(enclosure: &'a Enclosure, plan: &DayPlan, zone: Tz) -> Row<'a> {
    let time = |at: DateTime<Utc>| at.with_timezone(&zone).to_rfc3339_opts(SecondsFormat::Secs, false);
    let (on, off) = plan.span().unzip();
    Row {
        enclosure: &enclosure.id,
        date: plan.date.to_string(),
        lights_on: on.map(time),
        lights_off: off.map(time),
        day_length_min: (plan.day_length().num_seconds() as f64 / 0.6).round() / 100.0,
        sunrise: plan.sunrise.map(time),
        sunset: plan.sunset.map(time),
    }
}

fn json<'a>(rows: impl Iterator<Item = (&'a Enclosure, DayPlan)>, zone: Tz) -> String {
    // One object a line: as readable as it is short.
    let lines = rows.map(|(enclosure, plan)| {
        // Strings and finite numbers alone: this cannot fail.
        serde_json::to_string(&row(enclosure, &plan, zone)).unwrap_or_default()
    });
    let lines: Vec<String> = lines.collect();
    if lines.is_empty() { "[]\n".to_owned() } else { format!("[\n{}\n]\n", lines.join(",\n")) }
}

fn csv<'a>(rows: impl Iterator<Item = (&'a Enclosure, DayPlan)>, zone: Tz) -> String {
    let mut text = "enclosure,date,lights_on,lights_off,day_length_min,sunrise,sunset\n".to_owned();
    for (enclosure, plan) in rows {
        let Row { enclosure, date, lights_on, lights_off, day_length_min, sunrise, sunset } =
            row(enclosure, &plan, zone);
        let [on, off, rise, set] = [lights_on, lights_off, sunrise, sunset].map(Option::unwrap_or_default);
        let enclosure = quoted(enclosure);
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{enclosure},{date},{on},{off},{day_length_min},{rise},{set}");
    }
    text
}

/// A CSV field, quoted where it must be (RFC 4180).
fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

fn table<'a>(rows: impl Iterator<Item = (&'a Enclosure, DayPlan)>, zone: Tz) -> String {
    let header = ["enclosure", "date", "lights on", "lights off", "day", "sunrise", "sunset"].map(str::to_owned);
    let mut lines = vec![header];
    for (enclosure, plan) in rows {
        let time = |at: Option<DateTime<Utc>>| at.map_or("–".to_owned(), |at| clock_time(at, zone, plan.date));
        let (on, off) = plan.span().unzip();
        let lights = |at: Option<DateTime<Utc>>| match plan.lights {
            Lights::Span { .. } => time(at),
            Lights::AllDay => "all day".to_owned(),
            Lights::AllNight => "all night".to_owned(),
        };
        let minutes = (plan.day_length().num_seconds() + 30) / 60;
        lines.push([
            enclosure.id.clone(),
            plan.date.format("%F %a").to_string(),
            lights(on),
            lights(off),
            format!("{} h {:02}", minutes / 60, minutes % 60),
            time(plan.sunrise),
            time(plan.sunset),
        ]);
    }
    aligned(&lines)
}

/// Local time to the nearest minute, with the days it is off `date`: `00:04 +1`.
fn clock_time(at: DateTime<Utc>, zone: Tz, date: NaiveDate) -> String {
    let nearest = at.checked_add_signed(chrono::TimeDelta::seconds(30)).unwrap_or(at);
    let local = nearest.with_timezone(&zone);
    match (local.date_naive() - date).num_days() {
        0 => local.format("%H:%M").to_string(),
        days => format!("{} {days:+}", local.format("%H:%M")),
    }
}

/// Lines of cells in columns two spaces apart.
fn aligned<const COLUMNS: usize>(lines: &[[String; COLUMNS]]) -> String {
    let width = |column: usize| lines.iter().map(|line| line[column].chars().count()).max().unwrap_or(0);
    let widths: [usize; COLUMNS] = std::array::from_fn(width);
    let mut text = String::new();
    for line in lines {
        let cells: Vec<String> = line.iter().zip(widths).map(|(cell, width)| format!("{cell:<width$}")).collect();
        text.push_str(cells.join("  ").trim_end());
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::settings::{Broker, Care, Clamp, OnExit, Photoperiod, Place, Protocol, Season, Site};
    use crate::units::Degrees;

    fn settings(timezone: Tz, latitude: f64, longitude: f64, enclosures: &[(&str, Photoperiod)]) -> Settings {
        let enclosure = |(id, photoperiod): &(&str, Photoperiod)| Enclosure {
            id: (*id).to_owned(),
            title: (*id).to_owned(),
            rack: None,
            care: Care { name: "any".to_owned(), photoperiod: photoperiod.clone(), uv: None, program: None },
            probes: Vec::new(),
            lamps: Vec::new(),
            out_of_service: None,
        };
        Settings {
            site: Site {
                name: "garden-room".to_owned(),
                timezone,
                place: Place { latitude: Degrees(latitude), longitude: Degrees(longitude) },
                on_exit: OnExit::HeatOff,
                accept_commands: false,
                state_directory: None,
                uv_notice: Duration::from_secs(30 * 86_400),
                spare_horizon: Duration::from_secs(60 * 86_400),
            },
            broker: Broker {
                host: "127.0.0.1".to_owned(),
                port: 1883,
                protocol: Protocol::V5,
                tls: None,
                username: None,
                password_file: None,
                client_id: None,
                keep_alive: Duration::from_secs(5),
            },
            spares: Vec::new(),
            telling: Default::default(),
            cut_offs: Vec::new(),
            circuits: Vec::new(),
            tariff: None,
            enclosures: enclosures.iter().map(enclosure).collect(),
        }
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a test's own date")
    }

    fn clock(on: &str, off: &str) -> Photoperiod {
        Photoperiod::Clock { on: on.parse().expect("a time"), off: off.parse().expect("a time") }
    }

    #[test]
    fn json_is_an_array_with_local_offsets_and_nulls() {
        let tromso = settings(
            Tz::Europe__Oslo,
            69.6492,
            18.9553,
            &[("sun", Photoperiod::Site { clamp: Clamp::NONE }), ("fixed", clock("20:00", "06:00"))],
        );
        let parse = |enclosure, from: &str| -> serde_json::Value {
            let text = render(&tromso, enclosure, date(from), 1, Format::Json);
            serde_json::from_str(&text).expect("JSON")
        };
        // Over the change to summer time: nine hours, and an offset on each side of it.
        let row = &parse(None, "2025-03-29")[1];
        assert_eq!(row["enclosure"], "fixed");
        assert_eq!(row["date"], "2025-03-29");
        assert_eq!(row["lights_on"], "2025-03-29T20:00:00+01:00");
        assert_eq!(row["lights_off"], "2025-03-30T06:00:00+02:00");
        assert_eq!(row["day_length_min"], 540.0);
        assert_eq!(row.as_object().map(|row| row.len()), Some(7));
        // ephem 4.2.1: always up on 21 June 2025, never on 21 December.
        for (from, minutes) in [("2025-06-21", 1440.0), ("2025-12-21", 0.0)] {
            assert_eq!(
                parse(Some(EnclosureIx(0)), from),
                serde_json::json!([{
                    "enclosure": "sun", "date": from, "lights_on": null, "lights_off": null,
                    "day_length_min": minutes, "sunrise": null, "sunset": null,
                }])
            );
        }
        assert_eq!(render(&tromso, Some(EnclosureIx(7)), date("2025-03-29"), 1, Format::Json), "[]\n");
    }

    #[test]
    fn sunrise_and_sunset_in_the_almanac_are_those_of_the_ephemeris() {
        // ephem 4.2.1, civil dates: Phoenix, 21 June 2025.
        let phoenix = settings(Tz::America__Phoenix, 33.4484, -112.074, &[("e1", clock("08:00", "20:00"))]);
        let text = render(&phoenix, None, date("2025-06-21"), 1, Format::Json);
        let rows: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        for (key, expected) in [("sunrise", "2025-06-21T05:19:02-07:00"), ("sunset", "2025-06-21T19:41:23-07:00")] {
            let found = rows[0][key].as_str().expect("a time");
            assert!(found.ends_with("-07:00"), "{found}");
            let time = |text: &str| text.parse::<DateTime<Utc>>().expect("RFC 3339");
            assert!((time(found) - time(expected)).num_seconds().abs() <= 15, "{found}, expected {expected}");
        }
    }

    #[test]
    fn csv_has_the_columns_of_the_json_and_skips_dates_that_do_not_exist() {
        let apia = settings(Tz::Pacific__Apia, -13.8, -171.8, &[("e,1", clock("08:00", "20:30"))]);
        let text = render(&apia, None, date("2011-12-29"), 3, Format::Csv);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "enclosure,date,lights_on,lights_off,day_length_min,sunrise,sunset");
        assert!(lines[1].starts_with("\"e,1\",2011-12-29,2011-12-29T08:00:00-10:00,2011-12-29T20:30:00-10:00,750,"));
        assert!(lines[2].starts_with("\"e,1\",2011-12-31,2011-12-31T08:00:00+14:00,2011-12-31T20:30:00+14:00,750,"));
        assert_eq!(lines.len(), 3);
    }

    #[test]
    fn day_lengths_are_rounded_to_a_hundredth_of_a_minute() {
        let noon = "13:00".parse().expect("a time");
        let clamp = Clamp { shortest: Duration::from_secs(38_420), longest: Duration::from_secs(38_420) };
        let follow = Photoperiod::Latitude { latitude: Degrees(-18.9), season: Season::Origin, noon, clamp };
        let lisbon = settings(Tz::Europe__Lisbon, 38.72, -9.14, &[("e1", follow)]);
        let text = render(&lisbon, None, date("2026-03-01"), 1, Format::Csv);
        assert_eq!(text.lines().nth(1).and_then(|line| line.split(',').nth(4)), Some("640.33"));
    }

    #[test]
    fn the_table_lines_up_and_marks_the_next_day() {
        let reykjavik = settings(
            Tz::Atlantic__Reykjavik,
            64.1466,
            -21.9426,
            &[("e1", Photoperiod::Site { clamp: Clamp::NONE }), ("longer-name", clock("08:00", "20:00"))],
        );
        // ephem 4.2.1: 21 June 2025, 02:55:13 to 00:03:50 of the next day.
        assert_eq!(
            render(&reykjavik, None, date("2025-06-21"), 1, Format::Table),
            "enclosure    date            lights on  lights off  day      sunrise  sunset\n\
             e1           2025-06-21 Sat  02:55      00:04 +1    21 h 09  02:55    00:04 +1\n\
             longer-name  2025-06-21 Sat  08:00      20:00       12 h 00  02:55    00:04 +1\n"
        );
        let tromso = settings(Tz::Europe__Oslo, 69.6, 19.0, &[("e1", Photoperiod::Site { clamp: Clamp::NONE })]);
        let text = render(&tromso, None, date("2025-12-21"), 1, Format::Table);
        assert_eq!(text.lines().nth(1), Some("e1         2025-12-21 Sun  all night  all night   0 h 00  –        –"));
    }

    #[test]
    fn an_almanac_of_no_days_or_beyond_the_calendar_is_empty() {
        let site = settings(Tz::UTC, 0.0, 0.0, &[("e1", clock("08:00", "20:00"))]);
        for (from, days) in [("2026-01-01", 0), ("+10000-01-01", 5)] {
            assert_eq!(render(&site, None, date(from), days, Format::Table).lines().count(), 1);
        }
        assert_eq!(render(&site, None, date("9999-12-30"), u32::MAX, Format::Table).lines().count(), 3);
    }
}
