//! The keeper's rounds with a hand-held meter: what was last measured at each spot, whether the enclosure has its gradient
//! from basking spot to retreat, and when the next round is due.

use std::collections::BTreeMap;
use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};

use crate::settings::{Site, UvBand};
use crate::units::Uvi;

use super::event::MeterReading;
use super::record::SpotRecord;

/// A lamp is measured on arrival and then about monthly (common practice, no source); some days of grace are a guess.
const EVERY: TimeDelta = TimeDelta::days(35);
/// A spot with less than this is a retreat from UV: "near zero" (common practice, no source) as a number is a guess, below
/// any band of the Ferguson zones but the first.
const RETREAT: Uvi = Uvi(0.3);

/// What was last measured in one enclosure. Spots are known by their names; a spot may have a reading with everything lit
/// and one for each lamp alone.
#[derive(Clone, Debug, Default)]
pub(super) struct Walk {
    spots: BTreeMap<(String, Option<String>), Measured>,
}

/// A reading of the meter.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Measured {
    at: DateTime<Utc>,
    uvi: Uvi,
    guess: bool,
}

/// What was last measured at a spot.
#[derive(Clone, Debug, PartialEq)]
pub struct SpotView {
    /// Its name.
    pub spot: String,
    /// The UV index with everything lit: measured, or added up from lamps measured one by one.
    pub uvi: Uvi,
    /// When; of lamps measured one by one the oldest.
    pub at: DateTime<Utc>,
    /// Lamps that were measured one by one, where it is their sum (readings of two sources add; common practice, no source).
    pub summed: Vec<String>,
    /// Whether its keeper called any of it a guess.
    pub guess: bool,
}

/// Something the readings say about the gradient.
#[derive(Clone, Debug, PartialEq)]
pub enum Remark {
    /// The basking spot was not measured.
    NotMeasured {
        /// Its name.
        spot: String,
    },
    /// The basking spot is within its band.
    InBand {
        /// Its name.
        spot: String,
        /// What was measured.
        uvi: Uvi,
        /// Its band.
        band: UvBand,
    },
    /// It is outside.
    OutsideBand {
        /// Its name.
        spot: String,
        /// What was measured.
        uvi: Uvi,
        /// Its band.
        band: UvBand,
    },
    /// A spot is above the ceiling.
    OverCeiling {
        /// Its name.
        spot: String,
        /// What was measured.
        uvi: Uvi,
        /// The ceiling.
        ceiling: Uvi,
    },
    /// A spot is a retreat from UV.
    Retreat {
        /// Its name.
        spot: String,
        /// What was measured.
        uvi: Uvi,
    },
    /// Nowhere was next to nothing measured.
    NoRetreat,
}

impl Remark {
    /// Whether something should be done about it.
    pub fn is_wrong(&self) -> bool {
        !matches!(self, Remark::InBand { .. } | Remark::Retreat { .. })
    }
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Remark::NotMeasured { spot } => write!(f, "{spot}: not measured yet"),
            Remark::InBand { spot, uvi, band } => {
                write!(f, "{spot}: UVI {uvi}, within its band of {:.1} to {:.1}", band.low.0, band.high.0)
            }
            Remark::OutsideBand { spot, uvi, band } => {
                let side = if *uvi < band.low { "below" } else { "above" };
                write!(f, "{spot}: UVI {uvi}, {side} its band of {:.1} to {:.1}", band.low.0, band.high.0)
            }
            Remark::OverCeiling { spot, uvi, ceiling } => write!(
                f,
                "{spot}: UVI {uvi} is above the ceiling of {:.1}: raise the lamp or fit a weaker one, and give shade until then; \
                 shut or swollen eyes are for a veterinarian",
                ceiling.0
            ),
            Remark::Retreat { spot, uvi } => write!(f, "{spot}: UVI {uvi}, a retreat"),
            Remark::NoRetreat => {
                write!(f, "no retreat measured: an animal needs a place with next to no UV; measure one, or make one")
            }
        }
    }
}

impl Walk {
    /// A person has read the meter; `alone` is the one lamp that was lit, where they say so.
    pub(super) fn reading(&mut self, stamp: DateTime<Utc>, reading: &MeterReading, alone: Option<&str>) {
        let key = (reading.spot.clone(), alone.map(str::to_owned));
        // What is told late takes nothing newer's place.
        if self.spots.get(&key).is_none_or(|known| known.at <= stamp) {
            self.spots.insert(key, Measured { at: stamp, uvi: reading.uvi, guess: reading.guess });
        }
    }

