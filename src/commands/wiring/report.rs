//! What is said in the end: lines for a person, or one JSON document.

use std::io::{self, Write};
use std::time::Duration;

use serde::Serialize;

use crate::control::OutputRef;
use crate::settings::{EnclosureIx, ProbeIx, Protocol, Settings};
use crate::time::spoken;

use super::hearing::{Fault, Hearing, Item, outputs};
use super::room::RoundTrip;

/// A message takes this much longer than an acknowledgement where the broker holds it back by Nagle's algorithm until TCP
/// acknowledges the packet before, which it does after some 40 ms.
const NAGLE: Duration = Duration::from_millis(30);

const NAGLE_HINT: &str = "the broker holds small packets back, so a reading may come 40 ms late: for mosquitto, set \
                          `set_tcp_nodelay true`";

/// The report.
#[derive(Serialize)]
pub(super) struct Report {
    site: String,
    broker: Broker,
    listened_s: f64,
    items: Vec<Line>,
    retained_commands: Vec<RetainedCommand>,
    relays: Vec<Trial>,
    /// How many things are wrong.
    pub(super) findings: usize,
}

#[derive(Serialize)]
struct Broker {
    host: String,
    port: u16,
    protocol: &'static str,
    acknowledged_ms: Option<f64>,
    returned_ms: Option<f64>,
    hint: Option<&'static str>,
}

/// One thing that should be heard.
#[derive(Serialize)]
struct Line {
    name: String,
    topic: String,
    pointer: Option<String>,
    messages: u32,
    retained: u32,
    not_understood: u32,
    interval_s: Option<f64>,
    value: Option<f64>,
    unit: &'static str,
    says: Option<String>,
    fault: Option<String>,
}

/// A retained message on a command topic.
#[derive(Serialize)]
struct RetainedCommand {
    name: String,
    topic: String,
}

/// What became of the trial of one output.
#[derive(Serialize)]
pub(super) struct Trial {
    name: String,
    outcome: &'static str,
    note: String,
}

impl Trial {
    /// It went on and off.
    pub(super) fn done(name: String, reported: bool) -> Trial {
        let note = if reported { "reported on, then off" } else { "taken by the broker; it reports nothing, so look" };
        Trial { name, outcome: "worked", note: note.to_owned() }
    }

    /// It did not, which is a finding.
    pub(super) fn failed(name: String, note: &str) -> Trial {
        Trial { name, outcome: "failed", note: note.to_owned() }
    }

    /// It was left out.
    pub(super) fn skipped(name: String, note: &str) -> Trial {
        Trial { name, outcome: "skipped", note: note.to_owned() }
    }
}

impl Report {
    /// Sums up.
    pub(super) fn new(
        settings: &Settings,
        hearing: &Hearing,
        listened: Duration,
        round_trip: Option<RoundTrip>,
        relays: Vec<Trial>,
    ) -> Report {
        let probes = settings.enclosures.iter().enumerate().flat_map(|(e, enclosure)| {
            (0..enclosure.probes.len()).map(move |p| probe(settings, hearing, EnclosureIx(e), ProbeIx(p), listened))
        });
        let reports = outputs(settings).filter_map(|(output_ref, name, output)| {
            let heard = hearing.of(Item::Report(output_ref));
            let fault = heard.fault(settings, Item::Report(output_ref)).map(|fault| words(&fault, None));
            let topic = output.state.clone()?;
            Some(Line::new(format!("{name} (state)"), topic, output.state_pointer.clone(), "", heard, fault))
        });
        let items: Vec<Line> = probes.chain(reports).collect();
        let is_retained = |(output_ref, ..): &(OutputRef, _, _)| hearing.retained_commands.contains(output_ref);
        let retained_commands: Vec<_> = outputs(settings)
            .filter(is_retained)
            .map(|(_, name, output)| RetainedCommand { name, topic: output.set.clone() })
            .collect();
        let findings = items.iter().filter(|line| line.fault.is_some()).count()
            + retained_commands.len()
            + relays.iter().filter(|trial| trial.outcome == "failed").count();
        Report {
            site: settings.site.name.clone(),
            broker: Broker::new(settings, round_trip),
            listened_s: rounded(listened),
            items,
            retained_commands,
            relays,
            findings,
        }
    }

