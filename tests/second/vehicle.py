"""Cars, faults, the ABS module's own monitors and code store."""

import numpy as np
from physics import *

WH = ["left-front", "right-front", "left-rear", "right-rear"]
WHEEL_CAUSES = ["sensor-weak-signal", "sensor-circuit", "sensor-failed", "tone-ring", "wheel-bearing", "tyre-mismatch"]
# own idea of how often a workshop meets each (from memory of the trade; no statistic): per 100 vehicles
MIX = {
    "sensor-circuit": 14,
    "sensor-failed": 14,
    "tone-ring": 9,
    "sensor-weak-signal": 8,
    "wheel-bearing": 4,
    "tyre-mismatch": 3,
    "sensors-swapped": 0.7,
    "fluid-low-worn-pads": 4,
    "fluid-leak": 2,
    "fluid-level-switch": 2,
    "supply-lost": 4,
    "supply-low": 6,
    "supply-high": 0.7,
    "earth-poor": 2,
    "pump-motor": 4,
    "valve-circuit": 2.5,
    "brake-switch": 4,
    "pressure-sensor": 2.5,
    "motion-sensor": 5,
    "network": 4,
    "module-coding": 2,
    "module-internal": 5,
    "no-present-fault": 6,
    "healthy": 6,
}
TYRES = {
    "195/65R15": 0.6345,
    "205/55R16": 0.6319,
    "225/45R17": 0.6343,
    "215/60R16": 0.6644,
    "185/60R14": 0.5776,
    "225/60R17": 0.7018,
    "165/70R13": 0.5612,
}


def make_car(rng):
    tyre = rng.choice(list(TYRES))
    D = TYRES[tyre]
    car = dict(
        tyre=str(tyre), C=3.05 * D * rng.uniform(0.995, 1.012), sensor="active" if rng.random() < 0.65 else "passive"
    )
    car["N"] = int(
        rng.choice(
            [43, 44, 47, 48, 48, 48, 52, 60, 86, 96] if car["sensor"] == "active" else [29, 43, 44, 47, 48, 50, 96]
        )
    )
    car["Crel"] = 1 + rng.normal(0, 0.0018, 4) + np.array([1, 1, -1, -1]) * rng.normal(0, 0.0015)
    car["pitch"] = rng.normal(0, rng.uniform(0.002, 0.007), (4, car["N"]))
    car["phase"] = rng.random(4)
    car["vmin"] = rng.uniform(1.8, 4.2, 4)
    car["track"] = rng.uniform(1.40, 1.60)
    car["wb"] = rng.uniform(2.35, 2.85)
    car["drive"] = "rear" if rng.random() < 0.2 else "front"
    car["kslip"] = rng.uniform(0.003, 0.007)
    car["rough"] = rng.uniform(0.0006, 0.0025)
    car["ratio"] = rng.uniform(13, 17.5)  # steering ratio
    car["cycle"] = float(rng.choice([0.005, 0.01, 0.01, 0.02]))
    car["tau"] = float(rng.choice([0, 0, 0.01, 0.02, 0.04]))
    car["style"] = str(
        rng.choice(["sae3", "circ", "circ0", "gm", "toyold", "sae3plain"], p=[0.38, 0.17, 0.1, 0.15, 0.12, 0.08])
    )
    car["access"] = {
        "sae3": "uds",
        "circ": "uds",
        "circ0": "uds",
        "gm": rng.choice(["uds", "kwp"], p=[0.6, 0.4]),
        "toyold": rng.choice(["kwp", "obd", "kwp"]),
        "sae3plain": rng.choice(["kwp", "obd"]),
    }[car["style"]]
    car["access"] = str(car["access"])
    if rng.random() < 0.06:
        car["access"] = "engine-only"
    car["vbat"] = rng.uniform(13.7, 14.5)
    T = dict(
        miss_t=float(rng.choice([0.15, 0.3, 0.5, 1, 2, 5])),
        miss_v=rng.uniform(8, 20),
        eopen=rng.uniform(0.14, 0.5),
        jump=float(np.exp(rng.uniform(np.log(150), np.log(900)))),
        jumps=int(rng.integers(3, 24)),
        ring=rng.random() < 0.55,
        ring_v=rng.uniform(25, 48),
        ring_t=float(rng.choice([8, 15, 30, 60])),
        dev=float(rng.choice([0.05, 0.06, 0.06, 0.08, 0.10])),
        dev_t=float(rng.choice([9, 20, 40, 72])),
        high=rng.uniform(1.2, 1.5),
        amp=rng.random() < 0.25,
        latch=rng.random() < 0.6,
        subst=str(rng.choice(["raw", "zero", "invalid", "hold"], p=[0.4, 0.25, 0.25, 0.1])),
        vlow=rng.uniform(8.5, 10.2),
        vhigh=rng.uniform(15.9, 16.6),
        mask=int(rng.choice([0xFF, 0x7F, 0x2F, 0x09, 0x89, 0xCF, 0x7B])),
        pump_test=float(rng.choice([0, 6, 15, 20])),
        nosig_ftb=str(rng.choice(["31", "29", "23"])),
        err_ftb=str(rng.choice(["2F", "1F", "64"])),
        open_ftb=str(rng.choice(["13", "14", "15"])),
        dev_ftb=str(rng.choice(["62", "64", "62"])),
        stand_cleared=rng.random() < 0.5,
    )
    car["T"] = T
    return car


