//! `/api/v1`: one table of routes, from which both the router and the OpenAPI document are made.

use super::doors::{App, Ends};
use super::handed_in::{self, ChecklistView, HandedInView};
use super::live::{Command, KeptRun, NotAsked, RunNow, Said, Wanted};
use super::problem::Problem;
use super::shapes::{
    AcceptBody, Begun, BuildView, FileBody, JointBody, MapView, NothingBody, PanelView, PlaceBody, RunList, RunView, StartBody, Status,
    WatchDays, WitnessBody,
};
use super::token::Role;
use super::tool::{self, ToolError};
use super::{http, kept, metrics, openapi, stream, watch};
use crate::checklist::{self, FilledIn};
use crate::commission::JOURNAL;
use crate::event::{Answer, Checklist, Difference, Seen, Whereabouts};
use crate::frame::FrameSpec;
use crate::{drawing, drift, find_map};
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get, post};
use axum::{Extension, Router};
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

type Answered = Result<Response, Problem>;
type SchemaOf = fn(&mut SchemaGenerator) -> Schema;

/// One operation.
pub struct Route {
    /// `get` or `post`.
    pub method: &'static str,
    /// Path with `{…}` parameters.
    pub path: &'static str,
    /// Unique name.
    pub name: &'static str,
    /// What it does, in a sentence.
    pub summary: &'static str,
    /// Schema of the JSON body, where one is taken.
    pub takes: Option<SchemaOf>,
    /// Query parameters with what they mean.
    pub query: &'static [(&'static str, &'static str)],
    /// Status where all is well.
    pub status: u16,
    /// Media type of the answer, empty where there is none.
    pub media: &'static str,
    /// Schema of a JSON answer.
    pub gives: Option<SchemaOf>,
    handler: MethodRouter<App>,
}

fn schema<T: JsonSchema>() -> SchemaOf {
    |generator| generator.subschema_for::<T>()
}

const JSON: &str = "application/json";
const CSV: &str = "text/csv; charset=utf-8";

fn route(method: &'static str, path: &'static str, name: &'static str, summary: &'static str, handler: MethodRouter<App>) -> Route {
    Route { method, path, name, summary, takes: None, query: &[], status: 200, media: JSON, gives: None, handler }
}

