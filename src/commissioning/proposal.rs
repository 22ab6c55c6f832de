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
/// From lowest to highest a spot may swing by this much, K. A guess.
const SWING: f64 = 3.0;
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
        let calm = |half: &f64| cycle(*half).is_some_and(|cycle| cycle.greatest - cycle.least <= SWING);
        let rests = |half: &f64| cycle(*half).is_some_and(|cycle| cycle.on >= PHASE && cycle.off >= PHASE);
        // The smallest swing that spares the relay; where none does, the longest cycle that still suits the animal.
        let longest = HALVES.iter().rev().find(|half| calm(half));
        let smallest = HALVES.iter().find(|half| cycle(**half).is_some());
        let half = HALVES.iter().find(|half| calm(half) && rests(half)).or(longest).or(smallest).copied();
        let Some((half, found)) = half.and_then(|half| Some((half, cycle(half)?))) else {
            self.note(
                "no cycle of on/off control is foreseen at its target: the lamp is too weak for it, or the room alone warm \
                       enough"
                    .to_owned(),
            );
            return None;
        };
        if !(calm(&half) && rests(&half)) {
            self.note(format!(
                "on/off control would swing by {:.1} K and switch every {:.0} s: pulses, a dimmer or a weaker lamp suit this place better",
                found.greatest - found.least,
                (found.on + found.off) / 2.0
            ));
        }
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
        // A longer one lets a lamp run unseen for longer: only where the probe would often count as silent.
        let is_short = 1.5 * longest.as_secs_f64() > stale;
        if is_short || wanted < 0.75 * stale {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Source, parse};
    use crate::science::step::Identified;
    use crate::settings::{EnclosureIx, LampIx, Measures, ProbeIx};
    use crate::time::Mono;

    /// What is proposed for an on/off lamp at 32 °C whose place answers so, by a probe that speaks every `every` s.
    fn proposed(response: Response, every: u64, stale: &str) -> (Vec<(&'static str, String)>, Proposal) {
        let text = format!(
            r#"
            site = {{ name = "attic", timezone = "Europe/London", latitude = 51.5, longitude = 0.0 }}
            broker = {{ url = "mqtt://127.0.0.1" }}
            [care.basker]
            basking = {{ day = 32.0, night = 20.0, cut = 40.0 }}
            photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}
            [[enclosure]]
            id = "e1"
            care = "basker"
            probes.basking = {{ measures = "temperature", topic = "e1/basking", every = "10s", stale = "{stale}" }}
            [enclosure.lamps.heat]
            fitting = "ceramic-emitter"
            warms = "basking"
            relay = {{ set = "e1/heat/set", hold = "5m" }}
            "#
        );
        let settings = parse(&[Source { name: "room.toml".to_owned(), text }]).settings.expect("taken");
        let mut track = Track::new(Measures::Temperature);
        (0..50).for_each(|i| track.push(Mono::from_secs(i * every), 25.0));
        let found = Identified { response, errors: None, scatter: 0.05, covered: 2.5 };
        let probe = (EnclosureIx(0), ProbeIx(0));
        let step = Step { probe, found, readings: 50, hottest: Celsius(38.0) };
        let proposal = propose(&settings, (EnclosureIx(0), LampIx(0)), &step, &track);
        let figures = proposal.figures.iter().map(|figure| {
            let (Place::Lamp(_, key) | Place::Probe(_, key) | Place::Output(_, key)) = figure.place;
            (key, figure.value.clone())
        });
        (figures.collect(), proposal.clone())
    }

    #[test]
    fn a_slow_place_gets_the_smallest_swing_that_spares_its_relay() {
        // Gain 16 K, time constant 900 s, dead 20 s and 10 s of a reading, about 32 °C: with half a band of 0.2 K the limit
        // cycle of the project's table (section 8) is on for 116 s and off for 92 s, above the 60 s that a relay is to have.
        let response = Response { start: 23.0, gain: 16.0, lag: 900.0, dead: 20.0 };
        let (figures, proposal) = proposed(response, 10, "30s");
        let figure = |key: &str| figures.iter().find(|(known, _)| *known == key).map(|(_, value)| &**value);
        assert_eq!(figure("hysteresis"), Some("0.2"));
        // Twice 16 K in 900 s.
        assert_eq!(figure("slew"), Some("0.04"));
        assert_eq!((figure("every"), figure("stale"), proposal.findings.len()), (None, None, 0));
        let cut: f64 = figure("cut").expect("cooler than it is").parse().expect("a number");
        assert!((35.0..=37.0).contains(&cut), "{cut}");
    }

    #[test]
    fn a_quick_place_is_not_made_to_swing_for_the_sake_of_its_relay() {
        let response = Response { start: 23.0, gain: 16.0, lag: 60.0, dead: 1.0 };
        let (figures, proposal) = proposed(response, 2, "30s");
        let hysteresis: f64 =
            figures.iter().find(|(key, _)| *key == "hysteresis").expect("told").1.parse().expect("a number");
        assert!(hysteresis < 1.5, "{hysteresis}");
        assert!(proposal.notes.iter().any(|note| note.contains("pulses, a dimmer")), "{:?}", proposal.notes);
    }

    #[test]
    fn a_lamp_that_cannot_reach_its_target_is_a_finding() {
        let response = Response { start: 20.0, gain: 9.0, lag: 900.0, dead: 20.0 };
        let (_, proposal) = proposed(response, 10, "30s");
        assert_eq!(proposal.findings.iter().map(|finding| finding.kind).collect::<Vec<_>>(), [Kind::Weak]);
    }

    #[test]
    fn a_probe_that_is_often_late_may_be_silent_for_longer_and_no_other() {
        let response = Response { start: 23.0, gain: 16.0, lag: 900.0, dead: 20.0 };
        let stale = |every, now| {
            proposed(response, every, now).0.into_iter().find(|(key, _)| *key == "stale").map(|(_, value)| value)
        };
        assert_eq!(stale(10, "30s"), None);
        assert_eq!(stale(25, "30s").as_deref(), Some("\"1m15s\""), "every 25 s, three times that");
        assert_eq!(stale(10, "5m").as_deref(), Some("\"30s\""), "guard law 3");
    }
}
