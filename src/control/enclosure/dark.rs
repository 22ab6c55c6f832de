//! Feeding the diagnosis of each lamp, and telling what it finds.

use std::sync::Arc;

use crate::control::alarm::AlarmKind;
use crate::control::context::Context;
use crate::control::diagnosis::{
    Cause, Circles, Diagnosis, DiagnosisRecord, Finding, Kit, Others, Peers, Sign, Standing, Told, odds_in_words,
};
use crate::control::lamp::LampControl;
use crate::control::trouble::Trouble;
use crate::settings::{Enclosure, EnclosureIx, Lamp, LampIx, Measures, ProbeIx};
use crate::time::Mono;
use crate::units::{Celsius, Level, Lux, Uvi, Watts};

use super::EnclosureControl;

/// A lamp that never gives half of its light is not judged by what it draws and gives; a guess.
const LEAST_LEVEL: f64 = 0.5;

/// Logarithm of the odds, two to one, from which another cause is told than before; a guess.
const AHEAD: f64 = 0.693;

/// What a lamp is diagnosed by, and what was made of it.
#[derive(Clone, Debug)]
pub(super) struct Ward {
    pub(super) diagnosis: Diagnosis,
    /// The illuminance probe it lights.
    light: Option<ProbeIx>,
    /// The probe at the spot it warms.
    warms: Option<ProbeIx>,
    /// Something was concluded that nobody has been told.
    news: bool,
    standing: Standing,
    /// What its circles were last shown of it.
    shown: Sign,
}

impl Ward {
    pub(super) fn new(enclosure: &Enclosure, lamp: &Lamp) -> Ward {
        let emits = lamp.fitting.traits().emits;
        let name = |ProbeIx(ix): ProbeIx| -> Arc<str> { Arc::from(enclosure.probes[ix].name.as_str()) };
        let spot = |ProbeIx(ix): ProbeIx| -> Arc<str> { Arc::from(enclosure.probes[ix].spot.as_str()) };
        let uv = lamp.lights.filter(|_| emits.uv);
        let guard = || lamp.guard.as_ref().and_then(|guard| guard.probes.first().copied());
        let warms = lamp.heat.map(|heat| heat.probe).or_else(guard).filter(|_| emits.heat);
        let light = light_probe(enclosure, uv.or(warms)).filter(|_| emits.light);
        let rated = lamp.power.filter(|_| lamp.power_probe.is_some());
        let kit = Kit {
            fitting: lamp.fitting,
            warm_up: lamp.warm_up,
            uv: uv.map(name),
            light: light.map(name),
            warms: warms.map(spot),
            rated,
            reports: lamp.output.state.is_some(),
        };
        Ward { diagnosis: Diagnosis::new(kit), light, warms, news: false, standing: Standing::Open, shown: Sign::None }
    }

    /// Carries on from the same lamp under earlier settings, where it is known by the same probes.
    pub(super) fn adopt(&mut self, earlier: Ward) {
        if self.diagnosis.kit() == earlier.diagnosis.kit() {
            self.diagnosis = earlier.diagnosis;
            self.standing = earlier.standing;
        }
    }

    /// What it was told to suffer from when the daemon ended.
    pub(super) fn recall(&mut self, cause: Cause) {
        self.diagnosis.recall(cause);
        self.standing = self.diagnosis.standing(&Peers::default());
    }

    /// What it is known by when it is well, for the file.
    pub(super) fn to_record(&self) -> DiagnosisRecord {
        self.diagnosis.to_record()
    }

    /// Takes up what it was known by before a restart.
    pub(super) fn restore(&mut self, record: &DiagnosisRecord) {
        self.diagnosis.restore(record);
    }

    /// A new lamp was fitted: what was told is told of another.
    pub(super) fn changed(&mut self) {
        self.diagnosis.changed();
        (self.standing, self.news) = (Standing::Open, false);
    }

