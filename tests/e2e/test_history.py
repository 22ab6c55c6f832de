"""The journal written out, readings taken in, backups: also while a daemon writes. The rows come from SQL, and are read back
by Python's own csv and json, and by duckdb."""

import csv
import datetime
import io
import json
import os
import shutil
import sqlite3
import subprocess

import duckdb
import ledger
import pytest
import rig


def lampwarden(*arguments, within=120):
    """Runs a command to its end."""
    return subprocess.run([rig.PROGRAM, *map(str, arguments)], capture_output=True, text=True, timeout=within, check=False)


class Place:
    """A configuration and its journal."""

    def __init__(self, folder):
        self.folder = folder
        self.state = folder / "state"
        self.journal = self.state / "journal.db"
        self.config = folder / "room.toml"
        self.config.write_text(ledger.CONFIG.format(state=self.state, port=1))

    def history(self, *arguments, good=True):
        """Runs `history`; its standard output, and its words beside it."""
        done = lampwarden("history", "-c", self.config, *arguments)
        assert not good or done.returncode == 0, done.stderr
        return done

    def rows(self, *arguments):
        """What it writes as CSV."""
        return list(csv.DictReader(io.StringIO(self.history(*arguments).stdout)))


@pytest.fixture(name="filled", scope="module")
def _filled(tmp_path_factory):
    """Ninety days of one enclosure, and the minutes they were made of."""
    place = Place(tmp_path_factory.mktemp("filled"))
    return place, ledger.ninety_days(place.journal)


@pytest.fixture(name="place")
def _place(tmp_path):
    """A configuration without a journal."""
    return Place(tmp_path)


def test_three_formats_tell_the_same_rows_with_the_same_types(filled, tmp_path):
    place, _ = filled
    asked = ("--enclosure", "e1", "--probe", "basking", "--from", "2025-03-29", "--to", "2025-03-31")
    told = place.rows(*asked)
    lines = [json.loads(line) for line in place.history(*asked, "--format", "jsonl").stdout.splitlines()]
    path = tmp_path / "hours.parquet"
    assert place.history(*asked, "--format", "parquet", "--output", path).stdout == ""
    query = duckdb.sql(f"SELECT *, epoch_ms(time) AS ms FROM '{path}' ORDER BY time")
    types = dict(zip(query.columns, map(str, query.types)))
    table = [dict(zip(query.columns, row)) for row in query.fetchall()]
    # Lisbon skips an hour on 30 March 2025 (last Sunday of March, EU directive 2000/84/EC): 71 hours in these days.
    assert len(told) == len(lines) == len(table) == 71
    assert types["time"] == "TIMESTAMP WITH TIME ZONE" and types["mean"] == "DOUBLE" and types["good"] == "BIGINT" and types["unit"] == "VARCHAR"
    for text, line, row in zip(told, lines, table):
        assert list(line) == list(text) == [name for name in row if name != "ms"]
        at = datetime.datetime.fromisoformat(text["time"])
        assert at == datetime.datetime.fromisoformat(line["time"]) and at.timestamp() * 1000 == row["ms"]
        assert at.utcoffset() == datetime.datetime.fromtimestamp(at.timestamp(), ledger.ZONE).utcoffset()
        for name in ("mean", "low", "high"):
            assert float(text[name]) == line[name] == row[name]
        for name in ("good", "bad", "covered_min"):
            assert int(text[name]) == line[name] == row[name]
        assert (text["quantity"], line["unit"], row["enclosure"]) == ("temperature", "°C", "e1")


