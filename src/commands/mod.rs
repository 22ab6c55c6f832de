//! The command line.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room touches the world")]

mod accounts;
mod alarms;
pub mod almanac;
mod away;
pub mod check;
mod contacts;
#[cfg(feature = "demo")]
pub mod demo;
mod desk;
mod history;
mod lamps;
mod meter;
mod rehearse;
mod replay;
mod report;
mod serve;
pub mod wiring;

use std::io::{self, IsTerminal as _, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, NaiveDate};
use clap::{Args, CommandFactory as _, Parser, Subcommand, ValueEnum};

use crate::daemon::Clock;
use crate::settings::{EnclosureIx, Settings};

use check::UNUSABLE;

/// Said below the help and in the manual.
const EXIT_CODES: &str =
    "Exit codes: 0 done, 1 a finding or a failed expectation, 2 unusable arguments or configuration.";

/// Looks after the lamps of captive reptiles: photoperiods, heat, UV, and a guard over every lamp that warms.
///
/// Software is the second line of safety. Fit an independent thermal cut-out and a residual-current device on every
/// heating circuit, have mains wiring done by licensed people to the local code, and ask a veterinarian about the animal.
#[derive(Parser)]
#[command(name = "lampwarden", version, disable_help_subcommand = true, after_long_help = EXIT_CODES)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Show a whole simulated room on an embedded broker; needs no configuration
    #[cfg(feature = "demo")]
    Demo(demo::Arguments),
    /// Run the daemon
    Serve(serve::Arguments),
    /// Validate a configuration: every finding with file, line, what is wrong and what would be right
    Check {
        #[command(flatten)]
        config: Config,
        /// Print the findings as a JSON array
        #[arg(long)]
        json: bool,
    },
    /// Show the days ahead: lights, sunrise and sunset
    Almanac {
        #[command(flatten)]
        config: Config,
        /// Only this enclosure
        #[arg(long, value_name = "ID")]
        enclosure: Option<String>,
        /// First date; today at the site unless given
        #[arg(long, value_name = "DATE", value_parser = date)]
        from: Option<NaiveDate>,
        /// How many days
        #[arg(long, value_name = "N", default_value_t = 7)]
        days: u32,
        /// How it is written
        #[arg(long, value_enum, default_value_t = Format::Table)]
        format: Format,
    },
    /// Look at the wiring: what each configured topic says, what is silent, and each relay tried once on request
    Wiring(wiring::Arguments),
    /// Rehearse scenarios in virtual time: the same control code through faults, seeds and seasons
    Rehearse(rehearse::Arguments),
    /// Feed recorded messages through a configuration: what would it have done with last month?
    Replay(replay::Arguments),
    /// Rounds with a hand-held UV meter: log a reading, see the gradient and the dose, find a lamp's height
    Meter(meter::Arguments),
    /// Lamps, a line each: state, hours, next change; why one is judged so; log that one was changed
    Lamps(lamps::Arguments),
    /// Write the journal out as CSV, JSON Lines or Parquet; take readings of a spreadsheet in; make a backup
    #[command(long_about = history::ABOUT)]
    History(Box<history::Arguments>),
    /// Write ninety days of one animal's light, heat and UV as a page for a veterinarian, which prints on A4
    Report(report::Arguments),
    /// Alarms that stand, who was told, and acknowledging them
    Alarms(alarms::Arguments),
    /// People who are told: send each a test message
    Contacts(contacts::Arguments),
    /// Being away: the checklist before leaving
    Away(away::Arguments),
    /// Accounts of the web pages: who may look, keep or manage
    #[command(long_about = accounts::ABOUT)]
    Accounts(accounts::Arguments),
}

/// Where the configuration is.
#[derive(Args, Clone)]
pub(crate) struct Config {
    /// Configuration: a file, or a folder of *.toml files; may be given more than once
    #[arg(short = 'c', long = "config", value_name = "FILE", required = true)]
    files: Vec<PathBuf>,
}

