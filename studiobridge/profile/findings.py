"""What is wrong in a file or doubtful, with its place."""

from __future__ import annotations

from dataclasses import dataclass, field

from studiobridge.profile.near import near as near
from studiobridge.profile.near import nearest as nearest
from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.text import Document, Path, Problem


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
