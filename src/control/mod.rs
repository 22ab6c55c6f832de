//! The control core: events and a [`Moment`] in, [`Effect`]s out. No I/O, no clock, no tasks.
//!
//! Control proposes a level for each lamp with its reason; the [`guard`](crate::guard) disposes; outputs are driven by
//! reconciliation, wanted level against reported level, repeated until they agree.

mod alarm;
mod effect;
mod event;
pub mod photoperiod;
mod reason;
mod view;

pub use alarm::{AlarmKind, AlarmNotice, AlarmState, Priority};
pub use effect::{Command, Effect};
pub use event::{Act, Event, OutputRef, Reading, Unreadable};
pub use reason::{Proposal, Reason};
pub use view::{DayView, EnclosureView, InterlockView, LampView, ProbeView, Quality};

use crate::guard::SafetyRecord;
use crate::settings::{EnclosureIx, Settings};
use crate::time::{Moment, Mono};

/// The whole control core of one site.
#[derive(Debug)]
pub struct Controller {
    settings: Settings,
}

impl Controller {
    /// A controller for `settings`, started at `now`, with the safety state that was stored. Every lamp that warms
    /// stays off until its guard has heard from its probes.
    pub fn new(settings: Settings, now: Moment, restored: &[SafetyRecord]) -> Controller {
        let _ = (now, restored);
        Controller { settings }
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Takes in one event and appends what must be done to `out`. Events' moments must not run backwards in their
    /// monotonic part; an earlier one is taken as the latest seen.
    pub fn handle(&mut self, now: Moment, event: Event, out: &mut Vec<Effect>) {
        let _ = (now, event, out);
    }

    /// When [`Event::Tick`] is next wanted, at the latest.
    pub fn next_deadline(&self) -> Option<Mono> {
        None
    }

    /// Puts new settings in force; lamps, latches and timers carry on by name.
    pub fn reload(&mut self, now: Moment, settings: Settings, out: &mut Vec<Effect>) {
        let _ = (now, out);
        self.settings = settings;
    }

    /// An enclosure as it stands; `enclosure` must be one of the settings in force.
    pub fn view(&self, now: Moment, enclosure: EnclosureIx) -> EnclosureView {
        let _ = now;
        EnclosureView {
            enclosure,
            at: None,
            day: DayView { is_day: false, lights_on: None, lights_off: None },
            lamps: Vec::new(),
            probes: Vec::new(),
            band: None,
            alarms: Vec::new(),
        }
    }
}
