#!/usr/bin/env python3
"""A July of real weather and an enclosure that stands in it, for tests/plant.rs.

    weather.py FILE           writes the fixture
    weather.py --check FILE   computes it again and compares; exit 1 where it differs

Needs `pvlib==0.16.1` and `scipy==1.17.1` (PyPI). The weather is the dry-bulb temperature of July in 723170TYA.CSV, which
pvlib ships: a typical meteorological year (TMY3) of Greensboro, North Carolina, by the National Renewable Energy
Laboratory of the United States. Each hour is taken as the value at its hour, straight lines between.

The enclosure is the network of the simulator, written down a second time: a box of 120 × 60 × 60 cm with four places
and the body of a 75 W halogen lamp that is switched on each day at 08:11:13 and off at 20:00. Its temperatures are
integrated by scipy.integrate.solve_ivp (DOP853) from one corner of the drive to the next.
"""

import os
import sys

import numpy
import pvlib
import scipy
from pvlib.iotools import read_tmy3
from scipy.integrate import solve_ivp

FILE = "723170TYA.CSV"
MONTH = 7
ON, OFF, DAY = 8 * 3600 + 11 * 60 + 13, 20 * 3600, 86_400

# Surface, air above it, warm side, cool side, lamp body: J/K. Settled within a minute is 95 %: a lag of 20 s.
WATTS, RISE, LAG, BEAM = 75.0, 150.0, 20.0, 0.6
BODY = WATTS / RISE
CAPACITIES = [1500.0, 2500.0, 8000.0, 9000.0, BODY * LAG]
LINKS = [(0, 1, 1.4), (1, 2, 6.0), (2, 3, 4.0), (4, 0, BODY * BEAM), (4, 1, BODY * (1.0 - BEAM))]
LOSSES = [(1, 1.5), (2, 3.0), (3, 3.5)]

COLUMNS = "hour,dry_bulb,surface,air,warm,cool"
HEADER = f"""\
# July of {FILE} (TMY3 of Greensboro, NC, by NREL, shipped with pvlib {pvlib.__version__}), °C, and the temperatures of a
# simulated enclosure that stands in it, by scipy {scipy.__version__}. Made by tests/references/weather.py, which says how;
# `weather.py --check` proves it.
"""


def dry_bulb():
    """The hours of the month, °C, as the single-precision numbers the simulator keeps."""
    path = os.path.join(os.path.dirname(pvlib.__file__), "data", FILE)
    data, _ = read_tmy3(path, map_variables=True)
    return data[data.index.month == MONTH]["temp_air"].to_numpy(dtype=numpy.float32).astype(float)


def network():
    """A and the drive by the room and by the lamp of x' = A·x + room·r + P·p."""
    n = len(CAPACITIES)
    a, room, lamp = numpy.zeros((n, n)), numpy.zeros(n), numpy.zeros(n)
    for i, j, g in LINKS:
        a[i, i] -= g
        a[i, j] += g
        a[j, j] -= g
        a[j, i] += g
    for i, g in LOSSES:
        a[i, i] -= g
        room[i] += g
    lamp[4] = 1.0
    capacities = numpy.array(CAPACITIES)
    return a / capacities[:, None], room / capacities, lamp / capacities


def rows():
    """Every row: hour, dry bulb and the four places, all as numbers."""
    hours = dry_bulb()
    a, room, lamp = network()
    end = (len(hours) - 1) * 3600
    switches = [day * DAY + at for day in range(end // DAY + 1) for at in (ON, OFF)]
    corners = sorted({*range(0, end + 1, 3600), *(at for at in switches if at < end)})
    state = numpy.full(len(CAPACITIES), hours[0])
    yield (0, hours[0], *state[:4])
    for begin, until in zip(corners, corners[1:]):
        watts = WATTS if ON <= begin % DAY < OFF else 0.0
        hour = begin // 3600
        slope = (hours[hour + 1] - hours[hour]) / 3600.0

        def rate(t, x, hour=hour, slope=slope, watts=watts):
            return a @ x + room * (hours[hour] + slope * (t - hour * 3600)) + lamp * watts

        state = solve_ivp(rate, (begin, until), state, method="DOP853", rtol=1e-11, atol=1e-11).y[:, -1]
        if until % 3600 == 0:
            yield (until // 3600, hours[until // 3600], *state[:4])


def check(path):
    """The findings of a comparison of the table at `path` with what is computed now."""
    with open(path, encoding="utf-8") as file:
        lines = [line.strip() for line in file if not line.startswith("#")]
    computed = list(rows())
    if lines[0] != COLUMNS or len(lines) != len(computed) + 1:
        return [f"{path}: {len(lines) - 1} rows, {len(computed)} expected under {COLUMNS}"]
    stored = [[float(number) for number in line.split(",")] for line in lines[1:]]
    for row in stored:
        row[1] = float(numpy.float32(row[1]))
    differ = [new[0] for old, new in zip(stored, computed) if not numpy.allclose(old, new, rtol=0.0, atol=1e-6)]
    return [f"{path}: hour {hour} differs" for hour in differ]


def main(arguments):
    """Writes or checks the fixture; returns the exit code."""
    if arguments[0] == "--check":
        findings = check(arguments[-1])
        print("\n".join(findings) or f"{arguments[-1]}: as computed now")
        return 1 if findings else 0
    with open(arguments[0], "w", encoding="utf-8") as file:
        file.write(HEADER + COLUMNS + "\n")
        for hour, dry, *places in rows():
            file.write(f"{hour},{dry:.1f}," + ",".join(f"{place:.9f}" for place in places) + "\n")
    return 0


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1:]))