/// All operations.
pub fn routes() -> Vec<Route> {
    vec![
        Route { gives: Some(schema::<Status>()), ..route("get", "/api/v1/status", "status", "What is going on now.", get(status)) },
        Route { gives: Some(schema::<RunList>()), ..route("get", "/api/v1/runs", "list-runs", "The kept runs, oldest first.", get(list)) },
        Route {
            takes: Some(schema::<StartBody>()),
            status: 202,
            gives: Some(schema::<Begun>()),
            ..route("post", "/api/v1/runs", "start-run", "Begins a run.", post(start))
        },
        Route { gives: Some(schema::<RunView>()), ..route("get", "/api/v1/runs/{id}", "one-run", "One run, kept or going on.", get(one)) },
        Route {
            status: 202,
            media: "",
            ..route("post", "/api/v1/runs/{id}/stop", "stop-run", "Stops the run; the wall is dark within one reading.", post(stop))
        },
        Route {
            takes: Some(schema::<WitnessBody>()),
            status: 204,
            media: "",
            ..route("post", "/api/v1/runs/{id}/witness", "answer", "Answers the open question.", post(witness))
        },
        Route {
            takes: Some(schema::<JointBody>()),
            status: 204,
            media: "",
            ..route("post", "/api/v1/runs/{id}/joint", "joint", "Answers how hot the hottest joint is at the end of the hold.", post(joint))
        },
        Route {
            takes: Some(schema::<AcceptBody>()),
            status: 204,
            media: "",
            ..route("post", "/api/v1/runs/{id}/accept", "accept-run", "Accepts a whole run as this build's baseline.", post(accept))
        },
        Route {
            gives: Some(schema::<ChecklistView>()),
            ..route("get", "/api/v1/checklist", "checklist", "The before-power questions, and what was handed in.", get(checklist_now))
        },
        Route {
            takes: Some(schema::<FilledIn>()),
            gives: Some(schema::<HandedInView>()),
            ..route(
                "post",
                "/api/v1/checklist",
                "hand-in-checklist",
                "Hands in the before-power answers, for the run that goes on or the next one; earlier ones are replaced.",
                post(hand_in),
            )
        },
        Route {
            takes: Some(schema::<FileBody>()),
            gives: Some(schema::<HandedInView>()),
            ..route(
                "post",
                "/api/v1/checklist/file",
                "hand-in-checklist-file",
                "The same from a filled-in checklist file.",
                post(hand_in_file),
            )
        },
        Route {
            gives: Some(schema::<MapView>()),
            ..route("get", "/api/v1/map", "map", "Which port and position was found at which place.", get(map_now))
        },
        Route {
            takes: Some(schema::<NothingBody>()),
            status: 202,
            media: "",
            ..route("post", "/api/v1/map", "find-map", "Lights each port and position in turn and asks where it appears.", post(find))
        },
        Route {
            takes: Some(schema::<PlaceBody>()),
            status: 204,
            media: "",
            ..route("post", "/api/v1/map/place", "place", "Answers where the mark appears.", post(place))
        },
        Route {
            media: "application/toml",
            ..route("get", "/api/v1/map/build.toml", "map-build", "The build file with its chains as found.", get(map_build))
        },
        route("get", "/api/v1/runs/{id}/report", "report", "The canonical report.", get(report_json)),
        Route {
            media: "text/html; charset=utf-8",
            ..route("get", "/api/v1/runs/{id}/report.html", "report-page", "The report as one page.", get(report_html))
        },
        Route { media: CSV, ..route("get", "/api/v1/runs/{id}/readings", "readings", "Every reading, one a row.", get(run_readings)) },
        Route {
            query: &[("symptom", "What was noticed, in words."), ("redact", "`true` takes serials, names and site out.")],
            media: "application/zip",
            ..route(
                "get",
                "/api/v1/runs/{id}/ticket",
                "ticket",
                "The run as a ticket for the service desk, signed where this board has a key.",
                get(ticket_zip),
            )
        },
        Route {
            query: &[("with", "Id of the earlier run.")],
            gives: Some(schema::<drift::Comparison>()),
            ..route("get", "/api/v1/runs/{id}/compare", "compare", "What changed since an earlier run.", get(compare))
        },
        Route {
            query: &[("with", "Id of the earlier run.")],
            media: "text/plain; charset=utf-8",
            ..route("get", "/api/v1/runs/{id}/compare.txt", "compare-text", "The same in words.", get(compare_text))
        },
        Route {
            media: "application/x-ndjson",
            ..route("get", "/api/v1/runs/{id}/journal", "journal", "The journal as written, one checked line an event.", get(journal))
        },
        Route {
            gives: Some(schema::<BuildView>()),
            ..route("get", "/api/v1/build", "build", "The build in use: wall and panels.", get(build))
        },
        route("get", "/api/v1/build/desk", "desk", "Its paper checks.", get(desk)),
        Route {
            query: &[("frame", "The frame as in `status` (JSON); what is shown now where absent.")],
            media: "image/svg+xml",
            ..route("get", "/api/v1/wall.svg", "wall", "What should be on the wall, as a picture.", get(wall))
        },
        Route {
            query: &[("port", "Port."), ("position", "Position, 1 nearest the port.")],
            media: "image/svg+xml",
            ..route("get", "/api/v1/mark.svg", "mark", "The mark of a position as its panel shows it, arrow up.", get(mark))
        },
        Route {
            query: &[("after", "Id of the last event seen; the header `Last-Event-ID` comes first.")],
            media: "text/event-stream",
            ..route("get", "/api/v1/events", "events", "Server-sent events with ids; resumes after the last one seen.", get(stream::events))
        },
        Route {
            gives: Some(schema::<WatchDays>()),
            ..route("get", "/api/v1/watch", "watch-days", "Days with minute rows of the supply.", get(watch_days))
        },
        Route {
            media: CSV,
            ..route("get", "/api/v1/watch/{day}", "watch-day", "The minute rows of one day that are written so far.", get(watch_day))
        },
        Route {
            media: "text/plain; version=0.0.4; charset=utf-8",
            ..route("get", "/api/v1/metrics", "metrics", "Prometheus text.", get(metrics_text))
        },
        route("get", "/api/v1/openapi.json", "openapi", "This document.", get(openapi_json)),
    ]
}

