//! What a probe senses from beat to beat while nothing happens: a line and exponentials that only need multiplying.

use crate::science::thermal::{COURSE, Course};

use super::random::BEATS;

/// The course of what a well-seated probe senses, followed from one of its moments to the next. Since its beats are few
/// what each leaves of its exponentials is stored, and a reading costs one product for each.
#[derive(Clone, Debug)]
pub(super) struct Track {
    /// Where it has been followed to; none: nobody follows it.
    run: Option<Run>,
    /// What a beat leaves of each exponential.
    decays: Box<[[f64; COURSE]; BEATS]>,
}

/// A course that is being followed. A copy is worked on while many readings follow each other.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    /// The moment up to which it has been followed, ms.
    at: u64,
    /// The moment of the line, ms.
    from: u64,
    /// The line there, and how it changes a millisecond.
    line: (f64, f64),
    /// What each exponential adds at `at`.
    parts: [f64; COURSE],
}

impl Run {
    /// Goes on to `now`, by when `decays` are left of its parts. Returns what is sensed.
    #[inline]
    pub fn go_on(&mut self, now: u64, decays: &[f64; COURSE]) -> f64 {
        self.at = now;
        (0..COURSE).for_each(|k| self.parts[k] *= decays[k]);
        let (line, slope) = self.line;
        Course::sum(line + slope * (now - self.from) as i64 as f64, &self.parts)
    }
}

impl Track {
    /// One that nobody follows.
    pub fn new() -> Track {
        Track { run: None, decays: Box::new([[0.0; COURSE]; BEATS]) }
    }

    /// Nobody follows it any more.
    pub fn leave(&mut self) {
        self.run = None;
    }

    /// Each of the beats leaves this of each exponential.
    pub fn keep_time(&mut self, decays: [[f64; COURSE]; BEATS]) {
        self.run = None;
        *self.decays = decays;
    }

    /// Follows `course` from its moment `from` to `now`, by when `decays` are left of its parts. Returns what is sensed.
    pub fn enter(&mut self, now: u64, from: u64, course: &Course, decays: &[f64; COURSE]) -> f64 {
        let line = (course.line, course.slope / 1000.0);
        self.run.insert(Run { at: from, from, line, parts: course.parts }).go_on(now, decays)
    }

    /// The run from which `now` is one beat of `length` ms ahead, with what beats leave of it; none where it is not
    /// being followed, or `now` is another moment.
    #[inline]
    pub fn follow(&mut self, now: u64, length: u64) -> Option<(&mut Run, &[[f64; COURSE]; BEATS])> {
        let run = self.run.as_mut().filter(|run| now.wrapping_sub(run.at) == length)?;
        Some((run, &self.decays))
    }
}
