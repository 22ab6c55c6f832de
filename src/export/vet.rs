//! Ninety days of one enclosure out of the journal, as a page for a vet.

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::table::GAP;
use crate::control::Record;
use crate::control::almanac::target_of;
use crate::control::photoperiod::{Course, DayPlan, Plans};
use crate::journal::read::{self, Act, Failure, Reader, Resolution, Series, Whose, Window, begin_of};
use crate::report::gather::{self, Calendar, Hour, Word};
use crate::report::{self, Climate, Facts, Lamp, Remark, Span, Uv, Walk};
use crate::settings::{self, Enclosure, Measures, Probe, ProbeIx, Settings, Target, When};

/// The page of `days` dates, the last of them `until`, or where that is none the one before `now`. Errors are sentences.
pub(crate) fn page(
    settings: &Settings,
    enclosure: &Enclosure,
    reader: &Reader,
    days: u32,
    until: Option<NaiveDate>,
    now: DateTime<Utc>,
) -> Result<String, String> {
    let zone = settings.site.timezone;
    let last = match until {
        Some(date) => date,
        None => now.with_timezone(&zone).date_naive().checked_sub_days(Days::new(1)).unwrap_or_default(),
    };
    let before = Days::new(u64::from(days.max(1)) - 1);
    let first = last.checked_sub_days(before).ok_or("--until is too long ago")?;
    let scene = Scene::new(settings, enclosure, reader, (first, last), now)?;
    let facts = scene.facts().map_err(|failure| failure.to_string())?;
    Ok(report::page(&facts, &scene.midnights))
}

/// The course of the enclosure's cooling season by what is on file; none where it is still to go as planned.
fn course(enclosure: &Enclosure, filed: &[Record]) -> Option<Course> {
    let cooling = enclosure.care.program.as_ref()?.cooling.as_ref()?;
    filed.iter().find_map(|record| match record {
        Record::Season { enclosure: id, season } if *id == enclosure.id => season.foreseen(cooling),
        _ => None,
    })
}

/// What all parts of a page are gathered from.
struct Scene<'a> {
    settings: &'a Settings,
    enclosure: &'a Enclosure,
    reader: &'a Reader,
    dates: (NaiveDate, NaiveDate),
    now: DateTime<Utc>,
    /// The dates as the care sheet means them.
    days: Plans,
    /// Plans of the dates, and one more at each end.
    plans: Vec<DayPlan>,
    calendar: Calendar,
    /// Beginnings of the dates, and of the one after.
    midnights: Vec<DateTime<Utc>>,
    /// From the first midnight to the last, or to now.
    window: Window,
    unwatched: Vec<Span>,
    filed: Vec<Record>,
}

