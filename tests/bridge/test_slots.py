"""A real bridge over a real broker, and a receiver: who sends frames, and when nobody does."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from studiobridge.bridge.asking import Asker, NoBridge
from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Ending, Restrain, Walk
from studiobridge.bridge.service import run_sets
from studiobridge.bridge.settings import BrokerSettings, Settings
from studiobridge.control.effects import Memory
from studiobridge.control.events import Request
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import Preset
from tests.brokers import Mosquitto, needs_mosquitto
from tests.panel.studio import Process
from tests.receiving import Receiver, terminated

TEXT = """\
format: 1
set: kiln-shelf
mains: {circuits: {wall: {breaker: 10 A}}}
patience: {listen: 0.5 s}
universes:
  1: {to: ADDRESS}
devices:
  hair: {kind: light, fed_by: wall, speaks: e131, proof: none, at: 1/1, slots: {level: 1, keep: {2: 7}}, fade: 0.5 s}
  back: {kind: backdrop, fed_by: wall, speaks: e131, proof: none, at: 1/11, slots: {level: 1}, fade: 0.5 s}
  camera: {kind: camera, fed_by: battery, closes_in: 1 s}
looks:
  day: {hair: {level: 100 %}, back: {level: 40 %}}
"""


# ---- the core, without a network ---------------------------------------------------------------


def a_core(memory: Memory | None = None) -> Core:
    profile = read_profile_text(TEXT.replace("ADDRESS", "10.0.0.7")).profile
    core = Core(profile, memory or Memory(), "test", lambda at: at)
    core.link_up(0.0)
    core.due("listen", 1.0)
    return core


def asked(core: Core, what: str, at: float, **more: Any) -> list[object]:
    return written(core, list(core.request(Request(at, f"r{at}", what, **more))), at)  # type: ignore[arg-type]


def written(core: Core, outs: list[Any], at: float) -> list[object]:
    """What follows, with a disk that takes everything at once."""
    for out in list(outs):
        if getattr(out, "back", False):
            outs += core.noted([out.note], at)
    return outs


def kinds(outs: list[object], kind: type) -> list[Any]:
    return [out for out in outs if isinstance(out, kind)]


def test_what_is_told_is_walked_after_its_intention_is_on_disk() -> None:
    core = a_core()
    outs = asked(core, "up", 2.0)
    walks = kinds(outs, Walk)
    assert {w.device: (dict(w.values), w.fade) for w in walks} == {
        "hair": ({"level": 100.0}, 0.5),
        "back": ({"level": 40.0}, 0.5),
    }
    assert len({w.token for w in walks}) == 2


def test_laws_1_and_2_go_to_the_universe_the_moment_they_hold() -> None:
    core = a_core()
    outs = asked(core, "lockout", 3.0, targets=("hair",), by="Ana", why="bulb")
    assert kinds(outs, Restrain) == [Restrain(frozenset({"hair"}), False)]
    outs = asked(core, "rolling_on", 4.0, targets=("camera",))
    assert kinds(outs, Restrain) == [Restrain(frozenset({"hair"}), True)]
    assert kinds(asked(core, "ping", 4.5), Restrain) == []
    asked(core, "release", 5.0, targets=("hair",), by="Ana")
    asked(core, "rolling_off", 6.0, targets=("camera",))
    outs = core.due("closing camera", 7.1)  # type: ignore[assignment]
    assert kinds(outs, Restrain) == [Restrain(frozenset(), False)]


def test_a_cut_is_not_held_by_a_camera_and_a_lockout_outlasts_the_bridge() -> None:
    core = a_core()
    asked(core, "up", 2.0)
    asked(core, "rolling_on", 4.0, targets=("camera",))
    outs = asked(core, "cut", 5.0, yes=True)
    order = [type(out).__name__ for out in outs if isinstance(out, Restrain | Walk)]
    assert order[0] == "Restrain" and kinds(outs, Restrain)[0].held is False
    assert {w.device: dict(w.values)["level"] for w in kinds(outs, Walk)} == {"hair": 0, "back": 0}
    from studiobridge.control.effects import Lockout

    again = a_core(Memory(lockouts=(Lockout("hair", "Ana", "bulb", 0.0),)))
    assert again._restrained == Restrain(frozenset({"hair"}), False)


def test_the_end_of_a_run_down_is_the_end_of_its_streams() -> None:
    core = a_core()
    asked(core, "up", 2.0)
    outs = asked(core, "down", 5.0, yes=True)
    outs += written(core, list(core.due("closing camera", 6.1)), 6.1)
    assert len(kinds(outs, Walk)) == 2 and kinds(outs, Ending) == []
    for n in range(2):
        outs += core.due(f"step {n}", 7.0)
    assert len(kinds(outs, Ending)) == 1


def test_only_an_open_session_says_what_a_fixture_may_hold() -> None:
    assert a_core().supposed() == {}
    known = a_core(Memory(state="ready", look="day", session=3)).supposed()
    assert known == {"hair": Preset(100.0), "back": Preset(40.0)}


def test_two_sets_of_one_process_do_not_share_a_universe(tmp_path: Path) -> None:
    paths = []
    for name in ("kiln-shelf", "wheel-shelf"):
        path = tmp_path / f"{name}.yaml"
        path.write_text(TEXT.replace("ADDRESS", "127.0.0.1").replace("kiln-shelf", name))
        paths.append(path)
    said: list[str] = []
    assert asyncio.run(run_sets(paths, Settings(data=tmp_path), said.append)) == 2
    assert said == ["kiln-shelf and wheel-shelf both send universe 1: give each its own"]


# ---- real bridges ------------------------------------------------------------------------------


@dataclass
class Stage:
    broker: Mosquitto
    receiver: Receiver
    path: Path
    env: dict[str, str]
    bridges: list[Process] = field(default_factory=list)

    def bridge(self, name: str) -> Process:
        env = {
            **self.env,
            "STUDIOBRIDGE_DATA": str(self.path.parent / name),
            "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{self.broker.port}",
        }
        self.bridges.append(Process(env, "run", self.path).start())
        return self.bridges[-1]

    def ask(self, what: str, **more: Any) -> Any:
        settings = Settings(
            broker=BrokerSettings(host="127.0.0.1", port=self.broker.port), data=self.path.parent
        )

        async def asking() -> Any:
            async with Asker(settings, "kiln-shelf") as asker:
                await asker.need_bridge()
                async for answer in asker.ask(what, **more):
                    last = answer
                return last

        end = time.monotonic() + 15
        while True:  # a bridge that was just started is not there yet
            try:
                return asyncio.run(asyncio.wait_for(asking(), 60))
            except NoBridge:
                assert time.monotonic() < end
                time.sleep(0.2)

    def frames(self, since: float = 0.0) -> list[bytes]:
        return [raw for at, raw in self.receiver.raw if at >= since]

    def at_level(self, level: int, within: float = 5.0) -> bool:
        return self.receiver.until(lambda: self.receiver.slots[:1] == (level,), within)

    def up(self) -> None:
        answer = self.ask("up")
        assert answer.code == 0, answer.text
        assert self.at_level(255)


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    env = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    env["HOME"] = str(tmp_path)
    with Mosquitto(tmp_path) as broker, Receiver(1) as receiver:
        path = tmp_path / "kiln.yaml"
        path.write_text(TEXT.replace("ADDRESS", receiver.address))
        made = Stage(broker, receiver, path, env)
        try:
            yield made
        finally:
            for bridge in made.bridges:
                with contextlib.suppress(OSError):
                    os.kill(bridge.pid, signal.SIGCONT)
                bridge.stop()


@needs_mosquitto
def test_an_evening_of_frames(stage: Stage) -> None:
    stage.bridge("a")
    time.sleep(2.0)
    assert stage.frames() == [], "no stream starts by itself"
    stage.up()
    assert stage.receiver.slots[:11] == (255, 7, 0, 0, 0, 0, 0, 0, 0, 0, 102)
    answer = stage.ask("lockout", targets=["hair"], by="Ana", why="bulb")
    assert answer.code == 0
    assert stage.at_level(0, 1.0)
    assert stage.receiver.slots[:11] == (0,) * 10 + (102,)
    assert stage.ask("up").code == 1
    locked = time.monotonic()
    time.sleep(1.5)
    assert {raw[126:128] for raw in stage.frames(locked)} == {b"\0\0"}
    stage.ask("release", targets=["hair"], by="Ana")
    time.sleep(1.0)
    assert stage.receiver.slots[0] == 0
    stage.up()
    assert stage.ask("down", yes=True).code == 0
    assert stage.receiver.until(lambda: "timeout" in stage.receiver.available, 3)
    time.sleep(1.5)
    ends = [terminated(raw) for raw in stage.frames()]
    assert ends[-3:] == [True] * 3 and sum(ends) == 3
    assert all(raw[126] == 0 and raw[136] == 0 for raw in stage.frames()[-6:])


@needs_mosquitto
def test_a_cut_ends_the_stream_dark(stage: Stage) -> None:
    stage.bridge("a")
    stage.up()
    began = time.monotonic()
    stage.ask("cut", yes=True)
    assert stage.receiver.until(lambda: "timeout" in stage.receiver.available, 3)
    dark = next(at for at, raw in stage.receiver.raw if at > began and raw[126] == 0)
    assert dark - began < 1.0
    time.sleep(0.2)
    ends = [terminated(raw) for raw in stage.frames()]
    assert ends[-3:] == [True] * 3 and sum(ends) == 3


@needs_mosquitto
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_bridge_that_ends_or_dies_says_nothing_and_the_next_waits_to_be_asked(
    stage: Stage, how: signal.Signals
) -> None:
    bridge = stage.bridge("a")
    stage.up()
    os.kill(bridge.pid, how)
    time.sleep(1.5)
    died = time.monotonic()
    stage.bridge("a")
    time.sleep(5.0)
    assert stage.frames(died) == []
    assert not any(terminated(raw) for raw in stage.frames())
    again = time.monotonic()
    stage.up()
    frames = stage.frames(again)
    assert min(raw[126] for raw in frames) == 255, "a fixture that holds does not dip"
    assert {raw[22:38] for raw in stage.frames()} == {frames[0][22:38]}, "the same source"


@needs_mosquitto
def test_a_broker_that_is_started_again_costs_a_pause_and_no_level(stage: Stage) -> None:
    stage.bridge("a")
    stage.up()
    stage.broker.stop(kill=True)
    gone = time.monotonic()
    time.sleep(4.0)
    assert stage.frames(gone + 2.6) == [], "no lease, no frames"
    stage.broker.start()
    back = time.monotonic()
    assert stage.receiver.until(lambda: len(stage.frames(back)) > 2, 10)
    assert {raw[126] for raw in stage.frames(back)} == {255}
    assert not any(terminated(raw) for raw in stage.frames())


@needs_mosquitto
def test_a_bridge_that_stood_still_sends_nothing_before_it_listened(stage: Stage) -> None:
    bridge = stage.bridge("a")
    stage.up()
    os.kill(bridge.pid, signal.SIGSTOP)
    time.sleep(4.0)
    woke = time.monotonic()
    os.kill(bridge.pid, signal.SIGCONT)
    assert stage.receiver.until(lambda: len(stage.frames(woke)) > 2, 15)
    first = min(at for at, _ in stage.receiver.raw if at >= woke)
    assert first - woke > 1.0, "it listens first"
    assert {raw[126] for raw in stage.frames(woke)} == {255}


@needs_mosquitto
def test_of_two_bridges_one_sends(stage: Stage) -> None:
    first = stage.bridge("a")
    stage.up()
    own = stage.frames()[0][22:38]
    os.kill(first.pid, signal.SIGSTOP)
    time.sleep(3.0)
    stage.bridge("b")
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        with contextlib.suppress(Exception):
            if stage.ask("up").code == 0:
                break
        time.sleep(0.3)
    assert stage.receiver.until(lambda: stage.frames()[-1][22:38] != own, 10)
    woke = time.monotonic()
    os.kill(first.pid, signal.SIGCONT)
    time.sleep(4.0)
    assert own not in {raw[22:38] for raw in stage.frames(woke)}
    assert len(stage.frames(woke)) >= 3
