//! `lampwarden lamps`: the lamps, a line each; why one is judged as it is; and what was changed.

use std::io::{self, Write as _};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::control::AlarmKind;
use crate::settings::Settings;

use super::{Config, desk, failed, find_enclosure, told};

#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Option<Action>,
    #[command(flatten)]
    config: Option<Config>,
    /// Only this enclosure
    #[arg(long, value_name = "ID")]
    enclosure: Option<String>,
    /// Print a JSON array
    #[arg(long)]
    json: bool,
}

#[derive(Subcommand)]
enum Action {
    /// Why a lamp is judged as it is, or an alarm stands: readings, fit and thresholds
    Why {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id
        enclosure: String,
        /// The lamp's name, or the kind of an alarm, such as uv-fading
        #[arg(value_name = "LAMP|ALARM")]
        of: String,
    },
    /// Log that another lamp was fitted: its hours begin anew, and the UV probe there waits for a meter reading
    Changed {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id
        enclosure: String,
        /// The lamp's name
        lamp: String,
    },
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    match (arguments.action, arguments.config) {
        (Some(Action::Why { config, enclosure, of }), _) => why(&config, &enclosure, &of),
        (Some(Action::Changed { config, enclosure, lamp }), _) => changed(&config, &enclosure, &lamp),
        (None, Some(config)) => list(&config, arguments.enclosure.as_deref(), arguments.json),
        (None, None) => failed(&"name the configuration: lampwarden lamps -c FILE"),
    }
}

/// The lamps of one enclosure, or of all.
fn ask(settings: &Settings, only: Option<&str>) -> Result<Vec<Value>, String> {
    if let Some(id) = only {
        find_enclosure(settings, id)?;
    }
    let mut lamps = Vec::new();
    let ids = settings.enclosures.iter().map(|enclosure| enclosure.id.as_str());
    for id in ids.filter(|id| only.is_none_or(|only| only == *id)) {
        let mut answer = desk::ask(settings, &json!({ "tell": "lamps", "enclosure": id }))?;
        lamps.extend(answer["lamps"].as_array_mut().map(std::mem::take).unwrap_or_default());
    }
    Ok(lamps)
}

fn list(config: &Config, enclosure: Option<&str>, json: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let lamps = match ask(&settings, enclosure) {
        Ok(lamps) => lamps,
        Err(why) => return failed(&why),
    };
    if json {
        return print(&(serde_json::to_string_pretty(&lamps).unwrap_or_default() + "\n"));
    }
    print(&table(&lamps))
}

fn table(lamps: &[Value]) -> String {
    let header = ["lamp", "fitting", "state", "hours", "on", "fitted", "share", "change by"].map(str::to_owned);
    let rows: Vec<_> = std::iter::once(header).chain(lamps.iter().map(row)).collect();
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths: [usize; 8] = std::array::from_fn(width);
    let line = |row: &[String; 8]| {
        let cell = |(at, (text, width)): (usize, (&String, &usize))| match at {
            3 | 4 | 6 => format!("{text:>width$}"),
            _ => format!("{text:<width$}"),
        };
        let cells: Vec<_> = row.iter().zip(&widths).enumerate().map(cell).collect();
        cells.join("  ").trim_end().to_owned() + "\n"
    };
    rows.iter().map(line).collect()
}

fn row(lamp: &Value) -> [String; 8] {
    let word = |key: &str| lamp[key].as_str().unwrap_or("–").to_owned();
    let number = |key: &str| lamp[key].as_f64().map_or("–".to_owned(), |number| format!("{number:.0}"));
    let date = |text: &str| text.get(..10).unwrap_or(text).to_owned();
    let between = |ends: &Value| {
        let end = |key: &str| ends[key].as_str().map_or("never".to_owned(), date);
        format!(" ({} to {})", end("earliest"), end("latest"))
    };
    let change = lamp["change_by"].as_str().map(|by| date(by) + &between(&lamp["leaves_band"]));
    [
        format!("{}/{}", word("enclosure"), word("lamp")),
        word("fitting"),
        word("state"),
        number("hours"),
        number("cycles"),
        lamp["fitted"].as_str().map_or("–".to_owned(), date),
        lamp["share"].as_f64().map_or("–".to_owned(), |share| format!("{:.0} %", 100.0 * share)),
        change.unwrap_or_else(|| "–".to_owned()),
    ]
}

