//! `lampwarden wiring commission`: walks a person through every probe and lamp of some enclosures, and keeps the record.

use std::io::{self, IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use anyhow::{Context as _, bail};
use clap::Args;

use crate::config::{Locator, Source};
use crate::daemon::Clock;
use crate::journal::{Entry, Journal, News};
use crate::settings::{EnclosureIx, Settings};

use super::super::{Config, check, failed, find_enclosure};
use super::record::{self, Record};
use super::room::Room;
use super::walk::Walk;
use super::{CONNECT_WITHIN, daemons_state, runtime, trial, unless_gone};

/// How long the disk may take.
const DURABLE_WITHIN: Duration = Duration::from_secs(15);

/// What is to be commissioned.
#[derive(Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    config: Config,
    /// The enclosures' ids: those that might be exchanged go together
    #[arg(value_name = "ENCLOSURE", required = true)]
    enclosures: Vec<String>,
    /// Who does it, for the record; the user's name unless given
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Do not measure how lamps warm: switch each only until its probe answers
    #[arg(long)]
    no_step: bool,
    /// How long a lamp may be on to measure how it warms
    #[arg(long, value_name = "SPAN", default_value = "45m", value_parser = super::span)]
    longest: Duration,
    /// Ask nothing: you stand by, and no animal is in there. Probes are not taken into the hand, nobody says which lamp
    /// came on, and the record is signed only with --by
    #[arg(long)]
    yes: bool,
    /// Print the records as a JSON array; questions and progress go to stderr
    #[arg(long)]
    json: bool,
}

/// What is wanted, apart from the settings.
pub struct Options {
    /// The enclosures.
    pub enclosures: Vec<EnclosureIx>,
    /// Who does it.
    pub by: String,
    /// For how long a lamp may be on to measure how it warms; none: it is not measured.
    pub step: Option<Duration>,
    /// Whether nothing is asked.
    pub yes: bool,
    /// Whether a run without questions is signed.
    pub signed: bool,
    /// Where the daemon keeps its journal.
    pub state_directory: PathBuf,
    /// The clock: the machine's, or a faster one over a room that lives by the same.
    pub clock: Clock,
}

/// Runs the command; exit code 1 where something is open, or was ended early.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    let loaded = check::load(&arguments.config.files);
    let sources = loaded.sources.clone();
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let Some(state_directory) = super::super::serve::state_directory(&settings.site) else {
        return failed(&"no place for the record: set state_directory in [site], or HOME");
    };
    let found: Result<Vec<_>, _> = arguments.enclosures.iter().map(|id| find_enclosure(&settings, id)).collect();
    let enclosures = match found {
        Ok(enclosures) => enclosures,
        Err(why) => return failed(&why),
    };
    let user = || ["SUDO_USER", "USER", "LOGNAME"].iter().find_map(|name| std::env::var(name).ok());
    let options = Options {
        enclosures,
        signed: arguments.by.is_some(),
        by: arguments.by.or_else(user).unwrap_or_else(|| "somebody".to_owned()),
        step: Some(arguments.longest).filter(|_| !arguments.no_step),
        yes: arguments.yes,
        state_directory,
        clock: Clock::real(),
    };
    runtime(async {
        let Some(records) = commission(&settings, &sources, &options).await? else { return Ok(false) };
        let mut out = io::stdout().lock();
        // A person has just read what they signed.
        match io::stdout().is_terminal() && !arguments.json {
            true => records.iter().try_for_each(|record| record.write_toml(&mut out))?,
            false => print(&settings, &records, arguments.json, &mut out)?,
        }
        Ok(records.iter().all(|record| record.findings.is_empty()))
    })
}

