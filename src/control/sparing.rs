//! Events of which nothing comes, and when something falls due without any.
//!
//! Most of what comes to a calm site changes nothing that anybody could see. It is taken in by each
//! [enclosure](super::enclosure) for itself, and spared the whole way.

use super::enclosure::EnclosureControl;
use super::{Controller, Event, Link, OutputRef, Reading, Waiting};
use crate::settings::{Enclosure, EnclosureIx, ProbeIx};
use crate::time::Mono;

impl Controller {
    /// Takes in a plain live reading, whose payload has no time stamp, if nothing comes of it: no effect, and no change of
    /// anything that anybody could see but of the reading itself and of what is learnt from it. False:
    /// [`Controller::handle`] must have it next, at the same moment; it knows what has been learnt already. The wall clock is
    /// taken to have kept step with the monotonic one since the last event that was handled; a driver that does not know
    /// leaves this to `handle`, which asks the clock.
    pub fn absorb(&mut self, now: Mono, enclosure: EnclosureIx, probe: ProbeIx, value: f64) -> bool {
        if now < self.now.mono || !self.is_idle(now) || !self.follow_clock(now, enclosure) {
            return false;
        }
        let (Some(settings), Some(control)) =
            (self.settings.enclosures.get(enclosure.0), self.enclosures.get_mut(enclosure.0))
        else {
            return false;
        };
        let timezone = self.settings.site.timezone;
        let Some(sooner) = control.absorb(now, settings, (probe, value), &self.clock, timezone) else {
            self.refused = Some((now, enclosure, probe));
            return false;
        };
        self.now.mono = now;
        self.agenda.bring_forward(enclosure, sooner);
        self.due = self.due.min(sooner);
        true
    }

    /// Lends the readings of a probe that wait to be looked at: what [joins](Waiting::takes) them is as good as
    /// [absorbed](Controller::absorb), once they are [given back](Controller::give_back), which must be before anything else
    /// is done with the enclosure and before anything [falls due](Controller::next_timer). None: none wait.
    pub fn lend(&self, enclosure: EnclosureIx, probe: ProbeIx) -> Option<Waiting> {
        let usual = self.link == Link::Up && self.stopping.is_none() && !self.stirred;
        let follows = |control: &&EnclosureControl| usual && control.has_followed(self.slips);
        self.enclosures.get(enclosure.0).filter(follows)?.waiting(probe)
    }

    /// Takes back what was [lent](Controller::lend).
    pub fn give_back(&mut self, enclosure: EnclosureIx, probe: ProbeIx, waiting: Waiting) {
        if let Some(control) = self.enclosures.get_mut(enclosure.0) {
            self.now.mono = self.now.mono.max(waiting.row().at);
            control.now_wait(probe, waiting);
        }
    }

    /// Whether the wall clock is believed. While it is not, [`Controller::handle`] alone finds out that it is to be.
    pub fn follows_its_clock(&self) -> bool {
        self.clock.is_trusted()
    }

    /// Where the wall clock has slipped against the monotonic one since an enclosure last planned by it, the enclosure plans
    /// anew, as it would on the whole way with whatever concerns it. Whether nothing is due there for that.
    fn follow_clock(&mut self, now: Mono, enclosure: EnclosureIx) -> bool {
        let Some(control) = self.enclosures.get_mut(enclosure.0) else { return true };
        if control.has_followed(self.slips) {
            return true;
        }
        control.follow_clock(self.slips, now, self.clock.wall(now));
        let due = control.due();
        self.agenda.bring_forward(enclosure, due);
        self.due = self.due.min(due);
        due > now
    }

    /// Takes in an event of which nothing comes, and tells so.
    pub(super) fn is_nothing(&mut self, event: &Event) -> bool {
        let now = self.now.mono;
        match event {
            Event::Tick => self.is_idle(now),
            Event::Reading {
                enclosure,
                probe,
                reading: Reading { value: Ok(value), taken: None, retained: false },
            } => {
                let refused = self.refused.take() == Some((now, *enclosure, *probe));
                !refused && self.absorb(now, *enclosure, *probe, *value)
            }
            Event::Report { output: OutputRef::Lamp(enclosure, lamp), level: Ok(level), .. } => {
                let idle = self.is_idle(now) && self.follow_clock(now, *enclosure);
                let pair = self.settings.enclosures.get(enclosure.0).zip(self.enclosures.get_mut(enclosure.0));
                let absorbs = |(settings, control): (&Enclosure, &mut EnclosureControl)| {
                    control.absorb_report(now, settings, *lamp, *level)
                };
                idle && pair.is_some_and(absorbs)
            }
            Event::Delivered { output: OutputRef::Lamp(enclosure, lamp), ticket } if self.is_idle(now) => {
                if let Some(control) = self.enclosures.get_mut(enclosure.0) {
                    control.delivered(*lamp, *ticket);
                }
                true
            }
            _ => false,
        }
    }

    /// Whether nothing is due at `now`, and all is such that an event may come to nothing.
    fn is_idle(&mut self, now: Mono) -> bool {
        if now >= self.due && self.is_usual() {
            self.due = self.soonest();
        }
        now < self.due
    }

    /// Whether nothing need be looked at before something is due.
    fn is_usual(&self) -> bool {
        let usual = self.link == Link::Up && self.stopping.is_none() && self.clock.is_trusted();
        self.shortcuts && usual && !self.stirred
    }

    /// When something is due, at the latest; enclosures that are due later than the agenda has it are put right.
    fn soonest(&mut self) -> Mono {
        loop {
            let (at, enclosure) = self.agenda.soonest();
            let due = self.enclosures.get(enclosure.0).map_or(Mono::END, EnclosureControl::due);
            if due <= at {
                return at.min(self.site_due);
            }
            self.agenda.set(enclosure, due);
        }
    }

    /// When [`Event::Tick`] is next wanted, at the latest. It may lie in the past, which means at once.
    pub fn next_deadline(&mut self) -> Option<Mono> {
        let due = self.soonest();
        if self.is_usual() {
            self.due = due;
        }
        Some(due).filter(|&due| due < Mono::END)
    }

    /// [`Controller::next_deadline`] as long as every probe that has been heard within its interval and a sixteenth goes on
    /// to be. That of any other counts.
    pub fn next_timer(&self) -> Mono {
        let due = |(settings, control): (&Enclosure, &EnclosureControl)| {
            if control.is_on_beat(self.now.mono, settings) { control.next_timer() } else { control.due() }
        };
        self.settings.enclosures.iter().zip(&self.enclosures).map(due).fold(self.site_due, Mono::min)
    }
}
