#!/usr/bin/env python3
"""Whole commands beside the raw limits and a general packet analyser, on the same generated captures in one run.

`benches/whole.py [MILLION_FRAMES [RUNS]]` builds what it needs, and prints the tables of docs/performance.md as Markdown. CPU is user and
system time, the median of the runs; peak memory is the largest. Needs GNU `time`; `tshark` and `gzip` are measured where they are installed.
"""

import gzip
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

TOP = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
MILLIONS = float(sys.argv[1]) if len(sys.argv) > 1 else 5.0
RUNS = int(sys.argv[2]) if len(sys.argv) > 2 else 5
FRAMES = int(MILLIONS * 1e6)
DRIVE = 600_000
FOLDER = os.path.join(TOP, "target", "whole")
PROGRAM = os.environ.get("TONERING", os.path.join(TOP, "target", "release", "tonering"))


def run(command):
    """CPU seconds, wall seconds and peak memory in MB of a command whose output goes nowhere."""
    with open(os.devnull, "wb") as nowhere, tempfile.NamedTemporaryFile("r") as told:
        # Started by `time` and not from here: a process counts the memory of the one it was forked from as its own.
        command = ["/usr/bin/time", "-f", "%M", "-o", told.name, *command]
        start = time.monotonic()
        process = subprocess.Popen(command, stdout=nowhere, stderr=nowhere, stdin=subprocess.DEVNULL)
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.monotonic() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode != 0:
            sys.exit(f"{command}: status {process.returncode}")
        peak = float(told.read())
    return usage.ru_utime + usage.ru_stime, wall, peak / 1024


def start_up(command, runs=20):
    """The least CPU seconds of a short command, without `time` around it, which takes as long as such a command does."""
    def once():
        with open(os.devnull, "wb") as nowhere:
            process = subprocess.Popen(command, stdout=nowhere, stderr=nowhere, stdin=subprocess.DEVNULL)
            _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode != 0:
            sys.exit(f"{command}: status {process.returncode}")
        return usage.ru_utime + usage.ru_stime
    return min(once() for _ in range(runs))


def measure(command, runs=RUNS):
    found = [run(command) for _ in range(runs)]
    return {
        "cpu": statistics.median(cpu for cpu, _, _ in found),
        "wall": statistics.median(wall for _, wall, _ in found),
        "peak": max(peak for _, _, peak in found),
    }


def build():
    """The program and the bench; where the bench is. `TONERING` and `TONERING_WHOLE` name them where they are built already."""
    if "TONERING_WHOLE" in os.environ:
        return os.environ["TONERING_WHOLE"]
    subprocess.run(["cargo", "build", "--release", "--quiet"], cwd=TOP, check=True)
    made = subprocess.run(["cargo", "bench", "--bench", "whole", "--no-run", "--message-format", "json"],
                          cwd=TOP, check=True, capture_output=True)
    for line in made.stdout.splitlines():
        message = json.loads(line)
        if message.get("target", {}).get("name") == "whole" and message.get("executable"):
            return message["executable"]
    sys.exit("the bench was not built")


def row(*cells):
    print("| " + " | ".join(cells) + " |", flush=True)


def table(title, limit, frames, size, commands):
    """A table of commands on captures of so many frames; ratios to `limit`, in CPU seconds."""
    row(title, "CPU s", "M frames/s", "MB/s", "× limit", "peak MB")
    row(*["---"] * 6)
    found = {}
    for name, command in commands:
        found[name] = one = measure(command)
        row(name, f"{one['cpu']:.3f}", f"{frames / one['cpu'] / 1e6:.1f}", f"{size / one['cpu'] / 1e6:.0f}",
            f"{one['cpu'] / limit:.1f}", f"{one['peak']:.0f}")
    print(flush=True)
    return found


