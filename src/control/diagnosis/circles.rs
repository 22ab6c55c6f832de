//! Lamps that hang on the same relay box or the same supply, across enclosures: how many of them are lit and dark.
//! A change of one lamp costs two additions, whoever else is in its circle.

use std::collections::BTreeMap;

use crate::settings::{EnclosureIx, Lamp, LampIx, Settings};

use super::{Peers, Sign, Tally};

/// The circles of one site.
#[derive(Clone, Debug, Default)]
pub(in crate::control) struct Circles {
    members: Vec<Vec<Member>>,
    tallies: Vec<Tally>,
}

/// One lamp, and where it is counted.
#[derive(Clone, Copy, Debug)]
struct Member {
    relay: Option<usize>,
    supply: usize,
    sign: Sign,
}

/// What makes a circle.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum Shared<'a> {
    /// Outputs that report on one topic are channels of one box.
    Relay(&'a str),
    CutOff(usize),
    Enclosure(usize),
}

impl Circles {
    pub(in crate::control) fn new(settings: &Settings) -> Circles {
        let mut known = BTreeMap::new();
        let mut number = |shared| {
            let next = known.len();
            *known.entry(shared).or_insert(next)
        };
        let mut member = |at: usize, lamp| -> Member {
            let lamp: &Lamp = lamp;
            Member {
                relay: lamp.output.state.as_deref().map(|state| number(Shared::Relay(state))),
                supply: number(lamp.cut_off.map_or(Shared::Enclosure(at), |cut_off| Shared::CutOff(cut_off.0))),
                sign: Sign::None,
            }
        };
        let mut members = Vec::with_capacity(settings.enclosures.len());
        for (at, enclosure) in settings.enclosures.iter().enumerate() {
            members.push(enclosure.lamps.iter().map(|lamp| member(at, lamp)).collect());
        }
        Circles { tallies: vec![Tally::default(); known.len()], members }
    }

    /// A lamp shows this from now on.
    pub(in crate::control) fn shows(&mut self, enclosure: EnclosureIx, LampIx(lamp): LampIx, sign: Sign) {
        let Some(member) = self.members.get_mut(enclosure.0).and_then(|lamps| lamps.get_mut(lamp)) else { return };
        let before = std::mem::replace(&mut member.sign, sign);
        for circle in member.relay.into_iter().chain([member.supply]) {
            let tally = &mut self.tallies[circle];
            *tally = added(less(*tally, before), sign);
        }
    }

    /// What the others in its circles show.
    pub(in crate::control) fn peers(&self, enclosure: EnclosureIx, LampIx(lamp): LampIx) -> Peers {
        let Some(member) = self.members.get(enclosure.0).and_then(|lamps| lamps.get(lamp)) else {
            return Peers::default();
        };
        let others = |circle: usize| less(self.tallies[circle], member.sign);
        Peers { relay: member.relay.map(others).unwrap_or_default(), supply: others(member.supply) }
    }
}

fn less(tally: Tally, sign: Sign) -> Tally {
    match sign {
        Sign::Lit => Tally { lit: tally.lit.saturating_sub(1), ..tally },
        Sign::Dark => Tally { dark: tally.dark.saturating_sub(1), ..tally },
        Sign::None => tally,
    }
}

fn added(tally: Tally, sign: Sign) -> Tally {
    match sign {
        Sign::Lit => Tally { lit: tally.lit.saturating_add(1), ..tally },
        Sign::Dark => Tally { dark: tally.dark.saturating_add(1), ..tally },
        Sign::None => tally,
    }
}
