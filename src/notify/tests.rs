//! Stories and properties of who is told of what, in virtual time.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveTime;
use proptest::prelude::*;

use super::*;
use crate::control::{AlarmKind, Aside};
use crate::settings::{Away, Channel, Contact, Hours, Plans};

const MINUTE: u64 = 60;
const HOUR: u64 = 60 * MINUTE;

fn start() -> DateTime<Utc> {
    "2026-07-01T12:00:00Z".parse().expect("a time")
}

fn at(second: u64) -> Moment {
    Moment { mono: Mono::from_secs(second), wall: start() + TimeDelta::seconds(second as i64) }
}

fn contact(name: &str, hours: Option<(u32, u32)>) -> Contact {
    let time = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a time of day");
    Contact {
        name: name.to_owned(),
        timezone: chrono_tz::UTC,
        hours: hours.map(|(from, to)| Hours { from: time(from), to: time(to) }),
        channels: vec![Channel::Mail { to: format!("{name}@example.net") }],
    }
}

fn plan(first: &[&str], then: &[&str], after: u64, repeat: u64) -> Plan {
    let names = |names: &[&str]| names.iter().map(|&name| name.to_owned()).collect();
    let repeat = (repeat > 0).then(|| Duration::from_secs(repeat));
    Plan { first: names(first), then: names(then), after: Duration::from_secs(after), repeat }
}

/// A keeper who sleeps from 22 to 7, and a neighbour who is told after ten minutes.
fn settings() -> Settings {
    let mut settings = crate::message::fixture::settings();
    settings.telling = Telling {
        contacts: vec![contact("keeper", Some((7, 22))), contact("neighbour", None)],
        plans: Plans {
            critical: plan(&["keeper"], &["neighbour"], 10 * MINUTE, 15 * MINUTE),
            high: plan(&["keeper"], &["neighbour"], 30 * MINUTE, 2 * HOUR),
            medium: plan(&["keeper"], &[], 0, 0),
            low: Plan::default(),
        },
        ..Telling::default()
    };
    settings
}

fn notice(enclosure: Option<usize>, kind: AlarmKind, priority: Priority, state: AlarmState) -> AlarmNotice {
    AlarmNotice {
        enclosure: enclosure.map(EnclosureIx),
        kind,
        priority,
        state,
        since: start(),
        text: format!(
            "Quince: {kind} since 13:00 on 1 Jul 2026. A probe read 41.2 °C, and the lamp is cut at 40.0 °C. Look."
        ),
        subjects: Vec::new(),
        latched: false,
        aside: None,
    }
}

fn hot(state: AlarmState) -> AlarmNotice {
    notice(Some(0), AlarmKind::OverTemperature, Priority::Critical, state)
}

use AlarmState::{Acknowledged, Normal, Unacknowledged};

/// A notifier in virtual time, with every message it wrote and when.
struct Play {
    settings: Settings,
    notifier: Notifier,
    second: u64,
    sent: Vec<(u64, Message)>,
}

impl Play {
    fn new(settings: Settings) -> Play {
        let notifier = Notifier::new(&settings, at(0), &[]);
        Play { settings, notifier, second: 0, sent: Vec::new() }
    }

    fn hear(&mut self, notice: &AlarmNotice) {
        self.notifier.hear(at(self.second), &self.settings, notice);
        self.step();
    }

    fn step(&mut self) {
        let mut out = Vec::new();
        let sign: Sign<'_> = &|id, _, _| Some(format!("https://example.net/seen/{id}"));
        self.notifier.step(at(self.second), &self.settings, sign, &mut out);
        self.sent.extend(out.into_iter().map(|message| (self.second, message)));
    }

    /// Lets time pass from deadline to deadline; each must be in time.
    fn until(&mut self, second: u64) {
        while let Some(due) = self.notifier.next_deadline(at(self.second)) {
            let due = due.since_start().as_millis().div_ceil(1000) as u64;
            if due > second {
                break;
            }
            self.second = due.max(self.second);
            let before = self.notifier.next_deadline(at(self.second));
            self.step();
            assert_ne!(before, self.notifier.next_deadline(at(self.second)), "a deadline that nothing is done at");
        }
        self.second = second;
        self.step();
    }

