"""More of a small set's light worked out by hand: planes, backdrops, banding, what is missing."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of
from studiobridge.figures.rays import aim_point, at, facing
from studiobridge.profile.model import Output, Picture, Place, Preset, Room
from tests.figures.sets import CAMERA, FILL, KEY, MARK, PLUG, small

DAY = small().looks["day"].presets
CLOTH = replace(
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


# ---- the plane at the mark ----------------------------------------------------------------


def test_without_a_camera_the_plane_looks_straight_out_of_the_back_wall() -> None:
    """A lamp 3 m out and 4 m up from the mark: 5 m away, cosine 3/5."""
    high = replace(KEY, place=Place(4.0, 0.0, 5.5, "mark"))
    profile = small(PLUG, high)
    assert facing(profile) == (0.0, 1.0, 0.0)
    assert Face(profile).lux("key", 100.0) == pytest.approx(25_000 / 25 * 3 / 5)
    assert facing(small(PLUG, high, CAMERA, room=Room())) == (0.0, 1.0, 0.0)
    assert facing(small(PLUG, high, replace(CAMERA, place=None))) == (0.0, 1.0, 0.0)


def test_the_plane_looks_at_the_camera_named_or_the_only_one_with_a_place() -> None:
    aside = replace(CAMERA, name="aside", place=Place(4.0, 2.0, 2.5))
    one = small(PLUG, KEY, aside)
    assert facing(one) == (2.0, 3.0, 1.0)
    two = small(PLUG, KEY, CAMERA, aside)
    assert facing(two) == (0.0, 1.0, 0.0)  # of two nobody said which
    assert facing(replace(two, picture=Picture(camera="aside"))) == (2.0, 3.0, 1.0)
    assert facing(small(PLUG, KEY, replace(CAMERA, place=None), aside)) == (2.0, 3.0, 1.0)
    nowhere = small(PLUG, KEY, replace(CAMERA, place=None), picture=Picture(camera="camera"))
    assert facing(nowhere) == (0.0, 1.0, 0.0)


def test_where_a_fixture_points() -> None:
    profile = small(PLUG, KEY, FILL, CAMERA, CLOTH)
    assert aim_point(profile, KEY) == at(MARK)
    wash = replace(KEY, place=Place(1.0, 1.0, 1.0, "cloth"))
    assert aim_point(profile, wash) == (0.0, 0.0, 1.5)
    assert aim_point(profile, replace(KEY, place=Place(1.0, 1.0, 1.0))) is None
    assert aim_point(profile, replace(KEY, place=None)) is None
    assert aim_point(replace(profile, room=Room()), KEY) is None
    nowhere = replace(CLOTH, place=None)
    assert aim_point(small(PLUG, KEY, nowhere), wash) is None


@pytest.mark.parametrize(
    ("fixture", "said"),
    [
        (replace(FILL, place=None), "no place given for fill"),
        (replace(FILL, place=None, output=None), "no output given for fill"),
        (replace(FILL, output=None), "no output given for fill"),
        (replace(FILL, place=replace(MARK, aim="mark")), "fill stands exactly where its light"),
        (replace(FILL, place=Place(4.0, 4.0, 1.5)), "no aim given for fill"),
        (
            replace(FILL, beam=None, place=Place(4.0, 4.0, 1.5, "key")),
            "no beam angle given for fill",
        ),
    ],
    ids=lambda v: str(v)[:30] if isinstance(v, str) else "",
)
def test_what_is_missing_of_a_fixture_is_named_and_the_others_have_their_light(
    fixture, said: str
) -> None:  # type: ignore[no-untyped-def]
    face = Face(small(PLUG, KEY, fixture, CAMERA))
    assert said in face.missing["fill"]
    assert face.whole(DAY) is None
    assert face.sentences(DAY) == (face.missing["fill"],)
    # dark, it is not missed
    dark = {**DAY, "fill": Preset(0.0, 4000.0)}
    assert face.sentences(dark) == ()
    whole = face.whole(dark)
    assert whole is not None
    assert whole.lux == pytest.approx(400.0)
    assert whole.ratio is None


def test_a_beam_that_misses_the_mark_leaves_half_at_its_edge() -> None:
    """Aimed 45 degrees past the mark with a beam of 90: half of it (trade definition of a beam)."""
    stand = replace(CLOTH, name="stand", place=Place(5.0, 5.0, 1.5))
    aside = replace(KEY, place=Place(5.0, 0.0, 1.5, "stand"), beam=90.0)
    # from (0, 5) the mark is straight back, and the stand straight across: 90 degrees off
    assert Face(small(PLUG, aside, stand, CAMERA)).lux("key", 100.0) == 0.0
    half = replace(stand, place=Place(1.0, 4.0, 1.5))
    lux = Face(small(PLUG, aside, half, CAMERA)).lux("key", 100.0)
    assert lux == pytest.approx(25_000 / 16 / 2)
    # what it is aimed at from the mark's own place is the mark
    near = replace(stand, place=Place(1.0, 0.04, 1.5))
    assert Face(small(PLUG, replace(aside, beam=None), near, CAMERA)).lux(
        "key", 100.0
    ) == pytest.approx(25_000 / 16)


def test_a_backdrop_is_no_light_on_the_face() -> None:
    glowing = replace(
        CLOTH, glow=90.0, output=Output(1000.0, 1.0), place=Place(3.0, 0.0, 1.5, "mark")
    )
    face = Face(small(PLUG, KEY, FILL, CAMERA, glowing))
    assert "cloth" not in face.rays
    assert "cloth" not in face.missing
    whole = face.whole({**DAY, "cloth": Preset(80.0, None)})
    assert whole is not None
    assert whole.lux == pytest.approx(640.0)
    assert whole.cct == pytest.approx(4000.0, abs=0.1)


def test_two_keys_are_one_role() -> None:
    second = replace(KEY, name="key-2")
    face = Face(small(PLUG, KEY, second, FILL, CAMERA))
    whole = face.whole({**DAY, "key-2": Preset(25.0, 4000.0)})
    assert whole is not None
    assert whole.ratio == pytest.approx(600 / 240)


def test_a_white_past_the_end_of_what_is_dark_is_not_minded() -> None:
    face = Face(small())
    assert face.sentences({**DAY, "fill": Preset(0.0, 900.0)}) == ()
    assert face.sentences({**DAY, "fill": Preset(None, 900.0)}) == ()


def test_a_look_without_a_light_says_so() -> None:
    assert Face(small()).sentences({}) == ("no light in this look",)
    assert Face(small(PLUG, CAMERA, CLOTH)).sentences({"cloth": Preset(50.0)}) == (
        "no light in this look",
    )


def test_the_picture_changes_by_hand_when_the_key_goes_out_or_turns_warm() -> None:
    face = Face(small())
    out = face.change(DAY, {**DAY, "key": Preset(0.0, 4000.0)})
    assert out is not None
    assert out.face == pytest.approx(math.log2(240 / 640))
    assert (out.ratio_now, out.ratio) == (None, None)
    assert face.change({n: Preset(0.0) for n in DAY}, DAY) is None  # nothing to compare with
    warm = face.change(DAY, {n: replace(p, cct=3200.0) for n, p in DAY.items()})
    assert warm is not None
    assert warm.mired == pytest.approx(1e6 / 3200 - 250.0, abs=0.01)  # warmer is positive
    # CIE 1976 u', v' of 4000 and 3200 K from their CIE 1960 u, v (colour-science, Ohno 2013)
    far = math.hypot(0.24399 - 0.22511, 1.5 * (0.34488 - 0.33439))
    assert warm.duv_prime == pytest.approx(far, abs=5e-5)


def test_without_a_cct_on_one_side_there_is_no_shift() -> None:
    face = Face(small())
    whole = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)}
    for before, after in ((DAY, {"key": Preset(50.0, None)}), ({"key": Preset(50.0, None)}, whole)):
        change = face.change(before, after)
        assert change is not None
        assert (change.mired, change.duv_prime) == (None, None)
        assert change.face is not None


# ---- backdrops ----------------------------------------------------------------------------


def cloth_alone(level: float | None = 50.0, **more: object):  # type: ignore[no-untyped-def]
    cloth = replace(CLOTH, reflects=None, glow=90.0, place=Place(0.0, 0.0, 1.5))
    profile = small(PLUG, KEY, FILL, CAMERA, replace(cloth, **more))  # type: ignore[arg-type]
    presets = {**DAY, "cloth": Preset(level)} if level is not None else dict(DAY)
    return light_of(profile, "day", presets)


def test_a_backdrop_with_a_glow_of_its_own_by_hand() -> None:
    """90 cd/m² at half is 45; a grey card at the mark under 640 lx is 0.18 x 640 / pi."""
    found = cloth_alone()
    (backdrop,) = found.backdrops
    # what it reflects of key and fill nobody knows: it is left out, and said
    assert "no reflectance given for cloth: what it reflects left out" in found.missing
    assert backdrop.against_grey == pytest.approx(math.log2(45 / (0.18 * 640 / math.pi)))
    # seen from 1 m in front, 4 x 3 m nearly fills the half space: E = pi L F (Howell B-3)
    a, b = 2.0, 1.5
    corner = (
        a / math.sqrt(1 + a * a) * math.atan(b / math.sqrt(1 + a * a))
        + b / math.sqrt(1 + b * b) * math.atan(a / math.sqrt(1 + b * b))
    ) / (2 * math.pi)
    assert backdrop.spill == pytest.approx(math.pi * 45 * 4 * corner)


def test_what_is_missing_of_a_backdrop_is_named() -> None:
    assert "no glow given for cloth: its own light not computed" in cloth_alone(glow=None).missing
    nowhere = "no size or place given for cloth: light on it and spill not computed"
    assert nowhere in cloth_alone(size=None).missing
    assert nowhere in cloth_alone(place=None).missing
    left_alone = cloth_alone(level=None)
    assert left_alone.backdrops[0].spill is None
    assert "no reflectance given for cloth: its spill not computed" in left_alone.missing
    behind = cloth_alone(
        place=Place(2.0, 0.0, 1.5)
    )  # in front of the mark it spills on nobody's back
    assert behind.backdrops[0].spill is None
    assert (
        cloth_alone(place=Place(1.0, 0.0, 1.5)).backdrops[0].spill is None
    )  # just where they stand


def washed(*washes, cloth=CLOTH, **presets: Preset):  # type: ignore[no-untyped-def]
    profile = small(PLUG, KEY, FILL, CAMERA, cloth, *washes)
    return light_of(profile, "day", presets)


WASH = replace(
    KEY,
    name="wash",
    role="wash",
    place=Place(1.0, 0.0, 1.5, "cloth"),
    output=Output(500.0, 1.0),
    beam=120.0,
)


def test_a_wash_across_a_backdrop_by_hand() -> None:
    """500 lx at 1 m from 1 m in front of the middle: 500 there, and cos^3 of it off the beam's axis."""
    found = washed(WASH, wash=Preset(50.0, 4000.0))
    points = found.backdrops[0].points
    assert points[2] == pytest.approx(250.0)
    # 2 m to the side: inverse square 1/5, cosine 1/sqrt(5), and a beam of 120 is one more cosine
    assert points[0] == pytest.approx(250.0 / 5 / 5)
    assert points[1] == pytest.approx(250.0 / 2 / 2)
    for level in (0.0, None):
        dark = washed(WASH, wash=Preset(level, 4000.0)).backdrops[0]
        assert dark.points is None
        assert {spot.lux for spot in dark.field} == {0.0}
        assert (dark.spread, dark.incident, dark.against_grey) == (None, None, None)
    lost = washed(replace(WASH, output=None), wash=Preset(50.0, 4000.0))
    assert lost.backdrops[0].points is None
    assert "no output given for wash: light on cloth not computed" in lost.missing
    sizeless = washed(WASH, cloth=replace(CLOTH, size=None), wash=Preset(50.0, 4000.0))
    nowhere = "no size or place given for cloth: light on it and spill not computed"
    assert nowhere in sizeless.missing
    pale = washed(WASH, cloth=replace(CLOTH, reflects=None), wash=Preset(50.0, 4000.0))
    assert "no reflectance given for cloth: not compared with a grey card" in pale.missing


