"""Guests of the web page: one that reads and sends forms as any browser without scripts does, and a real browser."""

import html.parser
import http.client
import http.cookiejar
import os
import pathlib
import shutil
import subprocess
import urllib.error
import urllib.parse
import urllib.request

import pytest
import rig

SCREENSHOTS = pathlib.Path(__file__).parents[2] / "target" / "screenshots"


class Form(html.parser.HTMLParser):
    """Every form of a page: where it goes, and what it brings unless something else is filled in."""

    def __init__(self, text):
        super().__init__()
        self.forms, self.select = [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        if tag == "form":
            self.forms.append({"action": attrs.get("action"), "fields": {}, "buttons": []})
        if not self.forms:
            return
        fields = self.forms[-1]["fields"]
        if tag == "input" and "name" in attrs and attrs.get("type") not in ("radio", "checkbox"):
            fields[attrs["name"]] = attrs.get("value", "")
        if tag == "select":
            self.select = attrs.get("name")
        if tag == "option" and self.select and (self.select not in fields or "selected" in attrs):
            fields[self.select] = attrs.get("value", "")
        if tag == "button" and "name" in attrs:
            self.forms[-1]["buttons"].append((attrs["name"], attrs["value"]))


class Answer:
    """What came back."""

    def __init__(self, status, headers, body, url):
        self.status, self.headers, self.body, self.url = status, headers, body, url

    @property
    def text(self):
        """As text."""
        return self.body.decode()


class Guest:
    """A browser without scripts."""

    def __init__(self, base, context=None):
        self.base = base
        self.jar = http.cookiejar.CookieJar()
        handlers = [urllib.request.HTTPCookieProcessor(self.jar)]
        if context:
            handlers.append(urllib.request.HTTPSHandler(context=context))
        self.opener = urllib.request.build_opener(*handlers)
        self.last = None

    def ask(self, path, fields=None, **headers):
        """Asks for a page, or sends a form."""
        url = urllib.parse.urljoin(self.base, path)
        data = urllib.parse.urlencode(fields).encode() if fields is not None else None
        headers = {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            with self.opener.open(urllib.request.Request(url, data, headers), timeout=15) as answer:
                self.last = Answer(answer.status, answer.headers, answer.read(), answer.url)
        except urllib.error.HTTPError as error:
            self.last = Answer(error.code, error.headers, error.read(), error.url)
        return self.last

    def send(self, action, page=None, **filled):
        """Fills in and sends the form of the page that goes to `action`."""
        if page is not None:
            assert self.ask(page).status == 200, self.last.text
        here = self.last.url
        for form in Form(self.last.text).forms:
            if form["action"] == action or (action is None and form["action"] is None):
                fields = {**form["fields"], **filled}
                return self.ask(urllib.parse.urljoin(here, form["action"] or here), fields)
        raise AssertionError(f"no form goes to {action}\n{self.last.text}")

    def logs_in(self, name, password):
        """Comes in."""
        self.ask("/login")
        return self.send("/login", name=name, password=password)


def account(room, name, password, role):
    """Makes an account as the keeper does."""
    command = [rig.PROGRAM, "accounts", "add", "-c", room.config, name, "--role", role]
    done = subprocess.run(command, input=password + "\n", capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def web(port, more=""):
    """The part of a configuration that serves the page."""
    return f'\n[web]\nlisten = "127.0.0.1:{port}"\n{more}\n'


def answers(base):
    """Whether somebody answers there."""
    try:
        return Guest(base).ask("/health").status in (200, 503)
    except (OSError, http.client.HTTPException):
        return False


def make_browser():
    """A real one, without a window."""
    driver, chromium = shutil.which("chromedriver"), shutil.which("chromium")
    if driver is None or chromium is None:
        assert os.environ.get("CI") is None, "tests/run installs chromium and its driver"
        pytest.skip("chromium or its driver is not installed")
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    return webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))


def sized(browser, width, height=800):
    """Gives the page a width, as a telephone's or a desk's."""
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def shot(browser, name, width):
    """Keeps a picture of the whole page."""
    SCREENSHOTS.mkdir(parents=True, exist_ok=True)
    tall = browser.execute_script("return document.documentElement.scrollHeight")
    sized(browser, width, min(tall, 5000))
    browser.save_screenshot(str(SCREENSHOTS / f"{name}-{width}.png"))
    sized(browser, width)
