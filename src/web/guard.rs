//! What holds for every request and every answer: nothing from elsewhere runs, nothing is told elsewhere, and nobody
//! elsewhere sends forms in a guest's name.

use std::net::IpAddr;

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

/// No script or style that stands in a page, nothing from elsewhere, no frames.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; \
                      manifest-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// Headers of every answer. The address may be a secret: it is told to nobody and kept nowhere.
pub(super) async fn safe(mut response: Response) -> Response {
    const HEADERS: [(HeaderName, &str); 7] = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (HeaderName::from_static("x-robots-tag"), "noindex"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ];
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    if !response.headers().contains_key(header::CACHE_CONTROL) {
        response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

/// Whether the browser was told a name of this machine.
pub(super) fn is_local_host(headers: &HeaderMap) -> bool {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    };
    let address = name.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
    name == "localhost" || address.is_ok_and(|address| address.is_loopback())
}

/// Whether a form comes from one of our own pages, as far as the browser says.
fn is_own(headers: &HeaderMap) -> bool {
    let text = |name: HeaderName| headers.get(name).and_then(|value| value.to_str().ok());
    let site = text(HeaderName::from_static("sec-fetch-site"));
    if site.is_some_and(|site| !matches!(site, "same-origin" | "none")) {
        return false;
    }
    // Pages tell nobody where they are, so a browser may write `null` for one of ours; the form's token decides then.
    match (text(header::ORIGIN), text(header::HOST)) {
        (None | Some("null"), _) => true,
        (Some(origin), Some(host)) => origin.split_once("://").is_some_and(|(_, of)| of.eq_ignore_ascii_case(host)),
        (Some(_), None) => false,
    }
}

/// Refuses forms of other sites before anything looks at them.
pub(super) async fn own_forms(request: Request, next: Next) -> Response {
    if request.method() == Method::POST && !is_own(request.headers()) {
        return (StatusCode::FORBIDDEN, "This form comes from another site.\n").into_response();
    }
    next.run(request).await
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        let pairs = pairs.iter().map(|(name, value)| (HeaderName::from_static(name), HeaderValue::from_static(value)));
        pairs.collect()
    }

    #[test]
    fn only_names_of_this_machine_are_local() {
        for (host, is_local) in [
            ("127.0.0.1:8417", true),
            ("[::1]:8417", true),
            ("localhost", true),
            ("localhost:1", true),
            ("animals.example.net", false),
            ("127.0.0.1.example.net", false),
            ("192.168.0.2:8417", false),
            ("", false),
        ] {
            assert_eq!(is_local_host(&headers(&[("host", host)])), is_local, "{host}");
        }
    }

    #[test]
    fn forms_of_other_sites_are_known_as_such() {
        let host = ("host", "a.example:8417");
        for (pairs, own) in [
            (&[host][..], true),
            (&[host, ("origin", "http://a.example:8417")], true),
            (&[host, ("origin", "null"), ("sec-fetch-site", "same-origin")], true),
            (&[host, ("origin", "http://b.example")], false),
            (&[host, ("sec-fetch-site", "cross-site")], false),
            (&[host, ("sec-fetch-site", "same-site")], false),
            (&[("origin", "http://a.example")], false),
        ] {
            assert_eq!(is_own(&headers(pairs)), own, "{pairs:?}");
        }
    }
}
