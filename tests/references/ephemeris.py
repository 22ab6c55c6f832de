#!/usr/bin/env python3
"""A year of the sun at six latitudes by an independent ephemeris, for tests/sun.rs.

Needs `ephem==4.2.1` (PyPI), which takes the sun from VSOP87; it shares no code and no formula with ours.

    ephemeris.py            prints the table
    ephemeris.py --check F  computes it anew and compares it with the table F; exit 1 where they differ

The civil date of a place is that of the whole-hour zone nearest to its longitude. The transit of a date is the one
nearest to its noon, the rise the last before that transit, the set the first after it. The horizon is the standard one
of almanacs, -50' at the sun's centre with no further refraction.
"""

import argparse
import datetime
import sys

import ephem

YEAR = 2028  # a leap year
PLACES = [(-65, 140), (-35, -71), (0, 37), (35, 135), (52, -8), (65, -148)]
COLUMNS = "latitude,longitude,date,rise,transit,set"
TOLERANCE = datetime.timedelta(seconds=1)
HEADER = f"""\
# The sun by ephem {ephem.__version__} (PyPI), horizon -0:50, pressure 0, use_center=True; UTC, whole seconds.
# Made by tests/references/ephemeris.py; `ephemeris.py --check` proves it. Dates are those of the zone
# round(longitude / 15) h; the transit is the one nearest to noon there, the rise before it and the set after it.
"""


def moment(date):
    """An ephem date as a datetime, rounded to the second."""
    exact = ephem.Date(date).datetime()
    return (exact + datetime.timedelta(microseconds=500_000)).replace(microsecond=0)


def rows():
    """Every row: the key as text, then rise, transit and set as datetimes."""
    for latitude, longitude in PLACES:
        here = ephem.Observer()
        here.lat, here.lon = str(latitude), str(longitude)
        here.horizon, here.pressure, here.elevation = "-0:50", 0, 0
        sun = ephem.Sun()
        offset = datetime.timedelta(hours=round(longitude / 15))
        day = datetime.date(YEAR, 1, 1)
        while day.year == YEAR:
            noon = ephem.Date(datetime.datetime.combine(day, datetime.time(12)) - offset)
            here.date = noon
            transits = here.previous_transit(sun), here.next_transit(sun)
            transit = min(transits, key=lambda t: abs(t - noon))
            here.date = transit
            rise = here.previous_rising(sun, use_center=True)
            here.date = transit
            down = here.next_setting(sun, use_center=True)
            yield f"{latitude},{longitude},{day}", [moment(t) for t in (rise, transit, down)]
            day += datetime.timedelta(days=1)


def check(path):
    """The findings of a comparison of the table at `path` with the ephemeris."""
    with open(path, encoding="utf-8") as file:
        lines = [line.rstrip("\n") for line in file if not line.startswith("#")]
    if not lines or lines[0] != COLUMNS:
        return [f"the first line is not {COLUMNS}"]
    table = {}
    for line in lines[1:]:
        fields = line.split(",")
        key = ",".join(fields[:3])
        if key in table:
            return [f"{key} is there twice"]
        table[key] = [datetime.datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ") for text in fields[3:]]
    findings = []
    for key, expected in rows():
        found = table.pop(key, None)
        if found is None or len(found) != len(expected):
            findings.append(f"{key} is missing or short")
        elif any(abs(a - b) > TOLERANCE for a, b in zip(found, expected)):
            findings.append(f"{key}: {found}, the ephemeris says {expected}")
    return findings + [f"{key} does not belong there" for key in table]


def main():
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", metavar="FILE", help="compare FILE with the ephemeris")
    arguments = parser.parse_args()
    if arguments.check:
        findings = check(arguments.check)
        for finding in findings:
            print(finding, file=sys.stderr)
        return 1 if findings else 0
    sys.stdout.write(HEADER + COLUMNS + "\n")
    for key, times in rows():
        print(key, *(time.strftime("%Y-%m-%dT%H:%M:%SZ") for time in times), sep=",")
    return 0


if __name__ == "__main__":
    sys.exit(main())
