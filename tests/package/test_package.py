"""The Debian package in a Debian: one machine, one story. Each test goes on where the one before it ended.

A stranger follows `deploy/first-hour.md` to the letter with the older package, upgrades, goes back, and leaves. The
package of the older version is of the same sources; only its number is lower.
"""

import pathlib
import re

import machine
import pytest

DEPLOY = machine.HOUSE / "deploy"
OLDER, NEWER = machine.TARGET / "older.deb", machine.TARGET / "newer.deb"
CONFIG, STATE = "/etc/lampwarden", "/var/lib/lampwarden"
DOCUMENTS = "/usr/share/doc/lampwarden"
# What a person's waits are cut down to, and a full house of devices that need no minute to speak.
SHORTER = {"--for 90s": "--for 6s", "timeout 60": "timeout 3"}
# What the guide says to change in the example.
EDIT = r"""#!/bin/sh
exec sed -i 's/^# \(username\|password_file\)/\1/' "$1"
"""
HEATERS = ("heat", "night")


@pytest.fixture(scope="module", name="debian")
def _debian():
    for package in (OLDER, NEWER):
        assert package.is_file(), f"{package} is not built; tests/run does"
    debian = machine.Machine()
    yield debian
    debian.stop()


def guide():
    """The commands of the guide, in order."""
    blocks = re.findall(r"^```sh\n(.*?)^```$", (DEPLOY / "first-hour.md").read_text(), re.MULTILINE | re.DOTALL)
    script = "".join(blocks)
    for wait, shorter in SHORTER.items():
        assert wait in script
        script = script.replace(wait, shorter)
    return script


def property_of(debian, name):
    """A property of the service as systemd tells it."""
    return debian.run(f"systemctl show --value --property {name} lampwarden").strip()


def state(debian):
    """What the daemon says of the enclosure."""
    return debian.run(
        "mosquitto_sub -u keeper -P $(cat ~/keeper.password) -t lampwarden/garden-room/e1/state -C 1 -W 10", user="keeper"
    )


def reads(debian, degrees):
    """What both temperature probes read from now on."""
    debian.run(f"echo {degrees} | tee /run/devices/basking /run/devices/leaves")


def heaters(debian):
    """What the relays of the two heaters, one for the day and one for the night, were told last."""
    return debian.run("cd /run/devices; tail -qn1 heat night").split()


def test_a_stranger_follows_the_guide_from_a_bare_board_to_a_guarded_lamp(debian):
    debian.run("useradd --create-home keeper; echo 'keeper ALL=(ALL) NOPASSWD: ALL' >/etc/sudoers.d/keeper")
    debian.put("/usr/local/bin/edit", EDIT, 0o755)
    debian.copy(OLDER, "/home/keeper/lampwarden_older.deb")
    debian.put("/run/devices/uv", "2\n")
    reads(debian, 20)
    debian.run("cd /run/devices; echo OFF | tee heat night uvb")
    debian.put("/run/devices.sh", (pathlib.Path(__file__).parent / "devices.sh").read_text())
    # They come onto the network once the broker lets them in.
    debian.starts("until [ -s /etc/mosquitto/certs/broker.key ] && mosquitto_pub -p 8883 --cafile"
                  f" {CONFIG}/certificates/ca.pem --cert {CONFIG}/certificates/sensor-e1.pem"
                  f" --key {CONFIG}/certificates/sensor-e1.key -t garden/e1/uv -m 2; do sleep 0.2; done; . /run/devices.sh")
    said = debian.run(f"set -x; cd ~\n{guide()}", user="keeper", within=120)
    for sign in ("Time zone: Europe/Lisbon", "lampwarden 0.1", "all is well", "relay worked", "Active: active (running)"):
        assert sign in said, f"{sign!r} is not in:\n{said}"
    assert '"e1"' in said or '"lamps"' in said, said


