//! The guard over a lamp that warms.
//!
//! ```text
//!              every probe heard               reading >= cut
//!   (unheard) ──────────────────▶ Clear ───────────────────────▶ Tripped ──┐ third trip in 24 h,
//!        any probe late, stale or    ▲                              │      │ or reading >= limit
//!        frozen: off while it lasts  │  below cut − gap for `rest`  │      ▼
//!                                    └──────────────────────────────┘    Latched
//!                                    a person's reset: Latched ─▶ Tripped, rest from now
//! ```

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use crate::settings::{Guard, Probe, ProbeIx};
use crate::time::{Mono, Soonest};
use crate::units::{Celsius, Kelvin, KelvinPerSecond, Level};

use super::permit::{Latch, Refusal};
use super::record::LampRecord;
use super::stretch::Row;
use super::{TRIP_WINDOW, TRIPS_TO_LATCH};

/// From this level on a lamp counts as lit when its probe is watched for a response; a guess.
const LIT: f64 = 0.3;
/// From this level on a lamp is fully on; a guess, the same by which it is found too weak.
const FULL: f64 = 0.97;
/// A probe that reads exactly the same under a lamp fully on for this many times `frozen_after` is frozen, switch or not; a
/// guess. It costs a live one that is as coarse as a degree, under a lamp that gets no further, a few minutes of heat: its
/// lamp goes off, and it moves.
const STILL_UNDER_FULL: u32 = 2;
/// Readings a probe must have sent since its lamp switched before it can be called frozen; a guess.
const FROZEN_READINGS: u32 = 5;

/// The guard over a lamp that warms.
#[derive(Clone, Debug)]
pub(super) struct HeatGuard {
    settings: Guard,
    probes: Vec<GuardProbe>,
    state: State,
    /// Moments of the trips within the last 24 h, oldest first; at most [`TRIPS_TO_LATCH`].
    trips: VecDeque<Mono>,
    /// Whether the lamp is lit by the guard's own permits, and since when.
    lit: bool,
    lit_changed: Mono,
    /// The moment of a switch that a live probe must answer to.
    test_since: Option<Mono>,
    apart_since: Option<Mono>,
    /// Since when the lamp may be on, while it may, and since when fully.
    on_since: Option<Mono>,
    full_since: Option<Mono>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Clear,
    Tripped {
        reading: Celsius,
        /// Since when every probe has been fresh and below `cut − gap`.
        below_since: Option<Mono>,
    },
    Latched(Latch),
}

/// What the guard knows of one of its probes.
#[derive(Clone, Debug)]
struct GuardProbe {
    ix: ProbeIx,
    name: Arc<str>,
    every: Duration,
    stale: Duration,
    last: Option<(Celsius, Mono)>,
    /// Since when the value has been exactly the same, and how many readings since the last switch of the lamp said so.
    same_since: Mono,
    readings_since_switch: u32,
    /// The late reading could have reached the cut; stands until the next believable reading.
    projected: bool,
    /// It did not move although the lamp switched; stands until it moves, or a person resets the guard.
    frozen: bool,
}

impl HeatGuard {
    pub(super) fn new(settings: Guard, probes: &[Probe]) -> HeatGuard {
        let watched = settings
            .probes
            .iter()
            .map(|&ix| GuardProbe {
                ix,
                name: Arc::from(probes[ix.0].name.as_str()),
                every: probes[ix.0].every,
                stale: probes[ix.0].stale,
                last: None,
                same_since: Mono::START,
                readings_since_switch: 0,
                projected: false,
                frozen: false,
            })
            .collect();
        HeatGuard {
            settings,
            probes: watched,
            state: State::Clear,
            trips: VecDeque::new(),
            lit: false,
            lit_changed: Mono::START,
            test_since: None,
            apart_since: None,
            on_since: None,
            full_since: None,
        }
    }

    pub(super) fn probes(&self) -> impl Iterator<Item = ProbeIx> {
        self.probes.iter().map(|watched| watched.ix)
    }

    pub(super) fn thresholds(&self) -> (Celsius, Celsius) {
        (self.settings.cut, self.settings.limit)
    }

