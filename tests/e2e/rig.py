"""A room to test in: a real broker, the built daemon, and a second MQTT implementation that plays sensors and relays.

Every wait is for something that must happen, with the longest time it may take; what was said by then is shown when it
does not. Nothing here knows how the daemon works, only what it promises.
"""

import contextlib
import dataclasses
import datetime
import json
import os
import pathlib
import shutil
import signal
import socket
import sqlite3
import subprocess
import threading
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

PROGRAM = pathlib.Path(os.environ.get("LAMPWARDEN", "target/debug/lampwarden")).resolve()
SITE = "garden-room"
OWN = f"lampwarden/{SITE}"
PROTOCOLS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}

# Playing sensors speak this often; the configuration promises a reading every second.
SAYS_EVERY_S = 0.4


def free_port():
    """A TCP port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def until(condition, within, what):
    """Waits until `condition` holds."""
    deadline = time.monotonic() + within
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {within} s: {what}")
        time.sleep(0.005)


class Broker:
    """mosquitto on one port, killed by its own process id."""

    def __init__(self, folder, extra="", listener=""):
        self.port = free_port()
        self.log = folder / "broker.log"
        self.config = folder / "broker.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        access = "" if "allow_anonymous" in extra else "allow_anonymous true\n"
        self.config.write_text(
            f"{user}listener {self.port} 127.0.0.1\n{listener}{access}set_tcp_nodelay true\npersistence false\n"
            f"max_queued_messages 0\nlog_dest file {self.log}\nlog_type all\n{extra}"
        )
        self.process = None
        self.start()

    def start(self):
        """Starts it and waits until it takes connections; tells when it did."""
        program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin")
        assert program, "mosquitto is not installed"
        self.process = subprocess.Popen(
            [program, "-c", self.config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self.takes_connections, 10, "the broker takes connections")
        return time.monotonic()

    def takes_connections(self):
        """Whether somebody could connect."""
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self):
        """As a power cut does."""
        self.process.kill()
        self.process.wait()


@dataclasses.dataclass(frozen=True)
class Said:
    """A message as it was received."""

    at: float
    topic: str
    payload: bytes
    retained: bool
    qos: int

    def json(self):
        """The payload as JSON."""
        return json.loads(self.payload)

    def __str__(self):
        return f"{self.at:.3f} {self.topic} {self.payload[:400]!r}{' retained' if self.retained else ''}"


class Player:
    """An MQTT client that hears everything, and plays relays and sensors."""

    def __init__(self, port, protocol="5", name="player", listen="#", qos=1, **login):
        self.heard = []
        self.news = threading.Condition()
        self.relays = {}
        self.readings = {}
        self.readings_lock = threading.Lock()
        self.ended = threading.Event()
        self.subscribed = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, f"{name}-{os.getpid()}", protocol=PROTOCOLS[protocol])
        self.client.on_socket_open = lambda _client, _data, sock: sock.setsockopt(
            socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
        )
        self.client.on_connect = lambda client, *_: client.subscribe(listen, qos=qos)
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self.on_message
        if "tls" in login:
            self.client.tls_set(**login["tls"])
        if "username" in login:
            self.client.username_pw_set(login["username"], login["password"])
        self.client.connect("127.0.0.1", port, keepalive=30)
        self.client.loop_start()
        assert self.subscribed.wait(10), "the broker did not take the player's subscription"
        self.speaker = threading.Thread(target=self.speak, daemon=True)
        self.speaker.start()

    def on_message(self, _client, _data, message):
        """Notes what was said, and lets the relays answer."""
        said = Said(time.monotonic(), message.topic, message.payload, bool(message.retain), message.qos)
        with self.news:
            self.heard.append(said)
            self.news.notify_all()
        relay = self.relays.get(said.topic)
        if relay and said.payload and not said.retained:
            relay(said.payload)

    def speak(self):
        """Sensors report again and again, each time a little different, as real ones do."""
        turn = 0
        while not self.ended.wait(SAYS_EVERY_S):
            turn += 1
            with self.readings_lock:
                for topic, value in self.readings.items():
                    if value is not None:
                        self.client.publish(topic, f"{value + turn % 3 * 0.01:.2f}", qos=1)

    def reads(self, topic, value):
        """From now on the sensor at `topic` reads `value`; `None` silences it. Tells when it was first sent."""
        with self.readings_lock:
            self.readings[topic] = value
            sent = time.monotonic()
            if value is not None:
                self.client.publish(topic, f"{value:.2f}", qos=1)
        return sent

    def publish(self, topic, payload, qos=1, retain=False):
        """Sends one message and waits until the broker has it."""
        sent = time.monotonic()
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10)
        return sent

    def obeys(self, command, state, as_told=lambda payload: payload):
        """Plays a relay that reports `as_told` of each command; `None` says nothing."""

        def relay(payload):
            report = as_told(payload)
            if report is not None:
                self.client.publish(state, report, qos=1)

        self.relays[command] = relay

    def said(self, topic, payload=None, since=0.0):
        """What was said on `topic` after `since`."""
        with self.news:
            return [
                said
                for said in self.heard
                if said.topic == topic and said.at >= since and (payload is None or said.payload == payload.encode())
            ]

    def wait(self, topic, payload=None, within=2.0, since=0.0, suits=lambda said: True, room=None):
        """The first message on `topic` after `since` that suits."""
        deadline = time.monotonic() + within
        seen = 0
        while True:
            with self.news:
                for said in self.heard[seen:]:
                    seen += 1
                    if (
                        said.topic == topic
                        and said.at >= since
                        and (payload is None or said.payload == payload.encode())
                        and suits(said)
                    ):
                        return said
                left = deadline - time.monotonic()
                if left > 0:
                    self.news.wait(left)
                    continue
            wanted = f"{topic} {payload if payload is not None else '(something that suits)'}"
            tail = "\n  ".join(str(said) for said in self.heard[-25:])
            log = f"\nthe daemon said last:\n{room.daemon.tail()}" if room and room.daemon else ""
            raise AssertionError(f"not within {within} s: {wanted}\nheard last:\n  {tail}{log}")

    def never(self, topic, payload, lasting, since=None):
        """Nothing like it is said for `lasting` seconds."""
        since = time.monotonic() if since is None else since
        time.sleep(max(0.0, since + lasting - time.monotonic()))
        found = self.said(topic, payload, since)
        assert not found, f"should not have been said: {found[0]}"

    def close(self):
        """Leaves."""
        self.ended.set()
        self.speaker.join()
        self.client.disconnect()
        self.client.loop_stop()


class Disk:
    """A disk that forgets what was not synced and has faults on demand (see disk.c), under a room's state directory."""

    def __init__(self, room):
        self.state = room.folder / "state"
        self.shadow = room.folder / "shadow"
        self.faults = room.folder / "faults"
        for folder in (self.state, self.shadow, self.faults):
            folder.mkdir(parents=True, exist_ok=True)
        library = room.folder / "disk.so"
        source = pathlib.Path(__file__).with_name("disk.c")
        subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True)
        self.environment = {
            **os.environ,
            "LD_PRELOAD": str(library),
            "DISK_FOLDER": f"{self.state}/",
            "DISK_SHADOW": str(self.shadow),
            "DISK_FAULTS": str(self.faults),
        }

    def has(self, fault):
        """From now on it is `full`, `slow` or `readonly`."""
        (self.faults / fault).touch()

    def heals(self):
        """It works again."""
        for fault in self.faults.iterdir():
            fault.unlink()

    def loses_power(self):
        """What was not synced is gone. Nobody may have a file open."""
        for path in self.state.iterdir():
            if not path.is_socket():
                path.unlink()
        for path in self.shadow.iterdir():
            if not path.name.endswith(".draft"):
                shutil.copy(path, self.state / path.name)


