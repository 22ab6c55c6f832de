//! The guard law, rule by rule, and every state against every event.

use std::time::Duration;

use proptest::prelude::*;

use super::*;
use crate::settings::{
    Fitting, Guard, Lamp, Measures, Output, OutputKind, PayloadUnit, Probe, UvCeiling, When, Window,
};
use crate::units::{Kelvin, KelvinPerSecond, Watts};

const CUT: f64 = 40.0;
const LIMIT: f64 = 45.0;
const GAP: f64 = 2.0;
const REST: u64 = 300;
const STALE: u64 = 30;
const EVERY: u64 = 10;

fn probe(name: &str, measures: Measures) -> Probe {
    Probe {
        name: name.into(),
        measures,
        topic: format!("t/{name}"),
        pointer: None,
        stamp_pointer: None,
        unit: PayloadUnit::Kept,
        every: Duration::from_secs(EVERY),
        stale: Duration::from_secs(STALE),
        spot: "basking".into(),
        plausible: (-30.0, 120.0),
        reject: vec![],
        fastest: None,
    }
}

fn probes() -> Vec<Probe> {
    vec![probe("basking", Measures::Temperature), probe("twin", Measures::Temperature), probe("uv", Measures::Uvi)]
}

/// A lamp guarded by the first `guard_probes` probes, with a UV ceiling of 8 for ten minutes.
fn lamp(guard_probes: usize) -> Lamp {
    Lamp {
        name: "heat".into(),
        fitting: Fitting::MercuryVapour,
        power: Some(Watts(80.0)),
        output: Output {
            set: "t/set".into(),
            state: None,
            state_pointer: None,
            kind: OutputKind::Relay {
                on: "ON".into(),
                off: "OFF".into(),
                reports_on: "ON".into(),
                reports_off: "OFF".into(),
            },
            hold: None,
        },
        cut_off: None,
        circuit: None,
        priority: 5,
        window: Window {
            when: When::Always,
            after_dawn: Duration::ZERO,
            before_dusk: Duration::ZERO,
            ramp: Duration::ZERO,
            level: Level::FULL,
        },
        year: None,
        heat: None,
        guard: Some(Guard {
            probes: (0..guard_probes).map(ProbeIx).collect(),
            cut: Celsius(CUT),
            limit: Celsius(LIMIT),
            gap: Kelvin(GAP),
            rest: Duration::from_secs(REST),
            slew: KelvinPerSecond(0.1),
            twins_apart: Kelvin(5.0),
            twins_for: Duration::from_secs(300),
            frozen_after: Duration::from_secs(1800),
            unstoppable_after: Duration::from_secs(180),
        }),
        lights: Some(ProbeIx(2)),
        uv_ceiling: Some(UvCeiling { probe: ProbeIx(2), ceiling: Uvi(8.0), patience: Duration::from_secs(600) }),
        power_probe: None,
        min_on: Duration::ZERO,
        min_off: Duration::ZERO,
        warm_up: Duration::ZERO,
    }
}

/// Plays lines of `seconds word value` to a guard that control always asks for full level, and gives what it says after
/// each: `on`, or the refusal's first words.
fn play(guard: &mut LampGuard, script: &str) -> Vec<String> {
    let lines = script.split('|').map(str::trim).filter(|line| !line.is_empty());
    let says = lines.map(|line| {
        let words: Vec<_> = line.split_whitespace().collect();
        let now = Mono::from_secs(words[0].parse().expect("seconds"));
        let value = || words[2].parse::<f64>().expect("a number");
        match words[1] {
            "basking" => _ = guard.temperature(now, ProbeIx(0), Celsius(value())),
            "twin" => _ = guard.temperature(now, ProbeIx(1), Celsius(value())),
            "doubtful" => _ = guard.doubtful_temperature(now, Celsius(value())),
            "uv" => _ = guard.uv(now, ProbeIx(2), Uvi(value())),
            "reset" => guard.reset(now),
            "wait" => {}
            other => panic!("{other}"),
        }
        let (permit, refusal) = guard.judge(now, Level::FULL);
        assert_eq!(permit.level().is_off(), refusal.is_some(), "{line}");
        refusal.map_or("on".to_owned(), |refusal| refusal.to_string())
    });
    says.collect()
}

