"""What was learned of a set, made ready to look with: one look, a drawing over it, a picture kept.

Knows the files that `keeping.py` keeps, and nothing of brokers, bridges or where frames come from.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.sighting import Sighting
from studiobridge.witness import keeping, stored
from studiobridge.witness.asked import AskBody, Cannot
from studiobridge.witness.contours import FINE, contours
from studiobridge.witness.frames import Frame
from studiobridge.witness.learned import Codes, Kept, Learned
from studiobridge.witness.outlines import outlines
from studiobridge.witness.preview import At, preview
from studiobridge.witness.screen import screen_map
from studiobridge.witness.seeing import Seeing

# A picture in an answer (bytes, before base64).
LARGEST_PICTURE = 150_000
# Around whoever is left out of a kept picture so much more is left out (share of its width).
WIDER = 0.02
# Somebody is where a picture differs from the empty room under the same lamps by this (codes, both
# made smooth).
APART = 14
# With more than this left out there is too little left to hold later ones against.
MOST_LEFT_OUT = 0.4


@dataclass(slots=True)
class Last:
    """The last frame, while it is of now: for who asks for it."""

    frame: Frame
    codes: Codes
    sighting: Sighting | None


def jpeg_of(codes: Codes) -> bytes:
    """A picture small enough for an answer."""
    for quality in (85, 70, 50, 30, 15):
        _, data = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, quality])
        if len(data) <= LARGEST_PICTURE:
            break
    return data.tobytes()


@dataclass(slots=True)
class Eyes:
    """What was learned of a set, made ready to look with; without I/O of its own but reading."""

    profile: SetProfile
    folder: Path
    run: str
    learned: Learned | None = None
    seeing: Seeing | None = None
    # why what is kept of this look is of no use: it costs the reference, not the look
    unkept: str = ""
    _stamps: tuple[Any, ...] = field(default=())

    def ready(self, look: str | None) -> Seeing | None:
        """With what lies there now. None: nothing was learned. Raises keeping.CannotRead."""
        stamps = (look, *(self._stamp(n) for n in (keeping.LEARNED, f"kept-{look}.json")))
        if stamps == self._stamps:
            return self.seeing
        if self.seeing is None or stamps[1] != self._stamps[1]:
            self.seeing = None
            try:
                self.learned = keeping.load(self.folder)
            except FileNotFoundError:
                self.learned = None
                self._stamps = stamps
                return None
            self.seeing = Seeing(self.learned, None, self.profile, self.run)
        self._hold(look, self.seeing)
        self._stamps = stamps
        return self.seeing

    def _hold(self, look: str | None, seeing: Seeing) -> None:
        self.unkept = ""
        try:
            kept = keeping.kept_picture(look, self.folder) if look is not None else None
            seeing.hold_against(kept)
        except stored.CannotRead as error:
            self.unkept = str(error)
            seeing.hold_against(None)
        except ValueError:
            self.unkept = f"the picture kept of '{look}' is of another size than what was learned"
            seeing.hold_against(None)

    def _stamp(self, name: str) -> tuple[int, int] | None:
        try:
            found = (self.folder / name).stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino

    def fitted(self, codes: Codes) -> Codes:
        """At the size that was learned. Raises Cannot where its sides are others."""
        if self.learned is None:
            return codes
        columns, rows = self.learned.size
        high, wide = codes.shape[:2]
        if (wide, high) == (columns, rows):
            return codes
        if abs(wide / high - columns / rows) > 0.01 * columns / rows:
            raise Cannot(
                f"the camera gives {wide} × {high} px now and was learned with {columns} × {rows}:"
                " set it as it was, or learn anew"
            )
        return cv2.resize(codes, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.uint8)

    def look(
        self,
        codes: Codes,
        taken: float | None,
        age: float,
        look: str | None,
        counts_from: float | None = None,
    ) -> tuple[Codes, Sighting | None]:
        seeing = self.ready(look)
        if seeing is None:
            return codes, None
        codes = self.fitted(codes)
        return codes, seeing.look(codes, taken, age, self.wanted(look), counts_from)

    def wanted(self, look: str | None) -> Mapping[str, Preset]:
        found = self.profile.looks.get(look) if look is not None else None
        return {} if found is None else found.presets

    def drawn(self, codes: Codes, sighting: Sighting | None) -> dict[str, Any]:
        """The picture with what is drawn over it."""
        detail: dict[str, Any] = {
            "picture": base64.b64encode(jpeg_of(codes)).decode(),
            "contours": [],
            "outlines": [],
            "sighting": None if sighting is None else asdict(sighting),
        }
        seeing = self.seeing
        if seeing is None or sighting is None or seeing.solved is None or self.learned is None:
            return detail
        keys = next((d.keys for d in self.profile.devices.values() if d.keys is not None), None)
        free = self._free(seeing, 0.0)
        found = screen_map(self.learned, self.learned.curve.linear(codes), free, keys, FINE)
        if found is not None:
            detail["contours"] = [
                {"stops": c.stops, "points": [[round(x, 4), round(y, 4)] for x, y in c.points]}
                for c in contours(found)
            ]
        detail["outlines"] = [
            {
                "what": "light",
                "name": one.device,
                "stops": round(one.stops, 2),
                "points": one.points,
            }
            for one in outlines(self.learned, sighting)
        ]
        if sighting.stray is not None:
            stray = sighting.stray
            sides = {s: round(getattr(stray, s), 4) for s in ("left", "top", "right", "bottom")}
            detail["outlines"].append({"what": "stray", "name": "light from nowhere", **sides})
        return detail

    def _free(self, seeing: Seeing, wider: float) -> Any:
        """Where nobody stands, pixel by pixel; what is left out is made wider by so much."""
        assert seeing.solved is not None
        free = seeing.usable(seeing.solved)
        by = int(wider * free.shape[1])
        if not by:
            return free
        around = np.ones((2 * by + 1, 2 * by + 1), np.uint8)
        return np.asarray(cv2.dilate((~free).astype(np.uint8), around)) == 0

    def _as_learned(self, codes: Codes, seen: Sighting) -> Any:
        """Where the picture is what these lamps make of the empty room, pixel by pixel.

        Finer than the solver's blocks: it may leave part of somebody in who fits by chance.
        """
        assert self.learned is not None
        lights = {
            name: At(
                amount=max(0.0, light.amount.value), cct=light.cct.value if light.cct else None
            )
            for name, light in seen.lights.items()
        }
        empty = preview(self.learned, lights)
        apart = cv2.absdiff(cv2.GaussianBlur(codes, (0, 0), 2), cv2.GaussianBlur(empty, (0, 0), 2))
        other = (apart.max(axis=2) > APART).astype(np.uint8)
        by = max(3, int(WIDER * codes.shape[1]))
        round_ = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * by + 1, 2 * by + 1))
        other = cv2.dilate(cv2.morphologyEx(other, cv2.MORPH_CLOSE, round_), round_)
        # what is enclosed by it is left out too
        outer, _ = cv2.findContours(other, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        return cv2.drawContours(np.zeros_like(other), outer, -1, 1, -1) == 0

    def preview(self, body: AskBody) -> dict[str, Any]:
        """A look as it would be, beside the one that is looked at. Raises Cannot."""
        self.ready(self._stamps[0] if self._stamps else None)
        if self.learned is None:
            raise Cannot("no lamp was learned yet: `studiobridge witness learn`")
        lights = {
            name: At(level=at.get("level"), cct=at.get("cct")) for name, at in body.lights.items()
        }
        if not lights:
            presets = self.wanted(body.look)
            known = {share.device for share in self.learned.shares}
            lights = {
                name: At(level=p.level, cct=p.cct)
                for name, p in presets.items()
                if name in known and p.level is not None
            }
        if not lights:
            raise Cannot("of which lights? name a look of the set, or lights and their levels")
        dimmers = {n: d.dimmer for n, d in self.profile.devices.items() if d.dimmer is not None}
        try:
            codes = preview(self.learned, lights, dimmers)
        except ValueError as error:
            raise Cannot(str(error)) from None
        return {"picture": base64.b64encode(jpeg_of(codes)).decode()}

    def keep(self, look: str, last: Last) -> str:
        """Keep this frame as the picture of a look, without who stands in it. Raises Cannot."""
        seeing, seen = self.seeing, last.sighting
        if seeing is None or seen is None or seeing.solved is None:
            raise Cannot(
                "nothing was learned yet, so nobody could be left out of the picture: `studiobridge"
                " witness learn`"
            )
        bars = [h for h in seen.hinders if h != "moved"]
        if bars:
            raise Cannot(f"not a picture to hold others against: {', '.join(bars)}")
        free = self._free(seeing, WIDER) & self._as_learned(last.codes, seen)
        left_out = 1.0 - float(free.mean())
        if left_out > MOST_LEFT_OUT:
            raise Cannot(
                f"{100 * left_out:.0f} % of it is covered: step out of the picture and keep it then"
            )
        kept = Kept(
            look=look,
            made=datetime.now().astimezone().isoformat(timespec="seconds"),
            codes=last.codes,
            counts=free,
            amounts={name: max(0.0, light.amount.value) for name, light in seen.lights.items()},
            ccts={n: light.cct.value for n, light in seen.lights.items() if light.cct is not None},
        )
        try:
            keeping.keep_picture(kept, self.folder)
        except stored.CannotWrite as error:
            raise Cannot(str(error)) from None
        without = f"; {100 * left_out:.0f} % of it, where somebody may stand, is not in it"
        return (
            f"the picture of '{look}' is kept in {self.folder}{without if left_out > 0 else ''}."
            " Look at it: who is missed by this is in it. It stays until it is kept anew, or"
            " deleted there"
        )
