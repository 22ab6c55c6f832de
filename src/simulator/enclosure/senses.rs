//! What the probes of an enclosure sense, followed from beat to beat, and gliding over what they say plainly.

use crate::science::thermal::{COURSE, Course};
use crate::settings::{EnclosureIx, Measures, ProbeIx};
use crate::simulator::gauge::Gauge;
use crate::simulator::lamp::UV_PARTS;
use crate::simulator::message::Message;
use crate::simulator::uv::Metres;

use super::{EnclosurePlant, Surroundings};

impl EnclosurePlant {
    /// Lets happen whatever is due up to and at `to`, handing plain readings to `takes`, until something else is said
    /// or `takes` refuses. What ended it stands in `out`; what else is due at its moment is still to come. Returns the
    /// moment reached.
    pub fn glide(
        &mut self,
        to: u64,
        around: &Surroundings,
        takes: &mut impl FnMut(u64, EnclosureIx, ProbeIx, f64) -> bool,
        out: &mut Vec<Message>,
    ) -> u64 {
        let before = out.len();
        loop {
            let (now, probe, others) = first(self.probes.iter().map(|gauge| gauge.probe.next()));
            if self.stirs <= to && self.stirs <= now {
                let now = self.stirs;
                self.stir(now, around, out);
                if out.len() > before {
                    return now;
                }
            } else if now > to {
                return to;
            } else if self.probes[probe].is_plain() {
                let until = others.min(to).min(self.stirs - 1);
                if let Some(last) = self.read_on(until, probe, takes) {
                    let probe = &self.probes[probe].probe;
                    out.push(probe.said(probe.value(), || around.wall(last)));
                    return last;
                }
            } else {
                self.speak(now, probe, around, out);
                if out.len() > before {
                    return now;
                }
            }
        }
    }

    /// Reads a plain probe at each of its moments up to and at `until`, until `takes` refuses; the moment at which it did.
    fn read_on(
        &mut self,
        until: u64,
        probe: usize,
        takes: &mut impl FnMut(u64, EnclosureIx, ProbeIx, f64) -> bool,
    ) -> Option<u64> {
        let (e, p) = self.probes[probe].probe.ix();
        let mut takes = |now: u64, value: f64| takes(now, e, p, value);
        while self.probes[probe].probe.next() <= until {
            let Gauge { probe: plant, track, .. } = &mut self.probes[probe];
            let refused = plant.read_on(track, until, &mut takes);
            if refused.is_some() {
                return refused;
            }
            let now = plant.next();
            if now <= until {
                let sensed = self.sense_anew(now, probe);
                let plant = &mut self.probes[probe].probe;
                let number = plant.read_plainly(sensed);
                plant.beat();
                if !takes(now, number) {
                    return Some(now);
                }
            }
        }
        None
    }

    /// What probe number `probe`, which is well seated, senses at `now`, kept unit.
    pub(super) fn sense(&mut self, now: u64, probe: usize) -> f64 {
        let Gauge { probe: plant, track, .. } = &mut self.probes[probe];
        plant.sense(now, track).unwrap_or_else(|| self.sense_anew(now, probe))
    }

    /// The same where it was not being followed; from now on it is, where that can be.
    fn sense_anew(&mut self, now: u64, probe: usize) -> f64 {
        let gauge = &self.probes[probe];
        // A track is left at the end of every piece of the room, so no beat that is followed is longer than that.
        let (from, course, decays) = match gauge.measures {
            Measures::Temperature => {
                let course = self.motion.course(self.places[gauge.physics.place as usize], &self.ramp());
                (self.moved, course, self.motion.decays(now - self.moved))
            }
            Measures::Uvi => (now, self.uv_course(now, gauge), [1.0; COURSE]),
            Measures::Power => {
                let line = self.truth(now, probe).unwrap_or_default();
                (now, Some(Course { line, ..Course::default() }), [1.0; COURSE])
            }
            Measures::Illuminance | Measures::Humidity => (now, None, [1.0; COURSE]),
        };
        let Some(course) = course else { return self.truth(now, probe).unwrap_or_default() };
        self.probes[probe].track.enter(now, from, &course, &decays)
    }

    /// How the UVI at a well-seated probe runs from `now` on; none where there are too many lamps.
    fn uv_course(&self, now: u64, gauge: &Gauge) -> Option<Course> {
        let mut course = Course::default();
        let share = gauge.physics.exposure * self.clean(now);
        for (l, slot) in self.lamps.iter().filter(|slot| slot.lamp.emits_uv()).enumerate() {
            let own = course.parts.get_mut(UV_PARTS * l..UV_PARTS * (l + 1))?;
            let distance = Metres(gauge.physics.distance.0 + slot.lamp.further());
            let gain = share * slot.uv.map_or(0.0, |source| source.at(distance).0);
            own.copy_from_slice(&slot.lamp.uv_parts(now).map(|part| gain * part));
        }
        Some(course)
    }

    /// What is left after `millis` of each part of the UVI while nothing happens.
    fn uv_decays(&self, millis: u64) -> [f64; COURSE] {
        let mut decays = [0.0; COURSE];
        let clean = libm::exp(self.condition.dirt.within(millis));
        let lamps = self.lamps.iter().filter(|slot| slot.lamp.emits_uv());
        for (own, slot) in decays.chunks_exact_mut(UV_PARTS).zip(lamps) {
            own.copy_from_slice(&slot.lamp.uv_decays(millis).map(|decay| clean * decay));
        }
        decays
    }

    /// Tells the probes of this kind what their beats leave of what they sense.
    pub(super) fn keep_time(&mut self, measures: Measures) {
        for probe in 0..self.probes.len() {
            if self.probes[probe].measures != measures {
                continue;
            }
            let beats = *self.probes[probe].probe.beats();
            let decays = beats.map(|beat| match measures {
                Measures::Temperature => self.motion.decays(beat),
                Measures::Uvi => self.uv_decays(beat),
                _ => [0.0; COURSE],
            });
            self.probes[probe].track.keep_time(decays);
        }
    }
}

/// When a probe speaks next, which, and up to and at when no other one comes before it: of those that speak at one
/// moment the first goes first.
fn first(moments: impl Iterator<Item = u64>) -> (u64, usize, u64) {
    let (mut first, mut whose, mut others) = (u64::MAX, 0, u64::MAX);
    for (probe, next) in moments.enumerate() {
        if next < first {
            // The one that was first until now has the lower number.
            others = others.min(first.saturating_sub(1));
            (first, whose) = (next, probe);
        } else {
            others = others.min(next);
        }
    }
    (first, whose, others)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_first_goes_first_until_another_one_would(moments in proptest::collection::vec(1..9_u64, 1..6)) {
            let (now, probe, until) = first(moments.iter().copied());
            let order = |moments: &[u64]| moments.iter().copied().enumerate().map(|(i, at)| (at, i)).min();
            prop_assert_eq!(Some((now, probe)), order(&moments));
            for later in now..12 {
                let mut moments = moments.clone();
                moments[probe] = later;
                let still_first = order(&moments).is_some_and(|(_, whose)| whose == probe);
                prop_assert_eq!(still_first, later <= until, "{}", later);
            }
        }
    }
}