#[track_caller]
fn check(guard_probes: usize, script: &str, expected: &[&str]) {
    let said = play(&mut LampGuard::new(&lamp(guard_probes), &probes()), script);
    let fits = said.len() == expected.len() && said.iter().zip(expected).all(|(said, start)| said.contains(start));
    assert!(fits, "{script}\n  said     {said:?}\n  expected {expected:?}");
}

#[test]
fn a_lamp_without_a_reading_stays_off() {
    check(1, "0 wait | 5 wait | 6 basking 30", &["nothing heard", "nothing heard", "on"]);
}

#[test]
fn the_lamp_goes_off_at_the_cut_and_not_below_it() {
    check(1, "0 basking 39.9 | 10 basking 40", &["on", "tripped at 40.0 °C, cut 40.0 °C"]);
}

#[test]
fn it_comes_back_only_after_the_rest_well_below_the_cut() {
    check(
        1,
        "0 basking 40 | 10 basking 38 | 20 basking 37.9 | 310 basking 37.5 | 319 basking 37 | 320 wait",
        // At 310 the probe had been silent for longer than its stale time, so the rest began anew there.
        &["tripped", "tripped", "tripped", "tripped", "tripped", "tripped"],
    );
    let steady: String = (2..=32).map(|n| format!("| {} basking 37", n * 10)).collect();
    let mut guard = LampGuard::new(&lamp(1), &probes());
    let said = play(&mut guard, &format!("0 basking 40 | 10 basking 38 {steady}"));
    let came_back = said.iter().position(|said| said == "on");
    assert_eq!(came_back, Some(32), "below at 20 s, rest of 300 s: on at 320 s");
}

#[test]
fn a_reading_in_the_gap_breaks_the_rest() {
    let rest = |from: u64| (0..30).map(move |n| format!("| {} basking 37", from + n * 10)).collect::<String>();
    let mut guard = LampGuard::new(&lamp(1), &probes());
    let said = play(&mut guard, &format!("0 basking 40 {} | 300 basking 38 {}", rest(10), rest(310)));
    assert!(said.iter().all(|said| said.starts_with("tripped")), "{said:?}");
}

#[test]
fn the_third_trip_within_a_day_latches_and_a_day_later_it_does_not() {
    let trip_and_rest = |at: u64| {
        format!("{at} basking 41 {}|", (1..=32).map(|n| format!("| {} basking 30", at + n * 10)).collect::<String>())
    };
    let thrice = |a, b, c| {
        let mut guard = LampGuard::new(&lamp(1), &probes());
        play(&mut guard, &format!("{}{}{}", trip_and_rest(a), trip_and_rest(b), trip_and_rest(c))).pop()
    };
    assert_eq!(thrice(0, 1000, 86_399).as_deref(), Some("latched after three trips in 24 hours"));
    assert_eq!(thrice(0, 1000, 86_400).as_deref(), Some("on"));
}

#[test]
fn the_hard_limit_latches_until_a_person_resets_it_and_then_the_rest_runs() {
    let cool: String = (1..=100).map(|n| format!("| {} basking 30", n * 10)).collect();
    let mut guard = LampGuard::new(&lamp(1), &probes());
    let said = play(&mut guard, &format!("0 basking 45 {cool}"));
    assert!(said.iter().all(|said| said.starts_with("latched at 45.0 °C, limit 45.0 °C")), "{said:?}");
    let cool: String = (0..=31).map(|n| format!("| {} basking 30", 1010 + n * 10)).collect();
    let said = play(&mut guard, &format!("1005 reset {cool}"));
    assert!(said[0].starts_with("tripped"));
    assert_eq!(said.iter().position(|said| said == "on"), Some(31), "{said:?}");
}

#[test]
fn a_reset_does_not_switch_on_what_is_still_hot_or_silent() {
    check(1, "0 basking 46 | 5 reset | 10 basking 46", &["latched", "tripped", "latched"]);
    check(1, "0 basking 46 | 5 reset | 400 wait", &["latched", "tripped", "tripped"]);
}

#[test]
fn silence_is_off_just_after_the_stale_time() {
    check(1, "0 basking 20 | 30 wait | 31 wait | 32 basking 20", &["on", "on", "silent for more than 30 s", "on"]);
}

#[test]
fn a_late_reading_is_projected_at_the_worst_case_rise() {
    // 39.5 °C, due after 10 s, rising at 0.1 K/s: at the cut 5 s later.
    check(
        1,
        "0 basking 39.5 | 14 wait | 15 wait | 16 basking 39.5",
        &["on", "on", "basking is late and was 39.5 °C", "on"],
    );
}

