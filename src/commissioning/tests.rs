//! Trials in the simulator's rooms, whose wiring differs from what the keeper wrote.

use std::time::Duration;

use chrono::{DateTime, Utc};
use proptest::prelude::*;

use super::*;
use crate::config::{Checked, Source, parse};
use crate::control::{Event, OutputRef};
use crate::message::Routes;
use crate::settings::{OutputKind, Settings};
use crate::simulator::{Fault, Message, Pcg32, Physics, TimedFault, World};
use crate::time::Mono;
use crate::units::Celsius;

/// A probe that speaks this often, s.
const EVERY: u64 = 10;
const STEP: Option<Duration> = Some(Duration::from_secs(45 * 60));

/// `count` enclosures with a basking lamp, a UV tube and, in every other one, a heater at the warm end. `topic` names the
/// topic of each probe and `relay` that of each relay, by enclosure and name.
fn room(count: usize, topic: impl Fn(usize, &str) -> String, relay: impl Fn(usize, &str) -> String) -> Settings {
    let checked = written(count, topic, relay, "");
    let findings: Vec<_> = checked.findings.iter().map(|finding| finding.wrong.clone()).collect();
    checked.settings.unwrap_or_else(|| panic!("{findings:?}"))
}

/// The same as it is checked, with lines of its own for each basking lamp.
fn written(
    count: usize,
    topic: impl Fn(usize, &str) -> String,
    relay: impl Fn(usize, &str) -> String,
    heat: &str,
) -> Checked {
    let mut text = String::from(
        r#"
        site = { name = "pump-house", timezone = "Europe/Lisbon", latitude = 38.72, longitude = -9.14 }
        broker = { url = "mqtt://127.0.0.1" }
        [care.basker]
        uv_zone = 3
        basking = { day = 33.0, night = 20.0, cut = 42.0 }
        warm = { day = 28.0, night = 22.0, cut = 38.0 }
        photoperiod = { follow = "clock", on = "08:00", off = "20:00" }
        "#,
    );
    for e in 0..count {
        text += &format!("[[enclosure]]\nid = \"e{e}\"\ncare = \"basker\"\n");
        for (name, measures, spot) in [
            ("basking", "temperature", "basking"),
            ("warm", "temperature", "warm"),
            ("cool", "temperature", "cool"),
            ("uv", "uvi", "basking"),
        ] {
            text += &format!(
                "[enclosure.probes.{name}]\nmeasures = \"{measures}\"\nspot = \"{spot}\"\nevery = \"{EVERY}s\"\ntopic = \"{}\"\n",
                topic(e, name)
            );
        }
        let heater = ("night", "fitting = \"ceramic-emitter\"\nwatts = 60\nwarms = \"warm\"");
        for (name, what) in [
            ("heat", "fitting = \"halogen\"\nwatts = 75\nwarms = \"basking\"\nwhen = \"day\""),
            ("uvb", "fitting = \"fluorescent-uvb\"\nwatts = 24\nlights = \"uv\""),
        ]
        .into_iter()
        .chain((e % 2 == 0).then_some(heater))
        {
            let to = relay(e, name);
            let more = if name == "heat" { heat } else { "" };
            text += &format!(
                "[enclosure.lamps.{name}]\n{what}\n{more}relay = {{ set = \"{to}/set\", state = \"{to}\" }}\n"
            );
        }
    }
    parse(&[Source { name: "room.toml".to_owned(), text }])
}

fn plain(e: usize, name: &str) -> String {
    format!("e{e}/{name}")
}

/// The room as it is, and what the keeper believes of it.
struct Bench {
    keeper: Settings,
    routes: Routes,
    world: World,
    tracks: Tracks,
    /// What was so at the first basking spot, second by second since the last trial began, °C.
    truth: Vec<f64>,
    /// The hottest that any probe's place ever was against the cut at the basking spot, K.
    nearest: f64,
}

