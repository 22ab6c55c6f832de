//! The health of lamps: how long each has burnt, how its UV declines, and when it should be replaced.
//!
//! ```text
//! switched on and off ─▶ life: hours, cycles, lamps before
//! slots of warm light ─▶ once a day: decline ─▶ forecast ─▶ uv-fading, spare-due
//! (the probe's own unit)       │        └─ step that is no ageing ─▶ calibration-due
//! edges of single lamps ─▶ shares       acceptance of a new lamp
//! ```
//!
//! A reading costs nothing here; a slot of five minutes an addition; the end of a day a fit for each UV probe. A forecast
//! guides when to buy a lamp and never replaces the meter: where an animal shows closed or swollen eyes or stops basking,
//! believe the animal and ask a veterinarian.

pub mod acceptance;
pub mod ahead;
pub mod decline;
pub mod forecast;
pub mod life;
pub mod record;
pub mod shares;
pub mod spares;
pub mod view;
mod watched;

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, TimeDelta, Timelike as _, Utc};

use super::diagnosis::DiagnosisRecord;
use super::lamp::LampControl;
use super::photoperiod::{Course, Plans};
use super::trouble::Trouble;
use super::uv::{Footing, Slot, UvSeries};
use crate::science::decay::BurnHours;
use crate::settings::{Enclosure, LampIx, Site};
use crate::time::Mono;
use crate::units::Uvi;

use acceptance::Acceptance;
use ahead::DayLengths;
use life::{LampLife, Observed};
use record::{HealthRecord, HoursRecord, LampHealthRecord, is_of};
use watched::{LampDay, Watched};

/// Hours are filed this often while a lamp burns: a restart loses no more than that.
const FILED_EVERY: Duration = Duration::from_secs(5 * 60);
/// How fast the share of its window that a thermostat lets a lamp burn is learnt, a day; a guess.
const OPEN_WEIGHT: f64 = 0.1;

/// The health of an enclosure's lamps.
#[derive(Clone, Debug)]
pub(super) struct Health {
    lamps: Vec<LampCare>,
    probes: Vec<Watched>,
    ahead: DayLengths,
    /// The local date under way, from when until when.
    today: Option<(NaiveDate, DateTime<Utc>, DateTime<Utc>)>,
    /// When hours are filed next.
    file_at: Mono,
}

/// What is kept of one lamp beside its life.
#[derive(Clone, Debug)]
struct LampCare {
    acceptance: Acceptance,
    /// Share of the time its window is open that it burns.
    open_share: f64,
    /// Burn hours when the day began.
    at_dawn: BurnHours,
}

impl Health {
    pub(super) fn new(enclosure: &Enclosure, site: &Site, series: &[UvSeries], now: Mono, ix: usize) -> Health {
        let fresh = LampCare { acceptance: Acceptance::default(), open_share: 1.0, at_dawn: BurnHours(0.0) };
        let watched = |series: &UvSeries| Watched::new(series.probe, series.lamps.clone(), enclosure);
        Health {
            lamps: vec![fresh; enclosure.lamps.len()],
            probes: series.iter().map(watched).collect(),
            ahead: DayLengths::new(Plans::new(&enclosure.care, site.timezone, site.place)),
            today: None,
            // Ten thousand enclosures do not file in one second.
            file_at: now.after(FILED_EVERY + Duration::from_secs(ix as u64 % 60)),
        }
    }

    /// A cooling season is to be reckoned with like this from now on.
    pub(super) fn set_course(&mut self, foreseen: Option<Course>) {
        self.ahead.set_course(foreseen);
    }

    /// A slot of warm light has ended at the probe of series `at`.
    pub(super) fn slot(&mut self, at: usize, slot: Slot, now: Mono, lamps: &[LampControl]) {
        let Some(watched) = self.probes.get_mut(at) else { return };
        let hours: Vec<BurnHours> = watched.lamps.iter().map(|&LampIx(lamp)| lamps[lamp].life.hours(now)).collect();
        watched.slot(slot, hours.into_iter());
    }

