"""A fault of the program itself, in words that help whoever has to mend it."""

from __future__ import annotations

import traceback


def whole(error: BaseException) -> str:
    """An exception with where it came from: the log is the only place that keeps it."""
    return "".join(traceback.format_exception(error)).rstrip()
