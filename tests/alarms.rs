//! The life of an alarm after ISA-18.2 / IEC 62682 from outside: shelved, out of service, suppressed by design, and
//! consequences under their cause. The states and what leads from one to another are the standards' (references, section
//! 7); all times are the program's own guesses.

mod room;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use lampwarden::control::{Act, AlarmKind, AlarmNotice, AlarmState, Aside, Cause, Event, Priority, Record};
use lampwarden::notify::{Message, Notifier};
use lampwarden::settings::{Channel, Contact, EnclosureIx, Plan, Plans, Settings, Telling};
use lampwarden::units::Level;
use proptest::prelude::*;
use room::{Relay, Room};

/// Enclosures with one basking probe and one heat lamp each, under a cut-off where a bay's number is even; invented.
fn rack(bays: &str, more: &str) -> String {
    format!(
        r#"
[site]
name = "attic"
timezone = "Europe/London"
latitude = 51.5
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
basking = {{ day = 32.0, night = 20.0, cut = 40.0, limit = 45.0 }}
photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}

[[rack]]
id = "r"
bays = "{bays}"
care = "basker"
{more}

[rack.probes.basking]
measures = "temperature"
topic = "{{bay}}/basking"
every = "30s"

[rack.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = {{ set = "{{bay}}/heat/set", state = "{{bay}}/heat", hold = "5m" }}
"#
    )
}

/// Such a rack at noon, every probe heard.
fn noon(bays: u32, more: &str) -> Room {
    let last = bays - 1;
    let width = last.to_string().len();
    let mut room = Room::new(&rack(&format!("{:0width$}..{last}", 0), more), "2026-01-15T11:30:00Z");
    for bay in 0..bays {
        room.keeps_saying(&format!("{bay:0width$}/basking"), "31.0", 30);
    }
    room.wait(600);
    room.notices.clear();
    room
}

fn bay(n: usize) -> Option<EnclosureIx> {
    Some(EnclosureIx(n))
}

fn shelve(room: &mut Room, enclosure: Option<EnclosureIx>, kind: AlarmKind, minutes: u64) {
    let (span, why) = (Duration::from_secs(60 * minutes), "a spare is on its way".to_owned());
    room.event(Event::Act(Act::Shelve { enclosure, kind, span, why }));
}

fn aside(room: &Room, enclosure: Option<EnclosureIx>, kind: AlarmKind) -> Option<Aside> {
    let of_it = |notice: &&AlarmNotice| notice.enclosure == enclosure && notice.kind == kind;
    let notice = room.controller.alarms().find(of_it).unwrap_or_else(|| panic!("no {kind} of {enclosure:?}"));
    assert_eq!(room.alarms.get(&(enclosure, kind)), Some(notice), "what is told is what stands");
    notice.aside.clone()
}

fn supply_lost(room: &Room) -> Option<&AlarmNotice> {
    room.controller.alarms().find(|notice| notice.kind == AlarmKind::SupplyLost)
}

fn supply() -> Option<Aside> {
    Some(Aside::Consequence(Cause { enclosure: None, kind: AlarmKind::SupplyLost }))
}

/// The newest record of each owner, as a driver keeps them: on disk they are text.
fn kept(room: &Room) -> Vec<Record> {
    let newest: BTreeMap<_, _> = room.filed.iter().map(|record| (record.owner(), record)).collect();
    let text = serde_json::to_string(&newest.into_values().collect::<Vec<_>>()).expect("plain data");
    serde_json::from_str(&text).expect("its own")
}

