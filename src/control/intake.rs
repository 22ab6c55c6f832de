//! Which readings of a probe count.

use std::fmt;
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::guard::{Row, Stretch};
use crate::settings::{Measures, Probe};
use crate::time::Mono;

use super::event::Reading;
use super::view::Quality;

/// A rate of change is taken over at least this long, since messages come in bursts; a guess.
const SHORTEST_RATE_SPAN: Duration = Duration::from_secs(10);
/// A probe is called doubtful until this long after its last doubtful reading; a guess.
pub(super) const DOUBT_LASTS: Duration = Duration::from_secs(10 * 60);

/// Readings nearer than this to one that stands for a fault are looked at closely: more than what counts as the same.
const NEAR_FAULT: f64 = 1e-5;

/// What a probe has said so far, and whether to believe what it says next.
#[derive(Clone, Debug)]
pub(super) struct Intake {
    last: Option<(f64, Mono)>,
    /// A change too fast to believe, until the next reading bears it out.
    pending: Option<(f64, Mono)>,
    stamps: Stamps,
    doubted: Option<Mono>,
    started: Mono,
    /// Since when the good readings have been exactly the same.
    same_since: Mono,
    /// What the newest reading said, and why it does not count; none: it does, and is the last.
    refused: Option<(Option<f64>, Quality)>,
}

/// Readings that are good beyond question.
#[derive(Clone, Copy, Debug)]
pub(super) struct Calm {
    /// Within this …
    pub(super) within: Stretch,
    /// … and at most this far from the one before.
    pub(super) step: f64,
}

/// What became of a reading.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Verdict {
    /// Fresh and believable.
    Good(f64),
    /// In range, but it jumped: it may trip a guard and proves nothing else.
    Suspect(f64, Doubt),
    /// It says that something is wrong with the probe.
    Doubtful(Doubt),
    /// Of unknown age, late or repeated: as if it had not come.
    Ignored,
}

/// What is wrong with a reading.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Doubt {
    /// The payload could not be read; words that follow "the payload".
    Unreadable(String),
    /// Outside what is plausible, or no number.
    Implausible { value: f64, least: f64, most: f64 },
    /// A value that stands for a fault.
    FaultValue(f64),
    /// Changed faster than anything there can.
    Jumped { from: f64, to: f64 },
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Doubt::Unreadable(why) => write!(f, "its payload {why}"),
            Doubt::Implausible { value, least, most } => {
                write!(f, "it says {value:.1}, and only {least:.0} to {most:.0} is plausible")
            }
            Doubt::FaultValue(value) => write!(f, "it says {value:.1}, which such a probe says when it has a fault"),
            Doubt::Jumped { from, to } => {
                write!(f, "it jumped from {from:.1} to {to:.1}, faster than anything there can change")
            }
        }
    }
}

impl Intake {
    pub(super) fn new(now: Mono) -> Intake {
        Intake {
            last: None,
            pending: None,
            stamps: Stamps::default(),
            doubted: None,
            started: now,
            same_since: now,
            refused: None,
        }
    }

    /// Judges one reading.
    pub(super) fn take(&mut self, now: Mono, reading: Reading, probe: &Probe) -> Verdict {
        let said = reading.value.as_ref().ok().copied();
        let verdict = self.judge(now, reading, probe);
        self.refused = match verdict {
            Verdict::Good(_) => None,
            Verdict::Suspect(..) | Verdict::Doubtful(_) => Some((said, Quality::Doubtful)),
            Verdict::Ignored => Some((said, Quality::Stale)),
        };
        verdict
    }

    fn judge(&mut self, now: Mono, reading: Reading, probe: &Probe) -> Verdict {
        if reading.retained {
            return Verdict::Ignored;
        }
        let value = match reading.value {
            Ok(value) => value,
            Err(unreadable) => return self.doubt(now, Doubt::Unreadable(unreadable.0)),
        };
        if probe.reject.iter().any(|fault| (fault - value).abs() < 1e-6) {
            return self.doubt(now, Doubt::FaultValue(value));
        }
        let (least, most) = probe.plausible;
        if !(value >= least && value <= most) {
            return self.doubt(now, Doubt::Implausible { value, least, most });
        }
        if let Some(taken) = reading.taken
            && !self.stamps.is_timely(now, taken, probe.stale)
        {
            return Verdict::Ignored;
        }
        match self.jump(now, value, probe) {
            // Upwards a temperature is believed at once, since that only ever takes heat away.
            Some(from) if probe.measures != Measures::Temperature || value < from => {
                self.pending = Some((value, now));
                self.doubted = Some(now);
                Verdict::Suspect(value, Doubt::Jumped { from, to: value })
            }
            _ => {
                self.pending = None;
                if self.last.is_none_or(|(last, _)| last != value) {
                    self.same_since = now;
                }
                self.last = Some((value, now));
                Verdict::Good(value)
            }
        }
    }

