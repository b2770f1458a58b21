"""A set that shows itself, held to the convention: homieiot/convention, convention.md, version 5.

The witness (homie5.py) is written from the convention's text alone; a controller is our own reader
of other people's devices, which was held to the same text in test_homie.py.
"""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Publish
from studiobridge.control.effects import Memory
from studiobridge.profile.model import HOMIE5, Device
from studiobridge.profile.said import Report
from studiobridge.speech.homie import HomieBook
from studiobridge.speech.lacking import Lacking
from studiobridge.speech.message import Message
from tests.outside.homie5 import Witness, fits
from tests.outside.presented import Presented, shelf


def evening() -> Presented:
    """Up, refused, adrift, put back, stalled, another connection, down."""
    stage = Presented(shelf())
    stage.start()
    stage.set("switch", "true")
    stage.run(30.0)
    for name, payload in (
        ("switch", b"TRUE"),
        ("look", b"\x00"),
        ("look", b"dusk"),
        ("state", b"x"),
    ):
        stage.set(name, payload)
        stage.run(2.0)
    stage._gear(stage.room.touch("shelf-light", stage.now, level=20.0))
    stage.run(10.0)
    stage.set("restore", "restore")
    stage.run(20.0)
    stage._outs(stage.core.presence_down(stage.now))
    stage.run(1.0)
    stage.connect()
    stage.set("look", "none")
    stage.run(40.0)
    return stage


def test_all_that_is_published_keeps_to_the_convention() -> None:
    stage = evening()
    assert stage.witness.breaches == []
    assert {*stage.values("state")} == {"dark", "rising", "ready", "adrift", "lowering"}
    assert stage.lifecycle == "ready"


@pytest.mark.parametrize(
    ("topic", "payload", "qos", "retain", "rule"),
    [
        ("studiobridge/state", b"sleepy", 1, True, "Payloads"),
        ("studiobridge/drift", b"1.0", 1, True, "Payloads"),
        ("studiobridge/drift", b"-1", 1, True, "Payloads"),
        ("studiobridge/ready", b"TRUE", 1, True, "Payloads"),
        ("studiobridge/why", b"\xff", 1, True, "Payloads"),
        ("studiobridge/why", b"so", 1, False, "QoS and retained"),
        ("studiobridge/ready-in", b"3.5", 0, True, "QoS and retained"),
        ("studiobridge/ready-in", b"nan", 0, False, "Payloads"),
        ("studiobridge/Why", b"so", 1, True, "Topic IDs"),
        ("studiobridge/ready/$target", b"true", 1, True, "Target attribute"),
        ("studiobridge/more", b"1", 1, True, "Properties"),
        ("$state", b"alert", 1, True, "Device Lifecycle"),
        ("$log/loud", b"x", 0, False, "Logging"),
        ("$log/warn", b"x", 0, True, "Logging"),
        ("$description", b'{"homie": "5.0"}', 1, True, "Device Attributes"),
    ],
)
def test_the_witness_sees_what_is_wrong(
    topic: str, payload: bytes, qos: int, retain: bool, rule: str
) -> None:
    stage = Presented(shelf())
    stage.start()
    witness = stage.witness
    witness.published(f"{stage.root}/{topic}", payload, qos, retain)
    assert any(breach.startswith(rule) for breach in witness.breaches), witness.breaches


def test_a_controller_reads_it_sets_it_and_sees_it_come() -> None:
    """Our own reader of Homie devices, as the controller: online, a switch, and what it tells."""
    at = f"{shelf().name}/studiobridge"
    device = Device("set", "plug", speaks=HOMIE5, at=at, tells=frozenset({"switch"}))
    book = HomieBook([device], Lacking())
    stage = Presented(shelf())
    heard: list[tuple[str, object]] = []

    def listen() -> None:
        for at_, topic, text in stage.shown:
            for said in book.hear(Message(topic, text.encode()), at_):
                if isinstance(said, Report):
                    heard.append((said.point, said.value))
        stage.shown.clear()

    stage.start()
    listen()
    assert heard[-2:] == [("switch", False), ("online", True)]
    (tell,) = book.devices["set"].tell([("switch", True)])
    stage._outs(stage.core.message(tell, stage.now))
    stage.run(0.2)
    # "the exact value received must be published to the $target topic"
    target = f"{stage.base}/switch/$target"
    assert [text for _, topic, text in stage.shown if topic == target] == ["true"]
    stage.run(30.0)
    listen()
    assert ("switch", True) in heard and stage.value("ready") == "true"
    (tell,) = book.devices["set"].tell([("switch", False)])
    stage._outs(stage.core.message(tell, stage.now))
    stage.run(30.0)
    listen()
    assert heard[-1] == ("switch", False) and stage.value("state") == "dark"


def test_a_description_that_changes_has_a_higher_version_and_nothing_of_the_old_is_left() -> None:
    """Device Attributes, and Device reconfiguration: old properties are deleted."""
    stage = Presented(shelf())
    stage.start()
    described = json.loads(stage.witness.kept[f"{stage.root}/$description"])
    foreign = json.loads(json.dumps(described))
    foreign["version"] = 5_000_000
    foreign["nodes"]["studiobridge"]["properties"]["mood"] = {"datatype": "string"}
    for old, version in ((foreign, 5_000_001), (described, described["version"])):
        again = Presented(shelf())
        again.now = 3000.0
        again.kept(json.dumps(old))
        again.start()
        said = json.loads(again.witness.kept[f"{stage.root}/$description"])
        assert said["version"] == version
        gone = [topic for _, topic, text in again.shown if not text]
        assert (f"{stage.base}/mood" in gone) == (old is foreign)
        assert again.witness.breaches == []


def test_a_set_that_shows_itself_no_more_is_removed_as_the_convention_has_it() -> None:
    """Device Lifecycle: first $state, then all the rest; and nothing of a device of this name."""
    stage = evening()
    description = stage.witness.kept[f"{stage.root}/$description"]
    core = Core(replace(shelf(), homie=False), Memory(), "next", lambda at: at)
    topic = f"{stage.root}/$description"
    assert core.message(Message(topic, b'{"nodes": {"light": {}}}', retain=True), 0.0) == []
    outs = core.message(Message(topic, description.encode(), retain=True), 0.0)
    said = [out.message for out in outs]  # type: ignore[union-attr]
    assert all(message.retain and not message.payload for message in said)
    stage.witness.removed([message.topic for message in said])
    assert stage.witness.breaches == []
    # what a stranger put there is taken away in the same way, and is no flood
    mad = {"a/b": {}, "#": {}, "x" * 99: {}, **{f"p{n}": {} for n in range(5000)}}
    document = json.dumps({"nodes": {"studiobridge": {"properties": mad}}})
    outs = core.message(Message(topic, document.encode(), retain=True), 1.0)
    assert len(outs) < 300
    assert all("#" not in out.message.topic for out in outs if isinstance(out, Publish))


def test_the_numbers_of_the_convention() -> None:
    """Payloads: Integer, Float; from the text's own examples and bounds."""
    assert fits("-9223372036854775808", "integer", "") and not fits(str(2**63), "integer", "")
    assert (
        fits("1e-3", "float", "0:") and not fits("-", "float", "") and not fits("", "integer", "")
    )
    witness = Witness("x")
    witness.will("homie/5/x/$state", b"disconnected", True)
    assert witness.breaches
