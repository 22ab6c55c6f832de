#!/usr/bin/env python3
"""How many instructions the control core takes for fixed work: a line that can be held without clocks.

    benches/instructions.py PROGRAM           counts, and fails where a count is more than 5 % above what is noted
    benches/instructions.py PROGRAM --write   notes the counts in benches/instructions.json

Counted by callgrind: a recorded day through `replay`, with a reading in ten seconds from each of two probes, and a story
through `rehearse`. PROGRAM is the program of `cargo build --profile rehearse`. Counts differ a little between machines and
compilers; a change that costs more than a twentieth is either worth it, and noted anew with its reason, or a mistake.
"""

import json
import math
import re
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta, timezone
from pathlib import Path

HERE = Path(__file__).resolve().parent
NOTED = HERE / "instructions.json"
STORY = HERE.parent / "simulations" / "calm-day.toml"
# A count may be so much above what is noted; a guess, above what machines differ in.
TOLERANCE = 0.05

ROOM = """
[site]
name = "garden-room"
timezone = "Europe/Lisbon"
latitude = 38.72
longitude = -9.14

[broker]
url = "mqtt://127.0.0.1"

[care.woodland-basker]
uv_zone = 3
basking = { day = 32.0, night = 20.0, cut = 40.0 }
photoperiod = { follow = "clock", on = "08:00", off = "19:00" }

[[enclosure]]
id = "e1"
care = "woodland-basker"

[enclosure.probes.basking]
measures = "temperature"
topic = "garden/e1/basking"
every = "10s"

[enclosure.probes.basking-uv]
measures = "uvi"
topic = "garden/e1/uv"
every = "10s"

[enclosure.lamps.heat]
fitting = "ceramic-emitter"
watts = 75
warms = "basking"
relay = { set = "garden/e1/heat/set", state = "garden/e1/heat", hold = "5m" }

[enclosure.lamps.uvb]
fitting = "fluorescent-uvb"
watts = 24
lights = "basking-uv"
relay = { set = "garden/e1/uvb/set", state = "garden/e1/uvb" }
"""


def recording() -> str:
    """A basking spot that swings about its target in an hour, and a UVI that is there by day."""
    start = datetime(2026, 3, 1, tzinfo=timezone.utc)
    lines = []
    for second in range(0, 86_400, 10):
        t = (start + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%SZ")
        swing, is_day = math.sin(second / 3600 * math.tau), 8 <= second / 3600 < 19
        warm, uvi = (32.0 if is_day else 21.0) + 1.5 * swing, (4.0 + 0.1 * swing if is_day else 0.0)
        lines.append(json.dumps({"t": t, "topic": "garden/e1/basking", "payload": f"{warm:.2f}"}))
        lines.append(json.dumps({"t": t, "topic": "garden/e1/uv", "payload": f"{uvi:.2f}"}))
    return "\n".join(lines) + "\n"


def count(program: str, *arguments: str) -> int:
    """Instructions of one run."""
    with tempfile.TemporaryDirectory() as folder:
        out = f"--callgrind-out-file={folder}/out"
        command = ["valgrind", "--tool=callgrind", out, program, *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    found = re.search(r"Collected : (\d+)", done.stderr)
    if done.returncode != 0 or found is None:
        sys.exit(f"{' '.join(command)}: exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return int(found[1])


def main() -> None:
    arguments = sys.argv[1:]
    write = "--write" in arguments
    programs = [argument for argument in arguments if argument != "--write"]
    if len(programs) != 1:
        sys.exit(__doc__)
    [program] = programs
    with tempfile.TemporaryDirectory() as folder:
        room, day = Path(folder) / "room.toml", Path(folder) / "day.jsonl"
        room.write_text(ROOM)
        day.write_text(recording())
        counts = {
            "replay of a day": count(program, "replay", "-c", str(room), str(day)),
            "rehearsal of a calm day": count(program, "rehearse", "--json", str(STORY)),
        }
    if write:
        NOTED.write_text(json.dumps(counts, indent=4) + "\n")
    noted = json.loads(NOTED.read_text())
    worse = 0
    for work, instructions in counts.items():
        change = instructions / noted[work] - 1
        worse += change > TOLERANCE
        print(f"{work}: {instructions / 1e6:.1f} million instructions, {100 * change:+.1f} % of what is noted")
    if worse:
        sys.exit(f"more than {100 * TOLERANCE:.0f} % above benches/instructions.json: mend it, or note it with its reason")
    print(f"instructions: {len(counts)} passed")


if __name__ == "__main__":
    main()
