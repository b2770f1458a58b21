"""The book of what was met, `met.yaml`: its text made and read.

    met: 1
    dialects: {...}     # as they stand in a set profile
    devices: {...}      # kind, speaks, at, blanks, and what was measured

Comments say why each line stands there, `# likely: both words were heard`, and are read back
with it. Devices whose halves are the same share a dialect.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, get_args

from pydantic import Field, ValidationError

from studiobridge.meeting.met import Acquaintance, Ground, Half
from studiobridge.profile.dialects import Dialects
from studiobridge.profile.findings import Findings, from_validation
from studiobridge.profile.model import FIXTURES, HOMIE5, POINTS, Kind, Point
from studiobridge.profile.plain import plain
from studiobridge.profile.shape import DeviceShape, DialectShape, Name, ProfileShape, Shape
from studiobridge.profile.text import Document, Node, Problem, ProfileError, read_document

GROUNDS: tuple[Ground, ...] = get_args(Ground)
# What is better known than what, the best first.
BEST: dict[Ground, int] = {"described": 0, "seen": 1, "overheard": 2, "likely": 3, "shape": 4}
# A half somebody wrote into the book by hand has no comment of ours: it is what they say it is.
BY_HAND: Ground = "likely"
WHY_BY_HAND = "it stands in the book"
WIDTH = 110
HEAD = """\
# What was met on the broker. Everything here is a guess with its reason, until you have looked at
# it; change what is wrong. 'described' and 'seen' happened, 'shape' is not much more than a hope.
"""
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_./ %-]{0,60}\Z")
_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_-]{0,60}\Z")
_RESERVED = frozenset({"true", "false", "null", "yes", "no", "on", "off", "y", "n"})
_SAID = re.compile(r"\s*# (" + "|".join((*GROUNDS, "missing")) + r"): (.*)\Z")
_MORE = re.compile(r"\s*#   (.*)\Z")
_OWN = frozenset({"kind", "speaks", "at", "blanks"})


# ---- made --------------------------------------------------------------------------------


def text_of(met: Sequence[Acquaintance]) -> str:
    """The text of the book of these acquaintances, with its comments. What is read from it again
    is the same."""
    named = _dialects(met)
    lines = [HEAD + "met: 1"]
    lines += ["", "dialects:"] if named else ["", "dialects: {}"]
    for name, who in named.items():
        lines += _dialect_lines(name, who)
    speaks = {id(one): name for name, who in named.items() for one in who}
    lines += ["", "devices:"] if met else ["", "devices: {}"]
    for one in met:
        lines += _device_lines(one, speaks.get(id(one)))
    return "\n".join(lines) + "\n"


def _dialects(met: Sequence[Acquaintance]) -> dict[str, list[Acquaintance]]:
    """Who speaks the same, by the name of what they speak: the one it had, else the first's."""
    alike: dict[str, list[Acquaintance]] = {}
    for one in met:
        if one.homie is None and (one.halves or one.ask):
            alike.setdefault(_spoken(one), []).append(one)
    named: dict[str, list[Acquaintance]] = {}
    for who in alike.values():
        name = next((one.speaks for one in who if one.speaks), None) or _common(who)
        named[_free(name, {*named, HOMIE5, "e131"})] = who
    return named


def _spoken(one: Acquaintance) -> str:
    """What it speaks, so that what is the same is the same text."""
    halves = sorted((h.point, h.half, flow(h.rule)) for h in one.halves)
    return flow([one.ask, one.together or False, halves])


def _common(who: Sequence[Acquaintance]) -> str:
    """A name for what several speak: what their names have in common."""
    first, last = min(one.name for one in who), max(one.name for one in who)
    same = 0
    while same < min(len(first), len(last)) and first[same] == last[same]:
        same += 1
    base = first[:same].rstrip("-0123456789") if len(who) > 1 else first.rstrip("-0123456789")
    return f"{base or who[0].name}-speech"[:40].strip("-")


def _free(name: str, taken: Iterable[str]) -> str:
    """The name, or the name with a number, that nobody has."""
    used = set(taken)
    n, found = 1, name
    while found in used:
        n += 1
        found = f"{name[:36].rstrip('-')}-{n}"
    return found


def _dialect_lines(name: str, who: Sequence[Acquaintance]) -> list[str]:
    lines = [f"  {name}:"]
    for point in POINTS:
        halves = [half for w in ("tell", "hear") if (half := _best(who, point, w))]
        if halves:
            lines.append(f"    {point}:")
        for half in halves:
            lines += _comment(6, half.ground, half.why)
            lines.append(f"      {half.half}: {flow(half.rule)}")
    if who[0].ask:
        lines.append(f"    ask: {flow(who[0].ask)}")
    if who[0].together:
        together = "yes" if who[0].together is True else flow(list(who[0].together))
        lines.append(f"    together: {together}")
    return lines