    /// As one JSON document.
    pub(super) fn write_json(&self, out: &mut impl Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut *out, self)?;
        writeln!(out)
    }

    /// As lines for a person; an exclamation mark stands before what is wrong.
    pub(super) fn write_text(&self, out: &mut impl Write) -> io::Result<()> {
        let Broker { host, port, protocol, acknowledged_ms, returned_ms, hint } = &self.broker;
        writeln!(out, "{} at {host}:{port}, MQTT {protocol}, listened for {} s\n", self.site, self.listened_s)?;
        let width = self.items.iter().map(|line| line.name.chars().count()).max().unwrap_or(0);
        for line in &self.items {
            line.write(out, width)?;
        }
        for RetainedCommand { name, topic } in &self.retained_commands {
            writeln!(
                out,
                "! {name:width$}  a retained message on {topic}: after a power cut it acts by itself; the daemon deletes it"
            )?;
        }
        for Trial { name, outcome, note } in &self.relays {
            let mark = if *outcome == "failed" { '!' } else { ' ' };
            writeln!(out, "{mark} {name:width$}  relay {outcome}: {note}")?;
        }
        match (acknowledged_ms, returned_ms) {
            (Some(ack), Some(back)) => {
                writeln!(out, "\nQoS 1: acknowledged after {ack} ms; a message that follows takes {back} ms")?;
            }
            _ => writeln!(out, "\nQoS 1: our own messages did not come back; the broker's access rules may forbid it")?,
        }
        if let Some(hint) = hint {
            writeln!(out, "  {hint}")?;
        }
        match self.findings {
            0 => writeln!(out, "all is well"),
            1 => writeln!(out, "1 finding"),
            many => writeln!(out, "{many} findings"),
        }
    }
}

impl Broker {
    fn new(settings: &Settings, round_trip: Option<RoundTrip>) -> Broker {
        let late = |trip: RoundTrip| trip.returned.saturating_sub(trip.acknowledged) >= NAGLE;
        let milliseconds = |span: Duration| (span.as_secs_f64() * 1e5).round() / 100.0;
        Broker {
            host: settings.broker.host.clone(),
            port: settings.broker.port,
            protocol: match settings.broker.protocol {
                Protocol::V311 => "3.1.1",
                Protocol::V5 => "5",
            },
            acknowledged_ms: round_trip.map(|trip| milliseconds(trip.acknowledged)),
            returned_ms: round_trip.map(|trip| milliseconds(trip.returned)),
            hint: round_trip.is_some_and(late).then_some(NAGLE_HINT),
        }
    }
}

impl Line {
    fn new(
        name: String,
        topic: String,
        pointer: Option<String>,
        unit: &'static str,
        heard: super::hearing::Heard,
        fault: Option<String>,
    ) -> Line {
        Line {
            name,
            topic,
            pointer,
            messages: heard.messages,
            retained: heard.retained,
            not_understood: heard.unread,
            interval_s: heard.interval().map(rounded),
            value: heard.value.map(|value| (value * 1000.0).round() / 1000.0),
            unit,
            says: heard.newest.and_then(Result::ok),
            fault,
        }
    }

    fn write(&self, out: &mut impl Write, width: usize) -> io::Result<()> {
        let mark = if self.fault.is_some() { '!' } else { ' ' };
        let says = self.says.as_deref().unwrap_or("-");
        write!(out, "{mark} {:width$}  {says:>10}  {} messages", self.name, self.messages)?;
        if let Some(interval) = self.interval_s {
            write!(out, ", one every {interval} s")?;
        }
        if self.retained > 0 {
            write!(out, ", {} retained", self.retained)?;
        }
        if self.not_understood > 0 {
            write!(out, ", {} of no use", self.not_understood)?;
        }
        write!(out, "  {}", self.topic)?;
        if let Some(pointer) = &self.pointer {
            write!(out, " {pointer}")?;
        }
        writeln!(out)?;
        match &self.fault {
            Some(fault) => writeln!(out, "  {:width$}    {fault}", ""),
            None => Ok(()),
        }
    }
}

/// The line of a probe.
fn probe(settings: &Settings, hearing: &Hearing, e: EnclosureIx, p: ProbeIx, listened: Duration) -> Line {
    let enclosure = &settings.enclosures[e.0];
    let probe = &enclosure.probes[p.0];
    let item = Item::Probe(e, p);
    let heard = hearing.of(item);
    let fault = heard.fault(settings, item).map(|fault| words(&fault, Some((probe.every, listened))));
    let name = format!("{} {}", enclosure.id, probe.name);
    Line::new(name, probe.topic.clone(), probe.pointer.clone(), probe.measures.unit(), heard, fault)
}

/// A fault in words; for a probe with how often it should speak and how long we have listened.
fn words(fault: &Fault, expected: Option<(Duration, Duration)>) -> String {
    match (fault, expected) {
        (Fault::Silent, Some((every, listened))) if listened < every + every / 2 => {
            format!("silent; it speaks every {}, so listen longer", spoken(every))
        }
        (Fault::Silent, Some((every, _))) => format!("silent; it should speak every {}", spoken(every)),
        (Fault::Silent, None) => "silent; switch it by hand and see whether this topic is right".to_owned(),
        (fault, _) => fault.plainly(),
    }
}

/// Seconds to the hundredth.
fn rounded(span: Duration) -> f64 {
    (span.as_secs_f64() * 100.0).round() / 100.0
}
