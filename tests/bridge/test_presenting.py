"""A set as a Homie 5 device on a real Mosquitto: switched by a controller, killed, held, taken over.

The convention (convention.md, version 5): `$state` is lost by the broker's will, disconnected after
a goodbye, and ready only while it can be set.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from tests.bridge.test_stalls import Shelf, shelf
from tests.brokers import Sub, needs_mosquitto, pub
from tests.panel.studio import until

pytestmark = needs_mosquitto
ROOT = "homie/5/shelf-corner"
BASE = f"{ROOT}/studiobridge"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Shelf]:
    with shelf(tmp_path) as found:
        found.path.write_text(found.path.read_text() + "\nhomie: yes\n")
        assert read_profile(found.path).profile.homie
        yield found


def states(made: Shelf) -> list[str]:
    return [payload.decode() for _, payload in made.witness.on(f"{ROOT}/$state")]


def value(made: Shelf, name: str) -> str:
    said = made.witness.on(f"{BASE}/{name}")
    return said[-1][1].decode() if said else ""


def comes(made: Shelf, test: Callable[[], bool], what: str, within: float) -> float:
    """How long (s) it took."""
    began = time.monotonic()
    try:
        until(test, what, within)
    except AssertionError:
        raise AssertionError(f"{what}: {states(made)} {made.bridges[-1].lines}") from None
    return time.monotonic() - began


def test_a_controller_switches_it_and_a_killed_bridge_is_lost(made: Shelf) -> None:
    bridge = made.bridge("a")
    comes(made, lambda: states(made)[-1:] == ["ready"], "ready", 15.0)
    assert states(made) == ["init", "ready"]
    pub(made.broker.port, f"{BASE}/switch/set", "true")
    comes(made, lambda: value(made, "ready") == "true", "up", 20.0)
    assert value(made, "look") == "day"
    pub(made.broker.port, f"{BASE}/look/set", "none")
    comes(made, lambda: value(made, "switch") == "false", "dark", 20.0)
    # kept, it is a request now and asks for nothing when the broker gives it again
    pub(made.broker.port, f"{BASE}/switch/set", "false", "-r")
    bridge.kill()
    # its connection is reset: nobody waits for the keep-alive
    comes(made, lambda: states(made)[-1] == "lost", "lost", 1.0)
    pub(made.broker.port, f"{BASE}/switch/set", "true", "-r")
    bridge.start()
    comes(made, lambda: states(made)[-1] == "ready", "ready again", 15.0)
    assert states(made)[-2:] == ["init", "ready"]
    time.sleep(0.5)
    assert value(made, "state") == "dark"
    assert bridge.stop() == 0
    comes(made, lambda: states(made)[-1] == "disconnected", "disconnected", 2.0)
    # and a bridge that is told to show the set no more takes everything away
    text = made.path.read_text(encoding="utf-8")
    made.path.write_text(text.replace("\nhomie: yes\n", "\n"), encoding="utf-8")
    bridge.start()
    comes(made, lambda: states(made)[-1] == "", "taken away", 15.0)
    bridge.said("running on")
    left = Sub(made.broker.port, f"{ROOT}/#").lines(0.5)
    assert left == [f"1 {BASE}/switch/set true"]  # somebody else's, kept above


def test_a_link_that_is_held_open_is_lost_within_the_keep_alive(made: Shelf) -> None:
    made.bridge("a", made.proxy.port)
    comes(made, lambda: states(made)[-1:] == ["ready"], "ready", 15.0)
    made.proxy.hold()
    # the broker gives a silent connection up after 1.5 x keep_alive (5 s), and Mosquitto 2.0 looks
    # every 5 s (as measured)
    comes(made, lambda: states(made)[-1] == "lost", "lost", 7.5 + 5.0 + 1.0)


def test_who_stands_down_leaves_the_other_ones_alone(made: Shelf) -> None:
    first = made.bridge("a")
    comes(made, lambda: states(made)[-1:] == ["ready"], "ready", 15.0)
    os.kill(first.pid, signal.SIGSTOP)
    made.bridge("b")
    comes(made, lambda: states(made)[-2:] == ["init", "ready"] and len(states(made)) > 3, "b", 15.0)
    before = len(states(made))
    os.kill(first.pid, signal.SIGCONT)
    assert first.wait(10.0) == 1
    time.sleep(1.0)
    assert states(made)[before:] == [] and "lost" in states(made)[:before]
