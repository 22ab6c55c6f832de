//! The time that schedules go by, kept apart from what the wall clock says of itself.
//!
//! A wall clock may be unset at boot, jump or run backwards. While it agrees with monotonic time it is followed; when it
//! does not, schedules carry on from an estimate until the new time has held for [`HOLD`], or the old one is back.
//!
//! At the start the last wall time that is known from before judges it. A board without a clock battery boots in the past,
//! and no true time lies before one that has been: schedules carry on from there until the clock says something later.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use crate::time::{Moment, Mono};

/// A wall clock before this (2025-01-01T00:00:00Z) has not been set: the program is younger.
const EARLIEST: i64 = 1_735_689_600;
/// A larger step than this against monotonic time is a jump; a guess, far above what a clock is slewed by.
const JUMP: TimeDelta = TimeDelta::seconds(60);
/// A new time is believed once it has held this long; a guess.
const HOLD: Duration = Duration::from_secs(15 * 60);

/// At the start a time that lies before what is known to have passed is believed once it has held this long, a guess: long
/// enough for somebody to see the alarm, for a board without network would otherwise fall back in time. What was known may
/// have been wrong itself, so it is believed in the end.
const HOLD_BEFORE: Duration = Duration::from_secs(24 * 3600);
/// At the start a time that lies further than this after the last that is known must hold, too; a guess.
const FAR_AHEAD: TimeDelta = TimeDelta::days(400);

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
    Doubtful { estimate: Anchor, contender: Anchor, known: Option<Known> },
}

/// The last wall time that is known from before the start, where the clock has contradicted it ever since.
#[derive(Clone, Copy, Debug)]
struct Known(DateTime<Utc>);

impl Known {
    /// Whether it can be `wall` where it is `estimate` at least: what passed without power is not in that.
    fn allows(self, estimate: DateTime<Utc>, wall: DateTime<Utc>) -> bool {
        wall >= estimate - JUMP && wall - self.0 <= FAR_AHEAD
    }
}

/// Why the clock is doubted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ClockDoubt {
    /// It was never set, and no earlier time is known.
    Unset,
    /// It has jumped.
    Jumped,
    /// Since the start it says a time that has been long ago, or one far ahead.
    Contradicts {
        /// What it says.
        says: DateTime<Utc>,
        /// The last time that is known from before.
        known: DateTime<Utc>,
        /// It is the past, and not the far future.
        has_been: bool,
    },
}

impl ClockDoubt {
    /// Which doubt it is.
    pub(super) const fn word(self) -> &'static str {
        match self {
            ClockDoubt::Unset => "unset",
            ClockDoubt::Jumped => "jumped",
            ClockDoubt::Contradicts { has_been: true, .. } => "in the past",
            ClockDoubt::Contradicts { has_been: false, .. } => "far ahead",
        }
    }
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
    /// Nothing.
    None,
    /// It has been corrected, or runs a little faster or slower than the monotonic one.
    Slipped,
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

    /// The last wall time that was known before the start, told right after that.
    pub(super) fn recall(&mut self, start: Moment, known: DateTime<Utc>) {
        let known = Known(known);
        if self.is_of_any_year() || !self.is_set(known.0) || known.allows(known.0, start.wall) {
            return;
        }
        let estimate = Anchor { mono: start.mono, wall: known.0 };
        self.state = State::Doubtful { estimate, contender: Anchor::of(start), known: Some(known) };
    }

    fn is_of_any_year(&self) -> bool {
        self.earliest == i64::MIN
    }

    fn is_set(&self, wall: DateTime<Utc>) -> bool {
        wall.timestamp() >= self.earliest
    }

    /// Compares the moment's two times with what went before.
    pub(super) fn observe(&mut self, now: Moment) -> Change {
        let (state, change) = match self.state {
            State::Unset if self.is_set(now.wall) => (State::Trusted(Anchor::of(now)), Change::BecameTrusted),
            State::Unset => (State::Unset, Change::None),
            State::Trusted(anchor) if anchor.agrees_with(now) => {
                let slipped = anchor.at(now.mono) != now.wall;
                (State::Trusted(Anchor::of(now)), if slipped { Change::Slipped } else { Change::None })
            }
            State::Trusted(estimate) => {
                (State::Doubtful { estimate, contender: Anchor::of(now), known: None }, Change::BecameDoubtful)
            }
            State::Doubtful { estimate, .. } if estimate.agrees_with(now) => {
                (State::Trusted(Anchor::of(now)), Change::BecameTrusted)
            }
            // As it would have been at the start: somebody has set it.
            State::Doubtful { estimate, known: Some(known), .. } if known.allows(estimate.at(now.mono), now.wall) => {
                (State::Trusted(Anchor::of(now)), Change::BecameTrusted)
            }
            State::Doubtful { estimate, contender, known } if !contender.agrees_with(now) => {
                (State::Doubtful { estimate, contender: Anchor::of(now), known }, Change::None)
            }
            State::Doubtful { estimate, contender, known }
                if now.mono.since(contender.mono) >= hold(estimate, contender, known) && self.is_set(now.wall) =>
            {
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
            State::Doubtful { estimate, contender, known } if self.is_set(contender.wall) => {
                Some(contender.mono.after(hold(estimate, contender, known)))
            }
            State::Doubtful { .. } | State::Unset | State::Trusted(_) => None,
        }
    }

    /// Why the wall clock cannot be believed, where it cannot.
    pub(super) fn doubt(&self, mono: Mono) -> Option<ClockDoubt> {
        match self.state {
            State::Unset => Some(ClockDoubt::Unset),
            State::Trusted(_) => None,
            State::Doubtful { known: None, .. } => Some(ClockDoubt::Jumped),
            State::Doubtful { estimate, contender, known: Some(Known(known)) } => {
                let has_been = has_been(estimate, contender);
                Some(ClockDoubt::Contradicts { says: contender.at(mono), known, has_been })
            }
        }
    }
}

