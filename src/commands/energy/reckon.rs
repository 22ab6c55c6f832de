//! What a lamp has drawn, from its switches and, where one measures it, its power probe.

use chrono::{DateTime, TimeDelta, Utc};

const HOUR: TimeDelta = TimeDelta::hours(1);

/// What a lamp has drawn over some time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Drawn {
    /// By its power probe, kWh.
    pub measured: f64,
    /// By its rated power, its level and the time it was on, where nothing measured it, kWh.
    pub reckoned: f64,
    /// How long it was on, h.
    pub hours: f64,
    /// How long it was on while neither a probe nor a rated power told what it draws, h.
    pub unknown_hours: f64,
}

impl Drawn {
    /// All of it that is known, kWh.
    pub fn total(&self) -> f64 {
        self.measured + self.reckoned
    }

    pub fn add(&mut self, other: &Drawn) {
        self.measured += other.measured;
        self.reckoned += other.reckoned;
        self.hours += other.hours;
        self.unknown_hours += other.unknown_hours;
    }
}

/// An hour of a power probe.
#[derive(Clone, Copy, Debug)]
pub(super) struct Measured {
    /// When it begins.
    pub at: DateTime<Utc>,
    /// Mean of its minutes, W.
    pub mean: f64,
    /// Minutes with a good reading.
    pub minutes: u64,
}

/// A stretch in which a lamp was on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lit {
    pub from: DateTime<Utc>,
    pub until: DateTime<Utc>,
    /// Its level, 0 to 1.
    pub level: f64,
}

/// When a lamp was on within `window`, and how bright. `switches`: times and levels in order, the first perhaps from before;
/// `starts`: when the daemon started, with every lamp off; while nobody watched nothing is known.
pub(super) fn lit(
    switches: &[(DateTime<Utc>, f64)],
    starts: &[DateTime<Utc>],
    window: (DateTime<Utc>, DateTime<Utc>),
    unwatched: &[(DateTime<Utc>, DateTime<Utc>)],
) -> Vec<Lit> {
    let mut changes: Vec<(DateTime<Utc>, u8, f64)> = switches.iter().map(|(at, level)| (*at, 1, *level)).collect();
    // A switch of the very moment of a start comes after it.
    changes.extend(starts.iter().map(|at| (*at, 0, 0.0)));
    changes.extend(unwatched.iter().map(|(from, _)| (*from, 2, 0.0)));
    changes.sort_by_key(|(at, nth, _)| (*at, *nth));
    let ends = changes.iter().skip(1).map(|(at, ..)| *at).chain([window.1]);
    let stretches = changes.iter().zip(ends).map(|((from, _, level), until)| Lit {
        from: (*from).max(window.0),
        until: until.min(window.1),
        level: *level,
    });
    stretches.filter(|lit| lit.level > 0.0 && lit.from < lit.until).collect()
}

/// What a lamp of this rated power drew, kWh, by the hours of its power probe as far as they go.
pub(super) fn drawn(lit: &[Lit], rated: Option<f64>, measured: &[Measured]) -> Drawn {
    let mut drawn = Drawn::default();
    let hours = |span: TimeDelta| span.num_milliseconds() as f64 / 3_600_000.0;
    for stretch in lit {
        let on = hours(stretch.until - stretch.from);
        drawn.hours += on;
        match rated {
            Some(watts) => drawn.reckoned += watts * stretch.level * on / 1000.0,
            None => drawn.unknown_hours += on,
        }
    }
    for hour in measured {
        let share = (hour.minutes as f64 / 60.0).min(1.0);
        drawn.measured += hour.mean * share / 1000.0;
        // What was measured is not reckoned as well: as much of the hour's time on as the probe has minutes of it.
        let next = lit.partition_point(|stretch| stretch.until <= hour.at);
        for stretch in lit[next..].iter().take_while(|stretch| stretch.from < hour.at + HOUR) {
            let on = hours(stretch.until.min(hour.at + HOUR) - stretch.from.max(hour.at)) * share;
            match rated {
                Some(watts) => drawn.reckoned -= watts * stretch.level * on / 1000.0,
                None => drawn.unknown_hours -= on,
            }
        }
    }
    // Rounding alone can take them below nothing.
    drawn.reckoned = drawn.reckoned.max(0.0);
    drawn.unknown_hours = drawn.unknown_hours.max(0.0);
    drawn
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_800_000_000 + 60 * minute, 0).expect("a moment")
    }

    const WINDOW: i64 = 600;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-9, "{a} and {b}");
    }

    #[test]
    fn a_lamp_of_a_hundred_watts_draws_a_tenth_of_a_kilowatt_hour_in_an_hour() {
        // The definition of the kilowatt-hour.
        let lit = lit(&[(at(-30), 1.0), (at(60), 0.5), (at(180), 0.0)], &[], (at(0), at(WINDOW)), &[]);
        let drawn = drawn(&lit, Some(100.0), &[]);
        close(drawn.reckoned, 0.1 + 0.1);
        close(drawn.hours, 3.0);
        assert_eq!((drawn.measured, drawn.unknown_hours), (0.0, 0.0));
    }

    #[test]
    fn while_nobody_watched_and_since_a_start_nothing_is_on() {
        let switches = [(at(0), 1.0), (at(300), 1.0), (at(360), 0.0)];
        // Watched until minute 60; started anew at 240, and the switch at 300 is the first since.
        let lit = lit(&switches, &[at(-10), at(240)], (at(0), at(WINDOW)), &[(at(60), at(240))]);
        close(drawn(&lit, Some(100.0), &[]).hours, 2.0);
        // A start without a gap long enough to be one.
        let lit = super::lit(&[(at(0), 1.0)], &[at(-5), at(60)], (at(0), at(WINDOW)), &[]);
        close(drawn(&lit, Some(100.0), &[]).hours, 1.0);
    }

    #[test]
    fn what_is_measured_is_not_reckoned() {
        let lit = lit(&[(at(0), 1.0), (at(120), 0.0)], &[], (at(0), at(WINDOW)), &[]);
        let hour = |minute, mean, minutes| Measured { at: at(minute), mean, minutes };
        // The first hour whole at 80 W, of the second a half at 90 W: the other half by the rated 100 W. Two watts of
        // stand-by in the third.
        let found = drawn(&lit, Some(100.0), &[hour(0, 80.0, 60), hour(60, 90.0, 30), hour(120, 2.0, 60)]);
        close(found.measured, 0.080 + 0.045 + 0.002);
        close(found.reckoned, 0.050);
        close(found.hours, 2.0);
        let found = drawn(&lit, None, &[hour(0, 80.0, 60)]);
        close(found.unknown_hours, 1.0);
        close(found.total(), 0.080);
    }
}
