//! `lampwarden wiring commission`: walks a person through every probe and lamp of some enclosures, and keeps the record.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use anyhow::{Context as _, bail};
use clap::Args;

use crate::commissioning::{
    self, Ended, Finding, Hand, Kind, LampAt, Outcome, Place, ProbeAt, Proposal, Seen, Stage, Track, Tracks, Trial,
};
use crate::config::{Locator, Source};
use crate::control::OutputRef;
use crate::daemon::Clock;
use crate::guard::Permit;
use crate::journal::{Entry, Journal, News};
use crate::settings::{EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::time::spoken;
use crate::units::Celsius;

use super::super::{Config, check, failed, find_enclosure};
use super::hearing::Item;
use super::record::{self, AnswerLine, ChangeLine, FigureLine, FindingLine, LampLine, ProbeLine, Record, StepLine};
use super::room::{Room, Told};
use super::voice::{Reply, Voice};
use super::{CONNECT_WITHIN, daemons_state, runtime, trial, unless_gone};

/// An output is asked to end by itself this long after it was last told on, should this program die; a guess.
const HOLD: Duration = Duration::from_secs(30);
/// How often it is told again.
const AGAIN: Duration = Duration::from_secs(10);
/// How often a trial is looked at when nothing is heard.
const GLANCE: Duration = Duration::from_secs(1);
/// How often it is told how a trial goes.
const NEWS_EVERY: Duration = Duration::from_secs(60);
/// Readings of each probe that are waited for first.
const LISTEN_READINGS: u32 = 6;
/// How long a probe stays in the hand. A guess.
const IN_HAND: Duration = Duration::from_secs(120);
/// So much warmer is a hand's doing. A guess.
const HAND: f64 = 1.5;
/// How long the disk may take.
const DURABLE_WITHIN: Duration = Duration::from_secs(15);

const CAUTION: &str = "\
CAUTION: this switches mains, and lamps stay on for many minutes.
  NO ANIMAL may be in these enclosures: take it out first, and let its veterinarian judge the numbers.
  Lamps that warm get hot and burn; UV lamps hurt eyes: do not look into them. Hands out while a lamp is on.
  Stand by all the while, within reach of the plug. Let a lamp cool before you touch it.
  Wiring is for a licensed electrician, to the local code; an independent thermal cut-out and a residual-current device come
  first, and must have been tried.
  While this runs the daemon does not: every lamp of the site is off, and nobody regulates the other enclosures.";

/// What is to be commissioned.
#[derive(Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    config: Config,
    /// The enclosures' ids: those that might be exchanged go together
    #[arg(value_name = "ENCLOSURE", required = true)]
    enclosures: Vec<String>,
    /// Who does it, for the record; the user's name unless given
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Do not measure how lamps warm: switch each only until its probe answers
    #[arg(long)]
    no_step: bool,
    /// How long a lamp may be on to measure how it warms
    #[arg(long, value_name = "SPAN", default_value = "45m", value_parser = super::span)]
    longest: Duration,
    /// Ask nothing: you stand by, and no animal is in there. Probes are not taken into the hand, nobody says which lamp
    /// came on, and the record is signed only with --by
    #[arg(long)]
    yes: bool,
    /// Print the records as a JSON array; questions and progress go to stderr
    #[arg(long)]
    json: bool,
}

/// What is wanted, apart from the settings.
pub struct Options {
    /// The enclosures.
    pub enclosures: Vec<EnclosureIx>,
    /// Who does it.
    pub by: String,
    /// For how long a lamp may be on to measure how it warms; none: it is not measured.
    pub step: Option<Duration>,
    /// Whether nothing is asked.
    pub yes: bool,
    /// Whether a run without questions is signed.
    pub signed: bool,
    /// Where the daemon keeps its journal.
    pub state_directory: PathBuf,
    /// The clock: the machine's, or a faster one over a room that lives by the same.
    pub clock: Clock,
}

