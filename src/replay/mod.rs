//! Room: a recording through the control core. What would this configuration have done with last month?
//!
//! ```text
//! lines ─▶ Survey            which relays' states are in it; when it starts
//! lines ─▶ line ─▶ player (Controller, deadlines, relays that obey) ─▶ Happening ─▶ words
//!            └─▶ findings                                                   └─────▶ tally ─▶ Summary
//! ```
//!
//! The rules:
//!
//! - A recording is open loop: no lamp of the replay changes a reading.
//! - The first line is the start, with the link up and nothing remembered; monotonic time counts from there, wall time is
//!   the recording's own. The replay ends with the time of the last line.
//! - Between lines the core gets its deadlines at their exact times. One that falls on the very time of a line comes
//!   before that line. Lines of one time keep their order.
//! - A relay whose state topic is in the recording is what the recording says. Every other obeys: it reports the level it
//!   is told at once. Every command counts as delivered.
//! - A line that cannot be read, or that goes back in time, is a finding and is left out.
//!
//! Reading files is the caller's part: this room opens none.

mod line;
mod player;
mod tally;
mod words;

pub use tally::Summary;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};

use crate::control::{Act, AlarmNotice, MeterReading, OutputRef};
use crate::message::{Routes, asked};
use crate::settings::{CutOffIx, EnclosureIx, LampIx, Output, Settings};
use crate::units::{Level, Uvi};

use line::{Fault, What};
use player::Player;

/// From one line to the next at most this much time is played deadline by deadline; our choice: no recording leaves out a
/// year, and a clock that was not set must not cost the deadlines of half a century.
const LEAP: TimeDelta = TimeDelta::days(366);
/// How many known names a finding lists.
const NAMES_SHOWN: usize = 8;

/// Something a replay has to tell.
#[derive(Clone, Debug, PartialEq)]
pub struct Happening {
    /// When, in the recording's time.
    pub at: DateTime<Utc>,
    /// What.
    pub news: News,
}

/// What a replay has to tell.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// A lamp's level has changed, or a contactor was opened or closed.
    Relay {
        /// Which.
        output: OutputRef,
        /// Its level from now on.
        level: Level,
        /// Why.
        reason: String,
    },
    /// An alarm was raised, says something else, or was cleared.
    Alarm {
        /// Whether its condition stands.
        raised: bool,
        /// The alarm.
        notice: AlarmNotice,
    },
}

/// Something to say about a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// The line, counted from 1.
    pub line: u64,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
    /// Whether it is only worth a note: the line is as it should be, and the daemon would not have acted on it either.
    pub is_note: bool,
}

/// A first look at a recording: what must be known before it can be played.
#[derive(Debug)]
pub struct Survey {
    /// Outputs by their state topics, as long as those have not been found.
    awaited: BTreeMap<String, Vec<OutputRef>>,
    start: Option<DateTime<Utc>>,
}

impl Survey {
    /// Nothing seen yet.
    pub fn new(settings: &Settings) -> Survey {
        let mut awaited: BTreeMap<String, Vec<OutputRef>> = BTreeMap::new();
        let mut add = |output: &Output, named| {
            if let Some(state) = &output.state {
                awaited.entry(state.clone()).or_default().push(named);
            }
        };
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for (l, lamp) in enclosure.lamps.iter().enumerate() {
                add(&lamp.output, OutputRef::Lamp(EnclosureIx(e), LampIx(l)));
            }
        }
        for (c, cut_off) in settings.cut_offs.iter().enumerate() {
            add(&cut_off.output, OutputRef::CutOff(CutOffIx(c)));
        }
        Survey { awaited, start: None }
    }

    /// Looks at one line.
    pub fn look(&mut self, bytes: &[u8]) {
        // Most lines are on other topics, and need not be read as a whole to know that.
        if self.start.is_some() && !line::topic(bytes).is_some_and(|topic| self.awaited.contains_key(&*topic)) {
            return;
        }
        let Ok(Some(line)) = line::read(bytes) else { return };
        self.start.get_or_insert(line.at);
        if let What::Message { topic, .. } = line.what {
            self.awaited.remove(&*topic);
        }
    }

    /// Whether no further line can tell anything new.
    pub fn is_complete(&self) -> bool {
        self.start.is_some() && self.awaited.is_empty()
    }
}

/// A replay under way.
pub struct Replay {
    player: Player,
    /// Exact topics that the configuration knows, and what stands before each act.
    known: BTreeSet<String>,
    acts: Option<String>,
    /// The number of the line at hand, and number and time of the last one that was played.
    number: u64,
    last: Option<(u64, DateTime<Utc>)>,
    summary: Summary,
}

impl Replay {
    /// A replay of the recording that `survey` has looked at.
    pub fn new(settings: Settings, survey: Survey) -> Replay {
        let subscriptions = Routes::new(&settings).subscriptions().into_iter().map(|subscription| subscription.filter);
        let (acts, known): (Vec<_>, BTreeSet<_>) = {
            let (acts, known): (Vec<_>, Vec<_>) = subscriptions.partition(|filter| filter.ends_with("/+/+"));
            (acts, known.into_iter().collect())
        };
        let acts = acts.first().and_then(|filter| filter.strip_suffix("+/+")).map(str::to_owned);
        let start = survey.start.unwrap_or_default();
        let reporting = survey.awaited.into_values().flatten().collect();
        let player = Player::new(settings, start, reporting);
        Replay { player, known, acts, number: 0, last: None, summary: Summary::default() }
    }

    /// The settings being tried.
    pub fn settings(&self) -> &Settings {
        self.player.settings()
    }

