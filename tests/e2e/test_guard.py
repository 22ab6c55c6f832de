"""The guard law, seen from outside: no path switches heat on past a tripped or silent guard."""

import signal
import statistics
import time

import pytest
import rig

BAYS = [f"{bay:02}" for bay in range(1, 21)]


@pytest.mark.parametrize("protocol", rig.PROTOCOLS)
def test_heat_comes_with_the_first_reading_and_not_before(new_room, protocol):
    room = new_room(protocol=protocol)
    room.write(rig.enclosure())
    since = room.start()
    assert room.wait("garden/e1/heat/set", since=since).payload == b"OFF", "heat is asserted off before all else"
    room.player.never("garden/e1/heat/set", "ON", lasting=2, since=since)
    on = room.heats()
    assert on.qos == 1 and not on.retained
    version = {"5": "p5", "3.1.1": "p2"}[protocol]
    hello = [line for line in room.broker.log.read_text().splitlines() if f"as lampwarden-{rig.SITE} (" in line]
    assert hello and all(f"({version}," in line for line in hello), "the configured protocol is spoken"


@pytest.mark.parametrize("protocol", rig.PROTOCOLS)
def test_a_reading_over_the_cut_means_off_within_100_ms(new_room, protocol):
    room = new_room(protocol=protocol)
    player = room.player
    room.write(rig.rack(bays="01..20"))
    for bay in BAYS:
        player.obeys(f"garden/r1/{bay}/heat/set", f"garden/r1/{bay}/heat")
    room.start()
    for bay in BAYS:
        room.heats(f"r1/{bay}", 31.0)

    delays = []
    for bay in BAYS:
        topic = f"garden/r1/{bay}/heat/set"
        assert player.said(topic)[-1].payload == b"ON", "nothing but the guard has a reason to end it"
        sent = player.reads(f"garden/r1/{bay}/basking", 40.2)
        off = room.wait(topic, "OFF", since=sent)
        assert off.qos == 1 and not off.retained
        delays.append(off.at - sent)
    assert statistics.median(delays) <= 0.100, f"median of {sorted(delays)}"

    for bay in BAYS:
        alarm = room.alarm(f"r1-{bay}", "over-temperature")
        assert alarm["priority"] == "critical"
        assert alarm["state"] == "unacknowledged"
        assert "40.2" in alarm["text"] and "40.0" in alarm["text"], "the reading against its limit"
        state = room.retained(f"{rig.OWN}/r1-{bay}/state")[f"{rig.OWN}/r1-{bay}/state"].json()
        assert state["lamps"]["heat"]["wanted"] == 0
        assert state["lamps"]["heat"]["reason"].startswith("guard:")


def test_a_silent_probe_ends_heat(room):
    room.start()
    room.heats()
    since = room.player.reads("garden/e1/basking", None)
    off = room.wait("garden/e1/heat/set", "OFF", within=6, since=since)
    assert off.at - since > 1, "a probe is not silent before it is due"
    alarm = room.alarm("e1", "probe-silent", within=6, since=since)
    assert alarm["priority"] == "high"
    assert "basking" in alarm["text"]
    # It speaks again: heat may come back, and the alarm ends.
    since = time.monotonic()
    room.heats()
    room.wait(f"{rig.OWN}/alarms/e1/probe-silent", "", within=5, since=since)


@pytest.mark.parametrize("protocol", rig.PROTOCOLS)
def test_a_retained_reading_is_of_unknown_age_and_permits_nothing(new_room, protocol):
    room = new_room(protocol=protocol)
    room.write(rig.enclosure())
    room.player.publish("garden/e1/basking", "25.00", retain=True)
    since = room.start()
    room.player.never("garden/e1/heat/set", "ON", lasting=2.5, since=since)
    room.heats()


def test_a_latch_survives_a_power_cut_a_reload_and_a_restart_until_a_person_resets_it(room):
    player = room.player
    room.start()
    room.heats()
    since = player.reads("garden/e1/basking", 55.0)
    room.wait("garden/e1/heat/set", "OFF", since=since)
    room.alarm("e1", "over-temperature", since=since)
    # The OFF waits for no disk; a moment later the latch is on it. Then the power fails.
    room.wait_until_stored("limit")
    room.daemon.stop(signal.SIGKILL)

    player.reads("garden/e1/basking", 25.0)
    since = room.start()
    player.never("garden/e1/heat/set", "ON", lasting=2, since=since)
    room.daemon.send(signal.SIGHUP)
    player.never("garden/e1/heat/set", "ON", lasting=1.5, since=since)
    state = room.retained(f"{rig.OWN}/e1/state")[f"{rig.OWN}/e1/state"].json()
    assert state["interlocks"]["heat"]["state"] == "latched"
    assert room.retained(f"{rig.OWN}/alarms/e1/over-temperature"), "a latch keeps its alarm over a restart"
    # Neither does asking for heat by hand.
    player.publish(f"{rig.OWN}/do/e1/override", '{"lamp": "heat", "level": "on", "for": "10m"}')
    player.never("garden/e1/heat/set", "ON", lasting=1.5, since=since)

    since = player.publish(f"{rig.OWN}/do/e1/reset", '{"lamp": "heat"}')
    room.wait("garden/e1/heat/set", "ON", within=40, since=since)


def test_a_retained_act_is_not_carried_out(room):
    player = room.player
    player.publish(f"{rig.OWN}/do/e1/reset", '{"lamp": "heat"}', retain=True)
    room.start()
    room.heats()
    player.reads("garden/e1/basking", 55.0)
    room.wait("garden/e1/heat/set", "OFF")
    player.reads("garden/e1/basking", 25.0)
    room.wait_until_stored("limit")
    room.daemon.stop(signal.SIGKILL)
    since = room.start()
    room.player.never("garden/e1/heat/set", "ON", lasting=3, since=since)
    state = room.retained(f"{rig.OWN}/e1/state")[f"{rig.OWN}/e1/state"].json()
    assert state["interlocks"]["heat"]["state"] == "latched", "a kept message is not a person"