    /// Whether something is wrong with it, or with what it is seen by.
    pub(super) fn is_ailing(&self) -> bool {
        matches!(self.standing, Standing::Fault(_))
    }

    /// Whether it may speak against a probe.
    pub(super) fn doubts_probes(&self) -> bool {
        self.is_ailing() || self.diagnosis.doubts_meter()
    }

    /// Whether something was concluded that nobody has been told.
    pub(super) fn has_news(&self) -> bool {
        self.news
    }

    /// Shows its circles what it shows.
    fn show(&mut self, circles: &mut Circles, (enclosure, lamp): (EnclosureIx, LampIx)) {
        self.shown = self.diagnosis.sign();
        circles.shows(enclosure, lamp, self.shown);
    }

    /// Whether what was told of it last is what would be told now; `doubted`: its meter was not believed before.
    fn stays_as_told(&self, doubted: bool) -> bool {
        // What is told of a fault is told with its odds, which every slot moves.
        let same = matches!(self.standing, Standing::Open | Standing::Well)
            && self.diagnosis.standing(&Peers::default()) == self.standing;
        same && self.diagnosis.doubts_meter() == doubted && self.diagnosis.sign() == self.shown
    }

    /// What its dead or covered probe is told to be, for the probe that its light is looked for with.
    fn doubt(&self, lamp: &Lamp, ix: ProbeIx) -> Option<String> {
        let watched = if lamp.lights.is_some() { lamp.lights } else { self.light.or(lamp.power_probe) };
        if lamp.power_probe == Some(ix) && self.diagnosis.doubts_meter() {
            return Some(format!("lamp {} is seen lit, and by this probe it draws next to nothing", lamp.name));
        }
        let Standing::Fault(finding) = self.standing else { return None };
        (watched == Some(ix)).then_some(())?;
        let signs = self.diagnosis.signs().join(", ");
        match finding.cause {
            Cause::ProbeDead => Some(format!(
                "{signs}, and it does not move as a living probe does. Most likely it is dead ({}){}. Whether lamp {} shines \
                 nobody can tell meanwhile: look",
                odds_in_words(finding.log_odds),
                instead(&finding),
                lamp.name
            )),
            Cause::Shaded => Some(format!(
                "{signs}, for longer than an animal lies there. Most likely something lies between it and lamp {} ({}){}",
                lamp.name,
                odds_in_words(finding.log_odds),
                instead(&finding)
            )),
            _ => None,
        }
    }
}

/// What it could be instead, as a clause.
fn instead(finding: &Finding) -> String {
    finding.second.map_or(String::new(), |second| format!("; it could be that {}", second.words()))
}

/// What is told from now on: another cause than before only where it is well ahead, so that two that are as likely do not
/// take turns.
fn borne_out(before: Standing, now: Standing) -> Standing {
    match (before.finding(), now.finding()) {
        (Some(told), Some(found)) if told.cause != found.cause && found.log_odds < AHEAD => before,
        _ => now,
    }
}

/// The illuminance probe that a lamp lights: one at the spot of `beside`, else the first.
fn light_probe(enclosure: &Enclosure, beside: Option<ProbeIx>) -> Option<ProbeIx> {
    let probes = || enclosure.probes.iter().enumerate().filter(|(_, probe)| probe.measures == Measures::Illuminance);
    let spot = beside.map(|ProbeIx(ix)| enclosure.probes[ix].spot.as_str());
    let there = probes().find(|(_, probe)| spot == Some(probe.spot.as_str()));
    there.or_else(|| probes().next()).map(|(ix, _)| ProbeIx(ix))
}

/// What a lamp does by every account.
fn told(now: Mono, lamp: &Lamp, control: &LampControl) -> Told {
    if control.off_for(now, lamp).is_some() {
        return Told::Off;
    }
    let full = if lamp.heat.is_some() { Level::FULL } else { lamp.window.level };
    let wanted = control.drive.wanted();
    let is_full = wanted.share() >= full.share() && full.share() >= LEAST_LEVEL;
    if control.lit_for(now, lamp).is_some() && is_full { Told::Full } else { Told::Partly }
}

