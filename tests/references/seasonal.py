#!/usr/bin/env python3
"""Reference values of curves over a year, by scipy's PchipInterpolator.

    seasonal.py FILE           writes the fixture
    seasonal.py --check FILE   computes it again and compares; exit 1 where it differs

A curve closes on itself after 365 days: its points are laid out over three years, and the middle one is read. The curves
are invented. Made with scipy 1.17.1.
"""

import sys

from scipy.interpolate import PchipInterpolator

MIDDLES = [15.0, 44.5, 74.0, 104.5, 135.0, 165.5, 196.0, 227.0, 257.5, 288.0, 318.5, 349.0]

CURVES = {
    "day-hours": list(zip(MIDDLES, [10.0, 10.5, 11.5, 12.5, 13.25, 14.0, 13.75, 13.0, 12.0, 11.25, 10.25, 10.0])),
    "basking": [(0.0, 34.0), (79.0, 36.0), (171.0, 40.0), (266.0, 36.0)],
    "two": [(10.0, 4.0), (200.0, 11.0)],
    "steep": [(30.0, 20.0), (31.0, 30.0), (60.0, 30.0), (100.0, 5.0), (364.0, 6.0)],
    "uneven": [(3.0, 1.0), (20.0, 2.0), (150.0, 2.5), (151.0, 9.0), (152.0, 9.5), (300.0, 9.6)],
}


def rows():
    yield "# By tests/references/seasonal.py: point,curve,place,value and value,curve,place,value."
    for name, points in CURVES.items():
        for place, value in points:
            yield f"point,{name},{place!r},{value!r}"
        laid = [(place + 365.0 * year, value) for year in (-1, 0, 1) for place, value in points]
        curve = PchipInterpolator([place for place, _ in laid], [value for _, value in laid])
        for step in range(0, 365 * 2, 3):
            place = step / 2.0
            yield f"value,{name},{place!r},{float(curve(place))!r}"


def main():
    check = sys.argv[1] == "--check"
    path = sys.argv[-1]
    made = "\n".join(rows()) + "\n"
    if not check:
        with open(path, "w", encoding="utf-8") as file:
            file.write(made)
        return 0
    with open(path, encoding="utf-8") as file:
        kept = file.read().splitlines()
    fresh = made.splitlines()
    if len(kept) != len(fresh):
        print(f"{len(kept)} lines, not {len(fresh)}")
        return 1
    for one, other in zip(kept, fresh):
        if one == other:
            continue
        a, b = one.split(","), other.split(",")
        if a[:3] != b[:3] or (len(a) > 3 and abs(float(a[3]) - float(b[3])) > 1e-12):
            print(f"{one} is {other}")
            return 1
    return 0


sys.exit(main())
