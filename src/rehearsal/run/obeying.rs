//! Commands that outputs obey at once: a lamp switched, a hold refreshed, a level asserted now and then.
//!
//! They are most of what a calm daemon says. Where nothing else is under way until the output has answered, command and
//! report pass between core and plant without the broker's books: its connection is up, and it loses and delays nothing.
//! Words that were understood before mean what they meant. The guard law is judged as ever, and what comes of the story is
//! the same.

use std::time::Duration;

use super::{Calm, Run, ms};
use crate::control::{Command, Effect, Event, OutputRef, Reading};
use crate::message;
use crate::rehearsal::broker::COMMAND_TAKES;
use crate::settings::{EnclosureIx, LampIx, ProbeIx};
use crate::simulator::{Message, Source, Switch};
use crate::time::Mono;
use crate::units::Level;

/// Levels with the words that stand for them; those that an output was last told, or has last reported.
#[derive(Clone, Debug, Default)]
pub(super) struct Words {
    off: Option<(Level, String)>,
    on: Option<(Level, String)>,
}

impl Words {
    /// The words for a level, as they were learnt.
    fn of(&self, level: Level) -> Option<&str> {
        let known = if level.is_off() { &self.off } else { &self.on };
        known.as_ref().filter(|(known, _)| *known == level).map(|(_, words)| words.as_str())
    }

    /// What words stand for.
    fn mean(&self, words: &str) -> Option<Level> {
        [&self.off, &self.on].into_iter().flatten().find(|(_, known)| known == words).map(|(level, _)| *level)
    }

    fn learn(&mut self, level: Level, words: String) {
        *(if level.is_off() { &mut self.off } else { &mut self.on }) = Some((level, words));
    }
}

/// What passes between the core and the output of a lamp.
#[derive(Clone, Debug, Default)]
pub(super) struct Wording {
    told: Words,
    reported: Words,
}

