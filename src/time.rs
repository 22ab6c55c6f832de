//! The two times of a moment.
//!
//! Durations, ages and every decision of the guard use the monotonic part alone; schedules use the wall part. The core
//! never reads a clock: each driver hands it a [`Moment`] with each event.

use std::time::Duration;

use chrono::{DateTime, Utc};

/// Monotonic time: how long since the driver started, which may be five centuries. It never runs backwards and no clock
/// setting moves it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mono {
    /// Nanoseconds since the start: one number, since the core compares moments more than it does anything else.
    nanos: u64,
}

/// Nanoseconds, as many as a moment holds.
const fn nanos(span: Duration) -> u64 {
    match span.as_secs().checked_mul(1_000_000_000) {
        Some(whole) => whole.saturating_add(span.subsec_nanos() as u64),
        None => u64::MAX,
    }
}

impl Mono {
    /// The driver's start.
    pub const START: Mono = Mono { nanos: 0 };
    /// The end of time, which never comes.
    pub const END: Mono = Mono { nanos: u64::MAX };

    /// `since_start` after the driver's start, short of the end of time.
    pub const fn new(since_start: Duration) -> Mono {
        let nanos = nanos(since_start);
        Mono { nanos: if nanos == u64::MAX { u64::MAX - 1 } else { nanos } }
    }

    /// `seconds` after the driver's start.
    pub const fn from_secs(seconds: u64) -> Mono {
        Mono::new(Duration::from_secs(seconds))
    }

    /// `milliseconds` after the driver's start.
    pub const fn from_millis(milliseconds: u64) -> Mono {
        match milliseconds.checked_mul(1_000_000) {
            Some(nanos) => Mono { nanos },
            None => Mono { nanos: u64::MAX - 1 },
        }
    }

    /// How long after the driver's start.
    pub const fn since_start(self) -> Duration {
        Duration::from_nanos(self.nanos)
    }

    /// Whole milliseconds after the driver's start.
    pub const fn as_millis(self) -> u64 {
        self.nanos / 1_000_000
    }

    /// How long from `earlier` to this; zero where `earlier` is later.
    pub const fn since(self, earlier: Mono) -> Duration {
        Duration::from_nanos(self.nanos.saturating_sub(earlier.nanos))
    }

    /// This plus `span`, held at the end of time instead of overflowing.
    pub const fn after(self, span: Duration) -> Mono {
        Mono { nanos: self.nanos.saturating_add(nanos(span)) }
    }
}

/// The soonest of some moments, those left out that are not still to come.
#[derive(Clone, Copy, Debug)]
pub struct Soonest {
    now: Mono,
    soonest: Mono,
}

impl Soonest {
    /// None yet; only what comes after `now` counts.
    pub const fn after(now: Mono) -> Soonest {
        Soonest { now, soonest: Mono::END }
    }

    /// One of them is `at`.
    pub fn by(&mut self, at: Mono) {
        if at > self.now && at < self.soonest {
            self.soonest = at;
        }
    }

    /// The soonest of them; [`Mono::END`] where there is none.
    pub const fn at(self) -> Mono {
        self.soonest
    }
}

/// A point in time as a driver sees it: monotonic and wall time together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// For ages, durations and the guard.
    pub mono: Mono,
    /// For schedules. It may jump, run backwards or not be set yet.
    pub wall: DateTime<Utc>,
}

/// Letters of a duration as it is written, with their seconds, longest first.
pub const UNITS_OF_TIME: [(char, u64); 4] = [('d', 86_400), ('h', 3600), ('m', 60), ('s', 1)];

/// A duration as it is written, such as `1h30m`: whole numbers, each unit once, the longer first; none where it is no
/// duration.
pub fn parse_span(text: &str) -> Option<Duration> {
    let mut rest = text;
    let mut total: u64 = 0;
    for (letter, seconds) in UNITS_OF_TIME {
        let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let (number, after) = rest.split_at(digits);
        if let Some(after) = after.strip_prefix(letter) {
            let part = number.parse::<u64>().ok()?.checked_mul(seconds)?;
            total = total.checked_add(part)?;
            rest = after;
        }
    }
    (rest.is_empty() && !text.is_empty()).then_some(Duration::from_secs(total))
}

/// A duration as a person says it: `45 s`, `12 min`, `3 h 20 min`, `2 d 4 h`.
pub fn spoken(span: Duration) -> String {
    let seconds = span.as_secs();
    match seconds {
        0..=119 => format!("{seconds} s"),
        120..=7199 => format!("{} min", seconds / 60),
        7200..=172_799 => format!("{} h {} min", seconds / 3600, seconds % 3600 / 60),
        _ => format!("{} d {} h", seconds / 86_400, seconds % 86_400 / 3600),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_time_never_comes() {
        let centuries = Mono::new(Duration::from_secs(u64::MAX));
        assert!(
            centuries < Mono::END && Mono::from_millis(u64::MAX) < Mono::END && Mono::from_secs(u64::MAX) < Mono::END
        );
        assert_eq!(centuries.after(Duration::MAX), Mono::END);
        assert_eq!(Mono::from_secs(3).since(Mono::from_secs(5)), Duration::ZERO);
        assert_eq!(Mono::from_secs(5).after(Duration::from_nanos(1)).since(Mono::from_secs(3)), Duration::new(2, 1));
    }

    #[test]
    fn the_soonest_is_the_first_that_is_still_to_come() {
        let mut soonest = Soonest::after(Mono::from_secs(5));
        assert_eq!(soonest.at(), Mono::END);
        for (second, expected) in [(5, u64::MAX), (9, 9), (3, 9), (7, 7), (8, 7), (6, 6)] {
            soonest.by(Mono::from_secs(second));
            assert_eq!(soonest.at(), if expected == u64::MAX { Mono::END } else { Mono::from_secs(expected) });
        }
    }

    #[test]
    fn durations_are_read_in_falling_units_only() {
        let check = |text, expected: Option<u64>| {
            assert_eq!(parse_span(text), expected.map(Duration::from_secs), "{text}");
        };
        check("30s", Some(30));
        check("1h30m", Some(5400));
        check("1d", Some(86_400));
        check("1d2h3m4s", Some(93_784));
        check("0s", Some(0));
        check("90m", Some(5400));
        for wrong in [
            "",
            "30",
            "s",
            "1m1h",
            "1h1h",
            "1.5h",
            "-1s",
            "+1s",
            "1 h",
            "１s",
            "1ms",
            "99999999999999999999s",
            "300000000000000d",
        ] {
            check(wrong, None);
        }
    }
}
