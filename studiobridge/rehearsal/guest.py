"""A fridge that stands in the corner for a rehearsal, where a set has nothing to be told quiet.

It is simulated like the rest, and only in this process: no profile is changed by it.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile

NAME = "fridge"
TITLE = "Fridge next door"
# Its figures are made up; at so little no circuit of any set is in the way of its return.
TEXT = """
format: 1
set: guest
mains: {voltage: 230 V, circuits: {wall: {breaker: 16 A, curve: B}}}
devices:
  fridge:
    kind: plug
    title: Fridge next door
    fed_by: wall
    speaks: homie5
    at: rehearsal-fridge/plug
    draws: 60 W
    quiet: {for: 20 min, rests: 2 s}
"""


def with_guest(profile: SetProfile) -> SetProfile:
    """The same set; with a fridge on its first circuit if nothing of it is told quiet."""
    told = any(device.quiet is not None for device in profile.devices.values())
    if told or NAME in profile.devices or not profile.circuits:
        return profile
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "guest.yaml"
        path.write_text(TEXT, encoding="utf-8")
        guest = read_profile(path).profile.devices[NAME]
    circuit = next(iter(profile.circuits))
    return replace(
        profile,
        devices=MappingProxyType(
            {**profile.devices, NAME: replace(guest, fed_by=circuit, circuit=circuit)}
        ),
    )
