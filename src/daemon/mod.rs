//! The live driver of the control core: one loop that hands it every message and deadline, and carries out what it wants.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "a live driver reads the real clocks")]

mod away;
mod clock;
mod desk;
mod diary;
mod digest;
mod pages;
mod past;
mod people;
mod records;
mod telling;

pub use clock::Clock;
pub use desk::ask;

use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context as _, anyhow};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tracing::{debug, error, info, warn};

use crate::control::{AlarmNotice, AlarmState, Controller, Effect, Event, Priority};
use crate::journal::{Entry, Journal, News, Remembered};
use crate::message::desk::{self as desk_words, Question};
use crate::message::{self, Routes};
use crate::settings::{EnclosureIx, OnExit, ProbeIx, Settings};

use crate::wire::{Inbound, Inbox, Lane, Link, LinkHandle, LinkOptions};

use crate::web::{Role, Signature};

use desk::{Asked, Desk};
use pages::{Pages, Place};
use records::Release;
pub(crate) use records::{Records, entry as record_of};
use telling::Telling;

/// Without a service manager the loop wakes up this often at the latest.
const IDLE: Duration = Duration::from_secs(3600);

/// A flood is over when no message was passed over for so long; a guess.
const BREATH: Duration = Duration::from_secs(10);
/// So many messages are handled before the connection takes in more; a guess.
const IN_A_ROW: usize = 16;

/// How the daemon runs.
pub struct Options {
    /// What the keeper asked for.
    pub settings: Settings,
    /// Reads the configuration again at SIGHUP: new settings, or why they were refused. None: SIGHUP is ignored.
    pub reread: Option<Box<dyn FnMut() -> Result<Settings, String>>>,
    /// Where moments come from.
    pub clock: Clock,
    /// Where safety state is kept; none: in memory alone.
    pub state_directory: Option<PathBuf>,
    /// Whether a service manager is told of the start, the state and the end.
    pub service: bool,
    /// What somebody of this machine may do on the pages where there are no accounts; none: nothing.
    pub visitor: Option<Role>,
}

/// Runs until `stop` is done, then leaves the lamps as the settings say. Errors are what keeps it from starting: the state
/// directory, or a certificate that cannot be read. Afterwards nothing ends it but `stop`.
pub async fn run(options: Options, stop: impl Future<Output = ()>) -> anyhow::Result<()> {
    let Options { settings, reread, clock, state_directory, service, visitor } = options;
    let time = clock.clone();
    let place = Place { state_directory: state_directory.clone(), visitor, now: Arc::new(move || time.now().wall) };
    let path = state_directory.as_ref().map(|directory| directory.join(crate::journal::FILE));
    let (journal, remembered, desk) = match state_directory {
        Some(directory) => {
            let (journal, remembered) = Journal::open(&directory).map_err(|why| anyhow!(why))?;
            let desk = Desk::open(&directory);
            let desk = desk.inspect_err(|why| warn!("nothing can be logged or asked from the command line: {why}"));
            (Some(journal), remembered, desk.ok())
        }
        None => (None, Remembered::default(), None),
    };
    let safety = remembered.safety(&settings);
    let settings = Arc::new(settings);
    let telling = Telling::new(&settings, clock.now(), remembered.outbox, path);
    let mut controller = Controller::new(settings, clock.now(), &safety);
    let mut effects = Vec::new();
    controller.recall(&remembered.filed, remembered.last_alive, &mut effects);
    let routes = Routes::new(controller.settings());
    let (link, inbox) = Link::start(LinkOptions::daemon(controller.settings(), routes.subscriptions()))
        .context("the connection to the broker cannot be set up")?;
    let service = Service::new(service);
    let mut daemon = Daemon {
        controller,
        routes,
        link,
        inbox,
        records: Records::new(journal),
        telling,
        pages: Pages::new(place),
        signature: None,
        desk,
        clock,
        effects,
        events: Vec::new(),
        later: Vec::new(),
        taken: 0,
        overload: None,
        service,
    };
    if let Some(why) = remembered.trouble {
        error!("{why}");
        daemon.records.began_badly();
        daemon.handle(Event::Storage { failure: Some(why) });
    }
    daemon.pages.open(daemon.controller.settings(), || daemon.telling.key());
    daemon.pages.tell_all(&daemon.controller);
    daemon.service.started(daemon.controller.settings());
    daemon.serve(reread, stop).await?;
    daemon.end().await;
    Ok(())
}

