"use strict";
// Follows the daemon: one status, one stream of events. Everything is asked from this board, nothing from elsewhere.
const $ = (id) => document.getElementById(id);
const api = (path) => "/api/v1/" + path;
let status = JSON.parse($("status").textContent);
let build = null, question = 0, said = [], runsSeen = "", asking = null, again = false;

const put = (id, text) => { const e = $(id); if (e.textContent !== text) e.textContent = text; };
const say = (text) => put("say", text);
const el = (name, text, className) => { const e = document.createElement(name); if (text !== undefined) e.textContent = text; if (className) e.className = className; return e; };
const panelName = (p) => `port ${p.port} position ${p.position}`;

async function get(path) {
  const r = await fetch(api(path), { headers: { Accept: "application/json" } });
  if (r.status === 401) { location.href = "/login"; }
  if (!r.ok) throw new Error(`${r.status}`);
  return r.json();
}
async function post(path, body) {
  const r = await fetch(api(path), { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  if (!r.ok) { const p = await r.json().catch(() => ({})); throw new Error(p.detail || `refused (${r.status})`); }
}

// ---- what is shown
const HANDED = { pass: "✔", fail: "✕", marginal: "≈", "not-proven": "not done" };
const PHASES = { starting: "starting", watching: "watching the supply", running: "a run goes on", asking: "a run waits for your answer", judging: "the run is judged" };

function render() {
  const s = status, run = s.run;
  put("phase", PHASES[s.phase] || s.phase);
  const frame = run ? JSON.stringify(run.frame) : '"black"';
  const source = api("wall.svg?frame=" + encodeURIComponent(frame));
  if ($("picture").getAttribute("src") !== source) $("picture").src = source;
  // where a mark is, is what a search asks
  const title = run && run.search ? "one mark alone, somewhere" : run ? run.frame_title + (run.alternating ? ", in turn with black" : "") : "black";
  put("frame", title);
  $("picture").alt = "should be on the wall now: " + title;
  $("done").hidden = !run || run.search;
  if (run) $("done").value = run.done;
  put("step", run ? progress(run).join(" · ") : "");
  $("stop").hidden = !run || !s.may_act;
  renderQuestion(run && run.question);
  $("need").hidden = !(s.need && !run);
  put("why", s.need || "");
  $("accept").hidden = !(s.acceptable && s.may_act);
  $("astray").hidden = !(s.misplaced && !run && s.may_act && s.may_begin);
  renderPaper(s.handed_in);
  for (const id of ["seek-now", "seek-again"]) $(id).disabled = !!run || s.phase !== "watching";
  $("seek-again").hidden = !s.may_act || !s.may_begin;
  $("begin").hidden = !!run || !s.may_act || !s.may_begin || s.phase !== "watching";
  put("lines-state", s.lines);
  renderSupply(s.points);
  $("found").hidden = !s.findings.length;
  $("findings").replaceChildren(...s.findings.map((f) => {
    const li = el("li");
    const todo = el("ul");
    todo.append(...f.remedy.map((r) => el("li", r)));
    li.append(el("b", f.title), ` (${Math.round(f.probability * 100)} %)`, todo);
    return li;
  }));
}

// the step's title only where the picture's does not say it already
function progress(run) {
  const where = run.search ? ["search for the map"] : run.steps ? [run.stage, `step ${run.step + 1} of ${run.steps}`] : [];
  return [...where, ...(run.title === run.frame_title ? [] : [run.title]), ...(run.stopping ? ["stopping"] : [])];
}

function renderSupply(points) {
  const dl = $("supply");
  if (dl.childElementCount !== points.length * 3) {
    dl.replaceChildren(...points.flatMap((p) => {
      const range = el("dd", undefined, "range"), bar = el("div", undefined, "bar");
      bar.append(el("i"));
      range.append(bar, el("span", "", "soft"));
      return [el("dt", p.sense), el("dd"), range];
    }));
  }
  points.forEach((p, i) => {
    const [, value, range] = [0, 1, 2].map((k) => dl.children[3 * i + k]);
    const alarm = p.alarm ? ` ⚠ ${p.alarm}` : "";
    value.textContent = (p.value === null ? "–" : p.value.toFixed(3) + " " + p.unit) + alarm;
    value.className = p.alarm ? "alarm" : "";
    const [bar, words] = range.children;
    bar.hidden = !p.window || p.value === null;
    words.textContent = p.value === null ? p.missing || "" : p.window ? `window ${p.window[0].toFixed(2)} to ${p.window[1].toFixed(2)} ${p.unit}` : "";
    if (!bar.hidden) {
      const share = (p.value - p.window[0]) / (p.window[1] - p.window[0]);
      bar.firstChild.style.left = Math.min(100, Math.max(0, share * 100)) + "%";
    }
  });
}

// ---- the witness
function renderQuestion(q) {
  const open = !!q && status.may_act;
  $("ask").hidden = !open;
  if (!open) { question = 0; overlay(false); return; }
  if (q.id === question) return;
  question = q.id;
  said = [];
  put("question", q.text);
  put("ask-head", q.about === "joint" ? "Measure the hottest joint" : "Look at the sign");
  $("answers").hidden = q.about !== "wall";
  $("joint").hidden = q.about !== "joint";
  $("seek").hidden = q.about !== "place";
  if (q.mark) {
    $("mark").src = api(`mark.svg?port=${q.mark[0]}&position=${q.mark[1]}`);
    // nothing is taken for said that was not
    $("seek-place").value = "";
    $("seek-way").value = "0";
    $("mark").alt = `the mark ${q.mark[0]}·${q.mark[1]} with its arrow up`;
  }
  put("trouble", "");
  if (q.about === "wall") closeDiffer(); else { $("differ").hidden = true; overlay(q.about === "place"); }
  say("Question: " + q.text);
  setBusy(false);
}
function setBusy(busy) { for (const id of ["as-shown", "differs", "send", "joint-send", "joint-none", "seek-send", "seek-none"]) $(id).disabled = busy; if (!busy) $("send").disabled = !said.length; }
const answer = (what) => send(`runs/${status.run.id}/witness`, { answer: what });
async function send(path, body) {
  setBusy(true);
  put("trouble", "");
  try {
    await post(path, { question, ...body });
    say("Answer taken.");
    refresh();
  } catch (e) {
    put("trouble", "Not taken: " + e.message);
    setBusy(false);
    refresh();
  }
}
function closeDiffer() { $("differ").hidden = true; $("answers").hidden = false; $("differs").setAttribute("aria-expanded", "false"); overlay(false); listSaid(); }
function overlay(on) {
  for (const b of $("wall").querySelectorAll("button")) b.remove();
  if (!on || !build) return;
  // where a mark is looked for, the wall has places; what hangs there is the question
  const seek = !$("seek").hidden, chosen = $(seek ? "seek-place" : "panel");
  build.panels.forEach((p, i) => {
    const b = el("button", seek ? String(p.place) : `${p.port}·${p.position}`), [w, h] = build.wall;
    b.type = "button";
    b.setAttribute("aria-label", seek ? `place ${p.place}` : `panel ${p.port}·${p.position}, ${panelName(p)}`);
    b.setAttribute("aria-pressed", String(chosen.value === String(i)));
    b.style.cssText = `left:${100 * p.at[0] / w}%;top:${100 * p.at[1] / h}%;width:${100 * p.size[0] / w}%;height:${100 * p.size[1] / h}%`;
    b.addEventListener("click", () => { chosen.value = String(i); overlay(true); $(seek ? "seek-way" : "seen").focus(); });
    $("wall").append(b);
  });
}
function listSaid() {
  $("said").replaceChildren(...said.map((d, i) => {
    const li = el("li", `${panelName(d)}: ${d.text} `), b = el("button", "Remove");
    b.type = "button";
    b.addEventListener("click", () => { said.splice(i, 1); listSaid(); });
    li.append(b);
    return li;
  }));
  $("send").disabled = !said.length;
}
function showDetail() {
  const kind = $("seen").value;
  for (const e of $("differ").querySelectorAll("[data-for]")) e.hidden = e.dataset.for !== (kind === "rows" || kind === "columns" ? "lines" : kind);
}
function seenNow() {
  const kind = $("seen").value, value = (id) => $(id).value.trim();
  const lines = () => { const l = (value("lines").match(/[0-9]+/g) || []).map(Number); if (!l.length) throw new Error("say which, by number"); return l; };
  switch (kind) {
    case "dark": return ["dark", "dark"];
    case "turned": return [{ turned: { degrees: Number(value("degrees")) } }, `turned by ${value("degrees")}°`];
    case "place": { const p = build.panels[Number(value("other-panel"))]; return [{ "picture-of": { port: p.port, position: p.position } }, "shows the picture of " + panelName(p)]; }
    case "colour": return [{ "wrong-colour": { expected: value("expected"), seen: value("colour") } }, `${value("colour")} instead of ${value("expected")}`];
    case "rows": return [{ rows: lines() }, "rows " + lines().join(", ")];
    case "columns": return [{ columns: lines() }, "columns " + lines().join(", ")];
    default: if (!value("words")) throw new Error("say what, in words"); return [{ other: value("words") }, value("words")];
  }
}
$("as-shown").addEventListener("click", () => answer("as-shown"));
$("differs").addEventListener("click", () => {
  $("answers").hidden = true; $("differ").hidden = false; $("differs").setAttribute("aria-expanded", "true");
  overlay(true); showDetail(); $("panel").focus();
  $("now").scrollIntoView({ block: "start" });
});
$("back").addEventListener("click", () => { said = []; closeDiffer(); $("differs").focus(); });
$("seen").addEventListener("change", showDetail);
$("panel").addEventListener("change", () => overlay(true));
$("add").addEventListener("click", () => {
  try {
    const p = build.panels[Number($("panel").value)], [seen, text] = seenNow();
    said.push({ port: p.port, position: p.position, seen, text });
    put("trouble", "");
    listSaid();
    say(`Noted: ${panelName(p)} ${text}`);
  } catch (e) { put("trouble", e.message); }
});
$("differ").addEventListener("submit", (e) => { e.preventDefault(); answer({ differs: said.map(({ port, position, seen }) => ({ port, position, seen })) }); });

// ---- the hottest joint, the place of a mark
const number = (id) => Number($(id).value);
const accuracy = (prefix) => ({ percent: number(prefix + "-percent"), digits: number(prefix + "-digits"), step: number(prefix + "-step") });
$("joint").addEventListener("submit", (e) => {
  e.preventDefault();
  send(`runs/${status.run.id}/joint`, { reading: { celsius: number("joint-c"), meter: $("joint-meter").value, accuracy: accuracy("joint"), who: $("joint-who").value } });
});
$("joint-none").addEventListener("click", () => send(`runs/${status.run.id}/joint`, { reading: null }));
$("seek").addEventListener("submit", (e) => { e.preventDefault(); send("map/place", { at: build.panels[number("seek-place")].at, degrees: number("seek-way") }); });
$("seek-none").addEventListener("click", () => send("map/place", { at: null }));
$("seek-place").addEventListener("change", () => overlay(true));
async function seek() {
  try { await post("map", {}); put("map-trouble", ""); scrollTo(0, 0); refresh(); } catch (e) { $("map").hidden = false; put("map-trouble", "Not begun: " + e.message); }
}
for (const id of ["seek-now", "seek-again"]) $(id).addEventListener("click", seek);
async function showMap() {
  const { found } = await get("map");
  $("map").hidden = !found && !status.may_act;
  if (!found) { put("map-state", "Not looked for yet: where each port and position is, and which way up."); return; }
  const when = `${found.found.replace("T", " ").slice(0, 16)} UTC${found.simulated ? " · SIMULATED" : ""}`;
  put("map-state", found.wrong.length ? `No complete map (${when}):` : found.advice.length ? `Found ${when}:` : `Found ${when}: the wall is connected as the build file says.`);
  $("map-advice").replaceChildren(...[...found.wrong, ...found.advice].map((t) => el("li", t)));
  $("map-seats").replaceChildren(...found.seats.map((s) => el("li", `port ${s.port} position ${s.position}: place ${s.place}, arrow ${s.up}`)));
  $("map-file").hidden = !found.build_file;
  $("map-diff").hidden = !found.diff;
  $("map-diff").querySelector("pre").textContent = found.diff;
}

// ---- the before-power checklist
function renderPaper(h) {
  const open = h ? h.judged.filter((j) => j.result === "not-proven").length : 0;
  put("paper-state", h ? `Handed in by ${h.who}, ${h.when}${open ? `, ${open} not done` : ""}: ${h.taken ? "in the run that goes on" : "for the next run"}. ${h.judged.map((j) => `${j.id} ${HANDED[j.result]}`).join(" · ")}` : "No checklist was handed in.");
  put("paper-stops", h && h.stops ? `The run stops: ${h.stops}` : "");
  $("paper").hidden = !status.may_act;
}
async function questions() {
  const view = await get("checklist");
  $("list").dataset.serial = view.serial;
  $("list-questions").replaceChildren(...view.questions.map((q) => {
    const set = el("fieldset", undefined, "item"), name = "q-" + q.id;
    set.append(el("legend", q.text + (q.licensed ? " (licensed person)" : "")));
    if (q.unit) {
      const input = el("input"), label = el("label", `${q.unit}${q.high !== null ? `, ${q.low.toFixed(2)} to ${q.high.toFixed(2)}` : `, at least ${q.low}`}`);
      Object.assign(input, { type: "number", step: "any", id: name, inputMode: "decimal" });
      input.dataset.reading = q.id;
      label.htmlFor = name;
      label.className = "soft";
      const box = el("div");
      box.style.clear = "both";
      box.append(label, input);
      set.append(box);
    } else {
      const choice = el("div", undefined, "choice");
      for (const [text, value] of [["Yes", "yes"], ["No", "no"], ["Not done", ""]]) {
        const label = el("label", text), input = el("input");
        Object.assign(input, { type: "radio", name, value, checked: value === "" });
        input.dataset.answer = q.id;
        label.prepend(input);
        choice.append(label);
      }
      set.append(choice);
    }
    return set;
  }));
  if (!$("list-when").value) { const now = new Date(); $("list-when").value = new Date(now - now.getTimezoneOffset() * 60000).toISOString().slice(0, 16); }
}
function filledIn() {
  const list = { schema: 1, serial: $("list").dataset.serial, who: $("list-who").value, when: $("list-when").value, licensed: $("list-licensed").value || null, meter: { model: $("list-meter").value || "hand meter, model not given" }, answers: {}, ohms: {}, volts: {} };
  for (const [kind, prefix] of [["volts", "v"], ["ohms", "o"]]) if (["percent", "digits", "step"].every((p) => $(`${prefix}-${p}`).value !== "")) list.meter[kind] = accuracy(prefix);
  for (const e of $("list").querySelectorAll("[data-answer]:checked")) if (e.value) list.answers[e.dataset.answer] = e.value === "yes";
  for (const e of $("list").querySelectorAll("[data-reading]")) if (e.value !== "") { const [kind, supply] = e.dataset.reading.split(/\/(.*)/); list[kind][supply] = Number(e.value); }
  return list;
}
async function handIn(path, body) {
  put("list-trouble", "");
  try { await post(path, body); $("paper").open = false; say("Checklist handed in."); refresh(); $("paper-head").scrollIntoView({ block: "start" }); } catch (e) { put("list-trouble", "Not taken: " + e.message); }
}
$("list").addEventListener("submit", (e) => { e.preventDefault(); handIn("checklist", filledIn()); });
$("list-file").addEventListener("change", async () => { const [file] = $("list-file").files; if (file) await handIn("checklist/file", { text: await file.text() }); $("list-file").value = ""; });
$("paper").addEventListener("toggle", () => { if ($("paper").open && !$("list-questions").childElementCount) questions().catch(() => {}); });

// ---- begin, stop, accept
$("start").addEventListener("submit", async (e) => {
  e.preventDefault();
  const ambient = $("ambient").value;
  try {
    await post("runs", { place: $("place").value, note: $("note").value, ambient_c: ambient === "" ? null : Number(ambient) });
    put("begin-trouble", "");
    scrollTo(0, 0);
    refresh();
  } catch (err) { put("begin-trouble", "Not begun: " + err.message); }
});
$("stop").addEventListener("submit", async (e) => {
  e.preventDefault();
  try { await fetch("/stop", { method: "POST" }); say("Stop sent."); } catch { $("stop").submit(); }
});
$("accept").addEventListener("submit", async (e) => {
  e.preventDefault();
  try { await post(`runs/${status.acceptable}/accept`, { reason: $("reason").value }); put("accept-trouble", ""); say("Accepted as the baseline."); refresh(); } catch (err) { put("accept-trouble", "Not accepted: " + err.message); }
});

// ---- lists
async function runs() {
  const list = (await get("runs")).runs;
  const seen = JSON.stringify([list.map((r) => r.id), status.accepted]);
  if (seen === runsSeen) return;
  runsSeen = seen;
  if (!list.length) return;
  $("runs").replaceChildren(...list.reverse().map((r, i) => {
    const li = el("li"), head = el("p"), links = el("p", undefined, "links");
    head.append(el("b", r.outcome, "word " + r.outcome), ` · ${r.place}${r.simulated ? " · SIMULATED" : ""}${r.id === status.accepted ? " · ★ baseline" : ""}`);
    li.append(head, el("p", `${r.started.replace("T", " ").slice(0, 16)} UTC${r.note ? " · " + r.note : ""}`, "soft"), el("p", r.reasons[0] || ""));
    for (const [text, path, save] of [["Report", "report.html"], ["Data", "report"], ["Readings", "readings"], ["Journal", "journal", true], ["Ticket", "ticket", true]]) {
      const a = el("a", text);
      a.href = api(`runs/${encodeURIComponent(r.id)}/${path}`);
      a.setAttribute("aria-label", `${text} of the run of ${r.started.slice(0, 16)}`);
      if (save) a.download = "";
      links.append(a, " ");
    }
    // with the baseline where this is a later run, else with the run before it
    const earlier = status.accepted && status.accepted !== r.id && list.some((o) => o.id === status.accepted) ? status.accepted : (list[i + 1] || {}).id;
    if (earlier) {
      const a = el("a", earlier === status.accepted ? "Compare with the baseline" : "Compare with the run before");
      a.href = api(`runs/${encodeURIComponent(r.id)}/compare.txt?with=${encodeURIComponent(earlier)}`);
      links.append(a);
    }
    li.append(links);
    return li;
  }));
}
async function days() {
  const list = (await get("watch")).days;
  if (list.length) $("days").replaceChildren(...list.reverse().slice(0, 31).map((d) => { const li = el("li"), a = el("a", d); a.href = api("watch/" + d); li.append(a); return li; }));
}
async function desk() {
  const d = await get("build/desk"), table = el("table"), head = el("tr");
  for (const h of ["Check", "Value", "Result"]) { const th = el("th", h); th.scope = "col"; head.append(th); }
  table.append(head, ...d.checks.map((c) => {
    const tr = el("tr");
    tr.append(el("td", c.title), el("td", c.value === null ? "–" : `${c.value.toFixed(3)} ${c.unit}`), el("td", c.verdict, c.verdict));
    return tr;
  }));
  $("desk-body").replaceChildren(el("p", `${d.result}; permitted level ${(d.level_permitted * 100).toFixed(1)} %${d.level_binds ? ": " + d.level_binds : ""}`), table);
}
$("desk").addEventListener("toggle", () => { if ($("desk").open) desk().catch(() => {}); });

// ---- following
let lastNews = performance.now(), source = null, lastId = status.last_event;
// one request at a time; what happens meanwhile asks once more
function refresh() {
  if (asking) { again = true; return; }
  asking = get("status").then((s) => { status = s; render(); return runs(); }).catch(() => {}).finally(() => {
    asking = null;
    if (again) { again = false; setTimeout(refresh, 100); }
  });
}
const WORDS = {
  stage: (d) => `${d.stage} ${d.state}`, step: (d) => d.title, question: (d) => "question: " + d.text, skipped: (d) => "skipped: " + d.why,
  answer: (d) => "answer: " + (d.answer === "as-shown" ? "as shown" : d.answer === "absent" ? "none" : "something differs"),
  blanked: (d) => "wall dark: " + d.cause, alarm: (d) => d.alarm ? `alarm: ${d.sense} ${d.alarm}` : `alarm ended: ${d.sense}`,
  run: (d) => "run " + d.state + (d.outcome ? ": " + d.outcome : ""), findings: (d) => `${d.findings.length} findings so far`,
  need: (d) => d.need ? "you are needed: " + d.need : "nobody is needed", lines: (d) => "lines " + d.lines, accepted: () => "accepted as the baseline",
  stopping: () => "stop sent", window: (d) => "steady at " + d.means.map((m) => m === null ? "–" : m.toFixed(3)).join(" "), runs: () => "list of runs read", reloaded: () => "configuration read again",
  checklist: (d) => `checklist of ${d.who}${d.stops ? ": " + d.stops : ""}`, "by-hand": (d) => `by hand: ${d.item} ${d.value}`, search: (d) => "search for the map " + d.state,
};
const LOUD = ["blanked", "alarm", "run", "need", "accepted", "checklist", "search"];
function news(event) {
  lastNews = performance.now();
  $("lost").hidden = true;
  lastId = event.lastEventId || lastId;
  const kind = event.type, data = JSON.parse(event.data);
  if (kind === "supply") { status.points = data.points; renderSupply(data.points); return; }
  if (kind === "beat") return;
  if (kind === "gone" || kind === "hello") { refresh(); days().catch(() => {}); showMap().catch(() => {}); return; }
  if (kind === "search") showMap().catch(() => {});
  const li = el("li", (WORDS[kind] || (() => kind))(data));
  li.dataset.id = event.lastEventId;
  li.dataset.kind = kind;
  $("log").append(li);
  while ($("log").childElementCount > 400) $("log").firstChild.remove();
  if (LOUD.includes(kind)) say(li.textContent);
  refresh();
}
function follow() {
  if (source) source.close();
  source = new EventSource(api("events?after=" + encodeURIComponent(lastId)));
  for (const kind of [...Object.keys(WORDS), "supply", "beat", "gone", "hello"]) source.addEventListener(kind, news);
}
// supply readings come every second; a quiet link is a lost one
setInterval(() => {
  const quiet = performance.now() - lastNews;
  $("lost").hidden = quiet < 5000;
  if (quiet > 8000 && (!source || source.readyState === 2 || quiet > 15000)) { lastNews = performance.now() - 5001; follow(); }
}, 1000);
addEventListener("online", () => { refresh(); follow(); });

get("build").then((b) => {
  build = b;
  const options = (name) => b.panels.map((p, i) => { const o = el("option", name(p)); o.value = String(i); return o; });
  for (const id of ["panel", "other-panel"]) $(id).replaceChildren(...options(panelName));
  const choose = el("option", "choose …");
  choose.value = "";
  $("seek-place").replaceChildren(choose, ...options((p) => `place ${p.place}`).sort((x, y) => b.panels[x.value].place - b.panels[y.value].place));
  if (!$("seek").hidden) overlay(true);
}).catch(() => {});
render();
runs().catch(() => {});
days().catch(() => {});
showMap().catch(() => {});
follow();
