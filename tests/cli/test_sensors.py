"""A light sensor and a microphone on battery in a real evening: status, light, down."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from tests.brokers import needs_mosquitto
from tests.panel.studio import Studio, studio, until

pytestmark = needs_mosquitto


def status(made: Studio) -> dict[str, object]:
    return json.loads(made.command("status", "--json").stdout)  # type: ignore[no-any-return]


@pytest.fixture
def made(tmp_path: Path):  # type: ignore[no-untyped-def]
    with studio(tmp_path, "two-person-table", page_too=False) as found:
        room = found.room.room
        room.devices["guest-mic"].supplies.battery = 12.9
        # away for a moment, it says again what it has when it is back
        found.room.do(lambda: room.lose_network("guest-mic", found.room.now(), 0.2))
        yield found


def test_an_evening_with_a_sensor_and_an_empty_microphone(made: Studio) -> None:
    until(lambda: bool(status(made)["supplies"]), "the microphone has said what it has")
    done = made.command("up")
    assert done.returncode == 0, done.stderr
    assert "guest-mic at 12 %" in done.stdout
    assert "charge" not in done.stdout
    until(lambda: bool(status(made)["sensors"][0]["fresh"]), "the sensor is read")  # type: ignore[index]
    time.sleep(3.0)
    found = status(made)
    (sensor,) = found["sensors"]  # type: ignore[misc]
    # the simulated lamps shine by the figures: reading and prediction agree but for rounding
    assert abs(sensor["stops"]) < 0.05
    assert sensor["lux"] > 100
    assert found["devices"]["meter"]["sensor"]["lux"] == pytest.approx(sensor["lux"], rel=0.05)  # type: ignore[index]

    made.room.do(lambda: made.room.room.touch("left-face", made.room.now(), level=29.0))
    time.sleep(3.5)
    (darker,) = status(made)["sensors"]  # type: ignore[misc]
    assert darker["lux"] < 0.75 * sensor["lux"]
    assert abs(darker["stops"]) < 0.1  # it is what the panel reports, so it is predicted
    assert darker["since_ready"] is None
    assert made.command("restore").returncode == 0

    # the sensor says what it reads now and then: it is bright there again
    until(lambda: status(made)["sensors"][0]["lux"] > 0.9 * sensor["lux"], "it is bright again")  # type: ignore[index]
    shown = made.command("status").stdout
    assert "meter 2" in shown or "meter 3" in shown
    assert "predicted" in shown
    assert "guest-mic at 12 %" in shown
    light = made.command("light", made.path, "--now")
    assert light.returncode == 0, light.stderr
    assert "should read" in light.stdout
    assert "now: " in light.stdout

    down = made.command("down", "--not-rolling")
    assert down.returncode == 0, down.stderr
    assert "guest-mic at 12 %" in down.stdout
    assert "charge it" in down.stdout
    after = made.command("status").stdout
    assert "guest-mic at 12 %" in after
    assert "charge it" in after
