//! What the keeper asks at the daemon's desk, its local socket, and what is answered: a JSON object a line, both ways.
//!
//! ```text
//! {"act": "meter-reading", "enclosure": "e1", "with": {"spot": "basking", "uvi": 4.2}}   as do/<enclosure>/<verb>
//! {"tell": "round", "enclosure": "e1"}                                                  {"round": {…}}
//! {"tell": "lamps", "enclosure": "e1"}                                                  {"lamps": […]}
//! {"tell": "season", "enclosure": "e1"}                                                 {"season": {…} or null}
//! {"tell": "alarms"}                                                                    {"alarms": […]}
//! {"tell": "away"}                                                                      {"away": {…}}
//! {"tested": {"contact": "keeper", "channel": "mail"}}
//! {"tell": "why", "enclosure": "e1", "alarm": "uv-fading"}                              {"why": […]}
//! ```
//!
//! An answer is `{"done": "…"}`, what was asked for under its name, or `{"error": "…"}`.

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use chrono_tz::Tz;
use serde::Serialize;
use serde_json::{Value, json};

use crate::control::photoperiod::plan;
use crate::control::{Act, AlarmKind, LampHealth, RoundView, SeasonView, UvDay, UvView, middle_of};
use crate::science::clear_sky::{OZONE, day_curve};
use crate::science::uv::ErythemalIrradiance;
use crate::settings::{Enclosure, EnclosureIx, LampIx, Photoperiod, ProbeIx, Settings, Site};
use crate::units::{Degrees, Uvi};

use super::{Misread, act};

/// What somebody asks at the desk.
#[derive(Clone, Debug, PartialEq)]
pub enum Question {
    /// Something a person did.
    Act(Act),
    /// An enclosure's rounds with the meter.
    Round(EnclosureIx),
    /// An enclosure's lamps.
    Lamps(EnclosureIx),
    /// An enclosure's cooling season.
    Season(EnclosureIx),
    /// Every alarm that stands, and who was told.
    Alarms,
    /// What to see to before the keeper leaves.
    Away,
    /// A test message has arrived as far as its channel can tell.
    Tested {
        /// To whom.
        contact: String,
        /// By which channel.
        channel: String,
    },
    /// Why an alarm of an enclosure stands or does not.
    Why(EnclosureIx, AlarmKind),
}

/// Reads one line.
pub fn question(settings: &Settings, line: &[u8]) -> Result<Question, Misread> {
    let asked: Value =
        serde_json::from_slice(line).map_err(|error| Misread(format!("that is no JSON object: {error}")))?;
    let text = |key: &str| asked.get(key).and_then(Value::as_str);
    match text("tell") {
        Some("alarms") => return Ok(Question::Alarms),
        Some("away") => return Ok(Question::Away),
        _ => {}
    }
    if let Some(tested) = asked.get("tested") {
        let text = |key: &str| tested.get(key).and_then(Value::as_str).map(str::to_owned);
        let way = text("contact").zip(text("channel"));
        let known = way.filter(|(contact, channel)| {
            settings.telling.contact(contact).is_some_and(|contact| contact.channel(channel).is_some())
        });
        let (contact, channel) = known.ok_or_else(|| Misread("there is no such contact or channel".to_owned()))?;
        return Ok(Question::Tested { contact, channel });
    }
    let id = text("enclosure").ok_or_else(|| Misread("it names no \"enclosure\"".to_owned()))?;
    let ix = settings.enclosures.iter().position(|enclosure| enclosure.id == id).map(EnclosureIx);
    match (text("act"), text("tell")) {
        (Some(verb), None) => {
            let with = asked.get("with").map(Value::to_string).unwrap_or_default();
            act::parse(settings, id, ix, verb, with.as_bytes()).map(Question::Act)
        }
        (None, Some(what)) => {
            let ix = ix.ok_or_else(|| Misread(format!("there is no enclosure {id:?}")))?;
            match what {
                "round" => Ok(Question::Round(ix)),
                "lamps" => Ok(Question::Lamps(ix)),
                "season" => Ok(Question::Season(ix)),
                "why" => {
                    let named = text("alarm").ok_or_else(|| Misread("it names no \"alarm\"".to_owned()))?;
                    let kind = AlarmKind::from_name(named);
                    let kind = kind.ok_or_else(|| Misread(format!("there is no alarm {named:?}")))?;
                    Ok(Question::Why(ix, kind))
                }
                other => Err(Misread(format!(
                    "nothing is told of {other:?}: ask for round, lamps, season, why, alarms or away"
                ))),
            }
        }
        _ => Err(Misread("it neither does an \"act\" nor asks to \"tell\" something".to_owned())),
    }
}

/// The answer to [`Question::Season`].
pub fn season(view: Option<&SeasonView>) -> String {
    json!({ "season": view.map(super::document::season) }).to_string()
}

