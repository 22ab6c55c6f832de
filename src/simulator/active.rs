//! The faults of a run: when each comes and goes, and which are in force.

use std::time::Duration;

use super::fault::{Fault, Spells, Subject, Switch, TimedFault};
use super::random::Pcg32;

/// A fault that has come and not gone.
#[derive(Clone, Debug)]
struct Active {
    /// Where it stands in the list of faults.
    number: usize,
    /// What it is.
    fault: Fault,
    /// When it came, ms.
    since: u64,
    /// Its spells, where it has any.
    spells: Option<Spelling>,
}

/// Spells that come and go.
#[derive(Clone, Debug)]
struct Spelling {
    /// How long they are.
    spells: Spells,
    /// Whether one is on.
    on: bool,
    /// When that changes, ms.
    until: u64,
    /// What they are drawn from.
    generator: Pcg32,
}

/// What happens to a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Turn {
    /// It is in force, or is no more; also as a spell.
    Changes(Fault),
    /// It is an act and happens now.
    Happens(Fault),
}

/// Comings and goings in order of time. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct Faults {
    /// Tells what each draws.
    seed: u64,
    /// Moment, whether it comes, number, fault; of those at one moment, in the order of the list.
    turns: Vec<(u64, bool, usize, Fault)>,
    /// How many of them have happened.
    turned: usize,
    /// Faults that have come and not gone.
    active: Vec<Active>,
    /// When the next spell changes.
    flip: u64,
}

impl Faults {
    /// None has come yet.
    pub fn new(faults: &[TimedFault], seed: u64) -> Faults {
        let mut turns = Vec::with_capacity(2 * faults.len());
        for (number, timed) in faults.iter().enumerate() {
            let goes = timed.until.filter(|_| !timed.fault.is_act()).map(millis);
            // One that ends before it begins never comes.
            if goes.is_none_or(|goes| goes > millis(timed.at)) {
                turns.push((millis(timed.at), true, number, timed.fault));
                turns.extend(goes.map(|goes| (goes, false, number, timed.fault)));
            }
        }
        turns.sort_by_key(|(at, ..)| *at);
        Faults { seed, turns, turned: 0, active: Vec::new(), flip: u64::MAX }
    }

    /// When something changes next.
    pub fn next(&self) -> u64 {
        self.turns.get(self.turned).map_or(u64::MAX, |(at, ..)| *at).min(self.flip)
    }

    /// Lets the next change happen, which is due at `now`: comings and goings before spells.
    pub fn turn(&mut self, now: u64) -> Option<Turn> {
        if let Some((_, comes, number, fault)) = self.turns.get(self.turned).copied().filter(|(at, ..)| *at <= now) {
            self.turned += 1;
            if comes && fault.is_act() {
                return Some(Turn::Happens(fault));
            }
            if comes {
                self.active.push(Active { number, fault, since: now, spells: self.spelling(fault, now) });
            } else {
                self.active.retain(|active| active.number != number);
            }
            self.plan();
            return Some(Turn::Changes(fault));
        }
        let due = |active: &&mut Active| active.spells.as_ref().is_some_and(|spells| spells.until <= now);
        let active = self.active.iter_mut().find(due)?;
        active.spells.as_mut()?.flip(now);
        let fault = active.fault;
        self.plan();
        Some(Turn::Changes(fault))
    }

    /// Finds when the next spell changes.
    fn plan(&mut self) {
        let until = self.active.iter().filter_map(|active| Some(active.spells.as_ref()?.until));
        self.flip = until.min().unwrap_or(u64::MAX);
    }

    /// The spells of a fault that comes now.
    fn spelling(&self, fault: Fault, now: u64) -> Option<Spelling> {
        let spells = match fault {
            Fault::LampFlickers(.., spells) | Fault::AnimalLiesOn(.., spells) => spells,
            _ => return None,
        };
        let mut spelling =
            Spelling { spells, on: false, until: now, generator: Pcg32::new(self.seed, stream(fault, now)) };
        spelling.flip(now);
        Some(spelling)
    }

    /// Every fault in force, with when it came.
    pub fn in_force(&self) -> impl Iterator<Item = (Fault, u64)> {
        let on = |active: &&Active| active.spells.as_ref().is_none_or(|spells| spells.on);
        self.active.iter().filter(on).map(|active| (active.fault, active.since))
    }

    /// Ends every fault for which `over` holds, before its time.
    pub fn end(&mut self, over: impl Fn(Fault) -> bool) {
        self.active.retain(|active| !over(active.fault));
        self.plan();
    }
}

impl Spelling {
    /// One begins, or ends, at `now`.
    fn flip(&mut self, now: u64) {
        self.on = !self.on;
        let mean = millis(if self.on { self.spells.last } else { self.spells.apart }) as f64;
        // At least a millisecond, or time would stand still.
        self.until = now.saturating_add(((0.5 + self.generator.unit()) * mean) as u64).max(now + 1);
    }
}

