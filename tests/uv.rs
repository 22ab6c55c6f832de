//! UV through the whole core in virtual time: series, calibration, band and what a lamp change does to them.

mod room;

use lampwarden::control::{Act, AlarmKind, Event, Footing, Heard, MeterReading, Quality, UvView};
use lampwarden::settings::{EnclosureIx, LampIx, ProbeIx};
use lampwarden::units::Uvi;
use room::Room;

/// One enclosure with a UV tube over a zone 3 basking spot, lit from 7 to 19 o'clock. Invented.
const ONE: &str = r#"
[site]
name = "attic"
timezone = "UTC"
latitude = 40.0
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
photoperiod = { follow = "clock", on = "07:00", off = "19:00" }

[[enclosure]]
id = "e1"
care = "basker"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "60s"

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
lights = "uv"
relay = { set = "e1/uvb/set", state = "e1/uvb" }
"#;

const E1: EnclosureIx = EnclosureIx(0);

fn measure(room: &mut Room, uvi: f64) {
    let reading = MeterReading { spot: "basking".into(), uvi: Uvi(uvi), alone: None, guess: false };
    room.event(Event::Act(Act::MeterReading { enclosure: E1, reading }));
}

fn uv(room: &Room) -> UvView {
    let view = room.controller.view(E1).expect("there");
    view.probes[ProbeIx(0).0].uv.expect("a UV probe")
}

/// A room at ten o'clock, the tube warm, its probe reading `raw`.
fn morning(raw: &str) -> Room {
    let mut room = Room::new(ONE, "2026-03-02T06:00:00Z");
    room.keeps_saying("e1/uv", "0.0", 60);
    room.wait_until("2026-03-02T07:00:00Z");
    room.keeps_saying("e1/uv", raw, 60);
    room.wait_until("2026-03-02T10:00:00Z");
    room
}

#[test]
fn a_meter_reading_makes_the_probe_tell_uv_indices_and_a_lamp_change_takes_that_back() {
    let mut room = morning("3.0");
    assert_eq!((uv(&room).footing, uv(&room).readings), (Footing::AsRead, 0));
    measure(&mut room, 4.2);
    room.wait(600);
    let calibrated = uv(&room);
    assert_eq!(calibrated.footing, Footing::Calibrated);
    // 4.2 over 3.0; the meter is good to 10 %, common practice, no source.
    assert!((calibrated.gain - 1.4).abs() < 0.01 && calibrated.uncertainty.expect("one") > 0.1, "{calibrated:?}");
    assert!((calibrated.uvi.expect("heard").0 - 4.2).abs() < 0.02);
    room.event(Event::Act(Act::LampChange { enclosure: E1, lamp: LampIx(0) }));
    assert_eq!(uv(&room).footing, Footing::RelativeOnly);
    let due = room.alarm(AlarmKind::CalibrationDue).expect("raised");
    assert!(due.text.contains("relative only") && due.text.contains("meter"), "{}", due.text);
    room.wait(1800);
    measure(&mut room, 3.6);
    room.wait(600);
    assert!(room.alarm(AlarmKind::CalibrationDue).is_none());
    assert!((uv(&room).gain - 1.2).abs() < 0.01);
}

#[test]
fn what_became_of_the_newest_reading_is_told_with_what_it_stands_for() {
    let mut room = morning("3.0");
    let heard = |room: &Room| room.controller.heard(E1, ProbeIx(0));
    let uvi = |heard: Option<Heard>| heard.and_then(|heard| heard.uvi).map(|(uvi, footing)| (uvi.0.round(), footing));
    assert_eq!(uvi(heard(&room)), Some((3.0, Footing::AsRead)));
    measure(&mut room, 6.0);
    room.wait(1200);
    assert_eq!(uvi(heard(&room)), Some((6.0, Footing::Calibrated)));
    room.say_retained("e1/uv", "2.0");
    assert_eq!(heard(&room), Some(Heard { value: Some(2.0), quality: Quality::Stale, uvi: None }));
    room.say("e1/uv", "900");
    assert_eq!(heard(&room), Some(Heard { value: Some(900.0), quality: Quality::Doubtful, uvi: None }));
    room.say("e1/uv", "nothing");
    assert_eq!(heard(&room), Some(Heard { value: None, quality: Quality::Doubtful, uvi: None }));
    assert_eq!(room.controller.heard(E1, ProbeIx(1)), None, "there is no such probe");
    assert_eq!(Room::new(ONE, "2026-03-02T06:00:00Z").controller.heard(E1, ProbeIx(0)), None);
}