#[test]
fn a_shelved_alarm_says_nothing_until_its_time_is_over_and_is_told_again_if_it_still_stands() {
    let mut room = noon(2, "");
    room.keeps_saying("0/basking", "", 0);
    room.wait(120);
    room.event(Event::Act(Act::Acknowledge { enclosure: bay(0), kind: None }));
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), None);
    shelve(&mut room, bay(0), AlarmKind::ProbeSilent, 60);
    let shelved = aside(&room, bay(0), AlarmKind::ProbeSilent);
    assert!(matches!(&shelved, Some(Aside::Shelved { why, .. }) if why == "a spare is on its way"), "{shelved:?}");
    room.wait(59 * 60);
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), shelved);
    room.notices.clear();
    room.wait(61);
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), None);
    let (_, told) = room.notices.last().expect("told again");
    assert_eq!((told.kind, told.state, &told.aside), (AlarmKind::ProbeSilent, AlarmState::Unacknowledged, &None));
}

#[test]
fn a_shelf_holds_what_comes_while_it_lasts_and_what_goes_is_over() {
    let mut room = noon(2, "");
    shelve(&mut room, bay(0), AlarmKind::ProbeSilent, 60);
    room.keeps_saying("0/basking", "", 0);
    room.wait(120);
    assert!(matches!(aside(&room, bay(0), AlarmKind::ProbeSilent), Some(Aside::Shelved { .. })));
    assert!(room.notices.iter().all(|(_, notice)| notice.aside.is_some()), "it was never told: {:?}", room.notices);
    room.keeps_saying("0/basking", "31.0", 30);
    room.wait(5);
    assert_eq!(room.controller.alarms().count(), 0);
    // Another comes after the shelf's end.
    room.wait(3600);
    room.keeps_saying("0/basking", "", 0);
    room.wait(120);
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), None);
}

#[test]
fn a_shelf_outlives_a_restart_and_is_no_longer_for_it() {
    let mut room = noon(2, "");
    room.keeps_saying("0/basking", "", 0);
    room.wait(120);
    shelve(&mut room, bay(0), AlarmKind::ProbeSilent, 60);
    let last = Some(room.controller.stamp());
    let toml = rack("0..1", "");
    let mut later = Room::again(&toml, "2026-01-15T12:10:00Z", &room.remembered, &kept(&room), last);
    assert!(matches!(aside(&later, bay(0), AlarmKind::ProbeSilent), Some(Aside::Shelved { .. })));
    assert!(later.notices.iter().all(|(_, notice)| notice.aside.is_some()), "{:?}", later.notices);
    later.event(Event::LinkUp);
    later.keeps_saying("1/basking", "31.0", 30);
    // It was shelved at 11:42 for an hour.
    later.wait_until("2026-01-15T12:41:00Z");
    assert!(aside(&later, bay(0), AlarmKind::ProbeSilent).is_some());
    later.wait_until("2026-01-15T12:43:00Z");
    assert_eq!(aside(&later, bay(0), AlarmKind::ProbeSilent), None);
    // Where nobody can tell what is left of its time, it is told.
    let doubted = Room::again(&toml, "1970-01-01T00:00:10Z", &room.remembered, &kept(&room), last);
    assert_eq!(aside(&doubted, bay(0), AlarmKind::ProbeSilent), None);
}

#[test]
fn no_alarm_of_a_guard_is_silenced_for_long_and_a_latch_not_by_what_was_shelved_before() {
    let mut room = noon(1, "");
    room.keeps_saying("0/basking", "40.5", 30);
    shelve(&mut room, bay(0), AlarmKind::OverTemperature, 24 * 60);
    assert!(matches!(aside(&room, bay(0), AlarmKind::OverTemperature), Some(Aside::Shelved { .. })));
    room.wait(29 * 60);
    assert!(aside(&room, bay(0), AlarmKind::OverTemperature).is_some());
    room.wait(2 * 60);
    assert_eq!(aside(&room, bay(0), AlarmKind::OverTemperature), None, "half an hour at most");
    shelve(&mut room, bay(0), AlarmKind::OverTemperature, 30);
    room.keeps_saying("0/basking", "45.5", 30);
    let latched = room.alarm(AlarmKind::OverTemperature).expect("stands");
    assert!(latched.latched && latched.aside.is_none(), "{latched:?}");
    // A lamp that cannot be stopped may not be shelved at all.
    let unstoppable = AlarmKind::HeatUnstoppable;
    shelve(&mut room, bay(0), unstoppable, 10);
    room.relay("r-0/heat", Relay::Reports(Level::FULL));
    assert!(!kept(&room).iter().any(|record| {
        matches!(record, Record::Asides { shelved, .. } if shelved.iter().any(|shelf| shelf.kind == unstoppable))
    }));
    for kind in AlarmKind::ALL {
        let most = kind.shelved_at_most();
        assert!(most <= Duration::from_secs(30 * 86_400), "{kind}");
        if matches!(kind, AlarmKind::OverTemperature | AlarmKind::HeatUnstoppable) {
            assert!(most <= Duration::from_secs(1800), "{kind}");
        }
    }
}

