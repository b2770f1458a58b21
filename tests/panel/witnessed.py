"""A witness for the page: a picture of our own making, drawn by numbers, with lines and outlines."""

from __future__ import annotations

import base64
import time
from collections.abc import Mapping
from dataclasses import asdict, replace
from functools import cache
from typing import Any

import cv2
import numpy as np

from studiobridge.profile import read_profile
from studiobridge.profile.model import Region, SetProfile, Witness
from studiobridge.profile.said import Answer
from studiobridge.profile.sighting import (
    Band,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from tests.panel.states import DIALS, begun, comes_to, said
from tests.panel.studio import CONFIG

cv2.setNumThreads(1)
WITNESS = Witness("file", "/tmp/none.jpg", 10.0, face=Region(0.42, 0.2, 0.58, 0.5))
PROFILE: SetProfile = replace(read_profile(CONFIG / "wheel-corner.yaml").profile, witness=WITNESS)
ALIVE = {
    "alive": True,
    "run": "r1",
    "what": "looking",
    "why": "",
    "learned": "2026-11-01T10:00:00Z",
    "every": 10.0,
}
FULL = {"key": (0.35, 0.4), "fill": (0.7, 0.45), "cloth": (0.5, 0.2), "rim": (0.6, 0.6)}


def picture(lights: Mapping[str, Any] | None = None, wide: int = 960, high: int = 540) -> bytes:
    """A cloth that falls off to its corners, a table, somebody; each lamp a soft patch of light."""
    levels = dict.fromkeys(FULL, 50.0)
    if lights is not None:
        levels = {name: float(at.get("level", 0.0)) for name, at in lights.items()}
    return _drawn(tuple(sorted(levels.items())), wide, high)


@cache
def _drawn(levels: tuple[tuple[str, float], ...], wide: int, high: int) -> bytes:
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
    x, y = x / wide, y / high
    level = dict(levels)
    light = np.full((high, wide), 0.02, np.float32)
    for name, (u, v) in FULL.items():
        fall = np.exp(-(((x - u) / 0.45) ** 2 + ((y - v) / 0.5) ** 2))
        light += 0.008 * level.get(name, 0.0) * fall
    paint = np.stack([0.55 * light, 0.62 * light, 0.7 * light], -1)
    body = ((x - 0.5) / 0.16) ** 2 + ((y - 0.95) / 0.42) ** 2 < 1
    head = ((x - 0.5) / 0.065) ** 2 + ((y - 0.36) / 0.15) ** 2 < 1
    paint[body] *= np.array([0.45, 0.35, 0.3], np.float32)
    paint[head] *= np.array([0.8, 1.0, 1.35], np.float32)
    paint[y > 0.86] *= 0.55
    codes = np.clip(255 * np.clip(paint, 0, 1) ** (1 / 2.2), 0, 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, 85])
    assert done
    return bytes(data.tobytes())


def text(data: bytes) -> str:
    return base64.b64encode(data).decode()


def rings() -> list[dict[str, Any]]:
    """Lines about the middle of the cloth, a quarter of a stop apart."""
    found = []
    for n, stops in enumerate((-0.25, -0.5, -0.75, -1.0)):
        turn = np.linspace(-3.0, 0.0, 40)
        across, down = 0.16 + 0.09 * n, 0.14 + 0.07 * n
        points = [
            [round(0.5 + across * float(np.cos(a)), 4), round(0.36 + down * float(np.sin(a)), 4)]
            for a in turn
        ]
        found.append({"stops": stops, "points": points})
    return found


def sighting(now: float | None = None, **more: Any) -> dict[str, Any]:
    taken = time.time() if now is None else now
    lights = {
        name: SeenLight(Band(0.45, 0.5, 0.55), stops=Band(-0.04, 0.0, 0.05))
        for name in ("key", "fill", "cloth", "edge-right")
    }
    found = Sighting(
        run="r1",
        frame=12,
        taken=taken,
        age=0.2,
        learned="2026-11-01T10:00:00Z",
        kept="lesson",
        kept_at="2026-11-20T10:00:00Z",
        lights=lights,
        framing=SeenFraming(0.1, 0.1, 0.0, 1.0, 0.0, moved=False),
        screen=SeenScreen(
            Band(0.85, 0.95, 1.05), "upper left", -0.9, against_face=-1.4, covered=0.2, change=0.02
        ),
        white=SeenWhite("face", Band(-3, 0, 3), Band(-0.001, 0.0, 0.001)),
        exposure=Band(-0.04, 0.0, 0.05),
        covered=0.22,
    )
    return asdict(replace(found, **more))


def moved(now: float | None = None) -> dict[str, Any]:
    """All at once: a lamp, daylight, the tripod."""
    found = sighting(
        now,
        stray=Stray(Band(0.035, 0.04, 0.05), "left"),
        framing=SeenFraming(-14.0, 3.0, 1.2, 1.0, 0.0149, moved=True, softer=0.1),
    )
    rim = SeenLight(Band(0.3, 0.35, 0.4), stops=Band(-0.5, -0.4, -0.3), moved=True)
    dim = SeenLight(Band(0.0, 0.4, 1.0), stops=Band(-2, 0, 2), tells=False)
    found["lights"] |= {"rim": asdict(rim), "edge-left": asdict(dim)}
    return found


def of_bridge(seen: dict[str, Any] | None, as_kept: bool | None = True, **more: Any) -> Any:
    """As a state has it."""
    return {
        "witness": "looking",
        "witness_why": "",
        "trust": "usable",
        "as_kept": as_kept,
        "why": "",
        "differs": [],
        "holds_s": 35.0,
        "age_s": 1.0,
        "sighting": seen,
        **more,
    }


DIFFERS = [
    {"device": "rim", "what": "level", "by": -0.4, "band": [-0.5, -0.3], "text": "", "size": 3.0},
    {"device": None, "what": "stray", "text": "", "size": 1.2},
]
LIT = {
    "what": "light",
    "name": "rim",
    "points": [[0.62, 0.5], [0.75, 0.42], [0.86, 0.55], [0.84, 0.8], [0.66, 0.82]],
}


def sees(what: str, look: str | None, lights: Mapping[str, Any]) -> Answer:
    """What a witness answers that works."""
    if what == "preview":
        return Answer("x", True, 0, "", {"picture": text(picture(lights, 480, 270))})
    return Answer(
        "x",
        True,
        0,
        "looked",
        {
            "picture": text(picture()),
            "contours": rings(),
            "outlines": [LIT],
            "sighting": moved(),
        },
    )


def ready() -> dict[str, Any]:
    """The wheel corner, up in its look, with a picture that is as kept."""
    play = begun(PROFILE)
    play.ask("up")
    comes_to(play, "ready", "adrift")
    for _ in range(3):
        for plug, watts in DIALS.items():
            play.report(plug, "watts", watts)
        play.run(5.0)
    comes_to(play, "ready")
    found = said(play)
    found["state"]["picture_seen"] = of_bridge(sighting())
    return found