    /// When the next round is due; none where there never was one.
    pub(super) fn due(&self) -> Option<DateTime<Utc>> {
        self.last().map(|last| last + EVERY)
    }

    /// When the meter was last read.
    pub(super) fn last(&self) -> Option<DateTime<Utc>> {
        self.spots.values().map(|measured| measured.at).max()
    }

    /// Every spot once, in the order of their names: with everything lit, unless lamps were measured one by one since.
    pub(super) fn spots(&self) -> Vec<SpotView> {
        let mut views: Vec<SpotView> = Vec::new();
        for ((spot, alone), measured) in &self.spots {
            let Measured { at, uvi, guess } = *measured;
            let whole = self.spots.get(&(spot.clone(), None));
            match alone {
                // The whole comes first in the order of the keys.
                None => views.push(SpotView { spot: spot.clone(), uvi, at, summed: Vec::new(), guess }),
                Some(lamp) if whole.is_none_or(|whole| whole.at < at) => match views.last_mut() {
                    Some(view) if view.spot == *spot && !view.summed.is_empty() => {
                        view.uvi = Uvi(view.uvi.0 + uvi.0);
                        (view.at, view.guess) = (view.at.min(at), view.guess || guess);
                        view.summed.push(lamp.clone());
                    }
                    last => {
                        let view = SpotView { spot: spot.clone(), uvi, at, summed: vec![lamp.clone()], guess };
                        match last {
                            Some(of_whole) if of_whole.spot == *spot => *of_whole = view,
                            _ => views.push(view),
                        }
                    }
                },
                Some(_) => {}
            }
        }
        // One lamp of several says nothing of the whole.
        views.retain(|view| view.summed.len() != 1);
        views
    }

    /// Spots above `ceiling`.
    pub(super) fn over(&self, ceiling: Uvi) -> impl Iterator<Item = (String, Uvi)> {
        let over = move |view: SpotView| (view.uvi > ceiling).then_some((view.spot, view.uvi));
        self.spots().into_iter().filter_map(over)
    }

    /// What the readings say of the gradient between the basking spots and a retreat.
    pub(super) fn gradient(&self, band: UvBand, basking: &[String]) -> Vec<Remark> {
        let spots = self.spots();
        let mut remarks: Vec<Remark> = basking
            .iter()
            .map(|name| match spots.iter().find(|view| view.spot == *name) {
                None => Remark::NotMeasured { spot: name.clone() },
                Some(SpotView { uvi, .. }) if *uvi < band.low || *uvi > band.high => {
                    Remark::OutsideBand { spot: name.clone(), uvi: *uvi, band }
                }
                Some(SpotView { uvi, .. }) => Remark::InBand { spot: name.clone(), uvi: *uvi, band },
            })
            .collect();
        remarks.extend(self.over(band.ceiling).map(|(spot, uvi)| Remark::OverCeiling {
            spot,
            uvi,
            ceiling: band.ceiling,
        }));
        let others = spots.into_iter().filter(|view| !basking.contains(&view.spot));
        let retreats = others.filter(|view| view.uvi <= RETREAT);
        let before = remarks.len();
        remarks.extend(retreats.map(|view| Remark::Retreat { spot: view.spot, uvi: view.uvi }));
        if remarks.len() == before {
            remarks.push(Remark::NoRetreat);
        }
        remarks
    }

    /// When a round is due.
    pub(super) fn why(&self, site: &Site) -> Vec<String> {
        let date = |at: DateTime<Utc>| at.with_timezone(&site.timezone).date_naive();
        let last = self.last().map_or("the meter was never read, so none is due".to_owned(), |last| {
            format!("the meter was last read on {}, and a round is due {} days later", date(last), EVERY.num_days())
        });
        vec![last]
    }

    /// What was measured at each spot.
    pub(super) fn measured(&self, site: &Site) -> Vec<String> {
        let line = |view: SpotView| {
            let at = view.at.with_timezone(&site.timezone).date_naive();
            let summed = if view.summed.is_empty() { "" } else { ", added up from lamps one by one" };
            format!("spot {}: UVI {} by the meter on {at}{summed}", view.spot, view.uvi)
        };
        self.spots().into_iter().map(line).collect()
    }

