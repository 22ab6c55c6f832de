//! A core that spares the whole way what changes nothing is, to anybody outside, the core that spares nothing.

mod room;

use std::time::Duration;

use chrono::TimeDelta;
use lampwarden::control::{Act, Controller, Effect, Event, OutputRef, Reading, SeasonAct, Unreadable};
use lampwarden::settings::{EnclosureIx, LampIx, ProbeIx, Settings};
use lampwarden::time::{Moment, Mono};
use lampwarden::units::Level;
use proptest::prelude::*;

const SITE: &str = r#"
[site]
name = "attic"
timezone = "Europe/London"
latitude = 51.5
longitude = 0.0

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
basking = { day = 32.0, night = 28.0, cut = 40.0, limit = 45.0 }
photoperiod = { follow = "clock", on = "08:00", off = "20:00" }

[cut_off.west]
relay = { set = "west/set", state = "west" }

[[enclosure]]
id = "e1"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e1/basking"
every = "10s"
fastest = 1.0

[enclosure.probes.twin]
measures = "temperature"
topic = "e1/twin"
every = "10s"

[enclosure.probes.draw]
measures = "power"
topic = "e1/draw"
every = "10s"

[enclosure.probes.damp]
measures = "humidity"
topic = "e1/damp"
every = "10s"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "10s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
when = "always"
# TWIN
power = "draw"
cut_off = "west"
relay = { set = "e1/heat/set", state = "e1/heat", hold = "5m" }
# LAW

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "uv"
relay = { set = "e1/uvb/set", state = "e1/uvb" }

[[enclosure]]
id = "e2"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e2/basking"
every = "10s"

[enclosure.lamps.heat]
fitting = "halogen"
watts = 75
warms = "basking"
when = "day"
relay = { set = "e2/heat/set", hold = "2m" }

[enclosure.lamps.light]
fitting = "led"
watts = 10
dimmer = { set = "e2/light/set", state = "e2/light" }
# RAMP
"#;

/// Every probe, with a value that a healthy one has and how it wanders.
const PROBES: [((usize, usize), f64, f64); 6] = [
    ((0, 0), 31.0, 0.2),
    ((0, 1), 31.4, 0.2),
    ((0, 2), 74.0, 0.1),
    ((0, 3), 50.0, 1.0),
    ((0, 4), 4.0, 0.1),
    ((1, 0), 31.5, 0.2),
];

fn site(law: &str, ramp: &str, twin: bool) -> Settings {
    room::settings(&text(law, ramp, twin))
}

/// The same in the midst of a year in which something changes every day: a cooling season begins as the history does.
fn in_season(text: &str) -> String {
    let program = r#"
[care.basker.year]
basking = [30.0, 31.0, 32.0, 33.0, 33.0, 34.0, 34.0, 33.0, 32.0, 31.0, 30.0, 30.0]
night_drop = [4.0, 4.0, 4.0, 3.0, 3.0, 3.0, 3.0, 3.0, 4.0, 4.0, 4.0, 4.0]
uv_hours = ["4h", "4h", "5h", "6h", "7h", "8h", "8h", "7h", "6h", "5h", "4h", "4h"]
[care.basker.cooling]
start = "03-01"
down = "2d"
stay = "2d"
up = "2d"
day_length = "8h"
uv_hours = "0s"
basking = { day = 30.0, night = 28.0 }
spot = "basking"
break_above = 30.5
break_after = "2h"
"#;
    text.replace("[cut_off.west]", &format!("{program}\n[cut_off.west]"))
}

fn text(law: &str, ramp: &str, twin: bool) -> String {
    let twin = if twin { "guards = [\"twin\"]" } else { "" };
    SITE.replace("# LAW", law).replace("# RAMP", ramp).replace("# TWIN", twin)
}

/// The same with every lamp on one circuit, which cannot carry all of them at once, or on which they strike in turn.
fn on_a_circuit(text: &str, circuit: &str) -> Settings {
    let on_it = text.replace("fitting = \"led\"", "fitting = \"led\"\ncircuit = \"west\"");
    let on_it = on_it.replace("watts = 75", "watts = 75\ncircuit = \"west\"");
    let on_it = on_it.replace("watts = 24", "watts = 24\ncircuit = \"west\"");
    room::settings(&format!("{on_it}\n[circuit.west]\nbreaker = 6\nvoltage = 230\n{circuit}\n"))
}