    /// Takes in a believable reading; tells whether it tripped or latched the guard.
    pub(super) fn reading(&mut self, now: Mono, probe: ProbeIx, reading: Celsius) -> bool {
        // A silence that this reading ends has broken the rest.
        self.update_rest(now);
        let Some(watched) = self.probes.iter_mut().find(|watched| watched.ix == probe) else {
            return false;
        };
        watched.take(now, reading);
        let tripped = self.trip_on(now, reading);
        self.update_rest(now);
        self.update_twins(now);
        tripped
    }

    /// Whether nothing is amiss: then a reading below the cut changes nothing but what is remembered of its probe, as
    /// long as [`HeatGuard::bears`] it. The lamp's switching and a reading that is due and does not come are other events.
    pub(super) fn is_calm(&self, now: Mono) -> bool {
        let well = |probe: &GuardProbe| probe.fresh(now).is_some() && !probe.projected && !probe.frozen;
        matches!(self.state, State::Clear) && self.apart_since.is_none() && self.probes.iter().all(well)
    }

    /// Whether a reading below the cut is of no consequence while the guard [is calm](HeatGuard::is_calm): the probe's
    /// twins agree with it, and it shows no probe that stands still.
    pub(super) fn bears(&self, now: Mono, probe: ProbeIx, reading: Celsius) -> bool {
        let (mut hot, mut cool) = (reading, reading);
        for watched in &self.probes {
            let Some((last, _)) = watched.last else { return false };
            if watched.ix != probe {
                hot = if last > hot { last } else { hot };
                cool = if last < cool { last } else { cool };
                continue;
            }
            if last == reading && self.may_find_still(now, watched) {
                return false;
            }
        }
        hot - cool <= self.settings.twins_apart
    }

    /// Whether one more reading like the last may show that a probe stands still.
    fn may_find_still(&self, now: Mono, probe: &GuardProbe) -> bool {
        let after = self.settings.frozen_after;
        let by_switch = |switched: Mono| probe.same_since < switched && now.since(switched) >= after;
        let under_full = |full: Mono| now.since(full.max(probe.same_since)) >= STILL_UNDER_FULL * after;
        self.test_since.is_some_and(by_switch) || self.full_since.is_some_and(under_full)
    }

    /// Takes in a reading below the cut that it [bears](HeatGuard::bears).
    pub(super) fn absorb(&mut self, now: Mono, probe: ProbeIx, reading: Celsius) {
        if let Some(watched) = self.probes.iter_mut().find(|watched| watched.ix == probe) {
            watched.take(now, reading);
        }
    }

    /// Until when readings below the cut need not be told one by one while the guard [is calm](HeatGuard::is_calm); none
    /// where they must.
    pub(super) fn takes_rows(&self, probe: ProbeIx) -> Option<Mono> {
        let [only] = &self.probes[..] else { return None };
        let moved = self.test_since.is_none_or(|switched| only.same_since >= switched);
        let still = STILL_UNDER_FULL * self.settings.frozen_after;
        let until = self.full_since.map_or(Mono::END, |full| full.max(only.same_since).after(still));
        (only.ix == probe && moved).then_some(until)
    }

    /// Takes in a row of readings below the cut, where it [takes rows](HeatGuard::takes_rows).
    pub(super) fn absorb_row(&mut self, probe: ProbeIx, row: &Row) {
        let Some(watched) = self.probes.iter_mut().find(|watched| watched.ix == probe) else { return };
        watched.same_since = row.changed.unwrap_or(watched.same_since);
        watched.readings_since_switch = watched.readings_since_switch.saturating_add(row.many);
        watched.last = Some((Celsius(row.last), row.at));
    }

    /// For how long a reading of `probe` below `hottest` keeps from being late, at least.
    pub(super) fn lasts(&self, probe: ProbeIx, hottest: Celsius) -> Duration {
        let Some(watched) = self.probes.iter().find(|watched| watched.ix == probe) else { return Duration::MAX };
        // Fresh up to and including the stale time, so the verdict changes just after it.
        let fresh = watched.stale.saturating_add(Duration::from_nanos(1));
        if self.on_since.is_none() {
            return fresh;
        }
        let late = rise(hottest, self.settings.cut, self.settings.slew).map(|span| watched.every.saturating_add(span));
        late.map_or(fresh, |late| late.min(fresh))
    }

