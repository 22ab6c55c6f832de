//! What ails a lamp that gives no sign of life: a sequential test between causes, fed with all the evidence there is.
//!
//! ```text
//! readings ──▶ eye (UV, illuminance) ──┐
//!          ──▶ warmth (temperature)    ├─ once a minute ─▶ beliefs over the causes ─▶ finding ─▶ alarm, its words
//!          ──▶ draw (power)          ──┘                        ▲                        ▲
//! told on, reported on ─────────────────────────────────────────┘      lamps on the same relay or supply
//! ```
//!
//! The causes form a Markov chain that runs on with time ([`Beliefs::pass`]): lamps die seldom and stay dead, animals lie
//! down often and get up again. Each minute with readings that can tell anything is weighed under every cause and observed. What an animal
//! leaves of the light tells it from a dark lamp; where the probe cannot see what is left, its getting up does.
//!
//! Work for a reading is a few sums; for a minute some tens of exponentials. Nothing is allocated before words are asked
//! for.

mod chain;
mod circles;
mod eye;
mod terms;
#[cfg(test)]
mod tests;
mod warmth;
mod words;

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::science::sequential::{Beliefs, Verdict, Wald};
use crate::time::Mono;
use crate::units::{Celsius, Lux, Uvi, Watts};

use chain::{
    CAUSES, COVER, DEAD, FAULTS, NO_UV, OUT, PRIOR, RELAY, SHADE, STATES, SUPPLY, Turns, WELL, bounded, by_burning,
    by_light, by_peers, by_uv,
};
pub(super) use circles::Circles;
use eye::{Eye, Plausible};
pub use eye::{EyeRecord, Others};
pub use terms::{Cause, Finding, Kit, Peers, Sign, Standing, Tally, Told};
pub use warmth::RiseRecord;
use warmth::{Draw, Warmth, lasted};
pub use words::odds_in_words;

/// Readings are gathered for this long before they are weighed; a guess.
const SLOT: Duration = Duration::from_secs(60);
/// … and for this long of a lamp that a thermometer alone tells of, once it has burnt for longer than after which warmth
/// that comes is plain; guesses.
const SLOW_SLOT: Duration = Duration::from_secs(300);
const SLOW_AFTER: Duration = warmth::PLAIN_WITHIN;
/// Readings of one board come so near to each other; a guess.
const TOGETHER: Duration = Duration::from_secs(2);
/// Beliefs run on in steps of at most this …
const STEP: Duration = Duration::from_secs(600);
/// … over at most this; a longer silence changes no more.
const LONGEST: Duration = Duration::from_secs(12 * 3600);

/// Weight of a first word of the power probe (as much as one observation may have), and of each further minute of it: natural
/// logarithms of odds. It is bounded because a meter that fails goes on failing. Guesses.
const POWER_FIRST: f64 = 6.9;
const POWER_MORE: f64 = 1.5;
/// The same for a minute of light or heat.
const LIGHT_MORE: f64 = 2.0;
const HEAT_MORE: f64 = 1.5;
/// Where a lamp has a UV probe, other evidence weighs this much less: light that is seen is light.
const BESIDE_UV: f64 = 0.35;

/// Weight of light that is back after all lamps at a probe were dark, a logarithm of odds; a guess: as much as one observation
/// may have.
const LIGHT_BACK: f64 = 6.9;

