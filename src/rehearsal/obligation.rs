//! What is owed where physics forbids more: within a time somebody is told, and the contactor opens.
//!
//! Judged on the grid, by what is so and by what anybody could see; how it came about does not matter, so that a fault
//! nobody thought of is covered too. Where a fault makes a promise impossible, that promise is excused for as long as it
//! works, and the others stay.
//!
//! | rule | what is owed |
//! |---|---|
//! | `too-hot` | no place with a guard probe is truly above the limit, unless a fault lets it |
//! | `silence-untold` | a silent probe is an alarm |
//! | `deafness-untold` | an output that reports otherwise for 30 s is an alarm (guard law 6) |
//! | `unstoppable-untold`, `not-cut-off` | told off and still heating: an alarm, and the contactor opens |
//! | `broker-loss-untold`, `clock-untold`, `stored-command-untold` | each is an alarm |
//! | `not-reconciled` | within 5 s of the broker's return every output is as wanted |

use crate::control::AlarmKind;
use crate::settings::{EnclosureIx, LampIx, Output, ProbeIx, Settings};
use crate::simulator::{Fault, World};

use super::oracle::{Finding, Oracle, name};
use super::scenario::{Mishap, Timed};
use super::sight::Sight;

/// A place may truly be this much above its limit, K: a lamp's body still warms after OFF, and probes are noisy.
const MARGIN: f64 = 3.0;
/// A well probe reads at most this much less than the truth, K: more than six deviations of a common thermometer and half
/// a step of it.
const OFF_TRUTH: f64 = 0.5;
/// A well probe's next reading comes within this many of its intervals; more than its beat is ever off.
const LATE: f64 = 1.05;
/// A fault is an excuse this long after its end, ms: heat takes its time to go.
const AFTERMATH: u64 = 2 * 3_600_000;
/// Alarms about silence are due this long after the stale time, ms.
const SILENCE_GRACE: u64 = 2_000;
/// An output is deaf after 30 s (guard law 6), ms, and a grid step.
const DEAF_WITHIN: u64 = 30_000;
/// A heater that cannot be stopped must be known this long after its watch may judge, ms; a guess.
const STOPPED_WITHIN: u64 = 10 * 60_000;
/// An alarm about the link or the clock is due within this, ms.
const TOLD_WITHIN: u64 = 1_500;
/// At its first start the daemon may take this long to reach the broker, ms (the core's own patience), and a second.
const FIRST_CONNECTION: u64 = 16_000;

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
}

impl Scene<'_> {
    /// Whether such a mishap is under way, or has been within `aftermath` ms.
    fn lately(&self, aftermath: u64, such: impl Fn(&Mishap) -> bool) -> bool {
        let all = self.mishaps.iter().zip(self.active);
        all.filter(|(timed, _)| such(&timed.what))
            .any(|(_, (active, ended))| *active || ended.is_some_and(|ended| self.now < ended + aftermath))
    }
}

/// Obligations under way.
#[derive(Debug)]
pub(super) struct Obligations {
    /// Since when each lamp has been told off and truly heats over its cut, with the reading then, ms.
    unstopped: Vec<Vec<Option<(u64, f64)>>>,
    /// Since when each lamp's output reports otherwise, ms.
    disagrees: Vec<Vec<Option<u64>>>,
    /// What has been found: each once.
    found: std::collections::BTreeSet<(&'static str, usize, usize)>,
}

impl Obligations {
    /// Nothing owed yet.
    pub(super) fn new(settings: &Settings) -> Obligations {
        let enclosures = || settings.enclosures.iter();
        Obligations {
            unstopped: enclosures().map(|enclosure| vec![None; enclosure.lamps.len()]).collect(),
            disagrees: enclosures().map(|enclosure| vec![None; enclosure.lamps.len()]).collect(),
            found: std::collections::BTreeSet::new(),
        }
    }

    /// The daemon has ended: nothing is owed until it runs again.
    pub(super) fn daemon_ended(&mut self) {
        self.unstopped.iter_mut().flatten().for_each(|since| *since = None);
        self.disagrees.iter_mut().flatten().for_each(|since| *since = None);
    }

