"""A set's figures beside the witness: each row a figure of the house, integrated and rendered."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from studiobridge.figures.backdrops import Backdrop
from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of
from studiobridge.profile.model import Place, SetProfile
from tests.outside.rendered import patches, pictures
from tests.outside.rendered.patches import Array
from tests.outside.rendered.pictures import Seen
from tests.outside.rendered.rooms import look_of
from tests.outside.rendered.scenes import UP, Cloth, Panel, Scene, scene_of, vector

# Part by which a light at the mark may differ from the witness.
AT_MARK = 0.03
# Part by which the backdrop's light on the subject's back may.
SPILLED = 0.03
# Stops by which a spot of a backdrop may.
ON_CLOTH = 0.1
# So many standard errors of a rendered figure are granted to it on top: one in 15,000 is beyond.
ERRORS = 4.0
# What the two witnesses may differ by beyond noise: the grids both are laid on.
AGREED = 0.005
NEAR, FAR = 0.4, 3.0
# A backdrop is gathered into so many cells, across and up; twice as fine for what it throws.
CELLS = (8, 8)
# A lamp that all but stands behind the plane: this part of what it throws straight is nothing.
GRAZING = 0.003


@dataclass(frozen=True)
class Row:
    """One figure, three times. `rendered` is None where only the integral was asked.

    `nothing` is what is too little to matter: both below it are the same.
    """

    where: str
    what: str
    house: float
    patches: float
    rendered: Seen | None
    bound: float
    nothing: float = 0.0

    @property
    def off(self) -> float:
        """The house against the integral, as a part of it."""
        if max(self.house, self.patches) <= self.nothing:
            return 0.0
        return self.house / self.patches - 1.0 if self.patches else math.inf

    @property
    def off_in_words(self) -> str:
        return f"{self.off:+.2%}"

    @property
    def bound_in_words(self) -> str:
        return f"{self.bound:.0%}"

    @property
    def witnesses_off(self) -> float:
        """The two witnesses against each other."""
        if self.rendered is None or not self.patches:
            return 0.0
        return self.rendered.value / self.patches - 1.0

    @property
    def noise(self) -> float:
        """The rendered figure's own error, as a part of the figure."""
        if self.rendered is None or not self.patches:
            return 0.0
        return ERRORS * self.rendered.error / self.patches

    @property
    def holds(self) -> bool:
        """Within bounds of both witnesses, which are within noise of each other."""
        if self.rendered is not None:
            apart = abs(self.rendered.value - self.patches)
            if apart > max(self.nothing, (self.noise + AGREED) * self.patches):
                return False
        return abs(self.off) <= self.bound or abs(self.house - self.patches) <= self.nothing


def moved_to(profile: SetProfile, name: str, distance: float) -> SetProfile:
    """The same set with one light nearer to the mark it is aimed at, or farther, on its own line."""
    device, mark = profile.devices[name], profile.room.mark
    assert device.place is not None and mark is not None
    to = vector(device.place) - vector(mark)
    x, y, z = vector(mark) + to * (distance / np.linalg.norm(to))
    place = Place(float(y), float(x), float(z), device.place.aim)
    devices = {**profile.devices, name: replace(device, place=place)}
    return replace(profile, devices=devices)


def at_mark(profile: SetProfile, where: str, render: bool = True) -> Iterator[Row]:
    """Each light alone and at full, where it stands, near and far."""
    scene = scene_of(profile, look_of(profile))
    for panel in scene.panels:
        yield _one(profile, panel, f"{where} {panel.name}", render)
        yield _turned(profile, panel, f"{where} {panel.name}", render)
        place = profile.devices[panel.name].place
        if place is None or place.aim != "mark":
            continue
        if (scene.mark - panel.centre) @ scene.facing > 0:
            continue  # from behind it stays dark, near and far
        for distance in (NEAR, FAR):
            other = moved_to(profile, panel.name, distance)
            alone = scene_of(other, look_of(other))
            again = next(p for p in alone.panels if p.name == panel.name)
            yield _one(other, again, f"{where} {panel.name} at {distance:g} m", render)


