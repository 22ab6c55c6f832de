#!/usr/bin/env python3
"""Reference temperatures of small thermal networks, by scipy.

    thermal.py FILE           writes the fixture
    thermal.py --check FILE   computes it again and compares; exit 1 where it differs

Each case is C·dT/dt = Σ G·(T_other − T) + P with boundary temperatures and heat inputs held still. It is solved twice,
by scipy.linalg.expm of the augmented matrix and by scipy.integrate.solve_ivp, so that the reference does not rest on
one method. The driven run is one of the same networks under a lamp that is switched again and again, in a room that
warms and cools in straight lines, by scipy.integrate.solve_ivp from corner to corner. The networks are plausible
inventions. Made with scipy 1.17.1.
"""

import json
import sys

import numpy
from scipy.integrate import solve_ivp
from scipy.linalg import expm

CASES = [
    {"name": "one node", "capacities": [1000.0], "links": [], "losses": [[0, 0, 2.5]],
     "boundaries": [18.0], "heat": [40.0], "start": [30.0], "millis": 123_457},
    {"name": "two rooms, two nodes", "capacities": [800.0, 5000.0], "links": [[0, 1, 1.7]],
     "losses": [[0, 0, 0.6], [1, 1, 2.2]], "boundaries": [15.0, 24.0], "heat": [25.0, 0.0],
     "start": [20.0, 21.0], "millis": 3_600_000},
    {"name": "enclosure under a lamp", "capacities": [1500.0, 2500.0, 8000.0, 9000.0, 20.0],
     "links": [[4, 0, 0.3], [4, 1, 0.2], [0, 1, 1.4], [1, 2, 6.0], [2, 3, 4.0]],
     "losses": [[1, 0, 1.5], [2, 0, 3.0], [3, 0, 3.5]], "boundaries": [21.0],
     "heat": [0.0, 0.0, 0.0, 0.0, 75.0], "start": [21.0, 21.5, 22.0, 20.0, 60.0], "millis": 1_234_567},
    {"name": "stiff: a filament on a slab", "capacities": [0.5, 60_000.0], "links": [[0, 1, 1.0]],
     "losses": [[1, 0, 3.0]], "boundaries": [19.0], "heat": [60.0, 0.0], "start": [19.0, 19.0],
     "millis": 7_200_000},
    {"name": "no way out", "capacities": [900.0, 4000.0], "links": [[0, 1, 3.0]], "losses": [],
     "boundaries": [], "heat": [5.0, 0.0], "start": [80.0, 20.0], "millis": 600_000},
]

# Each step: milliseconds, room at its beginning (°C), change of the room (K/s), lamp (W).
DRIVEN = {**CASES[2], "name": "an enclosure under a lamp that is switched", "steps": [
    [600_000, 21.0, 0.0005, 75.0], [1_200_001, 21.3, 0.0005, 0.0], [59_999, 21.9, 0.0, 75.0],
    [7, 21.9, 0.0, 0.0], [3_599_993, 21.9, -0.0008, 37.5], [86_400_000, 19.0, 0.00002, 75.0],
    [1_000, 25.0, 0.0, 150.0], [12_345_678, 25.0, -0.0004, 0.0],
]}
del DRIVEN["millis"], DRIVEN["boundaries"], DRIVEN["heat"]


def rates(case):
    """A of dT/dt = A·T + …, and the heat capacities."""
    capacities = numpy.array(case["capacities"])
    n = len(capacities)
    a = numpy.zeros((n, n))
    for i, j, g in case["links"]:
        a[i, i] -= g
        a[i, j] += g
        a[j, j] -= g
        a[j, i] += g
    for i, _, g in case["losses"]:
        a[i, i] -= g
    return a / capacities[:, None], capacities


def driven(case):
    """The case with its temperatures after each step; the room is its one boundary, the lamp its last node."""
    a, capacities = rates(case)
    room, lamp = numpy.zeros(len(capacities)), numpy.zeros(len(capacities))
    for i, _, g in case["losses"]:
        room[i] += g / capacities[i]
    lamp[-1] = 1.0 / capacities[-1]
    state, after = numpy.array(case["start"]), []
    for millis, start, slope, watts in case["steps"]:
        def rate(t, x, start=start, slope=slope, watts=watts):
            return a @ x + room * (start + slope * t) + lamp * watts
        state = solve_ivp(rate, (0.0, millis / 1000.0), state, method="Radau", jac=a, rtol=1e-11, atol=1e-11).y[:, -1]
        after.append(state.tolist())
    return {**case, "after": after}


def solved(case):
    """The case with its final temperatures by both methods."""
    a, capacities = rates(case)
    n = len(capacities)
    b = numpy.array(case["heat"])
    for i, boundary, g in case["losses"]:
        b[i] += g * case["boundaries"][boundary]
    b = b / capacities
    seconds = case["millis"] / 1000.0
    augmented = numpy.zeros((n + 1, n + 1))
    augmented[:n, :n] = a * seconds
    augmented[:n, n] = b * seconds
    end = expm(augmented) @ numpy.append(case["start"], 1.0)
    stepped = solve_ivp(lambda _, x: a @ x + b, (0.0, seconds), case["start"], method="Radau",
                        jac=a, rtol=1e-11, atol=1e-11)
    return {**case, "expm": end[:n].tolist(), "solve_ivp": stepped.y[:, -1].tolist()}


def main(arguments):
    """Writes or checks the fixture; returns the exit code."""
    check = arguments[:1] == ["--check"]
    path = arguments[-1]
    computed = {"source": "tests/references/thermal.py", "cases": [solved(case) for case in CASES],
                "driven": driven(DRIVEN)}
    if not check:
        with open(path, "w", encoding="utf-8") as file:
            json.dump(computed, file, indent=1)
            file.write("\n")
        return 0
    with open(path, encoding="utf-8") as file:
        stored = json.load(file)
    if len(stored["cases"]) != len(computed["cases"]):
        print(f"{path}: {len(stored['cases'])} cases, {len(computed['cases'])} expected")
        return 1
    wrong = 0
    old, new = stored["driven"], computed["driven"]
    same = all(old[key] == new[key] for key in new if key != "after")
    if not (same and numpy.allclose(old["after"], new["after"], rtol=0.0, atol=1e-7)):
        print(f"{path}: the driven run differs: {old} / {new}")
        wrong = 1
    for old, new in zip(stored["cases"], computed["cases"]):
        same = all(old[key] == new[key] for key in new if key not in ("expm", "solve_ivp"))
        near = all(numpy.allclose(old[key], new[key], rtol=0.0, atol=1e-8) for key in ("expm", "solve_ivp"))
        if not (same and near):
            print(f"{path}: case “{new['name']}” differs: {old} / {new}")
            wrong = 1
    return wrong


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1:]))
