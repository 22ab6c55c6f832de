//! `lampwarden rehearse`: runs scenarios on all cores, and tells what did not hold.

use std::io::{self, IsTerminal as _, Write as _};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use clap::Args;
use serde_json::{Value, json};

use super::check::{self, UNUSABLE};
use crate::config::{self, Source};
use crate::rehearsal::scenario::{self, Scenario};
use crate::rehearsal::{self, Options, Outcome};

/// How often the progress line is drawn at most.
const PROGRESS_EVERY: Duration = Duration::from_millis(100);

/// Arguments of `rehearse`.
#[derive(Args)]
pub(super) struct Arguments {
    /// Scenarios: files, or folders of *.toml files
    #[arg(value_name = "PATH", required = true)]
    paths: Vec<PathBuf>,
    /// Rehearse each with these seeds instead of its own; the last is not included
    #[arg(long, value_name = "A..B", value_parser = seeds)]
    seeds: Option<Range<u64>>,
    /// Print the outcomes as a JSON array
    #[arg(long)]
    json: bool,
    /// Write a page with plots for each rehearsal here
    #[arg(long, value_name = "DIR")]
    report: Option<PathBuf>,
    /// Leave out scenarios marked as slow
    #[arg(long)]
    quick: bool,
}

fn seeds(text: &str) -> Result<Range<u64>, String> {
    let number = |part: &str| match part.strip_prefix("0x") {
        Some(hex) => u64::from_str_radix(hex, 16).ok(),
        None => part.parse().ok(),
    };
    let range = text.split_once("..").and_then(|(from, to)| Some(number(from)?..number(to)?));
    range.filter(|range| range.start < range.end).ok_or_else(|| "a range of seeds as 0..100".to_owned())
}

/// One rehearsal that was run.
struct Done {
    scenario: Scenario,
    outcome: Outcome,
    took: Duration,
}

/// Runs the command: 0 all held, 1 something did not, 2 a scenario cannot be used.
pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let scenarios = match load(&arguments.paths) {
        Ok(scenarios) => scenarios,
        Err(report) => {
            eprint!("{report}");
            return ExitCode::from(UNUSABLE);
        }
    };
    let mut jobs = Vec::new();
    for scenario in scenarios.into_iter().filter(|scenario| !(arguments.quick && scenario.slow)) {
        match &arguments.seeds {
            Some(seeds) => jobs.extend(seeds.clone().map(|seed| Scenario { seed, ..scenario.clone() })),
            None => jobs.push(scenario),
        }
    }
    let started = Instant::now();
    let outcome = rehearse_all(jobs, arguments);
    super::told(outcome.and_then(|done| finish(&done, arguments, started.elapsed())))
}

/// Reads every scenario, or gives the report of why not.
fn load(paths: &[PathBuf]) -> Result<Vec<Scenario>, String> {
    let colour = io::stderr().is_terminal();
    let mut scenarios = Vec::new();
    let mut reports = String::new();
    for path in paths {
        let files = match check::files(path) {
            Ok(files) => files,
            Err(finding) => {
                reports.push_str(&config::render(&[*finding], &[], colour));
                continue;
            }
        };
        for file in files {
            let source = match check::read(&file) {
                Ok(source) => source,
                Err(finding) => {
                    reports.push_str(&config::render(&[*finding], &[], colour));
                    continue;
                }
            };
            let checked = scenario::read(&source, &mut |named| configuration(&file, named));
            match checked.scenario {
                Some(scenario) => scenarios.push(scenario),
                None => reports.push_str(&config::render(&checked.findings, &checked.sources, colour)),
            }
        }
    }
    if reports.is_empty() { Ok(scenarios) } else { Err(reports) }
}

/// The files of a configuration that the scenario in `file` names.
fn configuration(file: &Path, named: &str) -> Result<Vec<Source>, String> {
    let path = file.parent().unwrap_or(Path::new("")).join(named);
    let files = check::files(&path).map_err(|finding| finding.wrong.clone())?;
    files.iter().map(|file| check::read(file).map_err(|finding| finding.wrong.clone())).collect()
}

