//! When an animal's day is.

use std::time::Duration;

use chrono::{NaiveTime, Timelike};

use super::super::fields::{Fields, Put, Value};
use super::super::finding::{Draft, Sink};
use super::super::keys::span_text;
use crate::science::seasonal::Seasonal;
use crate::settings::{Clamp, Photoperiod, Season};
use crate::units::Degrees;

const DAY: Duration = Duration::from_secs(86_400);

/// Reads a photoperiod.
pub(super) fn photoperiod(
    fields: &Fields,
    lengths: Option<Option<&Seasonal>>,
    sheet: &Fields,
    sink: &mut Sink,
) -> Option<Photoperiod> {
    let follow = fields.text("follow")?;
    let year = || sheet.table("year");
    // Where the year cannot be read, that has been told.
    if follow.value == "year" && lengths.is_none() {
        return None;
    }
    let lengths = lengths.flatten();
    if follow.value != "year" && lengths.is_some() {
        let at =
            year().map_or(sheet.at, |year| if year.has("day_length") { year.place("day_length") } else { year.at });
        let wrong = "`day_length` has no effect: the photoperiod does not follow the year";
        sink.warning(at, wrong, "`photoperiod = { follow = \"year\" }`, or leave it out");
    }
    // The section was chosen by the same word, so that it is one of the five.
    match follow.value.as_str() {
        "clock" => {
            let (on, off) = (fields.time("on"), fields.time("off"));
            clock(&on?, &off?, sink)
        }
        "site" => Some(Photoperiod::Site { clamp: clamp(fields, sink)? }),
        "latitude" => {
            let clamp = clamp(fields, sink);
            let season = match fields.text("season")?.value.as_str() {
                "local" => Season::Local,
                _ => Season::Origin,
            };
            Some(Photoperiod::Latitude {
                latitude: Degrees(fields.number("latitude")?.value),
                season,
                noon: fields.time("noon")?.value,
                clamp: clamp?,
            })
        }
        "year" => {
            let noon = fields.time("noon")?.value;
            match lengths {
                Some(lengths) => Some(Photoperiod::Year { lengths: lengths.clone(), noon }),
                None => {
                    let wrong = "the photoperiod follows the year, and the sheet's `year` says no `day_length`";
                    let right = "add `day_length` to `year`, by twelve months or by dated points";
                    sink.push(Draft::error(follow.at, wrong, right).absence());
                    None
                }
            }
        }
        _ => Some(Photoperiod::Table { months: months(fields)?, noon: fields.time("noon")?.value }),
    }
}

fn clock(on: &Put<NaiveTime>, off: &Put<NaiveTime>, sink: &mut Sink) -> Option<Photoperiod> {
    if on.value == off.value {
        let wrong = format!("`on` and `off` are both {}: the day would have no length", on.value.format("%H:%M"));
        sink.error(off.at, wrong, "let `off` differ from `on`; before `on` it falls on the next date");
        return None;
    }
    Some(Photoperiod::Clock { on: on.value, off: off.value })
}

fn clamp(fields: &Fields, sink: &mut Sink) -> Option<Clamp> {
    let (shortest, longest) = (fields.span("shortest")?, fields.span("longest")?);
    if shortest.value > longest.value {
        let wrong =
            format!("`shortest` is {}, longer than `longest`, {}", span_text(shortest.value), span_text(longest.value));
        sink.error(shortest.at, wrong, format!("at most \"{}\"", span_text(longest.value)));
        return None;
    }
    Some(Clamp { shortest: shortest.value, longest: longest.value })
}

fn months(fields: &Fields) -> Option<[Duration; 12]> {
    let spans: Option<Vec<Duration>> = fields
        .list("months")?
        .iter()
        .map(|node| if let Value::Span(span) = node.value { Some(span) } else { None })
        .collect();
    spans?.try_into().ok()
}

/// The shortest day that can be told without a calendar; none where it depends on the sun alone.
pub(super) fn shortest_day(photoperiod: &Photoperiod) -> Option<Duration> {
    match photoperiod {
        Photoperiod::Clock { on, off } => {
            let seconds = |time: &NaiveTime| u64::from(time.num_seconds_from_midnight());
            Some(Duration::from_secs((seconds(off) + DAY.as_secs() - seconds(on)) % DAY.as_secs()))
        }
        Photoperiod::Site { clamp } | Photoperiod::Latitude { clamp, .. } => {
            Some(clamp.shortest).filter(|shortest| !shortest.is_zero())
        }
        Photoperiod::Table { months, .. } => months.iter().min().copied(),
        Photoperiod::Year { lengths, .. } => Some(Duration::from_secs_f64(lengths.range().0.max(0.0) * 3600.0)),
        Photoperiod::Later { of, .. } => shortest_day(of),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_day_may_run_past_midnight() {
        let at = |h| NaiveTime::from_hms_opt(h, 0, 0).expect("these hours exist");
        let check = |on, off, hours: u64| {
            let photoperiod = Photoperiod::Clock { on: at(on), off: at(off) };
            assert_eq!(shortest_day(&photoperiod), Some(Duration::from_secs(hours * 3600)));
        };
        check(7, 19, 12);
        check(20, 6, 10);
    }
}
