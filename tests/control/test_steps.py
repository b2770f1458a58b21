"""What comes in the way of a step under way, at every stage it may be in.

Each is played to the stage, then something happens; that the table's cell for it was really
come to is watched too.
"""

from __future__ import annotations

from typing import Any

import pytest

from studiobridge.control.acts import Active, Run
from studiobridge.control.steps import TABLE, Happening
from studiobridge.profile.model import SetProfile
from tests.control.play import Play, corner
from tests.control.test_controller import noted_now
from tests.control.test_people import locked_out
from tests.control.test_shown import brought_up, changed

# the stage, whose step, and whether it is a run-up or a run-down that comes to it
ON_THE_WAY_UP = [
    ("switching", "lamp-plug"),
    ("hearing", "key"),
    ("energising", "key"),
    ("walking", "key"),
    ("arriving", "key"),
    ("setting", "key"),
]
ON_THE_WAY_DOWN = [
    ("shutting down", "lesson-pc"),
    ("setting", "fill"),
    ("putting out", "fill"),
    ("waiting", "fill"),
    ("switching", "desk-plug"),
]


def with_a_walked_key() -> SetProfile:
    return changed(corner(), "key", knows_fade=False, fade=2.0)


def watched(play: Play) -> set[tuple[str, str]]:
    """The cells of the table that are come to from now on."""
    cells: set[tuple[str, str]] = set()
    steps = play.controller.runs.steps
    happens = steps._happens

    def seen(run: Run, active: Active, what: Happening, at: float) -> None:
        if what in ("noted", "due"):
            what = steps._in_the_way(run, active, at) or what
        assert what in TABLE[active.stage]
        cells.add((active.stage, what))
        happens(run, active, what, at)

    steps._happens = seen  # type: ignore[method-assign]
    return cells


def played_to(stage: str, name: str, up: bool) -> Play:
    """A run in which a step of this device has come to this stage; from now on it is deaf."""
    play = Play(with_a_walked_key(), meters_itself=True)
    play.link_up()
    play.ask("up")
    if not up:
        play.run(40)
        assert play.state == "ready"
        play.ask("down")
    for _ in range(4000):
        run = play.controller.run
        assert run is not None, f"{name} never came to {stage}"
        if any(a.stage == stage and a.step.device == name for a in run.active.values()):
            break
        play.run(0.02)
    play.deaf.add(name)
    play.forget()
    return play


def phases(play: Play, name: str) -> list[str]:
    run = play.controller.last_run
    assert run is not None
    return [p for p, s in zip(run.phase, run.steps, strict=True) if s.device == name]


@pytest.mark.parametrize(
    ("stage", "name", "up"),
    [(*way, True) for way in ON_THE_WAY_UP] + [(*way, False) for way in ON_THE_WAY_DOWN],
)
def test_a_camera_that_rolls_holds_it_and_it_goes_on_afterwards(
    stage: str, name: str, up: bool
) -> None:
    play = played_to(stage, name, up)
    cells = watched(play)
    play.report("camera", "rolling", True)
    play.run(60)
    assert play.tells() == []
    assert (stage, "held") in cells
    assert "failed" not in phases(play, name)
    play.deaf.discard(name)
    play.report("camera", "rolling", False)
    play.run(200)
    assert play.state == ("ready" if up else "dark"), play.controller.why


@pytest.mark.parametrize(
    ("stage", "name", "up"),
    [(*way, True) for way in ON_THE_WAY_UP]
    + [(*way, False) for way in ON_THE_WAY_DOWN if way[0] not in ("switching", "waiting")],
)
def test_what_is_locked_out_meanwhile_is_left_as_it_is(stage: str, name: str, up: bool) -> None:
    play = played_to(stage, name, up)
    cells = watched(play)
    locked_out(play, name)
    play.run(200)
    assert play.tells(name) == []
    assert (stage, "locked") in cells
    assert "skipped" in phases(play, name)
    assert play.state == "stalled"


def test_a_lockout_hinders_no_plug_from_going_off_and_no_lamp_from_cooling() -> None:
    for stage, name in (("waiting", "fill"), ("switching", "desk-plug")):
        play = played_to(stage, name, up=False)
        cells = watched(play)
        locked_out(play, name)
        play.deaf.discard(name)
        play.run(200)
        assert play.state == "dark", play.controller.why
        assert (stage, "locked" if stage == "waiting" else "report") in cells


def held_on_the_disk(**happens: Any) -> tuple[Play, set[tuple[str, str]]]:
    """The intention of a restore is on its way to the disk; then it is there."""
    play = brought_up()
    play.report("key", "level", 90.0)
    play.run(5)
    play.writes = False
    play.ask("restore", targets=("key",))
    cells = watched(play)
    if happens.get("rolls"):
        play.report("camera", "rolling", True)
    if happens.get("locked"):
        locked_out(play, "key")
    noted_now(play)
    play.run(30)
    return play, cells


def test_what_was_only_intended_waits_for_the_camera_and_is_told_then() -> None:
    play, cells = held_on_the_disk(rolls=True)
    assert play.tells("key") == []
    play.report("camera", "rolling", False)
    play.run(30)
    assert play.tells("key")
    assert {("intended", "held"), ("intended", "due")} <= cells
    assert play.state == "ready"


def test_what_was_only_intended_is_passed_over_when_it_was_locked_out() -> None:
    play, cells = held_on_the_disk(locked=True)
    assert play.tells("key") == []
    assert ("intended", "locked") in cells
    assert ("key", "set") in play.steps("skipped")
