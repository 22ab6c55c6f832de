//! What arrives on which topic.

use std::collections::{BTreeMap, BTreeSet};

use crate::control::{Event, OutputRef, Reading};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Output, PayloadUnit, ProbeIx, Settings};

use crate::units::Level;

use super::payload::Payload;
use super::{Misread, act, command, topics};

/// One thing a message on a topic tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Arrival {
    /// A reading.
    Probe(EnclosureIx, ProbeIx),
    /// What an output does.
    Report(OutputRef),
    /// What an output is told: listened to only to find retained commands.
    Command(OutputRef),
}

/// What is listened to.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Subscription {
    /// Topic or filter.
    pub filter: String,
    /// What comes from it.
    pub watch: Watch,
}

/// What comes from a subscription. It decides what the retained flag means and whether our own messages come back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Watch {
    /// As [`Watch::Reports`], with readings that a guard goes by: where there is more than can be handled, they go first.
    Guards,
    /// Readings and reports: the retained flag must tell a message of unknown age from one that was just sent.
    Reports,
    /// Commands, ours or a person's: the retained flag must tell whether the sender had it kept, and our own need not
    /// come back.
    Commands,
}

/// What arrives on which topic, for one [`Settings`]. A lookup costs O(log n) in the number of topics.
#[derive(Clone, Debug)]
pub struct Routes {
    topics: BTreeMap<String, Vec<Arrival>>,
    /// Topics of probes that a guard goes by.
    guards: BTreeSet<String>,
    /// `lampwarden/<site>/do/`, and where each enclosure stands; none where acts are not listened to.
    acts: Option<(String, BTreeMap<String, EnclosureIx>)>,
}

