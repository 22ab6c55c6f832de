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
    disagrees_since: Option<Mono>,
    connected: bool,
}

#[derive(Clone, Copy, Debug)]
struct Sent {
    ticket: u64,
    at: Mono,
}

impl Drive {
    pub(super) fn new(wanted: Permit, connected: bool) -> Drive {
        Drive { wanted, sent: None, tries: 0, acknowledged: false, reported: None, disagrees_since: None, connected }
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
        self.disagrees_since = (!self.reports_wanted()).then_some(now);
    }

    pub(super) fn link_up(&mut self, now: Mono) {
        self.connected = true;
        self.start_over(now);
    }

    pub(super) fn link_down(&mut self) {
        self.connected = false;
        self.disagrees_since = None;
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
            self.tries = 0;
        } else if self.disagrees_since.is_none() && self.connected {
            self.disagrees_since = Some(now);
            self.tries = 0;
        }
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
        out.push(Effect::Command(Command { output: named, permit: self.wanted, hold: output.hold, ticket: *tickets }));
    }

    /// Whether the output has disagreed for too long.
    pub(super) fn is_deaf(&self, now: Mono, output: &Output) -> bool {
        output.state.is_some() && self.disagreement(now).is_some_and(|lasted| lasted >= DEAF_AFTER)
    }

    /// How long the output has disagreed.
    pub(super) fn disagreement(&self, now: Mono) -> Option<Duration> {
        self.disagrees_since.map(|since| now.since(since))
    }

    pub(super) fn next_deadline(&self, now: Mono, output: &Output) -> Option<Mono> {
        if !self.connected {
            return None;
        }
        let deaf = self.disagrees_since.filter(|_| output.state.is_some()).map(|since| since.after(DEAF_AFTER));
        deaf.filter(|&at| at > now).into_iter().chain(Some(self.due(output))).min()
    }

    /// What is wanted.
    pub(super) fn wanted(&self) -> Level {
        self.wanted.level()
    }

    /// What the output reports.
    pub(super) fn reported(&self) -> Option<Level> {
        self.reported
    }

    /// Carries on from the drive of the same output under earlier settings.
    pub(super) fn adopt(&mut self, earlier: Drive) {
        let wanted = self.wanted;
        *self = earlier;
        self.wanted = wanted;
    }
}
