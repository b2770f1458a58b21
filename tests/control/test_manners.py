"""How requests are met: what waits says so and can be taken back, what cannot be is said before."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.events import LinkUp
from studiobridge.control.views import state_view
from studiobridge.profile.model import Preset
from tests.control.play import Play, corner, fixture, plug, profile


def played(made=None) -> Play:
    play = Play(made or corner(), meters_itself=True)
    play.link_up()
    play.ask("up")
    play.run(60.0)
    assert play.state == "ready"
    play.forget()
    return play


def shown(play: Play) -> dict:
    return state_view(play.controller, play.now, lambda at: at)


def last(play: Play, final: bool = True):
    return play.answers(final)[-1]


def roll(play: Play, rolling: bool) -> None:
    play.report("camera", "rolling", rolling)


# ---- down while it rolls ---------------------------------------------------------------------


def test_down_while_it_rolls_says_when_it_goes_down_and_who_asked() -> None:
    play = played()
    roll(play, True)
    play.ask("down", by="Ana")
    assert "goes down when the take ends: camera is rolling" in last(play, final=False).text
    assert shown(play)["goes_down"] == {
        "camera": "camera",
        "text": "goes down when the take ends",
        "by": "Ana",
        "withdraw": True,
    }
    assert shown(play)["why"].startswith("goes down when the take ends")
    roll(play, False)
    play.run(5.0)
    assert shown(play)["goes_down"] is None and "take ends" not in shown(play)["why"]
    play.run(60.0)
    assert play.state == "dark" and shown(play)["goes_down"] is None


def test_what_has_moved_stays_listed_until_it_really_goes_down() -> None:
    play = played()
    play.report("key", "level", 20.0)
    play.run(5.0)
    roll(play, True)
    play.ask("down")
    play.run(30.0)
    assert shown(play)["drifting"] == ["key"] and play.drifts("closed") == []
    roll(play, False)
    play.run(5.0)
    assert [d.how for d in play.drifts("closed")] == ["powered down"]


def test_what_moves_while_it_waits_is_seen_as_well() -> None:
    play = played()
    roll(play, True)
    play.ask("down")
    play.run(5.0)
    play.report("key", "level", 20.0)
    play.run(5.0)
    assert shown(play)["drifting"] == ["key"]


def test_taken_back_it_is_as_if_it_had_not_been_asked() -> None:
    play = played()
    roll(play, True)
    down = "down-1"
    play.ask("down", id=down, by="Ana")
    play.run(20.0)
    play.forget()
    play.ask("withdraw", by="Bo")
    assert last(play).code == 0 and "down is taken back" in last(play).text
    assert (down, 1) in [(a.request_id, a.code) for a in play.answers()]
    assert play.state == "ready" and shown(play)["goes_down"] is None
    assert play.tells() == []
    roll(play, False)
    play.run(60.0)
    assert play.state == "ready" and play.tells() == []
    assert play.runs()[-1] == ("down", "turned")


def test_taken_back_what_had_moved_is_still_drift() -> None:
    play = played()
    play.report("key", "level", 20.0)
    play.run(5.0)
    roll(play, True)
    play.ask("down")
    play.run(5.0)
    play.ask("withdraw")
    assert play.state == "adrift" and shown(play)["drifting"] == ["key"]
    play.report("key", "level", 64.0)
    play.run(5.0)
    assert play.state == "ready"


def test_taken_back_it_is_not_ready_without_its_proof() -> None:
    play = played()
    roll(play, True)
    play.ask("down")
    play.link_down()
    play.deaf.add("key")
    play.give(LinkUp(play.now))
    play.run(5.0)
    roll(play, True)
    play.ask("withdraw")
    play.run(1.0)
    assert play.state != "ready"


@pytest.mark.parametrize("rolls", [True, False])
def test_too_late_it_is_refused_with_its_reason(rolls: bool) -> None:
    play = played()
    if rolls:
        roll(play, True)
        play.ask("down")
        play.run(5.0)
        roll(play, False)
        play.run(4.5)  # its file is closed, and the first is told
    else:
        play.ask("down")
    assert play.tells() != []
    play.ask("withdraw")
    assert last(play).code == 1 and "too late" in last(play).text and "up" in last(play).text
    assert play.state == "lowering"


def test_with_nothing_waiting_there_is_nothing_to_take_back() -> None:
    play = played()
    play.ask("withdraw")
    assert last(play).code == 1 and "nothing waits" in last(play).text
    assert play.state == "ready"


def test_a_set_that_was_not_up_has_nothing_to_go_back_to() -> None:
    play = Play(corner())
    play.link_up()
    play.run(1.0)
    play.on["desk-plug"] = True
    play.booted.add("camera")
    play.report("desk-plug", "switch", True)
    roll(play, True)
    play.ask("down")
    play.ask("withdraw")
    assert last(play).code == 1 and "was not up" in last(play).text
    assert play.state == "lowering"


# ---- up with something locked out ------------------------------------------------------------


def test_up_with_a_locked_light_is_refused_before_anything_is_told() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("lockout", targets=("key",), by="Ana", why="a bulb")
    play.forget()
    play.ask("up")
    assert last(play).code == 1
    assert "key is locked out by Ana: a bulb" in last(play).text and "force" in last(play).text
    play.run(60.0)
    assert play.tells() == [] and play.state == "dark" and play.runs() == []


def test_the_state_says_beforehand_what_is_in_the_way() -> None:
    play = Play(corner())
    play.link_up()
    assert shown(play)["in_the_way"] == []
    play.ask("lockout", targets=("key",), by="Ana", why="a bulb")
    found = shown(play)["in_the_way"]
    assert {e["device"] for e in found} >= {"key", "lamp-plug"}
    assert found[0]["what"] == "lockout" and found[0]["by"] == "Ana"
    assert "locked out by Ana: a bulb" in found[0]["why"]
    play.ask("release", targets=("key",))
    assert shown(play)["in_the_way"] == []


def test_a_locked_circuit_is_in_the_way_as_well() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("lockout", targets=("wall",), by="Ana", why="a socket")
    play.forget()
    play.ask("up")
    assert last(play).code == 1 and "wall is locked out by Ana" in last(play).text
    play.run(30.0)
    assert play.tells() == []


def test_forced_it_brings_up_the_rest() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("lockout", targets=("pc-plug",), by="Ana", why="a cable")
    play.ask("up", force=True)
    play.run(60.0)
    assert play.tells("key") and not play.tells("pc-plug")
    assert play.state == "stalled" and "pc-plug is locked out by Ana" in last(play).text


def test_what_is_not_needed_for_ready_is_in_nobodys_way() -> None:
    made = profile(
        plug("lamp-plug"),
        plug("fan-plug", essential=False),
        fixture("key", "lamp-plug"),
        looks={"day": {"key": Preset(64.0, 4300.0)}},
    )
    play = Play(made)
    play.link_up()
    play.ask("lockout", targets=("fan-plug",), by="Ana", why="a fan")
    assert shown(play)["in_the_way"] == []
    play.ask("up")
    play.run(60.0)
    assert play.state == "ready"


def test_what_cannot_get_its_mains_for_a_lockout_beside_it_is_in_the_way() -> None:
    """A lamp beside it is locked out, so their plug may not go on."""
    made = corner()
    devices = {**made.devices, "fill": replace(made.devices["fill"], essential=False)}
    play = Play(replace(made, devices=devices))
    play.link_up()
    play.ask("lockout", targets=("fill",), by="Ana", why="a bulb")
    names = {e["device"] for e in shown(play)["in_the_way"]}
    assert {"lamp-plug", "key"} <= names and "fill" not in names
    play.ask("up")
    assert last(play).code == 1 and "fill is locked out by Ana" in last(play).text


def test_force_for_a_lockout_is_no_force_against_a_camera_that_begins_to_roll() -> None:
    play = Play(corner())
    play.link_up()
    play.on["desk-plug"] = True
    play.booted.add("camera")
    play.report("desk-plug", "switch", True)
    play.ask("lockout", targets=("pc-plug",), by="Ana", why="a cable")
    play.ask("up", force=True)
    play.run(2.0)
    roll(play, True)
    play.forget()
    play.run(30.0)
    assert play.tells("key") == [] and play.state == "rising"


def test_a_camera_that_rolls_is_in_the_way_of_up() -> None:
    play = played()
    roll(play, True)
    (found,) = shown(play)["in_the_way"]
    assert found["what"] == "rolling" and found["device"] == "camera"
