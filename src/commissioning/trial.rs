//! One lamp tried: on after every probe has been seen at rest, watched until the right probe has answered and, where that
//! is wanted, until its response is known; then off.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::science::robust;
use crate::science::step::{self, Identified};
use crate::settings::{Measures, Settings};
use crate::time::Mono;
use crate::units::{Celsius, Kelvin, Level};

use super::{Answer, Before, LampAt, ProbeAt, Track, expected, lamp_of, probe_of, probes, warmed};

/// Readings that a probe should have given before a lamp goes on, …
const AT_REST: u32 = 24;
/// … or as many as come in this time, …
const AT_REST_WITHIN: Duration = Duration::from_secs(10 * 60);
/// … but so many at least. All guesses.
const AT_REST_LEAST: u32 = 8;
/// So many times as long is waited for those that come late. A guess.
const AT_REST_MOST: u32 = 3;
/// How long a lamp that warms is on at least, and at most, without the answer it should have. Guesses: a heat mat under a
/// tile takes minutes, and so does a whole warm end that still cools.
const PATIENCE: (Duration, Duration) = (Duration::from_secs(10 * 60), Duration::from_secs(15 * 60));
/// The same for light alone, which shows at once. Guesses.
const PATIENCE_OF_LIGHT: (Duration, Duration) = (Duration::from_secs(60), Duration::from_secs(5 * 60));
/// And so many readings of the probe that should answer. A guess.
const PATIENCE_READINGS: u32 = 8;
/// Readings whose middle is compared with that of others.
const FEW: usize = 3;
/// Another probe has risen by this much, and the right one has said nothing: enough is known. Or any has, with every lamp told
/// off. A guess.
const STRANGER: Kelvin = Kelvin(4.0);
/// Before a step a probe drifts by no more than this, K/s: half a kelvin in ten minutes. A guess.
const STEADY: f64 = 0.5 / 600.0;
/// How long is waited for that. A guess: a box cools in about as long.
const STEADY_WITHIN: Duration = Duration::from_secs(40 * 60);
/// A trial keeps this far below a cut, so that no guard need trip. A guess.
const BELOW_CUT: Kelvin = Kelvin(2.0);
/// Where no cut stands over a probe at all it is not let above this; no lamp is to make a place hotter that nobody guards.
/// A guess.
const UNGUARDED: Celsius = Celsius(45.0);
/// A response that has been seen for so many time constants is known well. A guess.
const COVERED: f64 = 2.5;
/// How much longer the list of readings must be before it is fitted anew.
const ANEW: f64 = 1.15;
/// How long an output may take to say that it is off. A guess.
const OFF_WITHIN: Duration = Duration::from_secs(10);

/// Where a trial stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Everything is off and every probe is watched at rest.
    Resting,
    /// The lamp is on, and its probes are to answer.
    Answering,
    /// They have; its response is being measured.
    Stepping,
    /// It is off again, and its report is awaited.
    Ending,
    /// It is over.
    Done,
}

/// Why the lamp went off.
#[derive(Clone, Debug, PartialEq)]
pub enum Ended {
    /// Everything is known that was to be.
    Known,
    /// The probes that should answer did not within the time there is.
    Unanswered,
    /// Another probe rose far, and the right one did not.
    Stranger(ProbeAt),
    /// It never went on: this probe rose far although every lamp had been told off.
    HeatsWhileOff(ProbeAt),
    /// A probe came near its cut.
    NearCut(ProbeAt, Celsius),
    /// The time for it was over.
    TimeUp,
    /// The guard refused, or a person ended it.
    Refused(String),
    /// It never went on: this probe did not speak often enough before.
    NotSeen(ProbeAt),
}

/// What a step has shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The probe.
    pub probe: ProbeAt,
    /// What was found in its readings.
    pub found: Identified,
    /// How many readings.
    pub readings: usize,
    /// The hottest.
    pub hottest: Celsius,
}

/// What came of a trial.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The lamp that was told.
    pub lamp: LampAt,
    /// The probes that should answer.
    pub expected: Vec<ProbeAt>,
    /// Why it went off.
    pub ended: Ended,
    /// How long it was on.
    pub on_for: Duration,
    /// How long it took to report on, where it did.
    pub reported_on: Option<Duration>,
    /// Whether it reported off when told so.
    pub reported_off: bool,
    /// It reported off when told on, and never on.
    pub contrary: bool,
    /// Others that reported on while this one was told.
    pub others: Vec<LampAt>,
    /// Every probe that answered, anywhere.
    pub answers: BTreeMap<ProbeAt, Answer>,
    /// What the step has shown, where there was one.
    pub step: Option<Step>,
}

