//! The computer the daemon runs on: its process, its clocks and its disk.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::{Controller, Effect, Record};
use crate::guard::SafetyRecord;
use crate::settings::Settings;
use crate::simulator::Pcg32;
use crate::time::{Moment, Mono};

/// A record is on disk between these after it was handed over, ms: a guess at a small board with a card.
const WRITE_TAKES: (u64, u64) = (5, 80);

/// The computer.
#[derive(Debug)]
pub(super) struct Host {
    chance: Pcg32,
    /// When the story began.
    start: DateTime<Utc>,
    /// The core while the daemon runs.
    pub(super) core: Option<Controller>,
    /// When the daemon was started last, ms.
    booted: u64,
    clock: WallClock,
    /// What is on disk, by owner.
    disk: BTreeMap<String, SafetyRecord>,
    /// The same of alarms, calibrations, rounds and so on: one of each owner, in their order.
    filed: Vec<Record>,
    /// Handed over, and when it will be on disk.
    writing: Vec<(u64, Kept)>,
    /// The last wall time on disk that schedules went by.
    last_known: Option<DateTime<Utc>>,
    /// Whether the disk takes nothing.
    disk_full: bool,
    /// Whether the wall clock has kept step with the monotonic one since the core last asked it.
    keeps_step: bool,
    /// Whether the core spares nothing the whole way.
    whole_way: bool,
}

/// What is kept on disk.
#[derive(Clone, Debug)]
enum Kept {
    Safety(SafetyRecord),
    Record(Record),
}

impl Kept {
    /// Whether this takes the place of an earlier one.
    fn replaces(&self, earlier: &Kept) -> bool {
        matches!((self, earlier), (Kept::Record(own), Kept::Record(other)) if own.whose() == other.whose())
    }
}

/// What is wrong with the wall clock.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct WallClock {
    /// Off by this, ms.
    pub(super) step_ms: i64,
    /// Runs fast by this many parts in a million …
    pub(super) drift_ppm: f64,
    /// … since then, ms.
    pub(super) drifts_since: u64,
    /// Says 1970.
    pub(super) unset: bool,
}

impl Host {
    /// A computer whose daemon does not run yet.
    pub(super) fn new(start: DateTime<Utc>, seed: u64, whole_way: bool) -> Host {
        Host {
            chance: Pcg32::new(seed, u64::MAX / 4 + 1),
            start,
            core: None,
            booted: 0,
            clock: WallClock::default(),
            disk: BTreeMap::new(),
            filed: Vec::new(),
            writing: Vec::new(),
            last_known: None,
            disk_full: false,
            keeps_step: false,
            whole_way,
        }
    }

    /// What the two clocks say at `now`.
    pub(super) fn moment(&self, now: u64) -> Moment {
        let mono = Mono::new(std::time::Duration::from_millis(now.saturating_sub(self.booted)));
        Moment { mono, wall: self.wall(now) }
    }

    fn wall(&self, now: u64) -> DateTime<Utc> {
        let clock = self.clock;
        let ms = |ms: u64| TimeDelta::milliseconds(i64::try_from(ms).unwrap_or(i64::MAX / 4));
        if clock.unset {
            return DateTime::UNIX_EPOCH + ms(now.saturating_sub(self.booted));
        }
        let drift = now.saturating_sub(clock.drifts_since) as f64 * clock.drift_ppm / 1e6;
        self.start + ms(now) + TimeDelta::milliseconds(clock.step_ms + drift as i64)
    }

    /// The moment of the story at which the core's monotonic time is `mono`, to the millisecond above.
    pub(super) fn story_time(&self, mono: Mono) -> u64 {
        let since = mono.since_start();
        let whole = u64::try_from(since.as_millis()).unwrap_or(u64::MAX / 2);
        self.booted + whole + u64::from(!since.subsec_nanos().is_multiple_of(1_000_000))
    }

    /// The core asks the clocks at `now`.
    pub(super) fn ask(&mut self, now: u64) -> Moment {
        self.keeps_step = self.clock.drift_ppm == 0.0;
        self.moment(now)
    }

    /// The core's monotonic time at the story's time 0, as a count of ms that may be subtracted, where the wall clock keeps
    /// step with it and is followed.
    pub(super) fn in_step(&self) -> Option<u64> {
        let follows = self.core.as_ref().is_some_and(Controller::follows_its_clock);
        (follows && self.keeps_step).then_some(self.booted)
    }

