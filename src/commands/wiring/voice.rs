//! Speaking with the person at the terminal: plain lines on stderr, answers by a letter and Enter.

use std::io::{self, BufRead as _, IsTerminal as _};
use std::time::Duration;

use anyhow::bail;
use tokio::task::JoinHandle;

use super::room::Room;

/// How often it is looked whether a person has answered.
const GLANCE: Duration = Duration::from_millis(100);
/// How long an answer is waited for that is not needed any more to go on. A guess.
const PATIENCE: Duration = Duration::from_secs(10 * 60);

/// What a person answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Reply {
    /// `y`
    Yes,
    /// `n`, or anything that is none of the others.
    No,
    /// `s`: skip.
    Skip,
    /// `o`: another.
    Other,
}

/// The person, or nobody who says yes to everything.
pub(super) struct Voice {
    yes: bool,
    /// A question whose answer is still to come.
    asked: Option<JoinHandle<io::Result<String>>>,
}

impl Voice {
    /// With `yes` nothing is asked. Otherwise somebody must be there.
    pub(super) fn new(yes: bool) -> anyhow::Result<Voice> {
        if !yes && !io::stdin().is_terminal() {
            bail!("nobody is there to be asked: use --yes to go on without questions, standing by");
        }
        Ok(Voice { yes, asked: None })
    }

    /// Says a line.
    pub(super) fn say(&self, line: &str) {
        eprintln!("{line}");
    }

    /// Asks, and goes on listening meanwhile so that the guards stay fed.
    pub(super) async fn ask(&mut self, room: &mut Room<'_>, question: &str) -> Reply {
        if self.yes {
            return Reply::Yes;
        }
        // An answer that is still owed must not be taken for one to this.
        if self.asked.is_some() {
            eprintln!("   (press Enter first: the last question waits no more)");
            if self.answer(room, None).await.is_none() {
                return Reply::No;
            }
        }
        self.put(&format!("{question} [y/N, s: skip]"));
        self.answer(room, None).await.unwrap_or(Reply::No)
    }

    /// Asks what need not be answered at once: [`Voice::answered`] has the answer.
    pub(super) fn wonder(&mut self, question: &str) {
        if !self.yes && self.asked.is_none() {
            self.put(&format!("{question}, s: not seen"));
        }
    }

    /// The answer to what was wondered; none where nobody was asked, or nobody answers.
    pub(super) async fn answered(&mut self, room: &mut Room<'_>) -> Option<Reply> {
        self.asked.as_ref()?;
        self.answer(room, Some(PATIENCE)).await
    }

    fn put(&mut self, question: &str) {
        eprintln!("{question}");
        self.asked = Some(tokio::task::spawn_blocking(|| {
            let mut line = String::new();
            io::stdin().lock().read_line(&mut line).map(|_| line)
        }));
    }

    async fn answer(&mut self, room: &mut Room<'_>, within: Option<Duration>) -> Option<Reply> {
        let deadline = within.map(|within| room.now().mono.after(within));
        let asked = self.asked.as_mut()?;
        while !asked.is_finished() {
            if room.interrupted() || deadline.is_some_and(|deadline| room.now().mono >= deadline) {
                return None;
            }
            room.until(GLANCE, |_| asked.is_finished()).await;
        }
        let line = self.asked.take()?.await.ok()?.ok()?;
        Some(match line.trim() {
            "y" | "Y" | "yes" => Reply::Yes,
            "s" | "S" | "skip" => Reply::Skip,
            "o" | "O" | "other" => Reply::Other,
            _ => Reply::No,
        })
    }
}