class Daemon:
    """The built program, serving one configuration."""

    def __init__(self, config, log, **process):
        self.log = log
        with log.open("ab") as errors:
            self.process = subprocess.Popen(
                [PROGRAM, "serve", "-c", config], stdout=errors, stderr=errors, stdin=subprocess.DEVNULL, **process
            )

    def tail(self, lines=40):
        """The last it said."""
        return "\n".join(self.log.read_text(errors="replace").splitlines()[-lines:])

    def send(self, number):
        """Sends it a signal."""
        self.process.send_signal(number)

    def is_alive(self):
        """Whether it runs."""
        return self.process.poll() is None

    def stop(self, number=signal.SIGTERM, within=10):
        """Ends it and tells its exit code."""
        self.send(number)
        return self.process.wait(within)


class Room:
    """Broker, player and, once started, the daemon."""

    def __init__(self, folder, protocol="5", broker=None, **login):
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.protocol = protocol
        self.login = login
        self.broker = broker or Broker(folder)
        self.config = folder / "room.toml"
        self.daemon = None
        self.daemons = 0
        self.player = Player(self.broker.port, protocol, **login)

    def write(self, *parts, **site):
        """Writes the configuration."""
        self.config.write_text(house(self, *parts, **site))

    def start(self, **process):
        """Starts the daemon, with what `Popen` takes, and waits until it is online."""
        since = time.monotonic()
        self.daemons += 1
        self.daemon = Daemon(self.config, self.folder / f"daemon-{self.daemons}.log", **process)
        self.wait(f"{OWN}/status", "online", within=10, since=since)
        return since

    def wait_until_stored(self, what):
        """Waits until the safety state on disk says `what`."""
        until(lambda: any(what in record for record in self.journal("SELECT record FROM kept WHERE room = 'safety'")), 5,
              f"{what} is on disk")

    def journal(self, select):
        """The first column of what `select` finds in the journal; nothing where there is none yet."""
        path = self.folder / "state" / "journal.db"
        if not path.exists():
            return []
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
            return [row[0] for row in connection.execute(select)]

    def wait(self, *args, **kwargs):
        """See `Player.wait`."""
        return self.player.wait(*args, room=self, **kwargs)

    def retained(self, listen):
        """What a newcomer who listens to `listen` finds retained, by topic."""
        newcomer = Player(self.broker.port, self.protocol, name="newcomer", listen=listen, qos=0, **self.login)
        try:
            # The broker answers in order: what it keeps for the first subscription comes before the second is granted.
            newcomer.subscribed.clear()
            newcomer.client.subscribe("fence", qos=0)
            assert newcomer.subscribed.wait(10), "the broker answers"
            return {said.topic: said for said in newcomer.heard if said.retained and said.payload}
        finally:
            newcomer.close()

    def alarm(self, enclosure, kind, within=2.0, since=0.0):
        """The document of an alarm that is raised, as it stands retained."""
        topic = f"{OWN}/alarms/{enclosure}/{kind}"
        self.wait(topic, within=within, since=since, suits=lambda said: said.payload)
        found = self.retained(topic).get(topic)
        assert found, f"{topic} was raised and is not retained"
        document = found.json()
        assert document["kind"] == kind
        assert document["text"].strip(), "an alarm says what is the matter"
        datetime.datetime.fromisoformat(document["since"])
        return document

    def heats(self, name="e1", value=25.0, within=3.0):
        """Lets the basking probe read `value`, which is cold, and waits for heat."""
        since = self.player.reads(f"garden/{name}/basking", value)
        return self.wait(f"garden/{name}/heat/set", "ON", within=within, since=since)

    def close(self):
        """Ends everything; no relay command may have stayed with the broker."""
        left = {}
        try:
            if self.broker.process.poll() is None:
                left = {topic for topic in self.retained("garden/#") if topic.endswith("/set")}
        finally:
            if self.daemon and self.daemon.is_alive():
                self.daemon.process.kill()
                self.daemon.process.wait()
            self.player.close()
            self.broker.kill()
        assert not left, f"relay commands are never retained: {left}"


