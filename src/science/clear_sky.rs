//! What the sun would give where an animal comes from: the clear-sky UV index over a day, and its dose.
//!
//! Shown beside the enclosure's own day curve and dose. It is the open sky at noon; most reptiles meet far less of it,
//! in shade and at the ends of the day, which is what the zones of [`super::uv`] are about.

use chrono::{DateTime, TimeDelta, Utc};

use super::sun::{seen_from, sun_day};
use super::uv::{ErythemalIrradiance, Sed};
use crate::units::{Degrees, Uvi};

/// A column of ozone in Dobson units: 1 DU is 10 µm of the gas at standard temperature and pressure.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct DobsonUnits(pub f64);

/// The column that the formula is stated for.
pub const OZONE: DobsonUnits = DobsonUnits(300.0);

/// The UV index under a cloudless, unpolluted sky over dark ground near sea level, with the sun's centre at `elevation`:
/// `12.5·μ₀^2.42·(Ω/300)^−1.23`, where μ₀ is the cosine of the angle from the zenith (S. Madronich, "Analytic formula
/// for the clear-sky UV index", Photochem. Photobiol. 83, 2007). Zero below the horizon; a column that is not above
/// zero counts as [`OZONE`].
///
/// It leaves out height (about 8 % a kilometre, COST-713) and the sun's distance (±3 %, physics).
pub fn clear_sky_uvi(elevation: Degrees, ozone: DobsonUnits) -> Uvi {
    let cosine = libm::sin(elevation.radians());
    if !(cosine > 0.0) {
        return Uvi(0.0);
    }
    let column = if ozone.0 > 0.0 { ozone.0 } else { OZONE.0 };
    Uvi(12.5 * libm::pow(cosine, 2.42) * libm::pow(column / 300.0, -1.23))
}

/// How far apart the points of a [`DayCurve`] are.
pub const STEP: TimeDelta = TimeDelta::minutes(10);

/// The clear sky of one day: points from sunrise to sunset, none in polar night.
#[derive(Clone, Debug, PartialEq)]
pub struct DayCurve {
    /// When and how much, [`STEP`] apart from the one at noon.
    pub points: Vec<(DateTime<Utc>, Uvi)>,
}

/// The clear sky at `latitude` and `longitude` on the day whose transit is nearest to `noon`.
pub fn day_curve(latitude: Degrees, longitude: Degrees, noon: DateTime<Utc>, ozone: DobsonUnits) -> DayCurve {
    let day = sun_day(latitude, longitude, noon);
    let Some((from, to)) = day.up() else { return DayCurve { points: Vec::new() } };
    let steps = |span: TimeDelta| i32::try_from(span.num_seconds() / STEP.num_seconds()).unwrap_or(0);
    let points = (-steps(day.transit - from)..=steps(to - day.transit)).map(|step| {
        let at = day.transit + STEP * step;
        (at, clear_sky_uvi(seen_from(latitude, longitude, at).elevation, ozone))
    });
    DayCurve { points: points.collect() }
}

impl DayCurve {
    /// The highest point; zero in polar night.
    pub fn peak(&self) -> Uvi {
        self.points.iter().map(|point| point.1).fold(Uvi(0.0), |peak, uvi| if uvi > peak { uvi } else { peak })
    }

