//! The demo's first hours in virtual time: the room and the core, with no broker between them. What the demo promises to
//! show must happen, and nothing else may.

use std::time::Duration;

use chrono::TimeDelta;

use super::room;
use crate::control::{AlarmKind, AlarmNotice, Controller, Effect, Event, Priority};
use crate::message::{self, Routes};
use crate::settings::{CutOffIx, Settings};
use crate::simulator::{Message, Physics, World};
use crate::time::{Moment, Mono};

/// Room and core.
struct Stage {
    settings: Settings,
    controller: Controller,
    routes: Routes,
    world: World,
    start: chrono::DateTime<chrono::Utc>,
    /// Alarms as they came and went, each with its minute.
    alarms: Vec<(u64, AlarmNotice)>,
}

impl Stage {
    fn new(seed: u64) -> Stage {
        let settings = room::settings(1).expect("the demo's own room is accepted");
        let start = room::start(&settings).expect("the demo's morning exists");
        let moment = Moment { mono: Mono::START, wall: start };
        Stage {
            controller: Controller::new(settings.clone(), moment, &[]),
            routes: Routes::new(&settings),
            world: World::new(&settings, &Physics::plausible(&settings), start, seed, &room::faults(&settings)),
            settings,
            start,
            alarms: Vec::new(),
        }
    }

    /// Runs until `minutes` have passed.
    fn run(&mut self, minutes: u64) {
        let end = Duration::from_secs(60 * minutes);
        let mut said = Vec::new();
        self.handle(Event::LinkUp, &mut said);
        while self.world.now() < end {
            let deadline = self.controller.next_deadline().map(Mono::since_start);
            let next = [self.world.next_event(), deadline].into_iter().flatten().fold(end, Duration::min);
            // The world counts in milliseconds, and time never stands still.
            let next = next.max(self.world.now() + Duration::from_millis(1));
            self.world.advance_to(next, &mut said);
            if deadline.is_some_and(|deadline| deadline <= next) {
                self.handle(Event::Tick, &mut said);
            }
            self.deliver(&mut said);
        }
    }

    /// Hands every message that was said to the core, and what comes back to the room.
    fn deliver(&mut self, said: &mut Vec<Message>) {
        while !said.is_empty() {
            for message in std::mem::take(said) {
                let (mut events, payload) = (Vec::new(), message.payload());
                let (topic, retained) = (message.topic(), message.retained());
                let decoded = self.routes.decode(topic, payload.as_bytes(), retained, &self.settings, &mut events);
                assert!(decoded.is_ok(), "{message:?}: {decoded:?}");
                events.into_iter().for_each(|event| self.handle(event, said));
            }
        }
    }

    fn handle(&mut self, event: Event, said: &mut Vec<Message>) {
        let now = self.world.now();
        let wall = self.start + TimeDelta::from_std(now).expect("hours");
        let mut effects = Vec::new();
        self.controller.handle(Moment { mono: Mono::new(now), wall }, event, &mut effects);
        for effect in effects {
            match effect {
                Effect::Command(command) => {
                    let sent = message::encode(&self.settings, &command).expect("it can be said");
                    self.world.incoming(&sent.topic, &sent.payload, said);
                    self.handle(Event::Delivered { output: command.output, ticket: command.ticket }, said);
                }
                Effect::Alarm(notice) => self.alarms.push((now.as_secs() / 60, notice)),
                _ => {}
            }
        }
    }

    /// The minute at which an alarm was raised, or cleared, after minute `after`.
    fn turned(&self, enclosure: &str, kind: AlarmKind, active: bool, after: u64) -> Option<u64> {
        let matches = |notice: &AlarmNotice| {
            let id = notice.enclosure.map(|e| self.settings.enclosures[e.0].id.as_str());
            id == Some(enclosure) && notice.kind == kind && notice.state.is_active() == active
        };
        self.alarms.iter().find(|(minute, notice)| *minute >= after && matches(notice)).map(|(minute, _)| *minute)
    }
}

#[test]
fn every_fault_of_the_first_hours_is_noticed_and_nothing_else_is() {
    let mut stage = Stage::new(1);
    stage.run(200);
    // Silent at minute 18 and back at 42: stale after 90 s.
    let silent = stage.turned("gecko", AlarmKind::ProbeSilent, true, 0).expect("the silent probe is noticed");
    assert!((18..=20).contains(&silent), "{silent}");
    let back = stage.turned("gecko", AlarmKind::ProbeSilent, false, 20).expect("it is seen that it is back");
    assert!((42..=44).contains(&back), "{back}");
    // Its UV is gone at minute 95: “a dark lamp found in minutes”.
    let dark = stage.turned("chameleon", AlarmKind::LampDark, true, 0).expect("the dark lamp is noticed");
    assert!((95..=115).contains(&dark), "{dark}");
    // The relay welds at minute 150, which shows when it is next told off.
    let welded = stage.turned("tortoise", AlarmKind::HeatUnstoppable, true, 0).expect("the welded relay is noticed");
    assert!((150..=175).contains(&welded), "{welded}");
    assert_eq!(stage.world.is_closed(CutOffIx(0)), Some(false), "and the contactor above it is open");
    let grave: Vec<_> = stage
        .alarms
        .iter()
        .filter(|(_, notice)| notice.priority >= Priority::High && notice.state.is_active())
        .map(|(_, notice)| {
            (notice.enclosure.map_or("site", |e| stage.settings.enclosures[e.0].id.as_str()), notice.kind)
        })
        .collect();
    let expected = [
        ("gecko", AlarmKind::ProbeSilent),
        ("chameleon", AlarmKind::LampDark),
        ("tortoise", AlarmKind::HeatUnstoppable),
        ("site", AlarmKind::HeatUnstoppable),
    ];
    assert!(grave.iter().all(|alarm| expected.contains(alarm)), "{grave:?}");
}
