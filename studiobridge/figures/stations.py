"""What stands where a link of the chain ends, and the set as it would be with other links.

The chain and the places are one truth told twice: where they differ that is said, and what is
solved for another chain takes the chain's word.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from types import MappingProxyType

from studiobridge.craft import space
from studiobridge.craft.space import Link
from studiobridge.figures.calibration import settled
from studiobridge.figures.framing import camera_of
from studiobridge.profile.model import MARK, Place, SetProfile


@dataclass(frozen=True, slots=True)
class Apart:
    """The mark or a device that stands elsewhere than at the end of its link (m)."""

    name: str
    link: str
    by_chain: Fraction
    by_place: float


# Nearer than a centimetre the chain and a place say the same: that is how lengths are shown.
SAME = 0.01


def apart(profile: SetProfile) -> tuple[Apart, ...]:
    """Where the chain of the room and the places in it say two things."""
    totals = ends(profile)
    found = []
    for name, link in profile.room.stations.items():
        place = place_of(profile, name)
        if place is not None and abs(place.from_back - float(totals[link])) > SAME:
            found.append(Apart(name, link, totals[link], place.from_back))
    return tuple(found)


def place_of(profile: SetProfile, name: str) -> Place | None:
    """Where the mark or a device is."""
    return profile.room.mark if name == MARK else profile.devices[name].place


def ends(profile: SetProfile) -> dict[str, Fraction]:
    """How far from the back wall each link of the chain ends (m, exact)."""
    links = [Link(name, depth) for name, depth in profile.room.chain.items()]
    return {station.name: station.total for station in space.chain(links)}


def stations_of(profile: SetProfile) -> dict[str, str]:
    """What stands at the end of which link: as said, or found by its place to a centimetre."""
    found = dict(profile.room.stations)
    totals = ends(profile)
    camera = camera_of(profile)
    wanted = [MARK, *([camera.name] if camera is not None else [])]
    wanted += [d.name for d in profile.devices.values() if d.kind == "backdrop"]
    for name in wanted:
        place = place_of(profile, name)
        if name in found or place is None:
            continue
        same = [n for n, total in totals.items() if abs(float(total) - place.from_back) <= SAME]
        if same:
            found[name] = same[0]
    return found


def as_if(
    profile: SetProfile,
    stations: Mapping[str, str],
    links: Mapping[str, Fraction],
    focal: float | None = None,
) -> SetProfile:
    """The set with other depths in its chain and another lens; what stands at a link moves.

    A meter was held where things stood: what it made of the lamps is taken along.
    """
    profile = settled(profile)
    room = replace(profile.room, chain=MappingProxyType({**profile.room.chain, **links}))
    totals = ends(replace(profile, room=room))
    devices = dict(profile.devices)
    for name, link in stations.items():
        place = place_of(profile, name)
        if place is None:
            continue
        there = replace(place, from_back=float(totals[link]))
        if name == MARK:
            room = replace(room, mark=there)
        else:
            devices[name] = replace(devices[name], place=there)
    picture = profile.picture if focal is None else replace(profile.picture, focal=focal)
    return replace(profile, room=room, devices=MappingProxyType(devices), picture=picture)
