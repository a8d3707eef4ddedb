"""Runs tonering diagnose over many simulated vehicles and scores it: evaluate.py SEED COUNT, see README.md."""

import sys, os, json, subprocess, shutil, collections, numpy as np, traceback
from concurrent.futures import ProcessPoolExecutor
from case import *

TOP = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
BIN = os.environ.get("TONERING", f"{TOP}/target/release/tonering")


def diagnose(case, notes, can="home"):
    d = os.path.dirname(case["capture"])
    write_notes(d + "/n.yaml", notes)
    r = subprocess.run(
        [
            BIN,
            "diagnose",
            case["capture"],
            "--profile",
            d + "/profile.yaml",
            "--notes",
            d + "/n.yaml",
            "--format",
            "json",
            "--can",
            can,
        ],
        capture_output=True,
        text=True,
        timeout=120,
    )
    if r.returncode:
        return dict(error=r.stderr.strip()[:300], status=r.returncode)
    return json.loads(r.stdout)


def key(c):
    return (c["id"], c.get("wheel") or c.get("axle") or "")


def truth_keys(case):
    out = []
    for f in case["faults"]:
        out.append((f["id"], WH[f["wheel"]] if "wheel" in f else ["front", "rear"][f["axle"]] if "axle" in f else ""))
    if case["cause"] == "no-present-fault":
        out.append(("no-present-fault", ""))
    return out


def one(arg):
    seed, i, root, keep = arg
    d = f"{root}/{i:04d}"
    try:
        case = make_case(seed, i, d)
        rng = np.random.default_rng([seed, i, 9])
        rep = diagnose(case, case["notes"])
        if "error" in rep:
            return dict(index=i, error=rep["error"], cause=case["cause"])
        json.dump(rep, open(d + "/report.json", "w"))
        slim = lambda r: dict(
            causes=[[*key(c), c["probability"]] for c in r["causes"]],
            findings=[(f["id"], f.get("wheel"), f["source"]) for f in r["findings"]],
            codes=[(c["code"], c["failure_type"], c["status"], c["module"]) for c in r["codes"]],
            checks=[(c["id"], c.get("wheel") or c.get("axle") or "") for c in r["checks"][:4]],
        )
        out = dict(index=i, seed=seed, case=case, first=slim(rep), plan=[])
        notes = list(case["notes"])
        can = "workshop" if rng.random() < 0.4 else "home"
        cur = rep
        out["can"] = can
        if can == "workshop":
            cur = diagnose(case, notes, can)
        for step in range(4):
            done = {(n["check"], n.get("wheel") or n.get("axle") or "") for n in notes}
            a = None
            again = 0
            for c in cur.get("checks", []):
                k = (c["id"], c.get("wheel") or c.get("axle") or "")
                if k in done:
                    again += 1
                    continue
                a = answer(rng, case, c["id"], c.get("wheel"), c.get("axle"))
                if a:
                    break
            if not a:
                break
            notes.append(a)
            cur = diagnose(case, notes, can)
            if "error" in cur:
                out["plan"].append(dict(error=cur["error"], note=a))
                break
            s = slim(cur)
            out["plan"].append(dict(note=a, again=again, causes=s["causes"][:6]))
        if not keep and os.path.exists(case["capture"]):
            os.remove(case["capture"])
        return out
    except Exception as e:
        return dict(index=i, crash=traceback.format_exc()[-900:])


def ranks(causes, k):
    for r, c in enumerate(causes):
        if (c[0], c[1]) == k:
            return r + 1, c[2]
    return 99, 0.0


def ece(pairs, w, bins=10):
    p = np.array([a for a, _ in pairs])
    h = np.array([b for _, b in pairs], float)
    w = np.array(w)
    b = np.minimum((p * bins).astype(int), bins - 1)
    e = 0
    rows = []
    for j in range(bins):
        m = b == j
        if m.any():
            e += w[m].sum() * abs(np.average(p[m], weights=w[m]) - np.average(h[m], weights=w[m]))
            rows.append((j, int(m.sum()), float(np.average(p[m], weights=w[m])), float(np.average(h[m], weights=w[m]))))
    return e / w.sum(), rows


