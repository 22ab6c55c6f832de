//! A probe as it hangs on the broker: noisy, quantised, on its own beat, and sometimes silent.

use std::sync::Arc;

use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::Value;

use crate::settings::{EnclosureIx, Measures, PayloadUnit, Probe, ProbeIx};

use super::condition::ProbeCondition;
use super::message::{Message, Payload, Source, Thousandths, WHOLE, nearest};
use super::random::{BEATS, Draw, Pcg32, SplitMix64};
use super::track::Track;
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

/// What a digital thermometer says when its sensor is off its cable, °C: a well-known value.
pub const UNPLUGGED: f64 = -127.0;

/// How far a probe's own beat is off, as a share of its interval: a guess.
const JITTER: f64 = 0.01;

/// Temperature at which a probe that feels warmth is right, °C: common practice, no source.
const CALIBRATED_AT: f64 = 25.0;

/// A probe. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct ProbePlant {
    /// Which it is.
    ix: (EnclosureIx, ProbeIx),
    /// What the core was told about it: topic, pointer, unit.
    probe: Probe,
    /// Its topic.
    topic: Arc<str>,
    /// How often it reports, ms.
    every: f64,
    /// What its beats can be, ms.
    beats: Box<[u64; BEATS]>,
    /// What payloads read as, by the bits of [`WHOLE`] plus the number of steps they say: whatever lately was said.
    lately: Box<[(u64, f64); LATELY]>,
    /// How well it measures.
    accuracy: Accuracy,
    /// Steps it can say in a unit.
    fineness: f64,
    /// The least and the most it can say.
    range: (f64, f64),
    /// Its own chance.
    generator: SplitMix64,
    /// What chance decided about its last reading.
    drawn: Draw,
    /// When it speaks next.
    next: u64,
    /// Its last value before it is held in its range, kept unit; NaN before the first.
    last: f64,
    /// Whether it has no power.
    dark: bool,
    /// Whether it has just got power.
    powered_up: bool,
    /// A message that waits for the next.
    held: Option<Message>,
    /// An old message that keeps coming.
    ghost: Option<Message>,
    /// What is wrong with it; none: nothing.
    condition: Option<Box<ProbeCondition>>,
}

/// How many payloads a probe has in mind.
const LATELY: usize = 64;

/// Streams of chance for one reading: what becomes of its value, and of its message.
const OF_VALUE: u64 = 1;
const OF_MESSAGE: u64 = 2;

impl ProbePlant {
    /// A probe that has been on for a while and speaks first within its interval.
    pub fn new(ix: (EnclosureIx, ProbeIx), probe: &Probe, accuracy: Accuracy, mut generator: SplitMix64) -> ProbePlant {
        let every = probe.every.as_millis() as f64;
        let drawn = generator.draw();
        // Anywhere in its interval.
        let first = (0.5 + 0.5 * drawn.signed()) * every;
        // Evenly from a little sooner to a little later.
        let beat = |i: usize| every * (1.0 + JITTER * ((2 * i + 1) as f64 / BEATS as f64 - 1.0));
        ProbePlant {
            ix,
            probe: probe.clone(),
            topic: probe.topic.as_str().into(),
            every,
            beats: Box::new(std::array::from_fn(|i| (beat(i) as u64).max(1))),
            lately: Box::new([(0, 0.0); LATELY]),
            accuracy,
            fineness: 1.0 / accuracy.quantum,
            range: match probe.measures {
                Measures::Temperature => (f64::NEG_INFINITY, f64::INFINITY),
                Measures::Humidity => (0.0, 100.0),
                Measures::Uvi | Measures::Illuminance | Measures::Power => (0.0, f64::INFINITY),
            },
            generator,
            drawn,
            next: first as u64 + 1,
            last: f64::NAN,
            dark: false,
            powered_up: false,
            held: None,
            ghost: None,
            condition: None,
        }
    }

    /// When it speaks next.
    pub fn next(&self) -> u64 {
        self.next
    }

