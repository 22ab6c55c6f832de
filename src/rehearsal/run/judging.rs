//! Judging a rehearsal under way: expectations, oracles and obligations.

use chrono::TimeDelta;

use super::{FEW, GRID, Run, Violation, ms};

use crate::control::AlarmKind;
use crate::rehearsal::expect::Evidence;
use crate::rehearsal::liveness;
use crate::rehearsal::obligation::Scene;
use crate::rehearsal::oracle::Finding;
use crate::rehearsal::scenario::Mishap;
use crate::settings::{EnclosureIx, LampIx};
use crate::simulator::{Fault, Subject, Switch};

/// Schedules are looked at this often, ms.
const HOURS_LOOKED_AT: u64 = 10 * 60_000;
/// A daemon that has just started may take this long to have everything on schedule, ms.
const SETTLES: u64 = 2 * 60_000;

/// What obligations are judged by now: of a run with its core, all but the obligations themselves.
macro_rules! scene {
    ($self:ident, $core:ident) => {
        Scene {
            now: $self.now,
            settings: $self.settings,
            sight: &$self.sight,
            world: &$self.world,
            core: $core,
            mishaps: &$self.scenario.mishaps,
            active: &$self.active,
            booted: $self.booted,
            up_since: $self.up_since,
            down_since: $self.down_since,
            clock: $self.host.clock_error($self.now),
            disk_failing: $self.disk_failing,
        }
    };
}

