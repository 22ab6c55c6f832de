//! A relay or dimmer as it hangs on the broker: obeys its command topic, reports on its state topic, lets go after its
//! hold, and fails in its own ways.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::settings::{Output, OutputKind};
use crate::units::Level;

use super::condition::RelayCondition;
use super::fault::Switch;
use super::message::{Message, Payload, Source};
use super::words::{as_json, document, heard, plain};

/// Contacts that have welded, or are about to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Contacts {
    /// They open and close.
    #[default]
    Sound,
    /// They will weld when next closed.
    Doomed,
    /// They stay closed.
    Welded,
}

/// A relay or dimmer. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct RelayPlant {
    /// Which it is.
    switch: Switch,
    /// How it is spoken to.
    output: Output,
    /// Whether it is told by plain words, which differ.
    plain: bool,
    /// The topic it reports on.
    topic: Option<Arc<str>>,
    /// Its reports of off and of full, ready made.
    reports: [Arc<str>; 2],
    /// What it was last told.
    told: Level,
    /// When it lets go by itself.
    releases: Option<u64>,
    /// Commands it has heard and not yet obeyed, with when it will.
    waiting: VecDeque<(u64, String)>,
    /// Its contacts.
    contacts: Contacts,
    /// What comes through contacts that do not move.
    stuck: Level,
    /// What a frozen report says.
    reported: Level,
    /// Whether it has no power.
    dark: bool,
    /// What is wrong with it.
    condition: RelayCondition,
}

/// Most commands that wait in a slow relay; it hears no more.
const MOST_WAITING: usize = 64;

impl RelayPlant {
    /// An output with power, told `told` so far.
    pub fn new(output: &Output, told: Level, switch: Switch) -> RelayPlant {
        let plain = |on: &str, off: &str| on != off && !on.contains('{') && !off.contains('{');
        RelayPlant {
            switch,
            plain: matches!(&output.kind, OutputKind::Relay { on, off, .. } if plain(on, off)),
            topic: output.state.as_deref().map(Arc::from),
            reports: [Level::OFF, Level::FULL].map(|level| words(output, level).into()),
            output: output.clone(),
            told,
            releases: None,
            waiting: VecDeque::new(),
            contacts: Contacts::Sound,
            stuck: Level::OFF,
            reported: Level::OFF,
            dark: false,
            condition: RelayCondition::default(),
        }
    }

    /// Its command topic.
    pub fn topic(&self) -> &str {
        &self.output.set
    }

    /// Whether it has no power.
    pub fn is_dark(&self) -> bool {
        self.dark
    }

    /// Hears a command at `now`. Whether it obeyed at once; what it does not understand it ignores, as real ones do.
    pub fn command(&mut self, now: u64, payload: &str) -> bool {
        if self.dark || self.condition.deaf {
            return false;
        }
        // One after the other: a command never overtakes an earlier one that still waits.
        let due = now.saturating_add(self.condition.delay).max(self.waiting.back().map_or(0, |(at, _)| *at));
        if due > now {
            if self.waiting.len() < MOST_WAITING {
                self.waiting.push_back((due, payload.to_owned()));
            }
            return false;
        }
        self.obey(now, payload)
    }

    /// Does what a command says; whether it understood.
    fn obey(&mut self, now: u64, payload: &str) -> bool {
        let Some((level, hold)) = self.read(payload) else { return false };
        self.told = level;
        self.releases = if level.is_off() { None } else { hold.map(|ms| now.saturating_add(ms)) };
        self.weld();
        true
    }

    /// The level `payload` asks for, and for how many milliseconds.
    fn read(&self, payload: &str) -> Option<(Level, Option<u64>)> {
        let (template, off) = match &self.output.kind {
            // Most relays are told by plain words, for which no template need be read.
            OutputKind::Relay { on, .. } if self.plain && payload == on => return Some((Level::FULL, self.own_hold())),
            OutputKind::Relay { off, .. } if self.plain && payload == off => return Some((Level::OFF, None)),
            OutputKind::Relay { on, off, .. } => (on, off),
            OutputKind::Dimmer { level, off, .. } => (level, off),
        };
        if heard(off, payload).is_some() {
            return Some((Level::OFF, None));
        }
        let heard = heard(template, payload)?;
        let hold = heard.hold.map(|s| (s * 1000.0) as u64).or(self.own_hold());
        Some((heard.level.map_or(Level::FULL, Level::clamped), hold))
    }

