//! The keeper's rounds with a hand-held meter: what was last measured at each spot, and when the next round is due.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

use crate::units::Uvi;

use super::event::MeterReading;
use super::record::SpotRecord;

/// What was last measured in one enclosure. Spots are known by their names; a spot may have a reading with everything lit
/// and one for each lamp alone.
#[derive(Clone, Debug, Default)]
pub(super) struct Walk {
    spots: BTreeMap<(String, Option<String>), Spot>,
}

#[derive(Clone, Copy, Debug)]
struct Spot {
    at: DateTime<Utc>,
    uvi: Uvi,
    guess: bool,
}

impl Walk {
    /// A person has read the meter; `alone` is the one lamp that was lit, where they say so.
    pub(super) fn reading(&mut self, stamp: DateTime<Utc>, reading: &MeterReading, alone: Option<&str>) {
        let key = (reading.spot.clone(), alone.map(str::to_owned));
        self.spots.insert(key, Spot { at: stamp, uvi: reading.uvi, guess: reading.guess });
    }

    pub(super) fn record(&self) -> Vec<SpotRecord> {
        let record = |((spot, alone), reading): (&(String, Option<String>), &Spot)| SpotRecord {
            spot: spot.clone(),
            at: reading.at,
            uvi: reading.uvi.0,
            alone: alone.clone(),
            guess: reading.guess,
        };
        self.spots.iter().map(record).collect()
    }

    pub(super) fn restore(&mut self, records: &[SpotRecord]) {
        let spot = |record: &SpotRecord| {
            let key = (record.spot.clone(), record.alone.clone());
            (key, Spot { at: record.at, uvi: Uvi(record.uvi), guess: record.guess })
        };
        self.spots = records.iter().map(spot).collect();
    }
}
