//! What a UV probe reads when there is no UV.

use std::time::Duration;

use crate::science::robust::Recent;
use crate::time::Mono;

/// Lamps at the probe must have been off this long, by every account, before its reading counts as background; a guess,
/// longer than any report or probe is late.
pub(in crate::control) const SETTLED: Duration = Duration::from_secs(10 * 60);
/// Readings from this many different times are enough to know it …
const ENOUGH: usize = 5;
/// … and this many of the last are kept …
const KEPT: usize = 31;
/// … no nearer to each other than this, so that one evening does not fill them; all three guesses.
const APART: Duration = Duration::from_secs(10 * 60);

/// The background of one probe.
#[derive(Clone, Debug)]
pub(super) struct Background {
    recent: Recent,
    last: Option<Mono>,
    value: f64,
    known: bool,
}

impl Background {
    pub(super) fn new() -> Background {
        Background { recent: Recent::new(KEPT), last: None, value: 0.0, known: false }
    }

    /// Takes a reading with every lamp at the probe off and settled.
    pub(super) fn learn(&mut self, now: Mono, reading: f64) {
        if self.last.is_some_and(|last| now.since(last) < APART) {
            return;
        }
        self.last = Some(now);
        self.recent.push(reading);
        if self.recent.count() >= ENOUGH
            && let Some(middle) = self.recent.median()
        {
            (self.value, self.known) = (middle, true);
        }
    }

    /// In the probe's unit; zero until it is known.
    pub(super) fn value(&self) -> f64 {
        self.value
    }

    /// The value, where it has been learnt.
    pub(super) fn known(&self) -> Option<f64> {
        self.known.then_some(self.value)
    }

    /// Takes up what was known before a restart.
    pub(super) fn restore(&mut self, value: f64) {
        (self.value, self.known) = (value, true);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_middle_of_a_few_readings_apart_in_time() {
        let mut background = Background::new();
        for second in (0..3600).step_by(10) {
            background.learn(Mono::from_secs(second), if second < 600 { 9.0 } else { 0.2 });
        }
        assert_eq!(background.known(), Some(0.2), "one odd time in six does not move it");
        let mut young = Background::new();
        young.learn(Mono::START, 0.3);
        assert_eq!((young.known(), young.value()), (None, 0.0));
    }
}
