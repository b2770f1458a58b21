"""The book of what was met, `met.yaml`: its text made and read.

    met: 1
    dialects: {...}     # as they stand in a set profile
    devices: {...}      # kind, speaks, at, blanks, and what was measured

Comments say why each line stands there; what a comment of ours says is read back. Devices whose
halves are the same share a dialect.
"""

from __future__ import annotations

from collections.abc import Sequence

from studiobridge.meeting.met import Acquaintance


def text_of(met: Sequence[Acquaintance]) -> str:
    """The text of the book of these acquaintances, with its comments. What is read from it again
    is the same."""
    raise NotImplementedError


def read(data: str | bytes, name: str = "met.yaml") -> list[Acquaintance]:
    """The acquaintances in a book. Raises ProfileError with file, line and column of everything
    that is wrong, by the rules of a set profile."""
    raise NotImplementedError


def joined(known: Sequence[Acquaintance], more: Sequence[Acquaintance]) -> list[Acquaintance]:
    """A book with more in it: a device met again (same `at`, `blanks`, `homie`) keeps its name
    and what is known on better ground; a new one whose name is taken gets another."""
    raise NotImplementedError
