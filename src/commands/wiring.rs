//! `lampwarden wiring`: what each configured topic has said and how it was understood, what has stayed silent, how long a
//! QoS 1 exchange takes, and each relay tried once on request. `wiring commission` walks a person through the probes and lamps
//! of an enclosure and leaves a record; `wiring records` lists them.
//!
//! A trial goes through the same guard as the daemon: a lamp that warms is switched on only while every guard probe
//! has just reported a temperature below the cut, and latches that the daemon stored stay in force.

pub mod commission;
mod hearing;
mod ledger;
pub mod record;
mod report;
mod room;
mod trial;
mod voice;
mod walk;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use anyhow::Context as _;
use clap::{Args, Subcommand};

use crate::daemon::Clock;
use crate::journal::{Entry, Journal, Remembered};
use crate::settings::Settings;

use super::{Config, failed};
use report::Report;
use room::Room;

/// How long the broker may take to let us in.
const CONNECT_WITHIN: Duration = Duration::from_secs(15);

/// How the wiring is looked at.
#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    work: Option<Work>,
    #[command(flatten)]
    look: Look,
}

/// More than a look.
#[derive(Subcommand)]
enum Work {
    /// Walk through every probe and lamp of an enclosure: what is exchanged, how it warms, figures for it; and sign a record
    ///
    /// Each lamp is switched on by itself, through the same guard as the daemon's, until the right probe has answered and it
    /// is known how the place warms. What is exchanged is named with file and line; figures for control and guard are proposed
    /// as TOML to be pasted, and nothing is written by itself. The record goes into the journal.
    ///
    /// No animal may be in there. Stop the daemon first, and stand by all the while: lamps get hot, and UV hurts eyes. Wiring is
    /// for a licensed electrician, to the local code.
    Commission(commission::Arguments),
    /// List the records of commissioning in the journal, oldest first
    Records {
        #[command(flatten)]
        config: Config,
        /// Only this enclosure
        #[arg(value_name = "ENCLOSURE")]
        enclosure: Option<String>,
        /// Print a JSON array
        #[arg(long)]
        json: bool,
    },
}

/// A look.
#[derive(Args)]
struct Look {
    #[command(flatten)]
    config: Config,
    /// How long to listen, such as 60s or 5m
    #[arg(long = "for", value_name = "SPAN", default_value = "60s", value_parser = span)]
    listen: Duration,
    /// Then switch each relay on for two seconds and off again, each after a question
    ///
    /// Stop the daemon first. Every lamp is switched off before. Lamps that warm get hot within seconds: stand by.
    #[arg(long)]
    try_relays: bool,
    /// Try relays without asking
    #[arg(long, requires = "try_relays")]
    yes: bool,
    /// Write every message to this file as a recording for `replay`
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Print the report as JSON
    #[arg(long)]
    json: bool,
}

/// What is wanted, apart from the settings.
pub struct Options {
    /// How long to listen.
    pub listen: Duration,
    /// Whether relays are tried.
    pub try_relays: bool,
    /// Whether they are tried without asking.
    pub yes: bool,
    /// Where messages are recorded.
    pub record: Option<PathBuf>,
    /// Whether the report is JSON.
    pub json: bool,
    /// Where the daemon keeps its safety state, for latches that must stay in force; none: it keeps none.
    pub state_directory: Option<PathBuf>,
}

/// Runs the command; exit code 1 where something stayed silent, was not understood or did not obey.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    match arguments.work {
        None => run_look(arguments.look),
        Some(Work::Commission(arguments)) => commission::run(arguments),
        Some(Work::Records { config, enclosure, json }) => records(&config, enclosure.as_deref(), json),
    }
}

fn run_look(arguments: Look) -> ExitCode {
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let Look { listen, try_relays, yes, record, json, .. } = arguments;
    let state_directory = super::serve::state_directory(&settings.site);
    let options = Options { listen, try_relays, yes, record, json, state_directory };
    runtime(look(&settings, &options, &mut io::stdout().lock()))
}

