//! What one step of the core works with.

use chrono::{DateTime, Utc};

use crate::settings::{CutOffIx, OnExit, Site};
use crate::time::Mono;

use super::circuits::Circuits;
use super::clock::Clock;
use super::contactors::Contactors;
use super::diagnosis::Circles;
use super::effect::Effect;
use super::health::spares::Demand;

/// What one step of the core works with: the moment, the site at large, and where effects go.
pub(super) struct Context<'a> {
    pub(super) now: Mono,
    /// The time schedules go by; none while the clock was never set.
    pub(super) wall: Option<DateTime<Utc>>,
    /// The best wall time for a person to read.
    pub(super) stamp: DateTime<Utc>,
    pub(super) connected: bool,
    pub(super) stopping: Option<OnExit>,
    /// Whether what changes nothing may be left out.
    pub(super) shortcuts: bool,
    pub(super) site: &'a Site,
    pub(super) clock: &'a Clock,
    pub(super) contactors: &'a Contactors,
    /// Whose turn it is to strike, and who is held back.
    pub(super) circuits: &'a mut Circuits,
    /// What lamps on the same relay or supply show.
    pub(super) circles: &'a mut Circles,
    pub(super) tickets: &'a mut u64,
    /// Contactors that must open, each with the reason.
    pub(super) demands: &'a mut Vec<(CutOffIx, String)>,
    /// Lamps that will need a spare.
    pub(super) spares: &'a mut Demand,
    pub(super) out: &'a mut Vec<Effect>,
}

impl Context<'_> {
    /// Whether a contactor is open.
    pub(super) fn is_open(&self, cut_off: CutOffIx) -> bool {
        self.contactors.is_open(cut_off)
    }

    /// The wall time, where the clock can be believed.
    pub(super) fn believed(&self) -> Option<DateTime<Utc>> {
        self.wall.filter(|_| self.clock.is_trusted())
    }

    /// The monotonic moment at which the schedules' time will be `wall`.
    pub(super) fn mono_at(&self, wall: DateTime<Utc>) -> Option<Mono> {
        let ahead = (wall - self.wall?).to_std().unwrap_or_default();
        Some(self.now.after(ahead))
    }
}
