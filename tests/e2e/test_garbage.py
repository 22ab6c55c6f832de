"""Bytes that nobody meant."""

import random

import rig

WELL_KNOWN = [
    b"",
    b" ",
    b"\x00",
    b"\xff\xfe\xfd",
    b"NaN",
    b"inf",
    b"-inf",
    b"1e999",
    b"-0",
    b"85",
    b"-127",
    b"1" * 400,
    b"true",
    b"null",
    b"{}",
    b"[]",
    b'"25"',
    b'{"t": null}',
    b'{"t": {"t": {"t": 1}}}',
    b'{"lamp": "heat", "level": 1e308, "for": "99999999999999999999d"}',
    b'{"lamp": "heat", "level": NaN}',
    b'{"kind": "no-such-kind"}',
    b"[" * 20_000,
    b'{"a":' * 20_000,
    "℃ ".encode() * 50,
    bytes(range(256)),
    b"x" * 200_000,
]

TOPICS = [
    "garden/e1/basking",
    "garden/e1/heat",
    "garden/e1/heat/set",
    "garden/e1/uvb/set",
    f"{rig.OWN}/pulse",
    f"{rig.OWN}/status",
    f"{rig.OWN}/e1/state",
    f"{rig.OWN}/alarms/e1/over-temperature",
    f"{rig.OWN}/alarms/no-such/kind",
    f"{rig.OWN}/do/e1/reset",
    f"{rig.OWN}/do/e1/override",
    f"{rig.OWN}/do/e1/acknowledge",
    f"{rig.OWN}/do/no-such/reset",
    f"{rig.OWN}/do/site/reset",
    f"{rig.OWN}/do/e1",
    f"{rig.OWN}/do///",
]


def test_no_bytes_on_any_topic_kill_it_or_its_guard(room):
    player = room.player
    chance = random.Random(20260301)
    room.start()
    room.heats()
    payloads = WELL_KNOWN + [chance.randbytes(chance.randrange(200)) for _ in range(60)]
    for payload in payloads:
        for topic in TOPICS:
            player.client.publish(topic, payload, qos=chance.randrange(3), retain=chance.random() < 0.2)
    player.publish("mark", "all is said")
    room.wait("mark", "all is said", within=30)
    assert room.daemon.is_alive(), room.daemon.tail()

    # It still obeys its guard: whatever it made of all that, heat comes by a cool probe and goes by a hot one.
    player.reads("garden/e1/basking", 25.0)
    player.publish(f"{rig.OWN}/do/e1/override", '{"lamp": "heat", "level": null}')
    state = f"{rig.OWN}/e1/state"
    warm = room.wait(
        state, within=45, suits=lambda said: b"wanted" in said.payload and said.json()["lamps"]["heat"]["wanted"] == 1
    )
    assert warm
    sent = player.reads("garden/e1/basking", 40.2)
    room.wait("garden/e1/heat/set", "OFF", since=sent)
    for topic in TOPICS:
        player.publish(topic, b"", retain=True)