/// Anything that can happen.
#[derive(Clone, Debug)]
enum Happening {
    /// Every probe speaks every ten seconds, so many times; temperatures drift by so much an hour.
    Calm(u32, f64),
    /// A probe says this from now on.
    Says(usize, f64),
    /// A probe says something out of the ordinary once.
    Once(usize, Reading),
    /// A probe falls silent, or speaks again; it may say the same again and again.
    Silent(usize, bool),
    Frozen(usize, bool),
    Report(usize, bool),
    /// A lamp's relay obeys, or not.
    Obeys(usize, bool),
    Link(bool),
    Retained(usize),
    Override(usize, Option<bool>, u64),
    Reset,
    Acknowledge,
    Jump(i64),
    /// The wall clock is so many milliseconds off what it was, which is little enough to be followed.
    Slip(i64),
    Storage(bool),
    Season(SeasonAct),
    Reload,
    Wait(u64),
}

fn happening() -> impl Strategy<Value = Happening> {
    let reading = prop_oneof![
        (-40.0..60.0).prop_map(|value| Reading { value: Ok(value), taken: None, retained: false }),
        prop_oneof![Just(85.0), Just(f64::NAN), Just(40.0), Just(39.99), Just(45.0), Just(31.5), Just(32.5)]
            .prop_map(|value| Reading { value: Ok(value), taken: None, retained: false }),
        Just(Reading { value: Err(Unreadable("is empty".into())), taken: None, retained: false }),
        (10.0..50.0).prop_map(|value| Reading { value: Ok(value), taken: None, retained: true }),
        (0..100_i64).prop_map(|at| Reading {
            value: Ok(31.0),
            taken: chrono::DateTime::from_timestamp(1_770_000_000 + at, 0),
            retained: false,
        }),
    ];
    let probe = || 0..PROBES.len();
    prop_oneof![
        12 => (1..60_u32, -8.0..8.0).prop_map(|(many, drift)| Happening::Calm(many, drift)),
        3 => (probe(), 15.0..44.0).prop_map(|(probe, value)| Happening::Says(probe, value)),
        1 => prop_oneof![Just(0.0), Just(73.0), Just(3.0)].prop_map(|value| Happening::Says(2, value)),
        3 => (probe(), reading).prop_map(|(probe, reading)| Happening::Once(probe, reading)),
        1 => (probe(), any::<bool>()).prop_map(|(probe, silent)| Happening::Silent(probe, silent)),
        1 => (probe(), any::<bool>()).prop_map(|(probe, frozen)| Happening::Frozen(probe, frozen)),
        2 => (0..4_usize, any::<bool>()).prop_map(|(lamp, on)| Happening::Report(lamp, on)),
        1 => (0..4_usize, any::<bool>()).prop_map(|(lamp, obeys)| Happening::Obeys(lamp, obeys)),
        1 => any::<bool>().prop_map(Happening::Link),
        1 => (0..4_usize).prop_map(Happening::Retained),
        1 => (0..4_usize, any::<Option<bool>>(), 0..4000_u64).prop_map(|(l, on, s)| Happening::Override(l, on, s)),
        1 => Just(Happening::Reset),
        1 => Just(Happening::Acknowledge),
        1 => (-20_000..20_000_i64).prop_map(Happening::Jump),
        2 => (-59_000..59_000_i64).prop_map(Happening::Slip),
        1 => any::<bool>().prop_map(Happening::Storage),
        1 => prop_oneof![Just(SeasonAct::Hold), Just(SeasonAct::GoOn), Just(SeasonAct::BreakOff)]
            .prop_map(Happening::Season),
        1 => Just(Happening::Reload),
        2 => (1..3000_u64).prop_map(Happening::Wait),
    ]
}

