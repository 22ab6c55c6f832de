//! From a raw probe to a UV index: the gain that meter readings give it, and how far that gain is to be trusted.
//!
//! Each pairing sets what a hand meter showed at the probe's place against the robust middle of the raw readings around
//! that moment, while the lamp was warm ([`super::robust::Recent`]). The series' calibrated UVI is gain × (raw −
//! background). A gain belongs to the lamps fitted: probes and meters weigh wavelengths differently, and another lamp
//! emits others.
//!
//! A wrong gain misjudges every band. Where an animal shows closed or swollen eyes or stops basking, believe the animal
//! and ask a veterinarian, whatever the numbers say.

use super::robust::{deviation, median};
use crate::units::Uvi;

/// A standard uncertainty as a share of the value.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Relative(pub f64);

/// How good a hand meter for UV is, as a standard uncertainty: about ±10 %, common practice, no source. All readings of
/// one meter share this error, so more of them do not make it smaller.
pub const METER: Relative = Relative(0.10);

/// How well a reading at one place repeats when the hand is put there anew: a guess.
pub const PLACING: Relative = Relative(0.05);

/// A meter reading set against the probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pairing {
    /// What the meter showed.
    pub meter: Uvi,
    /// What the probe gave then, less its background, in its own unit.
    pub raw: f64,
    /// Standard uncertainty of this pairing apart from the meter's own: [`PLACING`] and the scatter of the probe.
    pub spread: Relative,
}

/// UVI per unit of a probe.
#[derive(Clone, Debug, PartialEq)]
pub struct Gain {
    /// UVI per raw unit.
    pub value: f64,
    /// Standard uncertainty, the meter's with it.
    pub uncertainty: Relative,
    /// How much the pairings disagree beyond what their spreads explain: the Birge ratio (R. T. Birge, Phys. Rev. 40,
    /// 1932), 1 where they do not. The uncertainty is widened by it.
    pub disagreement: f64,
    /// Pairings left out as outliers, by their place in the list, lowest first.
    pub outliers: Vec<usize>,
}

/// A pairing is an outlier beyond so many robust standard deviations from the median: B. Iglewicz & D. C. Hoaglin, *How
/// to Detect and Handle Outliers*, 1993 (NIST/SEMATECH e-Handbook 1.3.5.17); the number from memory.
const OUTLIER: f64 = 3.5;

/// The gain of a probe from `pairings` by one meter of standard uncertainty `meter`: the weighted mean of the logarithms
/// of meter over raw, by inverse variances, without outliers. From three pairings on one can be told as an outlier; of
/// two that disagree nobody knows which is wrong, and the disagreement says so. None where no pairing is usable, that
/// is finite and above zero.
pub fn gain(pairings: &[Pairing], meter: Relative) -> Option<Gain> {
    let ratio = |pairing: &Pairing| {
        let ratio = libm::log(pairing.meter.0 / pairing.raw);
        let is_usable = pairing.meter.0 > 0.0 && pairing.raw > 0.0 && pairing.spread.0 > 0.0;
        (is_usable && ratio.is_finite() && pairing.spread.0.is_finite()).then_some((ratio, pairing.spread.0))
    };
    let usable: Vec<(usize, (f64, f64))> =
        pairings.iter().enumerate().filter_map(|(i, pairing)| Some((i, ratio(pairing)?))).collect();
    let mut ratios: Vec<f64> = usable.iter().map(|(_, (ratio, _))| *ratio).collect();
    let (middle, bulk) = (median(&mut ratios)?, deviation(&mut ratios)?);
    let is_outlier = |ratio: f64, spread: f64| usable.len() >= 3 && (ratio - middle).abs() > OUTLIER * bulk.max(spread);
    let outliers =
        usable.iter().filter(|(_, (ratio, spread))| is_outlier(*ratio, *spread)).map(|(i, _)| *i).collect::<Vec<_>>();
    let kept: Vec<(f64, f64)> =
        usable.iter().filter(|(i, _)| !outliers.contains(i)).map(|(_, (ratio, s))| (*ratio, 1.0 / (s * s))).collect();
    let weight: f64 = kept.iter().map(|(_, weight)| weight).sum();
    let mean = kept.iter().map(|(ratio, weight)| ratio * weight).sum::<f64>() / weight;
    let squares: f64 = kept.iter().map(|(ratio, weight)| weight * (ratio - mean) * (ratio - mean)).sum();
    let disagreement = if kept.len() < 2 { 1.0 } else { (squares / (kept.len() - 1) as f64).sqrt().max(1.0) };
    let of_pairings = disagreement / weight.sqrt();
    let uncertainty = Relative((of_pairings * of_pairings + meter.0 * meter.0).sqrt());
    Some(Gain { value: libm::exp(mean), uncertainty, disagreement, outliers })
}

impl Gain {
    /// The UV index of a raw reading less its background, never below zero.
    pub fn uvi(&self, raw: f64) -> Uvi {
        Uvi((self.value * raw).max(0.0))
    }

