//! UV as skin sees it: weighting, index, dose, what distance and mesh leave of it, and the zones of Ferguson.
//!
//! These numbers describe lamps and published field studies. They do not replace a meter reading at the animal's place,
//! nor a veterinarian.

use std::time::Duration;

use crate::units::{Percent, Uvi};

/// A wavelength in nanometres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Nanometres(pub f64);

/// A distance in metres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Metres(pub f64);

/// Irradiance per wavelength in W/(m²·nm).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct SpectralIrradiance(pub f64);

/// Erythemally weighted irradiance in W/m².
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct ErythemalIrradiance(pub f64);

/// A dose in standard erythemal doses: 1 SED is 100 J/m², erythemally weighted (ISO/CIE 17166:2019).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Sed(pub f64);

/// 1 W/m² of erythemal irradiance in units of the UV index (ISO/CIE 17166:2019; WMO/WHO).
const UVI_PER_W_M2: f64 = 40.0;

/// 1 SED in J/m² (ISO/CIE 17166:2019).
const J_M2_PER_SED: f64 = 100.0;

/// The erythema reference action spectrum of ISO/CIE 17166:2019 (first in CIE 106/4), 0..=1.
///
/// This is the version with 140 in its third branch, which joins the second at 328 nm; the one of 1987 has 139 there
/// and a step. It is zero outside 250..=400 nm, where the standard gives none. For lamps the lower limit counts: a solar
/// convention that starts at 286.5 nm would hide what a bad lamp emits below.
pub fn erythemal_weight(wavelength: Nanometres) -> f64 {
    match wavelength.0 {
        nm if !(250.0..=400.0).contains(&nm) => 0.0,
        nm if nm <= 298.0 => 1.0,
        nm if nm <= 328.0 => libm::exp10(0.094 * (298.0 - nm)),
        nm => libm::exp10(0.015 * (140.0 - nm)),
    }
}

impl ErythemalIrradiance {
    /// Of a spectrum given point by point, wavelengths rising: the integral of irradiance times [`erythemal_weight`]
    /// (ISO/CIE 17166:2019), by trapezoids. Points half a nanometre apart or closer are fine enough.
    pub fn of_spectrum(points: &[(Nanometres, SpectralIrradiance)]) -> ErythemalIrradiance {
        let weighted = |(nm, irradiance): (Nanometres, SpectralIrradiance)| erythemal_weight(nm) * irradiance.0;
        let pieces =
            points.windows(2).map(|pair| (weighted(pair[0]) + weighted(pair[1])) / 2.0 * (pair[1].0.0 - pair[0].0.0));
        ErythemalIrradiance(pieces.sum())
    }

    /// As a UV index: 40 m²/W times the irradiance (ISO/CIE 17166:2019).
    pub fn uvi(self) -> Uvi {
        Uvi(self.0 * UVI_PER_W_M2)
    }

    /// The irradiance of a UV index.
    pub fn of(uvi: Uvi) -> ErythemalIrradiance {
        ErythemalIrradiance(uvi.0 / UVI_PER_W_M2)
    }

    /// The dose of this irradiance over `span`.
    pub fn dose(self, span: Duration) -> Sed {
        Sed(self.0 * span.as_secs_f64() / J_M2_PER_SED)
    }
}

/// How a lamp's irradiance falls with distance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Falloff {
    /// A small source, or any at several times its size: with the square of the distance.
    Point,
    /// A long tube seen from well within its length: with the distance.
    Line,
}

/// What is left at `to` of what was measured at `from`, as a factor: the inverse-square law for a point, the inverse
/// law for a line (physics). Real reflectors lie between the two, so a reading at the animal's place beats it. Zero for
/// distances that are not above zero.
pub fn distance_factor(falloff: Falloff, from: Metres, to: Metres) -> f64 {
    if !(from.0 > 0.0 && to.0 > 0.0) {
        return 0.0;
    }
    let ratio = from.0 / to.0;
    match falloff {
        Falloff::Point => ratio * ratio,
        Falloff::Line => ratio,
    }
}

/// The share of UVB that a common mesh blocks, least and most: Nevarez (ed.), *Blackwell's Five-Minute Veterinary
/// Consult: Reptile and Amphibian*, which cites Burger, Gehrmann & Ferguson 2007.
pub const MESH_BLOCKS: (Percent, Percent) = (Percent(30.0), Percent(50.0));

/// What a mesh that blocks `blocked` lets pass, as a factor 0..=1; nothing where that is not a number.
pub fn mesh_factor(blocked: Percent) -> f64 {
    if blocked.0.is_nan() { 0.0 } else { 1.0 - (blocked.0 / 100.0).clamp(0.0, 1.0) }
}

