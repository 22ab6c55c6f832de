//! The journal as its driver sees it, and what is in its file afterwards.

use std::fs;
use std::path::{Path, PathBuf};

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use rusqlite::Connection;

use super::book::Book;
use super::kept::Kept;
use super::scratch::Scratch;
use super::tidy::Tidy;
use super::*;
use crate::control::health::record::HoursRecord;
use crate::control::{PairingRecord, PastGain, SeriesRecord, SpotRecord};
use crate::guard::LampRecord;
use crate::units::{Celsius, Level};

fn noon() -> DateTime<Utc> {
    DateTime::from_timestamp(1_772_366_400, 0).expect("in range")
}

fn safety(id: &str, tripped: f64) -> SafetyRecord {
    let lamp = LampRecord {
        lamp: "heat".into(),
        set: format!("garden/{id}/heat/set"),
        heat_latch: None,
        uv_latch: None,
        tripped: Some(Celsius(tripped)),
        trip_ages: vec![],
    };
    SafetyRecord::Enclosure { id: id.into(), lamps: vec![lamp] }
}

fn filed() -> Vec<Record> {
    let at = noon();
    let pairing = PairingRecord { at, uvi: 4.2, raw: 3.1, spread: 0.05, guess: true };
    let past = PastGain { value: 1.4, uncertainty: 0.11, from: at, until: at, readings: 2, why: "changed".into() };
    let series =
        SeriesRecord { background: Some(0.1), pairings: vec![pairing], history: vec![past], void_since: Some(at) };
    let spot = SpotRecord { spot: "basking".into(), at, uvi: 4.2, alone: Some("uvb".into()), guess: false };
    let (lamp, set) = ("uvb".into(), "e1/uvb/set".into());
    let hours = HoursRecord { lamp, set, fitted: Some(at), hours: 812.25, cycles: 70 };
    vec![
        Record::Series { enclosure: "e1".into(), probe: "uv".into(), series },
        Record::Walk { enclosure: "e1".into(), spots: vec![spot] },
        Record::Hours { enclosure: "e1".into(), lamps: vec![hours] },
    ]
}

fn act(text: &str) -> Entry {
    Entry::Act { at: noon(), enclosure: Some("e1".into()), act: text.into() }
}

fn one<T: rusqlite::types::FromSql>(directory: &Path, select: &str) -> T {
    let connection = Connection::open(directory.join(FILE)).expect("opens");
    connection.query_row(select, [], |row| row.get(0)).expect("is there")
}

/// The next news of a journal, waited for.
fn news(journal: &mut Journal) -> News {
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
    runtime.block_on(journal.news())
}

#[test]
fn what_is_handed_over_comes_back_the_same_and_the_newest_counts() {
    let scratch = Scratch::new("same");
    let (mut journal, before) = Journal::open(scratch.path()).expect("opens");
    assert!(before.safety.is_empty() && before.trouble.is_none() && before.last_alive.is_none());
    let records = [safety("e1", 40.0), safety("e2", 41.0), safety("e1", 42.5)];
    let entries = records.iter().cloned().map(Entry::Safety).chain(filed().into_iter().map(Entry::File));
    journal.write(entries.chain([Entry::Alive(noon())]).collect());
    journal.close();
    let (_, after) = Journal::open(scratch.path()).expect("opens again");
    assert_eq!(after.safety, [safety("e1", 42.5), safety("e2", 41.0)]);
    let mut expected = filed();
    expected.sort_by_key(|record| (matches!(record, Record::Hours { .. }), record.owner()));
    assert_eq!(after.filed, expected);
    assert_eq!(after.last_alive, Some(noon()));
    assert_eq!((after.trouble, after.lost_latches), (None, false));
}

#[test]
fn a_batch_is_on_the_disk_when_that_is_told() {
    let scratch = Scratch::new("durable");
    let (mut journal, _) = Journal::open(scratch.path()).expect("opens");
    for n in 1..=5 {
        let number = journal.write(vec![act(&format!("{n}"))]);
        assert_eq!(news(&mut journal), News::Durable(number));
        assert_eq!(one::<i64>(scratch.path(), "SELECT count(*) FROM acts"), n);
    }
}

