"""The same light rendered by Mitsuba 3, a physical renderer of others, variant scalar_rgb.

A lamp is a rectangle of luminance L cos(out) ** (power - 1); an illuminance is what a small matt
target reflects into a camera straight before it: E = pi L / rho (Lambert). Every figure comes
with its own standard error, from the spread of the pixels that saw the same thing.
"""

from __future__ import annotations

import importlib.util
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import SetProfile
from tests.outside.rendered import patches
from tests.outside.rendered.scenes import (
    Cloth,
    Panel,
    Scene,
    Vector,
    frame,
    the_camera,
    unit,
    vector,
)

Array = NDArray[np.float64]
WHY_NOT = "Mitsuba 3 is not installed here (no wheel for this machine on the package index)"
TARGET = 0.01  # m: small against every distance here
WHITE = 0.8


def here() -> bool:
    return importlib.util.find_spec("mitsuba") is not None


@dataclass(frozen=True)
class Seen:
    """A rendered figure and its standard error, in its own unit."""

    value: float
    error: float


_ready: Any = None


def _mitsuba() -> Any:
    global _ready
    if _ready is None:
        import drjit
        import mitsuba

        mitsuba.set_variant("scalar_rgb")
        drjit.set_thread_count(1)
        _register(mitsuba, drjit)
        _ready = mitsuba
    return _ready


def _register(mi: Any, dr: Any) -> None:
    """An area light narrower or wider than a matt one, which Mitsuba does not bring itself."""

    class Beam(mi.Emitter):  # type: ignore[misc]
        def __init__(self, props: Any) -> None:
            mi.Emitter.__init__(self, props)
            self.luminance = props.get("luminance", 1.0)
            self.power = props.get("power", 1.0)
            self.m_flags = mi.EmitterFlags.Surface | mi.EmitterFlags.SpatiallyVarying

        def _leaves(self, cosine: Any) -> Any:
            if cosine <= 0.0:
                return mi.Spectrum(0.0)
            return mi.Spectrum(self.luminance * cosine ** (self.power - 1.0))

        def eval(self, si: Any, active: bool = True) -> Any:
            return self._leaves(mi.Frame3f.cos_theta(si.wi))

        def sample_direction(self, it: Any, sample: Any, active: bool = True) -> Any:
            found = self.get_shape().sample_direction(it, sample, active)
            found.emitter = self
            if found.pdf <= 0.0:
                return found, mi.Spectrum(0.0)
            return found, self._leaves(-dr.dot(found.n, found.d)) / found.pdf

        def pdf_direction(self, it: Any, ds: Any, active: bool = True) -> Any:
            if dr.dot(ds.n, ds.d) >= 0.0:
                return 0.0
            return self.get_shape().pdf_direction(it, ds, active)

        def eval_direction(self, it: Any, ds: Any, active: bool = True) -> Any:
            return self._leaves(-dr.dot(ds.n, ds.d))

        def traverse(self, callback: Any) -> None:
            pass

        def to_string(self) -> str:
            return "Beam[]"

    mi.register_emitter("beam", lambda props: Beam(props))


def turned(of: Vector) -> list[float]:
    """Into the renderer's right-handed world: across runs the other way there."""
    return [-float(of[0]), float(of[1]), float(of[2])]


def _matt(reflectance: float) -> dict[str, Any]:
    return {"type": "diffuse", "reflectance": {"type": "rgb", "value": reflectance}}


def rectangle(centre: Vector, looks: Vector, size: tuple[float, float]) -> dict[str, Any]:
    """A rectangle that looks along `looks`, its width level."""
    mi = _mitsuba()
    t = mi.ScalarTransform4f
    _, up = frame(looks)
    at = t().look_at(origin=turned(centre), target=turned(centre + looks), up=turned(up))
    # Mitsuba's rectangle is 2 x 2 and looks along its +z
    return {
        "type": "rectangle",
        "to_world": at @ t().scale([size[0] / 2.0, size[1] / 2.0, 1.0]),
    }


def lamp(panel: Panel) -> dict[str, Any]:
    bright = panel.share * patches.luminance(panel)
    if abs(panel.power - 1.0) < 1e-9:
        light: dict[str, Any] = {"type": "area", "radiance": {"type": "rgb", "value": bright}}
    else:
        light = {"type": "beam", "luminance": bright, "power": panel.power}
    shape = rectangle(panel.centre, panel.axis, panel.size)
    return {**shape, "emitter": light, "bsdf": _matt(0.0)}