/// A lamp being tried. It is told of what is heard, and says whether the lamp is to be on.
#[derive(Clone, Debug)]
pub struct Trial<'a> {
    settings: &'a Settings,
    lamp: LampAt,
    expected: Vec<ProbeAt>,
    /// For how long a step may last; none: none is wanted.
    step: Option<Duration>,
    stage: Stage,
    began: Mono,
    on_at: Mono,
    off_at: Mono,
    ended: Ended,
    tracks: BTreeMap<ProbeAt, Track>,
    before: BTreeMap<ProbeAt, Before>,
    reported: Option<(Level, Mono)>,
    reported_on: Option<Duration>,
    reported_contrary: bool,
    others: Vec<LampAt>,
    /// The step as it is known so far, and of how many readings.
    known: Option<Step>,
    fitted: usize,
}

impl<'a> Trial<'a> {
    /// A trial of `lamp`; everything must have been told off. `step`: its response is measured, for so long at most.
    pub fn new(settings: &'a Settings, lamp: LampAt, step: Option<Duration>, now: Mono) -> Trial<'a> {
        let track = |(at, probe): (ProbeAt, &crate::settings::Probe)| (at, Track::new(probe.measures));
        Trial {
            settings,
            lamp,
            expected: expected(settings, lamp),
            step: step.filter(|_| warmed(settings, lamp).is_some()),
            stage: Stage::Resting,
            began: now,
            on_at: now,
            off_at: now,
            ended: Ended::Known,
            tracks: probes(settings).map(track).collect(),
            before: BTreeMap::new(),
            reported: None,
            reported_on: None,
            reported_contrary: false,
            others: Vec::new(),
            known: None,
            fitted: 0,
        }
    }

    /// A reading that counts, in the kept unit.
    pub fn reading(&mut self, now: Mono, probe: ProbeAt, value: f64) {
        if let Some(track) = self.tracks.get_mut(&probe) {
            track.push(now, value);
        }
    }

    /// What a lamp's output reported just now.
    pub fn report(&mut self, now: Mono, lamp: LampAt, level: Level) {
        let is_on = matches!(self.stage, Stage::Answering | Stage::Stepping);
        if lamp != self.lamp {
            if is_on && !level.is_off() && !self.others.contains(&lamp) {
                self.others.push(lamp);
            }
            return;
        }
        self.reported = Some((level, now));
        if is_on && !level.is_off() && self.reported_on.is_none() {
            self.reported_on = Some(now.since(self.on_at));
        }
        self.reported_contrary |= is_on && level.is_off();
    }

    /// The guard does not grant it, or a person wants it to end: it is off from now on.
    pub fn refuse(&mut self, now: Mono, why: String) {
        if matches!(self.stage, Stage::Resting | Stage::Answering | Stage::Stepping) {
            self.end(now, Ended::Refused(why));
        }
    }

    /// Where it stands.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// What is known of the response so far.
    pub fn known(&self) -> Option<&Step> {
        self.known.as_ref()
    }

    /// The last reading of the probe that is to be warmed.
    pub fn warmth(&self) -> Option<Celsius> {
        let probe = warmed(self.settings, self.lamp)?;
        Some(Celsius(self.tracks.get(&probe)?.last()?.1))
    }

    /// How long it rests before the lamp goes on, if every probe speaks as it should.
    pub fn rest(&self) -> Duration {
        let every = self.slowest();
        (every * AT_REST).min(AT_REST_WITHIN.max(every * AT_REST_LEAST))
    }

    /// The longest interval of a probe that matters here.
    fn slowest(&self) -> Duration {
        let here = probes(self.settings)
            .filter(|((e, _), probe)| *e == self.lamp.0 && probe.measures == Measures::Temperature);
        let expected = self.expected.iter().map(|&at| probe_of(self.settings, at).1);
        let all = here.map(|(_, probe)| probe).chain(expected);
        all.map(|probe| probe.every).max().unwrap_or(Duration::from_secs(1))
    }

    /// Moves on, and tells whether the lamp is to be on now. To be asked after everything that is heard, and every second.
    pub fn wants_on(&mut self, now: Mono) -> bool {
        match self.stage {
            Stage::Resting => self.rested(now),
            Stage::Answering => self.answering(now),
            Stage::Stepping => self.stepping(now),
            Stage::Ending => self.ending(now),
            Stage::Done => {}
        }
        matches!(self.stage, Stage::Answering | Stage::Stepping)
    }

    fn end(&mut self, now: Mono, ended: Ended) {
        (self.stage, self.ended, self.off_at) = (Stage::Ending, ended, now);
    }

    /// A thermometer that has risen far since everything was told off: further than the afterheat of a lamp's body.
    fn heats_while_off(&self) -> Option<ProbeAt> {
        let rose = |(at, track): (&ProbeAt, &Track)| {
            let rest = track.since(self.began);
            let middle =
                |readings: &[(Mono, f64)]| robust::median(&mut readings.iter().map(|(_, y)| *y).collect::<Vec<_>>());
            let far = rest.len() >= 2 * FEW && middle(&rest[rest.len() - FEW..])? - middle(&rest[..FEW])? >= STRANGER.0;
            (far && track.measures() == Measures::Temperature).then_some(*at)
        };
        self.tracks.iter().find_map(rose)
    }

    fn rested(&mut self, now: Mono) {
        if let Some(probe) = self.heats_while_off() {
            return self.end(now, Ended::HeatsWhileOff(probe));
        }
        let passed = now.since(self.began);
        if passed < self.rest() {
            return;
        }
        // What was said last counts: before that an earlier lamp may have been cooling.
        let is_late = passed >= self.rest() * AT_REST_MOST;
        let from = if is_late { self.began } else { self.from(now) };
        let stood = |(at, track): (&ProbeAt, &Track)| Some((*at, track.before(from, now)?));
        let before: BTreeMap<ProbeAt, Before> = self.tracks.iter().filter_map(stood).collect();
        let missing = self.expected.iter().copied().find(|at| !before.contains_key(at));
        match missing {
            // What nobody can see answer is not switched on.
            Some(_) if !is_late => {}
            Some(probe) => self.end(now, Ended::NotSeen(probe)),
            None if self.drifts(&before) && passed < STEADY_WITHIN => {}
            None => match self.too_hot() {
                Some((probe, reading)) => self.end(now, Ended::NearCut(probe, reading)),
                None => (self.before, self.stage, self.on_at) = (before, Stage::Answering, now),
            },
        }
    }

    /// Since when it is looked how a probe stands that is asked at `now`.
    fn from(&self, now: Mono) -> Mono {
        Mono::new(now.since_start().saturating_sub(self.rest())).max(self.began)
    }

    /// Whether the probe whose response is to be measured is still on its way elsewhere.
    fn drifts(&self, before: &BTreeMap<ProbeAt, Before>) -> bool {
        let probe = self.step.and_then(|_| warmed(self.settings, self.lamp));
        probe.and_then(|probe| before.get(&probe)).is_some_and(|before| before.drifts(STEADY))
    }

    /// A temperature, anywhere, that is near the cut over it, where the lamp warms: what stands under a lamp need not be what
    /// the settings say.
    fn too_hot(&self) -> Option<(ProbeAt, Celsius)> {
        if !lamp_of(self.settings, self.lamp).1.fitting.traits().emits.heat {
            return None;
        }
        let temperatures = self.tracks.iter().filter(|(_, track)| track.measures() == Measures::Temperature);
        let readings = temperatures.filter_map(|(at, track)| Some((*at, Celsius(track.last()?.1))));
        readings.into_iter().find(|(at, reading)| !(*reading < self.bound(*at)))
    }

    /// How hot a probe may get in a trial: a little below the lowest cut that it guards with, else below the highest of its
    /// enclosure, for it may hang where that is.
    fn bound(&self, at: ProbeAt) -> Celsius {
        let enclosure = &self.settings.enclosures[at.0.0];
        let guards = || enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref());
        let own = guards().filter(|guard| guard.probes.contains(&at.1)).map(|guard| guard.cut.0).reduce(f64::min);
        let any = guards().map(|guard| guard.cut.0).reduce(f64::max);
        own.or(any).map_or(UNGUARDED, |cut| Celsius(cut) - BELOW_CUT)
    }

