//! What a page plots: true and read values, levels, faults and alarms over the time of a story.

use crate::control::{AlarmKind, Priority};
use crate::settings::{EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::simulator::{Switch, World};

use super::sight::Sight;

/// A curve is kept in so many pieces of time, each with at most four points: about as many as a page is wide.
const PIECES: u64 = 720;
/// The same where a page holds more enclosures than [`MANY`], so that it stays small enough to be sent about.
const PIECES_OF_MANY: u64 = 240;
const MANY: usize = 4;
/// The plant is asked so many times in each piece, but not more often than every second and not less often than every
/// half minute, ms: guesses, far below what any place in an enclosure takes to change.
const LOOKS_PER_PIECE: u64 = 8;
const LOOKS_APART: (u64, u64) = (1_000, 30_000);

/// In a story longer than this a lamp is shown by the share of each day that it burns: single switchings would be a
/// smear. ms; a guess at what a page can show.
const LONG: u64 = 60 * DAY;
const DAY: u64 = 86_400_000;

/// Curves and spans of one rehearsal.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// Each enclosure's curves.
    pub enclosures: Vec<Curves>,
    /// Faults, in order of time.
    pub faults: Vec<Span>,
    /// Alarms, in order of time.
    pub alarms: Vec<Span>,
    /// Whether the levels of lamps are means over each day.
    pub is_long: bool,
}

/// Something that was so for a while.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// Whose; none: the whole site's.
    pub enclosure: Option<EnclosureIx>,
    /// What, in a word or two.
    pub name: String,
    /// How much an alarm mattered.
    pub priority: Option<Priority>,
    /// More about it; may be empty.
    pub text: String,
    /// From when, ms.
    pub from: u64,
    /// Until when, ms; none: it was still so at the end.
    pub until: Option<u64>,
}

/// Curves of one enclosure, in the order of its settings.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curves {
    /// Temperatures, °C, by probe.
    pub temperatures: Vec<Curve>,
    /// UVI, by probe.
    pub uvi: Vec<Curve>,
    /// Levels, 0..=1, by lamp.
    pub lamps: Vec<Curve>,
}

/// Moments in ms with values; none where there is no value from that moment on.
pub type Points = Vec<(u64, Option<f64>)>;

/// One curve, twice: as it is and as it is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    /// Its name.
    pub name: String,
    /// What is so: a true temperature or UVI; the level at which a lamp truly burns.
    pub truth: Points,
    /// What was read; for a lamp, what it was told.
    pub known: Points,
}

/// Draws a curve with few points: of each piece of time the first, least, greatest and last value, after Jugel, Jerzak,
/// Hackenbroich and Markl, "M4: A Visualization-Oriented Time Series Data Aggregation", Proc. VLDB Endowment 7(10), 2014.
#[derive(Clone, Debug, Default)]
struct Pen {
    /// First, least, greatest and last point of the piece under way.
    piece: Option<[(u64, f64); 4]>,
    piece_ends: u64,
    points: Points,
}

impl Pen {
    fn put(&mut self, now: u64, piece: u64, value: Option<f64>) {
        let Some(value) = value.filter(|value| value.is_finite()) else {
            self.lift();
            if self.points.last().is_some_and(|(_, last)| last.is_some()) {
                self.points.push((now, None));
            }
            return;
        };
        if now >= self.piece_ends {
            self.lift();
            self.piece_ends = (now / piece + 1) * piece;
        }
        let here = (now, value);
        let [_, least, greatest, last] = self.piece.get_or_insert([here; 4]);
        if value < least.1 {
            *least = here;
        }
        if value > greatest.1 {
            *greatest = here;
        }
        *last = here;
    }

    /// Ends a piece.
    fn lift(&mut self) {
        let Some(mut piece) = self.piece.take() else { return };
        piece.sort_by_key(|(at, _)| *at);
        for (at, value) in piece {
            // Of a value that stays only its beginning and its end are kept.
            match &mut self.points[..] {
                [.., (_, Some(a)), (last, Some(b))] if *a == value && *b == value => *last = at,
                [.., (last, Some(b))] if *last == at && *b == value => {}
                _ => self.points.push((at, Some(value))),
            }
        }
    }

    fn finish(mut self) -> Points {
        self.lift();
        self.points
    }
}

