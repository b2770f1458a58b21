"""A name that is not known, and the known ones that may be meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

# Comparing a name with each of more than these takes its time, and no set has so many.
MANY_NAMES = 400


def near(name: str, known: Iterable[str], most: int = 1) -> list[str]:
    """The known names nearest to one that is not: capitals, `_` and spaces for `-` are slips."""
    names = list(known)
    if len(names) > MANY_NAMES:
        return []
    by_form = {_form(one): one for one in names}
    close = difflib.get_close_matches(_form(name), by_form, n=most, cutoff=0.6)
    return [by_form[one] for one in close]


def _form(name: str) -> str:
    return name.casefold().replace("_", "-").replace(" ", "-")


def nearest(name: str, known: Iterable[str]) -> str:
    """What to do about an unknown name: the nearest known one, or all of them."""
    names = list(known)
    close = near(name, names)
    if close:
        return f"did you mean '{close[0]}'?"
    if not names:
        return "there are none"
    some = ", ".join(names[:12])
    return f"known: {some}{', …' if len(names) > 12 else ''}"
