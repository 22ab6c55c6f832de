//! What each configured topic has said, and how it was understood.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use crate::control::{Event, OutputRef, Reading};
use crate::settings::{EnclosureIx, Output, Probe, ProbeIx, Settings};
use crate::time::{Mono, spoken};

/// Something that should be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Item {
    /// A probe's readings.
    Probe(EnclosureIx, ProbeIx),
    /// An output's reports.
    Report(OutputRef),
}

/// What was heard of one item.
#[derive(Clone, Debug, Default)]
pub(super) struct Heard {
    /// Messages in all.
    pub messages: u32,
    /// Those that the broker had kept, of unknown age.
    pub retained: u32,
    /// Those that were not understood.
    pub unread: u32,
    /// The first and the newest that had just been sent.
    span: Option<(Mono, Mono)>,
    /// The newest: what it says, or why it does not count.
    pub newest: Option<Result<String, String>>,
    /// The newest value of a probe in its kept unit, or the level of an output.
    pub value: Option<f64>,
}

/// What is wrong with one item, worst first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Fault {
    /// Nothing was heard.
    Silent,
    /// The newest message was not understood or does not count.
    Useless(String),
    /// Only what the broker had kept was heard, and nobody knows how old that is.
    OnlyRetained,
    /// Messages come too slowly to count.
    Slow(String),
}

impl Fault {
    /// In words, of whatever it is a fault.
    pub(super) fn plainly(&self) -> String {
        match self {
            Fault::Silent => "silent".to_owned(),
            Fault::Useless(why) | Fault::Slow(why) => why.clone(),
            Fault::OnlyRetained => "only what the broker had kept, which may be of last year".to_owned(),
        }
    }
}

/// What has been heard so far.
#[derive(Debug, Default)]
pub(super) struct Hearing {
    heard: BTreeMap<Item, Heard>,
    /// Outputs with a retained message on their command topic.
    pub retained_commands: BTreeSet<OutputRef>,
}

impl Hearing {
    /// Takes in what a message was decoded to.
    pub(super) fn take(&mut self, settings: &Settings, now: Mono, event: &Event) {
        let (item, retained, newest, value) = match event {
            Event::Reading { enclosure, probe, reading } => {
                let of = &settings.enclosures[enclosure.0].probes[probe.0];
                let (newest, value) = understood(of, reading);
                (Item::Probe(*enclosure, *probe), reading.retained, newest, value)
            }
            Event::Report { output, level, retained } => {
                let newest = match level {
                    Ok(level) => Ok(level.to_string()),
                    Err(unreadable) => Err(format!("the payload {}", unreadable.0)),
                };
                let value = level.as_ref().ok().map(|level| level.share());
                (Item::Report(*output), *retained, newest, value)
            }
            Event::RetainedCommand { output } => {
                self.retained_commands.insert(*output);
                return;
            }
            _ => return,
        };
        let heard = self.heard.entry(item).or_default();
        heard.messages += 1;
        heard.unread += u32::from(newest.is_err());
        heard.newest = Some(newest);
        heard.value = value;
        match retained {
            true => heard.retained += 1,
            false => heard.span = Some((heard.span.map_or(now, |(first, _)| first), now)),
        }
    }

    /// What was heard of an item.
    pub(super) fn of(&self, item: Item) -> Heard {
        self.heard.get(&item).cloned().unwrap_or_default()
    }
}

impl Heard {
    /// How long from one message to the next, on average; none before the second.
    pub(super) fn interval(&self) -> Option<Duration> {
        let (first, last) = self.span?;
        let gaps = (self.messages - self.retained).checked_sub(1).filter(|gaps| *gaps > 0)?;
        Some(last.since(first) / gaps)
    }

    /// What is wrong with it, if anything is.
    pub(super) fn fault(&self, settings: &Settings, item: Item) -> Option<Fault> {
        match &self.newest {
            None => return Some(Fault::Silent),
            Some(Err(why)) => return Some(Fault::Useless(why.clone())),
            Some(Ok(_)) => {}
        }
        // A relay need not speak unless it switches, so what the broker kept of it is enough.
        let Item::Probe(enclosure, probe) = item else { return None };
        if self.messages == self.retained {
            return Some(Fault::OnlyRetained);
        }
        let stale = settings.enclosures[enclosure.0].probes[probe.0].stale;
        let interval = self.interval().filter(|interval| *interval > stale)?;
        Some(Fault::Slow(format!(
            "a message comes every {}, and counts for {} only: set `every`",
            spoken(interval),
            spoken(stale)
        )))
    }
}

/// Whether a reading counts, as the guard would take it; its value where it does. What the broker had kept is shown, but
/// never counts.
pub(super) fn believable(probe: &Probe, reading: &Reading) -> Result<f64, String> {
    let value = match &reading.value {
        Ok(value) => *value,
        Err(unreadable) => return Err(format!("the payload {}", unreadable.0)),
    };
    if probe.reject.iter().any(|fault| (fault - value).abs() < 1e-6) {
        return Err(format!("{value} is what such a probe says when it has a fault"));
    }
    let (least, most) = probe.plausible;
    if !(value >= least && value <= most) {
        return Err(format!("{value} is not plausible: {least} to {most} is"));
    }
    Ok(value)
}

