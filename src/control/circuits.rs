//! The site's circuits: whose turn it is to strike, and who is held back.
//!
//! A lamp that is to go on waits for its turn on its circuit, so that no two strike within the circuit's gap: whatever woke
//! them, a dawn, a start, a connection or a power cut that took their relays with it. Turns are given in the order in which
//! they are asked for, which within one moment is that of the files, so the same events give the same turns. An OFF asks
//! nobody, and neither does a dimmer that is on.
//!
//! Where a circuit has a soft limit, room on it is given by priority, among equals to those that are on, and then to those
//! that have asked first. One that is on and must make room goes off before the other goes on.

use std::sync::Arc;
use std::time::Duration;

use super::Controller;
use crate::settings::{Circuit, CircuitIx, Enclosure, EnclosureIx, LampIx, Settings};
use crate::time::Mono;
use crate::units::Watts;

/// Lamps of a circuit with a soft limit strike no sooner than this after they asked, so that others of the same moment can
/// ask too before one of less weight goes on: our choice.
const HEAR_ALL: Duration = Duration::from_secs(1);
/// Sums of rated powers are compared to this, W: rated powers are given to the watt.
const SAME_LOAD: f64 = 1e-6;

/// Every circuit of the site.
#[derive(Clone, Debug, Default)]
pub(super) struct Circuits {
    all: Vec<Line>,
    /// Enclosures for whose lamps something has changed.
    stirred: Vec<EnclosureIx>,
}

/// One circuit.
#[derive(Clone, Debug)]
struct Line {
    name: Arc<str>,
    gap: Duration,
    limit: Option<Watts>,
    /// Nobody strikes before.
    free: Mono,
    asked: u64,
    /// In the order of the files.
    members: Vec<Member>,
}

/// One lamp on a circuit with a soft limit.
#[derive(Clone, Debug)]
struct Member {
    enclosure: EnclosureIx,
    lamp: LampIx,
    watts: f64,
    asks: Option<Asks>,
    lit: bool,
    /// It may be on.
    has_room: bool,
}

/// What a lamp asks for room with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Asks {
    priority: u8,
    /// Which lamp asked before which.
    turn: u64,
}

