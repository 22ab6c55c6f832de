"""The link: brokers that die, daemons that die, protocols, TLS."""

import json
import shutil
import signal
import socket
import subprocess
import threading
import time

import pytest
import rig


@pytest.mark.parametrize("protocol", rig.PROTOCOLS)
def test_when_the_broker_returns_every_relay_is_told_within_5_s(new_room, protocol):
    room = new_room(protocol=protocol)
    room.write(rig.enclosure("e1"), rig.enclosure("e2"))
    room.start()
    for name in ("e1", "e2"):
        room.heats(name)
        room.wait(f"garden/{name}/uvb/set", "ON")
    room.player.close()
    room.broker.kill()
    # Long enough for any back-off to have grown.
    time.sleep(8)
    assert room.daemon.is_alive(), "a daemon outlives its broker"
    returned = room.broker.start()
    room.player = rig.Player(room.broker.port, protocol)
    for name in ("e1", "e2"):
        room.player.reads(f"garden/{name}/basking", 25.0)
    for name in ("e1", "e2"):
        for lamp in ("heat", "uvb"):
            left = returned + 5 - time.monotonic()
            room.wait(f"garden/{name}/{lamp}/set", "ON", within=left)
    # The player may have subscribed after it was said, so this looks at what is kept.
    rig.until(lambda: rig.OWN + "/status" in room.retained(f"{rig.OWN}/status"), 5, "status is kept again")
    assert room.retained(f"{rig.OWN}/status")[f"{rig.OWN}/status"].payload == b"online"
    rig.until(lambda: not room.retained(f"{rig.OWN}/alarms/site/broker-lost"), 5, "the loss is over")


def test_a_killed_daemon_is_offline_by_its_last_will(room):
    room.start()
    since = time.monotonic()
    room.daemon.stop(signal.SIGKILL)
    room.wait(f"{rig.OWN}/status", "offline", within=3, since=since)
    assert room.retained(f"{rig.OWN}/status")[f"{rig.OWN}/status"].payload == b"offline"


def test_alarms_that_an_earlier_life_left_behind_are_cleared(room):
    for enclosure, kind in (("e1", "lamp-dark"), ("long-gone", "relay-deaf")):
        left = f'{{"kind": "{kind}", "text": "left behind"}}'
        room.player.publish(f"{rig.OWN}/alarms/{enclosure}/{kind}", left, retain=True)
    room.start()
    room.heats()
    rig.until(lambda: not room.retained(f"{rig.OWN}/alarms/#"), 5, "nothing is wrong, and no alarm says so")


def test_a_hung_daemon_is_offline_by_its_keep_alive_and_comes_back(new_room):
    room = new_room()
    room.write(rig.enclosure(), keep_alive="1s")
    room.start()
    room.heats()
    since = time.monotonic()
    room.daemon.send(signal.SIGSTOP)
    # The server closes after one and a half times the keep-alive: OASIS MQTT 5.0, 3.1.2-22. This one looks only every
    # few seconds.
    room.wait(f"{rig.OWN}/status", "offline", within=20, since=since)
    since = time.monotonic()
    room.daemon.send(signal.SIGCONT)
    room.wait(f"{rig.OWN}/status", "online", within=10, since=since)
    room.wait("garden/e1/heat/set", "ON", within=5, since=since)


def test_sigterm_ends_heat_leaves_the_rest_and_says_goodbye(room):
    room.start()
    room.heats()
    room.wait("garden/e1/uvb/set", "ON")
    since = time.monotonic()
    assert room.daemon.stop(signal.SIGTERM, within=5) == 0
    room.wait("garden/e1/heat/set", "OFF", since=since)
    room.wait(f"{rig.OWN}/status", "offline", since=since)
    assert room.retained(f"{rig.OWN}/status")[f"{rig.OWN}/status"].payload == b"offline"
    assert not room.player.said("garden/e1/uvb/set", "OFF", since), "by default only heat is ended"


@pytest.mark.parametrize("on_exit, heat, uvb", [("all-off", True, True), ("leave", False, False)])
def test_on_exit_says_what_becomes_of_the_lamps(room, on_exit, heat, uvb):
    room.write(rig.enclosure(), site=f'on_exit = "{on_exit}"')
    room.start()
    room.heats()
    room.wait("garden/e1/uvb/set", "ON")
    since = time.monotonic()
    assert room.daemon.stop(signal.SIGTERM, within=5) == 0
    room.wait(f"{rig.OWN}/status", "offline", since=since)
    assert bool(room.player.said("garden/e1/heat/set", "OFF", since)) == heat
    assert bool(room.player.said("garden/e1/uvb/set", "OFF", since)) == uvb


# For this test alone.
PASSWORD = "a-word-no-log-may-hold"


