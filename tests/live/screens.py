#!/usr/bin/env python3
"""What a person sees in a terminal: `live`, `live --ask` and `drill --on` on a pseudo-terminal, drawn by pyte.

Runs in the virtual machine (tests/live/run.sh). Arguments: the program; --show prints the pictures. It checks that nothing wraps
or is left over, that only what has changed is written, that the picture follows the window's size, that it says everything
without colour, and that hostile names do not steer the terminal.
"""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time

import pyte

PROGRAM = sys.argv[1]
SHOW = "--show" in sys.argv


class Screen(pyte.Screen):
    """A screen that also knows the alternate one (xterm, mode 1049), which pyte leaves out."""

    def __init__(self, columns, lines):
        super().__init__(columns, lines)
        self.alternate = False
        self.ordinary = None

    def set_mode(self, *modes, **rest):
        if 1049 in modes:
            self.ordinary = [dict(self.buffer[row]) for row in range(self.lines)]
            self.ordinary_cursor = (self.cursor.x, self.cursor.y)
            self.alternate = True
        super().set_mode(*modes, **rest)

    def reset_mode(self, *modes, **rest):
        if 1049 in modes and self.alternate:
            self.erase_in_display(2)
            self.cursor_position(1, 1)
            self.alternate = False
        super().reset_mode(*modes, **rest)


class Terminal:
    def __init__(self, arguments, columns, lines, **environment):
        self.screen = Screen(columns, lines)
        self.stream = pyte.ByteStream(self.screen)
        self.pieces = []
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            time.sleep(0.2)  # until the window has its size
            environment = dict(os.environ, TERM="xterm-256color", LANG="C.UTF-8", **environment)
            environment.pop("COLUMNS", None)
            os.execvpe(arguments[0], arguments, environment)
        self.size(columns, lines)

    def size(self, columns, lines):
        """Another size of the window; the program gets SIGWINCH from the system."""
        self.screen.resize(lines, columns)
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def run(self, seconds):
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if select.select([self.fd], [], [], left)[0]:
                try:
                    data = os.read(self.fd, 65536)
                except OSError:
                    return
                self.pieces.append(data)
                self.stream.feed(data)

    def until(self, words, seconds=60):
        for _ in range(seconds * 2):
            self.run(0.5)
            if words in self.text():
                return
        self.show("waiting in vain for " + words)
        raise SystemExit(f"never on the screen: {words}")

    def type(self, text):
        os.write(self.fd, text.encode())

    def rows(self):
        return [row.rstrip() for row in self.screen.display]

    def text(self):
        return "\n".join(self.rows())

    def show(self, title, always=False):
        if SHOW or always:
            print(f"--- {title}, {self.screen.columns} x {self.screen.lines}")
            for row in self.screen.display:
                print("|" + row + "|")
            sys.stdout.flush()

    def end(self):
        self.type("\x03")
        self.run(4)
        for _ in range(100):
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                return os.waitstatus_to_exitcode(status)
            self.run(0.2)
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        raise SystemExit("Ctrl-C does not end it")


def check(condition, what, terminal):
    if not condition:
        terminal.show(what, always=True)
        raise SystemExit("failed: " + what)


def shell(line):
    subprocess.run(line, shell=True, check=True)


HEADINGS = ["LISTENING", "HEARD", "SENT", "WHEELS", "CODES", "CAUSES", "SAFETY"]


def whole(terminal, what):
    """The picture has all its parts, one after the other, and its foot at the foot."""
    rows = terminal.rows()
    where = [next((at for at, row in enumerate(rows) if row.startswith(name)), -1) for name in HEADINGS]
    check(-1 not in where and where == sorted(where), f"{what}: the parts stand in their order", terminal)
    check(rows[-1].startswith("Ctrl-C stops."), f"{what}: the foot says how to stop", terminal)
    # A line that wrapped would begin in the first column without a heading.
    for row in rows:
        sound = row == "" or row.startswith("  ") or row.split(" ")[0].isupper() or row.startswith("Ctrl-C")
        check(sound, f"{what}: nothing wraps: {row!r}", terminal)


def live(link, profile, extra, columns, lines, **environment):
    terminal = Terminal([PROGRAM, "live", link, "--profile", profile, *extra], columns, lines, **environment)
    terminal.until("CAUSES")
    return terminal