impl Bench {
    fn new(truth: &Settings, keeper: Settings, seed: u64, faults: &[TimedFault]) -> Bench {
        let mut physics = Physics::plausible(truth);
        let mut chance = Pcg32::new(seed, 3);
        for enclosure in &mut physics.enclosures {
            enclosure.size *= 0.8 + 0.4 * chance.unit();
        }
        let start: DateTime<Utc> = "2026-03-01T09:00:00Z".parse().expect("a time");
        let world = World::new(truth, &physics, start, seed, faults);
        let mut bench = Bench {
            routes: Routes::new(&keeper),
            keeper,
            world,
            tracks: Tracks::new(),
            truth: Vec::new(),
            nearest: f64::INFINITY,
        };
        // As a driver does first.
        for lamp in bench.keeper.enclosures.iter().flat_map(|enclosure| &enclosure.lamps) {
            let OutputKind::Relay { off, .. } = &lamp.output.kind else { panic!("a relay") };
            bench.world.incoming(&lamp.output.set, off.as_bytes(), &mut Vec::new());
        }
        bench
    }

    fn now(&self) -> Mono {
        Mono::new(self.world.now())
    }

    /// Tries one lamp to its end.
    fn attempt(&mut self, lamp: LampAt, step: Option<Duration>) -> Outcome {
        let keeper = self.keeper.clone();
        let mut trial = Trial::new(&keeper, lamp, step, self.now());
        let (mut is_on, mut said) = (false, Vec::new());
        self.truth.clear();
        while trial.stage() != Stage::Done {
            let next = self.world.now() + Duration::from_secs(1);
            self.world.advance_to(next, &mut said);
            self.hear(&mut said, &mut trial);
            let wanted = trial.wants_on(self.now());
            if wanted != is_on {
                is_on = wanted;
                let output = &keeper.enclosures[lamp.0.0].lamps[lamp.1.0].output;
                let OutputKind::Relay { on, off, .. } = &output.kind else { panic!("a relay") };
                self.world.incoming(&output.set, if wanted { on } else { off }.as_bytes(), &mut said);
                self.hear(&mut said, &mut trial);
            }
            self.truth.push(self.world.truth(EnclosureIx(0), ProbeIx(0)).expect("a probe"));
            for e in 0..keeper.enclosures.len() {
                for p in 0..3 {
                    let truth = self.world.truth(EnclosureIx(e), ProbeIx(p)).expect("a probe");
                    self.nearest = self.nearest.min(42.0 - truth);
                }
            }
        }
        let (outcome, tracks) = trial.finish();
        self.tracks = tracks;
        outcome
    }

    fn hear(&self, said: &mut Vec<Message>, trial: &mut Trial<'_>) {
        for message in said.drain(..) {
            let mut events = Vec::new();
            let payload = message.payload();
            let decoded =
                self.routes.decode(message.topic(), payload.as_bytes(), message.retained(), &self.keeper, &mut events);
            assert!(decoded.is_ok(), "{}", message.topic());
            for event in events {
                match event {
                    Event::Reading { enclosure, probe, reading } => {
                        trial.reading(self.now(), (enclosure, probe), reading.value.expect("a number"));
                    }
                    Event::Report { output: OutputRef::Lamp(e, l), level: Ok(level), .. } => {
                        trial.report(self.now(), (e, l), level);
                    }
                    _ => {}
                }
            }
        }
    }

    /// Tries every lamp called one of `names`.
    fn all(&mut self, names: &[&str], step: Option<Duration>) -> Vec<Outcome> {
        let mut lamps = Vec::new();
        for (e, enclosure) in self.keeper.enclosures.iter().enumerate() {
            let named = enclosure.lamps.iter().enumerate().filter(|(_, lamp)| names.contains(&&*lamp.name));
            lamps.extend(named.map(|(l, _)| (EnclosureIx(e), LampIx(l))));
        }
        lamps.into_iter().map(|lamp| self.attempt(lamp, step)).collect()
    }
}

fn seen(outcomes: &[Outcome], seen: Option<Seen>) -> Vec<(Outcome, Option<Seen>)> {
    outcomes.iter().map(|outcome| (outcome.clone(), seen)).collect()
}

