//! Why a lamp has the level it has, in words a person can read.

use std::fmt;
use std::sync::Arc;

use crate::guard::Refusal;
use crate::units::{Celsius, Level, Watts};

/// The one reason for a lamp's level.
#[derive(Clone, Debug, PartialEq)]
pub enum Reason {
    /// Its window is closed by night.
    Night,
    /// Its window is closed by day, for a lamp of the night.
    Day,
    /// It is day, but before the lamp's `after_dawn` or after its `before_dusk`.
    Staged,
    /// Its window is open and no thermostat holds it back.
    Lit,
    /// Rising or sinking at the edge of the day.
    Ramp,
    /// A thermostat by its probe.
    Thermostat {
        /// The spot it warms.
        spot: Arc<str>,
        /// The reading.
        reading: Celsius,
        /// The target.
        target: Celsius,
    },
    /// Its shortest time on has not passed.
    MinOn,
    /// Its shortest time off has not passed, or it must cool before it can strike again.
    MinOff {
        /// Whether the fitting needs it, rather than the configuration.
        cooling: bool,
    },
    /// The thermostat has no reading to go by.
    NoReading {
        /// The spot it warms.
        spot: Arc<str>,
    },
    /// Others of its circuit strike before it.
    Turn {
        /// The circuit's name.
        circuit: Arc<str>,
    },
    /// Its circuit is at its soft limit, and others come before it.
    HeldBack {
        /// The circuit's name.
        circuit: Arc<str>,
        /// The soft limit.
        limit: Watts,
    },
    /// A person asked for it.
    Override,
    /// The wall time is not known, so it is treated as night.
    NoClock,
    /// The daemon is ending.
    Stopping,
    /// The contactor above it is open.
    CutOff {
        /// Its name.
        name: Arc<str>,
    },
    /// A contactor is closed, as it should be.
    Closed,
    /// The guard refused.
    Guard(Refusal),
}

impl Reason {
    /// Writes it in words: piece by piece, since the log of a rehearsal is full of it.
    pub(crate) fn write_to(&self, f: &mut impl fmt::Write) -> fmt::Result {
        match self {
            Reason::Night => f.write_str("night"),
            Reason::Day => f.write_str("day"),
            Reason::Staged => f.write_str("outside its hours of the day"),
            Reason::Lit => f.write_str("day"),
            Reason::Ramp => f.write_str("dawn or dusk"),
            Reason::Thermostat { spot, reading, target } => {
                f.write_str(spot)?;
                f.write_str(" at ")?;
                reading.write_to(f)?;
                f.write_str(", target ")?;
                target.write_to(f)
            }
            Reason::MinOn => f.write_str("has not been on long enough to go off"),
            Reason::MinOff { cooling: false } => f.write_str("has not been off long enough to come on"),
            Reason::MinOff { cooling: true } => f.write_str("must cool before it can strike again"),
            Reason::NoReading { spot } => write!(f, "no reading at {spot} to go by"),
            Reason::Turn { circuit } => write!(f, "waits for its turn on circuit {circuit}"),
            Reason::HeldBack { circuit, limit } => {
                write!(f, "held back: circuit {circuit} is at its soft limit of {limit}, and others come first")
            }
            Reason::Override => f.write_str("set by hand"),
            Reason::NoClock => f.write_str("the clock is not set, so it counts as night"),
            Reason::Stopping => f.write_str("the daemon is ending"),
            Reason::CutOff { name } => write!(f, "cut-off {name} is open"),
            Reason::Closed => f.write_str("closed"),
            Reason::Guard(refusal) => write!(f, "guard: {refusal}"),
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write_to(f)
    }
}

/// What control would like a lamp to do, before the guard has spoken.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// The level.
    pub level: Level,
    /// Why.
    pub reason: Reason,
}