/// The router of the table, the page beside it, and the doors before both.
pub fn router(app: App) -> Router {
    let mut router = Router::new();
    for route in routes() {
        router = router.route(route.path, route.handler);
    }
    router
        .merge(super::page::router())
        .fallback(http::nothing)
        .method_not_allowed_fallback(http::not_this_way)
        .layer(axum::middleware::from_fn_with_state(app.clone(), super::doors::doors))
        .with_state(app)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TicketQuery {
    symptom: Option<String>,
    redact: Option<bool>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CompareQuery {
    with: String,
}

fn json<T: Serialize>(value: &T) -> Answered {
    let text = serde_json::to_string(value).map_err(|e| Problem::broken(format!("writing JSON: {e}")))?;
    Ok(([(header::CONTENT_TYPE, JSON)], text).into_response())
}

/// A JSON body; anything else is refused. The demand for this media type keeps plain forms of other pages out.
fn body<T: DeserializeOwned>(headers: &HeaderMap, bytes: &Bytes) -> Result<T, Problem> {
    let media = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    if !media.split(';').next().is_some_and(|m| m.trim().eq_ignore_ascii_case(JSON)) {
        return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "not-json", "send `Content-Type: application/json`"));
    }
    let wrong = |e: serde_json::Error| Problem::bad(format!("the body is not as documented: {e}"));
    // an object first: a list would otherwise stand for its fields in order
    let object: serde_json::Map<String, serde_json::Value> = serde_json::from_slice(bytes).map_err(wrong)?;
    serde_json::from_value(object.into()).map_err(wrong)
}

/// What is going on now, as `role` sees it.
pub fn status_of(app: &App, role: Role) -> Status {
    let (loaded, config) = (app.shared.loaded(), app.shared.config());
    // the number first: what happens in between is told again rather than lost
    let last_event = app.shared.events.id(app.shared.events.last());
    let live = app.shared.live();
    let own = |k: &&KeptRun| k.build_digest == loaded.digest && k.simulated == app.shared.simulated;
    let last = live.kept.last().filter(own);
    let acceptable = last.filter(|k| k.acceptable).map(|k| k.id.clone());
    let misplaced = |k: &KeptRun| k.findings.iter().any(|f| MISPLACED.contains(&f.kind.as_str()));
    let found_since = live.map.as_ref().zip(last).is_some_and(|(map, k)| map.found > k.started);
    Status {
        tool: concat!("signproof ", env!("CARGO_PKG_VERSION")).to_owned(),
        simulated: app.shared.simulated,
        sign: loaded.build.sign.name.clone(),
        serial: loaded.build.sign.serial.clone(),
        build_digest: loaded.digest.clone(),
        phase: live.phase,
        need: live.need.clone(),
        may_act: role == Role::Operator,
        may_begin: config.first_power.start != super::config::Policy::Never,
        lines: live.lines.clone(),
        run: live.run.clone(),
        points: live.points.clone(),
        findings: live.findings.clone(),
        last: live.memory.last.clone(),
        acceptable: acceptable.filter(|id| live.memory.accepted.as_ref() != Some(id)),
        accepted: live.memory.accepted.clone(),
        handed_in: live.handed_in.as_ref().map(|h| handed_in::seen(&loaded.build, h)),
        misplaced: live.misplaced || (last.is_some_and(misplaced) && !found_since),
        last_event,
    }
}

/// Findings that the map would show.
const MISPLACED: [&str; 3] = ["port-swap", "order-swap", "panel-turned"];

async fn status(State(app): State<App>, Extension(role): Extension<Role>) -> Answered {
    json(&status_of(&app, role))
}

async fn list(State(app): State<App>) -> Answered {
    let runs = app.shared.live().kept.clone();
    json(&RunList { runs })
}

