"""The witness as a process: it looks while the set is up, says what it sees, and keeps nothing."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from typer.testing import CliRunner

from studiobridge.bridge.ownership import Alive, Beat
from studiobridge.cli import app as program
from studiobridge.cli.base import Stop
from studiobridge.witness import keeping
from studiobridge.witness.serving import pace
from tests.bridge.test_asyncapi import validator
from tests.brokers import Mosquitto, needs_mosquitto
from tests.panel.studio import Process, until
from tests.witness.little_room import LittleRoom, person

pytestmark = needs_mosquitto
SET = """\
format: 1
set: corner
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A, curve: B}}}
devices:
  key: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
  fill: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
  cloth: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
  rim: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
looks:
  lesson: {key: {level: 50 %}, fill: {level: 50 %}, cloth: {level: 50 %}, rim: {level: 50 %}}
"""
WITNESS = "witness: {frames: file now.jpg, every: 500 ms}\n"
AHEAD = 5000.0  # the bridge's clock before ours (s)
TOPIC = "studiobridge/corner"


class Bridge:
    """What a bridge shows, said by somebody else; and a witness's words, heard."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[float, str, Any]] = []
        self.silent = threading.Event()
        self.over = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.on_message = self._message
        own = [(f"{TOPIC}/witness/{kind}", 0) for kind in ("alive", "seen", "answer")]
        self.client.on_connect = lambda *_: self.client.subscribe(own)
        self.client.reconnect_delay_set(0.1, 0.3)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        threading.Thread(target=self._beat, daemon=True).start()

    def _message(self, client: object, data: object, message: Any) -> None:
        if message.payload:
            said = json.loads(message.payload)
            self.heard.append((time.monotonic(), message.topic.rpartition("/")[2], said))

    def say(self, topic: str, said: object, retain: bool = True) -> None:
        payload = said if isinstance(said, bytes) else json.dumps(said).encode()
        self.client.publish(f"{TOPIC}/{topic}", payload, qos=1, retain=retain)

    def stands(self, state: str, look: str | None = "lesson") -> None:
        self.say("alive", Alive(True, "b").payload())
        self.say("state", {"bridge": "b", "epoch": 1, "state": state, "look": look})

    def _beat(self) -> None:
        n = 0
        while not self.over.wait(0.3):
            if not self.silent.is_set() and self.client.is_connected():
                n += 1
                self.say("beat", Beat("b", 1, n, time.time() + AHEAD, 1.6).payload())

    def latest(self, kind: str) -> Any:
        return next((said for _, topic, said in reversed(self.heard) if topic == kind), None)

    def count(self, kind: str) -> int:
        return sum(topic == kind for _, topic, _ in self.heard)

    def ask(self, what: str, **more: Any) -> Any:
        id_ = f"{what}-{time.monotonic()}"
        body = {"id": id_, "what": what, "until": time.time() + AHEAD + 5, **more}
        self.say("witness/ask", body, retain=False)

        def answered() -> Any:
            return next((s for _, t, s in self.heard if t == "answer" and s["id"] == id_), None)

        until(lambda: answered() is not None, f"an answer to {what}")
        return answered()

    def stop(self) -> None:
        self.over.set()
        self.client.loop_stop()
        self.client.disconnect()


class Camera:
    """Writes a new picture of a room every little while, as a camera would.

    Of what stands as it stood a dozen pictures are made, each with a noise of its own, and shown
    in turn: making one anew each time took more than all that looks at them.
    """

    def __init__(self, path: Path, room: LittleRoom) -> None:
        self.path, self.room = path, room
        self.levels: Mapping[str, float] = dict.fromkeys(room.shares, 0.5)
        self.person = False
        self._made: dict[tuple[object, bool], list[bytes]] = {}
        self._shown = 0
        self.running = threading.Event()
        self.running.set()
        self.over = threading.Event()
        threading.Thread(target=self._run, daemon=True).start()

    def picture(self) -> np.ndarray[Any, Any]:
        light = self.room.light(self.levels)
        return self.room.frame(person(light, 0.5, 0.6)[0] if self.person else light)

    def _next(self) -> bytes:
        made = self._made.setdefault((tuple(self.levels.items()), self.person), [])
        if len(made) < 12:
            made.append(cv2.imencode(".jpg", self.picture())[1].tobytes())
            return made[-1]
        self._shown = (self._shown + 1) % 12
        return made[self._shown]

    def _run(self) -> None:
        while not self.over.wait(0.1):
            if self.running.is_set():
                new = self.path.with_suffix(".new")
                new.write_bytes(self._next())
                new.replace(self.path)


