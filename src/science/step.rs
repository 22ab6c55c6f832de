//! What one step of a heater tells of the place it warms: a first-order response with dead time found in its readings,
//! and what follows from it for a controller.

use super::least_squares::{self, Point};

/// A first-order response with dead time to a step from off to full: `start` until `dead` has passed, and from then on
/// `start + gain·(1 − e^(−(t − dead)/lag))`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// Where it stood before, °C.
    pub start: f64,
    /// How far full level moves it in the long run, K.
    pub gain: f64,
    /// Time constant, s.
    pub lag: f64,
    /// Dead time, s.
    pub dead: f64,
}

impl Response {
    /// Where it stands `t` seconds after the step, °C.
    pub fn at(&self, t: f64) -> f64 {
        self.start + self.gain * risen((t - self.dead) / self.lag)
    }

    /// Where it settles, °C.
    pub fn settles(&self) -> f64 {
        self.start + self.gain
    }

    /// Its fastest change, right after the dead time, K/s.
    pub fn fastest(&self) -> f64 {
        self.gain / self.lag
    }
}

/// `1 − e^(−x)`, and nothing before the beginning.
fn risen(x: f64) -> f64 {
    if x > 0.0 { -libm::expm1(-x) } else { 0.0 }
}

/// A response found in readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Identified {
    /// The response.
    pub response: Response,
    /// Standard error of gain (K), time constant (s) and dead time (s); none where the readings do not tell them apart.
    pub errors: Option<[f64; 3]>,
    /// Standard deviation of a reading about it, K.
    pub scatter: f64,
    /// For how many time constants the response was seen. Below one, `gain` and `lag` are guesses, and only their ratio is
    /// known well.
    pub covered: f64,
}

/// Readings before the step, and after it, that an identification needs. Guesses.
const BEFORE: usize = 4;
const AFTER: usize = 10;
/// The response must have moved this many times the scatter of a reading. A guess.
const CLEAR: f64 = 5.0;
/// Time constants are sought up to this many times as long as was looked. A guess.
const LONGEST: f64 = 20.0;
/// Places of the first look, each way.
const PLACES: usize = 24;
/// How finely dead time and logarithm of the time constant are sought, as a share of the first look's step.
const FINE: f64 = 1e-5;

/// Finds the response in `readings`, each with its time (s) since the step, in order; those up to zero are from before it.
/// None where there are too few, or nothing moved clearly.
///
/// Least squares over all four figures. Start and gain enter linearly and are solved for at every place (the variable
/// projection of G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10, 1973), so that only time constant and dead time are
/// sought: on a grid first, since the sum of squares bends where the dead time passes a reading, and then by a compass
/// search (R. Hooke and T. A. Jeeves, J. ACM 8, 1961). Standard errors are those of the curvature there.
pub fn identify(readings: &[(f64, f64)]) -> Option<Identified> {
    let before = readings.iter().filter(|(t, _)| *t <= 0.0).count();
    let after = readings.len() - before;
    let end = readings.last()?.0;
    let is_finite = readings.iter().all(|(t, y)| t.is_finite() && y.is_finite());
    if before < BEFORE || after < AFTER || !(end > 0.0) || !is_finite {
        return None;
    }
    let shortest = end / after as f64 / 4.0;
    let (mut best, mut squares) = ((0.0, end), f64::INFINITY);
    let mut look = |place: (f64, f64), best: &mut (f64, f64)| {
        let (dead, lag) = place;
        if !(dead >= 0.0 && dead < end && lag >= shortest && lag <= LONGEST * end) {
            return false;
        }
        let found = project(readings, dead, lag).map_or(f64::INFINITY, |(_, squares)| squares);
        let is_better = found < squares;
        if is_better {
            (*best, squares) = (place, found);
        }
        is_better
    };
    let ratio = libm::log(LONGEST * end / shortest) / PLACES as f64;
    for i in 0..PLACES {
        for j in 0..=PLACES {
            let dead = 0.6 * end * i as f64 / PLACES as f64;
            look((dead, shortest * libm::exp(ratio * j as f64)), &mut best);
        }
    }
    let (mut along, mut up) = (0.6 * end / PLACES as f64, ratio);
    let finest = FINE * along;
    while along > finest {
        let (dead, lag) = best;
        let tries =
            [(dead + along, lag), (dead - along, lag), (dead, lag * libm::exp(up)), (dead, lag * libm::exp(-up))];
        // Both at once as well: what is said later can also be said slower.
        let askew = [(dead + along, lag * libm::exp(-up)), (dead - along, lag * libm::exp(up))];
        // Every one is looked at, since the best of them counts.
        let mut moved = false;
        for place in tries.into_iter().chain(askew) {
            moved |= look(place, &mut best);
        }
        if !moved {
            (along, up) = (along / 2.0, up / 2.0);
        }
    }
    let (dead, lag) = best;
    let ((start, gain), squares) = project(readings, dead, lag)?;
    let response = Response { start, gain, lag, dead };
    let scatter = (squares / (readings.len() - 4) as f64).sqrt();
    let is_clear = (response.at(end) - start).abs() > CLEAR * scatter;
    let errors = errors(readings, &response, scatter);
    is_clear.then_some(Identified { response, errors, scatter, covered: (end - dead) / lag })
}

