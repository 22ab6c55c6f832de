//! Keys of the people who are told, and how.

use super::{CHOICE, DAY, GUESS, Kind, MINUTE, NONE, Plain, Rule, Section, default, optional, required, table};

const NAMES: Kind = Kind::List(&Kind::Text(Rule::Name), 0, 64);

pub(super) static CONTACT: Section = Section {
    name: "a contact",
    doc: "Somebody who is told of alarms. A message can be late or get lost: nobody should rely on messages alone for live \
          animals.",
    overrides: false,
    keys: &[
        required("name", Kind::Text(Rule::Name), "Names the contact; plans refer to it.", "\"keeper\""),
        optional(
            "timezone",
            Kind::Text(Rule::Zone),
            "the site's",
            "IANA time zone of the times they read.",
            "\"Asia/Kolkata\"",
        ),
        table(
            "hours",
            Kind::Table(&HOURS),
            NONE_HOURS,
            "When they may be disturbed, by their own clock. Outside are their quiet hours: only what is critical is sent, the \
             rest waits.",
        ),
        table("mail", Kind::Table(&MAIL_TO), NONE, "A mail address; the server stands in [mail]."),
        table("webhook", Kind::Table(&WEBHOOK), NONE, "An HTTP POST."),
        table("mqtt", Kind::Table(&MQTT), NONE, "A message on a topic of the site's broker, never retained."),
        table("command", Kind::Table(&COMMAND), NONE, "A program of this computer, started without a shell."),
    ],
};

const NONE_HOURS: super::Need = super::Need::Absent("at any time");

static HOURS: Section = Section {
    name: "hours of a contact",
    doc: "From one time of day to another; over midnight where `to` is the earlier.",
    overrides: false,
    keys: &[
        required("from", Kind::Time, "First time at which they may be disturbed.", "\"07:00\""),
        required("to", Kind::Time, "First time at which they may not.", "\"22:00\""),
    ],
};

static MAIL_TO: Section = Section {
    name: "mail to a contact",
    doc: "A mail address.",
    overrides: false,
    keys: &[required("to", Kind::Text(Rule::Mail), "The address.", "\"keeper@example.net\"")],
};

static WEBHOOK: Section = Section {
    name: "a webhook",
    doc: "An HTTP POST with a JSON body. Any answer from 200 to 299 counts as arrived; a redirection to another host is not \
          followed.",
    overrides: false,
    keys: &[
        optional(
            "url",
            Kind::Text(Rule::Web),
            "`url_file` must be given",
            "Where to, `https://…`; an address that is itself a secret belongs into a file.",
            "\"https://hooks.example.net/animals\"",
        ),
        optional(
            "url_file",
            Kind::Text(Rule::Filled),
            "`url` must be given",
            "File whose first line is the address.",
            "\"/etc/lampwarden/webhook.url\"",
        ),
        optional(
            "body",
            Kind::Text(Rule::Filled),
            "the whole message as a JSON object",
            "JSON with places that are filled in inside its texts: {subject}, {text}, {priority}, {sort}, {site}, {contact}, {id}, {link}.",
            "'{\"title\": \"{subject}\", \"message\": \"{text}\"}'",
        ),
        optional(
            "headers_file",
            Kind::Text(Rule::Filled),
            "no headers of your own",
            "File of header lines such as `Authorization: Bearer …`.",
            "\"/etc/lampwarden/webhook.headers\"",
        ),
        optional(
            "ca_file",
            Kind::Text(Rule::Filled),
            "the authorities that this system trusts",
            "PEM file of the certificate authority.",
            "\"/etc/lampwarden/ca.pem\"",
        ),
    ],
};

static MQTT: Section = Section {
    name: "an MQTT message",
    doc: "A message on a topic of the site's broker: the whole of it as a JSON object, at QoS 1.",
    overrides: false,
    keys: &[required("topic", Kind::Text(Rule::Topic), "The topic.", "\"house/pager\"")],
};

static COMMAND: Section = Section {
    name: "a command",
    doc: "A program that gets the message as a JSON object on its standard input. It ends with 0 where the message is on its \
          way.",
    overrides: false,
    keys: &[
        required(
            "run",
            Kind::List(&Kind::Text(Rule::Filled), 1, 64),
            "The program and its arguments, each for itself: there is no shell.",
            "[\"/usr/local/bin/page-me\", \"--loud\"]",
        ),
        default(
            "within",
            Kind::Span(1, 10 * MINUTE),
            Plain::Seconds(30),
            GUESS,
            "It is killed after this long, and that counts as a failure.",
            "\"10s\"",
        ),
    ],
};