def openssl(*arguments, folder):
    """Runs openssl; the message it ends with is shown where it fails."""
    done = subprocess.run(["openssl", *arguments], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def certificates(folder):
    """Two authorities that know nothing of each other, and from the first a broker and a client."""
    assert shutil.which("openssl"), "openssl is not installed"
    folder.mkdir()
    for name in ("ca", "stranger"):
        openssl(
            *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"),
            *("-subj", f"/CN=test {name}", "-keyout", f"{name}.key", "-out", f"{name}.pem"),
            folder=folder,
        )
    for name in ("broker", "client"):
        (folder / f"{name}.ext").write_text("subjectAltName = IP:127.0.0.1\nbasicConstraints = CA:FALSE\n")
        openssl(
            *("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"),
            *("-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr"),
            folder=folder,
        )
        openssl(
            *("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"),
            *("-days", "2", "-extfile", f"{name}.ext", "-out", f"{name}.pem"),
            folder=folder,
        )
    return folder


@pytest.fixture(name="locked_room")
def _locked_room(tmp_path, new_room):
    """A room whose broker wants TLS, a client certificate and a password."""
    papers = certificates(tmp_path / "papers")
    passwords = tmp_path / "passwords"
    passwords.write_text(f"keeper:{PASSWORD}\n")
    # Hashes the passwords in place; it comes with the broker.
    subprocess.run(["mosquitto_passwd", "-U", passwords], check=True, capture_output=True)
    folder = tmp_path / "room-0"
    folder.mkdir()
    broker = rig.Broker(
        folder,
        extra=f"allow_anonymous false\npassword_file {passwords}\n",
        listener=f"cafile {papers}/ca.pem\ncertfile {papers}/broker.pem\nkeyfile {papers}/broker.key\n"
        "require_certificate true\n",
    )
    tls = {"ca_certs": papers / "ca.pem", "certfile": papers / "client.pem", "keyfile": papers / "client.key"}
    tls = {key: str(path) for key, path in tls.items()}
    room = new_room(broker=broker, tls=tls, username="keeper", password=PASSWORD)
    (tmp_path / "password").write_text(PASSWORD + "\n")
    room.papers = papers

    def write(authority):
        room.write(
            rig.enclosure(),
            url=f"mqtts://127.0.0.1:{broker.port}",
            broker=f'ca_file = "{papers}/{authority}.pem"\ncertificate_file = "{papers}/client.pem"\n'
            f'key_file = "{papers}/client.key"\nusername = "keeper"\npassword_file = "{tmp_path}/password"\n',
        )

    room.write_with = write
    return room


def test_tls_with_own_authority_client_certificate_and_password(locked_room):
    locked_room.write_with("ca")
    locked_room.start()
    locked_room.heats()
    assert PASSWORD not in locked_room.daemon.tail(10_000), "a password is never logged"


def test_a_broker_that_a_stranger_vouches_for_is_refused(locked_room):
    locked_room.write_with("stranger")
    locked_room.daemon = rig.Daemon(locked_room.config, locked_room.folder / "daemon.log")
    since = time.monotonic()
    locked_room.player.never(f"{rig.OWN}/status", "online", lasting=3, since=since)
    assert locked_room.daemon.is_alive(), "it keeps trying"
    assert "certificate" in locked_room.daemon.tail(), "and says why"


def flood(port, topic, payload, messages):
    """Publishes as fast as the broker takes it, at QoS 0: MQTT 3.1.1 by hand, since no library is fast enough."""

    def packet(kind, body):
        length, left = b"", len(body)
        while left or not length:
            left, digit = left >> 7, left & 127
            length += bytes([digit | (128 if left else 0)])
        return bytes([kind]) + length + body

    def text(words):
        return len(words).to_bytes(2, "big") + words

    with socket.create_connection(("127.0.0.1", port)) as broker:
        broker.sendall(packet(0x10, text(b"MQTT") + bytes([4, 2, 0, 60]) + text(b"flood")))
        assert broker.recv(4)[3] == 0, "the broker lets the flood in"
        many = packet(0x30, text(topic.encode()) + payload.encode()) * 50
        for _ in range(messages // 50):
            broker.sendall(many)


def test_a_flood_holds_up_no_off_and_is_told(new_room):
    room = new_room()
    bays = "01..40"
    board = "".join(
        f"""
[rack.probes.{name}]
measures = "humidity"
topic = "garden/board"
pointer = "/{{bay}}/{name}"
every = "1h"
"""
        for name in ("a", "b", "c", "d", "e")
    )
    rack = f'[[rack]]\nid = "r1"\nbays = "{bays}"\ncare = "woodland-basker"\n{board}'
    room.write(rig.enclosure("e1", uvb=False), rack)
    room.start()
    room.heats()
    # A player that hears the flood too would be the slowest of all.
    room.player.close()
    room.player = rig.Player(room.broker.port, listen="garden/e1/heat/set")
    room.player.reads("garden/e1/basking", 25.0)
    said = json.dumps({f"{bay:02}": dict.fromkeys("abcde", 50) for bay in range(1, 41)})
    flooding = threading.Thread(target=flood, args=(room.broker.port, "garden/board", said, 30_000))
    flooding.start()
    time.sleep(1)
    since = room.player.reads("garden/e1/basking", 41.0)
    room.wait("garden/e1/heat/set", "OFF", within=5, since=since)
    topic = f"{rig.OWN}/alarms/site/overloaded"
    rig.until(lambda: topic in room.retained(topic), 60, "the flood is told")
    flooding.join()
    assert "were passed over" in room.retained(topic)[topic].json()["text"]
