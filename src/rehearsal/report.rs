//! One rehearsal as a page: plots over one axis of time, faults and alarms as bars, verdict and log. Self-contained: no
//! script, no font, no picture from anywhere else.

use std::fmt::Write as _;

use super::run::Outcome;
use super::scenario::Scenario;
use super::trace::{Curve, Trace};

/// Width of a plot with its margins, and the margins, px.
const WIDTH: f64 = 1000.0;
const LEFT: f64 = 130.0;
const RIGHT: f64 = 15.0;
/// Height of a plot and of a bar, px.
const HEIGHT: f64 = 180.0;
const BAR: f64 = 16.0;

/// Colours of curves, told apart by people who see red and green alike (Okabe and Ito, "Color Universal Design", 2008).
const COLOURS: [&str; 6] = ["#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9"];

const STYLE: &str = "body{font:16px/1.45 system-ui,sans-serif;max-width:1040px;margin:2em auto;padding:0 1em;color:#222;\
background:#fff}h1{font-size:1.5em;margin-bottom:.2em}h2{font-size:1.1em;margin:1.4em 0 .3em}svg{width:100%;height:auto}\
text{font:11px system-ui,sans-serif;fill:#555}pre{background:#f5f5f2;padding:.8em;overflow:auto;font-size:13px}\
.held{color:#00664b}.failed{color:#a33200}.grid{stroke:#e4e4e0;stroke-width:1}.read{stroke-dasharray:4 3;opacity:.75}\
li{margin:.2em 0}";

/// The page.
pub fn page(scenario: &Scenario, outcome: &Outcome, trace: &Trace) -> String {
    let mut page = String::new();
    let title = escaped(&scenario.title);
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
         content=\"width=device-width\"><title>{title}</title><style>{STYLE}</style></head>\n<body><h1>{title}</h1>\n"
    );
    let _ = writeln!(page, "<p>{}</p>", escaped(&scenario.story));
    verdict(&mut page, scenario, outcome);
    let axis = Axis { span: outcome.span.max(1) };
    for curves in &trace.enclosures {
        let _ = writeln!(page, "<h2>{}</h2>", escaped(&curves.title));
        plot(&mut page, scenario, axis, "Temperatures, °C (dashed: as read)", &curves.temperatures);
        plot(&mut page, scenario, axis, "UVI (dashed: as read)", &curves.uvi);
        plot(&mut page, scenario, axis, "Levels told to lamps", &curves.levels);
    }
    bars(&mut page, scenario, axis, "Faults", &trace.faults, "#d55e00");
    bars(&mut page, scenario, axis, "Alarms", &trace.alarms, "#a33200");
    let _ = writeln!(page, "<h2>Reached</h2><pre>{}</pre>", escaped(&outcome.coverage.table()));
    let _ = writeln!(page, "<h2>Log</h2><pre>");
    for (at, line) in outcome.log.iter().rev().take(400).rev() {
        let _ = writeln!(page, "{} {}", scenario.spoken(*at), escaped(line));
    }
    page.push_str("</pre></body></html>\n");
    page
}

fn verdict(page: &mut String, scenario: &Scenario, outcome: &Outcome) {
    if outcome.is_good() {
        let _ = writeln!(page, "<p class=\"held\"><strong>Everything held.</strong></p>");
    } else {
        let _ = writeln!(page, "<p class=\"failed\"><strong>This did not hold:</strong></p><ul class=\"failed\">");
        for violation in &outcome.violations {
            let (rule, text) = (escaped(&violation.rule), escaped(&violation.text));
            let _ = writeln!(page, "<li>{} {rule}: {text}</li>", scenario.spoken(violation.at));
        }
        page.push_str("</ul>\n");
    }
    let _ = writeln!(page, "<p>Seed {}, log hash {:016x}.</p><ul>", scenario.seed, outcome.hash);
    for expectation in &scenario.expectations {
        let _ = writeln!(page, "<li>{}</li>", escaped(&scenario.expectation_in_words(expectation)));
    }
    page.push_str("</ul>\n");
}

/// The axis of time that all plots share.
#[derive(Clone, Copy)]
struct Axis {
    span: u64,
}