/// The answer to [`Question::Why`].
pub fn why(lines: &[String]) -> String {
    json!({ "why": lines }).to_string()
}

/// The answer to something that was done.
pub fn done(what: &str) -> String {
    json!({ "done": what }).to_string()
}

/// The answer to what could not be.
pub fn refused(why: &Misread) -> String {
    json!({ "error": why.0 }).to_string()
}

/// The answer to [`Question::Round`]; `probes` are the enclosure's UV probes as they stand.
pub fn round(settings: &Settings, ix: EnclosureIx, view: &RoundView, probes: &[(ProbeIx, UvView)]) -> String {
    let Some(enclosure) = settings.enclosures.get(ix.0) else {
        return refused(&Misread("there is no such enclosure".to_owned()));
    };
    let zone = settings.site.timezone;
    let document = RoundDocument {
        enclosure: &enclosure.id,
        title: &enclosure.title,
        spots: view
            .spots
            .iter()
            .map(|spot| SpotDocument {
                spot: &spot.spot,
                uvi: rounded(spot.uvi.0),
                at: local(zone, spot.at),
                summed: &spot.summed,
                guess: spot.guess,
            })
            .collect(),
        remarks: view
            .remarks
            .iter()
            .map(|remark| RemarkDocument { text: remark.to_string(), wrong: remark.is_wrong() })
            .collect(),
        last: view.last.map(|at| local(zone, at)),
        due: view.due.map(|at| local(zone, at)),
        probes: probes.iter().map(|(probe, uv)| probe_document(enclosure, *probe, uv)).collect(),
        days: view.days.iter().map(|(probe, days)| days_document(&settings.site, enclosure, *probe, days)).collect(),
    };
    serde_json::to_value(document)
        .map_or_else(|error| refused(&Misread(error.to_string())), |document| json!({ "round": document }).to_string())
}

/// The answer to [`Question::Lamps`]; `why` gives what is known of a lamp besides its health, a line each.
pub fn lamps(
    settings: &Settings,
    ix: EnclosureIx,
    lamps: &[LampHealth],
    why: impl Fn(LampIx) -> Vec<String>,
) -> String {
    let Some(enclosure) = settings.enclosures.get(ix.0) else {
        return refused(&Misread("there is no such enclosure".to_owned()));
    };
    let lamps: Vec<_> =
        lamps.iter().filter_map(|health| lamp_document(settings, enclosure, health, why(health.lamp))).collect();
    json!({ "lamps": lamps }).to_string()
}

fn lamp_document(settings: &Settings, enclosure: &Enclosure, health: &LampHealth, why: Vec<String>) -> Option<Value> {
    let lamp = enclosure.lamps.get(health.lamp.0)?;
    let date = |date: NaiveDate| date.to_string();
    let departure = health.departure.map(|departure| {
        json!({
            "expected": departure.expected.map(date),
            "earliest": departure.earliest.map(date),
            "latest": departure.latest.map(date),
            "provisional": departure.provisional,
        })
    });
    Some(json!({
        "enclosure": enclosure.id,
        "lamp": lamp.name,
        "fitting": lamp.fitting.traits().word,
        "watts": lamp.power.map(|watts| watts.0),
        "state": health.standing.word(),
        "hours": (health.hours * 10.0).round() / 10.0,
        "cycles": health.cycles,
        "fitted": health.fitted.map(|at| local(settings.site.timezone, at)),
        "lamps_before": health.previous.len(),
        "share": health.share.map(rounded),
        "leaves_band": departure,
        "change_by": health.change_by.map(date),
        "accepted": health.finding.map(|finding| finding.to_string()),
        "why": health.why.iter().cloned().chain(why).collect::<Vec<_>>(),
    }))
}

#[derive(Serialize)]
struct RoundDocument<'a> {
    enclosure: &'a str,
    title: &'a str,
    spots: Vec<SpotDocument<'a>>,
    remarks: Vec<RemarkDocument>,
    last: Option<String>,
    due: Option<String>,
    probes: Vec<ProbeDocument<'a>>,
    days: Vec<DaysDocument<'a>>,
}

#[derive(Serialize)]
struct SpotDocument<'a> {
    spot: &'a str,
    uvi: f64,
    at: String,
    /// Lamps measured one by one, of which it is the sum.
    summed: &'a [String],
    guess: bool,
}

#[derive(Serialize)]
struct RemarkDocument {
    text: String,
    wrong: bool,
}

#[derive(Serialize)]
struct ProbeDocument<'a> {
    probe: &'a str,
    spot: &'a str,
    uvi: Option<f64>,
    footing: &'static str,
    gain: f64,
    /// Standard uncertainty of the gain as a share.
    uncertainty: Option<f64>,
    background: Option<f64>,
    meter_readings: usize,
}

