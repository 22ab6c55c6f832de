//! Lampwarden looks after the lamps of captive reptiles.
//!
//! The library is laid out as its data flows, and its arrows point one way (`tests/architecture.rs` holds that):
//!
//! | room | job | may use |
//! |---|---|---|
//! | [`units`] | quantities with their units in the type | nothing |
//! | [`time`] | [`Moment`](time::Moment): monotonic and wall time together | nothing |
//! | [`science`] | pure numbers: sun, UV, thermal networks, charts, fits, odds | `units` |
//! | [`settings`] | what the keeper asked for, checked, as plain data | `units` |
//! | [`commissioning`] | lamps tried one by one: what is exchanged, how it warms, figures for it | `units`, `time`, `science`, `settings` |
//! | [`guard`] | the guard law: the last word on every lamp | `units`, `time`, `settings` |
//! | [`control`] | events and a moment in, effects out | all above |
//! | [`message`] | bytes on topics to events, effects to bytes on topics | all above |
//! | [`notify`] | who is told of an alarm, when and in which words | `settings`, `control` and all they use |
//! | [`config`] | TOML text to settings, with every finding | `science`, `settings`, `units` |
//! | [`replay`] | a recording through the control core, in the recording's time | `control`, `message` and all they use |
//! | [`page`] | what self-contained pages share: axes, and how they look | nothing |
//! | [`report`] | ninety days of one animal on paper, for a vet | `control` and all it uses, `page` |
//! | [`rehearsal`] | stories and swarms: core and simulated room together in virtual time | `simulator`, `config`, `message`, `page` and all they use |
//! | [`simulator`] | a physical room that answers by messages | `science`, `units`, `settings` |
//! | `wire` | the MQTT connection | all above |
//! | `journal` | the keeper's records on disk | `control`, `message` and all they use |
//! | `post` | messages on their way to people: mail, webhooks, MQTT, commands | `notify`, `wire` and all they use |
//! | `export` | the journal's tables and the vet's page, written out | `journal`, `notify`, `report` and all they use |
//! | `web` | the pages, and links in messages by which alarms are acknowledged | `export`, `journal`, `control`, `page` and all they use |
//! | `daemon` | the live driver of the core | all above |
//! | `commands` | the command line | everything |
//!
//! Everything above `wire` is pure: no clock, no socket, no file, no task, no randomness that is not seeded.

pub mod commissioning;
pub mod config;
pub mod control;
pub mod guard;
pub mod message;
pub mod notify;
pub mod page;
pub mod rehearsal;
pub mod replay;
pub mod report;
pub mod science;
pub mod settings;
pub mod simulator;
pub mod time;
pub mod units;

#[cfg(feature = "daemon")]
pub mod commands;
#[cfg(feature = "daemon")]
pub mod daemon;
#[cfg(feature = "daemon")]
pub mod export;
#[cfg(feature = "daemon")]
pub mod journal;
#[cfg(feature = "daemon")]
pub mod post;
#[cfg(feature = "daemon")]
pub mod web;
#[cfg(feature = "daemon")]
pub mod wire;
