//! Which enclosure wants to be looked at when.

use std::collections::BTreeSet;

use crate::settings::EnclosureIx;
use crate::time::Mono;

/// Enclosures by their deadlines: setting one and taking the next both cost the logarithm of their number.
#[derive(Clone, Debug)]
pub(super) struct Agenda {
    by_time: BTreeSet<(Mono, EnclosureIx)>,
    due: Vec<Option<Mono>>,
}

impl Agenda {
    pub(super) fn new(enclosures: usize) -> Agenda {
        Agenda { by_time: BTreeSet::new(), due: vec![None; enclosures] }
    }

    /// Sets the one deadline of an enclosure.
    pub(super) fn set(&mut self, enclosure: EnclosureIx, due: Option<Mono>) {
        let Some(slot) = self.due.get_mut(enclosure.0) else { return };
        if *slot == due {
            return;
        }
        if let Some(before) = slot.take() {
            self.by_time.remove(&(before, enclosure));
        }
        if let Some(due) = due {
            self.by_time.insert((due, enclosure));
        }
        *slot = due;
    }

    /// Sets the deadline of several enclosures.
    pub(super) fn set_all(&mut self, enclosures: impl IntoIterator<Item = EnclosureIx>, due: Mono) {
        for enclosure in enclosures {
            self.set(enclosure, Some(due));
        }
    }

    /// Takes one enclosure whose deadline has come.
    pub(super) fn pop_due(&mut self, now: Mono) -> Option<EnclosureIx> {
        let &(due, enclosure) = self.by_time.first()?;
        if due > now {
            return None;
        }
        self.set(enclosure, None);
        Some(enclosure)
    }

    /// The soonest deadline of all.
    pub(super) fn soonest(&self) -> Option<Mono> {
        self.by_time.first().map(|&(due, _)| due)
    }
}
