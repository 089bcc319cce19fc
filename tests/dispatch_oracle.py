#!/usr/bin/env python3
"""Solves allocation problems with another solver and compares the six ranked costs.

    dispatch_instances FOLDER            (an example of crates/dispatch)
    wheelward dispatch export ...        (a real floor)
    python3 tests/dispatch_oracle.py instance.json [more.json ...]

Needs scipy; uses OR-Tools as well when it is there. The file is described in its own
`about` field: a min-cost flow whose arcs cost six numbers, minimised one after the other.
scipy (HiGHS) minimises each rank as a linear program over the flows that are optimal for
the ranks before it. OR-Tools minimises the first two ranks, in whole numbers. Exits 1
when a total differs.
"""

import json
import sys

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_matrix, csr_matrix


def by_scipy(instance):
    arcs = instance["arcs"]
    start = np.array([arc["from"] for arc in arcs])
    end = np.array([arc["to"] for arc in arcs])
    supply = np.array(instance["supply"], dtype=float)
    # No arc can carry more than all there is.
    most = float(np.abs(supply).sum())
    capacity = np.array([min(arc["capacity"], most) for arc in arcs], dtype=float)
    cost = np.array([arc["cost"] for arc in arcs], dtype=float)
    ones, columns = np.ones(len(arcs)), np.arange(len(arcs))
    shape = (len(supply), len(arcs))
    balance = coo_matrix((ones, (start, columns)), shape=shape)
    balance = csr_matrix(balance - coo_matrix((ones, (end, columns)), shape=shape))
    least, totals = np.zeros(len(arcs)), []
    for rank in range(cost.shape[1]):
        # HiGHS likes numbers near 1.
        unit = max(1.0, np.abs(cost[:, rank]).max() / 1000.0)
        found = linprog(
            cost[:, rank] / unit,
            A_eq=balance,
            b_eq=supply,
            bounds=np.stack([least, capacity], axis=1),
            method="highs",
        )
        if found.status != 0:
            sys.exit(f"scipy gave up on rank {rank + 1}: {found.message}")
        totals.append(found.fun * unit)
        # What would cost this rank something stays where it is: the next rank chooses among
        # the optimal flows of this one only, and the problem stays a network.
        empty = found.lower.marginals > 1e-7
        full = found.upper.marginals < -1e-7
        capacity = np.where(empty, least, capacity)
        least = np.where(full, capacity, least)
    return totals


def two_ranks_by_or_tools(instance):
    try:
        from ortools.graph.python import min_cost_flow
    except ImportError:
        return None
    flow = min_cost_flow.SimpleMinCostFlow()
    most = sum(abs(supply) for supply in instance["supply"])
    # A weight above all that the second rank can come to keeps the two apart.
    weight = 1 + most * max((arc["cost"][1] for arc in instance["arcs"]), default=0)
    first = max((arc["cost"][0] for arc in instance["arcs"]), default=0)
    if weight * (first + 1) * most >= 2**62:
        if first:
            return None  # too large for its whole numbers
        weight = 1
    for arc in instance["arcs"]:
        flow.add_arc_with_capacity_and_unit_cost(
            arc["from"], arc["to"], min(arc["capacity"], most),
            arc["cost"][0] * weight + arc["cost"][1],
        )
    for node, supply in enumerate(instance["supply"]):
        flow.set_node_supply(node, supply)
    if flow.solve() != flow.OPTIMAL:
        sys.exit("OR-Tools found no flow")
    return divmod(flow.optimal_cost(), weight) if first else (0, flow.optimal_cost())


def compare(name, instance):
    differs = False
    print(f"{name}: {len(instance['supply'])} nodes, {len(instance['arcs'])} arcs")
    for rank, other in enumerate(by_scipy(instance)):
        ours = instance["cost"][rank]
        # scipy answers in floating point.
        equal = abs(ours - other) <= max(0.5, 1e-7 * abs(ours))
        differs |= not equal
        print(f"  {instance['ranks'][rank]:15} here {ours:14}  scipy {other:16.2f}  "
              f"{'equal' if equal else 'DIFFERS'}")
    found = two_ranks_by_or_tools(instance)
    if found is not None:
        equal = list(found) == instance["cost"][:2]
        differs |= not equal
        print(f"  first two ranks OR-Tools {found[0]}, {found[1]}: {'equal' if equal else 'DIFFERS'}")
    return differs


def main(paths):
    if not paths:
        sys.exit(__doc__)
    differs = False
    for path in paths:
        with open(path) as file:
            differs |= compare(path, json.load(file))
    sys.exit(1 if differs else 0)


if __name__ == "__main__":
    main(sys.argv[1:])
