//! What the faults in force add up to for each part. A healthy part has the default.

use crate::settings::{EnclosureIx, LampIx, ProbeIx};

use super::fault::{Fault, Spikes, Strength, Switch};

/// Milliseconds of a day.
const DAY: f64 = 86.4e6;

/// Something that grows evenly from the moment each of its causes began.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Growth {
    /// Sum of the rates, per day.
    rate: f64,
    /// Sum of each rate times its beginning in days.
    offset: f64,
}

impl Growth {
    /// One more cause, from `since` ms on.
    fn add(&mut self, rate: f64, since: u64) {
        self.rate += rate;
        self.offset += rate * (since as f64 / DAY);
    }

    /// How much grows in `millis`.
    pub fn within(self, millis: u64) -> f64 {
        self.rate * (millis as f64 / DAY)
    }

    /// How much has grown by `now`, ms.
    pub fn at(self, now: u64) -> f64 {
        if self.rate == 0.0 { 0.0 } else { self.rate * (now as f64 / DAY) - self.offset }
    }
}

/// Condition of an enclosure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct EnclosureCondition {
    /// Its mains have failed.
    pub dark: bool,
    /// Its losses to the room, as a multiple.
    pub draught: f64,
    /// Logarithm of the share of UV and light that dirt takes; grows towards −∞.
    pub dirt: Growth,
}

impl Default for EnclosureCondition {
    fn default() -> EnclosureCondition {
        EnclosureCondition { dark: false, draught: 1.0, dirt: Growth::default() }
    }
}

impl EnclosureCondition {
    /// What `fault`, in force since `since` ms, does to enclosure `e`.
    pub fn suffer(&mut self, e: EnclosureIx, fault: Fault, since: u64) {
        match fault {
            Fault::PowerFails => self.dark = true,
            Fault::BrownOut(at) if at == e => self.dark = true,
            Fault::Draught(at, times) if at == e => self.draught *= times.max(0.0),
            // A share of all would be a logarithm of zero; a thousandth is as good as none.
            Fault::DirtGathers(at, share) if at == e => self.dirt.add(libm::log((1.0 - share).clamp(1e-3, 1.0)), since),
            _ => {}
        }
    }
}

/// Condition of a lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LampCondition {
    /// Nothing comes out and nothing goes in.
    pub broken: bool,
    /// Its UV has gone.
    pub uv_dead: bool,
    /// Hours of age for each hour it burns.
    pub ageing: f64,
    /// How it compares with the right one.
    pub strength: Strength,
    /// How much further off it hangs, m.
    pub further: f64,
}

impl Default for LampCondition {
    fn default() -> LampCondition {
        let strength = Strength { power: 1.0, uv: 1.0 };
        LampCondition { broken: false, uv_dead: false, ageing: 1.0, strength, further: 0.0 }
    }
}

impl LampCondition {
    /// What `fault` does to lamp `(e, l)`.
    pub fn suffer(&mut self, e: EnclosureIx, l: LampIx, fault: Fault) {
        let own = |at: EnclosureIx, lamp: LampIx| at == e && lamp == l;
        match fault {
            Fault::UvDies(at, lamp) if own(at, lamp) => self.uv_dead = true,
            Fault::LampBreaks(at, lamp) | Fault::LampFlickers(at, lamp, _) if own(at, lamp) => self.broken = true,
            Fault::LampAgesFast(at, lamp, times) if own(at, lamp) => self.ageing *= times.max(0.0),
            Fault::WrongLamp(at, lamp, strength) if own(at, lamp) => {
                self.strength.power *= strength.power.max(0.0);
                self.strength.uv *= strength.uv.max(0.0);
            }
            Fault::LampMoves(at, lamp, by) if own(at, lamp) => self.further += by.0,
            _ => {}
        }
    }
}

/// Condition of a relay, dimmer or contactor.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct RelayCondition {
    /// Its contacts weld when closed.
    pub welds: bool,
    /// Its contacts do not close.
    pub stays_open: bool,
    /// It hears nothing.
    pub deaf: bool,
    /// It obeys this much later, ms.
    pub delay: u64,
    /// It says yes and does nothing.
    pub lies: bool,
    /// It repeats an old report.
    pub report_frozen: bool,
    /// It reports nothing.
    pub mute: bool,
    /// It does not say so when it boots.
    pub boots_silently: bool,
    /// It takes up its last level when it boots.
    pub resumes: bool,
    /// Its hold does not end.
    pub hold_fails: bool,
}

impl RelayCondition {
    /// What `fault` does to `switch`.
    pub fn suffer(&mut self, switch: Switch, fault: Fault) {
        match fault {
            Fault::RelayWelds(at) if at == switch => self.welds = true,
            Fault::RelayStaysOpen(at) if at == switch => self.stays_open = true,
            Fault::RelayIsDeaf(at) if at == switch => self.deaf = true,
            Fault::RelayIsSlow(at, by) if at == switch => {
                self.delay = self.delay.saturating_add(u64::try_from(by.as_millis()).unwrap_or(u64::MAX));
            }
            Fault::RelayLies(at) if at == switch => self.lies = true,
            Fault::ReportFreezes(at) if at == switch => self.report_frozen = true,
            Fault::ReportIsLost(at) if at == switch => self.mute = true,
            Fault::RelayBootsSilently(at) if at == switch => self.boots_silently = true,
            Fault::RelayResumes(at) if at == switch => self.resumes = true,
            Fault::HoldFails(at) if at == switch => self.hold_fails = true,
            _ => {}
        }
    }
}

