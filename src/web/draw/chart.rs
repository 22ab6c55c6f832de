//! What happened in an enclosure over one axis of time: temperatures and UV against what is asked for, lamps and alarms.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde_json::{Value, json};

use super::{area, path, percent};
use crate::page::{Axis, Scale, TALL, WIDE};
use crate::web::words;

/// Kinds of line that can be told apart without colour; a chart with more of them begins anew.
const LINES: usize = 5;

/// One line of a lane.
pub(in crate::web) struct Line {
    pub name: String,
    pub points: Vec<Point>,
}

/// When, mean, lowest and highest.
pub(in crate::web) type Point = (DateTime<Utc>, f64, f64, f64);

/// A value that matters, over spans of time.
pub(in crate::web) struct Asked {
    pub name: String,
    /// From when on it is so.
    pub steps: Vec<(DateTime<Utc>, f64)>,
}

/// A lane with an axis of values.
pub(in crate::web) struct Lane {
    pub title: String,
    /// What its numbers are called, as in `33 °C`.
    pub unit: &'static str,
    pub lines: Vec<Line>,
    /// Between these all is well.
    pub band: Option<(f64, f64)>,
    pub asked: Vec<Asked>,
    /// Never beyond: a name and a value.
    pub limit: Option<(String, f64)>,
}

impl Lane {
    /// What holds all of it; none where there is nothing.
    fn scale(&self) -> Option<Scale> {
        let extra = self.band.map(|(low, high)| [low, high]).into_iter().flatten();
        let asked = self.asked.iter().flat_map(|asked| asked.steps.iter().map(|(_, value)| *value));
        let limit = self.limit.iter().map(|(_, value)| *value);
        let heard = self.lines.iter().flat_map(|line| line.points.iter().flat_map(|(_, _, low, high)| [*low, *high]));
        Scale::of(heard.chain(extra).chain(asked).chain(limit), 1.0)
    }
}

/// When something was so.
pub(in crate::web) struct Bar {
    pub from: DateTime<Utc>,
    /// None: it still is.
    pub until: Option<DateTime<Utc>>,
    /// What of it, 0 to 1.
    pub level: f64,
    pub class: &'static str,
    pub told: String,
}

/// A day of a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::web) struct Day {
    pub from: DateTime<Utc>,
    pub until: DateTime<Utc>,
    /// How long it was on, h; none where nobody knows.
    pub hours: Option<f64>,
}

/// What became of one thing.
pub(in crate::web) enum Told {
    /// Span by span.
    Bars(Vec<Bar>),
    /// Day by day: spans would be too many to be seen.
    Days(Vec<Day>),
}

/// One thing, in a row of its own.
pub(in crate::web) struct Row {
    pub name: String,
    pub told: Told,
}

impl Row {
    /// How high it is, px.
    fn tall(&self) -> usize {
        match self.told {
            Told::Bars(_) => 24,
            Told::Days(_) => 44,
        }
    }

    /// Lowest, mean and highest hours of its days that are known.
    fn hours(days: &[Day]) -> Option<(f64, f64, f64)> {
        let known = || days.iter().filter_map(|day| day.hours);
        let (low, high) = (known().reduce(f64::min)?, known().reduce(f64::max)?);
        Some((low, known().sum::<f64>() / known().count() as f64, high))
    }

    /// What is written on it.
    fn written(&self) -> String {
        match &self.told {
            Told::Bars(_) => self.name.clone(),
            Told::Days(days) => match Row::hours(days) {
                Some((_, mean, _)) => format!("{}, {mean:.1} h a day", self.name),
                None => format!("{}, not known", self.name),
            },
        }
    }

