//! A first-order plant with dead time, the standard test object of control engineering: `T·y' = y∞ + K·u(t−L) − y`.
//!
//! It is solved exactly between the moments at which its delayed input changes, so that limit cycles of a thermostat
//! can be compared with their analytic values.

use std::collections::VecDeque;

/// A first-order plant with dead time. Times are in seconds.
#[derive(Clone, Debug)]
pub struct Fopdt {
    /// Output without input, such as the room's temperature.
    ambient: f64,
    /// Gain: output added in the long run by an input of one.
    gain: f64,
    /// Time constant, above zero.
    lag: f64,
    /// Dead time, not below zero.
    dead: f64,
    /// Where time stands.
    now: f64,
    /// Output.
    output: f64,
    /// Input that acts now.
    acting: f64,
    /// Inputs on their way, with the time at which each begins to act.
    coming: VecDeque<(f64, f64)>,
}

impl Fopdt {
    /// A plant at rest at `ambient` with gain `gain`, time constant `lag` and dead time `dead`.
    pub fn new(ambient: f64, gain: f64, lag: f64, dead: f64) -> Fopdt {
        Fopdt { ambient, gain, lag, dead, now: 0.0, output: ambient, acting: 0.0, coming: VecDeque::new() }
    }

    /// Where time stands.
    pub fn now(&self) -> f64 {
        self.now
    }

    /// Output now.
    pub fn output(&self) -> f64 {
        self.output
    }

    /// Sets the input, which acts one dead time later.
    pub fn set_input(&mut self, input: f64) {
        if self.dead > 0.0 {
            self.coming.push_back((self.now + self.dead, input));
        } else {
            self.acting = input;
        }
    }

    /// Output in the long run with the input that acts now.
    fn goal(&self) -> f64 {
        self.ambient + self.gain * self.acting
    }

    /// Runs on without a change of the acting input.
    fn run(&mut self, seconds: f64) {
        let goal = self.goal();
        self.output = goal + (self.output - goal) * libm::exp(-seconds / self.lag);
        self.now += seconds;
    }

    /// Runs on by `seconds`.
    pub fn advance(&mut self, seconds: f64) {
        let end = self.now + seconds;
        while let Some((at, input)) = self.coming.front().copied().filter(|(at, _)| *at <= end) {
            self.run(at - self.now);
            self.acting = input;
            self.coming.pop_front();
        }
        self.run(end - self.now);
    }

    /// How long until the output meets `level`, if it does with the inputs that are on their way; zero where it stands
    /// there now.
    pub fn reaches(&self, level: f64) -> Option<f64> {
        let mut ahead = self.clone();
        loop {
            let goal = ahead.goal();
            // The output runs from where it is towards its goal, and meets what lies between.
            let share = (goal - level) / (goal - ahead.output);
            let crossing = if share > 0.0 && share <= 1.0 { Some(-ahead.lag * libm::log(share)) } else { None };
            let change = ahead.coming.front().map(|(at, _)| at - ahead.now);
            match (crossing, change) {
                (Some(crossing), Some(change)) if crossing > change => {}
                (Some(crossing), _) => return Some(ahead.now - self.now + crossing),
                (None, None) => return None,
                (None, Some(_)) => {}
            }
            let change = change?;
            ahead.advance(change);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Least and greatest output and the period of the limit cycle under an ideal on/off thermostat.
    fn limit_cycle(ambient: f64, gain: f64, lag: f64, dead: f64, set: f64, half: f64) -> (f64, f64, f64) {
        let mut plant = Fopdt::new(ambient, gain, lag, dead);
        let mut switched_on = Vec::new();
        let (mut least, mut greatest) = (f64::MAX, f64::MIN);
        for _ in 0..20 {
            plant.set_input(1.0);
            switched_on.push(plant.now());
            // The output runs on as before until the input acts.
            plant.advance(dead);
            least = plant.output();
            plant.advance(plant.reaches(set + half).expect("the heater is strong enough"));
            plant.set_input(0.0);
            plant.advance(dead);
            greatest = plant.output();
            plant.advance(plant.reaches(set - half).expect("the room is cool enough"));
        }
        (least, greatest, switched_on[19] - switched_on[18])
    }

    #[test]
    fn an_on_off_thermostat_cycles_as_the_formula_says() {
        // Analytic values, confirmed there by simulation: the project's table of check values, section 8:
        // y_max = (Ta+K) − ((Ta+K) − (sp+h))·e^(−L/T), y_min = Ta + ((sp−h) − Ta)·e^(−L/T).
        for ((ambient, gain, lag, dead, set, half), (least, greatest, period)) in [
            ((20.0, 30.0, 600.0, 30.0, 35.0, 0.5), (33.7928, 36.2072, 193.566)),
            ((20.0, 30.0, 600.0, 0.0, 35.0, 0.5), (34.5, 35.5, 80.0296)),
            ((22.0, 25.0, 300.0, 15.0, 38.0, 1.0), (36.2684, 39.3902, 162.481)),
        ] {
            let cycle = limit_cycle(ambient, gain, lag, dead, set, half);
            assert!((cycle.0 - least).abs() < 1e-4, "least {} instead of {least}", cycle.0);
            assert!((cycle.1 - greatest).abs() < 1e-4, "greatest {} instead of {greatest}", cycle.1);
            assert!((cycle.2 - period).abs() < 1e-3, "period {} instead of {period}", cycle.2);
        }
    }

    #[test]
    fn a_relay_around_it_gives_the_published_amplitude_and_period() {
        // A = K·d·(1 − e^(−L/T)), P = 2T·ln(2e^(L/T) − 1): the same table, section 8, relay limit cycle.
        for ((gain, lag, dead), (amplitude, period)) in
            [((1.0, 1.0, 1.0), (0.632_121, 2.979_760)), ((10.0, 600.0, 30.0), (0.487_706, 117.142_317))]
        {
            // An ideal relay of ±1 is an input of 0 or 1 with twice the gain, about an output lower by the gain.
            let (least, greatest, measured) = limit_cycle(-gain, 2.0 * gain, lag, dead, 0.0, 0.0);
            assert!((greatest - amplitude).abs() < 1e-5 && (least + amplitude).abs() < 1e-5, "{least} {greatest}");
            assert!((measured - period).abs() < 1e-4, "{measured}");
        }
    }

    #[test]
    fn many_small_steps_are_one_large_one() {
        let mut large = Fopdt::new(20.0, 30.0, 600.0, 30.0);
        let mut small = large.clone();
        large.set_input(1.0);
        small.set_input(1.0);
        large.advance(200.0);
        (0..2000).for_each(|_| small.advance(0.1));
        assert!((large.output() - small.output()).abs() < 1e-9);
    }

    #[test]
    fn what_is_never_reached_has_no_time() {
        let mut plant = Fopdt::new(20.0, 30.0, 600.0, 30.0);
        plant.set_input(1.0);
        assert_eq!(plant.reaches(50.1), None);
        assert_eq!(plant.reaches(19.0), None);
        assert!(plant.reaches(49.0).is_some_and(|t| t > 30.0));
    }
}
