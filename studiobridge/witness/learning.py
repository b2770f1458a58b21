"""From the frames of a learning session to what was learned; no frame is taken here.

A state is what was on while its frames were taken: nothing, one lamp alone at a level, or several.
The curve comes from all of them (`response.py`), each lamp's picture from its own states less the
dark ones, and how well it went from those with several lamps on: they are predicted, not used.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from studiobridge.profile.model import SetProfile
from studiobridge.witness.learned import Codes, Learned, Picture, Share
from studiobridge.witness.response import (
    CannotFit,
    Lit,
    Response,
    State,
    clipping,
    grid,
    histograms,
    response,
)

# The side (px) of the blocks that noise is judged by: JPEG's.
SIDE = 8
# The side (px) of the places over which it is judged how much of what is dark is noise.
NOISE_AROUND = 17


@dataclass(frozen=True, slots=True, eq=False)
class LitFrames:
    """The frames of one state. `lit`: of each lamp its device and white (K), and how it was set."""

    lit: Mapping[tuple[str, float | None], Lit]
    frames: Sequence[Codes]


def places_of(profile: SetProfile) -> str:
    """Changes when a lamp, the camera or the mark stands elsewhere, or the lens is another."""
    places = {
        name: (d.place.from_back, d.place.across, d.place.height, d.place.aim)
        for name, d in profile.devices.items()
        if d.place is not None and (d.fixture or d.kind == "camera")
    }
    mark = profile.room.mark if profile.room is not None else None
    picture = profile.picture
    said = [
        sorted(places.items()),
        None if mark is None else (mark.from_back, mark.across, mark.height),
        None if picture is None else (picture.focal, picture.sensor, picture.aspect),
    ]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()[:16]


def learned_from(profile: SetProfile, made: str, taken: Sequence[LitFrames]) -> Learned:
    """All that the frames tell. Raises CannotFit, with the reason, where they do not add up."""
    shapes = {frame.shape for one in taken for frame in one.frames}
    if len(shapes) != 1:
        raise CannotFit("the frames are not all of one size")
    (rows, columns, _), where = next(iter(shapes)), grid(*next(iter(shapes))[:2])
    states, counts = [], np.zeros(256)
    for one in taken:
        seen = sum(histograms(frame, where).astype(np.float32) for frame in one.frames)
        seen = np.asarray(seen, np.float32)
        counts += seen.sum((0, 1))
        states.append(State(tuple(one.lit.values()), seen))
    clips = clipping(counts)
    found = response(states, clips)
    dark = _mean(found, [frame for one in taken if not one.lit for frame in one.frames])
    shares = []
    for key in sorted({key for one in taken for key in one.lit}, key=str):
        alone = [one for one in taken if set(one.lit) == {key}]
        if alone:
            shares.append(Share(*key, _share(found, key, alone, dark, clips)))
    dimmers: dict[str, list[tuple[float, float]]] = {}
    for one in taken:
        for (device, _white), lit in one.lit.items():
            point = (lit.level, _factor(found, lit))
            if point not in dimmers.setdefault(device, []):
                dimmers[device].append(point)
    read, shot = _noise(found, taken, clips)
    witness = profile.witness
    return Learned(
        set_name=profile.name,
        made=made,
        curve=found.curve,
        dark=dark,
        shares=tuple(shares),
        dimmers={name: tuple(sorted(points)) for name, points in dimmers.items()},
        read=read,
        shot=shot,
        clips=clips,
        error=_error(found, taken, dark, shares, clips),
        places=places_of(profile),
        face=witness.face if witness is not None else None,
        card=witness.card if witness is not None else None,
        screen=witness.screen if witness is not None else None,
        camera={"picture": f"{columns} x {rows} px"},
    )


def _factor(found: Response, lit: Lit) -> float:
    return found.factors[lit.dimmer, lit.level][0] if lit.sure > 0 else lit.factor


def _mean(found: Response, frames: Sequence[Codes]) -> Picture:
    total = np.zeros(frames[0].shape, np.float32)
    for frame in frames:
        total += found.curve.linear(frame)
    total /= np.float32(len(frames))
    # by the mean around each pixel: of one alone nobody can tell light from noise
    around = cv2.blur(total, (NOISE_AROUND, NOISE_AROUND))
    for c in range(3):
        if found.black[c] > 0:
            there = np.maximum(around[..., c], 1e-9)
            total[..., c] *= (found.uncut(there, c) / there).astype(np.float32)
    return total


def _share(
    found: Response,
    key: tuple[str, float | None],
    alone: Sequence[LitFrames],
    dark: Picture,
    clips: int,
) -> Picture:
    """Its light at full: of each pixel from where it did not clip, the brighter the surer."""
    above, below = np.zeros_like(dark), np.zeros_like(dark)
    least, lowest = np.zeros_like(dark), np.inf
    for one in alone:
        factor = _factor(found, one.lit[key])
        light = _mean(found, one.frames) - dark
        good = np.all([frame < clips for frame in one.frames], axis=0)
        above += np.where(good, factor * light, 0)
        below += np.where(good, factor * factor, 0)
        if factor < lowest:  # where every state clips, the one at the lowest level is a lower bound
            least, lowest = light / factor, factor
    share = np.where(below > 0, above / np.maximum(below, 1e-9), least)
    return np.asarray(np.maximum(share, 0), np.float32)


def _noise(found: Response, taken: Sequence[LitFrames], clips: int) -> tuple[float, float]:
    """Read and shot noise from pairs of frames of one state: variance = read² + shot × light."""
    # Of blocks, as the solver looks at them: JPEG makes single pixels smooth and rounds blocks, so
    # the noise of single ones would promise too much.
    size = (taken[0].frames[0].shape[1] // SIDE, taken[0].frames[0].shape[0] // SIDE)
    lights, variances = [], []
    for one in taken:
        for first, second in pairwise(one.frames):
            clipped = ((first >= clips) | (second >= clips)).astype(np.float32)
            good = cv2.resize(clipped, size, interpolation=cv2.INTER_AREA) == 0
            a, b = (
                cv2.resize(found.curve.linear(f), size, interpolation=cv2.INTER_AREA)[good]
                for f in (first, second)
            )
            light, off = (a + b) / 2, (a - b) ** 2 / 2 * SIDE**2
            if len(light) <= 100:
                continue
            for low, high in pairwise(np.quantile(light, np.linspace(0, 1, 13))):
                some = (light >= low) & (light <= high)
                if some.sum() > 10:
                    lights.append(float(light[some].mean()))
                    variances.append(float(off[some].mean()))
    if not lights:
        return 0.001, 0.0001  # one frame a state tells nothing: what small cameras have
    x, y = np.array(lights), np.maximum(np.array(variances), 1e-12)
    # where JPEG made both frames alike there is no noise to see: such bins do not outweigh all
    sure = np.maximum(y, 0.1 * float(np.median(y)))
    rows = np.stack([np.ones_like(x), x], 1) / sure[:, None]
    read2, shot = np.linalg.lstsq(rows, y / sure, rcond=None)[0]
    return float(np.sqrt(max(read2, 1e-10))), float(max(shot, 0.0))


def _error(
    found: Response,
    taken: Sequence[LitFrames],
    dark: Picture,
    shares: Sequence[Share],
    clips: int,
) -> float | None:
    """How far (stops, the middle) the frame with most lamps on is from the sum of its lamps.

    None where no frame has several of them, or nothing in it is to be held against.
    """
    most = max(taken, key=lambda one: len(one.lit))
    of = {(share.device, share.cct): share.light for share in shares}
    if len(most.lit) < 2 or not set(most.lit) <= set(of):
        return None
    total = dark.copy()
    for key, lit in most.lit.items():
        total += np.float32(_factor(found, lit)) * of[key]
    good = np.all([(frame < clips) & (frame > 12) for frame in most.frames], axis=0) & (total > 0)
    if not good.any():
        return None
    return float(np.median(np.abs(np.log2(_mean(found, most.frames)[good] / total[good]))))
