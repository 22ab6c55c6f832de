//! Coming in and going out.

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Form;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use tracing::{info, warn};

use crate::web::guest::{self, Visit};
use crate::web::link::{self, Verdict};
use crate::web::people::{self, Role};
use crate::web::{House, frame, held, note, seen, session};

/// A session of an account lasts so long at most.
const LASTS: Duration = Duration::from_secs(60 * 86_400);

#[derive(Deserialize)]
pub(super) struct To {
    #[serde(default)]
    to: String,
}

#[derive(Deserialize)]
pub(super) struct LogIn {
    name: String,
    password: String,
    #[serde(default)]
    to: String,
}

/// A place of ours to go on to; anything else is the first page.
fn place(to: &str) -> &str {
    let is_ours = to.starts_with('/') && !to.starts_with("//") && !to.contains(['\\', '\r', '\n']);
    if is_ours { to } else { "/" }
}

fn form(to: &str, told: Option<&str>) -> Markup {
    frame::bare(
        "Log in",
        &html! {
            h1 { "Log in" }
            @if let Some(told) = told { p class="strip look" role="alert" { (told) } }
            form method="post" action="/login" class="stack" {
                input type="hidden" name="to" value=(to);
                label for="name" { "Name" }
                input id="name" name="name" autocomplete="username" autocapitalize="none" required maxlength="32";
                label for="password" { "Password" }
                input id="password" name="password" type="password" autocomplete="current-password" required
                    maxlength=(people::PASSWORD_MOST);
                button { "Log in" }
            }
            p class="soft" { "Accounts are made at the computer that looks after the lamps: " code { "lampwarden accounts add" } "." }
        },
    )
}

pub(super) async fn show(State(house): State<Arc<House>>, Query(To { to }): Query<To>) -> Response {
    let told = match house.accounts() {
        Some(accounts) if accounts.is_empty() => {
            Some("There are no accounts yet, so these pages can be seen on the computer itself alone.")
        }
        Some(_) => None,
        None => Some("The file of accounts cannot be read. Look into the log."),
    };
    form(place(&to), told).into_response()
}

pub(super) async fn log_in(State(house): State<Arc<House>>, Form(form_in): Form<LogIn>) -> Response {
    let LogIn { name, password, to } = form_in;
    let refuse = |status, told| (status, form(place(&to), Some(told))).into_response();
    if !people::is_name(&name) || !held(&house.tries).may(Instant::now(), &name) {
        // As long as a wrong password would have been told.
        warn!("a login was refused: too many tries, or no name at all");
        return refuse(StatusCode::TOO_MANY_REQUESTS, "Too many tries. Wait a minute, then try again.");
    }
    let Some(accounts) = house.accounts() else {
        return refuse(StatusCode::SERVICE_UNAVAILABLE, "The file of accounts cannot be read. Look into the log.");
    };
    let account = accounts.get(&name).cloned();
    let hash = account.as_ref().map(|account| account.hash.clone()).unwrap_or_default();
    let reckoned = tokio::task::spawn_blocking(move || people::is_right(account.as_ref(), &password)).await;
    if !matches!(reckoned, Ok(true)) {
        warn!(name, "a login was refused");
        return refuse(StatusCode::UNAUTHORIZED, "That name and password do not belong together.");
    }
    held(&house.tries).came_in(&name);
    let Some(secret) = held(&house.sessions).open(seen::seconds_now(), &name, None, &hash, LASTS) else {
        return refuse(StatusCode::SERVICE_UNAVAILABLE, "This system has no randomness; nobody can log in.");
    };
    info!(name, "logged in");
    come_in(&house, &secret, LASTS, place(&to))
}

/// Hands out the cookie and leads on.
fn come_in(house: &Arc<House>, secret: &str, span: Duration, to: &str) -> Response {
    house.keep_sessions();
    let is_private =
        house.options.tls.is_some() || house.options.public_url.as_ref().is_some_and(|url| url.starts_with("https://"));
    let secure = if is_private { "; Secure" } else { "" };
    let cookie =
        format!("{}={secret}; Path=/; Max-Age={}; HttpOnly; SameSite=Lax{secure}", session::COOKIE, span.as_secs());
    ([(header::SET_COOKIE, cookie)], Redirect::to(to)).into_response()
}

#[derive(Deserialize)]
pub(super) struct Leave {
    token: String,
}

pub(super) async fn log_out(visit: Visit, headers: HeaderMap, Form(Leave { token }): Form<Leave>) -> Response {
    if let Err(refused) = visit.may(Role::Look, &token) {
        return *refused;
    }
    if let Some(secret) = guest::secret_of(&headers) {
        held(&visit.house.sessions).close(secret);
        visit.house.keep_sessions();
    }
    let cookie = format!("{}=; Path=/; Max-Age=0; HttpOnly; SameSite=Lax", session::COOKIE);
    ([(header::SET_COOKIE, cookie)], Redirect::to("/login")).into_response()
}

/// A link for somebody who looks after the animals for a while: it lets them look until it ends.
pub(super) async fn look(
    State(house): State<Arc<House>>,
    Path((name, expires, signature)): Path<(String, String, String)>,
) -> Response {
    if !house.lets_in() {
        return seen::page_of(&house, StatusCode::TOO_MANY_REQUESTS, &note::too_many());
    }
    let now = seen::seconds_now();
    match house.key.verdict_of(link::LOOK, &name, &expires, &signature, now) {
        Verdict::Right => {}
        Verdict::Forged => return seen::page_of(&house, StatusCode::FORBIDDEN, &note::forged()),
        Verdict::Expired => return seen::page_of(&house, StatusCode::GONE, &note::ended()),
    }
    let left = u64::from_str_radix(&expires, 16).unwrap_or(now).saturating_sub(now);
    let span = Duration::from_secs(left);
    let opened = held(&house.sessions).open(now, &name, Some(Role::Look), "", span);
    match opened {
        Some(secret) => {
            info!(name, "came in by a link, to look");
            come_in(&house, &secret, span, "/")
        }
        None => seen::page_of(&house, StatusCode::SERVICE_UNAVAILABLE, &note::busy()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_login_leads_to_a_page_of_ours_alone() {
        for (to, led) in [
            ("/e/e1?span=7", "/e/e1?span=7"),
            ("", "/"),
            ("https://elsewhere.example", "/"),
            ("//elsewhere.example", "/"),
            ("/\\elsewhere.example", "/"),
            ("/a\r\nSet-Cookie: x", "/"),
        ] {
            assert_eq!(place(to), led, "{to}");
        }
    }
}
