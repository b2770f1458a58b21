"""YAML as a person writes it in a profile: what goes on one line, and what is opened.

Read back by text.py, every value is what it was. Nothing here knows what a profile means.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

from studiobridge.profile.text import Node

# A line of a profile is not longer than this where it can be opened instead.
WIDEST = 110
# Plain text that no reader of YAML takes for anything else, outside and inside of braces.
_PLAIN = re.compile(r"[A-Za-z0-9_/][A-Za-z0-9 _/.%°²³µ+()-]*\Z")
# What other readers of YAML (1.1) take for a yes, a no or a null.
_WORDS = frozenset({"y", "n", "yes", "no", "on", "off", "true", "false", "null", "nan", "inf"})


def scalar(value: object) -> str:
    """One value: as it is where that is read back as the same, else in quotes."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    text = str(value)
    same = _PLAIN.match(text) and not text.endswith(" ")
    if same and Node(0, 0, 0, 0, scalar=text, plain=True).value() == text:
        return text
    return _quoted(text)


def key(text: str, name: bool = False) -> str:
    """A key. A `name` somebody made up is in quotes where others would not read it as a word."""
    if not _PLAIN.match(text) or text.endswith(" "):
        return _quoted(text)
    if name and (text.lower() in _WORDS or re.match(r"[0-9.+-]", text)):
        return _quoted(text)
    return text


def flow(value: object) -> str:
    """A value on one line, in braces where it has parts."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key(str(k))}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(flow(part) for part in value) + "]"
    return scalar(value)


def lines(text: str, value: object, indent: int, opened: int = 0, name: bool = False) -> list[str]:
    """A key with its value, as lines. `opened`: so many levels are opened though they would fit."""
    head = f"{' ' * indent}{key(text, name)}:"
    whole = f"{head} {flow(value)}"
    if not isinstance(value, Mapping) or not value or (len(whole) <= WIDEST and opened <= 0):
        return [whole]
    inner = [line for k, v in value.items() for line in lines(str(k), v, indent + 2, opened - 1)]
    return [head, *inner]


def as_json(value: object) -> str:
    """A value on one line as JSON, which is YAML too: for files that are written so."""
    return json.dumps(value, ensure_ascii=False)


def _quoted(text: str) -> str:
    """In double quotes. What cannot be printed is spelt by its number: no file is to hold it."""
    if "\\" not in text and '"' not in text and text.isprintable():
        return f'"{text}"'
    out = []
    for sign in text:
        if sign in '"\\':
            out.append("\\" + sign)
        elif sign == " " or sign.isprintable():
            out.append(sign)
        else:
            number = ord(sign)
            out.append(f"\\x{number:02x}" if number < 256 else f"\\U{number:08x}")
    return '"' + "".join(out) + '"'
