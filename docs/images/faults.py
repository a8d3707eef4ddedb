#!/usr/bin/env python3
"""Draws docs/images/faults/*.svg: what each fault does at the ring, in the pulse train, and in the number.

Nothing is drawn by hand: a ring of 24 teeth turns at the given speed, each tooth that passes makes a pulse unless the fault
takes it away, and the number is what a module makes of the pulses of a window. `docs/images/faults.py` writes all files anew.
"""

import math
import textwrap
from pathlib import Path

TEETH = 24
CIRCUMFERENCE_M = 1.95
SPAN_S = 0.6
WINDOW_S = 0.02
TIMEOUT_S = 0.1
INK, GREY, RED, BLUE, PAPER = "#1d2733", "#8a94a0", "#b3261e", "#1f5fa8", "#ffffff"


def pulses(speed_kmh, tooth, offset=lambda angle: 0.0, span=SPAN_S):
    """Times of the pulses: `tooth(index, time)` says whether it is seen, `offset` shifts it by an angle in turns."""
    times, turns, step = [], 0.0, 0.0002
    next_tooth, time = 1, 0.0
    while time < span:
        turns += speed_kmh(time) / 3.6 / CIRCUMFERENCE_M * step
        time += step
        place = next_tooth / TEETH
        if turns >= place + offset(place % 1.0):
            if tooth(next_tooth % TEETH, time):
                times.append(time)
            next_tooth += 1
    return times


def number(times, span=SPAN_S, every=0.01):
    """What the module sends: pulses of a window over the time from the pulse before it, 0 after a time without one."""
    points, metres = [], CIRCUMFERENCE_M / TEETH
    for sample in range(int(WINDOW_S / every) + 2, int(span / every)):
        now = sample * every
        past = [time for time in times if time <= now]
        inside = [time for time in past if time > now - WINDOW_S]
        before = [time for time in past if time <= now - WINDOW_S]
        if inside and before and inside[-1] - before[-1] <= TIMEOUT_S:
            speed = len(inside) * metres / (inside[-1] - before[-1])
        elif len(inside) > 1:
            speed = (len(inside) - 1) * metres / (inside[-1] - inside[0])
        elif len(past) > 1 and now - past[-1] <= TIMEOUT_S:
            speed = metres / max(past[-1] - past[-2], now - past[-1])
        else:
            speed = 0.0
        points.append((now, speed * 3.6))
    return points


