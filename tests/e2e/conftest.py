"""Rooms for the stories."""

import contextlib

import pytest
import rig


def pytest_configure(config):
    """Nothing can be told without the program."""
    if not rig.PROGRAM.is_file():
        raise pytest.UsageError(f"{rig.PROGRAM} is not built; `cargo build` first, or set LAMPWARDEN")


@pytest.fixture(name="new_room")
def _new_room(tmp_path):
    """Makes rooms, and closes them at the end."""
    rooms = []

    def make(**kwargs):
        rooms.append(rig.Room(tmp_path / f"room-{len(rooms)}", **kwargs))
        return rooms[-1]

    yield make
    for room in rooms:
        room.close()


@pytest.fixture(name="office")
def _office():
    """Closes servers at the end."""
    with contextlib.ExitStack() as stack:
        yield lambda server: stack.enter_context(contextlib.closing(server))


@pytest.fixture(name="room")
def _room(new_room):
    """A room with one enclosure whose relays obey. The daemon is not started yet."""
    room = new_room()
    room.write(rig.enclosure())
    room.player.obeys("garden/e1/heat/set", "garden/e1/heat")
    return room
