"""The mock broker does what Mosquitto does. Reference: MQTT 5.0 (OASIS), by Mosquitto itself."""

from __future__ import annotations

import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from studiobridge.rehearsal.broker import MockBroker, Trouble, matches
from studiobridge.speech.message import Message
from tests.brokers import broker_of, needs_mosquitto

Heard = list[tuple[str, bytes, bool]]

# (what, ...) played on both brokers; what `listener` hears has to be the same
SCRIPT: list[tuple[object, ...]] = [
    ("publish", "a/kept", b"1", True, None),
    ("publish", "a/live", b"x", False, None),
    ("subscribe", "a/#"),
    ("publish", "a/kept", b"2", True, None),
    ("publish", "a/live", b"y", False, None),
    ("subscribe", "b/+"),
    ("publish", "b/one", b"1", False, None),
    ("publish", "b/one/two", b"no", False, None),
    ("publish", "a/kept", b"", True, None),
    ("leave",),
    ("join",),
    ("subscribe", "a/#"),
    ("publish", "a/soon", b"gone", True, 1.0),
    ("wait", 2.2),
    ("leave",),
    ("publish", "a/while-away", b"lost", False, None),
    ("join",),
    ("subscribe", "a/#"),
    ("lose",),
    ("publish", "a/end", b"end", False, None),
]


def on_mock() -> Heard:
    broker, heard, now = MockBroker(), [], 0.0
    will = Message("a/will", b"lost", 1, True)
    broker.connect("listener", now, None, 5)
    broker.connect("speaker", now, None, 60)
    broker.connect("other", now, will, 5)
    for step in SCRIPT:
        now += 0.2
        if step[0] == "publish":
            _, topic, payload, retain, expiry = step
            broker.publish("speaker", Message(topic, payload, 1, retain, expiry), now)  # type: ignore[arg-type]
        elif step[0] == "subscribe":
            broker.subscribe("listener", [(str(step[1]), 1)], now)
        elif step[0] == "leave":
            broker.disconnect("listener", now)
        elif step[0] == "join":
            broker.connect("listener", now, None, 5)
        elif step[0] == "lose":
            broker.drop("other", now)
        elif step[0] == "wait":
            now += float(str(step[1]))
        heard += [
            (m.topic, m.payload, m.retain) for _, c, m in broker.due(now + 0.1) if c == "listener"
        ]
    return heard


def on_real(port: int) -> Heard:
    heard: Heard = []

    def client(name: str, will: bool = False) -> mqtt.Client:
        made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        made.on_message = lambda _c, _d, m: heard.append((m.topic, m.payload, m.retain))
        if will:
            made.will_set("a/will", b"lost", 1, True)
        made.connect("127.0.0.1", port, 5)
        made.loop_start()
        while not made.is_connected():
            time.sleep(0.01)
        return made

    listener, speaker, other = client("listener"), client("speaker"), client("other", will=True)
    for step in SCRIPT:
        if step[0] == "publish":
            _, topic, payload, retain, expiry = step
            properties = None
            if expiry is not None:
                properties = Properties(PacketTypes.PUBLISH)
                properties.MessageExpiryInterval = int(float(str(expiry)))
            speaker.publish(str(topic), payload, 1, bool(retain), properties).wait_for_publish(5)  # type: ignore[arg-type]
        elif step[0] == "subscribe":
            listener.subscribe(str(step[1]), 1)
        elif step[0] == "leave":
            listener.disconnect()
            listener.loop_stop()
        elif step[0] == "join":
            listener = client("listener")
        elif step[0] == "lose":
            sock = other.socket()
            other.loop_stop()
            assert sock is not None
            sock.close()
        elif step[0] == "wait":
            time.sleep(float(str(step[1])))
        time.sleep(0.2)
    for made in (listener, speaker):
        made.disconnect()
        made.loop_stop()
    return heard


@needs_mosquitto
@pytest.mark.parametrize("kind", ["mosquitto", "embedded"])
def test_the_same_script_is_heard_the_same(kind: str, tmp_path: Path) -> None:
    with broker_of(kind, tmp_path) as port:
        assert on_real(port) == on_mock()


def test_the_script_covers_what_it_should() -> None:
    heard = on_mock()
    assert ("a/kept", b"1", True) in heard  # kept: flagged
    assert ("a/kept", b"2", False) in heard  # live: not
    assert ("a/kept", b"", False) in heard
    assert ("a/will", b"lost", False) in heard
    assert not any(topic == "a/while-away" for topic, _, _ in heard)
    assert heard.count(("a/soon", b"gone", True)) == 0


@pytest.mark.parametrize(
    ("filter_", "topic", "fits"),
    [
        ("a/+", "a/b", True),
        ("a/+", "a/b/c", False),
        ("a/#", "a", True),
        ("a/#", "a/b/c", True),
        ("#", "$SYS/x", False),
        ("+/x", "$SYS/x", False),
        ("homie/5/+/$state", "homie/5/a/$state", True),
        ("a/b", "a/b/", False),
    ],
)
def test_filters(filter_: str, topic: str, fits: bool) -> None:
    """MQTT 5.0 section 4.7."""
    assert matches(filter_, topic) is fits


def test_an_expired_message_is_never_delivered_late() -> None:
    broker = MockBroker(1, Trouble(delay=5.0))
    broker.connect("gear", 0.0, None, 60)
    broker.connect("us", 0.0, None, 60)
    broker.subscribe("gear", [("t", 1)], 0.0)
    broker.publish("us", Message("t", b"late", 1, False, 2.0), 0.0)
    broker.publish("us", Message("t", b"fine", 1, False, 20.0), 0.0)
    assert [m.payload for _, _, m in broker.due(100.0)] == [b"fine"]


@given(st.integers(0, 10_000))
def test_the_same_seed_makes_the_same_trouble(seed: int) -> None:
    def once() -> list[tuple[float, str, bytes]]:
        broker = MockBroker(seed, Trouble(0.01, 0.3, 0.2, 1.0, 0.2, 0.2, 0.1))
        broker.connect("gear", 0.0, None, 60)
        broker.connect("us", 0.0, None, 60)
        broker.subscribe("gear", [("t/#", 1)], 0.0)
        for i in range(30):
            broker.publish("us", Message(f"t/{i % 3}", b"%d" % i, i % 2), i * 0.1)
        return [(at, m.topic, m.payload) for at, _, m in broker.due(100.0)]

    assert once() == once()


def test_without_trouble_order_is_kept_and_nothing_is_lost() -> None:
    broker = MockBroker(1, Trouble(0.01, jitter=0.5))
    broker.connect("gear", 0.0, None, 60)
    broker.connect("us", 0.0, None, 60)
    broker.subscribe("gear", [("t", 1)], 0.0)
    for i in range(50):
        broker.publish("us", Message("t", b"%d" % i), i * 0.01)
    assert [int(m.payload) for _, _, m in broker.due(10.0)] == list(range(50))