class Drawing:
    """One SVG of 760 by 296."""

    def __init__(self, title, mistaken):
        self.title = title
        self.parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 296" font-family="sans-serif" font-size="13" role="img">',
            f"<title>{title}</title>",
            f'<rect width="760" height="296" fill="{PAPER}"/>',
            f'<text x="16" y="24" fill="{INK}" font-size="15" font-weight="bold">{title}</text>',
        ]
        for row, words in enumerate(textwrap.wrap(f"Can be mistaken for: {mistaken}", 112)):
            self.parts.append(f'<text x="16" y="{266 + 18 * row}" fill="{INK}">{words}</text>')
        for text, x, y in (("ring", 16, 50), ("pulses", 196, 50), ("number", 196, 106)):
            self.parts.append(f'<text x="{x}" y="{y}" fill="{GREY}">{text}</text>')

    def line(self, points, colour, width=1.5, dash=""):
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>')

    def ring(self, missing=(), shift=0.0, red=False):
        middle_x, middle_y = 92.0, 146.0
        points = []
        for tooth in range(TEETH):
            height = 46.0 if tooth in missing else 56.0
            for part, radius in ((0.0, 46.0), (0.25, 46.0), (0.25, height), (0.75, height), (0.75, 46.0)):
                angle = 2 * math.pi * (tooth + part) / TEETH - math.pi / 2
                points.append((middle_x + shift + radius * math.cos(angle), middle_y + radius * math.sin(angle)))
        points.append(points[0])
        self.line(points, RED if red else INK)
        for tooth in missing:
            angle = 2 * math.pi * (tooth + 0.5) / TEETH - math.pi / 2
            x, y = middle_x + 51 * math.cos(angle), middle_y + 51 * math.sin(angle)
            self.parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="9" fill="none" stroke="{RED}" stroke-width="2"/>')
        self.parts.append(f'<circle cx="{middle_x}" cy="{middle_y}" r="3" fill="{RED if shift else INK}"/>')

    def sensor(self, gap=4.0, words="", colour=INK):
        self.parts.append(f'<rect x="{82}" y="{90 - gap - 22:.1f}" width="20" height="22" fill="none" stroke="{colour}" stroke-width="1.5"/>')
        if words:
            self.parts.append(f'<text x="108" y="{90 - gap - 8:.1f}" fill="{colour}">{words}</text>')

    def train(self, times, span=SPAN_S, stray=(), heights=None):
        for index, time in enumerate(times):
            x, height = 196 + 548 * time / span, 26.0 if heights is None else heights[index]
            self.line([(x, 86), (x, 86 - height)], INK, 1.2)
        for time in stray:
            x = 196 + 548 * time / span
            self.line([(x, 86), (x, 60)], RED, 1.6)

    def numbers(self, traces, span=SPAN_S, top=None):
        highest = top or max(speed for points, _, _ in traces for _, speed in points) * 1.1
        self.line([(196, 112), (196, 232), (744, 232)], GREY, 1)
        self.parts.append(f'<text x="744" y="248" fill="{GREY}" text-anchor="end">time, {span:g} s</text>')
        for points, colour, dash in traces:
            steps = []
            for time, speed in points:
                x, y = 196 + 548 * time / span, 232 - 116 * min(speed / highest, 1.0)
                if steps:
                    steps.append((x, steps[-1][1]))
                steps.append((x, y))
            self.line(steps, colour, 1.8, dash)

    def save(self, name):
        folder = Path(__file__).parent / "faults"
        folder.mkdir(exist_ok=True)
        (folder / f"{name}.svg").write_text("\n".join([*self.parts, "</svg>", ""]))


def steady(_time):
    return 45.0


def every_tooth(_index, _time):
    return True


