"""The life of an alarm from outside: shelved, out of service, consequences under their cause, figures, the week."""

import json
import subprocess
import time

import rig
from post_office import Mailbox
from test_people import KEEPER, contact, lampwarden, mail_server, outbox, prepared, trips


def document(room, enclosure, kind):
    """An alarm as it stands retained; none where it does not."""
    topic = f"{rig.OWN}/alarms/{enclosure}/{kind}"
    found = room.retained(topic).get(topic)
    return found.json() if found else None


def silent(room, name="e1"):
    """The basking probe says nothing any more: when, and the alarm of that."""
    since = room.player.reads(f"garden/{name}/basking", None)
    return since, room.alarm(name, "probe-silent", within=6, since=since)


def test_shelved_it_is_told_to_nobody_over_a_restart_and_again_when_it_is_taken_off(room, office):
    mailbox = office(Mailbox())
    prepared(room, mail_server(mailbox.port), contact("keeper", f'mail.to = "{KEEPER}"'))
    room.start()
    room.heats()
    _, alarm = silent(room)
    assert alarm["aside"] is None and alarm["latched"] is False, alarm
    first = mailbox.wait(KEEPER)
    assert "probe basking" in first.message["Subject"], first.message["Subject"]
    refused = lampwarden("alarms", "shelve", "-c", room.config, "e1", "probe-silent", "--for", "3d", "--why", "x")
    assert refused.returncode == 2 and "24 h" in refused.stderr, refused.stderr
    refused = lampwarden("alarms", "shelve", "-c", room.config, "e1", "heat-unstoppable", "--for", "1m", "--why", "x")
    assert refused.returncode == 2 and "cannot be shelved" in refused.stderr, refused.stderr
    since = time.monotonic()
    done = lampwarden("alarms", "shelve", "-c", room.config, "e1", "probe-silent", "--for", "2h", "--why", "a new one is on its way")
    assert done.returncode == 0, done.stderr
    topic = f"{rig.OWN}/alarms/e1/probe-silent"
    said = room.wait(topic, since=since, suits=lambda said: said.payload and said.json()["aside"]).json()
    assert said["aside"]["how"] == "shelved" and said["aside"]["why"] == "a new one is on its way", said
    assert said["aside"]["until"] > alarm["since"] and said["state"] == "unacknowledged"
    room.daemon.process.kill()
    room.daemon.process.wait()
    room.start()
    rig.until(lambda: (document(room, "e1", "probe-silent") or {}).get("aside"), 5, "it is shelved after a kill")
    listed = lampwarden("alarms", "-c", room.config)
    assert "shelved until" in listed.stdout and "a new one is on its way" in listed.stdout, listed.stdout
    before = len(mailbox.of(KEEPER))
    done = lampwarden("alarms", "unshelve", "-c", room.config, "e1")
    assert done.returncode == 0, done.stderr
    rig.until(lambda: len(mailbox.of(KEEPER)) > before, 75, "it is told again")
    assert "probe basking" in mailbox.of(KEEPER)[-1].text
    acts = [json.loads(act)["act"] for act in room.journal("SELECT act FROM acts")]
    assert acts == ["shelve", "unshelve"], acts
    states = room.journal("SELECT state FROM alarms WHERE kind = 'probe-silent' ORDER BY id")
    assert "shelved" in states and states[-1] == "unacknowledged", states


def test_by_mqtt_too_and_an_empty_enclosure_tells_of_its_guard_alone(room, office):
    mailbox = office(Mailbox())
    prepared(room, mail_server(mailbox.port), contact("keeper", f'mail.to = "{KEEPER}"'))
    room.start()
    room.heats()
    room.player.publish(f"{rig.OWN}/do/e1/out-of-service", json.dumps({"why": "empty until spring"}))
    _, alarm = silent(room)
    assert alarm["aside"]["how"] == "out of service" and alarm["aside"]["why"] == "empty until spring", alarm
    # The guard keeps its law, and says so.
    sent = trips(room)
    assert room.alarm("e1", "over-temperature", since=sent)["aside"] is None
    mail = mailbox.wait(KEEPER)
    assert "too hot" in mail.message["Subject"] and "probe-silent" not in mail.text, mail.text
    since = time.monotonic()
    room.player.publish(f"{rig.OWN}/do/e1/shelve", json.dumps({"kind": "over-temperature", "for": "20m", "why": "I am there"}))
    topic = f"{rig.OWN}/alarms/e1/over-temperature"
    room.wait(topic, since=since, suits=lambda said: said.payload and (said.json()["aside"] or {}).get("how") == "shelved")
    since = time.monotonic()
    room.player.publish(f"{rig.OWN}/do/e1/unshelve", "")
    room.wait(topic, since=since, suits=lambda said: said.payload and said.json()["aside"] is None)
    listed = lampwarden("alarms", "in-service", "-c", room.config, "e1")
    assert listed.returncode == 0, listed.stderr