def _best(who: Sequence[Acquaintance], point: Point, which: str) -> Half | None:
    """The same half of each of them: with the best reason there is."""
    found = [h for one in who for h in one.halves if (h.point, h.half) == (point, which)]
    return min(found, key=lambda half: BEST[half.ground], default=None)


def _device_lines(one: Acquaintance, speaks: str | None) -> list[str]:
    keys: dict[str, object] = {}
    if one.kind is not None:
        keys["kind"] = one.kind
    if one.homie is not None:
        keys["speaks"] = HOMIE5
    elif speaks is not None:
        keys["speaks"] = speaks
    keys["at"] = one.homie or one.at
    if one.blanks:
        keys["blanks"] = dict(one.blanks)
    keys.update(one.measured)
    lines = [line for text in one.missing for line in _comment(2, "missing", text)]
    whole = f"  {one.name}: {flow(keys)}"
    if len(whole) <= WIDTH:
        return [*lines, whole]
    lines.append(f"  {one.name}:")
    return lines + [f"    {_key(key)}: {flow(value)}" for key, value in keys.items()]


def _comment(indent: int, ground: str, text: str) -> list[str]:
    """A sentence as comment lines: the first says what it is, the others are set in."""
    room = " " * indent
    told = " ".join(plain(text).split())
    return textwrap.wrap(
        told,
        WIDTH,
        initial_indent=f"{room}# {ground}: ",
        subsequent_indent=f"{room}#   ",
        break_long_words=False,
        break_on_hyphens=False,
    ) or [f"{room}# {ground}: ?"]


