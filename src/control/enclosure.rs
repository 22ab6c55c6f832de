//! One enclosure: its probes, lamps, UV and alarms.

mod absorb;
mod judge;

use std::sync::Arc;
use std::time::Duration;

use crate::guard::SafetyRecord;
use crate::settings::{CutOff, Enclosure, EnclosureIx, Lamp, LampIx, Measures, Probe, ProbeIx};
use crate::time::Mono;
use crate::units::{Celsius, Level, Uvi, Watts};

use super::alarm::AlarmKind;
use super::board::Board;
use super::context::Context;
use super::effect::Effect;
use super::event::Reading;
use super::intake::{Doubt, Intake, Verdict};
use super::lamp::{Concern, LampControl};
use super::photoperiod::DayClock;
use super::uv::UvWatch;
use super::view::{DayView, EnclosureView, InterlockView, LampView, ProbeView};

/// A deleted retained command stays an alarm this long, so that somebody sees it; a guess.
pub(super) const RETAINED_SHOWN: Duration = Duration::from_secs(3600);
/// State documents of one enclosure are at least this far apart after a switch or an alarm …
const STATE_AFTER_CHANGE: Duration = Duration::from_secs(1);
/// … and after mere readings.
const STATE_AFTER_READING: Duration = Duration::from_secs(10);

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
    /// When an output must be told something next.
    told: Mono,
    /// When something else falls due, whatever its probes say.
    timer: Mono,
    /// Whether no lamp's level moves by itself.
    steady: bool,
}

/// One probe under control.
#[derive(Clone, Debug)]
struct ProbeControl {
    intake: Intake,
    doubt: Option<Doubt>,
    /// Lamps that have no heat without it.
    holds_off: Vec<Arc<str>>,
    /// What it is to each lamp it guards or regulates.
    concerns: Vec<Concern>,
    /// When something changes if it says nothing.
    missed: Mono,
    /// Readings of which nothing comes; none: not known since the last step.
    calm: Option<absorb::Known>,
    /// Those that have come and been told to nobody yet.
    row: Option<absorb::Waiting>,
}

/// When the next state document is due.
#[derive(Clone, Copy, Debug)]
struct Publish {
    due: Option<Mono>,
    last: Option<Mono>,
    /// Nobody reads them.
    never: bool,
}

impl Publish {
    /// Something changed that should be seen within `within` of the last document.
    fn request(&mut self, now: Mono, within: Duration) {
        self.due = self.if_requested(now, within);
    }

    /// When it would be due if it were requested.
    fn if_requested(&self, now: Mono, within: Duration) -> Option<Mono> {
        if self.never {
            return None;
        }
        let due = self.last.map_or(now, |last| last.after(within).max(now));
        Some(self.due.map_or(due, |so_far| so_far.min(due)))
    }
}

impl EnclosureControl {
    pub(super) fn new(
        ix: EnclosureIx,
        enclosure: &Enclosure,
        cut_offs: &[CutOff],
        ctx: &Context<'_>,
    ) -> EnclosureControl {
        let name_of = |lamp: &Lamp| lamp.cut_off.map(|cut_off| cut_offs[cut_off.0].name.as_str());
        let lamps = enclosure
            .lamps
            .iter()
            .map(|lamp| LampControl::new(lamp, &enclosure.probes, name_of(lamp), ctx.now, ctx.connected));
        let probes = (0..enclosure.probes.len()).map(|probe| ProbeControl {
            intake: Intake::new(ctx.now),
            doubt: None,
            holds_off: held_off_by(enclosure, ProbeIx(probe)),
            concerns: concerns_of(enclosure, ProbeIx(probe)),
            missed: Mono::END,
            calm: None,
            row: None,
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
            publish: Publish { due: Some(ctx.now), last: None, never: false },
            told: Mono::START,
            timer: Mono::START,
            steady: false,
        }
    }

    /// Takes up the safety state that was stored.
    pub(super) fn restore(&mut self, now: Mono, enclosure: &Enclosure, restored: &[SafetyRecord]) {
        let record = restored.iter().rev().find_map(|record| match record {
            SafetyRecord::Enclosure { id, lamps } if *id == enclosure.id => Some(lamps),
            _ => None,
        });
        for record in record.into_iter().flatten() {
            let own = |(lamp, _): &(&Lamp, &mut LampControl)| record.is_of(lamp);
            if let Some((_, control)) = enclosure.lamps.iter().zip(&mut self.lamps).find(own) {
                control.guard.restore(now, record);
            }
        }
        for (control, marker) in self.lamps.iter().zip(&mut self.remembered) {
            *marker = control.guard.marker();
        }
    }

    /// No state document is wanted.
    pub(super) fn publish_nothing(&mut self) {
        self.publish = Publish { due: None, last: None, never: true };
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
            let others_warm = self.others_warm(enclosure, at);
            if let Some(stoppage) = &mut self.lamps[at].stoppage {
                stoppage.temperature(ctx.now, ix, reading, guard.cut, others_warm);
            }
        }
    }

    /// Whether a lamp other than number `at` may be giving off heat.
    fn others_warm(&self, enclosure: &Enclosure, at: usize) -> bool {
        let mut lamps = enclosure.lamps.iter().zip(&self.lamps).enumerate();
        lamps.any(|(other, (lamp, control))| other != at && control.may_warm(lamp))
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
        self.judge_dark(ctx, enclosure);
        self.board.step(ctx.now, ctx.out);
        let news = |effect: &Effect| matches!(effect, Effect::Switched { .. } | Effect::Alarm(_));
        if ctx.out[before..].iter().any(news) {
            self.publish.request(ctx.now, STATE_AFTER_CHANGE);
        }
        if self.publish.due.is_some_and(|due| ctx.now >= due) {
            self.publish = Publish { due: None, last: Some(ctx.now), ..self.publish };
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

/// What a probe is to each lamp it guards or regulates.
fn concerns_of(enclosure: &Enclosure, probe: ProbeIx) -> Vec<Concern> {
    let concern = |(at, lamp): (usize, &Lamp)| {
        let guards = lamp.guard.as_ref().is_some_and(|guard| guard.probes.contains(&probe));
        let regulates = lamp.heat.is_some_and(|heat| heat.probe == probe);
        (guards || regulates).then_some(Concern { lamp: LampIx(at), guards, regulates, others_warm: true })
    };
    enclosure.lamps.iter().enumerate().filter_map(concern).collect()
}

/// Lamps that have no heat without the probe: it guards or regulates them.
fn held_off_by(enclosure: &Enclosure, probe: ProbeIx) -> Vec<Arc<str>> {
    let needs = |lamp: &&Lamp| {
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
