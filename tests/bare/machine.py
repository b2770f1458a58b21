"""A bare Debian of our own, booted with its own systemd in a container that shares this machine's network."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

INCLUDE = "systemd,systemd-sysv,dbus,python3,python3-venv,ca-certificates"
HANDED_IN = re.compile(r"PIP_|SSL_CERT|REQUESTS_CA|CURL_CA|(https?|no|all)_proxy$", re.IGNORECASE)
PIP_FILES = ("/etc/pip.conf", "~/.config/pip/pip.conf", "~/.pip/pip.conf")
BUNDLE = Path("/etc/ssl/certs/ca-certificates.crt")
# how long (s) a machine takes to boot and to end, at the very most
BOOTS_WITHIN, ENDS_WITHIN = 90.0, 25.0
# what systemd-nspawn ends with when the machine in it wants to boot again (as its EXIT_FORCE_RESTART)
REBOOTS = 133


class CannotRun(Exception):
    """This machine cannot boot another one inside it; the text says why."""


def can_run() -> None:
    """Raises CannotRun."""
    if os.geteuid() != 0:
        raise CannotRun("a machine in a machine takes root")
    needs = {
        "debootstrap": "debootstrap",
        "systemd-nspawn": "systemd-container",
        "nsenter": "util-linux",
    }
    for program, package in needs.items():
        if shutil.which(program) is None:
            raise CannotRun(f"{program} is missing here (Debian's package {package})")


def mirror_here() -> str:
    """Where this machine gets Debian from, else Debian's own address."""
    files = [Path("/etc/apt/sources.list"), *Path("/etc/apt/sources.list.d").glob("*.sources")]
    for file in files:
        with contextlib.suppress(OSError):
            for line in file.read_text(encoding="utf-8").splitlines():
                found = re.match(
                    r"(?:deb\s+(?:\[[^]]*\]\s+)?|URIs:\s*)(https?://\S+/debian/?)(\s|$)", line
                )
                if found:
                    return found[1]
    return "http://deb.debian.org/debian"


