//! What is wrong in an enclosure, told to its board of alarms.

use std::sync::Arc;
use std::time::Duration;

use crate::guard::{Latch, Refusal, Stoppage, WeakWatch};
use crate::settings::{Enclosure, Guard, Lamp, LampIx, ProbeIx};
use crate::time::{Mono, spoken};
use crate::units::{Celsius, Kelvin, Uvi};

use super::dark::Ward;
use super::{EnclosureControl, ProbeControl, SPOT};
use crate::control::alarm::AlarmKind;
use crate::control::context::Context;
use crate::control::lamp::{HeldBack, LampControl};
use crate::control::trouble::Trouble;
use crate::control::uv::UvSeries;

/// A reading that is exactly the same for so long, and as warm as by day beside a lamp that is off, is no reading …
pub(in crate::control) const STILL: Duration = Duration::from_secs(2 * 3600);
/// … where as warm as by day means within this of the day's target; both guesses.
const STILL_WARM: Kelvin = Kelvin(1.0);

/// What is told of a lamp, its diagnosis apart.
const OF_LAMPS: [AlarmKind; 6] = [
    AlarmKind::OverTemperature,
    AlarmKind::HeatUnstoppable,
    AlarmKind::HeatWeak,
    AlarmKind::LampHeldBack,
    AlarmKind::RetainedCommand,
    AlarmKind::RelayDeaf,
];