#[test]
fn an_enclosure_out_of_service_tells_of_its_guard_alone_whoever_said_so() {
    let by_hand = |room: &mut Room, out: Option<&str>| {
        room.event(Event::Act(Act::Service { enclosure: EnclosureIx(0), out: out.map(str::to_owned) }));
    };
    let mut configured = noon(1, "in_service = false");
    let mut said = noon(1, "");
    by_hand(&mut said, Some("empty until spring"));
    for (room, is_configured) in [(&mut configured, true), (&mut said, false)] {
        room.keeps_saying("0/basking", "", 0);
        room.wait(120);
        assert!(matches!(aside(room, bay(0), AlarmKind::ProbeSilent), Some(Aside::OutOfService { .. })));
        assert!(room.level("r-0/heat").is_off(), "the guard keeps its law");
        room.keeps_saying("0/basking", "41.0", 30);
        assert_eq!(aside(room, bay(0), AlarmKind::OverTemperature), None);
        room.keeps_saying("0/basking", "", 0);
        room.wait(120);
        room.notices.clear();
        by_hand(room, None);
        let aside = aside(room, bay(0), AlarmKind::ProbeSilent);
        assert_eq!(aside.is_none(), !is_configured, "a person cannot overrule the configuration here: {aside:?}");
    }
    // A person's word outlives a restart.
    by_hand(&mut said, Some("empty until spring"));
    let last = Some(said.controller.stamp());
    let again = Room::again(&rack("0..0", ""), "2026-01-15T13:00:00Z", &said.remembered, &kept(&said), last);
    let out = aside(&again, bay(0), AlarmKind::ProbeSilent);
    assert_eq!(out, Some(Aside::OutOfService { why: "empty until spring".to_owned() }));
}

#[test]
fn a_quarter_of_the_site_that_falls_silent_is_one_alarm_and_what_outlasts_it_comes_forward() {
    let mut room = noon(12, "");
    for n in 0..4 {
        room.keeps_saying(&format!("{n:02}/basking"), "", 0);
    }
    room.wait(200);
    let lost = supply_lost(&room).expect("told").clone();
    assert!(lost.text.contains("4 of 12 enclosures") && lost.text.contains("r-00, r-01"), "{}", lost.text);
    assert_eq!((lost.priority, &lost.aside), (Priority::High, &None));
    for n in 0..4 {
        assert_eq!(aside(&room, bay(n), AlarmKind::ProbeSilent), supply(), "{n}");
    }
    // Long after, one more has a reason of its own.
    room.wait(3600);
    room.keeps_saying("11/basking", "", 0);
    room.wait(200);
    assert_eq!(aside(&room, bay(11), AlarmKind::ProbeSilent), None);
    // All but one are back.
    for n in [0, 1, 2] {
        room.keeps_saying(&format!("{n:02}/basking"), "31.0", 30);
    }
    room.wait(60);
    assert_eq!(aside(&room, bay(3), AlarmKind::ProbeSilent), supply(), "two minutes later");
    room.wait(90);
    assert_eq!(aside(&room, bay(3), AlarmKind::ProbeSilent), None);
    assert!(supply_lost(&room).is_none());
}

