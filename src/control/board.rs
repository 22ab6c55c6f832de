//! The alarms of one enclosure, or of the site.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use crate::settings::EnclosureIx;
use crate::time::{Mono, spoken};

use super::alarm::{AlarmKind, AlarmNotice, AlarmState, Aside, Life};
use super::effect::Effect;
use super::record::{AlarmRecord, RaisedRecord, Record};
use super::trouble::Trouble;

/// An alarm is chattering by how often it was raised within this time.
const CHATTER_WINDOW: Duration = Duration::from_secs(24 * 3600);
/// No more of them are counted.
const COUNTED: usize = 6;

/// The alarms of one owner: one of each kind, over all the lamps and probes concerned.
#[derive(Clone, Debug)]
pub(super) struct Board {
    owner: Option<EnclosureIx>,
    /// The enclosure's id, by which its alarms are filed.
    id: Option<String>,
    title: String,
    timezone: Tz,
    entries: BTreeMap<(AlarmKind, String), Entry>,
    /// What was last announced of each kind.
    announced: BTreeMap<AlarmKind, AlarmNotice>,
    changed: Vec<AlarmKind>,
    /// When each kind was last raised, oldest first, in both times.
    raised: BTreeMap<AlarmKind, VecDeque<(Mono, DateTime<Utc>)>>,
    /// What was last filed.
    filed: Option<Record>,
    /// Kinds that say nothing now by themselves.
    asides: BTreeMap<AlarmKind, Aside>,
}

#[derive(Clone, Debug)]
struct Entry {
    life: Life,
    trouble: Trouble,
    since: DateTime<Utc>,
}

impl Board {
    /// The board of the enclosure `owner`, whose id comes with it, or of the site.
    pub(super) fn new(owner: Option<(EnclosureIx, &str)>, title: &str, timezone: Tz) -> Board {
        Board {
            owner: owner.map(|(ix, _)| ix),
            id: owner.map(|(_, id)| id.to_owned()),
            title: title.to_owned(),
            timezone,
            entries: BTreeMap::new(),
            announced: BTreeMap::new(),
            changed: Vec::new(),
            raised: BTreeMap::new(),
            filed: None,
            asides: BTreeMap::new(),
        }
    }

    /// Takes up the alarms that stood when the daemon ended, right after the start: none is raised anew, and what somebody
    /// has seen they have seen. `wall`: what the clock says, where it is believed.
    pub(super) fn restore(
        &mut self,
        now: Mono,
        wall: Option<DateTime<Utc>>,
        standing: &[AlarmRecord],
        raised: &[RaisedRecord],
    ) {
        for record in raised {
            let lately = |at: &&DateTime<Utc>| {
                wall.is_none_or(|wall| (wall - **at).to_std().unwrap_or_default() < CHATTER_WINDOW)
            };
            // Monotonic time starts anew with the daemon, so they count as if they had been just now: longer rather than
            // shorter.
            let moments = record.at.iter().filter(lately).map(|&at| (now, at));
            let moments: VecDeque<_> = moments.skip(record.at.len().saturating_sub(COUNTED)).collect();
            self.raised.insert(record.kind, moments);
        }
        for record in standing.iter().filter(|record| record.state != AlarmState::Normal) {
            let AlarmRecord { kind, subject, state, priority, since, text, gist } = record.clone();
            let trouble = Trouble::OnFile { kind, priority, text, gist };
            let mut life = Life::carried_over(now, kind, state, trouble.carrying());
            life.hold_on(kind, kind.hold(self.raised.get(&kind).map_or(0, VecDeque::len)));
            self.entries.insert((kind, subject), Entry { life, trouble, since });
        }
        let kinds: BTreeSet<_> = standing.iter().map(|record| record.kind).collect();
        for kind in kinds {
            self.announced.extend(self.notice(kind).map(|notice| (kind, notice)));
        }
        self.filed = Some(self.record());
    }

    /// What must survive a restart.
    fn record(&self) -> Record {
        let standing = self.entries.iter().filter(|(_, entry)| entry.life.state() != AlarmState::Normal);
        let standing = standing.map(|((kind, subject), entry)| AlarmRecord {
            kind: *kind,
            subject: subject.clone(),
            state: entry.life.state(),
            priority: entry.trouble.priority(),
            since: entry.since,
            text: entry.trouble.text(&self.title, subject, &self.spoken_time(entry.since)),
            gist: entry.trouble.gist(),
        });
        let raised = self.raised.iter().filter(|(_, at)| !at.is_empty());
        let raised =
            raised.map(|(kind, at)| RaisedRecord { kind: *kind, at: at.iter().map(|(_, wall)| *wall).collect() });
        Record::Alarms { enclosure: self.id.clone(), standing: standing.collect(), raised: raised.collect() }
    }

