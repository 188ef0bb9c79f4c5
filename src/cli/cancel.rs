//! SIGINT and SIGTERM as a question that the executor may ask at any time.

use std::sync::{Arc, OnceLock};

/// Starts listening; the returned function names the signal once one has come.
pub fn listen() -> std::io::Result<impl Fn() -> Option<String>> {
    let seen: Arc<OnceLock<&'static str>> = Arc::new(OnceLock::new());
    let inside = Arc::clone(&seen);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    // registered before any line is driven
    let (mut interrupt, mut terminate) = {
        let _guard = runtime.enter();
        use tokio::signal::unix::{SignalKind, signal};
        (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?)
    };
    std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
        runtime.block_on(async move {
            let name = tokio::select! {
                _ = interrupt.recv() => "SIGINT",
                _ = terminate.recv() => "SIGTERM",
            };
            let _ = inside.set(name);
        });
    })?;
    Ok(move || seen.get().map(|s| (*s).to_owned()))
}
