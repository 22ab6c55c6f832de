//! The web server: the pages, and the links in messages by which alarms are acknowledged.
//!
//! It has a thread and a runtime of its own, so that whatever guests do holds up no lamp. What it shows it takes out of a
//! [`Mailbox`] into which the control loop puts what is new and goes on, or reads in the journal; what its guests do it asks
//! of the daemon, as the desk does. Every page is whole without a script.
//!
//! | file | job |
//! |---|---|
//! | `door`, `guard` | connections; headers, and who may come from where |
//! | `people`, `session`, `guest` | accounts, sessions, and what each request may do |
//! | `mailbox`, `ask`, `past` | how things stand, what the daemon answers, what the journal tells |
//! | `frame`, `words`, `draw` | what all pages share: their frame, their words, their pictures |
//! | `rooms` | the pages, a file each |
//! | `vendor` | what others wrote for browsers |
//! | `seen`, `note`, `link` | signed links |

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room touches the world")]

mod acts;
mod ask;
mod calendar;
mod door;
mod draw;
mod figures;
mod frame;
mod guard;
mod guest;
mod link;
mod live;
mod mailbox;
mod note;
mod past;
pub mod people;
mod rooms;
mod scrape;
mod seen;
mod session;
mod vendor;
mod words;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use tokio::sync::{mpsc, oneshot};
use tracing::{debug, info, warn};

use crate::settings;

pub use ask::{Answer, Asked, Closely, Signature};
pub use link::{Key, LINK_LIFE};
pub use mailbox::Mailbox;
pub use people::Role;

use door::Door;
use mailbox::Glance;
use session::{Bucket, Sessions, Tries};

/// So many questions wait for the daemon at most.
const QUESTIONS: usize = 64;
/// The daemon answers within this, or the guest is told to come again.
const PATIENCE: Duration = Duration::from_secs(5);
/// Guests with links together may come so often at once, and then so many a second; guesses, far above what people do.
const BURST: f64 = 30.0;
const PER_SECOND: f64 = 2.0;
/// What was asked of an enclosure's lamps is shown for so long before it is asked again; a guess.
const CLOSELY_FOR: Duration = Duration::from_secs(15);
/// How far a thread that serves guests stands back, as `nice` counts: a hundred open pages on a small board must not make a
/// guard wait.
const NICE: i32 = 10;
/// So many threads read the journal and reckon passwords at most.
const READERS: usize = 4;

/// How the server runs.
pub struct Options {
    /// What the keeper asked for.
    pub web: settings::Web,
    /// What links are signed with.
    pub key: Key,
    /// Where the accounts and the journal are; none: there are neither.
    pub state_directory: Option<PathBuf>,
    /// What somebody of this machine may do where there are no accounts; none: nothing.
    pub visitor: Option<Role>,
    /// The site's time.
    pub now: Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>,
    /// How things stand.
    pub mailbox: Arc<Mailbox>,
}

/// The server while it runs. It ends when this is dropped.
#[derive(Debug)]
pub struct Web {
    _stop: oneshot::Sender<()>,
    thread: Option<thread::JoinHandle<()>>,
    questions: mpsc::Receiver<Asked>,
    address: SocketAddr,
}

/// Lets the thread of the guards run before this one wherever both want to.
fn give_way() {
    if let Err(why) = rustix::process::setpriority_process(None, NICE) {
        debug!("the pages have the priority of everything else: {why}");
    }
}

