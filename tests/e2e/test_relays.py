"""Relays that forget, lie or do not hear."""

import time

import pytest
import rig


@pytest.mark.parametrize("protocol", rig.PROTOCOLS)
def test_a_retained_on_is_cleared_and_told(new_room, protocol):
    room = new_room(protocol=protocol)
    room.write(rig.enclosure())
    room.player.publish("garden/e1/heat/set", "ON", retain=True)
    since = room.start()
    room.wait("garden/e1/heat/set", "", within=3, since=since)
    alarm = room.alarm("e1", "retained-command", since=since)
    assert alarm["priority"] == "high"
    assert "garden/e1/heat/set" in alarm["text"]
    assert not room.retained("garden/e1/heat/set")


# Half a minute that several rooms spend at once.
WATCHED_S = 34.0


@pytest.fixture(scope="module", name="watch")
def _watch(tmp_path_factory):
    """A rest after a trip, a relay without a voice, one stuck off and one stuck on, all watched for 34 s."""
    room = rig.Room(tmp_path_factory.mktemp("watch"))
    player = room.player
    room.write(*(rig.enclosure(name, uvb=False) for name in ("rest", "mute", "stuck-off", "stuck-on")))
    player.obeys("garden/rest/heat/set", "garden/rest/heat")
    player.obeys("garden/mute/heat/set", "garden/mute/heat", as_told=lambda _: None)
    player.obeys("garden/stuck-off/heat/set", "garden/stuck-off/heat", as_told=lambda _: b"OFF")
    player.obeys("garden/stuck-on/heat/set", "garden/stuck-on/heat", as_told=lambda _: b"ON")
    try:
        room.start()
        for name in ("rest", "mute", "stuck-off", "stuck-on"):
            room.heats(name)
        room.begun = {name: player.said(f"garden/{name}/heat/set", "ON")[0].at for name in ("mute", "stuck-off")}
        for name in ("rest", "stuck-on"):
            sent = player.reads(f"garden/{name}/basking", 40.2)
            room.begun[name] = room.wait(f"garden/{name}/heat/set", "OFF", since=sent).at
        room.below = player.reads("garden/rest/basking", 30.0)
        time.sleep(WATCHED_S)
        yield room
    finally:
        room.close()


def test_after_a_trip_heat_rests_and_then_returns(watch):
    ons = watch.player.said("garden/rest/heat/set", "ON", since=watch.begun["rest"])
    assert ons, "30 s below the gap are over"
    assert 30 <= ons[0].at - watch.below <= 33, "`rest` counts from the first reading below"


@pytest.mark.parametrize(
    ("name", "told"), [("mute", "ON"), ("stuck-off", "ON"), ("stuck-on", "OFF")], ids=lambda value: value
)
def test_a_relay_that_does_not_obey_is_told_again_and_named_within_30_s(watch, name, told):
    begun = watch.begun[name]
    again = [said.at - begun for said in watch.player.said(f"garden/{name}/heat/set", told, since=begun)]
    assert sum(at <= 26 for at in again) >= 5, f"every 5 s at first, was {again}"
    pauses = [after - before for before, after in zip(again, again[1:])]
    assert all(pause > 3 for pause in pauses), f"not in a storm, was {again}"
    topic = f"{rig.OWN}/alarms/{name}/relay-deaf"
    raised = [said for said in watch.player.said(topic, since=begun) if said.payload]
    assert raised, "a deaf relay is told"
    assert raised[0].at - begun <= 30
    assert raised[0].json()["priority"] == "high"
    assert "heat" in raised[0].json()["text"]


def test_an_obedient_relay_is_not_called_deaf(watch):
    assert not watch.player.said(f"{rig.OWN}/alarms/rest/relay-deaf")
