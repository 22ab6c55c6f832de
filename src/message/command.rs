//! Commands to outputs as messages.

use std::time::Duration;

use crate::control::{Command, OutputRef};
use crate::settings::{Output, OutputKind, Settings};
use crate::units::Level;

use super::Message;

/// `command` as the message that its output understands; none where `settings` has no such output. It is never to be
/// sent as a retained message.
pub fn encode(settings: &Settings, command: &Command) -> Option<Message> {
    let output = output(settings, command.output)?;
    let payload = payload(output, command.permit.level(), command.hold);
    Some(Message { topic: output.set.clone(), payload: payload.into_bytes() })
}

/// The command topic of an output, whose retained message is to be deleted by an empty one.
pub fn clear_topic(settings: &Settings, output_ref: OutputRef) -> Option<String> {
    output(settings, output_ref).map(|output| output.set.clone())
}

/// The output meant.
pub(super) fn output(settings: &Settings, output: OutputRef) -> Option<&Output> {
    match output {
        OutputRef::Lamp(enclosure, lamp) => Some(&settings.enclosures.get(enclosure.0)?.lamps.get(lamp.0)?.output),
        OutputRef::CutOff(cut_off) => Some(&settings.cut_offs.get(cut_off.0)?.output),
    }
}

/// The payload that sets `output` to `level`.
pub(super) fn payload(output: &Output, level: Level, hold: Option<Duration>) -> String {
    let template = match &output.kind {
        OutputKind::Relay { off, .. } | OutputKind::Dimmer { off, .. } if level.is_off() => off,
        OutputKind::Relay { on, .. } => on,
        OutputKind::Dimmer { level, .. } => level,
    };
    if !template.contains('{') {
        return template.clone();
    }
    // Whole percent and thousandths, for dimmers that take no more; a level above zero never rounds to off.
    let share = level.share();
    let percent = if level.is_off() { 0.0 } else { (share * 100.0).round().max(1.0) };
    let thousandths = if level.is_off() { 0.0 } else { ((share * 1000.0).round() / 1000.0).max(0.001) };
    template
        .replace("{level}", &thousandths.to_string())
        .replace("{percent}", &percent.to_string())
        .replace("{hold}", &hold.map_or(0, |hold| hold.as_secs()).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn placeholders_are_filled_in() {
        let relay = OutputKind::Relay {
            on: r#"{"on": true, "for": {hold}}"#.to_owned(),
            off: r#"{"on": false}"#.to_owned(),
            reports_on: String::new(),
            reports_off: String::new(),
        };
        let dimmer = |level: &str| OutputKind::Dimmer { level: level.to_owned(), off: "0".to_owned(), full: 100.0 };
        let check = |kind: &OutputKind, level: f64, hold: Option<u64>, expected: &str| {
            let output =
                Output { set: String::new(), state: None, state_pointer: None, kind: kind.clone(), hold: None };
            assert_eq!(payload(&output, Level::clamped(level), hold.map(Duration::from_secs)), expected);
        };
        check(&relay, 1.0, Some(300), r#"{"on": true, "for": 300}"#);
        check(&relay, 0.0, Some(300), r#"{"on": false}"#);
        check(&relay, 0.3, None, r#"{"on": true, "for": 0}"#);
        check(&dimmer("{percent}"), 0.125, None, "13");
        check(&dimmer("{percent}"), 1.0, None, "100");
        check(&dimmer("{percent}"), 0.001, None, "1");
        check(&dimmer("{level} for {hold}"), 1.0 / 3.0, Some(60), "0.333 for 60");
        check(&dimmer("{level}"), 1.0, None, "1");
        check(&dimmer("{level}"), 0.0001, None, "0.001");
        check(&dimmer("{level}"), 0.0, None, "0");
    }
}
