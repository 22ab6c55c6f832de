//! How one lamp's UV declines, followed day by day in the probe's own unit less its background, so that it needs no
//! calibration.
//!
//! - Until its burn-in is over a lamp changes faster than it will; those days are seen and not fitted.
//! - Then each day's robust level joins a window of the last [`WINDOW`] days, through which a log-linear fit over burn
//!   hours is laid, weighed against what was known of the rate beforehand: the published one, or that of the lamp before.
//!   It may bend a little, as far as the days tell ([`crate::science::bend`]).
//! - Each new day is first held against the fit of the days before it. A CUSUM of those residuals finds a step that is no
//!   ageing: it is told with its date and size, and the fit begins anew with it, the rate known so far as its prior.
//! - An EWMA of the same residuals finds a course that bends away from the fit; then the older half of the window goes.
//!
//! A forecast is a statement on the probe's series. Whether the animal's place is in its band is told by a meter.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::science::bend::Bent;
use crate::science::chart::{Cusum, Ewma};
use crate::science::decay::{BurnHours, Forecast, PUBLISHED, PUBLISHED_ERROR, PerHour};
use crate::science::line::Point;
use crate::science::robust::{Unshaded, median};

/// Days in the window of the fit; a guess, by the swarm of the tests: fewer tell less of the bend.
pub const WINDOW: usize = 75;
/// Least slots of five minutes that make a day; a guess: half an hour.
const SLOTS_LEAST: usize = 6;
/// Fewer days than this have no fit of their own but the rate known beforehand, from their middle on; nor are they ground
/// to call the next one a step. A guess: a day or two in the shade move neither.
const FIT_LEAST: usize = 8;
/// A fit to fewer days than this is provisional; a guess: what a lamp loses early still steepens it.
const CERTAIN: usize = 15;
/// The last days, so many, stand for a lamp that has no fit of its own yet …
const PROVISIONAL: usize = 7;
/// … and fewer of them for nothing; a guess: of five two may be in the shade.
const PROVISIONAL_LEAST: usize = 5;
/// What a day's level scatters by from day to day, as a share, beside what its slots tell; a guess.
const DAY_SCATTER: f64 = 0.01;
/// No fit is taken to scatter by less than this; a guess. Few days may lie on one line by chance.
const SCATTER_LEAST: f64 = 0.004;
/// No residual is charted as if days scattered by less than this; a guess. It makes small true changes, as of the room's
/// warmth or of dust, no steps.
const CHART_SCATTER: f64 = 0.015;
/// A single day counts no more than this many standard deviations, so that no chart alarms by fewer than four days: an
/// animal may spend one on the probe.
const SAMPLE_MAX: f64 = 4.0;
/// From this sum of the CUSUM on, the fit waits for the chart to decide …
const HOLD: f64 = 3.0;
/// … but no more than so many days: what took the sum no further is no step. Both guesses; a step of two standard
/// deviations is found in eight ([`Cusum::quiet`]).
const HOLD_DAYS: u32 = 12;
/// A change of less than this share is no step that is told, but a course that bends; a guess.
pub const STEP_LEAST: f64 = 0.06;
/// … nor one of less than so many steps of the probe's numbers; a guess.
const GRAINS: f64 = 1.6;
/// No step is younger than so many days when it is told; a guess: of three days one may be in the shade.
const STEP_DAYS: usize = 3;
/// After a step the rate is taken to be known to this share of itself, at best; a guess.
const PRIOR_AFTER_STEP: f64 = 0.3;
/// By how much the rate of decay changes with each burn hour, as a share of itself, when nothing is known of it: a standard
/// deviation. A guess: by four tenths within 1000 h, one way or the other.
const BEND: f64 = 4e-4;
/// Burn hours beyond the last day for which a bend is followed; a guess: a month, for which the forecast is made.
const REACH: f64 = 360.0;
/// UV that a new lamp loses early beyond its steady decay, and the time constant of that: the sharpest fall comes in the
/// first 50 to 100 h (IST Magazine); its depth is a guess.
const EARLY_LOSS: (f64, BurnHours) = (0.08, BurnHours(33.0));
/// Share of truths that an interval is to cover.
pub const COVERED: f64 = 0.8;

