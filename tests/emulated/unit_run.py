#!/usr/bin/env python3
"""unit_run.py CONSOLE: judges what check-run said of a whole first power-up under the unit; the report itself is judged by expect.py.

Prints one line a check; exit code 1 where one failed.
"""
import re
import sys

from console import said as console_words


def main(console):
    failed = 0

    def check(name, good, found=""):
        nonlocal failed
        failed += not good
        print(("ok      " if good else "FAILED  ") + name + (f" ({found})" if found != "" else ""))

    said = console_words(console)
    missing = [n for n in "started over aside files warnings stop journal failed-units end".split() if n not in said]
    check("whole run: all phases are on the console", not missing, ", ".join(missing))
    if missing:
        print("".join(said.values())[-2000:])
        return 1

    # one that is just being born or ending has no words, or still those of the daemon
    asides = re.findall(r"^ASIDE (/proc/self/exe .+)\| (.+)$", said["started"], re.M)
    commands = {" ".join(a for a in c.split() if a.startswith(("judge", "--print-only"))) for c, _ in asides}
    walls = [r"Uid: (?!0 )\d+ ", r"CapBnd: 0+ ", r"NoNewPrivs: 1 ", r"Seccomp: 2 "]
    check("whole run: it is judged, and its findings so far, by another process of the unit, within the same walls, the first to go where memory ends",
          commands == {"judge", "judge --print-only"} and all(re.search(w, may) for _, may in asides for w in walls)
          and any("oom 500 " in may for _, may in asides), f"{len(asides)} looks: {', '.join(sorted(commands))}")
    over = said["over"]
    check("whole run: it ends, in the daemon that began it", "ActiveState=active\nNRestarts=0\n" in over and '"phase":"watching"' in over)
    check("whole run: kept as passed, not called simulated", over.count('"outcome":') == 1 and '"outcome":"pass"' in over and '"simulated":false' in over
          and '"last":"pass"' in over, over.strip()[-300:].replace("\n", " | ") if '"last":"pass"' not in over else "")
    aside = said["aside"]
    memory = re.search(r"MEMORY (\d+) of (\d+)", aside)
    most, limit = (int(m) / 2**20 for m in memory.groups()) if memory else (1, 0)
    check("whole run: memory stays within half its limit, judging and the ticket included", most < 0.5 * limit, f"{most:.1f} of {limit:.0f} MiB at most")
    run = re.search(r"RUN (\S+)", aside)
    rows = re.search(r"ROWS (\d+)", aside)
    check("whole run: its table of readings comes from the page", bool(rows) and int(rows[1]) > 1000, rows[0] if rows else "")
    results = re.findall(r"RESULT (\d+)", aside)
    check("whole run: its ticket comes from the page and holds", results[:1] == ["0"], aside.strip()[-300:].replace("\n", " | ") if results[:1] != ["0"] else "")
    check("whole run: it is accepted as the baseline", results[1:] == ["0"] and bool(run) and f'"accepted":"{run[1]}"' in aside)
    wrong = said["warnings"].strip()
    check("whole run: no warning in the journal", not wrong, wrong[:500].replace("\n", " | "))
    stop = said["stop"]
    check("whole run: stopped when asked, dark", "ActiveState=inactive\nResult=success\n" in stop and "status=0 " in stop)
    check("whole run: no unit has failed in the end", not said["failed-units"].strip(), said["failed-units"].strip()[:200])
    return failed != 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
