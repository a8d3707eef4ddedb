"""One vehicle: history, drive, tester session, files, notes, and what an experienced mechanic could tell from them."""

import json, os, numpy as np
from physics import *
from vehicle import *
from codes import code_for, dtc_bytes
from bus import Bus, Link, pack

RANK = ["MIX"]
ADDR = [
    ("normal", 0x760, 0x768),
    ("normal", 0x7B0, 0x7B8),
    ("normal", 0x740, 0x748),
    ("normal", 0x713, 0x77D),
    ("normal", 0x7D1, 0x7D9),
    ("normal", 0x243, 0x643),
    ("normal", 0x7E2, 0x7EA),
    ("normal-fixed", 0x18DA28F1, 0x18DAF128),
    ("normal-fixed", 0x18DA0BF1, 0x18DAF10B),
    ("normal-fixed", 0x18DA1DF1, 0x18DAF11D),
    ("extended", 0x6F1, 0x629),
    ("normal", 0x6AD, 0x6CD),
]


def extend(d, pre, post):
    v, k = d["v"], d["k"]
    n0 = int(pre / DT)
    ve = v[-1]
    nr = int(ve / 2.0 / DT) if ve > 0.05 else 0
    tail = np.concatenate([ve * (1 - np.linspace(0, 1, nr)), np.zeros(int(post / DT))])
    v0 = np.concatenate([np.zeros(n0), v, tail])
    k0 = np.concatenate([np.zeros(n0), k, np.zeros(len(tail))])
    v0[: n0 + 400] = np.where(np.arange(n0 + 400) < n0, 0, v0[: n0 + 400])
    out = dict(d)
    out.update(t=np.arange(len(v0)) * DT, v=v0, k=k0)
    return out


class Store:
    """the fault memory of the brake module"""

    def __init__(s, rng, car, faults, hist, now):
        s.T = car["T"]
        s.hist = hist
        s.clears = []
        # the ignition was on for a while before the tester was there: tests that need no driving are over
        s.M = {
            k: [0.0 if t is not None and t < 2.5 else t, [(0.0 if a < 2.5 else a, b) for a, b in f]]
            for k, (t, f) in now["M"].items()
        }
        s.pend = {k for k in hist if rng.random() < 0.75}

    def status(s, key, tr):
        tc = max([c for c in s.clears if c < tr], default=None)
        tested, fails = s.M.get(key, [None, []])
        after = tc if tc is not None else -1
        fails = [(max(a, after + 0.6) if tc is not None else a, b) for a, b in fails if b > after + 0.6]
        setnow = [a for a, b in fails if a <= tr]
        done = (
            tested is not None
            and (
                (tested <= tr and tc is None)
                or (tc is not None and tr > tc + max(1.2, 0.5 if tested < 2 else 20) and tested <= tr)
            )
            or bool(setnow)
        )
        tf = bool(setnow) and (s.T["latch"] or any(a <= tr <= b + 0.4 for a, b in fails))
        conf0 = key in s.hist and tc is None
        st = 0
        if tf:
            st |= 0x01
        if setnow:
            st |= 0x02
        if setnow or (conf0 and not done and key in s.pend):
            st |= 0x04
        if setnow or conf0:
            st |= 0x08 | 0x20
        if not done and tc is not None:
            st |= 0x10
        if not done:
            st |= 0x40
        if (st & 1) or (st & 2):
            st |= 0x80
        if conf0 and not done and key in s.pend:
            st |= 0x80
        return st

    def listing(s, tr):
        keys = set(s.M) | set(s.hist)
        return [(k, st) for k in sorted(keys, key=str) for st in [s.status(k, tr)] if st & 0x2F]


