//! Whether an alarm has ground in what is so, what a forecast was worth, and what a fault was told as.
//!
//! The yardstick is the true UVI, and a probe's own numbers where it was never held against a meter. A hand-held meter is
//! good to ±10 % (common practice, no source) and placing it to 5 % (a guess, one standard deviation): within 20 % of an edge
//! no alarm is false.

use chrono::{Days, NaiveDate};
use lampwarden::control::diagnosis::Cause;
use lampwarden::control::health::ahead::DayLengths;
use lampwarden::control::photoperiod::Plans;
use lampwarden::control::{AlarmKind, AlarmNotice, Footing};
use lampwarden::settings::{Enclosure, LampIx, Site};

use super::course::{Course, E, Fate, Fault};
use super::plant::DAY;
use super::tally::TOLD;

/// See above.
const EDGE: f64 = 1.2;
/// The notice time and the span spares are counted for, days; announced more than three times as early is false.
const NOTICE: f64 = 30.0;
const SPARES: f64 = 60.0;
const EARLY: f64 = 3.0;
/// Dark lamps count as found within this, minutes.
const FOUND_WITHIN: f64 = 180.0;
/// The middle of the day, hour.
const NOON: f64 = 13.0;
/// Days beyond the end that are looked at.
const BEYOND: u64 = 500;
/// What the text of `calibration-due` says for each of its reasons.
const REASONS: [&str; 4] = ["relative only", "never been checked", "does not fit", "no ageing"];

/// What has happened that verdicts rest on.
#[derive(Clone, Debug)]
pub struct Ledger {
    /// Burn hours of each UV lamp from the start to each day.
    hours: Vec<Vec<f64>>,
    kinds: Vec<usize>,
    /// Changes that are no ageing, and how great.
    disturbances: Vec<(u64, f64)>,
    mended: u64,
    fitted: u64,
    measured: u64,
    /// The last meter reading could not fit.
    misread: bool,
    /// The move that nobody was told of, and whether it was.
    step: Option<u64>,
    month_done: bool,
    left_done: bool,
    /// For how many days it has been announced.
    announced: u32,
    lead: Option<f64>,
}

impl Ledger {
    pub fn new(enclosure: &Enclosure, site: &Site, kinds: Vec<usize>, from: NaiveDate, days: u64) -> Ledger {
        let ahead = DayLengths::new(Plans::new(&enclosure.care, site.timezone, site.place));
        let of = |lamp: usize| {
            let name = format!("lamp{lamp}");
            let window = enclosure.lamps.iter().find(|lamp| lamp.name == name).expect("it was written down").window;
            let mut sum = 0.0;
            let day = |day| {
                let before = sum;
                sum += ahead.open_on(&window, true, from + Days::new(day)).unwrap_or(0.0);
                before
            };
            (0..days + BEYOND).map(day).collect()
        };
        Ledger {
            hours: (0..kinds.len()).map(of).collect(),
            kinds,
            disturbances: Vec::new(),
            mended: 0,
            fitted: 0,
            measured: 0,
            misread: false,
            step: None,
            month_done: false,
            left_done: false,
            announced: 0,
            lead: None,
        }
    }

    pub fn disturbed(&mut self, now: u64, size: f64) {
        self.disturbances.retain(|&(at, _)| now - at < 90 * DAY);
        self.disturbances.push((now, size));
        self.step = None;
    }

    pub fn moved(&mut self, now: u64, factor: f64) {
        self.disturbed(now, libm::log(factor).abs());
        self.step = Some(now);
    }

    pub fn mended(&mut self, now: u64) {
        self.mended = now;
    }

    pub fn fitted(&mut self, now: u64, lamp: usize, kind: usize) {
        self.kinds[lamp] = kind;
        (self.fitted, self.month_done, self.left_done) = (now, false, false);
        (self.announced, self.lead) = (0, None);
    }

    pub fn measured(&mut self, now: u64, misread: bool) {
        (self.measured, self.misread) = (now, misread);
    }

