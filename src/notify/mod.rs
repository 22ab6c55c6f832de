//! Who is told of an alarm, when, by which channel and in which words. No I/O, no clock: notices and moments in,
//! [`Message`]s out.
//!
//! ```text
//! AlarmNotice ─▶ life of the alarm ─▶ owed to whom (first, then, again, over) ─▶ gathered a person's messages ─▶ Message
//!                    plan, hours                                         burst, quiet hours
//! ```
//!
//! | file | does |
//! |---|---|
//! | `life` | one alarm as far as people were told of it |
//! | `desk` | what one person is owed, and when it goes out |
//! | `hours` | quiet hours |
//! | [`words`](self) | subject, plain text and HTML |
//! | [`digest`] | the message a day, and the one a week |
//! | [`chart`] | bars that every mail reader shows |
//! | [`metrics`] | how well the alarms serve whoever answers them |
//! | [`retry`] | how long to wait after a failed try |
//!
//! What an alarm says is written in `control`; here it is only put together and its times are put into the reader's zone.

pub mod chart;
mod desk;
pub mod digest;
mod hours;
mod life;
mod message;
pub mod metrics;
pub mod retry;
#[cfg(test)]
mod tests;
mod words;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::control::{AlarmNotice, AlarmState, Aside, Priority};
use crate::settings::{EnclosureIx, Plan, Settings, Telling};
use crate::time::{Moment, Mono};

use desk::Desk;
pub use desk::{CRITICAL_WITHIN, GATHER};
pub use life::{Key, Stage};
use life::{Life, Standing};
pub use message::{About, Message, Sort};
pub use words::{Link, first_sentence, test_message};

/// After a restart an alarm that is not heard of again for so long is taken to be over; a guess, longer than any
/// diagnosis takes.
const CONFIRMED_WITHIN: Duration = Duration::from_secs(45 * 60);

/// What is signed into a message: the name of the message and whom it is for; none where there is no link.
pub type Sign<'a> = &'a dyn Fn(&str, &str, DateTime<Utc>) -> Option<String>;

/// Decides who is told of what.
#[derive(Clone, Debug)]
pub struct Notifier {
    telling: Telling,
    site: String,
    zone: Tz,
    lives: BTreeMap<Key, Life>,
    desks: BTreeMap<String, Desk>,
    /// When each life has something to do next; an entry that its life does not know is void.
    agenda: BTreeSet<(Mono, Key)>,
    changed: BTreeSet<Key>,
    /// Alarms of before the restart that were not heard of yet, until when.
    unconfirmed: Option<(Mono, BTreeSet<Key>)>,
    /// Of the last raise; a later one has a higher number.
    raises: i64,
    /// Messages so far, for their names.
    messages: u64,
}

impl Notifier {
    /// Begins with what was [`recorded`](Notifier::changes) before.
    pub fn new(settings: &Settings, now: Moment, recorded: &[(String, String)]) -> Notifier {
        let mut notifier = Notifier {
            telling: settings.telling.clone(),
            site: settings.site.name.clone(),
            zone: settings.site.timezone,
            lives: BTreeMap::new(),
            desks: BTreeMap::new(),
            agenda: BTreeSet::new(),
            changed: BTreeSet::new(),
            unconfirmed: None,
            raises: 0,
            messages: 0,
        };
        for (name, record) in recorded {
            let (Some(key), Ok(life)) = (Key::parse(name), serde_json::from_str::<Life>(record)) else { continue };
            notifier.raises = notifier.raises.max(life.raise);
            notifier.lives.insert(key, life);
        }
        let known: BTreeSet<_> = notifier.lives.keys().cloned().collect();
        if !known.is_empty() {
            notifier.unconfirmed = Some((now.mono.after(CONFIRMED_WITHIN), known));
        }
        notifier.reload(settings, now);
        notifier
    }