impl Web {
    /// Listens. Errors are sentences that name the address or the file.
    pub fn start(options: Options) -> Result<Web, String> {
        let listen = options.web.listen;
        let named = |error: std::io::Error| format!("{listen}: the web server cannot listen there: {error}");
        let tls = options.web.tls.as_ref().map(door::acceptor).transpose()?;
        let listener = std::net::TcpListener::bind(listen).map_err(named)?;
        listener.set_nonblocking(true).map_err(named)?;
        let address = listener.local_addr().map_err(named)?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .max_blocking_threads(READERS)
            .on_thread_start(give_way)
            .enable_all()
            .build()
            .map_err(named)?;
        let (ask, questions) = mpsc::channel(QUESTIONS);
        let (stop, stopped) = oneshot::channel::<()>();
        let has_pages = options.web.pages;
        let house = Arc::new(House::new(options, ask).ok_or("this system has no randomness, so there are no pages")?);
        let serve = async move {
            let door = tokio::net::TcpListener::from_std(listener).and_then(|listener| Door::new(listener, tls));
            let door = match door {
                Ok(door) => door,
                Err(error) => return warn!("the web server cannot run: {error}"),
            };
            tokio::select! {
                _ = stopped => {}
                ended = async { axum::serve(door, rooms::router(house)).await } => {
                    if let Err(error) = ended {
                        warn!("the web server has ended: {error}");
                    }
                }
            }
        };
        let thread = thread::Builder::new()
            .name("web".to_owned())
            .spawn(move || {
                give_way();
                runtime.block_on(serve);
                runtime.shutdown_background();
            })
            .map_err(named)?;
        if has_pages {
            info!(listen = %address, "the pages are served");
        } else {
            info!(listen = %address, "links in messages are answered");
        }
        Ok(Web { _stop: stop, thread: Some(thread), questions, address })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The next guest's question. It may be dropped at any time without losing one.
    pub async fn next(&mut self) -> Option<Asked> {
        self.questions.recv().await
    }

    /// Ends it and waits until its address is free.
    pub fn stop(mut self) {
        let thread = self.thread.take();
        drop(self);
        if let Some(thread) = thread {
            let _ = thread.join();
        }
    }
}

/// What every request may use.
struct House {
    options: settings::Web,
    key: Key,
    state_directory: Option<PathBuf>,
    visitor: Option<Role>,
    /// The session of somebody who needs none.
    open_secret: String,
    now: Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>,
    mailbox: Arc<Mailbox>,
    glance: Mutex<Glance>,
    ask: mpsc::Sender<Asked>,
    /// Address of the style sheet, for pages of links.
    style: String,
    /// What guests with links may still do.
    bucket: Mutex<Bucket>,
    sessions: Mutex<Sessions>,
    /// Held by whoever writes the file of sessions.
    sessions_file: Mutex<()>,
    /// Who was let in to collect figures.
    collectors: Mutex<scrape::Known>,
    tries: Mutex<Tries>,
    accounts: Mutex<guest::Known>,
    closely: Mutex<BTreeMap<String, (Instant, Arc<Closely>)>>,
    done: Mutex<acts::Done>,
}

impl House {
    fn new(options: Options, ask: mpsc::Sender<Asked>) -> Option<House> {
        let Options { web, key, state_directory, visitor, now, mailbox } = options;
        let file = state_directory.as_ref().map(|directory| directory.join(session::FILE));
        let sessions = file.map_or_else(|| Ok(Sessions::default()), |file| Sessions::read(&file));
        let sessions = sessions.unwrap_or_else(|why| {
            warn!("everybody has to log in again: {why}");
            Sessions::default()
        });
        Some(House {
            style: format!("{}/style.css", web.public_url.as_deref().unwrap_or_default()),
            options: web,
            key,
            state_directory,
            visitor,
            open_secret: session::secret()?,
            now,
            mailbox,
            glance: Mutex::default(),
            ask,
            bucket: Mutex::new(Bucket::new(Instant::now(), BURST)),
            sessions: Mutex::new(sessions),
            sessions_file: Mutex::default(),
            collectors: Mutex::default(),
            tries: Mutex::new(Tries::new(Instant::now())),
            accounts: Mutex::default(),
            closely: Mutex::default(),
            done: Mutex::default(),
        })
    }

    /// Whether another guest with a link may come now.
    fn lets_in(&self) -> bool {
        held(&self.bucket).take(Instant::now(), BURST, 1.0 / PER_SECOND)
    }

    /// Lets the file of sessions know what it does not know yet, on a thread that may wait.
    fn keep_sessions(self: &Arc<House>) {
        let Some(directory) = self.state_directory.clone() else { return };
        if !held(&self.sessions).has_news() {
            return;
        }
        let house = Arc::clone(self);
        tokio::task::spawn_blocking(move || {
            // What is written last is the newest: it is looked at when its turn has come.
            let _alone = held(&house.sessions_file);
            let Some(text) = held(&house.sessions).take_news(seen::seconds_now()) else { return };
            if let Err(why) = people::write_whole(&directory.join(session::FILE), text.as_bytes()) {
                warn!("who has come in will have to log in again after a restart: {why}");
            }
        });
    }

    /// How things stand.
    fn glance(&self) -> Glance {
        let mut glance = held(&self.glance);
        glance.catch_up(&self.mailbox);
        glance.clone()
    }

    /// Where the journal is.
    fn journal(&self) -> Option<PathBuf> {
        self.state_directory.as_ref().map(|directory| directory.join(crate::journal::FILE))
    }

    /// Asks the daemon; none where it does not answer in time.
    async fn ask<T>(&self, asked: Asked, answered: oneshot::Receiver<T>) -> Option<T> {
        self.ask.try_send(asked).ok()?;
        tokio::time::timeout(PATIENCE, answered).await.ok()?.ok()
    }

    /// The lamps and rounds of the enclosure of that id, as of a few seconds ago; none where nobody can tell.
    async fn closely(&self, id: &str) -> Option<Arc<Closely>> {
        let fresh = |(at, closely): &(Instant, Arc<Closely>)| (at.elapsed() < CLOSELY_FOR).then(|| Arc::clone(closely));
        if let Some(known) = held(&self.closely).get(id).and_then(fresh) {
            return Some(known);
        }
        let (answer, answered) = oneshot::channel();
        let asked = Asked::Closely { enclosure: id.to_owned(), answer };
        // Where many are asked of one after the other, each waits for its place.
        tokio::time::timeout(PATIENCE, self.ask.send(asked)).await.ok()?.ok()?;
        let told = tokio::time::timeout(PATIENCE, answered).await.ok()?.ok()??;
        let told = Arc::new(*told);
        held(&self.closely).insert(id.to_owned(), (Instant::now(), Arc::clone(&told)));
        Some(told)
    }

    /// What was asked of an enclosure is not so any more.
    fn forget(&self, id: &str) {
        held(&self.closely).remove(id);
    }
}

/// A lock that nobody holds for long. Whoever panicked with it left nothing half done.
fn held<T>(lock: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
