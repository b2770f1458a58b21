"""Depth of field and the presenter's shadow against a renderer of others (Mitsuba 3)."""

from __future__ import annotations

import numpy as np
import pytest

from studiobridge.craft import lens
from studiobridge.figures.shadow import HEAD, Shadow, shadow_of
from tests.outside.rendered import pictures
from tests.outside.rendered.rooms import look_of, random_set
from tests.outside.rendered.scenes import Panel, Scene, Vector, scene_of

pytestmark = pytest.mark.skipif(not pictures.here(), reason=pictures.WHY_NOT)


@pytest.mark.parametrize(
    ("focal", "aperture", "focus", "distance"),
    [(50.0, 2.8, 2.0, 1.2), (50.0, 2.8, 2.0, 4.0), (85.0, 1.8, 1.5, 2.0), (24.0, 2.8, 1.0, 0.5)],
)
def test_a_point_out_of_focus_is_spread_as_rendered(
    focal: float, aperture: float, focus: float, distance: float
) -> None:
    """Rays through the whole opening of a thin lens, not its formula."""
    spot = pictures.spot(focal, aperture, focus, distance)
    assert lens.blur(focal, aperture, focus, distance) == pytest.approx(spot, rel=0.01)


def by_the_key(seed: int) -> tuple[Scene, Panel, Shadow, Vector]:
    profile = random_set(seed)
    scene = scene_of(profile, look_of(profile))
    key = next(p for p in scene.panels if p.name == "key")
    said = shadow_of(profile, profile.devices["key"], profile.devices["cloth"])
    assert said is not None
    return scene, key, said, scene.cloths[0].centre


@pytest.mark.parametrize("seed", [4, 6, 9, 11])
def test_the_heads_shadow_falls_where_it_is_rendered(seed: int) -> None:
    """A cut-out of the head, and a ball as large as one: the darkest part lies within 5 cm, and half
    of the soft edge, of the middle that is said. The ball's is a neck higher."""
    scene, key, said, cloth = by_the_key(seed)
    left, bottom, right, top = said.head
    middle = np.array([(left + right) / 2, (bottom + top) / 2])
    assert said.soft is not None
    granted = 0.05 + np.array(said.soft) / 2
    grows = (right - left) / (HEAD[2] - HEAD[0])
    hung = float(cloth[1])
    _, dark, _ = pictures.shadow(scene, key, hung, {"head": pictures.board(*HEAD, scene.mark)})
    assert (np.abs((dark - cloth)[[0, 2]] - middle) < granted).all()
    _, dark, _ = pictures.shadow(scene, key, hung, {"head": pictures.ball(scene.mark, 0.1)})
    ball = middle - np.array([0.0, grows * (HEAD[1] + HEAD[3]) / 2])
    assert (np.abs((dark - cloth)[[0, 2]] - ball) < granted).all()


def edges(scene: Scene, panel: Panel, hung: float) -> Vector:
    """How far apart the corners of a lit face throw the same point of the presenter (m)."""
    thrown = []
    for s in (-0.5, 0.5):
        for t in (-0.5, 0.5):
            corner = panel.centre + s * panel.size[0] * panel.right + t * panel.size[1] * panel.up
            by = (scene.mark[1] - hung) / (corner[1] - scene.mark[1])
            thrown.append(scene.mark + by * (scene.mark - corner))
    return np.asarray(np.ptp(np.array(thrown), axis=0)[[0, 2]])


@pytest.mark.parametrize("seed", [9, 10, 11])
def test_the_soft_edge_is_as_wide_as_the_face_throws_it(seed: int) -> None:
    """Lines from the four corners of the face past one point, to the backdrop."""
    scene, key, said, cloth = by_the_key(seed)
    assert said.soft == pytest.approx(edges(scene, key, float(cloth[1])), rel=0.1)


@pytest.mark.parametrize("seed", [10, 11])
def test_a_shadow_that_is_dark_at_its_core_is_dark_when_rendered(seed: int) -> None:
    scene, key, said, cloth = by_the_key(seed)
    head = {"head": pictures.board(*HEAD, scene.mark)}
    _, _, left = pictures.shadow(scene, key, float(cloth[1]), head)
    assert said.core is (left < 0.05)
