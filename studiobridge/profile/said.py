"""What devices say, and what a set answers: the words that every room shares.

The speech reads a message as one of these, the controller is told the very same object, and an
answer is one thing from the controller to who asked. `at` is in seconds from a monotonic clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # who only asks a set for something need not wait for the whole model
    from studiobridge.craft.chroma import ColourSteps
    from studiobridge.craft.grid import Grid
    from studiobridge.profile.model import Point, Value


# What steps and their ends are called in records, and by bridges, from before.
FORMER_WORDS: Mapping[str, str] = {
    "hear from": "wait for its report",
    "let boot": "boots",
    "passed over": "skipped",
}


@dataclass(frozen=True, slots=True)
class Report:
    """A device reports a value of one point (percent, kelvin, colour, watts, or yes/no).

    `retained`: the broker kept it, so it is no proof of anything now. A value that had to wait
    for its device's description says of itself what the message it came in said.
    """

    at: float
    device: str
    point: Point
    value: Value
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Described:
    """A device said what it can do: replaces what the profile supposed for this point."""

    at: float
    device: str
    point: Point
    told: bool
    heard: bool
    grid: Grid | ColourSteps | None


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A payload could not be read: `why` is for a person. Changes nothing but that it is said.

    `device` is None when it was no device's but a request's, or nobody knows whose.
    """

    at: float
    device: str | None
    topic: str
    why: str


Said = Report | Described | Unreadable


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer to a request. `final` False: taken, and another answer will follow.

    `code` is the exit code a command would end with: 0 done, 1 did not get there, 2 bad input.
    """

    request_id: str
    final: bool
    code: int
    text: str
    detail: Mapping[str, object] = field(default_factory=dict)
