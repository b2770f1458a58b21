"""What a session of learning would have found, with a camera put on the renders.

`known`: the camera's curve handed over as it is, so that what is wrong is not the response's fault.
`fitted`: the curve by `studiobridge.witness.response` from the lamps' own levels, as a session
does. Either way each lamp is seen alone in a few frames at full, half, a quarter and an eighth, and
what is clipped in one is taken from the next.
"""

from __future__ import annotations

import os
import shutil
import zlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.witness.learned import Curve, Kept, Learned, Picture, Share
from tests.outside.witnessed import rooms
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
    shares = [
        share(camera, curve, seen.mixed({name: 1.0}, {name: cct}), dark)
        for name in seen.lamps
        for cct in seen.whites[name]
    ]
    return _learned(seen, camera, curve, dark, shares)


def _learned(
    seen: Rendered, camera: Camera, curve: Curve, dark: Picture, lights: list[Picture]
) -> Learned:
    keys = [(n, c if len(seen.whites[n]) > 1 else None) for n in seen.lamps for c in seen.whites[n]]
    shares = tuple(Share(n, c, one) for (n, c), one in zip(keys, lights, strict=True))
    regions = {n: Region(*sides) for n, sides in seen.regions.items()}
    return Learned(
        seen.name,
        MADE,
        curve,
        dark,
        shares,
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


def remembered(seen: Rendered, camera: Camera, how: str) -> Learned:
    """`known` or `fitted`, from disk where the same was learned before from the same pictures."""
    from studiobridge.witness import keeping, learning, lesson, response

    made = [(rooms.folder() / f"{seen.name}.npz").stat().st_mtime_ns, camera.curve]
    made += [camera.codes_of(np.array([0.1])).round(6).tolist(), Path(__file__).read_text()]
    if how == "fitted":
        made += [Path(m.__file__).read_text() for m in (response, learning, lesson)]
    mark = zlib.crc32(repr(made).encode())
    path = rooms.folder() / "learned" / f"{seen.name}.{camera.curve}.{how}.{mark:08x}"
    if path.exists():
        return keeping.load(path)
    learned = known(seen, camera) if how == "known" else fitted(seen, camera)
    path.parent.mkdir(parents=True, exist_ok=True)
    for old in path.parent.glob(f"{seen.name}.{camera.curve}.{how}.*"):
        shutil.rmtree(old) if old.is_dir() else old.unlink()
    part = path.with_suffix(f".{os.getpid()}.part")
    keeping.save(learned, part)
    part.replace(path)
    return learned


def fitted(seen: Rendered, camera: Camera) -> Learned:
    """What `witness learn` makes of the room: the product's own lesson, played before the camera.

    The dimmers are not quite what their profile says: each gives its level to a power of its own.
    """
    learned = lesson(seen, camera)
    regions = {n: Region(*sides) for n, sides in seen.regions.items()}
    return replace(
        learned,
        face=regions.get("face"),
        card=regions.get("card"),
        screen=regions.get("screen"),
    )


def lesson(seen: Rendered, camera: Camera) -> Learned:
    """One lesson with gear that does as it is told. Raises AssertionError where it is refused."""
    from studiobridge.witness.lesson import Done, Lesson, Look, Refused, Tell
    from tests.outside.witnessed.judged import profile_of

    dice = np.random.default_rng(zlib.crc32(f"dimmers {seen.name}".encode()))
    powers = {n: float(dice.uniform(0.93, 1.07)) for n in seen.lamps}
    profile = profile_of(seen.name, {n: seen.look[n] for n in seen.lamps}, seen.whites)
    levels = dict.fromkeys(seen.lamps, 0.0)
    ccts = {n: seen.look[n][1] for n in seen.lamps}
    playing = Lesson(profile, MADE)
    for _ in range(4000):
        wish = playing.wish
        if isinstance(wish, Tell):
            for point, value in wish.values:
                if point == "cct":
                    ccts[wish.device] = float(value)  # type: ignore[arg-type]
                else:
                    levels[wish.device] = float(value) / 100  # type: ignore[arg-type]
            playing.told(True)
        elif isinstance(wish, Look):
            given = {n: level ** powers[n] for n, level in levels.items() if level > 0}
            light = seen.mixed(given, ccts) if given else np.zeros((270, 480, 3), np.float32)
            playing.frames([camera.frame(light) for _ in range(wish.count)])
        else:
            assert isinstance(wish, Done | Refused)
            assert isinstance(wish, Done), f"{seen.name}: refused, {wish.why}"
            return wish.learned
    raise AssertionError("a lesson without an end")


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
