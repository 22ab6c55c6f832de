"""The web page in a real browser: rooms at two widths with their pictures, the walk with and without a network, alarms."""

import datetime
import json
import re
import subprocess

import axe_core_python
import pathlib
import pytest
import rig
import visit

WORDS = "four plain words here"
ROOMS = {
    "site": "/",
    "enclosure": "/e/dragon",
    "week": "/e/tortoise?span=7",
    "year": "/e/dragon?span=365",
    "alarms": "/alarms",
    "walk": "/walk",
    "spot": "/walk/dragon/basking",
    "change": "/e/dragon/change/uvb",
    "lamps": "/lamps",
    "almanac": "/almanac",
    "records": "/records",
    "settings": "/settings",
    "login": "/login",
}
AXE = (pathlib.Path(axe_core_python.__file__).parent / "axe.min.js").read_text()


@pytest.fixture(name="browser", scope="module")
def _browser():
    browser = visit.make_browser()
    yield browser
    browser.quit()


@pytest.fixture(name="demo", scope="module")
def _demo(tmp_path_factory):
    """The demonstration, its page, with a few days behind it."""
    log = tmp_path_factory.mktemp("demo") / "log"
    page = f"127.0.0.1:{rig.free_port()}"
    with log.open("wb") as out:
        command = [rig.PROGRAM, "demo", "--plain", "--past", "8", "--for", "15m", "--page", page]
        process = subprocess.Popen(command, stdout=out, stderr=out, stdin=subprocess.DEVNULL)
    base = f"http://{page}"
    try:
        rig.until(lambda: visit.answers(base), 240, "the demo serves its page")
        guest = visit.Guest(base)
        rig.until(lambda: guest.ask("/").status == 200 and "not heard of yet" not in guest.last.text, 60, "it knows its room")
        yield base
    finally:
        process.terminate()
        process.wait(20)


def said(browser, part="body"):
    """All that is written there, also while the page is on its way to be another."""
    return browser.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", part)


def findings(browser):
    """What axe-core calls serious, with where."""
    browser.execute_script(AXE)
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run({resultTypes: ['violations']}).then(r => done(r.violations))"
    )
    grave = [one for one in found if one["impact"] in ("serious", "critical")]
    return [
        f"{one['id']}: {node['target']} {node['html'][:200]} {[check['data'] for check in node['any']]}"
        for one in grave
        for node in one["nodes"]
    ]


@pytest.fixture(name="still")
def _still(browser):
    """A page that stays as it was loaded: what is judged must not be put in the place of something else meanwhile."""
    source = "Object.defineProperty(document, 'visibilityState', {value: 'hidden'})"
    added = browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": source})
    yield
    browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)


@pytest.mark.usefixtures("still")
@pytest.mark.parametrize("room", ROOMS)
def test_a_room_is_drawn_fits_and_can_be_read(browser, demo, room):
    browser.get_log("browser")
    for scheme in ("light", "dark"):
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
        for width in (360, 1280):
            visit.sized(browser, width)
            browser.get(demo + ROOMS[room])
            wide = browser.execute_script("return document.documentElement.scrollWidth")
            assert wide <= width, f"{room} is {wide} px wide at {width}"
            assert browser.execute_script("return document.querySelectorAll('h1').length") == 1
            assert findings(browser) == [], (room, scheme, width)
            small = browser.execute_script(
                "return [...document.querySelectorAll('main button, nav a, .wholes label')].filter(e => e.offsetParent && "
                "e.getBoundingClientRect().height < 40).map(e => e.outerHTML.slice(0, 80))"
            )
            assert small == [], "keys are large enough for a thumb"
            visit.shot(browser, room if scheme == "light" else f"{room}-dark", width)
    complaints = [line for line in browser.get_log("browser") if line["level"] == "SEVERE"]
    assert complaints == [], "nothing is refused by the page's own policy"
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_charts_show_the_past_and_are_told_in_words(browser, demo):
    for path, curves in (("/e/dragon", 3), ("/e/dragon?span=7", 3), ("/e/dragon?span=30", 3), ("/e/dragon?span=365", 3)):
        browser.get(demo + path)
        drawn = browser.execute_script(
            "return [...document.querySelectorAll('.chart path.line')].filter(p => p.closest('.plot') && "
            "p.getBoundingClientRect().width > 5).length"
        )
        assert drawn >= curves, (path, drawn)
        labels = browser.execute_script("return [...document.querySelectorAll('.plot')].map(s => s.getAttribute('aria-label'))")
        assert any(re.search(r"Temperature. basking: from \d", label) for label in labels), labels


def closely(browser):
    """What is read of a course, once its script has drawn it."""
    rig.until(lambda: browser.execute_script("return document.querySelectorAll('#closely .uplot canvas').length") >= 2, 20, "it is drawn")
    return said(browser, "#closely .reading")


def edges(browser):
    """Left and right of what is drawn in each lane, px."""
    return browser.execute_script(
        "return [...document.querySelectorAll('#closely .u-over')].map(e => { const r = e.getBoundingClientRect(); "
        "return [Math.round(r.left), Math.round(r.right)] })"
    )


