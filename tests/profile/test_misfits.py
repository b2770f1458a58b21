"""What does not fit is said in the trade's words, with what to write instead."""

from __future__ import annotations

import contextlib
import copy
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.misfits import misfits
from studiobridge.profile.model import POINTS
from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.text import read_document

CONFIG = Path(__file__).parents[2] / "config"
# words of Python and of its libraries: none of them is known at a set
NOT_OURS = re.compile(
    r"Input|\bvalid|literal|\bdict|str_|\bstr\b|None|list\[|tuple|\bint\b|int_|float|\bbool|True|"
    r"False|union|\btag|model|pydantic|instance|parse|string|\btype|function|validat|key\]",
)
PLANTED: list[object] = [-1, 1.5, True, "word", "", None, ["a"], {}, {"a": 1}, [None]]
# what the examples have not
MORE = """\
format: 1
set: more
universes: {1: {to: 10.0.0.7, priority: 90}, 2: {to: [10.0.0.7, 10.0.0.8]}}
dialects:
  panel:
    level:
      tell: {topic: "{at}/do", payload: "{value}", span: 0..255, step: 5 %, qos: 1, retain: yes}
      hear: {topic: "{at}/is", pattern: "l={value}", where: {a: b}, words: {yes: [a, b]}, scale: 0.1}
    colour:
      tell: {topic: "{at}/c", json: {h: "{hue}"}, spans: {hue: 0..360}}
      hear: {topic: "{at}/c", fields: {hue: [a, 0]}}
    ask: [{topic: "{at}/ask", every: 5 s}]
    together: [level, colour]
devices:
  a:
    kind: light
    fed_by: battery
    speaks: e131
    at: 1/x
    blanks: {a: b}
    properties: {level: x/y}
    slots: {level: 1, level_fine: 2, cct: {slot: 3, span: 2700..6500 K}, keep: {5: 10}}
    after: [b]
    rolls: {by: watts, from: 8 W}
    warn: {battery: 20 %, card: 10 min, temperature: 60 °C}
    receptor: dome
    own_battery: no
    comes_back: full
looks: {day: {a: {level: 5 %, colour: "#20ff40"}, whites: meant}}
call_times: [{ready_by: "09:00", days: [mon, tue]}]
"""