def layout(rng, car):
    """where the broadcast wheel speeds are"""
    kind = rng.choice(["one16be", "two16le", "packed13", "off16", "le12", "rpm", "one16le", "two15be"])
    ids = sorted(rng.choice(np.arange(0xA0, 0x5F0), 2, replace=False))
    order = [0, 1, 2, 3] if rng.random() < 0.7 else ([1, 0, 3, 2] if rng.random() < 0.7 else [2, 3, 0, 1])
    F = [int(x) for x in ids]
    sig = {}
    for s, wh in enumerate(order):
        if kind == "one16be":
            sig[wh] = dict(frame=F[0], start_bit=16 * s + 7, length=16, byte_order="big", factor=0.01, inv=0xFFFF)
        if kind == "one16le":
            sig[wh] = dict(
                frame=F[0],
                start_bit=16 * s,
                length=16,
                byte_order="little",
                factor=float(rng.choice([0.0078125, 0.01, 0.0625])) if s == 0 else sig[order[0]]["factor"],
                inv=0xFFFF,
            )
        if kind == "two16le":
            sig[wh] = dict(
                frame=F[s // 2],
                start_bit=16 * (s % 2) + 8,
                length=16,
                byte_order="little",
                factor=0.05625 if s == 0 and rng.random() < 0.4 else (0.015625 if s == 0 else sig[order[0]]["factor"]),
                inv=0xFFFF,
            )
        if kind == "packed13":
            b = 13 * s
            sig[wh] = dict(
                frame=F[0], start_bit=8 * (b // 8) + 7 - b % 8, length=13, byte_order="big", factor=0.05, inv=0x1FFF
            )
        if kind == "off16":
            sig[wh] = dict(
                frame=F[0], start_bit=16 * s + 7, length=16, byte_order="big", factor=0.01, offset=-67.67, inv=0xFFFF
            )
        if kind == "le12":
            sig[wh] = dict(
                frame=F[s // 2], start_bit=12 * (s % 2) + 16, length=12, byte_order="little", factor=0.1, inv=0xFFF
            )
        if kind == "rpm":
            sig[wh] = dict(
                frame=F[0], start_bit=16 * s + 7, length=16, byte_order="big", factor=0.125, unit="rpm", inv=0xFFFF
            )
        if kind == "two15be":
            sig[wh] = dict(
                frame=F[s // 2], start_bit=32 * (s % 2) + 6, length=15, byte_order="big", factor=0.0125, inv=0x7FFF
            )
    return str(kind), sig, float(rng.choice([20, 25, 50, 50, 100]))


def kmh_to_raw(car, g, x, bad=None, nbits=16):
    u = g.get("unit")
    y = x / 3.6 / car["Cprof"] * 60 if u == "rpm" else x
    r = np.round((y - g.get("offset", 0)) / g["factor"])
    r = np.clip(r, 0, 2 ** g["length"] - 2)
    if bad is not None:
        r = np.where(bad, g["inv"], r)
    return r.astype(np.int64)


def pick_cause(rng, tempered=True):
    ids = list(MIX)
    p = np.array([MIX[i] for i in ids])
    p = p / p.sum()
    q = 0.5 * p + 0.5 / len(ids)
    j = rng.choice(len(ids), p=q)
    return ids[j], float(p[j] / q[j])


def wheelcause(c):
    return c in WHEEL_CAUSES


def make_case(seed, index, out):
    rng = np.random.default_rng([seed, index, 77])
    os.makedirs(out, exist_ok=True)
    car = make_car(rng)
    cause, weight = pick_cause(rng)
    former = None
    faults = []
    if cause == "no-present-fault":
        former = str(
            rng.choice(
                [
                    "sensor-circuit",
                    "sensor-failed",
                    "supply-low",
                    "tone-ring",
                    "brake-switch",
                    "sensor-weak-signal",
                    "network",
                    "pump-motor",
                ],
                p=[0.25, 0.2, 0.2, 0.1, 0.08, 0.09, 0.04, 0.04],
            )
        )
    elif cause != "healthy":
        faults.append(make_fault(rng, car, cause))
    if faults and rng.random() < 0.10:
        ids = [
            c
            for c in MIX
            if c not in ("healthy", "no-present-fault", cause, "supply-lost")
            and not (c.startswith("fluid") and cause.startswith("fluid"))
            and not (c.startswith("supply") and cause.startswith("supply"))
        ]
        p = np.array([MIX[c] for c in ids])
        second = ids[rng.choice(len(ids), p=p / p.sum())]
        if cause not in ("supply-lost",) and not (cause == "module-internal" and faults[0]["variant"] == "silent"):
            f2 = make_fault(rng, car, second, avoid=[f["wheel"] for f in faults if "wheel" in f])
            if not (second == "module-internal" and f2["variant"] == "silent"):
                faults.append(f2)
    # --- what happened before: the lamp came on in an earlier drive
    hist = {}
    old = [make_fault(rng, car, former)] if former else faults
    if cause != "healthy":
        for attempt in range(5):
            hd = extend(
                make_drive(rng, str(rng.choice(["mixed", "city", "country", "motorway"], p=[0.5, 0.2, 0.2, 0.1])), 420),
                3,
                2,
            )
            hd["start"] = rng.random() < 0.6
            hd["hidden"] = True
            h = run_vehicle(rng, car, old, hd)
            hist = {k: a[1] for k, a in h["M"].items() if a[1]}
            if (
                hist
                or cause
                in ("tyre-mismatch", "sensors-swapped", "supply-lost", "module-internal", "network", "fluid-leak")
                and rng.random() < 0.5
            ):
                break
            if attempt >= 1 and old and old[0]["id"] in WHEEL_CAUSES:
                f2 = make_fault(rng, car, old[0]["id"])
                f2["wheel"] = old[0]["wheel"]
                old[0].clear()
                old[0].update(f2)
            if old and old[0]["id"] == "network":
                break
            if former and attempt == 3:
                former = "sensor-circuit"
                old = [make_fault(rng, car, former)]
                old[0]["variant"] = "open"
    hist = set(hist)
    # --- the drive that is captured
    kind = str(
        rng.choice(
            ["idle", "yard", "city", "city", "mixed", "country", "motorway"], p=[0.15, 0.08, 0.22, 0.1, 0.2, 0.15, 0.10]
        )
    )
    dur = {"idle": rng.uniform(10, 60), "yard": rng.uniform(40, 120)}.get(
        kind, float(np.exp(rng.uniform(np.log(90), np.log(420))))
    )
    session = str(rng.choice(["before", "after", "both", "clear", "none"], p=[0.32, 0.3, 0.17, 0.15, 0.06]))
    pre = 14 if session in ("before", "both", "clear") else 0
    post = 14 if session in ("after", "both", "clear") else 1
    d = make_drive(rng, kind, dur)
    d["abs_event"] = rng.random() < 0.06 and kind != "idle"
    d = extend(d, pre, post)
    d["start"] = pre == 0 and rng.random() < 0.25
    S = run_vehicle(rng, car, faults, d)
    tc = S["tc"]
    n = len(tc)
    T = car["T"]
    end = S["dur"] - 0.05
    store = Store(rng, car, faults, hist, S)
    bus = Bus()
    prof = dict(profile=1, name=f"vehicle {index}")
    car["Cprof"] = 3.05 * TYRES[car["tyre"]]
    # --- links
    a = (
        ADDR[rng.integers(len(ADDR))]
        if car["access"] in ("uds", "kwp")
        else (("normal", 0x7E2, 0x7EA) if rng.random() < 0.5 else ("normal", 0x7E3, 0x7EB))
    )
    if car["access"] == "kwp" and a[0] == "extended":
        a = ADDR[0]
    brake = Link(a[0], a[1], a[2], target=0x29, pad=int(rng.choice([0, 0x55, 0xAA, 0xCC, 0xFF])))
    fixed = a[0] == "normal-fixed"
    eng = Link("normal-fixed", 0x18DA10F1, 0x18DAF110) if fixed else Link("normal", 0x7E0, 0x7E8)
    func_id = 0x18DB33F1 if fixed else 0x7DF
    others = []
    pool = [
        ("Steering", "steering", 0x712, 0x77C, 0x30),
        ("Body", "body", 0x726, 0x72E, 0x40),
        ("Cluster", "cluster", 0x720, 0x728, 0x60),
        ("Gateway", "gateway", 0x716, 0x71E, 0x08),
        ("Restraint", "restraint", 0x737, 0x73F, 0x58),
    ]
    if car["access"] in ("uds", "kwp") and a[1] not in (0x713,):
        for j in rng.permutation(len(pool))[: rng.integers(0, 5)]:
            nm, role, rq, rs, ta = pool[j]
            others.append(
                (
                    nm,
                    role,
                    Link("normal-fixed", 0x18DA00F1 | ta << 8, 0x18DAF100 | ta) if fixed else Link("normal", rq, rs),
                    str(rng.choice(["ok", "ok", "ok", "refuse", "silent"], p=[0.3, 0.3, 0.2, 0.12, 0.08])),
                )
            )
    mods = []

    def modline(nm, role, l, proto):
        m = dict(
            name=nm, role=role, request="0x%X" % l.req, response="0x%X" % l.resp, addressing=l.mode, protocol=proto
        )
        if l.mode == "extended":
            m["request_extension"] = "0x29"
            m["response_extension"] = "0xF1"
        return m

    proto = {"uds": "uds", "kwp": "kwp", "obd": "obd", "engine-only": "uds"}[car["access"]]
    if car["access"] != "engine-only" or rng.random() < 0.5:
        mods.append(modline("Brakes", "brakes", brake, proto))
    mods.append(modline("Engine", "powertrain", eng, "obd"))
    for nm, role, l, st in others:
        mods.append(modline(nm, role, l, "uds" if proto != "kwp" else "kwp"))
    prof["modules"] = mods
    prof["functional"] = ["0x%X" % func_id]
    # --- broadcast
    src = (
        "broadcast"
        if rng.random() < (0.72 if car["access"] in ("uds", "kwp") else 0.5)
        else ("polled" if car["access"] == "uds" and rng.random() < 0.6 else "none")
    )
    wheels = dict(
        tyre=car["tyre"],
        teeth=car["N"],
        sensor=car["sensor"],
        track_m=round(car["track"], 3),
        wheelbase_m=round(car["wb"], 3),
    )
    if rng.random() < 0.25:
        wheels.pop("teeth")
    if rng.random() < 0.2:
        wheels.pop("sensor")
    if rng.random() < 0.2:
        wheels.pop("track_m")
        wheels.pop("wheelbase_m")
    speeds = {}
    signals = {}
    bufg = lambda t: np.clip((t / car["cycle"]).astype(int), 0, n - 1)
    taken = (
        {l.req for l in [brake, eng] + [o[2] for o in others]}
        | {l.resp for l in [brake, eng] + [o[2] for o in others]}
        | {0x7DF}
    )

    def newid(lo, hi):
        while True:
            x = int(rng.integers(lo, hi))
            if x not in taken:
                taken.add(x)
                return x

    def times(rate, ok=None):
        t = np.arange(rng.uniform(0, 1 / rate), end, 1 / rate)
        t = t + rng.normal(0, 0.0004, len(t))
        j = bufg(t)
        m = ~S["allbad"][j]
        if ok is not None:
            m &= ok[j]
        return t[m], j[m]

    bok = S["alive"] & ~S["lostbrake"]
    if not bok.all():  # after a reset the module needs a moment
        back = np.where(np.diff(bok.astype(int)) == 1)[0]
        for b in back:
            bok[b : b + int(0.35 / car["cycle"])] = False
    if src == "broadcast":
        lay, sig, rate = layout(rng, car)
        taken |= {g["frame"] for g in sig.values()}
        if dur > 250:
            rate = min(rate, 50.0)
        for fr in sorted({g["frame"] for g in sig.values()}):
            t, j = times(rate, bok)
            D = np.zeros((len(t), 8), np.uint8)
            mine = [(wh, g) for wh, g in sig.items() if g["frame"] == fr]
            for wh, g in mine:
                D |= pack(
                    kmh_to_raw(car, g, S["sig"][wh][j], S["inv"][wh][j]), g["start_bit"], g["length"], g["byte_order"]
                )
            if lay in ("two16le", "two15be", "le12"):
                free = {"two16le": 6, "two15be": 3, "le12": 6}[lay]
                D[:, free] = np.arange(len(t)) % 16
                D[:, 7 if lay != "two15be" else 2] ^= (
                    (D[:, :7].sum(1) & 0xFF).astype(np.uint8) if lay != "two15be" else 0
                )
            bus.bulk(t, fr, D)
        for wh, g in sig.items():
            e = dict(
                frame="0x%X" % g["frame"],
                start_bit=g["start_bit"],
                length=g["length"],
                byte_order=g["byte_order"],
                factor=g["factor"],
            )
            if "offset" in g:
                e["offset"] = g["offset"]
            if "unit" in g:
                e["unit"] = g["unit"]
            if rng.random() < 0.8 or T["subst"] == "invalid":
                e["invalid"] = [g["inv"]]
            speeds[WH[wh]] = e
    poll = []  # (period, link, request, fn(t)->answer)

    def did_answer(did, fn):
        return lambda t: bytes([0x62, did >> 8, did & 255]) + fn(min(n - 1, int(t / car["cycle"])))

    asked_t = np.inf
    brake_ok = lambda t: bool(bok[min(n - 1, int(t / car["cycle"]))])
    if src == "polled":
        base = int(rng.choice([0x2B00, 0xD110, 0x4010, 0xF400]))
        one = rng.random() < 0.5
        per = 1 / rng.uniform(2, 9)
        if one:
            fac = 0.01

            def fn(j):
                return b"".join(
                    int(0xFFFF if S["inv"][w][j] else min(65534, round(S["sig"][w][j] / 0.01))).to_bytes(2, "big")
                    for w in range(4)
                )

            poll.append((per, brake, bytes([0x22, base >> 8, base & 255]), did_answer(base, fn), True))
            for w in range(4):
                speeds[WH[w]] = dict(
                    did="0x%X" % base,
                    module="Brakes",
                    start_bit=16 * w + 7,
                    length=16,
                    byte_order="big",
                    factor=0.01,
                    invalid=[0xFFFF],
                )
        else:
            byte = rng.random() < 0.4
            for w in range(4):
                dd = base + 1 + w
                fn = (
                    (lambda j, w=w: bytes([int(0xFF if S["inv"][w][j] else min(254, round(S["sig"][w][j])))]))
                    if byte
                    else (
                        lambda j, w=w: int(
                            0xFFFF if S["inv"][w][j] else min(65534, round(S["sig"][w][j] / 0.01))
                        ).to_bytes(2, "big")
                    )
                )
                poll.append((max(per, 0.25), brake, bytes([0x22, dd >> 8, dd & 255]), did_answer(dd, fn), True))
                speeds[WH[w]] = dict(
                    did="0x%X" % dd,
                    module="Brakes",
                    start_bit=7,
                    length=8 if byte else 16,
                    byte_order="big",
                    factor=1 if byte else 0.01,
                    invalid=[0xFF if byte else 0xFFFF],
                )
    if speeds:
        wheels["speeds"] = speeds
    if rng.random() < 0.9 or speeds:
        prof["wheels"] = wheels
    # --- other signals
    if rng.random() < 0.45:
        fr = newid(0x100, 0x600)
        b = int(rng.integers(0, 40))
        t, j = times(20.0)
        D = rng.integers(0, 256, (len(t), 1)).astype(np.uint8).repeat(8, 1) * 0
        D[:, 7] = np.arange(len(t)) % 256
        D[:, b // 8] |= S["pressed"][j].astype(np.uint8) << np.uint8(b % 8)
        bus.bulk(t, fr, D)
        signals["brake_switch"] = dict(frame="0x%X" % fr, start_bit=b, length=1, byte_order="little")
        see_brsw = True
    else:
        see_brsw = False
    see_motion = rng.random() < 0.4
    if see_motion:
        fr = newid(0x100, 0x600)
        t, j = times(50.0 if dur < 250 else 20.0)
        D = np.zeros((len(t), 8), np.uint8)
        y = np.round(S["yaw_sig"][j] / 0.01).astype(int) & 0xFFFF
        s2 = np.round(S["sas_sig"][j] / 0.1).astype(int) & 0xFFFF
        D |= pack(y, 7, 16, "big") | pack(s2, 23, 16, "big")
        D[:, 6] = np.arange(len(t)) % 16
        bus.bulk(t, fr, D)
        signals["yaw_rate"] = dict(
            frame="0x%X" % fr, start_bit=7, length=16, byte_order="big", signed=True, factor=0.01, unit="deg/s"
        )
        signals["steering_angle"] = dict(
            frame="0x%X" % fr, start_bit=23, length=16, byte_order="big", signed=True, factor=0.1, unit="deg"
        )
    see_fluid = rng.random() < 0.3
    if see_fluid:
        fr = newid(0x300, 0x6F0)
        t, j = times(5.0)
        D = np.full((len(t), 8), 0x20, np.uint8)
        D[:, 2] |= S["fluid_low"][j].astype(np.uint8)
        bus.bulk(t, fr, D)
        signals["fluid_low"] = dict(frame="0x%X" % fr, start_bit=16, length=1, byte_order="little")
    if rng.random() < 0.3:
        fr = newid(0x100, 0x600)
        t, j = times(20.0, bok)
        D = np.zeros((len(t), 8), np.uint8)
        D[:, 0] = S["abs_on"][j] * 4
        D[:, 3] = np.arange(len(t)) % 16
        bus.bulk(t, fr, D)
        signals["abs_active"] = dict(frame="0x%X" % fr, start_bit=2, length=1, byte_order="little")
    good = np.median(S["sig"], 0)
    if rng.random() < 0.3:
        fr = newid(0x100, 0x600)
        t, j = times(10.0)
        D = pack(np.round(good[j] * 1.01 / 0.01).astype(int), 7, 16, "big")
        D[:, 5] = np.arange(len(t)) % 256
        if not (has(faults, "supply-lost") and faults[0]["hard"] or not S["alive"].any()):
            bus.bulk(t, fr, D)
            signals["vehicle_speed"] = dict(frame="0x%X" % fr, start_bit=7, length=16, byte_order="big", factor=0.01)
    see_va = car["access"] == "uds" and rng.random() < 0.35
    if see_va:
        dd = int(rng.choice([0x2B10, 0xD111, 0x0142]))
        poll.append(
            (
                rng.uniform(0.4, 1.5),
                brake,
                bytes([0x22, dd >> 8, dd & 255]),
                did_answer(dd, lambda j: bytes([int(np.clip(round(S["va"][j] / 0.1), 0, 255))])),
                True,
            )
        )
        signals["supply_voltage"] = dict(
            did="0x%X" % dd, module="Brakes", start_bit=7, length=8, byte_order="big", factor=0.1, unit="V"
        )
    see_vb = False
    if rng.random() < 0.5:

        def p0d(t):
            return bytes([0x41, 0x0D, int(np.clip(good[min(n - 1, int(t / car["cycle"]))], 0, 255))])

        def p42(t):
            return bytes([0x41, 0x42]) + int(S["vb"][min(n - 1, int(t / car["cycle"]))] * 1000).to_bytes(2, "big")

        poll.append((rng.uniform(0.3, 1), eng, b"\x01\x0d", p0d, False))
        if rng.random() < 0.7:
            poll.append((rng.uniform(0.5, 2), eng, b"\x01\x42", p42, False))
            see_vb = True
        poll.append(
            (
                rng.uniform(0.5, 2),
                eng,
                b"\x01\x0c",
                lambda t: (
                    b"\x41\x0c"
                    + int(4 * (780 + 45 * good[min(n - 1, int(t / car["cycle"]))])).clip(0, 65535).to_bytes(2, "big")
                    if False
                    else b"\x41\x0c"
                    + int(min(65535, 4 * (780 + 30 * float(good[min(n - 1, int(t / car["cycle"]))])))).to_bytes(
                        2, "big"
                    )
                ),
                False,
            )
        )
    if signals:
        prof["signals"] = signals
    # --- other traffic
    used = {int(x["frame"], 16) for x in list(speeds.values()) + list(signals.values()) if "frame" in x}
    for _ in range(int(rng.integers(3, 9))):
        fr = newid(0x50, 0x6A0)
        t, j = times(float(rng.choice([5, 10, 10, 20])))
        D = np.zeros((len(t), 8), np.uint8)
        kind_ = rng.integers(3)
        if kind_ == 0:
            D |= pack(
                np.clip(np.round((780 + 30 * good[j] + rng.normal(0, 10, len(j))) * 4), 0, 65535).astype(int),
                7,
                16,
                "big",
            )
            D[:, 3] = 90 + t / 60
            D[:, 7] = np.arange(len(t)) % 16
        elif kind_ == 1:
            D[:, :] = rng.integers(0, 256, 8)
            D[:, 1] = np.arange(len(t)) % 16
        else:
            D[:, 0] = np.clip(good[j] + rng.normal(0, 0.4, len(j)), 0, 255)
            D[:, 4:6] = rng.integers(0, 255, (len(t), 2))
        bus.bulk(t, fr, D)
    nw = has(faults, "network")
    see_err = False
    if nw and rng.random() < 0.6 and nw["variant"] != "stub":
        see_err = True
        for x in np.where(S["allbad"])[0][:: max(1, int(0.2 / car["cycle"]))]:
            bus.error(float(tc[x]) + rng.uniform(0, 0.01), int(rng.choice([0x08, 0x04, 0x88, 0x08])))
    # --- sessions
    readmods = set()
    seen = []  # [(key, status, when)] of the brake module's last list
    answered = False
    asked = False
    engine_codes = {}
    cleared_at = None
    refuse_brake = rng.random() < 0.04
    react = {}  # codes of other modules: name -> [(code, ftb, status)]
    quiet = not S["alive"].any()
    intermit = (~bok).any() and not quiet
    wheel_bad = any(k[1] is not None and S["M"][k][1] for k in S["M"])
    for nm in ["Engine"] + [o[0] for o in others]:
        L = []
        if quiet or has(faults, "network") and (nw["variant"] in ("stub", "node") or rng.random() < 0.4):
            L.append(("U0121", "00" if rng.random() < 0.5 else "87", 0x2F if quiet or rng.random() < 0.4 else 0x28))
        elif intermit and rng.random() < 0.8:
            L.append(("U0121", "00", 0x28 if rng.random() < 0.6 else 0x2F))
        elif wheel_bad and nm in ("Engine", "Steering", "Cluster", "Gateway") and rng.random() < 0.3:
            L.append(("U0415", str(rng.choice(["00", "81", "86"])), 0x2F))
        if nw and nw["variant"] != "stub" and rng.random() < 0.8:
            L.append(
                (
                    str(rng.choice(["U0100", "U0140", "U0155", "U0126", "U0073", "U0001"])),
                    "00" if rng.random() < 0.5 else "87",
                    int(rng.choice([0x28, 0x2F, 0x2E])),
                )
            )
        if has(faults, "supply-low") and rng.random() < 0.6:
            L.append(("P0562", "00", 0x2F) if nm == "Engine" else ("U3003", "16", 0x28))
        if has(faults, "supply-high") and rng.random() < 0.6:
            L.append(("P0563", "00", 0x2F) if nm == "Engine" else ("U3003", "17", 0x28))
        if has(faults, "brake-switch") and nm == "Engine" and rng.random() < 0.5:
            L.append((str(rng.choice(["P0571", "P0504", "P0703"])), "00", 0x2F))
        if nm == "Engine" and wheel_bad and rng.random() < 0.15:
            L.append(("P0500", "00", 0x2F))
        if has(faults, "motion-sensor") and faults[0].get("variant") == "sas-zero" and nm == "Steering":
            L.append(("C0051", "28", 0x2F))
        if rng.random() < 0.25:
            L.append(
                {
                    "Engine": [
                        ("P0420", "00", 0x28),
                        ("P0171", "00", 0x2F),
                        ("P0456", "00", 0x28),
                        ("P0302", "00", 0x28),
                    ],
                    "Restraint": [("B1325", "11", 0x28), ("B0012", "1A", 0x2F)],
                }.get(
                    nm,
                    [
                        ("B1048", "13", 0x28),
                        ("U0155", "00", 0x28),
                        ("B1352", "11", 0x2F),
                        ("C0077", "00", 0x28),
                        ("U0140", "87", 0x28),
                    ],
                )[
                    rng.integers(4 if nm == "Engine" else 2 if nm == "Restraint" else 5)
                ]
            )
        react[nm] = L

    def udslist(L, mask):
        return bytes([0x59, 0x02, mask]) + b"".join(
            dtc_bytes(c) + bytes([int(f or "00", 16), st & mask]) for c, f, st in L if st & mask & 0x2F
        )

    kst = (
        lambda st: (0x60 if st & 1 else (0x40 if st & 2 else 0x20))
        | (0x80 if st & 0x80 else 0)
        | (0x10 if st & 0x40 else 0)
    )

    def run_session(t, clear=False, brief=False):
        nonlocal asked, answered, seen, cleared_at
        if rng.random() < 0.7 and not brief:
            t = eng.ask(bus, rng, t, b"\x01\x00", b"\x41\x00\xbe\x3f\xa8\x13")
            if rng.random() < 0.5:
                t = eng.ask(
                    bus, rng, t, b"\x09\x02", b"\x49\x02\x01" + b"WTT" + bytes(rng.integers(48, 58, 14).tolist())
                )
        order = (
            [("Engine", eng, "obd")]
            + [("B", brake, proto)] * (car["access"] != "engine-only")
            + [(o[0], o[2], o[3]) for o in others if not brief or rng.random() < 0.5]
        )
        if rng.random() < 0.5 and car["access"] != "engine-only":
            order = [order[1], order[0]] + order[2:]
        for nm, l, st in order:
            if nm == "Engine":
                if rng.random() < 0.8 or car["access"] in ("obd", "engine-only"):
                    if car["access"] in ("obd", "engine-only") and func_id == 0x7DF and rng.random() < 0.8:
                        bus.one(t, func_id, b"\x01\x03" + bytes([0x55] * 6))
                        t += 0.01
                        readmods.add("Engine")
                        L = react["Engine"]
                        t = (
                            eng.send(
                                bus, rng, t, bytes([0x43, len(L)]) + b"".join(dtc_bytes(c) for c, f, s_ in L), True
                            )
                            + 0.01
                        )
                        if car["access"] == "obd":
                            t = obd_brake(t)
                    else:
                        readmods.add("Engine")
                        L = react["Engine"]
                        t = eng.ask(
                            bus, rng, t, b"\x03", bytes([0x43, len(L)]) + b"".join(dtc_bytes(c) for c, f, s_ in L)
                        )
                    if rng.random() < 0.5:
                        L = [x for x in react["Engine"] if x[2] & 4]
                        t = eng.ask(
                            bus, rng, t, b"\x07", bytes([0x47, len(L)]) + b"".join(dtc_bytes(c) for c, f, s_ in L)
                        )
                continue
            if nm == "B":
                if car["access"] == "obd":
                    if not asked:
                        t = brake_obd_ask(t)
                    continue
                asked = True
                ok = brake_ok(t)
                if not ok:
                    for _ in range(int(rng.integers(1, 4))):
                        t = l.ask(bus, rng, t, b"\x10\x03" if proto == "uds" else b"\x10\x89", None)
                    t = l.ask(bus, rng, t, b"\x19\x02\xff" if proto == "uds" else b"\x18\x00\xff\x00", None)
                    continue
                lst = store.listing(t)
                if proto == "uds":
                    if rng.random() < 0.7:
                        t = l.ask(bus, rng, t, b"\x10\x03", b"\x50\x03\x00\x32\x01\xf4")
                    if refuse_brake:
                        t = l.ask(
                            bus, rng, t, b"\x19\x02\xff", b"\x7f\x19" + bytes([int(rng.choice([0x11, 0x7F, 0x33]))])
                        )
                        continue
                    if rng.random() < 0.4:
                        t = l.ask(
                            bus, rng, t, b"\x22\xf1\x90", b"\x62\xf1\x90WTT" + bytes(rng.integers(48, 58, 14).tolist())
                        )
                    if rng.random() < 0.2:
                        t = l.ask(bus, rng, t, b"\x22\xf1\x87", b"\x7f\x22\x31")
                    m = T["mask"]
                    L = [(*code_for(car, k[0], k[1], fault_of(k)), s_) for k, s_ in lst if s_ & m]
                    req = int(rng.choice([0xFF, m & 0x0F or 9, 0xFF, 0x2F]))
                    if rng.random() < 0.25:
                        t = l.ask(
                            bus,
                            rng,
                            t,
                            bytes([0x19, 1, req]),
                            bytes([0x59, 1, m, 1, 0, len([1 for x in L if x[2] & req & m])]),
                        )
                    L = uniq([x for x in L if x[2] & req & m])
                    t = l.ask(
                        bus,
                        rng,
                        t,
                        bytes([0x19, 2, req]),
                        bytes([0x59, 2, m])
                        + b"".join(dtc_bytes(c) + bytes([int(f or "00", 16), s_ & m]) for c, f, s_ in L),
                    )
                    seen = [(k, s_) for k, s_ in lst if s_ & req & m]
                    answered = True
                    if L and rng.random() < 0.3:
                        c, f, s_ = L[0]
                        t = l.ask(
                            bus,
                            rng,
                            t,
                            b"\x19\x04" + dtc_bytes(c) + bytes([int(f or "00", 16), 0xFF]),
                            b"\x59\x04"
                            + dtc_bytes(c)
                            + bytes(
                                [
                                    int(f or "00", 16),
                                    s_ & m,
                                    1,
                                    2,
                                    0xF4,
                                    0x0D,
                                    int(rng.integers(0, 90)),
                                    0xD1,
                                    0x11,
                                    int(rng.integers(118, 145)),
                                ]
                            ),
                        )
                    if clear:
                        t = l.ask(bus, rng, t, b"\x14\xff\xff\xff", b"\x54")
                        store.clears.append(t)
                        cleared_at = t
                        t += rng.uniform(0.3, 2.5)
                        lst = store.listing(t)
                        L = uniq([(*code_for(car, k[0], k[1], fault_of(k)), s_) for k, s_ in lst if s_ & m & req])
                        t = l.ask(
                            bus,
                            rng,
                            t,
                            bytes([0x19, 2, req]),
                            bytes([0x59, 2, m])
                            + b"".join(dtc_bytes(c) + bytes([int(f or "00", 16), s_ & m]) for c, f, s_ in L),
                        )
                        seen = [(k, s_) for k, s_ in lst if s_ & req & m]
                else:
                    t = l.ask(bus, rng, t, b"\x10\x89", b"\x50\x89") if rng.random() < 0.8 else t
                    if refuse_brake:
                        t = l.ask(bus, rng, t, b"\x18\x00\xff\x00", b"\x7f\x18\x11")
                        continue

                    def kl(lst):
                        return uniq([(*code_for(car, k[0], k[1], fault_of(k)), kst(s_)) for k, s_ in lst])

                    L = kl(lst)
                    t = l.ask(
                        bus,
                        rng,
                        t,
                        b"\x18\x00\xff\x00",
                        bytes([0x58, len(L)]) + b"".join(dtc_bytes(c) + bytes([s_]) for c, f, s_ in L),
                    )
                    seen = lst
                    answered = True
                    if clear:
                        t = l.ask(bus, rng, t, b"\x14\xff\x00", b"\x54\xff\x00")
                        store.clears.append(t)
                        cleared_at = t
                        t += rng.uniform(0.3, 2.5)
                        lst = store.listing(t)
                        L = kl(lst)
                        t = l.ask(
                            bus,
                            rng,
                            t,
                            b"\x18\x00\xff\x00",
                            bytes([0x58, len(L)]) + b"".join(dtc_bytes(c) + bytes([s_]) for c, f, s_ in L),
                        )
                        seen = lst
                continue
            if st == "silent":
                t = l.ask(bus, rng, t, b"\x10\x03" if proto == "uds" else b"\x10\x89", None)
                continue
            if st == "refuse":
                t = l.ask(
                    bus,
                    rng,
                    t,
                    b"\x19\x02\xff" if proto == "uds" else b"\x18\x00\xff\x00",
                    bytes([0x7F, 0x19 if proto == "uds" else 0x18, 0x11]),
                )
                continue
            L = react[nm]
            readmods.add(nm)
            if proto == "uds":
                t = l.ask(bus, rng, t, b"\x19\x02\xff", udslist(L, 0xFF))
            else:
                t = l.ask(
                    bus,
                    rng,
                    t,
                    b"\x18\x00\xff\x00",
                    bytes([0x58, len(L)]) + b"".join(dtc_bytes(c) + bytes([kst(s_)]) for c, f, s_ in L),
                )
        return t

    def uniq(L):
        o = {}
        for c, f, s_ in L:
            o[(c, f)] = o.get((c, f), 0) | s_
        return [(c, f, s_) for (c, f), s_ in o.items()]

    def fault_of(k):
        return next(
            (
                f
                for f in (old if former else faults)
                if {
                    "pump": "pump-motor",
                    "valve": "valve-circuit",
                    "brsw": "brake-switch",
                    "press": "pressure-sensor",
                    "motion": "motion-sensor",
                    "coding": "module-coding",
                    "internal": "module-internal",
                }.get(k[0])
                == f["id"]
            ),
            None,
        )

    def obd_brake(t):
        nonlocal asked, answered, seen
        if not brake_ok(t):
            return t
        lst = [x for x in store.listing(t) if x[1] & 8]
        L = uniq([(*code_for(car, k[0], k[1], fault_of(k)), s_) for k, s_ in lst])
        answered = True
        seen = lst
        return brake.send(bus, rng, t, bytes([0x43, len(L)]) + b"".join(dtc_bytes(c) for c, f, s_ in L), True) + 0.01

    def brake_obd_ask(t):
        nonlocal asked, answered, seen
        if answered:
            return t
        asked = True
        if not brake_ok(t):
            return brake.ask(bus, rng, t, b"\x03", None)
        lst = [x for x in store.listing(t) if x[1] & 8]
        L = uniq([(*code_for(car, k[0], k[1], fault_of(k)), s_) for k, s_ in lst])
        answered = True
        seen = lst
        return brake.ask(bus, rng, t, b"\x03", bytes([0x43, len(L)]) + b"".join(dtc_bytes(c) for c, f, s_ in L))

    busy = []
    if session in ("before", "both", "clear"):
        e = run_session(1.2, clear=session == "clear" and car["access"] in ("uds", "kwp"))
        busy.append((1.0, e + 0.2))
    # polling between the sessions
    p0 = busy[-1][1] if busy else 0.3
    p1 = end - 13.5 if session in ("after", "both", "clear") else end - 0.5
    for per, l, req, fn, isbrake in poll:
        t = p0 + rng.uniform(0, per)
        streak = 0
        while t < p1:
            j = min(n - 1, int(t / car["cycle"]))
            okb = (brake_ok(t) if isbrake else True) and not S["allbad"][j]
            if isbrake:
                asked = True
            if okb:
                l.ask(bus, rng, t, req, fn(t))
                t += per * rng.uniform(0.95, 1.05)
                streak = 0
            else:
                l.send(bus, rng, t, req, False)
                t += max(per, 1.0)
                streak += 1
                if streak > 25:
                    break
    if session in ("after", "both", "clear"):
        run_session(max(p1 + 0.3, p0), brief=session != "after")
    fmt = "candump" if rng.random() < 0.7 else "pcapng"
    name = "capture.log" if fmt == "candump" else "capture.pcapng"
    t0 = 1.6e9 + float(rng.integers(0, 10**8))
    frames = bus.write(f"{out}/{name}", fmt, t0)
    write_yaml(f"{out}/profile.yaml", prof)
    # --- notes
    case = dict(
        seed=seed,
        index=index,
        weight=weight,
        cause=cause,
        former=former,
        faults=[{k: (v if not isinstance(v, np.ndarray) else None) for k, v in f.items()} for f in faults],
        drive=kind,
        dur=float(S["dur"]),
        session=session,
        access=car["access"],
        style=car["style"],
        addressing=a[0],
        wheelsource=src,
        format=fmt,
        frames=int(frames),
        sensor=car["sensor"],
        capture=f"{out}/{name}",
        hist=[f"{k}:{w}" for k, w in sorted(hist, key=str)],
        seen=[(f"{k}:{w}", st) for (k, w), st in seen],
        seencodes=[],
        asked=asked,
        answered=answered,
        react={k: v for k, v in react.items() if k in readmods},
        mask=T["mask"],
        subst=T["subst"],
        cleared=cleared_at is not None,
        rate=(rate if src == "broadcast" else None),
    )
    case["seencodes"] = [
        " ".join(str(x) for x in code_for(car, k[0], k[1], fault_of(k))) + " %02X" % st for k, st in seen
    ]
    nr = np.random.default_rng([seed, index, 5])
    notes = owner_notes(nr, car, case)
    case["notes"] = notes
    write_notes(f"{out}/notes.yaml", notes)
    case["features"] = features(car, S, d, src, case["rate"]) if speeds else None
    case["see"] = dict(
        vb=see_vb,
        va=see_va and S["alive"].any(),
        brsw=bool(see_brsw),
        motion=bool(see_motion),
        fluid=bool(see_fluid and S["fluid_low"].any()),
        err=see_err,
        quiet=bool(quiet),
        intermit=bool(intermit),
        vbmin=float(S["vb"].min()),
        vbmax=float(S["vb"].max()),
        vbmed=float(np.median(S["vb"])),
        vamed=float(np.median(S["va"])),
        turned=float(np.sum(np.abs(S["yaw"]) * car["cycle"])),
        fast_s=float(np.sum(S["v"] > 20) * car["cycle"]),
    )
    case["car"] = dict(sensor=car["sensor"])
    case["mech"] = mechanic(case)
    json.dump(
        case, open(f"{out}/truth.json", "w"), indent=1, default=lambda x: x.item() if hasattr(x, "item") else str(x)
    )
    return case


# ---------------------------------------------------------------- files
def y(v):
    if isinstance(v, bool):
        return "true" if v else "false"
    if isinstance(v, (list, tuple)):
        return "[" + ", ".join(y(x) for x in v) + "]"
    if isinstance(v, dict):
        return "{ " + ", ".join(f"{k}: {y(x)}" for k, x in v.items()) + " }"
    if isinstance(v, (float, np.floating)):
        return repr(round(float(v), 7))
    return str(v)


def write_yaml(path, p):
    o = (
        [f"profile: 1", f'name: {p["name"]}', "modules:"]
        + ["  - " + y(m) for m in p["modules"]]
        + ["functional: " + y(p["functional"])]
    )
    if "wheels" in p:
        o.append("wheels:")
        for k, v in p["wheels"].items():
            if k == "speeds":
                o.append("  speeds:")
                o += [f"    {w}: {y(e)}" for w, e in v.items()]
            else:
                o.append(f"  {k}: {y(v)}")
    if "signals" in p:
        o.append("signals:")
        o += [f"  {k}: {y(v)}" for k, v in p["signals"].items()]
    open(path, "w").write("\n".join(o) + "\n")


def write_notes(path, notes):
    if not notes:
        open(path, "w").write("notes: 1\nchecks: []\n")
        return
    open(path, "w").write(
        "notes: 1\nchecks:\n"
        + "".join("  - " + y({k: (".inf" if v == float("inf") else v) for k, v in n.items()}) + "\n" for n in notes)
    )


# ---------------------------------------------------------------- checks by hand
WCHECK = [
    "pad-thickness",
    "sensor-resistance",
    "sensor-wiring-test",
    "sensor-connector-look",
    "sensor-tip-look",
    "sensor-swap-test",
    "air-gap",
    "tone-ring-look",
    "bearing-play",
    "tyre-size",
    "tyre-pressure",
]
VCHECK = [
    "fluid-level",
    "leak-look",
    "level-switch-test",
    "abs-fuse",
    "abs-supply-voltage",
    "abs-earth-drop",
    "battery-voltage",
    "pump-test",
    "valve-test",
    "brake-lamp-switch",
    "brake-pressure-compare",
    "motion-zero-check",
    "bus-resistance",
    "coding-check",
]


def answer(rng, case, check, wheel=None, axle=None):
    """what the hand finds; None when it cannot be done"""
    F = case["faults"]
    pas = case["sensor"] == "passive"

    def f(cause, w=None):
        return next((x for x in F if x["id"] == cause and (w is None or x.get("wheel") == w)), None)

    e = {"check": check}
    p = lambda q: rng.random() < q
    if wheel is not None:
        e["wheel"] = wheel
        w = WH.index(wheel)
    if axle is not None:
        e["axle"] = axle
    R = lambda r: {**e, "result": r}
    V = lambda k, x, nd=2: {**e, k: round(float(x), nd) if np.isfinite(x) else float("inf")}
    lost, low, high, earth, cir = f("supply-lost"), f("supply-low"), f("supply-high"), f("earth-poor"), None
    if check == "fluid-level":
        return R("below-minimum" if (f("fluid-low-worn-pads") or f("fluid-leak")) and p(0.95) else "ok")
    if check == "pad-thickness":
        x = f("fluid-low-worn-pads")
        ax = w // 2
        if x and x.get("padaxle", 0) == ax:
            return V("value_mm", x["pad"] + rng.uniform(0, 0.8), 1)
        return V("value_mm", rng.uniform(3.6, 11), 1)
    if check == "leak-look":
        return R("wet" if f("fluid-leak") and p(0.9) else ("wet" if p(0.01) else "dry"))
    if check == "level-switch-test":
        return R("stuck" if f("fluid-level-switch") and p(0.93) else "works")
    if check == "abs-fuse":
        return R("blown" if lost and lost["variant"] == "fuse" else "intact")
    if check == "abs-supply-voltage":
        if lost:
            return V(
                "value_v",
                (
                    rng.uniform(0, 0.4)
                    if lost["variant"] in ("fuse", "feed")
                    else (rng.uniform(0, 1) if lost["hard"] else rng.uniform(9, 13.5))
                ),
            )
        if low:
            return V(
                "value_v",
                {
                    "alternator": rng.uniform(11.2, 12.2),
                    "belt": rng.uniform(11.5, 12.8),
                    "battery": rng.uniform(11.2, 12.2),
                }[low["variant"]],
            )
        return V(
            "value_v", rng.uniform(15.6, 17) if high else rng.uniform(12.3, 12.7) if p(0.5) else rng.uniform(13.5, 14.3)
        )
    if check == "abs-earth-drop":
        return V("value_v", max(0.35, earth["drop"] * rng.uniform(0.6, 1.3)) if earth else rng.uniform(0.01, 0.12))
    if check == "battery-voltage":
        if low:
            return V(
                "value_v",
                {
                    "alternator": rng.uniform(11.4, 12.6),
                    "belt": rng.uniform(12.0, 13.1),
                    "battery": rng.uniform(13.2, 14.1),
                }[low["variant"]],
            )
        return V("value_v", rng.uniform(15.6, 17.2) if high else rng.uniform(13.6, 14.6))
    if check == "sensor-resistance":
        if not pas:
            return V("value_ohm", rng.uniform(3e6, 9e6), 0) if p(0.6) else None
        x = f("sensor-failed", w)
        c = f("sensor-circuit", w)
        if x and x["variant"] in ("dead-elec", "dead-silent"):
            return V("value_ohm", rng.uniform(20, 250) if x["shorted"] else float("inf"), 0)
        if x and x["variant"] == "heat" and p(0.25):
            return V("value_ohm", float("inf"))
        if c and c["seat"] == "pigtail" and c["variant"] in ("open",):
            return V("value_ohm", float("inf"))
        return V("value_ohm", rng.uniform(850, 1850), 0)
    if check == "sensor-wiring-test":
        c = f("sensor-circuit", w)
        if c:
            if c["variant"] == "open":
                return R("open" if p(0.92) else "good")
            if c["variant"].startswith("short"):
                return R("short" if p(0.92) else "good")
            return R("open" if p(0.5) else "good")
        return R("good" if p(0.98) else "open")
    if check == "sensor-connector-look":
        c = f("sensor-circuit", w)
        if c:
            if c["seat"] == "connector":
                return (
                    R("corroded" if c["variant"] in ("corroded", "open") or p(0.3) else "loose")
                    if p(0.93)
                    else R("clean")
                )
            return R("corroded" if c["variant"] == "corroded" and p(0.3) else "clean")
        return R("clean" if p(0.95) else "corroded")
    if check == "sensor-tip-look":
        x = f("sensor-weak-signal", w)
        if x and x["variant"] == "swarf":
            return R("swarf" if p(0.92) else "clean")
        x = f("sensor-failed", w)
        if x and x["cracked"]:
            return R("damaged" if p(0.9) else "clean")
        x = f("wheel-bearing", w)
        if x and x["sev"] > 0.8 and p(0.4):
            return R("damaged")
        x = f("tone-ring", w)
        if x and x["variant"] == "corroded" and p(0.2):
            return R("swarf")
        return R("clean" if p(0.94) else "swarf")
    if check == "sensor-swap-test":
        if f("sensor-failed", w):
            return R("fault-follows-sensor" if p(0.95) else "fault-stays")
        x = f("sensor-weak-signal", w)
        if x and x["variant"] == "swarf" and p(0.5):
            return R("fault-follows-sensor")
        x = f("sensor-circuit", w)
        if x and x["seat"] == "pigtail":
            return R("fault-follows-sensor" if p(0.9) else "fault-stays")
        return R("fault-stays" if p(0.97) else "fault-follows-sensor")
    if check == "air-gap":
        x = f("sensor-weak-signal", w)
        if x and x["variant"] == "gap":
            return V("value_mm", x["gap"])
        if f("wheel-bearing", w):
            return V("value_mm", rng.uniform(0.8, 2.0))
        return V("value_mm", rng.uniform(0.4, 1.15))
    if check == "tone-ring-look":
        x = f("tone-ring", w)
        if x:
            return R(
                "intact"
                if x["hidden"] or p(0.08)
                else {"missing": "teeth-missing", "crack": "cracked", "corroded": "corroded"}[x["variant"]]
            )
        return R("intact" if p(0.96) else "corroded")
    if check == "bearing-play":
        return R("present" if (f("wheel-bearing", w) and p(0.92)) or p(0.02) else "none")
    if check == "tyre-size":
        x = f("tyre-mismatch", w)
        return R(
            "different"
            if x and (x["variant"] == "size" and p(0.97) or x["variant"] == "worn" and p(0.7)) or p(0.01)
            else "same"
        )
    if check == "tyre-pressure":
        x = f("tyre-mismatch", w)
        return V("value_bar", rng.uniform(0.8, 1.5) if x and x["variant"] == "pressure" else rng.uniform(2.0, 2.6))
    if check == "sensor-sides":
        x = f("sensors-swapped")
        return R("swapped" if x and ["front", "rear"][x["axle"]] == axle and p(0.95) else "right")
    if check == "pump-test":
        x = f("pump-motor")
        if lost or f("module-internal") and f("module-internal")["variant"] == "silent":
            return R("dead") if p(0.5) else None
        return R("dead" if x and p(0.9) else "runs")
    if check == "valve-test":
        if lost or f("module-internal") and f("module-internal")["variant"] == "silent":
            return None
        return R(
            "faulty"
            if f("valve-circuit")
            and p(0.9)
            or (f("module-internal") and f("module-internal")["variant"] == "hydraulic" and p(0.5))
            else "works"
        )
    if check == "brake-lamp-switch":
        return R("stuck" if f("brake-switch") and p(0.9) else "works")
    if check == "brake-pressure-compare":
        return R(
            "disagrees"
            if f("pressure-sensor")
            and p(0.93)
            or (f("module-internal") and f("module-internal")["variant"] == "hydraulic" and p(0.2))
            else "agrees"
        )
    if check == "motion-zero-check":
        x = f("motion-sensor")
        z = f("module-coding")
        return R(
            "offset"
            if x
            and p(0.9 if x["variant"] in ("yaw-offset", "sas-zero") else 0.7)
            or (z and z["variant"] == "zero" and p(0.6))
            else "zero"
        )
    if check == "bus-resistance":
        x = f("network")
        if x and x["variant"] == "termination":
            return V("value_ohm", rng.choice([120, 40]) * rng.uniform(0.97, 1.03), 1)
        if x and x["variant"] == "wire":
            return V("value_ohm", rng.choice([118, 3, 25, 400]) * rng.uniform(0.97, 1.03), 1)
        return V("value_ohm", rng.uniform(58.5, 62), 1)
    if check == "coding-check":
        return R("missing" if f("module-coding") and p(0.93) else "matches")
    return None


GROUP = {
    "fluid": ["fluid-level", "leak-look", "pad-thickness", "level-switch-test"],
    "silent": ["abs-fuse", "abs-supply-voltage", "abs-earth-drop", "bus-resistance"],
    "volt": ["battery-voltage", "abs-supply-voltage", "abs-earth-drop"],
    "wheel": [
        "sensor-connector-look",
        "sensor-tip-look",
        "tone-ring-look",
        "bearing-play",
        "sensor-wiring-test",
        "sensor-resistance",
        "air-gap",
        "tyre-size",
        "tyre-pressure",
        "sensor-swap-test",
    ],
}
OWN = {
    "pump-motor": ["pump-test", "abs-fuse"],
    "valve-circuit": ["valve-test"],
    "brake-switch": ["brake-lamp-switch"],
    "pressure-sensor": ["brake-pressure-compare"],
    "motion-sensor": ["motion-zero-check", "coding-check"],
    "network": ["bus-resistance"],
    "module-coding": ["coding-check", "motion-zero-check"],
    "module-internal": ["abs-fuse", "abs-supply-voltage", "coding-check"],
    "sensors-swapped": ["sensor-sides"],
    "supply-lost": GROUP["silent"],
    "supply-low": GROUP["volt"],
    "supply-high": GROUP["volt"],
    "earth-poor": GROUP["volt"],
}


def owner_notes(rng, car, case):
    n = int(rng.choice([0, 1, 2, 3, 4], p=[0.35, 0.25, 0.2, 0.12, 0.08]))
    out = []
    seen = set()
    codes_w = [int(k.split(":")[1]) for k, _ in case["seen"] if not k.endswith("None")]
    for _ in range(n):
        wh = None
        ax = None
        if rng.random() < 0.6 and case["faults"]:
            x = case["faults"][rng.integers(len(case["faults"]))]
            if "wheel" in x and codes_w:
                c = str(rng.choice(GROUP["wheel"]))
                wh = WH[x["wheel"]]  # the code led to that wheel
            elif "wheel" in x:
                c = str(rng.choice(GROUP["wheel"]))
                wh = WH[rng.integers(4)]
            elif x["id"].startswith("fluid"):
                c = str(rng.choice(GROUP["fluid"]))
            else:
                c = str(rng.choice(OWN[x["id"]]))
        else:
            c = str(
                rng.choice(
                    [
                        "fluid-level",
                        "pad-thickness",
                        "battery-voltage",
                        "tyre-pressure",
                        "abs-fuse",
                        "tyre-size",
                        "leak-look",
                        "bearing-play",
                        "brake-lamp-switch",
                        "sensor-connector-look",
                        "tone-ring-look",
                    ]
                )
            )
        if c in WCHECK and wh is None:
            wh = WH[rng.integers(4)]
        if c == "sensor-sides":
            ax = ["front", "rear"][next((x["axle"] for x in case["faults"] if x["id"] == "sensors-swapped"), 0)]
        if c == "sensor-resistance" and case["sensor"] == "active" and rng.random() < 0.8:
            continue
        if (c, wh, ax) in seen:
            continue
        seen.add((c, wh, ax))
        a = answer(rng, case, c, wh, ax)
        if a:
            out.append(a)
    return out


# ---------------------------------------------------------------- what the signals show to a trained eye
def features(car, S, d, src, rate):
    if not S["alive"].any():
        return None
    cy = car["cycle"]
    n = len(S["tc"])
    step = max(1, int(round((1 / rate if rate else 0.2) / cy)))
    q = np.arange(0, n, step)
    dt = step * cy
    X = S["sig"][:, q].copy()
    I = S["inv"][:, q]
    ref = np.median(np.where(I, np.nan, X), 0) if not I.any() else np.nanmedian(np.where(I, np.nan, X), 0)
    ref = np.nan_to_num(np.sort(S["vw"], 0)[1:3].mean(0)[q])
    k = np.interp(S["tc"][q], d["t"], d["k"])
    ab = S["abs_on"][q]
    out = {}
    for i in range(4):
        z = (X[i] < 2.75) | I[i]
        mv = (ref > 20) & ~ab
        tm = mv.sum() * dt
        F = {}
        own = S["vw"][i][q]
        oth = []
        if tm > 10 and z[mv].mean() > 0.97:
            F["dead"] = 1
        a, b = runs(z & (ref > 12))
        L = (b - a) * dt
        if "dead" not in F:
            if (L > 4).any():
                F["longdrop"] = int((L > 4).sum())
            sh = int(((L <= 4) & (L >= dt)).sum())
            if sh >= 2:
                F["drops"] = sh
            bands = [
                (
                    lo,
                    (z & (ref > lo) & (ref <= lo + 3)).sum() / max(1, ((ref > lo) & (ref <= lo + 3)).sum()),
                    ((ref > lo) & (ref <= lo + 3)).sum() * dt,
                )
                for lo in range(6, 30, 3)
            ]
            lowz = [lo for lo, fr, s in bands if s > 1.0 and fr > 0.7]
            if (
                lowz and tm > 10 and z[mv & (ref > max(lowz) + 8)].mean() < 0.05
                if (mv & (ref > (max(lowz) + 8 if lowz else 99))).any()
                else False
            ):
                F["lowdrop"] = max(lowz) + 3
            g = mv & ~z & (np.abs(k) < 0.004)
            if g.sum() * dt > 15:
                oth = [j for j in range(4) if j != i and ((X[j][g] > 2.75) & ~I[j][g]).mean() > 0.9]
                m = np.median(X[i][g] / np.maximum(np.median(X[oth][:, g], 0), 1)) - 1 if oth else 0
                if abs(m) > 0.025:
                    F["ratio"] = float(m)
            r = X[i] / np.maximum(own, 1)
            g = mv & ~z
            if g.sum() * dt > 8:
                dips = int((r[g] < 0.85).sum())
                sp = int((r[g] > 1.15).sum())
                if dips >= 8:
                    F["dips"] = dips / (g.sum())
                if sp >= 4:
                    F["spikes"] = sp / g.sum()
                hf = np.abs(np.diff(X[i][g] / ref[g])).mean()
                oh = np.median([np.abs(np.diff(X[j][g] / ref[g])).mean() for j in oth]) if oth else 9
                if hf > 1.7 * oh:
                    F["rough"] = float(hf / oh)
        if F:
            out[i] = F
    return out


W5 = {
    "circ": "sensor-circuit",
    "fail": "sensor-failed",
    "weak": "sensor-weak-signal",
    "ring": "tone-ring",
    "bear": "wheel-bearing",
    "tyre": "tyre-mismatch",
}
KIND = {
    "open": "circ fail",
    "shortg": "circ fail",
    "shortb": "circ fail",
    "elecint": "circ fail",
    "nosig": "circ fail weak ring bear",
    "erratic": "circ fail weak ring bear",
    "ring": "ring bear weak",
    "dev": "tyre ring weak",
    "amp": "weak bear fail",
    "high": "circ ring fail",
}


def mechanic(case):
    """sets of causes that fit what is in the capture and the notes; one entry for each true fault"""
    res = []
    see = case["see"]
    seen = case["seen"]
    N = case["notes"]
    feats = case["features"] or {}
    allk = [k.split(":")[0] for k, _ in seen]
    F = case["faults"]

    def note(c, w=None):
        return [x for x in N if x["check"] == c and (w is None or x.get("wheel") == w)]

    if case["cause"] == "no-present-fault":
        idle = see["fast_s"] < 60
        elec = [k for k in allk if k in ("open", "shortg", "shortb", "vlow", "pump", "brsw")]
        return [
            dict(
                cause="no-present-fault",
                twins=(
                    ["no-present-fault"]
                    if seen and not idle and case["access"] in ("uds", "kwp") and len(allk)
                    else (["no-present-fault", case["former"]] if seen else [])
                ),
                ev=allk,
            )
        ]
    for x in F:
        c = x["id"]
        s = None
        ev = []
        if c in WHEEL_CAUSES:
            w = x["wheel"]
            cand = set(W5)
            name = WH[w]
            ks = {k.split(":")[0] for k, _ in seen if k.endswith(f":{w}")}
            if case["style"] in ("toyold",) and ks:
                ks = {"any"}
            for k in ks:
                if k in KIND:
                    cand &= set(KIND[k].split())
                    ev.append(k)
                elif k == "any":
                    ev.append("wheel")
                    cand -= {"tyre"}
            f = feats.get(w, {})
            if not cand:
                cand = {"circ", "fail", "weak", "ring", "bear"}
            if "dead" in f:
                cand &= {"circ", "fail", "weak", "ring"} if not ks else {"circ", "fail", "weak", "ring"}
                ev.append("dead")
            if "lowdrop" in f:
                cand &= {"weak", "ring"}
                ev.append("lowdrop")
            if "longdrop" in f and "lowdrop" not in f:
                cand &= {"fail", "circ"}
                ev.append("longdrop")
            if "drops" in f and "dips" not in f and "lowdrop" not in f:
                cand &= {"circ", "fail", "weak", "bear"}
                ev.append("drops")
            if "dips" in f and "lowdrop" not in f:
                cand &= {"circ", "fail", "weak", "bear", "ring"}
                ev.append("dips")
            if "ratio" in f and not ("dips" in f):
                cand &= {"tyre", "ring"}
                ev.append("ratio")
            if "rough" in f:
                cand &= {"ring", "bear", "weak", "fail", "circ"}
                ev.append("rough")
            if not ev and not [n for n in N if n.get("wheel") == name]:
                cand = set()
            pos = {
                ("sensor-connector-look", "corroded"): "circ",
                ("sensor-connector-look", "loose"): "circ",
                ("sensor-wiring-test", "open"): "circ",
                ("sensor-wiring-test", "short"): "circ",
                ("sensor-tip-look", "swarf"): "weak",
                ("sensor-tip-look", "damaged"): "fail bear",
                ("sensor-swap-test", "fault-follows-sensor"): "fail weak",
                ("tone-ring-look", "cracked"): "ring",
                ("tone-ring-look", "corroded"): "ring",
                ("tone-ring-look", "teeth-missing"): "ring",
                ("bearing-play", "present"): "bear",
                ("tyre-size", "different"): "tyre",
            }
            neg = {
                ("sensor-wiring-test", "good"): "circ",
                ("sensor-swap-test", "fault-stays"): "fail",
                ("tone-ring-look", "intact"): "ring",
                ("bearing-play", "none"): "bear",
                ("tyre-size", "same"): "",
            }
            hard = False
            for n in N:
                if n.get("wheel") != name:
                    continue
                key = (n["check"], n.get("result"))
                if key in pos:
                    p_ = set(pos[key].split())
                    cand = (cand & p_) or p_
                    ev.append("note+")
                    hard = True
                if key in neg and len(cand - set(neg[key].split())):
                    cand = cand - set(neg[key].split())
                    ev.append("note-")
                if n["check"] == "air-gap" and n["value_mm"] > 1.5:
                    cand = cand & {"weak", "bear"} or {"weak", "bear"}
                    ev.append("note+")
                if n["check"] == "tyre-pressure" and n["value_bar"] < 1.6:
                    cand = {"tyre"}
                    ev.append("note+")
                if (
                    n["check"] == "sensor-resistance"
                    and case["sensor"] == "passive"
                    and (n["value_ohm"] > 1e6 or n["value_ohm"] < 400)
                ):
                    cand = cand & {"fail", "circ"} or {"fail"}
                    ev.append("note+")
            if ev == ["note-"] * len(ev):
                cand = set()
            s = sorted(W5[k] for k in cand)
        elif c == "sensors-swapped":
            vis = case["features"] is not None and see["turned"] > 3
            s = (
                [c]
                if vis or any(n["check"] == "sensor-sides" and n["result"] == "swapped" for n in N)
                else (["motion-sensor", c] if "swap" in allk else [])
            )
            ev = ["turns"] if vis else allk
        elif c.startswith("fluid"):
            cand = (
                {"fluid-low-worn-pads", "fluid-leak", "fluid-level-switch"}
                if "fluid" in allk or see["fluid"]
                else set()
            )
            if "flsw" in allk:
                cand = {"fluid-level-switch"}
            for n in N:
                r = n.get("result")
                b = cand or {"fluid-low-worn-pads", "fluid-leak", "fluid-level-switch"}
                if n["check"] == "fluid-level":
                    cand = (
                        b - {"fluid-level-switch"}
                        if r == "below-minimum"
                        else (b & {"fluid-level-switch"} if cand else cand)
                    )
                if n["check"] == "leak-look" and (cand or r == "wet"):
                    cand = {"fluid-leak"} if r == "wet" else cand - {"fluid-leak"}
                if n["check"] == "pad-thickness" and n["value_mm"] < 3:
                    cand = b & {"fluid-low-worn-pads"} or cand
                if n["check"] == "level-switch-test" and (cand or r == "stuck"):
                    cand = {"fluid-level-switch"} if r == "stuck" else cand - {"fluid-level-switch"}
            s = sorted(cand)
            ev = [k for k in allk if k in ("fluid", "flsw")] + ["signal"] * see["fluid"]
        elif c in ("supply-lost", "earth-poor", "network") or c == "module-internal" and x["variant"] == "silent":
            cand = set()
            other_u = any(l[0][0] == "U" and l[0] != "U0121" for L in case["react"].values() for l in L)
            u121 = any(l[0] == "U0121" for L in case["react"].values() for l in L)
            if see["quiet"] and (case["asked"] or case["wheelsource"] != "none" or u121):
                cand = {"supply-lost", "module-internal", "network", "earth-poor"}
                ev.append("silent")
            elif see["intermit"] and (case["wheelsource"] != "none" or u121):
                cand = {"supply-lost", "network", "earth-poor"}
                ev.append("resets")
            if c == "network" and (see["err"] or "net" in allk):
                cand = {"network"}
                ev.append("bus")
            elif c == "network" and other_u:
                cand = {"network"}
                ev.append("U-codes")
            if c == "earth-poor":
                if see["va"] and see["vb"] and see["vbmed"] - see["vamed"] > 0.6:
                    cand = {"earth-poor", "supply-lost"}
                    ev.append("drop")
                elif see["va"] and see["vamed"] < 12.8 or "vlow" in allk:
                    cand |= {"earth-poor", "supply-low"}
                    ev.append("vlow")
                if see["vb"] and "vlow" in allk:
                    cand -= {"supply-low"}
            for n in N:
                k, r, v = n["check"], n.get("result"), n.get("value_v", n.get("value_ohm"))
                if k == "abs-fuse" and r == "blown":
                    cand = {"supply-lost"}
                    ev.append("note+")
                if k == "abs-supply-voltage":
                    if v < 5:
                        cand = {"supply-lost"}
                        ev.append("note+")
                    elif v > 11.8:
                        cand -= {"supply-lost", "supply-low"}
                if k == "battery-voltage" and v > 13.2:
                    cand -= {"supply-low"}
                if k == "abs-earth-drop":
                    if v > 0.3:
                        cand = {"earth-poor"}
                        ev.append("note+")
                    else:
                        cand -= {"earth-poor"}
                if k == "bus-resistance":
                    if not 50 < v < 75:
                        cand = {"network"}
                        ev.append("note+")
            s = sorted(cand)
        elif c == "supply-low":
            cand = set()
            if "vlow" in allk or any(l[0] in ("P0562", "U3003") for L in case["react"].values() for l in L):
                cand = {"supply-low", "earth-poor"}
                ev.append("code")
            if see["vb"] and see["vbmed"] < 12.9:
                cand = {"supply-low"}
                ev.append("PID42")
            if see["va"] and see["vamed"] < 12.6:
                cand |= {"supply-low", "earth-poor"} if not see["vb"] else {"supply-low"}
                ev.append("va")
            if sum(any(l[0] in ("P0562", "U3003") for l in L) for L in case["react"].values()) and "vlow" in allk:
                cand = {"supply-low"}
            if any(n["check"] == "battery-voltage" and n["value_v"] < 13 for n in N):
                cand = {"supply-low"}
                ev.append("note+")
            s = sorted(cand)
        elif c == "supply-high":
            s = (
                [c]
                if "vhigh" in allk
                or see["vb"]
                or see["va"]
                or any(l[0] in ("P0563", "U3003") for L in case["react"].values() for l in L)
                or any(n["check"] in ("battery-voltage", "abs-supply-voltage") for n in N)
                else []
            )
        elif c == "motion-sensor":
            s = (
                [c]
                if "motion" in allk
                and x["variant"] != "sas-zero"
                or (see["motion"] and x["variant"] in ("yaw-offset", "sas-zero"))
                else ([c, "module-coding"] if "motion" in allk else [])
            )
            if any(n["check"] == "motion-zero-check" and n["result"] == "offset" for n in N):
                s = s or [c, "module-coding"]
        elif c == "module-coding":
            s = ([c] if x["variant"] != "zero" else [c, "motion-sensor"]) if "coding" in allk else []
            s = (
                [c, "module-internal"]
                if s == [c] and x["variant"] == "uncoded" and case["access"] in ("kwp", "obd")
                else s
            )
            s = [c] if any(n["check"] == "coding-check" and n["result"] == "missing" for n in N) else s
        elif c == "module-internal":
            s = (
                (
                    [c, "module-coding"]
                    if case["access"] in ("kwp", "obd") and case["style"] != "gm" and not note("coding-check")
                    else [c]
                )
                if "internal" in allk
                else []
            )
        else:
            key = {"pump-motor": "pump", "valve-circuit": "valve", "brake-switch": "brsw", "pressure-sensor": "press"}[
                c
            ]
            s = [c] if key in allk else []
            own = {
                "pump-motor": ("pump-test", "dead"),
                "valve-circuit": ("valve-test", "faulty"),
                "brake-switch": ("brake-lamp-switch", "stuck"),
                "pressure-sensor": ("brake-pressure-compare", "disagrees"),
            }[c]
            if any((n["check"], n.get("result")) == own for n in N):
                s = [c]
                ev.append("note+")
            if c == "brake-switch":
                if any(l[0] in ("P0571", "P0504", "P0703") for l in case["react"].get("Engine", [])):
                    s = [c]
                    ev.append("engine")
                if see["brsw"] and see["fast_s"] > 60:
                    s = [c]
                    ev.append("signal")
            ev += [k for k in allk if k == key]
        res.append(dict(cause=c, twins=list(s), ev=ev))
    return res
