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
    println!("{:.1} µs a lamp and day of the swarm", took.as_secs_f64() * 1e6 / (all.years * 365.25));
    println!("{:.1} µs for the end of a day of one lamp: 144 slots, a fit over a full window, a forecast", day_end());
}

/// Microseconds for the end of a day of one lamp with a full window: its fit, and its forecast as dates.
fn day_end() -> f64 {
    use chrono::{Days, NaiveDate};
    use lampwarden::control::health::decline::{Day, Decline, Prior};
    use lampwarden::science::decay::{BURN_IN, BurnHours, PUBLISHED};
    use lampwarden::science::robust::unshaded;
    use lampwarden::simulator::Pcg32;

    let mut generator = Pcg32::new(1, 2);
    let mut decline = Decline::new(BURN_IN, Prior::PUBLISHED);
    let mut took = 0.0;
    for day in 0..1200_u64 {
        let hours = 200.0 + 12.0 * (day % 300) as f64;
        if day % 300 == 0 {
            decline = Decline::new(BURN_IN, Prior::PUBLISHED);
        }
        let level = 4.0 * libm::exp(-PUBLISHED.0 * hours);
        let slots: Vec<f64> = (0..144).map(|_| level * (1.0 + 0.01 * generator.normal())).collect();
        let started = Instant::now();
        let seen = unshaded(black_box(&slots)).expect("slots");
        let date = NaiveDate::default() + Days::new(day);
        let told = Day::new(date, BurnHours(hours), seen).and_then(|day| decline.day(day));
        black_box((told, decline.forecast(2.0)));
        if day % 300 > 100 {
            took += started.elapsed().as_secs_f64();
        }
    }
    1e6 * took / 796.0
}