def cloth_of(cloth: Cloth) -> dict[str, Any]:
    shape = rectangle(cloth.centre, patches.OUT, cloth.size)
    shape["bsdf"] = _matt(cloth.reflects)
    if cloth.glow > 0:
        shape["emitter"] = {"type": "area", "radiance": {"type": "rgb", "value": cloth.glow}}
    return shape


def walls(scene: Scene, reflectance: float | tuple[float, float, float]) -> dict[str, Any]:
    """The six sides of the room, matt, looking in: one grey, or that of walls, ceiling and floor."""
    wide, deep, high = scene.room
    upright, above, below = (
        reflectance if isinstance(reflectance, tuple) else (reflectance, reflectance, reflectance)
    )
    found = {}
    for axis, side in enumerate((wide, deep, high)):
        for end in (0, 1):
            centre = np.array([0.0, deep / 2, high / 2])
            looks = np.zeros(3)
            looks[axis] = 1.0 if end == 0 else -1.0
            centre[axis] = (0.0 if axis else -wide / 2) + side * end
            # a level face is as wide as the room and as long as it is deep
            size = ((deep, high), (wide, high), (wide, deep))[axis]
            grey = upright if axis < 2 else (below, above)[end]
            found[f"wall-{axis}-{end}"] = {**rectangle(centre, looks, size), "bsdf": _matt(grey)}
    return found


def shapes(scene: Scene) -> dict[str, Any]:
    found = {f"lamp-{p.name}": lamp(p) for p in scene.panels if p.share > 0}
    found.update({f"cloth-{c.name}": cloth_of(c) for c in scene.cloths})
    return found


def render(
    things: dict[str, Any],
    sensor: dict[str, Any],
    depth: int,
    samples: int,
    side: tuple[int, int],
    seed: int,
) -> Array:
    """Luminance picture, one row a line; depth 1 is what glows, 2 is lit once, and so on."""
    mi = _mitsuba()
    film = {
        "type": "hdrfilm",
        "width": side[0],
        "height": side[1],
        "rfilter": {"type": "box"},
        "pixel_format": "rgb",
        "component_format": "float32",
    }
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "path", "max_depth": depth, "rr_depth": 12},
            "sensor": {
                **sensor,
                "film": film,
                "sampler": {"type": "multijitter", "sample_count": samples},
            },
            **things,
        },
        parallel=False,
    )
    return np.array(mi.render(scene, seed=seed), dtype=float)[..., 1]


def _target_picture(
    things: dict[str, Any],
    point: Vector,
    facing: Vector,
    depth: int,
    samples: int,
    seed: int,
    pixels: int,
) -> Array:
    """Illuminance (lx) on a plane at a point, pixel by pixel: each saw the same small target."""
    mi = _mitsuba()
    _, up = frame(facing)
    target = {**rectangle(point, facing, (TARGET, TARGET)), "bsdf": _matt(WHITE)}
    sensor = {
        "type": "perspective",
        "fov": math.degrees(math.atan(TARGET / 4 / 0.05)),
        "near_clip": 1e-3,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=turned(point + 0.05 * facing), target=turned(point), up=turned(up)
        ),
    }
    seen = render({**things, "target": target}, sensor, depth, samples, (pixels, pixels), seed)
    return seen * math.pi / WHITE


def illuminance(
    things: dict[str, Any],
    point: Vector,
    facing: Vector,
    *,
    depth: int = 2,
    samples: int = 16,
    seed: int = 1,
    pixels: int = 16,
) -> Seen:
    """On a plane at a point (lx): a small matt target there, seen straight on from 5 cm."""
    lux = _target_picture(things, point, facing, depth, samples, seed, pixels)
    return Seen(float(lux.mean()), float(lux.std(ddof=1) / math.sqrt(lux.size)))


def cloth_map(
    things: dict[str, Any], cloth: Cloth, cells: tuple[int, int], samples: int, seed: int = 1
) -> Array:
    """Mean luminance of each cell of a backdrop, rows from its top, columns from its left.

    By a camera without perspective, a centimetre before the cloth: no lamp is in its way.
    """
    mi = _mitsuba()
    t = mi.ScalarTransform4f
    at = cloth.centre + 0.01 * patches.OUT
    sensor = {
        "type": "orthographic",
        "near_clip": 1e-3,
        "to_world": t().look_at(origin=turned(at), target=turned(cloth.centre), up=[0, 0, 1])
        @ t().scale([cloth.size[0] / 2.0, cloth.size[1] / 2.0, 1.0]),
    }
    # the film is square and the cloth is stretched to it; its pixels are gathered into the cells
    wide, high = cells
    fine = 48 // max(cells)
    picture = render(things, sensor, 2, samples, (fine * max(cells),) * 2, seed)
    bands = np.array_split(picture, high, axis=0)
    return np.array([[c.mean() for c in np.array_split(b, wide, axis=1)] for b in bands])


