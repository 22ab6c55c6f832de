//! Thermostats and the guards over lamps that warm.

use std::collections::BTreeMap;
use std::time::Duration;

use super::super::fields::{Fields, Put};
use super::super::finding::{At, Draft};
use super::super::keys::span_text;
use super::Bench;
use super::enclosure::Housing;
use super::lamp::{Control, Draftsman, title};
use super::probe::KnownProbe;
use crate::settings::{Guard, Heat, HeatLaw, HeatWeak, Measures, Pi, ProbeIx, SpotYear, Target};
use crate::units::{Celsius, Kelvin, KelvinPerSecond, KelvinSeconds};

/// Limit above the cut where none is given: guess.
const LIMIT_ABOVE_CUT: f64 = 5.0;
/// A cut above this warns: no published basking surface is hotter (desert lizards, 50-60 °C, never above).
const CUT_USUAL_MAX: f64 = 60.0;
/// A guard probe that reports more seldom than this lets a lamp run unseen for too long: guess.
const GUARD_EVERY_MAX: Duration = Duration::from_secs(5 * 60);
/// A deficit of 1 K over an hour, or of 4 K over a quarter of one, without 0.5 K gained in 15 min: guess.
const WEAK: HeatWeak =
    HeatWeak { deficit: KelvinSeconds(3600.0), gain: Kelvin(0.5), within: Duration::from_secs(15 * 60) };

const GUARD_KEYS: &[&str] =
    &["cut", "limit", "gap", "rest", "slew", "twins_apart", "twins_for", "frozen_after", "unstoppable_after"];

impl Bench<'_, '_> {
    /// The thermostat; the outer option is lost where something is wrong.
    pub(super) fn heat(
        &mut self,
        lamp: &Draftsman,
        warms: Option<&KnownProbe>,
        housing: &Housing,
    ) -> Option<Option<Heat>> {
        let fields = lamp.fields;
        self.keys_of_other_controls(lamp);
        if !fields.has("warms") {
            return Some(None);
        }
        if let Some(fitting) = lamp.fitting.filter(|fitting| !fitting.traits().emits.heat) {
            let wrong = format!("`warms` asks a {} for heat, which it does not give", title(Some(fitting)));
            self.sink.error(fields.place("warms"), wrong, "leave it out, or correct `fitting`");
            return None;
        }
        let warms = warms?;
        let target = self.target(lamp, warms, housing);
        if let Some(target) = &target {
            self.light_at_night(lamp, target);
        }
        let pi = Pi { band: Kelvin(fields.number("band")?.value), integral: fields.span("integral")?.value };
        let law = match lamp.control? {
            Control::OnOff => HeatLaw::OnOff { hysteresis: Kelvin(fields.number("hysteresis")?.value) },
            Control::Pulse => HeatLaw::Pulse { period: fields.span("period")?.value, pi },
            Control::Dim => HeatLaw::Dim { pi },
        };
        Some(Some(Heat { probe: warms.ix, target: target?.value, law, weak: WEAK }))
    }

    fn keys_of_other_controls(&mut self, lamp: &Draftsman) {
        let fields = lamp.fields;
        if !fields.has("warms") {
            let keys = ["control", "target", "hysteresis", "period", "band", "integral"];
            self.without_effect(fields, &keys, "without `warms` there is no thermostat");
            return;
        }
        let (keys, why): (&[&str], _) = match lamp.control {
            Some(Control::OnOff) => (&["period", "band", "integral"], "control is on-off"),
            Some(Control::Pulse) => (&["hysteresis"], "control is by pulses"),
            Some(Control::Dim) => (&["hysteresis", "period"], "control is by dimming"),
            None => return,
        };
        self.without_effect(fields, keys, why);
    }

