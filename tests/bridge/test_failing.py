"""A fault stays where it is: one effect, then one set, then the process."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from studiobridge.bridge.outs import Publish
from studiobridge.bridge.topics import answer_topic, ask_topic, state_topic
from studiobridge.profile import read_profile
from studiobridge.speech.message import Message
from tests.bridge.test_core import CORNER, answers, listening
from tests.bridge.test_set import stage, wait_alive
from tests.brokers import Mosquitto, Sub, needs_mosquitto, pub
from tests.panel.studio import CONFIG, quick

ANSWERS = answer_topic(CORNER.name)


@pytest.mark.parametrize("tail", ["/#", "/+", "/a/+/b", "/\x00", "/" + "x" * 70_000])
def test_a_response_topic_nobody_can_publish_to_gets_the_default(tail: str) -> None:
    core = listening()
    body = json.dumps({"id": "p", "what": "ping"}).encode()
    asked = Message(ask_topic(CORNER.name), body, response_topic=ANSWERS + tail, correlation=b"c")
    (out,) = [
        o
        for o in core.message(asked, 10.0)
        if isinstance(o, Publish) and b'"p"' in o.message.payload
    ]
    assert out.message.topic == ANSWERS
    # one that was refused is answered nowhere else either
    bad = Message(ask_topic(CORNER.name), b"junk", response_topic=ANSWERS + tail)
    assert {
        o.message.topic
        for o in core.message(bad, 11.0)
        if isinstance(o, Publish) and o.message.topic.startswith(ANSWERS)
    } <= {ANSWERS}


def test_a_payload_no_reader_planned_for_is_a_fault_of_that_topic(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What a stranger says must never end a set, or it would end it again at every start."""
    core = listening()

    def broken(message: Message) -> list[object]:
        raise OverflowError("nobody planned for this")

    monkeypatch.setattr(core.speech, "hear", broken)
    core.message(Message("gear/anything", b"1"), 5.0)
    assert core.state()["faults"] == 1
    asked = Message(
        ask_topic(CORNER.name), b'{"id":"a","what":"ping","until":' + b"9" * 4000 + b"}"
    )
    core.message(asked, 6.0)
    assert [
        a["id"]
        for a in answers(
            core.message(Message(ask_topic(CORNER.name), b'{"id":"b","what":"ping"}'), 7.0)
        )
    ] == ["b"]


def test_a_failed_set_says_so_once_and_nothing_more() -> None:
    core = listening()
    said = [o.message for o in core.failed("RuntimeError: a fault", 12.0) if isinstance(o, Publish)]
    (state,) = [json.loads(m.payload) for m in said if m.topic == state_topic(CORNER.name)]
    assert state["failed"] == "RuntimeError: a fault"
    assert state["state"] == "stalled"
    assert "failed" in state["why"]
    assert core.message(Message(ask_topic(CORNER.name), b'{"id":"b","what":"ping"}'), 13.0) == []
    assert core.due("listen", 14.0) == []
    assert core.link_up(15.0) == []


@needs_mosquitto
def test_an_effect_that_throws_costs_that_effect(tmp_path: Path) -> None:
    async def evening(port: int) -> None:
        async with stage(port, tmp_path, "one-plug-one-light") as s:
            logged: list[str] = []
            s.runner.log = lambda text, **more: logged.append(text)
            s.runner._feed([Publish(Message("no/such/#", b"x"))])
            assert (await s.ask("ping")).code == 0
            assert any("cannot contain wildcards" in text for text in s.said)
            assert any("Traceback" in text for text in logged)

    with Mosquitto(tmp_path) as broker:
        asyncio.run(evening(broker.port))


def rigged(folder: Path) -> list[str]:
    """Our command, with a controller that throws when the plug of the shelf reports."""
    (folder / "rigged.py").write_text(
        "from studiobridge.cli import main\n"
        "from studiobridge.control.controller import Controller\n"
        "handle = Controller.handle\n"
        "def broken(self, event, more=False):\n"
        "    if self.profile.name == 'shelf-corner' and type(event).__name__ == 'Report':\n"
        "        raise RuntimeError('a fault of the program')\n"
        "    return handle(self, event, more)\n"
        "Controller.handle = broken\n"
        "main()\n"
    )
    return [sys.executable, str(folder / "rigged.py")]


@needs_mosquitto
@pytest.mark.parametrize("sets", [1, 2])
def test_a_set_that_failed_says_so_and_is_started_again_by_the_service(
    sets: int, tmp_path: Path
) -> None:
    names = ["one-plug-one-light", "wheel-corner"][:sets]
    paths = []
    for name in names:
        path = tmp_path / f"{name}.yaml"
        path.write_text(quick((CONFIG / f"{name}.yaml").read_text()))
        paths.append(str(path))
    with Mosquitto(tmp_path) as broker:
        env = {
            **os.environ,
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_DATA": str(tmp_path / "data"),
            "HOME": str(tmp_path),
        }
        bridge = subprocess.Popen(
            [*rigged(tmp_path), "run", *paths], env=env, stderr=subprocess.PIPE, text=True
        )
        try:
            wait_alive(broker.port, "shelf-corner", True)
            if sets == 2:
                wait_alive(broker.port, "wheel-corner", True)
            plug_reports(broker.port, paths[0])
            assert bridge.wait(20) == 1
            assert bridge.stderr is not None
            said = bridge.stderr.read()
            assert "shelf-corner: failed: RuntimeError: a fault of the program" in said
            assert "Traceback" in said
            lines = Sub(broker.port, "studiobridge/#").lines(0.5)
            kept = {line.split(" ")[1]: json.loads(line.split(" ", 2)[2]) for line in lines}
            assert "a fault of the program" in kept["studiobridge/shelf-corner/state"]["failed"]
            for name in ["shelf-corner", "wheel-corner"][:sets]:
                assert kept[f"studiobridge/{name}/alive"]["alive"] is False
        finally:
            bridge.kill()
            bridge.wait()


def plug_reports(port: int, path: str) -> None:
    """The plug of the shelf reports, in its own dialect."""
    from studiobridge.speech import FarEnd

    end = FarEnd(read_profile(Path(path)).profile, "shelf-plug")
    for message in end.report({"switch": True}, frozenset({"switch"})):
        pub(port, message.topic, message.payload.decode())