#[test]
fn the_band_is_judged_by_calibrated_numbers_and_not_at_all_after_a_lamp_change() {
    // The probe says 2.2, which is below zone 3 (2.9 to 7.4: Baines et al. 2016), and the meter 4.4, which is inside.
    let mut room = morning("2.2");
    measure(&mut room, 4.4);
    room.wait(8 * 3600);
    assert!(room.alarm(AlarmKind::UvBelowBand).is_none());
    let mut room = morning("4.4");
    measure(&mut room, 2.2);
    room.wait(8 * 3600);
    assert!(room.alarm(AlarmKind::UvBelowBand).expect("raised").text.contains("2.2"));
    let mut room = morning("4.4");
    measure(&mut room, 2.2);
    room.wait(1200);
    room.event(Event::Act(Act::LampChange { enclosure: E1, lamp: LampIx(0) }));
    room.wait(8 * 3600);
    assert!(room.alarm(AlarmKind::UvBelowBand).is_none(), "nobody knows what the new lamp's numbers mean");
}

#[test]
fn the_ceiling_is_held_by_the_last_gain_even_after_a_lamp_change() {
    let mut room = morning("3.0");
    measure(&mut room, 6.0);
    room.wait(1200);
    room.event(Event::Act(Act::LampChange { enclosure: E1, lamp: LampIx(0) }));
    room.keeps_saying("e1/uv", "4.5", 60);
    room.wait(3600);
    assert!(room.alarm(AlarmKind::UvOverCeiling).expect("raised").text.contains("9.0"), "twice 4.5 is over 8");
    assert!(room.level("e1/uvb").is_off());
}

#[test]
fn an_animal_on_the_probe_for_a_third_of_the_day_is_no_loss_of_uv() {
    let mut room = morning("4.0");
    for day in 2..5 {
        room.wait_until(&format!("2026-03-0{day}T11:00:00Z"));
        room.keeps_saying("e1/uv", "0.9", 60);
        room.wait_until(&format!("2026-03-0{day}T15:00:00Z"));
        room.keeps_saying("e1/uv", "4.0", 60);
        room.wait_until(&format!("2026-03-0{day}T19:00:00Z"));
        room.keeps_saying("e1/uv", "0.0", 60);
        room.wait_until(&format!("2026-03-0{}T07:00:00Z", day + 1));
        room.keeps_saying("e1/uv", "4.0", 60);
    }
    assert!(!room.log.iter().any(|line| line.contains("uv-below-band")), "{:?}", room.log);
}

#[test]
fn a_probe_that_was_never_calibrated_is_asked_about_after_a_week() {
    let mut room = morning("4.0");
    for day in 2..10 {
        room.wait_until(&format!("2026-03-{day:02}T19:00:00Z"));
        assert!(day > 7 || room.alarm(AlarmKind::CalibrationDue).is_none(), "{day}");
        room.keeps_saying("e1/uv", "0.0", 60);
        room.wait_until(&format!("2026-03-{:02}T07:00:00Z", day + 1));
        room.keeps_saying("e1/uv", "4.0", 60);
    }
    assert!(room.alarm(AlarmKind::CalibrationDue).expect("raised").text.contains("never been checked"));
    room.wait_until("2026-03-10T10:00:00Z");
    measure(&mut room, 4.0);
    room.wait(600);
    assert!(room.alarm(AlarmKind::CalibrationDue).is_none());
}

#[test]
fn a_figure_with_its_point_misplaced_changes_nothing_and_is_asked_about() {
    let mut room = morning("4.0");
    measure(&mut room, 4.0);
    room.wait(600);
    measure(&mut room, 40.0);
    room.wait(600);
    assert!((uv(&room).gain - 1.0).abs() < 0.01);
    let due = room.alarm(AlarmKind::CalibrationDue).expect("raised");
    assert!(due.text.contains("UV index of 40.0") && due.text.contains("10.0 times"), "{}", due.text);
    assert!(room.level("e1/uvb") == lampwarden::units::Level::FULL, "no lamp goes off for a slip of the pen");
}

