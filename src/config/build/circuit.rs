//! Circuits: what hangs on each breaker, and whether it may.

use super::super::fields::Fields;
use super::super::finding::{At, Draft};
use super::super::keys::span_text;
use super::lamp::Draftsman;
use super::{Bench, collect};
use crate::settings::{Circuit, CircuitIx, Settings, Tariff};
use crate::units::{Amperes, Volts, Watts};

/// What every finding on a load ends with.
const CODE: &str = "NEC 210.20(A); your local code may say otherwise, so ask a licensed electrician";

/// A circuit that lamps can name.
pub(super) struct KnownCircuit {
    ix: CircuitIx,
    /// Where its name stands.
    pub key: At,
    /// Whether a lamp draws from it.
    pub used: bool,
    /// Whether only so much of it may be on at once.
    limited: bool,
    /// Where its soft limit stands, or its name.
    limit: At,
}

/// The tariff; the outer option is lost where something is wrong.
pub(super) fn tariff(root: &Fields) -> Option<Option<Tariff>> {
    if !root.has("tariff") {
        return Some(None);
    }
    let fields = root.table("tariff")?;
    Some(Some(Tariff { price: fields.number("price")?.value, currency: fields.text("currency")?.value }))
}

impl Bench<'_, '_> {
    /// Reads every circuit.
    pub(super) fn circuits(&mut self, root: &Fields) -> Option<Vec<Circuit>> {
        let mut all = Some(Vec::new());
        for (index, (name, named)) in root.named("circuit").into_iter().enumerate() {
            let fields = named.fields.as_ref();
            let limited = fields.is_some_and(|fields| fields.has("soft_limit"));
            let limit = fields.filter(|_| limited).map_or(named.key, |fields| fields.place("soft_limit"));
            let known = KnownCircuit { ix: CircuitIx(index), key: named.key, used: false, limited, limit };
            self.circuits.insert(name.to_owned(), known);
            let circuit = || {
                let fields = fields?;
                Some(Circuit {
                    name: name.to_owned(),
                    breaker: Amperes(fields.number("breaker")?.value),
                    voltage: Volts(fields.number("voltage")?.value),
                    stagger: fields.span("stagger")?.value,
                    soft_limit: if limited { Some(Watts(fields.number("soft_limit")?.value)) } else { None },
                })
            };
            collect(&mut all, circuit());
        }
        all
    }

    /// The circuit a lamp draws from; the outer option is lost where there is none of that name.
    pub(super) fn circuit(&mut self, lamp: &Draftsman) -> Option<Option<CircuitIx>> {
        let fields = lamp.fields;
        if !fields.has("circuit") {
            self.without_effect(fields, &["priority"], "the lamp draws from no `circuit`");
            return Some(None);
        }
        let Some(name) = fields.text("circuit") else {
            self.uses_known = false;
            return None;
        };
        let Some(known) = self.circuits.get_mut(&name.value) else {
            let names: Vec<String> = self.circuits.keys().cloned().collect();
            self.uses_known = false;
            self.unknown("circuit", &name, names.iter().map(String::as_str));
            return None;
        };
        known.used = true;
        let (ix, limited, limit) = (known.ix, known.limited, known.limit);
        if !limited {
            self.without_effect(fields, &["priority"], "its circuit has no `soft_limit`");
        }
        if !fields.has("watts") {
            let wrong =
                format!("lamp `{}` draws from the circuit `{}`, and its power is not known", lamp.name, name.value);
            let right = "add `watts`, its rated power";
            let draft =
                if limited { Draft::error(lamp.key, wrong, right) } else { Draft::warning(lamp.key, wrong, right) };
            let draft = draft.absence().once("load not known");
            self.sink.push(if limited { draft.also(limit, "the soft limit") } else { draft });
        }
        Some(Some(ix))
    }

    /// Adds up what hangs on each breaker.
    pub(super) fn report_loads(&mut self, settings: &Settings) {
        for (at, circuit) in settings.circuits.iter().enumerate() {
            let Some(known) = self.circuits.get(&circuit.name) else { continue };
            let (key, limit_at) = (known.key, known.limit);
            let (load, unknown) = settings.connected_load(CircuitIx(at));
            let (rated, may) = (circuit.rated(), circuit.continuous());
            let more =
                if unknown > 0 { format!(", and {unknown} more whose power is not known") } else { String::new() };
            let size = format!("{} at {} carries {rated}", circuit.breaker, circuit.voltage);
            if load > may {
                let over = if load > rated { "more than the breaker itself" } else { "more than 80 % of it" };
                let wrong = format!(
                    "lamps of {load} may be on at once on `{}`{more}: {over}; {size}, and what is on for three hours or \
                     more may draw {may}",
                    circuit.name
                );
                let held = circuit.soft_limit.filter(|limit| *limit <= may);
                let software =
                    held.map_or("", |_| "; a soft limit keeps below it in software alone, which is no protection");
                let right = format!("move lamps to another circuit, at most {may} on this one ({CODE}){software}");
                self.sink.push(Draft::warning(key, wrong, right));
            }
            if let Some(limit) = circuit.soft_limit.filter(|limit| *limit > may) {
                let wrong = format!("`soft_limit` is {limit}, and what is on for hours may draw {may} here: {size}");
                self.sink.push(Draft::warning(limit_at, wrong, format!("at most {:.0} ({CODE})", may.0)));
            }
            self.too_large(settings, CircuitIx(at), circuit, limit_at);
            self.slow_stagger(settings, CircuitIx(at), circuit, key);
        }
    }

    /// A lamp that the soft limit never lets be on.
    fn too_large(&mut self, settings: &Settings, ix: CircuitIx, circuit: &Circuit, at: At) {
        let Some(limit) = circuit.soft_limit else { return };
        let largest = settings.on_circuit(ix).filter_map(|lamp| Some((lamp, lamp.power?)));
        let Some((lamp, power)) = largest.max_by(|a, b| a.1.0.total_cmp(&b.1.0)).filter(|(_, power)| *power > limit)
        else {
            return;
        };
        let wrong =
            format!("lamp `{}` of {power} alone is more than the soft limit, {limit}: it would never be on", lamp.name);
        self.sink.error(at, wrong, format!("at least {:.0}, or another circuit for this lamp", power.0));
    }

    /// Lamps told again after the connection was lost wait for their turn: longer than a third of their hold, and they
    /// would go out meanwhile.
    fn slow_stagger(&mut self, settings: &Settings, ix: CircuitIx, circuit: &Circuit, at: At) {
        let span = circuit.strike_gap(settings.on_circuit(ix).count())
            * u32::try_from(settings.on_circuit(ix).count()).unwrap_or(u32::MAX);
        let shortest = settings.on_circuit(ix).filter_map(|lamp| lamp.output.hold).min();
        if let Some(hold) = shortest.filter(|hold| span > *hold / 3) {
            let wrong = format!(
                "the lamps of `{}` take {} to strike one after the other, and one of them has a `hold` of {}: it could go out \
                 while it waits",
                circuit.name,
                span_text(span),
                span_text(hold)
            );
            self.sink.warning(
                at,
                wrong,
                format!("`stagger = \"{}\"` or less, or a longer `hold`", span_text(hold / 3)),
            );
        }
    }
}