    /// Whether every lamp has been off for an hour and a half by the calendar, and dawn is half an hour off.
    pub fn is_night(&self, now: u64) -> bool {
        let day = (now / DAY) as usize;
        let open = self.hours[0][day + 1] - self.hours[0][day];
        let (hour, half) = ((now % DAY) as f64 / 3600.0, open / 2.0);
        hour < NOON - half - 0.5 || hour > NOON + half + 1.5
    }

    /// A move is on trial.
    pub fn is_busy(&self, now: u64) -> bool {
        self.step.is_some_and(|at| now - at < 30 * DAY)
    }

    /// Whether something changed by at least `size` within so many days.
    fn changed(&self, now: u64, days: u64, size: f64) -> bool {
        self.disturbances.iter().any(|&(at, by)| now - at <= days * DAY && by >= size)
    }
}

impl Course {
    /// What of an alarm is new: subjects, or reasons.
    pub fn news(&self, notice: &AlarmNotice, before: &[String], text: &str) -> Vec<String> {
        if notice.kind == AlarmKind::CalibrationDue {
            let new = |reason: &&&str| notice.text.contains(**reason) && !text.contains(**reason);
            return REASONS.iter().filter(new).map(|reason| (*reason).to_owned()).collect();
        }
        if notice.subjects.is_empty() && text.is_empty() {
            return vec![String::new()];
        }
        notice.subjects.iter().filter(|subject| !before.contains(subject)).cloned().collect()
    }

    /// An alarm was raised: does it have ground?
    pub fn raised(&mut self, kind: AlarmKind, subject: &str, text: &str) {
        let name = match kind {
            AlarmKind::CalibrationDue => format!("{kind}: {subject}"),
            AlarmKind::UvOverCeiling if subject.starts_with("spot") => format!("{kind}: spot"),
            _ => kind.to_string(),
        };
        *self.tally.raised.entry(name.clone()).or_default() += 1;
        if subject == "no ageing"
            && let Some(at) = self.ledger.step.take()
        {
            self.tally.steps.push(Some((self.now - at) as f64 / DAY as f64));
        }
        if self.has_ground(kind, subject) {
            return;
        }
        if self.is_coarse() {
            *self.tally.false_of_coarse.entry(name.clone()).or_default() += 1;
        } else if self.setup.lamps > 1 {
            *self.tally.false_of_pairs.entry(name.clone()).or_default() += 1;
        }
        *self.tally.false_alarms.entry(name).or_default() += 1;
        let example = self.in_words(kind, subject, text);
        self.tally.examples.push(example);
    }

    /// A false alarm beside what is so.
    fn in_words(&self, kind: AlarmKind, subject: &str, text: &str) -> String {
        let (uvi, day) = (self.plant.uvi_when_lit(), self.now / DAY);
        let (hour, minute) = (self.now % DAY / 3600, self.now % 3600 / 60);
        let setup = &self.setup;
        let coarse = if self.is_coarse() { ", too coarse" } else { "" };
        let lamp = |lamp: &super::plant::UvLamp| {
            let on = if lamp.told { (self.now - lamp.told_at) / 60 } else { 0 };
            format!("on for {on} min, {:.2} when warm, {:.0} h", self.plant.moved * lamp.full(), lamp.hours)
        };
        let lamps: Vec<String> = self.plant.lamps.iter().map(lamp).collect();
        let why = self.enclosure.lamps.iter().position(|lamp| lamp.name == subject);
        let why = why.and_then(|at| self.controller.why(E, LampIx(at))).or_else(|| self.controller.why_alarm(E, kind));
        format!(
            "seed {} day {day} {hour}:{minute:02}, UVI {uvi:.2}{coarse}, {} lamps, staged {}, a reading in {} s, step {}, offset \
             {}, noise {:.3}, gain {:.2}, animal {}; lamps {lamps:?}; changes of the last days {:?}: {text}\n    {}",
            self.seed,
            setup.lamps,
            setup.staged,
            setup.every,
            setup.step,
            setup.offset,
            setup.noise.0,
            self.plant.gain_now(),
            self.plant.animal_in_words(),
            self.ledger.disturbances.iter().map(|&(at, by)| ((self.now - at) / DAY, by)).collect::<Vec<_>>(),
            why.unwrap_or_default().join("\n    "),
        )
    }