#[derive(Serialize)]
struct DaysDocument<'a> {
    probe: &'a str,
    today: Option<DayDocument>,
    yesterday: Option<DayDocument>,
}

/// A day: UVI times hours in each half hour of the wall clock, beside a cloudless day where the animal comes from.
#[derive(Serialize)]
struct DayDocument {
    date: String,
    uvi_hours: f64,
    sed: f64,
    heard_hours: f64,
    parts: Vec<f64>,
    clear_sky_latitude: f64,
    clear_sky_uvi_hours: f64,
    clear_sky_parts: Vec<f64>,
}

fn probe_document<'a>(enclosure: &'a Enclosure, ProbeIx(ix): ProbeIx, uv: &UvView) -> ProbeDocument<'a> {
    let probe = &enclosure.probes[ix];
    ProbeDocument {
        probe: &probe.name,
        spot: &probe.spot,
        uvi: uv.uvi.map(|Uvi(uvi)| rounded(uvi)),
        footing: uv.footing.word(),
        gain: rounded(uv.gain),
        uncertainty: uv.uncertainty.map(rounded),
        background: uv.background.map(rounded),
        meter_readings: uv.readings,
    }
}

fn days_document<'a>(
    site: &Site,
    enclosure: &'a Enclosure,
    ProbeIx(ix): ProbeIx,
    days: &[Option<UvDay>; 2],
) -> DaysDocument<'a> {
    let [today, yesterday] = days.each_ref().map(|day| day.as_ref().map(|day| day_document(site, enclosure, day)));
    DaysDocument { probe: &enclosure.probes[ix].name, today, yesterday }
}

fn day_document(site: &Site, enclosure: &Enclosure, day: &UvDay) -> DayDocument {
    let latitude = origin(site, enclosure);
    let clear = clear_sky(site, enclosure, day, latitude);
    let hour = std::time::Duration::from_secs(3600);
    DayDocument {
        date: day.date.to_string(),
        uvi_hours: rounded(day.uvi_hours()),
        // A dose is linear in the index, so hours may be added up first.
        sed: rounded(ErythemalIrradiance::of(Uvi(day.uvi_hours())).dose(hour).0),
        heard_hours: rounded(day.heard.as_secs_f64() / 3600.0),
        parts: day.parts.iter().map(|&part| rounded(f64::from(part))).collect(),
        clear_sky_latitude: latitude.0,
        clear_sky_uvi_hours: rounded(clear.iter().sum()),
        clear_sky_parts: clear.into_iter().map(rounded).collect(),
    }
}

/// Where the animal comes from, as far as its photoperiod says; else where the site is.
fn origin(site: &Site, enclosure: &Enclosure) -> Degrees {
    match *enclosure.care.photoperiod.followed() {
        Photoperiod::Latitude { latitude, .. } => latitude,
        _ => site.place.latitude,
    }
}

/// UVI times hours of a cloudless day at `latitude` in each half hour, its noon laid on the middle of the animal's day.
fn clear_sky(site: &Site, enclosure: &Enclosure, day: &UvDay, latitude: Degrees) -> Vec<f64> {
    let noon = day.date.and_hms_opt(12, 0, 0).map(|noon| noon.and_utc()).unwrap_or_default();
    let curve = day_curve(latitude, Degrees(0.0), noon, OZONE);
    let peak = curve.points.iter().copied().reduce(|best, point| if point.1 > best.1 { point } else { best });
    // The middle of a day is the same in every season.
    let plan = plan(&enclosure.care.photoperiod, site.timezone, site.place, day.date);
    let (Some((transit, _)), Some(plan)) = (peak, plan) else { return vec![0.0; day.parts.len()] };
    let middle = plan.middle.with_timezone(&site.timezone).time();
    let at = |part: usize| -> f64 {
        let since_middle = middle_of(part) - middle;
        value_at(&curve.points, transit + since_middle) * 0.5
    };
    (0..day.parts.len()).map(at).collect()
}

/// The curve at `at`, linear between its points, nothing outside them.
fn value_at(points: &[(DateTime<Utc>, Uvi)], at: DateTime<Utc>) -> f64 {
    let after = points.partition_point(|(time, _)| *time < at);
    let (Some(before), Some(next)) = (after.checked_sub(1).and_then(|i| points.get(i)), points.get(after)) else {
        return 0.0;
    };
    let span = (next.0 - before.0).as_seconds_f64();
    let share = if span > 0.0 { (at - before.0).as_seconds_f64() / span } else { 0.0 };
    before.1.0 + share * (next.1.0 - before.1.0)
}

fn rounded(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

fn local(timezone: Tz, time: DateTime<Utc>) -> String {
    time.with_timezone(&timezone).to_rfc3339_opts(SecondsFormat::Secs, false)
}
