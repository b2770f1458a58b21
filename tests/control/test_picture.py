"""Drift in the picture's own terms, tolerances on the picture, and circuits by the numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.control import views
from studiobridge.craft.colour import White, cct_and_duv, mix, planckian_uv
from studiobridge.profile.model import (
    Circuit,
    Output,
    Picture,
    PictureTolerance,
    Place,
    Preset,
    Room,
    SetProfile,
    Tolerance,
)
from tests.control.play import Play, fixture, plug, profile

# both 2 m away at the same angle, so that equal levels of equal lamps give equal light
KEY_AT, FILL_AT = Place(2.5, -1.2, 1.5, "mark"), Place(2.5, 1.2, 1.5, "mark")


NOT_HELD = PictureTolerance()


def room(hold: PictureTolerance = NOT_HELD, **more: object) -> SetProfile:
    loose = Tolerance(level=0.3, cct=30.0, settle=2.0)
    key = fixture(
        "key",
        "lamps",
        inrush=8.0,
        role="key",
        place=KEY_AT,
        output=Output(2000.0, 1.0),
        tolerance=loose,
    )
    fill = replace(key, name="fill", role="fill", place=FILL_AT)
    made = profile(
        plug("lamps"),
        key,
        fill,
        looks={"day": {"key": Preset(60.0, 4000.0), "fill": Preset(30.0, 4000.0)}},
    )
    figures: dict[str, object] = {
        "room": Room(mark=Place(1.0, 0.0, 1.5)),
        "picture": Picture(hold=hold),
    }
    return replace(made, **{**figures, **more})  # type: ignore[arg-type]


def brought_up(made: SetProfile) -> Play:
    play = Play(made)
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.state == "ready"
    play.forget()
    return play


def wall(at: float) -> float:
    return at


def test_a_touched_key_in_the_pictures_terms() -> None:
    """Key 60 to 80 %: +0.42 stop alone, +0.29 on the face (90 to 110), ratio 2.0 to 2.67."""
    play = brought_up(room())
    play.report("key", "level", 80.0)
    play.run(3)
    (entry,) = views.drift_view(play.controller, play.now, wall)
    assert entry["stops"] == pytest.approx(math.log2(80 / 60), abs=1e-3)
    shown = entry["picture"]
    assert shown["face"] == pytest.approx(math.log2(110 / 90), abs=1e-3)
    assert shown["ratio_wanted"] == pytest.approx(2.0, abs=1e-3)
    assert shown["ratio"] == pytest.approx(80 / 30, abs=1e-3)
    assert shown["mired"] == 0.0
    assert views.state_view(play.controller, play.now, wall)["picture"] == shown


def test_two_touched_lights_are_told_apart_and_together() -> None:
    play = brought_up(room())
    play.report("key", "level", 80.0)
    play.report("fill", "level", 60.0)
    play.run(3)
    entries = {e["device"]: e["picture"] for e in views.drift_view(play.controller, play.now, wall)}
    assert entries["key"]["face"] == pytest.approx(math.log2(110 / 90), abs=1e-3)
    assert entries["fill"]["face"] == pytest.approx(math.log2(120 / 90), abs=1e-3)
    together = views.state_view(play.controller, play.now, wall)["picture"]
    assert together["face"] == pytest.approx(math.log2(140 / 90), abs=1e-3)
    assert together["ratio"] == pytest.approx(80 / 60, abs=1e-3)


def test_a_plug_switched_off_takes_its_lights_out_of_the_picture() -> None:
    play = brought_up(room())
    play.report("lamps", "switch", False)
    play.run(3)
    shown = views.state_view(play.controller, play.now, wall)["picture"]
    assert shown["face"] is None  # dark
    assert shown["ratio"] is None


def test_nothing_drifted_no_picture() -> None:
    play = brought_up(room())
    assert views.state_view(play.controller, play.now, wall)["picture"] is None


def test_what_is_missing_is_named() -> None:
    made = room()
    devices = {**made.devices, "fill": replace(made.devices["fill"], output=None)}
    play = brought_up(replace(made, devices=devices))
    play.report("key", "level", 80.0)
    play.run(3)
    assert views.state_view(play.controller, play.now, wall)["picture"] == {
        "missing": ["no output given for fill"]
    }
    assert views.drift_view(play.controller, play.now, wall)[0]["picture"] is None


# ---- tolerances on the picture -----------------------------------------------------------


def test_a_light_that_is_lit_and_was_meant_to_be_dark_is_named_where_it_cannot_be_computed() -> (
    None
):
    """The look asks nothing of it, so only what it reports says why the picture is not known."""
    made = room()
    rim = replace(made.devices["fill"], name="rim", role="rim", output=None)
    looks = {
        "day": replace(
            made.looks["day"], presets={**made.looks["day"].presets, "rim": Preset(0.0, 4000.0)}
        )
    }
    play = brought_up(replace(made, devices={**made.devices, "rim": rim}, looks=looks))
    assert play.state == "ready"
    play.report("rim", "level", 50.0)
    play.run(5)
    view = views.state_view(play.controller, play.now, lambda at: at)
    assert view["drifting"] == ["rim"]
    assert view["picture"] == {"missing": ["no output given for rim"]}


def test_two_small_changes_are_one_dark_face_and_the_greater_is_blamed() -> None:
    """Each within its own 0.3 stop, together beyond 0.2 stop on the face."""
    play = brought_up(room(PictureTolerance(face=0.2)))
    play.report("fill", "level", 26.0)  # -0.21 stop of its own, -0.07 on the face
    play.run(3)
    assert play.drifts("opened") == []
    play.report("key", "level", 51.0)  # -0.23 stop of its own; together -0.23 on the face
    play.run(3)
    assert [(e.device, e.point) for e in play.drifts("opened")] == [("key", "level")]
    assert play.state == "adrift"


def test_restore_puts_back_what_only_the_picture_minds() -> None:
    play = brought_up(room(PictureTolerance(face=0.1)))
    play.report("key", "level", 52.0)
    play.run(3)
    assert play.state == "adrift"
    play.forget()
    play.ask("restore")
    play.run(10)
    assert dict(play.tells("key")[-1][2])["level"] == 60.0
    assert play.tells("fill") == []
    assert play.state == "ready"


def test_without_a_hold_the_same_change_is_no_drift() -> None:
    play = brought_up(room())
    play.report("key", "level", 52.0)
    play.run(5)
    assert play.drifts("opened") == []


def test_the_ratio_is_held() -> None:
    """Both within 0.3 stop, in opposite ways: the face stays, the ratio does not."""
    play = brought_up(room(PictureTolerance(ratio=0.3)))
    play.report("key", "level", 54.0)
    play.report("fill", "level", 36.0)
    play.run(3)
    assert [e.device for e in play.drifts("opened")] == ["fill"]


def test_the_white_is_held_and_who_made_it_cooler_is_blamed() -> None:
    play = brought_up(room(PictureTolerance(white=5.0)))
    play.report("key", "cct", 4300.0)  # -17 mired for two thirds of the light
    play.run(3)
    (entry,) = play.drifts("opened")
    assert (entry.device, entry.point) == ("key", "cct")


def test_the_tint_is_held_where_the_cct_stays_and_who_moved_it_is_blamed() -> None:
    """Key to 8000 K, fill to 2267 K, two to one in light: whites far apart mix below the locus.

    Each alone, the fill's is the longer chord under the steeper bend: it moves the tint more.
    """
    alone = {
        name: mix([White(2.0, *planckian_uv(key)), White(1.0, *planckian_uv(fill))])
        for name, key, fill in (("key", 8000.0, 4000.0), ("fill", 4000.0, 2267.0))
    }
    tint = {name: cct_and_duv(m.u, m.v)[1] for name, m in alone.items()}
    assert tint["fill"] < tint["key"] < 0.0
    loose = {"tolerance": Tolerance(level=2.0, cct=300.0, settle=2.0)}
    held, plain = room(PictureTolerance(duv=0.003)), room()
    for made, blamed in ((held, ["fill"]), (plain, [])):
        devices = {n: replace(d, **loose) if d.fixture else d for n, d in made.devices.items()}
        play = brought_up(replace(made, devices=devices))
        play.report("key", "cct", 8000.0)
        play.report("fill", "cct", 2267.0)
        play.run(3)
        assert [e.device for e in play.drifts("opened")] == blamed
    play = brought_up(held)
    play.report("key", "cct", 8000.0)
    play.run(3)
    shown = views.state_view(play.controller, play.now, wall)["picture"]
    assert shown["duv"] == pytest.approx(play.controller.watcher.picture.change().duv, abs=1e-5)
    assert shown["duv"] < -0.001
    play.ask("restore")
    play.run(10)
    assert play.state == "ready"


def test_a_picture_without_a_cct_is_beyond_what_is_held() -> None:
    """Both lamps are 0.04 to magenta: far apart they mix to more than 0.05, where no CCT is."""
    for hold in (PictureTolerance(duv=0.01), PictureTolerance(white=50.0)):
        made = room(hold)
        loose = {"duv": -0.04, "tolerance": Tolerance(level=2.0, cct=900.0, settle=2.0)}
        devices = {n: replace(d, **loose) if d.fixture else d for n, d in made.devices.items()}
        play = brought_up(replace(made, devices=devices))
        play.report("key", "cct", 20_000.0)
        play.report("fill", "cct", 1200.0)
        play.run(3)
        assert play.controller.watcher.picture.change().duv is None
        assert len(play.drifts("opened")) == 1


def test_put_back_by_hand_closes_what_the_picture_opened() -> None:
    play = brought_up(room(PictureTolerance(face=0.1)))
    play.report("key", "level", 52.0)
    play.run(3)
    play.report("key", "level", 60.0)
    play.run(3)
    assert [e.how for e in play.drifts("closed")] == ["returned"]
    assert play.state == "ready"


def test_another_light_can_make_good_what_one_did() -> None:
    """The blame goes when the picture is right again, whoever made it so."""
    play = brought_up(room(PictureTolerance(face=0.12)))
    play.report("key", "level", 52.0)
    play.run(3)
    assert [e.device for e in play.drifts("opened")] == ["key"]
    play.report("fill", "level", 35.0)
    play.run(5)
    assert [e.device for e in play.drifts("closed")] == ["key"]
    assert play.state == "ready"


# ---- circuits by the numbers -------------------------------------------------------------


def test_a_switch_on_that_may_trip_the_breaker_is_not_asked_for() -> None:
    """Two lamps of 18 A at once on a B 10 A circuit: 36 A, its band begins at 30 A (IEC 60898-1)."""
    made = profile(
        plug("lamps"),
        fixture("key", "lamps"),
        fixture("fill", "lamps"),
        looks={"day": {"key": Preset(60.0, 4000.0), "fill": Preset(30.0, 4000.0)}},
    )
    made = replace(made, circuits={"wall": Circuit("wall", 10.0, "B", 0.5)})
    play = Play(made)
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.state == "stalled"
    assert play.tells("lamps") == []
    assert "may trip at once from 30 A" in play.answers()[-1].text
    wider = replace(made, circuits={"wall": Circuit("wall", 10.0, "C", 0.5)})
    assert brought_up(wider).state == "ready"


def test_what_runs_counts_on_top_of_the_inrush() -> None:
    """20 A of inrush is fine on an idle B 8 A circuit (band from 24 A), not on top of 5 A."""
    heater = plug("heater", draws=1150.0, power_factor=1.0)
    lamp = plug("lamp", inrush=20.0, after=("heater",))
    made = replace(profile(heater, lamp), circuits={"wall": Circuit("wall", 8.0, "B", 0.5)})
    play = Play(made)
    play.link_up()
    play.ask("up")
    play.run(20)
    assert play.tells("lamp") == []
    assert "on top of 5.0 A" in play.answers()[-1].text
    alone = replace(profile(lamp_alone()), circuits={"wall": Circuit("wall", 8.0, "B", 0.5)})
    assert brought_up(alone).state == "ready"


def lamp_alone():  # type: ignore[no-untyped-def]
    return plug("lamp", inrush=20.0)