/// The probability of a false verdict and of a missed one that the test is set to.
const ERROR: f64 = 0.05;
/// A slot speaks for or against a fault where it moves the logarithm of its odds by this at least, and nothing has spoken for
/// one that is still less likely than that; guesses.
const SPEAKS: f64 = 1.0;
const UNSPOKEN: f64 = -7.0;
/// Slots must have spoken for a fault for this long …
const LEADS: Duration = Duration::from_secs(290);
/// … and for this long where a probe that repeats itself may be dead instead, and its stillness still tells: two readings of a
/// probe that speaks every five or every ten minutes; guesses.
const LEADS_IN_DOUBT: Duration = Duration::from_secs(570);
/// … and it must have led for this long where UV alone tells and an animal may leave so little that the probe cannot see it:
/// a guess between false alarms and two hours.
const LEADS_UNSEEN: Duration = Duration::from_secs(30 * 60);
/// … and for this long where others light the probe too, of which this one may give less than the probe can see past an
/// animal: a guess; the two hours are for lamps that are alone.
const LEADS_SHARED: Duration = Duration::from_secs(90 * 60);
/// … and for this long where a part of that shade is known to be less than the probe can see; a guess: most animals get up
/// within.
const LEADS_HIDDEN: Duration = Duration::from_secs(180 * 60);
/// A probe that was found dead is dead no more once it has less than this of the probability of all faults: as another cause is
/// told once it is twice as likely; a guess.
const CLEARED: f64 = 1.0 / 3.0;
/// Of the probability of all faults, the dead probe has neither less nor more than these in that doubt; guesses.
const IN_DOUBT: (f64, f64) = (0.01, 0.9);
/// Shade is told when it has lasted for this long of lit time: longer than an animal that lies there for a third of the
/// longest day, 16 h in summer (MSD Veterinary Manual, "Reptile Housing Requirements", temperate). A guess.
pub const SHADED_TOO_LONG: Duration = Duration::from_secs(6 * 3600);
/// Off for so long it was night, and an animal that slept there may lie there in the morning: shade is counted anew. A
/// guess.
const NIGHT: Duration = Duration::from_secs(4 * 3600);

/// What a low-pressure lamp gives after its first minute at least, as a share of its light when warm.
const AT_ONCE: f64 = 0.05;

/// Odds of what was found before a restart: enough to stand until something speaks against it; a guess.
const RECALLED: f64 = 50.0;

/// A meter that has read next to nothing for this long of a lamp that is seen lit is not believed; a guess.
const METER_DOUBTED: Duration = Duration::from_secs(15 * 60);

/// What was learnt of a lamp and its probes, as plain data.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DiagnosisRecord {
    /// By its UV probe; none: it has none.
    pub uv: Option<EyeRecord>,
    /// By its illuminance probe; none: it has none.
    pub light: Option<EyeRecord>,
    /// How the spot it warms grows warm.
    pub rises: Vec<RiseRecord>,
}

/// The diagnosis of one lamp.
#[derive(Clone, Debug)]
pub struct Diagnosis {
    kit: Kit,
    beliefs: Beliefs<STATES>,
    /// The probabilities by them, as of the last slot.
    shares: [f64; STATES],
    /// How far the beliefs have run on.
    at: Option<Mono>,
    slot_since: Option<Mono>,
    /// How long the slot before it was.
    slot_before: Duration,
    told: Told,
    /// Since when it is told that.
    since: Option<Mono>,
    /// When it was last on.
    went_out: Option<Mono>,
    uv: Eye,
    light: Eye,
    warmth: Warmth,
    draw: Draw,
    /// Share of all shade that the probe cannot tell from darkness.
    hidden: f64,
    /// Others were lit at the probe in the last slot.
    crowded: bool,
    /// As much light as ever comes of them all arrived in it.
    all_seen: bool,
    /// All were dark there when a fault began to lead.
    all_dark: bool,
    /// By its power or its light it burns, as of the last slot that told.
    burns: Option<bool>,
    /// When it began to draw its power again after it did not, although it was told on all along.
    struck: Option<Mono>,
    /// It has been seen lit since it was last told on.
    was_lit: bool,
    /// Since when slots have spoken for a fault, and since when faults have led together.
    dark_since: Option<Mono>,
    fault_since: Option<Mono>,
    /// For how long shade has led, in lit time.
    shaded: Duration,
    /// For how long its meter has read next to nothing while it was seen lit.
    contradicted: Duration,
    standing: Verdict,
    /// What was found is that its probe is dead.
    blamed_probe: bool,
    /// Bounds on the logarithm of the odds of a fault.
    bounds: Option<Wald>,
}

