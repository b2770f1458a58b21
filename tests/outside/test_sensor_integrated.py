"""What a light sensor in the room gets of each lamp and of a lit cloth, integrated with numpy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studiobridge.figures.face import Face
from studiobridge.profile.model import Device, Place, SetProfile
from tests.outside.rendered import patches
from tests.outside.rendered.rooms import look_of, random_set
from tests.outside.rendered.scenes import Panel, Vector, scene_of, unit, vector


def with_sensor(seed: int, dome: bool) -> tuple[SetProfile, Device]:
    """Beside the subject and a little before it, looking at the camera or at the cloth."""
    profile = random_set(seed)
    mark = profile.room.mark
    assert mark is not None
    place = Place(mark.from_back + 0.2, mark.across + 0.3, mark.height - 0.2)
    aim = "camera" if seed % 2 else "cloth"
    cell = Device(
        "cell",
        "sensor",
        hears=frozenset({"lux"}),
        place=replace(place, aim=aim),
        receptor="dome" if dome else "flat",
    )
    return replace(profile, devices={**profile.devices, "cell": cell}), cell


def gets(
    spots: Vector, areas: Vector, looks: Vector, power: float, here: Vector, way: Vector
) -> float:
    return float(patches.on_plane(spots, areas, looks, power, here[None], way)[0])


@pytest.mark.parametrize("dome", [False, True])
@pytest.mark.parametrize("seed", [2, 3, 5, 6])
def test_a_sensor_gets_what_is_integrated(seed: int, dome: bool) -> None:
    profile, cell = with_sensor(seed, dome)
    scene = scene_of(profile, look_of(profile))
    assert cell.place is not None and cell.place.aim is not None
    target = profile.devices[cell.place.aim].place
    assert target is not None
    here, face = vector(cell.place), Face(profile, sensor=cell)
    looks = unit(vector(target) - here)
    ways = patches.half_sphere(looks, 10) if dome else looks[None]
    times = 2.0 if dome else 1.0

    def read(spots: Vector, areas: Vector, ahead: Vector, power: float) -> float:
        each = [gets(spots, areas, ahead, power, here, way) for way in ways]
        return times * float(np.mean(each))

    lit = 0
    for panel in (replace(p, share=1.0) for p in scene.panels):
        spots, areas = _face(panel)
        expected = patches.luminance(panel) * read(spots, areas, panel.axis, panel.power)
        straight = patches.of_panel(panel, here[None], unit(panel.centre - here))[0]
        assert face.rays[panel.name].at_full == pytest.approx(
            expected, rel=0.02, abs=0.003 * straight
        ), panel.name
        lit += expected > 0
    assert lit > 1
    cloth = profile.devices["cloth"]
    if cloth.glow is not None:
        spots, areas = patches.spots_of(scene.cloths[0], 24)
        expected = cloth.glow * read(spots, areas, patches.OUT, 1.0)
        assert face.rays["cloth"].at_full == pytest.approx(expected, rel=0.02, abs=0.1)


def _face(panel: Panel) -> tuple[Vector, Vector]:
    return patches.face_of(panel.centre, panel.right, panel.up, panel.size, 16)
