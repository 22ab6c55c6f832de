//! Circuits with their breakers, and what electricity costs.

use std::time::Duration;

use super::{CircuitIx, Lamp, Settings, When};
use crate::units::{Amperes, Volts, Watts};

/// A breaker is loaded by what is on for three hours or more to this share of its rating at most: NEC 210.20(A) wants a
/// rating of 125 % of the continuous load. Local code may say otherwise.
pub const CONTINUOUS_SHARE: f64 = 0.8;

/// Lamps of one circuit strike no further apart than this, however few they are: our choice, long beside an inrush, which
/// is over in a second (from memory).
pub const STRIKE_GAP_MAX: Duration = Duration::from_secs(1);

/// A circuit with a breaker of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Circuit {
    /// Names the circuit.
    pub name: String,
    /// Rating of the breaker.
    pub breaker: Amperes,
    /// Mains voltage.
    pub voltage: Volts,
    /// All its lamps, however many strike at once, have struck within this; zero: nobody waits.
    pub stagger: Duration,
    /// No more than this is on at once where lamps can wait; none: no limit.
    pub soft_limit: Option<Watts>,
}

impl Circuit {
    /// What the breaker carries.
    pub fn rated(&self) -> Watts {
        Watts(self.breaker.0 * self.voltage.0)
    }

    /// What may be on for hours: 80 % of what the breaker carries.
    pub fn continuous(&self) -> Watts {
        Watts(self.rated().0 * CONTINUOUS_SHARE)
    }

    /// How far apart its lamps strike where it has `lamps` of them: so that the last one strikes within the stagger.
    pub fn strike_gap(&self, lamps: usize) -> Duration {
        let lamps = u32::try_from(lamps).unwrap_or(u32::MAX).max(1);
        let gap = (self.stagger / lamps).min(STRIKE_GAP_MAX);
        Duration::from_millis(u64::try_from(gap.as_millis()).unwrap_or(u64::MAX))
    }
}

/// What a kilowatt-hour costs.
#[derive(Clone, Debug, PartialEq)]
pub struct Tariff {
    /// Price of a kWh.
    pub price: f64,
    /// Of what, as a person writes it.
    pub currency: String,
}

impl Settings {
    /// The lamps of a circuit, in the order of the files.
    pub fn on_circuit(&self, circuit: CircuitIx) -> impl Iterator<Item = &Lamp> {
        let lamps = self.enclosures.iter().flat_map(|enclosure| &enclosure.lamps);
        lamps.filter(move |lamp| lamp.circuit == Some(circuit))
    }

    /// The greatest load that may be on at once on a circuit: by day or by night, and how many of its lamps have no known
    /// power and are not in it.
    pub fn connected_load(&self, circuit: CircuitIx) -> (Watts, usize) {
        let load = |when: When| -> f64 {
            let on = self
                .on_circuit(circuit)
                .filter(|lamp| matches!(lamp.window.when, When::Always) || lamp.window.when == when);
            on.filter_map(|lamp| lamp.power).map(|power| power.0).sum()
        };
        let unknown = self.on_circuit(circuit).filter(|lamp| lamp.power.is_none()).count();
        (Watts(load(When::Day).max(load(When::Night))), unknown)
    }
}
