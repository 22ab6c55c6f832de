//! What must hold over arbitrary orders of events, times, jumps of the clock, reloads and restarts.

mod room;

use std::time::Duration;

use lampwarden::control::{Act, Effect, Event, OutputRef};
use lampwarden::settings::{EnclosureIx, LampIx};
use lampwarden::units::Level;
use proptest::prelude::*;

use room::{Relay, Room};

const CUT: f64 = 40.0;
const LIMIT: f64 = 45.0;
const STALE_S: u64 = 90;
const REST_S: u64 = 300;
const MIN_OFF_S: u64 = 120;

/// Two lamps that warm: a thermostat with two guard probes, and a mercury lamp on the schedule; and a contactor.
const SITE: &str = r#"
[site]
name = "attic"
timezone = "Australia/Lord_Howe"
latitude = -31.5
longitude = 159.1
accept_commands = true

[broker]
url = "mqtt://127.0.0.1"

[care.basker]
uv_zone = 3
basking = { day = 32.0, night = 20.0, cut = 40.0, limit = 45.0 }
photoperiod = { follow = "site" }

[cut_off.west]
relay = { set = "west/set", state = "west" }

[[enclosure]]
id = "e1"
care = "basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "e1/basking"
every = "30s"
fastest = 2.0

[enclosure.probes.twin]
measures = "temperature"
topic = "e1/twin"
every = "30s"

[enclosure.probes.uv]
measures = "uvi"
topic = "e1/uv"
every = "60s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
guards = ["twin"]
min_off = "2m"
cut_off = "west"
relay = { set = "e1/heat/set", state = "e1/heat", hold = "5m" }

[enclosure.lamps.sun]
fitting = "mercury-vapour"
watts = 80
guards = ["basking"]
cut = 40.0
limit = 45.0
lights = "uv"
cut_off = "west"
relay = { set = "e1/sun/set", state = "e1/sun", hold = "5m" }
"#;

const PROBES: [&str; 2] = ["e1/basking", "e1/twin"];
const LAMPS: [&str; 2] = ["e1/heat", "e1/sun"];

/// Anything that can happen to a daemon.
#[derive(Clone, Debug)]
enum Happening {
    Reading(usize, f64, bool),
    Uv(f64),
    Bytes(usize, Vec<u8>, bool),
    Report(usize, bool),
    Relay(usize, u8),
    Link(bool),
    Retained(usize),
    Override(usize, bool, u64),
    Reset,
    ResetCutOff,
    Acknowledge,
    Jump(i64),
    Reload,
    Restart,
    Wait,
}

fn temperature() -> impl Strategy<Value = f64> {
    prop_oneof![6 => 15.0..39.9, 2 => 36.0..41.0, 1 => 44.0..50.0, 1 => Just(85.0), 1 => Just(-127.0)]
}

fn happening() -> impl Strategy<Value = Happening> {
    prop_oneof![
        30 => (0..2_usize, temperature(), prop::bool::weighted(0.1)).prop_map(|(p, v, r)| Happening::Reading(p, v, r)),
        4 => (0.0..12.0).prop_map(Happening::Uv),
        3 => (0..9_usize, prop::collection::vec(any::<u8>(), 0..30), any::<bool>())
            .prop_map(|(topic, bytes, retained)| Happening::Bytes(topic, bytes, retained)),
        3 => (0..2_usize, any::<bool>()).prop_map(|(lamp, on)| Happening::Report(lamp, on)),
        2 => (0..2_usize, 0..4_u8).prop_map(|(lamp, how)| Happening::Relay(lamp, how)),
        2 => any::<bool>().prop_map(Happening::Link),
        1 => (0..2_usize).prop_map(Happening::Retained),
        3 => (0..2_usize, any::<bool>(), 0..4000_u64).prop_map(|(lamp, on, span)| Happening::Override(lamp, on, span)),
        1 => Just(Happening::Reset),
        1 => Just(Happening::ResetCutOff),
        1 => Just(Happening::Acknowledge),
        2 => (-200_000..200_000_i64).prop_map(Happening::Jump),
        1 => Just(Happening::Reload),
        1 => Just(Happening::Restart),
        4 => Just(Happening::Wait),
    ]
}

/// What the test itself knows of one probe, in monotonic seconds: when a reading last counted, and when it was last hot.
#[derive(Clone, Copy, Debug, Default)]
struct Known {
    heard_s: Option<u64>,
    hot_s: Option<u64>,
}

/// The room, and a model of the guard law in a few lines beside it.
struct Watched {
    room: Room,
    known: [Known; 2],
    latched: bool,
    /// When each lamp last went off.
    off_s: [Option<u64>; 2],
    was_on: [bool; 2],
    seen: usize,
}