    fn answer(&self, at: ProbeAt) -> Option<Answer> {
        self.tracks.get(&at)?.answer(self.before.get(&at)?)
    }

    fn answering(&mut self, now: Mono) {
        if let Some((probe, reading)) = self.too_hot() {
            return self.end(now, Ended::NearCut(probe, reading));
        }
        let silent = self.expected.iter().filter(|at| self.answer(**at).is_none()).count();
        if silent == 0 && !self.expected.is_empty() {
            let rises = warmed(self.settings, self.lamp).and_then(|at| self.answer(at)).is_some_and(|a| a.change > 0.0);
            return match self.step.is_some() && rises {
                true => self.stage = Stage::Stepping,
                false => self.end(now, Ended::Known),
            };
        }
        if let Some(stranger) = self.stranger() {
            return self.end(now, Ended::Stranger(stranger));
        }
        if now.since(self.on_at) >= self.patience() {
            let ended = if self.expected.is_empty() { Ended::Known } else { Ended::Unanswered };
            self.end(now, ended);
        }
    }

    /// Another temperature probe that has risen far while the one that should has not answered.
    fn stranger(&self) -> Option<ProbeAt> {
        if warmed(self.settings, self.lamp).is_some_and(|at| self.answer(at).is_some()) {
            return None;
        }
        let rose = |(at, before): (&ProbeAt, &Before)| {
            let track = self.tracks.get(at)?;
            let far = track.measures() == Measures::Temperature && track.answer(before)?.change >= STRANGER.0;
            far.then_some(*at)
        };
        self.before.iter().filter(|(at, _)| !self.expected.contains(at)).find_map(rose)
    }

