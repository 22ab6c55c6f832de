//! Lamps: what drives them, when they may be on, and their UV.

use std::sync::Arc;
use std::time::Duration;

use super::super::fields::{Fields, Put};
use super::super::finding::{At, Draft};
use super::super::keys::span_text;
use super::Bench;
use super::enclosure::Housing;
use super::photoperiod::shortest_day;
use super::probe::KnownProbe;
use crate::settings::{CutOffIx, Fitting, Lamp, Measures, Output, ProbeIx, UvCeiling, When, Window};
use crate::units::{Level, Watts};

/// Longest hold on a lamp that warms without a warning: so long it would heat on after the daemon has died. Guess.
const HEAT_HOLD_MAX: Duration = Duration::from_secs(30 * 60);
/// Shortest time on and off of a relay under on-off control: guess.
const SWITCH_MIN: Duration = Duration::from_secs(30);

/// How a thermostat drives its lamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Control {
    /// On and off.
    OnOff,
    /// On for a share of each period.
    Pulse,
    /// Dimmed.
    Dim,
}

/// A lamp while it is built.
pub(super) struct Draftsman<'l> {
    /// Its name.
    pub name: &'l str,
    /// Where its name stands.
    pub key: At,
    /// Its keys.
    pub fields: &'l Fields,
    /// What kind of lamp is in it; none where that is wrong.
    pub fitting: Option<Fitting>,
    /// How it is driven; none where that is wrong.
    pub control: Option<Control>,
}

impl Bench<'_, '_> {
    /// Builds a lamp; none where something is wrong.
    pub(super) fn lamp(&mut self, name: &str, key: At, fields: &Fields, housing: &Housing) -> Option<Lamp> {
        let fitting = fields.text("fitting").and_then(|word| Fitting::from_word(&word.value));
        let mut lamp = Draftsman { name, key, fields, fitting, control: None };
        let output = self.drive(&lamp);
        lamp.control = self.control(&lamp);
        let warms = self.reference(fields, "warms", Measures::Temperature, housing);
        let heat = self.heat(&lamp, warms.as_ref(), housing);
        let guard = self.guard(&lamp, warms.as_ref(), housing);
        let lights = self.reference(fields, "lights", Measures::Uvi, housing);
        let uv_ceiling = self.uv_ceiling(&lamp, lights.as_ref(), housing);
        let power_probe = self.reference(fields, "power", Measures::Power, housing);
        let cut_off = self.cut_off(fields);
        let circuit = self.circuit(&lamp);
        let window = self.window(&lamp, housing);
        let shortest = self.shortest_times(&lamp);
        let named = |key, found: &Option<KnownProbe>| !fields.has(key) || found.is_some();
        if !(named("lights", &lights) && named("power", &power_probe) && named("warms", &warms)) {
            return None;
        }
        let index = |probe: &KnownProbe| -> ProbeIx { probe.ix };
        let (min_on, min_off) = shortest?;
        Some(Lamp {
            name: name.to_owned(),
            fitting: fitting?,
            power: if fields.has("watts") { Some(Watts(fields.number("watts")?.value)) } else { None },
            output: output?,
            cut_off: cut_off?,
            circuit: circuit?,
            priority: u8::try_from(fields.whole("priority")?.value).ok()?,
            window: window?,
            year: self.spot_year(fields, warms.as_ref(), housing).map(Arc::new),
            heat: heat?,
            guard: guard?,
            lights: lights.as_ref().map(index),
            uv_ceiling: uv_ceiling?,
            power_probe: power_probe.as_ref().map(index),
            min_on,
            min_off,
            warm_up: fitting?.traits().warm_up.value,
        })
    }

    /// The relay or dimmer.
    fn drive(&mut self, lamp: &Draftsman) -> Option<Output> {
        let fields = lamp.fields;
        let who = format!("lamp `{}`", lamp.name);
        let output = match (fields.has("relay"), fields.has("dimmer")) {
            (true, true) => {
                let draft =
                    Draft::error(fields.place("dimmer"), "a lamp has a relay or a dimmer, not both", "keep one");
                self.sink.push(draft.also(fields.place("relay"), "the relay"));
                return None;
            }
            (false, false) => {
                let wrong = format!("{who} has neither a relay nor a dimmer");
                let right = "add `relay = { set = \"…\" }` or `dimmer = { set = \"…\" }`";
                self.sink.push(Draft::error(lamp.key, wrong, right).absence());
                return None;
            }
            (true, false) => fields.table("relay").and_then(|relay| self.output(relay, &who)),
            (false, true) => {
                if let Some(Err(why)) = lamp.fitting.map(|fitting| fitting.traits().dimmable) {
                    let wrong = format!("a {} cannot be dimmed: {why}", title(lamp.fitting));
                    self.sink.error(
                        fields.place("dimmer"),
                        wrong,
                        "drive it by a `relay`, or fit a lamp that can be dimmed",
                    );
                }
                fields.table("dimmer").and_then(|dimmer| self.dimmer(dimmer, &who))
            }
        };
        self.heat_hold(lamp);
        output
    }

