//! Which enclosure wants to be looked at when.

use crate::settings::EnclosureIx;
use crate::time::Mono;

/// Enclosures by their deadlines: a tournament, so that setting one costs the logarithm of their number, asking for the
/// soonest costs nothing, and nothing allocates after the beginning.
#[derive(Clone, Debug)]
pub(super) struct Agenda {
    /// When each is due, filled up to a power of two; [`Mono::END`] where never.
    due: Vec<Mono>,
    /// The winner of each match: node `i` is played by nodes `2i` and `2i + 1`; the upper half is the enclosures themselves.
    winners: Vec<u32>,
}

impl Agenda {
    pub(super) fn new(enclosures: usize) -> Agenda {
        let width = enclosures.next_power_of_two();
        let mut winners = vec![0; 2 * width];
        for (node, winner) in (0..).zip(&mut winners[width..]) {
            *winner = node;
        }
        let mut agenda = Agenda { due: vec![Mono::END; width], winners };
        (1..width).rev().for_each(|node| agenda.play(node));
        agenda
    }

    /// Plays the match of one node. Of those due at one moment the lower number goes first.
    fn play(&mut self, node: usize) {
        let (a, b) = (self.winners[2 * node], self.winners[2 * node + 1]);
        self.winners[node] = if self.due[b as usize] < self.due[a as usize] { b } else { a };
    }

    /// Sets the one deadline of an enclosure; [`Mono::END`] is none.
    pub(super) fn set(&mut self, enclosure: EnclosureIx, due: Mono) {
        let Some(slot) = self.due.get_mut(enclosure.0) else { return };
        if *slot == due {
            return;
        }
        *slot = due;
        let mut node = (self.due.len() + enclosure.0) / 2;
        while node > 0 {
            self.play(node);
            node /= 2;
        }
    }

    /// An enclosure is due at `due`, unless it is sooner.
    pub(super) fn bring_forward(&mut self, enclosure: EnclosureIx, due: Mono) {
        if self.due.get(enclosure.0).is_some_and(|known| due < *known) {
            self.set(enclosure, due);
        }
    }

    /// The soonest deadline of all, and whose it is; [`Mono::END`] where there is none.
    pub(super) fn soonest(&self) -> (Mono, EnclosureIx) {
        let first = self.winners[1] as usize;
        (self.due[first], EnclosureIx(first))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_soonest_is_the_earliest_and_of_those_the_first(
            many in 1..20_usize,
            changes in proptest::collection::vec((0..20_usize, 0..9_u64), 0..40),
        ) {
            let mut due = vec![Mono::END; many];
            let mut agenda = Agenda::new(many);
            for (ix, at) in changes.into_iter().filter(|(ix, _)| *ix < many) {
                due[ix] = if at == 0 { Mono::END } else { Mono::from_secs(at) };
                agenda.set(EnclosureIx(ix), due[ix]);
                let expected = due.iter().enumerate().map(|(ix, at)| (*at, EnclosureIx(ix))).min();
                prop_assert_eq!(Some(agenda.soonest()), expected);
            }
        }
    }

    #[test]
    fn nobody_is_never_due() {
        assert_eq!(Agenda::new(0).soonest().0, Mono::END);
        assert_eq!(Agenda::new(3).soonest().0, Mono::END);
    }
}