    /// Whether nothing is owed or about to be, so that as long as probes are heard in time, read within what is
    /// [nothing](Obligations::nothing_below) and nothing else happens, nothing will be.
    pub(super) fn is_idle(&self) -> bool {
        let idle = |since: &Option<u64>| since.is_none();
        let unstopped = self.unstopped.iter().flatten().all(Option::is_none);
        unstopped && self.disagrees.iter().flatten().all(idle) && self.found.is_empty()
    }

    /// Below this a reading of a well probe is nothing to obligations until the next one is due: what it measures cannot get
    /// above the limit meanwhile, unless it warms faster than the guard takes any lamp to warm.
    pub(super) fn nothing_below(settings: &Settings, e: EnclosureIx, p: ProbeIx) -> f64 {
        let enclosure = &settings.enclosures[e.0];
        let every = enclosure.probes[p.0].every.as_secs_f64() * LATE;
        let guards = enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref().filter(|it| it.probes.contains(&p)));
        guards.map(|guard| guard.limit.0 + MARGIN - OFF_TRUTH - guard.slew.0 * every).fold(f64::INFINITY, f64::min)
    }

    /// Judges the grid moment.
    pub(super) fn judge(&mut self, scene: &Scene<'_>, oracle: &Oracle) -> Vec<Finding> {
        let mut findings = Vec::new();
        let mut tell = |rule, at: (usize, usize), enclosure: Option<usize>, owed: Option<String>| match owed {
            Some(text) if self.found.insert((rule, at.0, at.1)) => {
                findings.push((rule, enclosure.map(EnclosureIx), text))
            }
            Some(_) => {}
            None => _ = self.found.remove(&(rule, at.0, at.1)),
        };
        for (e, enclosure) in scene.settings.enclosures.iter().enumerate() {
            for l in 0..enclosure.lamps.len() {
                let (alarm, cut_off) = unstoppable(scene, oracle, (e, l), &mut self.unstopped[e][l]);
                tell("unstoppable-untold", (e, l), Some(e), alarm);
                tell("not-cut-off", (e, l), Some(e), cut_off);
                tell("deafness-untold", (e, l), Some(e), deaf(scene, (e, l), self.disagrees[e][l]));
                tell("too-hot", (e, l), Some(e), too_hot(scene, (e, l)));
            }
            for p in 0..enclosure.probes.len() {
                tell("silence-untold", (e, p), Some(e), silent(scene, oracle, (e, p)));
            }
        }
        tell("broker-loss-untold", (0, 0), None, broker_lost(scene));
        tell("clock-untold", (0, 0), None, clock(scene));
        findings
    }

    /// Follows whether outputs agree, at every step: for how long they have not is owed an alarm.
    pub(super) fn follow(
        &mut self,
        scene_now: u64,
        settings: &Settings,
        sight: &Sight,
        up_since: Option<u64>,
        e: usize,
    ) {
        for (l, lamp) in settings.enclosures[e].lamps.iter().enumerate() {
            let seen = &sight.enclosures[e].lamps[l];
            let agrees = seen.reported.is_some_and(|(level, _)| level.agrees_with(seen.level));
            let since = &mut self.disagrees[e][l];
            *since = match up_since {
                Some(_) if lamp.output.state.is_some() && !agrees => Some(since.unwrap_or(scene_now)),
                _ => None,
            };
        }
    }
}

fn deaf(scene: &Scene<'_>, (e, l): (usize, usize), since: Option<u64>) -> Option<String> {
    let lasted = scene.now.saturating_sub(since?.max(scene.up_since?));
    let told = scene.sight.has_alarm(Some(EnclosureIx(e)), AlarmKind::RelayDeaf);
    // A report that lags behind a level that moves is no deafness, and agrees by chance now and then.
    let lags = |what: &Mishap| {
        matches!(what, Mishap::MessagesLate(_) | Mishap::MessagesLost(_) | Mishap::Plant(Fault::RelayIsSlow(..)))
    };
    if scene.lately(60_000, lags) {
        return None;
    }
    (lasted > DEAF_WITHIN && !told).then(|| {
        let seen = &scene.sight.enclosures[e].lamps[l];
        let reports = seen.reported.map_or("nothing".to_owned(), |(level, _)| level.to_string());
        let name = name(scene.settings, EnclosureIx(e), LampIx(l));
        format!("{name} is told {} and reports {reports} for {} s, and nobody is told", seen.level, lasted / 1000)
    })
}

