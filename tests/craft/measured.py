"""Lengths as a person reads them off a page and measures them out."""

from __future__ import annotations

import re
from fractions import Fraction


def metres_of(text: str) -> float:
    """`2.085 m`, `9 ft 4 3/8 in`, `3 ft` or `7 in` in metres."""
    metric = re.fullmatch(r"(\d+\.\d+) m", text)
    if metric:
        return float(metric[1])
    found = re.fullmatch(r"(?:(\d+) ft)? ?(?:(\d+(?: \d+/\d+)?|\d+/\d+) in)?", text)
    assert found and any(found.groups()), text
    inches = sum((Fraction(part) for part in (found[2] or "0").split(" ")), Fraction(0))
    return float((int(found[1] or 0) * 12 + inches) * Fraction(254, 10000))
