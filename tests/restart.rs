//! A power cut costs nothing but the minutes it lasted: what the core hands out to be kept, it takes up again.

mod room;

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampwarden::control::{Act, AlarmKind, AlarmState, Controller, Effect, Event, MeterReading, Record};
use lampwarden::settings::{EnclosureIx, LampIx};
use lampwarden::time::{Moment, Mono};
use lampwarden::units::{Level, Uvi};
use proptest::prelude::*;
use room::{Relay, Room, time};

/// One enclosure: a thermostat, a tube by day that must rest for ten minutes, a mercury-vapour lamp. Invented.
const ONE: &str = r#"
[site]
name = "attic"
timezone = "Europe/London"
latitude = 51.5
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
basking = { day = 32.0, night = 20.0, cut = 40.0, limit = 45.0 }
photoperiod = { follow = "clock", on = "08:00", off = "20:00" }

[[enclosure]]
id = "e1"
title = "Gable end"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e1/basking"
every = "30s"

[enclosure.probes.cool]
measures = "temperature"
topic = "e1/cool"
every = "30s"
spot = "cool"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "60s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = { set = "e1/heat/set", state = "e1/heat", hold = "5m" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
min_off = "10m"
relay = { set = "e1/uvb/set", state = "e1/uvb" }

[enclosure.lamps.sun]
fitting = "mercury-vapour"
watts = 125
guards = ["basking"]
relay = { set = "e1/sun/set", state = "e1/sun", hold = "5m" }
"#;

const E1: EnclosureIx = EnclosureIx(0);

/// The newest record of each owner, as a driver keeps them.
fn kept(room: &Room) -> Vec<Record> {
    let mut newest: Vec<Record> = Vec::new();
    for record in &room.filed {
        newest.retain(|known| known.owner() != record.owner());
        newest.push(record.clone());
    }
    // On disk they are text.
    let text = serde_json::to_string(&newest).expect("plain data");
    serde_json::from_str(&text).expect("its own")
}

/// A daemon that starts at `wall` under `toml` with what `before` has kept, whose clock was right to the end.
fn restarted(toml: &str, before: &Room, wall: &str) -> Room {
    let mut room = Room::again(toml, wall, &before.remembered, &kept(before), Some(before.controller.stamp()));
    for topic in ["e1/basking", "e1/cool"] {
        room.keeps_saying(topic, "31.0", 30);
    }
    room.keeps_saying("e1/uv", "4.0", 60);
    room.event(Event::LinkUp);
    room
}

/// A room at noon, all well.
fn noon() -> Room {
    let mut room = Room::new(ONE, "2026-01-15T11:30:00Z");
    room.keeps_saying("e1/basking", "31.0", 30);
    room.keeps_saying("e1/cool", "24.0", 30);
    room.keeps_saying("e1/uv", "4.0", 60);
    room.wait_until("2026-01-15T12:00:00Z");
    room
}

fn acknowledge(room: &mut Room, kind: AlarmKind) {
    room.event(Event::Act(Act::Acknowledge { enclosure: Some(E1), kind: Some(kind) }));
}

fn override_for(room: &mut Room, lamp: usize, level: Level, minutes: u64) {
    let (level, span) = (Some(level), Duration::from_secs(60 * minutes));
    room.event(Event::Act(Act::Override { enclosure: E1, lamp: LampIx(lamp), level, span }));
}

/// Where an alarm stands and since when.
fn standing(room: &Room, kind: AlarmKind) -> Option<(AlarmState, DateTime<Utc>)> {
    room.alarms.get(&(Some(E1), kind)).map(|notice| (notice.state, notice.since))
}

#[test]
fn an_alarm_is_filed_before_it_is_told() {
    let mut room = noon();
    room.keeps_saying("e1/cool", "", 30);
    room.now.mono = room.now.mono.after(Duration::from_secs(300));
    room.now.wall += TimeDelta::seconds(300);
    let mut effects = Vec::new();
    room.controller.handle(room.now, Event::Tick, &mut effects);
    let filed = effects.iter().position(|effect| matches!(effect, Effect::File(Record::Alarms { .. })));
    let told = effects.iter().position(|effect| matches!(effect, Effect::Alarm(_)));
    assert!(filed.zip(told).is_some_and(|(filed, told)| filed < told), "{effects:?}");
}

