//! Asking the daemon that runs on this computer.

use serde_json::{Value, json};

use crate::daemon;
use crate::settings::Settings;

use super::serve::state_directory;

/// The daemon's answer to `question`. Errors are sentences.
pub(super) fn ask(settings: &Settings, question: &Value) -> Result<Value, String> {
    let directory = state_directory(&settings.site)
        .ok_or_else(|| "no place for the state: set state_directory in [site], or HOME".to_owned())?;
    let answer = daemon::ask(&directory, &question.to_string())?;
    let answer: Value =
        serde_json::from_str(&answer).map_err(|error| format!("the daemon said {answer:?}: {error}"))?;
    match answer["error"].as_str() {
        Some(why) => Err(format!("the daemon refused: {why}")),
        None => Ok(answer),
    }
}

/// An enclosure's rounds with the meter.
pub(super) fn round(settings: &Settings, enclosure: &str) -> Result<Value, String> {
    ask(settings, &json!({ "tell": "round", "enclosure": enclosure })).map(|mut answer| answer["round"].take())
}
