//! Driving one output by reconciliation: wanted level against reported level, repeated until they agree.

use std::time::Duration;

use crate::guard::Permit;
use crate::settings::Output;
use crate::time::Mono;
use crate::units::Level;

use super::effect::{Command, Effect};
use super::event::OutputRef;

/// An output that has not obeyed is told again this often at first (guard law 6) …
const RETRY: Duration = Duration::from_secs(5);
/// … for this many times, and then …
const QUICK_RETRIES: u32 = 12;
/// … this often; a guess.
const SLOW_RETRY: Duration = Duration::from_secs(30);
/// An output that disagrees for this long is deaf. The alarm is due within 30 s (guard law 6).
const DEAF_AFTER: Duration = Duration::from_secs(25);
/// An output without a `hold` is told again this often, since it may have rebooted and forgotten; a guess.
const REASSERT: Duration = Duration::from_secs(300);
/// A hold is refreshed this many times before it runs out.
const REFRESHES_PER_HOLD: u32 = 3;

/// One output, as it was told and as it reports.
#[derive(Clone, Debug)]
pub(super) struct Drive {
    wanted: Permit,
    /// The last command on this connection since the wanted level changed.
    sent: Option<Sent>,
    tries: u32,
    acknowledged: bool,
    reported: Option<Level>,
    /// Since when it has disagreed with the level wanted now.
    disagrees_since: Option<Mono>,
    /// Since when it has disagreed with whatever was wanted: a dimmer that hears nothing is told another level with every
    /// reading, and is deaf all the same.
    deaf_since: Option<Mono>,
    connected: bool,
    /// Whether nothing has been sent on this connection.
    is_new: bool,
    /// An ON goes out no sooner: its turn to strike, where it had to ask for one.
    turn: Option<Mono>,
}

#[derive(Clone, Copy, Debug)]
struct Sent {
    ticket: u64,
    at: Mono,
}

impl Drive {
    pub(super) fn new(wanted: Permit, connected: bool) -> Drive {
        Drive {
            wanted,
            sent: None,
            tries: 0,
            acknowledged: false,
            reported: None,
            disagrees_since: None,
            deaf_since: None,
            connected,
            is_new: true,
            turn: None,
        }
    }

    /// Sets what is wanted from now on; tells whether that is another level than before.
    pub(super) fn want(&mut self, now: Mono, permit: Permit) -> bool {
        if self.wanted.level().agrees_with(permit.level()) {
            return false;
        }
        self.wanted = permit;
        self.start_over(now);
        true
    }

    fn start_over(&mut self, now: Mono) {
        self.sent = None;
        self.tries = 0;
        self.acknowledged = false;
        self.turn = None;
        // Nobody can obey what nobody is told.
        self.disagrees_since = (self.connected && !self.reports_wanted()).then_some(now);
        self.deaf_since = self.disagrees_since.map(|since| self.deaf_since.unwrap_or(since));
    }

    pub(super) fn link_up(&mut self, now: Mono) {
        self.connected = true;
        self.is_new = true;
        self.deaf_since = None;
        self.start_over(now);
    }

    pub(super) fn link_down(&mut self) {
        self.connected = false;
        self.disagrees_since = None;
        self.deaf_since = None;
    }

    /// The broker has acknowledged a command.
    pub(super) fn delivered(&mut self, ticket: u64) {
        if self.sent.is_some_and(|sent| sent.ticket == ticket) {
            self.acknowledged = true;
        }
    }

    /// The output reports its level.
    pub(super) fn report(&mut self, now: Mono, level: Level) {
        self.reported = Some(level);
        if self.reports_wanted() {
            self.disagrees_since = None;
            self.deaf_since = None;
            self.tries = 0;
        } else if self.disagrees_since.is_none() && self.connected {
            self.disagrees_since = Some(now);
            self.deaf_since = Some(now);
            self.tries = 0;
        }
    }

    /// Whether a report of `level` tells nothing new: it is what the output said last, and what is wanted.
    pub(super) fn is_old_news(&self, level: Level) -> bool {
        let agrees = self.disagrees_since.is_none() && self.deaf_since.is_none() && self.reports_wanted();
        agrees && self.reported == Some(level)
    }

    /// Whether a report of `level` says that it does what is wanted.
    pub(super) fn obeys(&self, level: Level) -> bool {
        level.agrees_with(self.wanted.level())
    }

    fn reports_wanted(&self) -> bool {
        self.reported.is_some_and(|reported| reported.agrees_with(self.wanted.level()))
    }

    /// Whether the output has done what is wanted, by its own report or, where it has none, by the broker's word.
    fn is_settled(&self, output: &Output) -> bool {
        if output.state.is_some() { self.reports_wanted() } else { self.acknowledged }
    }

