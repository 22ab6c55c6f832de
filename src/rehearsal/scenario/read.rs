//! From TOML to a [`Scenario`], with every finding at once, as the configuration is read.

use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::config::form::{At, Draft, Fields, Put, Sink, Value, read as read_form};
use crate::config::{self, Finding, Severity, Source, nearest};
use crate::control::{Act, AlarmKind, MeterReading, Priority, SeasonAct};
use crate::message::topics;
use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx, Settings};
use crate::simulator::{Climate, Region};
use crate::units::{Celsius, Kelvin, Level, Uvi};

use super::keys::SCENARIO;
use super::trouble::{Mishap, Parts, classes, needs};
use super::{Bound, Expectation, Room, Scenario, Site, Swarm, Timed, What, When, Whose, moment};

/// What became of a scenario.
#[derive(Debug)]
pub struct Checked {
    /// The scenario; none where there is an error.
    pub scenario: Option<Scenario>,
    /// Every finding: those of the scenario, then those of its configuration.
    pub findings: Vec<Finding>,
    /// The texts the findings are about, for [`config::render`].
    pub sources: Vec<Source>,
}

/// Reads one scenario. `load` gives the files of a configuration by the path the scenario names, or says why it cannot.
pub fn read(source: &Source, load: &mut dyn FnMut(&str) -> Result<Vec<Source>, String>) -> Checked {
    let mut sources = vec![source.clone()];
    let own = sources.clone();
    let mut sink = Sink::new(&own);
    let fields = read_form(&SCENARIO, 0, &source.text, &mut sink);
    fields.report_missing(&mut sink);
    for part in ["fault", "act", "expect"].into_iter().flat_map(|key| fields.many(key)) {
        part.report_missing_here(&mut sink);
    }
    let mut of_site = Vec::new();
    let site = site(&fields, source, &mut sources, &mut of_site, load, &mut sink);
    let scenario = site.and_then(|site| Reader { site, fields: &fields, sink: &mut sink }.scenario(&source.name));
    let mut findings = sink.finish();
    findings.extend(of_site);
    let refused = findings.iter().any(|finding| finding.severity == Severity::Error);
    Checked { scenario: scenario.filter(|_| !refused), findings, sources }
}

/// The configuration under test. Its own findings go to `findings`, and the texts they are about to `sources`.
fn site(
    fields: &Fields,
    source: &Source,
    sources: &mut Vec<Source>,
    findings: &mut Vec<Finding>,
    load: &mut dyn FnMut(&str) -> Result<Vec<Source>, String>,
    sink: &mut Sink,
) -> Option<Site> {
    let (text, path) = (fields.text("site"), fields.text("configuration"));
    let (texts, site) = match (text, path) {
        (Some(text), None) => {
            let shown = in_place(&source.text, &text);
            (vec![Source { name: source.name.clone(), text: shown }], (Some(text.value), None))
        }
        (None, Some(path)) => match load(&path.value) {
            Ok(texts) => {
                sources.extend(texts.iter().cloned());
                (texts, (None, Some(path.value)))
            }
            Err(why) => {
                let wrong = format!("of the configuration \"{}\": {why}", path.value);
                sink.error(path.at, wrong, "name a file that is there, from the folder of this one");
                return None;
            }
        },
        (None, None) => {
            let wrong = "the scenario has no site";
            sink.push(Draft::error(fields.at, wrong, "add `site` or `configuration`").absence());
            return None;
        }
        (Some(text), Some(_)) => {
            sink.error(text.at, "`site` and `configuration` both give the site", "keep one of them");
            return None;
        }
    };
    let checked = config::parse(&texts);
    findings.extend(checked.findings.into_iter().filter(|finding| finding.severity == Severity::Error));
    Some(Site { settings: checked.settings?, text: site.0, path: site.1 })
}

