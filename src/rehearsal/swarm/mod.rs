//! A swarm: each seed draws a site, its hardware, its weather, what goes wrong and what the keeper does.
//!
//! Swarm style: for each seed a random share of all classes of faults is exactly off, since a run in which everything
//! may happen hides what a few things do alone. Faults are data drawn before the run, so that a failing one shrinks.

mod act;
mod fault;
mod site;

use std::time::Duration;

use crate::config::{self, Source};
use crate::simulator::{Fault, Pcg32};

use super::scenario::{Mishap, Scenario, Site, Timed};

/// Stream of the generator that swarms draw from.
const STREAM: u64 = u64::MAX / 4 + 2;

/// A generator with the draws a swarm needs.
struct Draw(Pcg32);

impl Draw {
    /// A number from `least` to `most`.
    fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.0.unit()
    }

    /// The same in coarse steps, so that a person can read it.
    fn steps(&mut self, least: f64, most: f64, step: f64) -> f64 {
        let number = (self.between(least, most) / step).round() * step;
        // No digits beyond those of the step.
        (number * 1000.0).round() / 1000.0
    }

    /// An index below `count`.
    fn below(&mut self, count: usize) -> usize {
        ((count as f64 * self.0.unit()) as usize).min(count.saturating_sub(1))
    }

    /// One of these.
    fn one<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())]
    }

    /// Whether something of this chance happens.
    fn chance(&mut self, share: f64) -> bool {
        self.0.unit() < share
    }

    /// A time, short ones as likely as long ones, in whole seconds.
    fn time(&mut self, least: u64, most: u64) -> Duration {
        let (least, most) = (least as f64, most as f64);
        let log = libm::log(most / least) * self.0.unit();
        Duration::from_secs((least * libm::exp(log)) as u64)
    }
}

/// The story that `seed` draws for a swarm; a scenario that is no swarm gets the seed alone. Where what was drawn is
/// refused as a configuration, which is a defect of the swarm, this says why.
pub fn draw(of: &Scenario, seed: u64) -> Result<Scenario, String> {
    let Some(swarm) = of.swarm else { return Ok(Scenario { seed, ..of.clone() }) };
    let mut draw = Draw(Pcg32::new(seed, STREAM));
    let text = site::draw(&mut draw);
    let source = Source { name: format!("drawn by seed {seed}"), text: text.clone() };
    let checked = config::parse(std::slice::from_ref(&source));
    let settings = checked.settings.ok_or_else(|| config::render(&checked.findings, &[source], false))?;
    let start = site::start(&mut draw, settings.site.timezone).ok_or("the start does not exist at the site")?;
    let room = site::room(&mut draw);
    let classes = fault::classes_on(&mut draw);
    let count = 1 + draw.below(swarm.faults);
    let mut mishaps = Vec::new();
    for _ in 0..count {
        mishaps.extend(fault::draw(&mut draw, &classes, &settings, swarm.safety));
    }
    mishaps.sort_by_key(|mishap| mishap.at);
    mishaps.extend(repairs(&mishaps, swarm.safety));
    Ok(Scenario {
        name: of.name.clone(),
        title: format!("{}, seed {seed}", of.title),
        story: format!("Drawn by seed {seed}; classes of faults that may happen: {}.", classes.join(", ")),
        start,
        span: swarm.safety + swarm.liveness,
        seed,
        slow: of.slow,
        room,
        mishaps,
        acts: act::draw(&mut draw, &settings, swarm.safety),
        expectations: of.expectations.clone(),
        healed: Some(swarm.safety),
        swarm: None,
        site: Site { settings, text: Some(text), path: None },
    })
}

/// What the person who heals everything must change back: acts of a moment have no end of their own.
fn repairs(mishaps: &[Timed<Mishap>], at: Duration) -> Vec<Timed<Mishap>> {
    let mut repairs = Vec::new();
    for mishap in mishaps {
        if let Mishap::Plant(Fault::LampIsChanged(e, l, _)) = mishap.what {
            let what = Mishap::Plant(Fault::LampIsChanged(e, l, 1.0));
            repairs.push(Timed { at, until: None, what });
        }
    }
    repairs.dedup();
    repairs
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::rehearsal::scenario::{Swarm, read};

    fn base() -> Scenario {
        let text = include_str!("../../../simulations/swarm.toml");
        let source = Source { name: "swarm.toml".to_owned(), text: text.to_owned() };
        let mut load = |_: &str| {
            let text = include_str!("../../../simulations/sites/woodland.toml");
            Ok(vec![Source { name: "woodland.toml".to_owned(), text: text.to_owned() }])
        };
        let checked = read(&source, &mut load);
        checked.scenario.unwrap_or_else(|| panic!("{}", config::render(&checked.findings, &checked.sources, false)))
    }

    #[test]
    fn whatever_is_drawn_is_accepted_and_reads_back_the_same() {
        let base = base();
        assert!(matches!(base.swarm, Some(Swarm { .. })));
        for seed in 0..60 {
            let mut drawn = draw(&base, seed).unwrap_or_else(|why| panic!("{why}"));
            let source = Source { name: base.name.clone(), text: drawn.to_toml() };
            let checked = read(&source, &mut |_| Err("no file is needed".to_owned()));
            let Some(mut again) = checked.scenario else {
                panic!("seed {seed}: {}", config::render(&checked.findings, &checked.sources, false));
            };
            again.expectations.iter_mut().for_each(|expectation| expectation.line = 0);
            drawn.expectations.iter_mut().for_each(|expectation| expectation.line = 0);
            assert_eq!(again, drawn, "seed {seed}");
        }
    }

    #[test]
    fn seeds_differ_and_one_seed_draws_one_story() {
        let base = base();
        assert_eq!(draw(&base, 7), draw(&base, 7));
        assert_ne!(draw(&base, 7).map(|drawn| drawn.mishaps), draw(&base, 8).map(|drawn| drawn.mishaps));
    }

    #[test]
    fn every_class_of_faults_and_every_act_is_drawn() {
        use crate::control::Act;
        use crate::rehearsal::scenario::classes;
        let base = base();
        let (mut left, mut acts): (BTreeSet<_>, _) = (classes().collect(), BTreeSet::new());
        for seed in 0..400 {
            let drawn = draw(&base, seed).unwrap_or_else(|why| panic!("{why}"));
            drawn.mishaps.iter().for_each(|mishap| _ = left.remove(mishap.what.class()));
            acts.extend(drawn.acts.iter().map(|(_, act)| match act {
                Act::Acknowledge { .. } => "acknowledge",
                Act::Reset { .. } => "reset",
                Act::ResetCutOff { .. } => "reset-cut-off",
                Act::Override { level: Some(_), .. } => "override",
                Act::Override { level: None, .. } => "override ended",
                Act::MeterReading { .. } | Act::LateReading { .. } => "meter-reading",
                Act::LampChange { .. } => "lamp-change",
                Act::Shelve { .. } | Act::Unshelve { .. } | Act::Service { .. } => "put aside",
            }));
            if left.is_empty() && acts.len() == 7 {
                return;
            }
        }
        panic!("never drawn: {left:?}; acts drawn: {acts:?}");
    }
}
