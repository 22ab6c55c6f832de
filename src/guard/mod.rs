//! The guard law, in a room of its own. Control proposes a level; the guard disposes with a [`Permit`], which only this
//! room can make and which every command to an output needs.
//!
//! | law | held by |
//! |---|---|
//! | 1 every lamp that warms has a guard | `config` refuses one without; [`LampGuard::new`] takes it from the settings |
//! | 2 at or above the cut: off in the same step, rest, three trips latch | [`HeatGuard`] |
//! | 3 no fresh reading, no heat | [`LampGuard::judge`], with the projection of a late reading |
//! | 4 nothing overrides it; latches survive | [`Permit`] has no other maker; [`SafetyRecord`] |
//! | 5 monotonic durations | no wall time enters this room |
//! | 6 a relay that does not obey, cut off upstream | [`Contactor`], asked by control |
//! | 7 heat ends by itself | the `hold` of every ON, by control |
//! | 8 UV above its ceiling | [`CeilingGuard`] |
//! | 9 software is the second line | README |
//!
//! All comparisons are written so that a NaN fails safe.

mod ceiling;
mod contactor;
mod heat;
mod permit;
mod record;
mod stoppage;
mod stretch;
mod wary;
mod weak;

pub use contactor::Contactor;
pub use permit::{Latch, Permit, Refusal};
pub use record::{LampRecord, SafetyRecord};
pub use stoppage::{StillHeats, Stoppage};
pub use stretch::{Row, Stretch};
pub use wary::wary;
pub use weak::WeakWatch;

use std::time::Duration;

use crate::settings::{Lamp, Probe, ProbeIx};
use crate::time::Mono;
use crate::units::{Celsius, Level, Uvi};

use ceiling::CeilingGuard;
use heat::HeatGuard;

/// How many trips within [`TRIP_WINDOW`] latch a guard (guard law 2).
pub const TRIPS_TO_LATCH: usize = 3;
/// The time within which trips add up (guard law 2).
pub const TRIP_WINDOW: Duration = Duration::from_secs(24 * 3600);

/// The guard over one lamp: the last word on its level.
#[derive(Clone, Debug)]
pub struct LampGuard {
    heat: Option<HeatGuard>,
    ceiling: Option<CeilingGuard>,
}

/// What a guard has to say about itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Nothing speaks against heat.
    Clear,
    /// No reading to go by: unheard, silent, projected or frozen.
    Waiting,
    /// Over the cut, or resting after it.
    Tripped,
    /// Off until a person resets it.
    Latched,
}

impl Standing {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Standing::Clear => "clear",
            Standing::Waiting => "waiting",
            Standing::Tripped => "tripped",
            Standing::Latched => "latched",
        }
    }
}

impl LampGuard {
    /// The guard that `lamp` of an enclosure with `probes` needs, started at `now`. No guard probe has been heard yet.
    pub fn new(lamp: &Lamp, probes: &[Probe]) -> LampGuard {
        LampGuard {
            heat: lamp.guard.as_ref().map(|guard| HeatGuard::new(guard.clone(), probes)),
            ceiling: lamp.uv_ceiling.map(|ceiling| CeilingGuard::new(ceiling, probes)),
        }
    }

    /// Takes in a believable temperature of one probe. Tells whether it tripped or latched the guard just now.
    pub fn temperature(&mut self, now: Mono, probe: ProbeIx, reading: Celsius) -> bool {
        self.heat.as_mut().is_some_and(|heat| heat.reading(now, probe, reading))
    }

    /// Takes in a temperature that is in range but not believed, such as a jump: it can trip the guard but never
    /// proves that a probe is alive.
    pub fn doubtful_temperature(&mut self, now: Mono, reading: Celsius) -> bool {
        self.heat.as_mut().is_some_and(|heat| heat.doubtful(now, reading))
    }

    /// Takes in a UV index of one probe. Tells whether it latched the guard just now.
    pub fn uv(&mut self, now: Mono, probe: ProbeIx, reading: Uvi) -> bool {
        self.ceiling.as_mut().is_some_and(|ceiling| ceiling.reading(now, probe, reading))
    }

