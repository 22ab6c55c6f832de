//! What the keeper asked for, checked, as plain data.
//!
//! `config` builds a [`Settings`] from TOML and refuses everything that breaks a rule named here; the core relies on
//! those rules. Parts refer to each other by index, and names serve people, topics and reloads.

mod fitting;
mod telling;

pub use fitting::{Emits, Fitting, Sourced, Traits};
pub use telling::{
    Address, Away, Channel, Contact, Digest, Heartbeat, Hours, MailServer, Plan, Plans, Security, ServerIdentity,
    Telling, Web, Webhook, Weekly,
};

use std::path::PathBuf;
use std::time::Duration;

use chrono::NaiveTime;
use chrono_tz::Tz;

use crate::units::{Celsius, Degrees, Kelvin, KelvinPerSecond, KelvinSeconds, Level, Uvi, Watts};

macro_rules! index {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub usize);
    };
}

index!(
    /// Index into [`Settings::enclosures`].
    EnclosureIx
);
index!(
    /// Index into [`Enclosure::probes`] of one enclosure.
    ProbeIx
);
index!(
    /// Index into [`Enclosure::lamps`] of one enclosure.
    LampIx
);
index!(
    /// Index into [`Settings::cut_offs`].
    CutOffIx
);

/// One building with one clock and one broker, and all that is kept in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// The site.
    pub site: Site,
    /// How the broker is reached.
    pub broker: Broker,
    /// Upstream contactors.
    pub cut_offs: Vec<CutOff>,
    /// Every enclosure, racks stamped out, in the order of the files.
    pub enclosures: Vec<Enclosure>,
    /// Spare lamps in stock; empty where none are kept, or nobody wants them counted.
    pub spares: Vec<Spare>,
    /// Who is told of what.
    pub telling: Telling,
}

/// Spare lamps of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spare {
    /// What kind of lamp.
    pub fitting: Fitting,
    /// Rated power; none: of any.
    pub power: Option<Watts>,
    /// How many are in stock.
    pub count: u32,
}

/// The site.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Names the site in topics (`lampwarden/<name>/…`): no `/`, `+`, `#` or white space.
    pub name: String,
    /// The IANA zone of the site's wall clock.
    pub timezone: Tz,
    /// Where it stands.
    pub place: Place,
    /// What becomes of the lamps when the daemon is told to stop.
    pub on_exit: OnExit,
    /// Whether `do/<enclosure>/<verb>` is listened to.
    pub accept_commands: bool,
    /// Where the safety state (latches and trips) is kept; none: in memory alone.
    pub state_directory: Option<PathBuf>,
    /// How long before its UV is expected to leave the band a lamp is told to fade.
    pub uv_notice: Duration,
    /// How far ahead spares are counted against the lamps that will need them.
    pub spare_horizon: Duration,
}

/// A place on Earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// North positive, −90..=90.
    pub latitude: Degrees,
    /// East positive, −180..=180.
    pub longitude: Degrees,
}

/// What becomes of the lamps when the daemon is told to stop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum OnExit {
    /// Lamps that warm go off, the others stay as they are (`heat-off`).
    #[default]
    HeatOff,
    /// Everything goes off (`all-off`).
    AllOff,
    /// Nothing is sent; relays with a `hold` end by themselves (`leave`).
    Leave,
}

/// How the broker is reached.
#[derive(Clone, Debug, PartialEq)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Protocol version.
    pub protocol: Protocol,
    /// TLS, where the URL is `mqtts://`.
    pub tls: Option<Tls>,
    /// User name, where the broker wants one.
    pub username: Option<String>,
    /// File whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// MQTT client identifier; none: `lampwarden-<site>`.
    pub client_id: Option<String>,
    /// Keep-alive interval, at least one second.
    pub keep_alive: Duration,
}

/// MQTT protocol version.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 3.1.1.
    V311,
    /// MQTT 5.0.
    #[default]
    V5,
}

