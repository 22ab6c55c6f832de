//! Probes: what does not speak, does not move, or talks nonsense.

use super::lamp;
use super::{LampAt, Scene, Since, lamp_name, ms, probe_name};
use crate::control::AlarmKind;
use crate::rehearsal::oracle::Oracle;
use crate::rehearsal::sight::Seen;
use crate::settings::{Enclosure, EnclosureIx, Guard, ProbeIx};

/// Alarms about silence are due this long after the stale time, ms.
const SILENCE_GRACE: u64 = 2_000;
/// A reading that no such probe can mean is an alarm until this long after it, ms (the program's ten minutes), less a
/// little.
const DOUBT_LASTS: u64 = 9 * 60_000;
/// A frozen probe is told this long after the guard may judge, ms.
const FROZEN_GRACE: u64 = 60_000;
/// So many readings after the switch must say the same; one more than the guard asks for.
const FROZEN_READINGS: u64 = 6;
/// A probe that says exactly the same for so long, ms (the program's two hours, and a little), while its lamp does one
/// thing, and that is as warm as by day within so many K, is told.
const STILL: u64 = 2 * 3_600_000 + 5 * 60_000;
const STILL_WARM: f64 = 1.0;
/// A meter reading is set against what the probe says within this, ms (the program's five minutes), and a little.
const GAIN_SETTLES: u64 = 6 * 60_000;
/// Twins are apart for certain by this much more than the limit, K.
const CLEARLY_APART: f64 = 0.5;

/// What is known of a probe.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Track {
    last: Option<(u64, f64)>,
    same_since: u64,
    /// Good readings so far.
    pub said: u64,
    doubted: Option<u64>,
    /// UV is judged from then on: before, its gain was another, ms.
    pub judged_from: u64,
    /// The UVI is over the ceiling.
    pub over: Since,
    /// All its lamps are warm, and the UVI is above the band, below it, or next to nothing.
    pub above: Since,
    pub below: Since,
    pub dark: Since,
}

impl Track {
    /// Takes in a good reading; tells whether it comes after a silence.
    pub(super) fn read(&mut self, now: u64, value: f64, stale: u64) -> bool {
        let gap = self.last.is_none_or(|(at, _)| now - at > stale);
        if self.last.is_none_or(|(_, last)| last != value) {
            self.same_since = now;
        }
        self.last = Some((now, value));
        self.said += 1;
        gap
    }

    /// Takes in so many good readings that came in time: the last of them, and when one last differed from that before it.
    pub(super) fn read_row(&mut self, last: (u64, f64), changed: Option<u64>, many: u64) {
        self.same_since = changed.unwrap_or(self.same_since);
        self.last = Some(last);
        self.said += many;
    }

    /// A person has reset the guards: a UV lamp over its ceiling is given its patience again.
    pub(super) fn reset(&mut self) {
        self.over = Since::default();
    }

    /// A meter was read, or a lamp was changed: the gain is another once that is settled.
    pub(super) fn gain_changes(&mut self, now: u64) {
        self.judged_from = now + GAIN_SETTLES;
    }

    /// Whether it has said nothing of late that must be told.
    pub(super) fn is_believed(&self, now: u64) -> bool {
        self.doubted.is_none_or(|at| now > at + DOUBT_LASTS)
    }

    pub(super) fn nonsense(&mut self, now: u64) {
        self.doubted = Some(now);
    }
}

/// A silent probe is an alarm.
pub(super) fn silent(scene: &Scene<'_>, oracle: &Oracle, (e, p): (usize, usize)) -> Option<String> {
    let probe = &scene.settings.enclosures[e].probes[p];
    let last = oracle.heard(EnclosureIx(e), ProbeIx(p)).last.unwrap_or(0);
    let since = last.max(scene.up_since?).max(scene.booted);
    let due = since + ms(probe.stale) + SILENCE_GRACE;
    (scene.now > due && !scene.is_told(e, &[AlarmKind::ProbeSilent])).then(|| {
        let silent = (scene.now - since) / 1000;
        format!("{} is silent for {silent} s, and nobody is told", probe_name(scene, (e, p)))
    })
}

/// A probe that has just talked nonsense is an alarm.
pub(super) fn doubtful(scene: &Scene<'_>, at: (usize, usize), track: &Track) -> Option<String> {
    let since = scene.now - track.doubted?;
    let due = (super::TOLD_WITHIN..DOUBT_LASTS).contains(&since);
    let told = scene.is_told(at.0, &[AlarmKind::ProbeDoubtful]);
    (due && !told).then(|| format!("{} talks nonsense, and nobody is told", probe_name(scene, at)))
}

