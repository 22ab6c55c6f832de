//! What a page plots: true and read values, levels, faults and alarms over the time of a story.

use crate::control::AlarmKind;
use crate::settings::{EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::simulator::World;

use super::sight::Sight;

/// Points of a curve at most: more than a page is wide.
const POINTS: u64 = 1500;

/// Curves and spans of one rehearsal.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// Each enclosure's curves.
    pub enclosures: Vec<Curves>,
    /// Faults: class and where, from, until, ms.
    pub faults: Vec<(String, u64, u64)>,
    /// Alarms: whose and kind, from, until, ms.
    pub alarms: Vec<(String, u64, u64)>,
}

/// Curves of one enclosure: name, and moments in ms with values; a break where there is none.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curves {
    /// What a person calls it.
    pub title: String,
    /// Temperatures, °C: of each probe what is true, then what was read.
    pub temperatures: Vec<Curve>,
    /// UVI, likewise.
    pub uvi: Vec<Curve>,
    /// Levels: of each lamp what it is told, 0..=1.
    pub levels: Vec<Curve>,
}

/// One curve.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Its name.
    pub name: String,
    /// Whether it is what was read and not what is true.
    pub is_read: bool,
    /// Moments in ms with values.
    pub points: Vec<(u64, Option<f64>)>,
}

/// Collects a trace.
#[derive(Debug)]
pub(super) struct Recorder {
    every: u64,
    due: u64,
    trace: Trace,
    /// Alarms that stand: whose, kind, since.
    standing: Vec<(Option<EnclosureIx>, AlarmKind, u64)>,
}

impl Recorder {
    /// A recorder for a story of `span` ms.
    pub(super) fn new(settings: &Settings, span: u64) -> Recorder {
        let curve = |name: &str, is_read| Curve { name: name.to_owned(), is_read, points: Vec::new() };
        let both = |of: Measures, enclosure: &crate::settings::Enclosure| {
            let probes = enclosure.probes.iter().filter(|probe| probe.measures == of);
            probes.flat_map(|probe| [curve(&probe.name, false), curve(&probe.name, true)]).collect()
        };
        let enclosures = settings.enclosures.iter().map(|enclosure| Curves {
            title: enclosure.title.clone(),
            temperatures: both(Measures::Temperature, enclosure),
            uvi: both(Measures::Uvi, enclosure),
            levels: enclosure.lamps.iter().map(|lamp| curve(&lamp.name, false)).collect(),
        });
        let trace = Trace { enclosures: enclosures.collect(), ..Trace::default() };
        Recorder { every: (span / POINTS).max(1000), due: 0, trace, standing: Vec::new() }
    }

    /// Takes a point where one is due.
    pub(super) fn look(&mut self, now: u64, settings: &Settings, sight: &Sight, world: &World) {
        self.follow_alarms(now, settings, sight);
        if now < self.due {
            return;
        }
        self.due = now + self.every;
        for (e, (enclosure, curves)) in settings.enclosures.iter().zip(&mut self.trace.enclosures).enumerate() {
            let ix = EnclosureIx(e);
            let (mut temperatures, mut uvi) = (curves.temperatures.iter_mut(), curves.uvi.iter_mut());
            for (p, probe) in enclosure.probes.iter().enumerate() {
                let pair = match probe.measures {
                    Measures::Temperature => temperatures.next().zip(temperatures.next()),
                    Measures::Uvi => uvi.next().zip(uvi.next()),
                    _ => None,
                };
                let Some((truth, read)) = pair else { continue };
                truth.points.push((now, world.truth(ix, ProbeIx(p))));
                let last = sight.enclosures[e].probes[p].last();
                let stale = u64::try_from(probe.stale.as_millis()).unwrap_or(u64::MAX / 2);
                read.points.push((now, last.filter(|(at, _)| now <= at + stale).map(|(_, value)| value)));
            }
            for (l, curve) in curves.levels.iter_mut().enumerate() {
                curve.points.push((now, Some(sight.lamp(ix, LampIx(l)).level.share())));
            }
        }
    }

    fn follow_alarms(&mut self, now: u64, settings: &Settings, sight: &Sight) {
        let standing = std::mem::take(&mut self.standing);
        for (whose, kind, since) in standing {
            if sight.alarms.contains_key(&(whose, kind)) {
                self.standing.push((whose, kind, since));
            } else {
                self.trace.alarms.push((words(settings, whose, kind), since, now));
            }
        }
        for (whose, kind) in sight.alarms.keys() {
            if !self.standing.iter().any(|(w, k, _)| w == whose && k == kind) {
                self.standing.push((*whose, *kind, now));
            }
        }
    }

    /// Adds a fault.
    pub(super) fn fault(&mut self, name: String, from: u64, until: u64) {
        self.trace.faults.push((name, from, until));
    }

    /// Everything up to `now`.
    pub(super) fn finish(mut self, now: u64, settings: &Settings) -> Trace {
        for (whose, kind, since) in std::mem::take(&mut self.standing) {
            self.trace.alarms.push((words(settings, whose, kind), since, now));
        }
        self.trace.alarms.sort_by_key(|(_, from, _)| *from);
        self.trace
    }
}

fn words(settings: &Settings, whose: Option<EnclosureIx>, kind: AlarmKind) -> String {
    let whose = whose.map_or("site", |e| settings.enclosures[e.0].id.as_str());
    format!("{whose} {kind}")
}
