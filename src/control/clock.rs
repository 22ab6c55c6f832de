//! The time that schedules go by, kept apart from what the wall clock says of itself.
//!
//! A wall clock may be unset at boot, jump or run backwards. While it agrees with monotonic time it is followed; when it
//! does not, schedules carry on from an estimate until the new time has held for [`HOLD`], or the old one is back.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use crate::time::{Moment, Mono};

/// A wall clock before this (2025-01-01T00:00:00Z) has not been set: the program is younger.
const EARLIEST: i64 = 1_735_689_600;
/// A larger step than this against monotonic time is a jump; a guess, far above what a clock is slewed by.
const JUMP: TimeDelta = TimeDelta::seconds(60);
/// A new time is believed once it has held this long; a guess.
const HOLD: Duration = Duration::from_secs(15 * 60);

/// What schedules take the time to be.
#[derive(Clone, Debug)]
pub(super) struct Clock {
    state: State,
    /// Seconds since 1970 before which a wall clock has not been set.
    earliest: i64,
}

#[derive(Clone, Copy, Debug)]
enum State {
    /// Never set.
    Unset,
    /// Followed.
    Trusted(Anchor),
    /// The wall clock contradicts itself: on the estimate, with the contender timed.
    Doubtful { estimate: Anchor, contender: Anchor },
}

/// A wall time pinned to a monotonic one.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    mono: Mono,
    wall: DateTime<Utc>,
}

impl Anchor {
    fn of(now: Moment) -> Anchor {
        Anchor { mono: now.mono, wall: now.wall }
    }

    fn at(self, mono: Mono) -> DateTime<Utc> {
        // Most often it was pinned just now, and the calendar's arithmetic costs more than the comparison.
        if mono == self.mono {
            return self.wall;
        }
        let elapsed = TimeDelta::from_std(mono.since(self.mono)).unwrap_or(TimeDelta::MAX);
        self.wall.checked_add_signed(elapsed).unwrap_or(DateTime::<Utc>::MAX_UTC)
    }

    fn agrees_with(self, now: Moment) -> bool {
        (now.wall - self.at(now.mono)).abs() <= JUMP
    }
}

/// What observing a moment has changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change {
    /// Nothing that a schedule would notice.
    None,
    /// The wall clock can no longer be believed.
    BecameDoubtful,
    /// The wall clock is believed; schedules must be looked at afresh.
    BecameTrusted,
}

impl Clock {
    pub(super) fn new(now: Moment) -> Clock {
        let mut clock = Clock { state: State::Unset, earliest: EARLIEST };
        clock.observe(now);
        clock
    }

    /// A clock that takes every time for one that was set, as those of recordings were, from whatever year.
    pub(super) fn of_any_year(now: Moment) -> Clock {
        Clock { state: State::Trusted(Anchor::of(now)), earliest: i64::MIN }
    }

    fn is_set(&self, wall: DateTime<Utc>) -> bool {
        wall.timestamp() >= self.earliest
    }

    /// Compares the moment's two times with what went before.
    pub(super) fn observe(&mut self, now: Moment) -> Change {
        let (state, change) = match self.state {
            State::Unset if self.is_set(now.wall) => (State::Trusted(Anchor::of(now)), Change::BecameTrusted),
            State::Unset => (State::Unset, Change::None),
            State::Trusted(anchor) if anchor.agrees_with(now) => (State::Trusted(Anchor::of(now)), Change::None),
            State::Trusted(estimate) => {
                (State::Doubtful { estimate, contender: Anchor::of(now) }, Change::BecameDoubtful)
            }
            State::Doubtful { estimate, .. } if estimate.agrees_with(now) => {
                (State::Trusted(Anchor::of(now)), Change::BecameTrusted)
            }
            State::Doubtful { estimate, contender } if !contender.agrees_with(now) => {
                (State::Doubtful { estimate, contender: Anchor::of(now) }, Change::None)
            }
            State::Doubtful { contender, .. } if now.mono.since(contender.mono) >= HOLD && self.is_set(now.wall) => {
                (State::Trusted(Anchor::of(now)), Change::BecameTrusted)
            }
            doubtful @ State::Doubtful { .. } => (doubtful, Change::None),
        };
        self.state = state;
        change
    }