impl Config {
    /// The settings, with warnings shown on stderr; else every finding is, and there is nothing to go on with.
    fn settings(&self) -> Result<Settings, ExitCode> {
        let colour = io::stderr().is_terminal();
        let loaded = check::load(&self.files);
        if loaded.checked.is_refused() || !loaded.checked.findings.is_empty() {
            eprint!("{}", loaded.report(colour));
        }
        loaded.checked.settings.ok_or(ExitCode::from(UNUSABLE))
    }
}

/// How an almanac is written.
#[derive(Clone, Copy, ValueEnum)]
enum Format {
    Table,
    Csv,
    Json,
}

/// The command line as it is understood, for manual pages and completions.
pub fn command_line() -> clap::Command {
    Cli::command()
}

/// Runs the command line and tells the exit code: 0 done, 1 a finding, 2 unusable arguments or configuration.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are no errors; clap knows which stream each belongs on.
            let _ = error.print();
            return if error.use_stderr() { ExitCode::from(UNUSABLE) } else { ExitCode::SUCCESS };
        }
    };
    match cli.command {
        #[cfg(feature = "demo")]
        Command::Demo(arguments) => match demo::run(&arguments) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => failed(&format!("{error:#}")),
        },
        Command::Serve(arguments) => serve::run(arguments),
        Command::Check { config, json } => {
            let colour = io::stdout().is_terminal() && !json;
            told(check::check(&config.files, json, colour, &mut io::stdout().lock()))
        }
        Command::Almanac { config, enclosure, from, days, format } => {
            almanac(&config, enclosure.as_deref(), from, days, format)
        }
        Command::Wiring(arguments) => wiring::run(arguments),
        Command::Rehearse(arguments) => rehearse::run(&arguments),
        Command::Replay(arguments) => replay::run(arguments),
        Command::Meter(arguments) => meter::run(arguments),
        Command::Lamps(arguments) => lamps::run(arguments),
        Command::History(arguments) => history::run(*arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Alarms(arguments) => alarms::run(arguments),
        Command::Contacts(arguments) => contacts::run(&arguments),
        Command::Away(arguments) => away::run(&arguments),
        Command::Accounts(arguments) => accounts::run(arguments),
    }
}

fn date(text: &str) -> Result<NaiveDate, String> {
    text.parse().map_err(|_| "a date as 2026-03-01".to_owned())
}

/// The exit code of a command that only prints: a reader that has gone away is no error of ours.
fn told(printed: io::Result<ExitCode>) -> ExitCode {
    match printed {
        Ok(code) => code,
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(error) => failed(&error),
    }
}

fn failed(error: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("error: {error}");
    ExitCode::from(UNUSABLE)
}

fn almanac(config: &Config, enclosure: Option<&str>, from: Option<NaiveDate>, days: u32, format: Format) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let only = match enclosure {
        None => None,
        Some(id) => match find_enclosure(&settings, id) {
            Ok(found) => Some(found),
            Err(why) => return failed(&why),
        },
    };
    let from = from.unwrap_or_else(|| {
        let now: DateTime<chrono::Utc> = Clock::real().now().wall;
        now.with_timezone(&settings.site.timezone).date_naive()
    });
    let format = match format {
        Format::Table => almanac::Format::Table,
        Format::Csv => almanac::Format::Csv,
        Format::Json => almanac::Format::Json,
    };
    let text = almanac::render(&settings, only, from, days, format);
    let mut out = io::stdout().lock();
    told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| ExitCode::SUCCESS))
}

/// The enclosure called `id`, or a sentence that names the nearest one.
fn find_enclosure(settings: &Settings, id: &str) -> Result<EnclosureIx, String> {
    let ids = || settings.enclosures.iter().map(|enclosure| enclosure.id.as_str());
    if let Some(found) = ids().position(|known| known == id) {
        return Ok(EnclosureIx(found));
    }
    let nearest = crate::config::nearest(id, ids());
    Err(match nearest {
        Some(nearest) => format!("there is no enclosure {id:?}; did you mean {nearest:?}?"),
        None => format!("there is no enclosure {id:?}; there are {}", ids().collect::<Vec<_>>().join(", ")),
    })
}
