//! Answers that take time: events as they happen, files in pieces.

use super::doors::App;
use super::events::{Since, Told};
use super::problem::Problem;
use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::io::Read;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::watch;

/// Events fetched at once.
const AT_ONCE: usize = 64;
/// A comment keeps a quiet stream alive this often.
const ALIVE: Duration = Duration::from_secs(10);
/// Connections that streams must leave to others.
const LEFT: u64 = 16;
const PIECE: usize = 64 * 1024;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct After {
    after: Option<String>,
}

/// Counts itself among the open streams as long as it lives.
struct Counted(App);

impl Drop for Counted {
    fn drop(&mut self) {
        self.0.shared.counters.streams.fetch_sub(1, Ordering::Relaxed);
    }
}

struct Listener {
    app: Counted,
    seen: u64,
    news: watch::Receiver<u64>,
    ending: watch::Receiver<bool>,
    waiting: VecDeque<Arc<Told>>,
    /// Said first: from where this stream goes on, or that events are gone.
    first: Option<Event>,
}

impl Listener {
    fn gone(&mut self, last: u64) -> Event {
        self.seen = last;
        Event::default().event("gone").id(self.app.0.shared.events.id(last)).data("{}")
    }

    async fn next(mut self) -> Option<(Result<Event, Infallible>, Self)> {
        if let Some(first) = self.first.take() {
            return Some((Ok(first), self));
        }
        loop {
            if let Some(told) = self.waiting.pop_front() {
                let event = Event::default().event(told.kind).id(self.app.0.shared.events.id(told.number)).data(&told.data);
                return Some((Ok(event), self));
            }
            self.news.mark_unchanged();
            match self.app.0.shared.events.since(self.seen, AT_ONCE) {
                Since::Gone(last) => {
                    let event = self.gone(last);
                    return Some((Ok(event), self));
                }
                Since::These(list) if list.is_empty() => {
                    tokio::select! {
                        changed = self.news.changed() => changed.ok()?,
                        _ = self.ending.wait_for(|e| *e) => return None,
                    }
                }
                Since::These(list) => {
                    self.seen = list.last().map_or(self.seen, |e| e.number);
                    self.waiting.extend(list);
                }
            }
        }
    }
}

/// `GET /api/v1/events`
pub(super) async fn events(
    State(app): State<App>,
    headers: HeaderMap,
    query: Result<Query<After>, axum::extract::rejection::QueryRejection>,
) -> Result<Response, Problem> {
    let Query(query) = query.map_err(|e| Problem::bad(e.body_text()))?;
    let most = (app.shared.config().http.connections as u64).saturating_sub(LEFT).max(2);
    if app.shared.counters.streams.fetch_add(1, Ordering::Relaxed) >= most {
        app.shared.counters.streams.fetch_sub(1, Ordering::Relaxed);
        app.shared.counters.refuse("streams");
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "too-many-streams", "too many event streams are open; close one"));
    }
    let log = &app.shared.events;
    let id = headers.get("last-event-id").and_then(|v| v.to_str().ok()).map(str::to_owned).or(query.after);
    let last = log.last();
    let mut listener = Listener {
        seen: last,
        news: log.subscribe(),
        ending: app.ending.clone(),
        waiting: VecDeque::new(),
        first: None,
        app: Counted(app.clone()),
    };
    listener.first = match id.map(|id| log.number(&id)) {
        Some(Some(number)) => {
            listener.seen = number;
            None
        }
        // an id of another boot
        Some(None) => Some(listener.gone(last)),
        None => Some(Event::default().event("hello").id(log.id(last)).data("{}")),
    };
    let stream = futures_util::stream::unfold(listener, Listener::next);
    Ok(Sse::new(stream).keep_alive(KeepAlive::new().interval(ALIVE)).into_response())
}

/// A file, read in pieces beside the event loop.
pub(super) async fn file(path: PathBuf, media: &'static str) -> Result<Response, Problem> {
    let opened = tokio::task::spawn_blocking(move || std::fs::File::open(path)).await;
    let Ok(Ok(file)) = opened else { return Err(Problem::missing("this file is not there")) };
    let pieces = futures_util::stream::unfold(Some(file), |file| async move {
        let mut file = file?;
        let read = tokio::task::spawn_blocking(move || {
            let mut piece = vec![0; PIECE];
            let n = file.read(&mut piece)?;
            piece.truncate(n);
            Ok::<_, std::io::Error>((file, piece))
        })
        .await;
        match read {
            Ok(Ok((_, piece))) if piece.is_empty() => None,
            Ok(Ok((file, piece))) => Some((Ok(Bytes::from(piece)), Some(file))),
            Ok(Err(error)) => Some((Err(error), None)),
            Err(error) => Some((Err(std::io::Error::other(error)), None)),
        }
    });
    Ok(([(header::CONTENT_TYPE, media)], Body::from_stream(pieces)).into_response())
}
