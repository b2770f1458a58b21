"""One candidate as it is tried: what it is told, from how it was found and back to that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.meeting.sketch import Sketch
from studiobridge.meeting.telling import Candidate
from studiobridge.profile.model import Point, Value, figure

# Levels (%) and whites (mired, from where it is) that are told to see whether it follows.
LEVELS = (35.0, 65.0, 50.0, 80.0, 20.0)
WHITE_STEP, COLDEST, WARMEST = 20.0, 154.0, 370.0


@dataclass(frozen=True, slots=True)
class Step:
    """One message of a trial and what has to come of it."""

    value: Value
    # told what it is already: it has to stay so
    same: bool = False


@dataclass(slots=True)
class Trial:
    """One candidate with the messages it is tried by."""

    point: Point
    candidate: Candidate
    sketch: Sketch
    steps: tuple[Step, ...]
    # what it is told when it did not follow, and at a stop
    home: Value
    told: bool = False
    # something changed when it was told, if not as told
    reacted: bool = False


def steps_of(point: Point, home: Value, hear: Mapping[str, object]) -> tuple[Step, ...]:
    """The messages a candidate is tried by, from how the device was found and back to it."""
    if point == "switch":
        return (Step(not home), Step(home), Step(home, same=True))
    now = figure(home)
    if point == "level":
        far = [level for level in LEVELS if abs(level - now) >= 12.0]
        return (Step(far[0]), Step(far[1]), Step(now))
    here = 1e6 / max(now, 1.0)
    signs = (1, 2) if here < COLDEST + WHITE_STEP else (-1, -2)
    if COLDEST + WHITE_STEP <= here <= WARMEST - WHITE_STEP:
        signs = (1, -1)
    in_mired = hear.get("unit") == "mired" or "mired" in str(hear.get("of", ""))
    whites = []
    for sign in signs:
        there = round(here + sign * WHITE_STEP)  # gear may take whole numbers only
        whites.append(1e6 / there if in_mired else float(round(1e6 / there / 50) * 50))
    return (*(Step(white) for white in whites), Step(now))