#[test]
fn what_is_not_urgent_waits_for_company_and_goes_with_it() {
    let scratch = Scratch::new("lazy");
    let (mut journal, _) = Journal::open(scratch.path()).expect("opens");
    let switch = |level| Entry::Switch {
        at: noon(),
        enclosure: "e1".into(),
        lamp: "heat".into(),
        level,
        reason: "night".into(),
    };
    journal.write(vec![switch(Level::FULL), switch(Level::OFF)]);
    let number = journal.flush();
    assert_eq!(news(&mut journal), News::Durable(number));
    let levels: String =
        one(scratch.path(), "SELECT group_concat(level) FROM (SELECT level FROM switches ORDER BY at_ms, nth)");
    assert_eq!(levels, "1.0,0.0", "both, in their order, although within one millisecond");
}

#[test]
fn an_alarm_that_is_told_again_stands_once_over_restarts_too() {
    let scratch = Scratch::new("alarms");
    let alarm = |state, minute| {
        Entry::Alarm(AlarmEntry {
            at: noon() + TimeDelta::minutes(minute),
            enclosure: None,
            kind: "broker-lost",
            priority: "high",
            state,
            since: noon(),
            text: "since noon".into(),
            subjects: vec![],
        })
    };
    for told in [
        vec![alarm("unacknowledged", 0), alarm("unacknowledged", 1)],
        vec![alarm("unacknowledged", 2), alarm("acknowledged", 3)],
        vec![alarm("acknowledged", 4), alarm("normal", 5), alarm("unacknowledged", 6)],
    ] {
        let (mut journal, _) = Journal::open(scratch.path()).expect("opens");
        journal.write(told);
        journal.close();
    }
    let states: String = one(scratch.path(), "SELECT group_concat(state) FROM (SELECT state FROM alarms ORDER BY id)");
    assert_eq!(states, "unacknowledged,acknowledged,normal,unacknowledged");
}

#[test]
fn a_second_daemon_on_the_same_state_is_refused() {
    let scratch = Scratch::new("lock");
    let _held = Journal::open(scratch.path()).expect("opens");
    let refusal = Journal::open(scratch.path()).expect_err("is held");
    assert!(refusal.contains("another lampwarden is running"), "{refusal}");
}

#[test]
fn a_file_that_is_no_journal_is_refused_and_left_alone() {
    let scratch = Scratch::new("foreign");
    let path = scratch.path().join(FILE);
    Connection::open(&path).expect("made").execute_batch("CREATE TABLE songs (title TEXT)").expect("made");
    let refusal = Journal::open(scratch.path()).expect_err("is no journal");
    assert!(refusal.contains("another program"), "{refusal}");
    assert!(path.exists());
}

/// A journal with two records, then spoilt.
fn spoilt(name: &str, spoil: impl Fn(&mut Vec<u8>)) -> (Scratch, Vec<u8>) {
    let scratch = Scratch::new(name);
    let (mut journal, _) = Journal::open(scratch.path()).expect("opens");
    journal.write(vec![Entry::Safety(safety("e1", 42.5)), Entry::File(filed().remove(0))]);
    journal.close();
    let path = scratch.path().join(FILE);
    let mut bytes = fs::read(&path).expect("read");
    spoil(&mut bytes);
    fs::write(&path, &bytes).expect("written");
    (scratch, bytes)
}

fn aside(scratch: &Scratch) -> PathBuf {
    scratch.path().join(format!("{FILE}.unreadable-1"))
}

#[test]
fn a_spoilt_file_is_set_aside_whole_and_told_and_guards_are_wary() {
    let (scratch, bytes) = spoilt("spoilt", |bytes| bytes.fill(0x5a));
    let (mut journal, remembered) = Journal::open(scratch.path()).expect("starts all the same");
    let trouble = remembered.trouble.expect("told");
    assert!(trouble.contains("journal.db.unreadable-1") && trouble.contains("latches"), "{trouble}");
    assert!(remembered.lost_latches);
    assert_eq!(fs::read(aside(&scratch)).expect("kept"), bytes);
    let number = journal.write(vec![act("goes on")]);
    let mut told = [news(&mut journal), news(&mut journal)];
    // The new file may have been made before the first batch came, or with it.
    told.sort_by_key(|news| *news == News::Well);
    assert_eq!(told, [News::Durable(number), News::Well]);
}