def test_everything_is_where_it_belongs(debian):
    debian.run("getent passwd lampwarden | grep '^lampwarden:x:[0-9]\\{3\\}:.*:/usr/sbin/nologin$'")
    for path, stands in {
        "/usr/bin/lampwarden": "root:root 755",
        "/usr/lib/systemd/system/lampwarden.service": "root:root 644",
        f"{CONFIG}": "root:root 755",
        f"{CONFIG}/broker.password": "root:lampwarden 640",
        f"{STATE}": "lampwarden:lampwarden 700",
        f"{STATE}/journal.db": "lampwarden:lampwarden 600",
    }.items():
        assert debian.run(f"stat -c '%U:%G %a' {path}").strip() == stands, path
    for path in ("man/man1/lampwarden.1.gz", "man/man1/lampwarden-meter-log.1.gz", "bash-completion/completions/lampwarden",
                 "zsh/vendor-completions/_lampwarden", "fish/vendor_completions.d/lampwarden.fish"):  # fmt: skip
        debian.run(f"test -s /usr/share/{path}")
    debian.run("dpkg --verify lampwarden")


def test_every_example_that_is_shipped_passes(debian):
    examples = debian.run(f"ls {DOCUMENTS}/config/*.toml").split()
    assert len(examples) == 3
    for example in examples:
        debian.run(f"lampwarden check -c {example}", user="keeper")
    debian.run(f"lampwarden rehearse {DOCUMENTS}/simulations/probe-freezes.toml || "
               f"lampwarden rehearse $(ls {DOCUMENTS}/simulations/*.toml | head -n1)", user="keeper")


def test_the_service_is_locked_in_while_it_runs(debian):
    exposure = debian.run("systemd-analyze security --no-pager lampwarden | tail -n1")
    figure = float(re.search(r"Overall exposure level for lampwarden.service: ([0-9.]+)", exposure)[1])
    assert figure <= 1.5, exposure
    status = debian.run(f"cat /proc/{property_of(debian, 'MainPID')}/status")
    for line in ("CapBnd:\t0000000000000000", "NoNewPrivs:\t1", "Seccomp:\t2"):
        assert line in status
    assert property_of(debian, "WatchdogUSec") == "15s"


def test_a_hot_reading_ends_heat_and_latches(debian):
    reads(debian, 20)
    debian.until(lambda: heaters(debian).count("ON") == 1, 30, "what heats at this hour is on")
    # Above the limit of every guard in the example: once is enough.
    reads(debian, 60)
    debian.until(lambda: heaters(debian) == ["OFF", "OFF"], 5, "no heater is on")
    debian.until(lambda: "latched" in state(debian) or "person" in state(debian), 5, "the guard is latched")
    reads(debian, 20)


def test_a_hanging_daemon_is_started_anew_and_stays_latched(debian):
    before = property_of(debian, "MainPID")
    debian.run(f"kill -STOP {before}")
    debian.until(lambda: property_of(debian, "NRestarts") == "1", 40, "the watchdog has seen it")
    debian.until(lambda: property_of(debian, "ActiveState") == "active", 20, "it runs again")
    assert property_of(debian, "MainPID") != before
    assert heaters(debian) == ["OFF", "OFF"]


def test_an_upgrade_that_refuses_the_configuration_leaves_the_running_daemon_alone(debian):
    before = property_of(debian, "MainPID")
    debian.run(f"echo 'no_such_key = 1' >{CONFIG}/zz.toml")
    debian.copy(NEWER, "/home/keeper/newer/lampwarden.deb")
    said = debian.run("dpkg --install /home/keeper/newer/lampwarden.deb")
    assert "this version refuses the configuration" in said and "no_such_key" in said
    assert property_of(debian, "MainPID") == before
    debian.run(f"rm {CONFIG}/zz.toml")


def test_an_upgrade_keeps_what_the_keeper_wrote_and_what_is_remembered(debian):
    before = property_of(debian, "MainPID")
    kept = debian.run(f"sha256sum {CONFIG}/room.toml {CONFIG}/broker.password")
    debian.run("dpkg --install /home/keeper/newer/lampwarden.deb")
    assert property_of(debian, "ActiveState") == "active" and property_of(debian, "MainPID") != before
    assert debian.run(f"sha256sum {CONFIG}/room.toml {CONFIG}/broker.password") == kept
    assert debian.run("dpkg-query -f '${Version}' -W lampwarden").startswith("0.1.")
    assert debian.run("systemctl is-enabled lampwarden").strip() == "enabled"