def make_fault(rng, car, cause, avoid=()):
    f = {"id": cause}
    pas = car["sensor"] == "passive"
    N = car["N"]
    if cause in WHEEL_CAUSES:
        w = [i for i in range(4) if i not in avoid]
        f["wheel"] = int(rng.choice(w))
    if cause == "sensor-circuit":
        f["variant"] = str(
            rng.choice(
                ["open", "short-ground", "short-battery", "intermittent", "corroded"], p=[0.3, 0.12, 0.05, 0.33, 0.2]
            )
        )
        f["rate"] = float(np.exp(rng.uniform(np.log(0.01), np.log(0.35)))) * (2.2 if f["variant"] == "corroded" else 1)
        f["steer"] = float(rng.choice([0, 1, 4]))
        f["len"] = 0.35 if f["variant"] == "intermittent" else 0.08
        f["total"] = 0.85 if f["variant"] == "intermittent" else 0.4
        f["ekind"] = str(rng.choice(["open", "elecint", "open"]))
        f["seat"] = str(rng.choice(["connector", "wire", "pigtail"], p=[0.5, 0.35, 0.15]))
    if cause == "sensor-failed":
        f["variant"] = str(rng.choice(["dead-elec", "dead-silent", "heat", "noisy"], p=[0.45, 0.25, 0.15, 0.15]))
        f["ekind"] = str(rng.choice(["open", "shortg", "open"]))
        f["t0"] = rng.uniform(60, 400)
        f["eheat"] = rng.random() < 0.5
        f["loss"] = rng.uniform(0.1, 0.7)
        f["shorted"] = rng.random() < 0.4
        f["cracked"] = rng.random() < 0.35
    if cause == "sensor-weak-signal":
        f["variant"] = str(rng.choice(["gap", "swarf"]))
        f["vmin"] = rng.uniform(8, 30)
        f["runout"] = rng.uniform(0.05, 0.2)
        f["margin"] = rng.uniform(0.86, 1.12)
        f["ph"] = rng.uniform(0, 6)
        f["gap"] = rng.uniform(1.6, 3.0)
    if cause == "tone-ring":
        f["variant"] = str(rng.choice(["missing", "crack", "corroded"], p=[0.3, 0.3, 0.4]))
        f["teeth"] = sorted({int(x) for x in ((rng.integers(N) + np.arange(rng.integers(1, 4))) % N)})
        f["open"] = rng.uniform(0.3, 0.95)
        f["extra"] = bool(rng.random() < 0.4)
        f["sev"] = rng.uniform(0.4, 1)
        k = rng.integers(1, 4)
        f["wave"] = rng.normal(0, 0.06 * f["sev"], N) + 0.25 * f["sev"] * np.sin(
            2 * np.pi * k * np.arange(N) / N + rng.uniform(0, 6)
        )
        f["vmin"] = rng.uniform(4, 14)
        f["lose"] = rng.uniform(0.2, 0.9) * f["sev"]
        f["sector"] = rng.uniform(0.06, 0.3)
        f["hidden"] = bool(not pas and rng.random() < 0.35)
    if cause == "wheel-bearing":
        f["sev"] = rng.uniform(0.45, 1.1)
        f["ecc"] = rng.uniform(0.1, 0.5) * f["sev"] * 0.02
        f["ph"] = rng.uniform(0, 6)
        f["variant"] = "play"
    if cause == "tyre-mismatch":
        f["variant"] = str(rng.choice(["size", "worn", "pressure"], p=[0.5, 0.2, 0.3]))
        f["dC"] = float(
            {
                "size": rng.choice([-1, 1]) * rng.uniform(0.02, 0.10),
                "worn": -rng.uniform(0.008, 0.022),
                "pressure": -rng.uniform(0.004, 0.015),
            }[f["variant"]]
        )
    if cause == "sensors-swapped":
        f["axle"] = int(rng.random() < 0.4)
        f["variant"] = "plugs"
    V = {
        "fluid-low-worn-pads": ["front", "rear"],
        "fluid-leak": ["caliper", "line"],
        "fluid-level-switch": ["stuck", "wire"],
        "supply-lost": ["fuse", "feed", "relay"],
        "supply-low": ["alternator", "battery", "belt"],
        "supply-high": ["regulator"],
        "earth-poor": ["bolt"],
        "pump-motor": ["motor", "relay", "stuck"],
        "valve-circuit": ["coil", "relay"],
        "brake-switch": ["stuck-on", "stuck-off", "contacts"],
        "pressure-sensor": ["offset", "circuit"],
        "motion-sensor": ["yaw-offset", "sas-zero", "dead", "lateral"],
        "network": ["termination", "node", "stub", "wire"],
        "module-coding": ["uncoded", "mismatch", "zero"],
        "module-internal": ["memory", "silent", "hydraulic", "electronics"],
    }
    if cause in V:
        f["variant"] = str(rng.choice(V[cause]))
    if cause == "motion-sensor":
        f["off"] = float(rng.choice([-1, 1]) * rng.uniform(3, 12))
        f["sasoff"] = float(rng.choice([-1, 1]) * rng.uniform(8, 60))
    if cause == "supply-low":
        f["v0"] = {
            "alternator": rng.uniform(11.6, 12.5),
            "battery": rng.uniform(13.2, 14.1),
            "belt": rng.uniform(11.8, 13),
        }[f["variant"]]
        f["rate"] = rng.uniform(0.1, 0.5) / 100
        f["crank"] = rng.uniform(6.5, 8.6)
    if cause == "supply-high":
        f["v0"] = rng.uniform(15.6, 17.5)
    if cause == "earth-poor":
        f["drop"] = rng.uniform(0.7, 3.5)
        f["flicker"] = bool(rng.random() < 0.5)
    if cause == "supply-lost":
        f["hard"] = f["variant"] != "relay" or rng.random() < 0.35
    if cause in ("fluid-low-worn-pads", "fluid-leak"):
        f["slosh"] = bool(rng.random() < 0.4)
        f["pad"] = rng.uniform(0.8, 2.9)
        f["axle"] = int(f["variant"] == "rear")
        del f["axle"]
    if cause == "fluid-low-worn-pads":
        f["padaxle"] = int(f["variant"] == "rear")
    if cause == "valve-circuit":
        f["vw"] = int(rng.integers(4))
        f["outlet"] = bool(rng.random() < 0.5)
    if cause == "network":
        f["deaf"] = str(rng.choice(["brakes", "steering"]))
        f["rate"] = rng.uniform(0.02, 0.3)
    return f


