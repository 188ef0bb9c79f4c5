// The daemon's page in a real browser: first power-up to the accepted baseline, a fail run with a tap on the dark panel, stop in
// the climb, a link that is gone for ten seconds, on a phone's width and by keyboard. Usage:
//   node daemon.mjs PATH-OF-SIGNPROOF [DIRECTORY-FOR-SCREENSHOTS]
// CHROMIUM names the browser (default: chromium on the path).
import { spawn, execFileSync } from "node:child_process";
import { createServer, connect } from "node:net";
import { mkdtempSync, writeFileSync, readFileSync, mkdirSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join, resolve, dirname } from "node:path";
import { fileURLToPath } from "node:url";
import assert from "node:assert/strict";
import { browser as launched } from "./browser.mjs";

const root = resolve(dirname(fileURLToPath(import.meta.url)), "../..");
const binary = resolve(process.argv[2] ?? join(root, "target/debug/signproof"));
const shots = resolve(process.argv[3] ?? join(root, "target/page"));
mkdirSync(shots, { recursive: true });
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PATIENCE = Number(process.env.PATIENCE_MS ?? 120_000);
const sleep = (ms) => new Promise((r) => setTimeout(r, ms));

// ---- the daemon
const daemons = [];
class Daemon {
  constructor({ args = [], more = "", hosts = [], dir } = {}) {
    daemons.push(this);
    this.dir = dir ?? mkdtempSync(join(tmpdir(), "signproof-page-"));
    const config = join(this.dir, "signproof.toml");
    writeFileSync(config, `rig = "sim"\nbuild = "${join(root, "config/water-taxi.toml")}"\n${more}\n[http]\nlisten = "127.0.0.1:0"\nhosts = ${JSON.stringify(hosts)}\nburst = 2000\n`);
    const env = { ...process.env, NO_COLOR: "1" };
    for (const name of ["JOURNAL_STREAM", "STATE_DIRECTORY", "NOTIFY_SOCKET"]) delete env[name];
    this.child = spawn(binary, ["--log", "info", "serve", "--rig", "sim", "--seed", "1", "--config", config, ...args], { env, stdio: ["ignore", "ignore", "pipe"] });
    this.log = "";
    this.address = new Promise((found, lost) => {
      this.child.stderr.on("data", (piece) => {
        this.log += piece;
        const page = this.log.match(/page: (http:\/\/\S+\/)\n/);
        if (page) found(page[1]);
      });
      this.child.on("exit", (code) => lost(new Error(`the daemon ended (${code}): ${this.log}`)));
    });
  }
  async get(path) { return (await fetch((await this.address) + "api/v1/" + path)).json(); }
  async end() {
    if (this.child.exitCode === null) { const over = new Promise((r) => this.child.on("exit", r)); this.child.kill("SIGTERM"); await over; }
  }
}
const scenario = (dir, text) => { const file = join(dir, "scenario.toml"); writeFileSync(file, text); return file; };

