"""Wheel-speed mathematics: scipy, astropy and numpy to the committed check values, and to what `wheels` measures.

Rings, pulses and counters are made here; the speeds that the program reads are read by us from its own CSV, and measured again
with the libraries' periodograms.
"""

import csv
import io
import json
import os
import sys

import numpy as np
from astropy.timeseries import LombScargle
from scipy import signal

from program import TOP, Counts, run, temporary, write

COUNTS = Counts("wheels: scipy, astropy and numpy to us")
CIRCUMFERENCE_M, TEETH, WINDOW_S, EVERY_S = 1.95, 48, 0.02, 0.01
NAMES = ["left-front", "right-front", "left-rear", "right-rear"]
VECTORS = os.path.join(TOP, "tests", "data", "periodogram.json")


def worked_example():
    """Twenty uneven samples of two sines: power at six frequencies, and false-alarm probabilities of four powers."""
    k = np.arange(20)
    at = k + 0.3 * np.sin(k)
    values = np.sin(2 * np.pi * 0.17 * at) + 0.5 * np.cos(2 * np.pi * 0.31 * at)
    return at, values


def made_anew():
    """The check values as the libraries give them."""
    at, values = worked_example()
    frequencies = [0.05, 0.10, 0.17, 0.25, 0.31, 0.40]
    by_scipy = signal.lombscargle(at, values - values.mean(), 2 * np.pi * np.array(frequencies), normalize=True)
    by_astropy = LombScargle(at, values, fit_mean=False).power(frequencies, method="slow")
    np.testing.assert_allclose(by_scipy, by_astropy, rtol=1e-10)
    search = LombScargle(at, values, fit_mean=False)
    alarms = []
    for power in (0.3, 0.5, 0.6, 0.7):
        single, baluev = (float(search.false_alarm_probability(power, maximum_frequency=0.5, method=method)) for method in ("single", "baluev"))
        alarms.append([power, single, baluev])
    # One of 48 teeth missing, readings in angle: ten turns, the reading over the gap is half.
    turns = np.array([turn + tooth / 48 for turn in range(10) for tooth in range(47)])
    readings = np.array([0.5 if tooth == 0 else 1.0 for _ in range(10) for tooth in range(47)])
    comb = LombScargle(turns, readings, fit_mean=False).power([0.5, 1, 2, 3, 4, 5], method="slow")
    # A ring off centre by 1 %: readings evenly spaced in angle, each the mean over one tooth, by numpy's transform.
    angle = 2 * np.pi * np.arange(480) / 48
    pieces = np.linspace(0, 2 * np.pi / 48, 401)
    spans = np.trapezoid(1 / (1 + 0.01 * np.sin(angle[:, None] + pieces)), pieces, axis=1)
    lines = np.abs(np.fft.rfft((2 * np.pi / 48) / spans)) * 2 / 480
    return {
        "frequencies": frequencies,
        "power": [float(power) for power in by_scipy],
        "false_alarm": alarms,
        "comb_orders": [0.5, 1, 2, 3, 4, 5],
        "comb_power": [float(power) for power in comb],
        "off_centre": [float(lines[10]), float(lines[20])],
    }


def committed_values():
    """The committed check values, which the program's own tests read, are those of the libraries."""
    made = made_anew()
    if os.environ.get("TONERING_UPDATE"):
        write(VECTORS, json.dumps(made, indent=1) + "\n")
    with open(VECTORS, encoding="utf-8") as file:
        committed = json.load(file)
    COUNTS.same(sorted(committed), sorted(made), "keys")
    for key, values in made.items():
        for index, (got, wanted) in enumerate(zip(np.ravel(committed[key]), np.ravel(values), strict=True)):
            COUNTS.near(float(got), float(wanted), f"{key}[{index}]", 1e-8)


def speed(time):
    """Slow changes between 20 and 44 km/h, in m/s."""
    return (32 + 12 * np.sin(2 * np.pi * time / 41)) / 3.6


def counted(chance, times, step, missing=(), off_centre=0.0, faster=0.0):
    """What a module counts of one wheel's ring, in km/h."""
    fine = np.arange(0, times[-1] + 1, step)
    rough = 1 + 0.0008 * np.convolve(chance.normal(size=fine.size), np.hanning(40) / np.hanning(40).std() / 6.3, mode="same")
    turns = np.cumsum(speed(fine) * rough * (1 + faster)) * step / CIRCUMFERENCE_M + chance.random()
    teeth = np.arange(np.ceil(turns[0] * TEETH), np.floor(turns[-1] * TEETH))
    seen = teeth[~np.isin(teeth % TEETH, missing)]
    at = np.interp(seen / TEETH + off_centre / (2 * np.pi) * np.sin(2 * np.pi * seen / TEETH), turns, fine)
    last, first = np.searchsorted(at, times, "right") - 1, np.searchsorted(at, times - WINDOW_S, "right") - 1
    return (last - first) * CIRCUMFERENCE_M / TEETH / (at[last] - at[first]) * 3.6


