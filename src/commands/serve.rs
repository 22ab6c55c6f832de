//! `lampwarden serve`: the daemon.

use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use tokio::signal::unix::{SignalKind, signal};
use tracing::info;
use tracing_subscriber::EnvFilter;

use crate::config;
use crate::daemon::{self, Clock};
use crate::settings::{Settings, Site};

use crate::web::Role;

use super::check;
use super::{Config, failed};

/// Names the level of what is logged, as `info` or `lampwarden=debug`.
const LOG_VARIABLE: &str = "LAMPWARDEN_LOG";

#[derive(Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    config: Config,
    /// How log lines are written, on stderr
    #[arg(long, value_enum, default_value_t = Log::Human)]
    log: Log,
}

/// How log lines are written.
#[derive(Clone, Copy, ValueEnum)]
enum Log {
    /// For people
    Human,
    /// One JSON object a line
    Json,
}

/// Runs until SIGTERM or SIGINT.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    start_log(arguments.log);
    let Some(state_directory) = state_directory(&settings.site) else {
        return failed(&"no place for the state: set state_directory in [site], or HOME");
    };
    info!(directory = %state_directory.display(), "safety state");
    let files = arguments.config.files.clone();
    let reread = Box::new(move || reread(&files));
    let options = daemon::Options {
        settings,
        reread: Some(reread),
        clock: Clock::real(),
        state_directory: Some(state_directory),
        service: true,
        visitor: Some(Role::Look),
    };
    // One thread: the control loop and the connection hand over to each other without waking another core.
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => return failed(&error),
    };
    match runtime.block_on(daemon::run(options, told_to_stop())) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&format!("{error:#}")),
    }
}

/// Done when the process is told to end.
async fn told_to_stop() {
    match (signal(SignalKind::terminate()), signal(SignalKind::interrupt())) {
        (Ok(mut terminate), Ok(mut interrupt)) => {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
        }
        // Without signal handlers the default ones end the process.
        _ => std::future::pending().await,
    }
}

/// Where safety state is kept: as configured, or given by the service manager, or in the user's own state.
pub(super) fn state_directory(site: &Site) -> Option<PathBuf> {
    let variable = |name| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let own = || {
        let base = variable("XDG_STATE_HOME").or_else(|| Some(variable("HOME")?.join(".local/state")))?;
        Some(base.join("lampwarden").join(&site.name))
    };
    site.state_directory.clone().or_else(|| variable("STATE_DIRECTORY")).or_else(own)
}

/// The configuration as it is now on disk; every finding goes to stderr, and the refusal says how many there are.
fn reread(files: &[PathBuf]) -> Result<Settings, String> {
    let loaded = check::load(files);
    if !loaded.checked.findings.is_empty() {
        eprint!("{}", loaded.report(false));
    }
    let headline = config::headline(&loaded.checked.findings);
    loaded.checked.settings.ok_or(headline)
}

fn start_log(log: Log) {
    let filter = EnvFilter::try_from_env(LOG_VARIABLE).unwrap_or_else(|_| EnvFilter::new("info"));
    let colour = std::io::stderr().is_terminal();
    let lines = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_ansi(colour);
    match log {
        Log::Human => lines.with_target(false).init(),
        Log::Json => lines.json().init(),
    }
}
