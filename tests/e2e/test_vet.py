"""The page for the vet: its numbers against sums made here from the rows, its looks in a browser and on paper."""

import datetime
import html.parser
import json
import os
import re
import shutil
import subprocess

import ledger
import pytest
import rig
from test_report import Page, as_attribute, contrast

BROWSER = shutil.which("chromium")
# A4 in points, and what its margins leave of its width in CSS pixels: 210 mm less twice 15 mm, 96 to the inch.
A4 = (595, 842)
SHEET_PX = round(180 / 25.4 * 96)


def report(config, *arguments):
    """Runs `report`."""
    return subprocess.run([rig.PROGRAM, "report", *map(str, arguments), "-c", config], capture_output=True, text=True, timeout=60, check=False)


class Tables(html.parser.HTMLParser):
    """Every table by its caption: rows of cells as text."""

    def __init__(self, text):
        super().__init__()
        self.tables, self.rows, self.cell, self.caption = {}, [], None, None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag == "table":
            self.rows = []
        elif tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th", "caption"):
            self.cell = ""

    def handle_endtag(self, tag):
        if tag == "caption":
            self.tables[self.cell] = self.rows
        elif tag in ("td", "th"):
            self.rows[-1].append(self.cell.strip())
        if tag in ("td", "th", "caption"):
            self.cell = None

    def handle_data(self, data):
        if self.cell is not None:
            self.cell += data

    def named(self, part):
        """The only table whose caption holds `part`: its header and its rows by their first cell."""
        found = [rows for caption, rows in self.tables.items() if part in caption]
        assert len(found) == 1, (part, list(self.tables))
        return found[0][0], {row[0]: row for row in found[0][1:]}


@pytest.fixture(name="vet", scope="module")
def _vet(tmp_path_factory):
    """The page of ninety days, its file, its configuration and the rows it was made of."""
    folder = tmp_path_factory.mktemp("vet")
    rows = ledger.ninety_days(folder / "state" / "journal.db")
    config = folder / "room.toml"
    config.write_text(ledger.CONFIG.format(state=folder / "state", port=1))
    path = folder / "amber.html"
    done = report(config, "e1", "--days", ledger.DAYS, "--until", ledger.LAST, "-o", path)
    assert done.returncode == 0 and done.stdout == "", done.stderr
    hours = {name: {hour[0]: hour for hour in ledger.hourly(minutes)} for name, minutes in rows.items()}
    return path, config, hours


def local(hour):
    """An hour since 1970 by the site's clock."""
    return datetime.datetime.fromtimestamp(hour * 3600, ledger.ZONE)


def light(hour):
    """Whether the lights were on for all of an hour and the hour before (1), off for both (0), or neither."""
    on, off = ledger.ON, ledger.OFF
    at = local(hour).hour
    return 1 if on + 1 <= at < off else 0 if at >= off + 1 or at < on else None


def of(hours, dates, suits=lambda hour: True):
    """Hours of these dates that suit."""
    return [row for hour, row in hours.items() if local(hour).date() in dates and suits(hour) and row[6] > 0]


def mean(hours):
    """Each minute counts the same."""
    return sum(row[1] * row[6] for row in hours) / sum(row[6] for row in hours)


def dates(first, last):
    """Dates from first to last."""
    return {first + datetime.timedelta(days=day) for day in range((last - first).days + 1)}


ALL = dates(ledger.FIRST, ledger.LAST)


def test_temperatures_by_day_and_by_night_are_the_means_and_extremes_of_the_rows(vet):
    path, _, hours = vet
    tables = Tables(path.read_text())
    for name, caption in (("basking", "basking, °C"), ("leaves", "leaves, °C"), ("air", "air, %")):
        header, weeks = tables.named(f"{caption}, week by week")
        assert header[0] == "week" and len(weeks) == 14
        spans = {"all days": ALL, "26 Feb – 4 Mar": dates(datetime.date(2025, 2, 26), datetime.date(2025, 3, 4)),
                 "26 Mar – 1 Apr": dates(datetime.date(2025, 3, 26), ledger.LAST), "2 Jan – 7 Jan": dates(ledger.FIRST, datetime.date(2025, 1, 7))}
        for week, span in spans.items():
            cells = weeks[week][1:]
            for part, at in ((1, 0), (0, 3)):
                inside = of(hours[name], span, lambda hour, part=part: light(hour) == part)
                expected = (mean(inside), min(row[2] for row in inside), max(row[3] for row in inside))
                assert [float(cell) for cell in cells[at : at + 3]] == [pytest.approx(number, abs=0.051) for number in expected], (name, week)
            share = 100 * sum(row[6] for row in of(hours[name], span)) / (len(span) * 1440)
            assert float(cells[6].rstrip(" %")) == pytest.approx(share, abs=0.51)