fn basking(e: usize) -> ProbeAt {
    (EnclosureIx(e), ProbeIx(0))
}

/// What each probe should be written to listen to, by the findings.
fn topics(findings: &[Finding]) -> Vec<(ProbeAt, String)> {
    let changes = findings.iter().flat_map(|finding| &finding.changes);
    let mut topics: Vec<_> = changes
        .filter_map(|change| match change.place {
            Place::Probe(at, "topic") => Some((at, change.to.trim_matches('"').to_owned())),
            _ => None,
        })
        .collect();
    topics.sort();
    topics
}

fn permutation(count: usize) -> impl Strategy<Value = Vec<usize>> {
    Just((0..count).collect::<Vec<_>>()).prop_shuffle()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn exchanged_probes_are_found_in_any_room(to in (2_usize..5).prop_flat_map(permutation), seed: u64) {
        let count = to.len();
        let truth = room(count, plain, plain);
        // What is written for enclosure e is the topic of the probe in enclosure to[e].
        let keeper = room(count, |e, name| plain(if name == "basking" { to[e] } else { e }, name), plain);
        let mut bench = Bench::new(&truth, keeper, seed, &[]);
        let outcomes = bench.all(&["heat"], None);
        // The lamp of e warms the place whose probe is heard as that of the enclosure whose topic is e's.
        let heard_as = |e: usize| to.iter().position(|&there| there == e).expect("a permutation");
        let expected: std::collections::BTreeMap<_, _> =
            (0..count).filter(|&e| to[e] != e).map(|e| (basking(e), basking(heard_as(e)))).collect();
        prop_assert_eq!(misrouted(&bench.keeper, &outcomes), expected, "{:#?}", outcomes);
        prop_assert!(bench.nearest > 0.0, "a place was {} K over the cut", -bench.nearest);

        let found = findings(&bench.keeper, &seen(&outcomes, Some(Seen::Right)), &[]);
        prop_assert!(found.iter().all(|finding| finding.kind == Kind::SwappedProbes), "{:#?}", found);
        // Each is told the topic on which the probe of its own place speaks.
        let right: Vec<_> = (0..count).filter(|&e| to[e] != e).map(|e| (basking(e), plain(e, "basking"))).collect();
        prop_assert_eq!(topics(&found), right);
    }

    #[test]
    fn exchanged_relays_are_found_in_any_room(to in (2_usize..5).prop_flat_map(permutation), seed: u64) {
        let count = to.len();
        let truth = room(count, plain, plain);
        let keeper = room(count, plain, |e, name| plain(if name == "heat" { to[e] } else { e }, name));
        let mut bench = Bench::new(&truth, keeper, seed, &[]);
        let outcomes = bench.all(&["heat"], None);
        let expected: std::collections::BTreeMap<_, _> =
            (0..count).filter(|&e| to[e] != e).map(|e| (basking(e), basking(to[e]))).collect();
        prop_assert_eq!(misrouted(&bench.keeper, &outcomes), expected);
        let tried: Vec<_> = outcomes
            .iter()
            .enumerate()
            .map(|(e, outcome)| (outcome.clone(), Some(if to[e] == e { Seen::Right } else { Seen::Other(None) })))
            .collect();
        let found = findings(&bench.keeper, &tried, &[]);
        prop_assert!(found.iter().all(|finding| finding.kind == Kind::SwappedRelays), "{:#?}", found);
        let mut sets: Vec<_> = found.iter().flat_map(|finding| &finding.changes).filter_map(|change| match change.place {
            Place::Output((e, _), "set") => Some((e.0, change.to.clone())),
            _ => None,
        }).collect();
        sets.sort();
        let right: Vec<_> = (0..count)
            .filter(|&e| to[e] != e)
            .map(|e| (e, format!("\"{0}/set\", state = \"{0}\"", plain(e, "heat"))))
            .collect();
        prop_assert_eq!(sets, right);
        // Without anybody who looks it is not decided which of both it is.
        let unseen = findings(&bench.keeper, &seen(&outcomes, None), &[]);
        prop_assert!(unseen.iter().all(|finding| finding.kind == Kind::Crossed), "{:#?}", unseen);
    }

    #[test]
    fn a_room_that_is_wired_well_has_no_finding(count in 1_usize..4, seed: u64) {
        let truth = room(count, plain, plain);
        let mut bench = Bench::new(&truth, truth.clone(), seed, &[]);
        let outcomes = bench.all(&["heat", "uvb", "night"], None);
        prop_assert_eq!(findings(&bench.keeper, &seen(&outcomes, None), &[]), []);
        prop_assert_eq!(suspicions(&bench.keeper, &bench.tracks), []);
        for outcome in &outcomes {
            prop_assert_eq!(&outcome.ended, &Ended::Known);
            prop_assert!(outcome.reported_on.is_some() && outcome.reported_off);
        }
    }

    #[test]
    fn noise_alone_answers_nothing(seed: u64) {
        let truth = room(2, plain, plain);
        // Every lamp is broken: relays switch, and nothing happens.
        let broken = |e: usize| {
            let lamps = 0..truth.enclosures[e].lamps.len();
            lamps.map(move |l| Fault::LampBreaks(EnclosureIx(e), LampIx(l)))
        };
        let faults: Vec<_> = (0..2)
            .flat_map(broken)
            .map(|fault| TimedFault { at: Duration::ZERO, until: None, fault })
            .collect();
        let mut bench = Bench::new(&truth, truth.clone(), seed, &faults);
        let outcomes = bench.all(&["heat", "uvb"], STEP);
        prop_assert!(outcomes.iter().all(|outcome| outcome.answers.is_empty() && outcome.step.is_none()), "{:?}", outcomes);
        let found = findings(&bench.keeper, &seen(&outcomes, Some(Seen::Nothing)), &[]);
        prop_assert!(found.len() == 4 && found.iter().all(|finding| finding.kind == Kind::Dark), "{:#?}", found);
    }

    #[test]
    fn a_step_tells_how_the_place_warms(seed: u64) {
        let truth = room(1, plain, plain);
        let mut bench = Bench::new(&truth, truth.clone(), seed, &[]);
        let lamp = (EnclosureIx(0), LampIx(0));
        let outcome = bench.attempt(lamp, STEP);
        let step = outcome.step.expect("it warmed");
        let response = step.found.response;
        prop_assert!(bench.nearest > 0.0, "{} K over the cut", -bench.nearest);
        // A body, a stone, air and walls are no first-order plant: what was so, without a probe's noise, is told to a kelvin all
        // the way, and the fastest rise, over a minute, to a third.
        let on_at = bench.truth.len() - outcome.on_for.as_secs() as usize;
        let since = &bench.truth[on_at.saturating_sub(60)..];
        let on = bench.truth[on_at..].iter().enumerate();
        let off = on.map(|(second, truth)| (response.at(second as f64) - truth).abs()).fold(0.0, f64::max);
        prop_assert!(off < 1.0, "off by {} K: {:?}", off, step);
        let fastest = since.windows(61).map(|minute| (minute[60] - minute[0]) / 60.0).fold(0.0, f64::max);
        prop_assert!((response.fastest() / fastest - 1.0).abs() < 1.0 / 3.0, "{} K/s: {:?}", fastest, response);
        prop_assert!(response.gain > 5.0 && response.lag > 60.0 && response.dead < 300.0, "{:?}", response);
        let proposal = propose(&bench.keeper, lamp, &step, &bench.tracks[&step.probe]);
        // Everything that is proposed for the lamp can be pasted: the configuration takes it, and has nothing new to say.
        prop_assert!(!proposal.figures.is_empty());
        let mut pasted = String::new();
        for figure in &proposal.figures {
            if let Place::Lamp(at, key) = figure.place {
                prop_assert_eq!(at, lamp);
                pasted += &format!("{} = {}\n", key, figure.value);
            }
        }
        let checked = written(1, plain, plain, &pasted);
        let said = |checked: &Checked| checked.findings.iter().map(|finding| finding.wrong.clone()).collect::<Vec<_>>();
        prop_assert_eq!(said(&checked), said(&written(1, plain, plain, "")), "{}", pasted);
        let (old, new) = (&truth.enclosures[0].lamps[0], &checked.settings.expect("taken").enclosures[0].lamps[0]);
        let (old, new) = (old.guard.as_ref().expect("a guard"), new.guard.as_ref().expect("a guard"));
        prop_assert!(new.cut <= old.cut && new.cut > Celsius(34.0), "never hotter than the keeper wrote: {}", new.cut);
        prop_assert!(new.slew.0 >= fastest, "{} K/s", new.slew);
    }
}