    /// The lamp's own target, else that of the spot it warms.
    fn target(&mut self, lamp: &Draftsman, warms: &KnownProbe, housing: &Housing) -> Option<Put<Target>> {
        let fields = lamp.fields;
        if fields.has("target") {
            let own = fields.table("target")?;
            let (day, night) = (Celsius(own.number("day")?.value), Celsius(own.number("night")?.value));
            return Some(Put { at: own.at, value: Target { day, night } });
        }
        if let Some(spot) = housing.spot(warms) {
            return spot.target.clone();
        }
        let (sheet, spot) = (housing.sheet.as_ref()?, warms.spot.as_ref()?);
        let name = sheet.care.as_ref().map_or("", |care| care.name.as_str());
        let wrong = format!("the care sheet `{name}` says nothing of the spot `{spot}`, which this lamp warms");
        let keys = format!("`{spot} = {{ day = …, night = …, cut = … }}`");
        let right = match sheet.shipped {
            false => format!("add {keys} to the care sheet, or `target` to the lamp"),
            true => format!("add a sheet of your own with `based_on = \"{name}\"` and {keys}, or `target` to the lamp"),
        };
        self.sink.push(Draft::error(fields.place("warms"), wrong, right).also(warms.key, "the probe's spot").absence());
        None
    }

    /// How the targets of the spot a lamp warms change over the year: not, where it has its own.
    pub(super) fn spot_year(&self, lamp: &Fields, warms: Option<&KnownProbe>, housing: &Housing) -> Option<SpotYear> {
        let spot = warms.filter(|_| !lamp.has("target"))?.spot.as_deref()?;
        housing.care.as_ref()?.program.as_ref()?.of_spot(spot)
    }

    fn light_at_night(&mut self, lamp: &Draftsman, target: &Put<Target>) {
        let Some(fitting) = lamp.fitting.filter(|fitting| fitting.traits().emits.light) else { return };
        if !lamp.fields.has("when") {
            let wrong = format!(
                "this {} will also shine at night, to hold the night target of {}",
                title(Some(fitting)),
                target.value.night
            );
            let right = "add `when = \"day\"`, and a ceramic emitter or heat mat by night; or `when = \"always\"`, \
                         if it is meant so";
            self.sink.push(Draft::warning(lamp.key, wrong, right).absence());
        }
    }

    /// The guard; the outer option is lost where something is wrong.
    pub(super) fn guard(
        &mut self,
        lamp: &Draftsman,
        warms: Option<&KnownProbe>,
        housing: &Housing,
    ) -> Option<Option<Guard>> {
        let fields = lamp.fields;
        let further = self.references(fields, "guards", Measures::Temperature, housing);
        if !fields.has("warms") && !fields.has("guards") {
            return self.unguarded(lamp);
        }
        let mut probes: BTreeMap<ProbeIx, &KnownProbe> = BTreeMap::new();
        for probe in warms.into_iter().chain(&further) {
            if probes.insert(probe.ix, probe).is_some() {
                let wrong = "`guards` names a probe twice, or the one of `warms` again";
                self.sink.error(fields.place("guards"), wrong, "name each further probe once");
            }
        }
        probes.values().for_each(|probe| self.seldom(probe));
        let cut = self.cut(lamp, warms, &further, housing);
        let limit = self.limit(lamp, warms, cut.as_ref(), housing);
        if let (Some(cut), Some(limit)) = (&cut, &limit) {
            self.thresholds(lamp, warms, housing, cut, limit, &probes);
        }
        Some(Some(Guard {
            probes: warms.into_iter().chain(&further).map(|probe| probe.ix).collect(),
            cut: Celsius(cut?.value),
            limit: Celsius(limit?.value),
            gap: Kelvin(fields.number("gap")?.value),
            rest: fields.span("rest")?.value,
            slew: KelvinPerSecond(fields.number("slew")?.value),
            twins_apart: Kelvin(fields.number("twins_apart")?.value),
            twins_for: fields.span("twins_for")?.value,
            frozen_after: fields.span("frozen_after")?.value,
            unstoppable_after: fields.span("unstoppable_after")?.value,
        }))
    }

    /// A lamp without guard probes: wrong where it warms.
    fn unguarded(&mut self, lamp: &Draftsman) -> Option<Option<Guard>> {
        let fitting = lamp.fitting?;
        if !fitting.traits().emits.heat {
            self.without_effect(lamp.fields, GUARD_KEYS, "without `guards` there is no guard");
            return Some(None);
        }
        let wrong = format!("lamp `{}`, a {}, warms and has no guard probe", lamp.name, title(Some(fitting)));
        let right = "add `warms` with the name of a temperature probe, or `guards` with several: a lamp that warms \
                     has a guard (guard law, point 1)";
        self.sink.push(Draft::error(lamp.key, wrong, right).absence());
        None
    }