#[test]
fn a_lamp_that_was_off_is_projected_from_the_moment_it_comes_on() {
    let mut guard = LampGuard::new(&lamp(1), &probes());
    guard.temperature(Mono::START, ProbeIx(0), Celsius(39.5));
    guard.judge(Mono::START, Level::OFF);
    let at = |guard: &mut LampGuard, second| guard.judge(Mono::from_secs(second), Level::FULL).1.is_some();
    assert!(!at(&mut guard, 20), "off until now, so it has not risen since");
    assert!(!at(&mut guard, 24));
    assert!(at(&mut guard, 25));
}

#[test]
fn the_projection_stands_until_a_reading_even_though_the_lamp_is_off() {
    check(1, "0 basking 39.5 | 15 wait | 16 wait | 29 wait", &["on", "late", "late", "late"]);
}

#[test]
fn of_several_probes_the_hottest_counts_and_each_must_be_fresh() {
    check(2, "0 basking 30 | 1 twin 30 | 2 twin 40", &["nothing heard from twin", "on", "tripped at 40.0"]);
    check(2, "0 basking 30 | 0 twin 30 | 20 basking 30 | 31 wait", &["nothing", "on", "on", "twin has been silent"]);
}

#[test]
fn probes_that_disagree_for_the_set_time_are_told() {
    let mut guard = LampGuard::new(&lamp(2), &probes());
    let apart: String = (0..=30).map(|n| format!("{} basking 30 | {} twin 36 |", n * 10, n * 10)).collect();
    play(&mut guard, &apart);
    assert_eq!(guard.disagreement(Mono::from_secs(299)), None);
    assert_eq!(guard.disagreement(Mono::from_secs(300)), Some((Celsius(36.0), Celsius(30.0))));
    play(&mut guard, "301 twin 34");
    assert_eq!(guard.disagreement(Mono::from_secs(301)), None);
}

#[test]
fn a_probe_that_stands_still_although_its_lamp_switched_is_off() {
    let still = |from: u64, to: u64| (from..=to).map(|n| format!("| {} basking 30", n * 10)).collect::<String>();
    let mut guard = LampGuard::new(&lamp(1), &probes());
    // Off for twenty minutes without a change, then on.
    let off: Vec<_> = (0..120).map(|n| n * 10).collect();
    for &second in &off {
        guard.temperature(Mono::from_secs(second), ProbeIx(0), Celsius(30.0));
        guard.judge(Mono::from_secs(second), Level::OFF);
    }
    let said = play(&mut guard, &format!("1200 basking 30 {}", still(121, 300)));
    assert_eq!(said.iter().position(|said| said.contains("stands still at 30.0 °C")), Some(180), "{said:?}");
    // Off for it, and still off although that switched the lamp once more.
    let said = play(&mut guard, &format!("3010 basking 30 {}", still(302, 900)));
    assert!(said.iter().all(|said| said.contains("stands still")), "{said:?}");
    assert_eq!(play(&mut guard.clone(), "9010 reset | 9011 wait"), ["on", "on"], "a person may say that it is alive");
    let said = play(&mut guard, "9010 basking 30.1");
    assert_eq!(said, ["on"], "a probe that moves is alive");
}

#[test]
fn a_probe_that_stands_still_under_a_lamp_fully_on_is_frozen_although_nothing_is_switched() {
    let mut guard = LampGuard::new(&lamp(1), &probes());
    // It moves after the lamp came on, and then no more.
    let still: String = (3..=400).map(|n| format!("| {} basking 31.5", n * 10)).collect();
    let said = play(&mut guard, &format!("0 basking 30 | 10 basking 30.5 | 20 basking 31.5 {still}"));
    assert_eq!(said.iter().position(|said| said.contains("stands still at 31.5 °C")), Some(362), "{said:?}");
    assert_eq!(play(&mut guard, "4010 basking 31.4"), ["on"], "a probe that moves is alive");
}

#[test]
fn a_dimmed_lamp_may_hold_its_probe_where_it_is() {
    let mut guard = LampGuard::new(&lamp(1), &probes());
    for second in (0..20_000).step_by(10) {
        let now = Mono::from_secs(second);
        guard.temperature(now, ProbeIx(0), Celsius(if second < 100 { 31.0 } else { 32.0 }));
        guard.judge(now, Level::clamped(0.6));
        assert_eq!(guard.frozen(), None, "at {second} s");
    }
}