impl EnclosureControl {
    pub(super) fn judge_lamps(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        self.retained.retain(|&(_, until)| now < until);
        let quiet = ctx.shortcuts && self.retained.is_empty();
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            if quiet && self.lamps[at].is_well(now, lamp) && self.board.knows_none(&OF_LAMPS, &lamp.name) {
                continue;
            }
            for (kind, trouble) in self.lamp_troubles(ctx, enclosure, at) {
                self.board.set(now, stamp, kind, &lamp.name, trouble);
            }
            if let Some(cut_off) = lamp.cut_off.filter(|&cut_off| !ctx.is_open(cut_off))
                && let Some(how) = self.lamps[at].cannot_be_stopped(now, lamp)
            {
                ctx.demands.push((cut_off, format!("{} of {} was told off, and {how}", lamp.name, enclosure.id)));
            }
        }
    }

    /// What can be said of one lamp now, kind by kind.
    fn lamp_troubles(
        &mut self,
        ctx: &Context<'_>,
        enclosure: &Enclosure,
        at: usize,
    ) -> impl Iterator<Item = (AlarmKind, Option<Trouble>)> + use<> {
        let lamp = &enclosure.lamps[at];
        let control = &mut self.lamps[at];
        let refusal = control.guard.refusal(ctx.now);
        let over = lamp.guard.as_ref().and_then(|guard| over_temperature(guard, &refusal));
        let opened = lamp.cut_off.filter(|&cut_off| ctx.is_open(cut_off)).and(control.cut_off_name());
        let deaf = control.drive.is_deaf(ctx.now, &lamp.output).then(|| Trouble::RelayDeaf {
            wanted: control.drive.wanted(),
            reported: control.drive.reported(),
            cut_off: opened,
        });
        // A contactor that is configured is opened in this same step.
        let cut_off = control.cut_off_name();
        let heats = control.stoppage.as_ref().and_then(Stoppage::evidence);
        let unstoppable = heats.map(|evidence| Trouble::HeatUnstoppable { evidence, cut_off });
        let weak = control.weak.as_ref().and_then(WeakWatch::weak).and(lamp.heat.zip(control.target()));
        let weak = weak.map(|(heat, target)| Trouble::HeatWeak {
            reading: self.probes[heat.probe.0].intake.last().map_or(Celsius(f64::NAN), |(reading, _)| Celsius(reading)),
            target,
            spot: Arc::from(enclosure.probes[heat.probe.0].spot.as_str()),
        });
        let held = self.lamps[at].long_held_back(ctx, lamp);
        let held = held.map(|HeldBack { circuit, limit }| Trouble::LampHeldBack {
            circuit,
            limit,
            warms: lamp.fitting.traits().emits.heat,
        });
        let retained = self.retained.iter().any(|&(LampIx(lamp), _)| lamp == at);
        let retained = retained.then(|| Trouble::RetainedCommand { topic: lamp.output.set.clone() });
        // Without a link nobody can tell whether a relay obeys.
        let connected = ctx.connected;
        [
            (AlarmKind::OverTemperature, over),
            (AlarmKind::HeatUnstoppable, unstoppable),
            (AlarmKind::HeatWeak, weak),
            (AlarmKind::LampHeldBack, held),
            (AlarmKind::RetainedCommand, retained),
            (AlarmKind::RelayDeaf, deaf),
        ]
        .into_iter()
        .filter(move |(kind, _)| connected || *kind != AlarmKind::RelayDeaf)
    }

    pub(super) fn judge_probes(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        let quiet = ctx.shortcuts && !self.wards.iter().any(Ward::doubts_probes);
        for (at, probe) in enclosure.probes.iter().enumerate() {
            let clear = quiet && self.is_well_heard(now, enclosure, ProbeIx(at));
            if clear && self.board.knows_none(&[AlarmKind::ProbeDoubtful, AlarmKind::ProbeSilent], &probe.name) {
                continue;
            }
            let guards = |guard: &Guard| guard.probes.contains(&ProbeIx(at));
            let guarded = || {
                let pairs = enclosure.lamps.iter().zip(&self.lamps);
                pairs.filter(|(lamp, _)| lamp.guard.as_ref().is_some_and(guards))
            };
            let frozen = guarded().any(|(_, control)| control.guard.frozen() == Some(ProbeIx(at)));
            let apart = guarded().find_map(|(_, control)| control.guard.disagreement(now));
            let projected = guarded().any(|(_, control)| control.guard.is_late(ProbeIx(at)));
            let still = self.stands_still(now, enclosure, ProbeIx(at));
            let doubted = self.doubted_by_lamps(enclosure, ProbeIx(at));
            let control = &mut self.probes[at];
            if !control.intake.is_doubtful(now) {
                control.doubt = None;
            }
            let holds_off = || control.holds_off.clone();
            let doubtful = if frozen {
                let why = "it stands still although its lamp has switched".to_owned();
                Some(Trouble::ProbeDoubtful { why, holds_off: holds_off(), frozen, momentary: false })
            } else if let Some(doubt) = &control.doubt {
                Some(Trouble::ProbeDoubtful { why: doubt.to_string(), holds_off: Vec::new(), frozen, momentary: true })
            } else if let Some((hot, cool)) = apart {
                let why = format!("it and its twins read from {cool} to {hot}; the hottest is taken");
                Some(Trouble::ProbeDoubtful { why, holds_off: Vec::new(), frozen, momentary: true })
            } else {
                let momentary = false;
                doubted.or(still).map(|why| Trouble::ProbeDoubtful { why, holds_off: Vec::new(), frozen, momentary })
            };
            self.board.set(now, stamp, AlarmKind::ProbeDoubtful, &probe.name, doubtful);
            // Without a link every probe is silent, and that is one alarm: broker-lost.
            if ctx.connected {
                let silent = control.intake.is_silent(now, probe);
                let never = control.intake.last().is_none();
                let trouble = (silent || projected).then(|| Trouble::ProbeSilent {
                    stale: probe.stale,
                    holds_off: holds_off(),
                    never,
                    late: !silent,
                });
                // One that has not been heard and may yet be is neither; and one that was silent before a link was lost is
                // not well because there is a link again.
                let verdict = (trouble.is_some() || control.intake.has_spoken()).then_some(trouble);
                self.board.judge(now, stamp, AlarmKind::ProbeSilent, &probe.name, verdict);
            }
        }
    }

    /// Whether nothing can be said against a probe, where no lamp's diagnosis doubts any.
    fn is_well_heard(&self, now: Mono, enclosure: &Enclosure, ix: ProbeIx) -> bool {
        let ProbeControl { intake, doubt, .. } = &self.probes[ix.0];
        let believed = doubt.is_none() && intake.same_for(now) < STILL;
        let clear = |lamp: &LampControl| {
            let guard = &lamp.guard;
            guard.frozen().is_none() && !guard.is_late(ix) && guard.disagreement(now).is_none()
        };
        believed && !intake.is_silent(now, &enclosure.probes[ix.0]) && self.lamps.iter().all(clear)
    }

    /// Measured spots above the ceiling; called when something was measured.
    pub(super) fn judge_spots(&mut self, ctx: &Context<'_>, enclosure: &Enclosure) {
        let Some(band) = enclosure.care.uv else { return };
        let over: Vec<_> = self.walk.over(band.ceiling).collect();
        for view in self.walk.spots() {
            let reading = over.iter().find(|(spot, _)| *spot == view.spot).map(|(_, uvi)| *uvi);
            // A slip of the pen moves a decimal point: what a probe there contradicts is asked about instead.
            let beside = |series: &&UvSeries| enclosure.probes[series.probe.0].spot == view.spot;
            let doubted = |uvi: &Uvi| self.uv.iter().filter(beside).any(|series| series.doubts(*uvi));
            let reading = reading.filter(|uvi| !doubted(uvi));
            let trouble = reading.map(|reading| Trouble::SpotOverCeiling { reading, ceiling: band.ceiling });
            let subject = format!("{SPOT}{}", view.spot);
            self.board.set(ctx.now, ctx.stamp, AlarmKind::UvOverCeiling, &subject, trouble);
        }
    }

    /// How a probe stands still as warm as by day although the lamp it regulates is off. The guard looks for that after a
    /// switch; a lamp that is never switched again because its probe stands still would never be noticed.
    fn stands_still(&self, now: Mono, enclosure: &Enclosure, probe: ProbeIx) -> Option<String> {
        let intake = &self.probes[probe.0].intake;
        if intake.same_for(now) < STILL || intake.is_silent(now, &enclosure.probes[probe.0]) {
            return None;
        }
        let (reading, _) = intake.last()?;
        let cold = |(lamp, control): &(&Lamp, &LampControl)| {
            let heat = lamp.heat.filter(|heat| heat.probe == probe);
            let warm = heat.is_some_and(|heat| Celsius(reading) >= heat.target.day - STILL_WARM);
            warm && control.told_off_for(now, STILL)
        };
        let (lamp, _) = enclosure.lamps.iter().zip(&self.lamps).find(cold)?;
        let (reading, lasted) = (Celsius(reading), spoken(STILL));
        Some(format!("it has said exactly {reading} for {lasted}, and {} is off", lamp.name))
    }

    pub(super) fn judge_uv(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        let due = self.walk.due().filter(|&due| ctx.wall.is_some_and(|wall| wall >= due));
        let due = due.map(|_| Trouble::WalkDue { last: self.walk.last().unwrap_or(stamp) });
        self.board.set(now, stamp, AlarmKind::WalkDue, "", due);
        for at in 0..self.uv.len() {
            let ix = self.uv[at].probe.0;
            let probe = &enclosure.probes[ix];
            if self.probes[ix].intake.is_silent(now, probe) {
                self.uv[at].forget();
            }
            for (kind, verdict) in self.uv_verdicts(enclosure, at) {
                self.board.judge(now, stamp, kind, &probe.name, verdict);
            }
        }
    }
}

fn over_temperature(guard: &Guard, refusal: &Option<Refusal>) -> Option<Trouble> {
    let (reading, latch) = match refusal {
        Some(Refusal::Tripped { reading, .. }) => (*reading, None),
        Some(Refusal::Latched(latch @ Latch::Limit { reading, .. })) => (*reading, Some(*latch)),
        Some(Refusal::Latched(latch @ Latch::ThreeTrips)) => (guard.cut, Some(*latch)),
        _ => return None,
    };
    Some(Trouble::OverTemperature { reading, cut: guard.cut, rest: guard.rest, latch })
}
