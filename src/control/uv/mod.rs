//! The UV series of one probe: raw reading, less background, times gain, and what that says.
//!
//! ```text
//! raw ─▶ background ─▶ gain ─▶ ceiling (at once, by the guard)
//!            │           └───▶ band (six hours of warm light, or eighteen with an animal there, in slots of five minutes)
//!            └─ in the probe's own unit: shares, decay, dark lamps, which need no calibration
//! ```
//!
//! A wrong number misjudges every band. Where an animal shows closed or swollen eyes or stops basking, believe the animal
//! and ask a veterinarian, whatever the numbers say.

mod background;
mod calibration;
mod dose;
mod slots;
mod why;

pub(super) use background::SETTLED;
pub use calibration::{Footing, Told};
pub use dose::{UvDay, middle_of};
pub(super) use slots::{SLOT, Slot};

use std::time::Duration;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use crate::settings::{LampIx, Probe, ProbeIx, UvBand};
use crate::time::Mono;
use crate::units::Uvi;

use super::record::SeriesRecord;
use super::trouble::Trouble;
use super::view::UvView;

use background::Background;
use calibration::Calibration;
use dose::Dose;
use slots::Slots;

/// What a probe reads above this with its lamps told off comes from a lamp that is not off, and must not blind the guard of
/// the ceiling; a guess.
const BACKGROUND_MOST: Uvi = Uvi(1.0);
/// A band alarm clears this far inside the band; a guess.
const INSIDE: f64 = 0.05;
/// A probe that was never calibrated is asked about after this many slots of warm light, a week of common days: time to
/// set the lamp up before measuring; a guess.
const ASKED_AFTER: u32 = 7 * 144;

/// What the lamps at a probe do, by every account, when a reading comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lit {
    /// All are on, and have warmed up.
    Warm,
    /// All have been off this long; none has been on since the start: since then.
    Off(Duration),
    /// Anything else.
    Between,
}

/// The series of one UV probe.
#[derive(Clone, Debug)]
pub(super) struct UvSeries {
    pub(super) probe: ProbeIx,
    /// Lamps whose UV arrives there.
    pub(super) lamps: Vec<LampIx>,
    background: Background,
    calibration: Calibration,
    slots: Slots,
    dose: Dose,
    /// What the slots say, in the probe's unit: of the whole window without what was shaded, and of the last hour.
    whole: Option<f64>,
    hour: Option<f64>,
    /// The last reading, less background, with when it came and whether every lamp was warm.
    last: Option<(f64, Mono, bool)>,
    /// Slots of warm light since the start.
    asked: u32,
    below: bool,
    above: bool,
}

impl UvSeries {
    pub(super) fn new(ix: ProbeIx, probe: &Probe, lamps: Vec<LampIx>) -> UvSeries {
        UvSeries {
            probe: ix,
            lamps,
            background: Background::new(),
            calibration: Calibration::default(),
            slots: Slots::new(probe.every),
            dose: Dose::default(),
            whole: None,
            hour: None,
            last: None,
            asked: 0,
            below: false,
            above: false,
        }
    }

    /// What a raw reading stands for, by the best gain there is. It may be provisional: see [`UvSeries::footing`].
    pub(super) fn uvi(&self, raw: f64) -> Uvi {
        Uvi(((raw - self.background.value()) * self.calibration.factor()).max(0.0))
    }

    /// Takes in a believable reading; gives the slot of warm light that it ends.
    pub(super) fn reading(&mut self, now: Mono, raw: f64, lit: Lit) -> Option<Slot> {
        let net = raw - self.background.value();
        self.last = Some((net, now, lit == Lit::Warm));
        match lit {
            Lit::Warm => {
                self.calibration.raw(now, net);
                let ended = self.slots.push(now, net)?;
                self.whole = self.slots.judged(self.whole).or(self.whole);
                self.hour = self.slots.recent();
                self.asked = self.asked.saturating_add(1);
                Some(ended)
            }
            Lit::Off(lasted) => {
                self.slots.interrupt();
                // More than a little is no background: a lamp is on that was told off.
                if lasted >= SETTLED && raw * self.calibration.factor() <= BACKGROUND_MOST.0 {
                    self.background.learn(now, raw);
                }
                None
            }
            Lit::Between => {
                self.slots.interrupt();
                None
            }
        }
    }

    /// Adds a reading to the day's dose.
    pub(super) fn add_dose(&mut self, now: Mono, local: Option<(DateTime<Utc>, Tz)>, probe: &Probe, raw: f64) {
        if let Some((wall, timezone)) = local {
            self.dose.reading(now, wall, timezone, self.uvi(raw), probe.stale);
        }
    }

    /// Today so far, and yesterday where that was seen.
    pub(super) fn days(&self) -> (Option<&UvDay>, Option<&UvDay>) {
        self.dose.days()
    }

    /// A meter was read beside the probe.
    pub(super) fn meter(&mut self, now: Mono, stamp: DateTime<Utc>, uvi: Uvi, guess: bool) {
        self.calibration.meter(now, stamp, uvi, guess);
    }