def score(res):
    o = []
    P = lambda *a: o.append(" ".join(str(x) for x in a))
    bad = [r for r in res if "error" in r or "crash" in r]
    R = [r for r in res if "case" in r]
    P(
        f'vehicles {len(R)}; refused by the program {sum("error" in r for r in bad)}; crashes of the examiner {sum("crash" in r for r in bad)}'
    )
    cl = collections.defaultdict(list)
    per = collections.defaultdict(list)
    dbl = []
    conf = collections.Counter()
    healthy = []
    S = {}
    first_pairs, fw, all_pairs, aw, brier, nl = [], [], [], [], [], []
    plan = []
    for r in R:
        c = r["case"]
        C = r["first"]["causes"]
        T = truth_keys(c)
        w = c["weight"]
        if c["cause"] == "healthy":
            top = max([x for x in C if x[0] != "no-present-fault"], key=lambda x: x[2], default=None)
            healthy.append((top[2] if top else 0, r["index"], top))
        if C:
            hit = (C[0][0], C[0][1]) in T
            if not (c["cause"] == "healthy" and C[0][0] == "no-present-fault"):
                first_pairs.append((C[0][2], hit))
                fw.append(w)
        b = 0
        for x in C:
            if c["cause"] == "healthy" and x[0] == "no-present-fault":
                continue
            t = (x[0], x[1]) in T
            all_pairs.append((x[2], t))
            aw.append(w)
            b += (x[2] - t) ** 2
        for t in T:
            if ranks(C, t)[0] == 99:
                b += 1
                all_pairs.append((0, True))
                aw.append(w)
        brier.append((b, w))
        if c["cause"] == "healthy":
            continue
        if len(c["faults"]) == 2:
            tell = all(m["twins"] for m in c["mech"])
            dbl.append((tell, all(ranks(C, t)[0] <= 3 for t in T), r["index"]))
        for t, m in zip(T, c["mech"]):
            k, p = ranks(C, t)
            kind = (
                "told"
                if m["twins"] == [t[0]]
                else ("atypical" if m["twins"] and t[0] not in m["twins"] else ("twins" if m["twins"] else "nothing"))
            )
            if len(c["faults"]) == 2:
                kind += "2"
            tw = k == 1 or (
                C and C[0][0] in m["twins"] and (C[0][1] == t[1] or t[1] == "" or C[0][1] in ("front", "rear", ""))
            )
            cl[kind].append((k, tw, len(m["twins"]), p))
            per[t[0]].append((kind, k, p, tw))
            if kind == "told" and k > 1 and C:
                conf[(t[0], C[0][0] + ("" if C[0][1] == t[1] else " (other place)"))] += 1
            if kind == "twins":
                conf[("~" + t[0], C[0][0] if C else "-")] += 0
        if len(c["faults"]) < 2:
            m = c["mech"][0]
            ks = [ranks(C, T[0])[0]] + [ranks(s["causes"], T[0])[0] for s in r["plan"] if "causes" in s]
            plan.append((m["twins"] == [T[0][0]], bool(m["twins"]), ks))
    n = lambda k: len(cl[k])
    f = lambda L, g: f"{sum(map(g, L))}/{len(L)} = {100 * sum(map(g, L)) / max(1, len(L)):.0f} %"
    P("single fault, capture+notes hold something specific (one cause fits):")
    P("  true first     ", f(cl["told"], lambda x: x[0] == 1))
    P("  in first three ", f(cl["told"], lambda x: x[0] <= 3))
    P("single fault, several causes fit equally (indistinguishable group):")
    P("  one of the group at the right place first", f(cl["twins"], lambda x: x[1]))
    P("  true first", f(cl["twins"], lambda x: x[0] == 1))
    P("  true in first three", f(cl["twins"], lambda x: x[0] <= 3))
    P("  true in first max(3, size of group)", f(cl["twins"], lambda x: x[0] <= max(3, x[2])))
    P(
        "evidence misleads (a check overlooked it, an untypical trace): true in first three",
        f(cl["atypical"], lambda x: x[0] <= 3),
    )
    P("no evidence in files: true in first three", f(cl["nothing"], lambda x: x[0] <= 3))
    P(
        "double faults, both in first three:",
        f([d for d in dbl if d[0]], lambda x: x[1]),
        "(those with evidence for both);",
        f(dbl, lambda x: x[1]),
        "(all)",
    )
    hh = sorted(healthy, reverse=True)
    P(
        "healthy accused (a fault at 50 % or more):",
        f(healthy, lambda x: x[0] >= 0.5),
        "; highest",
        [(round(a, 2), i, t[:2]) for a, i, t in hh[:5] if t],
    )
    e1, rows1 = ece(first_pairs, fw)
    e2, rows2 = ece(all_pairs, aw)
    e3, _ = ece(first_pairs, [1] * len(fw))
    B = np.average([b for b, _ in brier], weights=[w for _, w in brier])
    S["ece"] = e1
    P(
        f"expected calibration error, first cause: {e1:.3f} weighted to own mix, {e3:.3f} as sampled; over all causes {e2:.4f}; Brier (sum over causes of a vehicle) {B:.3f}"
    )
    P(
        "  first cause, bin: number, mean stated, really true:",
        "; ".join(f"{j/10:.1f}: {n}, {p:.2f}, {h:.2f}" for j, n, p, h in rows1),
    )
    P(
        "  all causes,  bin: number, mean stated, really true:",
        "; ".join(f"{j/10:.1f}: {n}, {p:.3f}, {h:.3f}" for j, n, p, h in rows2),
    )
    for nm, g in (("one cause fits", lambda x: x[0]), ("several fit", lambda x: x[1] and not x[0])):
        L = [x for x in plan if g(x)]
        P(
            f"following the plan ({nm}, n={len(L)}), true first after 0..4 checks:",
            " ".join(
                f"{100 * sum(x[2][min(s, len(x[2]) - 1)] == 1 for x in L) / max(1, len(L)):.0f} %" for s in range(5)
            ),
        )
    P(
        "proposed again although in the notes:",
        sum(s.get("again", 0) > 0 for r in R for s in r["plan"]),
        "; errors in the plan:",
        sum("error" in s for r in R for s in r["plan"]),
    )
    P("")
    P(
        "| cause | n | told: first / top3 / n | group: group first / true top3 / n | atypical+nothing top3 / n | mean p |"
    )
    P("|---|---|---|---|---|---|")
    for c in sorted(per):
        L = per[c]
        a = [x for x in L if x[0].startswith("told")]
        b = [x for x in L if x[0].startswith("twins")]
        z = [x for x in L if x[0][:3] in ("aty", "not")]
        P(
            f"| {c} | {len(L)} | {sum(x[1] == 1 for x in a)} / {sum(x[1] <= 3 for x in a)} / {len(a)} | {sum(x[3] for x in b)} / {sum(x[1] <= 3 for x in b)} / {len(b)} | {sum(x[1] <= 3 for x in z)} / {len(z)} | {np.mean([x[2] for x in L]):.2f} |"
        )
    P("")
    P(
        "confusion where one cause fits and it is not first: "
        + "; ".join(f"{a} -> {b}: {n}" for (a, b), n in conf.most_common(25) if n)
    )
    for r in bad[:8]:
        P("BAD", r)
    return "\n".join(o)