#[test]
fn what_the_probe_reads_at_night_is_taken_off() {
    let mut room = Room::new(ONE, "2026-03-02T00:00:00Z");
    room.keeps_saying("e1/uv", "0.5", 60);
    room.wait_until("2026-03-02T07:00:00Z");
    room.keeps_saying("e1/uv", "4.5", 60);
    room.wait_until("2026-03-02T10:00:00Z");
    let seen = uv(&room);
    assert!((seen.background.expect("learnt") - 0.5).abs() < 0.01, "{seen:?}");
    assert!((seen.uvi.expect("heard").0 - 4.0).abs() < 0.02);
}

#[test]
fn a_calibration_outlives_a_restart() {
    let mut room = morning("3.0");
    measure(&mut room, 4.2);
    room.wait(600);
    let filed = room.filed.clone();
    let mut after = morning("3.0");
    after.controller.recall(&filed, None, &mut Vec::new());
    assert_eq!(uv(&after).footing, Footing::Calibrated);
    assert_eq!(uv(&after).gain, uv(&room).gain);
}

#[test]
fn a_round_with_the_meter_shows_the_gradient_and_is_due_again_after_a_month() {
    let mut room = morning("4.0");
    let spot = |spot: &str, uvi: f64| {
        let reading = MeterReading { spot: spot.into(), uvi: Uvi(uvi), alone: None, guess: false };
        Event::Act(Act::MeterReading { enclosure: E1, reading })
    };
    room.event(spot("basking", 4.0));
    let remarks = room.controller.round(E1).expect("there").remarks;
    assert!(remarks.iter().any(|remark| remark.to_string().contains("no retreat measured")), "{remarks:?}");
    room.event(spot("cave", 0.0));
    room.event(spot("branch", 9.0));
    room.wait(120);
    assert!(room.alarm(AlarmKind::UvOverCeiling).expect("raised").text.contains("spot branch was measured"));
    room.event(spot("branch", 6.0));
    room.wait(120);
    assert!(room.alarm(AlarmKind::UvOverCeiling).is_none());
    let round = room.controller.round(E1).expect("there");
    assert!(round.remarks.iter().all(|remark| !remark.is_wrong()), "{:?}", round.remarks);
    room.wait_until("2026-04-06T09:00:00Z");
    assert!(room.alarm(AlarmKind::WalkDue).is_none());
    room.wait_until("2026-04-06T11:00:00Z");
    assert!(room.alarm(AlarmKind::WalkDue).expect("raised").text.contains("2 Mar 2026"));
}

#[test]
fn the_days_dose_is_the_calibrated_index_times_the_hours_it_shone() {
    let mut room = morning("2.0");
    measure(&mut room, 4.0);
    room.wait_until("2026-03-02T19:00:00Z");
    room.keeps_saying("e1/uv", "0.0", 60);
    room.wait_until("2026-03-03T07:00:00Z");
    room.keeps_saying("e1/uv", "2.0", 60);
    room.wait_until("2026-03-03T11:00:00Z");
    let round = room.controller.round(E1).expect("there");
    let (_, [today, yesterday]) = &round.days[0];
    // 3 h as read and 9 h calibrated: 3·2 + 9·4 = 42; then 4 h at 4.
    assert!((yesterday.as_ref().expect("seen").uvi_hours() - 42.0).abs() < 0.5, "{yesterday:?}");
    assert!((today.as_ref().expect("seen").uvi_hours() - 16.0).abs() < 0.3, "{today:?}");
}

#[test]
fn a_lamp_that_burns_on_although_told_off_is_no_background_and_does_not_blind_the_ceiling() {
    // Its relay says what it was told, whatever its contacts do.
    let mut room = Room::new(ONE, "2026-03-02T20:00:00Z");
    room.keeps_saying("e1/uv", "9.0", 60);
    room.wait_until("2026-03-03T07:00:00Z");
    assert_eq!(uv(&room).background, None);
    room.wait_until("2026-03-03T08:00:00Z");
    assert!(room.alarm(AlarmKind::UvOverCeiling).expect("raised").text.contains("9.0"));
    assert!(room.level("e1/uvb").is_off());
}
