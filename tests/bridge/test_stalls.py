"""Real processes that are stopped, and real links that hold what they were given."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import psutil
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from studiobridge.bridge.asking import Asker, NoBridge
from studiobridge.bridge.settings import BrokerSettings, Settings
from studiobridge.profile import read_profile
from studiobridge.rehearsal.live import LiveRoom
from tests.brokers import Mosquitto, Proxy, needs_mosquitto, pub
from tests.panel.studio import CONFIG, Process, quick, studio, until

pytestmark = needs_mosquitto
SET = "shelf-corner"


class Witness:
    """A client of paho's own making: what was on which topic, and when."""

    def __init__(self, port: int, topic: str = "#") -> None:
        self.seen: list[tuple[float, str, bytes, bool]] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.on_message = lambda c, d, m: self.seen.append(
            (time.monotonic(), m.topic, m.payload, m.retain)
        )
        self.client.connect("127.0.0.1", port)
        self.client.subscribe(topic, 1)
        self.client.loop_start()

    def on(self, topic: str, since: float = 0.0) -> list[tuple[float, bytes]]:
        return [
            (at, p) for at, t, p, kept in list(self.seen) if t == topic and at >= since and not kept
        ]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@dataclass
class Shelf:
    broker: Mosquitto
    proxy: Proxy
    path: Path
    env: dict[str, str]
    room: LiveRoom
    witness: Witness
    bridges: list[Process] = field(default_factory=list)

    def bridge(self, name: str, port: int | None = None) -> Process:
        """A bridge with a record of its own, over this port."""
        env = {
            **self.env,
            "STUDIOBRIDGE_DATA": str(self.path.parent / name),
            "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{port or self.broker.port}",
        }
        self.bridges.append(Process(env, "run", self.path).start())
        return self.bridges[-1]

    def settings(self) -> Settings:
        return Settings(
            broker=BrokerSettings(host="127.0.0.1", port=self.broker.port), data=self.path.parent
        )

    def ask(self, what: str, **more: Any) -> Any:
        async def asking() -> Any:
            async with Asker(self.settings(), SET) as asker:
                await asker.need_bridge()
                async for answer in asker.ask(what, **more):
                    last = answer
                return last

        return asyncio.run(asyncio.wait_for(asking(), 60))


@contextlib.contextmanager
def shelf(folder: Path) -> Iterator[Shelf]:
    path = folder / "shelf.yaml"
    path.write_text(quick((CONFIG / "one-plug-one-light.yaml").read_text()))
    env = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    env["HOME"] = str(folder)
    with (
        Mosquitto(folder) as broker,
        Proxy(broker.port) as proxy,
        LiveRoom(read_profile(path).profile, "127.0.0.1", broker.port) as room,
    ):
        witness = Witness(broker.port)
        made = Shelf(broker, proxy, path, env, room, witness)
        try:
            yield made
        finally:
            witness.close()
            for bridge in made.bridges:
                with contextlib.suppress(OSError):
                    os.kill(bridge.pid, signal.SIGCONT)
                bridge.stop()


def ended(process: Process, within: float) -> int | None:
    assert process._process is not None
    with contextlib.suppress(Exception):
        return process._process.wait(within)
    return None


# ---- two bridges ----------------------------------------------------------------------------


# shorter than the broker waits for a silent client (1.5 × the keep-alive of 5 s, looked at every 5 s),
# and longer
@pytest.mark.parametrize("stopped_for", [4.0, 15.0])
def test_a_stopped_bridge_that_goes_on_stands_down_before_its_next_command(
    stopped_for: float, tmp_path: Path
) -> None:
    with shelf(tmp_path) as s:
        a = s.bridge("a")
        a.said("running on")
        assert s.ask("up").code == 0
        os.kill(a.pid, signal.SIGSTOP)
        stopped = time.monotonic()
        b = s.bridge("b")
        b.said("running on")
        # where B took so long to start that the broker gave A up first, nobody is there to take over
        words = s.witness.on(f"studiobridge/{SET}/alive", stopped)
        if all(json.loads(payload)["alive"] for _, payload in words):
            b.said("taking over")
        s.room.touch("shelf-light", level=20.0)
        time.sleep(max(0.0, stopped + stopped_for - time.monotonic()))
        went_on = time.monotonic()
        os.kill(a.pid, signal.SIGCONT)
        assert ended(a, 15.0) == 1
        assert "another bridge runs shelf-corner" in a.said("another bridge", 1)
        time.sleep(2.5)  # the last will of A is put right with the next beats of B
        # nobody told the gear anything, and nobody shouted
        assert s.witness.on("shelf/plug/in", went_on) == []
        alive = s.witness.on(f"studiobridge/{SET}/alive", went_on)
        assert len(alive) <= 8  # a storm would be one with every beat of two, and more
        # whatever was said of it, the last word kept is that a bridge is alive
        assert [json.loads(payload)["alive"] for _, payload in alive[-1:]] in ([], [True])
        beats = s.witness.on(f"studiobridge/{SET}/beat", went_on)
        assert {json.loads(p)["epoch"] for _, p in beats} == {2}
        assert s.ask("ping").code == 0


def test_a_bridge_whose_link_was_held_stands_down_when_another_took_over(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        a = s.bridge("a", s.proxy.port)
        a.said("running on")
        assert s.ask("up").code == 0
        s.proxy.hold("up")
        held = time.monotonic()
        b = s.bridge("b")
        b.said("running on")
        a.said("the link is cut", 1)
        time.sleep(max(0.0, held + 15.0 - time.monotonic()))
        let_go = time.monotonic()
        s.proxy.let_go()
        assert ended(a, 15.0) == 1
        a.said("another bridge runs shelf-corner", 1)
        assert s.witness.on("shelf/plug/in", let_go) == []
        time.sleep(2.0)
        assert s.ask("ping").code == 0
        last = s.witness.on(f"studiobridge/{SET}/beat")[-1]
        assert json.loads(last[1])["epoch"] == 2


def test_alive_said_false_by_a_stranger_is_put_right(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        s.bridge("a").said("running on")
        time.sleep(1.0)
        now = time.monotonic()
        pub(s.broker.port, f"studiobridge/{SET}/alive", '{"alive": false}', "-r")
        topic = f"studiobridge/{SET}/alive"
        until(
            lambda: any(json.loads(p)["alive"] for _, p in s.witness.on(topic, now)), "alive", 2.5
        )
        assert len(s.witness.on(topic, now)) <= 3


# ---- nothing arrives late ---------------------------------------------------------------------


@pytest.mark.parametrize("held_for", [12.0])
def test_nothing_told_into_a_held_link_reaches_the_plug_later(
    held_for: float, tmp_path: Path
) -> None:
    """The way to the broker holds all it is given, then delivers it at once, as it came."""
    with shelf(tmp_path) as s:
        a = s.bridge("a", s.proxy.port)
        a.said("running on")
        time.sleep(4.0)
        s.proxy.hold("up")
        held = time.monotonic()
        # the way down is open: it hears the request, and tells the plug into the held link
        pub(s.broker.port, f"studiobridge/{SET}/ask", '{"id": "u", "what": "up"}')
        a.said(
            "the link is cut: .*(did not acknowledge a command to shelf-plug|nothing came back)",
            5.0,
        )
        assert time.monotonic() - held < 3.8
        time.sleep(max(0.0, held + held_for - time.monotonic()))
        s.proxy.let_go()
        time.sleep(3.0)
        assert s.witness.on("shelf/plug/in") == []
        assert not s.room.room.devices["shelf-light"].energised


def test_a_link_of_three_seconds_there_and_back_is_said_and_reaches_ready(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        s.proxy.delay = {"up": 1.5, "down": 1.5}
        a = s.bridge("a", s.proxy.port)
        a.said("running on", 40)
        time.sleep(2.0)  # it says so, and that takes its time too
        up = json.dumps({"id": "u", "what": "up"})
        pub(s.broker.port, f"studiobridge/{SET}/ask", up)
        topic = f"studiobridge/{SET}/state"

        def states() -> list[dict[str, Any]]:
            return [json.loads(p) for _, p in s.witness.on(topic)]

        until(lambda: any(x["state"] == "ready" for x in states()), "ready", 90)
        assert any("slow" in str(x["link_slow"]) for x in states())
        assert [line for line in a.lines if "link is cut" in line] == []


# ---- seen by others ---------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["bridge stopped", "broker stopped", "uplink half open"])
def test_a_silent_bridge_is_seen_within_three_seconds(how: str, tmp_path: Path) -> None:
    with (
        studio(tmp_path, "one-plug-one-light", page_too=False) as made,
        Proxy(made.broker.port) as proxy,
    ):
        if how == "uplink half open":
            made.bridge.stop()
            env = {**made.env, "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{proxy.port}"}
            made.bridge = Process(env, "run", made.path).start()
            made.bridge.said("running on")

        async def look() -> float:
            settings = Settings(
                broker=BrokerSettings(host="127.0.0.1", port=made.broker.port), data=tmp_path
            )
            async with Asker(settings, SET, stays=True) as asker:
                async with asyncio.timeout(10):
                    while not asker.sure:
                        await asker.after(asker.version, 0.1)
                await asyncio.sleep(1.0)
                assert asker.sure
                began = time.monotonic()
                broker = made.broker.process
                assert broker is not None
                if how == "bridge stopped":
                    os.kill(made.bridge.pid, signal.SIGSTOP)
                elif how == "broker stopped":
                    os.kill(broker.pid, signal.SIGSTOP)
                else:
                    proxy.hold()
                try:
                    async with asyncio.timeout(10):
                        while asker.sure:
                            # woken by the news of it, not by looking again and again
                            await asker.after(asker.version)
                    took = time.monotonic() - began
                    if how == "bridge stopped":
                        # one who comes now is told too, by what the broker kept
                        async with Asker(settings, SET) as late:
                            with pytest.raises(NoBridge, match="silent"):
                                await late.need_bridge()
                    return took
                finally:
                    os.kill(made.bridge.pid, signal.SIGCONT)
                    os.kill(broker.pid, signal.SIGCONT)
                    proxy.let_go()

        assert asyncio.run(look()) < 3.0


def test_the_page_says_that_a_stopped_bridge_is_silent(tmp_path: Path) -> None:
    with studio(tmp_path, "one-plug-one-light") as made:

        def good() -> bool:
            try:
                with urllib.request.urlopen(f"{made.url}/health", timeout=5) as said:
                    return bool(json.load(said)["sets"][SET])
            except urllib.error.HTTPError as error:
                return bool(json.load(error)["sets"][SET])

        until(good, "a page that is sure")
        os.kill(made.bridge.pid, signal.SIGSTOP)
        try:
            until(lambda: not good(), "a page that says it is not", 3.0)
        finally:
            os.kill(made.bridge.pid, signal.SIGCONT)
        until(good, "a page that is sure again", 15)


# ---- a flood ------------------------------------------------------------------------------------


FLOOD = """
import itertools, socket, sys, time
port, topic = int(sys.argv[1]), sys.argv[2].encode()
s = socket.create_connection(('127.0.0.1', port))
s.sendall(bytes([0x10, 16, 0, 4]) + b'MQTT' + bytes([5, 2, 0, 60, 0, 0, 3]) + b'xxx')
s.recv(1000)
began = time.monotonic()
sent = 0
while True:
    while sent < (time.monotonic() - began) * 1000:
        body = b'{"id": "f%09d", "what": "ping"}' % sent
        rest = len(topic).to_bytes(2, 'big') + topic + b'\\0' + body
        s.sendall(bytes([0x30, len(rest)]) + rest)
        sent += 1
    print(sent, flush=True)
    time.sleep(0.01)
"""


def test_a_flood_of_pings_delays_no_cut_and_fills_no_memory(tmp_path: Path) -> None:
    """1,000 pings a second from a real client, 25 times what is read, and somebody cuts."""
    with shelf(tmp_path) as s:
        a = s.bridge("a")
        a.said("running on")
        assert s.ask("up").code == 0
        before = psutil.Process(a.pid).memory_info().rss
        began = time.monotonic()
        flood = subprocess.Popen(
            [sys.executable, "-c", FLOOD, str(s.broker.port), f"studiobridge/{SET}/ask"],
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            time.sleep(8.0)
            took: list[float] = []

            async def cut() -> None:
                async with Asker(s.settings(), SET) as asker:
                    await asker.need_bridge()
                    began = time.monotonic()
                    async for _ in asker.ask("cut", yes=True):
                        took.append(time.monotonic() - began)
                        return

            asyncio.run(asyncio.wait_for(cut(), 20))
        finally:
            flood.terminate()
            sent = int((flood.communicate(timeout=10)[0].splitlines() or ["0"])[-1])
        grown = psutil.Process(a.pid).memory_info().rss - before
        rate = sent / (time.monotonic() - began)
        print(f"{rate:.0f}/s, cut answered in {took}, {grown / 1e6:.1f} MB")
        assert rate > 400  # ten times what is read
        assert took[0] < 1.0
        assert grown < 30e6


def test_the_beat_costs_next_to_nothing(tmp_path: Path) -> None:
    """An idle bridge with its beat."""
    with shelf(tmp_path) as s:
        a = s.bridge("a")
        a.said("running on")
        time.sleep(4.0)
        process = psutil.Process(a.pid)
        before = sum(process.cpu_times()[:2])
        time.sleep(15.0)
        spent = sum(process.cpu_times()[:2]) - before
        print(f"{100 * spent / 15:.2f} % of a core")
        assert spent / 15 < 0.02
