"""From a sensor's message to a person, and back by the link in the mail; servers that fail; nothing lost, nothing doubled."""

import collections
import html
import json
import random
import re
import signal
import subprocess
import time
import urllib.error
import urllib.request

import pytest
import rig
from post_office import Mailbox, Sink, closed_port, server_context
from test_link import certificates

KEEPER = "keeper@example.net"


def mail_server(port, more='security = "none"'):
    """The mail server's section."""
    return f'\n[mail]\nhost = "127.0.0.1"\nport = {port}\nfrom = "lampwarden@example.net"\n{more}\n'


def contact(name, channels, more=""):
    """Somebody who is told."""
    return f'\n[[contact]]\nname = "{name}"\n{more}\n{channels}\n'


def web(port):
    """The web server's section."""
    return f'\n[web]\nlisten = "127.0.0.1:{port}"\npublic_url = "http://127.0.0.1:{port}"\n'


def prepared(room, *parts, names=("e1",)):
    """Writes the configuration with `parts`, and lets every enclosure be cold."""
    room.write(*(rig.enclosure(name) for name in names), *parts)
    for name in names:
        room.player.obeys(f"garden/{name}/heat/set", f"garden/{name}/heat")


def trips(room, name="e1"):
    """Too hot: when that was said."""
    return room.player.reads(f"garden/{name}/basking", 41.0)


def lampwarden(*arguments):
    """Runs the program."""
    return subprocess.run([rig.PROGRAM, *map(str, arguments)], capture_output=True, text=True, timeout=120, check=False)


def opened(url, data=None):
    """What a browser gets: code, headers and page."""
    try:
        with urllib.request.urlopen(urllib.request.Request(url, data=data), timeout=10) as answer:
            return answer.status, answer.headers, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.headers, error.read().decode()


def outbox(room, state, channel="%"):
    """How many messages of a channel are in that state."""
    found = room.journal(f"SELECT count(*) FROM outbox WHERE state = '{state}' AND channel LIKE '{channel}'")
    return found[0] if found else 0


def test_from_a_sensor_to_the_mailbox_and_from_the_link_to_an_acknowledged_alarm(room, office):
    mailbox, port = office(Mailbox()), rig.free_port()
    prepared(room, mail_server(mailbox.port), contact("keeper", f'mail.to = "{KEEPER}"', 'timezone = "Asia/Kolkata"'), web(port))
    room.start()
    room.heats()
    sent = trips(room)
    room.wait("garden/e1/heat/set", "OFF", since=sent)
    mail = mailbox.wait(KEEPER)
    print(f"mail after {mail.at - sent:.2f} s")
    assert mail.message["Subject"].startswith("[critical] e1: too hot at lamp heat since "), mail.message["Subject"]
    assert mail.message["Auto-Submitted"] == "auto-generated" and mail.message["Importance"] == "high"
    for part in ("41.", "cut at 40.0 °C", "switched off", "check the animal", "veterinarian", "Asia/Kolkata", "rely on messages alone"):
        assert part in mail.text, f"{part}:\n{mail.text}"
    page = mail.message.get_body(("html",)).get_content()
    link = re.search(rf"http://127.0.0.1:{port}/seen/\S+", mail.text).group()
    assert html.escape(link) in page and "<script" not in page

    topic = f"{rig.OWN}/alarms/e1/over-temperature"
    for _ in range(2):
        code, headers, page = opened(link)
        assert code == 200 and "<form method=\"post\">" in page and "too hot at lamp heat" in page
        assert "default-src 'none'" in headers["Content-Security-Policy"] and headers["Referrer-Policy"] == "no-referrer"
        assert "<script" not in page
    assert room.retained(topic)[topic].json()["state"] == "unacknowledged", "opening a link changes nothing"
    flipped = link[:-1] + ("0" if link[-1] != "0" else "1")
    assert opened(flipped, b"")[0] == 403
    notice, expires, signature = link.split("/")[-3:]
    assert opened(link.replace(f"/{expires}/", "/1/"), b"")[0] == 403
    assert opened(f"http://127.0.0.1:{port}/seen/{notice}/x/{signature}", b"")[0] == 403
    since = time.monotonic()
    code, _, page = opened(link, b"")
    assert code == 200 and "Acknowledged" in page, page
    room.wait(topic, since=since, suits=lambda said: said.json()["state"] == "acknowledged")
    code, _, page = opened(link, b"")
    assert code == 410 and "was used" in page
    # Once is once over a restart too.
    room.daemon.process.kill()
    room.daemon.process.wait()
    room.start()
    assert opened(link, b"")[0] == 410
    acts = [json.loads(act) for act in room.journal("SELECT act FROM acts")]
    assert acts.count({"act": "acknowledge", "enclosure": "e1", "kind": "over-temperature"}) == 1


