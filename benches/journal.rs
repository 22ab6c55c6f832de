//! How large a journal of 100 enclosures grows in a year, and how long it takes to ask it.
//!
//! `cargo bench --bench journal` fills a file below `target/` as a daemon would have left it after a year: five series
//! of each enclosure, their hours of the year, their minutes and switches for as long as those are kept. It prints the
//! size of each table, and the time of one enclosure's year by the hour, beside the time that SQLite alone takes to
//! step through the same rows, asked in turn. Read the ratio: absolute figures are of one machine on one day. A file
//! that is there already is used again; `cargo bench --bench journal -- anew` makes another. `-- written` lets the
//! journal's own writer keep a day of the same site minute by minute, and tells how much of the disk it has written for it.

#![allow(clippy::disallowed_methods, clippy::unwrap_used, reason = "a benchmark reads clocks and fails by panics")]

use std::path::PathBuf;
use std::time::{Duration, Instant};

use chrono::DateTime;
use lampwarden::journal::read::{Reader, Resolution, Whose, Window, backup};
use lampwarden::journal::{Bin, Entry, FILE, Journal, MINUTES_KEPT, News, SWITCHES_KEPT, Series};
use rusqlite::{Connection, params};

const ENCLOSURES: i64 = 100;
/// Two temperatures, a humidity, and a UV probe as it says and as it is understood.
const SERIES: [&str; 5] = ["temperature", "temperature", "humidity", "uvi", "uvi-raw"];
const LAMPS: [&str; 3] = ["heat", "uvb", "light"];
/// Switches of a lamp that a thermostat drives, a day: every quarter of an hour on or off. A guess.
const SWITCHES_A_DAY: i64 = 96;
/// The first of January 2026 in hours since 1970, and a year of them.
const FIRST_HOUR: i64 = 490_896;
const HOURS: i64 = 365 * 24;
/// Questions of each kind, each about another enclosure.
const ROUNDS: usize = 20;
/// What the issue allows.
const SIZE_MAX: u64 = 2_000_000_000;
const QUERY_MAX: Duration = Duration::from_millis(200);

/// Numbers that look like readings: the fractional parts of multiples of the golden ratio, to two decimals.
fn reading(seed: i64, centre: f64) -> f64 {
    let part = (seed as f64 * 0.618_033_988_749_895).fract();
    ((centre + 4.0 * part) * 100.0).round() / 100.0
}

/// Fills a journal that a daemon has made.
fn fill(path: &PathBuf) {
    let connection = Connection::open(path).unwrap();
    connection.execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; BEGIN").unwrap();
    let end_minute = (FIRST_HOUR + HOURS) * 60;
    let mut hours = connection.prepare("INSERT INTO hours VALUES (?1, ?2, ?3, ?4, ?5, 120, 0, 60)").unwrap();
    let mut minutes = connection.prepare("INSERT INTO minutes VALUES (?1, ?2, ?3, ?4, ?5, 2, 0)").unwrap();
    let mut switches = connection.prepare("INSERT INTO switches VALUES (?1, ?2, 0, ?3, ?4)").unwrap();
    for enclosure in 0..ENCLOSURES {
        let id = format!("e{enclosure:03}");
        for (nth, quantity) in SERIES.iter().enumerate() {
            let series = enclosure * SERIES.len() as i64 + nth as i64 + 1;
            let named = params![series, id, format!("probe-{nth}"), quantity];
            connection.execute("INSERT INTO series VALUES (?1, ?2, ?3, ?4)", named).unwrap();
            for hour in FIRST_HOUR..FIRST_HOUR + HOURS {
                let mean = reading(series * 7 + hour, 24.0) + 0.001_234;
                hours.execute(params![series, hour, mean, mean - 0.51, mean + 0.49]).unwrap();
            }
            for minute in end_minute - MINUTES_KEPT * 1440..end_minute {
                let mean = reading(series * 7 + minute, 24.0) + 0.005;
                minutes.execute(params![series, minute, mean, mean - 0.005, mean + 0.005]).unwrap();
            }
        }
        for (nth, name) in LAMPS.iter().enumerate() {
            let lamp = enclosure * LAMPS.len() as i64 + nth as i64 + 1;
            connection.execute("INSERT INTO lamps VALUES (?1, ?2, ?3)", params![lamp, id, name]).unwrap();
            let a_day = if nth == 0 { SWITCHES_A_DAY } else { 2 };
            for switch in 0..SWITCHES_KEPT * a_day {
                let at = (end_minute - SWITCHES_KEPT * 1440) * 60_000 + switch * 86_400_000 / a_day;
                let reason = if nth == 0 { "basking at 33.1 °C, target 32.0 °C" } else { "day" };
                switches.execute(params![lamp, at, (switch % 2) as f64, reason]).unwrap();
            }
        }
    }
    connection.execute_batch("COMMIT").unwrap();
}