/// The daemon while it runs.
struct Daemon {
    controller: Controller,
    routes: Routes,
    link: LinkHandle,
    inbox: Inbox,
    records: Records,
    /// Who is told of what.
    telling: Telling,
    /// The web server, and what it is told.
    pages: Pages,
    /// Who does the act that is being handled, where it is somebody at a page.
    signature: Option<Signature>,
    /// Where the commands of this computer log and ask.
    desk: Option<Desk>,
    clock: Clock,
    /// Reused, so that a message costs no allocation for them.
    effects: Vec<Effect>,
    events: Vec<Event>,
    /// What may wait until commands are on their way.
    later: Vec<Effect>,
    /// Taken from the inbox since the connection had its turn.
    taken: usize,
    /// Messages passed over since too many began to come, and when last; none while all are handled.
    overload: Option<(u64, Instant)>,
    service: Service,
}

impl Daemon {
    async fn serve(
        &mut self,
        mut reread: Option<Box<dyn FnMut() -> Result<Settings, String>>>,
        stop: impl Future<Output = ()>,
    ) -> anyhow::Result<()> {
        let mut hangup = signal(SignalKind::hangup()).context("SIGHUP cannot be listened to")?;
        tokio::pin!(stop);
        self.handle(Event::Tick);
        loop {
            self.records.keep_time(&self.controller);
            // Here and not with the timer, which a flood of messages keeps from its turn.
            let outcome = self.records.lose_patience();
            self.settle(outcome);
            self.breathe();
            self.tell_people();
            if !self.later.is_empty() || self.records.is_busy() || self.taken >= IN_A_ROW {
                // The connection runs in this thread too: let it write the commands before anything is logged or told, and
                // take in what has come, so that a flood waits here, where what a guard needs goes first.
                tokio::task::yield_now().await;
                self.taken = 0;
                self.carry_out_later();
            }
            self.service.feed();
            let wait = self.wait();
            tokio::select! {
                biased;
                () = &mut stop => return Ok(()),
                () = next_hangup(&mut hangup) => match &mut reread {
                    Some(reread) => {
                        let outcome = reread();
                        self.reload(outcome).await?;
                    }
                    None => info!("SIGHUP: there is no configuration file to read again"),
                },
                news = self.records.news() => {
                    let outcome = self.records.hear(news);
                    self.settle(outcome);
                }
                news = self.telling.news() => self.hear_from_people(news),
                asked = next_question(&mut self.desk) => self.answer(asked),
                inbound = self.inbox.recv() => match inbound {
                    Some(inbound) => {
                        self.taken += 1;
                        self.inbound(inbound);
                    }
                    None => return Err(anyhow!("the connection to the broker has ended by itself")),
                },
                // After what comes from the broker: no guest holds up a reading.
                asked = self.pages.next() => self.answer_guest(asked),
                () = tokio::time::sleep(wait) => self.handle(Event::Tick),
            }
        }
    }

    /// Tells that all messages are handled again.
    fn breathe(&mut self) {
        if self.overload.is_some_and(|(_, last)| last.elapsed() >= BREATH) {
            self.overload = None;
            self.handle(Event::Overload { messages: None });
        }
    }

    /// How long nothing need be done, in real time.
    fn wait(&mut self) -> Duration {
        let deadline = self.controller.next_deadline().map_or(IDLE, |deadline| self.clock.until(deadline));
        let people =
            self.telling.deadline().map_or(IDLE, |deadline| self.clock.until(deadline)).min(self.telling.wait());
        let breath = self.overload.map_or(IDLE, |(_, last)| BREATH.saturating_sub(last.elapsed()));
        deadline.min(breath).min(self.service.feed_within()).min(self.records.wait().unwrap_or(IDLE)).min(people)
    }

    /// What the journal lets go, and how the disk does.
    fn settle(&mut self, (released, disk): (Vec<Release>, Option<Option<String>>)) {
        released.into_iter().for_each(|release| self.release(release));
        if let Some(failure) = disk {
            self.handle(Event::Storage { failure });
        }
    }

    fn release(&mut self, release: Release) {
        match release {
            Release::Publish(document, lane) => self.link.document(document.topic, document.payload, lane),
            Release::Post(message) => self.telling.take(*message, self.clock.now().wall),
            // A guest may have gone too.
            Release::Guest(to, answer) => _ = to.send(answer),
            // Whoever asked may have gone.
            Release::Answer(to, answer) => _ = to.send(answer),
        }
    }

