//! Guard law 8: a UV lamp above its ceiling for longer than a set time is switched off and latched.

use std::time::Duration;

use crate::settings::{Probe, ProbeIx, UvCeiling};
use crate::time::Mono;
use crate::units::Uvi;

use super::permit::{Latch, Refusal};
use super::record::LampRecord;

/// The guard over a lamp that emits UV.
#[derive(Clone, Debug)]
pub(super) struct CeilingGuard {
    settings: UvCeiling,
    stale: Duration,
    last: Option<(Uvi, Mono)>,
    over_since: Option<Mono>,
    latch: Option<Latch>,
}

impl CeilingGuard {
    pub(super) fn new(settings: UvCeiling, probes: &[Probe]) -> CeilingGuard {
        CeilingGuard { settings, stale: probes[settings.probe.0].stale, last: None, over_since: None, latch: None }
    }

    /// Takes in a reading; tells whether it latched the guard just now.
    pub(super) fn reading(&mut self, now: Mono, probe: ProbeIx, reading: Uvi) -> bool {
        if probe != self.settings.probe {
            return false;
        }
        let fresh_before = self.last.is_some_and(|(_, heard)| now.since(heard) <= self.stale);
        self.last = Some((reading, now));
        // Written so that a NaN counts as over the ceiling.
        if reading <= self.settings.ceiling {
            self.over_since = None;
        } else if self.over_since.is_none() || !fresh_before {
            self.over_since = Some(now);
        }
        let was_latched = self.latch.is_some();
        self.settle(now);
        !was_latched && self.latch.is_some()
    }

    /// Whether a reading changes no verdict and no deadline.
    pub(super) fn bears(&self, probe: ProbeIx, reading: Uvi) -> bool {
        let calm = self.latch.is_none() && self.over_since.is_none() && reading <= self.settings.ceiling;
        probe != self.settings.probe || calm
    }

    fn settle(&mut self, now: Mono) {
        let (Some(since), Some((reading, heard)), None) = (self.over_since, self.last, self.latch) else {
            return;
        };
        if now.since(since) > self.settings.patience && now.since(heard) <= self.stale {
            self.latch = Some(Latch::Ceiling { reading, ceiling: self.settings.ceiling });
        }
    }

    pub(super) fn refusal(&mut self, now: Mono) -> Option<Refusal> {
        self.settle(now);
        self.latch.map(Refusal::Latched)
    }

    pub(super) fn next_deadline(&self, now: Mono) -> Option<Mono> {
        let due = self.over_since?.after(self.settings.patience).after(Duration::from_nanos(1));
        (self.latch.is_none() && due > now).then_some(due)
    }

    pub(super) fn is_latched(&self) -> bool {
        self.latch.is_some()
    }

    pub(super) fn latch(&self) -> Option<Latch> {
        self.latch
    }

    pub(super) fn reset(&mut self) {
        self.latch = None;
        self.over_since = None;
    }

    pub(super) fn record(&self, record: &mut LampRecord) {
        record.uv_latch = self.latch;
    }

    pub(super) fn restore(&mut self, record: &LampRecord) {
        self.latch = record.uv_latch;
    }

    pub(super) fn adopt(&mut self, earlier: &CeilingGuard, same_probe: &dyn Fn(ProbeIx) -> Option<ProbeIx>) {
        self.latch = earlier.latch;
        if same_probe(self.settings.probe) == Some(earlier.settings.probe) {
            self.last = earlier.last;
            self.over_since = earlier.over_since;
        }
    }
}