    /// The connection to the broker is up: what was carried over may be found again from now on.
    pub(super) fn link_up(&mut self, now: Mono) {
        self.entries.values_mut().for_each(|entry| entry.life.link_up(now));
    }

    /// Something is wrong with `subject`. Telling the same again changes nothing.
    pub(super) fn raise(&mut self, now: Mono, wall: DateTime<Utc>, subject: &str, trouble: Trouble) {
        let kind = trouble.kind();
        let hold = kind.hold(self.raised.get(&kind).map_or(0, VecDeque::len));
        let entry = self.entries.entry((kind, subject.to_owned())).or_insert_with(|| {
            let mut life = Life::new(kind.delays());
            life.hold_on(kind, hold);
            Entry { life, trouble: trouble.clone(), since: wall }
        });
        let was_active = entry.life.state().is_active();
        if !was_active {
            if entry.life.next_deadline().is_none() {
                entry.since = wall;
            }
            entry.trouble = trouble;
        } else if trouble.is_news_after(&entry.trouble) {
            if trouble.is_worse_than(&entry.trouble) {
                entry.life.worsen();
            }
            entry.trouble = trouble;
            self.changed.push(kind);
        }
        if entry.life.update(now, true) {
            self.changed.push(kind);
        }
    }

    /// Nothing of `kind` is wrong with `subject` (any more).
    pub(super) fn clear(&mut self, now: Mono, kind: AlarmKind, subject: &str) {
        // Asked for every kind and subject at every step: to look through the few that stand costs less than the owned
        // key that the map would want.
        if let Some((_, entry)) = self.entries.iter_mut().find(|((of, known), _)| *of == kind && known == subject)
            && entry.life.update(now, false)
        {
            self.changed.push(kind);
        }
    }

    /// Raises or clears.
    pub(super) fn set(
        &mut self,
        now: Mono,
        wall: DateTime<Utc>,
        kind: AlarmKind,
        subject: &str,
        trouble: Option<Trouble>,
    ) {
        match trouble {
            Some(trouble) => self.raise(now, wall, subject, trouble),
            None => self.clear(now, kind, subject),
        }
    }

    /// Raises or clears what can be judged now. What cannot (`None`) stands where it is raised, and does not come nearer
    /// to being raised where it is not.
    pub(super) fn judge(
        &mut self,
        now: Mono,
        wall: DateTime<Utc>,
        kind: AlarmKind,
        subject: &str,
        verdict: Option<Option<Trouble>>,
    ) {
        match verdict {
            Some(trouble) => self.set(now, wall, kind, subject, trouble),
            None if self.is_active(kind, subject) => {}
            None => self.clear(now, kind, subject),
        }
    }

    /// Whether to [judge](Board::judge) so would change nothing, now or later.
    pub(super) fn stays(&self, kind: AlarmKind, subject: &str, verdict: &Option<Option<Trouble>>) -> bool {
        let is_meant = |(of, known): &(AlarmKind, String)| *of == kind && known == subject;
        let known = self.entries.iter().find(|(key, _)| is_meant(key)).map(|(_, entry)| entry);
        let active = known.is_some_and(|entry| entry.life.state().is_active());
        let settled = known.is_none_or(|entry| entry.life.next_deadline().is_none());
        match (verdict, known) {
            (None, _) => active || settled,
            (Some(None), _) => !active && settled,
            (Some(Some(_)), None) => false,
            (Some(Some(now)), Some(entry)) => active && settled && !now.is_news_after(&entry.trouble),
        }
    }

    /// Whether nothing is known of one of these kinds and `subject`: to clear it changes nothing.
    pub(super) fn knows_none(&self, kinds: &[AlarmKind], subject: &str) -> bool {
        !self.entries.keys().any(|(kind, known)| kinds.contains(kind) && known == subject)
    }

    /// Whether an alarm of `kind` about `subject` stands.
    pub(super) fn is_active(&self, kind: AlarmKind, subject: &str) -> bool {
        let is_meant = |(of, known): &(AlarmKind, String)| *of == kind && known == subject;
        self.entries.iter().any(|(key, entry)| is_meant(key) && entry.life.state().is_active())
    }

