//! What can go wrong in a story, by the words a keeper writes: the plant's faults and those of broker, daemon and clock.

use std::time::Duration;

use crate::settings::{EnclosureIx, LampIx, ProbeIx};
use crate::simulator::{Fault, Metres, Spells, Spikes, Strength, Subject, Switch};
use crate::units::Kelvin;

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq)]
pub enum Mishap {
    /// With the plant.
    Plant(Fault),
    /// The broker's process ends; every connection closes at once.
    BrokerStops,
    /// The broker loses its plug: connections are dead, and nobody is told.
    BrokerVanishes,
    /// An act of a moment: the broker restarts and has forgotten every retained message.
    BrokerForgets,
    /// The daemon's connection swallows everything, both ways, and looks alive.
    HalfOpen,
    /// This share of messages from and to devices is lost.
    MessagesLost(f64),
    /// Messages take up to this long, each topic for itself.
    MessagesLate(Duration),
    /// The daemon is killed, and starts again at the end.
    DaemonDies,
    /// The daemon is told to stop, and starts again at the end.
    DaemonStops,
    /// An act of a moment: the daemon reads its configuration again, and finds it as it was.
    DaemonReloads,
    /// An act of a moment: the daemon reads its configuration again, finds a mistake in it, and keeps the one before.
    ReloadRefused,
    /// The wall clock is off by this many seconds, at once, and set right at the end.
    ClockSteps(f64),
    /// The wall clock runs fast by this many parts in a million, and is set right at the end.
    ClockDrifts(f64),
    /// The wall clock says 1970, as on a board without a battery, and is set right at the end.
    ClockUnset,
    /// Nothing can be written to the disk.
    DiskFull,
    /// An act of a moment: some other program publishes a command to be kept by the broker.
    StoredCommand(Switch, bool),
}

/// Classes beyond the plant's.
const OWN: &[&str] = &[
    "broker-stops",
    "broker-vanishes",
    "broker-forgets",
    "half-open",
    "messages-lost",
    "messages-late",
    "daemon-dies",
    "daemon-stops",
    "daemon-reloads",
    "reload-refused",
    "clock-steps",
    "clock-drifts",
    "clock-unset",
    "disk-full",
    "stored-command",
];

/// Every class there is, the plant's first.
pub fn classes() -> impl Iterator<Item = &'static str> {
    Fault::CLASSES.iter().chain(OWN).copied()
}

impl Mishap {
    /// The word for its class.
    pub fn class(&self) -> &'static str {
        match self {
            Mishap::Plant(fault) => fault.class(),
            Mishap::BrokerStops => "broker-stops",
            Mishap::BrokerVanishes => "broker-vanishes",
            Mishap::BrokerForgets => "broker-forgets",
            Mishap::HalfOpen => "half-open",
            Mishap::MessagesLost(_) => "messages-lost",
            Mishap::MessagesLate(_) => "messages-late",
            Mishap::DaemonDies => "daemon-dies",
            Mishap::DaemonStops => "daemon-stops",
            Mishap::DaemonReloads => "daemon-reloads",
            Mishap::ReloadRefused => "reload-refused",
            Mishap::ClockSteps(_) => "clock-steps",
            Mishap::ClockDrifts(_) => "clock-drifts",
            Mishap::ClockUnset => "clock-unset",
            Mishap::DiskFull => "disk-full",
            Mishap::StoredCommand(..) => "stored-command",
        }
    }

    /// Whether it is an act of a moment and has no end.
    pub fn is_act(&self) -> bool {
        match self {
            Mishap::Plant(fault) => fault.is_act(),
            Mishap::BrokerForgets | Mishap::DaemonReloads | Mishap::ReloadRefused | Mishap::StoredCommand(..) => true,
            _ => false,
        }
    }

    /// The enclosure it happens to; none where it concerns the whole site.
    pub fn enclosure(&self) -> Option<EnclosureIx> {
        let subject = match self {
            Mishap::Plant(fault) => fault.subject(),
            Mishap::StoredCommand(switch, _) => Subject::Switch(*switch),
            _ => return None,
        };
        match subject {
            Subject::Enclosure(e) | Subject::Lamp(e, _) | Subject::Probe(e, _) => Some(e),
            Subject::Switch(Switch::Lamp(e, _)) => Some(e),
            Subject::Switch(Switch::CutOff(_)) | Subject::Site => None,
        }
    }
}