def make_base(folder: Path, suite: str) -> Path:
    """The bare Debian that every machine starts as a copy of. Kept in `folder`. Raises CannotRun."""
    base = folder / suite
    if (base / "made").exists():
        return base
    shutil.rmtree(base, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / f"{suite}.log"
    with log.open("wb") as out:
        done = subprocess.run(
            [
                "debootstrap",
                "--variant=minbase",
                f"--include={INCLUDE}",
                suite,
                str(base),
                mirror_here(),
            ],
            stdout=out,
            stderr=out,
            check=False,
        )
    if done.returncode != 0:
        said = log.read_text(errors="replace").strip().splitlines()[-1:]
        shutil.rmtree(base, ignore_errors=True)
        raise CannotRun(f"debootstrap did not work: {' '.join(said)}")
    (base / "made").touch()
    return base


def _pip_folders() -> set[Path]:
    """Folders on this machine that pip is told to look into."""
    texts = [v for k, v in os.environ.items() if k.startswith("PIP_")]
    for name in PIP_FILES:
        with contextlib.suppress(OSError):
            texts.append(Path(name).expanduser().read_text(encoding="utf-8"))
    found = set()
    for word in re.findall(r"(?:file://)?/[^\s,'\"]+", "\n".join(texts)):
        path = Path(word.removeprefix("file://"))
        if path.is_dir():
            # an index refers to the files beside it
            found.add(path.parent if word.startswith("file://") else path)
    return found


class Talk:
    """A command that goes on: what it says as it says it, and how it ended."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def lines(self) -> Iterator[str]:
        assert self._process.stdout is not None
        yield from self._process.stdout

    def ended(self) -> int:
        return self._process.wait(30)


class Machine:
    """A copy of a base, booted. A context manager: at its end nothing of it is left."""

    def __init__(self, base: Path) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="studiobridge-bare-"))
        self.root = self._folder / "root"
        self.name = self._folder.name.replace("_", "x").lower()
        self._nspawn: subprocess.Popen[bytes] | None = None
        self.log = self._folder / "console"
        done = subprocess.run(
            ["cp", "-a", "--reflink=auto", str(base), str(self.root)],
            check=False,
            capture_output=True,
        )
        if done.returncode != 0:
            self.close()
            raise CannotRun(f"the copy of the base failed: {done.stderr.decode()[:200]}")
        self._hand_in()

    def _hand_in(self) -> None:
        """This machine's way to Debian and to the package index."""
        for name in PIP_FILES:
            file = Path(name).expanduser()
            if file.is_file():
                there = self.root / (name.replace("~", "root").lstrip("/"))
                there.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(file, there)
        if BUNDLE.is_file():
            shutil.copy(BUNDLE, self.root / BUNDLE.relative_to("/"))
        for file in Path("/etc/apt/apt.conf.d").glob("*"):
            with contextlib.suppress(OSError):
                text = file.read_text(encoding="utf-8")
                if "Acquire::" in text and "Post-Invoke" not in text:
                    shutil.copy(file, self.root / "etc/apt/apt.conf.d" / file.name)
        kept = {k: v for k, v in os.environ.items() if HANDED_IN.match(k)}
        kept |= {
            "HOME": "/root",
            "TERM": "dumb",
            "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        }
        (self.root / "root/env.sh").write_text(
            "".join(f"export {k}={shlex.quote(v)}\n" for k, v in kept.items())
        )
        hosts = Path("/etc/hosts").read_text(encoding="utf-8")
        (self.root / "etc/hosts").write_text(f"127.0.1.1 {self.name}\n{hosts}")
        (self.root / "etc/hostname").write_text(f"{self.name}\n")

    def __enter__(self) -> Machine:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- its life --------------------------------------------------------------------------

    def boot(self) -> None:
        """Raises CannotRun where a machine cannot boot here."""
        binds = [f"--bind-ro={folder}" for folder in sorted(_pip_folders())]
        with self.log.open("wb") as out:
            self._nspawn = subprocess.Popen(
                [
                    # who is killed takes the machine along
                    "setpriv", "--pdeathsig", "KILL", "systemd-nspawn", "-q", "-D", str(self.root), "-M", self.name, "--boot",
                    "--register=no", "--keep-unit", "--console=pipe", *binds,
                ],
                stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True,
            )  # fmt: skip
        self._await_boot()

    def _await_boot(self) -> None:
        end = time.monotonic() + BOOTS_WITHIN
        while time.monotonic() < end:
            assert self._nspawn is not None
            if self._nspawn.poll() is not None:
                said = self.log.read_text(errors="replace").strip().splitlines()[-1:]
                raise CannotRun(f"a machine does not boot in here: {' '.join(said)}")
            if self._init() is not None:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    _, said = self.run("systemctl is-system-running", within=10)
                    if said.strip() in ("running", "degraded"):
                        return
            time.sleep(0.2)
        raise CannotRun(f"a machine does not come up in here within {BOOTS_WITHIN:.0f} s")

    def _init(self) -> int | None:
        """The process here that is number 1 in there."""
        assert self._nspawn is not None
        with contextlib.suppress(OSError):
            children = Path(f"/proc/{self._nspawn.pid}/task/{self._nspawn.pid}/children")
            for child in children.read_text().split():
                status = Path(f"/proc/{child}/status").read_text()
                if re.search(r"^NSpid:.*\t1$", status, re.MULTILINE):
                    return int(child)
        return None

    def reboot(self) -> None:
        assert self._nspawn is not None
        self.run("systemctl reboot", within=20)
        # its end says that it wants to be started again, which is ours to do
        code = self._nspawn.wait(ENDS_WITHIN)
        assert code == REBOOTS, f"the machine ended with {code}"
        self.boot()

    def close(self) -> None:
        if self._nspawn is not None and self._nspawn.poll() is None:
            init = self._init()
            if init is not None:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(init, signal.SIGRTMIN + 4)  # systemd: power off
            try:
                self._nspawn.wait(ENDS_WITHIN)
            except subprocess.TimeoutExpired:
                if init is not None:
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(init, signal.SIGKILL)
                self._nspawn.kill()
                self._nspawn.wait(10)
        # what is mounted below it would be taken with it
        for line in reversed(Path("/proc/self/mounts").read_text().splitlines()):
            if line.split()[1].startswith(f"{self._folder}/"):
                subprocess.run(["umount", "-l", line.split()[1]], check=False, capture_output=True)
        shutil.rmtree(self._folder, ignore_errors=True)

    # ---- in it ------------------------------------------------------------------------------

    def run(self, command: str, within: float = 60.0) -> tuple[int, str]:
        """A command as root in there: its exit code and all it said. Killed after `within` s."""
        init = self._init()
        if init is None:
            return -1, ""
        done = subprocess.run(
            [
                "nsenter", "-t", str(init), "-m", "-u", "-i", "-p", "--wd", "--",
                "/usr/bin/env", "-i", "/bin/bash", "-c", f". /root/env.sh; cd /root; {command}",
            ],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            timeout=within, check=False, text=True, errors="replace",
        )  # fmt: skip
        return done.returncode, done.stdout

    def talk(self, command: str) -> Talk:
        """A command as root in there that is answered to while it goes on."""
        return Talk(
            subprocess.Popen(
                [
                    "nsenter", "-t", str(self._init()), "-m", "-u", "-i", "-p", "--wd", "--",
                    "/usr/bin/env", "-i", "/bin/bash", "-c", f". /root/env.sh; cd /root; {command}",
                ],
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                text=True, errors="replace", bufsize=1,
            )
        )  # fmt: skip

    def must(self, command: str, within: float = 60.0) -> str:
        code, said = self.run(command, within)
        assert code == 0, f"in the machine, `{command}` ended with {code}:\n{said[-3000:]}"
        return said

    def put(self, path: str, text: str) -> None:
        there = self.root / path.lstrip("/")
        there.parent.mkdir(parents=True, exist_ok=True)
        there.write_text(text, encoding="utf-8")

    def read(self, path: str) -> str:
        return (self.root / path.lstrip("/")).read_text(encoding="utf-8")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("", 0))
        return int(one.getsockname()[1])