#[test]
fn what_can_be_read_of_a_spoilt_file_is_taken_over() {
    // The page of the last table is torn; that of what is kept is whole.
    let (scratch, _) = spoilt("salvage", |bytes| {
        let root = {
            let scratch = Scratch::new("salvage-root");
            fs::write(scratch.path().join(FILE), &*bytes).expect("written");
            one::<i64>(scratch.path(), "SELECT rootpage FROM sqlite_schema WHERE name = 'runs'")
        };
        let page = usize::try_from(root - 1).expect("small") * 4096;
        bytes[page..page + 4096].fill(0xff);
    });
    let (journal, remembered) = Journal::open(scratch.path()).expect("starts all the same");
    assert_eq!(remembered.safety, [safety("e1", 42.5)]);
    assert!(remembered.trouble.is_some() && !remembered.lost_latches, "{:?}", remembered.trouble);
    journal.close();
    assert!(aside(&scratch).exists());
    let (_, again) = Journal::open(scratch.path()).expect("opens");
    assert_eq!((again.safety, again.trouble), (vec![safety("e1", 42.5)], None), "the new file has it too");
}

#[test]
fn a_record_that_nobody_understands_is_told_and_the_rest_is_there() {
    let scratch = Scratch::new("strange");
    let (mut journal, _) = Journal::open(scratch.path()).expect("opens");
    journal.write(vec![Entry::Safety(safety("e1", 42.5))]);
    journal.close();
    let connection = Connection::open(scratch.path().join(FILE)).expect("opens");
    let insert = "INSERT INTO kept VALUES ('enclosure e9', 'safety', '{\"of-the-future\": 1}')";
    connection.execute(insert, []).expect("written");
    drop(connection);
    let (_, remembered) = Journal::open(scratch.path()).expect("opens");
    assert_eq!(remembered.safety, [safety("e1", 42.5)]);
    assert!(remembered.lost_latches && remembered.trouble.is_some_and(|told| told.contains("enclosure e9")));
}

#[test]
fn a_file_that_is_spoilt_while_the_program_runs_is_written_anew_from_memory() {
    let scratch = Scratch::new("running");
    let path = scratch.path().join(FILE);
    let (mut desk, _) = Desk::open(&path).expect("opens");
    let (tell, mut told) = mpsc::unbounded_channel();
    desk.hand(Batch { number: 1, entries: vec![Entry::Safety(safety("e1", 42.5))], now: true }, &tell);
    assert_eq!(told.try_recv(), Ok(News::Durable(1)));
    desk.drop_cache();
    let file = fs::OpenOptions::new().write(true).open(&path).expect("opens");
    let length = usize::try_from(file.metadata().expect("is there").len()).expect("small");
    std::os::unix::fs::FileExt::write_all_at(&file, &vec![0x5a; length], 0).expect("spoilt");
    desk.hand(Batch { number: 2, entries: vec![act("goes on")], now: true }, &tell);
    assert!(matches!(told.try_recv(), Ok(News::Failing(why)) if why.contains("unreadable-1")));
    assert_eq!((told.try_recv(), told.try_recv()), (Ok(News::Durable(2)), Ok(News::Well)));
    drop(desk);
    let (_, again) = Journal::open(scratch.path()).expect("opens");
    assert_eq!(again.safety, [safety("e1", 42.5)]);
}

/// Messages that wait and were sent, a used link, who knows of an alarm, and the key of links, at noon.
fn correspondence() -> Vec<Entry> {
    let post = |id: &str| {
        Entry::Post(PostEntry {
            id: id.into(),
            notice: format!("notice of {id}"),
            at: noon(),
            contact: "hazel".into(),
            channel: "mail".into(),
            message: format!("{{\"id\":\"{id}\"}}"),
        })
    };
    let posted = |id: &str, posted, why: Option<&str>| Entry::Posted {
        id: id.into(),
        posted,
        at: noon(),
        why: why.map(Into::into),
    };
    let told = |what: &str, record: Option<&str>| Entry::Told { what: what.into(), record: record.map(Into::into) };
    vec![
        Entry::LinkKey(vec![7; 32]),
        post("waits"),
        post("sent"),
        posted("sent", Posted::Sent, None),
        post("hopeless"),
        posted("hopeless", Posted::GivenUp, Some("no such mailbox")),
        Entry::Seen { notice: "notice of sent".into(), at: noon() },
        told("stands", Some("{\"stage\":1}")),
        told("over", Some("{\"stage\":1}")),
        told("stands", Some("{\"stage\":2}")),
        told("over", None),
    ]
}

