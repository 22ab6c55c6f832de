//! One rehearsal: core and plant in virtual time, joined by a modelled broker, exactly as the daemon joins them.

mod documents;
mod effects;
mod gliding;
mod judging;
mod keeper;
mod obeying;
mod stepping;
mod turning;

use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::control::{Act, AlarmNotice, Command, Effect, Event};
use crate::message::Routes;
use crate::settings::{EnclosureIx, LampIx, Settings};
use crate::simulator::{Message, Physics, TimedFault, World};

use gliding::{Calm, Guide, Lane};

use crate::rehearsal::book::Book;
use crate::rehearsal::broker::Broker;
use crate::rehearsal::chatter::Chatter;
use crate::rehearsal::coverage::Coverage;
use crate::rehearsal::expect::Watch;
use crate::rehearsal::host::Host;
use crate::rehearsal::liveness;
use crate::rehearsal::obligation::Obligations;
use crate::rehearsal::oracle::Oracle;
use crate::rehearsal::scenario::{Mishap, Scenario, When};
use crate::rehearsal::sight::Sight;
use crate::rehearsal::trace::{Recorder, Span, Trace};

use documents::Shown;
use keeper::acts;
use obeying::Wording;

/// Moments at which the plant itself is looked at are this far apart, ms: a guess, far below what any place in an
/// enclosure takes to change.
const GRID: u64 = 30_000;
/// After a power cut the broker is back this long after the mains, and the daemon, ms: guesses at small boards.
const BROKER_BOOTS: u64 = 8_000;
const DAEMON_BOOTS: u64 = 20_000;
/// The daemon comes round this often at the latest, ms. Under a service manager's watchdog it does more often; what
/// rests on that is not to be relied on.
const COMES_ROUND: u64 = 60_000;
/// After the broker's return every output is as wanted within this, ms (the wire's own promise).
const RECONCILED_WITHIN: u64 = 5_000;
/// With no more enclosures than this every one is judged whenever anything may have changed.
const FEW: usize = 4;
/// The core may ask for this many ticks without time passing before that counts as a defect.
const SPINS: u32 = 1000;

/// How a rehearsal is run.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// End at the first violation of this rule.
    pub stop_at: Option<String>,
    /// Record what a page plots.
    pub trace: bool,
    /// Spare nothing the whole way: every reading becomes a message that the core, the oracles and the expectations judge.
    /// What comes of a story is the same, and it takes a hundred times as long.
    pub whole_way: bool,
}

/// Something that must not have happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Violation {
    /// Which rule: the name of an oracle, or `expectation` with its place in the list.
    pub rule: String,
    /// When, ms since the start.
    pub at: u64,
    /// What.
    pub text: String,
    /// The last readings, a line each.
    pub readings: Vec<String>,
    /// The chain of reasons that led here, a line each.
    pub chain: Vec<String>,
}

/// What came of a rehearsal.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// Hash over the whole log.
    pub hash: u64,
    /// Everything that must not have happened, in order of time.
    pub violations: Vec<Violation>,
    /// The last lines of the log, with their moments in ms.
    pub log: Vec<(u64, String)>,
    /// How long the story was, ms.
    pub span: u64,
    /// Messages that came to the core.
    pub messages: u64,
    /// What was reached.
    pub coverage: Coverage,
    /// What a page plots, where that was asked for.
    pub trace: Option<Trace>,
}

impl Violation {
    /// Something that is wrong with a whole rehearsal.
    pub fn of_all(rule: &str, text: &str) -> Violation {
        Violation { rule: rule.to_owned(), at: 0, text: text.to_owned(), readings: Vec::new(), chain: Vec::new() }
    }
}

impl Outcome {
    /// Of a rehearsal that did not come to its end for this reason.
    pub fn of(violation: Violation) -> Outcome {
        Outcome {
            hash: 0,
            violations: vec![violation],
            log: Vec::new(),
            span: 0,
            messages: 0,
            coverage: Coverage::default(),
            trace: None,
        }
    }

    /// Whether everything held.
    pub fn is_good(&self) -> bool {
        self.violations.is_empty()
    }
}

/// Rehearses `scenario`.
pub fn rehearse(scenario: &Scenario, options: &Options) -> Outcome {
    counted(scenario, options).0
}

/// The same; and how many of its moments went the whole way: what its shortcuts are judged by.
pub fn counted(scenario: &Scenario, options: &Options) -> (Outcome, u64) {
    Run::new(scenario, options).finish()
}

