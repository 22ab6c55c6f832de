//! The walk itself: probes heard, taken into the hand, lamps tried one by one.

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::bail;
use chrono::{DateTime, Utc};

use crate::commissioning::{
    self, Change, Ended, Finding, Hand, Kind, LampAt, Outcome, Place, ProbeAt, Proposal, Seen, Stage, Track, Tracks,
    Trial,
};
use crate::control::OutputRef;
use crate::settings::{EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::time::spoken;
use crate::units::Celsius;

use super::commission::Options;
use super::hearing::Item;
use super::ledger::words;
use super::room::{Room, Told};
use super::trial;
use super::voice::{Reply, Voice};

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
const CAUTION: &str = "\
CAUTION: this switches mains, and lamps stay on for many minutes.
  NO ANIMAL may be in these enclosures: take it out first, and let its veterinarian judge the numbers.
  Lamps that warm get hot and burn; UV lamps hurt eyes: do not look into them. Hands out while a lamp is on.
  Stand by all the while, within reach of the plug. Let a lamp cool before you touch it.
  Wiring is for a licensed electrician, to the local code; an independent thermal cut-out and a residual-current device come
  first, and must have been tried.
  While this runs the daemon does not: every lamp of the site is off, and nobody regulates the other enclosures.";

/// One commissioning.
pub(super) struct Walk<'a> {
    pub(super) voice: Voice,
    pub(super) settings: &'a Settings,
    pub(super) options: &'a Options,
    pub(super) began: DateTime<Utc>,
    /// What every probe said with every lamp off.
    pub(super) rest: Tracks,
    pub(super) hands: Vec<Hand>,
    pub(super) tried: Vec<(Outcome, Option<Seen>)>,
    pub(super) proposals: BTreeMap<LampAt, Proposal>,
    /// Lamps that were not tried, and why.
    pub(super) stood: BTreeMap<LampAt, String>,
    pub(super) findings: Vec<Finding>,
}

impl<'a> Walk<'a> {
    /// Nothing walked yet; an error where nobody is there to be asked.
    pub(super) fn new(settings: &'a Settings, options: &'a Options, began: DateTime<Utc>) -> anyhow::Result<Walk<'a>> {
        Ok(Walk {
            voice: Voice::new(options.yes)?,
            settings,
            options,
            began,
            rest: Tracks::new(),
            hands: Vec::new(),
            tried: Vec::new(),
            proposals: BTreeMap::new(),
            stood: BTreeMap::new(),
            findings: Vec::new(),
        })
    }
}

impl Walk<'_> {
    /// Tells whether it came to its end.
    pub(super) async fn walk(&mut self, room: &mut Room<'_>) -> anyhow::Result<bool> {
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
        self.retained(room);
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

    pub(super) fn lamps(&self) -> Vec<LampAt> {
        let of = |&e: &EnclosureIx| (0..self.settings.enclosures[e.0].lamps.len()).map(move |l| (e, LampIx(l)));
        self.options.enclosures.iter().flat_map(of).collect()
    }

    pub(super) fn probes(&self, e: EnclosureIx) -> impl Iterator<Item = ProbeAt> + use<> {
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
                        let changes = vec![Change {
                            place: Place::Probe(at, "topic"),
                            to: "the topic it speaks on, or see to the probe".to_owned(),
                        }];
                        self.findings.push(Finding { kind: Kind::Silent, text, changes });
                    }
                }
            }
        }
    }

    /// A message that the broker has kept on a command topic acts by itself after a power cut.
    fn retained(&mut self, room: &Room<'_>) {
        for at in self.lamps() {
            if room.hearing().retained_commands.contains(&OutputRef::Lamp(at.0, at.1)) {
                let (name, output) = (
                    commissioning::lamp_name(self.settings, at),
                    &self.settings.enclosures[at.0.0].lamps[at.1.0].output,
                );
                let text = format!(
                    "{name}: a retained message on {}: after a power cut it acts by itself; the daemon deletes it, and whoever sent \
                     it must not again",
                    output.set
                );
                self.voice.say(&format!(" ! {text}"));
                self.findings.push(Finding { kind: Kind::Retained, text, changes: Vec::new() });
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
        if matches!(outcome.ended, Ended::HeatsWhileOff(_)) {
            self.voice.say(" ! SOMETHING HEATS ALTHOUGH EVERY LAMP WAS TOLD OFF: PULL PLUGS NOW, until it cools");
        }
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
                        room.switch_for(output, permit, HOLD);
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
