//! Faults as data: drawn or written before the run, so that a failing run can be cut down to what made it fail.
//!
//! Faults may overlap: while several act on one part, each does what it does, and when the last is gone the part is as
//! it would have been but for physics. What a fault draws comes from a stream of its own, told by the seed, its class,
//! its part and its moment, so that leaving one out changes none of the others.

use std::time::Duration;

use crate::settings::{CutOffIx, EnclosureIx, LampIx, ProbeIx};
use crate::units::Kelvin;

use super::uv::Metres;

/// A fault from `at` until `until`, both counted from the beginning of the world.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimedFault {
    /// When it comes.
    pub at: Duration,
    /// When it goes by itself; none: never. Acts of a moment have no end, whatever stands here.
    pub until: Option<Duration>,
    /// What it is. Parts that are not there cannot fail.
    pub fault: Fault,
}

/// The output of a lamp, or a contactor.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Switch {
    /// What switches a lamp or sets its level.
    Lamp(EnclosureIx, LampIx),
    /// A contactor above several lamps.
    CutOff(CutOffIx),
}

/// What a fault happens to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// The room and all in it.
    Site,
    /// One enclosure.
    Enclosure(EnclosureIx),
    /// A lamp in its fitting.
    Lamp(EnclosureIx, LampIx),
    /// A relay, a dimmer or a contactor.
    Switch(Switch),
    /// A probe.
    Probe(EnclosureIx, ProbeIx),
}

/// Spells that come and go while a fault lasts: each is drawn evenly from half to one and a half of its mean. The first
/// begins with the fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spells {
    /// Mean length of a spell.
    pub last: Duration,
    /// Mean time from the end of one to the beginning of the next.
    pub apart: Duration,
}

/// How a lamp compares with the one that should be there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strength {
    /// Electrical power, as a multiple.
    pub power: f64,
    /// UV, as a multiple.
    pub uv: f64,
}

/// Readings that stand out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spikes {
    /// Share of readings that do.
    pub share: f64,
    /// By how much, up or down with equal chance, in the kept unit.
    pub by: f64,
}

