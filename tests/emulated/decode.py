#!/usr/bin/env python3
"""Judges a capture of all register writes of the emulated board with a small model of its own.

decode.py TRACE CONSOLE: prints one line a check and `N passed, N failed`; exit code 1 where one failed.
Registers: BCM2835 ARM Peripherals, table 6-1: function selects from 0x00, GPSET0 0x1c, GPCLR0 0x28, pull 0x94 and 0x98; function 1 is output.
The wiring and the shape of the wall are those of config/water-taxi.toml, written down here again.
"""
import re
import sys

OE, CLK, LAT, ADDRESS = 4, 9, 10, [5, 6, 7, 8]
PORTS = {1: [11, 12, 13, 16, 17, 18], 2: [19, 20, 21, 22, 23, 24]}  # R1 G1 B1 R2 G2 B2
WIDTH, PANELS, ROWS = 64, 3, 16
MINE = [OE, CLK, LAT] + ADDRESS + PORTS[1] + PORTS[2]
LINE = re.compile(rb"addr 0x3f2(000|150)([0-9a-f]{2}) value 0x([0-9a-f]+) size")


class Phase:
    """What happened between two marks on the console."""

    def __init__(self, name):
        self.name, self.shown, self.refreshes = name, {}, 0
        self.writes = self.lit_changes = self.oe_low = self.foreign = self.selects = self.pulls = 0
        self.clocked = self.data_at_clock = 0
        self.order = []
        self.bad_shown = 0


def phases(path):
    functions, level = [0] * 54, 0
    shift = {port: [0] * 6 for port in PORTS}
    latched = {port: [0] * 6 for port in PORTS}
    mask = (1 << (WIDTH * PANELS)) - 1
    text, phase = b"", Phase("boot")
    pins = sum(1 << p for p in MINE)
    control = sum(1 << p for p in [LAT] + ADDRESS)
    before_oe = None  # level when OE went low
    for line in open(path, "rb"):
        m = LINE.search(line)
        if not m:
            continue
        register, value = int(m[2], 16), int(m[3], 16)
        if m[1] == b"150":
            if register == 0x40:  # the console's transmit register
                text += bytes([value & 255])
                if text.endswith(b"\n"):
                    found = re.search(rb"MARK (\S+)", text)
                    if found:
                        phase.level, phase.functions = level, list(functions)
                        yield phase
                        phase = Phase(found[1].decode())
                    text = b""
            continue
        if register <= 0x14:
            first = register // 4 * 10
            for i in range(10):
                if first + i < 54:
                    new = value >> 3 * i & 7
                    if new != functions[first + i]:
                        phase.selects += 1
                        phase.order.append((first + i, new, level))
                        functions[first + i] = new
        elif register in (0x94, 0x98):
            phase.pulls += 1
            phase.order.append(("pull", register, value))
        elif register in (0x1c, 0x28):
            phase.writes += 1
            if value & ~pins:
                phase.foreign += 1
            old = level
            level = level | value if register == 0x1c else level & ~value
            changed = old ^ level
            up = changed & level
            if not level >> OE & 1:
                phase.oe_low += 1
                if not old >> OE & 1 and changed & control:
                    phase.lit_changes += 1
            if up >> CLK & 1:
                phase.clocked += 1
                if changed & ~(1 << CLK):
                    phase.data_at_clock += 1
                for port, lines in PORTS.items():
                    s = shift[port]
                    for i, pin in enumerate(lines):
                        s[i] = (s[i] << 1 | level >> pin & 1) & mask
            if up >> LAT & 1:
                for port in PORTS:
                    latched[port] = list(shift[port])
            if changed >> OE & 1 and not level >> OE & 1:
                address = sum((level >> pin & 1) << i for i, pin in enumerate(ADDRESS))
                row = (tuple(latched[1]), tuple(latched[2]))
                if address == 0:
                    phase.refreshes += 1
                if phase.shown.setdefault(address, row) != row:
                    phase.bad_shown += 1
    phase.level, phase.functions = level, list(functions)
    yield phase


