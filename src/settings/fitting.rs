//! What each kind of lamp allows and needs.

use std::time::Duration;

/// What kind of lamp is in a fitting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fitting {
    /// Incandescent halogen reflector lamp.
    Halogen,
    /// Ceramic heat emitter: warms, gives no light.
    CeramicEmitter,
    /// Heat mat or heating cable under or beside the enclosure.
    HeatMat,
    /// Radiant heat panel.
    RadiantPanel,
    /// Linear fluorescent tube with UVB phosphor.
    FluorescentUvb,
    /// Compact fluorescent lamp with UVB phosphor.
    CompactUvb,
    /// Mercury-vapour lamp, self-ballasted or on a choke.
    MercuryVapour,
    /// Metal-halide lamp on an electronic ballast.
    MetalHalide,
    /// Light-emitting diodes for visible light.
    Led,
}

/// A number with where it came from: a published source, or the word guess.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sourced<T> {
    /// The number.
    pub value: T,
    /// Its source, or `guess`.
    pub source: &'static str,
}

/// What comes out of a lamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Emits {
    /// Enough heat to burn: such a lamp needs a guard.
    pub heat: bool,
    /// Visible light.
    pub light: bool,
    /// UVB.
    pub uv: bool,
}

/// What a kind of lamp allows and needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Traits {
    /// The word in the configuration.
    pub word: &'static str,
    /// What a person calls it.
    pub title: &'static str,
    /// What comes out.
    pub emits: Emits,
    /// Whether it may be dimmed; where not, why.
    pub dimmable: Result<(), &'static str>,
    /// Whether it may be pulsed on and off within a minute; where not, why.
    pub pulsable: Result<(), &'static str>,
    /// Time until heat and UV have settled.
    pub warm_up: Sourced<Duration>,
    /// Time it must cool before it strikes again; zero where it need not.
    pub restrike: Sourced<Duration>,
    /// Hours of use before its UV has settled; zero where it has none.
    pub burn_in: Sourced<Duration>,
}

const GUESS: &str = "guess";
const MINUTE: u64 = 60;
const HOUR: u64 = 3600;

const fn sourced(seconds: u64, source: &'static str) -> Sourced<Duration> {
    Sourced { value: Duration::from_secs(seconds), source }
}

const DISCHARGE_DIM: &str = "a discharge lamp on its own ballast goes out or flickers when its supply is dimmed";
const DISCHARGE_PULSE: &str =
    "a discharge lamp must strike anew each time, which wears it out and gives no UV meanwhile";
const STRIKE_SOURCE: &str =
    "warm-up 5-15 min, cool-down before restart 10-15 min, environmentalsociety.ca; the longest taken";
const BURN_IN_SOURCE: &str = "initial output is measured after 100 h, NLPIP Lighting Answers T8, vol. 9(1), 2006";

impl Fitting {
    /// Every kind.
    pub const ALL: [Fitting; 9] = [
        Fitting::Halogen,
        Fitting::CeramicEmitter,
        Fitting::HeatMat,
        Fitting::RadiantPanel,
        Fitting::FluorescentUvb,
        Fitting::CompactUvb,
        Fitting::MercuryVapour,
        Fitting::MetalHalide,
        Fitting::Led,
    ];

    /// The kind whose configuration word is `word`.
    pub fn from_word(word: &str) -> Option<Fitting> {
        Fitting::ALL.into_iter().find(|fitting| fitting.traits().word == word)
    }

