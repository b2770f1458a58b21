"""A meter that is the wrong way round says -9 W of 9 W: nothing is cut on its word (laws 2 and 5).

The small camera of the two-person table rolls from 6 W, by the watts of its own plug.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.profile.said import Report, Unreadable
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.control.play import Play

TABLE = read_profile(Path(__file__).parents[2] / "config" / "two-person-table.yaml").profile


def heard(speech: Speech, play: Play, watts: float) -> None:
    payload = json.dumps({"contact": "closed", "load": watts}).encode()
    for said in speech.hear(Message("table/d/now", payload), play.now):
        if isinstance(said, Report):
            play.give(said)


@pytest.mark.parametrize("watts", [-6.6, -2.0, -100.0])
def test_a_camera_that_rolls_has_not_stopped_by_watts_below_nothing(watts: float) -> None:
    play, speech = Play(TABLE), Speech(TABLE)
    play.link_up()
    play.report("side-socket", "switch", True)
    play.run(10.0)
    for _ in range(3):
        heard(speech, play, 6.6)
        play.run(2.0)
    camera = play.controller.beliefs.of["side-camera"]
    assert camera.rolls
    for _ in range(3):
        heard(speech, play, watts)
        play.run(2.0)
    assert camera.rolls
    heard(speech, play, 0.0)  # a meter that says nothing flows says so
    play.run(2.0)
    heard(speech, play, -0.2)
    assert not camera.rolls


def test_it_is_said_of_the_plug() -> None:
    message = Message("table/d/now", b'{"contact": "closed", "load": -6.6}')
    switch, watts = Speech(TABLE).hear(message, 0.0)
    assert isinstance(switch, Report)
    assert isinstance(watts, Unreadable)
    assert watts.why == "watts '-6.6' is outside -1..1e+06"
