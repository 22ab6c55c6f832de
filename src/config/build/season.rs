//! Years and cooling seasons of care sheets.

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Days, NaiveDate, TimeDelta};

use super::super::fields::{Fields, Value};
use super::super::finding::{At, Draft};
use super::super::keys::{SPOTS, span_text};
use super::super::rules::month_and_day;
use super::Bench;
use crate::science::seasonal::{Seasonal, middle_of, place_of};
use crate::science::sun::{Sun, sun_day};
use crate::settings::{Care, Cooling, Photoperiod, Program, Target};
use crate::units::{Celsius, Degrees};

/// Day lengths change faster than this nowhere that reptiles live: at 65 degrees, where they change by 8 minutes a day at most
/// (from the day lengths of Forsythe et al. 1995). Minutes a day; our choice.
const DAY_LENGTH_RATE: f64 = 10.0;
/// Hours of UV are a keeper's; minutes a day, a guess.
const UV_RATE: f64 = 15.0;
/// Targets change no faster than this, K a day: common practice, no source.
const TARGET_RATE: f64 = 1.0;
/// Day lengths outside of a cooling season, hours: MSD Veterinary Manual table v3230615, temperate species: 8 in winter, 16 in
/// summer; subtropical and tropical ones keep within 10 and 14.
const DAY_LENGTHS: (f64, f64) = (8.0, 16.0);
/// So much more or less than a latitude has is still that latitude, hours: twilight is not counted; our choice.
const LATITUDE_TOLERANCE: f64 = 0.25;
/// A cooling season that takes longer leaves no year; days, our choice.
const SEASON_MAX: u32 = 300;
/// The steepest slope of a way between two rests, against the mean.
const STEEPEST: f64 = 1.5;
const DAY: u64 = 86_400;

/// A curve with the place that says it.
struct Drawn {
    curve: Seasonal,
    at: At,
}

/// The year of a care sheet while it is built.
pub(super) struct Year {
    /// Day lengths, hours.
    pub lengths: Option<Seasonal>,
    pub program: Option<Arc<Program>>,
}

impl Bench<'_, '_> {
    /// The year and the cooling season of a care sheet; none where something in them is wrong.
    pub(super) fn year(&mut self, sheet: &Fields) -> Option<Year> {
        let mut program = Program::default();
        let mut lengths = None;
        if sheet.has("year") {
            let year = sheet.table("year")?;
            year.many("point").iter().for_each(|point| point.report_missing(self.sink));
            let day_length = self.curve(year, "day_length");
            let uv_hours = self.curve(year, "uv_hours");
            let night_drop = self.curve(year, "night_drop");
            let spots: Vec<_> = SPOTS.iter().map(|spot| (*spot, self.curve(year, spot))).collect();
            let (day_length, uv_hours, night_drop) = (day_length?, uv_hours?, night_drop?);
            if let Some(drawn) = &day_length {
                self.too_fast(drawn, "the day length", 60.0, DAY_LENGTH_RATE, "min");
                self.day_lengths(year, drawn);
            }
            if let Some(drawn) = &uv_hours {
                self.too_fast(drawn, "the time of UV", 60.0, UV_RATE, "min");
            }
            if let Some(drawn) = &night_drop {
                self.too_fast(drawn, "the night", 1.0, TARGET_RATE, "K");
            }
            for (spot, drawn) in spots {
                let Some(drawn) = drawn? else { continue };
                self.too_fast(&drawn, &format!("the target at the {spot} spot"), 1.0, TARGET_RATE, "K");
                if !sheet.has(spot) {
                    let wrong = format!("the year says what is held at the {spot} spot, and the sheet has no `{spot}`");
                    let right = format!("add `{spot} = {{ day = …, night = …, cut = … }}` to the sheet");
                    self.sink.push(Draft::warning(drawn.at, wrong, right).absence());
                }
                program.day.insert(spot, drawn.curve);
            }
            lengths = day_length.map(|drawn| drawn.curve);
            program.uv_hours = uv_hours.map(|drawn| drawn.curve);
            program.night_drop = night_drop.map(|drawn| drawn.curve);
        }
        if sheet.has("cooling") {
            let cooling = sheet.table("cooling")?;
            self.never_cooled(sheet, cooling);
            program.cooling = Some(self.cooling(sheet, cooling, &program, lengths.as_ref())?);
        }
        let says = program != Program::default();
        Some(Year { lengths, program: says.then(|| Arc::new(program)) })
    }

