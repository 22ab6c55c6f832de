"""The command line and reloading."""

import datetime
import json
import pathlib
import re
import signal
import subprocess
import time

import pytest
import rig

EXAMPLES = sorted((pathlib.Path(__file__).parents[2] / "config").glob("*.toml"))


def lampwarden(*arguments, within=30):
    """Runs the program to its end."""
    return subprocess.run([rig.PROGRAM, *arguments], capture_output=True, text=True, timeout=within, check=False)


def test_a_reload_that_is_refused_changes_nothing_and_is_told(room):
    room.start()
    room.heats()
    good = room.config.read_text()
    since = time.monotonic()
    room.config.write_text(good.replace("cut = 40.0", "cut = 20.0").replace('"Etc/UTC"', '"Etc/Nowhere"'))
    room.daemon.send(signal.SIGHUP)
    alarm = room.alarm("site", "config-refused", since=since)
    assert "room.toml" in alarm["text"]
    room.player.never("garden/e1/heat/set", "OFF", lasting=1.5, since=since)
    assert room.daemon.is_alive()
    # The old cut still stands.
    sent = room.player.reads("garden/e1/basking", 40.2)
    room.wait("garden/e1/heat/set", "OFF", since=sent)
    # A file that is right again ends the alarm.
    since = time.monotonic()
    room.config.write_text(good)
    room.daemon.send(signal.SIGHUP)
    room.wait(f"{rig.OWN}/alarms/site/config-refused", "", since=since)


def test_a_reload_that_is_taken_keeps_lamps_and_has_its_way(room):
    room.start()
    room.heats()
    since = time.monotonic()
    room.config.write_text(room.config.read_text().replace("cut = 40.0", "cut = 36.0") + rig.enclosure("e2"))
    room.daemon.send(signal.SIGHUP)
    room.heats("e2", within=5)
    assert not room.player.said("garden/e1/heat/set", "OFF", since), "a lamp that was on stays on"
    assert not room.player.said("garden/e1/uvb/set", "OFF", since)
    sent = room.player.reads("garden/e1/basking", 36.5)
    room.wait("garden/e1/heat/set", "OFF", since=sent)
    assert "36.0" in room.alarm("e1", "over-temperature", since=sent)["text"]


def test_a_trip_outlasts_a_reload(room):
    room.start()
    room.heats()
    sent = room.player.reads("garden/e1/basking", 40.2)
    room.wait("garden/e1/heat/set", "OFF", since=sent)
    room.player.reads("garden/e1/basking", 25.0)
    since = time.monotonic()
    room.daemon.send(signal.SIGHUP)
    room.player.never("garden/e1/heat/set", "ON", lasting=3, since=since)


def test_two_faults_are_two_findings_and_nothing_starts(room):
    wrong = room.config.read_text().replace('"Etc/UTC"', '"Etc/Nowhere"').replace('warms = "basking"', 'warm = "basking"')
    room.config.write_text(wrong)
    lines = {text: number for number, line in enumerate(wrong.splitlines(), 1) for text in ("Nowhere", "warm =") if text in line}
    for command in ("serve", "check"):
        done = lampwarden(command, "-c", room.config)
        assert done.returncode == 2, done.stderr
        # What `check` was asked for goes to standard output; what keeps `serve` from starting is an error.
        findings = done.stdout if command == "check" else done.stderr
        for text, number in lines.items():
            assert re.search(rf"room\.toml:{number}:\d+", findings), f"{text} is in line {number}:\n{findings}"
        assert "warms" in findings, "the nearest known key is named"
    assert f"as lampwarden-{rig.SITE}" not in room.broker.log.read_text(), "nothing was started"


def test_a_file_that_is_not_there_is_told_by_name(tmp_path):
    done = lampwarden("serve", "-c", tmp_path / "absent.toml")
    assert done.returncode == 2
    assert "absent.toml" in done.stderr


def test_check_says_yes_to_what_serve_takes(room):
    done = lampwarden("check", "-c", room.config)
    assert done.returncode == 0, done.stderr
    listed = lampwarden("check", "--json", "-c", room.config)
    assert listed.returncode == 0
    json.loads(listed.stdout)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.name)
def test_every_example_is_right(example):
    done = lampwarden("check", "-c", example)
    assert done.returncode == 0, done.stderr


def test_there_are_examples():
    assert len(EXAMPLES) >= 3


def test_the_almanac_tells_days_ahead(room):
    done = lampwarden("almanac", "-c", room.config, "--from", "2026-03-01", "--days", "3", "--format", "json")
    assert done.returncode == 0, done.stderr
    days = json.loads(done.stdout)
    assert [day["date"] for day in days] == ["2026-03-01", "2026-03-02", "2026-03-03"]
    keys = {"enclosure", "date", "lights_on", "lights_off", "day_length_min", "sunrise", "sunset"}
    for day in days:
        assert keys <= day.keys()
        on, off = (datetime.datetime.fromisoformat(day[key]) for key in ("lights_on", "lights_off"))
        assert off - on == datetime.timedelta(hours=12) and day["day_length_min"] == 720
        assert on.tzinfo is not None


def test_the_demonstration_needs_nothing_and_ends_by_itself():
    done = lampwarden("demo", "--past", "1", "--for", "10s")
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) >= 6, "six enclosures have something to tell"
    assert "\x1b" not in done.stdout, "plain lines where there is no terminal"


def test_help_names_the_commands_in_the_order_of_the_job():
    text = lampwarden("--help").stdout
    places = [re.search(rf"^\s+{command}\b", text, re.MULTILINE) for command in ("demo", "serve", "check", "almanac", "wiring", "replay", "history", "report")]
    assert all(places), text
    assert [place.start() for place in places] == sorted(place.start() for place in places)


def test_unusable_arguments_are_exit_2():
    assert lampwarden("serve").returncode == 2
    assert lampwarden("no-such-command").returncode == 2
