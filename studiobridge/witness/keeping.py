"""What was learned, and pictures kept of looks, on disk: a folder NAME.witness beside NAME.yaml.

    learned.json          what a person may read: the set, the day, the camera, which lamps
    learned-XXXXXXXX.npz  the arrays that belong to it, named by what is in them
    LOOK.json, LOOK-XXXXXXXX.png   a kept picture; what does not count of it is transparent

Written beside and put in place whole, the readable file last: whenever it is cut off, what was
there before is still good. Pictures are for the user alone (mode 0600; the folder 0700): somebody
may be in one after all. Read as if a stranger had written it: nothing is unpickled, no more is
unpacked than a picture can have, and what does not fit is a `CannotRead` that names the file.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import math
import os
import re
import secrets
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.profile.names import NAME
from studiobridge.witness.learned import Curve, Kept, Learned, Packed, Picture

VERSION = 1
LEARNED, TRIED = "learned.json", "tried"
# A lamp's picture takes so much at most: 960 px square, three colours, half precision.
SHARE_BYTES = 960 * 960 * 3 * 2
# The largest picture (px) and the most of them that are ever read: eight million pixels of 64
# lamps would be learned from nothing that a small set has.
MOST_PIXELS = 8_500_000
MOST_SHARES = 64
MOST_TOGETHER = 1_000_000_000  # bytes of arrays once unpacked
MOST_TEXT = 1_000_000  # bytes of a readable file
MOST_FILE = 400_000_000  # bytes of any other
MOST_KEPT = 200
# Linear light beyond this is no light of a lamp (1.0 just does not clip).
BRIGHTEST = 60_000.0  # what half precision holds
_ARRAYS = re.compile(r"learned-[0-9a-f]{16}\.npz\Z")
_PICTURE = re.compile(r"[a-z0-9-]{1,40}-[0-9a-f]{16}\.png\Z")


class CannotRead(Exception):
    """What is kept cannot be used: which file, why, what to do."""


class CannotWrite(Exception):
    """It cannot be kept: which file and why."""


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
    _make(folder)
    _put(folder / file, content)
    _put(folder / LEARNED, _text(said))
    for old in _files(folder):
        if _ARRAYS.match(old.name) and old.name != file:
            with contextlib.suppress(OSError):
                old.unlink()


def may_save(folder: Path, shares: int) -> None:
    """Will so many lamps' pictures find room there? Raises CannotWrite: before, not after."""
    _make(folder)
    _put(folder / TRIED, b"this file is of no use\n")
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
    said = _said(path)
    of = _Reader(path, said)
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
    arrays = _arrays(folder / file, of.text("arrays", "sha256", most=64), shapes)
    curve = Curve(_single(arrays["light"]), _single(arrays["sure"]))
    if not (np.diff(curve.light, axis=1) > 0).all() or (curve.sure < 0).any():
        raise CannotRead(f"{folder / file}: its curve does not rise; {_AGAIN}")
    shares = []
    for n, light in enumerate(lights):
        entry = _Reader(path, light if isinstance(light, dict) else {})
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


def _error(of: _Reader) -> float | None:
    """None where nothing was held to account; files of before wrote 0 then."""
    if of.said.get("error_stops", 0) is None:
        return None
    return of.number("error_stops", low=0, high=100) or None


def _dimmers(of: _Reader) -> dict[str, tuple[tuple[float, float], ...]]:
    found: dict[str, tuple[tuple[float, float], ...]] = {}
    said = of.said.get("dimmers")
    if not isinstance(said, dict) or len(said) > MOST_SHARES:
        of.wrong("'dimmers' is not what was written there")
    for name, rows in said.items():
        if not NAME.match(name) or not isinstance(rows, list) or len(rows) > 100:
            of.wrong("'dimmers' is not what was written there")
        points = []
        for row in rows:
            good = isinstance(row, list) and len(row) == 2 and all(map(_finite, row))
            if not good or not 0 <= row[0] <= 100 or not 0 <= row[1] <= 1000:
                of.wrong("'dimmers' is not what was written there")
            points.append((float(row[0]), float(row[1])))
        found[name] = tuple(points)
    return found


