"""`try` from the command line: what is bad input, and what is shown; nothing is sent for either."""

from __future__ import annotations

import io
import json
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from typer.testing import CliRunner

from studiobridge.bridge.link import Link
from studiobridge.cli.app import app
from studiobridge.cli.base import Stop
from studiobridge.cli.trying import _safe
from studiobridge.meeting.lone import IT, lone
from studiobridge.profile import read_profile
from studiobridge.profile.text import read_document
from studiobridge.rehearsal.live import LiveRoom
from studiobridge.shown.trial import lines
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.brokers import Mosquitto, needs_mosquitto
from tests.cli.test_commands import studiobridge

CORNER = Path(__file__).parents[2] / "config" / "one-plug-one-light.yaml"
BOOK = """\
met: 1
dialects:
  relay:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
  lamp:
    level: {tell: {topic: "{at}/do", json: {dim: "{value}"}, span: 0..255, retain: true}}
devices:
  first: {kind: plug, speaks: relay, at: shelf/plug}
"""


def ended(*args: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(arg) for arg in args])
    if isinstance(done.exception, Stop):
        return done.exception.code, str(done.exception)
    return done.exit_code, done.output


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["try"], "which device"),
        (["try", "lamp", "40", "--profile", CORNER], "is no value"),
        (["try", "nobody", "on", "--profile", CORNER], "has no device 'nobody'"),
        (["try", "--dialect", "relay"], "go together"),
        (["try", "--at", "x/y", "on"], "go together"),
        (["try", "--dialect", "relay", "--at", "x", "--blink"], "not for --dialect"),
        (["try", "--dialect", "relay", "--at", "x", "on", "--book", "nowhere.yaml"], "cannot be"),
        (["try", "--dialect", "tape", "--at", "x", "on", "--profile", CORNER], "it has: relay"),
        (["try", "--dialect", "relay", "--at", "x", "40 %", "--profile", CORNER], "cannot tell"),
        (["try", "--dialect", "relay", "--at", "a/#", "on", "--profile", CORNER], "#"),
    ],
    ids=lambda v: " ".join(str(x).rsplit("/", 1)[-1] for x in v) if isinstance(v, list) else "",
)
def test_bad_input_says_what_to_do_before_any_broker_is_asked(
    args: list[object], says: str
) -> None:
    code, text = ended(*args)
    assert code == 2
    assert says in text


def test_without_a_set_nobody_says_yes_for_a_person(tmp_path: Path) -> None:
    book = tmp_path / "met.yaml"
    book.write_text(BOOK)
    code, text = ended("try", "--dialect", "relay", "--at", "shelf/plug", "on", "--book", book)
    assert code == 2
    assert "a person has to say yes" in text


def test_what_is_wrong_in_the_book_is_said_with_its_place(tmp_path: Path) -> None:
    book = tmp_path / "met.yaml"
    book.write_text(BOOK.replace("span: 0..255", "span: many"))
    code, text = ended("try", "--dialect", "lamp", "--at", "x", "40 %", "--book", book)
    assert code == 2
    assert text.startswith(f"{book}:8:")


def test_gear_of_no_set_is_told_with_an_expiry_and_nothing_is_kept() -> None:
    made = lone(read_document(BOOK, "met.yaml"), "relay", "shelf/plug")
    (told,) = _safe(Speech(made).tell(IT, [("switch", True)], None), ("switch", True))
    assert (told.topic, told.payload, told.retain, told.qos) == ("shelf/plug/in", b"1", False, 0)
    assert told.expiry
    lamp = lone(read_document(BOOK, "met.yaml"), "lamp", "rim")
    (dim,) = _safe(Speech(lamp).tell(IT, [("level", 40.0)], None), ("level", 40.0))
    assert dim == Message("rim/do", b'{"dim": 102}', qos=0, expiry=dim.expiry)


