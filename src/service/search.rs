//! The search for the map on the rig's thread.

use super::live::{Loaded, Phase, RunNow, Shared};
use super::map;
use super::on_page::on_page;
use super::worker::{Hands, say_lines};
use crate::event::{Ending, Stage};
use crate::find_map;
use serde_json::json;
use std::sync::Arc;

/// Finds which port and position is where. No run: nothing is judged and nothing is remembered but what was found.
pub fn search(shared: &Arc<Shared>, hands: &dyn Hands) {
    let loaded = shared.loaded();
    let id = crate::rig::new_run_id();
    {
        let mut live = shared.live();
        live.phase = Phase::Running;
        live.need = None;
        let title = "each port and position in turn".to_owned();
        live.run = Some(RunNow { search: true, stage: Stage::Marks, title, ..RunNow::begun(id, shared.stopped().is_some()) });
    }
    say_lines(shared, "driven by the search for the map");
    tracing::info!("the search for the map begins");
    shared.events.tell("search", &json!({ "state": "begun" }));
    let found = find(shared, hands, &loaded);
    let map = match found {
        Ok(map) => map,
        Err(why) => map::without(shared, vec![why]),
    };
    tracing::info!(wrong = map.wrong.len(), advice = map.advice.len(), "the search for the map ended");
    let told = json!({ "state": "ended", "wrong": map.wrong, "advice": map.advice });
    map::keep(shared, map);
    {
        let mut live = shared.live();
        live.run = None;
        live.misplaced = false;
    }
    shared.clear_stop();
    shared.events.tell("search", &told);
}

fn find(shared: &Arc<Shared>, hands: &dyn Hands, loaded: &Loaded) -> Result<map::FoundMap, String> {
    let mut rig = on_page(shared, hands.run(&loaded.build)?.rig);
    match find_map::find(&loaded.build, &mut rig, &|| shared.stopped()) {
        Ok(Ok(found)) => Ok(map::of(shared, &loaded.build, &loaded.source, &found)),
        Ok(Err(reasons)) => Ok(map::without(shared, reasons)),
        Err(Ending::Stopped(cause)) => Err(format!("stopped, wall dark: {}", cause.text(&loaded.build))),
        Err(Ending::Broken { message }) => Err(message),
        Err(Ending::Completed) => Err("the search ended without a result".to_owned()),
    }
}
