//! Gliding: where nothing is under way, time passes with nothing but readings of which nothing comes.
//!
//! Core and expectations each tell until when, and for which readings, there is nothing for them to do. Up to there the
//! plant runs by itself, and a reading is no more than a number; what outputs are told they [obey](super::obeying). Whoever
//! follows readings one by one still does, and what is judged on the grid is judged there, unless it is known before that
//! nothing can be found. What comes of a story is the same as if every reading had gone the whole way.

use std::time::Duration;

use super::{COMES_ROUND, GRID, Run, ms};
use crate::control::{Controller, Waiting};
use crate::message::Routes;
use crate::rehearsal::obligation::Obligations;
use crate::rehearsal::oracle::Oracle;
use crate::rehearsal::sight::Sight;
use crate::settings::{EnclosureIx, ProbeIx, Settings};
use crate::time::Mono;

/// With more enclosures than this somebody speaks so often that to look for a glide costs more than it spares; a guess.
const MANY: usize = 31;

/// Until when nothing happens but readings of which nothing comes, and what outputs are told again.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Calm {
    /// Until then; none: that must be found out.
    until: Option<u64>,
    /// The same but for what has no longer been looked at than until then: holds, which are refreshed meanwhile, the
    /// weakness of lamps, and probes that may count as silent.
    owed: Option<u64>,
}

/// Readings of a probe that may be glided over lie between these, neither included.
#[derive(Clone, Copy, Debug)]
pub(super) struct Guide {
    above: f64,
    below: f64,
    /// Nothing is owed by what it says in itself: it has no twin, and tells of no lamp's light or power.
    alone: bool,
}

impl Guide {
    /// Whether the payload is the bare number that the probe reads.
    pub(super) fn is_plain(self) -> bool {
        self.above < self.below
    }
}

/// Readings of a probe of which nothing comes and that everybody will be told of at once.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lane {
    waiting: Waiting,
    /// How many waited when it began.
    before: u32,
}

/// Who hears of readings in a glide. Moments are ms since the start of the story, those of the core since it was `booted`.
struct Listener<'a> {
    booted: u64,
    settings: &'a Settings,
    /// Whether the link is up.
    up: bool,
    /// A bit for each enclosure whose outputs have been followed.
    followed: u32,
    /// How many readings were taken in, and when the last was.
    messages: u64,
    handled: u64,
    core: &'a mut Controller,
    guides: &'a [Vec<Guide>],
    lanes: &'a mut [Vec<Option<Lane>>],
    oracle: &'a mut Oracle,
    obligations: &'a mut Obligations,
    sight: &'a mut Sight,
}

impl Listener<'_> {
    /// Takes in a reading if nothing comes of it.
    #[inline]
    fn takes(&mut self, now: u64, (e, p): (EnclosureIx, ProbeIx), value: f64) -> bool {
        let mono = Mono::from_millis(now - self.booted);
        let joins = self.lanes[e.0][p.0].as_mut().is_some_and(|lane| lane.waiting.takes(mono, value));
        joins || self.takes_alone(now, (e, p), value)
    }

    /// The same for one that does not join those of its lane.
    #[cold]
    #[inline(never)]
    fn takes_alone(&mut self, now: u64, (e, p): (EnclosureIx, ProbeIx), value: f64) -> bool {
        let guide = self.guides[e.0][p.0];
        let mono = Mono::from_millis(now - self.booted);
        if self.lanes[e.0][p.0].is_none() && guide.alone {
            self.begin_lane(guide, e, p);
            if self.lanes[e.0][p.0].as_mut().is_some_and(|lane| lane.waiting.takes(mono, value)) {
                self.follow(now, e);
                return true;
            }
        }
        self.end_lanes(e);
        if !(value > guide.above && value < guide.below && self.core.absorb(mono, e, p, value)) {
            return false;
        }
        self.oracle.nothing(now, e, p);
        self.sight.heard(now, e, p, value);
        if guide.alone {
            self.obligations.heard(now, self.settings, (e, p), value);
            self.begin_lane(guide, e, p);
        } else {
            self.obligations.reading(now, self.settings, self.sight, (e, p), value);
        }
        self.follow(now, e);
        self.messages += 1;
        self.handled = self.handled.max(now);
        true
    }

    /// Follows outputs, which stay as they are for the whole of a glide; its first reading comes here.
    fn follow(&mut self, now: u64, e: EnclosureIx) {
        if self.followed & (1 << e.0) == 0 {
            self.followed |= 1 << e.0;
            self.obligations.follow(now, self.settings, self.sight, self.up, e.0);
        }
    }

    /// The next readings of a probe may wait, where the core has some that do.
    fn begin_lane(&mut self, guide: Guide, e: EnclosureIx, p: ProbeIx) {
        let waiting = self.core.lend(e, p).map(|waiting| waiting.between(guide.above, guide.below));
        self.lanes[e.0][p.0] = waiting.map(|waiting| Lane { waiting, before: waiting.row().many });
    }

    /// Tells everybody of the readings of an enclosure that wait.
    fn end_lanes(&mut self, e: EnclosureIx) {
        for (p, lane) in self.lanes[e.0].iter_mut().enumerate() {
            let Some(Lane { waiting, before }) = lane.take() else { continue };
            let (row, p) = (*waiting.row(), ProbeIx(p));
            if row.many > before {
                let at = |mono: Mono| self.booted + mono.as_millis();
                self.core.give_back(e, p, waiting);
                self.oracle.nothing(at(row.at), e, p);
                self.sight.heard(at(row.at), e, p, row.last);
                let last = (at(row.at), row.last);
                let many = u64::from(row.many - before);
                self.obligations.heard_row((e, p), last, row.changed.map(at), many);
                self.messages += many;
                self.handled = self.handled.max(last.0);
            }
        }
    }
}