#[test]
fn a_brief_switch_proves_nothing_about_a_probe() {
    let mut guard = LampGuard::new(&lamp(1), &probes());
    for second in (0..9000).step_by(10) {
        let now = Mono::from_secs(second);
        guard.temperature(now, ProbeIx(0), Celsius(30.0));
        let level = if second == 3000 { Level::FULL } else { Level::OFF };
        guard.judge(now, level);
        assert_eq!(guard.frozen(), None, "at {second} s");
    }
}

#[test]
fn a_reading_that_is_not_believed_can_trip_but_proves_nothing() {
    check(1, "0 doubtful 30 | 1 basking 30 | 2 doubtful 41", &["nothing heard", "on", "tripped at 41.0"]);
    check(1, "0 basking 30 | 25 doubtful 31 | 31 wait", &["on", "on", "silent"]);
}

#[test]
fn a_reading_that_is_no_number_counts_as_too_hot() {
    check(1, "0 basking 30 | 1 basking NaN", &["on", "latched"]);
}

#[test]
fn uv_above_its_ceiling_for_too_long_latches() {
    let uv = |from: u64, to: u64, uvi: f64| {
        (from..=to).map(|n| format!("| {} uv {uvi} | {} basking 30", n * 10, n * 10)).collect::<String>()
    };
    let mut guard = LampGuard::new(&lamp(1), &probes());
    let said = play(&mut guard, &format!("0 basking 30 {}", uv(0, 60, 8.0)));
    assert_eq!(said.last().map(String::as_str), Some("on"), "at the ceiling is not above it");
    let said = play(&mut guard, &uv(61, 122, 8.1));
    assert_eq!(said.last().map(String::as_str), Some("latched at UVI 8.1, ceiling 8.0"));
    let said = play(&mut guard, &uv(123, 200, 1.0));
    assert!(said.iter().all(|said| said.starts_with("latched")));
    assert_eq!(play(&mut guard, "2001 basking 30 | 2002 reset"), ["latched at UVI 8.1, ceiling 8.0", "on"]);
}

#[test]
fn a_uv_probe_that_falls_silent_latches_nothing_by_itself() {
    let mut guard = LampGuard::new(&lamp(1), &probes());
    let warm: String = (1..=100).map(|n| format!("| {} basking 30", n * 10)).collect();
    let said = play(&mut guard, &format!("0 basking 30 | 5 uv 9 {warm}"));
    assert_eq!(said.last().map(String::as_str), Some("on"));
}

#[test]
fn latches_and_trips_survive_a_restart() {
    let trip_and_rest = |at: u64| {
        format!("{at} basking 41 {}|", (1..=32).map(|n| format!("| {} basking 30", at + n * 10)).collect::<String>())
    };
    for (script, after, expected) in [
        ("0 basking 46", "0 basking 30", "latched at 46.0"),
        ("0 basking 41", "0 basking 30", "tripped at 41.0"),
        (&*(trip_and_rest(0) + &trip_and_rest(400)), "0 basking 41", "latched after three trips"),
    ] {
        let (lamp, probes) = (lamp(1), probes());
        let mut guard = LampGuard::new(&lamp, &probes);
        play(&mut guard, script);
        let record = guard.record(Mono::from_secs(800), &lamp).expect("something to remember");
        let mut restarted = LampGuard::new(&lamp, &probes);
        restarted.restore(Mono::START, &record);
        let said = play(&mut restarted, after);
        assert!(said[0].starts_with(expected), "{script}: {said:?}");
    }
}

#[test]
fn nothing_is_remembered_of_a_guard_that_never_tripped() {
    let lamp = lamp(1);
    let mut guard = LampGuard::new(&lamp, &probes());
    play(&mut guard, "0 basking 30");
    assert_eq!(guard.record(Mono::from_secs(1), &lamp), None);
}

#[test]
fn a_latch_survives_a_reload_under_other_thresholds() {
    let mut higher = lamp(1);
    if let Some(guard) = &mut higher.guard {
        guard.cut = Celsius(60.0);
        guard.limit = Celsius(70.0);
    }
    for (script, expected) in [("0 basking 46", "latched"), ("0 basking 41", "tripped")] {
        let mut guard = LampGuard::new(&lamp(1), &probes());
        play(&mut guard, script);
        let mut reloaded = LampGuard::new(&higher, &probes());
        reloaded.adopt(&guard, &Some);
        let said = play(&mut reloaded, "1 basking 30 | 2 wait");
        assert!(said.iter().all(|said| said.starts_with(expected)), "{said:?}");
    }
}

