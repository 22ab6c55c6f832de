//! One enclosure: its probes, lamps, UV and alarms.

use std::sync::Arc;
use std::time::Duration;

use crate::guard::{Latch, Refusal, SafetyRecord};
use crate::settings::{CutOff, Enclosure, EnclosureIx, LampIx, Measures, Probe, ProbeIx};
use crate::time::Mono;
use crate::units::{Celsius, Level, Uvi, Watts};

use super::alarm::AlarmKind;
use super::board::Board;
use super::context::Context;
use super::effect::Effect;
use super::event::Reading;
use super::intake::{Doubt, Intake, Verdict};
use super::lamp::LampControl;
use super::photoperiod::DayClock;
use super::reason::Reason;
use super::trouble::Trouble;
use super::uv::UvWatch;
use super::view::{DayView, EnclosureView, InterlockView, LampView, ProbeView};

/// A warming lamp told off and reported on for this long is cut off upstream (guard law 6); a guess.
const CUT_OFF_AFTER: Duration = Duration::from_secs(60);
/// A deleted retained command stays an alarm this long, so that somebody sees it; a guess.
pub(super) const RETAINED_SHOWN: Duration = Duration::from_secs(3600);
/// State documents of one enclosure are at least this far apart after a switch or an alarm …
const STATE_AFTER_CHANGE: Duration = Duration::from_secs(1);
/// … and after mere readings.
const STATE_AFTER_READING: Duration = Duration::from_secs(10);
/// A lamp with its own power probe drawing less than this share of its rated power is dark; a guess.
const DARK_POWER: f64 = 0.1;

/// One enclosure under control.
#[derive(Clone, Debug)]
pub(super) struct EnclosureControl {
    ix: EnclosureIx,
    probes: Vec<ProbeControl>,
    lamps: Vec<LampControl>,
    uv: Vec<UvWatch>,
    board: Board,
    day: DayClock,
    /// Markers of the guards when they were last remembered.
    remembered: Vec<(u8, usize, bool)>,
    /// Lamps whose command topic held a retained message, and until when that is shown.
    retained: Vec<(LampIx, Mono)>,
    publish: Publish,
}

/// One probe under control.
#[derive(Clone, Debug)]
struct ProbeControl {
    intake: Intake,
    doubt: Option<Doubt>,
    /// Lamps that have no heat without it.
    holds_off: Vec<Arc<str>>,
}

/// When the next state document is due.
#[derive(Clone, Copy, Debug)]
struct Publish {
    due: Option<Mono>,
    last: Option<Mono>,
}

impl Publish {
    /// Something changed that should be seen within `within` of the last document.
    fn request(&mut self, now: Mono, within: Duration) {
        let due = self.last.map_or(now, |last| last.after(within).max(now));
        self.due = Some(self.due.map_or(due, |so_far| so_far.min(due)));
    }
}

impl EnclosureControl {
    pub(super) fn new(
        ix: EnclosureIx,
        enclosure: &Enclosure,
        cut_offs: &[CutOff],
        ctx: &Context<'_>,
    ) -> EnclosureControl {
        let name_of = |lamp: &crate::settings::Lamp| lamp.cut_off.map(|cut_off| cut_offs[cut_off.0].name.as_str());
        let lamps = enclosure
            .lamps
            .iter()
            .map(|lamp| LampControl::new(lamp, &enclosure.probes, name_of(lamp), ctx.now, ctx.connected));
        let probes = (0..enclosure.probes.len()).map(|probe| ProbeControl {
            intake: Intake::new(ctx.now),
            doubt: None,
            holds_off: held_off_by(enclosure, ProbeIx(probe)),
        });
        EnclosureControl {
            ix,
            lamps: lamps.collect(),
            probes: probes.collect(),
            uv: uv_watches(enclosure),
            board: Board::new(Some(ix), &enclosure.title, ctx.site.timezone),
            day: DayClock::new(enclosure.care.photoperiod.clone(), ctx.site.timezone, ctx.site.place),
            remembered: vec![(0, 0, false); enclosure.lamps.len()],
            retained: Vec::new(),
            publish: Publish { due: Some(ctx.now), last: None },
        }
    }