def main():
    bench = build()
    os.makedirs(FOLDER, exist_ok=True)
    for name, frames, step in [("long", FRAMES, 200), ("drive", DRIVE, 1000), ("double", 2 * DRIVE, 1000), ("longer", 2 * FRAMES, 200)]:
        subprocess.run([bench, "make", os.path.join(FOLDER, name), str(frames), str(step)], check=True)
    here = lambda *parts: os.path.join(FOLDER, *parts)
    log, pcap, pcapng = here("long", "plain.log"), here("long", "plain.pcap"), here("long", "plain.pcapng")
    profile = here("long", "profile.yaml")
    with open(log, "rb") as plain, gzip.open(here("long", "plain.log.gz"), "wb", compresslevel=6) as packed:
        shutil.copyfileobj(plain, packed, 1 << 20)
    peak = measure([PROGRAM, "--version"])["peak"]
    true = max(start_up(["true"]), 1e-6)
    start, explain = start_up([PROGRAM, "--version"]), start_up([PROGRAM, "explain", "C0034-13"])
    limit_text = measure([bench, "text", log])["cpu"]
    limit_pcap = measure([bench, "pcap", pcap])["cpu"]
    limit_drive = measure([bench, "text", here("drive", "plain.log")], 4 * RUNS)["cpu"]

    decode = lambda file, *more: [PROGRAM, "decode", file, *more]
    wheels = lambda file, kind: [PROGRAM, "wheels", file, "--profile", profile, "--format", kind]
    text = table(f"text, {MILLIONS:g} M frames", limit_text, FRAMES, os.path.getsize(log), [
        ("count the newlines", [bench, "newlines", log]),
        ("**limit: line to frame**", [bench, "text", log]),
        ("`decode`", decode(log)),
        ("`decode --format json`", decode(log, "--format", "json")),
        ("`wheels --format csv`", wheels(log, "csv")),
        ("`wheels --format json`", wheels(log, "json")),
        ("`decode`, two buses in turn", decode(here("long", "turns.log"))),
        ("`decode`, every tenth line damaged", decode(here("long", "damaged.log"))),
        ("`decode`, gzip", decode(log + ".gz")),
    ] + ([("`gzip -dc` alone", ["gzip", "-dc", log + ".gz"])] if shutil.which("gzip") else []))
    binary = table(f"pcap, {MILLIONS:g} M frames", limit_pcap, FRAMES, os.path.getsize(pcap), [
        ("**limit: record to record**", [bench, "pcap", pcap]),
        ("`decode`", decode(pcap)),
        ("`decode --format json`", decode(pcap, "--format", "json")),
        ("`wheels --format csv`", wheels(pcap, "csv")),
        ("`decode`, pcapng", decode(pcapng)),
    ])
    table(f"drive of ten minutes, {DRIVE / 1e6:g} M frames", limit_drive, DRIVE, os.path.getsize(here("drive", "plain.log")), [
        ("`diagnose`", [PROGRAM, "diagnose", here("drive", "plain.log"), "--profile", profile]),
        ("`diagnose --format json`", [PROGRAM, "diagnose", here("drive", "plain.log"), "--profile", profile, "--format", "json"]),
        ("`wheels --find`", [PROGRAM, "wheels", here("drive", "plain.log"), "--find"]),
    ])

    row("input doubled", "peak MB", "peak MB of twice as much", "bytes a frame", "exponent of CPU")
    row(*["---"] * 5)
    from math import log2
    for name, small, large, frames, more in [
        ("`decode`, text", log, here("longer", "plain.log"), FRAMES, []),
        ("`decode`, pcap", pcap, here("longer", "plain.pcap"), FRAMES, []),
        ("`diagnose`", here("drive", "plain.log"), here("double", "plain.log"), DRIVE, ["--profile", profile]),
    ]:
        command = "diagnose" if more else "decode"
        one, two = (measure([PROGRAM, command, file, *more]) for file in (small, large))
        row(name, f"{one['peak']:.1f}", f"{two['peak']:.1f}", f"{(two['peak'] - one['peak']) * 1048576 / frames:.1f}",
            f"{log2(two['cpu'] / one['cpu']):.2f}")
    print(flush=True)

    row("other", "measured", "target (floor)")
    row(*["---"] * 3)
    row("`--version`, CPU beside `true`", f"{start / true:.1f}×, {peak:.1f} MB", "2× (4×), 5 MB")
    row("`explain C0034-13`, CPU beside `true`", f"{explain / true:.1f}×, {explain * 1000:.1f} ms", "9 ms (30×)")
    eight = [here("drive", "plain.log")] * 8
    each = lambda jobs: [PROGRAM, "diagnose", "--each", *eight, "--profile", profile, "--jobs", str(jobs)]
    one, two = measure(each(1)), measure(each(2))
    row("eight drives on two cores, of the ideal speed-up", f"{one['wall'] / two['wall'] / 2:.2f}", "0.85 (0.7)")
    row("two buses in turn beside one", f"{text['`decode`, two buses in turn']['cpu'] / text['`decode`']['cpu']:.2f}×", "1.25×")
    row("every tenth line damaged beside none", f"{text['`decode`, every tenth line damaged']['cpu'] / text['`decode`']['cpu']:.2f}×", "1.3×")
    row("pcapng beside pcap", f"{binary['`decode`, pcapng']['cpu'] / binary['`decode`']['cpu']:.2f}×", "1.3×")
    if shutil.which("tshark"):
        for kind, file in (("text", here("drive", "plain.log")), ("pcap", here("drive", "plain.pcap"))):
            stack = ["-d", "can.subdissector,iso15765", "-d", "iso15765.subdissector,uds"]
            fields = ["tshark", "-n", "-r", file, *stack, "-T", "fields", "-e", "frame.time_epoch", "-e", "can.id", "-e", "uds.sid"]
            try:
                other = measure(fields, 1)
            except SystemExit as failed:
                row(f"tshark, UDS fields, {kind}", str(failed), "")
                continue
            ours = measure(decode(file, "--format", "json"))
            row(f"tshark, UDS fields, {kind}, {DRIVE / 1e6:g} M frames",
                f"{DRIVE / other['cpu'] / 1e6:.2f} M frames/s; `decode --format json` {other['cpu'] / ours['cpu']:.0f}× as fast", "")


main()