    /// Takes in a reading that is not believed: it can trip, but proves nothing.
    pub(super) fn doubtful(&mut self, now: Mono, reading: Celsius) -> bool {
        self.trip_on(now, reading)
    }

    fn trip_on(&mut self, now: Mono, reading: Celsius) -> bool {
        // Written so that a NaN counts as too hot.
        if reading < self.settings.cut {
            return false;
        }
        if matches!(self.state, State::Latched(_)) {
            return false;
        }
        if !(reading < self.settings.limit) {
            self.state = State::Latched(Latch::Limit { reading, limit: self.settings.limit });
            return true;
        }
        match &mut self.state {
            State::Tripped { below_since, .. } => {
                *below_since = None;
                false
            }
            State::Clear | State::Latched(_) => {
                self.forget_old_trips(now);
                self.trips.push_back(now);
                self.state = if self.trips.len() >= TRIPS_TO_LATCH {
                    State::Latched(Latch::ThreeTrips)
                } else {
                    State::Tripped { reading, below_since: None }
                };
                true
            }
        }
    }

    fn forget_old_trips(&mut self, now: Mono) {
        while self.trips.front().is_some_and(|&trip| now.since(trip) >= TRIP_WINDOW) {
            self.trips.pop_front();
        }
    }

    /// Starts, keeps or breaks the rest after a trip.
    fn update_rest(&mut self, now: Mono) {
        let safe = self.hottest(now).is_some_and(|hottest| hottest < self.settings.cut - self.settings.gap);
        if let State::Tripped { below_since, .. } = &mut self.state {
            match (safe, &below_since) {
                (true, None) => *below_since = Some(now),
                (true, Some(_)) => {}
                (false, _) => *below_since = None,
            }
        }
    }

    fn update_twins(&mut self, now: Mono) {
        let apart = self.spread(now).is_some_and(|(hot, cool)| (hot - cool) > self.settings.twins_apart);
        self.apart_since = match (apart, self.apart_since) {
            (true, None) => Some(now),
            (true, since) => since,
            (false, _) => None,
        };
    }

    /// The hottest reading where every probe is fresh.
    fn hottest(&self, now: Mono) -> Option<Celsius> {
        let mut hottest = None;
        for probe in &self.probes {
            let reading = probe.fresh(now)?;
            hottest = match hottest {
                Some(so_far) if reading <= so_far => Some(so_far),
                _ => Some(reading),
            };
        }
        hottest
    }

    /// The hottest and the coolest reading of fresh probes, where two or more are.
    fn spread(&self, now: Mono) -> Option<(Celsius, Celsius)> {
        let mut fresh = self.probes.iter().filter_map(|probe| probe.fresh(now));
        let first = fresh.next()?;
        let mut spread = None;
        let (mut hot, mut cool) = (first, first);
        for reading in fresh {
            if reading > hot {
                hot = reading;
            }
            if reading < cool {
                cool = reading;
            }
            spread = Some((hot, cool));
        }
        spread
    }

    pub(super) fn disagreement(&self, now: Mono) -> Option<(Celsius, Celsius)> {
        let since = self.apart_since?;
        if now.since(since) < self.settings.twins_for {
            return None;
        }
        self.spread(now)
    }

    pub(super) fn is_late(&self, probe: ProbeIx) -> bool {
        self.probes.iter().any(|watched| watched.ix == probe && watched.projected)
    }

    pub(super) fn frozen(&self) -> Option<ProbeIx> {
        self.probes.iter().find(|probe| probe.frozen).map(|probe| probe.ix)
    }

