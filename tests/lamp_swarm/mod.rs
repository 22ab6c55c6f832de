//! A swarm of UV lamps that age, each seen through a probe once a day: what the forecasts and the charts of lamp health
//! make of them, held against what the lamps truly do.
//!
//! Lamps differ in how they age (one exponential with an early loss as the simulator has it, curves that bend either way,
//! a slow second loss), in the day they burn, in noise that lasts from day to day, in mesh that gathers dust and is
//! cleaned, in animals that spend whole days on the probe, in days without readings, in gains that a keeper measures
//! wrongly, and in steps: a lamp that was moved, a probe that slipped. All numbers of the swarm are guesses but for the
//! published rate of ageing.

use std::time::Duration;

use chrono::{Days, NaiveDate, NaiveTime};
use chrono_tz::Tz;
use lampwarden::control::health::ahead::DayLengths;
use lampwarden::control::health::decline::{Day, Decline, Prior, STEP_LEAST};
use lampwarden::control::health::forecast::{Announced, Departure};
use lampwarden::control::photoperiod::Plans;
use lampwarden::science::decay::{BURN_IN, BurnHours, PUBLISHED};
use lampwarden::science::robust::Unshaded;
use lampwarden::settings::{Care, Clamp, Photoperiod, Place, Season, When, Window};
use lampwarden::simulator::{Ageing, Pcg32};
use lampwarden::units::{Degrees, Level};

/// The notice time, days.
pub const NOTICE: f64 = 30.0;
/// No lamp is followed for longer, days.
const DAYS_MAX: u32 = 420;

/// How a lamp ages: the share of its UV that is left.
#[derive(Clone, Copy, Debug)]
pub enum Curve {
    /// As in the simulator.
    Simulated(Ageing),
    /// exp(−(t/τ)^β): bends upwards for β below 1, downwards above.
    Stretched { tau: f64, beta: f64 },
    /// exp(−αt − γt²): ages faster and faster.
    Late { alpha: f64, gamma: f64 },
}

impl Curve {
    /// Names for a table.
    pub const KINDS: [&str; 5] = ["exponential", "slow early loss", "bent up", "bent down", "mercury (published)"];

    pub fn drawn(kind: usize, generator: &mut Pcg32) -> Curve {
        // From half the published rate to twice that.
        let rate = PUBLISHED.0 * libm::exp2(generator.signed());
        match kind {
            0 => Curve::Simulated(Ageing {
                early_share: 0.15 * generator.unit(),
                early_hours: 15.0 + 30.0 * generator.unit(),
                per_hour: rate,
            }),
            1 => Curve::Simulated(Ageing {
                early_share: 0.05 + 0.10 * generator.unit(),
                early_hours: 100.0 + 300.0 * generator.unit(),
                per_hour: rate,
            }),
            2 => Curve::Stretched { tau: 1.0 / rate, beta: 0.7 + 0.25 * generator.unit() },
            3 => Curve::Late { alpha: 0.6 * rate, gamma: 0.4 * rate * rate * (0.5 + generator.unit()) },
            // Four mercury lamps: −66 % after 4850 h (Heikkilä et al., Polymer Testing 28(1), 2009).
            _ => Curve::Simulated(Ageing { early_share: 0.0, early_hours: 33.0, per_hour: PUBLISHED.0 }),
        }
    }

    /// Share left after `hours`.
    pub fn left(self, hours: f64) -> f64 {
        match self {
            Curve::Simulated(ageing) => ageing.left(hours),
            Curve::Stretched { tau, beta } => libm::exp(-libm::pow(hours / tau, beta)),
            Curve::Late { alpha, gamma } => libm::exp(-alpha * hours - gamma * hours * hours),
        }
    }
}

/// What one run of one lamp gave.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Days followed.
    pub days: u32,
    /// At 30 days before the truth: the error of the forecast in days (none: it forecast nothing within two years), and
    /// whether its interval held the truth.
    pub month_ahead: Option<(Option<f64>, bool)>,
    /// Whether the lamp truly left its band while followed.
    pub left: bool,
    /// Whether it left unannounced: not announced three days before.
    pub unannounced: bool,
    /// How many days before the truth it was announced.
    pub lead: Option<f64>,
    /// Announcements more than three notice times before the truth.
    pub false_fading: u32,
    /// Steps told that were none.
    pub false_steps: u32,
    /// Days until the true step was told; the inner none: not within 30 days. And its told size over its true one.
    pub step: Option<Option<(f64, f64)>>,
}

