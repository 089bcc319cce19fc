"""Recalls computed by another library from the exported facts, compared with ours.

    python3 tests/recall_check.py WHEELWARD FACTS...

WHEELWARD is the program. Every milk lot, every other lot and every batch in the facts is
recalled by it and, from the same lines, by this script with networkx (descendants in a
directed graph) and plain interval arithmetic. Levels and ways of contact must be equal."""

import bisect
import json
import subprocess
import sys
from collections import defaultdict
from datetime import datetime, timedelta

import networkx as nx

RUN = timedelta(hours=24)
FOREVER = datetime.max


def moment(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).replace(tzinfo=None)


def read(files):
    """Facts once each, without those voided, in order of time and id."""
    facts, voids = {}, defaultdict(set)
    for file in files:
        for line in open(file):
            e = json.loads(line)
            noun, verb = e["type"].split(".")[1:3]
            facts[e["id"]] = (moment(e["time"]), e["id"], f"{noun}.{verb}", e["data"])
            if (noun, verb) == ("fact", "voided"):
                voids[e["data"]["fact"]].add(e["id"])

    def void(ident):
        return any(not void(by) for by in voids.get(ident, ()))

    return sorted(f for f in facts.values() if not void(f[1]))


def family(facts):
    """What went into what."""
    g = nx.DiGraph()
    for _, _, kind, d in facts:
        if kind == "milk.pooled":
            for part in d["from"]:
                g.add_edge(("lot", part["lot"]), ("lot", d["lot"]))
        elif kind == "vat.started":
            g.add_node(("batch", d["batch"]))
            for lot in d["milk_lots"]:
                g.add_edge(("lot", lot), ("batch", d["batch"]))
        elif kind in ("vat.filled", "vat.dosed"):
            g.add_edge(("lot", d["lot"]), ("batch", d["batch"]))
        elif kind == "wheel.portioned":
            g.add_edge(("batch", d["batch"]), ("wheel", d["wheel"]))
        elif kind == "vat.reworked":
            [(what, name)] = d["from"].items()
            g.add_edge((what, name), ("batch", d["batch"]))
        elif kind == "lot.used":
            for wheel in d["wheels"]:
                g.add_edge(("lot", d["lot"]), ("wheel", wheel))
    return g


def stays(facts):
    """For every place, when which wheel was there."""
    at = defaultdict(dict)  # wheel -> kind of place -> (place, since)
    on, room_of = defaultdict(set), {}
    spans = defaultdict(list)

    def go(wheel, kind, place, when):
        now = at[wheel].get(kind)
        if now and now[0] == place:
            return
        if now:
            if now[1] < when:
                spans[kind, now[0]].append((now[1], when, wheel))
            if kind == "stillage":
                on[now[0]].discard(wheel)
            del at[wheel][kind]
        if place:
            at[wheel][kind] = (place, when)
            if kind == "stillage":
                on[place].add(wheel)

    for when, _, kind, d in facts:
        wheels = d.get("wheels") or ([d["wheel"]] if "wheel" in d else [])
        if kind == "wheel.hooped":
            go(d["wheel"], "hoop", d["hoop"], when)
            go(d["wheel"], "stack", d["stack"], when)
            go(d["wheel"], "stillage", None, when)
        elif kind == "wheel.unhooped":
            for w in wheels:
                go(w, "hoop", None, when)
                go(w, "stack", None, when)
        elif kind == "wheel.loaded":
            for w in wheels:
                go(w, "stack", None, when)
                go(w, "stillage", d["stillage"], when)
                if d["stillage"] in room_of:
                    go(w, "room", room_of[d["stillage"]], when)
        elif kind == "wheel.moved":
            via = (d.get("via") or {}).get("stillage")
            for w in set(wheels) | (set(on[via]) if via else set()):
                go(w, "room", d["room"], when)
            if via:
                room_of[via] = d["room"]
        elif kind == "order.packed":
            for w in wheels:
                go(w, "case", d["case"], when)
        elif kind in ("wheel.dispatched", "wheel.returned", "wheel.discarded"):
            for w in wheels:
                for k in ("hoop", "stack", "stillage", "room") + (() if kind == "wheel.dispatched" else ("case",)):
                    go(w, k, None, when)
    for wheel, kinds in at.items():
        for kind, (place, since) in kinds.items():
            spans[kind, place].append((since, FOREVER, wheel))
    return spans


def carries(cleaned, first, second):
    if not cleaned:
        return second - first <= RUN
    return bisect.bisect_right(cleaned, first) == bisect.bisect_right(cleaned, second)