/// TLS towards the broker. Without `ca_file` the certificate must chain to the file named there; there is no
/// built-in root store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tls {
    /// PEM file of the certificate authority that signed the broker's certificate.
    pub ca_file: PathBuf,
    /// PEM files of the client's certificate and key, where the broker wants them.
    pub client: Option<ClientIdentity>,
}

/// A client certificate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClientIdentity {
    /// PEM certificate chain.
    pub certificate_file: PathBuf,
    /// PEM private key.
    pub key_file: PathBuf,
}

/// One animal's housing.
#[derive(Clone, Debug, PartialEq)]
pub struct Enclosure {
    /// Names the enclosure in topics; unique; `site` is reserved.
    pub id: String,
    /// What a person calls it; the id where nothing was given.
    pub title: String,
    /// What the animal needs.
    pub care: Care,
    /// Everything that measures.
    pub probes: Vec<Probe>,
    /// Everything driven that warms or lights.
    pub lamps: Vec<Lamp>,
    /// Why it is out of service, no animal living there; none: it is in service. Lamps and guards go on as always; alarms
    /// other than the guard's are told to nobody.
    pub out_of_service: Option<String>,
}

/// What a species needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Care {
    /// The care sheet's name.
    pub name: String,
    /// The animal's day.
    pub photoperiod: Photoperiod,
    /// UVI at the basking spot; none: not watched.
    pub uv: Option<UvBand>,
}

/// UVI at the basking spot. `low < high <= ceiling`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UvBand {
    /// The Ferguson zone it came from, 1 to 4, where it came from one.
    pub zone: Option<u8>,
    /// Least.
    pub low: Uvi,
    /// Most.
    pub high: Uvi,
    /// Never above.
    pub ceiling: Uvi,
}

/// When it is day.
#[derive(Clone, Debug, PartialEq)]
pub enum Photoperiod {
    /// Fixed local times. `on != off`; an `off` before `on` falls on the next date.
    Clock {
        /// Lights on.
        on: NaiveTime,
        /// Lights off.
        off: NaiveTime,
    },
    /// The site's own sun: from sunrise to sunset, clamped about solar noon.
    Site {
        /// Limits of the day length.
        clamp: Clamp,
    },
    /// The day length at a latitude, centred on `noon`.
    Latitude {
        /// Where the animal comes from, north positive.
        latitude: Degrees,
        /// Whether the year is shifted by half where the origin's seasons run against the site's.
        season: Season,
        /// Local time of the middle of the day.
        noon: NaiveTime,
        /// Limits of the day length.
        clamp: Clamp,
    },
    /// Twelve day lengths for the middles of the months, interpolated, centred on `noon`.
    Table {
        /// January to December, each 0..=24 h.
        months: [Duration; 12],
        /// Local time of the middle of the day.
        noon: NaiveTime,
    },
}

/// Limits of a day length. `shortest <= longest <= 24 h`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clamp {
    /// No day is shorter.
    pub shortest: Duration,
    /// No day is longer.
    pub longest: Duration,
}

impl Clamp {
    /// No limits.
    pub const NONE: Clamp = Clamp { shortest: Duration::ZERO, longest: Duration::from_secs(86_400) };
}

/// Whose seasons a `latitude` photoperiod follows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Season {
    /// The seasons where the animal comes from (`origin`).
    #[default]
    Origin,
    /// The site's seasons: shifted half a year where the hemispheres differ (`local`).
    Local,
}

/// What a probe measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measures {
    /// Temperature, kept in °C.
    Temperature,
    /// UV index.
    Uvi,
    /// Illuminance, kept in lux.
    Illuminance,
    /// Electrical power, kept in watts.
    Power,
    /// Relative humidity, kept in percent.
    Humidity,
}

impl Measures {
    /// Every kind with the word the configuration uses.
    pub const ALL: [(Measures, &'static str); 5] = [
        (Measures::Temperature, "temperature"),
        (Measures::Uvi, "uvi"),
        (Measures::Illuminance, "illuminance"),
        (Measures::Power, "power"),
        (Measures::Humidity, "humidity"),
    ];

    /// The unit values are kept and shown in; empty for UVI.
    pub const fn unit(self) -> &'static str {
        match self {
            Measures::Temperature => Celsius::UNIT,
            Measures::Uvi => Uvi::UNIT,
            Measures::Illuminance => crate::units::Lux::UNIT,
            Measures::Power => Watts::UNIT,
            Measures::Humidity => crate::units::Percent::UNIT,
        }
    }
}

