"""The light of a set against a renderer of others (Mitsuba 3) and against its integral (numpy).

The long table is `python -m tests.outside.rendered --sets 10`; here are a few rows of it. Seeds are
fixed, so a figure is the same in every run; its own error is known from the spread of its pixels.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from studiobridge.figures import sure
from studiobridge.figures.framing import seen_on
from tests.outside.rendered import held, patches, pictures
from tests.outside.rendered.rooms import examples, look_of, random_set
from tests.outside.rendered.scenes import scene_of, vector

rendered = pytest.mark.skipif(not pictures.here(), reason=pictures.WHY_NOT)
SETS = {**examples(), **{f"random-{s}": random_set(s) for s in (1, 4)}}
# Past the end of any picture (m).
FAR = 60.0


# ---- the witnesses against each other and against what can be worked out by hand ----------------


def test_the_integral_of_a_large_matt_panel_is_the_handbooks() -> None:
    """A disc's light on its axis is pi L r2 / (d2 + r2); a square of the same area is near to it
    from a distance of its side, and the same from afar (configuration factor of a disc, by definition
    of the integral). And a source as wide as the sky gives pi L."""
    panel = scene_of(random_set(1), look_of(random_set(1))).panels[0]
    side = math.sqrt(math.pi) * 0.2
    square = replace(panel, size=(side, side), power=1.0, share=1.0, at=1.0)
    bright = patches.luminance(square)
    for away, near in ((0.4, 0.01), (1.0, 2e-3), (4.0, 2e-4)):
        point = square.centre + away * square.axis
        lux = patches.of_panel(square, point[None], -square.axis)[0]
        assert lux == pytest.approx(math.pi * bright * 0.04 / (away**2 + 0.04), rel=near)
    wide = replace(square, size=(20.0, 20.0))
    assert math.pi * patches.luminance(wide, 160) == pytest.approx(wide.lux, rel=0.02)


@rendered
@pytest.mark.parametrize("power", [1.0, 0.6, 4.0])
@pytest.mark.parametrize("away", [0.4, 2.0])
def test_both_witnesses_see_the_same_panel(power: float, away: float) -> None:
    """Matt, wider and narrower, as near as half its side and far, aslant and off its axis."""
    scene = scene_of(random_set(1), look_of(random_set(1)))
    to = np.array([0.5, 0.8, 0.3]) / math.sqrt(0.98)
    panel = replace(
        scene.panels[0], centre=scene.mark + away * to, power=power, size=(0.7, 0.5), share=1.0
    )
    lit = replace(scene, panels=(panel,), cloths=())
    seen = pictures.illuminance(pictures.shapes(lit), scene.mark, scene.facing)
    assert seen.error < 0.006 * seen.value
    expected = patches.at_mark(lit, panel)
    assert abs(seen.value - expected) < held.ERRORS * seen.error + 0.002 * expected


@rendered
def test_both_witnesses_see_the_same_walls() -> None:
    """A shut room of 50 % grey: paths traced, and radiosity of 600 patches. Small lamps, whose
    bodies throw no shadow worth a name."""
    profile = SETS["mending-table"]
    bare = replace(scene_of(profile, look_of(profile)), cloths=())
    more, walls = pictures.bounced(bare, 0.5, pixels=60), patches.bounced(bare, 0.5)
    assert more.error < 0.02 * walls
    assert abs(more.value - walls) < held.ERRORS * more.error + 0.02 * walls


# ---- the house ---------------------------------------------------------------------------------

GREY = (0.5, 0.5, 0.5)
WHITE_ROOM = (0.8, 0.85, 0.3)  # walls, ceiling, floor: painted white, on boards. Common practice.


@rendered
@pytest.mark.parametrize("room", [GREY, WHITE_ROOM])
def test_walls_add_no_more_than_is_said(room: tuple[float, float, float]) -> None:
    profile = SETS["mending-table"]
    scene = scene_of(profile, look_of(profile))
    straight = sum(patches.at_mark(scene, panel) for panel in scene.panels)
    more = pictures.bounced(scene, room, pixels=60)
    assert math.log2(1.0 + (more.value - 2.0 * more.error) / straight) <= sure.BOUNCE


@rendered
@pytest.mark.parametrize("name", SETS)
def test_a_light_at_the_mark_is_what_is_rendered(name: str) -> None:
    """Each alone at full, where it stands, at 0.4 m and at 3 m: within 3 %."""
    beyond = [row for row in held.at_mark(SETS[name], name) if not row.holds]
    assert not beyond, said(beyond)


@rendered
@pytest.mark.parametrize("name", [n for n, p in SETS.items() if scene_of(p, look_of(p)).cloths])
def test_a_backdrop_is_what_is_rendered(name: str) -> None:
    """What it shows within 0.1 stop all over, and what it throws on the subject's back."""
    beyond = [row for row in held.on_cloths(SETS[name], name) if not row.holds]
    assert not beyond, said(beyond)


def said(rows: list[held.Row]) -> str:
    return "\n".join(f"{r.where}: {r.what} {r.house:.4g}, is {r.patches:.4g}" for r in rows)


@rendered
@pytest.mark.parametrize(("seed", "aspect"), [(0, None), (3, 9 / 16), (5, 2.0)])
def test_the_picture_shows_the_backdrop_as_rendered(seed: int, aspect: float | None) -> None:
    """A white cloth in a black room, through the profile's lens: cameras off the middle, high,
    aimed down. Beside it, what lies beyond each of its edges."""
    profile = random_set(seed)
    profile = replace(profile, picture=replace(profile.picture, aspect=aspect))
    cloth = profile.devices["cloth"]
    assert cloth.place is not None and cloth.size is not None
    seen = seen_on(profile, cloth)
    assert seen is not None
    centre = vector(cloth.place)
    assert seen.covered == pytest.approx(pictures.share_seen(profile, centre, cloth.size), abs=1e-3)
    wide, high = cloth.size
    beside = {
        "left": ([-(wide + FAR) / 2, 0, 0], (FAR, 2 * FAR)),
        "right": ([(wide + FAR) / 2, 0, 0], (FAR, 2 * FAR)),
        "top": ([0, 0, (high + FAR) / 2], (2 * FAR, FAR)),
        "bottom": ([0, 0, -(high + FAR) / 2], (2 * FAR, FAR)),
    }
    lacks = {lack.edge: lack.share for lack in seen.lacks}
    for edge, (off, size) in beside.items():
        share = pictures.share_seen(profile, centre + np.array(off), size)
        assert lacks.get(edge, 0.0) == pytest.approx(share, abs=1e-3), edge  # type: ignore[call-overload]
