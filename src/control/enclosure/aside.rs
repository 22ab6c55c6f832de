//! Alarms of an enclosure that say nothing by themselves for now: suppressed by design (ISA-18.2 / IEC 62682).

use super::EnclosureControl;
use crate::control::alarm::{AlarmKind, Aside, Cause};
use crate::control::reason::Reason;
use crate::settings::Enclosure;

/// Why nobody is told of the UV band by night.
const DARK: &str = "its UV lamps are off by the photoperiod, and nothing can be seen to until they are lit";

impl EnclosureControl {
    /// Puts aside what is no news beside another alarm here, and what cannot be seen to now; takes up again what can.
    pub(super) fn put_aside(&mut self, enclosure: &Enclosure) {
        if self.board.is_clear() {
            return;
        }
        for kind in [AlarmKind::UvAboveBand, AlarmKind::UvBelowBand] {
            if self.board.knows(kind) {
                let dark = self.is_dark_by_design(enclosure, kind);
                self.board.put_aside(kind, dark.then_some(Aside::ByDesign(DARK)));
            }
        }
        if self.board.knows(AlarmKind::HeatWeak) {
            let cause = self.why_weak();
            self.board.put_aside(AlarmKind::HeatWeak, cause.map(Aside::Consequence));
        }
    }

    /// Whether every UV lamp at every probe that an alarm of `kind` is about is off by its photoperiod.
    fn is_dark_by_design(&self, enclosure: &Enclosure, kind: AlarmKind) -> bool {
        let by_night = |reason: &Reason| matches!(reason, Reason::Night | Reason::Day | Reason::Staged);
        self.board.standing_of(kind).all(|subject| {
            let of_probe = self.uv.iter().find(|series| enclosure.probes[series.probe.0].name == subject);
            of_probe.is_some_and(|series| series.lamps.iter().all(|lamp| by_night(&self.lamps[lamp.0].reason)))
        })
    }

    /// What tells already why no target is reached: every lamp of which that is said is dark, or does not obey.
    fn why_weak(&self) -> Option<Cause> {
        [AlarmKind::LampDark, AlarmKind::RelayDeaf].into_iter().find_map(|kind| {
            let told = |lamp: &str| self.board.standing_of(kind).any(|subject| subject == lamp);
            let mut weak = self.board.standing_of(AlarmKind::HeatWeak).peekable();
            weak.peek()?;
            weak.all(told).then_some(Cause { enclosure: Some(self.ix), kind })
        })
    }
}
