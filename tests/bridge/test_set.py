"""The whole bridge over a real broker: Mosquitto and the embedded one, the same suite."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from studiobridge.bridge import daemon as bridge_daemon
from studiobridge.bridge.asking import Asker, NoBridge, NoBroker
from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.settings import BrokerSettings, Settings
from studiobridge.bridge.tables import record_path
from studiobridge.cli.evening import paced
from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile
from studiobridge.profile.said import Answer
from studiobridge.rehearsal.live import LiveRoom
from tests.brokers import Mosquitto, Sub, broker_of, needs_mosquitto, pub

CONFIG = Path(__file__).parents[2] / "config"
BOTH = ["mosquitto", "embedded"]
pytestmark = needs_mosquitto


@dataclass
class Stage:
    """A running set with its room and a visitor."""

    port: int
    settings: Settings
    profile: SetProfile
    runner: SetRunner
    room: LiveRoom
    asker: Asker
    said: list[str]

    async def ask(self, what: str, **more: object) -> Answer:
        last: Answer | None = None
        async with asyncio.timeout(60):
            async for answer in self.asker.ask(what, **more):
                last = answer
        assert last is not None
        return last

    async def until(self, test: Callable[[], bool], within: float = 15.0) -> None:
        end = time.monotonic() + within
        while not test():
            assert time.monotonic() < end, self.asker.shown.state
            await self.asker.changed(0.1)

    @property
    def state(self) -> str:
        return str((self.asker.shown.state or {}).get("state"))


def settings_for(port: int, data: Path) -> Settings:
    return Settings(broker=BrokerSettings(host="127.0.0.1", port=port, keep_alive=5), data=data)


@asynccontextmanager
async def stage(port: int, tmp_path: Path, name: str = "wheel-corner") -> AsyncIterator[Stage]:
    path = tmp_path / f"{name}.yaml"
    path.write_bytes((CONFIG / f"{name}.yaml").read_bytes())
    profile = paced(read_profile(path).profile, 10.0)
    settings = settings_for(port, tmp_path / "data")
    said: list[str] = []
    with LiveRoom(profile, "127.0.0.1", port) as room:
        runner = SetRunner(path, profile, settings, say=said.append)
        task = asyncio.create_task(runner.run())
        try:
            async with asyncio.timeout(20):
                await runner.ready.wait()
            async with Asker(settings, profile.name) as asker:
                await asker.need_bridge()
                yield Stage(port, settings, profile, runner, room, asker, said)
        finally:
            runner.stop()
            await task
        assert room.error is None


@pytest.mark.parametrize("kind", BOTH)
def test_an_evening(kind: str, tmp_path: Path) -> None:
    async def evening(port: int) -> None:
        async with stage(port, tmp_path) as s:
            up = await s.ask("up")
            assert up.code == 0, up.text
            await s.until(lambda: s.state == "ready")
            assert s.room.room.devices["key"].level == pytest.approx(64, abs=1)
            s.room.touch("fill", level=70.0)
            await s.until(lambda: s.state == "adrift" and bool(s.asker.shown.drift))
            (entry,) = s.asker.shown.drift
            assert entry["device"] == "fill"
            restored = await s.ask("restore")
            assert restored.code == 0, restored.text
            await s.until(lambda: s.state == "ready" and not s.asker.shown.drift)
            s.room.roll("camera", True)
            await s.until(lambda: bool((s.asker.shown.state or {}).get("rolling")))
            refused = await s.ask("restore")
            assert refused.code == 1
            s.room.roll("camera", False)
            down = await s.ask("down")
            assert down.code == 0, down.text
            assert s.room.room.harms == []
            assert not s.room.room.devices["key"].energised
        # the record tells it all
        reader = Reader(record_path(tmp_path / "data", "wheel-corner"))
        (session,) = reader.sessions()
        assert session["closed"] is not None
        assert session["kwh"] is not None
        steps = reader.steps(run=1)
        for step in {(s["n"], s["device"]) for s in steps}:
            phases = [s["phase"] for s in steps if (s["n"], s["device"]) == step]
            assert phases[0] == "intended"
            waited = any(s["action"] in ("boots", "cool down") for s in steps if s["n"] == step[0])
            assert phases[-1] == ("waited out" if waited else "confirmed")
        assert [d["how"] for d in reader.drifts()] == ["restored"]
        reader.close()

    with broker_of(kind, tmp_path) as port:
        asyncio.run(evening(port))


def test_a_camera_that_rolls_while_the_disk_takes_its_time_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was decided and waits for the record is not told any more when it has been written."""
    monkeypatch.setattr(bridge_daemon, "NOTE_WITHIN", 4.0)  # time enough to roll on a busy machine

    async def evening(port: int) -> None:
        async with stage(port, tmp_path) as s:
            assert (await s.ask("up")).code == 0
            s.room.touch("fill", level=70.0)
            await s.until(lambda: bool(s.asker.shown.drift))
            disk = sqlite3.connect(record_path(tmp_path / "data", "wheel-corner"))
            disk.execute("BEGIN IMMEDIATE")  # nobody else can write now
            asked = asyncio.create_task(s.ask("restore"))
            await s.until(lambda: s.runner.core.controller.run is not None)
            s.room.roll("camera", True)
            await s.until(lambda: bool((s.asker.shown.state or {}).get("rolling")))
            disk.rollback()
            disk.close()
            await asyncio.sleep(1.5)
            assert s.room.room.devices["fill"].level == 70.0
            s.room.roll("camera", False)
            answer = await asked
            assert answer.code == 0, answer.text
            assert s.room.room.devices["fill"].level == pytest.approx(32, abs=1)

    with broker_of("mosquitto", tmp_path) as port:
        asyncio.run(evening(port))


