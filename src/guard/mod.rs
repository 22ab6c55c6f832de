//! The guard law, in a room of its own. Control proposes a level; the guard disposes with a [`Permit`], which only this
//! room can make and which every command to an output needs.

use std::fmt;

use crate::units::Level;

/// A level the guard has let pass. It cannot be made outside this room.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Permit {
    level: Level,
}

impl Permit {
    /// The level.
    pub fn level(self) -> Level {
        self.level
    }
}

/// Why the guard holds a lamp off.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// Placeholder until the guard is built.
    Unproven,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("no reading since start")
    }
}

/// Safety state of one enclosure that must survive a restart and a power cut, as opaque JSON-able data.
#[derive(Clone, Debug, PartialEq)]
pub struct SafetyRecord {
    /// The enclosure's id.
    pub enclosure: String,
}
