"""What does not have the shape of a profile, in the trade's words: never in a library's.

Each finding of pydantic is one sentence: what stands there, what belongs there, what to write.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from studiobridge.profile.findings import nearest
from studiobridge.profile.fitting import Place, place_at, sample
from studiobridge.profile.plain import as_written, quoted
from studiobridge.profile.text import Path

# What belongs at the end of a path, by the name of its key, where the shape alone does not say.
ON_ITS_OWN = {
    "call_times": "write a '-' before each of them",
    "to": "write an address, or [one, another]",
    "together": "write yes, or [level, cct]",
}
# The line that says which kind of file it is, and which form of it: a profile's, a book's.
FIRST_LINE = {("format",): "format: 1", ("met",): "met: 1"}
# What a line with this key may look like, where the shape only knows that it is a text.
LIKE = {
    "topic": '"{at}/in"',
    "at": "corner/plug-1",
    "payload": '"{value}"',
    "pattern": '"level={value}"',
    "field": "now.power",
    "title": "Key, left of the wheel",
    "to": "10.0.0.7",
}


@dataclass(frozen=True, slots=True)
class Misfit:
    """One value or key that cannot stand where it stands."""

    path: Path
    what: str
    todo: str = ""
    # is it the key that is wrong, or missing (then `path` ends in it), rather than its value
    kind: str = "value"


def misfits(tree: object, error: ValidationError) -> list[Misfit]:
    """Every one of them, in the order in which they were met."""
    found = [_misfit(tree, item) for item in error.errors(include_url=False)]
    # where one of several forms may stand, each form has something to say: the nearest fit counts
    deeper = {m.path[:n] for m in found if m.kind == "value" for n in range(len(m.path))}
    found = [m for m in found if m.kind != "value" or m.path not in deeper]
    return list({(m.path, m.kind): m for m in reversed(found)}.values())[::-1]


def _misfit(tree: object, item: Mapping[str, Any]) -> Misfit:
    loc: Path = tuple(item["loc"])
    kind = str(item["type"])
    if loc and loc[-1] == "[key]":
        what, todo = _own_words(item)
        return Misfit(loc[:-1], what, todo or "use a-z, 0-9 and hyphens", "key")
    if kind == "missing":
        return _missing((*in_tree(tree, loc[:-1]), loc[-1]))
    path = in_tree(tree, loc)
    if kind == "extra_forbidden":
        return _unknown(path, item["input"])
    place = place_at(path) or Place(())
    if item["input"] is None:
        name = named(path)
        todo = f"write it like {_line(path, place)}"
        if not place.needed:
            todo += ", or leave it out"
        return Misfit(path, f"nothing stands behind {name}", todo)
    what, todo = _value(kind, item, path, place)
    return Misfit(path, what, todo)


def in_tree(tree: object, loc: Path) -> Path:
    """The part of a location that is in the file: pydantic also names the form it tried."""
    at = tree
    path: list[str | int] = []
    for part in loc:
        if isinstance(at, dict) and str(part) in at:
            at = at[str(part)]
            path.append(str(part))
        elif isinstance(at, list) and isinstance(part, int) and part < len(at):
            at = at[part]
            path.append(part)
        elif isinstance(part, int) and isinstance(at, dict):
            continue  # one of a list may stand by itself
        else:
            break
    return tuple(path)


def named(path: Path) -> str:
    """How a sentence calls what stands at a path: by its key, or as one of a list's."""
    if not path:
        return "the profile"
    if isinstance(path[-1], int):
        return f"number {path[-1] + 1} of '{path[-2]}'" if len(path) > 1 else "an entry"
    return f"'{path[-1]}'"


def _missing(loc: Path) -> Misfit:
    place = place_at(loc) or Place(())
    todo = f"add it, like {_line(loc, place)}"
    if loc in FIRST_LINE:
        todo = f"add '{FIRST_LINE[loc]}'"
    return Misfit(loc, f"'{loc[-1]}' is missing", todo, "missing")


def _unknown(path: Path, value: object) -> Misfit:
    last = str(path[-1])
    if value is None and last[:1].isdigit():
        # {height: 1,5 m} is `height: 1` and a key `5 m`
        what = f"'{last}' stands behind a comma, and between brackets a comma ends a value"
        return Misfit(path, what, "write a number with a point, like 1.5", "unknown")
    above = place_at(path[:-1]) or Place(())
    return Misfit(path, f"unknown key '{last}'", nearest(last, above.keys()), "unknown")


