//! The lamps at one UV probe, followed together and, where they can be told apart, one by one.

use std::time::Duration;

use chrono::NaiveDate;

use super::acceptance::Acceptance;
use super::ahead::DayLengths;
use super::decline::{Day, Decline, Prior, Step};
use super::forecast::{Announced, Departure};
use super::record::WatchedRecord;
use super::shares::Shares;
use crate::control::uv::{SLOT, Slot};
use crate::science::decay::BurnHours;
use crate::science::robust::{median, unshaded};
use crate::settings::{Enclosure, LampIx, ProbeIx};
use crate::time::Mono;

/// Two levels further apart in time than this make no edge; a guess: warm-up, settling and a slot of the slowest lamp.
const EDGE_WITHIN: Duration = Duration::from_secs(60 * 60);

/// The lamps at one probe.
#[derive(Clone, Debug)]
pub(in crate::control) struct Watched {
    pub(super) probe: ProbeIx,
    pub(super) lamps: Vec<LampIx>,
    /// Today's slots of five minutes with every lamp warm.
    slots: Vec<f32>,
    /// The smallest step between two of them so far.
    grain: f32,
    /// Burn hours of each lamp at them, added up.
    hours: Vec<f64>,
    /// Place of the lamp over whose hours the whole is followed.
    axis: usize,
    /// What all give together.
    pub(super) whole: Decline,
    /// What each gives, where there are several.
    pub(super) own: Vec<Decline>,
    pub(super) shares: Shares,
    parts: Parts,
    pub(super) announced: Announced,
    pub(super) departure: Option<Departure>,
    /// The last step, until a meter reading or a lamp change answers it.
    pub(super) step: Option<Step>,
}

/// What a lamp brings to the end of a day.
#[derive(Clone, Copy, Debug)]
pub(super) struct LampDay {
    /// Its burn hours now.
    pub(super) hours: BurnHours,
    /// Share of the time its window is open that it burns.
    pub(super) open_share: f64,
    /// What the lamp before gave as new, and after its burn-in.
    pub(super) before: (Option<f64>, Option<f64>),
}

/// How long a lamp burns before its UV has settled.
pub(super) fn burn_in(enclosure: &Enclosure, LampIx(lamp): LampIx) -> BurnHours {
    BurnHours(enclosure.lamps[lamp].fitting.traits().burn_in.value.as_secs_f64() / 3600.0)
}

impl Watched {
    pub(super) fn new(probe: ProbeIx, lamps: Vec<LampIx>, enclosure: &Enclosure) -> Watched {
        let fresh = |&lamp: &LampIx| Decline::new(burn_in(enclosure, lamp), Prior::PUBLISHED);
        let longest = lamps.iter().map(|&lamp| burn_in(enclosure, lamp).0).fold(0.0, f64::max);
        Watched {
            probe,
            slots: Vec::new(),
            grain: f32::INFINITY,
            hours: vec![0.0; lamps.len()],
            axis: 0,
            whole: Decline::new(BurnHours(longest), Prior::PUBLISHED),
            own: if lamps.len() > 1 { lamps.iter().map(fresh).collect() } else { Vec::new() },
            shares: Shares::new(lamps.len()),
            parts: Parts::default(),
            announced: Announced::default(),
            departure: None,
            step: None,
            lamps,
        }
    }

    /// Takes a slot of warm light; `hours`: burn hours of each lamp at it.
    pub(super) fn slot(&mut self, slot: Slot, hours: impl Iterator<Item = BurnHours>) {
        let value = slot.value as f32;
        if let Some(step) = self.slots.last().map(|last| (value - last).abs()).filter(|&step| step > 0.0) {
            self.grain = self.grain.min(step);
        }
        self.slots.push(value);
        self.hours.iter_mut().zip(hours).for_each(|(sum, hours)| *sum += hours.0);
    }

    /// Takes a reading, where there are several lamps; `warm`: a bit for each that is warm, none while one is neither warm
    /// nor settled off.
    pub(super) fn reading(&mut self, now: Mono, raw: f64, warm: Option<u32>) {
        if let Some((lamp, on, before, after)) = self.parts.reading(now, raw, warm) {
            self.shares.edge(lamp, on, before, after);
        }
    }

    /// The place of `lamp` at this probe.
    pub(super) fn place(&self, lamp: LampIx) -> Option<usize> {
        self.lamps.iter().position(|&known| known == lamp)
    }