async fn start(State(app): State<App>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let wanted: StartBody = body(&headers, &bytes)?;
    if wanted.note.chars().count() > 500 || wanted.note.chars().any(|c| c.is_control() && c != '\n') {
        return Err(Problem::bad("`note` has at most 500 characters, none of them a control character"));
    }
    if wanted.ambient_c.is_some_and(|c| !(-60.0..=100.0).contains(&c)) {
        return Err(Problem::bad("`ambient_c` is between -60 and 100"));
    }
    if app.shared.config().first_power.start == super::config::Policy::Never {
        return Err(Problem::conflict("this board's configuration says that runs are never begun here"));
    }
    let id = crate::rig::new_run_id();
    let wanted = Wanted { id: id.clone(), place: wanted.place, note: wanted.note, ambient_c: wanted.ambient_c, stages: wanted.stages };
    if !app.shared.begin(Command::Begin(wanted)) {
        return Err(busy());
    }
    let mut response = json(&Begun { id: id.clone() })?;
    *response.status_mut() = StatusCode::ACCEPTED;
    if let Ok(place) = HeaderValue::from_str(&format!("/api/v1/runs/{id}")) {
        response.headers_mut().insert(header::LOCATION, place);
    }
    Ok(response)
}

fn unknown() -> Problem {
    Problem::missing("there is no such run; /api/v1/runs lists those there are")
}

fn going_on(app: &App, id: &str) -> Option<RunNow> {
    app.shared.live().run.clone().filter(|r| r.id == id)
}

async fn one(State(app): State<App>, Path(id): Path<String>) -> Answered {
    let now = going_on(&app, &id);
    let kept = app.shared.live().kept.iter().find(|k| k.id == id).cloned();
    if now.is_none() && kept.is_none() {
        return Err(unknown());
    }
    json(&RunView { now, kept })
}

async fn stop(State(app): State<App>, Path(id): Path<String>, Extension(ends): Extension<Ends>) -> Answered {
    if going_on(&app, &id).is_none() {
        let known = app.shared.live().kept.iter().any(|k| k.id == id);
        return Err(if known { Problem::conflict("this run is over") } else { unknown() });
    }
    stop_now(&app, ends);
    Ok(StatusCode::ACCEPTED.into_response())
}

/// Stops whatever run goes on.
pub fn stop_now(app: &App, ends: Ends) {
    tracing::warn!(who = %ends.peer.ip(), "stop from the page or API");
    app.shared.stop("a person at the page");
    app.shared.events.tell("stopping", &serde_json::json!({}));
}

fn check_answer(app: &App, answer: &Answer) -> Result<(), Problem> {
    let Answer::Differs(list) = answer else { return Ok(()) };
    let loaded = app.shared.loaded();
    let there = |port, position| loaded.build.panel_at(port, position).is_some();
    let sound = |d: &Difference| {
        there(d.port, d.position)
            && match &d.seen {
                Seen::Dark => true,
                Seen::Turned { degrees } => matches!(degrees, 90 | 180 | 270),
                Seen::PictureOf { port, position } => there(*port, *position),
                Seen::WrongColour { expected, seen } => expected.len() <= 40 && seen.len() <= 40,
                Seen::Rows(lines) | Seen::Columns(lines) => (1..=256).contains(&lines.len()),
                Seen::Part { columns, rows } => columns[0] <= columns[1] && rows[0] <= rows[1],
                Seen::Other(words) => (1..=400).contains(&words.len()) && !words.chars().any(char::is_control),
            }
    };
    if list.is_empty() || list.len() > loaded.build.panels.len() * 4 {
        return Err(Problem::bad("`differs` names at least one panel, and each at most four times"));
    }
    match list.iter().find(|d| !sound(d)) {
        Some(d) => {
            Err(Problem::bad(format!("port {} position {}: no such panel, or what is seen there is not as documented", d.port, d.position)))
        }
        None => Ok(()),
    }
}

async fn witness(State(app): State<App>, Path(id): Path<String>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let said: WitnessBody = body(&headers, &bytes)?;
    if going_on(&app, &id).is_none() {
        return Err(unknown());
    }
    check_answer(&app, &said.answer)?;
    answered(&app, said.question, Said::Wall(said.answer))
}

fn answered(app: &App, question: u64, said: Said) -> Answered {
    match app.shared.answer(question, said) {
        Ok(()) => Ok(StatusCode::NO_CONTENT.into_response()),
        Err(NotAsked::Another) => Err(Problem::conflict("another question is open now; look again before you answer")),
        Err(NotAsked::Otherwise) => Err(Problem::conflict("the open question is about something else; its `about` says what")),
        Err(NotAsked::Nothing) => Err(Problem::conflict("no question is open now")),
    }
}