/// The parts of a fault as they are written, each once.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(in crate::rehearsal) struct Parts {
    /// `enclosure`
    pub enclosure: Option<EnclosureIx>,
    /// `lamp`
    pub lamp: Option<(EnclosureIx, LampIx)>,
    /// `probe`
    pub probe: Option<(EnclosureIx, ProbeIx)>,
    /// `other`: a second probe of the same enclosure.
    pub other: Option<(EnclosureIx, ProbeIx)>,
    /// `cut_off`
    pub cut_off: Option<crate::settings::CutOffIx>,
    /// `by`
    pub by: Option<f64>,
    /// `share`
    pub share: Option<f64>,
    /// `over`
    pub over: Option<Duration>,
    /// `last`
    pub last: Option<Duration>,
    /// `apart`
    pub apart: Option<Duration>,
    /// `power`
    pub power: Option<f64>,
    /// `uv`
    pub uv: Option<f64>,
    /// `says`: on or off.
    pub says: Option<bool>,
}

/// The fault of `class` whose parts `fill` sets; none where one is missing.
pub(in crate::rehearsal) fn mishap_of(class: &str, fill: impl FnOnce(&mut Parts)) -> Option<Mishap> {
    let mut parts = Parts::default();
    fill(&mut parts);
    parts.mishap(class)
}

/// A class, and which of [`Parts`] its faults have, by name. `switch` stands for `lamp` or `cut_off`.
pub(in crate::rehearsal) fn needs(class: &str) -> &'static [&'static str] {
    match class {
        "room-warms" | "window-opens" | "clock-steps" | "clock-drifts" => &["by"],
        "heat-wave" => &["by", "over"],
        "brown-out" => &["enclosure"],
        "draught" | "dirt-gathers" => &["enclosure", "by"],
        "uv-dies" | "lamp-breaks" => &["lamp"],
        "lamp-flickers" => &["lamp", "last", "apart"],
        "lamp-ages-fast" | "lamp-moves" | "lamp-changed" => &["lamp", "by"],
        "wrong-lamp" => &["lamp", "power", "uv"],
        "relay-slow" => &["switch", "over"],
        "stored-command" => &["switch", "says"],
        "probe-drops-out" | "probe-jitter" | "probe-duplicates" | "probe-reorders" => &["probe", "share"],
        "probe-spikes" => &["probe", "share", "by"],
        "probes-swapped" => &["probe", "other"],
        "animal-on-probe" => &["probe", "last", "apart"],
        "probe-slow" | "probe-noisy" | "probe-coarse" | "probe-gain" | "probe-offset" | "probe-drifts"
        | "probe-warmth" | "probe-reads-uva" | "probe-moves" => &["probe", "by"],
        "messages-lost" => &["share"],
        "messages-late" => &["over"],
        _ if class.starts_with("relay-") || class.starts_with("report-") || class == "hold-fails" => &["switch"],
        _ if class.starts_with("probe-") => &["probe"],
        _ => &[],
    }
}

impl Parts {
    /// The output meant by `lamp` or `cut_off`.
    fn switch(&self) -> Option<Switch> {
        let lamp = self.lamp.map(|(e, l)| Switch::Lamp(e, l));
        lamp.or(self.cut_off.map(Switch::CutOff))
    }

