//! What the core wants done, carried out and noted.

use std::fmt;

use super::{Calm, Run};
use crate::control::{Command, Effect, OutputRef};
use crate::guard::SafetyRecord;
use crate::message;
use crate::settings::{CutOffIx, EnclosureIx, LampIx};

impl Run<'_> {
    /// Carries out what the core wants after an event, and judges what has come of it; `any`: it may be anything.
    pub(super) fn carry_out_all(&mut self, mut effects: Vec<Effect>, any: bool) {
        self.calm = Calm::default();
        for effect in effects.drain(..) {
            self.carry_out(effect);
        }
        self.effects = effects;
        self.judge_opened();
        self.judge_step(any);
        if std::mem::take(&mut self.write_fails) {
            self.disk_takes(false);
        }
    }

    pub(super) fn carry_out(&mut self, effect: Effect) {
        match effect {
            Effect::Command(command) => self.command(&command),
            Effect::ClearRetained(output) => {
                self.settled = false;
                if let Some(topic) = message::clear_topic(self.settings, output)
                    && self.broker.clear(&topic)
                {
                    self.world.set_retained(&topic, None);
                }
            }
            Effect::Switched { enclosure: e, lamp: l, level, reason } => {
                let enclosure = &self.settings.enclosures[e.0];
                self.book.write_by(self.now, |line| {
                    let name = &enclosure.lamps[l.0].name;
                    [&enclosure.id, "/", name, " "].into_iter().for_each(|piece| line.push_str(piece));
                    level.write_to(line)?;
                    line.push_str(": ");
                    reason.write_to(line)
                });
                self.coverage.switched(level.is_off(), &reason);
                let before = self.sight.lamp(e, l).level;
                self.oracle.switched(self.now, self.settings, (e, l), (before, level), &reason);
                self.sight.switched(self.now, e, l, level, reason);
                if !self.hours_free.contains(&(e, l)) {
                    self.hours_steady = 0;
                }
                self.changed(e);
                self.touched.push(e);
            }
            Effect::Alarm(notice) => {
                self.settled = false;
                self.publish_alarm(&notice);
                if self.sight.announced(self.now, &notice) {
                    let whose = notice.enclosure.map_or("site", |e| &self.settings.enclosures[e.0].id);
                    let how = if notice.state.is_active() { "raised" } else { "cleared" };
                    let subjects = notice.subjects.join(", ");
                    let gap = if subjects.is_empty() { "" } else { " " };
                    self.note(format_args!("{whose} alarm {} {how}{gap}{subjects}", notice.kind));
                    if notice.state.is_active() {
                        self.coverage.alarm(notice.kind);
                        let key = (notice.enclosure, notice.kind);
                        let chatters = self.chatter.raised(self.now, self.settings, key);
                        chatters.into_iter().for_each(|finding| self.found(finding));
                    }
                }
            }
            Effect::File(record) => self.host.file(self.now, record),
            Effect::Calibrated { enclosure, probe, told } => {
                let enclosure = &self.settings.enclosures[enclosure.0];
                let name = &enclosure.probes[probe.0].name;
                self.note(format_args!("{}/{name}: {told}", enclosure.id));
            }
            Effect::State(e) => self.publish_state(e),
            Effect::Remember(record) => {
                self.settled = false;
                if let SafetyRecord::CutOff { name, open: Some(why) } = &record {
                    self.opened.push(format!("cut-off {name} opens and no alarm says why: {why}"));
                }
                self.host.remember(self.now, record);
                self.write_fails |= self.host.is_disk_full() && self.disk_failing.is_none();
            }
        }
    }

    fn command(&mut self, command: &Command) {
        let Some(sent) = message::encode(self.settings, command) else { return };
        self.book.mix(&self.now.to_le_bytes());
        self.book.mix(&sent.payload);
        self.oracle.commanded(self.now, command);
        if let OutputRef::Lamp(e, _) = command.output
            && !self.touched.contains(&e)
        {
            self.touched.push(e);
        }
        self.obligations.commanded(self.now, command.output, command.permit.level(), &self.sight);
        self.broker.command(self.now, sent.topic, sent.payload, command.output, command.ticket);
    }

    /// The output that listens to a command topic.
    pub(super) fn commanded_by(&self, topic: &str) -> Option<OutputRef> {
        let enclosures = self.settings.enclosures.iter().enumerate();
        let lamps = enclosures.flat_map(|(e, enclosure)| {
            let lamps = enclosure.lamps.iter().enumerate();
            lamps.map(move |(l, lamp)| (&lamp.output.set, OutputRef::Lamp(EnclosureIx(e), LampIx(l))))
        });
        let cut_offs = self.settings.cut_offs.iter().enumerate();
        let cut_offs = cut_offs.map(|(c, cut_off)| (&cut_off.output.set, OutputRef::CutOff(CutOffIx(c))));
        lamps.chain(cut_offs).find(|(set, _)| *set == topic).map(|(_, output)| output)
    }

    /// Writes a line into the log.
    pub(super) fn note(&mut self, line: fmt::Arguments<'_>) {
        self.book.write(self.now, line);
    }
}
