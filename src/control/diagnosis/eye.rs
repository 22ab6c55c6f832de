//! What a probe that a lamp lights says about it: the UV index, or the illuminance.
//!
//! A probe is learnt with the lamp off (what it reads then, how it scatters, how often it repeats itself) and with the
//! lamp known to be well (the level). Readings are gathered to slots of a minute, and a slot is weighed under each thing
//! that may be the case: the lamp's full light, its light past an animal, none of it, or a probe that is dead.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::science::sequential::log_normal;

/// Light past an animal or a thing lying there, as a share of the usual, from … to …: a guess around the one in twenty
/// of the simulated animal. More than this is dirt, age or a weaker lamp, which other alarms judge.
const SHADE: (f64, f64) = (0.03, 0.5);
/// Deviation of a well lamp's level from the learnt one, as a share: a guess that holds dirt, ageing and a probe that was
/// nudged.
const WELL_DEVIATION: f64 = 0.2;
/// One lamp in ten that is well gives something else, anything in this range, as a share of the learnt level: another
/// lamp was fitted, the probe was moved. Guesses.
const WELL_ELSEWHERE: (f64, f64) = (0.3, 3.0);
const ELSEWHERE: f64 = 0.1;
/// Most that a lamp warming up may give, as a share of the learnt level: a guess.
const WARMING_MOST: f64 = 1.3;
/// What others light there is known to within this share, where they are measured against: a guess.
const OTHERS_DEVIATION: f64 = 0.08;
/// A slot raises the learnt level towards itself with this time constant, of lit time …
const UP: Duration = Duration::from_secs(10 * 60);
/// … and lowers it with this one: shade must not be learnt, and dirt and age are slow. Guesses.
const DOWN: Duration = Duration::from_secs(20 * 3600);
/// No slot raises the level by more than this multiple: a glint of the sun.
const GLINT: f64 = 1.5;
/// A slot below this share of the level is no level to learn.
const LEARN_FROM: f64 = 0.3;
/// A level that was learnt for this long of lit time is one that other lamps at the probe may be measured against, and one that
/// was learnt with no other lamp lit is learnt in no other way from then on: an animal may have lain there for the first hour.
/// A guess.
const TRUSTED: Duration = Duration::from_secs(2 * 3600);
/// Readings after which the oldest have left the running means: a guess.
const MEMORY: f64 = 200.0;
/// Darkness that is known by as many readings as [`PAIRS`] is no farther off than so many of its standard deviations, whatever a
/// slot says: one that has changed is followed in some nights. A guess.
const OUTLIER: f64 = 3.0;
/// How often a probe repeats itself is believed after this many pairs of readings: a guess.
const PAIRS: f64 = 30.0;
/// One that never repeated itself, or always, is believed to do so no more surely than one pair in so many.
const RARELY: f64 = 2.0;
/// Shares of dead probes that read what one reads without a sensor, and that keep their last reading: guesses.
const DEAD_AT_ZERO: f64 = 0.6;
const DEAD_FROZEN: f64 = 0.4;

/// A dead probe moves within a slot only where it died in it, once in twenty: logarithms of a guess and of the rest.
const DIES: f64 = -3.0;
const DEAD_STILL: f64 = -0.051;
/// A living probe moves at least as likely as this, a logarithm; a guess.
const MOVES_AT_LEAST: f64 = -1.0;

/// What is known of a probe that must survive a restart, as plain data.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EyeRecord {
    /// What it reads in the dark: mean, variance of one reading, and of how many; all in its own unit.
    dark: (f64, f64, f64),
    /// Pairs of readings in the dark and those of them that were equal, and the same of a lit lamp.
    still: [(f64, f64); 2],
    /// What the lamp adds when it is well; none: not learnt.
    level: Option<f64>,
    /// For how long that was learnt, s, and for how long with no other lamp lit.
    learnt_s: (u64, u64),
    /// What it gives with others that cannot be told apart; none: not learnt.
    crowd: Option<f64>,
    /// The smallest step of its numbers; none: not seen.
    step: Option<f64>,
}

/// What is known of a kind of probe before it was ever heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plausible {
    /// Levels that such a lamp gives at a probe, from … to ….
    level: (f64, f64),
    /// How far from zero the probe may be in the dark.
    dark: f64,
    /// How far what it reads in the dark may change by itself, as a share of the level: daylight in the room.
    ambient: f64,
}