def cell(port, position, colour, half):
    """The rows that one lit cell must give: stages of positions nearer the port are the lower bits."""
    ones = ((1 << WIDTH) - 1) << (position - 1) * WIDTH
    line = "red green blue".split().index(colour) + 3 * (half == "lower")
    row = [[0] * 6, [0] * 6]
    row[port - 1][line] = ones
    return {address: (tuple(row[0]), tuple(row[1])) for address in range(ROWS)}


def main(trace, console):
    passed = failed = 0

    def check(name, good, found=""):
        nonlocal passed, failed
        passed, failed = passed + bool(good), failed + (not good)
        print(("ok      " if good else "FAILED  ") + name + (f" ({found})" if found != "" else ""))

    seen = {p.name: p for p in phases(trace)}
    said, here = {}, "boot"
    for line in open(console, errors="replace"):
        found = re.search(r"MARK (\S+)", line)
        if found:
            here = found[1]
        else:
            said[here] = said.get(here, "") + line
    missing = [n for n in "doctor sigterm blank neighbour kernel-files nack no-permission end".split() if n not in seen]
    check("all phases are in the capture", not missing, ", ".join(missing))
    if missing:
        print(f"{passed} passed, {failed} failed")
        return 1

    def result(name):
        found = re.findall(r"RESULT (\d+)", said.get(name, ""))
        return int(found[-1]) if found else None

    def dark(name, phase):
        check(f"{name}: OE high, all others low, and still outputs", phase.level >> OE & 1 and not any(phase.level >> p & 1 for p in MINE if p != OE)
              and all(phase.functions[p] == 1 for p in MINE), f"{phase.level:#x}")

    doctor = seen["doctor"]
    check("doctor drives nothing", doctor.writes == 0 and doctor.selects == 0 and result("doctor") == 0, f"{doctor.writes} writes, result {result('doctor')}")
    check("doctor names chip and converters", "bcm2837" in said["doctor"] and said["doctor"].count("ads1115 at 0x48 on bus 1") == 4)

    # the first use of the lines
    first = seen["cell-1-1-red-upper"]
    selects = [(pin, new, level) for pin, new, level in first.order if pin != "pull"]
    check("OE is the first line to become an output, with its level high before", bool(selects) and selects[0][0] == OE and selects[0][2] >> OE & 1,
          str(selects[:1]))
    check("every line becomes an output with OE driven high and its own level low",
          {s[0] for s in selects} == set(MINE) and all(s[1] == 1 and s[2] >> OE & 1 and (s[0] == OE or not s[2] >> s[0] & 1) for s in selects),
          f"{len(selects)} lines")
    pulls = [i for i, o in enumerate(first.order) if o[0] == "pull"]
    place = {o[0]: i for i, o in enumerate(first.order) if o[0] != "pull"}
    others = min(i for pin, i in place.items() if pin != OE)
    check("the pull-up of OE is set after OE and before any other line", bool(pulls) and place[OE] < min(pulls) and max(pulls) < others and
          ("pull", 0x94, 2) in first.order and ("pull", 0x98, 1 << OE) in first.order)

    for name, args in {"cell-1-1-red-upper": (1, 1, "red", "upper"), "cell-2-3-blue-lower": (2, 3, "blue", "lower"),
                       "cell-1-2-green-lower": (1, 2, "green", "lower"), "per-pin-2-1-red-lower": (2, 1, "red", "lower")}.items():
        p = seen[name]
        check(f"{name}: exactly this cell is on the wall", p.shown == cell(*args) and p.bad_shown == 0 and result(name) == 0,
              f"{p.refreshes} refreshes, {p.bad_shown} strange rows, result {result(name)}")
        dark(name, p)
    zero = {address: ((0,) * 6, (0,) * 6) for address in range(ROWS)}
    p = seen["black"]
    check("black is clocked like a lit frame", p.shown == zero and p.clocked > 1000 and result("black") == 0, f"{p.clocked} clocks")
    p = seen["level-35"]
    lit = [sum(bin(row[port][line + 3 * half]).count("1") for row in p.shown.values() for port in (0, 1) for half in (0, 1)) for line in range(3)]
    share = [n / (ROWS * 2 * 2 * WIDTH * PANELS) for n in lit]
    check("level 35 %: that share of the pixels, the same in each colour", len(p.shown) == ROWS and p.bad_shown == 0
          and all(abs(s - 0.35) < 0.001 for s in share), str([round(s, 4) for s in share]))
    dark("level-35", p)
    for name, most in (("cell-1-1-red-upper", 2.1), ("level-35", 3.1)):
        p = seen[name]
        check(f"{name}: register writes per column within the budget and a row's own seven", p.writes / p.clocked < most, f"{p.writes / p.clocked:.3f}")
    bank = [p for n, p in seen.items() if n.startswith(("cell", "level", "black", "sig"))]
    check("address and latch rest while lit, in all frames", sum(p.lit_changes for p in bank) == 0)
    check("data never change with the rising clock", sum(p.data_at_clock for p in bank) == 0)
    check("no line but those of the build is written", sum(p.foreign for p in seen.values()) == 0)
    touched = {o[0] for p in seen.values() for o in p.order if o[0] != "pull"} - set(MINE)
    late = {o[0] for n, p in seen.items() if n != "boot" for o in p.order if o[0] != "pull"} - set(MINE)
    check("no line but those of the build is switched", not late, str(sorted(late or touched)))
    p = seen["sigterm"]
    check("SIGTERM: lit before, ended as stopped", p.oe_low > 100 and result("sigterm") == 5, f"result {result('sigterm')}")
    dark("SIGTERM", p)
    p = seen["sigkill"]
    check("SIGKILL: was lit", p.oe_low > 100)
    p = seen["blank"]
    check("blank after SIGKILL: OE goes high before anything else and nothing is lit after", result("blank") == 0 and p.oe_low <= 1, f"{p.oe_low}")
    dark("blank after SIGKILL", p)
    times = re.search(r"BLANK (\S+) (\S+)", said["blank"])
    print(f"note    blank took {float(times[2]) - float(times[1]):.2f} s of the emulated board's time, with su and the loading of the program")
    p = seen["neighbour"]
    results = re.findall(r"RESULT (\d+)", said["neighbour"])
    check("a program with the registers open is named and nothing is driven", results == ["6", "6"] and p.writes == 0 and "sleep (process" in said["neighbour"],
          str(results))
    p, text = seen["kernel-files"], said["kernel-files"]
    ours = re.findall(r"distribution (\d\.\d+)", text)
    # 20276 steps of 0.125 mV behind 2:1; what the kernel's channel loads the divider with is not known and taken as nothing
    check("the kernel's driver serves a frame held: its channels named, its readings ours", re.findall(r"RESULT (\d+)", text) == ["0", "0"]
          and text.count("of the kernel's device ads1015 (iio:device0)") == 4 and p.oe_low > 100 and bool(ours) and abs(float(ours[-1]) - 5.069) < 0.0006,
          ours[-1] if ours else text[-300:])
    dark("kernel-files", p)
    p = seen["nack"]
    check("a converter that does not acknowledge: error, dark", result("nack") == 6 and p.oe_low == 0, f"result {result('nack')}")
    dark("nack", p)
    p = seen["no-permission"]
    check("no permission: named, error, nothing driven", result("no-permission") == 6 and p.writes == 0 and "group" in said["no-permission"])

    kernel = re.search(r"KERNEL (-?\d+) (\S+)", said.get("boot", ""))
    ours = re.findall(r"distribution (\d\.\d+)", said.get("black", ""))
    if kernel and ours:
        # behind a 2:1 divider of 10 kOhm loaded by the chip's 15 M || 6 M (TI SBAS444, typical, from memory); a count is 125 uV at 4.096 V
        bottom = 1 / (1 / 10e3 + 1 / 15e6 + 1 / 6e6)
        volts = int(kernel[1]) * 125e-6 * (10e3 + bottom) / bottom
        check("the kernel's own driver and ours read the same chip alike", int(kernel[1]) == 20276 and abs(volts - float(ours[-1])) < 0.0006,
              f"{kernel[1]} counts = {volts:.4f} V; ours {ours[-1]} V")
    else:
        check("the kernel's driver reads the same chip", False, said.get("boot", "")[-200:])
    print(f"{passed} passed, {failed} failed")
    return failed != 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