    /// Which it is.
    pub fn ix(&self) -> (EnclosureIx, ProbeIx) {
        self.ix
    }

    /// Whether it is well and says nothing but what it reads, as a bare number in the kept unit.
    pub fn is_calm(&self) -> bool {
        let well = self.condition.is_none() && !self.dark && !self.powered_up && self.held.is_none();
        well && self.is_plain() && self.probe.unit == PayloadUnit::Kept
    }

    /// What is wrong with it.
    pub fn condition(&self) -> Option<&ProbeCondition> {
        self.condition.as_deref()
    }

    /// Its condition is this from `now` on.
    pub fn suffer(&mut self, now: u64, condition: ProbeCondition) {
        let before = self.condition.take().map_or_else(ProbeCondition::default, |condition| *condition);
        if before.silent && !condition.silent {
            self.powered_up = true;
        }
        if !condition.voice.ghosts {
            self.ghost = None;
        }
        if condition.voice.interval < before.voice.interval && self.next != u64::MAX {
            let every = self.every * condition.voice.interval;
            self.next = self.next.min(now.saturating_add(every as u64 + 1));
        }
        self.condition = (condition != ProbeCondition::default()).then(|| Box::new(condition));
    }

    /// It loses its power, or gets it back and starts with its power-up value.
    pub fn set_dark(&mut self, dark: bool) {
        self.powered_up |= self.dark && !dark;
        self.dark = dark;
    }

    /// It boots and says its power-up value next.
    pub fn boot(&mut self) {
        self.powered_up = true;
    }

    /// It is one more number in the document of another probe on the same topic and has no beat of its own.
    pub fn follow(&mut self) {
        self.next = u64::MAX;
    }

    /// Sets its next beat.
    pub fn beat(&mut self) {
        let beat = match self.condition() {
            None => self.step(),
            Some(condition) => {
                let voice = condition.voice;
                let jitter = (JITTER + voice.jitter) * self.drawn.signed();
                ((self.every * voice.interval * (1.0 + jitter)) as u64).max(1)
            }
        };
        self.next = self.next.saturating_add(beat);
    }

    /// How long its beat is after the last reading where it is well, ms.
    #[inline]
    pub fn step(&self) -> u64 {
        self.beats[self.drawn.beat()]
    }

    /// What its beats can be where it is well, ms.
    pub fn beats(&self) -> &[u64; BEATS] {
        &self.beats
    }

    /// What it senses after its last beat on `track`; none where nobody follows that.
    pub fn sense(&self, now: u64, track: &mut Track) -> Option<f64> {
        let (run, decays) = track.follow(now, self.step())?;
        Some(run.go_on(now, &decays[self.drawn.beat()]))
    }

    /// What chance does to this reading. It depends on nothing but how many there were, so that no fault shifts
    /// another.
    fn whims(&self, stream: u64) -> Pcg32 {
        Pcg32::new(self.generator.state(), stream)
    }

    /// Reads where it is well and senses `sensed`, in the kept unit: returns what its payload reads as.
    pub fn read_plainly(&mut self, sensed: f64) -> f64 {
        self.drawn = self.generator.draw();
        let steps = self.steps(sensed, self.drawn);
        self.last = (steps - WHOLE) * self.accuracy.quantum;
        self.reads_as(steps)
    }

    /// The nearest whole number of its steps, as in [`nearest`] and not yet without [`WHOLE`], that it makes of
    /// `sensed`.
    #[inline]
    fn steps(&self, sensed: f64, drawn: Draw) -> f64 {
        let Accuracy { noise, noise_share, .. } = self.accuracy;
        let deviation = noise + noise_share * sensed.abs();
        (sensed + drawn.normal() * deviation) * self.fineness + WHOLE
    }

    /// What a payload of so many steps, with [`WHOLE`], reads as.
    #[inline]
    fn reads_as(&mut self, steps: f64) -> f64 {
        let (bits, place) = (steps.to_bits(), steps.to_bits() as usize % LATELY);
        let (known, number) = self.lately[place];
        if known == bits { number } else { self.reads_anew_as(steps) }
    }