/// Start and gain that fit best at this dead time and time constant, and the sum of squares that is left.
fn project(readings: &[(f64, f64)], dead: f64, lag: f64) -> Option<((f64, f64), f64)> {
    let n = readings.len() as f64;
    let (mut rise, mut level) = (0.0, 0.0);
    for (t, y) in readings {
        rise += risen((t - dead) / lag);
        level += y;
    }
    let (rise, level) = (rise / n, level / n);
    let (mut own, mut with) = (0.0, 0.0);
    for (t, y) in readings {
        let r = risen((t - dead) / lag) - rise;
        own += r * r;
        with += r * (y - level);
    }
    let gain = if own > 0.0 { with / own } else { return None };
    let start = level - gain * rise;
    let left = |(t, y): &(f64, f64)| {
        let residual = y - start - gain * risen((t - dead) / lag);
        residual * residual
    };
    Some(((start, gain), readings.iter().map(left).sum()))
}

/// Standard errors of gain, time constant and dead time about `found`.
fn errors(readings: &[(f64, f64)], found: &Response, scatter: f64) -> Option<[f64; 3]> {
    let points: Vec<Point> = readings.iter().map(|&(x, y)| Point { x, y, weight: 1.0 }).collect();
    let model = |t: f64, [start, gain, lag, dead]: [f64; 4]| {
        let x = (t - dead) / lag;
        if !(x > 0.0) {
            return (start, [1.0, 0.0, 0.0, 0.0]);
        }
        let left = libm::exp(-x);
        (start + gain * (1.0 - left), [1.0, 1.0 - left, -gain * left * x / lag, -gain * left / lag])
    };
    let shape = least_squares::shape(&points, [found.start, found.gain, found.lag, found.dead], model)?;
    let error = |i: usize| shape[i][i].sqrt() * scatter;
    Some([error(1), error(2), error(3)])
}

/// A PI law: `level = deficit·gain + ∫ deficit·gain/integral`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PiLaw {
    /// Level for each kelvin of deficit, 1/K.
    pub gain: f64,
    /// Integral time, s.
    pub integral: f64,
}

/// The PI law of the SIMC rule for a response that `late` seconds are added to, for sampling and pulses, with the closed
/// loop's time constant `τc` as long as the whole dead time θ: `Kc = τ/(k·(τc + θ))`, `τI = min(τ, 4·(τc + θ))`
/// (S. Skogestad, J. Process Control 13, 2003, 291–309; formula from memory). None where nothing is warmed, or nothing is late.
pub fn simc(response: &Response, late: f64) -> Option<PiLaw> {
    let dead = response.dead + late;
    let law = PiLaw { gain: response.lag / (response.gain * 2.0 * dead), integral: response.lag.min(8.0 * dead) };
    (law.gain > 0.0 && law.gain.is_finite() && law.integral > 0.0).then_some(law)
}

/// How an on/off thermostat cycles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cycle {
    /// Lowest, °C.
    pub least: f64,
    /// Highest, °C.
    pub greatest: f64,
    /// For how long it is on each time, s.
    pub on: f64,
    /// For how long it is off each time, s.
    pub off: f64,
}