impl Routes {
    /// The routes of `settings`. Indices in their events are those of `settings`.
    pub fn new(settings: &Settings) -> Routes {
        let mut topics: BTreeMap<String, Vec<Arrival>> = BTreeMap::new();
        let mut add = |topic: &str, arrival| topics.entry(topic.to_owned()).or_default().push(arrival);
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for (p, probe) in enclosure.probes.iter().enumerate() {
                add(&probe.topic, Arrival::Probe(EnclosureIx(e), ProbeIx(p)));
            }
            for (l, lamp) in enclosure.lamps.iter().enumerate() {
                add_output(&mut add, &lamp.output, OutputRef::Lamp(EnclosureIx(e), LampIx(l)));
            }
        }
        for (c, cut_off) in settings.cut_offs.iter().enumerate() {
            add_output(&mut add, &cut_off.output, OutputRef::CutOff(CutOffIx(c)));
        }
        let places = |(ix, enclosure): (usize, &Enclosure)| (enclosure.id.clone(), EnclosureIx(ix));
        let acts = settings
            .site
            .accept_commands
            .then(|| (topics::acts(settings), settings.enclosures.iter().enumerate().map(places).collect()));
        Routes { topics, guards: settings.enclosures.iter().flat_map(guards).collect(), acts }
    }

    /// Everything to listen to, in order of topics.
    pub fn subscriptions(&self) -> Vec<Subscription> {
        let watch =
            |topic: &String, arrivals: &[Arrival]| match arrivals.iter().all(|a| matches!(a, Arrival::Command(_))) {
                _ if self.guards.contains(topic) => Watch::Guards,
                true => Watch::Commands,
                false => Watch::Reports,
            };
        let topics =
            self.topics.iter().map(|(topic, on)| Subscription { filter: topic.clone(), watch: watch(topic, on) });
        let acts =
            self.acts.iter().map(|(prefix, _)| Subscription { filter: format!("{prefix}+/+"), watch: Watch::Commands });
        topics.chain(acts).collect()
    }

    /// Whether all that a message on its topic tells is what one probe reads, and the payload is that number: then
    /// decoding the text of a number gives a reading of that value, and no more.
    pub fn is_plain(&self, settings: &Settings, enclosure: EnclosureIx, probe: ProbeIx) -> bool {
        let Some(of) = settings.enclosures.get(enclosure.0).and_then(|it| it.probes.get(probe.0)) else { return false };
        let bare = of.pointer.is_none() && of.stamp_pointer.is_none() && of.unit == PayloadUnit::Kept;
        let acts = self.acts.as_ref().is_some_and(|(prefix, _)| of.topic.starts_with(prefix.as_str()));
        let alone = self.topics.get(&of.topic).is_some_and(|all| *all == [Arrival::Probe(enclosure, probe)]);
        bare && !acts && alone
    }

    /// The level that a live message on a topic reports, where all that the topic tells is what one output does.
    pub fn reports(&self, topic: &str, output: OutputRef, payload: &str, settings: &Settings) -> Option<Level> {
        let acts = self.acts.as_ref().is_some_and(|(prefix, _)| topic.starts_with(prefix.as_str()));
        self.topics.get(topic).filter(|all| **all == [Arrival::Report(output)] && !acts)?;
        Payload::new(payload.as_bytes()).level(command::output(settings, output)?).ok()
    }

    /// Appends what a message tells to `out`. `settings` must be those of [`Routes::new`]. Unreadable readings and
    /// reports are events too; an error is a message that nothing comes of and that a log should name.
    pub fn decode(
        &self,
        topic: &str,
        payload: &[u8],
        retained: bool,
        settings: &Settings,
        out: &mut Vec<Event>,
    ) -> Result<(), Misread> {
        if let Some((prefix, places)) = &self.acts
            && let Some(rest) = topic.strip_prefix(prefix.as_str())
        {
            return self.decode_act(rest, places, payload, retained, settings, out);
        }
        let arrivals = self.topics.get(topic).map_or(&[][..], Vec::as_slice);
        let parsed = Payload::new(payload);
        out.extend(arrivals.iter().filter_map(|arrival| event(*arrival, &parsed, payload, retained, settings)));
        Ok(())
    }

    /// A person's act. A retained one is of unknown age and would be acted on again at every start, so it never is.
    fn decode_act(
        &self,
        rest: &str,
        places: &BTreeMap<String, EnclosureIx>,
        payload: &[u8],
        retained: bool,
        settings: &Settings,
        out: &mut Vec<Event>,
    ) -> Result<(), Misread> {
        match (retained, payload.is_empty()) {
            (true, true) => return Ok(()),
            (true, false) => {
                return Err(Misread(format!("do/{rest}: retained, so not acted on; publish it unretained")));
            }
            (false, _) => {}
        }
        let Some((enclosure, verb)) = rest.split_once('/') else {
            return Err(Misread(format!("do/{rest}: expected do/<enclosure>/<verb>")));
        };
        let place = places.get(enclosure).copied();
        let act = act::parse(settings, enclosure, place, verb, payload)
            .map_err(|misread| Misread(format!("do/{rest}: {misread}")))?;
        out.push(Event::Act(act));
        Ok(())
    }
}

/// Topics of the probes that guards in an enclosure go by.
fn guards(enclosure: &Enclosure) -> impl Iterator<Item = String> {
    let heat = enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref()).flat_map(|guard| &guard.probes);
    let uv = enclosure.lamps.iter().filter_map(|lamp| lamp.uv_ceiling.as_ref()).map(|ceiling| &ceiling.probe);
    heat.chain(uv).filter_map(|probe| Some(enclosure.probes.get(probe.0)?.topic.clone()))
}

/// Both topics of an output.
fn add_output(add: &mut impl FnMut(&str, Arrival), output: &Output, output_ref: OutputRef) {
    add(&output.set, Arrival::Command(output_ref));
    if let Some(state) = &output.state {
        add(state, Arrival::Report(output_ref));
    }
}