/// A rate known beforehand, with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// The rate.
    pub rate: PerHour,
    /// Its standard error.
    pub error: PerHour,
}

impl Prior {
    /// What any lamp is taken for.
    pub const PUBLISHED: Prior = Prior { rate: PUBLISHED, error: PUBLISHED_ERROR };

    /// The rate of the lamp before as it was observed, weighed against the published one: the next lamp of a kind is known
    /// no better than to a half by the last, and no lamp is taken to last for ever. Guesses.
    pub fn of_previous((rate, error): (f64, f64)) -> Prior {
        let error = error.max(rate.abs() / 2.0).max(PUBLISHED.0 / 3.0);
        let (own, published) = (1.0 / (error * error), 1.0 / (PUBLISHED_ERROR.0 * PUBLISHED_ERROR.0));
        let mean = (own * rate + published * PUBLISHED.0) / (own + published);
        if !mean.is_finite() {
            return Prior::PUBLISHED;
        }
        Prior { rate: PerHour(mean.max(PUBLISHED.0 / 4.0)), error: PerHour((own + published).sqrt().recip()) }
    }
}

/// One day of a lamp.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Day {
    /// The local date.
    date: NaiveDate,
    /// Burn hours in the middle of what was seen.
    hours: f64,
    /// Its level in the probe's own unit less background.
    level: f64,
    /// How much it counts, 0..=1.
    weight: f64,
    /// The step of the probe's numbers, as a share of its level.
    #[serde(default)]
    grain: f64,
}

impl Day {
    /// A day's level; none where too little was seen, or no UV.
    pub fn new(date: NaiveDate, hours: BurnHours, seen: Unshaded) -> Option<Day> {
        let sound = seen.value.is_finite() && seen.value > 0.0 && hours.0.is_finite();
        if !sound || seen.count < SLOTS_LEAST {
            return None;
        }
        // The variance of a median is π/2 times that of a mean (normal distribution).
        let of_slots = seen.scatter * seen.scatter * std::f64::consts::FRAC_PI_2 / seen.count as f64;
        let weight = 1.0 / (1.0 + of_slots / (DAY_SCATTER * DAY_SCATTER));
        (weight > 0.0).then_some(Day { date, hours: hours.0, level: seen.value, weight, grain: 0.0 })
    }

    /// The same day by a probe whose numbers come in steps of `step`: what they swallow does not average out.
    #[must_use]
    pub fn grained(self, step: f64) -> Day {
        let grain = if step.is_finite() { step / self.level } else { 0.0 };
        // The variance of what is rounded off is a twelfth of the square of the step.
        let more = grain * grain / 12.0 / (DAY_SCATTER * DAY_SCATTER);
        Day { grain, weight: 1.0 / (1.0 / self.weight + more), ..self }
    }

    /// The same day for one of several lamps that makes up `share` of the whole.
    #[must_use]
    pub fn share(self, share: f64) -> Day {
        Day { level: self.level * share, ..self }
    }

    /// The same day over the burn hours of another lamp.
    #[must_use]
    pub fn over(self, hours: BurnHours) -> Day {
        Day { hours: hours.0, ..self }
    }

    /// The local date.
    pub fn date(&self) -> NaiveDate {
        self.date
    }

    /// Burn hours.
    pub fn hours(&self) -> BurnHours {
        BurnHours(self.hours)
    }

    /// Its level in the probe's own unit less background.
    pub fn level(&self) -> f64 {
        self.level
    }

    fn is_sound(&self) -> bool {
        [self.level, self.weight].into_iter().all(|x| x.is_finite() && x > 0.0) && self.hours.is_finite()
    }

    /// In logarithms, where decay is a line.
    fn point(&self) -> Point {
        Point { x: self.hours, y: libm::log(self.level), weight: self.weight }
    }
}

/// The course of a decline: a decay over burn hours that may bend.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course(Bent);

/// How far the logarithm of the level is bent, as the prior of [`Bent`]: half of how the rate changes.
fn prior_bend(rate: PerHour) -> f64 {
    BEND / 2.0 * rate.0.abs().max(PUBLISHED.0 / 4.0)
}