    /// Plays the next line, with or without its end, and appends what happens until then and by it to `out`.
    pub fn play(&mut self, bytes: &[u8], out: &mut Vec<Happening>) -> Result<(), Finding> {
        let before = out.len();
        self.number += 1;
        let played = self.play_line(bytes, out).map_err(|(fault, is_note)| {
            self.summary.findings += u64::from(!is_note);
            Finding { line: self.number, wrong: fault.wrong, right: fault.right, is_note }
        });
        out[before..].iter().for_each(|happening| self.summary.happened(happening));
        played
    }

    /// The error comes with whether it is only worth a note.
    fn play_line(&mut self, bytes: &[u8], out: &mut Vec<Happening>) -> Result<(), (Fault, bool)> {
        let finding = |fault| (fault, false);
        let Some(line) = line::read(bytes).map_err(finding)? else { return Ok(()) };
        let leaped = self.pass(line.at, out).map_err(finding)?;
        match line.what {
            What::Message { topic, payload, retained } => {
                self.summary.messages += 1;
                let followed = self.player.message(&topic, &payload, retained, out).map_err(|misread| {
                    let right = "the daemon would have passed it over too".to_owned();
                    (Fault { wrong: misread.to_string(), right }, true)
                })?;
                if !followed && !self.knows(&topic) {
                    self.summary.unknown_topic(&topic);
                }
            }
            What::MeterReading { enclosure, spot, uvi, lamp, guess } => {
                let at = self.enclosure(&enclosure).map_err(finding)?;
                let alone = lamp.map(|lamp| self.lamp(at, &lamp)).transpose().map_err(finding)?;
                let reading = MeterReading { spot: spot.into_owned(), uvi: Uvi(uvi), alone, guess };
                self.player.act(Act::MeterReading { enclosure: EnclosureIx(at), reading }, out);
                self.summary.acts += 1;
            }
            What::LampChange { enclosure, lamp } => {
                let at = self.enclosure(&enclosure).map_err(finding)?;
                let lamp = self.lamp(at, &lamp).map_err(finding)?;
                self.player.act(Act::LampChange { enclosure: EnclosureIx(at), lamp }, out);
                self.summary.acts += 1;
            }
            What::Asked { enclosure, verb, payload } => {
                let act = asked(self.settings(), &enclosure, &verb, payload.as_bytes()).map_err(|misread| {
                    finding(Fault::new(misread.to_string(), "the payload that the daemon's own topic takes"))
                })?;
                self.player.act(act, out);
                self.summary.acts += 1;
            }
        }
        leaped.map_or(Ok(()), |fault| Err(finding(fault)))
    }

    /// Time passes up to a line. A line back in time is an error; a leap of years is told beside the line.
    fn pass(&mut self, at: DateTime<Utc>, out: &mut Vec<Happening>) -> Result<Option<Fault>, Fault> {
        let mut leaped = None;
        match self.last {
            Some((earlier, last)) if at < last => {
                let (at, last) = (exact(at), exact(last));
                let wrong = format!("{at} is before {last} of line {earlier}; this line is left out");
                return Err(Fault::new(wrong, "the lines of a recording stand in the order of their times"));
            }
            Some((earlier, last)) if at - last > LEAP => {
                let days = (at - last).num_days();
                let wrong = format!("{days} days after line {earlier}; what fell due in between was not played");
                leaped = Some(Fault::new(wrong, "look whether the clock was right that wrote these times"));
                self.player.leap(at, out);
            }
            Some(_) => self.player.pass(at, out),
            None => {
                self.summary.span = Some((at, at));
                self.player.begin(out);
                self.player.pass(at, out);
            }
        }
        self.last = Some((self.number, at));
        if let Some((_, end)) = &mut self.summary.span {
            *end = at;
        }
        Ok(leaped)
    }

    /// Whether the daemon would have listened to a topic from which nothing followed: it may be our own command.
    fn knows(&self, topic: &str) -> bool {
        let is_act = self.acts.as_deref().is_some_and(|prefix| topic.starts_with(prefix));
        is_act || self.known.contains(topic)
    }

    /// Where an enclosure stands in the settings.
    fn enclosure(&self, id: &str) -> Result<usize, Fault> {
        found(self.settings().enclosures.iter().map(|enclosure| enclosure.id.as_str()), id, "enclosure", "enclosures")
    }

    /// Where a lamp stands in its enclosure.
    fn lamp(&self, enclosure: usize, name: &str) -> Result<LampIx, Fault> {
        let enclosure = &self.settings().enclosures[enclosure];
        let names = enclosure.lamps.iter().map(|lamp| lamp.name.as_str());
        found(names, name, "lamp", &format!("lamps of {}", enclosure.id)).map(LampIx)
    }

    /// What falls due at the time of the last line, and what the replay came to.
    pub fn end(&mut self, out: &mut Vec<Happening>) -> Summary {
        let before = out.len();
        if let Some((_, last)) = self.last {
            self.player.pass(last, out);
        }
        out[before..].iter().for_each(|happening| self.summary.happened(happening));
        self.summary.clone()
    }
}

/// A recorded time as exactly as it was read, for findings.
fn exact(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// Where `name` is among `known`.
fn found<'a>(
    known: impl Iterator<Item = &'a str> + Clone,
    name: &str,
    kind: &str,
    kinds: &str,
) -> Result<usize, Fault> {
    known.clone().position(|known| known == name).ok_or_else(|| {
        let shown: String = name.chars().take(40).collect();
        let names: Vec<_> = known.clone().take(NAMES_SHOWN).collect();
        let more = if known.count() > NAMES_SHOWN { " and more" } else { "" };
        let wrong = format!("this configuration has no {kind} {shown:?}");
        Fault::new(wrong, format!("the {kinds} are {}{more}", names.join(", ")))
    })
}
