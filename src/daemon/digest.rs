//! What the digest is written from: the site as it stands.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};

use crate::control::{AlarmKind, Aside, Controller, EnclosureView, Quality};
use crate::notify::digest::Day;
use crate::notify::{Key, Notifier, first_sentence};
use crate::settings::{Enclosure, EnclosureIx, Measures, Settings};

/// Kinds that are a date in the keeper's calendar rather than something wrong.
const DUE: [AlarmKind; 4] = [AlarmKind::WalkDue, AlarmKind::CalibrationDue, AlarmKind::SpareDue, AlarmKind::UvFading];

/// The site as it stands; `different` is what happened today.
pub(super) fn day(controller: &Controller, notifier: &Notifier, different: Vec<String>) -> Day {
    let settings = controller.settings();
    let mut day = Day { different, ..Day::default() };
    let (mut consequences, mut asides) = (0, BTreeMap::new());
    for notice in controller.alarms() {
        let enclosure = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
        let key = Key { enclosure: enclosure.map(|enclosure| enclosure.id.clone()), kind: notice.kind };
        asides.extend(notice.aside.as_ref().map(|aside| (key, aside)));
    }
    for told in notifier.standing() {
        let sentence = first_sentence(told.text);
        let aside = asides.get(told.key);
        if matches!(aside, Some(Aside::Consequence(_))) {
            consequences += 1;
            continue;
        }
        if let Some(aside) = aside.filter(|_| !DUE.contains(&told.key.kind)) {
            day.standing.push(format!("{sentence} ({}, {}: {})", told.priority.word(), aside.word(), aside.why()));
            continue;
        }
        if DUE.contains(&told.key.kind) {
            day.due.push((None, sentence));
        } else {
            day.standing.push(format!("{sentence} ({})", told.priority.word()));
        }
    }
    if let Some(last) = day.standing.last_mut().filter(|_| consequences > 0) {
        *last +=
            &format!("\n{consequences} consequences of these are not told one by one; `lampwarden alarms` lists them");
    }
    for (ix, enclosure) in settings.enclosures.iter().enumerate() {
        let ix = EnclosureIx(ix);
        if let Some(view) = controller.view(ix) {
            day.enclosures.push((line(enclosure, &view), view.alarms.iter().any(|kind| !DUE.contains(kind))));
        }
        day.due.extend(due(controller, settings, ix));
    }
    day
}

/// What is due at one enclosure, by its date.
pub(super) fn due(
    controller: &Controller,
    settings: &Settings,
    ix: EnclosureIx,
) -> impl Iterator<Item = (Option<NaiveDate>, String)> {
    let local = |at: DateTime<Utc>| at.with_timezone(&settings.site.timezone).date_naive();
    let enclosure = settings.enclosures.get(ix.0);
    let title = enclosure.map_or("", |enclosure| enclosure.title.as_str());
    let walk = controller
        .round(ix)
        .and_then(|round| round.due)
        .map(|at| (Some(local(at)), format!("{title}: a round with the hand-held meter")));
    let lamps = controller.lamps(ix).unwrap_or_default().into_iter().filter_map(move |health| {
        let lamp = enclosure?.lamps.get(health.lamp.0)?;
        Some((Some(health.change_by?), format!("{title}: change lamp {}", lamp.name)))
    });
    walk.into_iter().chain(lamps)
}

/// An enclosure in a line.
fn line(enclosure: &Enclosure, view: &EnclosureView) -> String {
    let mut parts = vec![if view.day.is_day { "day".to_owned() } else { "night".to_owned() }];
    for (probe, seen) in enclosure.probes.iter().zip(&view.probes) {
        let value = match (probe.measures, seen.uv.and_then(|uv| uv.uvi), seen.value) {
            (Measures::Uvi, Some(uvi), _) => format!("UVI {:.1}", uvi.0),
            (_, _, Some(value)) => format!("{value:.1} {}", probe.measures.unit()),
            (_, _, None) => "nothing".to_owned(),
        };
        let quality = match seen.quality {
            Quality::Good => String::new(),
            quality => format!(" ({})", quality.word()),
        };
        parts.push(format!("{} {value}{quality}", probe.name));
    }
    for (lamp, seen) in enclosure.lamps.iter().zip(&view.lamps) {
        parts.push(format!("{} {}", lamp.name, seen.wanted));
    }
    parts.extend(view.alarms.iter().map(|kind| format!("ALARM {kind}")));
    format!("{}: {}", enclosure.title, parts.join(", "))
}