    /// Takes up the safety state that was stored.
    pub(super) fn restore(&mut self, now: Mono, enclosure: &Enclosure, restored: &[SafetyRecord]) {
        let record = restored.iter().rev().find_map(|record| match record {
            SafetyRecord::Enclosure { id, lamps } if *id == enclosure.id => Some(lamps),
            _ => None,
        });
        for record in record.into_iter().flatten() {
            let own = |(lamp, _): &(&crate::settings::Lamp, &mut LampControl)| record.is_of(lamp);
            if let Some((_, control)) = enclosure.lamps.iter().zip(&mut self.lamps).find(own) {
                control.guard.restore(now, record);
            }
        }
        for (control, marker) in self.lamps.iter().zip(&mut self.remembered) {
            *marker = control.guard.marker();
        }
    }

    /// A probe has said something. Guards come first: a lamp that one cuts is off before anything else is done.
    pub(super) fn reading(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, reading: Reading) {
        let (Some(probe), Some(control)) = (enclosure.probes.get(ix.0), self.probes.get_mut(ix.0)) else { return };
        let verdict = control.intake.take(ctx.now, reading, probe);
        match verdict {
            Verdict::Ignored => return,
            Verdict::Doubtful(doubt) => control.doubt = Some(doubt),
            Verdict::Suspect(value, doubt) => {
                control.doubt = Some(doubt);
                if probe.measures == Measures::Temperature {
                    self.guard_temperature(ctx, enclosure, ix, Celsius(value), false);
                }
            }
            Verdict::Good(value) => match probe.measures {
                Measures::Temperature => self.temperature(ctx, enclosure, ix, Celsius(value)),
                Measures::Uvi => self.uvi(ctx, enclosure, ix, Uvi(value)),
                Measures::Power => self.power(ctx.now, enclosure, ix, Watts(value)),
                Measures::Illuminance | Measures::Humidity => {}
            },
        }
        self.publish.request(ctx.now, STATE_AFTER_READING);
        self.step(ctx, enclosure);
    }

