"""Something new in a file that a person wrote: text is inserted, and none of theirs is touched.

What can be added is a pair of a mapping: a device of `devices:`, a look of `looks:`. Whoever adds
reads the result again and asks whether it says the old and the new, exactly (`says`): where this
file was written in a way that was not thought of, nothing is written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from studiobridge.profile import written
from studiobridge.profile.text import Document, Node

_LINE_END = re.compile(r"\r\n|\n|\r")
_ALIAS = re.compile(r"\s*:\s*\*[\w-]+")


class CannotInsert(Exception):
    """There is no place for it in this file. The text says why, for a person."""


@dataclass(frozen=True, slots=True)
class Insertion:
    at: int
    text: str


def inserted(text: str, insertions: list[Insertion]) -> str:
    """The text with all of them in it."""
    for one in sorted(insertions, key=lambda one: one.at, reverse=True):
        text = text[: one.at] + one.text + text[one.at :]
    return text


def into_section(
    document: Document,
    section: str,
    name: str,
    value: Mapping[str, object],
    opened: int = 0,
    before: str | None = None,
) -> Insertion:
    """Add `name: value` to a mapping at the top of the file, in the manner of that mapping.

    Where the file has no such section it gets one: before another, or at its end.
    """
    root = document.root
    node = root.get(section)
    if node is not None:
        return into_mapping(document.text, node, name, value, opened)
    if root.flow:
        return into_mapping(document.text, root, section, {name: value})
    text, indent = document.text, _indent(root)
    made = [
        f"{' ' * indent}{section}:",
        *written.lines(name, value, indent + 2, opened, name=True),
    ]
    new = _new_line(text)
    for key, _ in root.pairs or ():
        if before is not None and key.scalar == before:
            at = _above_comments(text, key.start)
            return Insertion(at, new.join(made) + new + new)
    at = _last_line_end(text, root)
    return Insertion(at, new + new + new.join(made))


def into_mapping(
    text: str, node: Node, name: str, value: object, opened: int = 0, is_name: bool = True
) -> Insertion:
    """Add a pair at the end of a mapping that stands in the file, in the manner of its others."""
    if node.pairs is None:
        raise CannotInsert("there is no mapping to add to")
    pairs = node.pairs
    if node.flow:
        quoted = bool(pairs) and text[pairs[0][0].start] == '"'
        if quoted:
            entry = f"{written.as_json(name)}: {written.as_json(value)}"
        else:
            entry = f"{written.key(name, is_name)}: {written.flow(value)}"
        if not pairs:
            return Insertion(node.end - 1, entry)
        return Insertion(_pair_end(text, pairs[-1]), f", {entry}")
    if not pairs:
        raise CannotInsert("an empty mapping cannot be added to")
    new = _new_line(text)
    made = new.join(written.lines(name, value, _indent(node), opened, is_name))
    end = _own_end(text, node)
    if text[:end].endswith(("\n", "\r")) or not text[_line_start(text, end) : end].strip():
        # the last value is a block of text, which ends where the next line begins
        return Insertion(_line_start(text, end), made + new)
    return Insertion(_line_end(text, end), new + made)


def into_list(
    document: Document, section: str, entries: Sequence[Mapping[str, object]]
) -> Insertion:
    """Add entries, a line each, to a list at the top of the file, in the manner of that list.

    Where the file has no such list it gets one at its end.
    """
    root, text = document.root, document.text
    new = _new_line(text)
    made = [written.flow(entry) for entry in entries]
    node = root.get(section)
    if node is None:
        if root.flow:
            return into_mapping(text, root, section, list(entries), is_name=False)
        indent = _indent(root)
        lines = [f"{' ' * indent}{section}:", *(f"{' ' * (indent + 2)}- {one}" for one in made)]
        return Insertion(_last_line_end(text, root), new + new + new.join(lines))
    if node.entries is None:
        raise CannotInsert(f"'{section}' is no list there")
    if node.flow:
        if text[node.start] != "[":
            raise CannotInsert(f"'{section}' is an alias")
        if not node.entries:
            return Insertion(node.end - 1, ", ".join(made))
        return Insertion(_own_end(text, node.entries[-1]), "".join(f", {one}" for one in made))
    first, last = node.entries[0], node.entries[-1]
    dash = text[_line_start(text, first.start) : first.start]
    if not re.fullmatch(r"[ ]*-[ ]+", dash):
        raise CannotInsert(f"the first of '{section}' stands where none can be put below it")
    end = _last_line_end(text, last)
    return Insertion(end, "".join(new + dash + one for one in made))


def says(after: object, before: object, path: tuple[str, ...], value: object) -> bool:
    """Does the new tree say what the old one says, with this value at this path, and no more?"""
    return after == _with(before, path, value)


def _with(tree: object, path: tuple[str, ...], value: object) -> object:
    if not path:
        return value
    old = dict(tree) if isinstance(tree, Mapping) else {}
    old[path[0]] = _with(old.get(path[0]), path[1:], value)
    return old


def _indent(node: Node) -> int:
    """How far the keys of a block mapping stand in."""
    return (node.pairs or [])[0][0].column - 1


def _new_line(text: str) -> str:
    """How this file ends its lines."""
    found = _LINE_END.search(text)
    return found.group() if found is not None else "\n"


def _line_end(text: str, at: int) -> int:
    found = _LINE_END.search(text, at)
    return found.start() if found is not None else len(text)


def _last_line_end(text: str, node: Node) -> int:
    """Where the last line of a node ends. A block of text ends only where the next line begins."""
    end = _own_end(text, node)
    if end == _line_start(text, end) and text.startswith("...", end):
        return end - (2 if text[:end].endswith("\r\n") else 1)  # above what ends the file
    return _line_end(text, end)


def _line_start(text: str, at: int) -> int:
    return max(text.rfind("\n", 0, at), text.rfind("\r", 0, at)) + 1


def _above_comments(text: str, at: int) -> int:
    """Where the comments begin that stand directly above this line, and so belong to it."""
    at = _line_start(text, at)
    while at > 0:
        above = _line_start(text, at - (2 if text[:at].endswith("\r\n") else 1))
        if not text[above:at].lstrip().startswith("#"):
            break
        at = above
    return at


def _own_end(text: str, node: Node) -> int:
    """Where the own text of a node ends: a block ends only where the next thing begins."""
    while not node.flow and (node.pairs or node.entries):
        if node.pairs:
            key, value = node.pairs[-1]
            if value.start < key.start:
                return _pair_end(text, (key, value))
            node = value
        else:
            entries = node.entries or []
            if any(entries[-1].start <= other.start for other in entries[:-1]):
                raise CannotInsert("it ends with an alias in a list")
            if entries[-1].start < node.start:
                raise CannotInsert("it ends with an alias in a list")
            node = entries[-1]
    return node.end


def _pair_end(text: str, pair: tuple[Node, Node]) -> int:
    """Where a pair ends. An alias (`left: *key`) is read as what it stands for, far above it."""
    key, value = pair
    if value.start >= key.start:
        return _own_end(text, value)
    found = _ALIAS.match(text, key.end)
    if found is None:
        raise CannotInsert(f"it ends with an alias, at '{key.scalar}'")
    return found.end()
