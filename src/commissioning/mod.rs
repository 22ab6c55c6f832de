//! Room: what switching lamps one by one tells of how a place is wired and how it warms.
//!
//! ```text
//! readings, reports ─▶ Trial: one lamp on and off again, every probe watched ─▶ Outcome
//!                                                                                │ together
//!                              findings: what is exchanged, dark, deaf, contrary ◀┤
//!                              Proposal: figures for control and guard           ◀┘ of a step
//! ```
//!
//! It switches nothing: a driver does what [`Trial::wants_on`] says, and only as far as the guard grants it.

mod answer;
mod finding;
mod proposal;
mod suspicion;
mod trial;

pub use answer::{Answer, Before, Track};
pub use finding::{Change, Finding, Hand, Kind, Place, Seen, findings, misrouted};
pub use proposal::{Figure, Proposal, propose};
pub use suspicion::{Tracks, suspicions};
pub use trial::{Ended, Outcome, Stage, Step, Trial};

use crate::settings::{Enclosure, EnclosureIx, Lamp, LampIx, Measures, Probe, ProbeIx, Settings};

/// A probe of the site.
pub type ProbeAt = (EnclosureIx, ProbeIx);
/// A lamp of the site.
pub type LampAt = (EnclosureIx, LampIx);

/// The enclosure with this lamp, and the lamp.
fn lamp_of(settings: &Settings, (e, l): LampAt) -> (&Enclosure, &Lamp) {
    let enclosure = &settings.enclosures[e.0];
    (enclosure, &enclosure.lamps[l.0])
}

/// The enclosure with this probe, and the probe.
fn probe_of(settings: &Settings, (e, p): ProbeAt) -> (&Enclosure, &Probe) {
    let enclosure = &settings.enclosures[e.0];
    (enclosure, &enclosure.probes[p.0])
}

/// A lamp as it is called in the whole site.
pub fn lamp_name(settings: &Settings, lamp: LampAt) -> String {
    let (enclosure, lamp) = lamp_of(settings, lamp);
    format!("{} {}", enclosure.id, lamp.name)
}

/// A probe as it is called in the whole site.
pub fn probe_name(settings: &Settings, probe: ProbeAt) -> String {
    let (enclosure, probe) = probe_of(settings, probe);
    format!("{} {}", enclosure.id, probe.name)
}

/// Every probe of the site.
fn probes(settings: &Settings) -> impl Iterator<Item = (ProbeAt, &Probe)> {
    settings.enclosures.iter().enumerate().flat_map(|(e, enclosure)| {
        enclosure.probes.iter().enumerate().map(move |(p, probe)| ((EnclosureIx(e), ProbeIx(p)), probe))
    })
}

/// The probes that must answer when a lamp goes on, by the settings: what it regulates or is guarded by, its UV probe, its
/// own power meter.
pub fn expected(settings: &Settings, at: LampAt) -> Vec<ProbeAt> {
    let (_, lamp) = lamp_of(settings, at);
    let warmed = warmed(settings, at).map(|(_, p)| p);
    let all = [warmed, lamp.lights, lamp.power_probe];
    all.into_iter().flatten().map(|p| (at.0, p)).collect()
}

/// The temperature probe that a lamp warms, by the settings.
pub fn warmed(settings: &Settings, at: LampAt) -> Option<ProbeAt> {
    let (_, lamp) = lamp_of(settings, at);
    let regulates = lamp.heat.map(|heat| heat.probe);
    let guards = lamp.guard.as_ref().and_then(|guard| guard.probes.first().copied());
    regulates.or(guards).map(|p| (at.0, p))
}

/// The least change that is an answer, in the kept unit; none for what no lamp moves in minutes. Guesses: well above what
/// draughts and clouds at a window do in that time.
const fn least(measures: Measures) -> Option<f64> {
    match measures {
        Measures::Temperature => Some(0.5),
        Measures::Uvi => Some(0.15),
        Measures::Illuminance => Some(20.0),
        Measures::Power => Some(2.0),
        Measures::Humidity => None,
    }
}

#[cfg(test)]
mod tests;