def recall(facts, g, spans, begin):
    reached = {begin} | (nx.descendants(g, begin) if begin in g else set())
    certain = {n for k, n in reached if k == "wheel"}
    batches = {n for k, n in reached if k == "batch"}
    ways = defaultdict(set)
    for (kind, place), there in spans.items():
        suspects = [s for s in there if s[2] in certain]
        if kind in ("stack", "stillage", "room", "case"):
            for a, b, _ in suspects:
                for c, d, w in there:
                    if w not in certain and a < d and c < b:
                        ways[w].add((kind, place))
    cleaned, touches, starts = defaultdict(list), defaultdict(list), defaultdict(list)
    for when, _, kind, d in facts:
        if kind == "tool.sanitised":
            cleaned[d["tool"]].append(when)
        elif kind == "wheel.pierced":
            touches[d["machine"]] += [(when, w) for w in d["wheels"]]
        elif kind == "wheel.ironed" and d.get("iron"):
            touches[d["iron"]].append((when, d["wheel"]))
        elif kind == "vat.started":
            starts[d["vat"]].append((when, d["batch"]))
    for tool, list_ in touches.items():
        for t, s in list_:
            if s not in certain:
                continue
            for u, w in list_:
                if w in certain:
                    continue
                if u >= t and carries(cleaned[tool], t, u):
                    ways[w].add(("tool_after" if u - t <= RUN else "tool_later", tool))
                elif u < t and t - u <= RUN and carries(cleaned[tool], u, t):
                    ways[w].add(("tool_before", tool))
    for (kind, place), there in spans.items():
        if kind != "hoop":
            continue
        for a, _, s in there:
            if s in certain:
                later = [x for x in there if x[0] > a]
                first = min((x[0] for x in later), default=None)
                for c, _, w in later:
                    if c == first and w not in certain and carries(cleaned[place], a, c):
                        ways[w].add(("hoop_after", place))
    for vat, list_ in starts.items():
        for t, batch in list_:
            if batch not in batches or not any(n in certain for k, n in g.successors(("batch", batch)) if k == "wheel"):
                continue
            later = [(u, b) for u, b in list_ if u > t and b != batch]
            if later and carries(cleaned[vat], t, later[0][0]) and later[0][1] not in batches:
                for k, w in g.successors(("batch", later[0][1])) if ("batch", later[0][1]) in g else ():
                    if k == "wheel" and w not in certain:
                        ways[w].add(("vat_after", vat))
    probable = {"stack", "stillage", "case", "tool_after"}
    answer = {w: ("certain", set()) for w in certain}
    for w, how in ways.items():
        sure = {x for x in how if x[0] in probable}
        answer[w] = ("probable", sure) if sure else ("possible", how)
    order = ["certain", "probable", "possible"]
    for level in order[1:]:
        for w in [w for w, (its, _) in list(answer.items()) if its == level]:
            for k, n in nx.descendants(g, ("wheel", w)) if ("wheel", w) in g else ():
                if k == "wheel" and order.index(answer.get(n, ("none", 0))[0] if n in answer else "possible") >= order.index(level):
                    if n not in answer or order.index(answer[n][0]) > order.index(level):
                        answer[n] = (level, set())
    return answer


def ours(program, files, kind, name):
    command = [program, "recall", f"--{kind}", name, "--json"]
    for file in files:
        command += ["--facts", file]
    out = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    answer = {}
    for wheel in out["wheels"]:
        how = set()
        for reason in wheel["because"]:
            if contact := reason.get("contact"):
                [(_, place)] = contact["place"].items()
                how.add((contact["how"], place))
        answer[wheel["wheel"]] = (wheel["level"], how)
    balance = out["balance"]
    parts = balance["matured_g"] + balance["sampled_g"] + balance["reworked_g"] + balance["unexplained_g"]
    parts += sum(grams for _, grams in balance["whole"].values())
    assert parts == balance["portioned_g"], (kind, name, balance)
    return answer, out


def main():
    program, files = sys.argv[1], sys.argv[2:]
    facts = read(files)
    g, spans = family(facts), stays(facts)
    lots = sorted({n for k, n in g if k == "lot"})
    batches = sorted({n for k, n in g if k == "batch"})
    # Every lot that is not one of very many like it, and a part of those.
    asked = [("lot", n) for i, n in enumerate(lots) if not n.startswith("M") or i % 9 == 0]
    asked += [("batch", n) for i, n in enumerate(batches) if i % 6 == 0]
    portions = {d["wheel"]: d["weight_g"] for _, _, k, d in facts if k == "wheel.portioned"}
    counts = defaultdict(int)
    for kind, name in asked:
        theirs = recall(facts, g, spans, (kind, name))
        mine, out = ours(program, files, kind, name)
        for wheel in sorted(set(theirs) | set(mine)):
            a, b = theirs.get(wheel), mine.get(wheel)
            assert a == b, f"{kind} {name}, wheel {wheel}: here {a}, there {b}"
            counts[a[0]] += 1
        portioned = sum(portions[w] for w, (level, _) in theirs.items() if level == "certain")
        assert portioned == out["balance"]["portioned_g"], (kind, name)
    print(f"{len(asked)} recalls equal:", dict(counts))
    assert counts["certain"] and counts["probable"] and counts["possible"], "nothing was compared"


main()