/// The limit cycle of an on/off thermostat that switches at `target ± half` on a response that `late` seconds are added to,
/// about the room as it was at the step: `max = (Ta+K) − ((Ta+K) − (sp+h))·e^(−θ/τ)`, `min = Ta + ((sp−h) − Ta)·e^(−θ/τ)`,
/// and the times in between (analytic, the exact solution between the switches). None where full level does not reach
/// `target + half`, or the room alone holds `target − half`.
pub fn cycle(response: &Response, late: f64, target: f64, half: f64) -> Option<Cycle> {
    let (room, full, dead) = (response.start, response.settles(), response.dead + late);
    let (upper, lower) = (target + half, target - half);
    if !(full > upper && room < lower && half >= 0.0 && dead >= 0.0) {
        return None;
    }
    let left = libm::exp(-dead / response.lag);
    let greatest = full - (full - upper) * left;
    let least = room + (lower - room) * left;
    let on = dead + response.lag * libm::log((full - least) / (full - upper));
    let off = dead + response.lag * libm::log((greatest - room) / (lower - room));
    Some(Cycle { least, greatest, on, off })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::{Pcg32, near, normal};
    use proptest::prelude::*;

    const PLANT: Response = Response { start: 20.0, gain: 30.0, lag: 600.0, dead: 30.0 };

    /// Readings of `plant` every `every` s, from `before` s before the step to `until` s after it.
    fn readings(plant: &Response, every: f64, before: f64, until: f64, noise: f64, seed: u64) -> Vec<(f64, f64)> {
        let mut chance = Pcg32::new(seed, 1);
        let count = ((before + until) / every) as usize;
        let at = |i: usize| i as f64 * every - before;
        (0..=count).map(|i| (at(i), plant.at(at(i)) + noise * normal(&mut chance))).collect()
    }

    #[test]
    fn without_noise_the_plant_itself_is_found() {
        for plant in [
            PLANT,
            Response { start: 22.0, gain: 25.0, lag: 300.0, dead: 15.0 },
            Response { start: 25.0, gain: -8.0, lag: 900.0, dead: 0.0 },
        ] {
            let found = identify(&readings(&plant, 5.0, 60.0, 1800.0, 0.0, 1)).expect("it moved").response;
            near(found.start, plant.start, 1e-2);
            near(found.gain / plant.gain, 1.0, 1e-3);
            near(found.lag / plant.lag, 1.0, 2e-3);
            near(found.dead, plant.dead, 1.0);
        }
    }

    #[test]
    fn it_agrees_with_the_two_point_method() {
        // C. L. Smith, Digital Computer Process Control, 1972 (from memory): with t28 and t63 the times at which a
        // response has gone 28.3 % and 63.2 % of its way, τ = 1.5·(t63 − t28) and θ = t63 − τ.
        let all = readings(&PLANT, 5.0, 60.0, 6000.0, 0.0, 1);
        let passes = |share: f64| {
            let level = PLANT.start + share * PLANT.gain;
            let i = all.iter().position(|(_, y)| *y >= level).expect("it gets there");
            let ((t0, y0), (t1, y1)) = (all[i - 1], all[i]);
            t0 + (t1 - t0) * (level - y0) / (y1 - y0)
        };
        let lag = 1.5 * (passes(0.632) - passes(0.283));
        let dead = passes(0.632) - lag;
        let found = identify(&all).expect("it moved").response;
        near(found.lag, lag, 0.01 * lag);
        near(found.dead, dead, 5.0);
    }

    /// Made with SciPy: see `tests/references/step.py`.
    #[test]
    fn it_agrees_with_scipys_least_squares() {
        let text = include_str!("../../tests/fixtures/step.json");
        let fixture: serde_json::Value = serde_json::from_str(text).expect("JSON");
        for case in fixture["cases"].as_array().expect("a list") {
            let number = |key: &str| case[key].as_f64().expect("a number");
            let values = |key: &str| -> Vec<f64> {
                case[key].as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
            };
            let all: Vec<(f64, f64)> = values("t").into_iter().zip(values("y")).collect();
            let found = identify(&all).expect("it moved");
            let name = case["name"].as_str().expect("a name");
            // Squares are flat at the bottom: never worse than SciPy's, and the figures within a part of their errors.
            let squares = found.scatter * found.scatter * (all.len() - 4) as f64;
            assert!(squares <= number("squares") * (1.0 + 1e-6) + 1e-9, "{name}: {squares}");
            near(found.response.gain, number("gain"), 0.1 * number("gain_error") + 1e-3);
            near(found.response.lag, number("lag"), 0.1 * number("lag_error") + 1e-2);
            near(found.response.dead, number("dead"), 0.1 * number("dead_error") + 1e-2);
            if let (Some([gain, lag, _]), true) = (found.errors, number("gain_error") > 1e-3) {
                near(gain / number("gain_error"), 1.0, 0.05);
                near(lag / number("lag_error"), 1.0, 0.05);
            }
        }
    }

    proptest! {
        // Each fit takes a tenth of a second in a debug build.
        #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

        #[test]
        fn a_noisy_plant_is_found_within_its_errors(
            gain in 8.0..40.0, lag in 120.0..2400.0, dead in 0.0..60.0, noise in 0.01..0.2, seed: u64,
        ) {
            let plant = Response { start: 21.0, gain, lag, dead };
            let found = identify(&readings(&plant, 10.0, 120.0, dead + 2.5 * lag, noise, seed)).expect("it moved");
            let [of_gain, of_lag, of_dead] = found.errors.expect("told apart");
            // Six standard errors; the dead time's kink between two readings, 10 s apart, comes on top.
            prop_assert!((found.response.gain - gain).abs() < 6.0 * of_gain + 0.01 * gain, "{found:?}");
            prop_assert!((found.response.lag - lag).abs() < 6.0 * of_lag + 0.02 * lag, "{found:?}");
            prop_assert!((found.response.dead - dead).abs() < 6.0 * of_dead + 10.0, "{found:?}");
        }

        #[test]
        fn noise_alone_is_no_response(noise in 0.001..2.0, seed: u64) {
            let plant = Response { gain: 0.0, ..PLANT };
            prop_assert_eq!(identify(&readings(&plant, 10.0, 120.0, 1800.0, noise, seed)), None);
        }
    }

    #[test]
    fn what_cannot_be_told_is_not() {
        let all = readings(&PLANT, 5.0, 60.0, 1800.0, 0.0, 1);
        assert_eq!(identify(&[]), None);
        assert_eq!(identify(&all[..9]), None, "only from before");
        assert_eq!(identify(&all[13..]), None, "nothing from before");
        let mut spoilt = all.clone();
        spoilt[40].1 = f64::NAN;
        assert_eq!(identify(&spoilt), None);
        let early = identify(&readings(&PLANT, 5.0, 60.0, 200.0, 0.0, 1)).expect("it moved");
        assert!(early.covered < 0.5, "{early:?}");
        near(early.response.fastest(), PLANT.fastest(), 0.03 * PLANT.fastest());
    }

    #[test]
    fn simc_gives_the_published_settings() {
        // Skogestad 2003 (figures from memory): E1, 1/((s+1)(0.2s+1)) as τ 1.1, θ 0.1: Kc 5.5, τI 0.8; and the
        // example with τ 2.5, θ 1.47: Kc 0.850, τI 2.5.
        for (lag, dead, gain, integral) in [(1.1, 0.1, 5.5, 0.8), (2.5, 1.47, 0.850, 2.5)] {
            let law = simc(&Response { start: 0.0, gain: 1.0, lag, dead }, 0.0).expect("it warms");
            near(law.gain, gain, 5e-4);
            near(law.integral, integral, 1e-9);
        }
        assert_eq!(simc(&Response { gain: -1.0, ..PLANT }, 0.0), None);
        assert_eq!(simc(&Response { dead: 0.0, ..PLANT }, 0.0), None);
    }

    #[test]
    fn a_thermostat_cycles_as_the_table_says() {
        // The project's table of check values, section 8: analytic, confirmed there by simulation.
        for ((room, gain, lag, dead, target, half), (least, greatest, period)) in [
            ((20.0, 30.0, 600.0, 30.0, 35.0, 0.5), (33.7928, 36.2072, 193.566)),
            ((20.0, 30.0, 600.0, 0.0, 35.0, 0.5), (34.5, 35.5, 80.0296)),
            ((22.0, 25.0, 300.0, 15.0, 38.0, 1.0), (36.2684, 39.3902, 162.481)),
        ] {
            let response = Response { start: room, gain, lag, dead };
            let found = cycle(&response, 0.0, target, half).expect("it reaches both");
            near(found.least, least, 1e-4);
            near(found.greatest, greatest, 1e-4);
            near(found.on + found.off, period, 1e-3);
        }
        assert_eq!(cycle(&PLANT, 0.0, 50.0, 0.5), None, "too weak");
        assert_eq!(cycle(&PLANT, 0.0, 20.2, 0.5), None, "the room alone is warm enough");
    }
}