pub(super) static MAIL: Section = Section {
    name: "the mail server",
    doc: "The server that takes mail on its way.",
    overrides: false,
    keys: &[
        required("host", Kind::Text(Rule::Filled), "Host name.", "\"mail.example.net\""),
        optional(
            "port",
            Kind::Whole(1, 65_535),
            "587 with `starttls`, 465 with `tls`, 25 with `none` (RFC 6409, RFC 8314, RFC 5321)",
            "TCP port.",
            "587",
        ),
        default(
            "security",
            Kind::Word(&["starttls", "tls", "none"]),
            Plain::Text("starttls"),
            CHOICE,
            "How the connection is kept private; `none` is for a server on the same machine.",
            "\"tls\"",
        ),
        required("from", Kind::Text(Rule::Mail), "The sender's address.", "\"lampwarden@example.net\""),
        optional(
            "username",
            Kind::Text(Rule::Filled),
            "no login",
            "User name, where the server wants one.",
            "\"lampwarden\"",
        ),
        optional(
            "password_file",
            Kind::Text(Rule::Filled),
            "no login",
            "File whose first line is the password.",
            "\"/etc/lampwarden/mail.password\"",
        ),
        optional(
            "ca_file",
            Kind::Text(Rule::Filled),
            "the authorities that this system trusts",
            "PEM file of the certificate authority.",
            "\"/etc/lampwarden/ca.pem\"",
        ),
    ],
};

/// The keys of a plan; priorities differ in their defaults alone.
macro_rules! plan {
    ($name:literal, $doc:literal, $first:literal, $after:literal, $repeat:literal, $repeat_is:expr) => {
        Section {
            name: $name,
            doc: $doc,
            overrides: false,
            keys: &[
                optional("first", NAMES, $first, "Contacts who hear at once.", "[\"keeper\"]"),
                optional(
                    "then",
                    NAMES,
                    "nobody",
                    "Contacts who hear too, if nobody has acknowledged.",
                    "[\"neighbour\"]",
                ),
                default(
                    "after",
                    Kind::Span(MINUTE, DAY),
                    Plain::Seconds($after),
                    GUESS,
                    "How long without an acknowledgement before those in `then` hear.",
                    "\"10m\"",
                ),
                default(
                    "repeat",
                    Kind::Span(0, 7 * DAY),
                    Plain::Seconds($repeat),
                    $repeat_is,
                    "All who were told are told again so often until somebody acknowledges; \"0s\": never.",
                    "\"1h\"",
                ),
            ],
        }
    };
}

static CRITICAL: Section = plan!("the plan for critical alarms", "Critical alarms.", "all contacts", 600, 900, GUESS);
static HIGH: Section = plan!("the plan for high alarms", "High alarms.", "all contacts", 1800, 7200, GUESS);
static MEDIUM: Section = plan!("the plan for medium alarms", "Medium alarms.", "all contacts", 14400, 0, CHOICE);
static LOW: Section =
    plan!("the plan for low alarms", "Low alarms.", "nobody: they stand in the digest", 14400, 0, CHOICE);

pub(in crate::config) static ALARMS: Section = Section {
    name: "the alarm plan",
    doc: "Who is told of alarms, by their priority.",
    overrides: false,
    keys: &[
        table("critical", Kind::Table(&CRITICAL), NONE_PLAN, "Critical alarms."),
        table("high", Kind::Table(&HIGH), NONE_PLAN, "High alarms."),
        table("medium", Kind::Table(&MEDIUM), NONE_PLAN, "Medium alarms."),
        table("low", Kind::Table(&LOW), NONE_PLAN, "Low alarms."),
    ],
};

const NONE_PLAN: super::Need = super::Need::Absent("its defaults");

pub(super) static HEARTBEAT: Section = Section {
    name: "a heartbeat",
    doc: "An address that is visited again and again, so that somebody else notices when this computer falls silent.",
    overrides: false,
    keys: &[
        optional(
            "url",
            Kind::Text(Rule::Web),
            "`url_file` must be given",
            "Where: a GET.",
            "\"https://watch.example.net/a1\"",
        ),
        optional(
            "url_file",
            Kind::Text(Rule::Filled),
            "`url` must be given",
            "File whose first line is the address.",
            "\"/etc/lampwarden/heartbeat.url\"",
        ),
        default("every", Kind::Span(1, DAY), Plain::Seconds(300), GUESS, "How often.", "\"5m\""),
        optional(
            "ca_file",
            Kind::Text(Rule::Filled),
            "the authorities that this system trusts",
            "PEM file of the certificate authority.",
            "\"/etc/lampwarden/ca.pem\"",
        ),
    ],
};