impl Circuits {
    pub(super) fn new(settings: &Settings) -> Circuits {
        let line = |(ix, circuit): (usize, &Circuit)| {
            let enclosures = settings.enclosures.iter().enumerate();
            let lamps = |(at, enclosure): (usize, &Enclosure)| -> Vec<Member> {
                let own = enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.circuit == Some(CircuitIx(ix)));
                let member = |(lamp_at, lamp): (usize, &crate::settings::Lamp)| Member {
                    enclosure: EnclosureIx(at),
                    lamp: LampIx(lamp_at),
                    watts: lamp.power.map_or(0.0, |power| power.0),
                    asks: None,
                    lit: false,
                    has_room: circuit.soft_limit.is_none(),
                };
                own.map(member).collect()
            };
            let members: Vec<_> = enclosures.flat_map(lamps).collect();
            Line {
                name: Arc::from(circuit.name.as_str()),
                gap: circuit.strike_gap(members.len()),
                limit: circuit.soft_limit,
                free: Mono::START,
                asked: 0,
                members,
            }
        };
        Circuits { all: settings.circuits.iter().enumerate().map(line).collect(), stirred: Vec::new() }
    }

    /// Carries on under new settings: nobody strikes sooner for a reload.
    pub(super) fn adopt(&mut self, earlier: &Circuits) {
        for line in &mut self.all {
            if let Some(known) = earlier.all.iter().find(|known| known.name == line.name) {
                line.free = known.free;
            }
        }
    }

    /// The next turn to strike on a circuit, taken.
    pub(super) fn turn(&mut self, now: Mono, circuit: CircuitIx) -> Mono {
        let Some(line) = self.all.get_mut(circuit.0) else { return now };
        let soonest = if line.limit.is_some() { now.after(HEAR_ALL) } else { now };
        let turn = soonest.max(line.free);
        line.free = turn.after(line.gap);
        turn
    }

    /// A lamp asks for room, by its priority, or asks for none; it is on or off. Whether it may be on: always where its
    /// circuit has no soft limit.
    pub(super) fn ask(&mut self, circuit: CircuitIx, lamp: (EnclosureIx, LampIx), asks: Option<u8>, lit: bool) -> bool {
        let Some(line) = self.all.get_mut(circuit.0).filter(|line| line.limit.is_some()) else { return true };
        let Some(at) = line.position(lamp) else { return true };
        let member = &mut line.members[at];
        if member.asks.map(|asks| asks.priority) != asks || member.lit != lit {
            let turn = member.asks.map_or(line.asked, |asks| asks.turn);
            line.asked += u64::from(member.asks.is_none());
            member.asks = asks.map(|priority| Asks { priority, turn });
            member.lit = lit;
            line.share_out(at, &mut self.stirred);
        }
        line.members[at].has_room
    }

    /// A circuit's name and soft limit.
    pub(super) fn limit(&self, circuit: CircuitIx) -> Option<(Arc<str>, Watts)> {
        let line = self.all.get(circuit.0)?;
        Some((Arc::clone(&line.name), line.limit?))
    }

    /// A circuit's name.
    pub(super) fn name(&self, circuit: CircuitIx) -> Arc<str> {
        self.all.get(circuit.0).map_or_else(|| Arc::from(""), |line| Arc::clone(&line.name))
    }

    /// Enclosures that must be looked at, since lamps of theirs may be on now that might not, or the other way round.
    pub(super) fn take_stirred(&mut self) -> Vec<EnclosureIx> {
        std::mem::take(&mut self.stirred)
    }

    /// Why a lamp may be on or not, as far as its circuit goes, a line each.
    pub(super) fn why(&self, settings: &Settings, circuit: CircuitIx, lamp: (EnclosureIx, LampIx)) -> Vec<String> {
        let Some(line) = self.all.get(circuit.0) else { return Vec::new() };
        let mut why = vec![format!(
            "circuit {}: {} lamps, which strike {} ms apart at least",
            line.name,
            line.members.len(),
            line.gap.as_millis()
        )];
        let (Some(limit), Some(at)) = (line.limit, line.position(lamp)) else { return why };
        let (load, me) = (line.load(), &line.members[at]);
        why.push(format!("{} of the soft limit of {limit} are on; this lamp draws {}", Watts(load), Watts(me.watts)));
        let Some(asks) = me.asks else {
            why.push("it asks for no room now".to_owned());
            return why;
        };
        if me.has_room {
            why.push(format!("it has room, by its priority of {}", asks.priority));
            return why;
        }
        let before = line.order().into_iter().take_while(|other| *other != at).map(|other| &line.members[other]);
        let name = |member: &Member| {
            let enclosure = settings.enclosures.get(member.enclosure.0)?;
            let priority = member.asks.map_or(0, |asks| asks.priority);
            let lamp = enclosure.lamps.get(member.lamp.0)?;
            Some(format!("{} of {} ({}, priority {priority})", lamp.name, enclosure.title, Watts(member.watts)))
        };
        let before: Vec<_> = before.filter(|member| member.has_room).filter_map(name).collect();
        why.push(format!(
            "it is held back, by its priority of {}; before it come: {}",
            asks.priority,
            before.join(", ")
        ));
        why
    }
}

impl Controller {
    /// Why a lamp may be on or not, as far as its circuit goes, a line each.
    pub(super) fn why_circuit(&self, enclosure: EnclosureIx, lamp: LampIx) -> Vec<String> {
        let circuit = self.settings.enclosures.get(enclosure.0).and_then(|it| it.lamps.get(lamp.0)?.circuit);
        circuit.map_or_else(Vec::new, |circuit| self.circuits.why(&self.settings, circuit, (enclosure, lamp)))
    }
}