impl Course {
    /// The level at `at`.
    pub fn at(&self, at: BurnHours) -> f64 {
        libm::exp(self.0.at(at.0))
    }

    /// Relative standard error of that level.
    pub fn error_at(&self, at: BurnHours) -> f64 {
        self.0.error_at(at.0)
    }

    /// The mean rate over the days of the fit, positive where the lamp fades.
    pub fn rate(&self) -> PerHour {
        PerHour(-self.0.line().slope)
    }

    /// Its standard error.
    pub fn rate_error(&self) -> PerHour {
        PerHour(self.0.line().slope_error)
    }

    /// The rate at `at`.
    pub fn rate_at(&self, at: BurnHours) -> PerHour {
        PerHour(-self.0.slope_at(at.0))
    }

    /// How much longer than a day errors last, as the factor by which they widen those of the fit.
    pub fn persistence(&self) -> f64 {
        self.0.persistence()
    }

    /// Relative standard deviation of a day.
    pub fn scatter(&self) -> f64 {
        self.0.line().scatter
    }
}

/// A change that is no ageing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The first date after it.
    pub date: NaiveDate,
    /// How much the level changed, as a share: −0.3 is 30 % less.
    pub size: f64,
}

/// One lamp followed.
#[derive(Clone, Debug)]
pub struct Decline {
    burn_in: BurnHours,
    prior: Prior,
    /// The last days of the burn-in.
    youth: Vec<Day>,
    window: Vec<Day>,
    fit: Option<Course>,
    chart: Cusum,
    drift: Ewma,
}

/// What of a decline must survive a restart.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeclineRecord {
    /// The rate known beforehand, with its standard error.
    prior: (f64, f64),
    /// The last days of the burn-in.
    youth: Vec<Day>,
    /// Days of the fit.
    window: Vec<Day>,
    /// The sums of the CUSUM.
    sums: [(f64, u32); 2],
    /// The average of the EWMA.
    drift: f64,
}

/// The EWMA beside the fit: limits of four standard deviations, because it only shortens the window.
fn drift() -> Ewma {
    Ewma::new(0.2, 4.0)
}

impl Decline {
    /// A lamp not seen so far.
    pub fn new(burn_in: BurnHours, prior: Prior) -> Decline {
        Decline {
            burn_in,
            prior,
            youth: Vec::new(),
            window: Vec::new(),
            fit: None,
            chart: Cusum::quiet(),
            drift: drift(),
        }
    }

    /// Takes a day and tells the step that it completes, if any.
    pub fn day(&mut self, day: Day) -> Option<Step> {
        if day.hours < self.burn_in.0 {
            push(&mut self.youth, PROVISIONAL, day);
            return None;
        }
        let alarm = self.chart_day(day);
        push(&mut self.window, WINDOW, day);
        if let Some(days) = alarm {
            return self.restart(days);
        }
        let (sum, held) = self.undecided();
        if sum > HOLD && held < HOLD_DAYS {
            return None;
        }
        if sum > HOLD {
            self.chart = Cusum::quiet();
        }
        if self.drift.outside().is_some() && self.window.len() > WINDOW / 2 {
            self.window.drain(..self.window.len() - WINDOW / 2);
            self.drift = drift();
        }
        self.refit();
        None
    }

    /// The greater sum of the chart, and for how many days it has grown.
    fn undecided(&self) -> (f64, u32) {
        let [above, below] = self.chart.sums();
        if above.0 >= below.0 { above } else { below }
    }

    /// Holds a day against the fit so far; for how many days, this one included, the chart sees it left.
    fn chart_day(&mut self, day: Day) -> Option<usize> {
        let fit = self.fit.filter(|_| self.window.len() >= FIT_LEAST)?;
        let (scatter, of_fit) = ((fit.scatter() * fit.persistence()).max(CHART_SCATTER), fit.error_at(day.hours()));
        let deviation = (scatter * scatter / day.weight + of_fit * of_fit).sqrt();
        let sample = libm::log(day.level / fit.at(day.hours())) / deviation;
        let sample = sample.clamp(-SAMPLE_MAX, SAMPLE_MAX);
        self.drift.push(sample);
        self.chart.push(sample).map(|step| step.samples as usize)
    }