def test_lines_stand_in_order_within_the_width_and_drive_no_terminal() -> None:
    sent = {"device": "key", "topic": "do/key", "payload": '{"dim":102}', "qos": 0}
    sent |= {"expiry_s": 2.0, "after_s": 0.0, "values": {"level": 40.0}, "retain": False}
    heard = {"device": "key", "topic": "say/\x1b[2Jkey", "payload": "\x1b[31m", "kept": True}
    heard |= {"after_s": 0.4, "understood": {"level": 40.0}}
    live = {**heard, "topic": "say/key", "kept": False, "after_s": 0.2, "device": "desk-plug"}
    shown = lines("key", {"sent": [sent], "heard": [heard, live], "lacks": ["no `dim`"]}, 80)
    assert all(len(line) <= 80 for line in shown)
    assert "\x1b" not in "".join(shown)
    whole = " ".join(" ".join(shown).split())
    assert '`do/key` {"dim":102} (level 40 %; QoS 0, not delivered within 2 s: dropped)' in whole
    assert whole.index("desk-plug: `say/key`") < whole.index("kept by the broker from before")
    assert "live: level 40 %" in whole
    nothing = lines("key", {"sent": [sent], "heard": []}, 80)
    assert "nothing was heard of key" in nothing[-1]


# ---- measure ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["measure", "shelf-light", "--set", "x"], "say --profile FILE"),
        (["measure", "nobody", "--profile", CORNER], "has no device 'nobody'"),
        (["measure", "shelf-light", "--force", "--profile", CORNER], "--keep"),
        (["measure", "shelf-light", "--profile", CORNER], "a person has to say yes"),
        (["measure", "lesson-pc", "--profile", CORNER.parent / "wheel-corner.yaml"], "computer"),
    ],
    ids=lambda v: " ".join(str(x).rsplit("/", 1)[-1] for x in v) if isinstance(v, list) else "",
)
def test_what_is_not_measured_is_said_before_any_broker_is_asked(
    args: list[object], says: str
) -> None:
    code, text = ended(*args)
    assert code == 2
    assert says in text


