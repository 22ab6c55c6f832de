//! Which of many parts has something to do next.

/// A tournament over moments: the earliest stands on top, and a change costs the height of the tree. Nothing allocates
/// after the beginning.
#[derive(Clone, Debug)]
pub(super) struct Agenda {
    /// When each has something to do next, filled up to a power of two.
    due: Vec<u64>,
    /// The winner of each match: node `i` is played by nodes `2i` and `2i + 1`; the upper half is the parts themselves.
    winners: Vec<usize>,
}

impl Agenda {
    /// The agenda of parts that are due at these moments.
    pub fn new(mut due: Vec<u64>) -> Agenda {
        let width = due.len().next_power_of_two();
        due.resize(width, u64::MAX);
        let mut winners = vec![0; 2 * width];
        (0..width).for_each(|part| winners[width + part] = part);
        let mut agenda = Agenda { due, winners };
        (1..width).rev().for_each(|node| agenda.play(node));
        agenda
    }

    /// Plays the match of one node. At one moment the lower number goes first.
    fn play(&mut self, node: usize) {
        let (a, b) = (self.winners[2 * node], self.winners[2 * node + 1]);
        self.winners[node] = if self.due[b] < self.due[a] { b } else { a };
    }

    /// The earliest moment, and whose it is.
    pub fn first(&self) -> (u64, usize) {
        let part = self.winners[1];
        (self.due[part], part)
    }

    /// Up to and at which moment the first alone has its turn: until the next one's, at which the lower number goes
    /// first.
    pub fn runner_up(&self) -> u64 {
        let first = self.winners[1];
        let (mut node, mut until) = (self.due.len() + first, u64::MAX);
        while node > 1 {
            let other = self.winners[node ^ 1];
            until = until.min(if other < first { self.due[other].saturating_sub(1) } else { self.due[other] });
            node /= 2;
        }
        until
    }

    /// Part number `part` is due at `at` instead.
    pub fn set(&mut self, part: usize, at: u64) {
        self.due[part] = at;
        let mut node = (self.due.len() + part) / 2;
        while node > 0 {
            self.play(node);
            node /= 2;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_first_is_the_earliest_and_of_those_the_lowest(
            due in proptest::collection::vec(0..9_u64, 1..20),
            changes in proptest::collection::vec((0..20_usize, 0..9_u64), 0..40),
        ) {
            let mut due = due;
            let mut agenda = Agenda::new(due.clone());
            for (part, at) in changes {
                let part = part % due.len();
                due[part] = at;
                agenda.set(part, at);
                let expected = due.iter().enumerate().map(|(part, at)| (*at, part)).min();
                prop_assert_eq!(Some(agenda.first()), expected);
                // As long as the runner-up's turn has not come, the first stays first.
                let (first, until) = (agenda.first().1, agenda.runner_up());
                for (later, stays) in [(until, true), (until.saturating_add(1), until == u64::MAX)] {
                    let mut agenda = agenda.clone();
                    agenda.set(first, later);
                    prop_assert!((agenda.first().1 == first) == stays || due.len() == 1);
                }
            }
        }
    }

    #[test]
    fn nobody_is_never_due() {
        assert_eq!(Agenda::new(Vec::new()).first().0, u64::MAX);
    }
}