impl Diagnosis {
    /// Nothing has been seen of the lamp yet. New wiring is more often wrong than old.
    pub fn new(kit: Kit) -> Diagnosis {
        let mut prior = PRIOR;
        if kit.uv.is_none() {
            prior[NO_UV] = 0.0;
        }
        Diagnosis {
            kit,
            beliefs: Beliefs::new(prior),
            shares: Beliefs::new(prior).probabilities(),
            at: None,
            slot_since: None,
            slot_before: Duration::ZERO,
            told: Told::Off,
            since: None,
            went_out: None,
            uv: Eye::new(Plausible::UV),
            light: Eye::new(Plausible::LIGHT),
            warmth: Warmth::new(),
            draw: Draw::default(),
            hidden: 0.0,
            crowded: false,
            all_seen: false,
            all_dark: false,
            burns: None,
            struck: None,
            was_lit: false,
            dark_since: None,
            fault_since: None,
            shaded: Duration::ZERO,
            contradicted: Duration::ZERO,
            standing: Verdict::Open,
            blamed_probe: false,
            bounds: Wald::new(ERROR, ERROR),
        }
    }

    /// The lamp was told to suffer from this when the daemon ended: until the evidence speaks against it, it does.
    pub fn recall(&mut self, cause: Cause) {
        let mut prior = self.beliefs.probabilities();
        let share: f64 = prior.iter().zip(CAUSES).filter(|(_, of)| *of == cause).map(|(p, _)| p).sum();
        if cause == Cause::Well || !(share > 0.0) {
            return;
        }
        for (p, _) in prior.iter_mut().zip(CAUSES).filter(|(_, of)| *of == cause) {
            *p *= RECALLED * (1.0 - share) / share;
        }
        self.beliefs = Beliefs::new(prior);
        self.shares = self.beliefs.probabilities();
        self.standing = Verdict::Second;
        self.blamed_probe = cause == Cause::ProbeDead;
    }

    /// What was learnt of the lamp and its probes, for the file: without it the first hours after a restart know neither how
    /// bright the lamp is nor how dark the dark.
    pub fn to_record(&self) -> DiagnosisRecord {
        DiagnosisRecord {
            uv: self.kit.uv.is_some().then(|| self.uv.to_record()),
            light: self.kit.light.is_some().then(|| self.light.to_record()),
            rises: self.warmth.to_record(),
        }
    }

    /// Takes up what was learnt before a restart.
    pub fn restore(&mut self, record: &DiagnosisRecord) {
        if let Some(uv) = record.uv.as_ref().filter(|_| self.kit.uv.is_some()) {
            self.uv.restore(uv);
        }
        if let Some(light) = record.light.as_ref().filter(|_| self.kit.light.is_some()) {
            self.light.restore(light);
        }
        self.warmth.restore(&record.rises);
    }

    /// What there is to know it by.
    pub fn kit(&self) -> &Kit {
        &self.kit
    }

    /// The lamp is told this from `now` on. Whether that is news.
    pub fn told(&mut self, now: Mono, told: Told) -> bool {
        if told == self.told && self.since.is_some() {
            return false;
        }
        if self.told != Told::Off && told == Told::Off {
            self.went_out = Some(now);
        }
        if told != Told::Off && self.went_out.is_some_and(|out| now.since(out) >= NIGHT) {
            self.shaded = Duration::ZERO;
        }
        self.told = told;
        self.since = Some(now);
        self.slot_since = Some(now);
        self.slot_before = Duration::ZERO;
        self.uv.start_slot();
        self.light.start_slot();
        self.warmth.switched(told == Told::Full);
        self.draw.switched();
        self.burns = None;
        self.struck = None;
        self.was_lit = false;
        self.all_dark = false;
        (self.dark_since, self.fault_since) = (None, None);
        true
    }

    /// What it adds at its UV probe when it is well, where others may be measured against that.
    pub fn uv_level(&self) -> Option<f64> {
        self.uv.trusted()
    }

    /// The same at its illuminance probe.
    pub fn light_level(&self) -> Option<f64> {
        self.light.trusted()
    }

