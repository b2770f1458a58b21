"""A screen that is keyed, by hand: each figure worked out again here, each verdict at its limit."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.craft.chroma import Colour
from studiobridge.figures.keying import Keying, KeyPoint
from studiobridge.figures.light import light_of
from studiobridge.profile.model import Device, Output, Picture, Place, Preset, Room, SetProfile
from tests.figures.sets import CAMERA, KEY, PLUG, small

# A stool 2 m before a screen of 4 x 3 m on the wall, the lens 2 m farther out, all 1.5 m up.
# The lamp is where the lens is: what shadow it throws, nobody sees.
FACE = Place(2.0, 0.0, 1.5)
LAMP = replace(KEY, name="key", place=Place(4.0, 0.0, 1.5, "mark"), output=Output(400.0, 1.0))
LAMP = replace(LAMP, beam=120.0)
# sRGB 47, 158, 76, decoded by the curve of IEC 61966-2-1 by hand
RED, GREEN, BLUE = 0.02843, 0.34191, 0.07227
BRIGHT = 0.2126 * RED + 0.7152 * GREEN + 0.0722 * BLUE
WHITE = 6504.0
SCREEN = Device(
    "screen", "backdrop", place=Place(0.0, 0.0, 1.5), size=(4.0, 3.0), reflects=0.3, keys="green"
)


def dyed() -> Colour:
    """X, Y, Z of that sRGB (the matrix of IEC 61966-2-1), as x and y."""
    x = 0.4124 * RED + 0.3576 * GREEN + 0.1805 * BLUE
    z = 0.0193 * RED + 0.1192 * GREEN + 0.9505 * BLUE
    return Colour(x / (x + BRIGHT + z), BRIGHT / (x + BRIGHT + z))


PAINTED = replace(SCREEN, dye=dyed())
GLOWING = replace(SCREEN, glow=40.0, fed_by="plug", feeds=("plug",), reflects=0.0)
FULL = Preset(100.0, WHITE)
PURE_GREEN = Colour(0.30, 0.60)


def corner(*devices: Device, room: Place = FACE, **picture: object) -> SetProfile:
    lens = {"focal": 36.0, "sensor": (36.0, 24.0), "white": WHITE, "daylight": True, **picture}
    camera = replace(CAMERA, place=Place(4.0, 0.0, 1.5, "mark"))
    made = small(PLUG, camera, *devices, picture=Picture(**lens))  # type: ignore[arg-type]
    return replace(made, room=Room(mark=room))


def keyed(profile: SetProfile, **presets: Preset) -> Keying:
    (made,) = light_of(profile, "day", presets).keying
    return made


def point(made: Keying, about: str) -> KeyPoint:
    return next(p for p in made.points if p.about == about)


def test_the_level_is_that_of_the_green_channel_over_a_grey_card() -> None:
    """100 lx on the face, 25 on the screen: 30 % of them, more in green by the dye, over 18 %."""
    made = keyed(corner(LAMP, PAINTED), key=FULL)
    green = 25.0 * 0.30 * GREEN / BRIGHT / (100.0 * 0.18)
    level = point(made, "level")
    assert level.value == pytest.approx(math.log2(green), abs=0.005)
    assert level.verdict == "good"  # 0.84 of a stop under
    assert point(made, "shadow").value == 0
    assert point(made, "cover") == KeyPoint("cover", "good", pytest.approx(1))


def test_its_green_over_its_red_and_blue() -> None:
    """In its own white light what it sends back is its dye: blue is the nearer, 2.2 stops under."""
    made = keyed(corner(LAMP, PAINTED), key=FULL)
    assert point(made, "colour").value == pytest.approx(math.log2(GREEN / BLUE), abs=0.01)
    assert made.foreign is None
    # under light much warmer than the camera is set to, red comes up
    warm = keyed(corner(LAMP, PAINTED), key=Preset(100.0, 2000.0))
    assert point(warm, "colour").value < 2.0


def test_a_lamp_that_is_greener_than_its_white_lights_the_screen_greener() -> None:
    """Duv counts upwards to green (ANSI C78.377): more green against the same red and blue."""
    green, magenta = (
        point(keyed(corner(replace(LAMP, duv=duv), PAINTED), key=FULL), "colour").value
        for duv in (0.02, -0.02)
    )
    assert green is not None and magenta is not None and green > magenta + 0.1


def test_other_light_on_a_screen_that_glows_takes_its_colour_away() -> None:
    """Pure green of 40 cd/m² of white is 28.6 cd/m² bright, 40 in green; a white card of 30 %
    under 25 lx adds 2.39 to each channel."""
    bare = keyed(corner(LAMP, GLOWING), key=FULL, screen=Preset(100.0, None, PURE_GREEN))
    assert point(bare, "colour").value == 10.0  # nothing else there at all
    pale = replace(GLOWING, reflects=0.3)
    made = keyed(corner(LAMP, pale), key=FULL, screen=Preset(100.0, None, PURE_GREEN))
    other = 25.0 * 0.3 / math.pi
    assert point(made, "colour").value == pytest.approx(math.log2((40 + other) / other), abs=0.01)
    assert made.foreign == pytest.approx(other / (40 + other), abs=0.001)
    # and drowned in it, it has to change
    dim = keyed(corner(LAMP, pale), key=FULL, screen=Preset(2.0, None, PURE_GREEN))
    assert point(dim, "colour").verdict == "move"


def test_too_bright_is_no_greener() -> None:
    """Five times a grey card is white: what clips has no colour left."""
    bright = replace(GLOWING, glow=60.0)
    made = keyed(corner(LAMP, bright), key=FULL, screen=Preset(100.0, None, PURE_GREEN))
    level = point(made, "level")
    assert level.value == pytest.approx(math.log2(60.0 / (18.0 / math.pi)), abs=0.01)
    assert (level.verdict, level.why, made.verdict) == ("move", "clipped", "move")
    less = keyed(corner(LAMP, GLOWING), key=FULL, screen=Preset(30.0, None, PURE_GREEN))
    assert point(less, "level").verdict == "clean by hand"  # 12 over 5.73: 1.07 stop


def test_what_it_throws_on_who_sits_before_it() -> None:
    """The screen cut into 400 x 300 little ones, each L cos cos / r² (Lambert): no closed form."""
    lit = Preset(20.0, None, PURE_GREEN)
    made = keyed(corner(LAMP, GLOWING), key=FULL, screen=lit)
    total, step = 0.0, 0.01
    for i in range(400):
        for j in range(300):
            x, z = (i + 0.5) * step - 2.0, (j + 0.5) * step - 1.5
            total += 4.0 / (x * x + z * z + 4.0) ** 2
    back = 8.0 * total * step * step  # 8 cd/m² in green
    assert point(made, "spill").value == pytest.approx(math.log2(back / 100.0), abs=0.01)
    assert point(made, "spill").verdict == "good"
    near = keyed(corner(LAMP, GLOWING, room=Place(0.6, 0.0, 1.5)), key=FULL, screen=lit)
    assert point(near, "spill").value > point(made, "spill").value


def test_its_light_is_held_against_the_key_and_not_the_fill() -> None:
    """A fill from where the key is doubles the light on the face, and not the key."""
    fill = replace(LAMP, name="fill", role="fill", place=Place(4.0, 0.01, 1.5, "mark"))
    lit = {"key": FULL, "screen": Preset(20.0, None, PURE_GREEN)}
    alone = keyed(corner(LAMP, fill, GLOWING), **lit)
    both = keyed(corner(LAMP, fill, GLOWING), fill=FULL, **lit)
    assert point(both, "spill").value == pytest.approx(point(alone, "spill").value)
    assert point(both, "level").value == pytest.approx(point(alone, "level").value - 1, abs=0.01)


def test_white_light_through_a_dyed_cloth() -> None:
    """What it glows with is as bright as its glow says: green by the dye over its brightness."""
    cloth = replace(GLOWING, dye=dyed())
    made = keyed(corner(LAMP, cloth), key=FULL, screen=Preset(10.0, WHITE))
    green = 4.0 * GREEN / BRIGHT / (18.0 / math.pi)
    assert point(made, "level").value == pytest.approx(math.log2(green), abs=0.01)


def test_the_shadow_of_a_key_from_the_side() -> None:
    """From 2 m to the side and 2 m before the face the shadow falls 2 m to the other side on the
    wall: out of a picture 3.9 m wide but for a shoulder, in one of half its sides."""
    side = replace(LAMP, place=Place(4.0, -1.4, 1.5, "mark"))
    wash = replace(
        LAMP, name="wash", role="wash", place=Place(3.0, 0.0, 2.6, "screen"), output=Output(200, 1)
    )
    both = {"key": FULL, "wash": FULL}
    made = keyed(corner(side, wash, PAINTED), **both)
    shadow = point(made, "shadow")
    assert (shadow.light, shadow.verdict != "good") == ("key", True)
    # by hand at the farther of head and shoulders: what the wash leaves there
    alone = keyed(corner(side, PAINTED), key=FULL)
    assert point(alone, "shadow").value == 10.0  # nothing else lights it: black
    long = keyed(corner(side, wash, PAINTED, focal=85.0), **both)
    assert point(long, "shadow").light is None
    dark = keyed(corner(side, wash, PAINTED), key=Preset(5.0, WHITE), wash=FULL)
    assert point(dark, "shadow").verdict == "good"


def test_where_there_is_no_screen() -> None:
    narrow = keyed(corner(LAMP, replace(PAINTED, size=(3.0, 3.0))), key=FULL)
    cover = point(narrow, "cover")
    assert (cover.verdict, narrow.verdict) == ("clean by hand", "clean by hand")
    assert cover.value == pytest.approx(3.0 / (4.0 * (2 - 0.036) / 2), abs=0.01)
    aside = keyed(corner(LAMP, replace(PAINTED, place=Place(0.0, 2.1, 1.5))), key=FULL)
    assert (point(aside, "cover").why, aside.verdict) == ("head beside it", "move")


@pytest.mark.parametrize(
    ("across", "verdict"), [(0.0, "good"), (0.5, "clean by hand"), (3.2, "move")]
)
def test_how_even_it_is_where_the_picture_shows_it(across: float, verdict: str) -> None:
    """A lamp straight before it, and ones from ever farther to the side."""
    lamp = replace(LAMP, name="wash", place=Place(4.0 - across, across, 1.5, "screen"), beam=140.0)
    key = replace(LAMP, output=Output(0.01, 1.0))
    made = keyed(corner(key, lamp, PAINTED, focal=60.0), key=FULL, wash=FULL)
    assert point(made, "evenness").verdict == verdict
    if across == 0.0:
        # at the picture's corner, 1.16 m aside and 0.78 m up: inverse square and cosine, and the
        # lamp's own bell, half at 70 degrees
        x = 4.0 * 36 / 60 * (1 - 0.06 / 2) / 2
        square = 16 + x * x + (x * 24 / 36) ** 2
        cosine = 4 / math.sqrt(square)
        power = math.log(0.5) / math.log(math.cos(math.radians(70)))
        corner_over_middle = 16 / square * cosine ** (1 + power)
        assert point(made, "evenness").value == pytest.approx(
            -math.log2(corner_over_middle), abs=1e-3
        )


def test_lit_in_another_colour_there_is_nothing_to_key() -> None:
    profile = corner(LAMP, GLOWING)
    for preset in (Preset(50.0, WHITE), Preset(50.0, None, Colour(0.16, 0.08))):
        made = keyed(profile, key=FULL, screen=preset)
        assert (made.lit, made.verdict, made.points) == (False, None, ())
    blue = corner(LAMP, replace(GLOWING, keys="blue"))
    made = keyed(blue, key=FULL, screen=Preset(50.0, None, Colour(0.16, 0.08)))
    assert made.lit and made.verdict is not None
    assert light_of(corner(LAMP, replace(GLOWING, keys=None)), "day", {}).keying == ()


def test_what_is_missing_is_said_and_not_judged() -> None:
    for screen, presets, said in (
        (SCREEN, {"key": FULL}, "no dye given for screen"),
        (replace(PAINTED, reflects=None), {"key": FULL}, "no reflectance given for screen"),
        (replace(GLOWING, glow=None), {"screen": Preset(50.0, None, PURE_GREEN)}, "no glow given"),
        (PAINTED, {}, "nothing lights screen in this look"),
        (replace(PAINTED, size=None), {"key": FULL}, "no size or place given for screen"),
    ):
        made = keyed(corner(LAMP, screen), **presets)
        assert any(said in text for text in made.missing), made.missing
    lamp = replace(LAMP, name="lamp", role="practical", output=None)
    made = keyed(corner(LAMP, lamp, PAINTED), key=FULL, lamp=FULL)
    assert "no output given for lamp: left out of the light on screen" in made.missing
    # a face in light as warm as 1000 K has no blue for a blue screen to be held against
    blue = replace(GLOWING, keys="blue")
    made = keyed(
        corner(LAMP, blue), key=Preset(100.0, 1000.0), screen=Preset(50.0, None, Colour(0.15, 0.06))
    )
    assert "no blue on the face: the level of screen is not judged" in made.missing
    # one that is aimed at it would be most of its light
    aimed = replace(lamp, place=Place(3.0, 1.0, 1.5, "screen"))
    made = keyed(corner(LAMP, aimed, PAINTED), key=FULL, lamp=FULL)
    assert "no output given for lamp: the key of screen is not judged" in made.missing
    assert [p.about for p in made.points] == ["cover"]


def test_a_screen_is_not_judged_even_by_a_light_of_which_no_beam_is_given() -> None:
    """Straight ahead its figure says what it gives; nobody knows what it gives to the edges."""
    wash = replace(LAMP, name="wash", role="wash", place=Place(2.0, 0.0, 2.5, "screen"), beam=None)
    made = keyed(corner(LAMP, PAINTED, wash), wash=FULL)
    assert "no beam angle given for wash: the key of screen is not judged" in made.missing
    assert {p.about for p in made.points} == {"cover"}
    # one that is aimed elsewhere is left out, and said
    aside = replace(wash, place=Place(2.0, 0.0, 2.5, "mark"))
    made = keyed(corner(LAMP, PAINTED, aside), key=FULL, wash=FULL)
    assert any("wash: left out of the light on screen" in text for text in made.missing)
    assert {"evenness", "colour"} <= {p.about for p in made.points}
