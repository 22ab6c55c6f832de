//! What the journal tells of the days behind: the week for its digest. It reads on a thread of
//! its own, so that the control loop waits for nothing.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, Days, NaiveDate, Utc};

use crate::export::alarms::alarm_metrics;
use crate::journal::read::{Failure, Reader, Resolution, Series, Whose, Window, begin_of};
use crate::notify::chart::Chart;
use crate::notify::digest::Week;
use crate::settings::{Enclosure, Measures, Probe, ProbeIx, Settings};

/// So many enclosures are drawn, those with most alarms first; a guess at what somebody looks through.
const DRAWN: usize = 12;
const DAYS: u64 = 7;

/// The seven days before today, as the journal at `path` has them.
pub(super) fn week(path: &Path, settings: &Settings, now: DateTime<Utc>) -> Result<Week, String> {
    let zone = settings.site.timezone;
    let today = now.with_timezone(&zone).date_naive();
    let before = |days: u64| today.checked_sub_days(Days::new(days));
    let (Some(first), Some(last)) = (before(DAYS), before(1)) else {
        return Err("the clock of this computer cannot be right".to_owned());
    };
    let window = Window { from: begin_of(first, zone), until: begin_of(today, zone) };
    let said = |why: Failure| why.to_string();
    let reader = Reader::open(path).map_err(|why| why.to_string())?;
    let metrics = alarm_metrics(&reader, window, zone).map_err(said)?;
    let mut charts = Vec::new();
    for enclosure in most_troubled(&reader, settings, window).map_err(said)?.into_iter().take(DRAWN) {
        charts.extend(drawn(&reader, settings, enclosure, (first, window)).map_err(said)?);
    }
    Ok(Week { days: (first, last), charts, left: settings.enclosures.len().saturating_sub(DRAWN), metrics })
}

/// Enclosures by how many lines of alarms a window has of them, the most first; of as many in the order of the settings.
fn most_troubled<'s>(reader: &Reader, settings: &'s Settings, window: Window) -> Result<Vec<&'s Enclosure>, Failure> {
    let mut lines: BTreeMap<String, usize> = BTreeMap::new();
    reader.alarms(None, window, |alarm| {
        if let Some(enclosure) = alarm.enclosure {
            *lines.entry(enclosure).or_default() += 1;
        }
        Ok(())
    })?;
    let mut enclosures: Vec<&Enclosure> = settings.enclosures.iter().collect();
    enclosures.sort_by_key(|enclosure| std::cmp::Reverse(lines.get(&enclosure.id).copied().unwrap_or(0)));
    Ok(enclosures)
}

/// A chart for each probe of an enclosure that regulates, guards or measures UV.
fn drawn(
    reader: &Reader,
    settings: &Settings,
    enclosure: &Enclosure,
    (first, window): (NaiveDate, Window),
) -> Result<Vec<Chart>, Failure> {
    let kept = reader.series(Whose { enclosure: Some(&enclosure.id), probe: None }).map_err(Failure::Journal)?;
    let mut charts = Vec::new();
    for (ix, probe) in enclosure.probes.iter().enumerate() {
        let Some((quantity, digits, beside)) = told_of(enclosure, ProbeIx(ix), probe) else { continue };
        let series = kept.iter().find(|series| series.probe == probe.name && series.quantity == quantity);
        let days = series.map(|series| by_day(reader, settings, series, window)).transpose()?.unwrap_or_default();
        let bars = first.iter_days().take(DAYS as usize).map(|date| {
            let bar = days.iter().find(|(known, _)| *known == date).map(|(_, bar)| *bar);
            (date.format("%a %-d").to_string(), bar)
        });
        let unit = if quantity == "uvi" { "UV index" } else { probe.measures.unit() };
        let title = format!("{}: {}, {unit}", enclosure.title, probe.name);
        charts.push(Chart { title, bars: bars.collect(), beside, digits });
    }
    Ok(charts)
}

/// What of a probe is drawn: the quantity, its digits and what its values should be; none where it is not.
fn told_of(enclosure: &Enclosure, ix: ProbeIx, probe: &Probe) -> Option<(&'static str, usize, String)> {
    match probe.measures {
        Measures::Temperature => {
            let lamps = || enclosure.lamps.iter();
            let heat = lamps().find_map(|lamp| lamp.heat.filter(|heat| heat.probe == ix));
            let guard = lamps().find_map(|lamp| lamp.guard.as_ref().filter(|guard| guard.probes.contains(&ix)));
            let target = heat.map(|heat| format!("target {} by day, {} by night", heat.target.day, heat.target.night));
            let cut = guard.map(|guard| format!("cut at {}", guard.cut));
            let words: Vec<_> = target.into_iter().chain(cut).collect();
            (!words.is_empty()).then(|| ("temperature", 1, words.join("; ")))
        }
        Measures::Uvi => {
            let band = enclosure.care.uv.map(|band| format!("band {:.1} to {:.1} while lit", band.low.0, band.high.0));
            Some(("uvi", 1, band.unwrap_or_default()))
        }
        Measures::Illuminance | Measures::Power | Measures::Humidity => None,
    }
}

/// A lowest and a highest reading.
type Bar = (f64, f64);

/// Lowest and highest reading of each date.
fn by_day(
    reader: &Reader,
    settings: &Settings,
    series: &Series,
    window: Window,
) -> Result<Vec<(NaiveDate, Bar)>, Failure> {
    let zone = settings.site.timezone;
    let mut days = Vec::new();
    reader.samples(series, window, Resolution::Day, zone, |sample| {
        let date = sample.at.with_timezone(&zone).date_naive();
        days.extend(sample.low.zip(sample.high).map(|bar| (date, bar)));
        Ok(())
    })?;
    Ok(days)
}
