//! `lampwarden alarms`: what stands, who was told, and saying that somebody has seen it.

use std::io::{self, Write as _};
use std::process::ExitCode;

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::control::AlarmKind;
use crate::daemon::Clock;
use crate::export::alarms::alarm_metrics;
use crate::journal::read::Window;
use crate::message::topics::SITE;
use crate::notify::metrics::{Frequent, Metrics, Name};
use crate::settings::Settings;

use super::history::reader_of;
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
    /// Put an alarm aside for a while: nobody is told of it, and it is told again afterwards if it still stands. A lamp that
    /// cannot be stopped cannot be shelved, and one that got too hot for half an hour at most
    Shelve {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id, or `site`
        enclosure: String,
        /// Which alarm, such as `lamp-dark`
        kind: String,
        /// For how long, such as `2h`
        #[arg(long = "for", value_name = "TIME")]
        span: String,
        /// Why, for whoever reads the list
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Take an alarm off the shelf: it is told at once if it still stands
    Unshelve {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id, or `site`
        enclosure: String,
        /// Which alarm; without one all of that enclosure
        kind: Option<String>,
    },
    /// Say that no animal lives in an enclosure: only alarms of its guard are told. Lamps and guards go on as always
    OutOfService {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id
        enclosure: String,
        /// Why, for whoever reads the list
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Say that an animal lives in an enclosure again
    InService {
        #[command(flatten)]
        config: Config,
        /// The enclosure's id
        enclosure: String,
    },
    /// How well the alarms serve whoever answers them: rates, floods, chattering and stale alarms, priorities, beside the
    /// figures of ISA-18.2 / IEC 62682
    Metrics {
        #[command(flatten)]
        config: Config,
        /// Over so many days up to now
        #[arg(long, value_name = "N", default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=1100))]
        days: u32,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    match (arguments.action, arguments.config) {
        (Some(Action::Acknowledge { config, enclosure, kind }), _) => {
            acknowledge(&config, enclosure.as_deref(), kind.as_deref())
        }
        (Some(Action::List { config, json }), _) => show(&config, json),
        (Some(Action::Shelve { config, enclosure, kind, span, why }), _) => {
            let with = json!({ "kind": kind, "for": span, "why": why });
            let done = format!("shelved for {span}: {enclosure} {kind}\n");
            act(&config, "shelve", &enclosure, Some(&kind), &with, &done)
        }
        (Some(Action::Unshelve { config, enclosure, kind }), _) => {
            let with = kind.as_ref().map_or_else(|| json!({}), |kind| json!({ "kind": kind }));
            let done = format!("off the shelf: {enclosure} {}\n", kind.as_deref().unwrap_or("(all)"));
            act(&config, "unshelve", &enclosure, kind.as_deref(), &with, &done)
        }
        (Some(Action::OutOfService { config, enclosure, why }), _) => {
            let done = format!(
                "out of service: {enclosure}. Its lamps and guards go on; switch heat off at the plug where nobody needs it\n"
            );
            act(&config, "out-of-service", &enclosure, None, &json!({ "why": why }), &done)
        }
        (Some(Action::InService { config, enclosure }), _) => {
            let done = format!("in service: {enclosure}\n");
            act(&config, "in-service", &enclosure, None, &json!({}), &done)
        }
        (Some(Action::Metrics { config, days, json }), _) => metrics(&config, days, json),
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
    print(&listed(&alarms))
}

/// A block for each alarm, and under a cause the names of its consequences.
fn listed(alarms: &[Value]) -> String {
    let cause = |alarm: &Value| alarm["aside"]["cause"].clone();
    let named = |alarm: &Value| json!({ "enclosure": alarm["enclosure"], "kind": alarm["kind"] });
    let has_cause = |alarm: &&Value| alarms.iter().any(|other| named(other) == cause(alarm));
    let mut blocks = Vec::new();
    for alarm in alarms.iter().filter(|alarm| !has_cause(alarm)) {
        let of_it = alarms.iter().filter(|other| cause(other) == named(alarm));
        let names = of_it.map(|other| {
            let word = |key: &str| other[key].as_str().unwrap_or("–").to_owned();
            format!("{} {}", word("enclosure"), word("kind"))
        });
        let names: Vec<_> = names.collect();
        let tail = match names.len() {
            0 => String::new(),
            count => format!("  its consequences, {count}: {}\n", names.join(", ")),
        };
        blocks.push(block(alarm) + &tail);
    }
    blocks.join("\n")
}

fn block(alarm: &Value) -> String {
    let word = |key: &str| alarm[key].as_str().unwrap_or("–").to_owned();
    let seen = if alarm["acknowledged"] == true { "acknowledged" } else { "unacknowledged" };
    let told: Vec<_> = alarm["told"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    let told = if told.is_empty() { "nobody was told".to_owned() } else { format!("told: {}", told.join(", ")) };
    let aside = alarm["aside"]["how"].as_str().map(|how| {
        let until = alarm["aside"]["until"].as_str().map_or_else(String::new, |until| format!(" until {until}"));
        format!("{how}{until}: {}; ", alarm["aside"]["why"].as_str().unwrap_or("–"))
    });
    let seen = aside.unwrap_or_default() + seen;
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

/// Does something with the alarms of an enclosure, or of the site, and prints what was done.
fn act(config: &Config, verb: &str, enclosure: &str, kind: Option<&str>, with: &Value, done: &str) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let asked = targets(&settings, Some(enclosure), kind)
        .and_then(|_| desk::ask(&settings, &json!({ "act": verb, "enclosure": enclosure, "with": with })));
    match asked {
        Ok(_) => print(done),
        Err(why) => failed(&why),
    }
}

/// The figures of the standards, from the journal.
fn metrics(config: &Config, days: u32, json: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let until = Clock::real().now().wall;
    let window = Window { from: until - TimeDelta::days(i64::from(days)), until };
    let figures = reader_of(&settings)
        .and_then(|reader| alarm_metrics(&reader, window, settings.site.timezone).map_err(|why| why.to_string()));
    let figures = match figures {
        Ok(figures) => figures,
        Err(why) => return failed(&why),
    };
    if json {
        return print(
            &(serde_json::to_string_pretty(&figures_document(&settings, &figures)).unwrap_or_default() + "\n"),
        );
    }
    let lines = figures.lines();
    let width = |column: usize| lines.iter().map(|line| line[column].chars().count()).max().unwrap_or(0);
    let (first, second) = (width(0), width(1).min(36));
    let mut out = format!("{days} days, beside what ISA-18.2 / IEC 62682 recommend for one operator:\n");
    for [what, is, beside] in &lines {
        out += format!("{what:<first$}  {is:<second$}  {beside}").trim_end();
        out.push('\n');
    }
    print(&out)
}

fn figures_document(settings: &Settings, figures: &Metrics) -> Value {
    let zone = settings.site.timezone;
    let local = |at: DateTime<Utc>| at.with_timezone(&zone).to_rfc3339_opts(SecondsFormat::Secs, false);
    let name = |(enclosure, kind): &Name| json!({ "enclosure": enclosure.as_deref().unwrap_or(SITE), "kind": kind });
    let frequent = |all: &[Frequent]| -> Vec<Value> {
        all.iter().map(|it| json!({ "alarm": name(&it.name), "times": it.times })).collect()
    };
    let [low, medium, high, critical] = figures.priorities;
    let floods = figures
        .floods
        .iter()
        .map(|flood| json!({ "begin": local(flood.begin), "end": flood.end.map(local), "alarms": flood.alarms }));
    let stale = figures.stale.iter().map(|(alarm, since)| json!({ "alarm": name(alarm), "since": local(*since) }));
    let days = figures.days.iter().map(|(date, alarms)| (date.to_string(), json!(alarms)));
    json!({
        "from": local(figures.from),
        "until": local(figures.until),
        "alarms": figures.alarms,
        "aside": figures.aside,
        "per_day": figures.per_day,
        "per_ten_minutes": figures.per_ten_minutes,
        "most_in_a_day": figures.most_in_a_day,
        "most_in_ten_minutes": figures.most_in_ten_minutes,
        "floods": floods.collect::<Vec<_>>(),
        "flood_share": figures.flood_share,
        "chattering": frequent(&figures.chattering),
        "stale": stale.collect::<Vec<_>>(),
        "priorities": { "low": low, "medium": medium, "high": high, "critical": critical },
        "frequent": frequent(&figures.frequent),
        "frequent_share": figures.frequent_share,
        "days": days.collect::<serde_json::Map<_, _>>(),
    })
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