def bounced(
    scene: Scene,
    reflectance: float | tuple[float, float, float],
    *,
    pixels: int = 80,
    seed: int = 1,
) -> Seen:
    """What the walls add at the mark (lx): all paths less those lit straight.

    One sample a pixel and the same seed twice: the straight part is the very same then and drops
    out, noise and all. Cloths hang in the room as they are; lamps are black where they do not glow.
    """
    lit = [p for p in scene.panels if p.share > 0]
    found = []
    for panel in lit:
        # one lamp at a time: of several the renderer's order is its own, and another each time
        dark = {
            f"body-{p.name}": {**rectangle(p.centre, p.axis, p.size), "bsdf": _matt(0.0)}
            for p in lit
            if p is not panel
        }
        things = {**shapes(replace(scene, panels=(panel,))), **dark, **walls(scene, reflectance)}
        whole, straight = (
            _target_picture(things, scene.mark, scene.facing, depth, 1, seed, pixels)
            for depth in (40, 2)
        )
        more = whole - straight
        found.append((float(more.mean()), float(more.std(ddof=1) / math.sqrt(more.size))))
    return Seen(sum(value for value, _ in found), math.hypot(*(error for _, error in found)))


def pinhole(profile: SetProfile) -> dict[str, Any]:
    """The profile's camera, lens focused at the mark, its picture cut to the aspect asked for.

    By the thin lens equation the sensor stands f u / (u - f) behind the lens, where u is how far
    before the lens the mark's plane is (any book of optics).
    """
    mi = _mitsuba()
    picture, mark = profile.picture, profile.room.mark
    camera = the_camera(profile)
    assert camera and camera.place and picture.focal and picture.sensor and mark
    place = camera.place
    here, looks = vector(place), np.array([0.0, -1.0, 0.0])
    if place.aim is not None:
        aim = mark if place.aim == "mark" else profile.devices[place.aim].place
        assert aim is not None
        looks = unit(vector(aim) - here)
    before = float((vector(mark) - here) @ looks) * 1000.0
    sensor_at = picture.focal * before / (before - picture.focal)
    wide, high = picture.sensor
    if picture.aspect is not None:
        wide, high = min(wide, high * picture.aspect), min(high, wide / picture.aspect)
    return {
        "type": "perspective",
        "fov": math.degrees(2.0 * math.atan(wide / 2.0 / sensor_at)),
        "fov_axis": "x",
        "near_clip": 1e-3,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=turned(here), target=turned(here + looks), up=[0, 0, 1]
        ),
        "side": (columns := round(300 * math.sqrt(wide / high)), round(columns * high / wide)),
    }


def share_seen(profile: SetProfile, centre: Vector, size: tuple[float, float]) -> float:
    """Which part of the picture a glowing rectangle in the plane of a backdrop takes (0-1).

    Good to about the rectangle's edge in pixels times a pixel's area, over its samples: 1e-3.
    """
    sensor = pinhole(profile)
    side = sensor.pop("side")
    glow = {"type": "area", "radiance": {"type": "rgb", "value": 1.0}}
    board = {**rectangle(centre, patches.OUT, size), "emitter": glow, "bsdf": _matt(0.0)}
    return float(render({"board": board}, sensor, 1, 4, side, 1).mean())


def cloth_lamp_by_lamp(
    scene: Scene, cloth: Cloth, cells: tuple[int, int], samples: int, seed: int = 1
) -> Array:
    """What a backdrop shows, each lamp rendered alone: none stands in another's light."""
    total = np.full((cells[1], cells[0]), cloth.glow)
    dark = replace(cloth, glow=0.0)
    for panel in scene.panels:
        if panel.share > 0:
            alone = replace(scene, panels=(panel,), cloths=(dark,))
            total += cloth_map(shapes(alone), dark, cells, samples, seed)
    return total


