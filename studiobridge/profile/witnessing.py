"""`witness:`: where the frames of the camera's picture come from, and what of it is looked at."""

from __future__ import annotations

import re
from collections.abc import Mapping
from urllib.parse import urlsplit

from studiobridge.profile.findings import Part
from studiobridge.profile.model import Device, FramesFrom, Region, Witness
from studiobridge.profile.plain import quoted
from studiobridge.profile.shape import RegionShape
from studiobridge.profile.text import Path

_FORMS = "write 'file PATH', 'folder PATH', 'http://…', 'rtsp://…' or 'device 0'"
_SCHEMES = ("http", "https", "rtsp", "rtsps")
# A look at the picture costs a twentieth of a second of processor time: not more often (s).
OFTEN = 0.25
# A part of the picture smaller than this (share of a side) has too few blocks to say anything.
SMALLEST = 0.02


def frames_from(text: str) -> tuple[FramesFrom, str]:
    """Of which kind a source of frames is, and where. Raises ValueError."""
    word, _, rest = text.strip().partition(" ")
    rest = rest.strip()
    if word == "file" and rest:
        return "file", rest
    if word == "folder" and rest:
        return "folder", rest
    if word == "device" and re.fullmatch(r"[0-9]{1,3}|/dev/[A-Za-z0-9/_.-]{1,100}", rest):
        return "device", rest
    try:
        parts = urlsplit(text.strip())
        here = parts.scheme in _SCHEMES and bool(parts.hostname) and (parts.port or 1) > 0
        secret = parts.username is not None or parts.password is not None
    except ValueError:
        here = secret = False
    if here and secret:
        raise ValueError(
            "a name and a password do not stand in a profile; see `frames` in settings"
        )
    if here:
        return "address", text.strip()
    raise ValueError(f"{quoted(text)} is no source of frames")


class Witnessing(Part):
    """Reads `witness:`."""

    def witness(self, devices: Mapping[str, Device]) -> Witness | None:
        shape = self.shape.witness
        if shape is None:
            return None
        if not any(device.fixture for device in devices.values()):
            self.wrong(("witness",), "there is no light to see", "leave witness: out", key=True)
        every = float(shape.every)
        if every < OFTEN:
            what = f"a frame every {every:g} s is more than a small computer looks at"
            self.wrong(("witness", "every"), what, f"write {OFTEN:g} s or more")
        try:
            kind, where = frames_from(shape.frames)
        except ValueError as error:
            self.wrong(("witness", "frames"), str(error), _FORMS)
            return None
        return Witness(
            kind=kind,
            where=where,
            every=every,
            face=self._region("face", shape.face),
            card=self._region("card", shape.card),
            screen=self._region("screen", shape.screen),
        )

    def _region(self, key: str, shape: RegionShape | None) -> Region | None:
        if shape is None:
            return None
        for side, (low, high) in (("across", shape.across), ("down", shape.down)):
            if high - low < 100 * SMALLEST:
                at: Path = ("witness", key, side)
                what = f"{low:g} to {high:g} % is too small a part of the picture"
                self.wrong(at, what, f"write at least {100 * SMALLEST:g} %")
        (left, right), (top, bottom) = shape.across, shape.down
        return Region(left / 100, top / 100, right / 100, bottom / 100)
