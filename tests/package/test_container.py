"""The container file builds from the package, and what it makes serves and answers.

The image below it is the Debian of debootstrap, so that no registry of images is needed; the package's dependencies come
from Debian's mirror, as they do for anybody.
"""

import contextlib
import json
import socket
import subprocess
import time

import machine
import pytest

STORE = machine.TARGET / "containers"
BELOW = f"localhost/debian:{machine.codename()}"
IMAGE = "localhost/lampwarden:test"
# Runs the image's own command, asks as its health check does before and after, and ends it as a container is ended.
STORY = """
health='{health}'
! $health || exit 10
{command} & daemon=$!
for _ in $(seq 100); do ! $health || break; sleep 0.1; done
$health || exit 11
kill -s {signal} $daemon
wait $daemon
"""


def buildah(*words, check=True):
    """Runs buildah on a store of its own and tells what it said."""
    store = ["--root", STORE / "store", "--runroot", STORE / "run", "--storage-driver", "overlay"]
    done = subprocess.run(["buildah", *store, *words], capture_output=True, text=True, check=False)
    if check and done.returncode != 0:
        raise AssertionError(f"buildah {' '.join(map(str, words))}\nended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout.strip()


def container(image):
    """A container of `image`, gone at the end."""
    name = buildah("from", "--pull-never", image)
    stack = contextlib.ExitStack()
    stack.callback(buildah, "rm", name)
    return stack, name


@pytest.fixture(scope="module", name="image")
def _image():
    """The image, built anew."""
    if not buildah("images", "--quiet", BELOW, check=False):
        stack, name = container("scratch")
        with stack:
            subprocess.run(["cp", "--archive", f"{machine.root()}/.", buildah("mount", name)], check=True)
            buildah("commit", "--quiet", name, BELOW)
    arguments = ["--build-arg", f"DEBIAN={BELOW}", "--build-arg", "PACKAGE=newer.deb"]
    buildah("build", "--isolation", "chroot", "--format", "docker", "--pull-never", "--no-cache", *arguments,
            "--file", machine.HOUSE / "deploy/Containerfile", "--tag", IMAGE, machine.TARGET)  # fmt: skip
    yield json.loads(buildah("inspect", "--type", "image", IMAGE))["Docker"]["config"]
    buildah("rmi", IMAGE)


@pytest.fixture(name="port")
def _port(tmp_path):
    """A broker on this machine."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = tmp_path / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n")
    with subprocess.Popen(["/usr/sbin/mosquitto", "-c", config], stderr=subprocess.DEVNULL) as broker:
        yield port
        broker.terminate()


def test_the_image_runs_as_nobody_in_particular_and_keeps_its_state_outside(image):
    assert image["User"] == "lampwarden"
    assert list(image["Volumes"]) == ["/var/lib/lampwarden"]
    assert image["Entrypoint"] + image["Cmd"] == ["/usr/bin/lampwarden", "serve", "-c", "/etc/lampwarden"]


def test_the_container_serves_answers_and_ends_in_order(image, port, tmp_path):
    folder = tmp_path / "lampwarden"
    folder.mkdir(mode=0o755)
    example = (machine.HOUSE / "config/one-enclosure.toml").read_text()
    assert "mqtt://127.0.0.1:1883" in example
    (folder / "room.toml").write_text(example.replace("mqtt://127.0.0.1:1883", f"mqtt://127.0.0.1:{port}"))
    marker, *health = image["Healthcheck"]["Test"]
    assert marker == "CMD"
    story = STORY.format(
        health=" ".join(health), command=" ".join(image["Entrypoint"] + image["Cmd"]), signal=image["StopSignal"]
    )
    stack, name = container(IMAGE)
    with stack:
        since = time.monotonic()
        said = buildah("run", "--isolation", "chroot", "--volume", f"{folder}:/etc/lampwarden:ro", name, "--",
                       "bash", "-c", story)  # fmt: skip
        assert "night-heat" in said, said
        assert time.monotonic() - since < 30