    /// Whether all of an enclosure is normal.
    pub(super) fn is_clear(&self) -> bool {
        self.entries.is_empty()
    }

    /// Whether there is anything of `kind`, or was when it was last put aside.
    pub(super) fn knows(&self, kind: AlarmKind) -> bool {
        self.asides.contains_key(&kind) || self.entries.keys().any(|(of, _)| *of == kind)
    }

    /// Alarms of `kind` say nothing now by themselves (`Some`), or do (`None`).
    pub(super) fn put_aside(&mut self, kind: AlarmKind, aside: Option<Aside>) {
        if self.asides.get(&kind) != aside.as_ref() {
            match aside {
                Some(aside) => _ = self.asides.insert(kind, aside),
                None => _ = self.asides.remove(&kind),
            }
            self.changed.push(kind);
        }
    }

    /// An alarm of `kind` is to be told anew where it stands: who has seen it has not seen it of late.
    pub(super) fn annunciate(&mut self, kind: AlarmKind) {
        for ((of, _), entry) in &mut self.entries {
            if *of == kind {
                entry.life.worsen();
                self.changed.push(kind);
            }
        }
    }

    /// Subjects of which an alarm of `kind` stands.
    pub(super) fn standing_of(&self, kind: AlarmKind) -> impl Iterator<Item = &str> {
        let of_kind = self.entries.iter().filter(move |((of, _), entry)| *of == kind && entry.life.state().is_active());
        of_kind.map(|((_, subject), _)| subject.as_str())
    }

    /// Somebody has seen the alarms of one kind, or all.
    pub(super) fn acknowledge(&mut self, kind: Option<AlarmKind>) {
        for ((of, _), entry) in &mut self.entries {
            if kind.is_none_or(|kind| kind == *of) && entry.life.acknowledge() {
                self.changed.push(*of);
            }
        }
    }

    /// Forgets every subject that `keep` refuses, as after a reload.
    pub(super) fn retain_subjects(&mut self, keep: impl Fn(AlarmKind, &str) -> bool) {
        for ((kind, subject), entry) in &mut self.entries {
            if !subject.is_empty() && !keep(*kind, subject) {
                entry.life.end();
                self.changed.push(*kind);
            }
        }
    }

    /// Lets time pass, and announces what has changed; what is announced is filed first. `stamp`: the best wall time.
    pub(super) fn step(&mut self, now: Mono, stamp: DateTime<Utc>, out: &mut Vec<Effect>) {
        for ((kind, _), entry) in &mut self.entries {
            if entry.life.next_deadline().is_some_and(|due| now >= due) && entry.life.settle(now) {
                self.changed.push(*kind);
            }
        }
        if self.changed.is_empty() {
            return;
        }
        self.changed.sort_unstable();
        self.changed.dedup();
        let before = out.len();
        for kind in std::mem::take(&mut self.changed) {
            self.announce(now, stamp, kind, out);
        }
        self.entries.retain(|_, entry| !entry.life.is_over() || entry.life.next_deadline().is_some());
        let record = self.record();
        if self.filed.as_ref() != Some(&record) {
            out.insert(before, Effect::File(record.clone()));
            self.filed = Some(record);
        }
    }

    fn announce(&mut self, now: Mono, stamp: DateTime<Utc>, kind: AlarmKind, out: &mut Vec<Effect>) {
        let mut notice = self.notice(kind);
        let was_active = self.announced.get(&kind).is_some_and(|last| last.state.is_active());
        if !was_active && notice.as_ref().is_some_and(|notice| notice.state.is_active()) {
            self.count(now, stamp, kind);
            notice = self.notice(kind);
        }
        match notice {
            Some(notice) => {
                if self.announced.get(&kind) != Some(&notice) {
                    self.announced.insert(kind, notice.clone());
                    out.push(Effect::Alarm(notice));
                }
            }
            None => {
                if let Some(mut last) = self.announced.remove(&kind)
                    && last.state != AlarmState::Normal
                {
                    last.state = AlarmState::Normal;
                    out.push(Effect::Alarm(last));
                }
            }
        }
    }

    /// Counts that `kind` is raised now: the more often, the longer it holds on.
    fn count(&mut self, now: Mono, stamp: DateTime<Utc>, kind: AlarmKind) {
        let raised = self.raised.entry(kind).or_default();
        raised.retain(|&(at, _)| now.since(at) < CHATTER_WINDOW);
        if raised.len() == COUNTED {
            raised.pop_front();
        }
        raised.push_back((now, stamp));
        let hold = kind.hold(raised.len());
        for ((_, _), entry) in self.entries.iter_mut().filter(|((of, _), _)| *of == kind) {
            entry.life.hold_on(kind, hold);
        }
    }