    /// Guard law, point 7: heat ends by itself where the relay can time out.
    fn heat_hold(&mut self, lamp: &Draftsman) {
        let Some(fitting) = lamp.fitting.filter(|fitting| fitting.traits().emits.heat) else { return };
        let word = if lamp.fields.has("dimmer") { "dimmer" } else { "relay" };
        let Some(drive) = lamp.fields.table(word) else { return };
        if !drive.has("hold") {
            let wrong = format!(
                "the {word} of a {} has no `hold`: if the daemon or the broker dies while it is on, its heat does not \
                 end (guard law, point 7)",
                title(Some(fitting))
            );
            let right = "set a time-out in the device and name it here, such as `hold = \"5m\"`";
            self.sink.push(Draft::warning(lamp.fields.place(word), wrong, right).absence());
        } else if let Some(hold) = drive.span("hold").filter(|hold| hold.value > HEAT_HOLD_MAX) {
            let wrong = format!("`hold` is {}: so long it heats on after the daemon has died", span_text(hold.value));
            self.sink.warning(hold.at, wrong, format!("at most \"{}\" for heat", span_text(HEAT_HOLD_MAX)));
        }
    }

    fn control(&mut self, lamp: &Draftsman) -> Option<Control> {
        let fields = lamp.fields;
        let dimmer = fields.has("dimmer");
        if !fields.has("control") {
            return Some(if dimmer && fields.has("warms") { Control::Dim } else { Control::OnOff });
        }
        let word = fields.text("control")?;
        let clash = match (word.value.as_str(), dimmer) {
            ("dim", false) => Some(("`control` is \"dim\", and there is no dimmer", "drive the lamp by a `dimmer`")),
            ("pulse", true) => Some(("`control` is \"pulse\", and the lamp has a dimmer", "write \"dim\"")),
            _ => None,
        };
        if let Some((wrong, right)) = clash {
            self.sink.error(word.at, wrong, right);
            return None;
        }
        match (word.value.as_str(), lamp.fitting.map(|fitting| fitting.traits().pulsable)) {
            ("pulse", Some(Err(why))) => {
                let wrong = format!("a {} cannot be pulsed: {why}", title(lamp.fitting));
                self.sink.error(word.at, wrong, "write \"on-off\", or fit a lamp that gives no light");
                None
            }
            ("pulse", _) => Some(Control::Pulse),
            ("dim", _) => Some(Control::Dim),
            _ => Some(Control::OnOff),
        }
    }

    /// The contactor above; the outer option is lost where there is none of that name.
    fn cut_off(&mut self, fields: &Fields) -> Option<Option<CutOffIx>> {
        if !fields.has("cut_off") {
            return Some(None);
        }
        let Some(name) = fields.text("cut_off") else {
            self.uses_known = false;
            return None;
        };
        if let Some(known) = self.cut_offs.get_mut(&name.value) {
            known.used = true;
            return Some(Some(known.ix));
        }
        let names: Vec<String> = self.cut_offs.keys().cloned().collect();
        self.uses_known = false;
        self.unknown("cut-off", &name, names.iter().map(String::as_str));
        None
    }

