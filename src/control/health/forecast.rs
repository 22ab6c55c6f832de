//! When a series leaves its band, as a date with its interval, and when that is told.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::ahead::DayLengths;
use super::decline::Decline;
use crate::science::decay::{BurnHours, Forecast};
use crate::settings::Window;

/// It is told in any case once the near end of the interval is so near, in days; a guess beyond the three days within
/// which nothing may leave its band unannounced …
const NEAR: f64 = 5.0;
/// … or the last days are within this share of the level; a guess: what the fastest lamp loses in three days …
const CLOSE: f64 = 0.02;
/// … but not so far below it, as a share of it: what was not told before and has fallen so far is no fading but below its band,
/// and told as that; a guess: what the fastest lamp loses in nine days …
const FALLEN: f64 = -0.06;
/// … nor where the last days lie so far above it, in logarithms, that no lamp falls to it in time: by so much now, and by so much
/// more for each day; guesses, the latter three times what the fastest loses. The course is about to be found broken then …
const ABOVE: (f64, f64) = (0.1, 0.02);
/// … and where the steps of a coarse probe, from this share of the level on, hide a fall, once it may be so near; guesses: two
/// days more than it is told ahead at least.
const COARSE: (f64, f64) = (0.04, 0.03);
/// … and unless the forecast itself is farther off than so many notice times, so that only its interval is wide; a guess.
const DOUBTFUL: f64 = 3.0;
/// While a forecast is provisional a departure is told from so many days ahead, or from twice as many where the near end
/// of its interval is near; guesses. A burn-in may end higher than it is taken for.
const PROVISIONAL: f64 = 12.0;
/// What was told is taken back only when the forecast has moved so far beyond the notice time, as a multiple of it; a
/// guess.
const FAR: f64 = 1.5;

/// When a series is forecast to leave its band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Departure {
    /// The level it falls to, in the probe's own unit less background.
    pub level: f64,
    /// How far the last days lie above it, as a share of it.
    pub margin: f64,
    /// The same at least: half a step of a coarse probe may be hidden.
    pub least_margin: f64,
    /// Whether it goes by the rate known beforehand alone.
    pub provisional: bool,
    /// In burn hours.
    pub hours: Forecast,
    /// In days after the day of the forecast; none where that is more than two years off, or never.
    pub days: (Option<f64>, f64, Option<f64>),
    /// The expected date; none where that is more than two years off, or never.
    pub expected: Option<NaiveDate>,
    /// The near end of the interval; none where that is more than two years off.
    pub earliest: Option<NaiveDate>,
    /// The far end; none where that is more than two years off, or never.
    pub latest: Option<NaiveDate>,
}

impl Departure {
    /// When `decline` falls to `level`, as of `today` at `now` burn hours, for a lamp with this window that burns `share`
    /// of the time it is open. None where nothing can be said yet.
    pub fn dated(
        (level, decline): (f64, &Decline),
        (today, now): (NaiveDate, BurnHours),
        ahead: &mut DayLengths,
        window: &Window,
        share: f64,
    ) -> Option<Departure> {
        let hours = decline.forecast(level)?;
        let mut days = |at: Option<BurnHours>| ahead.days_until(window, share, today, at?.0 - now.0);
        let (expected, earliest, latest) = (days(hours.expected), days(hours.earliest), days(hours.latest));
        let date = |days: Option<f64>| days.and_then(|days| DayLengths::date_after(today, days));
        Some(Departure {
            level,
            margin: decline.recent()? / level - 1.0,
            least_margin: decline.recent()? / level * (1.0 - decline.grain() / 2.0) - 1.0,
            provisional: decline.is_provisional(),
            hours,
            days: (expected, earliest.unwrap_or(f64::INFINITY), latest),
            expected: date(expected),
            earliest: date(earliest),
            latest: date(latest),
        })
    }
}

/// Whether a departure is announced: from the notice time on, and not taken back for a day's doubt.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Announced(bool);

