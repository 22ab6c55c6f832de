//! What a new lamp gives, looked at when it is fitted and again after its burn-in.
//!
//! A lamp far too strong is switched off by the guard at once (law 8); this is the record of what was found, and the words
//! for it. A lamp can pass here and still be wrong for the animal: measure by hand under every new lamp.

use std::fmt;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::science::decay::BurnHours;
use crate::settings::UvBand;
use crate::units::Uvi;

/// A lamp is looked at first after so many burn hours: sunlamps are measured after 5 h (fluorescent) or 1 h (discharge) of
/// use (EN 60335-2-27, as quoted; see the references).
const FIRST_LOOK: BurnHours = BurnHours(5.0);
/// Two lamps of one kind differ by this much and no more; a guess.
const ALIKE: (f64, f64) = (0.7, 1.4);

/// One look at a new lamp.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Look {
    /// The local date.
    pub date: NaiveDate,
    /// Its burn hours.
    pub hours: f64,
    /// What it gave, in the probe's own unit less background.
    pub level: f64,
    /// That as a multiple of what the lamp before gave at the same stage; none where nobody saw.
    pub times: Option<f64>,
}

/// Both looks at the lamp that is fitted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Acceptance {
    /// When it was fitted.
    pub first: Option<Look>,
    /// After its burn-in.
    pub second: Option<Look>,
}

impl Acceptance {
    /// A day's level of the lamp; `before`: what the lamp before gave as new, and after its burn-in.
    pub fn day(
        &mut self,
        (date, hours, level): (NaiveDate, BurnHours, f64),
        burn_in: BurnHours,
        before: (Option<f64>, Option<f64>),
    ) {
        let look = |before: Option<f64>| {
            let times = before.map(|before| level / before).filter(|times| times.is_finite());
            Look { date, hours: hours.0, level, times }
        };
        if self.second.is_none() && hours >= burn_in {
            self.second = Some(look(before.1));
        } else if self.first.is_none() && hours >= FIRST_LOOK && hours < burn_in {
            self.first = Some(look(before.0));
        }
    }

    /// The later look.
    pub fn latest(&self) -> Option<&Look> {
        self.second.as_ref().or(self.first.as_ref())
    }
}

/// What a look says of a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Finding {
    /// Above the ceiling.
    OverCeiling(Uvi),
    /// Above the band.
    Strong(Uvi),
    /// Below the band.
    Weak(Uvi),
    /// Within the band.
    Good(Uvi),
    /// There is nothing to judge its level by, and it is like the lamp before.
    Alike(f64),
    /// It is unlike the lamp before by this factor, although within the band where that is known.
    Unlike(f64, Option<Uvi>),
    /// There is nothing to judge it by.
    Unjudged,
}

impl Look {
    /// What it says by this gain (none: no gain of this lamp or one before) and this band.
    pub fn finding(&self, gain: Option<f64>, band: Option<UvBand>) -> Finding {
        let unlike = self.times.filter(|&times| !(ALIKE.0..=ALIKE.1).contains(&times));
        match (gain.map(|gain| Uvi(self.level * gain)), band) {
            (Some(uvi), Some(band)) if uvi > band.ceiling => Finding::OverCeiling(uvi),
            (Some(uvi), Some(band)) if uvi > band.high => Finding::Strong(uvi),
            (Some(uvi), Some(band)) if uvi < band.low => Finding::Weak(uvi),
            (Some(uvi), Some(_)) => unlike.map_or(Finding::Good(uvi), |times| Finding::Unlike(times, Some(uvi))),
            _ => match (self.times, unlike) {
                (_, Some(times)) => Finding::Unlike(times, None),
                (Some(times), None) => Finding::Alike(times),
                (None, None) => Finding::Unjudged,
            },
        }
    }
}

impl Finding {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Finding::OverCeiling(_) => "over-ceiling",
            Finding::Strong(_) => "strong",
            Finding::Weak(_) => "weak",
            Finding::Good(_) => "good",
            Finding::Alike(_) => "like-the-last",
            Finding::Unlike(..) => "unlike-the-last",
            Finding::Unjudged => "unjudged",
        }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Finding::OverCeiling(uvi) => {
                write!(
                    f,
                    "UVI {uvi} is above the ceiling: take the animal out of it, and raise the lamp or fit another"
                )
            }
            Finding::Strong(uvi) => write!(f, "UVI {uvi} is above the band: raise the lamp or fit a weaker one"),
            Finding::Weak(uvi) => write!(f, "UVI {uvi} is below the band: it is too weak there from the start"),
            Finding::Good(uvi) => write!(f, "UVI {uvi} is within the band"),
            Finding::Alike(times) => write!(f, "it gives {times:.2} times what the lamp before gave at this age"),
            Finding::Unlike(times, within) => {
                if let Some(uvi) = within {
                    write!(f, "UVI {uvi} is within the band, but ")?;
                }
                write!(
                    f,
                    "it gives {times:.2} times what the lamp before gave at this age: see whether it is the right kind, in its \
                     place and clean, and measure by hand"
                )
            }
            Finding::Unjudged => f.write_str("there is no meter reading and no lamp before it to judge it by"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BAND: UvBand = UvBand { zone: Some(3), low: Uvi(2.9), high: Uvi(7.4), ceiling: Uvi(8.0) };

    fn looked(days: &[(f64, f64)], before: (Option<f64>, Option<f64>)) -> Acceptance {
        let mut acceptance = Acceptance::default();
        for (date, &(hours, level)) in NaiveDate::default().iter_days().zip(days) {
            acceptance.day((date, BurnHours(hours), level), BurnHours(100.0), before);
        }
        acceptance
    }

    #[test]
    fn a_lamp_is_looked_at_when_new_and_once_more_after_its_burn_in() {
        let days = [(2.0, 9.0), (8.0, 5.0), (20.0, 4.9), (102.0, 4.5), (114.0, 4.4)];
        let acceptance = looked(&days, (Some(5.0), None));
        let (first, second) = (acceptance.first.expect("new"), acceptance.second.expect("settled"));
        assert_eq!((first.level, first.times), (5.0, Some(1.0)));
        assert_eq!((second.level, second.times), (4.5, None));
        assert_eq!(looked(&days[..1], (None, None)).latest(), None);
        // A lamp met in mid-life has no first look.
        assert_eq!(looked(&days[3..], (None, None)).first, None);
    }

    #[test]
    fn the_worst_finding_is_the_one_that_is_told() {
        // 10 in the probe's unit; common practice, no source, for the lizard of zone 3 that stays below UVI 8.
        for (gain, times, word) in [
            (Some(0.81), Some(1.0), "over-ceiling"),
            (Some(0.75), Some(1.0), "strong"),
            (Some(0.28), Some(3.0), "weak"),
            (Some(0.5), Some(1.0), "good"),
            (Some(0.5), None, "good"),
            (Some(0.5), Some(0.5), "unlike-the-last"),
            (None, Some(1.5), "unlike-the-last"),
            (None, Some(1.1), "like-the-last"),
            (None, None, "unjudged"),
        ] {
            let look = Look { date: NaiveDate::default(), hours: 6.0, level: 10.0, times };
            let finding = look.finding(gain, Some(BAND));
            assert_eq!(finding.word(), word, "{gain:?} {times:?}");
            assert!(!finding.to_string().is_empty());
        }
        let look = Look { date: NaiveDate::default(), hours: 6.0, level: 10.0, times: None };
        assert_eq!(look.finding(Some(1.0), None), Finding::Unjudged);
    }
}
