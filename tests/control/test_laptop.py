"""A computer with a battery of its own: its plug charges it, and cutting that cuts nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.plan import plan
from studiobridge.control.views import device_view, state_view
from studiobridge.profile.model import SetProfile
from tests.control.play import Play, corner, fixture, on_plug, plug, profile


def wall(at: float) -> float:
    return 1_800_000_000.0 + at


def table(**more: object) -> SetProfile:
    """A lamp, and a laptop on a plug that feeds a display too."""
    figures: dict[str, object] = {
        "speaks": "c",
        "can_ask": True,
        "tells": frozenset({"shut_down"}),
        "hears": frozenset({"online", "down"}),
        "boots_in": 5.0,
        "shuts_in": 6.0,
        "draws": 60.0,
        "own_battery": True,
    }
    return profile(
        plug("lamp-plug"),
        plug("table-plug"),
        fixture("key", "lamp-plug"),
        on_plug("laptop", "computer", "table-plug", **{**figures, **more}),
        on_plug("monitor", "display", "table-plug"),
    )


MUTE = {
    "speaks": None,
    "can_ask": False,
    "tells": frozenset[str](),
    "hears": frozenset[str](),
    "boots_in": 0.0,
}


def brought_up(made: SetProfile) -> Play:
    play = Play(made)
    play.link_up()
    play.report("laptop", "online", True) if made.devices["laptop"].hears else None
    play.ask("up")
    play.run(20.0)
    assert play.state == "ready"
    play.forget()
    return play


def test_down_cuts_its_plug_without_waiting_for_it_and_asks_it_to_shut_down() -> None:
    play = brought_up(table())
    play.deaf.add("laptop")  # it is told, and never says that it is down
    play.ask("down")
    play.run(3.0)
    assert [values for _, _, values in play.tells("table-plug")] == [(("switch", False),)]
    assert play.tells("laptop")[0][2] == (("shut_down", True),)
    play.run(30.0)
    assert play.state == "dark"
    (answer,) = play.answers()
    assert answer.code == 0
    assert "close the laptop: laptop has not said that it is down" in answer.text
    assert ("laptop", "shut down") in play.steps("waited out")
    assert ("laptop", "shut down") not in play.steps("confirmed")


def test_one_that_says_it_is_down_is_confirmed_and_not_named() -> None:
    play = brought_up(table())
    play.ask("down")
    play.run(10.0)
    assert play.state == "dark"
    assert ("laptop", "shut down") in play.steps("confirmed")
    assert "close the laptop" not in play.answers()[-1].text
    assert state_view(play.controller, play.now, wall)["to_close"] == []


def test_one_that_nothing_can_be_told_is_named_to_the_person_and_waited_for_by_nobody() -> None:
    play = brought_up(table(**MUTE))
    play.ask("down")
    play.run(2.0)
    assert play.state == "dark"
    assert "close the laptop: laptop" in play.answers()[-1].text
    assert state_view(play.controller, play.now, wall)["to_close"] == ["laptop"]


def test_one_that_wakes_in_the_dark_is_named_again_and_what_is_shown_says_so() -> None:
    play = brought_up(table())
    play.ask("down")
    play.run(20.0)
    assert state_view(play.controller, play.now, wall)["to_close"] == []
    play.run(60.0)
    play.forget()
    play.report("laptop", "down", False)
    assert state_view(play.controller, play.now, wall)["to_close"] == ["laptop"]
    assert any(getattr(e, "state", None) is True for _, e in play.effects)


def test_it_is_not_dark_when_its_plug_goes_and_what_it_said_still_holds() -> None:
    play = brought_up(table())
    play.report("table-plug", "switch", False)
    view = device_view(play.controller, "laptop", play.now, wall)
    assert view["online"] is True
    assert play.controller.beliefs.surely_heard("laptop")
    assert play.controller.beliefs.of["laptop"].silent_since is None
    play.report("table-plug", "switch", True)
    assert play.controller.beliefs.surely_heard("laptop")


def test_that_it_speaks_on_is_no_contradiction_to_its_plug() -> None:
    """The heat of a lamp and the hands of a person hang on such a contradiction."""
    play = brought_up(table())
    play.report("table-plug", "switch", False)
    play.run(1.0)
    play.report("laptop", "online", True)
    assert play.controller.beliefs.against("laptop") is None


def test_a_dark_set_is_not_held_up_by_listening_for_the_plug_of_a_laptop() -> None:
    """Its plug says off; it is asked all the same, and heard."""
    play = Play(table())
    play.link_up()
    play.report("table-plug", "switch", False)
    play.report("laptop", "online", True)
    assert device_view(play.controller, "laptop", play.now, wall)["online"] is True


def test_up_waits_for_a_laptop_that_is_closed_and_says_to_open_it() -> None:
    play = Play(table())
    play.link_up()
    play.deaf.add("laptop")
    play.ask("up")
    play.run(60.0)
    assert play.state == "stalled"
    assert "open it" in play.answers()[-1].text


def test_one_that_said_it_is_down_has_to_speak_again_before_the_set_is_ready() -> None:
    play = brought_up(table())
    play.ask("down")
    play.run(10.0)
    play.forget()
    play.deaf.add("laptop")  # nobody has opened it yet
    play.ask("up")
    play.run(6.0)
    assert play.state == "rising"
    assert ("laptop", "wait for its report") in play.steps("sent")
    play.deaf.discard("laptop")
    play.report("laptop", "online", True)
    play.run(10.0)
    assert play.state == "ready"
    play.forget()
    play.ask("down")
    play.run(20.0)
    assert play.tells("laptop"), "it is told again each evening"
    assert play.state == "dark"


def test_its_plug_fails_and_the_laptop_is_not_missed() -> None:
    play = Play(table())
    play.link_up()
    play.report("laptop", "online", True)
    play.deaf.add("table-plug")
    play.ask("up")
    play.run(60.0)
    assert play.state == "stalled"
    assert "laptop" not in play.controller.last_run.missing  # type: ignore[union-attr]
    assert "table-plug" in play.controller.last_run.missing  # type: ignore[union-attr]


def test_what_charges_it_counts_in_the_load() -> None:
    play = brought_up(table())
    on = play.controller.gates.asked_of("wall", {})
    play.report("table-plug", "switch", False)
    assert on - play.controller.gates.asked_of("wall", {}) == pytest.approx(60.0 / 0.5)


def test_a_lockout_of_its_plug_is_a_plain_yes_that_says_it_may_be_alive() -> None:
    """The mains are off, and a laptop's battery is no danger to a hand in the plug."""
    play = brought_up(table())
    play.ask("down")
    play.run(10.0)
    play.forget()
    play.ask("lockout", targets=("table-plug",), by="Ana", why="a fuse")
    (answer,) = play.answers()
    assert "CAREFUL" not in answer.text
    assert "laptop has a battery of its own and may be alive" in answer.text


