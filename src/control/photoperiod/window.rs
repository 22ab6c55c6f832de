//! When a lamp may be on.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use super::dayclock::{Located, Stretch, locate};
use crate::settings::{When, Window};

/// The longest stage or ramp that is told from a longer one: far beyond any day that has two ends.
const STAGE_MAX: TimeDelta = TimeDelta::days(10);

/// A lamp's window at a moment.
///
/// A lamp of the day comes on `after_dawn` and goes off `before_dusk`. A lamp of the night is the complement: it comes on
/// `before_dusk` and goes off `after_dawn`, so two lamps with the same stages hand over to each other without a gap.
/// A day too short for its stages has no window. Where a day has no dawn or dusk, as in polar day, it has no stage and no
/// ramp there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Opening {
    /// Whether it is open.
    pub open: bool,
    /// How far the ramp has come, 0..=1: it rises from 0 over `ramp` when the window opens and sinks to 0 over `ramp`
    /// before it closes, whichever is less. 1 without a ramp, 0 while closed.
    pub share: f64,
    /// When it opened or closed; none where that is beyond what is known.
    pub since: Option<DateTime<Utc>>,
    /// When it will close or open; none where that is beyond what is known.
    pub until: Option<DateTime<Utc>>,
    /// Whether the share changes from now on, as at the very moment at which it begins to sink, too.
    pub moves: bool,
    /// Ask again by then: until that instant the window stays as it is and the share is constant or one straight line.
    pub next: DateTime<Utc>,
}

impl Opening {
    /// Whether the window is open and its ramp under way.
    pub fn is_ramping(&self) -> bool {
        self.open && self.moves
    }
}

/// `window` at `now`, where `days` are the days known around it, in order, and `known_to` is when to look anew.
pub(super) fn opening(window: &Window, days: &[Stretch], now: DateTime<Utc>, known_to: DateTime<Utc>) -> Opening {
    let (after_dawn, before_dusk) = (stage(window.after_dawn), stage(window.before_dusk));
    let staged = days.iter().filter_map(|day| {
        let from = day.from.map(|dawn| dawn + after_dawn);
        let to = day.to.map(|dusk| dusk - before_dusk);
        let empty = from.zip(to).is_some_and(|(from, to)| from >= to);
        (!empty).then_some(Stretch { from, to })
    });
    let Located { inside, since, until } = match window.when {
        When::Always => Located { inside: true, since: None, until: None },
        When::Day | When::Night => locate(staged, now),
    };
    let open = inside != (window.when == When::Night);
    let ramp = stage(window.ramp);
    let bends = [
        since.map(|from| from + ramp),
        until.map(|to| to - ramp),
        // Where a short window turns from rising to sinking.
        since.zip(until).filter(|(from, to)| *to - *from < ramp * 2).map(|(from, to)| from + (to - from) / 2),
    ];
    let bends = bends.into_iter().flatten().filter(|_| open);
    let next = bends.chain(until).filter(|edge| *edge > now).fold(known_to, DateTime::min);
    let share = if open { share(ramp, since, until, now) } else { 0.0 };
    let sinks = until.is_some_and(|to| now >= to - ramp && ramp > TimeDelta::zero());
    Opening { open, share, since, until, moves: open && (share < 1.0 || sinks), next }
}

/// How far the ramp has come in a window that is open from `since` until `until`.
fn share(ramp: TimeDelta, since: Option<DateTime<Utc>>, until: Option<DateTime<Utc>>, now: DateTime<Utc>) -> f64 {
    let ramp_ms = ramp.num_milliseconds();
    if ramp_ms <= 0 {
        return 1.0;
    }
    let of_ramp = |passed: TimeDelta| passed.num_milliseconds() as f64 / ramp_ms as f64;
    let risen = since.map_or(1.0, |since| of_ramp(now - since));
    let left = until.map_or(1.0, |until| of_ramp(until - now));
    risen.min(left).clamp(0.0, 1.0)
}

fn stage(span: Duration) -> TimeDelta {
    TimeDelta::from_std(span).map_or(STAGE_MAX, |span| span.min(STAGE_MAX))
}
