//! A story to rehearse: the site, what goes wrong and when, what the keeper does, and what must come of it.
//!
//! `simulations/README.md` tells a keeper how one is written.

mod keys;
mod moment;
mod read;
mod trouble;
mod write;

pub use read::{Checked, read};
pub use trouble::{Mishap, classes};
pub(super) use trouble::{mishap_of, needs};

use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::control::{Act, AlarmKind, Priority};
use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx, Settings};
use crate::simulator::{Climate, Region};

/// A story. Moments are counted from its start.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// The file it came from, or what stands for one.
    pub name: String,
    /// What it is about, in a few words.
    pub title: String,
    /// What happens, in two sentences.
    pub story: String,
    /// The site.
    pub site: Site,
    /// When it begins.
    pub start: DateTime<Utc>,
    /// How long it lasts.
    pub span: Duration,
    /// Everything that is left to chance follows from it.
    pub seed: u64,
    /// Whether it takes long enough that only an optimised build should run it.
    pub slow: bool,
    /// The room around the enclosures.
    pub room: Room,
    /// What goes wrong.
    pub mishaps: Vec<Timed<Mishap>>,
    /// What the keeper does.
    pub acts: Vec<(Duration, Act)>,
    /// What must happen, and what must not.
    pub expectations: Vec<Expectation>,
    /// From then on nothing is wrong any more: a person has repaired and reset everything, and all must become well.
    pub healed: Option<Duration>,
    /// A swarm draws its own site and faults by its seed; this is how.
    pub swarm: Option<Swarm>,
}

/// The site of a story.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Checked, as the daemon would have it.
    pub settings: Settings,
    /// The configuration, word for word, where it stands in the scenario itself.
    pub text: Option<String>,
    /// The path to it as the scenario names it, where it stands in a file of its own.
    pub path: Option<String>,
}

/// What of the room a story may set.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Room {
    /// How its temperature runs.
    pub climate: Climate,
    /// Size of every enclosure against the one its lamps were chosen for: the smaller, the hotter they make it.
    pub size: Option<f64>,
}

/// Something that is so for a while.
#[derive(Clone, Debug, PartialEq)]
pub struct Timed<T> {
    /// From when.
    pub at: Duration,
    /// Until when; none: to the end.
    pub until: Option<Duration>,
    /// What.
    pub what: T,
}

/// How a swarm draws.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swarm {
    /// How long things go wrong.
    pub safety: Duration,
    /// How long the site has to become well again after that.
    pub liveness: Duration,
    /// Faults at most.
    pub faults: usize,
}

/// Something that must happen, or must not.
#[derive(Clone, Debug, PartialEq)]
pub struct Expectation {
    /// When it must hold.
    pub when: When,
    /// What must hold.
    pub what: What,
    /// The line of the scenario it stands on; zero where it was not read from one.
    pub line: usize,
}

/// When something must hold. Both ends are counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// At some moment of these.
    Within(Duration, Duration),
    /// At every moment of these.
    Always(Duration, Duration),
    /// At no moment of these.
    Never(Duration, Duration),
    /// At the end.
    End,
}

/// Something that can be seen to hold or not.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// An alarm stands.
    Alarm {
        /// Which; none: any.
        kind: Option<AlarmKind>,
        /// Any but these.
        except: Vec<AlarmKind>,
        /// At least of this priority.
        least: Priority,
        /// Whose.
        whose: Whose,
        /// Whether it is put aside; none: either way.
        aside: Option<bool>,
    },
    /// A lamp draws power, whatever anybody believes (`on`), or does not.
    Burns(EnclosureIx, LampIx, bool),
    /// A lamp is told to be on, or off, as the core has decided.
    Told(EnclosureIx, LampIx, bool),
    /// A lamp's reason holds these words.
    Because(EnclosureIx, LampIx, String),
    /// A guard stands so: `clear`, `waiting`, `tripped`, `latched`.
    Guard(EnclosureIx, LampIx, &'static str),
    /// The true temperature of a place.
    Place(EnclosureIx, Region, Bound),
    /// The last good reading of a probe.
    Probe(EnclosureIx, ProbeIx, Bound),
    /// What a perfect probe would read there.
    Truth(EnclosureIx, ProbeIx, Bound),
    /// A contactor lets current through (`closed`), or does not.
    Closed(CutOffIx, bool),
}

/// Whose alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// Anybody's.
    Any,
    /// The site's own.
    Site,
    /// An enclosure's.
    Enclosure(EnclosureIx),
}

/// Between which values a number must lie; each end may be open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bound {
    /// Above this.
    pub above: Option<f64>,
    /// Below this.
    pub below: Option<f64>,
}

impl Bound {
    /// Whether `value` lies between; a NaN lies nowhere.
    pub fn holds(self, value: f64) -> bool {
        self.above.is_none_or(|above| value > above) && self.below.is_none_or(|below| value < below) && !value.is_nan()
    }
}
