//! The daemon in the sign: first power-up by itself, a page for the phone, a watch on the supply.
//!
//! One thread owns the rig and blocks ([`worker`]); one event loop serves the page and feeds the watchdog. Between them
//! stand [`live::Shared`] (what is going on) and [`events::EventLog`] (what happened).

pub mod api;
pub mod code;
pub mod config;
pub mod doors;
pub mod events;
mod execute;
mod handed_in;
mod http;
mod kept;
pub mod live;
mod map;
pub mod memory;
mod metrics;
mod on_page;
mod openapi;
mod page;
mod person;
mod problem;
mod search;
mod shapes;
mod stream;
pub mod token;
mod tool;
pub mod watch;
pub mod worker;

use config::Config;
use doors::App;
use live::{Command, Loaded, Phase, Shared, Wanted};
use memory::Next;
use sd_notify::NotifyState;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{oneshot, watch as signal_all};
use worker::Hands;

/// Time between two looks at what changed.
const TICK: Duration = Duration::from_millis(500);
/// A run in its last moments is given this long to end.
const LAST_WAIT: Duration = Duration::from_secs(20);

/// What the daemon is started with.
pub struct Options {
    /// The configuration file, read again on SIGHUP.
    pub file: PathBuf,
    /// Its content.
    pub config: Config,
    /// The build it names.
    pub loaded: Loaded,
    /// True where no real sign is attached.
    pub simulated: bool,
    /// What is driven and read.
    pub hands: Box<dyn Hands>,
    /// True where new tokens may be printed on stderr.
    pub console: bool,
}

/// Why the daemon ended otherwise than asked.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// The rig, the network or the disk.
    #[error("{0}")]
    Outside(String),
    /// The daemon itself.
    #[error("{0}")]
    Bug(String),
}

/// File of the tokens.
pub fn token_file(config: &Config) -> PathBuf {
    config.state().join("tokens.toml")
}

type Ended = std::thread::Result<()>;

/// Runs the daemon until it is asked to end.
///
/// # Errors
/// Where the rig cannot be opened, the address cannot be listened on, or a part of the daemon breaks.
pub fn serve(options: Options) -> Result<(), Trouble> {
    let outside = |what: &str, e: &dyn std::fmt::Display| Trouble::Outside(format!("{what}: {e}"));
    std::fs::create_dir_all(options.config.state())
        .map_err(|e| outside(&format!("{}: the state directory cannot be made", options.config.state().display()), &e))?;
    let lock = std::fs::File::create(options.config.state().join("lock")).map_err(|e| outside("the state directory's lock", &e))?;
    lock.try_lock().map_err(|e| outside("another daemon uses this state directory; end it first", &e))?;
    let (shared, commands) = Shared::new(options.config, options.loaded, options.simulated);
    let (ready, is_ready) = oneshot::channel();
    let (ended, has_ended) = oneshot::channel::<Ended>();
    let (owner, hands) = (Arc::clone(&shared), options.hands);
    // before anything else: the lines go dark
    std::thread::Builder::new()
        .name("rig".to_owned())
        .spawn(move || {
            let work = AssertUnwindSafe(|| worker::work(&owner, hands.as_ref(), &commands, |next| drop(ready.send(next))));
            let _ = ended.send(catch_unwind(work));
        })
        .map_err(|e| outside("starting the rig's thread", &e))?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(4)
        .build()
        .map_err(|e| outside("starting the event loop", &e))?;
    let result = runtime.block_on(live_on(&shared, &options.file, options.console, is_ready, has_ended));
    // a file that is being sent is no reason to stay
    runtime.shutdown_timeout(Duration::from_secs(1));
    drop(lock);
    result
}

fn notify(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::warn!(%error, "the service manager cannot be told");
    }
}

