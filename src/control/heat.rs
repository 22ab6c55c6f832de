//! Thermostats: on/off with hysteresis, pulse-proportional, and dimming by a PI law.

use std::time::Duration;

use crate::guard::Row;
use crate::settings::{HeatLaw, Pi};
use crate::time::Mono;
use crate::units::{Celsius, Level};

/// Pulses and gaps shorter than this share of a period are not made; a guess.
const SHORTEST_PULSE: f64 = 0.05;
/// Dimmers are set in steps of one percent.
const DIM_STEPS: f64 = 100.0;

/// A thermostat's state. It sees believable readings only.
#[derive(Clone, Debug)]
pub(super) struct Thermostat {
    law: HeatLaw,
    last: Option<(Celsius, Mono)>,
    on: bool,
    /// The integral part of the PI law, as a level in 0..=1.
    integral: f64,
    pulse: Option<Pulse>,
}

/// One period of a pulse-proportional thermostat.
#[derive(Clone, Copy, Debug)]
struct Pulse {
    start: Mono,
    on_for: Duration,
}

impl Thermostat {
    pub(super) fn new(law: HeatLaw) -> Thermostat {
        Thermostat { law, last: None, on: false, integral: 0.0, pulse: None }
    }

    /// Takes in a reading. `acting`: the lamp was free to follow, so that the integral may learn; `longest_step` bounds
    /// the time step after a silence.
    pub(super) fn reading(
        &mut self,
        now: Mono,
        reading: Celsius,
        target: Celsius,
        acting: bool,
        longest_step: Duration,
    ) {
        let step = self.last.map_or(Duration::ZERO, |(_, at)| now.since(at).min(longest_step));
        self.last = Some((reading, now));
        if let HeatLaw::Pulse { pi, .. } | HeatLaw::Dim { pi } = self.law
            && acting
        {
            self.integrate(pi, reading, target, step);
        }
    }

    /// Integrates with anti-windup: not further into a limit that the output has already reached.
    fn integrate(&mut self, pi: Pi, reading: Celsius, target: Celsius, step: Duration) {
        let deficit = (target - reading).0 / pi.band.0;
        let output = deficit + self.integral;
        if (output >= 1.0 && deficit > 0.0) || (output <= 0.0 && deficit < 0.0) {
            return;
        }
        let gained = deficit * step.as_secs_f64() / pi.integral.as_secs_f64();
        self.integral = (self.integral + gained).clamp(0.0, 1.0);
    }

    /// Whether readings that it does not act on, or that [keep](Thermostat::keeps) its level, need not be told one by one.
    pub(super) fn takes_rows(&self, acting: bool) -> bool {
        !acting || matches!(self.law, HeatLaw::OnOff { .. })
    }

    /// Takes in a row of such readings.
    pub(super) fn absorb_row(&mut self, row: &Row) {
        self.last = Some((Celsius(row.last), row.at));
    }

    /// Starts anew, as after a night without the lamp.
    pub(super) fn rest(&mut self) {
        self.on = false;
        self.integral = 0.0;
        self.pulse = None;
    }

    /// The last reading while it is at most `stale` old.
    pub(super) fn fresh(&self, now: Mono, stale: Duration) -> Option<Celsius> {
        self.last.filter(|&(_, at)| now.since(at) <= stale).map(|(reading, _)| reading)
    }

    /// The level that holds `target`, given the fresh `reading`.
    pub(super) fn level(&mut self, now: Mono, reading: Celsius, target: Celsius) -> Level {
        match self.law {
            HeatLaw::OnOff { hysteresis } => {
                if reading <= target - hysteresis {
                    self.on = true;
                } else if !(reading < target + hysteresis) {
                    self.on = false;
                }
                if self.on { Level::FULL } else { Level::OFF }
            }
            HeatLaw::Dim { pi } => {
                let share = self.share(pi, reading, target);
                Level::clamped((share * DIM_STEPS).round() / DIM_STEPS)
            }
            HeatLaw::Pulse { period, pi } => {
                let pulse = match self.pulse {
                    Some(pulse) if now.since(pulse.start) < period => pulse,
                    _ => {
                        let on_for = period.mul_f64(whole_pulses(self.share(pi, reading, target)));
                        *self.pulse.insert(Pulse { start: now, on_for })
                    }
                };
                if now.since(pulse.start) < pulse.on_for { Level::FULL } else { Level::OFF }
            }
        }
    }

    /// Its lamp may not be on before `start`: the pulse that has begun begins then, or it would be cut short.
    pub(super) fn postpone(&mut self, start: Mono) {
        if let Some(pulse) = &mut self.pulse {
            pulse.start = pulse.start.max(start);
        }
    }

    fn share(&self, pi: Pi, reading: Celsius, target: Celsius) -> f64 {
        let share = (target - reading).0 / pi.band.0 + self.integral;
        if share > 0.0 { share.min(1.0) } else { 0.0 }
    }