    /// The curve of one quantity, by month or by dated points; the outer option is lost where something is wrong.
    fn curve(&mut self, year: &Fields, key: &'static str) -> Option<Option<Drawn>> {
        let number = |value: &Value| match value {
            Value::Span(span) => Some(span.as_secs_f64() / 3600.0),
            Value::Number(number) => Some(*number),
            _ => None,
        };
        let dated: Vec<&Fields> = year.many("point").iter().filter(|point| point.has(key)).collect();
        if year.has(key) {
            if let Some(point) = dated.first() {
                let wrong = format!("`{key}` is given by months and by a dated point");
                let draft = Draft::error(point.place(key), wrong, "keep one of the two");
                self.sink.push(draft.also(year.place(key), "the months"));
                return None;
            }
            let months: Option<Vec<f64>> = year.list(key)?.iter().map(|node| number(&node.value)).collect();
            let points: Vec<_> =
                months?.into_iter().enumerate().map(|(month, value)| (middle_of(month), value)).collect();
            return Seasonal::new(&points).map(|curve| Some(Drawn { curve, at: year.place(key) }));
        }
        let mut points: Vec<(f64, f64)> = Vec::new();
        for point in &dated {
            let on = point.text("on")?;
            let place = month_and_day(&on.value).and_then(|(month, day)| place_of(month, day))?;
            let value = number(&point.node(key)?.value)?;
            if points.iter().any(|(known, _)| *known == place) {
                let wrong = format!("two points say `{key}` for {}", on.value);
                self.sink.error(on.at, wrong, "keep one of them");
                return None;
            }
            points.push((place, value));
        }
        let Some(first) = dated.first() else { return Some(None) };
        let at = first.place(key);
        Seasonal::new(&points).map(|curve| Some(Drawn { curve, at }))
    }

    /// Reports a curve that changes by more than `most` in a day; `scale` makes its unit that of `most`.
    fn too_fast(&mut self, drawn: &Drawn, what: &str, scale: f64, most: f64, unit: &str) {
        let (change, day) = drawn.curve.fastest();
        let change = change * scale;
        if change > most + 1e-9 {
            let wrong = format!("{what} changes by {change:.1} {unit} a day about {}: too fast", spoken_day(day));
            let right = format!("at most {most} {unit} a day: spread it over more days");
            self.sink.warning(drawn.at, wrong, right);
        }
    }

    /// Day lengths that no temperate species has, or that there are none of at the latitude.
    fn day_lengths(&mut self, year: &Fields, drawn: &Drawn) {
        let (shortest, longest) = drawn.curve.range();
        let (least, most) = DAY_LENGTHS;
        if shortest < least - 1e-9 || longest > most + 1e-9 {
            let wrong = format!("days are from {} to {}", hours(shortest), hours(longest));
            let right = "from 8h to 16h for temperate species, from 10h to 14h for subtropical and tropical ones (MSD \
                         Veterinary Manual, table v3230615); what is shorter belongs into `cooling`";
            self.sink.warning(drawn.at, wrong, right);
        }
        let Some(latitude) = year.number("latitude").filter(|_| year.has("latitude")) else { return };
        let (least, most) = day_lengths_at(Degrees(latitude.value));
        let (least, most) = (least - LATITUDE_TOLERANCE, most + LATITUDE_TOLERANCE);
        let worst = if longest > most { longest } else { shortest };
        if worst < least || worst > most {
            let wrong = format!("there is no day of {} at {}", hours(worst), Degrees(latitude.value));
            let right = format!("from {} to {}, or another `latitude`", hours(least.max(0.0)), hours(most.min(24.0)));
            self.sink.push(Draft::warning(drawn.at, wrong, right).also(latitude.at, "the latitude"));
        }
    }

