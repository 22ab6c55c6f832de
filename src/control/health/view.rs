//! A lamp's health as it stands, and why.

use std::fmt::Write as _;

use chrono::{DateTime, NaiveDate, Utc};

use super::acceptance::{Acceptance, Finding};
use super::decline::{Decline, Step, WINDOW};
use super::forecast::Departure;
use super::life::Previous;
use super::shares::Apart;
use super::watched::{Watched, burn_in};
use super::{Health, in_days, low_level};
use crate::control::lamp::LampControl;
use crate::control::uv::{Footing, UvSeries};
use crate::science::decay::BurnHours;
use crate::settings::{Enclosure, LampIx, Site};
use crate::time::Mono;

/// One word for how a lamp is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// On by every account, and no sign of it.
    Dark,
    /// Its level has changed as no ageing does, and nobody has measured since.
    Stepped,
    /// Fitted, and not seen yet.
    New,
    /// Within its first hours, in which it changes faster than it will.
    BurningIn,
    /// Below its band.
    Weak,
    /// Forecast to leave its band within the notice time.
    Fading,
    /// Nothing is wrong with it.
    Well,
    /// Nobody can tell: it gives UV, and no probe sees it, or nothing says what its numbers mean.
    Unknown,
}

impl Standing {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Standing::Dark => "dark",
            Standing::Stepped => "stepped",
            Standing::New => "new",
            Standing::BurningIn => "burning-in",
            Standing::Weak => "weak",
            Standing::Fading => "fading",
            Standing::Well => "well",
            Standing::Unknown => "unknown",
        }
    }
}

/// A lamp's health as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct LampHealth {
    /// Which lamp.
    pub lamp: LampIx,
    /// In one word.
    pub standing: Standing,
    /// Hours it has burnt.
    pub hours: f64,
    /// How often it was switched on.
    pub cycles: u32,
    /// When it was fitted; none where nobody has said.
    pub fitted: Option<DateTime<Utc>>,
    /// Lamps before it, the latest last.
    pub previous: Vec<Previous>,
    /// Its share of the UV at its probe; none where it has none, or cannot be told from the others.
    pub share: Option<f64>,
    /// When what arrives at its probe leaves the band.
    pub departure: Option<Departure>,
    /// Its next change by then: the expected date, where this lamp is the one that fades.
    pub change_by: Option<NaiveDate>,
    /// How it was found when new and after its burn-in.
    pub acceptance: Acceptance,
    /// What the later look says.
    pub finding: Option<Finding>,
    /// The last step that nobody has answered.
    pub step: Option<Step>,
    /// Readings, fit and thresholds behind all this, a line each.
    pub why: Vec<String>,
}

impl Health {
    /// Every lamp as it stands; `dark`: whether one is told to be dark.
    pub(in crate::control) fn view(
        &self,
        now: Mono,
        site: &Site,
        enclosure: &Enclosure,
        lamps: &[LampControl],
        series: &[UvSeries],
        dark: impl Fn(&str) -> bool,
    ) -> Vec<LampHealth> {
        let one = |(at, control): (usize, &LampControl)| {
            let lamp = &enclosure.lamps[at];
            let watched = self.probes.iter().zip(series).find(|(watched, _)| watched.place(LampIx(at)).is_some());
            let life = &control.life;
            let mut health = LampHealth {
                lamp: LampIx(at),
                standing: Standing::Well,
                hours: life.hours(now).0,
                cycles: life.cycles(),
                fitted: life.fitted(),
                previous: life.previous().to_vec(),
                share: None,
                departure: None,
                change_by: None,
                acceptance: self.lamps[at].acceptance,
                finding: None,
                step: None,
                why: Vec::new(),
            };
            health.why.push(life_line(&health, site));
            if let Some((watched, series)) = watched {
                seen(&mut health, watched, series, enclosure, in_days(site.uv_notice));
            } else if lamp.fitting.traits().emits.uv {
                health.standing = Standing::Unknown;
                health.why.push("it gives UV, and no UV probe sees it: name one in `lights`".to_owned());
            }
            if dark(&lamp.name) {
                health.standing = Standing::Dark;
                health.why.push("it is told to be dark: see the alarm lamp-dark".to_owned());
            }
            health
        };
        lamps.iter().enumerate().map(one).collect()
    }
}

/// What the probe says of a lamp.
fn seen(health: &mut LampHealth, watched: &Watched, series: &UvSeries, enclosure: &Enclosure, notice: f64) {
    let Some(place) = watched.place(health.lamp) else { return };
    let total = watched.whole.recent();
    health.share = total.and_then(|total| watched.shares.of(place, total));
    health.departure = watched.departure;
    health.step = watched.step;
    let fades = watched.fading().is_none_or(|fading| fading == place);
    health.change_by = watched.departure.and_then(|departure| departure.expected).filter(|_| fades);
    let gain = (series.footing() != Footing::AsRead).then(|| series.factor());
    health.finding = health.acceptance.latest().map(|look| look.finding(gain, enclosure.care.uv));
    let low = low_level(enclosure, series);
    let below = low.zip(total).is_some_and(|(low, total)| total < low);
    let young = BurnHours(health.hours) < burn_in(enclosure, health.lamp);
    health.standing = if watched.step.is_some() {
        Standing::Stepped
    } else if young && watched.whole.last().is_none() {
        Standing::New
    } else if young {
        Standing::BurningIn
    } else if below {
        Standing::Weak
    } else if watched.announced.stands() && fades {
        Standing::Fading
    } else if watched.whole.last().is_none() || low.is_none() {
        Standing::Unknown
    } else {
        Standing::Well
    };
    let probe = &enclosure.probes[watched.probe.0].name;
    share_lines(&mut health.why, watched, place, enclosure, total);
    decline_lines(&mut health.why, &watched.whole, &format!("probe {probe}"));
    if watched.lamps.len() > 1
        && let Some(own) = watched.own.get(place).filter(|own| own.last().is_some())
    {
        decline_lines(&mut health.why, own, &format!("lamp {}", enclosure.lamps[health.lamp.0].name));
    }
    health.why.push(departure_line(watched, series, enclosure, low, notice));
    acceptance_lines(&mut health.why, health.acceptance, gain, enclosure);
    if let Some(step) = watched.step {
        let size = 100.0 * step.size;
        health.why.push(format!("step of {size:+.0} % on {}, which is no ageing; measure by hand", step.date));
    }
}

