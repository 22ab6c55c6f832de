//! The journal read back, against rows put there by SQL.

use std::path::PathBuf;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use rusqlite::Connection;

use super::*;
use crate::journal::scratch::Scratch;

/// A journal that a test fills by SQL, and that stays open as a daemon's does.
struct Filled {
    connection: Connection,
    scratch: Scratch,
}

impl Filled {
    fn new(name: &str, rows: &str) -> Filled {
        let scratch = Scratch::new(&format!("read-{name}"));
        let connection = schema::open(&scratch.path().join(schema::FILE)).expect("made");
        connection.execute_batch(rows).expect("filled");
        Filled { connection, scratch }
    }

    fn path(&self) -> PathBuf {
        self.scratch.path().join(schema::FILE)
    }

    fn reader(&self) -> Reader {
        Reader::open(&self.path()).expect("opens")
    }

    /// What is kept of the first series at a resolution: start in minutes since 1970, mean, low, high, good, bad,
    /// covered.
    fn told(&self, resolution: Resolution, zone: Tz) -> Vec<Told> {
        self.told_in(Window::ALL, resolution, zone)
    }

    fn told_in(&self, window: Window, resolution: Resolution, zone: Tz) -> Vec<Told> {
        let reader = self.reader();
        let series = reader.series(Whose::default()).expect("told").remove(0);
        let mut told = Vec::new();
        let told_all = reader.samples(&series, window, resolution, zone, |sample| {
            let Sample { at, mean, low, high, good, bad, covered } = *sample;
            told.push((at.timestamp() / 60, mean, low, high, good, bad, covered));
            Ok(())
        });
        told_all.expect("told");
        told
    }
}

type Told = (i64, Option<f64>, Option<f64>, Option<f64>, u64, u64, u64);

const SERIES: &str =
    "INSERT INTO series VALUES (1, 'e1', 'basking', 'temperature'), (2, 'e1', 'other', 'temperature');";

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("RFC 3339")
}

/// Minutes 58 and 59 are moved, 60 and 61 are recent; the first hour is kept, the second is not yet.
fn two_hours() -> String {
    format!(
        "{SERIES}
         INSERT INTO hours VALUES (1, 0, 30.0, 29.0, 31.0, 4, 1, 2), (1, -24, 20.0, NULL, NULL, 120, 0, 60);
         INSERT INTO minutes VALUES (1, 58, 29.5, 29.0, 30.0, 2, 0), (1, 59, 30.5, 30.0, 31.0, 2, 1), (2, 58, 99.0, NULL, NULL, 1, 0);
         INSERT INTO recent VALUES (60, 1, 32.0, NULL, NULL, 1, 0), (61, 1, NULL, NULL, NULL, 0, 3), (62, 1, 33.0, 31.5, 34.0, 3, 0),
                                   (60, 2, 99.0, NULL, NULL, 1, 0);"
    )
}

#[test]
fn minutes_come_in_order_whichever_table_they_are_in() {
    let filled = Filled::new("minutes", &two_hours());
    let some = |a, b, c| (Some(a), Some(b), Some(c));
    let expected = [
        (58, some(29.5, 29.0, 30.0), 2, 0, 1),
        (59, some(30.5, 30.0, 31.0), 2, 1, 1),
        (60, some(32.0, 32.0, 32.0), 1, 0, 1),
        (61, (None, None, None), 0, 3, 0),
        (62, some(33.0, 31.5, 34.0), 3, 0, 1),
    ];
    let expected: Vec<Told> =
        expected.map(|(n, (mean, low, high), good, bad, covered)| (n, mean, low, high, good, bad, covered)).to_vec();
    assert_eq!(filled.told(Resolution::Minute, Tz::UTC), expected);
    let window = Window {
        from: DateTime::UNIX_EPOCH + TimeDelta::milliseconds(59 * 60_000 + 1),
        until: DateTime::UNIX_EPOCH + TimeDelta::minutes(62),
    };
    assert_eq!(filled.told_in(window, Resolution::Minute, Tz::UTC), expected[2..4]);
}

#[test]
fn hours_are_as_kept_and_the_newest_are_reckoned_from_their_minutes() {
    let filled = Filled::new("hours", &two_hours());
    // 32.0 and 33.0 by hand: each minute with a good reading counts the same.
    let expected = [
        (-1440, Some(20.0), Some(20.0), Some(20.0), 120, 0, 60),
        (0, Some(30.0), Some(29.0), Some(31.0), 4, 1, 2),
        (60, Some(32.5), Some(31.5), Some(34.0), 4, 3, 2),
    ];
    assert_eq!(filled.told(Resolution::Hour, Tz::UTC), expected);
    let until = DateTime::UNIX_EPOCH + TimeDelta::minutes(60);
    let window = Window { from: DateTime::UNIX_EPOCH, until };
    assert_eq!(filled.told_in(window, Resolution::Hour, Tz::UTC), expected[1..2]);
}

