"""A journal filled by SQL: what a daemon would have written, with numbers that are known, and nothing of ours between."""

import json
import math
import pathlib
import sqlite3

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