/// A UV zone: how animals of one basking habit meet the sun.
///
/// Zones are assigned by field study, never read off a meter: their ranges overlap, and there are readings in none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// 1 to 4.
    pub number: u8,
    /// The basking habit.
    pub habit: &'static str,
    /// Range of the mean UVI that animals of the zone are exposed to.
    pub mean: (Uvi, Uvi),
    /// Range of the highest UVI that they are exposed to: the band of a basking spot.
    pub maximum: (Uvi, Uvi),
    /// Never above, where a keeper names no other ceiling: the next half unit that leaves at least half a unit over the
    /// highest maximum. The margin is a guess.
    pub ceiling: Uvi,
}

/// The zones of Ferguson et al. 2010 (Zoo Biology 29:317-334) with the ranges of Baines et al. 2016 (J. Zoo Aquarium
/// Res. 4(1)), as two independent pages quote them.
pub const FERGUSON: [Zone; 4] = [
    Zone {
        number: 1,
        habit: "crepuscular or shade dweller",
        mean: (Uvi(0.0), Uvi(0.7)),
        maximum: (Uvi(0.6), Uvi(1.4)),
        ceiling: Uvi(2.0),
    },
    Zone {
        number: 2,
        habit: "partial sun or occasional basker",
        mean: (Uvi(0.7), Uvi(1.0)),
        maximum: (Uvi(1.1), Uvi(3.0)),
        ceiling: Uvi(3.5),
    },
    Zone {
        number: 3,
        habit: "open or partial sun basker",
        mean: (Uvi(1.0), Uvi(2.6)),
        maximum: (Uvi(2.9), Uvi(7.4)),
        ceiling: Uvi(8.0),
    },
    Zone {
        number: 4,
        habit: "midday sun basker",
        mean: (Uvi(2.6), Uvi(3.5)),
        maximum: (Uvi(4.5), Uvi(9.5)),
        ceiling: Uvi(10.0),
    },
];

/// The zone called `number`, 1 to 4.
pub fn zone(number: u8) -> Option<&'static Zone> {
    FERGUSON.iter().find(|zone| zone.number == number)
}

