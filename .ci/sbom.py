#!/usr/bin/env python3
"""Writes the bill of materials of the program as CycloneDX 1.5 (JSON): every crate that is linked or runs while building, with
version, licence and the hash of the lock file. The same lock file gives the same bytes. `.ci/sbom.py > tonering.cdx.json`

It fails when a crate has no licence that deny.toml allows, is one that it bans, or does not come from the public registry:
what `cargo deny` checks too, where it is not installed. Advisories are checked by `cargo deny` only."""

import json
import os
import subprocess
import sys
import tomllib

TOP = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))


def allowed(expression, licences):
    """Whether a licence expression (SPDX) can be met by these licences."""
    words = expression.replace("/", " OR ").replace("(", " ( ").replace(")", " ) ").split()
    terms, position = [], 0
    while position < len(words):
        if position + 2 < len(words) and words[position + 1] == "WITH":
            # With an exception, which only takes conditions away.
            terms.append(words[position] in licences)
            position += 3
            continue
        terms.append({"OR": "or", "AND": "and", "(": "(", ")": ")"}.get(words[position], words[position] in licences))
        position += 1
    # Nothing but True, False, and, or and brackets is left.
    return eval(" ".join(map(str, terms)))  # pylint: disable=eval-used


def faults(packages):
    """What deny.toml does not allow."""
    with open(os.path.join(TOP, "deny.toml"), "rb") as file:
        rules = tomllib.load(file)
    licences = set(rules["licenses"]["allow"])
    banned = {entry["crate"] for entry in rules["bans"]["deny"]}
    # A dependency that names no registry of its own means the public one.
    plain = [dependency["source"] for package in packages for dependency in package["dependencies"] if not dependency["registry"]]
    public = {source for source in plain if source and source.startswith("registry+")}
    if len(public) != 1:
        yield f"one public registry was expected: {sorted(public)}"
    for package in packages:
        name = f"{package['name']} {package['version']}"
        if not package["license"] or not allowed(package["license"], licences):
            yield f"{name}: licence {package['license']}"
        if package["name"] in banned:
            yield f"{name}: is banned"
        if package["source"] not in public:
            yield f"{name}: comes from {package['source']}"


def main():
    told = subprocess.run(["cargo", "metadata", "--format-version", "1", "--locked", "--filter-platform", "x86_64-unknown-linux-gnu"],
                          cwd=TOP, check=True, capture_output=True).stdout
    metadata = json.loads(told)
    with open(os.path.join(TOP, "Cargo.lock"), "rb") as file:
        lock = {(package["name"], package["version"]): package.get("checksum") for package in tomllib.load(file)["package"]}
    packages = {package["id"]: package for package in metadata["packages"]}
    nodes = {node["id"]: node for node in metadata["resolve"]["nodes"]}
    root = metadata["resolve"]["root"]

    needs = {}
    open_ones = [root]
    while open_ones:
        one = open_ones.pop()
        if one in needs:
            continue
        # What only tests need is not part of it.
        needs[one] = sorted({dependency["pkg"] for dependency in nodes[one]["deps"]
                             if any(kind["kind"] != "dev" for kind in dependency["dep_kinds"])})
        open_ones += needs[one]

    def reference(identity):
        package = packages[identity]
        return f"pkg:cargo/{package['name']}@{package['version']}"

    def component(identity):
        package = packages[identity]
        made = {"type": "application" if identity == root else "library", "bom-ref": reference(identity), "name": package["name"],
                "version": package["version"], "purl": reference(identity)}
        if package["license"]:
            made["licenses"] = [{"expression": package["license"].replace("/", " OR ")}]
        checksum = lock.get((package["name"], package["version"]))
        if checksum:
            made["hashes"] = [{"alg": "SHA-256", "content": checksum}]
        return made

    ordered = sorted(needs, key=reference)
    bill = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": component(root)},
        "components": [component(identity) for identity in ordered if identity != root],
        "dependencies": [{"ref": reference(identity), "dependsOn": sorted(map(reference, needs[identity]))} for identity in ordered],
    }
    wrong = list(faults(packages[identity] for identity in ordered if identity != root))
    if wrong:
        sys.exit("not allowed by deny.toml:\n" + "\n".join(wrong))
    json.dump(bill, sys.stdout, indent=1)
    print()


if __name__ == "__main__":
    main()