    /// Whether it has been off for long enough to give nothing any more. Twice the warm-up is six time constants of a
    /// lamp that settles to 95 % in one.
    pub fn is_settled_off(&self, now: Mono) -> bool {
        self.told == Told::Off && lasted(now, self.since) >= 2 * self.kit.warm_up + SLOT
    }

    /// Whether it has been fully on for long enough to give all it gives.
    pub fn is_settled_on(&self, now: Mono) -> bool {
        self.told == Told::Full && self.warmed(now).is_some_and(|warmed| warmed >= 1.0)
    }

    /// A new lamp was fitted.
    pub fn changed(&mut self) {
        let kit = self.kit.clone();
        let (told, since) = (self.told, self.since);
        let (mut uv, mut light, warmth) = (self.uv.clone(), self.light.clone(), self.warmth.clone());
        uv.forget_lamp();
        light.forget_lamp();
        *self = Diagnosis { told, since, uv, light, warmth, ..Diagnosis::new(kit) };
        self.warmth.forget_lamp();
    }

    /// A reading of the UV probe it lights, while others light that probe so. Whether anything was concluded.
    pub fn uv(&mut self, now: Mono, reading: Uvi, others: Others) -> bool {
        self.uv.reading(reading.0, others);
        self.weigh(now)
    }

    /// The same of an illuminance probe.
    pub fn light(&mut self, now: Mono, reading: Lux, others: Others) -> bool {
        self.light.reading(reading.0, others);
        self.joins(now) || self.weigh(now)
    }

    /// A reading at the spot it warms. Whether anything was concluded.
    pub fn temperature(&mut self, now: Mono, reading: Celsius) -> bool {
        self.warmth.reading(reading);
        self.weigh(now)
    }

    /// The highest and the last of several readings there, all within what is [gathered](Diagnosis::gathers_until).
    pub fn gather(&mut self, highest: Celsius, last: Celsius) {
        self.warmth.reading(highest);
        self.warmth.reading(last);
    }

    /// A reading of its own power probe. Whether anything was concluded.
    pub fn power(&mut self, now: Mono, reading: Watts) -> bool {
        self.draw.reading(reading.0);
        self.joins(now) || self.weigh(now)
    }

    /// Until when readings are gathered and nothing is concluded from them; none where that is open.
    pub fn gathers_until(&self) -> Option<Mono> {
        let since = self.since.and(self.slot_since)?;
        Some(self.slot(since).map_or(Mono::END, |slot| since.after(slot)))
    }

    /// How long the slot that began then lasts; none where nothing there is could tell anything: a lamp that is off warms
    /// no spot.
    fn slot(&self, began: Mono) -> Option<Duration> {
        if self.eyed() || self.kit.rated.is_some() {
            return Some(SLOT);
        }
        let slow = || lasted(began, self.since) >= SLOW_AFTER;
        (self.told == Told::Full).then(|| if slow() { SLOW_SLOT } else { SLOT })
    }

    /// Weighs light or power that was read together with what has just ended a long slot: with the next one it would say how
    /// it was a whole slot before. Whether it did.
    fn joins(&mut self, now: Mono) -> bool {
        let together = self.slot_since.is_some_and(|since| now.since(since) <= TOGETHER);
        if !together || self.slot_before < 2 * SLOT || self.told != Told::Full {
            return false;
        }
        // What the temperature says it says with its slot: readings of that may wait.
        let Some(warmed) = self.warmed(now) else { return false };
        let (before, span) = (self.beliefs, self.slot_before);
        self.weigh_power(now, minutes_of(span));
        self.weigh_light(warmed, span);
        self.shares = self.beliefs.probabilities();
        let alive = fault_share(&self.shares) < 0.5;
        self.light.learn_lit(warmed >= 1.0 && alive, span);
        self.conclude(now, Duration::ZERO, &before);
        true
    }

