//! `lampwarden report`: ninety days of one enclosure as a page for a vet.

use std::io::{self, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::NaiveDate;
use clap::Args;

use crate::daemon::Clock;
use crate::export::vet;
use crate::settings::Settings;

use super::history::reader_of;
use super::{Config, date, failed, find_enclosure, told};

/// What the page is about.
#[derive(Args)]
pub(super) struct Arguments {
    /// Whose days
    #[arg(value_name = "ENCLOSURE")]
    enclosure: String,
    #[command(flatten)]
    config: Config,
    /// How many days, the last of them whole
    #[arg(long, value_name = "N", default_value_t = 90, value_parser = clap::value_parser!(u32).range(1..=1100))]
    days: u32,
    /// The last date; yesterday unless given
    #[arg(long, value_name = "DATE", value_parser = date)]
    until: Option<NaiveDate>,
    /// Where the page goes; standard output unless given
    #[arg(short, long, value_name = "OUT.html")]
    output: Option<PathBuf>,
}

/// Runs the command.
pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let page = match page(arguments, &settings) {
        Ok(page) => page,
        Err(why) => return failed(&why),
    };
    match &arguments.output {
        None => told(io::stdout().lock().write_all(page.as_bytes()).map(|()| ExitCode::SUCCESS)),
        Some(path) => match std::fs::write(path, page) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => failed(&format!("{}: {error}", path.display())),
        },
    }
}

fn page(arguments: &Arguments, settings: &Settings) -> Result<String, String> {
    let enclosure = &settings.enclosures[find_enclosure(settings, &arguments.enclosure)?.0];
    let reader = reader_of(settings)?;
    vet::page(settings, enclosure, &reader, arguments.days, arguments.until, Clock::real().now().wall)
}