def _camera(of: _Reader) -> dict[str, str]:
    said = of.said.get("camera")
    if not isinstance(said, dict) or len(said) > 50:
        of.wrong("'camera' is not what was written there")
    return {str(key)[:60]: str(value)[:200] for key, value in said.items()}


def _region(of: _Reader, key: str) -> Region | None:
    regions = of.said.get("regions")
    sides = regions.get(key) if isinstance(regions, dict) else None
    if sides is None:
        return None
    if not isinstance(sides, list) or len(sides) != 4 or not all(map(_finite, sides)):
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
    names = {path.name for path in _files(folder) if path.name.startswith("kept-")}
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
    _make(folder)
    _put(folder / file, content)
    _put(folder / _kept_file(kept.look), _text(said))
    for old in _files(folder):
        if _PICTURE.match(old.name) and old.name[:-21] == kept.look and old.name != file:
            with contextlib.suppress(OSError):
                old.unlink()


def kept_picture(look: str, folder: Path) -> Kept | None:
    """The picture kept of this look; None where there is none. Raises CannotRead."""
    if not NAME.match(look):
        return None
    path = folder / _kept_file(look)
    try:
        said = _said(path)
    except FileNotFoundError:
        return None
    of = _Reader(path, said)
    file, digest = of.text("picture", "file", most=80), of.text("picture", "sha256", most=64)
    if not _PICTURE.match(file) or file[:-21] != look or of.text("look", most=40) != look:
        of.wrong("it names no picture of this look")
    content = _content(folder / file, digest)
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
    for path in sorted(_files(folder)):
        if path.name.startswith("kept-") and path.suffix == ".json" and len(found) < MOST_KEPT:
            kept = kept_picture(path.stem[len("kept-") :], folder)
            if kept is not None:
                found[kept.look] = kept
    return found


def forget_picture(look: str, folder: Path) -> bool:
    """Remove what is kept of this look; was there anything?"""
    gone = False
    for path in _files(folder):
        picture = _PICTURE.match(path.name) and path.name[:-21] == look
        if picture or path.name == _kept_file(look):
            path.unlink(missing_ok=True)
            gone = True
    return gone


def _kept_file(look: str) -> str:
    return f"kept-{look}.json"


# ---- files ----------------------------------------------------------------------

_AGAIN = "learn anew: `studiobridge witness learn`"


def _half(light: Picture) -> NDArray[np.float16]:
    """Half precision: 0.0007 stop, far below what a camera of 8 bits can tell."""
    return np.clip(light, 0.0, BRIGHTEST).astype(np.float16)


def _text(said: Mapping[str, Any]) -> bytes:
    return (json.dumps(said, indent=1, ensure_ascii=False) + "\n").encode()