    /// Weighs what was gathered, once a slot is full.
    fn weigh(&mut self, now: Mono) -> bool {
        let since = *self.slot_since.get_or_insert(now);
        self.since.get_or_insert(now);
        let lasted_for = now.since(since);
        if self.slot(since).is_none_or(|slot| lasted_for < slot) {
            return false;
        }
        (self.slot_since, self.slot_before) = (Some(now), lasted_for);
        self.run_on(now);
        let (before, mut warmed) = (self.beliefs, None);
        match self.told {
            Told::Off => self.weigh_off(now),
            Told::Partly => {
                self.uv.start_slot();
                self.light.start_slot();
            }
            Told::Full => warmed = self.weigh_on(now, lasted_for),
        }
        self.shares = self.beliefs.probabilities();
        if let Some(warmed) = warmed {
            self.learn_on(now, lasted_for, warmed);
        }
        self.conclude(now, lasted_for, &before);
        true
    }

    /// Lets the beliefs run on to `now`.
    fn run_on(&mut self, now: Mono) {
        let mut left = now.since(self.at.unwrap_or(now)).min(LONGEST);
        self.at = Some(now);
        let turns = |span| Turns::within(span, self.eyed(), self.kit.uv.is_some(), self.hidden);
        let mut steps = 0;
        while left > STEP {
            (steps, left) = (steps + 1, left - STEP);
        }
        let (whole, rest) = ((steps > 0).then(|| turns(STEP)), (!left.is_zero()).then(|| turns(left)));
        if let Some(whole) = whole {
            (0..steps).for_each(|_| self.beliefs.pass(whole.all()));
        }
        if let Some(rest) = rest {
            self.beliefs.pass(rest.all());
        }
    }

    /// Whether a probe sees its light.
    fn eyed(&self) -> bool {
        self.kit.uv.is_some() || self.kit.light.is_some()
    }

    /// A slot with the lamp off: what the probes read then is learnt, and a probe that keeps to what it read while the
    /// lamp was lit is found.
    fn weigh_off(&mut self, now: Mono) {
        if !self.is_settled_off(now) {
            self.uv.start_slot();
            self.light.start_slot();
            return;
        }
        if !self.eyed() && self.draw.moved() {
            let mut logs = [0.0; STATES];
            logs[DEAD] = -POWER_FIRST;
            self.beliefs.observe(logs);
        }
        // With several to choose from, the probe that is dead is the one whose darkness tells.
        let eye = if self.kit.uv.is_some() { &self.uv } else { &self.light };
        if let Some((alive, dead)) = eye.weigh_off() {
            let mut logs = [alive; STATES];
            logs[DEAD] = dead;
            self.beliefs.observe(logs);
        }
        let alive = self.beliefs.probabilities()[DEAD] < 0.1;
        self.uv.learn_dark(alive);
        self.light.learn_dark(alive);
    }

    /// How far a lamp that is well is warm at least, 0..=1; none while it may still wait to strike. The square of the
    /// time is a guess that lies well below every lamp that comes up evenly; a low-pressure lamp gives a part of its light
    /// from its first minute on (common practice, no source; how much is a guess).
    fn warmed(&self, now: Mono) -> Option<f64> {
        let lit = lasted(now, self.since);
        let restrike = self.kit.fitting.traits().restrike.value;
        let cooled = self.since.zip(self.went_out).map(|(since, out)| since.since(out));
        // Where nobody saw it go out it may be hot.
        let waits = cooled.map_or(restrike, |cooled| restrike.saturating_sub(cooled));
        let burnt = match self.struck {
            Some(struck) => now.since(struck),
            None => lit.checked_sub(waits)?,
        };
        if self.kit.warm_up.is_zero() {
            return Some(1.0);
        }
        let share = burnt.as_secs_f64() / self.kit.warm_up.as_secs_f64();
        let at_once = if restrike.is_zero() && burnt >= SLOT { AT_ONCE } else { 0.0 };
        Some(if share >= 1.0 { 1.0 } else { (0.5 * share * share).max(at_once) })
    }

