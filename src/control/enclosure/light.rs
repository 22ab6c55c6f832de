//! What UV and power probes say of the lamps.

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use super::EnclosureControl;
use crate::control::alarm::AlarmKind;
use crate::control::context::Context;
use crate::control::trouble::Trouble;
use crate::control::uv::{Lit, SETTLED};
use crate::guard::{Latch, Stoppage};
use crate::settings::{Enclosure, LampIx, ProbeIx};
use crate::time::Mono;
use crate::units::Watts;

/// A kind of alarm with what is to be told of it: none where nobody can tell now.
pub(super) type Verdict = (AlarmKind, Option<Option<Trouble>>);

impl EnclosureControl {
    /// A believable UV index. Guards come first.
    pub(super) fn uvi(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, ix: ProbeIx, raw: f64) {
        let Some(at) = self.uv.iter().position(|series| series.probe == ix) else { return };
        if self.is_half_taken(ctx.now, ix) {
            return;
        }
        let reading = self.uv[at].uvi(raw);
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            if self.lamps[at].guard.uv(ctx.now, ix, reading) {
                self.lamps[at].steer(ctx, lamp, &enclosure.probes, self.day.of(lamp), (self.ix, LampIx(at)));
            }
        }
        self.follow_uv(ctx.now, enclosure, at, raw, ctx.wall.map(|wall| (wall, ctx.site.timezone)));
    }

    /// Series number `at` takes in a reading that the guards have had.
    fn follow_uv(&mut self, now: Mono, enclosure: &Enclosure, at: usize, raw: f64, local: Option<(DateTime<Utc>, Tz)>) {
        let lit = self.lit(now, enclosure, &self.uv[at].lamps);
        let slot = self.uv[at].reading(now, raw, lit);
        // What a lamp that is told to be dark gives is no course of any ageing.
        let ailing = self.uv[at].lamps.iter().any(|&LampIx(lamp)| self.wards[lamp].is_ailing());
        if let Some(slot) = slot.filter(|_| !ailing) {
            self.health.slot(at, slot, now, &self.lamps);
        }
        if ailing {
            self.uv[at].start_anew();
        }
        if self.health.has_parts(at) && !ailing {
            let warm = self.warm_lamps(now, enclosure, &self.uv[at].lamps);
            self.health.part(at, now, raw, warm);
        }
        let probe = self.uv[at].probe;
        self.uv[at].add_dose(now, local, &enclosure.probes[probe.0], raw);
    }

    /// Takes in a UV index if nothing comes of it. None: it must go the whole way, and if it was taken in
    /// [by half](EnclosureControl::is_half_taken) that is remembered.
    pub(super) fn absorb_uvi(
        &mut self,
        now: Mono,
        enclosure: &Enclosure,
        (ix, raw): (ProbeIx, f64),
        local: Option<(DateTime<Utc>, Tz)>,
    ) -> Option<()> {
        let at = self.uv.iter().position(|series| series.probe == ix)?;
        let reading = self.uv[at].uvi(raw);
        if !self.lamps.iter().all(|lamp| lamp.guard.bears_uv(ix, reading)) || self.has_news(enclosure, ix) {
            return None;
        }
        for lamp in &mut self.lamps {
            lamp.guard.uv(now, ix, reading);
        }
        self.follow_uv(now, enclosure, at, raw, local);
        let unheard = self.gather(now, enclosure, ix, raw);
        let name = &enclosure.probes[ix.0].name;
        let mut verdicts = self.uv_verdicts(enclosure, at);
        let stays = verdicts.all(|(kind, verdict)| self.board.stays(kind, name, &verdict));
        self.half_taken_unless(unheard && stays, now, ix)
    }

    /// What is to be told of series number `at`, kind by kind.
    pub(super) fn uv_verdicts(&mut self, enclosure: &Enclosure, at: usize) -> impl Iterator<Item = Verdict> + use<> {
        let series = &mut self.uv[at];
        let seen = !series.lamps.is_empty();
        let wanted = seen.then(|| self.health.stepped(at).or_else(|| series.wants_calibration()));
        let fading = seen.then(|| self.health.fading(at, enclosure, series));
        let banded = enclosure.care.uv.map(|band| {
            let (below, above) = series.band_troubles(band);
            // What is dark, or cannot be seen, is told already.
            let ailing = series.lamps.iter().any(|&LampIx(lamp)| self.wards[lamp].is_ailing());
            let below = below.map(|below| below.filter(|_| !ailing));
            let latched = series.lamps.iter().find_map(|&LampIx(lamp)| match self.lamps[lamp].guard.latched_by_uv() {
                Some(Latch::Ceiling { reading, ceiling }) => Some((reading, ceiling)),
                _ => None,
            });
            let over = match latched {
                Some((reading, ceiling)) => Some(Trouble::UvOverCeiling { reading, ceiling, latched: true }),
                None => series.over(band.ceiling).map(|reading| Trouble::UvOverCeiling {
                    reading,
                    ceiling: band.ceiling,
                    latched: false,
                }),
            };
            (below, above, Some(over))
        });
        let (below, above, over) = match banded {
            Some((below, above, over)) => (Some(below), Some(above), Some(over)),
            None => (None, None, None),
        };
        [
            wanted.map(|wanted| (AlarmKind::CalibrationDue, Some(wanted))),
            fading.map(|fading| (AlarmKind::UvFading, Some(fading))),
            below.map(|below| (AlarmKind::UvBelowBand, below)),
            above.map(|above| (AlarmKind::UvAboveBand, above)),
            over.map(|over| (AlarmKind::UvOverCeiling, over)),
        ]
        .into_iter()
        .flatten()
    }

    /// What lamps do by every account.
    fn lit(&self, now: Mono, enclosure: &Enclosure, lamps: &[LampIx]) -> Lit {
        let pairs = || lamps.iter().map(|&LampIx(at)| (&enclosure.lamps[at], &self.lamps[at]));
        if !lamps.is_empty() && pairs().all(|(lamp, control)| control.is_warm(now, lamp)) {
            return Lit::Warm;
        }
        let off =
            pairs().map(|(lamp, control)| control.off_for(now, lamp)).reduce(|a, b| a.zip(b).map(|(a, b)| a.min(b)));
        off.flatten().map_or(Lit::Between, Lit::Off)
    }

    /// A bit for each of the lamps that is warm; none while one is neither warm nor settled off.
    fn warm_lamps(&self, now: Mono, enclosure: &Enclosure, lamps: &[LampIx]) -> Option<u32> {
        let mut warm = 0_u32;
        for (place, &LampIx(at)) in lamps.iter().enumerate() {
            let (lamp, control) = (&enclosure.lamps[at], &self.lamps[at]);
            if control.is_warm(now, lamp) {
                warm |= 1_u32.checked_shl(u32::try_from(place).ok()?)?;
            } else if control.off_for(now, lamp).is_none_or(|lasted| lasted < SETTLED) {
                return None;
            }
        }
        Some(warm)
    }

    /// A believable power, W.
    pub(super) fn power(&mut self, now: Mono, enclosure: &Enclosure, ix: ProbeIx, watts: f64) {
        for (lamp, control) in enclosure.lamps.iter().zip(&mut self.lamps) {
            if lamp.power_probe == Some(ix) {
                control.power(now, Watts(watts));
            }
        }
    }

    /// Takes in a power, W, if nothing comes of it, as [`EnclosureControl::absorb_uvi`] does a UV index.
    pub(super) fn absorb_power(&mut self, now: Mono, enclosure: &Enclosure, (ix, watts): (ProbeIx, f64)) -> Option<()> {
        let stoppages = || {
            let own = enclosure.lamps.iter().zip(&self.lamps).filter(|(lamp, _)| lamp.power_probe == Some(ix));
            own.filter_map(|(_, control)| control.stoppage.as_ref())
        };
        if !stoppages().all(|stoppage| stoppage.bears_power(Watts(watts))) || self.has_news(enclosure, ix) {
            return None;
        }
        if stoppages().any(Stoppage::heeds_power) {
            // Temperatures that came before this one count without it.
            self.tell_rows(enclosure);
        }
        let unheard = self.gather(now, enclosure, ix, watts);
        self.half_taken_unless(unheard, now, ix)?;
        self.power(now, enclosure, ix, watts);
        Some(())
    }

    /// Whether lamps' light and power, and their diagnoses, have been told of this reading already: while it was to be
    /// absorbed, something was found that others must hear of.
    pub(super) fn is_half_taken(&self, now: Mono, ProbeIx(ix): ProbeIx) -> bool {
        self.probes[ix].half_taken == Some(now)
    }

    /// Nothing but this where nobody must hear of a reading; otherwise it is remembered that they have been told of it.
    pub(super) fn half_taken_unless(&mut self, unheard: bool, now: Mono, ProbeIx(ix): ProbeIx) -> Option<()> {
        self.probes[ix].half_taken = (!unheard).then_some(now);
        unheard.then_some(())
    }
}
