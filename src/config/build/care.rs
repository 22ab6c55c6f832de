//! Care sheets.

use std::collections::BTreeMap;
use std::rc::Rc;

use super::super::care_sheets::{self, CARE_SHEETS};
use super::super::fields::{Fields, Put};
use super::super::finding::{At, Draft, nearest};
use super::super::keys::SPOTS;
use super::photoperiod::photoperiod;
use super::{Bench, listed};
use crate::science::uv;
use crate::settings::{Care, Target, UvBand};
use crate::units::{Celsius, Uvi};

/// A care sheet while a configuration is built.
pub(super) struct Sheet {
    /// Where its name stands.
    pub key: At,
    /// Whether it could be read at all; where not, a finding says why, and nothing is said of what it lacks.
    pub readable: bool,
    /// Whether it comes with the program, so that a keeper cannot add to it.
    pub shipped: bool,
    /// What the core gets; none where something in it is wrong.
    pub care: Option<Care>,
    /// Whether it has a UVI band, however wrong.
    pub has_uv: bool,
    /// Temperatures by spot.
    pub spots: BTreeMap<&'static str, Spot>,
}

/// Temperatures of a spot.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    /// Where it stands.
    pub at: At,
    /// What is held; none where it is wrong.
    pub target: Option<Put<Target>>,
    /// Whether a cut is given, however wrong.
    pub has_cut: bool,
    /// Where its guard cuts.
    pub cut: Option<Put<f64>>,
    /// Where its guard latches.
    pub limit: Option<Put<f64>>,
}

impl Bench<'_, '_> {
    /// Reads every care sheet of the configuration.
    pub(super) fn sheets(&mut self, root: &Fields) {
        for (name, named) in root.named("care") {
            let sheet = self.sheet(name, named.key, named.fields.as_ref());
            self.sheets.insert(name.to_owned(), Rc::new(sheet));
        }
    }

    /// The sheet that `reference` names: the keeper's own, else the one that comes with the program; none where there
    /// is none of that name, or nothing is known of it.
    pub(super) fn named_sheet(&mut self, reference: &Put<String>) -> Option<Rc<Sheet>> {
        if let Some(own) = self.sheets.get(&reference.value) {
            self.sheets_used.insert(reference.value.clone());
            return Some(own.clone()).filter(|own| own.readable);
        }
        // Each place that names a shipped sheet has it anew, with its findings there; the bays of a rack share a place.
        if let Some(known) = self.shipped.get(&reference.at) {
            return Some(known.clone());
        }
        let Some(shipped) = care_sheets::find(&reference.value) else {
            self.unknown_sheet(reference);
            return None;
        };
        let fields = shipped.fields(reference.at);
        let sheet = Rc::new(Sheet { shipped: true, ..self.sheet(shipped.name, reference.at, Some(&fields)) });
        self.shipped.insert(reference.at, sheet.clone());
        Some(sheet)
    }

    fn unknown_sheet(&mut self, reference: &Put<String>) {
        let own = self.sheets.keys().map(String::as_str);
        let near = nearest(&reference.value, own.chain(CARE_SHEETS.iter().map(|sheet| sheet.name)));
        let near = near.or_else(|| care_sheets::near(&reference.value)).map(str::to_owned);
        let wrong = format!("there is no care sheet `{}`", reference.value);
        let right = match (care_sheets::advice(near.as_deref()), listed(self.sheets.keys().map(String::as_str))) {
            (advice, Some(own)) if near.is_none() => format!("your own are {own}; {advice}"),
            (advice, _) => advice,
        };
        self.sink.push(Draft::error(reference.at, wrong, right).nearest(near.as_deref()).absence());
    }