    /// How far the wall clock is off, ms, and whether it is set.
    pub(super) fn clock_error(&self, now: u64) -> (i64, bool) {
        if self.clock == WallClock::default() {
            return (0, true);
        }
        let truth = self.start.timestamp_millis().saturating_add_unsigned(now);
        (self.wall(now).timestamp_millis() - truth, !self.clock.unset)
    }

    /// Whether the disk takes nothing.
    pub(super) fn is_disk_full(&self) -> bool {
        self.disk_full
    }

    /// The wall clock is so from now on.
    pub(super) fn set_clock(&mut self, clock: WallClock) {
        self.keeps_step &= self.clock == clock;
        self.clock = clock;
    }

    /// The daemon starts with what is on disk; what it wants done at once.
    pub(super) fn start(&mut self, now: u64, settings: &Settings) -> Vec<Effect> {
        self.booted = now;
        let records: Vec<_> = self.disk.values().cloned().collect();
        // Documents tell new readings to nobody here, and they would be most of its ticks.
        let core = Controller::new(settings.clone(), self.moment(now), &records).showing_decisions_alone();
        let mut core = if self.whole_way { core.without_shortcuts() } else { core };
        let mut effects = Vec::new();
        core.recall(&self.filed, self.last_known, &mut effects);
        self.core = Some(core);
        effects
    }

    /// Keeps the time, as whatever is written with a stamp does: what the disk takes.
    fn keep_time(&mut self, now: u64) {
        if let Some(core) = self.core.as_ref().filter(|_| !self.disk_full) {
            self.last_known = core.wall_at(self.moment(now).mono).or(self.last_known);
        }
    }

    /// How far the last time on disk is off, ms.
    pub(super) fn last_known_error(&self, now: u64) -> Option<i64> {
        let truth = self.start.timestamp_millis().saturating_add_unsigned(now);
        self.last_known.map(|known| known.timestamp_millis() - truth)
    }

    /// The daemon is gone; what was not on disk yet is lost. Where it ended in good order, nothing is.
    pub(super) fn end(&mut self, now: u64, in_good_order: bool) {
        self.keep_time(now);
        self.write_until(if in_good_order { u64::MAX } else { now });
        self.writing.clear();
        self.core = None;
    }

    /// Hands a safety record to the disk.
    pub(super) fn remember(&mut self, now: u64, record: SafetyRecord) {
        self.hand_over(now, Kept::Safety(record));
    }

    /// Hands a record for the file to the disk.
    pub(super) fn file(&mut self, now: u64, record: Record) {
        self.hand_over(now, Kept::Record(record));
    }

    fn hand_over(&mut self, now: u64, record: Kept) {
        let (least, most) = WRITE_TAKES;
        let takes = least + ((most - least) as f64 * self.chance.unit()) as u64;
        // One file, written in order.
        let at = self.writing.last().map_or(0, |(at, _)| *at).max(now + takes);
        self.writing.push((at, record));
    }

    /// Everything that is due is on disk, unless that is full: then it waits.
    pub(super) fn write(&mut self, now: u64) {
        self.keep_time(now);
        self.write_until(now);
    }

    fn write_until(&mut self, now: u64) {
        if self.disk_full {
            return;
        }
        let due = self.writing.iter().take_while(|(at, _)| *at <= now).count();
        let mut due = self.writing.drain(..due).peekable();
        while let Some((_, record)) = due.next() {
            if due.peek().is_some_and(|(_, next)| next.replaces(&record)) {
                continue;
            }
            match record {
                Kept::Safety(record) => _ = self.disk.insert(owner(&record), record),
                Kept::Record(record) => match self.filed.binary_search_by(|known| known.whose().cmp(&record.whose())) {
                    Ok(at) => self.filed[at] = record,
                    Err(at) => self.filed.insert(at, record),
                },
            }
        }
    }

    /// The disk takes nothing from now on, or takes again; whether that is news.
    pub(super) fn set_disk_full(&mut self, now: u64, full: bool) -> bool {
        if !full && self.disk_full {
            self.disk_full = false;
            self.write(now);
            return true;
        }
        let news = full != self.disk_full;
        self.disk_full = full;
        news
    }
}

/// Whose record it is: a newer one of the same owner replaces it.
fn owner(record: &SafetyRecord) -> String {
    match record {
        SafetyRecord::Enclosure { id, .. } => format!("enclosure {id}"),
        SafetyRecord::CutOff { name, .. } => format!("cut-off {name}"),
    }
}