def show(r):
    c = r["case"]
    T = truth_keys(c)
    C = r["first"]["causes"]
    s = f"#{c['seed']}/{c['index']} truth {[(t, round(ranks(C, t)[1], 2), 'rank %d' % ranks(C, t)[0]) for t in T]} variants {[f.get('variant') for f in c['faults']]} former {c['former']}\n   {c['drive']} {c['dur']:.0f}s session={c['session']} {c['access']}/{c['style']} wheels={c['wheelsource']}@{c['rate']} subst={c['subst']} {c['sensor']}\n   codes {c['seencodes']} hist {c['hist']} react { {k: v for k, v in c['react'].items() if v} }\n   notes {c['notes']}\n   feat {c['features']}\n   mech {c['mech']}\n   top {[(a, b, round(p, 2)) for a, b, p in C[:5]]}\n   findings {[(a, b) for a, b, s in r['first']['findings']]}\n   checks {r['first']['checks']} plan {[(s.get('note'), (s.get('causes') or [[0]])[0]) for s in r['plan']]}"
    return s


if __name__ == "__main__":
    seed, count = int(sys.argv[1]), int(sys.argv[2])
    keep = bool(os.environ.get("KEEP"))
    root = os.environ.get("OUT", f"{TOP}/target/second/{seed}")
    os.makedirs(root, exist_ok=True)
    with ProcessPoolExecutor(int(os.environ.get("JOBS", "2"))) as ex:
        res = list(ex.map(one, [(seed, i, root, keep) for i in range(count)], chunksize=4))
    with open(f"{root}/results.json", "w") as fh:
        json.dump(res, fh, default=lambda x: x.item() if hasattr(x, "item") else str(x))
    res = json.load(open(f"{root}/results.json"))
    txt = score(res)
    print(txt)
    open(f"{root}/score.txt", "w").write(txt + "\n")
    with open(f"{root}/misses.txt", "w") as fh:
        for r in res:
            if "case" not in r:
                fh.write(str(r) + "\n\n")
                continue
            c = r["case"]
            T = truth_keys(c)
            C = r["first"]["causes"]
            miss = any(
                ranks(C, t)[0] > (1 if m["twins"] == [t[0]] and len(T) == 1 else 3)
                for t, m in zip(T, c["mech"])
                if m["twins"]
            ) or (c["cause"] == "healthy" and any(p >= 0.3 and a != "no-present-fault" for a, b, p in C))
            if miss:
                fh.write(show(r) + "\n\n")
