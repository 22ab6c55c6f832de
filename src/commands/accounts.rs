//! `lampwarden accounts`: who may come in at the pages.

use std::io::{self, BufRead as _, IsTerminal as _};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Subcommand};

use super::serve::state_directory;
use super::{Config, failed};
use crate::web::Role;
use crate::web::people::{self, Account};

/// Said below the help.
pub(super) const ABOUT: &str = "\
Accounts of the web pages: who may look, keep or manage

They stand in `accounts.json` in the state directory, with the argon2id hashes of their passwords. A running daemon sees
changes at once: whoever is removed, or has another password, is out.

look    sees how things stand
keep    also walks with the meter, acknowledges alarms, sets lamps by hand for a while, says that a lamp was changed
manage  also resets guards, makes links for others and reads the settings";

#[derive(Args)]
pub(super) struct Arguments {
    #[command(subcommand)]
    work: Work,
}

#[derive(Subcommand)]
enum Work {
    /// Make an account, or give one another password or role; the password is asked for, or read from standard input
    Add {
        #[command(flatten)]
        config: Config,
        /// Letters, digits, dots and dashes
        name: String,
        /// What they may do: look, keep or manage
        #[arg(long, value_name = "ROLE", default_value = "look")]
        role: Role,
    },
    /// Name the accounts and their roles
    List {
        #[command(flatten)]
        config: Config,
    },
    /// Remove an account
    Remove {
        #[command(flatten)]
        config: Config,
        /// Whose
        name: String,
    },
}

pub(super) fn run(arguments: Arguments) -> ExitCode {
    let done = match arguments.work {
        Work::Add { config, name, role } => place(&config).and_then(|path| add(&path, &name, role)),
        Work::List { config } => place(&config).and_then(|path| list(&path)),
        Work::Remove { config, name } => place(&config).and_then(|path| remove(&path, &name)),
    };
    match done {
        Ok(told) => {
            print!("{told}");
            ExitCode::SUCCESS
        }
        Err(why) => failed(&why),
    }
}

/// Where the accounts are.
fn place(config: &Config) -> Result<PathBuf, String> {
    let settings = config.settings().map_err(|_| "there is nothing to go on with".to_owned())?;
    let directory = state_directory(&settings.site)
        .ok_or_else(|| "no place for the state: set state_directory in [site], or HOME".to_owned())?;
    std::fs::create_dir_all(&directory).map_err(|error| format!("{}: {error}", directory.display()))?;
    Ok(people::path(&directory))
}

fn add(path: &std::path::Path, name: &str, role: Role) -> Result<String, String> {
    if !people::is_name(name) {
        return Err("a name is 1 to 32 letters, digits, dots, dashes and underscores".to_owned());
    }
    let mut accounts = people::read(path)?;
    let hash = people::hash(&password(name)?)?;
    let was = accounts.insert(name.to_owned(), Account { role, hash });
    people::write(path, &accounts)?;
    let what = if was.is_some() { "has another password now, and may" } else { "may" };
    Ok(format!("{name} {what} {}\n", role.word()))
}

/// Asked for twice where somebody types; else the first line of standard input.
fn password(name: &str) -> Result<String, String> {
    if !io::stdin().is_terminal() {
        let mut line = String::new();
        io::stdin().lock().read_line(&mut line).map_err(|error| error.to_string())?;
        return Ok(line.trim_end_matches(['\r', '\n']).to_owned());
    }
    let ask = |what: &str| rpassword::prompt_password(what).map_err(|error| error.to_string());
    let password = ask(&format!("Password for {name} (not shown): "))?;
    if ask("Once more: ")? != password {
        return Err("these were two different passwords; nothing was changed".to_owned());
    }
    Ok(password)
}

fn list(path: &std::path::Path) -> Result<String, String> {
    let accounts = people::read(path)?;
    if accounts.is_empty() {
        return Ok("no accounts: the pages can be looked at on this machine alone\n".to_owned());
    }
    Ok(accounts.iter().map(|(name, account)| format!("{name}  {}\n", account.role.word())).collect())
}

fn remove(path: &std::path::Path, name: &str) -> Result<String, String> {
    let mut accounts = people::read(path)?;
    if accounts.remove(name).is_none() {
        return Err(format!("there is no account {name:?}"));
    }
    people::write(path, &accounts)?;
    Ok(format!("{name} is out\n"))
}
