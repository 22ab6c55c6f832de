//! HTTP: a POST for each message, a GET for a heartbeat.

use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use ureq::tls::{Certificate, RootCerts, TlsConfig};
use ureq::{Agent, Error};

use crate::notify::Message;
use crate::settings::{Heartbeat, Webhook};

use super::{STEP, WHOLE, address, document, trust};

/// Redirections followed to the same server, at most.
const REDIRECTIONS: usize = 3;

/// Posts a message. It has arrived with any answer from 200 to 299. Each try carries the same `Idempotency-Key`, by
/// which a server can tell a second one of the same.
pub(super) fn send(webhook: &Webhook, site: &str, message: &Message) -> Result<(), String> {
    let body = match &webhook.body {
        Some(template) => filled(template, site, message),
        None => document(site, message).to_string(),
    };
    let headers = webhook.headers_file.as_deref().map(headers).transpose()?.unwrap_or_default();
    let url = address(&webhook.url)?;
    let agent = agent(&url, webhook.ca_file.as_deref())?;
    follow(&url, |url| {
        let mut request =
            agent.post(url).header("content-type", "application/json").header("idempotency-key", &message.id);
        for (name, value) in &headers {
            request = request.header(name, value);
        }
        answered(request.send(&body))
    })
}

/// Visits an address, so that whoever watches it knows we live.
pub fn visit(heartbeat: &Heartbeat) -> Result<(), String> {
    let url = address(&heartbeat.url)?;
    let agent = agent(&url, heartbeat.ca_file.as_deref())?;
    follow(&url, |url| answered(agent.get(url).call()))
}

/// What a server answered: its code and, where it redirects, whereto.
type Answer = (u16, Option<String>);

/// Follows redirections that keep the method (RFC 9110, 15.4.8 and 15.4.9) to the same server; others would take the
/// message, its headers and their secrets elsewhere.
fn follow(url: &str, mut ask: impl FnMut(&str) -> Result<Answer, String>) -> Result<(), String> {
    let mut url = url.to_owned();
    for _ in 0..=REDIRECTIONS {
        let (code, location) = ask(&url)?;
        match (code, location) {
            (200..=299, _) => return Ok(()),
            (307 | 308, Some(location)) if is_same_server(&url, &location) => {
                url = if location.starts_with('/') { format!("{}{location}", server(&url)) } else { location };
            }
            (300..=399, _) => {
                return Err(format!("the server answers {code} and sends us elsewhere, where we do not go"));
            }
            _ => return Err(format!("the server answers {code}")),
        }
    }
    Err("the server redirects again and again".to_owned())
}

fn answered(outcome: Result<ureq::http::Response<ureq::Body>, Error>) -> Result<Answer, String> {
    let response = outcome.map_err(|error| match error {
        Error::Timeout(_) => "the server does not answer in time".to_owned(),
        Error::HostNotFound => "the server's name is not known".to_owned(),
        other => without_address(&other),
    })?;
    let location = response.headers().get("location").and_then(|value| value.to_str().ok()).map(str::to_owned);
    Ok((response.status().as_u16(), location))
}

/// An error without the address, which may be a secret.
fn without_address(error: &Error) -> String {
    match error {
        Error::Io(error) => error.to_string(),
        Error::Rustls(error) => format!("TLS: {error}"),
        Error::BadUri(_) => "the address cannot be understood".to_owned(),
        Error::ConnectionFailed => "the server cannot be reached".to_owned(),
        other => other.to_string(),
    }
}

fn agent(url: &str, ca_file: Option<&Path>) -> Result<Agent, String> {
    let mut config = Agent::config_builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .max_redirects_will_error(false)
        .proxy(None)
        .user_agent(concat!("lampwarden/", env!("CARGO_PKG_VERSION")))
        .timeout_connect(Some(STEP))
        .timeout_recv_response(Some(STEP))
        .timeout_global(Some(WHOLE));
    if url.starts_with("https:") {
        let roots = trust::roots(ca_file)?;
        let roots: Vec<_> = roots.iter().map(|der| Certificate::from_der(der).to_owned()).collect();
        let tls = TlsConfig::builder()
            .unversioned_rustls_crypto_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .root_certs(RootCerts::new_with_certs(&roots))
            .build();
        config = config.tls_config(tls);
    }
    Ok(config.build().into())
}

/// Scheme, host and port.
fn server(url: &str) -> &str {
    let after = url.find("://").map_or(0, |at| at + 3);
    let end = url[after..].find(['/', '?', '#']).map_or(url.len(), |at| after + at);
    &url[..end]
}

fn is_same_server(url: &str, location: &str) -> bool {
    let is_path = location.starts_with('/') && !location.starts_with("//");
    is_path || server(url).eq_ignore_ascii_case(server(location))
}