# ---- exposure and banding -----------------------------------------------------------------


def shot(**picture: object):  # type: ignore[no-untyped-def]
    figures = {"shutter": 1 / 50, "iso": 100.0, "aperture": 2.8, "white": 4000.0, **picture}
    lamps = replace(KEY, pwm=2000.0, flicker=3.0), replace(FILL, pwm=25_000.0)
    profile = small(PLUG, *lamps, CAMERA, picture=Picture(**figures))  # type: ignore[arg-type]
    return light_of(profile, "day", DAY)


def test_exposure_and_what_it_lacks() -> None:
    found = shot()
    assert found.exposure.aperture == pytest.approx(math.sqrt(640 * 100 / 50 / 250))
    assert shot(aperture=None).exposure.over is None
    for lacks, said in (
        ({"shutter": None}, "no shutter given"),
        ({"iso": None}, "no ISO given"),
        ({"shutter": None, "iso": None}, "no shutter and no ISO given"),
    ):
        bare = shot(**lacks)
        assert bare.exposure is None
        assert f"{said}: aperture not computed" in bare.missing
    assert shot(constant=330.0).exposure.aperture == pytest.approx(math.sqrt(640 * 100 / 50 / 330))


def test_the_white_against_the_camera_s_balance() -> None:
    """4000 K of light on a balance of 5000 K: 50 mired warmer."""
    assert shot(white=5000.0).off_balance == pytest.approx(50.0, abs=0.01)
    bare = shot(white=None)
    assert bare.off_balance is None
    assert "no camera white balance given: not compared with the light" in bare.missing


