//! The documents that the daemon publishes, and whether the broker keeps what the core says.
//!
//! State documents are written out where something may have changed that is judged here: after a switch or an alarm, and
//! for a while after every connection. In between they tell new readings alone, and writing them all would take longer
//! than the rest of the rehearsal.

use std::collections::BTreeMap;

use serde_json::Value;

use super::Run;
use crate::control::{AlarmKind, AlarmNotice, Event, Reason};
use crate::message::{self, topics};
use crate::settings::EnclosureIx;

/// A document is with the broker this long after what it tells, ms: the program publishes a change within a second.
const SHOWN_WITHIN: u64 = 2_000;
/// After a connection all documents agree within this, ms.
const AGREE_WITHIN: u64 = 5_000;
/// For this long after a connection every state document is written out, ms.
const WRITTEN_OUT: u64 = 60_000;
/// What has been judged is judged again for this long after something has changed, and then this often, ms.
const JUDGED_FOR: u64 = 90_000;
const JUDGED_EVERY: u64 = 3_600_000;

/// Lamps' wanted levels by name, and the names of alarms.
type Says = (BTreeMap<String, f64>, Vec<String>);

/// What the newest state document of an enclosure says.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Shown {
    /// When something it should tell last changed, ms.
    pub(super) changed: u64,
    /// Whether a document has been written since.
    written: bool,
    /// What the document says.
    says: Option<Says>,
}

