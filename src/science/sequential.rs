//! Which of a few causes the evidence speaks for, reading by reading.
//!
//! [`Beliefs`] weighs any number of causes against each other (lamp dark, shaded, probe dead, relay not closed) with
//! all the evidence there is; [`Wald`] says when two may be told apart at given error rates, and how long that takes.

/// How likely one cause, by its number, turns into another within some time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Turn {
    /// From this cause …
    pub from: usize,
    /// … to this one.
    pub to: usize,
    /// The probability.
    pub chance: f64,
}

/// Probabilities of `N` causes that exclude each other, updated by Bayes' rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beliefs<const N: usize> {
    /// In proportion to the probabilities, the greatest of them one.
    weights: [f64; N],
}

/// No cause falls further behind the leading one than this, as a logarithm of odds (one to a hundred million): however
/// long a lamp was well, its failure is believed after the same evidence. A guess.
#[cfg(test)]
const BEHIND_MAX: f64 = 18.42;
/// The same as a ratio, e^−18.42.
const LEAST: f64 = 1.000_680_975_711_114_6e-8;

/// No single observation speaks for one cause over another by more than this, as a logarithm of odds (a thousand to
/// one): readings fail in ways that no model of theirs knows. A guess.
const OBSERVATION_MAX: f64 = 6.91;

impl<const N: usize> Beliefs<N> {
    /// From prior weights, which need not add up to one. A weight that is no number, or not above zero, counts as one
    /// in a hundred million.
    pub fn new(priors: [f64; N]) -> Beliefs<N> {
        let weights = priors.map(|prior| if prior > 0.0 { prior.min(f64::MAX) } else { 0.0 });
        Beliefs { weights }.held()
    }

    /// Takes an observation by the logarithm of its likelihood under each cause, up to a common term. One that is no
    /// number for any cause, or `+∞`, is missing and changes nothing; `−∞` means impossible, as far as one observation
    /// is believed. Observations are to be independent under each cause: thin or average readings that are not.
    pub fn observe(&mut self, log_likelihoods: [f64; N]) {
        let Some(best) = log_likelihoods.into_iter().reduce(f64::max) else { return };
        if !best.is_finite() || log_likelihoods.iter().any(|log| log.is_nan()) {
            return;
        }
        // Many are as likely as their neighbour.
        let (mut log_before, mut before) = (best, 1.0);
        for (weight, log) in self.weights.iter_mut().zip(log_likelihoods) {
            if log != log_before {
                (log_before, before) = (log, libm::exp((log - best).max(-OBSERVATION_MAX)));
            }
            *weight *= before;
        }
        *self = self.held();
    }

    /// Lets time pass in which one cause may turn into another: a step of a Markov chain, the prediction of the forward
    /// algorithm (L. R. Rabiner, Proc. IEEE 77, 1989). Each of `turns` is the probability that one cause has become another;
    /// what they leave of one stays where it is.
    pub fn pass(&mut self, turns: impl IntoIterator<Item = Turn>) {
        let now = self.weights;
        turns.into_iter().for_each(|Turn { from, to, chance }| {
            if from < N && to < N && from != to && chance > 0.0 {
                let moved = now[from] * chance.min(1.0);
                self.weights[from] -= moved;
                self.weights[to] += moved;
            }
        });
        *self = self.held();
    }

    /// The same with the greatest at one and none too far behind.
    fn held(self) -> Beliefs<N> {
        let best = self.weights.into_iter().fold(0.0, f64::max);
        let best = if best > 0.0 { best } else { 1.0 };
        Beliefs { weights: self.weights.map(|weight| (weight / best).max(LEAST)) }
    }

    /// The probability of each cause; they add up to one.
    pub fn probabilities(&self) -> [f64; N] {
        let sum: f64 = self.weights.iter().sum();
        self.weights.map(|weight| weight / sum)
    }

    /// Logarithm of the odds of cause `i` against all others together; `−∞` where there is no such cause.
    pub fn log_odds(&self, i: usize) -> f64 {
        let Some(&own) = self.weights.get(i) else { return f64::NEG_INFINITY };
        let others: f64 = self.weights.iter().enumerate().filter(|&(j, _)| j != i).map(|(_, &weight)| weight).sum();
        libm::log(own) - libm::log(others)
    }

    /// The most probable cause, the first of equals.
    pub fn leading(&self) -> usize {
        self.weights.iter().position(|&weight| weight == 1.0).unwrap_or(0)
    }
}

/// Logarithm of a normal density at `x`, without its constant `−½·ln 2π`, which is common to all causes.
pub fn log_normal(x: f64, mean: f64, deviation: f64) -> f64 {
    let z = (x - mean) / deviation;
    -0.5 * z * z - libm::log(deviation)
}