    /// Whether a UV index of one probe changes no verdict and no deadline.
    pub fn bears_uv(&self, probe: ProbeIx, reading: Uvi) -> bool {
        self.ceiling.as_ref().is_none_or(|ceiling| ceiling.bears(probe, reading))
    }

    /// The level that may be, given what control proposes, with the refusal where that is less. A proposal of OFF is
    /// always granted.
    pub fn judge(&mut self, now: Mono, proposed: Level) -> (Permit, Option<Refusal>) {
        let refusal = self.refusal(now);
        let permit = if refusal.is_some() { Permit::OFF } else { Permit::granted(proposed) };
        if let Some(heat) = &mut self.heat {
            heat.permitted(now, permit.level());
        }
        (permit, refusal)
    }

    /// Why the lamp must be off at `now`, where it must.
    pub fn refusal(&mut self, now: Mono) -> Option<Refusal> {
        let heat = self.heat.as_mut().and_then(|heat| heat.refusal(now));
        let ceiling = self.ceiling.as_mut().and_then(|ceiling| ceiling.refusal(now));
        match (heat, ceiling) {
            (heat, Some(latched)) if !matches!(heat, Some(Refusal::Latched(_))) => Some(latched),
            (heat, _) => heat,
        }
    }

    /// When [`LampGuard::judge`] may answer otherwise without a new reading.
    pub fn next_deadline(&self, now: Mono) -> Option<Mono> {
        let probes = self.heat.iter().flat_map(|heat| heat.probes());
        let silences = probes.filter_map(|probe| self.next_silence(now, probe));
        silences.chain(self.next_timer(now)).min()
    }

    /// Of [`LampGuard::next_deadline`] what stays whatever its temperature probes say.
    pub fn next_timer(&self, now: Mono) -> Option<Mono> {
        let heat = self.heat.as_ref().and_then(|heat| heat.next_timer(now));
        let ceiling = self.ceiling.as_ref().and_then(|ceiling| ceiling.next_deadline(now));
        heat.into_iter().chain(ceiling).min()
    }

    /// Of [`LampGuard::next_deadline`] what the next reading of `probe` puts off.
    pub fn next_silence(&self, now: Mono, probe: ProbeIx) -> Option<Mono> {
        self.heat.as_ref().and_then(|heat| heat.next_silence(now, probe))
    }

    /// Whether no temperature speaks against heat and nothing is amiss with a probe, so that a reading below the cut is
    /// of no consequence as long as the guard [bears](LampGuard::bears) it.
    pub fn is_calm(&self, now: Mono) -> bool {
        self.heat.as_ref().is_none_or(|heat| heat.is_calm(now))
    }

    /// Whether a believable temperature below the cut changes no verdict and no deadline but when its probe will be
    /// silent. Asked only while the guard [is calm](LampGuard::is_calm).
    pub fn bears(&self, now: Mono, probe: ProbeIx, reading: Celsius) -> bool {
        self.heat.as_ref().is_none_or(|heat| heat.bears(now, probe, reading))
    }

    /// Takes in a temperature that it [bears](LampGuard::bears).
    pub fn absorb(&mut self, now: Mono, probe: ProbeIx, reading: Celsius) {
        if let Some(heat) = &mut self.heat {
            heat.absorb(now, probe, reading);
        }
    }

    /// Until when temperatures of `probe` below the cut may be told in [rows](LampGuard::absorb_row) while the guard
    /// [is calm](LampGuard::is_calm); none where they must be told one by one: it has a twin, or may stand still.
    pub fn takes_rows(&self, probe: ProbeIx) -> Option<Mono> {
        self.heat.as_ref().map_or(Some(Mono::END), |heat| heat.takes_rows(probe))
    }

    /// Takes in a row of temperatures below the cut.
    pub fn absorb_row(&mut self, probe: ProbeIx, row: &Row) {
        if let Some(heat) = &mut self.heat {
            heat.absorb_row(probe, row);
        }
    }

    /// For how long a reading of `probe` below `hottest` keeps it from counting as late or silent, at least.
    pub fn lasts(&self, probe: ProbeIx, hottest: Celsius) -> Duration {
        self.heat.as_ref().map_or(Duration::MAX, |heat| heat.lasts(probe, hottest))
    }