#[test]
fn days_are_those_of_the_site_and_weigh_hours_by_their_minutes() {
    let filled = Filled::new("days", &two_hours());
    // (2 · 30.0 + 2 · 32.5) / 4 by hand. Where clocks are two hours behind, the second hour is still of the day before.
    let expected =
        [(-1440, Some(20.0), Some(20.0), Some(20.0), 120, 0, 60), (0, Some(31.25), Some(29.0), Some(34.0), 8, 4, 4)];
    assert_eq!(filled.told(Resolution::Day, Tz::UTC), expected);
    let west = filled.told(Resolution::Day, Tz::Etc__GMTPlus1);
    assert_eq!(west.iter().map(|day| day.0).collect::<Vec<_>>(), [-2 * 1440 + 60, -1440 + 60, 60]);
}

#[test]
fn a_date_begins_when_its_first_minute_does() {
    // The IANA database: Santiago's clocks go forward at midnight, from 2026-09-06 00:00 to 01:00 at -03:00.
    let date = "2026-09-06".parse().expect("a date");
    assert_eq!(begin_of(date, Tz::America__Santiago), at("2026-09-06T04:00:00Z"));
    assert_eq!(begin_of("2026-07-01".parse().expect("a date"), Tz::Europe__Lisbon), at("2026-06-30T23:00:00Z"));
}

#[test]
fn a_reader_sees_what_is_committed_while_the_writer_goes_on() {
    let filled = Filled::new("live", &two_hours());
    let reader = filled.reader();
    let count = || {
        let mut rows = 0;
        reader
            .remarks(None, Window::ALL, |_| {
                rows += 1;
                Ok(())
            })
            .expect("told");
        rows
    };
    let put = "INSERT INTO remarks (at_ms, enclosure, subject, text) VALUES (0, 'e1', 'uv', 'seen')";
    filled.connection.execute_batch("BEGIN IMMEDIATE").expect("begun");
    filled.connection.execute_batch(put).expect("put");
    assert_eq!(count(), 0, "not committed yet, and nobody waits");
    filled.connection.execute_batch("COMMIT").expect("committed");
    assert_eq!(count(), 1);
    assert!(reader.connection.execute_batch(put).is_err(), "a reader cannot write");
}

#[test]
fn what_cannot_be_read_is_told_with_what_to_do() {
    let check = |path: &Path, words: &[&str]| {
        let why = Reader::open(path).expect_err("cannot be read").to_string();
        assert!(words.iter().all(|word| why.contains(word)) && why.contains(&path.display().to_string()), "{why}");
    };
    let scratch = Scratch::new("read-refused");
    check(&scratch.path().join("none.db"), &["no journal", "state_directory"]);
    let garbage = scratch.path().join("garbage.db");
    std::fs::write(&garbage, b"SQLite format 3\0 and then nothing that is one").expect("written");
    check(&garbage, &["damaged", "backup"]);
    let text = scratch.path().join("text.db");
    std::fs::write(&text, [b'x'; 4096]).expect("written");
    check(&text, &["damaged"]);
    let songs = scratch.path().join("songs.db");
    Connection::open(&songs).expect("made").execute_batch("CREATE TABLE songs (title TEXT)").expect("made");
    check(&songs, &["another program"]);
    let newer = scratch.path().join("newer.db");
    schema::open(&newer).expect("made").pragma_update(None, "user_version", 99).expect("set");
    check(&newer, &["newer", "version 99"]);
    assert!(is_journal(&newer) && !is_journal(&text) && !is_journal(&scratch.path().join("none.db")));
}

#[test]
fn a_torn_page_is_told_as_damage() {
    let filled = Filled::new("torn", &two_hours());
    let path = filled.path();
    let Filled { connection, scratch } = filled;
    drop(connection);
    let mut bytes = std::fs::read(&path).expect("read");
    let middle = bytes.len() / 8;
    bytes[middle..].fill(0x5a);
    std::fs::write(&path, bytes).expect("written");
    let told = Reader::open(&path)
        .map_err(|why| why.to_string())
        .and_then(|reader| reader.acts(None, Window::ALL, |_| Ok(())).map_err(|why| why.to_string()));
    assert!(told.as_ref().is_err_and(|why| why.contains("damaged")), "{told:?}");
    drop(scratch);
}