/// One core with what drives it.
struct Rig {
    controller: Controller,
    settings: Settings,
    now: Moment,
    chance: u64,
    values: [f64; PROBES.len()],
    silent: [bool; PROBES.len()],
    frozen: [bool; PROBES.len()],
    obeys: [bool; 4],
    /// What was done when, and how the enclosures stood after each event.
    log: Vec<String>,
    readings: u64,
    absorbed: u64,
    /// Of them those that the driver took in by itself, and those of each probe.
    joined: u64,
    of_probe: [u64; PROBES.len()],
}

/// Which state documents a driver wants.
#[derive(Clone, Copy, Debug)]
enum States {
    All,
    Decisions,
    None,
}

const OUTPUTS: [(usize, usize); 4] = [(0, 0), (0, 1), (1, 0), (1, 1)];

fn output(lamp: usize) -> OutputRef {
    OutputRef::Lamp(EnclosureIx(OUTPUTS[lamp].0), LampIx(OUTPUTS[lamp].1))
}

impl Rig {
    fn new(settings: &Settings, shortcuts: bool, states: States) -> Rig {
        let now = Moment { mono: Mono::START, wall: room::time("2026-03-01T06:30:00Z") };
        let mut controller = Controller::new(settings.clone(), now, &[]);
        if !shortcuts {
            controller = controller.without_shortcuts();
        }
        controller = match states {
            States::All => controller,
            States::Decisions => controller.showing_decisions_alone(),
            States::None => controller.without_states(),
        };
        let mut rig = Rig {
            controller,
            settings: settings.clone(),
            now,
            chance: 1,
            values: PROBES.map(|(_, value, _)| value),
            silent: [false; PROBES.len()],
            frozen: [false; PROBES.len()],
            obeys: [true; 4],
            log: Vec::new(),
            readings: 0,
            absorbed: 0,
            joined: 0,
            of_probe: [0; PROBES.len()],
        };
        rig.event(Event::LinkUp);
        rig
    }

