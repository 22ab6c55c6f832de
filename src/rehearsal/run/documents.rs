//! The documents that the daemon publishes, and whether the broker keeps what the core says.
//!
//! State documents are written out where something may have changed that is judged here: after a switch or an alarm, and
//! for a while after every connection. In between they tell new readings alone, and writing them all would take longer
//! than the rest of the rehearsal. In long stories most of those written are no more than what a document would say of
//! lamps and alarms, straight from the core; now and then one goes the whole way.

use serde_json::Value;

use super::Run;
use crate::control::{AlarmKind, AlarmNotice, Event, Reason};
use crate::message::{self, topics};
use crate::settings::{Enclosure, EnclosureIx, Lamp, Settings};

/// A document is with the broker this long after what it tells, ms: the program publishes a change within a second.
const SHOWN_WITHIN: u64 = 2_000;
/// After a connection all documents agree within this, ms.
const AGREE_WITHIN: u64 = 5_000;
/// For this long after a connection every state document is written out, ms.
const WRITTEN_OUT: u64 = 60_000;
/// They are judged until they have been this long after the last change, ms, and then this often.
const JUDGED_AFTER: u64 = 5_000;
const JUDGED_EVERY: u64 = 6 * 3_600_000;
/// So many documents are written out whatever they tell, and of those after them one in so many.
const ALL_OF: u64 = 500;
const ONE_IN: u64 = 1000;

/// Lamps' wanted levels in the order of the settings, not a number where one is missing; and the names of alarms.
type Says = (Vec<f64>, Vec<String>);

/// The daemon's topics, made once.
#[derive(Debug)]
pub(super) struct Topics {
    status: String,
    alarms: String,
    states: Vec<String>,
}

impl Topics {
    pub(super) fn new(settings: &Settings) -> Topics {
        let site = &settings.site.name;
        let states = settings.enclosures.iter().map(|enclosure| topics::state(site, &enclosure.id));
        Topics { status: topics::status(site), alarms: topics::alarms(site), states: states.collect() }
    }
}

/// What the newest state document of an enclosure says.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Shown {
    /// When something it should tell last changed, ms.
    pub(super) changed: u64,
    /// Whether a document has been written since.
    written: bool,
    /// What the document says.
    says: Option<Says>,
    /// When it was written it agreed with what is decided, and nothing that it tells has changed since.
    agrees: bool,
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
        let shown = &mut self.shown[e];
        (shown.changed, shown.written, shown.agrees) = (self.now, false, false);
    }

    /// The core wants an enclosure's state document published.
    pub(super) fn publish_state(&mut self, EnclosureIx(e): EnclosureIx) {
        let connected = self.up_since.is_some_and(|since| self.now < since + WRITTEN_OUT);
        if self.shown[e].written && !connected {
            return;
        }
        self.documents += 1;
        let is_known = self.shown[e].says.is_some() && !connected && !self.options.whole_way;
        let in_short = is_known && self.documents > ALL_OF && !self.documents.is_multiple_of(ONE_IN);
        let Some(core) = &self.host.core else { return };
        self.shown[e].written = true;
        if in_short {
            let Some((levels, alarms)) = core.outline(EnclosureIx(e)) else { return };
            let shown = &mut self.shown[e];
            let says = shown.says.get_or_insert_default();
            says.0.clear();
            says.0.extend(levels.map(|level| level.share()));
            let told = says.1.iter().map(String::as_str);
            if !alarms.map(AlarmKind::name).eq(told) {
                let alarms = core.outline(EnclosureIx(e)).into_iter().flat_map(|(_, alarms)| alarms);
                says.1 = alarms.map(|kind| kind.name().to_owned()).collect();
            }
            let decided = self.sight.enclosures[e].lamps.iter().map(|lamp| lamp.level.share());
            let stand = self.sight.alarms_of(EnclosureIx(e)).map(AlarmKind::name);
            shown.agrees = decided.eq(says.0.iter().copied()) && stand.eq(says.1.iter().map(String::as_str));
            return;
        }
        let view = core.view(EnclosureIx(e));
        let Some(document) = view.and_then(|view| message::state_document(self.settings, &view)) else { return };
        self.shown[e].agrees = false;
        self.shown[e].says = said(&document.payload, &self.settings.enclosures[e]);
        self.broker.document(document.topic, document.payload);
    }

    /// Until when documents need not be judged, as long as nothing changes.
    pub(super) fn documents_agree_until(&self) -> u64 {
        if self.disagree.is_some() || self.documents_judged < self.documents_changed() + JUDGED_AFTER {
            return self.now;
        }
        self.documents_judged + JUDGED_EVERY
    }

    /// When anything last changed that a document tells.
    fn documents_changed(&self) -> u64 {
        let open = self.shown.iter().filter(|shown| !shown.agrees);
        let changed = open.map(|shown| shown.changed).chain(self.up_since);
        changed.fold(self.alarm_changed, u64::max)
    }

    /// Judges that what the broker keeps of the daemon's documents agrees with what the core says.
    pub(super) fn judge_documents(&mut self) {
        let settled = self.up_since.is_some_and(|since| self.now >= since + AGREE_WITHIN);
        if !settled || !self.broker.is_connected() {
            self.disagree = None;
            return;
        }
        if self.documents_agree_until() > self.now {
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
        if self.broker.kept(&self.topics.status) != Some(b"online") {
            return Some("the daemon is connected, and its status is not online".to_owned());
        }
        let kept = self.broker.kept_below(&self.topics.alarms);
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
        let topic = &self.topics.states[e];
        let says = shown.says.as_ref().filter(|_| self.broker.kept(topic).is_some());
        let Some((levels, alarms)) = says else { return Some(format!("{topic} is not there")) };
        if shown.agrees {
            return None;
        }
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            let level = levels.get(l).copied().unwrap_or(f64::NAN);
            let decided = self.sight.enclosures[e].lamps[l].level;
            // Written so that a lamp that is missing disagrees.
            if !((decided.share() - level).abs() <= 0.001) {
                return Some(format!("{topic} says that {} is wanted {level}, and {decided} is decided", lamp.name));
            }
        }
        let standing: Vec<_> = self.sight.alarms_of(ix).map(AlarmKind::name).collect();
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

/// The wanted levels of an enclosure's lamps and the names of alarms in a state document.
fn said(payload: &[u8], enclosure: &Enclosure) -> Option<Says> {
    let document: Value = serde_json::from_slice(payload).ok()?;
    let lamps = document.get("lamps")?.as_object()?;
    let wanted = |lamp: &Lamp| lamps.get(&lamp.name).map_or(Some(f64::NAN), |lamp| lamp.get("wanted")?.as_f64());
    let levels = enclosure.lamps.iter().map(wanted).collect::<Option<_>>()?;
    let alarms = document.get("alarms")?.as_array()?;
    let alarms = alarms.iter().map(|name| name.as_str().map(str::to_owned)).collect::<Option<_>>()?;
    Some((levels, alarms))
}