    /// As a restart does: everything is forgotten but what was recorded.
    fn restart(&mut self, recorded: &mut BTreeMap<String, String>) {
        self.record(recorded);
        let recorded: Vec<_> = recorded.clone().into_iter().collect();
        self.notifier = Notifier::new(&self.settings, at(self.second), &recorded);
    }

    fn record(&mut self, recorded: &mut BTreeMap<String, String>) {
        for (key, record) in self.notifier.changes() {
            match record {
                Some(record) => _ = recorded.insert(key, record),
                None => _ = recorded.remove(&key),
            }
        }
    }

    /// When whom was told what, a word each.
    fn told(&self) -> Vec<(u64, String)> {
        let line = |(second, message): &(u64, Message)| {
            let stages: BTreeSet<_> = message.about.iter().map(|about| format!("{:?}", about.stage)).collect();
            (*second, format!("{} {}", message.contact, stages.into_iter().collect::<Vec<_>>().join("+")))
        };
        self.sent.iter().map(line).collect()
    }
}

fn check(told: &[(u64, String)], expected: &[(u64, &str)]) {
    let expected: Vec<_> = expected.iter().map(|(second, what)| (*second, (*what).to_owned())).collect();
    assert_eq!(told, expected);
}

#[test]
fn a_critical_alarm_goes_to_the_keeper_then_to_the_neighbour_and_again_until_somebody_has_seen_it() {
    let mut play = Play::new(settings());
    play.hear(&hot(Unacknowledged));
    play.until(40 * MINUTE);
    let expected = [
        (5, "keeper First"),
        (10 * MINUTE + 5, "neighbour Then"),
        (15 * MINUTE + 5, "keeper Again"),
        (15 * MINUTE + 60 + 5, "neighbour Again"),
        (30 * MINUTE + 5, "keeper Again"),
        (30 * MINUTE + 5, "neighbour Again"),
    ];
    let told = play.told();
    assert_eq!(told.iter().map(|(_, what)| what.as_str()).collect::<Vec<_>>(), expected.map(|(_, what)| what));
    check(&told[..3], &expected[..3]);
    play.hear(&hot(Acknowledged));
    play.until(5 * HOUR);
    assert_eq!(play.sent.len(), expected.len(), "an acknowledged alarm is not repeated");
    play.hear(&hot(Normal));
    play.until(6 * HOUR);
    check(&play.told()[6..], &[(5 * HOUR + 60, "keeper Over"), (5 * HOUR + 60, "neighbour Over")]);
    assert_eq!(play.notifier.standing().count(), 0);
}

#[test]
fn a_message_says_what_where_since_when_and_how_to_acknowledge_it() {
    let mut settings = settings();
    settings.telling.contacts[0].timezone = chrono_tz::Asia::Kolkata;
    let mut play = Play::new(settings);
    play.hear(&hot(Unacknowledged));
    play.until(10);
    let message = &play.sent[0].1;
    // The fixture's site is in Lisbon, an hour ahead of UTC in July; Kolkata is at UTC+5:30.
    assert_eq!(message.subject, "[critical] Quince: over-temperature since 17:30 on 1 Jul 2026 (garden-room)");
    for part in [
        "Critical alarm",
        "41.2 °C",
        "cut at 40.0 °C",
        "17:30 on 1 Jul 2026",
        "https://example.net/seen/",
        "Asia/Kolkata",
    ] {
        assert!(message.text.contains(part), "{part} is not in {}", message.text);
    }
    assert!(message.text.contains("nobody should rely on messages alone") && message.html.contains("<a href="));
    assert_eq!(message.id, format!("{}-mail", message.notice));
}

