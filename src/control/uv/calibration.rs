//! The gain that meter readings give a UV probe, how far it is to be trusted, and its history.
//!
//! A gain belongs to the lamps fitted: a lamp change voids it, and the series is relative only until the next meter
//! reading. The guard alone goes on with the last gain there was, since all it does is take UV away.

use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

use chrono::{DateTime, Utc};

use crate::science::calibration::{self, Gain, METER, PLACING, Pairing, Relative};
use crate::science::robust::{deviation, median};
use crate::time::Mono;
use crate::units::Uvi;

use crate::control::record::{PairingRecord, PastGain, SeriesRecord};

/// A meter reading is set against the raw readings from this long before it …
const BEFORE: Duration = Duration::from_secs(10 * 60);
/// … to this long after. The hand that holds the meter shades the probe for a minute or two; both guesses.
const AFTER: Duration = Duration::from_secs(5 * 60);
/// Fewer warm readings than this around a meter reading tell nothing; a guess.
const FEWEST: usize = 3;
/// A probe that shows less than this share of what it has shown of late is in the shade, and no reading beside it is paired;
/// a guess.
const IN_SHADE: f64 = 0.8;
/// So many raw readings are kept for pairing; where a probe speaks more often, the older ones go.
const KEPT: usize = 96;
/// So many pairings of one set of lamps count, the newest.
const PAIRINGS: usize = 12;
/// So many earlier gains are kept.
const HISTORY: usize = 24;
/// The uncertainty of a reading that its keeper calls a guess: a guess itself.
const GUESS: Relative = Relative(0.3);
/// A meter reading this many times more or less than the gain so far would give, or before there is any, than the probe says
/// itself, is not believed alone: a slip of the pen moves a decimal point. A guess.
const ODD: f64 = 2.5;
/// One in this range is a decimal point off, whatever placing the meter and another lamp add to it; a guess.
const SLIP: std::ops::RangeInclusive<f64> = 6.0..=15.0;
/// Two odd readings this near to each other are no slip; a guess, about three times what placing the meter costs.
const BORNE_OUT: f64 = 0.3;
/// From so many standard deviations on, a new gain is a jump worth telling; a guess.
const JUMP: f64 = 3.0;

impl Footing {
    /// The words in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Footing::AsRead => "as read",
            Footing::Calibrated => "calibrated",
            Footing::RelativeOnly => "relative only",
        }
    }
}

/// How far a series' numbers go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Footing {
    /// Never calibrated: the probe's own numbers are taken for UV indices.
    AsRead,
    /// By meter readings under the lamps that are fitted.
    Calibrated,
    /// A lamp was changed since the last meter reading: rises and falls count, the level does not.
    RelativeOnly,
}

/// Something a person should hear about the gain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Told {
    /// A reading was paired.
    Paired {
        /// What the meter showed.
        uvi: Uvi,
        /// The middle of what the probe gave around then, less its background, in its own unit.
        raw: f64,
    },
    /// It was not: the lamps there were not all on and warm around it, or the probe said too little.
    NotPaired {
        /// What the meter showed.
        uvi: Uvi,
    },
    /// It was not: the probe showed less than it has of late, as one does that something lies on.
    InShade {
        /// What the meter showed.
        uvi: Uvi,
        /// What the probe gave, as a share of what it has given of late.
        share: f64,
    },
    /// It is this many times what was expected, and waits for another that bears it out.
    Odd {
        /// What the meter showed.
        uvi: Uvi,
        /// How many times what was expected.
        times: f64,
    },
    /// The new gain is this many times the one before, which is more than placing the meter explains.
    Jumped {
        /// The new gain over the one before.
        times: f64,
    },
}