/// Header lines of a file: `Name: value`.
fn headers(file: &Path) -> Result<Vec<(String, String)>, String> {
    let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
    let lines = text.lines().map(str::trim).enumerate();
    lines
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
        .map(|(nth, line)| match line.split_once(':') {
            Some((name, value)) if !name.trim().is_empty() => Ok((name.trim().to_owned(), value.trim().to_owned())),
            _ => Err(format!(
                "{}:{}: this is no header; one is written `Name: value`, such as `Authorization: Bearer …`",
                file.display(),
                nth + 1
            )),
        })
        .collect()
}

/// A body with its places filled in, as they stand inside a JSON text.
fn filled(template: &str, site: &str, message: &Message) -> String {
    let sort = serde_json::to_value(message.sort).ok().and_then(|word| word.as_str().map(str::to_owned));
    let sort = sort.unwrap_or_default();
    let link = message.link.clone().unwrap_or_default();
    let places = [
        ("{subject}", message.subject.as_str()),
        ("{text}", &message.text),
        ("{priority}", message.priority.word()),
        ("{sort}", &sort),
        ("{site}", site),
        ("{contact}", &message.contact),
        ("{id}", &message.id),
        ("{link}", &link),
    ];
    let mut out = String::with_capacity(template.len());
    let mut rest = template;
    while let Some(at) = rest.find('{') {
        out.push_str(&rest[..at]);
        rest = &rest[at..];
        match places.iter().find(|(place, _)| rest.starts_with(place)) {
            Some((place, value)) => {
                let quoted = Value::from(*value).to_string();
                out.push_str(&quoted[1..quoted.len() - 1]);
                rest = &rest[place.len()..];
            }
            None => {
                out.push('{');
                rest = &rest[1..];
            }
        }
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::test_message;

    #[test]
    fn places_are_filled_in_as_json_and_what_stands_in_them_is_not() {
        let mut message = test_message("garden-room", "keeper", "webhook", chrono_tz::UTC, Default::default(), 7);
        message.subject = "say \"{text}\"\n".to_owned();
        let template =
            r#"{"title": "{subject}", "to": {"who": "{contact}", "n": 1}, "id": "{id}", "{other}": "{link}"}"#;
        let body: Value = serde_json::from_str(&filled(template, "garden-room", &message)).expect("JSON");
        assert_eq!(body["title"], message.subject);
        assert_eq!((&body["to"]["who"], &body["to"]["n"]), (&Value::from("keeper"), &Value::from(1)));
        assert_eq!((&body["id"], &body["{other}"]), (&Value::from(message.id), &Value::from("")));
    }

    #[test]
    fn redirections_are_followed_to_the_same_server_only() {
        let check = |from: &str, to: &str, expected| assert_eq!(is_same_server(from, to), expected, "{from} {to}");
        check("https://a.example/x", "https://A.example/y", true);
        check("https://a.example/x", "/y", true);
        check("https://a.example/x", "//b.example/y", false);
        check("https://a.example/x", "http://a.example/y", false);
        check("https://a.example/x", "https://a.example:444/y", false);
        check("https://a.example/x", "https://a.example.evil/y", false);
        check("https://a.example?x", "https://a.example#y", true);
    }

    #[test]
    fn a_header_that_is_none_is_named_by_its_line_and_not_shown() {
        let file = std::env::temp_dir().join(format!("lampwarden-headers-{}", std::process::id()));
        std::fs::write(&file, "# ours\n\nAuthorization: Bearer a:b\nsecret\n").expect("written");
        let told = headers(&file).expect_err("the fourth line is none");
        assert!(told.contains(":4: ") && told.contains("Name: value") && !told.contains("secret"), "{told}");
        std::fs::write(&file, "# ours\n\nAuthorization: Bearer a:b\n").expect("written");
        assert_eq!(headers(&file), Ok(vec![("Authorization".to_owned(), "Bearer a:b".to_owned())]));
        let _ = std::fs::remove_file(file);
    }

    #[test]
    fn redirections_end() {
        let asked = std::cell::Cell::new(0);
        let forever = follow("https://a.example/x", |_| {
            asked.set(asked.get() + 1);
            Ok((307, Some("/y".to_owned())))
        });
        assert!(forever.is_err() && asked.get() == REDIRECTIONS + 1);
        let mut seen = Vec::new();
        let once = follow("https://a.example/x", |url| {
            seen.push(url.to_owned());
            Ok(if seen.len() == 1 { (308, Some("/y".to_owned())) } else { (204, None) })
        });
        assert!(once.is_ok(), "{once:?}");
        assert_eq!(seen, ["https://a.example/x", "https://a.example/y"]);
        for code in [301, 302, 303, 404, 500] {
            assert!(follow("https://a.example/x", |_| Ok((code, Some("/y".to_owned())))).is_err(), "{code}");
        }
    }
}