/// How long a contender must hold.
fn hold(estimate: Anchor, contender: Anchor, known: Option<Known>) -> Duration {
    if known.is_some() && has_been(estimate, contender) { HOLD_BEFORE } else { HOLD }
}

/// Whether a contender says a time that has passed.
fn has_been(estimate: Anchor, contender: Anchor) -> bool {
    contender.wall < estimate.at(contender.mono)
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
        assert_eq!(clock.observe(moment(100, 130)), Change::Slipped);
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

    const DAY: i64 = 86_400;

    /// A clock that says `wall` (seconds after noon) at the start, where the last time known is noon.
    fn started(wall: i64) -> Clock {
        let mut clock = Clock::new(moment(0, wall));
        clock.recall(moment(0, wall), moment(0, 0).wall);
        clock
    }

    #[test]
    fn the_last_known_time_judges_the_clock_at_the_start() {
        let noon = moment(0, 0).wall;
        for (wall, trusted) in [
            (0, true),
            (-60, true),
            (-61, false),
            (3 * DAY, true),
            (400 * DAY, true),
            (400 * DAY + 1, false),
            (-200 * DAY, false),
            (-noon.timestamp(), false),
        ] {
            let clock = started(wall);
            assert_eq!(clock.is_trusted(), trusted, "{wall} s after the last known");
            let by = clock.wall(Mono::from_secs(100)).expect("some time") - noon;
            assert_eq!(by.num_seconds(), 100 + if trusted { wall } else { 0 }, "{wall}: the estimate begins there");
        }
        // What is known must itself be a time that was set.
        let mut clock = Clock::new(moment(0, 0));
        clock.recall(moment(0, 0), DateTime::UNIX_EPOCH);
        assert!(clock.is_trusted());
    }

    #[test]
    fn a_board_that_boots_in_the_past_is_believed_once_its_clock_is_set_and_not_by_waiting() {
        let mut clock = started(-3 * DAY);
        assert_eq!(
            clock.doubt(Mono::from_secs(5)),
            Some(ClockDoubt::Contradicts {
                says: moment(0, 5 - 3 * DAY).wall,
                known: moment(0, 0).wall,
                has_been: true
            })
        );
        assert_eq!(clock.next_deadline(), Some(Mono::from_secs(DAY as u64)));
        for hour in 1..24 {
            assert_eq!(clock.observe(moment(hour * 3600, hour as i64 * 3600 - 3 * DAY)), Change::None);
        }
        // Another time that has been, before the estimate, begins to hold anew.
        assert_eq!(clock.observe(moment(23 * 3600, 1000)), Change::None);
        assert_eq!(clock.observe(moment(24 * 3600, 4600)), Change::None);
        assert_eq!(wall_of(&clock, 24 * 3600), DAY);
        // Later than the estimate, which counts no time without power: it was set.
        assert_eq!(clock.observe(moment(24 * 3600 + 10, 5 * DAY)), Change::BecameTrusted);
    }

    #[test]
    fn a_time_that_has_been_wins_after_a_day_and_one_far_ahead_after_a_while() {
        let mut clock = started(-3 * DAY);
        assert_eq!(clock.observe(moment(86_399, DAY - 1 - 3 * DAY)), Change::None);
        assert_eq!(clock.observe(moment(86_400, DAY - 3 * DAY)), Change::BecameTrusted);
        let mut clock = started(500 * DAY);
        assert_eq!(clock.next_deadline(), Some(Mono::from_secs(900)));
        assert_eq!(clock.observe(moment(899, 899 + 500 * DAY)), Change::None);
        assert_eq!(clock.observe(moment(900, 900 + 500 * DAY)), Change::BecameTrusted);
    }

    #[test]
    fn a_board_in_1970_goes_by_the_last_known_time_for_as_long_as_it_takes() {
        let wall = |second: i64| DateTime::UNIX_EPOCH + TimeDelta::seconds(second);
        let start = Moment { mono: Mono::START, wall: wall(0) };
        let mut clock = Clock::new(start);
        clock.recall(start, moment(0, 0).wall);
        for hour in 1..100_i64 {
            clock.observe(Moment { mono: Mono::from_secs(hour as u64 * 3600), wall: wall(hour * 3600) });
        }
        assert_eq!((clock.is_trusted(), wall_of(&clock, 360_000)), (false, 360_000));
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
