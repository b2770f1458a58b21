"""YAML to a tree that remembers where everything stood.

YAML 1.2 booleans: only `true` and `false` are; on, off, yes and no stay words (PyYAML reads
YAML 1.1 by itself, where `off` is False). Built from the parser's events, one by one, so that
no depth and no alias can run away with memory or the stack.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from studiobridge.profile.plain import plain

# A set of thirty devices is about 10 kB. What is larger than this is not a set profile.
MAX_BYTES = 8 * 1024 * 1024
MAX_DEPTH = 24
# Every node counts each time an alias repeats it, so that aliases cannot explode.
MAX_NODES = 2_000_000
MAX_ALIAS_NODES = 10_000

_INT = re.compile(r"[-+]?[0-9]{1,18}\Z")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?\Z")

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong (or doubtful) in a file: where, what, and what to do about it."""

    file: str
    line: int
    column: int
    what: str
    todo: str = ""

    def __str__(self) -> str:
        text = f"{self.file}:{self.line}:{self.column}: {self.what}"
        text = f"{text}; {self.todo}" if self.todo else text
        # names in a file may hold anything; a terminal must not be driven by it
        return plain(text)


class ProfileError(Exception):
    """A profile that cannot be used; `problems` has everything found, in the file's order."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.column)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(slots=True)
class Node:
    """A scalar, mapping or sequence and where it starts and ends in the text."""

    line: int
    column: int
    start: int
    end: int
    scalar: str | None = None
    plain: bool = False
    pairs: list[tuple[Node, Node]] | None = None
    entries: list[Node] | None = None
    flow: bool = False
    size: int = 1

    def get(self, key: str) -> Node | None:
        """The value of a key of a mapping."""
        for name, value in self.pairs or ():
            if name.scalar == key:
                return value
        return None

    def value(self) -> object:
        """As plain Python: dict, list, str, int, float, bool or None."""
        if self.pairs is not None:
            return {name.scalar: value.value() for name, value in self.pairs}
        if self.entries is not None:
            return [entry.value() for entry in self.entries]
        text = self.scalar or ""
        if not self.plain:
            return text
        if text in ("", "~", "null", "Null", "NULL"):
            return None
        if text in ("true", "True", "TRUE"):
            return True
        if text in ("false", "False", "FALSE"):
            return False
        if _INT.match(text):
            return int(text)
        if _FLOAT.match(text):
            return float(text)
        return text


@dataclass(slots=True)
class Document:
    """A parsed file: the tree, and the place of every path in it."""

    name: str
    text: str
    root: Node
    problems: list[Problem] = field(default_factory=list)

    def at(self, path: Path) -> tuple[Node, Node | None]:
        """The node at a path (or the nearest above it), and its key where it has one."""
        node, key = self.root, None
        for part in path:
            found: Node | None = None
            if node.pairs is not None:
                for name, value in node.pairs:
                    if name.scalar == str(part):
                        key, found = name, value
                        break
            elif node.entries is not None and isinstance(part, int) and part < len(node.entries):
                key, found = None, node.entries[part]
            if found is None:
                break
            node = found
        return node, key

    def problem(self, path: Path, what: str, todo: str = "", key: bool = False) -> Problem:
        """A problem at a path; `key` points at the key instead of the value."""
        node, name = self.at(path)
        place = name if key and name is not None else node
        return Problem(self.name, place.line, place.column, what, todo)


def read_document(data: bytes | str, name: str) -> Document:
    """Parse one YAML document. Raises ProfileError."""

    def fail(line: int, column: int, what: str, todo: str = "") -> ProfileError:
        return ProfileError([Problem(name, line, column, what, todo)])

    if isinstance(data, bytes):
        if len(data) > MAX_BYTES:
            raise fail(1, 1, f"{len(data)} bytes are too many for a set profile", "split the sets")
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            column = error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1
            raise fail(line, column, "not UTF-8 text", "save the file as UTF-8") from None
    else:
        text = data
        if len(text) > MAX_BYTES:
            raise fail(1, 1, f"{len(text)} characters are too many for a set profile")
    try:
        root, problems = _Builder(name).build(text)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
        what = " ".join(p for p in (error.context, error.problem) if p) or "not YAML"
        raise fail(line, column, f"not YAML here: {what}") from None
    except yaml.YAMLError as error:
        what = str(error).split("\n")[0]
        place = getattr(error, "position", 0) or 0
        line = text.count("\n", 0, place) + 1
        raise fail(line, 1, f"not YAML: {what}") from None
    if root is None:
        raise fail(1, 1, "the file is empty", "start with 'format: 1'")
    document = Document(name, text, root, problems)
    if root.pairs is None:
        raise fail(root.line, root.column, "a set profile is a mapping", "start with 'format: 1'")
    return document


_BASE = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Builder:
    def __init__(self, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self.nodes = 0
        self.repeated = 0

    def _stop(self, mark: Any, what: str, todo: str = "") -> ProfileError:
        problem = Problem(self.name, mark.line + 1, mark.column + 1, what, todo)
        return ProfileError([*self.problems, problem])

    def build(self, text: str) -> tuple[Node | None, list[Problem]]:
        loader = _BASE(text)
        try:
            return self._build(loader), self.problems
        finally:
            loader.dispose()

    def _events(self, loader: Any) -> Iterator[Any]:
        while loader.check_event():
            yield loader.get_event()

    def _build(self, loader: Any) -> Node | None:
        root: Node | None = None
        stack: list[tuple[Node, list[Node], str | None]] = []
        anchors: dict[str, Node] = {}
        documents = 0
        for event in self._events(loader):
            mark = event.start_mark
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self._stop(mark, "a second document in the file", "one set, one file")
                continue
            node: Node | None = None
            if isinstance(event, yaml.ScalarEvent):
                node = self._new(event)
                node.scalar = event.value
                node.plain = not event.style and event.tag is None
                self._anchor(event, node, anchors)
            elif isinstance(event, yaml.AliasEvent):
                node = anchors.get(str(event.anchor))
                if node is None:
                    raise self._stop(mark, f"alias *{event.anchor} has no anchor before it")
                self.repeated += node.size
                if self.repeated > MAX_ALIAS_NODES:
                    raise self._stop(mark, "aliases repeat too much", "write it out instead")
            elif isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
                if len(stack) >= MAX_DEPTH:
                    raise self._stop(mark, f"nested more than {MAX_DEPTH} deep")
                opened = self._new(event)
                opened.flow = bool(event.flow_style)
                stack.append((opened, [], event.anchor))
                continue
            elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
                opened, inside, anchor = stack.pop()
                opened.end = event.end_mark.index  # type: ignore[union-attr]
                opened.size += sum(child.size for child in inside)
                if isinstance(event, yaml.MappingEndEvent):
                    opened.pairs = self._pairs(inside)
                else:
                    opened.entries = inside
                if anchor is not None:
                    anchors[anchor] = opened
                node = opened
            if node is None:
                continue
            if stack:
                stack[-1][1].append(node)
            elif root is None:
                root = node
        return root

    def _new(self, event: Any) -> Node:
        self.nodes += 1
        mark = event.start_mark
        if self.nodes > MAX_NODES:
            raise self._stop(mark, "too many entries for a set profile")
        return Node(mark.line + 1, mark.column + 1, mark.index, event.end_mark.index)

    def _anchor(self, event: Any, node: Node, anchors: dict[str, Node]) -> None:
        if event.anchor is not None:
            anchors[event.anchor] = node

    def _pairs(self, inside: list[Node]) -> list[tuple[Node, Node]]:
        pairs: list[tuple[Node, Node]] = []
        seen: dict[str, Node] = {}
        for key, value in zip(inside[::2], inside[1::2], strict=True):
            if key.scalar is None:
                what = "a key that is not a word"
                self.problems.append(Problem(self.name, key.line, key.column, what))
                continue
            first = seen.get(key.scalar)
            if first is not None:
                what = f"key '{key.scalar}' stands here twice (first in line {first.line})"
                self.problems.append(
                    Problem(self.name, key.line, key.column, what, "keep one of them")
                )
                continue
            seen[key.scalar] = key
            pairs.append((key, value))
        return pairs