/// Runs the command; exit code 1 where something is open, or was ended early.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    let loaded = check::load(&arguments.config.files);
    let sources = loaded.sources.clone();
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let Some(state_directory) = super::super::serve::state_directory(&settings.site) else {
        return failed(&"no place for the record: set state_directory in [site], or HOME");
    };
    let found: Result<Vec<_>, _> = arguments.enclosures.iter().map(|id| find_enclosure(&settings, id)).collect();
    let enclosures = match found {
        Ok(enclosures) => enclosures,
        Err(why) => return failed(&why),
    };
    let user = || ["SUDO_USER", "USER", "LOGNAME"].iter().find_map(|name| std::env::var(name).ok());
    let options = Options {
        enclosures,
        signed: arguments.by.is_some(),
        by: arguments.by.or_else(user).unwrap_or_else(|| "somebody".to_owned()),
        step: Some(arguments.longest).filter(|_| !arguments.no_step),
        yes: arguments.yes,
        state_directory,
        clock: Clock::real(),
    };
    runtime(async {
        let Some(records) = commission(&settings, &sources, &options).await? else { return Ok(false) };
        print(&settings, &records, arguments.json, &mut std::io::stdout().lock())?;
        Ok(records.iter().all(|record| record.findings.is_empty()))
    })
}

/// Writes records for a person, with what is proposed, or as JSON.
pub(super) fn print(settings: &Settings, records: &[Record], json: bool, out: &mut impl Write) -> anyhow::Result<()> {
    let written = match json {
        true => serde_json::to_writer_pretty(&mut *out, records).map_err(Into::into).and_then(|()| writeln!(out)),
        false => records.iter().try_for_each(|record| {
            record.write_text(settings.site.timezone, out)?;
            record.write_toml(out)
        }),
    };
    written.and_then(|()| out.flush()).or_else(unless_gone).context("the record cannot be written")
}

/// Walks through everything, and puts a record for each enclosure into the journal; none where it was not begun or was ended
/// early. Questions and progress go to stderr.
pub async fn commission(
    settings: &Settings,
    sources: &[Source],
    options: &Options,
) -> anyhow::Result<Option<Vec<Record>>> {
    // Held until the end: no daemon can start meanwhile and switch against us.
    let (journal, remembered) = daemons_state(Some(&options.state_directory)).context(
        "stop the daemon first (such as by `sudo systemctl stop lampwarden`), and start it again afterwards; see to the \
         animals of other enclosures meanwhile",
    )?;
    let Some(mut journal) = journal else { bail!("no place for the record") };
    let safety = remembered.safety(settings);
    let mut room = Room::enter(settings, None, &safety, options.clock.clone())?;
    if let Err(why) = room.wait_until_up(CONNECT_WITHIN).await {
        let (broker, within) = (&settings.broker, CONNECT_WITHIN.as_secs());
        bail!("nobody at {}:{} let us in within {within} s: {why}", broker.host, broker.port);
    }
    let mut walk = Walk {
        voice: Voice::new(options.yes)?,
        settings,
        options,
        began: room.now().wall,
        rest: Tracks::new(),
        hands: Vec::new(),
        tried: Vec::new(),
        proposals: BTreeMap::new(),
        stood: BTreeMap::new(),
        findings: Vec::new(),
    };
    room.attend();
    let walked = walk.walk(&mut room).await;
    // Whatever has happened: what guards must remember, and everything off.
    let darkened = trial::all_off(&mut room).await;
    let mut entries: Vec<Entry> = room.to_remember(&safety).into_iter().map(Entry::Safety).collect();
    let ended = room.now().wall;
    let records = match &walked {
        Ok(true) => Some(walk.records(&Locator::new(sources), &mut room, ended).await),
        _ => None,
    };
    entries.extend(records.iter().flatten().filter_map(entry));
    let kept = keep(&mut journal, entries).await;
    journal.close();
    room.leave().await?;
    walked?;
    if !darkened.is_empty() {
        bail!("COULD NOT BE SWITCHED OFF, pull their plugs now: {}", darkened.join(", "));
    }
    kept?;
    Ok(records)
}

