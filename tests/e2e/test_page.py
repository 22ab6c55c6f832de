"""The web page without a browser: who may what, forms, downloads, feeds, figures, and how fast and how large it is."""

import base64
import datetime
import html
import json
import re
import ssl
import subprocess
import time

import icalendar
import pytest
import rig
import visit
from prometheus_client.openmetrics.parser import text_string_to_metric_families

WORDS = "four plain words here"


@pytest.fixture(name="house")
def _house(room):
    """A room with the page, not started yet."""
    port = rig.free_port()
    room.base = f"http://127.0.0.1:{port}"
    with room.config.open("a") as config:
        config.write(visit.web(port))
    return room


def start(house):
    """Starts the daemon, and waits for its page."""
    house.start()
    rig.until(lambda: visit.answers(house.base), 10, "the page answers")


def guest(house, role=None):
    """Somebody, with an account of that role."""
    somebody = visit.Guest(house.base)
    if role:
        visit.account(house, role, WORDS, role)
        assert somebody.logs_in(role, WORDS).status == 200
    return somebody


def test_without_accounts_this_machine_may_look_and_nothing_else(house):
    start(house)
    house.heats()
    somebody = guest(house)
    for path in ("/", "/e/e1", "/alarms", "/lamps", "/almanac", "/walk", "/records", "/metrics"):
        assert somebody.ask(path).status == 200, path
    assert "Set a lamp by hand" not in somebody.ask("/e/e1").text
    assert somebody.ask("/walk/e1/basking").status == 403
    token = re.search(r'data-token="([0-9a-f]+)"', somebody.ask("/").text)[1]
    fields = {"token": token, "key": "k1", "lamp": "heat", "level": "off", "minutes": "20"}
    assert somebody.ask("/e/e1/override", fields).status == 403
    # A name of elsewhere that leads here is no name of this machine.
    assert somebody.ask("/", Host="elsewhere.example").url.endswith("/login?to=%2f")


def test_accounts_have_roles_and_end_when_they_are_changed(house):
    start(house)
    for role in ("look", "keep", "manage"):
        visit.account(house, role, WORDS, role)
    look, keep, manage = (visit.Guest(house.base) for _ in range(3))
    assert look.ask("/").url.endswith("/login?to=%2f"), "with accounts nobody looks without one"
    for somebody, role in ((look, "look"), (keep, "keep"), (manage, "manage")):
        assert f"{role} ({role})" in somebody.logs_in(role, WORDS).text
    cookie = next(iter(look.jar))
    assert cookie.has_nonstandard_attr("HttpOnly") and cookie.get_nonstandard_attr("SameSite") == "Lax"
    assert look.ask("/settings").status == keep.ask("/settings").status == 403
    assert manage.ask("/settings").status == 200 and "password" not in manage.last.text.lower().replace("passwords and", "")
    assert "Set a lamp by hand" not in look.ask("/e/e1").text
    assert keep.send("/e/e1/override", page="/e/e1", lamp="uvb", level="off", minutes="5").status == 200
    rig.until(lambda: "uvb set off by hand until" in look.ask("/").text, 5, "everybody sees it")
    # Of a form whose token is somebody else's, or that another site sends, nothing comes.
    forms = visit.Form(keep.ask("/e/e1").text).forms
    fields = next(form["fields"] for form in forms if form["action"] == "/e/e1/override" and "lamp" in form["fields"])
    assert keep.ask("/e/e1/override", {**fields, "token": "00"}).status == 403
    assert keep.ask("/e/e1/override", fields, Origin="https://elsewhere.example").status == 403
    assert keep.ask("/e/e1/override", fields, Sec_Fetch_Site="cross-site").status == 403
    assert keep.send("/logout", page="/").url.endswith("/login")
    assert keep.ask("/").url.endswith("/login?to=%2f")
    visit.account(house, "look", WORDS + "!", "look")
    assert look.ask("/").url.endswith("/login?to=%2f"), "another password ends the session"
    subprocess.run([rig.PROGRAM, "accounts", "remove", "-c", house.config, "manage"], check=True, timeout=30)
    assert manage.ask("/").url.endswith("/login?to=%2f")
    said = house.daemon.log.read_text()
    assert WORDS not in said and "argon2" not in said, "no secret in the log"