def _one(profile: SetProfile, panel: Panel, where: str, render: bool) -> Row:
    scene = scene_of(profile, look_of(profile)).only(panel.name)
    ray = Face(profile).rays.get(panel.name)
    lit = scene.panels[0]
    seen = None
    if render:
        seen = pictures.illuminance(pictures.shapes(scene), scene.mark, scene.facing)
    house = ray.at_full if ray is not None else math.nan
    away = scene.mark - lit.centre
    straight = float(patches.of_panel(lit, scene.mark[None], -away / np.linalg.norm(away))[0])
    integral = patches.at_mark(scene, lit)
    return Row(where, "lx at the mark", house, integral, seen, AT_MARK, GRAZING * straight)


def _turned(profile: SetProfile, panel: Panel, where: str, render: bool) -> Row:
    """The same on a cheek: a plane that is level with the mark's and stands across it, towards the
    lamp. A lamp behind the face is as much to a side as one before it."""
    scene = scene_of(profile, look_of(profile)).only(panel.name)
    lit, ray = scene.panels[0], Face(profile).rays.get(panel.name)
    aside = np.cross(scene.facing, UP)
    aside /= np.linalg.norm(aside)
    if (lit.centre - scene.mark) @ aside < 0:
        aside = -aside
    seen = None
    if render:
        seen = pictures.illuminance(pictures.shapes(scene), scene.mark, aside)
    away = lit.centre - scene.mark
    straight = float(patches.of_panel(lit, scene.mark[None], away / np.linalg.norm(away))[0])
    integral = float(patches.of_panel(lit, scene.mark[None], aside)[0])
    house = ray.cheek if ray is not None and ray.cheek is not None else math.nan
    return Row(where, "lx on the cheek", house, integral, seen, AT_MARK, GRAZING * straight)


def on_cloths(profile: SetProfile, where: str, render: bool = True) -> Iterator[Row]:
    """What each backdrop shows all over, and what it throws on the subject's back."""
    scene = scene_of(profile, look_of(profile))
    reading = light_of(profile, None, look_of(profile))
    for cloth in scene.cloths:
        preset = look_of(profile).get(cloth.name)
        if preset is not None and preset.colour is not None:
            continue  # how bright it is in a colour nobody gave
        name = f"{where} {cloth.name}"
        house = next(b for b in reading.backdrops if b.device == cloth.name)
        integral = patches.spill(scene, cloth)
        seen = None
        if render:
            fine = pictures.cloth_lamp_by_lamp(scene, cloth, (2 * CELLS[0], 2 * CELLS[1]), 4)
            seen = pictures.spill(scene, cloth, fine)
            shows = fine.reshape(CELLS[1], 2, CELLS[0], 2).mean(axis=(1, 3))
            yield _witnesses(scene, cloth, shows, name)
        yield _worst_spot(scene, cloth, house, name)
        yield Row(name, "lx on the back", house.spill or 0.0, integral, seen, SPILLED)


def _worst_spot(scene: Scene, cloth: Cloth, house: Backdrop, where: str) -> Row:
    """Where on its grid the house is the farthest from the integral."""
    assert house.field is not None
    places = np.array([[s.across, 0.0, s.up] for s in house.field]) + cloth.centre
    shows = patches.shows(scene, cloth, places)
    said = np.array([math.nan if s.luminance is None else s.luminance for s in house.field])
    worst = int(np.argmax(np.abs(np.log(said / shows))))
    spot = house.field[worst]
    what = "cd/m2 shown, the farthest spot"
    where = f"{where} {spot.across:+.2f} {spot.up:+.2f}"
    return Row(where, what, float(said[worst]), float(shows[worst]), None, 2.0**ON_CLOTH - 1.0)


def _witnesses(scene: Scene, cloth: Cloth, shows: Array, where: str) -> Row:
    """The two witnesses beside each other, cell by cell: the worst of them."""
    means = patches.cell_means(scene, cloth, CELLS)
    worst = np.unravel_index(int(np.argmax(np.abs(np.log(shows / means)))), means.shape)
    what = "cd/m2 shown, rendered as the house"
    return Row(
        where, what, float(shows[worst]), float(means[worst]), None, 2.0 ** (ON_CLOTH / 2) - 1.0
    )


def rows(profile: SetProfile, where: str, render: bool = True) -> Iterator[Row]:
    yield from at_mark(profile, where, render)
    yield from on_cloths(profile, where, render)
