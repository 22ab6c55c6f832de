//! What is wrong in an enclosure, told to its board of alarms.

use std::sync::Arc;

use crate::guard::{Latch, Refusal, Stoppage, WeakWatch};
use crate::settings::{Enclosure, Guard, Lamp, LampIx, ProbeIx};
use crate::time::Mono;
use crate::units::{Celsius, Level, Watts};

use super::EnclosureControl;
use crate::control::alarm::AlarmKind;
use crate::control::context::Context;
use crate::control::lamp::LampControl;
use crate::control::trouble::Trouble;

/// A lamp with its own power probe drawing less than this share of its rated power is dark; a guess.
const DARK_POWER: f64 = 0.1;

impl EnclosureControl {
    pub(super) fn judge_lamps(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        self.retained.retain(|&(_, until)| now < until);
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
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
        let retained = self.retained.iter().any(|&(LampIx(lamp), _)| lamp == at);
        let retained = retained.then(|| Trouble::RetainedCommand { topic: lamp.output.set.clone() });
        // Without a link nobody can tell whether a relay obeys.
        let connected = ctx.connected;
        [
            (AlarmKind::OverTemperature, over),
            (AlarmKind::HeatUnstoppable, unstoppable),
            (AlarmKind::HeatWeak, weak),
            (AlarmKind::RetainedCommand, retained),
            (AlarmKind::RelayDeaf, deaf),
        ]
        .into_iter()
        .filter(move |(kind, _)| connected || *kind != AlarmKind::RelayDeaf)
    }

    pub(super) fn judge_probes(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        for (at, probe) in enclosure.probes.iter().enumerate() {
            let guards = |guard: &Guard| guard.probes.contains(&ProbeIx(at));
            let guarded = || {
                let pairs = enclosure.lamps.iter().zip(&self.lamps);
                pairs.filter(|(lamp, _)| lamp.guard.as_ref().is_some_and(guards))
            };
            let frozen = guarded().any(|(_, control)| control.guard.frozen() == Some(ProbeIx(at)));
            let apart = guarded().find_map(|(_, control)| control.guard.disagreement(now));
            let projected = guarded().any(|(_, control)| control.guard.is_late(ProbeIx(at)));
            let control = &mut self.probes[at];
            if !control.intake.is_doubtful(now) {
                control.doubt = None;
            }
            let holds_off = || control.holds_off.clone();
            let doubtful = if frozen {
                let why = "it stands still although its lamp has switched".to_owned();
                Some(Trouble::ProbeDoubtful { why, holds_off: holds_off(), frozen })
            } else if let Some(doubt) = &control.doubt {
                Some(Trouble::ProbeDoubtful { why: doubt.to_string(), holds_off: Vec::new(), frozen })
            } else {
                apart.map(|(hot, cool)| {
                    let why = format!("it and its twins read from {cool} to {hot}; the hottest is taken");
                    Trouble::ProbeDoubtful { why, holds_off: Vec::new(), frozen }
                })
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
                self.board.set(now, stamp, AlarmKind::ProbeSilent, &probe.name, trouble);
            }
        }
    }

    pub(super) fn judge_uv(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        let band = enclosure.care.uv;
        for watch in &mut self.uv {
            let probe = &enclosure.probes[watch.probe.0];
            if self.probes[watch.probe.0].intake.is_silent(now, probe) {
                watch.forget();
            }
            let dark = watch.is_dark(band);
            let Some(band) = band else { continue };
            let (below, above) = watch.band_troubles(band).unzip();
            let below = below.map(|below| below.filter(|_| dark != Some(true)));
            self.board.judge(now, stamp, AlarmKind::UvBelowBand, &probe.name, below);
            self.board.judge(now, stamp, AlarmKind::UvAboveBand, &probe.name, above);
            let latched = watch.lamps.iter().find_map(|&LampIx(lamp)| match self.lamps[lamp].guard.refusal(now) {
                Some(Refusal::Latched(Latch::Ceiling { reading, ceiling })) => Some((reading, ceiling)),
                _ => None,
            });
            let over = match latched {
                Some((reading, ceiling)) => Some(Trouble::UvOverCeiling { reading, ceiling, latched: true }),
                None => watch.over(band.ceiling).map(|reading| Trouble::UvOverCeiling {
                    reading,
                    ceiling: band.ceiling,
                    latched: false,
                }),
            };
            self.board.set(now, stamp, AlarmKind::UvOverCeiling, &probe.name, over);
        }
    }

