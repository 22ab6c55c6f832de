//! Programs that collect figures. They come with name and password of an account at each visit (HTTP's Basic scheme, RFC
//! 7617), and only `/metrics` lets them in by that.
//!
//! A password takes long to reckon, on purpose. Who was let in is therefore known by a print of what they said, for as long as
//! their account stays as it is; only what is new is reckoned, and counts as a try to come in.

use std::collections::VecDeque;
use std::time::Instant;

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use tracing::warn;

use super::session::{Print, print};
use super::{House, held, people};

/// So many are known at a time; a guess, far above what collects figures of one site.
const COLLECTORS: usize = 16;

/// Who was let in: prints of what they said and of their account's hash then, with its name; the newest last.
#[derive(Debug, Default)]
pub(super) struct Known(VecDeque<(Print, String, Print)>);

impl Known {
    /// Whose account was named with what is now said, and its hash's print then.
    fn find(&self, said: &Print) -> Option<(&str, &Print)> {
        self.0.iter().find(|(known, ..)| known == said).map(|(_, name, hash)| (name.as_str(), hash))
    }

    fn add(&mut self, said: Print, name: String, hash: Print) {
        self.0.retain(|(known, ..)| *known != said);
        self.0.push_back((said, name, hash));
        while self.0.len() > COLLECTORS {
            self.0.pop_front();
        }
    }
}

/// Name and password of a request, where it brings them.
fn said(headers: &HeaderMap) -> Option<(String, String)> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, text) = value.split_once(' ')?;
    if !scheme.eq_ignore_ascii_case("basic") {
        return None;
    }
    let text = String::from_utf8(BASE64_STANDARD.decode(text.trim()).ok()?).ok()?;
    let (name, password) = text.split_once(':')?;
    Some((name.to_owned(), password.to_owned()))
}

/// Lets in whoever brings name and password of an account, whatever its role: to look is what each may.
pub(super) async fn let_in(house: &House, headers: &HeaderMap) -> Result<(), Response> {
    let Some((name, password)) = said(headers) else { return Err(refused(StatusCode::UNAUTHORIZED)) };
    let Some(accounts) = house.accounts() else { return Err(refused(StatusCode::SERVICE_UNAVAILABLE)) };
    let account = accounts.get(&name).cloned();
    // With a secret of this life of the program, so that the print tells nothing of the password.
    let heard = print(&format!("{}\0{name}\0{password}", house.open_secret));
    let hash = account.as_ref().map(|account| print(&account.hash));
    if held(&house.collectors).find(&heard).is_some_and(|(known, then)| known == name && Some(then) == hash.as_ref()) {
        return Ok(());
    }
    if !people::is_name(&name) || !held(&house.tries).may(Instant::now(), &name) {
        warn!("figures were refused: too many tries, or no name at all");
        return Err(refused(StatusCode::TOO_MANY_REQUESTS));
    }
    let reckoned = tokio::task::spawn_blocking(move || people::is_right(account.as_ref(), &password)).await;
    match (reckoned, hash) {
        (Ok(true), Some(hash)) => {
            held(&house.tries).came_in(&name);
            held(&house.collectors).add(heard, name, hash);
            Ok(())
        }
        _ => {
            warn!(name, "figures were refused");
            Err(refused(StatusCode::UNAUTHORIZED))
        }
    }
}

fn refused(status: StatusCode) -> Response {
    let mut response =
        (status, "Figures are for accounts: name and password by HTTP's Basic scheme.\n").into_response();
    if status == StatusCode::UNAUTHORIZED {
        let scheme = HeaderValue::from_static("Basic realm=\"lampwarden\", charset=\"UTF-8\"");
        response.headers_mut().insert(header::WWW_AUTHENTICATE, scheme);
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example is RFC 7617's own (section 2).
    #[test]
    fn name_and_password_are_read_as_the_standard_has_them() {
        let of = |value: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(header::AUTHORIZATION, HeaderValue::from_static(value));
            said(&headers)
        };
        let open = Some(("Aladdin".to_owned(), "open sesame".to_owned()));
        assert_eq!(of("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="), open);
        assert_eq!(of("basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="), open);
        for wrong in ["Basic", "Basic !", "Bearer QWxhZGRpbjpvcGVuIHNlc2FtZQ==", "Basic QWxhZGRpbg==", "Basic /w=="] {
            assert_eq!(of(wrong), None, "{wrong}");
        }
        assert_eq!(said(&HeaderMap::new()), None);
    }

    #[test]
    fn only_so_many_are_known() {
        let mut known = Known::default();
        for nth in 0..2 * COLLECTORS {
            known.add(print(&nth.to_string()), format!("n{nth}"), print("hash"));
        }
        assert!(known.0.len() == COLLECTORS && known.find(&print("0")).is_none());
        assert_eq!(known.find(&print("31")), Some(("n31", &print("hash"))));
    }
}