    /// Between which readings, neither included, [`Thermostat::level`] answers as it did for the last one until its
    /// [next deadline](Thermostat::next_deadline); none where any reading may change it.
    pub(super) fn keeps(&self, target: Celsius) -> Option<(Celsius, Celsius)> {
        let (cold, hot) = (Celsius(f64::NEG_INFINITY), Celsius(f64::INFINITY));
        match self.law {
            HeatLaw::OnOff { hysteresis } if self.on => Some((cold, target + hysteresis)),
            HeatLaw::OnOff { hysteresis } => Some((target - hysteresis, hot)),
            // Readings set the length of the next pulse.
            HeatLaw::Pulse { .. } => Some((cold, hot)),
            HeatLaw::Dim { .. } => None,
        }
    }

    /// When [`Thermostat::level`] answers otherwise without a new reading.
    pub(super) fn next_deadline(&self, now: Mono) -> Option<Mono> {
        let (HeatLaw::Pulse { period, .. }, Some(pulse)) = (self.law, self.pulse) else { return None };
        [pulse.start.after(pulse.on_for), pulse.start.after(period)].into_iter().find(|&at| at > now)
    }

    /// Carries on from the thermostat of the same lamp under earlier settings.
    pub(super) fn adopt(&mut self, earlier: &Thermostat) {
        self.last = earlier.last;
        self.on = earlier.on;
        self.integral = earlier.integral;
    }
}

/// A share without pulses or gaps too short to be worth a relay's click.
fn whole_pulses(share: f64) -> f64 {
    if share < SHORTEST_PULSE {
        0.0
    } else if share > 1.0 - SHORTEST_PULSE {
        1.0
    } else {
        share
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Kelvin;

    const PI: Pi = Pi { band: Kelvin(4.0), integral: Duration::from_secs(1200) };

    #[test]
    fn on_off_switches_at_both_edges_and_keeps_between() {
        let mut thermostat = Thermostat::new(HeatLaw::OnOff { hysteresis: Kelvin(0.5) });
        let target = Celsius(32.0);
        for (reading, expected) in [
            (31.6, Level::OFF),
            (31.5, Level::FULL),
            (32.4, Level::FULL),
            (32.5, Level::OFF),
            (31.6, Level::OFF),
            (f64::NAN, Level::OFF),
            (20.0, Level::FULL),
            (f64::NAN, Level::OFF),
        ] {
            assert_eq!(thermostat.level(Mono::START, Celsius(reading), target), expected, "{reading}");
        }
    }

    #[test]
    fn a_steady_deficit_doubles_the_proportional_part_after_one_integral_time() {
        // The definition of the integral time of a PI law (any control text; Åström & Hägglund, from memory).
        let mut thermostat = Thermostat::new(HeatLaw::Dim { pi: PI });
        let (target, reading) = (Celsius(32.0), Celsius(31.0));
        thermostat.reading(Mono::START, reading, target, true, Duration::MAX);
        assert_eq!(thermostat.level(Mono::START, reading, target).share(), 0.25);
        let later = Mono::from_secs(1200);
        thermostat.reading(later, reading, target, true, Duration::MAX);
        assert_eq!(thermostat.level(later, reading, target).share(), 0.5);
    }

    #[test]
    fn the_integral_does_not_wind_up_while_saturated() {
        let mut thermostat = Thermostat::new(HeatLaw::Dim { pi: PI });
        let target = Celsius(32.0);
        for minute in 0..600 {
            thermostat.reading(Mono::from_secs(minute * 60), Celsius(20.0), target, true, Duration::MAX);
        }
        let now = Mono::from_secs(36_000);
        thermostat.reading(now, Celsius(32.0), target, true, Duration::MAX);
        assert_eq!(thermostat.level(now, Celsius(32.0), target), Level::OFF, "ten hours at full left no debt");
    }

    #[test]
    fn pulses_are_on_for_their_share_of_each_period() {
        let mut thermostat = Thermostat::new(HeatLaw::Pulse { period: Duration::from_secs(60), pi: PI });
        let (target, reading) = (Celsius(32.0), Celsius(31.0));
        let on = (0..600).filter(|&s| !thermostat.level(Mono::from_secs(s), reading, target).is_off()).count();
        assert_eq!(on, 150, "a quarter of ten minutes");
        assert_eq!(thermostat.next_deadline(Mono::from_secs(540)), Some(Mono::from_secs(555)));
        assert_eq!(thermostat.next_deadline(Mono::from_secs(555)), Some(Mono::from_secs(600)));
    }

    #[test]
    fn very_short_pulses_and_gaps_are_not_made() {
        for (share, expected) in [(0.0, 0.0), (0.04, 0.0), (0.05, 0.05), (0.95, 0.95), (0.96, 1.0)] {
            assert_eq!(whole_pulses(share), expected);
        }
    }
}
