"""The same light integrated over the faces with numpy: the definition, and nothing cleverer.

A spot of a surface of luminance L and area dA throws L cos(out) cos(in) dA / r2 on a plane
(definition of luminance and illuminance, CIE 17). Gauss-Legendre quadrature over each face. A
lamp's luminance is found from its maker's figure by the same integral at the distance the figure
was measured at. Walls by radiosity (Goral and others 1984, from memory): matt patches that light
each other, solved as one linear system.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from tests.outside.rendered.scenes import Cloth, Panel, Scene, frame

Array = NDArray[np.float64]
NODES = 40


@functools.cache
def _nodes(count: int) -> tuple[Array, Array]:
    at, weight = np.polynomial.legendre.leggauss(count)
    return at / 2.0, weight / 2.0


def face_of(
    centre: Array, right: Array, up: Array, size: tuple[float, float], nodes: int
) -> tuple[Array, Array]:
    """Spots of a rectangle and the area (m2) each stands for."""
    at, weight = _nodes(nodes)
    spots = (
        centre + at[:, None, None] * size[0] * right + at[None, :, None] * size[1] * up
    ).reshape(-1, 3)
    areas = (weight[:, None] * weight[None, :] * size[0] * size[1]).ravel()
    return spots, areas


def on_plane(
    spots: Array, areas: Array, looks: Array, power: float, points: Array, facing: Array
) -> Array:
    """Illuminance at each point, for a luminance of 1 along the axis of every spot."""
    rays = points[:, None, :] - spots[None, :, :]
    far2 = np.einsum("ijk,ijk->ij", rays, rays)
    far = np.sqrt(far2)
    leaves = np.clip(np.einsum("ijk,k->ij", rays, looks) / far, 0.0, None)
    falls = np.clip(
        -np.einsum("ijk,ik->ij", rays, np.broadcast_to(facing, points.shape)) / far, 0, None
    )
    return np.asarray((leaves**power * falls / far2 * areas).sum(axis=1))


def luminance(panel: Panel, nodes: int = NODES) -> float:
    """On its axis at full (cd/m2), so that its maker's figure holds at the maker's distance."""
    spots, areas = face_of(panel.centre, panel.right, panel.up, panel.size, nodes)
    at = panel.centre + panel.at * panel.axis
    one = on_plane(spots, areas, panel.axis, panel.power, at[None], -panel.axis)
    return float(panel.lux / one[0])


def of_panel(panel: Panel, points: Array, facing: Array, nodes: int = NODES) -> Array:
    """What a lamp at its share throws on planes at these points (lx)."""
    if panel.share == 0.0:
        return np.zeros(len(points))
    spots, areas = face_of(panel.centre, panel.right, panel.up, panel.size, nodes)
    one = on_plane(spots, areas, panel.axis, panel.power, points, facing)
    return panel.share * luminance(panel, nodes) * one


def at_mark(scene: Scene, panel: Panel) -> float:
    return float(of_panel(panel, scene.mark[None], scene.facing)[0])


def half_sphere(looks: Array, rings: int = 16) -> Array:
    """Directions spread evenly over half a sphere: rings of equal height have equal area."""
    right, up = frame(looks)
    z = (np.arange(rings) + 0.5) / rings
    turn = (np.arange(4 * rings) + 0.5) / (4 * rings) * 2 * math.pi
    flat = np.sqrt(1 - z**2)[:, None, None]
    round_ = np.cos(turn)[None, :, None] * right + np.sin(turn)[None, :, None] * up
    return np.asarray((flat * round_ + z[:, None, None] * looks).reshape(-1, 3))


OUT = np.array([0.0, 1.0, 0.0])


def spots_of(cloth: Cloth, nodes: int) -> tuple[Array, Array]:
    right, up = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    return face_of(cloth.centre, right, up, cloth.size, nodes)


def on_cloth(scene: Scene, points: Array) -> Array:
    """What all lamps together throw on a backdrop at these points (lx)."""
    total = np.zeros(len(points))
    for panel in scene.panels:
        total += of_panel(panel, points, OUT)
    return total


def shows(scene: Scene, cloth: Cloth, points: Array) -> Array:
    """The luminance (cd/m2) a camera sees there: its own, and what a matt cloth reflects."""
    return cloth.glow + cloth.reflects * on_cloth(scene, points) / math.pi


def spill(scene: Scene, cloth: Cloth, nodes: int = 24) -> float:
    """What a backdrop throws on the subject's back (lx): the other side of the plane at the mark."""
    spots, areas = spots_of(cloth, nodes)
    bright = shows(scene, cloth, spots)
    rays = scene.mark - spots
    far2 = (rays**2).sum(axis=1)
    leaves = np.clip(rays[:, 1], 0.0, None)
    falls = np.clip(rays @ scene.facing, 0.0, None)
    return float((bright * leaves * falls / far2**2 * areas).sum())