def test_keep_writes_the_file(tmp_path: Path) -> None:
    async def evening(port: int) -> None:
        async with stage(port, tmp_path, "one-plug-one-light") as s:
            # left at another level, so that "ready" waits until it has done as told
            s.room.touch("shelf-light", level=20.0)
            assert (await s.ask("up")).code == 0
            await s.until(lambda: s.state == "ready")
            s.room.touch("shelf-light", level=33.0)
            await s.until(lambda: s.state == "adrift")
            kept = await s.ask("keep")
            assert kept.code == 0, kept.text
            await s.until(lambda: s.state == "ready")
        assert "level: 33 %" in (tmp_path / "one-plug-one-light.yaml").read_text()
        assert "level: 55 %" in (tmp_path / "one-plug-one-light.yaml.before").read_text()

    with broker_of("mosquitto", tmp_path) as port:
        asyncio.run(evening(port))


@pytest.mark.parametrize("kind", BOTH)
def test_the_switch_on_the_wall_and_a_strangers_eyes(kind: str, tmp_path: Path) -> None:
    """Mosquitto's own clients press the button and watch: ours is never its own witness."""

    async def evening(port: int) -> None:
        async with stage(port, tmp_path) as s:
            # kept and bounced presses ask for nothing more than one press
            await asyncio.to_thread(pub, port, "corner/door-button", '{"press": "short"}')
            await asyncio.to_thread(pub, port, "corner/door-button", '{"press": "short"}')
            await s.until(lambda: s.state == "ready", 20)
            sub = Sub(port, "studiobridge/wheel-corner/#")
            lines = await asyncio.to_thread(sub.lines, 1.0)
            kept = {line.split(" ")[1]: line.split(" ", 2)[2] for line in lines if line[0] == "1"}
            state = json.loads(kept["studiobridge/wheel-corner/state"])
            assert state["state"] == "ready"
            assert json.loads(kept["studiobridge/wheel-corner/alive"])["alive"] is True
            assert json.loads(kept["studiobridge/wheel-corner/devices/key"])["level"] == 64
            await asyncio.to_thread(pub, port, "corner/door-button", '{"press": "long"}')
            await s.until(lambda: s.state in ("lowering", "dark"))

    with broker_of(kind, tmp_path) as port:
        asyncio.run(evening(port))


