//! Messages on their way to people: mail, webhooks, MQTT and commands, with retries until they have arrived.
//!
//! ```text
//! journal (durable) ─▶ Postman ─▶ a thread for each try ─▶ channel
//!        ▲               │ ▲                │
//!        └── outcome ────┘ └── result ──────┘
//! ```
//!
//! The control loop hands over and hears of the outcome; it waits for nothing. A try runs on a thread of its own, because
//! names are looked up, servers hang and programs are slow; one at a time for each way to each person, so that a dead
//! channel holds up no other.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room touches the world")]

mod command;
mod mail;
mod postman;
mod trust;
mod webhook;

use std::path::Path;
use std::time::Duration;

use serde_json::{Value, json};

use crate::notify::Message;
use crate::settings::{Address, Channel, Settings};
use crate::wire::{LinkOptions, deliver};

pub use postman::{Ended, Outcome, Postman, Trial};
pub use webhook::visit;

/// Each step of a conversation with a server may take so long; a guess.
const STEP: Duration = Duration::from_secs(20);
/// And all of it so long.
const WHOLE: Duration = Duration::from_secs(60);

/// Sends a message by the channel its contact has now. Blocks, for [`WHOLE`] or the command's own time limit, about; it
/// belongs on a thread of its own. Errors are sentences, without secrets.
pub fn send(settings: &Settings, message: &Message) -> Result<(), String> {
    let contact = settings.telling.contact(&message.contact);
    let contact = contact.ok_or_else(|| format!("there is no contact {} any more", message.contact))?;
    let channel = contact.channel(&message.channel);
    let channel = channel.ok_or_else(|| format!("{} has no {} any more", contact.name, message.channel))?;
    match channel {
        Channel::Mail { to } => match &settings.telling.mail {
            Some(server) => mail::send(server, to, message),
            None => Err("there is no mail server any more".to_owned()),
        },
        Channel::Webhook(webhook) => webhook::send(webhook, &settings.site.name, message),
        Channel::Mqtt { topic } => {
            let options = LinkOptions {
                client_id: format!("lampwarden-{}-post-{}", settings.site.name, contact.name),
                announce: false,
                ..LinkOptions::daemon(settings, Vec::new())
            };
            let payload = document(&settings.site.name, message).to_string();
            deliver(&options, topic, payload.into_bytes(), STEP).map_err(|error| error.0)
        }
        Channel::Command { run, within } => {
            command::run(run, *within, document(&settings.site.name, message).to_string().into_bytes())
        }
    }
}

/// The message as programs read it.
fn document(site: &str, message: &Message) -> Value {
    let alarms = message.about.iter().map(|about| json!({ "alarm": about.alarm, "stage": about.stage }));
    json!({
        "id": message.id,
        "site": site,
        "contact": message.contact,
        "sort": message.sort,
        "priority": message.priority.word(),
        "made": message.made.to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
        "subject": message.subject,
        "text": message.text,
        "link": message.link,
        "alarms": alarms.collect::<Vec<_>>(),
    })
}

/// The first line of a file that holds a secret.
fn first_line(file: &Path) -> Result<String, String> {
    let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
    match text.lines().next().map(str::trim) {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(format!("{}: its first line is empty", file.display())),
    }
}

fn address(address: &Address) -> Result<String, String> {
    match address {
        Address::Plain(url) => Ok(url.clone()),
        Address::File(file) => first_line(file),
    }
}

/// An error with what caused it, once each.
fn with_causes(error: &dyn std::error::Error) -> String {
    let mut told = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        let cause_told = cause.to_string();
        if !told.contains(&cause_told) {
            told = format!("{told}: {cause_told}");
        }
        next = cause.source();
    }
    told
}