fn life_line(health: &LampHealth, site: &Site) -> String {
    let since = health.fitted.map_or_else(
        || "since it was first seen; nobody has said when it was fitted".to_owned(),
        |fitted| format!("since it was fitted on {}", fitted.with_timezone(&site.timezone).date_naive()),
    );
    let mut line = format!("burnt {:.0} h, switched on {} times {since}", health.hours, health.cycles);
    if let Some(previous) = health.previous.last() {
        let _ = write!(line, "; the lamp before it lasted {:.0} h", previous.hours);
    }
    line
}

fn share_lines(why: &mut Vec<String>, watched: &Watched, place: usize, enclosure: &Enclosure, total: Option<f64>) {
    let Some(total) = total.filter(|_| watched.lamps.len() > 1) else { return };
    let names = |places: &[usize]| {
        let name = |&place: &usize| enclosure.lamps[watched.lamps[place].0].name.as_str();
        places.iter().map(name).collect::<Vec<_>>().join(", ")
    };
    if let Some(share) = watched.shares.of(place, total) {
        why.push(format!("gives {:.0} % of the UV there, by the edges when lamps switch alone", 100.0 * share));
    }
    match watched.shares.apart(total) {
        Apart::Known => {}
        Apart::Never(lamps) => {
            why.push(format!("{} have never switched alone: it may be any one of them", names(&lamps)));
        }
        Apart::DoNotAddUp(times) => {
            why.push(format!(
                "one by one the lamps give {times:.2} times what they give together: shares are not used"
            ));
        }
    }
}

fn decline_lines(why: &mut Vec<String>, decline: &Decline, whose: &str) {
    let Some(last) = decline.last() else {
        why.push(format!("{whose}: no day of warm light has been seen yet"));
        return;
    };
    let recent = decline.recent().unwrap_or(last.level());
    why.push(format!(
        "{whose}: level {:.3} on {}, {recent:.3} over the last days (the probe's own unit, less background)",
        last.level(),
        last.date(),
    ));
    let Some(course) = decline.course() else { return };
    if decline.days() == 0 {
        let rate = 100.0 * decline.prior().rate.0 * 100.0;
        why.push(format!("{whose}: no fit of its own yet; taken to lose {rate:.1} % in 100 h, as known beforehand"));
        return;
    }
    let [(sum, sum_limit), (drift, drift_limit)] = decline.charts();
    why.push(format!(
        "{whose}: fit over {} of at most {WINDOW} days: {:.3} now, losing {:.2} % in 100 h (± {:.2}), a day scatters by {:.1} %, \
         errors last {:.1} times a day",
        decline.days(),
        course.at(last.hours()),
        1e4 * course.rate_at(last.hours()).0,
        1e4 * course.rate_error().0,
        100.0 * course.scatter(),
        course.persistence(),
    ));
    why.push(format!(
        "{whose}: CUSUM {sum:+.1} of {sum_limit:.0}, EWMA {drift:+.2} of {drift_limit:.2} (standard deviations of a day)"
    ));
}

fn departure_line(
    watched: &Watched,
    series: &UvSeries,
    enclosure: &Enclosure,
    low: Option<f64>,
    notice: f64,
) -> String {
    let Some(band) = enclosure.care.uv else {
        return "there is no UV band, so there is nothing to fall below".to_owned();
    };
    let Some(low) = low else {
        return "relative only since a lamp was changed: what its numbers mean is for a meter reading to say"
            .to_owned();
    };
    let level = format!("the band ends at UVI {}, level {low:.3} at a gain of {:.3}", band.low, series.factor());
    let Some(departure) = watched.departure else { return format!("{level}; too little was seen for a forecast") };
    let date = |date: Option<NaiveDate>| date.map_or_else(|| "beyond two years".to_owned(), |date| date.to_string());
    let basis = if departure.provisional { ", by the rate known beforehand alone" } else { "" };
    format!(
        "{level}; expected there {} (80 % between {} and {}){basis}; told from {notice:.0} days ahead",
        date(departure.expected),
        date(departure.earliest),
        date(departure.latest),
    )
}

fn acceptance_lines(why: &mut Vec<String>, acceptance: Acceptance, gain: Option<f64>, enclosure: &Enclosure) {
    let looks = [("when new", acceptance.first), ("after its burn-in", acceptance.second)];
    for (when, look) in looks.into_iter().filter_map(|(when, look)| Some((when, look?))) {
        let finding = look.finding(gain, enclosure.care.uv);
        why.push(format!("{when} ({}, {:.0} h) it gave {:.3}: {finding}", look.date, look.hours, look.level));
    }
}
