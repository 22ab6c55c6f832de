//! Whether the spot a lamp warms grows warm, measured against what it did on earlier days.

use std::time::Duration;

use crate::time::Mono;
use crate::units::{Celsius, Kelvin};

/// The rise is compared this long after the lamp came on fully; guesses, the first of them past the dead time of a
/// thermometer.
const MARKS: [Duration; 4] =
    [Duration::from_secs(300), Duration::from_secs(600), Duration::from_secs(1200), Duration::from_secs(2400)];
/// A rise counts as learnt after this many times, and where it is at least so large; guesses.
const TIMES: u32 = 2;
const SMALLEST: Kelvin = Kelvin(1.0);
/// Share of the learnt rise below which no heat arrives, and above which it does; between, nothing is said. Guesses.
const COLD: f64 = 0.1;
const WARM: f64 = 0.4;
/// Only where it rises by so much when well is a rise that is missing no draught; a guess.
const FROM_COLD: Kelvin = Kelvin(3.0);
/// A rise like this within so short a time is the lamp's, whatever it rose by before: a spot without a lamp drifts slower.
/// Guesses.
const PLAIN: Kelvin = Kelvin(1.0);
pub(super) const PLAIN_WITHIN: Duration = Duration::from_secs(15 * 60);
/// Weight of a new rise in the learnt one: a guess.
const WEIGHT: f64 = 0.2;

/// It is falling once it is so far below the most it was; a guess.
const FALLS: Kelvin = Kelvin(1.0);
/// Rises that began so near to each other are alike, and so many kinds are kept; guesses.
const ALIKE: Kelvin = Kelvin(1.5);
const CLASSES: usize = 3;

/// Whether heat arrives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rise {
    /// How far it rose.
    pub(super) rose: Kelvin,
    /// How far it rises when the lamp is well.
    pub(super) usual: Kelvin,
    /// How long after the lamp came on that is.
    pub(super) after: Duration,
}

impl Rise {
    /// Heat arrives, or none does; none where it may be either.
    pub(super) fn warms(&self) -> Option<bool> {
        let share = self.rose.0 / self.usual.0;
        // From just below a thermostat's target little is gained, and a door that opens takes it.
        if share < COLD && self.usual >= FROM_COLD {
            Some(false)
        } else if share > WARM {
            Some(true)
        } else {
            None
        }
    }
}

/// Rises that began at about the same temperature: from cold in the morning, or from just below a thermostat's target.
/// They differ, and one is no measure of the other.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Class {
    base: Celsius,
    /// How far it has risen at each mark when the lamp was well, and how often that was learnt.
    usual: [(f64, u32); MARKS.len()],
}

/// A class for the file: where its rises began, °C, and how far they went at each mark, K, with how often that was learnt.
pub type RiseRecord = (f64, [(f64, u32); MARKS.len()]);

/// The temperature at the spot a lamp warms.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Warmth {
    last: Option<Celsius>,
    /// What it was when the lamp came on fully.
    base: Option<Celsius>,
    /// The most it has been since then.
    peak: Celsius,
    classes: [Option<Class>; CLASSES],
    /// Marks of this time on that have been passed.
    passed: usize,
    fresh: bool,
}

impl Warmth {
    pub(super) fn new() -> Warmth {
        Warmth {
            last: None,
            base: None,
            peak: Celsius(f64::NEG_INFINITY),
            classes: [None; CLASSES],
            passed: 0,
            fresh: false,
        }
    }

    /// What must survive a restart.
    pub(super) fn to_record(&self) -> Vec<RiseRecord> {
        self.classes.iter().flatten().map(|class| (class.base.0, class.usual)).collect()
    }

    /// Takes up a record; what of it is no number is left out.
    pub(super) fn restore(&mut self, record: &[RiseRecord]) {
        let is_sound = |(base, usual): &&RiseRecord| base.is_finite() && usual.iter().all(|(rise, _)| rise.is_finite());
        let classes = record.iter().filter(is_sound).map(|&(base, usual)| Class { base: Celsius(base), usual });
        self.classes.iter_mut().zip(classes).for_each(|(own, class)| *own = Some(class));
    }

    pub(super) fn reading(&mut self, reading: Celsius) {
        if reading.0.is_finite() {
            self.last = Some(reading);
            self.peak = Celsius(self.peak.0.max(reading.0));
            self.fresh = true;
        }
    }

    /// The lamp has come on fully, or gone.
    pub(super) fn switched(&mut self, on: bool) {
        self.base = self.last.filter(|_| on);
        self.peak = Celsius(f64::NEG_INFINITY);
        self.passed = 0;
        self.fresh = false;
    }

