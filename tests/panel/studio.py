"""A whole studio in processes of their own: broker, simulated room, bridge, page."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from studiobridge.panel.keys import Keys, keys_path
from studiobridge.profile import read_profile
from studiobridge.profile.model import Patience, SetProfile
from studiobridge.rehearsal.live import LiveRoom
from tests.brokers import Mosquitto
from tests.receiving import an_address

CONFIG = Path(__file__).parents[2] / "config"
MAIN = "from studiobridge.cli import main; main()"
WAITS = re.compile(
    r"\b(boots_in|cools_in|shuts_in|idle_for|closes_in|settle|listen|fade): ([\d.]+) s"
)


def quick(text: str, by: float = 4.0) -> str:
    """The same profile with every wait of its gear shortened, and how long a bridge listens first."""

    def shorter(found: re.Match[str]) -> str:
        return f"{found[1]}: {max(0.2, float(found[2]) / by):.2f} s"

    text = re.sub(r"call_times:\n(  - .*\n)+", "", text)
    # frames go to this machine's own fixtures
    text = text.replace("{to: multicast}", f"{{to: {an_address()}}}")
    if not re.search(r"(?m)^patience:", text):
        text = f"{text.rstrip()}\npatience: {{listen: {Patience().listen:g} s}}\n"
    return WAITS.sub(shorter, text)


class Process:
    """One of our commands, with what it said; killed for good at the end."""

    def __init__(self, env: dict[str, str], *args: object) -> None:
        self.env, self.args = env, [str(a) for a in args]
        self.lines: list[str] = []
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> Process:
        self._process = subprocess.Popen(
            [sys.executable, "-c", MAIN, *self.args],
            env=self.env,
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._readers = [
            threading.Thread(target=self._read, args=(stream,), daemon=True)
            for stream in (self._process.stderr, self._process.stdout)
        ]
        for reader in self._readers:
            reader.start()
        return self

    def _read(self, stream) -> None:  # type: ignore[no-untyped-def]
        for line in stream:
            self.lines.append(line.rstrip("\n"))

    def said(self, pattern: str, within: float = 60.0) -> str:
        """The first line that holds this pattern, when it comes."""
        end = time.monotonic() + within
        while time.monotonic() < end:
            for line in list(self.lines):
                if re.search(pattern, line):
                    return line
            assert self._process is not None
            if self._process.poll() is not None and time.monotonic() > end - within + 1:
                break
            time.sleep(0.02)
        raise AssertionError(f"{self.args[0]} never said {pattern!r}: {self.lines}")

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait(10)
        self.lines.clear()

    def wait(self, within: float = 30.0) -> int:
        """Its exit code, when it has ended and all it said was read."""
        assert self._process is not None
        code = self._process.wait(within)
        for reader in self._readers:
            reader.join(5.0)
        return code

    def stop(self) -> int | None:
        if self._process is None or self._process.poll() is not None:
            return None
        self._process.send_signal(signal.SIGTERM)
        try:
            return self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait(10)


@dataclass
class Studio:
    broker: Mosquitto
    profile: SetProfile
    path: Path
    room: LiveRoom
    bridge: Process
    page: Process
    env: dict[str, str]
    url: str = ""
    more: list[Process] = field(default_factory=list)

    def command(self, *args: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", MAIN, *map(str, args)],
            env=self.env,
            capture_output=True,
            text=True,
            timeout=60,
        )

    def code(self, *more: str) -> str:
        """As `panel pair` gives one, without a process for it; what the command says is tested in test_access."""
        keys = Keys(keys_path(Path(self.env["STUDIOBRIDGE_DATA"])))
        return keys.new_code("viewer" if "--viewer" in more else "operator")


def until(test: Callable[[], bool], what: str, within: float = 60.0) -> None:
    end = time.monotonic() + within
    while not test():
        assert time.monotonic() < end, f"not within {within} s: {what}"
        time.sleep(0.02)


@contextlib.contextmanager
def studio(
    folder: Path,
    name: str = "wheel-corner",
    settings: str = "",
    env: Mapping[str, str] | None = None,
    title: str = "",
    zone: str = "",
    page_too: bool = True,
) -> Iterator[Studio]:
    """Everything running, nobody paired. `env` is for its processes; a title and a time zone
    stand in the place of the profile's own. Who looks at no page does without its process."""
    path = folder / f"{name}.yaml"
    text = quick((CONFIG / f"{name}.yaml").read_text(encoding="utf-8"))
    for key, value in (("title", title), ("time_zone", zone)):
        if value:
            text = f'{key}: "{value}"\n' + re.sub(rf"(?m)^{key}: .*\n", "", text)
    path.write_text(text, encoding="utf-8")
    profile = read_profile(path).profile
    chosen = folder / "settings.yaml"
    chosen.write_text(settings or "panel: {port: 0}\n", encoding="utf-8")
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    with Mosquitto(folder) as broker:
        env = {
            **clean,
            **(env or {}),
            "HOME": str(folder),
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_DATA": str(folder / "data"),
            "STUDIOBRIDGE_SETTINGS": str(chosen),
            "STUDIOBRIDGE_SET": profile.name,
        }
        bridge = Process(env, "run", path)
        page = Process(env, "panel", "serve", path)
        with LiveRoom(profile, "127.0.0.1", broker.port) as room:
            made = Studio(broker, profile, path, room, bridge, page, env)
            try:
                # both at once: each is a second of loading before it does anything
                bridge.start()
                if page_too:
                    page.start()
                    # whoever asks it what it loads gets that in between
                    (made.url,) = re.findall(r"https?://[\w.:-]+", page.said("the page is at http"))
                bridge.said("running on")
                yield made
            finally:
                page.stop()
                bridge.stop()
                for process in made.more:
                    process.stop()
