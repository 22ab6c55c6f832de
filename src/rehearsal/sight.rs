//! What can be seen from outside: what the core has decided and announced, and what probes and outputs have told it.

use std::collections::BTreeMap;

use crate::control::{AlarmKind, AlarmNotice, OutputRef, Reason};
use crate::settings::{EnclosureIx, LampIx, ProbeIx, Settings};
use crate::units::Level;

/// What can be seen.
#[derive(Clone, Debug)]
pub(super) struct Sight {
    /// Alarms whose condition stands, as last announced, and since when, ms.
    pub alarms: BTreeMap<(Option<EnclosureIx>, AlarmKind), (AlarmNotice, u64)>,
    /// Each enclosure's lamps and probes.
    pub enclosures: Vec<Seen>,
    /// What each contactor last reported.
    pub cut_offs: Vec<Option<Level>>,
}

/// What can be seen of an enclosure.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    /// Lamps in the order of the settings.
    pub lamps: Vec<LampSeen>,
    /// Probes in the order of the settings.
    pub probes: Vec<ProbeSeen>,
}

/// What can be seen of a lamp.
#[derive(Clone, Debug)]
pub(super) struct LampSeen {
    /// The permitted level.
    pub level: Level,
    /// Why; none before the first decision of this daemon.
    pub reason: Option<Reason>,
    /// Since when, ms.
    pub since: u64,
    /// What its output last told the core, and when, ms.
    pub reported: Option<(Level, u64)>,
}

/// What can be seen of a probe.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct ProbeSeen {
    /// The last good reading that came to the core, with its moment in ms.
    pub last: Option<(u64, f64)>,
}

impl ProbeSeen {
    /// The newest good reading.
    pub(super) fn last(&self) -> Option<(u64, f64)> {
        self.last
    }
}

impl Sight {
    /// Nothing seen yet.
    pub(super) fn new(settings: &Settings) -> Sight {
        let lamp = LampSeen { level: Level::OFF, reason: None, since: 0, reported: None };
        let enclosures = settings.enclosures.iter().map(|enclosure| Seen {
            lamps: vec![lamp.clone(); enclosure.lamps.len()],
            probes: vec![ProbeSeen::default(); enclosure.probes.len()],
        });
        Sight {
            alarms: BTreeMap::new(),
            enclosures: enclosures.collect(),
            cut_offs: vec![None; settings.cut_offs.len()],
        }
    }

    /// The daemon is gone, and what it knew with it.
    pub(super) fn forget(&mut self, now: u64) {
        self.alarms.clear();
        for seen in &mut self.enclosures {
            for lamp in &mut seen.lamps {
                *lamp = LampSeen { level: Level::OFF, reason: None, since: now, reported: None };
            }
            seen.probes.iter_mut().for_each(|probe| *probe = ProbeSeen::default());
        }
        self.cut_offs.iter_mut().for_each(|report| *report = None);
    }

    /// An alarm is announced; whether it came or went just now.
    pub(super) fn announced(&mut self, now: u64, notice: &AlarmNotice) -> bool {
        let key = (notice.enclosure, notice.kind);
        if !notice.state.is_active() {
            return self.alarms.remove(&key).is_some();
        }
        match self.alarms.get_mut(&key) {
            Some((known, _)) => {
                known.clone_from(notice);
                false
            }
            None => {
                self.alarms.insert(key, (notice.clone(), now));
                true
            }
        }
    }

    /// A lamp has a new level.
    pub(super) fn switched(&mut self, now: u64, e: EnclosureIx, l: LampIx, level: Level, reason: Reason) {
        let lamp = &mut self.enclosures[e.0].lamps[l.0];
        (lamp.level, lamp.reason, lamp.since) = (level, Some(reason), now);
    }

    /// A good reading came to the core.
    pub(super) fn heard(&mut self, now: u64, e: EnclosureIx, p: ProbeIx, value: f64) {
        self.enclosures[e.0].probes[p.0].last = Some((now, value));
    }

    /// An output's report came to the core.
    pub(super) fn reported(&mut self, now: u64, output: OutputRef, level: Level) {
        match output {
            OutputRef::Lamp(e, l) => self.enclosures[e.0].lamps[l.0].reported = Some((level, now)),
            OutputRef::CutOff(c) => self.cut_offs[c.0] = Some(level),
        }
    }

    /// A lamp.
    pub(super) fn lamp(&self, e: EnclosureIx, l: LampIx) -> &LampSeen {
        &self.enclosures[e.0].lamps[l.0]
    }

    /// The kinds of alarms that stand for an enclosure, in their order.
    pub(super) fn alarms_of(&self, enclosure: EnclosureIx) -> impl Iterator<Item = AlarmKind> {
        self.alarms.keys().filter(move |(whose, _)| *whose == Some(enclosure)).map(|(_, kind)| *kind)
    }

    /// Whether an alarm of this kind stands for an enclosure.
    pub(super) fn has_alarm(&self, enclosure: Option<EnclosureIx>, kind: AlarmKind) -> bool {
        self.alarms.contains_key(&(enclosure, kind))
    }
}
