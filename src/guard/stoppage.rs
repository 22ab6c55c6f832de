//! Told off, and it still heats or draws power.

use std::fmt;
use std::time::Duration;

use crate::settings::ProbeIx;
use crate::time::Mono;
use crate::units::{Celsius, Kelvin, KelvinPerSecond, Watts};

use super::stretch::{Row, Stretch};

/// A lamp still drawing this share of its rated power is on; a guess.
const POWER_SHARE: f64 = 0.1;
/// Power below this is a meter's noise; a guess.
const POWER_FLOOR: Watts = Watts(3.0);
/// A relay and its power meter need this long to show an OFF; a guess.
const POWER_GRACE: Duration = Duration::from_secs(20);
/// While the lamp's own meter has said within this time that it draws nothing, no temperature says otherwise; a guess.
const METER_TRUSTED: Duration = Duration::from_secs(3 * 60);
/// A rise by this much …
const RISE: Kelvin = Kelvin(4.0);
/// … within this time is a lamp, and neither the room nor an animal that lies down on the probe; both guesses.
const RISE_WITHIN: Duration = Duration::from_secs(20 * 60);
/// A lamp that was lit and whose probe has not cooled at all since it was told off shows by a smaller rise …
const SMALLER_RISE: Kelvin = Kelvin(3.0);
/// … within this time of the OFF, more than any after-heat; both guesses.
const SMALLER_RISE_WITHIN: Duration = Duration::from_secs(30 * 60);
/// Cooling by this much shows that a lamp has ended; a guess.
const FALL: Kelvin = Kelvin(1.0);
/// Far more than differences of temperatures lose to rounding, K.
const ROUNDING: f64 = 1e-9;
/// Noise that no rate is reckoned from; a guess.
const NOISE: Kelvin = Kelvin(0.5);

/// Watches whether a lamp that was told to go off does.
#[derive(Clone, Debug)]
pub struct Stoppage {
    after: Duration,
    slew: KelvinPerSecond,
    rated: Option<Watts>,
    off_since: Option<Mono>,
    on_since: Option<Mono>,
    /// It had been told on for long enough to warm, when it was told off.
    was_lit: bool,
    /// One for each probe, since two of them are never quite alike.
    tracks: Vec<Track>,
    draws: Option<Watts>,
    /// When the lamp's own meter last said that it draws nothing.
    idle: Option<Mono>,
}

/// What one probe has read since the lamp was told off.
#[derive(Clone, Copy, Debug)]
struct Track {
    probe: ProbeIx,
    /// The first reading after the lamp was told off, or after one that jumped.
    at_off: Celsius,
    /// The lamp should have cooled by then.
    judged_from: Mono,
    last: (Celsius, Mono),
    /// The lowest reading since the lamp should have cooled, and when.
    lowest: Option<(Celsius, Mono)>,
    /// Until then a smaller rise is enough, as long as the probe has not cooled at all.
    suspect_until: Option<Mono>,
    heats: Option<Heats>,
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
    /// A watch that gives the lamp `after` to cool before it judges temperatures. No lamp warms faster than `slew`; `rated`
    /// is the lamp's power.
    pub fn new(after: Duration, slew: KelvinPerSecond, rated: Option<Watts>, now: Mono) -> Stoppage {
        Stoppage {
            after,
            slew,
            rated,
            off_since: Some(now),
            on_since: None,
            was_lit: false,
            tracks: Vec::new(),
            draws: None,
            idle: None,
        }
    }

    /// The lamp was told to be on (`true`) or off. Tell it at every change.
    pub fn told(&mut self, now: Mono, on: bool) {
        if on == self.off_since.is_none() {
            return;
        }
        let was_lit = self.on_since.is_some_and(|since| now.since(since) >= self.after);
        let anew = Stoppage::new(self.after, self.slew, self.rated, now);
        *self =
            if on { Stoppage { off_since: None, on_since: Some(now), ..anew } } else { Stoppage { was_lit, ..anew } };
    }

