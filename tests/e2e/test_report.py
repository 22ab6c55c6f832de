"""What `rehearse` tells: pages that need nothing but themselves, lines, documents and exit codes."""

import html.parser
import json
import os
import pathlib
import re
import shutil
import subprocess

import pytest
import rig

ROOT = pathlib.Path(__file__).parents[2]
STORIES = ROOT / "simulations"
BROWSER = shutil.which("chromium")
VOID = {"meta", "br", "link", "img", "input", "hr", "source"}
# Shapes of SVG end in themselves.
SHAPES = {"path", "line", "rect"}


def rehearse(*arguments, within=60, **kwargs):
    """Runs `rehearse` to its end."""
    command = [rig.PROGRAM, "rehearse", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=within, check=False, **kwargs)


class Page(html.parser.HTMLParser):
    """A page taken apart; refuses elements that are not closed in order."""

    def __init__(self, path):
        super().__init__()
        self.open, self.elements, self.style, self.said = [], [], "", []
        self.text = path.read_text()
        assert self.text.lower().startswith("<!doctype html>")
        self.feed(self.text)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        assert tag in VOID | SHAPES, f"<{tag}/> is not closed for a browser"
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]} at {self.getpos()}"
        self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] == "style":
            self.style += data
        else:
            self.said.append(data)

    def having(self, *classes):
        """Attributes of the elements that have all these classes."""
        return [attrs for _, attrs in self.elements if set(classes) <= set((attrs.get("class") or "").split())]

    def says(self):
        """All writing, in one line."""
        return re.sub(r"\s+", " ", " ".join(self.said))


def broken_story(folder):
    """A story whose last expectation cannot hold, since the relay welds; and one that nothing is said about."""
    story = (STORIES / "relay-welds-at-noon.toml").read_text()
    story = story.replace('"sites/', f'"{STORIES}/sites/').replace("below = 42.0", "below = 30.0")
    path = folder / "broken.toml"
    path.write_text(story)
    return path


@pytest.fixture(name="pages", scope="module")
def _pages(tmp_path_factory):
    """Pages of a story that holds, one that does not, a rack and the index over them."""
    folder = tmp_path_factory.mktemp("pages")
    paths = [STORIES / "two-trips-and-a-power-cut.toml", STORIES / "rack-loses-one-bay.toml", broken_story(folder)]
    done = rehearse(*paths, "--report", folder)
    assert done.returncode == 1, done.stderr
    names = {"held": "two-trips-and-a-power-cut-1", "rack": "rack-loses-one-bay-1", "failed": "broken-1", "index": "index"}
    return {which: folder / f"{name}.html" for which, name in names.items()}


@pytest.mark.parametrize("which", ["held", "rack", "failed", "index"])
def test_a_page_needs_nothing_but_itself(pages, which):
    page = Page(pages[which])
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "link", "iframe", "object", "embed", "img", "audio", "video", "form", "base"}, tags
    for tag, attrs in page.elements:
        for name, value in attrs.items():
            assert not name.startswith("on"), f"{tag} has {name}"
            if name in ("src", "srcset", "action", "data", "xlink:href", "poster", "background"):
                raise AssertionError(f"{tag} loads {value}")
            if name == "href":
                assert which == "index" and (pages[which].parent / value).is_file(), value
    assert not re.search(r"https?:|@import|url\(|//", page.style + "".join(a.get("style") or "" for _, a in page.elements))
    assert pages[which].stat().st_size < 400_000


def test_a_page_has_its_parts_and_words_for_every_picture(pages):
    page = Page(pages["held"])
    assert page.having("verdict", "held") and not page.having("failed")
    assert len(page.having("read")) >= 2 and len(page.having("true")) >= 2, "curves as they are and as they were read"
    assert page.having("told") and page.having("burns"), "levels of lamps"
    assert page.having("fault") and page.having("alarm"), "faults and alarms as bars"
    pictures = [attrs for tag, attrs in page.elements if tag == "svg" and attrs.get("aria-hidden") != "true"]
    assert pictures
    for attrs in pictures:
        assert attrs["role"] == "img" and len(attrs["aria-label"]) > 30, attrs
    assert dict(page.elements)["html"]["lang"] == "en"
    headings = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert headings[0] == 1 and headings.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(headings, headings[1:])), "no level is left out"
    said = page.says()
    for words in ("°C", "local time", "Seed", "Faults", "Alarms", "over-temperature", "power-fails", "times"):
        assert words in said, words


