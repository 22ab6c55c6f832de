//! Readings of which nothing comes.

use crate::time::Mono;

/// A stretch of readings and time: between these values, neither included, and before this moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Above this, in the kept unit …
    pub above: f64,
    /// … below this …
    pub below: f64,
    /// … and before then.
    pub until: Mono,
}

impl Stretch {
    /// Any reading at any time.
    pub const ALL: Stretch = Stretch { above: f64::NEG_INFINITY, below: f64::INFINITY, until: Mono::END };

    /// What lies in both.
    pub fn and(self, other: Stretch) -> Stretch {
        Stretch {
            above: self.above.max(other.above),
            below: self.below.min(other.below),
            until: self.until.min(other.until),
        }
    }

    /// Whether a reading lies in it; a NaN never does.
    pub fn has(&self, now: Mono, value: f64) -> bool {
        value > self.above && value < self.below && now < self.until
    }
}

/// Readings of a row that lay in one stretch, told at once to those who need not hear of each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// The last of them, in the kept unit.
    pub last: f64,
    /// When it came.
    pub at: Mono,
    /// When one last differed from the one before it, where any did.
    pub changed: Option<Mono>,
    /// How many they were.
    pub many: u32,
}