/// One lamp in its place.
struct Place1 {
    ahead: DayLengths,
    window: Window,
    start: NaiveDate,
}

fn place(generator: &mut Pcg32) -> Place1 {
    let noon = NaiveTime::from_hms_opt(13, 0, 0).expect("a time");
    let latitude = Degrees(-35.0 + 90.0 * generator.unit());
    let hours = |hours| Duration::from_secs(hours * 3600);
    let clamp = Clamp { shortest: hours(8), longest: hours(15) };
    let photoperiod = Photoperiod::Latitude { latitude, season: Season::Origin, noon, clamp };
    let care = Care { name: "any".to_owned(), photoperiod, uv: None, program: None };
    let nowhere = Place { latitude, longitude: Degrees(0.0) };
    let stages = hours(u64::from(generator.next_u32() % 2));
    let start = NaiveDate::from_ymd_opt(2027, 1, 1).expect("a date") + Days::new(u64::from(generator.next_u32() % 365));
    Place1 {
        ahead: DayLengths::new(Plans::new(&care, Tz::UTC, nowhere)),
        window: Window {
            when: When::Day,
            after_dawn: stages,
            before_dusk: stages,
            ramp: Duration::ZERO,
            level: Level::FULL,
        },
        start,
    }
}

/// What disturbs the readings of one lamp.
struct Trouble {
    /// Standard deviation of a day, and how much of it lasts to the next.
    noise: (f64, f64),
    lasting: f64,
    /// Greatest loss to dust, and days between cleanings.
    dust: (f64, u32),
    /// Chance of a day without readings, and of one in the shade.
    gap: f64,
    shade: f64,
    /// A step on a day, by a factor.
    step: Option<(u32, f64)>,
}

impl Trouble {
    fn drawn(generator: &mut Pcg32) -> Trouble {
        let mut range = |from: f64, to: f64| from + (to - from) * generator.unit();
        Trouble {
            noise: (range(0.002, 0.015), range(0.0, 0.6)),
            lasting: 0.0,
            dust: (range(0.0, 0.02), range(20.0, 60.0) as u32),
            gap: range(0.0, 0.05),
            shade: range(0.0, 0.02),
            step: None,
        }
    }

    /// What the probe shows of `level` on `day`; none for a day without readings.
    fn seen(&mut self, day: u32, level: f64, generator: &mut Pcg32) -> Option<Unshaded> {
        let (deviation, lasts) = self.noise;
        self.lasting = lasts * self.lasting + libm::sqrt(1.0 - lasts * lasts) * deviation * generator.normal();
        let (most, every) = self.dust;
        let dust = 1.0 - most * (f64::from(day % every) / f64::from(every) - 0.5);
        let step = self.step.map_or(1.0, |(from, factor)| if day >= from { factor } else { 1.0 });
        let shade = if generator.unit() < self.shade { 0.2 + 0.7 * generator.unit() } else { 1.0 };
        let missing = generator.unit() < self.gap;
        let value = level * dust * step * shade * libm::exp(self.lasting);
        (!missing).then_some(Unshaded { value, scatter: 0.004, count: 100 })
    }
}

