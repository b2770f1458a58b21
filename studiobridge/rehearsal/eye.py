"""A simulated camera: what the simulated gear truly gives, as a picture in a file.

Each lamp's picture alone, times what the lamp gives now, summed in linear light; then what a camera
does: its curve (IEC 61966-2-1), shot and read noise, 8 bit, JPEG. A thread of its own, so that the
rehearsal's clock is not its clock. Whoever looks at the file knows nothing of the gear.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.craft.colour import COOLEST, WARMEST
from studiobridge.craft.two_whites import Whites, green_of
from studiobridge.rehearsal.room import Room

Picture = NDArray[np.float32]
# A frame so often (s): a hand on a dial is looked at about as often.
EVERY = 0.3
# At full light 1.1 % of it, in the dark a thousandth of full: a small sensor, a little amplified.
# Common practice, no source.
READ, SHOT = 0.001, 0.000125
QUALITY = 85
# The code from which on a channel is clipped: JPEG leaves what is white a little below.
CLIPS = 250


@dataclass(slots=True)
class Mishap:
    """What is not the gear's doing: how far the tripod was kicked (px to the right), and how far
    the blind of a window is open (0-1: at 1 it gives the face as much as the look does)."""

    kicked: int = 0
    blind: float = 0.0


def curve() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Linear light of each of the 256 codes, a row a channel, and how sure that is (stops).

    IEC 61966-2-1, the formula.
    """
    code = np.arange(256) / 255.0
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    rows = np.tile(light.astype(np.float32), (3, 1))
    return rows, np.full((3, 256), 0.01, np.float32)


class Eye:
    """Writes the picture of a simulated room into `file`, until it is closed."""

    def __init__(
        self,
        room: Room,
        shares: Mapping[str, Mapping[float | None, Picture]],
        dark: Picture,
        file: Path,
        window: Picture | None = None,
    ) -> None:
        self.mishap = Mishap()
        self.frames = 0
        self.error: str | None = None
        self._room, self._shares, self._dark, self._file = room, shares, dark, file
        self._whites = {name: _whites(pictures) for name, pictures in shares.items()}
        self._window = window
        self._dice = np.random.default_rng(7)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, name="eye", daemon=True)
        # code by the root of light, so that the dark keeps its steps
        steps = np.square(np.linspace(0.0, 1.0, 4096))
        low, high = 12.92 * steps, 1.055 * np.power(np.maximum(steps, 1e-9), 1 / 2.4) - 0.055
        self._codes = (255.0 * np.where(steps <= 0.0031308, low, high)).astype(np.float32)

    def __enter__(self) -> Eye:
        cv2.setNumThreads(1)
        self.write()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(5.0)

    @property
    def has_window(self) -> bool:
        """Is there a window with a blind in its room?"""
        return self._window is not None

    @property
    def lamps(self) -> frozenset[str]:
        """What it can see."""
        return frozenset(self._shares)

    def given(self) -> dict[str, tuple[float, float]]:
        """What each lamp gives now: its share of its full light, and its white (K)."""
        found = {}
        for name in self._shares:
            lamp = self._room.devices.get(name)
            if lamp is not None and lamp.lit:
                found[name] = (lamp.device.dimmer.output(lamp.level), lamp.cct)
        return found

    def light(self, given: Mapping[str, tuple[float, float]]) -> Picture:
        """These lamps in linear light."""
        found = self._dark.copy()
        for name, (amount, cct) in given.items():
            whites = self._whites[name]
            white = min(COOLEST, max(WARMEST, cct))
            parts = whites.parts(white) if whites is not None else (1.0,)
            for picture, part in zip(self._shares[name].values(), parts, strict=False):
                found += picture * np.float32(amount * part)
        return found

    def frame(
        self, given: Mapping[str, tuple[float, float]]
    ) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
        """What the camera would write of these lamps, with nothing else amiss and no noise; and
        where nobody stands, which is everywhere."""
        codes = self._coded(self.light(given))
        return codes, np.ones(codes.shape[:2], np.bool_)

    def write(self) -> None:
        """One frame, put in place whole."""
        light = self.light(self.given())
        mishap = self.mishap
        if mishap.blind and self._window is not None:
            light = light + self._window * np.float32(mishap.blind)
        if mishap.kicked:
            light = np.roll(light, -mishap.kicked, axis=1)
        noise = self._dice.standard_normal(light.shape, dtype=np.float32)
        light = light + noise * np.sqrt(READ**2 + SHOT * np.maximum(light, 0.0))
        codes = self._coded(light)
        _, data = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        beside = self._file.with_suffix(".part")
        beside.write_bytes(data.tobytes())
        beside.replace(self._file)
        self.frames += 1

    def apart(self, jpeg: bytes, given: Mapping[str, tuple[float, float]]) -> float | None:
        """How far (of 255, mean) a picture is from what the camera would make of these lamps.

        None for what is no picture.
        """
        codes = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR) if jpeg else None
        if codes is None:
            return None
        mine = self._coded(self.light(given))
        codes = cv2.resize(codes, (mine.shape[1], mine.shape[0]), interpolation=cv2.INTER_AREA)
        return float(np.abs(codes.astype(np.float32) - mine.astype(np.float32)).mean())

    def _coded(self, light: Picture) -> NDArray[np.uint8]:
        at = (np.sqrt(np.clip(light, 0.0, 1.0)) * 4095.0).astype(np.uint16)
        return np.rint(self._codes[at]).astype(np.uint8)

    def _work(self) -> None:
        while not self._over.wait(EVERY):
            try:
                self.write()
            except OSError as error:
                self.error = f"no frame could be written: {error.strerror}"
                return


def _whites(pictures: Mapping[float | None, Picture]) -> Whites | None:
    """The whites of a lamp, each as bright as its picture is; None where it has but one."""
    found = {white: picture for white, picture in pictures.items() if white is not None}
    if len(found) < 2 or len(found) < len(pictures):
        return None
    greens = {white: max(1e-9, float(one[..., 1].mean())) for white, one in found.items()}
    return Whites(tuple(greens), tuple(g / green_of(white) for white, g in greens.items()))