/// A rehearsal under way. Moments are ms since the start of the story.
struct Run<'s> {
    scenario: &'s Scenario,
    options: &'s Options,
    settings: &'s Settings,
    start: DateTime<Utc>,
    now: u64,
    end: u64,
    world: World,
    broker: Broker,
    host: Host,
    routes: Routes,
    /// Which readings may be glided over, by enclosure and probe.
    guides: Vec<Vec<Guide>>,
    /// Readings that wait in a glide, by enclosure and probe.
    lanes: Vec<Vec<Option<Lane>>>,
    sight: Sight,
    book: Book,
    watches: Vec<Watch>,
    violations: Vec<Violation>,
    /// Comings and goings of mishaps: moment, whether it comes, which.
    turns: Vec<(u64, bool, usize)>,
    turned: usize,
    /// Which mishaps are under way, and when the others ended.
    active: Vec<(bool, Option<u64>)>,
    oracle: Oracle,
    /// The enclosures' hours, for when all must be well again.
    hours: Vec<liveness::Hours>,
    /// When schedules were last looked at, and what was found then.
    hours_looked: u64,
    against: Vec<String>,
    /// Until when they would be found as they were, as long as nothing switches but these, ms.
    hours_steady: u64,
    hours_free: Vec<(EnclosureIx, LampIx)>,
    obligations: Obligations,
    chatter: Chatter,
    /// What the newest state document of each enclosure says, and which document is known to disagree.
    shown: Vec<Shown>,
    disagree: Option<String>,
    /// How many documents have been published, and their topics.
    documents: u64,
    topics: documents::Topics,
    /// When documents were last judged, and when an alarm last changed.
    documents_judged: u64,
    alarm_changed: u64,
    /// Alarms that stood when the daemon ended, and were on disk.
    stood: Vec<AlarmNotice>,
    /// Since when the daemon has known that its disk takes nothing.
    disk_failing: Option<u64>,
    /// Whether a write has just failed of which the core has not been told.
    write_fails: bool,
    coverage: Coverage,
    /// Since when the core has known the link to be up, or down.
    up_since: Option<u64>,
    down_since: Option<u64>,
    booted: u64,
    /// When the core was last handed anything.
    handled: u64,
    /// When outputs must be as wanted again, after the broker's return.
    reconciled_by: Option<u64>,
    /// Since when something is retained on a command topic.
    kept_since: Vec<(String, u64)>,
    recorder: Option<Recorder>,
    /// Contactors that the event in hand has opened.
    opened: Vec<String>,
    /// Enclosures that the event in hand has touched.
    touched: Vec<EnclosureIx>,
    /// What the keeper does, the rounds after healing among it.
    acts: Vec<(u64, Act)>,
    acted: usize,
    /// When broker and daemon will have booted.
    broker_boots: Option<u64>,
    daemon_boots: Option<u64>,
    looked: u64,
    /// Until when it is known to be calm.
    calm: Calm,
    /// Whether nothing has happened since then but readings, and what lamps' outputs are told and report.
    settled: bool,
    /// The words that pass between the core and each lamp's output.
    wording: Vec<Vec<Wording>>,
    /// Moments at which expectations begin and end, in order, and how many have passed.
    bounds: Vec<u64>,
    bounded: usize,
    messages: u64,
    /// Reused, so that a message costs no allocation for them.
    said: Vec<Message>,
    events: Vec<Event>,
    effects: Vec<Effect>,
    sent: Vec<Command>,
}

fn ms(span: Duration) -> u64 {
    u64::try_from(span.as_millis()).unwrap_or(u64::MAX / 4)
}