def test_minutes_hours_and_days_are_those_that_were_written(filled):
    place, rows = filled
    zone = ledger.ZONE
    written = {row[0]: row for row in rows["leaves"]}
    minutes = place.rows("--probe", "leaves", "--resolution", "minute")
    assert len(minutes) > 34 * 1440
    for row in minutes[:: 997]:
        minute = int(datetime.datetime.fromisoformat(row["time"]).timestamp()) // 60
        _, mean, low, high, good, bad = written[minute]
        assert [float(row[name]) for name in ("mean", "low", "high")] == [mean, low, high]
        assert (int(row["good"]), int(row["bad"]), int(row["covered_min"])) == (good, bad, 1)
    hours = {int(datetime.datetime.fromisoformat(row["time"]).timestamp()) // 3600: row for row in place.rows("--probe", "leaves")}
    expected = {hour[0]: hour for hour in ledger.hourly(rows["leaves"])}
    assert hours.keys() == expected.keys()
    for number, (_, mean, low, high, good, bad, covered) in expected.items():
        row = hours[number]
        assert float(row["mean"]) == pytest.approx(mean, abs=1e-9) and (float(row["low"]), float(row["high"])) == (low, high)
        assert (int(row["good"]), int(row["bad"]), int(row["covered_min"])) == (good, bad, covered)
    days = {row["time"][:10]: row for row in place.rows("--probe", "leaves", "--resolution", "day")}
    for date in ("2025-03-03", "2025-03-30", "2025-01-15"):
        inside = [row for row in rows["leaves"] if str(datetime.datetime.fromtimestamp(row[0] * 60, zone).date()) == date]
        assert float(days[date]["mean"]) == pytest.approx(sum(row[1] for row in inside) / len(inside), abs=1e-9)
        assert int(days[date]["covered_min"]) == len(inside), date
        assert float(days[date]["high"]) == max(row[3] for row in inside)


def test_retention_and_emptiness_are_said_beside_the_rows(filled):
    place, _ = filled
    asked = place.history("--probe", "basking", "--resolution", "minute", "--from", "2025-01-05", "--to", "2025-03-01")
    assert "minutes are kept from 2025-02-2" in asked.stderr and "there are hours" in asked.stderr
    empty = place.history("--from", "2019-01-01", "--to", "2019-01-02", "--format", "jsonl")
    assert empty.stdout == "" and "nothing of that is kept" in empty.stderr
    assert place.history("--from", "2019-01-01", "--to", "2019-01-02").stdout.startswith("time,enclosure,probe")
    for wrong, words in (
        (("--enclosure", "e2x"), 'no enclosure "e2x"'),
        (("--probe", "baskign"), 'did you mean "basking"'),
        (("--from", "yesterday"), "2026-03-01"),
        (("--from", "2025-02-01", "--to", "2025-01-01"), "before"),
    ):
        refused = place.history(*wrong, good=False)
        assert refused.returncode == 2 and words in refused.stderr and refused.stdout == "", refused.stderr


def test_switches_alarms_acts_remarks_and_gaps_are_told(filled):
    place, _ = filled
    switches = place.rows("--what", "switches", "--from", "2025-02-20", "--to", "2025-02-20")
    heat = [(row["time"][11:16], float(row["level"]), row["reason"]) for row in switches if row["lamp"] == "heat"]
    assert heat == [("08:00", 1, "day"), ("14:05", 0, "guard: tripped at 40.4 °C, cut 40.0 °C"), ("14:26", 1, "day"), ("20:00", 0, "night")]
    alarms = [json.loads(line) for line in place.history("--what", "alarms", "--format", "jsonl").stdout.splitlines()]
    assert [alarm["kind"] for alarm in alarms].count("over-temperature") == 3
    assert alarms[1]["enclosure"] == "site" and alarms[4]["subjects"] == ["heat"] and alarms[4]["since"].endswith("+00:00")
    only = place.rows("--what", "alarms", "--probe", "leaves")
    assert {row["kind"] for row in only} == {"probe-silent"}
    acts = [json.loads(line) for line in place.history("--what", "acts", "--format", "jsonl").stdout.splitlines()]
    assert acts[1] == {"time": "2025-01-05T11:01:00+00:00", "enclosure": "e1", "act": "meter-reading", "lamp": None,
                       "spot": "retreat", "uvi": 0.1, "more": {"guess": True}}
    assert len(place.rows("--what", "remarks")) == 3
    gap = place.rows("--what", "gaps")
    assert [(row["from"][:16], row["to"][:16], float(row["minutes"])) for row in gap] == [("2025-02-10T03:00", "2025-02-10T09:30", 390)]


def test_a_reader_that_goes_away_is_no_error(filled):
    place, _ = filled
    command = f'"{rig.PROGRAM}" history -c "{place.config}" --resolution minute | head -1; exit ${{PIPESTATUS[0]}}'
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0 and "error" not in done.stderr, done.stderr


def test_a_journal_that_cannot_be_read_is_told_with_what_to_do(place):
    missing = place.history(good=False)
    assert missing.returncode == 2 and "no journal" in missing.stderr and "state_directory" in missing.stderr
    place.state.mkdir()
    place.journal.write_bytes(b"SQLite format 3\0" + bytes(5000))
    damaged = place.history(good=False)
    assert damaged.returncode == 2 and "damaged" in damaged.stderr and str(place.journal) in damaged.stderr
    place.journal.unlink()
    ledger.Ledger(place.journal).close()
    with sqlite3.connect(place.journal) as db:
        db.execute("PRAGMA user_version = 99")
    newer = place.history(good=False)
    assert newer.returncode == 2 and "newer lampwarden" in newer.stderr


SHEET = """when;Basking spot;in the leaves
01.06.2025 08:00;31,5;24,25
01.06.2025 08:00;32,5;

01.06.2025 08:01;33;24
02.06.2025 21:30;20,5;22
"""


def sheet(place, text, *arguments, good=True):
    """Imports a text."""
    path = place.folder / "sheet.csv"
    path.write_text(text, encoding="utf-8")
    done = lampwarden("history", "import", path, "-c", place.config, "--enclosure", "e1", *arguments)
    assert not good or done.returncode == 0, done.stderr
    return done


GERMAN = ("--time", "when", "--column", "Basking spot=basking", "--column", "in the leaves=leaves", "--delimiter", ";",
          "--decimal-comma", "--time-format", "%d.%m.%Y %H:%M")


def test_a_spreadsheet_becomes_minutes_and_hours(place):
    ledger.Ledger(place.journal).close()
    done = sheet(place, SHEET, *GERMAN)
    assert "7 readings: 6 minutes written" in done.stdout, done.stdout
    minutes = place.rows("--resolution", "minute", "--probe", "basking")
    # Lisbon is an hour ahead of UTC in June; two readings of one minute are one row.
    assert [(row["time"], float(row["mean"]), float(row["low"]), float(row["high"]), row["good"]) for row in minutes] == [
        ("2025-06-01T08:00:00+01:00", 32, 31.5, 32.5, "2"),
        ("2025-06-01T08:01:00+01:00", 33, 33, 33, "1"),
        ("2025-06-02T21:30:00+01:00", 20.5, 20.5, 20.5, "1"),
    ]
    hours = place.rows("--probe", "leaves")
    assert [(row["time"][:13], float(row["mean"]), row["covered_min"]) for row in hours] == [("2025-06-01T08", 24.125, "2"), ("2025-06-02T21", 22, "1")]
    again = sheet(place, SHEET.replace("31,5", "11,5"), *GERMAN)
    assert "0 minutes written; 6 minutes left as they are" in again.stdout
    replaced = sheet(place, SHEET.replace("31,5", "30,5"), *GERMAN, "--replace")
    assert "6 minutes written, 6 of them in the place of others" in replaced.stdout
    assert float(place.rows("--resolution", "minute", "--probe", "basking")[0]["mean"]) == 31.5


def test_every_bad_line_is_named_and_nothing_is_imported_unless_told_so(place):
    ledger.Ledger(place.journal).close()
    text = "when;Basking spot;in the leaves\n01.06.2025 08:00;31,5;24\nyesterday;30;24\n01.06.2025 08:02;warm;24\n01.06.2025 08:03;31.5;24\n"
    text += "01.06.2025 08:04;310;24\n01.06.2099 08:05;31;24\n01.06.2025 08:06\n30.03.2025 01:30;20;20\n01.06.1999 08:00;31;24\n01.06.2025 08:08;85;24\n"
    done = sheet(place, text, *GERMAN, good=False)
    assert done.returncode == 1 and "nothing was imported" in done.stderr
    for line, wrong, right in (
        (3, '"yesterday" is no time', "%d.%m.%Y %H:%M"),
        (4, '"Basking spot": "warm" is no number', "33,1"),
        (5, '"31.5" is no number', "33,1"),
        (6, '"310" cannot be', "plausible"),
        (7, "in the future", "before now"),
        (8, "only 1 columns", "as many columns"),
        (9, "skipped this time", "--zone"),
        (10, "too long ago", "forgets"),
        (11, '"85" cannot be', "plausible"),
    ):
        told = done.stderr.split(f"sheet.csv:{line}: ")[1].split("sheet.csv:")[0]
        assert wrong in told and right in told, told
    assert "sheet.csv:2:" not in done.stderr
    assert place.rows("--resolution", "minute") == []
    kept = sheet(place, text, *GERMAN, "--skip-bad", good=False)
    assert kept.returncode == 1 and "2 readings: 2 minutes written" in kept.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--time", "then", "--column", "a=basking"), 'no column "then"'),
        (("--time", "when", "--column", "a=basking"), 'the header has "when;Basking spot;in the leaves"'),
        (("--time", "when", "--column", "basking", "--delimiter", ";"), "COLUMN=PROBE"),
        (("--time", "when", "--column", "Basking spot=baskin", "--delimiter", ";"), "its probes are basking, leaves"),
        (("--time", "when", "--column", "Basking spot=basking", "--delimiter", ";;"), "a single character"),
        (("--time", "when", "--column", "Basking spot=basking", "--zone", "Lisbon"), "Europe/Lisbon"),
    ],
)
def test_unusable_arguments_of_an_import_are_told(place, arguments, words):
    ledger.Ledger(place.journal).close()
    done = sheet(place, SHEET, *arguments, good=False)
    assert done.returncode == 2 and words in done.stderr, done.stderr


