//! Numbers, times and alarms in plain words.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::time::spoken;

use super::facts::Range;

/// A length of time as `11 h 06 min`.
pub(super) fn lasting(span: TimeDelta) -> String {
    let minutes = (span.num_seconds() + 30) / 60;
    format!("{} h {:02} min", minutes / 60, minutes % 60)
}

/// A length of time as a person says it.
pub(super) fn about(span: TimeDelta) -> String {
    spoken(span.to_std().unwrap_or_default())
}

/// A probe and where it sits.
pub(super) fn place(name: &str, spot: &str) -> String {
    if name == spot { name.to_owned() } else { format!("{name} (spot: {spot})") }
}

/// A date and a time of day at the site.
pub(super) fn moment(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%-d %b %Y, %H:%M").to_string()
}

/// A time of day at the site.
pub(super) fn clock(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%H:%M").to_string()
}

/// A date.
pub(super) fn date(date: NaiveDate) -> String {
    date.format("%-d %b %Y").to_string()
}

/// A number to one decimal; a dash where there is none.
pub(super) fn tenth(number: Option<f64>) -> String {
    let text = number.map_or_else(|| "–".to_owned(), |number| format!("{number:.1}"));
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

/// `24.1 to 33.0 °C, on the whole 31.2`.
pub(super) fn reach(ranges: &[Range], unit: &str) -> String {
    let mut all = Range::default();
    ranges.iter().for_each(|range| all.join(range));
    match all.mean() {
        None => "nothing was heard".to_owned(),
        Some(mean) => {
            let space = if unit.is_empty() { "" } else { " " };
            format!("{:.1} to {:.1}{space}{unit}, on the whole {mean:.1}", all.low, all.high)
        }
    }
}

/// What an alarm of a kind means, for somebody who does not know the program.
pub(super) fn meaning(kind: &str) -> &'static str {
    match kind {
        "over-temperature" => "a spot became too hot and the guard took the heat away",
        "heat-unstoppable" => "a lamp that was told off went on heating",
        "relay-deaf" => "a relay did not do what it was told",
        "probe-silent" => "a probe said nothing",
        "probe-doubtful" => "a probe said what cannot be",
        "lamp-dark" => "a lamp should have burnt and did not",
        "heat-weak" => "the heat was fully on and the spot did not get warm",
        "lamp-held-back" => "a lamp was held back because its circuit was full",
        "season-amiss" => "the cooling season did not go as planned: the room was too warm",
        "uv-over-ceiling" => "more UV than the animal may have",
        "uv-above-band" => "the UV index was above its band",
        "uv-below-band" => "the UV index was below its band",
        "uv-fading" => "a UV lamp was about to become too weak",
        "calibration-due" => "a UV probe wanted a meter reading",
        "walk-due" => "a round with the hand-held meter was due",
        "spare-due" => "spare lamps were running out",
        "retained-command" => "an old command for a relay was found and deleted",
        "clock-doubtful" => "the clock could not be trusted",
        "broker-lost" => "the program could not reach sensors and lamps",
        "journal-failing" => "the records could not be written",
        "config-refused" => "a wrong configuration was refused",
        "overloaded" => "more messages came than could be handled",
        "notice-failing" => "messages to people did not arrive",
        "supply-lost" => "power, network, a circuit or a relay box failed",
        _ => "",
    }
}
