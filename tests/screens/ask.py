#!/usr/bin/env python3
"""What a person sees of `diagnose --ask` in a terminal of 80 columns and 24 lines: a pseudo-terminal, drawn by pyte.

Arguments: the program; --show prints the pictures. The question with where things stand and what may be answered must always be
in sight, nothing may wrap, an answer must not appear twice, and however the person leaves, every answer is in the notes.
"""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import sys
import tempfile
import termios
import time

import pyte

PROGRAM = os.path.abspath(sys.argv[1])
SHOW = "--show" in sys.argv
TOP = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
DEMO = os.path.join(TOP, "captures", "two-faults")
COLUMNS, LINES = 80, 24


class Person:
    """Somebody at a terminal, with a file of notes."""

    def __init__(self, notes, **environment):
        self.screen = pyte.Screen(COLUMNS, LINES)
        self.stream = pyte.ByteStream(self.screen)
        self.raw = b""
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            signal.signal(signal.SIGINT, signal.SIG_DFL)  # started in the background, it would be ignored, and ^C with it
            time.sleep(0.2)  # until the window has its size
            environment = dict(os.environ, TERM="xterm-256color", LANG="C.UTF-8", **environment)
            environment.pop("COLUMNS", None)
            os.chdir(DEMO)
            arguments = [PROGRAM, "diagnose", "drive.log.gz", "--profile", "profile.yaml", "--notes", notes, "--ask"]
            os.execvpe(PROGRAM, arguments, environment)
        fcntl.ioctl(self.fd, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))

    def listen(self):
        """Until the program waits for an answer, or has ended."""
        end = time.monotonic() + 60
        while time.monotonic() < end:
            if select.select([self.fd], [], [], 0.3)[0]:
                try:
                    data = os.read(self.fd, 65536)
                except OSError:
                    return
                if not data:
                    return
                self.raw += data
                self.stream.feed(data)
            elif self.lines()[self.screen.cursor.y] == ">":
                return
        raise AssertionError("no question within a minute:\n" + self.picture())

    def say(self, words):
        os.write(self.fd, words.encode() + b"\n")
        # The terminal shows what is typed before the program has read it.
        time.sleep(0.1)
        self.listen()
        if SHOW:
            print("=" * 20, words)
            print(self.picture())

    def end(self):
        """The exit status; that of a signal is negative."""
        self.listen()
        _, status = os.waitpid(self.pid, 0)
        os.close(self.fd)
        return os.waitstatus_to_exitcode(status)

    def lines(self):
        return [line.rstrip() for line in self.screen.display]

    def picture(self):
        return "\n".join("|" + line for line in self.lines())


def expect(holds, words, person):
    if not holds:
        raise AssertionError(f"{words}:\n{person.picture()}")


def question_in_sight(person):
    lines = person.lines()
    at = person.screen.cursor.y
    expect(lines[at] == ">", "no prompt", person)
    above = lines[max(0, at - 4) : at]
    expect(any(line.startswith("  Answer: ") for line in above), "what may be answered is out of sight", person)


def check_written(person):
    text = re.sub(rb"\x1b\[[0-9;]*m", b"", person.raw).decode()
    for line in text.replace("\r", "").split("\n"):
        # A path may be longer than the window.
        if len(line) > COLUMNS and "/" not in line:
            raise AssertionError(f"wider than the window: {line!r}")
    left = re.search(r"[\x00-\x08\x0b-\x1f\x7f]", text.replace("\r", ""))
    assert left is None, f"a control character: {left.group()!r}"


def saved(notes):
    with open(notes) as file:
        return [line for line in file if line.lstrip().startswith("- {")]


def dialogue(notes):
    person = Person(notes)
    person.listen()
    question_in_sight(person)
    expect(any(line.startswith("  Now: ") for line in person.lines()), "where things stand is out of sight", person)
    expect("Brake fluid level (3 minutes)" in person.picture(), "the check is out of sight", person)
    person.say("ok")
    question_in_sight(person)
    expect("%, before" in " ".join(person.lines()).replace("  ", " "), "what the answer has moved is out of sight", person)
    assert len(saved(notes)) == 1, saved(notes)
    # Typed words are shown by the terminal; the program must not show them again.
    shown = re.sub(rb"\x1b\[[0-9;]*m", b"", person.raw).decode()
    assert shown.count("> ok\r\n") == 1 and "\r\nok\r\n" not in shown, "the answer appears twice"
    for words in ["help", "why", "plan", "causes", "list"]:
        person.say(words)
        question_in_sight(person)
    person.say("no such result")
    expect("Nothing was" in person.picture(), "a wrong answer is not told", person)
    person.say("undo")
    question_in_sight(person)
    assert saved(notes) == [], saved(notes)
    expect("Brake fluid level (3 minutes)" in person.picture(), "undo does not lead back", person)
    person.say("1")
    os.write(person.fd, b"quit\n")
    status = person.end()
    assert status == 0, status
    expect("the same command goes on" in " ".join(person.lines()), "no word on how to go on", person)
    assert len(saved(notes)) == 1, saved(notes)
    check_written(person)


def resumed(notes):
    """The same command goes on; the end of input and an interrupt leave what was answered."""
    person = Person(notes, NO_COLOR="1")
    person.listen()
    expect("Brake fluid level (3 minutes)" not in person.picture(), "an answered check is asked again", person)
    person.say("dry")
    os.write(person.fd, b"\x04")
    status = person.end()
    assert status == 0, status
    assert b"\x1b" not in person.raw, "colour although it is not wanted"
    assert len(saved(notes)) == 2, saved(notes)
    check_written(person)
    person = Person(notes)
    person.listen()
    question_in_sight(person)
    os.write(person.fd, b"\x03")
    status = person.end()
    assert status in (130, -signal.SIGINT), status
    assert len(saved(notes)) == 2, saved(notes)


with tempfile.TemporaryDirectory() as folder:
    path = os.path.join(folder, "notes.yaml")
    dialogue(path)
    resumed(path)
print("the dialogue on 80 columns and 24 lines: as it should be")
