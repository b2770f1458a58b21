"""Text into the columns of a terminal: nothing breaks inside a word, nothing is cut away.

Plain functions on text. A number and its unit stay together, as one word does.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Sequence

from studiobridge.profile.plain import plain

# A number and what it is of: `64 %`, `2 min`, `4 ft 3 1/4 in`. The space between does not break.
_GLUED = re.compile(
    r"(?<=[0-9]ft) (?=[0-9])|(?<=[0-9] ft) (?=[0-9])|(?<=[0-9]) (?=[0-9]+/[0-9])|"
    r"(?<=[0-9]) (?=(?:%|°|K|W|kW|A|V|lx|fc|s|ms|min|h|m|mm|cm|ft|in|Hz|kHz|MHz|mired|stops?|fps|"
    r"kWh|Wh|MB|mm²)(?![0-9A-Za-z]))"
)
_HARD = "\N{NO-BREAK SPACE}"
# `together     416 lx`: a name, two spaces or more, and what is said of it.
_LABEL = re.compile(r"\s*\S+(?: \S+){0,3}\s{2,}(?=\S)")
# A word longer than this has no use for a column of its own, and is shown below its row.
WIDEST_HANG = 30

Row = Sequence[str]


def wrapped(text: str, columns: int) -> list[str]:
    """Lines no wider than `columns`, each of the text's own with a hanging indent.

    A word that is longer than a line stays whole.
    """
    lines: list[str] = []
    for line in text.split("\n"):
        if len(line) <= columns:
            lines.append(line)
            continue
        begins = len(line) - len(line.lstrip(" "))
        label = _LABEL.match(line)
        hang = begins + 2
        if label is not None and label.end() <= min(WIDEST_HANG, columns // 2):
            hang = label.end()
        lines.extend(_broken(line, columns, " " * hang))
    return lines


def _broken(line: str, columns: int, hang: str = "") -> list[str]:
    wrapper = textwrap.TextWrapper(
        columns,
        subsequent_indent=hang,
        break_long_words=False,
        break_on_hyphens=False,
        replace_whitespace=False,
        expand_tabs=False,
    )
    glued = _GLUED.sub(_HARD, line)
    return [part.replace(_HARD, " ") for part in wrapper.wrap(glued)] or [""]


def table(head: Row, rows: Sequence[Row | str], columns: int | None) -> list[str]:
    """A table as lines; a row that is a text by itself is a heading between the rows.

    Where it is wider than `columns`, the widest texts go on over several lines of their cell; where
    that is not enough, each row is a few lines of its own, with every value behind its name.
    """
    own = [row for row in rows if not isinstance(row, str)]
    widths = [max(len(text) for text in column) for column in zip(head, *own, strict=True)]
    least = [max(_longest_word(text) for text in column) for column in zip(head, *own, strict=True)]
    room = None if columns is None else columns - 2 * (len(head) - 1)
    while room is not None and sum(widths) > room:
        spare = [i for i in range(len(widths)) if widths[i] > least[i]]
        if not spare:
            return _stacked(head, rows, columns or 0)
        widest = max(spare, key=widths.__getitem__)
        widths[widest] -= 1
    lines = []
    for row in (head, *rows):
        lines.extend([row] if isinstance(row, str) else _cells(row, widths))
    return lines


def _cells(row: Row, widths: Sequence[int]) -> list[str]:
    cells = [
        _broken(text, width) if len(text) > width else [text]
        for text, width in zip(row, widths, strict=True)
    ]
    high = max(len(cell) for cell in cells)
    return [
        "  ".join(
            (cell[i] if i < len(cell) else "").ljust(width)
            for cell, width in zip(cells, widths, strict=True)
        ).rstrip()
        for i in range(high)
    ]


def _stacked(head: Row, rows: Sequence[Row | str], columns: int) -> list[str]:
    lines: list[str] = []
    for row in rows:
        if isinstance(row, str):
            lines.append(row)
            continue
        lines.extend(wrapped(row[0], columns))
        for name, text in zip(head[1:], row[1:], strict=True):
            if text:
                said = f"{name}: {text}" if name else text
                lines.extend(f"    {line}" for line in wrapped(said, columns - 4))
    return lines


def gathered(parts: Sequence[str], columns: int | None, gap: str = "   ") -> list[str]:
    """Parts beside each other, as many in a line as there is room for; none is broken."""
    lines: list[str] = []
    for part in parts:
        if lines and (columns is None or len(lines[-1]) + len(gap) + len(part) <= columns):
            lines[-1] += gap + part
        else:
            lines.append(part)
    return lines


def _longest_word(text: str) -> int:
    if text.startswith(" "):
        return len(text)  # something drawn: it stands where it stands
    return max((len(word) for word in _GLUED.sub(_HARD, text).split(" ")), default=0)


def pointed(text: str, column: int, columns: int) -> list[str]:
    """A line of a file, and below it a `^` at its column; a long line is shown from near there."""
    shown = plain(text.replace("\t", "→"))
    at = min(column - 1, len(shown))
    if not shown.strip():
        return []
    room = columns - 4
    if len(shown) > room:
        first = min(max(0, at - room // 2), len(shown) - room)
        part = shown[first : first + room]
        if first > 0:
            part = "…" + part[1:]
        if first + room < len(shown):
            part = part[:-1] + "…"
        shown, at = part, at - first
    return [f"    {shown}", f"    {' ' * _width(shown[:at])}^"]


def _width(text: str) -> int:
    """Columns of a terminal that a text takes."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )
