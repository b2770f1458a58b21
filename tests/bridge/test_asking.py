"""What a visitor makes of what it hears: nonsense for an answer, and what a bridge before left."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from studiobridge.bridge.asking import Asker, Shown, read_said
from studiobridge.bridge.ownership import BEAT_EVERY, Alive, Beat
from studiobridge.bridge.settings import BrokerSettings, Settings
from tests.brokers import Mosquitto, needs_mosquitto
from tests.panel.studio import studio, until

pytestmark = needs_mosquitto
SET = "shelf-corner"
TOPIC = f"studiobridge/{SET}"


@pytest.mark.parametrize("text", ["NaN", "1e999", "1" + "0" * 400, "-1" + "0" * 5000])
def test_what_no_clock_or_figure_can_hold_is_no_number(text: str) -> None:
    """Whoever reckons with it would end: RFC 8259, 6, of the range of a double."""
    assert read_said(b'{"at": %s, "n": 7}' % text.encode()) == {"at": None, "n": 7}


class Beating:
    """What a bridge says of itself when its other publishing is held back: beats, and `alive`."""

    def __init__(self, port: int, epoch: int, answers: list[bytes] | None = None) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.epoch = epoch
        self.answers = answers or []
        self.client.on_message = self._asked
        self.client.connect("127.0.0.1", port)
        self.client.subscribe(f"{TOPIC}/ask", 1)
        self.client.loop_start()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._beat)
        self._thread.start()

    def _beat(self) -> None:
        n = 0
        while True:
            n += 1
            self.client.publish(f"{TOPIC}/alive", Alive(True, "another").payload(), 1, True)
            beat = Beat("another", self.epoch, n, time.time(), 1.6)
            self.client.publish(f"{TOPIC}/beat", beat.payload(), 1, True)
            if self._over.wait(BEAT_EVERY):
                return

    def _asked(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        id_ = json.loads(message.payload)["id"]
        for answer in self.answers:
            client.publish(f"{TOPIC}/answer", answer.replace(b"ID", id_.encode()), 1)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self.client.disconnect()
        self.client.loop_stop()


@contextlib.contextmanager
def beating(port: int, epoch: int, answers: list[bytes] | None = None) -> Iterator[Beating]:
    made = Beating(port, epoch, answers)
    try:
        yield made
    finally:
        made.close()


NONSENSE = [
    b'{"id": "ID", "final": true, "code": "none", "text": "x"}',
    b'{"id": "ID", "final": true, "code": null, "text": "x"}',
    b'{"id": "ID", "final": true, "code": [], "text": "x"}',
    b'{"id": "ID", "final": true, "code": Infinity, "text": "x"}',
    b'{"id": "ID", "final": true, "code": NaN, "text": "x"}',
    b'{"id": "ID", "final": true, "code": true, "text": "x"}',
    b'{"id": "ID", "final": true, "code": -1, "text": "x"}',
    b'{"id": "ID", "final": true, "code": 256, "text": "x"}',
    b'{"id": "ID", "final": "no", "code": 0, "text": "x"}',
    b'{"id": "ID", "final": true, "code": 0, "text": {}}',
    b'{"id": {}, "final": true, "code": 0, "text": "x"}',
    b'["ID"]',
    b"\xff\xfe",
]


def test_nonsense_is_no_answer_and_the_answer_behind_it_is_heard(tmp_path: Path) -> None:
    good = b'{"id": "ID", "final": true, "code": 1, "text": "so it is", "detail": []}'

    async def ask(port: int) -> tuple[list[Any], list[str]]:
        settings = Settings(broker=BrokerSettings(host="127.0.0.1", port=port), data=tmp_path)
        faults: list[str] = []
        async with Asker(settings, SET) as asker:
            asker.link._on_fault = faults.append  # where an exception in a handler would be said
            async with asyncio.timeout(10):
                return [answer async for answer in asker.ask("ping")], faults

    with Mosquitto(tmp_path) as broker, beating(broker.port, 1, [*NONSENSE, good]):
        answers, faults = asyncio.run(ask(broker.port))
    assert [(a.final, a.code, a.text, a.detail) for a in answers] == [(True, 1, "so it is", {})]
    assert faults == []


@pytest.mark.parametrize(
    ("state", "old"),
    [
        ({"bridge": "b", "epoch": 2}, False),
        ({"bridge": "a", "epoch": 2}, True),  # the one before
        ({"bridge": "b", "epoch": 1}, True),  # the same, before it lost the set and took it again
        ({}, True),  # one that does not say whose it is
    ],
)
def test_a_state_is_of_the_bridge_that_beats_or_it_is_old(state: dict[str, Any], old: bool) -> None:
    beat = Beat("b", 2, 1, 0.0, 1.6)
    run = {"run": 1, "bridge": "a", "state": "done", "steps": []}
    shown = Shown(beat=beat, state={"state": "ready", **state}, run=run)
    assert shown.old is old
    assert shown.status()["state"] == ("unheard" if old else "ready")
    assert shown.latest_run is None  # it was the other's


def test_what_a_bridge_before_left_is_not_taken_for_now(tmp_path: Path) -> None:
    """Killed while ready; another beats, and nothing else of it has come yet."""
    with studio(tmp_path, "one-plug-one-light") as made:
        assert made.command("up").returncode == 0
        assert json.loads(made.command("status", "--json").stdout)["state"] == "ready"
        page = httpx.Client(base_url=made.url)
        page.post("/pair", data={"secret": made.code("--viewer"), "name": "Ana"})

        def words() -> str:
            with page.stream("GET", f"/s/{SET}/events") as stream:
                for line in stream.iter_lines():
                    if line.startswith("data:") and "headline" in line:
                        return line
            return ""

        until(lambda: "ready" in words(), "a page that says ready")
        os.kill(made.bridge.pid, signal.SIGKILL)
        with beating(made.broker.port, 50):
            until(lambda: "not confirmed" in words(), "a page that is not sure")
            time.sleep(2 * BEAT_EVERY)
            assert "as it was last seen" in words()
            assert "<strong>ready" not in words()
            shown = json.loads(made.command("status", "--json").stdout)
            assert (shown["state"], shown["last_seen"]) == ("unheard", "ready")
            assert not any(device["confirmed"] for device in shown["devices"].values())
            said = made.command("status")
            assert said.returncode == 0
            assert "as it was last seen" in said.stdout
            assert "ready" not in said.stdout
            assert "✓" not in said.stdout
            drift = made.command("drift")
            assert "nothing has drifted" not in drift.stdout.splitlines()
