"""Every device of a set counts once: as one that can confirm, or by what else it is known."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.shown.counted import counted

CONFIG = Path(__file__).parents[2] / "config"


def test_each_in_its_line() -> None:
    assert counted(read_profile(CONFIG / "spare-room.yaml").profile) == [
        "4 say themselves how they stand: those are meant by 'heard'",
        "of 1 the watts of a plug tell: key",
        "of 1 only a person can tell: rim",
        "of 3 nothing tells more than whether its plug gives power: hair, camera and laptop",
    ]


SETS = (
    *("wheel-corner", "two-person-table", "green-cloth"),
    *("market-stall", "one-plug-one-light"),
)


@pytest.mark.parametrize("name", SETS)
def test_together_they_are_all(name: str) -> None:
    profile = read_profile(CONFIG / f"{name}.yaml").profile
    found = [int(re.findall(r"\d+", line)[0]) for line in counted(profile)]
    assert sum(found) == len(profile.devices)