    /// Begins anew with the last `days` days, unless the latest of them is back on course; the step they began with, where
    /// it is one.
    fn restart(&mut self, days: usize) -> Option<Step> {
        let before = self.fit?;
        let last_first = self.window.len().checked_sub(STEP_DAYS)?;
        let earliest = last_first.min(self.window.len() - days.min(self.window.len()));
        let ratio = |day: &Day| day.level / before.at(day.hours()) - 1.0;
        let size_from = |first: usize| median(&mut self.window[first..].iter().map(ratio).collect::<Vec<_>>());
        // The sum may have left zero by chance some days before: the step is where it explains most (the likelihood of a
        // change at an unknown day, D. V. Hinkley, Biometrika 57, 1970; with medians).
        let explained = |first: usize| {
            let size = size_from(first)?;
            Some((size * size * (self.window.len() - first) as f64, first, size))
        };
        let (_, kept, size) = (earliest..=last_first).filter_map(explained).max_by(|a, b| a.0.total_cmp(&b.0))?;
        if !self.window.last().is_some_and(|day| ratio(day) / size >= 0.5) {
            return None;
        }
        self.window.drain(..kept);
        self.youth.clear();
        let known = before.rate_error().0.max(PRIOR_AFTER_STEP * before.rate().0.abs().max(PUBLISHED.0 / 4.0));
        self.prior = Prior { rate: before.rate(), error: PerHour(known) };
        (self.chart, self.drift) = (Cusum::quiet(), drift());
        self.refit();
        let first = self.window.first()?;
        let doubtful = (3.0 * before.error_at(first.hours())).max(GRAINS * first.grain);
        (size.abs() >= STEP_LEAST.max(doubtful)).then_some(Step { date: first.date(), size })
    }

    fn refit(&mut self) {
        self.fit = None;
        if self.window.len() < FIT_LEAST {
            return;
        }
        let points: Vec<Point> = self.window.iter().map(|day| day.point()).collect();
        let bend = prior_bend(self.prior.rate);
        let bent = Bent::fit(&points, bend, SCATTER_LEAST, REACH);
        self.fit = bent.map(|bent| Course(bent.with_prior_slope(-self.prior.rate.0, self.prior.error.0)));
    }

    /// The course it is taken for: the fit, or before there is one that of any lamp from the last days on.
    pub fn course(&self) -> Option<Course> {
        if self.fit.is_some() {
            return self.fit;
        }
        let last = self.youth.iter().chain(&self.window).rev().take(PROVISIONAL);
        // What a lamp still loses early is taken off beforehand, and counts as uncertain as itself.
        let (depth, BurnHours(time)) = EARLY_LOSS;
        let early = |day: &Day| depth * libm::exp(-day.hours / time);
        let days: Vec<Day> = last.map(|day| day.share(1.0 - early(day))).collect();
        if days.len() < PROVISIONAL_LEAST {
            return None;
        }
        let (hours, level) = middle(&days)?;
        // The standard error of a median is 1.25 times that of a mean (normal distribution).
        let of_days = 1.25 * DAY_SCATTER / (days.len() as f64).sqrt();
        let of_burn_in = depth * libm::exp(-hours / time);
        let error = (of_days * of_days + of_burn_in * of_burn_in).sqrt();
        let (height, slope) = ((hours, libm::log(level), error), (-self.prior.rate.0, self.prior.error.0));
        Bent::supposed(height, slope, prior_bend(self.prior.rate), self.last()?.hours, REACH).map(Course)
    }

    /// When the level falls to `level`, not before the last day seen. None where nothing is known.
    pub fn forecast(&self, level: f64) -> Option<Forecast> {
        let crossing = self.course()?.0.falls_to(libm::log(level), COVERED);
        let hours = |at: Option<f64>| at.map(BurnHours);
        let (expected, earliest, latest) = (crossing.expected, crossing.earliest, crossing.latest);
        Some(Forecast { expected: hours(expected), earliest: hours(earliest), latest: hours(latest) })
    }

    /// The last day seen.
    pub fn last(&self) -> Option<&Day> {
        self.window.last().or(self.youth.last())
    }