/// Bounds of the sequential probability ratio test between two hypotheses (A. Wald, Ann. Math. Statist. 16, 1945): go
/// on while the logarithm of the likelihood ratio is between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wald {
    /// Accept the first hypothesis at or below: `ln(β/(1−α))`.
    pub lower: f64,
    /// Accept the second at or above: `ln((1−β)/α)`.
    pub upper: f64,
}

/// What a sequential test has come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The evidence does not tell yet.
    Open,
    /// The first hypothesis, the one that nothing is wrong.
    First,
    /// The second.
    Second,
}

impl Wald {
    /// Bounds for a probability `false_alarm` (α) of taking the second hypothesis where the first is true, and
    /// `missed` (β) the other way. The test keeps them nearly: never worse than α/(1−β) and β/(1−α). None where they
    /// are not above zero, or one or more together.
    pub fn new(false_alarm: f64, missed: f64) -> Option<Wald> {
        let bounds =
            Wald { lower: libm::log(missed / (1.0 - false_alarm)), upper: libm::log((1.0 - missed) / false_alarm) };
        (false_alarm > 0.0 && missed > 0.0 && false_alarm + missed < 1.0).then_some(bounds)
    }

    /// What the logarithm of the likelihood ratio of the second hypothesis to the first says.
    pub fn verdict(&self, log_ratio: f64) -> Verdict {
        if log_ratio >= self.upper {
            Verdict::Second
        } else if log_ratio <= self.lower {
            Verdict::First
        } else {
            Verdict::Open
        }
    }