/// Draws a lamp's level: each change of it, or in a long story the mean over each day.
#[derive(Clone, Debug, Default)]
struct LampPen {
    pen: Pen,
    /// Level ever since, and level times ms since the day began.
    last: Option<(u64, f64)>,
    sum: f64,
}

impl LampPen {
    fn put(&mut self, now: u64, piece: u64, is_long: bool, level: Option<f64>) {
        if !is_long {
            self.pen.put(now, piece, level);
            return;
        }
        let (mut since, before) = self.last.unwrap_or((now, 0.0));
        while now / DAY > since / DAY {
            let day_ends = (since / DAY + 1) * DAY;
            self.sum += before * (day_ends - since) as f64;
            self.pen.points.push((day_ends - DAY, Some(self.sum / DAY as f64)));
            (self.sum, since) = (0.0, day_ends);
        }
        self.sum += before * (now - since) as f64;
        self.last = Some((now, level.unwrap_or(0.0)));
    }
}

/// Pens of one curve.
#[derive(Clone, Debug, Default)]
struct Pens {
    truth: Pen,
    known: Pen,
}

/// Pens of one lamp.
#[derive(Clone, Debug, Default)]
struct LampPens {
    truth: LampPen,
    known: LampPen,
}

/// An alarm that stands.
#[derive(Debug)]
struct Standing {
    whose: Option<EnclosureIx>,
    kind: AlarmKind,
    span: Span,
}

/// Collects a trace.
#[derive(Debug)]
pub(super) struct Recorder {
    /// Length of a piece, and how far apart the plant is asked, ms.
    piece: u64,
    apart: u64,
    due: u64,
    /// Of each enclosure those of its probes, then those of its lamps.
    pens: Vec<(Vec<Pens>, Vec<LampPens>)>,
    is_long: bool,
    faults: Vec<Span>,
    alarms: Vec<Span>,
    standing: Vec<Standing>,
}

impl Recorder {
    /// A recorder for a story of `span` ms with these faults.
    pub(super) fn new(settings: &Settings, span: u64, faults: Vec<Span>) -> Recorder {
        let pieces = if settings.enclosures.len() > MANY { PIECES_OF_MANY } else { PIECES };
        let piece = (span / pieces).max(1000);
        let pens = settings.enclosures.iter().map(|enclosure| {
            (vec![Pens::default(); enclosure.probes.len()], vec![LampPens::default(); enclosure.lamps.len()])
        });
        Recorder {
            piece,
            apart: (piece / LOOKS_PER_PIECE).clamp(LOOKS_APART.0, LOOKS_APART.1),
            due: 0,
            pens: pens.collect(),
            is_long: span > LONG,
            faults,
            alarms: Vec::new(),
            standing: Vec::new(),
        }
    }

    /// Takes what is to be seen now.
    pub(super) fn look(&mut self, now: u64, settings: &Settings, sight: &Sight, world: &World) {
        self.follow_alarms(now, sight);
        let ask_plant = now >= self.due;
        if ask_plant {
            self.due = now + self.apart;
        }
        let (piece, is_long) = (self.piece, self.is_long);
        for (e, (enclosure, (probes, lamps))) in settings.enclosures.iter().zip(&mut self.pens).enumerate() {
            let ix = EnclosureIx(e);
            for (l, pens) in lamps.iter_mut().enumerate() {
                let lamp = sight.lamp(ix, LampIx(l));
                pens.known.put(now, piece, is_long, lamp.reason.is_some().then_some(lamp.level.share()));
                let burns = world.power(ix, LampIx(l)).is_some_and(|power| power.0 > 0.0);
                let level = world.level(Switch::Lamp(ix, LampIx(l))).filter(|_| burns);
                pens.truth.put(now, piece, is_long, Some(level.map_or(0.0, |level| level.share())));
            }
            for (p, (probe, pens)) in enclosure.probes.iter().zip(probes).enumerate() {
                if !is_plotted(probe.measures) {
                    continue;
                }
                if ask_plant {
                    pens.truth.put(now, piece, world.truth(ix, ProbeIx(p)));
                }
                let stale = u64::try_from(probe.stale.as_millis()).unwrap_or(u64::MAX / 2);
                let last = sight.enclosures[e].probes[p].last().filter(|(at, _)| now <= at + stale);
                pens.known.put(now, piece, last.map(|(_, value)| value));
            }
        }
    }