def test_banding_by_hand() -> None:
    """1/50 s is two whole periods of 100 Hz. 2 kHz that swings by 3 % is 40 periods: of any shape
    that deep the worst is a square wave, half of 3 % over 40. 25 kHz is 500: a fixture of two
    whites at 40 % has each of them on for a fifth of the time at worst, so 4/5 over 500."""
    mains, key, fill = shot().banding
    assert (mains.source, mains.frequency, mains.bands) == (
        "lamps straight on the mains",
        100.0,
        False,
    )
    assert (key.source, key.bands, key.risk) == ("key", False, "low")
    assert key.ripple == pytest.approx(3 / 2 / 40, rel=0.02)
    assert (fill.source, fill.risk) == ("fill", None)
    assert fill.ripple == pytest.approx(100 * 0.8 / 500)
    short = shot(shutter=1 / 1000)
    assert [b.bands for b in short.banding] == [True, False, True]
    assert short.banding[1].ripple == pytest.approx(3 / 2 / 2, rel=0.02)
    assert shot(shutter=None).banding == ()
    assert "no shutter given: banding not judged" in shot(shutter=None).missing
    plain = light_of(small(frequency=None), "day", DAY)
    assert plain.banding == ()
    assert "no mains frequency given: banding under mains light not judged" in plain.missing
    assert "no PWM frequency given for key: its banding not judged" in plain.missing


def test_what_a_ratio_lacks_is_said() -> None:
    def missing(*devices, **presets: Preset) -> tuple[str, ...]:  # type: ignore[no-untyped-def]
        return light_of(small(*devices), "day", presets).missing

    alone = missing(PLUG, KEY, CAMERA, key=Preset(50.0, 4000.0))
    assert "no light has the role fill: ratio not computed" in alone
    assert not any("role key" in text for text in alone)
    both = missing(PLUG, KEY, FILL, CAMERA, key=Preset(0.0, 4000.0), fill=Preset(40.0, 4000.0))
    assert "no key light reaches the mark in this look: ratio not computed" in both
    assert not any("fill" in text and "ratio" in text for text in both)
    dark = missing(PLUG, KEY, FILL, CAMERA, key=Preset(0.0, 4000.0), fill=Preset(0.0, 4000.0))
    assert "no light reaches the mark from the front in this look" in dark
    whole = missing(PLUG, KEY, FILL, CAMERA, key=Preset(9.0, 4000.0), fill=Preset(9.0, 4000.0))
    assert not any("ratio" in text for text in whole)