def main():
    folder = tempfile.mkdtemp()
    profile = folder + "/car.yaml"
    shell("ip link add screen type vcan && ip link set screen mtu 72 up")
    rig = [PROGRAM, "rig", "--on", "screen", "--for", "900", "--fault", "sensor-circuit/open@left-front", "--drive", "town"]
    rig = subprocess.Popen(rig + ["--profile-out", profile], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)
    while not (os.path.exists(profile) and os.path.getsize(profile)):
        time.sleep(0.1)

    # Listening, at both sizes; the second without colour.
    for columns, lines, environment in [(80, 24, {}), (120, 40, {"NO_COLOR": "1"})]:
        terminal = live("screen", profile, [], columns, lines, **environment)
        terminal.until("none has been asked")
        whole(terminal, "listening")
        terminal.show("listening")
        check("nothing, this program only listens" in terminal.text(), "it says that it sends nothing", terminal)
        check("no value" in terminal.text(), "the wheel that says nothing is told", terminal)
        before = len(terminal.pieces)
        terminal.run(4)
        later = b"".join(terminal.pieces[before:])
        check(b"\x1b[2J" not in later, "the screen is not wiped", terminal)
        drawn = max(1, len(re.findall(rb"\x1b\[1;1H", later)))
        check(0 < len(later) < 700 * drawn, f"only what changes is drawn: {len(later)} bytes, {drawn} times", terminal)
        colours = re.findall(rb"\x1b\[[0-9;]*m", b"".join(terminal.pieces))
        check(bool(colours) != bool(environment), "NO_COLOR is heeded", terminal)
        print(f"listening at {columns} x {lines}: {len(later) // drawn} bytes for a change of the picture")
        if columns == 80:
            # A window that changes its size, down to one in which nothing fits.
            for size in [(100, 30), (60, 24), (60, 15), (40, 8), (20, 3), (80, 24)]:
                terminal.size(*size)
                terminal.run(1.6)
                terminal.show("another size")
                rows = terminal.rows()
                check(rows[-1].startswith("Ctrl-C stops."), "the foot is at the foot", terminal)
                if size[0] >= 60 and size[1] >= 15:
                    whole(terminal, "another size")
                if size == (60, 24):
                    speeds = next(row for row in rows if row.startswith("  km/h"))
                    check(len(speeds.split()) >= 5, "all four wheels are there", terminal)
                if size == (40, 8):
                    check("km/h" in terminal.text(), "the wheels are there", terminal)
        check(terminal.end() == 0, "Ctrl-C is no failure", terminal)
        terminal.show("afterwards")
        check(not terminal.screen.cursor.hidden, "the cursor is back", terminal)
        rows = terminal.rows()
        check(rows[0].startswith("LISTENING") and "Ctrl-C" not in terminal.text(), "the last picture stays", terminal)

    # Asking.
    terminal = live("screen", profile, ["--ask"], 80, 24)
    terminal.until("Brake control answering", 120)
    terminal.until("C0031-13", 120)
    terminal.run(2)
    whole(terminal, "asking")
    terminal.show("asking")
    check("requests that only read" in terminal.text(), "it says what it sends", terminal)
    check(any(row.startswith("ASKING") for row in terminal.rows()), "it says what it asks", terminal)
    # The link goes away and comes back.
    shell("ip link set screen down")
    terminal.until("ATTENTION  screen is down. Switch it on")
    terminal.show("down")
    whole(terminal, "down")
    shell("ip link set screen up")
    terminal.run(4)
    check("is down" not in terminal.text(), "it is up again", terminal)
    terminal.end()
    rig.terminate()
    rig.wait()

    # Hostile and long names.
    name = "\\e[2JBr\\u202eake" + " control with a very long name" * 6
    with open(folder + "/hostile.yaml", "w", encoding="utf-8") as out:
        out.write('profile: 1\nmodules:\n  - { name: "%s", role: brakes, request: 0x740, response: 0x748 }\n' % name)
    shell("ip link add screen2 type vcan && ip link set screen2 up")
    terminal = live("screen2", folder + "/hostile.yaml", [], 80, 24)
    shell("cansend screen2 740#031902FF; cansend screen2 748#075902FF4031132F")
    terminal.until("C0031-13", 90)
    whole(terminal, "a long name")
    terminal.show("a long name")
    check("\\u{1b}" in terminal.text(), "the escape is shown, not obeyed", terminal)
    check("present now" in terminal.text(), "the state of a code is there, however long the name", terminal)
    terminal.end()

    # A lesson on a link, with another program listening there.
    shell("ip link add screen3 type vcan && ip link set screen3 up")
    terminal = Terminal([PROGRAM, "drill", "--seed", "7", "--on", "screen3"], 80, 24)
    terminal.until("\n>")
    heard = subprocess.run(["timeout", "20", "candump", "-n", "20", "screen3"], capture_output=True, text=True, check=False)
    check(heard.stdout.count("screen3") == 20, "the lesson's vehicle broadcasts", terminal)
    for typed, answer in [
        ("help", "You can say:"),
        ("codes", "So far:"),
        ("nonsense", "I do not understand"),
        ("check sensor-resistance left-front", "Expected:"),
    ]:
        terminal.type(typed + "\n")
        terminal.until(answer)
    terminal.show("a lesson")
    shell("ip link set screen3 down")
    terminal.run(1)
    shell("ip link set screen3 up")
    heard = subprocess.run(["timeout", "20", "candump", "-n", "5", "screen3"], capture_output=True, text=True, check=False)
    check(heard.stdout.count("screen3") == 5, "it broadcasts again when the link is back", terminal)
    terminal.type("give up\n")
    terminal.run(20)
    terminal.show("the end of the lesson")
    heard = subprocess.run(["timeout", "2", "candump", "-n", "5", "screen3"], capture_output=True, text=True, check=False)
    check(heard.stdout == "", "the vehicle leaves the bus with the lesson", terminal)
    print("screens: all as they should be")


main()