/// One way to bring a guard into each of its states at 1000 s, with the word it then says.
const STATES: [(&str, &str, &str); 9] = [
    ("unheard", "1000 wait", "nothing heard"),
    ("clear", "1000 basking 30", "on"),
    ("silent", "960 basking 30 | 1000 wait", "silent"),
    ("late", "980 basking 39.9 | 1000 wait", "late"),
    ("hot", "1000 basking 41", "tripped"),
    (
        "resting",
        "900 basking 41 | 920 basking 30 | 940 basking 30 | 960 basking 30 | 980 basking 30 | 1000 basking 30",
        "tripped",
    ),
    ("limit", "1000 basking 46", "latched at 46.0"),
    ("thrice", "", "latched after three"),
    ("ceiling", "", "latched at UVI"),
];

/// Every event, and what must be said after it in each state of [`STATES`], in their order: `o` on, `u` unheard, `s` silent,
/// `l` late, `t` tripped, `L` latched.
const EVENTS: [(&str, &str); 10] = [
    ("1001 basking 30", "oooottLLL"),
    ("1001 basking 39.9", "oooottLLL"),
    ("1001 basking 40", "ttttttLLL"),
    ("1001 basking 45", "LLLLLLLLL"),
    ("1001 doubtful 30", "uoslttLLL"),
    ("1001 doubtful 40", "ttttttLLL"),
    ("1001 uv 20", "uoslttLLL"),
    ("1001 reset", "uosltttto"),
    ("1031 wait", "usssttLLL"),
    ("1001 wait", "uoslttLLL"),
];

fn in_state(name: &str, script: &str) -> LampGuard {
    let mut guard = LampGuard::new(&lamp(1), &probes());
    match name {
        "thrice" => {
            for at in [0, 400, 999] {
                let cool = (1..=32).map(|n| format!("| {} basking 30", at + n * 10)).collect::<String>();
                let cool = if at == 999 { "| 1000 basking 30".to_owned() } else { cool };
                play(&mut guard, &format!("{at} basking 41 {cool}"));
            }
        }
        "ceiling" => {
            let over = (1..=70).map(|n| format!("| {} uv 9", 290 + n * 10)).collect::<String>();
            play(&mut guard, &format!("300 basking 30 {over} | 1000 basking 30"));
        }
        _ => _ = play(&mut guard, script),
    }
    guard
}

#[test]
fn every_state_meets_every_event() {
    for (event, letters) in EVENTS {
        for (at, (name, script, word)) in STATES.into_iter().enumerate() {
            let mut guard = in_state(name, script);
            let before = play(&mut guard.clone(), "1000 wait").remove(0);
            assert!(before.contains(word), "{name}: {before}");
            let said = play(&mut guard, event).remove(0);
            let letter = match said.as_str() {
                "on" => 'o',
                said if said.starts_with("nothing heard") => 'u',
                said if said.contains("silent") => 's',
                said if said.contains("late") => 'l',
                said if said.starts_with("tripped") => 't',
                said if said.starts_with("latched") => 'L',
                other => panic!("{other}"),
            };
            assert_eq!(Some(letter), letters.chars().nth(at), "{name} met {event}: {said}");
        }
    }
}

/// Anything that can happen to a guard.
#[derive(Clone, Debug)]
enum Happening {
    Reading(usize, f64),
    Doubtful(f64),
    Uv(f64),
    Reset,
    Wait,
}

fn happening() -> impl Strategy<Value = Happening> {
    prop_oneof![
        8 => (0..2_usize, prop_oneof![20.0..39.0, 37.5..41.0, 44.0..50.0]).prop_map(|(p, v)| Happening::Reading(p, v)),
        1 => (20.0..50.0).prop_map(Happening::Doubtful),
        2 => (0.0..12.0).prop_map(Happening::Uv),
        1 => Just(Happening::Reset),
        3 => Just(Happening::Wait),
    ]
}

