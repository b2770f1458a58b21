"""Tables for other programs: CSV that no spreadsheet takes for formulas. No I/O."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from typing import Any

# A cell that begins with one of these is run by some spreadsheet.
RUNS = ("=", "+", "-", "@", "\t", "\r")


class _Text:
    """What the csv module writes to, as a list of lines."""

    def __init__(self) -> None:
        self.parts: list[str] = []

    def write(self, text: str) -> int:
        self.parts.append(text)
        return len(text)


def guarded(value: object) -> object:
    """A text that a spreadsheet would run is text to it with an apostrophe in front."""
    return f"'{value}" if isinstance(value, str) and value[:1] in RUNS else value


def as_csv(rows: Sequence[Mapping[str, Any]], line_end: str = "\r\n") -> str:
    """Rows as CSV (RFC 4180) with a head; the columns of all of them, in order of appearance."""
    out = _Text()
    heads = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.writer(out, lineterminator=line_end)
    writer.writerow(heads)
    writer.writerows([guarded(row.get(key, "")) for key in heads] for row in rows)
    return "".join(out.parts)
