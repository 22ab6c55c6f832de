//! Permits and refusals.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use crate::time::spoken;
use crate::units::{Celsius, Level, Uvi};

/// A level the guard has let pass. Outside the guard's room only [`Permit::OFF`] can be had.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Permit {
    level: Level,
}

impl Permit {
    /// Off, which anybody may ask for.
    pub const OFF: Permit = Permit { level: Level::OFF };

    pub(super) fn granted(level: Level) -> Permit {
        Permit { level }
    }

    /// The level.
    pub fn level(self) -> Level {
        self.level
    }
}

/// Why the guard holds a lamp off.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// A guard probe has not been heard since the start.
    Unheard {
        /// Which probe.
        probe: Arc<str>,
    },
    /// A guard probe's last reading is too old.
    Silent {
        /// Which probe.
        probe: Arc<str>,
        /// Its stale time.
        stale: Duration,
    },
    /// A guard probe is late, and by the worst-case rise it could be over the cut by now.
    Projected {
        /// Which probe.
        probe: Arc<str>,
        /// Its last reading.
        last: Celsius,
        /// The cut.
        cut: Celsius,
    },
    /// A guard probe has not moved although its lamp switched.
    Frozen {
        /// Which probe.
        probe: Arc<str>,
        /// Where it stands still.
        at: Celsius,
    },
    /// Over the cut, or resting after it.
    Tripped {
        /// The reading that tripped it.
        reading: Celsius,
        /// The cut.
        cut: Celsius,
    },
    /// Off until a person resets it.
    Latched(Latch),
}

/// What latched a guard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Latch {
    /// A reading at or above the hard limit.
    Limit {
        /// The reading.
        reading: Celsius,
        /// The limit.
        limit: Celsius,
    },
    /// Three trips in 24 hours.
    ThreeTrips,
    /// UV above its ceiling for too long.
    Ceiling {
        /// The reading.
        reading: Uvi,
        /// The ceiling.
        ceiling: Uvi,
    },
}

impl fmt::Display for Latch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Latch::Limit { reading, limit } => write!(f, "latched at {reading}, limit {limit}"),
            Latch::ThreeTrips => f.write_str("latched after three trips in 24 hours"),
            Latch::Ceiling { reading, ceiling } => write!(f, "latched at UVI {reading}, ceiling {ceiling}"),
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refusal::Unheard { probe } => write!(f, "nothing heard from {probe} yet"),
            Refusal::Silent { probe, stale } => write!(f, "{probe} has been silent for more than {}", spoken(*stale)),
            Refusal::Projected { probe, last, cut } => {
                write!(f, "{probe} is late and was {last}; it could be at the cut of {cut} by now")
            }
            Refusal::Frozen { probe, at } => write!(f, "{probe} stands still at {at} although the lamp switched"),
            Refusal::Tripped { reading, cut } => write!(f, "tripped at {reading}, cut {cut}"),
            Refusal::Latched(latch) => latch.fmt(f),
        }
    }
}
