//! What of a trouble is put on file, and what is news after that.

use std::time::Duration;

use chrono::NaiveDate;

use super::{Trouble, moved_by_a_week, ten_times_as_many, twice_as_many};
use crate::control::alarm::Carrying;

/// What the next readings of a probe will tell is told within this; a guess, above the ten minutes for which a doubt lasts
/// and the five for which twins must disagree.
const SOON: Duration = Duration::from_secs(15 * 60);

/// The gist of what stays until a person resets it …
const LATCHED: &str = "latched";
/// … of a probe that stands still, and of one whose next readings will tell …
const FROZEN: &str = "frozen";
const MOMENTARY: &str = "momentary";
/// … and of one that was never set against a meter.
pub(in crate::control) const NEVER_CALIBRATED: &str = "never";

impl Trouble {
    /// How its alarm is carried over a restart.
    pub(in crate::control) fn carrying(&self) -> Carrying {
        let carrying = self.kind().carrying();
        match self {
            Trouble::OnFile { gist, .. } if gist == MOMENTARY => Carrying { grace: SOON, ..carrying },
            _ => carrying,
        }
    }

    /// Whether it is news after what was filed with this gist.
    pub(super) fn is_news_after_gist(&self, gist: &str) -> bool {
        match self {
            Trouble::UvFading { expected, .. } => moved_by_a_week(*expected, gist.parse().ok()),
            Trouble::ProbeDoubtful { frozen, .. } => *frozen != (gist == FROZEN),
            Trouble::SupplyLost { count, .. } => twice_as_many(*count, gist.parse().unwrap_or_default()),
            Trouble::Overloaded { messages } => ten_times_as_many(*messages, gist.parse().unwrap_or_default()),
            _ => self.gist() != gist,
        }
    }

    /// Whether somebody who has seen `known`, which is of the same kind and subject, must see this anew.
    pub(in crate::control) fn is_worse_than(&self, known: &Trouble) -> bool {
        self.is_latched() && !known.is_latched()
    }

    /// Whether it stands until a person resets what it is about.
    pub(in crate::control) fn is_latched(&self) -> bool {
        match self {
            Trouble::OverTemperature { latch, .. } => latch.is_some(),
            Trouble::UvOverCeiling { latched, .. } => *latched,
            Trouble::OnFile { gist, .. } => gist == LATCHED,
            _ => false,
        }
    }

    /// What of it [would be news](Trouble::is_news_after) if it were otherwise, for the file.
    pub(in crate::control) fn gist(&self) -> String {
        let date = |date: &Option<NaiveDate>| date.map_or_else(String::new, |date| date.to_string());
        match self {
            Trouble::OverTemperature { .. } | Trouble::UvOverCeiling { .. } if self.is_latched() => LATCHED.to_owned(),
            Trouble::RelayDeaf { cut_off, .. } => cut_off.clone().unwrap_or_default(),
            Trouble::ProbeSilent { late: true, .. } => "late".to_owned(),
            Trouble::ProbeDoubtful { frozen: true, .. } => FROZEN.to_owned(),
            Trouble::ProbeDoubtful { momentary: true, .. } => MOMENTARY.to_owned(),
            Trouble::LampDark { finding, .. } => finding.cause.word().to_owned(),
            Trouble::CalibrationVoid => "void".to_owned(),
            Trouble::CalibrationOdd { .. } => "odd".to_owned(),
            Trouble::NeverCalibrated => NEVER_CALIBRATED.to_owned(),
            Trouble::UvStepped { date, .. } => format!("stepped {date}"),
            Trouble::UvFading { expected, .. } => date(expected),
            Trouble::SpareDue { due, stock, .. } => format!("{due} due, {stock} in stock"),
            Trouble::StorageFailing { why } | Trouble::ConfigRefused { why } | Trouble::NoticeFailing { why } => {
                why.clone()
            }
            Trouble::ClockDoubtful { doubt, given_up, .. } => {
                [doubt.word().to_owned()].into_iter().chain(given_up.iter().cloned()).collect::<Vec<_>>().join(", ")
            }
            Trouble::SeasonHeldBack { .. } => "held back".to_owned(),
            Trouble::SeasonBrokenOff { .. } => "broken off".to_owned(),
            Trouble::SupplyLost { count, .. } => count.to_string(),
            Trouble::Overloaded { messages } => messages.to_string(),
            Trouble::OnFile { gist, .. } => gist.clone(),
            Trouble::OverTemperature { .. }
            | Trouble::HeatUnstoppable { .. }
            | Trouble::CutOffOpen { .. }
            | Trouble::ProbeSilent { .. }
            | Trouble::ProbeDoubtful { .. }
            | Trouble::HeatWeak { .. }
            | Trouble::LampHeldBack { .. }
            | Trouble::UvOverCeiling { .. }
            | Trouble::UvAboveBand { .. }
            | Trouble::UvBelowBand { .. }
            | Trouble::SpotOverCeiling { .. }
            | Trouble::WalkDue { .. }
            | Trouble::RetainedCommand { .. }
            | Trouble::BrokerLost => String::new(),
        }
    }
}