/// Runs lamp number `seed`.
pub fn run(seed: u64) -> Outcome {
    let mut generator = Pcg32::new(seed, 404);
    let kind = seed as usize % Curve::KINDS.len();
    let curve = Curve::drawn(kind, &mut generator);
    let mut place = place(&mut generator);
    let mut trouble = Trouble::drawn(&mut generator);
    if generator.unit() < 0.25 {
        let size = 0.12 + 0.4 * generator.unit();
        let factor = if generator.unit() < 0.7 { 1.0 - size } else { 1.0 + size };
        trouble.step = Some((30 + generator.next_u32() % 200, factor));
    }
    // The band ends where 50 to 90 % are left of what it gives after its burn-in.
    let low = curve.left(BURN_IN.0) * (0.5 + 0.4 * generator.unit());
    // A meter is good to ±10 %, read as two standard deviations; each walk makes the mean of them better.
    let (mut walks, mut errors) = (1.0, 0.05 * generator.normal());
    let walk_every = 25 + generator.next_u32() % 40;
    let mut decline = Decline::new(BURN_IN, Prior::PUBLISHED);
    let mut announced = Announced::default();
    let mut outcome = Outcome::default();
    let (mut hours, mut was_announced) = (0.0, false);
    let mut announced_days: Vec<bool> = Vec::new();
    for day in 0..DAYS_MAX {
        let today = place.start + Days::new(u64::from(day));
        let open = place.ahead.open_on(&place.window, true, today).expect("a date");
        if day > 0 && day % walk_every == 0 {
            walks += 1.0;
            errors += 0.05 * generator.normal();
        }
        let level = low * libm::exp(errors / walks);
        let step = trouble.step.map_or(1.0, |(from, factor)| if day >= from { factor } else { 1.0 });
        let middle = hours + open / 2.0;
        hours += open;
        let seen = trouble.seen(day, curve.left(middle), &mut generator);
        let told = seen.and_then(|seen| Day::new(today, BurnHours(middle), seen)).and_then(|day| decline.day(day));
        if let Some(step) = told {
            judge_step(&mut outcome, &trouble, day, step.size);
        }
        let now = (today, BurnHours(hours));
        let departure = Departure::dated((level, &decline), now, &mut place.ahead, &place.window, 1.0);
        let is_announced = announced.judge(departure.as_ref(), NOTICE);
        announced_days.push(is_announced);
        let truth = days_to_truth(curve, step, level, hours, &mut place, today);
        let settled = decline.days() >= 10 && trouble.step.is_none_or(|(from, _)| day < from || day >= from + 14);
        let just_stepped = trouble.step.is_some_and(|(from, _)| (from..from + 14).contains(&day));
        if is_announced && !was_announced && !just_stepped && truth.is_none_or(|truth| truth > 3.0 * NOTICE) {
            outcome.false_fading += 1;
        }
        if is_announced && !was_announced {
            outcome.lead = truth;
        }
        was_announced = is_announced;
        if settled && outcome.month_ahead.is_none() && truth.is_some_and(|truth| (29.0..=30.5).contains(&truth)) {
            outcome.month_ahead = truth.map(|truth| month_ahead(departure.as_ref(), truth));
        }
        outcome.days = day + 1;
        if truth == Some(0.0) {
            outcome.left = true;
            // What a step or a meter did within the last days is no decay.
            let sudden = trouble.step.is_some_and(|(from, _)| (from..from + 6).contains(&day)) || day % walk_every < 3;
            // A lamp too weak from the start is for its acceptance to find.
            let sudden = sudden || day < 8;
            let before = announced_days.len().saturating_sub(4);
            outcome.unannounced = !sudden && !announced_days[before..].iter().all(|&announced| announced);
            break;
        }
    }
    if outcome.step.is_none() {
        let due = trouble.step.is_some_and(|(from, _)| outcome.days > from + 30 && from > 40);
        outcome.step = due.then_some(None);
    }
    outcome
}

fn judge_step(outcome: &mut Outcome, trouble: &Trouble, day: u32, size: f64) {
    assert!(size.abs() >= STEP_LEAST);
    match trouble.step {
        Some((from, factor)) if (from..=from + 30).contains(&day) && outcome.step.is_none() => {
            outcome.step = Some(Some((f64::from(day - from), size / (factor - 1.0))));
        }
        _ => outcome.false_steps += 1,
    }
}

/// The error of a forecast in days, and whether its interval holds the truth.
fn month_ahead(departure: Option<&Departure>, truth: f64) -> (Option<f64>, bool) {
    let Some(&Departure { days: (expected, earliest, latest), .. }) = departure else { return (None, false) };
    (expected.map(|days| days - truth), earliest <= truth && latest.is_none_or(|latest| truth <= latest))
}