/// The record as the journal keeps it.
fn entry(record: &Record) -> Option<Entry> {
    let mut act = serde_json::to_value(record).ok()?;
    act["act"] = record::ACT.into();
    Some(Entry::Act { at: record.ended, enclosure: Some(record.enclosure.clone()), act: act.to_string() })
}

/// Waits until `entries` are on the disk.
async fn keep(journal: &mut Journal, entries: Vec<Entry>) -> anyhow::Result<()> {
    let number = journal.write(entries);
    let durable = async {
        loop {
            match journal.news().await {
                News::Durable(upto) if upto >= number => return Ok(()),
                News::Failing(why) => bail!("the record is not on the disk: {why}"),
                News::Durable(_) | News::Well => {}
            }
        }
    };
    tokio::time::timeout(DURABLE_WITHIN, durable).await.context("the disk did not take the record")?
}

/// One commissioning.
struct Walk<'a> {
    voice: Voice,
    settings: &'a Settings,
    options: &'a Options,
    began: chrono::DateTime<chrono::Utc>,
    /// What every probe said with every lamp off.
    rest: Tracks,
    hands: Vec<Hand>,
    tried: Vec<(Outcome, Option<Seen>)>,
    proposals: BTreeMap<LampAt, Proposal>,
    /// Lamps that were not tried, and why.
    stood: BTreeMap<LampAt, String>,
    findings: Vec<Finding>,
}

