"""Control charts against a published example, table and run length."""

from __future__ import annotations

import math
import statistics
from itertools import pairwise

import numpy as np
import pytest

from densitycam.calibration.drift import D2, individuals_limits, run_rules


def test_nist_flow_rates():
    # NIST/SEMATECH e-Handbook of Statistical Methods, sec. 6.3.2.2: ten batches; mean 50.81, mean
    # moving range 1.8778, limits 45.8159 and 55.8041 (computed there with d2 = 1.128).
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    middle, low, high = individuals_limits(flow)
    assert middle == pytest.approx(50.81, rel=0, abs=1e-9)
    rounded = 1.128 / D2  # the handbook's limits are wider by the rounding of d2
    assert (high - middle) / rounded == pytest.approx(55.8041 - 50.81, rel=0, abs=6e-5)
    assert (middle - low) / rounded == pytest.approx(50.81 - 45.8159, rel=0, abs=6e-5)


def test_constants_of_the_table():
    # Table of factors for control charts, subgroups of two: d2 1.128, E2 = 3/d2 2.660 (read in a
    # handbook's table A.22; E2 from memory).
    assert pytest.approx(1.128, rel=0, abs=5e-4) == D2
    assert pytest.approx(2.660, rel=0, abs=2e-3) == 3 / D2


def test_the_rules_together_cry_wolf_once_in_91_75_slides():
    # Champ & Woodall 1987, Technometrics 29, 393: average run length 91.75 of the four rules, 370.4
    # of the first alone (from memory). Computed exactly: a Markov chain over the last four zones
    # and how long the run on one side is, its transitions judged by run_rules itself.
    inside = [-2.5, -1.5, -0.5, 0.5, 1.5, 2.5]
    normal = statistics.NormalDist()
    edges = [-3, -2, -1, 0, 1, 2, 3]
    chance = [normal.cdf(b) - normal.cdf(a) for a, b in pairwise(edges)]
    start = ((), 0)
    places, rows = {start: 0}, []
    todo = [start]
    while todo:
        zones, run = todo.pop()
        row = {}
        for value, p in zip(inside, chance, strict=True):
            side = math.copysign(1.0, value)
            same = run + 1 if zones and zones[-1] * side > 0 else 1
            older = (0.5 * side,) * max(0, same - 1 - len(zones))
            if run_rules([*older, *zones, value])[-1]:
                continue
            state = ((*zones, value)[-4:], same)
            if state not in places:
                places[state] = len(places)
                todo.append(state)
            row[places[state]] = p
        rows.append(((zones, run), row))
    matrix = np.eye(len(places))
    for state, row in rows:
        for column, p in row.items():
            matrix[places[state], column] -= p
    lengths = np.linalg.solve(matrix, np.ones(len(places)))
    assert lengths[0] == pytest.approx(91.75, rel=0, abs=0.005)
    assert 1 / (2 * normal.cdf(-3)) == pytest.approx(370.4, rel=0, abs=0.05)
