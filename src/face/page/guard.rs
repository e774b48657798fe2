//! What every request has to pass, and what every answer carries.
//!
//! A page on a private address can be read by any site that a browser in the same network visits, if that site lets its
//! own name point here (DNS rebinding). A name that is not ours is therefore refused: only addresses, `localhost`, this
//! machine's name and the name in the site file are.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::header::{
    ALLOW, CACHE_CONTROL, CONTENT_LENGTH, CONTENT_SECURITY_POLICY, HOST, REFERRER_POLICY, TRANSFER_ENCODING,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::Response;

use super::layout::refusal;

/// No answer takes longer; who waits is told so.
const PATIENCE: Duration = Duration::from_secs(20);

/// Everything comes from here and nowhere else; nothing is sent anywhere; nobody may put the page into a frame.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The names under which this page may be asked for, beside addresses and `localhost`.
#[derive(Clone, Debug)]
pub(super) struct OwnNames(Vec<String>);

impl OwnNames {
    /// The host in `listen`, and the machine's name with and without `.local`.
    pub(super) fn of(listen: &str, machine: &str) -> Self {
        let mut names = vec!["localhost".to_owned(), host_of(listen).to_ascii_lowercase()];
        let machine = machine.trim().to_ascii_lowercase();
        if !machine.is_empty() {
            names.push(format!("{machine}.local"));
            names.push(machine);
        }
        Self(names)
    }

    /// True where a `Host` header names us.
    fn are(&self, host: &str) -> bool {
        let host = host_of(host);
        let bare = host.trim_start_matches('[').trim_end_matches(']');
        bare.parse::<IpAddr>().is_ok() || self.0.contains(&host.trim_end_matches('.').to_ascii_lowercase())
    }
}

/// The name of this machine.
pub(super) fn machine() -> String {
    std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default()
}

/// A host without its port.
fn host_of(text: &str) -> &str {
    match text.rsplit_once(':') {
        Some((host, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => host,
        _ => text,
    }
}

/// Lets a request pass or refuses it, and puts the headers on the answer.
pub(super) async fn guard(State(own_names): State<Arc<OwnNames>>, request: Request, next: Next) -> Response {
    let mut response = match refused(&own_names, &request) {
        Some((status, why)) => {
            let mut response = refusal(status, why, request.headers());
            if status == StatusCode::METHOD_NOT_ALLOWED {
                response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            }
            response
        }
        None => {
            let headers = request.headers().clone();
            match tokio::time::timeout(PATIENCE, next.run(request)).await {
                Ok(response) => response,
                Err(_) => refusal(
                    StatusCode::SERVICE_UNAVAILABLE,
                    "This takes too long just now. Ask for a shorter time, or again later.",
                    &headers,
                ),
            }
        }
    };
    let headers = response.headers_mut();
    for (name, value) in [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (REFERRER_POLICY, "no-referrer"),
        (X_FRAME_OPTIONS, "DENY"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn refused(names: &OwnNames, request: &Request) -> Option<(StatusCode, &'static str)> {
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return Some((StatusCode::METHOD_NOT_ALLOWED, "This page only shows. Nothing can be changed through it."));
    }
    if has_body(request.headers()) {
        return Some((StatusCode::PAYLOAD_TOO_LARGE, "This page takes nothing but questions."));
    }
    let mut hosts = request.headers().get_all(HOST).iter();
    let named = request.uri().host().map(str::to_owned);
    let host = named.or_else(|| hosts.next().and_then(|host| host.to_str().ok()).map(str::to_owned));
    match host {
        None => Some((StatusCode::BAD_REQUEST, "The request does not say which host it asks.")),
        Some(host) if !names.are(&host) => Some((
            StatusCode::MISDIRECTED_REQUEST,
            "This page does not answer to that name, lest another site read it through your browser. Ask for it by its \
             address, by the name of its machine, or by the name in the site file.",
        )),
        Some(_) => None,
    }
}

fn has_body(headers: &HeaderMap) -> bool {
    headers.contains_key(TRANSFER_ENCODING) || headers.get(CONTENT_LENGTH).is_some_and(|length| length != "0")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_names_and_addresses_are_answered() {
        let names = OwnNames::of("0.0.0.0:8080", "shed-box\n");
        for ours in ["127.0.0.1:8080", "[::1]:8080", "localhost", "LOCALHOST:9", "192.168.7.4:80", "shed-box:8080"] {
            assert!(names.are(ours), "{ours}");
        }
        assert!(names.are("shed-box.local.") && OwnNames::of("meters.example:80", "").are("Meters.example:80"));
        for foreign in ["evil.example", "localhost.evil.example:8080", "127.0.0.1.evil.example", "shed-box.evil", ""] {
            assert!(!names.are(foreign), "{foreign}");
        }
    }
}
