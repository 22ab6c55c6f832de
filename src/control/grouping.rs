//! Consequences under their cause: the broker lost, the site's power or network, a circuit, a relay box.
//!
//! What falls silent or dark at once has mostly one cause, and four hundred messages hide it. So a cause is told as one
//! alarm, and what came with it is marked as its consequence. Work for one alarm does not grow with the site, but for the
//! few that come before a cause is found.
//!
//! | supply | by what it is found | how many | ends |
//! |---|---|---|---|
//! | the broker | the connection | | 2 min after the connection is back |
//! | the site | probes silent, relays deaf, lamps dark | a quarter of the enclosures, 3 at least and 10 at most, within 10 min | 2 min after fewer than 3 are left |
//! | a cut-off, or outputs with one state topic | lamps dark or relays deaf, and none is seen lit | in 2 enclosures within 10 min | 2 min after fewer than 2 are left |
//!
//! All numbers are guesses; ten alarms in ten minutes are what ISA-18.2 / IEC 62682 call a flood.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use super::alarm::{AlarmKind, AlarmNotice, Cause};
use super::diagnosis::Circles;
use super::trouble::Trouble;
use crate::settings::{EnclosureIx, LampIx, Settings};
use crate::time::Mono;

/// What is raised within this of each other may have one cause.
const WINDOW: TimeDelta = TimeDelta::minutes(10);
/// Probes may have been found silent so long before a broker that hangs is.
const BEFORE_BROKER: TimeDelta = TimeDelta::minutes(2);
/// What is left of the consequences comes forward so long after the cause has ended.
const GRACE: Duration = Duration::from_secs(2 * 60);
/// Fewest and most enclosures that make a cause of the site.
const SITE: (usize, usize) = (3, 10);
/// Fewest enclosures that make one of a shared supply; within one enclosure its own alarm names all lamps.
const SHARED: usize = 2;
/// So many places are named; the others are counted.
const NAMED: usize = 12;

/// By what a cause of the site is found.
const FOUND_BY: [AlarmKind; 3] = [AlarmKind::ProbeSilent, AlarmKind::RelayDeaf, AlarmKind::LampDark];
/// The same of a shared supply.
const DARK: [AlarmKind; 2] = [AlarmKind::RelayDeaf, AlarmKind::LampDark];
/// What may be a consequence of a lost broker: what its absence makes, and not what readings tell …
const WITH_BROKER: [AlarmKind; 2] = [AlarmKind::ProbeSilent, AlarmKind::RelayDeaf];
/// … of a cause of the site …
const WITH_SITE: [AlarmKind; 5] =
    [AlarmKind::ProbeSilent, AlarmKind::ProbeDoubtful, AlarmKind::RelayDeaf, AlarmKind::LampDark, AlarmKind::HeatWeak];
/// … and of a shared supply.
const WITH_SHARED: [AlarmKind; 3] = [AlarmKind::RelayDeaf, AlarmKind::LampDark, AlarmKind::HeatWeak];

/// What lamps hang on.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Supply {
    CutOff(String),
    /// Outputs that report on one topic are channels of one box.
    Box(String),
}

impl Supply {
    /// As the subject of its alarm.
    fn words(&self) -> String {
        match self {
            Supply::CutOff(name) => format!("cut-off {name}"),
            Supply::Box(topic) => format!("the relay box of {topic}"),
        }
    }
}

/// The site's supplies.
#[derive(Clone, Debug)]
pub(super) struct Groups {
    broker: Course,
    site: Course,
    /// Where each enclosure has shown something that a cause of the site is found by.
    silent: Evidence,
    shared: Vec<Shared>,
    /// For each enclosure and lamp, places in `shared`.
    on: Vec<Vec<Vec<usize>>>,
}

/// Which kinds stand of which enclosure, and since when.
type Evidence = BTreeMap<EnclosureIx, BTreeMap<AlarmKind, DateTime<Utc>>>;

/// A supply that lamps of several enclosures hang on.
#[derive(Clone, Debug)]
struct Shared {
    supply: Supply,
    lamps: usize,
    evidence: Evidence,
    /// Lamps concerned, as their enclosures tell them.
    dark: BTreeMap<EnclosureIx, BTreeSet<LampIx>>,
    course: Course,
}

