"""An amp with a button of its own is on by the watts of its plug, or the set is not ready."""

from __future__ import annotations

import pytest

from studiobridge.control.alone import verdict
from studiobridge.control.effects import Ask
from studiobridge.control.views import device_view
from studiobridge.profile.model import Device
from tests.control.play import Play, on_plug, plug, profile

METERED = frozenset({"switch", "watts", "online"})


def amp(**more: object) -> Device:
    figures = {"proof": "watts", "standby": 0.8, "draws": 60.0, "essential": True}
    return on_plug("monitors", "amp", "amp-plug", **{**figures, **more})


def up() -> Play:
    play = Play(profile(plug("amp-plug", hears=METERED), amp()))
    play.link_up()
    play.ask("up", look="day")
    play.run(1.0)
    return play


def meter(play: Play, watts: float, times: int = 4) -> None:
    for _ in range(times):
        play.report("amp-plug", "watts", watts)
        play.run(1.0)


def shown(play: Play) -> tuple[object, object]:
    view = device_view(play.controller, "monitors", play.now, lambda at: at)
    return view["confirmed"], view["by"]


@pytest.mark.parametrize(
    ("watts", "says"),
    [(0.0, (0.0, 0.0)), (1.1, (0.0, 0.0)), (1.6, (0.0, 1.0)), (2.3, (1.0, 1.0)), (9.0, (1.0, 1.0))],
)
def test_on_off_or_nobody_can_tell(watts: float, says: tuple[float, float]) -> None:
    assert verdict(amp(), watts) == says


def test_ready_waits_for_the_amp_and_its_button_ends_it() -> None:
    play = up()
    assert play.state == "rising"
    meter(play, 9.0)
    assert (play.state, shown(play)) == ("ready", (True, "watts"))
    meter(play, 0.7)
    assert play.state == "adrift"
    assert [(d.device, d.point) for d in play.drifts("opened")] == [("monitors", "switch")]
    assert play.drifts("opened")[0].reported == "off by its watts"
    assert shown(play)[0] is False
    meter(play, 9.0)
    assert (play.state, shown(play)) == ("ready", (True, "watts"))


def test_a_plug_that_says_on_and_meters_nothing_is_asked_again() -> None:
    play = up()
    meter(play, 9.0)
    play.obedient = False
    play.forget()
    meter(play, 0.0)
    assert "amp-plug" in [e.device for _, e in play.effects if isinstance(e, Ask)]
    # it says that it is off after all: its own drift, and the amp's is explained by it
    play.report("amp-plug", "switch", False)
    play.run(3.0)
    assert ("amp-plug", "switch") in [(d.device, d.point) for d in play.drifts("opened")]


def test_one_sample_is_not_enough_and_a_meter_that_cannot_tell_proves_nothing() -> None:
    play = up()
    meter(play, 9.0, times=1)
    assert shown(play)[0] is False
    meter(play, 1.6)
    assert (play.state, shown(play)[0]) == ("adrift", False)
    assert "cannot be told by its watts: neither on nor off" in play.controller.why


def test_a_meter_that_falls_silent_proves_nothing() -> None:
    play = up()
    meter(play, 9.0)
    play.run(60.0)
    assert shown(play)[0] is False
    assert play.state == "adrift"
