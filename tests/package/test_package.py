"""The Debian package in a Debian: one machine, one story. Each test goes on where the one before it ended.

A stranger follows `deploy/first-hour.md` to the letter with the older package, upgrades, goes back, leaves, and tries it by
hand. The
package of the older version is of the same sources; only its number is lower.
"""

import json
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
# All that the keeper wrote.
BELONGINGS = f"find {CONFIG} -type f -exec sha256sum {{}} + | sort -k2; stat -c '%n %U:%G %a' {CONFIG}/*"


@pytest.fixture(scope="module", name="debian")
def _debian():
    for package in (OLDER, NEWER):
        assert package.is_file(), f"{package} is not built; tests/run does"
    debian = machine.Machine()
    yield debian
    debian.stop()


def page(name, whole=True):
    """The commands under each heading of a page, in order: joined, or a list of blocks."""
    _, *sections = re.split(r"^## ", (DEPLOY / name).read_text(), flags=re.MULTILINE)
    found = {}
    for section in sections:
        heading = section.splitlines()[0]
        blocks = re.findall(r"^```sh\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
        found[heading] = "".join(blocks) if whole else blocks
    return found


def guide():
    """The commands of the guide, with shorter waits."""
    script = "".join(page("first-hour.md").values())
    for wait, shorter in SHORTER.items():
        assert wait in script
        script = script.replace(wait, shorter)
    return script


def property_of(debian, name):
    """A property of the service as systemd tells it."""
    return debian.run(f"systemctl show --value --property {name} lampwarden").strip()


def process(debian):
    """Its process id in there."""
    return property_of(debian, "MainPID")


def version(debian):
    """The package that is installed."""
    return debian.run("dpkg-query -f '${Version}' -W lampwarden")


def is_latched(debian):
    """Whether the daemon says that both guards of the enclosure are."""
    listen = "mosquitto_sub -u keeper -P $(cat ~/keeper.password) -t lampwarden/garden-room/e1/state -C 1 -W 10"
    state = json.loads(debian.run(listen, user="keeper"))
    assert len(state["interlocks"]) == len(HEATERS)
    return all(interlock["state"] == "latched" for interlock in state["interlocks"].values())


def reads(debian, degrees):
    """What both temperature probes read from now on."""
    debian.run(f"echo {degrees} | tee /run/devices/basking /run/devices/leaves")


def heaters(debian):
    """What the relays of the two heaters, one for the day and one for the night, were told last."""
    return debian.run(f"cd /run/devices; tail -qn1 {' '.join(HEATERS)}").split()


def test_a_stranger_follows_the_guide_from_a_bare_board_to_a_guarded_lamp(debian):
    debian.run("useradd --create-home keeper; echo 'keeper ALL=(ALL) NOPASSWD: ALL' >/etc/sudoers.d/keeper")
    debian.put("/usr/local/bin/edit", EDIT, 0o755)
    debian.copy(OLDER, "/home/keeper/lampwarden_older.deb")
    debian.put("/run/devices/uv", "2\n")
    reads(debian, 15)
    debian.run("cd /run/devices; echo OFF | tee heat night uvb")
    debian.put("/run/devices.sh", (pathlib.Path(__file__).parent / "devices.sh").read_text())
    # They come onto the network once the broker lets them in.
    debian.starts("until [ -s /etc/mosquitto/certs/broker.key ] && mosquitto_pub -p 8883 --cafile"
                  f" {CONFIG}/certificates/ca.pem --cert {CONFIG}/certificates/sensor-e1.pem"
                  f" --key {CONFIG}/certificates/sensor-e1.key -t garden/e1/uv -m 2; do sleep 0.2; done; . /run/devices.sh")
    said = debian.run(f"set -x\n{guide()}", user="keeper", within=120)
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
    }.items():
        assert debian.run(f"stat -c '%U:%G %a' {path}").strip() == stands, path
    for path in ("man/man1/lampwarden.1.gz", "man/man1/lampwarden-meter-log.1.gz", "bash-completion/completions/lampwarden",
                 "zsh/vendor-completions/_lampwarden", "fish/vendor_completions.d/lampwarden.fish"):  # fmt: skip
        debian.run(f"test -s /usr/share/{path}")
    completed = ". /usr/share/bash-completion/completions/lampwarden; COMP_WORDS=(lampwarden alm); COMP_CWORD=1;"
    assert debian.run(f"{completed} _lampwarden lampwarden alm lampwarden; echo ${{COMPREPLY[@]}}") == "almanac\n"
    debian.run("dpkg --verify lampwarden")