def uv_hours(hours, span):
    """Hours in which the UV lamp was on throughout: 9 to 19 by the clock, but where the daemon was dead or starting."""
    def suits(hour):
        begins, ends = hour * 3_600_000, (hour + 1) * 3_600_000
        dead = begins < ledger.STARTED + 5000 and ends > ledger.KILLED
        return ledger.UV_ON <= local(hour).hour < ledger.UV_OFF and not dead
    return of(hours, span, suits)


def test_uvi_and_dose_are_those_of_the_rows(vet):
    path, _, hours = vet
    _, weeks = Tables(path.read_text()).named("basking-uv, week by week")
    for week, span in (("all days", ALL), ("5 Feb – 11 Feb", dates(datetime.date(2025, 2, 5), datetime.date(2025, 2, 11)))):
        lit = uv_hours(hours["basking-uv"], span)
        expected = [mean(lit), min(row[1] for row in lit), max(row[1] for row in lit), max(row[3] for row in of(hours["basking-uv"], span))]
        # UVI 1 for an hour is 0.025 W/m² · 3600 s = 90 J/m², and 1 SED is 100 J/m² (ISO/CIE 17166:2019).
        doses = [sum(row[1] * row[6] / 60 * 0.9 for row in of(hours["basking-uv"], {date})) for date in span]
        expected += [sum(doses) / len(doses), min(doses), max(doses)]
        assert [float(cell) for cell in weeks[week][1:8]] == [pytest.approx(number, abs=0.051) for number in expected], week


def test_every_day_stands_in_the_last_table(vet):
    path, _, hours = vet
    header, days = Tables(path.read_text()).named("Every date")
    assert len(days) == 90 and header[:4] == ["date", "on", "off", "length"]
    for date in (datetime.date(2025, 1, 2), datetime.date(2025, 2, 10), datetime.date(2025, 3, 3), datetime.date(2025, 3, 30), ledger.LAST):
        row = dict(zip(header, days[f"{date:%-d %b %Y}"]))
        assert (row["on"], row["off"], row["length"]) == ("08:00", "20:00", "12 h 00")
        for name, unit in (("basking", "°C"), ("leaves", "°C"), ("air", "%")):
            inside = of(hours[name], {date})
            expected = (min(hour[2] for hour in inside), mean(inside), max(hour[3] for hour in inside))
            told = [float(number) for number in row[f"{name}, {unit}"].split(" · ")]
            assert told == [pytest.approx(number, abs=0.051) for number in expected], (date, name)
        dose = sum(hour[1] * hour[6] / 60 * 0.9 for hour in of(hours["basking-uv"], {date}))
        assert float(row["basking-uv, SED"]) == pytest.approx(dose, abs=0.051)
        assert float(row["basking-uv, UVI"]) == pytest.approx(mean(uv_hours(hours["basking-uv"], {date})), abs=0.051)
    # Lamps from the switches: the daemon was dead from 3:00 to 9:30 and put them on 5 s after it started.
    row = dict(zip(header, days["10 Feb 2025"]))
    assert (row["light, h"], row["uvb, h"], row["heat, h"]) == ("10.5", "9.5", "10.5")
    row = dict(zip(header, days["20 Feb 2025"]))
    assert float(row["heat, h"]) == pytest.approx(12 - 21 / 60, abs=0.051), "less the 21 minutes after the trip"


def test_lamps_rounds_alarms_and_gaps_are_told(vet):
    path, _, _ = vet
    tables, page = Tables(path.read_text()), Page(path)
    said = page.says()
    _, lamps = tables.named("Lamps, and how long")
    # Ninety days of ten hours, but for half an hour and five seconds of one.
    assert float(lamps["uvb"][3]) == pytest.approx(900 - 0.5 - 5 / 3600, abs=0.051)
    assert lamps["uvb"][5:] == ["310", "2 Mar 2025, 10:30"] and lamps["heat"][6] == "not logged"
    assert "2 Mar 2025, 10:30 : another lamp was fitted as uvb" in said.replace(":30:", ":30 :")
    _, walks = tables.named("Meter readings")
    assert walks["8 Feb 2025, 11:00"][1:] == ["basking", "3.4", "within"] and walks["8 Feb 2025, 11:01"][3] == "–, a guess"
    assert len(walks) == 6
    _, alarms = tables.named("Alarms, and what was done")
    trip = alarms["20 Feb 2025, 14:05"]
    assert trip[1].startswith("over-temperature") and trip[2:4] == ["critical", "21 min"]
    assert "seen 20 Feb 2025, 14:10" in trip[4] and "reset of heat by a person 20 Feb 2025, 14:11" in trip[4]
    assert alarms["3 Mar 2025, 12:03"][3] == "5 h 57 min" and "whole site" in alarms["10 Feb 2025, 09:30"][1]
    assert alarms["9 Feb 2025, 22:00"][3] == "11 h 35 min", "through the restart"
    assert len(alarms) == 4 and "lamp-dark" not in said, "another enclosure's alarms are its own"
    _, gaps = tables.named("Gaps")
    assert gaps["10 Feb 2025, 03:00"][1:] == ["10 Feb 2025, 09:30", "6 h 30 min", "the program did not run"]
    assert gaps["3 Mar 2025, 12:00"][1:] == ["3 Mar 2025, 18:00", "6 h 0 min", "the probe leaves gave no good reading"]
    assert len(gaps) == 2