@pytest.mark.parametrize("kind", BOTH)
@pytest.mark.parametrize(
    "payload",
    [
        "up",
        "{}",
        '{"id": "x", "what": "up", "colour": "red"}',
        '{"id": "x", "what": "explode"}',
        '{"id": "", "what": "up"}',
        '{"id": "a b", "what": "up"}',
        "[" * 2000,
        '{"id":"x","what":"up","by":"' + "y" * 5000 + '"}',
    ],
    ids=["word", "empty", "unknown key", "unknown request", "no id", "bad id", "deep", "large"],
)
def test_malformed_requests_ask_for_nothing_and_are_recorded(
    kind: str, payload: str, tmp_path: Path
) -> None:
    async def evening(port: int) -> None:
        async with stage(port, tmp_path, "one-plug-one-light") as s:
            await asyncio.to_thread(pub, port, "studiobridge/shelf-corner/ask", payload)
            await s.until(lambda: (s.asker.shown.state or {}).get("faults") == 1)
            assert s.state in ("unheard", "dark")
            assert s.runner.core.controller.run is None

    with broker_of(kind, tmp_path) as port:
        asyncio.run(evening(port))
    reader = Reader(record_path(tmp_path / "data", "shelf-corner"))
    assert ["request refused" in fault["text"] for fault in reader.faults()] == [True]
    reader.close()


def test_answers_never_go_where_a_stranger_says(tmp_path: Path) -> None:
    """A response topic outside the answers' own is ignored, or the bridge would be a puppet."""

    async def evening(port: int) -> None:
        async with stage(port, tmp_path, "one-plug-one-light") as s:
            sub = Sub(port, "shelf/#")
            await asyncio.sleep(0.3)
            await asyncio.to_thread(
                pub,
                port,
                "studiobridge/shelf-corner/ask",
                '{"id": "p1", "what": "ping"}',
                "-D",
                "publish",
                "response-topic",
                "shelf/plug/in",
            )
            lines = await asyncio.to_thread(sub.lines, 0.7)
            assert not [line for line in lines if "shelf/plug/in" in line]
            assert s.runner.core.controller.state in ("unheard", "dark")

    with broker_of("mosquitto", tmp_path) as port:
        asyncio.run(evening(port))


def test_a_second_bridge_stands_down_and_touches_nothing(tmp_path: Path) -> None:
    async def evening(port: int) -> None:
        async with stage(port, tmp_path, "one-plug-one-light") as s:
            second = SetRunner(
                s.runner.path, s.profile, settings_for(port, tmp_path / "other"), say=s.said.append
            )
            async with asyncio.timeout(15):
                assert await second.run() == 1
            assert any("another bridge runs shelf-corner" in text for text in s.said)
            assert (await s.ask("ping")).code == 0
            assert s.asker.shown.bridge_alive

    with broker_of("mosquitto", tmp_path) as port:
        asyncio.run(evening(port))


def test_no_bridge_and_no_broker_are_said(tmp_path: Path) -> None:
    async def ask(port: int) -> None:
        async with Asker(settings_for(port, tmp_path), "nobody") as asker:
            await asker.need_bridge()

    with (
        broker_of("mosquitto", tmp_path) as port,
        pytest.raises(NoBridge, match="studiobridge run"),
    ):
        asyncio.run(ask(port))
    with pytest.raises(NoBroker, match="not reached"):
        asyncio.run(ask(port))


# ---- processes really killed ---------------------------------------------------------------------