impl Walk<'_> {
    /// Tells whether it came to its end.
    async fn walk(&mut self, room: &mut Room<'_>) -> anyhow::Result<bool> {
        // A daemon elsewhere, with another state directory, says so on its retained topic.
        room.until(GLANCE, |room| room.daemon_online()).await;
        if room.daemon_online() {
            bail!("the daemon of this site is running and would switch against us: stop it first");
        }
        self.voice.say(CAUTION);
        let question = "No animal is in there, and you stand by: switch every lamp of the site off now and go on?";
        if self.voice.ask(room, question).await != Reply::Yes {
            return Ok(false);
        }
        let stuck = trial::all_off(room).await;
        if !stuck.is_empty() {
            bail!("the broker did not take the OFF of {}", stuck.join(", "));
        }
        room.close_contactors();
        self.listen(room).await;
        for probe in self.thermometers() {
            if room.interrupted() {
                return Ok(false);
            }
            self.hand(room, probe).await;
        }
        for lamp in self.lamps() {
            if room.interrupted() || !self.lamp(room, lamp).await? {
                return Ok(false);
            }
        }
        self.sum_up();
        Ok(!room.interrupted())
    }

    fn lamps(&self) -> Vec<LampAt> {
        let of = |&e: &EnclosureIx| (0..self.settings.enclosures[e.0].lamps.len()).map(move |l| (e, LampIx(l)));
        self.options.enclosures.iter().flat_map(of).collect()
    }

    fn probes(&self, e: EnclosureIx) -> impl Iterator<Item = ProbeAt> + use<> {
        (0..self.settings.enclosures[e.0].probes.len()).map(move |p| (e, ProbeIx(p)))
    }

    fn thermometers(&self) -> Vec<ProbeAt> {
        let all = self.options.enclosures.iter().flat_map(|&e| self.probes(e));
        all.filter(|at| self.settings.enclosures[at.0.0].probes[at.1.0].measures == Measures::Temperature).collect()
    }

    /// Takes what was heard into `tracks`.
    fn take(&self, room: &mut Room<'_>, tracks: &mut Tracks) {
        for (at, told) in room.told() {
            if let Told::Reading(e, p, value) = told {
                let measures = self.settings.enclosures[e.0].probes[p.0].measures;
                tracks.entry((e, p)).or_insert_with(|| Track::new(measures)).push(at, value);
            }
        }
    }

    /// Step 1: every probe is heard, with every lamp off.
    async fn listen(&mut self, room: &mut Room<'_>) {
        let every = self
            .options
            .enclosures
            .iter()
            .flat_map(|&e| &self.settings.enclosures[e.0].probes)
            .map(|probe| probe.every);
        let span = every.max().unwrap_or_default() * LISTEN_READINGS;
        self.voice.say(&format!("\n1. Probes: listening for {} with every lamp off", spoken(span)));
        room.until(span, |_| false).await;
        let mut tracks = std::mem::take(&mut self.rest);
        self.take(room, &mut tracks);
        self.rest = tracks;
        for &e in &self.options.enclosures {
            for at in self.probes(e) {
                let name = commissioning::probe_name(self.settings, at);
                let heard = room.hearing().of(Item::Probe(at.0, at.1));
                let fault = heard.fault(self.settings, Item::Probe(at.0, at.1));
                match fault {
                    None => {
                        self.voice.say(&format!("   {name}: {}", heard.newest.and_then(Result::ok).unwrap_or_default()))
                    }
                    Some(fault) => {
                        let text = format!("{name}: {}", fault.plainly());
                        self.voice.say(&format!(" ! {text}"));
                        let changes = vec![commissioning::Change {
                            place: Place::Probe(at, "topic"),
                            to: "the topic it speaks on, or see to the probe".to_owned(),
                        }];
                        self.findings.push(Finding { kind: Kind::Silent, text, changes });
                    }
                }
            }
        }
    }

    /// Step 2: a thermometer is taken into the hand.
    async fn hand(&mut self, room: &mut Room<'_>, probe: ProbeAt) {
        let name = commissioning::probe_name(self.settings, probe);
        let question = format!(
            "\n2. Take the probe {name} into your hand and hold it (or into warm water, or iced water). Now in your hand?"
        );
        if self.options.yes || self.voice.ask(room, &question).await != Reply::Yes {
            return;
        }
        let mut tracks = self.rest.clone();
        self.take(room, &mut tracks);
        let from = room.now().mono;
        // What it was before the hand; the question may have lasted.
        let rested = |tracks: &Tracks| -> BTreeMap<ProbeAt, f64> {
            tracks.iter().filter_map(|(at, track)| Some((*at, track.middle()?))).collect()
        };
        let before = rested(&self.rest);
        self.voice.say(&format!("   hold it for up to {}", spoken(IN_HAND)));
        let deadline = from.after(IN_HAND);
        let mut most = None;
        while room.now().mono < deadline && !room.interrupted() {
            room.until(GLANCE, |room| room.has_news()).await;
            self.take(room, &mut tracks);
            most = self.thermometers_moved(&tracks, &before);
            if most.is_some() {
                break;
            }
        }
        let rose = most.map(|(at, _)| at);
        match most {
            Some((at, change)) if at == probe => self.voice.say(&format!("   {name} felt it: {change:+.1} K")),
            Some((at, change)) => {
                let other = commissioning::probe_name(self.settings, at);
                self.voice.say(&format!(" ! {other} felt it ({change:+.1} K), and not {name}"));
            }
            None => self.voice.say(&format!(" ! nothing felt it, {name} neither")),
        }
        self.hands.push(Hand { asked: probe, rose });
        // It cools meanwhile; what it says then is no rest.
        self.voice.say("   put it back; the next one is compared with what it said at first");
        for at in self.thermometers() {
            if rose == Some(at) {
                continue;
            }
            if let Some(track) = tracks.get(&at) {
                self.rest.insert(at, track.clone());
            }
        }
    }

    /// The thermometer that has moved most since it rested, anywhere, where one has moved far; one that has already been in a
    /// hand counts as the others do.
    fn thermometers_moved(&self, tracks: &Tracks, before: &BTreeMap<ProbeAt, f64>) -> Option<(ProbeAt, f64)> {
        let felt = |at: &ProbeAt| self.hands.iter().any(|hand| hand.rose == Some(*at));
        let moved = |(at, track): (&ProbeAt, &Track)| {
            let change = track.last()?.1 - before.get(at)?;
            let is_far = track.measures() == Measures::Temperature && change.abs() >= HAND && !felt(at);
            is_far.then_some((*at, change))
        };
        tracks.iter().filter_map(moved).max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()))
    }

    /// Steps 3 and 4: a lamp is tried, and how it warms is measured. Tells whether to go on.
    async fn lamp(&mut self, room: &mut Room<'_>, at: LampAt) -> anyhow::Result<bool> {
        let lamp = &self.settings.enclosures[at.0.0].lamps[at.1.0];
        let name = commissioning::lamp_name(self.settings, at);
        let warms = commissioning::warmed(self.settings, at);
        let step = self.options.step.filter(|_| warms.is_some());
        self.voice.say(&format!("\n3. {name}, a {}", lamp.fitting.traits().title));
        if lamp.output.hold.is_none() {
            self.voice
                .say("   it has no `hold`: if this program dies, only you switch it off. Have the plug in your hand");
        }
        if lamp.fitting.traits().emits.uv {
            self.voice.say("   UV: do not look into it");
        }
        let lasts = match step {
            Some(longest) => format!("until it is known how it warms, {} at most; it gets HOT", spoken(longest)),
            None if lamp.fitting.traits().emits.heat => "until its probe answers; it gets HOT".to_owned(),
            None => "until its probe answers, or for a minute".to_owned(),
        };
        if self.voice.ask(room, &format!("   Switch it on, {lasts}?")).await != Reply::Yes {
            self.stood.insert(at, "skipped".to_owned());
            return Ok(!room.interrupted());
        }
        let mut step = step;
        if step.is_some() && !self.options.yes {
            let sure = "   For this measurement NO ANIMAL may be in there. Is it empty?";
            if self.voice.ask(room, sure).await != Reply::Yes {
                self.voice.say("   then only until its probe answers");
                step = None;
            }
        }
        let (outcome, tracks, seen) = self.attempt(room, at, step).await?;
        self.tell(&outcome);
        if let Some(step) = &outcome.step
            && let Some(track) = tracks.get(&step.probe)
        {
            self.proposals.insert(at, commissioning::propose(self.settings, at, step, track));
        }
        self.tried.push((outcome, seen));
        Ok(!room.interrupted())
    }

    /// One trial, through the guard; whatever ends it, the lamp goes off.
    async fn attempt(
        &mut self,
        room: &mut Room<'_>,
        at: LampAt,
        step: Option<Duration>,
    ) -> anyhow::Result<(Outcome, Tracks, Option<Seen>)> {
        let output = OutputRef::Lamp(at.0, at.1);
        let name = commissioning::lamp_name(self.settings, at);
        let cut_off = self.settings.enclosures[at.0.0].lamps[at.1.0].cut_off;
        room.told();
        let mut trial = Trial::new(self.settings, at, step, room.now().mono);
        self.voice.say(&format!("   every probe is watched at rest for {}", spoken(trial.rest())));
        let (mut on_since, mut told_at, mut news_at) = (None, room.now().mono, room.now().mono);
        let mut stage = trial.stage();
        while trial.stage() != Stage::Done {
            for (when, told) in room.told() {
                match told {
                    Told::Reading(e, p, value) => trial.reading(when, (e, p), value),
                    Told::Report(e, l, level) => trial.report(when, (e, l), level),
                }
            }
            let now = room.now().mono;
            if room.interrupted() {
                trial.refuse(now, "interrupted".to_owned());
            } else if !room.is_connected() {
                trial.refuse(now, "the connection to the broker was lost".to_owned());
            } else if let Some(why) = cut_off.and_then(|cut_off| room.why_open(cut_off)) {
                trial.refuse(now, format!("the cut-off above it was opened: {why}"));
            }
            let mut granted = None;
            if trial.wants_on(now) {
                match room.permit(at.0, at.1) {
                    Ok(permit) => granted = Some(permit),
                    Err(why) => {
                        let why = why.map_or_else(String::new, |why| why.to_string());
                        trial.refuse(now, format!("the guard refuses: {why}"));
                    }
                }
            }
            match (granted, on_since) {
                (Some(permit), _) => {
                    if on_since.is_none() || now.since(told_at) >= AGAIN {
                        self.on(room, output, permit);
                        told_at = now;
                    }
                    if on_since.is_none() {
                        self.voice.say(&format!("   {name}: on"));
                        on_since = Some(now);
                        self.voice.wonder(&format!(
                            "   Look: did {name} come on, and no other? y: it did, o: another did, n: none did"
                        ));
                    }
                }
                (None, Some(_)) => {
                    self.voice.say(&format!("   {name}: off"));
                    if !trial::off(room, output).await {
                        bail!("{name} COULD NOT BE SWITCHED OFF: pull its plug now");
                    }
                    on_since = None;
                    continue;
                }
                (None, None) => {}
            }
            if trial.stage() != stage {
                stage = trial.stage();
                if stage == Stage::Stepping {
                    self.voice.say("   the right probe answers; measuring how it warms");
                }
            }
            if now.since(news_at) >= NEWS_EVERY && on_since.is_some() {
                news_at = now;
                self.voice.say(&progress(&trial));
            }
            room.until_whatever(GLANCE, |room| room.has_news()).await;
        }
        let seen = match self.voice.answered(room).await {
            Some(Reply::Yes) => Some(Seen::Right),
            Some(Reply::Other) => Some(Seen::Other(None)),
            Some(Reply::No) => Some(Seen::Nothing),
            Some(Reply::Skip) | None => None,
        };
        let (outcome, tracks) = trial.finish();
        Ok((outcome, tracks, seen))
    }

    fn on(&self, room: &mut Room<'_>, output: OutputRef, permit: Permit) {
        room.switch_for(output, permit, HOLD);
    }

    fn tell(&self, outcome: &Outcome) {
        let name = commissioning::lamp_name(self.settings, outcome.lamp);
        self.voice.say(&format!("   {name}: {}", words(self.settings, outcome)));
        for (at, answer) in &outcome.answers {
            let probe = commissioning::probe_name(self.settings, *at);
            self.voice.say(&format!("     {probe} answered after {}, by {:+.1}", spoken(answer.delay), answer.change));
        }
    }

    /// Everything that the steps say together.
    fn sum_up(&mut self) {
        self.findings.extend(commissioning::suspicions(self.settings, &self.rest));
        self.findings.extend(commissioning::findings(self.settings, &self.tried, &self.hands));
        self.findings.extend(self.proposals.values().flat_map(|proposal| proposal.findings.iter().cloned()));
    }

    /// The records, signed or not.
    async fn records(
        &mut self,
        locator: &Locator<'_>,
        room: &mut Room<'_>,
        ended: chrono::DateTime<chrono::Utc>,
    ) -> Vec<Record> {
        let findings: Vec<FindingLine> = self.findings.iter().map(|finding| self.finding(locator, finding)).collect();
        let mut records: Vec<Record> =
            self.options.enclosures.iter().map(|&e| self.record(locator, e, ended, &findings)).collect();
        for record in records.iter_mut() {
            let mut text = Vec::new();
            // Into memory, which does not fail.
            let _ = record.write_text(self.settings.site.timezone, &mut text);
            self.voice.say(&format!("\n{}", String::from_utf8_lossy(&text)));
            record.signed = match self.options.yes {
                true => self.options.signed,
                false => {
                    let question = format!("Do you, {}, sign off this record of {}?", record.by, record.enclosure);
                    self.voice.ask(room, &question).await == Reply::Yes
                }
            };
        }
        records
    }

    fn record(
        &self,
        locator: &Locator<'_>,
        e: EnclosureIx,
        ended: chrono::DateTime<chrono::Utc>,
        findings: &[FindingLine],
    ) -> Record {
        let enclosure = &self.settings.enclosures[e.0];
        let probes = self.probes(e).map(|at| self.probe_line(at)).collect();
        let lamps = self.lamps().into_iter().filter(|at| at.0 == e).map(|at| self.lamp_line(locator, at)).collect();
        Record {
            enclosure: enclosure.id.clone(),
            began: self.began,
            ended,
            by: self.options.by.clone(),
            signed: false,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            probes,
            lamps,
            findings: findings.to_vec(),
        }
    }

    fn probe_line(&self, at: ProbeAt) -> ProbeLine {
        let probe = &self.settings.enclosures[at.0.0].probes[at.1.0];
        let track = self.rest.get(&at);
        let gaps = track.and_then(Track::gaps);
        let hand = self.hands.iter().find(|hand| hand.asked == at);
        ProbeLine {
            probe: probe.name.clone(),
            value: track.and_then(|track| track.last()).map(|(_, value)| tidy(value)),
            unit: probe.measures.unit().to_owned(),
            every_s: gaps.map(|(gap, _)| tidy(gap.as_secs_f64())),
            longest_gap_s: gaps.map(|(_, longest)| tidy(longest.as_secs_f64())),
            rose_in_hand: hand.and_then(|hand| Some(commissioning::probe_name(self.settings, hand.rose?))),
        }
    }

    fn lamp_line(&self, locator: &Locator<'_>, at: LampAt) -> LampLine {
        let lamp = self.settings.enclosures[at.0.0].lamps[at.1.0].name.clone();
        let Some((outcome, seen)) = self.tried.iter().find(|(outcome, _)| outcome.lamp == at) else {
            let outcome = self.stood.get(&at).cloned().unwrap_or_else(|| "not reached".to_owned());
            return LampLine { lamp, outcome, ..LampLine::default() };
        };
        let answer = |(probe, answer): (&ProbeAt, &commissioning::Answer)| AnswerLine {
            probe: commissioning::probe_name(self.settings, *probe),
            expected: outcome.expected.contains(probe),
            change: tidy(answer.change),
            unit: match self.settings.enclosures[probe.0.0].probes[probe.1.0].measures {
                Measures::Temperature => "K".to_owned(),
                other => other.unit().to_owned(),
            },
            after_s: tidy(answer.delay.as_secs_f64()),
        };
        let proposal = self.proposals.get(&at);
        let seen = seen.map(|seen| match seen {
            Seen::Right => "right",
            Seen::Other(_) => "other",
            Seen::Nothing => "nothing",
        });
        LampLine {
            lamp,
            outcome: words(self.settings, outcome),
            on_s: tidy(outcome.on_for.as_secs_f64()),
            reported_on_s: outcome.reported_on.map(|span| tidy(span.as_secs_f64())),
            reported_off: outcome.reported_off,
            seen: seen.map(str::to_owned),
            answers: outcome.answers.iter().map(answer).collect(),
            step: outcome.step.as_ref().map(|step| self.step_line(step)),
            proposed: proposal.map(|proposal| self.figures(locator, proposal)).unwrap_or_default(),
            notes: proposal.map(|proposal| proposal.notes.clone()).unwrap_or_default(),
        }
    }

    fn step_line(&self, step: &commissioning::Step) -> StepLine {
        let response = step.found.response;
        let [gain, lag, dead] = step.found.errors.map_or([None; 3], |errors| errors.map(|error| Some(tidy(error))));
        StepLine {
            probe: commissioning::probe_name(self.settings, step.probe),
            start_c: tidy(response.start),
            gain_k: tidy(response.gain),
            gain_error_k: gain,
            time_constant_s: tidy(response.lag),
            time_constant_error_s: lag,
            dead_time_s: tidy(response.dead),
            dead_time_error_s: dead,
            scatter_k: tidy(step.found.scatter),
            time_constants_seen: tidy(step.found.covered),
            hottest_c: tidy(step.hottest.0),
            readings: step.readings,
        }
    }

    fn figures(&self, locator: &Locator<'_>, proposal: &Proposal) -> Vec<FigureLine> {
        let line = |figure: &commissioning::Figure| {
            let (id, path) = self.path(figure.place);
            let found = locator.find(id, &path);
            FigureLine {
                table: format!("{id}: {}", path[..path.len() - 1].join(".")),
                key: path.last().map(|key| (*key).to_owned()).unwrap_or_default(),
                value: figure.value.clone(),
                now: figure.now.clone(),
                why: figure.why.clone(),
                file: found.map(|(file, _)| file.to_owned()),
                line: found.map(|(_, line)| line),
            }
        };
        proposal.figures.iter().map(line).collect()
    }

    fn finding(&self, locator: &Locator<'_>, finding: &Finding) -> FindingLine {
        let change = |change: &commissioning::Change| {
            let (id, path) = self.path(change.place);
            let found = locator.find(id, &path);
            ChangeLine {
                of: format!("{id} {}", path[..path.len() - 1].join(".")),
                key: path.last().map(|key| (*key).to_owned()).unwrap_or_default(),
                to: change.to.clone(),
                file: found.map(|(file, _)| file.to_owned()),
                line: found.map(|(_, line)| line),
            }
        };
        FindingLine {
            kind: finding.kind.word().to_owned(),
            text: finding.text.clone(),
            changes: finding.changes.iter().map(change).collect(),
        }
    }

    /// The enclosure's id and the way to a place within it, as the configuration writes it.
    fn path(&self, place: Place) -> (&str, Vec<&str>) {
        let enclosure = |e: EnclosureIx| &self.settings.enclosures[e.0];
        match place {
            Place::Probe((e, p), key) => (&enclosure(e).id, vec!["probes", &enclosure(e).probes[p.0].name, key]),
            Place::Lamp((e, l), key) => (&enclosure(e).id, vec!["lamps", &enclosure(e).lamps[l.0].name, key]),
            Place::Output((e, l), key) => {
                let lamp = &enclosure(e).lamps[l.0];
                let kind = if lamp.output.is_relay() { "relay" } else { "dimmer" };
                (&enclosure(e).id, vec!["lamps", &lamp.name, kind, key])
            }
        }
    }
}