impl Announced {
    /// Judges today's forecast; `notice` in days. Without a forecast what was told stands.
    pub fn judge(&mut self, departure: Option<&Departure>, notice: f64) -> bool {
        if let Some(&Departure { days: (expected, earliest, _), margin, least_margin, provisional, .. }) = departure
            // Half a step of a coarse probe may be hidden on either side.
            && !(margin + (margin - least_margin) < FALLEN)
        {
            let falls = |days: f64| libm::log1p(margin) <= ABOVE.0 + ABOVE.1 * days;
            let within = |most: f64| expected.is_some_and(|days| days <= most && falls(days));
            let near = earliest <= NEAR.min(notice) || margin <= if provisional { 2.0 * CLOSE } else { CLOSE };
            let forecast = if self.0 {
                within(FAR * notice) || earliest <= notice && expected.is_none_or(falls)
            } else if provisional {
                within(PROVISIONAL.min(notice)) || near && within(notice.min(2.0 * PROVISIONAL))
            } else {
                within(notice) || near && within(DOUBTFUL * notice)
            };
            // What may have left it already as far as the probe can tell is told whatever its steps make of the course.
            let hidden = 2.0 * (margin - least_margin) >= COARSE.0 && least_margin <= COARSE.1;
            self.0 = forecast || hidden;
        }
        self.0
    }

    /// What was told no longer counts: another lamp, another gain, a step.
    pub fn forget(&mut self) {
        self.0 = false;
    }

    /// Whether it is told.
    pub fn stands(self) -> bool {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::decay::Forecast;

    #[test]
    fn what_may_have_left_its_band_is_told_although_a_coarse_probe_shows_no_fall() {
        let never = Forecast { expected: None, earliest: None, latest: None };
        for (least_margin, provisional, told) in
            [(0.1, false, false), (0.05, false, false), (0.02, false, true), (-0.01, false, true), (0.0, true, true)]
        {
            let days = (None, f64::INFINITY, None);
            let (expected, earliest, latest) = (None, None, None);
            let departure = Departure {
                level: 1.1,
                margin: 0.2,
                least_margin,
                provisional,
                hours: never,
                days,
                expected,
                earliest,
                latest,
            };
            let mut announced = Announced::default();
            assert_eq!(announced.judge(Some(&departure), 30.0), told, "{least_margin}");
        }
    }

    #[test]
    fn what_has_fallen_far_below_its_level_is_no_fading() {
        // A thing that lies there leaves a third of the UV for some days: that is told as below its band.
        let soon = Forecast { expected: None, earliest: None, latest: None };
        for (margin, told) in [(0.2, true), (0.01, true), (-0.05, true), (-0.1, false), (-0.2, false), (-0.6, false)] {
            let departure = Departure {
                level: 1.1,
                margin,
                least_margin: margin,
                provisional: false,
                hours: soon,
                days: (Some(60.0), 1.0, None),
                expected: None,
                earliest: None,
                latest: None,
            };
            let mut announced = Announced::default();
            assert_eq!(announced.judge(Some(&departure), 30.0), told, "{margin}");
            let mut announced = Announced(true);
            assert!(announced.judge(Some(&departure), 30.0), "what was told stands");
        }
    }

    #[test]
    fn what_lies_far_above_its_level_cannot_leave_it_today() {
        // Another lamp was fitted without a word: the days before it still lead the course below the level.
        let never = Forecast { expected: None, earliest: None, latest: None };
        for (margin, days, told) in [(0.82, 0.0, false), (0.3, 2.0, false), (0.08, 1.0, true), (0.4, 25.0, true)] {
            let departure = Departure {
                level: 4.5,
                margin,
                least_margin: margin,
                provisional: false,
                hours: never,
                days: (Some(days), days, Some(days)),
                expected: None,
                earliest: None,
                latest: None,
            };
            for before in [false, true] {
                assert_eq!(
                    Announced(before).judge(Some(&departure), 30.0),
                    told,
                    "{margin} in {days} d, told: {before}"
                );
            }
        }
    }
}
