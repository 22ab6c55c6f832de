//! Probes.

use std::time::Duration;

use super::super::fields::{Fields, NamedFields, Node, Put, Value};
use super::super::finding::{At, Draft};
use super::super::keys::span_text;
use super::Bench;
use crate::settings::{Measures, PayloadUnit, Probe, ProbeIx};

/// What lamps need to know of a probe, whether or not all of it is right.
#[derive(Clone, Debug)]
pub(super) struct KnownProbe {
    /// Its index.
    pub ix: ProbeIx,
    /// Where its name stands.
    pub key: At,
    /// What it measures; none where that is wrong.
    pub measures: Option<Measures>,
    /// Where it sits; none where that is wrong.
    pub spot: Option<String>,
    /// How often it reports.
    pub every: Option<Put<Duration>>,
    /// A reading older than this does not count.
    pub stale: Option<Put<Duration>>,
    /// Greatest plausible value.
    pub most: Option<f64>,
}

/// The word of `measures` as the quantity.
fn measures_of(word: &str) -> Option<Measures> {
    Measures::ALL.into_iter().find(|(_, known)| *known == word).map(|(measures, _)| measures)
}

/// What is plausible unless said otherwise: guesses, but for humidity. A UVI probe may touch a lamp, which reads 40 and
/// more; the noise of one in the dark, or of a power probe under a lamp that is off, goes a little below zero.
fn plausible_of(measures: Measures) -> (f64, f64) {
    match measures {
        Measures::Temperature => (-30.0, 120.0),
        Measures::Uvi => (-0.5, 60.0),
        Measures::Illuminance => (-1.0, 200_000.0),
        Measures::Power => (-5.0, 5000.0),
        Measures::Humidity => (0.0, 100.0),
    }
}

/// Values that stand for a fault: a probe that was just powered says 85 °C, one that is cut off −127 °C (the design,
/// section 6).
fn reject_of(measures: Measures) -> &'static [f64] {
    if measures == Measures::Temperature { &[85.0, -127.0] } else { &[] }
}

/// Fastest believable change per second: 2 K/s, guess.
fn fastest_of(measures: Measures) -> Option<f64> {
    (measures == Measures::Temperature).then_some(2.0)
}

/// Units that each quantity may be given in.
fn units_of(measures: Measures) -> &'static [&'static str] {
    match measures {
        Measures::Temperature => &["C", "°C", "F", "°F"],
        Measures::Uvi => &["uvi"],
        Measures::Illuminance => &["lx", "lux"],
        Measures::Power => &["W"],
        Measures::Humidity => &["%"],
    }
}

impl Bench<'_, '_> {
    /// Reads a probe: what lamps may know of it, and the probe itself where nothing in it is wrong.
    pub(super) fn probe(&mut self, index: usize, name: &str, named: &NamedFields) -> (KnownProbe, Option<Probe>) {
        let Some(fields) = &named.fields else {
            let known = KnownProbe {
                ix: ProbeIx(index),
                key: named.key,
                measures: None,
                spot: None,
                every: None,
                stale: None,
                most: None,
            };
            return (known, None);
        };
        let measures = fields.text("measures").and_then(|word| measures_of(&word.value));
        let every = fields.span("every");
        let stale = self.stale(fields, every.as_ref());
        let plausible = self.plausible(fields, measures);
        let known = KnownProbe {
            ix: ProbeIx(index),
            key: named.key,
            measures,
            spot: fields.text("spot").map(|spot| spot.value),
            every,
            stale,
            most: plausible.map(|(_, most)| most),
        };
        let probe = self.whole_probe(name, fields, &known, plausible);
        (known, probe)
    }

    fn whole_probe(
        &mut self,
        name: &str,
        fields: &Fields,
        known: &KnownProbe,
        plausible: Option<(f64, f64)>,
    ) -> Option<Probe> {
        let unit = self.unit(fields, known.measures);
        let pointer = fields.text("pointer").map(|pointer| self.filled_pointer(pointer));
        let stamp_pointer = fields.text("stamp").map(|pointer| self.filled_pointer(pointer));
        let topic = fields.text("topic").map(|topic| self.hear(&topic, pointer.as_deref(), &format!("probe `{name}`")));
        let measures = known.measures?;
        let reject = match fields.list("reject") {
            Some(list) => numbers(list)?,
            None => reject_of(measures).to_vec(),
        };
        let fastest = if fields.has("fastest") { Some(fields.number("fastest")?.value) } else { fastest_of(measures) };
        Some(Probe {
            name: name.to_owned(),
            measures,
            topic: topic?,
            pointer,
            stamp_pointer,
            unit: unit?,
            every: known.every.as_ref()?.value,
            stale: known.stale.as_ref()?.value,
            spot: known.spot.clone()?,
            plausible: plausible?,
            reject,
            fastest,
        })
    }

    fn stale(&mut self, fields: &Fields, every: Option<&Put<Duration>>) -> Option<Put<Duration>> {
        if !fields.has("stale") {
            // The guard law, point 3.
            return every.map(|every| Put { at: every.at, value: every.value * 3 });
        }
        let stale = fields.span("stale")?;
        if let Some(every) = every.filter(|every| stale.value < every.value) {
            let (short, long) = (span_text(stale.value), span_text(every.value));
            let wrong = format!("`stale` is {short}, shorter than `every`, {long}: each reading would be too old");
            let right = format!("leave it out, for {}, or write more than {long}", span_text(every.value * 3));
            self.sink.push(Draft::error(stale.at, wrong, right).also(every.at, "`every` is here"));
        }
        Some(stale)
    }

    fn plausible(&mut self, fields: &Fields, measures: Option<Measures>) -> Option<(f64, f64)> {
        if !fields.has("plausible") {
            return measures.map(plausible_of);
        }
        let at = fields.place("plausible");
        let [least, most] = numbers(fields.list("plausible")?)?.try_into().ok()?;
        if least >= most {
            let wrong = format!("`plausible` runs from {least} to {most}: nothing is plausible");
            self.sink.error(at, wrong, "write the least value first, then the greatest");
            return None;
        }
        Some((least, most))
    }

    fn unit(&mut self, fields: &Fields, measures: Option<Measures>) -> Option<PayloadUnit> {
        if !fields.has("unit") {
            return Some(PayloadUnit::Kept);
        }
        let (unit, measures) = (fields.text("unit")?, measures?);
        if !units_of(measures).contains(&unit.value.as_str()) {
            let word = Measures::ALL.into_iter().find(|(it, _)| *it == measures).map_or("", |(_, word)| word);
            let wrong = format!("\"{}\" is no unit of {word}", unit.value);
            let quoted: Vec<_> = units_of(measures).iter().map(|unit| format!("\"{unit}\"")).collect();
            self.sink.error(unit.at, wrong, format!("one of {}, or leave it out", quoted.join(", ")));
            return None;
        }
        Some(if unit.value.ends_with('F') { PayloadUnit::Fahrenheit } else { PayloadUnit::Kept })
    }
}

/// The numbers of a list; none where a member was of no use.
fn numbers(list: &[Node]) -> Option<Vec<f64>> {
    list.iter().map(|node| if let Value::Number(number) = node.value { Some(number) } else { None }).collect()
}