    /// A slot with the lamp fully on; how far it is warm at least, where it is not waiting to strike.
    fn weigh_on(&mut self, now: Mono, span: Duration) -> Option<f64> {
        let Some(warmed) = self.warmed(now) else {
            self.uv.start_slot();
            self.light.start_slot();
            return None;
        };
        let beside = if self.kit.uv.is_some() { BESIDE_UV } else { 1.0 };
        let minutes = minutes_of(span);
        self.weigh_power(now, minutes);
        self.weigh_light(warmed, span);
        if let Some(warms) = self.warmth.weigh(lasted(now, self.since)) {
            self.beliefs.observe(by_burning(warms, HEAT_MORE * beside * minutes));
        }
        if let Some(mut sight) = self.uv.weigh(warmed).filter(|_| self.kit.uv.is_some()) {
            self.hidden = sight.hidden;
            self.crowded = sight.crowd.is_some();
            self.all_seen = sight.crowd == Some(true) && sight.nothing < 0.0;
            // What made all of them dark is over when light is back, and no fault of this one alone.
            match sight.crowd {
                Some(false) => self.all_dark |= self.fault_since.is_none(),
                Some(true) if self.all_dark && self.fault_share() > ERROR => sight.nothing -= LIGHT_BACK,
                Some(true) => self.all_dark = false,
                None => {}
            }
            self.beliefs.observe(by_uv(&sight));
        }
        Some(warmed)
    }

    /// Learns from a slot with the lamp fully on, as far as it is taken to be well.
    fn learn_on(&mut self, now: Mono, span: Duration, warmed: f64) {
        let (of, lit) = (self.shares, lasted(now, self.since));
        let alive = fault_share(&of) < 0.5;
        self.was_lit |= self.burns == Some(true) || (alive && self.uv_is_seen());
        self.uv.learn_lit(warmed >= 1.0 && alive, span);
        self.light.learn_lit(warmed >= 1.0 && alive, span);
        if warmed >= 1.0 && self.warmth.may_learn(lit) && libm::log(of[WELL]) - libm::log(1.0 - of[WELL]) > -1.0 {
            self.warmth.learn(lit);
        }
    }

    /// Its light, where that has been read since it was last weighed.
    fn weigh_light(&mut self, warmed: f64, span: Duration) {
        let beside = if self.kit.uv.is_some() { BESIDE_UV } else { 1.0 };
        // Whether its light arrives there at all must have been seen.
        if let Some(sight) = self.light.weigh(warmed).filter(|_| self.light.level().is_some()) {
            let bound = if self.kit.uv.is_some() { LIGHT_MORE * beside } else { LIGHT_MORE };
            if sight.full - sight.nothing > 1.0 && warmed >= 1.0 {
                self.burns = Some(true);
            }
            let logs = by_light(&sight, self.kit.uv.is_some());
            self.beliefs.observe(bounded(logs, bound * minutes_of(span)));
            if self.kit.uv.is_none() {
                self.hidden = sight.hidden;
            }
        }
    }

    fn weigh_power(&mut self, now: Mono, minutes: f64) {
        // Among others no light tells of this one, but where there is that of all.
        let unseen = self.kit.uv.is_none() || self.crowded && !self.all_seen;
        let beside = if unseen { 1.0 } else { BESIDE_UV };
        let Some(Watts(rated)) = self.kit.rated else { return };
        let Some((draws, news, moved)) = self.draw.weigh(rated) else { return };
        if draws && self.burns == Some(false) {
            self.struck = Some(now);
            (self.dark_since, self.fault_since) = (None, None);
        }
        self.burns = Some(draws);
        let weight = if news { POWER_FIRST } else { POWER_MORE * beside * minutes };
        let mut logs = by_burning(draws, weight);
        // A meter alone may be dead itself.
        if !self.eyed() {
            logs[DEAD] = if moved { -POWER_FIRST } else { 0.0 };
        }
        self.beliefs.observe(logs);
    }

    /// The probability of all faults together, without what other lamps say.
    fn fault_share(&self) -> f64 {
        fault_share(&self.beliefs.probabilities())
    }