    /// What this kind allows and needs.
    pub const fn traits(self) -> Traits {
        match self {
            Fitting::Halogen => Traits {
                word: "halogen",
                title: "halogen lamp",
                emits: Emits { heat: true, light: true, uv: false },
                dimmable: Ok(()),
                pulsable: Err("a halogen lamp pulsed on and off flashes at the animal and breaks its filament"),
                warm_up: sourced(MINUTE, GUESS),
                restrike: sourced(0, "an incandescent filament strikes hot or cold; common practice, no source"),
                burn_in: sourced(0, "emits no UVB; common practice, no source"),
            },
            Fitting::CeramicEmitter => Traits {
                word: "ceramic-emitter",
                title: "ceramic heat emitter",
                emits: Emits { heat: true, light: false, uv: false },
                dimmable: Ok(()),
                pulsable: Ok(()),
                warm_up: sourced(15 * MINUTE, GUESS),
                restrike: sourced(0, "a resistor; common practice, no source"),
                burn_in: sourced(0, "emits no UVB; common practice, no source"),
            },
            Fitting::HeatMat => Traits {
                word: "heat-mat",
                title: "heat mat",
                emits: Emits { heat: true, light: false, uv: false },
                dimmable: Ok(()),
                pulsable: Ok(()),
                warm_up: sourced(20 * MINUTE, GUESS),
                restrike: sourced(0, "a resistor; common practice, no source"),
                burn_in: sourced(0, "emits no UVB; common practice, no source"),
            },
            Fitting::RadiantPanel => Traits {
                word: "radiant-panel",
                title: "radiant heat panel",
                emits: Emits { heat: true, light: false, uv: false },
                dimmable: Ok(()),
                pulsable: Ok(()),
                warm_up: sourced(15 * MINUTE, GUESS),
                restrike: sourced(0, "a resistor; common practice, no source"),
                burn_in: sourced(0, "emits no UVB; common practice, no source"),
            },
            Fitting::FluorescentUvb => Traits {
                word: "fluorescent-uvb",
                title: "fluorescent UVB tube",
                emits: Emits { heat: false, light: true, uv: true },
                dimmable: Err("a fluorescent UVB tube on a common ballast goes out when dimmed, and its UV with it"),
                pulsable: Err(DISCHARGE_PULSE),
                warm_up: sourced(10 * MINUTE, GUESS),
                restrike: sourced(0, "a low-pressure tube strikes warm; common practice, no source"),
                burn_in: sourced(100 * HOUR, BURN_IN_SOURCE),
            },
            Fitting::CompactUvb => Traits {
                word: "compact-uvb",
                title: "compact fluorescent UVB lamp",
                emits: Emits { heat: false, light: true, uv: true },
                dimmable: Err("its built-in ballast cannot be dimmed"),
                pulsable: Err(DISCHARGE_PULSE),
                warm_up: sourced(10 * MINUTE, GUESS),
                restrike: sourced(0, "a low-pressure lamp strikes warm; common practice, no source"),
                burn_in: sourced(100 * HOUR, BURN_IN_SOURCE),
            },
            Fitting::MercuryVapour => Traits {
                word: "mercury-vapour",
                title: "mercury-vapour lamp",
                emits: Emits { heat: true, light: true, uv: true },
                dimmable: Err(DISCHARGE_DIM),
                pulsable: Err(DISCHARGE_PULSE),
                warm_up: sourced(15 * MINUTE, STRIKE_SOURCE),
                restrike: sourced(15 * MINUTE, STRIKE_SOURCE),
                burn_in: sourced(100 * HOUR, BURN_IN_SOURCE),
            },
            Fitting::MetalHalide => Traits {
                word: "metal-halide",
                title: "metal-halide lamp",
                emits: Emits { heat: true, light: true, uv: true },
                dimmable: Err(DISCHARGE_DIM),
                pulsable: Err(DISCHARGE_PULSE),
                warm_up: sourced(15 * MINUTE, STRIKE_SOURCE),
                restrike: sourced(15 * MINUTE, STRIKE_SOURCE),
                burn_in: sourced(100 * HOUR, BURN_IN_SOURCE),
            },
            Fitting::Led => Traits {
                word: "led",
                title: "LED light",
                emits: Emits { heat: false, light: true, uv: false },
                dimmable: Ok(()),
                pulsable: Err("a light pulsed on and off flashes at the animal"),
                warm_up: sourced(0, "immediate; common practice, no source"),
                restrike: sourced(0, "immediate; common practice, no source"),
                burn_in: sourced(0, "emits no UVB; common practice, no source"),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_found_by_its_own_word_alone() {
        for fitting in Fitting::ALL {
            assert_eq!(Fitting::from_word(fitting.traits().word), Some(fitting));
        }
        assert_eq!(Fitting::from_word("Halogen"), None);
    }

    #[test]
    fn discharge_lamps_cool_before_they_strike_again_within_the_published_range() {
        // Cool-down before restart 10-15 min: environmentalsociety.ca; restrike 1-15 min: MSC Direct "HID lamps".
        for fitting in [Fitting::MercuryVapour, Fitting::MetalHalide] {
            let minutes = fitting.traits().restrike.value.as_secs() / 60;
            assert!((10..=15).contains(&minutes));
            assert!(fitting.traits().dimmable.is_err() && fitting.traits().pulsable.is_err());
        }
    }
}