def test_the_web_server_lets_in_so_many_and_says_nothing_to_strangers(room, office):
    port = rig.free_port()
    prepared(room, contact("keeper", 'command.run = ["true"]'), web(port) + "pages = false\n")
    room.start()
    base = f"http://127.0.0.1:{port}"
    assert opened(base)[0] == 404
    assert opened(f"{base}/style.css")[0] == 200
    codes = collections.Counter(opened(f"{base}/seen/a/b/{'0' * 64}")[0] for _ in range(60))
    assert set(codes) == {403, 429} and codes[429] >= 20, codes
    # A loop that answers guests still takes the heat away at once.
    room.heats()
    sent = trips(room)
    off = room.wait("garden/e1/heat/set", "OFF", since=sent)
    assert off.at - sent < 0.25


@pytest.mark.parametrize("tls", ["starttls", "tls"])
def test_mail_goes_by_tls_with_a_password_and_to_nobody_else(room, office, tmp_path, tls):
    papers = certificates(tmp_path / "papers")
    mailbox = office(Mailbox(context=server_context(papers), tls=tls, password="a word" if tls == "starttls" else None))
    (tmp_path / "password").write_text("a word\n")
    login = f'username = "lampwarden"\npassword_file = "{tmp_path / "password"}"\n' if tls == "starttls" else ""
    server = f'security = "{tls}"\n{login}ca_file = "{papers / "ca.pem"}"'
    prepared(room, mail_server(mailbox.port, server), contact("keeper", f'mail.to = "{KEEPER}"'))
    tested = lampwarden("contacts", "test", "-c", room.config)
    assert tested.returncode == 0 and "keeper: mail: sent" in tested.stdout, tested.stdout + tested.stderr
    assert mailbox.wait(KEEPER).message["Subject"] == f"[test] Lampwarden can reach you ({rig.SITE})"
    # Neither a stranger's certificate nor a server without TLS gets anything.
    room.config.write_text(room.config.read_text().replace("ca.pem", "stranger.pem"))
    tested = lampwarden("contacts", "test", "-c", room.config)
    assert tested.returncode == 1 and "NOT sent" in tested.stdout, tested.stdout
    plain = office(Mailbox())
    text = room.config.read_text().replace("stranger.pem", "ca.pem").replace(f"port = {mailbox.port}", f"port = {plain.port}")
    room.config.write_text(text)
    tested = lampwarden("contacts", "test", "-c", room.config)
    assert tested.returncode == 1 and "NOT sent" in tested.stdout, tested.stdout
    assert not plain.mails and "a word" not in tested.stdout + tested.stderr