    /// Notes how long what leads has led; `before`: what was believed before this slot was weighed.
    fn conclude(&mut self, now: Mono, span: Duration, before: &Beliefs<STATES>) {
        let of = self.shares;
        let fault = fault_share(&of);
        let shaded = of[SHADE] + of[COVER];
        let odds = log_odds(fault);
        if self.told == Told::Full {
            let before = || log_odds(fault_share(&before.probabilities()));
            if odds < UNSPOKEN || odds < before() - SPEAKS {
                self.dark_since = None;
            } else if odds > before() + SPEAKS {
                self.dark_since.get_or_insert(now);
            }
            if self.draw.says() == Some(false) && self.kit.uv.is_some() && of[WELL] > 0.9 && self.uv_is_seen() {
                self.contradicted = self.contradicted.saturating_add(span);
            } else if self.draw.says() == Some(true) || fault > 0.5 {
                self.contradicted = Duration::ZERO;
            }
            if fault < 0.5 {
                self.fault_since = None;
            } else if self.fault_since.is_none() {
                self.fault_since = Some(now);
            }
            let eye = if self.kit.uv.is_some() { &self.uv } else { &self.light };
            if shaded > 0.5 && eye.is_dim() {
                self.shaded = self.shaded.saturating_add(span);
            } else if of[WELL] > 0.9 {
                self.shaded = Duration::ZERO;
            }
        }
        match self.bounds.map_or(Verdict::Open, |bounds| bounds.verdict(odds)) {
            Verdict::Second if self.standing == Verdict::Second || self.has_led(now) => self.standing = Verdict::Second,
            Verdict::First => self.standing = Verdict::First,
            _ => {}
        }
        self.clear_probe(now, of[DEAD] / fault);
    }

    /// Reopens what was found of a dead probe that is one no more; `dead`: how likely it is, where something is wrong. It may
    /// have been mended as well as its lamp may be dark: what is left of the odds speaks of darkness that it never saw.
    fn clear_probe(&mut self, now: Mono, dead: f64) {
        if self.standing != Verdict::Second {
            self.blamed_probe = false;
        } else if dead > 0.5 {
            self.blamed_probe = true;
        } else if self.blamed_probe && dead < CLEARED {
            (self.standing, self.blamed_probe) = (Verdict::Open, false);
            let lit = (self.told == Told::Full).then_some(now);
            (self.dark_since, self.fault_since) = (lit, lit);
        }
    }

    /// Whether faults have led for long enough. A lamp that must cool may have been put out by a dip of the mains, and
    /// strikes by itself.
    fn has_led(&self, now: Mono) -> bool {
        let traits = self.kit.fitting.traits();
        let cold = self.since.zip(self.went_out).is_some_and(|(since, out)| since.since(out) >= traits.restrike.value);
        let may_be_hot = self.was_lit || !cold;
        let may_wait = !traits.restrike.value.is_zero() && may_be_hot && self.burns != Some(true);
        let dead = self.beliefs.probabilities()[DEAD] / self.fault_share();
        let doubted = self.kit.uv.is_some() && self.uv.stillness_tells() && dead > IN_DOUBT.0 && dead < IN_DOUBT.1;
        // That it burns says nothing about UV that hides in what an animal leaves.
        let unseen = (self.hidden > 0.0 || self.crowded) && self.burns != Some(false);
        // What two probes say that have nothing in common is no slip of one.
        let agree = self.burns == Some(false) && self.kit.uv.is_some() && !self.crowded && !self.uv_is_seen();
        let leads = self.fault_since;
        let spoken = leads.and(self.dark_since.or(leads));
        let (since, enough) = match (may_wait, doubted) {
            _ if unseen && self.uv.is_shared() && self.hidden > 0.0 => (leads, LEADS_HIDDEN),
            _ if unseen && self.uv.is_shared() => (leads, LEADS_SHARED),
            _ if unseen => (leads, LEADS_UNSEEN),
            (false, _) if agree => (spoken, Duration::ZERO),
            (true, _) => (leads, traits.restrike.value + self.kit.warm_up / 3),
            (false, true) => (spoken, LEADS_IN_DOUBT),
            (false, false) => (spoken, LEADS),
        };
        self.told == Told::Full && since.is_some_and(|since| now.since(since) >= enough)
    }

