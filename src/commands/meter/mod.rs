//! `lampwarden meter`: the keeper's rounds with a hand-held meter, from the shell.

mod height;

use std::io::{self, Write as _};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::{Config, desk, failed, find_enclosure, told};

#[derive(Args)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Log what a hand-held meter showed at a spot; beside a UV probe it calibrates the probe
    Log {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id
        enclosure: String,
        /// The spot, as in a probe's `spot`: basking, retreat, or any name of yours
        spot: String,
        /// The UV index it showed
        #[arg(value_parser = uvi)]
        uvi: f64,
        /// Only this lamp was lit: readings of lamps measured one by one are added up
        #[arg(long, value_name = "LAMP")]
        alone: Option<String>,
        /// The reading is a guess, and counts little
        #[arg(long)]
        guess: bool,
    },
    /// Show what was measured at each spot, the gradient, each UV probe's calibration and the day's dose
    Spots {
        #[command(flatten)]
        config: Config,
        /// Only this enclosure
        enclosure: Option<String>,
        /// Print a JSON array
        #[arg(long)]
        json: bool,
    },
    /// At what height is the band met? From readings at two heights or more below one lamp
    Height(height::Arguments),
}

fn uvi(text: &str) -> Result<f64, String> {
    let right = "a UV index as the meter shows it, 0 to 200";
    text.parse::<f64>().ok().filter(|uvi| (0.0..=200.0).contains(uvi)).ok_or_else(|| right.to_owned())
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    match arguments.action {
        Action::Log { config, enclosure, spot, uvi, alone, guess } => {
            log(&config, &enclosure, &spot, uvi, alone.as_deref(), guess)
        }
        Action::Spots { config, enclosure, json } => spots(&config, enclosure.as_deref(), json),
        Action::Height(arguments) => height::run(&arguments),
    }
}

fn log(config: &Config, enclosure: &str, spot: &str, uvi: f64, alone: Option<&str>, guess: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    if let Err(why) = find_enclosure(&settings, enclosure) {
        return failed(&why);
    }
    let mut with = json!({ "spot": spot, "uvi": uvi });
    if let Some(lamp) = alone {
        with["lamp"] = lamp.into();
    }
    if guess {
        with["guess"] = true.into();
    }
    let act = json!({ "act": "meter-reading", "enclosure": enclosure, "with": with });
    if let Err(why) = desk::ask(&settings, &act) {
        return failed(&format!("the reading was not logged: {why}"));
    }
    let round = match desk::round(&settings, enclosure) {
        Ok(round) => round,
        Err(why) => return failed(&why),
    };
    let mut out = format!("logged: UVI {uvi} at {spot} of {enclosure}\n");
    let beside = list(&round, "probes").find(|probe| probe["spot"] == spot && alone.is_none());
    if let Some(probe) = beside {
        let name = word(&probe["probe"]);
        out += &format!("probe {name} sits there: the reading is set against it over the next five minutes\n");
    }
    out += &remarks(&round);
    print(&out)
}

fn spots(config: &Config, enclosure: Option<&str>, json: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    if let Some(id) = enclosure
        && let Err(why) = find_enclosure(&settings, id)
    {
        return failed(&why);
    }
    let ids = settings.enclosures.iter().map(|known| known.id.as_str());
    let mut rounds = Vec::new();
    for id in ids.filter(|known| enclosure.is_none_or(|only| only == *known)) {
        match desk::round(&settings, id) {
            Ok(round) => rounds.push(round),
            Err(why) => return failed(&why),
        }
    }
    if json {
        return print(&(serde_json::to_string_pretty(&rounds).unwrap_or_default() + "\n"));
    }
    print(&rounds.iter().map(page).collect::<Vec<_>>().join("\n"))
}

/// One enclosure for a person to read.
fn page(round: &Value) -> String {
    let mut out = format!("{} ({})\n", word(&round["title"]), word(&round["enclosure"]));
    for spot in list(round, "spots") {
        let lamps: Vec<_> = list(spot, "summed").map(word).collect();
        let summed = if lamps.is_empty() { String::new() } else { format!(", the sum of {}", lamps.join(" and ")) };
        let guess = if spot["guess"] == true { ", a guess" } else { "" };
        out += &format!(
            "  {:<12} UVI {:>5.1}  {}{summed}{guess}\n",
            word(&spot["spot"]),
            number(&spot["uvi"]),
            date(&spot["at"])
        );
    }
    if list(round, "spots").next().is_none() {
        out += "  no spot was measured yet\n";
    }
    out += &remarks(round);
    for probe in list(round, "probes") {
        let uncertain = probe["uncertainty"].as_f64().map_or(String::new(), |u| format!(" ± {:.0} %", 100.0 * u));
        let now = probe["uvi"].as_f64().map_or("nothing yet".to_owned(), |uvi| format!("UVI {uvi:.1}"));
        let gain = match word(&probe["footing"]) {
            "as read" => "its own numbers, never checked against a meter".to_owned(),
            footing => format!(
                "{footing}: gain {:.3}{uncertain} from {} meter readings",
                number(&probe["gain"]),
                probe["meter_readings"]
            ),
        };
        out += &format!("  probe {}: {now}; {gain}\n", word(&probe["probe"]));
    }
    for days in list(round, "days") {
        for (name, day) in [("yesterday", &days["yesterday"]), ("today", &days["today"])] {
            if day.is_null() {
                continue;
            }
            out += &format!(
                "  {name} at {}: {:.1} UVI hours, {:.1} SED in {:.1} h; a cloudless day at latitude {:.1}° has {:.1} UVI hours\n",
                word(&days["probe"]),
                number(&day["uvi_hours"]),
                number(&day["sed"]),
                number(&day["heard_hours"]),
                number(&day["clear_sky_latitude"]),
                number(&day["clear_sky_uvi_hours"]),
            );
        }
    }
    if let Some(due) = round["due"].as_str() {
        out += &format!("  next round due: {}\n", &due[..due.len().min(10)]);
    }
    out
}

fn remarks(round: &Value) -> String {
    let line = |remark: &Value| {
        let mark = if remark["wrong"] == true { "!" } else { "·" };
        format!("  {mark} {}\n", word(&remark["text"]))
    };
    list(round, "remarks").map(line).collect()
}

fn list<'a>(of: &'a Value, key: &str) -> impl Iterator<Item = &'a Value> {
    of[key].as_array().into_iter().flatten()
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("?")
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or(f64::NAN)
}

/// Date and time to the minute, of an RFC 3339 time.
fn date(value: &Value) -> String {
    word(value).get(..16).map_or_else(String::new, |time| time.replace('T', " "))
}

fn print(text: &str) -> ExitCode {
    let mut out = io::stdout().lock();
    told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| ExitCode::SUCCESS))
}
