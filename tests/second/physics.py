"""Vehicle motion, tone-ring edges, wheel-speed computation. SI inside; km/h only at the module's output."""

import numpy as np

DT = 0.005
G = 9.81


def make_drive(rng, kind, dur):
    V, K, n_tot = [], [], 0
    v = 0.0
    need = int(dur / DT)

    def put(x, k):
        nonlocal n_tot
        V.append(x)
        K.append(np.full(len(x), k))
        n_tot += len(x)

    def ramp(v1, a, k=0.0):
        nonlocal v
        n = max(2, int(abs(v1 - v) / a / DT))
        s = np.linspace(0, 1, n, endpoint=False)
        put(v + (v1 - v) * (0.6 * s + 0.4 * s * s * (3 - 2 * s)), k)
        v = v1

    def hold(T, k=0.0):
        put(np.full(max(1, int(T / DT)), v), k)

    def turn(kmh=None):
        R = rng.uniform(7, 20)
        s = rng.choice([-1, 1])
        vt = min(np.sqrt(2.8 * R), (kmh or rng.uniform(12, 26)) / 3.6)
        if abs(v - vt) > 0.3:
            ramp(vt, rng.uniform(1, 2.4))
        hold(rng.uniform(60, 105) / 57.3 * R / vt, s / R)

    def bend(lo, hi):
        R = rng.uniform(lo, hi)
        R = max(R, v * v / 3.0)
        hold(rng.uniform(2, 6), rng.choice([-1, 1]) / R)

    if kind == "idle":
        hold(dur)
    else:
        hold(rng.uniform(2, 25))
        while n_tot < need:
            if kind == "yard":
                ramp(rng.uniform(6, 24) / 3.6, rng.uniform(0.6, 1.3))
                hold(rng.uniform(2, 10))
                turn(rng.uniform(8, 14))
                hold(rng.uniform(1, 5))
                if rng.random() < 0.5:
                    ramp(0, rng.uniform(0.8, 2))
                    hold(rng.uniform(2, 10))
            elif kind in ("city", "mixed"):
                ramp(rng.uniform(28, 62 if kind == "city" else 85) / 3.6, rng.uniform(0.9, 2.2))
                hold(rng.uniform(5, 25))
                for _ in range(rng.integers(0, 3)):
                    bend(70, 350)
                    hold(rng.uniform(2, 8))
                if rng.random() < 0.55:
                    ramp(0, rng.uniform(1, 3))
                    hold(rng.uniform(3, 22))
                if rng.random() < 0.6:
                    turn()
            elif kind == "country":
                ramp(rng.uniform(60, 98) / 3.6, rng.uniform(0.8, 1.8))
                hold(rng.uniform(10, 40))
                for _ in range(rng.integers(1, 4)):
                    bend(130, 500)
                    hold(rng.uniform(3, 10))
                if rng.random() < 0.3:
                    turn()
                if rng.random() < 0.12:
                    ramp(0, rng.uniform(1, 2.5))
                    hold(rng.uniform(3, 12))
            elif kind == "motorway":
                if n_tot < 3000:
                    ramp(50 / 3.6, 1.5)
                    hold(rng.uniform(4, 15))
                    turn(28)
                    ramp(rng.uniform(85, 105) / 3.6, 1.6)
                ramp(rng.uniform(88, 132) / 3.6, rng.uniform(0.3, 0.9))
                hold(rng.uniform(15, 60))
                bend(500, 1500)
    v = np.concatenate(V)[:need]
    k = np.concatenate(K)[:need]
    n = len(v)
    w = int(0.7 / DT)
    ker = np.ones(w) / w
    k = np.convolve(np.pad(k, w, "edge"), ker, "same")[w:-w]
    m = int(12 / DT)  # driver's wobble, a slow random walk
    r = np.interp(np.arange(n), np.arange(0, n + m, m // 6), rng.normal(0, 1, len(np.arange(0, n + m, m // 6))))
    ker = np.ones(m // 4) / (m // 4)
    r = np.convolve(np.pad(r, m // 4, "edge"), ker, "same")[m // 4 : -(m // 4)]
    v = np.maximum(0, v + r * 0.35 * np.clip(v / 8, 0, 1)) * (v > 0.02)
    w = int(0.3 / DT)
    v = np.convolve(np.pad(v, w, "edge"), np.ones(w) / w, "same")[w:-w]
    v[v < 0.02] = 0
    return dict(t=np.arange(n) * DT, v=v, k=k, kind=kind)


def lowpass(x, tau, dt):
    if tau <= 0:
        return x
    n = max(1, int(round(3 * tau / dt)))
    ker = np.exp(-np.arange(n) * dt / tau)
    ker /= ker.sum()
    return np.convolve(np.pad(x, (n - 1, 0), "reflect" if len(x) > n else "wrap"), ker, "valid")


def wheel_ground_speeds(rng, car, d):
    t, v, k = d["t"], d["v"], d["k"]
    n = len(t)
    T, L = car["track"], car["wb"]
    w = k * v
    a = np.gradient(v, DT)
    out = []
    rough = car["rough"] * (1 + 1.5 * (np.sin(2 * np.pi * t / rng.uniform(40, 120) + rng.uniform(0, 6)) > 0.9))
    hard = np.zeros(n, bool)
    if d.get("abs_event"):
        c = np.where((a < -1.5) & (v > 8))[0]
        if len(c):
            i0 = c[rng.integers(len(c))]
            hard[i0 : i0 + int(1.6 / DT)] = True
    d["abs_on"] = hard
    for i in range(4):
        left, front = i % 2 == 0, i < 2
        vy = v - w * T / 2 if left else v + w * T / 2
        g = np.sqrt(vy**2 + (w * L) ** 2) if front else vy
        driven = front == (car["drive"] == "front")
        slip = np.zeros(n)
        if driven:
            slip = car["kslip"] * np.clip(a, 0, None) + 0.0015 * (v / 30) ** 2
        slip = slip - (0.005 if front else 0.0028) * np.clip(-a, 0, None) * (1 + 0.1 * rng.normal())
        if hard.any():
            slip = slip - hard * (
                0.10 + 0.08 * np.sin(2 * np.pi * rng.uniform(6, 9) * t + rng.uniform(0, 6)) + 0.04 * rng.normal(0, 1, n)
            )
        # sideways load transfer changes the rolling radius a little
        nz = lowpass(rng.normal(0, 1, n), 0.012, DT)
        nz /= nz.std() or 1
        g = g * (1 + slip + nz * rough * np.clip(v / 15, 0.3, 1.5))
        out.append(np.maximum(g, 0) * (v > 0.015))
    return out, w


def edges_of(rng, car, d, i, vw, faults, w):
    """Edge times of wheel i (its sensor's own wheel), and electrical fault intervals of that circuit."""
    t, v = d["t"], d["v"]
    dur = t[-1]
    C = car["C"] * car["Crel"][i]
    N = car["N"]
    mine = [f for f in faults if f.get("wheel") == i]
    for f in mine:
        if f["id"] == "tyre-mismatch":
            C = C * (1 + f["dC"])
    pos = (np.arange(N) + car["pitch"][i]) / N
    for f in mine:
        if f["id"] == "tone-ring":
            pos = np.sort((np.arange(N) + car["pitch"][i] * 1 + (f["wave"] if f["variant"] == "corroded" else 0)) / N)
            if f["variant"] == "missing":
                pos = np.delete(pos, f["teeth"])
            elif f["variant"] == "crack":
                # the split opens: one pitch is wider, the others a little closer; sometimes the edge of the crack gives a pulse more
                j = f["teeth"][0]
                x = np.arange(N) + car["pitch"][i]
                x = np.where(np.arange(N) > j, x + f["open"], x) * N / (N + f["open"])
                if f["extra"]:
                    x = np.sort(np.append(x, (j + 0.5 * (1 + f["open"])) * N / (N + f["open"])))
                pos = x / N
        if f["id"] == "wheel-bearing":
            th = 2 * np.pi * np.arange(N) / N
            pos = pos + f["ecc"] * np.sin(th + f["ph"]) / (2 * np.pi)
    pos = np.sort(pos % 1.0)
    phi = np.cumsum(vw / C * DT) + car["phase"][i]
    elec = []
    if phi[-1] - phi[0] < 0.02:
        te = np.zeros(0)
        theta = te
    else:
        k0, k1 = int(phi[0]), int(phi[-1]) + 1
        ap = (np.arange(k0, k1 + 1)[:, None] + pos[None, :]).ravel()
        ap = ap[(ap > phi[0]) & (ap < phi[-1])]
        te = np.interp(ap, phi + np.arange(len(phi)) * 1e-9, t)
        theta = ap % 1.0
    ve = np.interp(te, t, vw)
    aye = np.interp(te, t, w * v)
    n = len(te)
    keep = np.ones(n, bool)
    extra = []
    if car["sensor"] == "passive":
        thr = car["vmin"][i]
        for f in mine:
            if f["id"] == "sensor-weak-signal":
                thr = f["vmin"]
            if f["id"] == "tone-ring" and f["variant"] == "corroded":
                thr = max(thr, f["vmin"])
        amp = ve * (1 + 0.10 * np.cos(2 * np.pi * theta + 1) + rng.normal(0, 0.05, n))
        for f in mine:
            if f["id"] == "sensor-weak-signal":
                amp = ve * (1 + f["runout"] * np.cos(2 * np.pi * theta + 1) + rng.normal(0, 0.08, n))
            if f["id"] == "tone-ring" and f["variant"] == "corroded":
                amp = amp * (1 + 0.35 * np.sin(2 * np.pi * theta * 2 + 3) * f["sev"])
        keep &= amp > thr / 3.6
    else:
        keep &= ve > 0.08
    vib = np.interp(te, t, d["vib"])  # slowly changing roughness 0..3
    for f in mine:
        if f["id"] == "sensor-weak-signal" and car["sensor"] == "active":
            m = f["margin"] * (1 + f["runout"] * np.cos(2 * np.pi * theta + f["ph"])) * (
                1 - 0.03 * vib * np.clip(ve / 15, 0, 1.5)
            ) + rng.normal(0, 0.035, n)
            keep &= m > 1
        if f["id"] == "wheel-bearing":
            sgn = 1 if i % 2 else -1  # outer wheel in a left turn (positive ay) is the right one
            load = aye * sgn
            m = (
                1.40
                - 0.22 * f["sev"] * np.clip(load / 2.5, -0.4, 1.3)
                - 0.05 * f["sev"] * vib * np.clip(ve / 15, 0, 1.5)
                + 0.30 * f["sev"] * np.cos(2 * np.pi * theta + f["ph"])
                + rng.normal(0, 0.06, n)
            )
            keep &= m > 1
            te = te + rng.normal(0, 1, n) * f["sev"] * 0.025 * (C / N) / np.maximum(ve, 0.5) * (1 + 0.5 * vib)
        if f["id"] == "tone-ring" and f["variant"] == "corroded" and car["sensor"] == "active":
            keep &= rng.random(n) > f["lose"] * (np.abs(((theta + 0.3) % 1) - 0.5) < f["sector"] / 2)
        if f["id"] == "sensor-failed":
            if f["variant"] in ("dead-elec", "dead-silent"):
                keep[:] = False
            if f["variant"] == "dead-elec":
                elec.append((0.0, dur, f["ekind"]))
            if f["variant"] == "heat":
                t0 = f["t0"]
                while t0 < dur:
                    L = rng.uniform(4, 60)
                    keep &= ~((te > t0) & (te < t0 + L))
                    if f["eheat"]:
                        elec.append((t0, min(dur, t0 + L), "open"))
                    t0 += L + rng.exponential(25)
            if f["variant"] == "noisy":
                b = np.cumsum(rng.random(n) < 0.002) % 7 < 2
                keep &= ~(b & (rng.random(n) < f["loss"]))
        if f["id"] == "sensor-circuit":
            if f["variant"] in ("open", "short-ground", "short-battery"):
                keep[:] = False
                elec.append(
                    (0.0, dur, {"open": "open", "short-ground": "shortg", "short-battery": "shortb"}[f["variant"]])
                )
            else:
                ts = np.arange(0, dur, 0.1)
                rate = f["rate"] * (
                    np.interp(ts, t, d["vib"]) * np.clip(np.interp(ts, t, v) / 12, 0, 2)
                    + (i < 2)
                    * f["steer"]
                    * np.clip(np.abs(np.interp(ts, t, d["k"])) / 0.04, 0, 1.5)
                    * (np.interp(ts, t, v) > 1)
                    + 0.02
                )
                hit = ts[rng.random(len(ts)) < np.clip(rate * 0.1, 0, 0.8)]
                for h in hit:
                    L = min(8, np.exp(rng.normal(np.log(f["len"]), 0.8)))
                    a = h + rng.uniform(0, 0.1)
                    if rng.random() < f["total"]:
                        keep &= ~((te > a) & (te < a + L))
                        elec.append((a, min(dur, a + L), f["ekind"]))
                    else:
                        keep &= ~((te > a) & (te < a + L) & (rng.random(n) < 0.5))
                    if rng.random() < 0.25:
                        extra.append(a + np.sort(rng.uniform(0, min(L, 0.3), rng.integers(2, 9))))
    te = te[keep]
    if extra:
        te = np.sort(np.concatenate([te] + extra))
    else:
        te = np.sort(te)
    return te, sorted(elec)


def speed_from_edges(te, tc, C, N):
    """What a module computes each cycle: whole pitches between the last edges of this and the former cycle (km/h)."""
    if len(te) < 2:
        return np.zeros(len(tc))
    P = C / N
    idx = np.searchsorted(te, tc, "right") - 1
    prev = np.concatenate([[-1], idx[:-1]])
    n = idx - prev
    ok = (n > 0) & (prev >= 0)
    tl = te[np.maximum(idx, 0)]
    tp = te[np.maximum(prev, 0)]
    new = np.where(ok, n * P / np.maximum(tl - tp, 1e-4), np.nan)
    i = np.maximum.accumulate(np.where(ok, np.arange(len(tc)), -1))
    last = np.where(i >= 0, new[np.maximum(i, 0)], 0)
    age = np.where(idx >= 0, tc - tl, 9)
    v = np.where(ok, new, np.minimum(last, P / np.maximum(age, 1e-4)))
    v = np.where(age > 0.3, 0, v)
    return np.minimum(v * 3.6, 330)