def test_the_page_says_whom_what_how_sure_and_that_it_is_no_diagnosis(vet):
    path, _, _ = vet
    said = Page(path).says()
    for words in ("Amber, by the garden door", "2 Jan 2025 to 1 Apr 2025", "garden-room", "woodland-basker", "This is no diagnosis",
                  "what cannot be known", "Calibrated by one reading", "12 Mar 2025, 11:05", "±2", "UVI 2.9 to 7.4", "Ferguson zone 3",
                  "100 J/m²", "0.9 SED", "the animal is right and not the numbers"):
        assert words in said, words


def test_a_probe_without_a_meter_reading_is_called_so(tmp_path):
    book = ledger.Ledger(tmp_path / "state" / "journal.db")
    number = book.series("e1", "basking-uv", "uvi")
    raw = book.series("e1", "basking-uv", "uvi-raw")
    begin = ledger.utc_ms(2025, 3, 1) // ledger.HOUR_MS
    book.hours(number, [(begin + hour, 3.0, 3.0, 3.0, 60, 0, 60) for hour in range(20)])
    book.hours(raw, [(begin + hour, 3.0, 3.0, 3.0, 60, 0, 60) for hour in range(40)])
    book.close()
    config = tmp_path / "room.toml"
    config.write_text(ledger.CONFIG.format(state=tmp_path / "state", port=1))
    done = report(config, "e1", "--days", 3, "--until", "2025-03-03")
    assert done.returncode == 0, done.stderr
    (tmp_path / "page.html").write_text(done.stdout)
    said = Page(tmp_path / "page.html").says()
    assert "Never calibrated:" in said and "For 20 h 0 min in these days" in said
    assert "No alarm was raised" in said and "No meter reading was logged" in said and "Records of this enclosure begin" not in said
    for wrong, words in ((("e9",), 'no enclosure "e9"'), (("e1", "--until", "2999-01-01", "--days", "2"), "not come yet"), (("e1", "--days", "0"), "1..=1100")):
        refused = report(config, *wrong)
        assert refused.returncode == 2 and words in refused.stderr and refused.stdout == "", refused.stderr


def test_the_page_needs_nothing_but_itself_and_can_be_read_aloud(vet):
    path, _, _ = vet
    page = Page(path)
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "link", "iframe", "object", "embed", "img", "audio", "video", "form", "base", "a"}, tags
    for tag, attrs in page.elements:
        for name, value in attrs.items():
            assert not name.startswith("on") and name not in ("src", "srcset", "href", "data", "action"), (tag, name, value)
    assert not re.search(r"https?:|@import|url\(|//", page.style + "".join(attrs.get("style") or "" for _, attrs in page.elements))
    assert path.stat().st_size < 300_000
    pictures = [attrs for tag, attrs in page.elements if tag == "svg" and attrs.get("aria-hidden") != "true"]
    assert len(pictures) == 6, "photoperiod, two temperatures, humidity, UVI and dose"
    ids = {attrs["id"]: tag for tag, attrs in page.elements if "id" in attrs}
    for attrs in pictures:
        title, desc = attrs["aria-labelledby"].split()
        assert (attrs["role"], ids[title], ids[desc]) == ("img", "title", "desc")
    headings = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert headings[0] == 1 and headings.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(headings, headings[1:])), "no level is left out"
    count = {name: sum(tag == name for tag, _ in page.elements) for name in ("table", "caption", "figure", "figcaption")}
    assert count["table"] == count["caption"] >= 10 and count["figure"] == count["figcaption"] == 6
    assert all(attrs.get("scope") in ("row", "col") for tag, attrs in page.elements if tag == "th")