def _make(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
    except OSError as error:
        raise CannotWrite(f"{folder} cannot be made: {error.strerror or error}") from None


def _put(path: Path, content: bytes) -> None:
    """Whole, or not at all."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise CannotWrite(f"{path} cannot be written: {error.strerror or error}") from None


def _files(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.iterdir() if path.is_file()]
    except OSError:
        return []


def _bytes(path: Path, most: int) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(most + 1)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise CannotRead(f"{path} cannot be read: {error.strerror or error}") from None
    if len(content) > most:
        raise CannotRead(f"{path} is larger than anything that is kept there")
    return content


def _said(path: Path) -> dict[str, Any]:
    try:
        said = json.loads(_bytes(path, MOST_TEXT))
    except (ValueError, RecursionError):
        raise CannotRead(f"{path} is damaged: no JSON; {_AGAIN}") from None
    if not isinstance(said, dict):
        raise CannotRead(f"{path} is damaged: not what was written there; {_AGAIN}")
    if said.get("version") != VERSION:
        raise CannotRead(
            f"{path} is of another version of studiobridge (this one reads {VERSION}); {_AGAIN}"
        )
    return said


def _content(path: Path, digest: str) -> bytes:
    try:
        content = _bytes(path, MOST_FILE)
    except FileNotFoundError:
        raise CannotRead(f"{path} is gone; {_AGAIN}") from None
    if hashlib.sha256(content).hexdigest() != digest:
        raise CannotRead(f"{path} is damaged: it is not what was written there; {_AGAIN}")
    return content


def _arrays(
    path: Path, digest: str, shapes: Mapping[str, tuple[int, ...]]
) -> dict[str, NDArray[np.floating]]:
    """The arrays of these names and shapes, and nothing else that a file may say it has."""
    if sum(4 * math.prod(shape) for shape in shapes.values()) > MOST_TOGETHER:
        raise CannotRead(f"{path}: more pictures than this reads; {_AGAIN}")
    content = _content(path, digest)
    found: dict[str, NDArray[np.floating]] = {}
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            for name, shape in shapes.items():
                with packed.open(f"{name}.npy") as file:
                    found[name] = _array(file, shape)
    except (KeyError, ValueError, EOFError, OSError, zipfile.BadZipFile, NotImplementedError):
        raise CannotRead(f"{path} is damaged; {_AGAIN}") from None
    except (zipfile.LargeZipFile, MemoryError, RuntimeError):
        raise CannotRead(f"{path} cannot be unpacked; {_AGAIN}") from None
    return found


def _array(file: Any, shape: tuple[int, ...]) -> NDArray[np.floating]:
    # the header first: it is read before a byte of what it promises is unpacked
    version = np.lib.format.read_magic(file)
    if version != (1, 0):
        raise ValueError("another form of array")
    found, fortran, kind = np.lib.format.read_array_header_1_0(file)
    if found != shape or fortran or kind not in (np.dtype("<f2"), np.dtype("<f4")):
        raise ValueError("another shape")
    size = math.prod(shape) * kind.itemsize
    content = file.read(size)
    if len(content) != size:
        raise ValueError("cut off")
    array: NDArray[np.floating] = np.frombuffer(content, kind).reshape(shape)
    if not np.isfinite(array).all():
        raise ValueError("no light")
    return array


def _single(array: NDArray[np.floating]) -> NDArray[np.float32]:
    return array.astype(np.float32)


def _png_pixels(content: bytes) -> int:
    """What a PNG says of its size, before anything is unpacked (ISO/IEC 15948, 11.2.2)."""
    if content[:8] != b"\x89PNG\r\n\x1a\n" or content[12:16] != b"IHDR":
        return MOST_PIXELS + 1
    return int.from_bytes(content[16:20]) * int.from_bytes(content[20:24])


def _finite(value: object) -> bool:
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < 1e12  # NaN is not
    )


class _Reader:
    """Takes figures out of what was read, and says where one is not what it should be."""

    def __init__(self, path: Path, said: Mapping[str, Any]) -> None:
        self.path = path
        self.said = said

    def wrong(self, what: str) -> NoReturn:
        raise CannotRead(f"{self.path} is damaged: {what}; {_AGAIN}")

    def _at(self, *keys: str) -> Any:
        at: Any = self.said
        for key in keys:
            at = at.get(key) if isinstance(at, dict) else None
        return at

    def text(self, *keys: str, most: int) -> str:
        found = self._at(*keys)
        if not isinstance(found, str) or len(found) > most or not found.isprintable():
            self.wrong(f"'{'.'.join(keys)}' is not what was written there")
        return found

    def name(self, *keys: str) -> str:
        found = self.text(*keys, most=40)
        if not NAME.match(found):
            self.wrong(f"'{'.'.join(keys)}' is no name")
        return found

    def number(self, *keys: str, low: float, high: float) -> float:
        found = self._at(*keys)
        if not _finite(found) or not low <= found <= high:
            self.wrong(f"'{'.'.join(keys)}' is no number of its kind")
        return float(found)

    def whole(self, *keys: str, low: int, high: int) -> int:
        found = self.number(*keys, low=low, high=high)
        if found != int(found):
            self.wrong(f"'{'.'.join(keys)}' is no whole number")
        return int(found)

    def list(self, *keys: str, most: int) -> list[Any]:
        found = self._at(*keys)
        if not isinstance(found, list) or len(found) > most:
            self.wrong(f"'{'.'.join(keys)}' is not what was written there")
        return found

    def figures(self, key: str, low: float, high: float) -> dict[str, float]:
        found = self._at(key)
        if not isinstance(found, dict) or len(found) > MOST_SHARES:
            self.wrong(f"'{key}' is not what was written there")
        for name, figure in found.items():
            if not NAME.match(name) or not _finite(figure) or not low <= figure <= high:
                self.wrong(f"'{key}' is not what was written there")
        return {name: float(figure) for name, figure in found.items()}
