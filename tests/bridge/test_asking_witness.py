"""What a visitor makes of a witness that answers, lies, is late or is not there, over a real broker."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from studiobridge.bridge import asking
from studiobridge.bridge.asking import Asker, NoAnswer, NoWitness
from studiobridge.bridge.settings import BrokerSettings, Settings
from studiobridge.cli import main
from studiobridge.speech.message import Message
from tests.bridge.test_asking import beating
from tests.brokers import Mosquitto, needs_mosquitto

pytestmark = needs_mosquitto
SET = "shelf-corner"
TOPIC = f"studiobridge/{SET}"
Says = Callable[[dict[str, Any]], list[bytes]]


@contextmanager
def witness(port: int, says: Says, alive: bytes = b'{"alive": true}') -> Iterator[list[Any]]:
    """A client that says it looks at the picture, and answers so; what it was asked."""
    asked: list[Any] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)

    def heard(client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        body = json.loads(message.payload)
        asked.append(body)
        to = message.properties.ResponseTopic  # type: ignore[union-attr]
        for answer in says(body):
            client.publish(to, answer, 1)

    client.on_message = heard
    client.connect("127.0.0.1", port)
    client.subscribe(f"{TOPIC}/witness/ask", 1)
    client.loop_start()
    client.publish(f"{TOPIC}/witness/alive", alive, 1, True).wait_for_publish(5)
    try:
        yield asked
    finally:
        client.disconnect()
        client.loop_stop()


def answer(body: dict[str, Any], **more: Any) -> bytes:
    return json.dumps({"id": body["id"], "code": 0, "text": "", "detail": {}, **more}).encode()


async def asks(port: int, folder: Path, what: str = "still", **more: Any) -> Any:
    settings = Settings(broker=BrokerSettings(host="127.0.0.1", port=port), data=folder)
    async with Asker(settings, SET) as asker:
        await asker.settled()
        found = await asker.ask_witness(what, **more)
        assert asker._pictures == {}
        return found


def test_a_question_carries_what_it_is_about_and_its_end(tmp_path: Path) -> None:
    lights = {"key": {"level": 40.0, "cct": 4300.0}}
    says: Says = lambda body: [answer(body, detail={"picture": "x"})]  # noqa: E731
    with (
        Mosquitto(tmp_path) as broker,
        beating(broker.port, 1),
        witness(broker.port, says) as asked,
    ):
        time.sleep(0.9)
        found = asyncio.run(asks(broker.port, tmp_path, "preview", look="lesson", lights=lights))
    assert found.detail == {"picture": "x"}
    (body,) = asked
    assert (body["what"], body["look"], body["lights"]) == ("preview", "lesson", lights)
    if "until" in body:  # by the bridge's clock, which is ours here
        assert body["until"] == pytest.approx(time.time() + asking.RECKONED_WITHIN, abs=20)


def _wrong(body: dict[str, Any]) -> list[bytes]:
    """Everything that is no answer to this question."""
    return [
        answer({"id": "another"}),
        answer({"id": {}}),
        answer(body, detail={"picture": "A" * 10_000_000}),
        answer(body, code="none"),
        answer(body, code=True),
        answer(body, text={}),
        b"<html>",
        b"\xff\xd8\xff\xe0",
        b"[" * 5000,
    ]


def test_wrong_ids_nonsense_and_ten_megabytes_are_no_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asking, "CAMERA_WITHIN", 2.0)
    none = pytest.raises(NoWitness, match="does not answer")
    with Mosquitto(tmp_path) as broker, witness(broker.port, _wrong), none:
        asyncio.run(asks(broker.port, tmp_path))
    (tmp_path / "again").mkdir()
    both: Says = lambda body: [*_wrong(body), answer(body, text="so it is")]  # noqa: E731
    with Mosquitto(tmp_path / "again") as broker, witness(broker.port, both):
        assert asyncio.run(asks(broker.port, tmp_path)).text == "so it is"


@pytest.mark.parametrize(
    ("what", "every", "within"),
    [
        ("look", 10.0, 22.0),  # a camera with a picture in ten seconds, and its beginning
        ("keep", 0.4, 12.4),
        ("still", 1e9, 60.0),
        ("preview", 10.0, 3.0),  # is reckoned: no camera is waited for
        *(("look", every, 12.0) for every in (None, "10", True, -1, float("nan"), [])),
        *(("look", every, 60.0) for every in (float("inf"), 10**400)),
    ],
)
def test_a_question_waits_as_long_as_the_camera_may_take(
    what: str, every: object, within: float
) -> None:
    assert asking.picture_within(what, every) == pytest.approx(within)


@pytest.mark.parametrize("goes", [b'{"alive": false}', b'{"alive": true, "run": "another"}'])
def test_a_witness_that_goes_away_is_not_waited_for(tmp_path: Path, goes: bytes) -> None:
    async def ask(port: int) -> None:
        settings = Settings(broker=BrokerSettings(host="127.0.0.1", port=port), data=tmp_path)
        async with Asker(settings, SET) as asker:
            await asker.settled()
            question = asyncio.create_task(asker.ask_witness("look"))
            await asyncio.sleep(0.3)
            asker.link.publish(Message(f"{TOPIC}/witness/alive", goes, qos=1))
            async with asyncio.timeout(2):
                await question

    alive = b'{"alive": true, "run": "one", "every": 10}'
    gone = pytest.raises(NoAnswer, match="went away")
    with Mosquitto(tmp_path) as broker, witness(broker.port, lambda body: [], alive), gone:
        asyncio.run(ask(broker.port))


@pytest.mark.parametrize("alive", [b"", b'{"alive": false}', b'{"alive": 1}', b"[]", b"\xff"])
def test_nobody_is_asked_where_nobody_looks(tmp_path: Path, alive: bytes) -> None:
    with Mosquitto(tmp_path) as broker, witness(broker.port, lambda body: [], alive) as asked:
        with pytest.raises(NoWitness, match="nobody looks"):
            asyncio.run(asks(broker.port, tmp_path))
        assert asked == []


SAVED = b'{"id": "ID", "final": true, "code": 0, "text": "saved the look evening"}'
REFUSED = b'{"id": "ID", "final": true, "code": 1, "text": "no"}'
KEPT = "kept a picture of it, with nobody in it. It stays until it is kept anew"
STAYS = "it stays beside the profile until one is kept for it again"


@pytest.mark.parametrize(
    ("options", "saved", "says", "out", "asked"),
    [
        ((), SAVED, (0, KEPT), KEPT, ["keep"]),
        ((), SAVED, (0, ""), STAYS, ["keep"]),
        (
            (),
            SAVED,
            (1, "somebody is in it"),
            "no picture of it was kept: somebody is in",
            ["keep"],
        ),
        # asked, and no answer in time: it may be kept a moment later
        ((), SAVED, None, "whether a picture of it was kept is not known", ["keep"]),
        (("--no-picture",), SAVED, (0, ""), "", []),
        ((), REFUSED, (0, ""), "", []),
    ],
)
def test_look_save_keeps_a_picture_too(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    options: tuple[str, ...],
    saved: bytes,
    says: tuple[int, str] | None,
    out: str,
    asked: list[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    if says is None:
        monkeypatch.setattr(asking, "CAMERA_WITHIN", 1.0)
    reply: Says = lambda body: [answer(body, code=says[0], text=says[1])] if says else []  # noqa: E731
    with (
        Mosquitto(tmp_path) as broker,
        beating(broker.port, 1, [saved]),
        witness(broker.port, reply) as heard,
    ):
        monkeypatch.setenv("STUDIOBRIDGE_BROKER", broker.url)
        words = ["studiobridge", "look", "save", "evening", "--set", SET, *options]
        monkeypatch.setattr("sys.argv", words)
        with pytest.raises(SystemExit) as ended:
            main()
    said = " ".join("".join(capfd.readouterr()).split())
    # the look is saved or is not, whatever comes of its picture
    assert ended.value.code == (0 if saved is SAVED else 1)
    assert [body["what"] for body in heard] == asked
    assert [body["look"] for body in heard] == ["evening"] * len(asked)
    assert out in said
    assert ("picture" in said) == bool(asked)


SIGHTING = {
    "run": "r",
    "frame": 1,
    "age": 0.1,
    "kept": "day",
    "hinders": [],
    "lights": {
        "shelf-light": {
            "amount": {"low": 0.4, "value": 0.5, "high": 0.6},
            "stops": {"low": -0.04, "value": 0.0, "high": 0.04},
        }
    },
}


@pytest.mark.parametrize("command", ["status", "drift"])
@pytest.mark.parametrize(
    ("ago", "line"),
    [
        (1.0, "the picture is as kept (looked "),
        (900.0, "15 min ago: not how it is now"),
        (None, ""),
    ],
)
def test_one_line_of_the_picture_in_the_terminal(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    command: str,
    ago: float | None,
    line: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    seen = {"as_kept": True, "trust": "usable", "why": "", "differs": [], "holds_s": 35.0}
    state: dict[str, Any] = {"state": "ready", "bridge": "another", "epoch": 1, "device_count": 0}
    if ago is not None:
        state["picture_seen"] = {**seen, "sighting": {**SIGHTING, "taken": time.time() - ago}}
    with Mosquitto(tmp_path) as broker, beating(broker.port, 1) as bridge:
        for name, said in (("state", state), ("drift", [])):
            bridge.client.publish(f"{TOPIC}/{name}", json.dumps(said), 1, True).wait_for_publish(5)
        monkeypatch.setenv("STUDIOBRIDGE_BROKER", broker.url)
        monkeypatch.setattr("sys.argv", ["studiobridge", command, "--set", SET])
        with pytest.raises(SystemExit) as ended:
            main()
    said_all = " ".join("".join(capfd.readouterr()).split())
    assert not ended.value.code
    assert line in said_all
    assert ("picture" in said_all) == (ago is not None)
    assert "as kept" not in said_all or ago == 1.0
