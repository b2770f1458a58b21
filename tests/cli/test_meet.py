"""`meet` as a real process, at a terminal of its own, with a relay on a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from studiobridge.cli.base import Stop
from studiobridge.cli.meeting import _Table, write_book
from studiobridge.meeting.book import read
from studiobridge.meeting.first_meeting import Meeting
from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.outs import Send
from studiobridge.speech.message import Message
from tests.brokers import Mosquitto, needs_mosquitto

# the conversation, with less patience than a person needs
MAIN = """
import studiobridge.meeting.first_meeting as f, studiobridge.meeting.trying as t
f.LISTENS, f.COMPLETE, t.HOLD, t.PATIENCE, t.BACK = 0.6, 0.4, 0.6, 1.0, 0.3
from studiobridge.cli import main
main()
"""


class Relay:
    """A relay with a button, which says what it is on `out` and is told on `in`."""

    def __init__(self, port: int) -> None:
        self.on = "1"
        self.told: list[str] = []
        self.all: list[str] = []  # whatever else was said on the broker
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_message = self._heard
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("#")
        self.client.loop_start()
        self.press("1")

    def _heard(self, client: mqtt.Client, data: object, said: mqtt.MQTTMessage) -> None:
        if said.topic == "bench/lamp/in":
            assert not said.retain
            self.told.append(said.payload.decode())
            self.press(said.payload.decode())
        elif said.topic != "bench/lamp/out":
            self.all.append(said.topic)

    def press(self, value: str) -> None:
        self.on = value
        self.client.publish("bench/lamp/out", value, retain=True)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Person:
    """At a terminal: reads what is on it, presses the button when told to, types answers."""

    broker: Mosquitto

    def __init__(self, relay: Relay, url: str, home: Path, *args: str) -> None:
        self.screen = ""
        self.relay = relay
        self.book = home / "met.yaml"
        self._pressed: set[str] = set()
        self._ours, theirs = pty.openpty()
        env = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, "meet", "--book", str(self.book), *args],
            env={**env, "HOME": str(home), "STUDIOBRIDGE_BROKER": url, "TERM": "xterm"},
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)

    def _read(self) -> None:
        if select.select([self._ours], [], [], 0.05)[0]:
            with contextlib.suppress(OSError):
                new = os.read(self._ours, 65536).decode("utf-8", "replace")
                self.screen += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", new).replace("\r", "")
        for word, value in (("OFF", "0"), ("ON", "1")):
            if f"now switch it {word}" in self.screen and word not in self._pressed:
                self._pressed.add(word)
                self.relay.press(value)

    def until(self, text: str) -> None:
        end = time.monotonic() + 30
        while text not in self.screen:
            assert time.monotonic() < end and self.process.poll() is None, self.screen
            self._read()

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def ended(self) -> int:
        end = time.monotonic() + 30
        while (code := self.process.poll()) is None:
            assert time.monotonic() < end, self.screen
            self._read()
        self._read()
        return code

    def until_named(self) -> None:
        self.until("when I say so")
        self.type("\n")
        self.until("Its name")
        self.type("desk-lamp plug\n")
        self.until("(y/N)")


@contextlib.contextmanager
def person(tmp_path: Path, *args: str) -> Iterator[Person]:
    broker = Mosquitto(tmp_path)
    broker.start()
    relay = Relay(broker.port)
    made = Person(relay, broker.url, tmp_path, *args)
    made.broker = broker
    try:
        yield made
    finally:
        if made.process.poll() is None:
            made.process.kill()
            made.process.wait(5)
        os.close(made._ours)
        relay.close()
        broker.stop()


@needs_mosquitto
def test_a_relay_is_met_and_stands_in_the_book_beside_what_was_there(tmp_path: Path) -> None:
    old = "met: 1\ndialects: {}\ndevices:\n  old: {kind: light, speaks: homie5, at: old/lamp}\n"
    (tmp_path / "met.yaml").write_text(old)
    with person(tmp_path) as at:
        at.until_named()
        assert "'bench/lamp/in': '0', then '1'" in at.screen
        assert at.relay.told == []
        at.type("y\n")
        at.until("before your eyes?")
        assert at.relay.told == ["0", "1", "1"]
        at.type("y\n")
        assert at.ended() == 0, at.screen
        old_one, lamp = read(at.book.read_bytes())
    assert (old_one.name, lamp.name, lamp.kind) == ("old", "desk-lamp", "plug")
    tell = lamp.half("switch", "tell")
    assert tell is not None and tell.ground == "seen"
    assert dict(tell.rule) == {"topic": "{at}/in", "words": {"on": "1", "off": "0"}}
    assert at.relay.all == []


@needs_mosquitto
def test_enter_is_no_yes_and_nothing_is_sent(tmp_path: Path) -> None:
    with person(tmp_path) as at:
        at.until("when I say so")
        at.type("\n")
        at.until("now switch it OFF")
        at.type("y\ny\n")  # typed before the question was there
        at.until("Its name")
        at.type("\n")
        at.until("(y/N)")
        at.type("\n")
        assert at.ended() == 1, at.screen
        assert "you said no" in at.screen
        assert at.relay.told == [] and at.relay.all == []


@needs_mosquitto
def test_ctrl_c_tells_it_back_and_writes_nothing(tmp_path: Path) -> None:
    with person(tmp_path) as at:
        at.until_named()
        at.type("y\n")
        at.until("telling 'bench/lamp/in': '0'")
        end = time.monotonic() + 5
        while at.relay.told != ["0"] and time.monotonic() < end:
            time.sleep(0.02)
        at.process.send_signal(signal.SIGINT)
        assert at.ended() == 130, at.screen
        while at.relay.on != "1" and time.monotonic() < end:
            time.sleep(0.02)
        assert at.relay.told == ["0", "1"]
        assert not at.book.exists()
        assert list(tmp_path.glob(".met*")) == []


@needs_mosquitto
def test_what_does_not_reach_the_broker_ends_it(tmp_path: Path) -> None:
    """At QoS 0 nothing says that a command arrived, and a broker that hangs keeps the link."""
    with person(tmp_path) as at:
        at.until_named()
        assert at.broker.process is not None
        at.broker.process.send_signal(signal.SIGSTOP)
        try:
            began = time.monotonic()
            at.type("y\n")
            assert at.ended() == 3, at.screen
            assert time.monotonic() - began < 8
        finally:
            at.broker.process.send_signal(signal.SIGCONT)
        assert "did not reach the broker in 2 s" in at.screen.replace("\n", " ")
        assert "it stands as it was told last" in at.screen.replace("\n", " ")
        assert not at.book.exists()


@needs_mosquitto
def test_a_lockout_on_this_broker_forbids_it_to_a_script_too(tmp_path: Path) -> None:
    answers = tmp_path / "answers"
    answers.write_text("# all of them\npress:\nname: desk-lamp plug\ntell: y\neyes: y\n")
    with person(tmp_path, "--json", "--answers", str(answers)) as at:
        state = json.dumps({"lockouts": [{"target": "wall", "by": "rana"}]})
        at.relay.client.publish("studiobridge/corner/state", state, retain=True)
        assert at.ended() == 1, at.screen
        said = json.loads(at.screen[at.screen.index("\n{\n") :])
    assert said["sent"] == [] and at.relay.told == []
    assert (said["device"], said["answers"]) == ("desk-lamp", 2)
    assert "somebody works on the set 'corner'" in said["missing"][0]


def run(tmp_path: Path, *args: str) -> subprocess.CompletedProcess[str]:
    env = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return subprocess.run(
        [sys.executable, "-c", MAIN, "meet", *args],
        env={**env, "HOME": str(tmp_path), "STUDIOBRIDGE_BROKER": "mqtt://127.0.0.1:9"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )


def test_bad_input_says_where_and_ends_with_2(tmp_path: Path) -> None:
    answers, book = tmp_path / "answers", tmp_path / "met.yaml"
    done = run(tmp_path, "--book", str(book))
    assert done.returncode == 2 and "--answers FILE" in done.stderr
    answers.write_text("press:\ntel: y\n")
    done = run(tmp_path, "--book", str(book), "--answers", str(answers))
    assert done.returncode == 2 and f"{answers}:2:1: 'tel' answers none of" in done.stderr
    book.write_text("met: 1\ndevices: {x: {kind: lamp}}\n")
    done = run(tmp_path, "--book", str(book), "--answers", str(answers))
    assert done.returncode == 2 and done.stderr.startswith(f"{book}:2:")
    assert "Traceback" not in done.stderr
    done = run(tmp_path, "--book", str(tmp_path / "no" / "met.yaml"), "--answers", str(answers))
    assert done.returncode == 2 and "there is no folder" in done.stderr
    book.unlink()
    answers.write_text("press:\n")
    done = run(tmp_path, "--book", str(book), "--answers", str(answers))
    assert done.returncode == 3 and not book.exists()


def test_each_word_has_to_reach_the_broker_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """That the first has reached it says nothing of a second, which may lie here still."""
    monkeypatch.setattr("studiobridge.cli.meeting.REACHES_WITHIN", 0.1)

    class Wire:
        def __init__(self) -> None:
            self.probes: list[Callable[[], None]] = []
            self.cuts: list[str] = []

        def publish(self, message: Message) -> bool:
            return True

        def probe(self, answered: Callable[[], None]) -> bool:
            self.probes.append(answered)
            return True

        def cut(self, why: str) -> None:
            self.cuts.append(why)

    async def play(answers: int) -> list[str]:
        table, wire = _Table(Meeting(), None, False), Wire()
        table.link = wire  # type: ignore[assignment]
        for payload in (b"0", b"1"):
            table.take([Send(Message("bench/lamp/in", payload))])
        for answered in wire.probes[:answers]:
            answered()
        await asyncio.sleep(0.15)
        return wire.cuts

    assert len(asyncio.run(play(1))) == 1
    assert asyncio.run(play(2)) == []


def met_relay(name: str, at: str) -> Acquaintance:
    rule = {"topic": "{at}/out", "words": {"on": "1", "off": "0"}}
    return Acquaintance(name, at, "plug", (Half("switch", "hear", rule, "seen", "it was pressed"),))


def test_what_came_into_the_book_during_the_conversation_stays_in_it(tmp_path: Path) -> None:
    """Two who meet gear at the same time, or a hand that writes a figure in: nothing is lost."""
    book = tmp_path / "met.yaml"
    write_book(book, met_relay("first", "bench/first"))
    write_book(book, met_relay("second", "bench/second"))
    text = book.read_text()
    book.write_text(text.replace("{kind: plug", "{kind: plug, boots_in: 4 s", 1))
    write_book(book, met_relay("third", "bench/third"))
    found = {one.name: one for one in read(book.read_bytes(), "met.yaml")}
    assert sorted(found) == ["first", "second", "third"]
    assert any(one.measured.get("boots_in") == "4 s" for one in found.values())


def test_a_book_that_was_spoilt_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    book = tmp_path / "met.yaml"
    book.write_text("met: 1\ndevices: {x: {kind: lamp}}\n")
    with pytest.raises(Stop, match=r"met\.yaml:2:"):
        write_book(book, met_relay("first", "bench/first"))
    assert book.read_text() == "met: 1\ndevices: {x: {kind: lamp}}\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["met.yaml"]


def test_a_book_behind_a_link_keeps_its_place_and_its_rights(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    real, link = tmp_path / "there" / "met.yaml", tmp_path / "met.yaml"
    write_book(real, met_relay("first", "bench/first"))
    real.chmod(0o640)
    link.symlink_to(real)
    write_book(link, met_relay("second", "bench/second"))
    assert link.is_symlink() and real.stat().st_mode & 0o777 == 0o640
    assert len(read(real.read_bytes(), "met.yaml")) == 2
