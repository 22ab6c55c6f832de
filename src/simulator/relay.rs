//! A relay or dimmer as it hangs on the broker: obeys its command topic, reports on its state topic, lets go after its
//! hold, and fails in its own ways.

use crate::settings::{Output, OutputKind};
use crate::units::Level;

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
    /// What it was last told, which is also what it reports.
    told: Level,
    /// When it lets go by itself.
    releases: Option<u64>,
    /// Its contacts.
    contacts: Contacts,
    /// Whether it hears nothing.
    deaf: bool,
}

impl RelayPlant {
    /// An output with voltage, told `told` so far.
    pub fn new(output: &Output, told: Level, switch: Switch) -> RelayPlant {
        RelayPlant { switch, output: output.clone(), told, releases: None, contacts: Contacts::Sound, deaf: false }
    }

    /// Takes a command at `now`. Whether it understood; what it does not understand it ignores, as real ones do.
    pub fn command(&mut self, now: u64, payload: &str) -> bool {
        if self.deaf {
            return false;
        }
        let Some((level, hold)) = self.read(payload) else { return false };
        self.told = level;
        self.releases = if level.is_off() { None } else { hold.map(|ms| now.saturating_add(ms)) };
        self.weld();
        true
    }

    /// The level `payload` asks for, and for how many milliseconds.
    fn read(&self, payload: &str) -> Option<(Level, Option<u64>)> {
        let (template, off) = match &self.output.kind {
            OutputKind::Relay { on, off, .. } => (on, off),
            OutputKind::Dimmer { level, off, .. } => (level, off),
        };
        if heard(off, payload).is_some() {
            return Some((Level::OFF, None));
        }
        let heard = heard(template, payload)?;
        let hold = heard.hold.map(|s| (s * 1000.0) as u64).or(self.output.hold.map(|h| h.as_millis() as u64));
        Some((heard.level.map_or(Level::FULL, Level::clamped), hold))
    }

    /// Welds contacts that are doomed and closed.
    fn weld(&mut self) {
        if self.contacts == Contacts::Doomed && !self.told.is_off() {
            self.contacts = Contacts::Welded;
        }
    }

    /// Its contacts weld now where closed, else when next closed; or they are replaced.
    pub fn set_welded(&mut self, welded: bool) {
        self.contacts = if welded { Contacts::Doomed } else { Contacts::Sound };
        self.weld();
    }

    /// It hears nothing, or hears again.
    pub fn set_deaf(&mut self, deaf: bool) {
        self.deaf = deaf;
    }

    /// When it lets go by itself.
    pub fn releases(&self) -> Option<u64> {
        self.releases
    }

    /// Lets go where its hold has ended at `now`; whether it did.
    pub fn pass(&mut self, now: u64) -> bool {
        if self.releases.is_none_or(|at| at > now) {
            return false;
        }
        (self.releases, self.told) = (None, Level::OFF);
        true
    }

    /// What comes through its contacts.
    pub fn level(&self) -> Level {
        if self.contacts == Contacts::Welded { Level::FULL } else { self.told }
    }

    /// Its report. A relay knows its coil and not its contacts, so a welded one reports what it was told.
    pub fn report(&self) -> Option<Message> {
        let topic = self.output.state.clone()?;
        let word = match &self.output.kind {
            OutputKind::Relay { reports_on, reports_off, .. } => {
                if self.told.is_off() {
                    reports_off.clone()
                } else {
                    reports_on.clone()
                }
            }
            OutputKind::Dimmer { full, .. } => plain(self.told.share() * full),
        };
        let payload = match &self.output.state_pointer {
            Some(pointer) => document([(pointer.as_str(), as_json(&word))]),
            None => word,
        };
        Some(Message::new(&topic.into(), Payload::Text(payload.into()), Source::Switch(self.switch)))
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
        assert_eq!(fixed.releases(), Some(301_000));
        fixed.command(200_000, "ON");
        assert!(!fixed.pass(301_000), "refreshed");
        assert!(fixed.pass(500_000));
        assert_eq!((fixed.level(), report(&fixed)), (Level::OFF, "open".to_owned()));
        let mut told = relay(Some(300), r#"{"for":{hold}}"#);
        told.command(0, r#"{"for":20}"#);
        assert_eq!(told.releases(), Some(20_000), "the hold in the payload goes before the relay's own");
        told.command(1, "OFF");
        assert_eq!(told.releases(), None);
    }

    #[test]
    fn welded_contacts_stay_closed_and_the_relay_does_not_know() {
        let mut relay = relay(Some(10), "ON");
        relay.set_welded(true);
        assert_eq!(relay.level(), Level::OFF, "open contacts do not weld");
        relay.command(0, "ON");
        relay.command(1, "OFF");
        assert_eq!((relay.level(), report(&relay)), (Level::FULL, "open".to_owned()));
        relay.set_welded(false);
        assert_eq!(relay.level(), Level::OFF);
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
