//! Safety records as they are written: plain JSON with units in the names, so that what is on disk can be read without this
//! program, and so that a change of the guard's own types does not silently change the file.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::guard::{LampRecord, Latch, SafetyRecord};
use crate::units::{Celsius, Uvi};

/// Whose it is: records of one owner replace each other.
pub(super) fn owner(record: &SafetyRecord) -> String {
    match record {
        SafetyRecord::Enclosure { id, .. } => format!("enclosure {id}"),
        SafetyRecord::CutOff { name, .. } => format!("cut-off {name}"),
    }
}

/// A record as it is written.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum Stored {
    Enclosure { id: String, lamps: Vec<StoredLamp> },
    CutOff { name: String, open: Option<String> },
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StoredLamp {
    lamp: String,
    set: String,
    heat_latch: Option<StoredLatch>,
    uv_latch: Option<StoredLatch>,
    tripped_at_celsius: Option<f64>,
    trip_ages_s: Vec<f64>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum StoredLatch {
    Limit { reading_celsius: f64, limit_celsius: f64 },
    ThreeTrips,
    Ceiling { reading_uvi: f64, ceiling_uvi: f64 },
}

impl From<&SafetyRecord> for Stored {
    fn from(record: &SafetyRecord) -> Stored {
        match record {
            SafetyRecord::Enclosure { id, lamps } => {
                Stored::Enclosure { id: id.clone(), lamps: lamps.iter().map(StoredLamp::from).collect() }
            }
            SafetyRecord::CutOff { name, open } => Stored::CutOff { name: name.clone(), open: open.clone() },
        }
    }
}

impl From<Stored> for SafetyRecord {
    fn from(stored: Stored) -> SafetyRecord {
        match stored {
            Stored::Enclosure { id, lamps } => {
                SafetyRecord::Enclosure { id, lamps: lamps.into_iter().map(LampRecord::from).collect() }
            }
            Stored::CutOff { name, open } => SafetyRecord::CutOff { name, open },
        }
    }
}

impl From<&LampRecord> for StoredLamp {
    fn from(record: &LampRecord) -> StoredLamp {
        StoredLamp {
            lamp: record.lamp.clone(),
            set: record.set.clone(),
            heat_latch: record.heat_latch.map(StoredLatch::from),
            uv_latch: record.uv_latch.map(StoredLatch::from),
            tripped_at_celsius: record.tripped.map(|Celsius(at)| at),
            trip_ages_s: record.trip_ages.iter().map(Duration::as_secs_f64).collect(),
        }
    }
}

impl From<StoredLamp> for LampRecord {
    fn from(stored: StoredLamp) -> LampRecord {
        let age = |seconds: f64| Duration::try_from_secs_f64(seconds).unwrap_or_default();
        LampRecord {
            lamp: stored.lamp,
            set: stored.set,
            heat_latch: stored.heat_latch.map(Latch::from),
            uv_latch: stored.uv_latch.map(Latch::from),
            tripped: stored.tripped_at_celsius.map(Celsius),
            trip_ages: stored.trip_ages_s.into_iter().map(age).collect(),
        }
    }
}

impl From<Latch> for StoredLatch {
    fn from(latch: Latch) -> StoredLatch {
        match latch {
            Latch::Limit { reading, limit } => {
                StoredLatch::Limit { reading_celsius: reading.0, limit_celsius: limit.0 }
            }
            Latch::ThreeTrips => StoredLatch::ThreeTrips,
            Latch::Ceiling { reading, ceiling } => {
                StoredLatch::Ceiling { reading_uvi: reading.0, ceiling_uvi: ceiling.0 }
            }
        }
    }
}

impl From<StoredLatch> for Latch {
    fn from(stored: StoredLatch) -> Latch {
        match stored {
            StoredLatch::Limit { reading_celsius, limit_celsius } => {
                Latch::Limit { reading: Celsius(reading_celsius), limit: Celsius(limit_celsius) }
            }
            StoredLatch::ThreeTrips => Latch::ThreeTrips,
            StoredLatch::Ceiling { reading_uvi, ceiling_uvi } => {
                Latch::Ceiling { reading: Uvi(reading_uvi), ceiling: Uvi(ceiling_uvi) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_comes_back_the_same() {
        let lamp = |heat_latch, uv_latch, tripped| LampRecord {
            lamp: "heat".into(),
            set: "garden/e1/heat/set".into(),
            heat_latch,
            uv_latch,
            tripped,
            trip_ages: vec![Duration::from_secs(60), Duration::from_millis(1500)],
        };
        let limit = Latch::Limit { reading: Celsius(46.5), limit: Celsius(45.0) };
        let ceiling = Latch::Ceiling { reading: Uvi(9.0), ceiling: Uvi(8.0) };
        let lamps = vec![
            lamp(Some(limit), None, None),
            lamp(Some(Latch::ThreeTrips), Some(ceiling), None),
            lamp(None, None, Some(Celsius(41.25))),
        ];
        for record in [
            SafetyRecord::CutOff { name: "west".into(), open: Some("heat of e1".into()) },
            SafetyRecord::CutOff { name: "west".into(), open: None },
            SafetyRecord::Enclosure { id: "e1".into(), lamps },
        ] {
            let text = serde_json::to_string(&Stored::from(&record)).expect("written");
            let stored: Stored = serde_json::from_str(&text).expect("read");
            assert_eq!(SafetyRecord::from(stored), record);
        }
    }
}