    fn sheet(&mut self, name: &str, key: At, fields: Option<&Fields>) -> Sheet {
        let mut sheet =
            Sheet { key, readable: false, shipped: false, care: None, has_uv: true, spots: BTreeMap::new() };
        let Some(fields) = fields else { return sheet };
        let uv = self.uv(fields);
        let year = self.year(fields);
        let lengths = year.as_ref().map(|year| year.lengths.clone());
        let photoperiod = fields
            .table("photoperiod")
            .and_then(|it| photoperiod(it, lengths.as_ref().map(Option::as_ref), fields, self.sink));
        sheet.readable = true;
        sheet.has_uv = fields.has("uv_zone") || fields.has("basking_uvi");
        sheet.spots = SPOTS.iter().filter_map(|spot| Some((*spot, self.spot(fields.table(spot)?)))).collect();
        let parts = uv.zip(photoperiod).zip(year);
        sheet.care = parts.map(|((uv, photoperiod), year)| Care {
            name: name.to_owned(),
            photoperiod,
            uv,
            program: year.program,
        });
        sheet
    }

    /// The UVI band; the outer option is lost where something is wrong.
    fn uv(&mut self, fields: &Fields) -> Option<Option<UvBand>> {
        if fields.has("uv_zone") && fields.has("basking_uvi") {
            let wrong = "`uv_zone` and `basking_uvi` both set the UVI band";
            let draft = Draft::error(fields.place("basking_uvi"), wrong, "keep one of them");
            self.sink.push(draft.also(fields.place("uv_zone"), "the other one"));
            return None;
        }
        if fields.has("uv_zone") {
            return zone_band(fields.whole("uv_zone")?.value).map(Some);
        }
        if !fields.has("basking_uvi") {
            return Some(None);
        }
        let band = fields.table("basking_uvi")?;
        let (low, high, ceiling) = (band.number("low"), band.number("high"), band.number("ceiling"));
        self.rising(("low", low.as_ref()), ("high", high.as_ref()), false);
        self.rising(("high", high.as_ref()), ("ceiling", ceiling.as_ref()), true);
        Some(Some(UvBand { zone: None, low: Uvi(low?.value), high: Uvi(high?.value), ceiling: Uvi(ceiling?.value) }))
    }

    fn spot(&mut self, fields: &Fields) -> Spot {
        let (day, night) = (fields.number("day"), fields.number("night"));
        let (cut, limit) = (fields.number("cut"), fields.number("limit"));
        self.rising(("cut", cut.as_ref()), ("limit", limit.as_ref()), false);
        if let (Some(cut), Some(day), Some(night)) = (&cut, &day, &night) {
            self.cut_above_target(cut, if night.value > day.value { night } else { day });
        }
        let target = day.zip(night).map(|(day, night)| Put {
            at: fields.at,
            value: Target { day: Celsius(day.value), night: Celsius(night.value) },
        });
        Spot { at: fields.at, target, has_cut: fields.has("cut"), cut, limit }
    }

    fn cut_above_target(&mut self, cut: &Put<f64>, target: &Put<f64>) {
        if cut.value <= target.value {
            let target_text = Celsius(target.value);
            let wrong = format!("`cut` is {}, not above the target of {target_text}", Celsius(cut.value));
            let right = format!("above {target_text}, and above the hysteresis of an on-off thermostat");
            self.sink.push(Draft::error(cut.at, wrong, right).also(target.at, "this target"));
        }
    }

    /// Reports `more` where it is not above `less`; `equal`: where it is below.
    pub(super) fn rising(&mut self, less: (&str, Option<&Put<f64>>), more: (&str, Option<&Put<f64>>), equal: bool) {
        let ((name, Some(least)), (key, Some(most))) = (less, more) else { return };
        let holds = if equal { most.value >= least.value } else { most.value > least.value };
        if !holds {
            let wrong = format!("`{key}` is {}, not above `{name}`, {}", most.value, least.value);
            let right = format!("{} {}", if equal { "at least" } else { "above" }, least.value);
            self.sink.push(Draft::error(most.at, wrong, right).also(least.at, format!("`{name}` is here")));
        }
    }
}

/// The UVI band of a Ferguson zone: the range of the highest UVI that its animals are exposed to.
fn zone_band(number: i64) -> Option<UvBand> {
    let zone = uv::zone(u8::try_from(number).ok()?)?;
    Some(UvBand { zone: Some(zone.number), low: zone.maximum.0, high: zone.maximum.1, ceiling: zone.ceiling })
}