    /// It in words.
    fn in_words(&self) -> String {
        let name = &self.name;
        match &self.told {
            Told::Bars(bars) => match &bars[..] {
                [] => format!("{name}: not at all"),
                [one] => format!("{name}: {}", one.told),
                [.., last] => format!("{name}: {} times, last {}", bars.len(), last.told),
            },
            Told::Days(days) => match Row::hours(days) {
                Some((low, mean, high)) => {
                    let known = days.iter().filter(|day| day.hours.is_some()).count();
                    format!("{name}: {low:.1} to {high:.1} h a day, {mean:.1} h in the mean of {known} days")
                }
                None => format!("{name}: not known"),
            },
        }
    }
}

/// A chart.
pub(in crate::web) struct Chart {
    pub axis: Axis,
    pub start: DateTime<Utc>,
    pub end: DateTime<Utc>,
    /// Where the present is, if it is in it.
    pub now: DateTime<Utc>,
    /// Whether points stand for hours or days, so that lowest and highest are worth showing.
    pub summed: bool,
    /// Points further apart than this are not joined, as a share of the whole.
    pub apart: f64,
    pub lanes: Vec<Lane>,
    pub rows: Vec<Row>,
}

impl Chart {
    fn share(&self, at: DateTime<Utc>) -> f64 {
        let ms = (at - self.start).num_milliseconds();
        self.axis.share(u64::try_from(ms).unwrap_or(0))
    }

    /// The chart, lane under lane.
    pub(in crate::web) fn drawn(&self) -> Markup {
        html! {
            div class="chart" {
                @for lane in &self.lanes { (self.lane(lane)) }
                @if !self.rows.is_empty() { (self.bars()) }
                (self.times())
            }
        }
    }

    fn lane(&self, lane: &Lane) -> Markup {
        let Some(scale) = lane.scale() else { return html! {} };
        let (wide, tall) = (WIDE.to_string(), TALL.to_string());
        let down = |value: f64| scale.share(value);
        let flat = |value: f64| format!("M0 {:.0}H{wide}", TALL * down(value));
        html! {
            figure class="lane" {
                figcaption {
                    span class="lane-title" { (lane.title) }
                    @for (nth, line) in lane.lines.iter().enumerate() {
                        span class="key" {
                            svg width="28" height="10" aria-hidden="true" { path class={ "line l" (nth % LINES) } d="M0 5H28" {} }
                            " " (line.name)
                        }
                    }
                    @if lane.band.is_some() {
                        span class="key" {
                            svg width="28" height="10" aria-hidden="true" { rect class="band" width="28" height="10" {} }
                            " band"
                        }
                    }
                    @for asked in &lane.asked {
                        span class="key" {
                            svg width="28" height="10" aria-hidden="true" { path class="asked" d="M0 5H28" {} } " " (asked.name)
                        }
                    }
                    @if let Some((name, _)) = &lane.limit {
                        span class="key" {
                            svg width="28" height="10" aria-hidden="true" { path class="limit" d="M0 5H28" {} } " " (name)
                        }
                    }
                }
                svg class="plot" role="img" aria-label=(self.told(lane)) {
                    svg width="100%" height="100%" viewBox={ "0 0 " (wide) " " (tall) } preserveAspectRatio="none" {
                        @if let Some((low, high)) = lane.band {
                            rect class="band" x="0" width=(wide) y=(format!("{:.0}", TALL * down(high)))
                                height=(format!("{:.0}", TALL * (down(low) - down(high)))) {}
                        }
                        @for value in scale.lines() { path class="grid" d=(flat(value)) {} }
                        @for at in self.axis.lines() {
                            path class="grid" d={ "M" (format!("{:.0}", WIDE * self.axis.share(at))) " 0V" (tall) } {}
                        }
                        @if let Some((_, value)) = &lane.limit { path class="limit" d=(flat(*value)) {} }
                        @for asked in &lane.asked { path class="asked" d=(self.steps(&asked.steps, &down)) {} }
                        @for (nth, line) in lane.lines.iter().enumerate() {
                            @let spread = self.spread(line, &down);
                            @if !spread.is_empty() { path class={ "spread l" (nth % LINES) } d=(spread) {} }
                            path class={ "line l" (nth % LINES) }
                                d=(path(line.points.iter().map(|point| (self.share(point.0), down(point.1))), self.apart)) {}
                        }
                        (self.present(&tall))
                    }
                    @for value in scale.lines().skip(1) {
                        text class="value" x="4" y=(percent(down(value))) dy="11" {
                            (format!("{value:.*}", scale.digits())) (lane.unit)
                        }
                    }
                }
            }
        }
    }