/// Condition of a probe. Numbers are in the kept unit of what it measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ProbeCondition {
    /// It says nothing.
    pub silent: bool,
    /// Share of its readings that is lost.
    pub drops: f64,
    /// It repeats its last value.
    pub frozen: bool,
    /// Its sensor is off its cable.
    pub unplugged: bool,
    /// It speaks the other unit of temperature.
    pub mixes_units: bool,
    /// Its noise, as a multiple.
    pub noise: f64,
    /// Its steps, as a multiple.
    pub quantum: f64,
    /// Its gain.
    pub gain: f64,
    /// What it reads too much.
    pub offset: f64,
    /// What it comes to read too much.
    pub drift: Growth,
    /// Share that it reads more for each kelvin above 25 °C.
    pub per_kelvin: f64,
    /// Share of UVA that it takes for UVB.
    pub uva: f64,
    /// Readings that stand out.
    pub spikes: Spikes,
    /// It has fallen off.
    pub fallen: bool,
    /// It lies in the water.
    pub drowned: bool,
    /// How much further off the lamps are, m.
    pub further: f64,
    /// The probe whose place it is in.
    pub instead: Option<usize>,
    /// An animal lies on it.
    pub covered: bool,
    /// What becomes of its messages.
    pub voice: Voice,
}

/// What becomes of the messages on a topic.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Voice {
    /// Interval, as a multiple.
    pub interval: f64,
    /// Share of the interval by which beats are off, on top of the usual.
    pub jitter: f64,
    /// Share that is said twice.
    pub repeats: f64,
    /// Share that comes after the next.
    pub reorders: f64,
    /// The broker is asked to keep them.
    pub retains: bool,
    /// An old one comes before each.
    pub ghosts: bool,
}

impl Default for Voice {
    fn default() -> Voice {
        Voice { interval: 1.0, jitter: 0.0, repeats: 0.0, reorders: 0.0, retains: false, ghosts: false }
    }
}

impl Default for ProbeCondition {
    fn default() -> ProbeCondition {
        ProbeCondition {
            silent: false,
            drops: 0.0,
            frozen: false,
            unplugged: false,
            mixes_units: false,
            noise: 1.0,
            quantum: 1.0,
            gain: 1.0,
            offset: 0.0,
            drift: Growth::default(),
            per_kelvin: 0.0,
            uva: 0.0,
            spikes: Spikes { share: 0.0, by: 0.0 },
            fallen: false,
            drowned: false,
            further: 0.0,
            instead: None,
            covered: false,
            voice: Voice::default(),
        }
    }
}

impl Voice {
    /// What `fault` does to the messages of probe `(e, p)`.
    pub fn suffer(&mut self, e: EnclosureIx, p: ProbeIx, fault: Fault) {
        let own = |at: EnclosureIx, probe: ProbeIx| at == e && probe == p;
        match fault {
            Fault::ProbeIsSlow(at, probe, times) if own(at, probe) => self.interval *= times.max(0.01),
            Fault::ProbeStumbles(at, probe, share) if own(at, probe) => self.jitter += share.clamp(0.0, 1.0),
            Fault::ProbeRepeats(at, probe, share) if own(at, probe) => self.repeats = self.repeats.max(share),
            Fault::ProbeReorders(at, probe, share) if own(at, probe) => self.reorders = self.reorders.max(share),
            Fault::ProbeRetains(at, probe) if own(at, probe) => self.retains = true,
            Fault::ProbeGhosts(at, probe) if own(at, probe) => self.ghosts = true,
            _ => {}
        }
    }
}

impl ProbeCondition {
    /// What `fault`, in force since `since` ms, does to probe `(e, p)`, its voice left aside.
    pub fn suffer(&mut self, e: EnclosureIx, p: ProbeIx, fault: Fault, since: u64) {
        let own = |at: EnclosureIx, probe: ProbeIx| at == e && probe == p;
        match fault {
            Fault::ProbeIsSilent(at, probe) if own(at, probe) => self.silent = true,
            Fault::ProbeDropsOut(at, probe, share) if own(at, probe) => self.drops = self.drops.max(share),
            Fault::ProbeFreezes(at, probe) if own(at, probe) => self.frozen = true,
            Fault::ProbeIsUnplugged(at, probe) if own(at, probe) => self.unplugged = true,
            Fault::ProbeMixesUnits(at, probe) if own(at, probe) => self.mixes_units = true,
            Fault::ProbeIsNoisy(at, probe, times) if own(at, probe) => self.noise *= times.max(0.0),
            Fault::ProbeIsCoarse(at, probe, times) if own(at, probe) => self.quantum *= times.max(1e-3),
            Fault::ProbeGain(at, probe, times) if own(at, probe) => self.gain *= times,
            Fault::ProbeOffset(at, probe, by) if own(at, probe) => self.offset += by,
            Fault::ProbeDrifts(at, probe, rate) if own(at, probe) => self.drift.add(rate, since),
            Fault::ProbeFeelsWarmth(at, probe, share) if own(at, probe) => self.per_kelvin += share,
            Fault::ProbeReadsUva(at, probe, share) if own(at, probe) => self.uva = self.uva.max(share),
            Fault::ProbeSpikes(at, probe, spikes) if own(at, probe) => self.spikes = spikes,
            Fault::ProbeFallsOff(at, probe) if own(at, probe) => self.fallen = true,
            Fault::ProbeDrowns(at, probe) if own(at, probe) => self.drowned = true,
            Fault::ProbeMoves(at, probe, by) if own(at, probe) => self.further += by.0,
            Fault::ProbesSwap(at, one, other) if own(at, one) => self.instead = Some(other.0),
            Fault::ProbesSwap(at, one, other) if own(at, other) => self.instead = Some(one.0),
            Fault::AnimalLiesOn(at, probe, _) if own(at, probe) => self.covered = true,
            _ => {}
        }
    }
}