def test_every_channel_carries_the_alarm_and_its_end(room, office, tmp_path):
    mailbox, sink = office(Mailbox()), office(Sink())
    (tmp_path / "headers").write_text("Authorization: Bearer a-word\n")
    (tmp_path / "url").write_text(f"{sink.url}/secret\n")
    script = tmp_path / "page-me"
    script.write_text(f"#!/bin/sh\ncat >> {tmp_path}/paged; echo >> {tmp_path}/paged\n")
    script.chmod(0o755)
    body = json.dumps({"title": "{subject}", "message": "{text}", "level": "{priority}"})
    prepared(
        room,
        mail_server(mailbox.port),
        contact("by-mail", f'mail.to = "{KEEPER}"'),
        contact("by-web", f"webhook.url_file = \"{tmp_path}/url\"\nwebhook.headers_file = \"{tmp_path}/headers\"\nwebhook.body = '{body}'"),
        contact("by-mqtt", 'mqtt.topic = "house/pager"'),
        contact("by-command", f'command.run = ["{script}", "; reboot"]'),
    )
    room.start()
    room.heats()
    sent = trips(room)
    mail = mailbox.wait(KEEPER)
    said = room.wait("house/pager", within=12, since=sent)
    rig.until(lambda: sink.of("/secret") and (tmp_path / "paged").exists(), 12, "webhook and command")
    call = sink.of("/secret")[0]
    times = {"mail": mail.at, "mqtt": said.at, "webhook": call.at, "command": (tmp_path / "paged").stat().st_mtime - time.time() + time.monotonic()}
    print("from the reading to the notice, s:", {channel: round(at - sent, 2) for channel, at in times.items()})
    assert all(4.5 < at - sent < 7 for at in times.values()), times
    assert call.json()["title"].startswith("[critical] e1: too hot") and call.json()["level"] == "critical"
    assert call.headers["authorization"] == "Bearer a-word" and call.headers["idempotency-key"].endswith("-webhook")
    assert not said.retained and said.json()["priority"] == "critical" and "too hot" in said.json()["text"]
    paged = json.loads((tmp_path / "paged").read_text().splitlines()[0])
    assert paged["alarms"] == [{"alarm": "e1/over-temperature", "stage": "first"}] and paged["contact"] == "by-command"
    rig.until(lambda: outbox(room, "sent") == 4, 5, "all are marked sent")


def test_mail_servers_that_fail_in_each_way_get_it_once_they_are_well(room, office):
    mailbox = office(Mailbox())
    hows = ["drops", "hangs", "busy", "never", "well"]
    contacts = (contact(how, f'mail.to = "{how}@example.net"') for how in hows)
    prepared(room, mail_server(mailbox.port), *contacts, names=("e1", "e2"))
    room.start()
    room.heats()
    room.heats("e2")
    sent = trips(room)
    well = mailbox.wait("well@example.net")
    assert well.at - sent < 7, "those whose mail fails hold up nobody"
    # Nor the guard: somebody's mail server hangs right now.
    assert not mailbox.of("hangs@example.net") and mailbox.tried["hangs@example.net"]
    again = trips(room, "e2")
    off = room.wait("garden/e2/heat/set", "OFF", since=again)
    assert off.at - again < 0.25, f"{off.at - again:.3f} s"
    for how in hows[:-1]:
        address = f"{how}@example.net"
        mail = mailbox.wait(address, within=75)
        assert len(mailbox.tried[address]) >= 2, mailbox.tried
        print(f"{how}: after {mail.at - sent:.1f} s")
    rig.until(lambda: outbox(room, "sent") == 10 and outbox(room, "waiting") == 0, 75, "all are marked sent")
    ids = collections.Counter(mail.id for mail in mailbox.mails)
    assert len(ids) == 10 and max(ids.values()) == 1, ids


def test_a_server_that_is_down_makes_an_alarm_of_its_own_and_gets_everything_when_it_is_back(room, office, tmp_path):
    port = rig.free_port()
    script = f'command.run = ["tee", "-a", "{tmp_path}/paged"]'
    prepared(room, mail_server(port), contact("keeper", f'mail.to = "{KEEPER}"'), contact("other", script), names=("e1", "e2"))
    room.start()
    for name in ("e1", "e2"):
        room.heats(name)
    sent = trips(room)
    rig.until(lambda: outbox(room, "waiting") == 1 and outbox(room, "sent") == 1, 12, "one waits, the other was sent")
    failing = room.alarm("site", "notice-failing", within=70, since=sent)
    assert failing["priority"] == "medium" and "mail to keeper" in failing["text"], failing
    # A restart loses nothing of it.
    room.daemon.process.kill()
    room.daemon.process.wait()
    room.start()
    trips(room, "e2")
    rig.until(lambda: outbox(room, "waiting", "mail") >= 2, 70, "the next waits too")
    waiting = outbox(room, "waiting", "mail")
    mailbox = office(Mailbox(port=port))
    rig.until(lambda: outbox(room, "waiting") == 0, 60, "all are sent")
    subjects = [mail.message["Subject"] for mail in mailbox.mails]
    assert len(mailbox.mails) >= waiting, subjects
    assert max(collections.Counter(mail.id for mail in mailbox.mails).values()) == 1, "nothing is sent twice"
    assert any("e1: too hot" in mail.text for mail in mailbox.mails) and any("e2: too hot" in mail.text for mail in mailbox.mails)


