//! Judging a rehearsal under way: expectations, oracles and obligations.

use chrono::TimeDelta;

use super::{FEW, GRID, Run, Violation, ms};
use crate::control::AlarmKind;
use crate::rehearsal::expect::Evidence;
use crate::rehearsal::liveness;
use crate::rehearsal::obligation::Scene;
use crate::rehearsal::oracle::Finding;
use crate::rehearsal::scenario::{Mishap, spoken};
use crate::settings::EnclosureIx;

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
            self.obligations.follow(self.now, self.settings, &self.sight, self.up_since, e.0);
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
        let scenario = self.scenario;
        let evidence = Evidence { sight: &self.sight, world: &self.world, core: self.host.core.as_ref() };
        let mut failed = Vec::new();
        for (ix, (watch, expectation)) in self.watches.iter_mut().zip(&scenario.expectations).enumerate() {
            failed.extend(watch.look(self.now, on_grid, &expectation.what, &evidence).map(|how| (ix, how)));
        }
        failed.into_iter().for_each(|(ix, how)| self.fail(ix, &how));
        if on_grid {
            self.judge_grid();
        }
        if self.reconciled_by.is_some_and(|at| at <= self.now) {
            self.reconciled_by = None;
            self.judge_reconciled();
        }
    }

    /// Judges what takes long to judge.
    pub(super) fn judge_grid(&mut self) {
        self.follow_kept();
        if self.host.core.is_none() {
            return;
        }
        self.oracle.judge(self.now, self.settings, &self.sight, None);
        if let Some(up_since) = self.up_since {
            self.oracle.judge_holds(self.now, self.settings, &self.sight, up_since);
            for (topic, since) in &self.kept_since {
                self.oracle.judge_kept(self.now, up_since, *since, topic);
            }
        }
        let scene = Scene {
            now: self.now,
            settings: self.settings,
            sight: &self.sight,
            world: &self.world,
            mishaps: &self.scenario.mishaps,
            active: &self.active,
            booted: self.booted,
            up_since: self.up_since,
            down_since: self.down_since,
        };
        let mut findings = self.obligations.judge(&scene, &self.oracle);
        findings.extend(self.oracle.findings());
        if self.scenario.healed.is_some_and(|healed| self.now > ms(healed) + liveness::ON_SCHEDULE_AFTER) {
            let wall = self.start + TimeDelta::milliseconds(i64::try_from(self.now).unwrap_or(0));
            findings.extend(liveness::off_schedule(self.settings, &mut self.hours, &self.sight, wall));
        }
        findings.into_iter().for_each(|finding| self.found(finding));
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
        // A relay that is at fault itself, or messages that are, are an excuse.
        let excused = self.active.iter().zip(&self.scenario.mishaps).any(|((active, ended), timed)| {
            let lately = *active || ended.is_some_and(|ended| self.now < ended + 60_000);
            lately && !matches!(timed.what, Mishap::BrokerStops | Mishap::BrokerVanishes | Mishap::BrokerForgets)
        });
        if excused || self.host.core.is_none() || !self.broker.is_running() {
            return;
        }
        let settings = self.settings;
        let mut wrong = Vec::new();
        if self.up_since.is_none() {
            wrong.push((None, "the broker is back, and the daemon is not connected".to_owned()));
        }
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for (l, lamp) in enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.output.state.is_some()) {
                let seen = &self.sight.enclosures[e].lamps[l];
                let agrees = seen.reported.is_some_and(|(level, _)| level.agrees_with(seen.level));
                if !agrees && self.now > seen.since + 1_000 {
                    let text = format!("{}/{} is wanted {} and does not say so", enclosure.id, lamp.name, seen.level);
                    wrong.push((Some(EnclosureIx(e)), text));
                }
            }
        }
        wrong.into_iter().for_each(|(e, text)| self.violate("not-reconciled", e, text));
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
        let context = self.context(enclosure);
        self.book.write(self.now, format!("violation of {rule}: {text}"));
        self.violations.push(Violation { rule: rule.to_owned(), at: self.now, text, context });
    }

    /// The last readings, and what led here.
    pub(super) fn context(&self, enclosure: Option<EnclosureIx>) -> Vec<String> {
        let zone = self.settings.site.timezone;
        let at = |at: u64| spoken(self.start, zone, at);
        let mut lines = Vec::new();
        let concerned = |e: usize| enclosure.is_none_or(|only| only.0 == e);
        let all = self.settings.enclosures.iter().zip(&self.sight.enclosures).enumerate();
        for (_, (settings, seen)) in all.filter(|(e, _)| concerned(*e)).take(3) {
            for (probe, heard) in settings.probes.iter().zip(&seen.probes) {
                if let Some((when, value)) = heard.last() {
                    let unit = probe.measures.unit();
                    lines.push(format!("{}/{} read {value:.2} {unit} at {}", settings.id, probe.name, at(when)));
                } else {
                    lines.push(format!("{}/{} has not been heard", settings.id, probe.name));
                }
            }
        }
        let id = enclosure.map(|e| format!("{}/", self.settings.enclosures[e.0].id));
        let about = |line: &str| id.as_ref().is_none_or(|id| line.starts_with(id.as_str()) || !line.contains('/'));
        let last: Vec<_> = self.book.lines().rev().filter(|(_, line)| about(line)).take(12).collect();
        lines.extend(last.into_iter().rev().map(|(when, line)| format!("{} {line}", at(when))));
        lines
    }
}