impl Watched {
    fn new() -> Watched {
        let room = Room::new(SITE, "2026-04-04T01:00:00Z");
        Watched { room, known: Default::default(), latched: false, off_s: [None; 2], was_on: [false; 2], seen: 0 }
    }

    fn now_s(&self) -> u64 {
        self.room.now.mono.since_start().as_secs()
    }

    fn act(&mut self, happening: Happening) -> Result<(), TestCaseError> {
        match happening {
            Happening::Reading(probe, value, retained) => self.reading(probe, value, retained)?,
            Happening::Uv(value) => self.room.say("e1/uv", &value.to_string()),
            Happening::Bytes(topic, bytes, retained) => {
                let topics = [
                    "e1/uv",
                    "e1/heat",
                    "e1/sun",
                    "e1/heat/set",
                    "west",
                    "west/set",
                    "nowhere",
                    "lampwarden/attic/do/e1/override",
                    "lampwarden/attic/do/e1/acknowledge",
                ];
                self.room.arrive(topics[topic], &bytes, retained);
            }
            Happening::Report(lamp, on) => self.room.say(LAMPS[lamp], if on { "ON" } else { "OFF" }),
            Happening::Relay(lamp, how) => {
                let relay = [Relay::Obeys, Relay::Deaf, Relay::Reports(Level::FULL), Relay::Reports(Level::OFF)];
                self.room.relay(LAMPS[lamp], relay[usize::from(how)]);
            }
            Happening::Link(up) => self.room.event(if up { Event::LinkUp } else { Event::LinkDown }),
            Happening::Retained(lamp) => self.room.say_retained(&format!("{}/set", LAMPS[lamp]), "ON"),
            Happening::Override(lamp, on, span) => self.room.event(Event::Act(Act::Override {
                enclosure: EnclosureIx(0),
                lamp: LampIx(lamp),
                level: Some(if on { Level::FULL } else { Level::OFF }),
                span: Duration::from_secs(span),
            })),
            Happening::Reset => {
                self.latched = false;
                self.room.event(Event::Act(Act::Reset { enclosure: EnclosureIx(0), lamp: None }));
            }
            Happening::ResetCutOff => {
                let OutputRef::CutOff(cut_off) = self.room.output("west") else { panic!("a contactor") };
                self.room.event(Event::Act(Act::ResetCutOff { cut_off }));
            }
            Happening::Acknowledge => {
                self.room.event(Event::Act(Act::Acknowledge { enclosure: Some(EnclosureIx(0)), kind: None }));
            }
            Happening::Jump(seconds) => self.room.set_clock_by(seconds),
            Happening::Reload => self.room.reload(SITE),
            Happening::Restart => self.restart(),
            Happening::Wait => {}
        }
        Ok(())
    }

    fn reading(&mut self, probe: usize, value: f64, retained: bool) -> Result<(), TestCaseError> {
        let fault = [85.0, -127.0].contains(&value);
        let counts = !retained && !fault;
        let before = self.room.commands.len();
        let was_on = LAMPS.map(|lamp| !self.room.level(lamp).is_off());
        let connected = self.room.alarms.get(&(None, lampwarden::control::AlarmKind::BrokerLost));
        let connected = !connected.is_some_and(|lost| lost.state.is_active());
        self.room.arrive(PROBES[probe], value.to_string().as_bytes(), retained);
        if !counts {
            return Ok(());
        }
        let now = self.now_s();
        // A fall too fast to be true may not count, and a reading that trips keeps its probe alive: the model demands only
        // what holds either way.
        self.known[probe].heard_s = Some(now);
        if value >= CUT {
            self.known[probe].hot_s = Some(now);
            self.latched |= value >= LIMIT;
            for (lamp, was_on) in LAMPS.into_iter().zip(was_on) {
                let guarded = probe == 0 || lamp == "e1/heat";
                if guarded && was_on && connected {
                    // Off in the same step: the first command after the reading.
                    let output = self.room.output(lamp);
                    let told = self.room.commands[before..].iter().find(|(_, to, _)| *to == output);
                    prop_assert!(told.is_some_and(|(.., level)| level.is_off()), "{lamp} at {value}");
                }
            }
        }
        Ok(())
    }

    fn restart(&mut self) {
        let (records, wall) = (self.room.remembered.clone(), self.room.now.wall.to_rfc3339());
        let hot = |known: Known| known.hot_s.filter(|&at| self.now_s() - at < REST_S).map(|_| 0);
        let still_hot = self.known.map(hot);
        self.room = Room::unlinked(SITE, &wall, &records);
        self.room.event(Event::LinkUp);
        self.known = still_hot.map(|hot_s| Known { heard_s: None, hot_s });
        self.off_s = [None; 2];
        self.was_on = [false; 2];
        self.seen = 0;
    }

