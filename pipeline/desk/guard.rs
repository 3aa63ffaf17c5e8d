//! Who may ask: this machine's own browser, with the key of this start, from the desk's own pages.
//!
//! A name that somebody else's server points at 127.0.0.1 fails the check of Host; a page of another site fails the check
//! of Origin and is sent no cookie (SameSite); another program of this machine lacks the key.

use super::Desk;
use crate::error::{Error, Result};
use crate::pose::models::hex;
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum_extra::extract::CookieJar;
use axum_extra::extract::cookie::{Cookie, SameSite};
use sha2::{Digest, Sha256};
use std::sync::Arc;

/// The addresses by which the desk may be called, and its key.
pub struct Guard {
    hosts: Vec<String>,
    /// Cookies know no ports: each desk has a name of its own.
    cookie: String,
    key: String,
}

impl Guard {
    /// With a fresh key of 256 bits, which is also returned.
    pub fn new(port: u16) -> Result<(Guard, String)> {
        let mut bytes = [0u8; 32];
        let mut filled = 0;
        while filled < bytes.len() {
            filled += rustix::rand::getrandom(&mut bytes[filled..], rustix::rand::GetRandomFlags::empty())
                .map_err(|e| Error::Internal(format!("no random key can be made: {e}")))?;
        }
        let key = hex(&bytes);
        Ok((Guard { hosts: hosts(port), cookie: format!("dawnsheet-desk-{port}"), key: key.clone() }, key))
    }

    /// Compared by digest, so that the time it takes tells nothing of the key.
    pub fn is_key(&self, offered: &str) -> bool {
        Sha256::digest(offered) == Sha256::digest(&self.key)
    }

    /// The cookie that carries the key from the first page on.
    pub fn as_cookie(&self) -> Cookie<'static> {
        Cookie::build((self.cookie.clone(), self.key.clone())).path("/").http_only(true).same_site(SameSite::Strict).build()
    }

    fn refusal(&self, method: &Method, uri: &Uri, headers: &HeaderMap) -> Option<&'static str> {
        let text = |name: HeaderName| headers.get(name).map(|v| v.to_str().unwrap_or_default());
        let Some(host) = text(header::HOST).filter(|h| self.hosts.iter().any(|ours| ours == h)) else {
            return Some("the desk answers to its own address only");
        };
        let origin = text(header::ORIGIN);
        let own = origin.is_some_and(|o| o.strip_prefix("http://") == Some(host));
        if !own && (origin.is_some() || !matches!(*method, Method::GET | Method::HEAD)) {
            return Some("asked from another page than the desk's own");
        }
        // the entrance looks at the key itself
        let known = CookieJar::from_headers(headers).get(&self.cookie).is_some_and(|c| self.is_key(c.value()));
        (!known && uri.path() != "/").then_some("open the desk by the address that “dawnsheet desk” printed")
    }
}

/// The names of this machine; browsers leave out the port where it is the usual one (RFC 9110, 4.2.1 and 7.2).
fn hosts(port: u16) -> Vec<String> {
    let names = ["127.0.0.1", "localhost"];
    let bare = names.iter().filter(|_| port == 80).map(ToString::to_string);
    names.iter().map(|name| format!("{name}:{port}")).chain(bare).collect()
}

/// Everything of the desk's own; nothing inline, nothing from elsewhere.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; \
                      connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// Refuses what is not the desk's own, and gives every answer its protecting headers.
pub async fn guard(State(desk): State<Arc<Desk>>, request: Request, next: Next) -> Response {
    let mut response = match desk.guard.refusal(request.method(), request.uri(), request.headers()) {
        Some(why) => (StatusCode::FORBIDDEN, why).into_response(),
        None => next.run(request).await,
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_port_need_not_be_named_and_no_other_may_be_left_out() {
        let asked = |port: u16, host: &'static str, origin: &'static str| {
            let (guard, key) = Guard::new(port).unwrap();
            let cookie = format!("{}={key}", guard.as_cookie().name());
            let headers = [(header::HOST, host), (header::ORIGIN, origin), (header::COOKIE, &cookie)];
            let headers = headers.into_iter().map(|(n, v)| (n, HeaderValue::from_str(v).unwrap())).collect();
            guard.refusal(&Method::POST, &Uri::from_static("/verdict"), &headers).is_none()
        };
        assert!(asked(80, "127.0.0.1", "http://127.0.0.1") && asked(80, "localhost", "http://localhost"));
        assert!(asked(80, "127.0.0.1:80", "http://127.0.0.1:80") && asked(8080, "localhost:8080", "http://localhost:8080"));
        assert!(!asked(8080, "127.0.0.1", "http://127.0.0.1"), "another program's port 80");
        assert!(!asked(80, "127.0.0.1", "http://127.0.0.1:8080") && !asked(80, "evil.test", "http://evil.test"));
    }
}
