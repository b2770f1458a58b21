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
_STEP = re.compile(r"([+\-\N{MINUS SIGN}][0-9]{1,3}(?:\.[0-9]{1,3})?) ?(stops?|mired)\Z")
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


def read_step(text: object) -> tuple[Point, float]:
    """By how much a light is changed: `+0.1 stop` of level, `-5 mired` of white.

    Returns the point and how far, in stops or mired (positive: brighter, warmer). Raises
    ValueError with what to write instead.
    """
    found = _STEP.match(text.strip()) if isinstance(text, str) and len(text) <= LONGEST else None
    if found is None:
        raise ValueError(
            f"{quoted(str(text)[:LONGEST])} is no step; write '+0.1 stop' or '-5 mired'"
        )
    by = float(found[1].replace("\N{MINUS SIGN}", "-"))
    return ("level" if found[2].startswith("stop") else "cct"), by


def read_time(text: object) -> float:
    """For how long (s) something is asked for: `20 min`. Raises ValueError."""
    if not isinstance(text, str) or len(text) > LONGEST:
        raise ValueError(f"{quoted(str(text)[:LONGEST])} is no length of time; write '20 min'")
    seconds = quantity.parse(text.strip(), quantity.TIME)
    if seconds < 1.0:
        raise ValueError(f"{quoted(text)} is no time to be quiet in; write it like '20 min'")
    return seconds


def _pair(text: str) -> tuple[str, object]:
    key, _, value = (part.strip() for part in text.partition(":"))
    return key, float(value) if _NUMBER.match(value) else value.strip("'\"")