    /// Takes in a plain live reading of which [`Intake::calm`] says that it is good.
    pub(super) fn absorb(&mut self, now: Mono, value: f64) {
        (self.pending, self.refused) = (None, None);
        if self.last.is_none_or(|(last, _)| last != value) {
            self.same_since = now;
        }
        self.last = Some((value, now));
    }

    /// Takes in a row of such readings.
    pub(super) fn absorb_row(&mut self, row: &Row) {
        self.pending = None;
        self.same_since = row.changed.unwrap_or(self.same_since);
        self.last = Some((row.last, row.at));
    }

    /// When its readings will have been the same for so long, if they stay.
    pub(super) fn same_at(&self, span: Duration) -> Mono {
        self.same_since.after(span)
    }

    /// While the last reading is fresh: which plain live readings are good whenever they come, and nothing else.
    pub(super) fn calm(&self, now: Mono, probe: &Probe) -> Option<Calm> {
        let last = self.fresh(now, probe)?;
        let (mut above, mut below) = probe.plausible;
        for fault in &probe.reject {
            if *fault < last {
                above = above.max(fault + NEAR_FAULT);
            } else {
                below = below.min(fault - NEAR_FAULT);
            }
        }
        let step =
            probe.fastest.map_or(f64::INFINITY, |fastest| fastest * probe.every.max(SHORTEST_RATE_SPAN).as_secs_f64());
        Some(Calm { within: Stretch { above, below, until: Mono::END }, step })
    }

    /// Where the value jumped from, where it changed faster than `fastest` from both the last good reading and the one
    /// that jumped before it.
    fn jump(&self, now: Mono, value: f64, probe: &Probe) -> Option<f64> {
        let fastest = probe.fastest?;
        let follows = |&(before, at): &(f64, Mono)| {
            let span = now.since(at).max(probe.every).max(SHORTEST_RATE_SPAN);
            (value - before).abs() <= fastest * span.as_secs_f64()
        };
        let last = self.last.as_ref()?;
        let borne_out = follows(last) || self.pending.as_ref().is_some_and(follows);
        (!borne_out).then_some(last.0)
    }

    fn doubt(&mut self, now: Mono, doubt: Doubt) -> Verdict {
        self.doubted = Some(now);
        Verdict::Doubtful(doubt)
    }

    /// The last good reading with its moment.
    pub(super) fn last(&self) -> Option<(f64, Mono)> {
        self.last
    }

    /// What the newest reading said, and whether it counts; none where nothing was heard since the start.
    pub(super) fn newest(&self) -> Option<(Option<f64>, Quality)> {
        self.refused.or_else(|| self.last.map(|(value, _)| (Some(value), Quality::Good)))
    }

    /// The last good reading, while it is fresh.
    pub(super) fn fresh(&self, now: Mono, probe: &Probe) -> Option<f64> {
        self.last.filter(|&(_, at)| now.since(at) <= probe.stale).map(|(value, _)| value)
    }

    /// For how long the good readings have been exactly the same.
    pub(super) fn same_for(&self, now: Mono) -> Duration {
        now.since(self.same_since)
    }

    /// Whether the last good reading is too old, or none has come within the stale time since the start.
    pub(super) fn is_silent(&self, now: Mono, probe: &Probe) -> bool {
        now.since(self.heard()) > probe.stale
    }

    /// When it will be silent if nothing comes.
    pub(super) fn silent_at(&self, probe: &Probe) -> Mono {
        self.heard().after(probe.stale).after(Duration::from_nanos(1))
    }

    fn heard(&self) -> Mono {
        self.last.map_or(self.started, |(_, at)| at.max(self.started))
    }

