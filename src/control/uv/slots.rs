//! What a UV probe read while its lamps were warm, in slots of five minutes.

use std::collections::VecDeque;
use std::time::Duration;

use crate::science::robust::{self, median};
use crate::time::Mono;

/// Readings this long are taken together, by their middle: a guess, short beside a day and long beside a probe's beat.
pub(in crate::control) const SLOT: Duration = Duration::from_secs(5 * 60);
/// The span that is judged, of time with the lamps warm. An animal may lie on the probe for a whole day of 14 h, as one
/// does now and then, and still leave the upper sixth of this to the lamp; a guess.
const WINDOW: Duration = Duration::from_secs(18 * 3600);
/// The whole of it is judged anew after so many slots, half an hour: a sort of all of them is dear.
const ANEW: usize = 6;
/// Where so many of the slots were not in the shade …
const FREE: f64 = 0.9;
/// … and they scatter by no more than this share, nothing lay on the probe that moves as an animal does: one that turns over
/// all the time makes a scatter in which nothing stands out. Both guesses.
const STEADY: f64 = 0.03;
/// … and only of so many of the probe's steps: what is left past an animal stands as still as that by one that is coarse. A guess.
const STEPS: f64 = 4.0;
/// A rise is believed after this much: nothing that lies on a probe adds UV; a guess.
pub(super) const RECENT: usize = 12;
/// What a probe has given of late is judged by so many slots, six hours of warm light: an animal gets up within, and what was
/// moved is found within a day; a guess.
pub(super) const LATE: usize = 72;
/// A slot that has ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::control) struct Slot {
    /// The middle of its readings, in the probe's unit.
    pub(in crate::control) value: f64,
    /// When its first reading came.
    pub(in crate::control) from: Mono,
}

/// The slots of one probe.
#[derive(Clone, Debug, Default)]
pub(super) struct Slots {
    open: Vec<f64>,
    since: Option<Mono>,
    /// Newest last. Kept in single precision: a year of ten thousand probes should not fill a small board.
    ended: VecDeque<f32>,
    /// Slots that make a window, and those that make an hour, from how often the probe speaks.
    size: usize,
    hour: usize,
    /// Slots since the window was last judged.
    unjudged: usize,
    /// The smallest step between two slots so far.
    step: Option<f32>,
}

impl Slots {
    pub(super) fn new(every: Duration) -> Slots {
        let length = SLOT.max(every).as_secs_f64();
        let size = (WINDOW.as_secs_f64() / length).ceil().max(4.0) as usize;
        let hour = (RECENT as f64 * SLOT.as_secs_f64() / length).ceil().max(4.0) as usize;
        Slots { size, hour, ..Slots::default() }
    }

    /// Takes a reading with every lamp warm; gives the slot that it ends.
    pub(super) fn push(&mut self, now: Mono, reading: f64) -> Option<Slot> {
        let ended = self.since.filter(|&since| now.since(since) >= SLOT).and_then(|since| self.close(since));
        self.since.get_or_insert(now);
        self.open.push(reading);
        ended
    }

    fn close(&mut self, since: Mono) -> Option<Slot> {
        self.since = None;
        let value = median(&mut self.open);
        self.open.clear();
        let value = value?;
        if self.ended.len() >= self.size {
            self.ended.pop_front();
        }
        let moved = self.ended.back().map(|last| (value as f32 - last).abs()).filter(|&moved| moved > 0.0);
        self.step = [self.step, moved].into_iter().flatten().reduce(f32::min);
        self.ended.push_back(value as f32);
        self.unjudged += 1;
        Some(Slot { value, from: since })
    }

    /// A lamp switched, or the probe fell silent: the slot under way is of no use.
    pub(super) fn interrupt(&mut self) {
        self.open.clear();
        self.since = None;
    }

    /// Nothing seen so far counts: another lamp, or another place.
    pub(super) fn clear(&mut self) {
        self.interrupt();
        self.ended.clear();
    }

    /// How many slots have been seen, and how many make a window.
    pub(super) fn seen(&self) -> usize {
        self.ended.len()
    }

    pub(super) fn wanted(&self) -> usize {
        self.size
    }

