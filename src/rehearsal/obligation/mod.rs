//! What is owed where physics forbids more: within a time somebody is told, and the contactor opens.
//!
//! Judged on the grid, by what is so and by what anybody could see; how it came about does not matter, so that a fault
//! nobody thought of is covered too. Where a fault makes a promise impossible, that promise is excused for as long as it
//! works, and the others stay. Which class of faults owes what stands in [`OWED`], one line each.
//!
//! | file | rules |
//! |---|---|
//! | `heat` | `too-hot`, `unstoppable-untold`, `not-cut-off`, `weakness-untold` |
//! | `probe` | `silence-untold`, `frozen-untold`, `stillness-untold`, `doubt-untold`, `twins-untold` |
//! | `lamp` | `deafness-untold`, `darkness-untold`, `uv-untold`, `over-ceiling` |
//! | `site` | `broker-loss-untold`, `clock-untold`, `stored-command-untold`, `contactor-untold`, `disk-untold`, `refusal-untold`, `override-outlasts` |

mod heat;
mod lamp;
mod probe;
mod quiet;
mod site;
mod table;

pub use table::{OWED, Owed};

use std::collections::BTreeSet;
use std::time::Duration;

use crate::control::{Act, AlarmKind, Controller, OutputRef};
use crate::settings::{Enclosure, EnclosureIx, Lamp, LampIx, Measures, ProbeIx, Settings};
use crate::simulator::World;
use crate::units::Level;

use super::oracle::{Finding, Oracle};
use super::scenario::{Mishap, Timed};
use super::sight::Sight;

/// An alarm that needs no waiting is due within this, ms.
const TOLD_WITHIN: u64 = 1_500;

fn ms(span: Duration) -> u64 {
    u64::try_from(span.as_millis()).unwrap_or(u64::MAX / 4)
}

/// What obligations are judged by.
pub(super) struct Scene<'a> {
    /// Now, ms.
    pub now: u64,
    /// The site.
    pub settings: &'a Settings,
    /// What can be seen.
    pub sight: &'a Sight,
    /// What is so.
    pub world: &'a World,
    /// The core: for targets and reasons alone.
    pub core: &'a Controller,
    /// The story's mishaps …
    pub mishaps: &'a [Timed<Mishap>],
    /// … whether each is under way, and when it ended, ms.
    pub active: &'a [(bool, Option<u64>)],
    /// When the daemon started, ms.
    pub booted: u64,
    /// Since when the link has been up, where it is, ms.
    pub up_since: Option<u64>,
    /// Since when the daemon has known that the link is down, where it is, ms.
    pub down_since: Option<u64>,
    /// How far the wall clock is off, ms, and whether it is set.
    pub clock: (i64, bool),
    /// Since when the daemon has known that its disk takes nothing, where it does, ms.
    pub disk_failing: Option<u64>,
}

impl Scene<'_> {
    /// Whether a probe has been heard lately enough that what it said still counts.
    fn is_fresh(&self, e: usize, ProbeIx(p): ProbeIx) -> bool {
        let stale = ms(self.settings.enclosures[e].probes[p].stale);
        self.sight.enclosures[e].probes[p].last().is_some_and(|(at, _)| self.now - at <= stale)
    }

    /// Whether an enclosure has an alarm of one of these kinds.
    fn is_told(&self, e: usize, kinds: &[AlarmKind]) -> bool {
        kinds.iter().any(|kind| self.sight.has_alarm(Some(EnclosureIx(e)), *kind))
    }
}

/// Since when something has been so without a break, ms.
#[derive(Clone, Copy, Debug, Default)]
struct Since(Option<u64>);

impl Since {
    fn set(&mut self, now: u64, so: bool) {
        self.0 = so.then(|| self.0.unwrap_or(now));
    }

    /// For how long, ms; zero where it is not so.
    fn lasted(self, now: u64) -> u64 {
        self.0.map_or(0, |since| now.saturating_sub(since))
    }
}

/// Obligations under way.
#[derive(Debug)]
pub(super) struct Obligations {
    lamps: Vec<Vec<lamp::Track>>,
    probes: Vec<Vec<probe::Track>>,
    site: site::Track,
    /// What has been found: each once for as long as it lasts.
    found: BTreeSet<(&'static str, usize, usize)>,
}

impl Obligations {
    /// Nothing owed yet.
    pub(super) fn new(settings: &Settings) -> Obligations {
        let enclosures = || settings.enclosures.iter();
        Obligations {
            lamps: enclosures().map(|enclosure| vec![lamp::Track::default(); enclosure.lamps.len()]).collect(),
            probes: enclosures().map(|enclosure| vec![probe::Track::default(); enclosure.probes.len()]).collect(),
            site: site::Track::new(settings),
            found: BTreeSet::new(),
        }
    }

