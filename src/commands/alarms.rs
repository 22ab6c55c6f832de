//! `lampwarden alarms`: what stands, who was told, and saying that somebody has seen it.

use std::io::{self, Write as _};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::control::AlarmKind;
use crate::message::topics::SITE;
use crate::settings::Settings;

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
    /// List the alarms that stand, the most important first
    List {
        #[command(flatten)]
        config: Config,
        /// Print a JSON array
        #[arg(long)]
        json: bool,
    },
    /// Say that somebody has seen an alarm and sees to it: nobody is reminded of it any more
    Acknowledge {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id, or `site`; without one every alarm there is
        enclosure: Option<String>,
        /// Which alarm, such as `lamp-dark`; without one all of that enclosure
        kind: Option<String>,
    },
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    match (arguments.action, arguments.config) {
        (Some(Action::Acknowledge { config, enclosure, kind }), _) => {
            acknowledge(&config, enclosure.as_deref(), kind.as_deref())
        }
        (Some(Action::List { config, json }), _) => show(&config, json),
        (None, Some(config)) => show(&config, arguments.json),
        (None, None) => failed(&"name the configuration: lampwarden alarms -c FILE"),
    }
}

fn ask(settings: &Settings) -> Result<Vec<Value>, String> {
    let mut answer = desk::ask(settings, &json!({ "tell": "alarms" }))?;
    Ok(answer["alarms"].as_array_mut().map(std::mem::take).unwrap_or_default())
}

fn show(config: &Config, json: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let alarms = match ask(&settings) {
        Ok(alarms) => alarms,
        Err(why) => return failed(&why),
    };
    if json {
        return print(&(serde_json::to_string_pretty(&alarms).unwrap_or_default() + "\n"));
    }
    if alarms.is_empty() {
        return print("no alarm stands\n");
    }
    print(&alarms.iter().map(block).collect::<Vec<_>>().join("\n"))
}

fn block(alarm: &Value) -> String {
    let word = |key: &str| alarm[key].as_str().unwrap_or("–").to_owned();
    let seen = if alarm["acknowledged"] == true { "acknowledged" } else { "unacknowledged" };
    let told: Vec<_> = alarm["told"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    let told = if told.is_empty() { "nobody was told".to_owned() } else { format!("told: {}", told.join(", ")) };
    format!(
        "{} {} {} ({seen}; {told})\n  {}\n",
        word("priority"),
        word("enclosure"),
        word("kind"),
        word("text").replace('\n', "\n  ")
    )
}

fn acknowledge(config: &Config, enclosure: Option<&str>, kind: Option<&str>) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let wanted = match targets(&settings, enclosure, kind) {
        Ok(wanted) => wanted,
        Err(why) => return failed(&why),
    };
    if wanted.is_empty() {
        return print("no alarm stands\n");
    }
    let mut out = String::new();
    for (enclosure, kind) in wanted {
        let with = kind.as_ref().map_or_else(|| json!({}), |kind| json!({ "kind": kind }));
        let act = json!({ "act": "acknowledge", "enclosure": enclosure, "with": with });
        if let Err(why) = desk::ask(&settings, &act) {
            return failed(&format!("{enclosure} was not acknowledged: {why}"));
        }
        out += &format!("acknowledged: {enclosure} {}\n", kind.as_deref().unwrap_or("(all)"));
    }
    print(&out)
}

/// Whose alarms, and which.
fn targets(
    settings: &Settings,
    enclosure: Option<&str>,
    kind: Option<&str>,
) -> Result<Vec<(String, Option<String>)>, String> {
    if let Some(kind) = kind.filter(|kind| AlarmKind::from_name(kind).is_none()) {
        let nearest = crate::config::nearest(kind, AlarmKind::ALL.iter().map(|kind| kind.name()));
        let hint = nearest.map_or_else(String::new, |nearest| format!("; did you mean {nearest:?}?"));
        return Err(format!("there is no alarm {kind:?}{hint}"));
    }
    if let Some(id) = enclosure {
        if id != SITE {
            find_enclosure(settings, id)?;
        }
        return Ok(vec![(id.to_owned(), kind.map(str::to_owned))]);
    }
    let standing = ask(settings)?.into_iter().filter(|alarm| alarm["acknowledged"] != true);
    let named = standing
        .filter_map(|alarm| Some((alarm["enclosure"].as_str()?.to_owned(), Some(alarm["kind"].as_str()?.to_owned()))));
    Ok(named.collect())
}

fn print(text: &str) -> ExitCode {
    let mut out = io::stdout().lock();
    told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| ExitCode::SUCCESS))
}
