//! The lamps of a swarm of enclosures through the whole core: guard, alarms, UV, diagnosis and health together, fed with
//! events as a driver feeds them, for years each. What it tells is held against what is so.
//!
//! | file | what |
//! |---|---|
//! | `setup` | hardware and keeper of an enclosure, drawn from its seed |
//! | `plant` | lamps, animal, dust and probes |
//! | `course` | what befalls the enclosure, what its keeper does, and the drive of the core |
//! | `verdict` | whether an alarm has ground, and what a forecast was worth |
//! | `tally` | counts, their sum, the table |

#![allow(dead_code, reason = "the benchmark and the test use a part of it each")]

#[path = "../lamp_swarm/mod.rs"]
mod lamp_swarm;

mod course;
mod plant;
mod setup;
pub mod tally;
mod verdict;

use std::ops::Range;

use lamp_swarm::Curve;
use tally::Tally;

/// Kinds of ageing, for the table.
pub const AGEING: [&str; 5] = Curve::KINDS;

/// Runs the enclosures of these seeds for `years` each.
pub fn run(seeds: Range<u64>, years: f64) -> Tally {
    run_with(seeds, years, None)
}

/// The same of those that have so many lamps at their probe.
pub fn run_with(seeds: Range<u64>, years: f64, lamps: Option<usize>) -> Tally {
    let mut all = Tally::default();
    for seed in seeds.filter(|&seed| lamps.is_none_or(|lamps| setup::Setup::drawn(seed).lamps == lamps)) {
        all.merge(course::Course::new(seed, years).run());
    }
    all
}