impl Axis {
    fn x(self, at: u64) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * at as f64 / self.span as f64
    }

    /// Moments worth a line: at most a dozen.
    fn ticks(self) -> impl Iterator<Item = u64> {
        const STEPS: [u64; 9] = [600, 1800, 3600, 7200, 21_600, 43_200, 86_400, 604_800, 2_629_800];
        let step = STEPS.into_iter().map(|s| s * 1000).find(|step| self.span / step <= 12).unwrap_or(self.span);
        (0..=self.span / step).map(move |tick| tick * step)
    }

    fn lines(self, page: &mut String, scenario: &Scenario, height: f64) {
        for tick in self.ticks() {
            let x = self.x(tick);
            let label = scenario.spoken(tick);
            let label = if self.span > 3 * 86_400_000 {
                label.split(" 0").next().unwrap_or("")
            } else {
                &label[..label.len() - 3]
            };
            let _ = write!(
                page,
                "<line class=\"grid\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"0\" y2=\"{height}\"/><text x=\"{x:.1}\" \
                 y=\"{}\" text-anchor=\"middle\">{label}</text>",
                height + 14.0
            );
        }
    }
}

fn plot(page: &mut String, scenario: &Scenario, axis: Axis, title: &str, curves: &[Curve]) {
    let values = || curves.iter().flat_map(|curve| curve.points.iter().filter_map(|(_, value)| *value));
    let (low, high) = (values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max));
    if !(low <= high) {
        return;
    }
    let (low, high) = (low.floor().min(high - 1.0), high.ceil().max(low + 1.0));
    let y = |value: f64| HEIGHT - 6.0 - (HEIGHT - 12.0) * (value - low) / (high - low);
    let _ =
        write!(page, "<svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\"><title>{}</title>", HEIGHT + 22.0, escaped(title));
    axis.lines(page, scenario, HEIGHT);
    for step in 0..=4 {
        let value = low + (high - low) * f64::from(step) / 4.0;
        let _ = write!(
            page,
            "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/><text x=\"{}\" y=\"{:.1}\" \
             text-anchor=\"end\">{value:.1}</text>",
            WIDTH - RIGHT,
            LEFT - 6.0,
            y(value) + 4.0,
            at = y(value),
        );
    }
    let mut names: Vec<&str> = Vec::new();
    for curve in curves {
        let number = names.iter().position(|name| *name == curve.name).unwrap_or(names.len());
        if number == names.len() {
            names.push(&curve.name);
            let at = 14.0 + 14.0 * number as f64;
            let colour = COLOURS[number % COLOURS.len()];
            let _ = write!(page, "<text x=\"4\" y=\"{at}\" style=\"fill:{colour}\">{}</text>", escaped(&curve.name));
        }
        let class = if curve.is_read { " class=\"read\"" } else { "" };
        let colour = COLOURS[number % COLOURS.len()];
        let _ = write!(page, "<path{class} fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.3\" d=\"");
        let mut pen_is_down = false;
        for (at, value) in &curve.points {
            match value {
                Some(value) => {
                    let _ = write!(page, "{}{:.1} {:.1}", if pen_is_down { "L" } else { "M" }, axis.x(*at), y(*value));
                    pen_is_down = true;
                }
                None => pen_is_down = false,
            }
        }
        page.push_str("\"/>");
    }
    let _ = writeln!(page, "</svg><p style=\"margin:0;color:#555;font-size:13px\">{}</p>", escaped(title));
}

fn bars(page: &mut String, scenario: &Scenario, axis: Axis, title: &str, spans: &[(String, u64, u64)], colour: &str) {
    if spans.is_empty() {
        return;
    }
    let mut names: Vec<&str> = Vec::new();
    for (name, ..) in spans {
        if !names.contains(&name.as_str()) {
            names.push(name);
        }
    }
    let height = BAR * names.len() as f64 + 4.0;
    let _ = write!(page, "<h2>{title}</h2><svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\">", height + 18.0);
    axis.lines(page, scenario, height);
    for (row, name) in names.iter().enumerate() {
        let y = BAR * row as f64 + 2.0;
        let _ = write!(page, "<text x=\"4\" y=\"{:.1}\">{}</text>", y + 11.0, escaped(name));
        for (_, from, until) in spans.iter().filter(|(of, ..)| of == name) {
            let (x, end) = (axis.x(*from), axis.x(*until));
            let _ = write!(
                page,
                "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{}\" fill=\"{colour}\" opacity=\".65\"/>",
                (end - x).max(1.5),
                BAR - 4.0
            );
        }
    }
    page.push_str("</svg>\n");
}

/// Text for a page.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