    /// The daemon has ended: nothing is owed until it runs again.
    pub(super) fn daemon_ended(&mut self, settings: &Settings) {
        let found = std::mem::take(&mut self.found);
        let hands: Vec<_> = self.lamps.iter().flatten().map(lamp::Track::hand).collect();
        *self = Obligations { found, ..Obligations::new(settings) };
        self.lamps.iter_mut().flatten().zip(hands).for_each(|(track, hand)| track.keep_hand(hand));
    }

    /// The daemon has started, and its clock is off by `clock`, the last wall time on its disk by `last_known`.
    pub(super) fn daemon_started(&mut self, now: u64, clock: (i64, bool), last_known: Option<i64>) {
        self.site.clock = site::Belief::started(now, clock, last_known);
        self.lamps.iter_mut().flatten().for_each(|track| track.started(now, clock.0));
    }

    /// The keeper does something.
    pub(super) fn act(&mut self, now: u64, act: &Act, clock: (i64, bool)) {
        match act {
            Act::Reset { enclosure, .. } => {
                self.lamps[enclosure.0].iter_mut().for_each(lamp::Track::reset);
                self.probes[enclosure.0].iter_mut().for_each(probe::Track::reset);
            }
            Act::MeterReading { enclosure, .. } | Act::LampChange { enclosure, .. } => {
                self.probes[enclosure.0].iter_mut().for_each(|probe| probe.gain_changes(now));
            }
            Act::Override { enclosure, lamp, level, span } => {
                self.lamps[enclosure.0][lamp.0].set_by_hand(now, level.map(|_| *span), clock.0);
            }
            _ => {}
        }
    }

    /// Whether a probe's readings are nothing but a sign of its life: no twin is set against it, and it tells of no lamp's
    /// light or power.
    pub(super) fn is_alone(enclosure: &Enclosure, p: ProbeIx) -> bool {
        let tells = |lamp: &Lamp| {
            let twins = lamp.guard.as_ref().is_some_and(|guard| guard.probes.len() > 1 && guard.probes.contains(&p));
            twins || lamp.lights == Some(p) || lamp.power_probe == Some(p)
        };
        enclosure.probes[p.0].measures != Measures::Uvi && !enclosure.lamps.iter().any(tells)
    }

    /// What [`Obligations::reading`] does with a reading of a probe that [is alone](Obligations::is_alone).
    pub(super) fn heard(&mut self, now: u64, settings: &Settings, (e, p): (EnclosureIx, ProbeIx), value: f64) {
        self.probes[e.0][p.0].read(now, value, ms(settings.enclosures[e.0].probes[p.0].stale));
    }

    /// The same with so many readings, none of which comes late: the last of them, and when one last differed from the one
    /// before it.
    pub(super) fn heard_row(
        &mut self,
        (e, p): (EnclosureIx, ProbeIx),
        last: (u64, f64),
        changed: Option<u64>,
        many: u64,
    ) {
        self.probes[e.0][p.0].read_row(last, changed, many);
    }

    /// A good live reading came to the core.
    pub(super) fn reading(
        &mut self,
        now: u64,
        settings: &Settings,
        sight: &Sight,
        (e, p): (EnclosureIx, ProbeIx),
        value: f64,
    ) {
        let (enclosure, lamps) = (&settings.enclosures[e.0], &mut self.lamps[e.0]);
        let track = &mut self.probes[e.0][p.0];
        let gap = track.read(now, value, ms(enclosure.probes[p.0].stale));
        lamp::reading(now, enclosure, (lamps, track), p, (value, gap));
        probe::twins(now, enclosure, &sight.enclosures[e.0], lamps, p);
    }

    /// A probe has said something that no such probe can mean.
    pub(super) fn nonsense(&mut self, now: u64, (e, p): (EnclosureIx, ProbeIx)) {
        self.probes[e.0][p.0].nonsense(now);
    }

    /// An output was told a level.
    pub(super) fn commanded(&mut self, now: u64, output: OutputRef, level: Level, sight: &Sight) {
        if let OutputRef::CutOff(cut_off) = output {
            self.site.contactor(now, cut_off, Some(level), sight);
        }
    }

    /// An output's report is about to be handed to the core.
    pub(super) fn reported(&mut self, now: u64, output: OutputRef, sight: &Sight) {
        match output {
            OutputRef::Lamp(e, l) => self.lamps[e.0][l.0].reported(sight.lamp(e, l)),
            OutputRef::CutOff(cut_off) => self.site.contactor(now, cut_off, None, sight),
        }
    }

    /// The link is up, or down.
    pub(super) fn link(&mut self) {
        self.site.link();
    }

    /// The core was handed a retained message on a command topic.
    pub(super) fn stored(&mut self, now: u64, output: OutputRef) {
        self.site.stored.push((output, now));
    }

    /// The core was handed a configuration that was refused (`Some`) or a good one.
    pub(super) fn reloaded(&mut self, refused: Option<u64>) {
        self.site.refused = refused;
    }