    /// Whether a whole window has been seen.
    pub(super) fn is_full(&self) -> bool {
        self.ended.len() >= self.size
    }

    /// What the lamps give, where that can be told: by the last third of a window, where nothing lay on the probe or more
    /// is seen than `before`; else by a whole one, whatever lay there for most of it ([`robust::unshaded`]). Nothing, where
    /// no slot saw anything.
    pub(super) fn judged(&mut self, before: Option<f64>) -> Option<f64> {
        let third = self.size / 3;
        let from = self.ended.len().checked_sub(third)?;
        let values: Vec<f64> = self.ended.range(from..).map(|&value| f64::from(value)).collect();
        let lit = robust::unshaded(&values);
        let coarse = STEPS * self.step.map_or(0.0, f64::from);
        let free = |lit: &robust::Unshaded| {
            lit.scatter <= STEADY && lit.count as f64 >= FREE * third as f64 && lit.value >= coarse
                || before.is_some_and(|before| lit.value >= before)
        };
        if lit.is_none() || lit.as_ref().is_some_and(free) {
            return Some(lit.map_or(0.0, |lit| lit.value));
        }
        if !self.is_full() || self.unjudged < ANEW {
            return None;
        }
        self.unjudged = 0;
        let values: Vec<f64> = self.ended.iter().map(|&value| f64::from(value)).collect();
        Some(robust::unshaded(&values).map_or(0.0, |lit| lit.value))
    }

    /// What the probe has given of late, whatever lay on it for most of that; none where too little was seen.
    pub(super) fn of_late(&self) -> Option<f64> {
        let from = self.ended.len().saturating_sub(LATE);
        let values: Vec<f64> = self.ended.range(from..).map(|&value| f64::from(value)).collect();
        (values.len() >= RECENT).then(|| robust::unshaded(&values)).flatten().map(|lit| lit.value)
    }

    /// What the lamps gave in the last hour.
    pub(super) fn recent(&self) -> Option<f64> {
        let from = self.ended.len().checked_sub(self.hour)?;
        median(&mut self.ended.range(from..).map(|&value| f64::from(value)).collect::<Vec<_>>())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slot_is_the_middle_of_its_readings_and_one_that_was_interrupted_is_none() {
        let mut slots = Slots::new(Duration::from_secs(60));
        let mut ended = Vec::new();
        for (minute, reading) in (0..).zip([4.0, 4.2, 0.1, 4.1, 4.0, 5.0, 5.0]) {
            ended.extend(slots.push(Mono::from_secs(minute * 60), reading));
        }
        assert_eq!(ended, [Slot { value: 4.0, from: Mono::START }]);
        slots.interrupt();
        assert_eq!(slots.push(Mono::from_secs(600), 5.0), None);
        assert!(!slots.is_full() && slots.recent().is_none());
    }

    #[test]
    fn the_last_hour_is_an_hour_however_seldom_the_probe_speaks() {
        for (every, readings) in [(60_u64, 30_u64), (300, 7), (600, 4)] {
            let mut slots = Slots::new(Duration::from_secs(every));
            (0..200).for_each(|at| _ = slots.push(Mono::from_secs(at * every), 5.0));
            // The lamp is hung higher: half an hour and a reading later that is most of an hour.
            (200..=200 + readings + 300 / every).for_each(|at| _ = slots.push(Mono::from_secs(at * every), 3.0));
            assert!(slots.recent().is_some_and(|recent| recent <= 4.0), "every {every} s: {:?}", slots.recent());
        }
    }

    #[test]
    fn one_step_that_stands_still_is_no_light_that_nothing_lies_in() {
        // Six hours of 1.5, by steps of a tenth and of a thousandth, then an animal for as long.
        for (step, judged) in [(0.1, None), (0.001, Some(0.1))] {
            let mut slots = Slots::new(Duration::from_secs(600));
            for slot in 0..=73_u64 {
                let level = if slot > 36 { 0.1 } else { 1.5 + step * (slot % 2) as f64 };
                slots.push(Mono::from_secs(slot * 600), level);
            }
            let found = slots.judged(None).map(|lit| (10.0 * lit).round() / 10.0);
            assert_eq!(found.filter(|&lit| lit < 1.0), judged, "{step}");
        }
    }
}