def test_what_did_not_hold_stands_at_its_moment_with_its_reasons(pages):
    page = Page(pages["failed"])
    said = page.says()
    assert page.having("verdict", "failed")
    assert page.having("mark") and page.having("violation")
    for words in ("UV index", "e1/surface below 30.0", "Last readings", "Chain of reasons", "e1/heat on: basking at", "day 1 07:"):
        assert words in said, words
    # 07:17 of a story from 06:00 to 18:00 lies at a tenth of the axis.
    places = {float(attrs["style"].split(":")[1].rstrip("%")) for attrs in page.having("mark")}
    assert len(places) == 1 and 9 < places.pop() < 13


def test_the_index_leads_to_every_page_and_tells_what_was_reached(pages):
    page = Page(pages["index"])
    links = [attrs["href"] for tag, attrs in page.elements if tag == "a"]
    assert sorted(links) == sorted(pages[which].name for which in ("held", "rack", "failed"))
    said = page.says()
    assert said.index("A relay welds at noon") < said.index("Two trips"), "what did not hold stands first"
    for words in ("relay-welds", "tripped", "over-temperature", "not reached", "heat-wave"):
        assert words in said, words


def channel(value):
    """Linear light of a channel (WCAG 2.1, relative luminance)."""
    value /= 255
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