    fn inbound(&mut self, inbound: Inbound) {
        match inbound {
            Inbound::Message { topic, payload, retained } => {
                let mut events = std::mem::take(&mut self.events);
                let settings = self.controller.settings();
                if let Err(misread) = self.routes.decode(&topic, &payload, retained, settings, &mut events) {
                    warn!("{misread}");
                }
                for event in events.drain(..) {
                    self.handle(event);
                }
                self.events = events;
            }
            Inbound::Delivered { output, ticket } => self.handle(Event::Delivered { output, ticket }),
            Inbound::Up => {
                info!("connected to the broker");
                self.pages.connected(true);
                self.handle(Event::LinkUp);
                self.service.status("connected");
            }
            Inbound::Down { why } => {
                warn!("connection to the broker lost: {why}");
                self.pages.connected(false);
                self.handle(Event::LinkDown);
                self.service.status("no broker; control goes on in memory");
            }
            Inbound::Shed(messages) => {
                warn!("{messages} messages were passed over: more come than can be handled");
                let (before, _) = self.overload.unwrap_or((0, Instant::now()));
                let all = before.saturating_add(messages);
                self.overload = Some((all, Instant::now()));
                self.handle(Event::Overload { messages: Some(all) });
            }
            Inbound::Note(note) => warn!("{note}"),
        }
    }

    fn handle(&mut self, event: Event) {
        let (heard, act) = match &event {
            Event::Reading { enclosure, probe, .. } => (Some((*enclosure, *probe)), None),
            Event::Act(act) => (None, Some(message::act_words(self.controller.settings(), act))),
            _ => (None, None),
        };
        let mut effects = std::mem::take(&mut self.effects);
        self.controller.handle(self.clock.now(), event, &mut effects);
        self.carry_out(&mut effects);
        self.effects = effects;
        if let Some((enclosure, probe)) = heard {
            self.records.heard(&self.controller, enclosure, probe);
        }
        // The core knows the time by now.
        if let Some((enclosure, act)) = act {
            let act = pages::signed(act, self.signature.take());
            self.records.note(Entry::Act { at: self.controller.stamp(), enclosure, act });
        }
    }

    /// Sends commands at once, and keeps the rest for [`Daemon::carry_out_later`].
    fn carry_out(&mut self, effects: &mut Vec<Effect>) {
        for effect in effects.drain(..) {
            match effect {
                Effect::Command(command) => {
                    if let Some(sent) = message::encode(self.controller.settings(), &command) {
                        let is_off = command.permit.level().is_off();
                        debug!(topic = %sent.topic, level = %command.permit.level(), ticket = command.ticket, "command");
                        self.link.command(sent.topic, sent.payload, command.output, command.ticket, is_off);
                    }
                }
                Effect::ClearRetained(output) => {
                    if let Some(topic) = message::clear_topic(self.controller.settings(), output) {
                        self.link.clear_retained(topic);
                    }
                }
                other => self.later.push(other),
            }
        }
    }

    /// Remembers, logs and tells. The indices are those of the settings in force, so a reload comes after this.
    fn carry_out_later(&mut self) {
        let at = self.controller.stamp();
        for effect in std::mem::take(&mut self.later) {
            if let Some(entry) = records::entry(self.controller.settings(), at, &effect) {
                self.records.note(entry);
            }
            match effect {
                Effect::Command(_) | Effect::ClearRetained(_) => {}
                Effect::Switched { enclosure, lamp, level, reason } => {
                    let enclosure = &self.controller.settings().enclosures[enclosure.0];
                    info!(enclosure = %enclosure.id, lamp = %enclosure.lamps[lamp.0].name, %level, %reason, "lamp");
                }
                Effect::Alarm(notice) => {
                    log_alarm(self.controller.settings(), &notice);
                    self.telling.hear(self.clock.now(), self.controller.settings(), &notice);
                    self.pages.alarm(self.controller.settings(), &notice);
                    self.publish(message::alarm_document(self.controller.settings(), &notice), Lane::Alarm);
                }
                Effect::State(enclosure) => self.publish_state(enclosure),
                Effect::Remember(_) | Effect::File(_) => {}
                Effect::Calibrated { enclosure, probe, told } => {
                    let enclosure = &self.controller.settings().enclosures[enclosure.0];
                    info!(enclosure = %enclosure.id, probe = %enclosure.probes[probe.0].name, "{told}");
                }
            }
        }
        self.records.commit().into_iter().for_each(|release| self.release(release));
    }