impl Plausible {
    /// UV index: from what a shade dweller's spot gets to what touching distance gives. Guesses around the Ferguson
    /// zones.
    pub(super) const UV: Plausible = Plausible { level: (0.3, 15.0), dark: 0.03, ambient: 0.0 };
    /// Illuminance, lux: from a dim corner to under a metal-halide lamp. Guesses.
    pub(super) const LIGHT: Plausible = Plausible { level: (200.0, 60_000.0), dark: 50.0, ambient: 0.05 };
}

/// What other lamps add at a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Others {
    /// None of them is lit.
    Dark,
    /// They add this much.
    Known(f64),
    /// Some are lit, and nobody knows what they add.
    Unknown,
}

/// Logarithms of how likely a slot is when …
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sight {
    /// … the lamp's light arrives as it should.
    pub(super) full: f64,
    /// … a part of it does.
    pub(super) shaded: f64,
    /// … none does.
    pub(super) nothing: f64,
    /// … the probe is dead.
    pub(super) dead: f64,
    /// Share of all shade that this probe cannot tell from darkness.
    pub(super) hidden: f64,
    /// Others are lit there: whether any light arrives. None where nobody is in the way.
    pub(super) crowd: Option<bool>,
}

/// The readings of one slot.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Slot {
    count: f64,
    sum: f64,
    /// What others added, all in all.
    others: f64,
    /// Pairs of neighbouring readings, and those of them that were equal.
    pairs: f64,
    still: f64,
    /// Others of unknown light were lit.
    crowded: bool,
}

/// How often a probe repeats itself.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Stillness {
    pairs: f64,
    still: f64,
}

impl Slot {
    fn is_still(&self) -> bool {
        self.still == self.pairs
    }

    /// Logarithm of the probability that a dead probe moves so, or as little.
    fn of_dead(&self) -> f64 {
        if self.pairs == 0.0 {
            0.0
        } else if self.is_still() {
            DEAD_STILL
        } else {
            DIES
        }
    }
}

impl Stillness {
    fn learn(&mut self, slot: &Slot) {
        let keep = if self.pairs > 10.0 * MEMORY { 0.9 } else { 1.0 };
        self.pairs = keep * self.pairs + slot.pairs;
        self.still = keep * self.still + slot.still;
    }

    /// Logarithm of the probability that a living probe moves as `slot` did, or as little.
    fn of(&self, slot: &Slot) -> f64 {
        if slot.pairs == 0.0 {
            return 0.0;
        }
        if self.pairs < PAIRS {
            return if slot.is_still() { DEAD_STILL } else { 0.0 };
        }
        let share = (self.still + RARELY) / (self.pairs + 2.0 * RARELY);
        let still = slot.pairs * libm::log(share);
        // That a probe moves which seldom does so speaks for its life all the same.
        if slot.is_still() { still } else { libm::log1p(-libm::exp(still)).max(MOVES_AT_LEAST) }
    }
}

/// One probe that a lamp lights.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Eye {
    plausible: Plausible,
    /// What it reads with the lamp off: mean, variance of one reading, and of how many.
    dark: (f64, f64, f64),
    still_dark: Stillness,
    still_lit: Stillness,
    /// What the lamp adds when it is well and warm.
    level: Option<f64>,
    /// For how long of lit time that was learnt, and for how long of that with no other lamp lit.
    learnt_for: Duration,
    alone_for: Duration,
    /// What all give together while nobody knows what the others add.
    crowd: Option<f64>,
    /// Smallest step between two readings so far.
    step: f64,
    last: Option<f64>,
    slot: Slot,
    /// The last slot that was weighed, less what it reads in the dark and what others added; for words.
    seen: Option<f64>,
    /// What others were to add in that slot.
    others: f64,
}

impl Eye {
    pub(super) fn new(plausible: Plausible) -> Eye {
        Eye {
            plausible,
            dark: (0.0, 0.0, 0.0),
            still_dark: Stillness::default(),
            still_lit: Stillness::default(),
            level: None,
            learnt_for: Duration::ZERO,
            alone_for: Duration::ZERO,
            crowd: None,
            step: f64::INFINITY,
            last: None,
            slot: Slot::default(),
            seen: None,
            others: 0.0,
        }
    }

