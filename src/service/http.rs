//! Connections: a bounded number, each with a bounded head and a bounded time for it.

use super::doors::{App, Ends};
use super::problem::Problem;
use axum::Router;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use hyper::service::Service;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// Bytes of a request's head.
const HEAD_BYTES: usize = 16 * 1024;
const HEADERS: usize = 64;

/// Serves until the daemon ends.
pub async fn serve(listener: TcpListener, router: Router, app: App) {
    let config = app.shared.config();
    let room = Arc::new(Semaphore::new(config.http.connections));
    let patience = Duration::from_secs_f64(config.http.patience_s);
    let mut ending = app.ending.clone();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = ending.wait_for(|e| *e) => return,
        };
        let Ok((stream, peer)) = accepted else {
            // out of descriptors, for example: the listener stays, a moment later there may be some
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        let Ok(permit) = Arc::clone(&room).try_acquire_owned() else {
            super::doors::refuse(&app, peer.ip(), "", "connections");
            continue;
        };
        let Ok(local) = stream.local_addr() else { continue };
        let _ = stream.set_nodelay(true);
        let inner = TowerToHyperService::new(router.clone());
        let app = app.clone();
        tokio::spawn(async move {
            app.shared.counters.connections.fetch_add(1, Ordering::Relaxed);
            let mut http = hyper::server::conn::http1::Builder::new();
            http.timer(TokioTimer::new()).header_read_timeout(patience).max_buf_size(HEAD_BYTES).max_headers(HEADERS);
            let service = hyper::service::service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
                request.extensions_mut().insert(Ends { peer, local });
                inner.call(request)
            });
            let connection = http.serve_connection(TokioIo::new(stream), service);
            tokio::pin!(connection);
            let mut ending = app.ending.clone();
            let done = tokio::select! {
                done = connection.as_mut() => Some(done),
                () = async { drop(ending.wait_for(|e| *e).await) } => None,
            };
            let done = match done {
                Some(done) => done,
                None => {
                    connection.as_mut().graceful_shutdown();
                    connection.await
                }
            };
            if done.as_ref().is_err_and(hyper::Error::is_timeout) {
                super::doors::refuse(&app, peer.ip(), "", "slow");
            } else if done.as_ref().is_err_and(hyper::Error::is_parse) {
                super::doors::refuse(&app, peer.ip(), "", "malformed");
            }
            app.shared.counters.connections.fetch_sub(1, Ordering::Relaxed);
            drop(permit);
        });
    }
}

/// Nothing is here.
pub async fn nothing() -> impl IntoResponse {
    Problem::missing("there is nothing at this address; /api/v1/openapi.json lists what there is")
}

/// Not this way.
pub async fn not_this_way() -> impl IntoResponse {
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, "wrong-method", "this address does not take this method; see /api/v1/openapi.json")
}