    /// Whether its power probe reads next to nothing although the lamp is seen lit.
    pub fn doubts_meter(&self) -> bool {
        self.contradicted >= METER_DOUBTED
    }

    /// How it counts in the tally of others.
    pub fn sign(&self) -> Sign {
        if self.told != Told::Full || self.at.is_none() {
            return Sign::None;
        }
        let of = self.shares;
        let dark = of[OUT] + of[RELAY] + of[SUPPLY];
        if dark > 0.5 {
            Sign::Dark
        } else if dark < 0.02 && (self.burns == Some(true) || of[WELL] > 0.9) && self.lit_is_seen() {
            Sign::Lit
        } else {
            Sign::None
        }
    }

    /// Whether anything at all speaks for its being lit.
    fn lit_is_seen(&self) -> bool {
        self.burns == Some(true) || self.uv_is_seen()
    }

    /// Whether its last slot of UV stands out of the dark.
    fn uv_is_seen(&self) -> bool {
        self.uv.seen().is_some_and(|seen| seen > 3.0 * self.uv.scatter())
    }

    /// Whether it is told on at its full level, so that news of it is news.
    pub fn is_told_full(&self) -> bool {
        self.told == Told::Full
    }

    /// What the evidence has come to.
    pub fn standing(&self, peers: &Peers) -> Standing {
        match self.standing {
            Verdict::Open | Verdict::First if self.shaded >= SHADED_TOO_LONG => {
                Standing::Fault(finding(&self.posterior(peers), true))
            }
            Verdict::Open => Standing::Open,
            Verdict::First => Standing::Well,
            Verdict::Second => Standing::Fault(finding(&self.posterior(peers), false)),
        }
    }

    /// The probability of each state, with what other lamps say.
    fn posterior(&self, peers: &Peers) -> [f64; STATES] {
        let mut beliefs = self.beliefs;
        beliefs.observe(by_peers(peers));
        beliefs.probabilities()
    }
}

/// For how many minutes of evidence a slot counts.
fn minutes_of(span: Duration) -> f64 {
    (span.as_secs_f64() / SLOT.as_secs_f64()).min(5.0)
}

/// Logarithm of the odds of what has this probability.
fn log_odds(share: f64) -> f64 {
    libm::log(share.max(1e-12) / (1.0 - share).max(1e-12))
}

/// The probability of all faults together.
fn fault_share(of: &[f64; STATES]) -> f64 {
    FAULTS.iter().map(|&(fault, _)| of[fault]).sum()
}

/// The most likely cause of `of`; shade, where it is told to be that.
fn finding(of: &[f64; STATES], shade: bool) -> Finding {
    let share = |cause: Cause| -> f64 { of.iter().zip(CAUSES).filter(|(_, of)| *of == cause).map(|(p, _)| p).sum() };
    const TOLD: [Cause; 6] =
        [Cause::LampDark, Cause::NoUv, Cause::ProbeDead, Cause::RelayOpen, Cause::SupplyDead, Cause::Shaded];
    let (mut first, mut second) = (if shade { Cause::Shaded } else { Cause::LampDark }, None);
    if !shade {
        for cause in TOLD.into_iter().take(5) {
            if share(cause) > share(first) {
                first = cause;
            }
        }
    }
    let is_pair = |cause: Cause| matches!(cause, Cause::LampDark | Cause::NoUv);
    for cause in TOLD.into_iter().filter(|&cause| cause != first && !(is_pair(cause) && is_pair(first))) {
        if share(cause) >= 0.05 && second.is_none_or(|known| share(cause) > share(known)) {
            second = Some(cause);
        }
    }
    // Both are a dark lamp to the probe, whichever leads.
    let own = if is_pair(first) { share(Cause::LampDark) + share(Cause::NoUv) } else { share(first) };
    let own = own.clamp(1e-12, 1.0 - 1e-12);
    Finding { cause: first, log_odds: libm::log(own / (1.0 - own)), second }
}
