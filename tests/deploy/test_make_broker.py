"""The settings of a broker, as they are made and made again; Mosquitto itself says what they do."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from studiobridge.control.plan import plan
from studiobridge.rehearsal.embedded import free_ports
from tests.bench.__main__ import a_set
from tests.brokers import MOSQUITTO, needs_mosquitto, wait_for_port

TOP = Path(__file__).parents[2]
pytestmark = needs_mosquitto


@pytest.fixture
def folder() -> Iterator[Path]:
    # not below pytest's own folders: Mosquitto gives up root and could not get there
    made = Path(tempfile.mkdtemp(prefix="studiobridge-test-broker-"))
    made.chmod(0o755)
    yield made
    shutil.rmtree(made, ignore_errors=True)


def make(folder: Path, *more: str, host: str = "127.0.0.1") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(TOP / "deploy/broker/make-broker"), str(folder), host, *more],
        capture_output=True,
        text=True,
        timeout=60,
    )


@contextlib.contextmanager
def running(folder: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    with (folder.parent / f"{folder.name}.log").open("wb") as log:
        process = subprocess.Popen(
            [MOSQUITTO, "-c", str(folder / "mosquitto.conf")], stderr=log, stdout=log
        )
    try:
        wait_for_port(port)
        yield process
    finally:
        process.terminate()
        process.wait(10)
        Path(log.name).unlink()


class Client:
    """A name at the broker: what it says, and what it hears."""

    def __init__(self, folder: Path, port: int, user: str, listen: str = "") -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.lost = False
        made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        made.username_pw_set(user, (folder / f"{user}.password").read_text().strip())
        made.tls_set(str(folder / "ca.crt"))
        made.reconnect_on_failure = False
        made.on_message = lambda _c, _d, m: self.heard.append((m.topic, m.payload))
        made.on_disconnect = lambda *_: setattr(self, "lost", True)
        made.connect("127.0.0.1", port, 30)
        made.loop_start()
        until = time.monotonic() + 5
        while not made.is_connected() and time.monotonic() < until:
            time.sleep(0.01)
        assert made.is_connected(), f"{user} was not let in"
        if listen:
            made.subscribe(listen, 1)
            time.sleep(0.3)
        self.client = made

    def say(self, topic: str, payload: bytes = b"1", retain: bool = False) -> None:
        with contextlib.suppress(ValueError, RuntimeError):
            self.client.publish(topic, payload, 1, retain).wait_for_publish(3)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_one_more_device_takes_nothing_from_the_others(folder: Path) -> None:
    """Made again while the broker runs, as one does when a plug is bought."""
    port = free_ports(1)[0]
    assert make(folder, str(port), "plug-1=shelf/plug").returncode == 0
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    with running(folder, port) as broker:
        again = make(folder, str(port), "plug-2=shelf/other")
        assert again.returncode == 0, again.stderr
        for name in ("ca.crt", "server.key", "plug-1.password", "bridge.password"):
            assert (folder / name).read_bytes() == before[name], name
        broker.send_signal(signal.SIGHUP)
        time.sleep(0.5)
        witness = Client(folder, port, "bridge", "#")
        for user in ("plug-1", "plug-2"):
            one = Client(folder, port, user)
            for topic in ("shelf/plug/out", "shelf/other/out", "studiobridge/x/ask"):
                one.say(topic, user.encode())
            one.close()
        time.sleep(0.5)
        witness.close()
        assert witness.heard == [("shelf/plug/out", b"plug-1"), ("shelf/other/out", b"plug-2")]


def test_made_twice_is_made_once(folder: Path) -> None:
    devices = ("plug-1=shelf/plug", "plug-1=shelf/meter", "panel=homie/5/shelf-panel")
    assert make(folder, "8883", *devices).returncode == 0
    names = sorted(p.name for p in folder.iterdir())
    rights = (folder / "rights").read_text()
    passwords = (folder / "passwords").read_text()
    for given in (devices, devices[::-1], ()):
        assert make(folder, "8883", *given).returncode == 0
        assert (folder / "rights").read_text() == rights
        assert (folder / "passwords").read_text() == passwords
    assert sorted(p.name for p in folder.iterdir()) == names
    # a right that somebody wrote in by hand is somebody's too
    with (folder / "rights").open("a") as file:
        file.write("\nuser clock\ntopic read hall/time\n")
    assert make(folder, "8883", "plug-2=shelf/two").returncode == 0
    assert "user clock\ntopic read hall/time\n" in (folder / "rights").read_text()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("bridge=shelf/plug", "'bridge' is a name of the set's own"),
        ("operator=shelf/plug", "'operator' is a name of the set's own"),
        ("viewer=shelf/plug", "'viewer' is a name of the set's own"),
        ("Plug=shelf/plug", "a-z, 0-9 and hyphens"),
        ("a b=shelf/plug", "a-z, 0-9 and hyphens"),
        ("=shelf/plug", "a-z, 0-9 and hyphens"),
        ("-x=shelf/plug", "a-z, 0-9 and hyphens"),
        ("../x=shelf/plug", "a-z, 0-9 and hyphens"),
        ("x\nuser bridge=shelf/plug", "a-z, 0-9 and hyphens"),
        ("x" * 41 + "=shelf/plug", "a-z, 0-9 and hyphens"),
        ("plug", "is not DEVICE=TOPIC"),
        ("plug=", "names no topic"),
        ("plug=shelf\ntopic readwrite #", "control character"),
        ("plug=shelf\tplug", "control character"),
        ("plug=shelf\x7f", "control character"),
        ("plug=shelf/+/out", "wildcard"),
        ("plug=#", "wildcard"),
        ("plug=shelf/#", "wildcard"),
        ("plug=/shelf", "slash"),
        ("plug=shelf/", "slash"),
        ("plug=shelf//plug", "slash"),
        ("plug= shelf", "blank"),
        ("plug=shelf ", "blank"),
        ("plug=$SYS", "of the broker"),
        ("plug=studiobridge", "of the set"),
        ("plug=studiobridge/shelf/ask", "of the set"),
        ("plug=homie", "homie/5/ID"),
        ("plug=homie/5", "homie/5/ID"),
        ("plug=" + "x" * 201, "longer than 200"),
    ],
)
def test_what_no_device_may_have_is_refused_and_nothing_changes(
    folder: Path, given: str, said: str
) -> None:
    assert make(folder, "8883", "plug-1=shelf/plug").returncode == 0
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    done = make(folder, "8883", "good=shelf/good", given)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    assert done.stderr.startswith("make-broker: DEVICE=TOPIC number 2")
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("host", "port", "said"),
    [
        ("here/O=me", "8883", "HOST"),
        ("a\nb", "8883", "HOST"),
        ("", "8883", "HOST"),
        ("127.0.0.1", "0", "PORT"),
        ("127.0.0.1", "65536", "PORT"),
        ("127.0.0.1", "9" * 30, "PORT"),
    ],
)
def test_a_broker_that_could_not_be_is_refused(
    folder: Path, host: str, port: str, said: str
) -> None:
    done = make(folder / "new", port, host=host)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    assert not (folder / "new").exists()


def largest_run() -> bytes:
    """The run of a set of 1,000 devices with the longest names, each step failed with a reason."""
    planned = plan(a_set(500, 20), "up", "day")
    why = "did not confirm within 20.0 s of being told, and was told three times; look at its plug"
    longest = "x" * 30

    def named(text: str) -> str:
        for kind in ("plug-", "light-"):
            text = text.replace(kind, f"{kind}{longest}-")
        return text

    steps = [
        {
            "n": step.n,
            "device": named(step.device),
            "action": step.action,
            "value": step.value,
            "phase": "failed",
            "text": why,
            "at_s": 1234.56,
            "until_s": 1234.56,
            "waits_for": [named(text) for text in step.waits_for],
            "why": step.why,
            "circuit": "x" * 40,
        }
        for step in planned.steps
    ]
    return json.dumps({"run": 1, "what": "up", "steps": steps}).encode()


def test_what_is_too_large_is_refused_and_the_largest_of_our_own_is_not(folder: Path) -> None:
    port = free_ports(1)[0]
    assert make(folder, str(port), "plug-1=shelf/plug").returncode == 0
    own = largest_run()
    assert len(own) > 600_000
    with running(folder, port):
        witness = Client(folder, port, "bridge", "#")
        bridge = Client(folder, port, "bridge")
        bridge.say("studiobridge/x/run", own, retain=True)
        plug = Client(folder, port, "plug-1")
        plug.say("shelf/plug/out", b"x" * 1_000_000)
        until = time.monotonic() + 5
        while not (plug.lost and witness.heard) and time.monotonic() < until:
            time.sleep(0.02)
        time.sleep(0.3)
        assert plug.lost
        assert not bridge.lost
        assert witness.heard == [("studiobridge/x/run", own)]
        for client in (witness, bridge, plug):
            client.close()


def test_a_door_without_tls_knows_the_same_names_and_rights(folder: Path) -> None:
    port, plain = free_ports(2)
    made = subprocess.run(
        [str(TOP / "deploy/broker/make-broker"), str(folder), "127.0.0.1", str(port)],
        env={**os.environ, "PLAIN_PORT": str(plain)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert made.returncode == 0, made.stderr
    password = (folder / "gear.password").read_text().strip()
    with running(folder, plain):
        where = ["-h", "127.0.0.1", "-p", str(plain), "-q", "1", "-V", "5", "-m", "1"]

        def said(topic: str, *who: str) -> str:
            done = subprocess.run(
                ["mosquitto_pub", *where, "-d", "-t", topic, *who],
                capture_output=True,
                text=True,
                timeout=10,
            )
            return done.stdout + done.stderr

        known = ["-u", "gear", "-P", password]
        assert "Not authorized" not in said("bench/anything", *known)
        assert "Not authorized" in said("studiobridge/corner/ask", *known)
        assert "uthoriz" in said("bench/anything", "-u", "gear", "-P", "guessed")
    again = make(folder, str(port))
    assert again.returncode == 0
    assert f"listener {plain}" not in (folder / "mosquitto.conf").read_text()
    refused = subprocess.run(
        [str(TOP / "deploy/broker/make-broker"), str(folder), "127.0.0.1", str(port)],
        env={**os.environ, "PLAIN_PORT": str(port)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert refused.returncode == 2