fn records(config: &Config, enclosure: Option<&str>, json: bool) -> ExitCode {
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    // One that is gone from the configuration has its records all the same.
    let Some(directory) = super::serve::state_directory(&settings.site) else {
        return failed(&"no place for the state: set state_directory in [site], or HOME");
    };
    let records = match commission::records(&directory, enclosure) {
        Ok(records) => records,
        Err(why) => return failed(&why),
    };
    if records.is_empty() && !json {
        eprintln!("nothing has been commissioned yet: `lampwarden wiring commission`");
    }
    match commission::print(&settings, &records, json, &mut io::stdout().lock()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&format!("{error:#}")),
    }
}

/// Runs what talks to the broker; exit code 1 where it found something.
fn runtime(done: impl Future<Output = anyhow::Result<bool>>) -> ExitCode {
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => return failed(&error),
    };
    let done = runtime.block_on(done);
    // A question may still wait for its answer on another thread; nobody is going to give it.
    runtime.shutdown_background();
    match done {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(error) => failed(&format!("{error:#}")),
    }
}

/// Listens, tries what is to be tried, and writes the report to `out`; tells whether all is well. Progress and questions
/// go to stderr.
pub async fn look(settings: &Settings, options: &Options, out: &mut impl Write) -> anyhow::Result<bool> {
    // Taken before anything is switched, and held: no daemon can start meanwhile on the same state.
    let (journal, remembered) = match options.try_relays {
        true => daemons_state(options.state_directory.as_deref())?,
        false => (None, Remembered::default()),
    };
    let safety = remembered.safety(settings);
    let mut room = Room::enter(settings, options.record.as_deref(), &safety, Clock::real())?;
    if let Err(why) = room.wait_until_up(CONNECT_WITHIN).await {
        // A finding, and not a mistake in the arguments.
        let (broker, within) = (&settings.broker, CONNECT_WITHIN.as_secs());
        eprintln!("error: nobody at {}:{} let us in within {within} s: {why}", broker.host, broker.port);
        return Ok(false);
    }
    let round_trip = room.measure().await?;
    eprintln!("connected; listening for {} s (Ctrl-C ends it early)", options.listen.as_secs());
    let listened = room.listen(options.listen).await;
    let trials = match options.try_relays && !room.interrupted() {
        true => trial::try_relays(&mut room, options.yes).await?,
        false => Vec::new(),
    };
    if let Some(mut journal) = journal {
        journal.write(room.to_remember(&safety).into_iter().map(Entry::Safety).collect());
        journal.close();
    }
    let hearing = room.leave().await?;
    let report = Report::new(settings, &hearing, listened, round_trip, trials);
    let written = match options.json {
        true => report.write_json(out),
        false => report.write_text(out),
    };
    written.and_then(|()| out.flush()).or_else(unless_gone).context("the report cannot be written")?;
    Ok(report.findings == 0)
}

/// What the daemon remembered, with its lock held.
fn daemons_state(directory: Option<&Path>) -> anyhow::Result<(Option<Journal>, Remembered)> {
    let Some(directory) = directory else { return Ok((None, Remembered::default())) };
    let (journal, remembered) = Journal::open(directory)
        .map_err(|why| anyhow::anyhow!("relays are tried only while the daemon is stopped: {why}"))?;
    Ok((Some(journal), remembered))
}

/// A reader that has gone away is no error of ours.
fn unless_gone(error: io::Error) -> io::Result<()> {
    if error.kind() == io::ErrorKind::BrokenPipe { Ok(()) } else { Err(error) }
}

/// A span as the configuration writes it.
fn span(text: &str) -> Result<Duration, String> {
    crate::time::parse_span(text).filter(|span| !span.is_zero()).ok_or_else(|| "a span such as 60s or 5m".to_owned())
}