/// A reading as a person reads it, and its value.
fn understood(probe: &Probe, reading: &Reading) -> (Result<String, String>, Option<f64>) {
    let value = reading.value.as_ref().ok().copied();
    let unit = probe.measures.unit();
    let text = |value: f64| match unit {
        "" => format!("UVI {value:.1}"),
        unit => format!("{value:.1} {unit}"),
    };
    (believable(probe, reading).map(text), value)
}

/// Every output with its name: lamps as `enclosure lamp`, contactors as `cut-off name`.
pub(super) fn outputs(settings: &Settings) -> impl Iterator<Item = (OutputRef, String, &Output)> {
    let lamps = settings.enclosures.iter().enumerate().flat_map(|(e, enclosure)| {
        enclosure.lamps.iter().enumerate().map(move |(l, lamp)| {
            let output_ref = OutputRef::Lamp(EnclosureIx(e), crate::settings::LampIx(l));
            (output_ref, format!("{} {}", enclosure.id, lamp.name), &lamp.output)
        })
    });
    let cut_offs = settings.cut_offs.iter().enumerate().map(|(c, cut_off)| {
        (OutputRef::CutOff(crate::settings::CutOffIx(c)), format!("cut-off {}", cut_off.name), &cut_off.output)
    });
    lamps.chain(cut_offs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Source, parse};
    use crate::control::Unreadable;

    const PROBE: Item = Item::Probe(EnclosureIx(0), ProbeIx(0));

    fn settings() -> Settings {
        let text = r#"
            site = { name = "garden-room", timezone = "Europe/Lisbon", latitude = 38.72, longitude = -9.14 }
            broker = { url = "mqtt://127.0.0.1" }
            [care.night-owl]
            photoperiod = { follow = "clock", on = "08:00", off = "20:00" }
            [[enclosure]]
            id = "e1"
            care = "night-owl"
            probes.basking = { measures = "temperature", topic = "garden/e1/basking", every = "10s" }
            probes.uv = { measures = "uvi", topic = "garden/e1/uv", every = "10s" }
            lamps.day = { fitting = "led", relay = { set = "garden/e1/day/set", state = "garden/e1/day" } }
        "#;
        let checked = parse(&[Source { name: "room.toml".to_owned(), text: text.to_owned() }]);
        let findings: Vec<_> = checked.findings.iter().map(|finding| finding.wrong.clone()).collect();
        checked.settings.unwrap_or_else(|| panic!("{findings:?}"))
    }

    #[test]
    fn faults_of_a_probe_are_told_apart() {
        let mut settings = settings();
        settings.enclosures[0].probes[0].plausible = (-20.0, 90.0);
        settings.enclosures[0].probes[0].reject = vec![85.0];
        let check = |readings: &[(u64, Result<f64, &str>, bool)], expected: Option<Fault>| {
            let mut hearing = Hearing::default();
            for (second, value, retained) in readings {
                let value = value.map_err(|why| Unreadable(why.to_owned()));
                let reading = Reading { value, taken: None, retained: *retained };
                let event = Event::Reading { enclosure: EnclosureIx(0), probe: ProbeIx(0), reading };
                hearing.take(&settings, Mono::from_secs(*second), &event);
            }
            assert_eq!(hearing.of(PROBE).fault(&settings, PROBE), expected, "{readings:?}");
        };
        check(&[], Some(Fault::Silent));
        check(&[(0, Ok(25.0), false)], None);
        check(&[(0, Ok(25.0), true)], Some(Fault::OnlyRetained));
        check(&[(0, Ok(25.0), true), (1, Ok(25.0), false)], None);
        check(&[(0, Err("is empty"), false)], Some(Fault::Useless("the payload is empty".to_owned())));
        check(
            &[(0, Ok(25.0), false), (1, Ok(f64::NAN), false)],
            Some(Fault::Useless("NaN is not plausible: -20 to 90 is".to_owned())),
        );
        let fault = "85 is what such a probe says when it has a fault".to_owned();
        check(&[(0, Ok(85.0), false)], Some(Fault::Useless(fault)));
        check(&[(0, Ok(25.0), false), (30, Ok(25.0), false)], None);
        let slow = "a message comes every 31 s, and counts for 30 s only: set `every`".to_owned();
        check(&[(0, Ok(25.0), false), (31, Ok(25.0), false)], Some(Fault::Slow(slow)));
    }

    #[test]
    fn readings_and_levels_are_said_with_their_units() {
        let settings = settings();
        let mut hearing = Hearing::default();
        let reading = Reading { value: Ok(3.25), taken: None, retained: false };
        let uv = Event::Reading { enclosure: EnclosureIx(0), probe: ProbeIx(1), reading };
        hearing.take(&settings, Mono::START, &uv);
        let output = outputs(&settings).next().map(|(output, ..)| output).expect("there is a lamp");
        let report = Event::Report { output, level: Ok(crate::units::Level::FULL), retained: true };
        hearing.take(&settings, Mono::START, &report);
        hearing.take(&settings, Mono::START, &Event::RetainedCommand { output });
        let said = |item| hearing.of(item).newest;
        assert_eq!(said(Item::Probe(EnclosureIx(0), ProbeIx(1))), Some(Ok("UVI 3.2".to_owned())));
        assert_eq!(said(Item::Report(output)), Some(Ok("on".to_owned())));
        assert!(hearing.retained_commands.contains(&output));
    }
}