def test_every_example_that_is_shipped_passes(debian):
    examples = debian.run(f"ls {DOCUMENTS}/config/*.toml").split()
    assert len(examples) == 3
    for example in examples:
        debian.run(f"lampwarden check -c {example}", user="keeper")
    debian.run(f"lampwarden rehearse {DOCUMENTS}/simulations/relay-welds-at-noon.toml", user="keeper")


def test_the_service_is_locked_in_while_it_runs(debian):
    exposure = debian.run("systemd-analyze security --no-pager lampwarden | tail -n1")
    figure = float(re.search(r"Overall exposure level for lampwarden.service: ([0-9.]+)", exposure)[1])
    assert figure <= 1.5, exposure
    status = debian.run(f"cat /proc/{property_of(debian, 'MainPID')}/status")
    for line in ("CapBnd:\t0000000000000000", "NoNewPrivs:\t1", "Seccomp:\t2"):
        assert line in status
    assert property_of(debian, "WatchdogUSec") == "15s"


def test_nobody_says_on_the_network_what_is_not_theirs(debian):
    keys = f"{CONFIG}/certificates"
    say = f"mosquitto_pub -p 8883 -q 1 --cafile {keys}/ca.pem"
    for name, topic in (("sensor-e1", "garden/e1/heat/set"), ("relay-e1", "garden/e1/heat/set"),
                        ("relay-e1", "garden/e1/basking"), ("sensor-e1", "lampwarden/garden-room/do/e1/reset")):  # fmt: skip
        debian.run(f"{say} --cert {keys}/{name}.pem --key {keys}/{name}.key -i stranger-{name} -t {topic} -m STRANGE",
                   check=False)  # fmt: skip
        log = debian.run("cat /var/log/mosquitto/mosquitto.log")
        assert "STRANGE" not in debian.run("cat /run/devices/*.told"), f"{name} spoke on {topic}: {log}"
    # Without a certificate of ours nobody is let in, whatever they know.
    for login in ("", "-u lampwarden -P $(cat /etc/lampwarden/broker.password)"):
        refused = debian.run(f"{say} {login} -t garden/e1/heat/set -m STRANGE && echo let in || echo refused")
        assert refused.splitlines()[-1] == "refused"
    refused = debian.run("mosquitto_pub -p 1883 -t garden/e1/heat/set -m STRANGE && echo let in || echo refused")
    assert refused.splitlines()[-1] == "refused"


def test_a_hot_reading_ends_heat_and_latches(debian):
    debian.until(lambda: heaters(debian).count("ON") == 1, 60, "what heats at this hour is on")
    # Above the limit of every guard in the example: once is enough.
    reads(debian, 60)
    debian.until(lambda: heaters(debian) == ["OFF", "OFF"], 5, "no heater is on")
    debian.until(lambda: is_latched(debian), 10, "both guards are latched")
    reads(debian, 15)


def test_a_hanging_daemon_is_started_anew_and_stays_latched(debian):
    before = process(debian)
    debian.run(f"kill -STOP {before}")
    debian.until(lambda: property_of(debian, "NRestarts") == "1", 40, "the watchdog has seen it")
    debian.until(lambda: property_of(debian, "ActiveState") == "active", 20, "it runs again")
    assert process(debian) != before
    debian.until(lambda: is_latched(debian), 10, "both guards are latched")


