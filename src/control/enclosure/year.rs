//! The year of an enclosure: its days, those of its UV lamps, and its cooling season.

use chrono::NaiveDate;

use super::EnclosureControl;
use crate::control::alarm::AlarmKind;
use crate::control::context::Context;
use crate::control::effect::Effect;
use crate::control::event::SeasonAct;
use crate::control::photoperiod::{Course, DayClock};
use crate::control::record::{Record, SeasonRecord};
use crate::control::view::{Quality, SeasonView};
use crate::settings::{Care, Enclosure, Lamp, Measures, ProbeIx, Site, When};
use crate::units::Celsius;

/// An enclosure is asked whether its days are those of so many before it: racks stand together. A guess.
const NEIGHBOURS: usize = 16;

/// The days of an enclosure.
#[derive(Clone, Debug)]
pub(in crate::control) struct Days {
    /// Those of everything.
    pub(super) all: DayClock,
    /// Those of lamps that give UV, where the year or the cooling season makes them shorter.
    uv: Option<DayClock>,
}

impl Days {
    pub(super) fn new(care: &Care, site: &Site) -> Days {
        let says = care.program.as_ref().is_some_and(|program| {
            program.uv_hours.is_some() || program.cooling.as_ref().is_some_and(|cooling| cooling.uv_hours.is_some())
        });
        let days = |uv| DayClock::of(care, site.timezone, site.place, uv);
        Days { all: days(false), uv: says.then(|| days(true)) }
    }

    /// Shares with `other` what dates come to, where both go by the same days; tells whether they do.
    fn share(&mut self, other: &Days) -> bool {
        let uv = match (&mut self.uv, &other.uv) {
            (None, None) => true,
            (Some(own), Some(other)) => own.share(other),
            _ => false,
        };
        uv && self.all.share(&other.all)
    }

    /// Those that a lamp goes by.
    pub(super) fn of(&mut self, lamp: &Lamp) -> &mut DayClock {
        match &mut self.uv {
            Some(uv) if lamp.window.when == When::Day && lamp.fitting.traits().emits.uv => uv,
            _ => &mut self.all,
        }
    }

    fn set_course(&mut self, course: Option<Course>) {
        self.all.set_course(course);
        if let Some(uv) = &mut self.uv {
            uv.set_course(course);
        }
    }
}

impl EnclosureControl {
    /// Lets enclosures that go by the same days share what dates come to.
    pub(in crate::control) fn share_days(enclosures: &mut [EnclosureControl]) {
        for ix in 1..enclosures.len() {
            let (before, control) = enclosures.split_at_mut(ix);
            let mut near = before.iter().rev().take(NEIGHBOURS);
            near.any(|before| control[0].day.share(&before.day));
        }
    }

    /// Judges the cooling season where an hour has passed. Where the clock cannot be believed nothing begins and nothing
    /// ends.
    pub(super) fn keep_season(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure) {
        let Some(wall) = ctx.believed().filter(|&wall| self.season.as_ref().is_some_and(|it| it.is_due(wall))) else {
            return;
        };
        let reading = self.season_reading(ctx, enclosure);
        let Some(season) = &mut self.season else { return };
        let news = season.judge(wall, ctx.site.timezone, reading);
        self.season_has_news(ctx, enclosure, news);
    }

    /// What the spot reads that the cooling season goes by; of several probes there the warmest.
    fn season_reading(&self, ctx: &Context<'_>, enclosure: &Enclosure) -> Option<Celsius> {
        let spot = self.season.as_ref()?.spot();
        let probes = enclosure.probes.iter().enumerate();
        let there = probes.filter(|(_, probe)| probe.measures == Measures::Temperature && probe.spot == spot);
        let good = |(ix, probe): (usize, &crate::settings::Probe)| {
            let (value, quality) = self.newest(ProbeIx(ix))?;
            let heard = self.probes[ix].intake.last().is_some_and(|(_, at)| ctx.now.since(at) <= probe.stale);
            value.filter(|_| heard && quality == Quality::Good)
        };
        there.filter_map(good).reduce(f64::max).map(Celsius)
    }

    /// A person says something of the cooling season.
    pub(in crate::control) fn season_act(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, act: SeasonAct) {
        let Some(date) = self.season_date(ctx) else { return };
        let Some(season) = &mut self.season else { return };
        let news = season.act(act, date);
        self.season_has_news(ctx, enclosure, news);
        self.step(ctx, enclosure);
    }

    fn season_date(&self, ctx: &Context<'_>) -> Option<NaiveDate> {
        ctx.wall.map(|wall| wall.with_timezone(&ctx.site.timezone).date_naive())
    }

    /// Lets days and targets go by the season as it is now, files it and tells what is amiss with it.
    fn season_has_news(&mut self, ctx: &mut Context<'_>, enclosure: &Enclosure, news: bool) {
        let date = self.season_date(ctx);
        let Some(season) = &self.season else { return };
        let trouble = date.and_then(|date| season.trouble(date));
        self.day.set_course(season.course());
        self.health.set_course(season.foreseen());
        if news {
            // What is on until when follows from the season, too.
            self.lamps.iter_mut().for_each(|lamp| lamp.forget_hours());
            let record = Record::Season { enclosure: enclosure.id.clone(), season: season.record() };
            ctx.out.push(Effect::File(record));
        }
        self.board.set(ctx.now, ctx.stamp, AlarmKind::SeasonAmiss, "", trouble);
    }

    /// Takes up the season that was on file.
    pub(super) fn recall_season(&mut self, record: &SeasonRecord) {
        let Some(season) = &mut self.season else { return };
        season.restore(record);
        self.day.set_course(season.course());
        self.health.set_course(season.foreseen());
        self.lamps.iter_mut().for_each(|lamp| lamp.forget_hours());
    }

    pub(super) fn season_view(&self, ctx: &Context<'_>) -> Option<SeasonView> {
        Some(self.season.as_ref()?.view(self.season_date(ctx)))
    }

    /// The course of the cooling season; none before it begins.
    pub(in crate::control) fn course(&self) -> Option<Course> {
        self.season.as_ref()?.course()
    }
}
