//! The small web server: links in messages by which alarms are acknowledged, without a login.
//!
//! It has a thread and a runtime of its own, so that whatever guests do holds up no lamp, and it knows nothing: it checks a
//! link's signature and asks the daemon. Opening a link shows a page with a button and changes nothing, because programs
//! that look for harm in mail open links; the button acknowledges, once.

#![allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "this room touches the world")]

mod door;
mod link;
mod page;

use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant, SystemTime};

use axum::Router;
use axum::extract::{Path, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use tokio::sync::{mpsc, oneshot};
use tracing::{info, warn};

use crate::settings;

pub use link::{Key, LINK_LIFE};

use door::Door;
use link::Verdict;

/// So many questions wait for the daemon at most.
const QUESTIONS: usize = 16;
/// The daemon answers within this, or the guest is told to come again.
const PATIENCE: Duration = Duration::from_secs(5);
/// Guests together may come so often at once, and then so many a second; guesses, far above what people do.
const BURST: f64 = 30.0;
const PER_SECOND: f64 = 2.0;

/// What a guest with a right link wants of the daemon.
#[derive(Debug)]
pub struct Asked {
    /// The notice whose link it is.
    pub notice: String,
    /// Whether its alarms are to be acknowledged, or only shown.
    pub acknowledge: bool,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Answer>,
}

/// What the daemon says to that.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// These alarms stand, and this link can acknowledge them.
    Standing(Vec<String>),
    /// They are acknowledged from now on.
    Acknowledged(Vec<String>),
    /// The link was used before.
    Used,
    /// None of its alarms stands unacknowledged any more.
    Over,
    /// The daemon knows of no such notice.
    Unknown,
}

/// The server while it runs. It ends when this is dropped.
#[derive(Debug)]
pub struct Web {
    _stop: oneshot::Sender<()>,
    thread: Option<thread::JoinHandle<()>>,
    questions: mpsc::Receiver<Asked>,
}

impl Web {
    /// Listens. Errors are sentences that name the address.
    pub fn start(options: &settings::Web, key: Key) -> Result<Web, String> {
        let named = |error: std::io::Error| format!("{}: the web server cannot listen there: {error}", options.listen);
        let listener = std::net::TcpListener::bind(options.listen).map_err(named)?;
        listener.set_nonblocking(true).map_err(named)?;
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(named)?;
        let (ask, questions) = mpsc::channel(QUESTIONS);
        let (stop, stopped) = oneshot::channel::<()>();
        let desk = Desk {
            key,
            ask,
            style: format!("{}/style.css", options.public_url),
            bucket: Mutex::new((BURST, Instant::now())),
        };
        let serve = async move {
            let door = match tokio::net::TcpListener::from_std(listener) {
                Ok(listener) => Door::new(listener),
                Err(error) => return warn!("the web server cannot run: {error}"),
            };
            tokio::select! {
                _ = stopped => {}
                ended = async { axum::serve(door, router(desk)).await } => {
                    if let Err(error) = ended {
                        warn!("the web server has ended: {error}");
                    }
                }
            }
        };
        let thread = thread::Builder::new()
            .name("web".to_owned())
            .spawn(move || {
                runtime.block_on(serve);
                runtime.shutdown_background();
            })
            .map_err(named)?;
        info!(listen = %options.listen, "links in messages are answered");
        Ok(Web { _stop: stop, thread: Some(thread), questions })
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
struct Desk {
    key: Key,
    ask: mpsc::Sender<Asked>,
    /// Address of the style sheet.
    style: String,
    /// Requests that may still come, and when that was reckoned.
    bucket: Mutex<(f64, Instant)>,
}

impl Desk {
    /// Whether another request may come now.
    fn lets_in(&self) -> bool {
        let mut bucket = self.bucket.lock().unwrap_or_else(PoisonError::into_inner);
        let (left, since) = *bucket;
        let left = (left + PER_SECOND * since.elapsed().as_secs_f64()).min(BURST);
        let may = left >= 1.0;
        *bucket = (if may { left - 1.0 } else { left }, Instant::now());
        may
    }

    async fn ask(&self, notice: String, acknowledge: bool) -> Option<Answer> {
        let (answer, answered) = oneshot::channel();
        self.ask.try_send(Asked { notice, acknowledge, answer }).ok()?;
        tokio::time::timeout(PATIENCE, answered).await.ok()?.ok()
    }
}

fn router(desk: Desk) -> Router {
    Router::new()
        .route("/seen/{notice}/{expires}/{signature}", get(look).post(acknowledge))
        .route("/style.css", get(async || ([(header::CONTENT_TYPE, "text/css; charset=utf-8")], page::STYLE)))
        .fallback(async |State(desk): State<Arc<Desk>>| page_of(&desk, StatusCode::NOT_FOUND, &page::nothing()))
        .with_state(Arc::new(desk))
        .layer(axum::middleware::map_response(safe))
}

type Parts = Path<(String, String, String)>;

async fn look(State(desk): State<Arc<Desk>>, parts: Parts) -> Response {
    respond(&desk, parts, false).await
}

async fn acknowledge(State(desk): State<Arc<Desk>>, parts: Parts) -> Response {
    respond(&desk, parts, true).await
}

async fn respond(desk: &Desk, Path((notice, expires, signature)): Parts, acknowledge: bool) -> Response {
    if !desk.lets_in() {
        return page_of(desk, StatusCode::TOO_MANY_REQUESTS, &page::too_many());
    }
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default().as_secs();
    match desk.key.verdict(&notice, &expires, &signature, now) {
        Verdict::Right => {}
        Verdict::Forged => return page_of(desk, StatusCode::FORBIDDEN, &page::forged()),
        Verdict::Expired => return page_of(desk, StatusCode::GONE, &page::expired()),
    }
    match desk.ask(notice, acknowledge).await {
        Some(Answer::Standing(alarms)) => page_of(desk, StatusCode::OK, &page::standing(&alarms)),
        Some(Answer::Acknowledged(alarms)) => page_of(desk, StatusCode::OK, &page::acknowledged(&alarms)),
        Some(Answer::Used) => page_of(desk, StatusCode::GONE, &page::used()),
        Some(Answer::Over) => page_of(desk, StatusCode::OK, &page::over()),
        Some(Answer::Unknown) => page_of(desk, StatusCode::NOT_FOUND, &page::nothing()),
        None => page_of(desk, StatusCode::SERVICE_UNAVAILABLE, &page::busy()),
    }
}

fn page_of(desk: &Desk, status: StatusCode, page: &page::Page) -> Response {
    (status, Html(page.html(&desk.style))).into_response()
}

/// No scripts, no frames, nothing from elsewhere; the address, which is a secret, is told to nobody and kept nowhere.
async fn safe(mut response: Response) -> Response {
    const HEADERS: [(HeaderName, &str); 6] = [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (HeaderName::from_static("x-robots-tag"), "noindex"),
    ];
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}
