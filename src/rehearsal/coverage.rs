//! What a rehearsal has reached: a story that never trips a guard proves nothing about it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::control::{Act, AlarmKind, Reason};
use crate::guard::{Latch, Refusal};

use super::obligation::OWED;
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
    /// What the keeper did.
    pub acts: BTreeMap<&'static str, u64>,
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

/// What a keeper can do, as [`Coverage::acts`] counts it.
const ACTS: [&str; 7] =
    ["acknowledge", "reset", "reset-cut-off", "override", "override ended", "meter-reading", "lamp-change"];

/// Title of the table of faults, the only one whose rows owe anything.
pub(super) const FAULTS: &str = "Faults";

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

    /// The keeper has done something.
    pub(super) fn act(&mut self, act: &Act) {
        let name = match act {
            Act::Acknowledge { .. } => "acknowledge",
            Act::Reset { .. } => "reset",
            Act::ResetCutOff { .. } => "reset-cut-off",
            Act::Override { level: Some(_), .. } => "override",
            Act::Override { level: None, .. } => "override ended",
            Act::MeterReading { .. } => "meter-reading",
            Act::LateReading { .. } => "late reading",
            Act::LampChange { .. } => "lamp-change",
            Act::Shelve { .. } => "shelve",
            Act::Unshelve { .. } => "unshelve",
            Act::Service { .. } => "service",
        };
        *self.acts.entry(name).or_default() += 1;
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
        add(&mut self.acts, &other.acts);
    }

    /// Each kind of thing to reach: its title, what one of it is called, and every one there is with its count.
    pub fn rows(&self) -> [(&'static str, &'static str, Counts); 4] {
        fn all(names: impl Iterator<Item = &'static str>, counts: &BTreeMap<&'static str, u64>) -> Counts {
            names.map(|name| (name, counts.get(name).copied().unwrap_or(0))).collect()
        }
        let alarms = AlarmKind::ALL.iter().map(|kind| kind.name());
        [
            (FAULTS, "class", all(classes(), &self.faults)),
            ("Guards", "state", all(GUARD_STATES.into_iter(), &self.guards)),
            ("Alarms", "kind", all(alarms, &self.alarms)),
            ("Acts", "of the keeper", all(ACTS.into_iter(), &self.acts)),
        ]
    }

    /// Fault classes, guard states, kinds of alarm and acts that were not reached.
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
            for (name, count) in reached {
                let owes = owes(name).filter(|_| title == FAULTS).map_or(String::new(), |owed| format!("  {owed}"));
                let _ = writeln!(text, "  {name:<28} {count:>8}{owes}");
            }
        }
        let missing = self.missing();
        if !missing.is_empty() {
            let _ = writeln!(text, "not reached: {}", missing.join(", "));
        }
        text
    }
}

/// What a class of faults owes, in words: by which rules it is judged and within which time; none for what is no class.
pub(super) fn owes(class: &str) -> Option<String> {
    let owed = OWED.iter().find(|owed| owed.class == class)?;
    let rules = if owed.rules.is_empty() { String::new() } else { format!("{}: ", owed.rules.join(", ")) };
    Some(format!("{rules}{}", owed.what))
}