/// Writes records for a person, with what is proposed, or as JSON.
pub(super) fn print(settings: &Settings, records: &[Record], json: bool, out: &mut impl Write) -> anyhow::Result<()> {
    let written = match json {
        true => serde_json::to_writer_pretty(&mut *out, records).map_err(Into::into).and_then(|()| writeln!(out)),
        false => records.iter().try_for_each(|record| {
            record.write_text(settings.site.timezone, out)?;
            record.write_toml(out)
        }),
    };
    written.and_then(|()| out.flush()).or_else(unless_gone).context("the record cannot be written")
}

/// Walks through everything, and puts a record for each enclosure into the journal; none where it was not begun or was ended
/// early. Questions and progress go to stderr.
pub async fn commission(
    settings: &Settings,
    sources: &[Source],
    options: &Options,
) -> anyhow::Result<Option<Vec<Record>>> {
    // Held until the end: no daemon can start meanwhile and switch against us.
    let (journal, remembered) = daemons_state(Some(&options.state_directory)).context(
        "stop the daemon first (such as by `sudo systemctl stop lampwarden`), and start it again afterwards; see to the \
         animals of other enclosures meanwhile",
    )?;
    let Some(mut journal) = journal else { bail!("no place for the record") };
    let safety = remembered.safety(settings);
    let mut room = Room::enter(settings, None, &safety, options.clock.clone())?;
    if let Err(why) = room.wait_until_up(CONNECT_WITHIN).await {
        let (broker, within) = (&settings.broker, CONNECT_WITHIN.as_secs());
        bail!("nobody at {}:{} let us in within {within} s: {why}", broker.host, broker.port);
    }
    let mut walk = Walk::new(settings, options, room.now().wall)?;
    room.attend();
    let walked = walk.walk(&mut room).await;
    // Whatever has happened: what guards must remember, and everything off.
    let darkened = trial::all_off(&mut room).await;
    let mut entries: Vec<Entry> = room.to_remember(&safety).into_iter().map(Entry::Safety).collect();
    let ended = room.now().wall;
    let records = match &walked {
        Ok(true) => Some(walk.records(&Locator::new(sources), &mut room, ended).await),
        _ => None,
    };
    entries.extend(records.iter().flatten().filter_map(entry));
    let kept = keep(&mut journal, entries).await;
    journal.close();
    room.leave().await?;
    walked?;
    if !darkened.is_empty() {
        bail!("COULD NOT BE SWITCHED OFF, pull their plugs now: {}", darkened.join(", "));
    }
    kept?;
    Ok(records)
}

/// The record as the journal keeps it.
fn entry(record: &Record) -> Option<Entry> {
    let mut act = serde_json::to_value(record).ok()?;
    act["act"] = record::ACT.into();
    Some(Entry::Act { at: record.ended, enclosure: Some(record.enclosure.clone()), act: act.to_string() })
}

/// Waits until `entries` are on the disk.
async fn keep(journal: &mut Journal, entries: Vec<Entry>) -> anyhow::Result<()> {
    let number = journal.write(entries);
    let durable = async {
        loop {
            match journal.news().await {
                News::Durable(upto) if upto >= number => return Ok(()),
                News::Failing(why) => bail!("the record is not on the disk: {why}"),
                News::Durable(_) | News::Well => {}
            }
        }
    };
    tokio::time::timeout(DURABLE_WITHIN, durable).await.context("the disk did not take the record")?
}

/// The records in the journal in `directory`, oldest first; of one enclosure, or of all.
pub(super) fn records(directory: &Path, enclosure: Option<&str>) -> Result<Vec<Record>, String> {
    let reader =
        crate::journal::read::Reader::open(&directory.join(crate::journal::FILE)).map_err(|why| why.to_string())?;
    let mut records = Vec::new();
    let window = crate::journal::read::Window::ALL;
    let take = |act: crate::journal::read::Act| {
        if act.verb() == record::ACT
            && let Ok(record) = serde_json::from_value(act.words.into())
        {
            records.push(record);
        }
        Ok(())
    };
    reader.acts(enclosure, window, take).map_err(|why| why.to_string())?;
    Ok(records)
}