    /// Lamps that are on by every account and give no sign of it. One sign that is missing is enough; that all is well is
    /// told by the UV where anybody looks for it, and else by the power drawn.
    pub(super) fn judge_dark(&mut self, ctx: &Context<'_>, enclosure: &Enclosure) {
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let by_uv = self.dark_by_uv(enclosure, LampIx(at));
            let by_power = self.dark_by_power(ctx.now, enclosure, at);
            let looked_for = self.uv.iter().any(|watch| watch.lamps.contains(&LampIx(at)));
            let well = if looked_for { &by_uv } else { &by_power } == &Some(None);
            let verdict = match by_uv.flatten().or(by_power.flatten()) {
                Some(sign) => Some(Some(Trouble::LampDark { sign })),
                None => well.then_some(None),
            };
            self.board.judge(ctx.now, ctx.stamp, AlarmKind::LampDark, &lamp.name, verdict);
        }
    }

    /// The sign that a lamp is dark by the UV probe it lights; `None` while that cannot be said.
    fn dark_by_uv(&self, enclosure: &Enclosure, lamp: LampIx) -> Option<Option<String>> {
        let watch = self.uv.iter().find(|watch| watch.lamps.contains(&lamp))?;
        let dark = watch.is_dark(enclosure.care.uv)?;
        Some(dark.then(|| format!("probe {} sees no UV", enclosure.probes[watch.probe.0].name)))
    }

    /// The sign that a lamp is dark by its own power probe; `None` while that cannot be said.
    fn dark_by_power(&self, now: Mono, enclosure: &Enclosure, at: usize) -> Option<Option<String>> {
        let (lamp, control) = (&enclosure.lamps[at], &self.lamps[at]);
        let (ProbeIx(power), rated) = lamp.power_probe.zip(lamp.power)?;
        let probe = &enclosure.probes[power];
        let (draws, read) = self.probes[power].intake.last().filter(|&(_, read)| now.since(read) <= probe.stale)?;
        if control.drive.wanted().is_off() {
            return Some(None);
        }
        // Dimmed or pulsed lamps draw less by design, and what was read before it came on says nothing.
        let lit_for = control.lit_for(now, lamp).filter(|_| control.drive.wanted() == Level::FULL)?;
        let can_be_judged = lit_for >= probe.every && now.since(read) < lit_for;
        can_be_judged.then(|| (draws < rated.0 * DARK_POWER).then(|| format!("it draws {draws:.0} of {rated}")))
    }
}

impl EnclosureControl {
    /// Whether a reading of a power probe says of every lamp what the last one said: it is on and draws power, or it is
    /// off and draws none, or nothing can be said.
    pub(super) fn bears_power(&self, now: Mono, enclosure: &Enclosure, ProbeIx(ix): ProbeIx, reading: Watts) -> bool {
        let Some((last, read)) = self.probes[ix].intake.last() else { return false };
        let own = |(lamp, _): &(&Lamp, &LampControl)| lamp.power_probe == Some(ProbeIx(ix));
        enclosure.lamps.iter().zip(&self.lamps).filter(own).all(|(lamp, control)| {
            let shows_nothing = control.stoppage.as_ref().is_none_or(|stoppage| stoppage.bears_power(reading));
            let lit_for = control.lit_for(now, lamp).filter(|_| control.drive.wanted() == Level::FULL);
            let Some((lit_for, rated)) = lit_for.zip(lamp.power) else { return shows_nothing };
            let draws = |watts: f64| watts >= rated.0 * DARK_POWER;
            let judged_before = now.since(read) < lit_for && draws(last);
            shows_nothing && (lit_for < enclosure.probes[ix].every || (judged_before && draws(reading.0)))
        })
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
