//! UV from lamps at a point: distance, mesh and shade. Sources add.

use crate::units::Uvi;

/// A length in metres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Metres(pub f64);

/// How a lamp's UV thins out with distance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// As from a point: with the square of the distance (physics).
    Point,
    /// As from a long tube seen close-in: with the distance (physics; further off than its length it is a point).
    Line,
}

/// Distance at which [`UvSource::reference`] is stated: 12 in, the nearer of the two at which Schmidt et al. 2010 (Zoo
/// Biology 29:1–12) measured tubes.
pub const REFERENCE: Metres = Metres(0.305);

/// A lamp as a source of UV.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UvSource {
    /// UVI of the new, warm lamp at [`REFERENCE`], nothing in between.
    pub reference: Uvi,
    /// How it thins out.
    pub spread: Spread,
    /// Share the mesh under it lets through.
    pub mesh: f64,
}

impl UvSource {
    /// UVI at `distance` from the new, warm lamp. Nearer than a centimetre counts as a centimetre.
    pub fn at(self, distance: Metres) -> Uvi {
        let ratio = REFERENCE.0 / distance.0.max(0.01);
        let thinned = match self.spread {
            Spread::Point => ratio * ratio,
            Spread::Line => ratio,
        };
        Uvi(self.reference.0 * thinned * self.mesh)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn uv_thins_out_by_the_distance_law() {
        // Inverse square 30 → 45 cm: (30/45)² = 0.4444; a long tube close-in: 30/45 = 0.6667 (physics).
        for (spread, expected) in [(Spread::Point, 0.4444), (Spread::Line, 0.6667)] {
            let source = UvSource { reference: Uvi(5.0), spread, mesh: 1.0 };
            let factor = source.at(Metres(0.45)).0 / source.at(Metres(0.30)).0;
            assert!((factor - expected).abs() < 5e-5, "{factor}");
        }
    }

    #[test]
    fn mesh_takes_its_share_and_no_distance_is_infinite() {
        let bare = UvSource { reference: Uvi(6.0), spread: Spread::Point, mesh: 1.0 };
        let meshed = UvSource { mesh: 0.65, ..bare };
        assert_eq!(meshed.at(REFERENCE).0, 0.65 * bare.at(REFERENCE).0);
        assert!((bare.at(REFERENCE).0 - 6.0).abs() < 1e-12 && bare.at(Metres(0.0)).0.is_finite());
    }
}
