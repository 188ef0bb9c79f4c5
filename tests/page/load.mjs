// Load on the daemon: event streams and requests on loopback while a simulated run goes on at real-time pace. Usage:
//   node load.mjs PATH-OF-SIGNPROOF [STREAMS=200] [REQUESTS-A-SECOND=500] [SECONDS=60]
// Prints figures and ends with 1 where an event was lost, a reading was later than a sample period of the hold (0.1 s), or the
// daemon held more than 64 MiB.
import { spawn } from "node:child_process";
import http from "node:http";
import { mkdtempSync, writeFileSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve, dirname } from "node:path";
import { fileURLToPath } from "node:url";

const root = resolve(dirname(fileURLToPath(import.meta.url)), "../..");
const binary = resolve(process.argv[2] ?? join(root, "target/release/signproof"));
const [streams, rate, seconds] = [3, 4, 5].map((i, k) => Number(process.argv[i] ?? [200, 500, 60][k]));
const dir = mkdtempSync(join(tmpdir(), "signproof-load-"));
const config = join(dir, "signproof.toml");
// the limits are for strangers; the load stays below them here
writeFileSync(config, `rig = "sim"\nbuild = "${join(root, "config/water-taxi.toml")}"\n[http]\nlisten = "127.0.0.1:0"\nconnections = 512\nrequests_per_s = ${rate * 2}\nburst = ${rate * 2}\n`);
const env = { ...process.env, NO_COLOR: "1" };
for (const name of ["JOURNAL_STREAM", "STATE_DIRECTORY", "NOTIFY_SOCKET"]) delete env[name];
const child = spawn(binary, ["--log", "warn", "serve", "--rig", "sim", "--seed", "1", "--pace", "1", "--config", config], { env, stdio: ["ignore", "ignore", "pipe"] });
let log = "";
const address = await new Promise((found, lost) => {
  child.stderr.on("data", (p) => { log += p; const m = log.match(/page: http:\/\/([^/\s]+)\/\n/); if (m) found(m[1]); });
  child.on("exit", (code) => lost(new Error(`the daemon ended (${code}): ${log}`)));
});
const [host, port] = address.split(":");
const get = (path, agent) => new Promise((done, bad) => {
  http.get({ host, port, path, agent }, (r) => { let b = ""; r.setEncoding("utf8"); r.on("data", (p) => { b += p; }); r.on("end", () => done({ status: r.statusCode, body: b })); }).on("error", bad);
});
const sleep = (ms) => new Promise((r) => setTimeout(r, ms));
const process_ = () => {
  const status = readFileSync(`/proc/${child.pid}/status`, "utf8"), stat = readFileSync(`/proc/${child.pid}/stat`, "utf8");
  const fields = stat.slice(stat.lastIndexOf(")") + 2).split(" ");
  return { rss: Number(status.match(/VmRSS:\s+(\d+)/)[1]) / 1024, peak: Number(status.match(/VmHWM:\s+(\d+)/)[1]) / 1024, cpu: (Number(fields[11]) + Number(fields[12])) / 100 };
};
while (JSON.parse((await get("/api/v1/status")).body).run?.stage !== "sweep") await sleep(100);

// streams: each notes the numbers it sees
let lost = 0, events = 0, broken = 0;
const agent = new http.Agent({ keepAlive: true, maxSockets: 32 });
const ends = [];
for (let i = 0; i < streams; i++) {
  await new Promise((begun) => {
    const request = http.get({ host, port, path: "/api/v1/events" }, (r) => {
      if (r.statusCode !== 200) { broken++; begun(); return; }
      let seen = null, rest = "";
      r.setEncoding("utf8");
      r.on("data", (piece) => {
        rest += piece;
        for (let at; (at = rest.indexOf("\n\n")) >= 0; rest = rest.slice(at + 2)) {
          const event = rest.slice(0, at), id = event.match(/^id: .*-(\d+)$/m), kind = event.match(/^event: (.*)$/m)?.[1];
          if (!id) continue;
          if (seen !== null && Number(id[1]) !== seen + 1) lost++;
          if (kind === "gone") lost++;
          seen = Number(id[1]);
          events++;
        }
      });
      r.on("error", () => {});
      ends.push(() => seen);
      begun();
    });
    request.on("error", () => { broken++; begun(); });
  });
}
const before = process_();
const paths = ["/api/v1/status", "/api/v1/metrics", "/api/v1/runs", "/"];
const times = [];
let refused = 0, sent = 0;
const begin = performance.now();
await new Promise((done) => {
  const timer = setInterval(() => {
    const due = Math.min(rate * seconds, Math.floor((performance.now() - begin) / 1000 * rate));
    for (; sent < due; sent++) {
      const at = performance.now();
      get(paths[sent % paths.length], agent).then((a) => { times.push(performance.now() - at); if (a.status !== 200) refused++; }, () => { refused++; times.push(NaN); });
    }
    if (sent >= rate * seconds && times.length === sent) { clearInterval(timer); done(); }
  }, 10);
});
const took = (performance.now() - begin) / 1000;
const after = process_();
const metrics = (await get("/api/v1/metrics")).body;
const metric = (name) => Number(metrics.match(new RegExp(`^signproof_${name} (\\S+)$`, "m"))?.[1]);
const status = JSON.parse((await get("/api/v1/status")).body);
await sleep(500);
const last = new Set(ends.map((seen) => seen()));
times.sort((a, b) => a - b);
const at = (q) => times[Math.min(times.length - 1, Math.floor(q * times.length))].toFixed(1);
const gap = metric("reading_gap_max_seconds");
console.log(`streams ${ends.length} (${broken} broken), events received ${events}, gaps ${lost}, newest ids apart by ${Math.max(...last) - Math.min(...last)}`);
console.log(`requests ${sent} in ${took.toFixed(1)} s = ${(sent / took).toFixed(0)}/s, not 200: ${refused}; ms p50 ${at(0.5)} p99 ${at(0.99)} max ${at(1)}`);
console.log(`run: ${status.run?.stage ?? "over"}; longest time between two readings of a point ${(gap * 1000).toFixed(1)} ms`);
console.log(`memory ${after.rss.toFixed(1)} MiB (peak ${after.peak.toFixed(1)} MiB); CPU of the daemon ${((after.cpu - before.cpu) / took * 100).toFixed(0)} % of a core`);
child.removeAllListeners("exit");
child.kill("SIGKILL");
agent.destroy();
rmSync(dir, { recursive: true });
const good = lost === 0 && broken === 0 && refused === 0 && gap <= 0.2 && after.peak <= 64 && status.run;
console.log(good ? "ok" : "NOT as wanted");
process.exit(good ? 0 : 1);