def test_the_hour_that_comes_twice_is_told_by_the_order_of_the_lines(place):
    ledger.Ledger(place.journal).close()
    # Lisbon goes back at 02:00 on 26 October 2025 (EU directive 2000/84/EC).
    text = "when,t\n2025-10-26 01:30,77\n2025-10-26 01:50,79\n2025-10-26 01:10,75.2\n2025-10-26T02:00:30,68\n"
    sheet(place, text, "--time", "when", "--column", "t=leaves", "--fahrenheit")
    rows = place.rows("--resolution", "minute")
    assert [row["time"] for row in rows] == [f"2025-10-26T0{t}" for t in ("1:30:00+01:00", "1:50:00+01:00", "1:10:00+00:00", "2:00:00+00:00")]
    assert [float(row["mean"]) for row in rows] == pytest.approx([25, 26 + 1 / 9, 24, 20])


def test_a_backup_is_whole_and_overwrites_nothing(filled, tmp_path):
    place, _ = filled
    out = tmp_path / "copy.db"
    writer = sqlite3.connect(place.journal, isolation_level=None)
    writer.execute("BEGIN IMMEDIATE")
    done = place.history("--backup", out)
    writer.execute("ROLLBACK")
    writer.close()
    assert "whole and sound" in done.stderr
    refused = place.history("--backup", out, good=False)
    assert refused.returncode == 2 and "exists already" in refused.stderr
    with sqlite3.connect(out) as copy, sqlite3.connect(place.journal) as source:
        for table in ("minutes", "recent", "hours", "switches", "alarms", "acts", "kept", "runs"):
            count = f"SELECT count(*) FROM {table}"
            assert copy.execute(count).fetchone() == source.execute(count).fetchone(), table