@pytest.mark.parametrize("width", (360, 1280))
def test_a_course_is_read_by_arrow_keys_and_a_span_is_drawn_larger(browser, demo, width):
    from selenium.webdriver.common.keys import Keys

    visit.sized(browser, width)
    browser.get(demo + "/e/dragon?span=7")
    first = closely(browser)
    assert re.search(r"basking \d+\.\d °C \(\d+\.\d to \d+\.\d\) · cool", first), first
    assert re.search(r"uv UVI \d.*heat \d+\.\d h that day · uvb \d", first), first
    assert len(set(map(tuple, edges(browser)))) == 1, "lanes stand under each other"
    slider = browser.find_element("id", "moment")
    slider.send_keys(Keys.HOME)
    begin = closely(browser)
    slider.send_keys(Keys.ARROW_RIGHT)
    assert begin != closely(browser) != first
    assert slider.get_attribute("aria-valuetext").split(": ")[1] in closely(browser)
    cursors = "return [...document.querySelectorAll('#closely .u-cursor-x')].map(e => Math.round(e.getBoundingClientRect().left))"
    assert len(set(browser.execute_script(cursors))) == 1, "one moment over all lanes"
    whole = browser.find_element("xpath", "//button[text()='Whole span']")
    assert not whole.is_enabled()
    browser.find_element("xpath", "//button[text()='Closer']").click()
    assert whole.is_enabled()
    slider.send_keys(Keys.END)
    rig.until(lambda: closely(browser) == first, 5, "the last moment is brought into view")
    slider.send_keys("-")
    assert not whole.is_enabled()
    # The drawn course is there for those who listen, and on paper.
    labels = browser.execute_script("return [...document.querySelectorAll('#drawn .plot')].map(s => s.getAttribute('aria-label'))")
    assert any("Temperature. basking" in label for label in labels)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    shown = "return ['#drawn', '#closely'].map(s => document.querySelector(s).getBoundingClientRect().height > 100)"
    assert browser.execute_script(shown) == [True, False]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert browser.execute_script(shown) == [False, True]


def test_dragging_draws_a_span_larger_in_every_lane(browser, demo):
    from selenium.webdriver import ActionChains

    visit.sized(browser, 1280)
    browser.get(demo + "/e/dragon?span=7")
    closely(browser)
    lane = browser.find_element("css selector", "#closely .u-over")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", lane)
    across = lane.rect["width"]
    drag = ActionChains(browser).move_to_element_with_offset(lane, -across / 4, 0).click_and_hold()
    drag.move_by_offset(across / 4, 5).move_by_offset(across / 8, 0).release().perform()
    whole = browser.find_element("xpath", "//button[text()='Whole span']")
    rig.until(whole.is_enabled, 5, "less is seen")
    seen = closely(browser)
    ActionChains(browser).move_to_element_with_offset(lane, -across / 2 + 4, 0).perform()
    rig.until(lambda: closely(browser) != seen, 5, "the mouse reads what is under it")
    # A quarter of seven days from the left is in the second day.
    today = browser.execute_script("return document.body.dataset.now")
    second = datetime.date.fromisoformat(today[:10]) - datetime.timedelta(days=5)
    assert closely(browser).startswith(f"{second.day} "), closely(browser)
    whole.click()
    assert not whole.is_enabled()


def test_a_course_goes_on_while_it_is_read(browser, demo):
    visit.sized(browser, 1280)
    browser.get(demo + "/e/gecko")
    first = closely(browser)
    # A minute there is a second here; the newest is fetched every quarter of a minute.
    rig.until(lambda: closely(browser).split()[:3] != first.split()[:3], 60, "the newest moment moves on")


def test_without_a_script_the_drawn_course_is_there(browser, demo):
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(demo + "/e/dragon?span=30")
        drawn, plots = browser.find_element("id", "drawn"), browser.find_element("id", "closely")
        assert drawn.rect["height"] > 300 and not plots.is_displayed()
        assert "h a day" in drawn.get_attribute("innerHTML")
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_the_keyboard_reaches_everything_in_order(browser, demo):
    from selenium.webdriver.common.keys import Keys

    browser.get(demo + "/")
    body = browser.find_element("tag name", "body")
    body.send_keys(Keys.TAB)
    assert browser.switch_to.active_element.text == "Skip to the content"
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.execute_script("return document.activeElement.id || location.hash") in ("main", "#main")
    browser.switch_to.active_element.send_keys(Keys.TAB)
    inside = browser.execute_script("return document.querySelector('main').contains(document.activeElement)")
    assert inside, "the next stop is inside the content"


def test_an_override_shows_everywhere_and_ends(browser, demo):
    from selenium.webdriver.support.select import Select

    browser.get(demo + "/e/gecko")
    Select(browser.find_element("id", "level")).select_by_value("off")
    Select(browser.find_element("id", "minutes")).select_by_value("10")
    browser.find_element("xpath", "//button[text()='Set by hand']").click()
    for path in ("/", "/alarms", "/almanac", "/e/dragon", "/walk"):
        browser.get(demo + path)
        rig.until(lambda: "mat set off by hand until" in said(browser), 5, f"{path} says so")
    browser.get(demo + "/")
    # Ten minutes are ten seconds there; the page renews itself.
    rig.until(lambda: "set off by hand" not in said(browser), 40, "it ends by itself")