    /// Warns of a guard probe that reports so seldom that its silence shows late.
    fn seldom(&mut self, probe: &KnownProbe) {
        let right = format!("at most \"{}\" for a probe that guards", span_text(GUARD_EVERY_MAX));
        if let Some(every) = probe.every.as_ref().filter(|every| every.value > GUARD_EVERY_MAX) {
            let wrong = format!("this probe guards a lamp, and reports only every {}", span_text(every.value));
            self.sink.warning(every.at, wrong, right);
        } else if let Some(stale) = probe.stale.as_ref().filter(|stale| stale.value > GUARD_EVERY_MAX * 3) {
            let wrong = format!("this probe guards a lamp, and may be silent for {}", span_text(stale.value));
            self.sink.warning(stale.at, wrong, format!("at most \"{}\"", span_text(GUARD_EVERY_MAX * 3)));
        }
    }

    /// The lamp's own cut, else that of the spot it warms, else the lowest at its further guard probes.
    fn cut(
        &mut self,
        lamp: &Draftsman,
        warms: Option<&KnownProbe>,
        further: &[KnownProbe],
        housing: &Housing,
    ) -> Option<Put<f64>> {
        let fields = lamp.fields;
        if fields.has("cut") {
            return fields.number("cut");
        }
        let spots: Vec<_> = warms.into_iter().chain(further).filter_map(|probe| housing.spot(probe)).collect();
        let of_warmed = warms.and_then(|probe| housing.spot(probe)).filter(|spot| spot.has_cut);
        let lowest = || spots.iter().filter_map(|spot| spot.cut.clone()).min_by(|a, b| a.value.total_cmp(&b.value));
        let cut = match of_warmed {
            Some(spot) => spot.cut.clone(),
            None => lowest(),
        };
        let named = |key, found| !fields.has(key) || found;
        // A warmed spot of which the care sheet says nothing has been reported with its targets.
        let spotless = warms.is_some_and(|probe| housing.spot(probe).is_none()) && !fields.has("target");
        let told = !spotless
            && named("warms", warms.is_some())
            && named("guards", !further.is_empty())
            && housing.sheet.is_some();
        if cut.is_none() && told && !spots.iter().any(|spot| spot.has_cut) {
            self.no_cut(lamp, warms.and_then(|probe| housing.spot(probe)).map(|spot| spot.at));
        }
        cut
    }

    /// Reports a guard without a cut, at the spot that should have one, or at the lamp where there is no such spot.
    fn no_cut(&mut self, lamp: &Draftsman, spot: Option<At>) {
        let right = "add `cut`: the temperature at which the lamp is switched off at once (guard law, point 1)";
        self.sink.push(
            match spot {
                Some(spot) => Draft::error(spot, "a lamp warms this spot, and neither of them has a `cut`", right)
                    .also(lamp.key, "this lamp"),
                None => Draft::error(lamp.key, format!("the guard of lamp `{}` has no `cut`", lamp.name), right),
            }
            .absence(),
        );
    }

    /// The lamp's own limit, else the spot's where the cut is the spot's too, else a little above the cut.
    fn limit(
        &self,
        lamp: &Draftsman,
        warms: Option<&KnownProbe>,
        cut: Option<&Put<f64>>,
        housing: &Housing,
    ) -> Option<Put<f64>> {
        let fields = lamp.fields;
        if fields.has("limit") {
            return fields.number("limit");
        }
        let of_spot = warms.and_then(|probe| housing.spot(probe)).and_then(|spot| spot.limit.clone());
        if !fields.has("cut") && of_spot.is_some() {
            return of_spot;
        }
        cut.map(|cut| Put { at: cut.at, value: cut.value + LIMIT_ABOVE_CUT })
    }

