"""A cooling season held back and broken off from outside, and what lamps drew, told by the program that a keeper runs."""

import datetime
import json
import time

import rig
from test_people import lampwarden, opened, web

COOLED = """
[care.tortoise]
uv_zone = 3
cooling_season = "may"
basking = {{ day = 26.0, night = 16.0, cut = 38.0, limit = 42.0 }}
photoperiod = {{ follow = "clock", on = "07:00", off = "19:00" }}

[care.tortoise.cooling]
start = "{start:%m-%d}"
down = "20d"
stay = "40d"
up = "20d"
day_length = "8h"
basking = {{ day = 12.0, night = 8.0 }}
spot = "basking"
"""


def prepared(room, days_ago):
    """A room whose cooling season was to begin so many days ago; today's date, after it has been seen to hold for a while."""
    now = datetime.datetime.now(datetime.timezone.utc)
    if now.hour == 23 and now.minute >= 58:
        time.sleep(125)
        now = datetime.datetime.now(datetime.timezone.utc)
    today = now.date()
    start = today - datetime.timedelta(days=days_ago)
    port = rig.free_port()
    enclosure = rig.enclosure().replace("woodland-basker", "tortoise")
    room.write(COOLED.format(start=start), enclosure, web(port).split("public_url")[0])
    return today, start, f"http://127.0.0.1:{port}"


def seasons(room):
    """What `season --json` says of the one enclosure."""
    done = lampwarden("season", "-c", room.config, "--json")
    assert done.returncode == 0, done.stderr
    (only,) = json.loads(done.stdout)
    assert only["enclosure"] == "e1", only
    return only["season"]


def test_a_season_is_held_over_a_kill_goes_on_and_is_broken_off(room):
    today, start, url = prepared(room, days_ago=2)
    room.start()
    room.player.reads("garden/e1/basking", 25.0)
    rig.until(lambda: seasons(room)["phase"] == "way down", 5, "the season begins")
    begun = seasons(room)
    # Two days late: the way down takes all its time from today, and the way up comes when it was planned.
    assert (begun["begun"], begun["start"]) == (str(today), str(start)), begun
    assert begun["up_from"] == str(start + datetime.timedelta(days=60)), begun
    held = lampwarden("season", "hold", "-c", room.config, "e1")
    assert held.returncode == 0 and "held back by a person" in held.stdout, (held.stdout, held.stderr)
    assert "veterinarian" in held.stdout
    room.daemon.process.kill()
    room.daemon.process.wait()
    room.start()
    rig.until(lambda: seasons(room)["held"], 5, "it is held after a kill")
    assert seasons(room)["begun"] == str(today)
    document = room.retained(f"{rig.OWN}/e1/state")[f"{rig.OWN}/e1/state"].json()
    assert document["season"]["held"] is True, document
    assert lampwarden("season", "go-on", "-c", room.config, "e1").returncode == 0
    assert seasons(room)["held"] is False
    def almanac(words, is_cold):
        code, _, page = opened(f"{url}/almanac")
        return code == 200 and words in page and ('class="cold"' in page) == is_cold

    rig.until(lambda: almanac("on the way down since", True), 5, "the page shows the season")
    broken = lampwarden("season", "break-off", "-c", room.config, "e1")
    assert broken.returncode == 0 and "a person broke it off" in broken.stdout, (broken.stdout, broken.stderr)
    assert seasons(room)["phase"] in ("way up", "over")
    # Broken off on its first day it has cooled nothing. What may still be drawn cold is the season of a year before, as
    # planned: 80 days, the last of which is all but warm.
    before = (start - datetime.timedelta(days=365 - 78)).year == today.year
    rig.until(lambda: almanac("a person broke it off", before), 5, "the page shows that it is over")
    acts = [json.loads(act) for act in room.journal("SELECT act FROM acts")]
    assert [(act["act"], act["do"]) for act in acts] == [("season", do) for do in ("hold", "go-on", "break-off")], acts
    # What the journal tells can be played again.
    replayed = lampwarden("replay", "-c", room.config, room.folder / "state" / "journal.db")
    assert replayed.returncode == 0, replayed.stderr


def test_who_has_no_season_is_told_so(room):
    room.start()
    refused = lampwarden("season", "hold", "-c", room.config, "e1")
    assert refused.returncode == 2 and "no cooling season" in refused.stderr, refused.stderr
    listed = lampwarden("season", "-c", room.config)
    assert listed.returncode == 0 and "has a cooling season" in listed.stdout, listed.stdout


def test_what_a_lamp_drew_is_its_power_times_the_time_it_was_on(room):
    # 1.5 kW so that seconds count. By hand: kWh = 1.5 × hours; the price is 0.40 for each.
    enclosure = rig.enclosure(uvb=False).replace("watts = 75", "watts = 1500")
    room.write(enclosure, '\n[tariff]\nprice = 0.4\ncurrency = "EUR"\n')
    room.start()
    on = room.heats()
    time.sleep(3)
    since = room.player.reads("garden/e1/basking", 41.0)
    off = room.wait("garden/e1/heat/set", "OFF", since=since)
    lit = (off.at - on.at) / 3600

    def told():
        done = lampwarden("energy", "-c", room.config, "--json")
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    rig.until(lambda: told()["lamps"][-1]["hours"] > 0, 5, "the switches are in the journal")
    (lamp,) = told()["lamps"]
    assert lamp["lamp"] == "heat" and abs(lamp["hours"] - lit) < 0.2 / 3600 + 1e-4, (lamp, lit)
    assert abs(lamp["kwh"] - 1.5 * lit) < 3e-4 and lamp["how"] == "reckoned", (lamp, lit)
    assert abs(lamp["cost"] - 0.4 * lamp["kwh"]) < 1e-4, lamp
    table = lampwarden("energy", "-c", room.config)
    assert table.returncode == 0 and "EUR" in table.stdout and "e1/heat" in table.stdout, table.stdout