/// The scenario's text with everything blanked but the configuration inside it, so that findings about that stand where
/// it stands. A text with escapes in it does not stand there word for word and is taken as it is.
fn in_place(whole: &str, text: &Put<String>) -> String {
    let written = whole.get(text.at.start..text.at.end).unwrap_or("");
    let Some(within) = written.find(&text.value) else { return text.value.clone() };
    let (from, to) = (text.at.start + within, text.at.start + within + text.value.len());
    let blank = |part: &str| -> String {
        part.chars().flat_map(|c| std::iter::repeat_n(if c == '\n' { '\n' } else { ' ' }, c.len_utf8())).collect()
    };
    [&blank(&whole[..from]), &whole[from..to], &blank(&whole[to..])].concat()
}

struct Reader<'r, 's> {
    site: Site,
    fields: &'r Fields,
    sink: &'r mut Sink<'s>,
}

impl Reader<'_, '_> {
    fn scenario(mut self, name: &str) -> Option<Scenario> {
        let fields = self.fields;
        let zone = self.site.settings.site.timezone;
        let written = fields.text("start")?;
        let Some(start) = moment::start(&written.value, zone) else {
            let wrong = format!("`start` is \"{}\", which is no date and time at the site", written.value);
            self.sink.error(written.at, wrong, "write it such as \"2026-06-21 00:00\"");
            return None;
        };
        let span = fields.span("span")?.value;
        let place = Place { start, span };
        let mishaps = fields.many("fault").iter().filter_map(|fault| self.fault(fault, place)).collect();
        let mut acts: Vec<_> = fields.many("act").iter().filter_map(|act| self.act(act, place)).collect();
        acts.sort_by_key(|(at, _)| *at);
        let expectations = fields.many("expect").iter().filter_map(|expect| self.expectation(expect, place)).collect();
        let healed = fields.text("healed").and_then(|written| self.moment(&written, place));
        let swarm = fields.table("swarm").and_then(|swarm| {
            let faults = usize::try_from(swarm.whole("faults")?.value).ok()?;
            Some(Swarm { safety: swarm.span("safety")?.value, liveness: swarm.span("liveness")?.value, faults })
        });
        Some(Scenario {
            name: name.to_owned(),
            title: fields.text("title")?.value,
            story: fields.text("story")?.value.split_whitespace().collect::<Vec<_>>().join(" "),
            start,
            span,
            seed: fields.whole("seed").map_or(1, |seed| seed.value.unsigned_abs()),
            slow: fields.switch("slow"),
            room: fields.table("room").map_or_else(Room::default, room),
            mishaps,
            acts,
            expectations,
            healed,
            swarm,
            site: self.site,
        })
    }

    fn settings(&self) -> &Settings {
        &self.site.settings
    }

    fn moment(&mut self, written: &Put<String>, place: Place) -> Option<Duration> {
        let moment = moment::parse(&written.value, place.start, self.settings().site.timezone);
        match moment {
            Some(at) if at <= place.span => return Some(at),
            Some(_) => self.sink.error(written.at, "the story is over by then", "make `span` longer"),
            None => {
                let wrong = format!("\"{}\" is no moment of this story", written.value);
                self.sink.error(written.at, wrong, moment::HOW);
            }
        }
        None
    }

    fn optional_moment(&mut self, fields: &Fields, key: &str, place: Place) -> Option<Option<Duration>> {
        match fields.text(key) {
            Some(written) => self.moment(&written, place).map(Some),
            None => Some(None),
        }
    }