def bounced(scene: Scene, reflectance: float, across: int = 10) -> float:
    """What six matt walls add at the mark (lx), by radiosity; no cloth and nothing in the way."""
    wide, deep, high = scene.room
    centres, normals, areas = [], [], []
    steps = (np.arange(across) + 0.5) / across
    low = np.array([-wide / 2, 0.0, 0.0])
    sides = np.array([wide, deep, high])
    for axis in range(3):
        a, b = (i for i in range(3) if i != axis)
        for end, sign in ((0.0, 1.0), (1.0, -1.0)):
            for s in steps:
                for t in steps:
                    at = np.zeros(3)
                    at[axis], at[a], at[b] = end * sides[axis], s * sides[a], t * sides[b]
                    centres.append(low + at)
                    normals.append(sign * np.eye(3)[axis])
                    areas.append(sides[a] * sides[b] / across**2)
    where, looks, size = np.array(centres), np.array(normals), np.array(areas)
    rays = where[None] - where[:, None]
    far2 = np.einsum("ijk,ijk->ij", rays, rays)
    np.fill_diagonal(far2, np.inf)
    leaves = np.clip(np.einsum("ijk,ik->ij", rays, looks), 0, None)
    falls = np.clip(-np.einsum("ijk,jk->ij", rays, looks), 0, None)
    kernel = leaves * falls / (math.pi * far2**2) * size[None]
    # a closed room: all that leaves a patch arrives somewhere (corners are coarse otherwise)
    kernel /= kernel.sum(axis=1, keepdims=True)
    straight = np.zeros(len(where))
    for panel in scene.panels:
        straight += of_panel(panel, where, looks, 12)
    leaving = np.linalg.solve(np.eye(len(where)) - reflectance * kernel, reflectance * straight)
    to_mark = where - scene.mark
    mark2 = (to_mark**2).sum(axis=1)
    arrives = np.clip(to_mark @ scene.facing, 0, None)
    sends = np.clip(-np.einsum("ij,ij->i", to_mark, looks), 0, None)
    return float((leaving * arrives * sends / (math.pi * mark2**2) * size).sum())


def grid_on(cloth: Cloth, across: int, up: int) -> Array:
    """Middles of the cells of a backdrop, rows from its top, each from its left."""
    x = ((np.arange(across) + 0.5) / across - 0.5) * cloth.size[0]
    z = (0.5 - (np.arange(up) + 0.5) / up) * cloth.size[1]
    offsets = np.stack([*np.meshgrid(x, z), np.zeros((up, across))], axis=-1)[..., [0, 2, 1]]
    return np.asarray((cloth.centre + offsets).reshape(-1, 3))


def cell_means(scene: Scene, cloth: Cloth, cells: tuple[int, int], fine: int = 4) -> Array:
    """Mean luminance of each cell of a backdrop, as `pictures.cloth_map` gathers it."""
    wide, high = cells
    points = grid_on(cloth, wide * fine, high * fine)
    bright = shows(scene, cloth, points).reshape(high, fine, wide, fine)
    return np.asarray(bright.mean(axis=(1, 3)))
