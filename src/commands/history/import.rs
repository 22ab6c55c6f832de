//! `lampwarden history import`: readings of a spreadsheet into the journal.

use std::fs::File;
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, NaiveDateTime, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use clap::Args;

use crate::commands::{Config, failed, find_enclosure};
use crate::daemon::Clock;
use crate::journal::HOURS_KEPT;
use crate::journal::read::{self, Merged, PastReadings};
use crate::settings::{Enclosure, Measures, Probe};
use crate::units::Celsius;

use super::journal_of;
use super::times::LOCAL;

/// Findings shown one by one; the rest are counted. Our choice.
const FINDINGS_SHOWN: usize = 20;
/// What some spreadsheets put before the first character.
const BYTE_ORDER_MARK: char = '\u{feff}';
/// A clock may be this far ahead of ours before a reading is of the future. Our choice.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

/// What is imported, and how it is written.
#[derive(Args)]
pub(super) struct Arguments {
    /// The spreadsheet, saved as CSV, with a header
    #[arg(value_name = "FILE.csv")]
    file: PathBuf,
    #[command(flatten)]
    config: Config,
    /// Whose readings they are
    #[arg(long, value_name = "ID")]
    enclosure: String,
    /// The header of the column with the times
    #[arg(long, value_name = "COLUMN")]
    time: String,
    /// A column and the probe whose readings it holds, such as "Basking spot=basking"; may be given more than once
    #[arg(long = "column", value_name = "COLUMN=PROBE", required = true)]
    columns: Vec<String>,
    /// How times are written, such as "%d.%m.%Y %H:%M"; else 2026-03-01 08:00, with T and seconds if you like, or RFC
    /// 3339
    #[arg(long, value_name = "FORMAT")]
    time_format: Option<String>,
    /// The time zone they are in, such as Europe/Lisbon; the site's unless given
    #[arg(long, value_name = "ZONE", value_parser = zone)]
    zone: Option<Tz>,
    /// What stands between columns: a character, or "tab"
    #[arg(long, value_name = "CHARACTER", default_value = ",", value_parser = delimiter)]
    delimiter: u8,
    /// Numbers are written as 33,1
    #[arg(long)]
    decimal_comma: bool,
    /// Temperatures are in Fahrenheit
    #[arg(long)]
    fahrenheit: bool,
    /// Import what is right and leave out what is wrong; else nothing is imported where anything is wrong
    #[arg(long)]
    skip_bad: bool,
    /// Put imported readings in the place of those that the journal has; else those stay
    #[arg(long)]
    replace: bool,
}

fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        b"tab" | b"\\t" => Ok(b'\t'),
        [one] if one.is_ascii() && !matches!(one, b'"' | b'\r' | b'\n') => Ok(*one),
        _ => Err("a single character, or tab".to_owned()),
    }
}

fn zone(text: &str) -> Result<Tz, String> {
    text.parse().map_err(|_| "a zone of the IANA database, such as Europe/Lisbon".to_owned())
}

/// Something wrong with the file.
#[derive(Debug, PartialEq)]
struct Finding {
    /// The line, counted from 1.
    line: u64,
    wrong: String,
    right: String,
}

/// What is wrong, and what would be right.
type Fault = (String, String);

/// How the file is to be read.
struct Reading<'a> {
    arguments: &'a Arguments,
    zone: Tz,
    /// Nothing is later.
    now: DateTime<Utc>,
}

/// A column and whose readings it holds.
struct Column<'a> {
    place: usize,
    name: String,
    probe: &'a Probe,
}

/// What a file came to.
#[derive(Default)]
struct Read {
    /// Of each column.
    readings: Vec<Vec<(i64, f64)>>,
    findings: Vec<Finding>,
}

/// Runs the command; exit code 1 where a line was wrong.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    match import(&arguments, &settings) {
        Ok(code) => code,
        Err(why) => failed(&why),
    }
}

