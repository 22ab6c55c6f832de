//! The health of lamps through the whole core in virtual time: hours, fading, steps, shares, acceptance, spares.

mod room;

use chrono::{DateTime, Days, NaiveDate, Utc};
use lampwarden::control::health::view::{LampHealth, Standing};
use lampwarden::control::{Act, AlarmKind, Event, MeterReading, Record};
use lampwarden::settings::{EnclosureIx, LampIx};
use lampwarden::units::Uvi;
use room::Room;

/// One enclosure with UV tubes over a zone 3 basking spot (2.9 to 7.4: Baines et al. 2016), lit from 7 to 19 o'clock, and
/// one spare. Invented.
const SITE: &str = r#"
[site]
name = "attic"
timezone = "UTC"
latitude = 40.0
longitude = 0.0
uv_notice = "30d"

[broker]
url = "mqtt://127.0.0.1"

[[spare]]
fitting = "compact-uvb"
count = 1

[care.basker]
uv_zone = 3
photoperiod = { follow = "clock", on = "07:00", off = "19:00" }

[[enclosure]]
id = "e1"
care = "basker"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "5m"

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = { set = "e1/uvb/set", state = "e1/uvb" }
"#;

/// A second tube, an hour shorter at each end of the day.
const SECOND: &str = r#"
[enclosure.lamps.second]
fitting = "fluorescent-uvb"
lights = "uv"
after_dawn = "1h"
before_dusk = "1h"
relay = { set = "e1/second/set", state = "e1/second" }
"#;

const E1: EnclosureIx = EnclosureIx(0);
const START: &str = "2027-03-01T06:00:00Z";

fn lamps(room: &Room) -> Vec<LampHealth> {
    room.controller.lamps(E1).expect("there")
}

fn wait_until(room: &mut Room, date: NaiveDate, hour: u32, minute: u32) {
    let wall: DateTime<Utc> = date.and_hms_opt(hour, minute, 0).expect("a time").and_utc();
    room.wait_until(&wall.to_rfc3339());
}

fn date(day: u64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2027, 3, 1).expect("a date") + Days::new(day)
}

/// Lets days go by on which the probe says what `level` gives while lamps are lit.
fn days(room: &mut Room, days: std::ops::Range<u64>, level: impl Fn(u64) -> f64) {
    for day in days {
        wait_until(room, date(day), 7, 0);
        room.keeps_saying("e1/uv", &format!("{:.4}", level(day)), 300);
        wait_until(room, date(day), 19, 0);
        room.keeps_saying("e1/uv", "0.0", 300);
    }
}

fn measure(room: &mut Room, uvi: f64) {
    let reading = MeterReading { spot: "basking".into(), uvi: Uvi(uvi), alone: None, guess: false };
    room.event(Event::Act(Act::MeterReading { enclosure: E1, reading }));
}

/// 3.6 falling by 0.4 % a day: 2.9 after ln(3.6/2.9)/0.004 = 54 days (arithmetic).
fn fading(day: u64) -> f64 {
    3.6 * (-0.004 * day as f64).exp()
}

#[test]
fn hours_count_while_a_lamp_burns_and_a_restart_loses_a_few_minutes_at_most() {
    let mut room = Room::new(SITE, START);
    wait_until(&mut room, date(2), 9, 58);
    room.event(Event::Tick);
    let before = lamps(&room);
    assert!((before[0].hours - (24.0 + 2.0 + 58.0 / 60.0)).abs() < 0.01, "{before:?}");
    assert_eq!(before[0].cycles, 3);
    // The newest record of each owner, as a store keeps them.
    let mut filed: Vec<Record> = Vec::new();
    for record in &room.filed {
        filed.retain(|known| known.owner() != record.owner());
        filed.push(record.clone());
    }
    for _ in 0..2 {
        let mut after = Room::unlinked(SITE, "2027-03-03T10:00:00Z", &[]);
        let mut effects = Vec::new();
        after.controller.recall(&filed, None, &mut effects);
        after.carry_out(effects);
        after.event(Event::LinkUp);
        let lost = before[0].hours - lamps(&after)[0].hours;
        assert!((0.0..0.11).contains(&lost), "{lost} h are lost");
        filed.reverse();
    }
}