    /// A number from −1 to 1 (Knuth's MMIX generator).
    fn chance(&mut self) -> f64 {
        self.chance = self.chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.chance >> 40) as f64 / f64::from(1 << 23) - 1.0
    }

    fn event(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.controller.handle(self.now, event, &mut effects);
        let mut answers = Vec::new();
        for effect in effects {
            if let Effect::Command(command) = &effect {
                answers.push(Event::Delivered { output: command.output, ticket: command.ticket });
                let lamp = (0..4).find(|lamp| output(*lamp) == command.output);
                if lamp.is_none_or(|lamp| self.obeys[lamp] && lamp != 2) {
                    let level = Ok(command.permit.level());
                    answers.push(Event::Report { output: command.output, level, retained: false });
                }
            }
            self.log.push(format!("{:?} {effect:?}", self.now.mono));
        }
        answers.into_iter().for_each(|answer| self.event(answer));
    }

    /// Time passes; the core gets the ticks it asks for.
    fn pass(&mut self, span: Duration) {
        let end = self.now.mono.after(span);
        for _ in 0..100_000 {
            let due = self.controller.next_deadline().filter(|due| *due <= end);
            let next = due.unwrap_or(end).max(self.now.mono);
            self.now.wall += TimeDelta::from_std(next.since(self.now.mono)).expect("a short time");
            self.now.mono = next;
            if due.is_none() {
                return;
            }
            self.event(Event::Tick);
        }
        panic!("the core asks for ticks without end");
    }

    fn reading(&mut self, at: usize, reading: Reading) {
        let ((e, p), ..) = PROBES[at];
        let (enclosure, probe) = (EnclosureIx(e), ProbeIx(p));
        self.readings += 1;
        let plain = reading.taken.is_none() && !reading.retained;
        let value = reading.value.as_ref().ok().copied().filter(|_| plain);
        if value.is_some_and(|value| self.joins(enclosure, probe, value)) {
            (self.absorbed, self.joined) = (self.absorbed + 1, self.joined + 1);
            self.of_probe[at] += 1;
        } else if value.is_some_and(|value| self.controller.absorb(self.now.mono, enclosure, probe, value)) {
            self.absorbed += 1;
            self.of_probe[at] += 1;
        } else {
            self.event(Event::Reading { enclosure, probe, reading });
        }
        self.look();
    }

    /// Takes in a reading by itself, every other time that this can be.
    fn joins(&mut self, enclosure: EnclosureIx, probe: ProbeIx, value: f64) -> bool {
        let Some(mut waiting) = self.controller.lend(enclosure, probe).filter(|_| self.readings.is_multiple_of(2))
        else {
            return false;
        };
        let joins = waiting.takes(self.now.mono, value);
        if joins {
            self.controller.give_back(enclosure, probe, waiting);
        }
        joins
    }

    fn look(&mut self) {
        for e in 0..self.settings.enclosures.len() {
            self.log.push(format!("{:?}", self.controller.view(EnclosureIx(e))));
        }
        for ((e, p), ..) in PROBES {
            self.log.push(format!("{:?}", self.controller.heard(EnclosureIx(e), ProbeIx(p))));
        }
    }

    fn calm(&mut self, rounds: u32, drift: f64) {
        for _ in 0..rounds {
            self.pass(Duration::from_millis(9_500));
            for (at, (_, _, wander)) in PROBES.into_iter().enumerate() {
                self.pass(Duration::from_millis(83));
                let noise = self.chance() * wander;
                let warms = [0, 1, 5].contains(&at);
                if !self.frozen[at] && warms {
                    self.values[at] += drift / 360.0;
                }
                let noise = if self.frozen[at] { 0.0 } else { noise };
                if !self.silent[at] {
                    let value = Ok(((self.values[at] + noise) * 16.0).round() / 16.0);
                    self.reading(at, Reading { value, taken: None, retained: false });
                }
            }
        }
    }

    fn act(&mut self, happening: &Happening) {
        match happening {
            Happening::Calm(rounds, drift) => self.calm(*rounds, *drift),
            Happening::Says(probe, value) => self.values[*probe] = *value,
            Happening::Once(probe, reading) => self.reading(*probe, reading.clone()),
            Happening::Silent(probe, silent) => self.silent[*probe] = *silent,
            Happening::Frozen(probe, frozen) => self.frozen[*probe] = *frozen,
            Happening::Report(lamp, on) => {
                let level = Ok(if *on { Level::FULL } else { Level::OFF });
                self.event(Event::Report { output: output(*lamp), level, retained: false });
            }
            Happening::Obeys(lamp, obeys) => self.obeys[*lamp] = *obeys,
            Happening::Link(up) => self.event(if *up { Event::LinkUp } else { Event::LinkDown }),
            Happening::Retained(lamp) => self.event(Event::RetainedCommand { output: output(*lamp) }),
            Happening::Override(lamp, on, span) => self.event(Event::Act(Act::Override {
                enclosure: EnclosureIx(OUTPUTS[*lamp].0),
                lamp: LampIx(OUTPUTS[*lamp].1),
                level: on.map(|on| if on { Level::FULL } else { Level::OFF }),
                span: Duration::from_secs(*span),
            })),
            Happening::Reset => self.event(Event::Act(Act::Reset { enclosure: EnclosureIx(0), lamp: None })),
            Happening::Acknowledge => self.event(Event::Act(Act::Acknowledge { enclosure: None, kind: None })),
            Happening::Jump(seconds) => {
                // Who is not sure that the clock has kept step asks it.
                self.now.wall += TimeDelta::seconds(*seconds);
                self.event(Event::Tick);
            }
            Happening::Slip(ms) => {
                self.now.wall += TimeDelta::milliseconds(*ms);
                self.event(Event::Tick);
            }
            Happening::Storage(fails) => {
                self.event(Event::Storage { failure: fails.then(|| "disk full".to_owned()) });
            }
            Happening::Season(act) => {
                self.event(Event::Act(Act::Season { enclosure: EnclosureIx(0), act: *act }));
            }
            Happening::Reload => {
                let mut effects = Vec::new();
                self.controller.reload(self.now, self.settings.clone(), &mut effects);
                self.log.push(format!("{effects:?}"));
            }
            Happening::Wait(seconds) => self.pass(Duration::from_secs(*seconds)),
        }
        self.look();
    }
}

