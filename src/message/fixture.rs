//! Settings for the tests of this room: one enclosure with two lamps and two probes on one topic, and a cut-off.

use std::time::Duration;

use crate::control::OutputRef;
use crate::settings::{
    Broker, Care, Clamp, CutOff, Enclosure, Fitting, Lamp, Measures, OnExit, Output, OutputKind, PayloadUnit,
    Photoperiod, Place, Probe, Protocol, Settings, Site, When, Window,
};
use crate::units::{Degrees, Level};

use super::command;

/// The settings.
pub(crate) fn settings() -> Settings {
    with_words("ON", "OFF")
}

/// The same, not listening to acts.
pub(super) fn without_acts() -> Settings {
    let mut settings = settings();
    settings.site.accept_commands = false;
    settings
}

/// The same with a heat relay of those words.
pub(super) fn with_words(on: &str, off: &str) -> Settings {
    let heat = Output {
        set: "garden/e1/heat/set".to_owned(),
        state: Some("garden/e1/air".to_owned()),
        state_pointer: Some("/heat".to_owned()),
        kind: relay(on, off),
        hold: None,
    };
    let dim = Output {
        set: "garden/e1/dim/set".to_owned(),
        state: Some("garden/e1/dim".to_owned()),
        state_pointer: None,
        kind: OutputKind::Dimmer { level: "{percent}".to_owned(), off: "0".to_owned(), full: 100.0 },
        hold: None,
    };
    let main = Output {
        set: "garden/main/set".to_owned(),
        state: None,
        state_pointer: None,
        kind: relay("1", "0"),
        hold: None,
    };
    Settings {
        site: Site {
            name: "garden-room".to_owned(),
            timezone: chrono_tz::Europe::Lisbon,
            place: Place { latitude: Degrees(38.72), longitude: Degrees(-9.14) },
            on_exit: OnExit::HeatOff,
            accept_commands: true,
            state_directory: None,
            uv_notice: Duration::from_secs(30 * 86_400),
            spare_horizon: Duration::from_secs(60 * 86_400),
        },
        broker: Broker {
            host: "127.0.0.1".to_owned(),
            port: 1883,
            protocol: Protocol::V5,
            tls: None,
            username: None,
            password_file: None,
            client_id: None,
            keep_alive: Duration::from_secs(5),
        },
        spares: Vec::new(),
        telling: Default::default(),
        cut_offs: vec![CutOff { name: "main".to_owned(), output: main }],
        circuits: Vec::new(),
        tariff: None,
        enclosures: vec![Enclosure {
            id: "e1".to_owned(),
            title: "Quince".to_owned(),
            rack: None,
            care: Care {
                name: "woodland-basker".to_owned(),
                photoperiod: Photoperiod::Site { clamp: Clamp::NONE },
                uv: None,
                program: None,
            },
            probes: vec![probe("basking", Measures::Temperature, "/t"), probe("air", Measures::Humidity, "/h")],
            lamps: vec![lamp("heat", Fitting::Halogen, heat), lamp("dim", Fitting::Led, dim)],
            out_of_service: None,
        }],
    }
}

/// What an output of [`settings`] is told for `level`.
pub(super) fn payload(output: OutputRef, level: Level) -> String {
    let settings = settings();
    command::payload(command::output(&settings, output).unwrap(), level, None)
}

fn relay(on: &str, off: &str) -> OutputKind {
    OutputKind::Relay { on: on.to_owned(), off: off.to_owned(), reports_on: on.to_owned(), reports_off: off.to_owned() }
}

fn probe(name: &str, measures: Measures, pointer: &str) -> Probe {
    Probe {
        name: name.to_owned(),
        measures,
        topic: "garden/e1/air".to_owned(),
        pointer: Some(pointer.to_owned()),
        stamp_pointer: None,
        unit: PayloadUnit::Kept,
        every: Duration::from_secs(30),
        stale: Duration::from_secs(90),
        spot: "basking".to_owned(),
        plausible: (-20.0, 120.0),
        reject: vec![],
        fastest: None,
    }
}

fn lamp(name: &str, fitting: Fitting, output: Output) -> Lamp {
    Lamp {
        name: name.to_owned(),
        fitting,
        power: None,
        output,
        cut_off: None,
        circuit: None,
        priority: 5,
        window: Window {
            when: When::Day,
            after_dawn: Duration::ZERO,
            before_dusk: Duration::ZERO,
            ramp: Duration::ZERO,
            level: Level::FULL,
        },
        year: None,
        heat: None,
        guard: None,
        lights: None,
        uv_ceiling: None,
        power_probe: None,
        min_on: Duration::ZERO,
        min_off: Duration::ZERO,
        warm_up: Duration::ZERO,
    }
}