#[test]
fn an_alarm_that_somebody_has_seen_stands_on_as_seen_and_is_cleared_once_all_is_well() {
    let mut room = noon();
    room.keeps_saying("e1/cool", "", 30);
    room.wait(300);
    acknowledge(&mut room, AlarmKind::ProbeSilent);
    let before = standing(&room, AlarmKind::ProbeSilent);
    assert_eq!(before.expect("raised").0, AlarmState::Acknowledged);
    room = Room::again(ONE, "2026-01-15T12:06:00Z", &room.remembered, &kept(&room), Some(room.controller.stamp()));
    assert_eq!(standing(&room, AlarmKind::ProbeSilent), before, "told at once, for the broker keeps documents");
    room.event(Event::LinkUp);
    room.keeps_saying("e1/basking", "31.0", 30);
    room.keeps_saying("e1/uv", "4.0", 60);
    room.wait(900);
    assert_eq!(standing(&room, AlarmKind::ProbeSilent), before);
    assert_eq!(room.log.iter().filter(|line| line.contains("probe-silent")).count(), 1, "{:?}", room.log);
    room.keeps_saying("e1/cool", "24.0", 30);
    assert_eq!(standing(&room, AlarmKind::ProbeSilent).expect("told").0, AlarmState::Normal);
    assert!(matches!(kept(&room)[..], [.., Record::Alarms { ref standing, .. }] if standing.is_empty()));
}

#[test]
fn one_that_nobody_has_seen_waits_for_that_over_restarts() {
    let mut room = noon();
    room.keeps_saying("e1/cool", "", 30);
    room.wait(300);
    room.keeps_saying("e1/cool", "24.0", 30);
    assert_eq!(standing(&room, AlarmKind::ProbeSilent).expect("told").0, AlarmState::ReturnedUnacknowledged);
    for hour in 13..16 {
        room = restarted(ONE, &room, &format!("2026-01-15T{hour}:00:00Z"));
        room.wait(600);
        assert_eq!(standing(&room, AlarmKind::ProbeSilent).expect("told").0, AlarmState::ReturnedUnacknowledged);
    }
    acknowledge(&mut room, AlarmKind::ProbeSilent);
    assert_eq!(standing(&room, AlarmKind::ProbeSilent).expect("told").0, AlarmState::Normal);
}

#[test]
fn another_subject_and_a_latch_are_news_to_whoever_has_seen_the_rest() {
    let mut room = noon();
    room.keeps_saying("e1/cool", "", 30);
    room.wait(300);
    acknowledge(&mut room, AlarmKind::ProbeSilent);
    room = Room::again(ONE, "2026-01-15T12:06:00Z", &room.remembered, &kept(&room), None);
    room.event(Event::LinkUp);
    room.keeps_saying("e1/basking", "31.0", 30);
    room.wait(900);
    let notice = room.alarm(AlarmKind::ProbeSilent).expect("stands");
    assert_eq!((notice.state, notice.subjects.len()), (AlarmState::Unacknowledged, 2), "the UV probe is new");
    // A trip that somebody has seen, and the latch that they have not.
    let mut room = noon();
    room.say("e1/basking", "40.5");
    acknowledge(&mut room, AlarmKind::OverTemperature);
    room = Room::again(ONE, "2026-01-15T12:01:00Z", &room.remembered, &kept(&room), Some(room.controller.stamp()));
    room.event(Event::LinkUp);
    room.say("e1/basking", "40.5");
    assert_eq!(room.alarm(AlarmKind::OverTemperature).expect("stands").state, AlarmState::Acknowledged);
    room.say("e1/basking", "45.5");
    assert_eq!(room.alarm(AlarmKind::OverTemperature).expect("stands").state, AlarmState::Unacknowledged);
}