    /// What must survive a restart.
    pub(super) fn to_record(&self) -> EyeRecord {
        let still = [self.still_dark, self.still_lit].map(|known| (known.pairs, known.still));
        let step = Some(self.step).filter(|step| step.is_finite());
        EyeRecord {
            dark: self.dark,
            still,
            level: self.level,
            learnt_s: (self.learnt_for.as_secs(), self.alone_for.as_secs()),
            crowd: self.crowd,
            step,
        }
    }

    /// Takes up a record; what of it is no number, or none that could be, is left out.
    pub(super) fn restore(&mut self, record: &EyeRecord) {
        let (mean, variance, known) = record.dark;
        let is_sound = |x: &f64| x.is_finite() && *x > 0.0;
        if mean.is_finite() && variance.is_finite() && variance >= 0.0 && is_sound(&known) {
            self.dark = (mean, variance, known.min(MEMORY));
        }
        let still = record.still.map(|(pairs, still)| {
            let sound = pairs.is_finite() && (0.0..=pairs).contains(&still);
            if sound { Stillness { pairs, still } } else { Stillness::default() }
        });
        [self.still_dark, self.still_lit] = still;
        self.level = record.level.filter(is_sound);
        let (learnt, alone) = record.learnt_s;
        (self.learnt_for, self.alone_for) = (Duration::from_secs(learnt), Duration::from_secs(alone));
        self.crowd = record.crowd.filter(is_sound);
        self.step = record.step.filter(is_sound).unwrap_or(f64::INFINITY);
    }

    /// Takes in a reading.
    pub(super) fn reading(&mut self, reading: f64, others: Others) {
        if !reading.is_finite() {
            return;
        }
        if let Some(last) = self.last {
            let moved = (reading - last).abs();
            self.slot.pairs += 1.0;
            if moved == 0.0 {
                self.slot.still += 1.0;
            } else {
                self.step = self.step.min(moved);
            }
        }
        self.last = Some(reading);
        self.slot.count += 1.0;
        self.slot.sum += reading;
        match others {
            Others::Dark => {}
            Others::Known(adds) => self.slot.others += adds.max(0.0),
            Others::Unknown => self.slot.crowded = true,
        }
    }

    /// Forgets what it has gathered: its lamp has switched.
    pub(super) fn start_slot(&mut self) {
        self.slot = Slot::default();
    }

    /// Forgets the lamp, and keeps what is known of the probe.
    pub(super) fn forget_lamp(&mut self) {
        (self.level, self.crowd) = (None, None);
        (self.learnt_for, self.alone_for) = (Duration::ZERO, Duration::ZERO);
        self.start_slot();
    }

    /// The level when well, where it was learnt.
    pub(super) fn level(&self) -> Option<f64> {
        self.level
    }

    /// The same, where others may be measured against it.
    pub(super) fn trusted(&self) -> Option<f64> {
        self.level.filter(|_| self.learnt_for >= TRUSTED)
    }

    /// What stands out of the dark: its level, or that of all where it was never seen alone.
    fn lights(&self) -> Option<f64> {
        self.level.or(self.crowd)
    }

    /// Whether others were seen to light it too.
    pub(super) fn is_shared(&self) -> bool {
        self.crowd.is_some() || self.others > 0.0
    }

    /// What the last slot showed of the lamp.
    pub(super) fn seen(&self) -> Option<f64> {
        self.seen
    }

    /// Whether so little is seen, of this lamp and of others there, that it is no level to learn.
    pub(super) fn is_dim(&self) -> bool {
        // Of what the probe hardly sees without an animal nobody can tell whether one lies there.
        if self.lights().is_some_and(|level| SHADE.1 * level <= self.unseen(self.scatter())) {
            return false;
        }
        let others = self.others;
        self.seen.zip(self.level).is_some_and(|(seen, level)| seen + others < LEARN_FROM * (level + others))
    }

    /// What it reads with the lamp off.
    pub(super) fn dark_mean(&self) -> f64 {
        self.dark.0
    }

    /// Whether a living probe seldom repeats itself in the dark.
    pub(super) fn stillness_tells(&self) -> bool {
        self.still_dark.pairs >= PAIRS && self.still_dark.still < 0.9 * self.still_dark.pairs
    }

    /// What cannot be told from darkness: both ends of a difference may be rounded by half a step, the same way each time.
    fn unseen(&self, scatter: f64) -> f64 {
        if self.step.is_finite() { self.step.max(2.0 * scatter) } else { 2.0 * scatter }
    }

    /// Standard deviation of what its steps round off.
    fn rounding(&self) -> f64 {
        if self.step.is_finite() { self.step / libm::sqrt(12.0) } else { 0.0 }
    }