    /// The names of the parts that are there, as [`needs`] names them.
    pub fn given(&self) -> Vec<&'static str> {
        let mut given = Vec::new();
        let mut note = |name, there| {
            if there {
                given.push(name);
            }
        };
        note("enclosure", self.enclosure.is_some());
        note("lamp", self.lamp.is_some());
        note("probe", self.probe.is_some());
        note("other", self.other.is_some());
        note("cut_off", self.cut_off.is_some());
        note("by", self.by.is_some());
        note("share", self.share.is_some());
        note("over", self.over.is_some());
        note("last", self.last.is_some());
        note("apart", self.apart.is_some());
        note("power", self.power.is_some());
        note("uv", self.uv.is_some());
        note("says", self.says.is_some());
        given
    }

    /// The fault of `class` with these parts; none where the class is not known, or one of its parts is missing.
    pub fn mishap(&self, class: &str) -> Option<Mishap> {
        self.own(class).or_else(|| self.plant(class).map(Mishap::Plant))
    }

    fn own(&self, class: &str) -> Option<Mishap> {
        Some(match class {
            "broker-stops" => Mishap::BrokerStops,
            "broker-vanishes" => Mishap::BrokerVanishes,
            "broker-forgets" => Mishap::BrokerForgets,
            "half-open" => Mishap::HalfOpen,
            "messages-lost" => Mishap::MessagesLost(self.share?),
            "messages-late" => Mishap::MessagesLate(self.over?),
            "daemon-dies" => Mishap::DaemonDies,
            "daemon-stops" => Mishap::DaemonStops,
            "daemon-reloads" => Mishap::DaemonReloads,
            "reload-refused" => Mishap::ReloadRefused,
            "clock-steps" => Mishap::ClockSteps(self.by?),
            "clock-drifts" => Mishap::ClockDrifts(self.by?),
            "clock-unset" => Mishap::ClockUnset,
            "disk-full" => Mishap::DiskFull,
            "stored-command" => Mishap::StoredCommand(self.switch()?, self.says?),
            _ => return None,
        })
    }

    fn plant(&self, class: &str) -> Option<Fault> {
        let by = self.by;
        let share = self.share;
        let spells = || Some(Spells { last: self.last?, apart: self.apart? });
        if let Some(switch) = self.switch()
            && let Some(fault) = of_switch(class, switch, self.over)
        {
            return Some(fault);
        }
        if let Some((e, p)) = self.probe {
            return match class {
                "probes-swapped" => Some(Fault::ProbesSwap(e, p, self.other?.1)),
                "probe-spikes" => Some(Fault::ProbeSpikes(e, p, Spikes { share: share?, by: by? })),
                "animal-on-probe" => Some(Fault::AnimalLiesOn(e, p, spells()?)),
                _ => of_probe(class, e, p, by.or(share)),
            };
        }
        if let Some((e, l)) = self.lamp {
            return Some(match class {
                "uv-dies" => Fault::UvDies(e, l),
                "lamp-breaks" => Fault::LampBreaks(e, l),
                "lamp-flickers" => Fault::LampFlickers(e, l, spells()?),
                "lamp-ages-fast" => Fault::LampAgesFast(e, l, by?),
                "wrong-lamp" => Fault::WrongLamp(e, l, Strength { power: self.power?, uv: self.uv? }),
                "lamp-moves" => Fault::LampMoves(e, l, Metres(by?)),
                "lamp-changed" => Fault::LampIsChanged(e, l, by?),
                _ => return None,
            });
        }
        Some(match class {
            "room-warms" => Fault::RoomWarms(Kelvin(by?)),
            "heat-wave" => Fault::HeatWave(Kelvin(by?), self.over?),
            "window-opens" => Fault::WindowOpens(Kelvin(by?)),
            "power-fails" => Fault::PowerFails,
            "brown-out" => Fault::BrownOut(self.enclosure?),
            "draught" => Fault::Draught(self.enclosure?, by?),
            "dirt-gathers" => Fault::DirtGathers(self.enclosure?, by?),
            _ => return None,
        })
    }
}

/// Faults of a relay, a dimmer or a contactor.
fn of_switch(class: &str, switch: Switch, over: Option<Duration>) -> Option<Fault> {
    Some(match class {
        "relay-welds" => Fault::RelayWelds(switch),
        "relay-stays-open" => Fault::RelayStaysOpen(switch),
        "relay-deaf" => Fault::RelayIsDeaf(switch),
        "relay-slow" => Fault::RelayIsSlow(switch, over?),
        "relay-lies" => Fault::RelayLies(switch),
        "report-freezes" => Fault::ReportFreezes(switch),
        "report-lost" => Fault::ReportIsLost(switch),
        "relay-reboots" => Fault::RelayReboots(switch),
        "relay-boots-silently" => Fault::RelayBootsSilently(switch),
        "relay-resumes" => Fault::RelayResumes(switch),
        "hold-fails" => Fault::HoldFails(switch),
        _ => return None,
    })
}

/// Faults of a probe that have one number or none.
fn of_probe(class: &str, e: EnclosureIx, p: ProbeIx, by: Option<f64>) -> Option<Fault> {
    Some(match class {
        "probe-silent" => Fault::ProbeIsSilent(e, p),
        "probe-reboots" => Fault::ProbeReboots(e, p),
        "probe-drops-out" => Fault::ProbeDropsOut(e, p, by?),
        "probe-slow" => Fault::ProbeIsSlow(e, p, by?),
        "probe-jitter" => Fault::ProbeStumbles(e, p, by?),
        "probe-duplicates" => Fault::ProbeRepeats(e, p, by?),
        "probe-reorders" => Fault::ProbeReorders(e, p, by?),
        "probe-retains" => Fault::ProbeRetains(e, p),
        "probe-ghosts" => Fault::ProbeGhosts(e, p),
        "probe-freezes" => Fault::ProbeFreezes(e, p),
        "probe-unplugged" => Fault::ProbeIsUnplugged(e, p),
        "probe-wrong-unit" => Fault::ProbeMixesUnits(e, p),
        "probe-noisy" => Fault::ProbeIsNoisy(e, p, by?),
        "probe-coarse" => Fault::ProbeIsCoarse(e, p, by?),
        "probe-gain" => Fault::ProbeGain(e, p, by?),
        "probe-offset" => Fault::ProbeOffset(e, p, by?),
        "probe-drifts" => Fault::ProbeDrifts(e, p, by?),
        "probe-warmth" => Fault::ProbeFeelsWarmth(e, p, by?),
        "probe-reads-uva" => Fault::ProbeReadsUva(e, p, by?),
        "probe-falls-off" => Fault::ProbeFallsOff(e, p),
        "probe-in-water" => Fault::ProbeDrowns(e, p),
        "probe-moves" => Fault::ProbeMoves(e, p, Metres(by?)),
        _ => return None,
    })
}

