//! Ninety days of one animal's light, heat and UV on paper: a page for a vet, in plain words.
//!
//! [`gather`] makes days of hours, switches and alarms; [`Facts`] holds them; [`page`] lays them out as one HTML
//! document that needs nothing but itself. It says what it does not know, and that it is no diagnosis.

mod facts;
pub mod gather;
mod plots;
mod tables;
mod words;

pub use facts::{Climate, ClimateDay, Facts, Lamp, Range, Remark, Span, Spell, Uv, UvDay, Walk};

use std::fmt::Write as _;

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::Footing;
use crate::page::{PLOT_STYLE, escaped};

use plots::Plots;

const STYLE: &str = include_str!("style.css");

/// UVI 1 for an hour in SED (ISO/CIE 17166:2019: 0.025 W/m² · 3600 s = 90 J/m², and 1 SED is 100 J/m²).
const SED_PER_UVI_HOUR: &str = "0.9";

/// The page. `midnights` are the beginnings of its dates and of the one after.
pub fn page(facts: &Facts, midnights: &[DateTime<Utc>]) -> String {
    let mut page = String::new();
    let mut plots = Plots::new(facts, midnights);
    head(&mut page, facts);
    who(&mut page, facts);
    watched(&mut page, facts);
    photoperiod(&mut page, facts, &mut plots);
    climate(&mut page, facts, &mut plots);
    uv(&mut page, facts, &mut plots);
    tables::lamps(&mut page, facts);
    tables::walks(&mut page, facts);
    tables::alarms(&mut page, facts);
    tables::gaps(&mut page, facts);
    page.push_str("<section class=\"appendix\">\n");
    tables::day_by_day(&mut page, facts);
    page.push_str("</section></main></body></html>\n");
    page
}

fn head(page: &mut String, facts: &Facts) {
    let title = format!("{}, {} to {}", facts.title, words::date(facts.first), words::date(facts.last));
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n\
         <style>\n{PLOT_STYLE}{STYLE}</style>\n</head>\n<body><main class=\"chart\">\n",
        escaped(&title)
    );
}

fn who(page: &mut String, facts: &Facts) {
    let days = facts.plans.len();
    let _ = writeln!(page, "<p class=\"kicker\">Light, heat and UV over {days} days: for the veterinarian</p>");
    let _ = writeln!(page, "<h1>{}</h1>", escaped(&facts.title));
    let (first, last) = (words::date(facts.first), words::date(facts.last));
    let _ = writeln!(
        page,
        "<dl><dt>Days</dt><dd>{first} to {last}, both whole</dd><dt>Enclosure</dt><dd>{} at {}</dd><dt>Care \
         sheet</dt><dd>{}</dd>\
         <dt>Written</dt><dd>{} by Lampwarden {}; times are those of {}</dd><dt>Animal</dt><dd \
         class=\"blank\"></dd><dt>Keeper</dt><dd class=\"blank\"></dd></dl>",
        escaped(&facts.id),
        escaped(&facts.site),
        escaped(&facts.care),
        words::moment(facts.written, facts.zone),
        facts.program,
        facts.zone
    );
    page.push_str(
        "<p class=\"caution\"><strong>This is no diagnosis.</strong> It tells what probes measured and what lamps \
         were told, \
         at the places where the probes sit. Where an animal looks or behaves unwell, the animal is right and not \
         the numbers.</p>\n",
    );
    if let Some(since) = facts.known_since.filter(|since| since.with_timezone(&facts.zone).date_naive() > facts.first) {
        let since = words::moment(since, facts.zone);
        let _ =
            writeln!(page, "<p>Records of this enclosure begin on {since}; of the days before nothing is known.</p>");
    }
}

fn watched(page: &mut String, facts: &Facts) {
    page.push_str("<h2>What was watched, and what cannot be known</h2>\n<ul>\n");
    for climate in &facts.climate {
        let what = if climate.unit == "°C" { "temperature" } else { "humidity" };
        let _ = writeln!(page, "<li>{what} by the probe {}</li>", escaped(&words::place(&climate.name, &climate.spot)));
    }
    for uv in &facts.uv {
        let _ = writeln!(page, "<li>UV index by the probe {}</li>", escaped(&words::place(&uv.name, &uv.spot)));
    }
    for lamp in &facts.lamps {
        let watts = lamp.watts.map_or(String::new(), |watts| format!(", {watts:.0} W"));
        let _ = writeln!(page, "<li>when the lamp {} was switched ({}{watts})</li>", escaped(&lamp.name), lamp.fitting);
    }
    page.push_str(
        "</ul>\n<p>A probe tells of its own place. It does not know where the animal was, how long it basked, \
         what its body \
         temperature was, what it ate or whether it drank. A lamp that was told to burn may have been dark until \
         that was \
         noticed. Hours without readings are listed below; they count in no mean and in no dose.</p>\n",
    );
}

