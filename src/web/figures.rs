//! Figures for monitoring (OpenMetrics), and whether the program is well.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};

use super::guest::Guest;
use super::mailbox::Glance;
use super::{House, scrape};
use crate::control::{AlarmState, Priority, Quality};
use crate::settings::{Measures, Settings};

/// `ok` while there is a broker and no disk trouble; it tells nothing else, since anybody may ask.
pub(super) async fn health(State(house): State<Arc<House>>) -> Response {
    let glance = house.glance();
    let is_failing = glance.alarms.iter().any(|((owner, kind), notice)| {
        owner.is_none() && *kind == crate::control::AlarmKind::JournalFailing && notice.state.is_active()
    });
    if glance.settings.is_some() && glance.connected && !is_failing {
        "ok\n".into_response()
    } else {
        (StatusCode::SERVICE_UNAVAILABLE, "degraded\n").into_response()
    }
}

/// For guests of the pages, and for programs that bring name and password of an account.
pub(super) async fn metrics(State(house): State<Arc<House>>, guest: Option<Guest>, headers: HeaderMap) -> Response {
    if guest.is_none()
        && let Err(refused) = scrape::let_in(&house, &headers).await
    {
        return refused;
    }
    let glance = house.glance();
    let Some(settings) = &glance.settings else { return StatusCode::SERVICE_UNAVAILABLE.into_response() };
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    match written(settings, &glance) {
        Ok(text) => ([(header::CONTENT_TYPE, kind)], text).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Whole {
    site: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfProbe {
    enclosure: String,
    probe: String,
    spot: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfLamp {
    enclosure: String,
    lamp: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfAlarms {
    priority: &'static str,
    acknowledged: &'static str,
}

type Gauges<Labels> = Family<Labels, Gauge<f64, std::sync::atomic::AtomicU64>>;

fn written(settings: &Settings, glance: &Glance) -> Result<String, std::fmt::Error> {
    let mut registry = Registry::with_prefix("lampwarden");
    let connected = Gauges::<Whole>::default();
    let site = Whole { site: settings.site.name.clone() };
    connected.get_or_create(&site).set(f64::from(u8::from(glance.connected)));
    registry.register("broker_connected", "1 while there is a connection to the broker", connected);
    let temperatures = Gauges::<OfProbe>::default();
    let indices = Gauges::<OfProbe>::default();
    let counts = Gauges::<OfProbe>::default();
    let levels = Gauges::<OfLamp>::default();
    let tripped = Gauges::<OfLamp>::default();
    let by_hand = Gauges::<OfLamp>::default();
    for (enclosure, view) in settings.enclosures.iter().zip(&glance.enclosures) {
        let Some(view) = view else { continue };
        for (probe, state) in enclosure.probes.iter().zip(&view.probes) {
            let labels =
                OfProbe { enclosure: enclosure.id.clone(), probe: probe.name.clone(), spot: probe.spot.clone() };
            counts.get_or_create(&labels).set(f64::from(u8::from(state.quality == Quality::Good)));
            // What does not count is not told as if it did.
            if state.quality != Quality::Good {
                continue;
            }
            match (probe.measures, state.uv.and_then(|uv| uv.uvi), state.value) {
                (Measures::Uvi, Some(uvi), _) => _ = indices.get_or_create(&labels).set(uvi.0),
                (Measures::Temperature, _, Some(value)) => _ = temperatures.get_or_create(&labels).set(value),
                _ => {}
            }
        }
        for (lamp, state) in enclosure.lamps.iter().zip(&view.lamps) {
            let labels = OfLamp { enclosure: enclosure.id.clone(), lamp: lamp.name.clone() };
            levels.get_or_create(&labels).set(state.wanted.share());
            by_hand.get_or_create(&labels).set(f64::from(u8::from(state.by_hand.is_some())));
            if let Some(interlock) = &state.interlock {
                tripped.get_or_create(&labels).set(f64::from(u8::from(interlock.why.is_some())));
            }
        }
    }
    registry.register_with_unit("temperature", "Last good reading", Unit::Celsius, temperatures);
    registry.register("uv_index", "Last good UV index", indices);
    registry.register("probe_counts", "1 while the probe's reading counts", counts);
    registry.register_with_unit("lamp_level", "Level that the lamp should have", Unit::Ratios, levels);
    registry.register("guard_holds_off", "1 while the guard holds the lamp off", tripped);
    registry.register("lamp_by_hand", "1 while the lamp is set by hand", by_hand);
    let alarms = Gauges::<OfAlarms>::default();
    for priority in [Priority::Low, Priority::Medium, Priority::High, Priority::Critical] {
        for (state, acknowledged) in [(AlarmState::Unacknowledged, "no"), (AlarmState::Acknowledged, "yes")] {
            let count =
                glance.alarms.values().filter(|notice| (notice.priority, notice.state) == (priority, state)).count();
            alarms.get_or_create(&OfAlarms { priority: priority.word(), acknowledged }).set(count as f64);
        }
    }
    registry.register("alarms", "Alarms that stand", alarms);
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}