impl fmt::Display for Told {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Told::Paired { uvi, raw } => write!(f, "meter reading UVI {uvi} paired with {raw:.3} of the probe"),
            Told::NotPaired { uvi } => write!(
                f,
                "meter reading UVI {uvi} kept, but it calibrates nothing: the lamps there were not all on and warm around it, or \
                 the probe said too little"
            ),
            Told::InShade { uvi, share } => write!(
                f,
                "meter reading UVI {uvi} kept, but it calibrates nothing: around it the probe gave {:.0} % of what it has given of \
                 late. Something lies on it, or lamp or probe were moved; measure again when it is free",
                100.0 * share
            ),
            Told::Odd { uvi, times } => write!(
                f,
                "meter reading UVI {uvi} is {times:.2} times what was expected; it waits for another that bears it out"
            ),
            Told::Jumped { times } => write!(
                f,
                "by this meter reading the probe's gain is {times:.2} times the one before: the lamp, the mesh, the probe's \
                 place or the meter has changed"
            ),
        }
    }
}

impl SeriesRecord {
    /// How far the numbers of the probe go, and the standard uncertainty of its gain as a share, where there is one.
    pub fn standing(&self) -> (Footing, Option<f64>) {
        let mut calibration = Calibration::default();
        calibration.restore(self);
        (calibration.footing(), calibration.gain().map(|gain| gain.uncertainty.0))
    }
}

/// The calibration of one probe.
#[derive(Clone, Debug, Default)]
pub(super) struct Calibration {
    pairings: Vec<PairingRecord>,
    gain: Option<Gain>,
    history: Vec<PastGain>,
    /// Since when there is none for the lamps fitted, although there was one.
    void_since: Option<DateTime<Utc>>,
    odd: Option<PairingRecord>,
    pending: Vec<Pending>,
    recent: VecDeque<(Mono, f64)>,
}

/// A meter reading that waits for the raw readings after it.
#[derive(Clone, Debug)]
struct Pending {
    uvi: Uvi,
    guess: bool,
    at: Mono,
    stamp: DateTime<Utc>,
}

impl Calibration {
    /// A raw reading less background, with every lamp there on and warm.
    pub(super) fn raw(&mut self, now: Mono, raw: f64) {
        let is_past = |&(at, _): &(Mono, f64)| now.since(at) > BEFORE + AFTER;
        while self.recent.len() >= KEPT || self.recent.front().is_some_and(is_past) {
            self.recent.pop_front();
        }
        self.recent.push_back((now, raw));
    }

    /// A meter was read beside the probe.
    pub(super) fn meter(&mut self, now: Mono, stamp: DateTime<Utc>, uvi: Uvi, guess: bool) {
        self.pending.push(Pending { uvi, guess, at: now, stamp });
    }

    /// When a meter reading can be paired next.
    pub(super) fn next_deadline(&self) -> Option<Mono> {
        self.pending.first().map(|pending| pending.at.after(AFTER))
    }

    /// Pairs what can be paired now, a meter reading at a time; `usual`: what the probe has given of late, less its
    /// background.
    pub(super) fn settle(&mut self, now: Mono, usual: Option<f64>) -> Option<Told> {
        if self.next_deadline().is_none_or(|due| now < due) {
            return None;
        }
        let pending = self.pending.remove(0);
        let around = |at: Mono| pending.at.since(at) <= BEFORE && at.since(pending.at) <= AFTER;
        let mut raws: Vec<f64> = self.recent.iter().filter(|(at, _)| around(*at)).map(|(_, raw)| *raw).collect();
        let count = raws.len();
        let (Some(raw), Some(scatter)) = (median(&mut raws), deviation(&mut raws)) else {
            return Some(Told::NotPaired { uvi: pending.uvi });
        };
        if count < FEWEST || !(raw > 0.0 && pending.uvi.0 > 0.0) {
            return Some(Told::NotPaired { uvi: pending.uvi });
        }
        if let Some(share) = usual.map(|usual| raw / usual).filter(|&share| share < IN_SHADE) {
            return Some(Told::InShade { uvi: pending.uvi, share });
        }
        let of_middle = scatter / raw / (count as f64).sqrt();
        let of_hand = if pending.guess { GUESS.0 } else { PLACING.0 };
        let spread = (of_middle * of_middle + of_hand * of_hand).sqrt();
        let pairing = PairingRecord { at: pending.stamp, uvi: pending.uvi.0, raw, spread, guess: pending.guess };
        Some(self.pair(pairing))
    }

