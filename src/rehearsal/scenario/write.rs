//! From a [`Scenario`] back to TOML, ready to be rehearsed again.

use std::fmt::Write as _;
use std::time::Duration;

use crate::config::form::span_text;
use crate::control::{Act, Priority};
use crate::message::topics;
use crate::settings::{EnclosureIx, LampIx, ProbeIx, Settings};
use crate::simulator::{Climate, Region};

use super::{Bound, Expectation, Mishap, Room, Scenario, Timed, What, When, Whose};

impl Scenario {
    /// The scenario as a file that [`read`](super::read()) reads back.
    pub fn to_toml(&self) -> String {
        let mut out = String::new();
        let zone = self.site.settings.site.timezone;
        line(&mut out, "title", &quoted(&self.title));
        line(&mut out, "story", &quoted(&self.story));
        line(&mut out, "start", &quoted(&self.start.with_timezone(&zone).format("%Y-%m-%d %H:%M:%S").to_string()));
        line(&mut out, "span", &span(self.span));
        line(&mut out, "seed", &self.seed.to_string());
        if self.slow {
            line(&mut out, "slow", "true");
        }
        if let Some(healed) = self.healed {
            line(&mut out, "healed", &moment(healed));
        }
        match (&self.site.text, &self.site.path) {
            (Some(text), _) => line(&mut out, "site", &format!("'''\n{}'''", text.trim_start_matches('\n'))),
            (None, Some(path)) => line(&mut out, "configuration", &quoted(path)),
            (None, None) => {}
        }
        room(&mut out, self.room);
        let names = Names(&self.site.settings);
        self.mishaps.iter().for_each(|mishap| names.fault(&mut out, mishap));
        self.acts.iter().for_each(|(at, act)| names.act(&mut out, *at, act));
        self.expectations.iter().for_each(|expectation| names.expectation(&mut out, expectation));
        if let Some(swarm) = self.swarm {
            let _ = writeln!(out, "\n[swarm]");
            line(&mut out, "safety", &span(swarm.safety));
            line(&mut out, "liveness", &span(swarm.liveness));
            line(&mut out, "faults", &swarm.faults.to_string());
        }
        out
    }

    /// A moment, ms since the start, as a person reads it.
    pub fn spoken(&self, at: u64) -> String {
        super::moment::spoken(self.start, self.site.settings.site.timezone, at)
    }

    /// A fault as its class and where, and how much of it.
    pub(in crate::rehearsal) fn fault_in_words(&self, mishap: &Mishap) -> (String, String) {
        let parts = Names(&self.site.settings).parts(mishap);
        let is_place = |key: &str| matches!(key, "lamp" | "probe" | "cut_off" | "enclosure");
        let place = parts.iter().find(|(key, _)| is_place(key)).map_or("", |(_, value)| value.trim_matches('"'));
        let amounts: Vec<_> = parts.iter().filter(|(key, _)| !is_place(key)).map(in_words).collect();
        (format!("{} {place}", mishap.class()).trim_end().to_owned(), amounts.join(", "))
    }

    /// What goes wrong and when, a line each.
    pub fn mishaps_in_words(&self) -> Vec<String> {
        let ms = |at: Duration| u64::try_from(at.as_millis()).unwrap_or(u64::MAX);
        let line = |mishap: &Timed<Mishap>| {
            let (name, amounts) = self.fault_in_words(&mishap.what);
            let until = mishap.until.map_or(String::new(), |until| format!(" until {}", self.spoken(ms(until))));
            format!("{}{until} {name} {amounts}", self.spoken(ms(mishap.at))).trim_end().to_owned()
        };
        self.mishaps.iter().map(line).collect()
    }

