"""A room built for Mitsuba 3 and rendered, one linear picture a lamp (path traced, five bounces).

A scene is built once with every lamp in it; for each picture one of them shines white with a
radiance of 1 in each channel and the others are dark bodies. Rendering in RGB keeps the channels
apart, so a lamp of any colour is that picture, each channel times the lamp's own.

Variant llvm_ad_rgb where an LLVM library is found (about ten times as fast), else scalar_rgb. The
seed of a lamp is the same with and without a person: noise is alike where nobody changes anything.
"""

from __future__ import annotations

import glob
import importlib.util
import math
import os
import tempfile
from dataclasses import dataclass, field
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.outside.rendered.scenes import frame, unit
from tests.outside.witnessed.presenter import Part

Vector = NDArray[np.float64]
Light = NDArray[np.float32]
RGB = tuple[float, float, float]
# Dr.Jit wants LLVM 15 or newer; 15 itself was tried and cannot select an instruction it asks for.
LLVMS = (
    "/usr/lib/x86_64-linux-gnu/libLLVM-1[6-9].so",
    "/usr/lib/x86_64-linux-gnu/libLLVM*.so.[12][6-9]*",
    "/root/.rustup/toolchains/*/lib/libLLVM.so.*",
)
WHY_NOT = "Mitsuba 3 is not installed here (no wheel for this machine on the package index)"


def here() -> bool:
    return importlib.util.find_spec("mitsuba") is not None


@dataclass(frozen=True)
class Skin:
    """A matt surface: its mean colour (linear RGB), what is on it and how strongly."""

    colour: RGB
    pattern: str = "noise"
    contrast: float = 0.5
    seed: int = 0
    scale: int = 8


@dataclass(frozen=True)
class Thing:
    """A box, ball, tin (a cylinder standing up) or board: middle, full size, turned about upright.

    A board is flat and looks along `looks`.
    """

    shape: Literal["box", "ball", "tin", "board"]
    middle: Vector
    size: tuple[float, float, float]
    skin: Skin
    turn: float = 0.0
    looks: Vector | None = None


@dataclass(frozen=True)
class Lamp:
    """A flat matt lamp, or a backdrop that glows; `hood` is the depth (m) of a black frame round
    it, which narrows its beam. `bright` is its radiance at full against the others'."""

    name: str
    centre: Vector
    axis: Vector
    size: tuple[float, float]
    bright: float = 1.0
    whites: tuple[float, ...] = (4300.0,)
    hood: float = 0.0
    glows: bool = False
    # not a lamp of the set: a window
    foreign: bool = False


@dataclass(frozen=True)
class View:
    at: Vector
    to: Vector
    wide: float  # degrees across

    def project(self, point: Vector) -> tuple[float, float]:
        """Where in the picture, in shares from its left and its top."""
        looks = unit(self.to - self.at)
        right, up = frame(looks)
        off = point - self.at
        deep = float(off @ looks)
        half = math.tan(math.radians(self.wide / 2))
        # across runs to the right as the camera sees it: these coordinates are left-handed
        x = -float(off @ right) / deep / half
        y = float(off @ up) / deep / (half * 9 / 16)
        return 0.5 + x / 2, 0.5 - y / 2


@dataclass(frozen=True)
class Room:
    name: str
    size: tuple[float, float, float]  # wide, deep, high
    walls: dict[str, Skin]
    lamps: tuple[Lamp, ...]
    things: tuple[Thing, ...]
    view: View
    face: Vector
    poses: tuple[list[Part], ...]
    seed: int
    # shares of the picture: left, top, right, bottom
    regions: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    cloth: Skin | None = None
    # each lamp's level in the room's look (share of full) and its white there
    look: dict[str, tuple[float, float]] = field(default_factory=dict)
    # how much of the picture's light each lamp gives at full; None: by `bright`
    weights: dict[str, float] | None = None
    passes: tuple[int, int] = (4, 2)  # of 16 samples a pixel: nobody, somebody
    grid: tuple[int, int] = (480, 270)


_variant: str | None = None


def mitsuba() -> Any:
    """Mitsuba in our variant; set each time, for other tests want another."""
    global _variant
    if _variant is None:
        found = [f for pattern in LLVMS for f in sorted(glob.glob(pattern))]  # noqa: PTH207
        if found:
            # looked for when drjit is imported
            os.environ.setdefault("DRJIT_LIBLLVM_PATH", found[0])
    import drjit
    import mitsuba as mi

    if _variant is None:
        try:
            mi.set_variant("llvm_ad_rgb")
        except ImportError:
            mi.set_variant("scalar_rgb")
        _variant = mi.variant()
        drjit.set_thread_count(1)
    if mi.variant() != _variant:
        mi.set_variant(_variant)
    return mi


