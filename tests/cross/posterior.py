"""The posterior of noisy-OR networks: pyAgrum's exact inference as second opinion on ours.

Random networks, and the shipped rules with random outcomes and with what demo captures show. The other side sums over all
sets of causes, ours over those of up to three; so each probability may differ by what ours says it leaves out, and by 1e-9.

A noisy-OR of many causes is given to pyAgrum as a chain of small tables (each link: on if the one before is on, or if the cause is
present and not spared), which is the same function; causes that stand alone are a last, observed node of the same kind.
"""

import json
import math
import os
import random

import pyagrum

from program import TOP, Counts, run, temporary, write

COUNTS = Counts("posterior: pyAgrum to us")


def chain(net, name, before, causes):
    """Adds the links of a noisy-OR: `causes` are (node, strength), `before` the first node. Gives the last node."""
    for at, (cause, strength) in enumerate(causes):
        node = net.add(pyagrum.LabelizedVariable(f"{name}_{at}", "", 2))
        net.addArc(before, node)
        net.addArc(cause, node)
        one, two = net.variable(before).name(), net.variable(cause).name()
        for on in (0, 1):
            for present in (0, 1):
                holds = 1.0 if on else present * strength
                net.cpt(node)[{one: on, two: present}] = [1 - holds, holds]
        before = node
    return before


def root(net, name, probability):
    node = net.add(pyagrum.LabelizedVariable(name, "", 2))
    net.cpt(node).fillWith([1 - probability, probability])
    return node


def theirs(network, outcomes):
    """The posterior of every cause and the logarithm of the probability of the evidence, over all sets of causes."""
    net = pyagrum.BayesNet()
    # A finding that is false only spares: it merges with the prior of each cause and couples none of them.
    scale, priors = 0.0, []
    for index, cause in enumerate(network["causes"]):
        spared = 1.0
        for link in network["links"]:
            if link["cause"] == index and outcomes[link["finding"]] is False:
                spared *= 1 - link["strength"]
        weight = cause["prior"] * spared + (1 - cause["prior"])
        priors.append(cause["prior"] * spared / weight)
        scale += math.log(weight)
    for finding, outcome in zip(network["findings"], outcomes):
        if outcome is False:
            scale += math.log1p(-finding["leak"])
    causes = [root(net, f"c{index}", prior) for index, prior in enumerate(priors)]
    evidence = {}
    for index, finding in enumerate(network["findings"]):
        if outcomes[index] is True:
            links = [(causes[link["cause"]], link["strength"]) for link in network["links"] if link["finding"] == index]
            last = chain(net, f"f{index}", root(net, f"f{index}_leak", finding["leak"]), links)
            evidence[last] = 1
    for index, cause in enumerate(network["causes"]):
        if not cause["alone"]:
            continue
        others = [(node, 1.0) for other, node in enumerate(causes) if other != index]
        beside = chain(net, f"a{index}", root(net, f"a{index}_none", 0.0), others)
        both = net.add(pyagrum.LabelizedVariable(f"a{index}_both", "", 2))
        net.addArc(beside, both)
        net.addArc(causes[index], both)
        one, two = net.variable(beside).name(), net.variable(causes[index]).name()
        for on in (0, 1):
            for present in (0, 1):
                together = float(on and present)
                net.cpt(both)[{one: on, two: present}] = [1 - together, together]
        evidence[both] = 0
    inference = pyagrum.LazyPropagation(net)
    inference.setEvidence(evidence)
    inference.makeInference()
    whole = inference.evidenceProbability() if evidence else 1.0
    return [inference.posterior(node)[1] for node in causes], math.log(whole) + scale


def mixed(network, readings):
    """The same over several ways to read the evidence."""
    parts = [(reading["weight"], *theirs(network, reading["outcomes"])) for reading in readings]
    largest = max(log for _, _, log in parts)
    shares = [weight * math.exp(log - largest) for weight, _, log in parts]
    total = sum(shares)
    return [sum(share * part[1][cause] for share, part in zip(shares, parts)) / total
            for cause in range(len(network["causes"]))]


