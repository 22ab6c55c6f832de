//! Gliding: where nothing is under way, time passes with nothing but readings of which nothing comes.
//!
//! Core and expectations each tell until when, and for which readings, there is nothing for them to do. Up to there the
//! plant runs by itself, and a reading is no more than a number. Whoever follows readings one by one still does, and what is
//! judged on the grid is judged there, unless it is known before that nothing can be found. What comes of a story is the same as if every reading had gone the whole way.

use std::time::Duration;

use super::{COMES_ROUND, GRID, Run, ms};
use crate::control::Controller;
use crate::message::Routes;
use crate::rehearsal::obligation::Obligations;
use crate::rehearsal::oracle::Oracle;
use crate::settings::{EnclosureIx, ProbeIx, Settings};
use crate::time::Mono;

/// With more enclosures than this somebody speaks so often that to look for a glide costs more than it spares; a guess.
const MANY: usize = 31;

/// Readings of a probe that may be glided over lie between these, neither included.
#[derive(Clone, Copy, Debug)]
pub(super) struct Guide {
    above: f64,
    below: f64,
    /// Nothing is owed by what it says in itself: it has no twin, and tells of no lamp's light or power.
    alone: bool,
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
        while let Some(until) = self.quiet_until() {
            let silent = self.oracle.silent_at(self.settings, self.now);
            let (due, parcel) = (self.core_due(), self.broker.next().unwrap_or(u64::MAX));
            let stirs = until.min(due).min(silent).min(parcel);
            if stirs <= self.now {
                break;
            }
            if stirs > self.now + 1 {
                self.glide_to(stirs - 1);
                // What lies behind was not looked at; a moment of the grid that is now is for the step.
                self.looked += (self.now - 1).saturating_sub(self.looked) / GRID * GRID;
            }
            if self.said.is_empty() {
                if stirs == due && stirs < parcel && self.refresh(due, until.min(silent).min(parcel)) {
                    continue;
                }
                if stirs == until || stirs == silent {
                    // By now more may be known.
                    if self.quiet_until().is_none_or(|still| still <= until) {
                        break;
                    }
                    continue;
                }
                self.now = stirs.max(self.now);
            }
            self.pass_by();
        }
    }

    /// When the core must do something by itself, as long as every probe keeps its beat: then no silence falls due.
    pub(super) fn core_due(&self) -> u64 {
        let due = self.host.core.as_ref().map_or(Mono::END, Controller::next_timer);
        if due < Mono::END { self.host.story_time(due) } else { u64::MAX }
    }

    fn glide_to(&mut self, to: u64) {
        let (Some(booted), Some(core)) = (self.host.in_step(), &mut self.host.core) else { return };
        let (oracle, obligations, sight) = (&mut self.oracle, &mut self.obligations, &mut self.sight);
        let (settings, guides, up) = (self.settings, &self.guides, self.up_since.is_some());
        let (mut messages, mut handled) = (self.messages, self.handled);
        // Outputs stay as they are for the whole of a glide; a bit for each enclosure.
        let mut followed = 0_u32;
        let mut takes = |now: u64, e: EnclosureIx, p: ProbeIx, value: f64| {
            let guide = guides[e.0][p.0];
            let is_nothing =
                value > guide.above && value < guide.below && core.absorb(Mono::from_millis(now - booted), e, p, value);
            if is_nothing {
                oracle.nothing(now, e, p);
                sight.heard(now, e, p, value);
                if guide.alone {
                    obligations.heard(now, settings, (e, p), value);
                } else {
                    obligations.reading(now, settings, sight, (e, p), value);
                }
                if followed & (1 << e.0) == 0 {
                    followed |= 1 << e.0;
                    obligations.follow(now, settings, sight, up, e.0);
                }
                messages += 1;
                handled = now;
            }
            is_nothing
        };
        let reached = ms(self.world.glide(Duration::from_millis(to), &mut takes, &mut self.said));
        (self.messages, self.handled, self.now) = (messages, handled, reached);
        // Up to here the core came round with nothing to do.
        let whole = if self.said.is_empty() { reached } else { reached.saturating_sub(1) };
        self.handled += whole.saturating_sub(self.handled) / COMES_ROUND * COMES_ROUND;
    }

    /// When something must happen or be looked at that is no reading of which nothing comes; none where something is under
    /// way.
    fn quiet_until(&self) -> Option<u64> {
        let is_seen = self.options.whole_way || self.recorder.is_some() || self.settings.enclosures.len() > MANY;
        if is_seen || !self.broker.is_calm() || !self.broker.carries_commands_alone() || !self.said.is_empty() {
            return None;
        }
        self.up_since?;
        self.host.in_step()?;
        // A probe that is not well may lose its beat in the midst of a glide.
        if self.active.iter().any(|(active, _)| *active) {
            return None;
        }
        let turn = self.turns.get(self.turned).map(|(at, ..)| *at);
        let act = self.acts.get(self.acted).map(|(at, _)| *at);
        // The first moment of the grid at which anything could be found.
        let passed = self.nothing_owed_until().saturating_sub(self.looked).div_ceil(GRID).max(1);
        let owed = self.looked.saturating_add(passed.saturating_mul(GRID));
        let grid = self.looked + GRID;
        let boots = [self.broker_boots, self.daemon_boots, self.reconciled_by];
        let all = [turn, act, Some(owed), Some(self.end)];
        let watches = self.watches.iter().zip(&self.scenario.expectations);
        let watches = watches.map(|(watch, expectation)| watch.quiet_until(self.now, grid, &expectation.what));
        all.into_iter().chain(boots).flatten().chain(watches).min()
    }
}
