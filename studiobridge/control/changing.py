"""What changes of the light while a take rolls: which light, when, and what it did to the picture.

- A light that says how it stands: its level, white or colour by report, past its own tolerance
  from where it was last noted, or that it is off. The first change is noted at once; of a dial
  that is being turned the rest is noted once every AGAIN, and where it came to rest.
- A light that says nothing: a drift that an instrument opens or closes, or that more than one of
  them could be; from when it was seen, which is when the meter spoke.
- A device that fell silent or left, or is back; a light sensor that no light explains.

No more than MOST are noted in one take: a lamp that flickers is one sentence and not a thousand.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from studiobridge.control.belief import Belief
from studiobridge.control.desk import Desk
from studiobridge.control.drift import Drift
from studiobridge.control.holding import Holding
from studiobridge.control.stood import picture_json, rounded, spelled
from studiobridge.craft.chroma import Colour, apart
from studiobridge.craft.grid import mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Preset, Value, figure

# A light whose dial is being turned is noted again after so long (s): a hand takes a few seconds,
# and files are matched by the second.
AGAIN = 2.0
# So many changes of one take are kept: more than any person makes, fewer than would fill a disk.
MOST = 200


@dataclass(frozen=True, slots=True)
class Changed:
    """One change; `at` is when it began as far as is known, or up to `off` s earlier."""

    at: float
    device: str
    what: str
    by: str
    text: str = ""
    detail: Mapping[str, object] = field(default_factory=dict)
    off: float | None = 0.0


@dataclass(frozen=True, slots=True)
class _Light:
    """How a light stands by its own word."""

    off: bool | None = None
    level: float | None = None
    white: float | None = None
    colour: Colour | None = None


class Changing:
    """Looked at after each event while a take rolls."""

    def __init__(self, desk: Desk, holding: Holding) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        self.watcher = holding.watcher
        self.metering = holding.metering
        self._fixtures = frozenset(
            d.name for d in desk.profile.devices.values() if d.fixture and d.speaks is not None
        )
        self._noted: dict[str, _Light] = {}
        self._noted_at: dict[str, float] = {}
        self._waiting: set[str] = set()
        self._drifts: dict[int, Drift] = {}
        self._sensors: set[str] = set()
        self._then: dict[str, Preset] = {}
        self.count = 0

    def begin(self, count: int = 0) -> None:
        """A take begins: what is now is what is compared with."""
        self._noted = {name: self._light(name) for name in self._fixtures}
        self._noted_at.clear()
        self._waiting.clear()
        self._drifts = self._open()
        self._sensors = self._moved()
        self._then = self.watcher.picture.now()
        self.count = count

    def look(self, at: float, names: Collection[str]) -> list[Changed]:
        """What has changed with this event; `names`: what it was about."""
        found: list[Changed] = []
        for name in sorted((self._fixtures & set(names)) | self._waiting):
            found += self._of_light(name, at)
        found += self._of_drift(at)
        found += self._of_sensors(at)
        room = max(0, MOST - self.count)
        if len(found) > room:
            self.count += 1
            more = [Changed(at, "", "more", "", "more changes than are kept")]
            found = found[:room] + (more if self.count <= MOST + 1 else [])
        self.count += len(found)
        return found

    @property
    def due(self) -> float | None:
        """When a light that is being turned is to be looked at again."""
        times = [self._noted_at[name] + AGAIN for name in self._waiting]
        return min(times, default=None)

    # ---- lights that speak -----------------------------------------------------------------

    def _light(self, name: str) -> _Light:
        belief = self.beliefs.of[name]
        off: bool | None = None
        if self.beliefs.surely_off(name) or not self.beliefs.powered(name):
            off = True
        elif belief.spoke and not belief.gone:
            # it speaks, so it has power; where it has a switch of its own, only that says so
            switched = belief.said("is it there", "switch")
            off = False if switched is True or "switch" not in belief.hears else None
        level = _figure(belief.said("was it so", "level"))
        white, colour = belief.said("was it so", "cct"), belief.said("was it so", "colour")
        return _Light(
            off,
            level,
            None if isinstance(white, Colour) or belief.coloured else _figure(white),
            colour if isinstance(colour, Colour) and belief.coloured is not False else None,
        )

    def _of_light(self, name: str, at: float) -> list[Changed]:
        belief = self.beliefs.of[name]
        was, now = self._noted.get(name, _Light()), self._light(name)
        detail = self._between(belief, was, now)
        if detail is None:
            self._waiting.discard(name)
            self._noted[name] = _filled(was, now)
            return []
        last = self._noted_at.get(name)
        if last is not None and at < last + AGAIN - 1e-6:
            self._waiting.add(name)
            return []
        self._waiting.discard(name)
        self._noted[name], self._noted_at[name] = _merged(was, now), at
        picture = self.watcher.picture.face.change(self._then, self.watcher.picture.now())
        if picture is not None and self._then:
            detail["picture"] = picture_json(picture)
        what = "mains" if "off" in detail else "light"
        return [Changed(at, name, what, "report", "", detail)]

    def _between(self, belief: Belief, was: _Light, now: _Light) -> dict[str, object] | None:
        """How far this light moved; None where that is within its tolerance, or not known."""
        found: dict[str, object] = {}
        if was.off is not None and now.off is not None and was.off != now.off:
            found["off"] = now.off
            return found
        if now.off:
            return None
        device = belief.device
        if (
            was.level is not None
            and now.level is not None
            and not belief.same("level", was.level, now.level)
        ):
            found["level"] = [was.level, now.level]
            found["stops"] = rounded(level_stops(device.dimmer, was.level, now.level))
        if was.colour is not None and now.colour is not None:
            if not belief.same("colour", was.colour, now.colour):
                found["shift"] = rounded(apart(was.colour, now.colour), 4)
                found["colour"] = [spelled(was.colour), spelled(now.colour)]
        elif was.colour is None and now.colour is not None and was.white is not None:
            found["turned"] = "coloured"
        elif was.colour is not None and now.white is not None:
            found["turned"] = "white"
        elif (
            was.white is not None
            and now.white is not None
            and min(was.white, now.white) > 0.0
            and not belief.same("cct", was.white, now.white)
        ):
            found["cct"] = [was.white, now.white]
            found["mired"] = rounded(mired(now.white) - mired(was.white), 1)
        return found or None

    # ---- lights that do not, and who is silent ---------------------------------------------

    def _open(self) -> dict[int, Drift]:
        """Drifts of what no report of a light says."""
        return {
            drift.number: drift
            for drift in self.watcher.drifts.values()
            if drift.band is not None or drift.perhaps or drift.point in ("online", "switch")
        }

    def _of_drift(self, at: float) -> list[Changed]:
        now, found = self._open(), []
        for number, drift in now.items():
            if number in self._drifts:
                continue
            by = "watts" if drift.perhaps else drift.band.by if drift.band else "report"
            said = drift.said(False)
            text = str(said) if drift.perhaps or drift.band is not None else ""
            found.append(
                Changed(drift.since, drift.device, "drift", by, text, _of(drift, "opened"))
            )
        for number, drift in self._drifts.items():
            if number not in now:
                found.append(Changed(at, drift.device, "drift", "", "", _of(drift, "closed")))
        self._drifts = now
        return found

    def _moved(self) -> set[str]:
        return {name for name, reading in self.metering.of.items() if reading.moved is not None}

    def _of_sensors(self, at: float) -> list[Changed]:
        now, found = self._moved(), []
        for name in sorted(now - self._sensors):
            moved, could = self.metering.of[name].moved, self.metering.of[name].could
            stops = None if moved is None else rounded(moved.stops, 2)
            detail: dict[str, object] = {"stops": stops, "could": list(could), "phase": "opened"}
            found.append(Changed(at, name, "sensor", "sensor", "", detail))
        for name in sorted(self._sensors - now):
            found.append(Changed(at, name, "sensor", "sensor", "", {"phase": "closed"}))
        self._sensors = now
        return found


def _of(drift: Drift, phase: str) -> dict[str, object]:
    return {
        "phase": phase,
        "point": drift.point,
        "stops": rounded(drift.by.stops),
        "mired": rounded(drift.by.mired, 1),
    }


def _figure(value: Value | None) -> float | None:
    """A number a light can stand at; None for anything else."""
    if value is None or isinstance(value, bool | Colour):
        return None
    found = figure(value)
    return found if rounded(found) is not None else None


def _merged(was: _Light, now: _Light) -> _Light:
    """What is said now; what is not said any more stays as it was said last."""
    if now.off:
        return _Light(True, was.level, was.white, was.colour)
    coloured = now.colour is not None or now.white is not None
    return _Light(
        was.off if now.off is None else now.off,
        was.level if now.level is None else now.level,
        now.white if coloured else was.white,
        now.colour if coloured else was.colour,
    )


def _filled(was: _Light, now: _Light) -> _Light:
    """Within its tolerance: it stays as it was noted, or a slow creep would never be one."""
    known = was.colour is not None or was.white is not None
    return _Light(
        now.off if was.off is None else was.off,
        now.level if was.level is None else was.level,
        was.white if known else now.white,
        was.colour if known else now.colour,
    )
