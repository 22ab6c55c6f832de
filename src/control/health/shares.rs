//! Which of several lamps at one probe gives how much of its UV.
//!
//! Sources add. When one lamp switches while the others stand still, warm or off, the level changes by what that lamp
//! gives. Lamps that only ever switch together cannot be told apart, and then the program says so.

use serde::{Deserialize, Serialize};

/// A new edge counts at least so much beside those before; a guess: a week of daily edges.
const WEIGHT: f64 = 0.15;
/// Contributions whose sum is off the level of all together by more than this share do not add up; a guess, a few times
/// what shade and warm-up leave in single edges.
const ADDS_UP: f64 = 0.15;

/// What one lamp adds to the level, in the probe's own unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contribution {
    /// Smoothed over its edges.
    level: f64,
    /// How many edges it comes from.
    edges: u32,
}

/// The lamps at one probe, in the probe's order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Shares(Vec<Contribution>);

/// How well lamps at a probe can be told apart.
#[derive(Clone, Debug, PartialEq)]
pub enum Apart {
    /// Each one's share is known.
    Known,
    /// These, by their place at the probe, have never switched alone.
    Never(Vec<usize>),
    /// What they give one by one, as a multiple of what they give together.
    DoNotAddUp(f64),
}

impl Shares {
    /// For so many lamps, of which nothing is known.
    pub fn new(lamps: usize) -> Shares {
        Shares(vec![Contribution::default(); lamps])
    }

    /// Lamp `lamp` has come on (or gone off) alone, and the level went from `before` to `after`, both settled.
    pub fn edge(&mut self, lamp: usize, on: bool, before: f64, after: f64) {
        let rise = if on { after - before } else { before - after };
        let Some(contribution) = self.0.get_mut(lamp).filter(|_| rise.is_finite()) else { return };
        contribution.edges = contribution.edges.saturating_add(1);
        let weight = (1.0 / f64::from(contribution.edges)).max(WEIGHT);
        contribution.level += weight * (rise.max(0.0) - contribution.level);
    }

    /// Another lamp hangs in the place of `lamp`.
    pub fn forget(&mut self, lamp: usize) {
        if let Some(contribution) = self.0.get_mut(lamp) {
            *contribution = Contribution::default();
        }
    }

    /// How well the lamps can be told apart, where they give `total` together.
    pub fn apart(&self, total: f64) -> Apart {
        let unknown: Vec<usize> = (0..self.0.len()).filter(|&lamp| self.0[lamp].edges == 0).collect();
        let sum: f64 = self.0.iter().map(|contribution| contribution.level).sum();
        let times = sum / total;
        match unknown.len() {
            0 if (times - 1.0).abs() <= ADDS_UP || self.0.len() == 1 => Apart::Known,
            0 => Apart::DoNotAddUp(times),
            // One alone is what the others leave.
            1 if times <= 1.0 => Apart::Known,
            1 => Apart::DoNotAddUp(times),
            _ => Apart::Never(unknown),
        }
    }

    /// The share of `lamp` in the `total` of all; none where that cannot be told.
    pub fn of(&self, lamp: usize, total: f64) -> Option<f64> {
        if self.0.len() == 1 {
            return Some(1.0);
        }
        let contribution = self.0.get(lamp)?;
        let sum: f64 = self.0.iter().map(|contribution| contribution.level).sum();
        let share = match self.apart(total) {
            Apart::DoNotAddUp(_) => return None,
            Apart::Never(_) if contribution.edges == 0 => return None,
            Apart::Known if contribution.edges == 0 => 1.0 - sum / total,
            Apart::Known if self.0.iter().all(|contribution| contribution.edges > 0) => contribution.level / sum,
            Apart::Known | Apart::Never(_) => contribution.level / total,
        };
        (share.is_finite() && share > 0.0 && share <= 1.0).then_some(share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The shares found after edges of these lamps, each with what it gives, around a total.
    fn shares(lamps: usize, edges: &[(usize, f64)]) -> Shares {
        let mut shares = Shares::new(lamps);
        for (day, &(lamp, gives)) in edges.iter().enumerate() {
            let on = day % 2 == 0;
            let (before, after) = if on { (1.0, 1.0 + gives) } else { (1.0 + gives, 1.0) };
            shares.edge(lamp, on, before, after);
        }
        shares
    }

    #[test]
    fn each_lamp_s_edge_gives_its_share_and_the_last_one_is_what_is_left() {
        let both = shares(2, &[(0, 3.0), (1, 1.0), (0, 3.0), (1, 1.0)]);
        assert_eq!((both.of(0, 4.0), both.of(1, 4.0), both.apart(4.0)), (Some(0.75), Some(0.25), Apart::Known));
        let one = shares(2, &[(0, 3.0)]);
        assert_eq!((one.of(0, 4.0), one.of(1, 4.0)), (Some(0.75), Some(0.25)));
        assert_eq!(Shares::new(1).of(0, 2.0), Some(1.0));
    }

    #[test]
    fn lamps_that_never_switch_alone_are_not_told_apart() {
        let mut some = shares(3, &[(2, 1.0)]);
        assert_eq!((some.of(0, 4.0), some.of(2, 4.0)), (None, Some(0.25)));
        assert_eq!(some.apart(4.0), Apart::Never(vec![0, 1]));
        some.forget(2);
        assert_eq!(some.apart(4.0), Apart::Never(vec![0, 1, 2]));
    }

    #[test]
    fn a_sum_that_is_not_the_whole_is_told() {
        // Facts of the trade: two sources' readings add (common practice, no source).
        let off = shares(2, &[(0, 3.0), (1, 3.0)]);
        assert_eq!((off.apart(4.0), off.of(0, 4.0)), (Apart::DoNotAddUp(1.5), None));
        let more = shares(2, &[(0, 5.0)]);
        assert_eq!((more.apart(4.0), more.of(1, 4.0)), (Apart::DoNotAddUp(1.25), None));
    }

    #[test]
    fn one_bad_edge_moves_a_known_share_little_and_broken_ones_not_at_all() {
        let mut shares = shares(2, &[(0, 3.0), (1, 1.0)].repeat(10));
        let before = shares.of(0, 4.0).expect("known");
        shares.edge(0, true, 1.0, 2.5);
        assert!((shares.of(0, 4.0).expect("known") - before).abs() < 0.03);
        let known = shares.clone();
        shares.edge(0, true, f64::NAN, 1.0);
        shares.edge(7, true, 0.0, 1.0);
        assert_eq!(shares, known);
    }
}
