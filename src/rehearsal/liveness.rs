//! Lamps on schedule; and after everything is healed, all well: no alarm, warm spots, guards clear.

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::photoperiod::{DayClock, Opening};
use crate::control::{Controller, Reason};
use crate::settings::{Enclosure, EnclosureIx, Lamp, LampIx, Settings, When};

use super::oracle::{Finding, name};
use super::sight::Sight;

/// Lamps are on schedule this long after healing, ms; a guess that allows for clocks, restarts and rests.
pub(super) const ON_SCHEDULE_AFTER: u64 = 4 * 3_600_000;
/// A schedule's edges do not count within this, s: the core may learn of them a moment later.
const EDGE: i64 = 120;
/// A spot is warm within this of its target, K; a guess.
const REACHED: f64 = 2.5;

/// What is still wrong at the end.
pub(super) fn at_the_end(settings: &Settings, sight: &Sight, core: Option<&Controller>, now: u64) -> Vec<Finding> {
    let Some(core) = core else { return vec![("not-well", None, "the daemon does not run".to_owned())] };
    let mut findings = Vec::new();
    for (notice, since) in sight.alarms.values() {
        let text = format!("{} stands since {} min: {}", notice.kind, (now - since) / 60_000, notice.text);
        findings.push(("not-well", notice.enclosure, text));
    }
    for (e, enclosure) in settings.enclosures.iter().enumerate() {
        let ix = EnclosureIx(e);
        let Some(view) = core.view(ix) else { continue };
        for l in 0..enclosure.lamps.len() {
            let guard = view.lamps[l].interlock.as_ref();
            if let Some(guard) = guard.filter(|guard| guard.state != "clear") {
                let why = guard.why.as_deref().unwrap_or("");
                let text = format!("the guard of {} is {}: {why}", name(settings, ix, LampIx(l)), guard.state);
                findings.push(("not-well", Some(ix), text));
            }
            if let Some(cold) = cold(enclosure, sight, e, l, view.lamps[l].target.map(|target| target.0)) {
                let level = view.lamps[l].wanted;
                let text = format!("{} {cold}, told {level}: {}", name(settings, ix, LampIx(l)), view.lamps[l].reason);
                findings.push(("not-warm-again", Some(ix), text));
            }
        }
    }
    findings
}

/// How a thermostat's spot is too cold although its lamp's hours have come.
fn cold(enclosure: &Enclosure, sight: &Sight, e: usize, l: usize, target: Option<f64>) -> Option<String> {
    let heat = enclosure.lamps[l].heat?;
    let target = target?;
    let by_day = enclosure.lamps[l].window.when != When::Night;
    let (_, reading) = sight.enclosures[e].probes[heat.probe.0].last()?;
    (by_day && reading < target - REACHED).then(|| format!("reads {reading:.1}, target {target:.1}"))
}

/// The hours of an enclosure, reckoned apart from the core's own: those of everything, and those of lamps that give UV.
#[derive(Debug)]
pub(super) struct Hours {
    all: DayClock,
    uv: DayClock,
}

impl Hours {
    fn window(&mut self, lamp: &Lamp, at: DateTime<Utc>) -> Opening {
        let by_uv = lamp.window.when == When::Day && lamp.fitting.traits().emits.uv;
        if by_uv { self.uv.window(&lamp.window, at) } else { self.all.window(&lamp.window, at) }
    }

    /// The cooling season takes the course that the core says: whether it was right to is for stories to say.
    fn follow(&mut self, core: &Controller, e: EnclosureIx) {
        let course = core.course(e);
        self.all.set_course(course);
        self.uv.set_course(course);
    }
}

/// The hours of each enclosure.
pub(super) fn hours(settings: &Settings) -> Vec<Hours> {
    let site = &settings.site;
    let hours = |enclosure: &Enclosure| {
        let of = |uv| DayClock::of(&enclosure.care, site.timezone, site.place, uv);
        Hours { all: of(false), uv: of(true) }
    };
    settings.enclosures.iter().map(hours).collect()
}

