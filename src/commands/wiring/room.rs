//! The room as it is heard and spoken to: a connection of its own beside the daemon's.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use chrono::SecondsFormat;
use serde::Serialize;
use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::control::{Command, Event, OutputRef};
use crate::daemon::Clock;
use crate::guard::{Contactor, LampGuard, Permit, Refusal, SafetyRecord};
use crate::message::{Routes, Subscription, Watch, encode, topics};
use crate::settings::{CutOff, CutOffIx, EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::time::{Moment, Mono};
use crate::units::{Celsius, Level, Uvi};
use crate::wire::{Inbound, Inbox, Link, LinkHandle, LinkOptions};

use super::hearing::{Hearing, believable};

/// How many exchanges are measured.
const EXCHANGES: usize = 11;
/// How long one exchange may take.
const EXCHANGE_WITHIN: Duration = Duration::from_secs(2);
/// Stands where an output would, for our own exchanges: no settings have so many contactors.
const OWN: OutputRef = OutputRef::CutOff(CutOffIx(usize::MAX));
/// A relay's own timer is asked to end it after this long, should we fail to.
const HOLD: Duration = Duration::from_secs(10);

/// A QoS 1 exchange with the broker: the medians of several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct RoundTrip {
    /// Until our message was acknowledged.
    pub acknowledged: Duration,
    /// Until a message that another connection sent right after that came to us.
    pub returned: Duration,
}

/// The room.
pub(super) struct Room<'a> {
    pub(super) settings: &'a Settings,
    hearing: Hearing,
    clock: Clock,
    routes: Routes,
    link: LinkHandle,
    inbox: Inbox,
    own_topic: String,
    own_returned: bool,
    record: Option<(PathBuf, BufWriter<File>)>,
    guards: BTreeMap<(EnclosureIx, LampIx), LampGuard>,
    contactors: Vec<Contactor>,
    connected: bool,
    /// Whether the daemon says that it is online.
    daemon_online: bool,
    reports: BTreeMap<OutputRef, Level>,
    delivered: BTreeSet<u64>,
    ticket: u64,
    last_note: String,
    /// Whatever would end the process: a lamp that is being tried must go off first.
    signals: [Signal; 3],
    interrupted: bool,
    /// What was just heard, while somebody wants it.
    told: Option<Vec<(Mono, Told)>>,
}

/// Something heard that counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Told {
    /// A believable reading that had just been taken, in its kept unit.
    Reading(EnclosureIx, ProbeIx, f64),
    /// What a lamp's output reported.
    Report(EnclosureIx, LampIx, Level),
}

/// One line of a recording.
#[derive(Serialize)]
struct RecordLine<'a> {
    t: String,
    topic: &'a str,
    payload: &'a str,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    retained: bool,
}

