//! Figures for control and guard that follow from a measured response.

use std::time::Duration;

use crate::science::step::{self, Response};
use crate::settings::{HeatLaw, Settings};
use crate::time::{UNITS_OF_TIME, spoken};
use crate::units::{Celsius, Kelvin};

use super::finding::{Finding, Kind, Place};
use super::trial::Step;
use super::{LampAt, ProbeAt, Track, lamp_name, lamp_of, probe_of};

/// A relay is to rest and to work for so long at least each time, s. A guess: a click a minute wears a contact out in years.
const PHASE: f64 = 60.0;
/// Half bands of on/off control that are tried, smallest first, K. Guesses; finer than a probe's step is of no use.
const HALVES: [f64; 8] = [0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0];
/// A shortest time on or off is proposed up to this, s. A guess.
const SHORTEST_MOST: f64 = 300.0;
/// A period of pulses is this share of the time constant at most, so that the spot does not feel them. A guess (a ripple of
/// about a sixth of what a full period would do).
const PERIOD_SHARE: f64 = 0.1;
/// The cut stands this far above the hottest that control should make. A guess.
const CUT_ABOVE: Kelvin = Kelvin(3.0);
/// And never nearer than this, or it trips on an ordinary day. A guess.
const CUT_LEAST: Kelvin = Kelvin(1.0);
/// A controlled spot overshoots its target by this much. A guess.
const OVERSHOOT: Kelvin = Kelvin(1.0);
/// The worst rise is taken to be this many times the fastest that was measured. A guess: less air, a nearer lamp.
const WORST: f64 = 2.0;
/// Readings may be missed until a probe counts as silent (guard law 3: three times its interval).
const MISSED: f64 = 3.0;
/// What the built-in watch over weak lamps asks of one that is 1 K short: this gain in that time (the same for every lamp).
const SHORT_BY: f64 = 1.0;

/// One figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Where it goes.
    pub place: Place,
    /// The key's value as TOML.
    pub value: String,
    /// What it is now.
    pub now: String,
    /// Why.
    pub why: String,
}

/// Everything that is proposed for a lamp and its probe.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// The lamp.
    pub lamp: LampAt,
    /// Figures that differ from what is configured, those of the lamp first.
    pub figures: Vec<Figure>,
    /// What a person should know beside.
    pub notes: Vec<String>,
    /// What is wrong with the lamp's strength, where something is.
    pub findings: Vec<Finding>,
}

/// What follows from a step of `lamp`; `track` is what its probe has said.
pub fn propose(settings: &Settings, lamp: LampAt, step: &Step, track: &Track) -> Proposal {
    let mut bench = Bench {
        settings,
        lamp,
        response: step.found.response,
        every: track.gaps().map_or(probe_of(settings, step.probe).1.every, |(gap, _)| gap).as_secs_f64(),
        proposal: Proposal { lamp, figures: Vec::new(), notes: Vec::new(), findings: Vec::new() },
    };
    if step.found.covered < 1.0 {
        bench.note(format!(
            "the step ended after {:.1} time constants: gain and time constant are rough, their ratio is not",
            step.found.covered
        ));
    }
    let hottest = bench.control(step.found.covered >= 1.0);
    bench.guard(hottest);
    bench.probe(step.probe, track);
    bench.proposal
}

struct Bench<'a> {
    settings: &'a Settings,
    lamp: LampAt,
    response: Response,
    /// How often the probe really speaks, s.
    every: f64,
    proposal: Proposal,
}

