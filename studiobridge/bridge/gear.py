"""What gear a set tells, so that no two sets of one process tell the same.

A lockout, a rolling camera and the load of a circuit bind the set that knows of them: a second set
on the same gear, most likely a copy of the profile under another name, would know of none.
"""

from __future__ import annotations

from studiobridge.profile.model import HOMIE5, SetProfile
from studiobridge.speech.maps import MappedDevice, blanks_of


def told_by(profile: SetProfile) -> dict[tuple[str, ...], str]:
    """Each place where a device of this set is told something, with its name.

    A place is a topic with what tells several devices on it apart, or a Homie device's node.
    Fixtures on slots are told by their universe, which has one set anyway.
    """
    places: dict[tuple[str, ...], str] = {}
    for name, device in profile.devices.items():
        if not device.tells or device.speaks is None:
            continue
        if device.speaks == HOMIE5:
            places[(HOMIE5, device.at or "")] = name
        elif (dialect := profile.dialects.get(device.speaks)) is not None:
            mine = {k: v for k, v in blanks_of(device).items() if k != "at"}
            apart = [f"{k}={v}" for k, v in sorted(mine.items())]
            for teller in MappedDevice(device, dialect).tellers.values():
                places[(teller.topic, *apart)] = name
    return places