    /// From lowest to highest.
    fn spread(&self, line: &Line, down: &impl Fn(f64) -> f64) -> String {
        if !self.summed {
            return String::new();
        }
        let points: Vec<_> =
            line.points.iter().map(|(at, _, low, high)| (self.share(*at), down(*high), down(*low))).collect();
        area(&points, self.apart)
    }

    fn steps(&self, steps: &[(DateTime<Utc>, f64)], down: &impl Fn(f64) -> f64) -> String {
        let mut text = String::new();
        for (nth, (at, value)) in steps.iter().enumerate() {
            let (x, y) = ((WIDE * self.share(*at)).round(), (TALL * down(*value)).round());
            text.push_str(&if nth == 0 { format!("M{x} {y}") } else { format!("H{x}V{y}") });
        }
        if !text.is_empty() {
            text.push_str(&format!("H{WIDE}"));
        }
        text
    }

    fn present(&self, tall: &str) -> Markup {
        html! {
            @if self.now > self.start && self.now < self.end {
                path class="present" d={ "M" (format!("{:.0}", WIDE * self.share(self.now))) " 0V" (tall) } {}
            }
        }
    }

    /// What a lane shows, for those who do not see it.
    fn told(&self, lane: &Lane) -> String {
        let lines = lane.lines.iter().map(|line| {
            let low = line.points.iter().map(|point| point.2).fold(f64::INFINITY, f64::min);
            let high = line.points.iter().map(|point| point.3).fold(f64::NEG_INFINITY, f64::max);
            match line.points.last() {
                Some((_, last, ..)) => {
                    let unit = lane.unit;
                    format!("{}: from {low:.1}{unit} to {high:.1}{unit}, last {last:.1}{unit}", line.name)
                }
                None => format!("{}: nothing was heard", line.name),
            }
        });
        format!("{}. {}.", lane.title, lines.collect::<Vec<_>>().join("; "))
    }

    fn bars(&self) -> Markup {
        let height: usize = self.rows.iter().map(Row::tall).sum();
        let tops = self.rows.iter().scan(0, |next, row| {
            let top = *next;
            *next += row.tall();
            Some(top)
        });
        let rows: Vec<(usize, &Row)> = tops.zip(&self.rows).collect();
        html! {
            figure class="lane" {
                figcaption { span class="lane-title" { (self.bars_title()) } }
                svg class="bars" height=(height) role="img" aria-label=(self.bars_told()) {
                    @for (top, row) in rows {
                        @match &row.told {
                            Told::Bars(bars) => { @for bar in bars { (self.bar(bar, top)) } }
                            Told::Days(days) => {
                                svg y=(top) width="100%" height=(row.tall()) viewBox=(format!("0 0 {WIDE} {TALL}")) preserveAspectRatio="none" {
                                    path class="burns" d=(self.days(days)) {}
                                }
                            }
                        }
                        text class="name" x="4" y=(top + 16) { (row.written()) }
                    }
                    @if self.now > self.start && self.now < self.end {
                        line class="present" x1=(percent(self.share(self.now))) x2=(percent(self.share(self.now))) y1="0"
                            y2=(height) {}
                    }
                }
            }
        }
    }

