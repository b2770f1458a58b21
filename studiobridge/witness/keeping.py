"""What was learned, and pictures kept of looks, on disk: a folder NAME.witness beside NAME.yaml.

    learned.json          what a person may read: the set, the day, the camera, which lamps
    learned-XXXXXXXX.npz  the arrays that belong to it, named by what is in them
    kept-LOOK.json, LOOK-XXXXXXXX.png   a kept picture; what does not count of it is transparent

The readable file is put last: whenever it is cut off, what was there before is still good. How a
file is put, and how it is read without trusting it, is `stored.py`.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.profile.names import NAME
from studiobridge.witness.learned import Curve, Kept, Learned, Packed, Picture
from studiobridge.witness.stored import (
    AGAIN,
    MOST_SHARES,
    VERSION,
    CannotRead,
    CannotWrite,
    Reader,
    arrays_in,
    as_text,
    content_of,
    files_in,
    finite,
    make_folder,
    put,
    said_in,
)

LEARNED, TRIED = "learned.json", "tried"
# A lamp's picture takes so much at most: 960 px square, three colours, half precision.
SHARE_BYTES = 960 * 960 * 3 * 2
# The largest picture (px) that is ever read: nothing that a small set has makes a larger one.
MOST_PIXELS = 8_500_000
# So many kept pictures a folder holds at most.
MOST_KEPT = 200
# Linear light beyond this is no light of a lamp (1.0 just does not clip).
BRIGHTEST = 60_000.0  # what half precision holds
_ARRAYS = re.compile(r"learned-[0-9a-f]{16}\.npz\Z")
_PICTURE = re.compile(r"[a-z0-9-]{1,40}-[0-9a-f]{16}\.png\Z")


def folder_of(profile: Path) -> Path:
    """Where what is learned with this profile is kept."""
    return profile.with_name(f"{profile.stem}.witness")


# ---- what was learned ----------------------------------------------------------------------


def save(learned: Learned, folder: Path) -> None:
    """Keep it, in place of what was there. Raises CannotWrite."""
    arrays: dict[str, NDArray[Any]] = {
        "light": learned.curve.light.astype(np.float32),
        "sure": learned.curve.sure.astype(np.float32),
        "dark": _half(learned.dark),
    }
    for n, share in enumerate(learned.shares):
        arrays[f"share{n}"] = _half(share.light)
    packed = io.BytesIO()
    np.savez_compressed(packed, allow_pickle=False, **arrays)
    content = packed.getvalue()
    digest = hashlib.sha256(content).hexdigest()
    file = f"learned-{digest[:16]}.npz"
    columns, rows = learned.size
    said = {
        "version": VERSION,
        "set": learned.set_name,
        "made": learned.made,
        "picture": {"columns": columns, "rows": rows},
        "camera": dict(learned.camera),
        "lights": [{"device": s.device, "cct": s.cct} for s in learned.shares],
        "dimmers": {name: [list(at) for at in rows] for name, rows in learned.dimmers.items()},
        "noise": {"read": learned.read, "shot": learned.shot},
        "clips": learned.clips,
        "error_stops": learned.error,
        "places": learned.places,
        "regions": {
            key: [r.left, r.top, r.right, r.bottom]
            for key, r in (("face", learned.face), ("card", learned.card))
            if r is not None
        }
        | ({"screen": _sides(learned.screen)} if learned.screen is not None else {}),
        "arrays": {"file": file, "sha256": digest},
    }
    make_folder(folder)
    put(folder / file, content)
    put(folder / LEARNED, as_text(said))
    for old in files_in(folder):
        if _ARRAYS.match(old.name) and old.name != file:
            with contextlib.suppress(OSError):
                old.unlink()


def may_save(folder: Path, shares: int) -> None:
    """Will so many lamps' pictures find room there? Raises CannotWrite: before, not after."""
    make_folder(folder)
    put(folder / TRIED, b"this file is of no use\n")
    (folder / TRIED).unlink(missing_ok=True)
    system = os.statvfs(folder)
    free, most = system.f_bavail * system.f_frsize, (shares + 1) * SHARE_BYTES
    if free < most:
        raise CannotWrite(
            f"{folder}: the disk has {free / 1e6:.0f} MB left, and what is learned may take"
            f" {most / 1e6:.0f}: make room first"
        )


