//! What of a lamp is put on file, and taken up again after a restart: a level set by hand, and when it last went on or off.

use std::sync::Arc;
use std::time::Duration;

use chrono::TimeDelta;

use super::{Hand, LONGEST_OVERRIDE, LampControl};
use crate::control::context::Context;
use crate::control::record::{OverrideRecord, SwitchRecord};
use crate::control::view::ByHand;
use crate::settings::Lamp;
use crate::units::Level;

impl LampControl {
    /// Whether it is as a person set it.
    pub(in crate::control) fn is_set_by_hand(&self) -> bool {
        self.hand.is_some()
    }

    /// What a person has set, for the file.
    pub(in crate::control) fn hand_record(&self, ctx: &Context<'_>, lamp: &Lamp) -> Option<OverrideRecord> {
        let Hand { level, until, span } = self.hand.filter(|hand| ctx.now < hand.until)?;
        let left = TimeDelta::from_std(until.since(ctx.now)).unwrap_or_default();
        Some(OverrideRecord {
            lamp: lamp.name.clone(),
            set: lamp.output.set.clone(),
            level: level.share(),
            span_s: span.as_secs_f64(),
            until: ctx.wall.and_then(|wall| wall.checked_add_signed(left)),
        })
    }

    /// What a person has set, for a view.
    pub(in crate::control) fn by_hand(&self, ctx: &Context<'_>, lamp: &Lamp) -> Option<ByHand> {
        let record = self.hand_record(ctx, lamp)?;
        Some(ByHand { level: Level::clamped(record.level), until: record.until })
    }

    /// Takes up what a person had set: the rest of its time is served, where that can be told. Whether it could be.
    pub(in crate::control) fn recall_hand(&mut self, ctx: &Context<'_>, record: &OverrideRecord) -> bool {
        let Some((wall, until)) = ctx.believed().zip(record.until) else { return false };
        let Ok(left) = (until - wall).to_std() else { return true };
        let span = Duration::try_from_secs_f64(record.span_s).unwrap_or(Duration::ZERO).min(LONGEST_OVERRIDE);
        // More than was asked for can only be left where the clock has gone back since.
        if left > span || !(0.0..=1.0).contains(&record.level) {
            return false;
        }
        self.hand = Some(Hand { level: Level::clamped(record.level), until: ctx.now.after(left), span });
        true
    }

    /// When it last went on or off, for the file, where it must stay off for a time.
    pub(in crate::control) fn switch_record(&self, lamp: &Lamp) -> Option<SwitchRecord> {
        let (on, at) = self.last_switch.filter(|_| !lamp.min_off.is_zero())?;
        Some(SwitchRecord { lamp: Arc::clone(&self.name), set: Arc::clone(&self.set), on, at })
    }

    /// Whether it has gone on or off since this was last asked.
    pub(in crate::control) fn take_switch_news(&mut self) -> bool {
        std::mem::take(&mut self.switch_is_news)
    }

    /// Takes up when it last went on or off: one that has been off for long enough waits no longer. A lamp that was on and
    /// starts off may have burnt until now, whatever has become of it meanwhile.
    pub(in crate::control) fn recall_switch(&mut self, ctx: &Context<'_>, lamp: &Lamp, record: &SwitchRecord) {
        self.last_switch = Some((record.on, record.at));
        self.off_unheard = record.on || record.at.is_none();
        let off_since = record.at.filter(|_| !record.on);
        let lasted = ctx.believed().zip(off_since).and_then(|(wall, since)| (wall - since).to_std().ok());
        let starts_off = lamp.guard.is_some();
        (self.switched, self.resting_until) = match lasted {
            Some(lasted) => (None, lamp.min_off.checked_sub(lasted).map(|left| ctx.now.after(left))),
            None => (starts_off.then_some(ctx.now), None),
        };
    }

    /// The connection to the broker is up. An output that is to be off hears so now, if it had not before: it may have burnt
    /// until now, and from here on it is known to rest.
    pub(in crate::control) fn link_up(&mut self, ctx: &Context<'_>, lamp: &Lamp) {
        self.drive.link_up(ctx.now);
        if self.off_unheard && self.drive.wanted().is_off() {
            self.note_switch(ctx, lamp, false);
            self.resting_until = Some(ctx.now.after(lamp.min_off));
        }
    }

    /// Notes for the file that it goes on or off now. An OFF that nobody hears is no known moment.
    pub(super) fn note_switch(&mut self, ctx: &Context<'_>, lamp: &Lamp, on: bool) {
        if !lamp.min_off.is_zero() {
            self.last_switch = Some((on, ctx.believed().filter(|_| ctx.connected)));
            self.switch_is_news = true;
            self.off_unheard = !on && !ctx.connected;
        }
    }
}
