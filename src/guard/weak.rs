//! Fully on, and the target is not reached: a deficit integrated in kelvin-seconds.

use std::time::Duration;

use crate::settings::HeatWeak;
use crate::time::Mono;
use crate::units::{Celsius, Kelvin, KelvinSeconds};

use super::stretch::{Row, Stretch};

/// This close to the target a lamp is not found weak …
const REACHED: Kelvin = Kelvin(1.0);
/// … and one that was found weak is so until it comes this close; both guesses.
const REACHED_AGAIN: Kelvin = Kelvin(0.5);

/// Watches whether a thermostat's lamp gets there.
#[derive(Clone, Debug)]
pub struct WeakWatch {
    settings: HeatWeak,
    run: Option<Run>,
    /// The deficit at which it was found weak.
    found: Option<KelvinSeconds>,
}

/// One stretch of being fully on.
#[derive(Clone, Copy, Debug)]
struct Run {
    last: Mono,
    goal: Celsius,
    goal_by: Mono,
    deficit: KelvinSeconds,
}

impl WeakWatch {
    /// A watch with nothing seen yet.
    pub fn new(settings: HeatWeak) -> WeakWatch {
        WeakWatch { settings, run: None, found: None }
    }

    /// A believable reading while the lamp is not fully on: only that all is well again can be said.
    pub fn not_full(&mut self, reading: Celsius, target: Celsius) {
        self.run = None;
        self.forgive(reading, target);
    }

    /// A lamp that has come close enough to its target is weak no more.
    fn forgive(&mut self, reading: Celsius, target: Celsius) {
        if reading >= target - REACHED_AGAIN {
            self.found = None;
        }
    }

    /// Carries on from the watch over the same lamp under earlier settings.
    pub fn adopt(&mut self, earlier: &WeakWatch) {
        (self.run, self.found) = (earlier.run, earlier.found);
    }

    /// A believable reading while the lamp is fully on. Steps longer than `longest_step` count as that long, so that a
    /// silence does not add up.
    pub fn reading(&mut self, now: Mono, reading: Celsius, target: Celsius, longest_step: Duration) {
        self.forgive(reading, target);
        if reading >= target - REACHED {
            self.run = None;
            return;
        }
        let fresh_goal = || (reading + self.settings.gain, now.after(self.settings.within));
        let Some(run) = &mut self.run else {
            let (goal, goal_by) = fresh_goal();
            self.run = Some(Run { last: now, goal, goal_by, deficit: KelvinSeconds(0.0) });
            return;
        };
        let step = now.since(run.last).min(longest_step);
        run.last = now;
        if reading >= run.goal {
            (run.goal, run.goal_by) = fresh_goal();
            run.deficit = KelvinSeconds(0.0);
        } else if now >= run.goal_by {
            run.deficit.0 += (target - reading).0 * step.as_secs_f64();
            if run.deficit >= self.settings.deficit {
                self.found = Some(run.deficit);
            }
        }
    }

    /// Whether [`WeakWatch::reading`] would count no deficit, so that [`WeakWatch::weak`] stays none.
    pub fn bears(&self, now: Mono, reading: Celsius, target: Celsius) -> bool {
        let waits = |run: &Run| !(run.deficit.0 > 0.0) && (now < run.goal_by || reading >= run.goal);
        let counts = self.settings.deficit.0 > 0.0;
        counts && self.found.is_none() && (reading >= target - REACHED || self.run.as_ref().is_none_or(waits))
    }

    /// Which readings need not be told one by one; none where any must.
    pub fn takes_rows(&self, target: Celsius) -> Option<Stretch> {
        let reached = (target - REACHED).0;
        match &self.run {
            _ if self.found.is_some() => None,
            None => Some(Stretch { above: reached.next_down(), ..Stretch::ALL }),
            Some(run) if run.deficit.0 > 0.0 => None,
            Some(run) => Some(Stretch { below: run.goal.0.min(reached), until: run.goal_by, ..Stretch::ALL }),
        }
    }

    /// Takes in a row of readings while the lamp is fully on, all of them within what [`WeakWatch::takes_rows`] said.
    pub fn absorb_row(&mut self, row: &Row) {
        if let Some(run) = &mut self.run {
            run.last = row.at;
        }
    }

    /// Whether nothing is being judged and nothing was found.
    pub fn is_idle(&self) -> bool {
        self.run.is_none() && self.found.is_none()
    }

    /// The integrated deficit, from when it is too large until the target is reached.
    pub fn weak(&self) -> Option<KelvinSeconds> {
        self.found
    }
}