    fn check(&mut self) -> Result<(), TestCaseError> {
        let now = self.now_s();
        let view = self.room.controller.view(EnclosureIx(0)).expect("it is there");
        for (at, lamp) in view.lamps.iter().enumerate() {
            prop_assert!(!lamp.reason.is_empty(), "one reason for every level");
            let guards = if at == 0 { &self.known[..] } else { &self.known[..1] };
            let fresh = guards.iter().all(|known| known.heard_s.is_some_and(|heard| now - heard <= STALE_S));
            let hot = guards.iter().any(|known| known.hot_s.is_some_and(|hot| now - hot < REST_S));
            if !fresh || hot || self.latched && at == 0 {
                prop_assert!(lamp.wanted.is_off(), "{at}: fresh {fresh}, hot {hot}: {}", lamp.reason);
            }
            let interlock = lamp.interlock.as_ref().expect("it warms");
            if !lamp.wanted.is_off() {
                prop_assert_eq!(interlock.state, "clear");
                prop_assert!(!lamp.reason.starts_with("guard"), "{}", lamp.reason);
            }
        }
        self.check_switches()
    }

    /// Shortest times off hold, whoever asks.
    fn check_switches(&mut self) -> Result<(), TestCaseError> {
        let outputs = LAMPS.map(|lamp| self.room.output(lamp));
        for (at, output, level) in &self.room.commands[self.seen..] {
            let Some(lamp) = outputs.iter().position(|known| known == output) else { continue };
            let at_s = at.since_start().as_secs();
            let min_off = if lamp == 0 { MIN_OFF_S } else { 15 * 60 };
            if level.is_off() {
                if self.was_on[lamp] {
                    self.off_s[lamp] = Some(at_s);
                }
            } else if !self.was_on[lamp]
                && let Some(off) = self.off_s[lamp]
            {
                prop_assert!(at_s - off >= min_off, "{lamp} was off for {} s alone", at_s - off);
            }
            self.was_on[lamp] = !level.is_off();
        }
        self.seen = self.room.commands.len();
        Ok(())
    }
}

proptest! {
    #[test]
    fn the_guard_law_holds_over_any_history(history in prop::collection::vec((happening(), 0..100_u64), 1..120)) {
        let mut watched = Watched::new();
        for (happening, pause) in history {
            watched.room.wait(pause);
            watched.check()?;
            watched.act(happening)?;
            watched.check()?;
        }
    }

    /// A recording of anything at all, twice: the same effects, in the same order.
    #[test]
    fn one_history_gives_one_log(history in prop::collection::vec((happening(), 0..100_u64), 1..60)) {
        let play = || {
            let mut watched = Watched::new();
            for (happening, pause) in history.clone() {
                watched.room.wait(pause);
                let _ = watched.act(happening);
            }
            (watched.room.log, watched.room.commands)
        };
        prop_assert_eq!(play(), play());
    }

    /// Any bytes on any topic, in any number, and the room goes on.
    #[test]
    fn any_bytes_on_any_topic_are_harmless(
        messages in prop::collection::vec((".{0,60}", prop::collection::vec(any::<u8>(), 0..200), any::<bool>()), 0..40),
    ) {
        let mut room = Room::new(SITE, "2026-04-04T01:00:00Z");
        for (topic, payload, retained) in messages {
            for topic in [topic.as_str(), "e1/basking", "e1/heat", "lampwarden/attic/do/e1/override"] {
                room.arrive(topic, &payload, retained);
            }
            room.wait(7);
            for lamp in LAMPS {
                // The twin is never heard, and the mercury lamp must cool for longer than this lasts.
                prop_assert!(room.level(lamp).is_off(), "{}: {}", lamp, room.reason(lamp));
            }
        }
    }

    /// Indices that are in no settings, as a driver with a fault could hand over, change nothing.
    #[test]
    fn indices_out_of_range_are_ignored(enclosure in 1..9_usize, lamp in 2..9_usize, ticket in any::<u64>()) {
        let mut room = Room::new(SITE, "2026-04-04T01:00:00Z");
        let mut effects: Vec<Effect> = Vec::new();
        for output in [OutputRef::Lamp(EnclosureIx(enclosure), LampIx(0)), OutputRef::Lamp(EnclosureIx(0), LampIx(lamp))] {
            for event in [
                Event::Report { output, level: Ok(Level::FULL), retained: false },
                Event::Delivered { output, ticket },
                Event::RetainedCommand { output },
            ] {
                room.controller.handle(room.now, event, &mut effects);
            }
        }
        prop_assert!(effects.iter().all(|effect| matches!(effect, Effect::ClearRetained(_) | Effect::State(_))));
    }
}
