"""What the printed readings share: a reading as JSON, bars, what could not be computed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from fractions import Fraction
from typing import Any

from studiobridge.cli import show


def plain(value: Any) -> Any:
    """A reading as JSON: dataclasses to mappings, exact lengths to numbers."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, Fraction | float):
        return round(float(value), 5) + 0.0  # no -0.0
    return value


def percent(share: float) -> str:
    return f"{share * 100:.0f} %"


def bar(share: float, columns: int) -> str:
    """A bar of eighths of a character; a share above 1 ends in `»`."""
    eighths = " ▏▎▍▌▋▊▉"
    full = max(0.0, min(1.0, share)) * columns
    text = "█" * int(full) + eighths[int((full % 1) * 8)].strip()
    return text[: columns - 1] + "»" if share > 1.0 else text


def not_computed(missing: Sequence[str]) -> None:
    if missing:
        show.out()
        for text in missing:
            show.out(f"missing: {text}")
