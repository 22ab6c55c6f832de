//! `lampwarden history`: what the journal holds, as a table for other programs; readings from elsewhere; a backup.

mod import;
mod times;

use std::fs::File;
use std::io::{self, BufWriter, IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use chrono::{DateTime, Utc};
use clap::builder::PossibleValue;
use clap::{Args, Subcommand, ValueEnum};

use crate::export::table::{Asked, Sink, What};
use crate::export::{lines, parquet, spreadsheet};
use crate::journal::read::{self, Failure, KeptFrom, Reader, Resolution, Unreadable, Whose, Window};
use crate::settings::Settings;

use super::serve::state_directory;
use super::{Config, failed};

use times::Edge;

/// What `history --help` says.
pub(super) const ABOUT: &str = "\
Write the journal out as CSV, JSON Lines or Parquet; take readings of a spreadsheet in; make a backup

Columns, in this order, are the same in every format and stay. Times are RFC 3339 with the site's offset (UTC in Parquet),
and are those at which a minute, an hour or a day begins.

  readings  time, enclosure, probe, quantity, unit, mean, low, high, good, bad, covered_min
            quantity is temperature (°C), humidity (%), illuminance (lx), power (W), uvi (the UV index by the calibration in
            force then) or uvi-raw (what the UV probe itself said); good and bad count readings that were believed and that
            were not; covered_min counts minutes with a good reading
  switches  time, enclosure, lamp, level (0 to 1), reason
  alarms    time, enclosure, kind, priority, state, since, text, subjects
  acts      time, enclosure, act, lamp, spot, uvi, more
  remarks   time, enclosure, subject, text
  gaps      from, to, minutes: when the daemon did not run";

/// Bytes of a buffer. Our choice.
const BUFFER: usize = 256 * 1024;

/// What is told, and how.
#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    work: Option<Work>,
    #[command(flatten)]
    export: Export,
}

/// Other work than telling.
#[derive(Subcommand)]
enum Work {
    /// Take readings from a CSV file, such as a spreadsheet's, into the journal
    Import(import::Arguments),
}

/// What is told, and how.
#[derive(Args)]
struct Export {
    #[command(flatten)]
    config: Config,
    /// Only this enclosure
    #[arg(long, value_name = "ID")]
    enclosure: Option<String>,
    /// Only this probe
    #[arg(long, value_name = "NAME")]
    probe: Option<String>,
    /// From this date or time of the site on, such as 2026-03-01 or "2026-03-01 08:00"
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Up to this time, or to the end of this date
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// How closely readings are told. Minutes are kept for five weeks, hours for five years; a day is one of the
    /// site's calendar
    #[arg(long, value_enum, default_value_t = Closeness::Hour)]
    resolution: Closeness,
    /// What is told
    #[arg(long, value_enum, default_value_t = What::Readings)]
    what: What,
    /// How it is written
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// Where to; standard output unless given
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Instead: copy the whole journal to this new file, also while the daemon runs, and look whether the copy is sound
    #[arg(long, value_name = "OUT", conflicts_with_all = ["enclosure", "probe", "from", "to", "output"])]
    backup: Option<PathBuf>,
}

impl ValueEnum for What {
    fn value_variants<'a>() -> &'a [What] {
        &[What::Readings, What::Switches, What::Alarms, What::Acts, What::Remarks, What::Gaps]
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        let found = What::ALL.iter().find(|(what, ..)| what == self);
        found.map(|(_, word, tells)| PossibleValue::new(*word).help(*tells))
    }
}

/// How closely readings are told.
#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Closeness {
    Minute,
    Hour,
    Day,
}

/// How it is written.
#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Format {
    /// A header, then a line for each row (RFC 4180)
    Csv,
    /// A JSON object for each row, one a line
    Jsonl,
    /// Apache Parquet, for tables too large for the others
    Parquet,
}

/// Runs the command.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    match arguments.work {
        Some(Work::Import(import)) => import::run(import),
        None => told(export(&arguments.export)),
    }
}

/// Where the journal of `settings` lies; errors are sentences.
pub(super) fn journal_of(settings: &Settings) -> Result<PathBuf, String> {
    let directory = state_directory(&settings.site)
        .ok_or_else(|| "no place for the state: set state_directory in [site], or HOME".to_owned())?;
    Ok(directory.join(crate::journal::FILE))
}

/// The journal of `settings`, opened for reading; errors are sentences.
pub(super) fn reader_of(settings: &Settings) -> Result<Reader, String> {
    Reader::open(&journal_of(settings)?).map_err(|unreadable| unreadable.to_string())
}

/// Why nothing was told.
enum Ended {
    /// It has been said, with this exit code.
    Said(ExitCode),
    /// A sentence.
    Why(String),
    /// Nobody reads on, or it cannot be written.
    Output(io::Error),
}

impl From<String> for Ended {
    fn from(why: String) -> Ended {
        Ended::Why(why)
    }
}

impl From<Failure> for Ended {
    fn from(failure: Failure) -> Ended {
        match failure {
            Failure::Journal(unreadable) => Ended::Why(unreadable.to_string()),
            Failure::Output(error) => Ended::Output(error),
        }
    }
}

impl From<Unreadable> for Ended {
    fn from(unreadable: Unreadable) -> Ended {
        Ended::Why(unreadable.to_string())
    }
}

