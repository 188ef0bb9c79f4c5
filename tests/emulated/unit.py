#!/usr/bin/env python3
"""unit.py TRACE CONSOLE: judges what check-unit said and all register writes of the emulated board meanwhile.

Prints one line a check; exit code 1 where one failed.
"""
import re
import sys

from console import said as console_words
from decode import MINE, OE, phases

ORDER = ("started halted killed back devices-outside devices-inside hung bitten back-again user-outside user-inside bench player player-gone stopped "
         "exposure journal failed-units end").split()


def main(trace, console):
    failed = 0

    def check(name, good, found=""):
        nonlocal failed
        failed += not good
        print(("ok      " if good else "FAILED  ") + name + (f" ({found})" if found != "" else ""))

    seen = {p.name: p for p in phases(trace)}
    said = console_words(console)
    missing = [n for n in ORDER if n not in seen or n not in said]
    check("all phases are on the console and in the capture", not missing, ", ".join(missing))
    if missing:
        print(open(console, errors="replace").read()[-2000:])
        return 1

    def value(phase, name):
        found = re.findall(rf"^{name}=(.*)$", said[phase], re.M)
        return found[-1] if found else ""

    def number(phase, pattern):
        found = re.search(pattern, said[phase])
        return float(found[1]) if found else float("nan")

    def dark(phase):
        return phase.level >> OE & 1 and not any(phase.level >> p & 1 for p in MINE if p != OE) and all(phase.functions[p] == 1 for p in MINE)

    def blanked(phase):
        return "status=0 " in value(phase, "ExecStopPost") and "code=exited" in value(phase, "ExecStopPost")

    took = number("started", r"STARTED in (\d+) us") / 1e6
    memory, memory_most = number("started", r"MEMORY (\d+) of"), number("started", r"MEMORY \d+ of (\d+)")

    # 1. start
    check("the root is read-only", " / squashfs ro," in said["started"])
    start = [value("started", name) for name in "Type NotifyAccess ActiveState SubState NRestarts".split()]
    check("the unit is active once the daemon has said so", start == ["notify", "main", "active", "running", "0"],
          f"after {took:.1f} s of the board's time, ExecStartPre included")
    first = [o for o in seen["boot"].order + seen["started"].order if o[0] in MINE]
    check("OE is the first line driven, its level high before", bool(first) and first[0][0] == OE and first[0][2] >> OE & 1, str(first[:1]))
    check("its page answers on loopback, not called simulated", '"simulated":false' in said["started"])
    check("the scan thread is real-time, and it alone; memory is locked", "THREAD scan priority 40 policy 1\n" in said["started"]
          and said["started"].count("policy 1\n") == 1 and number("started", r"VmLck:\s+(\d+) kB") > 1000)
    check("memory stays within half its limit", memory < 0.5 * memory_most, f"{memory / 2**20:.1f} of {memory_most / 2**20:.0f} MiB")
    check("nothing that it starts speaks to the service manager", "notification message from" not in said["journal"])

    check("the journal gives reasons with its messages", re.search(r"waiting for a person: why=\w+", said["journal"]))

    # 2. and 4. a killed and a hung daemon, both at a moment at which a row is lit
    for halted, after, back, restarts, result in (("halted", "killed", "back", 1, "signal"), ("hung", "bitten", "back-again", 2, "watchdog")):
        before = list(seen)[list(seen).index(halted) - 1]
        lit = not seen[before].level >> OE & 1
        check(f"{halted}: OE is low, the wall is lit", lit and "HALTED" in said[before], f"level {seen[before].level:#x}")
        p = seen[halted]
        ended = [value(after, "SubState"), value(after, "Result")]
        check(f"{after}: the lines are dark before the restart, by `blank`", ended == ["auto-restart", result] and blanked(after)
              and p.writes > 0 and dark(p), f"level {p.level:#x}, {p.writes} writes, result {ended[1]}")
        check(f"{after}: nothing is lit on the way there", p.oe_low <= 1, f"{p.oe_low}")
        old, new = re.search(r"process (\d+) then (\d+)", said[back]).groups() if "process" in said[back] else ("", "")
        check(f"{back}: active again as another process", value(back, "ActiveState") == "active" and value(back, "NRestarts") == str(restarts)
              and old != new and int(new or 0) > 0, f"{old} then {new}, restarts {value(back, 'NRestarts')}")
    bitten = number("bitten", r"BITTEN after (\S+) s")
    check("the watchdog bites within its 30 s and what blanking takes", "Watchdog timeout (limit 30s)" in said["journal"] and bitten < 40,
          f"{bitten:.1f} s")
    dark_after = number("halted", r"DARK after (\S+) s")
    check("killed: dark within 5 s", dark_after < 5, f"{dark_after:.2f} s of the board's time")
    closed = re.findall(r"the last run was interrupted.*?Started signproof\.service.*?the interrupted run is judged: run=(\S+)", said["journal"], re.S)
    check("both interrupted runs are judged by a process of the unit, once it is active, and kept", len(set(closed)) == 2 and "KEPT 2" in said["back-again"],
          ", ".join(closed))
    check("two interrupted runs are enough: the third start waits for a person",
          "waiting for a person" in value("back-again", "StatusText"))

    # 3. devices
    def opens(phase):
        return dict(re.findall(r"^open (\S+): (.*)$", said[phase], re.M))

    ours = {"/dev/gpiomem", "/dev/gpiochip0", "/dev/i2c-1"}
    outside, inside = opens("devices-outside"), opens("devices-inside")
    check("outside of the unit root opens all devices", list(outside.values()) == ["yes"] * 7, ", ".join(outside))
    check("in the unit's group even root opens those of its list alone", set(inside) == set(outside) and all(
        (why == "yes") == (device in ours) and why in ("yes", "Operation not permitted") for device, why in inside.items()),
        ", ".join(f"{d}: {w}" for d, w in inside.items() if d not in ours))
    free, walls = opens("user-outside"), opens("user-inside")
    check("its user opens a device of everybody's outside, and not within", free.get("/dev/hwrng") == "yes"
          and walls.get("/dev/hwrng") == "Operation not permitted" and all(walls.get(d) == "yes" for d in ours), walls.get("/dev/hwrng", ""))
    def writes(phase):
        return {f for f, w in re.findall(r"^write (\S+): (.*)$", said[phase], re.M) if w == "yes"}

    own = {"/var/tmp/x", "/var/lib/signproof/x", "/run/lock/x", "/run/signproof/x", "/dev/shm/x"}
    check("within, it writes its state, its runtime directory, the locks and its temporary files alone; outside also where all may",
          writes("user-inside") == own and writes("user-outside") == own | {"/var/open/x"}, ", ".join(sorted(writes("user-inside"))))
    rights = [r"CapBnd:\s+0+\n", r"NoNewPrivs:\s+1\n", r"Seccomp:\s+2\n", r"realtime priority\s+60 ", r"locked memory\s+unlimited"]
    check("within, no rights can be had, system calls are filtered, real time and locked memory are permitted",
          all(re.search(pattern, said["user-inside"]) for pattern in rights))

    # with others
    p = seen["bench"]
    check("another user of the group blanks beside the idle daemon", "RESULT 0" in said["bench"] and p.writes > 0 and dark(p),
          said["bench"].strip().split("\n")[0])
    p, text = seen["player"], said["player"]
    check("beside a player with the lock: no register is written by a run, an end and a beginning", p.writes == 0 and p.selects == 0,
          f"{p.writes} writes")
    check("... and each says so", "waiting for a person" in value("player", "StatusText") and "status=6" in value("player", "ExecStopPost")
          and re.search(r'"lines":"not driven: .*another program has it', text), text.strip()[-300:].replace("\n", " | "))
    check("stopped when asked, dark", (value("stopped", "ActiveState"), value("stopped", "Result")) == ("inactive", "success")
          and dark(seen["stopped"]))
    level = number("exposure", r"exposure level for signproof.service: (\S+)")
    check("exposure of the live unit at most 2.0", level <= 2.0, f"{level}")
    check("no unit has failed in the end", not said["failed-units"].strip(), said["failed-units"].strip()[:200])
    check("no line but those of the build is driven", sum(p.foreign for n, p in seen.items() if n != "boot") == 0)
    return failed != 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
