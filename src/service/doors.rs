//! Who may come in: host, origin, rate, token, size, patience; and the headers that go out.

use super::live::Shared;
use super::problem::Problem;
use super::token::{Role, Tokens};
use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Name of the cookie.
pub const COOKIE: &str = "signproof";
/// Addresses whose rate is kept at once.
const MOST_ADDRESSES: usize = 1024;
/// Wrong tokens of one address: at once, and a second.
const TRIES: (f64, f64) = (10.0, 0.1);

/// Both ends of a connection.
#[derive(Clone, Copy, Debug)]
pub struct Ends {
    /// Who asks.
    pub peer: SocketAddr,
    /// Where.
    pub local: SocketAddr,
}

/// What the handlers share.
#[derive(Clone)]
pub struct App {
    /// The daemon.
    pub shared: Arc<Shared>,
    /// Its tokens; `None` where none is asked for.
    pub tokens: Option<Arc<Tokens>>,
    /// Requests of each address.
    pub rates: Arc<Rates>,
    /// Becomes true when the daemon ends.
    pub ending: tokio::sync::watch::Receiver<bool>,
}

/// Leaky buckets by address.
#[derive(Default)]
pub struct Rates {
    requests: Mutex<HashMap<IpAddr, (f64, Duration)>>,
    tries: Mutex<HashMap<IpAddr, (f64, Duration)>>,
}

/// Takes one drop out of the bucket; false where it is empty.
fn take(buckets: &Mutex<HashMap<IpAddr, (f64, Duration)>>, who: IpAddr, now: Duration, (burst, per_s): (f64, f64)) -> bool {
    let mut buckets = buckets.lock().unwrap_or_else(PoisonError::into_inner);
    if buckets.len() >= MOST_ADDRESSES && !buckets.contains_key(&who) {
        buckets.retain(|_, (left, at)| *left + now.saturating_sub(*at).as_secs_f64() * per_s < burst);
        if buckets.len() >= MOST_ADDRESSES {
            return false;
        }
    }
    let (left, at) = buckets.entry(who).or_insert((burst, now));
    *left = (*left + now.saturating_sub(*at).as_secs_f64() * per_s).min(burst);
    *at = now;
    let some = *left >= 1.0;
    if some {
        *left -= 1.0;
    }
    some
}

/// Whether a `Host` names this board: its own address on this connection, loopback's name, or a configured name.
fn host_is_ours(host: &str, local: SocketAddr, names: &[String]) -> bool {
    let (name, port) = match host.rsplit_once(':') {
        Some((name, port)) if !port.contains(']') => (name, port.parse::<u16>().ok()),
        _ => (host, Some(80)),
    };
    if port != Some(local.port()) && !(names.iter().any(|n| n.eq_ignore_ascii_case(host))) {
        return false;
    }
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    // an address cannot be rebound, but only this connection's own is ours
    bare.parse::<IpAddr>().is_ok_and(|ip| ip.to_canonical() == local.ip().to_canonical())
        || (name.eq_ignore_ascii_case("localhost") && local.ip().to_canonical().is_loopback())
        || names.iter().any(|n| n.eq_ignore_ascii_case(name))
}

fn text(headers: &HeaderMap, name: impl header::AsHeaderName) -> Option<&str> {
    headers.get(name).and_then(|v| v.to_str().ok())
}

/// Why a request comes from elsewhere; `None` where it does not.
fn foreign(method: &Method, headers: &HeaderMap, local: SocketAddr, names: &[String]) -> Option<(&'static str, Problem)> {
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = match (hosts.next().and_then(|h| h.to_str().ok()), hosts.next()) {
        (Some(host), None) if host_is_ours(host, local, names) => host,
        _ => {
            let detail = "the Host header does not name this board; use its address, or add the name to `hosts` in the configuration";
            return Some(("host", Problem::new(StatusCode::MISDIRECTED_REQUEST, "foreign-host", detail)));
        }
    };
    let cross = |detail| Some(("origin", Problem::new(StatusCode::FORBIDDEN, "foreign-origin", detail)));
    if let Some(origin) = headers.get(header::ORIGIN) {
        let own = origin.to_str().ok().and_then(|o| o.strip_prefix("http://")).is_some_and(|o| o.eq_ignore_ascii_case(host));
        if !own {
            return cross("requests from other pages are not taken");
        }
    }
    let site = text(headers, "sec-fetch-site");
    let opened_by_a_person = *method == Method::GET && text(headers, "sec-fetch-mode") == Some("navigate");
    if site.is_some_and(|s| s != "same-origin" && s != "none") && !opened_by_a_person {
        return cross("requests from other pages are not taken");
    }
    None
}

/// The role that the headers show, and whether anything was shown at all.
fn shown(app: &App, headers: &HeaderMap) -> (Option<Role>, bool) {
    let Some(tokens) = &app.tokens else { return (Some(Role::Operator), false) };
    if let Some(value) = text(headers, header::AUTHORIZATION) {
        let token = value.split_once(' ').filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer")).map(|(_, t)| t);
        return (token.and_then(|t| tokens.role(t)), true);
    }
    let mut cookies = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok()).flat_map(|v| v.split(';'));
    match cookies.find_map(|c| c.trim().strip_prefix(COOKIE).and_then(|c| c.strip_prefix('='))) {
        Some(cookie) => (tokens.role_of_cookie(cookie), true),
        None => (None, false),
    }
}

/// A wrong token was shown: false where this address has shown too many.
pub fn may_try(app: &App, who: IpAddr) -> bool {
    take(&app.rates.tries, who, crate::rig::since_start(), TRIES)
}