/// Lamps without a thermostat that are not as their hours say at `wall`, true time.
pub(super) fn off_schedule(
    settings: &Settings,
    hours: &mut [Hours],
    sight: &Sight,
    wall: DateTime<Utc>,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for ((e, enclosure), clock) in settings.enclosures.iter().enumerate().zip(hours) {
        for (l, lamp) in enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.heat.is_none()) {
            let edge = TimeDelta::seconds(EDGE);
            let open = [wall - edge, wall, wall + edge].map(|at| clock.window(lamp, at).open);
            let lit = !sight.enclosures[e].lamps[l].level.is_off();
            let settled = lamp.fitting.traits().restrike.value.is_zero();
            if settled && open.iter().all(|open| *open != lit) {
                let is = sight.enclosures[e].lamps[l].level;
                let (ix, lamp) = (EnclosureIx(e), LampIx(l));
                let text = format!("{} is told {is} against its hours", name(settings, ix, lamp));
                findings.push(("off-schedule", Some(ix), text));
            }
        }
    }
    findings
}

/// Lamps that are not as their hours say at `wall`, unless a person, a guard, a contactor or their shortest times hold
/// them: one without a thermostat is on within its hours, and none is on outside of them.
pub(super) fn against_hours(
    settings: &Settings,
    hours: &mut [Hours],
    sight: &Sight,
    core: &Controller,
    wall: DateTime<Utc>,
) -> Vec<Finding> {
    let mut findings = Vec::new();
    for ((e, enclosure), clock) in settings.enclosures.iter().enumerate().zip(hours) {
        clock.follow(core, EnclosureIx(e));
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            let edge = TimeDelta::seconds(EDGE);
            let open = [wall - edge, wall, wall + edge].map(|at| clock.window(lamp, at).open);
            let lit = !sight.enclosures[e].lamps[l].level.is_off();
            let wrong = if lamp.heat.is_some() { lit && open == [false; 3] } else { open == [!lit; 3] };
            let reason = wrong.then(|| Some(core.view(EnclosureIx(e))?.lamps.get(l)?.reason.clone())).flatten();
            if let Some(reason) = reason.filter(|reason| !is_held(reason)) {
                let name = name(settings, EnclosureIx(e), LampIx(l));
                let text = format!("{name} is {} against its hours: {reason}", if lit { "on" } else { "off" });
                findings.push(("off-schedule", Some(EnclosureIx(e)), text));
            }
        }
    }
    findings
}

/// For how long from `wall` on, ms, [`against_hours`] finds every lamp within its hours, as long as none switches but those
/// in `free`, which it fills: a thermostat's lamp may be either while its hours last.
pub(super) fn steady_for(
    settings: &Settings,
    hours: &mut [Hours],
    sight: &Sight,
    wall: DateTime<Utc>,
    free: &mut Vec<(EnclosureIx, LampIx)>,
) -> u64 {
    free.clear();
    let edge = TimeDelta::seconds(EDGE);
    let mut steady = u64::MAX / 4;
    for ((e, enclosure), clock) in settings.enclosures.iter().enumerate().zip(hours) {
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            let lit = !sight.enclosures[e].lamps[l].level.is_off();
            let [before, now, after] = [wall - edge, wall, wall + edge].map(|at| clock.window(lamp, at));
            let same = before.open == now.open && now.open == after.open;
            if same && now.open && lamp.heat.is_some() {
                free.push((EnclosureIx(e), LampIx(l)));
            }
            let right = lit == now.open || (lamp.heat.is_some() && !lit);
            let left = if same && right { (after.next - wall - edge).num_milliseconds() } else { 0 };
            steady = steady.min(u64::try_from(left).unwrap_or(0));
        }
    }
    steady
}

/// Whether a reason says that something else than its hours holds a lamp.
fn is_held(reason: &str) -> bool {
    let reasons =
        [Reason::Override, Reason::MinOn, Reason::MinOff { cooling: true }, Reason::MinOff { cooling: false }];
    ["guard: ", "held back: ", "waits for its turn "].iter().any(|held| reason.starts_with(held))
        || reason.starts_with("cut-off ")
        || reasons.iter().any(|known| known.to_string() == reason)
}
