"""Putting a set up and striking it: what stands first, where, how it is aimed, what is packed.

The order goes from the back wall forward, so that nobody reaches over what stands already: cloth,
lights behind the mark and over it, the mark, lights in front, prompter, camera. What hangs over
something goes up before it. Striking is the same way back.

Where something stands is measured from the two ends of the back wall (`craft/tapes.py`); where two
tapes cross badly, out from the wall and across from the middle line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.craft.tapes import CENTIMETRES, INCHES, Tapes, tapes
from studiobridge.figures.face import DARK, Face, share_of
from studiobridge.figures.light import LightReading, light_of
from studiobridge.figures.mains import load_of
from studiobridge.figures.packing import OVERHEAD, Packed, over, pack_of, stands_on
from studiobridge.figures.rays import Point3, aim_point, at
from studiobridge.figures.sure import BOUNCE, HOLDING, METER
from studiobridge.figures.watts import usual_draw
from studiobridge.profile.model import Device, Lead, Place, Preset, SetProfile

# How well (stops) a figure is known of which nobody says how well. Common practice, no source.
UNKNOWN = 0.5


@dataclass(frozen=True, slots=True)
class Aim:
    """What a device points at, and how it is turned to it.

    `height` and `distance` in m (from the middle of the lamp, or from the lens). `tilt` in
    degrees, negative is down. `turn` in degrees from straight at the back wall, seen from above,
    negative is to the left as the camera sees it; past 90 it points away from that wall.
    """

    to: str
    height: float
    distance: float
    tilt: float
    turn: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A point on the floor to be found and marked, and what is to stand there (or hang over it).

    `tapes` is None where the room's width is not given. `ends` are the two ends of a backdrop,
    across from the middle line (m).
    """

    device: str
    kind: str
    place: Place
    tapes: Tapes | None
    aim: Aim | None
    ends: tuple[float, float] | None
    # what it stands on: "stand", "boom", "bar", "tripod", or "" for what finds its own place
    stands_on: str
    # higher than heads are
    overhead: bool = False
    fixed: bool = False


@dataclass(frozen=True, slots=True)
class Run:
    """A lead to be laid before anything stands: from what to what."""

    device: str
    feed: str
    lead: Lead


@dataclass(frozen=True, slots=True)
class Dial:
    """What a hand sets: level (%), and what its plug then meters (W) where one meters it alone."""

    device: str
    level: float | None
    cct: float | None
    watts: float | None


@dataclass(frozen=True, slots=True)
class Check:
    """What a meter at the face reads (lx), with these lights on and no other.

    `flat` on a flat receptor that faces the camera, `dome` on a dome that does. Either is right
    from `within` stops below to `within` above, and what walls throw back (`bounce`) on top.
    """

    on: tuple[str, ...]
    flat: float
    dome: float
    within: float
    bounce: float

    def band(self, lux: float) -> tuple[float, float]:
        """From the least to the most that a meter says when all stands right (lx)."""
        return lux / 2.0**self.within, lux * 2.0 ** (self.within + self.bounce)


@dataclass(frozen=True, slots=True)
class Setup:
    """How to put a set up in one look; the way down is the same `spots` from the last."""

    look: str | None
    width: float | None
    spots: tuple[Spot, ...]
    runs: tuple[Run, ...]
    pack: tuple[Packed, ...]
    dials: tuple[Dial, ...]
    checks: tuple[Check, ...]
    # lights that are hot or run a fan after they are off: (device, s)
    cooling: tuple[tuple[str, float], ...]
    amps: tuple[str, ...]
    # circuits of the mains, each with what it carries in this look (W, A)
    feeds: tuple[tuple[str, float, float], ...]
    missing: tuple[str, ...]


def setup_of(
    profile: SetProfile,
    look: str | None,
    presets: Mapping[str, Preset],
    light: LightReading | None = None,
) -> Setup:
    """Everything there is to putting this set up in one look, and what is missing for it.

    `light` of that look, where it is reckoned already.
    """
    missing: list[str] = []
    mark, width = profile.room.mark, profile.room.width
    placed = [d for d in profile.devices.values() if d.place is not None]
    if not placed:
        missing.append("no places given: where things stand is not said")
    elif width is None:
        missing.append("no width given for the room: measured from the middle line, not by tapes")
    if mark is None:
        missing.append("no mark given in the room: the light is not checked there")
    nowhere = [d.name for d in profile.devices.values() if d.kind == "light" and d.place is None]
    missing.extend(f"no place given for {name}: put it up as you know it" for name in nowhere)
    face = Face(profile)
    reading = light if light is not None else light_of(profile, look, presets, face)
    return Setup(
        look,
        width,
        _spots(profile, placed),
        tuple(
            Run(d.name, d.fed_by or "", d.lead)
            for d in profile.devices.values()
            if d.lead is not None
        ),
        pack_of(profile),
        _dials(profile, presets),
        _checks(profile, face, reading),
        tuple((d.name, d.cools_in) for d in profile.devices.values() if d.cools_in > 0),
        tuple(d.name for d in profile.devices.values() if d.kind == "amp"),
        tuple(
            (load.circuit, load.watts, load.amps)
            for load in (load_of(profile, c, presets) for c in profile.circuits.values())
        ),
        tuple(dict.fromkeys(missing)),
    )


# ---- where it stands, and in what order ---------------------------------------------------------