impl Run<'_> {
    /// Judges what the event in hand has touched; `any`: it may be anything.
    pub(super) fn judge_step(&mut self, any: bool) {
        let mut touched = std::mem::take(&mut self.touched);
        if any && self.settings.enclosures.len() <= FEW {
            self.oracle.judge(self.now, self.settings, &self.sight, None);
        } else {
            touched.iter().for_each(|e| self.oracle.judge(self.now, self.settings, &self.sight, Some(*e)));
        }
        for e in touched.drain(..) {
            self.obligations.follow(self.now, self.settings, &self.sight, self.up_since.is_some(), e.0);
        }
        self.touched = touched;
        if self.oracle.has_findings() {
            self.oracle.findings().into_iter().for_each(|finding| self.found(finding));
        }
    }

    /// A contactor takes the heat from a whole rack until a person comes: it opens for a cause that is told, or not at all.
    pub(super) fn judge_opened(&mut self) {
        if self.opened.is_empty() {
            return;
        }
        let causes = [AlarmKind::HeatUnstoppable, AlarmKind::RelayDeaf];
        let told = self.sight.alarms.keys().any(|(_, kind)| causes.contains(kind));
        for text in std::mem::take(&mut self.opened) {
            if !told {
                self.violate("cut-off-without-cause", None, text);
            }
        }
    }

    pub(super) fn found(&mut self, (rule, enclosure, text): Finding) {
        self.violate(rule, enclosure, text);
    }

    pub(super) fn look(&mut self) {
        if let Some(recorder) = &mut self.recorder {
            recorder.look(self.now, self.settings, &self.sight, &self.world);
        }
        let on_grid = self.now >= self.looked + GRID || self.now == self.end || self.now == 0;
        if on_grid {
            self.looked = self.now;
        }
        self.expect(on_grid);
        if on_grid {
            self.judge_grid();
            self.settled = true;
        }
        if self.reconciled_by.is_some_and(|at| at <= self.now) {
            self.reconciled_by = None;
            self.judge_reconciled();
        }
    }

    /// Looks whether what is expected comes about; `on_grid`: at the plant too.
    pub(super) fn expect(&mut self, on_grid: bool) {
        if self.watches.is_empty() {
            return;
        }
        let scenario = self.scenario;
        let evidence = Evidence { sight: &self.sight, world: &self.world, core: self.host.core.as_ref() };
        let mut failed = Vec::new();
        for (ix, (watch, expectation)) in self.watches.iter_mut().zip(&scenario.expectations).enumerate() {
            failed.extend(watch.look(self.now, on_grid, &expectation.what, &evidence).map(|how| (ix, how)));
        }
        failed.into_iter().for_each(|(ix, how)| self.fail(ix, &how));
    }

    /// Whether nothing is so that must be looked at on the grid.
    pub(super) fn owes_no_look(&self) -> bool {
        let trouble = self.down_since.is_some() || self.disk_failing.is_some() || !self.kept_since.is_empty();
        self.settled && !trouble
    }

    /// Until when to judge the grid would find nothing but that outputs were not told again in time, as long as nothing
    /// happens but readings of which nothing comes.
    pub(super) fn nothing_owed_until(&self) -> u64 {
        if !self.owes_no_look() {
            return self.now;
        }
        let healed = self.scenario.healed.map_or(u64::MAX, |healed| ms(healed) + liveness::ON_SCHEDULE_AFTER);
        let hours = self.hours_steady.max(self.hours_looked + HOURS_LOOKED_AT);
        let clock = self.host.clock_error(self.now);
        let owed = self.obligations.quiet_until(self.now, self.settings, (&self.sight, &self.world), clock);
        [healed, hours, self.documents_agree_until()].into_iter().fold(owed, u64::min)
    }

    /// Judges what takes long to judge.
    pub(super) fn judge_grid(&mut self) {
        self.follow_kept();
        let Some(core) = self.host.core.as_ref() else { return };
        self.oracle.judge(self.now, self.settings, &self.sight, None);
        if let Some(up_since) = self.up_since {
            self.oracle.judge_holds(self.now, self.settings, &self.sight, up_since);
            for (topic, since) in &self.kept_since {
                self.oracle.judge_kept(self.now, up_since, *since, topic);
            }
        }
        let mut findings = self.obligations.judge(&scene!(self, core), &self.oracle);
        findings.extend(self.oracle.findings());
        if self.scenario.healed.is_some_and(|healed| self.now > ms(healed) + liveness::ON_SCHEDULE_AFTER) {
            let wall = self.start + TimeDelta::milliseconds(i64::try_from(self.now).unwrap_or(0));
            findings.extend(liveness::off_schedule(self.settings, &mut self.hours, &self.sight, wall));
        }
        findings.extend(self.against_hours());
        findings.into_iter().for_each(|finding| self.found(finding));
        self.judge_documents();
    }

    /// Judges on the grid whether lamps that are fully on are weak, and nothing else.
    pub(super) fn judge_weakness(&mut self) {
        let Some(core) = self.host.core.as_ref() else { return };
        let findings = self.obligations.judge_weakness(&scene!(self, core));
        findings.into_iter().for_each(|finding| self.found(finding));
    }

    /// Lamps that are not as their hours say, by the time that the daemon must go by.
    fn against_hours(&mut self) -> Vec<Finding> {
        // What was passed over, because nothing could be found, counts as looked at.
        self.hours_looked += self.now.saturating_sub(self.hours_looked + 1) / HOURS_LOOKED_AT * HOURS_LOOKED_AT;
        let due = self.now >= self.hours_looked + HOURS_LOOKED_AT;
        let Some((off, core)) = self.obligations.schedules_by().zip(self.host.core.as_ref()).filter(|_| due) else {
            return Vec::new();
        };
        self.hours_looked = self.now;
        if self.now < self.booted + SETTLES {
            return Vec::new();
        }
        // Nothing would be found, as was found out before.
        if self.now < self.hours_steady && self.against.is_empty() {
            return Vec::new();
        }
        let wall = self.start + TimeDelta::milliseconds(i64::try_from(self.now).unwrap_or(0) + off);
        let mut findings = liveness::against_hours(self.settings, &mut self.hours, &self.sight, core, wall);
        let is_news = |finding: &Finding| !self.against.contains(&finding.2);
        let news = findings.iter().filter(|finding| is_news(finding)).cloned().collect();
        self.against = findings.drain(..).map(|(_, _, text)| text).collect();
        let (hours, free) = (&mut self.hours, &mut self.hours_free);
        self.hours_steady = self.now + liveness::steady_for(self.settings, hours, &self.sight, wall, free);
        news
    }

    /// Follows what is retained on command topics.
    pub(super) fn follow_kept(&mut self) {
        let kept: Vec<_> =
            self.world.command_topics().filter(|topic| self.broker.kept(topic).is_some()).map(str::to_owned).collect();
        self.kept_since.retain(|(topic, _)| kept.contains(topic));
        for topic in kept {
            if !self.kept_since.iter().any(|(known, _)| *known == topic) {
                self.kept_since.push((topic, self.now));
            }
        }
    }

    /// Within 5 s of the broker's return every output has been told, and says so.
    pub(super) fn judge_reconciled(&mut self) {
        if self.host.core.is_none() || !self.broker.is_running() {
            return;
        }
        let settings = self.settings;
        let within = self.reconciled_within();
        let mut wrong = Vec::new();
        if self.up_since.is_none() {
            wrong.push((None, "the broker is back, and the daemon is not connected".to_owned()));
        }
        let connected = self.broker.is_connected();
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for (l, lamp) in enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.output.state.is_some()) {
                let seen = &self.sight.enclosures[e].lamps[l];
                let agrees = seen.reported.is_some_and(|(level, _)| level.agrees_with(seen.level));
                let settled = connected
                    && self.now >= seen.since + within
                    && self.up_since.is_some_and(|up| self.now >= up + within);
                if !agrees && settled && !self.excuses_output(EnclosureIx(e), LampIx(l)) {
                    let text = format!("{}/{} is wanted {} and does not say so", enclosure.id, lamp.name, seen.level);
                    wrong.push((Some(EnclosureIx(e)), text));
                }
            }
        }
        wrong.into_iter().for_each(|(e, text)| self.violate("not-reconciled", e, text));
    }

    /// Whether an output, or what it hears and says, is or has until lately been at fault itself.
    fn excuses_output(&self, e: EnclosureIx, l: LampIx) -> bool {
        self.active.iter().zip(&self.scenario.mishaps).any(|((active, ended), timed)| {
            let lately = *active || ended.is_some_and(|ended| self.now < ended + 60_000);
            let at_fault = match &timed.what {
                Mishap::MessagesLost(_) => true,
                Mishap::StoredCommand(switch, _) => *switch == Switch::Lamp(e, l),
                // What is slow is late, and that is reckoned with.
                Mishap::Plant(Fault::RelayIsSlow(..)) => false,
                Mishap::Plant(fault) => match fault.subject() {
                    Subject::Switch(switch) => switch == Switch::Lamp(e, l),
                    Subject::Enclosure(whose) => whose == e && matches!(fault, Fault::BrownOut(_)),
                    Subject::Site | Subject::Lamp(..) | Subject::Probe(..) => false,
                },
                _ => false,
            };
            lately && at_fault
        })
    }

    pub(super) fn judge_end(&mut self) {
        if self.scenario.healed.is_some() {
            let findings = liveness::at_the_end(self.settings, &self.sight, self.host.core.as_ref(), self.now);
            findings.into_iter().for_each(|finding| self.found(finding));
        }
        let scenario = self.scenario;
        let evidence = Evidence { sight: &self.sight, world: &self.world, core: self.host.core.as_ref() };
        let mut failed = Vec::new();
        for (ix, (watch, expectation)) in self.watches.iter_mut().zip(&scenario.expectations).enumerate() {
            failed.extend(watch.at_the_end(&expectation.what, &evidence).map(|how| (ix, how)));
        }
        failed.into_iter().for_each(|(ix, how)| self.fail(ix, &how));
    }

    pub(super) fn fail(&mut self, ix: usize, how: &str) {
        let expectation = &self.scenario.expectations[ix];
        let line = if expectation.line > 0 { format!("line {}: ", expectation.line) } else { String::new() };
        let text = format!("{line}{}; {how}", self.scenario.expectation_in_words(expectation));
        self.violate(&format!("expectation {}", ix + 1), None, text);
    }

    /// Something is so that must not be.
    pub(super) fn violate(&mut self, rule: &str, enclosure: Option<EnclosureIx>, text: String) {
        let (readings, chain) = (self.last_readings(enclosure), self.chain(enclosure));
        self.settled = false;
        self.book.write(self.now, format_args!("violation of {rule}: {text}"));
        self.violations.push(Violation { rule: rule.to_owned(), at: self.now, text, readings, chain });
    }

    /// The last readings of the enclosure concerned, or of the first few.
    fn last_readings(&self, enclosure: Option<EnclosureIx>) -> Vec<String> {
        let mut lines = Vec::new();
        let concerned = |e: usize| enclosure.is_none_or(|only| only.0 == e);
        let all = self.settings.enclosures.iter().zip(&self.sight.enclosures).enumerate();
        for (_, (settings, seen)) in all.filter(|(e, _)| concerned(*e)).take(3) {
            for (probe, heard) in settings.probes.iter().zip(&seen.probes) {
                lines.push(match heard.last() {
                    Some((when, value)) => {
                        let reading = format!("{value:.2} {}", probe.measures.unit());
                        let at = self.scenario.spoken(when);
                        format!("{}/{} read {} at {at}", settings.id, probe.name, reading.trim_end())
                    }
                    None => format!("{}/{} has not been heard", settings.id, probe.name),
                });
            }
        }
        lines
    }

    /// What led here: the last decisions about the enclosure concerned and about the site.
    fn chain(&self, enclosure: Option<EnclosureIx>) -> Vec<String> {
        let id = enclosure.map(|e| format!("{}/", self.settings.enclosures[e.0].id));
        let about = |line: &str| id.as_ref().is_none_or(|id| line.starts_with(id.as_str()) || !line.contains('/'));
        let last: Vec<_> = self.book.lines().rev().filter(|(_, line)| about(line)).take(12).collect();
        last.into_iter().rev().map(|(when, line)| format!("{} {line}", self.scenario.spoken(when))).collect()
    }
}
