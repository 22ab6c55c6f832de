//! Keys of the site and its broker.

use super::{CHOICE, DAY, GUESS, Kind, Plain, Rule, Section, default, optional, required, within};

pub(super) static SITE: Section = Section {
    name: "the site",
    doc: "One building with one clock and one broker.",
    overrides: false,
    keys: &[
        required(
            "name",
            Kind::Text(Rule::Name),
            "Names the site in topics: everything is published under `lampwarden/<name>/`.",
            "\"garden-room\"",
        ),
        required("timezone", Kind::Text(Rule::Zone), "IANA time zone of the site's wall clock.", "\"Europe/Lisbon\""),
        required("latitude", within(-90.0, 90.0, "°"), "Latitude of the site, north positive.", "38.72"),
        required("longitude", within(-180.0, 180.0, "°"), "Longitude of the site, east positive.", "-9.14"),
        default(
            "on_exit",
            Kind::Word(&["heat-off", "all-off", "leave"]),
            Plain::Text("heat-off"),
            CHOICE,
            "What becomes of the lamps when the daemon is told to stop.",
            "\"heat-off\"",
        ),
        default(
            "accept_commands",
            Kind::Switch,
            Plain::Switch(false),
            CHOICE,
            "Whether `lampwarden/<site>/do/<enclosure>/<verb>` is listened to.",
            "true",
        ),
        optional(
            "state_directory",
            Kind::Text(Rule::Filled),
            "latches and trips are kept in memory alone and do not survive a restart",
            "Folder where latches and trips are kept over restarts and power cuts.",
            "\"/var/lib/lampwarden\"",
        ),
        default(
            "uv_notice",
            Kind::Span(DAY, 365 * DAY),
            Plain::Seconds(30 * DAY),
            GUESS,
            "How long before its UV is expected to leave the band a lamp is told to fade.",
            "\"45d\"",
        ),
        default(
            "spare_horizon",
            Kind::Span(DAY, 365 * DAY),
            Plain::Seconds(60 * DAY),
            GUESS,
            "How far ahead spares are counted against the lamps that will need them: longer than a lamp takes to arrive.",
            "\"90d\"",
        ),
    ],
};

pub(super) static BROKER: Section = Section {
    name: "the broker",
    doc: "How the MQTT broker is reached. Passwords stand in files of their own, never here.",
    overrides: false,
    keys: &[
        required(
            "url",
            Kind::Text(Rule::Url),
            "`mqtt://host:port` or, with TLS, `mqtts://host:port`; the ports are 1883 and 8883 unless given.",
            "\"mqtt://127.0.0.1:1883\"",
        ),
        default(
            "protocol",
            Kind::Word(&["5", "3.1.1"]),
            Plain::Text("5"),
            CHOICE,
            "Version of the MQTT protocol.",
            "\"3.1.1\"",
        ),
        optional(
            "ca_file",
            Kind::Text(Rule::Filled),
            "no TLS; with `mqtts://` it must be given",
            "PEM file of the certificate authority that signed the broker's certificate.",
            "\"/etc/lampwarden/ca.pem\"",
        ),
        optional(
            "certificate_file",
            Kind::Text(Rule::Filled),
            "no client certificate",
            "PEM file of the client's certificate chain, where the broker wants one.",
            "\"/etc/lampwarden/client.pem\"",
        ),
        optional(
            "key_file",
            Kind::Text(Rule::Filled),
            "no client certificate",
            "PEM file of the client's private key.",
            "\"/etc/lampwarden/client.key\"",
        ),
        optional(
            "username",
            Kind::Text(Rule::Filled),
            "anonymous",
            "User name, where the broker wants one.",
            "\"lampwarden\"",
        ),
        optional(
            "password_file",
            Kind::Text(Rule::Filled),
            "no password",
            "File whose first line is the password.",
            "\"/etc/lampwarden/broker.password\"",
        ),
        optional(
            "client_id",
            Kind::Text(Rule::Filled),
            "`lampwarden-<site>`",
            "MQTT client identifier; two connections with the same one put each other out.",
            "\"lampwarden-garden-room\"",
        ),
        // The upper bound is MQTT's: 16 bits of seconds, OASIS MQTT 5.0, 3.1.2.10; it is not rounded to 18 h here.
        default(
            "keep_alive",
            Kind::Span(1, 65_535),
            Plain::Seconds(5),
            "a dead connection shows after twice this time; our choice",
            "Keep-alive interval.",
            "\"5s\"",
        ),
    ],
};
