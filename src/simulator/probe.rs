//! A probe as it hangs on the broker: noisy, quantised, on its own beat, and sometimes silent.

use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::Value;

use crate::settings::{EnclosureIx, Measures, PayloadUnit, Probe, ProbeIx};

use super::message::{Message, Payload, Source, Thousandths};
use super::random::Pcg32;
use super::words::document;

/// How well a probe measures, in the kept unit of what it measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Accuracy {
    /// Standard deviation of a reading.
    pub noise: f64,
    /// Further standard deviation as a share of the reading.
    pub noise_share: f64,
    /// Step between neighbouring readings.
    pub quantum: f64,
}

impl Accuracy {
    /// What a common probe does. Guesses, but for the temperature step: a 12-bit digital thermometer counts in
    /// sixteenths of a degree (common practice, no source).
    pub const fn common(measures: Measures) -> Accuracy {
        match measures {
            Measures::Temperature => Accuracy { noise: 0.06, noise_share: 0.0, quantum: 0.0625 },
            Measures::Uvi => Accuracy { noise: 0.01, noise_share: 0.01, quantum: 0.01 },
            Measures::Illuminance => Accuracy { noise: 1.0, noise_share: 0.01, quantum: 1.0 },
            Measures::Power => Accuracy { noise: 0.1, noise_share: 0.002, quantum: 0.1 },
            Measures::Humidity => Accuracy { noise: 0.4, noise_share: 0.0, quantum: 0.1 },
        }
    }
}

/// What a digital thermometer says once when it has just got power, °C: a well-known value.
pub const POWER_UP: f64 = 85.0;

/// How far a probe's own beat is off, as a share of its interval: a guess.
const JITTER: f64 = 0.01;

/// A probe. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct ProbePlant {
    /// Which it is.
    ix: (EnclosureIx, ProbeIx),
    /// What the core was told about it: topic, pointer, unit.
    probe: Probe,
    /// How well it measures.
    accuracy: Accuracy,
    /// Its own noise.
    generator: Pcg32,
    /// When it speaks next.
    next: u64,
    /// Whether it says nothing.
    silent: bool,
    /// Says the same for ever.
    frozen: bool,
    /// Its last value, kept unit, for when it freezes.
    last: Option<f64>,
    /// Whether it has just got power.
    powered_up: bool,
}

impl ProbePlant {
    /// A probe that has been on for a while and speaks first within its interval.
    pub fn new(ix: (EnclosureIx, ProbeIx), probe: &Probe, accuracy: Accuracy, mut generator: Pcg32) -> ProbePlant {
        let first = generator.unit() * probe.every.as_millis() as f64;
        let probe = probe.clone();
        ProbePlant {
            ix,
            probe,
            accuracy,
            generator,
            next: first as u64 + 1,
            silent: false,
            frozen: false,
            last: None,
            powered_up: false,
        }
    }

    /// When it speaks next.
    pub fn next(&self) -> u64 {
        self.next
    }

    /// It loses power, or gets it back and starts with its power-up value.
    pub fn set_silent(&mut self, silent: bool) {
        self.powered_up = self.silent && !silent;
        self.silent = silent;
    }

    /// It repeats its last value, or measures again.
    pub fn set_frozen(&mut self, frozen: bool) {
        self.frozen = frozen;
    }

    /// It is one more number in the document of another probe on the same topic and has no beat of its own.
    pub fn follow(&mut self) {
        self.next = u64::MAX;
    }

    /// Sets its next beat.
    pub fn beat(&mut self) {
        let beat = self.probe.every.as_millis() as f64 * (1.0 + JITTER * self.generator.signed());
        self.next = self.next.saturating_add((beat as u64).max(1));
    }

    /// What it reads, the truth being `truth`, both in the kept unit; none where it is silent.
    pub fn read(&mut self, truth: f64) -> Option<f64> {
        // Drawn even when silent, so that a fault shifts no later reading.
        let noise = self.generator.normal();
        if self.silent {
            return None;
        }
        if std::mem::take(&mut self.powered_up) && self.probe.measures == Measures::Temperature {
            return Some(POWER_UP);
        }
        if let (true, Some(last)) = (self.frozen, self.last) {
            return Some(last);
        }
        let value = self.quantised(truth + noise * (self.accuracy.noise + self.accuracy.noise_share * truth.abs()));
        self.last = Some(value);
        Some(value)
    }

    /// The nearest step it can say. Only temperatures go below zero.
    fn quantised(&self, value: f64) -> f64 {
        let value = if self.probe.measures == Measures::Temperature { value } else { value.max(0.0) };
        let value = if self.probe.measures == Measures::Humidity { value.min(100.0) } else { value };
        (value / self.accuracy.quantum).round() * self.accuracy.quantum
    }