proptest! {
    /// The guard law as a model of a few lines, against the guard, over any history.
    #[test]
    fn a_tripped_or_silent_guard_implies_off(history in prop::collection::vec((happening(), 0..40_u64), 1..200)) {
        let mut guard = LampGuard::new(&lamp(2), &probes());
        let mut now = 0;
        let mut last: [Option<(f64, u64)>; 2] = [None, None];
        let mut hot_at: Option<u64> = None;
        let mut latched = false;
        for (happening, pause) in history {
            now += pause;
            let moment = Mono::from_secs(now);
            let mut hot = |value: f64| {
                if value >= CUT {
                    hot_at = Some(now);
                }
                if value >= LIMIT {
                    latched = true;
                }
            };
            match happening {
                Happening::Reading(probe, value) => {
                    last[probe] = Some((value, now));
                    hot(value);
                    guard.temperature(moment, ProbeIx(probe), Celsius(value));
                }
                Happening::Doubtful(value) => {
                    hot(value);
                    guard.doubtful_temperature(moment, Celsius(value));
                }
                Happening::Uv(value) => _ = guard.uv(moment, ProbeIx(2), Uvi(value)),
                Happening::Reset => {
                    latched = false;
                    guard.reset(moment);
                }
                Happening::Wait => {}
            }
            let (permit, refusal) = guard.judge(moment, Level::FULL);
            let fresh = last.iter().all(|last| last.is_some_and(|(_, at)| now - at <= STALE));
            let resting = hot_at.is_some_and(|at| now - at < REST);
            let too_warm = last.iter().flatten().any(|&(value, _)| value >= CUT);
            if !fresh || resting || latched || too_warm {
                prop_assert!(permit.level().is_off(), "at {now}: fresh {fresh}, resting {resting}, latched {latched}");
            }
            prop_assert_eq!(permit.level().is_off(), refusal.is_some());
        }
    }

    /// Nothing but a person ends a latch, and a deadline is never late: between two deadlines time alone changes nothing.
    #[test]
    fn verdicts_change_only_at_deadlines(history in prop::collection::vec((happening(), 0..40_u64), 1..100)) {
        let mut guard = LampGuard::new(&lamp(1), &probes());
        let mut now = 0;
        let mut was_latched = false;
        for (happening, pause) in history {
            let from = Mono::from_secs(now);
            let (_, before) = guard.judge(from, Level::FULL);
            let due = guard.next_deadline(from);
            now += pause;
            let quiet = Mono::from_secs(now);
            if due.is_none_or(|due| quiet < due) {
                let (_, after) = guard.clone().judge(quiet, Level::FULL);
                prop_assert_eq!(&before, &after, "between {:?} and {:?}, due {:?}", from, quiet, due);
            }
            match happening {
                Happening::Reading(_, value) => _ = guard.temperature(quiet, ProbeIx(0), Celsius(value)),
                Happening::Doubtful(value) => _ = guard.doubtful_temperature(quiet, Celsius(value)),
                Happening::Uv(value) => _ = guard.uv(quiet, ProbeIx(2), Uvi(value)),
                Happening::Reset => {
                    guard.reset(quiet);
                    was_latched = false;
                }
                Happening::Wait => {}
            }
            let latched = matches!(guard.judge(quiet, Level::FULL).1, Some(Refusal::Latched(_)));
            prop_assert!(latched || !was_latched, "a latch ended by itself at {now}");
            was_latched = latched;
        }
    }
}

#[test]
fn a_contactor_opens_once_and_closes_by_a_person_alone() {
    let mut contactor = Contactor::default();
    assert_eq!(contactor.permit().level(), Level::FULL);
    assert!(contactor.open("heat of e1 does not stop"));
    assert!(!contactor.open("another reason"));
    assert_eq!(contactor.why_open(), Some("heat of e1 does not stop"));
    assert_eq!(contactor.permit(), Permit::OFF);
    assert!(contactor.reset() && !contactor.reset());
    assert_eq!(contactor.permit().level(), Level::FULL);
}

mod stoppage {
    use super::*;

    fn off_at_zero() -> Stoppage {
        Stoppage::new(Duration::from_secs(180), KelvinPerSecond(0.1), Some(Watts(75.0)), Mono::START)
    }

    /// Feeds temperatures a minute apart and tells the minute at which the lamp is found to heat still.
    fn found(readings: &[f64], others_warm: bool) -> Option<usize> {
        let mut stoppage = off_at_zero();
        let mut seen = (0..).zip(readings).map(|(minute, &reading)| {
            stoppage.temperature(Mono::from_secs(minute * 60), ProbeIx(0), Celsius(reading), Celsius(CUT), others_warm);
            stoppage.evidence().is_some()
        });
        seen.position(|found| found)
    }

