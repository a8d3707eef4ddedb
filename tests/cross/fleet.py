"""Many captures: the Parquet of `diagnose --each`, read by another engine, gives the numbers of its JSON; and the queries of
docs/fleet.md run."""

import json
import os
import re
import subprocess
from collections import Counter

import duckdb

from program import BINARY, TOP, Counts, temporary

CAPTURES = int(os.environ.get("TONERING_FLEET", "200"))
FAULTS = [
    [],
    ["--fault", "sensor-circuit/open@left-front"],
    ["--fault", "sensor-weak-signal@right-rear"],
    ["--fault", "wheel-bearing@right-front"],
    ["--fault", "fluid-leak"],
    ["--fault", "tone-ring@left-rear", "--stray-codes", "2"],
    ["--fault", "supply-lost"],
    ["--fault", "sensor-circuit@left-rear", "--fault", "brake-switch"],
]


def made():
    """Short captures of simulated vehicles of one model, one in four of them standing, and one empty file among them."""
    folder = temporary("")
    os.makedirs(folder)
    running = []
    for seed in range(CAPTURES):
        drive = "standing" if seed % 4 == 3 else "short"
        more = [*FAULTS[seed % len(FAULTS)], "--output", f"{folder}/{seed:03}.log.gz"]
        if seed == 0:
            more += ["--profile-out", f"{folder}/model.yaml"]
        running.append(subprocess.Popen([BINARY, "rig", "--seed", str(seed), "--drive", drive, *more]))
        if len(running) >= 3:
            assert running.pop(0).wait() == 0
    for process in running:
        assert process.wait() == 0
    with open(f"{folder}/bad.log", "wb"):
        pass
    return folder


def each(folder, *more):
    """Diagnoses the folder; the empty file makes that status 1."""
    arguments = [BINARY, "diagnose", "--each", folder, "--profile", f"{folder}/model.yaml", *more]
    done = subprocess.run(arguments, capture_output=True, check=False)
    words = f"1 of {CAPTURES + 1} captures could not be diagnosed"
    assert done.returncode == 1 and words in done.stderr.decode(), done.stderr.decode()
    return done.stdout.decode()


def wanted(number, report):
    """The rows of each table that a report of JSON must give, without columns that are the same in every row."""
    file = report["captures"][0]["file"]
    start = (number, file)
    yield from (("captures", start + tuple(capture.get(key) for key in ("sha256", "kind", "frames", "unreadable", "first_s", "last_s"))
                 + (report["vehicle"], (report["safety"] or {}).get("urgency"), report["left_out"], report["program"],
                    report["basis"], report.get("error")))
                for capture in report["captures"])
    keys = ("module", "code", "failure_type", "status", "list", "test_failed", "confirmed", "pending", "meaning", "time_s")
    yield from (("codes", start + tuple(code.get(key) for key in keys)) for code in report["codes"])
    keys = ("id", "wheel", "axle", "name", "probability", "prior", "work")
    yield from (("causes", start + (rank,) + tuple(cause.get(key) for key in keys)) for rank, cause in enumerate(report["causes"], 1))
    keys = ("id", "wheel", "axle", "name", "minutes")
    yield from (("checks", start + (rank,) + tuple(check.get(key) for key in keys)) for rank, check in enumerate(report["checks"], 1))
    for holds, name in ((True, "findings"), (False, "absent")):
        yield from (("findings", start + (found["id"], found.get("wheel"), found.get("axle"), holds, found["measure"], found["unit"],
                                          found["source"], found["summary"])) for found in report[name])
    for wheel in report["wheels"]:
        yield "wheels", start + tuple(wheel[key] for key in ("wheel", "samples", "interval_s", "top_kmh"))
        for measure in wheel["measures"]:
            low, high = measure["interval"] or (None, None)
            yield "measures", start + (wheel["wheel"], measure["id"], measure["value"], low, high, measure["unit"])


def main():
    counts = Counts("many captures as Parquet, read by DuckDB")
    folder = made()
    reports = [json.loads(line) for line in each(folder).splitlines()]
    work = temporary("")
    os.makedirs(work)
    each(folder, "--format", "parquet", "--output", f"{work}/fleet")
    assert len(reports) == CAPTURES + 1

    rows = {}
    for number, report in enumerate(reports, 1):
        for table, row in wanted(number, report):
            rows.setdefault(table, []).append(row)
    os.chdir(work)
    for table, expected in sorted(rows.items()):
        found = duckdb.sql(f"FROM 'fleet/{table}.parquet'").fetchall()
        counts.same(len(found), len(expected), f"{table}: rows")
        for got, row in zip(found, expected):
            for position, (one, other) in enumerate(zip(got, row, strict=True)):
                counts.same(one, other, f"{table}, {row[:2]}, column {position}")
        print(f"  {table}: {len(expected)} rows")

    text = open(os.path.join(TOP, "docs", "fleet.md"), encoding="utf-8").read()
    queries = re.findall(r"```sql\n(.*?)```", text, flags=re.DOTALL)
    answers = [duckdb.sql(query).fetchall() for query in queries]
    counts.same(len(answers) >= 3 and all(answers), True, "every query of docs/fleet.md has an answer")
    # The first one, worked out from the JSON.
    first = Counter((report["causes"][0]["id"]) for report in reports if report["causes"])
    counts.same({cause: number for cause, number, *_ in answers[0]}, dict(first), "the first query of docs/fleet.md")
    counts.finish()


main()
