//! Relays and dimmers.

use super::super::fields::{Fields, Put};
use super::super::finding::{Draft, nearest};
use super::{Bench, placeholders};
use crate::settings::{Output, OutputKind};

/// Placeholders a payload may hold.
const PLACEHOLDERS: [&str; 3] = ["level", "percent", "hold"];

impl Bench<'_, '_> {
    /// Reads a relay.
    pub(super) fn output(&mut self, fields: &Fields, who: &str) -> Option<Output> {
        let on = self.payload(fields, "on");
        let off = self.payload(fields, "off");
        if let (Some(on), Some(off)) = (&on, &off)
            && on.value == off.value
        {
            let wrong = format!("`on` and `off` are both \"{}\"", on.value);
            self.sink.error(off.at, wrong, "a relay must be told on and off by different payloads");
        }
        let reports_on = self.report(fields, "reports_on", on.as_ref());
        let reports_off = self.report(fields, "reports_off", off.as_ref());
        if let (Some(on), Some(off)) = (&reports_on, &reports_off)
            && on.value == off.value
            && (fields.has("reports_on") || fields.has("reports_off"))
        {
            let wrong = format!("it reports \"{}\" both while on and while off", on.value);
            let at = if fields.has("reports_off") { off.at } else { on.at };
            self.sink.error(at, wrong, "a relay must report on and off by different payloads");
        }
        self.without_state(fields, &["pointer", "reports_on", "reports_off"]);
        let spoken = self.spoken(fields, who);
        let kind = OutputKind::Relay {
            on: on?.value,
            off: off?.value,
            reports_on: reports_on?.value,
            reports_off: reports_off?.value,
        };
        spoken.map(|spoken| Output { kind, ..spoken })
    }

    /// Reads a dimmer.
    pub(super) fn dimmer(&mut self, fields: &Fields, who: &str) -> Option<Output> {
        let level = self.payload(fields, "level");
        let off = self.payload(fields, "off");
        let holds = |word| level.as_ref().is_some_and(|level| placeholders(&level.value).any(|found| found == word));
        if let Some(level) = level.as_ref().filter(|_| !holds("level") && !holds("percent")) {
            let wrong = "the payload `level` holds neither `{level}` nor `{percent}`: every level would be the same";
            self.sink.error(
                level.at,
                wrong,
                "put `{level}` (0 to 1) or `{percent}` (0 to 100) where the number belongs",
            );
        }
        let full = if fields.has("full") {
            fields.number("full").map(|full| full.value)
        } else {
            Some(if holds("percent") { 100.0 } else { 1.0 })
        };
        self.without_state(fields, &["pointer", "full"]);
        let spoken = self.spoken(fields, who);
        let kind = OutputKind::Dimmer { level: level?.value, off: off?.value, full: full? };
        spoken.map(|spoken| Output { kind, ..spoken })
    }

    /// Topics and hold, which relays and dimmers have in common; the kind is yet to be set.
    fn spoken(&mut self, fields: &Fields, who: &str) -> Option<Output> {
        let set = fields.text("set").map(|set| self.command(&set, who));
        let state_pointer = fields.text("pointer").map(|pointer| self.filled_pointer(pointer));
        let state = fields
            .text("state")
            .map(|state| self.hear(&state, state_pointer.as_deref(), &format!("the state of {who}")));
        let bad = |key| fields.has(key) && fields.text(key).is_none();
        let hold = fields.span("hold").map(|hold| hold.value);
        if bad("state") || bad("pointer") || (fields.has("hold") && hold.is_none()) {
            return None;
        }
        let (on, off) = (String::new(), String::new());
        let kind = OutputKind::Relay { on, off, reports_on: String::new(), reports_off: String::new() };
        Some(Output { set: set?, state, state_pointer, kind, hold })
    }

    fn without_state(&mut self, fields: &Fields, keys: &[&str]) {
        if !fields.has("state") {
            self.without_effect(fields, keys, "there is no `state` to read it from");
        }
    }

    /// A payload with known placeholders only.
    fn payload(&mut self, fields: &Fields, key: &str) -> Option<Put<String>> {
        let payload = fields.text(key)?;
        for word in placeholders(&payload.value) {
            if !PLACEHOLDERS.contains(&word) {
                let near = nearest(word, PLACEHOLDERS);
                let wrong = format!("`{{{word}}}` is no placeholder of a payload");
                let right = "a payload may hold `{level}` (0 to 1), `{percent}` (0 to 100) and `{hold}` (seconds)";
                self.sink.push(Draft::error(payload.at, wrong, right).nearest(near));
            } else if word == "hold" && !fields.has("hold") {
                let wrong = "the payload holds `{hold}`, and there is no `hold`";
                self.sink.error(payload.at, wrong, "add `hold`, such as `hold = \"5m\"`");
            }
        }
        Some(payload)
    }

    /// What is reported while on or off: what was said, else the same as the payload.
    fn report(&mut self, fields: &Fields, key: &str, payload: Option<&Put<String>>) -> Option<Put<String>> {
        if fields.has(key) {
            return fields.text(key);
        }
        let payload = payload?;
        if fields.has("state") && placeholders(&payload.value).next().is_some() {
            let wrong = format!("the payload holds a placeholder, so that `{key}` cannot be the same");
            let right = format!("add `{key}`: what the relay says on its state topic, at `pointer` if there is one");
            self.sink.push(Draft::error(payload.at, wrong, right).absence());
        }
        Some(payload.clone())
    }
}