    /// Whether readings tell the lamps at the probe of series `at` apart.
    pub(super) fn has_parts(&self, at: usize) -> bool {
        self.probes.get(at).is_some_and(|watched| watched.lamps.len() > 1)
    }

    /// A reading at a probe with several lamps; `warm`: a bit for each that is warm, none while one is in between.
    pub(super) fn part(&mut self, at: usize, now: Mono, raw: f64, warm: Option<u32>) {
        if let Some(watched) = self.probes.get_mut(at) {
            watched.reading(now, raw, warm);
        }
    }

    /// Whether the local date has turned, or was not known before.
    pub(super) fn day_is_over(&self, wall: DateTime<Utc>) -> bool {
        !self.today.is_some_and(|(_, from, until)| from <= wall && wall < until)
    }

    /// Whether hours should be filed.
    pub(super) fn should_file(&self, now: Mono) -> bool {
        now >= self.file_at
    }

    /// When something is to be done without any event: the wall time at which the day is over, and the moment at which
    /// hours are filed, where a lamp burns.
    pub(super) fn next(&self, lamps: &[LampControl]) -> (Option<DateTime<Utc>>, Option<Mono>) {
        let burning = lamps.iter().any(|lamp| lamp.life.is_lit());
        (self.today.map(|(_, _, until)| until), burning.then_some(self.file_at))
    }

