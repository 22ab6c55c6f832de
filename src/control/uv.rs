//! Watching the UV index at a spot.

use std::time::Duration;

use crate::settings::{LampIx, ProbeIx, UvBand};
use crate::time::Mono;
use crate::units::Uvi;

use super::trouble::Trouble;

/// Time constant of the smoothing before the band is judged, so that a shadow passing does not count; a guess.
const SMOOTHING: Duration = Duration::from_secs(10 * 60);
/// Less than this with every lamp warm is no UV at all …
const DARK: Uvi = Uvi(0.2);
/// … or less than this share of the band's low end, where that is less; both guesses.
const DARK_SHARE: f64 = 1.0 / 3.0;
/// A band alarm clears this far inside the band; a guess.
const INSIDE: f64 = 0.05;

/// What one UV probe has seen while its lamps were warm.
#[derive(Clone, Debug)]
pub(super) struct UvWatch {
    pub(super) probe: ProbeIx,
    /// Lamps whose UV arrives there.
    pub(super) lamps: Vec<LampIx>,
    smoothed: Option<(Uvi, Mono)>,
    last: Option<Uvi>,
    below: bool,
    above: bool,
}

impl UvWatch {
    pub(super) fn new(probe: ProbeIx, lamps: Vec<LampIx>) -> UvWatch {
        UvWatch { probe, lamps, smoothed: None, last: None, below: false, above: false }
    }

    /// Takes in a believable reading. `warm`: every lamp at the probe is on, by every account, and has warmed up.
    pub(super) fn reading(&mut self, now: Mono, reading: Uvi, warm: bool) {
        self.last = Some(reading);
        if !warm {
            self.smoothed = None;
            return;
        }
        let smoothed = match self.smoothed {
            None => reading,
            Some((before, at)) => {
                let weight = 1.0 - libm::exp(-now.since(at).as_secs_f64() / SMOOTHING.as_secs_f64());
                Uvi(before.0 + weight * (reading.0 - before.0))
            }
        };
        self.smoothed = Some((smoothed, now));
    }

    /// Whether there is no UV at all although every lamp is warm. `None` while that cannot be said.
    pub(super) fn is_dark(&self, band: Option<UvBand>) -> Option<bool> {
        self.smoothed?;
        let share = band.map_or(DARK, |band| Uvi(band.low.0 * DARK_SHARE));
        let threshold = if share < DARK { share } else { DARK };
        self.last.map(|last| last < threshold)
    }

    /// What is wrong with the UV by `band`: below it, above it. `None` while that cannot be said.
    pub(super) fn band_troubles(&mut self, band: UvBand) -> Option<(Option<Trouble>, Option<Trouble>)> {
        let (reading, _) = self.smoothed?;
        let margin = |is_out: bool| if is_out { INSIDE } else { 0.0 };
        self.below = reading.0 < band.low.0 * (1.0 + margin(self.below));
        self.above = reading.0 > band.high.0 * (1.0 - margin(self.above));
        let below = self.below.then_some(Trouble::UvBelowBand { reading, low: band.low });
        let above = self.above.then_some(Trouble::UvAboveBand { reading, high: band.high });
        Some((below, above))
    }

    /// The last reading, where it is above `ceiling`.
    pub(super) fn over(&self, ceiling: Uvi) -> Option<Uvi> {
        self.last.filter(|&last| last > ceiling)
    }

    /// Nothing seen counts any more: a lamp there switched or went silent.
    pub(super) fn forget(&mut self) {
        self.last = None;
        self.smoothed = None;
    }

    /// Carries on from the watch of the same probe under earlier settings.
    pub(super) fn adopt(&mut self, earlier: &UvWatch) {
        self.smoothed = earlier.smoothed;
        self.last = earlier.last;
        self.below = earlier.below;
        self.above = earlier.above;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BAND: UvBand = UvBand { zone: Some(3), low: Uvi(2.9), high: Uvi(7.4), ceiling: Uvi(8.0) };

    /// Feeds readings a minute apart while the lamps are warm.
    fn after(readings: &[f64]) -> UvWatch {
        let mut watch = UvWatch::new(ProbeIx(0), vec![LampIx(0)]);
        for (minute, &reading) in (0..).zip(readings) {
            watch.reading(Mono::from_secs(minute * 60), Uvi(reading), true);
        }
        watch
    }

    #[test]
    fn a_steady_reading_outside_the_band_is_told_and_a_passing_shadow_is_not() {
        for (readings, below, above) in [
            (vec![4.0; 60], false, false),
            (vec![2.0; 60], true, false),
            (vec![7.9; 60], false, true),
            ([vec![4.0; 60], vec![0.5; 2]].concat(), false, false),
        ] {
            let (is_below, is_above) = after(&readings).band_troubles(BAND).expect("warm");
            assert_eq!((is_below.is_some(), is_above.is_some()), (below, above), "{readings:?}");
        }
    }

    #[test]
    fn no_uv_from_warm_lamps_is_dark_and_cold_lamps_say_nothing() {
        assert_eq!(after(&[0.0]).is_dark(Some(BAND)), Some(true));
        assert_eq!(after(&[0.5]).is_dark(Some(BAND)), Some(false));
        let mut dead = after(&[4.0, 4.0, 0.0, 0.0]);
        assert_eq!(dead.is_dark(Some(BAND)), Some(true));
        dead.reading(Mono::from_secs(7200), Uvi(0.0), false);
        assert_eq!(dead.band_troubles(BAND), None, "a dark lamp that has gone off is not below its band");
        let mut cold = after(&[4.0]);
        cold.reading(Mono::from_secs(600), Uvi(0.0), false);
        assert_eq!(cold.is_dark(Some(BAND)), None);
        assert_eq!(cold.band_troubles(BAND), None);
    }
}