def main():
    sound = number(pulses(steady, every_tooth))

    draw = Drawing("Drop-out: a wire or contact opens", "a locked wheel (then the vehicle slows); a wheel that stands on a lift")
    times = pulses(steady, lambda _, time: not 0.22 < time < 0.4)
    draw.ring()
    draw.sensor(words="open", colour=RED)
    draw.train(times)
    draw.numbers([(sound, GREY, "5 4"), (number(times), RED, "")])
    draw.save("drop-out")

    draw = Drawing("Weak signal: wide gap, dirt, swarf, a tired coil", "slow sampling; a wheel that locks at the very end of a hard stop")
    span = 2.4
    away = lambda time: 9.0 * time
    all_pulses = pulses(away, every_tooth, span=span)
    seen = [time for time in all_pulses if away(time) >= 9.0]
    draw.ring()
    draw.sensor(gap=13.0, words="wide gap", colour=RED)
    draw.train(all_pulses, span, heights=[2 + 24 * away(time) / 21.6 for time in all_pulses])
    draw.line([(196, 86 - 2 - 24 * 9.0 / 21.6), (744, 86 - 2 - 24 * 9.0 / 21.6)], RED, 1, "4 3")
    draw.numbers([(number(all_pulses, span, 0.02), GREY, "5 4"), (number(seen, span, 0.02), RED, "")], span)
    draw.save("weak-signal")

    draw = Drawing("A missing tooth", "a loose contact (its dips have no angle); a rough road (all wheels have it); a wrong tyre, by the mean alone")
    times = pulses(steady, lambda index, _: index != 5)
    draw.ring(missing=(5,))
    draw.sensor()
    draw.train(times)
    draw.numbers([(sound, GREY, "5 4"), (number(times), RED, "")])
    draw.save("missing-tooth")

    draw = Drawing("Ring off centre, bent hub, loose bearing", "a tyre out of round (the same, far smaller); vibration of the drive train (not once per turn)")
    times = pulses(steady, every_tooth, lambda angle: 0.015 * math.sin(2 * math.pi * angle))
    draw.ring(shift=7.0)
    draw.sensor()
    draw.train(times)
    draw.numbers([(sound, GREY, "5 4"), (number(times), RED, "")], top=70.0)
    draw.save("off-centre")

    draw = Drawing("Another tyre, a flat one, a wrong ring", "a long bend; a vehicle whose left wheels all read a little faster; a worn or soft tyre (below 1 %)")
    faster = lambda _time: 45.0 * 1.08
    times = pulses(faster, every_tooth)
    draw.ring()
    draw.sensor(words="faster", colour=RED)
    draw.train(times)
    draw.numbers([(sound, GREY, "5 4"), (number(times), RED, "")], top=60.0)
    draw.save("tyre")

    draw = Drawing("Left and right exchanged at one axle", "a wrong tyre (then only in bends to one side); a wheel that spins; reversing, by the yaw rate")
    span = 6.0
    bend = lambda time: 0.06 * math.sin(2 * math.pi * time / 6.0)
    outer = [(0.1 * k, 30 * (1 + bend(0.1 * k))) for k in range(61)]
    inner = [(0.1 * k, 30 * (1 - bend(0.1 * k))) for k in range(61)]
    draw.ring()
    draw.sensor(words="other plug", colour=RED)
    draw.train(pulses(lambda time: 30 * (1 + bend(time * 10)), every_tooth))
    lift = lambda points: [(time, (speed - 25)) for time, speed in points]
    draw.numbers([(lift(outer), BLUE, ""), (lift(inner), GREY, "5 4"), (lift([(t, v - 0.25) for t, v in inner]), RED, "")], span, top=10.0)
    draw.parts.append(f'<text x="330" y="128" fill="{BLUE}">right rear: outer in the left bend</text>')
    draw.parts.append(f'<text x="330" y="226" fill="{RED}">&quot;right front&quot; runs with the inner side</text>')
    draw.save("exchanged")

    draw = Drawing("Stray pulses: a poor screen or earth, a loose bearing", "a rough road (all wheels, front before rear); a gravel road; a missing tooth (its spikes have an angle)")
    times = pulses(steady, every_tooth)
    stray = (0.13, 0.137, 0.301, 0.47, 0.476)
    draw.ring()
    draw.sensor(words="noise", colour=RED)
    draw.train(times, stray=stray)
    draw.numbers([(sound, GREY, "5 4"), (number(sorted([*times, *stray])), RED, "")])
    draw.save("stray-pulses")

    draw = Drawing("Frozen value", "a steady drive (the speed must have moved); a value that its sender renews slowly")
    span = 4.0
    changing = lambda time: 40 + 14 * math.sin(2 * math.pi * time / 4.0)
    times = pulses(changing, every_tooth, span=span)
    true = number(times, span, 0.05)
    held = next(speed for time, speed in true if time >= 1.3)
    draw.ring()
    draw.sensor()
    draw.train(times[::3], span)
    draw.numbers([(true, GREY, "5 4"), ([(t, held if t >= 1.3 else v) for t, v in true], RED, "")], span)
    draw.save("frozen")

    draw = Drawing("All wheels at once: the module or its supply", "four wheels locked on ice (they need a tenth of a second, and the brake); a gap of the capture")
    times = pulses(steady, lambda _, time: not 0.25 < time < 0.42)
    draw.ring()
    draw.sensor()
    draw.train(pulses(steady, every_tooth))
    gone = [[(t, 0.0 if 0.25 < t < 0.42 else v * f) for t, v in sound] for f in (1.0, 0.97, 1.03, 0.94)]
    draw.numbers([(points, colour, "") for points, colour in zip(gone, (RED, BLUE, INK, GREY))], top=55.0)
    draw.parts.append(f'<text x="420" y="50" fill="{GREY}" text-anchor="start">the sensors go on</text>')
    draw.save("all-at-once")


if __name__ == "__main__":
    main()
