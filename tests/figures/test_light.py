"""The light of a small set, worked out by hand, and what must hold of any."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of, whites_apart
from studiobridge.profile.model import Output, Picture, Place, Preset, Room
from tests.figures.sets import CAMERA, FILL, KEY, MARK, PLUG, small

levels = st.floats(1.0, 100.0)
whites = st.floats(2700.0, 6500.0)


def reading(**more: object):  # type: ignore[no-untyped-def]
    profile = small(**more)
    return light_of(profile, "day", profile.looks["day"].presets)


def test_a_worked_example() -> None:
    """25000 lx at 1 m, 5 m away: 1000 lx straight on. Key 50 % x 4/5, fill 40 % x 3/5."""
    found = reading()
    by_name = {f.device: f for f in found.fixtures}
    assert by_name["key"].distance == pytest.approx(5.0)
    assert by_name["key"].lux == pytest.approx(400.0)
    assert by_name["key"].straight == pytest.approx(500.0)
    assert by_name["fill"].lux == pytest.approx(240.0)
    assert found.whole.lux == pytest.approx(640.0)
    assert found.whole.ratio == pytest.approx(400 / 240)
    assert found.whole.cct == pytest.approx(4000.0, abs=0.1)
    assert found.off_balance == pytest.approx(0.0, abs=0.01)
    # N = sqrt(E t S / C), ISO 2720 from memory: sqrt(640 x 0.02 x 100 / 250)
    assert found.exposure.aperture == pytest.approx(math.sqrt(5.12))
    assert found.exposure.over == pytest.approx(2 * math.log2(math.sqrt(5.12) / 2.8))


def test_the_picture_of_a_touched_key_by_hand() -> None:
    """Key from 50 to 62.5 %: 400 to 500 lx, the face from 640 to 740 lx, the ratio from 1.67 to 2.08."""
    profile = small()
    wanted = profile.looks["day"].presets
    change = Face(profile).change(wanted, {**wanted, "key": Preset(62.5, 4000.0)})
    assert change.face == pytest.approx(math.log2(740 / 640))
    assert change.ratio_wanted == pytest.approx(400 / 240)
    assert change.ratio_now == pytest.approx(500 / 240)
    assert change.ratio == pytest.approx(math.log2(1.25))
    assert change.mired == pytest.approx(0.0, abs=1e-3)


def test_a_cooler_key_cools_the_mixed_white_by_its_share() -> None:
    profile = small()
    wanted = profile.looks["day"].presets
    change = Face(profile).change(wanted, {**wanted, "key": Preset(50.0, 5000.0)})
    # 250 to 200 mired for five eighths of the light: about -31, not exactly (chromaticity mixes)
    assert -36 < change.mired < -26
    assert change.duv_prime > 0


@given(levels, levels, whites, whites)
def test_no_change_is_no_change(a: float, b: float, k: float, f: float) -> None:
    profile = small()
    presets = {"key": Preset(a, k), "fill": Preset(b, f)}
    change = Face(profile).change(presets, dict(presets))
    assert (change.face, change.ratio) == (0.0, 0.0)
    assert change.mired == 0.0


@given(levels, levels, levels, levels)
def test_there_and_back_cancels(a: float, b: float, c: float, d: float) -> None:
    face = Face(small())
    one = {"key": Preset(a, 4000.0), "fill": Preset(b, 4000.0)}
    two = {"key": Preset(c, 4000.0), "fill": Preset(d, 4000.0)}
    there, back = face.change(one, two), face.change(two, one)
    assert there.face == pytest.approx(-back.face, abs=1e-9)
    assert there.ratio == pytest.approx(-back.ratio, abs=1e-9)


@given(levels, levels)
def test_light_adds_up(a: float, b: float) -> None:
    face = Face(small())
    both = face.whole({"key": Preset(a, 4000.0), "fill": Preset(b, 4000.0)})
    key = face.whole({"key": Preset(a, 4000.0)})
    fill = face.whole({"fill": Preset(b, 4000.0)})
    assert both.lux == pytest.approx(key.lux + fill.lux)
    # the whole never changes by more stops than the fixture that was touched
    assert both.lux >= max(key.lux, fill.lux)


@given(levels, st.floats(1.1, 2.0))
def test_the_face_moves_less_than_the_fixture(level: float, by: float) -> None:
    if level * by > 100:
        return
    face = Face(small())
    wanted = {"key": Preset(level, 4000.0), "fill": Preset(50.0, 4000.0)}
    change = face.change(wanted, {**wanted, "key": Preset(level * by, 4000.0)})
    assert 0 < change.face < math.log2(by)


def test_daylight_locus_where_asked() -> None:
    """CIE daylight lies above the Planckian locus: a positive Duv, about 0.003 at 5500 K."""
    presets = {"key": Preset(50.0, 5500.0), "fill": Preset(40.0, 5500.0)}
    plain = reading(presets=presets)
    daylight = reading(presets=presets, picture=Picture(daylight=True))
    assert plain.whole.duv == pytest.approx(0.0, abs=1e-6)
    assert 0.002 < daylight.whole.duv < 0.005
    warm = {"key": Preset(50.0, 3200.0), "fill": Preset(40.0, 3200.0)}
    assert reading(presets=warm, picture=Picture(daylight=True)).whole.duv == pytest.approx(
        0.0, abs=1e-6
    )


def test_an_unlit_fixture_has_no_white() -> None:
    """A fill at 0 % is another white on paper only: the mix is the key's, and nothing is apart."""
    face = Face(small())
    presets = {"key": Preset(50.0, 4000.0), "fill": Preset(0.0, 6500.0)}
    whole = face.whole(presets)
    assert whole.cct == pytest.approx(4000.0, abs=0.1)
    assert whites_apart(presets) is None
    # nor does one without a white keep the others' from being known
    unknown = face.whole({**presets, "fill": Preset(0.0, None)})
    assert unknown.cct == pytest.approx(4000.0, abs=0.1)
    lit = face.whole({**presets, "fill": Preset(40.0, None)})
    assert (lit.white, lit.cct, lit.duv) == (None, None, None)
    assert lit.lux == pytest.approx(640.0)
    found = reading(presets={"key": Preset(50.0, 4000.0), "fill": Preset(0.0, None)})
    assert not any("no CCT given" in text for text in found.missing)
    found = reading(presets={"key": Preset(50.0, 4000.0), "fill": Preset(40.0, None)})
    assert "no CCT given for fill: mixed white not computed" in found.missing