    fn never_cooled(&mut self, sheet: &Fields, cooling: &Fields) {
        let Some(word) = sheet.text("cooling_season").filter(|word| word.value == "never") else { return };
        let wrong = "a cooling season for a species whose care sheet says `cooling_season = \"never\"`";
        let right = "leave `cooling` out; a veterinarian who knows the species decides, not this file";
        self.sink.push(Draft::error(cooling.at, wrong, right).also(word.at, "the sheet says so"));
    }

    fn cooling(
        &mut self,
        sheet: &Fields,
        fields: &Fields,
        program: &Program,
        lengths: Option<&Seasonal>,
    ) -> Option<Cooling> {
        let start = fields.text("start")?;
        let days = |bench: &mut Self, key: &str| bench.whole_days(fields, key);
        let (down, stay, up) = (days(self, "down")?, days(self, "stay")?, days(self, "up")?);
        if down + stay + up > SEASON_MAX {
            let wrong = format!("the cooling season takes {} days", down + stay + up);
            self.sink.error(fields.place("stay"), wrong, format!("at most {SEASON_MAX} days, ways and stay together"));
            return None;
        }
        let target = |spot: &'static str| {
            let own = fields.table(spot)?;
            Some((spot, Target { day: Celsius(own.number("day")?.value), night: Celsius(own.number("night")?.value) }))
        };
        let spot = fields.text("spot")?.value;
        let optional = |key: &str| fields.number(key).filter(|_| fields.has(key)).map(|put| Celsius(put.value));
        let span = |key: &str| fields.span(key).filter(|_| fields.has(key)).map(|put| put.value);
        let cooling = Cooling {
            start: month_and_day(&start.value)?,
            down,
            stay,
            up,
            day_length: span("day_length"),
            uv_hours: span("uv_hours"),
            spots: SPOTS.iter().filter_map(|spot| target(spot)).collect(),
            spot: SPOTS.iter().find(|known| **known == spot)?,
            start_below: optional("start_below"),
            break_above: optional("break_above"),
            break_after: u32::try_from(fields.span("break_after")?.value.as_secs() / 3600).ok()?,
        };
        self.steep_ways(sheet, fields, program, &cooling, lengths);
        self.conditions(fields, &cooling);
        Some(cooling)
    }

    fn whole_days(&mut self, fields: &Fields, key: &str) -> Option<u32> {
        let span = fields.span(key)?;
        if !span.value.as_secs().is_multiple_of(DAY) {
            let wrong = format!("`{key}` is {}, no whole days", span_text(span.value));
            let right = format!("\"{}d\"", span.value.as_secs() / DAY + 1);
            self.sink.error(span.at, wrong, right);
            return None;
        }
        u32::try_from(span.value.as_secs() / DAY).ok()
    }

    /// Ways on which something changes too fast.
    fn steep_ways(
        &mut self,
        sheet: &Fields,
        fields: &Fields,
        program: &Program,
        cooling: &Cooling,
        lengths: Option<&Seasonal>,
    ) {
        let (month, day) = cooling.start;
        let begin = place_of(month, day).unwrap_or(0.0);
        let cold = f64::from(cooling.down) + f64::from(cooling.stay);
        for (way, days, place) in
            [("down", cooling.down, begin), ("up", cooling.up, begin + cold + f64::from(cooling.up))]
        {
            let rate = |usual: f64, cooled: f64| (usual - cooled).abs() * STEEPEST / f64::from(days.max(1));
            for (spot, cooled) in &cooling.spots {
                let base = sheet.table(spot).and_then(|spot| spot.number("day")).map(|day| day.value);
                let usual = program.day.get(spot).map(|curve| curve.at(place)).or(base);
                let Some(fastest) = usual.map(|usual| rate(usual, cooled.day.0)).filter(|rate| *rate > TARGET_RATE)
                else {
                    continue;
                };
                let wrong =
                    format!("the way {way} changes the {spot} spot by {fastest:.1} K a day at its steepest: too fast");
                let least = (f64::from(days) * fastest / TARGET_RATE).ceil();
                self.sink.warning(fields.place(way), wrong, format!("at least \"{least:.0}d\", for at most 1 K a day"));
            }
            let stay = cooling.day_length.map(|length| length.as_secs_f64() / 3600.0);
            let Some((lengths, stay)) = lengths.zip(stay) else { continue };
            let fastest = 60.0 * rate(lengths.at(place), stay);
            if fastest > DAY_LENGTH_RATE {
                let wrong =
                    format!("the way {way} changes the day length by {fastest:.0} min a day at its steepest: too fast");
                let least = (f64::from(days) * fastest / DAY_LENGTH_RATE).ceil();
                let right = format!("at least \"{least:.0}d\", for at most {DAY_LENGTH_RATE:.0} min a day");
                self.sink.warning(fields.place(way), wrong, right);
            }
        }
    }

    fn conditions(&mut self, fields: &Fields, cooling: &Cooling) {
        if cooling.break_above.is_none() {
            self.without_effect(fields, &["break_after"], "there is no `break_above`");
        }
        if cooling.break_above.is_none() && cooling.start_below.is_none() {
            self.without_effect(fields, &["spot"], "there is neither `start_below` nor `break_above`");
        }
        let Some((above, held)) = cooling.break_above.zip(cooling.spots.get(cooling.spot)) else { return };
        if above <= held.day {
            let wrong = format!(
                "`break_above` is {above}, and {} is held at the {} spot: every stay would be broken off",
                held.day, cooling.spot
            );
            self.sink.warning(fields.place("break_above"), wrong, format!("above {}", held.day));
        }
    }

    /// The care of one enclosure whose year runs late by its `season_shift`; none where that is wrong.
    pub(super) fn shifted(&mut self, fields: &Fields, care: &Care) -> Option<Care> {
        let by = self.whole_days(fields, "season_shift")?;
        if by == 0 {
            return Some(care.clone());
        }
        let follows = matches!(
            care.photoperiod,
            Photoperiod::Latitude { .. } | Photoperiod::Table { .. } | Photoperiod::Year { .. }
        );
        if !follows && care.program.is_none() {
            let why = "the care sheet's days go by the clock or by the site's sun, and it has no year";
            self.without_effect(fields, &["season_shift"], why);
        }
        let of = care.photoperiod.clone();
        let photoperiod = if follows { Photoperiod::Later { by, of: Box::new(of) } } else { of };
        let program = care.program.as_ref().map(|program| Arc::new(Program { shift: by, ..(**program).clone() }));
        Some(Care { photoperiod, program, ..care.clone() })
    }
}

