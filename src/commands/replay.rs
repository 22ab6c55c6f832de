//! `lampwarden replay`: what would this configuration have done with last month?

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Read as _, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;

use crate::journal::read::{self, Failure as Unread, Reader};
use crate::replay::{Finding, Happening, Replay, Summary, Survey};
use crate::settings::Settings;

use super::{Config, failed};

/// Findings shown one by one; the rest are counted. Our choice.
const FINDINGS_SHOWN: u64 = 20;
/// Bytes of a buffer, large enough that reading and writing cost little beside the replay. Our choice.
const BUFFER: usize = 256 * 1024;

/// What is replayed, and how it is told.
#[derive(Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    config: Config,
    /// Recorded messages as JSON Lines, such as `wiring --record` writes, or a journal, whose minutes are played; `-`
    /// reads standard input
    #[arg(value_name = "RECORDING")]
    recording: PathBuf,
    /// Print every change of a lamp and every alarm as JSON Lines
    #[arg(long)]
    json: bool,
}

/// Why a replay came to no end.
enum Failure {
    /// The recording cannot be read.
    Recording(io::Error),
    /// The journal cannot; a sentence.
    Journal(String),
    /// What happened cannot be written.
    Output(io::Error),
}

/// Runs the command; exit code 1 where a line was wrong.
pub(super) fn run(arguments: Arguments) -> ExitCode {
    let settings = match arguments.config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let name = shown(&arguments.recording);
    let mut out = BufWriter::with_capacity(BUFFER, io::stdout().lock());
    let done = Recording::open(&arguments.recording)
        .and_then(|recording| replay(settings, &recording, arguments.json, &mut out));
    match done {
        Ok(summary) => {
            tell(&summary, &name);
            if summary.has_findings() { ExitCode::from(1) } else { ExitCode::SUCCESS }
        }
        Err(Failure::Journal(why)) => failed(&why),
        Err(Failure::Recording(error)) => failed(&format!("{name}: this cannot be read: {error}")),
        // A reader that has gone away is no error of ours.
        Err(Failure::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(Failure::Output(error)) => failed(&error),
    }
}

/// What a person must know of how the recording was taken.
fn tell(summary: &Summary, name: &str) {
    if summary.findings > 0 {
        let lines = if summary.findings == 1 { "line is" } else { "lines are" };
        eprintln!("{name}: {} {lines} wrong", summary.findings);
    }
    for remark in summary.remarks() {
        eprintln!("{name}: {remark}");
    }
}

/// Plays a recording and writes what happens to `out`.
fn replay(settings: Settings, recording: &Recording, json: bool, out: &mut impl Write) -> Result<Summary, Failure> {
    let mut survey = Survey::new(&settings);
    // A journal holds no relay's word: its first line tells when it starts, and no other tells more.
    let tells_once = matches!(recording.source, Source::Journal(_));
    recording.each_line(&settings, |line| {
        survey.look(line);
        Ok(!survey.is_complete() && !tells_once)
    })?;
    let wired = settings.clone();
    let mut replay = Replay::new(settings, survey);
    let mut happenings = Vec::new();
    let mut shown = 0;
    recording.each_line(&wired, |line| {
        if let Err(finding) = replay.play(line, &mut happenings) {
            report(&finding, &recording.name, &mut shown);
        }
        write(out, &mut happenings, replay.settings(), json)?;
        Ok(true)
    })?;
    let summary = replay.end(&mut happenings);
    write(out, &mut happenings, replay.settings(), json)?;
    let text = if json { String::new() } else { summary.plain(replay.settings()) };
    out.write_all(text.as_bytes()).and_then(|()| out.flush()).map_err(Failure::Output)?;
    Ok(summary)
}

fn write(
    out: &mut impl Write,
    happenings: &mut Vec<Happening>,
    settings: &Settings,
    json: bool,
) -> Result<(), Failure> {
    for happening in happenings.drain(..) {
        let line = if json { happening.json(settings) } else { happening.plain(settings) };
        out.write_all(line.as_bytes()).map_err(Failure::Output)?;
    }
    Ok(())
}

/// Says what is wrong with a line, unless much has been said already.
fn report(finding: &Finding, name: &str, shown: &mut u64) {
    *shown += 1;
    let Finding { line, wrong, right, is_note } = finding;
    let severity = if *is_note { "note" } else { "error" };
    match (*shown).cmp(&(FINDINGS_SHOWN + 1)) {
        std::cmp::Ordering::Less => eprintln!("{name}:{line}: {severity}: {wrong}\n    {right}"),
        std::cmp::Ordering::Equal => eprintln!("{name}: there is more; the first {FINDINGS_SHOWN} are shown"),
        std::cmp::Ordering::Greater => {}
    }
}

/// A recording, which is read twice.
struct Recording {
    name: String,
    source: Source,
}

enum Source {
    /// It can be opened as often as one likes.
    File(PathBuf),
    /// It came through a pipe, and is held here.
    Held(Vec<u8>),
    /// It is a journal.
    Journal(Box<Reader>),
}

impl Recording {
    fn open(path: &Path) -> Result<Recording, Failure> {
        let mut held = Vec::new();
        let mut hold = |from: io::Result<Box<dyn io::Read>>| {
            from.and_then(|mut from| from.read_to_end(&mut held)).map_err(Failure::Recording)
        };
        let source = if path.as_os_str() == "-" {
            hold(Ok(Box::new(io::stdin().lock())))?;
            Source::Held(held)
        } else if !std::fs::metadata(path).map_err(Failure::Recording)?.is_file() {
            hold(File::open(path).map(|file| Box::new(file) as Box<dyn io::Read>))?;
            Source::Held(held)
        } else if read::is_journal(path) {
            let reader = Reader::open(path).map_err(|unreadable| Failure::Journal(unreadable.to_string()))?;
            Source::Journal(Box::new(reader))
        } else {
            Source::File(path.to_owned())
        };
        Ok(Recording { name: shown(path), source })
    }

    /// Hands over each line until `act` wants no more; of a journal what the probes of `settings` may have said.
    fn each_line(
        &self,
        settings: &Settings,
        mut act: impl FnMut(&[u8]) -> Result<bool, Failure>,
    ) -> Result<(), Failure> {
        match &self.source {
            Source::File(path) => {
                let file = File::open(path).map_err(Failure::Recording)?;
                lines(BufReader::with_capacity(BUFFER, file), act)
            }
            Source::Held(bytes) => lines(bytes.as_slice(), act),
            Source::Journal(reader) => {
                let mut failure = None;
                let told = reader.recording(settings, |line| {
                    act(line).or_else(|why| {
                        failure = Some(why);
                        Ok(false)
                    })
                });
                match (failure, told) {
                    (Some(failure), _) => Err(failure),
                    (None, Ok(_)) => Ok(()),
                    (None, Err(Unread::Journal(why))) => Err(Failure::Journal(why.to_string())),
                    (None, Err(Unread::Output(error))) => Err(Failure::Recording(error)),
                }
            }
        }
    }
}

fn lines(mut from: impl BufRead, mut act: impl FnMut(&[u8]) -> Result<bool, Failure>) -> Result<(), Failure> {
    let mut line = Vec::new();
    while from.read_until(b'\n', &mut line).map_err(Failure::Recording)? > 0 {
        if !act(&line)? {
            break;
        }
        line.clear();
    }
    Ok(())
}

fn shown(path: &Path) -> String {
    if path.as_os_str() == "-" { "standard input".to_owned() } else { path.display().to_string() }
}
