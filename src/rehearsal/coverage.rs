//! What a rehearsal has reached: a story that never trips a guard proves nothing about it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::control::{AlarmKind, Reason};
use crate::guard::{Latch, Refusal};

use super::scenario::classes;

/// Counts by name.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Coverage {
    /// Faults that came, by class.
    pub faults: BTreeMap<&'static str, u64>,
    /// Times a guard was found in each state that holds a lamp off, and that lamps were let on.
    pub guards: BTreeMap<&'static str, u64>,
    /// Alarms raised, by kind.
    pub alarms: BTreeMap<&'static str, u64>,
}

/// Every state of a guard that can be told apart from outside.
pub const GUARD_STATES: [&str; 9] = [
    "clear",
    "unheard",
    "silent",
    "projected",
    "frozen",
    "tripped",
    "latched by its limit",
    "latched by three trips",
    "latched by the UV ceiling",
];

/// Names with their counts.
pub type Counts = Vec<(&'static str, u64)>;

impl Coverage {
    /// A fault has come.
    pub(super) fn fault(&mut self, class: &'static str) {
        *self.faults.entry(class).or_default() += 1;
    }

    /// An alarm was raised.
    pub(super) fn alarm(&mut self, kind: AlarmKind) {
        *self.alarms.entry(kind.name()).or_default() += 1;
    }

    /// The daemon has started, and so many guards have not heard from their probes.
    pub(super) fn unheard(&mut self, guards: u64) {
        if guards > 0 {
            *self.guards.entry("unheard").or_default() += guards;
        }
    }

    /// A lamp was switched for a reason.
    pub(super) fn switched(&mut self, is_off: bool, reason: &Reason) {
        let state = match reason {
            Reason::Guard(refusal) => match refusal {
                Refusal::Unheard { .. } => "unheard",
                Refusal::Silent { .. } => "silent",
                Refusal::Projected { .. } => "projected",
                Refusal::Frozen { .. } => "frozen",
                Refusal::Tripped { .. } => "tripped",
                Refusal::Latched(Latch::Limit { .. }) => "latched by its limit",
                Refusal::Latched(Latch::ThreeTrips) => "latched by three trips",
                Refusal::Latched(Latch::Ceiling { .. }) => "latched by the UV ceiling",
            },
            _ if !is_off => "clear",
            _ => return,
        };
        *self.guards.entry(state).or_default() += 1;
    }

    /// Adds another rehearsal's.
    pub fn add(&mut self, other: &Coverage) {
        let add = |own: &mut BTreeMap<&'static str, u64>, other: &BTreeMap<&'static str, u64>| {
            other.iter().for_each(|(name, count)| *own.entry(name).or_default() += count);
        };
        add(&mut self.faults, &other.faults);
        add(&mut self.guards, &other.guards);
        add(&mut self.alarms, &other.alarms);
    }

    /// Each kind of thing to reach: its title, what one of it is called, and every one there is with its count.
    pub fn rows(&self) -> [(&'static str, &'static str, Counts); 3] {
        fn all(names: impl Iterator<Item = &'static str>, counts: &BTreeMap<&'static str, u64>) -> Counts {
            names.map(|name| (name, counts.get(name).copied().unwrap_or(0))).collect()
        }
        let alarms = AlarmKind::ALL.iter().map(|kind| kind.name());
        [
            ("Faults", "class", all(classes(), &self.faults)),
            ("Guards", "state", all(GUARD_STATES.into_iter(), &self.guards)),
            ("Alarms", "kind", all(alarms, &self.alarms)),
        ]
    }

    /// Fault classes, guard states and kinds of alarm that were not reached.
    pub fn missing(&self) -> Vec<&'static str> {
        let rows = self.rows().into_iter().flat_map(|(_, _, rows)| rows);
        rows.filter(|(_, count)| *count == 0).map(|(name, _)| name).collect()
    }

    /// The table as text, what was not reached at its end.
    pub fn table(&self) -> String {
        let mut text = String::new();
        for (title, _, rows) in self.rows() {
            let reached: Vec<_> = rows.iter().filter(|(_, count)| *count > 0).collect();
            let _ = writeln!(text, "{title}: {} of {} reached", reached.len(), rows.len());
            reached.into_iter().for_each(|(name, count)| _ = writeln!(text, "  {name:<28} {count:>8}"));
        }
        let missing = self.missing();
        if !missing.is_empty() {
            let _ = writeln!(text, "not reached: {}", missing.join(", "));
        }
        text
    }
}