    /// The same where it was not said lately.
    #[cold]
    #[inline(never)]
    fn reads_anew_as(&mut self, steps: f64) -> f64 {
        let number = Thousandths::of(self.ranged((steps - WHOLE) * self.accuracy.quantum)).number();
        self.lately[steps.to_bits() as usize % LATELY] = (steps.to_bits(), number);
        number
    }

    /// Reads at each of its moments up to and at `until`, where it is well and senses what `track` says, until `takes`
    /// refuses what the payload reads as; the moment at which it did. Reads nothing where nobody follows the track.
    #[inline]
    pub fn read_on(&mut self, track: &mut Track, until: u64, takes: &mut impl FnMut(u64, f64) -> bool) -> Option<u64> {
        let (followed, decays) = track.follow(self.next, self.step())?;
        // Worked on in copies, which need not be where others could see them.
        let (mut run, mut generator, mut drawn, mut next) = (*followed, self.generator.clone(), self.drawn, self.next);
        let (mut steps, mut refused) = (f64::NAN, None);
        while next <= until {
            let sensed = run.go_on(next, &decays[drawn.beat()]);
            drawn = generator.draw();
            steps = self.steps(sensed, drawn);
            let now = next;
            next = next.saturating_add(self.beats[drawn.beat()]);
            if !takes(now, self.reads_as(steps)) {
                refused = Some(now);
                break;
            }
        }
        if next != self.next {
            self.last = (steps - WHOLE) * self.accuracy.quantum;
            (*followed, self.generator, self.drawn, self.next) = (run, generator, drawn, next);
        }
        refused
    }

    /// Its last value, kept unit.
    pub fn value(&self) -> f64 {
        self.ranged(self.last)
    }

    /// The nearest to `value` that is in its range.
    fn ranged(&self, value: f64) -> f64 {
        let (least, most) = self.range;
        let value = if value < least { least } else { value };
        if value > most { most } else { value }
    }

    /// What it reads at `now` where it senses `sensed`, both in the kept unit, in a place of `warmth` °C; none where it
    /// is silent.
    pub fn read(&mut self, now: u64, sensed: f64, warmth: f64) -> Option<f64> {
        let thermometer = self.probe.measures == Measures::Temperature;
        let Some(condition) = self.condition.as_deref().copied() else {
            // Drawn even when silent, so that a fault shifts no later reading.
            let last = self.last;
            self.read_plainly(sensed);
            if self.dark {
                self.last = last;
                return None;
            }
            if std::mem::take(&mut self.powered_up) && thermometer {
                self.last = last;
                return Some(POWER_UP);
            }
            return Some(self.value());
        };
        self.drawn = self.generator.draw();
        let mut whims = self.whims(OF_VALUE);
        let (dropped, spiked, up) = (whims.unit(), whims.unit(), whims.signed());
        if self.dark || condition.silent || dropped < condition.drops {
            return None;
        }
        if std::mem::take(&mut self.powered_up) && thermometer {
            return Some(POWER_UP);
        }
        if condition.unplugged {
            return Some(if thermometer { UNPLUGGED } else { 0.0 });
        }
        if condition.frozen && !self.last.is_nan() {
            return Some(self.value());
        }
        let true_to = condition.gain * (1.0 + condition.per_kelvin * (warmth - CALIBRATED_AT));
        let bias = condition.offset + condition.drift.at(now);
        let deviation = self.accuracy.noise + self.accuracy.noise_share * sensed.abs();
        let mut value = sensed * true_to + bias + self.drawn.normal() * deviation * condition.noise;
        if spiked < condition.spikes.share {
            value += if up < 0.0 { -condition.spikes.by } else { condition.spikes.by };
        }
        let (fineness, quantum) = (self.fineness / condition.quantum, self.accuracy.quantum * condition.quantum);
        self.last = nearest(value * fineness) * quantum;
        Some(self.value())
    }