#[test]
fn set_topics_that_are_exchanged_show_in_the_reports() {
    let truth = room(2, plain, plain);
    let other = |e: usize| 1 - e;
    let mut keeper = room(2, plain, |e, name| plain(if name == "heat" { other(e) } else { e }, name));
    // Only `set` is exchanged; the state topics are right.
    for (e, enclosure) in keeper.enclosures.iter_mut().enumerate() {
        enclosure.lamps[0].output.state = Some(plain(e, "heat"));
    }
    let mut bench = Bench::new(&truth, keeper, 5, &[]);
    let outcomes = bench.all(&["heat"], None);
    let found = findings(&bench.keeper, &seen(&outcomes, None), &[]);
    assert_eq!(found.iter().map(|finding| finding.kind).collect::<Vec<_>>(), [Kind::SwappedRelays], "{found:#?}");
}

#[test]
fn state_topics_that_are_exchanged_are_told_from_the_rest() {
    let truth = room(2, plain, plain);
    let mut keeper = truth.clone();
    for (e, enclosure) in keeper.enclosures.iter_mut().enumerate() {
        enclosure.lamps[0].output.state = Some(plain(1 - e, "heat"));
    }
    let mut bench = Bench::new(&truth, keeper, 6, &[]);
    let outcomes = bench.all(&["heat"], None);
    let found = findings(&bench.keeper, &seen(&outcomes, None), &[]);
    assert_eq!(found.iter().map(|finding| finding.kind).collect::<Vec<_>>(), [Kind::SwappedReports], "{found:#?}");
}

