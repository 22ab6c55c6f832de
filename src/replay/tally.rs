//! What a replay came to.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::{AlarmKind, OutputRef};
use crate::settings::{EnclosureIx, Settings};
use crate::time::spoken;

use super::words::{local, place};
use super::{Happening, News};

/// Distinct unknown topics that are kept by name, so that a recording of a whole broker cannot fill the memory.
const TOPICS_NAMED_MAX: usize = 1000;
/// How many of those are shown.
const TOPICS_SHOWN: usize = 10;

/// Something that begins and ends.
#[derive(Clone, Debug, Default)]
struct Spell {
    since: Option<DateTime<Utc>>,
    total: TimeDelta,
    /// How often it began.
    begun: u64,
    /// How often it began, changed or ended.
    changes: u64,
}

impl Spell {
    fn set(&mut self, at: DateTime<Utc>, is_on: bool) {
        self.changes += 1;
        match (is_on, self.since) {
            (true, None) => {
                self.since = Some(at);
                self.begun += 1;
            }
            (false, Some(since)) => {
                self.total += at - since;
                self.since = None;
            }
            _ => {}
        }
    }

    fn total(&self, end: DateTime<Utc>) -> TimeDelta {
        self.total + self.since.map_or(TimeDelta::zero(), |since| end - since)
    }
}

/// What a replay came to.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// First and last time; none where nothing could be played.
    pub span: Option<(DateTime<Utc>, DateTime<Utc>)>,
    /// Messages played.
    pub messages: u64,
    /// Those on topics that the configuration does not know.
    pub unknown: u64,
    /// Meter readings and lamp changes.
    pub acts: u64,
    /// Lines that were wrong.
    pub findings: u64,
    topics: BTreeMap<String, u64>,
    outputs: BTreeMap<OutputRef, Spell>,
    alarms: BTreeMap<(Option<EnclosureIx>, AlarmKind), Spell>,
}

impl Summary {
    pub(super) fn happened(&mut self, happening: &Happening) {
        match &happening.news {
            News::Relay { output, level, .. } => {
                self.outputs.entry(*output).or_default().set(happening.at, !level.is_off());
            }
            News::Alarm { raised, notice } => {
                self.alarms.entry((notice.enclosure, notice.kind)).or_default().set(happening.at, *raised);
            }
        }
    }

    pub(super) fn unknown_topic(&mut self, topic: &str) {
        self.unknown += 1;
        if let Some(count) = self.topics.get_mut(topic) {
            *count += 1;
        } else if self.topics.len() < TOPICS_NAMED_MAX {
            self.topics.insert(topic.to_owned(), 1);
        }
    }

    /// Whether the recording speaks of another room altogether.
    pub fn is_all_unknown(&self) -> bool {
        self.messages > 0 && self.unknown == self.messages
    }

    /// Whether anything was wrong with the recording.
    pub fn has_findings(&self) -> bool {
        self.findings > 0 || self.is_all_unknown()
    }

    /// What a person must know of how the recording was taken, a sentence each.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        if self.span.is_none() {
            remarks.push("nothing in this recording can be played".to_owned());
        }
        if self.unknown > 0 {
            let mut topics: Vec<_> = self.topics.iter().collect();
            // The sort is stable: those as frequent stay in their order.
            topics.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
            let named: Vec<_> = topics.iter().take(TOPICS_SHOWN).map(|(topic, n)| format!("{topic:?} ({n})")).collect();
            let more = if topics.len() > TOPICS_SHOWN { " and more" } else { "" };
            let (unknown, messages, named) = (self.unknown, self.messages, named.join(", "));
            remarks.push(format!(
                "{unknown} of {messages} messages are on topics that this configuration does not know: {named}{more}"
            ));
        }
        remarks
    }

    /// For people: the span, each lamp and each alarm. `settings` are those of the replay.
    pub fn plain(&self, settings: &Settings) -> String {
        let Some((start, end)) = self.span else { return String::new() };
        let zone = settings.site.timezone;
        let lasted = |span: TimeDelta| spoken(span.to_std().unwrap_or_default());
        let mut text = format!(
            "\n{} to {}: {}, {} messages\n\n",
            local(start, zone),
            local(end, zone),
            lasted(end - start),
            self.messages
        );
        let nothing = Spell::default();
        // Writing to a string cannot fail.
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for (l, lamp) in enclosure.lamps.iter().enumerate() {
                let output = OutputRef::Lamp(EnclosureIx(e), crate::settings::LampIx(l));
                let spell = self.outputs.get(&output).unwrap_or(&nothing);
                let hours = spell.total(end).num_seconds() as f64 / 3600.0;
                let (id, name, changes) = (&enclosure.id, &lamp.name, spell.changes);
                let _ = writeln!(text, "{id}/{name}: on for {hours:.1} h, {changes} changes of level");
            }
        }
        for (c, cut_off) in settings.cut_offs.iter().enumerate() {
            let output = OutputRef::CutOff(crate::settings::CutOffIx(c));
            if self.outputs.contains_key(&output) {
                let _ = writeln!(text, "cut-off {} was opened", cut_off.name);
            }
        }
        if self.alarms.is_empty() {
            text.push_str("no alarms\n");
        }
        for (&(enclosure, kind), spell) in &self.alarms {
            let (place, times) = (place(settings, enclosure), spell.begun);
            let stands = if spell.since.is_some() { ", and stands at the end" } else { "" };
            let total = lasted(spell.total(end));
            let _ = writeln!(text, "{place} {kind}: raised {times} times, for {total} in all{stands}");
        }
        text
    }
}