impl<'s> Run<'s> {
    fn new(scenario: &'s Scenario, options: &'s Options) -> Run<'s> {
        let settings = &scenario.site.settings;
        let mut physics = Physics::plausible(settings);
        physics.climate = scenario.room.climate;
        if let Some(size) = scenario.room.size {
            physics.enclosures.iter_mut().for_each(|enclosure| enclosure.size *= size);
        }
        let (faults, turns) = faults_and_turns(scenario);
        let recorder = options.trace.then(|| recorder(scenario, &turns));
        let routes = Routes::new(settings);
        let topics = routes.subscriptions().into_iter().map(|subscription| subscription.filter).collect();
        let seed = scenario.seed;
        let world = World::new(settings, &physics, scenario.start, seed, &faults);
        Run {
            wording: settings.enclosures.iter().map(|it| vec![Wording::default(); it.lamps.len()]).collect(),
            options,
            settings,
            start: scenario.start,
            now: 0,
            end: ms(scenario.span),
            world,
            broker: Broker::new(seed, topics, &settings.site.name),
            host: Host::new(scenario.start, seed, options.whole_way),
            guides: gliding::guides(settings, &routes),
            lanes: settings.enclosures.iter().map(|enclosure| vec![None; enclosure.probes.len()]).collect(),
            routes,
            sight: Sight::new(settings),
            book: Book::new(),
            watches: scenario.expectations.iter().map(Watch::new).collect(),
            violations: Vec::new(),
            turns,
            turned: 0,
            active: vec![(false, None); scenario.mishaps.len()],
            oracle: Oracle::new(settings),
            hours: liveness::hours(settings),
            hours_looked: 0,
            against: Vec::new(),
            hours_steady: 0,
            hours_free: Vec::new(),
            obligations: Obligations::new(settings),
            chatter: Chatter::default(),
            shown: vec![Shown::default(); settings.enclosures.len()],
            disagree: None,
            documents: 0,
            topics: documents::Topics::new(settings),
            documents_judged: 0,
            alarm_changed: 0,
            stood: Vec::new(),
            disk_failing: None,
            write_fails: false,
            coverage: Coverage::default(),
            up_since: None,
            down_since: Some(0),
            booted: 0,
            handled: 0,
            reconciled_by: None,
            kept_since: Vec::new(),
            recorder,
            opened: Vec::new(),
            touched: Vec::new(),
            acts: acts(scenario),
            acted: 0,
            broker_boots: None,
            daemon_boots: Some(0),
            looked: 0,
            calm: Calm::default(),
            settled: false,
            bounds: bounds(scenario),
            bounded: 0,
            messages: 0,
            said: Vec::new(),
            events: Vec::new(),
            effects: Vec::new(),
            sent: Vec::new(),
            scenario,
        }
    }

    /// Runs to the end; what came of it, and how many moments were gone the whole way.
    fn finish(mut self) -> (Outcome, u64) {
        let (mut spins, mut steps) = (0, 0);
        loop {
            let before = self.now;
            self.glide();
            // What the plant has said is treated at its moment.
            let next = if self.said.is_empty() { self.next().min(self.end) } else { self.now };
            spins = if next > before { 0 } else { spins + 1 };
            if spins > SPINS {
                self.violate("no-spinning", None, "the core asks for ticks without end".to_owned());
                break;
            }
            self.now = next.max(self.now);
            self.step();
            steps += 1;
            let over = self.now >= self.end && self.next() > self.end;
            if over || self.has_seen_enough() {
                break;
            }
        }
        if !self.has_seen_enough() {
            self.judge_end();
        }
        self.violations.sort_by_key(|violation| violation.at);
        let outcome = Outcome {
            hash: self.book.hash(),
            violations: self.violations,
            log: self.book.lines().map(|(at, line)| (at, line.to_owned())).collect(),
            span: self.end,
            messages: self.messages,
            coverage: self.coverage,
            trace: self.recorder.map(|recorder| recorder.finish(self.settings)),
        };
        (outcome, steps)
    }

    fn has_seen_enough(&self) -> bool {
        self.options.stop_at.as_ref().is_some_and(|rule| self.violations.iter().any(|found| found.rule == *rule))
    }
}

/// The plant's faults, and the comings and goings of all mishaps in order of time. Nothing outlasts the healing.
fn faults_and_turns(scenario: &Scenario) -> (Vec<TimedFault>, Vec<(u64, bool, usize)>) {
    let until = |at: Option<Duration>| match (at, scenario.healed) {
        (Some(until), Some(healed)) => Some(until.min(healed)),
        (until, healed) => until.or(healed),
    };
    let faults: Vec<_> = scenario
        .mishaps
        .iter()
        .filter_map(|mishap| match mishap.what {
            Mishap::Plant(fault) => Some(TimedFault { at: mishap.at, until: until(mishap.until), fault }),
            _ => None,
        })
        .collect();
    let mut turns = Vec::new();
    for (ix, mishap) in scenario.mishaps.iter().enumerate() {
        turns.push((ms(mishap.at), true, ix));
        match until(mishap.until) {
            _ if mishap.what.is_act() => turns.push((ms(mishap.at), false, ix)),
            Some(until) => turns.push((ms(until), false, ix)),
            None => {}
        }
    }
    turns.sort_by_key(|(at, ..)| *at);
    (faults, turns)
}

/// When expectations begin and end: an instant may be all that one has.
fn bounds(scenario: &Scenario) -> Vec<u64> {
    let spans = scenario.expectations.iter().filter_map(|expectation| match expectation.when {
        When::Within(from, to) | When::Always(from, to) | When::Never(from, to) => Some([ms(from), ms(to)]),
        When::End => None,
    });
    let mut bounds: Vec<_> = spans.flatten().collect();
    bounds.sort_unstable();
    bounds.dedup();
    bounds
}

/// A recorder that knows the story's faults.
fn recorder(scenario: &Scenario, turns: &[(u64, bool, usize)]) -> Recorder {
    let come = turns.iter().filter(|(_, comes, _)| *comes);
    let faults = come.map(|(at, _, ix)| {
        let what = &scenario.mishaps[*ix].what;
        let (name, text) = scenario.fault_in_words(what);
        let until = turns.iter().find(|(_, comes, other)| !comes && other == ix).map(|(until, ..)| *until);
        Span { enclosure: what.enclosure(), name, priority: None, text, from: *at, until }
    });
    Recorder::new(&scenario.site.settings, ms(scenario.span), faults.collect())
}