    /// Hands a temperature to the guards, and switches off at once what they cut.
    fn guard_temperature(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        ix: ProbeIx,
        reading: Celsius,
        believed: bool,
    ) {
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let Some(guard) = &lamp.guard else { continue };
            if !guard.probes.contains(&ix) {
                continue;
            }
            let control = &mut self.lamps[at];
            let cut = if believed {
                control.guard.temperature(ctx.now, ix, reading)
            } else {
                control.guard.doubtful_temperature(ctx.now, reading)
            };
            if cut {
                control.steer(ctx, lamp, &enclosure.probes, &mut self.day, (self.ix, LampIx(at)));
            }
        }
    }

    fn temperature(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, reading: Celsius) {
        self.guard_temperature(ctx, enclosure, ix, reading, true);
        let probe = &enclosure.probes[ix.0];
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            self.lamps[at].temperature(ctx.now, lamp, probe, ix, reading);
            let Some(guard) = lamp.guard.as_ref().filter(|guard| guard.probes.contains(&ix)) else { continue };
            let others_warm = enclosure
                .lamps
                .iter()
                .zip(&self.lamps)
                .enumerate()
                .any(|(other, (lamp, control))| other != at && control.may_warm(lamp));
            if let Some(stoppage) = &mut self.lamps[at].stoppage {
                stoppage.temperature(ctx.now, ix, reading, guard.cut, others_warm);
            }
        }
    }

    fn uvi(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, reading: Uvi) {
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            if self.lamps[at].guard.uv(ctx.now, ix, reading) {
                self.lamps[at].steer(ctx, lamp, &enclosure.probes, &mut self.day, (self.ix, LampIx(at)));
            }
        }
        let lamps = &self.lamps;
        for watch in self.uv.iter_mut().filter(|watch| watch.probe == ix) {
            let warm = |&LampIx(lamp): &LampIx| lamps[lamp].is_warm(ctx.now, &enclosure.lamps[lamp]);
            let all_warm = !watch.lamps.is_empty() && watch.lamps.iter().all(warm);
            watch.reading(ctx.now, reading, all_warm);
        }
    }

    fn power(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, reading: Watts) {
        for (lamp, control) in enclosure.lamps.iter().zip(&mut self.lamps) {
            if lamp.power_probe == Some(ix) {
                control.power(now, reading);
            }
        }
    }

    /// An output reports its level.
    pub(super) fn report(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: LampIx, level: Level) {
        let (Some(lamp), Some(control)) = (enclosure.lamps.get(ix.0), self.lamps.get_mut(ix.0)) else { return };
        if control.drive.reported() != Some(level) {
            self.publish.request(ctx.now, STATE_AFTER_CHANGE);
        }
        control.report(ctx.now, lamp, level);
        self.step(ctx, enclosure);
    }

    /// The broker has acknowledged a command.
    pub(super) fn delivered(&mut self, ix: LampIx, ticket: u64) {
        if let Some(control) = self.lamps.get_mut(ix.0) {
            control.drive.delivered(ticket);
        }
    }

    /// A retained message was found on a lamp's command topic.
    pub(super) fn retained_command(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: LampIx) {
        if enclosure.lamps.get(ix.0).is_some() {
            self.retained.retain(|&(lamp, _)| lamp != ix);
            self.retained.push((ix, ctx.now.after(RETAINED_SHOWN)));
            self.step(ctx, enclosure);
        }
    }

    pub(super) fn link_up(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        for control in &mut self.probes {
            control.intake.excuse(ctx.now);
        }
        for control in &mut self.lamps {
            control.drive.link_up(ctx.now);
        }
        // The broker may have lost its memory.
        self.publish.request(ctx.now, Duration::ZERO);
        ctx.out.extend(self.board.announced().cloned().map(Effect::Alarm));
        self.step(ctx, enclosure);
    }

    pub(super) fn link_down(&mut self) {
        for control in &mut self.lamps {
            control.drive.link_down();
        }
    }

    pub(super) fn acknowledge(&mut self, ctx: &mut Context<'_>, kind: Option<AlarmKind>) {
        self.board.acknowledge(kind);
        self.board.step(ctx.now, ctx.out);
    }

    /// A person resets the guards of one lamp, or of all.
    pub(super) fn reset(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, lamp: Option<LampIx>) {
        for (at, control) in self.lamps.iter_mut().enumerate() {
            if lamp.is_none_or(|LampIx(only)| only == at) {
                control.reset(ctx.now);
            }
        }
        self.step(ctx, enclosure);
    }

    /// A person sets a level for a while, or ends that.
    pub(super) fn set_by_hand(
        &mut self,
        ctx: &mut Context<'_>,
        enclosure: &Enclosure,
        ix: LampIx,
        level: Option<Level>,
        span: Duration,
    ) {
        if let Some(control) = self.lamps.get_mut(ix.0) {
            control.set_by_hand(ctx.now, level, span);
            self.step(ctx, enclosure);
        }
    }

    /// Lets every lamp be proposed, judged and driven; then remembers, judges alarms and publishes.
    pub(super) fn step(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let before = ctx.out.len();
        for (at, (lamp, control)) in enclosure.lamps.iter().zip(&mut self.lamps).enumerate() {
            control.steer(ctx, lamp, &enclosure.probes, &mut self.day, (self.ix, LampIx(at)));
        }
        self.remember(ctx, enclosure);
        self.judge_lamps(ctx, enclosure);
        self.judge_probes(ctx, enclosure);
        self.judge_uv(ctx, enclosure);
        self.board.step(ctx.now, ctx.out);
        let news = |effect: &Effect| matches!(effect, Effect::Switched { .. } | Effect::Alarm(_));
        if ctx.out[before..].iter().any(news) {
            self.publish.request(ctx.now, STATE_AFTER_CHANGE);
        }
        if self.publish.due.is_some_and(|due| ctx.now >= due) {
            self.publish = Publish { due: None, last: Some(ctx.now) };
            ctx.out.push(Effect::State(self.ix));
        }
    }

    fn remember(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let mut changed = false;
        for (control, marker) in self.lamps.iter().zip(&mut self.remembered) {
            let now = control.guard.marker();
            changed |= *marker != now;
            *marker = now;
        }
        if changed {
            let lamps = enclosure.lamps.iter().zip(&self.lamps);
            let lamps = lamps.filter_map(|(lamp, control)| control.record(ctx.now, lamp)).collect();
            ctx.out.push(Effect::Remember(SafetyRecord::Enclosure { id: enclosure.id.clone(), lamps }));
        }
    }

    fn judge_lamps(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        self.retained.retain(|&(_, until)| now < until);
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let control = &mut self.lamps[at];
            let refusal = control.guard.refusal(now);
            let cut_off = lamp.cut_off.filter(|&cut_off| ctx.is_open(cut_off));
            let opened = cut_off.and(control.cut_off_name());
            let board = &mut self.board;
            let mut set = |kind, trouble| board.set(now, stamp, kind, &lamp.name, trouble);
            set(AlarmKind::OverTemperature, lamp.guard.as_ref().and_then(|guard| over_temperature(guard, &refusal)));

            let deaf = control.drive.is_deaf(now, &lamp.output);
            if ctx.connected {
                let (wanted, reported) = (control.drive.wanted(), control.drive.reported());
                set(
                    AlarmKind::RelayDeaf,
                    deaf.then(|| Trouble::RelayDeaf { wanted, reported, cut_off: opened.clone() }),
                );
            }
            let evidence = control.stoppage.as_ref().and_then(|stoppage| stoppage.evidence());
            set(
                AlarmKind::HeatUnstoppable,
                evidence.map(|evidence| Trouble::HeatUnstoppable { evidence, cut_off: opened.clone() }),
            );
            let reported_on = control.drive.reported().is_some_and(|level| !level.is_off());
            let disobeys = lamp.guard.is_some()
                && control.drive.wanted().is_off()
                && reported_on
                && control.drive.disagreement(now).is_some_and(|lasted| lasted >= CUT_OFF_AFTER);
            if let Some(above) = lamp.cut_off
                && (evidence.is_some() || disobeys)
                && !ctx.is_open(above)
            {
                let why = match evidence {
                    Some(evidence) => format!("{} of {}: told off, and {evidence}", lamp.name, enclosure.id),
                    None => format!("{} of {}: told off, and its relay reports it on", lamp.name, enclosure.id),
                };
                ctx.demands.push((above, why));
            }

            let weak = control.weak.as_ref().and_then(|weak| weak.weak());
            let heat = lamp.heat.zip(control.target());
            set(
                AlarmKind::HeatWeak,
                heat.filter(|_| weak.is_some()).map(|(heat, target)| Trouble::HeatWeak {
                    reading: self.probes[heat.probe.0].intake.last().map_or(Celsius(f64::NAN), |(at, _)| Celsius(at)),
                    target,
                    spot: Arc::from(enclosure.probes[heat.probe.0].spot.as_str()),
                }),
            );
            let retained = self.retained.iter().any(|&(LampIx(lamp), _)| lamp == at);
            set(
                AlarmKind::RetainedCommand,
                retained.then(|| Trouble::RetainedCommand { topic: lamp.output.set.clone() }),
            );
        }
    }

    fn judge_probes(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        for (at, probe) in enclosure.probes.iter().enumerate() {
            let guards = |guard: &crate::settings::Guard| guard.probes.contains(&ProbeIx(at));
            let guarded = || {
                let pairs = enclosure.lamps.iter().zip(&self.lamps);
                pairs.filter(|(lamp, _)| lamp.guard.as_ref().is_some_and(guards))
            };
            let frozen = guarded().any(|(_, control)| control.guard.frozen() == Some(ProbeIx(at)));
            let apart = guarded().find_map(|(_, control)| control.guard.disagreement(now));
            let projected = guarded().any(|(_, control)| {
                matches!(&control.reason, Reason::Guard(Refusal::Projected { probe: name, .. }) if **name == *probe.name)
            });
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

    fn judge_uv(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        let band = enclosure.care.uv;
        for watch in &mut self.uv {
            let probe = &enclosure.probes[watch.probe.0];
            if self.probes[watch.probe.0].intake.is_silent(now, probe) {
                watch.forget();
            }
            watch.judge_dark(band);
            let Some(band) = band else { continue };
            let (below, above) = watch.band_troubles(band);
            self.board.set(now, stamp, AlarmKind::UvBelowBand, &probe.name, below);
            self.board.set(now, stamp, AlarmKind::UvAboveBand, &probe.name, above);
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
        self.judge_dark(ctx, enclosure);
    }

    /// A lamp that is on by every account is dark by any sign of it. It is not dark once its UV is seen, or, where nobody
    /// looks for that, once it draws power. Anything else says nothing.
    fn judge_dark(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let (now, stamp) = (ctx.now, ctx.stamp);
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let watched = || self.uv.iter().filter(|watch| watch.lamps.contains(&LampIx(at)));
            let no_uv = watched().find(|watch| watch.dark() == Some(true)).map(|watch| watch.probe);
            let sees_uv = watched().any(|watch| watch.dark() == Some(false));
            let draws = self.draws_while_lit(now, enclosure, at);
            let too_little = draws.filter(|(draws, rated)| *draws < rated.0 * DARK_POWER);
            let sign = match (no_uv, too_little) {
                (Some(ProbeIx(probe)), _) => Some(format!("probe {} sees no UV", enclosure.probes[probe].name)),
                (None, Some((draws, rated))) => Some(format!("it draws {draws:.0} of {rated}")),
                (None, None) => None,
            };
            let lit = sees_uv || (draws.is_some() && watched().next().is_none());
            match sign {
                Some(sign) => {
                    let trouble = Some(Trouble::LampDark { sign });
                    self.board.set(now, stamp, AlarmKind::LampDark, &lamp.name, trouble);
                }
                None if lit => self.board.set(now, stamp, AlarmKind::LampDark, &lamp.name, None),
                None => self.board.relent(now, AlarmKind::LampDark, &lamp.name),
            }
        }
    }

    /// What a lamp's own power probe has read since the lamp has been fully on, beside its rated power; none while that
    /// cannot be told. Dimmed or pulsed lamps draw less by design.
    fn draws_while_lit(&self, now: Mono, enclosure: &Enclosure, at: usize) -> Option<(f64, Watts)> {
        let (lamp, control) = (&enclosure.lamps[at], &self.lamps[at]);
        let (ProbeIx(power), rated) = (lamp.power_probe?, lamp.power?);
        let probe = &enclosure.probes[power];
        let (draws, heard) = self.probes[power].intake.last().filter(|&(_, heard)| now.since(heard) <= probe.stale)?;
        let lit_for = control.lit_for(now, lamp).filter(|_| control.drive.wanted() == Level::FULL)?;
        (lit_for >= probe.every && now.since(heard) < lit_for).then_some((draws, rated))
    }

    /// When [`EnclosureControl::step`] may have something to do without any event.
    pub(super) fn next_deadline(&self, ctx: &Context<'_>, enclosure: &Enclosure) -> Option<Mono> {
        let now = ctx.now;
        let lamps = enclosure.lamps.iter().zip(&self.lamps);
        let lamps = lamps.filter_map(|(lamp, control)| control.next_deadline(ctx, lamp));
        let probes = enclosure.probes.iter().zip(&self.probes);
        let probes = probes.flat_map(|(probe, control)| {
            let silent = ctx.connected.then(|| control.intake.silent_at(probe));
            [silent, control.intake.trusted_at()].into_iter().flatten().filter(|&at| at > now)
        });
        let disobeys = self.lamps.iter().filter_map(|control| {
            let lasted = control.drive.disagreement(now)?;
            CUT_OFF_AFTER.checked_sub(lasted).map(|left| now.after(left)).filter(|&at| at > now)
        });
        let retained = self.retained.iter().map(|&(_, until)| until);
        let board = self.board.next_deadline();
        lamps.chain(probes).chain(disobeys).chain(retained).chain(board).chain(self.publish.due).min()
    }

    /// The enclosure as it stands.
    pub(super) fn view(&self, ctx: &Context<'_>, enclosure: &Enclosure) -> EnclosureView {
        let now = ctx.now;
        let daylight = ctx.wall.map(|wall| self.day.clone().at(wall));
        let today = daylight.and_then(|daylight| daylight.today).and_then(|plan| plan.span());
        let lamps = self.lamps.iter().map(|control| {
            let mut guard = control.guard.clone();
            LampView {
                wanted: control.drive.wanted(),
                reported: control.drive.reported(),
                reason: control.reason.to_string(),
                target: control.target(),
                interlock: guard.thresholds().map(|(cut, limit)| InterlockView {
                    state: guard.standing(now).word(),
                    cut,
                    limit,
                    why: guard.refusal(now).map(|refusal| refusal.to_string()),
                }),
            }
        });
        let probes = self.probes.iter().zip(&enclosure.probes).map(|(control, probe)| ProbeView {
            value: control.intake.last().map(|(value, _)| value),
            age: control.intake.last().map(|(_, at)| now.since(at)),
            quality: control.intake.quality(now, probe),
        });
        EnclosureView {
            enclosure: self.ix,
            at: ctx.wall,
            day: DayView {
                is_day: daylight.is_some_and(|daylight| daylight.is_day),
                lights_on: today.map(|(on, _)| on),
                lights_off: today.map(|(_, off)| off),
            },
            lamps: lamps.collect(),
            probes: probes.collect(),
            band: enclosure.care.uv,
            alarms: self.board.standing(),
        }
    }

    /// Carries on from the same enclosure under earlier settings: probes are known again by name and topic, lamps by
    /// command topic or name.
    pub(super) fn adopt(&mut self, now: Mono, settings: &Enclosure, earlier: EnclosureControl, was: &Enclosure) {
        let same_probe = |ProbeIx(ix): ProbeIx| {
            let probe = &settings.probes[ix];
            let is_same = |before: &Probe| {
                before.measures == probe.measures && before.topic == probe.topic && before.pointer == probe.pointer
            };
            was.probes.iter().position(is_same).map(ProbeIx)
        };
        for (ix, control) in self.probes.iter_mut().enumerate() {
            if let Some(ProbeIx(before)) = same_probe(ProbeIx(ix)) {
                control.intake = earlier.probes[before].intake.clone();
                control.doubt = earlier.probes[before].doubt.clone();
            }
        }
        for watch in &mut self.uv {
            let known = earlier.uv.iter().find(|known| Some(known.probe) == same_probe(watch.probe));
            if let Some(known) = known {
                watch.adopt(known);
            }
        }
        for (ix, lamp) in settings.lamps.iter().enumerate() {
            let position = was.lamps.iter().position(|before| before.output.set == lamp.output.set);
            let position = position.or_else(|| was.lamps.iter().position(|before| before.name == lamp.name));
            if let Some(before) = position {
                self.lamps[ix].adopt(earlier.lamps[before].clone(), &same_probe);
                self.remembered[ix] = earlier.remembered[before];
                let moved = was.lamps[before].output != lamp.output;
                if moved {
                    self.lamps[ix].drive.link_up(now);
                }
            }
        }
        self.board.adopt(earlier.board);
        let named = |subject: &str| {
            settings.lamps.iter().any(|lamp| lamp.name == subject)
                || settings.probes.iter().any(|probe| probe.name == subject)
        };
        self.board.retain_subjects(now, named);
    }
}

fn over_temperature(guard: &crate::settings::Guard, refusal: &Option<Refusal>) -> Option<Trouble> {
    let (reading, latch) = match refusal {
        Some(Refusal::Tripped { reading, .. }) => (*reading, None),
        Some(Refusal::Latched(latch @ Latch::Limit { reading, .. })) => (*reading, Some(*latch)),
        Some(Refusal::Latched(latch @ Latch::ThreeTrips)) => (guard.cut, Some(*latch)),
        _ => return None,
    };
    Some(Trouble::OverTemperature { reading, cut: guard.cut, rest: guard.rest, latch })
}

/// Lamps that have no heat without the probe: it guards or regulates them.
fn held_off_by(enclosure: &Enclosure, probe: ProbeIx) -> Vec<Arc<str>> {
    let needs = |lamp: &&crate::settings::Lamp| {
        lamp.heat.is_some_and(|heat| heat.probe == probe)
            || lamp.guard.as_ref().is_some_and(|guard| guard.probes.contains(&probe))
    };
    enclosure.lamps.iter().filter(needs).map(|lamp| Arc::from(lamp.name.as_str())).collect()
}

/// One watch for each UV probe.
fn uv_watches(enclosure: &Enclosure) -> Vec<UvWatch> {
    let uv = enclosure.probes.iter().enumerate().filter(|(_, probe)| probe.measures == Measures::Uvi);
    let watch = |(ix, _): (usize, &Probe)| {
        let arrives = enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.lights == Some(ProbeIx(ix)));
        UvWatch::new(ProbeIx(ix), arrives.map(|(lamp, _)| LampIx(lamp)).collect())
    };
    uv.map(watch).collect()
}
