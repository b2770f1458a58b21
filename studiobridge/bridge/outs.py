"""What comes out of the core, for the daemon and the simulator to carry out; and their JSON.

What each of them asks of whoever carries it out stands at the head of core.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pydantic_core

from studiobridge.bridge.ownership import Cut
from studiobridge.control.effects import Note, Save, Wake
from studiobridge.profile.model import Point
from studiobridge.profile.said import Answer
from studiobridge.speech.message import Message


@dataclass(frozen=True, slots=True)
class Publish:
    message: Message
    token: int | None = None


@dataclass(frozen=True, slots=True)
class Present:
    """Of the set as a Homie 5 device: to be published on the connection whose will is its own."""

    message: Message


@dataclass(frozen=True, slots=True)
class Write:
    """A note for the record. `back`: say with `Core.noted` when it is on disk, or will not be."""

    note: Note
    back: bool = False


@dataclass(frozen=True, slots=True)
class Walk:
    """Take a fixture on slots to these values within `fade` s."""

    device: str
    values: Mapping[Point, float]
    fade: float
    token: int


@dataclass(frozen=True, slots=True)
class Restrain:
    """Exactly these fixtures on slots are locked out; `held`: a camera rolls."""

    locked: frozenset[str]
    held: bool


@dataclass(frozen=True, slots=True)
class Ending:
    """A run-down or a cut is over: streams end once every level on them is 0."""


Out = Publish | Present | Write | Wake | Save | Answer | Cut | Walk | Restrain | Ending


def to_json(value: object) -> bytes:
    """Compact JSON in UTF-8; what is no number becomes null."""
    return pydantic_core.to_json(value, inf_nan_mode="null")