impl Mishap {
    /// Its parts, for writing it down: [`Parts::mishap`] turned round.
    pub(super) fn parts(&self) -> Parts {
        let mut parts = Parts::default();
        let fault = match self {
            Mishap::Plant(fault) => *fault,
            Mishap::MessagesLost(share) => return Parts { share: Some(*share), ..parts },
            Mishap::MessagesLate(over) => return Parts { over: Some(*over), ..parts },
            Mishap::ClockSteps(by) | Mishap::ClockDrifts(by) => return Parts { by: Some(*by), ..parts },
            Mishap::StoredCommand(switch, says) => {
                parts.says = Some(*says);
                return parts.with_switch(*switch);
            }
            _ => return parts,
        };
        match fault.subject() {
            Subject::Site => {}
            Subject::Enclosure(e) => parts.enclosure = Some(e),
            Subject::Lamp(e, l) => parts.lamp = Some((e, l)),
            Subject::Switch(switch) => parts = parts.with_switch(switch),
            Subject::Probe(e, p) => parts.probe = Some((e, p)),
        }
        parts.with_amounts(fault)
    }
}

impl Parts {
    fn with_switch(mut self, switch: Switch) -> Parts {
        match switch {
            Switch::Lamp(e, l) => self.lamp = Some((e, l)),
            Switch::CutOff(c) => self.cut_off = Some(c),
        }
        self
    }

    fn with_amounts(mut self, fault: Fault) -> Parts {
        use Fault::*;
        match fault {
            RoomWarms(Kelvin(by)) | WindowOpens(Kelvin(by)) => self.by = Some(by),
            HeatWave(Kelvin(by), over) => (self.by, self.over) = (Some(by), Some(over)),
            Draught(_, by) | DirtGathers(_, by) | LampAgesFast(_, _, by) | LampIsChanged(_, _, by) => {
                self.by = Some(by);
            }
            LampMoves(_, _, Metres(by)) | ProbeMoves(_, _, Metres(by)) => self.by = Some(by),
            LampFlickers(_, _, spells) | AnimalLiesOn(_, _, spells) => {
                (self.last, self.apart) = (Some(spells.last), Some(spells.apart));
            }
            WrongLamp(_, _, strength) => (self.power, self.uv) = (Some(strength.power), Some(strength.uv)),
            RelayIsSlow(_, over) => self.over = Some(over),
            ProbeDropsOut(_, _, share)
            | ProbeStumbles(_, _, share)
            | ProbeRepeats(_, _, share)
            | ProbeReorders(_, _, share) => self.share = Some(share),
            ProbeIsSlow(_, _, by)
            | ProbeIsNoisy(_, _, by)
            | ProbeIsCoarse(_, _, by)
            | ProbeGain(_, _, by)
            | ProbeOffset(_, _, by)
            | ProbeDrifts(_, _, by)
            | ProbeFeelsWarmth(_, _, by)
            | ProbeReadsUva(_, _, by) => self.by = Some(by),
            ProbeSpikes(_, _, spikes) => (self.share, self.by) = (Some(spikes.share), Some(spikes.by)),
            ProbesSwap(e, _, other) => self.other = Some((e, other)),
            _ => {}
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::CutOffIx;

    #[test]
    fn every_class_is_made_of_the_parts_it_needs_and_gives_them_back() {
        let (e, span) = (EnclosureIx(1), |s| Some(Duration::from_secs(s)));
        for class in classes() {
            for cut_off in [false, true] {
                let needs = needs(class);
                let has = |part| needs.contains(&part);
                let switch = has("switch");
                if cut_off && !switch {
                    continue;
                }
                let parts = Parts {
                    enclosure: has("enclosure").then_some(e),
                    lamp: (has("lamp") || switch && !cut_off).then_some((e, LampIx(2))),
                    probe: has("probe").then_some((e, ProbeIx(3))),
                    other: has("other").then_some((e, ProbeIx(4))),
                    cut_off: (switch && cut_off).then_some(CutOffIx(5)),
                    by: has("by").then_some(0.25),
                    share: has("share").then_some(0.5),
                    over: span(60).filter(|_| has("over")),
                    last: span(70).filter(|_| has("last")),
                    apart: span(80).filter(|_| has("apart")),
                    power: has("power").then_some(1.5),
                    uv: has("uv").then_some(2.5),
                    says: has("says").then_some(true),
                };
                let mishap = parts.mishap(class).unwrap_or_else(|| panic!("{class} cannot be made"));
                assert_eq!(mishap.class(), class);
                assert_eq!(mishap.parts(), parts, "{class}");
            }
        }
    }
}