fn told(ended: Result<(), Ended>) -> ExitCode {
    match ended {
        Ok(()) => ExitCode::SUCCESS,
        Err(Ended::Said(code)) => code,
        // A reader that has gone away is no error of ours.
        Err(Ended::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(Ended::Output(error)) => failed(&error),
        Err(Ended::Why(why)) => failed(&why),
    }
}

fn export(export: &Export) -> Result<(), Ended> {
    let settings = export.config.settings().map_err(Ended::Said)?;
    let reader = reader_of(&settings)?;
    if let Some(out) = &export.backup {
        let size = read::backup(&reader, out)?;
        eprintln!("{}: {:.1} MB, whole and sound", out.display(), size as f64 / 1e6);
        return Ok(());
    }
    let zone = settings.site.timezone;
    let time = |text: &Option<String>, edge| text.as_deref().map(|text| times::moment(text, zone, edge)).transpose();
    let from = time(&export.from, Edge::Begin)?.unwrap_or(Window::ALL.from);
    let until = time(&export.to, Edge::End)?.unwrap_or(Window::ALL.until);
    if from >= until {
        return Err(Ended::Why("--from must be before --to".to_owned()));
    }
    let whose = Whose { enclosure: export.enclosure.as_deref(), probe: export.probe.as_deref() };
    check_names(&reader, &settings, whose)?;
    let window = Window { from, until };
    let resolution = match export.resolution {
        Closeness::Minute => Resolution::Minute,
        Closeness::Hour => Resolution::Hour,
        Closeness::Day => Resolution::Day,
    };
    let mut sink = sink(export, zone)?;
    let asked = Asked { what: export.what, whose, window, resolution, zone };
    let rows = asked.tell(&reader, sink.as_mut())?;
    sink.end().map_err(Ended::Output)?;
    if rows == 0 {
        eprintln!("{}: nothing of that is kept", reader.path().display());
    }
    if export.what == What::Readings {
        tell_retention(&reader, window, resolution, zone)?;
    }
    Ok(())
}

/// Says from when on there are minutes, where earlier ones were asked for.
fn tell_retention(reader: &Reader, window: Window, resolution: Resolution, zone: chrono_tz::Tz) -> Result<(), Ended> {
    let KeptFrom { minutes, hours } = reader.kept_from()?;
    if resolution != Resolution::Minute || hours.is_none_or(|first| first >= window.until) {
        return Ok(());
    }
    let local = |at: DateTime<Utc>| at.with_timezone(&zone).format("%Y-%m-%d %H:%M").to_string();
    match (minutes, hours) {
        (Some(minutes), Some(hours)) if hours < minutes && window.from < minutes => {
            let (minutes, hours) = (local(minutes), local(hours));
            eprintln!("minutes are kept from {minutes} on; from {hours} on there are hours: --resolution hour");
        }
        (None, Some(hours)) => eprintln!("no minutes are kept; from {} on there are hours", local(hours)),
        _ => {}
    }
    Ok(())
}

/// Whether the enclosure and the probe are known, to the journal or to the configuration.
fn check_names(reader: &Reader, settings: &Settings, whose: Whose<'_>) -> Result<(), Ended> {
    let series = reader.series(Whose::default())?;
    let unknown = |kind: &str, name: &str, mut known: Vec<&str>| {
        known.sort_unstable();
        known.dedup();
        if known.contains(&name) {
            return Ok(());
        }
        let nearest = crate::config::nearest(name, known.iter().copied());
        let hint =
            nearest.map_or_else(|| format!("there are {}", known.join(", ")), |near| format!("did you mean {near:?}?"));
        Err(Ended::Why(format!("there is no {kind} {name:?}; {hint}")))
    };
    if let Some(name) = whose.enclosure {
        let kept = series.iter().map(|series| series.enclosure.as_str());
        let known = kept.chain(settings.enclosures.iter().map(|enclosure| enclosure.id.as_str()));
        unknown("enclosure", name, known.collect())?;
    }
    if let Some(name) = whose.probe {
        let is_asked = |enclosure: &str| whose.enclosure.is_none_or(|asked| asked == enclosure);
        let kept = series.iter().filter(|series| is_asked(&series.enclosure)).map(|series| series.probe.as_str());
        let wired = settings.enclosures.iter().filter(|enclosure| is_asked(&enclosure.id));
        let wired = wired.flat_map(|enclosure| enclosure.probes.iter().map(|probe| probe.name.as_str()));
        unknown("probe", name, kept.chain(wired).collect())?;
    }
    Ok(())
}

/// Where rows go.
fn sink(export: &Export, zone: chrono_tz::Tz) -> Result<Box<dyn Sink>, Ended> {
    let out: Box<dyn Write + Send> = match &export.output {
        Some(path) => Box::new(create(path)?),
        None if export.format == Format::Parquet && io::stdout().is_terminal() => {
            return Err(Ended::Why("Parquet is not for the eye: give it a file with --output".to_owned()));
        }
        None => Box::new(io::stdout()),
    };
    let out = BufWriter::with_capacity(BUFFER, out);
    let columns = export.what.columns();
    Ok(match export.format {
        Format::Csv => Box::new(spreadsheet::Spreadsheet::new(out, columns, zone).map_err(Ended::Output)?),
        Format::Jsonl => Box::new(lines::Lines::new(out, columns, zone)),
        Format::Parquet => Box::new(parquet::Parquet::new(out, columns).map_err(Ended::Output)?),
    })
}

fn create(path: &Path) -> Result<File, Ended> {
    File::create(path).map_err(|error| Ended::Why(format!("{}: {error}", path.display())))
}
