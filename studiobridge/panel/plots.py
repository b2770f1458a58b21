"""Drift of one device over time as SVG: bars for light (stops), rings for colour (mired)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from studiobridge.shown.tongue import figure, say, say_many, zone

WIDE, HIGH, LEFT, RIGHT = 380.0, 170.0, 108.0, 14.0
TOP, BOTTOM = 16.0, 28.0


def drift_plot(device: str, rows: Sequence[Mapping[str, Any]]) -> str:
    """All drift of a device, each at its worst, where it opened in time. Empty with nothing."""
    marks = [
        (float(row["opened"]), row["stops"], row["mired"])
        for row in rows
        if row.get("opened") and (row.get("stops") is not None or row.get("mired") is not None)
    ]
    if not marks:
        return ""
    first, last = min(m[0] for m in marks), max(m[0] for m in marks)
    span = max(last - first, 60.0)
    stops = max([abs(m[1]) for m in marks if m[1] is not None], default=0.0) or 1.0
    mired = max([abs(m[2]) for m in marks if m[2] is not None], default=0.0) or 1.0
    middle = TOP + (HIGH - TOP - BOTTOM) / 2
    half = (HIGH - TOP - BOTTOM) / 2
    most = figure(stops, ".2f")
    said = say_many(
        "Drift of {device}: {n} time, at most {most} stop",
        "Drift of {device}: {n} times, at most {most} stop",
        len(marks),
        device=device,
        most=most,
    )
    out = [
        f'<svg class="plot" viewBox="0 0 {WIDE:.0f} {HIGH:.0f}" role="img"'
        f" aria-label={quoteattr(said)}>",
        f'<path class="axis" d="M{LEFT} {middle}H{WIDE - RIGHT}M{LEFT} {TOP}V{HIGH - BOTTOM}"/>',
        _words(LEFT - 6, TOP + 5, say("{by} stop", by=f"+{most}"), "end"),
        _words(LEFT - 6, HIGH - BOTTOM + 2, f"−{most}", "end"),
        _words(LEFT, HIGH - 8, _day(first), "start"),
    ]
    if last > first:
        out.append(_words(WIDE - RIGHT, HIGH - 8, _day(last), "end"))
    for at, by_stops, by_mired in marks:
        x = LEFT + 8 + (at - first) / span * (WIDE - LEFT - RIGHT - 16)
        if by_stops is not None:
            y = middle - by_stops / stops * half
            out.append(f'<path class="stops" d="M{x:.1f} {middle}V{y:.1f}"/>')
        if by_mired is not None:
            y = middle - by_mired / mired * half
            out.append(f'<circle class="mired" cx="{x:.1f}" cy="{y:.1f}" r="5"/>')
    out.append("</svg>")
    return "".join(out)


def _day(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).astimezone(zone()).strftime("%Y-%m-%d %H:%M")


def _words(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="{anchor}">{escape(text)}</text>'
