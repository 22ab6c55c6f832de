"""The machine's clock is unset at boot, jumps and runs backwards (libfaketime); the monotonic clock goes on as it is."""

import datetime
import glob
import os
import signal

import pytest
import rig

LIBRARY = "/usr/lib/*/faketime/libfaketime.so.1"


class Wall:
    """A wall clock that is what the file says."""

    def __init__(self, room):
        self.file = room.folder / "wall"
        (library,) = glob.glob(LIBRARY)
        self.environment = {
            **os.environ,
            "LD_PRELOAD": library,
            "FAKETIME_TIMESTAMP_FILE": str(self.file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
        }
        self.is_right()

    def says(self, text):
        """An offset such as `+7h`, or a time `@2026-01-01 00:00:00`."""
        draft = self.file.with_suffix(".new")
        draft.write_text(f"{text}\n")
        draft.replace(self.file)

    def is_right(self):
        """The machine's own."""
        self.says("+0")


def doubtful(room, since):
    """The alarm that the clock cannot be believed."""
    return room.alarm("site", "clock-doubtful", within=5, since=since)


def believed(room, since):
    """Waits until it is over."""
    topic = f"{rig.OWN}/alarms/site/clock-doubtful"
    room.wait(topic, within=5, since=since, suits=lambda said: not said.payload or "returned" in said.json()["state"])


@pytest.mark.parametrize("jump", ["+7h", "-9h", "@1970-01-01 00:00:05"])
def test_a_clock_that_jumps_changes_no_lamp_and_is_an_alarm_until_it_is_back(room, jump):
    wall = Wall(room)
    room.start(env=wall.environment)
    room.heats()
    room.wait("garden/e1/uvb/set", "ON", within=2)
    since = room.player.reads("garden/e1/basking", 25.0)
    wall.says(jump)
    assert "clock" in doubtful(room, since)["text"]
    for lamp in ("heat", "uvb"):
        room.player.never(f"garden/e1/{lamp}/set", "OFF", lasting=2, since=since)
    # And the guard does not care.
    hot = room.player.reads("garden/e1/basking", 41.0)
    room.wait("garden/e1/heat/set", "OFF", within=1, since=hot)
    wall.is_right()
    believed(room, hot)


def test_a_board_that_boots_in_the_past_goes_by_the_last_time_it_knew(room):
    wall = Wall(room)
    room.start(env=wall.environment)
    room.heats()
    room.wait("garden/e1/uvb/set", "ON", within=2)
    rig.until(lambda: room.journal("SELECT alive_ms FROM runs"), 10, "the journal knows the time")
    room.daemon.send(signal.SIGKILL)
    room.daemon.process.wait()
    # As a board without a clock battery does.
    wall.says("@1970-01-01 00:00:10")
    since = room.start(env=wall.environment)
    alarm = doubtful(room, since)
    assert "1970" in alarm["text"] and str(datetime.datetime.now(datetime.timezone.utc).year) in alarm["text"]
    # It is still day, by what is known.
    room.wait("garden/e1/uvb/set", "ON", within=2, since=since)
    room.player.never("garden/e1/uvb/set", "OFF", lasting=2, since=since)
    room.wait("garden/e1/heat/set", "ON", within=3, since=since)
    wall.is_right()
    believed(room, since)
    room.player.never("garden/e1/uvb/set", "OFF", lasting=1, since=since)
    known = room.journal("SELECT started_ms FROM runs ORDER BY id")
    assert len(known) == 2 and known == sorted(known), "the second life is told in the time that was known"