/// Unit of the number in a probe's payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PayloadUnit {
    /// The unit values are kept in: °C, UVI, lux, W, %.
    Kept,
    /// Degrees Fahrenheit.
    Fahrenheit,
}

/// Anything that measures. Numeric limits are in the kept unit of `measures`.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// Names the probe within its enclosure.
    pub name: String,
    /// What it measures.
    pub measures: Measures,
    /// Topic its readings arrive on; no wildcards.
    pub topic: String,
    /// RFC 6901 pointer to the number in a JSON payload; none: the payload is the number.
    pub pointer: Option<String>,
    /// RFC 6901 pointer to the time the reading was taken, RFC 3339 or seconds (or milliseconds) since 1970.
    pub stamp_pointer: Option<String>,
    /// Unit of the payload.
    pub unit: PayloadUnit,
    /// How often it reports.
    pub every: Duration,
    /// A reading older than this does not count; three times `every` unless set.
    pub stale: Duration,
    /// Where it sits.
    pub spot: String,
    /// Least and greatest plausible value.
    pub plausible: (f64, f64),
    /// Values that stand for a fault and are never readings, such as 85 and −127 °C.
    pub reject: Vec<f64>,
    /// Fastest believable change per second; none: not checked.
    pub fastest: Option<f64>,
}

/// A target that follows the photoperiod.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// While it is day.
    pub day: Celsius,
    /// While it is night.
    pub night: Celsius,
}

/// Anything driven that warms or lights.
#[derive(Clone, Debug, PartialEq)]
pub struct Lamp {
    /// Names the lamp within its enclosure.
    pub name: String,
    /// What kind of lamp is in it.
    pub fitting: Fitting,
    /// Rated power.
    pub power: Option<Watts>,
    /// What switches it or sets its level.
    pub output: Output,
    /// The contactor above it.
    pub cut_off: Option<CutOffIx>,
    /// When it may be on.
    pub window: Window,
    /// Thermostat; none: on whenever its window is open.
    pub heat: Option<Heat>,
    /// Guard; present on every lamp whose fitting warms.
    pub guard: Option<Guard>,
    /// UV probe its UV arrives at.
    pub lights: Option<ProbeIx>,
    /// Ceiling its UV is held under, for lamps that emit UV and have a probe to see it.
    pub uv_ceiling: Option<UvCeiling>,
    /// Power probe that measures this lamp alone.
    pub power_probe: Option<ProbeIx>,
    /// Shortest time on, ended early only by the guard.
    pub min_on: Duration,
    /// Shortest time off; for a lamp that must cool before it strikes again, at least that time.
    pub min_off: Duration,
    /// Time from on until output and colour have settled.
    pub warm_up: Duration,
}

/// When a lamp may be on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// By day, by night, or always.
    pub when: When,
    /// Comes on this long after dawn.
    pub after_dawn: Duration,
    /// Goes off this long before dusk.
    pub before_dusk: Duration,
    /// Dimmers rise over this span at the start of the window and sink over it before the end.
    pub ramp: Duration,
    /// Level while fully on.
    pub level: Level,
}

/// By day, by night, or always.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// `day`
    Day,
    /// `night`
    Night,
    /// `always`
    Always,
}

/// A thermostat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Temperature probe it regulates by.
    pub probe: ProbeIx,
    /// What it holds.
    pub target: Target,
    /// How it holds it.
    pub law: HeatLaw,
    /// No-heat watch.
    pub weak: HeatWeak,
}