    /// Target below cut below limit, and all of them within what the probes can say.
    fn thresholds(
        &mut self,
        lamp: &Draftsman,
        warms: Option<&KnownProbe>,
        housing: &Housing,
        cut: &Put<f64>,
        limit: &Put<f64>,
        probes: &BTreeMap<ProbeIx, &KnownProbe>,
    ) {
        self.rising(("cut", Some(cut)), ("limit", Some(limit)), false);
        if cut.value > CUT_USUAL_MAX {
            let wrong = format!("`cut` is {}, hotter than any basking surface should be", Celsius(cut.value));
            self.sink.warning(cut.at, wrong, format!("at most {}", Celsius(CUT_USUAL_MAX)));
        }
        for probe in probes.values() {
            self.believable(probe, limit);
            if warms.is_none_or(|warms| warms.ix != probe.ix) {
                self.cooler_than_cut(probe, cut, housing);
            }
        }
        let target = warms.filter(|_| lamp.fields.has("warms")).and_then(|probe| match lamp.fields.table("target") {
            Some(_) => self.target(lamp, probe, housing),
            None => housing.spot(probe).and_then(|spot| spot.target.clone()),
        });
        if let Some(target) = target {
            self.above_target(lamp, cut, &target);
            self.above_year(lamp, warms, housing, cut, &target);
        }
    }

    /// A limit beyond a probe's plausible range would never be seen.
    fn believable(&mut self, probe: &KnownProbe, limit: &Put<f64>) {
        let Some(most) = probe.most.filter(|most| limit.value > *most) else { return };
        let (limit_text, most) = (Celsius(limit.value), Celsius(most));
        let wrong = format!("the limit is {limit_text}, and this guard probe is not believed above {most}");
        let draft = Draft::error(probe.key, wrong, "raise its `plausible` range above the limit");
        self.sink.push(draft.also(limit.at, "the limit comes from here"));
    }

    /// A further guard probe at a spot that is held at the cut or above would trip the guard every day.
    fn cooler_than_cut(&mut self, probe: &KnownProbe, cut: &Put<f64>, housing: &Housing) {
        let Some(target) = housing.spot(probe).and_then(|spot| spot.target.clone()) else { return };
        let highest = if target.value.night > target.value.day { target.value.night } else { target.value.day };
        if highest < Celsius(cut.value) {
            return;
        }
        let wrong = format!(
            "a guard probe sits where {highest} is held, and the guard cuts at {}: it would trip every day",
            Celsius(cut.value)
        );
        let right = format!("give the lamp a `cut` above {highest}, or leave this probe out of `guards`");
        self.sink.push(Draft::error(probe.key, wrong, right).also(cut.at, "the cut comes from here"));
    }

    /// The hottest day of the year is not above the cut either.
    fn above_year(
        &mut self,
        lamp: &Draftsman,
        warms: Option<&KnownProbe>,
        housing: &Housing,
        cut: &Put<f64>,
        target: &Put<Target>,
    ) {
        let Some(year) = self.spot_year(lamp.fields, warms, housing) else { return };
        let highest = year.highest(target.value);
        let hysteresis = match lamp.control {
            Some(Control::OnOff) => lamp.fields.number("hysteresis").map_or(0.0, |hysteresis| hysteresis.value),
            _ => 0.0,
        };
        let least = highest + Kelvin(hysteresis);
        // Days as hot as the sheet's own have been told of.
        if highest <= target.value.day || Celsius(cut.value) > least {
            return;
        }
        let cut_text = Celsius(cut.value);
        let wrong = format!(
            "the cut, {cut_text}, is not above what the thermostat may reach in the course of the year, {least}"
        );
        let right = format!("above {least}: the highest target of the year, {highest}, and the hysteresis");
        self.sink.push(Draft::error(cut.at, wrong, right).also(target.at, "the sheet's own targets"));
    }

    fn above_target(&mut self, lamp: &Draftsman, cut: &Put<f64>, target: &Put<Target>) {
        let hysteresis = match lamp.control {
            Some(Control::OnOff) => lamp.fields.number("hysteresis").map_or(0.0, |hysteresis| hysteresis.value),
            _ => 0.0,
        };
        let Target { day, night } = target.value;
        let (word, highest) = if night > day { ("night", night) } else { ("day", day) };
        let least = highest + Kelvin(hysteresis);
        // Where both stand in the care sheet, it has been told already that they are the wrong way round.
        let told = !lamp.fields.has("cut") && !lamp.fields.has("target") && Celsius(cut.value) <= highest;
        if told || Celsius(cut.value) > least {
            return;
        }
        let wrong =
            format!("the cut, {}, is not above what the thermostat may reach by {word}, {least}", Celsius(cut.value));
        let right = format!("above {least}: the target of {highest} and the hysteresis of {}", Kelvin(hysteresis));
        self.sink.push(Draft::error(cut.at, wrong, right).also(target.at, "the targets"));
    }
}
