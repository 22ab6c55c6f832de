//! How long each lamp was on, day by day, by its switches.

use chrono::{DateTime, Utc};

use super::table::GAP;
use crate::journal::read::{self, Failure, Reader, Window};
use crate::report::gather::on_spans;

/// A level of a lamp, and from when on.
type Level = (DateTime<Utc>, f64);

/// A lamp's days.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Burnt {
    /// Its name.
    pub lamp: String,
    /// How long it was on, h, on each day; none for days of which no switch is kept, or that have not begun.
    pub hours: Vec<Option<f64>>,
}

/// How long each lamp of an enclosure was on between one of `midnights` and the next, up to `now`. While nobody watched
/// nothing is known and nothing counted.
pub(crate) fn burnt(
    reader: &Reader,
    enclosure: &str,
    midnights: &[DateTime<Utc>],
    now: DateTime<Utc>,
) -> Result<Vec<Burnt>, Failure> {
    let (Some(first), Some(last)) = (midnights.first(), midnights.last()) else { return Ok(Vec::new()) };
    let window = Window { from: *first, until: (*last).min(now) };
    if window.from >= window.until {
        return Ok(Vec::new());
    }
    let runs = reader.runs().map_err(Failure::Journal)?;
    let mut unwatched = read::gaps(&runs, GAP);
    if let Some(alive) = runs.iter().map(|run| run.ended.unwrap_or(run.alive).max(run.alive)).max()
        && now - alive > GAP
    {
        unwatched.push((alive, now));
    }
    let mut lamps: Vec<(String, Vec<Level>)> = Vec::new();
    for before in reader.switched_before(enclosure, window.from)? {
        lamps.push((before.lamp, vec![(window.from, before.level)]));
    }
    reader.switches(Some(enclosure), window, |switch| {
        match lamps.iter_mut().find(|(name, _)| *name == switch.lamp) {
            Some((_, levels)) => levels.push((switch.at, switch.level)),
            None => lamps.push((switch.lamp, vec![(switch.at, switch.level)])),
        }
        Ok(())
    })?;
    let days = |levels: &[(DateTime<Utc>, f64)]| {
        let (spans, _) = on_spans(levels, (window.from, window.until), &unwatched);
        let known = levels.first().map_or(window.until, |(at, _)| *at);
        hours(&spans, midnights, (known, window.until))
    };
    Ok(lamps.iter().map(|(lamp, levels)| Burnt { lamp: lamp.clone(), hours: days(levels) }).collect())
}

/// Spans, in order and apart from each other, summed up day by day; none for days that end before `known` or begin after it.
fn hours(
    spans: &[(DateTime<Utc>, DateTime<Utc>)],
    midnights: &[DateTime<Utc>],
    known: (DateTime<Utc>, DateTime<Utc>),
) -> Vec<Option<f64>> {
    let mut next = 0;
    let day = |day: &[DateTime<Utc>]| {
        while spans.get(next).is_some_and(|(_, until)| *until <= day[0]) {
            next += 1;
        }
        let inside = spans[next..].iter().take_while(|(from, _)| *from < day[1]);
        let ms = inside.map(|(from, until)| ((*until).min(day[1]) - (*from).max(day[0])).num_milliseconds());
        let hours = ms.sum::<i64>() as f64 / 3.6e6;
        (day[1] > known.0 && day[0] < known.1).then_some(hours)
    };
    midnights.windows(2).map(day).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    fn at(hour: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + TimeDelta::hours(hour)
    }

    /// By hand: on from 6 to 8, from 20 over midnight to 2, and from 50 until now, which is 60, in days of 24 h that begin
    /// at 0; the second day has 23 h, as one in spring.
    #[test]
    fn hours_are_summed_day_by_day_and_days_before_the_first_switch_are_not_known() {
        let midnights = [at(-24), at(0), at(24), at(47), at(71), at(95)];
        let spans = [(at(6), at(8)), (at(20), at(26)), (at(50), at(60))];
        let days = hours(&spans, &midnights, (at(5), at(60)));
        assert_eq!(days, [None, Some(6.0), Some(2.0), Some(10.0), None]);
        assert_eq!(hours(&[], &midnights, (at(-24), at(95))), [Some(0.0); 5], "known, and off");
        assert!(hours(&spans, &[], (at(0), at(1))).is_empty());
    }
}
