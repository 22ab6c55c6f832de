//! Why an alarm stands, or does not: the readings, the fit and the thresholds behind it, a line each.

use std::time::Duration;

use super::EnclosureControl;
use crate::control::alarm::AlarmKind;
use crate::settings::{Enclosure, LampIx, Site, UvBand};
use crate::time::{Mono, spoken};

impl EnclosureControl {
    /// What there is to say of the alarm `kind`, besides what the diagnoses of its lamps say.
    pub(in crate::control) fn why_alarm(
        &self,
        now: Mono,
        site: &Site,
        enclosure: &Enclosure,
        kind: AlarmKind,
    ) -> Vec<String> {
        use AlarmKind as K;
        let mut why = vec![self.stands(kind)];
        why.extend(delays(kind));
        match kind {
            K::UvBelowBand | K::UvAboveBand | K::UvOverCeiling | K::CalibrationDue => {
                if self.uv.is_empty() {
                    why.extend(unmeasured(enclosure));
                }
                for series in &self.uv {
                    let probe = &enclosure.probes[series.probe.0].name;
                    why.extend(series.why(now, kind, enclosure.care.uv, site).map(|line| format!("{probe}: {line}")));
                }
                if kind == K::CalibrationDue {
                    why.extend(self.why_health(now, site, enclosure));
                }
            }
            K::UvFading | K::SpareDue => why.extend(self.why_health(now, site, enclosure)),
            K::WalkDue => why.extend(self.walk.why(site)),
            _ => {}
        }
        if matches!(kind, K::UvOverCeiling | K::WalkDue) {
            why.extend(self.walk.measured(site));
        }
        if kind == K::SpareDue {
            why.extend(self.why_spares(site, enclosure));
        }
        why
    }

    fn stands(&self, kind: AlarmKind) -> String {
        let standing = self.board.announced().find(|notice| notice.kind == kind && notice.state.is_active());
        match standing {
            Some(notice) => format!("it stands ({}): {}", notice.state.word(), notice.text),
            None => "it does not stand".to_owned(),
        }
    }

    /// Fit and forecast of every lamp that a UV probe sees.
    fn why_health(&self, now: Mono, site: &Site, enclosure: &Enclosure) -> Vec<String> {
        let lamps = self.lamp_health(now, site, enclosure).into_iter();
        let seen = lamps.filter(|health| enclosure.lamps[health.lamp.0].lights.is_some());
        let line = |health: crate::control::LampHealth| {
            let LampIx(lamp) = health.lamp;
            health.why.into_iter().map(move |line| format!("{}: {line}", enclosure.lamps[lamp].name))
        };
        seen.flat_map(line).collect()
    }

    fn why_spares(&self, site: &Site, enclosure: &Enclosure) -> Vec<String> {
        let due = self.health.due(site.spare_horizon).into_iter();
        let line = |(LampIx(lamp), due): (LampIx, bool)| {
            let verb = if due { "will" } else { "will not" };
            format!("{} {verb} need a spare within {}", enclosure.lamps[lamp].name, spoken(site.spare_horizon))
        };
        due.map(line).collect()
    }
}

/// What there is to say of the UV where no probe measures it.
fn unmeasured(enclosure: &Enclosure) -> impl Iterator<Item = String> {
    let band = enclosure.care.uv.map(|UvBand { low, high, ceiling, .. }| {
        format!("the band is UVI {low} to {high}, the ceiling {ceiling}; meter readings alone are held against them")
    });
    [Some("no probe measures the UV here".to_owned()), band].into_iter().flatten()
}

/// How long it must hold before it is raised and be gone before it is cleared.
fn delays(kind: AlarmKind) -> Option<String> {
    let (on, off) = kind.delays();
    let line = format!("raised after {}, cleared after {} without cause", spoken(on), spoken(off));
    (on > Duration::ZERO || off > Duration::ZERO).then_some(line)
}
