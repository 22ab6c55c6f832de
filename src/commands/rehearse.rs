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
use crate::rehearsal::{self, Coverage, Options, Outcome, Shrunk, Violation};

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
    /// Print which faults, guard states and alarms were reached, and how often
    #[arg(long)]
    coverage: bool,
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
    /// Of a swarm's failure, what it comes down to.
    shrunk: Option<Shrunk>,
    took: Duration,
}

/// A sampled seed is rehearsed twice: one of this many.
const SAMPLED: u64 = 8;

/// Rehearses one scenario with one seed.
fn rehearse_one(scenario: &Scenario, seed: u64, trace: bool) -> Result<Done, String> {
    let begun = Instant::now();
    let drawn = rehearsal::draw(scenario, seed)?;
    let mut outcome = rehearsal::rehearse(&drawn, &Options { trace, ..Options::default() });
    if seed.is_multiple_of(SAMPLED) && rehearsal::rehearse(&drawn, &Options::default()).hash != outcome.hash {
        outcome.violations.push(Violation {
            rule: "not-deterministic".to_owned(),
            at: 0,
            text: "two rehearsals of one seed went differently".to_owned(),
            context: Vec::new(),
        });
    }
    let shrunk = match outcome.violations.first() {
        Some(first) if scenario.swarm.is_some() => rehearsal::shrink(&drawn, &first.rule),
        _ => None,
    };
    Ok(Done { scenario: drawn, outcome, shrunk, took: begun.elapsed() })
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
        let seeds = arguments.seeds.clone().unwrap_or(scenario.seed..scenario.seed + 1);
        jobs.extend(seeds.map(|seed| (scenario.clone(), seed)));
    }
    let started = Instant::now();
    let outcome = rehearse_all(&jobs, arguments);
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
fn rehearse_all(jobs: &[(Scenario, u64)], arguments: &Arguments) -> io::Result<Vec<Done>> {
    let count = jobs.len();
    let results: Vec<Mutex<Option<Result<Done, String>>>> = jobs.iter().map(|_| Mutex::new(None)).collect();
    let (next, finished) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let workers = thread::available_parallelism().map_or(1, usize::from).min(count.max(1));
    let shown = io::stderr().is_terminal() && !arguments.json;
    thread::scope(|scope| {
        let work = || {
            loop {
                let ix = next.fetch_add(1, Ordering::Relaxed);
                let (Some((scenario, seed)), Some(result)) = (jobs.get(ix), results.get(ix)) else { return };
                let done = rehearse_one(scenario, *seed, arguments.report.is_some());
                if let Ok(mut result) = result.lock() {
                    *result = Some(done);
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
    let ended = |result: Mutex<Option<Result<Done, String>>>| match result.into_inner().ok().flatten() {
        Some(done) => done.map_err(io::Error::other),
        None => Err(io::Error::other("a rehearsal ended in a panic; see above")),
    };
    results.into_iter().map(ended).collect()
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
    if let Some(folder) = &arguments.report {
        std::fs::create_dir_all(folder)?;
        for done in done {
            report(folder, done)?;
        }
    }
    let mut out = io::stdout().lock();
    if arguments.json {
        let all: Vec<_> = done.iter().map(as_json).collect();
        serde_json::to_writer_pretty(&mut out, &Value::Array(all))?;
        writeln!(out)?;
    } else {
        for done in done {
            write!(out, "{}", in_words(done))?;
        }
        if arguments.coverage {
            let mut coverage = Coverage::default();
            done.iter().for_each(|done| coverage.add(&done.outcome.coverage));
            write!(out, "{}", coverage.table())?;
        }
        let years = done.iter().map(enclosure_years).sum::<f64>();
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

/// Writes the page of a rehearsal, and beside it what a swarm's failure comes down to.
fn report(folder: &Path, done: &Done) -> io::Result<()> {
    let stem = Path::new(&done.scenario.name).file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let name = format!("{stem}-{}", done.scenario.seed);
    if let Some(trace) = &done.outcome.trace {
        std::fs::write(folder.join(format!("{name}.html")), rehearsal::page(&done.scenario, &done.outcome, trace))?;
    }
    match &done.shrunk {
        Some(shrunk) => std::fs::write(folder.join(format!("{name}.toml")), shrunk.scenario.to_toml()),
        None => Ok(()),
    }
}

fn enclosure_years(done: &Done) -> f64 {
    let years = done.outcome.span as f64 / 1000.0 / 86_400.0 / 365.25;
    years * done.scenario.site.settings.enclosures.len() as f64
}

/// One line where all held; enough to act on where not.
fn in_words(done: &Done) -> String {
    let Done { scenario, outcome, shrunk, took } = done;
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
    if let Some(shrunk) = shrunk {
        let Shrunk { scenario: small, violation, runs } = shrunk;
        let faults = (scenario.mishaps.len(), small.mishaps.len());
        text.push_str(&format!("      shrunk {} faults to {} in {runs} rehearsals\n", faults.0, faults.1));
        let at = small.spoken(violation.at);
        text.push_str(&format!("      it comes down to this, and {at} {}: {}\n", violation.rule, violation.text));
        violation.context.iter().for_each(|line| text.push_str(&format!("        {line}\n")));
        text.push_str("      save what follows as a file and rehearse it:\n\n");
        text.push_str(&small.to_toml());
        text.push('\n');
    }
    text
}

/// The argument that repeats a seed.
fn with_seed(scenario: &Scenario) -> String {
    format!(" --seeds {}..{}", scenario.seed, scenario.seed + 1)
}

fn as_json(done: &Done) -> Value {
    let Done { scenario, outcome, shrunk, took } = done;
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
        "shrunk": shrunk.as_ref().map(|shrunk| shrunk.scenario.to_toml()),
        "took_s": took.as_secs_f64(),
    })
}