    #[test]
    fn a_lamp_that_goes_on_heating_is_found_and_one_that_cools_is_not() {
        for (readings, others_warm, expected) in [
            (vec![32.0, 32.5, 33.0, 33.5, 34.5, 35.5, 36.5, 37.5, 38.5], false, Some(7)),
            (vec![32.0, 32.5, 33.0, 33.5, 34.5, 35.5, 36.5, 37.5, 38.5], true, None),
            // A warm animal lies down on the probe.
            (vec![24.0, 23.5, 23.0, 22.5, 22.0, 24.5, 25.5, 25.5, 25.0], false, None),
            (vec![32.0, 32.3, 32.0, 31.0, 30.0, 29.0, 28.0], false, None),
            // Over the cut and not cooling, whatever else is on.
            (vec![41.0, 41.5, 42.0, 41.0], true, Some(3)),
            (vec![41.0, 41.5, 41.0, 39.8, 39.0], true, None),
        ] {
            assert_eq!(found(&readings, others_warm), expected, "{readings:?}");
        }
    }

    #[test]
    fn a_reading_that_jumps_is_no_lamp_until_it_has_stood_for_as_long_as_any_other() {
        // 8 K within a minute is more than 0.1 K/s: the probe has moved. Back again, or over the cut and staying there.
        for (readings, expected) in [
            (vec![32.0, 31.5, 31.0, 31.0, 31.0, 39.5, 39.5, 31.0, 31.0], None),
            (vec![32.0, 31.5, 31.0, 31.0, 31.0, 42.0, 42.0, 42.0, 42.0], Some(8)),
        ] {
            assert_eq!(found(&readings, false), expected, "{readings:?}");
        }
    }

    #[test]
    fn two_probes_that_differ_are_no_lamp() {
        let mut stoppage = off_at_zero();
        for minute in 0..20 {
            for (probe, reading) in [(0, 33.0), (1, 37.5)] {
                let at = Mono::from_secs(minute * 60 + probe as u64 * 15);
                stoppage.temperature(at, ProbeIx(probe), Celsius(reading), Celsius(CUT), false);
            }
        }
        assert_eq!(stoppage.evidence(), None);
    }

    #[test]
    fn a_room_that_warms_over_the_morning_is_no_lamp() {
        let readings: Vec<_> = (0..600).map(|minute| 20.0 + f64::from(minute) / 60.0).collect();
        assert_eq!(found(&readings, false), None);
    }

    #[test]
    fn power_drawn_after_off_is_found_and_a_meters_noise_is_not() {
        for (seconds, watts, expected) in [(10, 75.0, false), (20, 75.0, true), (20, 7.4, false), (20, 7.5, true)] {
            let mut stoppage = off_at_zero();
            stoppage.power(Mono::from_secs(seconds), Watts(watts));
            assert_eq!(stoppage.evidence().is_some(), expected, "{watts} W after {seconds} s");
        }
    }

    #[test]
    fn a_lit_lamp_that_never_cools_is_found_by_a_smaller_rise() {
        // Told on at zero and off at ten minutes; then readings a minute apart. After-heat is no welded relay, and neither
        // is a room that warms after the lamp has cooled.
        for (readings, expected) in [
            ((0..40).map(|minute| 32.5 + 0.15 * f64::from(minute)).collect::<Vec<_>>(), true),
            (vec![32.5, 33.0, 33.8, 34.2, 34.3, 34.0, 33.0, 32.0, 31.0, 30.0], false),
            ((0..40).map(|minute| 32.5 + 0.05 * f64::from(minute)).collect(), false),
        ] {
            let mut stoppage = off_at_zero();
            stoppage.told(Mono::from_secs(1), true);
            stoppage.told(Mono::from_secs(600), false);
            for (minute, &reading) in (0..).zip(&readings) {
                let now = Mono::from_secs(600 + minute * 60);
                stoppage.temperature(now, ProbeIx(0), Celsius(reading), Celsius(CUT), false);
            }
            assert_eq!(stoppage.evidence().is_some(), expected, "{readings:?}");
        }
    }