    /// The time that schedules go by; none while the clock has never been set.
    pub(super) fn wall(&self, mono: Mono) -> Option<DateTime<Utc>> {
        match self.state {
            State::Unset => None,
            State::Trusted(anchor) | State::Doubtful { estimate: anchor, .. } => Some(anchor.at(mono)),
        }
    }

    /// Whether the wall clock can be believed.
    pub(super) fn is_trusted(&self) -> bool {
        matches!(self.state, State::Trusted(_))
    }

    /// When a contender could win by having held long enough.
    pub(super) fn next_deadline(&self) -> Option<Mono> {
        match self.state {
            State::Doubtful { contender, .. } if self.is_set(contender.wall) => Some(contender.mono.after(HOLD)),
            State::Doubtful { .. } | State::Unset | State::Trusted(_) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A moment `mono` seconds after the start, with the wall clock `wall` seconds after noon of 2026-03-01.
    fn moment(mono: u64, wall: i64) -> Moment {
        let noon = DateTime::from_timestamp(1_772_366_400, 0).expect("in range");
        Moment { mono: Mono::from_secs(mono), wall: noon + TimeDelta::seconds(wall) }
    }

    fn wall_of(clock: &Clock, mono: u64) -> i64 {
        (clock.wall(Mono::from_secs(mono)).expect("set") - moment(0, 0).wall).num_seconds()
    }

    #[test]
    fn small_corrections_are_followed_and_jumps_are_not() {
        let mut clock = Clock::new(moment(0, 0));
        assert_eq!(clock.observe(moment(100, 130)), Change::None);
        assert_eq!(wall_of(&clock, 100), 130);
        assert_eq!(clock.observe(moment(200, -9000)), Change::BecameDoubtful);
        assert_eq!(wall_of(&clock, 200), 230, "schedules carry on from the estimate");
        assert!(!clock.is_trusted());
    }

    #[test]
    fn a_new_time_is_believed_after_it_has_held() {
        let mut clock = Clock::new(moment(0, 0));
        clock.observe(moment(10, 7200));
        assert_eq!(clock.next_deadline(), Some(Mono::from_secs(910)));
        assert_eq!(clock.observe(moment(909, 7200 + 899)), Change::None);
        assert_eq!(clock.observe(moment(910, 7200 + 900)), Change::BecameTrusted);
        assert_eq!(wall_of(&clock, 910), 8100);
    }

    #[test]
    fn a_clock_that_comes_back_is_believed_at_once() {
        let mut clock = Clock::new(moment(0, 0));
        clock.observe(moment(10, -100_000));
        assert_eq!(clock.observe(moment(20, 20)), Change::BecameTrusted);
    }

    #[test]
    fn a_contender_that_moves_again_starts_anew() {
        let mut clock = Clock::new(moment(0, 0));
        clock.observe(moment(10, 7200));
        clock.observe(moment(800, 90_000));
        assert_eq!(clock.observe(moment(1000, 90_200)), Change::None);
        assert_eq!(clock.observe(moment(1700, 90_900)), Change::BecameTrusted);
    }

    #[test]
    fn an_unset_clock_gives_no_time_until_it_is_set() {
        let mut clock = Clock::new(Moment { mono: Mono::START, wall: DateTime::UNIX_EPOCH });
        assert_eq!(clock.wall(Mono::from_secs(5)), None);
        assert!(!clock.is_trusted());
        assert_eq!(clock.observe(moment(60, 0)), Change::BecameTrusted);
        assert_eq!(wall_of(&clock, 61), 1);
    }

    #[test]
    fn a_recordings_clock_may_be_of_any_year() {
        let old = Moment { mono: Mono::START, wall: DateTime::UNIX_EPOCH };
        let clock = Clock::of_any_year(old);
        assert!(clock.is_trusted());
        assert_eq!(clock.wall(Mono::from_secs(5)), Some(DateTime::UNIX_EPOCH + TimeDelta::seconds(5)));
    }

    #[test]
    fn a_clock_that_falls_back_to_1970_never_wins() {
        let mut clock = Clock::new(moment(0, 0));
        for second in 1..5000 {
            let wall = DateTime::UNIX_EPOCH + TimeDelta::seconds(second);
            clock.observe(Moment { mono: Mono::from_secs(second as u64), wall });
        }
        assert_eq!(wall_of(&clock, 5000), 5000);
    }
}
