//! What a probe says while every lamp is off, against what such a probe can say in a room.

use std::collections::BTreeMap;

use crate::science::robust;
use crate::settings::{Measures, PayloadUnit, Settings};
use crate::time::spoken;
use crate::units::{Celsius, Uvi};

use super::finding::{Change, Finding, Kind, Place};
use super::{ProbeAt, Track, probe_name, probe_of, probes};

/// What every probe said.
pub type Tracks = BTreeMap<ProbeAt, Track>;

/// A room with its lamps off is between these, °C. Guesses, wide ones.
const ROOM: (f64, f64) = (5.0, 42.0);
/// The temperatures of one room lie this close together with every lamp off, K. A guess.
const TOGETHER: f64 = 8.0;
/// And a thermometer that is further from them is none, K. A guess.
const APART: f64 = 15.0;
/// More than any UV index indoors with the lamps off. A guess: even through an open window it stays well below outdoors' 11.
const DARK: Uvi = Uvi(8.0);
/// A probe that speaks so many times as seldom as it should is too slow. A guess.
const TOO_SLOW: f64 = 1.5;
/// Readings before that is judged.
const READINGS: usize = 4;

/// What is wrong with a probe by itself. Every lamp has been off for a while.
pub fn suspicions(settings: &Settings, tracks: &Tracks) -> Vec<Finding> {
    let mut found = Vec::new();
    for (at, probe) in probes(settings) {
        let Some(track) = tracks.get(&at) else { continue };
        let Some(middle) = track.middle() else { continue };
        let change = |key, to: &str| vec![Change { place: Place::Probe(at, key), to: to.to_owned() }];
        let name = probe_name(settings, at);
        match probe.measures {
            Measures::Temperature => {
                let others = others(settings, tracks, at);
                if let Some(change_to) = unit(probe.unit, middle, others) {
                    let (says, asks) = match change_to {
                        "F" => ("°F", "°C"),
                        _ => ("°C", "°F"),
                    };
                    let text = format!(
                        "{name} reads {} with every lamp off: it seems to speak {says} where {asks} is agreed",
                        Celsius(middle)
                    );
                    let to = if change_to == "F" { "unit = \"F\"" } else { "no `unit`" };
                    found.push(Finding { kind: Kind::Unit, text, changes: change("unit", to) });
                } else if let Some(others) = others.filter(|others| (middle - others).abs() > APART) {
                    let text = format!(
                        "{name} reads {} with every lamp off, and the other thermometers {}: it seems to be another kind of probe, \
                         or broken",
                        Celsius(middle),
                        Celsius(others)
                    );
                    let to = "what it measures, or the topic of the thermometer";
                    found.push(Finding { kind: Kind::WrongKind, text, changes: change("measures", to) });
                }
            }
            Measures::Uvi if middle > DARK.0 => {
                let text = format!(
                    "{name} reads {} with every lamp off: that is no UV index; it seems to be another kind of probe",
                    Uvi(middle)
                );
                let to = "what it measures, or the topic of the UV probe";
                found.push(Finding { kind: Kind::WrongKind, text, changes: change("measures", to) });
            }
            _ => {}
        }
        if let Some((gap, _)) = track.gaps()
            && track.readings() >= READINGS
            && gap.as_secs_f64() > TOO_SLOW * probe.every.as_secs_f64()
        {
            let text = format!("{name} speaks every {}, and should every {}", spoken(gap), spoken(probe.every));
            let to = format!("\"{}s\", or a faster probe", gap.as_secs_f64().ceil());
            found.push(Finding { kind: Kind::Slow, text, changes: change("every", &to) });
        }
    }
    found
}

/// The middle of what all other thermometers say that say something that a room can be; none where there is none.
fn others(settings: &Settings, tracks: &Tracks, but: ProbeAt) -> Option<f64> {
    let others = tracks.iter().filter(|(at, _)| {
        let (_, probe) = probe_of(settings, **at);
        **at != but && probe.measures == Measures::Temperature
    });
    let mut middles: Vec<f64> =
        others.filter_map(|(_, track)| track.middle()).filter(|middle| (ROOM.0..=ROOM.1).contains(middle)).collect();
    robust::median(&mut middles)
}

/// The unit that a thermometer seems to speak, where it is another than agreed: its reading is no room's, and would be one in
/// the other unit, near what others say.
fn unit(agreed: PayloadUnit, reading: f64, others: Option<f64>) -> Option<&'static str> {
    let (other, word) = match agreed {
        PayloadUnit::Kept => ((reading - 32.0) / 1.8, "F"),
        PayloadUnit::Fahrenheit => (reading * 1.8 + 32.0, "C"),
    };
    let fits = |value: f64| match others {
        Some(others) => (value - others).abs() <= TOGETHER,
        None => (ROOM.0..=ROOM.1).contains(&value),
    };
    let is_room = (ROOM.0..=ROOM.1).contains(&reading);
    (!is_room && !fits(reading) && fits(other)).then_some(word)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_unit_is_told_by_what_a_room_can_be() {
        // 77 °F = 25 °C; 25 °F = −3.9 °C (the definition of the Fahrenheit scale).
        assert_eq!(unit(PayloadUnit::Kept, 77.0, Some(24.0)), Some("F"));
        assert_eq!(unit(PayloadUnit::Kept, 77.0, None), Some("F"));
        assert_eq!(unit(PayloadUnit::Fahrenheit, -3.9, Some(24.0)), Some("C"));
        assert_eq!(unit(PayloadUnit::Kept, 25.0, Some(24.0)), None);
        assert_eq!(unit(PayloadUnit::Kept, 41.0, None), None, "a hot attic");
        assert_eq!(unit(PayloadUnit::Kept, 68.0, Some(24.0)), Some("F"), "20 °C");
        assert_eq!(unit(PayloadUnit::Kept, 68.0, Some(35.0)), None, "hot, and in no unit like the others");
        assert_eq!(unit(PayloadUnit::Kept, -127.0, Some(24.0)), None);
    }
}
