//! `lampwarden contacts`: who would be told, and whether a message reaches them.

use std::io;
use std::process::ExitCode;
use std::sync::Arc;
use std::thread;

use chrono::Utc;
use clap::{Args, Subcommand};
use serde_json::json;

use crate::daemon::Clock;
use crate::notify::{Message, test_message};
use crate::post;
use crate::settings::Settings;

use super::{Config, desk, failed, told};

#[derive(Args)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Send a test message to every contact by every channel, and tell what became of each
    Test {
        #[command(flatten)]
        config: Config,
        /// Only this contact
        #[arg(long, value_name = "NAME")]
        contact: Option<String>,
    },
}

pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let Action::Test { config, contact } = &arguments.action;
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    if settings.telling.contacts.is_empty() {
        return failed(&"nobody would be told: there is no [[contact]] in the configuration");
    }
    if let Some(name) = contact
        && settings.telling.contact(name).is_none()
    {
        let names: Vec<_> = settings.telling.contacts.iter().map(|contact| contact.name.as_str()).collect();
        return failed(&format!("there is no contact {name:?}; there are {}", names.join(", ")));
    }
    told(test(settings, contact.as_deref(), &mut io::stdout().lock()))
}

/// All at once, told in their order.
fn test(settings: Settings, only: Option<&str>, out: &mut impl io::Write) -> io::Result<ExitCode> {
    let now: chrono::DateTime<Utc> = Clock::real().now().wall;
    let settings = Arc::new(settings);
    let contacts = settings.telling.contacts.iter().filter(|contact| only.is_none_or(|only| only == contact.name));
    let messages = contacts.enumerate().flat_map(|(nth, contact)| {
        let written = |channel: &crate::settings::Channel| {
            let site = &settings.site.name;
            test_message(site, &contact.name, channel.word(), contact.timezone, now, nth as u64)
        };
        contact.channels.iter().map(written).collect::<Vec<_>>()
    });
    let tries: Vec<_> = messages
        .map(|message| {
            let (settings, to_send) = (Arc::clone(&settings), message.clone());
            (message, thread::spawn(move || post::send(&settings, &to_send)))
        })
        .collect();
    let mut all_well = true;
    for (message, running) in tries {
        let outcome = running.join().unwrap_or_else(|_| Err("the try has broken off".to_owned()));
        let Message { contact, channel, .. } = &message;
        match outcome {
            Ok(()) => {
                let tested = json!({ "tested": { "contact": contact, "channel": channel } });
                // A daemon that runs remembers it for `away check`; without one nobody needs to.
                let _ = desk::ask(&settings, &tested);
                writeln!(out, "{contact}: {channel}: sent; see whether it arrives")?;
            }
            Err(why) => {
                all_well = false;
                writeln!(out, "{contact}: {channel}: NOT sent: {why}")?;
            }
        }
    }
    out.flush()?;
    Ok(if all_well { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