def measured(name, **fault):
    """Four wheels, the right rear one with a fault: what the program measures, and the speeds that it read."""
    chance = np.random.default_rng(5)
    times = np.arange(0.2, 180, EVERY_S)
    wheels = [counted(chance, times, 0.001, **(fault if wheel == 3 else {})) for wheel in range(4)]
    lines = []
    for moment, row in zip(times, np.array(wheels).T):
        raw = b"".join(int(round(value / 0.01)).to_bytes(2, "big") for value in row)
        lines.append(f"({moment:.6f}) can0 1A0#{raw.hex().upper()}")
    log = write(temporary(".log"), "\n".join(lines) + "\n")
    places = "".join(
        f"    {wheel}: {{ frame: 0x1A0, start_bit: {7 + 16 * index}, length: 16, byte_order: big, factor: 0.01 }}\n"
        for index, wheel in enumerate(NAMES)
    )
    profile = write(temporary(".yaml"), f"profile: 1\nwheels:\n  circumference_m: {CIRCUMFERENCE_M}\n  teeth: {TEETH}\n  speeds:\n{places}")
    found = json.loads(run("wheels", log, "--profile", profile, "--format", "json"))
    rows = list(csv.reader(io.StringIO(run("wheels", log, "--profile", profile, "--format", "csv"))))[1:]
    table = np.array(rows, dtype=float)
    measures = {entry["wheel"]: {measure["id"]: measure for measure in entry["measures"]} for entry in found["wheels"]}
    return measures, table, name


def by_library(table, wheel):
    """Amplitude at orders 1 to 4 of a wheel's residual over its own angle, by astropy, for stretches of twelve turns."""
    time, own = table[:, 0], table[:, 1 + wheel]
    others = np.median(np.delete(table[:, 1:], wheel, axis=1), axis=1)
    residual = own / others - 1
    turns = np.concatenate([[0], np.cumsum((own[1:] + own[:-1]) / 2 / 3.6 * np.diff(time) / CIRCUMFERENCE_M)])
    squares = []
    for start in np.arange(0, turns[-1] - 12, 12):
        inside = (turns >= start) & (turns < start + 12)
        line = LombScargle(turns[inside], residual[inside])
        # The wheel's mean is off where teeth are missing, so that the true order lies a little beside.
        orders = np.arange(0.94, 1.0601, 0.01)
        squares.append([max(line.power(orders * order, method="slow", normalization="psd")) * 4 / inside.sum() for order in range(1, 5)])
    return np.sqrt(np.mean(squares, axis=0))


def orders():
    """Comb of a missing tooth and line of a ring off centre, as measured by the program and by astropy."""
    for name, fault in (("one tooth missing", {"missing": [7]}), ("off centre by 2 %", {"off_centre": 0.02})):
        measures, table, _ = measured(name, **fault)
        library = by_library(table, 3)
        ours = measures["right-rear"]
        for order in range(1, 5 if "missing" in fault else 2):
            measure = ours[f"order_{order}"]
            COUNTS.same(measure["verdict"], "shown", f"{name}, order {order}")
            COUNTS.near(measure["value"] / library[order - 1], 1.0, f"{name}, order {order} against astropy's {library[order - 1]:.4f}", 0.12)
        if "missing" in fault:
            COUNTS.same(ours["comb"]["verdict"], "shown", f"{name}, comb")
        else:
            COUNTS.near(ours["order_1"]["value"], 0.02, f"{name}, amplitude", 0.003)
            COUNTS.same("comb" in ours and ours["comb"]["verdict"] == "shown", False, f"{name}, comb")
        for wheel in NAMES[:3]:
            shown = [key for key, measure in measures[wheel].items() if measure["verdict"] == "shown"]
            COUNTS.same(shown, [], f"{name}, {wheel}")


def ratio():
    """Ratio of a tyre that turns 5 % faster, with its interval, against a bootstrap of stretches of thirty metres."""
    measures, table, name = measured("tyre", faster=0.05)
    own, others = table[:, 4], np.median(table[:, 1:4], axis=1)
    metres = np.concatenate([[0], np.cumsum(others[1:] / 3.6 * np.diff(table[:, 0]))])
    means = np.array([np.mean(own[inside] / others[inside] - 1) for start in np.arange(0, metres[-1] - 30, 30)
                      if (inside := (metres >= start) & (metres < start + 30) & (others > 20)).sum() > 50])
    chance = np.random.default_rng(1)
    medians = np.median(chance.choice(means, (4000, means.size)), axis=1)
    low, high = np.quantile(medians, [0.025, 0.975])
    ours = measures["right-rear"]["ratio"]
    COUNTS.same(ours["verdict"], "shown", name)
    COUNTS.near(ours["value"], 0.05, name, 0.001)
    COUNTS.near(ours["value"], float(np.median(means)), f"{name}, numpy's median", 5e-4)
    # Rounding is in our interval too, so that it may be wider, but not much.
    width = (ours["interval"][1] - ours["interval"][0]) / (high - low)
    COUNTS.same(0.5 < width < 6, True, f"{name}: interval {width:.2f} times that of the bootstrap")
    COUNTS.same(ours["interval"][0] <= low + 3e-4 and high - 3e-4 <= ours["interval"][1], True, f"{name}: interval {ours['interval']}, bootstrap {low:.5f} to {high:.5f}")


committed_values()
if "--values-only" not in sys.argv:
    orders()
    ratio()
COUNTS.finish()
