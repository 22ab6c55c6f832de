//! `lampwarden season`: how cooling seasons stand, and holding one back or breaking it off.

use std::io::{self, Write as _};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::control::SeasonAct;
use crate::settings::{Enclosure, Settings};

use super::{Config, desk, failed, find_enclosure, told};

#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Option<Action>,
    #[command(flatten)]
    config: Option<Config>,
    /// Print a JSON array
    #[arg(long)]
    json: bool,
}

#[derive(Subcommand)]
enum Action {
    /// Hold it back: it does not begin, or its way down stands still
    Hold(Whose),
    /// Let it go on
    GoOn(Whose),
    /// Break it off: the way up begins now, or it does not begin this year
    BreakOff(Whose),
}

#[derive(Args)]
struct Whose {
    #[command(flatten)]
    config: Config,
    /// The enclosure's id
    #[arg(value_name = "ENCLOSURE", required_unless_present = "rack", conflicts_with = "rack")]
    enclosure: Option<String>,
    /// Every bay of this rack
    #[arg(long, value_name = "ID")]
    rack: Option<String>,
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    match (arguments.action, arguments.config) {
        (Some(Action::Hold(whose)), _) => say(&whose, SeasonAct::Hold),
        (Some(Action::GoOn(whose)), _) => say(&whose, SeasonAct::GoOn),
        (Some(Action::BreakOff(whose)), _) => say(&whose, SeasonAct::BreakOff),
        (None, Some(config)) => list(&config, arguments.json),
        (None, None) => failed(&"name the configuration: lampwarden season -c FILE"),
    }
}

fn is_cooled(enclosure: &Enclosure) -> bool {
    enclosure.care.program.as_ref().is_some_and(|program| program.cooling.is_some())
}

/// The seasons of these enclosures, by their ids.
fn ask(settings: &Settings, ids: &[&str]) -> Result<Vec<(String, Value)>, String> {
    let one = |id: &&str| {
        let mut answer = desk::ask(settings, &json!({ "tell": "season", "enclosure": id }))?;
        Ok(((*id).to_owned(), answer["season"].take()))
    };
    ids.iter().map(one).collect()
}

fn list(config: &Config, as_json: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let cooled = settings.enclosures.iter().filter(|enclosure| is_cooled(enclosure));
    let ids: Vec<&str> = cooled.map(|enclosure| enclosure.id.as_str()).collect();
    let seasons = match ask(&settings, &ids) {
        Ok(seasons) => seasons,
        Err(why) => return failed(&why),
    };
    if as_json {
        let named = |(id, season): &(String, Value)| json!({ "enclosure": id, "season": season });
        let all: Vec<Value> = seasons.iter().map(named).collect();
        return print(&(serde_json::to_string_pretty(&all).unwrap_or_default() + "\n"));
    }
    if seasons.is_empty() {
        return print("no care sheet in use has a cooling season\n");
    }
    print(&seasons.iter().map(|(id, season)| line(id, season)).collect::<String>())
}

/// One season in a line.
fn line(id: &str, season: &Value) -> String {
    let word = |key: &str| season[key].as_str().unwrap_or("–").to_owned();
    let depth = season["depth"].as_f64().unwrap_or(0.0) * 100.0;
    let mut line = format!("{id}: {}", word("phase"));
    match word("phase").as_str() {
        "not begun" => line += &format!(", planned for {}", word("start")),
        "way down" | "stay" => line += &format!(", {depth:.0} % cold, way up from {}", word("up_from")),
        "way up" => line += &format!(", {depth:.0} % cold"),
        _ => {}
    }
    if season["held"] == true {
        line += ", held back by a person";
    }
    if season["waiting"] == true {
        line += ", held back: not cold enough";
    }
    if let Some(why) = season["why"].as_str() {
        line += &format!(" ({why})");
    }
    line + "\n"
}

fn say(whose: &Whose, act: SeasonAct) -> ExitCode {
    let settings = match whose.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let ids: Vec<&str> = match (&whose.enclosure, &whose.rack) {
        (Some(id), _) => match find_enclosure(&settings, id) {
            Ok(found) => vec![settings.enclosures[found.0].id.as_str()],
            Err(why) => return failed(&why),
        },
        (None, rack) => {
            let bays = settings.enclosures.iter().filter(|enclosure| enclosure.rack == *rack && is_cooled(enclosure));
            bays.map(|enclosure| enclosure.id.as_str()).collect()
        }
    };
    if ids.is_empty() {
        return failed(&format!("no rack {:?} has a cooling season", whose.rack.as_deref().unwrap_or("")));
    }
    for id in &ids {
        let asked = json!({ "act": "season", "enclosure": id, "with": { "do": act.word() } });
        if let Err(why) = desk::ask(&settings, &asked) {
            return failed(&format!("{id}: {why}"));
        }
    }
    match ask(&settings, &ids) {
        Ok(seasons) => {
            let lines: String = seasons.iter().map(|(id, season)| line(id, season)).collect();
            print(&(lines + "An animal that is being cooled is for a veterinarian to watch over.\n"))
        }
        Err(why) => failed(&why),
    }
}

fn print(text: &str) -> ExitCode {
    let mut out = io::stdout().lock();
    told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| ExitCode::SUCCESS))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_season_is_told_in_a_line() {
        let check = |season: Value, expected: &str| assert_eq!(line("e1", &season), format!("e1: {expected}\n"));
        check(json!({ "phase": "not begun", "start": "2026-11-15" }), "not begun, planned for 2026-11-15");
        check(
            json!({ "phase": "not begun", "start": "2026-11-15", "waiting": true }),
            "not begun, planned for 2026-11-15, held back: not cold enough",
        );
        check(
            json!({ "phase": "way down", "depth": 0.5, "up_from": "2027-02-07", "held": true }),
            "way down, 50 % cold, way up from 2027-02-07, held back by a person",
        );
        check(
            json!({ "phase": "way up", "depth": 0.25, "why": "a person broke it off" }),
            "way up, 25 % cold (a person broke it off)",
        );
    }
}