#[test]
fn a_lamp_that_fades_is_told_a_month_before_with_a_date_and_a_spare_is_due() {
    let mut room = Room::new(SITE, START);
    days(&mut room, 0..20, fading);
    let young = lamps(&room).remove(0);
    assert_eq!(young.standing, Standing::Well, "{young:#?}");
    assert!(room.alarm(AlarmKind::UvFading).is_none());
    days(&mut room, 20..34, fading);
    let notice = room.alarm(AlarmKind::UvFading).expect("raised").clone();
    let lamp = lamps(&room).remove(0);
    assert_eq!(lamp.standing, Standing::Fading, "{lamp:#?}");
    let off = (lamp.change_by.expect("a date") - date(54)).num_days();
    assert!(off.abs() <= 5, "{off} days off");
    let departure = lamp.departure.expect("a forecast");
    assert!(departure.earliest < departure.expected && departure.expected < departure.latest, "{departure:?}");
    assert!(notice.text.contains("lamp uvb") && notice.text.contains("Apr 2027"), "{}", notice.text);
    assert_eq!(notice.priority.word(), "low");
    let spare = room.site_alarm(AlarmKind::SpareDue).expect("raised");
    assert!(spare.text.contains("fluorescent UVB tube, 24 W") && spare.text.contains("uvb of e1"), "{}", spare.text);
    let why = lamp.why.join("\n");
    for part in ["burnt 40", "fit over 2", "CUSUM", "level 2.900", "80 %", "30 days"] {
        assert!(why.contains(part), "{part}: {why}");
    }
}

#[test]
fn a_step_that_is_no_ageing_asks_for_the_meter_and_a_reading_answers_it() {
    let mut room = Room::new(SITE, START);
    days(&mut room, 0..36, |day| if day < 30 { 5.0 } else { 3.9 });
    let due = room.alarm(AlarmKind::CalibrationDue).expect("raised").text.clone();
    assert!(due.contains("-22 %") && due.contains("31 Mar 2027") && due.contains("no ageing"), "{due}");
    assert_eq!(lamps(&room)[0].standing, Standing::Stepped);
    wait_until(&mut room, date(36), 7, 0);
    room.keeps_saying("e1/uv", "3.9", 300);
    room.wait(3600);
    measure(&mut room, 3.9);
    room.wait(1800);
    assert!(room.alarm(AlarmKind::CalibrationDue).is_none());
    assert_eq!(lamps(&room)[0].standing, Standing::Well);
    assert!(room.alarm(AlarmKind::UvFading).is_none());
}

#[test]
fn a_lamp_change_keeps_the_old_lamp_and_looks_at_the_new_one_twice() {
    let mut room = Room::new(SITE, START);
    days(&mut room, 0..20, |_| 3.0);
    room.event(Event::Act(Act::LampChange { enclosure: E1, lamp: LampIx(0) }));
    let new = lamps(&room).remove(0);
    assert_eq!((new.standing, new.cycles, new.hours < 0.01), (Standing::New, 0, true), "{new:#?}");
    assert_eq!((new.previous.len(), new.fitted), (1, Some(room.now.wall)));
    assert!((new.previous[0].hours - 240.0).abs() < 0.1 && new.previous[0].when_new.is_some());
    assert!(new.departure.is_none() && room.alarm(AlarmKind::UvFading).is_none());
    days(&mut room, 20..24, |_| 6.0);
    let young = lamps(&room).remove(0);
    assert_eq!(young.standing, Standing::BurningIn);
    let first = young.acceptance.first.expect("looked at");
    assert!((first.times.expect("the one before was seen") - 2.0).abs() < 0.01, "{first:?}");
    assert!(young.why.iter().any(|line| line.contains("2.00 times what the lamp before gave")), "{:#?}", young.why);
    wait_until(&mut room, date(24), 7, 0);
    room.keeps_saying("e1/uv", "6.0", 300);
    room.wait(3600);
    measure(&mut room, 4.0);
    days(&mut room, 25..35, |_| 5.7);
    let settled = lamps(&room).remove(0);
    let second = settled.acceptance.second.expect("looked at again");
    assert!((second.level - 5.7).abs() < 0.01 && second.hours >= 100.0, "{second:?}");
    assert!(settled.why.iter().any(|line| line.contains("UVI 3.8 is within the band")), "{:#?}", settled.why);
}

