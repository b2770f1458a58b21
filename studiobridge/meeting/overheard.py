"""What was heard, topic by topic, in a memory that stays bounded whatever comes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from studiobridge.profile.model import Point, Scalar
from studiobridge.profile.template import Route
from studiobridge.speech.message import Message

# What a person does to the gear, or this program after a person's yes.
Deed = Literal["press", "on", "off", "full", "dark", "warm", "cold"]


@dataclass(frozen=True, slots=True)
class Change:
    """One value that is another than before.

    `field` is where it stands in a document, () for a payload that is none. `before` is None
    where nothing was heard there before. `kept`: the broker had it from before.
    """

    at: float
    topic: str
    field: Route
    before: Scalar | None
    after: Scalar
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """One value that changed because of a press, as it seems. `odds` is how seldom it would
    have changed by itself just then: 1 is never, 0 always."""

    change: Change
    odds: float
    point: Point | None = None


@dataclass(frozen=True, slots=True)
class Press:
    """One press and what it singled out, the surest first."""

    at: float
    what: Deed
    answers: tuple[Answer, ...] = ()


class Overheard:
    """Every topic with its values."""

    def heard(self, message: Message, at: float) -> tuple[Change, ...]:
        return ()

    def pressed(self, at: float, what: Deed) -> None:
        pass

    def changed_since(self, at: float) -> list[Change]:
        return []