fn photoperiod(page: &mut String, facts: &Facts, plots: &mut Plots) {
    page.push_str("<h2>Day and night</h2>\n");
    page.push_str(
        "<p>The photoperiod is that of the configuration as it is today; the lines are what lamps that give light \
         by day did.</p>\n",
    );
    plots.photoperiod(page, facts);
    tables::photoperiod(page, facts);
}

fn climate(page: &mut String, facts: &Facts, plots: &mut Plots) {
    if facts.climate.is_empty() {
        return;
    }
    page.push_str(
        "<h2>Temperature and humidity</h2>\n<p>By day means while the lights are on, by night while they are off; \
         the first hour \
         of each is left out, since the place is still warming or cooling. The whole day stands in the last \
         table.</p>\n",
    );
    for climate in &facts.climate {
        let _ = writeln!(page, "<h3>{}</h3>", escaped(&words::place(&climate.name, &climate.spot)));
        plots.climate(page, climate);
        tables::climate(page, facts, climate);
    }
}

fn uv(page: &mut String, facts: &Facts, plots: &mut Plots) {
    if facts.uv.is_empty() {
        return;
    }
    let _ = writeln!(
        page,
        "<h2>UV</h2>\n<p>The UV index (UVI) weighs radiation by how strongly it reddens human skin; for reptiles \
         it is the common \
         yardstick, and not more. The dose adds it up over the day: one standard erythemal dose (SED) is 100 \
         J/m², and UVI 1 for \
         an hour is {SED_PER_UVI_HOUR} SED. It is what arrives at the probe, not what the animal took.</p>"
    );
    if let Some(band) = facts.band {
        let zone = band.zone.map_or(String::new(), |zone| format!(", Ferguson zone {zone}"));
        let _ = writeln!(
            page,
            "<p>The care sheet asks for UVI {:.1} to {:.1} at the basking spot, never above {:.1}{zone}.</p>",
            band.low.0, band.high.0, band.ceiling.0
        );
    }
    for uv in &facts.uv {
        let _ = writeln!(page, "<h3>{}</h3>", escaped(&words::place(&uv.name, &uv.spot)));
        let _ = writeln!(page, "<p>{}</p>", trust(facts, uv));
        if uv.relative >= 60 {
            let _ = writeln!(
                page,
                "<p>For {} in these days the probe was heard, and no UVI could be told from it, since a lamp had \
                 been changed \
                 and nobody had measured yet: that time counts in no mean and in no dose.</p>",
                words::about(TimeDelta::minutes(i64::try_from(uv.relative).unwrap_or(i64::MAX / 100_000)))
            );
        }
        plots.uvi(page, facts, uv);
        plots.dose(page, uv);
        tables::uv(page, facts, uv);
    }
}

/// How far the numbers of a UV probe are to be trusted.
fn trust(facts: &Facts, uv: &Uv) -> String {
    match uv.footing {
        Footing::Calibrated => {
            // Twice the standard uncertainty holds about 95 of 100 (GUM, 6.2.1 and G.6.6).
            let within = uv.uncertainty.map_or(String::new(), |share| {
                format!(
                    " Nineteen times in twenty the true UVI is within about ±{:.0} % of what stands here.",
                    200.0 * share
                )
            });
            let when = uv.calibrated.map_or(String::new(), |at| format!(", last on {}", words::moment(at, facts.zone)));
            let readings =
                if uv.readings == 1 { "one reading".to_owned() } else { format!("{} readings", uv.readings) };
            format!("Calibrated by {readings} of a hand-held meter beside the probe{when}.{within}")
        }
        Footing::RelativeOnly => {
            "<strong>Relative only:</strong> a lamp was changed and nobody has measured beside the probe since. \
                                  Rises and falls mean something, the level does not."
                .to_owned()
        }
        Footing::AsRead => {
            "<strong>Never calibrated:</strong> no hand-held meter was ever read beside the probe. The numbers are \
                            the probe's own and may be off by a factor."
                .to_owned()
        }
    }
}

#[cfg(test)]
mod tests;