impl<'a> Room<'a> {
    /// Starts connecting. The guards take up what the daemon remembered.
    pub(super) fn enter(
        settings: &'a Settings,
        record: Option<&Path>,
        remembered: &[SafetyRecord],
        clock: Clock,
    ) -> anyhow::Result<Room<'a>> {
        let routes = Routes::new(settings);
        let process = std::process::id();
        let own_topic = format!("lampwarden/{}/wiring/{process}", settings.site.name);
        let mut subscriptions = routes.subscriptions();
        for filter in [own_topic.clone(), topics::status(&settings.site.name)] {
            subscriptions.push(Subscription { filter, watch: Watch::Reports });
        }
        let daemon = LinkOptions::daemon(settings, subscriptions);
        let client_id = format!("{}-wiring-{process}", daemon.client_id);
        let (link, inbox) = Link::start(LinkOptions { client_id, announce: false, ..daemon })?;
        let record = match record {
            None => None,
            Some(path) => {
                let file = File::create(path).with_context(|| path.display().to_string())?;
                Some((path.to_owned(), BufWriter::new(file)))
            }
        };
        Ok(Room {
            settings,
            hearing: Hearing::default(),
            guards: guards(settings, clock.now().mono, remembered),
            contactors: settings.cut_offs.iter().map(|cut_off| contactor(cut_off, remembered)).collect(),
            clock,
            routes,
            link,
            inbox,
            own_topic,
            own_returned: false,
            record,
            connected: false,
            daemon_online: false,
            reports: BTreeMap::new(),
            delivered: BTreeSet::new(),
            ticket: 0,
            last_note: "no answer".to_owned(),
            signals: [
                signal(SignalKind::interrupt())?,
                signal(SignalKind::terminate())?,
                signal(SignalKind::hangup())?,
            ],
            interrupted: false,
            told: None,
        })
    }

    /// Waits for the connection; an error is the last reason why there is none.
    pub(super) async fn wait_until_up(&mut self, within: Duration) -> Result<(), String> {
        match self.answered(within, |room| room.connected).await {
            true => Ok(()),
            false => Err(self.last_note.clone()),
        }
    }

    /// Measures QoS 1 exchanges; none where messages do not come back.
    ///
    /// Our command is acknowledged, and right after that somebody else's message comes to us: a broker that holds small
    /// packets back until the last one is acknowledged by TCP then holds that message, which might be the reading that
    /// trips a guard. A second connection sends it, since anything we sent would carry the acknowledgement.
    pub(super) async fn measure(&mut self) -> anyhow::Result<Option<RoundTrip>> {
        let aside = format!("{}/aside", self.own_topic);
        let listens = vec![Subscription { filter: aside.clone(), watch: Watch::Reports }];
        let other = LinkOptions::daemon(self.settings, listens);
        let client_id = format!("{}-sender-{}", other.client_id, std::process::id());
        let (other, mut others) = Link::start(LinkOptions { client_id, announce: false, ..other })?;
        let up = async { while others.recv().await.is_some_and(|inbound| inbound != Inbound::Up) {} };
        if tokio::time::timeout(EXCHANGE_WITHIN, up).await.is_err() {
            return Ok(None);
        }
        let (mut acknowledged, mut returned) = (Vec::new(), Vec::new());
        for n in 0..EXCHANGES {
            let began = Instant::now();
            self.ticket += 1;
            let ticket = self.ticket;
            let payload = n.to_string().into_bytes();
            self.link.command(aside.clone(), payload.clone(), OWN, ticket, false);
            if !self.answered(EXCHANGE_WITHIN, |room| room.is_delivered(ticket)).await {
                return Ok(None);
            }
            acknowledged.push(began.elapsed());
            let began = Instant::now();
            self.own_returned = false;
            other.command(self.own_topic.clone(), payload, OWN, ticket, false);
            if !self.answered(EXCHANGE_WITHIN, |room| room.own_returned).await {
                return Ok(None);
            }
            returned.push(began.elapsed());
        }
        other.stop().await;
        let median = |mut times: Vec<Duration>| {
            times.sort();
            times[EXCHANGES / 2]
        };
        Ok(Some(RoundTrip { acknowledged: median(acknowledged), returned: median(returned) }))
    }

    /// Listens; tells for how long, since an interruption ends it early.
    pub(super) async fn listen(&mut self, span: Duration) -> Duration {
        let began = self.clock.now().mono;
        self.until(span, |_| false).await;
        self.clock.now().mono.since(began).min(span)
    }

    /// Takes in what comes until `done` says so; tells whether it did within `span` of the room's time. An interruption ends it
    /// too.
    pub(super) async fn until(&mut self, span: Duration, done: impl FnMut(&Room<'_>) -> bool) -> bool {
        let span = self.clock.until(self.clock.now().mono.after(span));
        self.answered(span, done).await
    }

    /// The same for what the broker is to answer, which takes as long as it takes however fast the room's time runs.
    async fn answered(&mut self, span: Duration, mut done: impl FnMut(&Room<'_>) -> bool) -> bool {
        let deadline = tokio::time::Instant::now() + span;
        loop {
            if done(self) {
                return true;
            }
            if self.interrupted {
                return false;
            }
            tokio::select! {
                biased;
                () = any(&mut self.signals) => self.interrupted = true,
                inbound = self.inbox.recv() => match inbound {
                    Some(inbound) => self.take(inbound),
                    None => return false,
                },
                () = tokio::time::sleep_until(deadline) => return false,
            }
        }
    }

    /// As [`Room::until`], where an interruption must not get in the way: for switching off.
    pub(super) async fn until_whatever(&mut self, span: Duration, done: impl FnMut(&Room<'_>) -> bool) -> bool {
        let interrupted = std::mem::take(&mut self.interrupted);
        let outcome = self.until(span, done).await;
        self.interrupted |= interrupted;
        outcome
    }

    /// Whether the broker acknowledges this command within `span`, whatever interrupts.
    pub(super) async fn delivers(&mut self, ticket: u64, span: Duration) -> bool {
        let interrupted = std::mem::take(&mut self.interrupted);
        let outcome = self.answered(span, |room| room.is_delivered(ticket)).await;
        self.interrupted |= interrupted;
        outcome
    }

    /// Whether a person wants it to end.
    pub(super) fn interrupted(&self) -> bool {
        self.interrupted
    }

    /// Whether the broker is there.
    pub(super) fn is_connected(&self) -> bool {
        self.connected
    }

    /// The present moment.
    pub(super) fn now(&self) -> Moment {
        self.clock.now()
    }

    /// From now on what is heard is kept for [`Room::told`].
    pub(super) fn attend(&mut self) {
        self.told = Some(Vec::new());
    }

    /// What was heard since it was last asked.
    pub(super) fn told(&mut self) -> Vec<(Mono, Told)> {
        self.told.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// Whether anything was.
    pub(super) fn has_news(&self) -> bool {
        self.told.as_ref().is_some_and(|told| !told.is_empty())
    }

    /// What was heard of every topic so far.
    pub(super) fn hearing(&self) -> &Hearing {
        &self.hearing
    }

    /// Whether the daemon is in charge of this site.
    pub(super) fn daemon_online(&self) -> bool {
        self.daemon_online
    }

    /// What the guard of a lamp grants for being fully on, or why it grants nothing.
    pub(super) fn permit(&mut self, enclosure: EnclosureIx, lamp: LampIx) -> Result<Permit, Option<Refusal>> {
        let now = self.clock.now().mono;
        let guard = self.guards.get_mut(&(enclosure, lamp)).ok_or(None)?;
        match guard.judge(now, Level::FULL) {
            (permit, None) => Ok(permit),
            (_, refusal) => Err(refusal),
        }
    }

    /// Whether the guard of a lamp has something against its being on.
    pub(super) fn refusal(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<Refusal> {
        // A look changes nothing that matters, so it may be taken at a copy.
        self.guards.get(&(enclosure, lamp))?.clone().refusal(self.clock.now().mono)
    }

    /// Closes every contactor that was not opened for a reason.
    pub(super) fn close_contactors(&mut self) {
        for ix in 0..self.contactors.len() {
            self.switch(OutputRef::CutOff(CutOffIx(ix)), self.contactors[ix].permit());
        }
    }

    /// Why a contactor was opened, where it was.
    pub(super) fn why_open(&self, cut_off: CutOffIx) -> Option<&str> {
        self.contactors.get(cut_off.0)?.why_open()
    }

    /// What the daemon must remember of trips and latches that happened meanwhile; `before` is what it remembered.
    pub(super) fn to_remember(&self, before: &[SafetyRecord]) -> Vec<SafetyRecord> {
        let now = self.clock.now().mono;
        let earlier = guards(self.settings, now, before);
        let changed = |(at, guard): &(&(EnclosureIx, LampIx), &LampGuard)| {
            earlier.get(at).map(LampGuard::marker) != Some(guard.marker())
        };
        let enclosures: BTreeSet<_> = self.guards.iter().filter(changed).map(|((e, _), _)| *e).collect();
        let record = |e: EnclosureIx| {
            let enclosure = &self.settings.enclosures[e.0];
            let lamps = enclosure.lamps.iter().enumerate();
            let lamps = lamps.filter_map(|(l, lamp)| self.guards.get(&(e, LampIx(l)))?.record(now, lamp)).collect();
            SafetyRecord::Enclosure { id: enclosure.id.clone(), lamps }
        };
        enclosures.into_iter().map(record).collect()
    }

    /// Tells an output its level, and to end it by itself soon; the ticket tells whether it was delivered.
    pub(super) fn switch(&mut self, output: OutputRef, permit: Permit) -> u64 {
        self.switch_for(output, permit, HOLD)
    }

    /// The same; the output is asked to end it by itself after `hold`, should nobody say it again.
    pub(super) fn switch_for(&mut self, output: OutputRef, permit: Permit, hold: Duration) -> u64 {
        if let (OutputRef::Lamp(enclosure, lamp), true) = (output, permit.level().is_off())
            && let Some(guard) = self.guards.get_mut(&(enclosure, lamp))
        {
            guard.judge(self.clock.now().mono, Level::OFF);
        }
        self.ticket += 1;
        let command = Command { output, permit, hold: Some(hold), ticket: self.ticket };
        if let Some(message) = encode(self.settings, &command) {
            self.link.command(message.topic, message.payload, output, self.ticket, permit.level().is_off());
        }
        self.ticket
    }

    /// Whether the broker has acknowledged this command.
    pub(super) fn is_delivered(&self, ticket: u64) -> bool {
        self.delivered.contains(&ticket)
    }

    /// What an output has reported since [`Room::forget_report`].
    pub(super) fn report(&self, output: OutputRef) -> Option<Level> {
        self.reports.get(&output).copied()
    }

    /// Only reports from now on count.
    pub(super) fn forget_report(&mut self, output: OutputRef) {
        self.reports.remove(&output);
    }

    /// Finishes the recording and parts from the broker; what was heard stays.
    pub(super) async fn leave(self) -> anyhow::Result<Hearing> {
        if let Some((path, mut file)) = self.record {
            file.flush().with_context(|| path.display().to_string())?;
        }
        self.link.stop().await;
        Ok(self.hearing)
    }

    fn take(&mut self, inbound: Inbound) {
        match inbound {
            Inbound::Up => self.connected = true,
            Inbound::Down { why } => {
                self.connected = false;
                eprintln!("connection lost: {why}");
            }
            // Only listening, nothing here is behind for long.
            Inbound::Shed(_) => {}
            Inbound::Note(note) => {
                eprintln!("{note}");
                self.last_note = note;
            }
            Inbound::Delivered { ticket, .. } => drop(self.delivered.insert(ticket)),
            Inbound::Message { topic, payload, retained } => self.message(&topic, &payload, retained),
        }
    }

    fn message(&mut self, topic: &str, payload: &[u8], retained: bool) {
        if topic == self.own_topic {
            self.own_returned = true;
            return;
        }
        if topic == topics::status(&self.settings.site.name) {
            self.daemon_online = payload == b"online";
            return;
        }
        self.record(topic, payload, retained);
        let now = self.clock.now().mono;
        let mut events = Vec::new();
        if let Err(misread) = self.routes.decode(topic, payload, retained, self.settings, &mut events) {
            eprintln!("{misread}");
        }
        for event in &events {
            self.hearing.take(self.settings, now, event);
            match event {
                Event::Reading { .. } => self.guard(now, event),
                Event::Report { output, level: Ok(level), retained } => {
                    self.reports.insert(*output, *level);
                    if let (OutputRef::Lamp(e, l), false, Some(told)) = (*output, *retained, &mut self.told) {
                        told.push((now, Told::Report(e, l, *level)));
                    }
                }
                _ => {}
            }
        }
    }

    /// Lets every guard of the enclosure have a reading that counts.
    fn guard(&mut self, now: Mono, event: &Event) {
        let Event::Reading { enclosure, probe, reading } = event else { return };
        let of = &self.settings.enclosures[enclosure.0].probes[probe.0];
        let timely = reading
            .taken
            .is_none_or(|taken| (self.clock.now().wall - taken).abs().to_std().is_ok_and(|age| age <= of.stale));
        let Ok(value) = believable(of, reading) else { return };
        if reading.retained || !timely {
            return;
        }
        if let Some(told) = &mut self.told {
            told.push((now, Told::Reading(*enclosure, *probe, value)));
        }
        for ((of_enclosure, _), guard) in &mut self.guards {
            if of_enclosure == enclosure {
                match of.measures {
                    Measures::Temperature => drop(guard.temperature(now, *probe, Celsius(value))),
                    Measures::Uvi => drop(guard.uv(now, *probe, Uvi(value))),
                    _ => {}
                }
            }
        }
    }

    fn record(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let Some((path, file)) = &mut self.record else { return };
        let t = self.clock.now().wall.to_rfc3339_opts(SecondsFormat::Millis, true);
        let line = RecordLine { t, topic, payload: &String::from_utf8_lossy(payload), retained };
        let written = serde_json::to_writer(&mut *file, &line).map_err(Into::into).and_then(|()| file.write_all(b"\n"));
        if let Err(error) = written {
            eprintln!("{}: {error}; recording ends here", path.display());
            self.record = None;
        }
    }
}

/// Done when one of the signals comes.
async fn any([interrupt, terminate, hangup]: &mut [Signal; 3]) {
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
        _ = hangup.recv() => {}
    }
}

/// A guard for every lamp, with what was remembered of it.
fn guards(settings: &Settings, now: Mono, remembered: &[SafetyRecord]) -> BTreeMap<(EnclosureIx, LampIx), LampGuard> {
    let mut guards = BTreeMap::new();
    for (e, enclosure) in settings.enclosures.iter().enumerate() {
        let records = remembered.iter().find_map(|record| match record {
            SafetyRecord::Enclosure { id, lamps } if *id == enclosure.id => Some(lamps.as_slice()),
            _ => None,
        });
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            let mut guard = LampGuard::new(lamp, &enclosure.probes);
            if let Some(record) = records.unwrap_or_default().iter().find(|record| record.is_of(lamp)) {
                guard.restore(now, record);
            }
            guards.insert((EnclosureIx(e), LampIx(l)), guard);
        }
    }
    guards
}

/// A contactor with what was remembered of it.
fn contactor(cut_off: &CutOff, remembered: &[SafetyRecord]) -> Contactor {
    let open = remembered.iter().find_map(|record| match record {
        SafetyRecord::CutOff { name, open } if *name == cut_off.name => open.clone(),
        _ => None,
    });
    Contactor::new(open)
}
