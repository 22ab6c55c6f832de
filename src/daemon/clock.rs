//! The clock of a live driver: the machine's own, or one that runs faster for the demonstration.

use std::time::{Duration, Instant, SystemTime};

use chrono::{DateTime, TimeDelta, Utc};

use crate::time::{Moment, Mono};

/// Where moments come from.
#[derive(Clone, Debug)]
pub struct Clock {
    start: Instant,
    pace: Pace,
}

#[derive(Clone, Copy, Debug)]
enum Pace {
    /// The machine's clocks.
    Real,
    /// Both times run `speed` times as fast, the wall time from `wall`.
    Scaled { wall: DateTime<Utc>, speed: f64 },
}

impl Clock {
    /// The machine's clocks.
    pub fn real() -> Clock {
        Clock { start: Instant::now(), pace: Pace::Real }
    }

    /// Starts now at the wall time `wall` and runs `speed` times as fast, for monotonic and wall time alike. `speed`
    /// must be above zero.
    pub fn scaled(wall: DateTime<Utc>, speed: f64) -> Clock {
        Clock { start: Instant::now(), pace: Pace::Scaled { wall, speed } }
    }

    /// The present moment.
    pub fn now(&self) -> Moment {
        let elapsed = self.start.elapsed();
        match self.pace {
            Pace::Real => Moment { mono: Mono::new(elapsed), wall: system_time() },
            Pace::Scaled { wall, speed } => {
                let elapsed = elapsed.mul_f64(speed);
                let wall = wall + TimeDelta::from_std(elapsed).unwrap_or(TimeDelta::MAX);
                Moment { mono: Mono::new(elapsed), wall }
            }
        }
    }

    /// How long to wait until `deadline`, in real time.
    pub fn until(&self, deadline: Mono) -> Duration {
        let ahead = deadline.since(self.now().mono);
        match self.pace {
            Pace::Real => ahead,
            Pace::Scaled { speed, .. } => ahead.div_f64(speed),
        }
    }
}

/// The machine's wall clock; the Unix epoch where it is set before that, which the core takes as unset.
fn system_time() -> DateTime<Utc> {
    let since_epoch = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    let seconds = i64::try_from(since_epoch.as_secs()).unwrap_or(i64::MAX);
    DateTime::from_timestamp(seconds, since_epoch.subsec_nanos()).unwrap_or(DateTime::UNIX_EPOCH)
}
