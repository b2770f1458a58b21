"""What a plan says to people: lights that come back lit or dark, laptops, cameras to look at."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.plan import plan
from studiobridge.control.views import device_view, state_view
from studiobridge.figures.mains import mains_of
from studiobridge.profile.model import Device, Preset, Rolls, SetProfile
from studiobridge.shown.sheet import page
from studiobridge.shown.words import hand_set
from tests.control.play import Play, fixture, on_plug, plug, profile


def table(**more: object) -> SetProfile:
    figures: dict[str, object] = {"draws": 40.0, "hand_set": True}
    return profile(
        plug("lamp-plug"),
        plug("eye-plug", hears=frozenset({"switch", "watts", "online"})),
        fixture("key", "lamp-plug", draws=80.0),
        on_plug("rim", "light", "lamp-plug", **{**figures, **more}),
        on_plug("eye", "camera", "eye-plug", rolls=Rolls("watts", 8.5)),
        on_plug("laptop", "computer", "lamp-plug", own_battery=True, draws=45.0),
        Device("arm", "camera", battery=True, draws=12.0),
        looks={"day": {"key": Preset(50.0), "rim": Preset(30.0)}},
    )


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("full", "rim comes on at full with its mains: turn it to 30 %"),
        ("dark", "rim stays dark when its mains come: switch it on, to 30 %"),
        ("last", "rim comes on as it was last: see that it is at 30 %"),
        ("preset", "rim comes on at the preset stored in it: see that it is at 30 %"),
    ],
)
def test_what_a_light_does_with_its_mains_is_said_before_it_does(how: str, says: str) -> None:
    made = table(comes_back=how)
    assert plan(made, "up").people == (says,)
    assert says in page(made, "day", made.looks["day"].presets)


def test_a_light_of_which_nothing_is_said_is_no_surprise() -> None:
    assert plan(table(), "up").people == ()


def test_a_light_that_is_told_its_level_and_comes_on_at_full_before_that() -> None:
    made = table()
    key = replace(made.devices["key"], comes_back="full")
    made = replace(made, devices={**made.devices, "key": key})
    (said,) = plan(made, "up").people
    assert said.startswith("key comes on at full with its mains until it is set")


def test_the_readout_names_it_until_it_is_set() -> None:
    play = Play(table(comes_back="dark"))
    play.link_up()
    play.ask("up")
    play.run(10.0)
    (entry,) = state_view(play.controller, play.now, lambda at: at)["hand_set"]  # type: ignore[misc]
    assert hand_set([entry]) == ["rim to 30 % (stays dark until it is switched on)"]


def test_what_comes_back_at_full_counts_in_the_load_at_full() -> None:
    look = table().looks["day"].presets
    usual = mains_of(table(), "day", look).watts
    assert mains_of(table(comes_back="full"), "day", look).watts - usual == pytest.approx(
        40.0 - 15.36
    )
    assert mains_of(table(comes_back="dark"), "day", look).watts == pytest.approx(usual)


def test_the_gate_counts_it_at_full_until_a_person_has_set_it() -> None:
    play = Play(table(comes_back="full"))
    play.link_up()
    play.ask("up")
    play.run(10.0)
    presets = play.controller.desk.presets
    assert play.controller.gates.draw("rim", presets) == 40.0
    play.ask("set_by_hand", by="Ana")
    assert play.controller.gates.draw("rim", presets) == pytest.approx(15.36)


def test_the_way_down_names_every_camera_that_a_person_is_asked_about_and_every_laptop() -> None:
    said = plan(table(), "down").people
    assert said == (
        "waits until eye-plug says that eye draws less than 8.5 W;"
        " asks whether it still rolls where it does not say",
        "laptop has a battery of its own: close it by hand, nothing tells it",
        "asks first whether arm still rolls: it cannot say so itself",
    )


@pytest.mark.parametrize(
    ("how", "holds"),
    [(None, True), ("last", True), ("full", False), ("dark", False), ("preset", False)],
)
def test_a_word_about_a_dial_does_not_outlive_its_mains_where_they_change_it(
    how: str | None, holds: bool
) -> None:
    """What comes on at full, stays dark, or comes on at its own preset is not as Ana left it."""
    play = Play(table(comes_back=how))
    play.link_up()
    play.ask("up")
    play.run(10.0)
    play.ask("set_by_hand", by="Ana")
    play.run(10.0)
    belief, preset = play.controller.beliefs.of["rim"], play.controller.desk.presets["rim"]
    assert belief.by_hand(preset)
    play.report("lamp-plug", "switch", False)
    play.run(5.0)
    play.report("lamp-plug", "switch", True)
    play.run(10.0)
    assert belief.by_hand(preset) is holds
    shown = device_view(play.controller, "rim", play.now, lambda at: at)
    assert (shown["confirmed"], shown["by"]) == ((True, "hand") if holds else (False, None))
    (entry,) = state_view(play.controller, play.now, lambda at: at)["hand_set"]  # type: ignore[misc]
    assert entry["set_by"] == ("Ana" if holds else None)
    # at 30 % its share of 40 W, and 4 x 0.3 x 0.7 of a tenth of it as drivers take when dimmed
    most = 40.0 if how == "full" else 15.36
    assert play.controller.gates.draw("rim", play.controller.desk.presets) == pytest.approx(most)
