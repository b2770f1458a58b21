"""What was measured of a device, as lines for its profile and sentences beside them."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from studiobridge.shown import words


def question(name: str, cycles: bool, dims: bool, lasts: float) -> str:
    """What is going to be done, for who is asked whether it may be."""
    does = []
    if cycles:
        does.append("switches it on and off six times")
    if dims:
        does.append("dims it up and down")
    if not does:
        does.append("switches it on and off three times")
    minutes = max(1, round(lasts / 60.0))
    about = f"{minutes} minute{'s' if minutes > 1 else ''}"
    return f"{words.clean(name, 40)}: this {' and '.join(does)}, over about {about}"


def lines(name: str, found: Mapping[str, Any], width: int) -> list[str]:
    """The lines as they would stand in the profile, and what is not among them."""
    shown: list[str] = []
    if found.get("lines"):
        shown.append(f"  {words.clean(name, 40)}:")
    for line in found.get("lines", ()):
        shown += _wrapped(f"# {line['why']}", width, "    ", "    # ")
        shown.append(f"    {line['key']}: {line['text']}")
    for text in found.get("comments", ()):
        shown += _wrapped(f"# {text}", width, "    ", "    # ")
    for text in found.get("unsure", ()):
        shown += _wrapped(f"not measured: {words.clean(text, 500)}", width, "", "  ")
    return shown


def _wrapped(text: str, width: int, first: str, then: str) -> list[str]:
    return textwrap.wrap(text, max(40, width), initial_indent=first, subsequent_indent=then)