def test_writing_and_lines_can_be_read_in_the_light_in_the_dark_and_on_paper(vet):
    style = Page(vet[0]).style
    roots = re.findall(r":root\{([^}]*--paper[^}]*)\}", style)
    assert len(roots) == 3 and "prefers-color-scheme:dark" in style
    for root in roots:
        colours = dict(re.findall(r"--([a-z0-9-]+):(#[0-9a-f]{6}|#[0-9a-f]{3})\b", root))
        colours = {name: "#" + "".join(2 * digit for digit in value[1:]) if len(value) == 4 else value for name, value in colours.items()}
        for ground in ("paper", "sheet"):
            for ink in ("ink", "soft"):
                assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground, root)
            for line in ("day", "night", "limit", "edge"):
                assert contrast(colours[line], colours[ground]) >= 3, (line, ground, root)
        for line, box in (("day", "warm"), ("night", "cool"), ("day", "uv"), ("day", "light"), ("day", "band")):
            assert contrast(colours[line], colours[box]) >= 3, (line, box, root)
    paper = dict(re.findall(r"--([a-z0-9-]+):(#[0-9a-f]+)", roots[2]))
    assert paper["paper"] == "#fff" and paper["ink"] == "#000"
    assert all(len(set(re.findall("..", value[1:]) if len(value) == 7 else value[1:])) == 1 for value in paper.values()), "greys alone"


def browser(tmp_path, *arguments):
    """Runs the browser without a head."""
    if BROWSER is None:
        assert os.environ.get("CI") is None, "tests/run installs chromium"
        pytest.skip("chromium is not installed")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--window-size=1400,900", "--virtual-time-budget=5000", f"--user-data-dir={tmp_path / 'profile'}"]
    return subprocess.run([BROWSER, *flags, *map(str, arguments)], capture_output=True, text=True, timeout=90, check=False)


@pytest.mark.parametrize(("width", "media"), [(360, "screen"), (1280, "screen"), (SHEET_PX, "paper")])
def test_in_a_browser_and_on_a_sheet_nothing_reaches_beyond_the_edge(vet, width, media, tmp_path):
    text = vet[0].read_text()
    if media == "paper":
        # The rules for paper, on a screen as wide as what its margins leave, where it can be measured.
        assert "@media print{" in text
        text = text.replace("@media print", "@media all").replace("@media screen", "@media not all")
    frame = tmp_path / "frame.html"
    frame.write_text(
        f"<!doctype html><iframe width={width} height=800 style='border:0' scrolling=no srcdoc='{as_attribute(text)}'></iframe>"
        "<p id=result></p><script>onload=()=>{const d=frames[0].document,e=d.documentElement,w=e.clientWidth;"
        "const out=[...d.querySelectorAll('main *')].filter(x=>!x.closest('.wide-table table')&&x.getBoundingClientRect().right>w+1);"
        "const tables=[...d.querySelectorAll('.wide-table')].map(x=>x.scrollWidth-x.clientWidth);"
        "document.getElementById('result').textContent=JSON.stringify({wide:e.scrollWidth,room:w,out:out.map(x=>x.className+x.tagName).slice(0,9),"
        "table:Math.max(...tables),drawn:[...d.querySelectorAll('.box,.line')].filter(p=>p.getBoundingClientRect().width>50).length,"
        "labels:[...d.querySelectorAll('figure .axis')].map(a=>{let at=-1,hit=0,n=0;for(const s of a.querySelectorAll('div span')){"
        "const r=s.getBoundingClientRect();if(r.width===0)continue;n++;if(r.left<at-1)hit++;at=r.right}return [n,hit]})})}</script>"
    )
    done = browser(tmp_path, "--dump-dom", frame.as_uri())
    found = re.search(r'<p id="result">(\{.*?\})</p>', done.stdout)
    assert found, done.stderr[-2000:]
    seen = json.loads(found[1])
    assert seen["wide"] <= seen["room"] and not seen["out"], seen
    assert seen["drawn"] >= 14, seen
    assert all(count >= 2 and hits == 0 for count, hits in seen["labels"]), seen
    # On a screen a wide table scrolls in itself; on paper nothing can.
    assert media == "screen" or seen["table"] <= 0, seen


def test_printed_it_is_a_few_sheets_of_a4(vet, tmp_path):
    out = tmp_path / "page.pdf"
    done = browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={out}", vet[0].as_uri())
    assert out.is_file(), done.stderr[-2000:]
    boxes = re.findall(rb"/MediaBox\s*\[\s*([\d.]+) ([\d.]+) ([\d.]+) ([\d.]+)\s*\]", out.read_bytes())
    sizes = {tuple(round(float(number)) for number in box) for box in boxes}
    assert sizes == {(0, 0, *A4)}, sizes
    assert 4 <= len(boxes) <= 9, len(boxes)
