//! Faults as data: drawn or written before the run, so that a failing run can be cut down to what made it fail.

use std::time::Duration;

use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx};
use crate::units::Kelvin;

/// A fault from `at` until `until`, both counted from the beginning of the world.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimedFault {
    /// When it comes.
    pub at: Duration,
    /// When it goes by itself; none: never.
    pub until: Option<Duration>,
    /// What it is. Parts that are not there cannot fail.
    pub fault: Fault,
}

/// What can go wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// A lamp gives no UV any more, while it glows and draws power as before.
    UvDies(EnclosureIx, LampIx),
    /// A lamp breaks: no light, no heat, no power.
    LampBreaks(EnclosureIx, LampIx),
    /// The contacts of a lamp's relay weld, now where closed, else when next closed.
    RelayWelds(EnclosureIx, LampIx),
    /// A lamp's output hears no command.
    RelayIsDeaf(EnclosureIx, LampIx),
    /// A contactor's contacts weld.
    CutOffWelds(CutOffIx),
    /// A probe says nothing; when it comes back it starts with its power-up value.
    ProbeIsSilent(EnclosureIx, ProbeIx),
    /// A probe repeats its last value.
    ProbeFreezes(EnclosureIx, ProbeIx),
    /// The room is warmer by this, or colder.
    RoomWarms(Kelvin),
}