    /// Somebody is at the desk.
    fn answer(&mut self, asked: Asked) {
        let settings = self.controller.settings();
        let answer = match desk_words::question(settings, &asked.line) {
            Err(why) => desk_words::refused(&why),
            Ok(Question::Act(act)) => {
                info!("from the command line: {}", String::from_utf8_lossy(&asked.line).trim_end());
                self.handle(Event::Act(act));
                desk_words::done("logged")
            }
            Ok(Question::Why(enclosure, kind)) => {
                desk_words::why(&self.controller.why_alarm(enclosure, kind).unwrap_or_default())
            }
            Ok(Question::Season(enclosure)) => {
                let view = self.controller.view(enclosure);
                desk_words::season(view.and_then(|view| view.season).as_ref())
            }
            Ok(Question::Lamps(enclosure)) => {
                // Hours that somebody has seen are not forgotten.
                let mut effects = std::mem::take(&mut self.effects);
                self.controller.file_hours(enclosure, &mut effects);
                self.carry_out(&mut effects);
                self.effects = effects;
                self.records.flush();
                let settings = self.controller.settings();
                let lamps = self.controller.lamps(enclosure).unwrap_or_default();
                let why = |lamp| self.controller.why(enclosure, lamp).unwrap_or_default();
                desk_words::lamps(settings, enclosure, &lamps, why)
            }
            Ok(Question::Alarms) => self.alarms(),
            Ok(Question::Away) => self.away(),
            Ok(Question::Tested { contact, channel }) => {
                self.telling.tested(self.controller.settings(), contact, channel, self.clock.now().wall);
                desk_words::done("noted")
            }
            Ok(Question::Round(enclosure)) => {
                let round = self.controller.round(enclosure);
                let view = self.controller.view(enclosure);
                let probes = view.iter().flat_map(|view| view.probes.iter().enumerate());
                let probes: Vec<_> = probes.filter_map(|(ix, probe)| Some((ProbeIx(ix), probe.uv?))).collect();
                match round {
                    Some(round) => desk_words::round(self.controller.settings(), enclosure, &round, &probes),
                    None => desk_words::refused(&message::Misread("there is no such enclosure".to_owned())),
                }
            }
        };
        self.records.tell(Release::Answer(asked.answer, answer));
    }

    /// Once what it speaks of is on the disk.
    fn publish(&mut self, document: Option<message::Message>, lane: Lane) {
        if let Some(document) = document {
            self.records.tell(Release::Publish(document, lane));
        }
    }

    fn publish_state(&mut self, enclosure: EnclosureIx) {
        if let Some(view) = self.controller.view(enclosure) {
            self.publish(message::state_document(self.controller.settings(), &view), Lane::State);
            self.pages.enclosure(view);
        }
    }

    /// A configuration was read again.
    async fn reload(&mut self, outcome: Result<Settings, String>) -> anyhow::Result<()> {
        let settings = match outcome {
            Ok(settings) => settings,
            Err(why) => {
                error!("configuration refused, the one before stays in force: {why}");
                self.handle(Event::ConfigRefused { text: why });
                return Ok(());
            }
        };
        let before = self.controller.settings().clone();
        if before.site.state_directory != settings.site.state_directory {
            warn!("state_directory has changed: that takes effect at the next start");
        }
        let same_link = before.broker == settings.broker && before.site.name == settings.site.name;
        let new_routes = Routes::new(&settings);
        // A new connection is prepared before anything else, so that an unreadable certificate changes nothing.
        let new_link = if same_link {
            None
        } else {
            match Link::start(LinkOptions::daemon(&settings, new_routes.subscriptions())) {
                Ok(link) => Some(link),
                Err(why) => {
                    self.handle(Event::ConfigRefused { text: why.to_string() });
                    return Ok(());
                }
            }
        };
        self.carry_out_later();
        self.records.close_now(&before);
        let mut effects = self.controller.farewell(&settings);
        self.carry_out(&mut effects);
        self.clear_documents(&before, &settings);
        if let Some((link, inbox)) = new_link {
            self.handle(Event::LinkDown);
            self.carry_out_later();
            let old = std::mem::replace(&mut self.link, link);
            self.inbox = inbox;
            old.stop().await;
        } else {
            self.link.resubscribe(new_routes.subscriptions());
        }
        self.routes = new_routes;
        self.controller.reload(self.clock.now(), settings, &mut effects);
        self.carry_out(&mut effects);
        self.telling.reload(self.controller.settings(), self.clock.now());
        self.pages.reload(&before, &self.controller, || self.telling.key());
        info!("configuration read again");
        self.service.started(self.controller.settings());
        Ok(())
    }