def leaves(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from leaves(value, (*path, key))
    elif isinstance(tree, list):
        for i, value in enumerate(tree):
            yield from leaves(value, (*path, i))


@contextlib.contextmanager
def planted(tree: Any, path: tuple[Any, ...], value: object) -> Iterator[None]:
    for part in path[:-1]:
        tree = tree[part]
    before = tree[path[-1]]
    tree[path[-1]] = value
    yield
    tree[path[-1]] = before


def alone(tree: Any, path: tuple[Any, ...]) -> Any:
    """The smallest profile with this place in it."""
    section = tree[path[0]]
    if isinstance(section, dict) and len(path) > 1:
        section = {path[1]: section[path[1]]}
    least = {"format": 1, "set": "a", "devices": {"x": {"kind": "plug"}}}
    return copy.deepcopy({**least, path[0]: section})


def every_place() -> list[tuple[Any, tuple[Any, ...]]]:
    """Each kind of place in all the examples once: names a person made up count as one."""
    points = set(POINTS) - {"level", "colour", "temperature", "battery"}
    found: dict[tuple[Any, ...], tuple[Any, tuple[Any, ...]]] = {}
    made_up = {"devices", "dialects", "looks", "circuits", "switches", "variations", "universes"}
    for text in ((CONFIG / "wheel-corner.yaml").read_text(), MORE):
        tree = read_document(text, "kiln.yaml").root.value()
        for path in leaves(tree):
            kind = tuple(
                "*"
                if isinstance(part, int) or (i and path[i - 1] in made_up) or part in points
                else part
                for i, part in enumerate(path)
            )
            found.setdefault(kind, (alone(tree, path), path))
    return list(found.values())


def says_it_in_our_words(tree: Any, path: tuple[Any, ...], value: object) -> int:
    try:
        ProfileShape.model_validate(tree)
    except ValidationError as error:
        said = misfits(tree, error)
        for found in said:
            text = f"{found.what}; {found.todo}"
            assert found.what and found.todo, (path, value, text)
            ours = re.sub(r"'[^']*'", "", text)
            assert not NOT_OURS.search(ours), (path, value, text)
            assert len(text) < 400, text
        return len(said)
    return 0


def test_no_misfit_is_said_in_the_words_of_a_library() -> None:
    places = every_place()
    assert len(places) > 120
    said = 0
    for tree, path in places:
        for value in PLANTED:
            with planted(tree, path, value):
                said += says_it_in_our_words(tree, path, value)
    assert said > 800


CASES = [
    ("days: weekdays", "days: Mon-Fri", "names no days; write [mon, tue, wed, thu, fri] or weekdays"),
    ("days: weekdays", "days: Sat to Mon", "write [sat, sun, mon]"),
    ("days: weekdays", "days: [Monday]", "'Monday' is no day; write [mon]"),
    ("days: weekdays", "days: often", "write [mon, tue, wed], or daily, weekdays or weekends"),
    ("Europe/Lisbon", "Chicago", "did you mean 'America/Chicago'?"),
    ("Europe/Lisbon", "Europe/Lisboa", "did you mean 'Europe/Lisbon'?"),
    ("Europe/Lisbon", "new york", "did you mean 'America/New_York'?"),
    ("Europe/Lisbon", "Xyzzy/Quux", "write a region and a city"),
    ("    boots_in: 4 s\n", "    boots_in: 4\n", "'4' has no unit; write a time, like '4 s' (or in ms, min, h)"),
    ("    boots_in: 4 s\n", "    boots_in: 4 seconds\n", "has the unit 'seconds'; write '4 s'"),
    ("    boots_in: 4 s\n", "    boots_in:\n", "nothing stands behind 'boots_in'; write it like 'boots_in: 1.5 s', or leave it out"),
    ("    boots_in: 4 s\n", "    boots-in: 4 s\n", "unknown key 'boots-in'; did you mean 'boots_in'?"),
    ("    level: 1..100 %\n", "    level: 1-100 %\n", "write two points between: '1..100 %'"),
    ("  width: 2.9 m\n", "  width: 2,9 m\n", "has a comma in its number; write '2.9 m'"),
    ("  width: 2.9 m\n", "  width: 2,900 mm\n", "write '2.900 mm', or '2900 mm' for thousands"),
    ("across: -1.1 m, height: 1.95 m", "across: -1,1 m, height: 1.95 m", "'1 m' stands behind a comma"),
    ("wall:  {breaker: 10 A, curve: B}", "wall:  [10 A, B]", "'wall' is a list here, and it has keys with values"),
    ("    bench: {breaker: 16 A, curve: C}", "    bench: 16 A", "write it like 'bench: {breaker: 18 A}'"),
    ("after: [mixer]", "after: mixer", "'after' is a list, and 'mixer' is none; write [mixer]"),
    ("speaks: desk-helper", "speaks: desk-hepler", "did you mean 'desk-helper'?"),
    ("speaks: desk-helper", "speaks: Desk Helper", "'desk-helper'"),
    ("look: lesson, grace", "look: lessons, grace", "did you mean 'lesson'?"),
    ("idle_for: 3 s", "idle_for: yes", "'yes' is not a time"),
    ("draws: 90 W", "draws: 90 watts", "write '90 W'"),
    ("tries: 3", "tries: 90", "'tries' is 90; write a whole number from 1 to 20"),
    ('payload: "rest now"', "payload: 7", "put it in quotes: \"7\""),
    ("cct: 2700..6500 K", "cct: 2700..6500", "like '2700..6500 K'"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), CASES)
def test_what_to_write_instead(old: str, new: str, said: str) -> None:
    text = (CONFIG / "wheel-corner.yaml").read_text()
    assert text.count(old) == 1, old
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text.replace(old, new))
    assert any(said in str(problem) for problem in caught.value.problems), str(caught.value)