    pub(super) fn record(&self) -> Vec<SpotRecord> {
        let record = |((spot, alone), measured): (&(String, Option<String>), &Measured)| SpotRecord {
            spot: spot.clone(),
            at: measured.at,
            uvi: measured.uvi.0,
            alone: alone.clone(),
            guess: measured.guess,
        };
        self.spots.iter().map(record).collect()
    }

    pub(super) fn restore(&mut self, records: &[SpotRecord]) {
        let measured = |record: &SpotRecord| {
            let key = (record.spot.clone(), record.alone.clone());
            (key, Measured { at: record.at, uvi: Uvi(record.uvi), guess: record.guess })
        };
        self.spots = records.iter().map(measured).collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Zone 3 of Baines et al. 2016.
    const BAND: UvBand = UvBand { zone: Some(3), low: Uvi(2.9), high: Uvi(7.4), ceiling: Uvi(8.0) };

    fn walk(readings: &[(&str, Option<&str>, f64)]) -> Walk {
        let mut walk = Walk::default();
        for (minute, (spot, alone, uvi)) in (0..).zip(readings) {
            let at = DateTime::UNIX_EPOCH + TimeDelta::minutes(minute);
            let reading = MeterReading { spot: (*spot).into(), uvi: Uvi(*uvi), alone: None, guess: false };
            walk.reading(at, &reading, *alone);
        }
        walk
    }

    fn said(readings: &[(&str, Option<&str>, f64)]) -> Vec<String> {
        walk(readings).gradient(BAND, &["basking".into()]).iter().map(Remark::to_string).collect()
    }

    #[test]
    fn what_is_told_late_takes_nothing_newers_place() {
        let mut walk = walk(&[("basking", None, 4.0), ("basking", None, 5.0)]);
        let reading = MeterReading { spot: "basking".into(), uvi: Uvi(1.0), alone: None, guess: false };
        walk.reading(DateTime::UNIX_EPOCH, &reading, None);
        assert_eq!(walk.spots()[0].uvi, Uvi(5.0));
        walk.reading(DateTime::UNIX_EPOCH + TimeDelta::minutes(2), &reading, None);
        assert_eq!(walk.spots()[0].uvi, Uvi(1.0));
    }

    #[test]
    fn a_gradient_from_a_spot_in_band_to_a_retreat_is_well() {
        let remarks = walk(&[("basking", None, 4.2), ("cave", None, 0.0), ("middle", None, 1.1)]);
        let remarks = remarks.gradient(BAND, &["basking".into()]);
        assert!(remarks.iter().all(|remark| !remark.is_wrong()), "{remarks:?}");
    }

    #[test]
    fn what_is_missing_or_too_much_is_said() {
        assert!(said(&[]).iter().any(|line| line.contains("no retreat measured")));
        assert_eq!(said(&[("cave", None, 0.1)])[0], "basking: not measured yet");
        assert!(said(&[("basking", None, 2.0)])[0].contains("below its band of 2.9 to 7.4"));
        let branch = said(&[("basking", None, 5.0), ("branch", None, 9.5)]);
        assert!(branch.iter().any(|line| line.starts_with("branch: UVI 9.5 is above the ceiling")), "{branch:?}");
    }

    #[test]
    fn lamps_measured_one_by_one_add_up() {
        let spots = walk(&[("basking", Some("left"), 2.0), ("basking", Some("right"), 1.5)]).spots();
        assert_eq!(spots.len(), 1);
        assert!((spots[0].uvi.0 - 3.5).abs() < 1e-12, "{spots:?}");
        assert_eq!(spots[0].summed, ["left", "right"]);
        let again = [("basking", Some("left"), 2.0), ("basking", Some("right"), 1.5), ("basking", None, 3.3)];
        assert_eq!(walk(&again).spots()[0].uvi, Uvi(3.3), "measured together since");
        assert!(walk(&[("basking", Some("left"), 2.0)]).spots().is_empty(), "one of them says nothing of the whole");
    }

    #[test]
    fn the_next_round_is_due_a_good_month_after_the_last() {
        assert_eq!(walk(&[]).due(), None);
        assert_eq!(walk(&[("basking", None, 4.0)]).due(), Some(DateTime::UNIX_EPOCH + TimeDelta::days(35)));
    }
}