    /// Whether the probe is too coarse to tell the deepest shade of the trial from darkness.
    fn is_coarse(&self) -> bool {
        0.03 * self.plant.uvi_when_lit() * self.plant.gain_now() < self.setup.step
    }

    fn has_ground(&self, kind: AlarmKind, subject: &str) -> bool {
        use AlarmKind as K;
        let band = self.enclosure.care.uv.expect("a zone has one");
        let ledger = &self.ledger;
        let broken = self.fault.is_some() || self.now - ledger.mended < 3600 && ledger.mended > 0;
        let lately = ledger.changed(self.now, 1, 0.03);
        let uvi = self.yard() * self.plant.uvi_when_lit();
        match kind {
            K::LampDark => broken,
            K::HeatWeak => self.plant.heat_broken || !self.plant.supply,
            K::ProbeDoubtful => broken || self.plant.animal_lies_there(),
            // A spot is measured by the meter, whatever the probe is worth.
            K::UvOverCeiling if subject.starts_with("spot") => self.plant.uvi_when_lit() > band.ceiling.0 / EDGE,
            K::UvOverCeiling => uvi > band.ceiling.0 / EDGE,
            K::UvAboveBand => uvi > band.high.0 / EDGE,
            K::UvBelowBand => {
                uvi < band.low.0 * EDGE || broken && !self.fault.as_ref().is_some_and(probe_is_dead) || lately
            }
            K::UvFading => self.until_low().is_some_and(|days| days <= EARLY * NOTICE),
            K::SpareDue => self.until_low().is_some_and(|days| days <= EARLY * SPARES),
            K::CalibrationDue => match subject {
                "no ageing" => ledger.changed(self.now, 40, 0.03),
                "does not fit" => ledger.misread || ledger.changed(self.now, 90, 0.03),
                _ => true,
            },
            K::WalkDue => true,
            _ => false,
        }
    }

    /// UVI per unit of the probe as the core has it.
    fn gain(&self) -> (f64, Footing) {
        let view = self.controller.view(E).expect("there is one enclosure");
        let uv = view.probes.iter().find_map(|probe| probe.uv).expect("it has a UV probe");
        (uv.gain, uv.footing)
    }

    /// What a UVI is held to be by the yardstick.
    pub fn yard(&self) -> f64 {
        if self.gain().1 == Footing::AsRead { self.plant.gain_now() } else { 1.0 }
    }

    /// Days until what the probe would show of the lamps falls to `level`, in its unit.
    fn until(&self, level: f64) -> Option<f64> {
        let today = (self.now / DAY) as usize;
        let shows = |day: usize| {
            let lamps = self.plant.lamps.iter().zip(&self.ledger.hours);
            let each = |(lamp, hours): (&super::plant::UvLamp, &Vec<f64>)| {
                lamp.strength * lamp.curve.left(lamp.hours + hours[today + day] - hours[today])
            };
            self.plant.moved * self.plant.gain_now() * lamps.map(each).sum::<f64>()
        };
        if shows(0) <= level {
            return Some(0.0);
        }
        let (mut above, mut below) = (0, (BEYOND - 1) as usize);
        if shows(below) > level {
            return None;
        }
        while below - above > 1 {
            let middle = (above + below) / 2;
            if shows(middle) <= level { below = middle } else { above = middle }
        }
        let (high, low) = (shows(above), shows(below));
        Some(above as f64 + (high - level) / (high - low))
    }

