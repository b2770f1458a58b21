"""What is wrong in a file or doubtful, with its place."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field

from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.text import Document, Path, Problem

# Comparing a name with each of more than these takes its time, and no set has so many.
MANY_NAMES = 400


@dataclass(frozen=True, slots=True)
class Noted:
    """A problem before its line is looked up: the path it is about, and whether the key is."""

    path: Path
    what: str
    # names what else is known, which has no part in whether it is the same problem
    todo: str = field(default="", compare=False)
    key: bool = False


@dataclass(frozen=True, slots=True)
class Findings:
    """All problems are collected; nothing stops at the first."""

    document: Document
    noted: list[Noted] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)


class Part:
    """A reader of one part of a profile; what it finds out goes to the findings of the whole."""

    def __init__(self, shape: ProfileShape, findings: Findings) -> None:
        self.shape = shape
        self.findings = findings

    def wrong(self, path: Path, what: str, todo: str = "", key: bool = False) -> None:
        self.findings.noted.append(Noted(path, what, todo, key))

    def doubt(self, path: Path, what: str, todo: str = "", key: bool = False) -> None:
        found = self.findings
        found.warnings.append(found.document.problem(path, what, todo, key))


def near(name: str, known: Iterable[str], most: int = 1) -> list[str]:
    """The known names nearest to one that is not: capitals, `_` and spaces for `-` are slips."""
    names = list(known)
    if len(names) > MANY_NAMES:
        return []
    by_form = {_form(one): one for one in names}
    close = difflib.get_close_matches(_form(name), by_form, n=most, cutoff=0.6)
    return [by_form[one] for one in close]


def _form(name: str) -> str:
    return name.casefold().replace("_", "-").replace(" ", "-")


def nearest(name: str, known: Iterable[str]) -> str:
    """What to do about an unknown name: the nearest known one, or all of them."""
    names = list(known)
    close = near(name, names)
    if close:
        return f"did you mean '{close[0]}'?"
    if not names:
        return "there are none"
    some = ", ".join(names[:12])
    return f"known: {some}{', …' if len(names) > 12 else ''}"