// ---- the browser
const browser = await launched();
const PHONE = { width: 360, height: 740, deviceScaleFactor: 2, isMobile: true, hasTouch: true };
const DESK = { width: 1280, height: 900, deviceScaleFactor: 1 };
async function open(address, viewport) {
  const page = await browser.newPage();
  page.troubles = [];
  page.on("pageerror", (e) => page.troubles.push(String(e)));
  page.on("console", (m) => { if (m.type() === "error" && !/net::ERR_/.test(m.text())) page.troubles.push(m.text()); });
  // the browser draws its own date picker
  page.on("request", (r) => { if (!r.url().startsWith(address) && !r.url().startsWith("data:")) page.troubles.push("asked elsewhere: " + r.url()); });
  await page.setViewport(viewport);
  page.setDefaultTimeout(PATIENCE);
  await page.goto(address);
  return page;
}
const shown = (page, selector) => page.waitForSelector(selector, { visible: true });
const text = (page, selector) => page.$eval(selector, (e) => e.textContent.trim());
const until = (page, what, wanted, ...more) => page.waitForFunction(wanted, { timeout: PATIENCE, polling: 100 }, ...more).catch((e) => { throw new Error(`${what}: ${e.message}`); });
const shot = async (page, name, full = true) => { await page.screenshot({ path: join(shots, name + ".png"), fullPage: full }); };
/// Nothing may stick out of the window, and what is touched must be large enough for a finger (WCAG 2.5.8: 24 CSS pixels).
async function fits(page) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `the page is ${wide} px wider than the window`);
  const small = await page.$$eval("button, select, input, summary, .links a", (all) => all
    .filter((e) => e.offsetParent !== null && !e.closest(".wall"))
    .map((e) => [e.textContent.trim() || e.id, Math.min(e.getBoundingClientRect().width, e.getBoundingClientRect().height)])
    .filter(([, size]) => size < 24));
  assert.deepEqual(small, [], "too small for a finger");
}
/// The accessibility checker finds nothing.
async function accessible(page) {
  await page.evaluate(axe);
  const found = await page.evaluate(async () => (await axe.run()).violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.map((n) => n.html).join(" | ")}`));
  assert.deepEqual(found, []);
}
/// Nobody measured the hottest joint.
const notMeasured = (page) => click(page, "#joint-none");
async function answerAll(page, how, joint = notMeasured) {
  for (;;) {
    await until(page, "asked or over", () => !document.getElementById("ask").hidden || !document.getElementById("need").hidden);
    if (await page.$eval("#ask", (e) => e.hidden)) return;
    const question = await text(page, "#question");
    await (await page.$eval("#joint", (e) => e.hidden) ? how : joint)(page, question);
    await until(page, "the answer is taken", (before) => document.getElementById("ask").hidden || document.getElementById("question").textContent !== before, question);
  }
}
/// As a person would: not below the stop bar.
async function click(page, selector) {
  await page.$eval(selector, (e) => e.scrollIntoView({ block: "center", behavior: "instant" }));
  await page.click(selector);
}
const asShown = (page) => click(page, "#as-shown");

const results = [];
async function check(name, what) {
  const begun = Date.now();
  await what();
  results.push(name);
  console.log(`ok  ${name} (${((Date.now() - begun) / 1000).toFixed(1)} s)`);
}

try {
  await check("first power-up to the accepted baseline, at 360 px", async () => {
    const daemon = new Daemon({ args: ["--pace", "400"] });
    const page = await open(await daemon.address, PHONE);
    await shown(page, ".sim");
    await until(page, "the sweep is shown", () => document.getElementById("step").textContent.startsWith("sweep"));
    await shot(page, "phone-sweep");
    await fits(page);
    await shown(page, "#ask");
    await shot(page, "phone-question");
    await fits(page);
    await accessible(page);
    // the joint is measured by hand, with a thermometer whose accuracy is known
    await answerAll(page, asShown, async (page) => {
      assert.equal(await text(page, "#frame"), "black");
      await shot(page, "phone-joint");
      await fits(page);
      await accessible(page);
      for (const [id, value] of Object.entries({ c: "41.5", who: "the builder", meter: "thermometer", percent: "1", digits: "10", step: "0.1" })) await page.type("#joint-" + id, value);
      await click(page, "#joint-send");
    });
    await until(page, "it may be accepted", () => !document.getElementById("accept").hidden);
    const passed = (await daemon.get("status")).acceptable;
    const joint = (await daemon.get(`runs/${passed}/report`)).checks.find((c) => c.id === "by-hand/joint");
    assert.deepEqual([joint.value, joint.result], [41.5, "pass"]);
    await page.type("#reason", "as built");
    await shot(page, "phone-passed");
    await fits(page);
    await click(page, "#accept button");
    await until(page, "it is the baseline", () => document.getElementById("runs").textContent.includes("★ baseline"));
    await until(page, "nobody is needed", () => document.getElementById("need").hidden);
    assert.match(await text(page, "#runs"), /pass/);
    const href = await page.$eval("#runs a", (a) => a.href);
    const report = await open(href, PHONE).catch(() => null);
    if (report) { await shot(report, "phone-report", false); await report.close(); }
    assert.ok((await daemon.get("status")).accepted);
    await click(page, "#desk summary");
    await until(page, "paper checks", () => document.querySelectorAll("#desk-body tr").length > 5);
    await shot(page, "phone-accepted");
    await fits(page);
    await accessible(page);
    assert.deepEqual(page.troubles, []);
    await page.close();
    await daemon.end();
  });

  await check("a fail run with a tap on the dark panel", async () => {
    const dir = mkdtempSync(join(tmpdir(), "signproof-page-"));
    const daemon = new Daemon({ dir, args: ["--pace", "1000", "--scenario", scenario(dir, '[[fault]]\nkind = "panel-dark"\nport = 1\nposition = 2\n')] });
    const page = await open(await daemon.address, PHONE);
    let first = true;
    await answerAll(page, async (page) => {
      await click(page, "#differs");
      await shown(page, "#differ");
      // the panel in the picture, by finger
      const panel = await page.waitForSelector('.wall button[aria-label="panel 1·2, port 1 position 2"]');
      await panel.tap();
      await page.select("#seen", "dark");
      await click(page, "#add");
      assert.match(await text(page, "#said"), /port 1 position 2: dark/);
      if (first) { await shot(page, "phone-tapped"); await fits(page); await accessible(page); first = false; }
      await click(page, "#send");
    });
    await until(page, "the finding is shown", () => !document.getElementById("found").hidden);
    await until(page, "it failed", () => document.getElementById("runs").textContent.includes("fail"));
    assert.match(await text(page, "#findings li"), /panel stays dark: 1·2/);
    assert.match(await text(page, "#why"), /fail/);
    assert.ok(await page.$eval("#accept", (e) => e.hidden));
    await shot(page, "phone-failed");
    await page.setViewport(DESK);
    await shot(page, "desk-failed");
    await accessible(page);
    assert.deepEqual(page.troubles, []);
    await page.close();
    await daemon.end();
    rmSync(dir, { recursive: true });
  });

  await check("the checklist from a phone, dark: 5.31 V stops, a filled-in file goes on", async () => {
    const daemon = new Daemon({ args: ["--pace", "1e6"], more: '[first_power]\nstart = "after-button"' });
    const page = await open(await daemon.address, PHONE);
    await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: "dark" }]);
    await click(page, "#paper summary");
    await until(page, "the questions are there", () => document.querySelectorAll("#list-questions fieldset").length > 5);
    await page.type("#list-who", "the builder");
    await page.type("#list-licensed", "the electrician");
    await page.type("#list-meter", "hand meter");
    for (const [id, value] of Object.entries({ "v-percent": "0.5", "v-digits": "2", "v-step": "0.01", "o-percent": "1", "o-digits": "3", "o-step": "0.1" })) await page.type("#" + id, value);
    for (const yes of await page.$$('#list-questions input[value="yes"]')) await yes.evaluate((e) => e.click());
    await page.type('[data-reading="ohms/main"]', "150");
    await page.type('[data-reading="volts/main"]', "5.31");
    await shot(page, "phone-dark-checklist");
    await fits(page);
    await accessible(page);
    await click(page, "#list button");
    await until(page, "it is said that the run stops", () => document.getElementById("paper-stops").textContent.includes("5.31 V"));
    await shot(page, "phone-dark-handed-in");
    await accessible(page);
    await click(page, "#start button");
    await until(page, "it was stopped", () => document.getElementById("runs").textContent.includes("5.31 V"));
    // another, as a file filled in on another machine
    const file = join(daemon.dir, "checklist.toml");
    writeFileSync(file, 'schema = 1\nserial = "WT-0003"\nwho = "the other builder"\nwhen = 2026-03-01T10:15:00\n[meter]\nmodel = "m"\nvolts = { percent = 0.5, digits = 2, step = 0.01 }\n[volts]\nmain = 5.02\n');
    await click(page, "#paper summary");
    await (await page.$("#list-file")).uploadFile(file);
    await until(page, "it was taken", () => document.getElementById("paper-state").textContent.includes("the other builder"));
    assert.equal(await text(page, "#paper-stops"), "");
    await click(page, "#start button");
    await until(page, "it goes on", () => !document.getElementById("ask").hidden);
    assert.match(await text(page, "#paper-state"), /in the run that goes on/);
    assert.deepEqual(page.troubles, []);
    await page.close();
    await daemon.end();
  });

  await check("ports exchanged: the page offers the map, finds it by tapping, and gives the build file", async () => {
    const dir = mkdtempSync(join(tmpdir(), "signproof-page-"));
    const daemon = new Daemon({ dir, args: ["--pace", "1000", "--scenario", scenario(dir, '[[fault]]\nkind = "port-swap"\nports = [1, 2]\n')], more: '[first_power]\nstart = "after-button"' });
    const page = await open(await daemon.address, PHONE);
    await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: "dark" }]);
    await until(page, "begin is offered", () => !document.getElementById("begin").hidden);
    assert.ok(await page.$eval("#astray", (e) => e.hidden));
    await page.evaluate(() => fetch("/api/v1/runs", { method: "POST", headers: { "Content-Type": "application/json" }, body: '{"stages":["open","marks"]}' }));
    await shown(page, "#ask");
    let first = true;
    await answerAll(page, async (page) => {
      if (!first) return asShown(page);
      first = false;
      await click(page, "#differs");
      await (await page.waitForSelector('.wall button[aria-label="panel 1·1, port 1 position 1"]')).tap();
      await page.select("#seen", "place");
      await page.select("#other-panel", await page.$$eval("#other-panel option", (all) => all.find((o) => o.textContent === "port 2 position 1").value));
      await click(page, "#add");
      await click(page, "#send");
    });
    await shown(page, "#astray");
    await shot(page, "phone-dark-astray");
    await accessible(page);
    await click(page, "#seek-now");
    const build = await daemon.get("build");
    for (let asked = 0; asked < 6; asked++) {
      await until(page, "a mark is asked for", () => !document.getElementById("seek").hidden && !document.getElementById("seek-send").disabled);
      assert.equal(await page.$eval("#seek-place", (e) => e.value), "", "nothing is chosen for the person");
      const [, port, position] = (await page.$eval("#mark", (e) => e.alt)).match(/(\d)·(\d)/).map(Number);
      const place = build.panels.find((p) => p.port === 3 - port && p.position === position).place;
      await (await page.waitForSelector(`.wall button[aria-label="place ${place}"]`)).tap();
      await page.select("#seek-way", "0");
      if (asked === 0) { await shot(page, "phone-dark-map-question"); await fits(page); await accessible(page); }
      const question = await text(page, "#question");
      await click(page, "#seek-send");
      await until(page, "the answer is taken", (before) => document.getElementById("ask").hidden || document.getElementById("question").textContent !== before, question);
    }
    await until(page, "the map is shown", () => document.getElementById("map-advice").textContent.includes("Swap the ribbons of ports 1 and 2"));
    await until(page, "it is not suggested any more", () => document.getElementById("astray").hidden);
    await click(page, "#map-diff summary");
    assert.match(await text(page, "#map-diff pre"), /# Chains as found on the wall by find-map, SIMULATED/);
    await shot(page, "phone-dark-map");
    await fits(page);
    await accessible(page);
    const file = await (await fetch((await daemon.address) + "api/v1/map/build.toml")).text();
    assert.match(file, /\[\[chains\]\]/);
    assert.deepEqual(page.troubles, []);
    await page.close();
    await daemon.end();
    rmSync(dir, { recursive: true });
  });

  await check("stop in the climb, by keyboard, on a desk", async () => {
    const daemon = new Daemon({ args: ["--pace", "30"] });
    const page = await open(await daemon.address, DESK);
    // every question by keyboard: tab to the button, then the space bar
    const press = async (id) => {
      for (let i = 0; i < 60; i++) {
        if (await page.evaluate((id) => document.activeElement.id === id || !!document.activeElement.closest("#" + id), id)) { await page.keyboard.press("Space"); return; }
        await page.keyboard.press("Tab");
      }
      throw new Error(`#${id} cannot be reached by keyboard`);
    };
    for (;;) {
      await until(page, "asked or climbing", () => !document.getElementById("ask").hidden || document.getElementById("step").textContent.startsWith("climb"));
      if (await page.$eval("#ask", (e) => e.hidden)) break;
      const question = await text(page, "#question");
      if (!(await page.$("#as-shown:disabled"))) { await press("as-shown"); await until(page, "the answer is taken", (before) => document.getElementById("ask").hidden || document.getElementById("question").textContent !== before, question); }
    }
    await shot(page, "desk-climb");
    await press("stop");
    await until(page, "it is stopped", () => document.getElementById("runs").textContent.includes("stopped"));
    const run = (await daemon.get("runs")).runs[0];
    assert.equal(run.outcome, "stopped");
    assert.match(run.reasons.join(" "), /person at the page/);
    assert.equal(await page.$eval("#frame", (e) => e.textContent), "black");
    await shot(page, "desk-stopped");
    assert.deepEqual(page.troubles, []);
    await page.close();
    await daemon.end();
  });

  await check("the link is gone for ten seconds in mid-run: no event is lost", async () => {
    let target = null, cut = false;
    const open_ = new Set();
    const link = createServer((down) => {
      if (cut) { down.destroy(); return; }
      const up = connect(target, "127.0.0.1");
      for (const s of [up, down]) { open_.add(s); s.on("error", () => {}); s.on("close", () => { open_.delete(s); up.destroy(); down.destroy(); }); }
      down.pipe(up).pipe(down);
    });
    await new Promise((r) => link.listen(0, "127.0.0.1", r));
    const port = link.address().port;
    const daemon = new Daemon({ args: ["--pace", "20"], hosts: [`127.0.0.1:${port}`] });
    target = Number(new URL(await daemon.address).port);
    const page = await open(`http://127.0.0.1:${port}/`, PHONE);
    await until(page, "events come", () => document.querySelectorAll("#log li").length > 10);
    const before = await page.$$eval("#log li", (l) => l.length);
    cut = true;
    for (const s of open_) s.destroy();
    await sleep(10_000);
    assert.ok(await page.$eval("#lost", (e) => !e.hidden), "the page says that it is old");
    await shot(page, "phone-lost", false);
    cut = false;
    await until(page, "the link is back", () => document.getElementById("lost").hidden);
    await until(page, "events go on", (n) => document.querySelectorAll("#log li").length > n + 20, before);
    const ids = await page.$$eval("#log li", (l) => l.map((e) => e.dataset.id));
    // the daemon's own account of what was told since the first of them, without what the list does not keep
    const first = ids[0], last = ids.at(-1), number = (id) => Number(id.slice(id.lastIndexOf("-") + 1));
    const stream = await fetch((await daemon.address) + "api/v1/events", { headers: { "Last-Event-ID": `${first.slice(0, first.lastIndexOf("-"))}-${number(first) - 1}` } });
    let told = "";
    const reader = stream.body.pipeThrough(new TextDecoderStream()).getReader();
    while (!told.includes(`id: ${last}\n`) || !told.endsWith("\n\n")) told += (await reader.read()).value;
    reader.cancel();
    const wanted = told.split("\n\n").filter((e) => /^(event|id|data): /m.test(e) && !/^event: (supply|beat|gone|hello)$/m.test(e)).map((e) => e.match(/^id: (.*)$/m)[1]).filter((id) => number(id) <= number(last));
    assert.deepEqual(ids, wanted);
    console.log(`    ${ids.length} events on the page, ${before} before the cut, none missing, none twice`);
    assert.deepEqual(page.troubles, []);
    await page.close();
    await daemon.end();
    link.close();
  });

  await check("the token opens the page, a viewer cannot act", async () => {
    const dir = mkdtempSync(join(tmpdir(), "signproof-page-"));
    const config = join(dir, "signproof.toml");
    writeFileSync(config, `rig = "sim"\nbuild = "${join(root, "config/water-taxi.toml")}"\n[first_power]\nstart = "after-button"\n[http]\nlisten = "127.0.0.1:0"\ntoken = true\n`);
    const env = { ...process.env, NO_COLOR: "1" };
    for (const name of ["JOURNAL_STREAM", "STATE_DIRECTORY", "NOTIFY_SOCKET"]) delete env[name];
    const tokens = execFileSync(binary, ["serve", "--rig", "sim", "--show-token", "--config", config], { env }).toString();
    const [act, look] = [...tokens.matchAll(/:\s+(\S+)/g)].map((m) => m[1]);
    const child = spawn(binary, ["serve", "--rig", "sim", "--config", config], { env, stdio: ["ignore", "ignore", "pipe"] });
    const address = await new Promise((found) => { let log = ""; child.stderr.on("data", (p) => { log += p; const m = log.match(/page: (\S+\/)\n/); if (m) found(m[1]); }); });
    const page = await open(address, PHONE);
    assert.match(page.url(), /\/login$/);
    await shot(page, "phone-login");
    await accessible(page);
    await page.type("#token", "no-such-token-at-all");
    await Promise.all([page.waitForNavigation(), page.click("button")]);
    await shown(page, ".alarm");
    for (const [token, acts] of [[look, false], [act, true]]) {
      await page.goto(address + "login");
      await page.type("#token", token);
      await Promise.all([page.waitForNavigation(), page.click("button")]);
      await until(page, "the page is there", () => !!document.getElementById("supply"));
      await until(page, "begin is offered or not", (acts) => document.getElementById("begin").hidden !== acts, acts);
    }
    await shot(page, "phone-begin");
    // the code on the sign leads here: the token stands behind `#`
    await page.evaluate(() => fetch("/logout", { method: "POST" }));
    await page.goto("about:blank");
    await page.goto(address + "login#" + act);
    await until(page, "the code opens the page", () => !!document.getElementById("supply") && !location.href.includes("#"));
    const over = new Promise((r) => child.on("exit", r));
    child.kill("SIGTERM");
    await over;
    await page.close();
    rmSync(dir, { recursive: true });
  });
} catch (error) {
  // what the browser showed when it went wrong
  for (const page of await browser.pages()) if (page.troubles) { await shot(page, "trouble"); console.error("trouble.png:", page.url(), page.troubles); }
  console.error(error);
  process.exitCode = 1;
} finally {
  await browser.close();
  for (const daemon of daemons) daemon.child.kill("SIGKILL");
}
if (!process.exitCode) console.log(`${results.length} checks passed; pictures in ${shots}`);
