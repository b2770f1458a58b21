"""What came of trying one device, in lines: what was sent, what was heard, what that means."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from studiobridge.shown import words

UNITS = {
    "level": "%",
    "cct": "K",
    "watts": "W",
    "lux": "lx",
    "temperature": "°C",
    "battery": "%",
    "card": "min",
}


def said(point: str, value: object) -> str:
    """`level 40 %`, `switch on`."""
    if isinstance(value, Mapping):
        return f"{point} {words.clean(value.get('name') or 'a colour', 40)}"
    if isinstance(value, bool):
        if point == "switch":
            return f"switch {'on' if value else 'off'}"
        return f"{point} {'yes' if value else 'no'}"
    if isinstance(value, int | float):
        if point == "cct":
            return f"cct {value:.0f} K"
        return f"{point} {value:.4g} {UNITS.get(point, '')}".rstrip()
    return f"{point} {words.clean(value, 40)}"


def _values(values: object) -> str:
    found = values.items() if isinstance(values, Mapping) else ()
    return ", ".join(said(str(point), value) for point, value in found)


def _sent(entry: Mapping[str, Any]) -> str:
    told = _values(entry.get("values"))
    if "topic" not in entry:
        return f"{told}, in the next frames of its universe"
    life = f"QoS {entry.get('qos')}, not delivered within {entry.get('expiry_s', 0):g} s: dropped"
    kept = "; the broker keeps it" if entry.get("retain") else ""
    what = f"`{words.clean(entry['topic'], 200)}` {words.clean(entry.get('payload', ''), 200)}"
    return f"{what} ({told + '; ' if told else 'asks for a report; '}{life}{kept})"


def _heard(entry: Mapping[str, Any]) -> str:
    what = f"`{words.clean(entry['topic'], 200)}` {words.clean(entry.get('payload', ''), 200)}"
    how = "kept by the broker from before" if entry.get("kept") else "live"
    understood = _values(entry.get("understood"))
    if entry.get("why"):
        return f"{what} ({how}; cannot be read: {words.clean(entry['why'], 200)})"
    return f"{what} ({how}: {understood})"


def lines(device: str, detail: Mapping[str, Any], width: int) -> list[str]:
    """One line an event, in the order of time, wrapped to the width."""
    found: list[tuple[float, str, str, str]] = []
    for way, entries, text in (
        ("sent", detail.get("sent"), _sent),
        ("heard", detail.get("heard"), _heard),
    ):
        for entry in entries if isinstance(entries, Sequence) else ():
            other = str(entry.get("device", device))
            whose = "" if other == device else f"{words.clean(other, 40)}: "
            found.append((float(entry.get("after_s", 0.0)), way, whose, text(entry)))
    made: list[str] = []
    for after, way, whose, line in sorted(found, key=lambda one: one[0]):
        head = f"{after:6.1f} s  {way:5}  "
        made += textwrap.wrap(
            whose + line, max(40, width), initial_indent=head, subsequent_indent=" " * len(head)
        )
    if not any(way == "heard" for _, way, _, _ in found):
        made.append(f"{'':9} nothing was heard of {words.clean(device, 40)}")
    if detail.get("more"):
        made.append(f"{'':9} and {detail['more']} more messages")
    made += [
        f"{words.clean(device, 40)}: {words.clean(one, 300)}" for one in detail.get("lacks", ())
    ]
    return made