    /// Silence counts from now on: the link was down, and the probe is not to blame.
    pub(super) fn excuse(&mut self, now: Mono) {
        self.started = now;
    }

    /// Whether a good reading has come since it was excused last, or since the start.
    pub(super) fn has_spoken(&self) -> bool {
        self.last.is_some_and(|(_, at)| at >= self.started)
    }

    /// Whether its last doubtful reading is recent.
    pub(super) fn is_doubtful(&self, now: Mono) -> bool {
        self.doubted.is_some_and(|at| now.since(at) < DOUBT_LASTS)
    }

    /// When it will no longer be doubtful.
    pub(super) fn trusted_at(&self) -> Option<Mono> {
        self.doubted.map(|at| at.after(DOUBT_LASTS))
    }

    /// How its reading counts.
    pub(super) fn quality(&self, now: Mono, probe: &Probe) -> Quality {
        match self.last {
            _ if self.doubted.is_some_and(|doubted| self.last.is_none_or(|(_, at)| at < doubted)) => Quality::Doubtful,
            None => Quality::Unheard,
            Some(_) if self.fresh(now, probe).is_none() => Quality::Stale,
            Some(_) => Quality::Good,
        }
    }
}

/// Whether readings with time stamps arrive in time, told without the wall clock (guard law 5): the smallest difference
/// between our monotonic time and the sender's stamps is the sender's clock, and what comes later than that is late.
#[derive(Clone, Debug, Default)]
struct Stamps {
    newest: Option<DateTime<Utc>>,
    /// Smallest difference of monotonic arrival and stamp so far, in milliseconds.
    least_ms: Option<i64>,
    /// Untimely stamps in a row that were in order among themselves.
    late_in_order: u32,
    late: Option<DateTime<Utc>>,
}

/// A sender whose clock was set anew is believed after this many readings in order; a guess.
const REBASE_AFTER: u32 = 3;

