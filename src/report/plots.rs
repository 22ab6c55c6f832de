//! Plots over the dates of a page, each with a title and a description for those who do not see it.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};

use crate::page::{Axis, Scale, TALL, WIDE, escaped};
use crate::settings::Target;

use super::facts::{Climate, Facts, Range, Span, Uv};
use super::words;

/// A page's plots: they share their axis of time, and each has its own number.
pub(super) struct Plots {
    axis: Axis,
    /// Midnights, one more than there are dates.
    midnights: Vec<u64>,
    drawn: usize,
}

/// A line at a value that matters.
struct Rule<'a> {
    /// On each date; one alone stands for all.
    values: Vec<f64>,
    class: &'a str,
    name: String,
}

/// What is said about a plot.
struct About<'a> {
    title: &'a str,
    /// For those who do not see it.
    desc: &'a str,
    /// Class of a shape, and what it is.
    key: &'a [(&'a str, &'a str)],
    rules: &'a [Rule<'a>],
}

impl<'a> Rule<'a> {
    fn level(value: f64, class: &'a str, name: String) -> Rule<'a> {
        Rule { values: vec![value], class, name }
    }

    /// A target from date to date.
    fn target(mut values: Vec<f64>, class: &'a str, unit: &str) -> Rule<'a> {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if low == high {
            values.truncate(1);
        }
        let told = if low == high { format!("{low:.1}") } else { format!("{low:.1} to {high:.1}") };
        Rule { values, class, name: format!("{class} target {told} {unit}") }
    }
}

impl Plots {
    /// Plots from the first midnight to the last.
    pub(super) fn new(facts: &Facts, midnights: &[DateTime<Utc>]) -> Plots {
        let start = midnights.first().copied().unwrap_or(facts.written);
        let ms = |at: &DateTime<Utc>| u64::try_from((*at - start).num_milliseconds()).unwrap_or(0);
        let midnights: Vec<u64> = midnights.iter().map(ms).collect();
        let span = midnights.last().copied().unwrap_or(1);
        Plots { axis: Axis::new(start, facts.zone, span), midnights, drawn: 0 }
    }

    /// Left, middle and right of a date.
    fn place(&self, day: usize) -> (f64, f64, f64) {
        let at = |nth: usize| WIDE * self.midnights.get(nth).map_or(1.0, |at| self.axis.share(*at));
        let (left, right) = (at(day), at(day + 1));
        (left, (left + right) / 2.0, right)
    }

    /// Day lengths: the light of each date as a box from lights on to lights off, and lamps as they were.
    pub(super) fn photoperiod(&mut self, page: &mut String, facts: &Facts) {
        let scale = Scale::fixed(0.0, 24.0, 6.0);
        let lengths = facts.plans.iter().map(|plan| plan.day_length());
        let (least, most) = (lengths.clone().min().unwrap_or_default(), lengths.max().unwrap_or_default());
        let desc = format!(
            "Days between {} and {} long. Each date is a box from lights on to lights off by the clock of the site.",
            words::lasting(least),
            words::lasting(most)
        );
        let key = [("box light", "light by the photoperiod"), ("line day", "first and last lamp light, as switched")];
        let about = About { title: "Lights on and off, by the clock", desc: &desc, key: &key, rules: &[] };
        self.open(page, &about, &scale, |hour| format!("{hour:02.0}:00"));
        let hour = |at: DateTime<Utc>, date: chrono::NaiveDate| {
            let since = at.with_timezone(&facts.zone).naive_local() - date.and_time(chrono::NaiveTime::MIN);
            (since.num_seconds() as f64 / 3600.0).clamp(0.0, 24.0)
        };
        let mut boxes = Vec::new();
        for plan in &facts.plans {
            let span = match plan.span() {
                Some((on, off)) => Some((hour(on, plan.date), hour(off, plan.date))),
                None if plan.day_length().is_zero() => None,
                None => Some((0.0, 24.0)),
            };
            boxes.push(span);
        }
        self.boxes(page, "light", &boxes, &scale);
        let dates = || facts.lit.iter().zip(&facts.plans);
        let edge = |pick: fn(&Span) -> DateTime<Utc>| -> Vec<Option<f64>> {
            dates().map(|(lit, plan)| lit.as_ref().map(|span| hour(pick(span), plan.date))).collect()
        };
        self.line(page, "day", &edge(|span| span.0), &scale);
        self.line(page, "day", &edge(|span| span.1), &scale);
        self.close(page, &[], &scale);
    }

    /// A temperature or humidity: by day and by night, lowest to highest and the mean.
    pub(super) fn climate(&mut self, page: &mut String, climate: &Climate) {
        let unit = climate.unit;
        let parts = |pick: fn(&super::facts::ClimateDay) -> &Range| -> Vec<Range> {
            climate.days.iter().map(|day| *pick(day)).collect()
        };
        let (day, night) = (parts(|day| &day.day), parts(|day| &day.night));
        let mut rules = Vec::new();
        if !climate.targets.is_empty() {
            let of = |pick: fn(&Target) -> f64| climate.targets.iter().map(pick).collect();
            rules.push(Rule::target(of(|target| target.day.0), "day", unit));
            rules.push(Rule::target(of(|target| target.night.0), "night", unit));
        }
        rules.extend(climate.cut.map(|cut| Rule::level(cut, "limit", format!("guard cuts at {cut:.1} {unit}"))));
        let title = format!("{}, {unit}", words::place(&climate.name, &climate.spot));
        let desc = format!("By day {}. By night {}.", words::reach(&day, unit), words::reach(&night, unit));
        let key = [
            ("box warm", "by day, lowest to highest"),
            ("line day", "mean by day"),
            ("box cool", "by night, lowest to highest"),
            ("line night", "mean by night"),
        ];
        let seen = day.iter().chain(&night).filter(|range| range.minutes > 0);
        let values = seen
            .flat_map(|range| [range.low, range.high])
            .chain(rules.iter().flat_map(|rule| rule.values.iter().copied()));
        let Some(scale) = Scale::of(values, 1.0) else { return };
        let about = About { title: &title, desc: &desc, key: &key, rules: &rules };
        self.open(page, &about, &scale, |value| format!("{value:.*}", scale.digits()));
        for (class, line, ranges) in [("cool", "night", &night), ("warm", "day", &day)] {
            let boxes: Vec<_> =
                ranges.iter().map(|range| (range.minutes > 0).then_some((range.low, range.high))).collect();
            self.boxes(page, class, &boxes, &scale);
            self.line(page, line, &ranges.iter().map(Range::mean).collect::<Vec<_>>(), &scale);
        }
        self.close(page, &rules, &scale);
    }

    /// The UV index under its lamps, against the band.
    pub(super) fn uvi(&mut self, page: &mut String, facts: &Facts, uv: &Uv) {
        let lit: Vec<Range> = uv.days.iter().map(|day| day.lit).collect();
        let mut rules = Vec::new();
        let mut band = None;
        if let Some(of) = facts.band {
            rules.push(Rule::level(of.ceiling.0, "limit", format!("ceiling {:.1}", of.ceiling.0)));
            rules.push(Rule::level(of.high.0, "edge", format!("band to {:.1}", of.high.0)));
            rules.push(Rule::level(of.low.0, "edge", format!("band from {:.1}", of.low.0)));
            band = Some((of.low.0, of.high.0));
        }
        let values = lit.iter().filter(|range| range.minutes > 0).flat_map(|range| [range.low, range.high]);
        let values = values.chain(rules.iter().flat_map(|rule| rule.values.iter().copied())).chain([0.0]);
        let Some(scale) = Scale::of(values, 1.0) else { return };
        let title = format!("{}, UV index with its lamps on", uv.name);
        let desc = format!("With the lamps on {}.", words::reach(&lit, ""));
        let mut key = vec![("box uv", "hours, lowest to highest"), ("line day", "mean")];
        key.extend(band.map(|_| ("box band", "the band")));
        let about = About { title: &title, desc: &desc, key: &key, rules: &rules };
        self.open(page, &about, &scale, |value| format!("{value:.*}", scale.digits()));
        if let Some((low, high)) = band {
            let (top, foot) = (TALL * scale.share(high), TALL * scale.share(low));
            let height = foot - top;
            let _ =
                write!(page, "<rect class=\"band\" x=\"0\" y=\"{top:.0}\" width=\"{WIDE}\" height=\"{height:.0}\"/>");
        }
        let boxes: Vec<_> = lit.iter().map(|range| (range.minutes > 0).then_some((range.low, range.high))).collect();
        self.boxes(page, "uv", &boxes, &scale);
        self.line(page, "day", &lit.iter().map(Range::mean).collect::<Vec<_>>(), &scale);
        self.close(page, &rules, &scale);
    }

    /// The dose of each date.
    pub(super) fn dose(&mut self, page: &mut String, uv: &Uv) {
        let doses: Vec<_> = uv.days.iter().map(|day| (day.minutes > 0).then_some((0.0, day.dose))).collect();
        let values = || doses.iter().flatten().map(|(_, dose)| *dose);
        let Some(scale) = Scale::of(values().chain([0.0]), 1.0) else { return };
        let most = values().fold(0.0, f64::max);
        let title = format!("{}, dose of each day, SED", uv.name);
        let desc =
            format!("Doses up to {most:.1} SED a day. One SED is 100 joules a square metre, erythemally weighted.");
        let about = About { title: &title, desc: &desc, key: &[("box uv", "dose")], rules: &[] };
        self.open(page, &about, &scale, |value| format!("{value:.*}", scale.digits()));
        self.boxes(page, "uv", &doses, &scale);
        self.close(page, &[], &scale);
    }

    fn open(&mut self, page: &mut String, about: &About<'_>, scale: &Scale, label: impl Fn(f64) -> String) {
        let About { title, desc, key, rules } = *about;
        self.drawn += 1;
        let number = self.drawn;
        let _ =
            write!(page, "<figure class=\"lane\"><figcaption><strong>Figure {number}. {}</strong> ", escaped(title));
        let ruled: Vec<(String, &str)> =
            rules.iter().map(|rule| (format!("rule {}", rule.class), rule.name.as_str())).collect();
        for (class, name) in key.iter().copied().chain(ruled.iter().map(|(class, name)| (class.as_str(), *name))) {
            let shape = if class.starts_with("box") {
                format!("<rect class=\"{class}\" width=\"22\" height=\"12\"/>")
            } else {
                format!("<path class=\"{class}\" d=\"M0 6H22\"/>")
            };
            let _ = write!(
                page,
                "<span class=\"key\"><svg viewBox=\"0 0 22 12\" aria-hidden=\"true\">{shape}</svg>{}</span>",
                escaped(name)
            );
        }
        page.push_str("</figcaption><div class=\"sheet\"><div class=\"y\" aria-hidden=\"true\">");
        for value in scale.lines() {
            let _ = write!(page, "<span style=\"top:{:.1}%\">{}</span>", 100.0 * scale.share(value), label(value));
        }
        let _ = write!(
            page,
            "</div><div class=\"paper\"><svg viewBox=\"0 0 {WIDE} {TALL}\" preserveAspectRatio=\"none\" role=\"img\" \
             aria-labelledby=\"t{number} d{number}\"><title id=\"t{number}\">{}</title><desc id=\"d{number}\">{}</desc>",
            escaped(title),
            escaped(desc)
        );
        for value in scale.lines() {
            let y = TALL * scale.share(value);
            let _ = write!(page, "<line class=\"grid\" x1=\"0\" x2=\"{WIDE}\" y1=\"{y:.0}\" y2=\"{y:.0}\"/>");
        }
        for at in self.axis.lines() {
            let x = WIDE * self.axis.share(at);
            let _ = write!(page, "<line class=\"grid\" x1=\"{x:.0}\" x2=\"{x:.0}\" y1=\"0\" y2=\"{TALL}\"/>");
        }
    }

    fn close(&self, page: &mut String, rules: &[Rule<'_>], scale: &Scale) {
        for rule in rules {
            let class = rule.class;
            if let [value] = rule.values[..] {
                let y = TALL * scale.share(value);
                let _ =
                    write!(page, "<line class=\"rule {class}\" x1=\"0\" x2=\"{WIDE}\" y1=\"{y:.0}\" y2=\"{y:.0}\"/>");
            } else {
                let values: Vec<_> = rule.values.iter().copied().map(Some).collect();
                self.line(page, &format!("rule {class}"), &values, scale);
            }
        }
        page.push_str("</svg>");
        page.push_str("</div></div>");
        self.axis.write(page);
        page.push_str("</figure>\n");
    }

    /// A box for each date that has one.
    fn boxes(&self, page: &mut String, class: &str, boxes: &[Option<(f64, f64)>], scale: &Scale) {
        let _ = write!(page, "<path class=\"box {class}\" d=\"");
        for (day, span) in boxes.iter().enumerate() {
            let Some((low, high)) = span else { continue };
            let (left, _, right) = self.place(day);
            // A little paper between two dates; a date of one value is still seen.
            let gap = 0.06 * (right - left);
            let (top, foot) = (TALL * scale.share(*high), TALL * scale.share(*low));
            let foot = foot.max(top + 3.0);
            let _ = write!(page, "M{:.0} {foot:.0}V{top:.0}H{:.0}V{foot:.0}z", left + gap, right - gap);
        }
        page.push_str("\"/>");
    }

    /// A line from date to date, broken where there is nothing.
    fn line(&self, page: &mut String, class: &str, values: &[Option<f64>], scale: &Scale) {
        let _ = write!(page, "<path class=\"line {class}\" d=\"");
        let mut is_down = false;
        for (day, value) in values.iter().enumerate() {
            let Some(value) = value else {
                is_down = false;
                continue;
            };
            let ((left, middle, right), y) = (self.place(day), TALL * scale.share(*value));
            let is_alone = !is_down && values.get(day + 1).is_none_or(Option::is_none);
            let _ = match (is_alone, is_down) {
                (true, _) => write!(page, "M{left:.0} {y:.0}H{right:.0}"),
                (false, false) => write!(page, "M{middle:.0} {y:.0}"),
                (false, true) => write!(page, "L{middle:.0} {y:.0}"),
            };
            is_down = true;
        }
        page.push_str("\"/>");
    }
}
