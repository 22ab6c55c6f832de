//! The least a simulation must do, as a measure that runs in the same minute on the same machine.

use std::hint::black_box;
use std::time::{Duration, Instant};

/// Steps of ten seconds in a year of 365 days.
pub const STEPS: u64 = 365 * 8640;
/// Where the thermostat switches, °C, and where it would raise an alarm.
const SET: f64 = 33.0;
const HALF: f64 = 0.5;
const LIMIT: f64 = 45.0;
/// Repetitions, of which the best counts.
pub const RUNS: usize = 3;

/// What a run did, so that no part of it can be left out.
#[derive(Clone, Copy, Debug, Default)]
pub struct Done {
    /// Times the lamp was switched.
    pub switched: u64,
    /// Readings over the limit.
    pub over: u64,
    /// Messages that came.
    pub messages: u64,
}

/// An on/off thermostat with a check against the limit.
#[derive(Default)]
pub struct Thermostat {
    on: bool,
    /// What it has seen and done.
    pub done: Done,
}

impl Thermostat {
    /// Takes a temperature; whether it switched.
    pub fn step(&mut self, temperature: f64) -> bool {
        let on = if self.on { temperature < SET + HALF } else { temperature < SET - HALF };
        self.done.over += u64::from(temperature > LIMIT);
        let switches = on != self.on;
        self.done.switched += u64::from(switches);
        self.on = on;
        switches
    }

    /// The command that follows.
    #[allow(dead_code, reason = "one bench of two sends it")]
    pub fn word(&self) -> &'static [u8] {
        if self.on { b"ON" } else { b"OFF" }
    }
}

/// The least a simulation must do: four nodes by Euler's rule. The numbers are those of the simulated enclosure.
pub fn bare() -> Done {
    let capacity = [1500.0, 2500.0, 8000.0, 9000.0];
    let (between, to_room) = ([1.4, 6.0, 4.0], [0.0, 1.5, 3.0, 3.5]);
    let rate = capacity.map(|c| 10.0 / c);
    let mut t = [20.0_f64; 4];
    let mut thermostat = Thermostat::default();
    for _ in 0..STEPS {
        thermostat.step(t[0]);
        let watts = if thermostat.on { 75.0 } else { 0.0 };
        let flow = [between[0] * (t[0] - t[1]), between[1] * (t[1] - t[2]), between[2] * (t[2] - t[3])];
        t[0] += rate[0] * (0.6 * watts - flow[0]);
        t[1] += rate[1] * (0.4 * watts + flow[0] - flow[1] - to_room[1] * (t[1] - 20.0));
        t[2] += rate[2] * (flow[1] - flow[2] - to_room[2] * (t[2] - 20.0));
        t[3] += rate[3] * (flow[2] - to_room[3] * (t[3] - 20.0));
    }
    thermostat.done
}

/// Time this thread has spent on a processor, where the kernel tells; what others take from it does not count.
fn spent(begin: Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = told.and_then(|told| told.split(' ').next()?.parse().ok());
    nanoseconds.map_or_else(|| begin.elapsed(), Duration::from_nanos)
}

/// The best of some runs in enclosure-years a second of this thread's own time, with what was done.
#[allow(dead_code, reason = "one bench of two lets its rows take turns instead")]
pub fn best(run: impl Fn() -> Done) -> (f64, Done) {
    let mut best = (0.0, Done::default());
    let begin = Instant::now();
    for _ in 0..RUNS {
        let before = spent(begin);
        let done = black_box(run());
        let rate = 1.0 / (spent(begin) - before).as_secs_f64();
        if rate > best.0 {
            best = (rate, done);
        }
    }
    best
}
