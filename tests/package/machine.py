"""A Debian of its own, booted with systemd, to install the package into.

The root is made once by debootstrap and kept under `target/`; it is never written to: each machine runs on a layer of
memory above it that is gone when it stops. It sees no network but its own loopback.
"""

import os
import pathlib
import shutil
import signal
import subprocess
import time

HOUSE = pathlib.Path(__file__).parents[2]
TARGET = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", HOUSE / "target")).resolve() / "package"
PACKAGES = ["systemd-sysv", "dbus", "adduser", "sudo", "mosquitto", "mosquitto-clients", "openssl"]
ENVIRONMENT = {
    "LANG": "C.UTF-8",
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "SUDO_EDITOR": "/usr/local/bin/edit",
}


def codename():
    """The Debian that this machine runs, whose libraries the program was linked against."""
    release = dict(line.split("=", 1) for line in pathlib.Path("/etc/os-release").read_text().splitlines() if "=" in line)
    return release["VERSION_CODENAME"].strip('"')


def root():
    """The folder of a fresh Debian; makes it where there is none yet."""
    made = TARGET / f"debian-{codename()}"
    if made.is_dir():
        return made
    draft = made.with_suffix(".draft")
    shutil.rmtree(draft, ignore_errors=True)
    draft.mkdir(parents=True)
    command = ["debootstrap", "--variant=minbase", f"--include={','.join(PACKAGES)}", codename(), draft]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False)
    if done.returncode != 0:
        said = "\n".join(done.stdout.splitlines()[-15:])
        raise RuntimeError(f"no Debian to install into: debootstrap failed; is Debian's mirror reachable?\n{said}")
    draft.rename(made)
    return made


class Machine:
    """A booted machine."""

    def __init__(self):
        self.log = TARGET / "machine.log"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [
                    "systemd-nspawn", "--quiet", "--directory", root(), "--volatile=overlay", "--register=no", "--keep-unit",
                    "--private-network", "--console=pipe", "--machine=lampwarden-test", "--boot",
                ],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        try:
            self.first = self.until(self.first_process, 30, "its first process runs")
            self.until(lambda: self.run("systemctl is-system-running --wait", check=False).strip() == "running", 60, "it is up")
            self.run('printf "127.0.0.1 localhost\\n127.0.1.1 %s\\n" "$(hostname)" >/etc/hosts')
        except Exception:
            self.stop()
            raise

    def first_process(self):
        """The process id, seen from outside, of its first process, once that is systemd."""
        if self.process.poll() is not None:
            raise RuntimeError(f"no machine: systemd-nspawn ended: {self.log.read_text()}")
        children = pathlib.Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        is_systemd = children and pathlib.Path(f"/proc/{children[0]}/comm").read_text().strip() == "systemd"
        return int(children[0]) if is_systemd else None

    def until(self, condition, within, what):
        """Waits until `condition` holds and tells what it was."""
        deadline = time.monotonic() + within
        while not (found := condition()):
            if time.monotonic() > deadline:
                raise AssertionError(f"not within {within} s: {what}")
            time.sleep(0.1)
        return found

    def inside(self, user="root"):
        """How a command gets in there."""
        home = "/root" if user == "root" else f"/home/{user}"
        variables = [f"{name}={value}" for name, value in (ENVIRONMENT | {"HOME": home}).items()]
        return [
            "nsenter", "--target", str(self.first), "--all", "--", "env", f"--chdir={home}", "--ignore-environment", *variables,
            "runuser", "--user", user, "--", "bash", "-euo", "pipefail",
        ]  # fmt: skip

    def run(self, script, check=True, user="root", within=120):
        """Runs a script of bash and tells what it said, on either stream."""
        done = subprocess.run(
            [*self.inside(user), "-c", script],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=within, check=False,
        )  # fmt: skip
        if check and done.returncode != 0:
            raise AssertionError(f"{script}\nended with {done.returncode}:\n{done.stdout}")
        return done.stdout

    def put(self, path, text, mode=0o644):
        """Writes a file there."""
        script = f"mkdir -p {os.path.dirname(path)} && cat >{path} && chmod {mode:o} {path}"
        subprocess.run([*self.inside(), "-c", script], input=text.encode(), check=True)

    def copy(self, source, path):
        """Copies a file there."""
        with open(source, "rb") as file:
            subprocess.run([*self.inside(), "-c", f"mkdir -p {os.path.dirname(path)} && cat >{path}"], stdin=file, check=True)

    def starts(self, script):
        """Starts a script that runs until the machine stops."""
        subprocess.Popen([*self.inside(), "-c", script], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                         stderr=subprocess.DEVNULL, start_new_session=True)  # fmt: skip

    def stop(self):
        """Pulls its plug: nothing of it is to be kept."""
        if self.process.poll() is None:
            if getattr(self, "first", None):
                os.kill(self.first, signal.SIGKILL)
            else:
                self.process.kill()
        self.process.wait()


if __name__ == "__main__":
    print(root())
