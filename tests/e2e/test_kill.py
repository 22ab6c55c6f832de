"""The program is killed, the power is cut, the disk fails: what somebody was told is never forgotten, and nothing is doubled."""

import collections
import contextlib
import json
import os
import random
import resource
import shutil
import signal
import socket
import sqlite3
import time

import pytest
import rig

# A longer run: LAMPWARDEN_KILLS=1000.
KILLS = int(os.environ.get("LAMPWARDEN_KILLS", "200"))
NAMES = ["e1", "e2", "e3"]

UV_PROBE = """
[enclosure.probes.uv]
measures = "uvi"
topic = "garden/{name}/uv"
every = "1s"
"""


class Desk:
    """Somebody at the daemon's desk, who knows what they were told."""

    def __init__(self, room):
        self.room = room

    def ask(self, question, within=5.0):
        """The answer; none where the daemon died over it."""
        with socket.socket(socket.AF_UNIX) as desk:
            desk.settimeout(within)
            try:
                desk.connect(str(self.room.folder / "state" / "desk"))
                desk.sendall(json.dumps(question).encode() + b"\n")
                answer = desk.makefile("rb").readline()
            except OSError:
                return None
        return json.loads(answer) if answer.endswith(b"\n") else None


def rows(room, *selects):
    """What each of `selects` finds in the journal of a daemon that is dead, looked for in a copy: looking would tidy up."""
    copy = room.folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    for path in (room.folder / "state").glob("journal.db*"):
        shutil.copy(path, copy / path.name)
    with contextlib.closing(sqlite3.connect(copy / "journal.db")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return [connection.execute(select).fetchall() for select in selects]


class Keeper:
    """Somebody who does things in the room, and what they were told."""

    def __init__(self, room, seed):
        self.room = room
        self.desk = Desk(room)
        self.random = random.Random(seed)
        self.done = 0
        self.acts = []
        self.unanswered = 0
        self.hours = {}
        self.cycles = {}
        self.heard = 0

    def acts_once(self):
        """One thing, drawn."""
        name = self.random.choice(NAMES)
        self.done += 1
        mark = self.done / 1000
        draw = self.random.random()
        if draw < 0.4:
            self.does("meter-reading", name, {"spot": "branch", "uvi": mark})
        elif draw < 0.5:
            self.does("meter-reading", name, {"spot": "basking", "uvi": mark, "guess": True})
        elif draw < 0.6:
            self.does("lamp-change", name, {"lamp": "uvb"})
        elif draw < 0.7:
            self.does("override", name, {"lamp": "uvb", "level": "off", "for": f"{self.done + 1}s"})
        elif draw < 0.8:
            self.does("acknowledge", name, {})
        elif draw < 0.9:
            answer = self.desk.ask({"tell": "lamps", "enclosure": name})
            for lamp in (answer or {}).get("lamps", []):
                self.hours[(name, lamp["lamp"])] = (lamp["fitted"], lamp["hours"], lamp["cycles"])
        else:
            # Too hot for a moment: a trip.
            self.room.player.publish(f"garden/{name}/basking", f"{41 + mark:.3f}", qos=0)

    def does(self, act, name, with_):
        """One act at the desk."""
        answer = self.desk.ask({"act": act, "enclosure": name, "with": with_})
        if answer is None:
            self.unanswered += 1
            return
        assert answer == {"done": "logged"}, answer
        self.acts.append((act, name, json.dumps(with_, sort_keys=True)))

    def alarms_heard(self):
        """What was said of alarms since the last look."""
        with self.room.player.news:
            heard, self.heard = self.room.player.heard[self.heard :], len(self.room.player.heard)
        own = f"{rig.OWN}/alarms/"
        return [said for said in heard if said.topic.startswith(own) and said.payload and not said.retained]


def plain(act):
    """An act of the journal as the keeper knows it."""
    fields = json.loads(act)
    key = fields.pop("act"), fields.pop("enclosure")
    if "level" in fields:
        fields["level"] = {0.0: "off", 1.0: "on"}[fields["level"]]
    return *key, json.dumps(fields, sort_keys=True)


def check(room, keeper):
    """Nothing that the keeper was told is missing from the journal of the dead daemon, and nothing stands in it twice."""
    acts, alarms, hours = rows(
        room,
        "SELECT act FROM acts",
        "SELECT enclosure, kind, state, text, since_ms, at_ms FROM alarms",
        "SELECT record FROM kept WHERE owner LIKE 'hours %'",
    )
    kept = collections.Counter(plain(act) for (act,) in acts)
    told = collections.Counter(keeper.acts)
    assert not told - kept, f"acts that were answered and are gone: {told - kept}"
    # An act whose answer was lost in the kill may stand or not; none stands twice.
    assert sum((kept - told).values()) <= keeper.unanswered, f"doubled: {kept - told}"
    assert max(collections.Counter(alarms).values(), default=1) == 1, "an alarm stands twice"
    alarms = {row[:4] for row in alarms}
    for said in keeper.alarms_heard():
        document = said.json()
        enclosure = said.topic.split("/")[3]
        key = (None if enclosure == "site" else enclosure, document["kind"], document["state"], document["text"])
        assert key in alarms, f"told, and not kept: {key}"
    records = [json.loads(record) for (record,) in hours]
    kept_hours = {
        (record["hours"]["enclosure"], lamp["lamp"]): lamp for record in records for lamp in record["hours"]["lamps"]
    }
    for (name, lamp), (_, hours, cycles) in keeper.hours.items():
        found = kept_hours[(name, lamp)]
        changed = any(act == "lamp-change" and whose == name for act, whose, _ in keeper.acts) and lamp == "uvb"
        assert changed or found["hours"] >= hours - 1e-9, f"{name} {lamp}: {hours} h were told, {found} is kept"
        assert changed or found["cycles"] >= cycles, f"{name} {lamp}: {cycles} cycles were told, {found} is kept"


@pytest.mark.parametrize("power", [False, True], ids=["killed", "power-cut"])
def test_what_was_told_is_never_forgotten(new_room, power):
    room = new_room()
    room.write(*(rig.enclosure(name) + UV_PROBE.format(name=name) for name in NAMES))
    disk = rig.Disk(room)
    for name in NAMES:
        room.player.obeys(f"garden/{name}/heat/set", f"garden/{name}/heat")
        room.player.reads(f"garden/{name}/basking", 25.0)
        room.player.reads(f"garden/{name}/uv", 3.0)
    keeper = Keeper(room, seed=f"kill {power}")
    moments = random.Random(f"moments {power}")
    for _ in range(KILLS // 2):
        room.start(env=disk.environment)
        end = time.monotonic() + moments.expovariate(1 / 0.25)
        while time.monotonic() < end:
            keeper.acts_once()
        # In the middle of something, as often as not.
        keeper.acts_once() if moments.random() < 0.2 else None
        room.daemon.process.send_signal(signal.SIGKILL)
        room.daemon.process.wait()
        if power:
            disk.loses_power()
        check(room, keeper)
    assert len(keeper.acts) > KILLS, "enough was done to forget"
    (((starts, ended),),) = rows(room, "SELECT count(*), sum(ended_ms IS NOT NULL) FROM runs")
    assert ended == 0 and starts > KILLS // 4


def failing(room, since=0.0):
    """The alarm that the journal cannot be written."""
    return room.alarm("site", "journal-failing", within=15, since=since)


def no_longer_failing(room, since):
    """Waits until it is over."""
    topic = f"{rig.OWN}/alarms/site/journal-failing"
    room.wait(topic, within=20, since=since, suits=lambda said: not said.payload or "returned" in said.json()["state"])


def trips(room, within):
    """Too hot: the lamp, which heats, goes off within `within` seconds, and the alarm is told."""
    sent = room.player.reads("garden/e1/basking", 41.0)
    off = room.wait("garden/e1/heat/set", "OFF", within=2, since=sent)
    assert off.at - sent < within, f"{off.at - sent:.3f} s"
    room.alarm("e1", "over-temperature", within=3, since=sent)
    return sent


@pytest.mark.parametrize("fault", ["full", "slow"])
def test_a_disk_that_fails_delays_no_off_and_catches_up(room, fault):
    disk = rig.Disk(room)
    room.start(env=disk.environment)
    room.heats()
    disk.has(fault)
    since = trips(room, within=0.25)
    answer = Desk(room).ask({"act": "meter-reading", "enclosure": "e1", "with": {"spot": "branch", "uvi": 1.25}}, within=15)
    assert answer == {"done": "logged"}, "nobody waits for ever"
    failing(room, since) if fault == "full" else None
    disk.heals()
    healed = time.monotonic()
    if fault == "full":
        no_longer_failing(room, healed)
    rig.until(lambda: room.journal("SELECT count(*) FROM acts") == [1], 15, "what was done meanwhile is in the journal")
    assert "over-temperature" in room.journal("SELECT kind FROM alarms")
    room.wait_until_stored('"tripped_at_celsius":41')


def test_a_file_that_may_grow_no_further_is_a_full_disk(room):
    """The real kernel's refusal, by a limit on the size of files."""

    def limited():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (120_000, resource.RLIM_INFINITY))

    room.start(preexec_fn=limited, restore_signals=False)
    room.heats()
    since = time.monotonic()
    desk = Desk(room)
    for n in range(400):
        question = {"act": "meter-reading", "enclosure": "e1", "with": {"spot": f"branch {n:>200}", "uvi": 1.0}}
        assert desk.ask(question, within=10) == {"done": "logged"}
        if room.player.said(f"{rig.OWN}/alarms/site/journal-failing", None, since):
            break
    failing(room, since)
    trips(room, within=0.25)


def test_a_disk_that_can_only_be_read_is_no_reason_to_forget_or_to_stay_away(room):
    disk = rig.Disk(room)
    room.start(env=disk.environment)
    room.heats()
    room.player.reads("garden/e1/basking", 60.0)
    room.wait_until_stored('"heat_latch":{"limit"')
    room.daemon.stop()
    disk.has("readonly")
    since = room.start(env=disk.environment)
    failing(room, since)
    room.player.reads("garden/e1/basking", 25.0)
    room.player.never("garden/e1/heat/set", "ON", lasting=3, since=since)
    disk.heals()
    no_longer_failing(room, time.monotonic())