def test_a_lockout_of_its_plug_while_that_is_on_is_careful() -> None:
    play = brought_up(table())
    play.ask("lockout", targets=("table-plug",), by="Ana", why="a fuse")
    (answer,) = play.answers()
    assert "CAREFUL" in answer.text


def test_a_computer_without_a_battery_still_stalls_the_run_down() -> None:
    """The law is softened for nobody else (law 5)."""
    made = table(own_battery=False)
    play = brought_up(made)
    play.deaf.add("laptop")
    play.ask("down")
    play.run(120.0)
    assert play.state == "stalled"
    assert not play.tells("table-plug")


def test_what_comes_after_a_laptop_waits_for_it_and_goes_before_it() -> None:
    """Its plug has no part in that: it neither starts it nor ends it."""
    made = table()
    glass = on_plug("glass", "display", "glass-plug", after=("laptop",))
    made = replace(made, devices={**made.devices, "glass-plug": plug("glass-plug"), "glass": glass})
    up = {(s.device, s.action): s for s in plan(made, "up").steps}
    assert up["laptop", "wait for its report"].waits_for == ()
    assert "laptop: wait for its report" in up["glass-plug", "power on"].waits_for
    down = {(s.device, s.action): s for s in plan(made, "down").steps}
    assert "glass-plug: power off" in down["laptop", "shut down"].waits_for
    assert "laptop: shut down" not in down["table-plug", "power off"].waits_for


# ---- down, and heard since ---------------------------------------------------------------------


def test_a_computer_that_speaks_after_it_said_it_is_down_is_not_down() -> None:
    """Woken over the network or by a hand, with its plug still on: it has work to lose."""
    play = Play(corner())
    play.link_up()
    play.ask("up")
    play.run(30.0)
    play.report("lesson-pc", "down", True)
    assert play.controller.beliefs.is_down("lesson-pc")
    play.run(0.5)
    play.report("lesson-pc", "online", False)
    assert play.controller.beliefs.is_down("lesson-pc"), "its farewell is no sign of life"
    play.run(60.0)
    play.report("lesson-pc", "online", True)
    assert not play.controller.beliefs.is_down("lesson-pc")
    assert play.controller.gates.why_not_cut("pc-plug") is not None


def test_what_comes_with_the_word_that_it_is_down_does_not_take_it_back() -> None:
    """One message says all of it, or the last of it is overtaken on its way."""
    play = Play(replace(corner()))
    play.link_up()
    play.ask("up")
    play.run(30.0)
    play.report("lesson-pc", "down", True)
    play.report("lesson-pc", "online", True)
    play.run(1.0)
    play.report("lesson-pc", "online", True)
    assert play.controller.beliefs.is_down("lesson-pc")