/// How a trial goes, in a line.
fn progress(trial: &Trial<'_>) -> String {
    let warmth = trial.warmth().map_or_else(String::new, |warmth| format!(" at {warmth}"));
    match trial.known() {
        Some(step) => {
            let response = step.found.response;
            format!(
                "    {warmth}, seen for {:.1} time constants of {:.0} s; it would settle at {}",
                step.found.covered,
                response.lag,
                Celsius(response.settles())
            )
        }
        None => format!("    {warmth}"),
    }
}

/// How a trial ended, in words.
fn words(settings: &Settings, outcome: &Outcome) -> String {
    let probe = |at: &ProbeAt| commissioning::probe_name(settings, *at);
    match &outcome.ended {
        Ended::Known => "tried".to_owned(),
        Ended::Unanswered => "tried, and not answered".to_owned(),
        Ended::Stranger(at) => format!("ended when {} rose instead", probe(at)),
        Ended::NearCut(at, reading) if outcome.on_for.is_zero() => format!("not tried: {} is at {reading}", probe(at)),
        Ended::NearCut(at, reading) => format!("tried until {} came near its cut at {reading}", probe(at)),
        Ended::TimeUp => "tried for as long as it may be".to_owned(),
        Ended::Refused(why) => format!("ended: {why}"),
        Ended::NotSeen(at) => format!("not tried: {} was not heard often enough", probe(at)),
    }
}

/// To the thousandth.
fn tidy(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// The records in the journal in `directory`, oldest first; of one enclosure, or of all.
pub(super) fn records(directory: &Path, enclosure: Option<&str>) -> Result<Vec<Record>, String> {
    let reader =
        crate::journal::read::Reader::open(&directory.join(crate::journal::FILE)).map_err(|why| why.to_string())?;
    let mut records = Vec::new();
    let window = crate::journal::read::Window::ALL;
    let take = |act: crate::journal::read::Act| {
        if act.verb() == record::ACT
            && let Ok(record) = serde_json::from_value(act.words.into())
        {
            records.push(record);
        }
        Ok(())
    };
    reader.acts(enclosure, window, take).map_err(|why| why.to_string())?;
    Ok(records)
}