def load(folder: Path) -> Learned:
    """What was learned. Raises FileNotFoundError where nothing was, CannotRead otherwise."""
    path = folder / LEARNED
    said = said_in(path)
    of = Reader(path, said)
    file = of.text("arrays", "file", most=60)
    if not _ARRAYS.match(file):
        of.wrong("it names no file of arrays")
    columns = of.whole("picture", "columns", low=16, high=20_000)
    rows = of.whole("picture", "rows", low=16, high=20_000)
    if columns * rows > MOST_PIXELS:
        of.wrong("its picture is larger than any that is looked at")
    lights = of.list("lights", most=MOST_SHARES)
    shapes: dict[str, tuple[int, ...]] = {
        "light": (3, 256),
        "sure": (3, 256),
        "dark": (rows, columns, 3),
        **{f"share{n}": (rows, columns, 3) for n in range(len(lights))},
    }
    arrays = arrays_in(folder / file, of.text("arrays", "sha256", most=64), shapes)
    curve = Curve(_single(arrays["light"]), _single(arrays["sure"]))
    if not (np.diff(curve.light, axis=1) > 0).all() or (curve.sure < 0).any():
        raise CannotRead(f"{folder / file}: its curve does not rise; {AGAIN}")
    shares = []
    for n, light in enumerate(lights):
        entry = Reader(path, light if isinstance(light, dict) else {})
        cct = entry.said.get("cct")
        white = None if cct is None else entry.number("cct", low=500, high=50_000)
        shares.append(Packed(entry.name("device"), white, arrays[f"share{n}"]))
    return Learned(
        set_name=of.name("set"),
        made=of.text("made", most=40),
        curve=curve,
        dark=_single(arrays["dark"]),
        shares=tuple(shares),
        dimmers=_dimmers(of),
        read=of.number("noise", "read", low=0, high=1),
        shot=of.number("noise", "shot", low=0, high=1),
        clips=of.whole("clips", low=1, high=256),
        error=_error(of),
        places=of.text("places", most=100),
        face=_region(of, "face"),
        card=_region(of, "card"),
        screen=_region(of, "screen"),
        camera=_camera(of),
    )


def _error(of: Reader) -> float | None:
    """None where nothing was held to account; files of before wrote 0 then."""
    if of.said.get("error_stops", 0) is None:
        return None
    return of.number("error_stops", low=0, high=100) or None


def _dimmers(of: Reader) -> dict[str, tuple[tuple[float, float], ...]]:
    found: dict[str, tuple[tuple[float, float], ...]] = {}
    said = of.said.get("dimmers")
    if not isinstance(said, dict) or len(said) > MOST_SHARES:
        of.wrong("'dimmers' is not what was written there")
    for name, rows in said.items():
        if not NAME.match(name) or not isinstance(rows, list) or len(rows) > 100:
            of.wrong("'dimmers' is not what was written there")
        points = []
        for row in rows:
            good = isinstance(row, list) and len(row) == 2 and all(map(finite, row))
            if not good or not 0 <= row[0] <= 100 or not 0 <= row[1] <= 1000:
                of.wrong("'dimmers' is not what was written there")
            points.append((float(row[0]), float(row[1])))
        found[name] = tuple(points)
    return found


def _camera(of: Reader) -> dict[str, str]:
    said = of.said.get("camera")
    if not isinstance(said, dict) or len(said) > 50:
        of.wrong("'camera' is not what was written there")
    return {str(key)[:60]: str(value)[:200] for key, value in said.items()}


def _region(of: Reader, key: str) -> Region | None:
    regions = of.said.get("regions")
    sides = regions.get(key) if isinstance(regions, dict) else None
    if sides is None:
        return None
    if not isinstance(sides, list) or len(sides) != 4 or not all(map(finite, sides)):
        of.wrong(f"'{key}' is no part of a picture")
    left, top, right, bottom = map(float, sides)
    if not (0 <= left < right <= 1 and 0 <= top < bottom <= 1):
        of.wrong(f"'{key}' is no part of a picture")
    return Region(left, top, right, bottom)


def _sides(region: Region) -> list[float]:
    return [region.left, region.top, region.right, region.bottom]