#[test]
fn quiet_hours_hold_back_what_is_not_critical() {
    let mut play = Play::new(settings());
    play.until(11 * HOUR);
    let dark = |state| notice(Some(0), AlarmKind::LampDark, Priority::High, state);
    play.hear(&dark(Unacknowledged));
    play.until(12 * HOUR);
    // Half an hour later nobody has seen it, and the neighbour has no quiet hours.
    check(&play.told(), &[(11 * HOUR + 30 * MINUTE + 5, "neighbour Then")]);
    play.hear(&notice(Some(1), AlarmKind::OverTemperature, Priority::Critical, Unacknowledged));
    play.hear(&notice(Some(1), AlarmKind::OverTemperature, Priority::Critical, Acknowledged));
    play.hear(&hot(Unacknowledged));
    play.until(12 * HOUR + 9);
    check(&play.told()[1..], &[(12 * HOUR + 5, "keeper First")]);
    play.hear(&hot(Acknowledged));
    play.until(19 * HOUR + 10);
    let morning: Vec<_> =
        play.told().into_iter().filter(|(at, what)| *at > 13 * HOUR && what.starts_with("keeper")).collect();
    check(&morning, &[(19 * HOUR, "keeper First")]);
}

#[test]
fn what_is_over_before_it_could_be_told_is_told_only_where_it_is_critical() {
    let mut play = Play::new(settings());
    let deaf = |state| notice(Some(0), AlarmKind::RelayDeaf, Priority::High, state);
    play.hear(&deaf(Unacknowledged));
    play.hear(&deaf(Normal));
    play.until(HOUR);
    check(&play.told(), &[]);
    play.hear(&hot(Unacknowledged));
    play.until(HOUR + 2);
    play.hear(&hot(Normal));
    play.until(3 * HOUR);
    check(&play.told(), &[(HOUR + 5, "keeper First")]);
    assert!(play.sent[0].1.text.contains("It returned to normal at"), "{}", play.sent[0].1.text);
    assert_eq!(play.notifier.standing().count() + play.notifier.lives.len(), 0);
}

#[test]
fn an_alarm_that_becomes_critical_is_told_again_and_one_that_is_raised_again_too() {
    let mut play = Play::new(settings());
    let silent = |priority, state| notice(Some(0), AlarmKind::ProbeSilent, priority, state);
    play.hear(&silent(Priority::Medium, Unacknowledged));
    play.until(HOUR);
    play.hear(&silent(Priority::Critical, Unacknowledged));
    play.until(HOUR + 10);
    play.hear(&silent(Priority::Critical, Acknowledged));
    play.until(2 * HOUR);
    // Another probe of the same enclosure.
    play.hear(&silent(Priority::Critical, Unacknowledged));
    play.until(2 * HOUR + 10);
    check(&play.told(), &[(5, "keeper First"), (HOUR + 5, "keeper First"), (2 * HOUR + 5, "keeper First")]);
}

#[test]
fn something_new_about_a_known_alarm_is_told_to_those_who_know_it() {
    let mut play = Play::new(settings());
    play.hear(&hot(Unacknowledged));
    play.until(10);
    play.hear(&hot(Acknowledged));
    play.until(HOUR);
    for n in 0..5 {
        let mut latched = hot(Acknowledged);
        latched.text += &format!(" It was the third time in 24 hours, {n}.");
        play.hear(&latched);
    }
    play.until(2 * HOUR);
    check(&play.told(), &[(5, "keeper First"), (HOUR + 5, "keeper Changed")]);
    assert!(play.sent[1].1.text.contains("third time"), "{}", play.sent[1].1.text);
}