/// Days of the week, in their order.
pub(in crate::config) const WEEKDAYS: [&str; 7] =
    ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];

pub(in crate::config) static DIGEST: Section = Section {
    name: "the digest",
    doc: "A message a day: each enclosure in a line, what was different, what is due.",
    overrides: false,
    keys: &[
        default("at", Kind::Time, Plain::Time(18, 0), GUESS, "When, by the site's clock.", "\"20:00\""),
        default(
            "daily",
            Kind::Switch,
            Plain::Switch(true),
            CHOICE,
            "Whether it comes every day. While the keeper is away it does whatever is said here.",
            "false",
        ),
        optional(
            "weekly",
            Kind::Word(&WEEKDAYS),
            "there is none",
            "The day on which one of the week comes, with a chart for every probe that regulates or measures UV.",
            "\"sunday\"",
        ),
        optional(
            "weekly_at",
            Kind::Time,
            "as `at`",
            "When the one of the week comes, by the site's clock.",
            "\"08:00\"",
        ),
        optional("to", NAMES, "all contacts but neighbours", "To whom.", "[\"keeper\"]"),
    ],
};

pub(super) static AWAY: Section = Section {
    name: "the absence",
    doc: "The keeper is away: waiting times of the plan are halved, the digest is sent, neighbours are told at once.",
    overrides: false,
    keys: &[
        required("from", Kind::Text(Rule::Date), "First day.", "\"2026-07-01\""),
        required("to", Kind::Text(Rule::Date), "Last day.", "\"2026-07-14\""),
        optional(
            "neighbours",
            NAMES,
            "nobody",
            "Contacts who look after the animals meanwhile: told at once of critical and high alarms.",
            "[\"next-door\"]",
        ),
        table("instructions", Kind::Many(&INSTRUCTION), NONE, "What neighbours should do, enclosure by enclosure."),
    ],
};

static INSTRUCTION: Section = Section {
    name: "an instruction",
    doc: "What a neighbour should do at one enclosure; it stands in every message to them about it.",
    overrides: false,
    keys: &[
        required("enclosure", Kind::Text(Rule::Name), "The enclosure's id.", "\"e1\""),
        required(
            "text",
            Kind::Text(Rule::Filled),
            "What to do, in words for somebody who does not know the animals.",
            "\"The grey plug left of the door is its heat lamp. Pull it if the lamp will not go off, then ring me.\"",
        ),
    ],
};

pub(super) static WEB: Section = Section {
    name: "the web server",
    doc: "The web server: the pages (the site at a glance, enclosures, lamps, alarms, walks with the meter, records), and the \
          links in messages by which alarms are acknowledged. Without accounts (`lampwarden accounts add`) the pages can be \
          looked at on this machine alone, and nothing can be done there.",
    overrides: false,
    keys: &[
        default(
            "listen",
            Kind::Text(Rule::Socket),
            Plain::Text("127.0.0.1:8417"),
            "our choice; put a server with TLS before it to reach it from outside",
            "Address and port it listens on.",
            "\"127.0.0.1:8417\"",
        ),
        optional(
            "public_url",
            Kind::Text(Rule::Web),
            "messages hold no links",
            "What links in messages begin with: how a telephone reaches it.",
            "\"https://animals.example.net\"",
        ),
        default(
            "pages",
            Kind::Switch,
            Plain::Switch(true),
            CHOICE,
            "Whether the pages are served; `false` answers links in messages alone.",
            "false",
        ),
        optional(
            "certificate_file",
            Kind::Text(Rule::Filled),
            "no TLS: for this machine alone, or behind a server with TLS",
            "PEM file of the server's certificate chain; needs `key_file`.",
            "\"/etc/lampwarden/web.pem\"",
        ),
        optional(
            "key_file",
            Kind::Text(Rule::Filled),
            "no TLS",
            "PEM file of the certificate's key.",
            "\"/etc/lampwarden/web.key\"",
        ),
    ],
};