impl Bench<'_> {
    fn note(&mut self, note: String) {
        self.proposal.notes.push(note);
    }

    fn figure(&mut self, key: &'static str, value: String, now: String, why: String) {
        if value != now {
            self.proposal.figures.push(Figure { place: Place::Lamp(self.lamp, key), value, now, why });
        }
    }

    /// Figures of the thermostat; the hottest that it should make, °C. `is_known`: where the lamp settles is known.
    fn control(&mut self, is_known: bool) -> Option<f64> {
        let (_, lamp) = lamp_of(self.settings, self.lamp);
        let heat = lamp.heat?;
        let target = heat.target.day.0.max(heat.target.night.0);
        self.strength(is_known, target);
        match heat.law {
            HeatLaw::OnOff { hysteresis } => self.on_off(target, hysteresis.0),
            HeatLaw::Pulse { period, pi } => {
                let most = (PERIOD_SHARE * self.response.lag).clamp(10.0, 3600.0);
                let mut period = period.as_secs_f64();
                if period > most {
                    let why = format!("a tenth of the time constant of {:.0} s at most", self.response.lag);
                    self.figure("period", span(most.floor()), span(period), why);
                    period = most.floor();
                }
                // A pulse comes half a period late on average, a reading half its interval.
                self.pi(pi.band.0, pi.integral, self.every / 2.0 + period / 2.0);
                Some(target + OVERSHOOT.0)
            }
            HeatLaw::Dim { pi } => {
                self.pi(pi.band.0, pi.integral, self.every / 2.0);
                Some(target + OVERSHOOT.0)
            }
        }
    }

    /// Whether the lamp can do its work.
    fn strength(&mut self, is_known: bool, target: f64) {
        let settles = self.response.settles();
        let name = lamp_name(self.settings, self.lamp);
        if is_known && settles < target {
            let text = format!(
                "{name} at full level settles at {} in a room as it was; the target is {}: a stronger lamp, a nearer one, or less \
                 draught",
                Celsius(settles),
                Celsius(target)
            );
            self.proposal.findings.push(Finding { kind: Kind::Weak, text, changes: Vec::new() });
            return;
        }
        let Some(heat) = lamp_of(self.settings, self.lamp).1.heat else { return };
        let weak = heat.weak;
        let gained = (settles - (target - SHORT_BY)) / self.response.lag * weak.within.as_secs_f64();
        if is_known && gained < weak.gain.0 {
            self.note(format!(
                "near its target it gains {gained:.1} K in {}: the watch for weak lamps asks for {}, so `heat-weak` may come on cold \
                 days",
                spoken(weak.within),
                weak.gain
            ));
        }
    }

    fn pi(&mut self, band: f64, integral: Duration, late: f64) {
        let Some(law) = step::simc(&self.response, late) else { return };
        let why = format!(
            "SIMC for {:.1} K, {:.0} s, dead {:.0} s and {late:.0} s for readings and pulses",
            self.response.gain, self.response.lag, self.response.dead
        );
        let proposed = ((10.0 / law.gain).ceil() / 10.0).clamp(0.1, 50.0);
        self.figure("band", number(proposed), number(band), why.clone());
        self.figure("integral", span(law.integral.round().clamp(1.0, 86_400.0)), span(integral.as_secs_f64()), why);
    }

    fn on_off(&mut self, target: f64, now: f64) -> Option<f64> {
        let (_, lamp) = lamp_of(self.settings, self.lamp);
        let cycle = |half: f64| step::cycle(&self.response, self.every, target, half);
        let suits = |half: &f64| cycle(*half).is_some_and(|cycle| cycle.on >= PHASE && cycle.off >= PHASE);
        let possible = HALVES.iter().rev().find(|half| cycle(**half).is_some());
        let half = HALVES.iter().find(|half| suits(half)).or(possible).copied();
        let Some((half, found)) = half.and_then(|half| Some((half, cycle(half)?))) else {
            self.note("no cycle of on/off control is foreseen at its target: the lamp is too weak for it, or the room alone warm \
                       enough".to_owned());
            return None;
        };
        let why = format!(
            "foreseen: {:.1} to {:.1} °C, on for {:.0} s, off for {:.0} s",
            found.least, found.greatest, found.on, found.off
        );
        self.figure("hysteresis", number(half), number(now), why.clone());
        // Half of what is foreseen, so that they never bind on an ordinary day.
        let shortest = |phase: f64| ((phase / 10.0).floor() * 5.0).clamp(0.0, SHORTEST_MOST);
        self.figure("min_on", span(shortest(found.on)), span(lamp.min_on.as_secs_f64()), why.clone());
        let restrike = lamp.fitting.traits().restrike.value;
        if restrike.is_zero() {
            self.figure("min_off", span(shortest(found.off)), span(lamp.min_off.as_secs_f64()), why);
        } else if found.off < restrike.as_secs_f64() {
            let restrike = spoken(restrike);
            self.note(format!(
                "it must cool for {restrike} before it strikes, longer than a cycle: such a lamp should stay on"
            ));
        }
        Some(found.greatest)
    }

    /// Figures of the guard. A hotter cut is never proposed: that is a matter of the animal, and of its veterinarian.
    fn guard(&mut self, hottest: Option<f64>) {
        let (_, lamp) = lamp_of(self.settings, self.lamp);
        let Some(guard) = lamp.guard.clone() else { return };
        let now = guard.cut.0;
        if let Some(hottest) = hottest {
            let proposed = ((hottest + CUT_ABOVE.0) * 2.0).ceil() / 2.0;
            if hottest > now - CUT_LEAST.0 {
                self.note(format!(
                    "control is foreseen to make {}, and the guard cuts at {}: calm control, and leave the cut to the animal's \
                     veterinarian",
                    Celsius(hottest),
                    Celsius(now)
                ));
            } else if proposed <= now - CUT_LEAST.0 {
                let why = format!("{} above the hottest that is foreseen, {}", CUT_ABOVE, Celsius(hottest));
                self.figure("cut", number(proposed), number(now), why);
            }
        }
        let fastest = self.response.fastest();
        let worst = ((WORST * fastest) * 200.0).ceil() / 200.0;
        let why = format!("{WORST:.0} times the fastest rise, {fastest:.3} K/s");
        self.figure("slew", number(worst.clamp(0.005, 5.0)), number(guard.slew.0), why);
        // It must have begun to cool by then.
        let least = 3.0 * (self.response.dead + self.every);
        if least > guard.unstoppable_after.as_secs_f64() {
            let why = format!("three times until a switch shows, {:.0} s", self.response.dead + self.every);
            let after = span((least / 10.0).ceil() * 10.0);
            self.figure("unstoppable_after", after, span(guard.unstoppable_after.as_secs_f64()), why);
        }
    }

    /// Figures of the probe, by how often it really speaks.
    fn probe(&mut self, at: ProbeAt, track: &Track) {
        let (_, probe) = probe_of(self.settings, at);
        let Some((gap, longest)) = track.gaps() else { return };
        let (every, stale) = (probe.every.as_secs_f64(), probe.stale.as_secs_f64());
        let mut push = |key, value: String, now: String, why| {
            if value != now {
                self.proposal.figures.push(Figure { place: Place::Probe(at, key), value, now, why });
            }
        };
        let real = gap.as_secs_f64().round().max(1.0);
        if (real / every - 1.0).abs() > 0.25 {
            push("every", span(real), span(every), "what it does".to_owned());
        }
        let wanted = (MISSED * real).max(2.0 * longest.as_secs_f64());
        let wanted = (wanted / 5.0).ceil() * 5.0;
        if (wanted / stale - 1.0).abs() > 0.25 {
            let why = format!("three times its interval, twice its longest gap of {:.0} s", longest.as_secs_f64());
            push("stale", span(wanted), span(stale), why);
        }
    }
}

/// A number as TOML writes it.
fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0');
    if text.ends_with('.') { format!("{text}0") } else { text.to_owned() }
}

/// A span of whole seconds as the configuration writes it.
fn span(seconds: f64) -> String {
    let mut rest = seconds.max(0.0) as u64;
    let mut text = String::new();
    for (letter, unit) in UNITS_OF_TIME {
        if rest >= unit {
            text.push_str(&format!("{}{letter}", rest / unit));
            rest %= unit;
        }
    }
    if text.is_empty() { "\"0s\"".to_owned() } else { format!("\"{text}\"") }
}