/// Every zone whose range of maxima holds `basking`: none, one or two of them.
pub fn zones_with_maximum(basking: Uvi) -> impl Iterator<Item = &'static Zone> {
    FERGUSON.iter().filter(move |zone| zone.maximum.0 <= basking && basking <= zone.maximum.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= expected.abs() * relative, "{found}, expected {expected}");
    }

    #[test]
    fn erythemal_weights_are_those_of_the_standard() {
        // Computed elsewhere from the formula of IES "erythemal action spectrum" (CIE 106/4), 140 version, 6 digits.
        let cases = [
            (250.0, 1.0),
            (298.0, 1.0),
            (300.0, 0.648634),
            (302.0, 0.420727),
            (305.0, 0.219786),
            (310.0, 0.0744732),
            (313.0, 0.0389045),
            (315.0, 0.0252348),
            (320.0, 0.00855067),
            (325.0, 0.00289734),
            (328.0, 0.00151356),
            (330.0, 0.00141254),
            (335.0, 0.00118850),
            (340.0, 0.001),
            (350.0, 7.07946e-4),
            (360.0, 5.01187e-4),
            (365.0, 4.21697e-4),
            (380.0, 2.51189e-4),
            (400.0, 1.25893e-4),
        ];
        for (nm, expected) in cases {
            near(erythemal_weight(Nanometres(nm)), expected, 4e-6);
        }
        for nm in [249.9, 400.1, 401.0, 0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(erythemal_weight(Nanometres(nm)), 0.0, "{nm}");
        }
    }

    #[test]
    fn the_spectrum_is_the_version_without_a_step_at_328_nm() {
        // The 1987 version falls by 3.4 % there.
        near(erythemal_weight(Nanometres(328.000_001)), erythemal_weight(Nanometres(328.0)), 1e-6);
    }

    #[test]
    fn indices_and_doses_agree_with_the_worked_values() {
        // SMHI, STRÅNG units page: 75 mW/m² is UVI 3. NIWA, "Calculation of UVI": 0.25 W/m² is UVI 10.
        for (w_m2, uvi) in [(0.075, 3.0), (0.25, 10.0)] {
            near(ErythemalIrradiance(w_m2).uvi().0, uvi, 1e-12);
            near(ErythemalIrradiance::of(Uvi(uvi)).0, w_m2, 1e-12);
        }
        // Arithmetic of 1 SED = 100 J/m² (IES): UVI 1 for an hour is 90 J/m², UVI 3 for twelve hours 3240 J/m².
        for (uvi, hours, sed) in [(1.0, 1, 0.9), (3.0, 12, 32.4)] {
            near(ErythemalIrradiance::of(Uvi(uvi)).dose(Duration::from_secs(hours * 3600)).0, sed, 1e-12);
        }
    }

    #[test]
    fn the_standard_solar_spectrum_has_the_index_of_a_second_integration() {
        // ASTM G173-03, global, as pvlib ships it; the fixture says how it was made and what NumPy and scipy make of it.
        let fixture = include_str!("../../tests/fixtures/spectrum.csv");
        let printed = |rule: &str| -> f64 {
            let line = fixture.lines().find(|line| line.contains(rule)).expect("the fixture says so");
            line.rsplit(' ').next().expect("a number").parse().expect("a number")
        };
        let spectrum: Vec<(Nanometres, SpectralIrradiance)> = fixture
            .lines()
            .filter_map(|line| line.split_once(','))
            .filter_map(|(nm, irradiance)| {
                Some((Nanometres(nm.parse().ok()?), SpectralIrradiance(irradiance.parse().ok()?)))
            })
            .collect();
        assert_eq!(spectrum.len(), 241, "280 to 400 nm by half nanometres");
        let uvi = ErythemalIrradiance::of_spectrum(&spectrum).uvi().0;
        near(uvi, printed("uvi by trapezoids"), 1e-8);
        near(uvi, printed("uvi by simpson"), 2e-4);
        // Madronich 2007 for the same air mass, 1.5, and ozone, 344 DU, on level ground: 12.5·(1/1.5)^2.42·
        // (344/300)^−1.23 = 3.96. The standard's surface is tilted and its air has aerosol.
        near(uvi, 3.96, 0.1);
        assert_eq!(ErythemalIrradiance::of_spectrum(&spectrum[..1]), ErythemalIrradiance(0.0));
    }

    #[test]
    fn distance_weakens_by_the_law_of_the_source() {
        // Physics: from 30 to 45 cm, (2/3)² and 2/3.
        near(distance_factor(Falloff::Point, Metres(0.30), Metres(0.45)), 4.0 / 9.0, 1e-12);
        near(distance_factor(Falloff::Line, Metres(0.30), Metres(0.45)), 2.0 / 3.0, 1e-12);
        // One keeper's measurement of a UVB lamp with a reflector: 3.8 at about 10 cm, 1.3 at about 20 cm.
        let measured = 1.3 / 3.8;
        assert!(distance_factor(Falloff::Point, Metres(0.1), Metres(0.2)) < measured);
        assert!(measured < distance_factor(Falloff::Line, Metres(0.1), Metres(0.2)));
        for metres in [0.0, -1.0, f64::NAN] {
            assert_eq!(distance_factor(Falloff::Point, Metres(0.3), Metres(metres)), 0.0);
            assert_eq!(distance_factor(Falloff::Line, Metres(metres), Metres(0.3)), 0.0);
        }
    }

    #[test]
    fn mesh_passes_what_it_does_not_block() {
        for (blocked, factor) in [(0.0, 1.0), (30.0, 0.7), (50.0, 0.5), (100.0, 0.0), (120.0, 0.0), (-5.0, 1.0)] {
            assert!((mesh_factor(Percent(blocked)) - factor).abs() < 1e-12);
        }
        assert_eq!(mesh_factor(Percent(f64::NAN)), 0.0);
    }

    #[test]
    fn zones_have_the_published_ranges() {
        // Two independent pages that quote Ferguson 2010 and Baines 2016, with identical numbers.
        let published = [
            (1, (0.0, 0.7), (0.6, 1.4)),
            (2, (0.7, 1.0), (1.1, 3.0)),
            (3, (1.0, 2.6), (2.9, 7.4)),
            (4, (2.6, 3.5), (4.5, 9.5)),
        ];
        for (number, mean, maximum) in published {
            let zone = zone(number).expect("a published zone");
            assert_eq!((zone.mean.0.0, zone.mean.1.0), mean);
            assert_eq!((zone.maximum.0.0, zone.maximum.1.0), maximum);
        }
        for number in [0, 5, 255] {
            assert_eq!(zone(number), None);
        }
    }

    #[test]
    fn the_medians_of_the_study_lie_in_the_zones_they_are_given_for() {
        // Ferguson et al. 2010, abstract: median UVI 0.35 in zone 1, 3.1 in zone 4.
        for (number, median) in [(1, 0.35), (4, 3.1)] {
            let mean = zone(number).expect("a published zone").mean;
            assert!(mean.0 <= Uvi(median) && Uvi(median) <= mean.1);
        }
    }

    #[test]
    fn a_reading_may_fit_no_zone_one_or_two() {
        let zones = |uvi: f64| zones_with_maximum(Uvi(uvi)).map(|zone| zone.number).collect::<Vec<_>>();
        for (uvi, expected) in [
            (0.3, &[][..]),
            (0.8, &[1]),
            (1.2, &[1, 2]),
            (2.95, &[2, 3]),
            (4.0, &[3]),
            (6.0, &[3, 4]),
            (9.0, &[4]),
            (12.0, &[]),
            (f64::NAN, &[]),
        ] {
            assert_eq!(zones(uvi), expected, "{uvi}");
        }
    }

    #[test]
    fn a_ceiling_leaves_at_least_half_a_unit_and_less_than_one() {
        for zone in FERGUSON {
            let margin = zone.ceiling.0 - zone.maximum.1.0;
            assert!((0.5 - 1e-9..1.0).contains(&margin), "zone {}", zone.number);
        }
    }
}