async fn joint(State(app): State<App>, Path(id): Path<String>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let said: JointBody = body(&headers, &bytes)?;
    if going_on(&app, &id).is_none() {
        return Err(unknown());
    }
    let reading = match said.reading {
        None => None,
        Some(r) => {
            checklist::check_name("`who`", &r.who).map_err(Problem::bad)?;
            if r.who.trim().is_empty() {
                return Err(Problem::bad("`who` is empty: name the person who measured"));
            }
            Some((checklist::joint(r.celsius, r.accuracy, &r.meter).map_err(Problem::bad)?, r.who))
        }
    };
    answered(&app, said.question, Said::Joint(reading))
}

async fn checklist_now(State(app): State<App>) -> Answered {
    let loaded = app.shared.loaded();
    let handed_in = app.shared.live().handed_in.as_ref().map(|h| handed_in::seen(&loaded.build, h));
    json(&ChecklistView { serial: loaded.build.sign.serial.clone(), questions: handed_in::questions(&loaded.build), handed_in })
}

async fn hand_in(State(app): State<App>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let filled_in: FilledIn = body(&headers, &bytes)?;
    let list = checklist::check(filled_in, &app.shared.loaded().build).map_err(|wrong| Problem::bad(wrong.join("; ")))?;
    keep_list(app, list).await
}

async fn hand_in_file(State(app): State<App>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let file: FileBody = body(&headers, &bytes)?;
    let list = checklist::read(&file.text, "checklist", &app.shared.loaded().build).map_err(Problem::bad)?;
    keep_list(app, list).await
}

async fn keep_list(app: App, list: Checklist) -> Answered {
    let keep = move || {
        handed_in::hand_in(&app.shared, list)
            .map_err(|e| Problem::broken(format!("the checklist cannot be kept: {e}; check the state directory and the disk")))
    };
    json(&aside(keep).await?)
}

fn busy() -> Problem {
    Problem::conflict("a run or a search goes on already; stop it first, or wait for its end")
}

async fn map_now(State(app): State<App>) -> Answered {
    let found = app.shared.live().map.clone();
    json(&MapView { found })
}

async fn find(State(app): State<App>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let NothingBody {} = body(&headers, &bytes)?;
    if app.shared.config().first_power.start == super::config::Policy::Never {
        return Err(Problem::conflict("this board's configuration says that nothing is ever lit from here"));
    }
    if let Some(why) = app.shared.live().handed_in.as_ref().and_then(|h| checklist::stop(&app.shared.loaded().build, &h.list)) {
        return Err(Problem::conflict(why));
    }
    if let Err(why) = find_map::Search::new(&app.shared.loaded().build) {
        return Err(Problem::conflict(why));
    }
    if !app.shared.begin(Command::FindMap) {
        return Err(busy());
    }
    Ok(StatusCode::ACCEPTED.into_response())
}

async fn place(State(app): State<App>, headers: HeaderMap, bytes: Bytes) -> Answered {
    let said: PlaceBody = body(&headers, &bytes)?;
    let seen = match said.at {
        None => Whereabouts::Nowhere,
        Some(at) => {
            if !matches!(said.degrees, 0 | 90 | 180 | 270) {
                return Err(Problem::bad("`degrees` is 0, 90, 180 or 270"));
            }
            if !app.shared.loaded().build.panels.iter().any(|p| p.at == at) {
                return Err(Problem::bad("no place of the build has its top-left corner at `at`"));
            }
            Whereabouts::At { at, degrees: said.degrees }
        }
    };
    answered(&app, said.question, Said::Place(seen))
}

async fn map_build(State(app): State<App>) -> Answered {
    let text = app.shared.live().map.as_ref().map(|m| m.build_file.clone()).filter(|text| !text.is_empty());
    let text = text.ok_or_else(|| Problem::missing("no map was found that differs from the build file"))?;
    let save = "attachment; filename=\"build.toml\"";
    Ok(([(header::CONTENT_TYPE, "application/toml"), (header::CONTENT_DISPOSITION, save)], text).into_response())
}

