//! What of an enclosure is put on file, and taken up again after a restart.

use std::sync::Arc;

use chrono::TimeDelta;

use super::{EnclosureControl, SPOT};
use crate::control::alarm::AlarmKind;
use crate::control::context::Context;
use crate::control::diagnosis::Cause;
use crate::control::effect::Effect;
use crate::control::lamp::LampControl;
use crate::control::record::{AlarmRecord, OverrideRecord, RaisedRecord, Record};
use crate::control::trouble::NEVER_CALIBRATED;
use crate::control::uv::UvSeries;
use crate::settings::Enclosure;

/// The end of a hand setting is filed anew where the clock was set by this much: more than slewing moves it; a guess.
const SAME_END: TimeDelta = TimeDelta::seconds(60);

impl EnclosureControl {
    /// Takes up what was on file; gives lamps whose hand setting is given up.
    pub(in crate::control) fn recall(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        record: &Record,
    ) -> Vec<String> {
        match record {
            Record::Series { probe, series, .. } => {
                let of_probe = |known: &&mut UvSeries| enclosure.probes[known.probe.0].name == *probe;
                if let Some(known) = self.uv.iter_mut().find(of_probe) {
                    known.restore(series);
                }
            }
            Record::Walk { spots, .. } => {
                self.walk.restore(spots);
                self.judge_spots(ctx, enclosure);
            }
            Record::Hours { lamps, .. } => self.health.restore_hours(enclosure, lamps, &mut self.lamps),
            Record::Health { health, .. } => {
                self.health.restore(enclosure, health, &mut self.lamps);
                for record in &health.lamps {
                    if let Some(ix) = lamp_called(enclosure, &record.lamp, &record.set) {
                        self.wards[ix].restore(&record.known_by);
                    }
                }
            }
            // The site keeps what is put aside.
            Record::Asides { .. } => {}
            Record::Alarms { standing, raised, .. } => self.recall_alarms(ctx, enclosure, standing, raised),
            Record::Overrides { set, .. } => return self.recall_overrides(ctx, enclosure, set),
            Record::Season { season, .. } => self.recall_season(season),
            // The site's.
            Record::Spares { .. } => {}
            Record::Switches { lamps, .. } => {
                for record in lamps {
                    if let Some(ix) = lamp_called(enclosure, &record.lamp, &record.set) {
                        self.lamps[ix].recall_switch(ctx, &enclosure.lamps[ix], record);
                    }
                }
            }
        }
        Vec::new()
    }

    /// Takes up what was set by hand; gives the lamps whose setting is given up because nobody can tell what is left of its
    /// time.
    fn recall_overrides(&mut self, ctx: &Context<'_>, enclosure: &Enclosure, set: &[OverrideRecord]) -> Vec<String> {
        let mut given_up = Vec::new();
        for record in set {
            let Some(ix) = lamp_called(enclosure, &record.lamp, &record.set) else { continue };
            if !self.lamps[ix].recall_hand(ctx, record) {
                given_up.push(format!("{} of {}", enclosure.lamps[ix].name, enclosure.title));
            }
        }
        self.overridden = set.to_vec();
        given_up
    }

    /// Files what is set by hand, where that has changed.
    pub(super) fn file_overrides(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        if self.overridden.is_empty() && !self.lamps.iter().any(LampControl::is_set_by_hand) {
            return;
        }
        let lamps = enclosure.lamps.iter().zip(&self.lamps);
        let set: Vec<_> = lamps.filter_map(|(lamp, control)| control.hand_record(ctx, lamp)).collect();
        let is_same = |(a, b): (&OverrideRecord, &OverrideRecord)| {
            let ends = a.until.zip(b.until).map(|(a, b)| (a - b).abs() < SAME_END);
            (a.set == b.set && a.level == b.level && a.span_s == b.span_s) && ends.unwrap_or(a.until == b.until)
        };
        if set.len() != self.overridden.len() || !set.iter().zip(&self.overridden).all(is_same) {
            self.overridden.clone_from(&set);
            ctx.out.push(Effect::File(Record::Overrides { enclosure: enclosure.id.clone(), set }));
        }
    }

    /// Files when lamps went on or off, where one just did whose shortest time off must survive a restart.
    pub(super) fn file_switches(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        // Each is asked, so that none is news twice.
        if self.lamps.iter_mut().fold(false, |any, control| control.take_switch_news() | any) {
            let lamps = enclosure.lamps.iter().zip(&self.lamps);
            let lamps = lamps.filter_map(|(lamp, control)| control.switch_record(lamp)).collect();
            ctx.out.push(Effect::File(Record::Switches { enclosure: Arc::clone(&self.id), lamps }));
        }
    }

    /// Takes up the alarms that stood, and what else knows of them.
    fn recall_alarms(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        standing: &[AlarmRecord],
        raised: &[RaisedRecord],
    ) {
        self.board.restore(ctx.now, ctx.wall.filter(|_| ctx.clock.is_trusted()), standing, raised);
        ctx.out.extend(self.board.announced().cloned().map(Effect::Alarm));
        self.board.retain_subjects(|_, subject| is_subject(enclosure, subject));
        for record in standing.iter().filter(|record| record.state.is_active()) {
            if let (AlarmKind::LampDark, Some(cause)) = (record.kind, Cause::from_word(&record.gist)) {
                let lamps = enclosure.lamps.iter().zip(&mut self.wards);
                lamps.filter(|(lamp, _)| lamp.name == record.subject).for_each(|(_, ward)| ward.recall(cause));
            }
            if record.kind == AlarmKind::CalibrationDue && record.gist == NEVER_CALIBRATED {
                let of_probe = |series: &&mut UvSeries| enclosure.probes[series.probe.0].name == record.subject;
                self.uv.iter_mut().filter(of_probe).for_each(UvSeries::ask_again);
            }
        }
    }
}

/// The lamp with this name or command topic.
fn lamp_called(enclosure: &Enclosure, name: &str, set: &str) -> Option<usize> {
    let by_topic = enclosure.lamps.iter().position(|lamp| lamp.output.set == set);
    by_topic.or_else(|| enclosure.lamps.iter().position(|lamp| lamp.name == name))
}

/// Whether alarms of an enclosure may be about `subject`.
pub(super) fn is_subject(enclosure: &Enclosure, subject: &str) -> bool {
    enclosure.lamps.iter().any(|lamp| lamp.name == subject)
        || enclosure.probes.iter().any(|probe| probe.name == subject)
        || subject.starts_with(SPOT)
}