def has(faults, cause):
    return next((f for f in faults if f["id"] == cause), None)


def runs(mask):
    d = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return np.where(d == 1)[0], np.where(d == -1)[0]


def sustained(mask, dt, need):
    """intervals in which mask has held for `need` seconds: (time set, time over)"""
    a, b = runs(mask)
    return [((i + need / dt) * dt, j * dt) for i, j in zip(a, b) if (j - i) * dt >= need]


def run_vehicle(rng, car, faults, d):
    """All the module sees and does in one key cycle."""
    t = d["t"]
    dur = t[-1] + DT
    T = car["T"]
    d["vib"] = np.clip(np.interp(t, np.arange(0, dur + 5, 4), rng.gamma(1.5, 0.6, len(np.arange(0, dur + 5, 4)))), 0, 3)
    vw, w = wheel_ground_speeds(rng, car, d)
    sensor_of = [0, 1, 2, 3]
    sw = has(faults, "sensors-swapped")
    if sw:
        a = 2 * sw["axle"]
        sensor_of[a], sensor_of[a + 1] = a + 1, a
    cy = car["cycle"]
    tc = np.arange(cy, dur - DT, cy)
    n = len(tc)
    raw, elec = [], []
    for i in range(4):
        te, el = edges_of(rng, car, d, sensor_of[i], vw[sensor_of[i]], faults, w)
        raw.append(speed_from_edges(te, tc, car["C"], car["N"]))
        elec.append(el)
    raw = np.array(raw)
    v = np.interp(tc, t, d["v"]) * 3.6
    k = np.interp(tc, t, d["k"])
    yaw = np.interp(tc, t, w)
    ax = np.interp(tc, t, np.gradient(d["v"], DT))
    S = dict(tc=tc, raw=raw, v=v, yaw=yaw, ax=ax, dur=dur, vw=[np.interp(tc, t, x) * 3.6 for x in vw], clean=None)
    absn = np.interp(tc, t, d["abs_on"].astype(float)) > 0.5
    S["abs_on"] = absn
    # --- electricity
    vb = car["vbat"] + lowpass(rng.normal(0, 0.35, n), 3, cy) * 3 + rng.normal(0, 0.03, n)
    crank = None
    sl, sh, ep, lost = (
        has(faults, "supply-low"),
        has(faults, "supply-high"),
        has(faults, "earth-poor"),
        has(faults, "supply-lost"),
    )
    if sl:
        if sl["variant"] == "alternator":
            vb = (
                sl["v0"]
                - sl["rate"] * tc
                - (3.2 * np.clip(tc / dur, 0, 1) ** 2 if d.get("hidden") else 0)
                + rng.normal(0, 0.04, n)
                - 0.25 * (np.sin(tc / 17) > 0.6)
            )
        elif sl["variant"] == "belt":
            vb = np.minimum(
                vb, sl["v0"] - (3.6 if d.get("hidden") else 1.8) * (np.sin(tc / 23 + 1) > 0.3)
            ) + rng.normal(0, 0.04, n)
        elif d.get("start"):
            vb = np.where(
                tc < 3,
                11.7 + rng.normal(0, 0.02, n),
                np.where(tc < 4.2, sl["crank"] + 1.2 * np.abs(np.sin(tc * 22)), sl["v0"] + rng.normal(0, 0.03, n)),
            )
        vb = np.maximum(vb, 7.5)
    elif d.get("start"):
        vb = np.where(
            tc < 3, 12.5 + rng.normal(0, 0.02, n), np.where(tc < 4.0, 10.4 + 0.8 * np.abs(np.sin(tc * 22)), vb)
        )
    if sh:
        vb = vb - car["vbat"] + sh["v0"] - 0.8 * (v < 5)
    va = vb - 0.15
    if ep:
        load = np.full(n, 0.8)
        load = load + 1.2 * absn + 0.5 * (np.abs(tc % 90 - 30) < 1.5)
        go = np.where(v > max(T["pump_test"], 3))[0]
        if len(go):
            load = load + 2.5 * ((tc > tc[go[0]]) & (tc < tc[go[0]] + 0.5))  # the pump's self test
        fl = (
            np.interp(tc, np.arange(0, dur + 8, 6), rng.uniform(0.1, 1.3, len(np.arange(0, dur + 8, 6))))
            if ep["flicker"]
            else 1.0
        )
        va = va - ep["drop"] * load * fl
    S["vb"], S["va"] = vb, va
    alive = np.ones(n, bool)
    if lost:
        if lost["hard"]:
            alive[:] = False
        else:
            for h in np.where(rng.random(int(dur)) < 0.012)[0]:
                alive &= ~((tc > h) & (tc < h + np.exp(rng.normal(0.3, 0.9))))
    if (mi := has(faults, "module-internal")) and mi["variant"] == "silent":
        alive[:] = False
    if ep:
        alive &= ~(va < 7.2)
    S["alive"] = alive
    nw = has(faults, "network")
    drop = np.zeros(n, bool)
    allbad = np.zeros(n, bool)
    if nw:
        x = np.zeros(n, bool)
        for h in np.where(rng.random(int(dur)) < nw["rate"])[0]:
            x |= (tc > h) & (tc < h + np.exp(rng.normal(-0.5, 1)))
        if nw["variant"] == "stub":
            drop = x | (rng.random() < 0.3)
        else:
            allbad = x
    S["lostbrake"], S["allbad"] = drop, allbad
    # --- monitors:  key (kind, wheel or None) -> [time first completed, failing intervals]
    M = {}

    def add(kind, wh, tested, fails):
        M[(kind, wh)] = [tested, sorted(fails)]

    ref = np.sort(raw, 0)[2]  # second fastest
    moving = np.sort(raw, 0)[1:3].mean(0)
    fast_t = tc[ref > 20][0] if (ref > 20).any() else None
    for i in range(4):
        e = [(a + T["eopen"], b, kd) for a, b, kd in elec[i] if b - a > T["eopen"]]
        short = [(a, b, kd) for a, b, kd in elec[i] if b - a <= T["eopen"] and kd == "elecint"]
        for kd in ("open", "shortg", "shortb", "elecint"):
            ev = [(a, b) for a, b, q in e if q == kd]
            if kd == "elecint" and len(short) > 5:
                ev += [(short[5][0], short[5][1])]
            add(kd, i, 0.6, ev)
        el = np.zeros(n, bool)
        for a, b, _ in elec[i]:
            el |= (tc >= a - 0.1) & (tc <= b + 0.5)
        hard = np.zeros(n, bool)
        for a, b, _ in e:
            hard |= (tc >= a) & (tc <= b + 0.5)
        add("nosig", i, fast_t, sustained((raw[i] < 2.75) & (ref > T["miss_v"]) & ~hard, cy, T["miss_t"]))
        acc = np.abs(np.diff(raw[i], prepend=raw[i][0])) / 3.6 / cy
        big = (acc > T["jump"]) & ~hard & ~absn & (ref > 8)
        c = np.cumsum(big)
        wn = int(2 / cy)
        cnt = c - np.concatenate([np.zeros(min(wn, n)), c[:-wn]])[:n]
        a, b = runs(cnt >= T["jumps"])
        add("erratic", i, fast_t, [(x * cy, y * cy) for x, y in zip(a, b)])
        if T["ring"]:
            dip = (raw[i] < 0.80 * ref) & (ref > T["ring_v"]) & (raw[i] > 1)
            st = np.diff(dip.astype(np.int8), prepend=0) == 1
            wn = int(2 / cy)
            c = np.cumsum(st)
            cnt = c - np.concatenate([np.zeros(min(wn, n)), c[:-wn]])[:n]
            turns = ref / 3.6 / car["C"] * 2
            ok = (cnt > 0.5 * turns) & (cnt < 1.6 * turns) & (ref > T["ring_v"])
            tested = tc[np.cumsum(ref > T["ring_v"]) * cy > T["ring_t"]]
            add("ring", i, tested[0] if len(tested) else None, sustained(ok, cy, T["ring_t"]))
        m = int(1 / cy)
        sm = lambda x: np.convolve(np.pad(x, (m, 0), "edge"), np.ones(m) / m, "same")[: len(x)]
        oth = np.sort(np.delete(raw, i, 0), 0)[1]
        r = sm(raw[i]) / np.maximum(sm(oth), 1)
        straight = (np.abs(np.interp(tc, t, d["k"])) < 0.004) & (oth > 20) & ~absn
        tested = tc[np.cumsum(straight) * cy > T["dev_t"]]
        # counts up while it differs on the straight, and waits in bends
        x = straight & (np.abs(r - 1) > T["dev"]) & (r > 0.4) & (r < 1.3)
        s2 = straight & ~x
        cs = np.cumsum(x) * cy
        good = np.maximum.accumulate(np.where(s2, cs, 0))
        bad = cs - good > T["dev_t"]
        a, b = runs(bad)
        add("dev", i, tested[0] if len(tested) else None, [(p * cy, dur) for p in a[:1]])
        a, b = runs((raw[i] > T["high"] * np.maximum(ref, 20)) & (ref > 15) & ~absn)
        add("high", i, fast_t, [(p * cy + 0.3, q * cy) for p, q in zip(a, b) if (q - p) * cy > 0.3])
        wk = next((f for f in faults if f["id"] == "sensor-weak-signal" and f["wheel"] == i), None)
        if T["amp"]:
            add(
                "amp",
                i,
                fast_t,
                (
                    [(fast_t + 5, dur)]
                    if wk
                    and fast_t is not None
                    and (car["sensor"] == "passive" or wk["margin"] < 1.02)
                    and fast_t + 5 < dur
                    else []
                ),
            )
    low = sustained(va < T["vlow"], cy, 0.3)
    add("vlow", None, 0.6, low)
    add("vhigh", None, 0.6, sustained(va > T["vhigh"], cy, 0.3))
    fl = has(faults, "fluid-low-worn-pads") or has(faults, "fluid-leak") or has(faults, "fluid-level-switch")
    S["fluid_low"] = np.zeros(n, bool)
    if fl:
        if fl["id"] == "fluid-low-worn-pads" and fl.get("slosh"):
            S["fluid_low"] = (np.abs(ax) > 1.3) | (np.abs(yaw * v / 3.6) > 1.5) | (np.sin(tc / 31) > 0.9)
        else:
            S["fluid_low"][:] = True
    add("fluid", None, 5, sustained(S["fluid_low"], cy, 2.0))
    add("flsw", None, 1, [(1, dur)] if fl and fl["id"] == "fluid-level-switch" and fl["variant"] == "wire" else [])

    def at(vk):
        if vk == 0:
            return 0.8
        x = np.where(v > vk)[0]
        return tc[x[0]] if len(x) else None

    tp = at(T["pump_test"])
    add("pump", None, tp, [(tp, dur)] if has(faults, "pump-motor") and tp is not None else [])
    add("valve", None, 0.8, [(0.8, dur)] if has(faults, "valve-circuit") else [])
    bs = has(faults, "brake-switch")
    pressed = (ax < -0.35) | ((v < 0.5) & (np.sin(tc / 41 + 2) > -0.6))
    S["pressed"] = pressed.copy()
    if bs:
        if bs["variant"] == "stuck-on":
            S["pressed"][:] = True
        elif bs["variant"] == "stuck-off":
            S["pressed"][:] = False
        else:
            S["pressed"] &= (
                np.interp(tc, np.arange(0, dur + 3, 1.5), rng.random(len(np.arange(0, dur + 3, 1.5)))) > 0.45
            )
    f = []
    if bs:
        f = (
            sustained(S["pressed"] & (v > 20), cy, 20)
            if bs["variant"] == "stuck-on"
            else [(x[0], dur) for x in sustained((ax < -1.4) & ~S["pressed"] & (v > 15), cy, 0.4)[:1]]
        )
    q20 = at(20)
    add("brsw", None, q20 + 25 if q20 is not None else None, f)
    ps = has(faults, "pressure-sensor")
    add(
        "press",
        None,
        (0.8 if not ps or ps["variant"] == "circuit" else 8),
        [(0.8 if ps["variant"] == "circuit" else 8, dur)] if ps else [],
    )
    ms = has(faults, "motion-sensor")
    off = ms["off"] if ms and ms["variant"] == "yaw-offset" else 0
    soff = ms["sasoff"] if ms and ms["variant"] == "sas-zero" else 0
    S["yaw_sig"] = yaw * 57.2958 + off + rng.normal(0, 0.15, n)
    S["sas_sig"] = np.arctan(car["wb"] * k) * 57.2958 * car["ratio"] + soff
    if ms and ms["variant"] == "dead":
        S["yaw_sig"] = np.zeros(n)
    t30 = at(18)
    f = []
    if ms:
        if ms["variant"] in ("dead", "lateral"):
            f = [(1.5, dur)]
        elif t30 is not None:
            f = [(t30 + 6, dur)] if t30 + 6 < dur else []
    add(
        "motion",
        None,
        1.5 if ms and ms["variant"] in ("dead", "lateral") else (t30 + 6 if t30 is not None else None),
        f,
    )
    tt = np.where(np.abs(yaw * 57.3) > 8)[0]
    f = []
    if sw and len(tt) * cy > 4:
        f = [(tc[tt[int(4 / cy)]], dur)]
    add(
        "swap",
        None,
        tc[tt[int(4 / cy)]] if len(tt) * cy > 4 and car["T"]["dev"] < 0.09 else None,
        f if (sw and car["T"]["dev"] < 0.09) else [],
    )
    mc = has(faults, "module-coding")
    add("coding", None, 0.5, [(0.5, dur)] if mc else [])
    add("internal", None, 0.5, [(0.5, dur)] if mi and mi["variant"] != "silent" else [])
    add(
        "net",
        None,
        2,
        [(a, b) for a, b in sustained(allbad, cy, 0.5)] + ([(2, dur)] if nw and nw["variant"] == "wire" else []),
    )
    S["M"], S["elec"] = M, elec
    # detected wheel fault -> substitute value on the bus
    sig = np.array([lowpass(x, car["tau"], cy) for x in raw])
    inv = np.zeros((4, n), bool)
    for i in range(4):
        bad = np.zeros(n, bool)
        for kd in ("open", "shortg", "shortb", "nosig", "elecint"):
            for a, b in M[(kd, i)][1]:
                bad |= (tc >= a) & ((tc <= b + 0.3) | (T["latch"] and kd != "elecint"))
        if T["subst"] == "zero":
            sig[i][bad] = 0
        elif T["subst"] == "invalid":
            inv[i] |= bad
        elif T["subst"] == "hold" and bad.any():
            sig[i][bad] = 0
    S["sig"], S["inv"] = sig, inv
    return S