/// Writes [`Fault`] with its class names and subjects, so that none can be forgotten.
macro_rules! faults {
    ($($(#[$doc:meta])* $name:ident $(($($kind:ty),+))? = $class:literal, $bind:pat => $subject:expr;)+) => {
        /// What can go wrong, and what a keeper does to the plant. Shares run from 0 to 1.
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub enum Fault {
            $($(#[$doc])* $name $(($($kind),+))?,)+
        }

        impl Fault {
            /// The name of every class, in the order of the variants.
            pub const CLASSES: &'static [&'static str] = &[$($class),+];

            /// The name of this one's class.
            pub const fn class(self) -> &'static str {
                match self {
                    $(Fault::$name { .. } => $class,)+
                }
            }

            /// What it happens to.
            pub const fn subject(self) -> Subject {
                use Fault::*;
                match self {
                    $($bind => $subject,)+
                }
            }
        }
    };
}

faults! {
    // The room.

    /// The room is warmer by this, or colder, at once.
    RoomWarms(Kelvin) = "room-warms", RoomWarms(..) => Subject::Site;
    /// A heat wave, or a cold one: the room goes there evenly within the time given, and back within as much after the
    /// end.
    HeatWave(Kelvin, Duration) = "heat-wave", HeatWave(..) => Subject::Site;
    /// A window is open: the room falls by this within a quarter of an hour, and is back an hour after the end.
    WindowOpens(Kelvin) = "window-opens", WindowOpens(..) => Subject::Site;
    /// No mains anywhere: lamps are dark, probes and relays silent and deaf. All boot when it ends.
    PowerFails = "power-fails", PowerFails => Subject::Site;

    // An enclosure.

    /// A door stands open or a draught blows: the enclosure loses heat to the room this many times as fast.
    Draught(EnclosureIx, f64) = "draught", Draught(e, _) => Subject::Enclosure(e);
    /// The mains of one enclosure fail: as [`Fault::PowerFails`], but contactors stay.
    BrownOut(EnclosureIx) = "brown-out", BrownOut(e) => Subject::Enclosure(e);
    /// Dust and scale take this share of what UV and light are left, every day; all is cleaned at the end.
    DirtGathers(EnclosureIx, f64) = "dirt-gathers", DirtGathers(e, _) => Subject::Enclosure(e);

    // Lamps.

    /// A lamp gives no UV any more, while it glows and draws power as before.
    UvDies(EnclosureIx, LampIx) = "uv-dies", UvDies(e, l) => Subject::Lamp(e, l);
    /// A lamp breaks: no light, no heat, no power.
    LampBreaks(EnclosureIx, LampIx) = "lamp-breaks", LampBreaks(e, l) => Subject::Lamp(e, l);
    /// A lamp goes out for spells.
    LampFlickers(EnclosureIx, LampIx, Spells) = "lamp-flickers", LampFlickers(e, l, _) => Subject::Lamp(e, l);
    /// Each hour a lamp burns ages it as this many.
    LampAgesFast(EnclosureIx, LampIx, f64) = "lamp-ages-fast", LampAgesFast(e, l, _) => Subject::Lamp(e, l);
    /// Another lamp than the right one is in the fitting.
    WrongLamp(EnclosureIx, LampIx, Strength) = "wrong-lamp", WrongLamp(e, l, _) => Subject::Lamp(e, l);
    /// The lamp hangs further off by this, or nearer.
    LampMoves(EnclosureIx, LampIx, Metres) = "lamp-moves", LampMoves(e, l, _) => Subject::Lamp(e, l);
    /// An act of a moment: a new lamp is fitted, with this multiple of the UV that its kind should have. Whatever was
    /// wrong with the old one goes with it.
    LampIsChanged(EnclosureIx, LampIx, f64) = "lamp-changed", LampIsChanged(e, l, _) => Subject::Lamp(e, l);

    // Relays, dimmers and contactors.

    /// The contacts weld, now where closed, else when next closed. The relay does not know.
    RelayWelds(Switch) = "relay-welds", RelayWelds(s) => Subject::Switch(s);
    /// The contacts do not close any more. The relay does not know.
    RelayStaysOpen(Switch) = "relay-stays-open", RelayStaysOpen(s) => Subject::Switch(s);
    /// It hears no command.
    RelayIsDeaf(Switch) = "relay-deaf", RelayIsDeaf(s) => Subject::Switch(s);
    /// It obeys and reports this long after each command.
    RelayIsSlow(Switch, Duration) = "relay-slow", RelayIsSlow(s, _) => Subject::Switch(s);
    /// It reports what it was told, and its contacts stay as they are.
    RelayLies(Switch) = "relay-lies", RelayLies(s) => Subject::Switch(s);
    /// It obeys and repeats an old report.
    ReportFreezes(Switch) = "report-freezes", ReportFreezes(s) => Subject::Switch(s);
    /// It obeys and reports nothing.
    ReportIsLost(Switch) = "report-lost", ReportIsLost(s) => Subject::Switch(s);
    /// An act of a moment: it reboots. It comes up off, says so, and obeys what the broker keeps on its command topic.
    RelayReboots(Switch) = "relay-reboots", RelayReboots(s) => Subject::Switch(s);
    /// When it boots it does not say so.
    RelayBootsSilently(Switch) = "relay-boots-silently", RelayBootsSilently(s) => Subject::Switch(s);
    /// When it boots it takes up what it was last told, not off.
    RelayResumes(Switch) = "relay-resumes", RelayResumes(s) => Subject::Switch(s);
    /// Its hold does not end.
    HoldFails(Switch) = "hold-fails", HoldFails(s) => Subject::Switch(s);

    // Probes: whether and when they speak.

    /// It says nothing; when it comes back it starts with its power-up value.
    ProbeIsSilent(EnclosureIx, ProbeIx) = "probe-silent", ProbeIsSilent(e, p) => Subject::Probe(e, p);
    /// An act of a moment: it reboots, and says its power-up value next.
    ProbeReboots(EnclosureIx, ProbeIx) = "probe-reboots", ProbeReboots(e, p) => Subject::Probe(e, p);
    /// This share of its readings is lost.
    ProbeDropsOut(EnclosureIx, ProbeIx, f64) = "probe-drops-out", ProbeDropsOut(e, p, _) => Subject::Probe(e, p);
    /// It reports this many times as seldom.
    ProbeIsSlow(EnclosureIx, ProbeIx, f64) = "probe-slow", ProbeIsSlow(e, p, _) => Subject::Probe(e, p);
    /// Its beat is off by up to this share of its interval.
    ProbeStumbles(EnclosureIx, ProbeIx, f64) = "probe-jitter", ProbeStumbles(e, p, _) => Subject::Probe(e, p);
    /// This share of its readings is said twice.
    ProbeRepeats(EnclosureIx, ProbeIx, f64) = "probe-duplicates", ProbeRepeats(e, p, _) => Subject::Probe(e, p);
    /// This share of its readings arrives after the next one.
    ProbeReorders(EnclosureIx, ProbeIx, f64) = "probe-reorders", ProbeReorders(e, p, _) => Subject::Probe(e, p);
    /// It asks the broker to keep its readings.
    ProbeRetains(EnclosureIx, ProbeIx) = "probe-retains", ProbeRetains(e, p) => Subject::Probe(e, p);
    /// Before each reading comes a retained one of the moment at which this began.
    ProbeGhosts(EnclosureIx, ProbeIx) = "probe-ghosts", ProbeGhosts(e, p) => Subject::Probe(e, p);

    // Probes: what they say.

    /// It repeats its last value.
    ProbeFreezes(EnclosureIx, ProbeIx) = "probe-freezes", ProbeFreezes(e, p) => Subject::Probe(e, p);
    /// Its sensor is off its cable: a thermometer says −127, the others zero.
    ProbeIsUnplugged(EnclosureIx, ProbeIx) = "probe-unplugged", ProbeIsUnplugged(e, p) => Subject::Probe(e, p);
    /// It speaks °F where °C is agreed, or the other way round. Only thermometers can.
    ProbeMixesUnits(EnclosureIx, ProbeIx) = "probe-wrong-unit", ProbeMixesUnits(e, p) => Subject::Probe(e, p);
    /// Its noise is this many times as large.
    ProbeIsNoisy(EnclosureIx, ProbeIx, f64) = "probe-noisy", ProbeIsNoisy(e, p, _) => Subject::Probe(e, p);
    /// Its steps are this many times as large.
    ProbeIsCoarse(EnclosureIx, ProbeIx, f64) = "probe-coarse", ProbeIsCoarse(e, p, _) => Subject::Probe(e, p);
    /// It reads this multiple of the truth.
    ProbeGain(EnclosureIx, ProbeIx, f64) = "probe-gain", ProbeGain(e, p, _) => Subject::Probe(e, p);
    /// It reads this much more than the truth, kept unit.
    ProbeOffset(EnclosureIx, ProbeIx, f64) = "probe-offset", ProbeOffset(e, p, _) => Subject::Probe(e, p);
    /// Each day it reads this much more, kept unit.
    ProbeDrifts(EnclosureIx, ProbeIx, f64) = "probe-drifts", ProbeDrifts(e, p, _) => Subject::Probe(e, p);
    /// It reads this share more for each kelvin that its place is above 25 °C.
    ProbeFeelsWarmth(EnclosureIx, ProbeIx, f64) = "probe-warmth", ProbeFeelsWarmth(e, p, _) => Subject::Probe(e, p);
    /// A UVI probe also takes this share of the lamps' UVA, told as the UVI they would give new, for UVB.
    ProbeReadsUva(EnclosureIx, ProbeIx, f64) = "probe-reads-uva", ProbeReadsUva(e, p, _) => Subject::Probe(e, p);
    /// Some of its readings stand out.
    ProbeSpikes(EnclosureIx, ProbeIx, Spikes) = "probe-spikes", ProbeSpikes(e, p, _) => Subject::Probe(e, p);

    // Probes: where they are.

    /// It has fallen off and measures the air beside its spot, out of most of the light.
    ProbeFallsOff(EnclosureIx, ProbeIx) = "probe-falls-off", ProbeFallsOff(e, p) => Subject::Probe(e, p);
    /// It lies in the water bowl.
    ProbeDrowns(EnclosureIx, ProbeIx) = "probe-in-water", ProbeDrowns(e, p) => Subject::Probe(e, p);
    /// It hangs further from the lamps by this, or nearer.
    ProbeMoves(EnclosureIx, ProbeIx, Metres) = "probe-moves", ProbeMoves(e, p, _) => Subject::Probe(e, p);
    /// It and another one of its enclosure have changed places.
    ProbesSwap(EnclosureIx, ProbeIx, ProbeIx) = "probes-swapped", ProbesSwap(e, p, _) => Subject::Probe(e, p);
    /// An animal lies on it for spells: it shades light and UV, and its body comes between a thermometer and its spot.
    AnimalLiesOn(EnclosureIx, ProbeIx, Spells) = "animal-on-probe", AnimalLiesOn(e, p, _) => Subject::Probe(e, p);
}

impl Fault {
    /// Whether it is an act of a moment and has no end.
    pub const fn is_act(self) -> bool {
        matches!(self, Fault::LampIsChanged(..) | Fault::RelayReboots(..) | Fault::ProbeReboots(..))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_class_has_one_name_of_its_own() {
        let mut names = Fault::CLASSES.to_vec();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), Fault::CLASSES.len());
        assert!(Fault::CLASSES.iter().all(|name| name.bytes().all(|b| b.is_ascii_lowercase() || b == b'-')));
        assert_eq!(Fault::UvDies(EnclosureIx(0), LampIx(0)).class(), "uv-dies");
        assert_eq!(Fault::PowerFails.class(), "power-fails");
    }

    #[test]
    fn a_fault_tells_what_it_happens_to() {
        let (e, l, p) = (EnclosureIx(3), LampIx(1), ProbeIx(2));
        for (fault, subject) in [
            (Fault::PowerFails, Subject::Site),
            (Fault::Draught(e, 2.0), Subject::Enclosure(e)),
            (Fault::LampBreaks(e, l), Subject::Lamp(e, l)),
            (Fault::RelayWelds(Switch::Lamp(e, l)), Subject::Switch(Switch::Lamp(e, l))),
            (Fault::ProbesSwap(e, p, ProbeIx(0)), Subject::Probe(e, p)),
        ] {
            assert_eq!(fault.subject(), subject);
        }
    }
}
