"""What is known of gear that nobody has described: the words that hearing, telling, trying,
measuring and drafting share.

A guess is always a piece of a dialect as it would stand in a set profile, so that what was
learned needs no other language than the profile's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.profile.model import Kind, Point, Scalar

# How a guess came to be. `described`: the device says so itself (Homie 5). `seen`: it happened
# when a person, or this program after a person's yes, did it. `overheard`: another controller's
# message was followed by it. `likely`: the only reading that fits. `shape`: a common shape, and
# nothing more; it is told to a device only after a person's yes.
Ground = Literal["described", "seen", "overheard", "likely", "shape"]


@dataclass(frozen=True, slots=True)
class Half:
    """One half of one point of a dialect: how it is told, or how it is heard.

    `rule` is what stands below `tell:` or `hear:` in a profile, with `{at}` for the device's
    own part of the topic. `why` is one sentence for a person: what it was concluded from.
    """

    point: Point
    half: Literal["tell", "hear"]
    rule: Mapping[str, object]
    ground: Ground
    why: str


@dataclass(frozen=True, slots=True)
class Acquaintance:
    """One device as far as it is known: what its dialect would be, and what is missing.

    `at` fills `{at}`, without a slash at its end. `homie` is `device/node` of a device that
    follows Homie 5 and needs no dialect. `kind` is a guess by its points. `measured` holds
    keys of a device in a profile (`boots_in`, `draws_at`, ...) with their values as text.
    `missing` are sentences: what could not be learned, and what to do about it.
    `blanks` fill what else stands in braces, where several devices share a topic: `{n: 2}`.
    `speaks` is the name of its dialect in the book, once it has one; `together` as in a dialect.
    """

    name: str
    at: str
    kind: Kind | None = None
    halves: tuple[Half, ...] = ()
    ask: Mapping[str, object] | Sequence[Mapping[str, object]] | None = None
    homie: str | None = None
    measured: Mapping[str, object] = field(default_factory=dict)
    missing: tuple[str, ...] = ()
    blanks: Mapping[str, Scalar] = field(default_factory=dict)
    speaks: str | None = None
    together: bool | Sequence[Point] = False

    def half(self, point: Point, which: Literal["tell", "hear"]) -> Half | None:
        """How this point is told or heard; None where that is not known."""
        return next((h for h in self.halves if h.point == point and h.half == which), None)
