//! A lamp on its circuit: it waits for its turn to strike, and for room where there is a soft limit.

use std::time::Duration;

use super::LampControl;
use crate::control::circuits::Circuits;
use crate::control::context::Context;
use crate::control::reason::{Proposal, Reason};
use crate::settings::{EnclosureIx, HeatLaw, Lamp, LampIx};
use crate::time::Mono;
use crate::units::{Level, Watts};

/// A lamp that is held back for so long is told of; a guess.
pub(super) const HELD_BACK_LONG: Duration = Duration::from_secs(3600);
/// A lamp that had to make room asks for none for so long, so that it does not go on and off with every call of a
/// thermostat that comes before it; a guess.
const DISPLACED_FOR: Duration = Duration::from_secs(15 * 60);
/// A person's wish comes before every priority of the configuration.
const BY_HAND: u8 = 10;

/// What is told of a lamp that has been held back for long.
#[derive(Clone, Debug)]
pub(in crate::control) struct HeldBack {
    /// The circuit's name.
    pub(in crate::control) circuit: std::sync::Arc<str>,
    /// Its soft limit.
    pub(in crate::control) limit: Watts,
}

impl LampControl {
    /// What its circuit lets it wish for. A wish for OFF is left alone.
    pub(super) fn on_circuit(
        &mut self,
        ctx: &mut Context<'_>,
        lamp: &Lamp,
        named: (EnclosureIx, LampIx),
        wish: Proposal,
    ) -> Proposal {
        let Some(circuit) = lamp.circuit else { return wish };
        let (now, is_lit) = (ctx.now, !self.drive.wanted().is_off());
        // What the guard refuses draws nothing.
        let refused = self.guard.refusal(now).is_some();
        let wants = !wish.level.is_off() && !refused;
        self.displaced_until = self.displaced_until.filter(|&until| now < until);
        let asks = self.asks(lamp, &wish, wants).filter(|_| self.displaced_until.is_none());
        let has_room = ctx.circuits.ask(circuit, named, asks, is_lit) && self.displaced_until.is_none();
        if !wants {
            self.turn = None;
            self.held_since = self.held_since.filter(|_| asks.is_some() && !has_room && !refused);
            return wish;
        }
        if !has_room {
            return self.held_back(ctx, lamp, wish);
        }
        self.held_since = None;
        if is_lit {
            self.turn = None;
            return wish;
        }
        let turn = *self.turn.get_or_insert_with(|| ctx.circuits.turn(now, circuit));
        if now < turn {
            if let Some(thermostat) = &mut self.thermostat {
                thermostat.postpone(turn);
            }
            return Proposal { level: Level::OFF, reason: Reason::Turn { circuit: ctx.circuits.name(circuit) } };
        }
        wish
    }

    /// The priority with which it asks for room on its circuit. A lamp driven by pulses asks between them too, as long as its
    /// spot is not warm enough: otherwise others would go on and off with them.
    fn asks(&self, lamp: &Lamp, wish: &Proposal, wants: bool) -> Option<u8> {
        let by_hand = matches!(wish.reason, Reason::Override);
        let pulses = lamp.heat.is_some_and(|heat| matches!(heat.law, HeatLaw::Pulse { .. }));
        let between = pulses
            && matches!(wish.reason, Reason::Thermostat { reading, target, .. } if reading < target)
            && !self.guard.is_tripped();
        (wants || between).then_some(if by_hand { BY_HAND } else { lamp.priority })
    }

    fn held_back(&mut self, ctx: &Context<'_>, lamp: &Lamp, wish: Proposal) -> Proposal {
        let now = ctx.now;
        self.turn = None;
        self.held_since.get_or_insert(now);
        if !self.drive.wanted().is_off() {
            if self.switched.is_some_and(|at| now.since(at) < lamp.min_on) {
                return Proposal { level: wish.level, reason: Reason::MinOn };
            }
            self.displaced_until = Some(now.after(DISPLACED_FOR));
        }
        let Some((circuit, limit)) = lamp.circuit.and_then(|circuit| ctx.circuits.limit(circuit)) else { return wish };
        Proposal { level: Level::OFF, reason: Reason::HeldBack { circuit, limit } }
    }

    /// Its permit has changed: its circuit is told, and where it strikes, it is its turn.
    pub(super) fn note_on_circuit(
        &mut self,
        ctx: &mut Context<'_>,
        lamp: &Lamp,
        named: (EnclosureIx, LampIx),
        was_off: bool,
    ) {
        let Some(circuit) = lamp.circuit else { return };
        let is_lit = !self.drive.wanted().is_off();
        if is_lit == was_off {
            let asks = if is_lit { self.asked(lamp) } else { None };
            ctx.circuits.ask(circuit, named, asks, is_lit);
            if let Some(turn) = self.turn.take().filter(|_| is_lit) {
                self.drive.take_turn(ctx.now, turn);
            }
        }
    }

    /// The priority with which a lamp that is on has asked.
    fn asked(&self, lamp: &Lamp) -> Option<u8> {
        Some(if matches!(self.reason, Reason::Override) { BY_HAND } else { lamp.priority })
    }

    /// Tells new circuits how it stands, after a reload.
    pub(in crate::control) fn tell_circuit(&self, circuits: &mut Circuits, lamp: &Lamp, named: (EnclosureIx, LampIx)) {
        if let Some(circuit) = lamp.circuit.filter(|_| !self.drive.wanted().is_off()) {
            circuits.ask(circuit, named, self.asked(lamp), true);
        }
    }

    /// What is to be told of it where it has been held back for long.
    pub(in crate::control) fn long_held_back(&self, ctx: &Context<'_>, lamp: &Lamp) -> Option<HeldBack> {
        let is_long = |since: Mono| ctx.now.since(since) >= HELD_BACK_LONG;
        self.held_since.filter(|&since| is_long(since))?;
        let (circuit, limit) = ctx.circuits.limit(lamp.circuit?)?;
        Some(HeldBack { circuit, limit })
    }
}