#[test]
fn alarms_of_what_the_settings_no_longer_have_are_cleared() {
    let mut room = noon();
    room.keeps_saying("e1/cool", "", 30);
    room.wait(300);
    let (before, after) = ONE.split_once("[enclosure.probes.cool]").expect("there");
    let (_, after) = after.split_once("[enclosure.probes.uv]").expect("there");
    let without = format!("{before}[enclosure.probes.uv]{after}");
    let other = restarted(&without, &room, "2026-01-15T13:00:00Z");
    assert_eq!(standing(&other, AlarmKind::ProbeSilent).expect("told").0, AlarmState::Normal);
    let renamed = ONE.replace("id = \"e1\"", "id = \"e2\"");
    let other = Room::again(&renamed, "2026-01-15T13:00:00Z", &room.remembered, &kept(&room), None);
    assert!(other.alarms.is_empty());
    let gone = |record: &Record| matches!(record, Record::Alarms { enclosure: Some(id), standing, .. } if id == "e1" && standing.is_empty());
    assert!(other.filed.iter().any(gone), "{:?}", other.filed);
}

#[test]
fn one_that_keeps_coming_back_does_so_over_restarts_too() {
    let mut room = noon();
    for _ in 0..3 {
        room.keeps_saying("e1/cool", "", 30);
        room.wait(300);
        room.keeps_saying("e1/cool", "24.0", 30);
        room.wait(3600);
    }
    room = restarted(ONE, &room, "2026-01-15T16:00:00Z");
    room.keeps_saying("e1/cool", "", 30);
    room.wait(300);
    let text = &room.alarm(AlarmKind::ProbeSilent).expect("raised").text;
    assert!(text.contains("Raised 4 times within a day"), "{text}");
    room = restarted(ONE, &room, "2026-01-17T12:00:00Z");
    room.wait(300);
    room.keeps_saying("e1/cool", "", 30);
    room.wait(300);
    let text = &room.alarm(AlarmKind::ProbeSilent).expect("raised").text;
    assert!(!text.contains("within a day"), "{text}");
}

/// The log's lines about a kind of alarm.
fn about<'r>(room: &'r Room, kind: &str) -> Vec<&'r str> {
    room.log.iter().filter(|line| line.contains(kind)).map(String::as_str).collect()
}

#[test]
fn a_doubt_that_passes_soon_passes_soon_after_a_restart_too() {
    let mut room = noon();
    room.say("e1/cool", "-127.0");
    assert!(room.alarm(AlarmKind::ProbeDoubtful).is_some());
    let mut after = restarted(ONE, &room, "2026-01-15T12:01:00Z");
    after.wait(14 * 60);
    assert!(after.alarm(AlarmKind::ProbeDoubtful).is_some());
    after.wait(2 * 60);
    assert!(after.alarm(AlarmKind::ProbeDoubtful).is_none());
}

#[test]
fn too_little_uv_and_a_round_that_is_due_are_not_doubled_by_a_restart_in_the_night() {
    let mut room = noon();
    let reading = MeterReading { spot: "retreat".into(), uvi: Uvi(0.4), alone: None, guess: false };
    room.event(Event::Act(Act::MeterReading { enclosure: E1, reading }));
    // Two months later.
    room = restarted(ONE, &room, "2026-03-15T10:00:00Z");
    room.keeps_saying("e1/uv", "2.0", 60);
    room.wait_until("2026-03-15T20:30:00Z");
    for kind in [AlarmKind::UvBelowBand, AlarmKind::WalkDue] {
        assert!(room.alarm(kind).is_some(), "{kind}");
    }
    for _ in 0..2 {
        let wall = (room.now.wall + TimeDelta::hours(2)).to_rfc3339();
        room = restarted(ONE, &room, &wall);
        room.keeps_saying("e1/uv", "0.0", 60);
        room.wait(600);
    }
    room.wait_until("2026-03-16T08:00:30Z");
    room.keeps_saying("e1/uv", "2.0", 60);
    room.wait_until("2026-03-16T19:30:00Z");
    for kind in ["uv-below-band", "walk-due"] {
        let [line] = about(&room, kind)[..] else { panic!("{:?}", about(&room, kind)) };
        assert!(line.contains("raised"), "{line}: it stands since before the start");
    }
    room.keeps_saying("e1/uv", "5.0", 60);
    room.wait_until("2026-03-17T16:30:00Z");
    assert!(room.alarm(AlarmKind::UvBelowBand).is_none(), "and ends in the ordinary way");
}