    /// A reading in the unit and with the digits of its payload.
    pub fn number(&self, value: f64) -> Thousandths {
        let mixed = self.condition().is_some_and(|condition| condition.mixes_units);
        let fahrenheit = (self.probe.unit == PayloadUnit::Fahrenheit) != mixed;
        let converts = self.probe.measures == Measures::Temperature || self.probe.unit == PayloadUnit::Fahrenheit;
        Thousandths::of(if fahrenheit && converts { value * 9.0 / 5.0 + 32.0 } else { value })
    }

    /// Whether its payload is the number alone.
    fn is_plain(&self) -> bool {
        self.probe.pointer.is_none() && self.probe.stamp_pointer.is_none()
    }

    /// What it says alone on its topic, having read `value`.
    pub fn said(&self, value: f64, wall: impl FnOnce() -> DateTime<Utc>) -> Message {
        if self.is_plain() { self.message(Payload::Number(self.number(value))) } else { said(&[(self, value)], wall()) }
    }

    /// A message on its topic.
    fn message(&self, payload: Payload) -> Message {
        Message::new(&self.topic, payload, Source::Probe(self.ix.0, self.ix.1))
    }

    /// Says `message` on its topic, or what becomes of it.
    pub fn utter(&mut self, message: Message, out: &mut Vec<Message>) {
        let Some(voice) = self.condition().map(|condition| condition.voice) else {
            out.push(message);
            out.extend(self.held.take());
            return;
        };
        let mut whims = self.whims(OF_MESSAGE);
        let (repeats, reorders) = (whims.unit() < voice.repeats, whims.unit() < voice.reorders);
        if voice.ghosts {
            out.push(self.ghost.get_or_insert_with(|| message.clone().keep()).clone());
        }
        let message = if voice.retains { message.keep() } else { message };
        if reorders && self.held.is_none() {
            self.held = Some(message);
            return;
        }
        if repeats {
            out.push(message.clone());
        }
        out.push(message);
        out.extend(self.held.take());
    }
}

/// What probes that share the topic of the first say together, with what they read.
pub(super) fn said(readings: &[(&ProbePlant, f64)], wall: DateTime<Utc>) -> Message {
    let first = readings[0].0;
    let stamp = Value::String(wall.to_rfc3339_opts(SecondsFormat::Millis, true));
    let numbers = readings.iter().map(|(probe, value)| {
        let number = serde_json::from_str(&probe.number(*value).text()).unwrap_or(Value::Null);
        (probe.probe.pointer.as_deref().unwrap_or(""), number)
    });
    let stamps = readings.iter().filter_map(|(probe, _)| Some((probe.probe.stamp_pointer.as_deref()?, stamp.clone())));
    first.message(Payload::Text(document(numbers.chain(stamps)).into()))
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
        ProbePlant::new(
            (EnclosureIx(0), ProbeIx(0)),
            &probe,
            Accuracy::common(Measures::Temperature),
            SplitMix64::new(1, 2),
        )
    }

    fn wall() -> DateTime<Utc> {
        Utc.with_ymd_and_hms(2026, 4, 18, 6, 30, 0).single().expect("a plain UTC time")
    }

    fn payload(probe: &mut ProbePlant, truth: f64) -> Option<String> {
        let value = probe.read(0, truth, 25.0)?;
        Some(probe.said(value, wall).payload().into_owned())
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
        probe.suffer(0, ProbeCondition { silent: true, ..ProbeCondition::default() });
        assert_eq!(payload(&mut probe, 30.0), None);
        probe.suffer(0, ProbeCondition::default());
        assert_eq!(number(&mut probe, 30.0), 85.0);
        assert!((number(&mut probe, 30.0) - 30.0).abs() < 1.0);
    }

    #[test]
    fn a_frozen_probe_says_what_it_said_last() {
        let mut probe = probe(None, PayloadUnit::Kept);
        let last = number(&mut probe, 30.0);
        probe.suffer(0, ProbeCondition { frozen: true, ..ProbeCondition::default() });
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