/// Days of two tubes, the first alone in the first and last hour of light.
fn staged(room: &mut Room, span: std::ops::Range<u64>, levels: impl Fn(u64) -> (f64, f64)) {
    for day in span {
        let (first, second) = levels(day);
        for (hour, level) in [(7, first), (8, first + second), (18, first), (19, 0.0)] {
            wait_until(room, date(day), hour, 0);
            room.keeps_saying("e1/uv", &format!("{level:.4}"), 300);
        }
    }
}

#[test]
fn shares_are_learnt_from_edges_and_the_lamp_that_fades_is_named() {
    let mut room = Room::new(&format!("{SITE}{SECOND}"), START);
    // Together 3.4; 2.9 is left once the faster one has halved, after ln 2/0.012 = 58 days (arithmetic).
    let (steady, faster) = (2.4, 1.0);
    staged(&mut room, 0..40, |day| (steady, faster * (-0.012 * day as f64).exp()));
    let seen = lamps(&room);
    let truth = faster * (-0.012_f64 * 39.0).exp();
    let share = seen[1].share.expect("told apart");
    assert!((share - truth / (steady + truth)).abs() < 0.03, "{share}: {:#?}", seen[1].why);
    let notice = room.alarm(AlarmKind::UvFading).expect("raised").text.clone();
    assert!(notice.contains("lamp second fades"), "{notice}");
    assert_eq!((seen[0].change_by, seen[1].change_by.is_some()), (None, true));
}

#[test]
fn lamps_that_only_switch_together_are_not_told_apart_and_that_is_said() {
    let together = SECOND.replace("\"1h\"", "\"0s\"");
    let mut room = Room::new(&format!("{SITE}{together}"), START);
    days(&mut room, 0..34, fading);
    let notice = room.alarm(AlarmKind::UvFading).expect("raised").text.clone();
    assert!(
        notice.contains("one of the lamps second and uvb") || notice.contains("one of the lamps uvb and second"),
        "{notice}"
    );
    let seen = lamps(&room);
    assert!(seen.iter().all(|lamp| lamp.share.is_none()));
    assert!(seen[0].why.iter().any(|line| line.contains("never switched alone")), "{:#?}", seen[0].why);
}

#[test]
fn a_reload_keeps_hours_and_history() {
    let mut room = Room::new(SITE, START);
    days(&mut room, 0..30, fading);
    let before = lamps(&room).remove(0);
    room.reload(&SITE.replace("uv_notice = \"30d\"", "uv_notice = \"20d\""));
    room.wait(60);
    let after = lamps(&room).remove(0);
    assert_eq!((after.hours, after.cycles), (before.hours, before.cycles));
    assert!(after.departure.is_some() && after.why.iter().any(|line| line.contains("told from 20 days")), "{after:#?}");
}

