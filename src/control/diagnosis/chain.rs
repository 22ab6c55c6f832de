//! The chain of causes: what turns into what and how fast, and how likely each piece of evidence is under each.

use std::time::Duration;

use crate::science::sequential::Turn;

use super::eye::Sight;
use super::{Cause, Peers, Tally};

/// Hidden states of the chain; two of them are both [`Cause::Shaded`].
pub(super) const WELL: usize = 0;
pub(super) const OUT: usize = 1;
pub(super) const NO_UV: usize = 2;
pub(super) const DEAD: usize = 3;
pub(super) const RELAY: usize = 4;
pub(super) const SUPPLY: usize = 5;
/// Shaded, with light left that the probe can see.
pub(super) const SHADE: usize = 6;
/// Shaded, with none left that the probe can see.
pub(super) const COVER: usize = 7;
/// Well, beside another lamp at its probe that is dark.
pub(super) const OTHER: usize = 8;
pub(super) const STATES: usize = 9;

pub(super) const CAUSES: [Cause; STATES] = [
    Cause::Well,
    Cause::LampDark,
    Cause::NoUv,
    Cause::ProbeDead,
    Cause::RelayOpen,
    Cause::SupplyDead,
    Cause::Shaded,
    Cause::Shaded,
    Cause::OtherDark,
];

/// How often a well lamp goes dark, loses its UV alone, its probe dies, its relay fails and its supply fails, per hour:
/// guesses, about two faults in a year together.
pub(super) const FAULTS: [(usize, f64); 5] = [
    (OUT, 1.0 / 8000.0),
    (NO_UV, 1.0 / 16_000.0),
    (DEAD, 1.0 / 16_000.0),
    (RELAY, 1.0 / 40_000.0),
    (SUPPLY, 1.0 / 40_000.0),
];
/// How often another lamp that is lit at the same probe goes dark: as often as this one.
const OTHER_FAILS: f64 = 1.0 / 8000.0 + 1.0 / 16_000.0 + 2.0 / 40_000.0;
/// A fault ends by itself or by a person once in a thousand hours; a guess, and a slow one, so that a night in which
/// nothing can be seen does not blur what was found: a lamp that burns again is seen at once.
pub(super) const REPAIRED: f64 = 1.0 / 1000.0;
/// An animal lies down on the probe once in an hour of light and stays for half an hour on average: a third of the day.
pub(super) const LIES_DOWN: f64 = 1.0;
pub(super) const GETS_UP: f64 = 2.0;
/// So that the probe sees nothing at all, although it could: once in eighty thousand hours. A guess that rests on the
/// animal leaving some light.
pub(super) const COVERS: f64 = 1.0 / 80_000.0;
/// An animal that leaves nothing the probe could see moves after ten minutes on average; a guess.
pub(super) const MOVES: f64 = 6.0;

/// What is taken before anything was seen: guesses.
pub(super) const PRIOR: [f64; STATES] = [0.7, 0.005, 0.001, 0.002, 0.002, 0.002, 0.28, 1e-5, 0.0];

/// Most turns that a chain has: faults, with that of another lamp, from three states and back, and three states among each
/// other.
const TURNS: usize = 4 * (FAULTS.len() + 1) + 6;

/// What turns into what within some time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turns {
    all: [Turn; TURNS],
    many: usize,
}

impl Turns {
    /// The turns of a lamp whose light a probe sees (`eyed`), that of UV for one (`uv`), within `span`; `hidden`: share of all
    /// shade that the probe cannot tell from darkness; `others`: another lamp of known light is lit there.
    pub(super) fn within(span: Duration, eyed: bool, uv: bool, hidden: f64, others: bool) -> Turns {
        let mut turns = Turns { all: [Turn::default(); TURNS], many: 0 };
        let hours = span.as_secs_f64() / 3600.0;
        if others {
            let fails = 1.0 - libm::exp(-OTHER_FAILS * hours);
            [WELL, SHADE, COVER].into_iter().for_each(|from| turns.push(from, OTHER, fails));
        }
        let covers = COVERS + LIES_DOWN * hidden;
        let leaving = |others: [(usize, f64); 2]| Leaving::within(hours, uv, others);
        if eyed {
            turns.leave(WELL, &leaving([(SHADE, LIES_DOWN), (COVER, covers)]));
            turns.leave(SHADE, &leaving([(WELL, GETS_UP), (COVER, covers)]));
            turns.leave(COVER, &leaving([(WELL, MOVES / 2.0), (SHADE, MOVES / 2.0)]));
        } else {
            let failing = leaving([(WELL, 0.0); 2]);
            [WELL, SHADE, COVER].into_iter().for_each(|from| turns.leave(from, &failing));
        }
        let repaired = 1.0 - libm::exp(-REPAIRED * hours);
        FAULTS.iter().for_each(|&(fault, _)| turns.push(fault, WELL, repaired));
        turns.push(OTHER, WELL, repaired);
        turns
    }

    /// What may become of a lamp without a fault.
    fn leave(&mut self, from: usize, leaving: &Leaving) {
        leaving.to.iter().for_each(|&(to, chance)| self.push(from, to, chance));
    }

    fn push(&mut self, from: usize, to: usize, chance: f64) {
        if chance > 0.0 && self.many < TURNS {
            self.all[self.many] = Turn { from, to, chance };
            self.many += 1;
        }
    }