    /// Takes over other settings. What is owed to people who are no longer named is dropped; whoever should know of an
    /// alarm by now, and does not, is told.
    pub fn reload(&mut self, settings: &Settings, now: Moment) {
        self.telling = settings.telling.clone();
        self.site = settings.site.name.clone();
        self.zone = settings.site.timezone;
        let earlier = std::mem::take(&mut self.desks);
        for contact in &self.telling.contacts {
            let desk = earlier.get(&contact.name).map(Desk::emptied).unwrap_or_default();
            self.desks.insert(contact.name.clone(), desk);
        }
        self.agenda.clear();
        let keys: Vec<_> = self.lives.keys().cloned().collect();
        for key in keys {
            let Some(life) = self.lives.get_mut(&key) else { continue };
            life.owed.retain(|name, _| self.desks.contains_key(name));
            let (priority, standing, owed) = (life.priority, life.standing, life.owed.clone());
            for (name, stage) in owed {
                self.put(now.mono, &name, &key, stage, priority);
            }
            if standing == Standing::Raised {
                self.owe_all(now, &key, Stage::First);
            }
            self.note_deadlines(now, &key);
            self.end_if_told(&key);
        }
    }

    /// An alarm was raised, has changed or was cleared. Hearing the same again changes nothing.
    pub fn hear(&mut self, now: Moment, settings: &Settings, notice: &AlarmNotice) {
        let enclosure = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
        let key = Key { enclosure: enclosure.map(|enclosure| enclosure.id.clone()), kind: notice.kind };
        if let Some((_, unconfirmed)) = &mut self.unconfirmed {
            unconfirmed.remove(&key);
        }
        match notice.state {
            state if state.is_active() && notice.aside.is_some() => self.put_aside(now, &key, notice),
            AlarmState::Unacknowledged => self.raised(now, &key, notice, Standing::Raised),
            state if state.is_active() => self.raised(now, &key, notice, Standing::Acknowledged),
            _ => self.over(now, &key),
        }
    }

    /// It stands, and nobody is told of it for now. Who knows of it hears when it ends.
    fn put_aside(&mut self, now: Moment, key: &Key, notice: &AlarmNotice) {
        let standing = match notice.aside {
            Some(Aside::Shelved { .. }) => Standing::Shelved,
            _ => Standing::Suppressed,
        };
        let is_over = self.lives.get(key).is_none_or(|life| life.standing == Standing::Over);
        let raise = if is_over { self.next_raise(now) } else { 0 };
        let life = self.lives.entry(key.clone()).or_insert_with(|| Life::new(notice));
        if life.standing == standing && life.text == notice.text {
            return;
        }
        (life.standing, life.over_at) = (standing, None);
        (life.priority, life.text, life.since) = (notice.priority, notice.text.clone(), notice.since);
        life.reset_deadlines();
        if is_over {
            life.raise = raise;
        }
        self.changed.insert(key.clone());
        self.drop_owed(key, &Stage::ALL);
    }

    fn raised(&mut self, now: Moment, key: &Key, notice: &AlarmNotice, standing: Standing) {
        let known = self.lives.get(key).map(|life| (life.standing, life.priority));
        let is_new = known.is_none_or(|(before, _)| before == Standing::Over)
            || (known.is_some_and(|(before, _)| matches!(before, Standing::Acknowledged | Standing::Shelved))
                && standing == Standing::Raised)
            || (known.is_some_and(|(_, before)| before < notice.priority) && standing == Standing::Raised);
        let raise = if is_new { self.next_raise(now) } else { 0 };
        let life = self.lives.entry(key.clone()).or_insert_with(|| Life::new(notice));
        let has_changed = life.text != notice.text;
        if !is_new && !has_changed && life.standing == standing {
            return;
        }
        let was = std::mem::replace(&mut life.standing, standing);
        (life.priority, life.text, life.since) = (notice.priority, notice.text.clone(), notice.since);
        life.over_at = None;
        if is_new {
            life.raise = raise;
            life.reset_deadlines();
        }
        self.changed.insert(key.clone());
        match standing {
            Standing::Raised if is_new => {
                // What was owed of the raise before is told with this one.
                self.drop_owed(key, &[Stage::Then, Stage::Again, Stage::Changed, Stage::Over]);
                self.owe_all(now, key, Stage::First);
                self.set_deadlines(now, key);
            }
            Standing::Raised if was == Standing::Suppressed => {
                self.owe_all(now, key, Stage::First);
                self.set_deadlines(now, key);
            }
            Standing::Acknowledged if was != Standing::Acknowledged || is_new => {
                self.drop_owed(key, &[Stage::First, Stage::Then, Stage::Again, Stage::Over]);
                if let Some(life) = self.lives.get_mut(key) {
                    life.reset_deadlines();
                }
            }
            _ => {}
        }
        if has_changed && !is_new {
            self.owe_change(now.mono, key);
        }
    }