#[test]
fn messages_and_who_knows_what_survive_a_file_that_is_spoilt_while_the_program_runs() {
    let whole = Scratch::new("post-whole");
    let (mut journal, _) = Journal::open(whole.path()).expect("opens");
    journal.write(correspondence());
    journal.close();
    let expected = Journal::open(whole.path()).expect("opens").1.outbox;
    assert_eq!((expected.waiting.len(), expected.notices.len(), expected.told.len()), (1, 3, 1));
    // Spoilt after the first of it, the rest and all of it: by the one who wrote it, and by the next who only read it.
    let entries = correspondence();
    for (before, restarts) in [(4, false), (entries.len(), false), (entries.len(), true)] {
        let scratch = Scratch::new("post");
        let path = scratch.path().join(FILE);
        let (tell, mut told) = mpsc::unbounded_channel();
        let (mut desk, _) = Desk::open(&path).expect("opens");
        desk.hand(Batch { number: 1, entries: entries[..before].to_vec(), now: true }, &tell);
        assert_eq!(told.try_recv(), Ok(News::Durable(1)));
        if restarts {
            drop(desk);
            desk = Desk::open(&path).expect("opens").0;
        }
        desk.drop_cache();
        let length = fs::metadata(&path).expect("is there").len();
        let file = fs::OpenOptions::new().write(true).open(&path).expect("opens");
        std::os::unix::fs::FileExt::write_all_at(&file, &vec![0x5a; length as usize], 0).expect("spoilt");
        let rest = entries[before..].iter().cloned().chain([act("goes on")]).collect();
        desk.hand(Batch { number: 2, entries: rest, now: true }, &tell);
        assert!(matches!(told.try_recv(), Ok(News::Failing(why)) if why.contains("unreadable-1")));
        drop(desk);
        let (_, again) = Journal::open(scratch.path()).expect("opens");
        assert_eq!(again.outbox, expected);
    }
}

#[test]
fn what_the_file_refuses_for_what_it_says_is_told_and_holds_up_nothing_else() {
    let scratch = Scratch::new("refused");
    let (mut journal, _) = Journal::open(scratch.path()).expect("opens");
    let refuses = "CREATE TRIGGER refuses BEFORE INSERT ON acts WHEN NEW.act = 'strange'
        BEGIN SELECT raise(ABORT, 'not this'); END";
    Connection::open(scratch.path().join(FILE)).expect("opens").execute_batch(refuses).expect("done");
    let number = journal.write(vec![act("before"), act("strange"), act("after"), Entry::Safety(safety("e1", 42.5))]);
    assert!(matches!(news(&mut journal), News::Failing(why) if why.contains("left out: 1 ")));
    assert_eq!([news(&mut journal), news(&mut journal)], [News::Durable(number), News::Well]);
    assert_eq!(one::<i64>(scratch.path(), "SELECT count(*) FROM acts"), 2);
    assert_eq!(one::<i64>(scratch.path(), "SELECT count(*) FROM kept"), 1);
}

/// A series and the tables it stands in.
fn book(scratch: &Scratch) -> Book {
    Book::open(&scratch.path().join(FILE)).expect("opens")
}

fn minute(minute: i64, values: &[Option<f64>]) -> Entry {
    let mut bin = Bin::default();
    values.iter().for_each(|&value| bin.take(value));
    let series = Series { enclosure: "e1".into(), probe: "basking".into(), quantity: "temperature" };
    Entry::Minute { minute, bins: vec![(series, bin)] }
}

type Row = (Option<f64>, Option<f64>, Option<f64>, i64, i64);

