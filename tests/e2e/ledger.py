"""A journal filled by SQL: what a daemon would have written, with numbers that are known, and nothing of ours between."""

import datetime
import json
import math
import pathlib
import sqlite3
import zoneinfo

SCHEMA = pathlib.Path(__file__).parents[2] / "src" / "journal" / "schema"
# "lamp" in ASCII.
APPLICATION = 0x6C616D70
MINUTE_MS = 60_000
HOUR_MS = 3_600_000


class Ledger:
    """An open journal."""

    def __init__(self, path):
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path = path
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        steps = sorted(SCHEMA.glob("*.sql"), key=lambda step: int(step.stem))
        for step in steps:
            self.db.executescript(step.read_text())
        self.db.execute(f"PRAGMA application_id = {APPLICATION}")
        self.db.execute(f"PRAGMA user_version = {len(steps)}")
        self.db.execute("BEGIN")

    def close(self):
        """Everything is in the file."""
        self.db.execute("COMMIT")
        self.db.close()

    def series(self, enclosure, probe, quantity):
        """Its number."""
        self.db.execute("INSERT OR IGNORE INTO series (enclosure, probe, quantity) VALUES (?, ?, ?)", (enclosure, probe, quantity))
        key = "SELECT id FROM series WHERE enclosure = ? AND probe = ? AND quantity = ?"
        return self.db.execute(key, (enclosure, probe, quantity)).fetchone()[0]

    def minutes(self, table, series, rows):
        """Rows of minute, mean, low, high, good, bad."""
        def empty(value, mean):
            return None if value == mean else value
        self.db.executemany(
            f"INSERT INTO {table} (series, minute, mean, low, high, good, bad) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(series, m, mean, empty(low, mean), empty(high, mean), good, bad) for m, mean, low, high, good, bad in rows],
        )

    def hours(self, series, rows):
        """Rows of hour, mean, low, high, good, bad, covered."""
        self.db.executemany("INSERT INTO hours VALUES (?, ?, ?, ?, ?, ?, ?, ?)", [(series, *row) for row in rows])

    def switches(self, enclosure, lamp, rows):
        """Rows of ms, level, reason."""
        self.db.execute("INSERT OR IGNORE INTO lamps (enclosure, lamp) VALUES (?, ?)", (enclosure, lamp))
        number = self.db.execute("SELECT id FROM lamps WHERE enclosure = ? AND lamp = ?", (enclosure, lamp)).fetchone()[0]
        self.db.executemany("INSERT INTO switches VALUES (?, ?, 0, ?, ?)", [(number, *row) for row in rows])

    def alarm(self, at, enclosure, kind, priority, state, since, text, subjects=()):
        """A row of alarms."""
        row = (at, enclosure, kind, priority, state, since, text, json.dumps(list(subjects)))
        self.db.execute(
            "INSERT INTO alarms (at_ms, enclosure, kind, priority, state, since_ms, text, subjects) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row
        )

    def act(self, at, enclosure, **words):
        """A row of acts."""
        text = json.dumps({"enclosure": enclosure, **words})
        self.db.execute("INSERT INTO acts (at_ms, enclosure, act) VALUES (?, ?, ?)", (at, enclosure, text))

    def remark(self, at, enclosure, subject, text):
        """A row of remarks."""
        self.db.execute("INSERT INTO remarks (at_ms, enclosure, subject, text) VALUES (?, ?, ?, ?)", (at, enclosure, subject, text))

    def run(self, started, alive, ended=None):
        """A life of the daemon."""
        self.db.execute("INSERT INTO runs (started_ms, alive_ms, ended_ms, program) VALUES (?, ?, ?, 'test')", (started, alive, ended))

    def kept(self, owner, record, room="file"):
        """A record of the core."""
        self.db.execute("INSERT INTO kept VALUES (?, ?, ?)", (owner, room, json.dumps(record)))


def wave(minute, period=1440):
    """-1 at midnight UTC, 1 at noon."""
    return -math.cos(2 * math.pi * minute / period)