/// The event of one arrival; none where nothing follows from it.
fn event(arrival: Arrival, parsed: &Payload<'_>, payload: &[u8], retained: bool, settings: &Settings) -> Option<Event> {
    match arrival {
        Arrival::Probe(enclosure, probe) => {
            let of = settings.enclosures.get(enclosure.0)?.probes.get(probe.0)?;
            let reading: Reading = parsed.reading(of, retained);
            Some(Event::Reading { enclosure, probe, reading })
        }
        Arrival::Report(output) => {
            let level = parsed.level(command::output(settings, output)?);
            Some(Event::Report { output, level, retained })
        }
        // An empty retained message is one being deleted; one that is not retained is our own coming back.
        Arrival::Command(output) => (retained && !payload.is_empty()).then_some(Event::RetainedCommand { output }),
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use proptest::prelude::*;

    use super::*;
    use crate::control::{Act, AlarmKind};
    use crate::message::act_words;
    use crate::message::fixture;
    use crate::units::Level;
    use serde_json::{Map, Value};

    const HEAT: OutputRef = OutputRef::Lamp(EnclosureIx(0), LampIx(0));
    const DIM: OutputRef = OutputRef::Lamp(EnclosureIx(0), LampIx(1));

    fn decode(topic: &str, payload: &str, retained: bool) -> Result<Vec<Event>, String> {
        let settings = fixture::settings();
        let mut out = Vec::new();
        let decoded = Routes::new(&settings).decode(topic, payload.as_bytes(), retained, &settings, &mut out);
        decoded.map(|()| out).map_err(|misread| misread.0)
    }

    fn reading(probe: usize, value: f64, retained: bool) -> Event {
        Event::Reading {
            enclosure: EnclosureIx(0),
            probe: ProbeIx(probe),
            reading: Reading { value: Ok(value), taken: None, retained },
        }
    }

    #[test]
    fn every_configured_topic_is_listened_to_and_commands_apart() {
        let settings = fixture::settings();
        let listened: Vec<_> =
            Routes::new(&settings).subscriptions().into_iter().map(|s| (s.filter, s.watch)).collect();
        let expected = [
            ("garden/e1/air", Watch::Reports),
            ("garden/e1/dim", Watch::Reports),
            ("garden/e1/dim/set", Watch::Commands),
            ("garden/e1/heat/set", Watch::Commands),
            ("garden/main/set", Watch::Commands),
            ("lampwarden/garden-room/do/+/+", Watch::Commands),
        ];
        assert_eq!(listened, expected.map(|(filter, watch)| (filter.to_owned(), watch)));
        let deaf = fixture::without_acts();
        assert!(Routes::new(&deaf).subscriptions().iter().all(|s| !s.filter.contains("/do/")));
        let mut out = Vec::new();
        let topic = "lampwarden/garden-room/do/e1/reset";
        assert_eq!(Routes::new(&deaf).decode(topic, b"", false, &deaf, &mut out), Ok(()));
        assert_eq!(out, []);
    }

    #[test]
    fn one_message_may_tell_of_several_probes_and_an_output() {
        let events = decode("garden/e1/air", r#"{"t": 31.5, "h": "55", "heat": true}"#, true).unwrap();
        let report = Event::Report { output: HEAT, level: Ok(Level::FULL), retained: true };
        assert_eq!(events, [reading(0, 31.5, true), reading(1, 55.0, true), report]);
        assert_eq!(decode("garden/e2/air", "1", false), Ok(vec![]));
    }

    #[test]
    fn a_retained_command_is_found_and_an_echo_is_not() {
        let found = Event::RetainedCommand { output: HEAT };
        assert_eq!(decode("garden/e1/heat/set", "ON", true), Ok(vec![found]));
        assert_eq!(decode("garden/e1/heat/set", "", true), Ok(vec![]));
        assert_eq!(decode("garden/e1/heat/set", "ON", false), Ok(vec![]));
        let found = Event::RetainedCommand { output: OutputRef::CutOff(CutOffIx(0)) };
        assert_eq!(decode("garden/main/set", "OFF", true), Ok(vec![found]));
    }

    #[test]
    fn acts_are_understood() {
        let check = |rest: &str, payload: &str, expected: Act| {
            let topic = format!("lampwarden/garden-room/do/{rest}");
            assert_eq!(decode(&topic, payload, false), Ok(vec![Event::Act(expected.clone())]), "{rest} {payload}");
            // And what the journal says of it is understood the same.
            let (whose, words) = act_words(&fixture::settings(), &expected);
            let mut fields: Map<String, Value> = serde_json::from_str(&words).expect("an object");
            assert_eq!(fields.remove("enclosure").and_then(|id| Some(id.as_str()?.to_owned())), whose);
            let verb = fields.remove("act").and_then(|verb| Some(verb.as_str()?.to_owned())).expect("a verb");
            let whose = whose.unwrap_or_else(|| topics::SITE.to_owned());
            let topic = format!("lampwarden/garden-room/do/{whose}/{verb}");
            let again = Value::Object(fields).to_string();
            assert_eq!(decode(&topic, &again, false), Ok(vec![Event::Act(expected)]), "{again}");
        };
        let e1 = EnclosureIx(0);
        check("e1/acknowledge", "", Act::Acknowledge { enclosure: Some(e1), kind: None });
        let kind = Some(AlarmKind::LampDark);
        check("e1/acknowledge", r#"{"kind": "lamp-dark"}"#, Act::Acknowledge { enclosure: Some(e1), kind });
        check("site/acknowledge", "{}", Act::Acknowledge { enclosure: None, kind: None });
        let shelve = |enclosure, kind, seconds| Act::Shelve {
            enclosure,
            kind,
            span: Duration::from_secs(seconds),
            why: "at noon".to_owned(),
        };
        let four_hours = r#"{"kind": "lamp-dark", "for": "4h", "why": " at noon "}"#;
        check("e1/shelve", four_hours, shelve(Some(e1), AlarmKind::LampDark, 14_400));
        let half_an_hour = r#"{"kind": "over-temperature", "for": "30m", "why": "at noon"}"#;
        check("e1/shelve", half_an_hour, shelve(Some(e1), AlarmKind::OverTemperature, 1800));
        let site = r#"{"kind": "spare-due", "for": "30d", "why": "at noon"}"#;
        check("site/shelve", site, shelve(None, AlarmKind::SpareDue, 30 * 86_400));
        check("e1/unshelve", "", Act::Unshelve { enclosure: Some(e1), kind: None });
        check("site/unshelve", r#"{"kind": "lamp-dark"}"#, Act::Unshelve { enclosure: None, kind });
        let out = Some("empty".to_owned());
        check("e1/out-of-service", r#"{"why": "empty"}"#, Act::Service { enclosure: e1, out });
        check("e1/in-service", "", Act::Service { enclosure: e1, out: None });
        check("e1/reset", "", Act::Reset { enclosure: e1, lamp: None });
        check("e1/reset", r#"{"lamp": "dim"}"#, Act::Reset { enclosure: e1, lamp: Some(LampIx(1)) });
        check("site/reset", r#"{"cut_off": "main"}"#, Act::ResetCutOff { cut_off: CutOffIx(0) });
        let hand = |level, seconds| Act::Override {
            enclosure: e1,
            lamp: LampIx(0),
            level,
            span: Duration::from_secs(seconds),
        };
        check("e1/override", r#"{"lamp": "heat", "level": "off", "for": "20m"}"#, hand(Some(Level::OFF), 1200));
        check(
            "e1/override",
            r#"{"lamp": "heat", "level": 0.5, "for": "24h"}"#,
            hand(Some(Level::clamped(0.5)), 86_400),
        );
        check("e1/override", r#"{"lamp": "heat", "level": null}"#, hand(None, 0));
    }

    #[test]
    fn acts_that_are_not_understood_do_nothing_and_say_why() {
        let check = |rest: &str, payload: &str, retained: bool, expected: &str| {
            let why = decode(&format!("lampwarden/garden-room/do/{rest}"), payload, retained).unwrap_err();
            assert!(why.starts_with(&format!("do/{rest}: ")) && why.contains(expected), "{why}");
        };
        check("e1/reset", "{}", true, "retained, so not acted on");
        check("e9/reset", "", false, "no enclosure \"e9\"");
        check("e1/ignite", "", false, "no verb \"ignite\"");
        check("e1", "", false, "expected do/<enclosure>/<verb>");
        check("e1/reset", "[1]", false, "not a JSON object");
        check("e1/reset", r#"{"lamp": "uvb"}"#, false, "no lamp \"uvb\"");
        check("e1/reset", r#"{"lamps": "heat"}"#, false, "\"lamps\" is not known here");
        check("e1/acknowledge", r#"{"kind": "over"}"#, false, "no alarm kind \"over\"");
        let too_long = r#"{"kind": "over-temperature", "for": "31m", "why": "x"}"#;
        check("e1/shelve", too_long, false, "no span up to 30 min");
        check("e1/shelve", r#"{"kind": "heat-unstoppable", "for": "1s", "why": "x"}"#, false, "cannot be shelved");
        check("e1/shelve", r#"{"kind": "lamp-dark", "for": "0s", "why": "x"}"#, false, "no span up to");
        check("e1/shelve", r#"{"kind": "lamp-dark", "why": "x"}"#, false, "needs a \"for\"");
        check("e1/shelve", r#"{"kind": "lamp-dark", "for": "1h", "why": " "}"#, false, "needs a \"why\"");
        check("e1/shelve", r#"{"for": "1h", "why": "x"}"#, false, "needs a \"kind\"");
        check("e1/out-of-service", r#"{"why": "a\nb"}"#, false, "one line");
        check("site/out-of-service", r#"{"why": "x"}"#, false, "the site is not");
        check("site/override", "{}", false, "for the lamp of an enclosure");
        check("site/reset", "{}", false, "cut_off");
        let hand = r#"{"lamp": "heat", "level": 1, "for": "25h"}"#;
        check("e1/override", hand, false, "no span from");
        check("e1/override", r#"{"lamp": "heat", "level": 1.5, "for": "1h"}"#, false, "needs a \"level\"");
        check("e1/override", r#"{"lamp": "heat", "for": "1h"}"#, false, "needs a \"level\"");
        check("e1/override", r#"{"lamp": "heat", "level": 1}"#, false, "needs a \"for\"");
    }

    proptest! {
        #[test]
        fn no_bytes_on_any_topic_panic(
            topic in prop_oneof![
                Just("garden/e1/air".to_owned()), Just("garden/e1/dim".to_owned()),
                Just("garden/e1/heat/set".to_owned()), "lampwarden/garden-room/do/[a-z/]{0,12}",
                "lampwarden/garden-room/do/(e1|site)/(override|reset|acknowledge|shelve|unshelve|in-service|out-of-service)", any::<String>(),
            ],
            payload in prop_oneof![
                prop::collection::vec(any::<u8>(), 0..64),
                r#"\{"(t|h|heat|lamp|level|for|kind)": ?("[^"]{0,9}"|-?[0-9]{1,9}(\.[0-9]{1,3})?(e[0-9]{1,3})?|null)\}"#
                    .prop_map(String::into_bytes),
            ],
            retained: bool,
        ) {
            let settings = fixture::settings();
            let mut out = Vec::new();
            let _ = Routes::new(&settings).decode(&topic, &payload, retained, &settings, &mut out);
            for event in out {
                if let Event::Reading { reading: Reading { value, .. }, .. } = event {
                    prop_assert!(value.map_or_else(|e| e.0.chars().count() < 120, f64::is_finite));
                }
            }
        }

        #[test]
        fn a_dimmer_that_repeats_what_it_was_told_is_understood(share in 0.0..=1.0_f64) {
            let wanted = Level::clamped(share);
            let told = fixture::payload(DIM, wanted);
            let events = decode("garden/e1/dim", &told, false).unwrap();
            let Event::Report { output: DIM, level: Ok(reported), .. } = events[0] else { panic!("{events:?}") };
            prop_assert!((reported.share() - wanted.share()).abs() <= 0.01 && reported.is_off() == wanted.is_off());
        }

        #[test]
        fn a_relay_that_repeats_its_words_is_understood(on in "[A-Za-z0-9]{1,8}", off in "[A-Za-z0-9]{1,8}") {
            prop_assume!(on != off);
            let settings = fixture::with_words(&on, &off);
            for (word, level) in [(&on, Level::FULL), (&off, Level::OFF)] {
                let mut out = Vec::new();
                let said = format!(r#"{{"heat": "{word}"}}"#);
                Routes::new(&settings).decode("garden/e1/air", said.as_bytes(), false, &settings, &mut out).unwrap();
                let report = Event::Report { output: HEAT, level: Ok(level), retained: false };
                prop_assert_eq!(out.last(), Some(&report));
            }
        }
    }
}