    /// Those who know of it are told what is new about it. Several changes before the next message make one.
    fn owe_change(&mut self, now: Mono, key: &Key) {
        let Some(life) = self.lives.get(key).filter(|life| life.priority >= Priority::High) else { return };
        let told: Vec<_> = life.told.keys().filter(|name| !life.owed.contains_key(*name)).cloned().collect();
        for name in told {
            self.owe(now, key, &name, Stage::Changed);
        }
    }

    fn over(&mut self, now: Moment, key: &Key) {
        let Some(life) = self.lives.get_mut(key).filter(|life| life.standing != Standing::Over) else { return };
        life.standing = Standing::Over;
        life.over_at = Some(now.wall);
        life.reset_deadlines();
        let is_critical = life.priority == Priority::Critical;
        let told: Vec<_> = life.told.keys().cloned().collect();
        self.changed.insert(key.clone());
        // A critical alarm is told although it is over before anybody could hear of it.
        let kept: &[Stage] = if is_critical { &[Stage::First] } else { &[] };
        let dropped: Vec<_> = Stage::ALL.into_iter().filter(|stage| !kept.contains(stage)).collect();
        self.drop_owed(key, &dropped);
        for name in told {
            self.owe(now.mono, key, &name, Stage::Over);
        }
        self.end_if_told(key);
    }

    fn next_raise(&mut self, now: Moment) -> i64 {
        self.raises = (self.raises + 1).max(now.wall.timestamp_millis());
        self.raises
    }

    /// The plan in force for a priority.
    fn plan(&self, priority: Priority, wall: DateTime<Utc>) -> Plan {
        let plans = &self.telling.plans;
        let mut plan = match priority {
            Priority::Critical => plans.critical.clone(),
            Priority::High => plans.high.clone(),
            Priority::Medium => plans.medium.clone(),
            Priority::Low => plans.low.clone(),
        };
        if let Some(away) = self.telling.away.as_ref().filter(|_| self.is_away(wall)) {
            if priority >= Priority::High {
                plan.first.extend(away.neighbours.iter().cloned());
            }
            // Twice as soon: who is far away needs longer to have something done. A guess.
            plan.after /= 2;
            plan.repeat = plan.repeat.map(|repeat| repeat / 2);
        }
        plan
    }

    /// Whether the keeper is away by the site's clock.
    pub fn is_away(&self, wall: DateTime<Utc>) -> bool {
        let today = self.today(wall);
        self.telling.away.as_ref().is_some_and(|away| away.from <= today && today <= away.to)
    }

    fn today(&self, wall: DateTime<Utc>) -> NaiveDate {
        wall.with_timezone(&self.zone).date_naive()
    }

    /// Owes a stage to everybody in the plan who has not been told of this raise.
    fn owe_all(&mut self, now: Moment, key: &Key, stage: Stage) {
        let Some(life) = self.lives.get(key) else { return };
        let plan = self.plan(life.priority, now.wall);
        let names = match stage {
            Stage::Then => plan.then,
            _ => plan.first,
        };
        let knows = |name: &String| life.told.get(name) == Some(&life.raise) || life.owed.contains_key(name);
        let names: BTreeSet<_> = names.into_iter().filter(|name| !knows(name)).collect();
        for name in names {
            self.owe(now.mono, key, &name, stage);
        }
    }

    fn owe(&mut self, now: Mono, key: &Key, name: &str, stage: Stage) {
        let Some(life) = self.lives.get_mut(key).filter(|_| self.desks.contains_key(name)) else { return };
        // What was never told is told first; its words are those of the moment it goes out.
        let stage = match (life.owed.get(name), stage) {
            (Some(Stage::First), _) => Stage::First,
            (_, stage) => stage,
        };
        life.owed.insert(name.to_owned(), stage);
        let priority = life.priority;
        self.changed.insert(key.clone());
        self.put(now, name, key, stage, priority);
    }

    fn put(&mut self, now: Mono, name: &str, key: &Key, stage: Stage, priority: Priority) {
        if let Some(desk) = self.desks.get_mut(name) {
            desk.put(now, key.clone(), stage, priority);
        }
    }