    /// How many samples the test takes on average under the first and under the second hypothesis, for normal samples
    /// whose means differ by `separation` standard deviations (Wald 1945). It leaves out how far the last sample
    /// overshoots the bound, and so is too few by about 1.2/separation.
    pub fn samples(&self, separation: f64) -> (f64, f64) {
        let drift = 0.5 * separation * separation;
        let (up, down) = (libm::exp(self.upper), libm::exp(self.lower));
        // The probabilities of ending above, back from the bounds.
        let false_alarm = (1.0 - down) / (up - down);
        let found = up * false_alarm;
        let end = |above: f64| above * self.upper + (1.0 - above) * self.lower;
        (-end(false_alarm) / drift, end(found) / drift)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::testing::{Pcg32, near, normal};

    #[test]
    fn bounds_are_those_of_wald() {
        // Wald 1945: A = (1−β)/α, B = β/(1−α); for α 0.05 and β 0.10 they are 18 and 0.10526 (arithmetic).
        let bounds = Wald::new(0.05, 0.10).expect("sound rates");
        near(bounds.upper, libm::log(18.0), 1e-12);
        near(bounds.lower, libm::log(0.1 / 0.95), 1e-12);
        assert_eq!(bounds.verdict(2.9), Verdict::Second);
        assert_eq!(bounds.verdict(2.0), Verdict::Open);
        assert_eq!(bounds.verdict(-2.3), Verdict::First);
        assert_eq!(bounds.verdict(f64::NAN), Verdict::Open);
        for (false_alarm, missed) in [(0.0, 0.1), (0.1, 0.0), (0.5, 0.5), (f64::NAN, 0.1), (0.1, -0.1)] {
            assert_eq!(Wald::new(false_alarm, missed), None);
        }
    }

    #[test]
    fn tests_keep_their_error_rates_and_take_the_samples_of_the_formula() {
        const RUNS: u32 = 4000;
        for (false_alarm, missed, separation) in [(0.05, 0.10, 0.5), (0.01, 0.01, 0.5), (0.02, 0.05, 1.0)] {
            let bounds = Wald::new(false_alarm, missed).expect("sound rates");
            let mut generator = Pcg32::new(1945, 16);
            let expected = bounds.samples(separation);
            for (is_second, rate_max, expected) in
                [(false, false_alarm / (1.0 - missed), expected.0), (true, missed / (1.0 - false_alarm), expected.1)]
            {
                let (mut wrong, mut samples, mut squares) = (0_u32, 0.0, 0.0);
                for _ in 0..RUNS {
                    let (mut log_ratio, mut count) = (0.0, 0.0);
                    while bounds.verdict(log_ratio) == Verdict::Open {
                        let x = normal(&mut generator) + if is_second { separation } else { 0.0 };
                        log_ratio += log_normal(x, separation, 1.0) - log_normal(x, 0.0, 1.0);
                        count += 1.0;
                    }
                    wrong += u32::from((bounds.verdict(log_ratio) == Verdict::Second) != is_second);
                    samples += count;
                    squares += count * count;
                }
                let runs = f64::from(RUNS);
                let rate = f64::from(wrong) / runs;
                assert!(rate <= rate_max + 4.0 * (rate_max / runs).sqrt(), "{rate}, at most {rate_max}");
                // Siegmund, Sequential Analysis, 1985: each bound is overshot by 0.583·separation on average, which
                // puts the true mean between the formula and that of bounds so much wider (from memory).
                let mean = samples / runs;
                let error = ((squares / runs - mean * mean) / runs).sqrt();
                let overshoot = 0.583 * separation;
                let wider = Wald { lower: bounds.lower - overshoot, upper: bounds.upper + overshoot };
                let wider = if is_second { wider.samples(separation).1 } else { wider.samples(separation).0 };
                near(mean, wider, 4.0 * error + 0.02 * wider);
                assert!(mean > expected, "{mean}, without overshoot {expected}");
            }
        }
    }

    #[test]
    fn causes_turn_into_each_other_as_in_a_markov_chain() {
        // The weather of the Land of Oz (J. G. Kemeny & J. L. Snell, Finite Markov Chains, 1960, from memory): rain,
        // nice, snow with these chances settle at 2/5, 1/5, 2/5; and from nice the next day is rain or snow, 1/2 each.
        let oz = [[0.5, 0.25, 0.25], [0.5, 0.0, 0.5], [0.25, 0.25, 0.5]];
        let turn = |(from, to): (usize, usize)| Turn { from, to, chance: oz[from][to] };
        let oz = [(0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1)].map(turn);
        let mut weather = Beliefs::new([0.0, 1.0, 0.0]);
        weather.pass(oz);
        let day = weather.probabilities();
        near(day[0], 0.5, 1e-7);
        near(day[1], 0.0, 1e-7);
        for _ in 0..40 {
            weather.pass(oz);
        }
        for (found, expected) in weather.probabilities().into_iter().zip([0.4, 0.2, 0.4]) {
            near(found, expected, 1e-7);
        }
    }

    #[test]
    fn beliefs_follow_the_rule_of_bayes() {
        // A textbook case: prevalence 1 %, test right in 90 % of the ill and 91 % of the well: 9.17 % are ill after a
        // positive test, (0.9·0.01)/(0.9·0.01 + 0.09·0.99).
        let mut beliefs = Beliefs::new([0.01, 0.99]);
        beliefs.observe([libm::log(0.9), libm::log(0.09)]);
        near(beliefs.probabilities()[0], 0.009 / (0.009 + 0.0891), 1e-12);
        near(beliefs.log_odds(0), libm::log(0.009 / 0.0891), 1e-12);
        assert_eq!(beliefs.leading(), 1);
    }

    #[test]
    fn order_and_scale_of_the_evidence_do_not_matter() {
        let evidence = [[-0.1, -2.0, -1.0], [0.0, -1.0, -0.3], [-3.0, -0.2, -0.1]];
        let weigh = |order: [usize; 3], shift: f64| {
            let mut beliefs = Beliefs::new([3.0, 2.0, 1.0]);
            order.iter().for_each(|&i| beliefs.observe(evidence[i].map(|log| log + shift)));
            beliefs.probabilities()
        };
        let reference = weigh([0, 1, 2], 0.0);
        near(reference.iter().sum(), 1.0, 1e-12);
        for (order, shift) in [([2, 1, 0], 0.0), ([1, 2, 0], 50.0)] {
            weigh(order, shift).iter().zip(reference).for_each(|(found, expected)| near(*found, expected, 1e-12));
        }
    }

    #[test]
    fn one_observation_decides_nothing_for_ever() {
        let mut beliefs = Beliefs::new([1.0, 1.0]);
        beliefs.observe([0.0, f64::NEG_INFINITY]);
        near(beliefs.log_odds(0), OBSERVATION_MAX, 1e-9);
        // However long one cause led, the same evidence brings the other forward.
        for _ in 0..100_000 {
            beliefs.observe([0.0, -5.0]);
        }
        near(beliefs.log_odds(0), BEHIND_MAX, 1e-9);
        for _ in 0..4 {
            beliefs.observe([-5.0, 0.0]);
        }
        assert_eq!(beliefs.leading(), 1);
    }

    #[test]
    fn missing_evidence_changes_nothing() {
        let mut beliefs = Beliefs::new([0.2, 0.8]);
        let before = beliefs;
        for missing in [[f64::NAN, 0.0], [0.0, f64::NAN], [f64::INFINITY, 0.0], [f64::NEG_INFINITY; 2]] {
            beliefs.observe(missing);
            assert_eq!(beliefs, before);
        }
        let odd = Beliefs::new([f64::NAN, 0.0, -1.0, f64::INFINITY]);
        assert!((odd.probabilities().iter().sum::<f64>() - 1.0).abs() < 1e-12 && odd.leading() == 3);
        near(Beliefs::new([f64::NAN; 2]).probabilities()[0], 0.5, 1e-12);
        let mut none = Beliefs::new([]);
        none.observe([]);
        assert_eq!((none.leading(), none.log_odds(0)), (0, f64::NEG_INFINITY));
    }
}
