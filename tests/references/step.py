#!/usr/bin/env python3
"""Reference fits of a first-order response with dead time to steps of a heater, by scipy.

    step.py FILE           writes the fixture
    step.py --check FILE   computes it again and compares; exit 1 where it differs

Readings are those of a first-order plant in closed form, and of a lamp's body, a stone and the air above it in one box,
integrated by scipy.integrate.solve_ivp; with normal noise, some in steps of a sixteenth of a degree. The fit is
scipy.optimize.least_squares over start, gain, time constant and dead time from many starts, since the sum of squares bends
where the dead time passes a reading; standard errors are those of its Jacobian. The plants are plausible inventions.
Made with scipy 1.17.1.
"""

import json
import sys

import numpy
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

CASES = [
    {"name": "first order", "every": 10.0, "before": 120.0, "until": 1800.0, "noise": 0.06, "quantum": 0.0, "seed": 1,
     "plant": [20.0, 30.0, 600.0, 30.0]},
    {"name": "first order, steps of a sixteenth", "every": 30.0, "before": 300.0, "until": 3600.0, "noise": 0.06,
     "quantum": 0.0625, "seed": 2, "plant": [21.5, 14.0, 900.0, 75.0]},
    {"name": "first order, seen for one time constant", "every": 10.0, "before": 120.0, "until": 650.0, "noise": 0.02,
     "quantum": 0.0, "seed": 3, "plant": [22.0, 18.0, 600.0, 40.0]},
    {"name": "body, stone, air and box", "every": 10.0, "before": 120.0, "until": 2400.0, "noise": 0.06,
     "quantum": 0.0625, "seed": 4, "network": True},
]

# J/K and W/K of a lamp's body, a stone, the air above it and the rest of the box, in a room of 21 °C; 75 W.
CAPACITIES = numpy.array([20.0, 500.0, 800.0, 6000.0])
LINKS = [(0, 1, 0.3), (0, 2, 0.2), (1, 2, 1.4), (2, 3, 4.0)]
LOSSES = numpy.array([0.0, 0.0, 0.5, 2.0])
ROOM, WATTS = 21.0, 75.0


def first_order(t, start, gain, lag, dead):
    """The response in closed form."""
    return start + gain * -numpy.expm1(-numpy.maximum(t - dead, 0.0) / lag)


def network(t):
    """Temperature of the stone, the lamp on from zero."""
    def rate(_, x):
        flow = LOSSES * (ROOM - x)
        for a, b, g in LINKS:
            flow[a] += g * (x[b] - x[a])
            flow[b] += g * (x[a] - x[b])
        flow[0] += WATTS
        return flow / CAPACITIES
    later = t[t > 0.0]
    solved = solve_ivp(rate, (0.0, later[-1]), numpy.full(4, ROOM), method="Radau", t_eval=later, rtol=1e-9, atol=1e-9)
    return numpy.concatenate([numpy.full(len(t) - len(later), ROOM), solved.y[1]])


def read(case):
    """Times and readings of a case."""
    t = numpy.arange(-case["before"], case["until"] + 1e-9, case["every"])
    truth = network(t) if case.get("network") else first_order(t, *case["plant"])
    y = truth + case["noise"] * numpy.random.default_rng(case["seed"]).standard_normal(len(t))
    if case["quantum"]:
        y = numpy.round(y / case["quantum"]) * case["quantum"]
    return t, numpy.round(y, 4)


def fitted(case):
    """The case with its readings and the best fit."""
    t, y = read(case)
    end, best = t[-1], None
    for dead in numpy.linspace(0.0, 0.4 * end, 41):
        for lag in (0.1 * end, 0.5 * end, 2.0 * end):
            start = [y[t <= 0].mean(), y[-5:].mean() - y[t <= 0].mean(), lag, dead]
            found = least_squares(lambda p: first_order(t, *p) - y, start, x_scale=[1.0, 10.0, end, end / 10],
                                  bounds=([-50, -500, 1.0, 0.0], [150, 500, 20 * end, end]), xtol=1e-14, ftol=1e-14,
                                  gtol=1e-14, max_nfev=2000)
            if best is None or found.cost < best.cost:
                best = found
    squares = 2.0 * best.cost
    start, gain, lag, dead = best.x
    left = numpy.exp(-(t - dead) / lag)
    on = t > dead
    x = (t - dead) / lag
    jacobian = numpy.stack([numpy.ones_like(t), on * (1 - left), on * (-gain * left * x / lag), on * (-gain * left / lag)], 1)
    covariance = numpy.linalg.inv(jacobian.T @ jacobian) * squares / (len(t) - 4)
    errors = numpy.sqrt(numpy.diag(covariance))
    figures = {"squares": squares, "start": start, "gain": gain, "lag": lag, "dead": dead,
               "gain_error": errors[1], "lag_error": errors[2], "dead_error": errors[3]}
    return {"name": case["name"], "t": t.tolist(), "y": y.tolist(), **{key: float(value) for key, value in figures.items()}}


def main(arguments):
    """Writes or checks the fixture; returns the exit code."""
    path = arguments[-1]
    computed = {"source": "tests/references/step.py", "cases": [fitted(case) for case in CASES]}
    if arguments[:1] != ["--check"]:
        with open(path, "w", encoding="utf-8") as file:
            json.dump(computed, file)
            file.write("\n")
        return 0
    with open(path, encoding="utf-8") as file:
        stored = json.load(file)
    wrong = len(stored["cases"]) != len(computed["cases"])
    for old, new in zip(stored["cases"], computed["cases"]):
        same = old["name"] == new["name"] and old["t"] == new["t"] and numpy.allclose(old["y"], new["y"], atol=1e-9)
        near = all(numpy.isclose(old[key], new[key], rtol=1e-3, atol=1e-3) for key in new if key not in ("name", "t", "y"))
        if not (same and near):
            print(f"{path}: {new['name']} differs")
            wrong = True
    return int(wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
