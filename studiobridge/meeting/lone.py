"""One device that no set knows yet, in a dialect of the book or of a profile.

It stands in a set of its own, which nobody runs: so that what is told and heard is read by the
same speech as everywhere. Nothing is known of its mains, and so no gate either.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.profile.build import read_content
from studiobridge.profile.model import SetProfile
from studiobridge.profile.text import Document, Problem, ProfileError

# What the device is called here, and its set.
IT = "it"


def lone(document: Document, dialect: str, at: str) -> SetProfile:
    """A set of one device that speaks this dialect of the document at this topic.

    Raises ProfileError with what is wrong in the document.
    """
    content = document.root.value()
    dialects = content.get("dialects") if isinstance(content, Mapping) else None
    dialects = dialects if isinstance(dialects, Mapping) else {}
    if dialect not in dialects:
        has = ", ".join(sorted(map(str, dialects))) or "none"
        what = f"there is no dialect '{dialect}' in it; it has: {has}"
        raise ProfileError([Problem(document.name, 1, 1, what)])
    mine = dialects[dialect]
    told = {p for p, rule in mine.items() if isinstance(rule, Mapping) and "tell" in rule}
    heard = {p for p, rule in mine.items() if isinstance(rule, Mapping) and "hear" in rule}
    device: dict[str, object] = {"fed_by": "wall", "speaks": dialect, "at": at}
    if told & {"level", "cct", "colour"}:
        device["kind"] = "light"
        if not told <= heard:
            device["proof"] = "none"
    elif "rolling" in heard:
        device["kind"] = "camera"
    elif "lux" in heard:
        device["kind"] = "sensor"
    elif "switch" in told:
        device["kind"] = "plug"
    else:
        device["kind"] = "display"
    return read_content(
        document,
        {
            "format": 1,
            "set": "lone",
            "mains": {"circuits": {"wall": {"breaker": "10 A"}}},
            "dialects": {dialect: mine},
            "devices": {IT: device},
            "looks": {},
        },
    ).profile
