"""Holding: is what a device reports still its preset, and if not, by how much.

Level is compared in stops of light, CCT in mired, each with its tolerance, and never finer
than the steps the device itself can make.
"""

from __future__ import annotations

from dataclasses import dataclass

from studiobridge.craft.grid import Grid, mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Device, Point, Value


def matches(device: Device, grid: Grid | None, point: Point, wanted: Value, said: Value) -> bool:
    """Is the reported value the wanted one, within tolerance and the device's own step?"""
    if point == "level":
        if grid is not None and grid.same(float(wanted), float(said)):
            return True
        stops = level_stops(device.dimmer, float(wanted), float(said))
        if stops is None:
            # one of them is dark: only both being dark is the same
            return float(wanted) == float(said)
        return abs(stops) <= device.tolerance.level + 1e-9
    if point == "cct":
        if grid is not None and grid.same(float(wanted), float(said)):
            return True
        shift = mired(float(said)) - mired(float(wanted))
        return abs(shift) <= device.tolerance.cct + 1e-9
    return bool(wanted) == bool(said)


@dataclass(frozen=True, slots=True)
class Distance:
    """How far a report is from what is wanted, in the trade's terms.

    `stops` of light (None when one of the two is dark), `mired` (positive is warmer),
    `percent` points of level.
    """

    stops: float | None = None
    mired: float | None = None
    percent: float | None = None

    @property
    def size(self) -> float:
        """One number to tell worse from less bad: tolerance-free, larger is worse."""
        if self.mired is not None:
            return abs(self.mired)
        if self.stops is not None:
            return abs(self.stops)
        return abs(self.percent) if self.percent is not None else 0.0


def distance(device: Device, point: Point, wanted: Value, said: Value) -> Distance:
    """How far `said` is from `wanted`."""
    if point == "level":
        return Distance(
            stops=level_stops(device.dimmer, float(wanted), float(said)),
            percent=float(said) - float(wanted),
        )
    if point == "cct":
        return Distance(mired=mired(float(said)) - mired(float(wanted)))
    return Distance()


@dataclass(slots=True)
class Drift:
    """An open drift entry."""

    number: int
    device: str
    point: Point
    wanted: Value
    reported: Value | None
    since: float
    by: Distance
    worst_reported: Value | None
    worst: Distance
    restoring: bool = False