@pytest.fixture(name="house")
def _house(room):
    """A room with its page and a keeper, whose probe says nothing."""
    port = rig.free_port()
    room.base = f"http://127.0.0.1:{port}"
    with room.config.open("a") as config:
        config.write(visit.web(port))
    visit.account(room, "anna", WORDS, "keep")
    room.start()
    rig.until(lambda: visit.answers(room.base), 10, "the page answers")
    return room


def log_in(browser, house, to="/"):
    """Comes in as the keeper."""
    browser.get(f"{house.base}/login?to={to}")
    browser.find_element("id", "name").send_keys("anna")
    browser.find_element("id", "password").send_keys(WORDS)
    browser.find_element("xpath", "//button[text()='Log in']").click()
    rig.until(lambda: "/login" not in browser.current_url, 20, "the keeper comes in")


def test_an_alarm_comes_to_an_open_page_and_is_acknowledged(browser, house):
    house.heats()
    browser.delete_all_cookies()
    log_in(browser, house, "/alarms")
    text = lambda: said(browser, "main")  # noqa: E731
    house.player.reads("garden/e1/basking", None)
    rig.until(lambda: "probe-silent" in text(), 30, "it is shown without a reload")
    browser.find_element("xpath", "//h2[contains(., 'probe-silent')]/..//button[contains(., 'I have seen')]").click()
    rig.until(lambda: "high, acknowledged" in text(), 10, "somebody has seen it")
    card = browser.find_element("xpath", "//h2[contains(., 'probe-silent')]/..")
    card.find_element("xpath", ".//summary[contains(., 'Shelve')]").click()
    # What somebody is busy with is not renewed under their hands.
    card.find_element("name", "why").send_keys("the cable is being mended")
    card.find_element("xpath", ".//button[text()='Shelve it']").click()
    rig.until(lambda: "Set aside (shelved): the cable is being mended" in text(), 10, "it is shelved with an end")
    acts = [json.loads(act) for act in house.journal("SELECT act FROM acts WHERE act LIKE '%acknowledge%'")]
    assert [(act["by"], act["kind"]) for act in acts] == [("anna", "probe-silent")]


def taps(browser, whole, tenth):
    """A reading in two taps."""
    browser.find_element("css selector", f"label[for=w{whole}]").click()
    browser.find_element("css selector", f".tenths button[value='{tenth}']").click()


def readings(house):
    """What the journal knows of meter readings."""
    acts = [json.loads(act) for act in house.journal("SELECT act FROM acts")]
    return [(act["spot"], act["uvi"]) for act in acts if act["act"] == "meter-reading"]


def test_a_walk_goes_on_without_a_network_and_nothing_is_lost_or_doubled(browser, house):
    browser.delete_all_cookies()
    log_in(browser, house, "/walk")
    rig.until(lambda: browser.find_element("id", "offline").is_displayed(), 30, "the walk is taken along")
    browser.find_element("css selector", "a.start").click()
    taps(browser, 4, 2)
    rig.until(lambda: "/walk/e1/retreat" in browser.current_url, 10, "the next spot comes by itself")
    rig.until(lambda: readings(house) == [("basking", 4.2)], 10, "the reading is kept")
    house.daemon.stop()
    # Down in the cellar.
    taps(browser, 0, 1)
    rig.until(lambda: "/walk/done" in browser.current_url, 15, "the walk goes on")
    rig.until(lambda: "1 reading waits here" in browser.find_element("id", "queue").text, 10, "it waits")
    browser.refresh()
    assert "1 reading waits here" in browser.find_element("id", "queue").text
    house.start()
    rig.until(lambda: visit.answers(house.base), 10, "the page answers again")
    # The daemon knows still who came in.
    browser.get(f"{house.base}/walk/done?since=1")
    rig.until(lambda: readings(house) == [("basking", 4.2), ("retreat", 0.1)], 20, "it is sent")
    rig.until(lambda: browser.execute_script("return localStorage.getItem('lampwarden-readings')") in ("[]", None), 10, "and forgotten here")
    rig.until(lambda: "retreat: UVI 0.1" in said(browser, "main"), 10, "the end tells of it")
    assert len(readings(house)) == 2


def test_an_odd_value_is_asked_about_before_it_is_kept(browser, house):
    browser.delete_all_cookies()
    log_in(browser, house, "/walk/e1/basking")
    taps(browser, 9, 9)
    asked = browser.switch_to.alert
    assert "UVI 9.9" in asked.text and "2.9 to 7.4" in asked.text
    asked.dismiss()
    assert readings(house) == []
    taps(browser, 4, 0)
    rig.until(lambda: readings(house) == [("basking", 4.0)], 10, "what is normal is kept at once")