    /// What the keeper does, as it is written.
    pub(in crate::rehearsal) fn act_in_words(&self, act: &Act) -> String {
        let pairs = Names(&self.site.settings).doing(act);
        pairs
            .iter()
            .map(|(key, value)| match *key {
                "do" | "lamp" | "enclosure" | "cut_off" => value.trim_matches('"').to_owned(),
                _ => in_words(&(*key, value.clone())),
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    /// An expectation as a sentence.
    pub fn expectation_in_words(&self, expectation: &Expectation) -> String {
        let zone = self.site.settings.site.timezone;
        let spoken = |at: Duration| super::moment::spoken(self.start, zone, at.as_millis() as u64);
        let what: Vec<_> = Names(&self.site.settings).what(&expectation.what).iter().map(in_words).collect();
        let what = what.join(" ");
        match expectation.when {
            When::Within(from, to) => format!("between {} and {}: {what}", spoken(from), spoken(to)),
            When::Always(from, to) => format!("always from {} until {}: {what}", spoken(from), spoken(to)),
            When::Never(from, to) => format!("never from {} until {}: {what}", spoken(from), spoken(to)),
            When::End => format!("by the end: {what}"),
        }
    }
}

/// A key with its value as part of a sentence.
fn in_words((key, value): &(&'static str, String)) -> String {
    let plain = value.replace('"', "");
    match (*key, plain.as_str()) {
        ("alarm", "any") => "any alarm".to_owned(),
        ("enclosure", "site") => "of the site".to_owned(),
        ("enclosure", id) => format!("of {id}"),
        ("cut_off", name) => format!("cut-off {name}"),
        ("least", word) => format!("of priority {word} or higher"),
        ("except", list) => format!("except {}", list.trim_matches(['[', ']'])),
        (key, plain) => format!("{key} {plain}"),
    }
}

fn line(out: &mut String, key: &str, value: &str) {
    let _ = writeln!(out, "{key} = {value}");
}

/// A basic string of TOML. Control characters have no place in what is written here.
fn quoted(text: &str) -> String {
    let plain: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    format!("\"{}\"", plain.replace('\\', "\\\\").replace('"', "\\\""))
}

fn span(span: Duration) -> String {
    format!("\"{}\"", span_text(span))
}

fn moment(at: Duration) -> String {
    format!("\"+{}\"", span_text(at))
}

/// A number that is read back as a number.
fn number(number: f64) -> String {
    format!("{number:?}")
}

fn room(out: &mut String, room: Room) {
    if room == Room::default() {
        return;
    }
    let Climate { mean, season, day, wander, weather } = room.climate;
    let _ = writeln!(out, "\n[room]");
    line(out, "mean", &number(mean.0));
    line(out, "season", &number(season.0));
    line(out, "day", &number(day.0));
    line(out, "wander", &number(wander.0));
    line(out, "weather", &number(weather.0));
    if let Some(size) = room.size {
        line(out, "size", &number(size));
    }
}

/// Writes parts by their names.
struct Names<'a>(&'a Settings);

/// Keys with their values as TOML.
type Pairs = Vec<(&'static str, String)>;

impl Names<'_> {
    fn enclosure(&self, e: EnclosureIx) -> String {
        quoted(&self.0.enclosures[e.0].id)
    }

    fn lamp(&self, (e, l): (EnclosureIx, LampIx)) -> String {
        let enclosure = &self.0.enclosures[e.0];
        quoted(&format!("{}/{}", enclosure.id, enclosure.lamps[l.0].name))
    }

    fn probe(&self, (e, p): (EnclosureIx, ProbeIx)) -> String {
        let enclosure = &self.0.enclosures[e.0];
        quoted(&format!("{}/{}", enclosure.id, enclosure.probes[p.0].name))
    }

    fn parts(&self, mishap: &Mishap) -> Pairs {
        let parts = mishap.parts();
        let mut pairs = Pairs::new();
        let mut add = |key, value: Option<String>| pairs.extend(value.map(|value| (key, value)));
        add("enclosure", parts.enclosure.map(|e| self.enclosure(e)));
        add("lamp", parts.lamp.map(|lamp| self.lamp(lamp)));
        add("probe", parts.probe.map(|probe| self.probe(probe)));
        add("other", parts.other.map(|probe| self.probe(probe)));
        add("cut_off", parts.cut_off.map(|c| quoted(&self.0.cut_offs[c.0].name)));
        add("by", parts.by.map(number));
        add("share", parts.share.map(number));
        add("over", parts.over.map(span));
        add("last", parts.last.map(span));
        add("apart", parts.apart.map(span));
        add("power", parts.power.map(number));
        add("uv", parts.uv.map(number));
        add("says", parts.says.map(|on| quoted(if on { "on" } else { "off" })));
        pairs
    }

    fn fault(&self, out: &mut String, fault: &Timed<Mishap>) {
        let _ = writeln!(out, "\n[[fault]]");
        line(out, "at", &moment(fault.at));
        if let Some(until) = fault.until {
            line(out, "until", &moment(until));
        }
        line(out, "what", &quoted(fault.what.class()));
        self.parts(&fault.what).iter().for_each(|(key, value)| line(out, key, value));
    }

    fn act(&self, out: &mut String, at: Duration, act: &Act) {
        let _ = writeln!(out, "\n[[act]]");
        line(out, "at", &moment(at));
        self.doing(act).iter().for_each(|(key, value)| line(out, key, value));
    }

    fn doing(&self, act: &Act) -> Pairs {
        let mut pairs = Pairs::new();
        match act {
            Act::Acknowledge { enclosure, kind } => {
                pairs.push(("do", quoted("acknowledge")));
                pairs.push(("enclosure", enclosure.map_or_else(|| quoted(topics::SITE), |e| self.enclosure(e))));
                pairs.extend(kind.map(|kind| ("alarm", quoted(kind.name()))));
            }
            Act::Shelve { enclosure, kind, span: length, why } => {
                pairs.push(("do", quoted("shelve")));
                pairs.push(("enclosure", enclosure.map_or_else(|| quoted(topics::SITE), |e| self.enclosure(e))));
                pairs.push(("alarm", quoted(kind.name())));
                pairs.push(("for", span(*length)));
                pairs.push(("why", quoted(why)));
            }
            Act::Unshelve { enclosure, kind } => {
                pairs.push(("do", quoted("unshelve")));
                pairs.push(("enclosure", enclosure.map_or_else(|| quoted(topics::SITE), |e| self.enclosure(e))));
                pairs.extend(kind.map(|kind| ("alarm", quoted(kind.name()))));
            }
            Act::Service { enclosure, out } => {
                let doing = if out.is_some() { "out-of-service" } else { "in-service" };
                pairs.push(("do", quoted(doing)));
                pairs.push(("enclosure", self.enclosure(*enclosure)));
                pairs.extend(out.as_ref().map(|why| ("why", quoted(why))));
            }
            Act::Reset { enclosure, lamp } => {
                pairs.push(("do", quoted("reset")));
                pairs.push(match lamp {
                    Some(lamp) => ("lamp", self.lamp((*enclosure, *lamp))),
                    None => ("enclosure", self.enclosure(*enclosure)),
                });
            }
            // Stories are told in their own time: nobody in them is late.
            Act::MeterReading { enclosure, reading } | Act::LateReading { enclosure, reading, .. } => {
                pairs.push(("do", quoted("meter-reading")));
                pairs.push(match reading.alone {
                    Some(lamp) => ("lamp", self.lamp((*enclosure, lamp))),
                    None => ("enclosure", self.enclosure(*enclosure)),
                });
                pairs.push(("spot", quoted(&reading.spot)));
                pairs.push(("uvi", number(reading.uvi.0)));
                pairs.extend(reading.guess.then(|| ("guess", "true".to_owned())));
            }
            Act::LampChange { enclosure, lamp } => {
                pairs.push(("do", quoted("lamp-change")));
                pairs.push(("lamp", self.lamp((*enclosure, *lamp))));
            }
            Act::ResetCutOff { cut_off } => {
                pairs.push(("do", quoted("reset-cut-off")));
                pairs.push(("cut_off", quoted(&self.0.cut_offs[cut_off.0].name)));
            }
            Act::Override { enclosure, lamp, level, span: length } => {
                pairs.push(("do", quoted("override")));
                pairs.push(("lamp", self.lamp((*enclosure, *lamp))));
                pairs.extend(level.map(|level| ("level", number(level.share()))));
                pairs.extend(level.map(|_| ("for", span(*length))));
            }
        }
        pairs
    }

    fn expectation(&self, out: &mut String, expectation: &Expectation) {
        let _ = writeln!(out, "\n[[expect]]");
        let ends = |out: &mut String, from: Duration, until: Duration| {
            line(out, "from", &moment(from));
            line(out, "until", &moment(until));
        };
        match expectation.when {
            When::Within(from, to) => {
                line(out, "within", &span(to - from));
                line(out, "of", &moment(from));
            }
            When::Always(from, until) => {
                line(out, "always", "true");
                ends(out, from, until);
            }
            When::Never(from, until) => {
                line(out, "never", "true");
                ends(out, from, until);
            }
            When::End => line(out, "by_the_end", "true"),
        }
        self.what(&expectation.what).iter().for_each(|(key, value)| line(out, key, value));
    }

    fn what(&self, what: &What) -> Pairs {
        let on = |on: bool| quoted(if on { "on" } else { "off" });
        match what {
            What::Alarm { kind, except, least, whose, aside } => {
                let mut pairs = vec![("alarm", quoted(kind.map_or("any", |kind| kind.name())))];
                if !except.is_empty() {
                    let names: Vec<_> = except.iter().map(|kind| quoted(kind.name())).collect();
                    pairs.push(("except", format!("[{}]", names.join(", "))));
                }
                if *least > Priority::Low {
                    pairs.push(("least", quoted(least.word())));
                }
                match whose {
                    Whose::Any => {}
                    Whose::Site => pairs.push(("enclosure", quoted(topics::SITE))),
                    Whose::Enclosure(e) => pairs.push(("enclosure", self.enclosure(*e))),
                }
                pairs.extend(aside.map(|aside| ("aside", aside.to_string())));
                pairs
            }
            What::Burns(e, l, burns) => vec![("lamp", self.lamp((*e, *l))), ("is", on(*burns))],
            What::Told(e, l, told) => vec![("lamp", self.lamp((*e, *l))), ("told", on(*told))],
            What::Because(e, l, words) => vec![("lamp", self.lamp((*e, *l))), ("because", quoted(words))],
            What::Guard(e, l, standing) => vec![("guard", self.lamp((*e, *l))), ("is", quoted(standing))],
            What::Closed(c, closed) => {
                let word = if *closed { "closed" } else { "open" };
                vec![("cut_off", quoted(&self.0.cut_offs[c.0].name)), ("is", quoted(word))]
            }
            What::Place(e, region, limits) => {
                let region = match region {
                    Region::BaskingSurface => "surface",
                    Region::BaskingAir => "air",
                    Region::WarmSide => "warm",
                    Region::CoolSide => "cool",
                };
                bounded("place", quoted(&format!("{}/{region}", self.0.enclosures[e.0].id)), *limits)
            }
            What::Probe(e, p, limits) => bounded("probe", self.probe((*e, *p)), *limits),
            What::Truth(e, p, limits) => bounded("truth", self.probe((*e, *p)), *limits),
        }
    }
}

fn bounded(key: &'static str, value: String, limits: Bound) -> Pairs {
    let mut pairs = vec![(key, value)];
    pairs.extend(limits.above.map(|above| ("above", number(above))));
    pairs.extend(limits.below.map(|below| ("below", number(below))));
    pairs
}