    fn unknown<'n>(&mut self, at: At, what: &str, name: &str, known: impl Iterator<Item = &'n str> + Clone) {
        let near = nearest(name, known.clone());
        let right = match near {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("one of {}", known.collect::<Vec<_>>().join(", ")),
        };
        self.sink.push(Draft::error(at, format!("there is no {what} \"{name}\""), right).nearest(near));
    }

    fn enclosure_named(&mut self, at: At, name: &str) -> Option<EnclosureIx> {
        let known = self.settings().enclosures.iter().position(|enclosure| enclosure.id == name);
        if known.is_none() {
            let ids: Vec<String> = self.settings().enclosures.iter().map(|enclosure| enclosure.id.clone()).collect();
            self.unknown(at, "enclosure", name, ids.iter().map(String::as_str));
        }
        known.map(EnclosureIx)
    }

    /// `enclosure/part` under `key`, where it stands.
    fn part(&mut self, fields: &Fields, key: &str) -> Option<(EnclosureIx, String, At)> {
        let written = fields.text(key)?;
        let Some((enclosure, part)) = written.value.split_once('/') else {
            let wrong = format!("`{key}` is \"{}\", which names no enclosure", written.value);
            self.sink.error(written.at, wrong, "write enclosure and name, such as \"e1/heat\"");
            return None;
        };
        Some((self.enclosure_named(written.at, enclosure)?, part.to_owned(), written.at))
    }

    fn lamp(&mut self, fields: &Fields, key: &str) -> Option<(EnclosureIx, LampIx)> {
        let (e, name, at) = self.part(fields, key)?;
        let names: Vec<String> = self.settings().enclosures[e.0].lamps.iter().map(|lamp| lamp.name.clone()).collect();
        let known = names.iter().position(|known| *known == name);
        if known.is_none() {
            self.unknown(at, "lamp", &name, names.iter().map(String::as_str));
        }
        known.map(|lamp| (e, LampIx(lamp)))
    }

    fn probe(&mut self, fields: &Fields, key: &str) -> Option<(EnclosureIx, ProbeIx)> {
        let (e, name, at) = self.part(fields, key)?;
        let names: Vec<String> = self.settings().enclosures[e.0].probes.iter().map(|it| it.name.clone()).collect();
        let known = names.iter().position(|known| *known == name);
        if known.is_none() {
            self.unknown(at, "probe", &name, names.iter().map(String::as_str));
        }
        known.map(|probe| (e, ProbeIx(probe)))
    }

    fn cut_off(&mut self, fields: &Fields) -> Option<CutOffIx> {
        let written = fields.text("cut_off")?;
        let names: Vec<String> = self.settings().cut_offs.iter().map(|cut_off| cut_off.name.clone()).collect();
        let known = names.iter().position(|known| *known == written.value);
        if known.is_none() {
            self.unknown(written.at, "cut-off", &written.value, names.iter().map(String::as_str));
        }
        known.map(CutOffIx)
    }

    fn alarm(&mut self, at: At, name: &str) -> Option<AlarmKind> {
        let kind = AlarmKind::from_name(name);
        if kind.is_none() {
            self.unknown(at, "kind of alarm", name, AlarmKind::ALL.iter().map(|kind| kind.name()));
        }
        kind
    }

    fn fault(&mut self, fields: &Fields, place: Place) -> Option<Timed<Mishap>> {
        let class = fields.text("what")?;
        if !classes().any(|known| known == class.value) {
            let known: Vec<_> = classes().collect();
            self.unknown(class.at, "class of fault", &class.value, known.iter().copied());
            return None;
        }
        // Whatever is wrong is told at once: nothing here ends before the parts have been looked at.
        let at = fields.text("at").and_then(|written| self.moment(&written, place));
        let until = self.optional_moment(fields, "until", place);
        let parts = self.parts(fields, &class.value);
        let (at, until, parts) = (at?, until?, parts?);
        if fields.has("until") && fields.has("for") {
            self.sink.error(fields.place("for"), "`until` and `for` both say when it ends", "keep one of them");
        }
        let until = until.or(fields.span("for").map(|span| at + span.value));
        if until.is_some_and(|until| until <= at) {
            self.sink.error(fields.place("until"), "it would be over before it begins", "a moment after `at`");
        }
        match parts.mishap(&class.value) {
            Some(what) => Some(Timed { at, until: until.filter(|_| !what.is_act()), what }),
            None => {
                let spoken = |need: &&str| match *need {
                    "switch" => "`lamp` or `cut_off`".to_owned(),
                    need => format!("`{need}`"),
                };
                let right =
                    format!("it needs {}", needs(&class.value).iter().map(spoken).collect::<Vec<_>>().join(", "));
                self.sink.push(Draft::error(class.at, format!("\"{}\" is not whole", class.value), right).absence());
                None
            }
        }
    }

    /// The parts of a fault of `class`; none where one of them names nothing.
    fn parts(&mut self, fields: &Fields, class: &str) -> Option<Parts> {
        let given = |key: &str| fields.has(key);
        let needs = needs(class);
        let wanted =
            |key: &str| needs.contains(&key) || (needs.contains(&"switch") && matches!(key, "lamp" | "cut_off"));
        let parts = Parts {
            enclosure: match fields.text("enclosure") {
                Some(name) => Some(self.enclosure_named(name.at, &name.value)?),
                None => None,
            },
            lamp: if given("lamp") { Some(self.lamp(fields, "lamp")?) } else { None },
            probe: if given("probe") { Some(self.probe(fields, "probe")?) } else { None },
            other: if given("other") { Some(self.probe(fields, "other")?) } else { None },
            cut_off: if given("cut_off") { Some(self.cut_off(fields)?) } else { None },
            by: fields.number("by").map(|put| put.value),
            share: fields.number("share").map(|put| put.value),
            over: fields.span("over").map(|put| put.value),
            last: fields.span("last").map(|put| put.value),
            apart: fields.span("apart").map(|put| put.value),
            power: fields.number("power").map(|put| put.value),
            uv: fields.number("uv").map(|put| put.value),
            says: fields.text("says").map(|put| put.value == "on"),
        };
        for extra in parts.given().into_iter().filter(|key| !wanted(key)) {
            let wrong = format!("`{extra}` means nothing to \"{class}\"");
            self.sink.error(fields.place(extra), wrong, "leave it out");
        }
        Some(parts)
    }

    fn act(&mut self, fields: &Fields, place: Place) -> Option<(Duration, Act)> {
        let at = self.moment(&fields.text("at")?, place)?;
        let doing = fields.text("do")?;
        let whose = match fields.text("enclosure") {
            Some(name) if name.value == topics::SITE => Some(None),
            Some(name) => Some(Some(self.enclosure_named(name.at, &name.value)?)),
            None => None,
        };
        let lamp = if fields.has("lamp") { Some(self.lamp(fields, "lamp")?) } else { None };
        let mut missing = |need: &str| {
            let right = format!("it needs {need}");
            self.sink.push(Draft::error(doing.at, format!("\"{}\" is not whole", doing.value), right).absence());
            None
        };
        let act = match (doing.value.as_str(), whose, lamp) {
            ("acknowledge", Some(enclosure), _) => {
                let kind = match fields.text("alarm") {
                    Some(name) => Some(self.alarm(name.at, &name.value)?),
                    None => None,
                };
                Act::Acknowledge { enclosure, kind }
            }
            ("acknowledge", None, _) => return missing("`enclosure`"),
            ("shelve" | "unshelve" | "out-of-service" | "in-service", None, _) => return missing("`enclosure`"),
            ("shelve", Some(enclosure), _) => {
                let (Some(name), Some(span), Some(why)) =
                    (fields.text("alarm"), fields.span("for"), fields.text("why"))
                else {
                    return missing("`alarm`, `for` and `why`");
                };
                Act::Shelve { enclosure, kind: self.alarm(name.at, &name.value)?, span: span.value, why: why.value }
            }
            ("unshelve", Some(enclosure), _) => {
                let kind = match fields.text("alarm") {
                    Some(name) => Some(self.alarm(name.at, &name.value)?),
                    None => None,
                };
                Act::Unshelve { enclosure, kind }
            }
            ("out-of-service" | "in-service", Some(None), _) => return missing("the `enclosure` of an animal"),
            ("out-of-service", Some(Some(enclosure)), _) => match fields.text("why") {
                Some(why) => Act::Service { enclosure, out: Some(why.value) },
                None => return missing("`why`"),
            },
            ("in-service", Some(Some(enclosure)), _) => Act::Service { enclosure, out: None },
            ("reset", _, Some((enclosure, lamp))) => Act::Reset { enclosure, lamp: Some(lamp) },
            ("reset", Some(Some(enclosure)), None) => Act::Reset { enclosure, lamp: None },
            ("reset", ..) => return missing("`lamp` or `enclosure`"),
            ("meter-reading", whose, lamp) => {
                let enclosure = lamp.map(|(enclosure, _)| enclosure).or(whose.flatten());
                let (Some(enclosure), Some(spot), Some(uvi)) = (enclosure, fields.text("spot"), fields.number("uvi"))
                else {
                    return missing("`enclosure` (or the one `lamp` that is lit), `spot` and `uvi`");
                };
                let guess = fields.switch("guess");
                let alone = lamp.map(|(_, lamp)| lamp);
                let reading = MeterReading { spot: spot.value, uvi: Uvi(uvi.value), alone, guess };
                Act::MeterReading { enclosure, reading }
            }
            ("lamp-change", _, Some((enclosure, lamp))) => Act::LampChange { enclosure, lamp },
            ("season", Some(Some(enclosure)), _) => {
                let Some(act) = fields.text("season").and_then(|word| SeasonAct::from_word(&word.value)) else {
                    return missing("`season`: what is said of it");
                };
                Act::Season { enclosure, act }
            }
            ("season", ..) => return missing("`enclosure`"),
            ("reset-cut-off", ..) if fields.has("cut_off") => Act::ResetCutOff { cut_off: self.cut_off(fields)? },
            ("reset-cut-off", ..) => return missing("`cut_off`"),
            (_, _, Some((enclosure, lamp))) => {
                let level = fields.number("level").map(|level| Level::clamped(level.value));
                let span = fields.span("for").map_or(Duration::ZERO, |span| span.value);
                if level.is_some() && span.is_zero() {
                    return missing("`for`");
                }
                Act::Override { enclosure, lamp, level, span }
            }
            _ => return missing("`lamp`"),
        };
        Some((at, act))
    }

    fn expectation(&mut self, fields: &Fields, place: Place) -> Option<Expectation> {
        let (when, what) = (self.when(fields, place), self.what(fields));
        let (when, what) = (when?, what?);
        let before = self.sink.excerpt(At { start: 0, ..fields.at });
        let (line, _) = config::line_and_column(before, fields.at.start);
        Some(Expectation { when, what, line })
    }

    fn when(&mut self, fields: &Fields, place: Place) -> Option<When> {
        let from = self.optional_moment(fields, "from", place)?.unwrap_or(Duration::ZERO);
        let until = self.optional_moment(fields, "until", place)?.unwrap_or(place.span);
        let said = ["within", "always", "never", "by_the_end"].map(|key| match key {
            "within" => fields.has(key),
            _ => fields.switch(key),
        });
        if said.iter().filter(|said| **said).count() != 1 {
            let wrong = "an expectation holds `within` a time, `always`, `never` or `by_the_end`, and only one of them";
            self.sink.push(Draft::error(fields.at, wrong, "say when it must hold").absence());
            return None;
        }
        if from > until {
            let wrong = "it would be over before it begins, and hold whatever happens";
            self.sink.error(fields.place("until"), wrong, "a moment after `from`");
        }
        Some(match said {
            [true, ..] => {
                let of = self.optional_moment(fields, "of", place)?.unwrap_or(Duration::ZERO);
                When::Within(of, (of + fields.span("within")?.value).min(place.span))
            }
            [_, true, ..] => When::Always(from, until),
            [_, _, true, _] => When::Never(from, until),
            _ => When::End,
        })
    }

    fn what(&mut self, fields: &Fields) -> Option<What> {
        let subjects = ["alarm", "lamp", "guard", "cut_off", "place", "probe", "truth"];
        let mut said = subjects.into_iter().filter(|key| fields.has(key));
        let (Some(subject), None) = (said.next(), said.next()) else {
            let wrong = "an expectation is about one thing";
            let right = format!("write one of {}", subjects.join(", "));
            self.sink.push(Draft::error(fields.at, wrong, right).absence());
            return None;
        };
        match subject {
            "alarm" => self.what_alarm(fields),
            "lamp" => self.what_lamp(fields),
            "guard" => {
                let (e, l) = self.lamp(fields, "guard")?;
                let standing = self.state(fields, &["clear", "waiting", "tripped", "latched"])?;
                Some(What::Guard(e, l, standing))
            }
            "cut_off" => {
                let cut_off = self.cut_off(fields)?;
                Some(What::Closed(cut_off, self.state(fields, &["open", "closed"])? == "closed"))
            }
            "place" => {
                let (e, name, at) = self.part(fields, "place")?;
                let regions = ["surface", "air", "warm", "cool"];
                let Some(region) = regions.iter().position(|known| *known == name) else {
                    self.unknown(at, "place", &name, regions.into_iter());
                    return None;
                };
                Some(What::Place(e, Region::ALL[region], self.bound(fields)?))
            }
            "probe" => {
                let (e, p) = self.probe(fields, "probe")?;
                Some(What::Probe(e, p, self.bound(fields)?))
            }
            _ => {
                let (e, p) = self.probe(fields, "truth")?;
                Some(What::Truth(e, p, self.bound(fields)?))
            }
        }
    }

    fn what_alarm(&mut self, fields: &Fields) -> Option<What> {
        let name = fields.text("alarm")?;
        let kind = if name.value == "any" { None } else { Some(self.alarm(name.at, &name.value)?) };
        let except = fields.list("except").unwrap_or_default().iter().filter_map(|node| {
            let Value::Text(text) = &node.value else { return None };
            self.alarm(node.at, text)
        });
        let except = except.collect();
        let whose = match fields.text("enclosure") {
            Some(name) if name.value == topics::SITE => Whose::Site,
            Some(name) => Whose::Enclosure(self.enclosure_named(name.at, &name.value)?),
            None => Whose::Any,
        };
        let priorities = [Priority::Low, Priority::Medium, Priority::High, Priority::Critical];
        let least = fields.text("least").and_then(|word| priorities.into_iter().find(|p| p.word() == word.value));
        let aside = fields.has("aside").then(|| fields.switch("aside"));
        Some(What::Alarm { kind, except, least: least.unwrap_or(Priority::Low), whose, aside })
    }

    fn what_lamp(&mut self, fields: &Fields) -> Option<What> {
        let (e, l) = self.lamp(fields, "lamp")?;
        match (fields.has("is"), fields.text("told"), fields.text("because")) {
            (true, None, None) => Some(What::Burns(e, l, self.state(fields, &["on", "off"])? == "on")),
            (false, Some(told), None) => Some(What::Told(e, l, told.value == "on")),
            (false, None, Some(words)) => Some(What::Because(e, l, words.value)),
            _ => {
                let wrong = "what is expected of the lamp is not clear";
                let right = "write one of `is`, `told` and `because`";
                self.sink.push(Draft::error(fields.place("lamp"), wrong, right).absence());
                None
            }
        }
    }

    /// `is`, one of `words`.
    fn state(&mut self, fields: &Fields, words: &[&'static str]) -> Option<&'static str> {
        let Some(word) = fields.text("is") else {
            let right = format!("add `is`: one of {}", words.join(", "));
            self.sink.push(Draft::error(fields.at, "the expectation has no `is`", right).absence());
            return None;
        };
        let known = words.iter().copied().find(|known| *known == word.value);
        if known.is_none() {
            let right = format!("one of {}", words.join(", "));
            self.sink.error(word.at, format!("`is` cannot be \"{}\" here", word.value), right);
        }
        known
    }

    fn bound(&mut self, fields: &Fields) -> Option<Bound> {
        let (above, below) = (fields.number("above"), fields.number("below"));
        if above.is_none() && below.is_none() {
            let wrong = "the expectation gives no limit";
            self.sink.push(Draft::error(fields.at, wrong, "add `above`, `below` or both").absence());
            return None;
        }
        Some(Bound { above: above.map(|put| put.value), below: below.map(|put| put.value) })
    }
}

/// When the story plays.
#[derive(Clone, Copy)]
struct Place {
    start: DateTime<Utc>,
    span: Duration,
}

fn room(fields: &Fields) -> Room {
    let standard = Climate::default();
    let number = |key: &str, otherwise: f64| fields.number(key).map_or(otherwise, |put| put.value);
    let climate = Climate {
        weather: Kelvin(number("weather", standard.weather.0)),
        mean: Celsius(number("mean", standard.mean.0)),
        season: Kelvin(number("season", standard.season.0)),
        day: Kelvin(number("day", standard.day.0)),
        wander: Kelvin(number("wander", standard.wander.0)),
    };
    Room { climate, size: fields.number("size").map(|put| put.value) }
}