async fn accept(
    State(app): State<App>,
    Path(id): Path<String>,
    Extension(ends): Extension<Ends>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Answered {
    let wanted: AcceptBody = body(&headers, &bytes)?;
    let reason = wanted.reason.trim().to_owned();
    if reason.is_empty() || reason.len() > 500 || reason.chars().any(char::is_control) {
        return Err(Problem::bad("`reason` says why this run is accepted, in at most 500 bytes without control characters"));
    }
    let dir = dir_of(&app, &id)?;
    let of_this = {
        let (loaded, live) = (app.shared.loaded(), app.shared.live());
        live.kept.iter().any(|k| k.id == id && k.build_digest == loaded.digest && k.simulated == app.shared.simulated)
    };
    if !of_this {
        return Err(Problem::conflict("only a run of this build on this kind of rig, simulated or real, can be its baseline"));
    }
    let state = app.shared.config().state().to_owned();
    aside(move || tool::accept(&dir, &reason, &state).map_err(refused)).await?;
    let memory = {
        let mut live = app.shared.live();
        live.memory.accepted = Some(id.clone());
        if live.memory.next(&app.shared.config().first_power) == super::memory::Next::Watch {
            live.need = None;
        }
        live.memory.clone()
    };
    let file = app.shared.memory_file();
    aside(move || memory.save(&file).map_err(|e| Problem::broken(format!("the memory of runs cannot be written: {e}")))).await?;
    tracing::info!(run = id, who = %ends.peer.ip(), "accepted as the baseline");
    app.shared.events.tell("accepted", &serde_json::json!({ "id": id }));
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// Work that reads files or computes, beside the event loop.
async fn aside<T: Send + 'static>(work: impl FnOnce() -> Result<T, Problem> + Send + 'static) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| Err(Problem::broken("the work behind this request broke; see the log")))
}

/// The directory of a kept run.
fn dir_of(app: &App, id: &str) -> Result<std::path::PathBuf, Problem> {
    // only ids from the list reach the file system
    let known = kept::is_id(id) && app.shared.live().kept.iter().any(|k| k.id == id);
    if known { Ok(app.shared.runs_dir().join(id)) } else { Err(unknown()) }
}

fn refused(error: ToolError) -> Problem {
    match error {
        ToolError::Refused(why) => Problem::conflict(why),
        ToolError::Broken(why) => Problem::broken(why),
    }
}

/// A file for the browser to save.
fn saved(id: &str, name: &str, media: &str, bytes: Vec<u8>) -> Answered {
    let save = format!("attachment; filename=\"signproof-{id}{name}\"");
    Ok(([(header::CONTENT_TYPE, media.to_owned()), (header::CONTENT_DISPOSITION, save)], bytes).into_response())
}

async fn ticket_zip(
    State(app): State<App>,
    Path(id): Path<String>,
    query: Result<Query<TicketQuery>, axum::extract::rejection::QueryRejection>,
) -> Answered {
    let Query(query) = query.map_err(|e| Problem::bad(e.body_text()))?;
    if query.symptom.as_ref().is_some_and(|s| s.len() > 4096) {
        return Err(Problem::bad("`symptom` has at most 4096 bytes"));
    }
    let dir = dir_of(&app, &id)?;
    let state = app.shared.config().state().to_owned();
    let zip = aside(move || {
        let symptom = query.symptom.as_deref().filter(|s| !s.trim().is_empty());
        tool::ticket(&dir, symptom, query.redact.unwrap_or(false), &state).map_err(refused)
    });
    saved(&id, ".zip", "application/zip", zip.await?)
}

type Compared = Result<Query<CompareQuery>, axum::extract::rejection::QueryRejection>;

async fn comparison(app: &App, id: &str, query: Compared, format: &'static str, media: &'static str) -> Answered {
    let Query(query) = query.map_err(|e| Problem::bad(e.body_text()))?;
    let (before, after) = (dir_of(app, &query.with)?, dir_of(app, id)?);
    let text = aside(move || tool::compare(&before, &after, format).map_err(refused)).await?;
    Ok(([(header::CONTENT_TYPE, media)], text).into_response())
}

async fn compare(State(app): State<App>, Path(id): Path<String>, query: Compared) -> Answered {
    comparison(&app, &id, query, "json", JSON).await
}

async fn compare_text(State(app): State<App>, Path(id): Path<String>, query: Compared) -> Answered {
    comparison(&app, &id, query, "text", "text/plain; charset=utf-8").await
}

/// A file of a kept run, for the browser to show or to save.
async fn file(app: &App, id: &str, name: &str, media: &'static str, save_as: Option<&str>) -> Answered {
    let path = dir_of(app, id)?.join(name);
    let mut response = stream::file(path, media).await?;
    if let Some(value) = save_as.and_then(|n| HeaderValue::from_str(&format!("attachment; filename=\"signproof-{id}-{n}\"")).ok()) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    Ok(response)
}