impl Line {
    fn position(&self, lamp: (EnclosureIx, LampIx)) -> Option<usize> {
        self.members.binary_search_by_key(&lamp, |member| (member.enclosure, member.lamp)).ok()
    }

    fn load(&self) -> f64 {
        self.members.iter().filter(|member| member.lit).map(|member| member.watts).sum()
    }

    /// Those that ask, whose right comes first first.
    fn order(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.members.len()).filter(|&at| self.members[at].asks.is_some()).collect();
        let rank = |&at: &usize| {
            let member = &self.members[at];
            let Asks { priority, turn } = member.asks.unwrap_or(Asks { priority: 0, turn: u64::MAX });
            (u8::MAX - priority, !member.lit, turn, at)
        };
        order.sort_by_key(rank);
        order
    }

    /// Gives room anew. The lamp `asking` is told by the answer; others of its enclosure may have been asked about already.
    fn share_out(&mut self, asking: usize, stirred: &mut Vec<EnclosureIx>) {
        let Some(Watts(limit)) = self.limit else { return };
        let limit = limit + SAME_LOAD;
        let (mut given, mut on) = (0.0, self.load());
        let order = self.order();
        let mut room = vec![false; self.members.len()];
        for at in order {
            let member = &self.members[at];
            if given + member.watts > limit {
                continue;
            }
            given += member.watts;
            // Who must make room first goes off.
            if member.lit {
                room[at] = true;
            } else if on + member.watts <= limit {
                on += member.watts;
                room[at] = true;
            }
        }
        for (at, (member, has_room)) in self.members.iter_mut().zip(room).enumerate() {
            if member.has_room != has_room && (member.asks.is_some() || member.lit) && at != asking {
                stirred.push(member.enclosure);
            }
            member.has_room = has_room;
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A circuit of lamps with these powers and this soft limit.
    fn line(watts: &[f64], limit: Option<f64>, gap_ms: u64) -> Circuits {
        let member = |(at, watts): (usize, &f64)| Member {
            enclosure: EnclosureIx(at),
            lamp: LampIx(0),
            watts: *watts,
            asks: None,
            lit: false,
            has_room: limit.is_none(),
        };
        let line = Line {
            name: Arc::from("left"),
            gap: Duration::from_millis(gap_ms),
            limit: limit.map(Watts),
            free: Mono::START,
            asked: 0,
            members: watts.iter().enumerate().map(member).collect(),
        };
        Circuits { all: vec![line], stirred: Vec::new() }
    }

    const LEFT: CircuitIx = CircuitIx(0);

    fn lamp(at: usize) -> (EnclosureIx, LampIx) {
        (EnclosureIx(at), LampIx(0))
    }

    #[test]
    fn a_hundred_lamps_strike_one_after_the_other_within_the_stated_time() {
        let circuit = Circuit {
            name: "left".to_owned(),
            breaker: crate::units::Amperes(16.0),
            voltage: crate::units::Volts(230.0),
            stagger: Duration::from_secs(20),
            soft_limit: None,
        };
        let gap = circuit.strike_gap(100);
        let mut circuits = line(&[60.0; 100], None, gap.as_millis() as u64);
        let now = Mono::from_secs(7);
        let turns: Vec<Mono> = (0..100).map(|_| circuits.turn(now, LEFT)).collect();
        assert_eq!(turns[0], now, "one that is alone waits for nobody");
        assert!(turns.windows(2).all(|pair| pair[1].since(pair[0]) >= gap));
        assert!(turns[99].since(now) <= Duration::from_secs(20));
        assert_eq!(circuits.turn(Mono::from_secs(60), LEFT), Mono::from_secs(60), "nobody waits for the past");
        assert_eq!(circuit.strike_gap(3), Duration::from_secs(1), "a few lamps do not take all of it");
    }

    #[test]
    fn room_goes_by_priority_and_one_goes_off_before_another_goes_on() {
        let mut circuits = line(&[100.0, 100.0, 100.0], Some(200.0), 0);
        assert!(circuits.ask(LEFT, lamp(0), Some(5), false));
        assert!(circuits.ask(LEFT, lamp(0), Some(5), true));
        assert!(circuits.ask(LEFT, lamp(1), Some(3), false));
        assert!(circuits.ask(LEFT, lamp(1), Some(3), true));
        assert!(!circuits.ask(LEFT, lamp(2), Some(9), false), "the limit is full, whoever asks");
        assert_eq!(circuits.take_stirred(), [EnclosureIx(1)], "who comes last must go");
        assert!(!circuits.ask(LEFT, lamp(1), Some(3), true));
        assert!(!circuits.ask(LEFT, lamp(1), Some(3), false));
        assert_eq!(circuits.take_stirred(), [EnclosureIx(2)], "and then the other may");
        assert!(circuits.ask(LEFT, lamp(2), Some(9), false));
    }

    #[test]
    fn among_equals_who_is_on_stays_and_who_asked_first_is_next() {
        let mut circuits = line(&[100.0; 3], Some(100.0), 0);
        assert!(circuits.ask(LEFT, lamp(2), Some(5), false));
        assert!(circuits.ask(LEFT, lamp(2), Some(5), true));
        assert!(!circuits.ask(LEFT, lamp(1), Some(5), false));
        assert!(!circuits.ask(LEFT, lamp(0), Some(5), false));
        assert!(circuits.ask(LEFT, lamp(2), Some(5), true));
        circuits.take_stirred();
        circuits.ask(LEFT, lamp(2), None, false);
        assert_eq!(circuits.take_stirred(), [EnclosureIx(1)]);
        assert!(circuits.ask(LEFT, lamp(1), Some(5), false));
        assert!(!circuits.ask(LEFT, lamp(0), Some(5), false));
    }

    proptest! {
        /// Lamps that do as they are told never draw more than the limit, whoever asks for what, and room that is there is
        /// given: nobody is held back who would fit.
        #[test]
        fn the_soft_limit_is_kept_and_nobody_waits_for_nothing(
            watts in proptest::collection::vec(1_u32..200, 1..12),
            limit in 50_u32..400,
            asks in proptest::collection::vec((0_usize..12, proptest::option::of(1_u8..=9)), 0..60),
        ) {
            let watts: Vec<f64> = watts.into_iter().map(f64::from).collect();
            let mut circuits = line(&watts, Some(f64::from(limit)), 0);
            let mut wish: Vec<Option<u8>> = vec![None; watts.len()];
            let mut lit = vec![false; watts.len()];
            for (at, asks) in asks {
                let at = at % watts.len();
                wish[at] = asks;
                let mut todo = vec![at];
                let mut looks = 0;
                while let Some(at) = todo.pop() {
                    looks += 1;
                    prop_assert!(looks < 1000, "they settle");
                    let may = circuits.ask(LEFT, lamp(at), wish[at], lit[at]);
                    let on = may && wish[at].is_some();
                    if on != lit[at] {
                        lit[at] = on;
                        circuits.ask(LEFT, lamp(at), wish[at], on);
                    }
                    todo.extend(circuits.take_stirred().into_iter().map(|EnclosureIx(at)| at));
                    let load: f64 = watts.iter().zip(&lit).filter(|(_, lit)| **lit).map(|(watts, _)| watts).sum();
                    prop_assert!(load <= f64::from(limit), "{load} W on {limit} W");
                }
                let load: f64 = watts.iter().zip(&lit).filter(|(_, lit)| **lit).map(|(watts, _)| watts).sum();
                for at in (0..watts.len()).filter(|&at| wish[at].is_some() && !lit[at]) {
                    prop_assert!(load + watts[at] > f64::from(limit), "{at} would fit");
                }
            }
        }
    }
}
