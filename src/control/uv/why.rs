//! What a UV series has to say for itself: thresholds, statistics and gain, a line each.

use chrono::{DateTime, Utc};

use super::slots::{LATE, RECENT, SLOT};
use super::{INSIDE, UvSeries};
use crate::control::alarm::AlarmKind;
use crate::settings::{Site, UvBand};
use crate::time::{Mono, spoken};
use crate::units::Uvi;

impl UvSeries {
    /// Readings, statistics and thresholds behind the alarm `kind`.
    pub(in crate::control) fn why(
        &self,
        now: Mono,
        kind: AlarmKind,
        band: Option<UvBand>,
        site: &Site,
    ) -> impl Iterator<Item = String> + use<> {
        let mut why = Vec::new();
        if let Some(band) = band {
            why.push(self.thresholds(kind, band));
        }
        if let Some((net, at, warm)) = self.last {
            let lit = if warm { "every lamp there warm" } else { "not every lamp there warm" };
            why.push(format!(
                "last reading {} ago: UVI {}, that is {net:.3} of the probe's own less background, with {lit}",
                spoken(now.since(at)),
                Uvi(net * self.factor())
            ));
        }
        why.push(self.statistics());
        why.push(format!("{}, gain {:.3}{}", self.footing().word(), self.factor(), self.uncertainty()));
        why.extend(self.calibration.why(|at: DateTime<Utc>| at.with_timezone(&site.timezone).date_naive()));
        why.into_iter()
    }

    fn thresholds(&self, kind: AlarmKind, band: UvBand) -> String {
        let UvBand { low, high, ceiling, .. } = band;
        let inside = 100.0 * INSIDE;
        match kind {
            AlarmKind::UvOverCeiling => format!("the ceiling is UVI {ceiling}, and a single reading above it counts"),
            _ => format!("the band is UVI {low} to {high}; what is out of it is back {inside:.0} % inside"),
        }
    }

    fn statistics(&self) -> String {
        let calibrated = |level: Option<f64>| {
            level.map_or_else(|| "not known yet".to_owned(), |level| format!("UVI {}", Uvi(level * self.factor())))
        };
        let span = |slots: usize| spoken(SLOT * u32::try_from(slots).unwrap_or(u32::MAX));
        format!(
            "over the last {} of {} of warm light, without what was shaded: {}, by which it is below its band; over the last {}: \
             {}, by which it is above",
            span(self.slots.seen()),
            span(self.slots.wanted()),
            calibrated(self.whole),
            span(RECENT.min(LATE)),
            calibrated(self.hour),
        )
    }

    fn uncertainty(&self) -> String {
        let gain = self.calibration.gain();
        gain.map_or_else(String::new, |gain| format!(" ± {:.0} % (standard uncertainty)", 100.0 * gain.uncertainty.0))
    }
}