    /// Deletes the documents of enclosures that are gone.
    fn clear_documents(&self, before: &Settings, after: &Settings) {
        let kept: std::collections::BTreeSet<_> = after.enclosures.iter().map(|enclosure| &enclosure.id).collect();
        for enclosure in before.enclosures.iter().filter(|enclosure| !kept.contains(&enclosure.id)) {
            let topic = message::topics::state(&before.site.name, &enclosure.id);
            self.link.document(topic, Vec::new(), Lane::State);
            for kind in crate::control::AlarmKind::ALL {
                let topic = message::topics::alarm(&before.site.name, &enclosure.id, kind);
                self.link.document(topic, Vec::new(), Lane::Alarm);
            }
        }
    }

    /// Leaves the lamps as the settings say, and parts from broker and disk.
    async fn end(mut self) {
        self.service.stopping();
        match self.controller.settings().site.on_exit {
            OnExit::HeatOff => info!("stopping: lamps that warm go off"),
            OnExit::AllOff => info!("stopping: all lamps go off"),
            OnExit::Leave => info!("stopping: lamps stay as they are"),
        }
        self.handle(Event::Stop);
        let mut effects = Vec::new();
        for enclosure in 0..self.controller.settings().enclosures.len() {
            self.controller.file_hours(EnclosureIx(enclosure), &mut effects);
        }
        self.carry_out(&mut effects);
        self.carry_out_later();
        // Nobody waits for the disk any more.
        let (held, _) = self.records.hear(News::Failing("stopping".to_owned()));
        held.into_iter().for_each(|release| self.release(release));
        self.link.stop().await;
        self.records.close(&self.controller);
    }
}

async fn next_hangup(hangup: &mut Signal) {
    if hangup.recv().await.is_none() {
        std::future::pending::<()>().await;
    }
}

async fn next_question(desk: &mut Option<Desk>) -> Asked {
    if let Some(open) = desk
        && let Some(asked) = open.next().await
    {
        return asked;
    }
    std::future::pending().await
}

fn log_alarm(settings: &Settings, notice: &AlarmNotice) {
    let enclosure = notice.enclosure.map_or("site", |EnclosureIx(ix)| settings.enclosures[ix].id.as_str());
    let (kind, priority, state) = (notice.kind, notice.priority.word(), notice.standing());
    match (notice.state, notice.priority) {
        _ if notice.aside.is_some() => info!(enclosure, %kind, priority, state, "alarm"),
        (AlarmState::Unacknowledged, Priority::Critical | Priority::High) => {
            error!(enclosure, %kind, priority, state, "alarm: {}", notice.text);
        }
        (AlarmState::Unacknowledged, _) => warn!(enclosure, %kind, priority, state, "alarm: {}", notice.text),
        _ => info!(enclosure, %kind, priority, state, "alarm"),
    }
}

/// The service manager's view of the daemon (sd_notify); silent where there is none.
struct Service {
    /// What the watchdog waits, and when it was last fed.
    watchdog: Option<(Duration, Option<Instant>)>,
    enabled: bool,
}

impl Service {
    fn new(enabled: bool) -> Service {
        let watchdog = if enabled { sd_notify::watchdog_enabled() } else { None };
        Service { watchdog: watchdog.map(|patience| (patience, None)), enabled }
    }

    fn tell(&self, states: &[sd_notify::NotifyState<'_>]) {
        if self.enabled
            && let Err(why) = sd_notify::notify(states)
        {
            debug!("the service manager could not be told: {why}");
        }
    }

    fn started(&self, settings: &Settings) {
        let lamps: usize = settings.enclosures.iter().map(|enclosure| enclosure.lamps.len()).sum();
        info!(site = %settings.site.name, enclosures = settings.enclosures.len(), lamps, "in charge");
        self.tell(&[sd_notify::NotifyState::Ready]);
        self.status("started");
    }

    fn status(&self, status: &str) {
        self.tell(&[sd_notify::NotifyState::Status(status)]);
    }

    /// Feeds the watchdog. Only the control loop calls this, so a loop that hangs starves it.
    fn feed(&mut self) {
        let within = self.feed_within();
        let Some((_, fed)) = &mut self.watchdog else { return };
        if fed.is_none_or(|fed| fed.elapsed() >= within / 2) {
            *fed = Some(Instant::now());
            self.tell(&[sd_notify::NotifyState::Watchdog]);
        }
    }

    /// The loop must come round within this: a third of what the watchdog waits.
    fn feed_within(&self) -> Duration {
        self.watchdog.map_or(IDLE, |(patience, _)| patience / 3)
    }

    fn stopping(&self) {
        self.tell(&[sd_notify::NotifyState::Stopping]);
    }
}