def _spots(profile: SetProfile, placed: list[Device]) -> tuple[Spot, ...]:
    found = [_spot(profile, d) for d in in_order(profile, placed)]
    mark = profile.room.mark
    if mark is not None and placed:
        first = next(
            (i for i, s in enumerate(found) if _stage(profile, profile.devices[s.device]) > 1),
            len(found),
        )
        found.insert(
            first, Spot("mark", "mark", mark, _tapes(profile, mark), None, None, "", False)
        )
    return tuple(found)


def in_order(profile: SetProfile, placed: list[Device]) -> list[Device]:
    """What stands first: from the back wall forward, and what hangs over something before it."""
    forward = sorted(placed, key=lambda d: (_stage(profile, d), _depth(d), -_height(d)))
    order: dict[str, Device] = {}

    def put(device: Device) -> None:
        """Never in a circle: what hangs over something is higher."""
        for other in forward:
            if other.name not in order and _hangs_over(other, device):
                put(other)
        order.setdefault(device.name, device)

    for device in forward:
        put(device)
    return list(order.values())


def _stage(profile: SetProfile, device: Device) -> int:
    """0 a backdrop, 1 behind or over the mark, 2 in front of it, 3 prompter, 4 camera."""
    mark, place = profile.room.mark, device.place
    if device.kind == "backdrop":
        return 0
    if device.kind == "camera":
        return 4
    if mark is None or place is None:
        return 1
    if device.kind == "light" and over(place, mark):
        return 1
    if place.from_back <= mark.from_back:
        return 1
    return 3 if device.kind in ("display", "computer") else 2


def _depth(device: Device) -> float:
    return device.place.from_back if device.place is not None else 0.0


def _height(device: Device) -> float:
    return device.place.height if device.place is not None else 0.0


def _hangs_over(device: Device, other: Device) -> bool:
    if device.kind != "light" or other.kind == "backdrop":
        return False
    if device.place is None or other.place is None:
        return False
    return over(device.place, other.place)


def _spot(profile: SetProfile, device: Device) -> Spot:
    place = device.place
    assert place is not None
    ends = None
    if device.kind == "backdrop" and device.size is not None:
        ends = (place.across - device.size[0] / 2, place.across + device.size[0] / 2)
    target = aim_point(profile, device)
    aim = aim_of(at(place), target, place.aim or "") if target is not None else None
    overhead = device.kind == "light" and place.height >= OVERHEAD
    return Spot(
        device.name,
        device.kind,
        place,
        _tapes(profile, place),
        aim,
        ends,
        stands_on(profile, device),
        overhead,
        device.fixed,
    )


def _tapes(profile: SetProfile, place: Place) -> Tapes | None:
    width = profile.room.width
    if not width:
        return None
    read = INCHES if profile.feet else CENTIMETRES
    return tapes(place.across, place.from_back, width, read)


def aim_of(source: Point3, target: Point3, to: str) -> Aim | None:
    """How something at `source` is turned to `target`; None where they are one point."""
    away = math.dist(source, target)
    if away < 1e-6:
        return None
    across, out, up = (t - s for t, s in zip(target, source, strict=True))
    flat = math.hypot(across, out)
    turn = math.degrees(math.atan2(across, -out)) if flat > 1e-6 else 0.0
    return Aim(to, target[2], away, math.degrees(math.atan2(up, flat)), turn)


# ---- what it is checked by ----------------------------------------------------------------------


def _dials(profile: SetProfile, presets: Mapping[str, Preset]) -> tuple[Dial, ...]:
    found = []
    for name, preset in presets.items():
        device = profile.devices[name]
        if not device.hand_set:
            continue
        watts = None
        feed = profile.devices.get(device.fed_by or "")
        alone = feed is not None and feed.meters and profile.fed_from(feed.name) == (name,)
        if alone and device.draws_at and preset.level is not None:
            watts = usual_draw(device, preset.level)
        found.append(Dial(name, preset.level, preset.cct, watts))
    return tuple(found)


def _checks(profile: SetProfile, face: Face, reading: LightReading) -> tuple[Check, ...]:
    """Each light that reaches the face from the front, alone; then all of them."""
    known = reading.sure
    bounce = known.bounce if known is not None and known.bounce is not None else BOUNCE
    found = []
    for light in reading.fixtures:
        ray = face.rays.get(light.device)
        share = share_of(profile.devices[light.device], light.level)
        if ray is None or ray.dome is None or share is None or light.angle >= 90.0:
            continue
        if light.lux >= DARK:
            each = known.fixture(light.device) if known is not None else None
            stops = each.lux if each is not None else None
            found.append(_check((light.device,), light.lux, ray.dome * share, stops, bounce))
    if len(found) > 1:
        names = tuple(name for check in found for name in check.on)
        flat, dome = sum(c.flat for c in found), sum(c.dome for c in found)
        found.append(_check(names, flat, dome, known.lux if known is not None else None, bounce))
    return tuple(found)


def _check(
    on: tuple[str, ...], flat: float, dome: float, stops: float | None, bounce: float
) -> Check:
    """The figure is known to `stops`; a meter and the hand that holds it add their own."""
    read = math.log2(1.0 + math.hypot(METER, HOLDING))
    within = math.hypot(stops if stops is not None else UNKNOWN, read)
    return Check(on, flat, dome, within, bounce)