/// The shortest and the longest day at a latitude, hours.
fn day_lengths_at(latitude: Degrees) -> (f64, f64) {
    let first = NaiveDate::from_ymd_opt(2027, 1, 1).unwrap_or_default();
    let length = |day: u64| {
        let noon = first.checked_add_days(Days::new(day)).and_then(|date| date.and_hms_opt(12, 0, 0));
        let noon: DateTime<chrono::Utc> = noon.unwrap_or_default().and_utc();
        let day = sun_day(latitude, Degrees(0.0), noon);
        match day.sun {
            Sun::Down => 0.0,
            Sun::Up { .. } => {
                day.up().map_or(24.0, |(rise, set)| (set - rise).min(TimeDelta::hours(24)).as_seconds_f64() / 3600.0)
            }
        }
    };
    (0..365).map(length).fold((24.0, 0.0), |(least, most), now| (now.min(least), now.max(most)))
}

fn hours(hours: f64) -> String {
    span_text(Duration::from_secs_f64((hours * 60.0).round().max(0.0) * 60.0))
}

/// A day of a common year, from 0, as a person says it.
fn spoken_day(day: u32) -> String {
    let date = NaiveDate::from_yo_opt(2027, day + 1).unwrap_or_default();
    date.format("%-d %B").to_string()
}

/// Where a probe must be for the conditions of a cooling season to be seen.
pub(super) fn watched_spot(care: &Care) -> Option<&'static str> {
    let cooling = care.program.as_ref()?.cooling.as_ref()?;
    (cooling.start_below.is_some() || cooling.break_above.is_some()).then_some(cooling.spot)
}