/// In how many days the lamp truly falls to `level`; zero where it has.
fn days_to_truth(curve: Curve, step: f64, level: f64, hours: f64, place: &mut Place1, today: NaiveDate) -> Option<f64> {
    let left = |hours: f64| step * curve.left(hours);
    if left(hours) <= level {
        return Some(0.0);
    }
    let (mut below, mut above) = (hours, hours + 8000.0);
    if left(above) > level {
        return None;
    }
    while above - below > 0.1 {
        let middle = (below + above) / 2.0;
        if left(middle) <= level { above = middle } else { below = middle }
    }
    place.ahead.days_until(&place.window, 1.0, today, above - hours)
}

/// What a swarm gave.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    pub lamps: usize,
    pub years: f64,
    /// Absolute errors at 30 days, sorted, a forecast of never as infinity.
    pub errors: Vec<f64>,
    pub signed: Vec<f64>,
    pub covered: usize,
    pub left: usize,
    pub unannounced: usize,
    pub leads: Vec<f64>,
    pub false_fading: u32,
    pub false_steps: u32,
    pub steps: usize,
    pub step_delays: Vec<f64>,
    pub step_sizes: Vec<f64>,
}

/// Runs the lamps of these seeds.
pub fn swarm(seeds: std::ops::Range<u64>, kind: Option<usize>) -> Summary {
    let mut summary = Summary::default();
    for seed in seeds.filter(|&seed| kind.is_none_or(|kind| seed as usize % Curve::KINDS.len() == kind)) {
        let outcome = run(seed);
        summary.lamps += 1;
        summary.years += f64::from(outcome.days) / 365.25;
        if let Some((error, covered)) = outcome.month_ahead {
            summary.errors.push(error.map_or(f64::INFINITY, f64::abs));
            summary.signed.push(error.unwrap_or(f64::INFINITY));
            summary.covered += usize::from(covered);
        }
        summary.left += usize::from(outcome.left);
        summary.unannounced += usize::from(outcome.unannounced);
        summary.leads.extend(outcome.lead.filter(|_| outcome.left));
        summary.false_fading += outcome.false_fading;
        summary.false_steps += outcome.false_steps;
        if let Some(step) = outcome.step {
            summary.steps += 1;
            summary.step_delays.push(step.map_or(f64::INFINITY, |(delay, _)| delay));
            summary.step_sizes.extend(step.map(|(_, size)| size));
        }
    }
    for list in [
        &mut summary.errors,
        &mut summary.signed,
        &mut summary.leads,
        &mut summary.step_delays,
        &mut summary.step_sizes,
    ] {
        list.sort_by(f64::total_cmp);
    }
    summary
}

/// A quantile of sorted numbers; no number of none.
pub fn at(sorted: &[f64], share: f64) -> f64 {
    let place = (sorted.len().saturating_sub(1) as f64 * share).round() as usize;
    sorted.get(place).copied().unwrap_or(f64::NAN)
}

impl Summary {
    /// Share of truths that the interval covered.
    pub fn coverage(&self) -> f64 {
        self.covered as f64 / self.errors.len() as f64
    }

    /// One line of a table.
    pub fn line(&self) -> String {
        format!(
            "{} lamps {:.0} years | at 30 d: {} forecasts, |error| median {:.1} p90 {:.1}, bias {:+.1}, covered {:.0} % | left \
             {}, unannounced {}, told before (p5 median p95) {:.0} {:.0} {:.0} d | false per lamp-year: fading {:.4}, step \
             {:.4} | steps {}: delay median {:.0} p90 {:.0} d, size {:.2} of true",
            self.lamps,
            self.years,
            self.errors.len(),
            at(&self.errors, 0.5),
            at(&self.errors, 0.9),
            at(&self.signed, 0.5),
            100.0 * self.coverage(),
            self.left,
            self.unannounced,
            at(&self.leads, 0.05),
            at(&self.leads, 0.5),
            at(&self.leads, 0.95),
            f64::from(self.false_fading) / self.years,
            f64::from(self.false_steps) / self.years,
            self.steps,
            at(&self.step_delays, 0.5),
            at(&self.step_delays, 0.9),
            at(&self.step_sizes, 0.5),
        )
    }
}