    fn pair(&mut self, pairing: PairingRecord) -> Told {
        let before = self.gain.clone();
        let ratio = pairing.uvi / pairing.raw;
        let told = Told::Paired { uvi: Uvi(pairing.uvi), raw: pairing.raw };
        // Before anything was ever measured the probe's own numbers are what there is to go by, and after a lamp change the
        // gain before: a slip of the pen, or an animal on the probe, would else put a lamp over its ceiling, and dark it
        // could never be measured again.
        let times = ratio / self.factor();
        if !(1.0 / ODD..=ODD).contains(&times) {
            let bears_out = |odd: &PairingRecord| libm::log(ratio / (odd.uvi / odd.raw)).abs() <= BORNE_OUT;
            let Some(odd) = self.odd.take().filter(bears_out) else {
                self.odd = Some(pairing);
                return Told::Odd { uvi: Uvi(pairing.uvi), times };
            };
            self.end(pairing.at, "two meter readings agree on another");
            self.pairings = vec![odd];
        }
        self.odd = None;
        self.void_since = None;
        if self.pairings.len() >= PAIRINGS {
            self.pairings.remove(0);
        }
        self.pairings.push(pairing);
        self.reckon();
        match (&before, &self.gain) {
            (Some(before), Some(now)) if before.jump_to(now, METER).abs() >= JUMP => {
                Told::Jumped { times: now.value / before.value }
            }
            _ => told,
        }
    }

    fn reckon(&mut self) {
        let pairings: Vec<Pairing> = self
            .pairings
            .iter()
            .map(|pairing| Pairing { meter: Uvi(pairing.uvi), raw: pairing.raw, spread: Relative(pairing.spread) })
            .collect();
        self.gain = calibration::gain(&pairings, METER);
    }

    /// The gain ends here and becomes history.
    fn end(&mut self, at: DateTime<Utc>, why: &str) {
        let Some(gain) = self.gain.take() else { return };
        if self.history.len() >= HISTORY {
            self.history.remove(0);
        }
        let from = self.pairings.first().map_or(at, |pairing| pairing.at);
        self.history.push(PastGain {
            value: gain.value,
            uncertainty: gain.uncertainty.0,
            from,
            until: at,
            readings: self.pairings.len(),
            why: why.to_owned(),
        });
        self.pairings.clear();
    }

    /// The lamps are no longer those under which it was calibrated.
    pub(super) fn void(&mut self, stamp: DateTime<Utc>, why: &str) {
        // Meter readings of a moment ago were taken under the lamp before.
        self.pending.clear();
        self.recent.clear();
        self.odd = None;
        if self.gain.is_some() {
            self.end(stamp, why);
            self.void_since = Some(stamp);
        }
    }

    pub(super) fn footing(&self) -> Footing {
        match (&self.gain, self.history.is_empty()) {
            (Some(_), _) => Footing::Calibrated,
            (None, true) => Footing::AsRead,
            (None, false) => Footing::RelativeOnly,
        }
    }

    /// Whether a meter reading is far above what the probe, which gives `raw`, says by the best gain there is.
    pub(super) fn is_far_above(&self, uvi: Uvi, raw: f64) -> bool {
        uvi.0 > ODD * raw * self.factor()
    }

    /// Whether a meter reading is about ten times what the probe has just said, where there is no more to go by: a slip moves a
    /// decimal point. A new lamp too strong is not as far off, and an animal on the probe leaves as much only by chance.
    pub(super) fn is_slip(&self, uvi: Uvi) -> bool {
        let most = self.recent.iter().map(|&(_, raw)| raw).reduce(f64::max);
        most.is_some_and(|raw| SLIP.contains(&(uvi.0 / (raw * self.factor()))))
    }

    /// UVI per unit of the probe: the gain; without one the last one there was; without any, one.
    pub(super) fn factor(&self) -> f64 {
        let last = || self.history.last().map_or(1.0, |past| past.value);
        self.gain.as_ref().map_or_else(last, |gain| gain.value)
    }

