//! What a diagnosis speaks of: causes, lamps, what they are told, and what was found.

use std::sync::Arc;
use std::time::Duration;

use crate::settings::Fitting;
use crate::units::Watts;

/// What may be the matter with a lamp that is told on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// Nothing.
    Well,
    /// The lamp is dark: nothing comes out of it.
    LampDark,
    /// The lamp glows or draws its power and gives no UV.
    NoUv,
    /// Something lies between lamp and probe.
    Shaded,
    /// The probe is dead, and nobody knows about the lamp.
    ProbeDead,
    /// Its relay has not closed.
    RelayOpen,
    /// No power arrives.
    SupplyDead,
    /// It is well, and another lamp at its probe gives nothing.
    OtherDark,
}

impl Cause {
    /// Every cause with its word on file.
    const WORDS: [(Cause, &'static str); 8] = [
        (Cause::Well, "well"),
        (Cause::LampDark, "lamp-dark"),
        (Cause::NoUv, "no-uv"),
        (Cause::Shaded, "shaded"),
        (Cause::ProbeDead, "probe-dead"),
        (Cause::RelayOpen, "relay-open"),
        (Cause::SupplyDead, "supply-dead"),
        (Cause::OtherDark, "other-dark"),
    ];

    /// The word on file.
    pub fn word(self) -> &'static str {
        Cause::WORDS.iter().find(|(cause, _)| *cause == self).map_or("", |(_, word)| word)
    }

    /// The cause with this word.
    pub fn from_word(word: &str) -> Option<Cause> {
        Cause::WORDS.iter().find(|(_, known)| *known == word).map(|(cause, _)| *cause)
    }
}

/// What there is to know a lamp by.
#[derive(Clone, Debug, PartialEq)]
pub struct Kit {
    /// What kind of lamp it is.
    pub fitting: Fitting,
    /// Time from on until its output has settled.
    pub warm_up: Duration,
    /// Name of the UV probe it lights.
    pub uv: Option<Arc<str>>,
    /// Name of the illuminance probe it lights.
    pub light: Option<Arc<str>>,
    /// Name of the spot it warms.
    pub warms: Option<Arc<str>>,
    /// Its rated power, where it has a power probe of its own.
    pub rated: Option<Watts>,
    /// Whether its relay reports what it does.
    pub reports: bool,
}

/// What a lamp is told, by every account.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// Off.
    Off,
    /// On at less than its full level, or on by some accounts alone: nothing can be judged.
    Partly,
    /// On at its full level.
    Full,
}

/// Other lamps that hang on the same relay or supply.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Seen lit.
    pub lit: u32,
    /// Told on and not.
    pub dark: u32,
}

/// What the other lamps say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Peers {
    /// Those on the same relay.
    pub relay: Tally,
    /// Those under the same contactor, or else in the same enclosure.
    pub supply: Tally,
}

/// Whether a lamp counts as lit or as dark in the tally of others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// It shows that it is lit.
    Lit,
    /// It is told on and shows nothing.
    Dark,
    /// It is off, or nobody can tell.
    None,
}

/// What the evidence has come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing {
    /// It does not tell.
    Open,
    /// The lamp is well.
    Well,
    /// It is not.
    Fault(Finding),
}

impl Standing {
    /// What is wrong, where something is.
    pub fn finding(self) -> Option<Finding> {
        match self {
            Standing::Fault(finding) => Some(finding),
            Standing::Open | Standing::Well => None,
        }
    }
}

/// The most likely cause.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Finding {
    /// What it is; never [`Cause::Well`].
    pub cause: Cause,
    /// Logarithm of its odds against everything else.
    pub log_odds: f64,
    /// What it could be instead, where that has at least one chance in twenty.
    pub second: Option<Cause>,
}