#[test]
fn two_of_twelve_are_two_alarms_and_nothing_critical_is_a_consequence() {
    let mut room = noon(12, "");
    for n in 0..2 {
        room.keeps_saying(&format!("{n:02}/basking"), "", 0);
    }
    room.wait(200);
    assert!(supply_lost(&room).is_none());
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), None);
    for n in 2..6 {
        room.keeps_saying(&format!("{n:02}/basking"), "", 0);
    }
    room.wait(200);
    assert!(supply_lost(&room).is_some());
    room.keeps_saying("03/basking", "41.0", 30);
    assert_eq!(aside(&room, bay(3), AlarmKind::OverTemperature), None);
}

#[test]
fn a_cause_is_found_again_after_a_restart_and_old_alarms_make_none() {
    let mut room = noon(12, "");
    for n in 0..4 {
        room.keeps_saying(&format!("{n:02}/basking"), "", 0);
        // An hour apart each: no common cause.
        room.wait(3600);
    }
    assert!(supply_lost(&room).is_none());
    let last = Some(room.controller.stamp());
    let toml = rack("00..11", "");
    let again = Room::again(&toml, "2026-01-15T16:00:00Z", &room.remembered, &kept(&room), last);
    assert!((0..4).all(|n| aside(&again, bay(n), AlarmKind::ProbeSilent).is_none()));
    for n in 4..10 {
        room.keeps_saying(&format!("{n:02}/basking"), "", 0);
    }
    room.wait(200);
    assert!(supply_lost(&room).is_some());
    let last = Some(room.controller.stamp());
    let again = Room::again(&toml, "2026-01-15T16:00:00Z", &room.remembered, &kept(&room), last);
    assert!((4..10).all(|n| aside(&again, bay(n), AlarmKind::ProbeSilent) == supply()));
    assert!((0..4).all(|n| aside(&again, bay(n), AlarmKind::ProbeSilent).is_none()));
    assert!(supply_lost(&again).is_some());
}

#[test]
fn a_relay_box_that_does_not_obey_is_one_alarm_that_names_its_lamps() {
    let toml = rack("0..9", "").replace("state = \"{bay}/heat\"", "state = \"box/state\", pointer = \"/{bay}\"");
    let mut room = Room::new(&toml, "2026-01-15T11:30:00Z");
    let report = |on: [bool; 10]| {
        let fields: Vec<_> =
            on.iter().enumerate().map(|(n, on)| format!("\"{n}\": \"{}\"", if *on { "ON" } else { "OFF" })).collect();
        format!("{{{}}}", fields.join(", "))
    };
    for n in 0..10 {
        room.relay(&format!("r-{n}/heat"), Relay::Deaf);
        room.keeps_saying(&format!("{n}/basking"), "31.0", 30);
    }
    room.say("box/state", &report([true; 10]));
    room.wait(600);
    assert_eq!(room.controller.alarms().count(), 0, "{:?}", room.log);
    // Two are told to be off, and the box goes on reporting that they are on.
    for n in [3, 7] {
        room.keeps_saying(&format!("{n}/basking"), "34.0", 30);
    }
    room.wait(120);
    let lost = supply_lost(&room).expect("told").clone();
    assert_eq!(lost.subjects, ["the relay box of box/state"]);
    for words in ["2 of 10 lamps", "heat of r-3", "heat of r-7"] {
        assert!(lost.text.contains(words), "{words}: {}", lost.text);
    }
    for n in [3, 7] {
        assert_eq!(aside(&room, bay(n), AlarmKind::RelayDeaf), supply());
    }
    room.say("box/state", &report([true, true, true, false, true, true, true, false, true, true]));
    room.wait(200);
    assert!(
        room.controller.alarms().all(|it| it.kind != AlarmKind::SupplyLost) && room.controller.alarms().count() == 0
    );
}