/// Runs `jobs` on all cores; outcomes in their order.
fn rehearse_all(jobs: Vec<Scenario>, arguments: &Arguments) -> io::Result<Vec<Done>> {
    let count = jobs.len();
    let jobs: Vec<_> = jobs.into_iter().map(|job| Mutex::new(Some(job))).collect();
    let results: Vec<Mutex<Option<Done>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
    let (next, finished) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let workers = thread::available_parallelism().map_or(1, usize::from).min(count.max(1));
    let shown = io::stderr().is_terminal() && !arguments.json;
    thread::scope(|scope| {
        let work = || {
            loop {
                let ix = next.fetch_add(1, Ordering::Relaxed);
                let (Some(job), Some(result)) = (jobs.get(ix), results.get(ix)) else { return };
                // A worker that panicked has poisoned no job but its own.
                let Some(scenario) = job.lock().ok().and_then(|mut job| job.take()) else { continue };
                let begun = Instant::now();
                let outcome = rehearsal::rehearse(&scenario, Options::default());
                if let Ok(mut result) = result.lock() {
                    *result = Some(Done { scenario, outcome, took: begun.elapsed() });
                }
                finished.fetch_add(1, Ordering::Relaxed);
            }
        };
        let workers: Vec<_> = (0..workers).map(|_| scope.spawn(work)).collect();
        while shown && workers.iter().any(|worker| !worker.is_finished()) {
            progress(finished.load(Ordering::Relaxed), count);
            thread::sleep(PROGRESS_EVERY);
        }
        if shown {
            eprint!("\r\x1b[K");
        }
    });
    let done = results.into_iter().map(|result| result.into_inner().ok().flatten());
    done.collect::<Option<Vec<_>>>().ok_or_else(|| io::Error::other("a rehearsal ended in a panic; see above"))
}

fn progress(finished: usize, count: usize) {
    const WIDTH: usize = 40;
    let filled = WIDTH * finished / count.max(1);
    let mut err = io::stderr().lock();
    let _ = write!(err, "\r[{}{}] {finished}/{count}", "#".repeat(filled), " ".repeat(WIDTH - filled));
    let _ = err.flush();
}

/// Tells what came of it.
fn finish(done: &[Done], arguments: &Arguments, took: Duration) -> io::Result<ExitCode> {
    let mut out = io::stdout().lock();
    if arguments.json {
        let all: Vec<_> = done.iter().map(|done| as_json(done)).collect();
        serde_json::to_writer_pretty(&mut out, &Value::Array(all))?;
        writeln!(out)?;
    } else {
        for done in done {
            write!(out, "{}", in_words(done))?;
        }
        let years = done.iter().map(|done| enclosure_years(done)).sum::<f64>();
        let good = done.iter().filter(|done| done.outcome.is_good()).count();
        writeln!(
            out,
            "{good} held, {} did not; {years:.2} enclosure-years in {:.1} s",
            done.len() - good,
            took.as_secs_f64()
        )?;
    }
    out.flush()?;
    let good = done.iter().all(|done| done.outcome.is_good());
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn enclosure_years(done: &Done) -> f64 {
    let years = done.outcome.span as f64 / 1000.0 / 86_400.0 / 365.25;
    years * done.scenario.site.settings.enclosures.len() as f64
}

/// One line where all held; enough to act on where not.
fn in_words(done: &Done) -> String {
    let Done { scenario, outcome, took } = done;
    let head = format!("{} ({}, seed {})", scenario.title, scenario.name, scenario.seed);
    if outcome.is_good() {
        return format!("ok    {head} {:.2} s\n", took.as_secs_f64());
    }
    let mut text = format!("FAIL  {head}\n");
    for violation in outcome.violations.iter().take(5) {
        let at = scenario.spoken(violation.at);
        text.push_str(&format!("      {at} {}: {}\n", violation.rule, violation.text));
    }
    if let Some(first) = outcome.violations.first() {
        text.push_str("      what led to the first:\n");
        first.context.iter().for_each(|line| text.push_str(&format!("        {line}\n")));
    }
    text.push_str(&format!("      again: lampwarden rehearse {}{}\n", scenario.name, with_seed(scenario)));
    text
}

/// The argument that repeats a seed.
fn with_seed(scenario: &Scenario) -> String {
    format!(" --seeds {}..{}", scenario.seed, scenario.seed + 1)
}

fn as_json(done: &Done) -> Value {
    let Done { scenario, outcome, took } = done;
    let violations = outcome.violations.iter().map(|violation| {
        json!({
            "rule": violation.rule,
            "at": scenario.spoken(violation.at),
            "at_s": violation.at as f64 / 1000.0,
            "text": violation.text,
            "context": violation.context,
        })
    });
    json!({
        "file": scenario.name,
        "title": scenario.title,
        "seed": scenario.seed,
        "held": outcome.is_good(),
        "violations": violations.collect::<Vec<_>>(),
        "hash": format!("{:016x}", outcome.hash),
        "messages": outcome.messages,
        "took_s": took.as_secs_f64(),
    })
}
