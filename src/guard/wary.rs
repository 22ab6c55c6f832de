//! What guards go by where what they remembered is lost.

use std::time::Duration;

use crate::settings::Settings;

use super::TRIPS_TO_LATCH;
use super::record::{LampRecord, SafetyRecord};

/// Safety records for `settings` whose own could not be read: every lamp that warms is taken to have tripped just now one
/// time fewer than latches it, so that the next trip within a day does.
///
/// To latch them all would leave every animal without heat for a file's sake, and one that nobody is near to warm may
/// die of that. To forget all trips would allow a lamp that was latched for good reason as many more as any other. Whoever
/// starts from these should say so to the keeper, who knows what was latched.
///
/// A contactor that was open closes, and a lamp below it that cannot be stopped opens it again within a minute or two. A
/// UV lamp that was latched over its ceiling lights, and is latched again once it has been over that for the set time.
pub fn wary(settings: &Settings) -> Vec<SafetyRecord> {
    let records = settings.enclosures.iter().map(|enclosure| {
        let warm = enclosure.lamps.iter().filter(|lamp| lamp.guard.is_some());
        let tripped =
            |lamp| LampRecord { trip_ages: vec![Duration::ZERO; TRIPS_TO_LATCH - 1], ..LampRecord::new(lamp) };
        SafetyRecord::Enclosure { id: enclosure.id.clone(), lamps: warm.map(tripped).collect() }
    });
    records.filter(|record| !matches!(record, SafetyRecord::Enclosure { lamps, .. } if lamps.is_empty())).collect()
}