#[test]
fn a_broker_that_is_lost_is_one_alarm_and_hides_nothing_that_was_there_before() {
    let mut room = noon(12, "");
    room.keeps_saying("00/basking", "", 0);
    room.wait(1200);
    for n in 1..12 {
        room.keeps_saying(&format!("{n:02}/basking"), "", 0);
    }
    // The connection hangs, and that is noticed only after the probes are found silent.
    room.wait(100);
    assert!(room.controller.alarms().count() >= 12);
    room.event(Event::LinkDown);
    let broker = Some(Aside::Consequence(Cause { enclosure: None, kind: AlarmKind::BrokerLost }));
    for n in 1..12 {
        assert_eq!(aside(&room, bay(n), AlarmKind::ProbeSilent), broker, "{n}");
    }
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), None);
    assert_eq!(aside(&room, None, AlarmKind::BrokerLost), None);
    let told = room.controller.alarms().filter(|notice| notice.aside.is_none()).count();
    assert_eq!(told, 2, "the probe of before, and the broker");
    room.wait(3600);
    assert_eq!(room.controller.alarms().filter(|notice| notice.aside.is_none()).count(), 2);
    // It is back, and with it all probes but one.
    room.event(Event::LinkUp);
    for n in 2..12 {
        room.keeps_saying(&format!("{n:02}/basking"), "31.0", 30);
    }
    room.wait(300);
    assert_eq!(aside(&room, bay(1), AlarmKind::ProbeSilent), None, "it comes forward");
}

/// A tube over a UV probe by day; invented.
const TUBE: &str = r#"
[site]
name = "attic"
timezone = "Europe/London"
latitude = 51.5
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
photoperiod = { follow = "clock", on = "08:00", off = "20:00" }

[[enclosure]]
id = "e1"
care = "basker"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "60s"

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = { set = "e1/uvb/set", state = "e1/uvb" }
"#;

#[test]
fn the_uv_band_is_suppressed_by_night_and_stands_again_by_day() {
    let mut room = Room::new(TUBE, "2026-01-15T07:00:00Z");
    room.keeps_saying("e1/uv", "0.01", 60);
    room.wait_until("2026-01-15T08:00:00Z");
    // Zone 3 wants 2.9 at least (Ferguson zones, as in the care sheets).
    room.keeps_saying("e1/uv", "1.5", 60);
    room.wait_until("2026-01-15T19:59:00Z");
    assert_eq!(aside(&room, bay(0), AlarmKind::UvBelowBand), None);
    room.event(Event::Act(Act::Acknowledge { enclosure: bay(0), kind: None }));
    room.wait_until("2026-01-15T20:00:00Z");
    room.keeps_saying("e1/uv", "0.01", 60);
    room.wait(120);
    assert!(matches!(aside(&room, bay(0), AlarmKind::UvBelowBand), Some(Aside::ByDesign(_))));
    room.wait_until("2026-01-16T08:00:00Z");
    room.keeps_saying("e1/uv", "1.5", 60);
    room.wait(120);
    assert_eq!(aside(&room, bay(0), AlarmKind::UvBelowBand), None);
    let stands = room.alarm(AlarmKind::UvBelowBand).expect("stands");
    assert_eq!(stands.state, AlarmState::Acknowledged, "who has seen it is not asked again each morning");
}

/// A keeper and a neighbour who hear of everything, at once and again.
fn telling() -> Telling {
    let contact = |name: &str| Contact {
        name: name.to_owned(),
        timezone: chrono_tz::UTC,
        hours: None,
        channels: vec![Channel::Mail { to: format!("{name}@example.net") }],
    };
    let names = || vec!["keeper".to_owned(), "neighbour".to_owned()];
    let plan = |repeat| Plan {
        first: names(),
        then: Vec::new(),
        after: Duration::from_secs(600),
        repeat: Some(Duration::from_secs(repeat)),
    };
    Telling {
        contacts: vec![contact("keeper"), contact("neighbour")],
        plans: Plans { critical: plan(900), high: plan(7200), medium: plan(7200), low: Plan::default() },
        ..Telling::default()
    }
}