fn import(arguments: &Arguments, settings: &crate::settings::Settings) -> Result<ExitCode, String> {
    let ix = find_enclosure(settings, &arguments.enclosure)?;
    let enclosure = &settings.enclosures[ix.0];
    let name = arguments.file.display().to_string();
    let file = File::open(&arguments.file).map_err(|error| format!("{name}: {error}"))?;
    let now = Clock::real().now().wall;
    let zone = arguments.zone.unwrap_or(settings.site.timezone);
    let reading = Reading { arguments, zone, now };
    let (columns, read) = reading.read(file, enclosure).map_err(|why| format!("{name}: {why}"))?;
    show(&read.findings, &name);
    let is_good = read.findings.is_empty();
    if !is_good && !arguments.skip_bad {
        eprintln!("{name}: nothing was imported; mend it, or leave out what is wrong with --skip-bad");
        return Ok(ExitCode::from(1));
    }
    let offered: Vec<PastReadings> = columns
        .iter()
        .zip(read.readings)
        .map(|(column, readings)| PastReadings {
            enclosure: enclosure.id.clone(),
            probe: column.probe.name.clone(),
            quantity: quantity(column.probe.measures),
            readings,
        })
        .collect();
    let count: usize = offered.iter().map(|past| past.readings.len()).sum();
    let merged =
        read::merge(&journal_of(settings)?, &offered, arguments.replace, now).map_err(|why| why.to_string())?;
    println!("{}", words(count, merged, arguments.replace));
    Ok(if is_good { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn words(count: usize, merged: Merged, replace: bool) -> String {
    let Merged { written, replaced, left } = merged;
    let mut text = format!("{count} readings: {written} minutes written");
    if replaced > 0 {
        text.push_str(&format!(", {replaced} of them in the place of others"));
    }
    if left > 0 && !replace {
        text.push_str(&format!(
            "; {left} minutes left as they are, since the journal has readings of them (--replace puts these in \
             their place)"
        ));
    }
    text
}

fn show(findings: &[Finding], name: &str) {
    for Finding { line, wrong, right } in findings.iter().take(FINDINGS_SHOWN) {
        eprintln!("{name}:{line}: {wrong}\n    {right}");
    }
    if findings.len() > FINDINGS_SHOWN {
        eprintln!("{name}: {} lines are wrong; the first {FINDINGS_SHOWN} are shown", findings.len());
    }
}

fn quantity(measures: Measures) -> &'static str {
    Measures::ALL.iter().find(|(known, _)| *known == measures).map_or("", |(_, word)| word)
}

impl Reading<'_> {
    /// Reads all there is. The error is about the header, or the file as a whole.
    fn read<'e>(&self, file: impl std::io::Read, enclosure: &'e Enclosure) -> Result<(Vec<Column<'e>>, Read), String> {
        let mut csv = csv::ReaderBuilder::new()
            .delimiter(self.arguments.delimiter)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(file);
        let headers = csv.byte_headers().map_err(|error| error.to_string())?.clone();
        let headers: Vec<String> = headers
            .iter()
            .map(|header| String::from_utf8_lossy(header).trim_start_matches(BYTE_ORDER_MARK).trim().to_owned())
            .collect();
        let time = place(&headers, &self.arguments.time)?;
        let columns = self.columns(&headers, enclosure)?;
        let mut read = Read { readings: columns.iter().map(|_| Vec::new()).collect(), findings: Vec::new() };
        let mut record = csv::ByteRecord::new();
        let mut before = None;
        loop {
            let line = csv.position().line();
            match csv.read_byte_record(&mut record) {
                Ok(false) => break,
                Ok(true) => {}
                Err(error) => return Err(format!("line {line}: {error}")),
            }
            let line = record.position().map_or(line, csv::Position::line);
            if record.iter().all(<[u8]>::is_empty) {
                continue;
            }
            match self.line(&record, time, &columns, before) {
                Ok((at, values)) => {
                    before = Some(at);
                    for (readings, value) in read.readings.iter_mut().zip(values) {
                        readings.extend(value.map(|value| (at.timestamp_millis(), value)));
                    }
                }
                Err((wrong, right)) => read.findings.push(Finding { line, wrong, right }),
            }
        }
        Ok((columns, read))
    }

    fn columns<'e>(&self, headers: &[String], enclosure: &'e Enclosure) -> Result<Vec<Column<'e>>, String> {
        let mut columns: Vec<Column<'e>> = Vec::new();
        for given in &self.arguments.columns {
            // A header may hold a `=`; a probe's name does not.
            let (header, name) =
                given.rsplit_once('=').ok_or_else(|| format!("--column {given:?}: write COLUMN=PROBE"))?;
            let names = enclosure.probes.iter().map(|probe| probe.name.as_str());
            let probe = enclosure.probes.iter().find(|probe| probe.name == name).ok_or_else(|| {
                let known = names.clone().collect::<Vec<_>>().join(", ");
                format!("--column {given:?}: {} has no probe {name:?}; its probes are {known}", enclosure.id)
            })?;
            if columns.iter().any(|column| column.probe.name == name) {
                return Err(format!("--column {given:?}: the probe {name:?} is given twice"));
            }
            columns.push(Column { place: place(headers, header)?, name: header.to_owned(), probe });
        }
        Ok(columns)
    }

    /// The time of a line and the reading in each column, where there is one; else what is wrong and what would be
    /// right.
    fn line(
        &self,
        record: &csv::ByteRecord,
        time: usize,
        columns: &[Column<'_>],
        before: Option<DateTime<Utc>>,
    ) -> Result<(DateTime<Utc>, Vec<Option<f64>>), Fault> {
        let field = |place: usize, name: &str| {
            let bytes = record.get(place).ok_or_else(|| {
                let wrong = format!("only {} columns; {name:?} is column {}", record.len(), place + 1);
                (wrong, "each line has as many columns as the header".to_owned())
            })?;
            std::str::from_utf8(bytes)
                .map_err(|_| (format!("{name:?} is not UTF-8 text"), "save the file as UTF-8".to_owned()))
        };
        let at = self.moment(field(time, &self.arguments.time)?, before)?;
        let mut values = Vec::new();
        for column in columns {
            let text = field(column.place, &column.name)?;
            values.push(if text.is_empty() { None } else { Some(self.value(text, column)?) });
        }
        Ok((at, values))
    }

    fn moment(&self, text: &str, before: Option<DateTime<Utc>>) -> Result<DateTime<Utc>, Fault> {
        let local = match &self.arguments.time_format {
            Some(format) => {
                if let Ok(at) = DateTime::parse_from_str(text, format) {
                    return self.past(text, at.to_utc());
                }
                NaiveDateTime::parse_from_str(text, format)
                    .map_err(|_| (format!("{text:?} is no time"), format!("a time as --time-format {format:?} says")))?
            }
            None => {
                if let Ok(at) = DateTime::parse_from_rfc3339(text) {
                    return self.past(text, at.to_utc());
                }
                LOCAL.iter().find_map(|format| NaiveDateTime::parse_from_str(text, format).ok()).ok_or_else(|| {
                    let right = "a time as 2026-03-01 08:00, or give --time-format, such as \"%d.%m.%Y %H:%M\"";
                    (format!("{text:?} is no time"), right.to_owned())
                })?
            }
        };
        let found = self.zone.from_local_datetime(&local);
        let (earliest, latest) = (found.earliest(), found.latest());
        let (Some(earliest), Some(latest)) = (earliest.map(|at| at.to_utc()), latest.map(|at| at.to_utc())) else {
            let wrong = format!("{text:?}: the clocks of {} skipped this time", self.zone);
            return Err((wrong, "the time in the zone that --zone names".to_owned()));
        };
        // An hour that comes twice in autumn: it is the second where the first would go back.
        self.past(
            text,
            if before.is_some_and(|before| before > earliest && before <= latest) { latest } else { earliest },
        )
    }

    fn past(&self, text: &str, at: DateTime<Utc>) -> Result<DateTime<Utc>, Fault> {
        if at > self.now + AHEAD {
            let now = self.now.with_timezone(&self.zone).format("%Y-%m-%d %H:%M");
            return Err((format!("{text:?} is in the future"), format!("a time before now, {now} in {}", self.zone)));
        }
        if at < self.now - TimeDelta::days(HOURS_KEPT) {
            let right =
                format!("a time within the last {} years, since the journal forgets what is older", HOURS_KEPT / 366);
            return Err((format!("{text:?} is too long ago"), right));
        }
        Ok(at)
    }

    fn value(&self, text: &str, column: &Column<'_>) -> Result<f64, Fault> {
        let Column { name, probe, .. } = column;
        let (number, example) =
            if self.arguments.decimal_comma { (text.replace(',', "."), "33,1") } else { (text.to_owned(), "33.1") };
        let is_misread = self.arguments.decimal_comma && text.contains('.');
        let value = number.parse::<f64>().ok().filter(|value| value.is_finite() && !is_misread);
        let value = value.ok_or_else(|| {
            let hint =
                if text.contains(',') && !self.arguments.decimal_comma { "; or give --decimal-comma" } else { "" };
            (format!("{name:?}: {text:?} is no number"), format!("a number as {example}, or nothing{hint}"))
        })?;
        let is_fahrenheit = self.arguments.fahrenheit && probe.measures == Measures::Temperature;
        let value = if is_fahrenheit { Celsius::from_fahrenheit(value).0 } else { value };
        let (least, most) = probe.plausible;
        if !(least..=most).contains(&value) || probe.reject.contains(&value) {
            let unit = probe.measures.unit();
            let right = format!("{least} to {most} {unit}, as the configuration says is plausible for {}", probe.name);
            return Err((format!("{name:?}: {text:?} cannot be"), right.replace("  ", " ")));
        }
        Ok(value)
    }
}

/// Where a column is, by its header.
fn place(headers: &[String], name: &str) -> Result<usize, String> {
    let mut found = headers.iter().enumerate().filter(|(_, header)| header.as_str() == name).map(|(place, _)| place);
    match (found.next(), found.next()) {
        (Some(place), None) => Ok(place),
        (Some(_), Some(_)) => Err(format!("there are two columns {name:?}; give each its own header")),
        (None, _) => {
            let known = headers.join("\", \"");
            let hint =
                if headers.len() == 1 { "; or does something else stand between columns (--delimiter)?" } else { "" };
            Err(format!("there is no column {name:?}; the header has \"{known}\"{hint}"))
        }
    }
}
