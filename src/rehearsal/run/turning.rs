//! What goes wrong in a rehearsal beyond the plant: broker, daemon, clock and disk.

use super::documents::Shown;
use super::{BROKER_BOOTS, DAEMON_BOOTS, RECONCILED_WITHIN, Run, ms};
use crate::control::{Effect, Event};
use crate::rehearsal::host::WallClock;
use crate::rehearsal::scenario::Mishap;
use crate::settings::{Enclosure, OutputKind};
use crate::simulator::{Fault, Switch};

/// What has stood for so long is on disk for certain, ms.
const STORED_AFTER: u64 = 1_000;

impl Run<'_> {
    /// A mishap comes or goes.
    pub(super) fn turn(&mut self, ix: usize, comes: bool) {
        self.active[ix] = (comes, (!comes).then_some(self.now));
        self.hours_steady = 0;
        let what = &self.scenario.mishaps[ix].what;
        if comes {
            self.coverage.fault(what.class());
        }
        if comes || !what.is_act() {
            self.note(format_args!("{} {}", what.class(), if comes { "begins" } else { "ends" }));
        }
        match what {
            Mishap::BrokerForgets if comes => {
                let topics: Vec<_> = self.world.command_topics().map(str::to_owned).collect();
                if self.broker.is_running() {
                    self.broker.ends(self.now, true);
                    self.broker_boots = Some(self.now + 1000);
                }
                self.broker.forgets();
                topics.iter().for_each(|topic| self.world.set_retained(topic, None));
            }
            Mishap::HalfOpen if comes => self.broker.goes_dead(self.now),
            Mishap::DaemonReloads if comes => self.reload(),
            Mishap::ReloadRefused if comes && self.host.core.is_some() => {
                self.obligations.reloaded(Some(self.now));
                self.handle(Event::ConfigRefused { text: "1 error: `cut` is below `target`".to_owned() });
            }
            Mishap::StoredCommand(switch, on) if comes => self.store_command(*switch, *on),
            Mishap::DaemonStops if comes && self.host.core.is_some() => {
                self.handle(Event::Stop);
                self.end_daemon(true);
            }
            _ => {}
        }
        self.apply_conditions();
    }

    /// Some other program publishes a command to be kept.
    pub(super) fn store_command(&mut self, switch: Switch, on: bool) {
        let output = match switch {
            Switch::Lamp(e, l) => &self.settings.enclosures[e.0].lamps[l.0].output,
            Switch::CutOff(c) => &self.settings.cut_offs[c.0].output,
        };
        let payload = match &output.kind {
            OutputKind::Relay { on: word, .. } if on => word.clone(),
            OutputKind::Dimmer { level, .. } if on => level.replace("{level}", "1").replace("{percent}", "100"),
            OutputKind::Relay { off, .. } | OutputKind::Dimmer { off, .. } => off.clone(),
        };
        let payload = payload.replace("{hold}", "86400");
        self.broker.publish_kept(self.now, &output.set, payload.as_bytes());
        let kept = self.broker.kept(&output.set).map(<[u8]>::to_vec);
        self.world.set_retained(&output.set, kept.as_deref());
    }

    /// Makes broker, daemon, clock and disk as the mishaps under way want them.
    pub(super) fn apply_conditions(&mut self) {
        let scenario = self.scenario;
        let active =
            self.active.iter().zip(&scenario.mishaps).filter(|((active, _), _)| *active).map(|(_, timed)| timed);
        let active: Vec<_> = active.collect();
        let any = |test: &dyn Fn(&Mishap) -> bool| active.iter().any(|timed| test(&timed.what));
        let no_mains = any(&|what| matches!(what, Mishap::Plant(Fault::PowerFails)));
        let stops = any(&|what| matches!(what, Mishap::BrokerStops));
        let no_broker = no_mains || stops || any(&|what| matches!(what, Mishap::BrokerVanishes));
        let no_daemon = no_mains || any(&|what| matches!(what, Mishap::DaemonDies | Mishap::DaemonStops));
        let mut clock = WallClock::default();
        (self.broker.loss, self.broker.lateness) = (0.0, 0);
        for timed in &active {
            match timed.what {
                Mishap::MessagesLost(share) => self.broker.loss = self.broker.loss.max(share),
                Mishap::MessagesLate(over) => self.broker.lateness = self.broker.lateness.max(ms(over)),
                Mishap::ClockSteps(by) => clock.step_ms += (by * 1000.0) as i64,
                Mishap::ClockDrifts(ppm) => (clock.drift_ppm, clock.drifts_since) = (ppm, ms(timed.at)),
                Mishap::ClockUnset => clock.unset = true,
                _ => {}
            }
        }
        let disk_full = any(&|what| matches!(what, Mishap::DiskFull));
        self.host.set_clock(clock);
        if no_broker {
            self.broker_boots = None;
            if self.broker.is_running() {
                self.broker.ends(self.now, stops);
            }
        } else if !self.broker.is_running() && self.broker_boots.is_none() {
            self.broker_boots = Some(self.now + if self.world_has_booted() { 0 } else { BROKER_BOOTS });
        }
        if no_daemon {
            self.daemon_boots = None;
            if self.host.core.is_some() {
                self.end_daemon(false);
            }
        } else if self.host.core.is_none() && self.daemon_boots.is_none() {
            self.daemon_boots = Some(self.now + if self.world_has_booted() { 0 } else { DAEMON_BOOTS });
        }
        if self.host.set_disk_full(self.now, disk_full) {
            self.disk_takes(!disk_full);
        }
    }

    /// The daemon learns that its disk takes something again, or nothing.
    pub(super) fn disk_takes(&mut self, something: bool) {
        if self.host.core.is_some() {
            self.disk_failing = (!something).then_some(self.now);
            let failure = (!something).then(|| "no space left on device".to_owned());
            self.handle(Event::Storage { failure });
        }
    }

    /// Whether what turns now is not the end of a power cut, after which computers must boot.
    pub(super) fn world_has_booted(&self) -> bool {
        let last = self.turned.checked_sub(1).and_then(|turned| self.turns.get(turned));
        !last.is_some_and(|(_, _, ix)| self.scenario.mishaps[*ix].what == Mishap::Plant(Fault::PowerFails))
    }

    pub(super) fn end_daemon(&mut self, in_good_order: bool) {
        let how = if in_good_order { "stopped" } else { "gone" };
        self.note(format_args!("daemon {how}"));
        let stored =
            !self.active.iter().zip(&self.scenario.mishaps).any(|((_, _), timed)| timed.what == Mishap::DiskFull);
        let settled = stored && (in_good_order || self.now > self.alarm_changed + STORED_AFTER);
        let standing = self.sight.alarms.values().filter(|_| settled);
        self.stood = standing.map(|(notice, _)| notice.clone()).collect();
        self.host.end(self.now, in_good_order);
        self.broker.daemon_ends();
        self.sight.forget(self.now);
        self.oracle.daemon_ended(self.now, stored);
        self.obligations.daemon_ended(self.settings);
        self.chatter.daemon_ended();
        (self.up_since, self.down_since, self.reconciled_by) = (None, None, None);
        (self.disk_failing, self.disagree, self.hours_steady) = (None, None, 0);
        self.shown.iter_mut().for_each(|shown| *shown = Shown::default());
    }

    /// Within which time after the broker's return every output is as wanted: longer by what commands and reports are late.
    pub(super) fn reconciled_within(&self) -> u64 {
        let under_way = self.active.iter().zip(&self.scenario.mishaps).filter(|((active, _), _)| *active);
        let late = under_way.map(|(_, timed)| match timed.what {
            Mishap::MessagesLate(over) => 2 * ms(over),
            Mishap::Plant(Fault::RelayIsSlow(_, over)) => ms(over),
            _ => 0,
        });
        let in_turn = self.settings.circuits.iter().map(|circuit| ms(circuit.stagger)).max().unwrap_or(0);
        RECONCILED_WITHIN + late.sum::<u64>() + in_turn
    }

    /// Carries out what the daemon wants done at once with what was on disk, and judges that no alarm that was on disk for
    /// certain is missing or other than it was.
    fn take_up(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Alarm(notice) => {
                    self.publish_alarm(&notice);
                    if self.sight.announced(self.now, &notice) {
                        let whose = notice.enclosure.map_or("site", |e| &self.settings.enclosures[e.0].id);
                        self.note(format_args!("{whose} alarm {} stands still, {}", notice.kind, notice.state.word()));
                    }
                }
                other => self.carry_out(other),
            }
        }
        for before in std::mem::take(&mut self.stood) {
            let now = self.sight.alarms.get(&(before.enclosure, before.kind)).map(|(notice, _)| notice);
            let same = now.is_some_and(|now| {
                (now.state, now.since, &now.subjects) == (before.state, before.since, &before.subjects)
            });
            if !same {
                let is =
                    now.map_or("there is none".to_owned(), |now| format!("{} since {}", now.state.word(), now.since));
                let text = format!(
                    "{} was {} since {}, and after a restart {is}",
                    before.kind,
                    before.state.word(),
                    before.since
                );
                self.violate("restart-forgets", before.enclosure, text);
            }
        }
    }

    /// Starts what has booted.
    pub(super) fn boot(&mut self) {
        if self.broker_boots.is_some_and(|at| at <= self.now) {
            self.broker_boots = None;
            let topics: Vec<_> = self.world.command_topics().map(str::to_owned).collect();
            self.broker.starts(self.now, topics.into_iter());
            self.reconciled_by = self.host.core.is_some().then_some(self.now + self.reconciled_within());
            self.note(format_args!("broker runs"));
        }
        if self.daemon_boots.is_some_and(|at| at <= self.now) {
            self.daemon_boots = None;
            let last_known = self.host.last_known_error(self.now);
            let effects = self.host.start(self.now, self.settings);
            self.broker.daemon_starts(self.now);
            self.note(format_args!("daemon started"));
            (self.booted, self.down_since) = (self.now, Some(self.now));
            self.obligations.daemon_started(self.now, self.host.clock_error(self.now), last_known);
            self.take_up(effects);
            self.handle(Event::Tick);
            let guarded = |enclosure: &Enclosure| enclosure.lamps.iter().filter(|lamp| lamp.guard.is_some()).count();
            let unheard = self.settings.enclosures.iter().map(guarded).sum::<usize>();
            self.coverage.unheard(unheard as u64);
        }
    }
}
