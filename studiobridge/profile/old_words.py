"""Words that a profile used to say, read as those it says now, and written anew when asked.

A profile is a person's file: what it says keeps its meaning when a word of ours gets better. An
old word is read as the new one and said in one line; only `studiobridge check --rewrite` changes
the file (rewrite.py). `TABLE` has them all.
"""

from __future__ import annotations

from dataclasses import dataclass

from studiobridge.profile.text import Document, Node, Path, Problem


@dataclass(frozen=True, slots=True)
class Renamed:
    """A key, and where it stands: `*` is any name a person made up."""

    where: Path
    old: str
    new: str


# Beside mains, circuits and leads, a wire read as a cable.
TABLE = (
    Renamed((), "wires", "dialects"),
    Renamed(("devices", "*"), "wire", "speaks"),
)


def take_new_words(document: Document) -> Problem | None:
    """Rename the old words in the tree, not in the text; say in one line that they are there."""
    found = old_keys(document)
    if not found:
        return None
    for key, renamed in found:
        key.scalar = renamed.new
    first = min((key for key, _ in found), key=lambda key: key.start)
    said = [f"'{r.old}' is '{r.new}'" for r in dict.fromkeys(renamed for _, renamed in found)]
    what = " and ".join([f"{said[0]} now", *said[1:]])
    if len(found) > 1:
        what += f" ({len(found)} places)"
    todo = f"`studiobridge check --rewrite {document.name}` writes what it says now"
    return Problem(document.name, first.line, first.column, what, todo)


def old_keys(document: Document) -> list[tuple[Node, Renamed]]:
    """Every key that says an old word, once, in the order of the table.

    One that stands beside the new word is a problem, and taken out of the tree.
    """
    found: dict[int, tuple[Node, Renamed]] = {}
    for renamed in TABLE:
        for mapping in _at(document.root, renamed.where):
            old = new = None
            for key, _ in mapping.pairs or ():
                old = key if key.scalar == renamed.old else old
                new = key if key.scalar == renamed.new else new
            if old is None:
                continue
            if new is not None:
                what = f"'{renamed.old}' and '{renamed.new}' both stand here, and mean the same"
                todo = f"keep '{renamed.new}'"
                document.problems.append(Problem(document.name, old.line, old.column, what, todo))
                mapping.pairs = [pair for pair in mapping.pairs or () if pair[0] is not old]
                continue
            found.setdefault(old.start, (old, renamed))
    return list(found.values())


def _at(node: Node, where: Path) -> list[Node]:
    if not where:
        return [node]
    part, rest = where[0], where[1:]
    return [
        mapping
        for key, value in node.pairs or ()
        if part in ("*", key.scalar)
        for mapping in _at(value, rest)
    ]