    pub(super) fn gain(&self) -> Option<&Gain> {
        self.gain.as_ref()
    }

    /// How many meter readings the gain comes from.
    pub(super) fn pairings(&self) -> usize {
        self.pairings.len()
    }

    /// The reading that waits for another to bear it out, and how many times it is what was expected.
    pub(super) fn odd(&self) -> Option<(Uvi, f64)> {
        self.odd.as_ref().map(|odd| (Uvi(odd.uvi), odd.uvi / odd.raw / self.factor()))
    }

    /// The readings behind the gain, and what was before, a line each.
    pub(super) fn why<D: fmt::Display>(&self, date: impl Fn(DateTime<Utc>) -> D) -> Vec<String> {
        let of_reading = |reading: &PairingRecord| {
            let guess = if reading.guess { ", a guess" } else { "" };
            format!(
                "meter reading of {}: UVI {} beside {:.3} of the probe, good to {:.0} % but for the meter{guess}",
                date(reading.at),
                Uvi(reading.uvi),
                reading.raw,
                100.0 * reading.spread
            )
        };
        let of_past = |past: &PastGain| {
            let (from, until) = (date(past.from), date(past.until));
            format!("gain {:.3} from {from} to {until} by {} readings, until {}", past.value, past.readings, past.why)
        };
        let odd = self.odd.as_ref().map(|odd| {
            let times = odd.uvi / odd.raw / self.factor();
            format!(
                "{}, which is {times:.2} times what was expected; from {ODD} times on another must bear it out to {:.0} %",
                of_reading(odd),
                100.0 * BORNE_OUT
            )
        });
        let void = self.void_since.map(|since| format!("no gain for these lamps since {}", date(since)));
        let past = self.history.iter().rev().take(3).map(of_past);
        self.pairings.iter().map(of_reading).chain(odd).chain(void).chain(past).collect()
    }

    pub(super) fn record(&self, record: &mut SeriesRecord) {
        record.pairings.clone_from(&self.pairings);
        record.history.clone_from(&self.history);
        record.void_since = self.void_since;
    }