    /// A believable reading of a guard probe. `others_warm`: another lamp there may be warming it.
    pub fn temperature(&mut self, now: Mono, probe: ProbeIx, reading: Celsius, cut: Celsius, others_warm: bool) {
        let Some(off_since) = self.off_since else { return };
        if self.is_idle(now) {
            self.tracks.clear();
            return;
        }
        let after = self.after;
        let fresh = |judged_from| Track {
            probe,
            at_off: reading,
            judged_from,
            last: (reading, now),
            lowest: None,
            suspect_until: None,
            heats: None,
        };
        let suspect_until = self.was_lit.then(|| off_since.after(SMALLER_RISE_WITHIN));
        match self.tracks.iter_mut().find(|track| track.probe == probe) {
            Some(track) if track.jumps(now, reading, self.slew) => *track = fresh(now.after(after)),
            Some(track) => track.reading(now, reading, cut, others_warm),
            None => {
                let mut track = Track { suspect_until, ..fresh(off_since.after(after)) };
                track.reading(now, reading, cut, others_warm);
                self.tracks.push(track);
            }
        }
    }

    /// A fresh reading of the lamp's own power probe.
    pub fn power(&mut self, now: Mono, reading: Watts) {
        let Some(off_since) = self.off_since else { return };
        let draws = reading.0 >= self.threshold();
        self.draws = (draws && now.since(off_since) >= POWER_GRACE).then_some(reading);
        self.idle = if draws { None } else { Some(now) };
    }

    /// Whether this reading of the lamp's own power probe leaves what it shows as it is.
    pub fn bears_power(&self, reading: Watts) -> bool {
        self.off_since.is_none() || (self.draws.is_none() && reading.0 < self.threshold())
    }

    /// Whether readings of the lamp's own power probe decide what temperatures show.
    pub fn heeds_power(&self) -> bool {
        self.off_since.is_some()
    }

    /// Whether this reading of a guard probe would show nothing: [`Stoppage::evidence`] stays none.
    pub fn bears(&self, now: Mono, probe: ProbeIx, reading: Celsius, cut: Celsius, others_warm: bool) -> bool {
        if self.off_since.is_none() {
            return true;
        }
        if self.is_idle(now) {
            return self.tracks.iter().all(|track| track.heats.is_none());
        }
        let track = self.tracks.iter().find(|track| track.probe == probe);
        // The first since the lamp was told off rises above nothing.
        track.map_or(reading < cut, |track| track.bears(now, reading, cut, others_warm))
    }

    /// Which readings of a guard probe need not be told one by one, as long as each differs from the one before by less than
    /// [`Stoppage::ROW_STEP`]; none where any must.
    pub fn takes_rows(&self, now: Mono, probe: ProbeIx, others_warm: bool) -> Option<Stretch> {
        if self.off_since.is_none() {
            return Some(Stretch::ALL);
        }
        if self.is_idle(now) {
            return None;
        }
        self.tracks.iter().find(|track| track.probe == probe)?.takes_rows(now, others_warm)
    }

    /// Readings of a row differ by less than this, K, from one to the next: nothing jumps.
    pub const ROW_STEP: f64 = NOISE.0;

    /// Takes in a row of readings of a guard probe, all of them within what [`Stoppage::takes_rows`] said.
    pub fn absorb_row(&mut self, probe: ProbeIx, row: &Row, others_warm: bool) {
        if self.off_since.is_some()
            && let Some(track) = self.tracks.iter_mut().find(|track| track.probe == probe)
        {
            track.last = (Celsius(row.last), row.at);
            if others_warm && row.at >= track.judged_from {
                track.lowest = Some(track.last);
            }
        }
    }

    /// Whether the lamp's own meter has said lately that it draws nothing.
    fn is_idle(&self, now: Mono) -> bool {
        self.idle.is_some_and(|at| now.since(at) <= METER_TRUSTED)
    }