fn silent(scene: &Scene<'_>, oracle: &Oracle, (e, p): (usize, usize)) -> Option<String> {
    let probe = &scene.settings.enclosures[e].probes[p];
    let last = oracle.heard(EnclosureIx(e), ProbeIx(p)).last.unwrap_or(0);
    let since = last.max(scene.up_since?).max(scene.booted);
    let due = since + u64::try_from(probe.stale.as_millis()).unwrap_or(u64::MAX / 4) + SILENCE_GRACE;
    let told = scene.sight.has_alarm(Some(EnclosureIx(e)), AlarmKind::ProbeSilent);
    (scene.now > due && !told).then(|| {
        let silent = (scene.now - since) / 1000;
        format!("{}/{} is silent for {silent} s, and nobody is told", scene.settings.enclosures[e].id, probe.name)
    })
}

fn broker_lost(scene: &Scene<'_>) -> Option<String> {
    let due = match scene.down_since {
        Some(since) if since > scene.booted => since + TOLD_WITHIN,
        Some(_) => scene.booted + FIRST_CONNECTION,
        None => return None,
    };
    let told = scene.sight.has_alarm(None, AlarmKind::BrokerLost);
    (scene.now > due && !told).then(|| "the broker is lost, and nobody is told".to_owned())
}

/// A clock that jumps while the daemon runs is an alarm for as long as the core cannot have got used to it.
fn clock(scene: &Scene<'_>) -> Option<String> {
    // Its patience is 15 min; a jump is more than 60 s (the core's own numbers).
    const WITHIN: std::ops::Range<u64> = 130_000..14 * 60_000;
    let jumps = |what: &Mishap| match what {
        Mishap::ClockSteps(by) => by.abs() > 70.0,
        Mishap::ClockUnset => true,
        _ => false,
    };
    let mut under_way =
        scene.mishaps.iter().zip(scene.active).filter(|(timed, (active, _))| *active && jumps(&timed.what));
    // Two at once may cancel out.
    let (Some((timed, _)), None) = (under_way.next(), under_way.next()) else { return None };
    let at = u64::try_from(timed.at.as_millis()).unwrap_or(u64::MAX / 4);
    // One that ends as the next begins may leave the clock where it was.
    let hands_over = |ended: &Option<u64>| ended.is_some_and(|ended| ended + 120_000 >= at);
    if scene.mishaps.iter().zip(scene.active).any(|(timed, (_, ended))| jumps(&timed.what) && hands_over(ended)) {
        return None;
    }
    let told = scene.sight.has_alarm(None, AlarmKind::ClockDoubtful);
    let due = at > scene.booted && WITHIN.contains(&(scene.now - at)) && !told;
    due.then(|| "the clock has jumped, and nobody is told".to_owned())
}

/// A lamp told off that truly draws power while its own guard probe reads over the cut and does not fall.
fn unstoppable(
    scene: &Scene<'_>,
    oracle: &Oracle,
    (e, l): (usize, usize),
    since: &mut Option<(u64, f64)>,
) -> (Option<String>, Option<String>) {
    let enclosure = &scene.settings.enclosures[e];
    let lamp = &enclosure.lamps[l];
    let Some(guard) = &lamp.guard else { return (None, None) };
    let ix = EnclosureIx(e);
    let draws = scene.world.power(ix, LampIx(l)).is_some_and(|power| power.0 > 5.0);
    let reading = guard.probes.iter().filter_map(|p| {
        let fresh = oracle
            .heard(ix, *p)
            .last
            .is_some_and(|at| scene.now - at < 60_000.max(2 * enclosure.probes[p.0].every.as_millis() as u64));
        scene.sight.enclosures[e].probes[p.0].last().filter(|_| fresh).map(|(_, value)| value)
    });
    let hottest = reading.fold(f64::NEG_INFINITY, f64::max);
    let seen = &scene.sight.enclosures[e].lamps[l];
    let hot = seen.level.is_off() && draws && hottest >= guard.cut.0 + 0.5 && scene.up_since.is_some();
    *since = match *since {
        Some((at, lowest)) if hot && hottest > lowest - 0.5 => Some((at, lowest.min(hottest))),
        _ if hot => Some((scene.now, hottest)),
        _ => None,
    };
    let Some((at, _)) = *since else { return (None, None) };
    let patience = u64::try_from(guard.unstoppable_after.as_millis()).unwrap_or(u64::MAX / 4) + STOPPED_WITHIN;
    let at = at.max(seen.since).max(scene.up_since.unwrap_or(0)).max(scene.booted);
    if scene.now < at + patience {
        return (None, None);
    }
    let name = name(scene.settings, ix, LampIx(l));
    let heats = format!("{name} is told off, draws power and reads {hottest:.1} for {} min", (scene.now - at) / 60_000);
    let told = scene.sight.has_alarm(Some(ix), AlarmKind::HeatUnstoppable)
        || scene.sight.has_alarm(Some(ix), AlarmKind::RelayDeaf);
    let alarm = (!told).then(|| format!("{heats}, and nobody is told"));
    let contactor_fails = |timed: &Timed<Mishap>| {
        matches!(&timed.what, Mishap::Plant(fault) if matches!(fault.subject(),
            crate::simulator::Subject::Switch(crate::simulator::Switch::CutOff(c)) if Some(c) == lamp.cut_off))
    };
    let excused = scene.mishaps.iter().zip(scene.active).any(|(timed, (active, _))| *active && contactor_fails(timed));
    let closed = lamp.cut_off.and_then(|cut_off| scene.world.is_closed(cut_off)) == Some(true);
    let cut_off = (closed && !excused).then(|| format!("{heats}, and the contactor above it is closed"));
    (alarm, cut_off)
}