/// Counts a refusal and logs it without anything that was shown.
pub fn refuse(app: &App, who: IpAddr, path: &str, why: &'static str) {
    app.shared.counters.refuse(why);
    let path: String = path.chars().take(80).collect();
    tracing::warn!(%who, path, why, "request refused");
}

/// The middleware.
pub async fn doors(State(app): State<App>, request: Request, next: Next) -> Response {
    let mut response = match enter(&app, request).await {
        Ok(request) => next.run(request).await,
        Err(response) => response,
    };
    harden(response.headers_mut());
    app.shared.counters.response(response.status().as_u16());
    response
}

async fn enter(app: &App, request: Request) -> Result<Request, Response> {
    let config = app.shared.config();
    let http = &config.http;
    let Some(Ends { peer, local }) = request.extensions().get::<Ends>().copied() else {
        return Err(Problem::broken("the connection has no address").into_response());
    };
    let path = request.uri().path().to_owned();
    let no = |why: &'static str, problem: Problem| {
        refuse(app, peer.ip(), &path, why);
        problem.into_response()
    };
    if !take(&app.rates.requests, peer.ip(), crate::rig::since_start(), (http.burst, http.requests_per_s)) {
        return Err(no("rate", Problem::new(StatusCode::TOO_MANY_REQUESTS, "too-many-requests", "slow down and try again")));
    }
    if let Some((why, problem)) = foreign(request.method(), request.headers(), local, &http.hosts) {
        return Err(no(why, problem));
    }
    let public = path == "/login" || path.starts_with("/assets/");
    let role = match shown(app, request.headers()) {
        (Some(role), _) => Some(role),
        (None, true) if !may_try(app, peer.ip()) => {
            return Err(no("tries", Problem::new(StatusCode::TOO_MANY_REQUESTS, "too-many-tries", "too many wrong tokens; wait a minute")));
        }
        (None, shown) => {
            if shown {
                refuse(app, peer.ip(), &path, "token");
            }
            None
        }
    };
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    match role {
        None if !public && reads && !path.starts_with("/api/") => return Err(Redirect::to("/login").into_response()),
        None if !public => {
            return Err(no(
                "no-token",
                Problem::new(StatusCode::UNAUTHORIZED, "token-needed", "send the board's token as `Authorization: Bearer …`"),
            ));
        }
        Some(Role::Viewer) if !reads && !public => {
            return Err(no("role", Problem::new(StatusCode::FORBIDDEN, "look-only", "this token lets you look, not act")));
        }
        _ => {}
    }
    // the whole body, bounded in size and time, before any handler
    let (mut parts, body) = request.into_parts();
    let read = tokio::time::timeout(Duration::from_secs_f64(http.patience_s), axum::body::to_bytes(body, http.body_bytes)).await;
    let body = match read {
        Ok(Ok(bytes)) => Body::from(bytes),
        Ok(Err(_)) => {
            let detail = format!("at most {} bytes are taken", http.body_bytes);
            return Err(no("size", Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", detail)));
        }
        Err(_) => return Err(no("slow", Problem::new(StatusCode::REQUEST_TIMEOUT, "too-slow", "the request did not come in time"))),
    };
    parts.extensions.insert(role.unwrap_or(Role::Viewer));
    Ok(Request::from_parts(parts, body))
}

fn harden(headers: &mut HeaderMap) {
    let fixed = [
        ("x-content-type-options", "nosniff"),
        // not `no-referrer`: with it a browser sends `Origin: null` from this page's own forms, which no door takes
        ("referrer-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("permissions-policy", "camera=(), geolocation=(), microphone=()"),
        ("x-frame-options", "DENY"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> SocketAddr {
        text.parse().unwrap()
    }

    #[test]
    fn only_this_boards_names_are_its_host() {
        let lan = at("192.0.2.7:8380");
        let names = ["sign.local".to_owned()];
        assert!(host_is_ours("192.0.2.7:8380", lan, &names));
        assert!(host_is_ours("SIGN.local:8380", lan, &names));
        assert!(host_is_ours("localhost:8380", at("127.0.0.1:8380"), &[]));
        assert!(host_is_ours("[::1]:8380", at("[::1]:8380"), &[]));
        assert!(host_is_ours("192.0.2.7", at("192.0.2.7:80"), &[]));
        for bad in [
            "evil.example:8380",
            "192.0.2.8:8380",
            "192.0.2.7:81",
            "192.0.2.7",
            "localhost:8380",
            "127.0.0.1:8380",
            "",
            ":8380",
            "sign.local.evil.example:8380",
        ] {
            assert!(!host_is_ours(bad, lan, &names), "{bad}");
        }
    }

    #[test]
    fn a_bucket_runs_dry_and_fills_again() {
        let buckets = Mutex::default();
        let who = IpAddr::from([192, 0, 2, 1]);
        let second = Duration::from_secs;
        assert!(take(&buckets, who, second(0), (2.0, 0.5)) && take(&buckets, who, second(0), (2.0, 0.5)));
        assert!(!take(&buckets, who, second(1), (2.0, 0.5)));
        assert!(take(&buckets, who, second(2), (2.0, 0.5)));
        assert!(take(&buckets, IpAddr::from([192, 0, 2, 2]), second(2), (2.0, 0.5)), "another address has its own");
    }

    #[test]
    fn a_crowd_of_addresses_does_not_grow_without_bound() {
        let buckets = Mutex::default();
        for i in 0..3000_u32 {
            take(&buckets, IpAddr::from(i.to_be_bytes()), Duration::ZERO, (2.0, 0.5));
        }
        assert!(buckets.lock().unwrap().len() <= MOST_ADDRESSES);
    }
}