    /// How far a new gain lies from this one, in standard deviations of what two meter sessions should differ by: both
    /// uncertainties without `meter`, which they share. Several say that something changed: the lamp, the mesh, the
    /// probe's place, or the meter.
    pub fn jump_to(&self, next: &Gain, meter: Relative) -> f64 {
        let own = |gain: &Gain| (gain.uncertainty.0 * gain.uncertainty.0 - meter.0 * meter.0).max(0.0);
        libm::log(next.value / self.value) / (own(self) + own(next)).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::near;

    fn pairings(list: &[(f64, f64, f64)]) -> Vec<Pairing> {
        list.iter().map(|&(meter, raw, spread)| Pairing { meter: Uvi(meter), raw, spread: Relative(spread) }).collect()
    }

    #[test]
    fn one_meter_reading_is_good_to_the_meter_and_the_hand() {
        // Root of the sum of squares (GUM, JCGM 100:2008, 5.1.2): √(0.10² + 0.05²).
        let gain = gain(&pairings(&[(3.0, 600.0, 0.05)]), METER).expect("usable");
        near(gain.value, 0.005, 1e-12);
        near(gain.uncertainty.0, 0.1118034, 1e-7);
        near(gain.uvi(800.0).0, 4.0, 1e-12);
        assert_eq!((gain.uvi(-5.0), gain.disagreement), (Uvi(0.0), 1.0));
    }

    #[test]
    fn many_readings_average_out_the_hand_and_not_the_meter() {
        let many = vec![Pairing { meter: Uvi(3.0), raw: 600.0, spread: PLACING }; 100];
        near(gain(&many, METER).expect("usable").uncertainty.0, (0.01_f64 + 0.000_025).sqrt(), 1e-12);
    }

    #[test]
    fn pairings_are_weighed_by_their_inverse_variances() {
        // Weights 1/0.02² = 2500 and 1/0.04² = 625, that is 4 : 1, on logarithms: 0.005·1.05^(1/5) (arithmetic).
        let gain = gain(&pairings(&[(3.0, 600.0, 0.02), (3.15, 600.0, 0.04)]), Relative(0.0)).expect("usable");
        near(gain.value, 0.005 * libm::pow(1.05, 0.2), 1e-12);
        // χ² = (ln 1.05)²/(0.02² + 0.04²) = 1.1903 with one degree of freedom: Birge ratio 1.0910.
        near(gain.disagreement, 1.0910, 1e-4);
        near(gain.uncertainty.0, 1.0910 / 3125.0_f64.sqrt(), 1e-6);
    }

    #[test]
    fn an_outlier_is_named_and_left_out() {
        let mut list = pairings(&[(3.0, 600.0, 0.05), (3.1, 600.0, 0.05), (1.5, 600.0, 0.05), (2.9, 600.0, 0.05)]);
        let without = gain(&[list[0], list[1], list[3]], METER).expect("usable");
        let with = gain(&list, METER).expect("usable");
        assert_eq!(with, Gain { outliers: vec![2], ..without });
        // Two that agree by chance do not make an outlier of a third within its spread.
        let close = pairings(&[(3.0, 600.0, 0.05), (3.0, 600.0, 0.05), (3.2, 600.0, 0.05)]);
        assert!(gain(&close, METER).expect("usable").outliers.is_empty());
        list.truncate(3);
        assert_eq!(gain(&list, METER).expect("usable").outliers, [2]);
        let two = gain(&list[1..], METER).expect("usable");
        assert!(two.outliers.is_empty() && two.disagreement > 9.0 && two.uncertainty.0 > 0.3, "{two:?}");
    }

    #[test]
    fn what_is_no_reading_is_no_pairing() {
        let nan = f64::NAN;
        for broken in
            [(0.0, 1.0, 0.1), (1.0, 0.0, 0.1), (-1.0, 1.0, 0.1), (nan, 1.0, 0.1), (1.0, nan, 0.1), (1.0, 1.0, 0.0)]
        {
            assert_eq!(gain(&pairings(&[broken]), METER), None, "{broken:?}");
            let after = gain(&pairings(&[broken, (3.0, 600.0, 0.05)]), METER).expect("one usable");
            near(after.value, 0.005, 1e-12);
        }
        assert_eq!(gain(&[], METER), None);
    }

    #[test]
    fn a_jump_is_told_in_standard_deviations() {
        let of = |meter: f64| gain(&pairings(&[(meter, 600.0, 0.05)]), METER).expect("usable");
        // ln 2 over √(2·0.05²) (arithmetic).
        let expected = std::f64::consts::LN_2 / 0.005_f64.sqrt();
        near(of(3.0).jump_to(&of(6.0), METER), expected, 1e-9);
        near(of(6.0).jump_to(&of(3.0), METER), -expected, 1e-9);
    }
}