#[test]
fn over_a_restart_nobody_is_told_twice_and_nobody_is_forgotten() {
    let mut play = Play::new(settings());
    let mut recorded = BTreeMap::new();
    play.hear(&hot(Unacknowledged));
    play.restart(&mut recorded);
    play.hear(&hot(Unacknowledged));
    play.until(6);
    play.restart(&mut recorded);
    play.hear(&hot(Unacknowledged));
    play.until(9 * MINUTE);
    play.restart(&mut recorded);
    play.hear(&hot(Unacknowledged));
    play.until(11 * MINUTE);
    let told: Vec<_> = play.told().into_iter().map(|(_, what)| what).collect();
    assert_eq!(told, ["keeper First", "neighbour Then"]);
    // It is not heard of again after the next restart: it must be over.
    play.hear(&hot(Acknowledged));
    play.restart(&mut recorded);
    play.until(2 * HOUR);
    let told: Vec<_> = play.told().into_iter().skip(2).map(|(_, what)| what).collect();
    assert_eq!(told, ["keeper Over", "neighbour Over"]);
    play.record(&mut recorded);
    assert!(recorded.is_empty(), "{recorded:?}");
}

#[test]
fn while_the_keeper_is_away_the_neighbour_hears_at_once_with_instructions_and_waits_are_halved() {
    let mut settings = settings();
    let day = start().date_naive();
    settings.telling.plans.critical.then.clear();
    let id = settings.enclosures[0].id.clone();
    settings.telling.away = Some(Away {
        from: day,
        to: day,
        neighbours: vec!["neighbour".to_owned()],
        instructions: vec![(id, "Pull the grey plug.".to_owned())],
    });
    let mut play = Play::new(settings);
    play.hear(&hot(Unacknowledged));
    play.until(8 * MINUTE);
    check(
        &play.told(),
        &[
            (5, "keeper First"),
            (5, "neighbour First"),
            (7 * MINUTE + 35, "keeper Again"),
            (7 * MINUTE + 35, "neighbour Again"),
        ],
    );
    let told_what_to_do = |name: &str| {
        play.sent
            .iter()
            .find(|(_, message)| message.contact == name)
            .is_some_and(|(_, it)| it.text.contains("grey plug"))
    };
    assert!(told_what_to_do("neighbour") && !told_what_to_do("keeper"));
    assert!(!play.notifier.is_away(start() + TimeDelta::days(1)));
}

#[test]
fn a_thousand_enclosures_that_lose_power_make_five_messages_at_most() {
    let mut settings = settings();
    let one = settings.enclosures[0].clone();
    settings.enclosures =
        (0..1000).map(|n| crate::settings::Enclosure { id: format!("r{}-{n}", n / 24), ..one.clone() }).collect();
    let mut play = Play::new(settings);
    // Probes fall silent over two minutes, relays are found deaf over five, lamps dark over a quarter of an hour; then
    // power is back and all that ends over five minutes.
    let mut events = Vec::new();
    for n in 0..1000_u64 {
        let kinds = [
            (AlarmKind::ProbeSilent, 90 + n % 120),
            (AlarmKind::RelayDeaf, 30 + n % 300),
            (AlarmKind::LampDark, 15 * MINUTE + n % (15 * MINUTE)),
        ];
        for (kind, second) in kinds {
            events.push((second, notice(Some(n as usize), kind, Priority::High, Unacknowledged)));
            events.push((40 * MINUTE + n % 300, notice(Some(n as usize), kind, Priority::High, Normal)));
        }
    }
    events.sort_by_key(|(second, _)| *second);
    for (second, notice) in &events {
        if *second > play.second {
            play.until(*second);
        }
        play.hear(notice);
    }
    play.until(3 * HOUR);
    for name in ["keeper", "neighbour"] {
        let times: Vec<_> =
            play.sent.iter().filter(|(_, message)| message.contact == name).map(|(at, _)| *at).collect();
        let raised = times.iter().filter(|&&at| at < 40 * MINUTE).count();
        assert!(times.len() <= 5 && raised >= 1, "{name} at {times:?}");
    }
    assert!(play.sent.iter().all(|(_, message)| message.text.len() < 40_000));
    assert_eq!(play.notifier.lives.len(), 0);
}

fn aside(mut notice: AlarmNotice, aside: Aside) -> AlarmNotice {
    notice.aside = Some(aside);
    notice
}

