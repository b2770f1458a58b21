"""One value as a person writes it behind the name of a device: `on`, `40 %`, `3200 K`, a colour."""

from __future__ import annotations

import re

from studiobridge.profile import colours, quantity
from studiobridge.profile.model import Point, Value
from studiobridge.profile.plain import quoted

# Longer than any value a person writes (characters).
LONGEST = 64
WAYS = "write on, off, a level like '40 %', a white like '3200 K' or a colour like '#20ff40'"
_PARTS = re.compile(r"\s*\{(.*)\}\s*\Z")
_NUMBER = re.compile(r"[0-9]+(\.[0-9]+)?\Z")


def read_value(text: object) -> tuple[Point, Value]:
    """Which point, and what it shall be. Raises ValueError with what to write instead."""
    if not isinstance(text, str) or len(text) > LONGEST:
        raise ValueError(f"{quoted(str(text)[:LONGEST])} is no value; {WAYS}")
    said = text.strip()
    if said in ("on", "off"):
        return "switch", said == "on"
    if said.startswith("#"):
        return "colour", colours.parse({"rgb": said})
    parts = _PARTS.match(said)
    if parts is not None:
        return "colour", colours.parse(dict(_pair(one) for one in parts.group(1).split(",")))
    if said.endswith("%"):
        return "level", quantity.parse(said, quantity.LEVEL)
    if said.endswith("K"):
        return "cct", quantity.parse(said, quantity.CCT)
    raise ValueError(f"{quoted(said)} is no value; {WAYS}")


def _pair(text: str) -> tuple[str, object]:
    key, _, value = (part.strip() for part in text.partition(":"))
    return key, float(value) if _NUMBER.match(value) else value.strip("'\"")
