"""Rounds with the hand-held meter from the command line."""

import json
import subprocess

import rig


def lampwarden(room, *arguments):
    """Runs a command with the room's configuration."""
    command = [rig.PROGRAM, *arguments[:2], "-c", room.config, *arguments[2:]]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def spots(room):
    """What `meter spots --json` tells of the one enclosure."""
    told = lampwarden(room, "meter", "spots", "--json")
    assert told.returncode == 0, told.stderr
    return json.loads(told.stdout)[0]


def test_a_reading_is_logged_remembered_over_a_restart_and_judged(room):
    room.start()
    logged = lampwarden(room, "meter", "log", "e1", "basking", "4.2")
    assert logged.returncode == 0, logged.stderr
    assert "within its band" in logged.stdout and "no retreat measured" in logged.stdout
    assert lampwarden(room, "meter", "log", "e1", "cave", "0.1", "--guess").returncode == 0
    before = spots(room)
    assert [(spot["spot"], spot["uvi"], spot["guess"]) for spot in before["spots"]] == [
        ("basking", 4.2, False),
        ("cave", 0.1, True),
    ]
    assert not any(remark["wrong"] for remark in before["remarks"])
    room.daemon.stop()
    room.start()
    assert spots(room) == before


def test_lamps_measured_one_by_one_add_up_and_too_much_is_an_alarm(room):
    room.start()
    for lamp, uvi in (("uvb", "5.5"), ("heat", "3.0")):
        assert lampwarden(room, "meter", "log", "e1", "branch", uvi, "--alone", lamp).returncode == 0
    (spot,) = spots(room)["spots"]
    assert spot["uvi"] == 8.5 and spot["summed"] == ["heat", "uvb"]
    assert any(remark["wrong"] and "above the ceiling" in remark["text"] for remark in spots(room)["remarks"])


def test_lamps_are_listed_a_change_is_logged_and_why_is_answered(room):
    room.start()
    room.heats()
    listed = json.loads(subprocess.run([rig.PROGRAM, "lamps", "-c", room.config, "--json"], capture_output=True, check=True).stdout)
    assert [lamp["lamp"] for lamp in listed] == ["heat", "uvb"] and listed[1]["fitted"] is None
    plain = subprocess.run([rig.PROGRAM, "lamps", "-c", room.config], capture_output=True, text=True, check=True).stdout
    assert plain.splitlines()[0].startswith("lamp ") and len(plain.splitlines()) == 3
    changed = lampwarden(room, "lamps", "changed", "e1", "uvb")
    assert changed.returncode == 0 and "meter log" in changed.stdout
    why = lampwarden(room, "lamps", "why", "e1", "uvb")
    assert why.returncode == 0 and "since it was fitted on" in why.stdout
    room.daemon.stop()
    room.start()
    again = json.loads(subprocess.run([rig.PROGRAM, "lamps", "-c", room.config, "--json"], capture_output=True, check=True).stdout)
    assert again[1]["fitted"] is not None, "a change outlives a restart"
    for alarm, words in (("uv-below-band", "the band is UVI"), ("walk-due", "the meter"), ("lamp-dark", "uvb: ")):
        told = lampwarden(room, "lamps", "why", "e1", alarm)
        assert told.returncode == 0 and told.stdout.startswith(f"{alarm} of e1") and words in told.stdout, told
    odd = lampwarden(room, "lamps", "why", "e1", "sun")
    assert odd.returncode == 2 and "there are heat, uvb" in odd.stderr


def test_what_cannot_be_logged_is_refused_in_words(room):
    alone = lampwarden(room, "meter", "log", "e1", "basking", "4.2")
    assert alone.returncode == 2 and "no daemon runs" in alone.stderr
    room.start()
    for arguments, words in (
        (("e2", "basking", "4.2"), 'did you mean "e1"'),
        (("e1", "basking", "-1"), "unexpected argument"),
        (("e1", "basking", "four"), "a UV index as the meter shows it"),
        (("e1", "basking", "4.2", "--alone", "sun"), 'no lamp "sun"'),
        (("e1", " ", "4.2"), "spot"),
    ):
        refused = lampwarden(room, "meter", "log", *arguments)
        assert refused.returncode == 2 and words in refused.stderr, (arguments, refused.stderr)


def test_the_height_for_a_band_is_told_from_two_readings():
    # A lamp whose UV falls with the square of the distance (inverse-square law): 16 at 10 cm is 4 at 20 cm and 1 at 40 cm.
    command = [rig.PROGRAM, "meter", "height", "--at", "10cm=16", "--at", "20cm=4", "--at", "40cm=1", "--json"]
    told = subprocess.run([*command, "--low", "1.78", "--high", "7.11"], capture_output=True, text=True, timeout=30, check=True)
    heights = json.loads(told.stdout)
    assert abs(heights["nearest"]["m"] - 0.15) < 0.005 and abs(heights["farthest"]["m"] - 0.30) < 0.01, heights
    one = subprocess.run(command[:5] + ["--zone", "3"], capture_output=True, text=True, timeout=30, check=False)
    assert one.returncode == 2 and "measure nearer and farther" in one.stderr