fn shelved() -> Aside {
    Aside::Shelved { until: start() + TimeDelta::hours(2), why: "a spare is on its way".to_owned() }
}

#[test]
fn a_shelved_alarm_is_told_to_nobody_and_told_anew_when_it_comes_off_the_shelf() {
    let mut play = Play::new(settings());
    let mut recorded = BTreeMap::new();
    let dark = |state| notice(Some(0), AlarmKind::LampDark, Priority::High, state);
    play.hear(&dark(Unacknowledged));
    play.until(HOUR);
    check(&play.told(), &[(5, "keeper First"), (30 * MINUTE + 5, "neighbour Then")]);
    play.hear(&aside(dark(Unacknowledged), shelved()));
    play.until(6 * HOUR);
    assert_eq!(play.sent.len(), 2, "nobody is reminded of it: {:?}", play.told());
    play.restart(&mut recorded);
    play.hear(&aside(dark(Unacknowledged), shelved()));
    play.until(7 * HOUR);
    assert_eq!(play.sent.len(), 2);
    assert_eq!(play.notifier.standing().count(), 1, "it stands in the list");
    play.hear(&dark(Unacknowledged));
    play.until(7 * HOUR + MINUTE);
    check(&play.told()[2..], &[(7 * HOUR + 5, "keeper First")]);
    play.hear(&aside(dark(Unacknowledged), shelved()));
    play.hear(&dark(Normal));
    play.until(8 * HOUR);
    let ends: Vec<_> = play.told()[3..].iter().map(|(_, what)| what.clone()).collect();
    assert_eq!(ends, ["keeper Over", "neighbour Over"], "who knew of it hears that it is over");
}

#[test]
fn a_consequence_is_not_told_and_comes_forward_to_those_who_do_not_know_of_it() {
    let cause = || Aside::Consequence(crate::control::Cause { enclosure: None, kind: AlarmKind::SupplyLost });
    let silent = |n, state| notice(Some(n), AlarmKind::ProbeSilent, Priority::High, state);
    let mut play = Play::new(settings());
    // One was told before its cause was found, the other was not.
    play.hear(&silent(0, Unacknowledged));
    play.until(10);
    play.hear(&aside(silent(0, Unacknowledged), cause()));
    // Not told yet: what is owed is taken back.
    play.hear(&silent(1, Unacknowledged));
    play.hear(&aside(silent(1, Unacknowledged), cause()));
    play.until(3 * HOUR);
    check(&play.told(), &[(5, "keeper First")]);
    play.hear(&silent(0, Unacknowledged));
    play.hear(&silent(1, Unacknowledged));
    play.until(3 * HOUR + 10);
    check(&play.told()[1..], &[(3 * HOUR + 5, "keeper First")]);
    let about: Vec<_> = play.sent[1].1.about.iter().map(|about| about.alarm.as_str()).collect();
    assert_eq!(about, ["site/probe-silent"], "the other is known already");
    // It is repeated and passed on like any other.
    play.until(3 * HOUR + 31 * MINUTE);
    assert!(play.told().iter().any(|(_, what)| what == "neighbour Then"), "{:?}", play.told());
}

/// What can happen to one of six alarms.
#[derive(Clone, Copy, Debug)]
enum Happening {
    State(usize, AlarmState),
    Wait(u64),
    Restart,
}

fn happening() -> impl Strategy<Value = Happening> {
    let states =
        [Unacknowledged, Acknowledged, AlarmState::ReturnedUnacknowledged, Normal, Unacknowledged, Unacknowledged];
    prop_oneof![
        6 => (0..6_usize, prop::sample::select(states.to_vec())).prop_map(|(alarm, state)| Happening::State(alarm, state)),
        3 => (0..200_u64).prop_map(Happening::Wait),
        2 => (0..40 * MINUTE).prop_map(Happening::Wait),
        1 => Just(Happening::Restart),
    ]
}

