//! The round: who waits, what is under way, when a failed try is made again.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use tracing::{info, warn};

use crate::notify::{Message, retry};
use crate::settings::Settings;

use super::send;

/// A try that has not ended after so long counts as failed; its thread is left to itself. A guess, above every time limit.
const PATIENCE: Duration = Duration::from_secs(660);
/// So many failures in a row make a channel a dead one, which a person must know. A guess: about a minute.
const DEAD_AFTER: u32 = 3;
/// So many messages wait for one channel; of more, the oldest of the least important is given up. A guess.
const WAITING_MAX: usize = 500;
/// One that was tried for so long is given up: nobody is helped by it. Counted by a clock that nobody can set, so from the
/// last start on. A guess.
const TRIED_FOR: Duration = Duration::from_secs(7 * 86_400);

/// How a message is sent; tests put something else in its place.
pub type Trial = Arc<dyn Fn(&Settings, &Message) -> Result<(), String> + Send + Sync>;

/// What became of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It has arrived as far as the channel can tell.
    Sent(String),
    /// A newer one says what it would have said.
    Replaced(String),
    /// It is not tried any more, and why.
    GivenUp(String, String),
}

/// A way to a person: the contact's name and the channel's word.
type Way = (String, String);

/// Carries messages to people.
pub struct Postman {
    settings: Arc<Settings>,
    trial: Trial,
    lines: BTreeMap<Way, Line>,
    results: mpsc::UnboundedReceiver<Report>,
    tell: mpsc::UnboundedSender<Report>,
}

/// A message and since when it is carried.
#[derive(Debug)]
struct Carried {
    message: Message,
    since: Instant,
}

/// How a try ended.
#[derive(Debug)]
struct Report {
    way: Way,
    id: String,
    outcome: Result<(), String>,
}

/// Everything for one way.
#[derive(Debug, Default)]
struct Line {
    waiting: VecDeque<Carried>,
    under_way: Option<(Carried, Instant)>,
    failures: u32,
    /// Not tried before.
    not_before: Option<Instant>,
    /// Why the last try failed.
    why: String,
}

impl Line {
    /// What matters most goes first; otherwise in their order.
    fn put(&mut self, carried: Carried) {
        let place = self.waiting.iter().position(|other| other.message.priority < carried.message.priority);
        self.waiting.insert(place.unwrap_or(self.waiting.len()), carried);
    }
}

impl Postman {
    /// With nothing to carry.
    pub fn new(settings: Arc<Settings>) -> Postman {
        Postman::with_trial(settings, Arc::new(send))
    }

    /// With another way to send.
    pub fn with_trial(settings: Arc<Settings>, trial: Trial) -> Postman {
        let (tell, results) = mpsc::unbounded_channel();
        Postman { settings, trial, lines: BTreeMap::new(), results, tell }
    }

    /// Other settings from now on; what waits for a way that is gone is given up at its next try.
    pub fn reload(&mut self, settings: Arc<Settings>) {
        self.settings = settings;
        for line in self.lines.values_mut() {
            line.not_before = None;
        }
    }

    /// Takes a message that is in the outbox.
    pub fn take(&mut self, message: Message) -> Vec<Outcome> {
        let way = (message.contact.clone(), message.channel.clone());
        let line = self.lines.entry(way).or_default();
        let mut outcomes = Vec::new();
        if message.sort.is_replaced() {
            line.waiting.retain(|Carried { message: earlier, .. }| {
                let is_replaced = earlier.sort == message.sort;
                if is_replaced {
                    outcomes.push(Outcome::Replaced(earlier.id.clone()));
                }
                !is_replaced
            });
        }
        line.put(Carried { message, since: Instant::now() });
        if line.waiting.len() > WAITING_MAX
            && let Some(least) = line.waiting.iter().map(|carried| carried.message.priority).min()
            && let Some(oldest) = line.waiting.iter().position(|carried| carried.message.priority == least)
            && let Some(gone) = line.waiting.remove(oldest)
        {
            outcomes.push(Outcome::GivenUp(gone.message.id, format!("more than {WAITING_MAX} wait")));
        }
        outcomes
    }