#[test]
fn a_hand_setting_is_served_to_its_end_and_no_longer() {
    let mut room = noon();
    override_for(&mut room, 1, Level::OFF, 120);
    room.wait(1800);
    for (wall, by_hand) in
        [("2026-01-15T12:30:10Z", true), ("2026-01-15T13:59:00Z", true), ("2026-01-15T14:00:00Z", false)]
    {
        let mut after = restarted(ONE, &room, wall);
        after.wait(30);
        assert_eq!(after.reason("e1/uvb") == "set by hand", by_hand, "{wall}");
        after.wait_until("2026-01-15T14:00:30Z");
        assert_eq!(after.reason("e1/uvb"), "day", "{wall}");
        let last = after.filed.iter().rev().find(|record| matches!(record, Record::Overrides { .. }));
        assert!(matches!(last, Some(Record::Overrides { set, .. }) if set.is_empty()), "{last:?}");
    }
    // One that was ended by hand is over.
    room.event(Event::Act(Act::Override { enclosure: E1, lamp: LampIx(1), level: None, span: Duration::ZERO }));
    let mut after = restarted(ONE, &room, "2026-01-15T12:40:00Z");
    after.wait(30);
    assert_eq!(after.reason("e1/uvb"), "day");
}

#[test]
fn a_hand_setting_is_given_up_where_nobody_knows_the_time_and_that_is_said() {
    for wall in ["1970-01-01T00:00:00Z", "2026-01-14T12:00:00Z", "2027-06-01T12:00:00Z"] {
        let mut room = noon();
        override_for(&mut room, 1, Level::OFF, 120);
        room.wait(60);
        let mut after = restarted(ONE, &room, wall);
        after.wait(30);
        assert_ne!(after.reason("e1/uvb"), "set by hand", "{wall}");
        let alarm = &after.site_alarm(AlarmKind::ClockDoubtful).expect("raised").text;
        assert!(alarm.contains("uvb of Gable end") && alarm.contains("given up"), "{alarm}");
    }
}

#[test]
fn no_hand_setting_passes_the_guard_after_a_restart() {
    let mut room = noon();
    override_for(&mut room, 0, Level::FULL, 600);
    room.say("e1/basking", "46.0");
    let mut after = restarted(ONE, &room, "2026-01-15T12:05:00Z");
    after.wait(3600);
    assert!(after.level("e1/heat").is_off() && after.reason("e1/heat").starts_with("guard: latched"));
}

#[test]
fn a_tube_shines_on_through_a_restart_whatever_its_shortest_time_off() {
    let room = noon();
    assert_eq!(room.level("e1/uvb"), Level::FULL);
    let after = restarted(ONE, &room, "2026-01-15T12:00:02Z");
    assert_eq!(after.told("e1/uvb", 0).first(), Some(&Level::FULL), "the first word it hears is on");
    assert!(after.told("e1/uvb", 0).iter().all(|level| !level.is_off()));
}

/// Seconds after the connection at which a lamp may be on again, where it is by the schedule and its guard has spoken.
fn comes_on_after(mut room: Room, lamp: &str, within: u64) -> u64 {
    (0..within).find(|_| !room.level(lamp).is_off() || (room.wait(1), false).1).unwrap_or(within)
}