    /// Why the lamp must be off at `now`. Settles what time alone has changed.
    pub(super) fn refusal(&mut self, now: Mono) -> Option<Refusal> {
        self.settle(now);
        match self.state {
            State::Latched(latch) => return Some(Refusal::Latched(latch)),
            State::Tripped { reading, .. } => return Some(Refusal::Tripped { reading, cut: self.settings.cut }),
            State::Clear => {}
        }
        for probe in &self.probes {
            let name = || Arc::clone(&probe.name);
            match probe.last {
                None => return Some(Refusal::Unheard { probe: name() }),
                Some(_) if probe.fresh(now).is_none() => {
                    return Some(Refusal::Silent { probe: name(), stale: probe.stale });
                }
                Some((last, _)) if probe.projected => {
                    return Some(Refusal::Projected { probe: name(), last, cut: self.settings.cut });
                }
                Some((at, _)) if probe.frozen => return Some(Refusal::Frozen { probe: name(), at }),
                Some(_) => {}
            }
        }
        None
    }

    /// What time alone changes: a rest that is over or broken by silence, late readings projected, probes that have stood
    /// still for too long.
    fn settle(&mut self, now: Mono) {
        let tested = self.test_since.filter(|&switched| now.since(switched) >= self.settings.frozen_after);
        let still = STILL_UNDER_FULL * self.settings.frozen_after;
        for probe in &mut self.probes {
            let lit = self.full_since.filter(|_| probe.readings_since_switch >= FROZEN_READINGS);
            probe.frozen |= lit.is_some_and(|full| now.since(full.max(probe.same_since)) >= still);
            probe.frozen |= tested.is_some_and(|switched| {
                probe.last.is_some() && probe.same_since < switched && probe.readings_since_switch >= FROZEN_READINGS
            });
            // Before the next reading was due nothing is projected.
            let on_since =
                self.on_since.filter(|_| probe.last.is_some_and(|(_, heard)| now >= heard.after(probe.every)));
            let reaches = on_since.and_then(|on| probe.reaches(self.settings.cut, self.settings.slew, on));
            probe.projected |= reaches.is_some_and(|at| now >= at);
        }
        self.update_rest(now);
        if let State::Tripped { below_since: Some(since), .. } = self.state
            && now.since(since) >= self.settings.rest
        {
            self.state = State::Clear;
        }
    }

    /// Learns what was permitted: whether the lamp may be on, and whether it has just switched.
    pub(super) fn permitted(&mut self, now: Mono, level: Level) {
        self.on_since = if level.is_off() { None } else { self.on_since.or(Some(now)) };
        self.full_since = if level.share() >= FULL { self.full_since.or(Some(now)) } else { None };
        let lit = level.share() >= LIT;
        if lit == self.lit {
            return;
        }
        // A state that lasted only briefly need not have moved the reading, so it proves nothing about the probe.
        let lasted = now.since(self.lit_changed);
        self.test_since = (lasted >= self.settings.frozen_after / 3).then_some(now);
        self.lit = lit;
        self.lit_changed = now;
        for probe in &mut self.probes {
            probe.readings_since_switch = 0;
        }
    }

    /// When [`HeatGuard::refusal`] may answer otherwise, whatever its probes say.
    pub(super) fn next_timer(&self, now: Mono) -> Option<Mono> {
        let mut soonest = Soonest::after(now);
        if let State::Tripped { below_since: Some(since), .. } = self.state {
            soonest.by(since.after(self.settings.rest));
        }
        if let Some(full) = self.full_since {
            let still = STILL_UNDER_FULL * self.settings.frozen_after;
            self.probes.iter().for_each(|probe| soonest.by(full.max(probe.same_since).after(still)));
        }
        if let Some(switched) = self.test_since {
            soonest.by(switched.after(self.settings.frozen_after));
        }
        if let Some(since) = self.apart_since {
            soonest.by(since.after(self.settings.twins_for));
        }
        Some(soonest.at()).filter(|&at| at < Mono::END)
    }

    /// When [`HeatGuard::refusal`] may answer otherwise because `probe` says nothing.
    pub(super) fn next_silence(&self, now: Mono, probe: ProbeIx) -> Option<Mono> {
        let probe = self.probes.iter().find(|watched| watched.ix == probe)?;
        // Fresh up to and including the stale time, so the verdict changes just after it.
        let silent = probe.last.map(|(_, heard)| heard.after(probe.stale).after(Duration::from_nanos(1)));
        let late = self.on_since.and_then(|on| probe.reaches(self.settings.cut, self.settings.slew, on));
        [silent, late].into_iter().flatten().filter(|&at| at > now).min()
    }