    fn window(&mut self, lamp: &Draftsman, housing: &Housing) -> Option<Window> {
        let fields = lamp.fields;
        let when = match fields.text("when").map(|when| when.value).as_deref() {
            Some("day") => When::Day,
            Some("night") => When::Night,
            Some(_) => When::Always,
            None if fields.has("when") => return None,
            None if fields.has("warms") => When::Always,
            None => When::Day,
        };
        let staged = (fields.span("after_dawn")?, fields.span("before_dusk")?);
        match when {
            When::Day => self.never_open(&staged, housing),
            When::Night => {}
            // A thermostat's day target follows the stages also where its lamp is never dark.
            When::Always if fields.has("warms") => {
                self.without_effect(fields, &["ramp"], "a lamp that may always be on has no dawn and no dusk");
            }
            When::Always => {
                let keys = ["after_dawn", "before_dusk", "ramp"];
                self.without_effect(fields, &keys, "a lamp that may always be on has no dawn and no dusk");
            }
        }
        if !fields.has("dimmer") {
            for key in ["ramp", "level"].into_iter().filter(|key| fields.has(key)) {
                let wrong = format!("there is a `{key}`, and a relay can only switch");
                self.sink.error(fields.place(key), wrong, "drive the lamp by a `dimmer`, or leave it out");
            }
        }
        Some(Window {
            when,
            after_dawn: staged.0.value,
            before_dusk: staged.1.value,
            ramp: fields.span("ramp")?.value,
            level: Level::clamped(fields.number("level")?.value),
        })
    }

    fn never_open(&mut self, (after, before): &(Put<Duration>, Put<Duration>), housing: &Housing) {
        let photoperiod = housing.sheet.as_ref().and_then(|sheet| sheet.care.as_ref()).map(|care| &care.photoperiod);
        let Some(shortest) = photoperiod.and_then(shortest_day) else { return };
        let sum = after.value + before.value;
        if !sum.is_zero() && sum >= shortest {
            let (sum, shortest) = (span_text(sum), span_text(shortest));
            let wrong = format!(
                "on the shortest day the lamp stays dark: `after_dawn` and `before_dusk` take {sum} of {shortest}"
            );
            let at = if after.value >= before.value { after.at } else { before.at };
            self.sink.warning(at, wrong, format!("let the two together be less than {shortest}"));
        }
    }

    /// Guard law, point 8; the outer option is lost where something is wrong.
    fn uv_ceiling(
        &mut self,
        lamp: &Draftsman,
        lights: Option<&KnownProbe>,
        housing: &Housing,
    ) -> Option<Option<UvCeiling>> {
        let fields = lamp.fields;
        let fitting = lamp.fitting?;
        if !fitting.traits().emits.uv {
            if fields.has("lights") {
                let wrong = format!("`lights` names a UVI probe, and a {} gives no UV", title(Some(fitting)));
                self.sink.error(fields.place("lights"), wrong, "leave it out, or correct `fitting`");
            }
            self.without_effect(fields, &["uv_patience"], "the lamp gives no UV");
            return Some(None);
        }
        let sheet = housing.sheet.as_ref()?;
        if !fields.has("lights") {
            if sheet.has_uv {
                let wrong = format!(
                    "nothing measures the UV of this {}, though the care sheet has a UVI band",
                    title(Some(fitting))
                );
                let right = "add a probe that measures uvi where the animal basks, and name it with `lights`";
                self.sink.push(Draft::warning(lamp.key, wrong, right).absence());
            }
            self.without_effect(fields, &["uv_patience"], "no probe sees its UV");
            return Some(None);
        }
        if !sheet.has_uv {
            self.without_effect(fields, &["uv_patience"], "the care sheet has no UVI band");
            return Some(None);
        }
        let patience = fields.span("uv_patience")?.value;
        let ceiling = sheet.care.as_ref()?.uv?.ceiling;
        Some(Some(UvCeiling { probe: lights?.ix, ceiling, patience }))
    }

    /// Shortest times on and off.
    fn shortest_times(&mut self, lamp: &Draftsman) -> Option<(Duration, Duration)> {
        let fields = lamp.fields;
        let switched = lamp.control? == Control::OnOff && !fields.has("dimmer");
        let usual = if switched { SWITCH_MIN } else { Duration::ZERO };
        let min_on = if fields.has("min_on") { fields.span("min_on")?.value } else { usual };
        let restrike = lamp.fitting?.traits().restrike;
        if !fields.has("min_off") {
            return Some((min_on, usual.max(restrike.value)));
        }
        let min_off = fields.span("min_off")?;
        if min_off.value < restrike.value {
            let need = span_text(restrike.value);
            let wrong = format!(
                "`min_off` is {}, and a {} needs {need} before it strikes again ({})",
                span_text(min_off.value),
                title(lamp.fitting),
                restrike.source
            );
            self.sink.error(min_off.at, wrong, format!("at least \"{need}\", or leave it out"));
        }
        Some((min_on, min_off.value))
    }
}

/// What a person calls a fitting.
pub(super) fn title(fitting: Option<Fitting>) -> &'static str {
    fitting.map_or("lamp", |fitting| fitting.traits().title)
}