    /// The hold it has of itself, ms.
    fn own_hold(&self) -> Option<u64> {
        self.output.hold.map(|hold| hold.as_millis() as u64)
    }

    /// Welds contacts that are doomed and closed.
    fn weld(&mut self) {
        if self.contacts == Contacts::Doomed && !self.told.is_off() && !self.dark {
            self.contacts = Contacts::Welded;
        }
    }

    /// Its condition is this from `now` on. A hold that failed to end in its time ends as soon as it can.
    pub fn suffer(&mut self, now: u64, condition: RelayCondition) {
        let before = std::mem::replace(&mut self.condition, condition);
        if before.hold_fails && !condition.hold_fails {
            self.releases = self.releases.map(|at| at.max(now));
        }
        if condition.lies && !before.lies {
            self.stuck = self.passes(before);
        }
        if condition.report_frozen && !before.report_frozen {
            self.reported = self.told;
        }
        if condition.welds != before.welds {
            self.contacts = if condition.welds { Contacts::Doomed } else { Contacts::Sound };
            self.weld();
        }
    }

    /// It loses its power, or gets it back and boots at `now`.
    pub fn set_dark(&mut self, now: u64, dark: bool) {
        if self.dark != dark {
            self.dark = dark;
            self.waiting.clear();
            self.releases = None;
            if !dark {
                self.boot(now);
            }
        }
    }

    /// It boots: off, or as it was where it resumes, with its own hold running anew. Without power it cannot.
    pub fn boot(&mut self, now: u64) {
        self.waiting.clear();
        self.releases = None;
        if self.condition.resumes && !self.told.is_off() {
            self.releases = self.own_hold().map(|ms| now.saturating_add(ms));
        } else {
            self.told = Level::OFF;
        }
        self.weld();
    }

    /// What it says when it has booted.
    pub fn greeting(&self) -> Option<Message> {
        if self.condition.boots_silently { None } else { self.report() }
    }

    /// When it does something by itself.
    pub fn next(&self) -> u64 {
        let releases = self.releases.filter(|_| !self.condition.hold_fails).unwrap_or(u64::MAX);
        releases.min(self.next_obeyed())
    }

    /// When it obeys a command that waits.
    pub fn next_obeyed(&self) -> u64 {
        self.waiting.front().map_or(u64::MAX, |(at, _)| *at)
    }

    /// Does what is due at `now`, in order, and appends its reports; whether anything was.
    pub fn pass(&mut self, now: u64, out: &mut Vec<Message>) -> bool {
        let mut did = false;
        while self.next() <= now {
            let first = self.waiting.front().map_or(u64::MAX, |(at, _)| *at);
            let understood = if self.releases.is_some_and(|at| at < first && !self.condition.hold_fails) {
                (self.releases, self.told) = (None, Level::OFF);
                true
            } else {
                self.waiting.pop_front().is_some_and(|(_, payload)| self.obey(now, &payload))
            };
            if !understood {
                continue;
            }
            out.extend(self.report());
            did = true;
        }
        did
    }

    /// What comes through its contacts.
    pub fn level(&self) -> Level {
        self.passes(self.condition)
    }

    /// What comes through its contacts in such a condition.
    fn passes(&self, condition: RelayCondition) -> Level {
        match self.contacts {
            Contacts::Welded => Level::FULL,
            _ if condition.stays_open || self.dark => Level::OFF,
            _ if condition.lies => self.stuck,
            _ => self.told,
        }
    }

    /// Its report. A relay knows its coil and not its contacts, so a welded one reports what it was told.
    pub fn report(&self) -> Option<Message> {
        let topic = self.topic.as_ref().filter(|_| !self.dark && !self.condition.mute)?;
        let level = if self.condition.report_frozen { self.reported } else { self.told };
        let text = match level {
            Level::OFF => Arc::clone(&self.reports[0]),
            Level::FULL => Arc::clone(&self.reports[1]),
            between => words(&self.output, between).into(),
        };
        Some(Message::new(topic, Payload::Text(text), Source::Switch(self.switch)))
    }
}

