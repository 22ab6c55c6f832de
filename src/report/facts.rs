//! What is told of an enclosure: plain numbers, dates and words, ready to be laid out.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use crate::control::Footing;
use crate::control::photoperiod::DayPlan;
use crate::settings::{Target, UvBand};

/// A span of time, its end not in it.
pub type Span = (DateTime<Utc>, DateTime<Utc>);

/// Everything that a page tells.
#[derive(Clone, Debug)]
pub struct Facts {
    /// The site's name.
    pub site: String,
    /// Its clock.
    pub zone: Tz,
    /// The enclosure's id.
    pub id: String,
    /// What a person calls it.
    pub title: String,
    /// Name of its care sheet.
    pub care: String,
    /// UVI at the basking spot.
    pub band: Option<UvBand>,
    /// First date.
    pub first: NaiveDate,
    /// Last date, in it.
    pub last: NaiveDate,
    /// When the page was made.
    pub written: DateTime<Utc>,
    /// Since when the journal knows anything of the enclosure.
    pub known_since: Option<DateTime<Utc>>,
    /// The days as the configuration has them.
    pub plans: Vec<DayPlan>,
    /// From the first light of the day to the last, as lamps were switched; none where that is not known.
    pub lit: Vec<Option<Span>>,
    /// Temperatures, then humidities.
    pub climate: Vec<Climate>,
    /// UV probes.
    pub uv: Vec<Uv>,
    /// Lamps.
    pub lamps: Vec<Lamp>,
    /// Readings of the hand-held meter.
    pub walks: Vec<Walk>,
    /// Alarms, in order of time.
    pub alarms: Vec<Spell>,
    /// When the program did not run.
    pub unwatched: Vec<Span>,
    /// What was found worth telling beside alarms.
    pub remarks: Vec<Remark>,
    /// The program's version.
    pub program: &'static str,
}

/// Lowest, mean and highest of something, and how many minutes of it were heard.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Range {
    /// Sum of means times minutes.
    pub(super) sum: f64,
    /// The lowest.
    pub low: f64,
    /// The highest.
    pub high: f64,
    /// Minutes with a good reading.
    pub minutes: u64,
}

impl Range {
    /// The mean, each minute counting the same; none where nothing was heard.
    pub fn mean(&self) -> Option<f64> {
        (self.minutes > 0).then(|| self.sum / self.minutes as f64)
    }

    /// Takes in so many minutes more.
    pub fn add(&mut self, mean: f64, low: f64, high: f64, minutes: u64) {
        if minutes == 0 {
            return;
        }
        let is_first = self.minutes == 0;
        self.low = if is_first { low } else { self.low.min(low) };
        self.high = if is_first { high } else { self.high.max(high) };
        self.sum += mean * minutes as f64;
        self.minutes += minutes;
    }

    /// Takes in another.
    pub fn join(&mut self, other: &Range) {
        if let Some(mean) = other.mean() {
            self.add(mean, other.low, other.high, other.minutes);
        }
    }
}

/// One date of a temperature or humidity.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ClimateDay {
    /// All of it.
    pub whole: Range,
    /// The light hours, but the first.
    pub day: Range,
    /// The dark hours, but the first.
    pub night: Range,
}

/// A temperature or a humidity over the span.
#[derive(Clone, Debug)]
pub struct Climate {
    /// The probe's name.
    pub name: String,
    /// Where it sits.
    pub spot: String,
    /// `°C` or `%`.
    pub unit: &'static str,
    /// What its thermostat holds on each date; empty where none does.
    pub targets: Vec<Target>,
    /// Where the guard takes the heat away, °C.
    pub cut: Option<f64>,
    /// One for each date.
    pub days: Vec<ClimateDay>,
    /// Whole hours without a good reading while the program ran.
    pub silent: Vec<Span>,
}

/// One date of a UV probe.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct UvDay {
    /// Means of the hours in which every lamp there was on throughout.
    pub lit: Range,
    /// The highest reading of all.
    pub peak: Option<f64>,
    /// The dose in standard erythemal doses.
    pub dose: f64,
    /// Minutes with a good reading.
    pub minutes: u64,
}

/// A UV probe over the span.
#[derive(Clone, Debug)]
pub struct Uv {
    /// The probe's name.
    pub name: String,
    /// Where it sits.
    pub spot: String,
    /// How far its numbers go.
    pub footing: Footing,
    /// Standard uncertainty of its gain as a share.
    pub uncertainty: Option<f64>,
    /// When its gain was last measured.
    pub calibrated: Option<DateTime<Utc>>,
    /// Meter readings the gain comes from.
    pub readings: usize,
    /// Minutes in which the probe was heard and no UVI could be made of it, since a lamp had been changed.
    pub relative: u64,
    /// One for each date.
    pub days: Vec<UvDay>,
    /// Whole hours without a good reading while the program ran.
    pub silent: Vec<Span>,
}

/// A lamp over the span.
#[derive(Clone, Debug)]
pub struct Lamp {
    /// Its name.
    pub name: String,
    /// What a person calls its kind.
    pub fitting: &'static str,
    /// Rated power.
    pub watts: Option<f64>,
    /// Whether it gives UV.
    pub gives_uv: bool,
    /// Hours on, for each date.
    pub hours: Vec<f64>,
    /// How often it came on.
    pub times: u64,
    /// Hours burnt since it was fitted, by the program's own count.
    pub burnt: Option<f64>,
    /// When it was fitted, where that was logged.
    pub fitted: Option<DateTime<Utc>>,
    /// When another was fitted in the span.
    pub changes: Vec<DateTime<Utc>>,
}

/// A reading of the hand-held meter.
#[derive(Clone, Debug)]
pub struct Walk {
    /// When.
    pub at: DateTime<Utc>,
    /// Where.
    pub spot: String,
    /// What it showed.
    pub uvi: f64,
    /// The one lamp that was lit.
    pub alone: Option<String>,
    /// Its keeper called it a guess.
    pub guess: bool,
    /// Whether the band is meant for this spot.
    pub is_basking: bool,
}

/// An alarm from when it was raised to when it was cleared.
#[derive(Clone, Debug, PartialEq)]
pub struct Spell {
    /// What kind.
    pub kind: String,
    /// How much it mattered at most.
    pub priority: String,
    /// Whether it is the whole site's.
    pub is_sites: bool,
    /// When it was raised.
    pub from: DateTime<Utc>,
    /// When it was cleared; none: it stands.
    pub until: Option<DateTime<Utc>>,
    /// When somebody said they had seen it.
    pub seen: Option<DateTime<Utc>>,
    /// What it said.
    pub text: String,
    /// What the keeper did meanwhile, with when.
    pub done: Vec<(DateTime<Utc>, String)>,
}

/// Something worth telling.
#[derive(Clone, Debug)]
pub struct Remark {
    /// When.
    pub at: DateTime<Utc>,
    /// The probe or lamp.
    pub subject: String,
    /// What.
    pub text: String,
}