impl Run<'_> {
    /// Lets the core do what is due at `due`, the next millisecond. False: it did nothing, since something else happens then.
    /// `until`: something else happens then. Asked in a glide.
    pub(super) fn fall_due(&mut self, due: u64, until: u64) -> bool {
        let Some(booted) = self.host.in_step().filter(|_| due < until) else { return false };
        self.world.advance_to(Duration::from_millis(due), &mut self.said);
        let Some(core) = self.host.core.as_mut().filter(|_| self.said.is_empty()) else { return false };
        let mut effects = std::mem::take(&mut self.effects);
        core.handle_in_step(Mono::from_millis(due - booted), Event::Tick, &mut effects);
        (self.now, self.handled) = (due, due);
        self.come_of(effects, until, true);
        true
    }

    /// Hands the core a plain reading that the plant has just said and of which something comes. False: it is none. `until`:
    /// something else happens then. Asked in a glide.
    pub(super) fn hear_plainly(&mut self, until: u64) -> bool {
        let [message] = &self.said[..] else { return false };
        let (Source::Probe(enclosure, probe), Some(value)) = (message.source(), message.number()) else { return false };
        let Some(booted) = self.host.in_step().filter(|_| self.is_plain(enclosure, probe) && !message.retained())
        else {
            return false;
        };
        self.said.clear();
        self.messages += 1;
        let event =
            Event::Reading { enclosure, probe, reading: Reading { value: Ok(value), taken: None, retained: false } };
        self.observe(&event);
        let Some(core) = self.host.core.as_mut() else { return false };
        let mut effects = std::mem::take(&mut self.effects);
        core.handle_in_step(Mono::from_millis(self.now - booted), event, &mut effects);
        self.handled = self.now;
        self.calm = Calm::default();
        self.come_of(effects, until, false);
        true
    }

    /// Whether the payload of a probe is the bare number that it reads.
    fn is_plain(&self, e: EnclosureIx, p: ProbeIx) -> bool {
        self.guides[e.0][p.0].is_plain()
    }

    /// Carries out what the core wants now; where that is to be obeyed at once, it is. `any`: it may be anything, since time
    /// has passed and nothing was read.
    fn come_of(&mut self, mut effects: Vec<Effect>, until: u64, any: bool) {
        let answered = self.now.saturating_add(COMMAND_TAKES);
        let world = self.world.next_event().map_or(u64::MAX, ms);
        let again = any && !effects.is_empty() && effects.iter().all(|effect| self.is_told_again(effect));
        let commands = effects.iter().any(|effect| matches!(effect, Effect::Command(_)));
        if again && !commands {
            effects.drain(..).for_each(|effect| self.carry_out(effect));
            self.effects = effects;
            return;
        }
        let alone = commands && answered < until.min(world) && answered <= self.core_due();
        if !alone || !effects.iter().all(|effect| self.is_obeyed_at_once(effect)) {
            self.carry_out_all(effects, any);
            self.expect(false);
            return;
        }
        let mut sent = std::mem::take(&mut self.sent);
        for effect in effects.drain(..) {
            if let Effect::Command(command) = effect {
                self.tell(&command, again);
                sent.push(command);
            } else {
                self.carry_out(effect);
            }
        }
        self.effects = effects;
        if !again {
            self.calm = Calm::default();
            self.judge_step(any);
            self.expect(false);
        }
        self.answer(answered, &sent);
        sent.clear();
        self.sent = sent;
    }

    /// Whether an effect is a command to an output that reports, or what comes with one.
    fn is_obeyed_at_once(&self, effect: &Effect) -> bool {
        match effect {
            Effect::Command(Command { output: OutputRef::Lamp(e, l), .. }) => {
                self.settings.enclosures[e.0].lamps[l.0].output.state.is_some()
            }
            Effect::Switched { .. } | Effect::State(_) | Effect::File(_) => true,
            _ => false,
        }
    }

    /// Whether an effect is no more than that an output is told again what it says it does, or that something is filed or
    /// shown: then nobody has anything to judge.
    fn is_told_again(&self, effect: &Effect) -> bool {
        match effect {
            Effect::Command(Command { output: OutputRef::Lamp(e, l), permit, .. }) => {
                self.is_as_decided((*e, *l), permit.level())
            }
            Effect::File(_) | Effect::State(_) => true,
            _ => false,
        }
    }

    /// Whether a lamp's level is decided to be this, and its output has said that it is.
    fn is_as_decided(&self, (e, l): (EnclosureIx, LampIx), level: Level) -> bool {
        let seen = self.sight.lamp(e, l);
        seen.level == level && seen.reported.is_some_and(|(reported, _)| reported == level)
    }

    /// Notes that a lamp's output is told something, and its words; `again`: no more than what it says it does.
    fn tell(&mut self, command: &Command, again: bool) {
        let OutputRef::Lamp(e, l) = command.output else { return };
        let level = command.permit.level();
        if self.wording[e.0][l.0].told.of(level).is_none() {
            let Some(sent) = message::encode(self.settings, command) else { return };
            let Ok(words) = String::from_utf8(sent.payload) else { return };
            self.wording[e.0][l.0].told.learn(level, words);
        }
        let Some(words) = self.wording[e.0][l.0].told.of(level) else { return };
        self.book.mix(&self.now.to_le_bytes());
        self.book.mix(words.as_bytes());
        if again {
            self.oracle.told_again(self.now, (e, l), level);
            return;
        }
        self.oracle.commanded(self.now, command);
        self.obligations.commanded(self.now, command.output, level, &self.sight);
        if !self.touched.contains(&e) {
            self.touched.push(e);
        }
    }

    /// Outputs hear at `answered` what they were told, and report.
    fn answer(&mut self, answered: u64, sent: &[Command]) {
        self.now = answered;
        let mut said = std::mem::take(&mut self.said);
        self.world.advance_to(Duration::from_millis(answered), &mut said);
        for command in sent {
            let OutputRef::Lamp(e, l) = command.output else { continue };
            let level = command.permit.level();
            // That the broker has acknowledged the command says nothing beside the output's own report.
            if let Some(words) = self.wording[e.0][l.0].told.of(level) {
                self.world.told(Switch::Lamp(e, l), words, &mut said);
            }
            if !self.reported_plainly((e, l), &mut said) {
                self.spoken_by_plant(&mut said);
            }
            self.settled &= self.sight.lamp(e, l).reported.is_some_and(|(reported, _)| reported == level);
        }
        self.said = said;
        if self.is_due() {
            self.handle(Event::Tick);
        }
        self.expect(false);
    }

    /// Hears a report in words that were understood before. False: it is none, and nothing was done.
    fn reported_plainly(&mut self, (e, l): (EnclosureIx, LampIx), said: &mut Vec<Message>) -> bool {
        let [message] = &said[..] else { return false };
        if message.source() != Source::Switch(Switch::Lamp(e, l)) || message.retained() {
            return false;
        }
        let output = OutputRef::Lamp(e, l);
        let words = message.payload();
        let known = self.wording[e.0][l.0].reported.mean(&words);
        let Some(level) = known.or_else(|| self.routes.reports(message.topic(), output, &words, self.settings)) else {
            return false;
        };
        if known.is_none() {
            self.wording[e.0][l.0].reported.learn(level, words.into_owned());
        }
        said.clear();
        self.messages += 1;
        let event = Event::Report { output, level: Ok(level), retained: false };
        if self.is_as_decided((e, l), level) {
            // It says again what it said.
            self.sight.reported(self.now, output, level);
        } else {
            self.observe(&event);
        }
        self.handle(event);
        true
    }
}