    /// Begins every try that is due; what was given up.
    pub fn step(&mut self) -> Vec<Outcome> {
        let now = Instant::now();
        let mut outcomes = Vec::new();
        let mut late = Vec::new();
        for (way, line) in &mut self.lines {
            if line.under_way.as_ref().is_some_and(|(_, since)| since.elapsed() >= PATIENCE) {
                late.push(way.clone());
                continue;
            }
            if line.under_way.is_some() || line.not_before.is_some_and(|at| now < at) {
                continue;
            }
            while line.waiting.front().is_some_and(|carried| carried.since.elapsed() > TRIED_FOR) {
                if let Some(old) = line.waiting.pop_front() {
                    outcomes.push(Outcome::GivenUp(old.message.id, "tried for a week".to_owned()));
                }
            }
            let Some(carried) = line.waiting.pop_front() else { continue };
            let is_reachable = self.settings.telling.contact(&way.0).is_some_and(|it| it.channel(&way.1).is_some());
            if !is_reachable {
                outcomes.push(Outcome::GivenUp(
                    carried.message.id,
                    "there is no such contact or channel any more".to_owned(),
                ));
                line.failures = 0;
                continue;
            }
            begin(&self.trial, &self.settings, &self.tell, way, &carried.message);
            line.under_way = Some((carried, now));
        }
        for way in late {
            outcomes.extend(self.failed(&way, "there was no end to it".to_owned()));
        }
        outcomes
    }

    /// Waits for the next end of a try. It may be dropped at any time.
    pub async fn next(&mut self) -> Ended {
        match self.results.recv().await {
            Some(result) => Ended(result),
            // We hold a sender ourselves, so this never is.
            None => std::future::pending().await,
        }
    }

    /// Takes in the end of a try.
    pub fn hear(&mut self, Ended(Report { way, id, outcome }): Ended) -> Vec<Outcome> {
        let Some(line) = self.lines.get_mut(&way) else { return Vec::new() };
        let is_current = line.under_way.as_ref().is_some_and(|(carried, _)| carried.message.id == id);
        match outcome {
            Ok(()) => {
                if is_current {
                    line.under_way = None;
                } else {
                    // One that was given up on, and has arrived after all.
                    line.waiting.retain(|carried| carried.message.id != id);
                }
                if line.failures > 0 {
                    info!(contact = %way.0, channel = %way.1, "messages arrive again");
                }
                (line.failures, line.not_before) = (0, None);
                vec![Outcome::Sent(id)]
            }
            Err(why) if is_current => self.failed(&way, why),
            Err(_) => Vec::new(),
        }
    }

    fn failed(&mut self, way: &Way, why: String) -> Vec<Outcome> {
        let Some(line) = self.lines.get_mut(way) else { return Vec::new() };
        let Some((carried, _)) = line.under_way.take() else { return Vec::new() };
        let message = &carried.message;
        warn!(contact = %way.0, channel = %way.1, message = %message.id, "not sent: {why}");
        line.failures = line.failures.saturating_add(1);
        line.why = why;
        let seed = message.id.bytes().fold(0_u64, |seed, byte| seed.wrapping_mul(31).wrapping_add(byte.into()));
        line.not_before = Some(Instant::now() + retry::wait(seed, line.failures));
        if message.sort.is_replaced() && line.waiting.iter().any(|newer| newer.message.sort == message.sort) {
            return vec![Outcome::Replaced(carried.message.id)];
        }
        // Behind its equals, so that one message that nobody takes does not hold up the others.
        line.put(carried);
        Vec::new()
    }

    /// When [`Postman::step`] has something to do; none where all wait for the end of a try, or nothing waits.
    pub fn wait(&self) -> Option<Duration> {
        let now = Instant::now();
        let due = |line: &Line| match (&line.under_way, line.not_before) {
            (Some((_, since)), _) => Some(PATIENCE.saturating_sub(since.elapsed())),
            (None, _) if line.waiting.is_empty() => None,
            (None, Some(at)) => Some(at.saturating_duration_since(now)),
            (None, None) => Some(Duration::ZERO),
        };
        self.lines.values().filter_map(due).min()
    }

    /// What a person must know of dead channels; none where all arrive.
    pub fn trouble(&self) -> Option<String> {
        let dead = self.lines.iter().filter(|(_, line)| line.failures >= DEAD_AFTER);
        let told: Vec<_> =
            dead.map(|((contact, channel), line)| format!("{channel} to {contact}: {}", line.why)).collect();
        (!told.is_empty()).then(|| told.join("; "))
    }
}

/// The end of a try.
#[derive(Debug)]
pub struct Ended(Report);

impl Ended {
    /// The contact's name and the channel's word.
    pub fn way(&self) -> (String, String) {
        self.0.way.clone()
    }
}

fn begin(trial: &Trial, settings: &Arc<Settings>, tell: &mpsc::UnboundedSender<Report>, way: &Way, message: &Message) {
    let (trial, settings, to, way, message) =
        (Arc::clone(trial), Arc::clone(settings), tell.clone(), way.clone(), message.clone());
    let (id, back) = (message.id.clone(), way.clone());
    let started = thread::Builder::new().name("post".to_owned()).spawn(move || {
        let outcome = trial(&settings, &message);
        let _ = to.send(Report { way, id: message.id, outcome });
    });
    if let Err(error) = started {
        let _ = tell.send(Report { way: back, id, outcome: Err(format!("no thread to send with: {error}")) });
    }
}
