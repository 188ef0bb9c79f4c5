//! The page for the phone: one document, one script, one style sheet, all inside the binary.

use super::api::{status_of, stop_now};
use super::doors::{App, COOKIE, Ends, may_try, refuse};
use super::problem::Problem;
use super::shapes::Status;
use super::token::Role;
use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Extension, Form, Router};
use serde::Deserialize;

const SCRIPT: &str = include_str!("assets/app.js");
const LOGIN_SCRIPT: &str = include_str!("assets/login.js");
const STYLE: &str = include_str!("assets/app.css");
const ICON: &str = include_str!("assets/icon.svg");
/// Seconds that a phone stays known: 90 days.
const KNOWN_S: u32 = 90 * 86_400;

/// What the document says without script.
#[derive(Template)]
#[template(path = "service/templates/page.html")]
struct Page<'a> {
    status: &'a Status,
    /// For the script.
    data: String,
    cautions: &'a [&'a str],
}

#[derive(Template)]
#[template(path = "service/templates/login.html")]
struct Login<'a> {
    sign: &'a str,
    wrong: bool,
}

/// The routes of the page.
pub fn router() -> Router<App> {
    Router::new()
        .route("/", get(page))
        .route("/login", get(login).post(enter))
        .route("/logout", post(leave))
        .route("/stop", post(stop))
        .route("/assets/app.js", get(|| asset("text/javascript; charset=utf-8", SCRIPT)))
        .route("/assets/login.js", get(|| asset("text/javascript; charset=utf-8", LOGIN_SCRIPT)))
        .route("/assets/app.css", get(|| asset("text/css; charset=utf-8", STYLE)))
        .route("/assets/icon.svg", get(|| asset("image/svg+xml", ICON)))
}

async fn asset(media: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, media), (header::CACHE_CONTROL, "no-cache")], text).into_response()
}

fn document(template: &impl Template) -> Result<Response, Problem> {
    template.render().map(|text| Html(text).into_response()).map_err(|e| Problem::broken(e.to_string()))
}

async fn page(State(app): State<App>, Extension(role): Extension<Role>) -> Result<Response, Problem> {
    let status = status_of(&app, role);
    let data = serde_json::to_string(&status).map_err(|e| Problem::broken(e.to_string()))?;
    // inside a script element only `<` could end it
    document(&Page { status: &status, data: data.replace('<', "\\u003c"), cautions: &crate::report::CAUTIONS })
}

async fn login(State(app): State<App>) -> Result<Response, Problem> {
    if app.tokens.is_none() {
        return Ok(Redirect::to("/").into_response());
    }
    let loaded = app.shared.loaded();
    document(&Login { sign: &loaded.build.sign.name, wrong: false })
}

#[derive(Deserialize)]
struct Shown {
    token: String,
}

/// A form of this page: the browser says so itself. Requests without `Origin` (no browser) are taken too: they carry
/// no cookie by themselves.
async fn enter(
    State(app): State<App>,
    Extension(ends): Extension<Ends>,
    form: Result<Form<Shown>, axum::extract::rejection::FormRejection>,
) -> Result<Response, Problem> {
    let Form(shown) = form.map_err(|_| Problem::bad("send the token as the form field `token`"))?;
    let Some(tokens) = &app.tokens else { return Ok(Redirect::to("/").into_response()) };
    let Some(role) = tokens.role(&shown.token) else {
        if !may_try(&app, ends.peer.ip()) {
            refuse(&app, ends.peer.ip(), "/login", "tries");
            return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "too-many-tries", "too many wrong tokens; wait a minute"));
        }
        refuse(&app, ends.peer.ip(), "/login", "token");
        let mut response = document(&Login { sign: &app.shared.loaded().build.sign.name, wrong: true })?;
        *response.status_mut() = StatusCode::FORBIDDEN;
        return Ok(response);
    };
    let cookie = format!("{COOKIE}={}; HttpOnly; SameSite=Strict; Path=/; Max-Age={KNOWN_S}", tokens.cookie(role));
    Ok(with_cookie(Redirect::to("/").into_response(), &cookie))
}

async fn leave() -> Response {
    with_cookie(Redirect::to("/login").into_response(), &format!("{COOKIE}=; HttpOnly; SameSite=Strict; Path=/; Max-Age=0"))
}

fn with_cookie(mut response: Response, cookie: &str) -> Response {
    if let Ok(value) = HeaderValue::from_str(cookie) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

/// The stop button, with or without script.
async fn stop(State(app): State<App>, Extension(ends): Extension<Ends>, headers: HeaderMap) -> Response {
    if app.shared.live().run.is_some() {
        stop_now(&app, ends);
    }
    let wants_page = headers.get(header::ACCEPT).and_then(|v| v.to_str().ok()).is_some_and(|v| v.contains("text/html"));
    if wants_page { Redirect::to("/").into_response() } else { StatusCode::ACCEPTED.into_response() }
}