def test_an_upgrade_that_refuses_the_configuration_leaves_the_running_daemon_alone(debian):
    before = process(debian)
    debian.copy(NEWER, "/home/keeper/newer/lampwarden_newer.deb")
    debian.copy(OLDER, "/home/keeper/older/lampwarden_older.deb")
    debian.run(f"echo 'no_such_key = 1' >{CONFIG}/zz.toml")
    said = debian.run("dpkg --install /home/keeper/newer/lampwarden_newer.deb")
    assert "this version refuses the configuration" in said and "no_such_key" in said
    assert process(debian) == before and property_of(debian, "ActiveState") == "active"
    debian.run(f"rm {CONFIG}/zz.toml; dpkg --install /home/keeper/older/lampwarden_older.deb")


def test_an_upgrade_keeps_what_the_keeper_wrote_and_what_is_remembered(debian):
    before = debian.run(BELONGINGS)
    steps = page("upgrade.md")
    debian.run(steps["Before"], user="keeper")
    running = process(debian)
    said = debian.run(steps["Upgrading"], user="keeper")
    assert "Active: active (running)" in said and version(debian).startswith("0.1.")
    assert process(debian) != running
    assert debian.run(BELONGINGS) == before
    assert debian.run("systemctl is-enabled lampwarden").strip() == "enabled"
    debian.until(lambda: is_latched(debian), 10, "both guards are latched")


def test_the_way_back_is_the_older_package_and_the_backup(debian):
    before = debian.run(BELONGINGS)
    # As a newer program leaves it: the version stands in the four bytes from byte 60 on (SQLite's file format, 1.3).
    debian.run("systemctl stop lampwarden")
    debian.run(f"printf '\\0\\0\\0\\143' | dd of={STATE}/journal.db bs=1 seek=60 conv=notrunc status=none")
    back, restore = page("upgrade.md", whole=False)["Going back"]
    said = debian.run(back, user="keeper")
    assert version(debian) == "0.0.9-1"
    debian.until(lambda: "a newer lampwarden wrote it" in debian.run("journalctl --no-pager -n 20 -u lampwarden"), 10, said)
    assert "Active: active (running)" in debian.run(restore, user="keeper")
    assert debian.run(BELONGINGS) == before
    debian.until(lambda: is_latched(debian), 10, "both guards are latched")


def test_removing_stops_the_service_and_keeps_what_the_keeper_has(debian):
    debian.run("apt remove -y lampwarden")
    assert property_of(debian, "ActiveState") == "inactive"
    debian.run(f"test -s {CONFIG}/room.toml && test -s {STATE}/journal.db && ! test -e /usr/bin/lampwarden")


def test_purging_leaves_nothing_behind(debian):
    debian.run("apt purge -y lampwarden")
    # What the guide had the keeper put elsewhere is the keeper's.
    theirs = "^(/home/keeper/|/etc/mosquitto/|/var/backups/|/var/log/|/var/cache/)"
    left = debian.run(f"find / -xdev -iname '*lampwarden*' | grep -vE '{theirs}' || true")
    assert left == ""
    assert debian.run("getent passwd lampwarden || getent group lampwarden || echo nobody").strip() == "nobody"
    assert "lampwarden" not in debian.run("systemctl list-unit-files --no-pager")
    assert "lampwarden" not in debian.run("dpkg --get-selections")


def test_it_can_be_installed_by_hand(debian):
    cargo, *steps = page("README.md", whole=False)["The package"][1].splitlines()
    assert cargo == "cargo build --release"
    debian.run("dpkg-deb -x newer/lampwarden_newer.deb unpacked; mkdir -p target/release deploy;"
               "cp unpacked/usr/bin/lampwarden target/release/;"
               "cp unpacked/usr/lib/systemd/system/lampwarden.service deploy/", user="keeper")  # fmt: skip
    debian.run("\n".join(steps), user="keeper")
    debian.run(f"cp /var/backups/lampwarden-etc/room.toml {CONFIG}/; sed -i '/^username/d; /^password_file/d' {CONFIG}/room.toml")
    # The broker lets nobody in without a password now; the daemon is ready all the same, and goes on asking.
    debian.run("systemctl start lampwarden", within=30)
    assert property_of(debian, "ActiveState") == "active"