def test_http_that_refuses_redirects_or_errs(room, office, tmp_path):
    elsewhere = office(Sink())
    papers = certificates(tmp_path / "papers")
    secure = office(Sink(context=server_context(papers)))
    answers = {"/away": (307, f"{elsewhere.url}/stolen"), "/moved": (308, "/new"), "/errs": 500, "/found": (302, "/new")}
    sink = office(Sink(answers))
    refused, taken = closed_port()
    urls = {path: f"{sink.url}/{path}" for path in ("away", "moved", "errs", "found", "well", "hangs")}
    urls["refused"] = f"http://127.0.0.1:{refused}/"
    sink.answers["/hangs"] = "hangs"
    tls = {"trusted": papers / "ca.pem", "untrusted": papers / "stranger.pem"}
    prepared(
        room,
        *(contact(name, f'webhook.url = "{url}"') for name, url in urls.items()),
        *(contact(name, f'webhook.url = "{secure.url}/{name}"\nwebhook.ca_file = "{ca}"') for name, ca in tls.items()),
    )
    started = time.monotonic()
    tested = lampwarden("contacts", "test", "-c", room.config)
    taken.close()
    assert time.monotonic() - started < 35, "a server that hangs is not waited for"
    lines = dict(line.split(": webhook: ", 1) for line in tested.stdout.splitlines())
    assert tested.returncode == 1
    assert all(lines[name].startswith("sent") for name in ("moved", "well", "trusted")), lines
    assert all(lines[name].startswith("NOT sent") for name in ("away", "errs", "found", "refused", "hangs", "untrusted")), lines
    assert "500" in lines["errs"] and "307" in lines["away"] and "in time" in lines["hangs"], lines
    assert len(sink.of("/new")) == 1 and sink.of("/new")[0].method == "POST" and sink.of("/new")[0].json()["sort"] == "test"
    assert [call.path for call in secure.calls] == ["/trusted"]
    assert not elsewhere.calls, "a redirection to another server is not followed"


def test_killed_in_the_middle_of_sending_nothing_is_lost_and_a_repeat_can_be_told(new_room, office):
    room, mailbox = new_room(), office(Mailbox(slow=0.3))
    names = [f"e{n}" for n in range(6)]
    prepared(room, mail_server(mailbox.port), contact("keeper", f'mail.to = "{KEEPER}"'), names=names)
    draw = random.Random("post")
    for name in names:
        room.start()
        room.heats(name)
        trips(room, name)
        alarm = f"{name}/over-temperature"
        written = "SELECT message FROM outbox"
        rig.until(lambda alarm=alarm: any(alarm in text for text in room.journal(written)), 75, "it is in the outbox")
        time.sleep(draw.uniform(0, 0.5))
        room.daemon.process.send_signal(signal.SIGKILL)
        room.daemon.process.wait()
    room.start()
    rig.until(lambda: outbox(room, "waiting") == 0, 75, "the outbox is empty")
    ids = collections.Counter(mail.id for mail in mailbox.mails)
    stored = room.journal("SELECT id FROM outbox")
    assert {f"<{name}@example.net>" for name in stored} == set(ids), "what was written down was sent, and nothing else"
    told = [(about["alarm"], about["stage"], about["raise"]) for text in room.journal("SELECT message FROM outbox") for about in json.loads(text)["about"]]
    assert max(collections.Counter(told).values()) == 1, told
    assert {alarm for alarm, stage, _ in told if stage == "first"} >= {f"{name}/over-temperature" for name in names}
    repeated = sum(count - 1 for count in ids.values())
    print(f"{repeated} of {len(ids)} mails came twice, with one Message-ID each")
    assert repeated <= len(names)


