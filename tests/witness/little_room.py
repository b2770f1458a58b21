"""A made-up room for the witness: what things reflect, a picture a lamp, a camera that writes codes.

No renderer, nothing of ours: light is smooth, things have texture, and a picture is the sum of the
lamps' pictures. Its curve is sRGB's (IEC 61966-2-1). What the witness knows of it is put together
in `learned`, with the true curve and the true pictures, for these tests are of what comes after.
"""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.witness.learned import Curve, Kept, Learned, Share

Light = NDArray[np.float32]
FACE, CARD, SCREEN = (
    Region(0.42, 0.3, 0.58, 0.6),
    Region(0.1, 0.75, 0.22, 0.93),
    Region(0.12, 0.04, 0.88, 0.5),
)
# lamp: where its light falls (shares of the picture), how wide, how bright, its colour (BGR)
LAMPS = {
    "key": ((0.35, 0.5), 0.35, 0.34, (0.9, 1.0, 1.1)),
    "fill": ((0.75, 0.55), 0.45, 0.16, (1.0, 1.0, 1.0)),
    "cloth": ((0.5, 0.2), 0.5, 0.25, (1.1, 1.0, 0.9)),
    "rim": ((0.85, 0.3), 0.2, 0.2, (1.0, 1.0, 1.0)),
}


def spread(shape: tuple[int, int], at: tuple[float, float], wide: float) -> Light:
    rows, columns = shape
    x = np.linspace(0, 1, columns)[None, :] - at[0]
    y = (np.linspace(0, 1, rows)[:, None] - at[1]) * rows / columns
    return np.exp(-(x * x + y * y) / (2 * wide * wide)).astype(np.float32)


def region_of(region: Region, shape: tuple[int, int]) -> tuple[slice, slice]:
    rows, columns = shape
    return (
        slice(round(region.top * rows), round(region.bottom * rows)),
        slice(round(region.left * columns), round(region.right * columns)),
    )


def reflects(seed: int, shape: tuple[int, int]) -> Light:
    """A plain screen, things with edges about it, a grain on all that is no screen."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    found = np.full((rows, columns, 3), 0.45, np.float32)
    for _ in range(90):
        at = (int(rng.integers(0, columns)), int(rng.integers(0, rows)))
        size = (int(rng.integers(8, columns // 9)), int(rng.integers(8, rows // 7)))
        colour = tuple(float(c) for c in rng.uniform(0.08, 0.9, 3))
        if rng.random() < 0.5:
            cv2.ellipse(
                found, at, size, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA
            )
        else:
            cv2.rectangle(found, at, (at[0] + size[0], at[1] + size[1]), colour, -1)
    grain = rng.normal(0, 1, (rows, columns, 1)).astype(np.float32)
    found *= np.exp(0.25 * cv2.GaussianBlur(grain, (0, 0), 1.2)[..., None])
    found[region_of(SCREEN, shape)] = (0.55, 0.6, 0.5)
    found[region_of(CARD, shape)] = 0.18
    return np.clip(found, 0.02, 0.95)


def srgb_light() -> NDArray[np.float32]:
    code = np.arange(256) / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


class LittleRoom:
    def __init__(
        self, seed: int = 1, shape: tuple[int, int] = (540, 960), dark: float = 0.0
    ) -> None:
        self.shape, self.rng = shape, np.random.default_rng(seed + 1000)
        self.reflects = reflects(seed, shape)
        self.shares = {
            name: self.reflects
            * spread(shape, at, wide)[..., None]
            * np.array(colour, np.float32)
            * np.float32(1.6 * bright)
            for name, (at, wide, bright, colour) in LAMPS.items()
        }
        self.dark = self.reflects * np.float32(dark) * spread(shape, (0.0, 0.3), 0.5)[..., None]
        light = np.stack([srgb_light()] * 3)
        self.curve = Curve(light, np.full_like(light, 0.01))
        self.learned = Learned(
            set_name="corner",
            made="2026-01-05T10:00:00+00:00",
            curve=self.curve,
            dark=self.dark,
            shares=tuple(Share(name, None, light) for name, light in self.shares.items()),
            dimmers=dict.fromkeys(self.shares, ((50.0, 0.5), (100.0, 1.0))),
            read=0.001,
            shot=0.000125,
            clips=254,
            error=0.01,
            places="",
            face=FACE,
            card=CARD,
            screen=SCREEN,
        )

    def light(self, amounts: Mapping[str, float] | None = None) -> Light:
        found = self.dark.copy()
        for name, share in self.shares.items():
            found += share * np.float32((amounts or {}).get(name, 1.0 if amounts is None else 0.0))
        return found

    def frame(self, light: Light, noise: bool = True, jpeg: int = 85) -> NDArray[np.uint8]:
        """As a camera writes it: read and shot noise, sRGB, eight bits, JPEG."""
        if noise:
            size = np.sqrt(0.001**2 + 0.000125 * np.maximum(light, 0))
            light = light + size * self.rng.standard_normal(light.shape, np.float32)
        light = np.clip(light, 0, 1)
        codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        found = np.rint(255 * codes).astype(np.uint8)
        if jpeg:
            _, data = cv2.imencode(".jpg", found, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
            found = cv2.imdecode(data, cv2.IMREAD_COLOR)
        return found

    def kept(self, amounts: Mapping[str, float] | None = None) -> Kept:
        codes = self.frame(self.light(amounts))
        return Kept(
            "lesson",
            "2026-01-05T10:05:00+00:00",
            codes,
            np.ones(self.shape, bool),
            dict(amounts or {}),
        )


def person(
    light: Light, across: float, scale: float = 1.0, seed: int = 0
) -> tuple[Light, NDArray[np.bool_]]:
    """Somebody in it: a head, shoulders, a shirt with a pattern; and where they are."""
    rows, columns = light.shape[:2]
    mask = np.zeros((rows, columns), np.uint8)
    at = (round(across * columns), round(0.45 * rows))
    cv2.ellipse(
        mask, at, (round(0.07 * scale * columns), round(0.17 * scale * rows)), 0, 0, 360, 1, -1
    )
    cv2.ellipse(
        mask,
        (at[0], rows),
        (round(0.24 * scale * columns), round(0.42 * scale * rows)),
        0,
        0,
        360,
        1,
        -1,
    )
    rng = np.random.default_rng(seed)
    shirt = rng.uniform(0.05, 0.8, (rows // 6 + 1, columns // 6 + 1, 3)).astype(np.float32)
    shirt = cv2.resize(shirt, (columns, rows), interpolation=cv2.INTER_NEAREST)
    found = np.where(mask[..., None] > 0, shirt * light.mean(), light).astype(np.float32)
    return found, mask > 0
