"""Runs a program on a terminal of 88 columns and draws its first lines, colours included, as SVG.

Usage: terminal.py LINES PROGRAM ARGUMENT...
"""

import os
import pty
import re
import sys
from xml.sax.saxutils import escape

COLUMNS = 88
LINE = 20
CELL = 8.4
COLOURS = {31: "#ff9d94", 32: "#8fd694", 33: "#f0c479", 35: "#e3a8f0", 36: "#86ccd9"}


def printed(arguments):
    """What the program writes to a terminal."""
    os.environ.update(TERM="xterm-256color", COLUMNS=str(COLUMNS), LC_ALL="C.UTF-8")
    os.environ.pop("NO_COLOR", None)
    child, terminal = pty.fork()
    if child == 0:
        os.execv(arguments[0], arguments)
    pieces = []
    while True:
        try:
            piece = os.read(terminal, 65536)
        except OSError:
            break
        if not piece:
            break
        pieces.append(piece)
    _, status = os.waitpid(child, 0)
    if status != 0:
        sys.exit(f"{arguments[0]}: ended with status {status}")
    return b"".join(pieces).decode().replace("\r\n", "\n")


def line(text, style):
    """The pieces of a line with their styles, and the style at its end."""
    pieces = []
    for at, part in enumerate(re.split(r"\x1b\[([0-9;]*)m", text)):
        if at % 2 == 0:
            if part:
                pieces.append((part, dict(style)))
            continue
        for number in (int(word or 0) for word in part.split(";")):
            if number == 0:
                style = {}
            elif number == 1:
                style["font-weight"] = "bold"
            elif number == 2:
                style["fill"] = "#a8a297"
            elif number in COLOURS:
                style["fill"] = COLOURS[number]
    return pieces, style


def main():
    count, arguments = int(sys.argv[1]), sys.argv[2:]
    lines = printed(arguments).split("\n")[:count]
    command = " ".join(["tonering", *arguments[1:]])
    words, shown = command.split(" "), []
    while words:
        row = "$ " if not shown else "    "
        while words and len(row) + len(words[0]) < COLUMNS - 2:
            row += words.pop(0) + " "
        shown.append(row.rstrip() + (" \\" if words else ""))
    lines = shown + lines
    width, height = COLUMNS * CELL + 32, len(lines) * LINE + 32
    print(f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height}" role="img" aria-label="The first screen of a report on a terminal">')
    print(f'<rect width="{width:.0f}" height="{height}" rx="6" fill="#17191b"/>')
    print('<g font-family="Liberation Mono, Menlo, Consolas, monospace" font-size="14" fill="#ebe7de">')
    style = {}
    for row, text in enumerate(lines):
        pieces, style = line(text, style)
        column = 0
        for part, drawn in pieces:
            lead = len(part) - len(part.lstrip(" "))
            body = part.strip(" ")
            if body:
                extra = "".join(f' {key}="{value}"' for key, value in drawn.items())
                x, y = 16 + (column + lead) * CELL, 16 + row * LINE + 15
                print(f'<text x="{x:.1f}" y="{y}" textLength="{len(body) * CELL:.1f}" xml:space="preserve"{extra}>{escape(body)}</text>')
            column += len(part)
    print("</g>\n</svg>")


main()
