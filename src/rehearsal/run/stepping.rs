//! One moment of a story: what has happened by then, and what the core makes of it.

use std::time::Duration;

use super::keeper::in_words;
use super::{COMES_ROUND, Calm, GRID, Run, ms};
use crate::control::{Controller, Event, OutputRef};
use crate::rehearsal::broker::Delivery;
use crate::simulator::Message;
use crate::time::Mono;

impl Run<'_> {
    /// When something happens next.
    pub(super) fn next(&mut self) -> u64 {
        let turn = self.turns.get(self.turned).map(|(at, ..)| *at);
        let act = self.acts.get(self.acted).map(|(at, _)| *at);
        let deadline = self.host.core.as_mut().and_then(Controller::next_deadline);
        let round = self.host.core.is_some().then_some(self.handled + COMES_ROUND);
        let deadline = deadline.map(|at| self.host.story_time(at)).into_iter().chain(round).min();
        let world = self.world.next_event().map(ms);
        let look = Some(self.looked + GRID);
        let all = [
            turn,
            act,
            deadline,
            world,
            look,
            self.bounds.get(self.bounded).copied(),
            self.broker.next(),
            self.broker_boots,
            self.daemon_boots,
            self.reconciled_by,
        ];
        all.into_iter().flatten().min().unwrap_or(self.end).max(self.now)
    }

    /// Lets happen what is due now: what goes wrong, the plant, what arrives, the keeper, and what the core waits for.
    pub(super) fn step(&mut self) {
        (self.settled, self.calm) = (false, Calm::default());
        self.host.write(self.now);
        self.bounded += self.bounds[self.bounded..].iter().take_while(|at| **at <= self.now).count();
        while let Some((_, comes, ix)) = self.turns.get(self.turned).copied().filter(|(at, ..)| *at <= self.now) {
            self.turned += 1;
            self.turn(ix, comes);
        }
        self.boot();
        self.arrive();
        while let Some((_, act)) = self.acts.get(self.acted).filter(|(at, _)| *at <= self.now) {
            let act = self.measured_rightly(act.clone());
            self.acted += 1;
            self.note(format_args!("keeper: {}", in_words(&act, self.settings)));
            if self.host.core.is_some() {
                self.oracle.act(&act);
                self.coverage.act(&act);
                self.chatter.act(&act);
                self.obligations.act(self.now, &act, self.host.clock_error(self.now));
            }
            self.handle(Event::Act(act));
        }
        if self.is_due() || self.now >= self.handled + COMES_ROUND {
            self.handle(Event::Tick);
        }
        self.look();
    }

    /// Lets happen what is due now, where that can be no more than what the plant says, what outputs are told and what the
    /// core waits for. The grid is not looked at: nothing could be found there.
    pub(super) fn pass_by(&mut self) {
        self.calm = Calm::default();
        self.arrive();
        if self.is_due() {
            self.handle(Event::Tick);
        }
        self.expect(false);
    }

    /// What the plant says by now, and what arrives.
    fn arrive(&mut self) {
        let mut said = std::mem::take(&mut self.said);
        self.world.advance_to(Duration::from_millis(self.now), &mut said);
        self.spoken_by_plant(&mut said);
        self.said = said;
        while let Some(delivery) = self.broker.pop(self.now) {
            self.deliver(delivery);
        }
    }

    /// Whether the core must do something by itself.
    pub(super) fn is_due(&mut self) -> bool {
        let deadline = self.host.core.as_mut().and_then(Controller::next_deadline);
        deadline.is_some_and(|at| self.host.story_time(at) <= self.now)
    }

    pub(super) fn spoken_by_plant(&mut self, said: &mut Vec<Message>) {
        for message in said.drain(..) {
            let kept = message.retained().then(|| message.topic().to_owned());
            if let Some(message) = self.broker.said(self.now, message) {
                self.hear(&message);
            }
            if let Some(topic) = kept {
                let payload = self.broker.kept(&topic).map(<[u8]>::to_vec);
                self.world.set_retained(&topic, payload.as_deref());
            }
        }
    }

    fn deliver(&mut self, delivery: Delivery) {
        match delivery {
            Delivery::Said(message) => self.hear(&message),
            Delivery::Other { topic, payload, retained } => {
                if let Some(output) = self.commanded_by(&topic).filter(|_| retained && !payload.is_empty()) {
                    self.obligations.stored(self.now, output);
                }
                self.decode(&topic, &payload, retained);
            }
            Delivery::Command { topic, payload } => {
                let mut said = std::mem::take(&mut self.said);
                self.world.incoming(&topic, &payload, &mut said);
                self.spoken_by_plant(&mut said);
                self.said = said;
            }
            Delivery::Acknowledged { output, ticket } => self.handle(Event::Delivered { output, ticket }),
            Delivery::Up => {
                self.note(format_args!("connected to the broker"));
                (self.up_since, self.down_since) = (Some(self.now), None);
                self.reconciled_by.get_or_insert(self.now + self.reconciled_within());
                self.obligations.link();
                self.handle(Event::LinkUp);
            }
            Delivery::Down => {
                self.note(format_args!("connection to the broker lost"));
                (self.up_since, self.down_since) = (None, Some(self.now));
                self.oracle.link_down();
                self.obligations.link();
                self.handle(Event::LinkDown);
            }
        }
    }

    fn hear(&mut self, message: &Message) {
        let payload = message.payload();
        // A live message comes without the flag, whatever its sender asked the broker to keep.
        self.decode(message.topic(), payload.as_bytes(), false);
    }

    fn decode(&mut self, topic: &str, payload: &[u8], retained: bool) {
        self.messages += 1;
        let mut events = std::mem::take(&mut self.events);
        if let Err(misread) = self.routes.decode(topic, payload, retained, self.settings, &mut events) {
            self.note(format_args!("{misread}"));
        }
        for event in events.drain(..) {
            self.observe(&event);
            self.handle(event);
        }
        self.events = events;
    }

    /// Notes what comes to the core, as anybody listening could.
    pub(super) fn observe(&mut self, event: &Event) {
        if self.host.core.is_none() {
            return;
        }
        match event {
            Event::Reading { enclosure, probe, reading } => {
                let settings = &self.settings.enclosures[enclosure.0].probes[probe.0];
                let (least, most) = settings.plausible;
                let good = |value: f64| {
                    value >= least && value <= most && !settings.reject.iter().any(|fault| (fault - value).abs() < 1e-6)
                };
                let wall = (self.start.timestamp_millis()).saturating_add_unsigned(self.now);
                let seen = (self.settings, &self.sight);
                self.oracle.reading(self.now, wall, seen, (*enclosure, *probe), reading);
                self.touched.push(*enclosure);
                if let Some(value) =
                    reading.value.as_ref().ok().copied().filter(|value| !reading.retained && good(*value))
                {
                    self.sight.heard(self.now, *enclosure, *probe, value);
                    let at = (*enclosure, *probe);
                    self.obligations.reading(self.now, self.settings, &self.sight, at, value);
                } else if !reading.retained {
                    self.obligations.nonsense(self.now, (*enclosure, *probe));
                }
            }
            Event::Report { output, level: Ok(level), .. } => {
                self.sight.reported(self.now, *output, *level);
                self.obligations.reported(self.now, *output, &self.sight);
                if let OutputRef::Lamp(e, _) = output {
                    self.touched.push(*e);
                }
            }
            _ => {}
        }
    }

    /// Hands the core an event, and carries out what it wants.
    pub(super) fn handle(&mut self, event: Event) {
        let (moment, in_step) = match self.host.in_step() {
            Some(booted) if !self.options.whole_way => (None, Mono::from_millis(self.now - booted)),
            _ => (Some(self.host.ask(self.now)), Mono::START),
        };
        let Some(core) = &mut self.host.core else { return };
        let mut effects = std::mem::take(&mut self.effects);
        self.handled = self.now;
        let any = matches!(event, Event::Tick | Event::Act(_) | Event::LinkUp);
        match moment {
            Some(moment) => core.handle(moment, event, &mut effects),
            None => core.handle_in_step(in_step, event, &mut effects),
        }
        if effects.is_empty() && !any && self.touched.is_empty() {
            // Nobody has anything to judge.
            self.effects = effects;
            return;
        }
        self.carry_out_all(effects, any);
    }
}
