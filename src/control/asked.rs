//! Why things are as they are, for whoever asks.

use super::{AlarmKind, Controller};
use crate::settings::{EnclosureIx, LampIx};

impl Controller {
    /// Why a lamp is judged as it is: the readings, the beliefs and the thresholds, a line each. None where the settings
    /// have no such lamp.
    pub fn why(&self, enclosure: EnclosureIx, lamp: LampIx) -> Option<Vec<String>> {
        let mut why = self.enclosures.get(enclosure.0)?.why(lamp, &self.circles.peers(enclosure, lamp))?;
        why.extend(self.why_circuit(enclosure, lamp));
        Some(why)
    }

    /// Why an alarm of an enclosure stands or does not: readings, fit and thresholds, a line each. None where the settings
    /// have no such enclosure.
    pub fn why_alarm(&self, enclosure: EnclosureIx, kind: AlarmKind) -> Option<Vec<String>> {
        let settings = self.settings.enclosures.get(enclosure.0)?;
        let control = self.enclosures.get(enclosure.0)?;
        let mut why = control.why_alarm(self.now.mono, &self.settings.site, settings, kind);
        if matches!(kind, AlarmKind::LampDark | AlarmKind::LampHeldBack) {
            for (ix, lamp) in settings.lamps.iter().enumerate() {
                let lines = self.why(enclosure, LampIx(ix)).unwrap_or_default();
                why.extend(lines.into_iter().map(|line| format!("{}: {line}", lamp.name)));
            }
        }
        if kind == AlarmKind::SpareDue {
            let site = self.board.announced().find(|notice| notice.kind == kind && notice.state.is_active());
            why.extend(site.map(|notice| format!("for the site it stands: {}", notice.text)));
            let stock = self.settings.spares.iter();
            why.extend(stock.map(|spare| {
                let (left, title) = (self.spares.left(spare), spare.fitting.traits().title);
                format!("in stock by the configuration: {} {title}, of which {left} are left", spare.count)
            }));
        }
        Some(why)
    }
}
