#!/usr/bin/env python3
"""Solves a plan's problem with another solver and compares the four ranked costs.

    wheelward plan ... --export instance.json
    python3 tests/plan_oracle.py instance.json [more.json ...]

Needs scipy; uses OR-Tools as well when it is there. The file is described in its own
`about` field: a min-cost flow whose arcs cost four numbers, minimised one after the
other. scipy (HiGHS) minimises each rank as a linear program, with the ranks before it
held at what it found for them; OR-Tools minimises the first rank alone, in whole
numbers. Exits 1 when a total differs.
"""

import json
import sys

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_matrix, csr_matrix, vstack

# Ranks 1, 2 and 4 are in millionths; to scale, so that one tolerance fits all.
UNIT = [1e6, 1e6, 1.0, 1e6]
NAMES = ["broken windows", "lateness", "unevenness", "changes"]


def by_scipy(instance):
    arcs = instance["arcs"]
    start = np.array([arc["from"] for arc in arcs])
    end = np.array([arc["to"] for arc in arcs])
    capacity = np.array([arc["capacity"] for arc in arcs], dtype=float)
    cost = np.array([arc["cost"] for arc in arcs], dtype=float) / UNIT
    columns = np.arange(len(arcs))
    ones = np.ones(len(arcs))
    balance = coo_matrix((ones, (start, columns)), shape=(instance["nodes"], len(arcs)))
    balance = balance - coo_matrix((ones, (end, columns)), shape=(instance["nodes"], len(arcs)))
    supply = np.zeros(instance["nodes"])
    supply[instance["source"]] = instance["amount"]
    supply[instance["sink"]] = -instance["amount"]
    bounds = np.stack([np.zeros(len(arcs)), capacity], axis=1)
    held, most, totals = None, [], []
    for rank in range(4):
        found = linprog(
            cost[:, rank],
            A_eq=csr_matrix(balance),
            b_eq=supply,
            A_ub=held,
            b_ub=most or None,
            bounds=bounds,
            method="highs",
        )
        if found.status != 0:
            sys.exit(f"scipy gave up on {NAMES[rank]}: {found.message}")
        totals.append(found.fun * UNIT[rank])
        row = csr_matrix(cost[:, rank])
        held = row if held is None else vstack([held, row])
        most.append(found.fun + 1e-7 * max(1.0, abs(found.fun)))
    return totals


def first_rank_by_or_tools(instance):
    try:
        from ortools.graph.python import min_cost_flow
    except ImportError:
        return None
    flow = min_cost_flow.SimpleMinCostFlow()
    for arc in instance["arcs"]:
        flow.add_arc_with_capacity_and_unit_cost(
            arc["from"], arc["to"], arc["capacity"], arc["cost"][0]
        )
    flow.set_node_supply(instance["source"], instance["amount"])
    flow.set_node_supply(instance["sink"], -instance["amount"])
    if flow.solve() != flow.OPTIMAL:
        sys.exit("OR-Tools found no flow")
    return flow.optimal_cost()


def main(paths):
    if not paths:
        sys.exit(__doc__)
    differs = False
    for path in paths:
        with open(path) as file:
            instance = json.load(file)
        print(f"{path}: {instance['nodes']} nodes, {len(instance['arcs'])} arcs, "
              f"{instance['amount']} s of work")
        for rank, other in enumerate(by_scipy(instance)):
            ours = instance["cost"][rank]
            # scipy answers in floating point, and holds earlier ranks within a tolerance.
            equal = abs(ours - other) <= 1e-5 * max(UNIT[rank], abs(ours))
            differs |= not equal
            print(f"  {NAMES[rank]:15} here {ours / UNIT[rank]:14.3f}  scipy "
                  f"{other / UNIT[rank]:14.3f}  {'equal' if equal else 'DIFFERS'}")
        first = first_rank_by_or_tools(instance)
        if first is not None:
            equal = first == instance["cost"][0]
            differs |= not equal
            print(f"  {NAMES[0]:15} OR-Tools {first / UNIT[0]:.6f}, whole numbers: "
                  f"{'equal' if equal else 'DIFFERS'}")
    sys.exit(1 if differs else 0)


if __name__ == "__main__":
    main(sys.argv[1:])