    fn patience(&self) -> Duration {
        let (_, lamp) = lamp_of(self.settings, self.lamp);
        let (least, most) = if lamp.fitting.traits().emits.heat { PATIENCE } else { PATIENCE_OF_LIGHT };
        let every = self.expected.iter().map(|&at| probe_of(self.settings, at).1.every).max().unwrap_or_default();
        (every * PATIENCE_READINGS).clamp(least, most)
    }

    fn stepping(&mut self, now: Mono) {
        if let Some((probe, reading)) = self.too_hot() {
            self.identify();
            return self.end(now, Ended::NearCut(probe, reading));
        }
        let Some(probe) = warmed(self.settings, self.lamp) else { return self.end(now, Ended::Known) };
        let readings = self.tracks.get(&probe).map_or(0, |track| track.since(self.on_at).len());
        if readings as f64 >= ANEW * self.fitted as f64 {
            self.identify();
        }
        if self.known.is_some_and(|step| step.found.covered >= COVERED) {
            self.end(now, Ended::Known);
        } else if now.since(self.on_at) >= self.step.unwrap_or_default() {
            self.identify();
            self.end(now, Ended::TimeUp);
        }
    }

    /// Finds the response in what has been read so far.
    fn identify(&mut self) {
        let Some(probe) = warmed(self.settings, self.lamp) else { return };
        let Some(track) = self.tracks.get(&probe) else { return };
        let seconds = |at: Mono| match at >= self.on_at {
            true => at.since(self.on_at).as_secs_f64(),
            false => -self.on_at.since(at).as_secs_f64(),
        };
        let all = track.since(self.from(self.on_at));
        let readings: Vec<(f64, f64)> = all.iter().map(|(at, y)| (seconds(*at), *y)).collect();
        self.fitted = track.since(self.on_at).len();
        let hottest = all.iter().map(|(_, y)| *y).reduce(f64::max).map_or(Celsius(f64::NAN), Celsius);
        let step = |found| Step { probe, found, readings: readings.len(), hottest };
        self.known = step::identify(&readings).filter(|found| found.response.gain > 0.0).map(step);
    }

    fn ending(&mut self, now: Mono) {
        let (_, lamp) = lamp_of(self.settings, self.lamp);
        let told = self.reported.is_some_and(|(level, at)| level.is_off() && at >= self.off_at);
        if lamp.output.state.is_none() || told || now.since(self.off_at) >= OFF_WITHIN {
            self.stage = Stage::Done;
        }
    }

    /// What came of it, and what every probe said meanwhile.
    pub fn finish(self) -> (Outcome, BTreeMap<ProbeAt, Track>) {
        let answered = |(at, before): (&ProbeAt, &Before)| Some((*at, self.tracks.get(at)?.answer(before)?));
        let went_on = !self.before.is_empty();
        let outcome = Outcome {
            lamp: self.lamp,
            answers: self.before.iter().filter_map(answered).collect(),
            expected: self.expected,
            on_for: if went_on { self.off_at.since(self.on_at) } else { Duration::ZERO },
            reported_on: self.reported_on,
            reported_off: self.reported.is_some_and(|(level, at)| level.is_off() && at >= self.off_at),
            contrary: self.reported_contrary && self.reported_on.is_none(),
            others: self.others,
            step: self.known,
            ended: self.ended,
        };
        (outcome, self.tracks)
    }
}
