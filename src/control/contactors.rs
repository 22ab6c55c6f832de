//! The site's cut-offs: upstream contactors over several lamps.

use crate::guard::{Contactor, SafetyRecord};
use crate::settings::{CutOff, CutOffIx, Enclosure, EnclosureIx, Settings};
use crate::time::Mono;
use crate::units::Level;

use super::drive::Drive;
use super::effect::Effect;
use super::event::OutputRef;

/// Every contactor of the site.
#[derive(Clone, Debug)]
pub(super) struct Contactors {
    all: Vec<Above>,
}

/// One contactor, and the enclosures below it.
#[derive(Clone, Debug)]
struct Above {
    contactor: Contactor,
    drive: Drive,
    below: Vec<EnclosureIx>,
}

impl Contactors {
    pub(super) fn new(settings: &Settings, restored: &[SafetyRecord], connected: bool) -> Contactors {
        let above = |(ix, cut_off): (usize, &CutOff)| {
            let remembered = restored.iter().rev().find_map(|record| match record {
                SafetyRecord::CutOff { name, open } if *name == cut_off.name => Some(open.clone()),
                _ => None,
            });
            let contactor = Contactor::new(remembered.flatten());
            let drive = Drive::new(contactor.permit(), connected);
            let has = |enclosure: &Enclosure| enclosure.lamps.iter().any(|lamp| lamp.cut_off == Some(CutOffIx(ix)));
            let below = (0..settings.enclosures.len()).filter(|&at| has(&settings.enclosures[at]));
            Above { contactor, drive, below: below.map(EnclosureIx).collect() }
        };
        Contactors { all: settings.cut_offs.iter().enumerate().map(above).collect() }
    }

    pub(super) fn is_open(&self, cut_off: CutOffIx) -> bool {
        self.all.get(cut_off.0).is_some_and(|above| above.contactor.why_open().is_some())
    }

    /// Opens a contactor; gives the enclosures below it where it was closed.
    pub(super) fn open(
        &mut self,
        now: Mono,
        cut_off: CutOffIx,
        name: &str,
        why: &str,
        out: &mut Vec<Effect>,
    ) -> Vec<EnclosureIx> {
        self.change(now, cut_off, name, out, |contactor| contactor.open(why))
    }

    /// A person closes a contactor again; gives the enclosures below it where it was open.
    pub(super) fn reset(
        &mut self,
        now: Mono,
        cut_off: CutOffIx,
        name: &str,
        out: &mut Vec<Effect>,
    ) -> Vec<EnclosureIx> {
        self.change(now, cut_off, name, out, Contactor::reset)
    }

    fn change(
        &mut self,
        now: Mono,
        cut_off: CutOffIx,
        name: &str,
        out: &mut Vec<Effect>,
        act: impl FnOnce(&mut Contactor) -> bool,
    ) -> Vec<EnclosureIx> {
        let Some(above) = self.all.get_mut(cut_off.0) else { return Vec::new() };
        if !act(&mut above.contactor) {
            return Vec::new();
        }
        above.drive.want(now, above.contactor.permit());
        let open = above.contactor.why_open().map(str::to_owned);
        out.push(Effect::Remember(SafetyRecord::CutOff { name: name.to_owned(), open }));
        above.below.clone()
    }

    pub(super) fn link_up(&mut self, now: Mono) {
        self.all.iter_mut().for_each(|above| above.drive.link_up(now));
    }

    pub(super) fn link_down(&mut self) {
        self.all.iter_mut().for_each(|above| above.drive.link_down());
    }

    pub(super) fn delivered(&mut self, cut_off: CutOffIx, ticket: u64) {
        if let Some(above) = self.all.get_mut(cut_off.0) {
            above.drive.delivered(ticket);
        }
    }

    pub(super) fn report(&mut self, now: Mono, cut_off: CutOffIx, level: Level) {
        if let Some(above) = self.all.get_mut(cut_off.0) {
            above.drive.report(now, level);
        }
    }

    /// Tells every contactor that must be open what is due.
    pub(super) fn step_open(&mut self, now: Mono, settings: &[CutOff], tickets: &mut u64, out: &mut Vec<Effect>) {
        self.step_where(now, settings, tickets, out, |wanted| wanted.is_off());
    }

    /// Tells every contactor what is due.
    pub(super) fn step(&mut self, now: Mono, settings: &[CutOff], tickets: &mut u64, out: &mut Vec<Effect>) {
        self.step_where(now, settings, tickets, out, |_| true);
    }

    fn step_where(
        &mut self,
        now: Mono,
        settings: &[CutOff],
        tickets: &mut u64,
        out: &mut Vec<Effect>,
        which: impl Fn(Level) -> bool,
    ) {
        let all = settings.iter().enumerate().zip(&mut self.all);
        for ((ix, cut_off), above) in all.filter(|(_, above)| which(above.drive.wanted())) {
            above.drive.step(now, &cut_off.output, OutputRef::CutOff(CutOffIx(ix)), tickets, out);
        }
    }

    /// Why each contactor is open, where it is.
    pub(super) fn why_open(&self) -> impl Iterator<Item = Option<&str>> {
        self.all.iter().map(|above| above.contactor.why_open())
    }

    /// The contactors whose relays do not obey: index, wanted and reported level.
    pub(super) fn deaf(&self, now: Mono, settings: &[CutOff]) -> Vec<(usize, bool, Level, Option<Level>)> {
        let all = settings.iter().zip(&self.all).enumerate();
        all.map(|(ix, (cut_off, above))| {
            (ix, above.drive.is_deaf(now, &cut_off.output), above.drive.wanted(), above.drive.reported())
        })
        .collect()
    }

    pub(super) fn next_deadline(&self, now: Mono, settings: &[CutOff]) -> Option<Mono> {
        settings
            .iter()
            .zip(&self.all)
            .flat_map(|(cut_off, above)| {
                let told = Some(above.drive.told_at(&cut_off.output)).filter(|&at| at < Mono::END);
                [told, above.drive.deaf_at(now, &cut_off.output)]
            })
            .flatten()
            .min()
    }

    /// Carries on from the contactors of earlier settings, by name.
    pub(super) fn adopt(&mut self, now: Mono, settings: &[CutOff], earlier: Contactors, was: &[CutOff]) {
        let mut earlier: Vec<_> = was.iter().zip(earlier.all).collect();
        for (cut_off, above) in settings.iter().zip(&mut self.all) {
            let Some(at) = earlier.iter().position(|(known, _)| known.name == cut_off.name) else { continue };
            let (known, before) = earlier.swap_remove(at);
            above.contactor = before.contactor;
            if known.output == cut_off.output {
                above.drive = before.drive;
            }
            above.drive.want(now, above.contactor.permit());
        }
    }
}