/// Writes the words of the basking lamp's relay in enclosure `e` the wrong way round.
fn contrary(keeper: &mut Settings, e: usize) {
    let OutputKind::Relay { on, off, reports_on, reports_off } = &mut keeper.enclosures[e].lamps[0].output.kind else {
        panic!("a relay")
    };
    std::mem::swap(on, off);
    std::mem::swap(reports_on, reports_off);
}

#[test]
fn a_relay_that_does_the_opposite_is_found_before_anything_goes_on() {
    let truth = room(1, plain, plain);
    let mut keeper = truth.clone();
    contrary(&mut keeper, 0);
    let mut bench = Bench::new(&truth, keeper, 3, &[]);
    let outcome = bench.attempt((EnclosureIx(0), LampIx(1)), None);
    assert_eq!((&outcome.ended, outcome.on_for), (&Ended::HeatsWhileOff(basking(0)), Duration::ZERO));
    let found = findings(&bench.keeper, &seen(&[outcome], None), &[]);
    let changes: Vec<_> = found[0].changes.iter().map(|change| (change.place, &*change.to)).collect();
    let heat = (EnclosureIx(0), LampIx(0));
    let expected = [(Place::Output(heat, "on"), "\"ON\""), (Place::Output(heat, "off"), "\"OFF\"")];
    assert_eq!((found.len(), found[0].kind, &changes[..]), (1, Kind::Inverted, &expected[..]));
}

