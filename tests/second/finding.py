"""Buses of vehicles nobody has seen, and whether `wheels --find` finds the wheels on them: finding.py SEED COUNT, see README.md."""

import collections
import json
import os
import subprocess
import sys
import traceback
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from bus import Bus, pack
from physics import DT, edges_of, lowpass, make_drive, speed_from_edges, wheel_ground_speeds
from vehicle import WH, make_car

TOP = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
BIN = os.environ.get("TONERING", f"{TOP}/target/release/tonering")

# Steps of wheel-speed fields: unit, step, bits of the number (common practice and published signal tables, from memory).
STEPS = [
    ("km/h", 0.01, (15, 16)), ("km/h", 0.01, (16,)), ("km/h", 1 / 64, (14, 15, 16)), ("km/h", 1 / 128, (16, 15)), ("km/h", 1 / 32, (13, 14)),
    ("km/h", 0.05625, (12, 13)), ("km/h", 0.0625, (12, 13, 14)), ("km/h", 0.05, (13, 14)), ("km/h", 0.1, (12, 13)), ("km/h", 0.125, (11, 12)),
    ("km/h", 0.25, (10, 11)), ("km/h", 0.075, (12, 13)), ("km/h", 0.03, (14,)), ("km/h", 0.02, (14, 15)), ("km/h", 0.0075, (16,)),
    ("km/h", 1 / 256, (16,)), ("km/h", 0.005, (16,)), ("m/s", 0.01, (13, 14)), ("m/s", 1 / 256, (15, 16)), ("m/s", 0.005, (14, 15)), ("m/s", 0.02, (12, 13)),
    ("m/s", 1 / 64, (13, 14)), ("rpm", 0.5, (13, 14)), ("rpm", 0.125, (15, 16)), ("rpm", 0.25, (14, 15)), ("rpm", 0.1, (15, 16)), ("rpm", 1.0, (11, 12)),
    ("rad/s", 0.01, (14, 15)), ("rad/s", 1 / 64, (14, 15)), ("Hz", 1.0, (11, 12)), ("Hz", 0.25, (13, 14)), ("Hz", 0.1, (15, 16)), ("mph", 0.01, (15,)),
]  # fmt: skip
KINDS = ["city", "mixed", "country", "motorway", "yard", "queue", "constant", "reverse"]


def kmh_a_unit(unit, car):
    c = car["C"]
    return {"km/h": 1, "m/s": 3.6, "mph": 1.609344, "rpm": c / 60 * 3.6, "rad/s": c / 2 / np.pi * 3.6, "Hz": c / car["N"] * 3.6}[unit]


def drive(rng, kind, dur):
    if kind == "queue":  # standing traffic: creeping and stops
        v, k = [], []
        while len(v) < dur / DT:
            top, n = rng.uniform(1, 6), int(rng.uniform(4, 14) / DT)
            v += list(top * np.sin(np.pi * np.arange(n) / n) ** 2) + [0] * int(rng.uniform(1, 15) / DT)
        v = np.array(v[: int(dur / DT)])
        k = np.interp(np.arange(len(v)) * DT, np.arange(0, dur + 20, 15), rng.normal(0, 0.012, len(np.arange(0, dur + 20, 15))))
        return dict(t=np.arange(len(v)) * DT, v=v, k=k, kind=kind)
    if kind == "constant":  # a speed held for the whole capture, hardly a bend
        n = int(dur / DT)
        t = np.arange(n) * DT
        knots = np.arange(0, dur + 20, 8)
        v = rng.uniform(45, 130) / 3.6 * (1 + np.interp(t, knots, rng.normal(0, rng.uniform(0.004, 0.05), len(knots))))
        return dict(t=t, v=v, k=np.interp(t, knots, rng.normal(0, 4e-4, len(knots))), kind=kind)
    return make_drive(rng, {"reverse": "yard"}.get(kind, kind), dur)


def wheels(rng, car, d):
    d["vib"] = np.clip(np.interp(d["t"], np.arange(0, d["t"][-1] + 5, 4), rng.gamma(1.5, 0.6, len(np.arange(0, d["t"][-1] + 5, 4)))), 0, 3)
    d["abs_event"] = rng.random() < 0.1
    ground, yaw = wheel_ground_speeds(rng, car, d)
    tc = np.arange(0.01, d["t"][-1] - DT, 0.01)
    out = []
    for i in range(4):
        te, _ = edges_of(rng, car, d, i, ground[i], [], yaw)
        out.append(lowpass(speed_from_edges(te, tc, car["C"], car["N"]), car["tau"], 0.01))
    return tc, np.array(out), np.interp(tc, d["t"], yaw)