async fn live_on(
    shared: &Arc<Shared>,
    file: &std::path::Path,
    console: bool,
    is_ready: oneshot::Receiver<Next>,
    mut has_ended: oneshot::Receiver<Ended>,
) -> Result<(), Trouble> {
    let listen = |kind| signal(kind).map_err(|e| Trouble::Outside(format!("listening for signals: {e}")));
    let (mut term, mut int, mut hup) = (listen(SignalKind::terminate())?, listen(SignalKind::interrupt())?, listen(SignalKind::hangup())?);
    let config = shared.config();
    let next = is_ready.await.map_err(|_| Trouble::Bug("the rig's thread ended before it was ready".to_owned()))?;
    let tokens = if config.http.needs_token() { Some(Arc::new(tokens(&config, console)?)) } else { None };
    let listener = tokio::net::TcpListener::bind(config.http.listen)
        .await
        .map_err(|e| Trouble::Outside(format!("listening on {}: {e}; choose another `listen` in the configuration", config.http.listen)))?;
    let address = listener.local_addr().map_err(|e| Trouble::Outside(e.to_string()))?;
    let (ending, is_ending) = signal_all::channel(false);
    let app = App { shared: Arc::clone(shared), tokens, rates: Arc::default(), ending: is_ending };
    let page = tokio::spawn(http::serve(listener, api::router(app.clone()), app));
    if console {
        let mark = if shared.simulated { "SIMULATED: no real sign is attached\n" } else { "" };
        eprintln!("{mark}page: http://{address}/");
    }
    tracing::info!(%address, simulated = shared.simulated, "serving");
    notify(&[NotifyState::Ready, NotifyState::Status("watching the supply")]);
    if next == Next::Begin {
        let wanted = Wanted {
            id: crate::rig::new_run_id(),
            place: crate::event::PlaceOfRun::Bench,
            note: "first power-up, begun by itself".to_owned(),
            ambient_c: None,
            stages: None,
        };
        shared.begin(Command::Begin(wanted));
    }
    let dog = tokio::spawn(feed(Arc::clone(shared)));
    let mut tick = tokio::time::interval(TICK);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let (mut told, mut status, mut reload) = (0, String::new(), false);
    let result = loop {
        tokio::select! {
            _ = tick.tick() => {
                told = tell_supply(shared, told);
                tell_status(shared, &mut status);
                if reload && shared.live().phase == Phase::Watching {
                    reload = false;
                    read_again(shared, file).await;
                }
            }
            _ = hup.recv() => reload = true,
            _ = term.recv() => break Ok(()),
            _ = int.recv() => break Ok(()),
            ended = &mut has_ended => break verdict(ended.ok()),
        }
    };
    notify(&[NotifyState::Stopping]);
    dog.abort();
    let result = if result.is_ok() {
        if shared.live().run.is_some() || shared.live().phase == Phase::Running {
            shared.stop(worker::DAEMON_ENDS);
        }
        shared.command(Command::Quit);
        match tokio::time::timeout(LAST_WAIT, has_ended).await {
            Ok(ended) => verdict(ended.ok()),
            Err(_) => Err(Trouble::Bug("the rig's thread does not end".to_owned())),
        }
    } else {
        result
    };
    let _ = ending.send(true);
    let _ = tokio::time::timeout(Duration::from_millis(500), page).await;
    tracing::info!("ended");
    result
}

fn verdict(ended: Option<Ended>) -> Result<(), Trouble> {
    match ended {
        Some(Ok(())) => Ok(()),
        Some(Err(_)) | None => Err(Trouble::Bug("the rig's thread broke; the wall was blanked".to_owned())),
    }
}

fn tokens(config: &Config, console: bool) -> Result<token::Tokens, Trouble> {
    let file = token_file(config);
    let (tokens, made) = token::Tokens::load_or_make(&file).map_err(Trouble::Outside)?;
    if made && console {
        // the console only, never the log
        eprint!("{}", tokens.show());
    } else if made {
        tracing::info!(file = %file.display(), "tokens were made; `signproof serve --show-token` shows them");
    }
    Ok(tokens)
}