    fn drop_owed(&mut self, key: &Key, stages: &[Stage]) {
        let Some(life) = self.lives.get_mut(key) else { return };
        let (dropped, kept) = std::mem::take(&mut life.owed).into_iter().partition(|(_, stage)| stages.contains(stage));
        let dropped: BTreeMap<String, Stage> = dropped;
        life.owed = kept;
        for name in dropped.keys() {
            if let Some(desk) = self.desks.get_mut(name) {
                desk.take_back(key);
            }
        }
    }

    /// When the next people are told, and those who know are told again, counted from now.
    fn set_deadlines(&mut self, now: Moment, key: &Key) {
        let Some(life) = self.lives.get(key) else { return };
        let plan = self.plan(life.priority, now.wall);
        let ahead = |span: Duration| now.wall.checked_add_signed(TimeDelta::from_std(span).ok()?);
        let then_at = if plan.then.is_empty() { None } else { ahead(plan.after) };
        let again_at = plan.repeat.and_then(ahead);
        if let Some(life) = self.lives.get_mut(key) {
            (life.then_at, life.again_at) = (then_at, again_at);
        }
        self.note_deadlines(now, key);
    }

    /// From what is recorded, by the wall clock, to what is waited for, which no clock that is set can move.
    fn note_deadlines(&mut self, now: Moment, key: &Key) {
        let Some(life) = self.lives.get(key) else { return };
        let plan = self.plan(life.priority, now.wall);
        // Never longer than the plan says: the clock may have been set since, or may not be set yet.
        let due =
            |at: DateTime<Utc>, most: Duration| now.mono.after((at - now.wall).to_std().unwrap_or_default().min(most));
        let Some(life) = self.lives.get_mut(key) else { return };
        life.then_due = life.then_at.map(|at| due(at, plan.after));
        life.again_due = life.again_at.map(|at| due(at, plan.repeat.unwrap_or_default()));
        for due in [life.then_due, life.again_due].into_iter().flatten() {
            self.agenda.insert((due, key.clone()));
        }
    }

    /// Lets time pass: what is due goes out.
    pub fn step(&mut self, now: Moment, settings: &Settings, sign: Sign<'_>, out: &mut Vec<Message>) {
        self.give_up_unconfirmed(now);
        while let Some((due, key)) = self.agenda.first().cloned().filter(|(due, _)| *due <= now.mono) {
            self.agenda.remove(&(due, key.clone()));
            self.escalate(now, &key);
        }
        let names: Vec<_> = self.desks.keys().cloned().collect();
        for name in names {
            self.send_to(now, settings, &name, sign, out);
        }
    }

    fn escalate(&mut self, now: Moment, key: &Key) {
        let Some(life) = self.lives.get_mut(key).filter(|life| life.standing == Standing::Raised) else { return };
        if life.then_due.is_some_and(|due| due <= now.mono) {
            (life.then_due, life.then_at) = (None, None);
            self.owe_all(now, key, Stage::Then);
        }
        let Some(life) = self.lives.get_mut(key) else { return };
        if life.again_due.is_some_and(|due| due <= now.mono) {
            let priority = life.priority;
            let told: Vec<_> = life.told.keys().filter(|name| !life.owed.contains_key(*name)).cloned().collect();
            let repeat = self.plan(priority, now.wall).repeat;
            for name in told {
                self.owe(now.mono, key, &name, Stage::Again);
            }
            if let Some(life) = self.lives.get_mut(key) {
                life.again_at =
                    repeat.and_then(|repeat| now.wall.checked_add_signed(TimeDelta::from_std(repeat).ok()?));
                life.again_due = repeat.map(|repeat| now.mono.after(repeat));
                if let Some(due) = life.again_due {
                    self.agenda.insert((due, key.clone()));
                }
            }
        }
        self.changed.insert(key.clone());
    }

    fn give_up_unconfirmed(&mut self, now: Moment) {
        if let Some((until, _)) = &self.unconfirmed
            && *until <= now.mono
        {
            let (_, keys) = self.unconfirmed.take().unwrap_or((Mono::END, BTreeSet::new()));
            for key in keys {
                self.over(now, &key);
            }
        }
    }