    /// What schedules must go by: how far that is off the truth, ms; none where that is open.
    pub(super) fn schedules_by(&self) -> Option<i64> {
        self.site.clock.schedules_by()
    }

    /// Follows outputs and lamps, at every step.
    pub(super) fn follow(&mut self, now: u64, settings: &Settings, sight: &Sight, up: bool, e: usize) {
        let probes = &self.probes[e];
        for (l, (track, seen)) in self.lamps[e].iter_mut().zip(&sight.enclosures[e].lamps).enumerate() {
            track.follow(now, &settings.enclosures[e].lamps[l], seen, up, probes);
        }
    }

    /// Whether a lamp is fully on and short of its target, which is followed from one moment of the grid to the next.
    pub(super) fn follows_weakness(&self) -> bool {
        self.lamps.iter().flatten().any(|track| track.short.is_some())
    }

    /// Judges the grid moment for what [is followed](Obligations::follows_weakness) alone.
    pub(super) fn judge_weakness(&mut self, scene: &Scene<'_>) -> Vec<Finding> {
        let mut findings = Vec::new();
        for (e, lamps) in self.lamps.iter_mut().enumerate() {
            for (l, track) in lamps.iter_mut().enumerate().filter(|(_, track)| track.short.is_some()) {
                let weak = heat::weak(scene, (e, l), track.shines, track.full, &mut track.short);
                findings.extend(newly(&mut self.found, "weakness-untold", (e, l), Some(e), weak));
            }
        }
        findings
    }

    /// Judges the grid moment.
    pub(super) fn judge(&mut self, scene: &Scene<'_>, oracle: &Oracle) -> Vec<Finding> {
        let mut findings = Vec::new();
        let found = &mut self.found;
        let mut tell = |rule, at, enclosure, owed| findings.extend(newly(found, rule, at, enclosure, owed));
        for (e, enclosure) in scene.settings.enclosures.iter().enumerate() {
            for l in 0..enclosure.lamps.len() {
                let at = (e, l);
                let track = &mut self.lamps[e][l];
                let (alarm, cut_off) = heat::unstoppable(scene, oracle, at, &mut track.unstopped);
                tell("unstoppable-untold", at, Some(e), alarm);
                tell("not-cut-off", at, Some(e), cut_off);
                tell("too-hot", at, Some(e), heat::too_hot(scene, at));
                let weak = heat::weak(scene, at, track.shines, track.full, &mut track.short);
                tell("weakness-untold", at, Some(e), weak);
                tell("deafness-untold", at, Some(e), lamp::deaf(scene, at, track));
                tell("darkness-untold", at, Some(e), lamp::dark(scene, at, track));
                tell("over-ceiling", at, Some(e), lamp::over_ceiling(scene, at, &self.probes[e]));
                tell("override-outlasts", at, Some(e), lamp::overridden(scene, at, track));
                tell("frozen-untold", at, Some(e), probe::frozen(scene, at, track, &self.probes[e]));
                tell("stillness-untold", at, Some(e), probe::still(scene, at, track, &self.probes[e]));
                tell("twins-untold", at, Some(e), probe::apart(scene, at, track));
            }
            for p in 0..enclosure.probes.len() {
                tell("silence-untold", (e, p), Some(e), probe::silent(scene, oracle, (e, p)));
                tell("doubt-untold", (e, p), Some(e), probe::doubtful(scene, (e, p), &self.probes[e][p]));
                tell("uv-untold", (e, p), Some(e), lamp::uv(scene, (e, p), &self.probes[e][p]));
            }
        }
        for (rule, owed) in self.site.judge(scene) {
            tell(rule, (0, 0), None, owed);
        }
        findings
    }
}

/// What is owed, where that has not been found before; `found`: each once for as long as it lasts.
fn newly(
    found: &mut BTreeSet<(&'static str, usize, usize)>,
    rule: &'static str,
    at: (usize, usize),
    enclosure: Option<usize>,
    owed: Option<String>,
) -> Option<Finding> {
    let key = (rule, at.0, at.1);
    match owed {
        Some(text) => found.insert(key).then(|| (rule, enclosure.map(EnclosureIx), text)),
        None => {
            // Most of the time nothing has been found at all.
            if !found.is_empty() {
                found.remove(&key);
            }
            None
        }
    }
}

/// What is known of a lamp, by its place.
type LampAt = (usize, usize);

/// A lamp's name with its enclosure's.
fn lamp_name(scene: &Scene<'_>, (e, l): LampAt) -> String {
    super::oracle::name(scene.settings, EnclosureIx(e), LampIx(l))
}

/// A probe's name with its enclosure's.
fn probe_name(scene: &Scene<'_>, (e, p): (usize, usize)) -> String {
    let enclosure = &scene.settings.enclosures[e];
    format!("{}/{}", enclosure.id, enclosure.probes[p].name)
}