impl Run<'_> {
    /// An alarm's document.
    pub(super) fn publish_alarm(&mut self, notice: &AlarmNotice) {
        if let Some(document) = message::alarm_document(self.settings, notice) {
            self.broker.document(document.topic, document.payload);
        }
        self.alarm_changed = self.now;
        if let Some(EnclosureIx(e)) = notice.enclosure {
            self.changed(EnclosureIx(e));
        }
    }

    /// Something has changed that an enclosure's state document must tell.
    pub(super) fn changed(&mut self, EnclosureIx(e): EnclosureIx) {
        (self.shown[e].changed, self.shown[e].written) = (self.now, false);
    }

    /// The core wants an enclosure's state document published.
    pub(super) fn publish_state(&mut self, EnclosureIx(e): EnclosureIx) {
        let connected = self.up_since.is_some_and(|since| self.now < since + WRITTEN_OUT);
        if self.shown[e].written && !connected {
            return;
        }
        let view = self.host.core.as_ref().and_then(|core| core.view(EnclosureIx(e)));
        let Some(document) = view.and_then(|view| message::state_document(self.settings, &view)) else { return };
        self.shown[e].written = true;
        self.shown[e].says = said(&document.payload);
        self.broker.document(document.topic, document.payload);
    }

    /// Judges that what the broker keeps of the daemon's documents agrees with what the core says.
    pub(super) fn judge_documents(&mut self) {
        let settled = self.up_since.is_some_and(|since| self.now >= since + AGREE_WITHIN);
        if !settled || !self.broker.is_connected() {
            self.disagree = None;
            return;
        }
        let changed = self.shown.iter().map(|shown| shown.changed).chain(self.up_since).max().unwrap_or(0);
        let is_due = self.now < changed.max(self.alarm_changed) + JUDGED_FOR || self.disagree.is_some();
        if !is_due && self.now < self.documents_judged + JUDGED_EVERY {
            return;
        }
        self.documents_judged = self.now;
        let wrong = self.document_that_disagrees();
        if let Some(text) = wrong.as_ref().filter(|_| self.disagree.is_none()) {
            self.violate("published", None, text.clone());
        }
        self.disagree = wrong;
    }

    fn document_that_disagrees(&self) -> Option<String> {
        let site = &self.settings.site.name;
        if self.broker.kept(&topics::status(site)) != Some(b"online") {
            return Some("the daemon is connected, and its status is not online".to_owned());
        }
        let prefix = topics::alarms(site);
        let kept = self.broker.kept_below(&prefix);
        let standing =
            self.sight.alarms.values().filter_map(|(notice, _)| message::alarm_document(self.settings, notice));
        let mut standing: Vec<_> = standing.map(|document| (document.topic, document.payload)).collect();
        standing.sort();
        if let Some((topic, _)) = standing.iter().find(|(topic, payload)| self.broker.kept(topic) != Some(payload)) {
            return Some(format!("{topic} is not as the alarm stands"));
        }
        if let Some(topic) = kept.into_iter().find(|topic| !standing.iter().any(|(known, _)| known == topic)) {
            return Some(format!("{topic} is kept by the broker, and no such alarm stands"));
        }
        (0..self.shown.len()).find_map(|e| self.state_that_disagrees(EnclosureIx(e)))
    }

    fn state_that_disagrees(&self, ix: EnclosureIx) -> Option<String> {
        let EnclosureIx(e) = ix;
        let shown = &self.shown[e];
        if self.now < shown.changed + SHOWN_WITHIN {
            return None;
        }
        let enclosure = &self.settings.enclosures[e];
        let topic = topics::state(&self.settings.site.name, &enclosure.id);
        let says = shown.says.as_ref().filter(|_| self.broker.kept(&topic).is_some());
        let Some((levels, alarms)) = says else { return Some(format!("{topic} is not there")) };
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            let level = levels.get(&lamp.name).copied().unwrap_or(f64::NAN);
            let decided = self.sight.enclosures[e].lamps[l].level;
            // Written so that a lamp that is missing disagrees.
            if !((decided.share() - level).abs() <= 0.001) {
                return Some(format!("{topic} says that {} is wanted {level}, and {decided} is decided", lamp.name));
            }
        }
        let standing = self.sight.alarms.keys().filter(|(whose, _)| *whose == Some(ix)).map(|(_, kind)| kind.name());
        let standing: Vec<_> = standing.collect();
        (standing != *alarms).then(|| format!("{topic} tells of {alarms:?}, and {standing:?} stand"))
    }

    /// Judges that reading the configuration again forgets nothing.
    pub(super) fn reload(&mut self) {
        // What time alone has ended was not forgotten.
        self.handle(Event::Tick);
        let moment = self.host.moment(self.now);
        let before = self.standing();
        let Some(core) = &mut self.host.core else { return };
        self.handled = self.now;
        let mut effects = core.farewell(self.settings);
        core.reload(moment, self.settings.clone(), &mut effects);
        for effect in effects {
            self.carry_out(effect);
        }
        self.obligations.reloaded(None);
        self.judge_opened();
        self.touched.extend((0..self.settings.enclosures.len()).map(EnclosureIx));
        self.judge_step(true);
        let after = self.standing();
        if let Some(lost) = before.iter().find(|known| !after.contains(known)) {
            self.violate(
                "reload-forgets",
                None,
                format!("the configuration is read again, and this is forgotten: {lost}"),
            );
        }
    }

    /// What a reload must not forget: latches and trips, overrides, alarms.
    fn standing(&self) -> Vec<String> {
        // That a configuration was refused is over with one that is not.
        let alarms = self.sight.alarms.values().filter(|(notice, _)| notice.kind != AlarmKind::ConfigRefused);
        let mut standing: Vec<_> = alarms.map(|(notice, _)| alarm_in_words(notice)).collect();
        let Some(core) = &self.host.core else { return standing };
        for (e, enclosure) in self.settings.enclosures.iter().enumerate() {
            let Some(view) = core.view(EnclosureIx(e)) else { continue };
            for (lamp, seen) in enclosure.lamps.iter().zip(view.lamps) {
                let name = format!("{}/{}", enclosure.id, lamp.name);
                if let Some(guard) = seen.interlock.filter(|guard| guard.state != "clear") {
                    standing.push(format!("the guard of {name} is {}: {}", guard.state, guard.why.unwrap_or_default()));
                }
                if seen.reason == Reason::Override.to_string() {
                    standing.push(format!("{name} is set to {} by hand", seen.wanted));
                }
            }
        }
        standing
    }
}

fn alarm_in_words(notice: &AlarmNotice) -> String {
    format!("alarm {} of {}", notice.kind, notice.subjects.join(", "))
}

/// Lamps' wanted levels and the names of alarms in a state document.
fn said(payload: &[u8]) -> Option<Says> {
    let document: Value = serde_json::from_slice(payload).ok()?;
    let lamps = document.get("lamps")?.as_object()?;
    let wanted = |(name, lamp): (&String, &Value)| Some((name.clone(), lamp.get("wanted")?.as_f64()?));
    let levels = lamps.iter().map(wanted).collect::<Option<_>>()?;
    let alarms = document.get("alarms")?.as_array()?;
    let alarms = alarms.iter().map(|name| name.as_str().map(str::to_owned)).collect::<Option<_>>()?;
    Some((levels, alarms))
}