fn why(config: &Config, enclosure: &str, lamp: &str) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let lamps = match ask(&settings, Some(enclosure)) {
        Ok(lamps) => lamps,
        Err(why) => return failed(&why),
    };
    let Some(found) = lamps.iter().find(|known| known["lamp"] == lamp) else {
        if AlarmKind::from_name(lamp).is_some() {
            return why_alarm(&settings, enclosure, lamp);
        }
        return failed(&no_such_lamp(&lamps, enclosure, lamp));
    };
    let mut out = table(std::slice::from_ref(found));
    for line in found["why"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        out += &format!("  {line}\n");
    }
    if let Some(accepted) = found["accepted"].as_str() {
        out += &format!("  when last looked at as a new lamp: {accepted}\n");
    }
    print(&out)
}

fn why_alarm(settings: &Settings, enclosure: &str, kind: &str) -> ExitCode {
    let asked = json!({ "tell": "why", "enclosure": enclosure, "alarm": kind });
    let answer = match desk::ask(settings, &asked) {
        Ok(answer) => answer,
        Err(why) => return failed(&why),
    };
    let mut out = format!("{kind} of {enclosure}\n");
    for line in answer["why"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        out += &format!("  {line}\n");
    }
    print(&out)
}

fn no_such_lamp(lamps: &[Value], enclosure: &str, lamp: &str) -> String {
    let names: Vec<_> = lamps.iter().filter_map(|known| known["lamp"].as_str()).collect();
    format!(
        "enclosure {enclosure} has no lamp {lamp:?}; there are {}, and the kinds of alarms, such as uv-fading",
        names.join(", ")
    )
}

fn changed(config: &Config, enclosure: &str, lamp: &str) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    if let Err(why) = find_enclosure(&settings, enclosure) {
        return failed(&why);
    }
    let act = json!({ "act": "lamp-change", "enclosure": enclosure, "with": { "lamp": lamp } });
    if let Err(why) = desk::ask(&settings, &act) {
        return failed(&format!("the change was not logged: {why}"));
    }
    print(&format!(
        "logged: another lamp is fitted as {lamp} of {enclosure}\n\
         Let it warm up, then measure beside its UV probe and log what the meter shows: `lampwarden meter log`. Until then\n\
         see that the animal has shade. Let a lamp cool and pull its plug before you touch it.\n{}",
        stock(&settings, enclosure, lamp)
    ))
}

/// What the configuration counts of this kind of lamp, which a logged change does not lower: it may have come from elsewhere,
/// and a count that the keeper corrects later would be lowered twice.
fn stock(settings: &Settings, enclosure: &str, lamp: &str) -> String {
    let enclosure = settings.enclosures.iter().find(|known| known.id == enclosure);
    let fitting = enclosure.and_then(|known| Some(known.lamps.iter().find(|known| known.name == lamp)?.fitting));
    let counted = settings.spares.iter().filter(|spare| Some(spare.fitting) == fitting && spare.count > 0);
    let line = |spare: &crate::settings::Spare| {
        let (count, title) = (spare.count, spare.fitting.traits().title);
        let watts = spare.power.map_or_else(String::new, |watts| format!(", {watts}"));
        format!(
            "the configuration counts {count} in stock of {title}{watts}: make that {} if it was one of them\n",
            count - 1
        )
    };
    counted.map(line).collect()
}

fn print(text: &str) -> ExitCode {
    let mut out = io::stdout().lock();
    told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| ExitCode::SUCCESS))
}
