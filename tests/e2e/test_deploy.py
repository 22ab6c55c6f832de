"""What `deploy/` ships does what it says, with the real broker."""

import pathlib
import subprocess

import pytest
import rig

DEPLOY = pathlib.Path(__file__).parents[2] / "deploy"
USERS = ["lampwarden", "sensor-e1", "relay-e1", "keeper"]


class ShippedBroker(rig.Broker):
    """mosquitto with the shipped files; only the port and the paths are ours."""

    def __init__(self, folder):
        passwords = folder / "passwords"
        passwords.write_text("".join(f"{user}:{user}-word\n" for user in USERS))
        # Hashes the passwords in place; it comes with the broker.
        subprocess.run(["mosquitto_passwd", "-U", passwords], check=True, capture_output=True)
        super().__init__(folder)

    def start(self):
        shipped = (DEPLOY / "mosquitto.conf").read_text()
        for ours, theirs in {
            f"listener {self.port} 127.0.0.1": "listener 1883 127.0.0.1",
            f"password_file {self.config.parent}/passwords": "password_file /etc/mosquitto/lampwarden.passwords",
            f"acl_file {DEPLOY}/mosquitto.acl": "acl_file /etc/mosquitto/lampwarden.acl",
        }.items():
            assert theirs in shipped
            shipped = shipped.replace(theirs, ours)
        user = [line for line in self.config.read_text().splitlines() if line.startswith("user ")]
        self.config.write_text("\n".join([*user, f"log_dest file {self.log}", "log_type all", shipped]))
        return super().start()


@pytest.fixture(name="shipped")
def _shipped(tmp_path, new_room):
    folder = tmp_path / "room-0"
    folder.mkdir()
    room = new_room(broker=ShippedBroker(folder), username="keeper", password="keeper-word")
    (tmp_path / "password").write_text("lampwarden-word\n")
    room.write(rig.enclosure(), broker=f'username = "lampwarden"\npassword_file = "{tmp_path}/password"\n')
    players = {
        user: rig.Player(room.broker.port, name=user, listen=listen, username=user, password=f"{user}-word")
        for user, listen in (("sensor-e1", "none"), ("relay-e1", "garden/e1/+/set"))
    }
    yield room, players["sensor-e1"], players["relay-e1"]
    for player in players.values():
        player.close()


def test_the_shipped_broker_lets_everybody_do_their_part_and_nothing_else(shipped):
    room, sensor, relay = shipped
    room.start()
    relay.obeys("garden/e1/heat/set", "garden/e1/heat")
    sensor.reads("garden/e1/basking", 25.0)
    relay.wait("garden/e1/heat/set", "ON", within=3)
    room.wait("garden/e1/heat", "ON", within=3)
    # Clients of their own: this broker ends a connection that says what it must not.
    for user, topic in (
        ("sensor-e1", "garden/e1/heat/set"),
        ("relay-e1", "garden/e1/heat/set"),
        ("relay-e1", "garden/e1/basking"),
    ):
        stranger = rig.Player(
            room.broker.port, name=f"stranger-{user}", listen="none", username=user, password=f"{user}-word"
        )
        stranger.client.publish(topic, "STRANGE", qos=1)
        rig.until(lambda: f"Denied PUBLISH from stranger-{user}" in room.broker.log.read_text(), 5, "it is denied")
        stranger.close()
    sent = sensor.reads("garden/e1/basking", 40.2)
    relay.wait("garden/e1/heat/set", "OFF", since=sent)
    heard = [said for player in (room.player, relay) for said in player.heard if said.payload == b"STRANGE"]
    assert not heard, "nobody but the daemon speaks to a relay, and nobody but the sensor for the sensor"