/// The middle of several times.
fn middle(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

/// One enclosure's year by the hour, as the program tells it; how many rows.
fn told(reader: &Reader, enclosure: i64, resolution: Resolution, window: Window) -> u64 {
    let id = format!("e{enclosure:03}");
    let mut rows = 0;
    for series in reader.series(Whose { enclosure: Some(&id), probe: None }).unwrap() {
        let zone = chrono_tz::Europe::Lisbon;
        reader
            .samples(&series, window, resolution, zone, |sample| {
                rows += u64::from(sample.mean.is_some());
                Ok(())
            })
            .unwrap();
    }
    rows
}

/// The same rows, stepped through by SQLite alone.
fn bare(connection: &Connection, enclosure: i64, table: &str, number: &str) -> u64 {
    let mut rows = 0;
    for nth in 0..SERIES.len() as i64 {
        let series = enclosure * SERIES.len() as i64 + nth + 1;
        let text =
            format!("SELECT {number}, mean, low, high, good, bad FROM {table} WHERE series = ?1 ORDER BY {number}");
        let mut statement = connection.prepare_cached(&text).unwrap();
        let mut found = statement.query([series]).unwrap();
        while let Some(row) = found.next().unwrap() {
            let values: [Option<f64>; 3] = [1, 2, 3].map(|column| row.get(column).unwrap());
            let counts: [i64; 2] = [4, 5].map(|column| row.get(column).unwrap());
            rows += u64::from(std::hint::black_box((values, counts)).0[0].is_some());
        }
    }
    rows
}

fn sizes(connection: &Connection, path: &PathBuf) {
    let size = std::fs::metadata(path).unwrap().len();
    println!(
        "{ENCLOSURES} enclosures, a year: {:.3} GB, {:.1} MB an enclosure",
        size as f64 / 1e9,
        size as f64 / 1e6 / ENCLOSURES as f64
    );
    for table in ["hours", "minutes", "switches"] {
        let rows: i64 = connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap();
        println!("  {table}: {rows} rows");
    }
    assert!(size < SIZE_MAX, "{size} bytes are more than {SIZE_MAX}");
}

fn compare(
    name: &str,
    reader: &Reader,
    connection: &Connection,
    resolution: Resolution,
    table: (&str, &str),
) -> Duration {
    let (mut ours, mut theirs, mut rows) = (Vec::new(), Vec::new(), (0, 0));
    for round in 0..ROUNDS {
        let enclosure = (round as i64 * 37) % ENCLOSURES;
        let started = Instant::now();
        rows.0 = told(reader, enclosure, resolution, Window::ALL);
        ours.push(started.elapsed());
        let started = Instant::now();
        rows.1 = bare(connection, enclosure, table.0, table.1);
        theirs.push(started.elapsed());
    }
    let slowest = ours.iter().max().copied().unwrap_or_default();
    let (ours, theirs) = (middle(ours), middle(theirs));
    let ratio = ours.as_secs_f64() / theirs.as_secs_f64();
    println!(
        "{name}: {ours:.1?} (slowest {slowest:.1?}), {} rows; SQLite alone {theirs:.1?}; {ratio:.2} times",
        rows.0
    );
    assert!(resolution == Resolution::Day || rows.0 == rows.1);
    slowest
}

/// Bytes that this process has had written to disks, as the kernel counts them.
fn written_so_far() -> u64 {
    let told = std::fs::read_to_string("/proc/self/io").unwrap();
    told.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap().trim().parse().unwrap()
}

/// A day as the daemon hands it over, minute by minute, each on the disk before the next.
fn write_a_day(folder: &PathBuf) {
    let _ = std::fs::remove_dir_all(folder);
    let (mut journal, _) = Journal::open(folder).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let (before, started) = (written_so_far(), Instant::now());
    for minute in FIRST_HOUR * 60..(FIRST_HOUR + 24) * 60 {
        let series = (0..ENCLOSURES).flat_map(|enclosure| (0..SERIES.len()).map(move |nth| (enclosure, nth)));
        let bins = series.map(|(enclosure, nth)| {
            let mut bin = Bin::default();
            let first = reading(enclosure * 35 + nth as i64 + minute, 24.0);
            bin.take(Some(first));
            bin.take(Some(first + 0.01));
            let series =
                Series { enclosure: format!("e{enclosure:03}"), probe: format!("probe-{nth}"), quantity: SERIES[nth] };
            (series, bin)
        });
        let at = DateTime::from_timestamp(minute * 60 + 59, 0).unwrap();
        journal.write(vec![Entry::Minute { minute, bins: bins.collect() }, Entry::Alive(at)]);
        let number = journal.flush();
        while runtime.block_on(journal.news()) != News::Durable(number) {}
    }
    journal.close();
    let (took, written) = (started.elapsed(), written_so_far() - before);
    let size = std::fs::metadata(folder.join(FILE)).unwrap().len();
    println!(
        "a day of {ENCLOSURES} enclosures: {:.1} MB in the file, {:.1} MB written for it ({:.1} times), {took:.1?} of {} writes",
        size as f64 / 1e6,
        written as f64 / 1e6,
        written as f64 / size as f64,
        24 * 60
    );
}

fn main() {
    if std::env::args().any(|argument| argument == "written") {
        return write_a_day(&PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("journal-written"));
    }
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("journal-bench");
    let path = folder.join(FILE);
    if std::env::args().any(|argument| argument == "anew") || !path.exists() {
        let _ = std::fs::remove_dir_all(&folder);
        // A daemon's own file, without a daemon.
        let (journal, _) = Journal::open(&folder).unwrap();
        journal.close();
        let started = Instant::now();
        fill(&path);
        println!("filled in {:.0?}", started.elapsed());
    }
    let connection = Connection::open(&path).unwrap();
    sizes(&connection, &path);
    let reader = Reader::open(&path).unwrap();
    let slowest = compare("an enclosure's year by the hour", &reader, &connection, Resolution::Hour, ("hours", "hour"));
    assert!(slowest < QUERY_MAX, "{slowest:?}");
    compare("an enclosure's year by the day", &reader, &connection, Resolution::Day, ("hours", "hour"));
    compare("an enclosure's minutes", &reader, &connection, Resolution::Minute, ("minutes", "minute"));
    let started = Instant::now();
    let mut rows = 0_u64;
    reader
        .switches(Some("e042"), Window::ALL, |_| {
            rows += 1;
            Ok(())
        })
        .unwrap();
    println!("an enclosure's switches: {:.1?}, {rows} rows", started.elapsed());
    let out = folder.join("copy.db");
    let _ = std::fs::remove_file(&out);
    let started = Instant::now();
    let size = backup(&reader, &out).unwrap();
    println!("a backup with its check: {:.1?}, {:.3} GB", started.elapsed(), size as f64 / 1e9);
    let _ = std::fs::remove_file(&out);
}
