"""Runs the program under test and compares what it says with what was put in."""

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field

TOP = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
BINARY = os.environ.get("TONERING", os.path.join(TOP, "target", "release", "tonering"))


@dataclass
class Frame:
    """One frame of generated traffic."""

    time_us: int
    bus: int
    id: int
    extended: bool
    data: bytes
    fd: bool = False


@dataclass
class Wanted:
    """A message that must come out."""

    start_us: int
    end_us: int
    bus: int
    id: int
    extended: bool
    extension: int | None
    frames: int
    payload: bytes
    fault: str | None = None


@dataclass
class Counts:
    """What was compared, and what did not agree."""

    what: str
    compared: int = 0
    not_compared: int = 0
    known: dict = field(default_factory=dict)
    wrong: list = field(default_factory=list)

    def same(self, got, wanted, where):
        self.compared += 1
        if got != wanted:
            self.wrong.append(f"{where}: {got!r}, not {wanted!r}")

    def near(self, got, wanted, where, tolerance=1e-9):
        self.compared += 1
        if got is None or isinstance(got, (str, bool)) or abs(got - wanted) > tolerance * max(1.0, abs(wanted)):
            self.wrong.append(f"{where}: {got!r}, not {wanted!r}")

    def library_fault(self, name):
        self.known[name] = self.known.get(name, 0) + 1

    def finish(self):
        """Prints the counts; the exit status says whether all agreed."""
        print(f"{self.what}: {self.compared} compared, {len(self.wrong)} wrong, {self.not_compared} of theirs not scaled here")
        for name, count in sorted(self.known.items()):
            print(f"  fault of a library, {count} times: {name}")
        for line in self.wrong[:20]:
            print(f"  {line}"[:600])
        sys.exit(1 if self.wrong or not self.compared else 0)


def run(*arguments, stdin=None):
    """The program's standard output; it must succeed."""
    done = subprocess.run([BINARY, *arguments], capture_output=True, input=stdin, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{arguments}: {done.stderr.decode()}")
    return done.stdout.decode()


def decode(path, *more):
    """The objects of `decode --format json`."""
    shown = run("decode", "--format", "json", *more, path)
    return [json.loads(line) for line in shown.splitlines()]


def candump(frames, screen=False):
    """candump text of frames, written here so that the writers of the libraries are not the only ones."""
    lines = []
    for frame in frames:
        digits = 8 if frame.extended else 3
        if screen:
            data = " ".join(f"{byte:02X}" for byte in frame.data)
            seconds = f"{frame.time_us // 1_000_000}.{frame.time_us % 1_000_000:06d}"
            lines.append(f" ({seconds})  can{frame.bus}  {frame.id:0{digits}X}   [{len(frame.data):02}]  {data}")
        else:
            mark = "##1" if frame.fd else "#"
            seconds = f"{frame.time_us // 1_000_000}.{frame.time_us % 1_000_000:06d}"
            lines.append(f"({seconds}) can{frame.bus} {frame.id:0{digits}X}{mark}{frame.data.hex().upper()}")
    return "\n".join(lines) + "\n"


def temporary(suffix):
    """A fresh file name that is removed at the end."""
    folder = temporary.folder = getattr(temporary, "folder", None) or tempfile.TemporaryDirectory()
    temporary.count = getattr(temporary, "count", 0) + 1
    return os.path.join(folder.name, f"{temporary.count}{suffix}")


def write(path, text):
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)
    return path


def compare(counts, found, wanted, base_us, where, bus_name=lambda bus: f"can{bus}"):
    """Message by message: nothing lost, nothing invented, every key right. `base_us` is the time of the capture's zero."""
    def key_of(item):
        return (round(item["end_s"] * 1e6) if isinstance(item, dict) else item.end_us - base_us)

    found = sorted(found, key=lambda item: (key_of(item), item["channel"], item["id"]))
    wanted = sorted(wanted, key=lambda item: (key_of(item), bus_name(item.bus), identifier(item)))
    if len(found) != len(wanted):
        have = {(item["id"], item["channel"], item["payload"]) for item in found}
        need = {(identifier(item), bus_name(item.bus), item.payload.hex().upper()) for item in wanted}
        lost, invented = sorted(need - have)[:3], sorted(have - need)[:3]
        counts.wrong.append(f"{where}: {len(found)} messages, not {len(wanted)}; lost {lost}; invented {invented}")
        return
    for got, item in zip(found, wanted):
        at = f"{where}, {identifier(item)} at {item.end_us - base_us} µs"
        counts.same(
            (got["channel"], got["id"], got["extended_id"], got["extension"], got["frames"], got["payload"], got["fault"]),
            (bus_name(item.bus), identifier(item), item.extended,
             None if item.extension is None else f"0x{item.extension:02X}",
             item.frames, item.payload.hex().upper(), item.fault),
            at,
        )
        off = max(abs(got["time_s"] * 1e6 - (item.start_us - base_us)), abs(got["end_s"] * 1e6 - (item.end_us - base_us)))
        if off > 1.5:
            counts.wrong.append(f"{at}: time is off by {off} µs")


def identifier(item):
    return f"0x{item.id:08X}" if item.extended else f"0x{item.id:03X}"