/// Whether a cause stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Course {
    #[default]
    Well,
    /// What was raised within that span belongs to it.
    Lost(Span),
    /// The same, and it has ended; until then.
    Ending(Span, Mono),
}

/// From the first alarm that belongs to a cause to the last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Span {
    begin: DateTime<Utc>,
    last: DateTime<Utc>,
}

impl Span {
    fn holds(self, since: DateTime<Utc>) -> bool {
        self.begin <= since && since <= self.last
    }
}

impl Course {
    fn span(self) -> Option<Span> {
        match self {
            Course::Well => None,
            Course::Lost(span) | Course::Ending(span, _) => Some(span),
        }
    }

    /// It stands with that span, or (`None`) no longer; whether that is news to alarms that were told before.
    fn set(&mut self, now: Mono, lost: Option<Span>) -> bool {
        let before = *self;
        *self = match (before, lost) {
            (_, Some(span)) => Course::Lost(span),
            (Course::Lost(span), None) => Course::Ending(span, now.after(GRACE)),
            (course @ (Course::Well | Course::Ending(..)), None) => course,
        };
        std::mem::discriminant(self) != std::mem::discriminant(&before)
    }

    fn settle(&mut self, now: Mono) -> bool {
        let is_over = matches!(self, Course::Ending(_, until) if now >= *until);
        if is_over {
            *self = Course::Well;
        }
        is_over
    }

    fn deadline(self) -> Option<Mono> {
        match self {
            Course::Ending(_, until) => Some(until),
            _ => None,
        }
    }

    /// Something was raised at `newest`, or has ended: whether there are `enough` enclosures within a window to make a cause,
    /// or `left` of them that one is still there. What comes long after belongs to it only where so many come again.
    fn follow(&mut self, now: Mono, evidence: &Evidence, newest: DateTime<Utc>, enough: usize, left: usize) -> bool {
        let lately = |since: &DateTime<Utc>| newest - *since <= WINDOW && *since <= newest;
        let recent = || evidence.values().filter_map(|kinds| kinds.values().copied().filter(lately).min());
        let found = || recent().take(enough).count() == enough;
        let Some(known) = self.span() else {
            let begin = if found() { recent().min() } else { None };
            return begin.is_some_and(|begin| self.set(now, Some(Span { begin, last: newest })));
        };
        let mut span = known;
        let mut again = false;
        if newest > span.last && (newest - span.last <= WINDOW || found()) {
            // Some of those that make it once more have been told by themselves.
            again = newest - span.last > WINDOW;
            span.last = newest;
        }
        let still = evidence.values().filter(|kinds| kinds.values().any(|&since| span.holds(since)));
        let stands = still.take(left).count() == left;
        self.set(now, stands.then_some(span)) | again
    }

    /// Whether what was raised at `since` in an enclosure belongs to it.
    fn owns(self, evidence: &Evidence, enclosure: EnclosureIx, since: DateTime<Utc>) -> bool {
        let member =
            |span: Span| evidence.get(&enclosure).is_some_and(|kinds| kinds.values().any(|&at| span.holds(at)));
        self.span().is_some_and(|span| member(span) && since >= span.begin)
    }
}

impl Groups {
    pub(super) fn new(settings: &Settings) -> Groups {
        let mut shared: BTreeMap<Supply, (usize, usize, BTreeSet<usize>)> = BTreeMap::new();
        let mut on = Vec::with_capacity(settings.enclosures.len());
        for (at, enclosure) in settings.enclosures.iter().enumerate() {
            let mut of_lamps = Vec::with_capacity(enclosure.lamps.len());
            for lamp in &enclosure.lamps {
                let cut_off = lamp.cut_off.and_then(|ix| settings.cut_offs.get(ix.0));
                let supplies = cut_off
                    .map(|cut_off| Supply::CutOff(cut_off.name.clone()))
                    .into_iter()
                    .chain(lamp.output.state.clone().map(Supply::Box));
                let mut places = Vec::new();
                for supply in supplies {
                    let next = shared.len();
                    let (place, lamps, enclosures) = shared.entry(supply).or_insert((next, 0, BTreeSet::new()));
                    *lamps += 1;
                    enclosures.insert(at);
                    places.push(*place);
                }
                of_lamps.push(places);
            }
            on.push(of_lamps);
        }
        // Most lamps report on a topic of their own: those are nobody's supply but theirs.
        let mut kept = BTreeMap::new();
        let mut all = Vec::new();
        for (supply, (place, lamps, enclosures)) in shared {
            if enclosures.len() >= SHARED {
                kept.insert(place, all.len());
                let (evidence, dark) = (Evidence::new(), BTreeMap::new());
                all.push(Shared { supply, lamps, evidence, dark, course: Course::Well });
            }
        }
        for places in on.iter_mut().flatten() {
            *places = places.iter().filter_map(|place| kept.get(place).copied()).collect();
        }
        Groups { broker: Course::Well, site: Course::Well, silent: Evidence::new(), shared: all, on }
    }