#[test]
fn lamps_of_one_circuit_that_go_dark_together_are_told_to_have_no_supply() {
    let mut room = Room::new(include_str!("../simulations/sites/one-circuit.toml"), "2026-06-20T07:00:00Z");
    let watts = |room: &mut Room, heat: &str, tube: &str, uv: &str| {
        room.keeps_saying("porch/e1/heat/power", heat, 30);
        room.keeps_saying("porch/e1/uvb/power", tube, 30);
        room.keeps_saying("porch/e1/uv", uv, 60);
    };
    room.keeps_saying("porch/e1/basking", "30.0", 30);
    watts(&mut room, "75.0", "24.0", "4.0");
    room.wait(3 * 3600);
    assert!(room.alarm(AlarmKind::LampDark).is_none());
    watts(&mut room, "0.2", "0.2", "0.0");
    room.wait(30 * 60);
    let dark = room.alarm(AlarmKind::LampDark).expect("raised");
    assert_eq!(dark.subjects, ["heat", "uvb"]);
    assert!(dark.text.contains("Most likely no power arrives") && dark.text.contains("fuse"), "{}", dark.text);
}

#[test]
fn every_alarm_of_this_kind_can_be_asked_why() {
    let mut room = Room::new(SITE, START);
    room.keeps_saying("e1/uv", "0.0", 300);
    let reading = MeterReading { spot: "basking".into(), uvi: Uvi(2.2), alone: None, guess: false };
    room.wait(3600);
    room.keeps_saying("e1/uv", "2.0", 300);
    room.wait(3 * 3600);
    room.event(Event::Act(Act::MeterReading { enclosure: E1, reading }));
    room.wait(8 * 3600);
    let kinds = [
        (AlarmKind::UvBelowBand, vec!["it stands", "the band is UVI 2.9 to 7.4", "gain 1.100", "meter reading of"]),
        (AlarmKind::UvAboveBand, vec!["it does not stand", "without what was shaded: UVI 2.2"]),
        (AlarmKind::UvOverCeiling, vec!["it does not stand", "the ceiling is UVI 8.0", "spot basking: UVI 2.2"]),
        (AlarmKind::CalibrationDue, vec!["calibrated, gain 1.100 ±", "level"]),
        (AlarmKind::UvFading, vec!["it does not stand", "uvb: ", "the band ends at UVI 2.9"]),
        (AlarmKind::WalkDue, vec!["a round is due 35 days later"]),
        (AlarmKind::SpareDue, vec!["uvb will", "in stock by the configuration: 1"]),
        (AlarmKind::LampDark, vec!["uvb: fully on for", "told from odds of"]),
    ];
    for (kind, words) in kinds {
        let why = room.controller.why_alarm(E1, kind).expect("there").join("\n");
        for word in words {
            assert!(why.contains(word), "{kind}: no {word:?} in\n{why}");
        }
    }
    assert_eq!(room.controller.why_alarm(EnclosureIx(9), AlarmKind::UvFading), None);
}

#[test]
fn a_lamp_that_was_changed_is_not_told_dark_for_the_one_before_and_comes_out_of_the_stock() {
    let site = SITE.replace("fitting = \"compact-uvb\"\ncount = 1", "fitting = \"fluorescent-uvb\"\ncount = 2");
    let mut room = Room::new(&site, START);
    days(&mut room, 0..2, |_| 4.0);
    wait_until(&mut room, date(2), 7, 0);
    room.wait(3600);
    assert!(room.alarm(AlarmKind::LampDark).is_some(), "it stays dark in the morning");
    room.event(Event::Act(Act::LampChange { enclosure: E1, lamp: LampIx(0) }));
    room.wait(120);
    assert!(room.alarm(AlarmKind::LampDark).is_none(), "nothing is known of the new one");
    let taken =
        |record: &Record| matches!(record, Record::Spares { taken } if taken[0].taken == 1 && taken[0].counted == 2);
    assert!(room.filed.iter().any(taken), "{:#?}", room.filed);
    assert_eq!(room.controller.spares_left(), 1);
    let mut after = Room::unlinked(&site, "2027-03-03T10:00:00Z", &[]);
    let (filed, mut effects) = (room.filed.clone(), Vec::new());
    after.controller.recall(&filed, None, &mut effects);
    assert_eq!(after.controller.spares_left(), 1, "a restart forgets it not");
    room.wait(3600);
    assert!(room.alarm(AlarmKind::LampDark).is_some(), "the new one is dark too");
}
