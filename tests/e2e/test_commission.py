"""Commissioning as a person at a terminal sees it."""

import contextlib
import json
import os
import re
import signal
import subprocess
import threading
import time

import rig


class Place:
    """A basking spot that warms as a first-order plant does, told by the room's player."""

    ROOM, GAIN, LAG = 25.0, 12.0, 8.0

    def __init__(self, room):
        self.player = room.player
        self.on = threading.Event()
        self.ended = threading.Event()
        self.hand = 0.0
        room.player.relays["garden/e1/heat/set"] = self.told
        self.thread = threading.Thread(target=self.live, daemon=True)
        self.thread.start()

    def told(self, payload):
        """Switches, and reports."""
        (self.on.set if payload == b"ON" else self.on.clear)()
        self.player.client.publish("garden/e1/heat", payload, qos=1)

    def live(self):
        """Warms and cools, exactly over each step."""
        value, last = self.ROOM, time.monotonic()
        while not self.ended.wait(0.1):
            now = time.monotonic()
            goal = self.ROOM + (self.GAIN if self.on.is_set() else 0.0)
            value = goal + (value - goal) * 2.718281828459045 ** (-(now - last) / self.LAG)
            last = now
            with self.player.readings_lock:
                self.player.readings["garden/e1/basking"] = value + self.hand


class Terminal:
    """Runs the program at a terminal of its own and reads what it says."""

    def __init__(self, *arguments):
        self.master, slave = os.openpty()
        self.process = subprocess.Popen([rig.PROGRAM, *arguments], stdin=slave, stdout=slave, stderr=slave)
        os.close(slave)
        self.text, self.read = "", 0
        self.thread = threading.Thread(target=self.listen, daemon=True)
        self.thread.start()

    def listen(self):
        """Takes in what is said until it ends."""
        # Linux ends a terminal that nobody holds any more with an error.
        with contextlib.suppress(OSError):
            while said := os.read(self.master, 4096):
                self.text += said.decode(errors="replace")

    def wait(self, what, within):
        """Waits until it has said something that matches since the last time."""
        def found():
            match = re.search(what, self.text[self.read :])
            if match:
                self.read += match.end()
            return match

        try:
            rig.until(found, within, what)
        except AssertionError as error:
            raise AssertionError(f"{error}\n{self.text}") from error

    def answer(self, letter):
        """Types a letter and Enter."""
        os.write(self.master, f"{letter}\n".encode())

    def end(self, within):
        """Its exit code."""
        code = self.process.wait(within)
        self.thread.join(5)
        return code


def test_a_person_is_walked_through_and_signs(room):
    room.write(rig.enclosure())
    place = Place(room)
    room.player.reads("garden/e1/uv", 3.0)
    terminal = Terminal("wiring", "commission", "-c", room.config, "e1", "--by", "A. Keeper")
    try:
        terminal.wait("NO ANIMAL(.|\n)*licensed electrician(.|\n)*go on\\?.*s: skip", 10)
        assert not room.player.said("garden/e1/heat/set"), "nothing is switched before the first yes"
        terminal.answer("y")
        terminal.wait("probe e1 basking into your hand.*s: skip", 20)
        terminal.answer("y")
        place.hand = 3.0
        terminal.wait("e1 basking felt it", 20)
        place.hand = 0.0
        # No consent, no heat.
        terminal.wait(r"e1 heat.*\r?\n(.|\n)*Switch it on.*s: skip", 10)
        assert not room.player.said("garden/e1/heat/set", "ON")
        terminal.answer("y")
        terminal.wait("Is it empty.*s: skip", 10)
        terminal.answer("y")
        terminal.wait("did e1 heat come on", 60)
        terminal.answer("y")
        terminal.wait("measuring how it warms", 30)
        terminal.wait("e1 heat: off", 60)
        terminal.wait(r"e1 uvb(.|\n)*Switch it on.*s: skip", 20)
        terminal.answer("s")
        terminal.wait("sign off this record of e1.*s: skip", 20)
        terminal.answer("y")
        assert terminal.end(15) == 0, terminal.text
    finally:
        terminal.process.kill()
        place.ended.set()
    assert room.player.said("garden/e1/heat/set")[-1].payload == b"OFF"
    listed = subprocess.run(
        [rig.PROGRAM, "wiring", "records", "-c", room.config, "--json"], capture_output=True, text=True, timeout=30, check=True
    )
    (record,) = json.loads(listed.stdout)
    assert (record["signed"], record["by"], record["findings"]) == (True, "A. Keeper", [])
    heat, uvb = sorted(record["lamps"], key=lambda lamp: lamp["lamp"])
    assert (heat["seen"], uvb["outcome"]) == ("right", "skipped")
    # The plant in closed form; a reading says what was so up to 0.4 s before.
    step = heat["step"]
    assert abs(step["gain_k"] - Place.GAIN) < 1.0 and abs(step["time_constant_s"] - Place.LAG) < 2.0, step
    assert step["dead_time_s"] < 2.0, step
    assert {figure["key"] for figure in heat["proposed"]} & {"slew", "hysteresis", "cut"}, heat


def test_ctrl_c_switches_off_and_leaves_no_record(room):
    room.write(rig.enclosure(uvb=False))
    place = Place(room)
    terminal = Terminal("wiring", "commission", "-c", room.config, "e1", "--yes", "--by", "A. Keeper")
    try:
        room.wait("garden/e1/heat/set", "ON", within=60)
        since = time.monotonic()
        terminal.process.send_signal(signal.SIGINT)
        room.wait("garden/e1/heat/set", "OFF", within=2, since=since)
        assert terminal.end(20) == 1, terminal.text
    finally:
        terminal.process.kill()
        place.ended.set()
    assert room.journal("SELECT act FROM acts") == []


def test_it_keeps_away_from_a_running_daemon_and_asks_somebody(room):
    arguments = [rig.PROGRAM, "wiring", "commission", "-c", room.config, "e1"]
    run = {"capture_output": True, "text": True, "timeout": 30, "check": False, "stdin": subprocess.DEVNULL}
    alone = subprocess.run(arguments, **run)
    assert alone.returncode == 2 and "nobody is there to be asked" in alone.stderr
    room.start()
    since = time.monotonic()
    beside = subprocess.run([*arguments, "--yes"], **run)
    assert beside.returncode == 2 and "stop the daemon first" in beside.stderr, beside.stderr
    assert not room.player.said("garden/e1/heat/set", "ON", since)
    # The daemon goes on as if nothing had been.
    room.heats()
