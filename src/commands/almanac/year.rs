//! The year of an enclosure as a picture for a terminal, and as JSON.

use std::fmt::Write as _;

use chrono::NaiveDate;
use serde_json::{Map, Value, json};

use crate::control::almanac::{YearDay, year};
use crate::settings::{Enclosure, EnclosureIx, Settings};

/// Days of the picture, and how many of them are a row.
const DAYS: u32 = 365;
const ROW: usize = 10;
/// Half hours of a day.
const CELLS: usize = 48;
/// Cells of a bar of cold.
const COLD: usize = 10;

fn chosen(settings: &Settings, only: Option<EnclosureIx>) -> impl Iterator<Item = &Enclosure> {
    let all = settings.enclosures.iter().enumerate();
    all.filter(move |(ix, _)| only.is_none_or(|only| only.0 == *ix)).map(|(_, enclosure)| enclosure)
}

/// A picture of the year from `from` on, enclosure by enclosure; those alike are told once.
pub fn picture(settings: &Settings, only: Option<EnclosureIx>, from: NaiveDate) -> String {
    let mut pictures: Vec<(Vec<&str>, String)> = Vec::new();
    for enclosure in chosen(settings, only) {
        let days: Vec<YearDay> = year(&settings.site, enclosure, None, from, DAYS).collect();
        let drawn = drawn(&days);
        match pictures.iter_mut().find(|(_, known)| *known == drawn) {
            Some((ids, _)) => ids.push(&enclosure.id),
            None => pictures.push((vec![&enclosure.id], drawn)),
        }
    }
    let mut text = String::new();
    for (ids, drawn) in pictures {
        let shown = if ids.len() > 4 { format!("{} … {}", ids[0], ids[ids.len() - 1]) } else { ids.join(", ") };
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{shown}\n{drawn}");
    }
    text += "= day, U day with UV, each half an hour about the middle of the day; targets by day / by night in °C; * cold.\n\
             A cooling season is drawn as planned: a person or a warm room may hold it back or break it off.\n";
    text
}

fn drawn(days: &[YearDay]) -> String {
    let mut text = String::new();
    for day in days.iter().step_by(ROW) {
        let minutes = (day.day_hours * 60.0).round();
        let targets =
            day.targets.iter().map(|(spot, target)| format!("{spot} {:.1}/{:.1}", target.day.0, target.night.0));
        let targets: Vec<_> = targets.collect();
        let cold = day.cooling.map_or_else(String::new, |depth| {
            let cells = (depth * COLD as f64).round() as usize;
            format!("  {:<COLD$}", "*".repeat(cells))
        });
        let _ = writeln!(
            text,
            "{}  {:2.0} h {:02.0}  {}{cold}  {}",
            day.date.format("%d %b"),
            (minutes / 60.0).floor(),
            minutes % 60.0,
            bar(day.day_hours, day.uv_hours.unwrap_or(0.0)),
            targets.join("  ")
        );
    }
    let trimmed: Vec<&str> = text.lines().map(str::trim_end).collect();
    trimmed.join("\n") + "\n"
}

/// A day as a bar of half hours.
fn bar(day_hours: f64, uv_hours: f64) -> String {
    let cells = |hours: f64| ((hours * 2.0).round().max(0.0) as usize).min(CELLS);
    let (day, uv) = (cells(day_hours), cells(uv_hours.min(day_hours)));
    let (night, plain) = ((CELLS - day) / 2, (day - uv) / 2);
    let mut bar = ".".repeat(night) + &"=".repeat(plain) + &"U".repeat(uv);
    bar += &"=".repeat(day - uv - plain);
    format!("{bar:.<CELLS$}")
}

/// The same day by day: an array of `{enclosure, date, day_length_min, uv_min, cooling, targets}`; `cooling` is 0 to 1, and
/// null where there is no cooling season.
pub fn json(settings: &Settings, only: Option<EnclosureIx>, from: NaiveDate) -> String {
    let mut lines = Vec::new();
    for enclosure in chosen(settings, only) {
        for day in year(&settings.site, enclosure, None, from, DAYS) {
            let rounded = |number: f64| (number * 100.0).round() / 100.0;
            let target = |target: &crate::settings::Target| json!({ "day": rounded(target.day.0), "night": rounded(target.night.0) });
            let targets: Map<String, Value> = day.targets.iter().map(|(spot, of)| (spot.clone(), target(of))).collect();
            let line = json!({
                "enclosure": enclosure.id,
                "date": day.date.to_string(),
                "day_length_min": rounded(day.day_hours * 60.0),
                "uv_min": day.uv_hours.map(|hours| rounded(hours * 60.0)),
                "cooling": day.cooling.map(rounded),
                "targets": targets,
            });
            lines.push(line.to_string());
        }
    }
    if lines.is_empty() { "[]\n".to_owned() } else { format!("[\n{}\n]\n", lines.join(",\n")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_is_a_day_about_its_middle() {
        assert_eq!(bar(12.0, 0.0), ".".repeat(12) + &"=".repeat(24) + &".".repeat(12));
        assert_eq!(
            bar(12.0, 6.0),
            ".".repeat(12) + &"=".repeat(6) + &"U".repeat(12) + &"=".repeat(6) + &".".repeat(12)
        );
        assert_eq!(bar(24.0, 30.0), "U".repeat(48));
        assert_eq!(bar(0.0, 4.0), ".".repeat(48));
        assert!([0.3, 7.7, 13.25, 23.9].iter().all(|hours| bar(*hours, 3.0).len() == CELLS));
    }
}
