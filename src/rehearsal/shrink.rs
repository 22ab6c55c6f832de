//! Cuts a failing story down to what makes it fail: fewer faults, shorter, rounder.

use std::time::Duration;

use super::run::{Options, Violation, rehearse};
use super::scenario::{Scenario, When};

/// Rehearsals spent on one story at most; a guess at a minute or two.
const RUNS: usize = 250;
/// A shrunk story goes on this long after its violation.
const TAIL: Duration = Duration::from_secs(60);
/// Ends and beginnings are rounded to these, s, the coarsest first.
const ROUND: [u64; 3] = [3600, 600, 60];

/// A story cut down.
#[derive(Clone, Debug)]
pub struct Shrunk {
    /// What is left, ready to be written down.
    pub scenario: Scenario,
    /// What it still violates.
    pub violation: Violation,
    /// How many rehearsals that took.
    pub runs: usize,
}

/// Cuts `scenario` down as far as it still violates `rule`; none where it does not to begin with.
pub fn shrink(scenario: &Scenario, rule: &str) -> Option<Shrunk> {
    let (scenario, rule) = alone(scenario, rule);
    let mut shrinker = Shrinker { rule: &rule, runs: 0 };
    let violation = shrinker.fails(&scenario)?;
    let mut best = Shrunk { scenario, violation, runs: 0 };
    shrinker.cut_the_end(&mut best);
    shrinker.remove(&mut best);
    shrinker.cut_the_end(&mut best);
    shrinker.shorten(&mut best);
    shrinker.round(&mut best);
    shrinker.remove(&mut best);
    best.runs = shrinker.runs;
    Some(best)
}

/// The story with the one expectation that `rule` is about, if it is about one, and what the rule is called then.
fn alone(scenario: &Scenario, rule: &str) -> (Scenario, String) {
    let mut scenario = scenario.clone();
    let number = rule.strip_prefix("expectation ").and_then(|number| number.parse::<usize>().ok());
    match number.and_then(|number| scenario.expectations.get(number.checked_sub(1)?).cloned()) {
        Some(only) => {
            scenario.expectations = vec![only];
            (scenario, "expectation 1".to_owned())
        }
        None => {
            scenario.expectations.clear();
            (scenario, rule.to_owned())
        }
    }
}

struct Shrinker<'r> {
    rule: &'r str,
    runs: usize,
}

impl Shrinker<'_> {
    /// The violation of the rule, where a story still has it and there are rehearsals left.
    fn fails(&mut self, scenario: &Scenario) -> Option<Violation> {
        if self.runs >= RUNS {
            return None;
        }
        self.runs += 1;
        let rule = self.rule;
        let outcome = rehearse(scenario, &Options { stop_at: Some(rule.to_owned()), ..Options::default() });
        outcome.violations.into_iter().find(|violation| violation.rule == rule)
    }

    /// Takes `other` if it still fails.
    fn keep(&mut self, best: &mut Shrunk, other: Scenario) -> bool {
        let Some(violation) = self.fails(&other) else { return false };
        (best.scenario, best.violation) = (other, violation);
        true
    }

    /// Nothing after the violation matters, unless it lies at the end by its nature.
    fn cut_the_end(&mut self, best: &mut Shrunk) {
        let at = Duration::from_secs(best.violation.at.div_ceil(1000));
        let span = (at + TAIL).min(best.scenario.span);
        let mut other = best.scenario.clone();
        other.span = span;
        other.healed = other.healed.filter(|healed| *healed < span);
        other.mishaps.retain(|mishap| mishap.at < span);
        other.mishaps.iter_mut().for_each(|mishap| mishap.until = mishap.until.filter(|until| *until < span));
        other.acts.retain(|(at, _)| *at < span);
        for expectation in &mut other.expectations {
            if let When::Always(_, until) | When::Never(_, until) | When::Within(_, until) = &mut expectation.when {
                *until = (*until).min(span);
            }
        }
        if other != best.scenario {
            self.keep(best, other);
        }
    }

    /// Delta debugging (Zeller and Hildebrandt, "Simplifying and isolating failure-inducing input", IEEE Transactions on
    /// Software Engineering 28(2), 2002): tries to leave out ever smaller parts.
    fn remove(&mut self, best: &mut Shrunk) {
        let mut parts = 2;
        while !best.scenario.mishaps.is_empty() {
            let count = best.scenario.mishaps.len();
            let size = count.div_ceil(parts);
            let without = |from: usize, scenario: &Scenario| {
                let mut other = scenario.clone();
                other.mishaps.drain(from..(from + size).min(count));
                other
            };
            let smaller = (0..count).step_by(size).any(|from| {
                let other = without(from, &best.scenario);
                self.keep(best, other)
            });
            match smaller {
                true => parts = (parts - 1).max(2),
                false if size == 1 => break,
                false => parts = (parts * 2).min(count),
            }
        }
        let mut act = 0;
        while act < best.scenario.acts.len() {
            let mut other = best.scenario.clone();
            other.acts.remove(act);
            if !self.keep(best, other) {
                act += 1;
            }
        }
    }

    /// Halves what lasts, as often as that still fails.
    fn shorten(&mut self, best: &mut Shrunk) {
        for ix in 0..best.scenario.mishaps.len() {
            loop {
                let mishap = &best.scenario.mishaps[ix];
                let end = mishap.until.unwrap_or(best.scenario.span);
                let half = Duration::from_secs(end.saturating_sub(mishap.at).as_secs() / 2);
                if mishap.what.is_act() || half < Duration::from_secs(1) {
                    break;
                }
                let mut other = best.scenario.clone();
                other.mishaps[ix].until = Some(mishap.at + half);
                if !self.keep(best, other) {
                    break;
                }
            }
        }
    }

    /// Rounds beginnings and ends.
    fn round(&mut self, best: &mut Shrunk) {
        let rounded = |at: Duration, to: u64| Duration::from_secs(at.as_secs() / to * to);
        for ix in 0..best.scenario.mishaps.len() {
            for to in ROUND {
                let mut other = best.scenario.clone();
                let mishap = &mut other.mishaps[ix];
                let at = rounded(mishap.at, to);
                let until = mishap.until.map(|until| rounded(until + Duration::from_secs(to - 1), to));
                (mishap.at, mishap.until) = (at, until.filter(|until| *until < best.scenario.span));
                if other != best.scenario && self.keep(best, other) {
                    break;
                }
            }
        }
    }
}
