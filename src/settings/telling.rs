//! Who is told of what, when and how.

use std::path::PathBuf;
use std::time::Duration;

use chrono::{NaiveDate, NaiveTime, Weekday};
use chrono_tz::Tz;

/// Who is told of what. Names refer to [`Contact::name`], and each is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Telling {
    /// People who can be told.
    pub contacts: Vec<Contact>,
    /// The plan of each priority.
    pub plans: Plans,
    /// The mail server; there is one where a contact has a mail address.
    pub mail: Option<MailServer>,
    /// Addresses that are visited again and again, so that silence tells somebody.
    pub heartbeats: Vec<Heartbeat>,
    /// A message a day.
    pub digest: Option<Digest>,
    /// When the keeper is away.
    pub away: Option<Away>,
    /// The web server.
    pub web: Option<Web>,
}

impl Telling {
    /// The contact called `name`.
    pub fn contact(&self, name: &str) -> Option<&Contact> {
        self.contacts.iter().find(|contact| contact.name == name)
    }
}

/// Somebody who can be told.
#[derive(Clone, Debug, PartialEq)]
pub struct Contact {
    /// Unique; plans name it.
    pub name: String,
    /// Zone of the times they read.
    pub timezone: Tz,
    /// When they may be disturbed; none: at any time. The rest are their quiet hours: what is not critical waits.
    pub hours: Option<Hours>,
    /// Every way to them; each message takes all of them. At most one of each kind.
    pub channels: Vec<Channel>,
}

impl Contact {
    /// The channel of that word.
    pub fn channel(&self, word: &str) -> Option<&Channel> {
        self.channels.iter().find(|channel| channel.word() == word)
    }
}

/// From one time of day to another, over midnight where `to` is not after `from`. `from != to`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hours {
    /// First time that belongs to it.
    pub from: NaiveTime,
    /// First time that no longer does.
    pub to: NaiveTime,
}

/// A way to somebody.
#[derive(Clone, Debug, PartialEq)]
pub enum Channel {
    /// Mail to an address.
    Mail {
        /// The address.
        to: String,
    },
    /// An HTTP POST.
    Webhook(Webhook),
    /// A message on a topic of the site's broker, never retained.
    Mqtt {
        /// The topic.
        topic: String,
    },
    /// A program, started without a shell.
    Command {
        /// The program and its arguments.
        run: Vec<String>,
        /// It is killed after this long.
        within: Duration,
    },
}

impl Channel {
    /// The word of the configuration, and of the outbox.
    pub const fn word(&self) -> &'static str {
        match self {
            Channel::Mail { .. } => "mail",
            Channel::Webhook(_) => "webhook",
            Channel::Mqtt { .. } => "mqtt",
            Channel::Command { .. } => "command",
        }
    }
}

/// An HTTP POST.
#[derive(Clone, Debug, PartialEq)]
pub struct Webhook {
    /// Where to: the address, or the file whose first line it is.
    pub url: Address,
    /// JSON in which `{subject}` and the other places are filled in; none: the message as JSON.
    pub body: Option<String>,
    /// File of header lines, `Name: value`.
    pub headers_file: Option<PathBuf>,
    /// PEM file of certificate authorities; none: those of the system.
    pub ca_file: Option<PathBuf>,
}

/// An address that may be a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// As it stands in the configuration.
    Plain(String),
    /// The first line of a file.
    File(PathBuf),
}

/// What is done for alarms of each priority.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plans {
    /// Critical alarms.
    pub critical: Plan,
    /// High ones.
    pub high: Plan,
    /// Medium ones.
    pub medium: Plan,
    /// Low ones.
    pub low: Plan,
}

/// What is done for alarms of one priority.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// Who hears at once.
    pub first: Vec<String>,
    /// Who hears too, if nobody has acknowledged …
    pub then: Vec<String>,
    /// … after this long.
    pub after: Duration,
    /// All who were told are told again so often until somebody acknowledges; none: never.
    pub repeat: Option<Duration>,
}

/// The mail server that takes messages on their way.
#[derive(Clone, Debug, PartialEq)]
pub struct MailServer {
    /// Host name.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// How the connection is kept private.
    pub security: Security,
    /// Sender's address.
    pub from: String,
    /// User name, where the server wants one.
    pub username: Option<String>,
    /// File whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// PEM file of certificate authorities; none: those of the system.
    pub ca_file: Option<PathBuf>,
}

/// How a mail connection is kept private.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Security {
    /// TLS begins after a word in the clear, or nothing is sent (`starttls`).
    StartTls,
    /// TLS from the first byte (`tls`).
    Tls,
    /// Everything in the clear (`none`): for a server on the same machine.
    Clear,
}

/// An address that is visited again and again.
#[derive(Clone, Debug, PartialEq)]
pub struct Heartbeat {
    /// Where: GET.
    pub url: Address,
    /// How often.
    pub every: Duration,
    /// PEM file of certificate authorities; none: those of the system.
    pub ca_file: Option<PathBuf>,
}

/// A message a day.
#[derive(Clone, Debug, PartialEq)]
pub struct Digest {
    /// Local time of the site.
    pub at: NaiveTime,
    /// To whom.
    pub to: Vec<String>,
    /// Whether it comes every day; else only while the keeper is away.
    pub daily: bool,
    /// When the one of the week comes, with charts; none: never.
    pub weekly: Option<Weekly>,
}

/// A moment of the week, local time of the site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Weekly {
    /// The day.
    pub day: Weekday,
    /// The time of that day.
    pub at: NaiveTime,
}

/// When the keeper is away: both dates belong to it, by the site's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct Away {
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// Contacts who look after the animals meanwhile: told at once of critical and high alarms.
    pub neighbours: Vec<String>,
    /// What they should do, by the enclosure's id.
    pub instructions: Vec<(String, String)>,
}

/// The web server: the pages, and links in messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Web {
    /// Address and port it listens on.
    pub listen: std::net::SocketAddr,
    /// What links in messages begin with, without a closing `/`; none: messages hold no links.
    pub public_url: Option<String>,
    /// Whether it serves the pages, or answers links alone.
    pub pages: bool,
    /// TLS; none: in the clear, for this machine or behind a server with TLS.
    pub tls: Option<ServerIdentity>,
}

/// The certificate of a server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServerIdentity {
    /// PEM certificate chain.
    pub certificate_file: PathBuf,
    /// PEM private key.
    pub key_file: PathBuf,
}
