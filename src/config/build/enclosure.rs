//! Enclosures.

use std::collections::BTreeMap;
use std::rc::Rc;

use super::super::fields::{Fields, Put, Value};
use super::super::finding::{At, Draft};
use super::care::{Sheet, Spot};
use super::probe::KnownProbe;
use super::season::watched_spot;
use super::{Bench, RESERVED_IDS, collect, fitted};
use crate::settings::{Care, Enclosure, Measures};

/// What is said of an enclosure whose configuration says `in_service = false`.
const OUT_BY_CONFIGURATION: &str = "out of service by the configuration";

/// What the lamps of an enclosure need to know of it.
pub(super) struct Housing {
    /// Its care sheet; none where there is none of that name.
    pub sheet: Option<Rc<Sheet>>,
    /// What its animal needs, its year as late as it runs here; none where something in it is wrong.
    pub care: Option<Care>,
    /// Its probes by name.
    pub probes: BTreeMap<String, KnownProbe>,
}

impl Housing {
    /// What the care sheet says of the spot a probe sits at.
    pub fn spot(&self, probe: &KnownProbe) -> Option<&Spot> {
        self.sheet.as_ref()?.spots.get(probe.spot.as_deref()?)
    }
}

impl Bench<'_, '_> {
    /// Builds an enclosure; none where something is wrong.
    pub(super) fn enclosure(&mut self, fields: &Fields) -> Option<Enclosure> {
        let id = fields.text("id").and_then(|id| self.id(&id));
        let title = fields.text("title").map(|title| self.filled(title).value);
        let sheet = fields.text("care").and_then(|care| self.named_sheet(&care));
        self.uses_known &= sheet.is_some();
        let care = sheet.as_ref().and_then(|sheet| sheet.care.as_ref());
        let care = care.and_then(|care| self.shifted(fields, care));
        let mut housing = Housing { sheet, care, probes: BTreeMap::new() };
        let mut probes = Some(Vec::new());
        for (index, (name, named)) in fields.named("probes").into_iter().enumerate() {
            let (known, probe) = self.probe(index, name, named);
            housing.probes.insert(name.to_owned(), known);
            collect(&mut probes, probe);
        }
        let probes = probes.map(fitted);
        self.power_probes_shared(fields);
        self.unwatched_cooling(fields, &housing);
        let mut lamps = Some(Vec::new());
        for (name, named) in fields.named("lamps") {
            let lamp = named.fields.as_ref().and_then(|lamp| self.lamp(name, named.key, lamp, &housing));
            collect(&mut lamps, lamp);
        }
        let lamps = lamps.map(fitted);
        let out_of_service = (!fields.switch("in_service")).then(|| OUT_BY_CONFIGURATION.to_owned());
        let id = id?;
        Some(Enclosure {
            title: title.unwrap_or_else(|| id.clone()),
            rack: self.bay.as_ref().map(|(rack, _)| rack.clone()),
            id,
            care: housing.care?,
            probes: probes?,
            lamps: lamps?,
            out_of_service,
        })
    }

    /// Reports a cooling season whose conditions nobody sees.
    fn unwatched_cooling(&mut self, enclosure: &Fields, housing: &Housing) {
        let Some(spot) = housing.care.as_ref().and_then(watched_spot) else { return };
        let sees =
            |probe: &KnownProbe| probe.measures == Some(Measures::Temperature) && probe.spot.as_deref() == Some(spot);
        if !housing.probes.values().any(sees) {
            let wrong = format!("no temperature probe sits at the {spot} spot, by which the cooling season goes");
            let right = format!("add one with `spot = \"{spot}\"`, or name another `spot` in `cooling`");
            self.sink.push(Draft::error(enclosure.place("care"), wrong, right).absence().once("cooling not watched"));
        }
    }

    /// Reports lamps that name the same power probe, which then measures none of them alone.
    fn power_probes_shared(&mut self, enclosure: &Fields) {
        let mut named: BTreeMap<String, At> = BTreeMap::new();
        for (_, lamp) in enclosure.named("lamps") {
            let Some(power) = lamp.fields.as_ref().and_then(|lamp| lamp.text("power")) else { continue };
            if let Some(first) = named.insert(power.value.clone(), power.at) {
                let wrong = format!("two lamps name the power probe `{}`", power.value);
                let right = "name a probe that measures this lamp alone, or leave `power` out";
                self.sink.push(Draft::error(power.at, wrong, right).also(first, "the other lamp"));
            }
        }
    }

    fn id(&mut self, id: &Put<String>) -> Option<String> {
        if RESERVED_IDS.contains(&id.value.as_str()) {
            let wrong = format!("the id `{}` is reserved for the daemon's own topics", id.value);
            self.sink.error(id.at, wrong, "give the enclosure another id");
            return None;
        }
        if let Some(first) = self.ids.get(&id.value).copied() {
            let draft =
                Draft::error(id.at, format!("two enclosures have the id `{}`", id.value), "give each its own id");
            let draft = if self.bay.is_some() { draft.once("id used twice") } else { draft };
            self.sink.push(if first == id.at { draft } else { draft.also(first, "first here") });
            return None;
        }
        self.ids.insert(id.value.clone(), id.at);
        Some(id.value.clone())
    }

    /// The probe that `key` names, if it measures `measures`.
    pub(super) fn reference(
        &mut self,
        fields: &Fields,
        key: &str,
        measures: Measures,
        housing: &Housing,
    ) -> Option<KnownProbe> {
        let name = fields.text(key)?;
        self.resolve(&name, key, measures, housing)
    }

    /// The probes that the list under `key` names.
    pub(super) fn references(
        &mut self,
        fields: &Fields,
        key: &str,
        measures: Measures,
        housing: &Housing,
    ) -> Vec<KnownProbe> {
        let names: Vec<Put<String>> = fields
            .list(key)
            .unwrap_or_default()
            .iter()
            .filter_map(|node| match &node.value {
                Value::Text(text) => Some(Put { at: node.at, value: text.clone() }),
                _ => None,
            })
            .collect();
        names.iter().filter_map(|name| self.resolve(name, key, measures, housing)).collect()
    }

    fn resolve(&mut self, name: &Put<String>, key: &str, measures: Measures, housing: &Housing) -> Option<KnownProbe> {
        let Some(probe) = housing.probes.get(&name.value) else {
            self.unknown("probe", name, housing.probes.keys().map(String::as_str));
            return None;
        };
        let found = probe.measures?;
        if found != measures {
            let wrong = format!("`{key}` names `{}`, which measures {}", name.value, word(found));
            let right = format!("name a probe that measures {}", word(measures));
            self.sink.push(Draft::error(name.at, wrong, right).also(probe.key, "this probe"));
            return None;
        }
        Some(probe.clone())
    }

    /// Warns of keys that change nothing, and says why.
    pub(super) fn without_effect(&mut self, fields: &Fields, keys: &[&str], why: &str) {
        for key in keys.iter().filter(|key| fields.has(key)) {
            let at: At = fields.place(key);
            self.sink.warning(at, format!("`{key}` has no effect: {why}"), "leave it out");
        }
    }
}

fn word(measures: Measures) -> &'static str {
    Measures::ALL.into_iter().find(|(known, _)| *known == measures).map_or("", |(_, word)| word)
}