def test_the_heartbeat_beats_and_the_digest_comes_at_its_time(room, office):
    mailbox, sink = office(Mailbox()), office(Sink())
    soon = time.gmtime(time.time() + 62)
    prepared(
        room,
        mail_server(mailbox.port),
        contact("keeper", f'mail.to = "{KEEPER}"'),
        f'\n[[heartbeat]]\nurl = "{sink.url}/alive"\nevery = "1s"\n',
        f'\n[digest]\nat = "{soon.tm_hour:02}:{soon.tm_min:02}"\n',
    )
    room.start()
    room.heats()
    trips(room)
    rig.until(lambda: len(sink.of("/alive")) >= 3, 6, "three beats")
    digest = mailbox.wait(KEEPER, within=75, suits=lambda mail: mail.message["Subject"].startswith("[digest]"))
    for part in ("e1: too hot at lamp heat", "What was different today", "Due this week", "basking 41", "ALARM over-temperature"):
        assert part in digest.text, f"{part}:\n{digest.text}"
    room.daemon.process.kill()
    room.daemon.process.wait()
    beats = len(sink.of("/alive"))
    room.start()
    rig.until(lambda: len(sink.of("/alive")) > beats, 6, "it beats again")
    time.sleep(2)
    # The kill may have come before the success was written down: then it comes again, under the same Message-ID.
    digests = {mail.id for mail in mailbox.of(KEEPER) if mail.message["Subject"].startswith("[digest]")}
    assert len(digests) == 1, "one a day, over a restart too"


def test_the_shell_lists_and_acknowledges_and_fills_in_the_checklist(room, office):
    mailbox = office(Mailbox())
    today, later = (time.strftime("%Y-%m-%d", time.gmtime(time.time() + days * 86400)) for days in (0, 7))
    prepared(
        room,
        mail_server(mailbox.port),
        contact("keeper", f'mail.to = "{KEEPER}"'),
        contact("next-door", 'mail.to = "next-door@example.net"'),
        f'\n[away]\nfrom = "{today}"\nto = "{later}"\nneighbours = ["next-door"]\n'
        'instructions = [{ enclosure = "e1", text = "The grey plug by the door is its heat lamp." }]\n',
    )
    assert lampwarden("alarms", "-c", room.config).returncode == 2, "nobody is there to be asked"
    room.start()
    room.heats()
    assert "no alarm stands" in lampwarden("alarms", "-c", room.config).stdout
    checked = lampwarden("away", "check", "-c", room.config)
    assert checked.returncode == 1 and "mail to keeper: nothing has ever arrived" in checked.stdout, checked.stdout
    tested = lampwarden("contacts", "test", "-c", room.config)
    assert tested.returncode == 0, tested.stdout
    checked = lampwarden("away", "check", "-c", room.config)
    assert "mail to keeper: something last arrived on" in checked.stdout and "every probe is heard" in checked.stdout, checked.stdout
    assert "[ ]" in checked.stdout and "thermal cut-out" in checked.stdout
    trips(room)
    mail = mailbox.wait("next-door@example.net", suits=lambda mail: "[critical]" in mail.message["Subject"])
    assert "The grey plug by the door" in mail.text
    assert "grey plug" not in mailbox.wait(KEEPER, suits=lambda mail: "[critical]" in mail.message["Subject"]).text
    listed = lampwarden("alarms", "list", "-c", room.config)
    assert "critical e1 over-temperature (unacknowledged; told: keeper, next-door)" in listed.stdout, listed.stdout
    done = lampwarden("alarms", "acknowledge", "-c", room.config, "e1", "over-temprature")
    assert done.returncode == 2 and "over-temperature" in done.stderr, done.stderr
    done = lampwarden("alarms", "acknowledge", "-c", room.config)
    assert done.returncode == 0 and "acknowledged: e1 over-temperature" in done.stdout, done.stdout + done.stderr
    (alarm,) = json.loads(lampwarden("alarms", "-c", room.config, "--json").stdout)
    assert alarm["acknowledged"] is True
