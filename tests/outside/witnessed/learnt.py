"""What a session of learning would have found, with a camera put on the renders.

`known`: the camera's curve handed over as it is, so that what is wrong is not the response's fault.
`fitted`: the curve by `studiobridge.witness.response` from the lamps' own levels, as a session
does. Either way each lamp is seen alone in a few frames at full, half, a quarter and an eighth, and
what is clipped in one is taken from the next.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.witness.learned import Curve, Kept, Learned, Picture, Share
from tests.outside.witnessed.camera import SIZE, Camera
from tests.outside.witnessed.rooms import Rendered

LEVELS = (1.0, 0.5, 0.25, 0.125)
FRAMES = 4
MADE = "2026-01-05T10:00:00+00:00"
CLIPS = 250


def curve_of(camera: Camera) -> Curve:
    light = np.maximum.accumulate(camera.light_of_codes(), axis=1)
    # strictly rising, also where two codes share the dark end
    light += np.arange(256) * 1e-7
    return Curve(light.astype(np.float32), np.full((3, 256), 0.01, np.float32))


def _seen(camera: Camera, curve: Curve, light: Picture, frames: int) -> tuple[Picture, Any]:
    total = np.zeros((SIZE[1], SIZE[0], 3), np.float32)
    clipped = np.zeros(total.shape, np.bool_)
    for _ in range(frames):
        codes = camera.frame(light)
        total += curve.linear(codes)
        clipped |= codes >= CLIPS
    return total / frames, clipped


def share(camera: Camera, curve: Curve, light: Picture, dark: Picture) -> Picture:
    """One lamp at full from frames at several levels."""
    found = np.zeros((SIZE[1], SIZE[0], 3), np.float32)
    open_ = np.ones(found.shape, np.bool_)
    for level in LEVELS:
        seen, clipped = _seen(camera, curve, light * np.float32(level), FRAMES)
        new = open_ if level == LEVELS[-1] else open_ & ~clipped
        found[new] = ((seen - dark) / level)[new]
        open_ &= ~new
        if not open_.any():
            break
    return np.maximum(found, 0.0)


def known(seen: Rendered, camera: Camera, curve: Curve | None = None) -> Learned:
    curve = curve_of(camera) if curve is None else curve
    dark, _ = _seen(camera, curve, np.zeros((270, 480, 3), np.float32), FRAMES)
    shares = []
    for name in seen.lamps:
        ends = seen.whites[name]
        for cct in ends:
            light = seen.mixed({name: 1.0}, {name: cct})
            one = share(camera, curve, light, dark)
            shares.append(Share(name, cct if len(ends) > 1 else None, one))
    regions = {n: Region(*sides) for n, sides in seen.regions.items()}
    return Learned(
        seen.name,
        MADE,
        curve,
        dark,
        tuple(shares),
        dict.fromkeys(seen.lamps, ((100.0, 1.0),)),
        camera.read,
        camera.shot,
        CLIPS,
        0.01,
        "places",
        regions.get("face"),
        regions.get("card"),
        regions.get("screen"),
    )


def fitted(seen: Rendered, camera: Camera) -> Learned:
    """As `known`, but nobody says what the curve is."""
    return known(seen, camera, response_of(seen, camera))


def response_of(seen: Rendered, camera: Camera) -> Curve:
    """The curve from lamps alone at four levels and several together, as a session sees them.

    The dimmers are not quite what their profile says: each gives its level to a power of its own.
    """
    from studiobridge.witness import response

    dice = np.random.default_rng(zlib.crc32(f"dimmers {seen.name}".encode()))
    powers = {n: float(dice.uniform(0.93, 1.07)) for n in seen.lamps}
    where = response.grid(SIZE[1], SIZE[0])
    counts = np.zeros(256)

    def state(levels: Mapping[str, float]) -> response.State:
        given = {n: level ** powers[n] for n, level in levels.items()}
        codes = [camera.frame(seen.mixed(given)) for _ in range(2)]
        for one in codes:
            counts[:] += np.bincount(one.ravel(), minlength=256)
        piled = sum(response.histograms(one, where).astype(np.float32) for one in codes)
        lit = tuple(
            response.Lit(n, n, 100.0 * level, level, 0.0 if level == 1.0 else 0.15)
            for n, level in levels.items()
        )
        return response.State(lit, np.asarray(piled, np.float32))

    states = [state({})]
    for n in seen.lamps:
        states += [state({n: level}) for level in (1.0, 0.6, 0.3, 0.1)]
    for level in (1.0, 0.6, 0.3):
        states.append(state(dict.fromkeys(seen.lamps, level)))
    return response.fit(states, response.clipping(counts))


def kept(seen: Rendered, camera: Camera, look: str = "look") -> Kept:
    codes = camera.frame(seen.mixed({n: seen.look[n][0] for n in seen.lamps}))
    counts = np.ones(codes.shape[:2], np.bool_)
    amounts: Mapping[str, float] = {n: seen.look[n][0] for n in seen.lamps}
    ccts = {n: seen.look[n][1] for n in seen.lamps if len(seen.whites[n]) > 1}
    return Kept(look, MADE, codes, counts, amounts, ccts)


def box(region: tuple[float, float, float, float], shape: tuple[int, ...]) -> tuple[slice, slice]:
    left, top, right, bottom = region
    return (
        slice(round(top * shape[0]), max(round(bottom * shape[0]), round(top * shape[0]) + 1)),
        slice(round(left * shape[1]), max(round(right * shape[1]), round(left * shape[1]) + 1)),
    )


def mean_in(light: NDArray[Any], region: tuple[float, float, float, float]) -> NDArray[np.float64]:
    return np.asarray(light[box(region, light.shape)].mean(axis=(0, 1)), np.float64)