    #[test]
    fn a_meter_that_shows_no_power_is_believed_before_a_probe() {
        let mut stoppage = off_at_zero();
        for minute in 0..20 {
            let now = Mono::from_secs(minute * 60);
            stoppage.power(now, Watts(0.4));
            stoppage.temperature(now, ProbeIx(0), Celsius(41.0 + minute as f64), Celsius(CUT), false);
            assert_eq!(stoppage.evidence(), None, "at {minute} min");
        }
        // Once the meter has fallen silent the probe counts again.
        for minute in 24..30 {
            let now = Mono::from_secs(minute * 60);
            stoppage.temperature(now, ProbeIx(0), Celsius(61.0 + minute as f64 / 2.0), Celsius(CUT), false);
        }
        assert!(stoppage.evidence().is_some());
    }

    #[test]
    fn evidence_ends_when_the_lamp_has_cooled_or_is_told_on() {
        let mut stoppage = off_at_zero();
        for (minute, reading) in [(0, 41.0), (3, 42.0), (4, 41.5)] {
            stoppage.temperature(Mono::from_secs(minute * 60), ProbeIx(0), Celsius(reading), Celsius(CUT), false);
        }
        assert_eq!(stoppage.evidence(), Some(StillHeats::Temperature { from: Celsius(41.0), to: Celsius(42.0) }));
        let mut told_on = stoppage.clone();
        told_on.told(Mono::from_secs(300), true);
        assert_eq!(told_on.evidence(), None);
        stoppage.temperature(Mono::from_secs(300), ProbeIx(0), Celsius(41.0), Celsius(CUT), false);
        assert_eq!(stoppage.evidence(), None);
    }
}

mod weak {
    use super::*;
    use crate::settings::HeatWeak;
    use crate::units::KelvinSeconds;

    /// Feeds readings a minute apart against a target of 32 °C and tells the minute at which the lamp is found weak.
    fn found(readings: impl Iterator<Item = f64>) -> Option<usize> {
        let settings = HeatWeak { deficit: KelvinSeconds(3600.0), gain: Kelvin(0.5), within: Duration::from_secs(900) };
        let mut watch = WeakWatch::new(settings);
        let mut seen = (0..).zip(readings).map(|(minute, reading)| {
            watch.reading(Mono::from_secs(minute * 60), Celsius(reading), Celsius(32.0), Duration::from_secs(90));
            watch.weak().is_some()
        });
        seen.position(|found| found)
    }

    #[test]
    fn a_deficit_counts_in_kelvin_seconds_once_the_gain_has_not_come() {
        // 15 min of grace, then 10 K short for 3600 K·s: six minutes, the first of them at the fifteenth.
        assert_eq!(found(std::iter::repeat_n(22.0, 60)), Some(20));
        // 2 K short: thirty minutes.
        assert_eq!(found(std::iter::repeat_n(30.0, 60)), Some(44));
        assert_eq!(found(std::iter::repeat_n(31.5, 600)), None, "close enough");
    }

    #[test]
    fn a_lamp_that_gets_there_slowly_is_not_weak() {
        assert_eq!(found((0..400).map(|minute| 20.0 + 0.05 * f64::from(minute))), None);
    }

    #[test]
    fn a_lamp_found_weak_is_so_until_it_is_warm_again_whatever_it_does_meanwhile() {
        let settings = HeatWeak { deficit: KelvinSeconds(3600.0), gain: Kelvin(0.5), within: Duration::from_secs(900) };
        let (mut watch, target) = (WeakWatch::new(settings), Celsius(32.0));
        let mut minute = 0;
        let mut reads = |watch: &mut WeakWatch, reading: f64| {
            minute += 1;
            watch.reading(Mono::from_secs(minute * 60), Celsius(reading), target, Duration::from_secs(90));
            watch.weak().is_some()
        };
        assert!((0..30).map(|_| reads(&mut watch, 22.0)).last() == Some(true));
        watch.not_full(Celsius(23.0), target);
        assert!(reads(&mut watch, 24.0), "it was off for a moment, or gained a little");
        assert!(reads(&mut watch, 31.4), "just short of the target");
        assert!(!reads(&mut watch, 31.5), "there");
        assert!((0..30).map(|_| reads(&mut watch, 22.0)).last() == Some(true));
        watch.not_full(Celsius(22.0), Celsius(20.0));
        assert!(watch.weak().is_none(), "by night it is warm enough without it");
    }
}