    pub(super) fn reset(&mut self, now: Mono) {
        self.test_since = None;
        self.probes.iter_mut().for_each(|probe| probe.frozen = false);
        if let State::Latched(latch) = self.state {
            let reading = match latch {
                Latch::Limit { reading, .. } => reading,
                Latch::ThreeTrips | Latch::Ceiling { .. } => self.settings.cut,
            };
            self.trips.clear();
            self.state = State::Tripped { reading, below_since: None };
            self.update_rest(now);
        }
    }

    pub(super) fn marker(&self) -> (u8, usize) {
        let state = match self.state {
            State::Clear => 0,
            State::Tripped { .. } => 1,
            State::Latched(_) => 2,
        };
        (state, self.trips.len())
    }

    pub(super) fn is_clear(&self) -> bool {
        matches!(self.state, State::Clear)
    }

    pub(super) fn is_latched(&self) -> bool {
        matches!(self.state, State::Latched(_))
    }

    pub(super) fn record(&self, now: Mono, record: &mut LampRecord) {
        match self.state {
            State::Clear => {}
            State::Tripped { reading, .. } => record.tripped = Some(reading),
            State::Latched(latch) => record.heat_latch = Some(latch),
        }
        let recent = self.trips.iter().map(|&trip| now.since(trip)).filter(|&age| age < TRIP_WINDOW);
        record.trip_ages = recent.collect();
    }

    pub(super) fn restore(&mut self, now: Mono, record: &LampRecord) {
        self.trips = record.trip_ages.iter().map(|_| now).take(TRIPS_TO_LATCH).collect();
        if let Some(latch) = record.heat_latch {
            self.state = State::Latched(latch);
        } else if let Some(reading) = record.tripped {
            self.state = State::Tripped { reading, below_since: None };
        }
    }

    pub(super) fn adopt(&mut self, earlier: &HeatGuard, same_probe: &dyn Fn(ProbeIx) -> Option<ProbeIx>) {
        self.state = match earlier.state {
            // The rest starts anew, since the cut or the probes may be others now.
            State::Tripped { reading, .. } => State::Tripped { reading, below_since: None },
            state => state,
        };
        self.trips.clone_from(&earlier.trips);
        self.lit = earlier.lit;
        self.lit_changed = earlier.lit_changed;
        self.test_since = earlier.test_since;
        self.on_since = earlier.on_since;
        self.full_since = earlier.full_since;
        for probe in &mut self.probes {
            let was = same_probe(probe.ix);
            if let Some(known) = earlier.probes.iter().find(|known| Some(known.ix) == was) {
                probe.last = known.last;
                probe.same_since = known.same_since;
                probe.readings_since_switch = known.readings_since_switch;
                probe.projected = known.projected;
                probe.frozen = known.frozen;
            }
        }
    }
}

impl GuardProbe {
    fn take(&mut self, now: Mono, reading: Celsius) {
        let same = self.last.is_some_and(|(last, _)| last == reading);
        if !same {
            self.same_since = now;
            self.frozen = false;
        }
        self.readings_since_switch = self.readings_since_switch.saturating_add(1);
        self.last = Some((reading, now));
        self.projected = false;
    }

    fn fresh(&self, now: Mono) -> Option<Celsius> {
        self.last.filter(|&(_, heard)| now.since(heard) <= self.stale).map(|(reading, _)| reading)
    }

    /// When the last reading reaches `cut`, if it rises at `slew` from the moment at which the next one was due and the lamp
    /// was on.
    fn reaches(&self, cut: Celsius, slew: KelvinPerSecond, on_since: Mono) -> Option<Mono> {
        let (last, heard) = self.last?;
        let span = rise(last, cut, slew)?;
        Some(heard.after(self.every).max(on_since).after(span))
    }
}

/// How long a reading takes to reach `cut` at `slew`; none where it never does.
fn rise(from: Celsius, cut: Celsius, slew: KelvinPerSecond) -> Option<Duration> {
    let Kelvin(room) = cut - from;
    Duration::try_from_secs_f64(room.max(0.0) / slew.0).ok()
}
