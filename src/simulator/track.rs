//! What a probe senses from beat to beat while nothing happens: a line and exponentials that only need multiplying.

use crate::science::thermal::{COURSE, Course};

use super::random::BEATS;

/// The course of what a well-seated probe senses, followed from one of its moments to the next. Since its beats are few
/// its exponentials are stored, and a reading costs one product for each.
#[derive(Clone, Debug)]
pub(super) struct Track {
    /// Whether it is being followed.
    on: bool,
    /// The moment up to which it has been, ms.
    at: u64,
    /// The moment of the line, ms.
    from: u64,
    /// The line there, and how it changes a millisecond.
    line: (f64, f64),
    /// What each exponential adds at `at`.
    parts: [f64; COURSE],
    /// What a beat leaves of each.
    decays: Box<[[f64; COURSE]; BEATS]>,
}

impl Track {
    /// One that nobody follows.
    pub fn new() -> Track {
        Track {
            on: false,
            at: 0,
            from: 0,
            line: (0.0, 0.0),
            parts: [0.0; COURSE],
            decays: Box::new([[0.0; COURSE]; BEATS]),
        }
    }

    /// Nobody follows it any more.
    pub fn leave(&mut self) {
        self.on = false;
    }

    /// Each of the beats leaves this of each exponential.
    pub fn keep_time(&mut self, decays: impl Fn(usize) -> [f64; COURSE]) {
        self.on = false;
        *self.decays = std::array::from_fn(decays);
    }

    /// Follows `course` from its moment `from` to `now`, by when `decays` are left of its parts. Returns what is sensed.
    pub fn enter(&mut self, now: u64, from: u64, course: &Course, decays: &[f64; COURSE]) -> f64 {
        (self.on, self.from, self.line, self.parts) = (true, from, (course.line, course.slope / 1000.0), course.parts);
        self.move_on(now, decays)
    }

    /// Follows on to `now`, which is beat number `beat` of `length` ms after the last moment. Returns what is sensed;
    /// none where it is not being followed, or `now` is another moment.
    #[inline]
    pub fn follow(&mut self, now: u64, beat: usize, length: u64) -> Option<f64> {
        let follows = self.on && now.wrapping_sub(self.at) == length;
        follows.then(|| {
            let (line, slope) = self.line;
            let line = line + slope * (now - self.from) as i64 as f64;
            self.at = now;
            self.parts.iter_mut().zip(&self.decays[beat]).for_each(|(part, decay)| *part *= decay);
            Course::sum(line, &self.parts)
        })
    }

    /// The same for any moment.
    fn move_on(&mut self, now: u64, decays: &[f64; COURSE]) -> f64 {
        let (line, slope) = self.line;
        let line = line + slope * (now - self.from) as i64 as f64;
        self.at = now;
        self.parts.iter_mut().zip(decays).for_each(|(part, decay)| *part *= decay);
        Course::sum(line, &self.parts)
    }
}
