//! The two times of a moment.
//!
//! Durations, ages and every decision of the guard use the monotonic part alone; schedules use the wall part. The core
//! never reads a clock: each driver hands it a [`Moment`] with each event.

use std::time::Duration;

use chrono::{DateTime, Utc};

/// Monotonic time: how long since the driver started. It never runs backwards and no clock setting moves it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mono(Duration);

impl Mono {
    /// The driver's start.
    pub const START: Mono = Mono(Duration::ZERO);

    /// `since_start` after the driver's start.
    pub const fn new(since_start: Duration) -> Mono {
        Mono(since_start)
    }

    /// `seconds` after the driver's start.
    pub const fn from_secs(seconds: u64) -> Mono {
        Mono(Duration::from_secs(seconds))
    }

    /// How long after the driver's start.
    pub const fn since_start(self) -> Duration {
        self.0
    }

    /// How long from `earlier` to this; zero where `earlier` is later.
    pub const fn since(self, earlier: Mono) -> Duration {
        self.0.saturating_sub(earlier.0)
    }

    /// This plus `span`, held at the end of time instead of overflowing.
    pub const fn after(self, span: Duration) -> Mono {
        Mono(self.0.saturating_add(span))
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