    /// The middle of the last five days, of which two may be in the shade.
    pub fn recent(&self) -> Option<f64> {
        let days = if self.window.is_empty() { &self.youth } else { &self.window };
        middle(&days[days.len().saturating_sub(5)..]).map(|(_, level)| level)
    }

    /// The step of the probe's numbers, as a share of the level of the last days: one of them may be in the shade.
    pub fn grain(&self) -> f64 {
        self.last().zip(self.recent()).map_or(0.0, |(day, level)| day.grain * day.level / level)
    }

    /// Whether its burn-in is not over, as far as was seen.
    pub fn is_burning_in(&self) -> bool {
        self.window.is_empty()
    }

    /// How many days the fit stands on; zero while there is none of its own.
    pub fn days(&self) -> usize {
        if self.window.len() < FIT_LEAST { 0 } else { self.window.len() }
    }

    /// Whether a forecast goes mostly by what was known beforehand: its fit stands on few days, or there is none.
    pub fn is_provisional(&self) -> bool {
        self.days() < CERTAIN
    }

    /// The rate with its standard error, once readings of its own have told it: its error is less than half of what was
    /// known beforehand.
    pub fn own_rate(&self) -> Option<(f64, f64)> {
        let fit = self.fit.filter(|fit| self.days() > 0 && fit.rate_error().0 < self.prior.error.0 / 2.0)?;
        Some((fit.rate().0, fit.rate_error().0))
    }

    /// The rate known beforehand.
    pub fn prior(&self) -> Prior {
        self.prior
    }

    /// What the charts say: the greater sum of the CUSUM with its limit, the average of the EWMA with its limit, all in
    /// standard deviations of a day.
    pub fn charts(&self) -> [(f64, f64); 2] {
        let [(above, _), (below, _)] = self.chart.sums();
        let sum = if above >= below { above } else { -below };
        [(sum, Cusum::QUIET_LIMIT), (self.drift.value(), self.drift.steady_limit())]
    }

    /// What must survive a restart.
    pub fn to_record(&self) -> DeclineRecord {
        DeclineRecord {
            prior: (self.prior.rate.0, self.prior.error.0),
            youth: self.youth.clone(),
            window: self.window.clone(),
            sums: self.chart.sums(),
            drift: self.drift.value(),
        }
    }

    /// Takes up a record. The fit is laid through the days before the ones that the chart is undecided about.
    pub fn restore(burn_in: BurnHours, record: &DeclineRecord) -> Decline {
        let (rate, error) = record.prior;
        let sound = rate.is_finite() && error.is_finite() && error > 0.0;
        let prior = if sound { Prior { rate: PerHour(rate), error: PerHour(error) } } else { Prior::PUBLISHED };
        let mut decline = Decline::new(burn_in, prior);
        for day in record.youth.iter().filter(|day| day.is_sound()) {
            push(&mut decline.youth, PROVISIONAL, *day);
        }
        for day in record.window.iter().filter(|day| day.is_sound()) {
            push(&mut decline.window, WINDOW, *day);
        }
        let undecided = record.sums.into_iter().filter(|(sum, _)| *sum > HOLD).map(|(_, days)| days as usize).max();
        let fitted = decline.window.len().saturating_sub(undecided.unwrap_or(0)).max(1);
        let held = decline.window.split_off(fitted.min(decline.window.len()));
        decline.refit();
        decline.window.extend(held);
        (decline.chart, decline.drift) = (Cusum::quiet().resumed(record.sums), drift().resumed(record.drift));
        decline
    }
}

/// Adds a day to the last `most`.
fn push(days: &mut Vec<Day>, most: usize, day: Day) {
    if days.len() == most {
        days.remove(0);
    }
    days.push(day);
}

/// The middle of some days: the mean of their hours and the median of their levels.
fn middle(days: &[Day]) -> Option<(f64, f64)> {
    let mut levels: Vec<f64> = days.iter().map(|day| day.level).collect();
    let level = median(&mut levels)?;
    Some((days.iter().map(|day| day.hours).sum::<f64>() / days.len() as f64, level))
}

#[cfg(test)]
mod tests;