#[test]
fn a_hot_mercury_lamp_cools_for_its_whole_time_and_a_cold_one_does_not_wait() {
    // Cool-down before restart 10-15 min: see settings::fitting.
    let cool = 15 * 60;
    let room = noon();
    for wall in ["2026-01-15T12:00:01Z", "2026-01-15T12:02:00Z", "2026-01-15T14:00:00Z"] {
        let after = comes_on_after(restarted(ONE, &room, wall), "e1/sun", 2000);
        assert!((cool..cool + 5).contains(&after), "{wall}: it may have burnt until now, and waits {after} s");
    }
    // Off at eight in the evening.
    let mut room = noon();
    room.wait_until("2026-01-15T20:10:00Z");
    assert!(room.level("e1/sun").is_off());
    let on = Room::again(ONE, "2026-01-16T08:00:30Z", &room.remembered, &kept(&room), Some(room.controller.stamp()));
    let with_link = |mut room: Room| {
        room.event(Event::LinkUp);
        room.keeps_saying("e1/basking", "31.0", 30);
        room
    };
    assert!(comes_on_after(with_link(on), "e1/sun", 2000) < 5, "cold");
    // By a clock that is doubted nobody knows; and without a record neither.
    let by = |wall: &str, records: &[Record]| {
        let room = Room::again(ONE, wall, &room.remembered, records, Some(room.controller.stamp()));
        comes_on_after(with_link(room), "e1/sun", 2000)
    };
    assert!(by("2026-01-16T08:00:30Z", &[]) >= cool);
    assert!(by("2028-01-16T08:00:30Z", &kept(&room)) >= cool);
}

#[test]
fn an_off_that_a_lamp_hears_after_a_restart_is_when_it_began_to_cool() {
    let room = noon();
    // It was on, and goes off with the connection of a daemon whose guard hears nothing.
    let mut dumb =
        Room::again(ONE, "2026-01-15T12:00:01Z", &room.remembered, &kept(&room), Some(room.controller.stamp()));
    dumb.event(Event::LinkUp);
    dumb.wait(20 * 60);
    assert!(dumb.level("e1/sun").is_off());
    let after = restarted(ONE, &dumb, "2026-01-15T12:21:00Z");
    assert!(comes_on_after(after, "e1/sun", 2000) < 5, "it has been off for twenty minutes");
}

#[test]
fn a_connection_that_comes_and_goes_keeps_no_lamp_cooling_for_ever_although_nobody_knows_the_time() {
    let mut room = noon();
    room.event(Event::LinkDown);
    room.say("e1/basking", "41.0");
    room.set_clock_by(-3600);
    room.wait(60);
    room.event(Event::LinkUp);
    assert!(room.level("e1/sun").is_off(), "it was too hot");
    // The whole time to cool, from when the lamp could hear of it.
    for _ in 0..3 {
        room.set_clock_by(-3600);
        room.wait(290);
        assert!(room.level("e1/sun").is_off(), "{}", room.reason("e1/sun"));
        room.event(Event::LinkDown);
        room.wait(5);
        room.event(Event::LinkUp);
    }
    room.wait(60);
    assert!(!room.level("e1/sun").is_off(), "{}", room.reason("e1/sun"));
}

#[test]
fn a_mercury_lamp_that_reports_on_although_told_off_is_hot_whatever_is_on_file() {
    let mut room = noon();
    room.wait_until("2026-01-15T20:10:00Z");
    let mut after =
        Room::again(ONE, "2026-01-16T08:00:30Z", &room.remembered, &kept(&room), Some(room.controller.stamp()));
    after.relay("e1/sun", Relay::Deaf);
    after.event(Event::LinkUp);
    after.say("e1/sun", "ON");
    after.relay("e1/sun", Relay::Obeys);
    after.wait(10);
    after.keeps_saying("e1/basking", "31.0", 30);
    let waits = comes_on_after(after, "e1/sun", 2000);
    assert!(waits > 14 * 60, "it was lit by somebody else: {waits} s");
}

