"""A hand on simulated gear from another window, and what a person can do while it stays."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from studiobridge.profile import read_profile
from studiobridge.rehearsal.hands import Touch, check, read_touch

CONFIG = Path(__file__).parents[2] / "config"
MAIN = "from studiobridge.cli import main; main()"
# An evening whose first scene fails: what stays afterwards stays all the same.
FAILS = (
    "from studiobridge.cli import evening, main\n"
    "async def play(self): raise evening.SceneFailed('the curtain is stuck')\n"
    "evening.Evening.play = play\nmain()"
)


@pytest.mark.parametrize(
    ("words", "touch"),
    [
        (("80", "%"), Touch(level=80.0)),
        (("80%",), Touch(level=80.0)),
        (("3200", "K"), Touch(cct=3200.0)),
        (("off",), Touch(switch=False)),
        (("on", "42.5 %", "3200K"), Touch(42.5, 3200.0, True)),
        (("80 %, 3200 K",), Touch(80.0, 3200.0)),
    ],
)
def test_a_touch_in_words(words: tuple[str, ...], touch: Touch) -> None:
    assert read_touch(words) == touch


@pytest.mark.parametrize(
    "words",
    [(), ("",), ("80",), ("101 %",), ("-1 %",), ("nan %",), ("1e999 %",), ("9 K",), ("80 %", "70 %"),
     ("bright",), ("off", "on"), ("80 %%",), ("80 % \x1b[2J",), ("offK",)],
)  # fmt: skip
def test_what_no_hand_can_do_says_what_to_write(words: tuple[str, ...]) -> None:
    with pytest.raises(ValueError) as refused:
        read_touch(words)
    assert re.search("[0-9] [%K]", str(refused.value))
    assert "\x1b" not in str(refused.value)


def test_only_what_is_there_can_be_touched() -> None:
    profile = read_profile(CONFIG / "spare-room.yaml").profile
    check(profile, "rim", Touch(level=30.0))  # a dial of which nothing speaks
    with pytest.raises(ValueError, match="its lights: key, rim"):
        check(profile, "kye", Touch(level=30.0))
    with pytest.raises(ValueError, match="is a camera and no light"):
        check(profile, "camera", Touch(level=30.0))


def command(env: dict[str, str], *args: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-c", MAIN, *args], env=env, capture_output=True, text=True, timeout=60
    )
    return done.returncode, done.stdout + done.stderr


def test_what_failed_stays_and_can_be_touched_and_looked_at(tmp_path: Path) -> None:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    clean |= {"HOME": str(tmp_path), "TMPDIR": str(tmp_path)}
    profile = CONFIG / "one-plug-one-light.yaml"
    process = subprocess.Popen(
        [sys.executable, "-c", FAILS, "rehearse", str(profile), "--stay", "--pace", "8"],
        env=clean,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert process.stdout is not None
        said = ""
        while "Ctrl-C ends it" not in said:
            line = process.stdout.readline()
            assert line, said
            said += line
        assert "The rehearsal failed: the curtain is stuck" in said
        assert "studiobridge touch shelf-light 80 %" in said
        assert "3 say themselves how they stand" in said
        assert "one of them, fridge, is the rehearsal's own" in said
        env = clean | dict(re.findall(r"(STUDIOBRIDGE_\w+)=(\S+)", said))
        old = int(re.findall(r"port (\d+) 3\.1\.1", said)[0])
        adrift = watched(old, "studiobridge/shelf-corner/state", "adrift")

        assert command(env, "up")[0] == 0
        code, text = command(env, "touch", "shelf-light", "90", "%")
        assert (code, text.strip()) == (0, "shelf-light stands at 90 %, 4600 K")
        assert adrift.wait(10.0), "a client of 3.1.1 saw no drift"
        code, text = command(env, "touch", "lamp", "off")
        assert (code, "no device 'lamp'" in text) == (2, True)
        elsewhere = env | {"STUDIOBRIDGE_SET": "elsewhere"}
        code, text = command(elsewhere, "touch", "shelf-light", "off")
        assert (code, "no rehearsal of 'elsewhere' stays" in text) == (3, True)
        process.send_signal(signal.SIGINT)
        assert process.wait(15) == 1
    finally:
        process.kill()
        process.communicate()


def watched(port: int, topic: str, wanted: str) -> threading.Event:
    """Set when a client of MQTT 3.1.1 hears this state."""
    found = threading.Event()

    def heard(_c: Any, _d: Any, message: mqtt.MQTTMessage) -> None:
        if message.payload and json.loads(message.payload).get("state") == wanted:
            found.set()

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.on_message = heard
    client.connect("127.0.0.1", port)
    client.loop_start()
    return found
