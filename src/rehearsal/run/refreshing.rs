//! Commands that tell an output again what it does already: a hold refreshed, a level asserted now and then.
//!
//! They are most of what a calm daemon says. Where nothing else is under way until the output has answered, command and
//! report pass between core and plant without the broker's books: its connection is up, and it loses and delays nothing. The
//! guard law is judged as ever, and what comes of the story is the same.

use std::time::Duration;

use super::{Run, ms};
use crate::control::{Command, Effect, Event, OutputRef};
use crate::message;
use crate::rehearsal::broker::COMMAND_TAKES;
use crate::time::Mono;

impl Run<'_> {
    /// Lets the core do what is due at `due`, the next millisecond, and lets outputs answer that are told again what they do.
    /// False: nothing was done, since something else may happen then. `until`: something else happens then. Asked in a glide.
    pub(super) fn refresh(&mut self, due: u64, until: u64) -> bool {
        let (Some(booted), answered) = (self.host.in_step(), due.saturating_add(COMMAND_TAKES)) else { return false };
        let world = self.world.next_event().map_or(u64::MAX, ms);
        let Some(core) = self.host.core.as_mut().filter(|_| due < until.min(world)) else { return false };
        let mut effects = std::mem::take(&mut self.effects);
        core.handle_in_step(Mono::from_millis(due - booted), Event::Tick, &mut effects);
        (self.now, self.handled) = (due, due);
        let alone = answered < until.min(world).min(self.core_due());
        let again = |effect: &Effect| matches!(effect, Effect::Command(command) if self.is_told_again(command));
        if !alone || effects.is_empty() || !effects.iter().all(again) {
            self.carry_out_all(effects, true);
            self.expect(false);
            return true;
        }
        self.pass_on(answered, &effects);
        effects.clear();
        self.effects = effects;
        true
    }

    /// Whether a command says what its output reports, and what is decided.
    fn is_told_again(&self, command: &Command) -> bool {
        let OutputRef::Lamp(e, l) = command.output else { return false };
        let (seen, level) = (self.sight.lamp(e, l), command.permit.level());
        let has_state = self.settings.enclosures[e.0].lamps[l.0].output.state.is_some();
        seen.level == level && has_state && seen.reported.is_some_and(|(reported, _)| reported == level)
    }

    /// Commands go to their outputs, which hear them at `answered`.
    fn pass_on(&mut self, answered: u64, effects: &[Effect]) {
        let commands =
            || effects.iter().filter_map(|effect| if let Effect::Command(it) = effect { Some(it) } else { None });
        for command in commands() {
            let OutputRef::Lamp(e, l) = command.output else { continue };
            let known = &mut self.refreshes[e.0][l.0];
            if known.as_ref().is_none_or(|(level, _)| *level != command.permit.level()) {
                let sent = message::encode(self.settings, command);
                *known = sent.map(|sent| (command.permit.level(), sent.payload));
            }
            let Some((_, payload)) = known else { continue };
            self.book.mix(&self.now.to_le_bytes());
            self.book.mix(payload);
            self.oracle.commanded(self.now, command);
            self.touched.push(e);
        }
        self.judge_step(false);
        self.now = answered;
        let mut said = std::mem::take(&mut self.said);
        self.world.advance_to(Duration::from_millis(answered), &mut said);
        for command in commands() {
            let OutputRef::Lamp(e, l) = command.output else { continue };
            self.handle(Event::Delivered { output: command.output, ticket: command.ticket });
            let topic = &self.settings.enclosures[e.0].lamps[l.0].output.set;
            if let Some((_, payload)) = &self.refreshes[e.0][l.0] {
                self.world.incoming(topic, payload, &mut said);
            }
            self.spoken_by_plant(&mut said);
            let agrees = self.sight.lamp(e, l).reported.is_some_and(|(level, _)| level == command.permit.level());
            self.settled &= agrees;
        }
        self.said = said;
        self.expect(false);
    }
}