impl EnclosureControl {
    /// Tells each diagnosis what its lamp does.
    pub(super) fn tell_wards(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        for (at, (lamp, ward)) in enclosure.lamps.iter().zip(&mut self.wards).enumerate() {
            if ward.diagnosis.told(ctx.now, told(ctx.now, lamp, &self.lamps[at])) {
                ward.show(ctx.circles, (self.ix, LampIx(at)));
            }
        }
    }

    /// Gives a believable reading to the diagnosis of every lamp that it tells of.
    pub(super) fn diagnose(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, value: f64) {
        let had = self.is_half_taken(ctx.now, ix);
        for at in 0..enclosure.lamps.len() {
            let concluded = if had {
                self.wards[at].news && self.tells_of(enclosure, at, ix)
            } else {
                self.feed(ctx.now, enclosure, at, ix, value)
            };
            if concluded {
                let ward = &mut self.wards[at];
                ward.news = true;
                ward.show(ctx.circles, (self.ix, LampIx(at)));
            }
        }
    }

    /// Gives a believable reading of a probe to the diagnosis of lamp number `at`, if it tells of that. Whether anything was
    /// concluded.
    fn feed(&mut self, now: Mono, enclosure: &Enclosure, at: usize, ix: ProbeIx, value: f64) -> bool {
        if !self.tells_of(enclosure, at, ix) {
            return false;
        }
        match enclosure.probes[ix.0].measures {
            Measures::Uvi => {
                let others = self.others(now, enclosure, at, ix, Diagnosis::uv_level);
                self.wards[at].diagnosis.uv(now, Uvi(value), others)
            }
            Measures::Illuminance => {
                let others = self.others(now, enclosure, at, ix, Diagnosis::light_level);
                self.wards[at].diagnosis.light(now, Lux(value), others)
            }
            Measures::Temperature => self.wards[at].diagnosis.temperature(now, Celsius(value)),
            Measures::Power => self.wards[at].diagnosis.power(now, Watts(value)),
            Measures::Humidity => false,
        }
    }

    /// Whether a probe tells of lamp number `at`.
    fn tells_of(&self, enclosure: &Enclosure, at: usize, ix: ProbeIx) -> bool {
        let (lamp, ward) = (&enclosure.lamps[at], &self.wards[at]);
        match enclosure.probes[ix.0].measures {
            Measures::Uvi => lamp.lights == Some(ix),
            Measures::Illuminance => ward.light == Some(ix),
            Measures::Temperature => ward.warms == Some(ix),
            Measures::Power => lamp.power_probe == Some(ix),
            Measures::Humidity => false,
        }
    }

    /// Until when the diagnoses do no more with temperatures of `ix` than gather them; none where they must be asked.
    pub(super) fn gathers_until(&self, ix: ProbeIx) -> Option<Mono> {
        let concerned = self.wards.iter().filter(|ward| ward.warms == Some(ix));
        concerned
            .map(|ward| ward.diagnosis.gathers_until())
            .try_fold(Mono::END, |so_far, until| Some(so_far.min(until?)))
    }

    /// Whether anything was concluded of a lamp that a probe tells of, and nobody has been told.
    pub(super) fn has_news(&self, enclosure: &Enclosure, ix: ProbeIx) -> bool {
        (0..self.wards.len()).any(|at| self.wards[at].news && self.tells_of(enclosure, at, ix))
    }