    fn bars_title(&self) -> &'static str {
        if self.rows.iter().any(|row| matches!(row.told, Told::Days(_))) {
            "Lamps, hours on of each day (a row is 24 h high), and alarms"
        } else {
            "Lamps and alarms"
        }
    }

    fn bar(&self, bar: &Bar, top: usize) -> Markup {
        let until = bar.until.unwrap_or(self.now).min(self.end).max(self.start);
        let (left, right) = (self.share(bar.from.max(self.start)), self.share(until));
        // A lamp that is dimmed burns lower.
        let height = (2.0 + 18.0 * bar.level.clamp(0.0, 1.0)).round();
        html! {
            rect class=(bar.class) x=(percent(left)) width=(percent((right - left).max(0.0015)))
                y=(top as f64 + 22.0 - height) height=(height) { title { (bar.told) } }
        }
    }

    /// Days as columns of one path, each as high as its share of a day, with a little room between them.
    fn days(&self, days: &[Day]) -> String {
        let mut path = String::new();
        for day in days {
            let Some(hours) = day.hours.filter(|hours| *hours > 0.0) else { continue };
            let (left, right) = (WIDE * self.share(day.from), WIDE * self.share(day.until));
            let (gap, top) = (0.06 * (right - left), TALL * (1.0 - (hours / 24.0).min(1.0)));
            let _ = write!(path, "M{:.0} {TALL}V{top:.0}H{:.0}V{TALL}Z", left + gap, right - gap);
        }
        path
    }

    fn bars_told(&self) -> String {
        self.rows.iter().map(Row::in_words).collect::<Vec<_>>().join(". ")
    }

    /// The same for a script: moments in seconds since 1970, within a list of them each as what it is later than the one
    /// before; numbers to two decimals.
    pub(in crate::web) fn data(&self, zone: Tz) -> Value {
        let apart = self.apart * (self.end - self.start).num_seconds() as f64;
        json!({
            "zone": zone.name(),
            "from": self.start.timestamp(),
            "until": self.end.timestamp(),
            "now": self.now.timestamp(),
            "apart": apart.round(),
            "lanes": self.lanes.iter().filter_map(|lane| self.lane_data(lane)).collect::<Vec<_>>(),
            "title": self.bars_title(),
            "rows": self.rows.iter().map(row_data).collect::<Vec<_>>(),
        })
    }

    fn lane_data(&self, lane: &Lane) -> Option<Value> {
        let scale = lane.scale()?;
        let line = |line: &Line| {
            let column =
                |of: fn(&Point) -> f64| -> Vec<f64> { line.points.iter().map(|point| hundredths(of(point))).collect() };
            let mut told = json!({
                "name": line.name,
                "at": since(line.points.iter().map(|point| point.0)),
                "mean": column(|point| point.1),
            });
            if self.summed {
                (told["low"], told["high"]) = (json!(column(|point| point.2)), json!(column(|point| point.3)));
            }
            told
        };
        let asked = lane.asked.iter().map(|asked| {
            let values: Vec<f64> = asked.steps.iter().map(|step| hundredths(step.1)).collect();
            json!({ "name": asked.name, "at": since(asked.steps.iter().map(|step| step.0)), "value": values })
        });
        Some(json!({
            "title": lane.title,
            "unit": lane.unit,
            "ends": scale.ends(),
            "band": lane.band,
            "limit": lane.limit.as_ref().map(|(name, value)| json!({ "name": name, "value": value })),
            "asked": asked.collect::<Vec<_>>(),
            "lines": lane.lines.iter().map(line).collect::<Vec<_>>(),
        }))
    }

    /// The axis of time, for a wide page and for a telephone.
    fn times(&self) -> Markup {
        html! {
            svg class="times" height="34" aria-hidden="true" {
                @for (class, is_narrow, edge) in [("wide", false, 0.93), ("narrow", true, 0.8)] {
                    // The end is the next beginning: it has no room, and need not be told.
                    @for label in self.axis.labels(is_narrow).iter().filter(|label| label.share < 0.985) {
                        @let anchor = if label.share > edge { "end" } else { "start" };
                        line class={ "tick " (class) } x1=(percent(label.share)) x2=(percent(label.share)) y1="0" y2="6" {}
                        text class=(class) x=(percent(label.share)) y="16" text-anchor=(anchor) { (label.text) }
                        text class={ "below " (class) } x=(percent(label.share)) y="30" text-anchor=(anchor) { (label.below) }
                    }
                }
            }
        }
    }
}