    pub(super) fn restore(&mut self, record: &SeriesRecord) {
        self.pairings.clone_from(&record.pairings);
        self.history.clone_from(&record.history);
        self.void_since = record.void_since;
        self.reckon();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Raw readings of `raw` a minute apart for an hour from `hour` o'clock, with a meter reading of `uvi` in the middle.
    fn walk(calibration: &mut Calibration, hour: u64, raw: f64, uvi: f64) -> Option<Told> {
        let mut told = None;
        for minute in 0..60 {
            let now = Mono::from_secs((hour * 60 + minute) * 60);
            told = told.or(calibration.settle(now, None));
            calibration.raw(now, raw);
            if minute == 30 {
                calibration.meter(now, DateTime::UNIX_EPOCH + now.since_start(), Uvi(uvi), false);
            }
        }
        told
    }

    #[test]
    fn a_meter_reading_gives_the_gain_and_a_lamp_change_takes_it() {
        let mut calibration = Calibration::default();
        assert_eq!((calibration.footing(), calibration.factor()), (Footing::AsRead, 1.0));
        assert_eq!(walk(&mut calibration, 1, 3.0, 4.2), Some(Told::Paired { uvi: Uvi(4.2), raw: 3.0 }));
        assert_eq!(calibration.footing(), Footing::Calibrated);
        assert!((calibration.factor() - 1.4).abs() < 1e-9, "4.2 / 3.0");
        calibration.void(DateTime::UNIX_EPOCH, "lamp change");
        assert_eq!(calibration.footing(), Footing::RelativeOnly);
        assert!((calibration.factor() - 1.4).abs() < 1e-9, "the guard goes on with the last");
        walk(&mut calibration, 5, 4.0, 4.0);
        assert_eq!((calibration.footing(), calibration.history.len()), (Footing::Calibrated, 1));
        assert!((calibration.factor() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_slip_of_the_pen_changes_nothing_until_another_reading_bears_it_out() {
        let mut calibration = Calibration::default();
        walk(&mut calibration, 1, 4.0, 4.0);
        let told = walk(&mut calibration, 3, 4.0, 40.0);
        assert!(matches!(told, Some(Told::Odd { times, .. }) if (times - 10.0).abs() < 1e-9), "{told:?}");
        assert!((calibration.factor() - 1.0).abs() < 1e-9);
        walk(&mut calibration, 5, 4.0, 4.1);
        assert!(calibration.odd().is_none() && (calibration.factor() - 1.0).abs() < 0.05);
        walk(&mut calibration, 7, 4.0, 16.0);
        let told = walk(&mut calibration, 9, 4.0, 15.0);
        assert!(matches!(told, Some(Told::Jumped { .. })), "{told:?}");
        assert!((calibration.factor() - 3.87).abs() < 0.1, "the mean of 4 and 3.75: {}", calibration.factor());
    }

    #[test]
    fn a_slip_under_a_new_lamp_is_known_by_what_the_probe_has_just_said() {
        let mut calibration = Calibration::default();
        walk(&mut calibration, 1, 4.0, 4.0);
        calibration.void(DateTime::UNIX_EPOCH, "lamp change");
        assert!(!calibration.is_slip(Uvi(40.0)), "nothing was said yet");
        calibration.raw(Mono::from_secs(7 * 86_400), 4.0);
        for (uvi, slip) in [(4.0, false), (10.0, false), (40.0, true), (42.0, true), (80.0, false)] {
            assert_eq!(calibration.is_slip(Uvi(uvi)), slip, "{uvi}");
        }
    }

    #[test]
    fn the_first_reading_of_all_is_held_against_what_the_probe_says_of_itself() {
        let mut calibration = Calibration::default();
        let times = 42.0 / 3.0;
        assert_eq!(walk(&mut calibration, 1, 3.0, 42.0), Some(Told::Odd { uvi: Uvi(42.0), times }));
        assert_eq!(calibration.footing(), Footing::AsRead);
        assert_eq!(walk(&mut calibration, 2, 3.0, 4.2), Some(Told::Paired { uvi: Uvi(4.2), raw: 3.0 }));
        assert!(calibration.odd().is_none());
        // A probe whose numbers are of its own making takes two readings that agree.
        let mut millivolts = Calibration::default();
        assert!(matches!(walk(&mut millivolts, 1, 300.0, 4.2), Some(Told::Odd { .. })));
        assert!(matches!(walk(&mut millivolts, 2, 300.0, 4.3), Some(Told::Paired { .. })));
        assert_eq!(millivolts.pairings(), 2);
    }

    #[test]
    fn a_hand_over_the_probe_does_not_move_the_pairing_and_too_few_readings_give_none() {
        let mut calibration = Calibration::default();
        for minute in 0..30 {
            let now = Mono::from_secs(minute * 60);
            calibration.settle(now, None);
            calibration.raw(now, if (15..18).contains(&minute) { 0.2 } else { 3.0 });
            if minute == 16 {
                calibration.meter(now, DateTime::UNIX_EPOCH, Uvi(3.0), false);
            }
        }
        assert!((calibration.factor() - 1.0).abs() < 1e-9, "{}", calibration.factor());
        let mut dark = Calibration::default();
        dark.meter(Mono::from_secs(60), DateTime::UNIX_EPOCH, Uvi(3.0), false);
        assert_eq!(dark.settle(Mono::from_secs(3600), None), Some(Told::NotPaired { uvi: Uvi(3.0) }));
        assert_eq!(dark.footing(), Footing::AsRead);
    }

    #[test]
    fn what_was_recorded_is_taken_up_again() {
        let mut calibration = Calibration::default();
        walk(&mut calibration, 1, 3.0, 4.2);
        let mut record = SeriesRecord::default();
        calibration.record(&mut record);
        let mut after = Calibration::default();
        after.restore(&record);
        assert_eq!((after.footing(), after.gain()), (Footing::Calibrated, calibration.gain()));
    }
}
