"""Of two witnesses of one set one stays, always: the order is one for both, whoever hears whom.

The later looks, by (when it began, its name). When each was heard is no such order: one that stood
still speaks before it hears, and then both would end. Who began before and does not know it yet is
told again. Without I/O.
"""

from __future__ import annotations

import json
from typing import Any, Literal

# What is to be done: nothing, say again that this one is here, or end.
Word = Literal["", "again", "end"]
LARGEST = 4096
# No witness began so late (s since 1970: the year 5138).
NEVER = 1e11


class Others:
    """What is heard on the topic where each says that it is alive."""

    def __init__(self, run: str, began: float) -> None:
        self._self = began, run
        self._own_heard = False

    def anew(self) -> None:
        """The link came: what is heard before the own word may be of before."""
        self._own_heard = False

    def hear(self, payload: bytes, kept: bool) -> Word:
        """What follows from this word; `kept`: the broker had it from before."""
        try:
            said = json.loads(payload[:LARGEST]) if payload else {}
        except (ValueError, RecursionError):
            said = {}
        said = said if isinstance(said, dict) else {}
        if said.get("run") == self._self[1] and said.get("alive") is True:
            self._own_heard = True
            return ""
        if kept or not self._own_heard:
            return ""
        # else the last will of one that was here before, or nonsense, stands where this one is
        return "end" if said.get("alive") is True and self._later(said) else "again"

    def _later(self, said: dict[str, Any]) -> bool:
        began, run = said.get("began"), said.get("run")
        if isinstance(began, bool) or not isinstance(began, int | float):
            return True  # it does not know of this order, and will not end
        if not abs(began) < NEVER:
            return False  # no clock says so
        return not isinstance(run, str) or (began, run) > self._self