def flow(value: object) -> str:
    """A value in one line of YAML, as it is written by hand."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(k)}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(flow(part) for part in value) + "]"
    if isinstance(value, str):
        # what a plain word would be read as something else for, or ended by, is quoted
        bare = _PLAIN.match(value) and value.lower() not in _RESERVED and value == value.strip()
        if bare and "  " not in value:
            return value
        if re.fullmatch(r"-?[0-9.]+\.\.-?[0-9.]+( [A-Za-z]+)?", value):
            return value
        return json.dumps(value, ensure_ascii=False)
    return json.dumps(value, ensure_ascii=False)


def _key(key: object) -> str:
    text = str(key)
    return text if _KEY.match(text) else json.dumps(text, ensure_ascii=False)


# ---- read --------------------------------------------------------------------------------


class MetShape(DeviceShape):
    """A device in the book: its kind may not be known yet."""

    kind: Kind | None = None  # type: ignore[assignment]


class BookShape(Shape):
    """The book, format 1."""

    met: Literal[1]
    dialects: dict[Name, DialectShape] = Field(default_factory=dict)
    devices: dict[Name, MetShape] = Field(default_factory=dict)


def read(data: str | bytes, name: str = "met.yaml") -> list[Acquaintance]:
    """The acquaintances in a book. Raises ProfileError with file, line and column of everything
    that is wrong, by the rules of a set profile."""
    try:
        document = read_document(data, name)
        findings = Findings(document, list(document.problems))
        shape = _shape(document, findings)
        _check(shape, findings)
        if findings.problems:
            raise ProfileError(findings.problems)
    except ProfileError as error:
        raise ProfileError([_of_a_book(problem) for problem in error.problems]) from None
    return _acquaintances(document, shape)


def _of_a_book(problem: Problem) -> Problem:
    """What is said of a profile, said of a book."""
    words = (("format: 1", "met: 1"), ("a set profile", "a book"), ("one set,", "one book,"))
    what, todo = problem.what, problem.todo
    for profile, book in words:
        what, todo = what.replace(profile, book), todo.replace(profile, book)
    return replace(problem, what=what, todo=todo)


def _shape(document: Document, findings: Findings) -> BookShape:
    try:
        value = document.root.value()
        assert isinstance(value, dict)
        # an empty key is an empty mapping: a book of nothing is a book
        value = {
            k: {} if v is None and k in ("dialects", "devices") else v for k, v in value.items()
        }
        return BookShape.model_validate(value)
    except ValidationError as error:
        raise ProfileError([*findings.problems, *from_validation(document, error)]) from None


def _check(shape: BookShape, findings: Findings) -> None:
    """What a profile would refuse of it, and names nobody has."""
    # a lamp that is only told may be one in a book: how else it is known is said in the profile
    devices: dict[str, Any] = {
        name: device.model_copy(update={"kind": "light", "proof": "none"})
        if device.kind is None or device.kind in FIXTURES
        else device
        for name, device in shape.devices.items()
    }
    whole = ProfileShape.model_construct(
        format=1, set="met", dialects=shape.dialects, devices=devices
    )
    dialects = Dialects(whole, findings)
    maps = dialects.maps()
    for name, device in shape.devices.items():
        if device.speaks is None:
            continue
        if device.speaks == HOMIE5:
            dialects.homie_at(name, device)
        elif device.speaks not in maps:
            what = f"there is no dialect '{device.speaks}'"
            known = ", ".join([*maps, HOMIE5][:12])
            dialects.wrong(("devices", name, "speaks"), what, f"known: {known}")
        elif not findings.problems:
            dialects.topics(name, device, maps[device.speaks])


def _acquaintances(document: Document, shape: BookShape) -> list[Acquaintance]:
    lines = document.text.split("\n")
    top = document.root.value()
    assert isinstance(top, dict)
    dialects, devices = top.get("dialects") or {}, top.get("devices") or {}
    halves = {name: _halves(document, lines, name, said) for name, said in dialects.items()}
    met = []
    for name, device in shape.devices.items():
        said = devices[name]
        speaks = device.speaks if device.speaks != HOMIE5 else None
        spoken = dialects.get(speaks, {}) if speaks else {}
        _, key = document.at(("devices", name))
        missing = [text for _, text in _comments(lines, key, "missing")]
        met.append(
            Acquaintance(
                name,
                device.at or "",
                device.kind,
                halves.get(speaks or "", ()),
                spoken.get("ask"),
                device.at if device.speaks == HOMIE5 else None,
                {key: value for key, value in said.items() if key not in _OWN},
                tuple(missing),
                dict(device.blanks),
                speaks,
                _together(spoken.get("together", False)),
            )
        )
    return met


def _together(said: Any) -> bool | Sequence[Point]:
    return list(said) if isinstance(said, list) else said in (True, "yes", "on")


def _halves(
    document: Document, lines: Sequence[str], name: str, said: Mapping[str, Any]
) -> tuple[Half, ...]:
    """The halves of a dialect, each with the reason that stands above it."""
    found = []
    for point in POINTS:
        rules = said.get(point)
        if not isinstance(rules, dict):
            continue
        for which in ("tell", "hear"):
            if not isinstance(rules.get(which), dict):
                continue
            _, key = document.at(("dialects", name, point, which))
            above = [c for c in _comments(lines, key, *GROUNDS) if c[0] in GROUNDS]
            ground, why = above[-1] if above else (BY_HAND, WHY_BY_HAND)
            half: Any = which
            found.append(Half(point, half, rules[which], ground, why))
    return tuple(found)


def _comments(lines: Sequence[str], key: Node | None, *kinds: str) -> list[tuple[Any, str]]:
    """The comments of ours in the lines right above a key, in their order."""
    if key is None:
        return []
    top = key.line - 1
    while top > 0 and lines[top - 1].lstrip().startswith("#"):
        top -= 1
    found: list[tuple[Any, str]] = []
    for line in lines[top : key.line - 1]:
        begins, goes_on = _SAID.match(line.rstrip("\r")), _MORE.match(line.rstrip("\r"))
        if begins is not None and begins[1] in kinds:
            found.append((begins[1], begins[2]))
        elif goes_on is not None and found:
            found[-1] = (found[-1][0], f"{found[-1][1]} {goes_on[1]}")
    return found


# ---- joined ------------------------------------------------------------------------------


def joined(known: Sequence[Acquaintance], more: Sequence[Acquaintance]) -> list[Acquaintance]:
    """A book with more in it: a device met again (same `at`, `blanks`, `homie`) keeps its name
    and what is known on better ground; a new one whose name is taken gets another."""
    book = list(known)
    for one in more:
        same = next((i for i, old in enumerate(book) if _who(old) == _who(one)), None)
        if same is None:
            book.append(replace(one, name=_free(one.name, {old.name for old in book})))
        else:
            book[same] = _again(book[same], one)
    return book


def _who(one: Acquaintance) -> tuple[object, ...]:
    return one.homie or one.at, tuple(sorted(map(str, one.blanks.items()))), one.homie is None


def _again(old: Acquaintance, new: Acquaintance) -> Acquaintance:
    """A device met once more. What is as well known as before is as it was heard now."""
    halves = {(h.point, h.half): h for h in old.halves}
    for half in new.halves:
        before = halves.get((half.point, half.half))
        if before is None or BEST[half.ground] <= BEST[before.ground]:
            halves[half.point, half.half] = half
    ordered = sorted(halves.values(), key=lambda h: (POINTS.index(h.point), h.half == "hear"))
    return replace(
        old,
        kind=old.kind or new.kind,
        halves=tuple(ordered),
        ask=new.ask or old.ask,
        measured={**old.measured, **new.measured},
        missing=new.missing,
        together=new.together or old.together,
    )