    /// A reading in the unit and with the digits of its payload.
    fn number(&self, value: f64) -> Thousandths {
        Thousandths::of(match self.probe.unit {
            PayloadUnit::Kept => value,
            PayloadUnit::Fahrenheit => value * 9.0 / 5.0 + 32.0,
        })
    }
}

/// What probes that share a topic say together, with what they read; none where nobody reads anything.
pub(super) fn said(readings: &[(&ProbePlant, f64)], wall: DateTime<Utc>) -> Option<Message> {
    let (first, value) = readings.first()?;
    let topic = first.probe.topic.as_str().into();
    let source = Source::Probe(first.ix.0, first.ix.1);
    if first.probe.pointer.is_none() && first.probe.stamp_pointer.is_none() {
        return Some(Message::new(&topic, Payload::Number(first.number(*value)), source));
    }
    let stamp = Value::String(wall.to_rfc3339_opts(SecondsFormat::Millis, true));
    let numbers = readings.iter().map(|(probe, value)| {
        let number = serde_json::from_str(&probe.number(*value).text()).unwrap_or(Value::Null);
        (probe.probe.pointer.as_deref().unwrap_or(""), number)
    });
    let stamps = readings.iter().filter_map(|(probe, _)| Some((probe.probe.stamp_pointer.as_deref()?, stamp.clone())));
    Some(Message::new(&topic, Payload::Text(document(numbers.chain(stamps)).into()), source))
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeZone;
    use std::time::Duration;

    fn probe(pointer: Option<&str>, unit: PayloadUnit) -> ProbePlant {
        let probe = Probe {
            name: "basking".to_owned(),
            measures: Measures::Temperature,
            topic: "e/basking".to_owned(),
            pointer: pointer.map(str::to_owned),
            stamp_pointer: pointer.map(|_| "/at".to_owned()),
            unit,
            every: Duration::from_secs(30),
            stale: Duration::from_secs(90),
            spot: "basking".to_owned(),
            plausible: (-20.0, 80.0),
            reject: vec![85.0],
            fastest: None,
        };
        ProbePlant::new((EnclosureIx(0), ProbeIx(0)), &probe, Accuracy::common(Measures::Temperature), Pcg32::new(1, 2))
    }

    fn wall() -> DateTime<Utc> {
        Utc.with_ymd_and_hms(2026, 4, 18, 6, 30, 0).single().expect("a plain UTC time")
    }

    fn payload(probe: &mut ProbePlant, truth: f64) -> Option<String> {
        let value = probe.read(truth)?;
        Some(said(&[(probe, value)], wall())?.payload().into_owned())
    }

    fn number(probe: &mut ProbePlant, truth: f64) -> f64 {
        payload(probe, truth).expect("it speaks").parse().expect("a number")
    }

    #[test]
    fn readings_are_near_the_truth_and_in_its_steps() {
        let mut probe = probe(None, PayloadUnit::Kept);
        let said: Vec<f64> = (0..500).map(|_| number(&mut probe, 33.3)).collect();
        for value in &said {
            // The payload carries three decimals of sixteenths.
            assert!((value - 33.3).abs() < 0.5 && ((value * 16.0).round() / 16.0 - value).abs() < 0.001, "{value}");
        }
        assert!((said.iter().sum::<f64>() / 500.0 - 33.3).abs() < 0.02);
        assert!(said.windows(2).any(|pair| pair[0] != pair[1]), "a real probe is never quite still");
    }

    #[test]
    fn payloads_are_as_configured() {
        let mut json = probe(Some("/t"), PayloadUnit::Fahrenheit);
        let document: Value = serde_json::from_str(&payload(&mut json, 100.0).expect("it speaks")).expect("JSON");
        let value = document["t"].as_f64().expect("a number");
        assert!((value - 212.0).abs() < 1.0, "water boils at 212 °F: {value}");
        assert_eq!(document["at"], "2026-04-18T06:30:00.000Z");
    }

    #[test]
    fn a_probe_that_got_power_back_says_85_once() {
        let mut probe = probe(None, PayloadUnit::Kept);
        probe.set_silent(true);
        assert_eq!(payload(&mut probe, 30.0), None);
        probe.set_silent(false);
        assert_eq!(number(&mut probe, 30.0), 85.0);
        assert!((number(&mut probe, 30.0) - 30.0).abs() < 1.0);
    }

    #[test]
    fn a_frozen_probe_says_what_it_said_last() {
        let mut probe = probe(None, PayloadUnit::Kept);
        let last = number(&mut probe, 30.0);
        probe.set_frozen(true);
        assert_eq!(number(&mut probe, 45.0), last);
    }

    #[test]
    fn it_keeps_its_beat_within_a_hundredth() {
        let mut probe = probe(None, PayloadUnit::Kept);
        assert!(probe.next() <= 30_001);
        let mut before = probe.next();
        for _ in 0..100 {
            probe.beat();
            let beat = probe.next() - before;
            assert!((29_699..=30_301).contains(&beat), "{beat} ms");
            before = probe.next();
        }
    }
}