    /// Standard deviation of what is left of a slot of darkness.
    pub(super) fn scatter(&self) -> f64 {
        let (mean, variance, known) = self.dark;
        let noise = unclipped(mean, variance).max(1e-6) / self.slot.count.max(1.0);
        // What the steps swallow does not average out.
        let step = self.rounding() * self.rounding();
        let unknown = self.plausible.dark * self.plausible.dark / (1.0 + known);
        let ambient = self.plausible.ambient * self.level.unwrap_or(0.0);
        libm::sqrt(noise + step + unknown + ambient * ambient)
    }

    /// The same of what is left where the light of others is taken off, which may be off itself.
    fn scatter_beside(&self) -> f64 {
        let others = OTHERS_DEVIATION * self.slot.others / self.slot.count.max(1.0);
        libm::hypot(self.scatter(), others)
    }

    /// Learns from a slot with the lamp off and settled, where the probe is taken to be alive, and starts another.
    pub(super) fn learn_dark(&mut self, alive: bool) {
        let slot = std::mem::take(&mut self.slot);
        // In the light of others there is no darkness to learn.
        if !alive || slot.count == 0.0 || slot.crowded || slot.others > 0.0 {
            return;
        }
        let mean = slot.sum / slot.count;
        if self.lights().is_some_and(|level| mean - self.dark.0 > LEARN_FROM * level) {
            return;
        }
        self.still_dark.learn(&slot);
        let (before, variance, known) = self.dark;
        let weight = slot.count / (known + slot.count).min(MEMORY).max(slot.count);
        let off = mean - before;
        // A probe that had died in the shade, or a lamp that was lit by hand, is no darkness to learn at its face value.
        let usual = libm::hypot(libm::sqrt(variance.max(1e-6) / slot.count), self.rounding());
        let most = if known >= PAIRS { OUTLIER * usual } else { f64::INFINITY };
        let off = off.clamp(-most, most);
        // The first mean comes from nowhere, and its distance says nothing about noise.
        let spread = if known == 0.0 { variance } else { variance + weight * (off * off * slot.count - variance) };
        self.dark = (before + weight * off, spread, (known + slot.count).min(MEMORY));
    }

    /// Weighs a slot with the lamp off and settled: how likely it is of a living probe and of a dead one, which keeps to
    /// what it said while the lamp was lit, or reads without a sensor. None where it says nothing.
    pub(super) fn weigh_off(&self) -> Option<(f64, f64)> {
        let slot = self.slot;
        if slot.count == 0.0 || slot.crowded || slot.others > 0.0 {
            return None;
        }
        let level = self.lights()?;
        let raw = slot.sum / slot.count;
        if raw - self.dark.0 > LEARN_FROM * level {
            return slot.is_still().then(|| (self.still_lit.of(&slot), DEAD_STILL));
        }
        let alive = self.still_dark.of(&slot);
        let at_zero = raw.abs() < 2.0 * self.scatter();
        Some((alive, if at_zero { slot.of_dead() } else { alive + DIES }))
    }

    /// Weighs the slot. `warmed` is how far the lamp is warm at least, 0..=1. None where there is nothing to weigh.
    pub(super) fn weigh(&mut self, warmed: f64) -> Option<Sight> {
        let slot = self.slot;
        if slot.count == 0.0 {
            return None;
        }
        let raw = slot.sum / slot.count;
        let others = slot.others / slot.count;
        let x = raw - self.dark.0 - others;
        let scatter = self.scatter();
        let unseen = self.unseen(scatter);
        self.others = others;
        self.seen = Some(x);
        // An animal in the light of several leaves what one of them might: of them nothing is told but that all are dark.
        if slot.crowded || others > 0.0 {
            return Some(self.weigh_crowd(&slot, warmed));
        }
        let nothing = log_normal(x, 0.0, scatter);
        let (full, shaded, hidden) = match self.level {
            None => {
                let (least, most) = self.plausible.level;
                let shaded = shade(x, (least, most), warmed, scatter);
                let usual = libm::sqrt(least * most);
                let hidden = spread(x, (SHADE.0 * usual, SHADE.1 * usual), scatter, unseen).1;
                (spread(x, (least * warmed.max(SHADE.0), most), scatter, unseen).0, shaded, hidden)
            }
            Some(level) => {
                let hidden = spread(x, (SHADE.0 * level, SHADE.1 * level), scatter, unseen).1;
                (well(x, level, warmed, scatter), shade(x, (level, level), warmed, scatter), hidden)
            }
        };
        let frozen = if slot.is_still() { full.max(shaded) + libm::log(DEAD_FROZEN) } else { f64::NEG_INFINITY };
        let dead = self.dead(&slot, raw, scatter).max(frozen + slot.of_dead());
        let alive_dark = self.still_dark.of(&slot);
        let alive_lit = self.still_lit.of(&slot);
        let (full, shaded, nothing) = (full + alive_lit, shaded + alive_lit, nothing + alive_dark);
        Some(Sight { full, shaded, nothing, dead, hidden, crowd: None })
    }

