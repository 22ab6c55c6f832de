//! The chain of causes: what turns into what and how fast, and how likely each piece of evidence is under each.

use std::time::Duration;

use crate::science::sequential::Turn;

use super::eye::Sight;
use super::{Cause, Peers, Tally};

/// Hidden states of the chain; the last two are both [`Cause::Shaded`].
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
pub(super) const STATES: usize = 8;

pub(super) const CAUSES: [Cause; STATES] = [
    Cause::Well,
    Cause::LampDark,
    Cause::NoUv,
    Cause::ProbeDead,
    Cause::RelayOpen,
    Cause::SupplyDead,
    Cause::Shaded,
    Cause::Shaded,
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
pub(super) const PRIOR: [f64; STATES] = [0.7, 0.005, 0.001, 0.002, 0.002, 0.002, 0.28, 1e-5];

/// What turns into what within some time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turns {
    /// What becomes of a lamp without a fault: of one that is well, shaded and covered.
    from_well: Leaving,
    from_shade: Leaving,
    from_cover: Leaving,
    /// How likely a fault has ended.
    repaired: f64,
}

impl Turns {
    /// The turns of a lamp whose light a probe sees (`eyed`), that of UV for one (`uv`), within `span`; `hidden`: share of all
    /// shade that the probe cannot tell from darkness.
    pub(super) fn within(span: Duration, eyed: bool, uv: bool, hidden: f64) -> Turns {
        let hours = span.as_secs_f64() / 3600.0;
        let covers = COVERS + LIES_DOWN * hidden;
        let leaving = |others: [(usize, f64); 2]| Leaving::within(hours, uv, others);
        let repaired = 1.0 - libm::exp(-REPAIRED * hours);
        if !eyed {
            let failing = leaving([(WELL, 0.0); 2]);
            return Turns { from_well: failing, from_shade: failing, from_cover: failing, repaired };
        }
        Turns {
            from_well: leaving([(SHADE, LIES_DOWN), (COVER, covers)]),
            from_shade: leaving([(WELL, GETS_UP), (COVER, covers)]),
            from_cover: leaving([(WELL, MOVES / 2.0), (SHADE, MOVES / 2.0)]),
            repaired,
        }
    }

    /// All of them.
    pub(super) fn all(&self) -> impl Iterator<Item = Turn> {
        let leaving = [(WELL, &self.from_well), (SHADE, &self.from_shade), (COVER, &self.from_cover)];
        let fail = leaving
            .into_iter()
            .flat_map(|(from, leaving)| leaving.to.iter().map(move |&(to, chance)| Turn { from, to, chance }));
        fail.chain(FAULTS.iter().map(|&(from, _)| Turn { from, to: WELL, chance: self.repaired }))
    }
}

/// What a lamp without a fault becomes within some time, and how likely.
#[derive(Clone, Copy, Debug)]
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
    if beside_uv {
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
        for own in [WELL, OUT, NO_UV, DEAD, SHADE, COVER] {
            logs[own] -= dark(peers.relay);
        }
    }
    if peers.supply.lit > 0 {
        logs[SUPPLY] -= PEERS_LIT;
    } else if peers.supply.dark > 0 {
        for own in [WELL, OUT, NO_UV, DEAD, SHADE, COVER, RELAY] {
            logs[own] -= dark(peers.supply);
        }
    }
    logs
}