    /// The dose of the whole day, by trapezoids; the ends, within a [`STEP`] of the horizon, hold next to nothing.
    pub fn dose(&self) -> Sed {
        let doses = self.points.windows(2).map(|pair| {
            let span = (pair[1].0 - pair[0].0).to_std().unwrap_or_default();
            ErythemalIrradiance::of(Uvi((pair[0].1.0 + pair[1].1.0) / 2.0)).dose(span).0
        });
        Sed(doses.sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::near;

    #[test]
    fn the_formula_has_its_tabulated_values() {
        // Computed elsewhere from the published formula, for angles from the zenith of 0 to 80° by 10°.
        let table = [
            (300.0, [12.5, 12.0454, 10.7531, 8.8254, 6.5585, 4.2898, 2.3357, 0.9318, 0.1807]),
            (250.0, [15.6424, 15.0735, 13.4564, 11.0440, 8.2072, 5.3682, 2.9229, 1.1660, 0.2261]),
            (350.0, [10.3411, 9.9650, 8.8959, 7.3011, 5.4258, 3.5489, 1.9323, 0.7709, 0.1495]),
            (400.0, [8.7748, 8.4556, 7.5485, 6.1953, 4.6039, 3.0113, 1.6396, 0.6541, 0.1268]),
        ];
        for (ozone, row) in table {
            for (i, expected) in row.into_iter().enumerate() {
                near(clear_sky_uvi(Degrees(90.0 - 10.0 * i as f64), DobsonUnits(ozone)).0, expected, 5.1e-5);
            }
        }
    }

    #[test]
    fn there_is_none_below_the_horizon_and_ozone_is_never_nothing() {
        for elevation in [0.0, -0.1, -90.0, f64::NAN] {
            assert_eq!(clear_sky_uvi(Degrees(elevation), OZONE), Uvi(0.0));
        }
        for ozone in [0.0, -1.0, f64::NAN] {
            near(clear_sky_uvi(Degrees(90.0), DobsonUnits(ozone)).0, 12.5, 1e-12);
        }
    }

    fn curve(latitude: f64, longitude: f64, noon: &str, ozone: DobsonUnits) -> DayCurve {
        day_curve(Degrees(latitude), Degrees(longitude), noon.parse().expect("a time"), ozone)
    }

    #[test]
    fn lauder_has_one_in_winter_and_ten_in_summer() {
        // NIWA (McKenzie): at mid-latitudes (Lauder, 45° S) noon UVI is about 1 at the winter solstice and about 10 at
        // the summer solstice. "About" is taken as ±0.5 and ±1.
        near(curve(-45.04, 169.68, "2025-06-21T00:40:00Z", OZONE).peak().0, 1.0, 0.5);
        near(curve(-45.04, 169.68, "2025-12-21T00:40:00Z", OZONE).peak().0, 10.0, 1.0);
    }

    #[test]
    fn the_tropics_are_extreme_at_noon() {
        // WHO: 11 and more is extreme. The zonal mean of ozone at the equator, about 260 DU, is from memory.
        for noon in ["2025-03-20T17:20:00Z", "2025-06-21T17:15:00Z", "2025-12-21T17:10:00Z"] {
            assert!(curve(-0.18, -78.47, noon, DobsonUnits(260.0)).peak() >= Uvi(11.0), "{noon}");
        }
    }

    #[test]
    fn a_day_is_symmetric_about_noon_and_its_dose_that_of_a_finer_sum() {
        // A sum of one-second rectangles (arithmetic) of the same formula.
        let day = curve(-0.18, -78.47, "2025-03-20T17:20:00Z", OZONE);
        let noon = day.points[day.points.len() / 2].0;
        let seconds = (-22_000..22_000).map(|second| {
            let at = noon + TimeDelta::seconds(second);
            clear_sky_uvi(seen_from(Degrees(-0.18), Degrees(-78.47), at).elevation, OZONE).0
        });
        // UVI 1 for 1 h is 0.9 SED.
        near(day.dose().0, seconds.sum::<f64>() / 3600.0 * 0.9, 0.02);
        near(day.points[0].1.0, day.points[day.points.len() - 1].1.0, 0.02);
    }

    #[test]
    fn polar_night_has_no_points_and_polar_day_all_of_them() {
        let night = curve(69.6492, 18.9553, "2025-12-21T11:00:00Z", OZONE);
        assert_eq!((night.points.len(), night.peak(), night.dose()), (0, Uvi(0.0), Sed(0.0)));
        assert_eq!(curve(69.6492, 18.9553, "2025-06-21T11:00:00Z", OZONE).points.len(), 145);
    }
}