impl Stamps {
    fn is_timely(&mut self, now: Mono, taken: DateTime<Utc>, stale: Duration) -> bool {
        let arrival_ms = i64::try_from(now.since_start().as_millis()).unwrap_or(i64::MAX);
        let difference = arrival_ms.saturating_sub(taken.timestamp_millis());
        let newer = self.newest.is_none_or(|newest| taken > newest);
        let delay_ms = self.least_ms.map_or(0, |least| difference.saturating_sub(least));
        let allowed_ms = i64::try_from(stale.as_millis()).unwrap_or(i64::MAX);
        let rebase = {
            let in_order = self.late.is_none_or(|late| taken > late);
            self.late_in_order = if in_order { self.late_in_order.saturating_add(1) } else { 0 };
            self.late_in_order >= REBASE_AFTER
        };
        if (newer && delay_ms <= allowed_ms) || rebase {
            self.newest = Some(taken);
            self.least_ms =
                Some(if rebase { difference } else { self.least_ms.map_or(difference, |l| l.min(difference)) });
            self.late_in_order = 0;
            self.late = None;
            return true;
        }
        self.late = Some(taken);
        false
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::super::event::Unreadable;
    use super::*;
    use crate::settings::PayloadUnit;

    fn probe() -> Probe {
        Probe {
            name: "basking".into(),
            measures: Measures::Temperature,
            topic: "t".into(),
            pointer: None,
            stamp_pointer: None,
            unit: PayloadUnit::Kept,
            every: Duration::from_secs(10),
            stale: Duration::from_secs(30),
            spot: "basking".into(),
            plausible: (-30.0, 120.0),
            reject: vec![85.0, -127.0],
            fastest: Some(2.0),
        }
    }

    fn plain(value: f64) -> Reading {
        Reading { value: Ok(value), taken: None, retained: false }
    }

    /// Feeds readings ten seconds apart and gives the letters of their verdicts: good, suspect, doubtful, ignored.
    fn letters(readings: &[Reading]) -> String {
        let mut intake = Intake::new(Mono::START);
        let verdicts = readings.iter().zip(1..).map(|(reading, n)| {
            match intake.take(Mono::from_secs(n * 10), reading.clone(), &probe()) {
                Verdict::Good(_) => 'g',
                Verdict::Suspect(..) => 's',
                Verdict::Doubtful(_) => 'd',
                Verdict::Ignored => 'i',
            }
        });
        verdicts.collect()
    }

    #[test]
    fn only_plausible_readings_of_known_age_count() {
        let retained = Reading { retained: true, ..plain(31.0) };
        let unreadable = Reading { value: Err(Unreadable("is empty".into())), ..plain(0.0) };
        for (readings, expected) in [
            (vec![plain(31.0), retained.clone()], "gi"),
            (vec![retained], "i"),
            (vec![unreadable, plain(31.0)], "dg"),
            // 85 °C and −127 °C: power-up and disconnect values of a common digital sensor (design, section 6).
            (vec![plain(85.0), plain(-127.0), plain(84.9)], "ddg"),
            (vec![plain(-30.0), plain(120.1), plain(f64::NAN), plain(f64::INFINITY)], "gddd"),
        ] {
            assert_eq!(letters(&readings), expected, "{readings:?}");
        }
    }

    #[test]
    fn the_newest_reading_is_told_with_what_became_of_it() {
        let mut intake = Intake::new(Mono::START);
        assert_eq!(intake.newest(), None);
        let retained = Reading { retained: true, ..plain(31.0) };
        let unreadable = Reading { value: Err(Unreadable("is empty".into())), ..plain(0.0) };
        for (seconds, reading, value, quality) in [
            (10, retained, Some(31.0), Quality::Stale),
            (20, plain(31.5), Some(31.5), Quality::Good),
            (30, plain(85.0), Some(85.0), Quality::Doubtful),
            (40, unreadable, None, Quality::Doubtful),
            (50, plain(31.5), Some(31.5), Quality::Good),
            (60, plain(-20.0), Some(-20.0), Quality::Doubtful),
        ] {
            intake.take(Mono::from_secs(seconds), reading, &probe());
            assert_eq!(intake.newest(), Some((value, quality)), "at {seconds} s");
        }
        intake.absorb(Mono::from_secs(70), 31.75);
        assert_eq!(intake.newest(), Some((Some(31.75), Quality::Good)));
    }

    #[test]
    fn a_fall_too_fast_to_be_true_needs_a_second_reading_and_a_rise_does_not() {
        assert_eq!(letters(&[plain(60.0), plain(20.0), plain(20.5)]), "gsg");
        assert_eq!(letters(&[plain(60.0), plain(20.0), plain(59.0)]), "gsg");
        assert_eq!(letters(&[plain(60.0), plain(20.0), plain(-25.0)]), "gss");
        assert_eq!(letters(&[plain(20.0), plain(60.0)]), "gg");
        assert_eq!(letters(&[plain(40.0), plain(20.0)]), "gg", "2 K/s over 10 s is still believable");
    }

    #[test]
    fn stamped_readings_count_when_they_are_new_and_arrive_in_time() {
        let start = DateTime::UNIX_EPOCH;
        let stamped = |seconds| Reading { taken: Some(start + TimeDelta::seconds(seconds)), ..plain(31.0) };
        // Arrivals are at 10, 20, 30 … s; the sender's clock may be any.
        for (stamps, expected) in [
            (vec![10, 20, 30], "ggg"),
            (vec![10, 20, 20], "ggi"),
            (vec![10, 20, 15, 40], "ggig"),
            // The fourth was taken 35 s before it arrived.
            (vec![10, 20, 30, 5], "gggi"),
            (vec![5000, 5010, 5020], "ggg"),
            // A sender whose clock was set back an hour is believed again with its third reading in order.
            (vec![5000, 1400, 1410, 1420, 1430], "giigg"),
        ] {
            let readings: Vec<_> = stamps.iter().map(|&s| stamped(s)).collect();
            assert_eq!(letters(&readings), expected, "{stamps:?}");
        }
    }

    #[test]
    fn silence_begins_just_after_the_stale_time() {
        let mut intake = Intake::new(Mono::START);
        assert!(!intake.is_silent(Mono::from_secs(30), &probe()));
        assert!(intake.is_silent(intake.silent_at(&probe()), &probe()));
        intake.take(Mono::from_secs(100), plain(31.0), &probe());
        assert_eq!(intake.fresh(Mono::from_secs(130), &probe()), Some(31.0));
        assert_eq!(intake.fresh(intake.silent_at(&probe()), &probe()), None);
        assert_eq!(intake.quality(Mono::from_secs(131), &probe()), Quality::Stale);
    }
}