def house(room, *parts, cut=40.0, broker="", site="", url=None, keep_alive="2s"):
    """A configuration: the site, a care sheet whose day is now, and `parts`."""
    now = datetime.datetime.now(datetime.timezone.utc)
    on, off = (now + datetime.timedelta(hours=hours) for hours in (-6, 6))
    url = url or f"mqtt://127.0.0.1:{room.broker.port}"
    return f"""
[site]
name = "{SITE}"
timezone = "Etc/UTC"
latitude = 38.72
longitude = -9.14
accept_commands = true
state_directory = "{room.folder / 'state'}"
{site}

[broker]
url = "{url}"
protocol = "{room.protocol}"
keep_alive = "{keep_alive}"
{broker}

[care.woodland-basker]
uv_zone = 3
basking = {{ day = 32.0, night = 32.0, cut = {cut} }}
photoperiod = {{ follow = "clock", on = "{on:%H:%M}", off = "{off:%H:%M}" }}
""" + "".join(parts)


# A thermostat alone would have to keep the lamp on for `min_on`: an OFF before that is the guard's.
LAMP = """
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
min_on = "10m"
min_off = "0s"
rest = "30s"
"""


def enclosure(name="e1", uvb=True, lamp="", every="1s"):
    """An enclosure with a heat lamp and, where wanted, a UV lamp that is on by day."""
    text = f"""
[[enclosure]]
id = "{name}"
care = "woodland-basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "garden/{name}/basking"
every = "{every}"

[enclosure.lamps.heat]
{LAMP}{lamp}
relay = {{ set = "garden/{name}/heat/set", state = "garden/{name}/heat" }}
"""
    if uvb:
        text += f"""
[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
relay = {{ set = "garden/{name}/uvb/set" }}
"""
    return text


def rack(name="r1", bays="01..20"):
    """A rack of enclosures with a heat lamp each."""
    return f"""
[[rack]]
id = "{name}"
bays = "{bays}"
care = "woodland-basker"

[rack.probes.basking]
measures = "temperature"
topic = "garden/{{rack}}/{{bay}}/basking"
every = "1s"

[rack.lamps.heat]
{LAMP}
relay = {{ set = "garden/{{rack}}/{{bay}}/heat/set", state = "garden/{{rack}}/{{bay}}/heat" }}
"""