/// The guides of all probes.
pub(super) fn guides(settings: &Settings, routes: &Routes) -> Vec<Vec<Guide>> {
    let guide = |e: usize, p: usize| {
        let (e, p) = (EnclosureIx(e), ProbeIx(p));
        if !routes.is_plain(settings, e, p) {
            return Guide { above: f64::NAN, below: f64::NAN, alone: false };
        }
        let (above, below) = Oracle::nothing_within(settings, e, p);
        Guide { above, below, alone: Obligations::is_alone(&settings.enclosures[e.0], p) }
    };
    let enclosures = settings.enclosures.iter().enumerate();
    enclosures.map(|(e, enclosure)| (0..enclosure.probes.len()).map(|p| guide(e, p)).collect()).collect()
}

impl Run<'_> {
    /// Lets time pass as long as nothing happens but readings, and what outputs are told and report. What ends that is left
    /// to the next step, with what the plant has said.
    pub(super) fn glide(&mut self) {
        while let Some(until) = self.calm_until() {
            let (due, parcel) = (self.core_due(), self.broker.next().unwrap_or(u64::MAX));
            let stirs = until.min(due).min(parcel);
            if stirs <= self.now {
                break;
            }
            if stirs > self.now + 1 {
                self.glide_to(stirs - 1);
                // What lies behind was not looked at; a moment of the grid that is now is for the step.
                self.looked += (self.now - 1).saturating_sub(self.looked) / GRID * GRID;
            }
            let alone = until.min(parcel);
            if self.said.is_empty() {
                if stirs == due && self.fall_due(due, alone) {
                    continue;
                }
                if stirs == until {
                    // By now more may be known.
                    self.calm.until = None;
                    if self.calm_until().is_some_and(|still| still > until) || self.look_for_weakness(until) {
                        continue;
                    }
                    break;
                }
                self.now = stirs;
            } else if self.hear_plainly(alone) {
                continue;
            }
            self.pass_by();
        }
    }

    /// [`Run::quiet_until`], until the next moment of the grid where a lamp's weakness is followed there, and until no probe
    /// may count as silent.
    fn calm_until(&mut self) -> Option<u64> {
        if !self.is_undisturbed() {
            return None;
        }
        if self.calm.until.is_none() {
            let grid = if self.obligations.follows_weakness() { self.looked + GRID } else { u64::MAX };
            let known = self.calm.owed.filter(|owed| *owed > self.now + 1 && self.owes_no_look());
            let owed = known.unwrap_or_else(|| self.quiet_but_for_holds());
            let quiet = owed.min(self.holds_quietly());
            self.calm.until = Some(quiet.min(grid).min(self.oracle.silent_at(self.settings, self.now)));
            self.calm.owed = Some(owed);
        }
        self.calm.until
    }

    /// Follows the weakness of lamps at `grid`, the next millisecond, where that is all that is to be looked at then, and
    /// nothing else happens. False: nothing was done.
    fn look_for_weakness(&mut self, grid: u64) -> bool {
        let (core, world) = (self.core_due(), self.world.next_event().map_or(u64::MAX, ms));
        let quiet = if self.is_undisturbed() { self.quiet_until() } else { 0 };
        let other = quiet.min(core).min(world);
        let other =
            other.min(self.broker.next().unwrap_or(u64::MAX)).min(self.oracle.silent_at(self.settings, self.now));
        if grid != self.looked + GRID || other <= grid || !self.obligations.follows_weakness() {
            return false;
        }
        (self.now, self.looked) = (grid, grid);
        self.judge_weakness();
        self.calm = Calm::default();
        true
    }

    /// When the core must do something by itself, as long as every probe keeps its beat: then no silence falls due.
    pub(super) fn core_due(&self) -> u64 {
        let due = self.host.core.as_ref().map_or(Mono::END, Controller::next_timer);
        if due < Mono::END { self.host.story_time(due) } else { u64::MAX }
    }

    fn glide_to(&mut self, to: u64) {
        let (Some(booted), Some(core)) = (self.host.in_step(), &mut self.host.core) else { return };
        let mut listener = Listener {
            booted,
            settings: self.settings,
            up: self.up_since.is_some(),
            followed: 0,
            messages: self.messages,
            handled: self.handled,
            core,
            guides: &self.guides,
            lanes: &mut self.lanes,
            oracle: &mut self.oracle,
            obligations: &mut self.obligations,
            sight: &mut self.sight,
        };
        let mut takes = |now: u64, e: EnclosureIx, p: ProbeIx, value: f64| listener.takes(now, (e, p), value);
        let reached = ms(self.world.glide(Duration::from_millis(to), &mut takes, &mut self.said));
        (0..self.settings.enclosures.len()).for_each(|e| listener.end_lanes(EnclosureIx(e)));
        (self.messages, self.handled, self.now) = (listener.messages, listener.handled, reached);
        // Up to here the core came round with nothing to do.
        let whole = if self.said.is_empty() { reached } else { reached.saturating_sub(1) };
        self.handled += whole.saturating_sub(self.handled) / COMES_ROUND * COMES_ROUND;
    }

    /// Whether nothing is under way but what a glide follows.
    fn is_undisturbed(&self) -> bool {
        let is_seen = self.options.whole_way || self.recorder.is_some() || self.settings.enclosures.len() > MANY;
        let carries = self.broker.is_calm() && self.broker.carries_commands_alone() && self.said.is_empty();
        // A probe that is not well may lose its beat in the midst of a glide.
        let well = || !self.active.iter().any(|(active, _)| *active);
        !is_seen && carries && self.up_since.is_some() && self.host.in_step().is_some() && well()
    }

    /// When something must happen or be looked at that is no reading of which nothing comes, while all is
    /// [undisturbed](Run::is_undisturbed). What outputs are told again and report again brings it no nearer.
    fn quiet_until(&self) -> u64 {
        self.quiet_but_for_holds().min(self.holds_quietly())
    }

    /// The first moment of the grid at which something that is owed at `owed` could be found.
    fn on_grid(&self, owed: u64) -> u64 {
        let passed = owed.saturating_sub(self.looked).div_ceil(GRID).max(1);
        self.looked.saturating_add(passed.saturating_mul(GRID))
    }

    /// The first moment of the grid at which an output could not have been told again in time.
    fn holds_quietly(&self) -> u64 {
        self.on_grid(self.oracle.holds_until(self.settings, &self.sight))
    }

    /// [`Run::quiet_until`] but for outputs that are told again in time.
    fn quiet_but_for_holds(&self) -> u64 {
        let turn = self.turns.get(self.turned).map(|(at, ..)| *at);
        let act = self.acts.get(self.acted).map(|(at, _)| *at);
        let owed = self.on_grid(self.nothing_owed_until());
        let grid = self.looked + GRID;
        let boots = [self.broker_boots, self.daemon_boots, self.reconciled_by];
        let all = [turn, act, Some(owed), Some(self.end)];
        let watches = self.watches.iter().zip(&self.scenario.expectations);
        let watches = watches.map(|(watch, expectation)| watch.quiet_until(self.now, grid, &expectation.what));
        all.into_iter().chain(boots).flatten().chain(watches).min().unwrap_or(self.end)
    }
}