    /// The same where others are lit there. Light says nothing about one lamp then, unless it is that of all; darkness that is
    /// neither the shade of them all nor their warming up says all.
    fn weigh_crowd(&self, slot: &Slot, warmed: f64) -> Sight {
        let raw = slot.sum / slot.count;
        let (x, scatter) = (raw - self.dark.0, self.scatter());
        let unseen = self.unseen(scatter);
        let (least, most) = self.plausible.level;
        let known = if slot.crowded { self.crowd } else { self.level.map(|level| level + slot.others / slot.count) };
        let lit = match known {
            Some(level) => well(x, level, warmed, scatter),
            None => spread(x, (least * warmed.max(SHADE.0), most), scatter, unseen).0,
        };
        // Of others that come up or have just gone out nobody knows how little they give: this one may be all there is.
        let alone = self.level.filter(|_| slot.crowded);
        let (least, most) = known.map_or((least, most), |level| (alone.unwrap_or(level).min(level), level));
        let hidden = spread(x, (SHADE.0 * least, SHADE.1 * most), scatter, unseen).1;
        let dim = shade(x, (least, most), warmed, scatter);
        let nothing = log_normal(x, 0.0, scatter);
        let light = lit.max(dim);
        let dead = self.dead(slot, raw, scatter) - nothing.max(light);
        let even = Sight { full: 0.0, shaded: 0.0, nothing: 0.0, dead, hidden, crowd: Some(true) };
        if light >= nothing {
            // As much as ever comes of them all.
            let all = known.is_some_and(|level| warmed >= 1.0 && x > ALL * level);
            return if all { Sight { nothing: -IS_THERE, ..even } } else { even };
        }
        Sight { full: lit - nothing, shaded: dim - nothing, crowd: Some(false), ..even }
    }

    /// A dead probe that reads what one reads without a sensor.
    fn dead(&self, slot: &Slot, raw: f64, scatter: f64) -> f64 {
        log_normal(raw, 0.0, scatter) + libm::log(DEAD_AT_ZERO) + slot.of_dead()
    }

    /// Learns the level from the slot that was weighed, where the lamp is warm and taken to be well after `lasted`, and
    /// starts another.
    pub(super) fn learn_lit(&mut self, well: bool, lasted: Duration) {
        if self.slot.count == 0.0 {
            return;
        }
        let scatter = self.scatter_beside();
        let slot = std::mem::take(&mut self.slot);
        let Some(seen) = self.seen.filter(|_| well) else { return };
        self.still_lit.learn(&slot);
        // What others light it with too may be wrong, and what more arrives may be theirs.
        let mixed = slot.others > 0.0;
        if mixed && self.alone_for >= TRUSTED {
            return;
        }
        let before = if slot.crowded { self.crowd } else { self.level };
        let Some(level) = learnt(before, seen, scatter, lasted) else { return };
        if slot.crowded {
            self.crowd = Some(level);
            return;
        }
        self.level = Some(level);
        self.learnt_for = self.learnt_for.saturating_add(lasted);
        if !mixed {
            self.alone_for = self.alone_for.saturating_add(lasted);
        }
    }
}

/// The variance of a probe's noise in the light, by what it reads in the dark: where that is near zero, a half of its noise is
/// cut off there, because no probe says less. A normal distribution about 0, 1 and 2 standard deviations that is cut off at
/// zero has a mean of 0.68, 1.25 and 2.05 of what is left of its deviation, and 2.93, 1.33 and 1.04 times that variance before
/// (moments of the rectified normal distribution; the curve through them is ours).
fn unclipped(mean: f64, variance: f64) -> f64 {
    let off = mean.max(0.0) / libm::sqrt(variance.max(1e-12));
    variance * (1.0 + 1.93 * libm::exp((0.68 - off.max(0.68)) / 0.32))
}