impl<'a> Scene<'a> {
    fn new(
        settings: &'a Settings,
        enclosure: &'a Enclosure,
        reader: &'a Reader,
        dates: (NaiveDate, NaiveDate),
        now: DateTime<Utc>,
    ) -> Result<Scene<'a>, String> {
        let zone = settings.site.timezone;
        let (first, last) = dates;
        let around = first.pred_opt().into_iter().chain(first.iter_days().take_while(|date| *date <= last));
        let around = around.chain(last.succ_opt());
        let filed = reader.filed().map_err(|why| why.to_string())?;
        let days = Plans::new(&enclosure.care, zone, settings.site.place).with_course(course(enclosure, &filed));
        let plans: Vec<DayPlan> = around.filter_map(|date| days.on(date)).collect();
        let after = last.succ_opt().ok_or("--until is too far ahead")?;
        let midnights: Vec<_> =
            first.iter_days().take_while(|date| *date <= after).map(|date| begin_of(date, zone)).collect();
        let (from, end) = (begin_of(first, zone), begin_of(after, zone));
        let window = Window { from, until: end.min(now) };
        if window.from >= window.until {
            return Err("these days have not come yet".to_owned());
        }
        let runs = reader.runs().map_err(|why| why.to_string())?;
        let mut unwatched = read::gaps(&runs, GAP);
        if let Some(alive) = runs.iter().map(|run| run.ended.unwrap_or(run.alive).max(run.alive)).max()
            && now - alive > GAP
        {
            unwatched.push((alive, now));
        }
        unwatched.retain(|(begin, stop)| *stop > window.from && *begin < window.until);
        for (begin, stop) in &mut unwatched {
            (*begin, *stop) = ((*begin).max(window.from), (*stop).min(window.until));
        }
        let calendar = Calendar::new(first, last, zone, &plans);
        Ok(Scene {
            settings,
            enclosure,
            reader,
            dates,
            now,
            days,
            plans,
            calendar,
            midnights,
            window,
            unwatched,
            filed,
        })
    }

    fn facts(&self) -> Result<Facts, Failure> {
        let (first, last) = self.dates;
        let Enclosure { id, title, care, .. } = self.enclosure;
        let series = self.reader.series(Whose { enclosure: Some(id), probe: None }).map_err(Failure::Journal)?;
        let acts = self.acts()?;
        let spans = self.on_spans()?;
        let lit: Vec<Vec<Span>> = spans.iter().map(|(spans, _)| spans.clone()).collect();
        Ok(Facts {
            site: self.settings.site.name.clone(),
            zone: self.settings.site.timezone,
            id: id.clone(),
            title: title.clone(),
            care: care.name.clone(),
            band: care.uv,
            first,
            last,
            written: self.now,
            known_since: self.known_since(&series)?,
            plans: self.plans.iter().filter(|plan| plan.date >= first && plan.date <= last).copied().collect(),
            lit: self.light(&lit),
            climate: self.climate(&series)?,
            uv: self.uv(&series, &lit)?,
            lamps: self.lamps(spans, &acts),
            walks: self.walks(&acts),
            alarms: self.alarms(&acts)?,
            unwatched: self.unwatched.clone(),
            remarks: self.remarks()?,
            program: env!("CARGO_PKG_VERSION"),
        })
    }

    /// The first hour of which anything is kept.
    fn known_since(&self, series: &[Series]) -> Result<Option<DateTime<Utc>>, Failure> {
        let mut since: Option<DateTime<Utc>> = None;
        for series in series {
            let first = self.reader.first_hour(series).map_err(Failure::Journal)?;
            since = [since, first].into_iter().flatten().min();
        }
        Ok(since)
    }

    fn hours(&self, series: &[Series], probe: &Probe, quantity: &str) -> Result<Vec<Hour>, Failure> {
        let mut hours = Vec::new();
        let Some(series) = series.iter().find(|series| series.probe == probe.name && series.quantity == quantity)
        else {
            return Ok(hours);
        };
        self.reader.samples(series, self.window, Resolution::Hour, self.settings.site.timezone, |sample| {
            if let (Some(mean), Some(low), Some(high)) = (sample.mean, sample.low, sample.high) {
                hours.push(Hour { at: sample.at, mean, low, high, minutes: sample.covered });
            }
            Ok(())
        })?;
        Ok(hours)
    }

    fn silent(&self, hours: &[Hour]) -> Vec<Span> {
        // Before the first reading of all nothing was missing.
        let from = hours.first().map_or(self.window.from, |hour| hour.at.max(self.window.from));
        gather::silent(hours, (from, self.window.until), &self.unwatched)
    }

    fn climate(&self, series: &[Series]) -> Result<Vec<Climate>, Failure> {
        let mut all = Vec::new();
        for (kind, quantity) in [(Measures::Temperature, "temperature"), (Measures::Humidity, "humidity")] {
            for (ix, probe) in self.enclosure.probes.iter().enumerate().filter(|(_, probe)| probe.measures == kind) {
                let hours = self.hours(series, probe, quantity)?;
                let guards = self.enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref());
                let cuts = guards.filter(|guard| guard.probes.contains(&ProbeIx(ix))).map(|guard| guard.cut.0);
                all.push(Climate {
                    name: probe.name.clone(),
                    spot: probe.spot.clone(),
                    unit: kind.unit(),
                    targets: self.targets(ProbeIx(ix)),
                    cut: cuts.reduce(f64::min),
                    days: gather::climate(&self.calendar, &hours),
                    silent: self.silent(&hours),
                });
            }
        }
        Ok(all)
    }

    /// What the thermostat at a probe holds on each date; empty where there is none.
    fn targets(&self, probe: ProbeIx) -> Vec<Target> {
        let holds = |lamp: &&settings::Lamp| lamp.heat.is_some_and(|heat| heat.probe == probe);
        let Some(lamp) = self.enclosure.lamps.iter().find(holds) else { return Vec::new() };
        let (first, last) = self.dates;
        let dates = first.iter_days().take_while(|date| *date <= last);
        dates.filter_map(|date| target_of(lamp, &self.days, date)).collect()
    }

    fn uv(&self, series: &[Series], on: &[Vec<Span>]) -> Result<Vec<Uv>, Failure> {
        let mut all = Vec::new();
        let probes = self.enclosure.probes.iter().enumerate();
        for (ix, probe) in probes.filter(|(_, probe)| probe.measures == Measures::Uvi) {
            let hours = self.hours(series, probe, "uvi")?;
            // What the probe itself said is kept also while no UVI can be made of it.
            let raw = self.hours(series, probe, "uvi-raw")?;
            let minutes = |hours: &[Hour]| hours.iter().map(|hour| hour.minutes).sum::<u64>();
            let heard = if minutes(&raw) > minutes(&hours) { &raw } else { &hours };
            let there = self.enclosure.lamps.iter().zip(on).filter(|(lamp, _)| lamp.lights == Some(ProbeIx(ix)));
            let there: Vec<Vec<Span>> = there.map(|(_, spans)| spans.clone()).collect();
            let lit = gather::all_of(&there);
            let lit = (!there.is_empty()).then_some(lit.as_slice());
            let record = self.filed.iter().find_map(|record| match record {
                Record::Series { enclosure, probe: name, series }
                    if *enclosure == self.enclosure.id && *name == probe.name =>
                {
                    Some(series.clone())
                }
                _ => None,
            });
            let record = record.unwrap_or_default();
            let (footing, uncertainty) = record.standing();
            all.push(Uv {
                name: probe.name.clone(),
                spot: probe.spot.clone(),
                footing,
                uncertainty,
                calibrated: record.pairings.iter().map(|pairing| pairing.at).max(),
                readings: record.pairings.len(),
                relative: minutes(&raw).saturating_sub(minutes(&hours)),
                days: gather::uv(&self.calendar, &hours, lit),
                silent: self.silent(heard),
            });
        }
        Ok(all)
    }

    /// When each lamp was on, and how often it came on.
    fn on_spans(&self) -> Result<Vec<(Vec<Span>, u64)>, Failure> {
        let mut switches: Vec<Vec<(DateTime<Utc>, f64)>> = vec![Vec::new(); self.enclosure.lamps.len()];
        let place = |name: &str| self.enclosure.lamps.iter().position(|lamp| lamp.name == name);
        for before in self.reader.switched_before(&self.enclosure.id, self.window.from)? {
            if let Some(place) = place(&before.lamp) {
                switches[place].push((before.at, before.level));
            }
        }
        self.reader.switches(Some(&self.enclosure.id), self.window, |switch| {
            if let Some(place) = place(&switch.lamp) {
                switches[place].push((switch.at, switch.level));
            }
            Ok(())
        })?;
        let window = (self.window.from, self.window.until);
        Ok(switches.iter().map(|switches| gather::on_spans(switches, window, &self.unwatched)).collect())
    }

    /// From the first light of each date to the last, by the lamps that light the day.
    fn light(&self, on: &[Vec<Span>]) -> Vec<Option<Span>> {
        let lamps = self.enclosure.lamps.iter().zip(on);
        let by_day = lamps.filter(|(lamp, _)| {
            lamp.fitting.traits().emits.light && lamp.window.when == When::Day && lamp.heat.is_none()
        });
        let mut spans: Vec<Span> = by_day.flat_map(|(_, spans)| spans.iter().copied()).collect();
        spans.sort();
        gather::first_and_last(&spans, &self.midnights)
    }

    fn lamps(&self, on: Vec<(Vec<Span>, u64)>, acts: &[Act]) -> Vec<Lamp> {
        let mut lamps = Vec::new();
        for (lamp, (spans, times)) in self.enclosure.lamps.iter().zip(on) {
            let filed = self.filed.iter().find_map(|record| match record {
                Record::Hours { enclosure, lamps } if **enclosure == *self.enclosure.id => {
                    lamps.iter().find(|filed| *filed.lamp == *lamp.name)
                }
                _ => None,
            });
            let changes = acts.iter().filter(|act| act.verb() == "lamp-change" && act.text("lamp") == Some(&lamp.name));
            let traits = lamp.fitting.traits();
            lamps.push(Lamp {
                name: lamp.name.clone(),
                fitting: traits.title,
                watts: lamp.power.map(|power| power.0),
                gives_uv: traits.emits.uv,
                hours: gather::hours_on(&self.calendar, &spans, &self.midnights),
                times,
                burnt: filed.map(|filed| filed.hours),
                fitted: filed.and_then(|filed| filed.fitted),
                changes: changes.map(|act| act.at).collect(),
            });
        }
        lamps
    }

    fn acts(&self) -> Result<Vec<Act>, Failure> {
        let mut acts = Vec::new();
        self.reader.acts(Some(&self.enclosure.id), self.window, |act| {
            acts.push(act);
            Ok(())
        })?;
        Ok(acts)
    }

    fn walks(&self, acts: &[Act]) -> Vec<Walk> {
        let is_basking = |spot: &str| {
            let mut probes = self.enclosure.probes.iter().filter(|probe| probe.measures == Measures::Uvi).peekable();
            if probes.peek().is_none() { spot == "basking" } else { probes.any(|probe| probe.spot == spot) }
        };
        let readings = acts.iter().filter(|act| act.verb() == "meter-reading");
        let walk = |act: &Act| {
            let spot = act.text("spot")?.to_owned();
            Some(Walk {
                at: act.at,
                uvi: act.number("uvi")?,
                alone: act.text("lamp").map(str::to_owned),
                guess: act.words.get("guess").and_then(serde_json::Value::as_bool).unwrap_or(false),
                is_basking: is_basking(&spot),
                spot,
            })
        };
        readings.filter_map(walk).collect()
    }

    fn alarms(&self, acts: &[Act]) -> Result<Vec<report::Spell>, Failure> {
        // One that was raised before may stand into these days.
        let window = Window { from: Window::ALL.from, until: self.window.until };
        let mut words = Vec::new();
        self.reader.alarms(None, window, |alarm| {
            if alarm.enclosure.as_ref().is_none_or(|enclosure| *enclosure == self.enclosure.id) {
                words.push(Word {
                    at: alarm.at,
                    stands: alarm.is_active(),
                    seen: matches!(alarm.state.as_str(), "acknowledged"),
                    is_sites: alarm.enclosure.is_none(),
                    kind: alarm.kind,
                    priority: alarm.priority,
                    since: alarm.since,
                    text: alarm.text,
                });
            }
            Ok(())
        })?;
        let done: Vec<_> = acts
            .iter()
            .filter_map(|act| {
                let whom = act.text("lamp").map_or(String::new(), |lamp| format!(" of {lamp}"));
                let what = match act.verb() {
                    "reset" => format!("reset{whom} by a person"),
                    "override" => format!("set by hand{}", whom.replace(" of ", ": ")),
                    "lamp-change" => format!("change{whom}"),
                    "meter-reading" => "meter reading".to_owned(),
                    _ => return None,
                };
                Some((act.at, what))
            })
            .collect();
        Ok(gather::spells(&words, &done, self.window.from))
    }

    fn remarks(&self) -> Result<Vec<Remark>, Failure> {
        let mut remarks = Vec::new();
        self.reader.remarks(Some(&self.enclosure.id), self.window, |remark| {
            remarks.push(Remark { at: remark.at, subject: remark.subject, text: remark.text });
            Ok(())
        })?;
        Ok(remarks)
    }
}
