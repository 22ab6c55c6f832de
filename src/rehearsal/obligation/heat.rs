//! Heat: no place with a guard probe is truly above the limit, and what cannot be stopped is told and cut off upstream.

use super::{Scene, Since, lamp, ms, table};
use crate::control::AlarmKind;
use crate::rehearsal::oracle::{Oracle, name};
use crate::rehearsal::scenario::{Mishap, Timed};
use crate::settings::{EnclosureIx, Guard, Heat, LampIx, Output};
use crate::simulator::{Subject, Switch, World};
use crate::units::Kelvin;

/// A place may truly be this much above its limit, K: a lamp's body still warms after OFF, and probes are noisy.
const MARGIN: f64 = 3.0;
/// A fault is an excuse this long after its end, ms: heat takes its time to go.
const AFTERMATH: u64 = 2 * 3_600_000;
/// A heater that cannot be stopped must be known this long after its watch may judge, ms; a guess.
const STOPPED_WITHIN: u64 = 10 * 60_000;
/// A lamp is fully on from this share, as the program reckons it …
const FULL_ENOUGH: f64 = 0.97;
/// … and misses its target by at least this, K, to be owed an alarm: half a kelvin more than counts as reached.
const MISSES: f64 = 1.5;

/// A lamp told off that truly draws power while its own guard probe reads over the cut and does not fall.
pub(super) fn unstoppable(
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
            .is_some_and(|at| scene.now - at < 60_000.max(2 * ms(enclosure.probes[p.0].every)));
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
    let patience = ms(guard.unstoppable_after) + STOPPED_WITHIN;
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
            Subject::Switch(Switch::CutOff(c)) if Some(c) == lamp.cut_off))
    };
    let excused = scene.mishaps.iter().zip(scene.active).any(|(timed, (active, _))| *active && contactor_fails(timed));
    let closed = lamp.cut_off.and_then(|cut_off| scene.world.is_closed(cut_off)) == Some(true);
    let cut_off = (closed && !excused).then(|| format!("{heats}, and the contactor above it is closed"));
    (alarm, cut_off)
}

/// The true temperature at a guard probe is above the limit, and no fault explains it.
pub(super) fn too_hot(scene: &Scene<'_>, (e, l): (usize, usize)) -> Option<String> {
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

/// Before when [`too_hot`] finds nothing, as long as nothing switches.
pub(super) fn too_hot_not_before(now: u64, world: &World, e: usize, guard: &Guard) -> u64 {
    let most = guard.limit + Kelvin(MARGIN);
    let below = guard.probes.iter().filter_map(|p| world.stays_below(EnclosureIx(e), *p, most)).map(ms);
    below.min().map_or(u64::MAX, |below| below.max(now) + 1)
}

/// Whether a fault that lets heat in, or hides it, works on an enclosure or has until lately.
fn is_excused(scene: &Scene<'_>, e: EnclosureIx) -> bool {
    let lamps = &scene.settings.enclosures[e.0].lamps;
    let holds = |output: &Output| output.hold.is_some();
    let all_hold = lamps.iter().filter(|lamp| lamp.guard.is_some()).all(|lamp| holds(&lamp.output));
    scene.mishaps.iter().zip(scene.active).any(|(timed, (active, ended))| {
        let lately = *active || ended.is_some_and(|ended| scene.now < ended + AFTERMATH);
        let here = timed.what.enclosure().is_none_or(|whose| whose == e);
        lately && here && table::lets_heat(&timed.what, all_hold)
    })
}

/// A lamp's time of being fully on and short of its target, and what it read when that began.
#[derive(Clone, Copy, Debug)]
pub(super) struct Short {
    since: u64,
    from: f64,
    target: f64,
}

/// A thermostat's lamp is fully on by every account, and its reading neither nears the target nor gains.
pub(super) fn weak(
    scene: &Scene<'_>,
    (e, l): (usize, usize),
    shines: Since,
    full: Since,
    short: &mut Option<Short>,
) -> Option<String> {
    let heat = scene.settings.enclosures[e].lamps[l].heat?;
    let probe = &scene.settings.enclosures[e].probes[heat.probe.0];
    let (read, reading) = scene.sight.enclosures[e].probes[heat.probe.0].last()?;
    let fresh = scene.now - read <= ms(probe.stale);
    let full_for = shines.lasted(scene.now).min(full.lasted(scene.now));
    let warmest = heat.target.day.0.max(heat.target.night.0);
    if !fresh || full_for < ms(heat.weak.within) || reading >= warmest - MISSES {
        *short = None;
        return None;
    }
    let target = scene.core.target(EnclosureIx(e), LampIx(l))?.0;
    let gained = |short: &Short| reading >= short.from + heat.weak.gain.0 / 2.0;
    match short {
        _ if reading >= target - MISSES => *short = None,
        Some(known) if known.target == target && !gained(known) => {}
        _ => *short = Some(Short { since: scene.now, from: reading, target }),
    }
    let Short { since, .. } = (*short)?;
    // Twice, since a gain just before this reckoning began starts the program's own anew.
    let patience = 2 * (ms(heat.weak.within) + (heat.weak.deficit.0 / MISSES * 1000.0) as u64) + 5 * 60_000;
    let told = scene.is_told(e, &[AlarmKind::HeatWeak, AlarmKind::LampDark, AlarmKind::ProbeDoubtful]);
    (scene.now > since + patience && !told).then(|| {
        let name = name(scene.settings, EnclosureIx(e), LampIx(l));
        let lasted = (scene.now - since) / 60_000;
        format!("{name} is fully on and reads {reading:.1} of {target:.1} for {lasted} min, and nobody is told")
    })
}

/// Before when [`weak`] does not begin to reckon, as long as the lamp does not switch. While it reckons it is followed on the
/// grid.
pub(super) fn weak_not_before(heat: &Heat, track: &lamp::Track) -> u64 {
    match track.shines.0.zip(track.full.0) {
        _ if track.short.is_some() => u64::MAX,
        Some((shines, full)) => shines.max(full) + ms(heat.weak.within),
        None => u64::MAX,
    }
}

/// Whether a dimmed lamp counts as fully on.
pub(super) fn is_full(share: f64) -> bool {
    share >= FULL_ENOUGH
}