#[test]
fn a_backup_is_whole_while_the_writer_writes_and_overwrites_nothing() {
    let filled = Filled::new("backup", &two_hours());
    filled.connection.execute_batch("BEGIN IMMEDIATE; DELETE FROM hours").expect("under way");
    let out = filled.scratch.path().join("copy.db");
    let size = backup(&filled.reader(), &out).expect("copied");
    assert_eq!(size, std::fs::metadata(&out).expect("there").len());
    assert!(backup(&filled.reader(), &out).is_err_and(|why| why.contains("exists already")));
    let copy = Connection::open(&out).expect("opens");
    let count = |text: &str| copy.query_row(text, [], |row| row.get::<_, i64>(0)).expect("counted");
    assert_eq!((count("SELECT count(*) FROM hours"), count("SELECT count(*) FROM recent")), (2, 4));
    drop(copy);
    let left: Vec<_> = std::fs::read_dir(filled.scratch.path()).expect("read").filter_map(Result::ok).collect();
    let odd = left.iter().map(|entry| entry.file_name()).filter(|name| name.to_string_lossy().starts_with("copy.db"));
    assert_eq!(odd.count(), 1, "nothing is left beside it");
    schema::open(&out).expect("a daemon takes it up again");
}

#[test]
fn switches_and_runs_are_told_in_order_with_what_was_before() {
    let rows = "INSERT INTO lamps VALUES (1, 'e1', 'uvb'), (2, 'e2', 'uvb'), (3, 'e1', 'heat');
                INSERT INTO switches VALUES (1, 1000, 0, 1.0, 'day'), (1, 1000, 1, 0.5, 'set by hand'), (1, 9000, 0, 0.0, 'night'),
                                            (2, 500, 0, 1.0, 'day'), (3, 12000, 0, 1.0, 'day');
                INSERT INTO runs VALUES (1, 0, 60000, NULL, '1'), (2, 100000, 200000, 210000, '1'), (3, 900000, 960000, NULL, '1');";
    let filled = Filled::new("switches", rows);
    let reader = filled.reader();
    let mut told = Vec::new();
    let all = reader.switches(Some("e1"), Window::ALL, |switch| {
        told.push((switch.lamp, switch.at.timestamp_millis(), switch.level));
        Ok(())
    });
    all.expect("told");
    let expected = [("heat", 12_000, 1.0), ("uvb", 1000, 1.0), ("uvb", 1000, 0.5), ("uvb", 9000, 0.0)];
    assert_eq!(told, expected.map(|(lamp, at, level)| (lamp.to_owned(), at, level)));
    let before = reader.switched_before("e1", moment_of(9000)).expect("told");
    assert_eq!(before.iter().map(|switch| (switch.lamp.as_str(), switch.level)).collect::<Vec<_>>(), [("uvb", 0.5)]);
    let gaps = gaps(&reader.runs().expect("told"), TimeDelta::seconds(60));
    assert_eq!(gaps, [(moment_of(210_000), moment_of(900_000))], "a start half a minute after is no gap");
}

fn moment_of(ms: i64) -> DateTime<Utc> {
    DateTime::from_timestamp_millis(ms).expect("a time")
}

/// Table, minute, mean, good.
type LyingMinute = (String, i64, f64, i64);

/// Minutes and hours of the first series as they lie in the tables.
fn lying(filled: &Filled) -> (Vec<LyingMinute>, Vec<(i64, f64, i64)>) {
    let text = "SELECT 'minutes', minute, mean, good FROM minutes WHERE series = 1 AND mean IS NOT NULL
                UNION ALL SELECT 'recent', minute, mean, good FROM recent WHERE series = 1 AND mean IS NOT NULL ORDER BY 2";
    let mut statement = filled.connection.prepare(text).expect("prepared");
    let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?));
    let minutes = statement.query_map([], row).expect("queried").collect::<Result<_, _>>().expect("read");
    let mut statement = filled
        .connection
        .prepare("SELECT hour, mean, covered FROM hours WHERE series = 1 ORDER BY hour")
        .expect("prepared");
    let row = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
    let hours = statement.query_map([], row).expect("queried").collect::<Result<_, _>>().expect("read");
    (minutes, hours)
}