/// How a thermostat drives its lamp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeatLaw {
    /// On at `target − hysteresis`, off at `target + hysteresis`.
    OnOff {
        /// Half the band, above zero.
        hysteresis: Kelvin,
    },
    /// On for a share of each period.
    Pulse {
        /// Length of a period.
        period: Duration,
        /// The law that sets the share.
        pi: Pi,
    },
    /// Dimmed.
    Dim {
        /// The law that sets the level.
        pi: Pi,
    },
}

/// A proportional-integral law: `level = (target − reading) / band + integral`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pi {
    /// Deficit that alone calls for full level, above zero.
    pub band: Kelvin,
    /// Integral time, above zero: a steady deficit doubles the proportional part after this long.
    pub integral: Duration,
}

/// When a thermostat's lamp counts as too weak: it is fully on, and the deficit integrated over the true time step has
/// passed `deficit` without the reading having gained `gain` within `within`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatWeak {
    /// Integrated deficit.
    pub deficit: KelvinSeconds,
    /// A gain that shows the lamp is still getting there.
    pub gain: Kelvin,
    /// The time for that gain.
    pub within: Duration,
}

/// The guard over a lamp that warms. `target < cut < limit` for every target of the lamp.
#[derive(Clone, Debug, PartialEq)]
pub struct Guard {
    /// Temperature probes of the guard; at least one. The hottest counts, and each must be fresh.
    pub probes: Vec<ProbeIx>,
    /// At or above: off in the same step.
    pub cut: Celsius,
    /// At or above: off, and latched until a person resets it.
    pub limit: Celsius,
    /// The reading must have been below `cut − gap` …
    pub gap: Kelvin,
    /// … for this long before the lamp may be on again.
    pub rest: Duration,
    /// Worst-case rise assumed while a reading is overdue and the lamp may be on.
    pub slew: KelvinPerSecond,
    /// Guard probes further apart than this are in disagreement …
    pub twins_apart: Kelvin,
    /// … once it has lasted this long.
    pub twins_for: Duration,
    /// A probe that has not moved at all this long after its lamp switched is frozen.
    pub frozen_after: Duration,
    /// A lamp told off that still heats or draws power this long after is unstoppable.
    pub unstoppable_after: Duration,
}

/// Guard law 8: a UV lamp above its ceiling for longer than a set time is switched off and latched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UvCeiling {
    /// UV probe that sees the lamp.
    pub probe: ProbeIx,
    /// Never above.
    pub ceiling: Uvi,
    /// For longer than this.
    pub patience: Duration,
}

/// What switches a lamp or sets its level, and how it is spoken to.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Command topic.
    pub set: String,
    /// Topic the output reports its state on.
    pub state: Option<String>,
    /// RFC 6901 pointer to the state in a JSON report; none: the payload is the state.
    pub state_pointer: Option<String>,
    /// Relay or dimmer, with the words it understands.
    pub kind: OutputKind,
    /// The output ends by itself this long after its last ON; sent with every ON and refreshed.
    pub hold: Option<Duration>,
}

/// Relay or dimmer, with the words it understands. Payloads may hold `{level}` (0..1), `{percent}` (0..100) and
/// `{hold}` (whole seconds).
#[derive(Clone, Debug, PartialEq)]
pub enum OutputKind {
    /// Switches.
    Relay {
        /// Payload for on.
        on: String,
        /// Payload for off.
        off: String,
        /// What the state topic says while on; `on` unless set.
        reports_on: String,
        /// What the state topic says while off; `off` unless set.
        reports_off: String,
    },
    /// Sets a level.
    Dimmer {
        /// Payload for a level above zero.
        level: String,
        /// Payload for off.
        off: String,
        /// The number the state topic reports at full level, such as 1, 100 or 255.
        full: f64,
    },
}

impl Output {
    /// Whether it can only be on or off.
    pub fn is_relay(&self) -> bool {
        matches!(self.kind, OutputKind::Relay { .. })
    }
}

/// An upstream contactor over several lamps. It is on unless a lamp below it cannot be stopped otherwise.
#[derive(Clone, Debug, PartialEq)]
pub struct CutOff {
    /// Names the contactor.
    pub name: String,
    /// How it is spoken to: a relay.
    pub output: Output,
}
