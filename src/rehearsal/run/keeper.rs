//! What the keeper does in a rehearsal, and what the person does who heals everything.

use std::time::Duration;

use super::{Run, ms};
use crate::control::{Act, MeterReading};
use crate::rehearsal::scenario::Scenario;
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Measures, Probe, ProbeIx, Settings};
use crate::units::Uvi;

/// After everything is healed a person comes, ends overrides and resets what must be reset, at these times, ms; guesses.
const ROUNDS: [u64; 3] = [60_000, 2 * 3_600_000, 3 * 3_600_000];
/// Where a meter was read, that person measures too, this long after each round, ms: a tube has warmed up by then, and one
/// that a wrong gain puts over its ceiling has not been switched off yet.
const MEASURES_AFTER: u64 = 9 * 60_000;
impl Run<'_> {
    /// Once everything is healed, a person who holds a meter reads it right.
    pub(super) fn measured_rightly(&self, act: Act) -> Act {
        match act {
            Act::MeterReading { enclosure, mut reading }
                if self.scenario.healed.is_some_and(|at| self.now >= ms(at)) =>
            {
                let beside =
                    uv_probes(&self.settings.enclosures[enclosure.0]).find(|(_, probe)| probe.spot == reading.spot);
                let truth = beside.and_then(|(p, _)| self.world.truth(enclosure, p));
                reading.uvi = truth.map_or(reading.uvi, |uvi| Uvi(uvi.max(0.0)));
                Act::MeterReading { enclosure, reading }
            }
            other => other,
        }
    }
}

/// What the keeper does, in order of time: the story's acts, and the rounds after healing.
pub(super) fn acts(scenario: &Scenario) -> Vec<(u64, Act)> {
    let mut acts: Vec<_> = scenario.acts.iter().map(|(at, act)| (ms(*at), act.clone())).collect();
    if let Some(healed) = scenario.healed {
        let settings = &scenario.site.settings;
        let measures = scenario.acts.iter().any(|(_, act)| matches!(act, Act::MeterReading { .. }));
        for round in ROUNDS {
            let at = ms(healed) + round;
            if measures {
                acts.extend(remeasured(settings, at, round == ROUNDS[0]));
            }
            let cut_offs = (0..settings.cut_offs.len()).map(CutOffIx);
            acts.extend(cut_offs.map(|cut_off| (at, Act::ResetCutOff { cut_off })));
            for enclosure in (0..settings.enclosures.len()).map(EnclosureIx) {
                let hands_off = |lamp| Act::Override { enclosure, lamp, level: None, span: Duration::ZERO };
                let lamps = (0..settings.enclosures[enclosure.0].lamps.len()).map(LampIx);
                acts.extend(lamps.map(|lamp| (at, hands_off(lamp))));
                acts.push((at, Act::Reset { enclosure, lamp: None }));
                acts.push((at, Act::Acknowledge { enclosure: Some(enclosure), kind: None }));
            }
            acts.push((at, Act::Acknowledge { enclosure: None, kind: None }));
        }
    }
    acts.sort_by_key(|(at, _)| *at);
    acts
}

/// The person who heals measures beside every UV probe, and begins with lamps that nothing is known of.
fn remeasured(settings: &Settings, at: u64, anew: bool) -> Vec<(u64, Act)> {
    let mut acts = Vec::new();
    for (e, settings) in settings.enclosures.iter().enumerate() {
        let enclosure = EnclosureIx(e);
        let lit = settings.lamps.iter().enumerate().filter(|(_, lamp)| anew && lamp.lights.is_some());
        acts.extend(lit.map(|(l, _)| (at, Act::LampChange { enclosure, lamp: LampIx(l) })));
        acts.extend(uv_probes(settings).map(|(_, probe)| {
            // What it shows is put in when it is read.
            let reading = MeterReading { spot: probe.spot.clone(), uvi: Uvi(0.0), alone: None, guess: false };
            (at + MEASURES_AFTER, Act::MeterReading { enclosure, reading })
        }));
    }
    acts
}

fn uv_probes(enclosure: &Enclosure) -> impl Iterator<Item = (ProbeIx, &Probe)> {
    let probes = enclosure.probes.iter().enumerate().filter(|(_, probe)| probe.measures == Measures::Uvi);
    probes.map(|(p, probe)| (ProbeIx(p), probe))
}

/// An act as a line of the log.
pub(super) fn in_words(act: &Act, settings: &Settings) -> String {
    let id = |e: &EnclosureIx| settings.enclosures[e.0].id.as_str();
    match act {
        Act::Acknowledge { enclosure, .. } => format!("acknowledges {}", enclosure.as_ref().map_or("site", id)),
        Act::Reset { enclosure, .. } => format!("resets {}", id(enclosure)),
        Act::MeterReading { enclosure, reading } | Act::LateReading { enclosure, reading, .. } => {
            format!("measures {} at {} of {}", reading.uvi, reading.spot, id(enclosure))
        }
        Act::LampChange { enclosure, lamp } => {
            format!("says that {}/{} was changed", id(enclosure), settings.enclosures[enclosure.0].lamps[lamp.0].name)
        }
        Act::Shelve { enclosure, kind, why, .. } => {
            format!("shelves {kind} of {}: {why}", enclosure.as_ref().map_or("site", id))
        }
        Act::Unshelve { enclosure, .. } => format!("unshelves alarms of {}", enclosure.as_ref().map_or("site", id)),
        Act::Service { enclosure, out } => {
            format!("says that {} is {} of service", id(enclosure), if out.is_some() { "out" } else { "no longer out" })
        }
        Act::ResetCutOff { cut_off } => format!("resets cut-off {}", settings.cut_offs[cut_off.0].name),
        Act::Override { enclosure, lamp, level, .. } => {
            let name = &settings.enclosures[enclosure.0].lamps[lamp.0].name;
            let level = level.map_or_else(|| "back to normal".to_owned(), |level| level.to_string());
            format!("sets {}/{name} {level}", id(enclosure))
        }
    }
}