/// How an output reports a level.
fn words(output: &Output, level: Level) -> String {
    let word = match &output.kind {
        OutputKind::Relay { reports_off, .. } if level.is_off() => reports_off.clone(),
        OutputKind::Relay { reports_on, .. } => reports_on.clone(),
        OutputKind::Dimmer { full, .. } => plain(level.share() * full),
    };
    match &output.state_pointer {
        Some(pointer) => document([(pointer.as_str(), as_json(&word))]),
        None => word,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn relay(hold: Option<u64>, on: &str) -> RelayPlant {
        let kind = OutputKind::Relay {
            on: on.to_owned(),
            off: "OFF".to_owned(),
            reports_on: "closed".to_owned(),
            reports_off: "open".to_owned(),
        };
        let hold = hold.map(Duration::from_secs);
        let output = Output { set: "r/set".to_owned(), state: Some("r".to_owned()), state_pointer: None, kind, hold };
        RelayPlant::new(&output, Level::OFF, Switch::CutOff(crate::settings::CutOffIx(0)))
    }

    fn report(relay: &RelayPlant) -> String {
        relay.report().expect("it has a state topic").payload().into_owned()
    }

    #[test]
    fn it_obeys_the_configured_words_alone() {
        let mut relay = relay(None, "ON");
        for (payload, understood, level) in
            [("ON", true, Level::FULL), ("on", false, Level::FULL), ("OFF", true, Level::OFF), ("1", false, Level::OFF)]
        {
            assert_eq!((relay.command(0, payload), relay.level()), (understood, level), "{payload}");
        }
        relay.command(0, "ON");
        assert_eq!(report(&relay), "closed");
    }

    #[test]
    fn a_hold_ends_by_itself_and_is_refreshed() {
        let mut fixed = relay(Some(300), "ON");
        fixed.command(1000, "ON");
        assert_eq!(fixed.next(), 301_000);
        fixed.command(200_000, "ON");
        let mut said = Vec::new();
        assert!(!fixed.pass(301_000, &mut said), "refreshed");
        assert!(fixed.pass(500_000, &mut said));
        assert_eq!(said, [fixed.report().expect("it has a state topic")]);
        assert_eq!((fixed.level(), report(&fixed)), (Level::OFF, "open".to_owned()));
        let mut told = relay(Some(300), r#"{"for":{hold}}"#);
        told.command(0, r#"{"for":20}"#);
        assert_eq!(told.next(), 20_000, "the hold in the payload goes before the relay's own");
        told.command(1, "OFF");
        assert_eq!(told.next(), u64::MAX);
    }

    #[test]
    fn welded_contacts_stay_closed_and_the_relay_does_not_know() {
        let mut relay = relay(Some(10), "ON");
        relay.suffer(0, RelayCondition { welds: true, ..RelayCondition::default() });
        assert_eq!(relay.level(), Level::OFF, "open contacts do not weld");
        relay.command(0, "ON");
        relay.command(1, "OFF");
        assert_eq!((relay.level(), report(&relay)), (Level::FULL, "open".to_owned()));
        relay.suffer(0, RelayCondition::default());
        assert_eq!(relay.level(), Level::OFF);
    }

    #[test]
    fn a_slow_relay_obeys_in_order_even_when_it_gets_quick() {
        let mut relay = relay(None, "ON");
        relay.suffer(0, RelayCondition { delay: 2000, ..RelayCondition::default() });
        assert!(!relay.command(0, "ON"));
        assert_eq!((relay.next(), relay.level()), (2000, Level::OFF));
        relay.suffer(0, RelayCondition::default());
        assert!(!relay.command(500, "OFF"), "it waits behind the ON");
        let mut said = Vec::new();
        assert!(!relay.pass(1999, &mut said) && relay.pass(2000, &mut said));
        assert_eq!(said.iter().map(|m| m.payload().into_owned()).collect::<Vec<_>>(), ["closed", "open"]);
        assert!(relay.command(3000, "ON"), "and then it is quick");
    }

    #[test]
    fn a_liar_reports_what_it_was_told_and_keeps_its_contacts() {
        let mut relay = relay(None, "ON");
        relay.command(0, "ON");
        relay.suffer(0, RelayCondition { lies: true, ..RelayCondition::default() });
        assert!(relay.command(1, "OFF"));
        assert_eq!((relay.level(), report(&relay)), (Level::FULL, "open".to_owned()));
        relay.suffer(0, RelayCondition::default());
        assert_eq!(relay.level(), Level::OFF);
    }

    #[test]
    fn reports_freeze_or_are_lost_while_the_contacts_obey() {
        let mut relay = relay(None, "ON");
        relay.suffer(0, RelayCondition { report_frozen: true, ..RelayCondition::default() });
        relay.command(0, "ON");
        assert_eq!((relay.level(), report(&relay)), (Level::FULL, "open".to_owned()));
        relay.suffer(0, RelayCondition { mute: true, ..RelayCondition::default() });
        assert_eq!(relay.report(), None);
        relay.suffer(0, RelayCondition::default());
        assert_eq!(report(&relay), "closed");
    }

    #[test]
    fn a_boot_forgets_the_command_and_the_hold_unless_it_resumes() {
        let mut relay = relay(Some(10), "ON");
        relay.command(0, "ON");
        relay.set_dark(5000, true);
        assert_eq!((relay.level(), relay.report(), relay.next()), (Level::OFF, None, u64::MAX));
        assert!(!relay.command(6000, "ON"), "without power it hears nothing");
        relay.set_dark(7000, false);
        assert_eq!((relay.level(), relay.greeting().is_some()), (Level::OFF, true));
        relay.command(8000, "ON");
        relay.suffer(0, RelayCondition { resumes: true, boots_silently: true, ..RelayCondition::default() });
        relay.boot(9000);
        assert_eq!((relay.level(), relay.next(), relay.greeting()), (Level::FULL, 19_000, None));
    }

    #[test]
    fn a_failing_hold_ends_when_it_is_mended() {
        let mut relay = relay(Some(10), "ON");
        relay.suffer(0, RelayCondition { hold_fails: true, ..RelayCondition::default() });
        relay.command(0, "ON");
        assert!(!relay.pass(20_000, &mut Vec::new()) && relay.next() == u64::MAX);
        relay.suffer(20_000, RelayCondition::default());
        assert_eq!(relay.next(), 20_000, "it is due now, and not when it should have been");
        assert!(relay.pass(20_000, &mut Vec::new()) && relay.level().is_off());
    }

    #[test]
    fn contacts_that_stay_open_pass_nothing() {
        let mut relay = relay(None, "ON");
        relay.suffer(0, RelayCondition { stays_open: true, ..RelayCondition::default() });
        assert!(relay.command(0, "ON"));
        assert_eq!((relay.level(), report(&relay)), (Level::OFF, "closed".to_owned()));
        relay.suffer(0, RelayCondition { deaf: true, ..RelayCondition::default() });
        assert!(!relay.command(0, "OFF"));
        assert_eq!(relay.level(), Level::FULL);
    }

    #[test]
    fn dimmers_take_levels_and_report_in_their_own_scale() {
        let kind = OutputKind::Dimmer { level: "{percent}".to_owned(), off: "0".to_owned(), full: 255.0 };
        let output = Output {
            set: "d/set".to_owned(),
            state: Some("d".to_owned()),
            state_pointer: Some("/out/level".to_owned()),
            kind,
            hold: None,
        };
        let mut dimmer = RelayPlant::new(&output, Level::OFF, Switch::CutOff(crate::settings::CutOffIx(0)));
        assert!(dimmer.command(0, "40"));
        assert_eq!(dimmer.level(), Level::clamped(0.4));
        assert_eq!(report(&dimmer), r#"{"out":{"level":102}}"#);
        assert!(dimmer.command(0, "0") && dimmer.level().is_off());
    }
}