    /// When the output must be told, or told again.
    fn due(&self, output: &Output) -> Mono {
        let due = self.due_by_itself(output);
        self.turn.filter(|_| !self.wanted.level().is_off()).map_or(due, |turn| due.max(turn))
    }

    /// Whether the next ON may strike the lamp, and no turn has been asked for: the output says that it is off, or nobody
    /// has heard from it since it may have lost its power.
    pub(super) fn wants_turn(&self, now: Mono, output: &Output) -> bool {
        let may_be_off = self.is_new || (output.state.is_some() && self.reported.is_some_and(Level::is_off));
        let due = self.connected && now >= self.due_by_itself(output);
        self.turn.is_none() && !self.wanted.level().is_off() && may_be_off && due
    }

    /// It is its turn to strike at `turn`. Nobody can obey sooner what is told then.
    pub(super) fn take_turn(&mut self, now: Mono, turn: Mono) {
        self.turn = Some(turn);
        for since in [&mut self.disagrees_since, &mut self.deaf_since].into_iter().flatten().filter(|it| **it == now) {
            *since = turn;
        }
    }

    fn due_by_itself(&self, output: &Output) -> Mono {
        let Some(sent) = self.sent else { return Mono::START };
        let pause = if !self.is_settled(output) {
            if self.tries < QUICK_RETRIES { RETRY } else { SLOW_RETRY }
        } else {
            match output.hold {
                Some(hold) if !self.wanted.level().is_off() => hold / REFRESHES_PER_HOLD,
                _ => REASSERT,
            }
        };
        sent.at.after(pause)
    }

    /// Tells the output where that is due. `tickets` numbers all commands of the controller.
    pub(super) fn step(
        &mut self,
        now: Mono,
        output: &Output,
        named: OutputRef,
        tickets: &mut u64,
        out: &mut Vec<Effect>,
    ) {
        if !self.connected || now < self.due(output) {
            return;
        }
        *tickets += 1;
        self.sent = Some(Sent { ticket: *tickets, at: now });
        self.tries = self.tries.saturating_add(1);
        (self.is_new, self.turn) = (false, None);
        out.push(Effect::Command(Command { output: named, permit: self.wanted, hold: output.hold, ticket: *tickets }));
    }

    /// Whether the output has disagreed for too long.
    pub(super) fn is_deaf(&self, now: Mono, output: &Output) -> bool {
        output.state.is_some() && self.deaf_since.is_some_and(|since| now.since(since) >= DEAF_AFTER)
    }

    /// How long the output has disagreed with the level wanted now.
    pub(super) fn disagreement(&self, now: Mono) -> Option<Duration> {
        self.disagrees_since.map(|since| now.since(since))
    }

    /// When the output will have disagreed with the level wanted now for so long.
    pub(super) fn will_have_disagreed(&self, span: Duration) -> Option<Mono> {
        self.disagrees_since.map(|since| since.after(span))
    }

    /// When [`Drive::step`] has something to do; [`Mono::END`] while there is no connection.
    pub(super) fn told_at(&self, output: &Output) -> Mono {
        if self.connected { self.due(output) } else { Mono::END }
    }

    /// When it will be deaf, if it says nothing else.
    pub(super) fn deaf_at(&self, now: Mono, output: &Output) -> Option<Mono> {
        let since = self.deaf_since.filter(|_| self.connected && output.state.is_some());
        since.map(|since| since.after(DEAF_AFTER)).filter(|&at| at > now)
    }

    /// What is wanted.
    pub(super) fn wanted(&self) -> Level {
        self.wanted.level()
    }