def turned(of: Vector) -> list[float]:
    """Into the renderer's right-handed world: across runs the other way there."""
    return [-float(of[0]), float(of[1]), float(of[2])]


def _noise(dice: np.random.Generator, side: int, scale: int) -> NDArray[np.float64]:
    """Value noise of a few octaves, about 0, near to 1 in its spread."""
    total = np.zeros((side, side))
    at = np.arange(side) / side
    cells = scale
    weight = 1.0
    while cells < side:
        grid = dice.standard_normal((cells + 1, cells + 1))
        x = at * cells
        i, f = x.astype(int), x % 1.0
        f = f * f * (3 - 2 * f)
        rows = grid[i] * (1 - f)[:, None] + grid[i + 1] * f[:, None]
        total += weight * (rows[:, i] * (1 - f) + rows[:, i + 1] * f)
        cells, weight = cells * 2, weight * 0.6
    return total / max(float(total.std()), 1e-9)


def texture(skin: Skin, side: int = 128) -> NDArray[np.float32]:
    dice = np.random.default_rng([skin.seed, 5])
    grain = _noise(dice, side, skin.scale)
    rows, columns = np.mgrid[0:side, 0:side]
    cell = max(side // max(skin.scale, 1), 2)
    if skin.pattern == "checks":
        figure = np.where((rows // cell + columns // cell) % 2 == 0, 1.0, -1.0) + 0.25 * grain
    elif skin.pattern == "stripes":
        figure = np.where((columns // cell) % 2 == 0, 1.0, -1.0) + 0.25 * grain
    elif skin.pattern == "planks":
        joints = np.where((rows % (side // 8) < 2), -3.0, 0.0)
        figure = np.repeat(dice.standard_normal(8), side // 8)[:, None] + joints + 0.5 * grain
    elif skin.pattern == "folds":
        figure = np.sin(2 * math.pi * (columns / side * 9 + 0.12 * grain)) + 0.3 * grain
    else:
        figure = grain
    tint = _noise(dice, side, max(skin.scale // 2, 2))[..., None] * dice.uniform(-0.3, 0.3, 3)
    mean = np.array(skin.colour)
    found = mean * np.exp(skin.contrast * 0.5 * (figure[..., None] + tint))
    found *= mean / found.mean(axis=(0, 1))
    return np.clip(found, 0.005, 0.9).astype(np.float32)


def _bsdf(skin: Skin) -> dict[str, Any]:
    mi = mitsuba()
    bitmap = {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(texture(skin))),
        "raw": True,
    }
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": bitmap}}


def _plain(reflectance: float) -> dict[str, Any]:
    inner = {"type": "diffuse", "reflectance": {"type": "rgb", "value": reflectance}}
    return {"type": "twosided", "bsdf": inner}


def _flat(centre: Vector, looks: Vector, size: tuple[float, float]) -> Any:
    t = mitsuba().ScalarTransform4f
    _, up = frame(looks)
    if abs(looks[2]) > 0.999:
        up = np.array([0.0, 1.0, 0.0])
    at = t().look_at(origin=turned(centre), target=turned(centre + looks), up=turned(up))
    return at @ t().scale([size[0] / 2, size[1] / 2, 1.0])


_ball_file: str | None = None


def _ball() -> str:
    """A sphere of radius 1 as a mesh: Mitsuba's own does not become an ellipsoid."""
    global _ball_file
    if _ball_file is None:
        rings, spokes = 24, 36
        up = np.linspace(0, math.pi, rings + 1)
        about = np.linspace(0, 2 * math.pi, spokes + 1)
        u, a = np.meshgrid(up, about, indexing="ij")
        xyz = np.stack([np.sin(u) * np.cos(a), np.sin(u) * np.sin(a), np.cos(u)], axis=-1)
        uv = np.stack([a / (2 * math.pi), u / math.pi], axis=-1)
        lines = [
            f"{x:.6f} {y:.6f} {z:.6f} {x:.6f} {y:.6f} {z:.6f} {s:.5f} {t:.5f}"
            for (x, y, z), (s, t) in zip(xyz.reshape(-1, 3), uv.reshape(-1, 2), strict=True)
        ]
        faces = []
        for i in range(rings):
            for j in range(spokes):
                a0 = i * (spokes + 1) + j
                b0 = a0 + spokes + 1
                faces += [f"3 {a0} {b0} {b0 + 1}", f"3 {a0} {b0 + 1} {a0 + 1}"]
        names = ("x", "y", "z", "nx", "ny", "nz", "u", "v")
        head = ["ply", "format ascii 1.0", f"element vertex {len(lines)}"]
        head += [f"property float {n}" for n in names]
        head += [f"element face {len(faces)}", "property list uchar int vertex_indices"]
        with tempfile.NamedTemporaryFile("w", suffix=".ply", delete=False) as file:
            file.write("\n".join([*head, "end_header", *lines, *faces]) + "\n")
        _ball_file = file.name
    return _ball_file


def _placed(middle: Vector, axes: NDArray[np.float64], half: tuple[float, float, float]) -> Any:
    t = mitsuba().ScalarTransform4f
    mirror = np.diag([-1.0, 1.0, 1.0])
    matrix = np.eye(4)
    # mirrored on both sides: a proper turn again, so that faces do not turn inside out
    matrix[:3, :3] = mirror @ (axes * np.array(half)) @ mirror
    matrix[:3, 3] = turned(middle)
    return t(matrix)


def _thing(thing: Thing) -> dict[str, Any]:
    bsdf = _bsdf(thing.skin)
    if thing.shape == "board":
        assert thing.looks is not None
        shape = _flat(thing.middle, thing.looks, (thing.size[0], thing.size[1]))
        return {"type": "rectangle", "to_world": shape, "bsdf": bsdf}
    c, s = math.cos(thing.turn), math.sin(thing.turn)
    axes = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    half = (thing.size[0] / 2, thing.size[1] / 2, thing.size[2] / 2)
    where = _placed(thing.middle, axes, half)
    if thing.shape == "box":
        return {"type": "cube", "to_world": where, "bsdf": bsdf}
    if thing.shape == "tin":
        t = mitsuba().ScalarTransform4f
        cylinder = where @ t().translate([0, 0, -1]) @ t().scale([1, 1, 2])
        return {"type": "cylinder", "to_world": cylinder, "bsdf": bsdf}
    return {"type": "ply", "filename": _ball(), "to_world": where, "bsdf": bsdf}


def _somebody(parts: list[Part]) -> dict[str, Any]:
    found = {}
    for i, part in enumerate(parts):
        contrast = 0.15 if part.pattern == "noise" else 0.5
        skin = Skin(part.colour, part.pattern, contrast, seed=300 + i, scale=8)
        found[f"part-{i}"] = {
            "type": "ply",
            "filename": _ball(),
            "to_world": _placed(part.middle, part.axes, part.half),
            "bsdf": _bsdf(skin),
        }
    return found


def _hood(lamp: Lamp) -> dict[str, Any]:
    right, up = frame(lamp.axis)
    found = {}
    for i, (side, across, long) in enumerate(
        ((right, 0, 1), (-right, 0, 1), (up, 1, 0), (-up, 1, 0))
    ):
        middle = lamp.centre + side * (lamp.size[across] / 2 + 0.004) + lamp.axis * lamp.hood / 2
        t = mitsuba().ScalarTransform4f
        at = t().look_at(origin=turned(middle), target=turned(middle - side), up=turned(lamp.axis))
        size = t().scale([lamp.size[long] / 2 + 0.004, lamp.hood / 2, 1.0])
        found[f"hood-{lamp.name}-{i}"] = {
            "type": "rectangle",
            "to_world": at @ size,
            "bsdf": _plain(0.02),
        }
    return found


def built(room: Room, somebody: list[Part] | None) -> Any:
    mi = mitsuba()
    wide, deep, high = room.size
    scene: dict[str, Any] = {"type": "scene", "integrator": {"type": "path", "max_depth": 6}}
    middle = np.array([0.0, deep / 2, high / 2])
    sides = {
        "back": (np.array([0.0, 0.0, high / 2]), np.array([0.0, 1.0, 0.0]), (wide, high)),
        "front": (np.array([0.0, deep, high / 2]), np.array([0.0, -1.0, 0.0]), (wide, high)),
        "left": (
            np.array([-wide / 2, deep / 2, high / 2]),
            np.array([1.0, 0.0, 0.0]),
            (deep, high),
        ),
        "right": (np.array([wide / 2, deep / 2, high / 2]), np.array([-1.0, 0, 0]), (deep, high)),
        "floor": (np.array([0.0, deep / 2, 0.0]), np.array([0.0, 0.0, 1.0]), (wide, deep)),
        "ceiling": (np.array([0.0, deep / 2, high]), np.array([0.0, 0.0, -1.0]), (wide, deep)),
    }
    assert middle[1] > 0
    for name, (centre, looks, size) in sides.items():
        scene[f"wall-{name}"] = {
            "type": "rectangle",
            "to_world": _flat(centre, looks, size),
            "bsdf": _bsdf(room.walls[name]),
        }
    for i, thing in enumerate(room.things):
        scene[f"thing-{i}"] = _thing(thing)
    for lamp in room.lamps:
        scene[f"lamp-{lamp.name}"] = {
            "type": "rectangle",
            "to_world": _flat(lamp.centre, lamp.axis, lamp.size),
            "bsdf": _bsdf(room.cloth) if lamp.glows and room.cloth else _plain(0.4),
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": 1.0}},
        }
        if lamp.hood:
            scene.update(_hood(lamp))
    if somebody is not None:
        scene.update(_somebody(somebody))
    return mi.load_dict(scene)


def _sensor(view: View, size: tuple[int, int]) -> Any:
    mi = mitsuba()
    return mi.load_dict(
        {
            "type": "perspective",
            "fov": view.wide,
            "fov_axis": "x",
            "near_clip": 0.02,
            "to_world": mi.ScalarTransform4f().look_at(
                origin=turned(view.at), target=turned(view.to), up=[0, 0, 1]
            ),
            "film": {
                "type": "hdrfilm",
                "width": size[0],
                "height": size[1],
                "rfilter": {"type": "box"},
            },
            "sampler": {"type": "independent"},
        }
    )


def pictures(
    room: Room,
    somebody: list[Part] | None,
    size: tuple[int, int],
    passes: int,
    lit: tuple[str, ...] | None = None,
    together: bool = False,
    first: dict[str, Light] | None = None,
) -> dict[str, Light]:
    """Each lamp alone at a radiance of 1 (or all `lit` at once, as "together"), BGR.

    `first` is given what the first pass alone came to.
    """
    mi = mitsuba()
    scene = built(room, somebody)
    sensor = _sensor(room.view, size)
    params = mi.traverse(scene)
    names = [lamp.name for lamp in room.lamps if lit is None or lamp.name in lit]
    groups = {"together": names} if together else {n: [n] for n in names}
    found = {}
    for index, (name, on) in enumerate(groups.items()):
        for lamp in room.lamps:
            key = f"lamp-{lamp.name}.emitter"
            shines = 1.0 if lamp.name in on else 0.0
            params[f"{key}.radiance.value"] = mi.Color3f(shines)
            params[f"{key}.sampling_weight"] = shines
        params.update()
        total = np.zeros((size[1], size[0], 3), np.float64)
        for number in range(passes):
            seed = room.seed * 10_000 + index * 100 + number
            total += np.asarray(mi.render(scene, sensor=sensor, spp=16, seed=seed))
            if first is not None and number == 0:
                first[name] = np.ascontiguousarray(total[..., ::-1]).astype(np.float32)
        found[name] = np.ascontiguousarray(total[..., ::-1] / passes).astype(np.float32)
    return found


def calmed(light: Light) -> Light:
    """Without single sparks: a path that met a lamp by luck makes one pixel many times too bright,
    where hardly a neighbour is. Nothing else is touched."""
    bright = light.mean(axis=2)
    usual = cv2.medianBlur(bright, 5)
    spark = bright > 3.0 * usual + 1e-6
    many = cv2.boxFilter(spark.astype(np.float32), -1, (3, 3), normalize=False)
    lone = spark & (many <= 2.5)
    medians = np.stack(
        [cv2.medianBlur(np.ascontiguousarray(light[..., c]), 5) for c in range(3)], -1
    )
    return np.where(lone[..., None], medians, light).astype(np.float32)


def hides(room: Room, somebody: list[Part], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Where in the picture somebody is: the depth with and without."""
    mi = mitsuba()
    sensor = _sensor(room.view, size)
    depth = mi.load_dict({"type": "depth"})
    deep = [
        np.asarray(mi.render(built(room, who), sensor=sensor, integrator=depth, spp=4, seed=1))
        for who in (None, somebody)
    ]
    return np.asarray(np.abs(deep[0] - deep[1])[..., 0] > 1e-3)