/// A moment or span in whole milliseconds.
pub(super) fn millis(at: Duration) -> u64 {
    at.as_secs().saturating_mul(1000).saturating_add(u64::from(at.subsec_millis()))
}

/// Streams from here on belong to faults.
const STREAMS: u64 = 1 << 62;

/// The stream a fault draws from: its class, part and moment by FNV-1a (G. Fowler, L. C. Noll, K.-P. Vo), 64 bits.
fn stream(fault: Fault, now: u64) -> u64 {
    let (kind, a, b) = match fault.subject() {
        Subject::Site => (0, 0, 0),
        Subject::Enclosure(e) => (1, e.0, 0),
        Subject::Lamp(e, l) => (2, e.0, l.0),
        Subject::Switch(Switch::Lamp(e, l)) => (3, e.0, l.0),
        Subject::Switch(Switch::CutOff(c)) => (4, c.0, 0),
        Subject::Probe(e, p) => (5, e.0, p.0),
    };
    let numbers = [kind, a as u64, b as u64, now].into_iter().flat_map(u64::to_le_bytes);
    let hash = fault.class().bytes().chain(numbers);
    hash.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)) >> 2
        | STREAMS
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{EnclosureIx, LampIx, ProbeIx};

    const E: EnclosureIx = EnclosureIx(0);
    const L: LampIx = LampIx(0);

    fn timed(at: u64, until: Option<u64>, fault: Fault) -> TimedFault {
        TimedFault { at: Duration::from_millis(at), until: until.map(Duration::from_millis), fault }
    }

    fn names(faults: &Faults) -> Vec<&'static str> {
        faults.in_force().map(|(fault, _)| fault.class()).collect()
    }

    #[test]
    fn overlapping_faults_of_one_kind_end_with_the_last() {
        let breaks = Fault::LampBreaks(E, L);
        let mut faults = Faults::new(&[timed(10, Some(30), breaks), timed(20, Some(40), breaks)], 1);
        for (at, many) in [(10, 1), (20, 2), (30, 1), (40, 0)] {
            assert_eq!(faults.next(), at);
            assert_eq!(faults.turn(at), Some(Turn::Changes(breaks)));
            assert_eq!(faults.in_force().count(), many, "{at}");
        }
        assert_eq!(faults.next(), u64::MAX);
    }

    #[test]
    fn a_fault_without_length_never_comes_and_an_act_has_no_end() {
        let changed = Fault::LampIsChanged(E, L, 1.0);
        let faults = [
            timed(10, Some(10), Fault::LampBreaks(E, L)),
            timed(9, Some(3), Fault::PowerFails),
            timed(5, Some(6), changed),
        ];
        let mut faults = Faults::new(&faults, 1);
        assert_eq!((faults.next(), faults.turn(5)), (5, Some(Turn::Happens(changed))));
        assert_eq!((faults.next(), names(&faults)), (u64::MAX, vec![]));
    }

    #[test]
    fn spells_keep_their_mean_and_do_not_depend_on_other_faults() {
        let spells = Spells { last: Duration::from_secs(60), apart: Duration::from_secs(600) };
        let lies = timed(1000, Some(100_000_000), Fault::AnimalLiesOn(E, ProbeIx(1), spells));
        let flips = |list: &[TimedFault]| {
            let mut faults = Faults::new(list, 7);
            let mut flips = Vec::new();
            while faults.next() < u64::MAX && flips.len() < 1000 {
                let at = faults.next();
                if faults.turn(at).is_some_and(|turn| turn == Turn::Changes(lies.fault)) {
                    flips.push((at, faults.in_force().any(|(fault, _)| fault == lies.fault)));
                }
            }
            flips
        };
        let alone = flips(&[lies]);
        assert_eq!(alone, flips(&[timed(500, Some(77_777), Fault::PowerFails), lies]));
        assert_eq!((alone[0], alone[alone.len() - 1]), ((1000, true), (100_000_000, false)));
        let spans = |on: bool| alone.windows(2).filter(move |pair| pair[0].1 == on).map(|pair| pair[1].0 - pair[0].0);
        // 150 spells drawn evenly from 30 to 90 s: the mean lies within 5·17.3/√150 = 7.1 s of 60 (five standard
        // errors).
        let lengths: Vec<u64> = spans(true).collect();
        let mean = lengths.iter().sum::<u64>() as f64 / lengths.len() as f64;
        assert!(lengths.len() > 120 && (mean - 60_000.0).abs() < 7100.0, "{mean}");
        assert!(lengths[..lengths.len() - 1].iter().all(|ms| (30_000..=90_000).contains(ms)));
        assert!(spans(false).all(|ms| (300_000..=900_000).contains(&ms) || ms < 900_000));
    }
}
