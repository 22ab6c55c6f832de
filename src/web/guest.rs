//! What a request may do: its guest, and how things stand as they come.

use std::sync::Arc;
use std::time::SystemTime;

use axum::extract::{FromRequestParts, OptionalFromRequestParts};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use tracing::warn;

use super::mailbox::Glance;
use super::people::{self, Accounts, Role};
use super::{House, frame, held, seen, session};
use crate::settings::Settings;

/// Accounts as they were read, and when their file was written.
#[derive(Debug, Default)]
pub(super) struct Known {
    written: Option<SystemTime>,
    accounts: Arc<Accounts>,
    /// The file cannot be read: nobody comes in, rather than everybody.
    is_spoilt: bool,
}

impl House {
    /// The accounts as they are now; none where the file cannot be read.
    pub(super) fn accounts(&self) -> Option<Arc<Accounts>> {
        let Some(directory) = &self.state_directory else { return Some(Arc::default()) };
        let path = people::path(directory);
        let written = std::fs::metadata(&path).and_then(|file| file.modified()).ok();
        let mut known = held(&self.accounts);
        if written != known.written {
            match people::read(&path) {
                Ok(accounts) => *known = Known { written, accounts: Arc::new(accounts), is_spoilt: false },
                Err(why) => {
                    warn!("accounts: {why}");
                    *known = Known { written, accounts: Arc::default(), is_spoilt: true };
                }
            }
        }
        (!known.is_spoilt).then(|| Arc::clone(&known.accounts))
    }

    /// Whether somebody without an account may come in: on this machine, where there are no accounts.
    fn is_open(&self, headers: &HeaderMap) -> Option<Role> {
        let role = self.visitor?;
        let is_local = self.options.listen.ip().is_loopback() && self.options.public_url.is_none();
        let has_accounts = self.accounts().is_none_or(|accounts| !accounts.is_empty());
        // A page of elsewhere may have its name lead here; it cannot choose what the browser says of the name.
        (is_local && !has_accounts && super::guard::is_local_host(headers)).then_some(role)
    }
}

/// Who a request is from.
#[derive(Clone, Debug)]
pub(super) struct Guest {
    pub role: Role,
    /// Their account or link; none: somebody of this machine where there are no accounts.
    pub name: Option<String>,
    /// What the forms of their pages must bring back.
    pub token: String,
    /// Their session's secret.
    secret: String,
}

impl Guest {
    /// Whether a form is one of theirs.
    pub(super) fn owns(&self, token: &str) -> bool {
        session::is_form_token(&self.secret, token)
    }

    /// How the journal calls them.
    pub(super) fn signed(&self) -> String {
        self.name.clone().unwrap_or_else(|| "this machine".to_owned())
    }
}

/// The secret that a request brings.
pub(super) fn secret_of(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let pairs = cookies.flat_map(|cookie| cookie.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.filter(|(name, _)| *name == session::COOKIE).map(|(_, value)| value).next()
}

fn find(house: &House, headers: &HeaderMap) -> Option<Guest> {
    let guest =
        |role, name, secret: &str| Guest { role, name, token: session::form_token(secret), secret: secret.to_owned() };
    let by_session = || {
        let secret = secret_of(headers)?;
        let session = held(&house.sessions).find(seen::seconds_now(), secret)?.clone();
        let role = match session.by_link {
            Some(role) => role,
            None => {
                let accounts = house.accounts()?;
                let account = accounts.get(&session.name)?;
                session.is_of(&account.hash).then_some(account.role)?
            }
        };
        Some(guest(role, Some(session.name), secret))
    };
    by_session().or_else(|| Some(guest(house.is_open(headers)?, None, &house.open_secret)))
}

/// A request with its guest and how things stand.
pub(super) struct Visit {
    pub house: Arc<House>,
    pub guest: Guest,
    pub glance: Glance,
    pub settings: Arc<Settings>,
    pub now: DateTime<Utc>,
    /// Where it is, to come back to.
    pub path: String,
}

impl Visit {
    pub(super) fn zone(&self) -> Tz {
        self.settings.site.timezone
    }

    /// The enclosure of that id, with its place.
    pub(super) fn enclosure(&self, id: &str) -> Option<(usize, &crate::settings::Enclosure)> {
        self.settings.enclosures.iter().enumerate().find(|(_, enclosure)| enclosure.id == id)
    }

    /// Refuses whoever may not do `what`.
    pub(super) fn must(&self, role: Role) -> Result<(), Box<Response>> {
        if self.guest.role >= role {
            return Ok(());
        }
        let text = match role {
            Role::Look => "This needs an account.",
            Role::Keep => "This needs an account that may keep. Ask whoever manages this site.",
            Role::Manage => "This needs an account that may manage. Ask whoever manages this site.",
        };
        Err(Box::new(frame::notice(Some(self), StatusCode::FORBIDDEN, "Not allowed", text)))
    }

    /// Refuses a form that is none of this guest's, and whoever may not do what it asks for.
    pub(super) fn may(&self, role: Role, token: &str) -> Result<(), Box<Response>> {
        self.must(role)?;
        if self.guest.owns(token) {
            return Ok(());
        }
        let text = "This form is from another session. Go back, load the page again, and try once more.";
        Err(Box::new(frame::notice(Some(self), StatusCode::FORBIDDEN, "Not done", text)))
    }
}

impl FromRequestParts<Arc<House>> for Visit {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, house: &Arc<House>) -> Result<Visit, Response> {
        let found = find(house, &parts.headers);
        house.keep_sessions();
        let Some(guest) = found else {
            let path = parts.uri.path_and_query().map_or("/", |path| path.as_str());
            if parts.method != Method::GET {
                let text = "Your session has ended. Log in, and try again.";
                return Err(frame::notice(None, StatusCode::UNAUTHORIZED, "Log in first", text));
            }
            let place: String = path.bytes().map(|byte| format!("%{byte:02x}")).collect();
            return Err(Redirect::to(&format!("/login?to={place}")).into_response());
        };
        let glance = house.glance();
        let Some(settings) = glance.settings.clone() else {
            let text = "The program has just started. Try again in a moment.";
            return Err(frame::notice(None, StatusCode::SERVICE_UNAVAILABLE, "Not ready yet", text));
        };
        let path = parts.uri.path().to_owned();
        Ok(Visit { house: Arc::clone(house), guest, glance, settings, now: (house.now)(), path })
    }
}

impl OptionalFromRequestParts<Arc<House>> for Guest {
    type Rejection = std::convert::Infallible;

    async fn from_request_parts(parts: &mut Parts, house: &Arc<House>) -> Result<Option<Guest>, Self::Rejection> {
        Ok(find(house, &parts.headers))
    }
}
