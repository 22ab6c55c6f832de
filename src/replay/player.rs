//! The control core in the time of the recording: a driver like the daemon, without a clock.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::{Act, AlarmKind, AlarmNotice, Command, Controller, Effect, Event, OutputRef};
use crate::guard::SafetyRecord;
use crate::message::{Misread, Routes};
use crate::settings::{CutOffIx, EnclosureIx, Settings};
use crate::time::{Moment, Mono};
use crate::units::Level;

use super::{Happening, News};

/// The core may ask for this many ticks in a row without time passing. It needs a few; a core that asked without end
/// must not keep a replay from ending.
const TICKS_AT_ONCE_MAX: u32 = 1000;

/// The core, and all that surrounds it in a replay.
pub(super) struct Player {
    controller: Controller,
    routes: Routes,
    start: DateTime<Utc>,
    now: Moment,
    /// Outputs that report at once what they are told; the reports of the others are in the recording, or they have none.
    reporting: BTreeSet<OutputRef>,
    /// Each alarm as it was last told.
    told: BTreeMap<(Option<EnclosureIx>, AlarmKind), AlarmNotice>,
    /// Reused, so that a message costs no allocation for them.
    decoded: Vec<Event>,
    pending: VecDeque<Event>,
    effects: Vec<Effect>,
}

impl Player {
    /// A core that is told nothing yet. The relays of `reporting` answer by themselves.
    pub(super) fn new(settings: Settings, start: DateTime<Utc>, reporting: BTreeSet<OutputRef>) -> Player {
        let now = Moment { mono: Mono::START, wall: start };
        let routes = Routes::new(&settings);
        Player {
            controller: Controller::new(settings, now, &[]).without_states().of_any_year(),
            routes,
            start,
            now,
            reporting,
            told: BTreeMap::new(),
            decoded: Vec::new(),
            pending: VecDeque::new(),
            effects: Vec::new(),
        }
    }

    pub(super) fn settings(&self) -> &Settings {
        self.controller.settings()
    }

    /// The link is up, at the start.
    pub(super) fn begin(&mut self, out: &mut Vec<Happening>) {
        self.handle(Event::LinkUp, out);
    }

    /// Time passes until `at`, with everything that falls due until then, and at that very time.
    pub(super) fn pass(&mut self, at: DateTime<Utc>, out: &mut Vec<Happening>) {
        let end = self.mono(at);
        let mut at_once = 0;
        while let Some(due) = self.controller.next_deadline().filter(|&due| due <= end) {
            at_once = if due > self.now.mono { 0 } else { at_once + 1 };
            if at_once > TICKS_AT_ONCE_MAX {
                break;
            }
            self.set_time(due);
            self.handle(Event::Tick, out);
        }
        self.set_time(end);
    }

    /// Time jumps to `at`; what fell due meanwhile is done then.
    pub(super) fn leap(&mut self, at: DateTime<Utc>, out: &mut Vec<Happening>) {
        self.set_time(self.mono(at));
        self.handle(Event::Tick, out);
    }

    /// A message arrives. Tells whether anything followed from it.
    /// The keeper does something.
    pub(super) fn act(&mut self, act: Act, out: &mut Vec<Happening>) {
        self.handle(Event::Act(act), out);
    }

    pub(super) fn message(
        &mut self,
        topic: &str,
        payload: &str,
        retained: bool,
        out: &mut Vec<Happening>,
    ) -> Result<bool, Misread> {
        let mut events = std::mem::take(&mut self.decoded);
        let decoded = self.routes.decode(topic, payload.as_bytes(), retained, self.controller.settings(), &mut events);
        let followed = !events.is_empty();
        for event in events.drain(..) {
            self.handle(event, out);
        }
        self.decoded = events;
        decoded.map(|()| followed)
    }

    fn mono(&self, at: DateTime<Utc>) -> Mono {
        Mono::new((at - self.start).to_std().unwrap_or_default()).max(self.now.mono)
    }

    /// Both times move together: in a recording there is no other clock than its own.
    fn set_time(&mut self, to: Mono) {
        let mono = to.max(self.now.mono);
        let elapsed = TimeDelta::from_std(mono.since_start()).unwrap_or(TimeDelta::MAX);
        let wall = self.start.checked_add_signed(elapsed).unwrap_or(DateTime::<Utc>::MAX_UTC);
        self.now = Moment { mono, wall };
    }

    /// Hands the core an event, and what the relays answer. That comes to an end: a core repeats no command without a
    /// pause.
    fn handle(&mut self, event: Event, out: &mut Vec<Happening>) {
        self.pending.push_back(event);
        let mut effects = std::mem::take(&mut self.effects);
        while let Some(event) = self.pending.pop_front() {
            self.controller.handle(self.now, event, &mut effects);
            for effect in effects.drain(..) {
                self.carry_out(effect, out);
            }
        }
        self.effects = effects;
    }

    fn carry_out(&mut self, effect: Effect, out: &mut Vec<Happening>) {
        let news = match effect {
            Effect::Command(command) => {
                self.answer(&command);
                None
            }
            Effect::Switched { enclosure, lamp, level, reason } => {
                Some(News::Relay { output: OutputRef::Lamp(enclosure, lamp), level, reason: reason.to_string() })
            }
            // A contactor has no level of its own in the core: what must outlast a restart tells when it opens.
            Effect::Remember(SafetyRecord::CutOff { name, open }) => self.contactor(&name, open),
            Effect::Alarm(notice) => self.alarm(notice),
            Effect::Remember(SafetyRecord::Enclosure { .. })
            | Effect::ClearRetained(_)
            | Effect::State(_)
            | Effect::File(_)
            | Effect::Calibrated { .. } => None,
        };
        out.extend(news.map(|news| Happening { at: self.now.wall, news }));
    }

    /// The broker's word and the relay's own.
    fn answer(&mut self, command: &Command) {
        let output = command.output;
        self.pending.push_back(Event::Delivered { output, ticket: command.ticket });
        if self.reporting.contains(&output) {
            self.pending.push_back(Event::Report { output, level: Ok(command.permit.level()), retained: false });
        }
    }

    fn contactor(&self, name: &str, open: Option<String>) -> Option<News> {
        let at = self.settings().cut_offs.iter().position(|cut_off| cut_off.name == name)?;
        let (level, reason) = match open {
            Some(why) => (Level::OFF, why),
            None => (Level::FULL, "closed by a person".to_owned()),
        };
        Some(News::Relay { output: OutputRef::CutOff(CutOffIx(at)), level, reason })
    }

    /// An alarm, where it says something new: that somebody has seen it is none.
    fn alarm(&mut self, notice: AlarmNotice) -> Option<News> {
        let key = (notice.enclosure, notice.kind);
        let raised = notice.state.is_active();
        match self.told.get(&key) {
            None if !raised => return None,
            Some(known) if raised && known.text == notice.text && known.priority == notice.priority => return None,
            _ => {}
        }
        if raised {
            self.told.insert(key, notice.clone());
        } else {
            self.told.remove(&key);
        }
        Some(News::Alarm { raised, notice })
    }
}
