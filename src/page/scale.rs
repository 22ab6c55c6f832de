//! The axis of values: round numbers about five steps apart.

/// Lines of a scale are so far apart that there are about five.
const STEPS: [f64; 18] =
    [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 1e4, 1e6];

/// Values from `low` to `high` with round numbers between.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    /// A scale that holds all `values`; none where there are none.
    pub fn of(values: impl Iterator<Item = f64>, at_least: f64) -> Option<Scale> {
        let (least, most) =
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), value| (l.min(value), m.max(value)));
        if !(least <= most) {
            return None;
        }
        let range = (most - least).max(at_least);
        let step = STEPS.into_iter().find(|step| range / step <= 5.0)?;
        let low = (least / step).floor() * step;
        let high = (most.max(low + range) / step).ceil() * step;
        Some(Scale { low, high, step })
    }

    /// From `low` to `high` with a line every `step`.
    pub fn fixed(low: f64, high: f64, step: f64) -> Scale {
        Scale { low, high, step }
    }

    /// How far below the top a value lies, from 0 to 1.
    pub fn share(&self, value: f64) -> f64 {
        (self.high - value) / (self.high - self.low)
    }

    /// Its lowest and its highest number.
    pub fn ends(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// Its round numbers.
    pub fn lines(&self) -> impl Iterator<Item = f64> {
        let (low, step) = (self.low, self.step);
        let count = ((self.high - self.low) / self.step).round() as usize;
        (0..=count).map(move |line| low + step * line as f64)
    }

    /// Decimals that tell its numbers apart.
    pub fn digits(&self) -> usize {
        if self.step < 0.1 { 2 } else { usize::from(self.step < 1.0) }
    }
}