/// Tells the last readings where there are new ones; returns how far it told.
fn tell_supply(shared: &Shared, told: u64) -> u64 {
    let progress = shared.progress.load(Ordering::Relaxed);
    if progress != told {
        let points = shared.live().points.clone();
        shared.events.tell("supply", &serde_json::json!({ "points": points }));
    }
    progress
}

fn tell_status(shared: &Shared, before: &mut String) {
    let now = {
        let live = shared.live();
        let simulated = if shared.simulated { "SIMULATED: " } else { "" };
        match (&live.run, &live.need) {
            (Some(run), _) if run.search => format!("{simulated}searching for the map"),
            (Some(run), _) if run.question.is_some() => format!("{simulated}run {}: waiting for the witness", run.id),
            (Some(run), _) => format!("{simulated}run {}: {}", run.id, run.stage.word()),
            (None, Some(need)) => format!("{simulated}waiting for a person: {need}"),
            (None, None) => format!("{simulated}watching the supply"),
        }
    };
    if now != *before {
        notify(&[NotifyState::Status(&now)]);
        *before = now;
    }
}

/// A run is judged at one go; a slow board may take this many feedings for it.
const JUDGING_FEEDS: u32 = 12;

/// Decides whether the watchdog is fed: only where something came back since the last time, so that a hung rig starves it.
#[derive(Default)]
struct Dog {
    fed: Option<u64>,
    judging: u32,
}

impl Dog {
    fn due(&mut self, progress: u64, judging: bool) -> bool {
        if self.fed.replace(progress) != Some(progress) {
            self.judging = 0;
            return true;
        }
        self.judging += 1;
        judging && self.judging <= JUDGING_FEEDS
    }
}

async fn feed(shared: Arc<Shared>) {
    let Some(limit) = sd_notify::watchdog_enabled() else { return };
    let mut tick = tokio::time::interval(limit / 3);
    let mut dog = Dog::default();
    loop {
        tick.tick().await;
        let judging = shared.live().phase == Phase::Judging || shared.catching_up.load(Ordering::Relaxed);
        if dog.due(shared.progress.load(Ordering::Relaxed), judging) {
            notify(&[NotifyState::Watchdog]);
        }
    }
}

async fn read_again(shared: &Arc<Shared>, file: &std::path::Path) {
    let path = file.to_owned();
    let read = tokio::task::spawn_blocking(move || {
        let config = Config::read(&path)?;
        let loaded = Loaded::read(&config.build)?;
        Ok::<_, String>((config, loaded))
    })
    .await;
    match read {
        Ok(Ok((config, loaded))) => {
            let before = shared.config();
            if config.http.listen != before.http.listen || config.http.token != before.http.token || config.state() != before.state() {
                tracing::warn!("`listen`, `token`, `state_dir` and the rig change only with a restart");
            }
            let mut config = config;
            config.http.listen = before.http.listen;
            config.http.token = before.http.token;
            config.state_dir.clone_from(&before.state_dir);
            shared.reload(config, loaded);
            shared.command(Command::Reload);
            shared.events.tell("reloaded", &serde_json::json!({}));
            tracing::info!("configuration and build read again");
        }
        Ok(Err(why)) => tracing::error!(why, "the configuration is not usable: the old one stays"),
        Err(error) => tracing::error!(%error, "the configuration cannot be read"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rig_that_gives_nothing_back_starves_the_watchdog() {
        let mut dog = Dog::default();
        assert!(dog.due(0, false), "the start counts");
        assert!(dog.due(3, false));
        assert!(!dog.due(3, false) && !dog.due(3, false), "hung");
        assert!(dog.due(4, false), "it goes on");
        assert!(dog.due(4, true), "judging takes its time");
        assert_eq!((0..100).filter(|_| dog.due(4, true)).count() as u32, JUDGING_FEEDS - 1, "but not for ever");
    }
}