fn rows(book: &Book, select: &str) -> Vec<Row> {
    let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?));
    let mut select = book.connection.prepare(select).expect("is sound");
    select.query_map([], read).and_then(Iterator::collect).expect("is there")
}

const MINUTELY: &str = "SELECT low, mean, high, good, bad FROM minutely ORDER BY minute";
const HOURLY: &str = "SELECT low, mean, high, good, bad FROM hours ORDER BY hour";

#[test]
fn hours_are_summed_minutes_moved_and_old_ones_forgotten() {
    let scratch = Scratch::new("tidy");
    let mut book = book(&scratch);
    let (mut kept, mut tidy) = (Kept::default(), Tidy::default());
    let first = noon().timestamp() / 60;
    let entries = [
        minute(first, &[Some(30.0), Some(32.0)]),
        minute(first + 1, &[None]),
        minute(first + 59, &[Some(34.0)]),
        minute(first + 60, &[Some(20.0)]),
    ];
    book.write(&mut kept, &entries).expect("written");
    let mut settle = |book: &mut Book, at| while tidy.step(&mut book.connection, at).expect("tidied") {};
    let before = rows(&book, MINUTELY);
    settle(&mut book, noon() + TimeDelta::minutes(61));
    assert_eq!(rows(&book, MINUTELY), before, "wherever they stand");
    assert_eq!(before[..2], [(Some(30.0), Some(31.0), Some(32.0), 2, 0), (None, None, None, 0, 1)]);
    // The mean of the two minutes that have one.
    assert_eq!(rows(&book, HOURLY), [(Some(30.0), Some(32.5), Some(34.0), 3, 1)]);
    let standing = |book: &Book, table: &str| -> i64 {
        book.connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).expect("is there")
    };
    assert_eq!((standing(&book, "recent"), standing(&book, "minutes")), (1, 3));
    settle(&mut book, noon() + TimeDelta::days(MINUTES_KEPT + 1));
    assert_eq!((standing(&book, "recent"), standing(&book, "minutes"), standing(&book, "hours")), (0, 0, 2));
    settle(&mut book, noon() + TimeDelta::days(HOURS_KEPT + 1));
    assert_eq!(standing(&book, "hours"), 0);
}

#[test]
fn a_minute_that_comes_again_after_it_was_moved_joins_what_is_there() {
    // As when a clock that was fast is set right.
    let scratch = Scratch::new("again");
    let mut book = book(&scratch);
    let (mut kept, mut tidy) = (Kept::default(), Tidy::default());
    let first = noon().timestamp() / 60;
    for values in [&[Some(30.0), Some(32.0)][..], &[Some(34.0), None][..]] {
        book.write(&mut kept, &[minute(first, values)]).expect("written");
        while tidy.step(&mut book.connection, noon() + TimeDelta::minutes(61)).expect("tidied") {}
    }
    assert_eq!(rows(&book, MINUTELY), [(Some(30.0), Some(32.0), Some(34.0), 3, 1)]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// However a restart cuts a minute, it is the minute that it would have been.
    #[test]
    fn a_minute_in_two_parts_is_one(
        values in prop::collection::vec(prop::option::weighted(0.8, -20.0_f64..60.0), 1..12),
        cut in 0_usize..12,
    ) {
        let scratch = Scratch::new("parts");
        let mut book = book(&scratch);
        let (first, second) = values.split_at(cut.min(values.len()));
        let parts = [first, second].into_iter().filter(|part| !part.is_empty());
        let whole = [minute(11, &values)];
        let entries: Vec<_> = parts.map(|part| minute(10, part)).chain(whole).collect();
        book.write(&mut Kept::default(), &entries).expect("written");
        let rows = rows(&book, MINUTELY);
        prop_assert_eq!(rows.len(), 2);
        let (parts, whole) = (rows[0], rows[1]);
        prop_assert_eq!((parts.0, parts.2, parts.3, parts.4), (whole.0, whole.2, whole.3, whole.4));
        let near = |a: Option<f64>, b: Option<f64>| a.zip(b).map_or(a == b, |(a, b)| (a - b).abs() < 1e-9);
        prop_assert!(near(parts.1, whole.1), "{:?} {:?}", parts, whole);
    }
}