class Set:
    """A set with a camera, whose bridge is played, and a witness in a process of its own."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.folder, self.broker = folder, broker
        self.path = folder / "corner.yaml"
        self.path.write_text(SET + WITNESS, encoding="utf-8")
        self.room = LittleRoom()
        self.kept = keeping.folder_of(self.path)
        keeping.save(self.room.learned, self.kept)
        clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
        self.env = {
            **clean,
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_DATA": str(folder / "data"),
            "HOME": str(folder),
            "OPENBLAS_NUM_THREADS": "1",
            # what it writes is counted
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        self.bridge = Bridge(broker.port)
        self.camera = Camera(folder / "now.jpg", self.room)

    def witness(self) -> Process:
        return Process(self.env, "witness", "serve", self.path).start()

    def looking(self, after: int = 0) -> Any:
        """What is seen, as soon as something is that was not before."""
        before = self.bridge.count("seen") + after
        until(lambda: self.bridge.count("seen") > before, "something seen")
        return self.bridge.latest("seen")

    def alive(self, what: str, alive: bool = True, why: str = "") -> Any:
        def so() -> bool:
            said = self.bridge.latest("alive")
            return (
                said is not None
                and said["what"] == what
                and said["alive"] is alive
                and why in said["why"]
            )

        until(so, f"alive {alive}, {what}", 30)
        return self.bridge.latest("alive")


@pytest.fixture(scope="module")
def there(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Set]:
    folder = tmp_path_factory.mktemp("witness")
    with Mosquitto(folder) as broker:
        made = Set(folder, broker)
        yield made
        made.camera.over.set()
        made.bridge.stop()


def test_an_evening_with_the_witness(there: Set) -> None:
    bridge, camera = there.bridge, there.camera
    an_operator_who_is_away(there.broker)
    bridge.stands("dark", None)
    process = there.witness()
    try:
        # dark: nothing is looked at, and nothing reads the camera
        there.alive("waiting", why="dark")
        assert bridge.count("seen") == 0
        assert children(process.pid) == []

        bridge.stands("ready")
        seen = there.looking()
        assert list(validator("sighting").iter_errors(seen)) == []
        for name in camera.levels:
            amount = seen["lights"][name]["amount"]
            assert amount["low"] - 0.05 < 0.5 < amount["high"] + 0.05
        # by the clock of the bridge, from when it was written
        assert abs(seen["taken"] - time.time() - AHEAD) < 60
        assert 0 <= seen["age"] < 5
        alive = there.alive("looking")
        assert (alive["learned"], alive["every"]) == (there.room.learned.made, 0.5)
        before = wrote(process.pid)

        # what is asked
        look = bridge.ask("look")
        assert (look["code"], look["detail"]["sighting"]["run"]) == (0, seen["run"])
        still = bridge.ask("still")
        picture = decoded(still["detail"]["picture"])
        assert picture.shape[1] == there.room.learned.size[0]
        assert abs(float(picture.mean()) - float(camera.picture().mean())) < 3
        assert still["detail"]["contours"]
        would = bridge.ask("preview", lights={"key": {"level": 100.0}})
        assert decoded(would["detail"]["picture"]).mean() < picture.mean()
        assert bridge.ask("preview", lights={"nobody": {"level": 100.0}})["code"] == 1
        for nonsense in (b"[", b'{"id": 1}', b"\xff", b"x" * 5000):
            bridge.say("witness/ask", nonsense, retain=False)
        late = {"id": "late", "what": "still", "until": time.time() + AHEAD - 60}
        bridge.say("witness/ask", late, retain=False)
        assert bridge.ask("look")["code"] == 0
        assert not any(t == "answer" and s["id"] == "late" for _, t, s in bridge.heard)

        # nothing of all this was kept, by either process or by the broker for who is away; and
        # nobody is
        (reader,) = children(process.pid)
        assert [*left_by(process.pid), *left_by(reader)] == []
        # that a file was read is written down on some disks; a picture is larger
        assert wrote(process.pid) - before <= 8192
        assert re.search(r"Max file size +0 ", Path(f"/proc/{reader}/limits").read_text())
        assert picture_kept_by(there.broker, still["detail"]["picture"]) is False
        beside = {"now.jpg", "now.new", "corner.yaml"}
        assert {p.name for p in there.path.parent.iterdir() if p.suffix != ".db"} - beside <= {
            *("corner.witness", "data", "broker.conf", "broker.log", "mosquitto.db"),
        }
        assert not (there.kept / "kept-lesson.json").exists()
        camera.person = True
        time.sleep(1.2)
        kept = bridge.ask("keep", look="lesson")
        assert kept["code"] == 0, kept
        assert "is not in it" in kept["text"]
        reference = keeping.kept_picture("lesson", there.kept)
        assert reference is not None
        clean = there.room.frame(there.room.light(camera.levels), noise=False)
        differs = np.abs(reference.codes.astype(int) - clean).max(axis=2) > 60
        assert (differs & reference.counts).mean() < 0.002
        assert bridge.ask("keep", look="../such")["code"] == 1
        camera.person = False

        # a lamp that moved since, and where
        assert still["detail"]["outlines"] == []
        camera.levels["rim"] = 0.9
        until(lambda: (bridge.latest("seen") or {})["lights"]["rim"]["moved"], "the rim moved")
        (line, *_) = bridge.ask("still")["detail"]["outlines"]
        assert (line["what"], line["name"]) == ("light", "rim")
        right = [x for x, _ in line["points"]]
        assert 0.5 < sum(right) / len(right) < 1.0  # the rim lights the right of this room
        camera.levels["rim"] = 0.5

        # a source that dies is said, and found again
        camera.running.clear()
        (there.folder / "now.jpg").unlink()
        there.alive("no frames", why="now.jpg")
        camera.running.set()
        there.alive("looking")

        # the bridge falls silent: nothing is said to nobody, and nothing comes late
        bridge.silent.set()
        there.alive("waiting", why="no bridge")
        time.sleep(1.0)
        count = bridge.count("seen")
        bridge.silent.clear()
        seen = there.looking()
        assert seen["taken"] > time.time() + AHEAD - 5
        assert bridge.count("seen") - count < 4

        # the broker goes and comes
        there.broker.stop()
        time.sleep(1.5)
        back = time.time() + AHEAD
        heard = len(bridge.heard)
        there.broker.start()
        until(lambda: bridge.client.is_connected(), "the bridge is back")
        bridge.stands("ready")
        there.looking()
        fresh = [s for _, t, s in bridge.heard[heard:] if t == "seen"]
        assert all(s["taken"] > back - 0.1 for s in fresh)

        # two at once: the later looks, the other ends and is not started again
        second = there.witness()
        try:
            assert process.wait(30) == 0
            assert any("another witness" in line for line in process.lines)
            until(lambda: bridge.latest("seen")["run"] != seen["run"], "the second sees")
            assert bridge.latest("alive")["alive"] is True

            # stopped as a process: what comes after is not of before
            os.kill(second.pid, signal.SIGSTOP)
            camera.running.clear()
            time.sleep(1.5)
            heard = len(bridge.heard)
            os.kill(second.pid, signal.SIGCONT)
            time.sleep(1.0)
            for _, kind, said in bridge.heard[heard:]:
                if kind == "seen":
                    assert said["taken"] < time.time() + AHEAD - 1.0
            camera.running.set()

            # killed: the will says so, whatever it was doing; and nobody reads the camera any more
            readers = children(second.pid)
            second.kill()
            there.alive("waiting", alive=False)
            until(lambda: not any(Path(f"/proc/{p}").exists() for p in readers), "it lets go")
        finally:
            second.stop()
    finally:
        process.stop()
    for line in process.lines:
        assert "Traceback" not in line


def test_a_hand_on_a_dial_is_followed_twice_a_second_or_better() -> None:
    still, turned = {"key": {"turning_by": None}}, {"key": {}, "rim": {"turning_by": "Ana"}}
    assert pace(10.0, still, asked=False) == 10.0
    assert pace(10.0, turned, asked=False) <= 0.5
    assert pace(10.0, still, asked=True) <= 0.5
    assert pace(0.25, turned, asked=True) == 0.25


@pytest.mark.parametrize("command", ["serve", "look"])
def test_no_witness_in_a_profile_is_a_word(tmp_path: Path, command: str) -> None:
    path = tmp_path / "corner.yaml"
    path.write_text(SET, encoding="utf-8")
    done = CliRunner().invoke(program.app, ["witness", command, str(path)])
    assert isinstance(done.exception, Stop)
    assert done.exception.code == 2
    assert "corner.yaml has no `witness:`" in str(done.exception)


def test_without_its_libraries_it_says_how_to_get_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "corner.yaml"
    path.write_text(SET + WITNESS, encoding="utf-8")
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    done = CliRunner().invoke(program.app, ["witness", "serve", str(path)])
    assert isinstance(done.exception, Stop)
    assert done.exception.code == 2
    assert "pip install 'studiobridge[witness]'" in str(done.exception)


def test_a_broker_that_is_not_there_is_said(there: Set) -> None:
    env = {**there.env, "STUDIOBRIDGE_BROKER": "mqtt://127.0.0.1:1"}
    process = Process(env, "witness", "serve", there.path).start()
    process.said("not reached.*nothing is looked at")
    assert process.stop() == 0
    assert sum("not reached" in line for line in process.lines) == 1


def test_a_stop_ends_it_at_once_and_says_so(there: Set) -> None:
    there.bridge.stands("ready")
    process = there.witness()
    there.looking()
    began = time.monotonic()
    assert process.stop() == 0
    assert time.monotonic() - began < 2
    assert there.alive("waiting", alive=False)["why"] == "it was stopped"


NEVER_ENDS = """
import asyncio, atexit, sys, threading, time
from studiobridge import cli
from studiobridge.cli import app
from studiobridge.witness.beside import in_thread