/// What people are told of a room's alarms until its present, in virtual time.
fn told(room: &Room) -> Vec<(Duration, Message)> {
    let mut settings = Settings::clone(room.controller.settings());
    settings.telling = telling();
    let start = room.began;
    let mut notifier = Notifier::new(&settings, start, &[]);
    let mut sent = Vec::new();
    let mut notices = room.notices.iter().peekable();
    let mut now = start;
    while now.mono < room.now.mono {
        let next = notices.peek().map_or(room.now.mono, |(at, _)| at.mono);
        let due = notifier.next_deadline(now).map_or(next, |due| due.max(now.mono).min(next));
        now.wall += chrono::TimeDelta::from_std(due.since(now.mono)).expect("short");
        now.mono = due;
        while let Some((_, notice)) = notices.next_if(|(at, _)| at.mono <= now.mono) {
            notifier.hear(now, &settings, notice);
        }
        let mut out = Vec::new();
        notifier.step(now, &settings, &|_, _, _| None, &mut out);
        sent.extend(out.into_iter().map(|message| (now.mono.since(start.mono), message)));
        if due == next && notices.peek().is_none() && next == room.now.mono {
            break;
        }
    }
    sent
}

#[test]
fn a_thousand_enclosures_that_lose_power_make_five_messages_at_most_for_each_person() {
    let mut room = noon(1000, "");
    room.began = room.now;
    for n in 0..1000 {
        room.keeps_saying(&format!("{n:03}/basking"), "", 0);
        room.relay(&format!("r-{n:03}/heat"), Relay::Deaf);
    }
    // Every relay is told OFF, for its guard hears nothing, and does not answer.
    room.wait(90 * 60);
    let stood = room.controller.alarms().count();
    assert!(stood >= 1000, "{stood} alarms stand");
    assert_eq!(room.controller.alarms().filter(|notice| notice.aside.is_none()).count(), 1, "one is told");
    for n in 0..1000 {
        room.relay(&format!("r-{n:03}/heat"), Relay::Obeys);
        room.keeps_saying(&format!("{n:03}/basking"), "33.0", 30);
    }
    room.wait(40 * 60);
    let sent = told(&room);
    for person in ["keeper", "neighbour"] {
        let theirs: Vec<_> = sent.iter().filter(|(_, message)| message.contact == person).collect();
        let lines: Vec<_> =
            theirs.iter().map(|(at, message)| format!("{} s: {}", at.as_secs(), message.subject)).collect();
        println!("{person}: {} notices: {lines:#?}", lines.len());
        assert!((2..=5).contains(&lines.len()), "{lines:#?}");
        assert!(theirs[0].1.text.contains("power or network has failed"), "{}", theirs[0].1.text);
        assert!(theirs[0].0 < Duration::from_secs(300), "within minutes");
        assert!(theirs.iter().all(|(_, message)| message.text.len() < 40_000));
    }
    assert!(room.controller.alarms().count() == 0, "all is well again");
}

/// What may happen to five bays.
#[derive(Clone, Debug)]
enum Happening {
    Silent(usize, bool),
    Hot(usize, bool),
    Link(bool),
    Shelve(usize, usize, u64),
    Unshelve(usize),
    Service(usize, bool),
    Acknowledge(usize),
    Wait(u64),
}