def layout(rng, bits):
    """places: per wheel (frame index, start, order); also the free bits' users"""
    order = str(rng.choice(["big", "little"]))
    two = rng.random() < 0.3
    style = str(rng.choice(["slots", "packed"], p=[0.6, 0.4]))
    per = 2 if two else 4
    places, tail = [], []
    if style == "slots":
        width = 16
        base = 0 if not two else int(rng.choice([0, 8, 16, 24, 32]))
    else:
        width = bits
        base = int(rng.integers(0, 64 - per * bits + 1)) if rng.random() < 0.5 else int(rng.choice([b for b in range(0, 64 - per * bits + 1, 4)]))
    pad = 0
    if style == "slots" and bits < 16:
        pad = int(rng.choice([0, 0, 0, 16 - bits]))  # number at the low or the high end of its slot
    for s in range(4):
        f, q = (s // 2, s % 2) if two else (0, s)
        low = base + q * width + pad  # lowest bit as counted along
        if order == "little":
            places.append((f, low))
        else:
            # counted from the first byte's highest bit: the field takes p .. p+bits-1
            p = base + q * width + (width - bits if pad == 0 else 0)
            places.append((f, p // 8 * 8 + 7 - p % 8))
    used = set()
    for f, st in places:
        for b in bits_of(st, bits, order):
            used.add((f, b))
    flags = bool(style == "slots" and bits <= 14 and pad == 0 and rng.random() < 0.35)  # direction or quality bits above the number
    return dict(order=order, two=two, style=style, places=places, bits=bits, used=used, flags=flags, base=base)


def bits_of(start, length, order):
    if order == "little":
        return list(range(start, start + length))
    out, b = [], start
    for _ in range(length):
        out.append(b)
        b = b - 1 if b % 8 else b + 15
    return out


def crc8(data):
    table = np.zeros(256, np.uint8)
    for x in range(256):
        c = x
        for _ in range(8):
            c = (c << 1 ^ 0x1D) & 0xFF if c & 0x80 else c << 1
        table[x] = c
    c = np.full(len(data), 0xFF, np.uint8)
    for j in range(data.shape[1]):
        c = table[c ^ data[:, j]]
    return c ^ 0xFF


def make_bus(seed, index, path, with_wheels=True):
    rng = np.random.default_rng([seed, index, 77])
    car = make_car(rng)
    kind = str(rng.choice(KINDS, p=[0.25, 0.18, 0.15, 0.12, 0.1, 0.06, 0.06, 0.08]))
    d = drive(rng, kind, float(rng.uniform(60, 420)))
    tc, speed, yaw = wheels(rng, car, d)
    v = np.interp(tc, d["t"], d["v"]) * 3.6
    dur = tc[-1]
    unit, step, bits = STEPS[rng.integers(len(STEPS))]
    bits = int(rng.choice(bits))
    scale = step * kmh_a_unit(unit, car)
    while scale * 2**bits < 1.15 * max(v.max(), 120) and bits < 16:
        bits += 1
    offset = 0.0
    if rng.random() < 0.12 and scale * 2**bits > 1.15 * v.max() + 100:
        offset = -round(float(rng.choice([50, 67.67, 100])) / scale) * scale
    lay = layout(rng, bits)
    period = float(rng.choice([0.01, 0.02, 0.02, 0.02, 0.1]))
    swap = [0, 1, 2, 3] if rng.random() < 0.75 else list(rng.choice([[1, 0, 3, 2], [2, 3, 0, 1], [0, 2, 1, 3], [0, 1, 3, 2]]))
    ids = list(rng.choice(np.arange(0x40, 0x6F0), 40, replace=False))
    ext = bool(rng.random() < 0.12)
    reported = str(rng.choice(["none", "pid", "dash", "pid+dash"], p=[0.3, 0.3, 0.25, 0.15]))
    bus = Bus()
    lost = float(rng.choice([0, 0, 0, 0.01, 0.1]))
    jitter = float(rng.choice([2e-5, 2e-4, 1.5e-3]))

    def at(every):
        t = np.arange(rng.uniform(0.002, every + 0.002), dur - 0.01, every)
        t = t + np.abs(rng.normal(0, jitter, len(t)))
        return np.sort(t[rng.random(len(t)) >= lost])

    def send(t, ident, data, wide=None, counter=None, check=None):
        if counter is not None:
            byte, shift = counter
            n = (np.arange(len(t)) % 16).astype(np.uint8)
            data[:, byte] = (data[:, byte] & ~np.uint8(15 << shift)) | n << np.uint8(shift)
        if check is not None:
            data[:, check] = 0
            data[:, check] = crc8(data)
        bus.bulk(t, int(ident), data, ext if wide is None else wide)

    if ext:
        ids = [0x0C000000 + int(i) * 0x1357 % 0x03FFFFFF for i in ids]
    fids = sorted(ids[:2])
    truth = {}
    frames = {}
    share = at(period)
    for f in range(2 if lay["two"] else 1):
        t = share + 0.0004 * f + rng.uniform(0, 1e-4, len(share)) if rng.random() < 0.8 else at(period)
        frames[f] = (np.sort(t), np.zeros((len(t), 8), np.uint8))
    for place, (f, start) in enumerate(lay["places"]):
        w = int(swap[place])
        t, data = frames[f]
        kmh = np.interp(t, tc, speed[w]) if period >= 0.02 else speed[w][np.clip(np.searchsorted(tc, t) - 1, 0, len(tc) - 1)]
        raw = np.clip(np.floor((kmh - offset) / scale + 0.5), 0, 2**bits - 2).astype(np.int64)
        if d.get("mark", None) is None:
            d["mark"] = rng.random() < 0.15
        if d["mark"]:
            raw[t < 0.4] = 2**bits - 1
        data |= pack(raw, start, bits, lay["order"])
        if lay["flags"]:
            moving = (kmh > 0.5).astype(np.int64)
            top = start + bits if lay["order"] == "little" else (start + 1 if start % 8 != 7 else None)
            if top is not None and top < 64 and (f, top) not in lay["used"]:
                data |= pack(moving, top, 1, lay["order"])
        truth[WH[w]] = dict(frame=int(fids[f]), start=int(start), bits=bits, order=lay["order"])
    for f, (t, data) in frames.items():
        free = [y for y in range(8) if not any((f, b) in lay["used"] for b in range(8 * y, 8 * y + 8))]
        counter = check = None
        if free and rng.random() < 0.6:
            check = free[0] if rng.random() < 0.5 else free[-1]
            rest = [y for y in free if y != check]
            if rest:
                counter = (int(rest[0]), int(rng.choice([0, 4])))
        if with_wheels:
            send(t, fids[f], data, counter=counter, check=check)
    # --- everything else
    v_at = lambda t: np.interp(t, tc, v)
    acc = np.gradient(lowpass(v / 3.6, 0.1, 0.01), 0.01)
    gears = np.array([0, 12, 25, 42, 60, 85, 400.0]) * rng.uniform(0.85, 1.2)
    gear = np.clip(np.searchsorted(gears, v, "right"), 1, 6)
    ratio = np.array([0, 115, 66, 44, 33, 27, 22.0])[gear]
    engine = np.maximum(lowpass(v * ratio, 0.15, 0.01), 780 + 25 * np.sin(tc / 3)) + rng.normal(0, 4, len(tc))
    torque = np.clip(35 + 70 * acc + 0.01 * v * v / 10 + lowpass(rng.normal(0, 60, len(tc)), 0.3, 0.01), -40, 400)
    pedal = np.clip(12 + 22 * acc + lowpass(rng.normal(0, 9, len(tc)), 0.3, 0.01), 0, 100) * (v > 0.3)
    k = np.interp(tc, d["t"], d["k"])
    if kind == "reverse":
        yaw = np.where(np.sin(tc / 33) > 0.6, -yaw, yaw)
    f16 = lambda x, step, off=0: np.clip(np.round((x - off) / step), 0, 65535).astype(np.int64)
    put = lambda t, x, s, n, o: pack(np.clip(np.interp(t, tc, x), 0, 2**n - 1).astype(np.int64), s, n, o)
    big = str(rng.choice(["big", "little"]))
    st = lambda byte, n=16: 8 * byte + 7 if big == "big" else 8 * byte
    t = at(0.01)
    send(t, ids[2], put(t, engine / 0.25, st(0), 16, big) | put(t, pedal / 0.4, 8 * 2 + 7, 8, "big") | put(t, (torque + 400) / 0.5, st(4), 16, big), counter=(7, 0), check=6)
    t = at(0.01)
    # four torques that follow each other: demand, actual, friction, limited
    noise = lambda s: lowpass(rng.normal(0, s, len(tc)), 0.4, 0.01)
    four = np.zeros((len(t), 8), np.uint8)
    for j in range(4):
        four |= put(t, (torque * (1 - 0.02 * j) + noise(8) + 500) / 0.1, st(2 * j), 16, big)
    send(t, ids[3], four)
    t = at(0.02)
    # brake pressures of four wheels: they move together as well, but not as wheels do
    p = np.clip(-acc - 0.3, 0, 8) * 12
    four = np.zeros((len(t), 8), np.uint8)
    for j in range(4):
        four |= put(t, np.clip(p * (1 if j < 2 else 0.6) + noise(1.0) * (p > 0), 0, 200) / 0.05, st(2 * j), 16, big)
    if rng.random() < 0.4:
        send(t, ids[4], four)
    t = at(0.02)
    send(t, ids[5], put(t, np.degrees(yaw) / 0.01 + 32768, st(0), 16, big) | put(t, v / 3.6 * yaw / 0.001 + 32768, st(2), 16, big) | put(t, acc / 0.001 + 32768, st(4), 16, big), counter=(7, 0), check=6)
    t = at(0.01)
    send(t, ids[6], put(t, np.degrees(np.arctan(2.7 * k)) * 15 / 0.1 + 32768, st(0), 16, big) | put(t, np.abs(np.gradient(k)) * 1e6, st(2), 8, "little"), counter=(6, 4), check=7)
    # speeds of the gearbox: turbine, output shaft, propeller shaft
    t = at(0.02)
    shaft = v * rng.uniform(28, 36)
    send(t, ids[7], put(t, np.maximum(engine - 40 * (gear < 3), 0), st(0), 16, big) | put(t, shaft, st(2), 16, big) | pack(gear[np.searchsorted(tc, t).clip(0, len(tc) - 1)], 32, 4, "little"), counter=(7, 0))
    # pulse counters of the wheels, eight bits each
    if rng.random() < 0.5:
        t = at(period)
        data = np.zeros((len(t), 8), np.uint8)
        for w in range(4):
            way = np.cumsum(speed[w]) / 3.6 * 0.01 / car["C"] * car["N"]
            data[:, w] = np.interp(t, tc, way).astype(np.int64) & 0xFF
        send(t, ids[8], data, counter=(7, 0))
    # the vehicle's speed, once or twice
    mean = lowpass((speed[0] + speed[1] + speed[2] + speed[3]) / 4, 0.08, 0.01)
    dash_step = float(rng.choice([0.01, 1 / 64, 0.1, 1.0, 1 / 128, 0.5]))
    if "dash" in reported:
        t = at(float(rng.choice([0.02, 0.05, 0.1])))
        n = 8 if dash_step >= 0.5 else 16
        n = n if dash_step < 1 or v.max() < 250 else 16
        shown = mean * rng.choice([1.0, 1.0, 1.02, 1.035])
        send(t, ids[9], put(t, shown / dash_step, 8 * 2 + 7 if n == 8 else st(2), n, "big" if n == 8 else big) | put(t, 60 + 20 * (1 - np.exp(-tc / 200)), 7, 8, "big"))
    if rng.random() < 0.3:
        t = at(0.02)  # copies of the front wheels' mean and the rear wheels' mean
        send(t, ids[10], put(t, (speed[0] + speed[1]) / 2 / 0.01, st(0), 16, big) | put(t, (speed[2] + speed[3]) / 2 / 0.01, st(2), 16, big))
    for j in range(int(rng.integers(2, 8))):  # slow and still things
        t = at(float(rng.choice([0.1, 0.2, 1.0])))
        data = np.tile(rng.integers(0, 256, 8).astype(np.uint8), (len(t), 1))
        data[:, 0] = (80 + 8 * np.sin(t / 60 + j)).astype(np.uint8)
        data |= pack((np.cumsum(np.interp(t, tc, v)) * 0.01).astype(np.int64) & 0xFFFF, 32, 16, "little") if j == 0 else 0
        send(t, ids[12 + j], data)
    if "pid" in reported:
        every = float(rng.choice([0.2, 0.5, 1.0, 2.0]))
        t = np.arange(0.5, dur - 1, every)
        data = np.full((len(t), 8), 0xAA, np.uint8)
        data[:, :4] = np.stack([np.full(len(t), 3), np.full(len(t), 0x41), np.full(len(t), 0x0D), np.interp(t - 0.1, tc, mean).astype(int)], 1)
        bus.bulk(t, 0x7E8, data)
        bus.bulk(t - 0.02, 0x7DF, np.tile(np.array([2, 1, 0x0D, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA], np.uint8), (len(t), 1)))
    # --- the recorder
    clock = str(rng.choice(["good", "good", "good", "good", "jump", "back", "hole", "coarse"]))
    if clock in ("jump", "back", "hole"):
        cut = rng.uniform(0.25, 0.75) * dur
        shift = {"jump": rng.uniform(5, 4000), "back": -rng.uniform(2, 4000), "hole": 0}[clock]
        hole = rng.uniform(2, 15) if clock == "hole" else 0
        parts = []
        for pt, pi, pl, pd in bus.parts:
            keep = (pt < cut) | (pt > cut + hole)
            parts.append((pt[keep], pi[keep], pl[keep], pd[keep]))
        bus.parts = parts
        write(bus, path, lambda x: np.where(x >= cut, x + shift, x))
    elif clock == "coarse":
        write(bus, path, lambda x: np.floor(x * 1000) / 1000)
    else:
        write(bus, path, lambda x: x)
    return dict(
        index=index, tight=lay["style"] == "packed", kind=kind, dur=dur, unit=unit, step=step, scale=scale, bits=bits, offset=offset, order=lay["order"], two=lay["two"], style=lay["style"],
        flags=lay["flags"], period=period, ext=ext, reported=reported, lost=lost, jitter=jitter, clock=clock, top=float(v.max()), swap=[int(x) for x in swap],
        truth=truth, dash_step=dash_step, turns=float(np.mean(np.abs(k[v > 8]) > 0.004)) if (v > 8).any() else 0.0, drive=car["drive"],
    )  # fmt: skip


def write(bus, path, clock):
    t, i, n, d = bus.sorted()
    shown = clock(t) + 1_700_000_000
    h = d.tobytes().hex().upper()
    with open(path, "w") as f:
        f.write(
            "".join(
                "(%.6f) can0 %s#%s\n" % (x, "%08X" % (a & 0x1FFFFFFF) if a & 0x80000000 else "%03X" % a, h[16 * k : 16 * k + 2 * m])
                for k, (x, a, m) in enumerate(zip(shown.tolist(), i.tolist(), n.tolist()))
            )
        )


def find(path):
    r = subprocess.run([BIN, "wheels", path, "--find", "--format", "json"], capture_output=True, text=True, timeout=300)
    if r.returncode not in (0, 1):
        return dict(error=r.stderr[-300:])
    return json.loads(r.stdout)["candidates"]


def low(start, length, order):
    return bits_of(start, length, order)[0 if order == "little" else -1]


def significance(bit, order):
    """how far along towards the less significant"""
    return -bit if order == "little" else bit // 8 * 8 + 7 - bit % 8


def judge(case, found):
    """what of the best candidate is right"""
    if not found:
        return dict(fields=False, found=False)
    best = found[0]
    got, shifts = {}, []
    for w, s in best["speeds"].items():
        frame, place = int(s["frame"], 16), significance(low(s["start_bit"], s["length"], s["byte_order"]), s["byte_order"])
        got[w] = None
        for name, t in case["truth"].items():
            # still zeros below the number may be counted to it: the values are the same
            shift = place - significance(low(t["start"], t["bits"], t["order"]), t["order"])
            if t["frame"] == frame and t["order"] == s["byte_order"] and 0 <= shift <= (0 if case["tight"] else 16 - t["bits"]):
                got[w] = name
                shifts.append(shift)
    fields = sorted(x or "" for x in got.values()) == sorted(WH)
    one = next(iter(best["speeds"].values()))
    out = dict(found=True, fields=fields, score=best["score"], got=got, why=best["why"], others=[round(c["score"], 2) for c in found[1:]])
    if fields:
        front = all((got[w] or "").endswith("front") == w.endswith("front") for w in WH)
        sides = len({got[w].split("-")[0] for w in WH if w.startswith("left")}) == 1
        out |= dict(axle=front, sides=sides, left=all(got[w] == w for w in WH), sure=[s["confidence"] for s in best["speeds"].values()][0])
        out |= dict(
            factor=one["factor"], ratio=one["factor"] * 2 ** shifts[0] / case["scale"], known=best["scale_known"], scale_sure=best["scale_confidence"],
            offset=abs(one["offset"] - case["offset"]) < max(1.0, 2 * case["scale"]),
        )  # fmt: skip
    return out


def one(arg):
    seed, index, root = arg
    path = f"{root}/{index:04d}.log"
    try:
        case = make_bus(seed, index, path)
        out = dict(case=case, judged=judge(case, find(path)))
        bare = path.replace(".log", "-bare.log")
        make_bus(seed, index, bare, with_wheels=False)
        out["without"] = [dict(score=c["score"], speeds=c["speeds"], why=c["why"]) for c in find(bare)]
        if not os.environ.get("KEEP"):
            os.remove(path)
            os.remove(bare)
        return out
    except Exception:
        return dict(index=index, crash=traceback.format_exc()[-900:])


def score(results):
    good = [r for r in results if "case" in r]
    for r in results:
        if "crash" in r:
            print("BAD", r)
    n = len(good)
    share = lambda k, m: f"{k}/{m}"
    right = [r for r in good if r["judged"]["fields"]]
    print("buses", n, "; four fields right", share(len(right), n), "; nothing found", sum(not r["judged"]["found"] for r in good), "; other fields first", sum(r["judged"]["found"] and not r["judged"]["fields"] for r in good))
    wrong = [r["judged"]["score"] for r in good if r["judged"]["found"] and not r["judged"]["fields"]]
    print("scores of wrong ones", sorted(round(x, 2) for x in wrong))
    print("without the wheels something found:", sum(bool(r["without"]) for r in good), "; with", [round(r["without"][0]["score"], 2) for r in good if r["without"]])
    for name in ("none", "dash", "pid", "pid+dash"):
        part = [r for r in right if r["case"]["reported"] == name]
        ok = [r for r in part if abs(r["judged"]["ratio"] - 1) < 0.035]
        sure = [r["judged"]["scale_sure"] for r in part]
        print(
            f"scale, reported {name:9}: right {share(len(ok), len(part))}, said known {sum(r['judged']['known'] for r in part)}, mean said sure {np.mean(sure) if sure else 0:.2f}",
            "; known but wrong", sum(r["judged"]["known"] and r not in ok for r in part), "; sure >= 0.5 but wrong", sum(r["judged"]["scale_sure"] >= 0.5 and r not in ok for r in part),
        )  # fmt: skip
    print("offset right", share(sum(r["judged"]["offset"] for r in right), len(right)))
    print("axles right", share(sum(r["judged"]["axle"] for r in right), len(right)), "; sides together", share(sum(r["judged"]["sides"] for r in right), len(right)), "; all four", share(sum(r["judged"]["left"] for r in right), len(right)))
    bins = collections.defaultdict(list)
    for r in right:
        bins[int(r["judged"]["sure"] * 10)].append(r["judged"]["left"])
    print("wheels: said -> right:", "; ".join(f"{b / 10:.1f}: {np.mean(x):.2f} of {len(x)}" for b, x in sorted(bins.items())))
    bins = collections.defaultdict(list)
    for r in right:
        bins[int(r["judged"]["scale_sure"] * 10)].append(abs(r["judged"]["ratio"] - 1) < 0.035)
    print("scale: said -> right:", "; ".join(f"{b / 10:.1f}: {np.mean(x):.2f} of {len(x)}" for b, x in sorted(bins.items())))
    for key in ("kind", "two", "order", "style", "bits", "period", "flags", "clock", "lost", "jitter", "ext"):
        c = collections.defaultdict(list)
        for r in good:
            c[r["case"][key]].append(r["judged"]["fields"])
        print(f"  fields by {key}:", "; ".join(f"{k}: {sum(x)}/{len(x)}" for k, x in sorted(c.items(), key=str)))


if __name__ == "__main__":
    seed, count = int(sys.argv[1]), int(sys.argv[2])
    root = os.environ.get("OUT", f"{TOP}/target/second/find-{seed}")
    os.makedirs(root, exist_ok=True)
    with ProcessPoolExecutor(int(os.environ.get("JOBS", "2"))) as pool:
        results = list(pool.map(one, [(seed, i, root) for i in range(count)]))
    with open(f"{root}/results.json", "w") as file:
        json.dump(results, file, default=lambda x: x.item() if hasattr(x, "item") else str(x), indent=1)
    score(results)