    /// Days until the UV leaves its band, by the gain in force or by what it truly is, whichever comes first.
    fn until_low(&self) -> Option<f64> {
        let low = self.enclosure.care.uv.expect("a zone has one").low.0;
        let by_truth = self.until(low * self.plant.gain_now());
        let (gain, _) = self.gain();
        let by_gain = self.until(low / gain);
        match (by_truth, by_gain) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// The first minutes of a day: what do the forecasts of last night say?
    pub fn day(&mut self) {
        if self.is_coarse() {
            self.tally.coarse_years += 1.0 / 365.25;
        } else if self.setup.lamps > 1 {
            self.tally.pair_years += 1.0 / 365.25;
        }
        if self.ledger.step.is_some_and(|at| self.now - at > 30 * DAY) {
            self.ledger.step = None;
            self.tally.steps.push(None);
        }
        if self.fault.is_some() {
            return;
        }
        let (gain, footing) = self.gain();
        let low = self.enclosure.care.uv.expect("a zone has one").low.0;
        let Some(truth) = self.until(low / gain) else { return };
        let is_announced = self.standing.contains_key(&AlarmKind::UvFading);
        if is_announced && self.ledger.lead.is_none() {
            self.ledger.lead = Some(truth);
        }
        self.ledger.announced = if is_announced { self.ledger.announced + 1 } else { 0 };
        let calm = !self.ledger.changed(self.now, 14, 0.0) && self.now - self.ledger.fitted > 20 * DAY;
        let early = self.plant.lamps.iter().any(|lamp| lamp.hours < 200.0);
        if (29.0..=30.5).contains(&truth)
            && calm
            && !early
            && !self.ledger.month_done
            && footing != Footing::RelativeOnly
        {
            self.ledger.month_done = true;
            self.month_ahead(truth, self.until(low * self.plant.gain_now()));
        }
        if truth == 0.0 && !self.ledger.left_done {
            self.ledger.left_done = true;
            self.leaves(footing);
        }
    }

    fn month_ahead(&mut self, truth: f64, by_truth: Option<f64>) {
        let lamps = self.controller.lamps(E).expect("there");
        let departure = lamps.iter().find_map(|lamp| lamp.departure);
        let kind = if self.setup.lamps == 1 { self.ledger.kinds[0] } else { usize::MAX };
        let (error, covered) = match departure {
            None => (None, false),
            Some(departure) => {
                let (expected, earliest, latest) = departure.days;
                let covered = earliest <= truth && latest.is_none_or(|latest| truth <= latest);
                (expected.map(|days| days - truth), covered)
            }
        };
        self.tally.ahead.push((kind, error, covered));
        let expected = error.map(|error| error + truth);
        self.tally.ahead_by_truth.push(expected.zip(by_truth).map(|(expected, truth)| expected - truth));
    }

    /// The UV has left its band, as far as the meter readings so far can tell.
    fn leaves(&mut self, footing: Footing) {
        // What a step, a repair, a new lamp or a meter did within the last days is no decay.
        let sudden = self.ledger.changed(self.now, 6, 0.0)
            || self.now - self.ledger.measured < 3 * DAY
            || self.now - self.ledger.fitted < 8 * DAY;
        if sudden {
            return;
        }
        if footing == Footing::RelativeOnly {
            self.tally.unmeasured += 1;
            return;
        }
        self.tally.left += 1;
        let told = self.ledger.announced >= 4 || self.standing.contains_key(&AlarmKind::UvBelowBand);
        if !told {
            self.tally.unannounced += 1;
            let departures: Vec<_> =
                self.controller.lamps(E).expect("there").into_iter().map(|lamp| lamp.departure).collect();
            let days = |at: u64| (self.now - at) / DAY;
            self.tally.examples.push(format!(
                "seed {} day {}: left unannounced, announced for {} days, curves {:?}, fitted {} and measured {} days before, \
                 step {}, UVI {:.2}, {departures:?}",
                self.seed,
                self.now / DAY,
                self.ledger.announced,
                self.ledger.kinds,
                days(self.ledger.fitted),
                days(self.ledger.measured),
                self.setup.step,
                self.plant.uvi_when_lit(),
            ));
        }
        self.tally.leads.extend(self.ledger.lead);
    }

    /// Notes what the fault was told as, the latest word counting.
    pub fn note_cause(&mut self, notice: &AlarmNotice) {
        let no_ageing = notice.kind == AlarmKind::CalibrationDue && notice.text.contains("no ageing");
        let Some(fault) = &mut self.fault else { return };
        if no_ageing || matches!(notice.kind, AlarmKind::LampDark | AlarmKind::ProbeDoubtful | AlarmKind::UvBelowBand) {
            fault.noticed_after.get_or_insert(fault.overdue as f64 / 60.0);
        }
        let told = match notice.kind {
            AlarmKind::LampDark => {
                let is = |cause: Cause| notice.text.contains(&format!("Most likely {}", cause.words()));
                [Cause::LampDark, Cause::NoUv, Cause::RelayOpen, Cause::SupplyDead].into_iter().rposition(is)
            }
            AlarmKind::ProbeDoubtful if notice.text.contains("Most likely it is dead") => Some(4),
            AlarmKind::ProbeDoubtful if notice.text.contains("Most likely something lies between") => Some(5),
            // What repeats itself although its lamp switched is dead by another word.
            AlarmKind::ProbeDoubtful => Some(4),
            AlarmKind::HeatWeak if fault.fate == Fate::HeatBreaks => Some(0),
            _ => None,
        };
        let Some(told) = told else { return };
        fault.told_as = Some(told);
        // Shade that is told of a dark lamp has not found it.
        if TOLD[told] != "shaded" || fault.fate == Fate::ShadedForDays {
            fault.told_after.get_or_insert(fault.overdue as f64 / 60.0);
        }
    }

    /// A fault is over: how was it told?
    pub fn tell_fault(&mut self, fault: &Fault) {
        let found = fault.told_after.filter(|&minutes| minutes <= FOUND_WITHIN);
        // One that was mended before it could be found says nothing.
        if found.is_none() && (fault.overdue as f64) < 60.0 * FOUND_WITHIN {
            return;
        }
        if fault.fate.is_dark_uv_lamp() {
            self.tally.dark.push((self.setup.every, self.setup.lamps > 1, found));
            let Fault { fate, lamp, at, told_as, noticed_after, .. } = *fault;
            if self.setup.lamps > 1 {
                let by_power = self.setup.power && fate != Fate::LosesUv;
                let evidence = if fate == Fate::SupplyDead {
                    0
                } else if by_power {
                    1
                } else {
                    2
                };
                self.tally.of_two.push((evidence, found, noticed_after));
            }
            let (step, hour) = (self.setup.step, at % DAY / 3600);
            let others = [(self.setup.light, "light"), (self.setup.power, "power"), (self.setup.heat, "heat")];
            let seen: Vec<&str> = others.iter().filter(|(has, _)| *has).map(|(_, name)| *name).collect();
            let coarse = if self.is_coarse() { ", too coarse" } else { "" };
            self.tally.delays.push(format!(
                "{:.0} min: seed {} day {} at {hour} h: {fate:?} of lamp {lamp} of {}, {}, staged {}, a reading in {} s, step \
                 {step}{coarse}, UVI {:.2}, {seen:?}, told as {}",
                found.unwrap_or(f64::INFINITY),
                self.seed,
                at / DAY,
                self.setup.lamps,
                self.setup.fitting.traits().word,
                self.setup.staged,
                self.setup.every,
                self.plant.uvi_when_lit(),
                TOLD[told_as.unwrap_or(TOLD.len() - 1)],
            ));
            if found.is_none() {
                self.tally.examples.push(format!("seed {} day {}: {fault:?} not found", self.seed, self.now / DAY));
            }
        } else if fault.fate.is_dead_probe() {
            self.tally.dead.push(fault.told_after);
        }
        let group = usize::from(!self.setup.sees_uv_alone());
        self.tally.causes[group][fault.fate as usize][fault.told_as.unwrap_or(TOLD.len() - 1)] += 1;
    }
}

/// Whether nobody sees the UV, which says nothing about it.
fn probe_is_dead(fault: &Fault) -> bool {
    fault.fate.is_dead_probe()
}