async def main():
    look = asyncio.create_task(in_thread(time.sleep, SECONDS))
    await asyncio.sleep(0.1)
    look.cancel()

def command():
    asyncio.run(main())
    sys.exit(7)

app.main = command
atexit.register(lambda: print("threads at the end:", threading.active_count() - 1))
cli.main()
"""


@pytest.mark.parametrize("seconds, said", [("0.5", "threads at the end: 0\n"), ("30", "")])
def test_python_does_not_end_under_a_look(seconds: str, said: str) -> None:
    """It stands still for ever or falls over then, if the look is inside of a library."""
    code = NEVER_ENDS.replace("SECONDS", seconds)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=20, check=False
    )
    assert (done.returncode, done.stdout) == (7, said), done.stderr


def decoded(text: str) -> np.ndarray[Any, Any]:
    data = base64.b64decode(text)
    assert len(data) <= 150_000
    found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    return found


def left_by(pid: int) -> list[str]:
    """What a process could put a picture into but pipes and sockets: files, shared memory."""
    of = Path(f"/proc/{pid}")
    found = [line for line in (of / "maps").read_text().splitlines() if " rw-s " in line]
    for fd in (of / "fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # closed meanwhile
            flags = re.search(r"^flags:\s+(\d+)", (of / "fdinfo" / fd.name).read_text(), re.M)
            if flags and int(flags[1], 8) & (os.O_WRONLY | os.O_RDWR) and fd.is_file():
                found.append(f"writes {fd.readlink()}")
    return found


def wrote(pid: int) -> int:
    """Bytes that a process gave to a disk, or made one write later."""
    found = re.search(r"^write_bytes: (\d+)", Path(f"/proc/{pid}/io").read_text(), re.M)
    assert found is not None
    return int(found[1])


def an_operator_who_is_away(broker: Mosquitto) -> None:
    """A name whose messages the broker keeps until it is back."""
    stays = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    stays.SessionExpiryInterval = 3600
    phone = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="phone", protocol=mqtt.MQTTv5)
    there = threading.Event()
    phone.on_subscribe = lambda *_: there.set()
    phone.connect("127.0.0.1", broker.port, clean_start=False, properties=stays)
    phone.loop_start()
    phone.subscribe("studiobridge/#", 1)
    assert there.wait(5)
    phone.disconnect()
    phone.loop_stop()


def picture_kept_by(broker: Mosquitto, picture: str) -> bool:
    """Is it in what the broker writes to its disk, now that it is told to?"""
    file = broker.folder / "mosquitto.db"
    before = file.stat().st_mtime_ns if file.exists() else 0
    assert broker.process is not None
    broker.process.send_signal(signal.SIGUSR1)
    until(lambda: file.exists() and file.stat().st_mtime_ns != before, "the broker's file")
    kept = file.read_bytes()
    assert b"phone" in kept
    return picture[:100].encode() in kept or base64.b64decode(picture)[:64] in kept


def children(pid: int) -> list[int]:
    return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