# ---- kept pictures ----------------------------------------------------------------------


def keep_picture(kept: Kept, folder: Path) -> None:
    """Keep this picture of its look, in place of the one before. Raises CannotWrite."""
    if not NAME.match(kept.look):
        raise CannotWrite("a kept picture is one of a look of the set")
    alpha = np.where(kept.counts, 255, 0).astype(np.uint8)
    # what does not count is not kept either: somebody may have stood there
    codes = np.where(kept.counts[..., None], kept.codes, 0).astype(np.uint8)
    names = {path.name for path in files_in(folder) if path.name.startswith("kept-")}
    if len(names) >= MOST_KEPT and _kept_file(kept.look) not in names:
        raise CannotWrite(f"{folder} holds {len(names)} kept pictures: delete some first")
    good, png = cv2.imencode(".png", np.dstack([codes, alpha]))
    if not good:
        raise CannotWrite(f"the picture of '{kept.look}' cannot be written as PNG")
    content = png.tobytes()
    digest = hashlib.sha256(content).hexdigest()
    file = f"{kept.look}-{digest[:16]}.png"
    said = {
        "version": VERSION,
        "look": kept.look,
        "made": kept.made,
        "amounts": dict(kept.amounts),
        "ccts": dict(kept.ccts),
        "picture": {"file": file, "sha256": digest},
    }
    make_folder(folder)
    put(folder / file, content)
    put(folder / _kept_file(kept.look), as_text(said))
    for old in files_in(folder):
        if _PICTURE.match(old.name) and old.name[:-21] == kept.look and old.name != file:
            with contextlib.suppress(OSError):
                old.unlink()


def kept_picture(look: str, folder: Path) -> Kept | None:
    """The picture kept of this look; None where there is none. Raises CannotRead."""
    if not NAME.match(look):
        return None
    path = folder / _kept_file(look)
    try:
        said = said_in(path)
    except FileNotFoundError:
        return None
    of = Reader(path, said)
    file, digest = of.text("picture", "file", most=80), of.text("picture", "sha256", most=64)
    if not _PICTURE.match(file) or file[:-21] != look or of.text("look", most=40) != look:
        of.wrong("it names no picture of this look")
    content = content_of(folder / file, digest)
    if _png_pixels(content) > MOST_PIXELS:
        raise CannotRead(f"{folder / file}: larger than any picture that is looked at")
    picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_UNCHANGED)
    if picture is None or picture.ndim != 3 or picture.shape[2] != 4 or picture.dtype != np.uint8:
        raise CannotRead(f"{folder / file}: no picture that was kept here; keep it anew")
    return Kept(
        look=look,
        made=of.text("made", most=40),
        codes=np.ascontiguousarray(picture[..., :3]),
        counts=picture[..., 3] == 255,
        amounts=of.figures("amounts", 0, 1000),
        ccts=of.figures("ccts", 500, 50_000),
    )


def kept_pictures(folder: Path) -> dict[str, Kept]:
    """Every picture that is kept, by look. Raises CannotRead."""
    found: dict[str, Kept] = {}
    for path in sorted(files_in(folder)):
        if path.name.startswith("kept-") and path.suffix == ".json" and len(found) < MOST_KEPT:
            kept = kept_picture(path.stem[len("kept-") :], folder)
            if kept is not None:
                found[kept.look] = kept
    return found


def _kept_file(look: str) -> str:
    return f"kept-{look}.json"


# ---- arrays and pixels ----------------------------------------------------------------------


def _half(light: Picture) -> NDArray[np.float16]:
    """Half precision: 0.0007 stop, far below what a camera of 8 bits can tell."""
    return np.clip(light, 0.0, BRIGHTEST).astype(np.float16)


def _single(array: NDArray[np.floating]) -> NDArray[np.float32]:
    return array.astype(np.float32)


def _png_pixels(content: bytes) -> int:
    """What a PNG says of its size, before anything is unpacked (ISO/IEC 15948, 11.2.2)."""
    if content[:8] != b"\x89PNG\r\n\x1a\n" or content[12:16] != b"IHDR":
        return MOST_PIXELS + 1
    return int.from_bytes(content[16:20]) * int.from_bytes(content[20:24])