    /// The day is over: its level joins what is followed. Gives what each lamp gave, where that can be told.
    pub(super) fn day(
        &mut self,
        date: NaiveDate,
        enclosure: &Enclosure,
        days: &[LampDay],
        acceptances: &mut [Acceptance],
    ) {
        let values: Vec<f64> = self.slots.drain(..).map(f64::from).collect();
        let count = values.len().max(1) as f64;
        let middles: Vec<BurnHours> = self.hours.iter().map(|sum| BurnHours(sum / count)).collect();
        self.hours.iter_mut().for_each(|sum| *sum = 0.0);
        let Some(seen) = unshaded(&values) else { return };
        let Some(day) = middles.get(self.axis).and_then(|&hours| Day::new(date, hours, seen)) else { return };
        let day = day.grained(f64::from(self.grain));
        if let Some(step) = self.whole.day(day) {
            self.step = Some(step);
            self.announced.forget();
        }
        for (place, &LampIx(lamp)) in self.lamps.iter().enumerate() {
            let Some(share) = self.shares.of(place, day.level()) else { continue };
            let part = day.share(share).over(middles[place]);
            if let Some(own) = self.own.get_mut(place) {
                own.day(part);
            }
            let looked = (date, part.hours(), part.level());
            acceptances[lamp].day(looked, burn_in(enclosure, LampIx(lamp)), days[lamp].before);
        }
    }

    /// Forecasts anew, on the morning of `today`, when the level falls to `low` (none: nothing to fall to).
    pub(super) fn forecast(
        &mut self,
        today: NaiveDate,
        low: Option<f64>,
        enclosure: &Enclosure,
        days: &[LampDay],
        ahead: &mut DayLengths,
        notice: f64,
    ) {
        let Some(&LampIx(lamp)) = self.lamps.get(self.axis) else { return };
        let (window, now) = (&enclosure.lamps[lamp].window, &days[lamp]);
        self.departure =
            low.and_then(|low| Departure::dated((low, &self.whole), (today, now.hours), ahead, window, now.open_share));
        if low.is_none() {
            self.announced.forget();
        }
        self.announced.judge(self.departure.as_ref(), notice);
    }

    /// Another lamp hangs in the place of `lamp`; `rate`: that of the lamp before, where it was told. `hours`: burn hours
    /// of each lamp from now on.
    pub(super) fn lamp_changed(
        &mut self,
        lamp: LampIx,
        rate: Option<(f64, f64)>,
        hours: impl Iterator<Item = BurnHours>,
        enclosure: &Enclosure,
    ) {
        let Some(place) = self.place(lamp) else { return };
        let prior = rate.map_or(Prior::PUBLISHED, Prior::of_previous);
        let fresh = Watched::new(self.probe, std::mem::take(&mut self.lamps), enclosure);
        let (own, shares) = (std::mem::take(&mut self.own), self.shares.clone());
        *self = Watched { own, shares, ..fresh };
        self.shares.forget(place);
        if let Some(own) = self.own.get_mut(place) {
            *own = Decline::new(burn_in(enclosure, lamp), prior);
        }
        // The youngest tells when the burn-in of all is over.
        let youngest = hours.enumerate().min_by(|(_, a), (_, b)| a.0.total_cmp(&b.0));
        self.axis = youngest.map_or(0, |(place, _)| place);
        let longest = self.lamps.iter().map(|&lamp| burn_in(enclosure, lamp).0).fold(0.0, f64::max);
        let whole_prior = if self.lamps.len() == 1 { prior } else { Prior::PUBLISHED };
        self.whole = Decline::new(BurnHours(longest), whole_prior);
    }

    /// The rate of a lamp, where it was told.
    pub(super) fn rate_of(&self, lamp: LampIx) -> Option<(f64, f64)> {
        self.decline_of(self.place(lamp)?)?.own_rate()
    }

    /// What is followed of the lamp at `place`, where it can be told from the others.
    pub(super) fn decline_of(&self, place: usize) -> Option<&Decline> {
        if self.lamps.len() == 1 { Some(&self.whole) } else { self.own.get(place) }
    }

    /// The lamp that loses most a burn hour; none where they cannot all be told apart.
    pub(super) fn fading(&self) -> Option<usize> {
        if self.lamps.len() == 1 {
            return Some(0);
        }
        let loss = |own: &Decline| {
            let last = own.last().filter(|_| own.days() > 0)?;
            Some(own.course()?.rate_at(last.hours()).0 * last.level())
        };
        let losses: Option<Vec<f64>> = self.own.iter().map(loss).collect();
        let losses = losses?;
        (0..losses.len()).max_by(|&a, &b| losses[a].total_cmp(&losses[b]))
    }