    /// Whether heat arrives `lit` after the lamp came on, where it has been read since it was last asked.
    pub(super) fn weigh(&mut self, lit: Duration) -> Option<bool> {
        if !std::mem::take(&mut self.fresh) {
            return None;
        }
        let plain = lit <= PLAIN_WITHIN && self.last?.0 - self.base?.0 >= PLAIN.0;
        let warms = self.rise(lit).and_then(|rise| rise.warms()).or(plain.then_some(true));
        // What it has gained says nothing of a lamp under which it is falling.
        warms.filter(|&warms| !warms || self.last.is_some_and(|last| last.0 > self.peak.0 - FALLS.0))
    }

    /// How far it has risen `lit` after the lamp came on, beside what it rises by when that is well.
    pub(super) fn rise(&self, lit: Duration) -> Option<Rise> {
        let base = self.base?;
        let rose = Kelvin(self.last?.0 - base.0);
        let class = self.classes.iter().flatten().find(|class| is_near(class.base, base))?;
        let known =
            |&(mark, &(usual, times)): &(Duration, &(f64, u32))| lit >= mark && times >= TIMES && usual >= SMALLEST.0;
        let (after, &(usual, _)) = MARKS.into_iter().zip(&class.usual).rfind(known)?;
        Some(Rise { rose, usual: Kelvin(usual), after })
    }

    /// Whether a mark is passed by now of which it has not [learnt](Warmth::learn).
    pub(super) fn may_learn(&self, lit: Duration) -> bool {
        MARKS.get(self.passed).is_some_and(|&mark| lit >= mark)
    }

    /// Learns how far it rose by the marks that are passed by now, with the lamp taken to be well.
    pub(super) fn learn(&mut self, lit: Duration) {
        let (Some(last), Some(base)) = (self.last, self.base) else { return };
        while self.may_learn(lit) {
            let near = self.classes.iter().position(|class| class.is_some_and(|class| is_near(class.base, base)));
            let Some(at) = near.or_else(|| self.classes.iter().position(Option::is_none)) else { return };
            let class = self.classes[at].get_or_insert(Class { base, usual: [(0.0, 0); MARKS.len()] });
            // A season moves the morning's temperature.
            class.base.0 += WEIGHT * (base.0 - class.base.0);
            let (usual, times) = &mut class.usual[self.passed];
            let weight = WEIGHT.max(1.0 / (f64::from(*times) + 1.0));
            *usual += weight * (last.0 - base.0 - *usual);
            *times = times.saturating_add(1);
            self.passed += 1;
        }
    }

    /// Forgets the lamp.
    pub(super) fn forget_lamp(&mut self) {
        self.classes = [None; CLASSES];
    }
}

fn is_near(a: Celsius, b: Celsius) -> bool {
    (a.0 - b.0).abs() <= ALIKE.0
}

/// What a lamp's own power probe says.
#[derive(Clone, Debug, PartialEq, Default)]
pub(super) struct Draw {
    count: f64,
    sum: f64,
    last: Option<f64>,
    /// Two neighbouring readings differed.
    moved: bool,
    /// What the slots before this one said.
    said: Option<bool>,
    seen: Option<f64>,
}

/// Less than this share of the rated power is next to nothing, and more than this is the lamp; guesses.
const IDLE: f64 = 0.1;
const DRAWS: f64 = 0.3;

impl Draw {
    pub(super) fn reading(&mut self, watts: f64) {
        if watts.is_finite() {
            self.moved |= self.last.is_some_and(|last| last != watts);
            self.last = Some(watts);
            self.count += 1.0;
            self.sum += watts;
        }
    }

    /// The lamp has switched: what was read before says nothing of it, but that the meter moves since.
    pub(super) fn switched(&mut self) {
        *self = Draw { last: self.last, moved: self.moved, ..Draw::default() };
    }

    /// Whether it has moved since it was last asked.
    pub(super) fn moved(&mut self) -> bool {
        (self.count, self.sum) = (0.0, 0.0);
        std::mem::take(&mut self.moved)
    }

    /// Whether it drew its power when it last told.
    pub(super) fn says(&self) -> Option<bool> {
        self.said
    }

    /// The mean draw of the last slot that was weighed, W.
    pub(super) fn seen(&self) -> Option<f64> {
        self.seen
    }

    /// Whether it draws its power, whether that is news, and whether the meter moves; none where it says nothing.
    pub(super) fn weigh(&mut self, rated: f64) -> Option<(bool, bool, bool)> {
        if self.count == 0.0 {
            return None;
        }
        let mean = self.sum / self.count;
        let moved = std::mem::take(&mut self.moved);
        (self.count, self.sum) = (0.0, 0.0);
        self.seen = Some(mean);
        let draws = if mean < IDLE * rated {
            false
        } else if mean > DRAWS * rated {
            true
        } else {
            return None;
        };
        let news = self.said != Some(draws);
        self.said = Some(draws);
        Some((draws, news, moved))
    }
}

/// How long the lamp has been in its state.
pub(super) fn lasted(now: Mono, since: Option<Mono>) -> Duration {
    since.map_or(Duration::ZERO, |since| now.since(since))
}
