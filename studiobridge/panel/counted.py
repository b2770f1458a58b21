"""Moments that a page counts to or from by itself (`static/counting.js`), from the state of a set.

What is no time is none: whoever may write on the broker may write anything there.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

State = Mapping[str, Any]


def ready_at(state: State) -> str:
    """When the run under way is over, as predicted; empty where no moment is named."""
    return _moment(state.get("ready_at"))


def timer(state: State, name: str) -> str:
    """One of the moments under `timer`; empty where it is not known."""
    found = state.get("timer")
    return _moment(found.get(name)) if isinstance(found, Mapping) else ""


def _moment(text: object) -> str:
    """The time as it was said, if it is one (ISO 8601)."""
    try:
        return text if isinstance(text, str) and datetime.fromisoformat(text) else ""
    except ValueError:
        return ""