    /// Everything that may go to one person now, in one message for each of their channels.
    fn send_to(&mut self, now: Moment, settings: &Settings, name: &str, sign: Sign<'_>, out: &mut Vec<Message>) {
        let Some(contact) = self.telling.contact(name).cloned() else { return };
        let Some(desk) = self.desks.get_mut(name) else { return };
        let quiet = hours::quiet_for(contact.hours, contact.timezone, now.wall);
        let taken = desk.take_due(now.mono, quiet);
        if taken.is_empty() {
            return;
        }
        let mut told = Vec::new();
        for (key, stage) in taken {
            let Some(life) = self.lives.get_mut(&key) else { continue };
            life.owed.remove(name);
            if stage == Stage::Over {
                life.told.remove(name);
            } else {
                life.told.insert(name.to_owned(), life.raise);
            }
            told.push((key.clone(), stage, life.clone()));
            if stage == Stage::First && life.standing == Standing::Over {
                life.told.remove(name);
            }
            self.changed.insert(key.clone());
            self.end_if_told(&key);
        }
        if told.is_empty() {
            return;
        }
        self.messages += 1;
        let id = format!("{:x}-{:x}", now.wall.timestamp_millis(), self.messages);
        let can_be_seen = told.iter().any(|(_, _, life)| life.standing == Standing::Raised);
        let link = if can_be_seen { sign(&id, name, now.wall) } else { None };
        let reader = words::Reader {
            zone: contact.timezone,
            site_zone: self.zone,
            site: &self.site,
            instructions: self.instructions(name, now.wall),
            enclosures: settings.enclosures.len(),
        };
        let content = words::compose(&reader, &told, now.wall, link.as_deref());
        for channel in &contact.channels {
            out.push(content.message(&id, name, channel.word(), now.wall));
        }
    }

    /// What this person should do by enclosure, where they look after the animals.
    fn instructions(&self, name: &str, wall: DateTime<Utc>) -> &[(String, String)] {
        match self.telling.away.as_ref().filter(|_| self.is_away(wall)) {
            Some(away) if away.neighbours.iter().any(|neighbour| neighbour == name) => &away.instructions,
            _ => &[],
        }
    }

    fn end_if_told(&mut self, key: &Key) {
        if self.lives.get(key).is_some_and(|life| life.standing == Standing::Over && life.owed.is_empty()) {
            self.lives.remove(key);
            self.changed.insert(key.clone());
        }
    }

    /// When [`Notifier::step`] has something to do.
    pub fn next_deadline(&self, now: Moment) -> Option<Mono> {
        let desks = self.desks.iter().filter_map(|(name, desk)| {
            let contact = self.telling.contact(name)?;
            desk.due(now.mono, hours::quiet_for(contact.hours, contact.timezone, now.wall))
        });
        let unconfirmed = self.unconfirmed.as_ref().map(|(until, _)| *until);
        let agenda = self.agenda.first().map(|(due, _)| *due);
        desks.chain(unconfirmed).chain(agenda).min()
    }

    /// What must be recorded, by alarm; none: nothing is left to record of it.
    pub fn changes(&mut self) -> Vec<(String, Option<String>)> {
        let changed = std::mem::take(&mut self.changed);
        let record = |key: &Key| self.lives.get(key).and_then(|life| serde_json::to_string(life).ok());
        changed.iter().map(|key| (key.to_string(), record(key))).collect()
    }

    /// Which of the alarms in a message still stand as they were told, so that they may be acknowledged by it.
    pub fn still_raised(&self, about: &[About]) -> Vec<Key> {
        let raised = |about: &About| {
            let key = Key::parse(&about.alarm)?;
            let life = self.lives.get(&key)?;
            (life.standing == Standing::Raised && life.raise == about.raise).then_some(key)
        };
        about.iter().filter_map(raised).collect()
    }

    /// Every alarm that stands, with its priority, whether it was acknowledged, since when, and its words.
    pub fn standing(&self) -> impl Iterator<Item = Told<'_>> {
        self.lives.iter().filter(|(_, life)| life.standing != Standing::Over).map(|(key, life)| Told {
            key,
            priority: life.priority,
            acknowledged: life.standing == Standing::Acknowledged,
            since: life.since,
            text: &life.text,
            told: life.told.keys().map(String::as_str).collect(),
        })
    }
}

/// An alarm that stands, and who knows of it.
#[derive(Clone, Debug)]
pub struct Told<'a> {
    /// Which.
    pub key: &'a Key,
    /// How much it matters.
    pub priority: Priority,
    /// Whether somebody has said they have seen it.
    pub acknowledged: bool,
    /// Since when.
    pub since: DateTime<Utc>,
    /// Its words.
    pub text: &'a str,
    /// Names of the contacts who were told.
    pub told: Vec<&'a str>,
}