/// A guard's probe that says the same as before its lamp switched, or the same for long under a lamp fully on, is frozen:
/// there is no heat, and somebody is told.
pub(super) fn frozen(scene: &Scene<'_>, at: LampAt, track: &lamp::Track, probes: &[Track]) -> Option<String> {
    let guard = scene.settings.enclosures[at.0].lamps[at.1].guard.as_ref()?;
    let after = ms(guard.frozen_after);
    let since_switch = |ProbeIx(p): ProbeIx| {
        let (switched, said) = track.tested.as_ref()?;
        let due = scene.now >= switched + after + FROZEN_GRACE;
        let stands = probes[p].same_since < *switched && probes[p].said >= said[p] + FROZEN_READINGS;
        Some(due && stands)
    };
    let under_full = |ProbeIx(p): ProbeIx| {
        let stood = scene.now.saturating_sub(probes[p].same_since).min(track.full.lasted(scene.now));
        stood >= 2 * after + FROZEN_GRACE
    };
    let heard = |p: ProbeIx| probes[p.0].last.is_some_and(|(at, _)| scene.now - at <= FROZEN_GRACE);
    let stands = |p: &&ProbeIx| heard(**p) && (since_switch(**p) == Some(true) || under_full(**p));
    let ProbeIx(p) = guard.probes.iter().find(stands)?;
    let name = probe_name(scene, (at.0, *p));
    let for_long = (scene.now - probes[*p].same_since) / 60_000;
    let told = scene.is_told(at.0, &[AlarmKind::ProbeDoubtful, AlarmKind::ProbeSilent]);
    let on = !scene.sight.enclosures[at.0].lamps[at.1].level.is_off();
    match (told, on) {
        (false, _) => Some(format!("{name} stands still for {for_long} min, and nobody is told")),
        (true, true) => Some(format!("{name} stands still for {for_long} min, and {} is on", lamp_name(scene, at))),
        (true, false) => None,
    }
}

/// Before when [`frozen`] finds nothing of one of a guard's probes, as long as nothing switches.
pub(super) fn frozen_not_before(now: u64, guard: &Guard, lamp: &lamp::Track, track: &Track) -> u64 {
    let after = ms(guard.frozen_after);
    let since_switch = lamp.tested.as_ref().filter(|(switched, _)| track.same_since < *switched);
    let since_switch = since_switch.map_or(u64::MAX, |(switched, _)| switched + after + FROZEN_GRACE);
    let full = lamp.full.0.map_or(u64::MAX, |full| full.max(track.same_since) + 2 * after + FROZEN_GRACE);
    since_switch.min(full).max(now)
}

/// Before when [`still`] finds nothing, as long as nothing switches.
pub(super) fn still_not_before(lamp: &lamp::Track, track: &Track) -> u64 {
    lamp.off.0.map_or(u64::MAX, |off| off.max(track.same_since) + STILL)
}

/// A probe that says exactly the same for long, as warm as by day beside a lamp that is off, is told.
pub(super) fn still(scene: &Scene<'_>, at: LampAt, track: &lamp::Track, probes: &[Track]) -> Option<String> {
    let heat = scene.settings.enclosures[at.0].lamps[at.1].heat?;
    let (probe, settings) = (&probes[heat.probe.0], &scene.settings.enclosures[at.0].probes[heat.probe.0]);
    let (read, value) = probe.last.filter(|(read, _)| scene.now - read <= ms(settings.stale))?;
    let warm = value >= heat.target.day.0 - STILL_WARM;
    let lasted = track.off.lasted(scene.now).min(read.saturating_sub(probe.same_since));
    let told = scene.is_told(at.0, &[AlarmKind::ProbeDoubtful, AlarmKind::ProbeSilent]);
    (warm && lasted > STILL && !told).then(|| {
        let name = probe_name(scene, (at.0, heat.probe.0));
        format!("{name} says exactly {value} for {} min, and nobody is told", lasted / 60_000)
    })
}

/// Follows whether the probes of a guard agree.
pub(super) fn twins(now: u64, enclosure: &Enclosure, seen: &Seen, lamps: &mut [lamp::Track], p: ProbeIx) {
    for (lamp, track) in enclosure.lamps.iter().zip(lamps) {
        let Some(guard) = lamp.guard.as_ref().filter(|guard| guard.probes.len() > 1 && guard.probes.contains(&p))
        else {
            continue;
        };
        let fresh = |p: &ProbeIx| {
            let stale = ms(enclosure.probes[p.0].stale);
            seen.probes[p.0].last().filter(|(at, _)| now - at <= stale).map(|(_, value)| value)
        };
        let readings: Option<Vec<f64>> = guard.probes.iter().map(fresh).collect();
        let spread = readings.map(|readings| {
            let (hot, cool) = readings.iter().fold((f64::MIN, f64::MAX), |(hot, cool), r| (hot.max(*r), cool.min(*r)));
            hot - cool
        });
        track.apart.set(now, spread.is_some_and(|spread| spread > guard.twins_apart.0 + CLEARLY_APART));
    }
}

/// Guard probes that disagree for long are an alarm.
pub(super) fn apart(scene: &Scene<'_>, at: LampAt, track: &lamp::Track) -> Option<String> {
    let guard = scene.settings.enclosures[at.0].lamps[at.1].guard.as_ref()?;
    if !guard.probes.iter().all(|p| scene.is_fresh(at.0, *p)) {
        return None;
    }
    let lasted = track.apart.lasted(scene.now);
    let told = scene.is_told(at.0, &[AlarmKind::ProbeDoubtful, AlarmKind::ProbeSilent]);
    (lasted > ms(guard.twins_for) + 2 * 60_000 && !told).then(|| {
        format!("the probes of {} disagree for {} min, and nobody is told", lamp_name(scene, at), lasted / 60_000)
    })
}