/// Plays a history with and without shortcuts; what the one with them did.
fn same(settings: &Settings, states: States, history: &[Happening]) -> Result<Rig, TestCaseError> {
    let (mut short, mut long) = (Rig::new(settings, true, states), Rig::new(settings, false, states));
    for happening in history {
        short.act(happening);
        long.act(happening);
        prop_assert_eq!(short.now, long.now);
        for (short, long) in short.log.iter().zip(&long.log) {
            prop_assert_eq!(short, long);
        }
        prop_assert_eq!(short.log.len(), long.log.len());
        short.log.clear();
        long.log.clear();
    }
    prop_assert_eq!(long.absorbed, 0);
    Ok(short)
}

fn laws() -> impl Strategy<Value = (&'static str, &'static str)> {
    let law = prop_oneof![
        3 => Just(""),
        1 => Just("control = \"pulse\""),
        1 => Just("min_on = \"3m\"\nmin_off = \"4m\""),
    ];
    (law, prop_oneof![2 => Just(""), 1 => Just("ramp = \"30m\"")])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]
    #[test]
    fn whatever_happens_shortcuts_change_nothing(
        (law, ramp) in laws(), twin: bool,
        states in prop_oneof![Just(States::All), Just(States::Decisions), Just(States::None)],
        history in prop::collection::vec(happening(), 1..25),
    ) {
        same(&site(law, ramp, twin), states, &history)?;
    }

    #[test]
    fn nor_do_they_in_a_cooling_season(
        (law, ramp) in laws(), twin: bool,
        history in prop::collection::vec(happening(), 1..25),
        waits in 0..90_000_u64,
    ) {
        let history: Vec<_> = [Happening::Wait(waits)].into_iter().chain(history).collect();
        same(&room::settings(&in_season(&text(law, ramp, twin))), States::All, &history)?;
    }

    #[test]
    fn nor_do_they_on_a_circuit_whose_lamps_wait_for_each_other(
        (law, ramp) in laws(), twin: bool,
        circuit in prop_oneof![
            Just("stagger = \"20s\""),
            Just("stagger = \"0s\"\nsoft_limit = 110"),
            Just("stagger = \"20s\"\nsoft_limit = 100"),
        ],
        history in prop::collection::vec(happening(), 1..25),
    ) {
        let text = text(law, ramp, twin).replacen("when = \"day\"", "when = \"day\"\npriority = 7", 1);
        same(&on_a_circuit(&text, circuit), States::All, &history)?;
    }
}

#[test]
fn in_a_calm_room_most_readings_are_absorbed() {
    // It is warm enough until the day begins, so the lamp draws nothing.
    let history = [Happening::Says(2, 0.0), Happening::Calm(500, 0.1)];
    let rig = same(&site("", "", true), States::None, &history).expect("the same");
    assert!(rig.absorbed * 10 > rig.readings * 9, "{} of {}", rig.absorbed, rig.readings);
    // Twins must be told of each other, so of six probes two have no rows; nor have those that tell of lamps.
    assert!(rig.joined * 10 > rig.readings, "{} of {}", rig.joined, rig.readings);
    for (at, of_probe) in rig.of_probe.into_iter().enumerate() {
        assert!(of_probe > 400, "{of_probe} of probe {at}");
    }
}

#[test]
fn what_goes_by_a_clock_that_slips_comes_when_it_would() {
    // Half past six until shortly before eight, when the day begins; the clock is put right with nothing else to do.
    for slip in [-30_000, -2_500, 1, 2_500, 30_000] {
        let history = [Happening::Calm(505, 0.0), Happening::Slip(slip), Happening::Calm(60, 0.0)];
        let rig = same(&site("", "", false), States::None, &history).expect("the same");
        assert!(rig.absorbed * 2 > rig.readings, "{slip} ms: {} of {}", rig.absorbed, rig.readings);
    }
    // Lamps that have just been switched by the clock, which then goes back.
    let history = [Happening::Calm(541, 0.0), Happening::Slip(-30_000), Happening::Calm(60, 0.0)];
    same(&site("", "", false), States::None, &history).expect("the same");
}
