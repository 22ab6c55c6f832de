//! Safety state that must survive a restart and a power cut.

use std::time::Duration;

use crate::settings::Lamp;
use crate::units::Celsius;

use super::permit::Latch;

/// Safety state of one owner. A newer record of the same owner replaces the older one whole.
#[derive(Clone, Debug, PartialEq)]
pub enum SafetyRecord {
    /// The guards of an enclosure's lamps; empty where there is nothing to remember.
    Enclosure {
        /// The enclosure's id.
        id: String,
        /// Lamps with something to remember.
        lamps: Vec<LampRecord>,
    },
    /// A contactor.
    CutOff {
        /// Its name.
        name: String,
        /// Why it is open; none where it is closed.
        open: Option<String>,
    },
}

/// Safety state of one lamp's guard.
#[derive(Clone, Debug, PartialEq)]
pub struct LampRecord {
    /// The lamp's name.
    pub lamp: String,
    /// Its command topic, by which it is known again under another name.
    pub set: String,
    /// The latch on its heat, where it is latched.
    pub heat_latch: Option<Latch>,
    /// The latch on its UV, where it is latched.
    pub uv_latch: Option<Latch>,
    /// The reading that tripped it, while it is tripped.
    pub tripped: Option<Celsius>,
    /// How long before the record each trip of the last 24 hours was.
    pub trip_ages: Vec<Duration>,
}

impl LampRecord {
    pub(super) fn new(lamp: &Lamp) -> LampRecord {
        LampRecord {
            lamp: lamp.name.clone(),
            set: lamp.output.set.clone(),
            heat_latch: None,
            uv_latch: None,
            tripped: None,
            trip_ages: Vec::new(),
        }
    }

    pub(super) fn says_anything(&self) -> bool {
        self.heat_latch.is_some() || self.uv_latch.is_some() || self.tripped.is_some() || !self.trip_ages.is_empty()
    }

    /// Whether this is the record of `lamp`: the same command topic, or the same name.
    pub fn is_of(&self, lamp: &Lamp) -> bool {
        self.set == lamp.output.set || self.lamp == lamp.name
    }
}