def test_how_far_the_whites_of_a_look_are_apart_by_hand() -> None:
    """4000 K is 250 mired, 5000 K 200, 3200 K 312.5: coolest first, 112.5 between them."""
    presets = {
        "key": Preset(50.0, 4000.0),
        "fill": Preset(40.0, 5000.0),
        "rim": Preset(10.0, 3200.0),
        "off": Preset(0.0, 10_000.0),
        "plain": Preset(30.0, None),
    }
    assert whites_apart(presets) == (pytest.approx(112.5), "fill", "rim")
    assert whites_apart({"key": presets["key"]}) is None


# ---- what is missing ---------------------------------------------------------------------


def test_a_missing_output_is_said_and_nothing_is_guessed() -> None:
    found = light_of(
        small(PLUG, KEY, replace(FILL, output=None), CAMERA), "day", small().looks["day"].presets
    )
    assert "no output given for fill: ratio not computed" in found.missing
    assert found.whole is None
    assert found.exposure is None
    assert Face(small(PLUG, KEY, replace(FILL, output=None))).change({}, {}) is None


def test_what_stands_behind_needs_no_output() -> None:
    rim = replace(KEY, name="rim", role="rim", place=Place(0.2, 1.0, 2.0, "mark"), output=None)
    profile = small(PLUG, KEY, FILL, rim, CAMERA)
    presets = {**profile.looks["day"].presets, "rim": Preset(30.0, 4000.0)}
    found = light_of(profile, "day", presets)
    assert found.whole.lux == pytest.approx(640.0)


def test_a_light_aimed_elsewhere_needs_its_beam() -> None:
    aside = replace(FILL, place=Place(4.0, 4.0, 1.5, "camera"), beam=None)
    found = light_of(small(PLUG, KEY, aside, CAMERA), "day", small().looks["day"].presets)
    assert found.whole is None
    assert "no beam angle given for fill: light at the mark not computed" in found.missing
    wide = replace(aside, beam=170.0)
    narrow = replace(aside, beam=20.0)
    lit = [
        light_of(small(PLUG, KEY, d, CAMERA), "day", small().looks["day"].presets).whole.lux
        for d in (wide, narrow)
    ]
    assert lit[0] > lit[1]


def test_no_room_no_figures() -> None:
    found = reading(room=Room())
    assert found.whole is None
    assert any("no mark given" in text for text in found.missing)


def test_no_fill_no_ratio() -> None:
    found = reading(presets={"key": Preset(50.0, 4000.0), "fill": Preset(0.0, 4000.0)})
    assert found.whole.ratio is None
    assert any("no fill light reaches the mark" in text for text in found.missing)


# ---- backdrop ----------------------------------------------------------------------------


def backdrop_set(level: float = 100.0, face: bool = True):  # type: ignore[no-untyped-def]
    cloth = replace(
        KEY,
        name="cloth",
        kind="backdrop",
        role=None,
        place=Place(0.0, 0.0, 1.5),
        output=None,
        beam=None,
        size=(4.0, 3.0),
        reflects=0.5,
    )
    washes = [
        replace(
            KEY,
            name=name,
            role="wash",
            place=Place(1.0, across, 1.5, "cloth"),
            output=Output(500.0, 1.0),
            beam=120.0,
        )
        for name, across in (("wash-left", -2.5), ("wash-right", 2.5))
    ]
    profile = small(PLUG, KEY, FILL, CAMERA, cloth, *washes)
    presets = {
        **(profile.looks["day"].presets if face else {}),
        "wash-left": Preset(100.0, 4000.0),
        "wash-right": Preset(level, 4000.0),
    }
    return light_of(profile, "day", presets).backdrops[0]


def test_two_side_lights_are_symmetric_and_one_is_less_even() -> None:
    both, left = backdrop_set(face=False), backdrop_set(0.0, face=False)
    assert len(both.points) == 5
    assert both.points[0] == pytest.approx(both.points[4])
    assert both.points[1] == pytest.approx(both.points[3])
    assert both.spread < left.spread
    assert left.points[0] > left.points[4]


def test_a_backdrop_against_the_subject_by_hand() -> None:
    """Incident: its middle point over 640 lx. Against a grey card: the same plus log2(50/18)."""
    found = backdrop_set()
    assert found.incident == pytest.approx(math.log2(found.points[2] / 640.0))
    assert found.against_grey == pytest.approx(found.incident + math.log2(0.5 / 0.18))


def test_the_mark_looks_at_the_camera() -> None:
    """A camera off to the side turns the plane, and the light from that side counts more."""
    aside = replace(CAMERA, place=Place(4.0, -1.0, 1.5, "mark"))
    straight = reading()
    turned = light_of(small(PLUG, KEY, FILL, aside), "day", small().looks["day"].presets)
    assert turned.whole.ratio > straight.whole.ratio
    assert MARK.from_back == 1.0