    /// A lamp that draws this, in watts, is on.
    fn threshold(&self) -> f64 {
        self.rated.map_or(POWER_FLOOR.0, |rated| (rated.0 * POWER_SHARE).max(POWER_FLOOR.0))
    }

    /// How the lamp shows that it is on although it was told off.
    pub fn evidence(&self) -> Option<StillHeats> {
        if let Some(watts) = self.draws {
            return Some(StillHeats::Power(watts));
        }
        let heats = self.tracks.iter().find_map(|track| track.heats)?;
        Some(StillHeats::Temperature { from: heats.from, to: heats.peak })
    }
}

impl Track {
    /// Whether a reading has risen faster than any lamp can make it: then the probe has moved, or is not itself, and what
    /// it read before says nothing about what comes.
    fn jumps(&self, now: Mono, reading: Celsius, slew: KelvinPerSecond) -> bool {
        let (last, at) = self.last;
        (reading - last).0 > NOISE.0 + slew.0 * now.since(at).as_secs_f64()
    }

    /// Whether [`Track::reading`] would find nothing.
    fn bears(&self, now: Mono, reading: Celsius, cut: Celsius, others_warm: bool) -> bool {
        if self.heats.is_some() || !(reading < cut) {
            return false;
        }
        // What rises by less than any rise that counts shows nothing whenever it is judged.
        let from =
            self.lowest.map_or(self.at_off, |(lowest, _)| if lowest < self.at_off { lowest } else { self.at_off });
        if reading - from < SMALLER_RISE {
            return true;
        }
        let suspect = !others_warm && self.suspect_until.is_some_and(|until| now <= until);
        let rises = self.lowest.is_some_and(|(lowest, _)| !others_warm && !(reading - lowest < RISE));
        !rises && (!suspect || reading - self.at_off < SMALLER_RISE)
    }

    /// Which readings below the cut, from `now` on, [`Track::reading`] would do no more with than remember the last.
    fn takes_rows(&self, now: Mono, others_warm: bool) -> Option<Stretch> {
        if self.heats.is_some() {
            return None;
        }
        let at_off = self.at_off.0;
        let cooled = self.suspect_until.map_or(f64::NEG_INFINITY, |_| at_off - FALL.0 + ROUNDING);
        if now < self.judged_from {
            return Some(Stretch { above: cooled, below: f64::INFINITY, until: self.judged_from });
        }
        let suspect = Stretch { above: cooled, below: at_off + SMALLER_RISE.0 - ROUNDING, until: Mono::END };
        if others_warm {
            return Some(Stretch { below: f64::INFINITY, ..suspect });
        }
        let (Celsius(lowest), since) = self.lowest?;
        let below = lowest + RISE.0 - ROUNDING;
        let risen = Stretch { above: lowest.next_down(), below, until: since.after(RISE_WITHIN) };
        Some(if self.suspect_until.is_some() { risen.and(suspect) } else { risen })
    }

    fn reading(&mut self, now: Mono, reading: Celsius, cut: Celsius, others_warm: bool) {
        self.last = (reading, now);
        if let Some(heats) = &mut self.heats {
            if reading > heats.peak {
                heats.peak = reading;
            } else if heats.peak - reading >= FALL {
                self.heats = None;
                self.lowest = Some((reading, now));
            }
            return;
        }
        if self.at_off - reading >= FALL {
            self.suspect_until = None;
        }
        if now < self.judged_from {
            return;
        }
        let suspect = !others_warm && self.suspect_until.is_some_and(|until| now <= until);
        if suspect && reading - self.at_off >= SMALLER_RISE {
            self.heats = Some(Heats { from: self.at_off, peak: reading });
            return;
        }
        let over_and_not_cooling = !(reading < cut) && !(self.at_off - reading >= FALL);
        if over_and_not_cooling {
            self.heats = Some(Heats { from: self.at_off, peak: reading });
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
}