    /// The one alarm of `kind`, over all its subjects; none where all is normal.
    fn notice(&self, kind: AlarmKind) -> Option<AlarmNotice> {
        let of_kind = || self.entries.iter().filter(move |((of, _), _)| *of == kind);
        let active: Vec<_> = of_kind().filter(|(_, entry)| entry.life.state().is_active()).collect();
        let concerned: Vec<_> = if active.is_empty() {
            of_kind().filter(|(_, entry)| entry.life.state() == AlarmState::ReturnedUnacknowledged).collect()
        } else {
            active
        };
        let since = concerned.iter().map(|(_, entry)| entry.since).min()?;
        let priority = concerned.iter().map(|(_, entry)| entry.trouble.priority()).max()?;
        let any = |state| concerned.iter().any(|(_, entry)| entry.life.state() == state);
        let state = [AlarmState::Unacknowledged, AlarmState::Acknowledged].into_iter().find(|&state| any(state));
        let texts = concerned
            .iter()
            .map(|((_, subject), entry)| entry.trouble.text(&self.title, subject, &self.spoken_time(entry.since)));
        let text = texts.collect::<Vec<_>>().join("\n") + &self.chatter_in_words(kind, state.is_some());
        let subjects = concerned.iter().map(|((_, subject), _)| subject.clone()).filter(|subject| !subject.is_empty());
        Some(AlarmNotice {
            enclosure: self.owner,
            kind,
            priority,
            state: state.unwrap_or(AlarmState::ReturnedUnacknowledged),
            since,
            text,
            subjects: subjects.collect(),
            latched: concerned.iter().any(|(_, entry)| entry.trouble.is_latched()),
            aside: self.asides.get(&kind).cloned(),
        })
    }

    /// Why an active alarm may stand although all seems well.
    fn chatter_in_words(&self, kind: AlarmKind, active: bool) -> String {
        let raised = self.raised.get(&kind).map_or(0, VecDeque::len);
        let hold = kind.hold(raised);
        if !active || hold.is_zero() {
            return String::new();
        }
        let often = if raised == COUNTED { format!("{raised} times or more") } else { format!("{raised} times") };
        format!("\nRaised {often} within a day, so it is cleared only once all has been well for {}.", spoken(hold))
    }