/// Moments, each as seconds after the one before.
fn since(moments: impl Iterator<Item = DateTime<Utc>>) -> Vec<i64> {
    let mut last = 0;
    let step = |at: DateTime<Utc>| {
        let at = at.timestamp();
        at - std::mem::replace(&mut last, at)
    };
    moments.map(step).collect()
}

/// As closely as anybody reads it.
fn hundredths(value: f64) -> f64 {
    (100.0 * value).round() / 100.0
}

fn row_data(row: &Row) -> Value {
    match &row.told {
        Told::Bars(bars) => {
            let bar = |bar: &Bar| {
                let until = bar.until.map(|until| until.timestamp());
                json!([bar.from.timestamp(), until, hundredths(bar.level), bar.class])
            };
            json!({ "name": row.written(), "tall": row.tall(), "bars": bars.iter().map(bar).collect::<Vec<_>>() })
        }
        Told::Days(days) => {
            let known = days
                .iter()
                .filter_map(|day| Some(json!([day.from.timestamp(), day.until.timestamp(), hundredths(day.hours?)])));
            json!({ "name": row.name, "written": row.written(), "tall": row.tall(), "days": known.collect::<Vec<_>>() })
        }
    }
}

/// Switches as bars of what was on.
pub(in crate::web) fn burning(
    levels: &[(DateTime<Utc>, f64)],
    end: DateTime<Utc>,
    tell: impl Fn(DateTime<Utc>) -> String,
) -> Vec<Bar> {
    let mut bars = Vec::new();
    for (nth, (from, level)) in levels.iter().enumerate().filter(|(_, (_, level))| *level > 0.0) {
        let until = levels.get(nth + 1).map(|next| next.0);
        let ended = until.map_or_else(|| "now".to_owned(), &tell);
        let told = format!("{} from {} to {ended}", words::level(crate::units::Level::clamped(*level)), tell(*from));
        bars.push(Bar { from: *from, until: until.or(Some(end)), level: *level, class: "burns", told });
    }
    bars
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    fn at(hour: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + TimeDelta::hours(hour)
    }

    fn chart(lanes: Vec<Lane>, rows: Vec<Row>) -> Chart {
        Chart {
            axis: Axis::new(at(0), chrono_tz::UTC, 86_400_000),
            start: at(0),
            end: at(24),
            now: at(12),
            apart: 0.02,
            summed: false,
            lanes,
            rows,
        }
    }

    #[test]
    fn a_lane_tells_in_words_what_it_shows() {
        let points = vec![(at(0), 20.0, 19.0, 21.0), (at(6), 30.0, 29.0, 33.5)];
        let lane = Lane {
            title: "Temperature".into(),
            unit: " °C",
            lines: vec![Line { name: "basking".into(), points }, Line { name: "<cool>".into(), points: Vec::new() }],
            band: Some((18.0, 34.0)),
            asked: vec![Asked { name: "target".into(), steps: vec![(at(0), 20.0), (at(6), 32.0)] }],
            limit: Some(("guard cuts".into(), 40.0)),
        };
        let html = chart(vec![lane], Vec::new()).drawn().into_string();
        for words in [
            "basking: from 19.0 °C to 33.5 °C, last 30.0 °C; &lt;cool&gt;: nothing was heard.",
            "class=\"band\"",
            "class=\"limit\"",
            "H2500V",
            "class=\"present\"",
        ] {
            assert!(html.contains(words), "{words}\n{html}");
        }
        assert!(!html.contains("style="), "no style stands in the page");
    }

    #[test]
    fn bars_are_what_was_on() {
        let bars = burning(&[(at(0), 0.0), (at(6), 1.0), (at(8), 0.5), (at(9), 0.0), (at(11), 1.0)], at(12), |at| {
            at.format("%H").to_string()
        });
        let told: Vec<_> = bars.iter().map(|bar| bar.told.as_str()).collect();
        assert_eq!(told, ["on from 06 to 08", "50 % from 08 to 09", "on from 11 to now"]);
        let html = chart(Vec::new(), vec![Row { name: "heat".into(), told: Told::Bars(bars) }]).drawn().into_string();
        assert!(html.contains("x=\"25%\"") && html.contains("heat: 3 times, last on from 11 to now"), "{html}");
    }

    #[test]
    fn days_are_columns_as_high_as_their_share_of_a_day_and_are_told_in_words() {
        let day = |nth: i64, hours| Day { from: at(24 * nth), until: at(24 * nth + 24), hours };
        let days = vec![day(0, None), day(1, Some(6.0)), day(2, Some(12.0)), day(3, Some(0.0))];
        let mut chart = chart(Vec::new(), vec![Row { name: "heat".into(), told: Told::Days(days) }]);
        (chart.end, chart.axis) = (at(96), Axis::new(at(0), chrono_tz::UTC, 4 * 86_400_000));
        let html = chart.drawn().into_string();
        for words in [
            // By hand: a day is 2,500 of 10,000, six hours are a quarter of 1,000 from below, a gap is 6 %.
            "d=\"M2650 1000V750H4850V1000ZM5150 1000V500H7350V1000Z\"",
            "heat, 6.0 h a day",
            "heat: 0.0 to 12.0 h a day, 6.0 h in the mean of 3 days",
            "a row is 24 h high",
        ] {
            assert!(html.contains(words), "{words}\n{html}");
        }
    }

    #[test]
    fn a_script_gets_what_is_drawn() {
        let points = vec![(at(0), 20.004, 19.0, 21.0), (at(1), 30.0, 29.0, 33.5)];
        let lane = Lane {
            title: "Temperature".into(),
            unit: " °C",
            lines: vec![Line { name: "basking".into(), points }],
            band: Some((18.0, 34.0)),
            asked: vec![Asked { name: "target".into(), steps: vec![(at(0), 20.0), (at(6), 32.0)] }],
            limit: Some(("guard cuts".into(), 40.0)),
        };
        let empty =
            Lane { title: "UV".into(), unit: "", lines: Vec::new(), band: None, asked: Vec::new(), limit: None };
        let bars = burning(&[(at(6), 1.0), (at(8), 0.0)], at(12), |at| at.to_string());
        let rows = vec![Row { name: "heat".into(), told: Told::Bars(bars) }];
        let mut chart = chart(vec![lane, empty], rows);
        let data = chart.data(chrono_tz::Europe::Lisbon);
        let lane = &data["lanes"][0];
        assert_eq!(data["zone"], "Europe/Lisbon");
        assert_eq!((&data["until"], &data["now"]), (&json!(86_400), &json!(43_200)));
        assert_eq!(data["lanes"].as_array().map(Vec::len), Some(1), "nothing is drawn of a lane without anything");
        // From 18 to 40 with a line every 5: from 15 to 40.
        assert_eq!(lane["ends"], json!([15.0, 40.0]));
        assert_eq!(lane["lines"][0], json!({ "name": "basking", "at": [0, 3600], "mean": [20.0, 30.0] }));
        assert_eq!(lane["asked"][0], json!({ "name": "target", "at": [0, 21_600], "value": [20.0, 32.0] }));
        assert_eq!((&lane["band"], &lane["limit"]["value"]), (&json!([18.0, 34.0]), &json!(40.0)));
        assert_eq!(data["rows"][0]["bars"], json!([[21_600, 28_800, 1.0, "burns"]]));
        chart.summed = true;
        assert_eq!(chart.data(chrono_tz::UTC)["lanes"][0]["lines"][0]["high"], json!([21.0, 33.5]));
    }
}