    /// What must survive a restart.
    pub(super) fn to_record(&self, enclosure: &Enclosure) -> WatchedRecord {
        let step = self.step.map(|step| (step.date, step.size));
        WatchedRecord {
            probe: enclosure.probes[self.probe.0].name.clone(),
            lamps: self.lamps.iter().map(|&LampIx(lamp)| enclosure.lamps[lamp].name.clone()).collect(),
            axis: self.axis,
            whole: self.whole.to_record(),
            own: self.own.iter().map(Decline::to_record).collect(),
            shares: self.shares.clone(),
            announced: self.announced,
            step,
        }
    }

    /// Takes up the record of this probe with these lamps.
    pub(super) fn restore(&mut self, enclosure: &Enclosure, record: &WatchedRecord) {
        let mut fresh = Watched::new(self.probe, self.lamps.clone(), enclosure);
        let names = self.lamps.iter().map(|&LampIx(lamp)| enclosure.lamps[lamp].name.as_str());
        if !names.eq(record.lamps.iter().map(String::as_str)) || record.own.len() != fresh.own.len() {
            return;
        }
        let longest = self.lamps.iter().map(|&lamp| burn_in(enclosure, lamp).0).fold(0.0, f64::max);
        fresh.axis = record.axis.min(self.lamps.len().saturating_sub(1));
        fresh.whole = Decline::restore(BurnHours(longest), &record.whole);
        for ((own, record), &lamp) in fresh.own.iter_mut().zip(&record.own).zip(&self.lamps) {
            *own = Decline::restore(burn_in(enclosure, lamp), record);
        }
        fresh.shares = record.shares.clone();
        fresh.announced = record.announced;
        fresh.step = record.step.map(|(date, size)| Step { date, size });
        *self = fresh;
    }

    /// Carries on from the same probe with the same lamps under earlier settings.
    pub(super) fn adopt(&mut self, earlier: Watched) {
        if earlier.lamps.len() == self.lamps.len() {
            *self = Watched { probe: self.probe, lamps: std::mem::take(&mut self.lamps), ..earlier };
        }
    }
}

/// Levels with some of the lamps warm and the others off, and the edges between them.
#[derive(Clone, Debug, Default)]
struct Parts {
    open: Vec<f64>,
    warm: u32,
    since: Option<Mono>,
    /// The last settled level, with which lamps, and when it ended.
    last: Option<(u32, f64, Mono)>,
}

impl Parts {
    /// Takes a reading; gives the edge it completes: which lamp, whether it came on, the level before and after.
    fn reading(&mut self, now: Mono, raw: f64, warm: Option<u32>) -> Option<(usize, bool, f64, f64)> {
        let Some(warm) = warm else {
            self.open.clear();
            self.since = None;
            return None;
        };
        if warm != self.warm {
            self.open.clear();
            (self.warm, self.since) = (warm, None);
        }
        let since = *self.since.get_or_insert(now);
        self.open.push(raw);
        if now.since(since) < SLOT {
            return None;
        }
        let level = median(&mut self.open)?;
        self.open.clear();
        self.since = None;
        let (before_warm, before, at) = self.last.replace((warm, level, now))?;
        let changed = before_warm ^ warm;
        let edge = changed.is_power_of_two() && now.since(at) <= EDGE_WITHIN;
        edge.then(|| (changed.trailing_zeros() as usize, warm & changed != 0, before, level))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Edges seen in minutes with a level and the warm lamps each.
    fn edges(minutes: impl Iterator<Item = (f64, Option<u32>)>) -> Vec<(usize, bool, f64, f64)> {
        let mut parts = Parts::default();
        (0..)
            .zip(minutes)
            .filter_map(|(minute, (raw, warm))| parts.reading(Mono::from_secs(minute * 60), raw, warm))
            .collect()
    }

    #[test]
    fn one_lamp_that_switches_alone_makes_an_edge() {
        let one = std::iter::repeat_n((1.0, Some(0b01)), 20);
        let warming = std::iter::repeat_n((2.0, None), 15);
        let both = std::iter::repeat_n((4.0, Some(0b11)), 20);
        let found = edges(one.clone().chain(warming.clone()).chain(both.clone()).chain(warming).chain(one.clone()));
        assert_eq!(found, [(1, true, 1.0, 4.0), (1, false, 4.0, 1.0)]);
        let dark = std::iter::repeat_n((0.0, Some(0)), 20);
        assert!(edges(dark.clone().chain(both.clone())).is_empty(), "two at once are no edge");
        let long = std::iter::repeat_n((2.0, None), 90);
        assert!(edges(one.chain(long).chain(both)).is_empty(), "nor are two levels hours apart");
    }
}