/// The alarm of that number: half of them are critical.
fn alarm(n: usize, state: AlarmState) -> AlarmNotice {
    match n {
        0..3 => notice(Some(n), AlarmKind::OverTemperature, Priority::Critical, state),
        3..5 => notice(Some(n - 3), AlarmKind::LampDark, Priority::High, state),
        _ => notice(None, AlarmKind::BrokerLost, Priority::High, state),
    }
}

fn many_enclosures() -> Settings {
    let mut settings = settings();
    let one = settings.enclosures[0].clone();
    settings.enclosures = (0..3).map(|n| crate::settings::Enclosure { id: format!("e{n}"), ..one.clone() }).collect();
    settings
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_happens_a_critical_alarm_arrives_in_time_no_stage_is_told_twice_and_who_was_told_hears_the_end(
        happenings in prop::collection::vec(happening(), 1..60),
    ) {
        let mut play = Play::new(many_enclosures());
        let mut recorded = BTreeMap::new();
        // The state of each, and since when a critical one has stood without an acknowledgement.
        let mut states = [Normal; 6];
        let mut since: [Option<u64>; 6] = [None; 6];
        for happening in happenings {
            match happening {
                Happening::State(n, state) => {
                    if states[n] == Normal && state != Unacknowledged || states[n] == state {
                        continue;
                    }
                    if state == Unacknowledged {
                        since[n] = Some(play.second);
                    } else {
                        since[n] = None;
                    }
                    states[n] = state;
                    play.hear(&alarm(n, state));
                }
                Happening::Wait(span) => {
                    let from = play.second;
                    play.until(from + span);
                    for (n, since) in since.iter().enumerate().take(3) {
                        let Some(since) = since.filter(|since| since + CRITICAL_WITHIN.as_secs() <= play.second) else { continue };
                        let key = format!("e{n}/over-temperature");
                        let arrived = play.sent.iter().any(|(at, message)| {
                            *at >= since && *at <= since + CRITICAL_WITHIN.as_secs()
                                && message.about.iter().any(|about| about.alarm == key && about.stage == Stage::First)
                        });
                        prop_assert!(arrived, "{key} since {since}: {:?}", play.told());
                    }
                }
                Happening::Restart => {
                    play.restart(&mut recorded);
                    for (n, &state) in states.iter().enumerate().filter(|(_, state)| **state != Normal) {
                        play.hear(&alarm(n, state));
                    }
                }
            }
            play.record(&mut recorded);
        }
        // All ends, and everybody hears of it.
        for (n, state) in states.iter().enumerate().filter(|(_, state)| **state != Normal) {
            let _ = state;
            play.hear(&alarm(n, Normal));
        }
        let end = play.second;
        play.until(end + 24 * HOUR);
        play.record(&mut recorded);
        prop_assert!(recorded.is_empty(), "{recorded:?}");
        let mut told: BTreeMap<(String, String, i64, Stage), u64> = BTreeMap::new();
        let mut knows: BTreeSet<(String, String)> = BTreeSet::new();
        let mut ids = BTreeSet::new();
        for (_, message) in &play.sent {
            prop_assert!(ids.insert(message.id.clone()), "{} twice", message.id);
            for about in &message.about {
                let key = (message.contact.clone(), about.alarm.clone(), about.raise, about.stage);
                *told.entry(key).or_default() += 1;
                let who = (message.contact.clone(), about.alarm.clone());
                let ended_too = message.text.contains("before this was sent");
                match about.stage {
                    Stage::Over => prop_assert!(knows.remove(&who), "told of the end of what they never heard of: {who:?}"),
                    // A message about one alarm alone can say that it is over already.
                    Stage::First if ended_too && message.about.len() == 1 => _ = knows.remove(&who),
                    _ => _ = knows.insert(who),
                }
            }
        }
        let twice: Vec<_> = told.iter().filter(|((.., stage), count)| !matches!(stage, Stage::Again | Stage::Changed) && **count > 1).collect();
        prop_assert!(twice.is_empty(), "{twice:?}");
    }
}
