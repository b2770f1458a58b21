"""When what is counted on a page is over: moments on the bridge's clock, not seconds that run out.

A figure of seconds is old the moment it is sent; a moment stays true for whoever knows the time.
"""

from __future__ import annotations

from collections.abc import Callable

from studiobridge.control.acts import Run
from studiobridge.control.standing import Standing


def times_view(
    run: Run | None, standing: Standing, at: float, iso: Callable[[float], str]
) -> dict[str, str | None]:
    """`ready`: when the run under way should be there; `warm`: when the lights stay as they are."""
    warm = standing.warm_at
    return {
        "ready": None if run is None else iso(run.began + run.ready_in),
        "warm": None if warm is None or warm <= at else iso(warm),
    }