    /// The connection to the broker is lost at `stamp`, or (`None`) there again. Not by its alarm: one that comes and goes
    /// stands on for hours, and would hide what is found meanwhile. Each loss begins anew, so that nothing is hidden for long.
    pub(super) fn broker(&mut self, now: Mono, lost: Option<DateTime<Utc>>) {
        if !(lost.is_some() && matches!(self.broker, Course::Lost(_))) {
            let span = |stamp| Span { begin: stamp - BEFORE_BROKER, last: DateTime::<Utc>::MAX_UTC };
            self.broker.set(now, lost.map(span));
        }
    }

    /// Whether a cause stands.
    pub(super) fn any(&self) -> bool {
        self.site.span().is_some() || self.shared.iter().any(|shared| shared.course.span().is_some())
    }

    /// An alarm has come, changed or gone; whether what is a consequence of what may have changed for others.
    pub(super) fn hear(
        &mut self,
        now: Mono,
        settings: &Settings,
        circles: &Circles,
        notice: &AlarmNotice,
        is_in_service: bool,
    ) -> bool {
        let active = notice.state.is_active();
        let Some(enclosure) = notice.enclosure else { return false };
        let counts = active && is_in_service;
        let mut news = false;
        if FOUND_BY.contains(&notice.kind) && note(&mut self.silent, enclosure, notice, counts) {
            let enough = (settings.enclosures.len() / 4).clamp(SITE.0, SITE.1);
            news |= self.site.follow(now, &self.silent, notice.since, enough, SITE.0);
        }
        if DARK.contains(&notice.kind) {
            for at in 0..self.shared.len() {
                let lamps = self.lamps_on(settings, notice, enclosure, at);
                if lamps.is_empty() && !self.shared[at].evidence.contains_key(&enclosure) {
                    continue;
                }
                let shared = &mut self.shared[at];
                let changed = note(&mut shared.evidence, enclosure, notice, counts && !lamps.is_empty());
                let lit = lamps.iter().any(|lamp| {
                    let peers = circles.peers(enclosure, *lamp);
                    let of_supply = match shared.supply {
                        Supply::CutOff(_) => peers.supply,
                        Supply::Box(_) => peers.relay,
                    };
                    of_supply.lit > 0
                });
                if counts && !lamps.is_empty() {
                    shared.dark.entry(enclosure).or_default().extend(lamps);
                } else if !shared.evidence.contains_key(&enclosure) {
                    shared.dark.remove(&enclosure);
                }
                if changed && (!lit || shared.course != Course::Well) {
                    news |= shared.course.follow(now, &shared.evidence, notice.since, SHARED, SHARED);
                }
            }
        }
        news
    }

    /// Lamps of a notice that hang on shared supply number `at`.
    fn lamps_on(&self, settings: &Settings, notice: &AlarmNotice, enclosure: EnclosureIx, at: usize) -> Vec<LampIx> {
        let (Some(known), Some(on)) = (settings.enclosures.get(enclosure.0), self.on.get(enclosure.0)) else {
            return Vec::new();
        };
        let lamps = known.lamps.iter().zip(on).enumerate();
        let concerned = lamps.filter(|(_, (lamp, on))| on.contains(&at) && notice.subjects.contains(&lamp.name));
        concerned.map(|(lamp, _)| LampIx(lamp)).collect()
    }

