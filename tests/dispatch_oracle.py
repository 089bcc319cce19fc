#!/usr/bin/env python3
"""Solves allocation problems with another solver and compares the six ranked costs.

    dispatch_instances FOLDER            (an example of crates/dispatch)
    wheelward dispatch export ...        (a real floor)
    python3 tests/dispatch_oracle.py instance.json [more.json ...]

Needs scipy and OR-Tools. The file is described in its own `about` field: a min-cost flow
whose arcs cost six numbers, minimised one after the other. Both minimise each rank over the
flows that are optimal for the ranks before it: scipy (HiGHS) as a linear program, OR-Tools
as a flow in whole numbers. Exits 1 when a total differs.
"""

import json
import sys

import numpy as np
from ortools.graph.python import min_cost_flow
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


def by_or_tools(instance):
    """Each rank in whole numbers, over the flows that are optimal for the ranks before it."""
    arcs = instance["arcs"]
    start = np.array([arc["from"] for arc in arcs])
    end = np.array([arc["to"] for arc in arcs])
    most = sum(abs(supply) for supply in instance["supply"])
    capacity = np.array([min(arc["capacity"], most) for arc in arcs])
    cost = np.array([arc["cost"] for arc in arcs])
    fixed, totals = np.zeros(len(arcs), dtype=np.int64), []
    for rank in range(cost.shape[1]):
        flow = min_cost_flow.SimpleMinCostFlow()
        each = flow.add_arcs_with_capacity_and_unit_cost(start, end, capacity, cost[:, rank])
        supply = np.array(instance["supply"], dtype=np.int64)
        np.subtract.at(supply, start, fixed)
        np.add.at(supply, end, fixed)
        flow.set_nodes_supplies(np.arange(len(supply)), supply)
        if flow.solve() != flow.OPTIMAL:
            sys.exit(f"OR-Tools found no flow for rank {rank + 1}")
        carried = flow.flows(each)
        totals.append(flow.optimal_cost() + int(fixed @ cost[:, rank]))
        # What would cost this rank something stays where it is, as above: an arc with a
        # positive reduced cost carries nothing, one with a negative all it can.
        reduced = reduced_costs(start, end, capacity - carried, carried, cost[:, rank], len(supply))
        fixed = np.where(reduced < 0, fixed + capacity, fixed)
        capacity = np.where(reduced == 0, capacity, 0)
    return totals


def reduced_costs(start, end, ahead, back, cost, nodes):
    """Costs against potentials: shortest ways in what is left of an optimal flow (Bellman, Ford)."""
    tails = np.concatenate([start[ahead > 0], end[back > 0]])
    heads = np.concatenate([end[ahead > 0], start[back > 0]])
    steps = np.concatenate([cost[ahead > 0], -cost[back > 0]])
    far = np.zeros(nodes, dtype=np.int64)
    for _ in range(nodes + 1):
        nearer = far.copy()
        np.minimum.at(nearer, heads, far[tails] + steps)
        if (nearer == far).all():
            return cost + far[start] - far[end]
        far = nearer
    sys.exit("the flow that OR-Tools found is not the cheapest")


def compare(name, instance):
    differs = False
    print(f"{name}: {len(instance['supply'])} nodes, {len(instance['arcs'])} arcs")
    ranks = zip(instance["ranks"], instance["cost"], by_scipy(instance), by_or_tools(instance))
    for rank, ours, scipy, or_tools in ranks:
        # scipy answers in floating point.
        equal = ours == or_tools and abs(ours - scipy) <= max(0.5, 1e-7 * abs(ours))
        differs |= not equal
        print(f"  {rank:15} here {ours:14}  scipy {scipy:16.2f}  OR-Tools {or_tools:14}  "
              f"{'equal' if equal else 'DIFFERS'}")
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