def spill(scene: Scene, cloth: Cloth, shows: Array) -> Seen:
    """What a backdrop that shows these luminances throws on the back of who is at the mark (lx)."""
    mi = _mitsuba()
    # rows of the renderer run up its rectangle
    colours = np.repeat(shows[::-1, :, None], 3, axis=2).astype(np.float32)
    glow = {
        "type": "area",
        "radiance": {
            "type": "bitmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(colours)),
            "filter_type": "nearest",
            "raw": True,
        },
    }
    board = {**rectangle(cloth.centre, patches.OUT, cloth.size), "emitter": glow, "bsdf": _matt(0)}
    return illuminance({"board": board}, scene.mark, -scene.facing, pixels=24)


def spot(focal: float, aperture: float, focus: float, distance: float) -> float:
    """Across how much of the sensor (mm) a lens with an opening spreads a point on its axis.

    Mitsuba's thin lens looks at the edge of a glowing half plane. How fast the edge goes from dark to
    bright is the spot summed along it, and the spread (variance) of that is D2 / 16 for a disc.
    """
    mi = _mitsuba()
    sensor_at = focal * focus * 1000.0 / (focus * 1000.0 - focal)
    wide, columns = 3.0, 150
    sensor = {
        "type": "thinlens",
        "fov": math.degrees(2.0 * math.atan(wide / 2.0 / sensor_at)),
        "fov_axis": "x",
        "aperture_radius": focal / aperture / 2000.0,
        "focus_distance": focus,
        "near_clip": 1e-3,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=[0, 0, 0], target=[0, 1, 0], up=[0, 0, 1]
        ),
    }
    glow = {"type": "area", "radiance": {"type": "rgb", "value": 1.0}}
    here, looks = np.array([5.0, distance, 0.0]), np.array([0.0, -1.0, 0.0])
    half = {**rectangle(here, looks, (10.0, 10.0)), "emitter": glow, "bsdf": _matt(0.0)}
    picture = render({"half": half}, sensor, 1, 64, (columns, 40), 1)
    edge = np.abs(np.diff(picture.mean(axis=0)))
    edge[edge < 1e-3 * edge.max()] = 0.0
    at = np.arange(len(edge)) * wide / columns
    middle = (edge * at).sum() / edge.sum()
    spread = float((edge * (at - middle) ** 2).sum() / edge.sum())
    # a pixel gathers over its width, and the difference of two does so again: each adds a twelfth
    pixel = wide / columns
    return 4.0 * math.sqrt(spread - pixel * pixel / 6.0)


def shadow(
    scene: Scene, panel: Panel, hung: float, things: dict[str, Any], side: float = 3.0
) -> tuple[Vector, Vector, float]:
    """The shadow that things at the mark throw by one lamp on a large wall `hung` m from the back.

    Its middle, by how much light is missing where, and its darkest part, in the room (m); and which
    part of the light (0-1) is left in that.
    """
    cells = 40
    to = (scene.mark[1] - hung) / (panel.centre[1] - scene.mark[1])
    middle = scene.mark + to * (scene.mark - panel.centre)
    white = Cloth("wall", middle, (side, side), 0.0, WHITE)
    # where a shadow falls is no matter of the beam, and a matt face is the renderer's own
    matt = replace(panel, share=1.0, power=1.0)
    bare = shapes(replace(scene, panels=(matt,), cloths=(white,)))
    lit = cloth_map(bare, white, (cells, cells), 36)
    cut = cloth_map({**bare, **things}, white, (cells, cells), 36)
    left = np.where(lit > 1e-3 * lit.max(), cut / np.maximum(lit, 1e-9), 1.0).ravel()
    points = patches.grid_on(white, cells, cells)
    missing = np.clip(1.0 - left, 0.0, 1.0) * (left < 0.95)
    darkest = left < left.min() + 0.1
    return (
        np.average(points, axis=0, weights=missing),
        points[darkest].mean(axis=0),
        float(left.min()),
    )


def board(left: float, bottom: float, right: float, top: float, middle: Vector) -> dict[str, Any]:
    """A black cut-out across the room, its sides (m) from a point."""
    centre = middle + np.array([(left + right) / 2.0, 0.0, (bottom + top) / 2.0])
    shape = rectangle(centre, patches.OUT, (right - left, top - bottom))
    return {**shape, "bsdf": _matt(0.0)}


def ball(middle: Vector, radius: float) -> dict[str, Any]:
    return {"type": "sphere", "center": turned(middle), "radius": radius, "bsdf": _matt(0.0)}