# What people call a device, and its kind here. By letters 'lamp' is nearest to 'amp', which is
# brought up last and needs no look.
MEANT = {
    **dict.fromkeys(("lamp", "bulb", "led", "panel", "fixture", "spot", "dimmer"), "light"),
    **dict.fromkeys(("socket", "outlet", "relay", "switch", "strip"), "plug"),
    **dict.fromkeys(("laptop", "pc", "desktop"), "computer"),
    **dict.fromkeys(("monitor", "screen", "prompter", "teleprompter", "tv"), "display"),
    **dict.fromkeys(("mixer", "mic", "microphone", "recorder"), "audio"),
    **dict.fromkeys(("speaker", "speakers", "loudspeaker", "amplifier"), "amp"),
}


def _own_words(item: Mapping[str, Any]) -> tuple[str, str]:
    text = str(item["msg"]).removeprefix("Value error, ")
    if item["type"] != "value_error":
        expected = str((item.get("ctx") or {}).get("expected", "")).replace("'", "")
        todo = f"known: {expected}" if expected else ""
        return f"{quoted(item['input'])} cannot be a key here", todo
    what, _, todo = text.partition("; ")
    return what, todo


def _value(kind: str, item: Mapping[str, Any], path: Path, place: Place) -> tuple[str, str]:
    """What is said of a value that does not fit, and what to write instead."""
    value, name = item["input"], named(path)
    last = next((str(p) for p in reversed(path) if isinstance(p, str)), "")
    context: Mapping[str, Any] = item.get("ctx") or {}
    like = f"write it like {_line(path, place)}"
    if kind == "value_error":
        what, todo = _own_words(item)
        return what, todo or like
    if path in FIRST_LINE:
        return f"{path[0]} {as_written(value)} is not known here", f"write '{FIRST_LINE[path]}'"
    words = [as_written(word) for word in place.words()]
    if kind == "literal_error" and words:
        if isinstance(value, list | dict):
            return f"{quoted(value)} is not one of {_or(words)}", "write one of them alone"
        meant = MEANT.get(as_written(value).casefold()) if last == "kind" else None
        todo = f"did you mean '{meant}'?" if meant else nearest(as_written(value), words)
        return (
            f"{quoted(value)} is not one of {_or(words)}",
            todo if todo.startswith("did you mean") else "write one of them",
        )
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return _no_mapping(value, name, path, place)
    if kind == "list_type":
        todo = ON_ITS_OWN.get(last, f"write [{as_written(value)}]")
        return f"{name} is a list, and {quoted(value)} is none", todo
    if kind == "string_type":
        if isinstance(value, bool | int | float):
            shown = as_written(value)
            return f"{name} is a text, and {shown} is read as something else", (
                f'put it in quotes: "{shown}"'
            )
        return f"{name} is one text, and {quoted(value)} is more", like
    if kind == "too_short" or kind == "string_too_short":
        return f"{name} is empty", like if value else f"put something into it, or {like}"
    if kind in ("too_long", "string_too_long"):
        most = context.get("max_length")
        unit = "characters" if kind == "string_too_long" else "entries"
        return f"{name} has more than {most} {unit}", "a set needs fewer"
    if kind in ("greater_than_equal", "less_than_equal", "greater_than", "less_than"):
        low, high = _bounds(place)
        return f"{name} is {as_written(value)}", f"write a whole number from {low} to {high}"
    if kind.startswith(("int_", "float_", "finite_number")):
        low, high = _bounds(place)
        reach = "" if low is None or high is None else f" from {low} to {high}"
        return f"{name} is a whole number{reach}, and {quoted(value)} is none", (
            f"write it like '{last}: {_number(place)}'"
        )
    return f"{quoted(value)} does not fit {name}", ON_ITS_OWN.get(last, like)


def _no_mapping(value: object, name: str, path: Path, place: Place) -> tuple[str, str]:
    like = f"write it like {_line(path, place)}"
    if isinstance(value, list):
        what = f"{name} is a list here, and it has keys with values"
        return what, f"leave the '-' or the [ ] out; {like}"
    what = f"{name} has keys with values, and here is only {quoted(value)}"
    return what, like


def _bounds(place: Place) -> tuple[Any, Any]:
    low = high = None
    for said in place.metadata:
        low = getattr(said, "ge", low)
        high = getattr(said, "le", high)
    return low, high


def _number(place: Place) -> object:
    low, _ = _bounds(place)
    return max(low or 1, 1)


def _or(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _line(path: Path, place: Place) -> str:
    """`draws: 72 W`: the least that may stand there, as a line of the file."""
    made = as_written(_readable(sample(place)))
    if path and isinstance(path[-1], str):
        return f"'{path[-1]}: {LIKE.get(path[-1], made)}'"
    return f"'{made}'"


def _readable(value: object) -> object:
    """A sample for a sentence: an empty mapping says nothing."""
    return "{…}" if value in ({}, "text") else value