def daemon(port: int, tmp_path: Path, path: Path) -> subprocess.Popen[str]:
    env = {
        **os.environ,
        "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{port}",
        "STUDIOBRIDGE_DATA": str(tmp_path / "data"),
        "HOME": str(tmp_path),
    }
    return subprocess.Popen(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", "run", str(path)],
        env=env,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_alive(port: int, set_name: str, alive: bool, within: float = 15.0) -> None:
    end = time.monotonic() + within
    while time.monotonic() < end:
        lines = Sub(port, f"studiobridge/{set_name}/alive").lines(0.4)
        if lines and json.loads(lines[-1].split(" ", 2)[2])["alive"] is alive:
            return
    raise AssertionError(f"{set_name} did not become {'alive' if alive else 'dead'}")


def test_killed_in_the_middle_of_a_run_up_and_started_again(tmp_path: Path) -> None:
    path = tmp_path / "corner.yaml"
    path.write_bytes((CONFIG / "wheel-corner.yaml").read_bytes())
    profile = read_profile(path).profile

    async def ask(what: str, port: int) -> Answer:
        async with Asker(settings_for(port, tmp_path / "data"), "wheel-corner") as asker:
            await asker.need_bridge()
            last = None
            async for answer in asker.ask(what):
                last = answer
                if what == "up" and not answer.final and "steps" in answer.detail:
                    return answer
            assert last is not None
            return last

    with (
        broker_of("mosquitto", tmp_path) as port,
        LiveRoom(profile, "127.0.0.1", port, pace=6) as room,
    ):
        first = daemon(port, tmp_path, path)
        wait_alive(port, "wheel-corner", True)
        asyncio.run(ask("up", port))
        time.sleep(1.5)
        first.send_signal(signal.SIGKILL)
        first.wait(10)
        wait_alive(port, "wheel-corner", False)  # its last will
        before = len(room.room.switched)
        second = daemon(port, tmp_path, path)
        wait_alive(port, "wheel-corner", True)
        time.sleep(4.5)
        # law 8: nothing is energised until somebody asks again
        assert [s for s in room.room.switched[before:] if s.on] == []

        async def state() -> str:
            async with Asker(settings_for(port, tmp_path / "data"), "wheel-corner") as asker:
                return str((await asker.need_bridge()).state["state"])  # type: ignore[index]

        assert asyncio.run(state()) == "stalled"

        async def up_again() -> Answer:
            async with Asker(settings_for(port, tmp_path / "data"), "wheel-corner") as asker:
                await asker.need_bridge()
                async for answer in asker.ask("up"):
                    last = answer
                return last

        done = asyncio.run(up_again())
        assert done.code == 0, done.text
        second.terminate()
        assert second.wait(10) == 0
        wait_alive(port, "wheel-corner", False)
        assert room.room.devices["key"].energised  # leaving touches nothing
    reader = Reader(record_path(tmp_path / "data", "wheel-corner"))
    for run in {row["run"] for row in reader.steps()}:
        for n in {row["n"] for row in reader.steps(run)}:
            phases = [row["phase"] for row in reader.steps(run) if row["n"] == n]
            assert phases[0] in ("intended", "confirmed", "skipped")
    reader.close()


def test_the_broker_is_killed_and_comes_back(tmp_path: Path) -> None:
    async def evening(broker: Mosquitto) -> None:
        async with stage(broker.port, tmp_path, "one-plug-one-light") as s:
            assert (await s.ask("up")).code == 0
            broker.stop(kill=True)
            await s.until(lambda: not s.asker.connected, 10)
            assert s.runner.core.controller.state == "unheard"
            broker.start()
            end = time.monotonic() + 20
            while s.runner.core.controller.state not in ("ready", "adrift"):
                assert time.monotonic() < end, s.runner.core.controller.state
                await asyncio.sleep(0.1)
            async with Asker(s.settings, s.profile.name) as again:
                assert (await again.need_bridge()).bridge_alive

    with Mosquitto(tmp_path) as broker:
        asyncio.run(evening(broker))


@pytest.mark.parametrize("protocol", ["auto", "3.1.1"])
def test_a_broker_that_knows_only_3_1_1(protocol: str, tmp_path: Path) -> None:
    """The whole way over MQTT 3.1.1: answers by id on the common topic, commands at QoS 0."""
    from studiobridge.rehearsal.embedded import EmbeddedBroker

    async def evening(broker: EmbeddedBroker) -> None:
        path = CONFIG / "one-plug-one-light.yaml"
        profile = paced(read_profile(path).profile, 10.0)
        settings = Settings(
            broker=BrokerSettings(host="127.0.0.1", port=broker.port4, protocol=protocol),  # type: ignore[arg-type]
            data=tmp_path / "data",
        )
        said: list[str] = []
        runner = SetRunner(path, profile, settings, say=said.append)
        task = asyncio.create_task(runner.run())
        try:
            async with asyncio.timeout(20):
                await runner.ready.wait()
            assert not runner.link.protocol5
            async with Asker(settings, profile.name) as asker:
                await asker.need_bridge()
                async for answer in asker.ask("ping"):
                    last = answer
                assert last.code == 0
        finally:
            runner.stop()
            await task

    with EmbeddedBroker() as broker:
        asyncio.run(evening(broker))
