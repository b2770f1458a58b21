"""Faults that change nothing anyone could see: file, the changed lines, and the reason.

Keyed by what `python -m tests.mutate` prints (the lines with their signs), not by line number,
so that an entry holds as long as its line stands and is asked about again once it changes.
"""

from __future__ import annotations

EQUIVALENT: dict[tuple[str, ...], str] = {}