def luminance(colour):
    """Relative luminance (WCAG 2.1)."""
    red, green, blue = (channel(int(colour[at : at + 2], 16)) for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """Contrast ratio (WCAG 2.1)."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_reference_points():
    # WCAG 2.1: white on black is 21 to 1; #767676 is the well-known lightest grey on white for 4.5 to 1.
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


def test_writing_and_lines_can_be_read_in_the_light_and_in_the_dark(pages):
    style = Page(pages["held"]).style
    roots = re.findall(r":root\{([^}]*--paper[^}]*)\}", style)
    assert len(roots) == 2 and "prefers-color-scheme:dark" in style
    for root in roots:
        colours = dict(re.findall(r"--([a-z0-9-]+):(#[0-9a-f]{6})", root))
        for ground in ("paper", "sheet"):
            for ink in ("ink", "soft", "held", "failed"):
                assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground, root)
            for line in ("fault", "lamp", "failed", "ink", *(f"series-{number}" for number in range(6))):
                assert contrast(colours[line], colours[ground]) >= 3, (line, ground, root)
        assert contrast(colours["held"], colours["band"]) >= 4.5, root


@pytest.mark.parametrize("which", ["held", "rack", "failed", "index"])
@pytest.mark.parametrize("width", [360, 1280])
def test_in_a_browser_nothing_reaches_beyond_the_page(pages, which, width, tmp_path):
    """Drawn in a frame of that width, since a headless window has a least width of its own."""
    if BROWSER is None:
        assert os.environ.get("CI") is None, "tests/run installs chromium"
        pytest.skip("chromium is not installed")
    frame = tmp_path / "frame.html"
    # The page itself has no script; what measures it stands outside. A frame of the same origin can be looked into.
    frame.write_text(
        f"<!doctype html><iframe width={width} height=800 style='border:0' srcdoc='{as_attribute(pages[which].read_text())}'>"
        "</iframe><p id=result></p><script>onload=()=>{const d=frames[0].document,e=d.documentElement;"
        "document.getElementById('result').textContent=JSON.stringify({wide:e.scrollWidth,room:e.clientWidth,"
        "tall:e.scrollHeight,drawn:[...d.querySelectorAll('path')].filter(p=>p.getBoundingClientRect().width>50).length,"
        "axis:[...d.querySelectorAll('.axis div span')].filter(s=>getComputedStyle(s).display!=='none').length})}</script>"
    )
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--window-size=1400,900", "--virtual-time-budget=5000", "--dump-dom"]
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    done = subprocess.run(
        [BROWSER, *flags, profile, frame.as_uri()], capture_output=True, text=True, timeout=60, check=False
    )
    found = re.search(r'<p id="result">(\{.*?\})</p>', done.stdout)
    assert found, done.stderr[-2000:]
    seen = json.loads(found[1])
    assert seen["wide"] <= seen["room"], seen
    if which != "index":
        assert seen["drawn"] >= 4, seen
        # 44 rem, where the style has its edge, are 704 px: a telephone has fewer labels.
        assert 2 <= seen["axis"] <= (6 if width == 360 else 14), seen


def as_attribute(text):
    """Text inside an attribute with single quotes."""
    return text.replace("&", "&amp;").replace("'", "&#39;")


def test_a_failing_story_is_told_with_all_that_is_needed(tmp_path):
    done = rehearse(broken_story(tmp_path))
    assert done.returncode == 1
    for words in ("FAIL  A relay welds at noon", "seed 1", "line 37", "e1/surface below 30.0", "last readings:",
                  "e1/basking read", "chain of reasons:", "e1/heat on:", "again: lampwarden rehearse", "--seeds 1..2",
                  "0 held, 1 did not"):
        assert words in done.stdout, f"{words}\n{done.stdout}"
    assert done.stderr == "", "no bar where there is no terminal"


def test_documents_go_to_standard_output_alone(tmp_path):
    done = rehearse(broken_story(tmp_path), STORIES / "calm-day.toml", "--json")
    assert done.returncode == 1 and done.stderr == ""
    first, second = json.loads(done.stdout)
    assert (first["held"], second["held"]) == (False, True)
    assert first["seed"] == 1 and first["violations"][0]["rule"] == "expectation 5"
    assert first["violations"][0]["readings"] and first["violations"][0]["chain"]
    assert first["reached"]["faults"] == {"relay-welds": 1}
    assert second["violations"] == [] and re.fullmatch("[0-9a-f]{16}", second["hash"])


@pytest.mark.parametrize(
    ("written", "wrong", "right"),
    [
        ('what = "relay-welds"', 'what = "relay-weld"', "relay-welds"),
        ('lamp = "e1/heat"', 'lamp = "e1/heart"', "heat"),
        ('at = "12:00"', 'at = "noon"', "12:00"),
        ("never = true", "nevver = true", "never"),
        ("[[fault]]", "[[falut]]", "fault"),
        ('alarm = "any"', 'alarm = "lamp-drak"', "lamp-dark"),
        ('span = "12h"', 'span = "soon"', "1h30m"),
        ('span = "12h"', "", "span"),
        ('at = "12:00"', 'at = "12:00"\nfor = "1h"\nuntil = "13:00"', "keep one"),
        ('until = "12:00"', 'from = "13:00"\nuntil = "12:00"', "after `from`"),
        ('woodland.toml"', 'nowhere.toml"', "a file that is there"),
    ],
    ids=lambda text: text,
)
def test_an_unusable_story_is_told_by_file_line_wrong_and_right(tmp_path, written, wrong, right):
    text = (STORIES / "relay-welds-at-noon.toml").read_text().replace('"sites/', f'"{STORIES}/sites/')
    path = tmp_path / "story.toml"
    path.write_text(text.replace(written, wrong, 1))
    done = rehearse(path)
    assert (done.returncode, done.stdout) == (2, ""), done.stdout
    line = text[: text.index(written)].count("\n") + 1
    if wrong:
        told = [int(number) for number in re.findall(r"story\.toml:(\d+):\d+", done.stderr)]
        assert any(line <= number <= line + wrong.count("\n") for number in told), done.stderr
    assert right in done.stderr, done.stderr


def test_unusable_arguments_are_exit_2(tmp_path):
    for arguments in (["absent.toml"], [STORIES, "--seeds", "5..5"], [STORIES, "--seeds", "many"], [], [tmp_path]):
        done = rehearse(*arguments)
        assert (done.returncode, done.stdout) == (2, ""), arguments
        assert done.stderr
    (tmp_path / "file").write_text("")
    done = rehearse(STORIES / "calm-day.toml", "--report", tmp_path / "file")
    assert done.returncode == 2 and "file" in done.stderr