def test_many_that_fall_silent_are_one_mail_and_come_forward_when_they_outlast_it(room, office):
    mailbox = office(Mailbox())
    names = [f"e{n}" for n in range(6)]
    prepared(room, mail_server(mailbox.port), contact("keeper", f'mail.to = "{KEEPER}"'), names=names)
    room.start()
    for name in names:
        room.heats(name)
    for name in names:
        since = room.player.reads(f"garden/{name}/basking", None)
    room.alarm("site", "supply-lost", within=70, since=since)
    mail = mailbox.wait(KEEPER)
    print(f"one mail after {mail.at - since:.1f} s")
    assert "power or network has failed" in mail.message["Subject"], mail.message["Subject"]
    assert "6 of 6 enclosures" in mail.text and "licensed electrician" in mail.text, mail.text
    assert len(mailbox.of(KEEPER)) == 1, [mail.message["Subject"] for mail in mailbox.mails]
    for name in names:
        alarm = document(room, name, "probe-silent")
        assert alarm["aside"]["cause"] == {"enclosure": "site", "kind": "supply-lost"}, alarm
    listed = lampwarden("alarms", "-c", room.config)
    assert "its consequences, 6: e0 probe-silent, e1 probe-silent" in listed.stdout, listed.stdout
    figures = json.loads(lampwarden("alarms", "metrics", "-c", room.config, "--json").stdout)
    # The first two stood alone for a moment, before the third made a cause of them.
    assert 1 <= figures["alarms"] <= 3 and figures["aside"] >= 3, figures
    assert figures["priorities"]["high"] == figures["alarms"] and figures["floods"] == [], figures
    shown = lampwarden("alarms", "metrics", "-c", room.config, "--days", "7")
    assert shown.returncode == 0 and "about 80 / 15 / 5 %" in shown.stdout, shown.stdout
    assert outbox(room, "sent") == 1


def test_the_week_is_drawn_at_its_hour_and_once(room, office, tmp_path):
    mailbox = office(Mailbox())
    soon = time.gmtime(time.time() + 62)
    day = time.strftime("%A", soon).lower()
    prepared(
        room,
        mail_server(mailbox.port),
        contact("keeper", f'mail.to = "{KEEPER}"'),
        f'\n[digest]\ndaily = false\nweekly = "{day}"\nweekly_at = "{soon.tm_hour:02}:{soon.tm_min:02}"\n',
    )
    past = [time.gmtime(time.time() - days * 86400) for days in range(1, 8)]
    lines = [f"{time.strftime('%Y-%m-%d', at)} {hour:02}:00,{20 + hour / 2}" for at in past for hour in range(24)]
    sheet = tmp_path / "past.csv"
    sheet.write_text("time,celsius\n" + "\n".join(sorted(lines)) + "\n")
    room.start()
    room.heats()
    taken = subprocess.run(
        [rig.PROGRAM, "history", "import", sheet, "-c", room.config, "--enclosure", "e1", "--time", "time", "--column", "celsius=basking"],
        capture_output=True, text=True, timeout=60, check=False,
    )
    assert taken.returncode == 0, taken.stderr
    week = mailbox.wait(KEEPER, within=80, suits=lambda mail: mail.message["Subject"].startswith("[week]"))
    for part in ("Alarms told a day", "basking", "cut at 40.0", "\u2588", "about 80 / 15 / 5 %", "rely on messages alone"):
        assert part in week.text, f"{part}:\n{week.text}"
    assert week.text.count("20.0 to 31.5") >= 6, week.text
    page = week.message.get_body(("html",)).get_content()
    assert "bgcolor" in page and "<script" not in page and "src=" not in page and "http" not in page
    room.daemon.process.kill()
    room.daemon.process.wait()
    room.start()
    time.sleep(2)
    weeks = {mail.id for mail in mailbox.of(KEEPER) if mail.message["Subject"].startswith("[week]")}
    assert len(weeks) == 1, "one a week, over a restart too"
    assert not any(mail.message["Subject"].startswith("[digest]") for mail in mailbox.mails)