    /// Gives a reading to the diagnoses, which [have no news](EnclosureControl::has_news); whether nobody needs to be told of
    /// anything that they conclude from it. If somebody does, [`EnclosureControl::diagnose`] must come next, and know that
    /// they have had it.
    pub(super) fn gather(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, value: f64) -> bool {
        let mut unheard = true;
        for at in 0..self.wards.len() {
            let doubted = self.wards[at].diagnosis.doubts_meter();
            let concluded = self.feed(now, enclosure, at, ix, value);
            let ward = &mut self.wards[at];
            ward.news |= concluded && !ward.stays_as_told(doubted);
            unheard &= !(concluded && ward.news);
        }
        unheard
    }

    /// Gives the highest and the last of a row of temperatures to the diagnoses, which do no more than
    /// [gather](EnclosureControl::gathers_until) them.
    pub(super) fn gather_row(&mut self, ix: ProbeIx, highest: Celsius, last: Celsius) {
        for ward in self.wards.iter_mut().filter(|ward| ward.warms == Some(ix)) {
            ward.diagnosis.gather(highest, last);
        }
    }

    /// Whether readings of a probe tell of a lamp.
    pub(super) fn tells_of_lamps(&self, enclosure: &Enclosure, ix: ProbeIx) -> bool {
        (0..self.wards.len()).any(|at| self.tells_of(enclosure, at, ix))
    }

    /// What the other lamps at probe `ix` add there, beside lamp number `of`.
    fn others(
        &self,
        now: Mono,
        enclosure: &Enclosure,
        of: usize,
        ix: ProbeIx,
        level: fn(&Diagnosis) -> Option<f64>,
    ) -> Others {
        let mut others = Others::Dark;
        for (at, (lamp, ward)) in enclosure.lamps.iter().zip(&self.wards).enumerate() {
            let arrives = lamp.lights == Some(ix) || ward.light == Some(ix);
            if at == of || !arrives || ward.diagnosis.is_settled_off(now) {
                continue;
            }
            let adds = level(&ward.diagnosis).filter(|_| ward.diagnosis.is_settled_on(now));
            others = match (others, adds) {
                (Others::Dark, Some(adds)) => Others::Known(adds),
                (Others::Known(so_far), Some(adds)) => Others::Known(so_far + adds),
                _ => return Others::Unknown,
            };
        }
        others
    }

    /// Tells what the diagnoses have newly found of lamps that are on by every account and give no sign of it.
    pub(super) fn judge_dark(&mut self, ctx: &Context<'_>, enclosure: &Enclosure) {
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let ward = &mut self.wards[at];
            if !std::mem::take(&mut ward.news) {
                continue;
            }
            let standing = ward.diagnosis.standing(&ctx.circles.peers(self.ix, LampIx(at)));
            ward.standing = borne_out(ward.standing, standing);
            let verdict = match ward.standing {
                Standing::Open => None,
                // At night one cause may overtake another: nothing was seen of the lamp that day would not show.
                Standing::Fault(_) if !ward.diagnosis.is_told_full() => None,
                Standing::Fault(Finding { cause, .. }) if !matches!(cause, Cause::ProbeDead | Cause::Shaded) => {
                    Some(ward.standing.finding().map(|finding| Trouble::LampDark {
                        finding,
                        signs: ward.diagnosis.signs().join(", "),
                        burns: lamp.fitting.traits().emits.heat,
                    }))
                }
                Standing::Fault(_) | Standing::Well => Some(None),
            };
            self.board.judge(ctx.now, ctx.stamp, AlarmKind::LampDark, &lamp.name, verdict);
        }
    }

    /// Why a probe cannot be believed by what its lamps should do there.
    pub(super) fn doubted_by_lamps(&self, enclosure: &Enclosure, ix: ProbeIx) -> Option<String> {
        enclosure.lamps.iter().zip(&self.wards).find_map(|(lamp, ward)| ward.doubt(lamp, ix))
    }

    /// Why a lamp is judged as it is, a line each.
    pub(in crate::control) fn why(&self, LampIx(lamp): LampIx, peers: &Peers) -> Option<Vec<String>> {
        self.wards.get(lamp).map(|ward| ward.diagnosis.why(peers))
    }
}