    /// The local date has turned: what was seen of it is fitted, and forecasts are made anew. Whether a day was closed.
    pub(super) fn turn(
        &mut self,
        now: Mono,
        wall: DateTime<Utc>,
        site: &Site,
        enclosure: &Enclosure,
        lamps: &[LampControl],
        series: &[UvSeries],
    ) -> bool {
        let local = wall.with_timezone(&site.timezone);
        let left = TimeDelta::seconds(86_400 - i64::from(local.num_seconds_from_midnight()));
        let date = local.date_naive();
        let before = self.today.replace((date, wall, wall + left));
        // A change of the clock can make a day end an hour after midnight: it goes on.
        let Some((yesterday, ..)) = before.filter(|&(yesterday, ..)| yesterday != date) else {
            if before.is_none() {
                self.begin(now, lamps);
                self.forecast(date, now, site, enclosure, lamps, series);
            }
            return false;
        };
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let burnt = lamps[at].life.hours(now).0 - self.lamps[at].at_dawn.0;
            let uv = lamp.fitting.traits().emits.uv;
            let open = self.ahead.open_on(&lamp.window, uv, yesterday);
            let open = open.filter(|&open| lamp.heat.is_some() && open > 0.0);
            if let Some(open) = open {
                let care = &mut self.lamps[at];
                care.open_share += OPEN_WEIGHT * ((burnt / open).clamp(0.0, 1.0) - care.open_share);
            }
        }
        self.begin(now, lamps);
        let days = self.lamp_days(now, lamps);
        let mut acceptances: Vec<Acceptance> = self.lamps.iter().map(|care| care.acceptance).collect();
        for watched in &mut self.probes {
            watched.day(yesterday, enclosure, &days, &mut acceptances);
        }
        self.lamps.iter_mut().zip(acceptances).for_each(|(care, acceptance)| care.acceptance = acceptance);
        self.forecast(date, now, site, enclosure, lamps, series);
        true
    }

    fn begin(&mut self, now: Mono, lamps: &[LampControl]) {
        self.lamps.iter_mut().zip(lamps).for_each(|(care, lamp)| care.at_dawn = lamp.life.hours(now));
    }

    fn lamp_days(&self, now: Mono, lamps: &[LampControl]) -> Vec<LampDay> {
        let day = |(care, lamp): (&LampCare, &LampControl)| {
            let before = lamp.life.previous().last();
            LampDay {
                hours: lamp.life.hours(now),
                open_share: care.open_share,
                before: (before.and_then(|before| before.when_new), before.and_then(|before| before.settled)),
            }
        };
        self.lamps.iter().zip(lamps).map(day).collect()
    }

    /// Forecasts anew for every probe: a day has passed, or a gain has changed.
    pub(super) fn forecast(
        &mut self,
        today: NaiveDate,
        now: Mono,
        site: &Site,
        enclosure: &Enclosure,
        lamps: &[LampControl],
        series: &[UvSeries],
    ) {
        let days = self.lamp_days(now, lamps);
        let notice = in_days(site.uv_notice);
        for (watched, series) in self.probes.iter_mut().zip(series) {
            let low = low_level(enclosure, series);
            watched.forecast(today, low, enclosure, &days, &mut self.ahead, notice);
        }
    }

    /// A meter reading was paired with the probe of series `at`, or its lamps' gain is another: what stood against it is
    /// answered.
    pub(super) fn calibrated(&mut self, at: usize) {
        if let Some(watched) = self.probes.get_mut(at) {
            watched.step = None;
        }
    }

    /// The local date under way.
    pub(super) fn date(&self) -> Option<NaiveDate> {
        self.today.map(|(date, ..)| date)
    }

    /// Another lamp hangs in the place of `ix`.
    pub(super) fn lamp_changed(
        &mut self,
        now: Mono,
        wall: DateTime<Utc>,
        enclosure: &Enclosure,
        ix: LampIx,
        lamps: &mut [LampControl],
    ) {
        let LampIx(at) = ix;
        let rate = self.probes.iter().find_map(|watched| watched.rate_of(ix));
        let level = |look: Option<acceptance::Look>| look.map(|look| look.level);
        let Acceptance { first, second } = self.lamps[at].acceptance;
        let observed = Observed { when_new: level(first), settled: level(second), rate };
        lamps[at].life.change(now, wall, observed);
        self.lamps[at] = LampCare {
            acceptance: Acceptance::default(),
            open_share: self.lamps[at].open_share,
            at_dawn: BurnHours(0.0),
        };
        for watched in &mut self.probes {
            let hours: Vec<BurnHours> = watched.lamps.iter().map(|&LampIx(lamp)| lamps[lamp].life.hours(now)).collect();
            watched.lamp_changed(ix, rate, hours.into_iter(), enclosure);
        }
    }

    /// What is wrong by the series `at`: it is about to leave its band.
    pub(super) fn fading(&self, at: usize, enclosure: &Enclosure, series: &UvSeries) -> Option<Trouble> {
        let watched = self.probes.get(at).filter(|watched| watched.announced.stands())?;
        let departure = watched.departure?;
        let band = enclosure.care.uv?;
        Some(Trouble::UvFading {
            lamps: self.named(watched, enclosure),
            expected: departure.expected,
            earliest: departure.earliest,
            latest: departure.latest,
            reading: Uvi(watched.whole.recent().unwrap_or(f64::NAN) * series.factor()),
            low: band.low,
        })
    }

    /// The lamp that fades, or those of which it is one.
    fn named(&self, watched: &Watched, enclosure: &Enclosure) -> Vec<String> {
        let name = |&LampIx(lamp): &LampIx| enclosure.lamps[lamp].name.clone();
        match watched.fading().and_then(|place| watched.lamps.get(place)) {
            Some(lamp) => vec![name(lamp)],
            None => watched.lamps.iter().map(name).collect(),
        }
    }

    /// What is wrong by the series `at`: a step that is no ageing, until a meter reading answers it.
    pub(super) fn stepped(&self, at: usize) -> Option<Trouble> {
        let step = self.probes.get(at)?.step?;
        Some(Trouble::UvStepped { date: step.date, size: step.size })
    }

    /// Lamps that a forecast sees replaced within `horizon`: those that fade first at their probes.
    pub(super) fn due(&self, horizon: Duration) -> Vec<(LampIx, bool)> {
        let mut all = Vec::new();
        for watched in &self.probes {
            let expected = watched.departure.and_then(|departure| departure.days.0);
            let due = expected.is_some_and(|days| days <= in_days(horizon));
            // Of several that cannot be told apart one is enough.
            let fading = watched.fading().unwrap_or(0);
            all.extend(watched.lamps.iter().enumerate().map(|(place, &lamp)| (lamp, due && place == fading)));
        }
        all
    }

    /// The hours of every lamp for the file; the next filing is a while off.
    pub(super) fn file_hours(&mut self, now: Mono, lamps: &[LampControl]) -> Vec<HoursRecord> {
        self.file_at = self.file_at.after(FILED_EVERY).max(now);
        let hours = lamps.iter().map(|control| HoursRecord {
            lamp: Arc::clone(&control.name),
            set: Arc::clone(&control.set),
            fitted: control.life.fitted(),
            hours: control.life.hours(now).0,
            cycles: control.life.cycles(),
        });
        hours.collect()
    }

    /// What must survive a restart.
    pub(super) fn to_record(&self, now: Mono, enclosure: &Enclosure, lamps: &[LampControl]) -> HealthRecord {
        let each = enclosure.lamps.iter().zip(lamps).zip(&self.lamps);
        let lamps = each.map(|((lamp, control), care)| LampHealthRecord {
            lamp: lamp.name.clone(),
            set: lamp.output.set.clone(),
            life: control.life.to_record(now),
            acceptance: care.acceptance,
            open_share: care.open_share,
            known_by: DiagnosisRecord::default(),
        });
        HealthRecord {
            lamps: lamps.collect(),
            probes: self.probes.iter().map(|watched| watched.to_record(enclosure)).collect(),
        }
    }

    /// Takes up what was on file.
    pub(super) fn restore(&mut self, enclosure: &Enclosure, record: &HealthRecord, lamps: &mut [LampControl]) {
        for (at, lamp) in enclosure.lamps.iter().enumerate() {
            let own = record.lamps.iter().find(|record| is_of(lamp, &record.lamp, &record.set));
            let Some(own) = own else { continue };
            lamps[at].life.take_up(LampLife::restore(&own.life));
            self.lamps[at].acceptance = own.acceptance;
            if (0.0..=1.0).contains(&own.open_share) {
                self.lamps[at].open_share = own.open_share;
            }
        }
        for watched in &mut self.probes {
            let name = &enclosure.probes[watched.probe.0].name;
            if let Some(own) = record.probes.iter().find(|record| record.probe == *name) {
                watched.restore(enclosure, own);
            }
        }
        self.today = None;
    }

    /// Takes up hours that were filed since.
    pub(super) fn restore_hours(&mut self, enclosure: &Enclosure, record: &[HoursRecord], lamps: &mut [LampControl]) {
        for (lamp, control) in enclosure.lamps.iter().zip(lamps) {
            if let Some(own) = record.iter().find(|record| is_of(lamp, &record.lamp, &record.set)) {
                control.life.take_up_hours(own);
            }
        }
        self.today = None;
    }

    /// Carries on from the same enclosure under earlier settings; `same`: which lamp each was before.
    pub(super) fn adopt(
        &mut self,
        earlier: &Health,
        same_lamp: impl Fn(LampIx) -> Option<LampIx>,
        same_probe: impl Fn(crate::settings::ProbeIx) -> Option<crate::settings::ProbeIx>,
    ) {
        for (at, care) in self.lamps.iter_mut().enumerate() {
            if let Some(LampIx(before)) = same_lamp(LampIx(at)) {
                *care = earlier.lamps[before].clone();
            }
        }
        for watched in &mut self.probes {
            let known = earlier.probes.iter().find(|known| Some(known.probe) == same_probe(watched.probe));
            let lamps: Vec<_> = watched.lamps.iter().map(|&lamp| same_lamp(lamp)).collect();
            if let Some(known) = known.filter(|known| known.lamps.iter().map(|&lamp| Some(lamp)).eq(lamps)) {
                watched.adopt(known.clone());
            }
        }
        // The band may be another, so forecasts are made anew.
        (self.today, self.file_at) = (None, earlier.file_at);
    }
}

/// The level of a series at the low end of the band, in the probe's own unit; none where a gain is void or there is no
/// band.
fn low_level(enclosure: &Enclosure, series: &UvSeries) -> Option<f64> {
    let band = enclosure.care.uv.filter(|_| series.footing() != Footing::RelativeOnly)?;
    Some(band.low.0 / series.factor()).filter(|low| low.is_finite() && *low > 0.0)
}

fn in_days(span: Duration) -> f64 {
    span.as_secs_f64() / 86_400.0
}