/// The level from now on, where `seen` is one to learn.
fn learnt(before: Option<f64>, seen: f64, scatter: f64, lasted: Duration) -> Option<f64> {
    let seen = seen.min(GLINT * before.unwrap_or(seen));
    match before {
        None => (seen > 3.0 * scatter).then_some(seen),
        Some(level) if seen < LEARN_FROM * level => None,
        Some(level) => {
            let constant = if seen > level { UP } else { DOWN };
            let weight = 1.0 - libm::exp(-lasted.as_secs_f64() / constant.as_secs_f64());
            Some(level + weight * (seen - level))
        }
    }
}

/// How likely `x` is of a lamp that is well.
fn well(x: f64, level: f64, warmed: f64, scatter: f64) -> f64 {
    if warmed < 1.0 {
        return spread(x, (level * warmed.max(LEAST_WARM), level * WARMING_MOST), scatter, 0.0).0;
    }
    let deviation = libm::sqrt(scatter * scatter + WELL_DEVIATION * WELL_DEVIATION * level * level);
    let usual = libm::log(1.0 - ELSEWHERE) + log_normal(x, level, deviation);
    let elsewhere = spread(x, (WELL_ELSEWHERE.0 * level, WELL_ELSEWHERE.1 * level), scatter, 0.0).0;
    add(usual, libm::log(ELSEWHERE) + elsewhere)
}

/// Where so large a share of the light of lamps that cannot be told apart is seen, none of them is dark; and what that weighs, a
/// logarithm of odds. Guesses: the least of two gives a fifth, and they scatter by less than the rest.
const ALL: f64 = 0.9;
const IS_THERE: f64 = 2.0;

/// However cold a lamp is, its range ends somewhere.
const LEAST_WARM: f64 = 1e-3;

/// How likely `x` is of a lamp with a level in this range past an animal. One that warms up may give so little that its
/// shade is darkness to the probe.
fn shade(x: f64, (least, most): (f64, f64), warmed: f64, scatter: f64) -> f64 {
    let warming = if warmed < 1.0 { WARMING_MOST } else { 1.0 };
    spread(x, (SHADE.0 * least * warmed.max(LEAST_WARM), SHADE.1 * most * warming), scatter, 0.0).0
}

/// Points that stand for a range.
const POINTS: u32 = 8;

/// How likely `x` is where all orders of magnitude in the range are as likely, and which share of the range is
/// below `unseen`.
fn spread(x: f64, (least, most): (f64, f64), scatter: f64, unseen: f64) -> (f64, f64) {
    let ratio = libm::exp(libm::log(most / least) / f64::from(POINTS));
    let (mut at, mut sum, mut hidden) = (least * libm::sqrt(ratio), 0.0, 0.0);
    for _ in 0..POINTS {
        // Each point is as wide as the gap to its neighbours, so that none is fallen between.
        let width = 0.4 * at * (ratio - 1.0);
        let deviation = libm::sqrt(scatter * scatter + width * width);
        let z = (x - at) / deviation;
        // Beyond that nothing is left of it.
        sum += if z * z < 1400.0 { libm::exp(-0.5 * z * z) / deviation } else { 0.0 };
        hidden += if at < unseen { 1.0 } else { 0.0 };
        at *= ratio;
    }
    (libm::log(sum / f64::from(POINTS)), hidden / f64::from(POINTS))
}

/// `ln(eᵃ + eᵇ)`.
fn add(a: f64, b: f64) -> f64 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    if low == f64::NEG_INFINITY { high } else { high + libm::log1p(libm::exp(low - high)) }
}

#[cfg(test)]
mod tests {
    use super::unclipped;

    #[test]
    fn noise_that_is_cut_off_at_zero_is_taken_for_what_it_was() {
        // By hand, of a normal distribution of deviation 1 about k, cut off at zero: mean k·Φ(k) + φ(k), second moment
        // (k² + 1)·Φ(k) + k·φ(k), with Φ and φ from tables of the normal distribution.
        for (mean, second) in [(0.3989, 0.5), (1.0833, 1.9247), (2.0085, 4.9942), (10.0, 101.0)] {
            let found = unclipped(mean, second - mean * mean);
            assert!((found - 1.0).abs() < 0.03, "{mean}: {found}");
        }
        assert_eq!(unclipped(0.0, 0.0), 0.0);
    }
}