def test_guessing_is_slowed_down(house):
    visit.account(house, "keep", WORDS, "keep")
    start(house)
    somebody = visit.Guest(house.base)
    told = [somebody.logs_in("keep", f"wrong {nth}").status for nth in range(8)]
    assert told[:6] == [401] * 6 and told[6:] == [429] * 2, told
    assert somebody.logs_in("keep", WORDS).status == 429, "the right one too, until a while has passed"
    assert somebody.logs_in("nobody", WORDS).status == 401, "and nobody learns which names there are"


def test_every_answer_says_what_may_run_and_where_it_may_be_told(house):
    start(house)
    somebody = guest(house)
    for path in ("/", "/login", "/style.css", "/nowhere", "/health", "/seen/a/b/c"):
        headers = somebody.ask(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert headers["referrer-policy"] == "no-referrer" and headers["x-content-type-options"] == "nosniff"
    for path in ("/", "/e/e1", "/alarms", "/lamps", "/almanac", "/walk", "/records"):
        text = somebody.ask(path).text
        assert not re.search(r"<style|<script(?! src=\"/)|\sstyle=|\son[a-z]+=|https?://", text), path
        assert "licensed electrician" in text and "veterinarian" in text, path


def test_a_reset_wants_its_reason_and_the_journal_knows_who_and_why(house):
    start(house)
    house.heats(value=25.0)
    since = time.monotonic()
    house.player.reads("garden/e1/basking", 49.0)
    house.wait("garden/e1/heat/set", "OFF", since=since)
    manage = guest(house, "manage")
    rig.until(lambda: "Reset the guard of heat" in manage.ask("/e/e1").text, 10, "the latch is shown")
    keep = guest(house, "keep")
    assert "Reset the guard" not in keep.ask("/e/e1").text
    house.player.reads("garden/e1/basking", 25.0)
    assert manage.send("/e/e1/reset", page="/e/e1", why="  short ").status == 422
    assert manage.send("/e/e1/reset", page="/e/e1", why="The clip had slipped; fixed it").status == 200
    acts = [json.loads(act) for act in house.journal("SELECT act FROM acts")]
    assert [(act["act"], act["by"], act["why"]) for act in acts] == [("reset", "manage", "The clip had slipped; fixed it")]


def test_a_form_that_is_sent_again_is_done_once_over_a_restart_too(house):
    start(house)
    keep = guest(house, "keep")
    form = visit.Form(keep.ask("/walk/e1/basking").text).forms
    fields = next(form["fields"] for form in form if ("tenth", "2") in form["buttons"])
    fields = {**fields, "whole": "4", "tenth": "2"}
    for _ in range(3):
        assert keep.ask("/walk/e1/basking", fields).status == 200
    house.daemon.stop()
    start(house)
    assert keep.logs_in("keep", WORDS).status == 200
    token = re.search(r'data-token="([0-9a-f]+)"', keep.ask("/").text)[1]
    assert keep.ask("/walk/e1/basking", {**fields, "token": token}).status == 200
    readings = [act for act in house.journal("SELECT act FROM acts") if "meter-reading" in act]
    assert len(readings) == 1 and json.loads(readings[0])["uvi"] == 4.2
    assert "UVI 4.2" in keep.ask("/walk/e1/basking").text


def test_an_odd_value_is_asked_about_and_a_late_one_keeps_its_time(house):
    start(house)
    keep = guest(house, "keep")
    asked = keep.send(None, page="/walk/e1/basking", whole="9", tenth="9")
    assert asked.status == 200 and "Is the sensor clean" in asked.text and "above the ceiling" in asked.text
    assert house.journal("SELECT act FROM acts") == []
    assert keep.send(None).status == 200
    hour = 3_600_000
    fields = visit.Form(keep.ask("/walk/e1/retreat").text).forms[-1]["fields"]
    late = {**fields, "uvi": "0,1", "plain": "true", "sure": "true", "ago_ms": str(hour)}
    assert keep.ask("/walk/e1/retreat", late).status == 204
    first, second = (json.loads(act) for act in house.journal("SELECT act FROM acts"))
    assert first["uvi"] == 9.9 and "taken" not in first
    taken = datetime.datetime.fromisoformat(second["taken"])
    age = datetime.datetime.now(datetime.timezone.utc) - taken
    assert datetime.timedelta(minutes=59) < age < datetime.timedelta(minutes=62)
    done = keep.ask("/walk/done?since=1").text
    assert "basking: UVI 9.9" in done and "raise the lamp" in done and "next round is due" in done


def test_a_link_lets_a_neighbour_look_until_it_ends(house):
    start(house)
    manage = guest(house, "manage")
    made = manage.send("/settings/link", page="/settings", name="next-door", days="14", kind="look").text
    path = re.search(r'href="(/look/next-door/[^"]+)"', made)[1]
    neighbour = visit.Guest(house.base)
    assert "next-door (look)" in neighbour.ask(path).text
    assert neighbour.ask("/settings").status == 403 and neighbour.ask("/walk/e1/basking").status == 403
    *front, last = path.rsplit("/", 1)
    assert visit.Guest(house.base).ask(f"{front[0]}/{last[::-1]}").status == 403
    assert visit.Guest(house.base).ask(path.replace("/look/", "/calendar/")).status == 403, "each for its own purpose"
    assert "lamp" in visit.Guest(house.base).ask("/login").text


def test_the_calendar_is_one_that_others_can_read(house):
    start(house)
    manage = guest(house, "manage")
    assert manage.send(None, page="/walk/e1/basking", whole="4", tenth="2").status == 200
    made = manage.send("/settings/link", page="/settings", name="phone", days="14", kind="calendar").text
    path = re.search(r'href="(/calendar/phone/[^"]+)"', made)[1]
    feed = visit.Guest(house.base).ask(path + ".ics")
    assert feed.status == 200 and feed.headers["content-type"].startswith("text/calendar")
    calendar = icalendar.Calendar.from_ical(feed.body)
    (event,) = calendar.walk("VEVENT")
    assert event["summary"] == "Walk with the UV meter" and "e1" in event["description"]
    # A round is due 35 days after the last, as the README says.
    assert event["dtstart"].dt - datetime.datetime.now(datetime.timezone.utc).date() == datetime.timedelta(days=35)
    assert event["uid"] and event["dtstamp"] and calendar["version"] == "2.0" and calendar["prodid"]


def test_figures_are_openmetrics_and_health_tells_nothing_but_itself(house):
    start(house)
    house.heats(value=25.0)
    somebody = guest(house)
    rig.until(lambda: 'temperature_celsius{enclosure="e1"' in somebody.ask("/metrics").text, 10, "the probe is told")
    told = somebody.ask("/metrics")
    assert told.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    families = {family.name: family for family in text_string_to_metric_families(told.text)}
    (sample,) = families["lampwarden_temperature_celsius"].samples
    assert sample.value == pytest.approx(25.0, abs=0.1) and sample.labels["spot"] == "basking"
    assert families["lampwarden_broker_connected"].samples[0].value == 1.0
    assert somebody.ask("/health").text == "ok\n"
    house.broker.kill()
    rig.until(lambda: somebody.ask("/health").status == 503, 30, "health tells that the broker is lost")
    assert somebody.last.text == "degraded\n" and "No connection to the broker" in somebody.ask("/").text


def basic(name, password):
    """What a program that collects figures says of itself (RFC 7617)."""
    return "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()


def test_with_accounts_figures_are_for_those_who_bring_one_each_time(house):
    start(house)
    visit.account(house, "figures", WORDS, "look")
    somebody = visit.Guest(house.base)
    right = basic("figures", WORDS)
    refused = somebody.ask("/metrics")
    assert refused.status == 401 and refused.headers["www-authenticate"].startswith("Basic realm=")
    for _ in range(20):
        assert somebody.ask("/metrics", Authorization=right).status == 200, "far more often than anybody may guess"
    families = {family.name for family in text_string_to_metric_families(somebody.last.text)}
    assert "lampwarden_broker_connected" in families
    assert len(somebody.jar) == 0 and somebody.ask("/", Authorization=right).url.endswith("/login?to=%2f"), "and no page"
    told = [somebody.ask("/metrics", Authorization=basic("figures", f"wrong {nth}")).status for nth in range(8)]
    assert told == [401] * 6 + [429] * 2, told
    assert somebody.ask("/metrics", Authorization=right).status == 200, "who is known is not kept out by guesses"
    visit.account(house, "figures", WORDS + "!", "look")
    assert somebody.ask("/metrics", Authorization=right).status in (401, 429), "another password ends it"
    subprocess.run([rig.PROGRAM, "accounts", "remove", "-c", house.config, "figures"], check=True, timeout=30)
    assert "argon2" not in house.daemon.log.read_text() and right.split()[1] not in house.daemon.log.read_text()


def test_who_has_come_in_stays_in_over_a_restart_and_the_file_lets_nobody_in(house):
    start(house)
    keep, gone = guest(house, "keep"), guest(house, "look")
    assert gone.send("/logout", page="/").url.endswith("/login")
    file = house.folder / "state" / "sessions.json"
    rig.until(lambda: file.exists() and "look" not in file.read_text(), 5, "who has left is forgotten")
    (secret,) = (cookie.value for cookie in keep.jar)
    text = file.read_text()
    assert "keep" in text and secret not in text and "argon2" not in text
    assert file.stat().st_mode & 0o777 == 0o600
    house.daemon.stop()
    start(house)
    assert "keep (keep)" in keep.ask("/").text
    assert keep.send("/e/e1/override", page="/e/e1", lamp="uvb", level="off", minutes="5").status == 200, "its forms too"
    thief = visit.Guest(house.base)
    (print_of_it,) = json.loads(text)
    assert thief.ask("/", Cookie=f"lampwarden={print_of_it}").url.endswith("/login?to=%2f")
    house.daemon.stop()
    file.write_text("spoilt")
    start(house)
    assert keep.ask("/").url.endswith("/login?to=%2f"), "everybody comes in anew, and the program runs"


def test_an_enclosure_goes_out_of_service_and_comes_back(house):
    start(house)
    house.heats()
    keep = guest(house, "keep")
    assert "Out of service" not in guest(house, "look").ask("/e/e1").text
    assert keep.send("/e/e1/service", page="/e/e1", why="  ").status == 422, "it needs its reason"
    assert keep.send("/e/e1/service", page="/e/e1", why="nobody lives there <until> spring").status == 200
    told = "nobody lives there &lt;until&gt; spring"
    for path in ("/e/e1", "/alarms"):
        rig.until(lambda: told in keep.ask(path).text, 5, f"{path} tells of it")
    assert "<i>out of service</i>" in keep.ask("/").text
    house.player.reads("garden/e1/basking", None)
    rig.until(lambda: "Set aside (out of service)" in keep.ask("/alarms").text, 20, "nobody is told of its alarms")
    assert keep.send("/e/e1/service", page="/e/e1").status == 200
    rig.until(lambda: told not in keep.ask("/e/e1").text, 5, "an animal lives there again")
    acts = [json.loads(act) for act in house.journal("SELECT act FROM acts")]
    assert [(act["act"], act["by"]) for act in acts] == [("out-of-service", "keep"), ("in-service", "keep")]


def test_alarms_are_judged_by_the_standards_figures(house):
    start(house)
    house.heats()
    keep = guest(house, "keep")
    house.player.reads("garden/e1/basking", None)
    rig.until(lambda: "probe-silent" in keep.ask("/alarms").text, 20, "an alarm stands")
    command = [rig.PROGRAM, "alarms", "metrics", "-c", house.config, "--days", "30"]
    told = subprocess.run(command, capture_output=True, text=True, timeout=30, check=True).stdout
    rows = re.findall(r"<tr><th scope=\"row\">([^<]*)</th><td>([^<]*)</td><td>([^<]*)</td></tr>", keep.ask("/alarms").text)
    rows = [html.unescape(" ".join(row)) for row in rows]
    lines = [" ".join(line.split()) for line in told.splitlines()[1:]]
    assert len(lines) >= 13 and [" ".join(row.split()) for row in rows if " ".join(row.split()) in lines] == lines


def test_a_course_is_told_to_scripts_as_it_is_drawn(house):
    start(house)
    house.heats(value=25.0)
    look = guest(house, "look")
    rig.until(lambda: look.ask("/e/e1/course.json").status == 200 and look.last.text.count('"at":[') >= 2, 90, "a minute is kept")
    course = json.loads(look.last.text)
    (lane,) = course["lanes"]
    (line,) = lane["lines"]
    assert course["zone"] == "Etc/UTC" and course["until"] - course["from"] == 86_400
    assert line["name"] == "basking" and len(line["at"]) == len(line["mean"]) and abs(line["mean"][0] - 25.0) < 0.1
    assert abs(line["at"][0] - time.time()) < 300 and lane["limit"]["value"] == 40.0
    assert {row["name"] for row in course["rows"]} >= {"heat", "uvb"}
    bars = next(row for row in course["rows"] if row["name"] == "heat")["bars"]
    assert bars[-1][2:] == [1.0, "burns"] and abs(bars[-1][0] - time.time()) < 300
    days = json.loads(look.ask("/e/e1/course.json?span=7").text)["rows"]
    ((begin, end, hours),) = next(row for row in days if row["name"] == "heat")["days"][-1:]
    assert end - begin == 86_400 and 0 <= hours < 0.1
    assert visit.Guest(house.base).ask("/e/e1/course.json").url.endswith("%6e"), "and to nobody else"
    assert look.ask("/e/e9/course.json").status == 404


def test_what_others_wrote_is_served_with_its_licence_and_may_be_kept(house):
    start(house)
    look = guest(house, "look")
    paths = re.findall(r'(?:src|href)="(/vendor/[^"]+)"', look.ask("/e/e1").text)
    assert len(paths) == 2
    for path in paths:
        file = look.ask(path)
        assert file.status == 200 and "immutable" in file.headers["cache-control"] and re.search(r"-\d+\.\d+\.\d+\.", path)
    assert "MIT License" in look.ask(paths[0].replace(".css", ".licence.txt")).text


def test_downloads_are_what_the_commands_write(house):
    start(house)
    house.heats()
    keep = guest(house, "keep")
    keep.send("/e/e1/override", page="/e/e1", lamp="uvb", level="off", minutes="5")
    today = datetime.datetime.now(datetime.timezone.utc).date()
    span = f"from={today}&to={today + datetime.timedelta(days=1)}"
    for what, end in (("acts", "csv"), ("switches", "jsonl"), ("alarms", "csv")):
        written = keep.ask(f"/records/history?what={what}&{span}&format={end}")
        assert written.status == 200 and f".{end}" in written.headers["content-disposition"]
        command = [rig.PROGRAM, "history", "-c", house.config, "--what", what, "--format", end]
        told = subprocess.run(command, capture_output=True, timeout=30, check=True).stdout
        assert written.body == told, what
    assert keep.ask(f"/records/history?what=acts&{span}&format=parquet").body[:4] == b"PAR1"
    assert keep.ask(f"/records/history?what=nothing&{span}&format=csv").status == 422
    report = keep.ask("/records/report?enclosure=e1")
    assert report.status == 200 and "This is no diagnosis" in report.text


def test_with_a_certificate_it_speaks_tls_alone(house, tmp_path):
    certificate, key = tmp_path / "web.pem", tmp_path / "web.key"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    names = ["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", key, "-out", certificate]
    subprocess.run([*command, *names], check=True, capture_output=True, timeout=60)
    with house.config.open("a") as config:
        config.write(f'certificate_file = "{certificate}"\nkey_file = "{key}"\n')
    visit.account(house, "look", WORDS, "look")
    house.start()
    base = house.base.replace("http:", "https:")
    somebody = visit.Guest(base, ssl.create_default_context(cafile=certificate))
    rig.until(lambda: not fails(lambda: somebody.ask("/health")), 10, "it speaks TLS")
    assert "look (look)" in somebody.logs_in("look", WORDS).text
    assert next(iter(somebody.jar)).secure
    assert fails(lambda: visit.Guest(house.base).ask("/health")), "and nothing in the clear"


def fails(act):
    """Whether it comes to nothing."""
    try:
        act()
    except (OSError, ssl.SSLError):
        return True
    except Exception as error:  # pylint: disable=broad-except
        return "RemoteDisconnected" in type(error).__name__ or "BadStatusLine" in type(error).__name__
    return False


def test_a_thousand_enclosures_fit_on_a_telephone(new_room):
    room = new_room()
    port = rig.free_port()
    racks = "".join(rig.rack(f"r{nth:02}", "001..100") for nth in range(10))
    room.write(racks, visit.web(port))
    room.start()
    somebody = visit.Guest(f"http://127.0.0.1:{port}")
    rig.until(lambda: visit.answers(somebody.base), 10, "the page answers")
    rig.until(lambda: somebody.ask("/", Accept_Encoding="gzip").status == 200, 10, "it knows the site")
    times = []
    for _ in range(5):
        began = time.perf_counter()
        answer = somebody.ask("/", Accept_Encoding="gzip")
        times.append(time.perf_counter() - began)
    assert answer.headers["content-encoding"] == "gzip"
    plain = somebody.ask("/")
    assert plain.text.count("<li class=") >= 1000
    print(f"1000 enclosures: best {1e3 * min(times):.0f} ms, {len(answer.body) / 1e3:.0f} kB packed, {len(plain.body) / 1e3:.0f} kB plain")
    assert len(answer.body) < 50_000 and len(plain.body) < 200_000
    # The goal of 100 ms is for an optimised build on a quiet machine; this one is neither.
    assert min(times) < 2.0
