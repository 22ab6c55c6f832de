//! Until when nothing can be owed, as long as nothing happens but readings below every cut from probes that are well.
//!
//! For each rule the soonest moment is reckoned at which it could find anything, or at which what it keeps for itself could
//! change; up to there to judge would find nothing. Where a rule is on to something the answer is: now.

use super::lamp::{self, uv_withins};
use super::{Obligations, Since, heat, ms, probe};
use crate::control::Reason;
use crate::rehearsal::sight::{LampSeen, ProbeSeen, Sight};
use crate::settings::{Lamp, Measures, ProbeIx, Settings};
use crate::simulator::World;

impl Since {
    /// The soonest moment at which it can have lasted for so long.
    pub(super) fn can_last(self, now: u64, span: u64) -> u64 {
        self.0.unwrap_or(now).saturating_add(span)
    }
}

impl Obligations {
    /// Until when nothing can be owed.
    pub(in crate::rehearsal) fn quiet_until(
        &self,
        now: u64,
        settings: &Settings,
        (sight, world): (&Sight, &World),
        clock: (i64, bool),
    ) -> u64 {
        if !self.found.is_empty() || !self.site.is_quiet(clock) {
            return now;
        }
        let mut until = u64::MAX;
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            let (probes, seen) = (&self.probes[e], &sight.enclosures[e]);
            for ((lamp, track), seen_lamp) in enclosure.lamps.iter().zip(&self.lamps[e]).zip(&seen.lamps) {
                until = until.min(lamp_quiet_until(now, (lamp, track, seen_lamp), probes, &seen.probes));
                let too_hot = lamp.guard.as_ref().map(|guard| heat::too_hot_not_before(now, world, e, guard));
                until = until.min(too_hot.unwrap_or(u64::MAX));
            }
            for (settings, track) in enclosure.probes.iter().zip(probes) {
                if !track.is_believed(now) {
                    return now;
                }
                if settings.measures == Measures::Uvi && enclosure.care.uv.is_some() {
                    let outside = [track.dark, track.below, track.above, track.over];
                    let ends = outside.into_iter().zip(uv_withins()).map(|(since, within)| since.can_last(now, within));
                    until = ends.fold(until, u64::min);
                }
            }
        }
        until
    }
}

fn lamp_quiet_until(
    now: u64,
    (lamp, track, seen): (&Lamp, &lamp::Track, &LampSeen),
    probes: &[probe::Track],
    heard: &[ProbeSeen],
) -> u64 {
    let mut until = track.quiet_until(now, lamp, probes, matches!(seen.reason, Some(Reason::Override)));
    if let Some(guard) = &lamp.guard {
        // Not to be stopped.
        let below = |p: &ProbeIx| heard[p.0].last().is_some_and(|(_, value)| value < guard.cut.0);
        if track.unstopped.is_some() || !guard.probes.iter().all(below) {
            return now;
        }
        for p in &guard.probes {
            until = until.min(probe::frozen_not_before(now, guard, track, &probes[p.0]));
        }
        if guard.probes.len() > 1 {
            until = until.min(track.apart.can_last(now, ms(guard.twins_for)));
        }
    }
    if let Some(heat) = lamp.heat {
        until = until.min(heat::weak_not_before(&heat, track));
        until = until.min(probe::still_not_before(track, &probes[heat.probe.0]));
    }
    until
}
