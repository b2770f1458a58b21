"""Rendered pictures of a set that come with the project: for rehearsals and tests, no camera.

A folder holds `pictures.json` and 16-bit PNGs: the root of linear light (so that the dark keeps
its steps), each against its own `full`. A lamp of two whites is one picture, for it was lit white:
each channel times what its white does to it (`whites`). 1.0 is what just does not clip. How they
were made is in `about.txt` beside them.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from studiobridge.profile.model import Region
from studiobridge.witness.learned import Picture

INDEX = "pictures.json"
SIZE = (960, 540)


def shares(
    folder: Path, pose: int | None = None, size: tuple[int, int] = SIZE
) -> dict[str, dict[float | None, Picture]]:
    """Each lamp at full, alone, by its whites (None: it has one); with somebody in a pose.

    Raises ValueError for a folder that holds no such pictures, and for a pose it has not.
    """
    index = _index(folder)
    key = "nobody" if pose is None else f"pose-{pose}"
    found: dict[str, dict[float | None, Picture]] = {}
    for lamp, what in index["lamps"].items():
        if key not in what:
            raise ValueError(f"{folder}: no picture of {lamp} with somebody in pose {pose}")
        lit = _picture(folder / what[key]["file"], what[key]["full"], size)
        found[lamp] = {
            None if white is None else float(white): lit * np.array(tint, np.float32)
            for white, tint in ((w["cct"], w["bgr"]) for w in what["whites"])
        }
    return found


def dark(folder: Path, size: tuple[int, int] = SIZE) -> Picture:
    """The picture with every lamp off."""
    what = _index(folder)["dark"]
    return _picture(folder / what["file"], what["full"], size)


def foreign(folder: Path, size: tuple[int, int] = SIZE) -> dict[str, Picture]:
    """What is no lamp of the set: a window, which gives the face at 1.0 what the look gives it."""
    return {
        name: _picture(folder / what["file"], what["full"], size)
        * np.array(what["bgr"], np.float32)
        for name, what in _index(folder).get("foreign", {}).items()
    }


def poses(folder: Path) -> int:
    """How many poses there are of somebody in the room."""
    return int(_index(folder)["poses"])


def regions(folder: Path) -> dict[str, Region]:
    """Where face, card and screen are."""
    return {name: Region(*sides) for name, sides in _index(folder)["regions"].items()}


def _index(folder: Path) -> dict[str, Any]:
    try:
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ValueError(f"{folder / INDEX} cannot be read: {error}") from None
    if not isinstance(index, dict) or not {"lamps", "dark", "poses", "regions"} <= set(index):
        raise ValueError(f"{folder / INDEX} does not say which pictures there are")
    return index


def _picture(path: Path, full: float, size: tuple[int, int]) -> Picture:
    try:
        packed = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise ValueError(f"{path} cannot be read: {error.strerror}") from None
    codes = cv2.imdecode(packed, cv2.IMREAD_UNCHANGED) if len(packed) else None
    if codes is None or codes.dtype != np.uint16 or codes.ndim != 3 or not math.isfinite(full):
        raise ValueError(f"{path} is no picture of 16 bits and three colours")
    light = np.square(codes.astype(np.float32) / 65535.0) * np.float32(full)
    # enlarging is a linear step: sums stay sums
    large = cv2.resize(light, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(large, np.float32)