/// The true temperature at a guard probe is above the limit, and no fault explains it.
fn too_hot(scene: &Scene<'_>, (e, l): (usize, usize)) -> Option<String> {
    let enclosure = &scene.settings.enclosures[e];
    let guard = enclosure.lamps[l].guard.as_ref()?;
    let ix = EnclosureIx(e);
    let truths = guard.probes.iter().filter_map(|p| scene.world.truth(ix, *p));
    let hottest = truths.fold(f64::NEG_INFINITY, f64::max);
    if hottest <= guard.limit.0 + MARGIN || is_excused(scene, ix) {
        return None;
    }
    Some(format!(
        "{} is truly at {hottest:.1} °C, and the limit is {}",
        name(scene.settings, ix, LampIx(l)),
        guard.limit
    ))
}

/// Whether a fault that lets heat in, or hides it, works on an enclosure or has until lately.
fn is_excused(scene: &Scene<'_>, e: EnclosureIx) -> bool {
    let lamps = &scene.settings.enclosures[e.0].lamps;
    let holds = |output: &Output| output.hold.is_some();
    let all_hold = lamps.iter().filter(|lamp| lamp.guard.is_some()).all(|lamp| holds(&lamp.output));
    scene.mishaps.iter().zip(scene.active).any(|(timed, (active, ended))| {
        let lately = *active || ended.is_some_and(|ended| scene.now < ended + AFTERMATH);
        let here = timed.what.enclosure().is_none_or(|whose| whose == e);
        lately && here && lets_heat(&timed.what, all_hold)
    })
}

/// Classes of the plant's faults that neither let heat in nor hide it.
const HARMLESS: [&str; 19] = [
    "power-fails",
    "brown-out",
    "window-opens",
    "draught",
    "dirt-gathers",
    "uv-dies",
    "lamp-breaks",
    "lamp-flickers",
    "lamp-ages-fast",
    "relay-stays-open",
    "relay-reboots",
    "report-freezes",
    "report-lost",
    "probe-silent",
    "probe-reboots",
    "probe-slow",
    "probe-jitter",
    "probe-duplicates",
    "probe-retains",
];

/// Whether a mishap can make a place hotter than the guard lets it, or hide that it is.
fn lets_heat(what: &Mishap, all_hold: bool) -> bool {
    match what {
        Mishap::Plant(fault) => !HARMLESS.contains(&fault.class()),
        Mishap::MessagesLate(_) | Mishap::MessagesLost(_) | Mishap::StoredCommand(..) => true,
        Mishap::ClockSteps(_) | Mishap::ClockDrifts(_) | Mishap::ClockUnset | Mishap::DiskFull => false,
        Mishap::BrokerStops | Mishap::BrokerVanishes | Mishap::BrokerForgets | Mishap::HalfOpen => !all_hold,
        Mishap::DaemonDies | Mishap::DaemonStops => !all_hold,
    }
}