fn happening() -> impl Strategy<Value = Happening> {
    let bay = 0..5_usize;
    prop_oneof![
        4 => (bay.clone(), any::<bool>()).prop_map(|(n, on)| Happening::Silent(n, on)),
        1 => (bay.clone(), any::<bool>()).prop_map(|(n, on)| Happening::Hot(n, on)),
        1 => any::<bool>().prop_map(Happening::Link),
        2 => (bay.clone(), 0..AlarmKind::ALL.len(), 1..200_u64).prop_map(|(n, kind, m)| Happening::Shelve(n, kind, m)),
        1 => bay.clone().prop_map(Happening::Unshelve),
        1 => (bay.clone(), any::<bool>()).prop_map(|(n, out)| Happening::Service(n, out)),
        1 => bay.prop_map(Happening::Acknowledge),
        4 => (1..4000_u64).prop_map(Happening::Wait),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever happens: what was told last is what stands; nothing critical is put aside but by a short shelf; and after
    /// everything has ended nothing is put aside any more.
    #[test]
    fn what_is_put_aside_has_a_reason_that_ends(happenings in prop::collection::vec(happening(), 1..40)) {
        let mut room = noon(5, "");
        let critical = [AlarmKind::OverTemperature, AlarmKind::HeatUnstoppable];
        for happening in happenings {
            match happening {
                Happening::Silent(n, silent) => {
                    room.keeps_saying(&format!("{n}/basking"), if silent { "" } else { "31.0" }, 30);
                }
                Happening::Hot(n, hot) => {
                    room.keeps_saying(&format!("{n}/basking"), if hot { "41.0" } else { "31.0" }, 30);
                }
                Happening::Link(up) => room.event(if up { Event::LinkUp } else { Event::LinkDown }),
                Happening::Shelve(n, kind, minutes) => shelve(&mut room, bay(n), AlarmKind::ALL[kind], minutes),
                Happening::Unshelve(n) => room.event(Event::Act(Act::Unshelve { enclosure: bay(n), kind: None })),
                Happening::Service(n, out) => {
                    let out = out.then(|| "empty".to_owned());
                    room.event(Event::Act(Act::Service { enclosure: EnclosureIx(n), out }));
                }
                Happening::Acknowledge(n) => {
                    room.event(Event::Act(Act::Acknowledge { enclosure: bay(n), kind: None }));
                }
                Happening::Wait(seconds) => room.wait(seconds),
            }
            let stand: BTreeMap<_, _> = room.controller.alarms().map(|it| ((it.enclosure, it.kind), it)).collect();
            let told: BTreeMap<_, _> =
                room.alarms.iter().filter(|(_, it)| it.state.is_active()).map(|(key, it)| (*key, it)).collect();
            prop_assert_eq!(&stand, &told);
            for notice in stand.values() {
                let is_critical = critical.contains(&notice.kind);
                prop_assert!(!is_critical || matches!(notice.aside, None | Some(Aside::Shelved { .. })), "{:?}", notice);
                prop_assert!(notice.kind != AlarmKind::HeatUnstoppable || notice.aside.is_none());
                if let Some(Aside::Consequence(cause)) = notice.aside {
                    prop_assert!(cause.enclosure.is_none() && cause.kind != notice.kind);
                }
            }
        }
        room.event(Event::LinkUp);
        for n in 0..5 {
            room.event(Event::Act(Act::Service { enclosure: EnclosureIx(n), out: None }));
            room.event(Event::Act(Act::Unshelve { enclosure: bay(n), kind: None }));
            room.event(Event::Act(Act::Reset { enclosure: EnclosureIx(n), lamp: None }));
            room.keeps_saying(&format!("{n}/basking"), "33.0", 30);
        }
        room.wait(4 * 3600);
        let left: BTreeSet<_> = room.controller.alarms().map(|it| (it.enclosure, it.kind)).collect();
        prop_assert!(left.is_empty(), "{:?}", left);
    }
}

#[test]
fn a_probe_that_was_silent_before_is_not_well_because_the_broker_is_back() {
    let mut room = noon(2, "");
    room.keeps_saying("0/basking", "", 0);
    room.wait(600);
    room.event(Event::LinkDown);
    room.wait(600);
    room.notices.clear();
    room.event(Event::LinkUp);
    room.keeps_saying("1/basking", "31.0", 30);
    room.wait(600);
    assert_eq!(aside(&room, bay(0), AlarmKind::ProbeSilent), None);
    let of_it = room.notices.iter().filter(|(_, it)| it.kind == AlarmKind::ProbeSilent);
    assert!(of_it.clone().all(|(_, it)| it.state.is_active()), "it never ended: {:?}", of_it.collect::<Vec<_>>());
    room.keeps_saying("0/basking", "31.0", 30);
    room.wait(30);
    assert_eq!(room.controller.alarms().count(), 0, "its first word ends it");
}
