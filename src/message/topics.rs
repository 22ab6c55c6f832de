//! The daemon's own topics, all under `lampwarden/<site>/`.

use crate::control::AlarmKind;
use crate::settings::Settings;

/// Stands where an enclosure's id would, for what concerns the whole site. No enclosure may have this id.
pub const SITE: &str = "site";

/// `online` or `offline`, retained, also the last will.
pub fn status(site: &str) -> String {
    format!("lampwarden/{site}/status")
}

/// The daemon's own heartbeat through the broker.
pub fn pulse(site: &str) -> String {
    format!("lampwarden/{site}/pulse")
}

/// An enclosure's state document, retained.
pub fn state(site: &str, enclosure: &str) -> String {
    format!("lampwarden/{site}/{enclosure}/state")
}

/// What every alarm's topic begins with, with its closing `/`.
pub fn alarms(site: &str) -> String {
    format!("lampwarden/{site}/alarms/")
}

/// One alarm, retained, empty when cleared. `enclosure` is an id or [`SITE`].
pub fn alarm(site: &str, enclosure: &str, kind: AlarmKind) -> String {
    format!("lampwarden/{site}/alarms/{enclosure}/{kind}")
}

/// What every act's topic begins with, with its closing `/`; `<enclosure>/<verb>` follows.
pub fn acts(settings: &Settings) -> String {
    format!("lampwarden/{}/do/", settings.site.name)
}