    pub(super) fn as_slice(&self) -> &[Turn] {
        &self.all[..self.many]
    }
}

/// What a lamp without a fault becomes within some time, and how likely.
struct Leaving {
    to: [(usize, f64); FAULTS.len() + 2],
}

impl Leaving {
    /// A fault (that of UV alone, where there is `uv`), or one of `others`, by their rates per hour.
    fn within(hours: f64, uv: bool, others: [(usize, f64); 2]) -> Leaving {
        let [a, b, c, d, e] = FAULTS.map(|(fault, rate)| (fault, if uv || fault != NO_UV { rate } else { 0.0 }));
        let mut to = [a, b, c, d, e, others[0], others[1]];
        let all = to.iter().fold(0.0, |all, (_, rate)| all + rate);
        let leaves = (1.0 - libm::exp(-all * hours)) / all;
        to.iter_mut().for_each(|(_, rate)| *rate *= leaves);
        Leaving { to }
    }
}

/// Likelihoods of a slot of UV.
pub(super) fn by_uv(sight: &Sight) -> [f64; STATES] {
    let mut logs = [sight.nothing; STATES];
    logs[WELL] = sight.full;
    logs[SHADE] = sight.shaded;
    logs[DEAD] = sight.dead;
    logs[OTHER] = sight.other;
    // Light of others on the same supply says that there is power.
    if sight.crowd == Some(true) {
        logs[SUPPLY] -= PEERS_LIT;
    }
    logs
}

/// Likelihoods of a slot of light; `beside_uv`: the UV probe is another one, with its own death and its own shade.
pub(super) fn by_light(sight: &Sight, beside_uv: bool) -> [f64; STATES] {
    let mut logs = [sight.nothing; STATES];
    logs[WELL] = sight.full;
    logs[OTHER] = sight.other;
    if beside_uv {
        // Another that has lost its UV alone gives its light.
        logs[OTHER] = sight.other.max(sight.full);
        logs[NO_UV] = sight.full;
        logs[DEAD] = sight.full;
        // What lies on the one probe may leave the other alone. It is no less likely for that: a state that others turn
        // into must not lose to one that stays.
        let also = libm::log(0.5);
        logs[SHADE] = sight.full.max(sight.shaded + also).max(sight.nothing + also);
        logs[COVER] = logs[SHADE];
    } else {
        logs[DEAD] = sight.dead;
        logs[SHADE] = sight.shaded;
    }
    logs
}

/// Likelihoods where the lamp burns or does not, by evidence of this weight.
pub(super) fn by_burning(burns: bool, weight: f64) -> [f64; STATES] {
    let mut logs = [if burns { 0.0 } else { -weight }; STATES];
    for dark in [OUT, RELAY, SUPPLY] {
        logs[dark] = if burns { -weight } else { 0.0 };
    }
    logs
}

/// Where others light the probe too, what is taken for their light and for shade may be off, and be off in the same way in
/// every slot of so long: an animal lies as it lies for a quarter of an hour, a guess. Slots nearer to each other than that
/// share one error, and count for less together.
const ALIKE_FOR: Duration = Duration::from_secs(15 * 60);
/// What is further behind than this, as a logarithm, is no matter of such errors; a guess.
const IN_ERROR: f64 = 4.0;

/// `logs` of a slot after `span`, of a probe that others light too.
pub(super) fn tempered(logs: [f64; STATES], span: Duration) -> [f64; STATES] {
    let best = logs.into_iter().fold(f64::NEG_INFINITY, f64::max);
    let counts = (span.as_secs_f64() / ALIKE_FOR.as_secs_f64()).min(1.0);
    let tempered = |log: f64| {
        let behind = best - log;
        best - behind + (1.0 - counts) * behind.min(IN_ERROR)
    };
    if best.is_finite() { logs.map(tempered) } else { logs }
}

/// `logs`, none further behind the best than `most`.
pub(super) fn bounded(logs: [f64; STATES], most: f64) -> [f64; STATES] {
    let best = logs.into_iter().fold(f64::NEG_INFINITY, f64::max);
    if best.is_finite() { logs.map(|log| log.max(best - most)) } else { logs }
}

/// Weight of each other lamp that is dark too, of at most three, and of others that are lit; guesses.
pub(super) const PEER_DARK: f64 = 2.0;
pub(super) const PEERS_LIT: f64 = 4.0;

/// Likelihoods by what other lamps on the same relay and supply do.
pub(super) fn by_peers(peers: &Peers) -> [f64; STATES] {
    let mut logs = [0.0; STATES];
    let dark = |tally: Tally| PEER_DARK * f64::from(tally.dark.min(3));
    if peers.relay.lit > 0 {
        logs[RELAY] -= PEERS_LIT;
        logs[SUPPLY] -= PEERS_LIT;
    } else if peers.relay.dark > 0 {
        for own in [WELL, OUT, NO_UV, DEAD, SHADE, COVER, OTHER] {
            logs[own] -= dark(peers.relay);
        }
    }
    if peers.supply.lit > 0 {
        logs[SUPPLY] -= PEERS_LIT;
    } else if peers.supply.dark > 0 {
        for own in [WELL, OUT, NO_UV, DEAD, SHADE, COVER, RELAY, OTHER] {
            logs[own] -= dark(peers.supply);
        }
    }
    logs
}