async fn report_json(State(app): State<App>, Path(id): Path<String>) -> Answered {
    file(&app, &id, "report.json", JSON, None).await
}

async fn report_html(State(app): State<App>, Path(id): Path<String>) -> Answered {
    let mut response = file(&app, &id, "report.html", "text/html; charset=utf-8", None).await?;
    let policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox";
    response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    Ok(response)
}

async fn journal(State(app): State<App>, Path(id): Path<String>) -> Answered {
    file(&app, &id, JOURNAL, "application/x-ndjson", Some("journal.jsonl")).await
}

async fn run_readings(State(app): State<App>, Path(id): Path<String>) -> Answered {
    let dir = dir_of(&app, &id)?;
    let csv = aside(move || tool::readings(&dir).map_err(refused));
    saved(&id, "-readings.csv", CSV, csv.await?)
}

async fn build(State(app): State<App>) -> Answered {
    let loaded = app.shared.loaded();
    let b = &loaded.build;
    let word = |up: crate::build::Up| serde_json::to_value(up).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default();
    let places = drawing::places(b);
    let all = drawing::placed(b, drawing::View::Front);
    let panels = b.panels.iter().zip(&all).map(|(p, placed)| PanelView {
        port: p.port,
        position: p.position,
        at: p.at,
        size: placed.size.map(|pixels| pixels as u16),
        place: places.iter().position(|&k| k == placed.panel).map_or(0, |k| k + 1),
        up: word(p.up),
        feed: b.feeds[p.feed].name.clone(),
    });
    json(&BuildView {
        name: b.sign.name.clone(),
        serial: b.sign.serial.clone(),
        digest: loaded.digest.clone(),
        wall: b.wall_size(),
        panels: panels.collect(),
        text: loaded.source.clone(),
    })
}

async fn desk(State(app): State<App>) -> Answered {
    json(&app.shared.loaded().desk)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WallQuery {
    frame: Option<String>,
}

async fn wall(State(app): State<App>, query: Result<Query<WallQuery>, axum::extract::rejection::QueryRejection>) -> Answered {
    let Query(query) = query.map_err(|e| Problem::bad(e.body_text()))?;
    let frame = match query.frame {
        Some(text) => serde_json::from_str(&text).map_err(|e| Problem::bad(format!("`frame` is not a frame: {e}")))?,
        None => app.shared.live().run.as_ref().map_or(FrameSpec::Black, |r| r.frame),
    };
    let loaded = app.shared.loaded();
    if !drawing::drawable(&loaded.build, &frame) {
        return Err(Problem::bad("`frame` names a panel or level that this build has not"));
    }
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], drawing::lit(&loaded.build, &frame)).into_response())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MarkQuery {
    port: u8,
    position: u8,
}

async fn mark(State(app): State<App>, query: Result<Query<MarkQuery>, axum::extract::rejection::QueryRejection>) -> Answered {
    let Query(MarkQuery { port, position }) = query.map_err(|e| Problem::bad(e.body_text()))?;
    let loaded = app.shared.loaded();
    let search = find_map::Search::new(&loaded.build).map_err(Problem::conflict)?;
    if search.probe().panel_at(port, position).is_none() {
        return Err(Problem::bad("no such port, or the sign has not that many panels"));
    }
    let svg = drawing::lit_panel(&search.mark(port, position), &format!("the mark of port {port} position {position}, arrow up"));
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response())
}

async fn watch_days(State(app): State<App>) -> Answered {
    json(&WatchDays { days: watch::days(&app.shared.watch_dir()) })
}

async fn watch_day(State(app): State<App>, Path(day): Path<String>) -> Answered {
    let dir = app.shared.watch_dir();
    if !watch::days(&dir).contains(&day) {
        return Err(Problem::missing("there are no rows of that day; /api/v1/watch lists the days there are"));
    }
    stream::file(dir.join(format!("{day}.csv")), CSV).await
}

async fn metrics_text(State(app): State<App>) -> Answered {
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], metrics::text(&app.shared)).into_response())
}

async fn openapi_json() -> Answered {
    json(&openapi::document(&routes()))
}