fn merged(filled: &Filled, readings: &[(i64, f64)], replace: bool) -> Merged {
    let offered = PastReadings {
        enclosure: "e1".into(),
        probe: "basking".into(),
        quantity: "temperature",
        readings: readings.to_vec(),
    };
    merge(&filled.path(), &[offered], replace, moment_of(200 * 60_000)).expect("merged")
}

#[test]
fn imported_readings_fill_what_is_empty_and_leave_what_is_there() {
    let filled = Filled::new("merge", &two_hours());
    // Minute 57 is empty, 58 is not, 61 has only bad readings; the hour of a day before knows more than is left of it.
    let readings = [
        (57 * 60_000, 25.0),
        (57 * 60_000 + 30_000, 26.0),
        (58 * 60_000, 1.0),
        (61 * 60_000, 33.5),
        (-1440 * 60_000, 1.0),
    ];
    assert_eq!(merged(&filled, &readings, false), Merged { written: 2, replaced: 0, left: 2 });
    let (minutes, hours) = lying(&filled);
    let minutes: Vec<_> =
        minutes.iter().map(|(table, minute, mean, good)| (table.as_str(), *minute, *mean, *good)).collect();
    assert_eq!(
        minutes,
        [
            ("minutes", 57, 25.5, 2),
            ("minutes", 58, 29.5, 2),
            ("minutes", 59, 30.5, 2),
            ("recent", 60, 32.0, 1),
            ("recent", 61, 33.5, 1),
            ("recent", 62, 33.0, 3)
        ]
    );
    // (25.5 + 29.5 + 30.5) / 3 by hand; the newest hour is the daemon's to make.
    assert_eq!(hours, [(-24, 20.0, 60), (0, 28.5, 3)]);
    let told = filled.told(Resolution::Hour, Tz::UTC);
    assert_eq!((told[2].1, told[2].5), (Some((32.0 + 33.5 + 33.0) / 3.0), 3), "bad readings are still counted");
}

#[test]
fn imported_readings_replace_where_they_are_told_to() {
    let filled = Filled::new("replace", &two_hours());
    let readings = [(58 * 60_000, 1.0), (-1440 * 60_000, 4.0), (60 * 60_000, 2.0)];
    assert_eq!(merged(&filled, &readings, true), Merged { written: 3, replaced: 3, left: 0 });
    let (minutes, hours) = lying(&filled);
    assert_eq!(hours, [(-24, 4.0, 1), (0, (1.0 + 30.5) / 2.0, 2)]);
    assert!(minutes.contains(&("recent".to_owned(), 60, 2.0, 1)), "{minutes:?}");
}

#[test]
fn minutes_of_hours_that_the_daemon_has_summed_or_will_sum_end_in_its_hours() {
    // Two hours are summed, their last minutes not moved yet; of the second this probe has said nothing.
    let rows = format!(
        "{SERIES}
         INSERT INTO marks VALUES ('summed', 2);
         INSERT INTO hours VALUES (1, 0, 30.0, NULL, NULL, 1, 0, 1);
         INSERT INTO recent VALUES (58, 1, 30.0, NULL, NULL, 1, 0), (61, 2, 7.0, NULL, NULL, 1, 0);"
    );
    let filled = Filled::new("summed", &rows);
    let readings = [(58 * 60_000, 1.0), (59 * 60_000, 32.0), (61 * 60_000, 33.0), (121 * 60_000, 34.0)];
    assert_eq!(merged(&filled, &readings, false), Merged { written: 3, replaced: 0, left: 1 });
    let (minutes, hours) = lying(&filled);
    assert_eq!(hours, [(0, 31.0, 2), (1, 33.0, 1)], "nobody else would make them");
    let places: Vec<_> = minutes.iter().map(|(table, minute, ..)| (table.as_str(), *minute)).collect();
    assert_eq!(places, [("recent", 58), ("minutes", 59), ("minutes", 61), ("recent", 121)]);
}

#[test]
fn readings_of_a_new_probe_make_their_series_and_hours_where_no_daemon_ran_yet() {
    let filled = Filled::new("merge-new", "");
    assert_eq!(merged(&filled, &[(0, 20.0), (60_000, 22.0)], false), Merged { written: 2, replaced: 0, left: 0 });
    assert_eq!(filled.told(Resolution::Hour, Tz::UTC), [(0, Some(21.0), Some(20.0), Some(22.0), 2, 0, 2)]);
    assert!(matches!(merge(Path::new("/nowhere/journal.db"), &[], false, moment_of(0)), Err(Unreadable::Absent(_))));
}
