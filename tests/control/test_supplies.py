"""Supplies: said when the set is ready, before a take and at the end; never drift, never in the
way."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.control import views
from studiobridge.control.effects import Announce
from studiobridge.profile.model import Device, Output, Place, SetProfile, Warn
from tests.control.play import Play, corner


def with_clip(**more: object) -> SetProfile:
    made = corner()
    figures: dict[str, object] = {
        "battery": True,
        "speaks": "b",
        "can_ask": True,
        "essential": False,
        "hears": frozenset({"battery", "battery_low", "temperature", "online"}),
        "warn": Warn(battery=30.0, temperature=60.0),
    }
    clip = Device("clip", "audio", **{**figures, **more})  # type: ignore[arg-type]
    camera = replace(
        made.devices["camera"],
        hears=frozenset({"online", "rolling", "card"}),
        warn=Warn(card=20.0),
    )
    return replace(made, devices={**made.devices, "camera": camera, "clip": clip})


def up(play: Play) -> None:
    if not play.controller.desk.listened:
        play.link_up()
    play.report("clip", "online", True)
    play.ask("up")
    play.run(60)
    assert play.state == "ready"


def low(play: Play) -> list[dict[str, object]]:
    return views.state_view(play.controller, play.now, lambda at: at)["supplies"]  # type: ignore[return-value]


def last(play: Play) -> str:
    return play.answers()[-1].text


def test_nothing_is_said_of_what_is_well() -> None:
    play = Play(with_clip())
    play.link_up()
    play.report("clip", "battery", 31.0)
    play.report("clip", "battery_low", False)
    play.report("camera", "card", 21.0)
    up(play)
    assert low(play) == []
    assert "clip" not in last(play)


def test_it_is_named_when_ready_and_before_a_take_and_holds_nothing_up() -> None:
    play = Play(with_clip())
    play.link_up()
    play.report("clip", "battery", 30.0)
    play.report("camera", "card", 15.0)
    up(play)
    assert "; clip at 30 %" in last(play)
    assert "; camera has 15 min left on its card" in last(play)
    assert "charge" not in last(play)
    assert play.drifts("opened") == []
    play.ask("rolling_on", targets=("camera",))
    assert "rolling; camera has 15 min left on its card; clip at 30 %" in last(play)
    assert [e["device"] for e in low(play)] == ["camera", "clip"]


def test_at_the_end_it_is_not_forgotten_though_the_device_is_off() -> None:
    play = Play(with_clip(), meters_itself=True)
    up(play)
    play.report("clip", "battery", 12.0)
    play.run(40 * 60)
    play.report("clip", "online", False)
    play.ask("down")
    play.run(120)
    assert play.state == "dark"
    assert "; clip at 12 %, heard 40 min ago: charge it" in last(play)
    (entry,) = low(play)
    assert (entry["value"], entry["kept"]) == (12.0, False)
    # and whoever looks an hour later still reads it
    play.run(3600)
    assert [e["device"] for e in low(play)] == ["clip"]
    # charged: forgotten
    play.report("clip", "battery", 95.0)
    assert low(play) == []


def test_a_kept_word_says_that_nobody_knows_how_old_it_is() -> None:
    play = Play(with_clip())
    play.link_up()
    play.report("clip", "battery", 12.0, retained=True)
    up(play)
    assert "clip at 12 %, as the broker kept it, nobody knows for how long" in last(play)
    play.report("clip", "battery", 12.0)
    assert low(play)[0]["kept"] is False
    # the same word out of the broker's memory takes nothing back
    play.link_down()
    play.link_up()
    play.report("clip", "battery", 12.0, retained=True)
    assert low(play)[0]["kept"] is False
    play.report("clip", "battery", 9.0, retained=True)
    assert (low(play)[0]["kept"], low(play)[0]["value"]) == (True, 9.0)


def test_a_device_that_says_low_itself_needs_no_threshold() -> None:
    play = Play(with_clip(warn=Warn()))
    up(play)
    play.report("clip", "battery_low", True)
    assert low(play)[0]["limit"] is None
    play.ask("down")
    play.run(120)
    assert "; clip says its battery is low: charge it" in last(play)


def test_heat_is_low_from_the_other_side() -> None:
    play = Play(with_clip())
    up(play)
    play.report("clip", "temperature", 59.0)
    assert low(play) == []
    play.report("clip", "temperature", 60.0)
    assert [e["point"] for e in low(play)] == ["temperature"]
    play.report("clip", "temperature", 59.0)  # not at once well again
    assert low(play) != []
    play.report("clip", "temperature", 57.0)
    assert low(play) == []


def fall(play: Play, start: float, minutes: int) -> None:
    for i in range(minutes):
        play.report("clip", "battery", start - i)
        play.run(60)


def test_one_that_falls_is_extrapolated_and_a_charge_ends_that() -> None:
    play = Play(with_clip())
    up(play)
    fall(play, 40.0, 15)
    # 26 % was said a minute ago and falls by one a minute
    assert low(play)[0]["left_s"] == 25 * 60
    view = views.device_view(play.controller, "clip", play.now, lambda at: at)
    assert view["supplies"]["battery"]["left_s"] == 25 * 60  # type: ignore[index]
    play.report("clip", "battery", 29.0)
    assert low(play)[0]["left_s"] is None
    play.report("clip", "battery", 90.0)
    assert low(play) == []


def test_one_that_was_switched_off_did_not_fall_meanwhile() -> None:
    play = Play(with_clip())
    up(play)
    fall(play, 40.0, 15)
    assert low(play)[0]["left_s"] is not None
    play.report("clip", "online", False)
    assert low(play)[0]["left_s"] is None
    play.run(600)
    play.report("clip", "online", True)
    play.report("clip", "battery", 26.0)
    assert low(play)[0]["left_s"] is None


def test_kept_words_make_no_rate() -> None:
    play = Play(with_clip())
    up(play)
    for i in range(15):
        play.report("clip", "battery", 40.0 - i, retained=True)
        play.run(60)
    assert low(play)[0]["left_s"] is None


def test_a_prediction_that_nobody_confirms_is_taken_back() -> None:
    play = Play(with_clip())
    up(play)
    fall(play, 40.0, 15)
    play.forget()
    play.run(30 * 60)
    assert low(play)[0]["left_s"] is None
    # and that is announced, though nothing was heard
    shown = [e for _, e in play.effects if isinstance(e, Announce) and e.state]
    assert shown


def test_what_a_battery_should_last_is_not_what_it_says() -> None:
    """Reckoned from figures and reported are kept apart: no report, nothing is low."""
    play = Play(with_clip(holds=98.0, draws=500.0))
    up(play)
    play.run(3600)
    assert low(play) == []
    view = views.device_view(play.controller, "clip", play.now, lambda at: at)
    assert view["supplies"] is None


@settings(max_examples=60, deadline=None)
@given(
    said=st.lists(
        st.tuples(
            st.sampled_from(
                [
                    ("clip", "battery"),
                    ("clip", "battery_low"),
                    ("clip", "temperature"),
                    ("clip", "online"),
                    ("camera", "card"),
                    ("cell", "lux"),
                    ("cell", "cct"),
                ]
            ),
            st.sampled_from([math.nan, math.inf, -math.inf, -1.0, 1e308, 5e-324])
            | st.floats(0, 100)
            | st.booleans(),
            st.booleans(),
            st.floats(-100, 2000),
        ),
        max_size=30,
    )
)
def test_nonsense_in_every_field_and_a_clock_that_steps_stop_nothing(
    said: list[tuple[tuple[str, str], float | bool, bool, float]],
) -> None:
    """What is believed and shown stays what can be written as JSON, and the set stays up."""
    made = with_clip()
    rig = replace(made.devices["camera"], place=Place(3.0, 0.0, 1.0))
    cell = Device(
        "cell",
        "sensor",
        battery=True,
        speaks="s",
        hears=frozenset({"lux", "cct"}),
        essential=False,
        place=Place(1.0, 0.0, 1.0, "camera"),
    )
    key = replace(made.devices["key"], place=Place(2.0, 1.0, 2.0, "cell"), output=Output(800.0, 1))
    devices = {**made.devices, "camera": rig, "cell": cell, "key": replace(key, beam=100.0)}
    play = Play(replace(made, devices=devices))
    up(play)
    for (name, point), value, kept, later in said:
        if point in ("online", "battery_low"):
            value = bool(value)
        play.report(name, point, value, retained=kept)
        if later > 0:
            play.run(later)
        else:
            play.now += later
    state = views.state_view(play.controller, play.now, lambda at: 0.0)
    shown = [
        state,
        *(views.device_view(play.controller, n, play.now, lambda at: 0.0) for n in devices),
    ]
    json.dumps(
        [[s.get("supplies"), s.get("sensors"), s.get("sensor")] for s in shown], allow_nan=False
    )
    assert not play.controller.failed