    /// A person's reset: ends latches and the verdict on a frozen probe. A reading at or above the cut keeps the lamp
    /// off all the same, and the rest time still runs.
    pub fn reset(&mut self, now: Mono) {
        if let Some(heat) = &mut self.heat {
            heat.reset(now);
        }
        if let Some(ceiling) = &mut self.ceiling {
            ceiling.reset();
        }
    }

    /// How it stands.
    pub fn standing(&mut self, now: Mono) -> Standing {
        match self.refusal(now) {
            None => Standing::Clear,
            Some(Refusal::Latched(_)) => Standing::Latched,
            Some(Refusal::Tripped { .. }) => Standing::Tripped,
            Some(_) => Standing::Waiting,
        }
    }

    /// The cut and the hard limit, for lamps that warm.
    pub fn thresholds(&self) -> Option<(Celsius, Celsius)> {
        self.heat.as_ref().map(HeatGuard::thresholds)
    }

    /// The guard probes that disagree, once they have for the set time: the hottest and the coolest reading.
    pub fn disagreement(&self, now: Mono) -> Option<(Celsius, Celsius)> {
        self.heat.as_ref().and_then(|heat| heat.disagreement(now))
    }

    /// Whether a guard probe is late, and by the worst-case rise could be over the cut by now.
    pub fn is_late(&self, probe: ProbeIx) -> bool {
        self.heat.as_ref().is_some_and(|heat| heat.is_late(probe))
    }

    /// The guard probe that has not moved although its lamp switched.
    pub fn frozen(&self) -> Option<ProbeIx> {
        self.heat.as_ref().and_then(HeatGuard::frozen)
    }

    /// Changes whenever [`LampGuard::record`] would.
    pub fn marker(&self) -> (u8, usize, bool) {
        let (state, trips) = self.heat.as_ref().map_or((0, 0), HeatGuard::marker);
        (state, trips, self.ceiling.as_ref().is_some_and(CeilingGuard::is_latched))
    }

    /// Whether a temperature holds the lamp off, as of when that was last judged: over the cut, resting after it, or latched.
    pub fn is_tripped(&self) -> bool {
        self.heat.as_ref().is_some_and(|heat| !heat.is_clear())
    }

    /// The latch of the ceiling, as of when it was last judged, where that is why the lamp must be off.
    pub fn latched_by_uv(&self) -> Option<Latch> {
        let by_heat = self.heat.as_ref().is_some_and(HeatGuard::is_latched);
        self.ceiling.as_ref().and_then(CeilingGuard::latch).filter(|_| !by_heat)
    }

    /// What must survive a restart; none where there is nothing to remember.
    pub fn record(&self, now: Mono, lamp: &Lamp) -> Option<LampRecord> {
        let mut record = LampRecord::new(lamp);
        if let Some(heat) = &self.heat {
            heat.record(now, &mut record);
        }
        if let Some(ceiling) = &self.ceiling {
            ceiling.record(&mut record);
        }
        record.says_anything().then_some(record)
    }

    /// Takes up what was remembered. Trips count as if they had been at `now`: monotonic time starts anew with the
    /// daemon, and so they latch sooner rather than later.
    pub fn restore(&mut self, now: Mono, record: &LampRecord) {
        if let Some(heat) = &mut self.heat {
            heat.restore(now, record);
        }
        if let Some(ceiling) = &mut self.ceiling {
            ceiling.restore(record);
        }
    }

    /// Carries on from the guard of the same lamp under earlier settings. `same_probe` tells which probe of the earlier
    /// settings a probe of the present ones was.
    pub fn adopt(&mut self, earlier: &LampGuard, same_probe: &dyn Fn(ProbeIx) -> Option<ProbeIx>) {
        if let (Some(heat), Some(earlier)) = (&mut self.heat, &earlier.heat) {
            heat.adopt(earlier, same_probe);
        }
        if let (Some(ceiling), Some(earlier)) = (&mut self.ceiling, &earlier.ceiling) {
            ceiling.adopt(earlier, same_probe);
        }
    }
}

#[cfg(test)]
mod tests;
