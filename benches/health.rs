//! What lamp health makes of thousands of lamps that age, and what the end of a day costs.
//!
//! `cargo bench --bench health [-- LAMPS]` prints a table: errors of the forecast a month ahead, coverage of its interval,
//! departures unannounced, false alarms, delays of true steps; then microseconds for each day of a lamp.

#![allow(clippy::disallowed_methods, reason = "a benchmark reads clocks and its arguments")]

#[path = "../tests/lamp_swarm/mod.rs"]
mod lamp_swarm;

use std::hint::black_box;
use std::time::Instant;

use lamp_swarm::{Curve, swarm};

fn main() {
    let lamps = std::env::args().skip(1).find_map(|arg| arg.parse().ok()).unwrap_or(5000);
    for (kind, name) in Curve::KINDS.iter().enumerate() {
        println!("{name}: {}", swarm(0..lamps, Some(kind)).line());
    }
    let started = Instant::now();
    let all = black_box(swarm(0..lamps, None));
    let took = started.elapsed();
    println!("all: {}", all.line());
    println!("{:.1} µs a lamp and day, the lamp's own ageing with it", took.as_secs_f64() * 1e6 / (all.years * 365.25));
}
