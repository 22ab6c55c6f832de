//! The demo's time: simulated seconds are real seconds times the speed.

use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};

/// A clock that starts at a given wall time and runs `speed` times as fast as a real one.
#[derive(Clone, Copy, Debug)]
pub struct ScaledClock {
    /// Real moment of the start.
    started: Instant,
    /// Wall time at the start.
    start: DateTime<Utc>,
    /// Simulated seconds in a real one, above zero.
    speed: f64,
}

impl ScaledClock {
    /// A clock that starts now and shows `start`.
    pub fn starting_at(start: DateTime<Utc>, speed: f64) -> ScaledClock {
        ScaledClock { started: Instant::now(), start, speed }
    }

    /// Wall time at the start.
    pub fn start(&self) -> DateTime<Utc> {
        self.start
    }

    /// Simulated seconds in a real one.
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// Simulated time since the start: the monotonic half.
    pub fn elapsed(&self) -> Duration {
        self.started.elapsed().mul_f64(self.speed)
    }

    /// Simulated wall time.
    pub fn wall(&self) -> DateTime<Utc> {
        TimeDelta::from_std(self.elapsed()).ok().and_then(|d| self.start.checked_add_signed(d)).unwrap_or(self.start)
    }
}
