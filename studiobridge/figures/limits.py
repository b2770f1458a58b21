"""Why a wish for the picture cannot be had with the lights as they stand, and what would give it.

A light at the end of its range would have to stand nearer or farther; a backdrop that the lights on
the face already light cannot be darker than they make it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from studiobridge.figures import calibration
from studiobridge.figures.rays import Point3, at, facing, thrown
from studiobridge.figures.targets import Lamp
from studiobridge.profile.model import Device, SetProfile

What = Literal["face", "ratio", "backdrop", "rim", "even"]
# Whose wish it is: asked for now, what the look says it is for, or how the look stands.
By = Literal["asked", "look", "as it is"]
# From here on a wish is called missed (stops); a third of a stop is what one sees at once.
MISSED = 0.1
# No light is asked to stand nearer to a face (m), and without a room's sides no farther.
NEAREST, FARTHEST = 0.5, 10.0


@dataclass(frozen=True, slots=True)
class Wish:
    """One wish and what becomes of it: lx on the face, key over fill, else stops.

    `off` is stops above what is wanted. Where it is missed, `nearest` is the nearest to it that
    there is with the face and its ratio as wanted, and with all that was not missed. `on_dome`: lx
    as a dome reads it.
    """

    what: What
    device: str | None
    by: By
    wanted: float
    got: float
    off: float
    nearest: float | None = None
    on_dome: bool = False

    @property
    def missed(self) -> bool:
        return abs(self.off) > MISSED


@dataclass(frozen=True, slots=True)
class Limit:
    """What stands in the way of one wish.

    `why`: `lights` are as bright (`most`) or as dark (`least`) as they go, or they light the
    backdrop for the face's sake (`lit`: `lux` is what falls on its middle from the brightest of
    them), or nothing but other wishes (`others`). `moves`: how far each stands from the mark now,
    and where it would do (m).
    """

    wish: Wish
    why: Literal["most", "least", "lit", "others"]
    lights: tuple[str, ...]
    moves: tuple[tuple[str, float, float], ...] = ()
    lux: float | None = None


def limits_of(
    profile: SetProfile, lamps: Sequence[Lamp], levels: Sequence[float], wishes: Iterable[Wish]
) -> list[Limit]:
    """A limit for each wish that is missed."""
    set_to = list(zip(lamps, levels, strict=True))
    if profile.readings:
        profile = calibration.settled(profile)  # lights are moved about, and their readings are not
    return [_limit(profile, set_to, wish) for wish in wishes if wish.missed]


def _limit(profile: SetProfile, set_to: Sequence[tuple[Lamp, float]], wish: Wish) -> Limit:
    if wish.what == "backdrop":
        return _behind(profile, set_to, wish)
    over = {"face": ("key", "fill"), "ratio": ("key",), "rim": ("rim",)}[wish.what]
    too_much = wish.off > 0
    ups = [(lamp, v) for lamp, v in set_to if lamp.role in over]
    if wish.what == "rim":
        ups = [(lamp, v) for lamp, v in ups if lamp.name == wish.device]
    ends = _at_end(ups, least=too_much)
    # its light has to come to this share of what it is now
    factor = 2.0**-wish.off
    if not ends and wish.what == "ratio":
        ends = _at_end([(lamp, v) for lamp, v in set_to if lamp.role == "fill"], not too_much)
        too_much, factor = not too_much, 1.0 / factor
    if not ends:
        return Limit(wish, "others", ())
    moves = []
    for lamp in ends:
        found = moved(profile, profile.devices[lamp.name], factor, straight=wish.what == "rim")
        if found is not None:
            moves.append((lamp.name, *found))
    why: Literal["most", "least"] = "least" if too_much else "most"
    return Limit(wish, why, tuple(lamp.name for lamp in ends), tuple(moves))


def _at_end(lights: Iterable[tuple[Lamp, float]], least: bool) -> list[Lamp]:
    return [
        lamp
        for lamp, level in lights
        if not lamp.held and (level <= lamp.low if least else level >= lamp.high)
    ]


def _behind(profile: SetProfile, set_to: Sequence[tuple[Lamp, float]], wish: Wish) -> Limit:
    """A backdrop: its own lights at their ends, or the light for the face that falls on it."""
    name = wish.device or ""
    own = [
        (lamp, level)
        for lamp, level in set_to
        if name in lamp.behind and (lamp.role == "wash" or lamp.name == name)
    ]
    if wish.off < 0:
        ends = _at_end(own, least=False)
        why: Literal["most", "others"] = "most" if ends else "others"
        return Limit(wish, why, tuple(lamp.name for lamp in ends))
    own_names = {lamp.name for lamp, _ in own}
    reflects = profile.devices[name].reflects or 0.0
    falls = sorted(
        (
            (_middle(lamp, name) * lamp.share(level) * math.pi / reflects, lamp.name)
            for lamp, level in set_to
            if lamp.name not in own_names and name in lamp.behind and reflects > 0
        ),
        reverse=True,
    )
    falls = [(lux, of) for lux, of in falls if lux > 0.1 * falls[0][0] and lux > 0]
    if falls:
        return Limit(wish, "lit", tuple(of for _, of in falls), lux=falls[0][0])
    ends = _at_end(own, least=True)
    return Limit(wish, "least" if ends else "others", tuple(lamp.name for lamp in ends))


def _middle(lamp: Lamp, backdrop: str) -> float:
    return lamp.behind[backdrop][0]


def moved(
    profile: SetProfile, device: Device, factor: float, straight: bool
) -> tuple[float, float] | None:
    """How far a light stands from the mark, and from where on its line to it (m) it would give so
    many times as much there; None where that is too near, outside the room, or not on its line.

    `straight`: on a plane turned to it, else on the face.
    """
    where = profile.room.mark
    if where is None or device.place is None or device.place.aim != "mark":
        return None
    spot, here = at(where), at(device.place)
    now = math.dist(spot, here)
    looks = facing(profile)

    def gives(distance: float) -> float:
        there = _along(spot, here, distance / now)
        stands = replace(device.place, across=there[0], from_back=there[1], height=there[2])  # type: ignore[type-var]
        ray, _ = thrown(profile, replace(device, place=stands), spot, looks)
        if ray is None:
            return 0.0
        return (ray.straight or 0.0) if straight else ray.at_full

    low, high = NEAREST, _as_far_as(profile, spot, here, now)
    wanted = gives(now) * factor
    if not (low < high and gives(high) <= wanted <= gives(low) and wanted > 0):
        return None
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if gives(middle) > wanted else (low, middle)
    return now, high


def _along(spot: Point3, here: Point3, share: float) -> Point3:
    x, y, z = (a + (b - a) * share for a, b in zip(spot, here, strict=True))
    return x, y, z


def _as_far_as(profile: SetProfile, spot: Point3, here: Point3, now: float) -> float:
    """How far from the mark its line leaves the room (m)."""
    room = profile.room
    half = room.width / 2 if room.width is not None else math.inf
    depth = float(room.depth) if room.depth is not None else math.inf
    high = room.height if room.height is not None else math.inf
    far = FARTHEST
    for a, b, low, most in zip(spot, here, (-half, 0.0, 0.0), (half, depth, high), strict=True):
        by = (b - a) / now
        if by:
            far = min(far, ((most if by > 0 else low) - a) / by)
    return far
