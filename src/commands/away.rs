//! `lampwarden away`: before the keeper leaves.

use std::io::{self, Write as _};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::{Config, desk, failed, told};

/// What no program can see.
const BY_HAND: [&str; 6] = [
    "the independent thermal cut-out and the residual-current device of every heating circuit were tried",
    "every lamp was looked at: seated, clean, mesh clean, nothing within reach that can burn",
    "spare lamps lie where the neighbour finds them, and they know which is which",
    "water, food and the veterinarian's number are where the neighbour finds them",
    "the neighbour has a key, has been shown every plug, and has acknowledged a test message",
    "somebody looks in on every animal, whatever messages say or do not say",
];

#[derive(Args)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Fill in the checklist before leaving, as far as the program can
    Check {
        #[command(flatten)]
        config: Config,
        /// Print a JSON object
        #[arg(long)]
        json: bool,
    },
}

pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let Action::Check { config, json } = &arguments.action;
    let settings = match config.settings() {
        Ok(settings) => settings,
        Err(code) => return code,
    };
    let answer = match desk::ask(&settings, &json!({ "tell": "away" })) {
        Ok(mut answer) => answer["away"].take(),
        Err(why) => return failed(&why),
    };
    let points: &[Value] = answer["points"].as_array().map_or(&[], Vec::as_slice);
    let all_well = points.iter().all(|point| point["well"] == true);
    let text =
        if *json { serde_json::to_string_pretty(&answer).unwrap_or_default() + "\n" } else { list(&answer, points) };
    let mut out = io::stdout().lock();
    let code = if all_well { ExitCode::SUCCESS } else { ExitCode::FAILURE };
    told(out.write_all(text.as_bytes()).and_then(|()| out.flush()).map(|()| code))
}

fn list(answer: &Value, points: &[Value]) -> String {
    let word = |value: &Value| value.as_str().unwrap_or("–").to_owned();
    let mut out = format!("away from {} to {}\n\n", word(&answer["from"]), word(&answer["to"]));
    for point in points {
        let mark = if point["well"] == true { "ok  " } else { "SEE " };
        out += &format!("{mark} {}\n", word(&point["text"]));
    }
    out += "\nWhat no program can see, for you to tick:\n";
    for point in BY_HAND {
        out += &format!("[ ]  {point}\n");
    }
    out
}