def test_a_journal_played_says_what_its_recording_said(place):
    """A day and a half: a trip at noon, a probe that falls silent. A recording, and the minutes made of it."""
    begin = ledger.utc_ms(2025, 6, 1, 6, 0)
    lines, minutes = [], {"basking": {}, "leaves": {}, "air": {}, "basking-uv": {}}
    for second in range(0, 36 * 3600, 30):
        at = begin + second * 1000
        local = datetime.datetime.fromtimestamp(at / 1000, ledger.ZONE)
        is_day = 8 <= local.hour < 20
        basking = round((32 if is_day else 21) + 0.7 * ledger.wave(second / 60, 41) + 0.01 * (second // 30 % 7), 2)
        if local.date().day == 1 and (12, 0) <= (local.hour, local.minute) < (12, 6):
            basking = 40.5
        air = round(60 + 0.01 * (second // 30 % 11), 2)
        leaves_f = round(77 + 3 * ledger.wave(second / 60, 300) + 0.1 * (second // 30 % 5), 1)
        stamp = datetime.datetime.fromtimestamp(at / 1000, datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
        says = [("basking", basking), ("air", air)]
        lines.append({"t": stamp, "topic": "garden/e1/air", "payload": json.dumps({"t": basking, "h": air})})
        if second % 60 == 0:
            uvi = round((4.2 if 9 <= local.hour < 19 else 0) + 0.01 * (second // 60 % 3), 2)
            says.append(("basking-uv", uvi))
            lines.append({"t": stamp, "topic": "garden/e1/uv", "payload": str(uvi)})
            if not (local.date().day == 1 and local.hour in (15, 16)):
                says.append(("leaves", (leaves_f - 32) * 5 / 9))
                lines.append({"t": stamp, "topic": "garden/e1/leaves", "payload": str(leaves_f)})
        for name, value in says:
            minutes[name].setdefault(at // 60_000, []).append(value)
    lines.append({"t": "2025-06-01T14:30:00Z", "act": "lamp-change", "enclosure": "e1", "lamp": "uvb"})
    lines.append({"t": "2025-06-01T20:30:00Z", "act": "override", "enclosure": "e1", "lamp": "light", "level": 1.0, "for": "600s"})
    lines.sort(key=lambda line: line["t"])
    recording = place.folder / "recording.jsonl"
    recording.write_text("".join(json.dumps(line) + "\n" for line in lines))
    book = ledger.Ledger(place.journal)
    last = max(minutes["basking"])
    for name, quantity in (("basking", "temperature"), ("leaves", "temperature"), ("air", "humidity"), ("basking-uv", "uvi-raw")):
        rows = [(m, sum(v) / len(v), min(v), max(v), len(v), 0) for m, v in sorted(minutes[name].items())]
        number = book.series("e1", name, quantity)
        book.minutes("minutes", number, [row for row in rows if row[0] < last - 60])
        book.minutes("recent", number, [row for row in rows if row[0] >= last - 60])
    for line in lines:
        if "act" in line:
            at = round(datetime.datetime.fromisoformat(line["t"].replace("Z", "+00:00")).timestamp() * 1000)
            book.act(at, "e1", **{key: value for key, value in line.items() if key not in ("t", "enclosure")})
    book.close()
    told = []
    for what in (recording, place.journal):
        done = lampwarden("replay", "-c", place.config, what, "--json")
        assert done.returncode == 0, done.stderr
        told.append([json.loads(line) for line in done.stdout.splitlines()])

    def alarms(lines, kind):
        return [(line["state"], line["t"]) for line in lines if line["effect"] == "alarm" and line["kind"] == kind]

    def apart(one, other):
        return abs((datetime.datetime.fromisoformat(one) - datetime.datetime.fromisoformat(other)).total_seconds())

    for kind in ("over-temperature", "probe-silent", "calibration-due"):
        of_lines, of_journal = (alarms(lines, kind) for lines in told)
        assert [state for state, _ in of_lines] == [state for state, _ in of_journal], kind
        assert len(of_lines) >= (2 if kind != "calibration-due" else 0)
        # A minute does not tell when in it a reading came.
        assert all(apart(one[1], other[1]) <= 60 for one, other in zip(of_lines, of_journal)), (kind, of_lines, of_journal)
    for lamp in ("uvb", "light"):
        levels = [[(line["level"], line["reason"]) for line in lines if line.get("lamp") == lamp] for lines in told]
        assert levels[0] == levels[1] and len(levels[0]) >= 3, lamp
    kinds = [{line["kind"] for line in lines if line["effect"] == "alarm"} for lines in told]
    assert kinds[0] == kinds[1]


def test_what_a_daemon_writes_is_told_and_a_backup_brings_latches_and_hours_back(room):
    state = room.folder / "state"
    burnt = [{"lamp": "heat", "set": "garden/e1/heat/set", "fitted": None, "hours": 812.25, "cycles": 70}]
    book = ledger.Ledger(state / "journal.db")
    book.kept("hours e1", {"hours": {"enclosure": "e1", "lamps": burnt}})
    book.close()
    room.start()
    room.heats()
    hot = room.player.reads("garden/e1/basking", 46.0)
    room.alarm("e1", "over-temperature", since=hot)
    room.wait_until_stored("limit")
    history = ("history", "-c", room.config)
    switches = lampwarden(*history, "--what", "switches", "--format", "jsonl")
    rig.until(lambda: "guard" in lampwarden(*history, "--what", "switches").stdout, 10, "the OFF is told, with its reason")
    assert switches.returncode == 0
    alarms = [json.loads(line) for line in lampwarden(*history, "--what", "alarms", "--format", "jsonl").stdout.splitlines()]
    assert [(alarm["kind"], alarm["state"]) for alarm in alarms][-1] == ("over-temperature", "unacknowledged")
    # While it writes, readings are taken in and a copy is made.
    at = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(days=3)
    path = room.folder / "sheet.csv"
    path.write_text("".join(["when,t\n"] + [f"{at + datetime.timedelta(minutes=m):%Y-%m-%d %H:%M},{25 + m % 3}\n" for m in range(600)]))
    taken = lampwarden("history", "import", path, "-c", room.config, "--enclosure", "e1", "--time", "when", "--column", "t=basking")
    assert taken.returncode == 0 and "600 minutes written" in taken.stdout, taken.stderr
    copy = room.folder / "copy.db"
    assert lampwarden(*history, "--backup", copy).returncode == 0
    assert room.daemon.stop() == 0
    minutes = list(csv.DictReader(io.StringIO(lampwarden(*history, "--resolution", "minute", "--probe", "basking").stdout)))
    assert len(minutes) > 600 and max(float(row["high"]) for row in minutes) >= 46.0, "the minute under way is kept at the end"
    hours = list(csv.DictReader(io.StringIO(lampwarden(*history, "--probe", "basking").stdout)))
    assert sum(int(row["covered_min"]) for row in hours) == len(minutes)
    # The machine burns down. As the README says: an empty state, the copy put there under the journal's name.
    shutil.rmtree(state)
    state.mkdir()
    shutil.copy(copy, state / "journal.db")
    cold = room.player.reads("garden/e1/basking", 25.0)
    room.start()
    room.player.never("garden/e1/heat/set", "ON", lasting=3, since=cold)
    lamps = lampwarden("lamps", "-c", room.config, "--json")
    assert lamps.returncode == 0 and "812." in lamps.stdout, lamps.stdout + lamps.stderr
    assert len(lampwarden(*history, "--resolution", "minute").stdout.splitlines()) > 600


def test_a_journal_may_be_read_where_it_cannot_be_written(filled, tmp_path):
    place, _ = filled
    if os.geteuid() == 0 and not shutil.which("setpriv"):
        pytest.skip("needs a user who may not write")
    copy = tmp_path / "state"
    copy.mkdir()
    out = copy / "journal.db"
    place.history("--backup", out)
    config = tmp_path / "room.toml"
    config.write_text(ledger.CONFIG.format(state=copy, port=1))
    for folder in (copy, *(parent for parent in tmp_path.parents if str(parent).startswith("/tmp/"))):
        folder.chmod(0o555 if folder == copy else 0o755)
    tmp_path.chmod(0o755)
    command = [rig.PROGRAM, "history", "-c", config, "--probe", "air"]
    if os.geteuid() == 0:
        program = shutil.copy(rig.PROGRAM, tmp_path / "lampwarden")
        command = ["setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups", program, *command[1:]]
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert told.returncode == 0 and len(told.stdout.splitlines()) > 2000, told.stderr
    assert [path.name for path in copy.iterdir()] == ["journal.db"]
    out.chmod(0o000)
    refused = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert refused.returncode == 2 and "may not read" in refused.stderr, refused.stderr