def test_nothing_is_sent_when_a_person_says_no(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("studiobridge.cli.question.sys.stdin", FakeTerminal("n\n"))
    monkeypatch.setattr(
        "studiobridge.cli.measuring.run_asking", lambda task: pytest.fail("it was begun")
    )
    with pytest.raises(Stop, match="nothing was sent"):
        _measured("shelf-light")


class FakeTerminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def _measured(device: str) -> None:
    from studiobridge.cli.measuring import measure

    measure(device, profile=CORNER)


# ---- over a real broker: whoever runs the set, and nobody ----------------------------------------


@needs_mosquitto
def test_over_a_broker_with_nobody_running_the_set_and_gear_of_no_set(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    with (
        Mosquitto(tmp_path) as broker,
        LiveRoom(read_profile(CORNER).profile, "127.0.0.1", broker.port, pace=4.0),
    ):
        where = {"home": tmp_path / "home", "STUDIOBRIDGE_BROKER": broker.url}
        here = studiobridge("try", "shelf-plug", "on", "--json", "--profile", CORNER, **where)
        assert here.returncode == 0, here.stderr
        assert "this command runs the set itself" in here.stderr
        assert f"`studiobridge run {CORNER}` in another terminal" in here.stderr
        said = json.loads(here.stdout)
        assert said["detail"]["outcome"] == "confirmed"
        assert [m["topic"] for m in said["detail"]["sent"]] == ["shelf/plug/in"]
        # its light cannot be reached by a try of a set whose plug says off
        off = studiobridge("try", "shelf-plug", "off", "--profile", CORNER, **where)
        assert off.returncode == 0, off.stderr
        dark = studiobridge("try", "shelf-light", "40 %", "--profile", CORNER, **where)
        assert dark.returncode == 1
        assert "`try shelf-plug on` first" in dark.stderr
        # nothing but its topic is known: told after a yes, and nothing of it is kept
        book = tmp_path / "met.yaml"
        book.write_text(BOOK)
        args = ("try", "--dialect", "relay", "--at", "shelf/plug", "on", "--yes", "--book", book)
        alone = studiobridge(*args, "--json", **where)
        assert alone.returncode == 0, alone.stderr
        heard = json.loads(alone.stdout)["detail"]["heard"]
        assert heard[-1]["understood"] == {"switch": True}
        assert not heard[-1]["kept"]


@needs_mosquitto
def test_a_lockout_on_this_broker_binds_who_tries_gear_of_no_set_too(tmp_path: Path) -> None:
    book = tmp_path / "met.yaml"
    book.write_text(BOOK)
    (tmp_path / "home").mkdir()
    with Mosquitto(tmp_path) as broker:
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        told: list[str] = []
        client.on_message = lambda _c, _d, said: told.append(said.topic)
        client.connect("127.0.0.1", broker.port)
        client.subscribe("shelf/plug/in")
        client.loop_start()
        locked = json.dumps({"lockouts": [{"target": "wall", "by": "rana"}]})
        client.publish("studiobridge/corner/state", locked, 1, retain=True).wait_for_publish(5)
        where = {"home": tmp_path / "home", "STUDIOBRIDGE_BROKER": broker.url}
        args = ("try", "--dialect", "relay", "--at", "shelf/plug", "on", "--yes", "--book", book)
        done = studiobridge(*args, **where)
        client.publish("shelf/plug/out", "0", 1).wait_for_publish(5)  # all before it has come
        client.disconnect()
        client.loop_stop()
    assert (done.returncode, told) == (1, [])
    assert "somebody works on the set 'corner'" in done.stderr


@needs_mosquitto
def test_what_does_not_reach_the_broker_ends_a_try_of_gear_of_no_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until the broker has it no expiry counts: it must not leave this machine later."""
    book = tmp_path / "met.yaml"
    book.write_text(BOOK)
    tell = Link.publish
    monkeypatch.setattr("studiobridge.cli.trying.LIVES", 0.4)
    monkeypatch.setenv("HOME", str(tmp_path))
    with Mosquitto(tmp_path) as broker:
        monkeypatch.setenv("STUDIOBRIDGE_BROKER", broker.url)

        def stalls(link: Link, message: Message, *more: object) -> bool:
            broker.process.send_signal(signal.SIGSTOP)
            return tell(link, message, *more)  # type: ignore[arg-type]

        monkeypatch.setattr(Link, "publish", stalls)
        args = ("--dialect", "relay", "--at", "shelf/plug", "on", "--yes", "--book", book)
        try:
            code, text = ended("try", *args)
        finally:
            broker.process.send_signal(signal.SIGCONT)
    assert code == 3
    assert "did not reach the broker in 0.4 s" in text


def test_what_was_typed_before_the_question_is_no_yes_and_its_end_is_no(tmp_path: Path) -> None:
    """The question is no part of what is printed, which a program may read."""
    (tmp_path / "met.yaml").write_text(BOOK)
    ours, theirs = pty.openpty()
    os.write(ours, b"y\n")
    said = ["try", "on", "--dialect", "relay", "--at", "shelf/plug", "--json"]
    asking = subprocess.Popen(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", *said],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
        env={**os.environ, "HOME": str(tmp_path), "STUDIOBRIDGE_BROKER": "mqtt://127.0.0.1:1"},
    )
    assert asking.stderr is not None
    text = b""
    while not text.lower().endswith(b"may i? (y/n) "):
        one = asking.stderr.read(1)
        assert one, text
        text += one
    os.write(ours, b"\x04")
    out, err = asking.communicate(timeout=20)
    os.close(ours), os.close(theirs)
    assert (asking.returncode, out, err) == (1, b"", b"\nnothing was sent\n")