#[test]
fn a_relay_that_has_been_warm_for_long_and_does_the_opposite_is_told_by_the_fall() {
    let truth = room(2, plain, plain);
    let mut keeper = truth.clone();
    contrary(&mut keeper, 1);
    // It has been on for hours, which the guard of a daemon would have told long ago.
    keeper.enclosures[1]
        .lamps
        .iter_mut()
        .filter_map(|lamp| lamp.guard.as_mut())
        .for_each(|guard| guard.cut = Celsius(70.0));
    let mut bench = Bench::new(&truth, keeper, 3, &[]);
    let mut said = Vec::new();
    bench.world.advance_to(Duration::from_secs(4 * 3600), &mut said);
    let outcome = bench.attempt((EnclosureIx(1), LampIx(0)), None);
    assert!(outcome.answers.get(&basking(1)).is_some_and(|answer| answer.change < 0.0), "{outcome:?}");
    let found = findings(&bench.keeper, &seen(&[outcome], None), &[]);
    assert_eq!(found.iter().map(|finding| finding.kind).collect::<Vec<_>>(), [Kind::Inverted], "{found:#?}");
}

#[test]
fn a_thermometer_that_speaks_fahrenheit_is_named() {
    let truth = room(2, plain, plain);
    let fault =
        TimedFault { at: Duration::ZERO, until: None, fault: Fault::ProbeMixesUnits(EnclosureIx(1), ProbeIx(2)) };
    let mut bench = Bench::new(&truth, truth.clone(), 4, &[fault]);
    bench.all(&["uvb"], None);
    let found = suspicions(&bench.keeper, &bench.tracks);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(
        (found[0].kind, found[0].changes[0].place),
        (Kind::Unit, Place::Probe((EnclosureIx(1), ProbeIx(2)), "unit"))
    );
}

#[test]
fn within_one_enclosure_the_probe_that_warms_is_named() {
    let truth = room(1, plain, plain);
    let exchanged = |name: &str| match name {
        "basking" => "cool".to_owned(),
        "cool" => "basking".to_owned(),
        other => other.to_owned(),
    };
    let keeper = room(1, |e, name| plain(e, &exchanged(name)), plain);
    let mut bench = Bench::new(&truth, keeper, 9, &[]);
    let outcomes = bench.all(&["heat"], STEP);
    assert_eq!(outcomes[0].step, None, "no step by the wrong probe");
    let found = findings(&bench.keeper, &seen(&outcomes, None), &[]);
    assert_eq!(found.iter().map(|finding| finding.kind).collect::<Vec<_>>(), [Kind::WrongProbe], "{found:#?}");
    assert_eq!(topics(&found)[0].1, "e0/basking");
    assert!(bench.nearest > 0.0);
    // In the hand it is certain.
    let hand =
        |asked, rose| Hand { asked: (EnclosureIx(0), ProbeIx(asked)), rose: Some((EnclosureIx(0), ProbeIx(rose))) };
    let found = findings(&bench.keeper, &[], &[hand(0, 2), hand(2, 0), hand(1, 1)]);
    assert_eq!(found.iter().map(|finding| finding.kind).collect::<Vec<_>>(), [Kind::SwappedProbes], "{found:#?}");
    assert_eq!(found[0].changes.len(), 2);
}

#[test]
fn nothing_goes_on_that_nobody_sees_or_that_is_hot_already() {
    let truth = room(1, plain, plain);
    let silent = Fault::ProbeIsSilent(EnclosureIx(0), ProbeIx(0));
    let faults = [TimedFault { at: Duration::ZERO, until: None, fault: silent }];
    let mut bench = Bench::new(&truth, truth.clone(), 1, &faults);
    let outcome = bench.attempt((EnclosureIx(0), LampIx(0)), STEP);
    assert_eq!((outcome.ended, outcome.on_for), (Ended::NotSeen(basking(0)), Duration::ZERO));

    let offset = Fault::ProbeOffset(EnclosureIx(0), ProbeIx(2), 25.0);
    let faults = [TimedFault { at: Duration::ZERO, until: None, fault: offset }];
    let mut bench = Bench::new(&truth, truth.clone(), 1, &faults);
    let outcome = bench.attempt((EnclosureIx(0), LampIx(0)), STEP);
    let Ended::NearCut(probe, reading) = outcome.ended else { panic!("{:?}", outcome.ended) };
    assert_eq!((probe, outcome.on_for), ((EnclosureIx(0), ProbeIx(2)), Duration::ZERO));
    assert!(reading > Celsius(40.0));
}