    /// The cause that an alarm is a consequence of.
    pub(super) fn cause(&self, settings: &Settings, notice: &AlarmNotice) -> Option<Cause> {
        let cause = |kind| Some(Cause { enclosure: None, kind });
        let is_supply = notice.enclosure.is_none() && notice.kind == AlarmKind::SupplyLost;
        let without_broker = self.broker.span().is_some_and(|span| span.holds(notice.since));
        if (WITH_BROKER.contains(&notice.kind) || is_supply) && without_broker {
            return cause(AlarmKind::BrokerLost);
        }
        let enclosure = notice.enclosure?;
        if WITH_SITE.contains(&notice.kind) && self.site.owns(&self.silent, enclosure, notice.since) {
            return cause(AlarmKind::SupplyLost);
        }
        if !WITH_SHARED.contains(&notice.kind) {
            return None;
        }
        let lost = |(at, shared): (usize, &Shared)| {
            let all = !notice.subjects.is_empty()
                && self.lamps_on(settings, notice, enclosure, at).len() == notice.subjects.len();
            all && shared.course.owns(&shared.evidence, enclosure, notice.since)
        };
        if self.shared.iter().enumerate().any(lost) { cause(AlarmKind::SupplyLost) } else { None }
    }

    /// For each supply its name, and what is to be told of it; none: it is well.
    pub(super) fn troubles(&self, settings: &Settings) -> Vec<(String, Option<Trouble>)> {
        let title = |ix: &EnclosureIx| settings.enclosures.get(ix.0).map(|enclosure| enclosure.title.clone());
        let members = |course: Course, evidence: &Evidence| {
            let of_span = |span: Span| {
                let holds = |kinds: &BTreeMap<_, DateTime<Utc>>| kinds.values().any(|&since| span.holds(since));
                evidence.iter().filter(|(_, kinds)| holds(kinds)).map(|(ix, _)| *ix).collect::<BTreeSet<_>>()
            };
            course.span().map(of_span)
        };
        let site = members(self.site, &self.silent).map(|silent| Trouble::SupplyLost {
            count: silent.len(),
            total: settings.enclosures.len(),
            places: silent.iter().filter_map(title).take(NAMED).collect(),
        });
        let lamp = |ix: &EnclosureIx, lamp: &LampIx| {
            let enclosure = settings.enclosures.get(ix.0)?;
            Some(format!("{} of {}", enclosure.lamps.get(lamp.0)?.name, enclosure.title))
        };
        let shared = self.shared.iter().map(|shared| {
            let trouble = members(shared.course, &shared.evidence).map(|dark| {
                let dark = shared.dark.iter().filter(|(ix, _)| dark.contains(ix));
                let lamps = || dark.clone().flat_map(|(ix, lamps)| lamps.iter().map(move |lamp| (ix, lamp)));
                Trouble::SupplyLost {
                    count: lamps().count(),
                    total: shared.lamps,
                    places: lamps().filter_map(|(ix, of)| lamp(ix, of)).take(NAMED).collect(),
                }
            });
            (shared.supply.words(), trouble)
        });
        std::iter::once((String::new(), site)).chain(shared).collect()
    }

    /// Causes whose time is over; whether there was one.
    pub(super) fn settle(&mut self, now: Mono) -> bool {
        let courses = [&mut self.broker, &mut self.site].into_iter();
        // Each is asked, so that none is left out.
        courses
            .chain(self.shared.iter_mut().map(|shared| &mut shared.course))
            .fold(false, |any, course| course.settle(now) | any)
    }

    pub(super) fn next_deadline(&self) -> Option<Mono> {
        let shared = self.shared.iter().map(|shared| shared.course);
        [self.broker, self.site].into_iter().chain(shared).filter_map(Course::deadline).min()
    }
}

/// Notes whether an alarm stands; whether that is news.
fn note(evidence: &mut Evidence, enclosure: EnclosureIx, notice: &AlarmNotice, stands: bool) -> bool {
    if stands {
        return evidence.entry(enclosure).or_default().insert(notice.kind, notice.since) != Some(notice.since);
    }
    let Some(kinds) = evidence.get_mut(&enclosure) else { return false };
    let was = kinds.remove(&notice.kind).is_some();
    if kinds.is_empty() {
        evidence.remove(&enclosure);
    }
    was
}