#[test]
fn a_board_that_boots_in_the_past_runs_on_the_estimate_until_its_clock_is_set() {
    let mut room = noon();
    room.wait_until("2026-01-15T19:30:00Z");
    let mut after = restarted(ONE, &room, "2025-11-03T09:00:00Z");
    after.wait(600);
    assert!(!after.controller.follows_its_clock());
    assert_eq!(after.controller.stamp(), time("2026-01-15T19:40:00Z"));
    let alarm = after.site_alarm(AlarmKind::ClockDoubtful).expect("raised").text.clone();
    assert!(alarm.contains("09:00 on 3 Nov 2025") && alarm.contains("19:30 on 15 Jan 2026"), "{alarm}");
    assert_eq!(after.level("e1/uvb"), Level::FULL);
    after.wait(1260);
    assert!(after.level("e1/uvb").is_off(), "it is after eight by the estimate");
    // The clock is set.
    after.now.wall = time("2026-01-16T10:00:00Z");
    after.event(Event::Tick);
    assert!(after.site_alarm(AlarmKind::ClockDoubtful).is_none() && after.controller.follows_its_clock());
    after.wait(600);
    assert_eq!(after.level("e1/uvb"), Level::FULL);
}

/// What guards do with an hour of readings after a start at which the clock said `wall`, for a lamp without hours, by
/// second.
fn guarded(wall: DateTime<Utc>, known: Option<DateTime<Utc>>, readings: &[f64]) -> Vec<String> {
    let toml = ONE.replace("warms = \"basking\"", "guards = [\"basking\"]\nwhen = \"always\"");
    let now = Moment { mono: Mono::START, wall };
    let mut controller = Controller::new(room::settings(&toml), now, &[]);
    let mut effects = Vec::new();
    controller.recall(&[], known, &mut effects);
    controller.handle(now, Event::LinkUp, &mut effects);
    let mut said = Vec::new();
    for (n, value) in (0_u64..).zip(readings) {
        let (mono, wall) = (Mono::from_secs(20 * n), wall + TimeDelta::seconds(20 * n as i64));
        let reading = lampwarden::control::Reading { value: Ok(*value), taken: None, retained: false };
        let probe = lampwarden::settings::ProbeIx(0);
        controller.handle(Moment { mono, wall }, Event::Reading { enclosure: E1, probe, reading }, &mut effects);
        let lamp = controller.view(E1).expect("there").lamps.swap_remove(0);
        said.push(format!("{} {:?}", lamp.wanted, lamp.interlock));
    }
    said
}

proptest! {
    #[test]
    fn whatever_the_clock_says_at_the_start_guards_decide_as_ever(
        wall in -100_000_000_000_i64..100_000_000_000,
        known in prop::option::of(0_i64..3_000_000_000),
        readings in prop::collection::vec(prop_oneof![4 => 25.0..39.0_f64, 1 => 39.0..41.0_f64, 1 => 44.0..46.0_f64], 1..60),
    ) {
        let at = |seconds| DateTime::from_timestamp(seconds, 0).expect("in range");
        let usual = guarded(time("2026-06-01T12:00:00Z"), None, &readings);
        prop_assert_eq!(guarded(at(wall), known.map(at), &readings), usual);
    }

    #[test]
    fn what_is_told_of_alarms_before_a_restart_is_so_after_it(
        silent in prop::collection::vec(prop::sample::subsequence(vec!["e1/cool", "e1/uv"], 0..=2), 1..4),
        seen: bool, minutes in 1_u64..600,
    ) {
        let mut room = noon();
        for silent in silent {
            for topic in silent {
                room.keeps_saying(topic, "", 60);
            }
            room.wait(400);
            if seen {
                acknowledge(&mut room, AlarmKind::ProbeSilent);
            }
        }
        let before = room.alarms.clone();
        let wall = (room.now.wall + TimeDelta::minutes(minutes as i64)).to_rfc3339();
        let after = Room::again(ONE, &wall, &room.remembered, &kept(&room), Some(room.controller.stamp()));
        let stand = |alarms: &std::collections::BTreeMap<_, lampwarden::control::AlarmNotice>| {
            let all = alarms.values().filter(|notice| notice.state != AlarmState::Normal);
            all.map(|notice| (notice.kind, notice.state, notice.since, notice.subjects.clone(), notice.text.clone()))
                .collect::<Vec<_>>()
        };
        prop_assert_eq!(stand(&after.alarms), stand(&before));
    }
}
