//! One rehearsal: core and plant in virtual time, joined by a modelled broker, exactly as the daemon joins them.

mod documents;
mod gliding;
mod judging;
mod keeper;
mod refreshing;
mod turning;

use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::control::photoperiod::DayClock;
use crate::control::{Act, AlarmNotice, Command, Controller, Effect, Event, OutputRef};
use crate::guard::SafetyRecord;
use crate::message::{self, Routes};
use crate::settings::{CutOffIx, EnclosureIx, LampIx, Settings};
use crate::simulator::{Message, Physics, TimedFault, World};
use crate::time::Mono;
use crate::units::Level;

use gliding::Guide;

use crate::rehearsal::book::Book;
use crate::rehearsal::broker::{Broker, Delivery};
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
use keeper::{acts, in_words};

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
    Run::new(scenario, options).finish()
}

/// A level with the payload that was sent for it.
type Refresh = Option<(Level, Vec<u8>)>;

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
    hours: Vec<DayClock>,
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
    /// Whether nothing has happened since then but readings and refreshes of which nothing comes.
    settled: bool,
    /// What each lamp's output was last told without another word coming of it: the level, and the payload.
    refreshes: Vec<Vec<Refresh>>,
    /// Moments at which expectations begin and end, in order, and how many have passed.
    bounds: Vec<u64>,
    bounded: usize,
    messages: u64,
    /// Reused, so that a message costs no allocation for them.
    said: Vec<Message>,
    events: Vec<Event>,
    effects: Vec<Effect>,
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
        Run {
            options,
            settings,
            start: scenario.start,
            now: 0,
            end: ms(scenario.span),
            world: World::new(settings, &physics, scenario.start, seed, &faults),
            broker: Broker::new(seed, topics, &settings.site.name),
            host: Host::new(scenario.start, seed, options.whole_way),
            guides: gliding::guides(settings, &routes),
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
            settled: false,
            refreshes: settings.enclosures.iter().map(|enclosure| vec![None; enclosure.lamps.len()]).collect(),
            bounds: bounds(scenario),
            bounded: 0,
            messages: 0,
            said: Vec::new(),
            events: Vec::new(),
            effects: Vec::new(),
            scenario,
        }
    }

    fn finish(mut self) -> Outcome {
        let mut spins = 0;
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
            let over = self.now >= self.end && self.next() > self.end;
            if over || self.has_seen_enough() {
                break;
            }
        }
        if !self.has_seen_enough() {
            self.judge_end();
        }
        self.violations.sort_by_key(|violation| violation.at);
        Outcome {
            hash: self.book.hash(),
            violations: self.violations,
            log: self.book.lines().map(|(at, line)| (at, line.to_owned())).collect(),
            span: self.end,
            messages: self.messages,
            coverage: self.coverage,
            trace: self.recorder.map(|recorder| recorder.finish(self.settings)),
        }
    }

    fn has_seen_enough(&self) -> bool {
        self.options.stop_at.as_ref().is_some_and(|rule| self.violations.iter().any(|found| found.rule == *rule))
    }

    /// When something happens next.
    fn next(&mut self) -> u64 {
        let turn = self.turns.get(self.turned).map(|(at, ..)| *at);
        let act = self.acts.get(self.acted).map(|(at, _)| *at);
        let deadline = self.host.core.as_mut().and_then(Controller::next_deadline);
        let round = self.host.core.is_some().then_some(self.handled + COMES_ROUND);
        let deadline = deadline.map(|at| self.host.story_time(at)).into_iter().chain(round).min();
        let world = self.world.next_event().map(ms);
        let look = Some(self.looked + GRID);
        let all = [
            turn,
            act,
            deadline,
            world,
            look,
            self.bounds.get(self.bounded).copied(),
            self.broker.next(),
            self.broker_boots,
            self.daemon_boots,
            self.reconciled_by,
        ];
        all.into_iter().flatten().min().unwrap_or(self.end).max(self.now)
    }

    /// Lets happen what is due now: what goes wrong, the plant, what arrives, the keeper, and what the core waits for.
    fn step(&mut self) {
        self.settled = false;
        self.host.write(self.now);
        self.bounded += self.bounds[self.bounded..].iter().take_while(|at| **at <= self.now).count();
        while let Some((_, comes, ix)) = self.turns.get(self.turned).copied().filter(|(at, ..)| *at <= self.now) {
            self.turned += 1;
            self.turn(ix, comes);
        }
        self.boot();
        let mut said = std::mem::take(&mut self.said);
        self.world.advance_to(Duration::from_millis(self.now), &mut said);
        self.spoken_by_plant(&mut said);
        self.said = said;
        while let Some(delivery) = self.broker.pop(self.now) {
            self.deliver(delivery);
        }
        while let Some((_, act)) = self.acts.get(self.acted).filter(|(at, _)| *at <= self.now) {
            let act = self.measured_rightly(act.clone());
            self.acted += 1;
            self.note(&format!("keeper: {}", in_words(&act, self.settings)));
            if self.host.core.is_some() {
                self.oracle.act(&act);
                self.coverage.act(&act);
                self.chatter.act(&act);
                self.obligations.act(self.now, &act, self.host.clock_error(self.now));
            }
            self.handle(Event::Act(act));
        }
        let deadline = self.host.core.as_mut().and_then(Controller::next_deadline);
        let is_due = deadline.is_some_and(|at| self.host.story_time(at) <= self.now);
        if is_due || self.now >= self.handled + COMES_ROUND {
            self.handle(Event::Tick);
        }
        self.look();
    }

    fn spoken_by_plant(&mut self, said: &mut Vec<Message>) {
        for message in said.drain(..) {
            let kept = message.retained().then(|| message.topic().to_owned());
            if let Some(message) = self.broker.said(self.now, message) {
                self.hear(&message);
            }
            if let Some(topic) = kept {
                let payload = self.broker.kept(&topic).map(<[u8]>::to_vec);
                self.world.set_retained(&topic, payload.as_deref());
            }
        }
    }

    fn deliver(&mut self, delivery: Delivery) {
        match delivery {
            Delivery::Said(message) => self.hear(&message),
            Delivery::Other { topic, payload, retained } => {
                if let Some(output) = self.commanded_by(&topic).filter(|_| retained && !payload.is_empty()) {
                    self.obligations.stored(self.now, output);
                }
                self.decode(&topic, &payload, retained);
            }
            Delivery::Command { topic, payload } => {
                let mut said = std::mem::take(&mut self.said);
                self.world.incoming(&topic, &payload, &mut said);
                self.spoken_by_plant(&mut said);
                self.said = said;
            }
            Delivery::Acknowledged { output, ticket } => self.handle(Event::Delivered { output, ticket }),
            Delivery::Up => {
                self.note("connected to the broker");
                (self.up_since, self.down_since) = (Some(self.now), None);
                self.reconciled_by.get_or_insert(self.now + self.reconciled_within());
                self.obligations.link();
                self.handle(Event::LinkUp);
            }
            Delivery::Down => {
                self.note("connection to the broker lost");
                (self.up_since, self.down_since) = (None, Some(self.now));
                self.oracle.link_down();
                self.obligations.link();
                self.handle(Event::LinkDown);
            }
        }
    }

    fn hear(&mut self, message: &Message) {
        let payload = message.payload();
        // A live message comes without the flag, whatever its sender asked the broker to keep.
        self.decode(message.topic(), payload.as_bytes(), false);
    }

    fn decode(&mut self, topic: &str, payload: &[u8], retained: bool) {
        self.messages += 1;
        let mut events = std::mem::take(&mut self.events);
        if let Err(misread) = self.routes.decode(topic, payload, retained, self.settings, &mut events) {
            self.note(&format!("{misread}"));
        }
        for event in events.drain(..) {
            self.observe(&event);
            self.handle(event);
        }
        self.events = events;
    }

    /// Notes what comes to the core, as anybody listening could.
    fn observe(&mut self, event: &Event) {
        if self.host.core.is_none() {
            return;
        }
        match event {
            Event::Reading { enclosure, probe, reading } => {
                let settings = &self.settings.enclosures[enclosure.0].probes[probe.0];
                let (least, most) = settings.plausible;
                let good = |value: f64| {
                    value >= least && value <= most && !settings.reject.iter().any(|fault| (fault - value).abs() < 1e-6)
                };
                let wall = (self.start.timestamp_millis()).saturating_add_unsigned(self.now);
                let seen = (self.settings, &self.sight);
                self.oracle.reading(self.now, wall, seen, (*enclosure, *probe), reading);
                self.touched.push(*enclosure);
                if let Some(value) =
                    reading.value.as_ref().ok().copied().filter(|value| !reading.retained && good(*value))
                {
                    self.sight.heard(self.now, *enclosure, *probe, value);
                    let at = (*enclosure, *probe);
                    self.obligations.reading(self.now, self.settings, &self.sight, at, value);
                } else if !reading.retained {
                    self.obligations.nonsense(self.now, (*enclosure, *probe));
                }
            }
            Event::Report { output, level: Ok(level), .. } => {
                self.sight.reported(self.now, *output, *level);
                self.obligations.reported(self.now, *output, &self.sight);
                if let OutputRef::Lamp(e, _) = output {
                    self.touched.push(*e);
                }
            }
            _ => {}
        }
    }

    /// Hands the core an event, and carries out what it wants.
    fn handle(&mut self, event: Event) {
        let (moment, in_step) = match self.host.in_step() {
            Some(booted) if !self.options.whole_way => (None, Mono::from_millis(self.now - booted)),
            _ => (Some(self.host.ask(self.now)), Mono::START),
        };
        let Some(core) = &mut self.host.core else { return };
        let mut effects = std::mem::take(&mut self.effects);
        self.handled = self.now;
        let any = matches!(event, Event::Tick | Event::Act(_) | Event::LinkUp);
        match moment {
            Some(moment) => core.handle(moment, event, &mut effects),
            None => core.handle_in_step(in_step, event, &mut effects),
        }
        if effects.is_empty() && !any && self.touched.is_empty() {
            // Nobody has anything to judge.
            self.effects = effects;
            return;
        }
        self.carry_out_all(effects, any);
    }

    /// Carries out what the core wants after an event, and judges what has come of it; `any`: it may be anything.
    fn carry_out_all(&mut self, mut effects: Vec<Effect>, any: bool) {
        for effect in effects.drain(..) {
            self.carry_out(effect);
        }
        self.effects = effects;
        self.judge_opened();
        self.judge_step(any);
        if std::mem::take(&mut self.write_fails) {
            self.disk_takes(false);
        }
    }

    fn carry_out(&mut self, effect: Effect) {
        match effect {
            Effect::Command(command) => self.command(&command),
            Effect::ClearRetained(output) => {
                if let Some(topic) = message::clear_topic(self.settings, output)
                    && self.broker.clear(&topic)
                {
                    self.world.set_retained(&topic, None);
                }
            }
            Effect::Switched { enclosure: e, lamp: l, level, reason } => {
                let enclosure = &self.settings.enclosures[e.0];
                let line = format!("{}/{} {level}: {reason}", enclosure.id, enclosure.lamps[l.0].name);
                self.note(&line);
                self.coverage.switched(level.is_off(), &reason);
                let before = self.sight.lamp(e, l).level;
                self.oracle.switched(self.now, self.settings, (e, l), (before, level), &reason);
                self.sight.switched(self.now, e, l, level, reason);
                if !self.hours_free.contains(&(e, l)) {
                    self.hours_steady = 0;
                }
                self.changed(e);
                self.touched.push(e);
            }
            Effect::Alarm(notice) => {
                self.publish_alarm(&notice);
                if self.sight.announced(self.now, &notice) {
                    let whose = notice.enclosure.map_or("site", |e| &self.settings.enclosures[e.0].id);
                    let how = if notice.state.is_active() { "raised" } else { "cleared" };
                    let subjects = notice.subjects.join(", ");
                    let line = format!("{whose} alarm {} {how} {subjects}", notice.kind);
                    self.note(line.trim_end());
                    if notice.state.is_active() {
                        self.coverage.alarm(notice.kind);
                        let key = (notice.enclosure, notice.kind);
                        let chatters = self.chatter.raised(self.now, self.settings, key);
                        chatters.into_iter().for_each(|finding| self.found(finding));
                    }
                }
            }
            Effect::File(record) => self.host.file(self.now, record),
            Effect::Calibrated { enclosure, probe, told } => {
                let enclosure = &self.settings.enclosures[enclosure.0];
                let line = format!("{}/{}: {told}", enclosure.id, enclosure.probes[probe.0].name);
                self.note(&line);
            }
            Effect::State(e) => self.publish_state(e),
            Effect::Remember(record) => {
                if let SafetyRecord::CutOff { name, open: Some(why) } = &record {
                    self.opened.push(format!("cut-off {name} opens and no alarm says why: {why}"));
                }
                self.host.remember(self.now, record);
                self.write_fails |= self.host.is_disk_full() && self.disk_failing.is_none();
            }
        }
    }

    fn command(&mut self, command: &Command) {
        let Some(sent) = message::encode(self.settings, command) else { return };
        self.book.mix(&self.now.to_le_bytes());
        self.book.mix(&sent.payload);
        self.oracle.commanded(self.now, command);
        self.obligations.commanded(self.now, command.output, command.permit.level(), &self.sight);
        self.broker.command(self.now, sent.topic, sent.payload, command.output, command.ticket);
    }

    /// The output that listens to a command topic.
    fn commanded_by(&self, topic: &str) -> Option<OutputRef> {
        let enclosures = self.settings.enclosures.iter().enumerate();
        let lamps = enclosures.flat_map(|(e, enclosure)| {
            let lamps = enclosure.lamps.iter().enumerate();
            lamps.map(move |(l, lamp)| (&lamp.output.set, OutputRef::Lamp(EnclosureIx(e), LampIx(l))))
        });
        let cut_offs = self.settings.cut_offs.iter().enumerate();
        let cut_offs = cut_offs.map(|(c, cut_off)| (&cut_off.output.set, OutputRef::CutOff(CutOffIx(c))));
        lamps.chain(cut_offs).find(|(set, _)| *set == topic).map(|(_, output)| output)
    }

    fn note(&mut self, line: &str) {
        self.book.write(self.now, line.to_owned());
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