    /// What the output reports.
    pub(super) fn reported(&self) -> Option<Level> {
        self.reported
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{EnclosureIx, LampIx, OutputKind};

    fn output(state: bool, hold: Option<u64>) -> Output {
        Output {
            set: "set".into(),
            state: state.then(|| "state".into()),
            state_pointer: None,
            kind: OutputKind::Relay {
                on: "ON".into(),
                off: "OFF".into(),
                reports_on: "ON".into(),
                reports_off: "OFF".into(),
            },
            hold: hold.map(Duration::from_secs),
        }
    }

    /// Something that happens to a drive at a second.
    enum Happens {
        Want(Permit),
        Report(Level),
        Delivered(u64),
        Up,
        Down,
    }

    /// The seconds at which the output is told, over `seconds`, stepping every second.
    fn told(output: &Output, seconds: u64, happens: &[(u64, Happens)]) -> Vec<u64> {
        let mut drive = Drive::new(Permit::OFF, true);
        let (mut tickets, mut out, mut at) = (0, Vec::new(), Vec::new());
        let named = OutputRef::Lamp(EnclosureIx(0), LampIx(0));
        for second in 0..seconds {
            let now = Mono::from_secs(second);
            for (_, happens) in happens.iter().filter(|(when, _)| *when == second) {
                match happens {
                    Happens::Want(permit) => _ = drive.want(now, *permit),
                    Happens::Report(level) => drive.report(now, *level),
                    Happens::Delivered(ticket) => drive.delivered(*ticket),
                    Happens::Up => drive.link_up(now),
                    Happens::Down => drive.link_down(),
                }
            }
            drive.step(now, output, named, &mut tickets, &mut out);
            if !out.is_empty() {
                at.push(second);
                out.clear();
            }
        }
        at
    }

    fn on() -> Permit {
        crate::guard::Contactor::default().permit()
    }

    #[test]
    fn an_output_that_disobeys_is_told_every_five_seconds_at_first_and_then_less_often() {
        let at = told(&output(true, None), 130, &[]);
        assert_eq!(at, [0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 85, 115]);
    }

    #[test]
    fn a_report_or_the_brokers_word_ends_the_telling() {
        assert_eq!(told(&output(true, None), 60, &[(7, Happens::Report(Level::OFF))]), [0, 5]);
        assert_eq!(told(&output(false, None), 60, &[(3, Happens::Delivered(1))]), [0]);
        assert_eq!(told(&output(false, None), 8, &[(3, Happens::Delivered(7))]), [0, 5], "another command's word");
        assert_eq!(told(&output(true, None), 12, &[(3, Happens::Delivered(1))]), [0, 5, 10], "it has its own report");
    }

    #[test]
    fn a_hold_is_refreshed_three_times_before_it_ends_and_only_while_on() {
        let report = |level| (1, Happens::Report(level));
        let at = told(&output(true, Some(300)), 301, &[(0, Happens::Want(on())), report(Level::FULL)]);
        assert_eq!(at, [0, 100, 200, 300]);
        assert_eq!(told(&output(true, Some(300)), 299, &[report(Level::OFF)]), [0]);
    }

    #[test]
    fn an_output_is_told_again_now_and_then_in_case_it_forgot() {
        assert_eq!(told(&output(true, None), 700, &[(1, Happens::Report(Level::OFF))]), [0, 300, 600]);
    }

    #[test]
    fn every_connection_asserts_the_output_anew() {
        let happens = [(1, Happens::Report(Level::OFF)), (20, Happens::Down), (40, Happens::Up)];
        assert_eq!(told(&output(true, None), 100, &happens), [0, 40]);
        assert_eq!(told(&output(true, None), 30, &[(2, Happens::Down)]), [0], "nothing is said into the void");
    }

    #[test]
    fn an_output_that_switches_by_itself_is_put_right_but_never_in_a_storm() {
        let happens: Vec<_> = (1..40)
            .map(|second| (second, Happens::Report(if second % 2 == 0 { Level::OFF } else { Level::FULL })))
            .collect();
        let at = told(&output(true, None), 40, &happens);
        assert!(at.windows(2).all(|pair| pair[1] - pair[0] >= 5), "{at:?}");
    }

    #[test]
    fn it_is_deaf_within_thirty_seconds_of_disobeying() {
        // Guard law 6: raised as an alarm within 30 s.
        let with_state = output(true, None);
        let mut drive = Drive::new(Permit::OFF, true);
        drive.report(Mono::from_secs(100), Level::FULL);
        assert!(!drive.is_deaf(Mono::from_secs(124), &with_state));
        assert!(drive.is_deaf(Mono::from_secs(125), &with_state));
        assert!(!drive.is_deaf(Mono::from_secs(125), &output(false, None)));
        drive.report(Mono::from_secs(126), Level::OFF);
        assert!(!drive.is_deaf(Mono::from_secs(200), &with_state));
    }

    #[test]
    fn while_the_link_is_down_nobody_is_deaf() {
        let with_state = output(true, None);
        let mut drive = Drive::new(Permit::OFF, true);
        drive.report(Mono::from_secs(100), Level::FULL);
        drive.link_down();
        assert!(!drive.is_deaf(Mono::from_secs(1000), &with_state));
        drive.want(Mono::from_secs(500), on());
        drive.want(Mono::from_secs(600), Permit::OFF);
        assert_eq!(drive.disagreement(Mono::from_secs(1000)), None, "nobody can obey what nobody is told");
        drive.link_up(Mono::from_secs(1000));
        assert!(!drive.is_deaf(Mono::from_secs(1024), &with_state));
        assert!(drive.is_deaf(Mono::from_secs(1025), &with_state));
    }
}
