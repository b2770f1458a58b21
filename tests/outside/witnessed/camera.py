"""A camera put on linear pictures: curve, noise, 8 bit, JPEG, and what goes wrong with cameras.

Linear light comes in as rows × columns × BGR, 1.0 = what just does not clip; codes come out. It is
a model of common practice, no particular camera: the curve is applied to each channel by itself,
after white balance, and what is brighter than 1.0 is clipped there. Left out are flare, vignetting,
sharpening and the noise reduction many cameras do: a real one is worse to be fair to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Light = NDArray[np.float32]
Codes = NDArray[np.uint8]

SIZE = (960, 540)
QUALITY = 85
# Noise of a small sensor a little amplified, four of its pixels to one here: at full light 1.1 % of
# it, in the dark a thousandth of full. Common practice, no source.
READ = 0.001
SHOT = 0.000125
# A patch of mean reflectance lies near here in an exposed picture's codes. Common practice.
GOAL = 112.0
# Light is looked up by its root in so many steps: a hundredth of a code apart.
STEPS = 1 << 15


def srgb(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1, the formula."""
    low = 12.92 * light
    high = 1.055 * np.power(np.maximum(light, 0.0031308), 1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, low, high)


def film(light: NDArray[np.float64], slope: float, middle: float) -> NDArray[np.float64]:
    """A toe, a straight part and a shoulder over the logarithm of light: a logistic there."""
    raised = np.power(np.maximum(light, 1e-9), slope)
    return raised * (1.0 + middle**slope) / (raised + middle**slope)


@dataclass(frozen=True)
class Moved:
    """How the picture's things lie against where they lay: px right and down, degrees, a ratio."""

    right: float = 0.0
    down: float = 0.0
    turn: float = 0.0
    zoom: float = 1.0


class Camera:
    """One camera on its tripod. The same seed is the same curve, the same `noise` its noise."""

    def __init__(
        self,
        curve: Literal["film", "srgb"] = "film",
        seed: int = 0,
        exposure: float = 1.0,
        *,
        auto_exposure: bool = False,
        auto_white: bool = False,
        moved: Moved | None = None,
        defocus: float = 0.0,
        read: float = READ,
        shot: float = SHOT,
        quality: int | None = QUALITY,
        noise: int = 0,
    ) -> None:
        dice = np.random.default_rng(seed)
        # of each channel its own, and of each camera: nobody knows the response beforehand
        self._slope = dice.uniform(0.88, 1.02) * dice.uniform(0.985, 1.015, 3)
        self._middle = dice.uniform(0.15, 0.22) * dice.uniform(0.97, 1.03, 3)
        self._noise = np.random.default_rng([seed, 1, noise])
        self.curve = curve
        self.exposure = exposure
        self.auto_exposure, self.auto_white = auto_exposure, auto_white
        self.moved, self.defocus = moved, defocus
        self.read, self.shot, self.quality = read, shot, quality
        self._gain = np.ones(3)
        self._follows = False
        light = np.linspace(0.0, 1.0, STEPS + 1) ** 2
        self._table = np.rint(self.codes_of(light)).astype(np.uint8)

    def _response(self, light: NDArray[np.float64], channel: int) -> NDArray[np.float64]:
        if self.curve == "srgb":
            return srgb(light)
        return film(light, self._slope[channel], self._middle[channel])

    def codes_of(self, light: NDArray[np.float64]) -> NDArray[np.float64]:
        """What light becomes by the curve alone: not rounded, 3 × as many, BGR."""
        clipped = np.clip(light, 0.0, 1.0)
        return np.stack([255.0 * self._response(clipped, c) for c in range(3)])

    def light_of_codes(self) -> NDArray[np.float64]:
        """Of each code its light, 3 × 256: the truth about the curve, for who is to know it."""
        codes = np.arange(256) / 255.0
        fine = np.linspace(0.0, 1.0, 200_001) ** 2
        return np.stack([np.interp(codes, self._response(fine, c), fine) for c in range(3)])

    def frame(self, light: Light) -> Codes:
        """One frame of it, 960 × 540."""
        picture = np.asarray(light, np.float32)
        if picture.shape[:2] != (SIZE[1], SIZE[0]):
            picture = cv2.resize(picture, SIZE, interpolation=cv2.INTER_LINEAR)
        if self.moved is not None:
            picture = _put(picture, self.moved)
        if self.defocus > 0:
            picture = cv2.GaussianBlur(picture, (0, 0), self.defocus)
        picture = picture * np.float32(self.exposure)
        if self.auto_exposure or self.auto_white:
            self._follow(picture)
            picture = picture * self._gain.astype(np.float32)
        # the noise of what falls on the sensor; a gain behind it is left out
        variance = self.read**2 + self.shot * np.maximum(picture, 0.0)
        noise = self._noise.standard_normal(picture.shape, np.float32)
        codes = self._written(picture + noise * np.sqrt(variance))
        if self.quality is None:
            return codes
        good, packed = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, self.quality])
        assert good
        return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)

    def _written(self, light: Light) -> Codes:
        at = np.sqrt(np.clip(light, 0.0, 1.0)) * np.float32(STEPS)
        place = (at + np.float32(0.5)).astype(np.int32)
        codes = np.empty(light.shape, np.uint8)
        for c in range(3):
            codes[..., c] = self._table[c][place[..., c]]
        return codes

    def _follow(self, picture: Light) -> None:
        """Gains of the whole picture that run after its mean, two fifths of the way a frame."""
        small = cv2.resize(picture, (96, 54), interpolation=cv2.INTER_AREA)
        goal = self._gain.copy()
        if self.auto_white:
            means = np.clip(small * self._gain, 0.0, 1.0).reshape(-1, 3).mean(axis=0)
            goal *= np.clip(means[1] / np.maximum(means, 1e-4), 0.5, 2.0)
            goal /= goal[1] / self._gain[1]
        if self.auto_exposure:
            shown = self.codes_of((small * goal).reshape(-1, 3).mean(axis=1).astype(float))[1]
            # in the middle of the curve a stop is near to 50 codes
            goal *= np.clip(2.0 ** ((GOAL - float(shown.mean())) / 50.0), 0.25, 4.0)
        step = 0.4 if self._follows else 1.0
        self._gain = self._gain * (goal / self._gain) ** step
        self._follows = True


def _put(picture: Light, moved: Moved) -> Light:
    rows, columns = picture.shape[:2]
    turn = cv2.getRotationMatrix2D((columns / 2, rows / 2), -moved.turn, moved.zoom)
    turn[:, 2] += (moved.right, moved.down)
    found = cv2.warpAffine(
        picture, turn, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(found, np.float32)
