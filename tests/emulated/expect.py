#!/usr/bin/env python3
"""expect.py FOLDER NAME OUTCOME FINDING: judges one run of the sign in the loop. FINDING is `none`, a kind, or kind:place."""
import json
import re
import sys

folder, name, outcome, finding = sys.argv[1:]


def check(what, good, found):
    print(f"{'ok      ' if good else 'FAILED  '}{name}: {what} ({found})")


def read(path):
    try:
        return open(f"{folder}/{path}").read()
    except OSError:
        return ""


sign = re.search(r"writes (\d+) hazards (\d+) updates (\d+) dark (\w+)", read(f"{name}.sign"))
check("the sign saw register writes, no broken rule, and is dark at the end", bool(sign) and int(sign[1]) > 10000 and sign[2] == "0" and sign[4] == "true",
      sign[0] if sign else "no record")
text = read(f"{name}/report.json")
if not text:
    check("a report came out", False, read(f"{name}.console")[-300:])
    sys.exit(1)
report = json.loads(text)
check(f"outcome {outcome}", report["outcome"] == outcome, report["outcome"] + ": " + " ".join(report["reasons"])[:200])
kinds = [f"{f['kind']} {json.dumps(f['where'])} {f['probability']}" for f in report["findings"]]
if finding == "none":
    check("no finding", not kinds, "; ".join(kinds) or "none")
else:
    # the ranked list of the first finding: it and its alternatives
    kind, _, place = finding.partition(":")
    found = bool(report["findings"]) and report["findings"][0]["kind"] == kind and place in json.dumps(report["findings"][0]["where"])
    check(f"first finding is {finding}", found, "; ".join(kinds) or "none")
scan = report["board"]["scan"]
check("not called simulated, on the registers", report["rig"] == "board" and not report["simulated"] and scan["path"] == "mapped registers",
      f"{scan['refreshes']} refreshes, {scan['refresh_hz']:.0f} Hz, jitter {scan['jitter_us']:.0f} us, worst {scan['worst_us']:.0f} us, {scan['manner'].split(' (')[0]}")
check("the same journal judged on this machine gives the same report", read(f"{name}/again/report.json") == text, f"{len(text)} bytes")
