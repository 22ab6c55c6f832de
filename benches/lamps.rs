//! What the whole core makes of lamps over thousands of enclosure-years, as a table.
//!
//! ```sh
//! cargo bench --bench lamps --no-default-features -- --enclosures 0..5000 --years 2 --out target/lamps.jsonl
//! ```
//!
//! Each piece of 50 enclosures is a line of `--out`; pieces that stand there already are not run again, so that a run can be
//! broken off, and files of other ranges of seeds can be added to it with `cat`. The table is of everything in the file.
//! `--years` must be that of the pieces in it. `--threads N` runs so many pieces at once, `--false` shows false alarms and dark
//! lamps in words, `--lamps N` leaves out enclosures with more or fewer lamps at their probe. One seed gives one course,
//! whatever runs beside it.

#![allow(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a benchmark reads clocks, files and its arguments"
)]

#[path = "../tests/trial/mod.rs"]
mod trial;

use std::collections::BTreeMap;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use serde::{Deserialize, Serialize};
use trial::tally::Tally;

/// Enclosures of one piece.
const PIECE: u64 = 50;

/// A line of the file.
#[derive(Serialize, Deserialize)]
struct Piece {
    first: u64,
    years: f64,
    tally: Tally,
}

struct Asked {
    seeds: Range<u64>,
    years: f64,
    threads: usize,
    out: Option<PathBuf>,
    in_words: bool,
    lamps: Option<usize>,
}

fn asked() -> Option<Asked> {
    let mut asked = Asked { seeds: 0..100, years: 2.0, threads: 1, out: None, in_words: false, lamps: None };
    let mut arguments = std::env::args().skip(1).filter(|argument| argument != "--bench");
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--enclosures" => {
                let value = arguments.next()?;
                let (from, to) = value.split_once("..")?;
                asked.seeds = from.parse().ok()?..to.parse().ok()?;
            }
            "--years" => asked.years = arguments.next()?.parse().ok()?,
            "--threads" => asked.threads = arguments.next()?.parse().ok()?,
            "--out" => asked.out = Some(arguments.next()?.into()),
            "--lamps" => asked.lamps = Some(arguments.next()?.parse().ok()?),
            "--false" => asked.in_words = true,
            _ => return None,
        }
    }
    Some(asked)
}

/// Pieces that stand in the file already, by their first seed.
fn known(asked: &Asked) -> BTreeMap<u64, Piece> {
    let text = asked.out.as_ref().and_then(|path| std::fs::read_to_string(path).ok()).unwrap_or_default();
    let pieces = text.lines().filter_map(|line| serde_json::from_str::<Piece>(line).ok());
    pieces.filter(|piece| piece.years == asked.years).map(|piece| (piece.first, piece)).collect()
}

fn main() {
    let Some(asked) = asked() else {
        eprintln!("lamps [--enclosures FROM..TO] [--years N] [--threads N] [--out FILE] [--false] [--lamps N]");
        std::process::exit(2);
    };
    let pieces = Mutex::new(known(&asked));
    let next = AtomicU64::new(asked.seeds.start);
    let started = Instant::now();
    let run = || {
        loop {
            let first = next.fetch_add(PIECE, Ordering::Relaxed);
            if first >= asked.seeds.end {
                break;
            }
            if pieces.lock().is_ok_and(|pieces| pieces.contains_key(&first)) {
                continue;
            }
            let tally = trial::run_with(first..(first + PIECE).min(asked.seeds.end), asked.years, asked.lamps);
            if asked.in_words {
                tally.examples.iter().chain(&tally.delays).for_each(|example| eprintln!("{example}"));
            }
            let piece = Piece { first, years: asked.years, tally };
            let Ok(mut pieces) = pieces.lock() else { break };
            if let Some(path) = &asked.out
                && let Ok(line) = serde_json::to_string(&piece)
                && let Ok(mut file) = OpenOptions::new().create(true).append(true).open(path)
                && let Err(error) = writeln!(file, "{line}")
            {
                eprintln!("{}: {error}", path.display());
            }
            pieces.insert(first, piece);
        }
    };
    std::thread::scope(|scope| (0..asked.threads).for_each(|_| _ = scope.spawn(run)));
    let mut all = Tally::default();
    for (_, piece) in pieces.into_inner().unwrap_or_default() {
        all.merge(piece.tally);
    }
    println!("{}", all.table(&trial::AGEING));
    eprintln!("{:.0} s", started.elapsed().as_secs_f64());
}