def hourly(rows):
    """Minutes as hours: hour, mean of the minutes, low, high, good, bad, covered."""
    hours = {}
    for row in rows:
        hours.setdefault(row[0] // 60, []).append(row)
    out = []
    for hour, parts in sorted(hours.items()):
        good = [part for part in parts if part[1] is not None]
        mean = sum(part[1] for part in good) / len(good) if good else None
        low = min((part[2] for part in good), default=None)
        high = max((part[3] for part in good), default=None)
        out.append((hour, mean, low, high, sum(p[4] for p in parts), sum(p[5] for p in parts), len(good)))
    return out


# A winter and a spring of one enclosure in Lisbon: 2 January to 1 April 2025, with the change of the clocks on 30 March.
ZONE = zoneinfo.ZoneInfo("Europe/Lisbon")
FIRST, LAST = datetime.date(2025, 1, 2), datetime.date(2025, 4, 1)
DAYS = (LAST - FIRST).days + 1
ON, OFF, UV_ON, UV_OFF = 8, 20, 9, 19

CONFIG = """
[site]
name = "garden-room"
timezone = "Europe/Lisbon"
latitude = 38.72
longitude = -9.14
state_directory = "{state}"

[broker]
url = "mqtt://127.0.0.1:{port}"

[care.woodland-basker]
uv_zone = 3
basking = {{ day = 32.0, night = 20.0, cut = 40.0 }}
photoperiod = {{ follow = "clock", on = "08:00", off = "20:00" }}

[[enclosure]]
id = "e1"
title = "Amber, by the garden door"
care = "woodland-basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "garden/e1/air"
pointer = "/t"
every = "30s"

[enclosure.probes.leaves]
measures = "temperature"
topic = "garden/e1/leaves"
unit = "F"
every = "60s"
spot = "retreat"

[enclosure.probes.air]
measures = "humidity"
topic = "garden/e1/air"
pointer = "/h"
every = "30s"

[enclosure.probes.basking-uv]
measures = "uvi"
topic = "garden/e1/uv"
every = "60s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = {{ set = "garden/e1/heat/set", state = "garden/e1/heat", hold = "5m" }}

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "basking-uv"
relay = {{ set = "garden/e1/uvb/set", state = "garden/e1/uvb" }}
after_dawn = "1h"
before_dusk = "1h"

[enclosure.lamps.light]
fitting = "led"
watts = 18
relay = {{ set = "garden/e1/light/set", state = "garden/e1/light" }}
"""


def utc_ms(*when):
    """A time of the site as milliseconds since 1970."""
    return round(datetime.datetime(*when, tzinfo=ZONE).timestamp() * 1000)


# The daemon was killed in the night and started again in the morning; the probe in the leaves lost its battery.
KILLED, STARTED = utc_ms(2025, 2, 10, 3, 0), utc_ms(2025, 2, 10, 9, 30)
SILENT, HEARD = utc_ms(2025, 3, 3, 12, 0), utc_ms(2025, 3, 3, 18, 0)
CHANGED = utc_ms(2025, 3, 2, 10, 30)


def climate_at(minute):
    """What the probes said in a minute since 1970: basking °C, leaves °C, air %, UVI; none where nothing was said."""
    ms = minute * MINUTE_MS
    if KILLED <= ms < STARTED:
        return None, None, None, None
    local = datetime.datetime.fromtimestamp(ms / 1000, ZONE)
    since_on = (local.hour - ON) * 60 + local.minute
    since_off = ((local.hour - OFF) * 60 + local.minute) % 1440
    day = (ms - utc_ms(2025, 1, 2)) / 86_400_000
    if 0 <= since_on < (OFF - ON) * 60:
        basking = 32 - 12 * math.exp(-since_on / 15) + 0.6 * math.sin(minute / 9)
    else:
        basking = 20 + 12 * math.exp(-since_off / 20) + 0.3 * math.sin(minute / 31) + 0.02 * day
    if local.date() == datetime.date(2025, 2, 20) and (14, 5) <= (local.hour, local.minute) < (14, 20):
        basking = 40.4
    leaves = None if SILENT <= ms < HEARD else 22 + 2.5 * wave(minute) + 0.03 * day
    air = 62 - 14 * wave(minute) + 3 * math.sin(day / 4)
    new = max(0.0, (ms - CHANGED) / 86_400_000)
    full = 4.4 * math.exp(-day / 150) if ms < CHANGED else 5.0 * math.exp(-new / 300)
    since_uv = (local.hour - UV_ON) * 60 + local.minute
    uvi = full * (1 - math.exp(-since_uv / 4)) if 0 <= since_uv < (UV_OFF - UV_ON) * 60 else 0.0
    return basking, leaves, air, uvi


def ninety_days(path):
    """The journal of these days; answers its rows of minutes by probe, as they were written."""
    ledger = Ledger(path)
    begin = utc_ms(2025, 1, 1, 12, 0) // HOUR_MS * 60
    end = utc_ms(2025, 4, 2, 6, 0) // MINUTE_MS
    names = [("basking", "temperature"), ("leaves", "temperature"), ("air", "humidity"), ("basking-uv", "uvi")]
    rows = {name: [] for name, _ in names}
    for minute in range(begin, end):
        for (name, _), value in zip(names, climate_at(minute)):
            if value is not None:
                spread = 0.05 if name != "basking-uv" else 0.0
                rows[name].append((minute, value, value - spread, value + spread, 2, int(minute % 97 == 0)))
    recent = end - 1440
    for name, quantity in names:
        for what in [quantity] + (["uvi-raw"] if quantity == "uvi" else []):
            factor = 1 / 1.25 if what == "uvi-raw" else 1
            scaled = [(m, v * factor, low * factor, high * factor, good, bad) for m, v, low, high, good, bad in rows[name]]
            number = ledger.series("e1", name, what)
            # Minutes of the last 35 days, the last day of them where the daemon writes; hours of all that is older.
            ledger.minutes("minutes", number, [row for row in scaled if end - 35 * 1440 <= row[0] < recent])
            ledger.minutes("recent", number, [row for row in scaled if row[0] >= recent])
            ledger.hours(number, [hour for hour in hourly(scaled) if hour[0] < recent // 60])
    lamps = {"heat": (ON, OFF), "uvb": (UV_ON, UV_OFF), "light": (ON, OFF)}
    for lamp, (on, off) in lamps.items():
        switches = []
        date = FIRST - datetime.timedelta(days=1)
        while date <= LAST:
            switches.append((utc_ms(date.year, date.month, date.day, on), 1.0, "day"))
            switches.append((utc_ms(date.year, date.month, date.day, off), 0.0, "night"))
            date += datetime.timedelta(days=1)
        if lamp == "heat":
            switches += [(utc_ms(2025, 2, 20, 14, 5), 0.0, "guard: tripped at 40.4 °C, cut 40.0 °C"), (utc_ms(2025, 2, 20, 14, 26), 1.0, "day")]
        # The daemon that was killed starts the day's lamps again.
        switches = sorted(row for row in switches if not KILLED <= row[0] < STARTED)
        switches += [(STARTED + 5000, 1.0, "day")]
        ledger.switches("e1", lamp, sorted(switches))
    tell_of_them(ledger)
    ledger.close()
    return rows


def tell_of_them(ledger):
    """Alarms, acts, remarks, runs and records of these days."""
    trip, cool = utc_ms(2025, 2, 20, 14, 5), utc_ms(2025, 2, 20, 14, 26)
    text = "basking is at 40.4 °C, at or above the cut of 40.0 °C: heat is off. Look at the animal, and find out why it got so hot."
    ledger.alarm(trip, "e1", "over-temperature", "critical", "unacknowledged", trip, text, ["heat"])
    ledger.alarm(trip + 300_000, "e1", "over-temperature", "critical", "acknowledged", trip, text, ["heat"])
    ledger.alarm(cool, "e1", "over-temperature", "critical", "normal", trip, text, ["heat"])
    silent = "leaves has said nothing since 12:00. Check its power, its battery and its network."
    ledger.alarm(SILENT + 180_000, "e1", "probe-silent", "medium", "unacknowledged", SILENT + 180_000, silent, ["leaves"])
    ledger.alarm(HEARD, "e1", "probe-silent", "medium", "returned to normal, unacknowledged", SILENT + 180_000, silent, ["leaves"])
    ledger.alarm(STARTED, None, "clock-doubtful", "medium", "unacknowledged", STARTED, "The clock was not set at the start. Set it.")
    ledger.alarm(STARTED + 60_000, None, "clock-doubtful", "medium", "normal", STARTED, "The clock was not set at the start. Set it.")
    # One that stands through the restart, and is cleared by the next life.
    deaf = utc_ms(2025, 2, 9, 22, 0)
    for at, state in ((deaf, "unacknowledged"), (STARTED + 300_000, "normal")):
        ledger.alarm(at, "e1", "relay-deaf", "high", state, deaf, "light was told off and reports on. Check its power.", ["light"])
    ledger.alarm(utc_ms(2025, 3, 20, 8, 0), "e2", "lamp-dark", "high", "unacknowledged", 0, "Of another enclosure.")
    for date, uvi in (((2025, 1, 5, 11, 0), 4.3), ((2025, 2, 8, 11, 0), 3.4), ((2025, 3, 12, 11, 0), 4.9)):
        at = utc_ms(*date)
        ledger.act(at, "e1", act="meter-reading", spot="basking", uvi=uvi)
        ledger.act(at + 60_000, "e1", act="meter-reading", spot="retreat", uvi=0.1, guess=True)
        ledger.remark(at + 600_000, "e1", "basking-uv", f"meter reading UVI {uvi} paired with {uvi / 1.25:.3f} of the probe")
    ledger.act(CHANGED, "e1", act="lamp-change", lamp="uvb")
    ledger.act(trip + 400_000, "e1", act="reset", lamp="heat")
    ledger.run(utc_ms(2024, 12, 30, 9, 0), KILLED)
    ledger.run(STARTED, utc_ms(2025, 4, 2, 6, 0))
    pairing = {"at": "2025-03-12T11:05:00Z", "uvi": 4.9, "raw": 3.92, "spread": 0.05, "guess": False}
    past = {"value": 1.25, "uncertainty": 0.11, "from": "2025-01-05T11:00:00Z", "until": "2025-03-02T10:30:00Z", "readings": 2, "why": "lamp change"}
    series = {"background": 0.0, "pairings": [pairing], "history": [past], "void_since": None}
    ledger.kept("series e1/basking-uv", {"series": {"enclosure": "e1", "probe": "basking-uv", "series": series}})
    hours = [{"lamp": lamp, "set": f"garden/e1/{lamp}/set", "fitted": fitted, "hours": burnt, "cycles": 90}
             for lamp, fitted, burnt in (("heat", None, 1080.5), ("uvb", "2025-03-02T10:30:00Z", 310.25), ("light", None, 1080.5))]
    ledger.kept("hours e1", {"hours": {"enclosure": "e1", "lamps": hours}})
