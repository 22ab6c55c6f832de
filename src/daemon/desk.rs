//! The daemon's desk: a socket in its state directory, where the commands of the same computer log and ask. Who may open
//! the directory may come to the desk; nobody else can.

use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::UnixListener;
use tokio::sync::{Semaphore, mpsc, oneshot};

const SOCKET: &str = "desk";
/// A question is no longer than this, and an answer no longer than that; guesses, far above any.
const QUESTION_MAX: u64 = 64 * 1024;
const ANSWER_MAX: u64 = 64 * 1024 * 1024;
/// So many come to the desk at a time; a guess.
const GUESTS: usize = 8;
/// Who says nothing for so long is shown out; a guess.
const PATIENCE: Duration = Duration::from_secs(10);

/// The desk, open.
#[derive(Debug)]
pub(super) struct Desk {
    path: PathBuf,
    questions: mpsc::Receiver<Asked>,
}

/// A question, and where its answer goes.
#[derive(Debug)]
pub(super) struct Asked {
    pub(super) line: Vec<u8>,
    pub(super) answer: oneshot::Sender<String>,
}

impl Desk {
    /// Opens the desk in `directory`, whose lock the caller holds. A socket that a dead daemon left is in nobody's way.
    pub(super) fn open(directory: &Path) -> io::Result<Desk> {
        let path = directory.join(SOCKET);
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let listener = UnixListener::bind(&path)?;
        let mode = std::os::unix::fs::PermissionsExt::from_mode(0o600);
        std::fs::set_permissions(&path, mode)?;
        let (ask, questions) = mpsc::channel(GUESTS);
        tokio::spawn(receive(listener, ask));
        Ok(Desk { path, questions })
    }

    /// The next question. It may be dropped at any time without losing one.
    pub(super) async fn next(&mut self) -> Option<Asked> {
        self.questions.recv().await
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

async fn receive(listener: UnixListener, ask: mpsc::Sender<Asked>) {
    let places = Arc::new(Semaphore::new(GUESTS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        let guest = tokio::select! {
            guest = listener.accept() => guest,
            () = ask.closed() => return,
        };
        let Ok((guest, _)) = guest else {
            // Out of file handles, say: some will be free again.
            tokio::time::sleep(Duration::from_secs(1)).await;
            continue;
        };
        let ask = ask.clone();
        tokio::spawn(async move {
            let _ = tokio::time::timeout(PATIENCE, serve(guest, &ask)).await;
            drop(place);
        });
    }
}

/// One guest: a question a line, each answered with a line.
async fn serve(guest: tokio::net::UnixStream, ask: &mpsc::Sender<Asked>) -> io::Result<()> {
    let (from, mut to) = guest.into_split();
    let mut lines = tokio::io::BufReader::new(from.take(QUESTION_MAX));
    loop {
        let mut line = Vec::new();
        if lines.read_until(b'\n', &mut line).await? == 0 {
            return Ok(());
        }
        let (answer, answered) = oneshot::channel();
        if ask.send(Asked { line, answer }).await.is_err() {
            return Ok(());
        }
        let Ok(answer) = answered.await else { return Ok(()) };
        to.write_all(answer.as_bytes()).await?;
        to.write_all(b"\n").await?;
    }
}

/// Asks the daemon that runs on `directory`, and waits for its answer. Errors are sentences.
pub fn ask(directory: &Path, question: &str) -> Result<String, String> {
    let path = directory.join(SOCKET);
    let unheard = |error: io::Error| match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => {
            format!("no daemon runs on {}: start `lampwarden serve` with this configuration first", directory.display())
        }
        _ => format!("{}: the daemon could not be asked: {error}", path.display()),
    };
    let mut desk = UnixStream::connect(&path).map_err(unheard)?;
    desk.set_read_timeout(Some(PATIENCE)).map_err(unheard)?;
    desk.set_write_timeout(Some(PATIENCE)).map_err(unheard)?;
    desk.write_all(question.as_bytes()).and_then(|()| desk.write_all(b"\n")).map_err(unheard)?;
    let mut answer = String::new();
    BufReader::new(desk.take(ANSWER_MAX)).read_line(&mut answer).map_err(unheard)?;
    if answer.is_empty() { Err("the daemon hung up without an answer".to_owned()) } else { Ok(answer) }
}
