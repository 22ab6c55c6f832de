//! Told off, and it still heats or draws power.

use std::fmt;
use std::time::Duration;

use crate::time::Mono;
use crate::units::{Celsius, Kelvin, Watts};

/// A lamp still drawing this share of its rated power is on; a guess.
const POWER_SHARE: f64 = 0.1;
/// Power below this is a meter's noise; a guess.
const POWER_FLOOR: Watts = Watts(3.0);
/// A relay and its power meter need this long to show an OFF; a guess.
const POWER_GRACE: Duration = Duration::from_secs(20);
/// A rise by this much …
const RISE: Kelvin = Kelvin(4.0);
/// … within this time is a lamp, and neither the room nor an animal that lies down on the probe; both guesses.
const RISE_WITHIN: Duration = Duration::from_secs(20 * 60);
/// Cooling by this much shows that a lamp has ended; a guess.
const FALL: Kelvin = Kelvin(1.0);

/// Watches whether a lamp that was told to go off does.
#[derive(Clone, Debug)]
pub struct Stoppage {
    after: Duration,
    rated: Option<Watts>,
    off_since: Option<Mono>,
    /// The reading when the lamp was told off, or the first one after it.
    at_off: Option<Celsius>,
    /// The lowest reading since the lamp should have cooled, and when.
    lowest: Option<(Celsius, Mono)>,
    heats: Option<Heats>,
    draws: Option<Watts>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Heats {
    from: Celsius,
    peak: Celsius,
}

/// How a lamp that was told off shows that it is on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StillHeats {
    /// It draws power.
    Power(Watts),
    /// The reading rises, or stays over the cut.
    Temperature {
        /// From here.
        from: Celsius,
        /// To here.
        to: Celsius,
    },
}

impl fmt::Display for StillHeats {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StillHeats::Power(watts) => write!(f, "it still draws {watts}"),
            StillHeats::Temperature { from, to } => write!(f, "the reading went from {from} to {to} since"),
        }
    }
}

impl Stoppage {
    /// A watch that gives the lamp `after` to cool before it judges temperatures. `rated` is the lamp's power.
    pub fn new(after: Duration, rated: Option<Watts>, now: Mono) -> Stoppage {
        Stoppage { after, rated, off_since: Some(now), at_off: None, lowest: None, heats: None, draws: None }
    }

    /// The lamp was told to be on (`true`) or off. Tell it at every change.
    pub fn told(&mut self, now: Mono, on: bool) {
        match (on, self.off_since) {
            (true, _) => *self = Stoppage { off_since: None, ..Stoppage::new(self.after, self.rated, now) },
            (false, None) => *self = Stoppage::new(self.after, self.rated, now),
            (false, Some(_)) => {}
        }
    }

    /// A believable reading of a guard probe. `others_warm`: another lamp there may be warming it.
    pub fn temperature(&mut self, now: Mono, reading: Celsius, cut: Celsius, others_warm: bool) {
        let Some(off_since) = self.off_since else { return };
        let at_off = *self.at_off.get_or_insert(reading);
        if let Some(heats) = &mut self.heats {
            if reading > heats.peak {
                heats.peak = reading;
            } else if heats.peak - reading >= FALL {
                self.heats = None;
                self.lowest = Some((reading, now));
            }
            return;
        }
        if now.since(off_since) < self.after {
            return;
        }
        let over_and_not_cooling = !(reading < cut) && !(at_off - reading >= FALL);
        if over_and_not_cooling {
            self.heats = Some(Heats { from: at_off, peak: reading });
            return;
        }
        match self.lowest {
            Some((lowest, since)) if !others_warm && reading >= lowest && now.since(since) <= RISE_WITHIN => {
                if reading - lowest >= RISE {
                    self.heats = Some(Heats { from: lowest, peak: reading });
                }
            }
            _ => self.lowest = Some((reading, now)),
        }
    }

    /// A fresh reading of the lamp's own power probe.
    pub fn power(&mut self, now: Mono, reading: Watts) {
        let Some(off_since) = self.off_since else { return };
        let threshold = self.rated.map_or(POWER_FLOOR.0, |rated| (rated.0 * POWER_SHARE).max(POWER_FLOOR.0));
        self.draws = (now.since(off_since) >= POWER_GRACE && reading.0 >= threshold).then_some(reading);
    }

    /// How the lamp shows that it is on although it was told off.
    pub fn evidence(&self) -> Option<StillHeats> {
        if let Some(watts) = self.draws {
            return Some(StillHeats::Power(watts));
        }
        self.heats.map(|heats| StillHeats::Temperature { from: heats.from, to: heats.peak })
    }
}