    fn follow_alarms(&mut self, now: u64, sight: &Sight) {
        for standing in std::mem::take(&mut self.standing) {
            if sight.alarms.contains_key(&(standing.whose, standing.kind)) {
                self.standing.push(standing);
            } else {
                self.alarms.push(Span { until: Some(now), ..standing.span });
            }
        }
        for ((whose, kind), (notice, _)) in &sight.alarms {
            if !self.standing.iter().any(|known| known.whose == *whose && known.kind == *kind) {
                let span = Span {
                    enclosure: *whose,
                    name: kind.name().to_owned(),
                    priority: Some(notice.priority),
                    text: notice.text.clone(),
                    from: now,
                    until: None,
                };
                self.standing.push(Standing { whose: *whose, kind: *kind, span });
            }
        }
    }

    /// Everything so far.
    pub(super) fn finish(mut self, settings: &Settings) -> Trace {
        self.alarms.extend(self.standing.into_iter().map(|standing| standing.span));
        self.alarms.sort_by_key(|span| span.from);
        let enclosures = settings.enclosures.iter().zip(self.pens).map(|(enclosure, (probes, lamps))| {
            let curve = |name: &str, truth: Pen, known: Pen| Curve {
                name: name.to_owned(),
                truth: truth.finish(),
                known: known.finish(),
            };
            let mut curves = Curves::default();
            for (probe, pens) in enclosure.probes.iter().zip(probes) {
                match probe.measures {
                    Measures::Temperature => curves.temperatures.push(curve(&probe.name, pens.truth, pens.known)),
                    Measures::Uvi => curves.uvi.push(curve(&probe.name, pens.truth, pens.known)),
                    _ => {}
                }
            }
            let lamps = enclosure.lamps.iter().zip(lamps);
            curves.lamps = lamps.map(|(lamp, pens)| curve(&lamp.name, pens.truth.pen, pens.known.pen)).collect();
            curves
        });
        Trace { enclosures: enclosures.collect(), faults: self.faults, alarms: self.alarms, is_long: self.is_long }
    }
}

fn is_plotted(measures: Measures) -> bool {
    matches!(measures, Measures::Temperature | Measures::Uvi)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(piece: u64, values: &[(u64, Option<f64>)]) -> Points {
        let mut pen = Pen::default();
        values.iter().for_each(|(at, value)| pen.put(*at, piece, *value));
        pen.finish()
    }

    #[test]
    fn of_each_piece_first_least_greatest_and_last_are_kept() {
        let values: Vec<_> = [5.0, 6.0, 9.0, 7.0, 1.0, 3.0].into_iter().zip(0..).map(|(v, at)| (at, Some(v))).collect();
        let kept = [(0, Some(5.0)), (2, Some(9.0)), (4, Some(1.0)), (5, Some(3.0))];
        assert_eq!(drawn(10, &values), kept);
        assert_eq!(drawn(1, &values), values, "pieces of one value lose nothing");
    }

    #[test]
    fn a_peak_of_a_moment_in_a_year_is_kept() {
        let mut values: Vec<_> = (0..100_000).map(|at| (at, Some(20.0))).collect();
        values[77_777].1 = Some(90.0);
        let points = drawn(1000, &values);
        assert!(points.contains(&(77_777, Some(90.0))));
        assert!(points.len() < 10, "and what stays the same costs nothing: {points:?}");
    }

    #[test]
    fn in_a_long_story_a_lamp_is_shown_by_the_share_of_each_day() {
        let mut pen = LampPen::default();
        // On from 6:00 to 12:00 of the first day and from 12:00 of the second to 6:00 of the fourth.
        for (hours, level) in [(0, 0.0), (6, 1.0), (12, 0.0), (36, 1.0), (78, 0.0), (97, 0.0)] {
            pen.put(hours * 3_600_000, 1, true, Some(level));
        }
        let shares = [(0, Some(0.25)), (DAY, Some(0.5)), (2 * DAY, Some(1.0)), (3 * DAY, Some(0.25))];
        assert_eq!(pen.pen.finish(), shares);
    }

    #[test]
    fn where_nothing_is_known_the_curve_breaks_once() {
        let values = [(0, Some(1.0)), (1, None), (2, None), (3, Some(2.0)), (4, Some(f64::NAN))];
        assert_eq!(drawn(10, &values), [(0, Some(1.0)), (1, None), (3, Some(2.0)), (4, None)]);
        assert_eq!(drawn(10, &[(0, None), (5, None)]), []);
    }
}