    /// Pairs a meter reading whose time has come.
    pub(super) fn settle(&mut self, now: Mono) -> Option<Told> {
        self.calibration.next_deadline().filter(|&due| now >= due)?;
        let usual = self.slots.of_late();
        self.calibration.settle(now, usual)
    }

    /// Whether a meter reading beside the probe is so far above what it has shown of late that another must bear it out.
    pub(super) fn doubts(&self, uvi: Uvi) -> bool {
        match self.slots.of_late() {
            Some(usual) => self.calibration.is_far_above(uvi, usual),
            None => self.calibration.is_slip(uvi),
        }
    }

    pub(super) fn next_deadline(&self) -> Option<Mono> {
        self.calibration.next_deadline()
    }

    /// One of the lamps there is another from now on.
    pub(super) fn lamp_changed(&mut self, stamp: DateTime<Utc>, lamp: &str) {
        self.calibration.void(stamp, &format!("another lamp was fitted as {lamp}"));
        self.slots.clear();
        (self.whole, self.hour) = (None, None);
        (self.below, self.above) = (false, false);
    }

    /// What is seen of a lamp that is dark, or by a probe that is dead, is no level to judge when it is well again.
    pub(super) fn start_anew(&mut self) {
        self.slots.clear();
        (self.whole, self.hour) = (None, None);
    }

    pub(super) fn footing(&self) -> Footing {
        self.calibration.footing()
    }

    /// UVI per unit of the probe, by the best gain there is.
    pub(super) fn factor(&self) -> f64 {
        self.calibration.factor()
    }

    /// Why a meter reading is wanted now, if one is.
    pub(super) fn wants_calibration(&self) -> Option<Trouble> {
        if let Some((uvi, times)) = self.calibration.odd() {
            return Some(Trouble::CalibrationOdd { uvi, times });
        }
        match self.footing() {
            Footing::Calibrated => None,
            Footing::RelativeOnly => Some(Trouble::CalibrationVoid),
            Footing::AsRead => (self.asked >= ASKED_AFTER).then_some(Trouble::NeverCalibrated),
        }
    }

    /// What is wrong with the UV by `band`: below it, above it. `None` while that cannot be said: the lamps are not warm, too
    /// little was seen, or the level means nothing since a lamp was changed.
    pub(super) fn band_troubles(&mut self, band: UvBand) -> (Option<Option<Trouble>>, Option<Option<Trouble>>) {
        if self.footing() == Footing::RelativeOnly || !self.last.is_some_and(|(.., warm)| warm) {
            return (None, None);
        }
        let margin = |is_out: bool| if is_out { INSIDE } else { 0.0 };
        let calibrated = |net: f64| Uvi(net * self.calibration.factor());
        let below =
            self.whole.map(calibrated).map(|reading| (reading, reading.0 < band.low.0 * (1.0 + margin(self.below))));
        let above =
            self.hour.map(calibrated).map(|reading| (reading, reading.0 > band.high.0 * (1.0 - margin(self.above))));
        self.below = below.map_or(self.below, |(_, is_out)| is_out);
        self.above = above.map_or(self.above, |(_, is_out)| is_out);
        (
            below.map(|(reading, out)| out.then_some(Trouble::UvBelowBand { reading, low: band.low })),
            above.map(|(reading, out)| out.then_some(Trouble::UvAboveBand { reading, high: band.high })),
        )
    }

    /// The last reading, where it is above `ceiling`.
    pub(super) fn over(&self, ceiling: Uvi) -> Option<Uvi> {
        let (net, ..) = self.last?;
        Some(Uvi(net * self.factor())).filter(|&last| last > ceiling)
    }

    /// The probe went silent: its last reading says nothing any more.
    pub(super) fn forget(&mut self) {
        self.last = None;
        self.slots.interrupt();
    }

    /// Carries on from the series of the same probe under earlier settings.
    pub(super) fn adopt(&mut self, earlier: UvSeries) {
        *self = UvSeries { probe: self.probe, lamps: std::mem::take(&mut self.lamps), ..earlier };
    }

    /// What a reading of `raw` stands for now.
    pub(super) fn view(&self, raw: Option<f64>) -> UvView {
        UvView {
            uvi: raw.map(|raw| self.uvi(raw)),
            footing: self.footing(),
            gain: self.factor(),
            uncertainty: self.calibration.gain().map(|gain| gain.uncertainty.0),
            background: self.background.known(),
            readings: self.calibration.pairings(),
        }
    }

    pub(super) fn record(&self) -> SeriesRecord {
        let mut record = SeriesRecord { background: self.background.known(), ..SeriesRecord::default() };
        self.calibration.record(&mut record);
        record
    }

    /// It was asked for a meter reading before the restart, and is again.
    pub(super) fn ask_again(&mut self) {
        self.asked = ASKED_AFTER;
    }

    pub(super) fn restore(&mut self, record: &SeriesRecord) {
        if let Some(background) = record.background {
            self.background.restore(background);
        }
        self.calibration.restore(record);
    }
}