    fn spoken_time(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.timezone).format("%H:%M on %-d %b %Y").to_string()
    }

    /// Kinds that stand, in their order.
    pub(super) fn standing(&self) -> impl Iterator<Item = AlarmKind> {
        let active = self.entries.iter().filter(|(_, entry)| entry.life.state().is_active());
        let mut last = None;
        active.map(|((kind, _), _)| *kind).filter(move |kind| last.replace(*kind) != Some(*kind))
    }

    /// Every alarm that is not normal, for a broker that may have forgotten.
    pub(super) fn announced(&self) -> impl Iterator<Item = &AlarmNotice> {
        self.announced.values()
    }

    pub(super) fn next_deadline(&self) -> Option<Mono> {
        self.entries.values().filter_map(|entry| entry.life.next_deadline()).min()
    }

    /// Carries on from the board of the same owner under earlier settings.
    pub(super) fn adopt(&mut self, earlier: Board) {
        self.entries = earlier.entries;
        self.announced = earlier.announced;
        self.raised = earlier.raised;
        self.filed = earlier.filed;
        self.asides = earlier.asides;
        for notice in self.announced.values_mut() {
            notice.enclosure = self.owner;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Celsius;

    const MINUTE: u64 = 60;
    const DAY: u64 = 24 * 60 * MINUTE;

    fn silent() -> Trouble {
        Trouble::ProbeSilent { stale: Duration::from_secs(90), holds_off: Vec::new(), never: false, late: false }
    }

    fn too_hot() -> Trouble {
        let (reading, cut) = (Celsius(41.0), Celsius(40.0));
        Trouble::OverTemperature { reading, cut, rest: Duration::from_secs(300), latch: None }
    }

    /// The seconds at which an alarm is raised and cleared over `seconds`, where each subject's trouble is there as
    /// `condition` says of the second.
    fn raised_and_cleared(
        seconds: u64,
        trouble: &Trouble,
        subjects: &[&str],
        condition: impl Fn(usize, u64) -> bool,
    ) -> (Vec<u64>, Vec<u64>) {
        let mut board = Board::new(Some((EnclosureIx(0), "e1")), "Quince", chrono_tz::UTC);
        let (mut raised, mut cleared, mut active) = (Vec::new(), Vec::new(), false);
        for second in (0..seconds).step_by(10) {
            let now = Mono::from_secs(second);
            for (n, subject) in subjects.iter().enumerate() {
                let here = condition(n, second).then(|| trouble.clone());
                board.set(now, DateTime::UNIX_EPOCH, trouble.kind(), subject, here);
            }
            let mut out = Vec::new();
            board.step(now, DateTime::UNIX_EPOCH, &mut out);
            for effect in out {
                let Effect::Alarm(notice) = effect else { continue };
                if notice.state.is_active() != active {
                    active = notice.state.is_active();
                    if active { raised.push(second) } else { cleared.push(second) }
                }
            }
        }
        (raised, cleared)
    }

    /// The most that lie within any `span`.
    fn most_within(moments: &[u64], span: u64) -> usize {
        let within = |from: u64| moments.iter().filter(|at| (from..from + span).contains(at)).count();
        moments.iter().map(|&from| within(from)).max().unwrap_or(0)
    }

    #[test]
    fn an_alarm_that_comes_once_is_cleared_at_once() {
        let (raised, cleared) = raised_and_cleared(DAY, &silent(), &["basking"], |_, s| (600..900).contains(&s));
        assert_eq!((raised, cleared), (vec![600], vec![900]));
    }

    #[test]
    fn an_alarm_that_keeps_coming_back_is_raised_at_most_four_times_an_hour_and_sixteen_a_day() {
        // Chattering alarms: ISA-18.2 and IEC 62682. The two numbers are ours.
        for period in [20, 2 * MINUTE, 11 * MINUTE, 25 * MINUTE, 130 * MINUTE] {
            let flaps = |_, s: u64| s % period < period / 2;
            let (raised, _) = raised_and_cleared(3 * DAY, &silent(), &["basking"], flaps);
            let (hour, day) = (most_within(&raised, 60 * MINUTE), most_within(&raised, DAY));
            assert!(hour <= 4 && day <= 16, "{hour} an hour, {day} a day, every {period} s");
            assert!(raised.len() >= 2, "and it is told: {raised:?}, every {period} s");
        }
    }

    #[test]
    fn probes_that_fall_silent_in_turn_do_not_chatter_either() {
        let in_turn = |n: usize, s: u64| (s / 60) % 4 == 2 * n as u64;
        let (raised, _) = raised_and_cleared(2 * DAY, &silent(), &["basking", "cool"], in_turn);
        assert!(most_within(&raised, 60 * MINUTE) <= 4 && most_within(&raised, DAY) <= 16, "{raised:?}");
    }

    #[test]
    fn after_a_quiet_day_it_is_cleared_at_once_again() {
        let spells = |_, s: u64| s < 3600 && s % 120 < 60 || (3 * DAY..3 * DAY + 300).contains(&s);
        let (raised, cleared) = raised_and_cleared(4 * DAY, &silent(), &["basking"], spells);
        assert_eq!((raised.last(), cleared.last()), (Some(&(3 * DAY)), Some(&(3 * DAY + 300))));
    }

    #[test]
    fn every_trip_of_a_guard_is_told() {
        let trips = |_, s: u64| s % (30 * MINUTE) < 6 * MINUTE;
        let (raised, _) = raised_and_cleared(90 * MINUTE, &too_hot(), &["heat"], trips);
        assert_eq!(raised.len(), 3);
    }

    #[test]
    fn one_that_holds_on_says_why() {
        let mut board = Board::new(None, "Quince", chrono_tz::UTC);
        let mut texts = Vec::new();
        for minute in 0..6 {
            let (now, there) = (Mono::from_secs(60 * minute), minute % 2 == 0);
            board.set(now, DateTime::UNIX_EPOCH, AlarmKind::ProbeSilent, "basking", there.then(silent));
            let mut out = Vec::new();
            board.step(now, DateTime::UNIX_EPOCH, &mut out);
            texts.extend(out.into_iter().filter_map(|effect| match effect {
                Effect::Alarm(notice) if notice.state.is_active() => Some(notice.text),
                _ => None,
            }));
        }
        let [first, second] = &texts[..] else { panic!("{texts:?}") };
        assert!(!first.contains("within a day"), "{first}");
        assert!(second.contains("Raised 2 times within a day") && second.contains("10 min"), "{second}");
    }
}