def ours(network, readings):
    text = json.dumps({**network, "readings": readings})
    return json.loads(run("rules", "posterior", write(temporary(".json"), text)))


def compare(network, readings, found, left_out, where):
    for index, (got, wanted) in enumerate(zip(found, mixed(network, readings), strict=True)):
        COUNTS.compared += 1
        if not abs(got - wanted) <= left_out + 1e-9:
            COUNTS.wrong.append(f"{where}, cause {index}: {got!r}, not {wanted!r} (left out {left_out})")


def random_network(chance):
    causes, findings = chance.randint(2, 10), chance.randint(1, 8)
    return {
        "network": 1,
        "causes": [{"id": f"c{at}", "prior": chance.uniform(0.001, 0.3), "alone": at == 0 and chance.random() < 0.3}
                   for at in range(causes)],
        "findings": [{"id": f"f{at}", "leak": chance.uniform(0.0001, 0.2)} for at in range(findings)],
        "links": [{"cause": cause, "finding": finding, "strength": chance.uniform(0.01, 1.0)}
                  for cause in range(causes) for finding in range(findings) if chance.random() < 0.5],
    }


def random_networks(count):
    chance = random.Random(20261128)
    for number in range(count):
        network = random_network(chance)
        readings = [{"weight": chance.uniform(0.1, 1.0),
                     "outcomes": [chance.choice([True, False, None]) for _ in network["findings"]]}
                    for _ in range(chance.choice([1, 1, 2]))]
        result = ours(network, readings)
        compare(network, readings, result["posterior"], result["left_out"], f"random network {number}")


def shipped_rules(count):
    """The shipped rules; some findings hold, brought about by a few causes or by chance, the others are looked for or not."""
    chance = random.Random(7)
    network = json.loads(run("rules", "network"))
    for number in range(count):
        present = chance.sample(range(len(network["causes"])), chance.choice([0, 1, 1, 2]))
        outcomes = []
        for index, finding in enumerate(network["findings"]):
            spared = 1 - finding["leak"]
            for link in network["links"]:
                if link["finding"] == index and link["cause"] in present:
                    spared *= 1 - link["strength"]
            seen = chance.random() < 0.7
            outcomes.append(chance.random() >= spared if seen else None)
        # The width of the exact sum grows with what holds.
        for extra in [at for at, outcome in enumerate(outcomes) if outcome is True][10:]:
            outcomes[extra] = None
        readings = [{"weight": 1.0, "outcomes": outcomes}]
        result = ours(network, readings)
        compare(network, readings, result["posterior"], result["left_out"], f"shipped rules {number}")


def demos():
    """What demo captures show, by the numbers that `--why` gives, which are not rounded."""
    network = json.loads(run("rules", "network"))

    def key(entry):
        return (entry["id"], entry.get("wheel"), entry.get("axle"))

    places = {key(finding): at for at, finding in enumerate(network["findings"])}
    for name in ("open-circuit/drive.log", "charging/drive.log", "supply-lost/drive.log"):
        folder = os.path.join(TOP, "captures", name.split("/")[0])
        shown = json.loads(run("diagnose", os.path.join(TOP, "captures", name), "--profile",
                               os.path.join(folder, "profile.yaml"), "--why", "1", "--format", "json"))
        readings = []
        for reading in shown["readings"]:
            outcomes = [None] * len(network["findings"])
            for observed in reading["observed"]:
                outcomes[places[key(observed)]] = observed["holds"]
            readings.append({"weight": reading["weight"], "outcomes": outcomes})
        found = {key(ranked): ranked["probability"] for ranked in shown["ranking"]}
        compare(network, readings, [found[key(cause)] for cause in network["causes"]], shown["left_out"], name)


random_networks(60)
shipped_rules(12)
demos()
COUNTS.finish()
