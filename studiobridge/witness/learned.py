"""What was learned of a camera and a set: its response, and one linear picture a lamp and white.

Everything is in the camera's own linear light: 1.0 is what just does not clip in its green, before
its curve. Pictures are float32, rows × columns × 3 in OpenCV's order (blue, green, red).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region

Picture = NDArray[np.float32]
Codes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """The camera's response: for each of its 256 codes the linear light, a row a channel (BGR).

    Rises strictly. `sure` is how far (stops, 95 of 100) each of these may be off, the same shape.
    """

    light: NDArray[np.float32]  # 3 × 256
    sure: NDArray[np.float32]  # 3 × 256

    @property
    def table(self) -> NDArray[np.float32]:
        """As a look-up table of OpenCV's."""
        return np.ascontiguousarray(self.light.T.reshape(1, 256, 3))

    def linear(self, codes: Codes) -> Picture:
        """A frame in linear light."""
        found = np.empty(codes.shape, np.float32)
        for channel in range(3):
            found[..., channel] = self.light[channel][codes[..., channel]]
        return found

    def codes(self, light: Picture) -> Codes:
        """Linear light as the camera would write it: what does not fit is clipped."""
        found = np.empty(light.shape, np.uint8)
        steps = np.arange(256, dtype=np.float32)
        for channel in range(3):
            code = np.interp(light[..., channel], self.light[channel], steps)
            found[..., channel] = np.rint(code)
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """What one lamp at full gives to the picture alone, at one white (K; None: it has but one)."""

    device: str
    cct: float | None
    light: Picture

    def thinned(self, by: int) -> Picture:
        """One pixel in so many across and down."""
        return self.light[::by, ::by]


class Packed(Share):
    """A share as it is kept on disk, in half precision: half the memory, whole when asked for.

    Dozens of megabytes a set, that are looked at once, when the solver reduces them, and when
    somebody wants to see a look before it is set.
    """

    __slots__ = ("_half",)
    _half: NDArray[np.float16]

    def __init__(self, device: str, cct: float | None, light: NDArray[np.floating]) -> None:
        object.__setattr__(self, "device", device)
        object.__setattr__(self, "cct", cct)
        object.__setattr__(self, "_half", np.asarray(light, np.float16))

    @property
    def light(self) -> Picture:
        return np.asarray(self._half, np.float32)

    def thinned(self, by: int) -> Picture:
        return np.asarray(self._half[::by, ::by], np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """All that was learned in one session.

    `dark` is the picture with every lamp off (daylight, signs); `dimmers` has, by device, the
    levels (%) it was seen at and its light there as a share of that at full, rising; `read` and
    `shot` are the noise: variance of linear light = read² + shot × light, for one pixel; `clips`
    the code from which on a channel is taken for clipped. `error` is how far (stops) the sum of the
    shares was from the frame with all on; None: no two were seen together to hold them against.
    `places` is a fingerprint of where lamps, camera and mark
    stand in the profile.
    """

    set_name: str
    made: str  # ISO 8601, with its zone
    curve: Curve
    dark: Picture
    shares: tuple[Share, ...]
    dimmers: Mapping[str, tuple[tuple[float, float], ...]]
    read: float
    shot: float
    clips: int
    error: float | None
    places: str
    face: Region | None = None
    card: Region | None = None
    screen: Region | None = None
    # of the camera: what it was said or found to be set to, for a person to read
    camera: Mapping[str, str] = field(default_factory=dict)

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows."""
        rows, columns = self.dark.shape[:2]
        return columns, rows

    def shares_of(self, device: str) -> tuple[Share, ...]:
        return tuple(share for share in self.shares if share.device == device)


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """A picture that later ones are held against: of a look, nobody in it (or masked)."""

    look: str
    made: str
    codes: Codes
    # what of it counts (nobody stood there): rows × columns, True where it does
    counts: NDArray[np.bool_]
    # each light as it was solved then, share of its full light, and its white (K)
    amounts: Mapping[str, float] = field(default_factory=dict)
    ccts: Mapping[str, float] = field(default_factory=dict)
